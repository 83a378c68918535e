"""Rows between tests that name the site, the date or the system for the rows below.

A banner with a label ("Site: North yard") or in the column of its own field is certain. A name alone is taken
only where its row shows that it is no outlet, and then queried. A date alone is a test date.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from typing import Any, NamedTuple

from grader.problems import Place, Unreadable
from grader.read.extract import READINGS
from grader.read.given import Given
from grader.read.shapes.grid import Grid
from grader.read.shapes.labelled import Pair
from grader.read.shapes.pairs import given_by, labels_alone, pairs
from grader.read.shapes.rows import name_pattern
from grader.read.shapes.tables import shown
from grader.read.words.clauses import SAID, without_tester
from grader.read.words.dates import date_within, is_date, is_when, of_a_visit
from grader.read.words.heading_words import LIKELY
from grader.read.words.labels import NUMBERS, SHARED, Column, column, inline, label, looks_like_value, may_be_reading
from grader.read.words.supplied import caption_of, line_of

NAME_ALONE = "banner row without a label"
_MOST_CELLS = 6
_LONGEST_NAME = 60
_PLACES = frozenset({"location", "site", "system"})
_NO_BANNER = ("again", "beside", "total", "units")
_FED = ("supply", "dryer")
_A_TEST = 2  # readings of a row that is no caption: one may be a number of a quarter
_WIDE = 3  # merged columns from which a row is surely a banner


class Banner(NamedTuple):
    """One banner row. at : its position among the table's rows. given : what it says of the tests below it."""

    at: int
    column: int
    shown: Any
    given: dict[str, Given]

    @property
    def guessed(self) -> bool:
        """Whether anything that it says has no label."""
        return any("without a label" in one.how for one in self.given.values())


def banners_of(
    grid: Grid,
    values: Mapping[str, list[Any]],
    fields: Mapping[int, str],
    kinds: list[str],
    span: tuple[int, int],
    known: set[str],
) -> list[Banner]:
    """The banner rows among the rows of a table.

    values : field -> its cells. fields : line -> field. kinds : what each row is otherwise (rows.kinds_of).
    known  : fields that the table has anyway.
    """
    readings = [v for f, v in values.items() if f in READINGS]
    outlet = next((at for at, f in fields.items() if f == "outlet"), None)
    wide = {top for top, left, bottom, right in grid.merges if top == bottom and right - left + 1 >= _WIDE}
    kept = [kind == "test" for kind in kinds]
    dated = "test_date" in values
    # Outlets may be named so themselves: "Bay 1 - airline".
    named_so = any(
        type(v) is str and caption_of(v) for i, v in enumerate(values.get("outlet", ())) if _is_read(readings, kept, i)
    )
    found: list[Banner] = []
    names: list[Banner] = []  # in the column of outlets
    for index, kind in enumerate(kinds):
        row = span[0] + index
        cells = grid.rows[row]
        if kind in _NO_BANNER or not 0 < len(cells) - cells.count(None) <= _MOST_CELLS:
            continue
        filled = grid.filled(row)
        at, value = filled[0]
        if labelled := _labelled(grid, row, filled):
            found.append(Banner(index, at, value, labelled))
            continue
        read = sum((v := some[index]) is not None and may_be_reading(v) and not is_date(v) for some in readings)
        if read >= _A_TEST:
            continue
        over = _over_a_heading(grid, kinds, span, index)
        said = caption(grid, row, known, over) if len(filled) > 1 and (over or not read) else {}
        if "test_date" in said and (over or fields.get(said["test_date"].place.column or 0, "") in NUMBERS):
            found.append(Banner(index, at, value, said))
            continue
        if over and not read and (len(filled) > 1 or _is_title(value)):
            kinds[index] = "caption"
            continue
        own, place = fields.get(at, ""), grid.place(row, at)
        over_tests = (
            len(filled) == 1 and not read and own != "remarks" and not named_so and _is_read(readings, kept, index + 1)
        )
        if over_tests and (composed := _composed(value, place, known, dated)):
            found.append(Banner(index, at, value, composed))
            continue
        # Remarks of the row above go on in a row of their own.
        if len(filled) > 1 or any(v[index] is not None for v in readings) or own == "remarks":
            continue
        day = value if is_date(value) else date_within(without_tester(value)) if type(value) is str else None
        if day and (own == "test_date" or not dated):
            if day is value or column(-1, value.replace(day, "")).kind != "note":  # "Next visit 13 April 2026"
                found.append(Banner(index, at, value, _alone("test_date", place, day)))
        elif type(value) is not str or is_date(value) or not (_is_name(value) or _is_hall(value)):
            continue
        elif own in SHARED:
            if _blank_below(values[own], kept, index):
                found.append(Banner(index, at, value, _alone(own, place, value)))
        elif row in wide or at != outlet or _is_hall(value) and kept[index + 1 : index + 2] == [True]:
            found.append(Banner(index, at, value, place_of(value, place, known)))
        else:
            names.append(Banner(index, at, value, place_of(value, place, known)))
    halls = [b.at for b in found if b.guessed and b.column == outlet]
    patterns = {name_pattern(str(n)) for i, n in enumerate(values.get("outlet", ())) if _is_read(readings, kept, i)}
    places = [b for b in names if any(at < b.at for at in halls) and _is_read(readings, kept, b.at + 1)]
    places = [b for b in places if name_pattern(b.shown) not in patterns]  # "Yard" below "Hall A", between A1 and B1
    found += places
    names = [b for b in names if b not in places]
    if len(names) > 1 and _come_again(values["outlet"], kept, {b.at for b in names}, {b.at for b in found}):
        found += names
    if any("site" in b.given and not b.guessed for b in found):  # "Site: Mill", "Hall 1"
        found = [_within_a_site(b, known | {"site"}) for b in found]
    return sorted((b for b in found if b.given), key=lambda b: b.at)


def _within_a_site(banner: Banner, known: set[str]) -> Banner:
    """A banner whose name alone was taken for the site, where others say which site it is."""
    one = banner.given.get("site")
    if one is None or not banner.guessed or "without a label" not in one.how:
        return banner
    others = {f: other for f, other in banner.given.items() if f != "site"}
    return banner._replace(given=others | place_of(one.text, one.place, known))


def _is_read(readings: list[list[Any]], kept: list[bool], index: int) -> bool:
    """Whether a row is a test with a reading."""
    return index < len(kept) and kept[index] and any(some[index] is not None for some in readings)


def _is_title(value: Any) -> bool:
    """Whether a cell alone is a title of the tests below it, whatever it says."""
    return type(value) is str and of_a_visit(value) and not date_within(without_tester(value)) and not is_date(value)


def _alone(field: str, place: Place, value: Any, how: str = "banner row") -> dict[str, Given]:
    """What a row gives that holds one value and no label."""
    return {field: Given(place, value, shown(value), how)}


def _labelled(grid: Grid, row: int, filled: list[tuple[int, Any]]) -> dict[str, Given]:
    """The values of a row that holds labels with their values and nothing else; {} where it is none."""
    first = filled[0][1]
    if len(filled) == 1 and inline(first) is None and not (type(first) is str and line_of(first).feed):
        return {}
    found = labels_alone(grid, row)
    if any(p.value is None or p.label.field not in SHARED for p in found):
        return {}
    return _said(grid, found)


def _composed(value: Any, place: Place, known: set[str], dated: bool) -> dict[str, Given]:
    """What a line made of a place, a day and a supply gives: "North Yard - 12 May 2026 - airline"; {} where it is none."""
    found = caption_of(without_tester(value)) if type(value) is str else None
    if found is None or dated and not found.feed:
        return {}
    said = {"test_date": "" if dated else found.day} | ({f: getattr(found.feed, f) for f in _FED} if found.feed else {})
    made = {field: Given(place, v, value, "banner row") for field, v in said.items() if v}
    if of_a_visit(found.name) or is_when(found.name, rounds=True):
        return {}
    return place_of(found.name, place, {*known, *made}) | made  # the place first: the next one ends what was said of it


def _said(grid: Grid, found: list[Pair]) -> dict[str, Given]:
    given = ((p.label.field, given_by(grid, p, f"banner row, {p.label.text}")) for p in found)
    # What a line says of a supply keeps the line, to be held against the rest of the workbook.
    texts = {p.label.field: p.label.text for p in found if p.label.how in SAID and p.label.field in _FED}
    return {field: one._replace(text=texts.get(field, shown(one.value)), sure=LIKELY) for field, one in given}


def caption(grid: Grid, row: int, known: Collection[str], over: bool = False) -> dict[str, Given]:
    """What a row of words over a block of tests says: what it labels, its one day, and the hall that it begins with.

    A day without a label counts where the words beside it, or in its cell, say which visit it was or that tests were
    made then: "2nd quarter | | 21.4.2026", "1. Quartal | geprüft am 14.01.2026". over : the row surely is a caption;
    then a day beside other words may be the tests' or not ("Filters fitted | | 21.4.2026"): neither it nor another is read.
    """
    filled = [(at, without_tester(v) if type(v) is str else v) for at, v in grid.filled(row)]
    days = [(at, (v if is_date(v) else date_within(v)) if not _is_figure(v) else None) for at, v in filled]
    if len(filled) > _MOST_CELLS or any(_is_figure(v) for _, v in filled) and not over or not any(d for _, d in days):
        return {}
    made = _said(grid, [p for p in pairs(grid, row, row + 1) if p.value is not None and p.label.field in SHARED])
    if "test_date" not in made:
        said: list[dict[str, Given]] = []
        for (_, left), (_, value), (at, day) in zip([(0, ""), *filled], filled, days):
            beside = column(-1, str(left) if day is value else str(value).replace(str(day), ""))
            if day and _of_tests(beside):
                said.append(_alone("test_date", grid.place(row, at), day, "caption over the tests"))
            elif day and over and beside.kind not in ("note", "field"):
                bare = len(filled) == 1 and not any(map(str.isalpha, beside.text))
                bare |= (
                    len(filled) == 2
                    and "test_date" not in known
                    and all(d or _is_hall(v) for (_, v), d in zip(filled, days))
                )
                what = day if bare else Unreadable(shown(day), "twice")
                how = "caption over the tests, without a label"
                said.append(_alone("test_date", grid.place(row, at), what, how))
        made |= said[0] if len(said) == 1 else {}
    title = filled[0][1]
    if made and type(title) is str and _is_hall(title):
        made |= place_of(title, grid.place(row, filled[0][0]), {*known, *made})
    return made


def _is_figure(value: Any) -> bool:
    return type(value) is not str and not is_date(value)


def _of_tests(beside: Column) -> bool:
    """Whether words beside a day say that tests were made on it, or which visit it was."""
    said = of_a_visit(beside.text) or is_when(beside.text, rounds=True)
    return "test_date" in beside.heading.candidates or said and beside.kind != "note"


def _over_a_heading(grid: Grid, kinds: list[str], span: tuple[int, int], index: int) -> bool:
    """Whether below a row comes a heading, of this table again or of the next one, and above it a gap or another heading."""
    rest = ((i, k) for i, k in enumerate(kinds[index + 1 :], index + 1) if not grid.is_blank(span[0] + i))
    below = next(rest, (index + 2, "again" if span[1] < len(grid.rows) else ""))
    above = index == 0 or kinds[index - 1] == "again" or grid.is_blank(span[0] + index - 1)
    return below[1] == "again" and above


_ASIDE = re.compile(r"\s[-–—]\s|[,;(]")  # behind it stands what the hall is like
_LETTERED = re.compile(r".*\w\s+[A-Z]$")  # "Hall A"; "Hall" alone is a label


def _is_hall(text: str) -> bool:
    """Whether a name says by a word that it is a part of the works: "Hall B", "Building 3 - plating"."""
    name = _ASIDE.split(text)[0] if len(text) <= _LONGEST_NAME else text
    candidates = column(-1, name, guessing=False).heading.candidates
    alone = label(text) is not None and not _LETTERED.match(text)
    return bool(candidates) and _PLACES.issuperset(candidates) and not alone


def _is_name(text: str) -> bool:
    text = text.strip()
    return (
        len(text) <= _LONGEST_NAME
        and len(text.split()) <= 7
        and not text.endswith((".", "!", "?"))
        and not looks_like_value(text)
        and any(ch.isalpha() for ch in text)
    )


def _blank_below(values: list[Any], kept: list[bool], index: int) -> bool:
    """Whether the next test below leaves the banner's own column blank: then the banner fills it."""
    following = next((i for i in range(index + 1, len(kept)) if kept[i]), None)
    return following is not None and values[following] is None


def place_of(text: str, place: Place, known: set[str]) -> dict[str, Given]:
    """What a name alone is taken for: the site, which keeps outlets of two names apart in everything; where the
    site is known, what its words say, or the location."""
    said = [f for f in column(-1, text).heading.candidates if f in ("system", "location")]
    field = next((f for f in ("site", *said, "location", "system") if f not in known), None)
    return _alone(field, place, text, NAME_ALONE) if field else {}


def _come_again(outlets: list[Any], kept: list[bool], names: set[int], others: set[int]) -> bool:
    """Whether under each of several names that stand alone in the column of outlets the same outlets come again."""
    parts: list[set[str]] = []
    for index in range(min(names), len(kept)):
        if index in names:
            parts.append(set())
        elif kept[index] and outlets[index] is not None and index not in others:
            parts[-1].add(str(outlets[index]).strip())
    return all(parts) and bool(set.intersection(*parts))


def segments(
    kept: list[bool], banners: list[Banner]
) -> tuple[list[tuple[int, int, dict[str, Given]]], dict[str, Given], list[Banner]]:
    """(parts as (first, stop, what is given), what banners below the last test give, banners that name nothing).

    A banner of a field that came first is the outer one: a new site ends the date below it, not the other way.
    """
    levels: list[str] = []
    state: dict[str, Given] = {}
    parts: list[tuple[int, int, dict[str, Given]]] = []
    begin = 0
    fresh: set[str] = set()
    pending: list[Banner] = []
    for banner in banners:
        if any(kept[begin : banner.at]):
            parts.append((begin, banner.at, dict(state)))
            pending, fresh = [], set()
            begin = banner.at
        for field in banner.given:
            if field not in levels:
                levels.append(field)
        outer = min(levels.index(f) for f in banner.given)
        for field in levels[outer + 1 :]:
            if field not in banner.given and field not in fresh:
                state.pop(field, None)
        state.update(banner.given)
        fresh |= set(banner.given)
        pending.append(banner)
    if any(kept[begin:]):
        return [*parts, (begin, len(kept), state)], {}, []
    footers = {f: one for b in pending if not b.guessed for f, one in b.given.items()}
    return parts or [(0, len(kept), {})], footers, [b for b in pending if b.guessed]
