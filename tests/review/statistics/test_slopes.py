"""Theil-Sen slopes against scipy, published examples and hand-worked bounds."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from grader.review.statistics import pairs
from grader.review.statistics.pairs import LONGEST_SERIES
from grader.review.statistics.slopes import theil_sen

INF = np.inf


def one(times, lower, upper=None):
    """theil_sen of one series, as four plain floats."""
    upper = lower if upper is None else upper
    found = theil_sen(np.zeros(len(times), dtype=int), times, lower, upper, 1)
    return tuple(float(x[0]) for x in found)


def ragged(groups):
    """(series, times, values) from a list of (times, values)."""
    series = np.repeat(np.arange(len(groups)), [len(t) for t, _ in groups])
    return series, np.concatenate([t for t, _ in groups]), np.concatenate([v for _, v in groups])


def random_groups(rng, count, longest=25):
    """Plain series with ties in time and in value."""
    groups = []
    for length in rng.integers(2, longest, count):
        times = np.sort(np.round(2000 + 20 * rng.random(length), 1))
        groups.append((times, np.round(rng.normal(5, 1, length), 1)))
    return groups


# Published examples

SEN_TIMES = [1.0, 2.0, 3.0, 4.0, 10.0, 12.0, 18.0]
SEN_VALUES = [9.0, 15.0, 19.0, 20.0, 45.0, 55.0, 78.0]


def test_example_of_sen_1968():
    """Sen (1968), as quoted in tests of R package deming: slope 4, intercept 6."""
    slope, low, high, intercept = one(SEN_TIMES, SEN_VALUES)
    assert (slope, low, high, intercept) == (4.0, 4.0, 4.0, 6.0)


def test_example_with_equal_abscissae():
    """Example of ci.theil in the R package statpsych: slope 0.5."""
    y = np.array([21, 4, 9, 12, 35, 18, 10, 22, 24, 1, 6, 8, 13, 16, 19], dtype=float)
    x = np.array([67, 28, 30, 28, 52, 40, 25, 37, 44, 10, 14, 20, 28, 40, 51], dtype=float)
    order = np.argsort(x, kind="stable")
    assert one(x[order], y[order])[0] == 0.5


@pytest.fixture(scope="module")
def carbon_dioxide():
    """Weekly carbon dioxide at Mauna Loa, 1958 to 2001, ppm: Keeling and Whorf, shipped in statsmodels."""
    datasets = pytest.importorskip("statsmodels.datasets")
    return datasets.co2.load_pandas().data["co2"].dropna()


@pytest.mark.parametrize(
    ("first", "last", "growth", "tolerance"),
    [
        # NOAA Global Monitoring Laboratory, Mauna Loa annual means: 338.76 ppm in 1980, 369.71 in 2000. The
        # record is nearly straight here, so end to end and Theil-Sen differ only by the ends' own scatter.
        ("1980", "2000", (369.71 - 338.76) / 20, 0.03),
        # 315.98 ppm in 1959, 371.32 in 2001. The record bends upwards: by 0.86 a year up to 1969 (324.62).
        ("1959", "2001", (371.32 - 315.98) / 42, 0.10),
    ],
)
def test_mauna_loa_annual_means(carbon_dioxide, first, last, growth, tolerance):
    """Growth in ppm a year against NOAA's published annual means, and everything against scipy."""
    record = carbon_dioxide[first:last]
    yearly = record.groupby(record.index.year).mean()
    times, values = yearly.index.to_numpy(float) + 0.5, yearly.to_numpy()
    slope, _, _, intercept = one(times, values)
    assert slope == pytest.approx(growth, abs=tolerance)
    reference = stats.theilslopes(values, times, method="joint")
    assert slope == pytest.approx(reference.slope, rel=1e-12)
    assert intercept == pytest.approx(reference.intercept, rel=1e-10)


def test_mauna_loa_monthly_and_weekly(carbon_dioxide):
    """Monthly means agree with scipy; the weekly record is longer than a series may be, and gets no slope."""
    monthly = carbon_dioxide.resample("MS").mean().dropna()
    for record in (monthly, carbon_dioxide):
        times = record.index.year + (record.index.day_of_year - 1) / 365.25
        values = record.to_numpy()
        slope = one(times.to_numpy(float), values)[0]
        if len(values) > LONGEST_SERIES:
            assert np.isnan(slope)
        else:
            assert slope == pytest.approx(stats.theilslopes(values, times).slope, rel=1e-12)
    assert len(monthly) <= LONGEST_SERIES < len(carbon_dioxide)


# Against scipy on many series at once


def test_slopes_and_intercepts_match_scipy():
    """scipy.stats.theilslopes, intercept by its method 'joint', over series with ties in time and value."""
    groups = [g for g in random_groups(np.random.default_rng(3), 120) if g[0][0] < g[0][-1]]
    series, times, values = ragged(groups)
    found = theil_sen(series, times, values, values, len(groups))
    expected = [stats.theilslopes(v, t, method="joint") for t, v in groups]
    np.testing.assert_allclose(found.slope, [e.slope for e in expected], rtol=1e-12, atol=1e-15)
    np.testing.assert_allclose(found.intercept, [e.intercept for e in expected], rtol=1e-9)
    np.testing.assert_array_equal(found.slope_lower, found.slope_upper)


# Bounds, worked by hand


def test_two_bounds_give_an_interval_about_zero():
    """`<2` and a year later `<2`, floor 0: anything from falling 2 to rising 2 a year."""
    slope, low, high, intercept = one([2024.0, 2025.0], [0.0, 0.0], [2.0, 2.0])
    assert (low, high) == (-2.0, 2.0)
    assert np.isnan(slope) and np.isnan(intercept)


def test_bound_then_reading():
    """`<2`, two years later 5: (5 - 2)/2 to (5 - 0)/2."""
    slope, low, high, _ = one([2024.0, 2026.0], [0.0, 5.0], [2.0, 5.0])
    assert (low, high) == (1.5, 2.5)
    assert np.isnan(slope)


@pytest.mark.parametrize(
    ("lower", "upper", "low", "high"),
    [
        ([10.0, 60.0], [10.0, INF], 50.0, INF),  # 10 then >60
        ([60.0, 10.0], [INF, 10.0], -INF, -50.0),  # >60 then 10
        ([60.0, 60.0], [INF, INF], -INF, INF),  # >60 twice
        ([-INF, 3.0], [2.0, 3.0], 1.0, INF),  # <2 with no floor, then 3
        ([-INF, 3.0], [2.0, INF], 1.0, INF),  # <2 with no floor, then >3
        ([3.0, -INF], [INF, 2.0], -INF, -1.0),  # the other way round
        ([-INF, -INF], [INF, INF], -INF, INF),  # nothing known
    ],
)
def test_unknown_ends(lower, upper, low, high):
    found = one([2024.0, 2025.0], lower, upper)
    assert found[1:3] == (low, high)
    assert np.isnan(found[0]) and np.isnan(found[3])


def test_one_bound_among_many_leaves_a_number():
    """`<2` at time 0, then 2, 3, 4, 5 yearly: six slopes of 1, four intervals about 1; both medians are 1.

    The intercept comes from the plain readings alone: 2 - 1, 3 - 2 and so on, all 1.
    """
    found = one([0.0, 1.0, 2.0, 3.0, 4.0], [0.0, 2.0, 3.0, 4.0, 5.0], [2.0, 2.0, 3.0, 4.0, 5.0])
    assert found == (1, 1, 1, 1)


def test_infinite_bound_in_a_median():
    """1, 2, 3, >60 yearly. Pairs of plain readings rise by 1 a year, `>60` by 59/3, 29, 57 or more.

    Lower ends 1, 1, 1, 59/3, 29, 57: the median is the mean of 1 and 59/3. Upper ends 1, 1, 1 and three
    without limit, so the upper median has none either.
    """
    slope, low, high, _ = one([0.0, 1.0, 2.0, 3.0], [1.0, 2.0, 3.0, 60.0], [1.0, 2.0, 3.0, INF])
    assert low == pytest.approx((1 + 59 / 3) / 2)
    assert high == INF
    assert np.isnan(slope)


def test_equal_times_are_left_out():
    """A retest on the day: 2 and 9 at time 0, 3 at time 1. Slopes 1 and -6, median -2.5."""
    assert one([0.0, 0.0, 1.0], [2.0, 9.0, 3.0])[0] == -2.5


@pytest.mark.parametrize("times", [[2024.0], [2024.0, 2024.0]])
def test_no_pair_no_slope(times):
    found = one(times, [1.0, 2.0][: len(times)])
    assert all(np.isnan(found))


def test_rounding_does_not_part_the_medians():
    """Readings made by 0.1 + 0.2 are not bounds: plain ends are the same float, and the medians agree."""
    values = np.cumsum(np.full(9, 0.1))
    slope, low, high, _ = one(np.arange(9.0), values)
    assert slope == low == high == pytest.approx(0.1)


# Shape of the input


def test_blocks_do_not_change_the_result(monkeypatch):
    """Small blocks, one series at a time, and all together: the same figures to the last bit."""
    groups = random_groups(np.random.default_rng(5), 60, longest=12)
    series, times, values = ragged(groups)
    lower = np.where(values < 4.5, 0.0, values)
    together = theil_sen(series, times, lower, values, len(groups))
    monkeypatch.setattr(pairs, "CELLS_PER_BLOCK", 50)
    for a, b in zip(together, theil_sen(series, times, lower, values, len(groups)), strict=True):
        np.testing.assert_array_equal(a, b)
    for k, (t, v) in enumerate(groups):
        np.testing.assert_array_equal(one(t, np.where(v < 4.5, 0.0, v), v), [x[k] for x in together])


def test_series_without_readings_and_no_readings_at_all():
    found = theil_sen([1, 1, 3], [2020.0, 2021.0, 2020.0], [1.0, 3.0, 5.0], [1.0, 3.0, 5.0], 5)
    np.testing.assert_array_equal(found.slope, [np.nan, 2.0, np.nan, np.nan, np.nan])
    assert theil_sen([], [], [], [], 0).slope.shape == (0,)


@pytest.mark.parametrize(
    ("series", "times", "lower", "upper", "message"),
    [
        ([0, 2], [1, 2], [1, 1], [1, 1], "outside 0 to 1, at position 1"),
        ([1, 0], [1, 2], [1, 1], [1, 1], "series number smaller .* at position 0"),
        ([0, 0], [2, 1], [1, 1], [1, 1], "time later .* at position 0"),
        ([0, 0], [1, np.nan], [1, 1], [1, 1], "time is not a finite number, at position 1"),
        ([0, 0], [1, 2], [1, np.nan], [1, 1], "ends of a reading .* at position 1"),
        ([0, 0], [1, 2], [1, 3], [1, 2], "wrong way round, at position 1"),
        ([0, 0], [1, 2], [1, INF], [1, INF], "infinite on one side, at position 1"),
        ([0, 0], [1, 2], [1], [1, 1], "one length"),
        ([0.5, 1], [1, 2], [1, 1], [1, 1], "whole numbers"),
    ],
)
def test_bad_input_is_refused(series, times, lower, upper, message):
    with pytest.raises(ValueError, match=message):
        theil_sen(series, times, lower, upper, 2)


# Properties


@st.composite
def bounded_series(draw):
    """(times, lower, upper) with whole-number ends, so that sums are exact; some ends unknown."""
    length = draw(st.integers(2, 9))
    times = np.sort(draw(st.lists(st.integers(0, 12), min_size=length, max_size=length))).astype(float)
    widths, unknown_ends = st.sampled_from([0, 0, 0, 1, 4]), st.sampled_from([0, 0, 0, 0, 1, 2])
    ends = st.tuples(st.integers(-8, 8), widths, unknown_ends)
    drawn = draw(st.lists(ends, min_size=length, max_size=length))
    lower = np.array([-INF if unknown == 1 else a for a, _, unknown in drawn], dtype=float)
    upper = np.array([INF if unknown == 2 else a + width for a, width, unknown in drawn], dtype=float)
    return times, lower, upper


@settings(max_examples=150, deadline=None)
@given(bounded_series())
def test_reversing_time_turns_the_slope_round(data):
    times, lower, upper = data
    slope, low, high, _ = one(times, lower, upper)
    back = one(-times[::-1], lower[::-1], upper[::-1])
    np.testing.assert_array_equal(back[:3], (-slope, -high, -low))


@settings(max_examples=150, deadline=None)
@given(bounded_series(), st.integers(-50, 50))
def test_adding_a_constant_changes_no_slope(data, constant):
    times, lower, upper = data
    found, moved = one(times, lower, upper), one(times, lower + constant, upper + constant)
    np.testing.assert_array_equal(moved[:3], found[:3])
    np.testing.assert_allclose(moved[3], found[3] + constant, rtol=1e-12, atol=1e-9)


@settings(max_examples=150, deadline=None)
@given(bounded_series(), st.randoms(use_true_random=False))
def test_the_slope_interval_holds_every_slope_the_bounds_allow(data, random):
    """Any plain readings inside the ends have their Theil-Sen slope between slope_lower and slope_upper."""
    times, lower, upper = data
    _, low, high, _ = one(times, lower, upper)
    inside = np.array([random.uniform(max(a, -20), min(b, 20)) for a, b in zip(lower, upper, strict=True)])
    slope = one(times, inside)[0]
    if not np.isnan(slope):
        assert low - 1e-9 <= slope <= high + 1e-9
