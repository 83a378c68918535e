"""Tables side by side: the same headings come again under 2024, 2025 ... or under the outlets' names beside a column of
days, years stand under each heading, or two whole tables, each with its own outlets, stand beside each other."""

from __future__ import annotations

from typing import Any, NamedTuple

from grader.problems import Place
from grader.read.layout_spec import TableSpec
from grader.read.shapes.grid import Grid
from grader.read.shapes.heads import Head
from grader.read.shapes.sections import is_name
from grader.read.shapes.tables import whole
from grader.read.words.dates import date_within, is_when
from grader.read.words.labels import NUMBERS, READINGS, Column, column, label
from grader.read.words.spelling import key
from grader.read.words.unclear import classes_of


class Group(NamedTuple):
    """One of several tables side by side: its headings with what all have in common, what stands over it, columns.

    field : what the text over it says: "test_date", "site", "outlet", or "" where nothing stands there.
    """

    head: Head
    place: Place
    when: Any
    own: frozenset[int]
    field: str = "test_date"


def side_by_side(grid: Grid, head: Head) -> list[Group]:
    """The groups of a heading whose fields come again for each year or visit; [] where they do not."""
    groups = _whole_tables(grid, head) or _above(grid, head) or _below(grid, head) or _named(grid, head)
    made = []
    for group in groups:
        others = [c._replace(kind="ignored") for g in groups if g is not group for c in g.head.columns if c.at in g.own]
        columns = sorted([*group.head.columns, *others], key=lambda c: c.at)
        made.append(group._replace(head=group.head._replace(columns=columns)))
    return made


def _whole_tables(grid: Grid, head: Head) -> list[Group]:
    """Tables beside each other, each from its own column of outlets to the next one's."""
    starts = [c.at for c in head.columns if c.field == "outlet"]
    if len(starts) < 2 or min(c.at for c in head.columns) < starts[0]:
        return []
    parts = [
        [c for c in head.columns if start <= c.at and not any(start < s <= c.at for s in starts)] for start in starts
    ]
    fields = [[c.field for c in part if c.field] for part in parts]
    if any(len(set(f)) < len(f) or READINGS.isdisjoint(f) for f in fields):
        return []
    made = []
    for start, part in zip(starts, parts):
        stop = next((s for s in starts if s > start), len(grid.rows[0]))
        row, at, text = _over(grid, head.top, start, stop)
        field = "" if text is None else "test_date" if is_when(text) else "site"
        group = _group(grid, head, [], part, max(row, 0), max(at, 0))
        made.append(group._replace(when=whole(text), field=field))
    return made


def _over(grid: Grid, top: int, start: int, stop: int) -> tuple[int, int, Any]:
    """(row, column, value) of the one entry over a group of columns, in the nearest row that has any; (-1, -1, None)."""
    for row in range(top - 1, max(top - 4, -1), -1):
        filled = [(at, v) for at, v in grid.filled(row) if start <= at < stop]
        if filled:
            return (row, *filled[0]) if len(filled) == 1 else (-1, -1, None)
    return -1, -1, None


def _above(grid: Grid, head: Head) -> list[Group]:
    """Years in the first row of the headings, or in the row above them, each over its own columns."""
    fields = [c.field for c in head.columns if c.field in READINGS or c.field in NUMBERS]
    if len(set(fields)) == len(fields):
        return []
    for row in (head.top, head.top - 1):
        if row < 0:
            continue
        cells = grid.rows[row]
        starts = [at for at, v in enumerate(cells) if is_when(v, rounds=True)]
        if len(starts) < 2 or len({whole(cells[at]) for at in starts}) < len(starts):
            continue
        all_fields = [c.field for c in head.columns]
        once = {f for f in all_fields if f and all_fields.count(f) == 1}
        parts: dict[int, list[Column]] = {at: [] for at in starts}
        common: list[Column] = []
        known = {c.at for c in head.columns}
        for at in range(starts[0]):
            if at not in known and type(cells[at]) is str:
                common.append(column(at, cells[at]))
        for c in head.columns:
            start = max((at for at in starts if at <= c.at), default=-1)
            if start < 0 or c.field in once and c.field not in READINGS:
                if not (c.at in starts and c.text == str(cells[c.at])):
                    common.append(c)
            else:
                parts[start].append(c)
        if any(len({c.field for c in p if c.field}) < sum(bool(c.field) for c in p) for p in parts.values()):
            return []
        return [_group(grid, head._replace(top=min(row, head.top)), common, parts[at], row, at) for at in starts]
    return []


def _below(grid: Grid, head: Head) -> list[Group]:
    """Years in the row below the headings, several under each."""
    row = head.bottom + 1
    if row >= len(grid.rows):
        return []
    cells = grid.rows[row]
    starts = [at for at, v in enumerate(cells) if v is not None]
    whens = list(dict.fromkeys(whole(cells[at]) for at in starts))
    covered = {c.at for c in head.columns}
    if len(whens) < 2 or not all(is_when(cells[at]) for at in starts) or covered.issuperset(starts):
        return []
    over: dict[int, Column] = {}
    for at in starts:
        mine = [c for c in head.columns if c.at <= at]
        if not mine or any(b not in starts for b in range(mine[-1].at, at)):
            return []
        over[at] = mine[-1]
    if not any(c.field for c in over.values()):
        return []
    used = {c.at for c in over.values()}
    common = [c for c in head.columns if c.at not in used]
    parts = [[at for at in starts if whole(cells[at]) == when] for when in whens]
    head = head._replace(bottom=row)
    return [_group(grid, head, common, [over[at]._replace(at=at) for at in own], row, own[0]) for own in parts]


def _named(grid: Grid, head: Head) -> list[Group]:
    """The same headings under the name of each outlet, in a row of its own, beside one column of days."""
    fields, below = {c.field for c in head.columns}, grid.rows[head.bottom]
    for row in (head.top, head.top - 1) if "test_date" in fields and "outlet" not in fields else ():
        names = {at: v for at, v in grid.filled(row) if below[at] is not None and below.count(below[at]) > 1}
        width = next((b - a for a, b in zip(names, [*names][1:])), 0) if row not in (-1, head.bottom) else 0
        alike = width > 1 and len({tuple(below[at : at + width]) for at in names}) == 1
        if (
            not alike
            or len({key(str(v)) for v in names.values()}) < len(names)
            or not all(map(_is_outlet, names.values()))
        ):
            continue
        own = {at: [c for c in head.columns if at <= c.at < at + width] for at in names}
        common = [c for c in head.columns if not any(c in mine for mine in own.values())]
        return [
            Group(
                head._replace(top=row, columns=sorted([*common, *own[at]], key=lambda c: c.at)),
                grid.place(row, at),
                name,
                frozenset(range(at, at + width)),
                "outlet",
            )
            for at, name in names.items()
        ]
    return []


def _is_outlet(text: Any) -> bool:
    """Whether what stands over a group of columns can be an outlet's name: no visit, second reading or instrument."""
    known = label(text)
    named = is_name(text) and classes_of(text).isdisjoint(("instrument", "cal", "sampl", "time"))
    return named if known is None else known.heading.candidates[:1] == ("outlet",)


def _group(grid: Grid, head: Head, common: list[Column], own: list[Column], row: int, at: int) -> Group:
    # A date of all groups would be that of one: it is not used.
    shared = [c._replace(kind="unknown") if c.field == "test_date" else c for c in common]
    columns = sorted([*shared, *own], key=lambda c: c.at)
    when = whole(grid.rows[row][at])
    if type(when) is str:
        when = date_within(when) or when
    field = "" if any(c.field == "test_date" for c in own) else "test_date"
    return Group(head._replace(columns=columns), grid.place(row, at), when, frozenset(c.at for c in own), field)


def skipped(grid: Grid, groups: list[Group], index: int, first: int, stop: int) -> set[int]:
    """Positions of the rows in which a group has no reading; one without any belongs to the last group."""
    rows = range(first, min(stop, len(grid.rows)))
    filled = [{r for r in rows if any(grid.rows[r][at] is not None for at in g.own)} for g in groups]
    rest = set(rows) - set().union(*filled)
    return set(rows) - filled[index] - (rest if index == len(groups) - 1 else set())


def of_group(spec: TableSpec | None, groups: list[Group], index: int) -> TableSpec | None:
    """What a layout file says of one group: what it says of another group's columns is left out."""
    if spec is None:
        return None
    own = groups[index].own
    others = frozenset().union(*(g.own for i, g in enumerate(groups) if i != index)) - own
    fields, constants = {f: s for f, s in spec.fields.items() if s.column not in others}, dict(spec.constants)
    for said in spec.groups:
        if any(map(said.has_column, own)):
            fields.update(said.fields)
            constants.update(said.constants)
    return spec._replace(fields=fields, constants=constants)
