"""The weighted change: run lengths of a printed table, hand-worked cases, bounds, the thresholds, the lines."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from grader.data import load_toml
from grader.review.statistics.wear import (
    change,
    crossing,
    exponentially_weighted,
    latest_stretch,
    recent_readings,
    usual_scatter,
)
from grader.review.wear.table import thresholds
from tests.bench.make_thresholds import CHANCES, steady

# Lucas and Saccucci, Technometrics 32 (1990) 1-12, Table 3: average run lengths of a two-sided exponentially weighted
# mean with lambda 0.5 and limits of 3.071 of its own standard deviations, by shift in standard deviations. The figures
# are as quoted in the manual page xewma.arl of the R package spc (CRAN), which was read; the paper itself was not.
LUCAS_SACCUCCI_3 = {1.0: 17.5, 1.5: 6.53, 2.0: 3.63, 3.0: 1.93, 4.0: 1.34}


@pytest.mark.parametrize("shift", LUCAS_SACCUCCI_3)
def test_run_lengths_of_the_weighted_mean_are_those_of_the_printed_table(shift):
    """20,000 simulated runs: the standard error is below 1 % (a run length scatters about as much as it is long)."""
    weight, limit = 0.5, 3.071 * np.sqrt(0.5 / 1.5)
    values = np.random.default_rng(1990).normal(shift, 1.0, (20_000, 160))
    length = np.full(len(values), values.shape[1])
    running = np.arange(len(values))
    for step in range(1, values.shape[1] + 1):
        # The mean forgets: what lies 30 readings back weighs less than 1e-9.
        out = np.abs(exponentially_weighted(values[running, max(0, step - 30) : step], weight)) > limit
        length[running[out]] = step
        running = running[~out]
    assert len(running) <= 10  # 160 readings are enough for a run length of 17.5
    assert length.mean() == pytest.approx(LUCAS_SACCUCCI_3[shift], rel=0.03)


@pytest.mark.parametrize("name, column", [("worse", 1), ("wearing_out", 2)])
@pytest.mark.parametrize("visits", [5, 8, 16])
def test_steady_series_exceed_the_thresholds_as_seldom_as_the_table_says(name, column, visits):
    """300,000 series: 500 and 62 expected beyond, give or take 22 and 8; four such, and the table's own two digits."""
    older, up = steady(visits, np.random.default_rng(visits), load_toml("wear.toml"), 300_000)
    beyond = (up > np.interp(older, thresholds()[0], thresholds()[column])).mean()
    assert 0.5 * CHANCES[name] < beyond < 1.5 * CHANCES[name]


def one(values, upper=None, least=0.0, stretch=None, recent=2):
    values = np.asarray(values, dtype=float)
    upper = values if upper is None else np.asarray(upper, dtype=float)
    series = np.zeros(len(values), dtype=int)
    stretch = series if stretch is None else np.asarray(stretch)
    found = change(
        series,
        stretch,
        values,
        upper,
        np.array([least]),
        1,
        weight=0.5,
        slack=0.5,
        recent=lambda n: np.full(n.shape, recent),
    )
    return {name: float(value[0]) for name, value in found._asdict().items()}


def test_a_change_by_hand():
    """Older 1, 2, 1, 2: median 1.5; differences 1, 1, 1: variance 1/2. Then 4 and 5 above it by 2.5 and 3.5."""
    found = one([1, 2, 1, 2, 4, 5])
    assert (found["usual_low"], found["now_low"], found["older"]) == (1.5, 4.5, 4)
    assert found["scatter"] == pytest.approx(np.sqrt(0.5))
    assert found["up"] == pytest.approx((0.5 * 3.5 + 0.25 * 2.5) / np.sqrt(0.5)) and found["down"] == 0
    assert found["shown_up"] == 3  # the 2 before lay 0.7 scatters up already


def test_the_scatter_is_never_less_than_stated_and_pools_its_stretches():
    assert one([1, 2, 1, 2, 4, 5], least=3.0)["scatter"] == 3.0
    scatter, pairs = usual_scatter(
        np.zeros(5, int), np.array([0, 0, 1, 1, 1]), np.array([1.0, 3.0, 9.0, 9.0, 13.0]), np.ones(5, bool), 1
    )
    assert pairs[0] == 3 and scatter[0] == pytest.approx(np.sqrt((4 + 0 + 16) / 6))


def test_work_begins_the_level_anew_and_keeps_the_scatter():
    found = one([1, 2, 1, 2, 8, 8, 8, 8], stretch=[0, 0, 0, 0, 1, 1, 1, 1])
    assert found["usual_low"] == 8 and found["older"] == 2 and found["up"] == 0 and found["scatter"] > 0


def test_bounds_count_only_as_far_as_they_are_certain():
    low, high = [0, 0, 0, 0, 1.5, 1.5], [1, 1, 1, 1, 1.5, 1.5]
    assert one(low, high, least=0.1)["up"] == pytest.approx(0.75 * 0.5 / 0.1)
    assert one(low, [1, 1, 1, 1, 2.0, np.inf], least=0.1)["up"] == one(low, high, least=0.1)["up"]
    assert one([0] * 6, [1, 1, 1, 1, 0.9, 0.9], least=0.1)["up"] == 0


@given(st.lists(st.floats(0, 5), min_size=5, max_size=12), st.lists(st.floats(0, 3), min_size=12, max_size=12))
def test_a_wider_reading_never_makes_a_change_surer(values, widths):
    values, widths = np.array(values), np.array(widths[: len(values)])
    plain, wide = one(values, least=0.5), one(values - widths, values + widths, least=0.5)
    if plain["scatter"] == wide["scatter"] or wide["scatter"] <= plain["scatter"]:
        # A bound adds nothing to the own scatter, so only the stated one stands; compare in units, not in scatters.
        assert wide["up"] * wide["scatter"] <= plain["up"] * plain["scatter"] + 1e-9
        assert wide["down"] * wide["scatter"] <= plain["down"] * plain["scatter"] + 1e-9


def test_the_latest_readings_of_each_series_in_their_columns():
    window = latest_stretch(np.array([0, 0, 2]), np.array([0, 0, 5]), 3)
    assert window.at.tolist() == [[0, 1], [-1, -1], [-1, 2]] and window.size.tolist() == [2, 0, 1]
    assert latest_stretch([], [], 2).at.shape == (2, 0)


def test_how_many_are_recent():
    data = load_toml("wear.toml")
    found = recent_readings(np.arange(5, 25), data["recent_fewest"], data["recent_most"], data["recent_share"])
    assert found.min() == data["recent_fewest"] and found.max() == data["recent_most"]


def test_a_line_meets_the_limit_as_polyfit_has_it():
    rng = np.random.default_rng(3)
    times = np.sort(rng.random((4, 7)), axis=1) * 2
    values = 1 + 2 * times + rng.normal(0, 0.2, times.shape)
    values[1, 0] = np.nan
    found = crossing(times, values, np.full(4, 9.0), np.zeros(4), early=1.0, late=1.0)
    for i in range(4):
        have = ~np.isnan(values[i])
        slope, level = np.polyfit(times[i][have], values[i][have], 1)
        assert found.best[i] == pytest.approx((9.0 - level) / slope)
    assert (found.earliest < found.best).all() and (found.best < found.latest).all()


def test_a_line_that_leads_away_or_has_two_readings_meets_nothing():
    times = np.array([[0.0, 1.0, 2.0]] * 2)
    found = crossing(
        times, np.array([[3.0, 2.0, 1.0], [1.0, 2.0, np.nan]]), np.full(2, 9.0), np.zeros(2), early=1, late=1
    )
    assert np.isnan(found.best).all() and np.isnan(found.earliest).all() and np.isnan(found.latest).all()


def test_arrays_of_different_shapes_are_refused():
    with pytest.raises(ValueError, match="one shape"):
        one([1, 2, 3], upper=[1, 2])
