"""Years and Sites: medians with bounds by hand, worst, fails, change; pass rates."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from grader.columns import FAIL, OPEN_UPPER, TEST_FAIL, TEST_INCOMPLETE, TEST_NEAR
from grader.review.due import due_table
from grader.review.sites import sites_table
from grader.review.years import years_table
from tests.review.tables import judged


def year_of(values, year=2025, key="co", **more):
    """One outlet with these readings in one year, a month apart."""
    return [{"day": f"{year}-{m:02d}-10", key: v, **more} for m, v in enumerate(values, start=1)]


def one(rows, parameter="Carbon monoxide"):
    table = years_table(judged(rows))
    return table[(table["Parameter"] == parameter) & (table["Level"] == "outlet")].iloc[0]


def sites_of(rows, as_of="2025-12-31"):
    tests = judged(rows)
    return sites_table(tests, due_table(tests, as_of=as_of), as_of=as_of)


def test_columns():
    table = years_table(judged(year_of([1.0], 2024) + year_of([2.0], 2026)))
    assert list(table.columns)[:13] == [
        "Site",
        "Outlet",
        "Parameter",
        "Unit",
        "2024 tests",
        "2024 median",
        "2024 worst",
        "2024 fails",
        "2026 tests",
        "2026 median",
        "2026 worst",
        "2026 fails",
        "Change on year before",
    ]


@pytest.mark.parametrize(
    ("values", "median"),
    [
        ([1.0, 2.0, 4.0], 2.0),
        ([1.0, 2.0, 3.0, 4.0], 2.5),
        (["<2", "<2", "<2"], "<2"),
        (["<2", "≤2", "≤2"], "≤2"),
        (["<2", "<2", "≤2"], "<2"),
        ([1.0, "<2", "≤2"], "<2"),  # upper ends 1, just below 2, 2
        ([">3", "≥3", 9.0], ">3"),  # lower ends 3, just above 3, 9
        (["<2", 3.0, 4.0], 3.0),  # ends 0, 3, 4 and 2, 3, 4: both 3
        (["<2", 3.0], "1.5 to 2.5"),  # ends 0, 3 and 2, 3: means 1.5 and 2.5
        ([1.0, "<3", 5.0], "1 to 3"),  # ends 0, 1, 5 and 1, 3, 5
        ([">60", ">60", 1.0], ">60"),
        ([1.0, 2.0, ">60"], 2.0),
        ([1.0, ">60"], ">30.5"),  # halfway between 1 and anything above 60
    ],
)
def test_medians_with_bounds(values, median):
    assert one(year_of(values))["2025 median"] == median


@pytest.mark.parametrize(
    ("values", "worst"),
    [
        ([1.0, 4.0, 2.0], 4.0),
        ([1.0, "<4", 2.0], "<4"),
        ([1.0, "<2", 2.0], 2.0),
        ([">60", 90.0], ">60"),
        (["<5", 5.0], 5.0),
    ],
)
def test_worst_is_the_smallest_distance_at_the_adverse_end(values, worst):
    assert one(year_of(values))["2025 worst"] == worst


def test_worst_oxygen_is_the_smaller_of_both_sides():
    assert one(year_of([20.9, 21.8, 20.3], key="oxygen"), "Oxygen")["2025 worst"] == 21.8
    assert one(year_of([20.9, 21.6, 19.4], key="oxygen"), "Oxygen")["2025 worst"] == 19.4


def test_worst_flow_is_the_lowest():
    assert one(year_of([200.0, 160.0, 180.0], key="flow", low_flow=170.0), "Flow")["2025 worst"] == 160.0


def test_a_median_of_dew_points_without_a_lower_end():
    dry = (-np.inf, -40.0, OPEN_UPPER)
    row = one(year_of([dry, dry, -30.0], key="pressure_dew_point"), "Pressure dew point")
    assert (row["2025 median"], row["2025 worst"]) == ("<-40", -30.0)


def test_both_visits_of_one_month_count():
    row = one([{"day": "2025-01-10", "co": 1.0}, {"day": "2025-01-28", "co": 9.0, "verdict_co": FAIL}])
    assert (row["2025 tests"], row["2025 median"], row["2025 worst"], row["2025 fails"]) == (2, 5.0, 9.0, 1)


def test_tests_are_those_with_a_reading_or_a_fail():
    rows = [
        {"day": "2025-01-10", "water": 30.0},
        {"day": "2025-02-10", "water": "?"},
        {"day": "2025-03-10"},
        {"day": "2025-04-10", "verdict_water": FAIL},
    ]
    row = one(rows, "Water")
    assert (row["2025 tests"], row["2025 fails"], row["2025 worst"]) == (2, 1, 30.0)


def test_change_on_year_before_is_of_the_medians():
    row = one(year_of([1.0, 2.0, 3.0], 2024) + year_of([2.5, 4.5], 2025))
    assert (row["Change on year before"], row["Years compared"]) == (1.5, "2024 to 2025")


@pytest.mark.parametrize("before", [["<2", "<2"], []])
def test_change_is_blank_for_a_bound_or_nothing_before(before):
    assert np.isnan(one(year_of(before, 2024) + year_of([2.5], 2025))["Change on year before"])


def test_a_gap_is_no_year_before():
    row = one(year_of([1.0], 2023) + year_of([2.5], 2025))
    assert np.isnan(row["Change on year before"]) and row["Years compared"] == ""


def test_change_is_of_the_rows_own_latest_year():
    rows = (
        year_of([1.0], 2023, outlet="Bay 1")
        + year_of([4.0], 2024, outlet="Bay 1")
        + year_of([1.0], 2026, outlet="Bay 2")
    )
    row = one(rows)
    assert (row["Change on year before"], row["Years compared"]) == (3.0, "2023 to 2024")


def test_conflicts_repeats_and_replaced_tests_count_once_or_not():
    rows = [
        {"day": "2025-01-10", "co": 1.0, "conflict": True, "same_day": 0},
        {"day": "2025-01-10", "co": 7.0, "conflict": True, "same_day": 0, "verdict": TEST_FAIL, "verdict_co": FAIL},
        {"day": "2025-01-10", "co": 7.0, "repeat_of": 1},
        {"day": "2025-02-10", "co": 9.0, "replaced": True},
    ]
    row = one(rows)
    assert (row["2025 tests"], row["2025 median"], row["2025 fails"]) == (1, 7.0, 1)


def test_a_retest_of_the_day_counts_beside_what_it_supersedes():
    rows = [
        {"day": "2025-01-10", "co": 9.0, "superseded": True, "verdict_co": FAIL},
        {"day": "2025-01-10", "co": 1.0, "visit_reason": "retest"},
    ]
    row = one(rows)
    assert (row["2025 tests"], row["2025 fails"], row["2025 worst"]) == (2, 1, 9.0)


def test_an_empty_history():
    assert len(years_table(judged([]))) == 0 and len(sites_of([])) == 0
    assert list(years_table(judged([])).columns)[:5] == ["Site", "Outlet", "Parameter", "Unit", "Change on year before"]


# Sites


def test_pass_rate_counts_near_limit_as_pass_and_incomplete_not():
    rows = [
        {"day": "2025-01-10", "outlet": f"Bay {i}", "verdict": v, "verdict_oil": FAIL if v == TEST_FAIL else 0}
        for i, v in enumerate((0, 0, TEST_NEAR, TEST_INCOMPLETE, TEST_FAIL, TEST_FAIL))
    ]
    rows += [{"day": "2024-01-10"}, {"day": "2025-06-10", "site": "Quarry"}]
    table = sites_of(rows).set_index("Site")
    mill = table.loc["Mill"]
    assert (mill["2025 tests"], mill["2025 pass rate (%)"], mill["2025 incomplete"], mill["2025 fails"]) == (
        6,
        50,
        1,
        2,
    )
    assert mill["2025 fails: Oil"] == 2 and mill["2024 pass rate (%)"] == 100
    assert table.loc["Quarry", "2024 tests"] == 0 and np.isnan(table.loc["Quarry", "2024 pass rate (%)"])
    assert not any("Oxygen" in c for c in table.columns)


def test_the_firm_stands_above_its_sites_and_what_is_out_of_use_first():
    rows = [
        {"day": "2025-10-10", "site": "Good", "outlet": "1"},
        {"day": "2024-12-10", "site": "Late", "outlet": "1"},
        {"day": "2024-10-10", "site": "Bad", "outlet": "1"},
        {"day": "2025-11-10", "site": "Bad", "outlet": "1", "verdict": TEST_FAIL, "verdict_oil": FAIL},
        {"day": "2025-11-10", "site": "Bad", "outlet": "2"},
    ]
    table = sites_of(rows)
    assert table["Site"].tolist() == ["all sites", "Bad", "Late", "Good"]
    bad, firm = table.iloc[1], table.iloc[0]
    assert (bad["Pass rate last 12 months (%)"], bad["Pass rate 12 months before (%)"], bad["Difference"]) == (
        50,
        100,
        -50,
    )
    assert (bad["Worst parameter"], bad["Out of use"], bad["Overdue"]) == ("Oil", 1, 0)
    assert (firm["Out of use"], firm["Overdue"], firm["2025 tests"], firm["Worst parameter"]) == (1, 1, 3, "Oil")
    late = table.iloc[2]
    assert np.isnan(late["Pass rate last 12 months (%)"]) and late["Worst parameter"] == ""


def test_years_by_system_site_and_firm():
    rows = year_of([1.0, 3.0], system="Ring") + year_of([5.0], outlet="Bay 2", system="Ring", verdict_co=FAIL)
    rows += year_of([2.0], site="Quarry", high_co=10.0)
    table = years_table(judged(rows))
    co = table[table["Parameter"] == "Carbon monoxide"].set_index("Level")
    assert co.index.tolist() == ["outlet", "outlet", "outlet", "system", "site", "site", "firm"]
    firm, system = co.loc["firm"], co.loc["system"]
    assert (firm["Site"], firm["2025 tests"], firm["2025 median"], firm["2025 fails"]) == ("all sites", 4, 2.5, 1)
    assert (system["System"], system["Outlet"], system["2025 worst"], system["2025 median"]) == ("Ring", "", 5.0, 3.0)
    assert system["Limit"] == 5.0 and np.isnan(firm["Limit"])


def test_groups_taken_few_at_a_time_make_the_same_table(monkeypatch):
    rows = [
        {"site": f"S{i % 3}", "outlet": f"O{i % 5}", "day": f"202{4 + i % 2}-0{1 + i % 9}-01", "co": i / 8, "oil": 0.1}
        for i in range(40)
    ]
    tests = judged(rows)
    whole = years_table(tests)
    monkeypatch.setattr("grader.review.years.MOST", 3)
    pd.testing.assert_frame_equal(years_table(tests), whole)
