"""Looks into the XML of an .xlsx or .xlsm workbook before any spreadsheet library does.

Refuses what could harm (bombs, entity tricks, encrypted or damaged files) and finds what the reading library
hides: error cells, formulas without a stored value, and number formats that change what a number means
(percent, a printed "<" or ">"). In plain XML a few searches over the bytes find the cells that can matter and
only those go through an XML parser; unusual XML goes through it whole. The addresses are the file's own, so
the library's values are kept and these cells laid over them: a second reading would tell nothing more.
"""

from __future__ import annotations

import html
import io
import re
from collections.abc import Iterable, Iterator, Mapping
from xml.etree.ElementTree import Element, iterparse

from grader.read.formats.number_format import as_printed
from grader.read.formats.package import book_of, parts_of_kind, related
from grader.read.formats.parts import Parts, Refused, check_xml, inside, text_of, tree, well_formed
from grader.read.formats.product import is_closed, kind_of_zip
from grader.read.formats.sheet_scan import LAST_COLUMN, Scan, SheetScan, check_place, printed_texts
from grader.read.formats.styles import Styles, styles_of_xml
from grader.read.shapes.tables import column_number, place_of
from grader.read.words.own_notes import without_own_lines

BYTES_A_CELL = 12  # no filled cell takes less XML than twice this

_ROW = re.compile(rb'[^>]*?\br="([0-9]{1,9})"')
_ROW_STATED = re.compile(rb'<row (?:[^>]*?\s)?r="([0-9]{1,9})"')
_ROW_TAG = re.compile(rb"<row( [^>]*)>")
_WIDE = re.compile(rb' r="([A-Z]{2,})[0-9]')
_VALUED = re.compile(rb"<c [^>]*><f(?: [^>]*)?>(?:[^<]*</f>)?<v>[^<]")
_ERROR_CELL = re.compile(rb'<c [^>]*?\bt\s*=\s*"e"[^>]*(?<!/)>.*?</c>', re.DOTALL)
_FORMULA_CELL = re.compile(rb"<c [^>]*(?<!/)>\s*<f.*?</c>", re.DOTALL)
_ADDRESSED = re.compile(rb'<c [^>]*?\br="[A-Za-z]')
_ROOT = re.compile(rb"<(\w+)[^>]*>")
_SINGLE_QUOTED = re.compile(rb"=\s*'")
_PRINTED = re.compile(rb"<(?:[\w.-]+:)?(?:odd|even|first)(?:Header|Footer)(?: [^>]*)?>([^<]*)</")
_FORMULA_TAGS = (b"<f>", b"<f ", b"<f/>")


def scan_workbook(parts: Parts, limits: Mapping[str, float]) -> Scan:
    """Scan the parts of one .xlsx or .xlsm workbook (a template of these is one too).

    limits : the table [limits] of data/limits_reading.toml.
    Raises : Refused, with the code of the words, where the file must not or cannot be read.
    """
    kind = kind_of_zip(parts)
    if is_closed(kind):
        return Scan("xlsx", kind, {})
    book = book_of(parts)
    styles = styles_of_xml(parts.read(book.styles)) if book.styles else Styles()
    if book.strings:
        parts.read(book.strings)
    scans: dict[str, SheetScan] = {}
    for name, part in book.sheets.items():
        scans[name] = scan = scan_sheet(parts.read(part), styles, limits, book.recalculated, part=part)
        beside = related(parts, part)
        scan.comments = _comments(parts, parts_of_kind(beside, "comments"))
        scan.printed += tuple(_drawn(parts, parts_of_kind(beside, "drawing")))
    parts.check_prologs()
    return Scan("xlsm" if "xl/vbaproject.bin" in parts.entries else "xlsx", kind, scans, book)


def _drawn(parts: Parts, drawings: Iterable[str]) -> list[str]:
    """The texts of the boxes and shapes that lie on one sheet."""
    boxes = (box for part in drawings for box in inside(tree(parts.read(part), part), "txBody"))
    texts = ("\n".join(map(_shown, inside(box, "p"))).strip() for box in boxes)
    return [text for text in texts if text]


def _shown(element: Element) -> str:
    """The text that the runs in an element show."""
    return "".join(map(text_of, inside(element, "t")))


def _comments(parts: Parts, lists: Iterable[str]) -> tuple[tuple[tuple[int, int], str], ...]:
    """The comments on the cells of one sheet, by 0-based row and column; those of this program left out."""
    found: dict[tuple[int, int], str] = {}
    for part in lists:
        for comment in inside(tree(parts.read(part), part), "comment"):
            if at := place_of(comment.get("ref", "")):
                found[at] = found.get(at, "") + _shown(comment)
    return tuple((at, said) for at, text in sorted(found.items()) if (said := without_own_lines(text)))


def scan_sheet(
    content: bytes, styles: Styles, limits: Mapping[str, float], recalculated: bool = False, part: str = "of the sheet"
) -> SheetScan:
    """Scan one sheet's XML.

    content      : bytes of the part. styles : which cell styles matter.
    recalculated : the workbook's formulas were never worked out (a 0 stored beside one means nothing).
    Raises       : Refused where the XML is broken or an address lies outside any sheet.
    """
    found = SheetScan(hidden=_hidden(content), printed=_printed(content))
    if is_plain(content):
        if not _closes_what_it_opens(content):
            # The fast reader takes a cell that never ends without a word, and the next cell's value with it.
            check_xml(content, part)
        # An honest million rows are more cells than a sheet may have that is mostly empty; it is as much XML, too.
        most = max(limits["dense_cells"], len(content) / BYTES_A_CELL)
        last_row, last_column = _quick_extent(content, most)
        if (last_row + 1) * (last_column + 1) <= most:
            cells = _cells_to_look_at(content, styles, recalculated)
            if all(map(_ADDRESSED.match, cells)):
                if cells and (root := _ROOT.search(content)):
                    _look(found, b"%s%s</%s>" % (root[0], b"".join(cells), root[1]), part, styles, recalculated)
                found.last_row, found.last_column, found.cells = last_row, last_column, None
                return found
    _look(found, content, part, styles, recalculated)
    return found


def _printed_number(code: str, value: str) -> tuple[str, str] | None:
    try:
        return as_printed(code, value, float(value))
    except ValueError:
        return None  # the reading library says what is wrong with it


def is_plain(content: bytes) -> bool:
    """Whether a sheet's XML is such as searches over its bytes understand: no prefixes, single quotes, comments."""
    # One character is looked for first: that costs next to nothing, and is mostly enough.
    return (
        b"<sheetData" in content
        and (b"'" not in content or not _SINGLE_QUOTED.search(content))
        and (b"!" not in content or b"<!" not in content)
    )


def _printed(content: bytes) -> tuple[str, ...]:
    """The texts of a sheet's page headers and footers, which stand behind its cells."""
    behind = content[content.rfind(b"sheetData") :]
    if b"Header" not in behind and b"Footer" not in behind:
        return ()
    codes = [html.unescape(found.decode("utf-8", "replace")) for found in _PRINTED.findall(behind)]
    return tuple(text for code in codes for text in printed_texts(code))


def _closes_what_it_opens(content: bytes) -> bool:
    """Whether as many rows, cells and values end as begin. False may only mean that they are written unusually."""
    return all(
        content.count(b"</%s>" % name) == content.count(start)
        for name, start in ((b"row", b"<row "), (b"c", b"<c "), (b"v", b"<v>"))
    )


def _hidden(content: bytes) -> frozenset[int]:
    """0-based numbers of the hidden rows that the XML names (for a note only: a hidden row is read)."""
    if b' hidden="' not in content:
        return frozenset()
    tags = _ROW_TAG.findall(content, max(content.find(b"<sheetData"), 0))
    rows = (_ROW.match(tag) for tag in tags if b' hidden="1"' in tag or b' hidden="true"' in tag)
    return frozenset(int(row[1]) - 1 for row in rows if row)


def _cells_to_look_at(content: bytes, styles: Styles, recalculated: bool) -> list[bytes]:
    """The cell elements of plain XML that can matter: 100,000 rows are not parsed for the sake of ten."""
    found: list[bytes] = []
    if b'"e"' in content:
        found += _ERROR_CELL.findall(content)
    formulas = sum(content.count(tag) for tag in _FORMULA_TAGS) if b"<f" in content else 0
    if formulas and (len(_VALUED.findall(content)) != formulas or recalculated and b"<v>0</v>" in content):
        found += _FORMULA_CELL.findall(content)
    wanted = sorted(styles.percent | styles.marked.keys() | styles.struck)
    if wanted:
        codes = b"|".join(str(n).encode() for n in wanted)
        found += re.findall(rb'<c [^>]*?\bs\s*=\s*"(?:%s)"[^>]*(?<!/)>.*?</c>' % codes, content, re.DOTALL)
    return found


def _quick_extent(content: bytes, most: float) -> tuple[int, int]:
    """Last row and column, or upper bounds; columns are looked at only where `most` cells may be passed."""
    last_row = max(map(int, _ROW_STATED.findall(content)), default=0) - 1
    if (last_row + 1) * (LAST_COLUMN + 1) <= most:
        return last_row, LAST_COLUMN
    names = set(_WIDE.findall(content))  # none: no column past Z
    if not names and (last_row + 1) * 26 > most:
        return last_row, next((n for n in range(25, 0, -1) if re.search(rb' r="%c[0-9]' % (65 + n), content)), 0)
    return last_row, max((column_number(n.decode()) for n in names), default=25)


def cells_of(content: bytes, part: str) -> Iterator[tuple[int, int, Element]]:
    """The cells of a sheet's XML, each with its 0-based row and column, which it need not state."""
    row = column = -1
    with well_formed(content, part):
        for event, element in iterparse(io.BytesIO(content), ("start", "end")):
            name = element.tag.rpartition("}")[2]
            if event == "start" and name == "row":
                number = element.get("r", "")
                row = int(number) - 1 if number.isdecimal() else row + 1
                column = -1
            elif event == "end" and name == "c":
                address = element.get("r")
                column += 1
                if address is not None:
                    place = place_of(address)
                    if place is None:
                        raise Refused("damaged", what=f"a cell has the impossible address {address[:20]}")
                    row, column = place
                check_place(row, column)
                yield row, column, element
                element.clear()
            elif event == "end" and name == "row":
                element.clear()


def _look(found: SheetScan, content: bytes, part: str, styles: Styles, recalculated: bool) -> None:
    """Add what the cells of a sheet's XML, or of a piece of it, hide."""
    found.cells = 0
    for row, column, cell in cells_of(content, part):
        inner = {child.tag.rpartition("}")[2]: text_of(child) for child in cell}
        value, formula = inner.get("v", "").strip(), inner.get("f")
        if not value and formula is None and "is" not in inner:
            continue  # a format without content
        place, kind, number = (row, column), cell.get("t", "n"), cell.get("s", "")
        style = int(number) if number.isdecimal() else 0
        found.cells += 1
        found.last_row, found.last_column = max(found.last_row, row), max(found.last_column, column)
        if style in styles.struck:
            found.struck.add(place)
        if kind == "e":
            found.unreadable[place] = (value or "error", "error")
        elif formula is not None and _not_worked_out(value, kind, recalculated):
            found.unreadable[place] = (f"={formula[:200]}", "formula")
        elif kind == "n" and value:
            if style in styles.percent:
                found.percents.add(place)
            elif style in styles.marked and (printed := _printed_number(styles.marked[style], value)):
                found.unreadable[place] = printed


def _not_worked_out(value: str, kind: str, recalculated: bool) -> bool:
    """Whether a formula's stored value is missing, or a 0 that its writer put there for the time being.

    Text formulas may rightly store an empty text.
    """
    return recalculated and value == "0" if value else kind != "str"
