"""Instruments and tube lots whose readings differ from the rest at the same outlets.

Two things make a lot look odd by chance: the scatter of single readings, and a day on which the air of a
whole site was different. A test over outlets alone sees only the first (every outlet of a visit breathes the
same air), so a lot has to pass both of these:
over outlets  each reading less the median of that outlet's readings with other lots; the median of them an
              outlet (visits of one outlet are not independent); sign test over the outlets whose order is
              certain, of which MIN_OUTLETS are needed. Must be at most 5 %.
over visits   one mean a visit of a site; analysis of variance, lot against rest, site by site. Its p is the
              one that is corrected for many comparisons.
A lot that stands is compared with the tests just before and after it at the same outlets, too: a plant that
drifts (a filter clogging, a dryer wearing out) shows no step there. Temperatures are compared within the
same quarter of the year only. A lot used in one visit only still cannot be told from the air of that day:
the finding says so.

Correction: Benjamini and Hochberg at 5 % over all lots and parameters together. This is a list to look
through, where one false entry in twenty costs a look; Holm's, which guards against a single false one, would
hide real ones.

Sources, cited from memory: W. J. Dixon and A. M. Mood, J. Am. Statist. Assoc. 41 (1946) 557-566 (sign test);
R. A. Fisher, Statistical Methods for Research Workers (1925) (analysis of variance); Y. Benjamini and Y.
Hochberg, J. R. Statist. Soc. B 57 (1995) 289-300.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd

from grader.columns import FIELDS, OPEN_LOWER, OPEN_UPPER, PARAMETERS, READ, SOURCE_TUBE
from grader.frames import RELATIVE_TOLERANCE, by_laboratory, by_unique, group_codes, text
from grader.natural import name_key
from grader.review.history import as_day, days, months_after
from grader.review.statistics.pairs import LONGEST_SERIES
from grader.review.statistics.ranks import false_discovery

MIN_OUTLETS = 6
"""Outlets with a certain sign below which the sign test cannot reach 5 % (2 / 2**6 = 0.031)."""

FALSE_DISCOVERY_RATE = 0.05
OUTLETS_AGREE = 0.05
"""Largest p of the sign test over outlets with which they are taken to agree."""

SMALLEST = 0.5
"""Differences below this share of the stated standard uncertainty are not listed: no calibration would find them."""
SLACK = 0.25
"""Stated uncertainties off that a visit may lie without counting towards since when (half of SMALLEST)."""
RECENT_MONTHS = 12

NEIGHBOUR_SHARE = 0.5
"""The step to the tests just before and after must be at least this share of the whole difference
(judgement)."""


class Measure(NamedTuple):
    """One thing compared: which field names the lot, and which columns hold the reading."""

    field: str  # field that names the lot or instrument
    key: str  # reading columns {key}_lower, _upper, _open, _state
    name: str  # parameter as it is shown
    unit: str
    seasonal: bool = False  # compared within the same quarter of the year


def _measures() -> tuple[Measure, ...]:
    tubes = [Measure(f"{p.tube}_tube_lot", p.key, p.name, p.unit) for p in PARAMETERS.values() if p.tube]
    meters = [
        Measure("instrument", p.key, p.name, p.unit) for p in PARAMETERS.values() if p.instrument and p.column in FIELDS
    ]
    thermometers = [
        Measure("instrument", f, FIELDS[f].heading.split(" (")[0], FIELDS[f].unit, seasonal=True)
        for f in ("airline_temperature_c", "ambient_temperature_c")
    ]
    return (*tubes, *meters, *thermometers)


MEASURES: tuple[Measure, ...] = _measures()
_NOTHING = pd.DataFrame(columns=["measure", "lot"])


def odd_lots(tests: pd.DataFrame, counts: np.ndarray, as_of: object) -> tuple[pd.DataFrame, int]:
    """Lots and instruments whose readings differ from the rest, by half of the stated uncertainty at least.

    tests   : judged table, n rows. counts : bool (n,), tests that count in history. as_of : the day of the run.
    Returns : (found, compared). found: one row a lot and parameter that stands after correction, surest
              first: measure (position in MEASURES), lot (as first written), difference and near (medians
              over outlets, in the parameter's unit, of bounds between their middles; against all other tests
              and against those just before and after; near NaN where there are none), before, after
              (bool: another lot's test before, after any of its own), higher, lower (outlets certainly so),
              outlets, visits, sites (numbers),
              p_outlets, p_visits, degrees (of freedom, of the visits), p, p_corrected, first, last
              (positions of its first and last test), stated (standard uncertainty), times (the difference
              in stated uncertainties of each reading, NaN where none is stated), recent (the difference in the
              last 12 months, NaN where it was not used), since (position of the first test of the visits that lie off
              so, by Page's cumulative sum). compared: number of comparisons that the correction
              counts: lots and parameters with MIN_OUTLETS outlets to compare at, and visits enough to tell
              how visits scatter.
    """
    recently = months_after(np.array([as_day(as_of)]), -RECENT_MONTHS)[0].astype(np.int64)
    tables = [_compare(tests, counts, number, recently) for number in range(len(MEASURES))]
    tables = [t for t in tables if len(t)]
    if not tables:
        return _NOTHING, 0
    table = pd.concat(tables, ignore_index=True)
    certain = (table["higher"] + table["lower"]).to_numpy()
    # Counted by outlets compared, not by those that differ: the outcome must not choose what is counted.
    testable = (table["outlets"].to_numpy() >= MIN_OUTLETS) & (table["degrees"].to_numpy() > 0)
    # Never smaller than the p over visits, so it is a valid p whatever the sign test says.
    agrees = (certain >= MIN_OUTLETS) & (table["p_outlets"].to_numpy() <= OUTLETS_AGREE)
    p = np.where(testable, np.where(agrees, table["p_visits"].to_numpy(), 1.0), np.nan)
    table["p"] = p
    table["p_corrected"] = _adjusted(p)
    difference, near = table["difference"].to_numpy(), table["near"].to_numpy()
    step = np.isnan(near) | (near * np.sign(difference) >= NEIGHBOUR_SHARE * np.abs(difference))
    large = ~(np.abs(table["times"].to_numpy()) < SMALLEST)
    stands = false_discovery(p, FALSE_DISCOVERY_RATE) & (difference != 0) & step & large
    return table[stands].sort_values("p", kind="stable", ignore_index=True), int(testable.sum())


def _adjusted(p: np.ndarray) -> np.ndarray:
    """Benjamini-Hochberg p after correction: the least rate at which each would stand. NaN stays NaN."""
    out = np.full(p.shape, np.nan)
    at = np.flatnonzero(~np.isnan(p))
    order = at[np.argsort(p[at], kind="stable")]
    scaled = p[order] * len(order) / np.arange(1, len(order) + 1)
    out[order] = np.minimum(np.minimum.accumulate(scaled[::-1])[::-1], 1.0)
    return out


def _stated(tests: pd.DataFrame, measure: Measure, at: np.ndarray) -> np.ndarray:
    """Stated standard uncertainty of the readings at `at`, in the measure's unit: float (k,), 0 where not known."""
    if measure.key in PARAMETERS:
        return np.nan_to_num(tests[f"u_{measure.key}"].to_numpy(dtype=float)[at])
    return np.full(len(at), PARAMETERS["margin"].u_abs)  # a thermometer's


def _compare(tests: pd.DataFrame, counts: np.ndarray, number: int, recently: int) -> pd.DataFrame:
    """Every lot of one measure that was used where another was too, a row each."""
    measure = MEASURES[number]
    take = counts & (tests[f"{measure.key}_state"].to_numpy() == READ) & ~by_laboratory(tests, measure.key)
    if measure.key == "water":
        take &= tests["water_source"].to_numpy() == SOURCE_TUBE
    lower_all, upper_all = (tests[f"{measure.key}_{end}"].to_numpy(dtype=float) for end in ("lower", "upper"))
    take &= (lower_all <= upper_all) & (lower_all < np.inf) & (upper_all > -np.inf)
    at = np.flatnonzero(take)
    name = text(tests, measure.field)[at]
    if len(pd.unique(name)) < 2:
        return _NOTHING
    day = days(tests)[at]
    block = tests["identity"].to_numpy()[at]
    if measure.seasonal:
        block = group_codes(block, day.astype("datetime64[M]").astype(np.int64) % 12 // 3)
    else:
        block = group_codes(block)
    # A block longer than this is one name given to many outlets.
    size = np.bincount(block)[block]
    keep = (size >= 2) & (size <= LONGEST_SERIES)
    at, name, day, block = at[keep], name[keep], day[keep], group_codes(block[keep])
    if not len(at):
        return _NOTHING
    lot = np.where(name == "", -1, group_codes(by_unique(name, name_key)))
    low, high = _keys(lower_all[at], upper_all[at], tests[f"{measure.key}_open"].to_numpy()[at])

    # Low end of the difference: the reading's low end less the others' high end, and the other way round.
    others_low, others_high = _others_median(block, lot, low), _others_median(block, lot, high)
    used = (lot >= 0) & ~np.isnan(others_low)
    before_low, after_low = _neighbours(block, lot, day, at, low)
    before_high, after_high = _neighbours(block, lot, day, at, high)
    frame = pd.DataFrame(
        {
            "lot": lot,
            "identity": tests["identity"].to_numpy()[at],
            "at": at,
            "day": day.astype(np.int64),
            "visit": tests["visit"].to_numpy()[at],
            "site": group_codes(tests["site_key"].to_numpy(dtype=object)[at]),
            "difference": _difference(low, high, others_low, others_high),
            "near": _difference(low, high, _mean(before_low, after_low), _mean(before_high, after_high)),
            "before": ~np.isnan(before_low),
            "after": ~np.isnan(after_low),
        }
    )
    middle_low, middle_high = (pd.Series(x).groupby(block).transform("median").to_numpy() for x in (low, high))
    frame["own"] = _certain_difference(low, high, middle_low, middle_high)
    frame["name"] = name
    frame["stated"] = _stated(tests, measure, at)
    return _per_lot(frame, used, number, recently)


def _per_lot(frame: pd.DataFrame, used: np.ndarray, number: int, recently: int) -> pd.DataFrame:
    """One row a lot from one row a reading."""
    here = frame[used].sort_values(["lot", "day", "at"])
    if here.empty:
        return _NOTHING
    from scipy.special import bdtr, stdtr  # here: one visit has nothing to compare, and loading it takes long

    outlets = here.groupby(["lot", "identity"], sort=True)[["difference", "near"]].median().reset_index()
    outlets["higher"], outlets["lower"] = outlets["difference"] > 0, outlets["difference"] < 0
    per_outlet = outlets.groupby("lot")
    table = per_outlet.agg(
        difference=("difference", "median"),
        near=("near", "median"),
        higher=("higher", "sum"),
        lower=("lower", "sum"),
        outlets=("identity", "size"),
    )
    table = table.join(
        here.groupby("lot").agg(
            before=("before", "any"),
            after=("after", "any"),
            visits=("visit", "nunique"),
            sites=("site", "nunique"),
            first=("at", "first"),
            last=("at", "last"),
        )
    )
    name_of = dict(zip(frame["lot"].to_numpy()[::-1], frame["name"].to_numpy(dtype=object)[::-1]))
    table.insert(0, "measure", number)
    certain = (table["higher"] + table["lower"]).to_numpy()
    fewer = np.minimum(table["higher"].to_numpy(), table["lower"].to_numpy())
    table["p_outlets"] = np.minimum(2 * bdtr(fewer, certain, 0.5), 1.0)
    effect, variance, degrees = _over_visits(frame, table.index.to_numpy())
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.abs(effect) / np.sqrt(variance)
        p = np.where(ratio > 0, 2 * stdtr(np.maximum(degrees, 1).astype(np.float64), -ratio), 1.0)
    # Visits that lean the other way than the outlets say nothing for the lot.
    agrees = np.sign(effect) == np.sign(table["difference"].to_numpy())
    table["p_visits"] = np.where(degrees > 0, np.where(agrees, p, 1.0), np.nan)
    table["degrees"] = degrees
    table["stated"] = here.groupby("lot")["stated"].median()
    in_stated = (here["difference"] / here["stated"].where(here["stated"] > 0)).groupby([here["lot"], here["identity"]])
    table["times"] = in_stated.median().groupby("lot").median().reindex(table.index)
    lately = here[here["day"] > recently].groupby(["lot", "identity"])["difference"].median()
    table["recent"] = lately.groupby("lot").median().reindex(table.index)
    table["since"] = _since(here, table)
    table = table.reset_index()
    table["lot"] = [name_of[code] for code in table["lot"]]
    return table


def _since(here: pd.DataFrame, table: pd.DataFrame) -> pd.Series:
    """Position of the first test of the visits that lie off as the lot does, of each lot.

    Source : Page, Biometrika 41 (1954) 100-115: the sum of what each visit lies off, less SLACK; it was last nought
             where its running total is least.
    """
    unit = here["stated"].where(here["stated"] > 0)
    here = here.assign(
        off=(here["difference"] / unit).fillna(here["difference"]), slack=np.where(unit.isna(), 0, SLACK)
    )
    visits = here.groupby(["lot", "visit"]).agg(
        off=("off", "mean"), slack=("slack", "mean"), day=("day", "min"), at=("at", "first")
    ).reset_index().sort_values(["lot", "day", "at"], kind="stable")  # fmt: skip
    side = np.sign(table["difference"]).reindex(visits["lot"]).to_numpy()
    visits["total"] = visits["off"].to_numpy() * side - visits["slack"].to_numpy()
    visits["total"] = visits.groupby("lot")["total"].cumsum()
    visits["number"] = visits.groupby("lot").cumcount()
    least = visits.groupby("lot")["total"].transform("min")
    lowest = visits[(visits["total"] == least) & (least < 0)].groupby("lot")["number"].max()
    begins = (lowest.reindex(table.index).fillna(-1) + 1).clip(upper=visits.groupby("lot").size() - 1)
    chosen = visits[visits["number"].to_numpy() == begins.reindex(visits["lot"]).to_numpy()]
    return chosen.set_index("lot")["at"]


def _over_visits(frame: pd.DataFrame, lots: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Lot against rest with a visit of a site as the unit: two-way analysis of variance, sites as blocks.

    frame   : one row a reading: lot, visit, site, own (reading less the median of its outlet).
    lots    : int (k,), the lots wanted.
    Returns : (effect, variance of the effect, degrees of freedom), float (k,), float (k,), int (k,). Per
              site the difference of the two means, d, weighs w = n1 n2 / (n1 + n2); effect = sum w d / sum
              w. Residual sum of squares: inside both groups of every site, and of the d about the effect.
    """
    unit = frame.groupby(["site", "visit", "lot"], sort=True)["own"].mean().reset_index()
    unit["square"] = unit["own"] ** 2
    sums = {"n": ("own", "size"), "s": ("own", "sum"), "q": ("square", "sum")}
    whole = unit.groupby("site").agg(**sums)
    cell = unit.groupby(["lot", "site"]).agg(**sums).reset_index()
    cell = cell[cell["lot"].isin(lots)]
    rest = whole.loc[cell["site"]].to_numpy() - cell[["n", "s", "q"]].to_numpy()
    cell, rest = cell[rest[:, 0] > 0], rest[rest[:, 0] > 0]
    n1, s1, q1 = cell[["n", "s", "q"]].to_numpy(dtype=float).T
    n2, s2, q2 = rest.T
    d = s1 / n1 - s2 / n2
    w = n1 * n2 / (n1 + n2)
    inside = np.maximum(q1 - s1**2 / n1, 0.0) + np.maximum(q2 - s2**2 / n2, 0.0)
    # What is left of a difference of squares by rounding alone is nought.
    inside = np.where(inside <= 1e-12 * (q1 + q2), 0.0, inside)
    parts = pd.DataFrame(
        {
            "lot": cell["lot"].to_numpy(),
            "w": w,
            "wd": w * d,
            "wdd": w * d * d,
            "inside": inside,
            "degrees": n1 + n2 - 2,
            "sites": 1.0,
        }
    )
    total = parts.groupby("lot").sum().reindex(lots, fill_value=0.0)
    w, wd, wdd, inside = (total[c].to_numpy() for c in ("w", "wd", "wdd", "inside"))
    degrees = np.maximum((total["degrees"] + total["sites"]).to_numpy() - 1, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        effect = np.where(w > 0, wd / w, 0.0)
        between = np.maximum(wdd - effect * wd, 0.0)
        between = np.where(between <= 1e-12 * wdd, 0.0, between)
        variance = (inside + between) / degrees / w
    return effect, variance, degrees.astype(np.int64)


def _keys(lower: np.ndarray, upper: np.ndarray, open_: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Ends for comparing: an open end lies inside by more than the tolerance, so that 2 is above `<2`."""
    bound = lower < upper
    with np.errstate(invalid="ignore"):
        inward = [
            np.where(np.isfinite(x), 10 * RELATIVE_TOLERANCE * np.maximum(np.abs(x), 1.0), 0.0) for x in (lower, upper)
        ]
    return (
        np.where(bound & (open_ == OPEN_LOWER), lower + inward[0], lower),
        np.where(bound & (open_ == OPEN_UPPER), upper - inward[1], upper),
    )


def _certain_difference(low: np.ndarray, high: np.ndarray, other_low: np.ndarray, other_high: np.ndarray) -> np.ndarray:
    """The least that a reading certainly lies above (+) or below (-) another; 0 where either could be higher.

    All arrays float (n,). NaN where there is no other.
    """
    with np.errstate(invalid="ignore"):
        up, down = low - other_high, other_low - high
        size = np.maximum(np.abs(low), np.abs(high))
    slack = RELATIVE_TOLERANCE * np.where(np.isfinite(size), np.maximum(size, 1.0), 1.0)
    found = np.where(up > slack, up, np.where(down > slack, -down, 0.0))
    return np.where(np.isnan(other_low) | np.isnan(other_high), np.nan, found)


def _difference(low: np.ndarray, high: np.ndarray, other_low: np.ndarray, other_high: np.ndarray) -> np.ndarray:
    """How far a reading lies from another of which it is certain that it is higher or lower, else 0; NaN for no other.

    Between the middles of their ends: `<0.1` beside 0.1 is certainly lower, but by no certain amount. All float (n,).
    """
    certain = _certain_difference(low, high, other_low, other_high)
    with np.errstate(invalid="ignore"):
        middle = (low + high) / 2 - (other_low + other_high) / 2
    return np.where((certain == 0) | ~np.isfinite(middle), certain, middle)


def _others_median(block: np.ndarray, lot: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Per reading the median of the block's values that are not of the reading's own lot; NaN where none is.

    block : int (n,), 0 upwards. lot : int (n,); -1 (not stated) is nobody's own and gets NaN. values : float
    (n,). The k-th smallest of the others is found by walking through the lot's own places in the sorted
    block: each that lies at or before the place reached moves it on by one. As many steps as one lot has
           readings in one block.
    """
    order = np.lexsort((values, block))
    start = np.searchsorted(block[order], np.arange(block.max() + 1))
    size = np.bincount(block)
    place = np.empty(len(values), dtype=np.int64)
    place[order] = np.arange(len(values)) - start[block[order]]
    pair = group_codes(block, lot)
    readings = np.bincount(pair)
    block_of = np.empty(len(readings), dtype=np.int64)
    block_of[pair] = block
    others = size[block_of] - readings
    wanted = np.zeros(len(readings), dtype=bool)
    wanted[pair] = lot >= 0
    wanted &= others > 0
    reached = [np.maximum(others - 1, 0) // 2, np.where(others > 0, others // 2, 0)]
    mine = order[wanted[pair[order]]]
    turn = pd.Series(pair[mine]).groupby(pair[mine]).cumcount().to_numpy()
    by_turn = np.argsort(turn, kind="stable")
    mine, turn = mine[by_turn], turn[by_turn]
    edges = np.searchsorted(turn, np.arange(int(turn.max(initial=-1)) + 2))
    for begin, end in zip(edges[:-1], edges[1:]):
        p, own_place = pair[mine[begin:end]], place[mine[begin:end]]
        for k in reached:
            k[p] += own_place <= k[p]
    median = np.full(len(readings), np.nan)
    at = np.flatnonzero(wanted)
    first, second = (values[order[start[block_of[at]] + k[at]]] for k in reached)
    median[at] = np.where(first == second, first, (first + second) / 2)
    return median[pair]


def _neighbours(
    block: np.ndarray, lot: np.ndarray, day: np.ndarray, number: np.ndarray, values: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Per reading the values of the tests just before and after it in its block, where they had another lot.

    All arrays (n,). Returns (before, after), float (n,), NaN where there is none or it had the same lot.
    """
    order = np.lexsort((number, day, block))
    b, one, v = block[order], lot[order], values[order]
    change = (b[1:] == b[:-1]) & (one[1:] != one[:-1])
    before, after = np.full(len(b), np.nan), np.full(len(b), np.nan)
    before[order[1:]] = np.where(change, v[:-1], np.nan)
    after[order[:-1]] = np.where(change, v[1:], np.nan)
    return before, after


def _mean(before: np.ndarray, after: np.ndarray) -> np.ndarray:
    """Mean of two values, or the one there is."""
    same = np.isnan(after) | (before == after)
    return np.where(np.isnan(before), after, np.where(same, before, (before + after) / 2))
