"""The cells of a sheet that may say anything of tests: each text is told once what it may be, each cell found once."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from datetime import date
from functools import cached_property
from operator import itemgetter
from typing import Any

from grader.problems import Place, Table
from grader.read.shapes.grid import Cell, Grid
from grader.read.shapes.own_guide import guide_texts
from grader.read.shapes.tables import shown, whole
from grader.read.whom import Whom, outlets_of
from grader.read.words.answers import put_right
from grader.read.words.beside import REMARK, kinds_of
from grader.read.words.clauses import apart
from grader.read.words.labels import label
from grader.read.words.said import titled
from grader.read.words.spelling import key
from grader.read.words.verdicts import fails_counted

PRINTED = (-1, -1)  # where a text stands that is printed with the sheet
_WIDEST, _HEADS = 60, 20  # cells of a row that may tell of an outlet; rows in which headings are looked for
_DEEP = 12  # rows in which headings of a list may stand
_FAR_UP = 50  # rows up to a test's first one
_LONE = 5  # titles above a row, one of which may name its site


class Cells:
    """The cells of a sheet by row and column, blanks as None. tests : its rows of tests. names : of its outlets, as compared."""

    def __init__(self, grid: Grid, tables: Sequence[Table] = ()) -> None:
        self.grid, self.name, self.tables = grid, grid.name, tables
        self.position = {n: i for i, n in enumerate(grid.outer)}
        self.comments, self.printed = dict(grid.sheet.comments), set(grid.sheet.printed)
        self.tests = {r for t in tables if t.orientation == "down" for r in t.rows}
        outlets = set().union(*map(outlets_of, tables))
        self.names = frozenset(key(shown(n)) for n in outlets if n is not None) - {""}
        if tables:
            self.printed.add(grid.name)  # "VOID"

    @cached_property
    def _kinds(self) -> dict[str, frozenset[str]]:
        """What the texts of the sheet, its comments and its pages may be."""
        texts = self.grid.texts.union(self.comments.values(), self.printed)
        told = {t: kinds for t in texts if (kinds := kinds_of(t))}
        told |= {t: told.get(t, frozenset()) | {REMARK} for t in self.printed if titled(t) and fails_counted(t) is None}
        for text in told.keys() & (guide_texts(self.name) if not self.tables else ()):
            del told[text]
        return told

    @cached_property
    def _spoken(self) -> list[tuple[Cell, str]]:
        """What is printed, the cells and the comments whose texts may be anything."""
        made = [(PRINTED, text) for text in sorted(self.printed) if text in self._kinds]
        for row, cells in zip(self.grid.outer, self.grid.rows) if self._kinds else ():
            if not self._kinds.keys().isdisjoint(cells):
                texts = [(c, v) for c, v in enumerate(cells) if type(v) is str and v in self._kinds]
                made += [((row, c), part) for c, v in texts for part in (apart(v) if v.count(":") > 1 else [v])]
        return made + [(at, text) for at, text in sorted(self.comments.items()) if text in self._kinds]

    def of(self, kind: str) -> Iterator[tuple[Cell, str]]:
        """(row and column, text) of what is printed, cells and comments that may be of a kind."""
        return ((at, text) for at, text in self._spoken if kind in (self._kinds.get(text) or kinds_of(text)))

    def merged(self) -> list[tuple[Cell, Cell]]:
        """Each cell that a merged range hides, with the first of its range, by the numbers of the sheet."""
        rows, columns = self.grid.outer, self.grid.inner
        return [
            ((rows[r], columns[c]), (rows[top], columns[left])) for (r, c), (top, left) in self.grid.covered.items()
        ]

    def at(self, row: int, column: int) -> Any:
        """The value of a cell, None for a blank one and outside."""
        cells = self.row(row)
        return cells[column] if 0 <= column < len(cells) else None

    def up(self, row: int, column: int) -> Any:
        """The value of a cell, or of the nearest filled one above it."""
        return next((v for r in range(row, row - _FAR_UP, -1) if (v := self.at(r, column)) is not None), None)

    def left(self, row: int, column: int) -> Any:
        """The value of the nearest filled cell before one in its row."""
        return next((v for v in reversed(self.row(row)[: max(column, 0)]) if v is not None), None)

    def place(self, at: Cell) -> Place:
        """Where a cell stands; what is printed has the first."""
        return Place(self.name, max(at[0], 0), max(at[1], 0))

    def row(self, row: int) -> Sequence[Any]:
        """The cells of a row, none outside."""
        here = self.position.get(row)
        return () if here is None else self.grid.rows[here]

    def first(self, row: int) -> int:
        """The first filled column of a row."""
        return next(c for c, v in enumerate(self.row(row)) if v is not None)

    def filled(self, row: int) -> int:
        """How many cells of a row hold anything."""
        cells = self.row(row)
        return len(cells) - cells.count(None)

    def texts_of(self, row: int) -> tuple[str, ...]:
        """The texts of a row, and its whole numbers as texts; of a wide one those of its first cells."""
        return tuple(v for v in map(whole, self.row(row)[:_WIDEST]) if type(v) is str)

    def told_of(self, row: int) -> tuple[str, ...]:
        """The texts of a row, and its days."""
        return (*self.texts_of(row), *(shown(v) for v in self.row(row)[:_WIDEST] if isinstance(v, date)))

    @cached_property
    def closing(self) -> dict[int, int]:
        """The columns with headings for what has been put right, and the first row of these."""
        made: dict[int, int] = {}
        for row in range(_DEEP):
            for c, v in enumerate(self.row(row)):
                if type(v) is str and put_right(v, heading=True):
                    made.setdefault(c, row)
        return made

    @cached_property
    def heads(self) -> dict[str, Cell]:
        """The headings for the site and the outlet of what stands below them, on a sheet that holds no tests."""
        made: dict[str, Cell] = {}
        for row in self.grid.outer[:_HEADS] if not self.tables else ():
            for c, v in enumerate(self.row(row)[:_WIDEST]):
                field = heading.field if type(v) is str and (heading := label(v)) else ""
                below, right = whole(self.at(row + 1, c)), self.at(row, c + 1)
                value = field == "site" and self.filled(row) == 2 and type(right) is str and label(right) is None
                if field in ("site", "outlet") and not value and type(below) is str and label(below) is None:
                    made.setdefault(field, (row, c))
        return made

    @cached_property
    def _lone(self) -> list[tuple[int, str]]:
        """The rows that hold a text alone, and it."""
        alone_ = ((row, self.at(row, self.first(row))) for row in self.grid.outer if self.filled(row) == 1)
        return [(row, v) for row, v in alone_ if type(v) is str]

    def beside(self, row: int, whom: Whom) -> Whom:
        """Whom what is said in a row names, by headings over it and titles above it too."""
        under = {f: whole(self.at(row, column)) for f, (head, column) in self.heads.items() if row > head}
        site, outlet = (v if type(v := under.get(f)) is str else "" for f in ("site", "outlet"))
        upto = bisect_right(self._lone, row, key=itemgetter(0))
        above = tuple(text for _, text in self._lone[max(upto - _LONE, 0) : upto][::-1])
        return whom._replace(site=site, outlet=outlet, above=above)
