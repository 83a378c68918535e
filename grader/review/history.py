"""What counts in history: tests, outlets, and the readings of each outlet and parameter in order of time.

Also the queries that only history can ask (an outlet left out, names that look like slips) and the age of the
source files. Design: "History". Only tests with `dated` set count: not those without date or after the day of
the run.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd

from grader.columns import BLANK, CANNOT_TELL, DOUBT, FAIL, PARAMETERS, READ, WATER_CHAIN, Parameter
from grader.decided import BY_CONTENT, BY_LINE_DEW
from grader.frames import by_unique, text
from grader.natural import natural
from grader.problems import Problems
from grader.review.names import name_slips, query_slips

HISTORY: tuple[Parameter, ...] = tuple(p for p in PARAMETERS.values() if p.history)
KEEPING_YEARS = 5  # COSHH 2002 reg. 9(4): records of tests kept at least 5 years
DOUBTFUL = "doubtful"  # how a reading that proves nothing stands on Trend, Years and Charts
# Doubts about the verdict (the need, the supply, a cell of dates), not about the figure that was measured:
# such a reading takes part in the slope. One with an expired tube, an overdue instrument, short sampling, a
# multiplier not known or an implausible figure does not: it says nothing sure about the plant.
FIGURE_STANDS = np.isin(
    np.arange(len(DOUBT)),
    [
        DOUBT[name]
        for name in (
            "none",
            "expiry_unreadable",
            "calibration_unreadable",
            "supply_unknown",
            "ambient_missing",
            "liquid_water_unreadable",
            "need_unreadable",
            "highest_unreadable",
            "flow_low_no_need",
            "band_not_known",
        )
    ],
)
# Doubts about where the air is used: margin and verdict rest on them, water content and dew point do not.
OF_TEMPERATURE = ("temperature_unreadable", "temperature_raised", "ambient_missing")


def counting(tests: pd.DataFrame, *, named: bool = True) -> np.ndarray:
    """Which tests count in history.

    tests   : judged table, n rows.
    named   : leave out tests whose outlet has no name; nothing can be told of them over time.
    Returns : bool (n,). Visited, dated not after the day of the run, not replaced, no repeat; of a conflict
              (two tests of a day with different readings, and nothing says which is later) only the worst.

    A test that a later one of the same day superseded counts: its readings were measured, so they stand in
    Trend and Years. It is never an outlet's last test in Due (see `order_in_time`, which puts it first on its
    day).
    """
    counts = (
        tests["visited"].to_numpy()
        & tests["dated"].to_numpy()
        & ~tests["replaced"].to_numpy()
        & (tests["repeat_of"].to_numpy() < 0)
    )
    if named:
        counts = counts & tests["outlet_given"].to_numpy()
    at = np.flatnonzero(counts & tests["conflict"].to_numpy())
    if len(at):
        group = tests["same_day"].to_numpy()[at]
        verdict = tests["verdict"].to_numpy()[at].astype(int)
        order = np.lexsort((at, -verdict, group))
        first = np.append(True, group[order][1:] != group[order][:-1])
        counts[at[order[~first]]] = False
    return counts


def order_in_time(tests: pd.DataFrame, at: np.ndarray) -> np.ndarray:
    """Positions `at` (k,) sorted by outlet, day, superseded before what supersedes it, time of day, test."""
    minutes = np.nan_to_num(tests["test_time"].to_numpy(dtype=float)[at], nan=-1.0)
    return at[
        np.lexsort(
            (at, minutes, ~tests["superseded"].to_numpy()[at], days(tests)[at], tests["identity"].to_numpy()[at])
        )
    ]


def days(tests: pd.DataFrame) -> np.ndarray:
    """Test days as datetime64[D], (n,), NaT where not known."""
    return tests["test_day"].to_numpy().astype("datetime64[D]")


def as_day(day: object) -> np.datetime64:
    """A date, datetime64 or ISO text as datetime64[D]."""
    return np.datetime64(day, "D")  # type: ignore[call-overload]


def months_after(day: np.ndarray, months: np.ndarray | int) -> np.ndarray:
    """Days whole calendar months later; where the month is shorter, its last day.

    day     : datetime64[D] (n,), NaT stays NaT. months : int, one or (n,).
    Returns : datetime64[D] (n,).

    >>> ends = np.array(["2024-01-31", "2023-11-30"], dtype="datetime64[D]")
    >>> months_after(ends, np.array([1, 3])).astype(str).tolist()
    ['2024-02-29', '2024-02-29']
    """
    month = day.astype("datetime64[M]")
    into = (day - month.astype("datetime64[D]")).astype("timedelta64[D]")
    target = month + np.asarray(months).astype("timedelta64[M]")
    last = (target + np.timedelta64(1, "M")).astype("datetime64[D]") - np.timedelta64(1, "D")
    return np.minimum(target.astype("datetime64[D]") + into, last)


class Outlets(NamedTuple):
    """The outlets with a test that counts, m of them, by site and then by name in natural order.

    identity : int (m,). last : int (m,), position of the last test, never a superseded one.
    site, client, outlet, system : object (m,), as the last test spells them. of_test : int (n,), each test's
    outlet, -1 where the test does not count.
    """

    identity: np.ndarray
    last: np.ndarray
    site: np.ndarray
    client: np.ndarray
    outlet: np.ndarray
    system: np.ndarray
    of_test: np.ndarray


def outlets(tests: pd.DataFrame, counts: np.ndarray) -> Outlets:
    """The outlets of the tests that count.

    counts : bool (n,), from `counting`.
    """
    identity = tests["identity"].to_numpy()
    at = order_in_time(tests, np.flatnonzero(counts))
    last = at[np.append(identity[at][1:] != identity[at][:-1], True)] if len(at) else at
    site = by_unique(tests["site_key"].to_numpy(dtype=object)[last], natural)
    name = by_unique(tests["outlet_key"].to_numpy(dtype=object)[last], natural)
    system = text(tests, "system")[last]
    ranks = [pd.factorize(key, sort=True)[0] for key in (system, name, site)]
    last = last[np.lexsort((identity[last], *ranks))]
    of_identity = np.full(int(identity.max(initial=-1)) + 1, -1, dtype=np.int64)
    of_identity[identity[last]] = np.arange(len(last))
    of_test = np.where(counts, of_identity[identity], -1) if len(tests) else np.empty(0, dtype=np.int64)
    return Outlets(
        identity[last],
        last,
        text(tests, "site")[last],
        text(tests, "client")[last],
        text(tests, "outlet")[last],
        text(tests, "system")[last],
        of_test,
    )


class Readings(NamedTuple):
    """Every reading of every outlet and parameter, laid end to end: sorted by row, and in a row by time.

    Rows, k of them; a row is an outlet and a parameter with any reading or fail:
    outlet, parameter    int (k,), positions in `outlets` and HISTORY
    limit_low, limit_high  float (k,), the latest limits, NaN where none
    Entries, N of them:
    row, test            int32 (N,)
    day                  datetime64[D] (N,)
    lower, upper, open   as in the table, (N,), NaN ends where not read
    read                 bool (N,); others are cells that could not be read, and fails without a reading
    verdict, doubt       int8 (N,), of that parameter at that test
    low, high            float (N,), limits of that test
    doubtful             bool (N,), it proves nothing: cannot tell, or the figure itself is in doubt (a fail is none)
    superseded           bool (N,), a later test of that day ruled
    distance             float (N,), what is left to the limit at the adverse end, below 0 beyond it;
                         the smaller, the worse. Without a limit it only ranks: see `_distances`
    """

    outlets: Outlets
    outlet: np.ndarray
    parameter: np.ndarray
    limit_low: np.ndarray
    limit_high: np.ndarray
    row: np.ndarray
    test: np.ndarray
    day: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    open: np.ndarray
    read: np.ndarray
    verdict: np.ndarray
    doubt: np.ndarray
    low: np.ndarray
    high: np.ndarray
    doubtful: np.ndarray
    superseded: np.ndarray
    distance: np.ndarray

    def of_parameter(self, key: str) -> np.ndarray:
        """Which rows are of one parameter: bool (k,)."""
        return self.parameter == next(i for i, p in enumerate(HISTORY) if p.key == key)

    def worst_first(self, group: np.ndarray) -> np.ndarray:
        """Entries by `group` (N,), the worse first; of equals a plain reading first, then the later."""
        return np.lexsort((-np.arange(len(group)), self.lower != self.upper, ~self.read, self.distance, group))

    def latest_doubtful(self) -> np.ndarray:
        """Rows whose latest entry is doubtful: bool (k,)."""
        out = np.zeros(len(self.outlet), dtype=bool)
        out[self.row] = self.doubtful  # entries of a row stand in order of time: the last assignment wins
        return out


def readings(tests: pd.DataFrame, counts: np.ndarray | None = None) -> Readings:
    """The readings of the tests that count.

    tests  : judged table, n rows. counts : bool (n,), from `counting`, or None to work it out.
    """
    counts = counting(tests) if counts is None else counts
    known = outlets(tests, counts)
    at = order_in_time(tests, np.flatnonzero(counts))
    coldest = _coldest(tests, at, known)
    parts: list[dict[str, np.ndarray]] = []
    for number, parameter in enumerate(HISTORY):
        key = parameter.key
        state = tests[f"{key}_state"].to_numpy()[at]
        verdict = tests[f"verdict_{'water' if key in WATER_CHAIN else key}"].to_numpy()[at]
        # A fail without a figure (liquid water seen, no tube drawn) is one of water, not of the dew point.
        wanted = (state != BLANK) | ((verdict == FAIL) & (key not in ("pressure_dew_point", "margin")))
        take = at[wanted]
        read = state[wanted] == READ
        low, high = _limits(tests, key, take, coldest)
        parts.append(
            {
                "code": known.of_test[take] * len(HISTORY) + number,
                "test": take.astype(np.int32),
                "read": read,
                "lower": np.where(read, tests[f"{key}_lower"].to_numpy(dtype=float)[take], np.nan),
                "upper": np.where(read, tests[f"{key}_upper"].to_numpy(dtype=float)[take], np.nan),
                "open": tests[f"{key}_open"].to_numpy()[take].astype(np.int8),
                "verdict": verdict[wanted].astype(np.int8),
                "low": low,
                "high": high,
                "doubt": tests[f"{key}_doubt"].to_numpy()[take].astype(np.int8),
                "doubtful": _doubtful(tests, key, take, verdict[wanted]),
            }
        )
    joined = {name: np.concatenate([p.pop(name) for p in parts]) for name in list(parts[0])}
    # A row needs a reading or a fail: cells that could not be read make none of their own.
    useful = np.zeros(len(known.identity) * len(HISTORY) + 1, dtype=bool)
    useful[joined["code"][joined["read"] | (joined["verdict"] == FAIL)]] = True
    order = np.argsort(joined["code"], kind="stable")
    order = order[useful[joined["code"][order]]]
    joined = {name: joined.pop(name)[order] for name in list(joined)}
    codes, row = np.unique(joined.pop("code"), return_inverse=True)
    row = row.astype(np.int32)
    limit_low, limit_high = _latest_limits(row, joined["low"], joined["high"], len(codes))
    parameter_of = codes % len(HISTORY)
    distance = _distances(joined, row, parameter_of, limit_low, limit_high)
    return Readings(
        outlets=known,
        outlet=codes // len(HISTORY),
        parameter=parameter_of,
        limit_low=limit_low,
        limit_high=limit_high,
        row=row,
        day=days(tests)[joined["test"]],
        superseded=tests["superseded"].to_numpy()[joined["test"]],
        distance=distance,
        **joined,
    )


def _doubtful(tests: pd.DataFrame, key: str, take: np.ndarray, verdict: np.ndarray) -> np.ndarray:
    """Which of the tests `take` prove nothing of one parameter: bool. verdict : of that parameter at those tests."""
    figure = FIGURE_STANDS[tests[f"{key}_doubt"].to_numpy()[take]]
    cannot_tell = verdict == CANNOT_TELL
    if key in ("water", "pressure_dew_point"):
        of_use = np.isin(tests["water_doubt"].to_numpy()[take], [DOUBT[name] for name in OF_TEMPERATURE])
        figure, cannot_tell = figure | (of_use & (key == "water")), cannot_tell & ~of_use
    return cannot_tell | (~figure & (verdict != FAIL))


def _coldest(tests: pd.DataFrame, at: np.ndarray, known: Outlets) -> np.ndarray:
    """Lowest use temperature that each outlet's tests have seen, degC (m,), NaN where none was known."""
    if not len(at):
        return np.full(len(known.of_test), np.nan)
    coldest = np.full(len(known.identity), np.inf)
    warm = np.where(
        tests["use_temperature_known"].to_numpy()[at], tests["use_temperature_c"].to_numpy(dtype=float)[at], np.nan
    )
    np.fmin.at(coldest, known.of_test[at], warm)
    return np.where(np.isfinite(coldest), coldest, np.nan)[known.of_test]


def _limits(tests: pd.DataFrame, key: str, take: np.ndarray, coldest: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Limits of one parameter at the tests `take`: low and high, float, NaN where none.

    Water is judged by one figure of its chain: the content has a limit only where it decided, the dew point
    where it did, or else at the coldest place of use that the outlet's tests have seen, less the margin
    asked.
    """
    none = np.full(len(take), np.nan)
    if key not in WATER_CHAIN:
        return (
            tests[f"limit_low_{key}"].to_numpy(dtype=float)[take],
            tests[f"limit_high_{key}"].to_numpy(dtype=float)[take],
        )
    needed = tests["margin_needed_k"].to_numpy(dtype=float)[take]
    if key == "margin":
        return needed, none
    by = tests["water_by"].to_numpy()[take]
    high = np.where(
        by == (BY_CONTENT if key == "water" else BY_LINE_DEW),
        tests["limit_high_water"].to_numpy(dtype=float)[take],
        np.nan,
    )
    return none, high if key == "water" else np.where(np.isnan(high), coldest[take] - needed, high)


def _latest_limits(row: np.ndarray, low: np.ndarray, high: np.ndarray, count: int) -> tuple[np.ndarray, np.ndarray]:
    latest_low, latest_high = np.full(count, np.nan), np.full(count, np.nan)
    some = ~(np.isnan(low) & np.isnan(high))
    # Entries of a row stand in order of time: the last assignment wins.
    latest_low[row[some]], latest_high[row[some]] = low[some], high[some]
    return latest_low, latest_high


def _distances(
    entries: dict[str, np.ndarray],
    row: np.ndarray,
    parameter_of: np.ndarray,
    limit_low: np.ndarray,
    limit_high: np.ndarray,
) -> np.ndarray:
    """Distance to the limit at the adverse end; with two limits the smaller.

    Where that test had no limit, the row's latest serves. Rows without any limit: gases, water and dew point
    the highest is worst, margin, flow and pressure the lowest. A fail without a reading is worst of all, what
    is doubtful or could not be read comes last.
    """
    lacks = np.isnan(entries["low"]) & np.isnan(entries["high"])
    low = np.where(lacks, limit_low[row], entries["low"])
    high = np.where(lacks, limit_high[row], entries["high"])
    distance = np.fmin(high - entries["upper"], entries["lower"] - low)
    lowest_is_worst = np.array([p.direction == "low" for p in HISTORY])[parameter_of][row]
    unlimited = np.isnan(low) & np.isnan(high)
    distance = np.where(unlimited, np.where(lowest_is_worst, entries["lower"], -entries["upper"]), distance)
    sure = entries["read"] & ~entries["doubtful"]
    return np.where(sure, distance, np.where(entries["verdict"] == FAIL, -np.inf, np.inf))


def left_out(tests: pd.DataFrame, problems: Problems) -> np.ndarray:
    """Query outlets that their site's latest periodic visit left out (code left_out, where that visit says its date).

    tests   : table after normalise, n rows.
    Returns : int array of the numbers of their last tests.

    A visit without any reason for visit is taken as periodic. An outlet that stands in the visit without a
    reading was not left out, nor one whose last row says removed or locked off, nor one first tested later.
    """
    rows = np.flatnonzero(
        tests["dated"].to_numpy()
        & ~tests["replaced"].to_numpy()
        & tests["outlet_given"].to_numpy()
        & (tests["visit"].to_numpy() >= 0)
    )
    if not len(rows):
        return np.empty(0, dtype=np.int64)
    rows = order_in_time(tests, rows)
    day, site = days(tests)[rows], pd.factorize(tests["site_key"].to_numpy(dtype=object)[rows])[0]
    visit, identity = tests["visit"].to_numpy()[rows], tests["identity"].to_numpy()[rows]
    if len(np.unique(visit)) == len(np.unique(site)):
        return np.empty(0, dtype=np.int64)  # no site has an earlier visit
    reason = text(tests, "visit_reason")[rows]
    of_visit = (
        pd.DataFrame(
            {
                "visit": visit,
                "site": site,
                "day": day.astype(np.int64),
                "periodic": reason == "periodic",
                "said": reason != "",
            }
        )
        .groupby("visit")
        .agg(
            site=("site", "first"),
            first=("day", "min"),
            last=("day", "max"),
            periodic=("periodic", "any"),
            said=("said", "any"),
        )
        .reset_index()
    )
    periodic = of_visit[of_visit["periodic"] | ~of_visit["said"]].sort_values(["site", "last"])
    latest = periodic.drop_duplicates("site", keep="last").set_index("site")
    latest_visit = latest["visit"].reindex(site, fill_value=-1).to_numpy(dtype=np.int64)
    began = latest["first"].reindex(site, fill_value=0).to_numpy(dtype=np.int64).astype("datetime64[D]")
    ends = np.append(identity[1:] != identity[:-1], True)
    counts = counting(tests)[rows]
    tested = pd.Series(np.where(counts, np.arange(len(rows)), -1)).groupby(identity).max()
    status = text(tests, "outlet_status")[rows]
    found = np.flatnonzero(
        ends
        & (latest_visit >= 0)
        & (day < began)
        & ~np.isin(status, ("removed", "locked off"))
        & ~np.isin(identity, identity[visit == latest_visit])
    )
    last = tested.reindex(identity[found]).to_numpy().astype(np.int64)
    found, last = found[last >= 0], last[last >= 0]
    number = tests.index.to_numpy()[rows]
    of_latest = pd.Series(number).groupby(visit).min().reindex(latest_visit[found])
    problems.add_tests(
        "left_out",
        of_latest.to_numpy().astype(np.int64),
        "test_date",
        text(tests, "outlet")[rows[last]].tolist(),
        site=text(tests, "site")[rows[last]],
        visit_day=began[found].astype(str),
        last_day=day[last].astype(str),
    )
    return number[last]


def slips(tests: pd.DataFrame, problems: Problems) -> list[tuple[str, str]]:
    """Query names of outlets of one site that look like slips of one another (code name_slip), once a pair.

    tests   : table after normalise, n rows.
    Returns : the pairs, (rarer name, commoner name). Nothing is merged.
    """
    found, outlet = name_slips(tests, "outlet"), text(tests, "outlet")
    query_slips(tests, found, problems)
    return list(zip(outlet[found.rare].tolist(), outlet[found.common].tolist()))


def old_sources(tests: pd.DataFrame, files: int, *, as_of: object, years: int = KEEPING_YEARS) -> np.ndarray:
    """Which files are past the usual keeping time: their last test lies more than `years` before `as_of`.

    files   : int, number of files. Returns : bool (files,). A file without a dated test is not called old.
    Source  : COSHH 2002 reg. 9(4), at least 5 years. Nothing is ever deleted; this only says so.
    """
    day = days(tests)
    known = ~np.isnat(day)
    last = np.full(files, np.iinfo(np.int64).min)
    np.maximum.at(last, tests["file"].to_numpy()[known], day[known].astype(np.int64))
    horizon = months_after(np.array([as_day(as_of)]), -12 * years).astype(np.int64)[0]
    return (last > np.iinfo(np.int64).min) & (last < horizon)
