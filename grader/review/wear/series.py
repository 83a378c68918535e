"""The series that wear is looked for in: one mean a visit of each system and parameter.

Flow and line pressure belong to an outlet, and so does everything where no system is named. Which parameters take
part, and at what level, stands in data/parameters.toml (`wear`).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd

from grader.columns import FAIL, PARAMETERS, WATER, WATER_CHAIN, Parameter
from grader.frames import by_laboratory, group_codes, text
from grader.review.history import FIGURE_STANDS, HISTORY, Readings, days

LEVEL = np.array([p.wear for p in HISTORY], dtype=object)
# Which supplies a parameter of the water chain is followed on: its dew point on airlines, else the content.
LEVEL_SUPPLY = np.array([p.wear_supply for p in HISTORY], dtype=object)


class Series(NamedTuple):
    """k series, by site, system, outlet and parameter; N readings (means of a visit), in order of time in each.

    parameter            int (k,), positions in HISTORY
    site_key             object (k,), client and site
    outlet               object (k,), "" for a series of a whole system
    last                 int (k,), position of the last test of any outlet of the series
    limit_low, limit_high  float (k,), the strictest of its outlets' latest limits, NaN where none
    doubtful             bool (k,), the latest visit gave no figure that can be trusted
    failing              bool (k,), a test of the latest visit fails by this parameter
    row, visit           int (N,)
    day                  datetime64[D] (N,)
    lower, upper         float (N,)
    uncertainty          float (N,), standard, of the mean
    ambient              float (N,), degC, NaN where not known
    lot                  object (N,), the tube lot, "" where none or several
    tests                int (N,), position of the last test of the visit
    of_entry             int (M,), series of each entry of `Readings`, -1 for none
    """

    parameter: np.ndarray
    site: np.ndarray
    client: np.ndarray
    system: np.ndarray
    outlet: np.ndarray
    site_key: np.ndarray
    last: np.ndarray
    limit_low: np.ndarray
    limit_high: np.ndarray
    doubtful: np.ndarray
    failing: np.ndarray
    row: np.ndarray
    visit: np.ndarray
    day: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    uncertainty: np.ndarray
    ambient: np.ndarray
    lot: np.ndarray
    tests: np.ndarray
    of_entry: np.ndarray

    def of(self, attribute: str) -> np.ndarray:
        """An attribute of each series' parameter: object (k,)."""
        return np.array([getattr(p, attribute) for p in HISTORY], dtype=object)[self.parameter]


def all_series(tests: pd.DataFrame, read: Readings) -> Series:
    """Every series of the tests that count.

    tests : judged table, n rows. read : its readings.
    """
    level = LEVEL[read.parameter]
    system_key = tests["system_key"].to_numpy(dtype=object)[read.outlets.last]
    named = read.outlets.system != ""
    shared = named[read.outlet] & (level == "system")
    site = tests["site_key"].to_numpy(dtype=object)[read.outlets.last]
    # Rows of `read` stand by site and outlet; series take the place of their first row.
    code = group_codes(
        site[read.outlet],
        np.where(shared, system_key[read.outlet], ""),
        np.where(shared, -1, read.outlet),
        read.parameter,
    )
    supply = text(tests, "supply")[read.test] == "airline"
    chain = LEVEL_SUPPLY[read.parameter[read.row]]
    part = (level != "")[read.row] & ((chain == "") | (supply == (chain == "airline")))
    used, rows_of = np.unique(code[read.row[part]], return_inverse=True)
    entry = np.flatnonzero(part)
    of_entry = np.full(len(read.row), -1, dtype=np.int64)
    of_entry[entry] = rows_of
    first = np.full(int(code.max(initial=-1)) + 1, -1, dtype=np.int64)
    first[code[::-1]] = np.arange(len(code))[::-1]
    first = first[used]
    means = _visit_means(tests, read, of_entry)
    k = len(used)
    last_test = _last_test(tests, read, of_entry, k)
    latest_visit = tests["visit"].to_numpy()[last_test]
    at_latest = entry[tests["visit"].to_numpy()[read.test[entry]] == latest_visit[rows_of]]
    trusted, failing = np.zeros(k, dtype=bool), np.zeros(k, dtype=bool)
    trusted[of_entry[at_latest[_figure(read)[at_latest]]]] = True
    failing[of_entry[at_latest[(read.verdict[at_latest] == FAIL) & ~read.superseded[at_latest]]]] = True
    limit_low, limit_high = np.full(k, np.nan), np.full(k, np.nan)
    np.fmax.at(limit_low, rows_of, read.limit_low[read.row[entry]])
    np.fmin.at(limit_high, rows_of, read.limit_high[read.row[entry]])
    outlet = read.outlet[first]
    return Series(
        parameter=read.parameter[first],
        site=text(tests, "site")[last_test],
        client=text(tests, "client")[last_test],
        system=text(tests, "system")[last_test],
        outlet=np.where(shared[first], "", read.outlets.outlet[outlet]),
        site_key=site[outlet],
        last=last_test,
        limit_low=limit_low,
        limit_high=limit_high,
        doubtful=~trusted,
        failing=failing,
        of_entry=of_entry,
        **means,
    )


def _figure(read: Readings) -> np.ndarray:
    """Entries whose figure can be trusted and ruled its day: bool (M,)."""
    sure = read.read & ~read.doubtful & FIGURE_STANDS[read.doubt] & ~read.superseded
    return sure & (read.lower < np.inf) & (read.upper > -np.inf)


def _last_test(tests: pd.DataFrame, read: Readings, of_entry: np.ndarray, k: int) -> np.ndarray:
    at = np.flatnonzero(of_entry >= 0)
    at = at[np.lexsort((read.test[at], days(tests)[read.test[at]]))]
    last = np.zeros(k, dtype=np.int64)
    last[of_entry[at]] = read.test[at]
    return last


def _visit_means(tests: pd.DataFrame, read: Readings, of_entry: np.ndarray) -> dict[str, np.ndarray]:
    """Means of each series and visit, in order of series and day."""
    at = np.flatnonzero((of_entry >= 0) & _figure(read))
    test, row = read.test[at], of_entry[at]
    visit = tests["visit"].to_numpy()[test]
    group = group_codes(row, visit)
    size = int(group.max(initial=-1)) + 1
    count = np.bincount(group, minlength=size)
    first = np.zeros(size, dtype=np.int64)
    first[group[::-1]] = np.arange(len(at))[::-1]
    order_of = np.lexsort((test, days(tests)[test]))
    last = np.zeros(size, dtype=np.int64)
    last[group[order_of]] = test[order_of]

    def mean(values: np.ndarray) -> np.ndarray:
        return np.bincount(group, weights=values, minlength=size) / count

    parameter = read.parameter[read.row[at]]
    u, lot = np.zeros(len(at)), np.full(len(at), "", dtype=object)
    for number in np.unique(parameter):
        p, here = HISTORY[number], parameter == number
        u[here] = np.nan_to_num(tests[f"u_{p.key}"].to_numpy(dtype=float)[test[here]])
        tube = TUBE_OF[number]
        if tube:
            of_tube = np.where(
                by_laboratory(tests, WATER if p.key in WATER_CHAIN else p.key), "", text(tests, f"{tube}_tube_lot")
            )
            lot[here] = of_tube[test[here]]
    named = pd.factorize(lot)[0]
    one_lot = np.bincount(group, named != named[first][group], minlength=size) == 0
    # Readings of one visit share half of their variance: one lot, one instrument, one hand (judgement).
    u_mean = np.sqrt(mean(u**2) * (0.5 + 0.5 / count))
    ambient = tests["ambient_temperature_c"].to_numpy(dtype=float)[test]
    known = ~np.isnan(ambient)
    seen = np.bincount(group[known], minlength=size)
    with np.errstate(invalid="ignore"):
        warmth = np.bincount(group[known], weights=ambient[known], minlength=size) / seen
    day = np.full(size, np.iinfo(np.int64).max)
    np.minimum.at(day, group, days(tests)[test].astype(np.int64))
    # A mean of what is known to be open on one side is open there.
    means = {
        "row": row[first],
        "visit": visit[first],
        "day": day.astype("datetime64[D]"),
        "lower": mean(read.lower[at]),
        "upper": mean(read.upper[at]),
        "uncertainty": u_mean,
        "ambient": warmth,
        "lot": np.where(one_lot, lot[first], ""),
        "tests": last,
    }
    order = np.lexsort((means["day"], means["row"]))
    return {name: values[order] for name, values in means.items()}


def _tube_of(parameter: Parameter) -> str:
    """The tube that a parameter rests on; the dew point on that of the water content it follows from."""
    return parameter.tube or (PARAMETERS[parameter.verdict_from].tube if parameter.verdict_from else "")


TUBE_OF = tuple(_tube_of(p) for p in HISTORY)
