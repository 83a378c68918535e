"""Forms: one test (or a few blocks) a sheet, each label with its value beside or below."""

from __future__ import annotations

from grader.problems import Place, Table, Unreadable, a1
from grader.read.layout_spec import TableSpec
from grader.read.shapes.columns import NUMBERS, READINGS, Where, read_fields, through_percent
from grader.read.shapes.down import Made
from grader.read.shapes.pairs import Pair, pairs
from grader.read.shapes.tables import Note, Sheet, is_blank, number_of, position_of, shown, tidied
from grader.read.words.heading_words import key, reading_words
from grader.read.words.headings import CERTAIN, Heading
from grader.read.words.labels import (
    SHARED,
    VISIT,
    Column,
    is_limit_word,
    is_placeholder,
    is_unit,
    kind_of,
    label,
    looks_like_value,
)

_LEAST_FIELDS = 3
_LEAST_OF_EMPTY = 6  # labels of a form that is not filled in
_LONGEST_VALUE = 60
_KINDS = ("limit", "verdict", "value", "unit", "number")
_MOST_NAMED = 8  # cells listed in the note on what is left over


def read_form(sheet: Sheet, spec: TableSpec | None = None) -> Made | None:
    """Read a sheet that is a form; None where it holds too few labels, or no reading among them."""
    columns = _headed(sheet)
    found = [_by_columns(sheet, p, columns) for p in pairs(sheet, 0, len(sheet.rows))]
    notes: list[Note] = []
    if spec is not None:
        found = _stated(sheet, found, spec, notes)
    fields = {p.label.field for p in found if p.label.field}
    stated = spec is not None and (
        spec.orientation == "form" or any(s.row >= 0 and s.column >= 0 for s in spec.fields.values())
    )
    if not stated and (len(fields) < _LEAST_FIELDS or not fields & READINGS or not _is_filled_in(found)):
        return None
    shared, blocks = _blocks(found)
    # A reading before the first of several outlets belongs to none of them for certain.
    shared = [
        p if p.label.field in SHARED or p.value is None else p._replace(value=Unreadable(shown(p.value), "several"))
        for p in shared
    ]
    tables: list[Table] = []
    rows = 0
    for block in blocks:
        table, said, is_test = _read_block(sheet, [*shared, *block], spec)
        notes += said
        if is_test:
            tables.append(table)
            rows += 1
    if not rows:
        first = found[0]
        notes.append(
            Note("empty_readings", sheet.name, a1(number_of(sheet, first.row), first.column), first.label.text, {})
        )
        tables.append(table._replace(rows=[], across=[], columns={f: [] for f in table.columns}))
    notes += _left_over(sheet, found, columns)
    return Made(tables, notes, rows, 0)


def _is_filled_in(found: list[Pair]) -> bool:
    """Whether labels have values such as a form has, and not the sentences of a page that explains them."""
    values = [p.value for p in found if p.value is not None]
    if sum(type(v) is str and len(v) > _LONGEST_VALUE for v in values) * 4 > len(values):
        return False
    readings = [p.value for p in found if p.label.field in READINGS & NUMBERS and p.value is not None]
    if not readings:
        return len({p.label.field for p in found}) >= _LEAST_OF_EMPTY
    return sum(type(v) is not str or _reads(v) for v in readings) * 2 >= len(readings)


def _reads(text: str) -> bool:
    return looks_like_value(text) or key(text) in reading_words() or is_placeholder(text)


def _headed(sheet: Sheet) -> dict[int, list[tuple[int, str]]]:
    """Column -> (row of a heading such as Limit, Reading, Unit; its kind), top to bottom."""
    made: dict[int, list[tuple[int, str]]] = {}
    for row, cells in enumerate(sheet.rows):
        kinds = {at: kind_of(v) for at, v in enumerate(cells) if type(v) is str and len(v) <= 60}
        known = {at: k for at, k in kinds.items() if k in _KINDS}
        # One such word alone may be a value ("pass") or a label; two in a row head columns.
        if len(known) + sum(k == "parameter" for k in kinds.values()) >= 2:
            for at, kind in known.items():
                made.setdefault(at, []).append((row, kind))
    return made


def _kind_at(columns: dict[int, list[tuple[int, str]]], row: int, at: int) -> str:
    return next((kind for top, kind in reversed(columns.get(at, [])) if top < row), "")


def _by_columns(sheet: Sheet, pair: Pair, columns: dict[int, list[tuple[int, str]]]) -> Pair:
    """A label's value where columns are headed Reading, Limit; two values without such headings are not read."""
    if pair.where != "beside":
        return pair
    cells = sheet.rows[pair.row]
    kinds = {at: _kind_at(columns, pair.row, at) for at in range(pair.column + 1, len(cells))}
    value_at = next((at for at, kind in kinds.items() if kind == "value"), None)
    if value_at is not None:
        return pair._replace(value_column=value_at, value=tidied(cells[value_at]))
    if pair.value is None:
        return pair
    several = [
        at
        for at in range(pair.value_column, len(cells))
        if kinds[at] not in ("limit", "verdict", "unit", "number")
        and not is_blank(cells[at])
        and not is_unit(cells[at])
    ]
    run = [at for i, at in enumerate(several) if at == pair.value_column + i]
    if kinds[pair.value_column] in ("limit", "verdict", "unit", "number"):
        rest = [at for at in several if at > pair.value_column]
        return pair._replace(
            value_column=rest[0] if rest else pair.value_column,
            value=tidied(cells[rest[0]]) if len(rest) == 1 else None,
        )
    beside = [at for at in run if at == pair.value_column or label(cells[at]) is None]
    if len(beside) > 1 and beside[1] == pair.value_column + 1 and (pair.label.field in NUMBERS):
        both = " / ".join(shown(cells[at]) for at in beside)
        return pair._replace(value=Unreadable(both, "several"))
    return pair


def _stated(sheet: Sheet, found: list[Pair], spec: TableSpec, notes: list[Note]) -> list[Pair]:
    """The labels as the layout file has them: a field's cell, or a unit."""
    made = list(found)
    for field, said in spec.fields.items():
        old = [p for p in made if p.label.field == field]
        unit = said.unit or None
        if said.row >= 0 and said.column >= 0:
            row, at = position_of(sheet, said.row), said.column
            if row >= len(sheet.rows) or at >= len(sheet.rows[0]):
                what = f"{field}: the sheet has no cell {a1(said.row, at)}"
                notes.append(Note("layout_mismatch", sheet.name, a1(said.row, at), spec.source, {"what": what}))
                continue
            made = [p for p in made if p not in old and (p.value_row, p.value_column) != (row, at)]
            heading = Heading(field, unit, "layout", CERTAIN, (field,), "", "heading" if unit else "")
            stated = Column(-1, old[0].label.text if old else "", "field", heading, f"layout file {spec.source}")
            made.append(Pair(row, at, stated, row, at, tidied(sheet.rows[row][at]), "beside"))
        elif unit and old:
            made = [
                p._replace(
                    label=p.label._replace(
                        heading=p.label.heading._replace(unit=unit), how=f"layout file {spec.source}"
                    )
                )
                if p in old
                else p
                for p in made
            ]
        else:
            notes.append(
                Note(
                    "layout_mismatch",
                    sheet.name,
                    "",
                    spec.source,
                    {"what": f'{field}: in a form a field needs cell = "..."'},
                )
            )
    return sorted(made, key=lambda p: (p.row, p.column))


def _blocks(found: list[Pair]) -> tuple[list[Pair], list[list[Pair]]]:
    """(labels that hold for all blocks, labels of each block); a block begins at its outlet."""
    anchors = [p for p in found if p.label.field == "outlet"]
    if len(anchors) < 2:
        return [], [found]
    blocks: list[list[Pair]] = [[] for _ in anchors]
    shared: list[Pair] = []
    for pair in found:
        over = [i for i, a in enumerate(anchors) if a.row <= pair.row and a.column <= pair.column]
        if over:
            blocks[max(over, key=lambda i: (anchors[i].row, anchors[i].column))].append(pair)
        else:
            shared.append(pair)
    return shared, blocks


def _read_block(sheet: Sheet, block: list[Pair], spec: TableSpec | None) -> tuple[Table, list[Note], bool]:
    columns = [p.label._replace(at=i) for i, p in enumerate(block)]
    cells = {i: [p.value] for i, p in enumerate(block)}

    def cell(i: int) -> str:
        return a1(number_of(sheet, block[i].value_row), block[i].value_column)

    where = Where(
        sheet.name,
        cell,
        lambda i: Place(sheet.name, number_of(sheet, block[i].value_row), block[i].value_column),
        lambda i: f'cell = "{cell(i)}"',
    )
    made = read_fields([c for c in columns if c.kind in ("field", "unclear")], cells, where)
    percents = set(sheet.percents)
    for field, place in made.places.items():
        if field in NUMBERS and (place.row, place.column) in percents and made.how[field][2] != "unsure":
            through_percent(made, field, 0)
    constants = dict(made.constants)
    how = {f: (text, f"label: {said}", sure) for f, (text, said, sure) in made.how.items()}
    for field, (value,) in made.values.items():
        if isinstance(value, Unreadable) and value.why in ("several", "twice"):
            how[field] = (how[field][0], "not read: several figures", "unsure")
    if spec is not None:
        constants.update({f: (Place(sheet.name, 0, 0), v) for f, v in spec.constants.items()})
        how.update(dict.fromkeys(spec.constants, ("", f"layout file {spec.source}", CERTAIN)))
    is_test = any(v[0] is not None for f, v in made.values.items() if f not in VISIT and f != "remarks")
    at = made.places.get("outlet") or next(iter(made.places.values()))
    table = Table(
        sheet.name,
        "form",
        made.places,
        constants,
        [at.row or 0],
        [at.column or 0],
        made.values,
        made.units,
        how,
        order=spec.order if spec else "",
    )
    return table, made.notes, is_test


def _left_over(sheet: Sheet, found: list[Pair], columns: dict[int, list[tuple[int, str]]]) -> list[Note]:
    """One note that names the figures which no label claims."""
    used = {(p.value_row, p.value_column) for p in found} | {(p.row, p.column) for p in found}
    rows = {p.row for p in found}
    cells = []
    for row, values in enumerate(sheet.rows):
        figures = [at for at, value in enumerate(values) if type(value) in (int, float) and (row, at) not in used]
        if not figures or any(is_limit_word(v) for v in values if type(v) is str):
            continue
        if row in rows and any(p.row == row and isinstance(p.value, Unreadable) for p in found):
            continue
        cells += [(row, at, values[at]) for at in figures if _kind_at(columns, row, at) not in ("limit", "number")]
    if not cells:
        return []
    names = ", ".join(a1(number_of(sheet, r), c) for r, c, _ in cells[:_MOST_NAMED])
    more = f" and {len(cells) - _MOST_NAMED} more" if len(cells) > _MOST_NAMED else ""
    row, at, value = cells[0]
    return [Note("form_left_over", sheet.name, a1(number_of(sheet, row), at), value, {"cells": names + more})]
