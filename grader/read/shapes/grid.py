"""One sheet as the recognisers see it: rows of cells, blanks as None, seen from the side or from above.

A table whose outlets run across is a table whose tests are rows, seen from its side: `turned` swaps the two, and
everything else is written once.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from functools import cached_property
from typing import Any

from grader.problems import Place, Unreadable, a1
from grader.read.shapes.tables import Note, Range, Sheet, is_blank

Cell = tuple[int, int]  # row and column, counted from 0
MOST_COVERED = 200_000  # cells of merged ranges that are written out


class Grid:
    """The cells of one sheet, or of a part of it.

    rows   : one sequence of cells a row, all as long; a blank is None, a number that is none is Unreadable.
    outer, inner : 0-based sheet number of each row and of each column of the grid.
    turned : the rows of the grid are the sheet's columns.
    unrolled : its rows are written out from elsewhere (shapes/unrolled.py), and a line of it is none of the sheet.
    """

    unrolled = False

    def __init__(
        self, sheet: Sheet, rows: list[Sequence[Any]], outer: Sequence[int], inner: Sequence[int], turned: bool = False
    ) -> None:
        self.sheet, self.rows, self.outer, self.inner, self.turned = sheet, rows, outer, inner, turned
        self.name = sheet.name
        self.width = len(inner)

    @classmethod
    def of(cls, sheet: Sheet) -> Grid:
        """The whole sheet."""
        rows = _cleaned(sheet.rows)
        numbers = sheet.numbers if sheet.numbers is not None else range(len(rows))
        return cls(sheet, rows, numbers, range(len(rows[0]) if rows else 0))

    def turn(self) -> Grid:
        """The same cells with rows and columns swapped."""
        return Grid(self.sheet, list(zip(*self.rows)), self.inner, self.outer, not self.turned)

    def cut(self, first: int, last: int) -> Grid:
        """The rows between two sheet numbers, both among them (-1: no end there)."""
        if first < 0 and last < 0:
            return self
        kept = [i for i, n in enumerate(self.outer) if n >= first and (last < 0 or n <= last)]
        return Grid(self.sheet, [self.rows[i] for i in kept], [self.outer[i] for i in kept], self.inner, self.turned)

    def row_of(self, number: int) -> int:
        """Position of a 0-based sheet row (column where turned); the end where there is none such, -1 for -1."""
        return min(number, bisect_left(self.outer, number))

    def column_of(self, number: int) -> int:
        """Position of a 0-based sheet column (row where turned); the end where there is none such, -1 for -1."""
        return min(number, bisect_left(self.inner, number))

    def cell(self, row: int, column: int) -> Cell:
        """0-based row and column of the sheet."""
        one, other = self.outer[row], self.inner[column]
        return (other, one) if self.turned else (one, other)

    def origin(self, row: int, column: int) -> tuple[Sheet, Cell]:
        """The sheet of one cell, and where it stands there."""
        return self.sheet, self.cell(row, column)

    def address(self, row: int, column: int) -> str:
        """A cell as a person names it."""
        return a1(*self.cell(row, column))

    def note(self, code: str, row: int, column: int, value: Any, **about: Any) -> Note:
        """What is to be said of one cell."""
        return Note(code, self.name, self.address(row, column), value, about)

    def place(self, row: int, column: int) -> Place:
        """The Place of one cell."""
        return Place(self.name, *self.cell(row, column))

    def over(self, row: int, column: int) -> Any:
        """A cell, or that of the merged range that hides it, where it stands in the same column."""
        top, left = self.covered.get((row, column), (row, column)) if self.rows[row][column] is None else (row, column)
        return self.rows[top][left] if left == column else None

    def line_place(self, column: int) -> Place:
        """The Place of a whole line of cells: a column of the sheet, a row where turned."""
        number = self.inner[column]
        return Place(self.name, number, None) if self.turned else Place(self.name, None, number)

    def line_words(self, column: int) -> str:
        """How a layout file names a line of cells."""
        number = self.inner[column]
        return f"row = {number + 1}" if self.turned else f'column = "{a1(0, number)[:-1]}"'

    @cached_property
    def texts(self) -> frozenset[str]:
        """The different texts of the cells."""
        return frozenset(v for v in set().union(*self.rows) if type(v) is str)

    @cached_property
    def merges(self) -> list[Range]:
        """Merged ranges in positions of the grid: first row, first column, last row, last column."""
        made = []
        rows, columns = (self.inner, self.outer) if self.turned else (self.outer, self.inner)
        for top, left, bottom, right in self.sheet.merges():
            first, last = _span(rows, top, bottom)
            start, end = _span(columns, left, right)
            if first <= last and start <= end:
                made.append((start, first, end, last) if self.turned else (first, start, last, end))
        return made

    @cached_property
    def covered(self) -> dict[Cell, Cell]:
        """Each cell that a merged range hides -> the first of its range."""
        made: dict[Cell, Cell] = {}
        for top, left, bottom, right in self.merges:
            if len(made) + (bottom - top + 1) * (right - left + 1) > MOST_COVERED:
                break
            made.update(
                {(r, c): (top, left) for r in range(top, bottom + 1) for c in range(left, right + 1)
                 if (r, c) != (top, left)}
            )  # fmt: skip
        return made

    def is_formatted(self) -> bool:
        """Whether any cell is shown through a percent format or struck through."""
        return bool(self.sheet.percents or self.sheet.struck)

    def is_percent(self, row: int, column: int) -> bool:
        """Whether a cell is a number that is shown through a percent format."""
        sheet, cell = self.origin(row, column)
        return cell in sheet.percents

    def is_struck(self, row: int, column: int) -> bool:
        """Whether a cell is struck through."""
        sheet, cell = self.origin(row, column)
        return cell in sheet.struck


def _span(numbers: Sequence[int], first: int, last: int) -> tuple[int, int]:
    """Positions of the sheet numbers from first to last; the second before the first where there are none."""
    return bisect_left(numbers, first), bisect_right(numbers, last) - 1


def _cleaned(rows: list[list[Any]]) -> list[Sequence[Any]]:
    """Rows with blanks as None and numbers that are none as Unreadable; only the different values are looked at."""
    blanks: set[Any] = set()
    odd = False
    for value in set().union(*rows):
        if type(value) is str:
            if is_blank(value):
                blanks.add(value)
        elif type(value) is float and value - value != 0.0:
            odd = True
    made: list[Sequence[Any]] = []
    for row in rows:
        cells: Sequence[Any] = row
        if blanks and not blanks.isdisjoint(row):
            cells = [None if v in blanks else v for v in row]
        if odd:
            cells = [Unreadable(str(v), "number") if type(v) is float and v - v != 0.0 else v for v in cells]
        made.append(cells)
    return made
