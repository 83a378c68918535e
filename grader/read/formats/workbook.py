"""Opens a file of any format and yields its sheets as lists of rows. Alone loads the spreadsheet readers."""

from __future__ import annotations

import io
import os
from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import partial
from typing import Any, NamedTuple

import python_calamine

from grader.columns import REGISTER, REGISTER_KIND, normal_heading
from grader.data import load_toml
from grader.problems import Unreadable
from grader.read.formats.colours import colours_of
from grader.read.formats.package import Book, is_workbook, main_part
from grader.read.formats.parts import OLE_MAGIC, ZIP_MAGIC, Parts, Refused
from grader.read.formats.product import is_closed, kind_of_old, kind_of_zip
from grader.read.formats.rewritten import plainly_packed, written_anew
from grader.read.formats.scan import scan_workbook
from grader.read.formats.sheet_scan import Scan, SheetScan, too_large
from grader.read.shapes.tables import Note, Range, Sheet, not_known, squared

_BINARY_WORKBOOK = "xl/workbook.bin"
_LONG = 1000  # rows; in a shorter sheet blank rows cost nothing
# What the library raises over a broken file. The bytes are in memory: an OSError tells of them, not of a disk.
_UNREADABLE = (python_calamine.CalamineError, OSError)


class Opened(NamedTuple):
    """One file, opened: its format by content, what product of this program it is ("" if none), its sheets
    (taken one at a time), notes on the file as a whole."""

    format: str
    kind: str
    sheets: Iterable[Sheet]
    notes: list[Note]


def open_file(data: bytes, path: str, limits: Mapping[str, float]) -> Opened:
    """Open the bytes of one file; what they are decides, and the name only tells texts from other things.

    limits : the table [limits] of data/limits_reading.toml.
    Raises : Refused where the file must not or cannot be read; so may taking its sheets.
    """
    if not data:
        raise Refused("file_empty")
    if data.startswith(OLE_MAGIC):
        return _open_old(data, limits)
    if data.startswith((ZIP_MAGIC, b"PK\x05\x06")):
        return _open_zip(data, limits)
    name, suffix = os.path.splitext(os.path.basename(path))
    suffix = suffix.lower()
    if suffix not in load_toml("limits_reading.toml")["suffixes"]["text"]:
        raise Refused("not_a_workbook")
    from grader.read.formats.text import read_text

    table = read_text(data, name, limits)
    return Opened(suffix[1:], "result" if table.own else "", [table.sheet], table.notes)


def _open_zip(data: bytes, limits: Mapping[str, float]) -> Opened:
    parts = Parts(data, limits)
    if is_workbook(parts, main_part(parts)):
        scan = scan_workbook(parts, limits)
    elif _BINARY_WORKBOOK in parts.entries:
        from grader.read.formats.binary import scan_xlsb

        scan = scan_xlsb(parts, limits)
    else:
        from grader.read.formats.ods import check_ods, read_ods

        check_ods(parts)
        kind = kind_of_zip(parts)
        return Opened("ods", kind, [] if is_closed(kind) else read_ods(parts, limits), [])
    if is_closed(scan.kind):
        return Opened(scan.format, scan.kind, (), [])
    return Opened(scan.format, scan.kind, open_sheets(data, scan, limits), [])


def may_be_register(data: bytes, limits: Mapping[str, float]) -> bool:
    """Whether a workbook says that it is a register, or has a sheet named as one of a register's. Reads no sheet.

    Raises : Refused where it cannot be opened.
    """
    if not data.startswith((ZIP_MAGIC, OLE_MAGIC)):
        return False
    if data.startswith(ZIP_MAGIC) and (kind := kind_of_zip(Parts(data, limits))):
        return kind == REGISTER_KIND
    known = {normal_heading(name) for name in REGISTER}
    return any(normal_heading(name) in known for name in _calamine(data).sheet_names)


def _open_old(data: bytes, limits: Mapping[str, float]) -> Opened:
    from grader.read.formats.binary import scan_xls
    from grader.read.formats.compound import PROPERTIES, Compound

    try:
        book = Compound(data)
    except Refused:
        if "EncryptedPackage".encode("utf-16-le") in data:
            raise Refused("encrypted") from None
        raise
    if "ENCRYPTEDPACKAGE" in book.found:
        raise Refused("encrypted")
    if "WORKBOOK" not in book.found:
        raise Refused("format_not_read" if "BOOK" in book.found else "not_a_workbook")
    kind = kind_of_old(book.stream(PROPERTIES))
    if is_closed(kind):
        return Opened("xls", kind, [], [])
    stream = book.stream("Workbook")
    scans = scan_xls(stream, limits)
    if book.others:
        data = book.without_others()
    names = [entry.name for entry in _calamine(data).sheets_metadata]
    if len(names) != len(scans) or len(set(names)) != len(names):
        raise Refused("damaged", what="its list of sheets cannot be trusted")
    return Opened("xls", kind, open_sheets(data, Scan("xls", kind, dict(zip(names, scans))), limits), [])


def _calamine(data: bytes) -> python_calamine.CalamineWorkbook:
    try:
        return python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(data))
    except python_calamine.PasswordError as error:
        raise Refused("encrypted") from error
    except _UNREADABLE as error:
        raise Refused("damaged", what=_first_line(error)) from error


def open_sheets(data: bytes, scan: Scan, limits: Mapping[str, float]) -> Iterator[Sheet]:
    """The worksheets of a workbook, hidden ones too, one at a time in the workbook's order.

    data   : bytes of the file, as scanned. limits : the table [limits] of data/limits_reading.toml.
    Yields : Sheet with rectangular rows; a blank cell is "", a cell that holds no value an Unreadable.
    Raises : Refused where the file cannot be read, or a sheet is too large.
    """
    library = _opened(data, scan.book)
    for entry in library.sheets_metadata:
        if entry.typ != python_calamine.SheetTypeEnum.WorkSheet:
            continue
        name, found = entry.name, scan.sheets.get(entry.name)
        if found is None:  # unscanned, so what it hides would go unseen
            raise Refused("damaged", what=f"the sheet {name} is not in the list of sheets")
        hidden = entry.visible != python_calamine.SheetVisibleEnum.Visible
        numbers: list[int] | None = None
        merges: Callable[[], list[Range]] = list
        # Where the cells of an .xlsx were not counted, the scan has seen that they fill the sheet.
        counted = found.cells is not None or scan.book is None
        if counted and (found.last_row + 1) * (found.last_column + 1) > limits["dense_cells"]:
            if scan.book is None or found.cells is None or found.cells > limits["sparse_cells"]:
                raise too_large(found.last_row, found.last_column, name)
            rows, numbers = _rows_anew(scan.book, name, found, limits)
        else:
            try:
                sheet = library.get_sheet_by_name(name)
                rows, numbers = _without_long_gaps(_rows(sheet), found.unreadable)
                merges = partial(_merges, sheet)
            except _UNREADABLE as error:
                if scan.book is None:
                    raise Refused("damaged", sheet=name, what=_first_line(error)) from error
                rows, numbers = _rows_anew(scan.book, name, found, limits)
        if found.unreadable:
            lay_over(rows, numbers, found.unreadable)
        seen = found.hidden, found.comments, found.struck, found.printed
        colours = partial(colours_of, scan.book, name) if scan.book else not_known
        yield Sheet(name, rows, numbers, found.percents, hidden, merges, *seen, colours)


def _opened(data: bytes, book: Book | None) -> python_calamine.CalamineWorkbook:
    """The workbook in the library's hands: as it is, or packed anew where that is not how the library expects it."""
    if book is None or book.usual:
        try:
            return _calamine(data)
        except Refused as refused:
            if book is None or refused.code != "damaged":
                raise
    return _calamine(plainly_packed(book))


def _rows(sheet: python_calamine.CalamineSheet) -> list[list[Any]]:
    # False, because the default leaves out empty rows and columns and so shifts every address.
    return sheet.to_python(skip_empty_area=False)


def _without_long_gaps(
    rows: list[list[Any]], unreadable: Iterable[tuple[int, int]]
) -> tuple[list[list[Any]], list[int] | None]:
    """The rows of a long sheet that is mostly empty with one blank row for many, and their numbers (None: all).

    unreadable : 0-based (row, column) of cells that the library shows as blank; their rows stay, or are added.
    """
    if len(rows) < _LONG:
        return rows, None
    blank = [""] * len(rows[0])
    marked = {row for row, _ in unreadable}
    numbers = [i for i, row in enumerate(rows) if row != blank or rows[i - 1] != blank or i in marked]
    if 2 * len(numbers) > len(rows):
        return rows, None
    beyond = sorted(row for row in marked if row >= len(rows))
    return [*(rows[i] for i in numbers), *([] for _ in beyond)], numbers + beyond


def _rows_anew(
    book: Book, name: str, found: SheetScan, limits: Mapping[str, float]
) -> tuple[list[list[Any]], list[int] | None]:
    """The rows of a sheet's XML written anew, and their numbers where blank rows between them would be too many (None: all).

    The cells that no reader can use go to found.unreadable.
    """
    content, numbers, left_out = written_anew(book, name)
    found.unreadable = {**left_out, **found.unreadable}
    try:
        rows = _rows(_calamine(plainly_packed(book, name, content)).get_sheet_by_name(name))
    except _UNREADABLE as error:
        raise Refused("damaged", sheet=name, what=_first_line(error)) from error
    rows.extend([] for _ in range(len(numbers) - len(rows)))  # rows of unreadable cells alone, at the end
    rows, last = squared(rows), max(numbers, default=-1)
    wide = len(rows[0]) if rows else 0
    if (last + 1) * wide <= limits["dense_cells"] or 2 * len(numbers) > last:
        at = dict(zip(numbers, rows))
        return [at.get(row) or [""] * wide for row in range(last + 1)], None
    if len(rows) * wide > limits["dense_cells"]:
        raise too_large(found.last_row, found.last_column, name)
    return rows, numbers


def _merges(sheet: python_calamine.CalamineSheet) -> list[Range]:
    """The merged ranges, where the format shows them."""
    return [(*start, *end) for start, end in sheet.merged_cell_ranges or ()]


def lay_over(
    rows: list[list[Any]], numbers: list[int] | None, unreadable: Mapping[tuple[int, int], tuple[str, str]]
) -> None:
    """Put an Unreadable, or what is printed, into every cell that the reading library shows as empty or as a plain number.

    rows       : changed in place; rows and columns are added where the cell lies beyond them.
    numbers    : the 0-based sheet row of each row, or None where rows is the sheet from row 1 on.
    unreadable : 0-based (row, column) -> (shown, why).
    """
    width = max(len(rows[0]) if rows else 0, 1 + max(column for _, column in unreadable))
    if numbers is None:
        height = 1 + max(row for row, _ in unreadable)
        rows.extend([] for _ in range(height - len(rows)))
    for cells in rows:
        cells.extend([""] * (width - len(cells)))
    position = None if numbers is None else {number: i for i, number in enumerate(numbers)}
    for (row, column), (shown, why) in unreadable.items():
        rows[row if position is None else position[row]][column] = shown if why == "shown" else Unreadable(shown, why)


def _first_line(error: Exception) -> str:
    return (str(error).strip().splitlines() or ["no reason given"])[0][:200]
