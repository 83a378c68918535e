"""Tables whose tests are columns: outlets run across, what was measured stands down the side.

Seen from the side such a table is one whose tests are rows: here are found only its heading, the column of labels, the row
of the outlets' names, and what stands beside the outlets.
"""

from __future__ import annotations

from bisect import bisect, bisect_left
from collections.abc import Sequence
from functools import lru_cache
from typing import Any, NamedTuple

from grader.data import load_toml
from grader.read.given import Given, going_on
from grader.read.layout_spec import TableSpec
from grader.read.settle import are_verdicts
from grader.read.shapes.grid import Grid
from grader.read.shapes.heads import Head
from grader.read.shapes.needed import Limit, asks
from grader.read.shapes.pairs import may_stand_above, shared_above
from grader.read.shapes.proposal import Proposal
from grader.read.shapes.rows import is_of_limits, is_total, plain
from grader.read.shapes.table import Table, propose
from grader.read.shapes.tables import Note
from grader.read.shapes.things import lists_of_things
from grader.read.words.dates import is_date
from grader.read.words.labels import (
    NO_READING,
    NUMBERS,
    READINGS,
    SHARED,
    Column,
    column,
    is_later,
    is_limit_word,
    is_overtaken,
    is_unit,
    kind_of,
    label,
    looks_like_value,
    may_be_reading,
)
from grader.read.words.loose import own_word
from grader.read.words.needs import UNLIMITED

_LEAST_LABELS = 3
_NO_OUTLET = (*NO_READING, "parameter", "value")  # kinds of words that stand where the outlets' names do
# Labels that stand over a table with their values, and are no names of outlets.
_OF_A_VISIT = SHARED - {"location", "system"}


class _Side(NamedTuple):
    """The column of labels: its position, row -> label, the column of units (-1: none), those that say how it was measured.

    things   : rows of lists of instruments and tubes. labelled : columns with labels.
    no_names : texts of the sheet that may stand where the names of outlets do.
    """

    at: int
    labels: dict[int, Column]
    units: int
    methods: frozenset[int]
    things: set[int]
    labelled: list[int]
    no_names: frozenset[str]

    def within(self, start: int, stop: int) -> list[tuple[int, Column]]:
        """The rows with a label between two."""
        return [(r, self.labels[r]) for r in range(start, stop) if r in self.labels]

    def values(self, cells: Sequence[Any]) -> list[Any]:
        """The cells of a row to the right of its label, blank where they are no outlet's."""
        made = list(cells[self.at + 1 :])
        for at in (self.units, *self.methods):
            if at > self.at:
                made[at - self.at - 1] = None
        return made


class _Rows(NamedTuple):
    """The rows of one table: from begin to end with what is about it, its own from start to stop, that of the outlets' names."""

    begin: int
    start: int
    names: int
    stop: int
    end: int


def proposals(grid: Grid, spec: TableSpec | None = None) -> list[Proposal]:
    """The tables of a sheet whose outlets run across; none where it is not built so."""
    if spec is not None:
        grid = grid.cut(spec.first_row, spec.last_row)
    side = _side(grid, spec) if grid.rows else None
    if side is None:
        return []
    made: list[Proposal] = []
    for rows in _blocks(grid, side, spec):
        labels = _labels(grid, side, rows)
        above, said_above = shared_above(grid, rows.begin, rows.start, may_stand_above(labels))
        below, said_below = shared_above(grid, rows.stop, rows.end)
        corner = {}
        if is_date(grid.rows[rows.names][side.at]):
            corner = {"test_date": Given(grid.place(rows.names, side.at), grid.rows[rows.names][side.at])}
        beside, said = _beside(grid, side, rows)
        ignored = spec.ignore if spec is not None else ()
        kept = sorted({*range(grid.width)}.difference(beside, ignored))
        table = propose(
            Table(
                grid.turn(rows.start, rows.stop, kept),
                Head(side.at, side.at, labels),
                len(kept),
                {**below, **corner, **above},
                _of_block(grid, spec, rows.start),
                banners=False,
                names=rows.names - rows.start,
            )
        )
        table.limits.extend(_limits(grid, rows, labels, beside, len(table.tests)))
        notes = [*said_above, *said_below, *table.notes, *said]
        if not table.tests:
            notes.append(grid.note("empty_readings", rows.names, side.at, grid.rows[rows.names][side.at]))
        made.append(table._replace(notes=notes, heads=(grid.outer[rows.begin], grid.outer[rows.end - 1])))
    own = [{f: one for f, one in t.given.items() if f != "test_date"} for t in made]  # a block has a day of its own
    return [t._replace(given={**more, **t.given}) if more else t for t, more in zip(made, going_on(own))]


def _of_block(grid: Grid, spec: TableSpec | None, start: int) -> TableSpec | None:
    """What a layout file says, its rows as positions in a turned grid that begins at a row."""
    if spec is None:
        return None
    return spec._replace(fields={f: s._replace(row=grid.row_of(s.row) - start) for f, s in spec.fields.items()})


def _side(grid: Grid, spec: TableSpec | None) -> _Side | None:
    """The column that holds the most labels, with at least one reading among them."""
    best: dict[int, Column] = {}
    chosen, most = -1, 0
    wanted = spec.heading_column if spec is not None else -1
    things = {row for some in lists_of_things(grid, 0, len(grid.rows)) for row in some.rows}
    labels = {text: known for text in grid.texts if (known := label(text)) is not None}
    labelled = [at for at, cells in enumerate(grid.lines) if not labels.keys().isdisjoint(cells)]
    for at in labelled:
        if 0 <= wanted != at:
            continue
        cells = grid.lines[at]
        cells = tuple(None if r in things else v for r, v in enumerate(cells)) if things else cells
        found = {row: labels[text] for row, text in enumerate(cells) if type(text) is str and text in labels}
        fields = {c.field for c in found.values() if c.field}
        if len(fields) > most:
            best, chosen, most = found, at, len(fields)
    if wanted >= 0:
        chosen = wanted
    fields = {c.field for c in best.values() if c.field}
    stated = spec is not None and spec.orientation == "across"
    if chosen < 0 or not stated and (len(fields) < _LEAST_LABELS or not fields & READINGS):
        return None
    units = _unit_column(grid, chosen, best)
    no_names = frozenset(text for text in grid.texts if kind_of(text) in _NO_OUTLET)
    return _Side(chosen, best, units, _methods(grid, chosen, best, units), things, labelled, no_names)


def _unit_column(grid: Grid, at: int, labels: dict[int, Column]) -> int:
    rows = [r for r, c in labels.items() if c.field in NUMBERS or c.kind == "unclear"]
    for c in range(at + 1, min(at + 4, grid.width)):
        filled = [grid.rows[r][c] for r in rows if grid.rows[r][c] is not None]
        if filled and sum(map(is_unit, filled)) * 2 > len(filled):
            return c
    return -1


def _methods(grid: Grid, at: int, labels: dict[int, Column], units: int) -> frozenset[int]:
    """Columns of words alone that stand between the labels and their units, or are headed by a word such as Method.

    None is between them where figures or an odour stand there: these are outlets, of which one holds words alone.
    """
    read = {r: grid.rows[r][at + 1 :] for r, c in labels.items() if c.field in NUMBERS}
    rows = [r for r, cells in read.items() if cells.count(None) < len(cells) - 1]
    odours = [r for r, c in labels.items() if c.field == "odour"]

    def smells(c: int) -> bool:
        return any(type(v := grid.rows[r][c]) is str and own_word("odour", v) for r in odours)

    made = set()
    between = range(at + 1, max(units, at + 1))
    figures = any(looks_like_value(grid.rows[r][c]) for r in rows for c in between)  # of outlets left of their units
    for c, line in enumerate(grid.lines):
        if c <= at or c == units or any(v is not None and not _is_word(v) for v in (line[r] for r in rows)):
            continue
        if any(line[r] is not None for r in rows):
            if c in between and not figures and not smells(c) or any(map(is_method, line)):
                made.add(c)
    return frozenset(made)


def _is_word(value: Any) -> bool:
    return type(value) is str and not may_be_reading(value)


def is_method(text: Any) -> bool:
    """Whether a heading says that its column tells how something was measured: "Method", "Messgerät"."""
    return type(text) is str and plain(text) in load_toml("limits_reading.toml")["rows"]["method_words"]


def _blocks(grid: Grid, side: _Side, spec: TableSpec | None) -> list[_Rows]:
    """The rows of each table, top to bottom."""
    rows = sorted(side.labels)
    stated = spec is not None and spec.orientation == "across"
    names = _names(grid, side, rows, spec)
    if not names or stated and any(not _names_two(grid, side, r, alone=True) for r in names):
        return []
    if not stated and _labels_among_values(grid, side, rows[bisect(rows, min(names)) :]):
        return []
    made = []
    begin = about = 0
    for name, after in zip(names, [*names[1:], len(grid.rows)]):
        end = after
        if after < len(grid.rows):
            here = rows[bisect(rows, name) : bisect_left(rows, end)]
            end = max((r for r in here if side.labels[r].field in READINGS), default=end - 1) + 1
        stop = 1 + max((r for r in range(name, end) if _is_line(grid, side, r)), default=name)
        start = name
        while (
            start > begin
            and start - 1 in side.labels
            and _filled(grid, side, start - 1) > 1
            and not _of_a_visit(grid.rows[start - 1][side.at + 2 :])
        ):
            start -= 1
        known = (c for _, c in side.within(start, stop))
        if stated or any(not READINGS.isdisjoint((c.field, *c.heading.candidates)) for c in known):
            made.append(_Rows(about, start, name, stop, end))  # else dates over outlets, or words
            about = end
        begin = end
    return made


def _names(grid: Grid, side: _Side, rows: list[int], spec: TableSpec | None) -> list[int]:
    """The rows that hold the outlets' names, one of each table: as a layout file says, by their label, or by their place."""
    if spec is not None and "outlet" in spec.fields and spec.fields["outlet"].row >= 0:
        return [grid.row_of(spec.fields["outlet"].row)]
    names = [r for r in rows if side.labels[r].field == "outlet"]
    last = max((r for r in rows if side.labels[r].field in READINGS), default=len(grid.rows))
    names = [
        r for i, r in enumerate(names) if not i or r < last
    ]  # "This outlet | meets | EN 12021" stands below all readings
    if names and not any(_names_two(grid, side, r) for r in names):
        dates = [r for r in rows if side.labels[r].field == "test_date"]
        names = dates if all(_names_two(grid, side, r) for r in dates) else []  # one outlet, its dates across
    return names or _names_above(grid, side, rows)


def _beside(grid: Grid, side: _Side, rows: _Rows) -> tuple[set[int], list[Note]]:
    """Columns beside those of the outlets, and notes on those of figures that are not read: words over or under the names
    say that they are limits, units, verdicts or of an earlier day; without a name they hold no reading."""
    over, names = _reaching(grid, side, rows.names - 1), grid.rows[rows.names]
    under, later = _words_under(grid, side, rows), any(map(is_later, over.values()))
    readings = [(c, grid.rows[r]) for r, c in side.within(rows.start, rows.stop) if c.field in READINGS]
    gases = [cells for c, cells in readings if c.field in NUMBERS.difference(UNLIMITED)]
    made: set[int] = {side.units, *side.methods}
    told: dict[int, int] = {}
    for at, text in over.items():
        of_no_name = names[at] is None and kind_of(text) in NO_READING and grid.rows[rows.names - 1][at] is not None
        if at not in made and (kind_of(text) == "earlier" or later and is_overtaken(text) or of_no_name):
            told[at] = rows.names - 1
    for at in {*under, *(at for at, name in enumerate(names) if name is None or name in side.no_names)}:
        name = names[at]
        if at <= side.at:
            continue
        if name in side.no_names and (kind_of(name) != "limit" or is_of_limits(name, [cells[at] for cells in gases])):
            made.add(at)
        elif under.get(at) in (*NO_READING, "parameter"):
            made.add(at)
        elif name is None:
            filled = [v for _, cells in readings if (v := cells[at]) is not None]
            if all(map(is_unit, filled)) or are_verdicts(filled):
                made.add(at)
    told |= dict.fromkeys(sorted(side.methods), rows.names)
    notes = [
        grid.note("unknown_column", row, at, v, heading=str(v), where=grid.line_words(at))
        for at, row in told.items()
        if (v := grid.rows[row][at]) is not None
    ]
    return made | told.keys(), notes


def _limits(grid: Grid, rows: _Rows, labels: list[Column], beside: set[int], tests: int) -> list[Limit]:
    """The columns of limits beside those of the outlets."""
    headed = {
        at: v for at in sorted(beside - {-1}) for row in (rows.names, rows.names + 1) if asks(v := grid.rows[row][at])
    }
    cells = ((c, rows.start + c.at, at, over) for c in labels for at, over in headed.items())
    return [Limit(c, [grid.rows[r][at]] * tests, grid.place(r, at), over) for c, r, at, over in cells]


def _reaching(grid: Grid, side: _Side, row: int) -> dict[int, str]:
    """Column -> the words of a row that stand over it: they reach over blanks as far as they are merged, or to the next ones."""
    cells = grid.rows[row] if row >= 0 else ()
    last = max((at for at, v in enumerate(cells) if v is not None), default=-1)
    made: dict[int, str] = {}
    text = ""
    for at in range(side.at + 1, len(cells)):
        if cells[at] is not None:
            text = str(cells[at])
        elif at > last and (row, at) not in grid.covered:
            break
        made[at] = text
    return made


def _words_under(grid: Grid, side: _Side, rows: _Rows) -> dict[int, str]:
    """Column -> kind, where a row of words such as Reading, Limit, Result stands under the names."""
    for row in range(rows.names + 1, min(rows.names + 3, rows.stop)):
        if row in side.labels and side.labels[row].field:
            break
        filled = {at: v for at, v in enumerate(grid.rows[row]) if at > side.at and v is not None}
        kinds = {at: kind for at, v in filled.items() if type(v) is str and (kind := kind_of(v))}
        if 2 <= len(kinds) == len(filled):
            return kinds
    return {}


def _filled(grid: Grid, side: _Side, row: int) -> int:
    cells = side.values(grid.rows[row])
    return len(cells) - cells.count(None)


def _is_line(grid: Grid, side: _Side, row: int) -> bool:
    """Whether a row below the names belongs to the table: a reading, remarks, or a text with several values beside it."""
    known = side.labels.get(row)
    if known is not None and known.field not in SHARED:
        return True
    return grid.rows[row][side.at] is not None and _filled(grid, side, row) > 1


def _names_above(grid: Grid, side: _Side, rows: list[int]) -> list[int]:
    """The rows that hold the outlets' names where nothing calls them Outlet: above the readings, and where these begin again."""
    found: list[int] = []
    seen: set[str] = set()
    last = -1
    alone = not any(c.field == "outlet" for c in side.labels.values())
    for reading in (r for r in rows if side.labels[r].field in READINGS):
        field = side.labels[reading].field
        if not found or field in seen:
            for row in range(reading - 1, max(reading - 6, last), -1):
                corner, again = grid.rows[row][side.at], grid.rows[found[0]][side.at] if found else None
                alike = not found or corner == again or is_date(corner) and is_date(again)
                if (
                    row not in side.labels
                    and row not in side.things
                    and alike
                    and _names_two(grid, side, row, alone=alone)
                ):
                    found.append(row)
                    seen = set()
                    break
        seen.add(field)
        last = reading
    return found


def _names_two(grid: Grid, side: _Side, row: int, *, alone: bool = False) -> bool:
    """Whether a row names an outlet in two columns or more to the right of the labels; alone: or one beside limits."""
    cells = grid.rows[row]
    values = side.values(cells)
    if _is_labelled_over_units(grid, side, row):
        values[side.units - side.at] = None
    named = [v for v in values if _is_name(v)]
    limits = [v for v in values if is_limit_word(v)] if alone and not any(map(_holds_a_word_of_values, named)) else []
    return bool(named) and len(named) + len(limits) > 1 and not _are_pairs(cells)


def _is_labelled_over_units(grid: Grid, side: _Side, row: int) -> bool:
    """Whether a cell over the units is the label of the one at its right, under which no reading stands: "checked | MB"."""
    at, text = side.units, grid.rows[row][side.units]
    if not side.at < at < grid.width - 1 or text is None or kind_of(str(text)) == "unit":
        return False
    return all(grid.rows[r][at + 1] is None for r, c in side.labels.items() if r != row and c.field in READINGS)


def _are_pairs(cells: Sequence[Any]) -> bool:
    """Whether a row holds labels, each with its value and perhaps a unit at its right, and nothing else.

    "Point | Bay 1 | | Supply | Airline".
    """
    filled = [v for v in cells if v is not None and not is_unit(v)]
    found = [None if looks_like_value(v) else label(v) for v in filled]
    return len(filled) % 2 == 0 and all(
        one is not None and (two is None or bool(one.field and own_word(one.field, str(v))))
        for one, two, v in zip(found[::2], found[1::2], filled[1::2])
    )


def _of_a_visit(cells: Sequence[Any]) -> bool:
    """Whether a row holds a label of the visit among its cells: "Site | North yard | Date | 3.4.2026"."""
    return any((known := label(v)) is not None and known.field in _OF_A_VISIT for v in cells)


def _is_name(value: Any) -> bool:
    if value is None:
        return False
    return type(value) is not str or not (kind_of(value) in _NO_OUTLET or is_total(value) or _a_label(value))


def _holds_a_word_of_values(text: Any) -> bool:
    """Whether a text holds a word such as Reading or Measured, or a figure alone: "Today's value", "Measured on site"."""
    return type(text) is not str or any(kind_of(w) or is_later(w) for w in text.split())


def _a_label(text: Any) -> bool:
    known = label(text)
    return known is not None and bool(known.field)


def _labels_among_values(grid: Grid, side: _Side, rows: list[int]) -> bool:
    """Whether labels stand among the values too, as in a form with several columns of labels."""
    columns = [at for at in side.labelled if at > side.at and at not in (side.units, *side.methods)]
    return sum(any(_a_label(grid.rows[row][at]) for at in columns) for row in rows) >= 2


def _labels(grid: Grid, side: _Side, rows: _Rows) -> list[Column]:
    """The labels of a table, counted from its first row; a row of names that has none is that of the outlets, or of dates."""
    made = [c for r in range(rows.start, rows.stop) if (c := _with_unit(grid, side, r, rows)) is not None]
    if rows.names not in side.labels:
        text, *names = grid.rows[rows.names][side.at :]
        found = column(rows.names - rows.start, "Test date" if all(map(is_date, filter(_is_name, names))) else "Outlet")
        made.append(found._replace(text=str(text or ""), how="row of names above the readings"))
    return sorted(made, key=lambda c: c.at)


def _with_unit(grid: Grid, side: _Side, row: int, rows: _Rows) -> Column | None:
    """The label of a row with its unit; one that is not listed is what its words and unit say, a note too."""
    beside = grid.rows[row][side.units] if side.units >= 0 else None
    unit = str(beside) if is_unit(beside) else ""
    known, text = side.labels.get(row), grid.rows[row][side.at]
    if known is not None and not unit:
        return known._replace(at=row - rows.start)
    if known is None and (row == rows.names or type(text) is not str or looks_like_value(text)):
        return None
    return _meaning(known.text if known is not None else text.rstrip(": "), unit)._replace(at=row - rows.start)


@lru_cache(maxsize=5_000)
def _meaning(text: str, unit: str) -> Column:
    """A label with the unit beside it; each block of a sheet has the same ones."""
    return column(0, text, unit=unit)
