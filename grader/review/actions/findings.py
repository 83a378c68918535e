"""The sheet Actions: what stands open, by how much, why likely, what next. One row a finding.

A finding is one parameter of one outlet (or the whole test) that keeps it from a plain pass.
Which tests count: visited, not replaced, no repeat. An outlet is cleared by a day on which every test of it
that rules (is not superseded by a later one that day) is pass or near limit; what came before is history, no
action. After its last such day
- every fail stands open, also where a later, incomplete test did not meet it again, and also that of a
  superseded test whose retest did not clear the outlet: a fail is gone only once the outlet has passed. The
  same parameter failing again and again is one finding, its newest test, with the day it was first seen;
- what is missing or in doubt is said of the outlet's last day only: an older gap, since filled, is no action.
Near limit is said of the last day only. Tests without a date clear nothing and have all their findings shown; those
dated after the day of the run have none. A row that was not visited is a finding in its site's latest visit,
unless it says removed; an outlet since removed has none. Causes and steps are data: data/causes.toml and the
words file.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd

from grader.columns import (
    AWAITED,
    CANNOT_TELL,
    FAIL,
    JUDGED,
    NEAR_LIMIT,
    NO_LIMIT,
    NOT_TESTED,
    PASS,
    SAID_OTHERWISE,
    SHEETS,
    TEST_NEAR,
    WATER,
)
from grader.data import load_toml
from grader.decided import WHY_BAND, WHY_BOUND, WHY_DOUBT, WHY_GUARD_BAND, WHY_UNREADABLE
from grader.frames import by_unique, group_codes, table_of, text
from grader.natural import natural
from grader.review.actions.texts import WHOLE, ActionTexts

SEVERE, INCOMPLETE, CLOSE = range(3)
_UNTOLD = {
    WHY_DOUBT: "doubt",
    WHY_BAND: "band",
    WHY_UNREADABLE: "unreadable",
    WHY_BOUND: "unsettled",
    WHY_GUARD_BAND: "unsettled",
}
_NEVER = np.iinfo(np.int64).min
_REACH = ("bad", "tested", "systems", "bad_systems", "site_tested")
FURTHER = ("How far", "Where it shows", "Verdict", "First seen on", "System", "Supply", "Dryer")


class Actions(NamedTuple):
    """The sheet's table, and for each of its m rows the test it comes from.

    frame    : columns SHEETS["Actions"], then How far, Where it shows, Verdict (the parameter's, or the
               test's where it is the whole test), First seen on, System, Supply, Dryer, File and Sheet where
               names are given, Row.
    test     : int (m,). Test number, for links.
    identity : int (m,). Outlet, as normalise numbers them.
    """

    frame: pd.DataFrame
    test: np.ndarray
    identity: np.ndarray

    def of(self, kept: np.ndarray) -> Actions:
        """Those of its rows that a bool array (m,) says."""
        return Actions(self.frame[kept].reset_index(drop=True), self.test[kept], self.identity[kept])


def actions_table(
    tests: pd.DataFrame,
    *,
    language: str = "en",
    file_names: Sequence[str] | None = None,
    sheet_names: Sequence[str] | None = None,
) -> Actions:
    """All open findings, worst first: fails, then what is incomplete, then what is close to a limit.

    tests       : judged table, n rows.
                  Order inside a severity: by data/causes.toml, then site, then outlet.
    language    : of findings, causes and steps; parameter names, verdict words and headings stay English.
    file_names  : by file number; without them there is no column File.
    sheet_names : by table number; without them there is no column Sheet.
    Returns     : Actions. No open finding gives an empty table with all columns.
    Raises      : KeyError for a language that has no words.
    """
    found = _findings(tests)
    at = tests.iloc[found["test"].to_numpy()]
    where = _where_it_shows(tests, found)
    texts = ActionTexts(at, found, where, language)
    order = _order(at, found, texts.order_names())
    columns: dict[str, np.ndarray] = {
        "Site": text(at, "site"),
        "Outlet": text(at, "outlet"),
        "Test date": at["test_day"].to_numpy(),
        **texts.columns(),
        "First seen on": found["first"].to_numpy(),
        "System": text(at, "system"),
        "Supply": text(at, "supply"),
        "Dryer": text(at, "dryer"),
    }
    wanted = [*SHEETS["Actions"], *FURTHER]
    for heading, names, column in (("File", file_names, "file"), ("Sheet", sheet_names, "table")):
        if names is not None:
            columns[heading] = np.array([*names, ""], dtype=object)[at[column].to_numpy()]
            wanted.append(heading)
    columns["Row"] = at["row"].to_numpy() + 1
    frame = table_of({name: columns[name] for name in (*wanted, "Row")}, order)
    return Actions(frame, at.index.to_numpy()[order], at["identity"].to_numpy()[order])


@dataclass
class _Open:
    """Which tests may have findings: bool (n,) each; day int64 (n,), days since 1970."""

    failing: np.ndarray  # fails of these stand open
    current: np.ndarray  # the outlet's last day, or no date: all findings
    counting: np.ndarray  # dated tests that rule
    day: np.ndarray
    clear: np.ndarray  # the outlet's last clearing day, for every test of it


def _open_tests(tests: pd.DataFrame) -> _Open:
    identity, _ = pd.factorize(tests["identity"].to_numpy())
    day = _days(tests)
    verdict = tests["verdict"].to_numpy()
    once = tests["visited"].to_numpy() & ~tests["replaced"].to_numpy() & (tests["repeat_of"].to_numpy() < 0)
    dated, superseded = tests["dated"].to_numpy() & (day != _NEVER), tests["superseded"].to_numpy()
    counting = once & dated & ~superseded
    rows = np.flatnonzero(counting)
    clear, last = (np.full(identity.max(initial=0) + 1, _NEVER) for _ in range(2))
    if len(rows):
        per_day = group_codes(identity[rows], day[rows])
        worst = np.zeros(per_day.max() + 1, dtype=np.int64)
        np.maximum.at(worst, per_day, verdict[rows])
        good = rows[worst[per_day] <= TEST_NEAR]
        np.maximum.at(clear, identity[good], day[good])
        np.maximum.at(last, identity[rows], day[rows])
    clear_of, last_of = clear[identity], last[identity]
    gone = _removed_since(tests, identity, day, dated)
    undated = once & (day == _NEVER) & ~superseded & ~gone
    current = counting & (day == last_of) & ~gone
    return _Open((once & dated & (day > clear_of) & ~gone) | undated, current | undated, counting, day, clear_of)


def _days(tests: pd.DataFrame) -> np.ndarray:
    moment = tests["test_day"].to_numpy().astype("datetime64[D]")
    return np.where(np.isnat(moment), _NEVER, moment.astype(np.int64))


def _removed_since(tests: pd.DataFrame, identity: np.ndarray, day: np.ndarray, dated: np.ndarray) -> np.ndarray:
    """Tests of outlets that a later row says are removed: nobody breathes there any more."""
    rows = np.flatnonzero(
        (text(tests, "outlet_status") == "removed")
        & ~tests["visited"].to_numpy()
        & dated
        & ~tests["replaced"].to_numpy()
    )
    removed = np.full(identity.max(initial=0) + 1, _NEVER)
    np.maximum.at(removed, identity[rows], day[rows])
    return (removed[identity] > day) & dated


def _findings(tests: pd.DataFrame) -> pd.DataFrame:
    """One row a finding that stands open.

    Returns : columns test (position), key (of JUDGED, or WHOLE), kind, severity, first (date first seen),
              met (date on which the parameter was met since).
    """
    state = _open_tests(tests)
    blocks: list[tuple[np.ndarray, str, str, int]] = []

    def add(mask: np.ndarray, key: str, kind: str, severity: int) -> None:
        rows = np.flatnonzero(mask)
        if len(rows):
            blocks.append((rows, key, kind, severity))

    judged = text(tests, "ruleset") != ""
    marked = text(tests, "odour") == "marked"
    add(state.failing & (text(tests, "substances_over") != ""), WHOLE, "substances_over", SEVERE)
    for key in JUDGED:
        verdict, missing = tests[f"verdict_{key}"].to_numpy(), tests[f"{key}_missing"].to_numpy()
        add(state.failing & (verdict == FAIL), key, "fail", SEVERE)
        gap = state.current & missing & judged
        # After a marked odour the rest of the test may rightly be empty.
        add(gap & (verdict == NOT_TESTED) & ~marked, key, "not_tested", INCOMPLETE)
        add(gap & (verdict == AWAITED) & ~marked, key, "awaited", INCOMPLETE)
        unsure = gap & (verdict == CANNOT_TELL)
        for code, kind in _UNTOLD.items():
            add(unsure & (tests[f"{key}_why"].to_numpy() == code), key, kind, INCOMPLETE)
        near = state.current & (verdict == NEAR_LIMIT)
        warm = near & ~np.isnan(tests["colder_seen_c"].to_numpy()) if key == WATER else np.zeros(len(tests), bool)
        add(warm, key, "warm", CLOSE)
        add(near & ~warm, key, "near", CLOSE)
    silent = np.zeros(len(tests), dtype=bool)
    for key in JUDGED:
        silent |= tests[f"{key}_missing"].to_numpy() & (tests[f"verdict_{key}"].to_numpy() == NO_LIMIT)
    add(state.current & judged & silent & ~marked, WHOLE, "no_limit", INCOMPLETE)
    add(state.current & ~judged, WHOLE, "no_rule_set", INCOMPLETE)
    for kind, where in (
        ("harmful", text(tests, "harmful") != ""),
        ("substances_untold", text(tests, "substances_untold") != ""),
        *((name, _flag(tests, f"{name}_otherwise")) for name in SAID_OTHERWISE),
    ):
        add(state.current & where, WHOLE, kind, INCOMPLETE)
    add(
        _first_of_day(tests, (state.current | state.failing) & tests["conflict"].to_numpy()),
        WHOLE,
        "conflict",
        INCOMPLETE,
    )
    unseen = _not_visited(tests, state)
    locked = text(tests, "outlet_status") == "locked off"
    add(unseen & ~locked, WHOLE, "not_visited", INCOMPLETE)
    add(unseen & locked, WHOLE, "locked_off", INCOMPLETE)
    found = pd.DataFrame(
        {
            "test": np.concatenate([b[0] for b in blocks]) if blocks else np.empty(0, dtype=np.int64),
            "key": np.repeat(np.array([b[1] for b in blocks], dtype=object), [len(b[0]) for b in blocks]),
            "kind": np.repeat(np.array([b[2] for b in blocks], dtype=object), [len(b[0]) for b in blocks]),
            "severity": np.repeat(np.array([b[3] for b in blocks], dtype=np.int64), [len(b[0]) for b in blocks]),
        }
    )
    return _met_since(tests, _newest(tests, found, state.day), state)


def _flag(tests: pd.DataFrame, name: str) -> np.ndarray:
    """A bool column, False where the table has none."""
    return tests[name].to_numpy() if name in tests else np.zeros(len(tests), dtype=bool)


def _first_of_day(tests: pd.DataFrame, mask: np.ndarray) -> np.ndarray:
    """One test of each day of one outlet, where a conflict would else be told once a test."""
    rows = np.flatnonzero(mask)
    _, first = np.unique(tests["same_day"].to_numpy()[rows], return_index=True)
    kept = np.zeros(len(tests), dtype=bool)
    kept[rows[first]] = True
    return kept


def _not_visited(tests: pd.DataFrame, state: _Open) -> np.ndarray:
    """Rows without evidence in their site's latest visit, or undated, of outlets not tested in it."""
    unseen = ~tests["visited"].to_numpy() & ~tests["replaced"].to_numpy() & (text(tests, "outlet_status") != "removed")
    if not unseen.any():
        return unseen
    dated = tests["dated"].to_numpy() & (state.day != _NEVER)
    site, _ = pd.factorize(tests["site_key"].to_numpy(dtype=object))
    latest = np.full(site.max() + 1, _NEVER)
    np.maximum.at(latest, site[dated], state.day[dated])
    visit, identity = tests["visit"].to_numpy(), tests["identity"].to_numpy()
    newest = np.unique(visit[dated & (state.day == latest[site]) & (visit >= 0)])
    inside = np.isin(visit, newest)
    tested = np.unique(identity[inside & state.counting])
    listed = unseen & ((inside & dated & ~np.isin(identity, tested)) | (state.day == _NEVER))
    # The same unfilled row in two files is one finding.
    rows = np.flatnonzero(listed)
    again = pd.DataFrame({"identity": identity[rows], "visit": visit[rows]}).duplicated().to_numpy()
    listed[rows[again]] = False
    return listed


def _newest(tests: pd.DataFrame, found: pd.DataFrame, day: np.ndarray) -> pd.DataFrame:
    """One row per outlet, parameter and kind: the newest day's, or both where a day has two that rule."""
    at = found["test"].to_numpy()
    dated = tests["dated"].to_numpy()[at]
    one = np.where(dated, -1, at)  # a test without a date stands for itself
    group = (
        group_codes(tests["identity"].to_numpy()[at], found["key"].to_numpy(), found["kind"].to_numpy(), one)
        if len(found)
        else np.empty(0, dtype=np.int64)
    )
    rank = pd.Series(np.where(day[at] == _NEVER, 0, day[at] * 2 + ~tests["superseded"].to_numpy()[at]))
    newest = rank.groupby(group).transform("max").to_numpy() == rank.to_numpy()
    moments = pd.Series(tests["test_day"].to_numpy()[at])
    return found.assign(first=moments.groupby(group).transform("min").to_numpy())[newest].reset_index(drop=True)


def _met_since(tests: pd.DataFrame, found: pd.DataFrame, state: _Open) -> pd.DataFrame:
    """Column met: the last day on which a later test, itself no pass, met the failed parameter."""
    met = np.full(len(found), np.datetime64("NaT", "D"))
    at = found["test"].to_numpy()
    identity = tests["identity"].to_numpy()
    dated = tests["dated"].to_numpy()[at]
    later = state.counting & (state.day > state.clear) & np.isin(identity, identity[at])
    for key in JUDGED:
        rows = np.flatnonzero((found["key"].to_numpy() == key) & (found["kind"].to_numpy() == "fail") & dated)
        passed = later & np.isin(tests[f"verdict_{key}"].to_numpy(), (PASS, NEAR_LIMIT))
        last = pd.Series(state.day[passed]).groupby(identity[passed]).max()
        since = pd.Series(identity[at[rows]]).map(last).to_numpy(dtype=float)
        good = rows[since > state.day[at[rows]]]
        met[good] = since[since > state.day[at[rows]]].astype(np.int64).astype("datetime64[D]")
    return found.assign(met=met.astype("datetime64[s]"))


def _where_it_shows(tests: pd.DataFrame, found: pd.DataFrame) -> pd.DataFrame:
    """How far one finding reaches: counts over the outlets tested for that parameter at the same visit.

    Returns : one row a finding; ints bad, tested (outlets of the system), systems, bad_systems, site_tested;
              all 0 where nothing can be compared (no fail or near limit, or no date).
    """
    counts = np.zeros((len(found), len(_REACH)), dtype=np.int64)
    at = found["test"].to_numpy()
    visit, identity = tests["visit"].to_numpy(), tests["identity"].to_numpy()
    system, _ = pd.factorize(tests["system_key"].to_numpy(dtype=object))
    state = _open_tests(tests)
    asked = found["kind"].isin(["fail", "near"]).to_numpy() & (visit[at] >= 0) & tests["dated"].to_numpy()[at]
    for key in JUDGED:
        verdict = tests[f"verdict_{key}"].to_numpy()
        tested = state.counting & np.isin(verdict, (PASS, NEAR_LIMIT, FAIL))
        for kind, codes in (("fail", (FAIL,)), ("near", (FAIL, NEAR_LIMIT))):
            rows = np.flatnonzero(asked & (found["key"].to_numpy() == key) & (found["kind"].to_numpy() == kind))
            if not len(rows):
                continue
            use = np.flatnonzero(tested & np.isin(visit, visit[at[rows]]))
            bad = np.isin(verdict[use], codes) & (state.failing[use] | (verdict[use] == NEAR_LIMIT))
            outlet = group_codes(visit[use], system[use], identity[use])
            _, first = np.unique(outlet, return_index=True)
            failing = np.bincount(outlet, bad) > 0
            # One line an outlet, and behind them one a finding: numbered together, so that each finding finds its own.
            lines = np.concatenate([use[first], at[rows]])
            place, day, among = group_codes(visit[lines], system[lines]), group_codes(visit[lines]), len(first)
            tested_there = np.bincount(place[:among], minlength=place.max() + 1)
            bad_there = np.bincount(place[:among], failing, minlength=len(tested_there))
            day_of = np.zeros(len(tested_there), dtype=np.int64)
            day_of[place] = day
            days, there = day.max() + 1, tested_there > 0
            of_day = (
                np.bincount(day_of[there], minlength=days),
                np.bincount(day_of[there], (bad_there == tested_there)[there], minlength=days),
                np.bincount(day[:among], minlength=days),
            )
            mine, visits = place[among:], day[among:]
            counts[rows] = np.column_stack([bad_there[mine], tested_there[mine], *(n[visits] for n in of_day)])
    return pd.DataFrame(counts, columns=list(_REACH))


def _ranks(names: np.ndarray) -> np.ndarray:
    rank = {name: i for i, name in enumerate(sorted(pd.unique(names), key=natural))}
    return by_unique(names, rank.__getitem__).astype(np.int64)


def _order(at: pd.DataFrame, found: pd.DataFrame, names: np.ndarray) -> np.ndarray:
    """Positions of the findings, worst first."""
    listed = {name: i for i, name in enumerate(load_toml("causes.toml")["order"])}
    first = np.array([listed.get(name, len(listed)) for name in names], dtype=np.int64)
    return np.lexsort(
        (at.index.to_numpy(), _ranks(text(at, "outlet")), _ranks(text(at, "site")), first, found["severity"].to_numpy())
    )
