"""One sheet as the recognisers see it: rows of cells, blanks as None, seen from the side or from above.

A table whose outlets run across is a table whose tests are rows, seen from its side: `turned` swaps the two, and
everything else is written once.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence, Set
from functools import cached_property
from typing import Any

from grader.problems import Place, a1
from grader.read.shapes.tables import Note, Range, Sheet, is_blank, tidied

Cell = tuple[int, int]  # row and column, counted from 0
MOST_COVERED = 200_000  # cells of merged ranges that are written out


class Grid:
    """The cells of one sheet, or of a part of it.

    rows   : one sequence of cells a row, all as long; a blank is None, a number that is none is Unreadable.
    outer, inner : 0-based sheet number of each row and of each column of the grid.
    turned : the rows of the grid are the sheet's columns. whole : the grid of the whole sheet.
    """

    def __init__(
        self,
        sheet: Sheet,
        rows: list[Sequence[Any]],
        outer: Sequence[int],
        inner: Sequence[int],
        turned: bool = False,
        whole: Grid | None = None,
    ) -> None:
        self.sheet, self.rows, self.outer, self.inner, self.turned = sheet, rows, outer, inner, turned
        self.whole = whole or self
        self.name = sheet.name
        self.width = len(inner)

    @classmethod
    def of(cls, sheet: Sheet) -> Grid:
        """The whole sheet."""
        values = set().union(*sheet.rows)
        rows = _cleaned(sheet.rows, values)
        numbers = sheet.numbers if sheet.numbers is not None else range(len(rows))
        made = cls(sheet, rows, numbers, range(len(rows[0]) if rows else 0))
        made.texts = frozenset(v for v in values if type(v) is str and not is_blank(v))
        return made

    def turn(self, first: int, stop: int, columns: Sequence[int]) -> Grid:
        """Some columns between two rows, with rows and columns swapped."""
        lines = [list(map(self.rows[row].__getitem__, columns)) for row in range(first, stop)]
        outer, inner = [self.inner[c] for c in columns], self.outer[first:stop]
        made = Grid(self.sheet, list(zip(*lines)), outer, inner, not self.turned, self.whole)
        made.lines = lines
        return made

    @cached_property
    def lines(self) -> Sequence[Sequence[Any]]:
        """The cells of each column."""
        return list(zip(*self.rows)) or [()] * self.width

    def cut(self, first: int, last: int) -> Grid:
        """The rows between two sheet numbers, both among them (-1: no end there)."""
        if first < 0 and last < 0:
            return self
        kept = [i for i, n in enumerate(self.outer) if n >= first and (last < 0 or n <= last)]
        return self.part(kept, range(self.width))

    def part(self, rows: Sequence[int], columns: Sequence[int]) -> Grid:
        """The cells of some rows and columns, by their positions, in order."""
        cells: list[Sequence[Any]] = [list(map(self.rows[r].__getitem__, columns)) for r in rows]
        outer, inner = [self.outer[r] for r in rows], [self.inner[c] for c in columns]
        return Grid(self.sheet, cells, outer, inner, self.turned, self.whole)

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

    def origin(self, row: int, column: int) -> tuple[Grid, Cell]:
        """The whole sheet of one cell, and where it stands there."""
        return self.whole, self.cell(row, column)

    def address(self, row: int, column: int) -> str:
        """A cell as a person names it."""
        return a1(*self.cell(row, column))

    def note(self, code: str, row: int, column: int, value: Any, **about: Any) -> Note:
        """What is to be said of one cell."""
        return Note(code, self.name, self.address(row, column), value, about)

    def place(self, row: int, column: int) -> Place:
        """The Place of one cell."""
        whole, cell = self.origin(row, column)
        return Place(whole.name, *cell)

    def filled(self, row: int) -> list[tuple[int, Any]]:
        """The filled cells of a row, each with its position."""
        return [(at, v) for at, v in enumerate(self.rows[row]) if v is not None]

    def is_blank(self, row: int) -> bool:
        """Whether a row holds nothing."""
        return self.rows[row].count(None) == self.width

    def alone(self, row: int) -> tuple[int, Any]:
        """The only filled cell of a row and its position; (-1, None) where there are more, or none."""
        at_most_one = self.rows[row].count(None) >= self.width - 1
        return next(iter(self.filled(row)), (-1, None)) if at_most_one else (-1, None)

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
        for top, left, bottom, right in self.sheet.merges():
            if self.turned:
                top, left, bottom, right = left, top, right, bottom
            first, last = _span(self.outer, top, bottom)
            start, end = _span(self.inner, left, right)
            if first <= last and start <= end:
                made.append((first, start, last, end))
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
        whole, cell = self.origin(row, column)
        return cell in whole.sheet.percents

    def is_struck(self, row: int, column: int) -> bool:
        """Whether a cell is struck through."""
        whole, cell = self.origin(row, column)
        return cell in whole.sheet.struck


Origin = tuple[Grid, int, int]  # where a cell was: grid, row, column


class Rewritten(Grid):
    """Cells written out in other rows than they stand in; each knows the grid, row and column it came from.

    head : position of the row of headings. outer : sheet number of each row, where that has one.
    """

    def __init__(
        self, grid: Grid, rows: list[Sequence[Any]], origins: list[list[Origin]], head: int, outer: Sequence[int] = ()
    ) -> None:
        super().__init__(grid.sheet, rows, outer or range(len(rows)), range(len(rows[0])))
        self.origins, self.head = origins, head
        self.merges, self.covered = [], {}

    def cell(self, row: int, column: int) -> Cell:
        """0-based row and column of the sheet it came from."""
        return self.origin(row, column)[1]

    def line_place(self, column: int) -> Place:
        """The Place of the column that a line begins in."""
        return self.place(self.head, column)._replace(row=None)

    def line_words(self, column: int) -> str:
        """How a layout file names a line, which is no column of the sheet: by its heading."""
        return f'heading = "{self.rows[self.head][column]}"'

    def origin(self, row: int, column: int) -> tuple[Grid, Cell]:
        """The whole sheet of one cell, and where it stands there."""
        grid, *at = self.origins[row][column]
        return grid.origin(*at)

    def is_formatted(self) -> bool:
        """Whether any cell is shown through a percent format or struck through."""
        return any(grid.is_formatted() for grid in {grid for line in self.origins for grid, _, _ in line})


def _span(numbers: Sequence[int], first: int, last: int) -> tuple[int, int]:
    """Positions of the sheet numbers from first to last; the second before the first where there are none."""
    return bisect_left(numbers, first), bisect_right(numbers, last) - 1


def _cleaned(rows: list[list[Any]], values: Set[Any]) -> list[Sequence[Any]]:
    """Rows with blanks as None and numbers that are none as Unreadable; only the different values are looked at."""
    changed = {v: tidied(v) for v in values if type(v) in (str, float) and tidied(v) is not v}
    return [row if changed.keys().isdisjoint(row) else [changed[v] if v in changed else v for v in row] for row in rows]
