"""Tables whose tests are rows: every heading on the sheet, what stands above it, and the groups side by side in it."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from typing import Any

from grader.read.given import Given
from grader.read.layout_spec import TableSpec
from grader.read.shapes.banners import caption
from grader.read.shapes.grid import Grid
from grader.read.shapes.groups import Group, of_group, side_by_side, skipped
from grader.read.shapes.heads import Head, columns_of, head_at
from grader.read.shapes.pairs import labels_alone, may_stand_above, shared_above
from grader.read.shapes.proposal import Proposal
from grader.read.shapes.table import Table, propose
from grader.read.shapes.tables import Note, shown
from grader.read.shapes.things import lists_of_things
from grader.read.words.dates import is_date
from grader.read.words.labels import NUMBERS, looks_like_value, may_be_heading, tube_detail

_LONGEST_TITLE = 60
_MOST_OF_A_TUBE = 6  # headings of a list of tubes


def headings(grid: Grid) -> list[Head]:
    """Every heading on the sheet, top to bottom, each with the rows that repeat it."""
    found: list[Head] = []
    after, stop = -1, 0
    suspects = iter(range(len(grid.rows)))
    while (row := next((r for r in suspects if r >= stop), -1)) >= 0:
        stop = row + 1
        if found and _same(grid, found[-1], row):
            stop = row + found[-1].bottom - found[-1].top + 1
            found[-1] = found[-1]._replace(again=[*found[-1].again, *range(row, stop)])
        elif (here := head_at(grid, row, after)) is not None:
            found.append(here)
            after, stop = here.bottom, here.bottom + 1
            suspects = _suspects(grid, here)
    return found


def are_labels_of_a_form(grid: Grid, found: list[Head]) -> bool:
    """Whether rows of headings are the labels of one form, each over a single row of values, none twice."""
    if len(found) < 2 or any(h.again for h in found):
        return False
    fields = [f for head in found for f in {c.field for c in head.columns if c.field}]
    if len(set(fields)) < len(fields):
        return False
    for head, stop in zip(found, [*(h.top for h in found[1:]), len(grid.rows)]):
        first, *more = [r for r in range(head.bottom + 1, stop) if not grid.is_blank(r)] or [-1]
        alone = [grid.alone(r)[1] for r in more]
        # A signature or a remark may stand at the foot of the sheet.
        foot = head is found[-1] and all(type(v) is str and not looks_like_value(v) for v in alone)
        if first != head.bottom + 1 or more and not foot:
            return False
    return True


def placed(grid: Grid, specs: list[TableSpec]) -> tuple[list[Head], list[TableSpec], list[Note]]:
    """The headings that layout files place, top to bottom; each table ends where the next begins, with its labels."""
    found: list[Head] = []
    fits: list[TableSpec] = []
    notes: list[Note] = []
    for spec in sorted(specs, key=lambda s: max(s.heading_row, s.first_row)):
        top = grid.row_of(spec.heading_row)
        bottom = top + spec.heading_rows - 1 if top >= 0 else grid.row_of(spec.first_row) - 1
        if bottom >= len(grid.rows):
            row = spec.heading_row + spec.heading_rows if top >= 0 else spec.first_row + 1
            notes.append(spec.misfit(grid.name, f"the sheet has no row {row}"))
            continue
        columns = columns_of(grid, list(range(top, bottom + 1))[:3]) if top >= 0 else []
        found.append(Head(max(top, 0), bottom, columns))
        fits.append(spec)
    for i, head in enumerate(found):
        stop = found[i + 1].top if i + 1 < len(found) else len(grid.rows)
        rows = [r for r in range(head.bottom + 1, stop) if head.columns and _same(grid, head, r)]
        found[i] = head._replace(again=[n for r in rows for n in range(r, r + head.bottom - head.top + 1)])
    return found, fits, notes


def _same(grid: Grid, head: Head, row: int) -> bool:
    """Whether the heading is repeated at a row (on a new page)."""
    count = head.bottom - head.top + 1
    return (
        grid.rows[row] == grid.rows[head.top] and grid.rows[row : row + count] == grid.rows[head.top : head.bottom + 1]
    )


def _suspects(grid: Grid, head: Head) -> Iterator[int]:
    """Rows below a heading that may be another one: with texts like headings among the figures, or after a gap;
    in order, some twice."""
    numbers = [c.at for c in head.columns if c.field in NUMBERS or c.kind == "unclear"]
    rows = grid.rows
    outlet = next((rows[head.bottom][c.at] for c in head.columns if c.field == "outlet"), None)
    blank = False
    for row in range(head.bottom + 1, len(rows)):
        cells = rows[row]
        if grid.is_blank(row):
            blank = True
            continue
        searched = cells if blank else [cells[at] for at in numbers]
        if str in map(type, searched) and sum(map(_may_head, searched)) >= 2:
            yield from (row - 1, row)
        elif cells == rows[head.top] or outlet and outlet in cells and all(v is None or _may_head(v) for v in cells):
            yield row
        blank = blank and len(cells) - cells.count(None) == 1  # a title over what follows


def _may_head(value: Any) -> bool:
    return type(value) is str and may_be_heading(value)


def proposals(grid: Grid, found: list[Head], specs: Sequence[TableSpec | None]) -> list[Proposal]:
    """The tables below their headings; specs: what a layout file says of each."""
    made: list[Proposal] = []
    regions = [_region(grid, found, i) for i in range(len(found))]
    titles = _titles(grid, found, regions)
    for i, (head, spec) in enumerate(zip(found, specs)):
        stop = regions[i + 1] if i + 1 < len(found) else len(grid.rows)
        tubes = _tubes_below(grid, max(head.bottom, *head.again, 0) + 1, stop)
        below, said_below = shared_above(grid, tubes, stop)
        stop = tubes
        groups = side_by_side(grid, head)
        top = groups[0].head.top if groups else head.top
        # A sheet an outlet, its dates down the side: the outlet's name stands above.
        above, notes = shared_above(grid, regions[i], top, may_stand_above(head.columns))
        notes += said_below
        given = {**below, **above}
        names = _names(grid, head, stop)
        if "test_date" not in given and not any(c.field == "test_date" for c in head.columns):
            given |= _date_above(grid, regions[i], top, given, bool(head.again))
        if not i:
            first_of_sheet = names, given
        elif names and names <= first_of_sheet[0]:  # a second block of the same outlets is of the same visit
            given = {**first_of_sheet[1], **given}
        if titles and "site" not in given and not any(c.field == "site" for c in head.columns):
            row, at, text = titles[i]
            given = {**given, "site": Given(grid.place(row, at), text, text, "title above the table")}
            notes.append(grid.note("banner_guessed", row, at, text, what="site", line=f'site = "{text}"'))
        if "site" in given and not any(c.field == "location" for c in head.columns):
            # The site is named: what stands over each table is a part of it.
            groups = [g._replace(field="location") if g.field == "site" else g for g in groups]
        if "outlet" in given:
            groups = [g._replace(field="location") if g.field == "outlet" else g for g in groups]
        if groups:
            notes.append(_side_by_side_note(grid, groups))
        parts = groups or [Group(head, grid.place(max(head.bottom, 0), 0), None, frozenset(), "")]
        begin = len(made)
        tables = 0
        for number, group in enumerate(parts):
            own = of_group(spec, groups, number) if groups else spec
            when = Given(group.place, group.when, str(group.when), "heading over a group of columns")
            more = {group.field: when} if group.field else {}
            skip = skipped(grid, groups, number, group.head.bottom + 1, stop) if groups else set()
            table = propose(Table(grid, group.head, stop, {**given, **more}, own, skip=skip))._replace(group=tables)
            # Parts of one table: what their columns say together, and one table of a layout file.
            tables += max(len(table.parts), 1)
            made.append(table if number == 0 else table._replace(passed=0))
        first, tests = made[begin], any(t.tests for t in made[begin:])
        if tests and not any(t.has("outlet") for t in made[begin:]):
            notes.append(_no_outlet_note(grid, head))
        if not tests:
            notes.append(grid.note("empty_readings", max(head.bottom, 0), 0, grid.name))
        made[begin] = first._replace(notes=[*notes, *first.notes])
    return made


def _names(grid: Grid, head: Head, stop: int) -> set[Any]:
    """The different cells in the column of outlets of a table."""
    at = next((c.at for c in head.columns if c.field == "outlet"), None)
    return {r[at] for r in grid.rows[head.bottom + 1 : stop] if r[at] is not None} if at is not None else set()


def _tubes_below(grid: Grid, first: int, stop: int) -> int:
    """The row below a gap that heads a list of tubes or instruments and ends the table; stop where there is none."""
    for row in range(first + 1, stop):
        if grid.is_blank(row - 1):
            texts = [v for v in grid.rows[row] if v is not None]
            if len(texts) <= _MOST_OF_A_TUBE and all(type(v) is str for v in texts):
                if any(map(tube_detail, texts)) or lists_of_things(grid, row, min(row + 2, stop)):
                    return row
    return stop


def _side_by_side_note(grid: Grid, groups: list[Group]) -> Note:
    place = groups[0].place
    what = ", ".join(shown(g.when) for g in groups if g.field)
    code = "side_by_side" if what else "side_by_side_alone"
    fields = {g.field for g in groups}
    if named := fields & {"site", "location", "outlet"}:
        code = {"site": "side_by_side_sites", "location": "side_by_side_places"}.get(
            named.pop(), "side_by_side_outlets"
        )
    row, column = grid.row_of(place.row or 0), grid.column_of(place.column or 0)
    return grid.note(code, row, column, groups[0].when or "", what=what, count=len(groups))


def _no_outlet_note(grid: Grid, head: Head) -> Note:
    """No column is the outlet: a column of different texts that nothing was read from may be."""
    read = {c.at for c in head.columns if c.field}
    body = grid.rows[head.bottom + 1 :]
    texts = [{r[at] for r in body if r[at] is not None} for at in range(grid.width)]
    at = next((c for c, some in enumerate(texts) if c not in read and len(some) > 1), -1)
    words = grid.line_words(at) if at >= 0 else 'column = "?"'
    row, column = max(head.bottom, 0), max(at, 0)
    return grid.note("no_outlet_column", row, column, grid.name, line=f"outlet = {{ {words} }}")


def _date_above(grid: Grid, first: int, stop: int, known: Collection[str], again: bool) -> dict[str, Given]:
    """The date (or month, or year) that stands alone in a row above a table, the nearest, or what its caption says."""
    for row in range(stop - 1, first - 1, -1):
        at, day = grid.alone(row)
        if is_date(day):
            return {"test_date": Given(grid.place(row, at), day, shown(day), "date above the table")}
        if row == stop - 1 and "test_date" in (said := caption(grid, row, known, again)):
            return said
    return {}


def _region(grid: Grid, found: list[Head], i: int) -> int:
    """The first row above a heading that belongs to its table and not to the one before."""
    if i == 0:
        return 0
    head, before = found[i], found[i - 1]
    least = 1 + max(before.bottom, *before.again, 0)
    row = head.top
    gap = labelled = row
    while row > least:
        title = grid.alone(row - 1)[1]
        if grid.is_blank(row - 1):
            gap = row - 1
        elif labels_alone(grid, row - 1) or row == head.top and "test_date" in caption(grid, row - 1, ()):
            labelled = row - 1 if labelled == row else labelled
        elif type(title) is not str or len(title) > _LONGEST_TITLE:
            break
        row -= 1
    return min(gap, labelled)


def _titles(grid: Grid, found: list[Head], regions: list[int]) -> list[tuple[int, int, str]]:
    """The title above each of several tables, where they all have one and all differ; else none."""
    if len(found) < 2:
        return []
    made: list[tuple[int, int, str]] = []
    for head, begin in zip(found, regions):
        lone = ((row, *grid.alone(row)) for row in range(head.top - 1, begin - 1, -1))
        title = next(((row, at, v.strip()) for row, at, v in lone if type(v) is str and ":" not in v), None)
        if title is None:
            return []
        made.append(title)
    return made if len({text for _, _, text in made}) == len(made) else []
