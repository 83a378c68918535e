"""One thing that a cell says of tests, which of a workbook's outlets it speaks of, and how a table takes what is said of it."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Iterator, Sequence, Set
from typing import Any, Generic, NamedTuple, TypeVar

from grader.columns import FIELDS
from grader.problems import Place, Table, Unclear, Unreadable
from grader.read.given import is_by_layout
from grader.read.shapes.tables import shown
from grader.read.spoken import Day, days_of, days_told, outlets_of
from grader.read.words.beside import cleared
from grader.read.words.dates import days_in
from grader.read.words.figures import temperatures_in
from grader.read.words.heading_words import LIKELY
from grader.read.words.marks import meanings
from grader.read.words.outlet_names import names, of_more, runs_of_words, words_between
from grader.read.words.said import REMARKS
from grader.read.words.spelling import key
from grader.read.words.stated import Stated, stated
from grader.read.words.unclear import classes_of

SAID, COUNTED = "said_against", "failed_stated"
SAID_BETWEEN = " / "  # parts what several cells say against one test
_LEAST_LISTED = 2  # outlets of a list
T = TypeVar("T")
# How some things are said: of other days than those of the tests beside; in a list under a title, and in one without.
OF_OTHER_DAYS, LISTED, NOT_TITLED = "said of another day", "listed under a title", "listed without a title"


class Said(NamedTuple):
    """One thing that a cell says. place : of the cell. against : the words; stated : figures.

    lists : columns, or one line, that may list outlets to be used; cleared : those that they name.
    mark : the sign or code that it explains, by which tests carry what it says (of_one).
    of_one : what it says against the outlet that its row names, where it stands on a sheet without tests.
    fails : how many outlets are counted that did not pass, of how many tests (0: not said).
    row : the texts of that row. how : where it stands. measured : readings of that outlet that it states.
    visit : days and sites (as compared) of the tests beside it, where it is said of all tests of that visit.
    site, outlet : those of that row, by headings; "" where it has none. above : titles over it, the nearest first.
    parts : system and location of that row (field, name as compared), of which no test elsewhere is.
    """

    place: Place
    text: str
    against: str = ""
    stated: tuple[Stated, ...] = ()
    of_one: str = ""
    row: tuple[str, ...] = ()
    how: str = "said beside the tests"
    measured: tuple[Stated, ...] = ()
    mark: str = ""
    lists: tuple[tuple[str, ...], ...] = ()
    cleared: frozenset[str] = frozenset()
    fails: int = 0
    tests: int = 0
    visit: tuple[frozenset[Day], frozenset[str]] | None = None
    site: str = ""
    outlet: str = ""
    above: tuple[str, ...] = ()
    parts: tuple[tuple[str, str], ...] = ()

    def days(self) -> frozenset[Day]:
        """The days of which it speaks alone."""
        if self.how == OF_OTHER_DAYS:
            return days_in(self.text)
        return days_told(" ; ".join((self.text, *self.row)))


class Outlets(Generic[T]):
    """Tests by the names of their outlets, so that a text is held against those alone whose words it holds.

    by_name : name -> its tests. keys : name as compared -> names. most : words of one, at most.
    places : tests by their locations and systems, None where they are not looked for.
    """

    def __init__(self, tests: Iterable[tuple[str, T]], places: Iterable[tuple[str, str, T]] = ()) -> None:
        named = list(places)
        fields = _PLACES if named else ()
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


_PLACES = ("system", "location")


def places_of(table: Table) -> Iterator[tuple[str, str, int]]:
    """(field, name, test) of the locations and systems of a table; a system called Plant S2 is one called S2 too."""
    for field in _PLACES:
        for i, value in enumerate(_values(table, field)):
            if type(value) is str and any(map(str.isalpha, value)):
                last = value.split()[-1]
                yield field, value, i
                if field == "system" and last != value and any(map(str.isdigit, last)) and any(map(str.isalpha, last)):
                    yield field, last, i


class Figures:
    """Figures that texts state of a table's tests, each to be judged with as well.

    Readings in words are packed: one column for what may be the same fields, as long as its cells are free.
    """

    def __init__(self, table: Table) -> None:
        self.table = table
        self.others: list[Unclear] = []
        self.readings: dict[tuple[str, ...], list[tuple[list[Any], list[str], Place]]] = {}

    def add(self, tests: Collection[int], place: Place, text: str, figures: Iterable[Stated]) -> None:
        """Take what one text states of some tests."""
        for s in figures if tests else ():
            if type(s.value) is Unreadable and s.value.shown == self.table.units.get(s.choices[0]):
                continue  # the unit of its heading
            fields = tuple((f, "") for f in s.choices)
            if not FIELDS[s.choices[0]].reading:
                values = [s.value if i in tests else None for i in range(len(self.table.rows))]
                line = f'{s.choices[0]} = "{shown(s.value)}"'
                if not any(self._is_known(f, s.value) for f in s.choices):
                    self.others.append(Unclear(text, place, fields, values, line, aside=True))
                continue
            there = self.readings.setdefault(s.choices, [])
            if any(all(c[0][i] == s.value for i in tests) for c in there):
                continue
            free = next((c for c in there if all(c[0][i] is None for i in tests)), None)
            if free is None:
                there.append(free := ([None] * len(self.table.rows), [], place))
            free[1].append(text)
            for i in tests:
                free[0][i] = s.value

    def _is_known(self, field: str, value: Any) -> bool:
        """Whether a field is the same for all tests anyway, or a layout file says what it is."""
        given = self.table.constants.get(field)
        values = [given[1]] if given else self.table.columns.get(field) or [None]
        return is_by_layout(self.table, field) or all(
            v == value or _is_no_colder(shown(value), shown(v)) for v in values
        )

    def added(self, table: Table) -> Table:
        """The table with them. A reading is settled in its cell, never for all tests: no line of a layout."""
        packed = [
            Unclear(
                "; ".join(dict.fromkeys(texts[:_MOST_SHOWN])),
                place,
                tuple((f, "") for f in choices),
                values,
                aside=True,
            )
            for choices, there in self.readings.items()
            for values, texts, place in _extremes(there)
        ]
        more = [*self.others, *packed]
        return table._replace(unclear=[*table.unclear, *more]) if more else table


def _extremes(there: list[_Packed]) -> list[_Packed]:
    """Columns of what may be the same fields, of which each test keeps the lowest and the highest figure of a unit, and texts.

    Each column is a round of judging: as many sheets as there are must not make as many rounds.
    """
    if len(there) <= _FEW_PACKED:
        return there
    rows = []
    for told in zip(*(values for values, _, _ in there)):
        kept: dict[str, list[tuple[float, Any]]] = {}
        for value in told:
            found = _AMOUNT.fullmatch(shown(value)) if value is not None and type(value) is not Unreadable else None
            if found:
                kept.setdefault(found[2] or "", []).append((float(found[1]), value))
            elif value is not None:
                kept.setdefault(f"\n{shown(value)}", []).append((0.0, value))
        row = [v for of in kept.values() for v in dict.fromkeys((min(of, key=_amount)[1], max(of, key=_amount)[1]))]
        rows.append(row)
    texts = [text for _, said, _ in there for text in said]
    return [([r[n] if n < len(r) else None for r in rows], texts, there[0][2]) for n in range(max(map(len, rows)))]


def _amount(pair: tuple[float, Any]) -> float:
    return pair[0]


_Packed = tuple[list[Any], list[str], Place]
_FEW_PACKED = 2
_AMOUNT = re.compile(r"(-?\d+(?:\.\d+)?)( .*)?")


def _is_no_colder(text: str, than: str) -> bool:
    """Whether a temperature in words is at or above another, which may stand without its unit."""
    mine, other = temperatures_in(text), temperatures_in(than) or temperatures_in(f"{than} °C")
    return [u for _, u in mine] == [u for _, u in other] and mine >= other != []


_MOST_SHOWN = 3  # texts of one column in a message


def of_their_outlets(found: Sequence[Said], tables: Sequence[Table]) -> list[Said]:
    """What other sheets say: a row that names an outlet of the workbook speaks of that one alone.

    A figure alone may be any number, and a text of all, or of the others, speaks of more; a title speaks of what it lists.
    """
    if not found:
        return []
    every = {n for t in tables for n in outlets_of(t) if type(n) is str and any(map(str.isalpha, n))}
    places = ((field, name, name) for t in tables for field, name, _ in places_of(t))
    outlets = Outlets(((name, name) for name in every), places)
    named = [bool(mine := outlets.in_row(s.row)) and not of_more(s.text, mine & every) for s in found]
    titles = {(s.place.sheet, s.text) for s, is_named in zip(found, named) if is_named and s.how == LISTED}
    of_some = [is_named or (s.place.sheet, s.text) in titles for s, is_named in zip(found, named)]
    return [
        s._replace(against="", stated=tuple(f for f in s.stated if f not in s.measured)) if is_of_some else s
        for s, is_of_some in zip(found, of_some)
    ]


def of_the_marked(found: Sequence[Said], tables: Sequence[Table], keys: Sequence[Said]) -> list[Said]:
    """What is said of all tests, but for keys of marks that some tests carry: those speak of them alone.

    keys : what the lines of the sheet explain; where a mark of one is carried, none of them speaks of all.
    """
    carried = {mark for t in tables for mark in t.marks}
    rows = {k.place[:2] for k in keys if k.mark} if any(k.mark in carried for k in keys) else set()
    marked = [s.place[:2] in rows or not carried.isdisjoint(meanings(s.text)) for s in found]
    return [s._replace(against="") if of_some else s for s, of_some in zip(found, marked)]


_SENT_AWAY = ("oil_mg_m3", "co_ppm", "co2_ppm", "water_mg_m3")
_ON_SITE = ("odour", "oxygen_pct")


def figures_beside(table: Table, of_laboratory: bool) -> list[Said]:
    """The readings of a table that holds no whole tests, a laboratory's results or the like, as what is said of its outlets.

    of_laboratory : the name of its sheet is no site, and without a day they may be of any test.
    """
    if is_whole(table) or "earlier" in classes_of(table.sheet):
        return []
    outlets, days, sites = (_values(table, field) for field in ("outlet", "test_date", "site"))
    made = []
    for field in _SENT_AWAY:
        place, unit = table.places.get(field), table.units.get(field)
        for i, value in enumerate(table.columns.get(field, ())):
            if place is None or value is None or outlets[i] is None or not (of_laboratory or days[i] is not None):
                continue
            column = place.column if place.column is not None else table.across[i] if table.across else 0
            at = Place(place.sheet, table.rows[i] if place.row is None else place.row, column)
            told = tuple(shown(v) for v in (outlets[i], days[i]) if v is not None)
            heading = table.how[field][0] if field in table.how else FIELDS[field].heading
            figure = Stated((field,), f"{shown(value)} {unit}" if unit else value)
            by_sheet = table.constants.get("site", ("",))[0] == Place(table.sheet, 0, 0)
            site = "" if sites[i] is None or (of_laboratory and by_sheet) else shown(sites[i])
            parts = tuple((f, key(shown(v))) for f in _PLACES if (v := _values(table, f)[i]) is not None)
            made.append(
                Said(
                    at,
                    f"{heading} {shown(value)}",
                    row=told,
                    measured=(figure,),
                    site=site,
                    outlet=told[0],
                    parts=parts,
                )
            )
    return made


def is_whole(table: Table) -> bool:
    """Whether a table holds what can be found out at the outlet alone."""
    return any(field in held for held in (table.columns, table.constants) for field in _ON_SITE)


def _values(table: Table, field: str) -> list[Any]:
    """The values of a field, one a test, what holds for all merged in."""
    of_all = table.constants.get(field, ("", None))[1]
    return [of_all if v is None else v for v in table.columns.get(field) or [None] * len(table.rows)]


def with_outlets(found: Sequence[Said], tables: Sequence[Table]) -> list[Said]:
    """What is said, with the outlets that each list names among those of a workbook; lists of fewer than two are none."""
    if not any(s.lists for s in found):
        return list(found)
    known = Outlets((shown(n), n) for t in tables for n in outlets_of(t) if n is not None)
    return [s if not s.lists else resolved(s, known.keys.keys(), known.most) for s in found]


def resolved(said: Said, names: Set[str], most: int) -> Said:
    """What is said, with the outlets that its list names. names : as compared. most : words of one, at most."""
    line = len(said.lists) == 1 == len(said.lists[0])
    named = [cleared(said.text, names, most)] if line else [names & set(map(key, column)) for column in said.lists]
    best = max(named, key=len, default=set())
    told = len(best) >= _LEAST_LISTED and len(best) < len(names)
    return said._replace(cleared=frozenset(best), of_one=f"left out: {said.text}") if told else said._replace(lists=())


def said_of_all(table: Table, found: Sequence[Said], tested: Set[Day] = frozenset()) -> Table:
    """A table with what lines around it, or sheets without a table, say of all its tests, and rows of those of an outlet.

    tested : the days of all tables. What names one of them speaks of its tests.
    """
    if not found or not table.rows:
        return table
    outlets, figures = outlets_of(table), Figures(table)
    sites: dict[str, set[int]] = {}
    for i, site in enumerate(_values(table, "site") if any(s.site for s in found) else ()):
        sites.setdefault(key("" if site is None else shown(site)), set()).add(i)
    mine_by_name = ((shown(n), i) for i, n in enumerate(outlets) if n is not None)
    named, by_day = Outlets(mine_by_name, places_of(table)), days_of(table)
    for said in found:
        if said.visit and (_has(table, said) or not _is_of_visit(table, *said.visit)):
            continue
        mine = sorted({*named.in_row(said.row), *(table.marks.get(said.mark, ()) if said.mark else ())})
        if said.site and sites.keys() - {""}:
            # Of another site it is of none of these.
            mine = [i for i in mine if i in sites.get(key(said.site), ())]
        mine = _left_out(outlets, said.cleared) if said.cleared else mine
        days = said.days() if said.against or said.of_one or said.measured else frozenset()
        dated = {i for d in days & by_day.keys() for i in by_day[d]}
        if not dated and days & tested:
            continue
        for field, name in said.parts if mine else ():
            places = _values(table, field)
            mine = [i for i in mine if places[i] is None or key(shown(places[i])) == name]
        if days and by_day and not dated and said.measured and said.outlet:
            continue  # figures of another day, in a table of their own
        mine = [i for i in mine if i in dated] if dated else mine
        figures.add(mine, said.place, said.text, said.measured)
        figures.add(range(len(outlets)), said.place, said.text, said.stated)
        if mine and said.of_one:
            words = f"{said.place.sheet}: {said.of_one}"
            own = [words if i in mine else None for i in range(len(outlets))]
            stands = said.how if said.place.sheet == table.sheet else "said on another sheet"
            table = with_words(table, own, said.place, said.of_one, stands)
        if said.fails:
            table = _with_count(table, said)
        if said.against and dated:
            own = [said.against if i in dated else None for i in range(len(outlets))]
            table = with_words(table, own, said.place, said.against, said.how)
        elif said.against and SAID not in table.constants:
            how = {SAID: (said.against, said.how, LIKELY)}
            constants = {**table.constants, SAID: (said.place, said.against)}
            table = table._replace(constants=constants, how={**table.how, **how})
    return figures.added(table)


def _has(table: Table, said: Said) -> bool:
    """Whether all tests of a table have what is said beside them already."""
    held = not said.against or all(v is not None and said.against in v for v in _values(table, SAID))
    return held and (not said.stated or any(u.heading == said.text for u in table.unclear))


def _is_of_visit(table: Table, days: Set[Day], sites: Set[str]) -> bool:
    """Whether a table has tests on one of some days, and at one of some sites, as far as both are known."""
    own = days_of(table).keys()
    here = sites_of(table)
    return not (own and days and own.isdisjoint(days)) and not (here and sites and here.isdisjoint(sites))


def sites_of(table: Table) -> frozenset[str]:
    """The sites of a table, as compared."""
    return frozenset(key(shown(v)) for v in set(_values(table, "site")) - {None})


def _with_count(table: Table, said: Said) -> Table:
    """A table with the number of fails that is stated of it; of several the greatest."""
    old = table.constants.get(COUNTED)
    if old is not None and int(old[1].split(" ", 1)[0]) >= said.fails:
        return table
    value = f"{said.fails} of {said.tests or '?'} ({said.place.sheet}: {said.text})"
    how = {COUNTED: (said.text, said.how, LIKELY)}
    return table._replace(constants={**table.constants, COUNTED: (said.place, value)}, how={**table.how, **how})


def with_words(table: Table, own: Sequence[str | None], place: Place, said: str, how: str) -> Table:
    """A table with what is said against each of its tests besides what is said already."""
    old = table.columns.get(SAID, [None] * len(table.rows))
    return table._replace(
        columns={**table.columns, SAID: [SAID_BETWEEN.join(filter(None, both)) or None for both in zip(old, own)]},
        places={SAID: place, **table.places},
        how={SAID: (said, how, LIKELY), **table.how},
    )


def _left_out(outlets: Sequence[Any], cleared: frozenset[str]) -> list[int]:
    """Which tests' outlets a list of those that may be used leaves out; none where it names none of the table's."""
    mine = [i for i, name in enumerate(outlets) if name is not None and key(shown(name)) not in cleared]
    return mine if len(mine) < len(outlets) else []


def with_what_names_say(table: Table) -> Table:
    """A table with the figures that names of places hold: "Yard - outdoors, down to -15 °C" over its outlets or beside one."""
    figures = Figures(table)
    figures.add(range(len(table.rows)), Place(table.sheet, 0, 0), table.sheet, stated(table.sheet))
    for field in ("outlet", "location", "system", "site"):
        place, value = table.constants.get(field, (table.places.get(field), None))
        names = table.columns.get(field, [])
        if place is None:
            continue
        at = Place(place.sheet, place.row or 0, place.column or 0)
        told = {v: found for v in {value, *names} if type(v) is str and (found := stated(v))}
        for name in sorted(told):
            mine = [i for i, v in enumerate(names or [None] * len(table.rows)) if name == (value if v is None else v)]
            figures.add(mine, at, name, told[name])
    return figures.added(table)
