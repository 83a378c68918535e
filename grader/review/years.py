"""Years: each outlet and parameter, years side by side. Sites: tests, pass rate and fails of each."""

from __future__ import annotations

import numpy as np
import pandas as pd

from grader.columns import (
    FAIL,
    OPEN_LOWER,
    OPEN_NONE,
    OPEN_UPPER,
    PARAMETERS,
    TEST_FAIL,
    TEST_INCOMPLETE,
    TEST_NEAR,
    TEST_PASS,
)
from grader.frames import text
from grader.natural import natural
from grader.review.history import DOUBTFUL, HISTORY, Readings, counting, days, readings
from grader.review.shown import column, limit_cells, shown
from grader.review.statistics.slopes import AGREE_RELATIVE


def years_table(tests: pd.DataFrame) -> pd.DataFrame:
    """The Years table: per calendar year with a test `YYYY tests`, `YYYY median`, `YYYY worst`, `YYYY fails`.

    tests   : judged table, n rows.
    Returns : one row an outlet and parameter with any reading, by site, outlet and parameter.

    Tests are those with a reading of the parameter, or with a fail of it. Water, dew point and margin share
    one verdict, so a fail of water counts for each of the three that was read. Median: a number, or a bound
    where bounds leave it open (median of the lower ends, median of the upper ends). Worst: the reading with
    the smallest distance to its limit. Doubtful readings are tests but take no part in either; a year with
    nothing else says `doubtful` in both. Change: of the median, from the year before to the row's latest year
    with a reading; blank where either is a bound or there is none.
    """
    counts = counting(tests)
    read = readings(tests, counts)
    year_of_entry = _year(read.day)
    years = np.unique(_year(days(tests)[counts]))
    shape = (len(read.outlet), len(years))
    group = read.row * max(len(years), 1) + np.searchsorted(years, year_of_entry)
    size = shape[0] * shape[1]
    failed = read.verdict == FAIL
    tested = np.bincount(group[read.read | failed], minlength=size).reshape(shape)
    doubtful = np.bincount(group[read.read & read.doubtful], minlength=size).reshape(shape)
    only_doubtful = (doubtful > 0) & (doubtful == tested)
    fails = np.bincount(group[failed], minlength=size).reshape(shape)
    lower, upper, open_ = (m.reshape(shape) for m in _medians(read, group, size))
    worst = _worst(read, group, size).reshape(shape)
    median = np.full(shape, None, dtype=object)
    for number, parameter in enumerate(HISTORY):
        rows = np.flatnonzero(read.parameter == number)
        cells = shown(lower[rows].ravel(), upper[rows].ravel(), open_[rows].ravel(), parameter)
        median[rows] = cells.reshape(len(rows), shape[1])
    median[only_doubtful] = worst[only_doubtful] = DOUBTFUL
    frame: dict[str, np.ndarray] = {
        "Site": read.outlets.site[read.outlet],
        "Outlet": read.outlets.outlet[read.outlet],
        "Parameter": np.array([p.name for p in HISTORY], dtype=object)[read.parameter],
        "Unit": np.array([p.unit for p in HISTORY], dtype=object)[read.parameter],
    }
    for i, year in enumerate(years):
        frame[f"{year} tests"], frame[f"{year} median"] = tested[:, i], column(median[:, i])
        frame[f"{year} worst"], frame[f"{year} fails"] = column(worst[:, i]), fails[:, i]
    frame["Change on year before"], frame["Years compared"] = _change(years, lower, upper)
    frame["Limit"] = column(limit_cells(read.limit_low, read.limit_high))
    frame["Client"] = read.outlets.client[read.outlet]
    frame["System"] = read.outlets.system[read.outlet]
    return _frame(frame)


def sites_table(tests: pd.DataFrame) -> pd.DataFrame:
    """The Sites table: per calendar year tests, pass rate (%), incomplete, fails, and fails by parameter.

    tests   : judged table, n rows.
    Returns : one row a site, by name. Near limit passes; an incomplete test counts as a test and not as a
              pass.

    Unlike in Years, tests of outlets without a name count. A parameter that failed nowhere has no column.
    """
    at = np.flatnonzero(counting(tests, named=False))
    key = tests["site_key"].to_numpy(dtype=object)[at]
    site, names = pd.factorize(np.array([natural(k) for k in pd.unique(key)], dtype=object), sort=True)
    site = site[pd.factorize(key)[0]] if len(at) else np.empty(0, dtype=np.int64)
    year = _year(days(tests)[at])
    years = np.unique(year)
    shape = (len(names), len(years))
    group = site * max(len(years), 1) + np.searchsorted(years, year)

    def count(where: np.ndarray) -> np.ndarray:
        return np.bincount(group[where], minlength=shape[0] * shape[1]).reshape(shape)

    # Names as the site's last test spells them.
    last = np.zeros(len(names), dtype=np.int64)
    order = np.lexsort((at, days(tests)[at]))
    last[site[order]] = at[order]
    verdict = tests["verdict"].to_numpy()[at]
    total, passed = count(np.ones(len(at), dtype=bool)), count(np.isin(verdict, (TEST_PASS, TEST_NEAR)))
    incomplete, failed = count(verdict == TEST_INCOMPLETE), count(verdict == TEST_FAIL)
    by_parameter = {
        p.name: count(tests[f"verdict_{p.key}"].to_numpy()[at] == FAIL)
        for p in PARAMETERS.values()
        if p.verdict_heading
    }
    frame: dict[str, np.ndarray] = {"Site": text(tests, "site")[last]}
    for i, y in enumerate(years):
        frame[f"{y} tests"] = total[:, i]
        with np.errstate(invalid="ignore"):
            frame[f"{y} pass rate (%)"] = np.round(100 * passed[:, i] / total[:, i], 1)
        frame[f"{y} incomplete"], frame[f"{y} fails"] = incomplete[:, i], failed[:, i]
        for name, fails in by_parameter.items():
            if fails.any():
                frame[f"{y} fails: {name}"] = fails[:, i]
    frame["Client"] = text(tests, "client")[last]
    return _frame(frame)


def _frame(columns: dict[str, np.ndarray]) -> pd.DataFrame:
    return pd.DataFrame({n: pd.Series(v, dtype=object if v.dtype.kind == "O" else v.dtype) for n, v in columns.items()})


def _year(day: np.ndarray) -> np.ndarray:
    return day.astype("datetime64[Y]").astype(np.int64) + 1970


def _medians(read: Readings, group: np.ndarray, size: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Medians of the lower and the upper ends of each group (size,), NaN where empty; and the open code."""
    at = read.read & ~read.doubtful
    group, lower, upper, open_ = group[at], read.lower[at], read.upper[at], read.open[at]
    bound = lower != upper
    # Just above 60 sorts behind 60 itself, just below 2 before 2.
    low, low_open = _median(group, lower, bound & (open_ == OPEN_LOWER), 1, size)
    high, high_open = _median(group, upper, bound & (open_ == OPEN_UPPER), -1, size)
    with np.errstate(invalid="ignore"):
        same = (
            np.isfinite(low)
            & np.isfinite(high)
            & (np.abs(high - low) <= AGREE_RELATIVE * np.maximum(np.abs(low), np.abs(high)))
        )
    high = np.where(same, low, high)
    code = np.where(high_open & ~np.isposinf(high), OPEN_UPPER, np.where(low_open, OPEN_LOWER, OPEN_NONE))
    return low, high, np.where(same, OPEN_NONE, code)


def _median(
    group: np.ndarray, value: np.ndarray, is_open: np.ndarray, side: int, size: int
) -> tuple[np.ndarray, np.ndarray]:
    """Median per group and whether that end is itself excluded (one of the two middle ones is)."""
    order = np.lexsort((side * is_open.astype(int), value, group))
    value, is_open = value[order], is_open[order]
    count = np.bincount(group, minlength=size)
    start = np.cumsum(count) - count
    some = count > 0
    one, two = start[some] + (count[some] - 1) // 2, start[some] + count[some] // 2
    median, excluded = np.full(size, np.nan), np.zeros(size, dtype=bool)
    median[some] = np.where(one == two, value[one], value[one] / 2 + value[two] / 2)
    excluded[some] = is_open[one] | is_open[two]
    return median, excluded


def _worst(read: Readings, group: np.ndarray, size: int) -> np.ndarray:
    """The worst reading of each group as a cell: object (size,)."""
    cells = np.full(size, None, dtype=object)
    order = read.worst_first(group)
    order = order[(read.read & ~read.doubtful)[order]]
    first = order[np.append(True, group[order][1:] != group[order][:-1])] if len(order) else order
    for number, parameter in enumerate(HISTORY):
        pick = first[read.parameter[read.row[first]] == number]
        cells[group[pick]] = shown(read.lower[pick], read.upper[pick], read.open[pick], parameter)
    return cells


def _change(years: np.ndarray, lower: np.ndarray, upper: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Change of the median to each row's latest year from the one before, float (k,); both years as text."""
    k = len(lower)
    change, compared = np.full(k, np.nan), np.full(k, "", dtype=object)
    if not len(years):
        return change, compared
    there = ~np.isnan(lower)
    latest = lower.shape[1] - 1 - np.argmax(there[:, ::-1], axis=1)
    before = np.maximum(latest - 1, 0)
    rows = np.arange(k)
    pair = there[rows, latest] & there[rows, before] & (years[latest] - years[before] == 1)
    figure = (lower == upper) & np.isfinite(lower)
    plain = np.flatnonzero(pair & figure[rows, latest] & figure[rows, before])
    change[plain] = lower[plain, latest[plain]] - lower[plain, before[plain]]
    texts = np.array([f"{y - 1} to {y}" for y in years], dtype=object)
    compared[pair] = texts[latest][pair]
    return change, compared
