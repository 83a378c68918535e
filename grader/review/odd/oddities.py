"""The sheet Oddities: what looks odd only when many tests are seen side by side. Every line asks; none is a
verdict.

odd_lots.py finds instruments and tube lots, odd_visits.py the rest; here they become rows, queries and
sentences.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

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
        self,
        problems: Problems,
        code: str,
        kind: str,
        entries: list[dict[str, Any]],
        field_name: str = "",
        **params: list[Any],
    ) -> None:
        """Rows of one kind and their query. An entry has test, last, finding, and what is not blank of the
        rest."""
        todo = self.words["problem"][code]["todo"]
        for e in entries:
            at = e["test"]
            self.rows.append(
                {
                    "Kind": e.get("kind", kind),
                    "Site": e.get("site", self.site[at]),
                    "Outlet": e.get("outlet", ""),
                    "What": e["what"],
                    "Parameter": e.get("parameter", ""),
                    "Finding": e["finding"],
                    "Test used": e.get("used", self.say["none_needed"]),
                    "Stated uncertainties off": e.get("uncertainties", np.nan),
                    "Off in the last 12 months": e.get("recent", np.nan),
                    "Off since": e.get("since", np.datetime64("NaT")),
                    "First test": self.day[at],
                    "Last test": self.day[e["last"]],
                    "What to do": todo,
                    "File": self.file(at),
                    "Row": int(self.row[at]) + 1,
                }
            )
        problems.add_tests(
            code,
            [self.number[e["test"]] for e in entries],
            field_name,
            [e["what"] for e in entries],
            finding=[e["finding"] for e in entries],
            **params,
        )


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
    say = table.say
    entries: list[dict[str, Any]] = []
    for lot in _records(found):
        measure = MEASURES[lot.measure]
        kind = INSTRUMENT if measure.field == "instrument" else LOT
        up = lot.difference > 0

        def amount(value: float, unit: str = measure.unit) -> str:
            return f"{abs(value):.3g} {unit}".strip()

        near = (
            ""
            if np.isnan(lot.near)
            else say["near"].format(difference=amount(lot.near), way=say["higher" if up else "lower"])
        )
        only = say["one_visit"] if lot.visits == 1 else ""
        only += "" if lot.before else say["no_before"]
        only += "" if lot.after else say["no_after"]
        certain = lot.higher + lot.lower
        entries.append(
            {
                "test": lot.first,
                "last": lot.last,
                "what": lot.lot,
                "parameter": measure.name,
                "kind": kind,
                "site": table.sites(lot.first, lot.sites),
                "field": measure.field,
                "finding": say["lot"].format(
                    way=say["higher" if up else "lower"],
                    agree=lot.higher if up else lot.lower,
                    outlets=lot.outlets,
                    difference=amount(lot.difference),
                    visits=_count(say, "visit", lot.visits),
                    sites=_count(say, "site", lot.sites),
                    near=near,
                    only=only,
                    kind=kind,
                    size=""
                    if np.isnan(lot.times)
                    else say["lot_size"].format(
                        times=f"{abs(lot.times):.2g}", stated=amount(lot.stated), since=table.iso(lot.since)
                    ),
                    recent=""
                    if np.isnan(lot.recent)
                    else say["lot_recent"].format(
                        difference=amount(lot.recent), way=say["higher" if lot.recent > 0 else "lower"]
                    ),
                ),
                "uncertainties": round(lot.times, 2),
                "recent": lot.recent,
                "since": table.day[lot.since],
                "used": say["lot_test"].format(
                    degrees=lot.degrees,
                    p=_chance(say, lot.p_visits),
                    compared=compared,
                    corrected=_chance(say, lot.p_corrected),
                    higher=lot.higher,
                    lower=lot.lower,
                    ties=lot.outlets - certain,
                    p_outlets=_chance(say, lot.p_outlets),
                ),
            }
        )
    for name in dict.fromkeys(e["field"] for e in entries):
        here = [e for e in entries if e["field"] == name]
        table.add(
            problems,
            "odd_lot",
            LOT,
            here,
            name,
            of=[e["kind"].capitalize() for e in here],
            what=[e["what"] for e in here],
            parameter=[e["parameter"] for e in here],
            used=[e["used"] for e in here],
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
        entries.append(
            {
                "test": one.test,
                "last": one.last,
                "what": readings["day"],
                "finding": say[f"copied{part}"].format(**readings),
            }
        )
        lines.append(say[f"copied{part}_line"].format(**readings))
    table.add(problems, "odd_copied_forward", COPIED, entries)
    return lines


def _same(table: _Table, problems: Problems, tests: pd.DataFrame, counts: np.ndarray) -> None:
    entries = [
        {
            "test": one.test,
            "last": one.last,
            "outlet": table.outlet[one.test],
            "what": table.outlet[one.test],
            "finding": table.say["always_same"].format(tests=one.tests, same=one.same),
        }
        for one in _records(odd_visits.always_same(tests, counts))
    ]
    table.add(problems, "odd_always_same", SAME, entries, "outlet")


def _co2(table: _Table, problems: Problems, tests: pd.DataFrame, counts: np.ndarray) -> None:
    entries = []
    for one in _records(odd_visits.co2_below_outdoor(tests, counts)):
        single = one.outlets == 1
        entries.append(
            {
                "test": one.test,
                "last": one.last,
                "outlet": table.outlet[one.test] if single else "",
                "what": one.lot or table.say["lot_not_written"],
                "parameter": "Carbon dioxide",
                "finding": table.say["co2_one" if single or one.lowest == one.highest else "co2_many"].format(
                    lowest=plain(one.lowest),
                    highest=plain(one.highest),
                    outlets=one.outlets,
                    outdoor=fixed(one.outdoor, 0),
                ),
            }
        )
    table.add(problems, "odd_co2_below_outdoor", CO2, entries, "co2_ppm")


def _warm(table: _Table, problems: Problems, tests: pd.DataFrame, counts: np.ndarray) -> None:
    entries = []
    for one in _records(odd_visits.warm_days(tests, counts)):
        seen_day, seen_file = table.iso(one.seen), table.file(one.seen)
        entries.append(
            {
                "test": one.test,
                "last": one.test,
                "outlet": table.outlet[one.test],
                "what": f"{seen_day}, {seen_file}",
                "parameter": "Dew point margin",
                "finding": table.say["warm_own" if one.own else "warm_site"].format(
                    day=table.iso(one.test),
                    safe=fixed(one.safe, 1, one.coldest),
                    coldest=plain(one.coldest),
                    seen_day=seen_day,
                    seen_file=seen_file,
                    seen_outlet=table.outlet[one.seen],
                ),
            }
        )
    table.add(problems, "odd_warm_day", WARM, entries, "ambient_temperature_c")


def _times(table: _Table, problems: Problems, tests: pd.DataFrame, counts: np.ndarray) -> None:
    entries = []
    for one in _records(odd_visits.impossible_times(tests, counts)):
        by = one.by or table.say["no_engineer"]
        entries.append(
            {
                "test": one.test,
                "last": one.last,
                "what": f"{by}, {table.iso(one.test)}",
                "site": table.sites(one.test, one.sites),
                "finding": table.say["times_same" if one.same else "times"].format(
                    outlets=one.outlets, span=plain(one.span), sampling=plain(one.sampling)
                ),
            }
        )
    table.add(problems, "odd_times", TIMES, entries, "test_time", by=[e["what"] for e in entries])
