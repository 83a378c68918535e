"""Comparing with the tolerance, printing figures, grouping.

Design: a relative tolerance of 1e-9; 34.8 - 29.8 is 5.
"""

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import special

from grader import frames
from grader.columns import OPEN_LOWER, OPEN_NONE, OPEN_UPPER
from grader.figures import bounds, fixed, limit_figure
from grader.frames import (
    above,
    at_least,
    by_unique,
    group_codes,
    in_little_memory,
    normal_below,
    objects,
    text,
    with_columns,
)


def test_the_difference_of_two_decimals_is_what_it_says():
    assert 34.8 - 29.8 != 5.0
    assert at_least(34.8 - 29.8, 5.0) and not above(5.0, 34.8 - 29.8)


@pytest.mark.parametrize("limit", [0.01, 0.5, 5.0, 500.0, -11.0, -45.5556, 1e6])
def test_tolerance_is_relative(limit):
    near, past = 0.9e-9 * abs(limit), 1.2e-9 * abs(limit)
    assert at_least(limit, limit + near) and not above(limit + near, limit)
    assert not at_least(limit, limit + past) and above(limit + past, limit)


def test_nothing_compares_with_what_is_missing():
    nan = float("nan")
    assert not at_least(nan, 5.0) and not at_least(5.0, nan) and not above(nan, 5.0) and not above(5.0, nan)
    assert above(math.inf, 5.0) and at_least(5.0, -math.inf) and not above(math.inf, math.inf)


@given(st.floats(0.001, 1e5), st.floats(1e-8, 0.5), st.integers(0, 2))
def test_a_figure_never_prints_equal_to_what_it_is_not(value, share, decimals):
    other = value * (1.0 + share)
    assert float(fixed(value, decimals, other)) != float(fixed(other, decimals, value)) or value == other


def test_bounds_print_with_their_sign():
    assert bounds(0.0, 5.0, OPEN_UPPER, floor=0.0) == "<5" and bounds(0.0, 5.0, OPEN_NONE, floor=0.0) == "≤5"
    assert bounds(22.0, 100.0, OPEN_LOWER, ceiling=100.0) == ">22"
    assert bounds(-math.inf, -80.0, OPEN_UPPER, 1) == "<-80.0" and bounds(1.5, 2.5, OPEN_NONE) == "1.5 to 2.5"


@pytest.mark.parametrize(
    "value, shown",
    [
        (5.0, "5"),
        (0.5, "0.5"),
        (-11.0, "-11"),
        (-11.5, "-11.5"),
        (0.0, "0"),
        (17.97390486, "17.97"),
        (-45.55555556, "-45.56"),
        (1000.0, "1000"),
    ],
)
def test_limits_print_as_stated_or_to_four_digits(value, shown):
    assert limit_figure(value) == shown


def test_groups_and_unique_values():
    codes = group_codes(np.array(["a", "b", "a", "a"], dtype=object), np.array([1, 1, 1, 2]))
    assert codes.tolist() == [0, 1, 0, 2]
    assert by_unique(np.array(["a", "b", "a"], dtype=object), str.upper).tolist() == ["A", "B", "A"]
    assert by_unique(np.array([], dtype=object), str.upper).tolist() == []


def test_columns_are_added_or_replaced_and_texts_lose_their_gaps():
    frame = pd.DataFrame({"a": pd.Series(["x", None], index=[4, 7], dtype=object)})
    assert text(frame, "a").tolist() == ["x", ""]
    more = with_columns(frame, {"b": np.array([1, 2]), "a": np.array(["y", "z"])})
    assert more.index.tolist() == [4, 7] and more["a"].tolist() == ["y", "z"] and more["b"].tolist() == [1, 2]


def test_the_normal_distribution_is_scipys():
    """scipy.special.ndtr is the reference, far into both tails; 1e-12 relative."""
    z = np.concatenate([np.linspace(-37.0, 10.0, 4001), [0.0, -0.0, -np.inf, np.inf]])
    np.testing.assert_allclose(normal_below(z), special.ndtr(z), rtol=1e-12, atol=0.0)
    assert normal_below(z.reshape(5, -1)).shape == (5, 801) and np.isnan(normal_below(np.nan))
    assert normal_below(np.array([])).shape == (0,)


@pytest.mark.parametrize("confidence", [0.5, 0.8, 0.93, 0.95, 0.999])
def test_the_normal_quantile_of_the_library_is_scipys(confidence):
    """review/slopes.py takes statistics.NormalDist; scipy.special.ndtri is the reference."""
    tail = (1 - confidence) / 2
    assert NormalDist().inv_cdf(tail) == pytest.approx(special.ndtri(tail), rel=1e-12)


@pytest.mark.parametrize("few", [0, 100])
def test_columns_that_hold_the_same_lie_in_memory_once_and_cannot_be_written_to(few, monkeypatch):
    monkeypatch.setattr(frames, "_FEW", few)
    blank, word = np.full(3, np.nan), np.array(["a", None, "a"], dtype=object)
    columns = {"x": blank, "y": np.full(3, np.nan), "z": np.array([0.0, np.nan, 1.0]), "w": word, "v": word.copy()}
    table = in_little_memory(columns, pd.RangeIndex(3))
    if not few:
        assert np.shares_memory(table["x"].to_numpy(), table["y"].to_numpy())
        assert np.shares_memory(table["w"].to_numpy(), table["v"].to_numpy())
    assert table["z"].tolist()[::2] == [0.0, 1.0] and table["w"].tolist() == ["a", None, "a"]
    assert [str(table[c].dtype) for c in table] == ["float64"] * 3 + ["object"] * 2
    with pytest.raises(ValueError, match="read-only"):
        columns["z"][0] = 1.0
    changed = table.assign(x=1.0)
    assert changed["x"].tolist() == [1.0] * 3 and table["y"].isna().all()


def test_objects_of_equal_figures_are_one_and_nought_has_no_sign():
    made = objects(np.array([0.1 + 0.2, 0.3, 0.1 + 0.2, -0.0, np.nan]))
    assert made[0] is made[2] and made[0] != made[1] and str(made[3]) == "0.0" and math.isnan(made[4])
