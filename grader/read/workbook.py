"""Opens a scanned workbook and yields its sheets as lists of rows. Alone loads the spreadsheet readers."""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping
from typing import Any

import python_calamine

from grader.problems import Unreadable, a1
from grader.read.layouts import Sheet
from grader.read.scan import Refused, Scan, SheetScan


def open_sheets(data: bytes, scan: Scan, limits: Mapping[str, float]) -> Iterator[Sheet]:
    """The worksheets of a workbook, hidden ones too, one at a time in the workbook's order.

    data   : bytes of the file, as scanned. limits : the table [limits] of data/limits_reading.toml.
    Yields : Sheet with rectangular rows; a blank cell is "", a cell that holds no value an Unreadable.
    Raises : Refused where the file cannot be read, or a sheet is too large.
    """
    try:
        book = python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(data))
    except python_calamine.CalamineError as error:
        raise Refused("damaged", what=_first_line(error)) from error
    for entry in book.sheets_metadata:
        if entry.typ != python_calamine.SheetTypeEnum.WorkSheet:
            continue
        found = scan.sheets.get(entry.name)
        if found is None:                          # unscanned, so what it hides would go unseen
            raise Refused("damaged", what=f"the sheet {entry.name} is not in the list of sheets")
        hidden = entry.visible != python_calamine.SheetVisibleEnum.Visible
        numbers: list[int] | None = None
        if (found.last_row + 1) * (found.last_column + 1) > limits["dense_cells"]:
            rows, numbers = _sparse_rows(data, entry.name, found, limits)
        else:
            try:
                # False, because the default leaves out empty rows and columns and so shifts every address.
                rows = book.get_sheet_by_name(entry.name).to_python(skip_empty_area=False)
            except python_calamine.CalamineError as error:
                raise Refused("damaged", sheet=entry.name, what=_first_line(error)) from error
        if found.unreadable:
            lay_over(rows, numbers, found.unreadable)
        yield Sheet(entry.name, rows, numbers, found.percents, hidden)


def lay_over(rows: list[list[Any]], numbers: list[int] | None,
             unreadable: Mapping[tuple[int, int], tuple[str, str]]) -> None:
    """Put an Unreadable into every cell that the reading library shows as empty or as a plain number.

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
        rows[row if position is None else position[row]][column] = Unreadable(shown, why)


def _sparse_rows(data: bytes, name: str, found: SheetScan,
                 limits: Mapping[str, float]) -> tuple[list[list[Any]], list[int]]:
    """The rows of a huge, mostly empty sheet that hold anything, and their numbers."""
    far = a1(found.last_row, found.last_column)
    if found.cells is None or found.cells > limits["sparse_cells"]:
        raise Refused("sheet_too_large", sheet=name, cell=far, far=far)
    import openpyxl  # here, because it is slow to load and hardly ever needed

    rows: list[list[Any]] = []
    numbers: list[int] = []
    with_marks = {row for row, _ in found.unreadable}
    book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=True)
    sheet = book[name]
    sheet.reset_dimensions()                       # what the file says of its size may be wrong
    for number, row in enumerate(sheet.iter_rows(values_only=True)):
        if number in with_marks or any(value is not None for value in row):
            rows.append(["" if value is None else value for value in row])
            numbers.append(number)
    book.close()
    width = max(map(len, rows), default=0)
    if width * len(rows) > limits["dense_cells"]:
        raise Refused("sheet_too_large", sheet=name, cell=far, far=far)
    for filled in rows:
        filled.extend([""] * (width - len(filled)))
    return rows, numbers


def _first_line(error: Exception) -> str:
    return (str(error).strip().splitlines() or ["no reason given"])[0][:200]
