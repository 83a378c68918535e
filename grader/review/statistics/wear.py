"""What is different lately in many short series at once: a weighted change against each series' own scatter.

The older readings of a stretch (between two works on the plant) say what is usual; the latest ones are weighed
towards the newest (exponentially weighted mean) and the change is counted in the series' usual scatter. Bounds
such as `<2` stay intervals: a change counts only as far as it is certain.

Sources: S. W. Roberts, Technometrics 1 (1959) 239-250, and J. M. Lucas and M. S. Saccucci, Technometrics 32 (1990)
1-12 (exponentially weighted mean); E. S. Page, Biometrika 41 (1954) 100-115 (cumulative sum: since when); J. von
Neumann, Ann. Math. Stat. 12 (1941) 367-395 (scatter from successive differences, which a slow drift hardly
moves). Cited from memory; the run lengths of the weighted mean are checked against a printed table in the tests.
"""

from __future__ import annotations

from collections.abc import Callable
from statistics import NormalDist
from typing import Any, NamedTuple

import numpy as np

LONGEST = 60
"""Latest readings of a stretch that take part; at four visits a year fifteen years."""


class Window(NamedTuple):
    """The latest stretch of every series, right-aligned: int (k, T) positions of readings, -1 where there is none."""

    at: np.ndarray
    size: np.ndarray
    """Readings of the stretch that take part, int (k,)."""


class Change(NamedTuple):
    """Per-series results of `change`: arrays of shape (k,), NaN where there are too few readings."""

    usual_low: np.ndarray
    """Medians of the older readings' lower and upper ends."""
    usual_high: np.ndarray
    now_low: np.ndarray
    """Medians of the last two readings' lower and upper ends."""
    now_high: np.ndarray
    scatter: np.ndarray
    older: np.ndarray
    """Number of older readings, int."""
    up: np.ndarray
    """Weighted change that is certainly upwards, and certainly downwards, in scatters; never below 0."""
    down: np.ndarray
    shown_up: np.ndarray
    """Readings for which a change upwards (downwards) has shown, the latest one included, int."""
    shown_down: np.ndarray


def latest_stretch(series: np.ndarray, stretch: np.ndarray, n_series: int) -> Window:
    """Positions of the readings since each series' last work.

    series  : int array, shape (N,), sorted, in order of time inside a series.
    stretch : int array, shape (N,). Rises by at least one at every work.
    Returns   Window; T is the most readings of a stretch, at most LONGEST.

    >>> latest_stretch(np.array([0, 0, 0, 1]), np.array([0, 1, 1, 0]), 2).at.tolist()
    [[1, 2], [-1, 3]]
    """
    series, stretch = np.asarray(series, dtype=np.int64), np.asarray(stretch, dtype=np.int64)
    end = np.searchsorted(series, np.arange(n_series), side="right")
    some = end > np.searchsorted(series, np.arange(n_series), side="left")
    last = np.zeros(n_series, dtype=np.int64)
    last[some] = stretch[end[some] - 1]
    count = np.bincount(series[stretch == last[series]], minlength=n_series) if series.size else np.zeros(n_series, int)
    count = np.minimum(count, LONGEST)
    width = int(count.max(initial=0))
    back = np.arange(width - 1, -1, -1)
    at = np.where(back < count[:, None], end[:, None] - 1 - back, -1)
    return Window(at, count)


def recent_readings(count: np.ndarray, fewest: int, most: int, share: int) -> Any:
    """How many of the latest readings are recent and no part of what is usual: int array of the shape of count.

    count : int array, readings of the stretch. One in `share` is recent, at least `fewest`, at most `most`.

    >>> recent_readings(np.array([4, 9, 40]), 2, 5, 3).tolist()
    [2, 3, 5]
    """
    return np.clip(np.asarray(count) // share, fewest, most)


def exponentially_weighted(values: np.ndarray, weight: float) -> Any:
    """Exponentially weighted mean of departures, along the last axis: the newest counts `weight`.

    values : float array, shape (..., T). Departures from what is usual; NaN is left out.
    weight : float, over 0, at most 1 (lambda of Roberts 1959).
    Returns  float array, shape (...). It begins at 0, so that few readings say little.
    Source   z = lambda x + (1 - lambda) z of the reading before (Roberts 1959).

    >>> exponentially_weighted(np.array([0.0, 1.0, 1.0]), 0.5).tolist()
    0.75
    """
    values = np.asarray(values, dtype=np.float64)
    mean = np.zeros(values.shape[:-1])
    for i in range(values.shape[-1]):
        new = weight * values[..., i] + (1 - weight) * mean
        mean = np.where(np.isnan(values[..., i]), mean, new)
    return mean


def usual_scatter(series: np.ndarray, stretch: np.ndarray, values: np.ndarray, use: np.ndarray, n_series: int) -> Any:
    """Scatter of each series between successive readings of one stretch, pooled over its stretches.

    series, stretch : int arrays, shape (N,), as for `latest_stretch`.
    values          : float array, shape (N,). use : bool array, shape (N,), which readings take part.
    Returns           (scatter, pairs): float and int arrays, shape (k,); NaN where there is no pair.
    Source            von Neumann (1941): half the mean square of successive differences is the variance.
    """
    at = np.flatnonzero(use)
    one, two = at[:-1], at[1:]
    pair = (series[one] == series[two]) & (stretch[one] == stretch[two])
    one, two = one[pair], two[pair]
    pairs = np.bincount(series[one], minlength=n_series)
    squares = np.bincount(series[one], weights=(values[two] - values[one]) ** 2, minlength=n_series)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.sqrt(squares / (2 * pairs)), pairs


def change(
    series: np.ndarray,
    stretch: np.ndarray,
    lower: np.ndarray,
    upper: np.ndarray,
    least_scatter: np.ndarray,
    n_series: int,
    *,
    weight: float,
    slack: float,
    recent: Callable[[np.ndarray], np.ndarray],
) -> Change:
    """What the latest readings of every series show against what was usual.

    series, stretch : int arrays, shape (N,), as for `latest_stretch`.
    lower, upper    : float arrays, shape (N,). Ends of each reading, equal for a plain one; infinite where open.
    least_scatter   : float array, shape (k,). The scatter is never less (uncertainty stated, half the last digit).
    weight          : float, of the newest reading. slack : float, scatters that a reading may lie off without
                      counting as changed (Page's reference value).
    recent          : function from readings of the stretch, int (k,), to how many of them are recent.
    Returns           Change.
    Raises            ValueError if the arrays of readings have different shapes.
    """
    series, stretch = np.asarray(series, dtype=np.int64), np.asarray(stretch, dtype=np.int64)
    lower, upper = np.asarray(lower, dtype=np.float64), np.asarray(upper, dtype=np.float64)
    if not series.shape == stretch.shape == lower.shape == upper.shape:
        raise ValueError("series, stretch, lower and upper must have one shape")
    window = latest_stretch(series, stretch, n_series)
    width = window.at.shape[1]
    latest = np.minimum(recent(window.size), window.size)
    older = window.size - latest
    column = np.arange(width)
    is_recent = column >= width - latest[:, None]
    there = window.at >= 0
    low, high = (np.where(there, np.append(ends, np.nan)[window.at], np.nan) for ends in (lower, upper))
    usual_low, usual_high = (row_median(np.where(is_recent, np.nan, x)) for x in (low, high))
    now_low, now_high = (row_median(x[:, -2:]) for x in (low, high))
    is_old = np.ones(series.size, dtype=bool)
    is_old[window.at[is_recent & there]] = False
    own, _ = usual_scatter(series, stretch, lower, is_old & (lower == upper) & np.isfinite(lower), n_series)
    scatter = np.fmax(own, least_scatter)
    with np.errstate(invalid="ignore"):
        rise, fall = low - usual_high[:, None], usual_low[:, None] - high
    rise, fall = (np.where(np.isnan(x) & there, -np.inf, x) / scatter[:, None] for x in (rise, fall))
    up, down = (exponentially_weighted(np.where(is_recent, x, np.nan), weight) for x in (rise, fall))
    few = older < 1
    shown = [np.where(few, 0, _shown_for(x, slack)) for x in (rise, fall)]
    up, down = (
        np.where(few | np.isnan(scatter), np.nan, np.maximum(np.nan_to_num(x, nan=0.0), 0.0)) for x in (up, down)
    )
    return Change(usual_low, usual_high, now_low, now_high, scatter, older, up, down, *shown)


def _shown_for(departures: np.ndarray, slack: float) -> Any:
    """Readings since Page's cumulative sum was last nought, up to the newest: int (k,), of float (k, T)."""
    total = np.zeros(departures.shape[0])
    visits = np.zeros(departures.shape[0], dtype=np.int64)
    for i in range(departures.shape[1]):
        step = departures[:, i]
        here = ~np.isnan(step)
        total = np.where(here, np.maximum(total + step - slack, 0.0), total)
        visits = np.where(here, np.where(total > 0, visits + 1, 0), visits)
    return visits


def row_median(values: np.ndarray) -> Any:
    """Median of each row without its NaNs: float (k,) of float (k, T); NaN where a row has none. Infinite ends stay."""
    ordered = np.sort(values, axis=1)
    count = np.count_nonzero(~np.isnan(values), axis=1)
    rows = np.flatnonzero(count)
    out = np.full(values.shape[0], np.nan)
    one, two = ordered[rows, (count[rows] - 1) // 2], ordered[rows, count[rows] // 2]
    out[rows] = np.where(one == two, one, one / 2 + two / 2)
    return out


def line_crossing(times: np.ndarray, values: np.ndarray, limit: np.ndarray) -> Any:
    """When the least-squares line through each row of readings meets the limit: float (k,), decimal years.

    times, values : float arrays, shape (k, T). NaN is left out. limit : float array, shape (k,).
    Returns         NaN with fewer than three readings, or where the line leads away from the limit.
    """
    line = _fits(values, times)
    with np.errstate(invalid="ignore", divide="ignore"):
        way = limit - line.level
        heads = (line.readings >= 3) & (line.slope * way > 0)
        return np.where(heads, line.middle + way / line.slope, np.nan)


class Growth(NamedTuple):
    """When growth that fits the readings meets the limit: float arrays, shape (k,), decimal years; NaN for not known."""

    middle: np.ndarray
    """As likely before as after; +inf where it may never be."""
    earliest: np.ndarray
    latest: np.ndarray


def growth_crossing(
    times: np.ndarray,
    values: np.ndarray,
    limit: np.ndarray,
    scatter: np.ndarray,
    *,
    bends: dict[float, float],
    early: float,
    late: float,
) -> Growth:
    """When wear that began at one of the readings and has grown since, straight or ever faster, meets the limit.

    values = level + size * (time - onset)^bend. Every onset at a reading (before the last two) and every bend is fitted
    by least squares, weighed by its likelihood, and taken with the size's own error. Only what meets the limit after
    the newest reading counts, since that reading was within it.

    times, values : float arrays, shape (k, T). NaN is left out. limit : float array, shape (k,).
    scatter       : float array, shape (k,), above 0: standard deviation of a reading about the curve.
    bends         : exponents with their prior weights. early, late : float, shares of the chance from which and up to
                    which the interval goes.
    Returns         Growth. NaN with fewer than three readings, or where no curve leads to the limit.
    Source          Averaging over models by their posterior weight (Draper, J. R. Stat. Soc. B 57 (1995) 45-97, from
                    memory). With the straight line from the first reading alone it is the classical interval of a
                    calibration line's reading (Fieller, J. R. Stat. Soc. B 16 (1954) 175-185), level taken as known.
    """
    have = ~np.isnan(values) & ~np.isnan(times)
    last = np.max(np.where(have, times, -np.inf), axis=1, initial=-np.inf)
    some = have.sum(axis=1) >= 3
    days, misfits = [], []
    for onset in times.T[:-2]:
        for bend, prior in bends.items():
            with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
                fit = _fits(values, np.maximum(times - onset[:, None], 0.0) ** bend)
                size = fit.slope[:, None] + np.outer(scatter / np.sqrt(fit.spread), EVEN_NORMAL)
                reach = fit.middle[:, None] + (limit - fit.level)[:, None] / size
                towards = (size * (limit - fit.level)[:, None] > 0) & (reach > 0)
                day = onset[:, None] + np.where(towards, reach, np.inf) ** (1 / bend)
                misfit = fit.left / (2 * scatter**2) - np.log(prior)
            days.append(np.where((day > last[:, None]) & some[:, None], day, np.nan))
            misfits.append(np.where(np.isnan(fit.slope), np.inf, misfit)[:, None] + 0 * EVEN_NORMAL)
    if not days:
        return Growth(*np.full((3, len(limit)), np.nan))
    day, misfit = np.concatenate(days, axis=1), np.concatenate(misfits, axis=1)
    misfit = np.where(np.isnan(day), np.inf, misfit)
    best = misfit.min(axis=1, keepdims=True)
    share = np.exp(np.where(np.isfinite(best), best, 0.0) - misfit)
    order = np.argsort(day, axis=1)
    day, share = np.take_along_axis(day, order, 1), np.cumsum(np.take_along_axis(share, order, 1), axis=1)
    rows = np.arange(len(day))
    return Growth(
        *(
            np.where(share[:, -1] > 0, day[rows, (share >= part * share[:, -1:]).argmax(axis=1)], np.nan)
            for part in (0.5, early, late)
        )
    )


EVEN_NORMAL = np.array([NormalDist().inv_cdf((i + 0.5) / 9) for i in range(9)])
"""Nine equally likely values of a standard normal variable."""


class _Fits(NamedTuple):
    """Least-squares lines of each row's values on a regressor: float arrays (k,)."""

    readings: np.ndarray
    middle: np.ndarray  # mean of the regressor, where the line is at `level`
    level: np.ndarray
    slope: np.ndarray
    spread: np.ndarray  # sum of squares of the regressor about its mean
    left: np.ndarray  # sum of squares of the values about the line


def _fits(values: np.ndarray, regressor: np.ndarray) -> _Fits:
    have = ~np.isnan(values) & ~np.isnan(regressor)
    n = have.sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        r, x = np.where(have, regressor, 0.0), np.where(have, values, 0.0)
        middle, level = r.sum(axis=1) / n, x.sum(axis=1) / n
        dr, dx = np.where(have, r - middle[:, None], 0.0), np.where(have, x - level[:, None], 0.0)
        spread = (dr**2).sum(axis=1)
        slope = (dr * dx).sum(axis=1) / spread
        left = ((dx - slope[:, None] * dr) ** 2).sum(axis=1)
    return _Fits(n, middle, level, slope, spread, left)
