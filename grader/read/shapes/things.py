"""Lists of instruments and detector tubes on a sheet: each row names what it measures, and none of it is a reading."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from functools import lru_cache
from typing import Any, NamedTuple

from grader.columns import FIELDS
from grader.read.shapes.grid import Grid
from grader.read.words.dates import is_date
from grader.read.words.labels import READINGS, TUBE_DETAILS, column, is_unit, label, looks_like_value, tube_detail
from grader.read.words.loose import loose_word, own_word
from grader.read.words.unclear import classes_of

_LEAST_DETAILS, _MOST_HEADINGS = 2, 10
THINGS = frozenset(("tube", "instrument"))


class Things(NamedTuple):
    """One list. head : row of its headings. rows : of the things. details : columns of serial numbers, lots, days."""

    head: int
    rows: range
    details: list[int]


def lists_of_things(grid: Grid, first: int, stop: int) -> list[Things]:
    """The lists between two rows: below two headings or more for serial numbers, lots, calibrations or expiries, among none
    of a table of tests; below one for a lot or an expiry where the row below it names what a tube is for."""
    made: list[Things] = []
    row = first
    while row < stop - 1:
        details = _details(grid.rows[row], grid.rows[row + 1])
        rows = _rows(grid, row, stop, details) if details else range(0)
        if rows:
            made.append(Things(row, rows, details))
        row = rows.stop if rows else row + 1
    return made


def _details(cells: Sequence[Any], below: Sequence[Any]) -> list[int]:
    """Columns under headings for what is known of a thing; [] where a row does not head a list, or is no row of texts."""
    if not _LEAST_DETAILS <= len(cells) - cells.count(None) <= _MOST_HEADINGS:
        return []
    filled = [(at, v) for at, v in enumerate(cells) if v is not None]
    if not all(type(v) is str for _, v in filled):
        return []
    further = [v for _, v in filled[1:]]
    found = [at for at, v in filled if _of_a_thing(v) and not any(map(str.isdigit, v))]  # no "SN 123"
    of_a_tube = any(map(tube_detail, further)) and tube_of(next((v for v in below if v is not None), None))
    return [] if any(map(_of_a_table, further)) or len(found) < _LEAST_DETAILS and not of_a_tube else found


def _rows(grid: Grid, head: int, stop: int, details: list[int]) -> range:
    """The rows of a list; none where one of them is a row of a table of readings."""
    first = next(v for v in grid.rows[head] if v is not None)
    least = 2 if not THINGS.isdisjoint(classes_of(first)) else 1  # values of a table: "Tube | Lot | Article"
    row = head + 1
    while row < stop and any(grid.rows[row][at] is not None for at in details):
        if reading := _reading(grid.rows[row], details, least):
            return range(head + 1, row if reading == "form" else head + 1)
        row += 1
    return range(head + 1, row)


def tube_of(text: Any) -> str:
    """What the tube of a reading is for that a text names; "" where it names none."""
    known = label(text)
    return FIELDS[known.field].tube if known is not None and known.field else ""


def _reading(cells: Sequence[Any], details: Collection[int], least: int) -> str:
    """What a row below the headings of a list is where it is a reading with its value, and none of the list; else "".

    "table": values stand in columns that are none of the list's own, as those of outlets across do; "form": nothing in
    the row is a lot, a serial number in letters or a day. details : columns of these; least : values of a table, at least.
    """
    named = ((at, c) for at, v in enumerate(cells) if (c := label(v)) and {c.field, *c.heading.candidates} & READINGS)
    at, known = next(named, (-1, None))
    if known is None:
        return ""
    worded = bool(known.field) and bool(FIELDS[known.field].words)

    def measured(v: Any) -> bool:
        said = type(v) is str and worded and (own_word(known.field, v) or loose_word(known.field, v))
        return bool(said) or looks_like_value(v) and not is_date(v)

    beside = {c: v for c, v in enumerate(cells) if c > at and v is not None and not is_unit(v)}
    if sum(measured(v) for c, v in beside.items() if c not in details) >= least:
        return "table"
    mine = [v for c, v in beside.items() if c in details]
    figures = [v for v in mine if measured(v)]
    if worded or any(type(v) is float and not v.is_integer() for v in figures):
        return "form"
    return "form" if figures == mine and len(details) >= _LEAST_DETAILS > len(mine) > 0 else ""


@lru_cache(maxsize=5_000)
def _of_a_thing(text: str) -> bool:
    fields = column(-1, text, guessing=False).heading.candidates
    ends = ("instrument", "calibration_due", *TUBE_DETAILS)
    return bool(fields) and fields[0].endswith(ends) or bool(tube_detail(text))


@lru_cache(maxsize=5_000)
def _of_a_table(text: str) -> bool:
    found = column(-1, text, guessing=False)
    if found.field == "outlet" or found.kind in ("parameter", "value"):
        return True
    return not READINGS.isdisjoint(found.heading.candidates)
