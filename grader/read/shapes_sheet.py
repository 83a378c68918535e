"""One sheet of a firm's own log -> its tables, tried in the order: tests as rows, as columns, a form."""

from __future__ import annotations

from typing import Any

from grader.problems import a1
from grader.read.labels import label, may_be_heading
from grader.read.layout_spec import TableSpec, overridden
from grader.read.shapes_across import read_across
from grader.read.shapes_down import Block, Made, constants_of, read_down
from grader.read.shapes_fields import NUMBERS
from grader.read.shapes_form import read_form
from grader.read.shapes_heads import READINGS, Head, columns_of, head_at
from grader.read.shapes_pairs import pairs, shared_above
from grader.read.tables import Found, Note, Sheet, is_blank, number_of, tidied

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
    tops = sorted(s.heading_row for s in placed if s.heading_row >= 0)
    for spec in placed:
        if 0 <= spec.heading_row and spec.last_row < 0:
            spec = spec._replace(last_row=next((t - 1 for t in tops if t > spec.heading_row), -1))
        made = _placed(sheet, spec)
        total = Made(
            [*total.tables, *made.tables],
            [*total.notes, *made.notes],
            total.rows_found + made.rows_found,
            total.passed_over + made.passed_over,
        )
    return total


def _is_placed(spec: TableSpec) -> bool:
    return (
        spec.heading_row >= 0
        or spec.first_row >= 0
        or spec.orientation in ("across", "form")
        or any(f.row >= 0 for f in spec.fields.values())
    )


def _mismatch(sheet: Sheet, spec: TableSpec, what: str) -> Note:
    return Note("layout_mismatch", sheet.name, "", spec.source, {"what": f"table {spec.number}: {what}"})


def _placed(sheet: Sheet, spec: TableSpec) -> Made:
    """The table that a layout file places."""
    cells = any(f.row >= 0 and f.column >= 0 for f in spec.fields.values())
    if spec.orientation == "form" or cells:
        made = read_form(sheet, spec)
    elif spec.orientation == "across" or any(f.row >= 0 for f in spec.fields.values()):
        made = read_across(sheet, spec._replace(orientation="across"))
    else:
        return _placed_down(sheet, spec)
    return made or Made([], [_mismatch(sheet, spec, "nothing on the sheet is built as it says")], 0, 0)


def _placed_down(sheet: Sheet, spec: TableSpec) -> Made:
    top = spec.heading_row if spec.heading_row >= 0 else -1
    bottom = top + spec.heading_rows - 1 if top >= 0 else spec.first_row - 1
    if bottom >= len(sheet.rows):
        return Made([], [_mismatch(sheet, spec, f"the sheet has no row {bottom + 1}")], 0, 0)
    columns = columns_of(sheet, list(range(top, bottom + 1))[:3]) if top >= 0 else []
    head = Head(max(top, 0), bottom, columns)
    return _read_blocks(sheet, [(head, [])], spec)


def _found(sheet: Sheet, spec: TableSpec | None) -> Made:
    heads = _heads(sheet)
    if heads:
        return _read_blocks(sheet, heads, spec)
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


def _read_blocks(sheet: Sheet, heads: list[tuple[Head, list[int]]], spec: TableSpec | None) -> Made:
    columns = list(zip(*sheet.rows))
    tables: list[Found] = []
    notes: list[Note] = []
    rows_found = passed = 0
    regions = [_region(sheet, heads, i) for i in range(len(heads))]
    titles = _titles(sheet, heads, regions)
    for i, (head, again) in enumerate(heads):
        stop = regions[i + 1] if i + 1 < len(heads) else len(sheet.rows)
        # A sheet an outlet, its dates down the side: the outlet's name stands above.
        shared = shared_above(sheet, regions[i], head.top, frozenset() if "outlet" in head.fields else _OUTLET)
        notes += shared.notes
        constants, how = dict(shared.constants), dict(shared.how)
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
        if spec is not None:
            new, wrong = overridden(head.columns, spec)
            width = len(sheet.rows[0])
            wrong += [f"{c.field}: the sheet has no column {a1(0, c.at)[:-1]}" for c in new if c.at >= width]
            head = head._replace(columns=[c for c in new if c.at < width])
            notes += [_mismatch(sheet, spec, w) for w in wrong]
            constants.update(constants_of(spec, sheet, head.bottom))
            how.update(dict.fromkeys(spec.constants, ("", f"layout file {spec.source}", "certain")))
        made = read_down(sheet, columns, _clean, Block(head, stop, again, constants, how, spec))
        tables += made.tables
        notes += made.notes
        rows_found += made.rows_found
        passed += made.passed_over
        if not made.rows_found:
            notes.append(
                Note("empty_readings", sheet.name, a1(number_of(sheet, max(head.bottom, 0)), 0), sheet.name, {})
            )
    return Made(tables, notes, rows_found, passed)


def _place(sheet: Sheet, row: int, at: int) -> Any:
    from grader.problems import Place

    return Place(sheet.name, number_of(sheet, row), at)


def _clean(values: tuple[Any, ...]) -> list[Any]:
    return [tidied(v) for v in values]


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
