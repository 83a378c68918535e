"""The sheets of a workbook -> the tables of tests in them, whatever their shape.

`recognise` is one pure function on lists of rows; it knows nothing of files. The program's own blank goes a
short way: its headings are known as they stand. Any other sheet goes to choose.py; sheets that hold one parameter each
are read together at the end. What cannot be told is not read, and a problem says which line of a layout file would
settle it.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache, lru_cache
from typing import Any

from grader.columns import FIELDS, normal_heading
from grader.problems import Table, Unreadable, a1
from grader.read.around import with_what_is_said
from grader.read.extract import extract, pressure_dew_point
from grader.read.given import Given, add, filled, is_by_layout, without
from grader.read.layout_spec import LayoutSpec
from grader.read.marks import of_the_marked
from grader.read.sayings import Said, of_their_outlets, said_of_all, with_unclear
from grader.read.shapes.grid import Grid
from grader.read.shapes.heads import Head
from grader.read.shapes.rows import plain
from grader.read.shapes.table import Block, propose
from grader.read.shapes.tables import Note, Recognised, Sheet, both
from grader.read.shapes.unrolled import Matrix, matrices
from grader.read.words.heading_words import CERTAIN
from grader.read.words.headings import EXACT, OWN_HEADINGS, Heading
from grader.read.words.labels import NUMBERS, READINGS, SHARED, VISIT, Column, label
from grader.read.words.said import may_tell, titled
from grader.read.words.stated import stated

__all__ = ["Note", "Recognised", "Sheet", "recognise"]

LONGEST_HEADING = 80


def recognise(sheets: Iterable[Sheet], layout: LayoutSpec | None = None, name: str = "") -> Recognised:
    """Find the tables of tests in the sheets of one workbook.

    sheets  : of one workbook, in its order; taken one at a time, so a generator keeps memory small.
    layout  : what layout files say of this workbook. name : of its file, without folder and ending.
    Returns : Recognised. A sheet named Visit gives constants. With no table `tables` is empty: the caller
              refuses the file.
    """
    layout = layout or LayoutSpec()
    unused: list[Note] = []
    visit: dict[str, Given] | None = None
    covers: list[tuple[Sheet, dict[str, Given]]] = []
    kept: list[Recognised] = []
    notes: list[Note] = []
    elsewhere: list[Said] = []
    facts: list[tuple[Grid, Recognised]] = []
    blocks: list[Matrix] = []
    strange: list[Note] = []

    def keep(grid: Grid, made: Recognised, cover: dict[str, Given]) -> None:
        """Keep the tables of a sheet with what its other cells say; what holds for the tests of other sheets is no test."""
        tables, left = with_what_is_said(grid, [] if cover else made.tables, _cells_of(cover))
        elsewhere.extend(left)
        if cover:
            covers.append((grid.sheet, cover))
        if not cover or not made.tables:
            kept.append(made._replace(tables=tables))
            notes.extend(made.notes)

    for sheet in sheets:
        if not sheet.rows or not sheet.rows[0] or layout.ignores(sheet.name):
            continue
        specs = layout.of(sheet.name)
        grid = Grid.of(sheet)
        headings = _headings(grid)
        own = None if specs else _exact_table(grid, headings)
        if own is None and plain(sheet.name) == "visit" and not specs:
            here, said = _read_visit(grid)
            visit = {**(visit or {}), **here}
            notes += said
            elsewhere += with_what_is_said(grid, [], _cells_of(here))[1]
            continue
        if own is not None and own[0] == next(i for i, row in enumerate(grid.rows) if row.count(None) < len(row)):
            made = _read_own(grid, headings, own)
        elif (explained := _fingerprint(sheet)) in _EXPLAINED and not specs:
            elsewhere += with_what_is_said(grid, [])[1]
            continue
        else:
            from grader.read.choose import read_sheet  # here: a folder of blanks never needs it

            made = read_sheet(grid, specs)
            held = made.tables and (specs or any(map(_holds_readings, made.tables)))
            found = [] if held else matrices(grid)
            blocks += [m for m in found if m.known]
            strange += [grid.note("unknown_parameter", m.above[1], 0, sheet.name, heading=sheet.name,
                        where=f'heading = "{sheet.name}"') for m in found if not m.known]  # fmt: skip
            if any(m.known for m in found):
                elsewhere += with_what_is_said(grid, [])[1]
                continue
            if not made.tables and not made.notes and not specs and not _not_used(grid) and not _cover(grid):
                if explained is not None:
                    _EXPLAINED.add(explained)
        if made.tables and all(map(_of_facts, made.tables)) and not specs:
            facts.append((grid, made))
            continue
        keep(grid, made, _cover(grid) if not made.tables else {})
        if made.tables:
            notes += _comments(sheet)
            if sheet.hidden and made.rows_found:
                notes.append(Note("hidden_sheet", sheet.name, "", sheet.name, {"rows": made.rows_found}))
            elif made.rows_found:
                notes += _hidden_rows(sheet, made)
        else:
            unused += _not_used(grid)
    if len(blocks) > 1:
        notes += strange  # a sheet of what nobody knows, among sheets of a parameter each
        from grader.read.choose import crossed

        stated = [s for m in blocks for s in layout.of(m.grid.name) if s.orientation == "long"]
        made = extract(crossed(blocks, stated[0] if stated else None))
        kept.append(made)
        notes += made.notes
    for grid, made in facts:
        # Alone it is a form whose readings are missing.
        keep(grid, made, _cover(grid) if any(m.tables for m in kept) else {})
    tables = [table for made in kept for table in made.tables]
    if tables:
        notes += unused
    if visit:
        tables = _with_visit(tables, visit)
    elif len(covers) == 1 and visit is None:
        # An empty Visit sheet is the place for such values: no page of instructions stands in for it.
        tables = _with_cover(tables, *covers[0], notes)
    if len(tables) > 1 or not all(t.own for t in tables):
        from grader.read.shapes.site_of_sheet import with_sheet_names

        tables = layout.completed(with_sheet_names(tables, notes), notes)
    if tables and name and (void := titled(name)):
        elsewhere.append(Said(tables[0].sheet, (0, 0), name, void, (), void, (name,), how="name of the file"))
    elsewhere = of_the_marked(of_their_outlets(elsewhere, tables), set().union(*(t.marks for t in tables)))
    tables = [_with_what_names_say(said_of_all(t, elsewhere))._replace(marks={}) for t in tables]
    return Recognised(tables, notes, sum(m.rows_found for m in kept), sum(m.rows_passed_over for m in kept))


# What may stand on a sheet of facts though the blank has it among the readings.
_FACTS = frozenset({"line_pressure_bar"})


def _of_facts(table: Table) -> bool:
    """Whether a table is a form that names no outlet and asks for nothing that is measured at one, filled in or not."""
    held = {*table.columns, *table.places, *table.constants}
    return table.orientation == "form" and "outlet" not in held and not held & (READINGS - _FACTS) and not table.unclear


def _with_what_names_say(table: Table) -> Table:
    """A table with the figures that names of places hold: "Yard - outdoors, down to -15 °C" over its outlets or beside one."""
    count = len(table.rows)
    for field in ("outlet", "location", "system", "site"):
        place, value = table.constants.get(field, (table.places.get(field), None))
        names = table.columns.get(field, [None] * count)
        for name in sorted({v for v in (value, *names) if type(v) is str and may_tell(v)}):
            if place is not None and (figures := stated(name)):
                said = Said(place.sheet, (place.row or 0, place.column or 0), name, "", figures)
                table = with_unclear(table, said, figures, [name in (value if v is None else v,) for v in names])
    return table


def _holds_readings(table: Table) -> bool:
    """Whether a table has a reading, or what may be one."""
    return bool(table.unclear) or any(v is not None for f in READINGS & table.columns.keys() for v in table.columns[f])


def _cells_of(given: dict[str, Given]) -> set[tuple[int, int]]:
    """The cells that values stand in."""
    places = (one.place for one in given.values())
    return {(p.row, p.column) for p in places if p.row is not None and p.column is not None}


# Sheets in which there was nothing, by all that stands in them: pages of instructions come with every blank.
_EXPLAINED: set[tuple[Any, ...] | None] = set()
_MOST_EXPLAINED = 50
_LONGEST_EXPLAINED = 300


def _fingerprint(sheet: Sheet) -> tuple[Any, ...] | None:
    if len(sheet.rows) > _LONGEST_EXPLAINED or len(_EXPLAINED) > _MOST_EXPLAINED:
        return None
    return (sheet.name, *map(tuple, sheet.rows))


# ------------------------------------------------------------------------------------- the program's own blank


@lru_cache(maxsize=20_000)
def _field(text: str) -> str | None:
    """The field a text is the heading of in the blank, or None."""
    return OWN_HEADINGS.get(normal_heading(text).rstrip(":")) if len(text) <= LONGEST_HEADING else None


def _headings(grid: Grid) -> dict[str, str]:
    """The texts of a sheet that are headings of the blank, with their fields."""
    return {v: field for v in grid.texts if (field := _field(v))}


def _exact_table(grid: Grid, headings: dict[str, str]) -> tuple[int, dict[int, str]] | None:
    """The first row of which every text is a heading of the blank and that opens a table, with its fields."""
    if READINGS.isdisjoint(headings.values()):
        return None
    apart = headings.keys().isdisjoint
    for number, row in enumerate(grid.rows):
        if apart(row):
            continue
        fields = {at: headings[v] for at, v in enumerate(row) if type(v) is str and v in headings}
        if _opens(set(fields.values())):
            return (number, fields) if len(fields) == len(row) - row.count(None) else None
    return None


def _opens(fields: set[str]) -> bool:
    """Whether a row of these headings opens a table: a reading, and an outlet or two more headings."""
    return bool(fields & READINGS) and len(fields) >= (2 if "outlet" in fields else 3)


@cache
def _own_column(at: int, text: str, field: str) -> Column:
    unit = FIELDS[field].unit or None
    heading = Heading(field, unit, EXACT, CERTAIN, (field,), "the heading of the blank", "heading" if unit else "")
    return Column(at, text, "field", heading, EXACT)


def _read_own(grid: Grid, headings: dict[str, str], first: tuple[int, dict[int, str]]) -> Recognised:
    """Tables with headings of the blank. A row of the same headings again does not open a new table."""
    apart = headings.keys().isdisjoint
    blocks: list[tuple[int, dict[int, str], list[int]]] = [(*first, [])]
    for row in range(first[0] + 1, len(grid.rows)):
        if apart(grid.rows[row]):
            continue
        fields = {at: headings[v] for at, v in enumerate(grid.rows[row]) if type(v) is str and v in headings}
        if fields == blocks[-1][1]:
            blocks[-1][2].append(row)
        elif _opens(set(fields.values())):
            blocks.append((row, fields, []))
    made = []
    named = plain(grid.name) == "readings"
    for i, (row, fields, again) in enumerate(blocks):
        stop = blocks[i + 1][0] if i + 1 < len(blocks) else len(grid.rows)
        head = Head(row, row, [_own_column(at, grid.rows[row][at], field) for at, field in sorted(fields.items())])
        table = propose(Block(grid, head, stop, again, banners=not named))
        if not table.tests:
            table = table._replace(notes=[*table.notes, grid.note("empty_readings", row, 0, grid.name)])
        made.append(table)
    return extract(made)


# ------------------------------------------------------------------------------------------ what holds for all


def _read_visit(grid: Grid) -> tuple[dict[str, Given], list[Note]]:
    """What labels in column A with values in column B give. Only Visit's labels: a reading holds for no other test."""
    notes: list[Note] = []
    given: dict[str, Given] = {}
    for row, (text, value, *_) in enumerate(grid.rows) if grid.width > 1 else ():
        if text is None or value is None:
            continue
        field = _field(text) if type(text) is str else None
        if field is None and (found := label(text)) is not None and found.field in VISIT:
            from grader.read.shapes.pairs import with_unit

            field, value = found.field, with_unit(found.field, found, value)
        if field is None or field not in VISIT:
            notes.append(grid.note("unknown_label", row, 1, value, label=str(text)))
            continue
        if field in NUMBERS and grid.is_percent(row, 1) and type(value) in (int, float):
            value = Unreadable(f"{value * 100:.10g}%", "percent")
        if field in given:
            first = a1(given[field].place.row or 0, 1)
            notes.append(grid.note("label_twice", row, 1, value, label=str(text), first=first))
            given[field] = given[field]._replace(value=both(given[field].value, value))
        else:
            given[field] = Given(grid.place(row, 1), value)
    return given, notes


def _with_visit(tables: list[Table], visit: dict[str, Given]) -> list[Table]:
    """Give the Visit sheet's values to the table of sheet Readings.

    Other tables get them where there is no such sheet, or where they say neither site nor date themselves:
    another log in the same workbook may be of another visit.
    """
    with_readings = any(plain(t.sheet) == "readings" for t in tables)
    made = []
    for table in tables:
        belongs = not with_readings or plain(table.sheet) == "readings" or not _says_where_or_when(table)
        if belongs:
            # What the visit states goes before the layout file of its log.
            table = filled(without(table, {f for f in visit if is_by_layout(table, f)}), visit)
        made.append(table)
    return made


def _says_where_or_when(table: Table) -> bool:
    return any(f in table.places or f in table.constants for f in ("site", "test_date"))


def _cover(grid: Grid) -> dict[str, Given]:
    """What the labels of a sheet without tests give that say where and when; {} where it is no such sheet."""
    if len(grid.rows) > 200:
        return {}
    from grader.read.shapes.pairs import given_by, pairs

    given: dict[str, Given] = {}
    for pair in pairs(grid, 0, len(grid.rows)):
        field = pair.label.field
        if pair.value is not None and field in SHARED | _FACTS and pair.where != "below":
            add(given, field, given_by(grid, pair, "label on another sheet"))
    return given if len(given) >= 2 and {"site", "test_date"} & set(given) else {}


def _with_cover(tables: list[Table], sheet: Sheet, cover: dict[str, Given], notes: list[Note]) -> list[Table]:
    made = []
    used = False
    for table in tables:
        mine = cover if table.own or not _says_where_or_when(table) else _of_the_place(table, cover)
        mine = {f: one for f, one in mine.items() if f not in _FACTS or f not in table.places}
        if "line_pressure_bar" in mine and pressure_dew_point(table.how, table.places):
            mine["dew_point_measured_at_bar"] = mine["line_pressure_bar"]
        used = used or bool(mine)
        made.append(filled(table, mine))
    if used:
        notes.append(Note("cover_sheet", sheet.name, "", sheet.name, {"count": len(cover)}))
    return made


def _comments(sheet: Sheet) -> list[Note]:
    """That cells of a sheet with tests carry comments, once."""
    found = list(sheet.comments)
    if not found:
        return []
    (row, column), text = found[0]
    return [Note("cell_comments", sheet.name, a1(row, column), " ".join(text.split())[:200], {"count": len(found)})]


# What a cover says of the place holds whatever the date.
_PLACE = ("client", "site", "site_address", "supply", "dryer", "rule_set", "line_pressure_bar", "lowest_use_temperature_c",
          "nominal_pressure_bar", "lowest_pressure_bar", "flow_needed_l_min")  # fmt: skip


def _of_the_place(table: Table, cover: dict[str, Given]) -> dict[str, Given]:
    """What a cover says of the place, for tests that have their own dates and no site."""
    named = "site" not in cover or "site" in table.places or "site" in table.constants
    return {} if named else {f: one for f, one in cover.items() if f in _PLACE and f not in table.places}


def _hidden_rows(sheet: Sheet, made: Recognised) -> list[Note]:
    hidden = set(sheet.hidden_rows)
    if not hidden:
        return []
    rows = sorted({r for t in made.tables if t.orientation in ("down", "long") for r in t.rows} & hidden)
    if not rows:
        return []
    return [Note("hidden_rows", sheet.name, a1(rows[0], 0), sheet.name, {"rows": len(rows)})]


def _not_used(grid: Grid) -> list[Note]:
    """A note on a sheet with headings of ours that holds no table."""
    best: dict[str, str] = {}
    at = (0, 0)
    for number, row in enumerate(grid.rows):
        # Blanks first: a row may be sixteen thousand cells wide.
        known = {v: said.field for v in {v for v in row if type(v) is str and v} if (said := label(v)) and said.field}
        if len(set(known.values())) > len(set(best.values())):
            best, at = known, (number, next(i for i, v in enumerate(row) if type(v) is str and v in known))
    if len(set(best.values())) < 3:
        return []
    return [grid.note("sheet_not_used", *at, grid.name, count=len(best))]
