"""The weighted change: run lengths of a printed table, hand-worked cases, bounds, the thresholds, the lines."""

from __future__ import annotations

from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from grader.data import load_toml
from grader.review.statistics.wear import (
    change,
    exponentially_weighted,
    growth_crossing,
    latest_stretch,
    line_crossing,
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


@pytest.mark.parametrize("visits", [5, 8, 16])
def test_steady_series_exceed_the_thresholds_as_seldom_as_the_table_says(visits):
    """200,000 series: 333 and 42 expected beyond, give or take 18 and 6.5; three such, and the table's own two digits."""
    older, up = steady(visits, np.random.default_rng(visits), load_toml("wear.toml"), 200_000)
    for name, level in zip(CHANCES, thresholds()[1:], strict=True):
        beyond = (up > np.interp(older, thresholds()[0], level)).mean()
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
    found = line_crossing(times, values, np.full(4, 9.0))
    for i in range(4):
        have = ~np.isnan(values[i])
        slope, level = np.polyfit(times[i][have], values[i][have], 1)
        assert found[i] == pytest.approx((9.0 - level) / slope)


BENDS = {1.0: 3.0, 2.0: 1.0, 4.0: 1.0, 8.0: 1.0}


def grown(times, values, limit=9.0, scatter=0.1, bends=BENDS, early=0.05, late=0.9):
    k = len(values)
    return growth_crossing(times, values, np.full(k, limit), np.full(k, scatter), bends=bends, early=early, late=late)


def test_what_leads_away_or_has_two_readings_meets_nothing():
    times = np.array([[0.0, 1.0, 2.0]] * 2)
    values = np.array([[3.0, 2.0, 1.0], [1.0, 2.0, np.nan]])
    assert np.isnan(line_crossing(times, values, np.full(2, 9.0))).all()
    assert np.isnan(grown(times, values).latest[1]) and not np.isfinite(grown(times, values).middle[0])
    assert np.isnan(np.array(grown(times[:, :2], values[:, :2]))).all()


def test_a_straight_line_alone_has_the_chances_of_its_slope():
    """One onset, no bend: the day is onset + way / slope with a normal slope (least squares; Fieller 1954 where the level
    is known). Nine equally likely slopes: their second lowest and highest lie at the shares 0.17 and 0.83."""
    times = np.array([[0.0, 1.0, 2.0]])
    found = grown(times, 2.0 * times, scatter=0.3, bends={1.0: 1.0}, early=0.12, late=0.88)
    steep, flat = (2 + z * 0.3 / np.sqrt(2) for z in (1, -1) * np.array(NormalDist().inv_cdf(1 - 1.5 / 9)))
    assert found.middle[0] == pytest.approx(1 + 7 / 2)
    assert (found.earliest[0], found.latest[0]) == pytest.approx((1 + 7 / steep, 1 + 7 / flat))


@pytest.mark.parametrize("bend", [1.0, 2.0, 3.0, 6.0])
def test_growth_without_scatter_is_dated_on_its_day(bend):
    """Level 1 until 2.0, then growth that meets 9 at 5.0: bends that are not among the fitted ones too."""
    times = np.arange(0.0, 4.6, 0.25)[None]
    found = grown(times, 1 + 8 * (np.maximum(times - 2, 0) / 3) ** bend, scatter=0.02)
    assert found.earliest[0] <= 5.1 and found.latest[0] >= 4.9 and found.middle[0] == pytest.approx(5.0, abs=0.15)


def test_the_interval_holds_the_day_as_often_as_it_says_whatever_the_shape():
    """Shares 0.05 to 0.9; straight is the likelier beforehand, so what bends is held somewhat less often early on."""
    rng, k = np.random.default_rng(8), 400
    times = np.tile(np.arange(0.0, 3.1, 0.25), (k, 1))
    for bend, least in ((1.0, 0.8), (2.0, 0.8), (4.0, 0.7)):
        onset = rng.uniform(0.5, 1.5, (k, 1))
        truth = 4.0
        values = 1 + 8 * (np.maximum(times - onset, 0) / (truth - onset)) ** bend + rng.normal(0, 0.4, times.shape)
        found = grown(times, values, scatter=0.4)
        held = (found.earliest <= truth) & (found.latest >= truth)
        assert least <= held.mean() < 0.99


@pytest.mark.parametrize("move", [{"limit": 12.0}, {"scatter": 0.5}])
def test_a_farther_limit_comes_later_and_more_scatter_is_less_sure(move):
    times = np.arange(0.0, 3.1, 0.25)[None]
    values = 1 + np.maximum(times - 1, 0)
    near, other = grown(times, values), grown(times, values, **move)
    assert other.latest > near.latest
    assert (other.earliest > near.earliest) if "limit" in move else (other.earliest < near.earliest)


def test_arrays_of_different_shapes_are_refused():
    with pytest.raises(ValueError, match="one shape"):
        one([1, 2, 3], upper=[1, 2])
