"""Logs with one reading a row: outlet, date, what was measured, the figure, its unit; several rows make one test."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

from grader.columns import FIELDS
from grader.problems import Place, Table, Unreadable, a1
from grader.read.layout_spec import TableSpec, overridden
from grader.read.shapes.columns import AS_FOUND, NUMBERS, READINGS, Fields, Where, read_fields, through_percent, twice
from grader.read.shapes.down import Made, constants_of, is_total
from grader.read.shapes.heads import columns_of
from grader.read.shapes.pairs import shared_above
from grader.read.shapes.tables import Note, Sheet, is_blank, number_of, position_of, shown, tidied
from grader.read.words.heading_words import key, reading_words
from grader.read.words.headings import CERTAIN, LIKELY, Heading
from grader.read.words.labels import Column, column, is_placeholder, is_unit, kind_of, label, looks_like_value
from grader.read.words.units import canonical

# What tells two tests apart; anything else of a test stands in several of its rows and should agree.
KEYS = ("client", "site", "site_address", "system", "location", "outlet", "test_date", "test_time")
_TUBES = ("_tube_lot", "_tube_expiry")
_LEAST_NAMES = 2
_SEARCHED = 60  # rows in which the heading is looked for


class _Long(NamedTuple):
    """Where things stand: heading row (-1: none), columns of names, figures and units (-1: none), other columns."""

    head: int
    names: int
    values: int
    units: int
    others: list[Column]


class _Line(NamedTuple):
    """One row: its position, the test it belongs to, what its name means, figure, unit (text or "")."""

    row: int
    test: int
    known: Column
    value: Any
    unit: str


def read_long(sheet: Sheet, spec: TableSpec | None = None) -> Made | None:
    """Read a sheet with one reading a row; None where it is not built so.

    Rows of one outlet, site, date and time are one test; where outlet and date are blank the row belongs to the test
    above. A test's row is the first of its rows. One parameter twice in a test: neither figure is read.
    """
    notes: list[Note] = []
    found = _stated(sheet, spec) if spec is not None and spec.orientation == "long" else _find(sheet)
    if found is None:
        return None
    if found.values < 0:
        return _without_figures(sheet, found)
    if spec is not None:
        others, wrong = overridden(found.others, _of_columns(spec))
        found = found._replace(others=[c for c in others if c.at not in (found.names, found.values, found.units)])
        notes += [Note("layout_mismatch", sheet.name, "", spec.source, {"what": w}) for w in wrong]
    sheet = _unmerged(sheet, {c.at for c in found.others if c.field in KEYS})
    lines, tests, passed = _lines(sheet, found, spec, notes)
    shared = shared_above(sheet, 0, max(found.head, 0), frozenset({"outlet"}))
    notes += shared.notes
    constants, how = dict(shared.constants), dict(shared.how)
    if spec is not None:
        constants.update(constants_of(spec, sheet, found.head))
        how.update(dict.fromkeys(spec.constants, ("", f"layout file {spec.source}", CERTAIN)))
    made, cells = _pivoted(sheet, found, lines, tests)
    tables = []
    fixed, understood = {**made.constants, **constants}, {**made.how, **how}
    heads = (number_of(sheet, found.head),) * 2 if found.head >= 0 else (-1, -1)
    order = spec.order if spec else ""
    for i, row in enumerate(tests):
        places = {f: _own_place(sheet, found, p, cells.get((i, f), row)) for f, p in made.places.items()}
        tables.append(
            Table(
                sheet.name,
                "long",
                places,
                fixed,
                [number_of(sheet, row)],
                [],
                {f: [v[i]] for f, v in made.values.items()},
                made.units,
                understood,
                i,
                order=order,
                heads=heads,
            )
        )
    if not tests:
        notes.append(Note("empty_readings", sheet.name, a1(max(found.head, 0), found.names), sheet.name, {}))
    else:
        notes.append(
            Note("rows_of_parameters", sheet.name, a1(number_of(sheet, tests[0]), found.names), sheet.name,
                 {"rows": len(lines), "tests": len(tests)})
        )  # fmt: skip
    return Made(tables, [*made.notes, *notes], len(tests), passed)


def _without_figures(sheet: Sheet, found: _Long) -> Made:
    """One reading a row, and no column that is surely that of the figures: nothing is read, and that is said."""
    empty = Table(sheet.name, "long", {}, {}, [], [], {}, heads=(number_of(sheet, found.head),) * 2)
    cell = a1(number_of(sheet, found.head), found.names)
    rows = sum(not is_blank(cells[found.names]) for cells in sheet.rows[found.head + 1 :])
    line = 'orientation = "long", value_column = "?"'
    note = Note(
        "long_without_figures", sheet.name, cell, sheet.rows[found.head][found.names], {"rows": rows, "line": line}
    )
    return Made([empty], [note], 0, 0)


def _unmerged(sheet: Sheet, keys: set[int]) -> Sheet:
    """The sheet with names and dates that are merged over several rows written into each of them."""
    rows = sheet.rows
    for top, left, bottom, right in sheet.merges():
        start = position_of(sheet, top)
        if left != right or left not in keys or bottom == top or start >= len(rows):
            continue
        if rows is sheet.rows:
            rows = list(rows)
        for row in range(start + 1, min(position_of(sheet, bottom) + 1, len(rows))):
            rows[row] = [*rows[row][:left], rows[start][left], *rows[row][left + 1 :]]
    return sheet._replace(rows=rows)


# --------------------------------------------------------------------------------------------- finding it


def _find(sheet: Sheet) -> _Long | None:
    """The first row with a heading for names, one for figures, and an outlet or a date, over names that are known."""
    for row in range(min(len(sheet.rows), _SEARCHED)):
        kinds = {at: kind_of(v) for at, v in enumerate(sheet.rows[row]) if type(v) is str and 0 < len(v) <= 60}
        names = [at for at, kind in kinds.items() if kind == "parameter"]
        if not names:
            continue
        columns = columns_of(sheet, [row])
        if not {"outlet", "test_date"} & {c.field for c in columns}:
            continue
        for at in names:
            body = [sheet.rows[r][at] for r in range(row + 1, len(sheet.rows))]
            if not _are_names(body):
                continue
            figures = _figures(sheet, row, at, kinds)
            units = next((c for c, kind in kinds.items() if kind == "unit"), -1)
            return _Long(row, at, figures, units, [c for c in columns if c.at not in (at, figures, units)])
    return None


def _are_names(body: list[Any]) -> bool:
    """Whether a column holds names of what was measured: two readings or more, most of its texts known."""
    texts = {v for v in body if type(v) is str and not is_blank(v)}
    known = {v: c for v in texts if (c := label(v)) is not None}
    fields = {c.field or c.text for c in known.values()}
    readings = any(c.field in READINGS for c in known.values())
    return readings and len(fields) >= _LEAST_NAMES and len(known) * 2 >= len(texts)


def _figures(sheet: Sheet, row: int, names: int, kinds: dict[int, str | None]) -> int:
    """The one column of figures: headed Reading or Value, else one headed Result that holds figures; -1 for none or two."""
    for kind in ("value", "verdict"):
        hits = []
        for at in (c for c, found in kinds.items() if found == kind and c != names):
            filled = [v for cells in sheet.rows[row + 1 :] if not is_blank(v := cells[at])]
            if filled and (kind == "value" or 2 * sum(map(_reads, filled)) >= len(filled)):
                hits.append(at)
        if hits:
            return hits[0] if len(hits) == 1 else -1
    return -1


def _reads(value: Any) -> bool:
    return looks_like_value(value) or (type(value) is str and (key(value) in reading_words() or is_placeholder(value)))


def _stated(sheet: Sheet, spec: TableSpec) -> _Long | None:
    head = position_of(sheet, spec.heading_row)
    if head >= len(sheet.rows):
        return None
    usual = _find(sheet)
    names = spec.parameter_column if spec.parameter_column >= 0 else usual.names if usual else -1
    values = spec.value_column if spec.value_column >= 0 else usual.values if usual else -1
    units = spec.unit_column if spec.unit_column >= 0 else usual.units if usual else -1
    if head < 0 and spec.first_row < 0 and usual is not None:
        head = usual.head
    width = len(sheet.rows[0])
    if names < 0 or values < 0 or max(names, values, units) >= width:
        return None
    columns = columns_of(sheet, [head]) if head >= 0 else []
    return _Long(head, names, values, units, [c for c in columns if c.at not in (names, values, units)])


def _of_columns(spec: TableSpec) -> TableSpec:
    """The part of a layout that names columns; the rest says what the names mean, or their units."""
    return spec._replace(fields={f: s for f, s in spec.fields.items() if s.column >= 0})


# --------------------------------------------------------------------------------------------- reading it


def _meanings(sheet: Sheet, spec: TableSpec | None) -> Callable[[Any], Column | None]:
    """What the names in the column of names mean, with what a layout file says of them."""
    said = {} if spec is None else {f: s for f, s in spec.fields.items() if s.column < 0}
    by_name = {key(s.heading): f for f, s in said.items() if s.heading}

    def meaning(text: Any) -> Column | None:
        if type(text) is not str or is_blank(text):
            return None
        known = label(text)
        field = by_name.get(key(text)) or (known.field if known is not None else "")
        if field not in said or spec is None:
            return known
        unit = said[field].unit or (known.heading.unit if known is not None else None)
        heading = Heading(
            field, unit, "layout", CERTAIN, (field,), f"layout file {spec.source}", "heading" if unit else ""
        )
        return Column(-1, text, "field", heading, f"layout file {spec.source}")

    return meaning


def _lines(sheet: Sheet, found: _Long, spec: TableSpec | None, notes: list[Note]) -> tuple[list[_Line], list[int], int]:
    """(the rows that name a reading, position of the first row of each test, rows passed over with a note)."""
    meaning = _meanings(sheet, spec)
    keys = [c.at for c in found.others if c.field in KEYS]
    outlet = next((c.at for c in found.others if c.field == "outlet"), -1)
    named = outlet if outlet >= 0 else found.names
    first = found.head + 1
    stop = len(sheet.rows)
    if spec is not None:
        first = max(first, position_of(sheet, spec.first_row)) if spec.first_row >= 0 else first
        stop = min(stop, position_of(sheet, spec.last_row) + 1) if spec.last_row >= 0 else stop
    lines: list[_Line] = []
    tests: list[int] = []
    numbers: dict[tuple[Any, ...], int] = {}
    unknown: set[str] = set()
    meanings: dict[Any, Column | None] = {}
    nothing = column(-1, "")
    passed = 0
    last: tuple[Any, ...] | None = None
    for row in range(first, stop):
        cells = sheet.rows[row]
        name, value = cells[found.names], tidied(cells[found.values])
        if outlet >= 0 and is_total(cells[outlet]) or is_total(name):
            place = a1(number_of(sheet, row), named)
            notes.append(Note("row_of_totals", sheet.name, place, cells[outlet] if outlet >= 0 else name, {}))
            passed += 1
            last = None  # rows without a name of their own below an average are no test's
            continue
        identity: tuple[Any, ...] | None = tuple(_same(cells[at]) for at in keys)
        if not any(identity or ()):
            identity = last if not is_blank(name) or value is not None else None
        elif last is not None and all(own in ("", above) for own, above in zip(identity or (), last)):
            identity = last  # what stands in the test's first row alone
        if identity is None:
            if any(not is_blank(v) for v in cells):
                at = _first(cells)
                notes.append(Note("row_without_test", sheet.name, a1(number_of(sheet, row), at), cells[at], {}))
                passed += 1
            continue
        if found.head >= 0 and cells == sheet.rows[found.head]:
            notes.append(Note("row_headings_again", sheet.name, a1(number_of(sheet, row), named), name, {}))
            passed += 1
            continue
        last = identity
        if identity not in numbers:
            numbers[identity] = len(tests)
            tests.append(row)
        if name not in meanings:
            meanings[name] = meaning(name)
        known = meanings[name]
        if known is None and (not is_blank(name) or value is not None) and shown(name) not in unknown:
            unknown.add(shown(name))
            where = f'heading = "{shown(name)}"'
            cell = a1(number_of(sheet, row), found.names)
            notes.append(Note("unknown_parameter", sheet.name, cell, name, {"heading": shown(name), "where": where}))
        unit = cells[found.units] if found.units >= 0 and is_unit(cells[found.units]) else ""
        lines.append(_Line(row, numbers[identity], known or nothing, value, unit.strip()))
    return lines, tests, passed


def _first(cells: list[Any]) -> int:
    return next(at for at, v in enumerate(cells) if not is_blank(v))


def _same(value: Any) -> Any:
    """A cell of a key column as it is compared; "" where it is blank."""
    if is_blank(value):
        return ""
    return " ".join(value.split()).casefold() if type(value) is str else value


def _pivoted(
    sheet: Sheet, found: _Long, lines: list[_Line], tests: list[int]
) -> tuple[Fields, dict[tuple[int, str], int]]:
    """The fields with one value a test, and the row of each figure."""
    columns: list[Column] = []
    cells: dict[int, list[Any]] = {}
    begin: dict[int, int] = {}
    rows_at: dict[tuple[int, str], int] = {}
    by_name: dict[str, int] = {}
    for line in lines:
        name = line.known.field or (line.known.text if line.known.kind == "unclear" else "")
        if not name:
            continue
        at = by_name.setdefault(name, 2 * len(by_name) + 1_000_000)
        if at not in cells:
            heading = line.known.heading._replace(unit=None) if line.known.field in NUMBERS else line.known.heading
            columns += [line.known._replace(at=at, heading=heading), column(at + 1, "Unit")]
            cells[at], cells[at + 1] = [None] * len(tests), [None] * len(tests)
            begin[at] = line.row
        value, unit = _figure(line)
        old = cells[at][line.test]
        if old is not None and value is not None:
            value = twice([[old], [value]])[0]
        elif value is None:
            value, unit = old, cells[at + 1][line.test]
        cells[at][line.test], cells[at + 1][line.test] = value, unit
        rows_at.setdefault((line.test, name), line.row)
    for c in _by_substance(found.others, lines, sheet):
        if c.kind not in ("field", "unclear"):
            continue
        lines_of = lines if c.field in KEYS else [n for n in lines if _concerns(c.field, n.known.field)]
        numbers = [line.test for line in lines_of]
        columns.insert(0, c)
        at = c.at % len(sheet.rows[0])
        cells[c.at] = _of_tests(c, [tidied(sheet.rows[line.row][at]) for line in lines_of], numbers, len(tests))
    head, width = max(found.head, 0), len(sheet.rows[0])

    def line_of(at: int) -> str:
        return (
            f'heading = "{sheet.rows[begin[at]][found.names]}"'
            if at in begin
            else f'column = "{a1(0, at % width)[:-1]}"'
        )

    where = Where(
        sheet.name,
        lambda at: (
            a1(number_of(sheet, begin[at]), found.names) if at in begin else a1(number_of(sheet, head), at % width)
        ),
        lambda at: Place(sheet.name, begin[at], at) if at in begin else Place(sheet.name, None, at),
        line_of,
    )
    made = read_fields(columns, cells, where)
    percents = set(sheet.percents)
    for (test, name), row in rows_at.items():
        if name in NUMBERS and name in made.values and (number_of(sheet, row), found.values) in percents:
            through_percent(made, name, test)
    return made, rows_at


def _concerns(field: str, reading: str) -> bool:
    """Whether a column's cell in the row of a reading is about it: a multiplier, a tube's lot or expiry is of one."""
    substance = FIELDS[reading].tube if reading else ""
    if field == "water_multiplier":
        return reading == "water_tube_mg_m3"
    for ending in _TUBES:
        if field.endswith(ending):
            return bool(substance) and field == f"{substance}{ending}"
    return True


def _by_substance(others: list[Column], lines: list[_Line], sheet: Sheet) -> list[Column]:
    """The further columns; one headed Tube lot or Expiry alone becomes one for each substance that rows name."""
    substances = sorted({FIELDS[n.known.field].tube for n in lines if n.known.field} - {""})
    width = len(sheet.rows[0])
    made: list[Column] = []
    for c in others:
        ending = next((e for e in _TUBES if c.kind == "unclear" and c.heading.candidates[0].endswith(e)), "")
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


def _own_place(sheet: Sheet, found: _Long, place: Place, row: int) -> Place:
    """The cell of a test's figure (its own first row where it has none); of other fields the column."""
    if place.row is not None:
        return Place(sheet.name, number_of(sheet, row), found.values)
    return place._replace(column=(place.column or 0) % len(sheet.rows[0]))
