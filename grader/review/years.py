"""Years: each outlet and parameter, years side by side; the same for systems, sites and the firm."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from grader.columns import FAIL, OPEN_LOWER, OPEN_NONE, OPEN_UPPER
from grader.frames import group_codes, table_of
from grader.review.history import DOUBTFUL, HISTORY, Readings, counting, days, readings
from grader.review.shown import column, limit_cells, shown
from grader.review.statistics.slopes import AGREE_RELATIVE

LEVELS = ("outlet", "system", "site", "firm")
ALL_SITES = "all sites"
MOST = 300_000


def years_table(tests: pd.DataFrame, read: Readings | None = None) -> pd.DataFrame:
    """The Years table: per calendar year with a test `YYYY tests`, `YYYY median`, `YYYY worst`, `YYYY fails`.

    tests   : judged table, n rows. read : its readings that count; None works them out.
    Returns : one row an outlet and parameter with any reading, by site, outlet and parameter; then one a named system,
              a site and the firm (column Level), over the same readings.

    Tests are those with a reading of the parameter, or with a fail of it. Water, dew point and margin share
    one verdict, so a fail of water counts for each of the three that was read. Median: a number, or a bound
    where bounds leave it open (median of the lower ends, median of the upper ends). Worst: the reading with
    the smallest distance to its limit. Doubtful readings are tests but take no part in either; a year with
    nothing else says `doubtful` in both. Change: of the median, from the year before to the row's latest year
    with a reading; blank where either is a bound or there is none.
    """
    counts = counting(tests)
    read = readings(tests, counts) if read is None else read
    years = np.unique(_year(days(tests)[counts]))
    rank = np.empty(len(read.row), dtype=np.int64)
    rank[read.worst_first(np.zeros(len(read.row), dtype=np.int64))] = np.arange(len(read.row))
    parts = [
        _level(read, rank, *block, years, level)
        for level, of_level in zip(LEVELS, _row_groups(tests, read))
        for block in _blocks(read, *of_level)
    ]
    parts = [p for p in parts if len(p["Site"])] or parts[:1]
    return table_of({name: np.concatenate([p[name] for p in parts]) for name in parts[0]})


def _row_groups(tests: pd.DataFrame, read: Readings) -> Iterator[tuple[np.ndarray, dict[str, np.ndarray]]]:
    """Of each level the group of every row of `read`, -1 for none, and the names of each group.

    Groups follow the order of the rows, parameters inside.
    """
    last = read.outlets.last[read.outlet]
    site = group_codes(tests["site_key"].to_numpy(dtype=object)[last])
    system = group_codes(site, tests["system_key"].to_numpy(dtype=object)[last])
    named = read.outlets.system[read.outlet] != ""
    none = np.full(len(last), "", dtype=object)
    of = {
        "Site": read.outlets.site[read.outlet],
        "Outlet": read.outlets.outlet[read.outlet],
        "Client": read.outlets.client[read.outlet],
        "System": read.outlets.system[read.outlet],
    }
    everything = np.zeros(len(last), dtype=np.int64)
    for group, take, names in (
        (np.arange(len(last)), np.ones(len(last), dtype=bool), of),
        (system, named, {**of, "Outlet": none}),
        (site, np.ones(len(last), dtype=bool), {**of, "Outlet": none, "System": none}),
        (
            everything,
            np.ones(len(last), dtype=bool),
            dict.fromkeys(of, none) | {"Site": np.full(len(last), ALL_SITES, object)},
        ),
    ):
        codes, first, row = np.unique(
            (group * len(HISTORY) + read.parameter)[take], return_index=True, return_inverse=True
        )
        of_row = np.full(len(last), -1, dtype=np.int64)
        of_row[take] = row
        first = np.flatnonzero(take)[first]
        yield of_row, {name: values[first] for name, values in names.items()} | {"_first": first}


def _blocks(
    read: Readings, of_row: np.ndarray, names: dict[str, np.ndarray]
) -> Iterator[tuple[np.ndarray, dict[str, np.ndarray]]]:
    """The groups of a level, as many at a time as have MOST readings: what is worked out on the way takes less memory."""
    row = of_row[read.row]
    block = np.cumsum(np.bincount(row[row >= 0], minlength=len(names["_first"]))) // MOST
    edges = [0, *(np.flatnonzero(np.diff(block)) + 1).tolist(), len(block)]
    for begin, end in zip(edges[:-1], edges[1:]):
        mine = (of_row >= begin) & (of_row < end)
        yield np.where(mine, of_row - begin, -1), {name: values[begin:end] for name, values in names.items()}


def _level(
    read: Readings, rank: np.ndarray, of_row: np.ndarray, names: dict[str, np.ndarray], years: np.ndarray, level: str
) -> dict[str, np.ndarray]:
    """Rows of one level, column by column.

    rank : int (N,), place of each entry among all, the worst first. of_row : int (rows of read,), the group that each
    belongs to, -1 for none. names : of each group.
    """
    first = names.pop("_first")
    parameter = read.parameter[first]
    row = of_row[read.row]
    entry = np.flatnonzero(row >= 0)
    shape = (len(first), len(years))
    group = row[entry] * max(len(years), 1) + np.searchsorted(years, _year(read.day[entry]))
    size = shape[0] * shape[1]
    there, doubted = read.read[entry], read.doubtful[entry]
    failed = read.verdict[entry] == FAIL
    tested = np.bincount(group[there | failed], minlength=size).reshape(shape)
    doubtful = np.bincount(group[there & doubted], minlength=size).reshape(shape)
    only_doubtful = (doubtful > 0) & (doubtful == tested)
    fails = np.bincount(group[failed], minlength=size).reshape(shape)
    sure = entry[there & ~doubted]
    of_sure = group[there & ~doubted]
    lower, upper, open_ = (m.reshape(shape) for m in _medians(read, sure, of_sure, size))
    worst = _worst(read, sure, rank, of_sure, size).reshape(shape)
    median = np.full(shape, None, dtype=object)
    for number, p in enumerate(HISTORY):
        rows = np.flatnonzero(parameter == number)
        cells = shown(lower[rows].ravel(), upper[rows].ravel(), open_[rows].ravel(), p)
        median[rows] = cells.reshape(len(rows), shape[1])
    median[only_doubtful] = worst[only_doubtful] = DOUBTFUL
    frame: dict[str, np.ndarray] = {
        "Site": names["Site"],
        "Outlet": names["Outlet"],
        "Parameter": np.array([p.name for p in HISTORY], dtype=object)[parameter],
        "Unit": np.array([p.unit for p in HISTORY], dtype=object)[parameter],
    }
    for i, year in enumerate(years):
        frame[f"{year} tests"], frame[f"{year} median"] = tested[:, i], column(median[:, i])
        frame[f"{year} worst"], frame[f"{year} fails"] = column(worst[:, i]), fails[:, i]
    frame["Change on year before"], frame["Years compared"] = _change(years, lower, upper)
    frame["Limit"] = column(
        limit_cells(*(_one_limit(x, of_row, len(first)) for x in (read.limit_low, read.limit_high)))
    )
    frame["Level"] = np.full(len(first), level, dtype=object)
    frame["Client"], frame["System"] = names["Client"], names["System"]
    return frame


def _one_limit(limit: np.ndarray, of_row: np.ndarray, size: int) -> np.ndarray:
    """The limit of each group where all of its rows have the same, else NaN: float (size,)."""
    least, most = np.full(size, np.inf), np.full(size, -np.inf)
    row = np.flatnonzero(of_row >= 0)
    filled = np.where(np.isnan(limit[row]), np.inf, limit[row])
    np.minimum.at(least, of_row[row], filled)
    np.maximum.at(most, of_row[row], filled)
    return np.where((least == most) & np.isfinite(least), least, np.nan)


def _year(day: np.ndarray) -> np.ndarray:
    return day.astype("datetime64[Y]").astype(np.int64) + 1970


def _medians(read: Readings, at: np.ndarray, group: np.ndarray, size: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Medians of the lower and the upper ends of the entries `at` by group (size,), NaN where empty; the open code."""
    lower, upper, open_ = read.lower[at], read.upper[at], read.open[at]
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


def _worst(read: Readings, at: np.ndarray, rank: np.ndarray, group: np.ndarray, size: int) -> np.ndarray:
    """The worst reading of the entries `at` of each group as a cell: object (size,)."""
    cells = np.full(size, None, dtype=object)
    order = np.lexsort((rank[at], group))
    picked = order[np.append(True, group[order][1:] != group[order][:-1])] if len(order) else order
    for number, parameter in enumerate(HISTORY):
        here = picked[read.parameter[read.row[at[picked]]] == number]
        pick = at[here]
        cells[group[here]] = shown(read.lower[pick], read.upper[pick], read.open[pick], parameter)
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
