"""Ragged series: many short series laid end to end in flat arrays, worked on as blocks of equal length.

A ragged series is given by flat arrays of one length N, sorted by series and within a series by time:
`series` (int, 0 to n_series - 1), `time_years` (decimal years) and the two ends of each reading, `lower`
and `upper`. The ends are equal for a plain reading; -inf and +inf stand for an end nobody knows.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

LONGEST_SERIES = 1000
"""Readings in a series above which nothing is worked out, because pairs grow with the square. A monthly
test for 80 years stays below it; more than that is one name given to many outlets (judgement, no source)."""

CELLS_PER_BLOCK = 1_000_000
"""Elements (series x readings x readings) of one block, which bounds the memory used (judgement)."""

SIGNIFICANT_BITS = 33
"""Ends are compared after rounding to this many bits, a relative step of 2**-33 to 2**-32 (about 1e-10 to
2e-10), so that figures which differ only through unit conversion count as equal."""


def check_series(
    series: ArrayLike, time_years: ArrayLike, lower: ArrayLike, upper: ArrayLike, n_series: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Flat arrays of a ragged series, checked.

    series, time_years, lower, upper : array-like, shape (N,). Time in years; ends in any one unit a series.
    n_series : int. Number of series; a number without readings is allowed.
    Returns    (series, time_years, lower, upper), int64 and float64 arrays of shape (N,).
    Raises     ValueError, naming the first bad position: shapes differ, a series number is out of range or
               out of order, a time is not finite or out of order, an end is NaN, the ends are the wrong way
               round, or the lower end is +inf or the upper one -inf.
    """
    series = np.asarray(series)
    if series.size and series.dtype.kind not in "iu":
        raise ValueError(f"series must be whole numbers, not {series.dtype}")
    series = series.astype(np.int64, copy=False)
    time_years, lower, upper = (np.asarray(x, dtype=np.float64) for x in (time_years, lower, upper))
    if series.ndim != 1 or not series.shape == time_years.shape == lower.shape == upper.shape:
        raise ValueError(
            f"one-dimensional arrays of one length are needed, not {series.shape}, "
            f"{time_years.shape}, {lower.shape}, {upper.shape}"
        )
    same_series = series[1:] == series[:-1]
    _refuse_any((series < 0) | (series >= n_series), f"series number outside 0 to {n_series - 1}")
    _refuse_any(series[1:] < series[:-1], "series number smaller than that of the following reading")
    _refuse_any(~np.isfinite(time_years), "time is not a finite number")
    _refuse_any(same_series & (time_years[1:] < time_years[:-1]), "time later than that of the following one")
    _refuse_any(~(lower <= upper), "ends of a reading missing or the wrong way round")
    _refuse_any((lower == np.inf) | (upper == -np.inf), "both ends of a reading infinite on one side")
    return series, time_years, lower, upper


def _refuse_any(bad: np.ndarray, what: str) -> None:
    """Raise ValueError if any of `bad` (bool, shape (N,)) is set, naming the first position."""
    if bad.any():
        raise ValueError(f"{what}, at position {int(np.argmax(bad))}")


def series_lengths(series: np.ndarray, n_series: int) -> np.ndarray:
    """Number of readings of every series: int array, shape (n_series,)."""
    return np.bincount(series, minlength=n_series)


def equal_length_blocks(
    series: np.ndarray, n_series: int, shortest: int = 2
) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """Blocks of series of equal length, small enough for a (series, readings, readings) array each.

    series   : int array, shape (N,), sorted.
    shortest : int. Shorter series are left out, as are those longer than LONGEST_SERIES.
    Yields     (which, take): series numbers, shape (m,), and positions in the flat arrays, shape (m, length).
    """
    lengths = series_lengths(series, n_series)
    starts = np.cumsum(lengths) - lengths
    by_length = np.argsort(lengths, kind="stable")
    wanted = np.unique(lengths)
    wanted = wanted[(wanted >= max(shortest, 1)) & (wanted <= LONGEST_SERIES)]
    first = np.searchsorted(lengths[by_length], wanted, side="left")
    last = np.searchsorted(lengths[by_length], wanted, side="right")
    for length, begin, end in zip(wanted.tolist(), first.tolist(), last.tolist(), strict=True):
        step = max(1, CELLS_PER_BLOCK // (length * length))
        for at in range(begin, end, step):
            which = by_length[at : min(at + step, end)]
            yield which, starts[which][:, None] + np.arange(length)


def snap(values: np.ndarray) -> Any:
    """Values rounded to SIGNIFICANT_BITS binary digits, for comparing only; infinities stay.

    values : float array of any shape.
    Returns  float array of that shape.

    >>> bool(snap(np.array(34.8 - 29.8)) == snap(np.array(5.0)))
    True
    """
    mantissa, exponent = np.frexp(values)
    return np.ldexp(np.rint(np.ldexp(mantissa, SIGNIFICANT_BITS)), exponent - SIGNIFICANT_BITS)
