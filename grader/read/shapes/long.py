"""Logs with one reading a row: outlet, date, what was measured, the figure, its unit; several rows make one test."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

from grader.columns import FIELDS
from grader.problems import Place, Unreadable, a1
from grader.read.given import Given, add
from grader.read.layout_spec import TableSpec
from grader.read.settle import are_verdicts, as_field, own_verdict
from grader.read.shapes.grid import Cell, Grid
from grader.read.shapes.heads import columns_of
from grader.read.shapes.needed import Limit, reading_of
from grader.read.shapes.outlet_line import is_running, outlet_line
from grader.read.shapes.pairs import labels_alone, shared_above
from grader.read.shapes.proposal import OF_A_READING, Part, Proposal, Where
from grader.read.shapes.rows import is_remark, is_total, name_pattern
from grader.read.shapes.table import overridden
from grader.read.shapes.tables import Note, shown, unread
from grader.read.shapes.unrolled import Unrolled, dates_across
from grader.read.words.heading_words import key
from grader.read.words.labels import (
    KEYS,
    NUMBERS,
    READINGS,
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
from grader.read.words.needs import UNLIMITED
from grader.read.words.unclear import classes_of
from grader.read.words.units import belongs, canonical

_HELD = ("field", "unclear", "substance")  # kinds of lines that have values
_LEAST_NAMES = 2
_SEARCHED = 60  # rows in which the heading is looked for
_FAR = 1_000_000  # lines beyond the sheet's columns: one for each reading that rows name


class _Long(NamedTuple):
    """Where things stand: heading row (-1: none), column of names, those of figures, that of units (-1: none), others.

    figures : several where nothing tells them apart.
    """

    head: int
    names: int
    figures: list[int]
    units: int
    others: list[Column]

    def value(self, cells: Sequence[Any]) -> Any:
        """The figure of a row; two that differ, and that nothing tells apart, are both kept, unread."""
        several = list(dict.fromkeys(v for at in self.figures if (v := cells[at]) is not None))
        if len(several) > 1:
            return unread(several, "several")
        return several[0] if several else None


class _Line(NamedTuple):
    """One row: its position, the test it belongs to, what its name means, figure, unit (text or "")."""

    row: int
    test: int
    known: Column
    value: Any
    unit: str


def proposals(grid: Grid, spec: TableSpec | None = None) -> list[Proposal]:
    """The one table of a sheet with one reading a row; none where it is not built so.

    Rows of one outlet, site, date and time are one test; where outlet and date are blank the row belongs to the test
    above. A test's row is the first of its rows. One parameter twice in a test: neither figure is read.
    """
    stated = spec is not None and spec.orientation == "long"
    told = {kind_of(v) for v in set().union(*grid.rows[:_SEARCHED]) if type(v) is str and len(v) <= 60}
    if not stated and told.isdisjoint(("parameter", "value")):
        return []
    grid = dates_across(grid)
    found = _stated(grid, spec) if spec is not None and stated else _find(grid)
    if found is None:
        return []
    if not found.figures:
        return [_without_figures(grid, found)]
    notes: list[Note] = []
    if spec is not None:
        of_columns = spec._replace(fields={f: s for f, s in spec.fields.items() if s.column >= 0})
        others, wrong = overridden(found.others, of_columns)
        found = found._replace(others=[c for c in others if c.at not in (found.names, found.figures[0], found.units)])
        notes += [spec.misfit(grid.name, w) for w in wrong]
    found = _with_outlet(grid, found)
    rows = _Rows(grid, found, spec)
    top, value_at = max(found.head, 0), found.figures[0]
    given, said = shared_above(grid, 0, top, frozenset({"outlet"}))
    for field, one in rows.below.items():
        add(given, field, one)
    notes += [*rows.notes, *said]
    about: dict[str, Any] = {"rows": len(rows.lines)}
    if len(found.figures) > 1:
        line = f'orientation = "long", value_column = "{a1(0, value_at)[:-1]}"'
        notes.append(grid.note("long_two_figures", top, value_at, grid.rows[top][value_at], **about, line=line))
    if not rows.tests:
        notes.append(grid.note("empty_readings", top, found.names, grid.name))
    else:
        about["tests"] = len(rows.tests)
        notes.append(grid.note("rows_of_parameters", rows.tests[0], found.names, grid.name, **about))
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
        below = _below(grid, row)
        told = not {"outlet", "test_date"}.isdisjoint(c.field for c in columns)
        if not told and (
            {"value", "verdict"}.isdisjoint(kinds.values()) or _outlet_line(below, min(names), columns) < 0
        ):
            continue
        for at in (at for at in names if _are_names(below[at])):
            # An outlet may be called C, a system K: a column that is read as a field is none of units.
            others = kinds.keys() - {at, *(c.at for c in columns if c.field)}
            units = [c for c, kind in kinds.items() if kind == "unit"] or [c for c in others if _are_units(below[c])]
            figures = _figures(below, at, kinds, columns)
            unit_at = min(units, default=-1)
            return _Long(row, at, figures, unit_at, [c for c in columns if c.at not in (at, unit_at, *figures)])
    return None


def _below(grid: Grid, row: int) -> list[tuple[Any, ...]]:
    """The cells of each column below a row."""
    return list(zip(*grid.rows[row + 1 :])) or [()] * grid.width


def _are_units(body: Sequence[Any]) -> bool:
    """Whether a column holds units alone under its heading, and dashes where there is none."""
    filled = {v for v in body if v is not None}
    return any(map(is_unit, filled)) and all(is_unit(v) or is_placeholder(v) for v in filled)


def _outlet_line(below: Sequence[Sequence[Any]], stop: int, columns: list[Column]) -> int:
    """The column of outlets' names before that of the readings' names; -1 for none. What a row repeats is of the test above,
    and the first row that names a reading begins one."""
    begin = next((i for i, name in enumerate(below[stop]) if name is not None), 0)
    headed = {c.at for c in columns}
    held = (at for at, some in enumerate(below[:stop]) if some and some[begin] is not None)
    named = {at for at in held if at in headed or not is_running(below[at])}
    cells = [
        [v if at in named and v != above else None for v, above in zip(some, (None, *some))]
        for at, some in enumerate(below)
    ]
    return outlet_line([c for c in columns if c.at < stop], cells, stop)[0]


def _with_outlet(grid: Grid, found: _Long) -> _Long:
    """Where no column is the outlet, the first column of names before the readings' is."""
    if any(c.field == "outlet" for c in found.others) or found.head < 0:
        return found
    at = _outlet_line(_below(grid, found.head), found.names, found.others)
    known = next((c.text for c in found.others if c.at == at), "")
    others = [c for c in found.others if c.at != at] + [first_of_names(at, known)] * (at >= 0)
    return found._replace(others=sorted(others, key=lambda c: c.at))


def _are_names(body: Sequence[Any]) -> bool:
    """Whether a column holds names of what was measured: two readings or more, most of its texts known."""
    texts = {v for v in body if type(v) is str}
    known = [c for v in texts if (c := label(v) or loose_label(v)) is not None]
    readings = any(c.field in READINGS for c in known)
    return readings and len({c.field or c.text for c in known}) >= _LEAST_NAMES and len(known) * 2 >= len(texts)


def _figures(
    below: Sequence[Sequence[Any]], names: int, kinds: dict[int, str | None], columns: list[Column]
) -> list[int]:
    """The columns of figures: headed Reading or Value, else headed Result, else under any words that are not known."""
    known = {c.at for c in columns if c.field or c.kind == "unclear" and not READINGS.issuperset(c.heading.candidates)}
    for wanted in (("value",), ("verdict",), (None, "parameter")):
        hits = []
        for at in (c for c, kind in kinds.items() if kind in wanted and c != names and c not in known):
            filled = [v for v in below[at] if v is not None]
            may_be = wanted == ("value",) or 2 * sum(map(may_be_reading, filled)) >= len(filled)
            if filled and may_be and not are_verdicts(filled):
                hits.append(at)
        if hits:
            return hits
    return []


def _stated(grid: Grid, spec: TableSpec) -> _Long | None:
    """Where a layout file says that things stand; what it does not say is looked for."""
    head = grid.row_of(spec.heading_row)
    if head >= len(grid.rows):
        return None
    usual = _find(grid) or _Long(-1, -1, [], -1, [])
    names = spec.parameter_column if spec.parameter_column >= 0 else usual.names
    figures = [spec.value_column] if spec.value_column >= 0 else usual.figures[:1]
    units = spec.unit_column if spec.unit_column >= 0 else usual.units
    if head < 0 and spec.first_row < 0:
        head = usual.head
    if names < 0 or not figures or max(names, *figures, units) >= grid.width:
        return None
    columns = columns_of(grid, [head]) if head >= 0 else []
    return _Long(head, names, figures, units, [c for c in columns if c.at not in (names, *figures, units)])


# --------------------------------------------------------------------------------------------- reading it


class _Rows:
    """The rows below a heading, each with the test it belongs to and what its name means.

    lines : the rows that name a reading. tests : the first row of each test. passed : rows passed over with a note.
    read  : the outlets of rows with a figure, as written; built : how; most : words of one. gap : first blank row below these.
    below : what is said below them of all tests.
    """

    def __init__(self, grid: Grid, found: _Long, spec: TableSpec | None) -> None:
        self.grid, self.found, self.spec = grid, found, spec
        self.keys = [c.at for c in found.others if c.field in KEYS]
        self.outlet = next((c.at for c in found.others if c.field == "outlet"), -1)
        self.named = self.outlet if self.outlet >= 0 else found.names
        self.notes: list[Note] = []
        self.lines: list[_Line] = []
        self.tests: list[int] = []
        self.passed = 0
        self.below: dict[str, Given] = {}
        self.last: tuple[Any, ...] | None = None  # what tells the test above from others
        self.numbers: dict[tuple[Any, ...], int] = {}
        self.seen: set[tuple[int, str]] = set()
        self.unknown: set[str] = set()
        self.meanings: dict[tuple[Any, str], Column | None] = {}
        read = [r for r in range(found.head + 1, len(grid.rows)) if found.value(grid.rows[r]) is not None]
        self.read = {v for r in read if self.outlet >= 0 and type(v := grid.rows[r][self.outlet]) is str}
        self.built, self.most = set(map(name_pattern, self.read)), max((len(v.split()) for v in self.read), default=0)
        self.last_figure = max(read, default=len(grid.rows))
        self.gap = next((r for r in range(max(read, default=0), len(grid.rows)) if grid.is_blank(r)), len(grid.rows))
        first, stop = found.head + 1, len(grid.rows)
        if spec is not None:
            first = max(first, grid.row_of(spec.first_row))
            stop = min(stop, grid.row_of(spec.last_row) + 1) if spec.last_row >= 0 else stop
        for row in range(first, stop):
            self._take(row)

    def _take(self, row: int) -> None:
        found, cells = self.found, self.grid.rows[row]
        name, value = cells[found.names], found.value(cells)
        if is_total(cells[self.named]) or is_total(name):
            self._pass_over("row_of_totals", row, self.named)
            self.last = None  # rows without a name of their own below an average are no test's
            return
        if value is None and row > self.last_figure and self._says_of_all(row):
            self.passed += 1
            return
        if value is None and self._is_note(row):
            self._pass_over("row_of_remarks", row, self.outlet)
            return
        blank = name is None and value is None
        identity = self._identity(row, blank)
        if identity is None:
            if filled := self.grid.filled(row):
                self._pass_over("row_without_test", row, filled[0][0])
            return
        if found.head >= 0 and cells == self.grid.rows[found.head]:
            self._pass_over("row_headings_again", row, self.named)
            return
        self.last = identity
        unit = cells[found.units].strip() if found.units >= 0 and is_unit(cells[found.units]) else ""
        known = self._meaning(name, unit)
        what = _what(known) if known is not None else ""
        if identity not in self.numbers or self.outlet < 0 and what and (self.numbers[identity], what) in self.seen:
            # Without a column of outlets a reading that comes again begins the next outlet's test.
            self.numbers[identity] = len(self.tests)
            self.tests.append(row)
        self.seen.add((self.numbers[identity], what))
        if known is None and not blank and shown(name) not in self.unknown:
            self.unknown.add(shown(name))
            about = {"heading": shown(name), "where": f'heading = "{shown(name)}"'}
            self.notes.append(self.grid.note("unknown_parameter", row, found.names, name, **about))
        self.lines.append(_Line(row, self.numbers[identity], known or column(-1, ""), value, unit))

    def _is_note(self, row: int) -> bool:
        """Whether a row without a figure is a note and no outlet: a sentence, or longer than the names of those read, or below
        a gap; unless readings without a name stand below it, or it begins as a further name that is built as theirs."""
        cells = self.grid.rows[row]
        text = cells[self.outlet] if self.outlet >= 0 else None
        below = self.grid.rows[row + 1] if row + 1 < len(self.grid.rows) else None
        heads = below is not None and below[self.outlet] is None and self.found.value(below) is not None
        if type(text) is not str or not self.read or text in self.read or heads:
            return False
        others = [(at, v) for at, v in self.grid.filled(row) if at != self.outlet]
        if len(others) > 1 or any(at in self.keys or type(v) is str and label(v) for at, v in others):
            return False
        words = text.split()
        begun = [" ".join(words[:n]).rstrip(",:;.") for n in range(1, self.most + 1)]
        numbered = [b for b in begun if any(map(str.isdigit, b)) or b == text]
        named = not self.read.isdisjoint(begun)
        if not named and any(name_pattern(b) in self.built for b in numbered):
            return False
        return named or row > self.gap or len(words) > self.most + 1 or is_remark(text)

    def _says_of_all(self, row: int) -> bool:
        """Whether a row holds labels with their values, or what feeds all, and nothing else: then it is kept."""
        found = labels_alone(self.grid, row)
        said = shared_above(self.grid, row, row + 1, how="label below the table")[0] if found else {}
        for field, one in said.items():
            add(self.below, field, one)
        return bool(said) and all(p.value is not None for p in found)

    def _pass_over(self, code: str, row: int, at: int) -> None:
        self.notes.append(self.grid.note(code, row, at, self.grid.rows[row][at]))
        self.passed += 1

    def _identity(self, row: int, blank: bool) -> tuple[Any, ...] | None:
        """What tells the test of a row from others; None where it belongs to none."""
        if blank and self.outlet >= 0 and self.grid.rows[row][self.outlet] is None:
            return None
        own = tuple(_same(self.grid.over(row, at)) for at in self.keys)
        if not any(own):
            return None if blank else self.last if self.keys else ()
        if self.last is not None and all(one in ("", above) for one, above in zip(own, self.last)):
            return self.last  # what stands in the test's first row alone
        return own

    def _meaning(self, name: Any, unit: str) -> Column | None:
        """What a name means beside a unit; humidity in % is no water."""
        if (name, unit) not in self.meanings:
            known = self._stated_meaning(name) if type(name) is str else None
            if known is not None and unit and known.field in NUMBERS and known.heading.basis != "layout":
                known = known if belongs(known.field, canonical(unit) or "") else None
            self.meanings[name, unit] = known or loose_label(name, unit)
        return self.meanings[name, unit]

    def _stated_meaning(self, name: str) -> Column | None:
        """What a name means by its words, or as a layout file says."""
        known = label(name)
        said = {f: s for f, s in self.spec.fields.items() if s.column < 0} if self.spec is not None else {}
        named = (f for f, s in said.items() if s.heading and key(s.heading) == key(name))
        field = next(named, known.field if known is not None else "")
        if field not in said or self.spec is None:
            return known
        unit = said[field].unit or (known.heading.unit if known is not None else None)
        return stated_by_layout(-1, name, field, unit, self.spec.source)


def _what(known: Column) -> str:
    """What rows of one meaning have in common; a taste is another thing than a smell."""
    taste = known.field == "odour" and "taste" in classes_of(known.text)
    return known.text if taste or not known.field else known.field


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
        if line.known.kind not in _HELD:
            continue
        name = _what(line.known)
        at = by_name.setdefault(name, 2 * len(by_name) + _FAR)
        if at not in values:
            heading = line.known.heading._replace(unit=None) if line.known.field in NUMBERS else line.known.heading
            columns += [line.known._replace(at=at, heading=heading), column(at + 1, "Unit")]
            values[at], values[at + 1] = [None] * len(tests), [None] * len(tests)
            begin[at] = line.row
        value, unit = _figure(line)
        old = values[at][line.test]
        if old is not None and value is not None:
            value = unread((old, value))
        elif value is None:
            value, unit = old, values[at + 1][line.test]
        values[at][line.test], values[at + 1][line.test] = value, unit
        row_at.setdefault((at, line.test), line.row)
    width = grid.width
    for c in _by_substance(found.others, lines, width):
        c = own_verdict(c, [grid.rows[line.row][c.at % width] for line in lines])
        if c.kind not in _HELD:
            continue
        columns.insert(0, c)
        concerned = [line for line in lines if _concerns(c.field, line.known.field)]
        cell = grid.over if c.field in KEYS else lambda row, at: grid.rows[row][at]
        cells = [cell(line.row, c.at % width) for line in concerned]
        values[c.at] = _of_tests(c, cells, [line.test for line in concerned], len(tests))
    value_at, head, written_out = found.figures[0], max(found.head, 0), isinstance(grid, Unrolled)

    def spot(line: int, test: int) -> Cell:
        """The cell of a test's figure, its own first row where it has none; of other fields that in its first row."""
        return row_at.get((line, test), tests[test]), value_at if line in begin else line % width

    def places(line: int, test: int) -> Place:
        return grid.place(*spot(line, test)) if line in begin or written_out else grid.line_place(line % width)

    return Proposal(
        "long",
        grid,
        columns,
        values,
        [grid.cell(row, value_at) if written_out else (grid.outer[row], -1) for row in tests],
        Where(
            grid.name,
            lambda at: grid.address(*(begin[at], found.names) if at in begin else (head, at % width)),
            lambda at: grid.place(begin[at], value_at) if at in begin else grid.line_place(at % width),
            lambda at: (
                f'heading = "{grid.rows[begin[at]][found.names]}"' if at in begin else grid.line_words(at % width)
            ),
        ),
        spot,
        places=places,
        parts=[Part(i, i + 1) for i in range(len(tests))],
        heads=(grid.outer[found.head],) * 2 if found.head >= 0 and not written_out else (-1, -1),
        spec=spec,
        limits=_limits(grid, found, rows),
    )


def _limits(grid: Grid, found: _Long, rows: _Rows) -> list[Limit]:
    """The cells of columns of limits in the rows of flow and line pressure."""
    made = []
    for c in (c for c in found.others if c.kind == "limit"):
        for field in UNLIMITED:
            lines = [line for line in rows.lines if reading_of(line.known) == field]
            cells = {line.test: grid.rows[line.row][c.at] for line in lines}
            for first in lines[:1]:
                unit = canonical(first.unit) or first.known.heading.unit
                known = first.known._replace(heading=first.known.heading._replace(unit=unit))
                of_tests = [cells.get(test) for test in range(len(rows.tests))]
                made.append(Limit(known, of_tests, grid.line_place(c.at), c.text))
    return made


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
            # Positions beyond the sheet's columns lead back to the one column by their remainder.
            made.append(as_field(c._replace(at=c.at + (i + 1) * width), field, OF_A_READING))
    return made


def _figure(line: _Line) -> tuple[Any, str | None]:
    """A row's figure and its unit: that of the column of units, or of the name itself; both must agree.

    Where the name is no field the unit stands behind the figure too.
    """
    stated = line.known.heading.unit if line.known.field in NUMBERS else None
    if line.value is not None and stated and line.unit and canonical(line.unit) != stated:
        return Unreadable(f"{shown(line.value)} {line.unit}", "two_units"), None
    unit = line.unit or stated
    if not line.known.field and unit and type(line.value) in (int, float):
        return f"{line.value:.10g} {unit}", unit
    return line.value, unit


def _of_tests(c: Column, values: list[Any], numbers: list[int], count: int) -> list[Any]:
    """One value a test of a column whose cells stand in several rows: they agree, or nothing is read."""
    seen: list[list[Any]] = [[] for _ in range(count)]
    for number, value in zip(numbers, values):
        if value is not None and value not in seen[number]:
            seen[number].append(value)
    if c.field == "remarks":
        return ["; ".join(map(shown, some)) or None for some in seen]
    return [None if not some else some[0] if len(some) == 1 or c.field in KEYS else unread(some) for some in seen]
