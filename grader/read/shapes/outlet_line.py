"""Which line of a table holds the names of its outlets where none is headed so: under Ref, Point, ID, No, or no heading."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from itertools import repeat
from typing import Any

from grader.read.words.dates import parse_date
from grader.read.words.heading_words import key
from grader.read.words.labels import READINGS, Column, is_placeholder
from grader.read.words.supplied import names_a_compressor

_LONGEST_NAME = 60
_NUMBER = re.compile(r"[\d./ -]*\d[\d./ -]*")


def outlet_line(lines: Sequence[Column], cells: Sequence[Sequence[Any]], stop: int = -1) -> tuple[int, list[Column]]:
    """The line of names, -1 for none; and those of who signed: behind all readings, where each test has a day of its own.

    lines : of a table, none of them its outlet. cells : of every line of the sheet, headed or not.
    stop  : of a table with one reading a row the line that names the readings.
    """
    known = {c.at: c for c in lines}
    readings = [c.at for c in lines if c.field in READINGS] or [0]
    first, last = (min(readings), max(readings)) if stop < 0 else (stop, stop)
    days = [v for c in lines if c.field == "test_date" for v in cells[c.at] if v is not None]
    one_a_day = len(days) > 1 and len(set(map(str, days))) == len(days)
    rows = sum(any(v is not None for v in row) for row in zip(*cells))
    may_be = {c.at for c in lines if "outlet" in c.heading.candidates}
    signed = [known[at] for at in may_be if at > last and one_a_day]

    def holds(at: int) -> bool:
        filled = [v for v in cells[at] if v is not None]
        kind = known[at].kind if at in known else ""
        if kind == "note" and one_a_day and not any(type(v) is str for v in filled):
            return False  # hours of a compressor
        names = {v for v in filled if _is_name(v)}
        few = kind in ("unknown", "note") and 2 * len(names) < len(filled) and not _apart(lines, cells, at)
        return bool(names) and 2 * len(filled) >= rows and not few

    by_place = {at for at in range(min(first + 1, len(cells))) if at not in known or known[at].kind in _ANY}
    found = sorted(by_place | may_be.difference(c.at for c in signed))
    if any(c.kind == "number" and c.at < first and is_running(cells[c.at]) for c in lines):
        found = [at for at in sorted(may_be) if at < first and _apart(lines, cells, at)][:1] or found
    machines = [c for c in lines if names_a_compressor(c.text) and c.at <= first and _apart(lines, cells, c.at)]
    places = [len(_different(cells[c.at])) for c in places_of_machines(lines)]
    of_places = [c.at for c in machines if any(0 < n <= len(_different(cells[c.at])) for n in places)]
    names = of_places or [at for at in found if holds(at)]
    if names and any(c.field == "site" for c in lines) and _is_serial(cells[names[0]]):
        # "Ref | Site | Station": next time the numbers are others.
        names = [at for at in sorted(may_be) if at < first and _are_points(lines, cells, at)][:1] or names
    for field in ("location", "system"):  # "Zone", "Ort"; "Kompressor" of what fills cylinders
        named = (c for c in lines if c.at <= first and (c.field or c.heading.candidates[:1] == ("location",)))
        names += [
            c.at
            for c in named
            if not names and field in (c.field, *c.heading.candidates[:1]) and _apart(lines, cells, c.at)
        ]
    return next(iter(names), -1), signed


def places_of_machines(lines: Sequence[Column]) -> list[Column]:
    """The lines of places that are sites where machines stand, no fewer than they: "Station | Compressor"."""
    return [c for c in lines if {"outlet", "site"} <= {*c.heading.candidates}]


def _different(cells: Sequence[Any]) -> set[str]:
    return {key(str(v)) for v in cells if v is not None}


_ANY = ("unknown", "number", "note")


def _is_serial(cells: Sequence[Any]) -> bool:
    """Whether cells hold numbers without a letter of which none comes again."""
    filled = [str(v) for v in cells if v is not None]
    return len(filled) > 1 and len(set(filled)) == len(filled) and all(map(_NUMBER.fullmatch, filled))


def _are_points(lines: Sequence[Column], cells: Sequence[Sequence[Any]], at: int) -> bool:
    """Whether a line names one point in each test of a site, none of them twice on a day."""
    named = sum(any(v is not None for v in row) for row in zip(*(cells[c.at] for c in lines if c.field in READINGS)))
    filled = [v for v in cells[at] if v is not None]
    short = all(_is_name(v) and any(map(str.isalpha, str(v))) for v in filled)
    return short and len(filled) >= named > 1 and _apart(lines, cells, at, ("site", "test_date"))


def _apart(
    lines: Sequence[Column], cells: Sequence[Sequence[Any]], at: int, of: Collection[str] = ("test_date",)
) -> bool:
    """Whether names tell the tests of each day apart: no two tests of a day have one, and there are several.

    of : fields of which each keeps names of its own; a blank cell repeats the one above.
    """
    kept = [cells[c.at] for c in lines if c.field in of]
    last: list[Any] = [None] * len(kept)
    pairs = []
    for row, name in zip(zip(*kept) if kept else repeat(()), cells[at]):
        last = [v if v is not None and key(str(v)) else before for v, before in zip(row, last)]
        if name is not None:
            pairs.append((str(last), key(str(name))))
    return len({name for _, name in pairs}) > 1 and len(set(pairs)) == len(pairs)


def is_running(cells: Sequence[Any]) -> bool:
    """Whether cells hold nothing but figures that count the rows."""
    figures = [v for v in cells if v is not None]
    numbers = len(figures) > 1 and all(type(v) in (int, float) for v in figures)
    return numbers and all(b - a == 1 for a, b in zip(figures, figures[1:]))


def _is_name(value: Any) -> bool:
    """Whether a cell can be an outlet's name: a short text, or a whole number."""
    if type(value) is str:
        return 0 < len(value) <= _LONGEST_NAME and not is_placeholder(value) and not parse_date(value).whole
    return type(value) in (int, float) and value == int(value) and 0 <= value < 100_000
