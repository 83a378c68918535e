"""Tables that give each test two rows, under two rows of headings each of which is whole: written out side by side.

Outlet | Oxygen % | CO ppm         Outlet | Oxygen % | CO ppm | | Oil mg/m³ | Water mg/m³
       | Oil mg/m³ | Water mg/m³   A      | 20.9     | 1      | | 0.1       | 50
A      | 20.9     | 1
       | 0.1      | 50
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from grader.problems import Place
from grader.read.extract import AS_FOUND, READINGS, Part, Proposal
from grader.read.shapes.grid import Cell, Grid
from grader.read.shapes.heads import columns_of
from grader.read.shapes.tables import Range, Sheet

_SEARCHED = 60  # rows in which the headings are looked for
_LEAST = 2  # headings of readings in the second row


class Folded(Grid):
    """A grid each row of which may hold a second row of the sheet behind its own cells.

    seconds : position of a row -> 0-based sheet number of its second row.
    """

    merges: list[Range] = []
    covered: dict[Cell, Cell] = {}

    def __init__(self, sheet: Sheet, rows: list[Sequence[Any]], outer: list[int], seconds: dict[int, int]) -> None:
        super().__init__(sheet, rows, outer, range(len(rows[0])))
        self.seconds, self.half = seconds, len(rows[0]) // 2

    def cell(self, row: int, column: int) -> Cell:
        """0-based row and column of the sheet."""
        here = self.seconds.get(row, self.outer[row]) if column >= self.half else self.outer[row]
        return here, column % self.half

    def line_place(self, column: int) -> Place:
        """The Place of a column of the sheet."""
        return Place(self.name, None, column % self.half)

    def line_words(self, column: int) -> str:
        """How a layout file names a line: two headings stand over each column."""
        top = next(iter(self.seconds))
        return f'heading = "{self.rows[top][column]}"'

    def _positions(self, cells: Iterable[Cell]) -> frozenset[Cell]:
        wanted = set(cells)
        if not wanted:
            return frozenset()
        spots = ((r, c) for r in range(len(self.rows)) for c in range(self.width))
        return frozenset(at for at in spots if self.cell(*at) in wanted)


def folded(grid: Grid) -> Grid:
    """A sheet whose tests take two rows each with these beside each other; any other sheet as it is."""
    for top in range(min(len(grid.rows) - 3, _SEARCHED)):
        outlet = _outlet(grid, top)
        if outlet >= 0 and len(pairs := _pairs(grid, top, outlet)) > 1:
            blank = [None] * grid.width
            kept = [r for r in range(len(grid.rows)) if r - 1 not in pairs]
            rows: list[Sequence[Any]] = [[*grid.rows[r], *(grid.rows[r + 1] if r in pairs else blank)] for r in kept]
            seconds = {i: grid.outer[r + 1] for i, r in enumerate(kept) if r in pairs}
            return Folded(grid.sheet, rows, [grid.outer[r] for r in kept], seconds)
    return grid


def _outlet(grid: Grid, top: int) -> int:
    """The column of outlets where a row and the one below it are headings of other things each; -1 where they are not."""
    rows = grid.rows[top], grid.rows[top + 1]
    if any(type(v) is not str for row in rows for v in row if v is not None):
        return -1
    first, second = ({c.at: c.field for c in columns_of(grid, [r]) if c.field} for r in (top, top + 1))
    at = next((at for at, field in first.items() if field == "outlet"), -1)
    apart = set(first.values()).isdisjoint(second.values())
    read = [at for at, field in second.items() if field in READINGS]
    over = any(first.get(at) in READINGS for at in read)
    return at if at >= 0 and rows[1][at] is None and apart and over and len(read) >= _LEAST else -1


def _pairs(grid: Grid, top: int, outlet: int) -> set[int]:
    """The first rows of two: the headings, as often as they come, and tests below them whose next row names no outlet."""
    made: set[int] = set()
    row, begun = top, False
    while row + 1 < len(grid.rows):
        cells, below = grid.rows[row], grid.rows[row + 1]
        again = cells == grid.rows[top] and below == grid.rows[top + 1]
        begun = again or begun and cells.count(None) < len(cells)
        goes_on = cells[outlet] is not None and below[outlet] is None and below.count(None) < len(below)
        if again or begun and goes_on:
            made.add(row)
            row += 1
        row += 1
    return made


def with_places(p: Proposal) -> Proposal:
    """A proposal of a folded grid, each value of a test with its own cell."""
    if not isinstance(p.grid, Folded):
        return p
    grid = p.grid
    parts = [Part(i, i + 1, part.values) for part in p.parts for i in range(part.first, part.stop)]
    lines = [c._replace(how=AS_FOUND[1]) if c.field else c for c in p.lines]
    return p._replace(parts=parts, lines=lines, places=lambda line, test: grid.place(*p.spots(line, test)))
