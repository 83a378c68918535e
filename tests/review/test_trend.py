"""Trend: month cells, course since the last work, dates at which a limit is met, and their marks."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from grader.columns import CANNOT_TELL, DOUBT, FAIL, NEAR_LIMIT, PASS, TEST_FAIL
from grader.outdoor import outdoor_co2
from grader.problems import Problems
from grader.review import trend
from grader.review.due import due_table
from grader.review.history import readings
from grader.review.trend import trend_table
from grader.review.wear.table import wear_table
from grader.review.years import years_table
from tests.review.tables import judged, many

AS_OF = "2026-03-10"
REQUIRED_AFTER = ["Slope per year", "Trend", "Reaches limit on"]


def quarters(values, key="co", start="2024-01", day=10, **more):
    """One outlet tested every three months with these readings."""
    months = np.datetime64(start) + 3 * np.arange(len(values))
    return [{"day": f"{m}-{day:02d}", key: v, **more} for m, v in zip(months, values)]


def table_of(rows, as_of=AS_OF):
    return trend_table(judged(rows), Problems(), as_of=as_of).table


def one(rows, parameter="Carbon monoxide", as_of=AS_OF):
    table = table_of(rows, as_of)
    return table[table["Parameter"] == parameter].iloc[0]


def decimal_years(rows):
    return np.array([(np.datetime64(r["day"]) - np.datetime64("2000-01-01")).astype(int) / 365.2425 for r in rows])


# Columns and month cells


def test_columns_and_sparkline():
    made = trend_table(
        judged(quarters([1.0, 2.0]) + [{"day": "2024-02-01", "outlet": "Bay 2", "oil": 0.1}]), Problems(), as_of=AS_OF
    )
    columns = list(made.table.columns)
    assert columns[:5] == ["Site", "Outlet", "Parameter", "Unit", "Limit"]
    assert columns[5:8] == REQUIRED_AFTER
    assert columns[8:11] == ["2024-01", "2024-02", "2024-04"]
    assert made.sparkline == ("Course", "2024-01", "2024-04") and "Course" in columns
    assert len(made.colours) == len(made.table) and list(made.colours.columns) == columns[8:11]


def test_month_cells_are_numbers_bounds_as_text_and_blank():
    made = trend_table(
        judged(quarters([1.0, "<2", ">60"]) + quarters([0.1, None, 0.2], "oil", outlet="Bay 2")),
        Problems(),
        as_of=AS_OF,
    )
    months = made.table[["2024-01", "2024-04", "2024-07"]].astype(object)
    assert months.iloc[0].tolist() == [1.0, "<2", ">60"]
    assert months.iloc[1, [0, 2]].tolist() == [0.1, 0.2] and pd.isna(months.iloc[1, 1])
    assert made.colours.iloc[1].tolist() == ["pass", "", "pass"]


def test_colours_are_the_parameters_verdicts_of_that_visit():
    rows = [
        {**row, "verdict_co": v}
        for row, v in zip(quarters([1.0, 4.9, 9.0, 1.0]), (PASS, NEAR_LIMIT, FAIL, CANNOT_TELL))
    ]
    made = trend_table(judged(rows), Problems(), as_of=AS_OF)
    assert made.colours.iloc[0].tolist() == ["pass", "near limit", "fail", "cannot tell"]


def test_two_visits_in_one_month_show_the_worse_reading_and_its_verdict():
    rows = [
        {"day": "2025-01-28", "co": 1.0},
        {"day": "2025-01-03", "co": 9.0, "verdict_co": FAIL},
        {"day": "2025-01-15", "co": "<4"},
    ]
    made = trend_table(judged(rows), Problems(), as_of=AS_OF)
    assert made.table["2025-01"].tolist() == [9.0] and made.colours["2025-01"].tolist() == ["fail"]


def test_the_worse_oxygen_is_the_one_nearer_a_side():
    rows = [{"day": "2025-01-03", "oxygen": 21.8}, {"day": "2025-01-15", "oxygen": 20.3}]
    assert one(rows, "Oxygen")["2025-01"] == 21.8


def test_a_cell_that_cannot_be_read_or_a_fail_without_a_figure_shows_its_word():
    rows = [
        {"day": "2025-01-10", "water": 30.0},
        {"day": "2025-02-10", "water": "?", "verdict_water": CANNOT_TELL},
        {"day": "2025-03-10", "verdict_water": FAIL, "verdict": TEST_FAIL},
    ]
    row = one(rows, "Water")
    assert (row["2025-02"], row["2025-03"]) == ("cannot tell", "fail")


def test_one_visit_only():
    row = one(quarters([3.0]))
    assert row["Trend"] == "too few visits" and np.isnan(row["Slope per year"])
    assert pd.isna(row["Reaches limit on"])


def test_an_empty_history():
    made = trend_table(judged([]), Problems(), as_of=AS_OF)
    assert len(made.table) == 0 and made.sparkline is None
    assert list(made.table.columns)[:8] == ["Site", "Outlet", "Parameter", "Unit", "Limit", *REQUIRED_AFTER]


# Slope, direction, dates


def test_slope_and_p_against_scipy():
    """scipy.stats.theilslopes and kendalltau (exact) on the same dates and readings."""
    values = [1.0, 1.4, 1.2, 1.9, 2.3, 2.1, 2.8, 3.0]
    rows = quarters(values)
    row, years = one(rows), decimal_years(rows)
    assert row["Slope per year"] == pytest.approx(stats.theilslopes(values, years)[0], rel=1e-9)
    assert row["p value"] == pytest.approx(stats.kendalltau(years, values, method="exact").pvalue, rel=1e-9)
    assert row["Trend"] == "rising" and row["Direction against limit"] == "towards"


def test_trend_of_mauna_loa_taken_as_readings_of_an_outlet():
    """Yearly June means of carbon dioxide at Mauna Loa, 1979 to 2001 (statsmodels: Keeling and Whorf).

    Rises by 1.53 ppm a year (ordinary least squares through the same values, numpy); nearly nothing is left
    once the outdoor air of each year is taken off, and it says so.
    """
    co2 = pytest.importorskip("statsmodels.datasets").co2.load_pandas().data["co2"]
    june = co2[co2.index.month == 6].dropna()
    june = june.groupby(june.index.year).mean().loc[1979:2001]
    rows = [{"day": f"{year}-06-15", "co2": value} for year, value in june.items()]
    row = one(rows, "Carbon dioxide", as_of="2002-01-01")
    fitted = np.polyfit(decimal_years(rows), june.to_numpy(), 1)[0]
    assert row["Slope per year"] == pytest.approx(fitted, abs=0.05)
    assert row["Trend"] == "rising"
    assert abs(row["Slope with outdoor air taken off"]) < 0.1


def test_outdoor_air_alone_is_no_trend_of_the_outlet():
    years, ppm = outdoor_co2()
    rows = [
        {"day": f"{y}-07-01", "co2": p + (30.0 if i % 2 else 29.5)}
        for i, (y, p) in enumerate(zip(years[-10:], ppm[-10:]))
    ]
    row = one(rows, "Carbon dioxide")
    assert row["Trend"] == "rising" and "outdoor air" in row["Note"]
    assert row["Slope with outdoor air taken off"] == pytest.approx(0.0, abs=0.2)


def test_five_readings_are_enough_and_four_are_not():
    assert one(quarters([1.0, 2.0, 3.0, 4.0]))["Trend"] == "too few visits"
    row = one(quarters([0.5, 1.0, 1.5, 2.0, 2.5]))
    assert (row["Trend"], row["Readings in slope"]) == ("rising", 5)
    # Kendall (1938): of the 120 orders of five only two have |S| = 10.
    assert row["p value"] == pytest.approx(2 / 120)


def test_reaches_limit_where_the_line_meets_it():
    """A line of 2 ppm a year through 1 ppm on 2024-01-10 meets 5 ppm two years later, about 2026-01-09."""
    start = np.datetime64("2024-01-10")
    days = start + np.array([0, 90, 180, 270, 365, 455, 545])
    rows = [{"day": str(d), "co": 1.0 + 2.0 * (d - start).astype(int) / 365.2425} for d in days]
    row = one(rows, as_of="2025-08-01")
    assert row["Slope per year"] == pytest.approx(2.0)
    assert str(row["Reaches limit on"].date()) in ("2026-01-08", "2026-01-09", "2026-01-10")
    assert row["Earliest date"] <= row["Reaches limit on"] <= row["Latest date"]


def test_no_date_beyond_five_years():
    values = [1.0, 1.01, 1.02, 1.03, 1.04, 1.05]
    row = one(quarters(values))
    assert row["Trend"] == "rising" and pd.isna(row["Reaches limit on"]) and pd.isna(row["Earliest date"])


def test_no_date_when_over_already_and_it_says_so():
    row = one(quarters([2.0, 3.0, 4.0, 4.8, 5.5, 6.5]))
    assert row["Trend"] == "rising" and pd.isna(row["Reaches limit on"]) and "Beyond the limit" in row["Note"]


def test_no_date_when_heading_away():
    row = one(quarters([4.5, 4.0, 3.5, 3.0, 2.5, 2.0]))
    assert (row["Trend"], row["Direction against limit"]) == ("falling", "away")
    assert pd.isna(row["Reaches limit on"])


def test_falling_flow_heads_for_what_is_needed():
    row = one(quarters([230.0, 225.0, 221.0, 214.0, 210.0, 204.0], "flow", low_flow=170.0), "Flow")
    assert (row["Trend"], row["Direction against limit"], row["Limit"]) == ("falling", "towards", 170.0)
    assert pd.Timestamp("2026-03-10") < row["Reaches limit on"] < pd.Timestamp("2027-06-01")


def test_oxygen_rising_from_below_its_band_gets_better():
    rows = quarters([18.0, 18.3, 18.7, 19.0, 19.2, 19.5], "oxygen")
    row = one(rows, "Oxygen")
    assert (row["Trend"], row["Direction against limit"], row["Limit"]) == ("rising", "away", "20 to 22")


def test_oxygen_heads_for_either_side():
    assert one(quarters([20.9, 20.8, 20.7, 20.6, 20.5], "oxygen"), "Oxygen")["Direction against limit"] == "towards"
    assert one(quarters([20.9, 21.0, 21.1, 21.2, 21.3], "oxygen"), "Oxygen")["Direction against limit"] == "towards"


def test_without_a_limit_there_is_a_trend_and_no_direction():
    row = one(quarters([1.0, 2.0, 3.0, 4.0, 6.0], high_co=np.nan))
    assert (row["Trend"], row["Direction against limit"]) == ("rising", "") and np.isnan(row["Limit"])


def test_the_margin_gets_no_date_and_the_dew_point_does():
    rows = [
        {**row, "pressure_dew_point": 10.0 - row["margin"], "use_temperature_c": 10.0, "margin_needed_k": 5.0}
        for row in quarters([20.0, 18.5, 17.0, 15.5, 14.0, 12.5, 11.0], "margin")
    ]
    margin, dew = one(rows, "Dew point margin"), one(rows, "Pressure dew point")
    assert (margin["Trend"], margin["Direction against limit"]) == ("falling", "towards")
    assert pd.isna(margin["Reaches limit on"]) and "seasons" in margin["Note"]
    assert dew["Limit"] == 5.0 and "coldest place" in dew["Note"]
    # 6 K a year, at -1 degC on 2025-07-10, so 5 degC about a year later.
    assert pd.Timestamp("2026-06-15") < dew["Reaches limit on"] < pd.Timestamp("2026-08-10")


def test_the_date_is_that_of_wear_and_comes_first():
    """Outlets of one system share one date; what will be over soonest stands on top."""
    rows = [
        row
        for outlet, step in (("Bay 1", 0.4), ("Bay 2", 0.6), ("Bay 3", 0.0))
        for row in quarters(1.0 + step * np.arange(7), outlet=outlet, system="Ring" if step else "Old")
    ]
    tests = judged(rows)
    wear = wear_table(tests, readings(tests), as_of=AS_OF)
    table = trend_table(tests, Problems(), as_of=AS_OF, wear=wear).table
    date = wear.table.set_index("System").loc["Ring", "Reaches limit on"]
    assert table["Outlet"].tolist() == ["Bay 1", "Bay 2", "Bay 3"] and pd.notna(date)
    assert table["Reaches limit on"].tolist()[:2] == [date, date] and pd.isna(table["Reaches limit on"][2])


# Bounds


def test_all_readings_bounds():
    row = one(quarters(["<2"] * 6))
    assert row["Trend"] == "steady" and np.isnan(row["Slope per year"]) and row["p value"] == 1
    assert pd.isna(row["Reaches limit on"])


def test_bounds_take_part_where_the_order_is_certain():
    """<1 <1 <1 then 2 3 4: of 15 pairs 12 are certain and rise; the slope lies between two ends."""
    row = one(quarters(["<1", "<1", "<1", 2.0, 3.0, 4.0]))
    assert row["Trend"] == "rising" and np.isnan(row["Slope per year"])
    assert 0 < row["Slope at least"] < row["Slope at most"]


# What takes part


def test_only_tests_since_the_last_work_count():
    rows = quarters([4.0, 4.2, 4.4, 4.6, 4.8, 1.0, 1.1, 1.0, 1.1, 1.0])
    rows[5]["work_done"] = "compressor overhauled"
    row = one(rows)
    assert (row["Trend"], row["Readings in slope"]) == ("steady", 5)
    assert str(row["Since work done on"].date()) == rows[5]["day"]
    assert one([{k: v for k, v in r.items() if k != "work_done"} for r in rows])["Readings in slope"] == 10


def test_work_at_a_visit_serves_the_whole_site_and_no_other():
    rows = (
        quarters([1.0] * 6, outlet="Bay 1")
        + quarters([1.0] * 6, outlet="Bay 2")
        + quarters([1.0] * 6, outlet="Bay 1", site="Quarry")
    )
    for row in rows[:12]:
        if row["day"] == "2024-07-10":
            row["work_done"] = "compressor valves"
    counts = table_of(rows).set_index(["Site", "Outlet"])["Readings in slope"]
    assert counts.to_dict() == {("Mill", "Bay 1"): 4, ("Mill", "Bay 2"): 4, ("Quarry", "Bay 1"): 6}


def test_work_written_on_some_rows_serves_their_system_or_outlet():
    rows = (
        quarters([1.0] * 6, outlet="Bay 1", system="A")
        + quarters([1.0] * 6, outlet="Bay 2", system="A")
        + quarters([1.0] * 6, outlet="Bay 3", system="B")
        + quarters([1.0] * 6, outlet="Bay 4")
        + quarters([1.0] * 6, outlet="Bay 5")
    )
    rows[2]["work_done"] = "compressor valves"  # Bay 1, 2024-07
    rows[18 + 4]["work_done"] = "new compressor"  # Bay 4, 2025-01
    counts = table_of(rows).set_index("Outlet")["Readings in slope"].to_dict()
    assert counts == {"Bay 1": 4, "Bay 2": 4, "Bay 3": 6, "Bay 4": 2, "Bay 5": 6}


def test_a_visit_of_two_days_is_one_for_work_done():
    rows = quarters([1.0] * 6, outlet="Bay 1") + quarters([1.0] * 6, outlet="Bay 2", day=11)
    for row in rows:
        row["visit"] = int(row["day"][:4]) * 12 + int(row["day"][5:7])
        if row["day"].startswith("2024-07"):
            row["work_done"] = "compressor valves"
    assert table_of(rows)["Readings in slope"].tolist() == [4, 4]


def test_what_a_retest_superseded_on_the_day_of_the_work_lies_before_it():
    rows = quarters([1.0] * 6) + [
        {"day": "2025-07-10", "co": 9.0, "superseded": True, "work_done": "compressor"},
        {"day": "2025-07-10", "co": 1.0, "visit_reason": "retest", "work_done": "compressor"},
    ]
    assert one(rows)["Readings in slope"] == 1


def test_a_doubtful_reading_is_shown_and_left_out_of_the_slope():
    rows = quarters([1.0, 1.2, 1.4, 1.6, 1.8, 40.0])
    rows[5].update(co_doubt=DOUBT["expired_tube"], verdict_co=CANNOT_TELL)
    row = one(rows)
    assert (row["Readings in slope"], row["2025-04"], row["Trend"]) == (5, "doubtful", "doubtful")
    assert "doubt" in row["Note"] and "Beyond" not in row["Note"]


def test_a_doubt_about_the_need_alone_leaves_the_figure_in():
    rows = quarters([200.0] * 5, "flow", flow_doubt=DOUBT["need_unreadable"])
    assert one(rows, "Flow")["Readings in slope"] == 5


# Marks


def test_a_limit_that_changed_is_marked_and_the_latest_shown():
    rows = quarters([1.0] * 3, high_co=10.0) + quarters([1.0] * 3, start="2024-10", high_co=5.0)
    row = one(rows)
    assert (row["Limit"], row["Limit changed"]) == (5.0, "10 until 2024-07")
    assert one(quarters([1.0] * 3))["Limit changed"] == ""


def test_a_retest_after_a_fail_is_marked_with_its_month():
    rows = quarters([1.0, 9.0, 1.0, 1.0])
    rows[1].update(verdict_co=FAIL, verdict=TEST_FAIL)
    rows.insert(2, {"day": "2024-04-17", "co": 1.0, "oil": 0.1, "visit_reason": "retest"})
    assert one(rows)["Retest after fail"] == "2024-04"
    rows[2]["visit_reason"] = "periodic"
    assert one(rows)["Retest after fail"] == ""


def test_a_series_too_long_is_queried(monkeypatch):
    monkeypatch.setattr(trend, "LONGEST_SERIES", 5)
    problems = Problems()
    trend_table(judged(quarters([1.0] * 6) + quarters([1.0] * 3, outlet="Bay 2")), problems, as_of=AS_OF)
    assert [b.tests for b in problems.batches if b.code == "series_too_long"] == [[5]]


def test_every_outlet_and_parameter_has_its_row():
    tests = many(40, 8)
    table = trend_table(tests, Problems(), as_of="2026-03-01").table
    assert len(table) == 40 * 9 and not table.duplicated(["Site", "Outlet", "Parameter"]).any()
    months = [c for c in table.columns if c[:2] == "20" and len(c) == 7]
    assert months == sorted(months)
    assert table[months].notna().sum().sum() == 40 * 8 * 9


def test_any_mixture_of_bounds_gives_every_table_without_a_warning():
    """Open and far ends at random, and perfectly dry air (minus infinity); warnings are errors here."""
    tests = many(30, 12, seed=7)
    rng = np.random.default_rng(8)
    for key in ("oxygen", "co", "co2", "oil", "water", "pressure_dew_point", "margin", "flow", "pressure"):
        kind = rng.integers(0, 7, len(tests))
        value = tests[f"{key}_upper"].to_numpy().copy()
        bottom = -np.inf if key in ("pressure_dew_point", "margin") else 0.0
        tests[f"{key}_lower"] = np.select([kind == 1, kind == 2, kind == 3], [bottom, value, bottom], value)
        tests[f"{key}_upper"] = np.select([kind == 1, kind == 2, kind == 3], [value, np.inf, np.inf], value)
        tests[f"{key}_open"] = np.select([kind == 1, kind == 2], [2, 1], 0).astype(np.int8)
    dry = rng.random(len(tests)) < 0.1
    tests.loc[dry, ["pressure_dew_point_lower", "pressure_dew_point_upper"]] = -np.inf
    made = trend_table(tests, Problems(), as_of="2026-03-01")
    assert len(made.table) == (years_table(tests)["Level"] == "outlet").sum() == 30 * 9
    assert len(due_table(tests, as_of="2026-03-01")) == 30
