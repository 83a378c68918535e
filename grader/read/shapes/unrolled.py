"""Readings of one test that stand apart: a sheet (or block) a parameter, outlets against dates or in a list; dates across.

Such cells are written out as one reading a row, each with the place it had, and shapes/long.py makes tests of the rows.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Any, NamedTuple

from grader.columns import FIELDS
from grader.problems import Place, Table
from grader.read.shapes.grid import Cell, Grid, Origin, Rewritten
from grader.read.shapes.pairs import labels_alone
from grader.read.shapes.rows import is_total
from grader.read.shapes.tables import Recognised, whole
from grader.read.words.clauses import told
from grader.read.words.dates import is_date, is_when
from grader.read.words.headings import EXACT
from grader.read.words.labels import KEYS, READINGS, SHARED, Column, column, is_unit, kind_of, label, loose_label
from grader.read.words.spelling import keys_in

_SEARCHED = 60  # rows in which the first heading is looked for
_LEAST_NAMES = 2
_LEAST_DATES = 2  # one may be no more than a heading with a year in it
_STROKE = re.compile(r"(?<=\w)[_-](?=\w)")
_NO_PARAMETER = {f.name for f in FIELDS.values() if f.kind in ("text", "date")}
_HEADINGS = ("Outlet", "Test date", "Parameter", "Value")
_VALUE = re.compile(r"(.+?)(?:[\s/]*[(\[/]\s*(.+?)[)\]]?)?")  # "Messwert (ppm)"
_PART = re.compile(r"[,;]\s+|\s[-–—]\s")

_KEYS = frozenset(FIELDS[f].heading for f in KEYS)
# What is said of the test of a reading: heading -> its value and the cell it is from.
Said = dict[str, tuple[Any, Cell]]


class Unrolled(Rewritten):
    """One reading a row; a line of it is no column of the sheet."""


class Matrix(NamedTuple):
    """One block of readings of one parameter: its name, and the rows above it.

    known : what its name means; None where that is not known.
    corner, down, across : where its headings cross; its rows and columns. dated : dates run across, else outlets do.
    beside : columns of what else is said of the outlets.
    """

    grid: Grid
    name: str
    known: Column | None
    above: tuple[int, int]
    corner: Cell
    down: list[int]
    across: list[int]
    dated: bool
    beside: list[int]

    def readings(self) -> Iterator[tuple[str, Said, Any, Cell]]:
        """(name, what is said of its test, reading, its cell), column by column."""
        (top, side), rows = self.corner, self.grid.rows
        for c in self.across:
            for r in self.down:
                named, when = ((r, side), (top, c)) if self.dated else ((top, c), (r, side))
                of = {str(rows[top][at]): (rows[r][at], (r, at)) for at in self.beside}
                of |= {"Outlet": (rows[named[0]][named[1]], named), "Test date": (whole(rows[when[0]][when[1]]), when)}
                yield self.name, of, rows[r][c], (r, c)


class Listed(NamedTuple):
    """The tables of one sheet that hold some of the readings of their tests alone: Outlet | CO (ppm)."""

    grid: Grid
    made: Recognised

    @property
    def above(self) -> tuple[int, int]:
        """The rows above it, which its tables have read."""
        return (0, 0)

    @property
    def tables(self) -> list[Table]:
        """Those with tests."""
        return [t for t in self.made.tables if t.rows]

    @property
    def fields(self) -> set[str]:
        """The readings that it holds."""
        return {f for t in self.tables for f in READINGS & t.columns.keys() if any(v is not None for v in t.columns[f])}

    @property
    def stated(self) -> dict[str, Any]:
        """What it states of all its tests."""
        return {f: v for t in self.tables for f, (_, v) in t.constants.items()}

    @property
    def is_plain(self) -> bool:
        """Whether nothing but tests and what holds for them stands on it: all columns known, no row without an outlet."""
        if len(self.made.tables) != 1 or self.made.rows_passed_over or self.made.notes:
            return False
        (table,) = self.made.tables
        columns = {f for f, values in table.columns.items() if any(v is not None for v in values)}
        figures = {f for f in columns if FIELDS[f].kind == "number"}
        known = columns <= {"outlet", "test_date", "location", "odour"} | figures and not table.unclear
        return known and None not in table.columns.get("outlet", [None]) and all(map(self._is_told, self._above(table)))

    def _above(self, table: Table) -> Iterator[Any]:
        return (v for row in self.grid.rows[: table.heads[0]] for v in row if v is not None)

    def _is_told(self, value: Any) -> bool:
        """Whether a cell above the tests is what holds for them, or its label, or names the reading."""
        said = label(value) if type(value) is str else None
        named = said is not None and said.field in READINGS | self.stated.keys()
        return named or value in self.stated.values() or type(value) is str and bool(told(value))

    def readings(self) -> Iterator[tuple[str, Said, Any, Cell]]:
        """(name, what is said of its test, reading, its cell), row by row."""
        grid, fields = self.grid, self.fields

        def at(place: Place, row: int) -> Cell:
            return grid.row_of(row if place.row is None else place.row), max(grid.column_of(place.column or 0), 0)

        for t in self.tables:
            fixed: Said = {FIELDS[f].heading: (v, at(place, t.rows[0])) for f, (place, v) in t.constants.items()}
            for i, row in enumerate(t.rows):
                cells = {f: (v[i], at(t.places[f], row)) for f, v in t.columns.items() if f in t.places}
                held = {FIELDS[f].heading: c for f, c in cells.items() if f not in fields and c[0] is not None}
                loose: Said = {u.heading: (u.values[i], at(u.place, row)) for u in t.unclear if not u.aside}
                for f in (f for f in cells if f in fields):
                    value, (r, c) = cells[f]
                    yield _name(t, f), fixed | held | loose, grid.rows[r][c] if grid.is_percent(r, c) else value, (r, c)


def _name(table: Table, field: str) -> str:
    """The heading of a reading as it stands, where that alone says what it is and its unit."""
    unit = table.units.get(field, FIELDS[field].unit)
    known = label(table.how.get(field, ("",))[0])
    if known is not None and known.field == field and (known.heading.unit or "") == unit:
        return known.text
    return re.sub(r"\s*\(.*", f" ({unit})" if unit else "", FIELDS[field].heading)


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
    beside = [
        c for c in filled if c > side and (k := label(cells[c])) is not None and k.field in SHARED - {"test_date"}
    ]
    of_tests = (c for c in filled if c > side and c not in beside and not _is_none_of_them(cells[c]))
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
    name, known = _named(grid, begin, top, alone)
    return Matrix(grid, name, known, (begin, top), (top, side), down, across, dated, beside)


def _named(grid: Grid, begin: int, top: int, alone: bool) -> tuple[str, Column | None]:
    """What a sheet's name, or a title above its readings, says that was measured, and what that means."""
    alone_above = (r for r in range(top - 1, begin - 1, -1) if not labels_alone(grid, r))
    titles = [v for r in alone_above for v in grid.rows[r]]
    named = [grid.name, *titles] if alone else titles
    # A sheet's name cannot hold a stroke: "mg_m³", "mg-m3".
    given = [t for t in named if type(t) is str]
    texts = [*given, *(_STROKE.sub("/", t) for t in given), *(p for t in given for p in _PART.split(t)[:-1])]
    meanings = [(t, k) for meaning in (label, loose_label) for t in texts if (k := meaning(t)) is not None]
    meanings = [m for m in meanings if m[1].field not in _NO_PARAMETER and not m[1].weak]
    if not meanings:
        return "", None
    # "Oxygen" on the sheet's tab and "Oxygen (%)" over its table, "Water" and "Water content, mg/m3": the one that states the unit.
    first, words = _main(meanings[0][1]), {*keys_in(meanings[0][0])}
    stating = (m for m in meanings if m[1].heading.unit or m[1].heading.told)
    full = (m for m in stating if _main(m[1]) == first or m[1].field in READINGS and words < {*keys_in(m[0])})
    return next(full, meanings[0])


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


def with_its_name(grid: Grid) -> Grid | None:
    """A sheet of a list of outlets under a word such as Value, with what was measured by its name or title as that heading."""
    for top, cells in enumerate(grid.rows[:_SEARCHED]):
        texts = {c: v for c, v in enumerate(cells) if type(v) is str}
        values = {c: found for c, v in texts.items() if (found := _VALUE.fullmatch(v)) and kind_of(found[1]) == "value"}
        if not values or not any(k.field == "outlet" for v in texts.values() if (k := label(v))):
            continue
        ((at, found), *more), (name, known) = values.items(), _named(grid, 0, top, alone=True)
        if more or known is None or not (known.field in READINGS or known.heading.general):
            return None
        unit = f" ({found[2]})" if is_unit(found[2]) and not known.heading.unit else ""
        head = [*cells[:at], name + unit, *cells[at + 1 :]]
        return Grid(
            grid.sheet, [*grid.rows[:top], head, *grid.rows[top + 1 :]], grid.outer, grid.inner, whole=grid.whole
        )
    return None


_PLACE = FIELDS["location"].heading


def of_the_same_tests(blocks: Sequence[Listed]) -> bool:
    """Whether sheets of different readings are of the same outlets and days, so that each test stands on all of them."""
    rows = [{(spot[0], _test(of)) for _, of, _, spot in b.readings()} for b in blocks] if len(blocks) > 1 else []
    tests = [{test for _, test in of} for of in rows]
    shared = Counter(test for of in tests for test in of)
    places: dict[tuple[str, str], set[str]] = {}
    for said in (of for b in blocks for _, of, *_ in b.readings() if _PLACE in of):
        places.setdefault(_test(said), set()).add(str(said[_PLACE][0]).casefold())
    once = all(map(lambda of, found: len(of) == len(found), tests, rows)) and all(
        len(of) == 1 for of in places.values()
    )
    return bool(rows and once) and 2 * sum(n > 1 for n in shared.values()) >= min(map(len, tests)) > 0


def _test(said: Said) -> tuple[str, str]:
    """What tells a test from others of its sheet: its outlet and day."""
    outlet, when = (str(said.get(h, ("",))[0]).casefold() for h in _HEADINGS[:2])
    return outlet, when


def joined(blocks: Sequence[Matrix | Listed]) -> Unrolled | None:
    """All blocks as one list of readings; None where fewer than two different things were measured."""
    read = [(b, *r) for b in blocks if isinstance(b, Listed) or b.known for r in b.readings() if r[2] is not None]
    if len({what.field or what.text for _, name, *_ in read if (what := label(name) or loose_label(name))}) < 2:
        return None
    first = blocks[0].grid
    dated = any(of.get(_HEADINGS[1], (None,))[0] is not None for _, _, of, *_ in read)
    said = (h for _, _, of, *_ in read for h in of if dated or h != _HEADINGS[1])  # without days a cover may give one
    heads = [*dict.fromkeys((*_HEADINGS[: 1 + dated], *said)), *_HEADINGS[2:]]
    rows: list[Sequence[Any]] = [heads]
    origins: list[list[Origin]] = [[(first, read[0][4][0], 0)] * len(heads)]
    told: dict[tuple[str, str], Said] = {}  # what one sheet alone says of where a test was
    for _, _, of, _, _ in read:
        told.setdefault(_test(of), {}).update({h: one for h, one in of.items() if h in _KEYS and one[0] is not None})
    for b, name, of, value, spot in read:
        cells = [(told[_test(of)] | of).get(h, (None, spot)) for h in heads[:-2]]
        rows.append((*(v for v, _ in cells), name, value))
        origins.append([(b.grid, *at) for at in (*(at for _, at in cells), spot, spot)])
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
