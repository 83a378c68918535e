"""Forms: one test (or a few blocks) a sheet, each label with its value beside or below."""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter
from collections.abc import Sequence
from itertools import takewhile
from typing import Any

from grader.problems import Unreadable, a1
from grader.read.layout_spec import TableSpec, within
from grader.read.settle import are_verdicts, own_verdict
from grader.read.shapes.grid import Cell, Grid
from grader.read.shapes.labelled import Pair, is_of_words, labelled_unit
from grader.read.shapes.needed import Limit, reading_of
from grader.read.shapes.pairs import pairs
from grader.read.shapes.proposal import Proposal, Where
from grader.read.shapes.tables import Note, shown, unread
from grader.read.words.dates import YEAR
from grader.read.words.labels import (
    NO_READING,
    NUMBERS,
    READINGS,
    SHARED,
    VISIT,
    Column,
    column,
    first_of_names,
    inline,
    is_limit_text,
    is_limit_word,
    is_unit,
    kind_of,
    label,
    looks_like_value,
    loose_label,
    may_be_reading,
    stated_by_layout,
)
from grader.read.words.spelling import key

_LEAST_FIELDS = 3
_LEAST_OF_EMPTY = 6  # labels of a form that is not filled in
_LONGEST_VALUE = 60
# Column -> (row of a heading such as Limit or Reading, the row that ends what it says, its kind), top to bottom.
Headings = dict[int, list[tuple[int, int, str]]]
_MOST_NAMED = 8  # cells listed in the note on what is left over


def proposals(grid: Grid, spec: TableSpec | None = None) -> list[Proposal]:
    """The tests of a sheet that is a form; none where it holds too few labels, or no reading among them."""
    columns = _headed(grid)
    heads = {(row, at) for at, kinds in columns.items() for row, _, _ in kinds}
    labels = [p for p in pairs(grid, 0, len(grid.rows)) if (p.row, p.column) not in heads]
    found = [_value_beside(grid, p, columns) for p in labels]
    found += _second_readings(grid, found, columns)
    found += _loose(grid, found, columns)
    found = sorted((p for p in found if _inside(grid, p.row, p.column, spec)), key=lambda p: (p.row, p.column))
    notes: list[Note] = []
    if spec is None or not spec.is_form:
        found = _with_outlet(grid, found, notes)
    if spec is not None:
        found = _stated(grid, found, spec, notes)
    fields = {p.label.field for p in found if p.label.field}
    stated = spec is not None and spec.is_form
    if not found or not stated and (len(fields) < _LEAST_FIELDS or not fields & READINGS or not _is_filled_in(found)):
        return []
    made = [
        _propose(grid, block, spec)._replace(heads=heads, sides=sides, limits=_limits(grid, block, columns))
        for block, heads, sides in _blocks(grid, found)
    ]
    filled = [p for p in made if p.tests]
    if not filled:
        first = found[0]
        notes.append(grid.note("empty_readings", first.row, first.column, first.label.text))
    made = filled or made[:1]
    said, missed = _left_over(grid, found, columns, spec)
    made[0] = made[0]._replace(notes=[*made[0].notes, *notes, *said], missed=missed)
    return made


def _is_filled_in(found: list[Pair]) -> bool:
    """Whether labels have values such as a form has, and not the sentences of a page that explains them."""
    values = [p.value for p in found if p.value is not None]
    if sum(type(v) is str and len(v) > _LONGEST_VALUE for v in values) * 4 > len(values):
        return False
    readings = [p.value for p in found if p.label.field in READINGS & NUMBERS and p.value is not None]
    if not readings:
        return len({p.label.field for p in found}) >= _LEAST_OF_EMPTY
    return sum(type(v) is not str or may_be_reading(v) for v in readings) * 2 >= len(readings)


# ------------------------------------------------------------------------------------- columns with headings


def _headed(grid: Grid) -> Headings:
    """The headings that tell columns of readings from those of limits, units, verdicts, earlier figures."""
    made: Headings = {}
    blank = [row for row in range(len(grid.rows)) if grid.is_blank(row)] + [len(grid.rows)]
    for row, cells in enumerate(grid.rows):
        texts = {at: v for at, v in enumerate(cells) if type(v) is str and len(v) <= _LONGEST_VALUE}
        kinds = {at: kind for at, v in texts.items() if (kind := _kind(v))}
        # One such word alone may be a value ("pass") or a label; two in a row head columns.
        if len(kinds) < 2:
            continue
        for at, kind in (
            kinds | {at: "second" for at, v in texts.items() if at not in kinds and _is_second(v)}
        ).items():
            below = [v for cells in grid.rows[row + 1 : row + 12] if (v := cells[at]) is not None]
            if kind == "value" and below and are_verdicts(below):
                kind = "verdict"  # "Result" over a column of verdicts
            if kind != "parameter":
                made.setdefault(at, []).append((row, next(b for b in blank if b > row), kind))
    return made


def _kind(text: str) -> str | None:
    known = kind_of(text)
    if known is None and (found := label(text)) is not None and found.field == "rule_set":
        return "limit"  # "Standard" over the figures of one
    return known


def _is_second(text: str) -> bool:
    """Whether a heading among those of columns names a second reading: Repeat, Peak, Second sample, Other meter."""
    known = column(-1, text)
    return not known.field and known.kind != "note" and not is_unit(text) and not YEAR.search(text)


def _over(columns: Headings, row: int, at: int) -> tuple[int, int, str]:
    """The nearest heading over a cell."""
    return next((heading for heading in reversed(columns.get(at, [])) if heading[0] < row), (-1, -1, ""))


def _kind_at(columns: Headings, row: int, at: int) -> str:
    """What the column is headed as at a row; a blank row ends what headings say."""
    _, stop, kind = _over(columns, row, at)
    return kind if row < stop else ""


def _value_beside(grid: Grid, pair: Pair, columns: Headings) -> Pair:
    """A label's value where several cells stand beside it: the one headed Reading; limits and earlier figures are none.

    Two figures that nothing tells apart are both kept, unread.
    """
    if pair.where != "beside":
        return pair
    cells = grid.rows[pair.row]
    labels = (at for at in range(pair.column + 1, grid.width) if at != pair.value_column and _is_label(cells, at))
    kinds = {at: _kind_at(columns, pair.row, at) for at in range(pair.column + 1, next(labels, grid.width))}
    units = {at for at in kinds if is_unit(cells[at]) and not is_of_words(pair.label)}
    pair = pair._replace(label=labelled_unit(pair.label, next((cells[at] for at in sorted(units)), None)))
    filled = {at: kind for at, kind in kinds.items() if cells[at] is not None and at not in units}
    headed = [at for at, kind in kinds.items() if kind == "value"]
    if headed:
        return _of(pair, cells, [at for at in headed if at in filled] or headed[:1])
    if pair.value is None:
        return pair
    free = [at for at, kind in filled.items() if kind not in NO_READING and not are_verdicts([cells[at]])]
    if pair.label.field in NUMBERS:
        free = [at for at in free if not is_limit_text(cells[at])] or free
    if pair.value_column in free:  # only figures that follow each other are of one label
        run = [at for i, at in enumerate(free, pair.value_column) if at == i and looks_like_value(cells[at])]
        free = run if pair.value_column in run else [pair.value_column]
    return _of(pair, cells, free)


def _of(pair: Pair, cells: Sequence[Any], columns: list[int]) -> Pair:
    """A label with the value in one of some columns; of several figures none is read."""
    if not columns:
        return pair._replace(value=None)
    several = len(columns) > 1 and pair.label.field in NUMBERS
    value = unread((cells[at] for at in columns), "several") if several else cells[columns[0]]
    return pair._replace(value_column=columns[0], value=value)


def _second_readings(grid: Grid, found: list[Pair], columns: Headings) -> list[Pair]:
    """Figures beside a reading under a heading such as Repeat or Peak: a second reading of it, judged both ways."""
    used, made = _used(found), []
    for row, column_at, known, _, _, value, where in found:
        if known.field not in READINGS & NUMBERS or where != "beside" or isinstance(value, Unreadable):
            continue
        heading = known.heading._replace(
            field=None, candidates=(known.field,), told=known.heading.unit, why="a second reading"
        )
        for at in range(column_at + 1, grid.width):
            (top, _, kind), second = _over(columns, row, at), grid.rows[row][at]
            if kind == "second" and (row, at) not in used and looks_like_value(second):
                text = f"{known.text} / {grid.rows[top][at]}"
                made.append(Pair(row, at, Column(-1, text, "unclear", heading), row, at, second, "beside"))
    return made


def _limits(grid: Grid, found: list[Pair], columns: Headings) -> list[Limit]:
    """Cells beside a flow or line pressure that are headed as limits, or say least or most."""
    used, made = _used(found), list[Limit]()
    for p in (p for p in found if p.where == "beside" and reading_of(p.label)):
        for at in range(p.column + 1, grid.width):
            cell, kind = grid.rows[p.row][at], _kind_at(columns, p.row, at)
            if (p.row, at) in used and at != p.value_column:
                break  # the next label
            over = str(grid.rows[_over(columns, p.row, at)[0]][at]) if kind == "limit" else ""
            if (p.row, at) not in used and (kind == "limit" or not kind and is_limit_text(cell)):
                made.append(Limit(p.label, [cell], grid.place(p.row, at), over))
    return made


def _loose(grid: Grid, found: list[Pair], columns: Headings) -> list[Pair]:
    """Labels that are not listed, each with a value at its right: what its words and units say that it could be."""
    used = _used(found) | {(row, at) for at, kinds in columns.items() for row, _, _ in kinds}
    rows = {p.row for p in found}
    low, high = min(rows, default=0), max(rows, default=-1)
    made = []
    for row in range(max(low - 1, 0), min(high + 4, len(grid.rows))):
        cells = grid.rows[row]
        for at, text in enumerate(cells[:-1]):
            if type(text) is not str or (row, at) in used or len(text) > _LONGEST_VALUE:
                continue
            left = cells[at - 1] if at else None
            value_at = next((c for c in range(at + 1, min(at + 4, grid.width)) if cells[c] is not None), -1)
            if value_at < 0 or left is not None and not looks_like_value(left) and not is_unit(left):
                continue
            known = loose_label(text, _unit_behind(cells, at))
            if known is None:
                continue
            pair = _value_beside(grid, Pair(row, at, known, row, value_at, cells[value_at], "beside"), columns)
            if pair.value is not None and (row, pair.value_column) not in used:
                used |= {(row, at), (row, pair.value_column)}
                made.append(pair)
    return made


def _with_outlet(grid: Grid, found: list[Pair], notes: list[Note]) -> list[Pair]:
    """The labels, of which one that may name the outlet in other words does, where none does surely: "Helmet point | H 3"."""
    weak = [p for p in found if p.label.weak and p.label.heading.candidates == ("outlet",) and type(p.value) is str]
    same = [p for p in weak if key(p.label.text) == key(weak[0].label.text)]
    if not same or any(p.label.field == "outlet" for p in found) or len({key(p.value) for p in same}) < len(same):
        return found
    at, line = same[0], f'outlet = {{ cell = "{grid.address(same[0].value_row, same[0].value_column)}" }}'
    notes.append(grid.note("outlet_guessed", at.row, at.column, at.label.text, line=line))
    return [p._replace(label=first_of_names(-1, p.label.text)) if p in same else p for p in found]


def _is_label(cells: Sequence[Any], at: int) -> bool:
    """Whether a cell beside a label and its value is the next label: one that is listed, or is not and has a figure behind it."""
    if label(cells[at]) is not None:
        return True
    behind = next((v for v in cells[at + 1 :] if v is not None), None)
    named = looks_like_value(behind) and not is_unit(behind) and not is_unit(cells[at]) and not is_limit_text(cells[at])
    return named and loose_label(cells[at], _unit_behind(cells, at)) is not None


def _unit_behind(cells: Sequence[Any], at: int) -> str:
    """The unit of the figures behind a text, as far as the next text that is neither; "" where there is none."""
    run = takewhile(
        lambda v: v is None or looks_like_value(v) or is_unit(v) or may_be_reading(v) or is_limit_text(v),
        cells[at + 1 :],
    )
    return next(filter(is_unit, run), "")


def _used(found: list[Pair]) -> set[Cell]:
    """The cells of labels and of their values."""
    return {(p.value_row, p.value_column) for p in found} | {(p.row, p.column) for p in found}


def _stated(grid: Grid, found: list[Pair], spec: TableSpec, notes: list[Note]) -> list[Pair]:
    """The labels as the layout file has them: a field's cell, or a unit."""
    made, how = list(found), f"layout file {spec.source}"
    for field, said in spec.fields.items():
        old = [p for p in made if p.label.field == field]
        unit = said.unit or None
        if said.row >= 0 and said.column >= 0:
            row, at = grid.row_of(said.row), grid.column_of(said.column)
            if row >= len(grid.rows) or at >= grid.width:
                cell = a1(said.row, said.column)
                notes.append(spec.misfit(grid.name, f"{field}: the sheet has no cell {cell}", cell))
                continue
            here = [p for p in made if (p.value_row, p.value_column) == (row, at) and p.label.heading.basis != "layout"]
            made = [p for p in made if p not in old and p not in here]
            stated = stated_by_layout(-1, old[0].label.text if old else "", field, unit, spec.source)
            text = grid.rows[row][at]
            inside = inline(text)  # "Site: North yard" in one cell
            facts = [p.value for p in found if p.label.field == field and p.where == "inside" and p[:2] == (row, at)]
            value = facts[0] if facts else inside[1] if inside else text  # or in a sentence
            made.append(Pair(row, at, stated, row, at, value, "beside"))
        elif unit and old:
            made = [
                p._replace(label=p.label._replace(heading=p.label.heading._replace(unit=unit), how=how))
                if p in old
                else p
                for p in made
            ]
        else:
            notes.append(spec.misfit(grid.name, f'{field}: in a form a field needs cell = "..."'))
    return sorted(made, key=lambda p: (p.row, p.column))


# ------------------------------------------------------------------------------------------ several on a sheet


def _inside(grid: Grid, row: int, column: int, spec: TableSpec | None) -> bool:
    """Whether a cell lies where a layout file says that the form does."""
    if spec is None:
        return True
    at = grid.cell(row, column)
    return within(at[0], spec.first_row, spec.last_row) and within(at[1], spec.first_column, spec.last_column)


def _blocks(grid: Grid, found: list[Pair]) -> list[tuple[list[Pair], tuple[int, int], tuple[int, int]]]:
    """The labels of each form on a sheet, its first and last row and column. What stands once above several holds for all."""
    anchors = _anchors(found)
    if len(anchors) < 2:
        return [(found, (-1, -1), (-1, -1))]
    bands: dict[int, set[int]] = {}  # row -> columns of the forms beside each other
    for a in anchors:
        bands.setdefault(a.row, set()).add(a.column)
    rows = [p.row for p in found]
    count = Counter(map(_name, found))

    def between(first: int, stop: int) -> list[Pair]:
        return found[bisect_left(rows, first) : bisect_left(rows, stop)]

    # Labels that come again above each form's outlet are its own: site, date.
    lead = {n for n in map(_name, between(0, min(bands))) if count[n] >= len(bands)} - {"outlet"}
    starts = []
    for before, row in zip([-1, *bands], bands):
        here = between(before + 1, row)
        last = max((p.row for p in here if p.label.field in READINGS - lead), default=before)
        starts.append(min([row, *(p.row for p in here if last < p.row and _name(p) in lead)]))
    blocks = []
    shared = between(0, starts[0])
    for columns, start, end in zip(bands.values(), starts, [*starts[1:], len(grid.rows)]):
        edges = sorted(columns)
        for left, right in zip([0, *edges[1:]], [*edges[1:], grid.width]):
            own = [p for p in between(start, end) if left <= p.column < right]
            known = {p.label.field for p in own}
            all_of_it = [*(_of_all(p) for p in shared if p.label.field not in known), *own]
            sides = (grid.inner[left], grid.inner[right - 1]) if len(edges) > 1 else (-1, -1)
            blocks.append((all_of_it, (grid.outer[start], grid.outer[end - 1]), sides))
    return blocks


def _name(pair: Pair) -> str:
    return pair.label.field or pair.label.text


def _anchors(found: list[Pair]) -> list[Pair]:
    """The label that begins each form: Outlet; where no form has one, the first of the labels that come again."""
    count = Counter(p.label.field for p in found if p.label.field)
    times = max(count[f] for f in READINGS)
    first = "outlet" if "outlet" in count else next((f for f, n in count.items() if n == times > 1), None)
    last = max((p.row for p in found if p.label.field in READINGS), default=-1)
    anchors = [p for p in found if p.label.field == first]
    return [p for p in anchors if p.row <= last] or anchors


def _of_all(pair: Pair) -> Pair:
    """A reading before the first of several outlets belongs to none of them for certain."""
    if pair.label.field in SHARED or pair.value is None:
        return pair
    return pair._replace(value=Unreadable(shown(pair.value), "several"))


def _line(at: int, pair: Pair) -> Column:
    """The line of a proposal that a label makes."""
    known = own_verdict(pair.label._replace(at=at), [pair.value])
    if isinstance(pair.value, Unreadable) and pair.value.why == "several":
        return known._replace(heading=known.heading._replace(sure="unsure"), how="not read: several figures")
    return known._replace(how=f"label: {known.how}")


def _propose(grid: Grid, block: list[Pair], spec: TableSpec | None) -> Proposal:
    lines = [c for at, p in enumerate(block) if (c := _line(at, p)).kind in ("field", "unclear", "substance")]
    values = {c.at: [block[c.at].value] for c in lines}
    spots = [(p.value_row, p.value_column) for p in block]
    is_test = any(values[c.at][0] is not None and c.field not in VISIT and c.field != "remarks" for c in lines)
    named = sorted((c for c in lines if "outlet" in c.heading.candidates), key=lambda c: not c.field)
    outlet = next((c.at for c in (*named, *lines)), -1)
    return Proposal(
        "form",
        grid,
        lines,
        values if is_test else {at: [] for at in values},
        [grid.cell(*spots[outlet])] if is_test else [],
        Where(
            grid.name,
            lambda i: grid.address(*spots[i]),
            lambda i: grid.place(*spots[i]),
            lambda i: f'cell = "{grid.address(*spots[i])}"',
        ),
        lambda line, test: spots[line],
        spec=spec,
    )


def _numbers(text: Any, value: float) -> bool:
    """Whether a figure beside a text is a running number: "Prüfung Nr. | 3"."""
    last = text.split()[-1] if type(text) is str and text.strip() else ""
    return value == int(value) and len(last) > 1 and kind_of(last.rstrip(":")) == "number"


def _left_over(grid: Grid, found: list[Pair], columns: Headings, spec: TableSpec | None) -> tuple[list[Note], int]:
    """One note that names the figures which no label claims, and how many they are."""
    used = _used(found)
    several = {p.row for p in found if isinstance(p.value, Unreadable)}
    cells = []
    for row, values in enumerate(grid.rows):
        figures = [
            at
            for at, value in enumerate(values)
            if type(value) in (int, float) and (row, at) not in used and _inside(grid, row, at, spec)
            if not at or not _numbers(values[at - 1], value)
        ]
        if not figures or row in several or any(is_limit_word(v) for v in values if type(v) is str):
            continue
        cells += [(row, at, values[at]) for at in figures if _kind_at(columns, row, at) not in NO_READING]
    if not cells:
        return [], 0
    names = ", ".join(grid.address(r, c) for r, c, _ in cells[:_MOST_NAMED])
    more = f" and {len(cells) - _MOST_NAMED} more" if len(cells) > _MOST_NAMED else ""
    row, at, value = cells[0]
    return [grid.note("form_left_over", row, at, value, cells=names + more)], len(cells)
