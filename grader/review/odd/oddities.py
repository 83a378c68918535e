"""The sheet Oddities: what looks odd only when many tests are seen side by side. Every line asks; none is a
verdict.

odd_lots.py finds instruments and tube lots, odd_visits.py the rest; here they become rows, queries and
sentences.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from grader.figures import fixed, plain
from grader.frames import text
from grader.problems import Problems
from grader.review.history import as_day, counting, days, months_after
from grader.review.odd import visits as odd_visits
from grader.review.odd.lots import MEASURES, RECENT_MONTHS, odd_lots
from grader.words import words

COLUMNS = (
    "Kind",
    "Site",
    "Outlet",
    "What",
    "Parameter",
    "Finding",
    "What to do",
    "Test used",
    "Stated uncertainties off",
    "Off in the last 12 months",
    "Off since",
    "First test",
    "Last test",
    "File",
    "Row",
)
COPIED, TIMES, INSTRUMENT, LOT = "copied forward", "times that cannot be", "instrument", "tube lot"
SAME, CO2, WARM = "always the same", "carbon dioxide below outdoor air", "rests on a warm day"


@dataclass
class Oddities:
    """frame : one row an oddity, columns COLUMNS (dates as datetime64[s]; Row counts from 1, as a sheet
               shows it).

    copied_forward : sentences for the top of the Summary, one a visit that looks copied.
    """

    frame: pd.DataFrame
    copied_forward: list[str] = field(default_factory=list)


class _Table:
    """What the lines are made from: the tests, their words, and the rows so far."""

    def __init__(self, tests: pd.DataFrame, file_names: Sequence[str] | None, language: str) -> None:
        self.say: dict[str, str] = words(language)["oddity"]
        self.words = words(language)
        self.site, self.outlet = text(tests, "site"), text(tests, "outlet")
        self.day = days(tests)
        self.number = tests.index.to_numpy()
        self.row = tests["row"].to_numpy()
        self.column = {name: tests[name].to_numpy() for name in ("file", "identity", "site_key")}
        self.names = file_names
        self.rows: list[dict[str, Any]] = []

    def file(self, at: int) -> str:
        number = int(self.column["file"][at])
        return self.names[number] if self.names is not None else f"file {number + 1}"

    def sites(self, at: int, count: int) -> str:
        return self.site[at] if count == 1 else self.say["several_sites"].format(count=count)

    def iso(self, at: int) -> str:
        return str(self.day[at])

    def add(
        self, problems: Problems, code: str, kind: str, entries: list[_Entry], field: str = "", **params: Any
    ) -> None:
        """Rows of one kind and their query."""
        todo = self.words["problem"][code]["todo"]
        for e in entries:
            known = {
                "Kind": kind,
                "Site": self.site[e.test],
                "Outlet": "",
                "Parameter": "",
                "Test used": self.say["none_needed"],
                "Stated uncertainties off": np.nan,
                "Off in the last 12 months": np.nan,
                "Off since": np.datetime64("NaT"),
                **e.more,
            }
            days_of = {"First test": self.day[e.test], "Last test": self.day[e.last]}
            where = {"File": self.file(e.test), "Row": int(self.row[e.test]) + 1}
            self.rows.append({**known, **days_of, **where, "What": e.what, "Finding": e.finding, "What to do": todo})
        what, findings = [e.what for e in entries], [e.finding for e in entries]
        problems.add_tests(code, [self.number[e.test] for e in entries], field, what, finding=findings, **params)


class _Entry(NamedTuple):
    """One oddity: positions of its first and last test, what is odd, what is said of it; more : heading -> cell."""

    test: int
    last: int
    what: str
    finding: str
    more: dict[str, Any] = {}


def oddities_table(
    tests: pd.DataFrame,
    problems: Problems,
    *,
    as_of: object,
    language: str = "en",
    file_names: Sequence[str] | None = None,
) -> Oddities:
    """Oddities across all tests; each also becomes one query, on its first test.

    tests      : judged table, n rows (any number, none included).
    problems   : gets the queries odd_lot, odd_copied_forward, odd_always_same, odd_co2_below_outdoor,
                 odd_warm_day, odd_times.
    as_of      : date, datetime64 or ISO text. Tests after it count for nothing.
    file_names : by file number; None writes `file 1` and so on.
    Returns    : Oddities, the gravest kinds first.
    Raises     : KeyError where there is no such language.
    """
    table = _Table(tests, file_names, language)
    lines: list[str] = []
    if len(tests):
        with np.errstate(invalid="ignore"):
            counts = counting(tests) & (days(tests) <= as_day(as_of))
        lines = _copied(table, problems, tests, counts)
        _times(table, problems, tests, counts)
        _lots(table, problems, tests, counts, as_of)
        _same(table, problems, tests, counts)
        _co2(table, problems, tests, counts)
        _warm(table, problems, tests, counts)
    frame = pd.DataFrame(table.rows, columns=list(COLUMNS))
    for name in ("First test", "Last test", "Off since"):
        frame[name] = frame[name].to_numpy(dtype="datetime64[s]")
    for name in ("Stated uncertainties off", "Off in the last 12 months"):
        frame[name] = frame[name].astype(float)
    frame["Row"] = frame["Row"].to_numpy(dtype=np.int64)
    return Oddities(frame, lines)


def _records(frame: pd.DataFrame) -> list[Any]:
    """The rows of a small table of findings, columns as attributes."""
    return list(frame.itertuples(index=False))


def _count(say: dict[str, str], name: str, count: int) -> str:
    return say[name] if count == 1 else say[f"{name}s"].format(count=count)


def _chance(say: dict[str, str], p: float) -> str:
    """A p with two digits; one too small to mean more than `very small` as such."""
    return say["less_than"].format(p="0.0001") if p < 0.0001 else say["chance"].format(p=f"{p:.2g}")


def _lots(table: _Table, problems: Problems, tests: pd.DataFrame, counts: np.ndarray, as_of: object) -> None:
    found, compared = odd_lots(tests, counts, as_of)
    # What began to drift lately drowns in years of good readings: the last 12 months are compared by themselves, too.
    recent = days(tests) > months_after(np.array([as_day(as_of)]), -RECENT_MONTHS)[0]
    if (counts & ~recent).any():
        lately, compared_lately = odd_lots(tests, counts & recent, as_of)
        known = set(zip(found["measure"], found["lot"]))
        lately = lately[[(m, name) not in known for m, name in zip(lately["measure"], lately["lot"])]]
        if len(lately):
            found, compared = pd.concat([found, lately], ignore_index=True), compared + compared_lately
    by_field: dict[str, list[_Entry]] = {}
    for lot in _records(found):
        measure = MEASURES[lot.measure]
        more = {
            "Kind": INSTRUMENT if measure.field == "instrument" else LOT,
            "Parameter": measure.name,
            "Site": table.sites(lot.first, lot.sites),
            "Stated uncertainties off": round(lot.times, 2),
            "Off in the last 12 months": lot.recent,
            "Off since": table.day[lot.since],
            "Test used": _lot_test(table.say, lot, compared),
        }
        finding = _lot_finding(table, lot, more["Kind"], measure.unit)
        by_field.setdefault(measure.field, []).append(_Entry(lot.first, lot.last, lot.lot, finding, more))
    for name, here in by_field.items():
        told = {"of": [e.more["Kind"].capitalize() for e in here], "what": [e.what for e in here]}
        told |= {"parameter": [e.more["Parameter"] for e in here], "used": [e.more["Test used"] for e in here]}
        table.add(problems, "odd_lot", LOT, here, name, **told)


def _lot_finding(table: _Table, lot: Any, kind: str, unit: str) -> str:
    """What is said of one lot or instrument that reads otherwise than the rest."""
    say = table.say

    def amount(value: float) -> str:
        return f"{abs(value):.3g} {unit}".strip()

    def way(value: float) -> str:
        return say["higher" if value > 0 else "lower"]

    size = recent = ""
    if not np.isnan(lot.times):
        since = table.iso(lot.since)
        size = say["lot_size"].format(times=f"{abs(lot.times):.2g}", stated=amount(lot.stated), since=since)
    if not np.isnan(lot.recent):
        recent = say["lot_recent"].format(difference=amount(lot.recent), way=way(lot.recent))
    only = say["one_visit"] if lot.visits == 1 else ""
    only += ("" if lot.before else say["no_before"]) + ("" if lot.after else say["no_after"])
    near = "" if np.isnan(lot.near) else say["near"].format(difference=amount(lot.near), way=way(lot.difference))
    return say["lot"].format(
        way=way(lot.difference),
        agree=lot.higher if lot.difference > 0 else lot.lower,
        outlets=lot.outlets,
        difference=amount(lot.difference),
        visits=_count(say, "visit", lot.visits),
        sites=_count(say, "site", lot.sites),
        near=near,
        only=only,
        kind=kind,
        size=size,
        recent=recent,
    )


def _lot_test(say: dict[str, str], lot: Any, compared: int) -> str:
    """The statistical test that a lot did not pass."""
    return say["lot_test"].format(
        degrees=lot.degrees,
        p=_chance(say, lot.p_visits),
        compared=compared,
        corrected=_chance(say, lot.p_corrected),
        higher=lot.higher,
        lower=lot.lower,
        ties=lot.outlets - lot.higher - lot.lower,
        p_outlets=_chance(say, lot.p_outlets),
    )


def _copied(table: _Table, problems: Problems, tests: pd.DataFrame, counts: np.ndarray) -> list[str]:
    entries, lines, say = [], [], table.say
    for one in _records(odd_visits.copied_forward(tests, counts)):
        part = "" if one.whole else "_nearly"
        readings = {
            "site": table.site[one.test],
            "day": table.iso(one.test),
            "other_day": table.iso(one.other),
            "file": table.file(one.test),
            "other_file": table.file(one.other),
            "outlets": one.outlets,
            "agree": one.agree,
            "compared": one.compared,
            "expected": fixed(one.expected, 0),
        }
        entries.append(_Entry(one.test, one.last, readings["day"], say[f"copied{part}"].format(**readings)))
        lines.append(say[f"copied{part}_line"].format(**readings))
    table.add(problems, "odd_copied_forward", COPIED, entries)
    return lines


def _same(table: _Table, problems: Problems, tests: pd.DataFrame, counts: np.ndarray) -> None:
    entries = []
    for one in _records(odd_visits.always_same(tests, counts)):
        outlet, finding = table.outlet[one.test], table.say["always_same"].format(tests=one.tests, same=one.same)
        entries.append(_Entry(one.test, one.last, outlet, finding, {"Outlet": outlet}))
    table.add(problems, "odd_always_same", SAME, entries, "outlet")


def _co2(table: _Table, problems: Problems, tests: pd.DataFrame, counts: np.ndarray) -> None:
    entries, say = [], table.say
    for one in _records(odd_visits.co2_below_outdoor(tests, counts)):
        single = one.outlets == 1
        ends = {"lowest": plain(one.lowest), "highest": plain(one.highest), "outdoor": fixed(one.outdoor, 0)}
        sentence = say["co2_one" if single or one.lowest == one.highest else "co2_many"]
        more = {"Outlet": table.outlet[one.test] if single else "", "Parameter": "Carbon dioxide"}
        what = one.lot or say["lot_not_written"]
        entries.append(_Entry(one.test, one.last, what, sentence.format(outlets=one.outlets, **ends), more))
    table.add(problems, "odd_co2_below_outdoor", CO2, entries, "co2_ppm")


def _warm(table: _Table, problems: Problems, tests: pd.DataFrame, counts: np.ndarray) -> None:
    entries = []
    for one in _records(odd_visits.warm_days(tests, counts)):
        seen = {
            "seen_day": table.iso(one.seen),
            "seen_file": table.file(one.seen),
            "seen_outlet": table.outlet[one.seen],
        }
        figures = {"safe": fixed(one.safe, 1, one.coldest), "coldest": plain(one.coldest)}
        sentence = table.say["warm_own" if one.own else "warm_site"]
        finding = sentence.format(day=table.iso(one.test), **figures, **seen)
        more = {"Outlet": table.outlet[one.test], "Parameter": "Dew point margin"}
        entries.append(_Entry(one.test, one.test, f"{seen['seen_day']}, {seen['seen_file']}", finding, more))
    table.add(problems, "odd_warm_day", WARM, entries, "ambient_temperature_c")


def _times(table: _Table, problems: Problems, tests: pd.DataFrame, counts: np.ndarray) -> None:
    entries, say = [], table.say
    for one in _records(odd_visits.impossible_times(tests, counts)):
        what = f"{one.by or say['no_engineer']}, {table.iso(one.test)}"
        sentence, minutes = say["times_same" if one.same else "times"], (plain(one.span), plain(one.sampling))
        finding = sentence.format(outlets=one.outlets, span=minutes[0], sampling=minutes[1])
        entries.append(_Entry(one.test, one.last, what, finding, {"Site": table.sites(one.test, one.sites)}))
    table.add(problems, "odd_times", TIMES, entries, "test_time", by=[e.what for e in entries])
