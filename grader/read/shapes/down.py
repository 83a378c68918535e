"""Tables whose tests are rows: their values, totals, remarks, repeated headings and banner rows."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import cache, lru_cache
from itertools import compress
from typing import TYPE_CHECKING, Any, NamedTuple

from grader.data import load_toml
from grader.problems import Place, Table, a1
from grader.read.layout_spec import TableSpec
from grader.read.shapes.columns import NUMBERS, READINGS, Fields, Where, read_fields, through_percent
from grader.read.shapes.heads import Head
from grader.read.shapes.tables import Note, Sheet, number_of, shown, tidied
from grader.read.words.heading_words import key, reading_words
from grader.read.words.labels import SHARED, VISIT, is_placeholder, looks_like_value

if TYPE_CHECKING:
    from grader.read.shapes.banners import Banner


def plain(text: str) -> str:
    """A short text as it is compared with words such as Total."""
    return " ".join(text.casefold().split()).strip(" :.")


@cache
def outlet_words() -> frozenset[str]:
    """Words that make a row no test where one of them fills its outlet cell."""
    return frozenset(map(plain, load_toml("limits_reading.toml")["rows"]["outlet_words"]))


def is_total(text: Any) -> bool:
    """Whether an outlet's name says that the row (or column) holds totals, averages or limits."""
    return type(text) is str and len(text) <= 60 and _is_total(text)


@lru_cache(maxsize=20_000)
def _is_total(text: str) -> bool:
    return plain(text) in outlet_words()


class Made(NamedTuple):
    """Tables of one sheet, what is to be said, and the rows: found, and passed over with a note each."""

    tables: list[Table]
    notes: list[Note]
    rows_found: int
    passed_over: int


class Block(NamedTuple):
    """One table on the sheet: its heading, the position after its last row, rows that repeat the heading.

    constants, how : what is known of all its tests from elsewhere. banners : whether to look for banner rows.
    skip : positions of rows that belong to another table beside it.
    """

    head: Head
    stop: int
    again: list[int]
    constants: dict[str, tuple[Place, Any]] = {}
    how: dict[str, tuple[str, str, str]] = {}
    spec: TableSpec | None = None
    banners: bool = True
    skip: frozenset[int] = frozenset()


def read_down(
    sheet: Sheet, columns: list[tuple[Any, ...]], clean: Callable[[tuple[Any, ...]], list[Any]], block: Block
) -> Made:
    """Read one table.

    columns : the sheet's columns, whole. clean : cells of a column -> blanks as None, no NaN among them.
    """
    head, first = block.head, block.head.bottom + 1
    stop = block.stop
    if block.spec is not None:
        first = max(first, _position(sheet, block.spec.first_row, first))
        stop = min(stop, _position(sheet, block.spec.last_row, stop - 1) + 1)
    top = number_of(sheet, head.bottom) if head.bottom >= 0 else 0
    where = Where(
        sheet.name,
        lambda at: a1(top, at),
        lambda at: Place(sheet.name, None, at),
        lambda at: f'column = "{_letter(at)}"',
    )
    cells = {
        c.at: clean(columns[c.at][first:stop])
        for c in head.columns
        if c.kind in ("field", "unclear", "unit") and c.at < len(columns)
    }
    if not head.own:
        _fill_merged(sheet, head, cells, (first, stop))
        _unit_column_without_heading(sheet, head, columns, clean, cells, (first, stop))
    made = read_fields(head.columns, cells, where)
    _percents(sheet, made, (first, stop))

    kept, notes, passed = _test_rows(sheet, made, head, (first, stop), block.again)
    beside = {row - first for row in block.skip if first <= row < stop}
    for index in beside:
        kept[index] = False
    banners: list[Banner] = []
    if block.banners:
        from grader.read.shapes.banners import banners_of, segments

        known = {f for f, v in made.values.items() if v.count(None) < len(v)} | set(block.constants)
        banners = banners_of(sheet, made, kept, (first, stop), known, {r - first for r in block.again} | beside)
        for banner in banners:
            kept[banner.at] = False
            passed.discard(banner.at)
    used = {b.at for b in banners} | beside
    found = sum(kept)
    said, passed_over = _passed_notes(sheet, made, head, first, kept, passed, used, {r - first for r in block.again})
    notes += said
    parts, footers, unused = segments(kept, banners) if banners else ([(0, len(kept), {})], {}, [])
    for banner in banners:
        notes.append(_banner_note(sheet, banner, first, banner in unused))
    notes += _unknown_columns(sheet, columns, head, clean, (first, stop), kept)
    base = {**made.constants, **block.constants}
    base.update({f: v for f, v in footers.items() if f not in base and made.values.get(f) is None})
    how = dict(block.how) if head.own else {**made.how, **block.how}
    tables = _tables(sheet, made, kept, parts, base, how, first, block)
    return Made(tables, [*made.notes, *notes], found, passed_over + len(banners))


def _letter(at: int) -> str:
    return a1(0, at)[:-1]


def _position(sheet: Sheet, number: int, otherwise: int) -> int:
    if number < 0:
        return otherwise
    if sheet.numbers is None:
        return number
    return next((i for i, n in enumerate(sheet.numbers) if n >= number), len(sheet.numbers))


def _tables(
    sheet: Sheet,
    made: Fields,
    kept: list[bool],
    parts: list[tuple[int, int, dict[str, Any]]],
    base: dict[str, tuple[Place, Any]],
    how: dict[str, tuple[str, str, str]],
    first: int,
    block: Block,
) -> list[Table]:
    """One Table a part; the first stands for all where there is no banner."""
    tables: list[Table] = []
    order = block.spec.order if block.spec else ""
    heads = (-1, -1)
    if block.head.bottom >= 0:
        heads = (number_of(sheet, block.head.top), number_of(sheet, block.head.bottom))
    for begin, end, own in parts:
        some = kept[begin:end]
        rows = [number_of(sheet, r) for r in compress(range(first + begin, first + end), some)]
        whole = begin == 0 and end == len(kept)
        values = {
            f: v if whole and len(rows) == len(kept) else list(compress(v[begin:end], some))
            for f, v in made.values.items()
        }
        constants = {**base, **{f: (place, value) for f, (place, value, _) in own.items()}}
        known = {**how, **{f: (shown(value), said, "likely") for f, (_, value, said) in own.items()}}
        tables.append(
            Table(
                sheet.name,
                "down",
                made.places,
                constants,
                rows,
                [],
                values,
                made.units,
                known,
                len(tables),
                block.head.own,
                order,
                heads,
            )
        )
    return tables


def _fill_merged(sheet: Sheet, head: Head, cells: dict[int, list[Any]], span: tuple[int, int]) -> None:
    """A cell merged over several rows holds for each of them; a reading so merged stays with the first."""
    fields = {c.at: c.field for c in head.columns if c.field and c.field not in READINGS and c.field != "outlet"}
    for top, left, bottom, right in sheet.merges():
        if bottom == top or left not in fields or right != left:
            continue
        start, end = _position(sheet, top, 0) - span[0], _position(sheet, bottom, 0) - span[0]
        if 0 <= start < len(cells[left]):
            for row in range(start + 1, min(end + 1, len(cells[left]))):
                cells[left][row] = cells[left][start]


def _unit_column_without_heading(
    sheet: Sheet,
    head: Head,
    columns: list[tuple[Any, ...]],
    clean: Callable[[tuple[Any, ...]], list[Any]],
    cells: dict[int, list[Any]],
    span: tuple[int, int],
) -> None:
    """A column of units alone behind a reading serves as one with the heading Unit."""
    from grader.read.words.labels import column, is_unit

    known = {c.at for c in head.columns}
    for c in list(head.columns):
        at = c.at + 1
        if c.field in NUMBERS and c.heading.unit is None and at not in known and at < len(columns):
            values = [v for v in clean(columns[at][span[0] : span[1]]) if v is not None]
            if values and all(map(is_unit, values)):
                head.columns.insert(head.columns.index(c) + 1, column(at, "Unit"))
                cells[at] = clean(columns[at][span[0] : span[1]])


def _percents(sheet: Sheet, made: Fields, span: tuple[int, int]) -> None:
    if not sheet.percents:
        return
    by_column = {
        place.column: field
        for field, place in made.places.items()
        if field in NUMBERS and made.how[field][2] != "unsure"
    }
    position = None if sheet.numbers is None else {number: i for i, number in enumerate(sheet.numbers)}
    for row, column in sheet.percents:
        field = by_column.get(column)
        index = (row if position is None else position[row]) - span[0]
        if field is not None and 0 <= index < len(made.values[field]):
            through_percent(made, field, index)


def _test_rows(
    sheet: Sheet, made: Fields, head: Head, span: tuple[int, int], again: list[int]
) -> tuple[list[bool], list[Note], set[int]]:
    """(which rows are tests, notes, rows passed over because of a total): tests hold more than remarks and
    Visit labels."""
    first, stop = span
    telling = [cells for field, cells in made.values.items() if field not in VISIT and field != "remarks"]
    blank = len(telling)
    kept = [row.count(None) < blank for row in zip(*telling)] if telling else [False] * (stop - first)
    totals: set[int] = set()
    for row in again:
        if first <= row < stop:
            kept[row - first] = False
    outlets = made.values.get("outlet", [])
    words = {v for v in set(outlets) if is_total(v)}
    if words:
        for index, outlet in enumerate(outlets):
            if outlet in words and kept[index]:
                kept[index] = False
                totals.add(index)
    odd = {v for v in set(outlets) if type(v) is str and _is_remark(v)}
    if odd:
        for index, outlet in enumerate(outlets):
            if outlet in odd and kept[index]:
                # A sentence, a signature or the heading of a page again, if no reading stands beside it.
                beside = {f: made.values[f][index] for f in made.values if f in READINGS}
                kept[index] = any(v is not None and (f not in NUMBERS or _may_be_reading(v)) for f, v in beside.items())
    return kept, [], totals


def _may_be_reading(value: Any) -> bool:
    return looks_like_value(value) or key(str(value)) in reading_words() or is_placeholder(value)


@lru_cache(maxsize=20_000)
def _is_remark(text: str) -> bool:
    """Whether a text alone in the column of outlets is a sentence or a signature, and no outlet's name.

    >>> _is_remark("Signed: A. Person"), _is_remark("* second reading taken after purging."), _is_remark("Bay 3: north")
    (True, True, False)
    """
    words = text.split()
    before = text.split(":")[0] if ":" in text else ""
    labelled = bool(before) and not any(ch.isdigit() for ch in before) and len(before.split()) <= 4
    if labelled or text.lstrip().startswith(("*", "†")):
        return True
    return len(words) > 3 and text.rstrip().endswith((".", "!", "?")) or len(words) > 10


def _passed_notes(
    sheet: Sheet,
    made: Fields,
    head: Head,
    first: int,
    kept: list[bool],
    totals: set[int],
    banners: set[int],
    again: set[int],
) -> tuple[list[Note], int]:
    """A note for every row that holds something and is no test."""
    notes: list[Note] = []
    fields = {c.at: c.field for c in head.columns if c.field}
    leftmost = min(fields) if fields else 0
    outlet = made.places["outlet"].column or 0 if "outlet" in made.places else 0
    for index in compress(range(len(kept)), [not k for k in kept]):
        if index in banners:
            continue
        cells = sheet.rows[first + index]
        number = number_of(sheet, first + index)
        if index in again:
            notes.append(Note("row_headings_again", sheet.name, a1(number, leftmost), cells[leftmost], {}))
        elif index in totals:
            notes.append(Note("row_of_totals", sheet.name, a1(number, outlet), cells[outlet], {}))
        elif cells.count("") + cells.count(None) < len(cells):
            at = next((c for c, v in enumerate(cells) if tidied(v) is not None), None)
            if at is not None:
                remark = (
                    fields.get(at) == "remarks" or at == outlet and type(cells[at]) is str and _is_remark(cells[at])
                )
                code = "row_of_remarks" if remark else "row_without_test"
                notes.append(Note(code, sheet.name, a1(number, at), cells[at], {}))
    return notes, len(notes)


def _banner_note(sheet: Sheet, banner: Banner, first: int, unused: bool) -> Note:
    cell = a1(number_of(sheet, first + banner.at), banner.column)
    if unused:
        return Note("row_without_test", sheet.name, cell, banner.shown, {})
    what = ", ".join(sorted(banner.values))
    line = "; ".join(f'{f} = "{shown(v[1])}"' for f, v in banner.values.items())
    return Note(
        "banner_guessed" if banner.guessed else "banner_row",
        sheet.name,
        cell,
        banner.shown,
        {"what": what, "line": line},
    )


def _unknown_columns(
    sheet: Sheet,
    columns: list[tuple[Any, ...]],
    head: Head,
    clean: Callable[[tuple[Any, ...]], list[Any]],
    span: tuple[int, int],
    kept: list[bool],
) -> list[Note]:
    """Filled columns that nothing was read from."""
    notes = []
    texts = {c.at: c for c in head.columns}
    for number, column in enumerate(columns):
        known = texts.get(number)
        if known is not None and known.kind in ("field", "unclear", "unit", "ignored"):
            continue
        some = set(compress(column[span[0] : span[1]], kept))
        if all(tidied(v) is None for v in some):
            continue
        heading = known.text.strip() if known else ""
        cell = a1(number_of(sheet, head.bottom) if head.bottom >= 0 else 0, number)
        code = "unknown_column" if heading else "column_without_heading"
        said = {"heading": heading, "where": f'column = "{_letter(number)}"'}
        notes.append(Note(code, sheet.name, cell, heading, said))
    return notes


def constants_of(spec: TableSpec, sheet: Sheet, row: int) -> Mapping[str, tuple[Place, Any]]:
    """The constants that a layout file states, placed at the heading of the table."""
    place = Place(sheet.name, max(row, 0), 0)
    return {field: (place, value) for field, value in spec.constants.items() if field in SHARED or field}
