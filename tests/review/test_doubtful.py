"""Readings that prove nothing (cannot tell): shown as doubtful on Trend, Years and Charts, counted in none of them."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from grader.problems import Problems
from grader.review.charts import site_charts
from grader.review.trend import trend_table
from grader.review.years import years_table
from tests.support import AIRLINE, VISIT, graded_files

# A refrigerant dryer: 60 mg/m³ of the tube x 10 is a dew point of about 0 °C under pressure; tested six times.
WET = {
    **AIRLINE,
    "dryer": "refrigerant",
    "water_tube_mg_m3": 60.0,
    "water_multiplier": 10.0,
    "lowest_use_temperature_c": 15.0,
}
DAYS = [date(2025, month, 10) for month in (1, 3, 5, 7, 9, 11)]


def outlet_over_time(*rows):
    """One outlet at six visits, the last of them `rows` in order; tables of Trend and Years, and the chart's figures."""
    told = [WET] * (len(DAYS) - len(rows)) + [{**WET, **row} for row in rows]
    tests, _ = graded_files({f"{day}.xlsx": ({**VISIT, "test_date": day}, [row]) for day, row in zip(DAYS, told)})
    trend = trend_table(tests, Problems(), as_of="2026-01-10").table
    return trend, years_table(tests), site_charts(tests, "North Works")[0]


def of(table, parameter):
    return table[table["Parameter"] == parameter].iloc[0]


@pytest.mark.parametrize(
    ("row", "parameter"),
    [
        ({"water_multiplier": None}, "Water"),
        ({"water_multiplier": None}, "Pressure dew point"),
        ({"water_multiplier": None}, "Dew point margin"),
        ({"oil_mg_m3": 0.01, "oil_sampling_min": 3.0}, "Oil"),
        ({"co2_ppm": 40.0}, "Carbon dioxide"),
    ],
)
def test_a_doubtful_reading_is_shown_as_doubtful_and_counts_in_none(row, parameter):
    plain = of(outlet_over_time()[1], parameter)
    trend, years, figures = outlet_over_time(row)
    line = of(trend, parameter)
    assert (line["2025-11"], line["Trend"], line["Readings in slope"]) == ("doubtful", "doubtful", 5)
    year = of(years, parameter)
    assert year["2025 tests"] == 6
    assert year["2025 worst"] == plain["2025 worst"]
    assert year["2025 median"] == pytest.approx(plain["2025 median"])
    drawn = figures[figures["Parameter"] == parameter]
    if len(drawn):
        assert drawn["Doubt"].tolist() == [""] * 5 + ["doubtful"]
        assert np.isnan(drawn["Reading drawn"].iloc[-1]) and not np.isnan(drawn["Doubtful drawn"].iloc[-1])


def test_a_forgotten_multiplier_is_not_the_best_dew_point_of_a_year_of_its_own():
    tests, _ = graded_files(
        {
            "2024.xlsx": ({**VISIT, "test_date": date(2024, 5, 10)}, [{**WET, "water_multiplier": None}]),
            "2025.xlsx": ({**VISIT, "test_date": date(2025, 5, 10)}, [WET]),
        }
    )
    year = of(years_table(tests), "Pressure dew point")
    assert (year["2024 tests"], year["2024 median"], year["2024 worst"]) == (1, "doubtful", "doubtful")
    assert np.isnan(year["Change on year before"])


def test_a_fail_with_an_expired_tube_is_no_doubtful_reading():
    trend, years, _ = outlet_over_time({"co_ppm": 40.0, "co_tube_expiry": date(2024, 1, 1)})
    assert of(trend, "Carbon monoxide")["2025-11"] == 40.0
    assert of(years, "Carbon monoxide")["2025 worst"] == 40.0
    assert of(years, "Carbon monoxide")["2025 fails"] == 1


def test_an_unreadable_temperature_leaves_the_dew_point_in_and_only_the_margin_out():
    trend, years, _ = outlet_over_time({"ambient_temperature_c": "cold"})
    assert of(trend, "Pressure dew point")["Trend"] != "doubtful"
    assert of(trend, "Pressure dew point")["Readings in slope"] == 6
    assert of(trend, "Dew point margin")["Trend"] == "doubtful"
