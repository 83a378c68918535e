"""A sheet's headings -> our fields: which rows of which sheet are tests, and which column holds what.

`recognise` is one pure function on lists of rows; it knows nothing of files. Wider headings (synonyms, units)
are added to the Vocabulary, other shapes beside `_read_down`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cache
from itertools import compress
from typing import Any, NamedTuple

from grader.columns import FIELDS, normal_heading
from grader.data import load_toml
from grader.problems import Place, Unreadable, a1

LONGEST_HEADING = 80
_MEMO_SIZE = 20_000


class Sheet(NamedTuple):
    """One sheet as lists of cells.

    rows     : rectangular; a blank cell is "" or None.
    numbers  : 0-based sheet row of each row (None: 0, 1, 2 ...).
    percents : 0-based (row, column) of numbers shown through a percent format.
    """

    name: str
    rows: list[list[Any]]
    numbers: list[int] | None = None
    percents: Iterable[tuple[int, int]] = ()
    hidden: bool = False


class Note(NamedTuple):
    """One thing to say of a sheet; `code` is a key of the words, `params` fills them."""

    code: str
    sheet: str
    cell: str
    value: Any
    params: dict[str, Any]


class Found(NamedTuple):
    """One recognised table.

    rows      : 0-based sheet row of each test. across : its 0-based column, or [] where a test is a row.
    columns   : field -> one value a test (None: blank).
    places    : field -> Place. constants : field -> (Place, value), not yet merged into the columns.
    """

    sheet: str
    orientation: str
    places: dict[str, Place]
    constants: dict[str, tuple[Place, Any]]
    rows: list[int]
    across: list[int]
    columns: dict[str, list[Any]]


class Recognised(NamedTuple):
    """The tables of a workbook. rows_found is counted from the sheets, not from the tables' columns."""

    tables: list[Found]
    notes: list[Note]
    rows_found: int
    rows_passed_over: int


class Vocabulary(NamedTuple):
    """What headings are known, normalised, and what is known of the fields behind them."""

    headings: dict[str, str]
    readings: frozenset[str]                       # a measurement: a table has at least one such column
    visit: frozenset[str]                          # may stand on the Visit sheet
    numbers: frozenset[str]
    fractions: frozenset[str]                      # in per cent, so that a percent format is no harm
    outlet_words: frozenset[str]                   # a row with such an outlet is no test
    memo: dict[str, str | None]                    # text -> field, for texts seen before


@cache
def vocabulary() -> Vocabulary:
    """The headings of the blank and the further fields, exactly as data/fields.toml spells them."""
    fields = FIELDS.values()
    return Vocabulary(
        headings={normal_heading(f.heading): f.name for f in fields},
        readings=frozenset(f.name for f in fields if f.reading),
        visit=frozenset(f.name for f in fields if f.sheet == "Visit"),
        numbers=frozenset(f.name for f in fields if f.kind == "number"),
        fractions=frozenset(f.name for f in fields if f.unit == "%"),
        outlet_words=frozenset(map(_plain, load_toml("limits_reading.toml")["rows"]["outlet_words"])),
        memo={},
    )


def recognise(sheets: Iterable[Sheet], known: Vocabulary | None = None) -> Recognised:
    """Find the tables of tests in the sheets of one workbook.

    sheets  : of one workbook, in its order; taken one at a time, so a generator keeps memory small.
    Returns : Recognised. A table is rows below a row of known headings, at least one of them a reading; a
              sheet named Visit gives constants. With no table `tables` is empty: the caller refuses the file.
    """
    known = known or vocabulary()
    tables: list[Found] = []
    notes: list[Note] = []
    unused: list[Note] = []
    constants: dict[str, tuple[Place, Any]] = {}
    rows_found = passed_over = 0
    for sheet in sheets:
        if not sheet.rows or not sheet.rows[0]:
            continue
        texts = _texts(sheet, known)
        columns = list(zip(*sheet.rows))
        headings = _heading_rows(sheet, texts)
        starts = [row for row, fields in headings.items() if _is_table(set(fields.values()), known)]
        if starts:
            made, said, found, passed = _read_down(sheet, columns, texts, headings, starts, known)
            tables += made
            notes += said
            rows_found += found
            passed_over += passed
            if sheet.hidden and found:
                notes.append(Note("hidden_sheet", sheet.name, "", sheet.name, {"rows": found}))
        elif _plain(sheet.name) == "visit":
            made_constants, said = _read_visit(sheet, columns, texts, known)
            constants.update(made_constants)
            notes += said
        else:
            row, fields = max(headings.items(), key=lambda item: len(set(item[1].values())), default=(0, {}))
            if len(set(fields.values())) >= 3:
                cell = a1(_number(sheet, row), min(fields))
                unused.append(Note("sheet_not_used", sheet.name, cell, sheet.name, {"count": len(fields)}))
    if tables:
        notes += unused
    return Recognised(_with_constants(tables, constants), notes, rows_found, passed_over)


def _plain(text: str) -> str:
    return " ".join(text.casefold().split()).strip(" :.")


def _number(sheet: Sheet, row: int) -> int:
    return row if sheet.numbers is None else sheet.numbers[row]


def _field(text: str, known: Vocabulary) -> str | None:
    """The field a text is the heading of, or None."""
    try:
        return known.memo[text]
    except KeyError:
        found = None
        if len(text) <= LONGEST_HEADING:
            found = known.headings.get(normal_heading(text).rstrip(":"))
        if len(known.memo) >= _MEMO_SIZE:
            known.memo.clear()
        known.memo[text] = found
        return found


class _Texts(NamedTuple):
    """The different values of one sheet: headings (text -> field), blanks, any that is no number."""

    headings: dict[str, str]
    blanks: set[Any]
    odd: bool


def _texts(sheet: Sheet, known: Vocabulary) -> _Texts:
    headings: dict[str, str] = {}
    blanks: set[Any] = set()
    odd = False
    # One loop over the different values, so that the loops over cells are all inside C code.
    for value in set().union(*sheet.rows):
        kind = type(value)
        if kind is str:
            if not value.strip():
                blanks.add(value)
            elif field := _field(value, known):
                headings[value] = field
        elif kind is float and value - value != 0.0:
            odd = True
    return _Texts(headings, blanks, odd)


def _heading_rows(sheet: Sheet, texts: _Texts) -> dict[int, dict[int, str]]:
    """Row -> column -> field, for every row that holds a text which is a known heading."""
    apart = texts.headings.keys().isdisjoint
    return {number: {column: texts.headings[cell] for column, cell in enumerate(row)
                     if type(cell) is str and cell in texts.headings}
            for number, row in enumerate(sheet.rows) if not apart(row)}


def _is_table(fields: set[str], known: Vocabulary) -> bool:
    """Whether a row of these headings opens a table: a reading, and an outlet or two more headings."""
    return bool(fields & known.readings) and len(fields) >= (2 if "outlet" in fields else 3)


def _clean(values: tuple[Any, ...], texts: _Texts) -> list[Any]:
    """Cells with blanks as None, and numbers that are none (NaN, infinite) as Unreadable."""
    blanks = texts.blanks
    if texts.odd:
        values = tuple(Unreadable(str(v), "number") if type(v) is float and v - v != 0.0 else v
                       for v in values)
    if blanks and not blanks.isdisjoint(values):
        return [None if v in blanks else v for v in values]
    return list(values)


def _read_down(sheet: Sheet, columns: list[tuple[Any, ...]], texts: _Texts,
               headings: Mapping[int, Mapping[int, str]], starts: list[int],
               known: Vocabulary) -> tuple[list[Found], list[Note], int, int]:
    """Tables whose tests are rows. A row of the same headings again does not open a new table."""
    blocks: list[tuple[int, list[int]]] = []
    for row in starts:
        if blocks and headings[blocks[-1][0]] == headings[row]:
            blocks[-1][1].append(row)
        else:
            blocks.append((row, []))
    tables: list[Found] = []
    notes: list[Note] = []
    rows_found = passed_over = 0
    for i, (head, again) in enumerate(blocks):
        stop = blocks[i + 1][0] if i + 1 < len(blocks) else len(sheet.rows)
        table, said, found, passed = _read_block(sheet, columns, texts, headings[head], (head, stop), again,
                                                 known)
        tables.append(table)
        notes += said
        rows_found += found
        passed_over += passed
        if not found:
            notes.append(Note("empty_readings", sheet.name, a1(_number(sheet, head), 0), sheet.name, {}))
    return tables, notes, rows_found, passed_over


def _read_block(sheet: Sheet, columns: list[tuple[Any, ...]], texts: _Texts, fields: Mapping[int, str],
                span: tuple[int, int], again: list[int],
                known: Vocabulary) -> tuple[Found, list[Note], int, int]:
    head, stop = span
    first = head + 1
    notes: list[Note] = []
    values: dict[str, list[Any]] = {}
    places: dict[str, Place] = {}
    positions: dict[str, list[int]] = {}
    for column in sorted(fields):
        positions.setdefault(fields[column], []).append(column)
    for field, at in positions.items():
        cleaned = [_clean(columns[column][first:stop], texts) for column in at]
        if len(at) > 1:
            filled = [i for i, cells in enumerate(cleaned) if cells.count(None) < len(cells)]
            if len(filled) > 1:
                notes.append(Note("column_twice", sheet.name, a1(_number(sheet, head), at[filled[1]]),
                                  columns[at[0]][head],
                                  {"first": a1(_number(sheet, head), at[filled[0]])}))
                cleaned = [_twice([cleaned[i] for i in filled])]
            elif filled:
                at, cleaned = [at[filled[0]]], [cleaned[filled[0]]]
        values[field] = cleaned[0]
        places[field] = Place(sheet.name, None, at[0])
    _percents(sheet, values, places, first, known)

    kept, found, said = _test_rows(sheet, values, fields, (first, stop), again, known)
    notes += said + _unknown_columns(sheet, columns, texts, fields, (head, stop), kept)
    rows = list(compress(range(first, stop), kept))
    if sheet.numbers is not None:
        rows = [sheet.numbers[row] for row in rows]
    if len(rows) < len(kept):
        values = {field: list(compress(cells, kept)) for field, cells in values.items()}
    return Found(sheet.name, "down", places, {}, rows, [], values), notes, found, len(said)


def _twice(cells: list[list[Any]]) -> list[Any]:
    """Two columns of one heading: whatever stands in either is not read, and is not taken for blank."""
    return [Unreadable(" / ".join(str(v) for v in row if v is not None), "twice")
            if any(v is not None for v in row) else None for row in zip(*cells)]


def _percents(sheet: Sheet, values: Mapping[str, list[Any]], places: Mapping[str, Place], first: int,
              known: Vocabulary) -> None:
    """A number through a percent format is a hundredth of what the sheet shows: no reading in ppm or mg/m³.

    In a field that is in per cent a fraction up to 1 stays (the notation stage reads it as one).
    """
    if not sheet.percents:
        return
    by_column = {place.column: field for field, place in places.items() if field in known.numbers}
    position = None if sheet.numbers is None else {number: i for i, number in enumerate(sheet.numbers)}
    for row, column in sheet.percents:
        field = by_column.get(column)
        index = (row if position is None else position[row]) - first
        if field is None or not 0 <= index < len(values[field]):
            continue
        value = values[field][index]
        if type(value) in (int, float) and not (field in known.fractions and 0 <= value <= 1):
            values[field][index] = Unreadable(f"{value * 100:.10g}%", "percent")


def _test_rows(sheet: Sheet, values: Mapping[str, list[Any]], fields: Mapping[int, str],
               span: tuple[int, int], again: list[int],
               known: Vocabulary) -> tuple[list[bool], int, list[Note]]:
    """Which rows are tests: those with more than remarks and Visit labels, less totals and headings."""
    first, stop = span
    telling = [cells for field, cells in values.items() if field not in known.visit and field != "remarks"]
    blank = len(telling)
    kept = [row.count(None) < blank for row in zip(*telling)]
    notes: list[Note] = []

    def pass_over(index: int, code: str, column: int, value: Any) -> None:
        kept[index] = False
        notes.append(Note(code, sheet.name, a1(_number(sheet, first + index), column), value, {}))

    for row in again:
        pass_over(row - first, "row_headings_again", min(fields), sheet.rows[row][min(fields)])
    outlets = values.get("outlet", [])
    words = {v for v in set(outlets) if type(v) is str and _plain(v) in known.outlet_words}
    if words:
        column = min(column for column, field in fields.items() if field == "outlet")
        for index, outlet in enumerate(outlets):
            if outlet in words and kept[index]:
                pass_over(index, "row_of_totals", column, outlet)
    passed = {row - first for row in again}
    found = sum(kept)
    for index, keep in enumerate(kept):
        if keep or index in passed:
            continue
        cells = sheet.rows[first + index]
        if cells.count("") + cells.count(None) == len(cells):
            continue
        for column, value in enumerate(cells):
            if value not in ("", None) and not (type(value) is str and not value.strip()):
                if outlets and outlets[index] in words:
                    break                          # a total, said above
                only_remark = fields.get(column) == "remarks"
                pass_over(index, "row_of_remarks" if only_remark else "row_without_test", column, value)
                break
    return kept, found, notes


def _unknown_columns(sheet: Sheet, columns: list[tuple[Any, ...]], texts: _Texts,
                     fields: Mapping[int, str], span: tuple[int, int], kept: list[bool]) -> list[Note]:
    notes = []
    head, stop = span
    for number, column in enumerate(columns):
        if number not in fields and set(compress(column[head + 1:stop], kept)) - texts.blanks - {None}:
            heading = str(column[head] if column[head] is not None else "").strip()
            code = "unknown_column" if heading else "column_without_heading"
            cell = a1(_number(sheet, head), number)
            notes.append(Note(code, sheet.name, cell, heading, {"heading": heading}))
    return notes


def _read_visit(sheet: Sheet, columns: list[tuple[Any, ...]], texts: _Texts,
                known: Vocabulary) -> tuple[dict[str, tuple[Place, Any]], list[Note]]:
    """Labels in column A, values in column B -> constants. Only Visit's labels: a reading is no constant."""
    notes: list[Note] = []
    constants: dict[str, tuple[Place, Any]] = {}
    if len(columns) < 2:
        return constants, notes
    labels, values = _clean(columns[0], texts), _clean(columns[1], texts)
    percents = set(sheet.percents)
    for row, (label, value) in enumerate(zip(labels, values)):
        if label is None or value is None:
            continue
        number = _number(sheet, row)
        field = _field(label, known) if type(label) is str else None
        if field is None or field not in known.visit:
            said = {"label": str(label)}
            notes.append(Note("unknown_label", sheet.name, a1(number, 1), value, said))
            continue
        if field in known.numbers and (number, 1) in percents and type(value) in (int, float):
            value = Unreadable(f"{value * 100:.10g}%", "percent")
        if field in constants:
            place, earlier = constants[field]
            said = {"label": str(label), "first": a1(place.row or 0, 1)}
            notes.append(Note("label_twice", sheet.name, a1(number, 1), value, said))
            shown = earlier.shown if isinstance(earlier, Unreadable) else str(earlier)
            constants[field] = (place, Unreadable(f"{shown} / {value}", "twice"))
        else:
            constants[field] = (Place(sheet.name, number, 1), value)
    return constants, notes


def _with_constants(tables: list[Found], constants: dict[str, tuple[Place, Any]]) -> list[Found]:
    """Give the Visit sheet's values to the table of sheet Readings.

    Other tables get them where there is no such sheet, or where they say neither site nor date themselves:
    another log in the same workbook may be of another visit.
    """
    if not constants:
        return tables
    with_readings = any(_plain(t.sheet) == "readings" for t in tables)
    made = []
    for table in tables:
        own = "site" in table.places or "test_date" in table.places
        belongs = not with_readings or _plain(table.sheet) == "readings" or not own
        made.append(table._replace(constants=dict(constants)) if belongs else table)
    return made
