"""One thing that a cell says of tests, and how a table takes what is said of it."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Sequence, Set
from itertools import repeat
from operator import itemgetter
from typing import Any, NamedTuple

from grader.columns import FIELDS
from grader.problems import Place, Table, Unclear, Unreadable
from grader.read.given import is_by_layout
from grader.read.shapes.tables import shown
from grader.read.whom import Day, Tests, Whom, days_told, on, values_of
from grader.read.words.beside import cleared
from grader.read.words.colours import colour_key
from grader.read.words.dates import days_in
from grader.read.words.figures import temperatures_in
from grader.read.words.heading_words import LIKELY
from grader.read.words.marks import meanings
from grader.read.words.spelling import key
from grader.read.words.stated import Stated

SAID, COUNTED = "said_against", "failed_stated"
SAID_BETWEEN = " / "  # parts what several cells say against one test
_LEAST_LISTED = 2  # outlets of a list
_COLDEST = "lowest_use_temperature_c"
# How some things are said: of other days than those of the tests beside; in a list under a title, and in one without.
OF_OTHER_DAYS, LISTED, NOT_TITLED = "said of another day", "listed under a title", "listed without a title"
OF_A_NAME = "said beside a name"  # a few words that speak only where they name an outlet: "P2 stinks"


class Said(NamedTuple):
    """One thing that a cell says of tests.

    place, how : where it stands. text : as it stands there. whom : what tells of which tests it is.
    against : words against all tests around it. of_one : words against those alone that `whom` names.
    stated, measured : figures of all, and of those alone.
    fails   : how many outlets are counted that did not pass, and of how many tests; 0 where it is not said.
    lists   : columns, or one line, that may list outlets to be used; once the outlets are known those of the list, as compared.
    """

    place: Place
    text: str
    against: str = ""
    stated: tuple[Stated, ...] = ()
    of_one: str = ""
    measured: tuple[Stated, ...] = ()
    fails: tuple[int, int] = (0, 0)
    lists: tuple[tuple[str, ...], ...] = ()
    whom: Whom = Whom()
    how: str = "said beside the tests"

    def days(self) -> frozenset[Day]:
        """The days of which it speaks alone."""
        if self.how == OF_OTHER_DAYS:
            return days_in(self.text)
        return days_told(" ; ".join((self.text, *self.whom.row)))


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
        # What a row needs is its own, whatever is read for all; of what is cold the coldest counts.
        values = [given[1]] if given and field != _COLDEST else set(values_of(self.table, field))
        return is_by_layout(self.table, field) or all(
            v == value or _is_no_colder(shown(value), shown(v)) for v in values
        )

    def added(self, table: Table) -> Table:
        """The table with them. A reading is settled in its cell, never for all tests: no line of a layout."""
        more = self.others.copy()
        for choices, there in self.readings.items():
            for values, texts, place in _extremes(there):
                said = "; ".join(dict.fromkeys(texts[:_MOST_SHOWN]))
                more.append(Unclear(said, place, tuple((f, "") for f in choices), values, aside=True))
        told = {u[:3]: u.values for u in table.unclear}  # by its own sheet: each round of judging costs
        more = [
            u for u in more if any(v is not None and v != t for v, t in zip(u.values, told.get(u[:3], repeat(None))))
        ]
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
        ends = ((end(of, key=itemgetter(0))[1] for end in (min, max)) for of in kept.values())
        rows.append([v for both in ends for v in dict.fromkeys(both)])
    texts = [text for _, said, _ in there for text in said]
    return [([r[n] if n < len(r) else None for r in rows], texts, there[0][2]) for n in range(max(map(len, rows)))]


_Packed = tuple[list[Any], list[str], Place]
_FEW_PACKED = 2
_MOST_SHOWN = 3  # texts of one column in a message
_AMOUNT = re.compile(r"(-?\d+(?:\.\d+)?)( .*)?")


def _is_no_colder(text: str, than: str) -> bool:
    """Whether a temperature in words is at or above another, which may stand without its unit."""
    mine, other = temperatures_in(text), temperatures_in(than) or temperatures_in(f"{than} °C")
    return [u for _, u in mine] == [u for _, u in other] and mine >= other != []


def resolved(said: Said, names: Set[str], most: int) -> Said:
    """What is said, with the outlets that its list names; a list of fewer than two, or of all, is none.

    names : of outlets, as compared. most : words of one, at most.
    """
    line = len(said.lists) == 1 == len(said.lists[0])
    named = [cleared(said.text, names, most)] if line else [names & set(map(key, column)) for column in said.lists]
    best = max(named, key=len, default=set())
    told = _LEAST_LISTED <= len(best) < len(names)
    return said._replace(lists=(tuple(best),), of_one=f"left out: {said.text}") if told else said._replace(lists=())


def of_the_marked(found: Sequence[Said], tables: Sequence[Table], keys: Sequence[Said]) -> list[Said]:
    """What is said of all tests, but for keys of marks, or colours, that some tests carry: those speak of them alone.

    A key that tells of those without its colour too ("all others: do not use") speaks of all.
    keys : what the lines of the sheet explain; where a mark of one is carried, none of them speaks of all.
    """
    carried = {mark for t in tables for mark in t.marks}
    rows = {k.place[:2] for k in keys if k.whom.mark} if any(k.whom.mark in carried for k in keys) else set()
    marked = [s.place[:2] in rows or not carried.isdisjoint(meanings(s.text)) for s in found]
    of_some = [some and not colour_key(s.text).others for s, some in zip(found, marked)]
    return [s._replace(against="") if some else s for s, some in zip(found, of_some)]


def said_of_all(table: Table, found: Sequence[Said], tested: Set[Day] = frozenset()) -> Table:
    """A table with what lines around it, or sheets without a table, say of all its tests, and rows of those of an outlet.

    found : what is said; lists are `resolved`. tested : the days of all tables. What names one of them speaks of its tests.
    """
    if not found or not table.rows:
        return table
    tests, figures, every = Tests(table), Figures(table), range(len(table.rows))
    for said in found:
        if said.whom.visit and (_has(table, said) or not tests.of_visit(*said.whom.visit)):
            continue
        if said.whom.sheet not in ("", table.sheet):
            said = said._replace(against="", stated=())
        mine = _left_out(tests.outlets, said.lists[0]) if said.lists else tests.meant(said.whom)
        days = said.days() if said.against or said.of_one or said.measured else frozenset()
        dated = on(days, tests.by_day) if days else set()
        if not dated and days & tested:
            continue
        if days and tests.by_day and not dated and said.measured and said.whom.outlet:
            continue  # figures of another day, in a table of their own
        mine = mine & dated if dated else mine
        figures.add(mine, said.place, said.text, said.measured)
        figures.add(every, said.place, said.text, said.stated)
        if mine and said.of_one:
            words = f"{said.place.sheet}: {said.of_one}"
            stands = said.how if said.place.sheet == table.sheet else "said on another sheet"
            table = with_words(table, [words if i in mine else None for i in every], said.place, said.of_one, stands)
        if said.fails[0]:
            table = _with_count(table, said)
        if said.against and dated:
            own = [said.against if i in dated else None for i in every]
            table = with_words(table, own, said.place, said.against, said.how)
        elif said.against and SAID not in table.constants:
            how = {SAID: (said.against, said.how, LIKELY)}
            constants = {**table.constants, SAID: (said.place, said.against)}
            table = table._replace(constants=constants, how={**table.how, **how})
    return figures.added(table)


def _has(table: Table, said: Said) -> bool:
    """Whether all tests of a table have what is said beside them already."""
    held = not said.against or all(v is not None and said.against in v for v in values_of(table, SAID))
    return held and (not said.stated or any(u.heading == said.text for u in table.unclear))


def _with_count(table: Table, said: Said) -> Table:
    """A table with the number of fails that is stated of it; of several the greatest."""
    old = table.constants.get(COUNTED)
    fails, tests = said.fails
    if old is not None and int(old[1].split(" ", 1)[0]) >= fails:
        return table
    value = f"{fails} of {tests or '?'} ({said.place.sheet}: {said.text})"
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


def _left_out(outlets: Sequence[str], listed: Collection[str]) -> set[int]:
    """Which tests' outlets a list of those that may be used leaves out; none where it names none of the table's."""
    known = set(listed)
    mine = {i for i, name in enumerate(outlets) if name and key(name) not in known}
    return mine if len(mine) < len(outlets) else set()
