"""Tables whose tests are columns: outlets run across, what was measured stands down the side.

Seen from the side such a table is one whose tests are rows: only its heading, the column of labels, is found here.
"""

from __future__ import annotations

from bisect import bisect, bisect_left
from collections.abc import Sequence
from typing import Any, NamedTuple

from grader.data import load_toml
from grader.read.extract import NUMBERS, READINGS, Proposal
from grader.read.given import Given
from grader.read.layout_spec import FieldSpec, TableSpec
from grader.read.shapes.grid import Grid
from grader.read.shapes.heads import Head, are_pairs
from grader.read.shapes.pairs import listed, may_stand_above, shared_above
from grader.read.shapes.rows import is_total, plain
from grader.read.shapes.table import NO_TEST, Block, propose
from grader.read.words.dates import is_date
from grader.read.words.labels import (
    SHARED,
    Column,
    column,
    is_later,
    is_unit,
    kind_of,
    label,
    looks_like_value,
    may_be_reading,
)
from grader.read.words.loose import own_word

_LEAST_LABELS = 3
# Labels that stand over a table with their values, and are no names of outlets.
_OF_A_DAY = ("test_date", "test_time", "outlet")
_OF_A_VISIT = SHARED - {"location", "system"}


class _Side(NamedTuple):
    """The column of labels: its position, row -> label, the column of units (-1: none), those that say how it was measured."""

    at: int
    labels: dict[int, Column]
    units: int
    methods: frozenset[int]
    things: set[int]  # rows of lists of instruments and tubes

    def values(self, cells: Sequence[Any]) -> list[Any]:
        """The cells of a row to the right of its label, blank where they are no outlet's."""
        made = list(cells[self.at + 1 :])
        for at in (self.units, *self.methods):
            if at > self.at:
                made[at - self.at - 1] = None
        return made


def proposals(grid: Grid, spec: TableSpec | None = None) -> list[Proposal]:
    """The tables of a sheet whose outlets run across; none where it is not built so."""
    if spec is not None:
        grid = grid.cut(spec.first_row, spec.last_row)
        # A layout file names rows; in the turned grid they are columns.
        fields = {f: FieldSpec(grid.row_of(s.row), -1, s.heading, s.unit) for f, s in spec.fields.items()}
        spec = spec._replace(fields=fields, first_row=-1, last_row=-1)
    if not grid.rows:
        return []
    side = _side(grid, spec)
    if side is None:
        return []
    made: list[Proposal] = []
    of_sheet: dict[str, Given] = {}
    for begin, names, rows, end in _blocks(grid, side, spec):
        start = rows[0]
        labels = [c for r in rows if (c := _with_unit(grid, side, r, names)) is not None]
        if names not in side.labels:
            text = grid.rows[names][side.at]
            text = "" if text is None else str(text)
            dated = all(is_date(v) for v in grid.rows[names][side.at + 1 :] if _is_name(v))
            named = column(names, "Test date" if dated else "Outlet")
            labels.append(named._replace(text=text, how="row of names above the readings"))
        head = Head(side.at, side.at, [c._replace(at=c.at - start) for c in sorted(labels, key=lambda c: c.at)])
        above, said_above = shared_above(grid, begin, start, may_stand_above(labels))
        below, said_below = shared_above(grid, rows[-1] + 1, end)
        if "site" not in above and not any(c.field == "site" for c in labels):
            above = {**of_sheet, **above}
        if not made:  # what stands over the first table but its day holds for those below it, unless they name a site
            of_sheet = {f: one for f, one in above.items() if f not in _OF_A_DAY}
        corner = {}
        if is_date(grid.rows[names][side.at]):
            corner = {"test_date": Given(grid.place(names, side.at), grid.rows[names][side.at])}
        own = spec
        if spec is not None:
            fields = {f: s._replace(row=s.row - start if s.row >= 0 else -1) for f, s in spec.fields.items()}
            own = spec._replace(fields=fields)
        earlier = _none_of_today(grid, side, names)
        methods = {at: text for at in sorted(side.methods) if (text := grid.rows[names][at]) is not None}
        skip = frozenset({side.units, *side.methods, *earlier, *(spec.ignore if spec is not None else ())})
        turned = Grid(
            grid.sheet, grid.rows[start : rows[-1] + 1], list(grid.outer[start : rows[-1] + 1]), grid.inner
        ).turn()
        table = propose(
            Block(
                turned,
                head,
                grid.width,
                given={**below, **corner, **above},
                spec=own,
                banners=False,
                skip=skip,
                names=names - start,
            )
        )
        notes = [*said_above, *said_below, *table.notes]
        notes += [
            grid.note("unknown_column", names - 1, at, text, heading=text, where=grid.line_words(at))
            for at, text in earlier.items()
            if grid.rows[names - 1][at] is not None
        ]
        notes += [
            grid.note("unknown_column", names, at, text, heading=str(text), where=grid.line_words(at))
            for at, text in methods.items()
        ]
        if not table.tests:
            notes.append(grid.note("empty_readings", names, side.at, grid.rows[names][side.at]))
        made.append(table._replace(notes=notes, heads=(grid.outer[begin], grid.outer[end - 1])))
    return made


def _side(grid: Grid, spec: TableSpec | None) -> _Side | None:
    """The column that holds the most labels, with at least one reading among them."""
    best: dict[int, Column] = {}
    chosen, most = -1, 0
    wanted = spec.heading_column if spec is not None else -1
    things = listed(grid, 0, len(grid.rows))
    labels = {text: known for text in grid.texts if (known := label(text)) is not None}
    for at, cells in enumerate(zip(*grid.rows)):
        if 0 <= wanted != at:
            continue
        cells = tuple(None if r in things else v for r, v in enumerate(cells)) if things else cells
        if labels.keys().isdisjoint(cells):
            continue
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
    return _Side(chosen, best, units, _methods(grid, chosen, best, units), things)


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
    rows = [
        r
        for r, c in labels.items()
        if c.field in NUMBERS and (cells := grid.rows[r][at + 1 :]).count(None) < len(cells) - 1
    ]
    odours = [r for r, c in labels.items() if c.field == "odour"]

    def smells(c: int) -> bool:
        return any(type(v := grid.rows[r][c]) is str and own_word("odour", v) for r in odours)

    made = set()
    between = range(at + 1, max(units, at + 1))
    figures = any(looks_like_value(grid.rows[r][c]) for r in rows for c in between)  # of outlets left of their units
    for c, cells in enumerate(zip(*(grid.rows[r] for r in rows))):
        filled = set(cells) - {None} if c > at and c != units else ()
        if filled and all(type(v) is str and not may_be_reading(v) for v in filled):
            if c in between and not figures and not smells(c) or any(is_method(row[c]) for row in grid.rows):
                made.add(c)
    return frozenset(made)


def is_method(text: Any) -> bool:
    """Whether a heading says that its column tells how something was measured: "Method", "Messgerät"."""
    return type(text) is str and plain(text) in load_toml("limits_reading.toml")["rows"]["method_words"]


def _blocks(grid: Grid, side: _Side, spec: TableSpec | None) -> list[tuple[int, int, list[int], int]]:
    """(first row of what is about it, row of the outlets' names, its rows, row after its last) of each table."""
    rows = sorted(side.labels)
    outlet = spec.fields.get("outlet") if spec is not None else None
    stated = spec is not None and spec.orientation == "across"
    if outlet is not None and outlet.row >= 0:
        names = [outlet.row]
    else:
        names = [r for r in rows if side.labels[r].field == "outlet"]
        dates = [r for r in rows if side.labels[r].field == "test_date"]
        if names and not any(_names_two(grid, side, r) for r in names):
            # One outlet, its dates across.
            names = dates if all(_names_two(grid, side, r) for r in dates) else []
    if not names:
        names = _names_above(grid, side, rows)
    if not names or not stated and any(not _names_two(grid, side, r) for r in names):
        return []
    if not stated and _labels_among_values(grid, side, [r for r in rows if r > min(names)]):
        return []
    made = []
    begin = 0
    for i, name in enumerate(names):
        end = names[i + 1] if i + 1 < len(names) else len(grid.rows)
        filled = {r: _filled(grid, side, r) for r in range(begin, end)}
        last = max((r for r in range(name, end) if _is_line(grid, side, r, filled[r])), default=name)
        if i + 1 < len(names):
            here = rows[bisect(rows, name) : bisect_left(rows, end)]
            end = max((r for r in here if side.labels[r].field in READINGS), default=end - 1) + 1
            last = min(last, end - 1)
        start = name
        while (
            start > begin
            and start - 1 in side.labels
            and filled[start - 1] > 1
            and not _form_like(grid.rows[start - 1], side.at)
        ):
            start -= 1
        body = range(start, last + 1)
        if stated or any(
            r in side.labels and _may_read(side.labels[r]) for r in body
        ):  # else dates over outlets, or words
            made.append((begin, name, list(body), end))
        begin = end
    return made


def _may_read(c: Column) -> bool:
    return not READINGS.isdisjoint((c.field, *c.heading.candidates))


def _none_of_today(grid: Grid, side: _Side, names: int) -> dict[int, str]:
    """Columns under a word over the names that makes them no tests of today: "Previous" | "Now", or "Limit" over no name.

    A word reaches over blanks as far as it is merged, or as the next one.
    """
    row = names - 1
    cells = grid.rows[row] if names > 0 else ()
    last = max((at for at, v in enumerate(cells) if v is not None), default=-1)
    over: dict[int, str] = {}
    text = ""
    for at in range(side.at + 1, len(cells)):
        if cells[at] is not None:
            text = str(cells[at])
        elif at > last and (row, at) not in grid.covered:
            break
        over[at] = text
    later = any(map(is_later, over.values()))
    made: dict[int, str] = {}
    for at, text in over.items():
        kind = kind_of(text)
        earlier = kind == "earlier" or later and kind == "value" and not is_later(text)
        beside = kind in ("limit", "unit", "verdict") and cells[at] is not None and grid.rows[names][at] is None
        if at != side.units and at not in side.methods and (earlier or beside):
            made[at] = text
    return made


def _filled(grid: Grid, side: _Side, row: int) -> int:
    cells = side.values(grid.rows[row])
    return len(cells) - cells.count(None)


def _is_line(grid: Grid, side: _Side, row: int, filled: int) -> bool:
    """Whether a row below the names belongs to the table: a reading, remarks, or a text with several values beside it."""
    known = side.labels.get(row)
    if known is not None and (known.field in READINGS or known.field == "remarks" or known.field not in SHARED):
        return True
    return filled > 1 and grid.rows[row][side.at] is not None


def _names_above(grid: Grid, side: _Side, rows: list[int]) -> list[int]:
    """The rows that hold the outlets' names where nothing calls them Outlet: above the readings, and where these begin again."""
    found: list[int] = []
    seen: set[str] = set()
    last = -1
    for reading in (r for r in rows if side.labels[r].field in READINGS):
        field = side.labels[reading].field
        if not found or field in seen:
            for row in range(reading - 1, max(reading - 6, last), -1):
                corner, again = grid.rows[row][side.at], grid.rows[found[0]][side.at] if found else None
                alike = not found or corner == again or is_date(corner) and is_date(again)
                if row not in side.labels and row not in side.things and alike and _names_two(grid, side, row):
                    found.append(row)
                    seen = set()
                    break
        seen.add(field)
        last = reading
    return found


def _names_two(grid: Grid, side: _Side, row: int) -> bool:
    """Whether a row names an outlet in two columns or more to the right of the labels."""
    cells = grid.rows[row]
    if _form_like(cells, side.at) or are_pairs(cells):
        return False
    named = filter(_is_name, side.values(cells))
    return next(named, None) is not None and next(named, None) is not None


def _form_like(cells: Sequence[Any], first: int) -> bool:
    """Whether a row holds labels, each with its value: "Site | North yard | Date | 3.4.2026"."""
    for c in range(first + 2, len(cells) - 1):
        known = label(cells[c])
        if (
            known is not None
            and known.field in _OF_A_VISIT
            and cells[c + 1] is not None
            and label(cells[c + 1]) is None
        ):
            return True
    return False


def _is_name(value: Any) -> bool:
    if value is None:
        return False
    return type(value) is not str or not (kind_of(value) in NO_TEST or is_total(value) or _a_label(value))


def _a_label(text: Any) -> bool:
    known = label(text)
    return known is not None and bool(known.field)


def _labels_among_values(grid: Grid, side: _Side, rows: list[int]) -> bool:
    """Whether labels stand among the values too, as in a form with several columns of labels."""
    values = [side.values(grid.rows[row]) for row in rows]
    known = {v for v in set().union(*values) if type(v) is str and _a_label(v)}
    return bool(known) and sum(not known.isdisjoint(some) for some in values) >= 2


def _with_unit(grid: Grid, side: _Side, row: int, names: int) -> Column | None:
    """The label of a row with its unit; one that is not listed is what its words and unit say, a note too."""
    beside = grid.rows[row][side.units] if side.units >= 0 else None
    unit = str(beside) if is_unit(beside) else ""
    known, text = side.labels.get(row), grid.rows[row][side.at]
    if known is not None and not unit:
        return known._replace(at=row)
    if known is None and (row == names or type(text) is not str or looks_like_value(text)):
        return None
    return column(row, known.text if known is not None else text.rstrip(": "), unit=unit)
