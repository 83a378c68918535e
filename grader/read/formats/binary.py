"""Scans the records of binary workbooks (.xls, .xlsb) for what the reading library hides.

As scan.py does for XML: error cells, formulas that were never worked out, numbers shown through a percent
format or with a printed "<" or ">", and how far each sheet reaches. Sources, as published under
learn.microsoft.com/openspecs: [MS-XLS] and [MS-XLSB], the section beside each figure where it was seen there. Records and
structures of [MS-XLSB] are cited by name: their sections move between its editions (BrtXF is 2.4.862 in one, 2.4.865 in
another).
bench_foreign reads some 1,050 such files of other writers.
"""

from __future__ import annotations

import contextlib
import struct
from collections.abc import Iterator, Mapping

from grader.read.formats.number_format import prints_a_unit
from grader.read.formats.package import NOT_RELATED, related
from grader.read.formats.parts import Parts, Refused
from grader.read.formats.product import is_closed, kind_of_zip
from grader.read.formats.sheet_scan import Scan, SheetScan, check_place, printed_texts, too_large
from grader.read.formats.styles import Styles, styles_of

ERRORS = {  # [MS-XLS] 2.5.10 Bes; [MS-XLSB] BErr has the same
    0x00: "#NULL!",
    0x07: "#DIV/0!",
    0x0F: "#VALUE!",
    0x17: "#REF!",
    0x1D: "#NAME?",
    0x24: "#NUM!",
    0x2A: "#N/A",
    0x2B: "#GETTING_DATA",
}

# .xls: numbers of the records that matter ([MS-XLS] 2.3.1, Record Enumeration by name).
_BOF, _EOF, _SHEET, _FORMAT, _XF, _PASSWORD = 0x0809, 0x0A, 0x85, 0x041E, 0xE0, 0x2F
_NUMBER, _RK, _MULRK, _BOOLERR, _FORMULA = 0x0203, 0x027E, 0xBD, 0x0205, 0x06
_TEXTS = frozenset({0xFD, 0x0204, 0xD6})  # LabelSst, Label; RString as other readers have it
_CELLS = frozenset({_NUMBER, _RK, _MULRK, _BOOLERR, _FORMULA}) | _TEXTS
_BIFF8 = 0x0600  # BOF.vers (2.4.21): Excel 97 to 2003; earlier ones are in no published specification
_HEADER, _FOOTER = 0x14, 0x15  # the texts printed above and below a page
_ALWAYS_CALCULATED = 1  # Formula.fAlwaysCalc (2.4.127)

# .xlsb: the same ([MS-XLSB] 2.3, Record Enumeration). _B_SHORT: cells that state no column, as other readers
# have them (BrtShortBlank to BrtShortIsst); they were not seen in the specification.
_B_BOOK, _B_STYLES = "xl/workbook.bin", "xl/styles.bin"
_B_ROW, _B_RK, _B_ERROR, _B_REAL, _B_F_NUMBER, _B_F_ERROR = 0, 2, 3, 5, 9, 11
_B_BLANK, _B_LAST_CELL, _B_SHORT = 1, 11, range(12, 19)
_B_FORMAT, _B_XF, _B_SHEET, _B_XFS, _B_END_XFS = 44, 47, 156, 617, 618
_B_PRINTED = 479  # BrtBeginHeaderFooter; its number is from memory


@contextlib.contextmanager
def _whole_records() -> Iterator[None]:
    try:
        yield
    except (struct.error, IndexError) as error:
        raise Refused("damaged", what="its records are broken") from error


def _number(found: SheetScan, row: int, column: int, style: int, styles: Styles, value: str = "a number") -> None:
    if style in styles.percent:
        found.percents.add((row, column))
    elif style in styles.marked and not prints_a_unit(styles.marked[style]):
        found.unreadable[row, column] = (f"{value} shown as {styles.marked[style]}", "format")


# ---------------------------------------------------------------------------------------------------- .xls


@_whole_records()
def scan_xls(stream: bytes, limits: Mapping[str, float]) -> list[SheetScan]:
    """Scan the workbook stream of an .xls.

    limits  : the table [limits] of data/limits_reading.toml.
    Returns : one SheetScan a sheet, charts and macro sheets too, in the workbook's order.
    Raises  : Refused: a password, a version before Excel 97, broken records, sheets too large together.
    """
    if struct.unpack_from("<HHH", stream)[::2] != (_BOF, _BIFF8):
        raise Refused("format_not_read")
    codes: dict[str, str] = {}
    used: list[str] = []
    starts: list[int] = []
    for number, at, _ in _records(stream, 0):
        if number == _PASSWORD:
            raise Refused("encrypted")
        if number == _FORMAT:
            codes[str(struct.unpack_from("<H", stream, at)[0])] = _text(stream, at + 2)
        elif number == _XF:  # its ifmt (2.4.353)
            used.append(str(struct.unpack_from("<H", stream, at + 2)[0]))
        elif number == _SHEET:
            starts.append(struct.unpack_from("<I", stream, at)[0])
    styles = styles_of(codes, used)
    found = [_scan_xls_sheet(stream, start, styles) for start in starts]
    area = 0
    for sheet in found:  # the library holds all sheets at once
        area += (sheet.last_row + 1) * (sheet.last_column + 1)
        if area > limits["dense_cells"]:
            raise too_large(sheet.last_row, sheet.last_column)
    return found


def _records(stream: bytes, at: int) -> Iterator[tuple[int, int, int]]:
    """(number, start, size) of the records of one substream, up to its end; charts in it left out.

    A record is its number and its size, two bytes each, and its data ([MS-XLS] 2.1.4); a substream begins with BOF and
    ends with EOF, and a chart on a sheet is one within the sheet's (as others' files have it).
    """
    depth, header = 0, struct.Struct("<HH").unpack_from
    end = len(stream)
    while at + 4 <= end:
        number, size = header(stream, at)
        at += 4
        if at + size > end:
            break
        if number == _BOF:
            depth += 1
        elif number == _EOF:
            depth -= 1
            if not depth:
                return
        if depth == 1:
            yield number, at, size
        at += size
    raise Refused("truncated")


def _text(stream: bytes, at: int) -> str:
    """An XLUnicodeString (2.5.294), as Format.stFormat (2.4.126) and Header (2.4.136): length, a flag for two bytes, letters."""
    length, flags = struct.unpack_from("<HB", stream, at)
    wide = flags & 1
    return stream[at + 3 : at + 3 + (length << wide)].decode("utf-16-le" if wide else "latin-1", "replace")


def _scan_xls_sheet(stream: bytes, start: int, styles: Styles) -> SheetScan:
    """One sheet from its BOF, where BoundSheet8.lbPlyPos (2.4.28) says.

    A cell begins with row, column and style, two bytes each (structure Cell); MulRk (2.4.175) with row and first column,
    then style and number of each; BoolErr (2.4.24) ends with a Bes.
    """
    found = SheetScan()
    place, pair = struct.Struct("<HHH").unpack_from, struct.Struct("<HI").unpack_from
    careful = bool(styles.percent or styles.marked)
    for number, at, size in _records(stream, start):
        if number in (_HEADER, _FOOTER) and size > 2:
            found.printed += tuple(printed_texts(_text(stream, at)))
        if number not in _CELLS:
            continue
        row, column, style = place(stream, at)
        if row > found.last_row:
            found.last_row = row
        last = column
        if number == _MULRK:
            last = column + (size - 6) // 6 - 1
            if careful:
                for i in range(last - column + 1):
                    _number(found, row, column + i, pair(stream, at + 4 + 6 * i)[0], styles)
        elif number == _BOOLERR:
            if stream[at + 7]:
                found.unreadable[row, column] = (ERRORS.get(stream[at + 6], "error"), "error")
        elif number == _FORMULA:
            _xls_formula(found, stream, at, styles)
        elif number not in _TEXTS and careful:
            value = f"{struct.unpack_from('<d', stream, at + 6)[0]:.10g}" if number == _NUMBER else "a number"
            _number(found, row, column, style, styles, value)
        if last > found.last_column:
            found.last_column = last
    return found


def _xls_formula(found: SheetScan, stream: bytes, at: int, styles: Styles) -> None:
    """Formula (2.4.127): a Cell, its last value (FormulaValue: 0xFFFF at its end where it is no number), and flags."""
    row, column, style = struct.unpack_from("<HHH", stream, at)
    result = stream[at + 6 : at + 14]
    if result[6:] == b"\xff\xff":  # no number: the first byte says what it is
        if result[0] == 2:
            found.unreadable[row, column] = (ERRORS.get(result[2], "error"), "error")
        return
    value = struct.unpack("<d", result)[0]
    if value == 0.0 and struct.unpack_from("<H", stream, at + 14)[0] & _ALWAYS_CALCULATED:
        # What a writer that cannot calculate stores for the time being.
        found.unreadable[row, column] = ("a formula", "formula")
    else:
        _number(found, row, column, style, styles, f"{value:.10g}")


# --------------------------------------------------------------------------------------------------- .xlsb


@_whole_records()
def scan_xlsb(parts: Parts, limits: Mapping[str, float]) -> Scan:
    """Scan the parts of an .xlsb.

    limits : the table [limits] of data/limits_reading.toml.
    Raises : Refused where a part is missing or broken, or a sheet is too large.
    """
    kind = kind_of_zip(parts)
    if is_closed(kind):
        return Scan("xlsb", kind, {})
    relations = related(parts, _B_BOOK)
    if not relations:
        raise Refused("damaged", what="the list of its sheets is missing")
    styles = parts.read(_B_STYLES, text=False) if _B_STYLES in parts.entries else b""
    codes: dict[str, str] = {}
    used: list[str] = []
    inside = False
    for number, at, _ in _binary_records(styles):
        if number == _B_FORMAT:
            codes[str(struct.unpack_from("<H", styles, at)[0])] = _wide(styles, at + 2)[0]
        elif number in (_B_XFS, _B_END_XFS):
            inside = number == _B_XFS
        elif number == _B_XF and inside:  # BrtXF.iFmt, among those behind BrtBeginCellXFs
            used.append(str(struct.unpack_from("<H", styles, at + 2)[0]))
    special = styles_of(codes, used)
    sheets = {}
    book = parts.read(_B_BOOK, text=False)
    for number, at, _ in _binary_records(book):
        if number == _B_SHEET:  # BrtBundleSh: two integers, the relation, the name
            key, at = _wide(book, at + 8)
            name, _ = _wide(book, at)
            entry = relations.get(key, NOT_RELATED)
            if entry.kind == "worksheet":
                sheets[name] = found = _scan_xlsb_sheet(parts.read(entry.of_sheet(name), text=False), special)
                if (found.last_row + 1) * (found.last_column + 1) > limits["dense_cells"]:
                    raise too_large(found.last_row, found.last_column, name)
    parts.check_prologs()
    return Scan("xlsb", kind, sheets)


def _binary_records(content: bytes) -> Iterator[tuple[int, int, int]]:
    """(number, start, size) of the records of one part.

    The number takes one byte, or two where the first has its high bit; the size one to four, seven bits of each, the low
    ones first ([MS-XLSB] 2.1.4).
    """
    at, end = 0, len(content)
    while at < end:
        number = content[at]
        at += 1
        if number & 0x80:
            number = number & 0x7F | (content[at] & 0x7F) << 7
            at += 1
        size = shift = 0
        while True:
            byte = content[at]
            at += 1
            size |= (byte & 0x7F) << shift
            shift += 7
            if not byte & 0x80 or shift > 21:
                break
        if at + size > end:
            raise Refused("damaged", what="a part of it ends in the middle")
        yield number, at, size
        at += size


def _wide(content: bytes, at: int) -> tuple[str, int]:
    """XLWideString or XLNullableWideString ([MS-XLSB]): letters, two bytes each; where it ends; null is empty."""
    length = struct.unpack_from("<I", content, at)[0]
    if length == 0xFFFFFFFF:
        return "", at + 4
    end = at + 4 + 2 * length
    if end > len(content):
        raise Refused("damaged", what="a text of it is longer than the file")
    return content[at + 4 : end].decode("utf-16-le", "replace"), end


def _scan_xlsb_sheet(content: bytes, styles: Styles) -> SheetScan:
    """One sheet: BrtRowHdr begins with the row, a cell with its column and style ([MS-XLSB], Cell)."""
    found = SheetScan()
    place = struct.Struct("<II").unpack_from
    careful = bool(styles.percent or styles.marked)
    row = -1
    for number, at, _ in _binary_records(content):
        if number == _B_ROW:
            row = struct.unpack_from("<I", content, at)[0]
        elif _B_BLANK < number <= _B_LAST_CELL:
            column, style = place(content, at)
            check_place(row, column)
            found.last_row, found.last_column = max(found.last_row, row), max(found.last_column, column)
            if number in (_B_ERROR, _B_F_ERROR):
                found.unreadable[row, column] = (ERRORS.get(content[at + 8], "error"), "error")
            elif careful and number in (_B_RK, _B_REAL, _B_F_NUMBER):
                _number(found, row, column, style & 0xFFFFFF, styles)
        elif number in _B_SHORT:
            # Cells without a column of their own, which the library would leave out.
            raise Refused("damaged", what="its cells are packed in an unusual way")
        elif number == _B_PRINTED:  # BrtBeginHeaderFooter: flags in two bytes, six texts
            at += 2
            for _ in range(6):
                code, at = _wide(content, at)
                found.printed += tuple(printed_texts(code))
    return found
