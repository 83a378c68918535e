"""Findings of a whole system: a fail that takes every outlet of it out of use until each has passed again.

Which fails reach that far, and at how many outlets of one visit, is data (causes.toml, [[scope]]). A test without
a system speaks for its own outlet only. The verdict of a test stays its own; this says what may be used.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd

from grader.columns import FAIL, PARAMETER_BY_NAME, TEST_FAIL, TEST_NEAR, TEST_PASS
from grader.data import load_toml
from grader.frames import group_codes, text
from grader.review.history import Outlets, counting, days, order_in_time, outlets

_MINUTES = 24 * 60


class SystemFails(NamedTuple):
    """One entry a system and visit in which something of the whole system failed, s of them.

    system : int (s,), codes of `system_codes`. visit, began : its code and first day, int days since 1970.
    test   : position of the failing test it rests on, of the gravest parameter the first. key : that parameter.
    moment : minutes since 1970 of the last such fail; NaN where one carries no test time.
    """

    system: np.ndarray
    visit: np.ndarray
    began: np.ndarray
    test: np.ndarray
    key: np.ndarray
    moment: np.ndarray


def system_codes(tests: pd.DataFrame) -> np.ndarray:
    """int (n,): client, site and system as one; -1 where no system is named."""
    codes = group_codes(tests["site_key"].to_numpy(dtype=object), tests["system_key"].to_numpy(dtype=object))
    return np.where(text(tests, "system") == "", -1, codes)


def system_fails(tests: pd.DataFrame, counts: np.ndarray) -> SystemFails:
    """The findings of whole systems.

    tests : judged table, n rows. counts : bool (n,), from history.counting.
    """
    system, visit, identity = system_codes(tests), tests["visit"].to_numpy(), tests["identity"].to_numpy()
    usable = counts & (system >= 0) & (visit >= 0)
    parts: list[pd.DataFrame] = []
    for scope in [s for s in load_toml("causes.toml")["scope"] if s["scope"] == "system"]:
        key = PARAMETER_BY_NAME[scope["parameter"]].key
        failed = usable & (tests[f"verdict_{key}"].to_numpy() == FAIL)
        if "words" in scope:
            failed &= np.isin(text(tests, key), scope["words"])
        at = np.flatnonzero(failed)
        frame = pd.DataFrame({"system": system[at], "visit": visit[at], "identity": identity[at], "test": at})
        failing = frame.groupby(["system", "visit"])["identity"].transform("nunique")
        frame = frame[failing.to_numpy() >= scope["outlets"]]
        parts.append(frame.assign(key=key, rank=len(parts)))
    fails = pd.concat(parts, ignore_index=True)
    minutes = tests["test_time"].to_numpy(dtype=float)
    day = days(tests).astype(np.int64)
    at = fails["test"].to_numpy()
    fails["moment"] = day[at] * _MINUTES + minutes[at]
    fails["untimed"] = np.isnan(minutes[at])
    per = (
        fails.sort_values(["rank", "test"])
        .groupby(["system", "visit"], sort=True)
        .agg(test=("test", "first"), key=("key", "first"), moment=("moment", "max"), untimed=("untimed", "any"))
        .reset_index()
    )
    began = pd.Series(day[usable]).groupby(visit[usable]).min()
    return SystemFails(
        per["system"].to_numpy(dtype=np.int64),
        per["visit"].to_numpy(dtype=np.int64),
        began.reindex(per["visit"]).to_numpy(dtype=np.int64),
        per["test"].to_numpy(dtype=np.int64),
        per["key"].to_numpy(dtype=object),
        np.where(per["untimed"].to_numpy(dtype=bool), np.nan, per["moment"].to_numpy(dtype=float)),
    )


class Outages(NamedTuple):
    """Which outlets a finding of their system keeps out of use: of m outlets, by position in history.Outlets.

    test : int (m,), position of the failing test it rests on, -1 where none. key : object (m,), that parameter.
    """

    test: np.ndarray
    key: np.ndarray


def outages(tests: pd.DataFrame, counts: np.ndarray, known: Outlets) -> Outages:
    """The outlets whose system failed and that have not passed since.

    known : from history.outlets. An outlet belongs to the system of its last test that names one. It is cleared by its first
    pass (or near limit) of a later visit, or of the same visit where both carry a test time and the pass is the
    later. As each visit that failed is cleared by any later one, only a system's latest matters.
    """
    test, key = np.full(len(known.identity), -1), np.full(len(known.identity), "", dtype=object)
    if not (counts & (tests["verdict"].to_numpy() == TEST_FAIL)).any():
        return Outages(test, key)
    fails = system_fails(tests, counts)
    if not len(fails.test):
        return Outages(test, key)
    latest = np.lexsort((fails.visit, fails.began, fails.system))
    latest = latest[np.append(np.diff(fails.system[latest]) != 0, True)]
    system = system_codes(tests)
    of_system = np.full(int(system.max()) + 2, -1)
    of_system[fails.system[latest]] = latest
    named = order_in_time(tests, np.flatnonzero(counts & (system >= 0) & (known.of_test >= 0)))
    member = np.full(len(known.identity), -1)
    member[known.of_test[named]] = system[named]  # the last one stays
    fail = of_system[member]  # the place behind the last is that of "no system"
    passed = counts & ~tests["superseded"].to_numpy() & np.isin(tests["verdict"].to_numpy(), (TEST_PASS, TEST_NEAR))
    at = np.flatnonzero(passed & (known.of_test >= 0) & (tests["visit"].to_numpy() >= 0))
    visit, day = tests["visit"].to_numpy(), days(tests).astype(np.int64)
    dated = counts & (visit >= 0)
    began = pd.Series(day[dated]).groupby(visit[dated]).min().reindex(visit[at]).to_numpy()
    of = fail[known.of_test[at]]
    moment = day[at] * _MINUTES + tests["test_time"].to_numpy(dtype=float)[at]
    later = (began > fails.began[of]) | ((visit[at] == fails.visit[of]) & (moment > fails.moment[of]))
    cleared = np.zeros(len(known.identity), dtype=bool)
    cleared[known.of_test[at[later & (of >= 0)]]] = True
    out = (fail >= 0) & ~cleared
    test[out], key[out] = fails.test[fail[out]], fails.key[fail[out]]
    return Outages(test, key)


class SystemOut(NamedTuple):
    """One system out of use, as pages tell it.

    outlets, identity : those that its finding keeps out of use, names and codes; whose own last test failed left out.
    test, failing, key, day : the test it rests on (position), its outlet, parameter and day.
    """

    site_key: str
    site: str
    client: str
    system: str
    outlets: list[str]
    identity: list[int]
    test: int
    failing: str
    key: str
    day: np.datetime64


def systems_out(tests: pd.DataFrame) -> list[SystemOut]:
    """The systems that have outlets out of use for a finding elsewhere, the longest first.

    tests : judged table, n rows. Outlets whose latest row says removed are left out.
    """
    counts = counting(tests)
    known = outlets(tests, counts)
    found = outages(tests, counts, known)
    failed = tests["verdict"].to_numpy()[known.last] == TEST_FAIL
    named = np.flatnonzero((found.test >= 0) & ~failed & (latest_status(tests, known.identity) != "removed"))
    systems = []
    for test in np.unique(found.test[named]).tolist():
        of = named[found.test[named] == test]
        last = known.last[of[0]]
        systems.append(
            SystemOut(
                str(tests["site_key"].iloc[last]),
                str(known.site[of[0]]),
                str(known.client[of[0]]),
                str(text(tests, "system")[test]),
                [str(name) for name in known.outlet[of]],
                [int(i) for i in known.identity[of]],
                test,
                str(tests["outlet"].iloc[test]),
                str(found.key[of[0]]),
                days(tests)[test],
            )
        )
    return sorted(systems, key=lambda s: (s.day, s.site, s.system))


def latest_status(tests: pd.DataFrame, identity: np.ndarray) -> np.ndarray:
    """What the latest row of each outlet, visited or not, says of its status: object (m,), "" for nothing."""
    rows = np.flatnonzero(
        tests["dated"].to_numpy() & ~tests["replaced"].to_numpy() & (tests["repeat_of"].to_numpy() < 0)
    )
    rows = order_in_time(tests, rows)
    of = tests["identity"].to_numpy()[rows]
    latest = rows[np.append(of[1:] != of[:-1], True)] if len(rows) else rows
    status = pd.Series(text(tests, "outlet_status")[latest], index=tests["identity"].to_numpy()[latest], dtype=object)
    return status.reindex(identity).to_numpy(dtype=object)
