"""Kendall's S, its null distribution and the false discovery rate against scipy, tables and enumeration."""

from __future__ import annotations

from itertools import combinations, permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from grader.review.statistics import pairs, ranks
from grader.review.statistics.pairs import LONGEST_SERIES
from grader.review.statistics.ranks import LONGEST_ENUMERATION, Kendall, false_discovery, kendall

INF = np.inf


def one(lower, upper=None, times=None, lower_open=None, upper_open=None):
    """kendall of one series, as plain numbers (s, n, tau, p)."""
    size = len(lower)
    upper = lower if upper is None else upper
    times = np.arange(float(size)) if times is None else times
    no = np.zeros(size, dtype=bool)
    found = kendall(
        np.zeros(size, dtype=int),
        lower,
        upper,
        no if lower_open is None else lower_open,
        no if upper_open is None else upper_open,
        times,
        1,
    )
    return Kendall(*(x[0].item() for x in found))


def certain_order(a, b):
    """1 if b is certainly above a, -1 if certainly below, else 0; a reading is (low, high, open, open)."""
    for sign, (below, over) in ((1, (a, b)), (-1, (b, a))):
        below_open = below[3] and below[0] < below[1]
        over_open = over[2] and over[0] < over[1]
        if over[0] > below[1] or (over[0] == below[1] and (below_open or over_open)):
            return sign
    return 0


def enumerated(readings, times):
    """(S, two-sided p) by trying every order, written apart from the program."""

    def score(order):
        return sum(
            certain_order(order[i], order[j]) for i, j in combinations(range(len(times)), 2) if times[j] > times[i]
        )

    found = score(readings)
    scores = [score(order) for order in permutations(readings)]
    return found, sum(abs(x) >= abs(found) for x in scores) / len(scores)


def order_with_inversions(n, inversions):
    """0 to n - 1 in an order with that many inversions."""
    rest, order = list(range(n)), []
    for left in range(n - 1, -1, -1):
        step = min(inversions, left)
        order.append(rest.pop(step))
        inversions -= step
    return np.array(order, dtype=float)


# Published tables and examples

# W. W. Daniel, Applied Nonparametric Statistics (1989), critical S of Kendall's tau, as reprinted in a
# hand-out (vdoc.tips, "Tabel 11 Uji Tau Kendall"): n, S at one-sided 0.025, S at one-sided 0.005.
DANIEL_CRITICAL_S = [
    (6, 13, 15),
    (7, 15, 19),
    (8, 18, 22),
    (9, 20, 26),
    (10, 23, 29),
    (11, 27, 33),
    (12, 30, 38),
    (13, 34, 44),
    (14, 37, 47),
    (15, 41, 53),
    (16, 46, 58),
    (17, 50, 64),
    (18, 53, 69),
    (19, 57, 75),
    (20, 62, 80),
    (21, 66, 86),
    (22, 71, 91),
    (23, 75, 99),
    (24, 80, 104),
    (25, 86, 110),
    (26, 91, 117),
    (27, 95, 125),
    (28, 100, 130),
    (29, 106, 138),
    (30, 111, 145),
    (31, 117, 151),
    (32, 122, 160),
    (33, 128, 166),
    (34, 133, 175),
    (35, 139, 181),
    (36, 146, 190),
    (37, 152, 198),
    (38, 157, 205),
    (39, 163, 213),
    (40, 170, 222),
]


@pytest.mark.parametrize(("n", "at_025", "at_005"), DANIEL_CRITICAL_S)
def test_critical_values_of_s(n, at_025, at_005):
    """The tabled S is the smallest whose one-sided chance is no more than the heading."""
    pair_count = n * (n - 1) // 2
    for critical, one_sided in ((at_025, 0.025), (at_005, 0.005)):
        at = one(order_with_inversions(n, (pair_count - critical) // 2))
        below = one(order_with_inversions(n, (pair_count - critical) // 2 + 1))
        assert (at.s, below.s) == (critical, critical - 2)
        assert at.p <= 2 * one_sided < below.p


def test_epa_example_with_ties():
    """EPA QA/G-9S, page 109 (figures as quoted in a user guide): S 22, variance 155.33, z 1.685."""
    values = [10.0, 10.0, 10.0, 5.0, 10.0, 20.0, 18.0, 17.0, 15.0, 24.0, 15.0]
    found = one(values)
    assert found.s == 22
    assert found.p == pytest.approx(2 * stats.norm.sf(1.685), rel=2e-3)  # z is printed to 3 decimals
    above = np.array(values)[None, None, :] > np.array(values)[None, :, None]
    later = np.triu(np.ones((1, 11, 11), dtype=bool), k=1)
    variance = ranks._variance(11, *ranks._score_sums(above), *ranks._score_sums(later))
    assert variance[0] == pytest.approx(155.33, abs=0.005)


def test_mauna_loa_rises():
    """Yearly means of carbon dioxide (Keeling and Whorf, in statsmodels) rise in all but few pairs."""
    record = pytest.importorskip("statsmodels.datasets").co2.load_pandas().data["co2"].dropna()
    yearly = record.groupby(record.index.year).mean().to_numpy()
    found, expected = one(yearly), stats.kendalltau(np.arange(len(yearly)), yearly, method="exact")
    assert found.tau == pytest.approx(expected.statistic, rel=1e-12)
    assert found.p == pytest.approx(expected.pvalue, rel=1e-6)
    assert found.tau > 0.98


def test_scipy_example():
    """The example of scipy.stats.kendalltau: tau-b -0.47140452079103173, ties in both variables."""
    times, values = np.array([12.0, 2.0, 1.0, 12.0, 2.0]), np.array([1.0, 4.0, 7.0, 1.0, 0.0])
    order = np.argsort(times, kind="stable")
    assert one(values[order], times=times[order]).tau == pytest.approx(-0.47140452079103173, rel=1e-12)


# Without ties: scipy's exact distribution


@pytest.mark.parametrize("n", [2, 3, 4, 5, 7, 8, 12, 20, 33, 45, 60])
def test_exact_chance_matches_scipy(n):
    """scipy.stats.kendalltau(method="exact"), from one end of S to the other."""
    pair_count = n * (n - 1) // 2
    tried = {0, 1, pair_count // 5, pair_count // 3, pair_count // 2, pair_count - 1, pair_count}
    for inversions in sorted(tried):
        values = order_with_inversions(n, inversions)
        found, expected = one(values), stats.kendalltau(np.arange(n), values, method="exact")
        assert found.s == pair_count - 2 * inversions
        assert found.tau == pytest.approx(expected.statistic, rel=1e-12, abs=1e-15)
        assert found.p == pytest.approx(expected.pvalue, rel=1e-9)


def test_exact_and_normal_meet():
    """Just above the longest exact series the normal approximation is within 3 % of scipy's exact chance."""
    n = ranks.LONGEST_RECURSION + 1
    values = order_with_inversions(n, (n * (n - 1) // 2 - 310) // 2)
    expected = stats.kendalltau(np.arange(n), values, method="exact").pvalue
    assert 0.04 < expected < 0.06
    assert one(values).p == pytest.approx(expected, rel=0.03)


# With ties: scipy, and every order


def test_s_and_tau_match_scipy_with_ties():
    """scipy.stats.kendalltau's tau-b, over series with ties in time and in value, all at once."""
    rng = np.random.default_rng(6)
    lengths = rng.integers(2, 30, 150)
    series = np.repeat(np.arange(150), lengths)
    times = np.concatenate([np.sort(rng.integers(0, n, n)) for n in lengths]).astype(float)
    values = rng.integers(0, 12, times.size).astype(float)
    no = np.zeros(times.size, dtype=bool)
    found = kendall(series, values, values, no, no, times, 150)
    for k in range(150):
        expected = stats.kendalltau(times[series == k], values[series == k]).statistic
        assert found.tau[k] == pytest.approx(expected, rel=1e-12, abs=1e-15, nan_ok=True)
    np.testing.assert_array_equal(found.n, lengths)


def test_permutation_variance_is_kendalls_tie_corrected_one():
    """With ties in both, z of scipy.stats.kendalltau(method="asymptotic") is S over that deviation.

    scipy takes no continuity correction; ours is 1, so z is compared after taking it off S.
    """
    rng = np.random.default_rng(7)
    for n in (8, 9, 13, 21, 40):
        times = np.sort(rng.integers(0, n // 2, n)).astype(float)
        values = times + rng.integers(0, 6, n)
        found = one(values, times=times)
        reference = stats.kendalltau(times, values, method="asymptotic")
        deviation = abs(found.s) / stats.norm.isf(reference.pvalue / 2)
        assert found.p == pytest.approx(2 * stats.norm.sf((abs(found.s) - 1) / deviation), rel=1e-6)


def test_ties_agree_with_scipys_permutation_test():
    """scipy.stats.permutation_test over all 720 orders of six readings with ties."""
    values = np.array([1.0, 2.0, 2.0, 1.0, 3.0, 3.0])

    def statistic(order):
        return stats.kendalltau(np.arange(6), order).statistic

    expected = stats.permutation_test((values,), statistic, permutation_type="pairings", n_resamples=np.inf)
    assert one(values).p == pytest.approx(expected.pvalue, rel=1e-12)


@st.composite
def bounded_reading(draw):
    """(low, high, low end open, high end open), from few whole numbers so that ties are common."""
    low, width = float(draw(st.integers(0, 4))), draw(st.sampled_from([0, 0, 0, 1, 3]))
    unknown = draw(st.sampled_from(["", "", "low", "high"]))
    return (
        -INF if unknown == "low" else low,
        INF if unknown == "high" else low + width,
        draw(st.booleans()),
        draw(st.booleans()),
    )


@st.composite
def bounded_series(draw, longest):
    """(readings, times) with ties, bounds, open ends and days tested twice."""
    size = draw(st.integers(2, longest))
    times = np.sort(draw(st.lists(st.integers(0, 6), min_size=size, max_size=size))).astype(float)
    return draw(st.lists(bounded_reading(), min_size=size, max_size=size)), times


def of_readings(readings, times):
    lower, upper, lower_open, upper_open = (np.array(x) for x in zip(*readings, strict=True))
    return one(lower, upper, times, lower_open, upper_open)


@settings(max_examples=150, deadline=None)
@given(bounded_series(longest=5))
def test_every_order_is_tried(data):
    """S and p against an enumeration written apart, with ties, bounds and equal dates."""
    readings, times = data
    found = of_readings(readings, times)
    score, chance = enumerated(readings, times)
    assert found.s == score
    if times[0] == times[-1]:
        assert np.isnan(found.p)
    else:
        assert found.p == pytest.approx(chance, rel=1e-12)


@pytest.mark.parametrize("seed", range(4))
def test_every_order_of_seven(seed):
    rng = np.random.default_rng(seed)
    low = rng.integers(0, 6, LONGEST_ENUMERATION).astype(float)
    high = low + rng.choice([0, 0, 2], LONGEST_ENUMERATION)
    readings = [(a, b, False, bool(o)) for a, b, o in zip(low, high, rng.integers(0, 2, 7), strict=True)]
    times = np.array([0.0, 1, 1, 2, 3, 4, 5]) if seed % 2 else np.arange(7.0)
    found = of_readings(readings, times)
    score, chance = enumerated(readings, times)
    assert (found.s, found.p) == (score, pytest.approx(chance, rel=1e-12))


@pytest.mark.parametrize("n", [3, 5, 6, 7])
def test_permutation_variance_against_every_order(n):
    """The formula used beyond seven readings, where every order can still be tried; bounds, equal dates."""
    rng = np.random.default_rng(n)
    low = rng.integers(0, 5, (20, n)).astype(float)
    high = low + rng.choice([0, 0, 2], (20, n))
    times = np.sort(rng.integers(0, n, (20, n)), axis=1)
    above, later = low[:, None, :] > high[:, :, None], times[:, None, :] > times[:, :, None]
    found = ranks._variance(n, *ranks._score_sums(above), *ranks._score_sums(later))
    a = above.astype(int) - above.transpose(0, 2, 1)
    b = later.astype(int) - later.transpose(0, 2, 1)
    squares = [
        ((a[:, order][:, :, order] * b).sum(axis=(1, 2)) / 2) ** 2 for order in map(list, permutations(range(n)))
    ]
    np.testing.assert_allclose(found, np.mean(squares, axis=0), rtol=1e-12)


def test_normal_approximation_stays_near_the_truth_with_bounds():
    """`<2` in all but the last three of 12 visits, which read 5, 6, 7.

    Of the 12!/9! = 1320 equally likely places of the three readings two are as far out, so p is 2/1320. The
    approximation is no bolder than that.
    """
    lower = np.array([0.0] * 9 + [5.0, 6.0, 7.0])
    upper = np.array([2.0] * 9 + [5.0, 6.0, 7.0])
    found = one(lower, upper, upper_open=np.array([True] * 9 + [False] * 3))
    assert found.s == 27 + 3
    assert 2 / 1320 <= found.p < 0.01


# Bounds, worked by hand


@pytest.mark.parametrize(
    ("earlier", "later", "score"),
    [
        ((0.0, 2.0, False, True), (2.0, 2.0, False, False), 1),  # <2 then 2
        ((0.0, 2.0, False, False), (2.0, 2.0, False, False), 0),  # ≤2 then 2: may be the same
        ((0.0, 2.0, False, True), (2.0, INF, False, False), 1),  # <2 then ≥2
        ((0.0, 2.0, False, False), (2.0, INF, True, False), 1),  # ≤2 then >2
        ((0.0, 2.0, False, False), (2.0, INF, False, False), 0),  # ≤2 then ≥2
        ((0.0, 2.0, False, True), (0.0, 2.0, False, True), 0),  # <2 twice
        ((60.0, INF, True, False), (60.0, 60.0, False, False), -1),  # >60 then 60
        ((60.0, INF, True, False), (5.0, 5.0, False, False), -1),  # >60 then 5
        ((60.0, INF, True, False), (60.0, INF, True, False), 0),  # >60 twice
        ((-INF, INF, True, True), (5.0, 5.0, False, False), 0),  # nothing known
        ((3.0, 3.0, True, True), (3.0, 3.0, True, True), 0),  # a plain reading has no open end
        ((3.0, 3.0 + 1e-12, True, True), (3.0, 3.0, False, False), 0),  # plain but for rounding
        ((34.8 - 29.8, 34.8 - 29.8, False, False), (5.0, 5.0, False, False), 0),  # 4.99999... is 5
        # R package NADA2, page of cenken: <1 to 10 is an increase, <1 to 0.5 or to <5 a tie.
        ((0.0, 1.0, False, True), (10.0, 10.0, False, False), 1),
        ((0.0, 1.0, False, True), (0.5, 0.5, False, False), 0),
        ((0.0, 1.0, False, True), (0.0, 5.0, False, True), 0),
    ],
)
def test_certain_order_of_two(earlier, later, score):
    found = of_readings([earlier, later], np.array([2024.0, 2025.0]))
    assert (found.s, found.p) == (score, 1.0)  # of two readings both orders are as far out
    assert of_readings([later, earlier], np.array([2024.0, 2025.0])).s == -score


def test_bounds_make_the_test_less_sure():
    """2, 3, 4, 5, 6 has S 10 and p 2/120. With `<4` as the first, only 3 is not above it for certain: S 9.

    As far out are 4, 5, 6 at the end, or 6, 5, 4 at the start, with `<4` and 3 in either order: 4/120.
    """
    assert one([2.0, 3.0, 4.0, 5.0, 6.0]).p == pytest.approx(2 / 120)
    found = one(
        np.array([0.0, 3, 4, 5, 6]),
        np.array([4.0, 3, 4, 5, 6]),
        upper_open=np.array([True, False, False, False, False]),
    )
    assert (found.s, found.p) == (9, pytest.approx(4 / 120))


def test_nothing_certain_is_no_evidence():
    """All `<2`: p is 1 and tau has no value. Long series too."""
    for size in (3, 7, 12):
        found = one(np.zeros(size), np.full(size, 2.0), upper_open=np.ones(size, dtype=bool))
        assert (found.s, found.p) == (0, 1.0)
        assert np.isnan(found.tau)


def test_one_day_is_no_test():
    for size in (2, 5, 9):
        found = one(np.arange(float(size)), times=np.full(size, 2024.5))
        assert found.s == 0
        assert np.isnan(found.tau) and np.isnan(found.p)


# Shape of the input


def test_blocks_do_not_change_the_result(monkeypatch):
    rng = np.random.default_rng(8)
    lengths = rng.integers(0, 12, 80)
    series = np.repeat(np.arange(80), lengths)
    times = np.concatenate([np.sort(rng.integers(0, 9, n)) for n in lengths]).astype(float)
    lower = rng.integers(0, 9, times.size).astype(float)
    upper = lower + rng.choice([0, 0, 0, 2], times.size)
    no, some = np.zeros(times.size, dtype=bool), rng.random(times.size) < 0.5
    together = kendall(series, lower, upper, no, some, times, 80)
    monkeypatch.setattr(pairs, "CELLS_PER_BLOCK", 50)
    for a, b in zip(together, kendall(series, lower, upper, no, some, times, 80), strict=True):
        np.testing.assert_array_equal(a, b)
    for k in np.flatnonzero(lengths):
        own = series == k
        np.testing.assert_array_equal(
            one(lower[own], upper[own], times[own], no[own], some[own]), [x[k] for x in together]
        )


def test_few_or_too_many_readings():
    size = LONGEST_SERIES + 1
    series = np.concatenate([[1], np.full(size, 2)])
    values = np.arange(size + 1.0)
    no = np.zeros(size + 1, dtype=bool)
    found = kendall(series, values, values, no, no, values, 3)
    np.testing.assert_array_equal(found.n, [0, 1, size])
    np.testing.assert_array_equal(found.s, [0, 0, np.nan])
    assert np.isnan(found.tau).all() and np.isnan(found.p).all()
    assert kendall([], [], [], [], [], [], 0).p.shape == (0,)


def test_open_flags_of_another_shape_are_refused():
    with pytest.raises(ValueError, match="open flags"):
        kendall([0, 0], [1.0, 2.0], [1.0, 2.0], [False], [False, False], [1.0, 2.0], 1)


# Properties


@settings(max_examples=150, deadline=None)
@given(bounded_series(longest=10))
def test_reversing_time_turns_s_round(data):
    readings, times = data
    found, back = of_readings(readings, times), of_readings(readings[::-1], -times[::-1])
    assert back.s == -found.s
    np.testing.assert_allclose([back.tau, back.p], [-found.tau, found.p], rtol=1e-12)


@settings(max_examples=150, deadline=None)
@given(bounded_series(longest=10), st.integers(-50, 50), st.sampled_from([0.5, 1.0, 4.0]))
def test_adding_or_scaling_changes_nothing(data, constant, factor):
    readings, times = data
    moved = [(a * factor + constant, b * factor + constant, c, d) for a, b, c, d in readings]
    np.testing.assert_array_equal(of_readings(readings, times), of_readings(moved, times))


@settings(max_examples=150, deadline=None)
@given(bounded_series(longest=10))
def test_results_stay_in_their_ranges(data):
    readings, times = data
    found = of_readings(readings, times)
    assert abs(found.s) <= len(times) * (len(times) - 1) // 2
    assert np.isnan(found.tau) or -1 - 1e-12 <= found.tau <= 1 + 1e-12
    assert np.isnan(found.p) or 0 < found.p <= 1


# False discovery rate


def test_example_of_benjamini_and_hochberg():
    """The 15 chances of Benjamini and Hochberg (1995), as quoted in scipy's documentation: four stand."""
    p = [
        0.0001,
        0.0004,
        0.0019,
        0.0095,
        0.0201,
        0.0278,
        0.0298,
        0.0344,
        0.0459,
        0.3240,
        0.4262,
        0.5719,
        0.6528,
        0.7590,
        1.000,
    ]
    np.testing.assert_array_equal(false_discovery(p), [True] * 4 + [False] * 11)


@settings(max_examples=150, deadline=None)
@given(st.lists(st.floats(0, 1), min_size=1, max_size=40), st.sampled_from([0.01, 0.05, 0.2]))
def test_false_discovery_matches_scipy(p, q):
    """scipy.stats.false_discovery_control, left alone where the two sides differ by rounding only."""
    adjusted = stats.false_discovery_control(p)
    clear = np.abs(adjusted - q) > 1e-12
    np.testing.assert_array_equal(false_discovery(p, q)[clear], (adjusted <= q)[clear])


def test_no_test_is_not_counted():
    """0.03 and 0.04 of two tests stand at 0.05; NaN beside them neither stands nor makes the others fall."""
    found = false_discovery(np.array([[0.03, np.nan], [0.04, np.nan]]))
    np.testing.assert_array_equal(found, [[True, False], [True, False]])
    assert not false_discovery(np.array([np.nan, np.nan])).any()
    assert false_discovery(np.array([])).shape == (0,)


def test_chance_at_its_threshold_stands():
    """Two tests at 0.05: 0.025 for the smaller stands, the next float above it does not."""
    assert false_discovery([0.025, 0.9]).tolist() == [True, False]
    assert false_discovery([np.nextafter(0.025, 1), 0.9]).tolist() == [False, False]


@pytest.mark.parametrize(("p", "q"), [([1.5], 0.05), ([-0.1], 0.05), ([0.5], 0.0), ([0.5], 1.0)])
def test_chances_outside_their_range_are_refused(p, q):
    with pytest.raises(ValueError, match="0 to 1|between 0 and 1"):
        false_discovery(p, q)
