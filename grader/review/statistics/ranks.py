"""Kendall's S of many short series at once, with bounds such as `<2`, and the false discovery rate.

S asks whether later readings are higher: each pair of readings whose order is certain counts +1 if the later
one is higher and -1 if it is lower. A pair that could go either way counts 0, and is kept as such in the
null distribution, so that bounds make the test less sure and never more.

Sources: M. G. Kendall, Biometrika 30 (1938) 81-93 (S, tau and the exact distribution without ties);
H. E. Daniels, Biometrika 33 (1944) 129-135 (scores a_ij, b_ij in general); Y. Benjamini and Y. Hochberg,
J. R. Statist. Soc. B 57 (1995) 289-300 (false discovery rate). Cited from memory; formulas derived below.
"""

from __future__ import annotations

from functools import cache
from itertools import permutations
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from grader.frames import normal_below
from grader.review.statistics.pairs import check_series, equal_length_blocks, series_lengths, snap

LONGEST_RECURSION = 60
"""Readings up to which the distribution of S without ties is worked out exactly."""

LONGEST_ENUMERATION = 7
"""Readings up to which every order (7! = 5040) is tried where there are ties or uncertain pairs."""


class Kendall(NamedTuple):
    """Per-series results of `kendall`: arrays, shape (n_series,)."""

    s: np.ndarray
    """Pairs certain to rise less pairs certain to fall, float; 0 below two readings, NaN if too long."""
    n: np.ndarray
    """Number of readings, int."""
    tau: np.ndarray
    """s over the most it could be, -1 to 1, float; NaN where no pair is certain."""
    p: np.ndarray
    """Two-sided chance of an s at least as far from 0 if time did not matter, float."""


def kendall(
    series: ArrayLike,
    lower: ArrayLike,
    upper: ArrayLike,
    lower_open: ArrayLike,
    upper_open: ArrayLike,
    time_years: ArrayLike,
    n_series: int,
) -> Kendall:
    """Kendall's S, tau and two-sided p of reading against time, for every series.

    series       : int array, shape (N,). Series number, 0 to n_series - 1, sorted.
    lower, upper : float arrays, shape (N,). Ends of each reading, one unit a series; equal for a plain one,
                   -inf or +inf where unknown.
    lower_open, upper_open : bool arrays, shape (N,). The end itself is excluded (`<2`: upper 2, upper_open).
                   Ignored where both ends are equal.
    time_years   : float array, shape (N,). Sorted inside a series; pairs of equal time count 0.
    n_series     : int.
    Returns        Kendall. p is NaN where no two readings differ in time, 1 where they do but no pair is
                   certain. s, tau and p are NaN for a series longer than pairs.LONGEST_SERIES.
    Raises         ValueError from pairs.check_series, or if the open flags have another shape.
    Source         p: without ties and doubts, the exact distribution (Kendall 1938) up to LONGEST_RECURSION
                   readings. Else every order of the readings, up to LONGEST_ENUMERATION readings; beyond,
                   the normal approximation with a continuity correction of 1 and the exact permutation
                   variance (see `_variance`). tau: Daniels's coefficient, Kendall's tau-b where nothing is a
                   bound.

    >>> values, no = [2.0, 3.0, 4.0, 5.0, 6.0], [False] * 5
    >>> found = kendall([0] * 5, values, values, no, no, [2021.0, 2022.0, 2023.0, 2024.0, 2025.0], 1)
    >>> float(found.s[0]), float(found.tau[0]), round(float(found.p[0]), 4)
    (10.0, 1.0, 0.0167)
    """
    series, time_years, lower, upper = check_series(series, time_years, lower, upper, n_series)
    lower_open, upper_open = np.asarray(lower_open, dtype=bool), np.asarray(upper_open, dtype=bool)
    if not lower_open.shape == upper_open.shape == lower.shape:
        raise ValueError(f"open flags must have shape {lower.shape}, not {lower_open.shape} and {upper_open.shape}")
    n = series_lengths(series, n_series)
    s, tau, p = np.full(n_series, np.nan), np.full(n_series, np.nan), np.full(n_series, np.nan)
    s[n < 2] = 0.0
    for which, take in equal_length_blocks(series, n_series):
        low, high = _comparison_keys(lower[take], upper[take], lower_open[take], upper_open[take])
        times = time_years[take]
        above = low[:, None, :] > high[:, :, None]  # [series, i, j]: j is certainly above i
        later = times[:, None, :] > times[:, :, None]  # [series, i, j]: j is later than i
        rising = np.count_nonzero(above & later, axis=(1, 2))
        falling = np.count_nonzero(above & later.transpose(0, 2, 1), axis=(1, 2))
        score = rising - falling
        certain, certain_spread = _score_sums(above)
        dated, dated_spread = _score_sums(later)
        s[which] = score
        tau[which] = _ratio(score, np.sqrt(certain.astype(np.float64) * dated), np.nan)
        p[which] = _two_sided_p(score, certain, certain_spread, dated, dated_spread, low, high, times)
    return Kendall(s, n, tau, p)


def false_discovery(p: ArrayLike, q: float = 0.05) -> Any:
    """Which findings stand when many are tested at once, so that about a part q of them at most is chance.

    p       : float array of any shape. NaN is no test: it is not counted and never stands.
    q       : float, between 0 and 1.
    Returns   bool array of that shape.
    Raises    ValueError for a p outside 0 to 1 or a q outside 0 to 1.
    Source    Benjamini and Hochberg (1995): with m tests in rising order, the largest k with
              p_k <= k q / m, and all before it.

    >>> false_discovery(np.array([0.001, 0.04, np.nan, 0.03])).tolist()
    [True, True, False, True]
    """
    p = np.asarray(p, dtype=np.float64)
    if not 0 < q < 1:
        raise ValueError(f"q must lie between 0 and 1, not {q}")
    tested = ~np.isnan(p)
    if ((p[tested] < 0) | (p[tested] > 1)).any():
        raise ValueError("a chance p lies outside 0 to 1")
    ranked = np.sort(p[tested])
    stands = ranked <= np.arange(1, ranked.size + 1) * q / max(ranked.size, 1)
    if not stands.any():
        return np.zeros(p.shape, dtype=bool)
    return tested & (p <= ranked[np.flatnonzero(stands)[-1]])


def _comparison_keys(
    lower: np.ndarray, upper: np.ndarray, lower_open: np.ndarray, upper_open: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Ends for comparing: a reading is certainly above another if its lower key is above the other's upper.

    Arguments as for `kendall`, of any one shape. Returns (lower_key, upper_key), float arrays of that shape. An open end is moved
    inwards by the smallest step a float has, far below the step that `snap` leaves between two ends.
    """
    lower_key, upper_key = snap(lower), snap(upper)
    bound = lower_key < upper_key
    return (
        np.where(bound & lower_open, np.nextafter(lower_key, np.inf), lower_key),
        np.where(bound & upper_open, np.nextafter(upper_key, -np.inf), upper_key),
    )


def _score_sums(above: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Sums that the permutation variance needs of skew-symmetric scores a_ij = above_ij - above_ji.

    above   : bool array, shape (m, n, n); never both above_ij and above_ji.
    Returns   (pairs, spread), int arrays, shape (m,): the number of pairs i < j with a_ij not 0, and
              the sum of a_ij a_ik over all i and all j != k.
    """
    row_sums = above.sum(axis=2, dtype=np.int32) - above.sum(axis=1, dtype=np.int32)
    pairs = np.count_nonzero(above, axis=(1, 2)).astype(np.int64)
    return pairs, (row_sums.astype(np.int64) ** 2).sum(axis=1) - 2 * pairs


def _variance(
    n: int, certain: np.ndarray, certain_spread: np.ndarray, dated: np.ndarray, dated_spread: np.ndarray
) -> Any:
    """Variance of S over all orders of the readings, for scores as counted by `_score_sums`.

    n       : int, at least 3. Readings of each series.
    Returns   float array, shape (m,).
    Source    Let c = sum of a_ij b_ij over all ordered i != j, so c = 2 S, and square it. Terms without a
              common index have mean 0, since a_ij = -a_ji. Those with one common index come in four
              forms of equal mean, A3 B3 / (n (n-1) (n-2)), A3 the spread of the a_ij. Those with both come in
              two, A2 B2 / (n (n-1)), A2 twice the pairs. Var S = E c^2 / 4. Without ties it is
              n (n-1) (2n+5) / 18; with plain ties Kendall's tie-corrected variance.
    """
    orders = float(n * (n - 1))
    return certain_spread.astype(np.float64) * dated_spread / (orders * (n - 2)) + 2.0 * certain * dated / orders


def _two_sided_p(
    score: np.ndarray,
    certain: np.ndarray,
    certain_spread: np.ndarray,
    dated: np.ndarray,
    dated_spread: np.ndarray,
    low: np.ndarray,
    high: np.ndarray,
    times: np.ndarray,
) -> np.ndarray:
    """Chance of a score at least as far from 0, for one block of series of equal length.

    score, certain, ... : int arrays, shape (m,), from `_score_sums`.
    low, high, times    : float arrays, shape (m, n). Comparison keys and decimal years.
    Returns               float array, shape (m,).
    """
    n = times.shape[1]
    all_pairs = n * (n - 1) // 2
    p = np.full(score.shape, np.nan)
    p[(dated > 0) & (certain == 0)] = 1.0
    open_question = (dated > 0) & (certain > 0)
    if n <= LONGEST_RECURSION:
        clean = open_question & (certain == all_pairs) & (dated == all_pairs)
        p[clean] = _chance_without_ties(n)[(all_pairs - score[clean]) // 2]
        open_question &= ~clean
    if n <= LONGEST_ENUMERATION:
        p[open_question] = _chance_by_enumeration(
            score[open_question], low[open_question], high[open_question], times[open_question]
        )
    elif open_question.any():
        variance = _variance(n, *(x[open_question] for x in (certain, certain_spread, dated, dated_spread)))
        distance = np.maximum(np.abs(score[open_question]) - 1, 0)
        p[open_question] = 2 * normal_below(-distance / np.sqrt(variance))
    return p


@cache
def _inversion_chances(n: int) -> np.ndarray:
    """Chance of each number of inversions, 0 to n (n-1) / 2, in a random order of n: float array.

    Kendall's recursion: the n-th item, put into an order of n - 1, adds 0 to n - 1 inversions alike.
    """
    if n <= 1:
        return np.ones(1)
    return np.convolve(_inversion_chances(n - 1), np.full(n, 1.0 / n))


@cache
def _chance_without_ties(n: int) -> Any:
    """Two-sided chance for each number of inversions of n different readings: shape (n (n-1) / 2 + 1,)."""
    tail = np.cumsum(_inversion_chances(n))
    inversions = np.arange(tail.size)
    other_side = tail.size - 1 - inversions
    chance = np.minimum(2 * tail[np.minimum(inversions, other_side)], 1.0)
    chance[inversions == other_side] = 1.0
    chance.setflags(write=False)
    return chance


def _chance_by_enumeration(score: np.ndarray, low: np.ndarray, high: np.ndarray, times: np.ndarray) -> np.ndarray:
    """Two-sided chance from every order of the readings.

    score           : int array, shape (m,).
    low, high, times : float arrays, shape (m, n), n at most LONGEST_ENUMERATION.
    Returns           float array, shape (m,).
    """
    n = times.shape[1]
    first, second = np.triu_indices(n, k=1)
    # The distribution does not depend on the order of the readings, so they are put in order of their
    # ends: then only the later of two can be certainly above, few patterns are left, and each is tried once.
    order = np.lexsort((low, high), axis=-1)
    low, high = np.take_along_axis(low, order, axis=1), np.take_along_axis(high, order, axis=1)
    above = low[:, second] > high[:, first]
    steps = times[:, 1:] > times[:, :-1]
    pattern = above @ (1 << np.arange(first.size))
    dates = steps @ (1 << np.arange(n - 1))
    chance = np.empty(score.shape)
    for date_pattern in np.unique(dates):
        rows = np.flatnonzero(dates == date_pattern)
        distinct, example, number = np.unique(pattern[rows], return_index=True, return_inverse=True)
        tails = _tails(above[rows[example]], tuple(steps[rows[0]].tolist()))
        chance[rows] = tails[number, np.abs(score[rows])]
    return chance


def _tails(above: np.ndarray, steps: tuple[bool, ...]) -> np.ndarray:
    """Chance of |S| >= 0, 1, 2 ... over all orders, for patterns of certain pairs.

    above   : bool array, shape (patterns, n (n-1) / 2). Pairs i < j, by triu_indices, with j certainly above.
    steps   : whether each of n dates but the first is later than the one before.
    Returns   float array, shape (patterns, n (n-1) / 2 + 1).
    """
    n, pairs = len(steps) + 1, above.shape[1]
    first, second = np.triu_indices(n, k=1)
    dates = np.concatenate(([0], np.cumsum(steps)))[_orders(n)]
    signs = np.sign(dates[:, second] - dates[:, first]).astype(np.float32)
    tails = np.empty((above.shape[0], pairs + 1))
    for begin in range(0, above.shape[0], 200):
        part = slice(begin, begin + 200)
        size = np.abs(above[part].astype(np.float32) @ signs.T)  # whole numbers, exact in float32
        for least in range(pairs + 1):
            tails[part, least] = np.count_nonzero(size >= least, axis=1) / signs.shape[0]
    return tails


@cache
def _orders(n: int) -> np.ndarray:
    """Every order of n things: int array, shape (n!, n)."""
    return np.array(list(permutations(range(n))), dtype=np.int64)


def _ratio(numerator: np.ndarray, denominator: np.ndarray, otherwise: float) -> Any:
    """numerator / denominator, and `otherwise` where the denominator is 0; arrays of one shape."""
    out = np.full(np.shape(numerator), otherwise, dtype=np.float64)
    return np.divide(numerator, denominator, out=out, where=denominator > 0)
