"""Readings at the crossing of outlets and dates: one sheet (or block) a parameter, or dates across a list of readings.

Such cells are written out as one reading a row, each with the place it had, and shapes/long.py makes tests of the rows.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import Any, NamedTuple

from grader.columns import FIELDS
from grader.read.shapes.grid import Cell, Grid, Origin, Rewritten
from grader.read.shapes.pairs import labels_alone
from grader.read.shapes.rows import is_total
from grader.read.shapes.tables import whole
from grader.read.words.dates import is_date, is_when
from grader.read.words.headings import EXACT
from grader.read.words.labels import READINGS, Column, column, kind_of, label, loose_label

_SEARCHED = 60  # rows in which the first heading is looked for
_LEAST_NAMES = 2
_LEAST_DATES = 2  # one may be no more than a heading with a year in it
_STROKE = re.compile(r"(?<=\w)[_-](?=\w)")
_NO_PARAMETER = {f.name for f in FIELDS.values() if f.kind in ("text", "date")}
_HEADINGS = ("Outlet", "Test date", "Parameter", "Value")


class Unrolled(Rewritten):
    """One reading a row; a line of it is no column of the sheet."""


class Matrix(NamedTuple):
    """One block of readings of one parameter: its name, and the rows above it.

    known : what its name means; None where that is not known.
    corner, down, across : where its headings cross; its rows and columns. dated : dates run across, else outlets do.
    """

    grid: Grid
    name: str
    known: Column | None
    above: tuple[int, int]
    corner: Cell
    down: list[int]
    across: list[int]
    dated: bool

    def crossings(self) -> Iterator[tuple[Cell, Cell, Cell]]:
        """(outlet, date, reading) as cells of its grid, column by column."""
        top, side = self.corner
        for c in self.across:
            for r in self.down:
                yield ((r, side), (top, c), (r, c)) if self.dated else ((top, c), (r, side), (r, c))


def matrices(grid: Grid) -> list[Matrix]:
    """The blocks of a sheet: a row of dates over a column of outlets, or of outlets over a column of dates."""
    made: list[Matrix] = []
    row = begin = 0
    while row < min(len(grid.rows), begin + _SEARCHED):
        found = _matrix(grid, begin, row, alone=not made)
        if found is None:
            row += 1
            continue
        made.append(found)
        begin = row = found.down[-1] + 1
    return made


def _matrix(grid: Grid, begin: int, top: int, alone: bool) -> Matrix | None:
    cells = grid.rows[top]
    filled = [c for c, v in enumerate(cells) if v is not None]
    if len(filled) < 2 or top + 1 >= len(grid.rows):
        return None
    beneath, first = grid.rows[top + 1], filled[0]
    over_names = beneath[first] is not None and not (is_when(cells[first]) and first and beneath[first - 1] is not None)
    side = first if over_names else first - 1
    if side < 0 or is_when(cells[side]):
        return None
    of_tests = (c for c in filled if c > side and not _is_none_of_them(cells[c]))
    start = next(of_tests, side)
    if start == side or not is_when(cells[start]) and not is_date(beneath[side]):
        return None
    across = [start, *of_tests]
    dated = all(is_when(cells[c]) for c in across)
    if not dated and not is_date(beneath[side]):
        return None
    down = []
    for r in range(top + 1, len(grid.rows)):
        values = [v for c in across if (v := grid.rows[r][c]) is not None]
        if grid.rows[r][side] is None or dated and values and all(type(v) is not float and is_date(v) for v in values):
            break  # a gap, or the dates of the next block
        if values:
            down.append(r)
    lines = {k.field for r in down if dated and (k := label(grid.rows[r][side])) is not None and k.field}
    if 2 * len(lines) >= len(down) and (len(lines) > 1 or len(across) == 1):
        return None  # labels with their values, or what was measured on one day, and no outlets
    if not down or not dated and not all(is_date(grid.rows[r][side]) for r in down):
        return None
    alone_above = (r for r in range(top - 1, begin - 1, -1) if not labels_alone(grid, r))
    titles = [v for r in alone_above for v in grid.rows[r]]
    named = [grid.name, *titles] if alone else titles
    # A sheet's name cannot hold a stroke: "mg_m³", "mg-m3".
    given = [t for t in named if type(t) is str]
    texts = [*given, *(_STROKE.sub("/", t) for t in given)]
    meanings = [(t, k) for meaning in (label, loose_label) for t in texts if (k := meaning(t)) is not None]
    meanings = [m for m in meanings if m[1].field not in _NO_PARAMETER and not m[1].weak]
    # "Oxygen" on the sheet's tab and "Oxygen (%)" over its table: the one that states the unit.
    full = (m for m in meanings if _main(m[1]) == _main(meanings[0][1]) and (m[1].heading.unit or m[1].heading.told))
    name, known = next(full, meanings[0] if meanings else ("", None))
    return Matrix(grid, name, known, (begin, top), (top, side), down, across, dated)


def _main(known: Column) -> str:
    """The field of a name, or the one that its general word names first; the blank's "Water (mg/m³)" is the tube here."""
    if known.field == "water_mg_m3" and known.heading.basis == EXACT:
        return "water_tube_mg_m3"
    return known.field or (known.heading.candidates[0] if known.heading.general else "?")


def _is_none_of_them(text: Any) -> bool:
    """Whether a heading beside dates or outlets is that of a mean, a limit or remarks."""
    if type(text) is not str:
        return False
    known = label(text)
    return (
        is_total(text)
        or kind_of(text) in ("limit", "unit", "verdict")
        or known is not None
        and known.field == "remarks"
    )


def joined(blocks: list[Matrix]) -> Unrolled | None:
    """All blocks as one list of readings; None where fewer than two different things were measured."""
    if len({m.known.field or m.known.text for m in blocks if m.known}) < 2:
        return None
    first = blocks[0].grid
    rows: list[Sequence[Any]] = [_HEADINGS]
    origins: list[list[Origin]] = [[(first, blocks[0].down[0], 0)] * len(_HEADINGS)]
    for m in (m for m in blocks if m.known):
        for outlet, when, reading in m.crossings():
            value = m.grid.rows[reading[0]][reading[1]]
            if value is not None:
                rows.append((m.grid.rows[outlet[0]][outlet[1]], whole(m.grid.rows[when[0]][when[1]]), m.name, value))
                origins.append([(m.grid, *at) for at in (outlet, when, reading, reading)])
    return Unrolled(first, rows, origins, 0)


def _heads_names(grid: Grid, top: int, at: int, kind: str | None) -> bool:
    """Whether a heading is that of names of readings: "Parameter", or "Mesure" over such names."""
    if kind != "value":
        return kind == "parameter"
    fields = {k.field for row in grid.rows[top + 1 :] if (k := label(row[at])) is not None}
    return "test_date" not in fields and len(fields & READINGS) >= _LEAST_NAMES


def dates_across(grid: Grid) -> Grid:
    """A list of names of readings with a column a date, written out date by date; any other sheet as it is."""
    for top in range(min(len(grid.rows), _SEARCHED)):
        cells = grid.rows[top]
        names = [c for c, v in enumerate(cells) if type(v) is str and _heads_names(grid, top, c, kind_of(v))]
        dates = [c for c, v in enumerate(cells) if names and c > names[0] and is_when(v)]
        if len(dates) < _LEAST_DATES:
            continue
        if any(column(c, v).field == "test_date" for c, v in enumerate(cells) if type(v) is str):
            return grid
        kept = [c for c in range(grid.width) if c not in dates]
        rows: list[Sequence[Any]] = [[*(r[c] for c in kept), None, None] for r in grid.rows[:top]]
        rows.append([*(cells[c] for c in kept), *_HEADINGS[1::2]])
        origins: list[list[Origin]] = [[(grid, r, c) for c in (*kept, dates[0], dates[0])] for r in range(top + 1)]
        for at in dates:
            for r in range(top + 1, len(grid.rows)):
                body = grid.rows[r]
                if body[names[0]] is None and body[at] is None:
                    continue
                rows.append([*(grid.over(r, c) for c in kept), whole(cells[at]), body[at]])
                origins.append([*((grid, r, c) for c in kept), (grid, top, at), (grid, r, at)])
        return Unrolled(grid, rows, origins, top)
    return grid
