"""One sheet of a firm's own log -> its tables, tried in the order: one reading a row, tests as rows, as columns, a form."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from grader.problems import Place, Table, a1
from grader.read.layout_spec import TableSpec, overridden
from grader.read.shapes.across import read_across
from grader.read.shapes.banners import is_date
from grader.read.shapes.columns import NUMBERS
from grader.read.shapes.down import Block, Made, constants_of, read_down
from grader.read.shapes.form import read_form
from grader.read.shapes.groups import Group, of_group, side_by_side, skipped
from grader.read.shapes.heads import READINGS, Head, columns_of, head_at
from grader.read.shapes.long import read_long
from grader.read.shapes.pairs import pairs, shared_above
from grader.read.shapes.tables import Note, Sheet, is_blank, number_of, position_of, shown, tidied
from grader.read.words.labels import label, looks_like_value, may_be_heading

_LONGEST_TITLE = 60
_OUTLET = frozenset({"outlet"})


def read_sheet(sheet: Sheet, specs: list[TableSpec]) -> Made:
    """Read one sheet; without a table in it Made is empty.

    specs : what layout files say of it. Where one gives the row of the headings, only the tables that they
            describe are read; else they add to what is found.
    """
    if not specs:
        return _found(sheet, None)
    placed = [s for s in specs if _is_placed(s)]
    if not placed:
        made = _found(sheet, specs[0])
        return (
            made
            if made.tables
            else Made([], [*made.notes, _mismatch(sheet, specs[0], "no table was found on the sheet")], 0, 0)
        )
    total = Made([], [], 0, 0)
    down = sorted((s for s in placed if _is_down(s)), key=lambda s: max(s.heading_row, s.first_row))
    for made in (*(_placed(sheet, s) for s in placed if s not in down), *([_placed_down(sheet, down)] if down else [])):
        total = Made(
            [*total.tables, *made.tables],
            [*total.notes, *made.notes],
            total.rows_found + made.rows_found,
            total.passed_over + made.passed_over,
        )
    return total


def _is_down(spec: TableSpec) -> bool:
    return spec.orientation in ("", "down") and not any(f.row >= 0 for f in spec.fields.values())


def _is_placed(spec: TableSpec) -> bool:
    return (
        spec.heading_row >= 0
        or spec.first_row >= 0
        or spec.orientation in ("across", "form", "long")
        or any(f.row >= 0 for f in spec.fields.values())
    )


def _mismatch(sheet: Sheet, spec: TableSpec, what: str) -> Note:
    return Note("layout_mismatch", sheet.name, "", spec.source, {"what": f"table {spec.number}: {what}"})


def _placed(sheet: Sheet, spec: TableSpec) -> Made:
    """The table that a layout file places, where its tests are no rows."""
    cells = any(f.row >= 0 and f.column >= 0 for f in spec.fields.values())
    if spec.orientation == "form" or cells:
        made = read_form(sheet, spec)
    elif spec.orientation == "long":
        made = read_long(sheet, spec)
    else:
        made = read_across(sheet, spec._replace(orientation="across"))
    return made or Made([], [_mismatch(sheet, spec, "nothing on the sheet is built as it says")], 0, 0)


def _placed_down(sheet: Sheet, specs: list[TableSpec]) -> Made:
    """The tables that layout files place, top to bottom; each ends where the next begins, with its labels."""
    heads: list[tuple[Head, list[int]]] = []
    fits: list[TableSpec | None] = []
    notes: list[Note] = []
    for spec in specs:
        top = position_of(sheet, spec.heading_row)
        bottom = top + spec.heading_rows - 1 if top >= 0 else position_of(sheet, spec.first_row) - 1
        if bottom >= len(sheet.rows):
            row = spec.heading_row + spec.heading_rows if top >= 0 else spec.first_row + 1
            notes.append(_mismatch(sheet, spec, f"the sheet has no row {row}"))
            continue
        columns = columns_of(sheet, list(range(top, bottom + 1))[:3]) if top >= 0 else []
        heads.append((Head(max(top, 0), bottom, columns), []))
        fits.append(spec)
    for i, (head, again) in enumerate(heads):
        stop = heads[i + 1][0].top if i + 1 < len(heads) else len(sheet.rows)
        count = head.bottom - head.top + 1
        for row in range(head.bottom + 1, stop) if head.columns else ():
            if row not in again and _same(sheet, head, row):
                again.extend(range(row, row + count))
    made = _read_blocks(sheet, heads, fits)
    return made._replace(notes=[*notes, *made.notes])


def _found(sheet: Sheet, spec: TableSpec | None) -> Made:
    long = read_long(sheet, spec)
    if long is not None:
        return long
    heads = _heads(sheet)
    if _are_blocks_of_a_form(sheet, heads) and (form := read_form(sheet, spec)) is not None:
        return form
    if heads:
        return _read_blocks(sheet, heads, [spec] * len(heads))
    if len(sheet.rows) * len(sheet.rows[0]) > 2_000_000:
        return Made([], [], 0, 0)
    return read_across(sheet, spec) or read_form(sheet, spec) or Made([], [], 0, 0)


def _heads(sheet: Sheet) -> list[tuple[Head, list[int]]]:
    """Every heading on the sheet, top to bottom, each with the rows that repeat it."""
    found: list[tuple[Head, list[int]]] = []
    after = -1
    row = 0
    rows = sheet.rows
    suspects: set[int] | None = None
    while row < len(rows):
        if suspects is not None and row not in suspects:
            row += 1
            continue
        if found and _same(sheet, found[-1][0], row):
            head = found[-1][0]
            found[-1][1].extend(range(row, row + head.bottom - head.top + 1))
            row += head.bottom - head.top + 1
            continue
        here = head_at(sheet, row, after)
        if here is None:
            row += 1
            continue
        found.append((here, []))
        after = here.bottom
        row = here.bottom + 1
        suspects = _suspects(sheet, here)
    return found


def _are_blocks_of_a_form(sheet: Sheet, heads: list[tuple[Head, list[int]]]) -> bool:
    """Whether rows of headings are the labels of one form, each over a single row of values, none twice."""
    if len(heads) < 2 or any(again for _, again in heads) or sum("outlet" in h.fields for h, _ in heads) > 1:
        return False
    fields = [f for head, _ in heads for f in head.fields]
    if len(set(fields)) < len(fields):
        return False
    for i, (head, _) in enumerate(heads):
        stop = heads[i + 1][0].top if i + 1 < len(heads) else len(sheet.rows)
        filled = [r for r in range(head.bottom + 1, stop) if not all(is_blank(v) for v in sheet.rows[r])]
        below = filled[1:] if i + 1 == len(heads) else []  # a signature or a remark at the foot of the sheet
        if (
            filled[:1] != [head.bottom + 1]
            or len(filled) - len(below) != 1
            or not all(_is_text(sheet, r) for r in below)
        ):
            return False
    return True


def _is_text(sheet: Sheet, row: int) -> bool:
    filled = [v for v in sheet.rows[row] if not is_blank(v)]
    return len(filled) == 1 and type(filled[0]) is str and not looks_like_value(filled[0])


def _same(sheet: Sheet, head: Head, row: int) -> bool:
    """Whether the heading is repeated at a row (on a new page)."""
    count = head.bottom - head.top + 1
    return sheet.rows[row : row + count] == sheet.rows[head.top : head.bottom + 1]


def _suspects(sheet: Sheet, head: Head) -> set[int]:
    """Rows below a heading that may be another one: with texts like headings among the figures, or after a gap."""
    numbers = [c.at for c in head.columns if c.field in NUMBERS or c.kind == "unclear"]
    rows = sheet.rows
    found: set[int] = set()
    blank = False
    for row in range(head.bottom + 1, len(rows)):
        cells = rows[row]
        if cells.count("") + cells.count(None) == len(cells):
            blank = True
            continue
        hits = 0
        for at in numbers:
            value = cells[at]
            if type(value) is str and value and may_be_heading(value):
                hits += 1
        if hits >= 2 or (blank and sum(type(v) is str and may_be_heading(v) for v in cells) >= 2):
            found.add(row)
            found.add(row - 1)
        if cells == rows[head.top]:
            found.add(row)
        blank = False
    return found


def _read_blocks(sheet: Sheet, heads: list[tuple[Head, list[int]]], specs: Sequence[TableSpec | None]) -> Made:
    """The tables below their headings; specs: what a layout file says of each."""
    columns = list(zip(*sheet.rows))
    tables: list[Table] = []
    notes: list[Note] = []
    rows_found = passed = 0
    regions = [_region(sheet, heads, i) for i in range(len(heads))]
    titles = _titles(sheet, heads, regions)
    for i, ((head, again), spec) in enumerate(zip(heads, specs)):
        stop = regions[i + 1] if i + 1 < len(heads) else len(sheet.rows)
        groups = side_by_side(sheet, head)
        top = groups[0].head.top if groups else head.top
        # A sheet an outlet, its dates down the side: the outlet's name stands above.
        shared = shared_above(sheet, regions[i], top, frozenset() if "outlet" in head.fields else _OUTLET)
        notes += shared.notes
        constants, how = dict(shared.constants), dict(shared.how)
        if "test_date" not in constants and not any(c.field == "test_date" for c in head.columns):
            dated = _date_above(sheet, regions[i], top)
            if dated is not None:
                constants["test_date"] = dated
                how["test_date"] = (shown(dated[1]), "date above the table", "likely")
        if titles and "site" not in constants and not any(c.field == "site" for c in head.columns):
            row, at, text = titles[i]
            constants["site"] = (_place(sheet, row, at), text)
            how["site"] = (text, "title above the table", "likely")
            notes.append(
                Note(
                    "banner_guessed",
                    sheet.name,
                    a1(number_of(sheet, row), at),
                    text,
                    {"what": "site", "line": f'site = "{text}"'},
                )
            )
        parts = groups or [Group(head, _place(sheet, max(head.bottom, 0), 0), None, frozenset())]
        if groups:
            notes.append(_side_by_side_note(sheet, groups))
        begin, found = len(tables), 0
        for number, group in enumerate(parts):
            own = of_group(spec, groups, number) if groups else spec
            here, said = _with_layout(sheet, group.head, own) if own is not None else (group.head, [])
            notes += said
            more, understood = dict(constants), dict(how)
            if groups and group.field:
                more[group.field] = (group.place, group.when)
                understood[group.field] = (str(group.when), "heading over a group of columns", "likely")
            if own is not None:
                more.update(constants_of(own, sheet, head.bottom))
                understood.update(dict.fromkeys(own.constants, ("", f"layout file {own.source}", "certain")))
            skip = skipped(sheet, groups, number, here.bottom + 1, stop) if groups else ()
            block = Block(here, stop, again, more, understood, own, skip=frozenset(skip))
            made = read_down(sheet, columns, _clean, block)
            # Parts of one table: what their columns say together, and one table of a layout file.
            tables += [t._replace(parts_before=len(tables) - begin + n) for n, t in enumerate(made.tables)]
            # What is said of columns that all groups have is said once.
            notes += [n for n in made.notes if n not in notes]
            found += made.rows_found
            passed += made.passed_over if number == 0 else 0
        rows_found += found
        if found and not any("outlet" in t.places or "outlet" in t.constants for t in tables[begin:]):
            notes.append(_no_outlet_note(sheet, head))
        if not found:
            notes.append(
                Note("empty_readings", sheet.name, a1(number_of(sheet, max(head.bottom, 0)), 0), sheet.name, {})
            )
    return Made(tables, notes, rows_found, passed)


def _with_layout(sheet: Sheet, head: Head, spec: TableSpec) -> tuple[Head, list[Note]]:
    """The heading as a layout file has it, and what in the layout does not fit."""
    new, wrong = overridden(head.columns, spec)
    width = len(sheet.rows[0])
    wrong += [f"{c.field}: the sheet has no column {a1(0, c.at)[:-1]}" for c in new if c.at >= width]
    return head._replace(columns=[c for c in new if c.at < width]), [_mismatch(sheet, spec, w) for w in wrong]


def _side_by_side_note(sheet: Sheet, groups: list[Group]) -> Note:
    place = groups[0].place
    cell = a1(place.row or 0, place.column or 0)
    what = ", ".join(shown(g.when) for g in groups if g.field)
    code = "side_by_side" if what else "side_by_side_alone"
    if any(g.field == "site" for g in groups):
        code = "side_by_side_sites"
    return Note(code, sheet.name, cell, groups[0].when or "", {"what": what, "count": len(groups)})


def _no_outlet_note(sheet: Sheet, head: Head) -> Note:
    """No column is the outlet: a column of different texts that nothing was read from may be."""
    read = {c.at for c in head.columns if c.field}
    body = sheet.rows[head.bottom + 1 :]
    texts = [{r[at] for r in body if not is_blank(r[at])} for at in range(len(sheet.rows[0]))]
    at = next((c for c, some in enumerate(texts) if c not in read and len(some) > 1), -1)
    letter = a1(0, at)[:-1] if at >= 0 else "?"
    cell = a1(number_of(sheet, max(head.bottom, 0)), max(at, 0))
    return Note("no_outlet_column", sheet.name, cell, sheet.name, {"line": f'outlet = {{ column = "{letter}" }}'})


def _place(sheet: Sheet, row: int, at: int) -> Place:
    return Place(sheet.name, number_of(sheet, row), at)


def _clean(values: tuple[Any, ...]) -> list[Any]:
    return [tidied(v) for v in values]


def _date_above(sheet: Sheet, first: int, stop: int) -> tuple[Place, Any] | None:
    """The date (or month, or year) that stands alone in a row above a table, the nearest; None where there is none."""
    for row in range(stop - 1, first - 1, -1):
        filled = [(at, v) for at, v in enumerate(sheet.rows[row]) if not is_blank(v)]
        if len(filled) == 1 and is_date(filled[0][1]):
            return _place(sheet, row, filled[0][0]), filled[0][1]
    return None


def _region(sheet: Sheet, heads: list[tuple[Head, list[int]]], i: int) -> int:
    """The first row above a heading that belongs to its table and not to the one before."""
    head = heads[i][0]
    if i == 0:
        return 0
    before = heads[i - 1][0]
    least = max([before.bottom + 1, *(r + 1 for r in heads[i - 1][1])])
    row = head.top
    gap = labelled = row
    while row > least:
        cells = sheet.rows[row - 1]
        filled = [v for v in cells if not is_blank(v)]
        if not filled:
            row -= 1
            gap = row
        elif _all_labels(sheet, row - 1, cells):
            row -= 1
            labelled = row if labelled == row + 1 else labelled
        elif len(filled) == 1 and type(filled[0]) is str and len(filled[0]) <= _LONGEST_TITLE:
            row -= 1
        else:
            break
    return min(gap, labelled)


def _all_labels(sheet: Sheet, row: int, cells: list[Any]) -> bool:
    first = next((v for v in cells if not is_blank(v)), None)
    if type(first) is not str or (":" not in first and label(first) is None):
        return False
    found = pairs(sheet, row, row + 1)
    covered = {p.column for p in found} | {p.value_column for p in found}
    return (
        bool(found)
        and all(p.label.field and p.label.field not in READINGS and p.label.field != "outlet" for p in found)
        and all(at in covered for at, v in enumerate(cells) if not is_blank(v))
    )


def _titles(sheet: Sheet, heads: list[tuple[Head, list[int]]], regions: list[int]) -> list[tuple[int, int, str]]:
    """The title above each of several tables, where they all have one and all differ; else none."""
    if len(heads) < 2:
        return []
    found: list[tuple[int, int, str]] = []
    for (head, _), begin in zip(heads, regions):
        title = None
        for row in range(head.top - 1, begin - 1, -1):
            filled = [(at, v) for at, v in enumerate(sheet.rows[row]) if not is_blank(v)]
            if len(filled) == 1 and type(filled[0][1]) is str and ":" not in filled[0][1]:
                title = (row, filled[0][0], filled[0][1].strip())
                break
        if title is None:
            return []
        found.append(title)
    return found if len({text for _, _, text in found}) == len(found) else []
