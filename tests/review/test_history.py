"""What counts in history, outlets and their order, distances to limits, and the queries of history."""

from __future__ import annotations

import numpy as np
import pytest

from grader import decided
from grader.columns import DOUBTS, FAIL, PARAMETERS, TEST_FAIL, TEST_INCOMPLETE, TEST_NEAR, TEST_PASS
from grader.problems import Problems
from grader.review.history import (
    FIGURE_STANDS,
    HISTORY,
    counting,
    left_out,
    months_after,
    old_sources,
    outlets,
    readings,
    slips,
)
from grader.review.shown import limit_cells, shown
from grader.review.slipped import one_slip, slip_pairs
from grader.words import words
from tests.review.tables import judged


def days(*texts):
    return np.array(texts, dtype="datetime64[D]")


def batch(problems, code):
    """The only batch of problems with that code."""
    found = [b for b in problems.batches if b.code == code]
    assert len(found) == 1
    return found[0]


# What counts


@pytest.mark.parametrize(
    "change",
    [
        {"visited": False},
        {"dated": False},
        {"day": None},
        {"replaced": True},
        {"repeat_of": 0},
        {"outlet_given": False},
    ],
)
def test_what_does_not_count(change):
    tests = judged([{"day": "2025-01-10", "co": 1.0}, {"day": "2025-04-10", "co": 2.0, **change}])
    assert counting(tests).tolist() == [True, False]


def test_a_nameless_outlet_counts_where_names_do_not_matter():
    tests = judged([{"day": "2025-01-10", "outlet_given": False}])
    assert counting(tests, named=False).tolist() == [True]


def test_of_a_conflict_the_worst_counts_and_of_equals_the_first():
    """Design, Verdicts: worse means fail > incomplete > near limit > pass."""
    kinds = [(TEST_PASS, TEST_NEAR), (TEST_NEAR, TEST_INCOMPLETE), (TEST_INCOMPLETE, TEST_FAIL), (TEST_PASS, TEST_PASS)]
    rows = [
        {"day": "2025-01-10", "outlet": f"Bay {i}", "conflict": True, "same_day": i, "verdict": v}
        for i, pair in enumerate(kinds)
        for v in pair
    ]
    assert counting(judged(rows)).tolist() == [False, True, False, True, False, True, True, False]


def test_a_superseded_test_counts_but_is_never_the_last():
    tests = judged(
        [
            {"day": "2025-01-10", "verdict": TEST_PASS, "visit_reason": "retest"},
            {"day": "2025-01-10", "verdict": TEST_FAIL, "superseded": True},
        ]
    )
    counts = counting(tests)
    assert counts.tolist() == [True, True]
    assert outlets(tests, counts).last.tolist() == [0]


def test_outlets_stand_in_natural_order_with_the_latest_spelling():
    tests = judged(
        [
            {"day": "2025-01-10", "outlet": "Bay 10"},
            {"day": "2025-01-10", "outlet": "BAY 9"},
            {"day": "2025-04-10", "outlet": "Bay 9"},
            {"day": "2025-01-10", "site": "Annexe", "outlet": "Z"},
        ]
    )
    found = outlets(tests, counting(tests))
    assert found.outlet.tolist() == ["Z", "Bay 9", "Bay 10"]
    assert found.of_test.tolist() == [2, 1, 1, 0]


def test_an_implausible_or_expired_reading_takes_no_part_in_slopes():
    stands = dict(zip(DOUBTS, FIGURE_STANDS.tolist()))
    assert stands["none"] and stands["need_unreadable"]
    assert not any(
        stands[d]
        for d in ("expired_tube", "implausible", "calibration_overdue", "oil_sampling_short", "multiplier_missing")
    )


# Calendar months


@pytest.mark.parametrize(
    ("day", "months", "then"),
    [
        ("2025-01-31", 1, "2025-02-28"),
        ("2024-01-31", 1, "2024-02-29"),
        ("2025-11-30", 3, "2026-02-28"),
        ("2025-08-31", 6, "2026-02-28"),
        ("2025-12-31", 3, "2026-03-31"),
        ("2024-02-29", 12, "2025-02-28"),
        ("2025-05-15", 0, "2025-05-15"),
        ("2031-02-28", -60, "2026-02-28"),
        ("2028-02-29", -60, "2023-02-28"),
    ],
)
def test_months_after(day, months, then):
    assert months_after(days(day), months).astype(str).tolist() == [then]


def test_months_after_keeps_what_is_not_known():
    assert np.isnat(months_after(days("NaT"), np.array([3])))[0]


# Distances and cells


def row_of(read, key):
    return int(np.flatnonzero(read.of_parameter(key))[0])


def test_distance_to_limit_is_at_the_adverse_end_and_for_oxygen_the_smaller_side():
    """Worked by hand: 5 - 3; 5 less the upper end of <4; nothing left of >60; oxygen between 20 and 22."""
    tests = judged(
        [
            {"day": "2025-01-10", "co": 3.0, "oxygen": 21.5},
            {"day": "2025-04-10", "co": "<4", "oxygen": 20.2},
            {"day": "2025-07-10", "co": ">60", "oxygen": 19.0},
        ]
    )
    read = readings(tests)
    assert read.distance[read.row == row_of(read, "co")].tolist() == [2.0, 1.0, -np.inf]
    assert read.distance[read.row == row_of(read, "oxygen")] == pytest.approx([0.5, 0.2, -1.0])


def test_without_a_limit_high_is_worst_for_gases_and_dew_point_low_for_flow():
    rows = [
        {"day": f"2025-0{m}-10", "flow": f, "pressure_dew_point": d, "co": c, "high_co": np.nan}
        for m, f, d, c in ((1, 200.0, -5.0, 1.0), (4, 150.0, -9.0, 3.0))
    ]
    read = readings(judged(rows))
    for key, worst in (("flow", 1), ("pressure_dew_point", 0), ("co", 1)):
        assert int(np.argmin(read.distance[read.row == row_of(read, key)])) == worst


def test_a_limit_missing_at_one_test_is_the_rows_latest():
    """The content decided water only once: 60 without a limit of its own is held against that one, 50."""
    rows = [
        {"day": "2025-01-10", "water": 60.0},
        {"day": "2025-04-10", "water": 20.0, "water_by": decided.BY_CONTENT, "high_water": 50.0},
    ]
    read = readings(judged(rows))
    assert read.distance.tolist() == [-10.0, 30.0]


def test_a_dew_point_judged_by_margin_has_its_limit_at_the_coldest_place_seen():
    """Lowest use temperature 2 °C, seen once, less a margin of 5 K: -3 °C for every test."""
    rows = [
        {
            "day": "2025-01-10",
            "pressure_dew_point": -20.0,
            "margin": 22.0,
            "use_temperature_c": 2.0,
            "margin_needed_k": 5.0,
        },
        {
            "day": "2025-07-10",
            "pressure_dew_point": -20.0,
            "margin": 40.0,
            "use_temperature_c": 20.0,
            "margin_needed_k": 5.0,
        },
    ]
    read = readings(judged(rows))
    assert read.limit_high[row_of(read, "pressure_dew_point")] == -3.0
    assert read.limit_low[row_of(read, "margin")] == 5.0


def test_a_fail_without_a_figure_makes_a_row_of_water_only():
    read = readings(judged([{"day": "2025-01-10", "verdict_water": FAIL, "verdict": TEST_FAIL}]))
    assert [HISTORY[p].key for p in read.parameter] == ["water"]
    assert read.distance.tolist() == [-np.inf]


def test_bounds_are_shown_with_their_sign_and_computed_ones_with_few_digits():
    lower = np.array([4.0, 0.0, 0.0, 60.0, np.nan, 1.5])
    upper = np.array([4.0, 2.0, 2.0, np.inf, np.nan, 2.5])
    open_ = np.array([0, 2, 0, 1, 0, 0])
    assert shown(lower, upper, open_, PARAMETERS["co"]).tolist() == [4.0, "<2", "≤2", ">60", None, "1.5 to 2.5"]
    dew = shown(np.array([-np.inf]), np.array([-23.456789012]), np.array([2]), PARAMETERS["pressure_dew_point"])
    assert dew.tolist() == ["<-23.46"]


def test_limits_are_shown_as_number_or_band():
    assert limit_cells(np.array([20.0, np.nan, 170.0, np.nan]), np.array([22.0, 5.0, np.nan, np.nan])).tolist() == [
        "20 to 22",
        5.0,
        170.0,
        None,
    ]


# Left out


def visits(*rows):
    return judged([{"day": d, "outlet": o, **more} for d, o, more in rows])


def test_an_outlet_left_out_of_the_latest_periodic_visit_is_queried_where_that_visit_says_its_date():
    tests = visits(("2025-01-10", "Bay 1", {}), ("2025-01-10", "Bay 2", {}), ("2025-04-10", "Bay 1", {}))
    problems = Problems()
    assert left_out(tests, problems).tolist() == [1]
    query = batch(problems, "left_out")
    assert (
        query.tests == [2] and query.field_name == "test_date" and query.params["visit_day"].tolist() == ["2025-04-10"]
    )


@pytest.mark.parametrize("latest", ["retest", "after repair", "first use", "other"])
def test_only_periodic_visits_leave_an_outlet_out(latest):
    tests = visits(
        ("2025-01-10", "Bay 1", {}), ("2025-01-10", "Bay 2", {}), ("2025-04-10", "Bay 1", {"visit_reason": latest})
    )
    assert left_out(tests, Problems()).tolist() == []


def test_a_visit_without_reason_is_taken_as_periodic():
    tests = visits(
        *(
            (d, o, {"visit_reason": ""})
            for d, o in (("2025-01-10", "Bay 1"), ("2025-01-10", "Bay 2"), ("2025-04-10", "Bay 1"))
        )
    )
    assert left_out(tests, Problems()).tolist() == [1]


@pytest.mark.parametrize("status", ["removed", "locked off"])
def test_a_removed_or_locked_outlet_is_not_left_out(status):
    tests = visits(
        ("2025-01-10", "Bay 1", {}),
        ("2025-01-10", "Bay 2", {}),
        ("2025-02-10", "Bay 2", {"visited": False, "outlet_status": status, "visit_reason": "other"}),
        ("2025-04-10", "Bay 1", {}),
    )
    assert left_out(tests, Problems()).tolist() == []


def test_an_outlet_named_without_a_reading_or_tested_later_is_not_left_out():
    tests = visits(
        ("2025-01-10", "Bay 1", {}),
        ("2025-01-10", "Bay 2", {}),
        ("2025-01-10", "Bay 3", {}),
        ("2025-04-10", "Bay 1", {}),
        ("2025-04-10", "Bay 2", {"visited": False}),
        ("2025-05-02", "Bay 3", {"visit_reason": "after repair"}),
    )
    assert left_out(tests, Problems()).tolist() == []


def test_another_sites_visit_leaves_nothing_out():
    tests = visits(("2025-01-10", "Bay 1", {}), ("2025-04-10", "Bay 9", {"site": "Quarry"}))
    assert left_out(tests, Problems()).tolist() == []


# Slips


@pytest.mark.parametrize(
    ("a", "b", "alike"),
    [
        ("Bay 3", "Bya 3", True),
        ("Bay 3", "Bay 4", False),
        ("Bay 3", "Bya 4", False),
        ("Workshop 1", "Work shop 1", True),
        ("Booth 2", "Both 2", True),
        ("Booth 2", "Boothe 2", True),
        ("Bay A", "Bay B", False),
        ("North", "South", False),
        ("Bay 13", "Bay 31", False),
        ("Bay 3 left", "Bay 3 lefy", True),
        ("Line N", "Line S", False),
        ("Bay 1-1", "Bay 11", False),
    ],
)
def test_names_that_look_like_slips_are_queried_once_with_both_names(a, b, alike):
    tests = judged(
        [{"day": "2025-01-10", "outlet": a}, {"day": "2025-04-10", "outlet": a}, {"day": "2025-07-10", "outlet": b}]
    )
    problems = Problems()
    found = slips(tests, problems)
    assert found == ([(b, a)] if alike else [])
    if alike:
        query = batch(problems, "name_slip")
        assert query.tests == [2]
        assert (query.params["name"].tolist(), query.params["other"].tolist()) == ([b], [a])


def test_slips_stay_within_one_site():
    tests = judged(
        [{"day": "2025-01-10", "outlet": "Bay 3"}, {"day": "2025-01-10", "outlet": "Bya 3", "site": "Quarry"}]
    )
    assert slips(tests, Problems()) == []


@pytest.mark.parametrize(
    ("a", "b", "slip"),
    [
        ("bay", "bya", True),
        ("bay", "ba", True),
        ("bay", "bayy", True),
        ("bay", "bat", True),
        ("bay", "bay", False),
        ("bay", "yab", False),
        ("abcd", "badc", False),
        ("a", "b", True),
        ("", "a", True),
    ],
)
def test_one_slip(a, b, slip):
    """Edit distance with swaps of neighbours (Damerau, Commun. ACM 7 (1964) 171-176, from memory) is 1."""
    assert one_slip(a, b) is slip and one_slip(b, a) is slip


def test_many_names_of_one_site_are_compared_quickly_enough_to_finish():
    keys = [f"bay|{i}" for i in range(3000)] + ["bya|7"]
    assert slip_pairs(["s"] * 3001, keys, [2] * 3000 + [1]) == [(3000, 7)]


# Keeping


def test_sources_older_than_five_years():
    """COSHH 2002 reg. 9(4): at least 5 years; the day itself is still within."""
    tests = judged(
        [
            {"day": "2021-03-09", "file": 0},
            {"day": "2021-03-10", "file": 1},
            {"day": "2020-01-01", "file": 2},
            {"day": "2025-01-01", "file": 2},
            {"day": None, "file": 3},
        ]
    )
    assert old_sources(tests, 5, as_of="2026-03-10").tolist() == [True, False, False, False, False]


def test_an_empty_table_has_no_history():
    tests = judged([])
    problems = Problems()
    assert counting(tests).tolist() == []
    assert left_out(tests, problems).tolist() == [] and slips(tests, problems) == []
    assert old_sources(tests, 1, as_of="2026-01-01").tolist() == [False]
    assert problems.batches == []


def test_every_problem_has_words():
    found = words()["problem"]
    for code in ("left_out", "name_slip", "series_too_long", "interval_not_used", "interval_longer"):
        entry = found[code]
        assert entry["severity"] in ("query", "note") and entry["text"] and entry["todo"]


def test_a_page_of_text_as_a_name_costs_no_memory():
    """A name of 10,000 words took 6 GB: every letter left out once makes a name of its own."""
    import tracemalloc

    from grader.review.slipped import slip_pairs

    page = "|".join(["word"] * 10_000)
    tracemalloc.start()
    assert slip_pairs(["s"] * 4, [page, page + "|x", "bay|1", "bya|1"], [1, 1, 5, 1]) == [(3, 2)]
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 10_000_000
