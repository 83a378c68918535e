"""The Due sheet's table: each outlet's last test, what it said, and when the next is due."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from grader.columns import (
    AWAITED,
    BLANK,
    JUDGED,
    PARAMETERS,
    READ,
    TEST_FAIL,
    TEST_INCOMPLETE,
    TEST_NEAR,
    TEST_PASS,
    TEST_WORDS,
)
from grader.frames import table_of, text
from grader.problems import Problems
from grader.review.history import as_day, counting, days, months_after, outlets
from grader.review.names import doubles
from grader.review.systems import latest_status, outages

STATES = ("out of use", "out of use (system)", "not cleared", "overdue", "due within 14 days", "in date", "removed")
OUT_OF_USE, SYSTEM_OUT, NOT_CLEARED, OVERDUE, DUE_SOON, IN_DATE, REMOVED = range(7)
STATES_NOW = STATES[:DUE_SOON]  # those that nothing may wait for
SOON_DAYS = 14
USUAL_INTERVAL_MONTHS = 3  # HSE HSG53: at least every three months (seen on secondary pages)
LONGEST_INTERVAL_MONTHS = 24  # longer is taken for a slip, such as 90 days (judgement, no source)


def due_table(
    tests: pd.DataFrame,
    *,
    as_of: object,
    interval_months: int | None = None,
    rule_intervals: Mapping[str, int | None] | None = None,
    problems: Problems | None = None,
    file_names: Sequence[str] = (),
) -> pd.DataFrame:
    """The Due table, the most urgent first.

    tests           : judged table, n rows. as_of : date of the run.
    interval_months : int, at least 1; for outlets whose last test states none. None: as the rule set of that
                      test says, else USUAL_INTERVAL_MONTHS.
    rule_intervals  : id of a rule set -> its longest interval in months, or None where it fixes none.
    problems        : where given, an interval that could not be used is queried (interval_not_used), and one
                      longer than the rule set's is noted (interval_longer).
    file_names      : by file number, for column File; none: the column is blank.
    Returns         : one row an outlet with a test that counts. Interval in months, Days left in days on
                      `as_of`.
    Raises          : ValueError for an `interval_months` below 1.

    The last test is never one that a later test of its day superseded. Next due counts from the last pass or
    near limit, by calendar months (31 January and one month is the last day of February), with the interval
    that the last test states: a whole number of months, rounded down but not below 1; 0, a bound, unreadable
    or more than 24 months is not used. An outlet that never passed has no next due. Removed: the outlet's
    latest row says so, visited or not; it has no next due either. Left out of a visit changes nothing here.
    Out of use: the last test failed, or one without a date did, which `Rests on` names; there is no next due then, but
    the day since when (`Out of use since`: its first fail since it last passed). Out of use (system): its system failed
    since (grader.review.systems), from that day on; `Rests on` names the outlet, parameter and test.
    """
    if interval_months is not None and interval_months < 1:
        raise ValueError(f"an interval is at least 1 month, not {interval_months}")
    day_of_run = as_day(as_of)
    counts = counting(tests)
    known = outlets(tests, counts)
    day, verdict = days(tests), tests["verdict"].to_numpy()
    last_verdict = verdict[known.last]
    passed = _last_pass(tests, counts, known.of_test, len(known.identity))
    system = outages(tests, counts, known)
    months, whence = _intervals(tests, known.last, interval_months, rule_intervals or {}, problems)
    twins = doubles(tests)
    status = latest_status(tests, known.identity)
    removed = status == "removed"
    undated = _undated_fails(tests, known.identity)
    failed = (last_verdict == TEST_FAIL) | (undated >= 0)
    next_due = np.where(removed | failed, np.datetime64("NaT"), months_after(passed, months)).astype("datetime64[D]")
    left = np.where(np.isnat(next_due), np.nan, (next_due - day_of_run).astype("timedelta64[D]").astype(float))
    state = np.select(
        [
            removed,
            failed,
            system.test >= 0,
            (last_verdict == TEST_INCOMPLETE) | np.isnan(left),
            left < 0,
            left <= SOON_DAYS,
        ],
        [REMOVED, OUT_OF_USE, SYSTEM_OUT, NOT_CLEARED, OVERDUE, DUE_SOON],
        IN_DATE,
    )
    since = _failed_since(tests, counts, known.of_test, passed)
    since = np.where(state == SYSTEM_OUT, np.where(system.test >= 0, day[system.test], since), since)
    since = np.where(np.isin(state, (OUT_OF_USE, SYSTEM_OUT)), since, np.datetime64("NaT", "D"))
    # Within a state: the longest out of use, what never passed, the fewest days left; else in natural order.
    urgent = np.where(np.isnan(left), -np.inf, left)
    order = np.lexsort((np.arange(len(left)), np.where(np.isnat(since), urgent, since.astype(np.int64)), state))
    files = np.array([*file_names, ""], dtype=object)
    rests_on = np.full(len(state), "", dtype=object)
    outlet, file_of, row = text(tests, "outlet"), tests["file"].to_numpy(), tests["row"].to_numpy()
    for i in np.flatnonzero((state == SYSTEM_OUT) | (undated >= 0)):
        of_system = state[i] == SYSTEM_OUT
        at = int(system.test[i] if of_system else undated[i])
        name, when = (PARAMETERS[system.key[i]].name, str(day[at])) if of_system else ("", "")
        place = f"{files[file_of[at]]}, row {row[at] + 1}" if len(file_names) else ""
        rests_on[i] = ", ".join(t for t in (outlet[at], name, when, place) if t)
    file = tests["file"].to_numpy()[known.last] if len(file_names) else np.full(len(known.last), -1)
    frame = {
        "Site": known.site,
        "Outlet": known.outlet,
        "Last test": day[known.last].astype("datetime64[s]"),
        "Last verdict": np.array(TEST_WORDS, dtype=object)[last_verdict],
        "Interval": months,
        "Next due": next_due.astype("datetime64[s]"),
        "Days left": left,
        "State": np.array(STATES, dtype=object)[state],
        "Last pass": passed.astype("datetime64[s]"),
        "Interval from": whence,
        "Outlet status": status,
        "Client": known.client,
        "System": np.where(state == SYSTEM_OUT, text(tests, "system")[system.test], known.system),
        "Rule set": text(tests, "ruleset")[known.last],
        "Out of use since": since.astype("datetime64[s]"),
        "Rests on": rests_on,
        "May be a double of": np.array([twins.get(int(i), "") for i in known.identity], dtype=object),
        "File": files[file],
    }
    if "awaits" in tests and (waiting := awaited(tests, known.last)).any():
        frame["Awaited"] = waiting
    return table_of(frame, order).astype({"Days left": "Int64"})


def awaited(tests: pd.DataFrame, at: np.ndarray) -> np.ndarray:
    """What the tests `at` still await from a laboratory: parameters and reference, "" where nothing; object."""
    named = np.full(len(at), "", dtype=object)
    for key in JUDGED:
        here = (tests[f"verdict_{key}"].to_numpy()[at] == AWAITED) & tests[f"{key}_missing"].to_numpy()[at]
        named[here] = [f"{n}, {PARAMETERS[key].name}" if n else PARAMETERS[key].name for n in named[here]]
    reference = text(tests, "laboratory_reference")[at]
    some = (named != "") & (reference != "")
    named[some] = [f"{n} ({r})" for n, r in zip(named[some], reference[some])]
    return named


def _last_pass(tests: pd.DataFrame, counts: np.ndarray, of_test: np.ndarray, outlets_count: int) -> np.ndarray:
    """Day of each outlet's last pass or near limit: datetime64[D] (m,), NaT where it never passed."""
    good = np.flatnonzero(
        counts & ~tests["superseded"].to_numpy() & np.isin(tests["verdict"].to_numpy(), (TEST_PASS, TEST_NEAR))
    )
    day = np.full(outlets_count, np.iinfo(np.int64).min)  # what NaT is
    np.maximum.at(day, of_test[good], days(tests)[good].astype(np.int64))
    return day.astype("datetime64[D]")


def _undated_fails(tests: pd.DataFrame, identity: np.ndarray) -> np.ndarray:
    """Position of a failed test without a date of each outlet, which no later one can be told to overrule; -1: none."""
    failed = (tests["verdict"].to_numpy() == TEST_FAIL) & np.isnat(days(tests))
    at = np.flatnonzero(failed & ~tests["replaced"].to_numpy() & (tests["repeat_of"].to_numpy() < 0))
    found = dict(zip(tests["identity"].to_numpy()[at].tolist(), at.tolist()))
    return np.array([found.get(i, -1) for i in identity.tolist()], dtype=np.int64)


def _failed_since(tests: pd.DataFrame, counts: np.ndarray, of_test: np.ndarray, passed: np.ndarray) -> np.ndarray:
    """Day of each outlet's first fail since it last passed: datetime64[D] (m,), NaT where it has not failed since.

    A fail of the day of a pass counts where no later test of that day ruled instead.
    """
    failed = np.flatnonzero(counts & ~tests["superseded"].to_numpy() & (tests["verdict"].to_numpy() == TEST_FAIL))
    day, last = days(tests)[failed], passed[of_test[failed]]
    after = np.isnat(last) | (day >= last)
    first = np.full(len(passed), np.iinfo(np.int64).max)
    np.minimum.at(first, of_test[failed[after]], day[after].astype(np.int64))
    return np.where(first == np.iinfo(np.int64).max, np.iinfo(np.int64).min, first).astype("datetime64[D]")


def _intervals(
    tests: pd.DataFrame,
    last: np.ndarray,
    asked: int | None,
    rule_intervals: Mapping[str, int | None],
    problems: Problems | None,
) -> tuple[np.ndarray, np.ndarray]:
    """Months of each outlet, int (m,), and where they are from: log, option, rule set, usual."""
    state = tests["interval_months_state"].to_numpy()[last]
    value = tests["interval_months"].to_numpy(dtype=float)[last]
    with np.errstate(invalid="ignore"):
        stated = (state == READ) & (value > 0) & (value <= LONGEST_INTERVAL_MONTHS)
    rule = text(tests, "ruleset")[last]
    longest = pd.Series(rule).map({k: v for k, v in rule_intervals.items() if v}).to_numpy(dtype=float)
    if asked is not None:
        usual, fallback = np.full(len(last), float(asked)), np.full(len(last), "option", dtype=object)
    else:
        usual = np.where(np.isnan(longest), USUAL_INTERVAL_MONTHS, longest)
        fallback = np.where(np.isnan(longest), "usual", "rule set").astype(object)
    months = np.where(stated, np.maximum(np.floor(np.where(stated, value, 1)), 1), usual).astype(np.int64)
    if problems is not None:
        number = tests.index.to_numpy()
        unused = (state != BLANK) & ~stated
        problems.add_tests("interval_not_used", number[last[unused]], "interval_months",
                           usual=months[unused], longest=LONGEST_INTERVAL_MONTHS)  # fmt: skip
        beyond = months > longest
        problems.add_tests("interval_longer", number[last[beyond]], "interval_months", months=months[beyond],
                           longest=longest[beyond].astype(int), rule=rule[beyond])  # fmt: skip
    return months, np.where(stated, "log", fallback).astype(object)
