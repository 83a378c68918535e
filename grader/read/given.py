"""What is given for all tests of a table: above it, in a banner, on another sheet, in a sheet's name, by a layout file."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any, NamedTuple

from grader.columns import FIELDS
from grader.problems import Place, Table, Unreadable
from grader.read.shapes.tables import both
from grader.read.words.heading_words import CERTAIN, LIKELY

_BY_LAYOUT = "layout file "
# Places from the outer to the inner: each goes on until another is named, and one that changes ends those within it.
_PLACES = ("client", "site", "site_address", "system", "location")
_OF_ITS_OWN = {"outlet", "test_time"}  # of a section that does not name it nothing is known


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
    how = how_of(more) | table.how
    return table._replace(constants=table.constants | constants_of(more), how=how) if more else table


def going_on(sections: Sequence[Mapping[str, Given]]) -> list[dict[str, Given]]:
    """What goes on in each of several sections below each other from those above it. sections : what is said of each."""
    stated: dict[str, set[str]] = {}
    for f, one in (pair for said in sections for pair in said.items()):
        stated.setdefault(f, set()).add(str(one.value))
    above: dict[str, Given] = {}
    made = []
    for said in sections:
        above = {f: one for f, one in above.items() if _goes_on(f, said, above)}
        more = {f: _still(f, one, stated[f]) for f, one in above.items() if f not in said}
        made.append({f: one for f, one in more.items() if one is not None})
        above |= said
    return made


def _goes_on(field: str, said: Collection[str], above: Mapping[str, Given]) -> bool:
    """Whether what is said of a field above a section holds in it too, where the section says nothing of it."""
    if field in _PLACES:
        return not any(outer in said for outer in _PLACES[: _PLACES.index(field)])
    return field not in _OF_ITS_OWN and not (field == "test_date" and {"client", "site"} & {*said} & {*above})


def _still(field: str, one: Given, stated: Collection[str]) -> Given | None:
    """What is said above, in a section that does not say it: itself where nothing else is said anywhere, else not read."""
    if field in _PLACES or field == "test_date" or len(stated) == 1:
        return one
    if FIELDS[field].kind == "text":
        return None
    return one._replace(value=Unreadable(" / ".join(sorted(stated)), "twice"))
