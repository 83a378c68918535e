"""Theil-Sen slopes of many short series at once, with bounds such as `<2` kept as intervals.

Every pair of readings taken at different times gives a slope. The median of the slopes is the estimate,
which a few odd readings do not move. Where a reading is a bound, its pairs give an interval of slopes, and
the estimate is an interval too.

Sources: P. K. Sen, J. Am. Stat. Assoc. 63 (1968) 1379-1389 (estimate); the carrying of intervals through the median is
this project's own rule.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from grader.review.statistics.pairs import check_series, equal_length_blocks

AGREE_RELATIVE = 1e-9
"""The two medians agree when they differ by no more than this, relative to the larger of the slopes and of
the largest end over the time spanned. Rounding, not measurement."""


class TheilSen(NamedTuple):
    """Per-series results of `theil_sen`: float arrays, shape (n_series,), NaN where there is none."""

    slope: np.ndarray
    """Median pair slope, unit of the readings per year; NaN unless slope_lower and slope_upper agree."""
    slope_lower: np.ndarray
    """Median of the lower ends of the pair slopes; -inf where nothing limits it."""
    slope_upper: np.ndarray
    """Median of the upper ends of the pair slopes; +inf where nothing limits it."""
    intercept: np.ndarray
    """Median of reading - slope * time over the plain readings, at time 0 (not at the first reading)."""


def theil_sen(series: ArrayLike, time_years: ArrayLike, lower: ArrayLike, upper: ArrayLike, n_series: int) -> TheilSen:
    """Theil-Sen slope and intercept of every series.

    series     : int array, shape (N,). Series number, 0 to n_series - 1, sorted.
    time_years : float array, shape (N,). Decimal years, sorted inside a series; equal times are allowed and
                 give no slope.
    lower      : float array, shape (N,). Lower end of each reading; -inf where unknown.
    upper      : float array, shape (N,). Upper end; +inf where unknown; equal to lower for a plain reading.
    n_series   : int.
    Returns      TheilSen of float arrays, shape (n_series,). All four are NaN for a series with no two
                 different times, or longer than pairs.LONGEST_SERIES.
    Raises       ValueError from pairs.check_series.
    Source       Sen (1968). The pair of an earlier reading [a, b] and a later one [c, d], dt years apart, has
                 slopes from (c - b)/dt to (d - a)/dt. With an even number of pairs a median is the mean of
                 the two middle ones, so one infinite end there makes that median infinite.

    >>> fit = theil_sen([0, 0, 0], [2024.0, 2025.0, 2026.0], [2.0, 3.0, 4.0], [2.0, 3.0, 4.0], 1)
    >>> float(fit.slope[0])
    1.0
    """
    series, time_years, lower, upper = check_series(series, time_years, lower, upper, n_series)
    slope_lower, slope_upper, scale, intercept = (np.full(n_series, np.nan) for _ in range(4))
    finite = np.maximum(_finite_size(lower), _finite_size(upper))
    for which, take in equal_length_blocks(series, n_series):
        times, low, high = time_years[take], lower[take], upper[take]
        slopes = np.sort(_pair_slopes(times, low, high), axis=1)
        slope_lower[which] = _median_of_sorted(slopes)
        slope_upper[which] = slope_lower[which]
        bounded = (low != high).any(axis=1)
        if bounded.any():
            slopes = np.sort(_pair_slopes(times[bounded], high[bounded], low[bounded]), axis=1)
            slope_upper[which[bounded]] = _median_of_sorted(slopes)
        span = times[:, -1] - times[:, 0]
        scale[which] = finite[take].max(axis=1) / np.where(span > 0, span, np.nan)

    known = np.isfinite(slope_lower) & np.isfinite(slope_upper)
    low, high = slope_lower[known], slope_upper[known]
    tolerance = AGREE_RELATIVE * np.maximum(np.maximum(np.abs(low), np.abs(high)), scale[known])
    slope = np.full(n_series, np.nan)
    slope[known] = np.where(high - low <= tolerance, low + (high - low) / 2, np.nan)

    for which, take in equal_length_blocks(series, n_series):
        # A reading that is a bound has no one value; NaN sorts last and is not counted.
        plain = np.where(lower[take] == upper[take], lower[take], np.nan)
        at_zero = plain - slope[which][:, None] * time_years[take]
        intercept[which] = _median_of_sorted(np.sort(at_zero, axis=1))
    return TheilSen(slope, slope_lower, slope_upper, intercept)


def _pair_slopes(times: np.ndarray, first: np.ndarray, second: np.ndarray) -> Any:
    """Lower ends of the slopes of every pair of readings; NaN where the times are equal.

    times, first, second : float arrays, shape (m, length). Time in years, lower end and upper end of each
                           reading. With the two ends exchanged the result is the upper ends of the slopes.
    Returns                float array, shape (m, length * (length - 1) / 2), unit of readings per year.
    """
    earlier, later = np.triu_indices(times.shape[1], k=1)
    years = times[:, later] - times[:, earlier]
    years[years == 0] = np.nan
    rise = first[:, later] - second[:, earlier]
    return np.divide(rise, years, out=rise)


def _median_of_sorted(values: np.ndarray) -> Any:
    """Medians of rows sorted with NaN last, NaN left out: shape (m, k) -> (m,); NaN where all are NaN."""
    counts = np.count_nonzero(~np.isnan(values), axis=1)
    rows = np.arange(values.shape[0])
    middle = values[rows, np.maximum(counts - 1, 0) // 2]
    other = values[rows, np.minimum(counts // 2, values.shape[1] - 1)]
    # Halved before adding so that equal middles give themselves; infinite ones are all of one sign.
    return np.where(counts % 2 == 1, middle, middle / 2 + other / 2)


def _finite_size(values: np.ndarray) -> np.ndarray:
    """Sizes of finite values, and 0 for infinite ones; any shape."""
    return np.where(np.isfinite(values), np.abs(values), 0.0)
