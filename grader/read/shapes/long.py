"""Logs with one reading a row: outlet, date, what was measured, the figure, its unit; several rows make one test."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

from grader.columns import FIELDS
from grader.problems import Place, Unreadable, a1
from grader.read.extract import AS_FOUND, NUMBERS, READINGS, Part, Proposal, Where, twice
from grader.read.layout_spec import TableSpec
from grader.read.settle import are_verdicts, own_verdict
from grader.read.shapes.grid import Cell, Grid
from grader.read.shapes.heads import columns_of
from grader.read.shapes.pairs import shared_above
from grader.read.shapes.rows import is_total
from grader.read.shapes.table import overridden
from grader.read.shapes.tables import Note, shown
from grader.read.shapes.unrolled import Unrolled, dates_across
from grader.read.words.heading_words import LIKELY, key
from grader.read.words.headings import Heading
from grader.read.words.labels import (
    TUBE_DETAILS,
    Column,
    column,
    first_of_names,
    is_placeholder,
    is_unit,
    kind_of,
    label,
    loose_label,
    may_be_reading,
    stated_by_layout,
)
from grader.read.words.unclear import classes_of
from grader.read.words.units import belongs, canonical

# What tells two tests apart; anything else of a test stands in several of its rows and should agree.
KEYS = ("client", "site", "site_address", "system", "location", "outlet", "test_date", "test_time")
_LEAST_NAMES = 2
_SEARCHED = 60  # rows in which the heading is looked for
_FAR = 1_000_000  # lines beyond the sheet's columns: one for each reading that rows name


class _Long(NamedTuple):
    """Where things stand: heading row (-1: none), columns of names, figures and units (-1: none), other columns.

    more : further columns of figures, which nothing tells apart from the first.
    """

    head: int
    names: int
    values: int
    units: int
    others: list[Column]
    more: tuple[int, ...] = ()


class _Line(NamedTuple):
    """One row: its position, the test it belongs to, what its name means, figure, unit (text or "")."""

    row: int
    test: int
    known: Column
    value: Any
    unit: str


class _Rows(NamedTuple):
    """The rows that name a reading, the first row of each test, rows passed over with a note."""

    lines: list[_Line]
    tests: list[int]
    passed: int


def proposals(grid: Grid, spec: TableSpec | None = None) -> list[Proposal]:
    """The one table of a sheet with one reading a row; none where it is not built so.

    Rows of one outlet, site, date and time are one test; where outlet and date are blank the row belongs to the test
    above. A test's row is the first of its rows. One parameter twice in a test: neither figure is read.
    """
    notes: list[Note] = []
    grid = dates_across(grid)
    found = _stated(grid, spec) if spec is not None and spec.orientation == "long" else _find(grid)
    if found is None:
        return []
    if found.values < 0:
        return [_without_figures(grid, found)]
    if spec is not None:
        of_columns = spec._replace(fields={f: s for f, s in spec.fields.items() if s.column >= 0})
        others, wrong = overridden(found.others, of_columns)
        found = found._replace(others=[c for c in others if c.at not in (found.names, found.values, found.units)])
        notes += [spec.misfit(grid.name, w) for w in wrong]
    found = _with_outlet(grid, found)
    rows = _rows(grid, found, spec, notes)
    given, said = shared_above(grid, 0, max(found.head, 0), frozenset({"outlet"}))
    notes += said
    tests = rows.tests
    if found.more:
        line = f'orientation = "long", value_column = "{a1(0, found.values)[:-1]}"'
        text = grid.rows[max(found.head, 0)][found.values]
        about = {"rows": len(rows.lines), "line": line}
        notes.append(grid.note("long_two_figures", max(found.head, 0), found.values, text, **about))
    if not tests:
        notes.append(grid.note("empty_readings", max(found.head, 0), found.names, grid.name))
    else:
        about = {"rows": len(rows.lines), "tests": len(tests)}
        notes.append(grid.note("rows_of_parameters", tests[0], found.names, grid.name, **about))
    return [_pivoted(grid, found, rows, spec)._replace(given=given, notes=notes, passed=rows.passed)]


def _without_figures(grid: Grid, found: _Long) -> Proposal:
    """One reading a row, and no column that is surely that of the figures: nothing is read, and that is said."""
    rows = sum(cells[found.names] is not None for cells in grid.rows[found.head + 1 :])
    about = {"rows": rows, "line": 'orientation = "long", value_column = "?"'}
    note = grid.note("long_without_figures", found.head, found.names, grid.rows[found.head][found.names], **about)
    where = Where(grid.name, str, lambda at: Place(grid.name, None, at), str)
    heads = (grid.outer[found.head],) * 2
    return Proposal("long", grid, [], {}, [], where, lambda line, test: (0, 0), heads=heads, notes=[note])


# --------------------------------------------------------------------------------------------- finding it


def _find(grid: Grid) -> _Long | None:
    """The first row with a heading for names and one for figures, over names that are known."""
    for row in range(min(len(grid.rows), _SEARCHED)):
        kinds = {at: kind_of(v) for at, v in enumerate(grid.rows[row]) if type(v) is str and len(v) <= 60}
        names = [at for at, kind in kinds.items() if kind == "parameter"]
        if not names and "value" in kinds.values():  # "Mesure" beside "Valeur", or any other word: its cells decide
            names = [at for at, kind in kinds.items() if kind in ("value", None)]
        if not names:
            continue
        columns = columns_of(grid, [row])
        figures = [at for at, kind in kinds.items() if kind in ("value", "verdict")]
        fields = {c.field for c in columns}
        if not {"outlet", "test_date"} & fields and not (figures and _first_of_names(grid, row, names, columns) >= 0):
            continue
        for at in names:
            body = [cells[at] for cells in grid.rows[row + 1 :]]
            if not _are_names(body):
                continue
            # An outlet may be called C, a system K: a column that is read as a field is none of units.
            fields_at = {c.at for c in columns if c.field}
            units = next((c for c, kind in kinds.items() if kind == "unit"), -1)
            if units < 0:
                units = next((c for c in kinds if c != at and c not in fields_at and _are_units(grid, row, c)), -1)
            figures = _figures(grid, row, at, kinds, columns)
            values, more = (figures[0], tuple(figures[1:])) if figures else (-1, ())
            others = [c for c in columns if c.at not in (at, units, *figures)]
            return _Long(row, at, values, units, others, more)
    return None


def _are_units(grid: Grid, row: int, at: int) -> bool:
    """Whether a column holds units alone under its heading, and dashes where there is none."""
    filled = [v for cells in grid.rows[row + 1 :] if (v := cells[at]) is not None]
    return any(map(is_unit, filled)) and all(is_unit(v) or is_placeholder(v) for v in filled)


def _first_of_names(grid: Grid, row: int, names: list[int], columns: list[Column]) -> int:
    """The first column before the names of readings that can hold outlets' names; -1 for none."""
    for c in columns:
        if c.at >= min(names):
            return -1
        if c.kind in ("unknown", "number") or "outlet" in c.heading.candidates:
            if any(cells[c.at] is not None for cells in grid.rows[row + 1 :]):
                return c.at
    return -1


def _with_outlet(grid: Grid, found: _Long) -> _Long:
    """Where no column is the outlet, the first column of names before the readings' is."""
    if any(c.field == "outlet" for c in found.others) or found.head < 0:
        return found
    at = _first_of_names(grid, found.head, [found.names], found.others)
    if at < 0:
        return found
    return found._replace(others=[first_of_names(at, c.text) if c.at == at else c for c in found.others])


def _are_names(body: list[Any]) -> bool:
    """Whether a column holds names of what was measured: two readings or more, most of its texts known."""
    texts = {v for v in body if type(v) is str}
    known = {v: c for v in texts if (c := label(v) or loose_label(v)) is not None}
    fields = {c.field or c.text for c in known.values()}
    readings = any(c.field in READINGS for c in known.values())
    return readings and len(fields) >= _LEAST_NAMES and len(known) * 2 >= len(texts)


def _figures(grid: Grid, row: int, names: int, kinds: dict[int, str | None], columns: list[Column]) -> list[int]:
    """The columns of figures: headed Reading or Value, else headed Result, else under any words that are not known."""
    known = {c.at for c in columns if c.field or c.kind == "unclear" and not READINGS.issuperset(c.heading.candidates)}
    for wanted in (("value",), ("verdict",), (None, "parameter")):
        hits = []
        for at in (c for c, kind in kinds.items() if kind in wanted and c != names and c not in known):
            filled = [v for cells in grid.rows[row + 1 :] if (v := cells[at]) is not None]
            if (
                filled
                and not are_verdicts(filled)
                and (wanted == ("value",) or 2 * sum(map(may_be_reading, filled)) >= len(filled))
            ):
                hits.append(at)
        if hits:
            return hits
    return []


def _stated(grid: Grid, spec: TableSpec) -> _Long | None:
    head = grid.row_of(spec.heading_row)
    if head >= len(grid.rows):
        return None
    usual = _find(grid)
    names = spec.parameter_column if spec.parameter_column >= 0 else usual.names if usual else -1
    values = spec.value_column if spec.value_column >= 0 else usual.values if usual else -1
    units = spec.unit_column if spec.unit_column >= 0 else usual.units if usual else -1
    if head < 0 and spec.first_row < 0 and usual is not None:
        head = usual.head
    if names < 0 or values < 0 or max(names, values, units) >= grid.width:
        return None
    columns = columns_of(grid, [head]) if head >= 0 else []
    return _Long(head, names, values, units, [c for c in columns if c.at not in (names, values, units)])


# --------------------------------------------------------------------------------------------- reading it


def _meanings(spec: TableSpec | None) -> Callable[[Any], Column | None]:
    """What the names in the column of names mean, with what a layout file says of them."""
    said = {} if spec is None else {f: s for f, s in spec.fields.items() if s.column < 0}
    by_name = {key(s.heading): f for f, s in said.items() if s.heading}

    def meaning(text: Any) -> Column | None:
        if type(text) is not str:
            return None
        known = label(text)
        field = by_name.get(key(text)) or (known.field if known is not None else "")
        if field not in said or spec is None:
            return known
        unit = said[field].unit or (known.heading.unit if known is not None else None)
        return stated_by_layout(-1, text, field, unit, spec.source)

    return meaning


def _rows(grid: Grid, found: _Long, spec: TableSpec | None, notes: list[Note]) -> _Rows:
    """The rows of the readings, and the tests they belong to."""
    meaning = _meanings(spec)
    keys = [c.at for c in found.others if c.field in KEYS]
    outlet = next((c.at for c in found.others if c.field == "outlet"), -1)
    named = outlet if outlet >= 0 else found.names
    first = found.head + 1
    stop = len(grid.rows)
    if spec is not None:
        first = max(first, grid.row_of(spec.first_row)) if spec.first_row >= 0 else first
        stop = min(stop, grid.row_of(spec.last_row) + 1) if spec.last_row >= 0 else stop
    made = _Rows([], [], 0)
    numbers: dict[tuple[Any, ...], int] = {}
    seen: set[tuple[int, str]] = set()
    unknown: set[str] = set()
    meanings: dict[tuple[Any, str], Column | None] = {}
    nothing = column(-1, "")
    passed = 0
    last: tuple[Any, ...] | None = None

    def pass_over(code: str, row: int, at: int, value: Any) -> None:
        nonlocal passed
        notes.append(grid.note(code, row, at, value))
        passed += 1

    for row in range(first, stop):
        cells = grid.rows[row]
        name, value = cells[found.names], _value(cells, found)
        if outlet >= 0 and is_total(cells[outlet]) or is_total(name):
            pass_over("row_of_totals", row, named, cells[outlet] if outlet >= 0 else name)
            last = None  # rows without a name of their own below an average are no test's
            continue
        filled = next((at for at, v in enumerate(cells) if v is not None), -1)
        nothing_read = name is None and value is None
        if nothing_read and outlet >= 0 and cells[outlet] is None and filled >= 0:
            pass_over("row_without_test", row, filled, cells[filled])
            continue
        identity: tuple[Any, ...] | None = tuple(_same(grid.over(row, at)) for at in keys)
        if not any(identity or ()):
            identity = None if nothing_read else last
            if identity is None and not keys and not nothing_read:
                identity = ()
        elif last is not None and all(own in ("", above) for own, above in zip(identity or (), last)):
            identity = last  # what stands in the test's first row alone
        if identity is None:
            if filled >= 0:
                pass_over("row_without_test", row, filled, cells[filled])
            continue
        if found.head >= 0 and cells == grid.rows[found.head]:
            pass_over("row_headings_again", row, named, name)
            continue
        last = identity
        unit = cells[found.units].strip() if found.units >= 0 and is_unit(cells[found.units]) else ""
        if (name, unit) not in meanings:
            meanings[name, unit] = _fitting(meaning(name), unit) or loose_label(name, unit)
        known = meanings[name, unit]
        what = _what(known) if known is not None else ""
        if identity not in numbers or outlet < 0 and what and (numbers[identity], what) in seen:
            # Without a column of outlets a reading that comes again begins the next outlet's test.
            numbers[identity] = len(made.tests)
            made.tests.append(row)
        seen.add((numbers[identity], what))
        if known is None and not nothing_read and shown(name) not in unknown:
            unknown.add(shown(name))
            where = f'heading = "{shown(name)}"'
            notes.append(grid.note("unknown_parameter", row, found.names, name, heading=shown(name), where=where))
        made.lines.append(_Line(row, numbers[identity], known or nothing, value, unit))
    return made._replace(passed=passed)


def _fitting(known: Column | None, unit: str) -> Column | None:
    """A meaning, None where the unit beside it is none of its field: humidity in % is no water."""
    fits = known is None or not unit or known.field not in NUMBERS or known.heading.basis == "layout"
    return known if fits or known is None or belongs(known.field, canonical(unit) or "") else None


def _what(known: Column) -> str:
    """What rows of one meaning have in common; a taste is another thing than a smell."""
    taste = known.field == "odour" and "taste" in classes_of(known.text)
    return known.text if taste or not known.field else known.field


def _value(cells: Sequence[Any], found: _Long) -> Any:
    """The figure of a row; two that differ, and that nothing tells apart, are both kept, unread."""
    if not found.more:
        return cells[found.values]
    several = list(dict.fromkeys(v for at in (found.values, *found.more) if (v := cells[at]) is not None))
    if len(several) < 2:
        return several[0] if several else None
    return Unreadable(" / ".join(map(shown, several)), "several")


def _same(value: Any) -> Any:
    """A cell of a key column as it is compared; "" where it is blank."""
    if value is None:
        return ""
    return " ".join(value.split()).casefold() if type(value) is str else value


def _pivoted(grid: Grid, found: _Long, rows: _Rows, spec: TableSpec | None) -> Proposal:
    """One line a reading that rows name, and one a further column, each with one value a test."""
    lines, tests = rows.lines, rows.tests
    columns: list[Column] = []
    values: dict[int, list[Any]] = {}
    begin: dict[int, int] = {}
    row_at: dict[Cell, int] = {}  # line and test -> row of the figure
    by_name: dict[str, int] = {}
    for line in lines:
        if line.known.kind not in ("field", "unclear", "substance"):
            continue
        name = _what(line.known)
        at = by_name.setdefault(name, 2 * len(by_name) + _FAR)
        if at not in values:
            heading = line.known.heading._replace(unit=None) if line.known.field in NUMBERS else line.known.heading
            columns += [line.known._replace(at=at, heading=heading), column(at + 1, "Unit")]
            values[at], values[at + 1] = [None] * len(tests), [None] * len(tests)
            begin[at] = line.row
        value, unit = _figure(line)
        if not line.known.field and unit and type(value) in (int, float):
            value = f"{value:.10g} {unit}"
        old = values[at][line.test]
        if old is not None and value is not None:
            value = twice([[old], [value]])[0]
        elif value is None:
            value, unit = old, values[at + 1][line.test]
        values[at][line.test], values[at + 1][line.test] = value, unit
        row_at.setdefault((at, line.test), line.row)
    width = grid.width
    for c in _by_substance(found.others, lines, width):
        c = own_verdict(c, [grid.rows[line.row][c.at % width] for line in lines])
        if c.kind not in ("field", "unclear", "substance"):
            continue
        concerned = lines if c.field in KEYS else [n for n in lines if _concerns(c.field, n.known.field)]
        columns.insert(0, c)
        cells = [grid.over(line.row, c.at % width) if c.field in KEYS else grid.rows[line.row][c.at % width]
                 for line in concerned]  # fmt: skip
        values[c.at] = _of_tests(c, cells, [line.test for line in concerned], len(tests))
    head = max(found.head, 0)

    def address(at: int) -> str:
        return grid.address(begin[at], found.names) if at in begin else grid.address(head, at % width)

    def words(at: int) -> str:
        return f'heading = "{grid.rows[begin[at]][found.names]}"' if at in begin else grid.line_words(at % width)

    def places(line: int, test: int) -> Place:
        """The cell of a test's figure (its own first row where it has none); of other fields the column."""
        if line in begin:
            return grid.place(row_at.get((line, test), tests[test]), found.values)
        return grid.place(tests[test], line % width) if isinstance(grid, Unrolled) else grid.line_place(line % width)

    def place(at: int) -> Place:
        return grid.place(begin[at], found.values) if at in begin else grid.line_place(at % width)

    return Proposal(
        "long",
        grid,
        columns,
        values,
        [grid.cell(row, found.values) if isinstance(grid, Unrolled) else (grid.outer[row], -1) for row in tests],
        Where(grid.name, address, place, words),
        lambda line, test: (row_at.get((line, test), -1), found.values) if line in begin else (-1, -1),
        places=places,
        parts=[Part(i, i + 1) for i in range(len(tests))],
        heads=(grid.outer[found.head],) * 2 if found.head >= 0 and not isinstance(grid, Unrolled) else (-1, -1),
        spec=spec,
    )


def _concerns(field: str, reading: str) -> bool:
    """Whether a column's cell in the row of a reading is about it: a multiplier, a tube's lot or expiry is of one."""
    substance = FIELDS[reading].tube if reading else ""
    if field == "water_multiplier":
        return reading == "water_tube_mg_m3"
    for ending in TUBE_DETAILS:
        if field.endswith(ending):
            return bool(substance) and field == f"{substance}{ending}"
    return True


def _by_substance(others: list[Column], lines: list[_Line], width: int) -> list[Column]:
    """The further columns; one headed Tube lot or Expiry alone becomes one for each substance that rows name."""
    substances = sorted({FIELDS[n.known.field].tube for n in lines if n.known.field} - {""})
    made: list[Column] = []
    for c in others:
        ending = next((e for e in TUBE_DETAILS if c.kind == "unclear" and c.heading.candidates[0].endswith(e)), "")
        if not ending:
            made.append(c)
        for i, substance in enumerate(substances if ending else ()):
            field = f"{substance}{ending}"
            heading = Heading(field, None, "synonym", LIKELY, (field,), "the tube of the row's reading")
            # Positions beyond the sheet's columns lead back to the one column by their remainder.
            made.append(Column(c.at + (i + 1) * width, c.text, "field", heading, AS_FOUND[1]))
    return made


def _figure(line: _Line) -> tuple[Any, str | None]:
    """A row's figure and its unit: that of the column of units, or of the name itself; both must agree."""
    stated = line.known.heading.unit if line.known.field in NUMBERS else None
    if line.value is not None and stated and line.unit and canonical(line.unit) != stated:
        return Unreadable(f"{shown(line.value)} {line.unit}", "two_units"), None
    return line.value, line.unit or stated


def _of_tests(c: Column, values: list[Any], numbers: list[int], count: int) -> list[Any]:
    """One value a test of a column whose cells stand in several rows: they agree, or nothing is read."""
    seen: list[list[Any]] = [[] for _ in range(count)]
    for number, value in zip(numbers, values):
        if value is not None and value not in seen[number]:
            seen[number].append(value)
    if c.field == "remarks":
        return ["; ".join(map(shown, some)) or None for some in seen]
    return [
        None if not some else some[0] if len(some) == 1 or c.field in KEYS else twice([[v] for v in some])[0]
        for some in seen
    ]
