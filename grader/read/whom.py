"""Which tests a text means: by the names of their outlets, locations and systems, by days, by sites.

One answer for what is said on a sheet (region.py), in a workbook (elsewhere.py) and in a run (heard.py).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Set
from functools import cached_property, lru_cache
from typing import Any, Generic, NamedTuple, TypeVar

from grader.problems import Table
from grader.read.shapes.tables import shown
from grader.read.words.dates import DATES, days_in, is_month
from grader.read.words.outlet_names import names, runs_of_words, words_between
from grader.read.words.said import REMARKS
from grader.read.words.spelling import key
from grader.read.words.unclear import classes_of

Day = tuple[int, int, int]  # year, month, day; of a month day 0
T = TypeVar("T")
PLACES = ("system", "location")


class Whom(NamedTuple):
    """What stands beside a thing that is said and may tell of which tests it is; "" or nothing where that is not told.

    row : the texts of its row. mark : a sign or code that tests carry. site, outlet : those of its row, by headings.
    above : titles over it, the nearest first. parts : system and location (field, name as compared) of its test, no other's.
    visit : days and sites (as compared) of the tests beside it, where it is said of all tests of that visit.
    sheet : of whose tests it is, where it names no outlet of another.
    """

    row: tuple[str, ...] = ()
    mark: str = ""
    site: str = ""
    outlet: str = ""
    above: tuple[str, ...] = ()
    parts: tuple[tuple[str, str], ...] = ()
    visit: tuple[frozenset[Day], frozenset[str]] | None = None
    sheet: str = ""


class Outlets(Generic[T]):
    """Tests by the names of their outlets, so that a text is held against those alone whose words it holds.

    by_name : name -> its tests. keys : name as compared -> names. most : words of one, at most.
    places : tests by their locations and systems, None where they are not looked for.
    """

    def __init__(self, tests: Iterable[tuple[str, T]], places: Iterable[tuple[str, str, T]] = ()) -> None:
        named = list(places)
        fields = PLACES if named else ()
        self.places = [(field, Outlets((name, test) for f, name, test in named if f == field)) for field in fields]
        self.by_name: dict[str, list[T]] = {}
        for name, test in tests:
            self.by_name.setdefault(name, []).append(test)
        self.keys: dict[str, list[str]] = {}
        for name in self.by_name:
            self.keys.setdefault(key(name), []).append(name)
        self.keys.pop("", None)
        self.most = max((len(words_between(name)) for name in self.by_name), default=1)
        self.told: dict[str, list[str]] = {}

    def within(self, text: str) -> list[str]:
        """The names that a text names among other words."""
        if text not in self.told:
            runs = runs_of_words(text, self.most) & self.keys.keys()
            self.told[text] = [name for run in runs for name in self.keys[run] if names(text, name)]
        return self.told[text]

    def in_row(self, row: Iterable[str]) -> set[T]:
        """The tests whose outlets a row names: in a cell of its own, or within a text where the name has several signs."""
        named = {name for text in row for name in (*self.keys.get(key(text), ()), *self.within(text))}
        found = {test for name in named for test in self.by_name[name]}
        return found | self.at_places(row, found) if self.places else found

    def at_places(self, row: Iterable[str], named: Set[T], whole: bool = True) -> set[T]:
        """The tests at the locations and systems that a row names, but for those where one of its outlets stands.

        whole : also where a text is nothing but such a name.
        What all tests share is not bound to a location: "Workshop compressor defective"; nor is a meter to a system.
        """
        made: set[T] = set()
        said = " ; ".join(row := tuple(row))
        for field, outlets in self.places:
            if REMARKS.say(said, "general.kit", *["general.shared"] * (field == "location")):
                continue
            alone = {n for text in row for n in outlets.keys.get(key(text), ())} if whole else set[str]()
            for name in alone.union(*map(outlets.within, row)):
                tests = set(outlets.by_name[name])
                made |= tests if tests.isdisjoint(named) else set()
        return made


class Tests:
    """The tests of one table by what a text may tell of them. outlets : the name of each, "" where it has none."""

    def __init__(self, table: Table) -> None:
        self.table = table
        self.outlets = ["" if n is None else shown(n) for n in outlets_of(table)]

    @cached_property
    def named(self) -> Outlets[int]:
        """Them by their outlets and places."""
        return Outlets(((name, i) for i, name in enumerate(self.outlets) if name), places_of(self.table))

    @cached_property
    def by_day(self) -> dict[Day, set[int]]:
        """Them by their days."""
        return days_of(self.table)

    @cached_property
    def by_site(self) -> dict[str, set[int]]:
        """Them by their sites as compared, "" for none."""
        made: dict[str, set[int]] = {}
        for i, site in enumerate(values_of(self.table, "site")):
            made.setdefault(key("" if site is None else shown(site)), set()).add(i)
        return made

    def meant(self, whom: Whom) -> set[int]:
        """Those that are named, or carry its mark; where the site, system or location is told, none of another."""
        mine = {*(self.named.in_row(whom.row) if whom.row else ()), *self.table.marks.get(whom.mark, ())}
        if whom.site and self.by_site.keys() - {""}:
            mine &= self.by_site.get(key(whom.site), set())
        for field, name in whom.parts if mine else ():
            places = values_of(self.table, field)
            mine = {i for i in mine if places[i] is None or key(shown(places[i])) == name}
        return mine

    def of_visit(self, days: Set[Day], sites: Set[str]) -> bool:
        """Whether there are some on one of some days, and at one of some sites, as far as both are known."""
        own, here = self.by_day.keys(), self.by_site.keys() - {""}
        return not (own and days and own.isdisjoint(days)) and not (here and sites and here.isdisjoint(sites))


def values_of(table: Table, field: str) -> list[Any]:
    """The values of a field, one a test, what holds for all merged in."""
    of_all = table.constants.get(field, ("", None))[1]
    return [of_all if v is None else v for v in table.columns.get(field) or [None] * len(table.rows)]


def outlets_of(table: Table) -> list[Any]:
    """The outlet of each test of a table, None where it has none."""
    return table.columns.get("outlet") or [table.constants.get("outlet", ("", None))[1]] * len(table.rows)


def places_of(table: Table) -> Iterator[tuple[str, str, int]]:
    """(field, name, test) of the locations and systems of a table; a system called Plant S2 is one called S2 too."""
    for field in PLACES:
        for i, value in enumerate(values_of(table, field)):
            if type(value) is str and any(map(str.isalpha, value)):
                last = value.split()[-1]
                yield field, value, i
                if field == "system" and last != value and any(map(str.isdigit, last)) and any(map(str.isalpha, last)):
                    yield field, last, i


def days_of(table: Table) -> dict[Day, set[int]]:
    """The tests of a table by their days as texts name them, and by their months."""
    value = table.constants.get("test_date", ("", None))[1]
    own = table.columns.get("test_date")
    tests: dict[Any, set[int]] = {} if own else {value: set(range(len(table.rows)))}
    for i, when in enumerate(own or ()):
        tests.setdefault(value if when is None else when, set()).add(i)
    made: dict[Day, set[int]] = {}
    for when in tests.keys() - {None}:
        days = days_in(when if type(when) is str else str(when)[:10])
        for day in days | {(year, month, 0) for year, month, _ in days}:
            made.setdefault(day, set()).update(tests[when])
    return made


def on(days: Iterable[Day], by_day: Mapping[Day, Set[T]]) -> set[T]:
    """The tests on one of some days."""
    return {test for day in days for test in by_day.get(day, ())}


@lru_cache(maxsize=20_000)
def days_told(text: str) -> frozenset[Day]:
    """The days that a text speaks of alone; none where it may tell of others.

    A meter, tubes or a plant that are bad on one day may have been so before; another month, `last` or `all` are other days.
    """
    days = days_in(text)
    if not days or REMARKS.say(text, "general.lasting", "general.all", "against.lapsed"):
        return frozenset()
    rest = DATES.sub(" ", text)
    other = "earlier" in classes_of(rest) or any(map(is_month, REMARKS.words(rest)))
    return frozenset() if other else days
