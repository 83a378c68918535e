"""Tables whose tests are columns: outlets run across, what was measured stands down the side."""

from __future__ import annotations

from typing import Any, NamedTuple

from grader.problems import Place, Table, a1
from grader.read.layout_spec import TableSpec, overridden
from grader.read.shapes.columns import NUMBERS, READINGS, Where, are_verdicts, read_fields, through_percent
from grader.read.shapes.down import Made, is_total
from grader.read.shapes.tables import Note, Sheet, cut, is_blank, number_of, position_of, tidied, tidied_all
from grader.read.words.labels import SHARED, VISIT, Column, column, is_unit, kind_of, label, looks_like_value

_LEAST_LABELS = 3
_NO_TEST = ("unit", "limit", "verdict", "parameter", "number", "value")


class _Side(NamedTuple):
    """The column of labels: its position, row -> label, and the column of units (-1: none)."""

    at: int
    labels: dict[int, Column]
    units: int


def read_across(sheet: Sheet, spec: TableSpec | None = None) -> Made | None:
    """Read a sheet whose outlets run across; None where it is not built so."""
    if spec is not None:
        sheet = cut(sheet, spec.first_row, spec.last_row)
        if not sheet.rows:
            return None
        spec = spec._replace(fields={f: s._replace(row=position_of(sheet, s.row)) for f, s in spec.fields.items()})
    side = _side(sheet, spec)
    if side is None:
        return None
    blocks = _blocks(sheet, side, spec)
    if not blocks:
        return None
    tables: list[Table] = []
    notes: list[Note] = []
    found = passed = 0
    for names, rows in blocks:
        made = _read_block(sheet, side, names, rows, spec)
        tables += made.tables
        notes += made.notes
        found += made.rows_found
        passed += made.passed_over
    return Made(tables, notes, found, passed)


def _side(sheet: Sheet, spec: TableSpec | None) -> _Side | None:
    """The column that holds the most labels, with at least one reading among them."""
    best: dict[int, Column] = {}
    chosen, most = -1, 0
    wanted = spec.heading_column if spec is not None else -1
    for at, cells in enumerate(zip(*sheet.rows)):
        if 0 <= wanted != at:
            continue
        # A column of readings holds few different texts, however long it is.
        labels = {text: known for text in set(cells) if type(text) is str and (known := label(text)) is not None}
        fields = {c.field for c in labels.values() if c.field}
        if len(fields) > most:
            best = {row: labels[text] for row, text in enumerate(cells) if type(text) is str and text in labels}
            chosen, most = at, len(fields)
    if spec is not None and spec.heading_column >= 0:
        chosen = spec.heading_column
    fields = {c.field for c in best.values() if c.field}
    stated = spec is not None and spec.orientation == "across"
    if chosen < 0 or not stated and (len(fields) < _LEAST_LABELS or not fields & READINGS):
        return None
    return _Side(chosen, best, _unit_column(sheet, chosen, best))


def _unit_column(sheet: Sheet, at: int, labels: dict[int, Column]) -> int:
    rows = [r for r, c in labels.items() if c.field in NUMBERS or c.kind == "unclear"]
    for c in range(at + 1, min(at + 4, len(sheet.rows[0]))):
        filled = [sheet.rows[r][c] for r in rows if not is_blank(sheet.rows[r][c])]
        if filled and sum(map(is_unit, filled)) * 2 > len(filled):
            return c
    return -1


def _blocks(sheet: Sheet, side: _Side, spec: TableSpec | None) -> list[tuple[int, list[int]]]:
    """(row of the outlets' names, rows of the table) of each table, top to bottom."""
    rows = sorted(side.labels)
    placed = spec.fields.get("outlet") if spec is not None else None
    if placed is not None and placed.row >= 0:
        names = [placed.row]
    else:
        names = [r for r in rows if side.labels[r].field == "outlet"]
        dates = [r for r in rows if side.labels[r].field == "test_date"]
        if (
            names
            and not any(_names_two(sheet, side, r) for r in names)
            and all(_names_two(sheet, side, r) for r in dates)
        ):
            names = dates or names  # one outlet, its dates across
    if not names:
        above = _names_above(sheet, side, rows)
        names = [above] if above is not None else []
    stated = spec is not None and spec.orientation == "across"
    if not names or not stated and any(not _names_two(sheet, side, r) for r in names):
        return []
    if not stated and _labels_among_values(sheet, side, rows):
        return []
    made = []
    begin = min(rows + names)
    for i, name in enumerate(names):
        end = names[i + 1] if i + 1 < len(names) else len(sheet.rows)
        last = max((r for r in rows if name < r < end and side.labels[r].field in READINGS), default=end - 1)
        stop = len(sheet.rows) if i + 1 == len(names) else last + 1
        made.append((name, list(range(begin, stop))))
        begin = stop
    return made


def _names_above(sheet: Sheet, side: _Side, rows: list[int]) -> int | None:
    """The row above the readings that holds the outlets' names, where nothing calls it Outlet."""
    first = min(r for r in rows if side.labels[r].field in READINGS)
    for row in range(first - 1, max(first - 6, -1), -1):
        if row in side.labels:
            continue
        if _names_two(sheet, side, row):
            return row
    return None


def _names_two(sheet: Sheet, side: _Side, row: int) -> bool:
    """Whether a row names an outlet in two columns or more to the right of the labels."""
    cells = sheet.rows[row]
    named = (
        c
        for c in range(side.at + 1, len(cells))
        if c != side.units
        and not is_blank(cells[c])
        and not (type(cells[c]) is str and (kind_of(cells[c]) in _NO_TEST or is_total(cells[c]) or _a_label(cells[c])))
    )
    return next(named, None) is not None and next(named, None) is not None


def _a_label(text: Any) -> bool:
    known = label(text)
    return known is not None and bool(known.field)


def _labels_among_values(sheet: Sheet, side: _Side, rows: list[int]) -> bool:
    """Whether labels stand among the values too, as in a form with several columns of labels."""
    texts = {v for row in rows for v in sheet.rows[row][side.at + 1 :] if type(v) is str}
    known = {v for v in texts if _a_label(v)}
    return bool(known) and sum(not known.isdisjoint(sheet.rows[row][side.at + 1 :]) for row in rows) >= 2


def _read_block(sheet: Sheet, side: _Side, names: int, rows: list[int], spec: TableSpec | None) -> Made:
    labels = {r: side.labels[r] for r in rows if r in side.labels}
    columns = [_with_unit(sheet, side, r, c) for r, c in sorted(labels.items())]
    if names not in labels:
        columns.append(_outlet_names(sheet, side, names))
    notes: list[Note] = []
    if spec is not None:
        columns, wrong = overridden(columns, spec, across=True)
        notes += [Note("layout_mismatch", sheet.name, "", spec.source, {"what": w}) for w in wrong]
    columns = [c for c in columns if 0 <= c.at < len(sheet.rows)]
    tests, passed = _tests(sheet, side, names, columns, spec, notes)
    heads = sheet.rows[names]
    spread, shared = _spread_rows(sheet, side, columns, tests, names)
    cells = {
        c.at: spread.get(c.at) or tidied_all([sheet.rows[c.at][t] for t in tests])
        for c in columns
        if c.kind in ("field", "unclear") and c.at not in shared
    }
    where = Where(
        sheet.name,
        lambda at: a1(number_of(sheet, at), side.at),
        lambda at: Place(sheet.name, number_of(sheet, at), None),
        lambda at: f"row = {number_of(sheet, at) + 1}",
    )
    made = read_fields([c for c in columns if c.at not in shared], cells, where)
    _percents(sheet, made, tests)
    telling = [v for f, v in made.values.items() if f not in VISIT and f != "remarks"]
    kept = [any(v is not None for v in one) for one in zip(*telling)] if telling else [False] * len(tests)
    for at, keep in zip(tests, kept):
        if not keep and any(not is_blank(sheet.rows[c.at][at]) for c in columns):
            row = next(c.at for c in columns if not is_blank(sheet.rows[c.at][at]))
            notes.append(Note("row_without_test", sheet.name, a1(number_of(sheet, row), at), sheet.rows[row][at], {}))
            passed += 1
    chosen = [i for i, keep in enumerate(kept) if keep]
    notes += _unknown_rows(sheet, side, rows, columns, [tests[i] for i in chosen], names)
    constants = {**made.constants, **shared_constants(sheet, columns, shared)}
    how = {
        **made.how,
        **{c.field: (c.text, "label beside one value", c.heading.sure) for c in columns if c.at in shared},
    }
    if spec is not None:
        constants.update(
            {f: (Place(sheet.name, number_of(sheet, names), side.at), v) for f, v in spec.constants.items()}
        )
        how.update(dict.fromkeys(spec.constants, ("", f"layout file {spec.source}", "certain")))
    table = Table(
        sheet.name,
        "across",
        made.places,
        constants,
        [number_of(sheet, names)] * len(chosen),
        [tests[i] for i in chosen],
        {f: [v[i] for i in chosen] for f, v in made.values.items()},
        made.units,
        how,
        order=spec.order if spec else "",
        heads=(number_of(sheet, rows[0]), number_of(sheet, rows[-1])),
    )
    if not chosen:
        notes.append(Note("empty_readings", sheet.name, a1(number_of(sheet, names), side.at), heads[side.at], {}))
    return Made([table], [*made.notes, *notes], len(chosen), passed)


def _with_unit(sheet: Sheet, side: _Side, row: int, known: Column) -> Column:
    unit = sheet.rows[row][side.units] if side.units >= 0 else ""
    if not is_unit(unit):
        return known._replace(at=row)
    return column(row, known.text, unit=unit)


def _outlet_names(sheet: Sheet, side: _Side, names: int) -> Column:
    text = sheet.rows[names][side.at]
    made = column(names, "Outlet")
    return made._replace(text="" if is_blank(text) else str(text), how="row of names above the readings")


def _tests(
    sheet: Sheet, side: _Side, names: int, columns: list[Column], spec: TableSpec | None, notes: list[Note]
) -> tuple[list[int], int]:
    """The columns that are tests; those of totals are said and passed over."""
    tests: list[int] = []
    passed = 0
    heads = sheet.rows[names]
    readings = [c.at for c in columns if c.field in READINGS]
    for at in range(side.at + 1, len(heads)):
        head = heads[at]
        if at == side.units or spec is not None and at in spec.ignore:
            continue
        if is_blank(head):
            filled = [v for r in readings if not is_blank(v := sheet.rows[r][at])]
            if filled and not all(map(is_unit, filled)) and not are_verdicts(filled):
                tests.append(at)
        elif type(head) is str and kind_of(head) in _NO_TEST:
            continue
        elif is_total(head):
            notes.append(Note("column_of_totals", sheet.name, a1(number_of(sheet, names), at), head, {}))
            passed += 1
        else:
            tests.append(at)
    return tests, passed


def _spread_rows(
    sheet: Sheet, side: _Side, columns: list[Column], tests: list[int], names: int
) -> tuple[dict[int, list[Any]], set[int]]:
    """(row -> values where a merged cell holds for several tests, rows whose one value holds for all of them).

    One value above the row of names belongs to all tests; below it, only where its cell is merged over them.
    """
    spread: dict[int, list[Any]] = {}
    shared: set[int] = set()
    for c in columns:
        if c.field not in SHARED and (c.field != "outlet" or c.at == names):
            continue
        cells = sheet.rows[c.at]
        number = number_of(sheet, c.at)
        wide = [r for r in sheet.merges() if r[0] <= number <= r[2] and r[3] > r[1]]
        if wide:
            values = [tidied(cells[t]) for t in tests]
            for i, t in enumerate(tests):
                over = next((r for r in wide if r[1] <= t <= r[3]), None)
                if over is not None and values[i] is None:
                    values[i] = tidied(cells[over[1]])
            spread[c.at] = values
        filled = [
            t
            for t in range(side.at + 1, len(cells))
            if not is_blank(cells[t]) and not (t == side.units and is_unit(cells[t]))
        ]
        if len(filled) == 1 and len(tests) > 1 and (c.at < names or c.field == "outlet") and c.at not in spread:
            shared.add(c.at)
    return spread, shared


def shared_constants(sheet: Sheet, columns: list[Column], shared: set[int]) -> dict[str, tuple[Place, Any]]:
    """The values of rows that hold for all tests of a table: field -> (Place, value)."""
    from grader.read.shapes.pairs import with_unit

    made = {}
    for c in columns:
        if c.at in shared:
            at = next(
                i
                for i, v in enumerate(sheet.rows[c.at])
                if not is_blank(v) and v != c.text and not is_unit(v) and not _a_label(v)
            )
            value = with_unit(c.field, c, tidied(sheet.rows[c.at][at]))
            made[c.field] = (Place(sheet.name, number_of(sheet, c.at), at), value)
    return made


def _percents(sheet: Sheet, made: Any, tests: list[int]) -> None:
    by_row = {
        place.row: field for field, place in made.places.items() if field in NUMBERS and made.how[field][2] != "unsure"
    }
    position = {at: i for i, at in enumerate(tests)}
    for row, at in sheet.percents:
        if row in by_row and at in position:
            through_percent(made, by_row[row], position[at])


def _unknown_rows(
    sheet: Sheet, side: _Side, rows: list[int], columns: list[Column], tests: list[int], names: int
) -> list[Note]:
    """Rows with a text at the side and values that nothing was read from."""
    known = {c.at for c in columns if c.kind in ("field", "unclear", "ignored")} | {names}
    notes = []
    for row in rows:
        text = sheet.rows[row][side.at]
        if row in known or is_blank(text) or looks_like_value(text):
            continue
        if any(not is_blank(sheet.rows[row][t]) for t in tests):
            said = {"heading": str(text), "where": f"row = {number_of(sheet, row) + 1}"}
            notes.append(Note("unknown_row", sheet.name, a1(number_of(sheet, row), side.at), text, said))
    return notes
