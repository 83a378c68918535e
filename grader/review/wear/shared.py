"""What all plants share, taken off before wear is looked for: outdoor air, seasons, tube lots."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np

from grader.frames import by_unique, group_codes
from grader.natural import name_key
from grader.outdoor import outdoor_co2_on
from grader.review.history import HISTORY
from grader.review.statistics.wear import latest_stretch, row_median
from grader.review.wear.series import Series

DAYS_PER_YEAR = 365.2425
SEASONAL = "pressure_dew_point"
MOST_NEIGHBOURS = 12  # before and after, in time


def years_of(day: np.ndarray) -> np.ndarray:
    """Decimal years since 2000-01-01."""
    return (day - np.datetime64("2000-01-01")).astype(np.int64) / DAYS_PER_YEAR


def middle_of(lower: np.ndarray, upper: np.ndarray) -> np.ndarray:
    """The middle of each reading's ends, NaN where an end is open: float (N,)."""
    closed = np.isfinite(lower) & np.isfinite(upper)
    return np.where(closed, np.where(closed, lower, 0.0) / 2 + np.where(closed, upper, 0.0) / 2, np.nan)


def outdoor_air(series: Series) -> np.ndarray:
    """What outdoor carbon dioxide of the year adds to each reading over that of the series' latest: float (N,)."""
    co2 = np.array([p.key == "co2" for p in HISTORY])[series.parameter]
    at = np.flatnonzero(co2[series.row])
    added = np.zeros(len(series.row))
    outdoor = outdoor_co2_on(series.day[at])
    newest = np.full(len(co2), np.nan)
    newest[series.row[at]] = outdoor  # readings stand in order of time: the last one stays
    added[at] = outdoor - newest[series.row[at]]
    return added


def seasons(series: Series, stretch: np.ndarray, data: Mapping[str, Any]) -> tuple[np.ndarray, np.ndarray]:
    """What the season adds to each dew point, K: float (N,), and of which series it is known: bool (k,).

    One sine a year, from `season_visits` visits over `season_years` of one stretch on; fitted together with a
    level, a slope and a bend, so that wear is not taken for a season, and drawn towards none (ridge regression;
    Hoerl and Kennard, Technometrics 12 (1970) 55-67, from memory) as much as few visits leave it open.
    """
    k = len(series.parameter)
    added, known = np.zeros(len(series.row)), np.zeros(k, dtype=bool)
    seasonal = np.array([p.key == SEASONAL for p in HISTORY])[series.parameter]
    window = latest_stretch(series.row, stretch, k)
    if not window.at.shape[1]:
        return added, known
    year = np.where(window.at >= 0, np.append(years_of(series.day), np.nan)[window.at], np.nan)
    value = np.where(window.at >= 0, np.append(middle_of(series.lower, series.upper), np.nan)[window.at], np.nan)
    use = np.isfinite(value)
    n = use.sum(axis=1)
    with np.errstate(invalid="ignore"):
        span = np.where(n > 0, np.fmax.reduce(year, axis=1) - np.fmin.reduce(year, axis=1), 0.0)
    known = seasonal & (n >= data["season_visits"]) & (span >= data["season_years"] * 0.95)
    rows = np.flatnonzero(known)
    if not len(rows):
        return added, known
    use, year, value = use[rows], np.nan_to_num(year[rows]), np.nan_to_num(value[rows])
    middle = (year * use).sum(axis=1) / n[rows]
    t = (year - middle[:, None]) / span[rows][:, None]
    turn = 2 * np.pi * year
    columns = np.stack([np.ones_like(t), t, t * t, np.cos(turn), np.sin(turn)], axis=-1) * use[..., None]
    noise = np.maximum(np.bincount(series.row, weights=series.uncertainty, minlength=k)[rows] / n[rows], 1.0)
    ridge = np.zeros((len(rows), 5, 5))
    ridge[:, 3, 3] = ridge[:, 4, 4] = (noise / data["season_prior_k"]) ** 2
    normal = np.einsum("kti,ktj->kij", columns, columns) + ridge
    fit = np.linalg.solve(normal, np.einsum("kti,kt->ki", columns, value * use)[..., None])[..., 0]
    here = known[series.row]
    turn = 2 * np.pi * years_of(series.day[here])
    wave = np.zeros((k, 2))
    wave[rows] = fit[:, 3:]
    added[here] = wave[series.row[here], 0] * np.cos(turn) + wave[series.row[here], 1] * np.sin(turn)
    return added, known


class LotOffsets(NamedTuple):
    """What the tube lot adds to each reading, as other sites show it: arrays of shape (N,)."""

    added: np.ndarray
    """float; 0 where not known."""
    known: np.ndarray
    """bool: enough other sites used the lot within the days."""


class LotReadings(NamedTuple):
    """Readings by a lot whose usual is known: arrays of shape (m,)."""

    parameter: np.ndarray
    """int, position in HISTORY."""
    lot: np.ndarray
    """object, its name as it is compared."""
    site: np.ndarray
    """object, client and site."""
    day: np.ndarray
    """int64, days since 1970."""
    departure: np.ndarray
    """float, the reading less what is usual for its series."""


def lot_readings(series: Series, departure: np.ndarray) -> tuple[np.ndarray, LotReadings]:
    """Positions of the readings that say something of their lot, and those.

    departure : float (N,), NaN where not known.
    """
    at = np.flatnonzero((series.lot != "") & np.isfinite(departure))
    row = series.row[at]
    day = series.day[at].astype(np.int64)
    return at, LotReadings(
        series.parameter[row], by_unique(series.lot[at], name_key), series.site_key[row], day, departure[at]
    )


def lot_offsets(
    series: Series, departure: np.ndarray, data: Mapping[str, Any], elsewhere: LotReadings | None = None
) -> LotOffsets:
    """Median departure from usual of the other sites that used the same lot at about the same time.

    departure : float (N,), each reading less what is usual for its series; NaN where not known.
    elsewhere : readings of further sites, of which there are no series here.
    """
    added, known = np.zeros(len(series.row)), np.zeros(len(series.row), dtype=bool)
    at, mine = lot_readings(series, departure)
    if not len(at):
        return LotOffsets(added, known)
    if elsewhere is not None:
        mine = LotReadings(*(np.concatenate(pair) for pair in zip(mine, elsewhere)))
    parameter, names, site, day, departure = mine
    # By name, so that of many sites on one day the same are nearest in whatever order they were read.
    site = np.unique(site.astype(str), return_inverse=True)[1]
    # One mean a lot, site and day: systems of one site are no sites of their own.
    group = group_codes(parameter, names, site, day)
    size = int(group.max()) + 1
    mean = np.bincount(group, weights=departure, minlength=size) / np.bincount(group, minlength=size)
    first = np.zeros(size, dtype=np.int64)
    first[group] = np.arange(len(group))
    lot = group_codes(parameter, names)[first]
    order = np.lexsort((site[first], day[first], lot))
    lot, days, sites, mean = lot[order], day[first][order], site[first][order], mean[order]
    place = np.zeros(size, dtype=np.int64)
    place[order] = np.arange(size)
    # A lot that a hundred sites used is told by the nearest of them: column j is the j-th neighbour in time.
    reach = np.append(np.arange(-MOST_NEIGHBOURS, 0), np.arange(1, MOST_NEIGHBOURS + 1))
    near = np.arange(size)[:, None] + reach
    there = (near >= 0) & (near < size)
    near = np.clip(near, 0, size - 1)
    there &= (lot[near] == lot[:, None]) & (np.abs(days[near] - days[:, None]) <= data["lot_days"])
    there &= sites[near] != sites[:, None]
    offset = row_median(np.where(there, mean[near], np.nan))
    who = np.sort(np.where(there, sites[near], -1), axis=1)
    others = (np.diff(who, axis=1, prepend=-1) > 0).sum(axis=1)
    enough = others >= data["lot_sites"]
    chosen = place[group[: len(at)]]
    known[at] = enough[chosen]
    added[at] = np.where(enough[chosen], offset[chosen], 0.0)
    return LotOffsets(added, known)
