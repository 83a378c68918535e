"""What files say of tests that other files hold: results, lists of outlets locked off, letters of a laboratory, corrections.

A file is heard of the outlets that it names, at the site that it names; else at the one site of its folder, or of the run, that
has them. Words keep a pass from counting, readings are judged besides: neither makes a verdict better.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import date, timedelta
from typing import NamedTuple

import numpy as np
import pandas as pd

from grader.data import load_toml
from grader.problems import Problems, Table, a1
from grader.read.log import Log
from grader.read.sayings import SAID, SAID_BETWEEN, Figures, Said, resolved
from grader.read.shapes.tables import shown
from grader.read.whom import Outlets, days_of, on
from grader.read.words.dates import days_in
from grader.read.words.outlet_names import names
from grader.read.words.said import REMARKS
from grader.read.words.spelling import key


class Heard(NamedTuple):
    """What one file says beyond its own tests: its number in the log, and texts that may name the site."""

    file: int
    said: Sequence[Said]
    heads: Sequence[str]


def with_what_is_heard(log: Log, heard: Iterable[Heard], problems: Problems) -> Log:
    """The log with what its files say of tests of other files.

    log      : as built. heard : of files that say anything beyond their own tests.
    problems : gets heard_of_several (query) for what names an outlet that several sites have, and no site.
    """
    heard = [h for h in heard if h.said]
    if not heard or not len(log.rows):
        return log
    tests = _Tests(log)
    for one in heard:
        for said in one.said:
            if not tests.take(one, said):
                words = said.of_one or said.text
                problems.add("heard_of_several", file=one.file, sheet=said.place.sheet, cell=_cell(said), value=words)
    return tests.told()


class _Tests:
    """The tests of a log by site and outlet, and what is said of them.

    site, outlet : of each different pair of both, by its number. at : its tests.
    """

    def __init__(self, log: Log) -> None:
        self.log, rows = log, log.rows
        self.file, self.table = rows["file"].to_numpy(), rows["table"].to_numpy()
        self.names = [str(n) for n in log.files["name"]]
        self.folder = [os.path.dirname(str(p)) for p in log.files["path"]]
        columns = ("site", "outlet", "test_date")
        site, outlet, self.day = (rows[c].tolist() if c in rows else [None] * len(rows) for c in columns)
        named = zip(self.file.tolist(), site, outlet)
        # A site that is not named is called by its file, as everywhere.
        pairs = [(f"\n{f}" if s is None else shown(s), "" if o is None else shown(o)) for f, s, o in named]
        number, different = pd.factorize(pd.Series(pairs, dtype=object))
        self.at = np.split(np.argsort(number, kind="stable"), np.cumsum(np.bincount(number))[:-1])
        self.site, self.outlet = [s for s, _ in different], [o for _, o in different]
        self.sites = list(dict.fromkeys(self.site))
        self.by_outlet = Outlets((name, i) for i, name in enumerate(self.outlet))
        self.by_site = Outlets((name, name) for name in self.sites)
        self.words: dict[int, dict[str, str]] = {}
        self.figures: dict[int, Figures] = {}

    def take(self, one: Heard, said: Said) -> bool:
        """Keep what is said of the tests that it is about; whether that can be told."""
        named = self._named(said)
        mine = self._meant(one, said, named)
        tests = [t for i in mine or () for t in self.at[i].tolist() if self.file[t] != one.file]
        tests = self._of_days(said, tests, of_all=not named and not said.lists)
        where = f"{self.names[one.file]}, {said.place.sheet}"
        words = said.of_one or said.against or f"left out: {said.text}" * bool(said.lists)
        for t in tests if words else ():
            self.words.setdefault(t, {}).setdefault(words, f"{where} {_cell(said)}: {words}")
        for n in dict.fromkeys(self.table[tests].tolist()) if said.measured else ():
            first, stop = np.searchsorted(self.table, (n, n + 1)).tolist()
            if n not in self.figures:
                self.figures[n] = Figures(self.log.tables[n]._replace(rows=list(range(stop - first))))
            here = {t - first for t in tests if first <= t < stop}
            self.figures[n].add(here, said.place._replace(sheet=where), said.text, said.measured)
        return mine is not None

    def told(self) -> Log:
        """The log with what was kept."""
        old = self.log.rows[SAID].tolist() if SAID in self.log.rows else [None] * len(self.log.rows)
        new = (self.words.get(t, {}).values() for t in range(len(old)))
        column = [SAID_BETWEEN.join((*filter(None, (o,)), *n)) or None for o, n in zip(old, new)]
        tables = [
            self.figures[n].added(t)._replace(rows=[]) if n in self.figures else t
            for n, t in enumerate(self.log.tables)
        ]
        rows = self.log.rows.assign(**{SAID: pd.Series(column, dtype=object)}) if self.words else self.log.rows
        return replace(self.log, rows=rows, tables=tables)

    def _meant(self, one: Heard, said: Said, named: Sequence[int]) -> Sequence[int] | None:
        """The outlets that are meant, None where those of several sites may be. named : of all sites."""
        sites = self._sites(one, said)
        if said.lists:
            sites = sites or self._only(self._near(one, range(len(self.site))))
            return [i for s in sites for i in self._left_out(said, s)]
        if not named and said.against and not said.whom.outlet:
            return [i for i, s in enumerate(self.site) if s in sites]
        if sites or said.whom.site:
            return [i for i in named if self.site[i] in sites]
        near = self._near(one, named)
        return near if not near or self._only(near) else None

    def _named(self, said: Said) -> list[int]:
        """The outlets that a row names: by a heading, else in any cell where the name holds a letter."""
        if said.whom.outlet:
            return sorted(self.by_outlet.in_row((said.whom.outlet,)))
        return [i for i in sorted(self.by_outlet.in_row(said.whom.row)) if any(map(str.isalpha, self.outlet[i]))]

    def _sites(self, one: Heard, said: Said) -> list[str]:
        """The sites that a row, else its file, names."""
        if site := said.whom.site:
            return sorted(self.by_site.in_row((site,))) or [s for s in self.sites if names(s, site)]
        above = ((text,) for text in said.whom.above)
        told = ((said.text, *said.whom.row), *above, (self.names[one.file], *one.heads))
        return next((sorted(found) for texts in told if (found := self.by_site.in_row(texts))), [])

    def _left_out(self, said: Said, site: str) -> list[int]:
        """The outlets of a site that a list of those which may be used leaves out."""
        mine = {i: key(self.outlet[i]) for i, s in enumerate(self.site) if s == site}
        listed = resolved(said, set(mine.values()) - {""}, self.by_outlet.most).lists
        return [i for i, name in mine.items() if listed and name not in listed[0]]

    def _near(self, one: Heard, outlets: Iterable[int]) -> list[int]:
        """Of some outlets those that have tests in the folder of a file, where any has; those of its own tests left out."""
        files = {i: set(self.file[self.at[i]].tolist()) - {one.file} for i in outlets}
        here = [i for i, of in files.items() if any(self.folder[f] == self.folder[one.file] for f in of)]
        return here or [i for i, of in files.items() if of]

    def _only(self, outlets: Iterable[int]) -> list[str]:
        """The one site of some outlets; none where they are of several."""
        sites = list(dict.fromkeys(self.site[i] for i in outlets))
        return sites if len(sites) == 1 else []

    def _of_days(self, said: Said, tests: list[int], of_all: bool) -> list[int]:
        """Those of some tests that a text may tell of by the days that it names.

        A ban holds from its day on; both it and a result may rest on a test of some days before. of_all : those of its days alone.
        """
        days = days_in(said.text) if of_all else said.days()
        if not tests or not (days or of_all):
            return tests
        by_day = days_of(Table("", rows=tests, columns={"test_date": [self.day[t] for t in tests]}))
        mine = on(days, by_day)
        if not (mine or of_all):
            before = timedelta(load_toml("limits_reading.toml")["beside"]["days"])
            first = date(*max((*d[:2], max(d[2], 1)) for d in days)) - before
            last = date.max if REMARKS.say(said.of_one, "against.stop") else first + before
            mine = on((day for day in by_day if day[2] and first <= date(*day) <= last), by_day)
        return [t for i, t in enumerate(tests) if i in mine]


def _cell(said: Said) -> str:
    return a1(said.place.row or 0, said.place.column or 0)
