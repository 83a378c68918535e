"""Tables whose tests follow each other in rows, or in columns of a turned grid: a heading -> proposals.

Proposes only: which lines hold what, which rows are tests, what holds for all of them. The values are made of it by
extract.py.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import compress
from typing import Any, NamedTuple

from grader.problems import a1
from grader.read.extract import NUMBERS, READINGS, Part, Proposal, Where
from grader.read.given import Given
from grader.read.layout_spec import TableSpec
from grader.read.settle import are_verdicts, own_verdict
from grader.read.shapes.banners import Banner, banners_of, segments
from grader.read.shapes.grid import Grid
from grader.read.shapes.heads import Head
from grader.read.shapes.rows import is_remark, kinds_of
from grader.read.shapes.tables import Note, shown
from grader.read.words.answers import asks
from grader.read.words.dates import parse_date
from grader.read.words.heading_words import key
from grader.read.words.headings import Heading
from grader.read.words.labels import (
    VISIT,
    Column,
    column,
    first_of_names,
    is_placeholder,
    is_unit,
    looks_like_value,
    stated_by_layout,
)
from grader.read.words.units import belongs, canonical, quantity

_HELD = ("field", "unclear", "unit", "substance")
_LONGEST_NAME = 60
NO_HEADING = "(no heading)"
# What figures under no heading may be (design, "Understanding a sheet").
SECOND_READINGS = ("oxygen_pct", "co_ppm", "co2_ppm", "oil_mg_m3")


class Block(NamedTuple):
    """One table as its heading gives it.

    head  : its heading; line numbers are positions in the grid. stop : the row after its last.
    again : rows that repeat the heading. skip : rows of another table beside it.
    given : what is known of all its tests from elsewhere.
    names : the line that names the tests of a turned grid, -1 where any line may.
    """

    grid: Grid
    head: Head
    stop: int
    again: Sequence[int] = ()
    given: Mapping[str, Given] = {}
    spec: TableSpec | None = None
    banners: bool = True
    skip: frozenset[int] = frozenset()
    names: int = -1


def propose(block: Block) -> Proposal:
    """The one table that stands below a heading."""
    grid, head, spec = block.grid, block.head, block.spec
    first, stop = head.bottom + 1, block.stop
    if spec is not None and not grid.turned:
        first = max(first, grid.row_of(spec.first_row)) if spec.first_row >= 0 else first
        stop = min(stop, grid.row_of(spec.last_row) + 1) if spec.last_row >= 0 else stop
    notes: list[Note] = []
    lines = head.columns
    if spec is not None:
        lines, said = _with_layout(grid, lines, spec)
        notes += said
    lines = [c for c in lines if c.at < grid.width]
    columns = list(zip(*grid.rows[first:stop])) or [()] * grid.width
    lines = [own_verdict(_of_unit(c, columns[c.at]), columns[c.at]) for c in lines]
    values = {c.at: list(columns[c.at]) for c in lines if c.kind in _HELD}
    if not head.own:
        _spread(block, lines, values, first)
        lines = _with_units_beside(lines, columns, values)
        lines = _with_outlet(block, lines, columns, values, notes)
        lines = _without_heading(block, lines, columns, values)
    by_field = {c.field: values[c.at] for c in reversed(lines) if c.field and c.at in values}
    outlet = next((c.at for c in lines if c.field == "outlet" and c.at in values), -1)
    readings = {c.at: c.field in NUMBERS for c in lines if c.at in values and c.field in READINGS | NUMBERS}
    telling = [c.at for c in lines if c.at in values and (c.at == block.names or _tells(c, values[c.at]))]
    rows = kinds_of(
        grid, (first, stop), outlet, values, telling, readings, set(block.again), {c.at: c.field for c in lines}
    )
    notes += rows.notes
    kinds = rows.kinds
    no_tests = {grid.row_of(number) for number in spec.ignore_rows} if spec is not None and not grid.turned else set()
    for row in block.skip | no_tests:
        if first <= row < stop:
            kinds[row - first] = "beside"
    banners: list[Banner] = []
    if block.banners:
        known = {f for f, v in by_field.items() if v.count(None) < len(v)} | set(block.given)
        places = {c.at: c.field for c in lines if c.field}
        banners = banners_of(grid, by_field, places, kinds, (first, stop), known)
        for banner in banners:
            kinds[banner.at] = "banner"
    if not head.own:
        lines += _second_lines(block, lines, values, kinds, outlet, first, notes)
    kept = [kind == "test" for kind in kinds]
    said, passed = _passed(block, lines, kinds, first)
    notes += said
    parts, footers, unused = segments(kept, banners)
    notes += [_banner_note(grid, banner, first, banner in unused) for banner in banners]
    chosen = list(compress(range(first, stop), kept))
    said, missed = left_over(grid, lines, columns, kept, head)
    notes += said
    total = [0]
    for keep in kept:
        total.append(total[-1] + keep)
    heads = (-1, -1)
    if head.bottom >= 0:
        heads = (grid.outer[head.top], grid.outer[head.bottom])
    names = block.names if block.names >= 0 else 0
    top = max(head.bottom, 0)
    return Proposal(
        "across" if grid.turned else "down",
        grid,
        lines,
        {at: list(compress(v, kept)) for at, v in values.items()},
        [grid.cell(row, names) if grid.turned else (grid.outer[row], -1) for row in chosen],
        Where(
            grid.name,
            lambda at: grid.address(head.top if grid.turned else top, at % grid.width),
            lambda at: grid.line_place(at % grid.width),
            lambda at: grid.line_words(at % grid.width),
        ),
        lambda line, test: (chosen[test], line),
        given={**{f: one for f, one in footers.items() if f not in by_field}, **block.given},
        parts=[Part(total[begin], total[end], own) for begin, end, own in parts],
        heads=heads if not grid.turned else (-1, -1),
        spec=spec,
        notes=notes,
        passed=passed + len(banners),
        own=head.own,
        missed=missed,
    )


def _with_layout(grid: Grid, lines: list[Column], spec: TableSpec) -> tuple[list[Column], list[Note]]:
    """The headings as a layout file has them, and what in the layout does not fit."""
    new, wrong = overridden(lines, spec, across=grid.turned)
    wrong += [f"{c.field}: the sheet has no {_line_name(grid, c.at)}" for c in new if c.at >= grid.width]
    return new, [spec.misfit(grid.name, w) for w in wrong]


def _line_name(grid: Grid, at: int) -> str:
    return f"row {at + 1}" if grid.turned else f"column {a1(0, at)[:-1]}"


# --------------------------------------------------------------------------------------------- its lines


def _spread(block: Block, lines: list[Column], values: dict[int, list[Any]], first: int) -> None:
    """A cell merged over several tests holds for each of them; a reading so merged stays with the first."""
    held = {c.at for c in lines if c.field and c.field not in READINGS and c.at in values}
    for (row, at), (top, left) in block.grid.covered.items():
        index = row - first
        if at in held and left == at and top >= first and 0 <= index < len(values[at]) and values[at][index] is None:
            values[at][index] = block.grid.rows[top][left]


def _with_units_beside(
    lines: list[Column], columns: list[tuple[Any, ...]], values: dict[int, list[Any]]
) -> list[Column]:
    """A line of units alone behind a reading serves as one with the heading Unit."""
    known = {c.at for c in lines}
    made: list[Column] = []
    for c in lines:
        made.append(c)
        at = c.at + 1
        if c.field in NUMBERS and c.heading.unit is None and at not in known and at < len(columns):
            filled = [v for v in columns[at] if v is not None]
            if filled and all(map(is_unit, filled)):
                made.append(column(at, "Unit"))
                values[at] = list(columns[at])
    return made


def _with_outlet(
    block: Block, lines: list[Column], columns: list[tuple[Any, ...]], values: dict[int, list[Any]], notes: list[Note]
) -> list[Column]:
    """Where nothing is the outlet, the first line of names is: headed Ref, Point, Station, ID, No, or not at all."""
    if any(c.field == "outlet" for c in lines) or "outlet" in block.given:
        return lines
    by_line = {c.at: c for c in lines}
    least = min((c.at for c in lines if c.field in READINGS), default=0)
    for at in range(len(columns)):
        c = by_line.get(at)
        if c is not None and not (c.kind in ("unknown", "number", "note") or "outlet" in c.heading.candidates):
            continue
        if c is None or c.kind in ("unknown", "number", "note"):
            if at > least:
                continue
        filled = [v for v in columns[at] if v is not None]
        names = {v for v in filled if _is_name(v)}
        if len(names) < 1 or 2 * len(filled) < len([r for r in zip(*columns) if any(v is not None for v in r)]):
            continue
        if c is not None and c.kind in ("unknown", "note") and c.text and len(names) * 2 < len(filled):
            continue
        text = c.text if c is not None else ""
        found = first_of_names(at, text)
        values[at] = list(columns[at])
        line = f"outlet = {{ {block.grid.line_words(at)} }}"
        notes.append(block.grid.note("outlet_guessed", max(block.head.bottom, 0), at, text or "(blank)", line=line))
        return sorted([found, *(x for x in lines if x.at != at)], key=lambda x: x.at)
    return lines


def _of_unit(c: Column, cells: Sequence[Any]) -> Column:
    """A heading that is a unit alone, over figures: what the unit measures is its heading ("bar": Pressure (bar))."""
    unit = canonical(c.text) if c.kind in ("unit", "unknown", "unclear") else None
    if unit is None or not any(type(v) in (int, float) for v in cells) or any(map(is_unit, cells)):
        return c
    return column(c.at, f"{quantity(unit)} ({unit})")._replace(text=c.text)


def _without_heading(
    block: Block, lines: list[Column], columns: list[tuple[Any, ...]], values: dict[int, list[Any]]
) -> list[Column]:
    """Figures under no heading are a second reading: of what the heading merged over them names, else of any gas."""
    made = list(lines)
    known = {c.at: c for c in lines}
    least = min((c.at for c in lines if c.field), default=len(columns))
    for at in range(least + 1, len(columns)):
        if at in known and known[at].text.strip():
            continue
        figures = [v for v in columns[at] if type(v) in (int, float)]
        if not figures or all(b - a == 1 for a, b in zip(figures, figures[1:])) and len(figures) > 1:
            continue  # running numbers
        over = next(
            (
                known[a]
                for (r, c), (_, a) in block.grid.covered.items()
                if c == at and r == block.head.top and a in known
            ),
            None,
        )
        candidates = over.heading.candidates if over is not None and over.field in READINGS else SECOND_READINGS
        heading = Heading(None, None, "", "unsure", candidates, NO_HEADING)
        made.append(Column(at, NO_HEADING, "unclear", heading))
        values[at] = list(columns[at])
    return sorted(made, key=lambda c: c.at)


def _second_lines(
    block: Block,
    lines: list[Column],
    values: dict[int, list[Any]],
    kinds: list[str],
    outlet: int,
    first: int,
    notes: list[Note],
) -> list[Column]:
    """A line below a test with a few readings alone holds second readings of it: each is judged both ways."""
    if outlet < 0:
        return []
    held = [c for c in lines if c.at in values and c.field != "remarks" and c.kind in ("field", "unclear")]
    made: dict[int, Column] = {}
    above = -1
    nth = 0
    for index, kind in enumerate(kinds):
        if kind != "test" or values[outlet][index] is not None:
            above, nth = (index if kind == "test" else -1), 0
            continue
        here = [c for c in held if values[c.at][index] is not None]
        there = sum(values[c.at][above] is not None for c in held) if above >= 0 else 0
        second = [c for c in here if c.field in READINGS and values[c.at][above] is not None]
        if above < 0 or not here or len(second) < len(here) or 2 * len(here) >= there:
            above = -1
            continue
        kinds[index] = "second"
        nth += 1
        for c in second:
            at = nth * block.grid.width + c.at
            heading = c.heading._replace(field=None, candidates=(c.field,), told=c.heading.unit)
            made[at] = Column(at, c.text, "unclear", heading)
            values.setdefault(at, [None] * len(kinds))[above] = values[c.at][index]
        notes.append(block.grid.note("row_second_reading", first + index, second[0].at, values[outlet][above]))
    return list(made.values())


def _is_name(value: Any) -> bool:
    """Whether a cell can be an outlet's name: a short text, or a whole number."""
    if type(value) is str:
        return 0 < len(value) <= _LONGEST_NAME and not is_placeholder(value) and not parse_date(value).whole
    return type(value) in (int, float) and value == int(value) and 0 <= value < 100_000


def _tells(c: Column, values: list[Any]) -> bool:
    """Whether a filled cell of a line makes its row a test: more than remarks and labels of the visit."""
    if c.kind == "field":
        return c.field not in VISIT and c.field != "remarks"
    return (
        c.kind == "unclear"
        and not VISIT.issuperset(f for f in c.heading.candidates if f != "remarks")
        and not are_verdicts(values)
    )


# ---------------------------------------------------------------------------------------------- its rows


def _passed(block: Block, lines: list[Column], kinds: list[str], first: int) -> tuple[list[Note], int]:
    """A note for every row that holds something and is no test."""
    grid = block.grid
    notes: list[Note] = []
    fields = {c.at: c.field for c in lines if c.field}
    leftmost = min(fields) if fields else 0
    outlet = next((at for at, f in fields.items() if f == "outlet"), 0)
    for index, kind in enumerate(kinds):
        if kind in ("test", "", "beside", "banner", "units", "second"):
            continue
        cells = grid.rows[first + index]
        at = next((c for c, v in enumerate(cells) if v is not None), None)
        if at is None:
            continue
        code = {"again": "row_headings_again", "total": "row_of_totals", "remark": "row_of_remarks"}.get(kind, "")
        if kind == "again":
            at = leftmost
        elif kind == "total":
            code = "column_of_totals" if grid.turned else code
            at = outlet if cells[outlet] is not None else at
        elif not code:
            remark = fields.get(at) == "remarks" or at == outlet and type(cells[at]) is str and is_remark(cells[at])
            code = "row_of_remarks" if remark else "row_without_test"
            if grid.turned and not any(cells[c.at] is not None for c in lines):
                continue
        notes.append(grid.note(code, first + index, at, cells[at]))
    return notes, len(notes)


def _banner_note(grid: Grid, banner: Banner, first: int, unused: bool) -> Note:
    at = (first + banner.at, banner.column, banner.shown)
    if unused:
        return grid.note("row_without_test", *at)
    what = ", ".join(sorted(banner.given))
    line = "; ".join(f'{f} = "{shown(one.value)}"' for f, one in banner.given.items())
    code = "banner_guessed" if banner.guessed else "banner_row"
    return grid.note(code, *at, what=what, line=line)


def left_over(
    grid: Grid, lines: list[Column], columns: list[tuple[Any, ...]], kept: list[bool], head: Head
) -> tuple[list[Note], int]:
    """What is to be said of filled lines that nothing was read from, and how many figures they hold."""
    notes: list[Note] = []
    missed = 0
    texts = {c.at: c for c in lines}
    row = max(head.top, 0) if grid.turned else max(head.bottom, 0)
    for at, cells in enumerate(columns):
        known = texts.get(at)
        if known is not None and known.kind in (*_HELD, "ignored"):
            continue
        held = [v for v in compress(cells, kept) if v is not None]
        if not held:
            continue
        heading = known.text.strip() if known is not None else ""
        missed += sum(type(v) in (int, float) for v in held) if not heading else 0
        if grid.turned:
            text = grid.rows[row][at]
            if known is not None and known.field or text is None or looks_like_value(text):
                continue
            heading = str(text)
        if asks(heading):
            continue  # its answers are read
        code = "unknown_row" if grid.turned else "unknown_column" if heading else "column_without_heading"
        notes.append(grid.note(code, row, at, heading, heading=heading, where=grid.line_words(at)))
    return notes, missed


def overridden(columns: list[Column], spec: TableSpec, *, across: bool = False) -> tuple[list[Column], list[str]]:
    """Headings as the layout has them, and what in it does not fit (one line a mistake).

    columns : found by their headings; at is the row where `across`.
    Returns : the columns, by position; a heading that is understood as a field which the layout puts elsewhere
              is left over.
    """
    known = {c.at: c for c in columns}
    wrong: list[str] = []
    placed: dict[str, int] = {}
    for field, said in spec.fields.items():
        at = said.row if across else said.column
        if at < 0 and said.heading:
            there = [c.at for c in columns if key(said.heading) in (key(c.text), *map(key, c.text.split(" / ")))]
            if len(there) != 1:
                wrong.append(f'{field}: the heading "{said.heading}" is there {len(there)} times')
                continue
            at = there[0]
        if at < 0:
            at = next((c.at for c in columns if c.field == field), -1)
            if at < 0:
                wrong.append(f"{field}: no heading is understood as it, so its column or heading must be given")
                continue
        placed[field] = at
    more: list[Column] = []  # of columns that serve a second field
    for i, (field, at) in enumerate(placed.items()):
        old = known.get(at)
        same = old is not None and old.field == field
        # What the heading states stays, unless the layout file says another unit.
        stated = (old.heading.unit or old.heading.told) if old is not None else None
        unit = spec.fields[field].unit or (stated if stated and (same or belongs(field, stated)) else None)
        said_so = stated_by_layout(at, old.text if old else "", field, unit, spec.source)
        if same and old:
            said_so = said_so._replace(heading=said_so.heading._replace(constants=old.heading.constants))
        if at in list(placed.values())[:i]:
            more.append(said_so)
        else:
            known[at] = said_so
    for at, found in list(known.items()):
        if at in spec.ignore and not across:
            known[at] = found._replace(kind="ignored")
        elif found.field in placed and placed[found.field] != at:
            known[at] = found._replace(kind="unknown")
        elif found.kind == "unclear" and set(found.heading.candidates) <= set(placed):
            known[at] = found._replace(kind="unknown")
    return sorted([*known.values(), *more], key=lambda c: c.at), wrong
