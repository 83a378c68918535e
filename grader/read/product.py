"""Water written down three times, reading x multiplier = content: which line is which, by what the figures come to."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import permutations
from typing import Any

from grader.read.settle import as_field
from grader.read.words.labels import Column
from grader.read.words.notation import as_number
from grader.read.words.units import belongs

_TUBE, _TIMES, _CONTENT = "water_tube_mg_m3", "water_multiplier", "water_mg_m3"
_ROUNDED = 0.02  # of the content, which a person rounds; the worse of the two counts (compute/water.py)


def multiplied(columns: list[Column], cells: Mapping[int, list[Any]]) -> list[Column]:
    """The lines of a table with the tube reading, its multiplier and the content told apart by their figures.

    Only where two lines that may be water stand beside one that may be the multiplier, the product holds in every test with
    a content, and no other line is water for certain; else as they are.
    """
    filled = [c for c in columns if any(v is not None for v in cells.get(c.at, ()))]
    water = [c for c in filled if _may_be(c, _TUBE) or _may_be(c, _CONTENT)]
    times = [c for c in filled if c.field == _TIMES] or [c for c in filled if _may_be(c, _TIMES)]
    known = sorted(c.field for c in (*water, *times) if c.field)
    if len(times) != 1 or known == sorted((_TUBE, _TIMES, _CONTENT)):
        return columns
    for reading, content in permutations(water, 2):
        others = {c.field for c in water if c not in (reading, content)}
        units = {u for c in (reading, content) if (u := c.heading.unit or c.heading.told)}
        of_water = any(c.field for c in (reading, content)) or all(map(_is_water, (reading, content)))
        alike = len(units) < 2 and all(belongs(_TUBE, u) for u in units)
        if of_water and alike and others <= {""} and _is_product(*(cells[c.at] for c in (reading, times[0], content))):
            made = {reading.at: (reading, _TUBE), times[0].at: (times[0], _TIMES), content.at: (content, _CONTENT)}
            return [_told(*made[c.at], units) if c.at in made else c for c in columns]
    return columns


def _may_be(c: Column, field: str) -> bool:
    return c.field == field or c.kind == "unclear" and field in c.heading.candidates


def _is_water(c: Column) -> bool:
    """Whether a line that is not clear is of water before all else, whichever of the two it is."""
    return c.heading.candidates[0] in (_TUBE, _CONTENT)


def _told(c: Column, field: str, units: set[str]) -> Column:
    """A line as the field that the figures make it, in the unit of the other one where it states none."""
    unit = next(iter(units), None) if field != _TIMES else None
    return as_field(c._replace(heading=c.heading._replace(told=unit)), field, "reading x multiplier = content")


def _is_product(readings: list[Any], times: list[Any], contents: list[Any]) -> bool:
    """Whether each content is its reading times the multiplier, but for rounding, and one at least is more than its reading."""
    told = False
    for row in zip(readings, times, contents):
        if row[2] is None and (row[0] is None) == (row[1] is None):
            continue
        reading, by, content = map(as_number, row)
        if not (reading and by and content) or any(f.unit for f in (reading, by, content)):
            return False
        if reading.bound != content.bound or by.bound or by.value < 1:
            return False
        if not abs(reading.value * by.value - content.value) <= _ROUNDED * content.value:
            return False
        told |= by.value > 1 and content.value > 0
    return told
