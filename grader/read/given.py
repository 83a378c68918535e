"""What is given for all tests of a table: above it, in a banner, on another sheet, in a sheet's name, by a layout file."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any, NamedTuple

from grader.problems import Place, Table
from grader.read.shapes.tables import both
from grader.read.words.heading_words import CERTAIN, LIKELY

_BY_LAYOUT = "layout file "


class Given(NamedTuple):
    """The value of one field for all tests of a table, or of a part of it.

    place : of the value. text : its label, or the text that was taken for it.
    how   : how it was understood; "" where there is nothing to say, as of the blank's own labels. sure : how sure the field is.
    """

    place: Place
    value: Any
    text: str = ""
    how: str = ""
    sure: str = LIKELY


def by_layout(sheet: str, row: int, value: Any, source: str) -> Given:
    """A value that a layout file states. row : of the headings, 0-based. source : name of the file."""
    return Given(Place(sheet, row, 0), value, "", _BY_LAYOUT + source, CERTAIN)


def is_by_layout(table: Table, field: str) -> bool:
    """Whether a layout file states the value of a field for all tests."""
    return field in table.constants and table.how.get(field, ("", "", ""))[1].startswith(_BY_LAYOUT)


def add(given: dict[str, Given], field: str, one: Given) -> None:
    """Take what is given of a field; where another value is given already, neither is read."""
    before = given.setdefault(field, one)
    if before.value != one.value:
        given[field] = before._replace(value=both(before.value, one.value))


def constants_of(given: Mapping[str, Given]) -> dict[str, tuple[Place, Any]]:
    """Field -> (Place, value), as a table has it."""
    return {field: (one.place, one.value) for field, one in given.items()}


def how_of(given: Mapping[str, Given]) -> dict[str, tuple[str, str, str]]:
    """Field -> how it was understood, as a table has it."""
    return {field: (one.text, one.how, one.sure) for field, one in given.items() if one.how}


def without(table: Table, fields: Collection[str]) -> Table:
    """A table without what is given of some fields."""
    return table._replace(
        constants={f: v for f, v in table.constants.items() if f not in fields},
        how={f: v for f, v in table.how.items() if f not in fields},
    )


def filled(table: Table, given: Mapping[str, Given]) -> Table:
    """A table with what is given for its tests; what the table states itself goes before."""
    more = {field: one for field, one in given.items() if field not in table.constants}
    return table._replace(constants=table.constants | constants_of(more), how=how_of(more) | table.how)
