"""A proposed table -> its values: the one extractor of all shapes.

Units, columns of units, doubles, doubts, percent formats, shared values and what is left over are understood here and
nowhere else, whether a test is a row, a column, several rows or a form.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from functools import lru_cache
from operator import itemgetter
from types import MappingProxyType
from typing import Any, NamedTuple

from grader.columns import FIELDS
from grader.problems import Place, Table, Unclear, Unreadable
from grader.read.given import Given, by_layout, constants_of, how_of
from grader.read.layout_spec import TableSpec
from grader.read.product import multiplied
from grader.read.settle import JOINED, SEEN, as_seen, seen_words, settled
from grader.read.shapes.coldest import doubtful
from grader.read.shapes.grid import Rewritten
from grader.read.shapes.needed import PRINTED, Limit, reading_of, stated
from grader.read.shapes.proposal import OF_NO_FIELD, SEVERAL_COLUMNS, Part, Proposal, Where
from grader.read.shapes.tables import Note, Recognised, place_of, shown, unread, whole
from grader.read.words.answers import asks
from grader.read.words.composed import speaks_of
from grader.read.words.dates import is_weekday
from grader.read.words.heading_words import CERTAIN, LIKELY, row_words
from grader.read.words.headings import EXACT
from grader.read.words.labels import NUMBERS, READINGS, SLIP, Column, is_unit
from grader.read.words.measured import of_expanded
from grader.read.words.needs import NEEDED
from grader.read.words.notation import as_number
from grader.read.words.spelling import key
from grader.read.words.substances import as_measured, name_and_unit
from grader.read.words.unclear import classes_of, is_only, may_be_done
from grader.read.words.unit_lines import surely, units_told
from grader.read.words.units import belongs, canonical, column_unit, unit_needed
from grader.read.words.verdicts import as_answered, may_ask, worst

FRACTIONS = frozenset(f.name for f in FIELDS.values() if f.unit == "%")
# How a field is understood each of whose figures has its own unit in a column beside it.
UNITS_BESIDE = ", units in a column"


class Fields(NamedTuple):
    """field -> values, Place, unit (where not its own), how it was understood, its line; what headings give for all tests."""

    values: dict[str, list[Any]]
    places: dict[str, Place]
    units: dict[str, str]
    how: dict[str, tuple[str, str, str]]
    lines: dict[str, int]
    given: dict[str, Given]
    notes: list[Note]
    unclear: list[Unclear]


def extract(proposals: Iterable[Proposal]) -> Recognised:
    """The tables of one sheet. Every test of a proposal is a row of a table."""
    tables: list[Table] = []
    notes: list[Note] = []
    found = passed = 0
    proposals = list(proposals)
    alone = sum(bool(p.tests) for p in proposals) == 1
    for proposal in proposals:
        made = _extract(proposal, _told(proposal) if alone else _NOT_TOLD)
        tables += made.tables
        notes += [n for n in made.notes if n not in notes] if proposal.group else made.notes
        found += made.rows_found
        passed += made.rows_passed_over
    return Recognised(tables, notes, found, passed)


def _extract(p: Proposal, told: Mapping[str, str]) -> Recognised:
    spots = {at: p.spots(at, 0) for at in p.values if p.tests and not p.own}
    fields = read_fields(p.lines, p.values, p.where, doubtful(p.grid, spots, p.lines), told)
    _formats(p, fields)
    _substances(p, fields)
    given = {**fields.given, **p.given}
    asking = (c for c in p.lines if fields.lines.get(reading_of(c)) == c.at)
    limits = [*p.limits, *(Limit(c, [c.text] * len(p.tests), p.where.place(c.at)) for c in asking)]
    printed = [f for f in fields.values if fields.how[f][1] == PRINTED]
    fields.unclear.extend(stated(limits, given, fields.values, printed, len(p.tests)))
    if p.own:
        fields.how.clear()  # its headings are known
    if p.spec is not None:
        top, source = max(p.heads[1], 0), p.spec.source
        given |= {field: by_layout(p.grid.name, top, value, source) for field, value in p.spec.constants.items()}
        _of_groups(p, p.spec, fields)
    if not p.own:
        _at_line_pressure(fields, given)
    tables: list[Table] = []
    for part in p.parts or [Part(0, len(p.tests))]:
        tests = p.tests[part.first : part.stop]
        mine = {**given, **part.given}
        places = fields.places
        if p.places is not None:
            places = {f: p.places(fields.lines[f], part.first) for f in fields.places}
        tables.append(
            Table(
                p.grid.name,
                p.shape,
                places,
                constants_of(mine),
                list(map(itemgetter(0), tests)),
                list(map(itemgetter(1), tests)) if tests and tests[0][1] >= 0 else [],
                {f: v[part.first : part.stop] for f, v in fields.values.items()},
                fields.units,
                {**fields.how, **how_of(mine)},
                p.group + len(tables),
                p.own,
                p.spec.order if p.spec else "",
                p.heads,
                p.sides,
                [u._replace(values=u.values[part.first : part.stop]) for u in fields.unclear],
            )
        )
    return Recognised(tables, [*fields.notes, *p.notes], len(p.tests), p.passed)


_NOT_TOLD: Mapping[str, str] = MappingProxyType({})


def _told(p: Proposal) -> Mapping[str, str]:
    """The units that lines of its sheet tell of the only table there."""
    if not p.tests or isinstance(p.grid, Rewritten):
        return _NOT_TOLD
    whole = p.grid.whole
    heads = (place_of(p.where.cell(c.at)) for c in p.lines)
    numbers = [n for n in (*p.heads, *map(itemgetter(0), p.tests), *(at[0] for at in heads if at)) if n >= 0]
    first, last = whole.row_of(min(numbers)), whole.row_of(max(numbers))
    return units_told(whole.rows, first, last, frozenset(key(c.text) for c in p.lines))


def _of_groups(p: Proposal, spec: TableSpec, fields: Fields) -> None:
    """What a layout file says of a part of the tests stands in their blank cells."""
    for group in spec.groups:
        inside = [group.has_row(row) if column < 0 else group.has_column(column) for row, column in p.tests]
        for field, value in group.constants.items() if any(inside) else ():
            old = fields.values.get(field, [None] * len(inside))
            fields.values[field] = [value if here and v is None else v for here, v in zip(inside, old)]
            fields.how.setdefault(field, how_of({field: by_layout(p.grid.name, 0, value, spec.source)})[field])


def _formats(p: Proposal, fields: Fields) -> None:
    """What the formats of cells say of their values.

    What is struck through is no longer a reading, word or date, and is not taken for blank. A number through a percent
    format is a hundredth of what the sheet shows: in a column in per cent the sheet's figure is taken; an oxygen fraction
    stays, the notation stage reads it; in ppm or mg/m³ the two contradict each other, and it is not read.
    """
    if not p.grid.is_formatted():
        return
    for field, line in fields.lines.items():
        if FIELDS[field].kind == "text":
            continue
        number = field in NUMBERS and fields.how[field][2] != "unsure"
        values = fields.values[field] = list(fields.values[field])  # one column may serve two fields
        for test, value in enumerate(values):
            if value is None:
                continue
            spot = p.spots(line, test)
            if p.grid.is_struck(*spot):
                values[test] = Unreadable(shown(value), "struck")
            elif number and type(value) in (int, float) and p.grid.is_percent(*spot):
                fraction = field in FRACTIONS and field not in fields.units and 0 <= value <= 1
                values[test] = value if fraction else _of_percent(value, fields.units.get(field))


def _of_percent(value: float, unit: str | None) -> float | Unreadable:
    """A number that is shown through a percent format, in its unit."""
    return round(value * 100.0, 10) if unit == "%" else Unreadable(f"{value * 100:.10g}%", "percent")


def _substances(p: Proposal, fields: Fields) -> None:
    """Columns of substances that are no field of ours, as one text a test: "Helium 3 %; R134a <1 ppm"."""
    columns = [c for c in p.lines if c.kind == "substance" and any(v is not None for v in p.values.get(c.at, ()))]
    if not columns or "substances" in fields.values:
        return
    said: list[list[str]] = [[] for _ in p.tests]
    for c in columns:
        name, unit = name_and_unit(c.text, c.heading.told)
        for test, value in enumerate(p.values[c.at]):
            if type(value) in (int, float) and p.grid.is_percent(*p.spots(c.at, test)):
                value = _of_percent(value, unit)
            if written := as_measured(name, value, unit):
                said[test].append(written)
    if not any(said):
        return
    fields.values["substances"] = ["; ".join(parts) or None for parts in said]
    fields.places["substances"], fields.lines["substances"] = p.where.place(columns[0].at), columns[0].at
    fields.how["substances"] = (", ".join(c.text for c in columns), OF_NO_FIELD, LIKELY)


def read_fields(
    columns: list[Column],
    cells: Mapping[int, list[Any]],
    where: Where,
    doubtful: Collection[int] = (),
    told: Mapping[str, str] = MappingProxyType({}),
) -> Fields:
    """The fields of one table.

    columns : its headings. cells : position of the heading -> its values, blanks as None.
    where   : how places are named. doubtful : as `settled` has them.
    told    : the units that a line of the sheet tells, of fields whose own headings tell none.
    """
    made = Fields({}, {}, {}, {}, {}, {}, [], [])
    cells = {**cells, **{c.at: as_answered(c, cells[c.at]) for c in columns if c.at in cells and may_ask(c)}}
    asked, columns = columns, settled(multiplied(columns, cells), cells, doubtful)
    for before, c in zip(asked, columns):
        if before.kind == "unclear" and c.kind == "note" and not asks(c.text):  # its answers are read
            made.notes.append(where.left_over(c))
        if before.heading.why == SLIP and c.field:
            made.notes.append(
                where.note(
                    "heading_slip", c, field=FIELDS[c.field].heading, line=f"{c.field} = {{ {where.line(c.at)} }}"
                )
            )
    columns = _water_of_a_firm(columns, cells, made, where)
    columns = _one_smell(columns, cells)
    positions: dict[str, list[Column]] = {}
    for c in columns:
        if c.field:
            positions.setdefault(c.field, []).append(c)
    chosen = {field: _one_field(made, field, found, cells, where) for field, found in positions.items()}
    units = _unit_columns(columns, cells)
    for field, c in chosen.items():
        if field in NUMBERS:
            named = c.heading.unit or field in surely(c.text)
            of_sheet = told.get(field) if named and units.get(c.at) is None else None
            _one_unit(made, field, c, units.get(c.at), where, _unit_of_reading(field, positions), of_sheet)
    for c in columns:
        if c.kind == "unclear" and c.at in cells:
            _one_unclear(made, c, cells[c.at], where, positions)
    for found in positions.values():
        for name, value in found[0].heading.constants:
            if name not in made.values:
                row, _ = place_of(where.cell(found[0].at)) or (0, 0)
                place = where.place(found[0].at)._replace(row=row)
                made.given[name] = Given(place, value, found[0].text, "stated in the heading", found[0].heading.sure)
    return made


def _water_of_a_firm(columns: list[Column], cells: Mapping[int, list[Any]], made: Fields, where: Where) -> list[Column]:
    """The heading "Water (mg/m³)" is the content in the blank alone; among a firm's own headings it is the tube reading.

    A tube reading taken for the content would miss its multiplier, and wet air would pass.
    """
    fields = [c for c in columns if c.field]
    if all(c.heading.basis == EXACT for c in fields) or any(c.field == "water_tube_mg_m3" for c in fields):
        return columns
    changed = []
    for c in columns:
        if c.field == "water_mg_m3" and c.heading.basis == EXACT:
            tube = "water_tube_mg_m3"
            heading = c.heading._replace(field=tube, basis="synonym", sure=LIKELY, candidates=(tube,))
            if any(v is not None for v in cells.get(c.at, ())):
                made.notes.append(where.note("water_as_tube", c, line=f"water_mg_m3 = {{ {where.line(c.at)} }}"))
            c = c._replace(heading=heading, how="synonym")
        changed.append(c)
    return changed


def _one_smell(columns: list[Column], cells: Mapping[int, list[Any]]) -> list[Column]:
    """Of several filled columns for a smell or a taste the first for a smell is it; the others are judged besides."""
    found = [c for c in columns if c.field == "odour" and any(v is not None for v in cells.get(c.at, ()))]
    if len(found) < 2:
        return columns
    smells = [c for c in found if "taste" not in classes_of(c.text)]
    if len(smells) > 1:
        return columns
    first = (smells or found)[0]
    return [
        c if c not in found or c is first else c._replace(kind="unclear", heading=c.heading._replace(field=None))
        for c in columns
    ]


def _at_line_pressure(made: Fields, given: dict[str, Given]) -> None:
    """A dew point whose heading names no other pressure is one at the line pressure of its row, or of its table.

    Where the heading does not say that it is under pressure, it is at one atmosphere besides, judged both ways.
    """
    dew, at, line = "dew_point_measured_c", "dew_point_measured_at_bar", "line_pressure_bar"
    how = {**made.how, **how_of(given)}
    if dew not in made.values or {at} & {*given, *made.values} or line not in how or how[line][2] == "unsure":
        return
    heading, why = how[dew][0], "a pressure dew point is at line pressure"
    if not pressure_dew_point(how, made.values):
        if not is_only(heading, "dew"):
            return
        why = "taken at line pressure"
        at_one_atmosphere = [v if v is None else 0.0 for v in made.values[dew]]
        made.unclear.append(
            Unclear(heading, made.places[dew], ((at, "bar"),), at_one_atmosphere, f"{at} = 0", aside=True, at_line=True)
        )
    if line not in made.values:
        given[at] = given[line]._replace(text=heading, how=why, sure=LIKELY)
        return
    made.how[at] = (heading, why, LIKELY)
    made.values[at], made.places[at], made.lines[at] = made.values[line], made.places[line], made.lines[line]
    if line in made.units:
        made.units[at] = made.units[line]


def pressure_dew_point(how: Mapping[str, tuple[str, str, str]], held: Iterable[str]) -> bool:
    """Whether a table's dew points are such under pressure by their heading, and nothing says at which they were measured."""
    read = "dew_point_measured_c" in held and "dew_point_measured_at_bar" not in held
    heading = how["dew_point_measured_c"][0] if read else ""
    return not of_expanded(heading) and ("pdp" in classes_of(heading) or speaks_of(heading, "under_pressure"))


def _one_field(made: Fields, field: str, found: list[Column], cells: Mapping[int, list[Any]], where: Where) -> Column:
    """Take the values of a field from the lines for it; the line that they are taken from."""
    filled = kept = [c for c in found if any(v is not None for v in cells[c.at])]
    if field == "test_date":  # a column of weekdays beside the dates is left over
        kept = [c for c in filled if not all(v is None or is_weekday(v) for v in cells[c.at])] or filled
    elif field == "outlet":  # "Outlet", and a word that may be one: "Coupling"
        sure = [c for c in filled if c.heading.sure == CERTAIN]
        kept = sure if len(sure) == 1 else filled
    made.notes.extend(where.left_over(c) for c in filled if c not in kept)
    chosen = kept[0] if kept else found[0]
    values, lists = cells[chosen.at], [cells[c.at] for c in kept]
    if len(kept) > 1 and field in (*JOINED, "own_verdict"):
        chosen = chosen._replace(how=SEVERAL_COLUMNS)
        if field in JOINED:
            values = [", ".join(shown(whole(v)) for v in row if v is not None) or None for row in zip(*lists)]
        else:
            values = worst([c.text for c in kept], lists)
    elif len(kept) > 1 and (field in NUMBERS or any(len({*map(str, row)}) > 1 for row in zip(*lists))):
        about = {"first": where.cell(chosen.at), "line": f"{field} = {{ {where.line(chosen.at)} }}"}
        made.notes.append(where.note("column_twice", kept[1]._replace(text=chosen.text), **about))
        values = list(map(unread, zip(*lists)))
        heading = chosen.heading._replace(sure="unsure")
        chosen = chosen._replace(how="not read: two columns hold entries", heading=heading)
    made.values[field] = values if field in READINGS else _repeated(values)
    made.places[field], made.lines[field] = where.place(chosen.at), chosen.at
    made.how[field] = (chosen.text, chosen.how, chosen.heading.sure)
    return chosen


def _repeated(values: list[Any]) -> list[Any]:
    """Texts and dates with what a ditto mark repeats: that of the test above. In a reading it is never understood."""
    marks = {v for v in set(values) if type(v) is str and _is_ditto(v)}
    if not marks:
        return values
    made: list[Any] = []
    for value in values:
        made.append(made[-1] if value in marks and made and made[-1] is not None else value)
    return made


@lru_cache(maxsize=20_000)
def _is_ditto(text: str) -> bool:
    return text.strip().casefold() in row_words("ditto_words", str)


# -------------------------------------------------------------------------------------------------- units


def _unit_columns(columns: list[Column], cells: Mapping[int, list[Any]]) -> dict[int, list[Any]]:
    """Position of a field's column -> the cells of the column of units behind it."""
    made: dict[int, list[Any]] = {}
    last: Column | None = None
    for c in columns:
        if c.field in NUMBERS:
            last = c
        elif c.kind == "unit" and last is not None and c.at in cells:
            made[last.at] = cells[c.at]
        elif c.field or c.kind in ("unclear", "substance"):
            last = None  # the units further on are of this column
    return made


def _figures(values: Iterable[Any]) -> list[float]:
    """The plain numbers among cells, also those that stand as text."""
    return [p.value for v in set(values) if (p := as_number(v)) is not None and p.unit is None]


def _unit_of_reading(field: str, positions: Mapping[str, list[Column]]) -> str | None:
    """The unit that the heading of a reading states, for what is needed of it; None of other fields."""
    of = positions.get(NEEDED[field][0]) if field in NEEDED else None
    unit = of[0].heading.unit if of else None
    return unit if unit and belongs(field, unit) else None


def _one_unit(
    made: Fields,
    field: str,
    chosen: Column,
    beside: list[Any] | None,
    where: Where,
    of_reading: str | None,
    of_sheet: str | None,
) -> None:
    values = made.values[field]
    stated = chosen.heading.unit or of_sheet
    if of_sheet and of_sheet != stated:
        beside = [of_sheet] * len(values)
    if values.count(None) == len(values):
        return
    if stated is not None and beside is not None:
        # A figure beside another unit than that of its heading (or of a layout file) belongs to neither for certain.
        made.values[field] = [_agreed(cell, unit, stated) for cell, unit in zip(values, beside)]
    if chosen.heading.basis == EXACT:
        return
    if stated is None and beside is not None:
        units = {canonical(v) if is_unit(v) else None for v, cell in zip(beside, values) if cell is not None}
        if len(units) > 1:
            # Each row has its own: written behind the figure, where the reading of cells understands it.
            made.values[field] = [_with_unit(cell, unit) for cell, unit in zip(values, beside)]
            made.how[field] = (*made.how[field][:1], made.how[field][1] + UNITS_BESIDE, made.how[field][2])
            return
        (stated,) = units
    figures = _figures(values) if stated is None else []
    if stated is None and not figures:
        return  # words, and figures with units of their own: nothing rests on the heading's
    unit, codes = column_unit(field, stated or of_reading, figures)
    if of_reading and not stated:
        codes = [("unit_assumed", {"unit": of_reading, "why": "that of what was measured"})]
    if unit and unit != FIELDS[field].unit:
        made.units[field] = unit
    for code, params in codes:
        line = f'{field} = {{ {where.line(chosen.at)}, unit = "?" }}'
        made.notes.append(where.note(code, chosen, **{**params, "heading": FIELDS[field].heading, "line": line}))


def _agreed(value: Any, unit: Any, stated: str) -> Any:
    if value is None or isinstance(value, Unreadable) or not is_unit(unit) or canonical(unit) == stated:
        return value
    return Unreadable(f"{value} {unit.strip()}", "two_units")


def _with_unit(value: Any, unit: Any) -> Any:
    if value is None or isinstance(value, Unreadable):
        return value
    if type(unit) is str and canonical(unit) is not None:
        return f"{value} {unit.strip()}" if _figures([value]) else value
    return Unreadable(str(value), "no_unit")


# ------------------------------------------------------------------------------------- what is not clear


def _one_unclear(
    made: Fields, c: Column, values: list[Any], where: Where, positions: Mapping[str, list[Column]]
) -> None:
    """A filled line that can be several fields: it is judged as each of them."""
    if values.count(None) == len(values):
        return
    told = c.heading.told
    # Names bear on no verdict; a column of them that is not known is left over.
    candidates = [f for f in c.heading.candidates if FIELDS[f].kind not in ("text", "time")]
    if not candidates:
        made.notes.append(where.left_over(c))
        return
    units = tuple((f, told if told and belongs(f, told) and told != FIELDS[f].unit else "") for f in candidates)
    line = layout_line(candidates[0], where.line(c.at), told)
    # The column that is clear by itself settles it as well.
    clear = next((p for p in positions.get(candidates[0], []) if p.at == made.lines[p.field]), None)
    if clear is not None:
        line += ", or " + layout_line(clear.field, where.line(clear.at), clear.heading.unit)
    if candidates[0] in SEEN and seen_words(c.text):
        values = [as_seen(candidates[0], v) for v in values]
        if values.count(None) == len(values):
            return
    done = candidates == ["calibration_due"] and may_be_done(c.text)
    made.unclear.append(Unclear(c.text, where.place(c.at), units, values, line, done=done))


def layout_line(field: str, place: str, unit: str | None) -> str:
    """The line of a layout file that says where a field stands; its unit is asked for where none is stated.

    >>> layout_line("line_pressure_bar", 'column = "C"', "psi"), layout_line("co_ppm", "row = 7", None)
    ('line_pressure_bar = { column = "C", unit = "psi" }', 'co_ppm = { row = 7 }')
    >>> layout_line("line_pressure_bar", 'column = "C"', None)
    'line_pressure_bar = { column = "C", unit = "?" }'
    """
    told = unit or ("?" if unit_needed(field) else "")
    return f"{field} = {{ {place}" + (f', unit = "{told}"' if told and FIELDS[field].unit else "") + " }"
