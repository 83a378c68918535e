"""The sheet Wear: states, usual and now, since when, dates, what is shared, what a dryer's signs say."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from grader.columns import DOUBT, FAIL, SHEETS, TEST_FAIL
from grader.outdoor import outdoor_co2_on
from grader.review.history import readings
from grader.review.wear.table import STATES, wear_table
from tests.review.tables import judged, many

AS_OF = "2026-03-10"
STEADY = [1.0, 1.2, 0.9, 1.1, 1.0, 1.1, 0.9, 1.0]


def visits(values, key="co", start="2023-01", **more):
    """One outlet of system Ring tested every three months with these readings."""
    months = np.datetime64(start) + 3 * np.arange(len(values))
    return [{"day": f"{m}-10", "system": "Ring", key: v, **more} for m, v in zip(months, values)]


def made(rows, as_of=AS_OF):
    tests = judged(rows)
    return wear_table(tests, readings(tests), as_of=as_of)


def one(rows, parameter="Carbon monoxide", as_of=AS_OF):
    table = made(rows, as_of).table
    found = table[table["Parameter"] == parameter]
    assert len(found) == 1
    return found.iloc[0]


def test_the_columns_are_those_of_the_design_and_an_empty_history_has_them_too():
    for rows in (visits(STEADY), []):
        table = made(rows).table
        assert tuple(table.columns[:16]) == SHEETS["Wear"]
    assert len(made([]).table) == 0


def test_steady_worse_and_better():
    assert one(visits(STEADY))["State"] == "steady"
    worse = one(visits([*STEADY, 2.0, 2.6]))
    assert worse["State"] == "worse" and worse["Change"] == pytest.approx(1.3) and worse["Wearing out"] == "yes"
    assert (worse["Usual"], worse["Now"], worse["Limit"], worse["Readings"]) == (1.0, 2.3, 5.0, 10)
    assert worse["Since"] == pd.Timestamp("2025-01-10")
    assert one(visits([3.0 + x for x in STEADY] + [1.0, 1.0]))["State"] == "better"


def test_low_is_worse_for_flow_and_it_belongs_to_the_outlet():
    rows = visits([230.0, 228.0, 232.0, 229.0, 231.0, 230.0, 200.0, 185.0], "flow", low_flow=170.0)
    row = one(rows + visits([230.0] * 8, "flow", outlet="Bay 2", low_flow=170.0)[:0], "Flow")
    assert (row["State"], row["Outlet"], row["Limit"]) == ("worse", "Bay 1", 170.0) and row["Change"] < 0


def test_outlets_of_a_system_are_averaged_and_those_without_one_stand_alone():
    ring = visits(STEADY) + visits([x + 1 for x in STEADY], outlet="Bay 2")
    assert one(ring)["Usual"] == 1.55 and one(ring)["Outlet"] == ""
    alone = [{**row, "system": ""} for row in ring]
    assert made(alone).table["Outlet"].tolist() == ["Bay 1", "Bay 2"]


def test_oxygen_is_worse_on_the_side_that_leaves_less_room():
    steady = [20.9, 20.9, 20.8, 20.9, 20.9, 20.9]
    assert one(visits([*steady, 20.4, 20.3], "oxygen"), "Oxygen")["State"] == "worse"
    assert one(visits([*steady, 21.5, 21.6], "oxygen"), "Oxygen")["State"] == "worse"
    assert one(visits([20.3, 20.2, 20.3, 20.3, 20.3, 20.2, 20.8, 20.9], "oxygen"), "Oxygen")["State"] == "better"


def test_too_few_visits_and_doubtful():
    assert one(visits([1.0, 1.0, 3.0, 3.0]))["State"] == "too few visits"
    rows = visits([*STEADY, 2.0, 2.6, 2.5])
    rows[-1]["co_doubt"] = DOUBT["expired_tube"]
    assert one(rows)["State"] == "doubtful"


def test_where_every_reading_is_doubtful_the_rows_say_so():
    (row,) = visits([1.0])
    assert one([{**row, "co_doubt": DOUBT["expired_tube"]}])["State"] == "doubtful"


def test_bounds_never_make_it_worse_than_is_certain():
    assert one(visits(["<1"] * 8 + [1.2, 1.2], u_co=0.3))["State"] == "steady"
    row = one(visits(["<1"] * 8 + [4.0, 4.0]))
    assert row["State"] == "worse" and row["Usual"] == "<1" and row["Change"] == 3.0
    assert one(visits([*STEADY, "<5", "<5"]))["State"] == "steady"


def test_work_done_begins_anew():
    rows = visits([*STEADY, 3.0, 3.2])
    rows[-2]["work_done"] = "compressor serviced"
    row = one(rows)
    assert (row["State"], row["Readings"]) == ("too few visits", 2)
    assert row["Since work done on"] == pd.Timestamp("2025-01-10")


def test_other_sites_change_no_row():
    mine = visits([*STEADY, 2.0, 2.6])
    others = [
        {**row, "site": f"Site {n}"}
        for n in range(30)
        for row in visits(np.round(1 + np.random.default_rng(n).random(10), 1))
    ]
    alone, together = one(mine), made(others + mine).table
    pd.testing.assert_series_equal(alone, together[together["Site"] == "Mill"].iloc[0], check_names=False)


def test_the_date_of_a_straight_line_and_its_interval():
    """2 ppm a year from 1 ppm on 2024-01-10 meet 5 ppm two years later."""
    start = np.datetime64("2024-01-10")
    days = start + np.array([0, 90, 180, 270, 365, 455, 545])
    rows = [{"day": str(d), "system": "Ring", "co": 1.0 + 2.0 * (d - start).astype(int) / 365.2425} for d in days]
    row = one(rows, as_of="2025-08-01")
    assert str(row["Reaches limit on"])[:10] in ("2026-01-08", "2026-01-09", "2026-01-10")
    assert row["Earliest date"] <= row["Reaches limit on"] <= row["Latest date"] and "straight line" in row["Note"]
    assert "since the last visit" in one(rows, as_of="2026-02-01")["Note"]


def test_a_quickening_change_is_dated_by_its_last_visits():
    """From 3.4 ppm and 1.6 ppm a visit, 5 ppm is one visit away: the line through all would say over a year."""
    row = one(visits([1.0] * 8 + [1.2, 1.8, 3.4], start="2023-06"), as_of="2026-01-01")
    assert row["Reaches limit on"] < pd.Timestamp("2026-06-30")


def test_no_date_where_nothing_is_worse_where_it_is_over_already_or_years_away():
    assert pd.isna(one(visits(STEADY))["Reaches limit on"])
    over = one(visits([*STEADY, 5.5, 6.5]))
    assert over["State"] == "worse" and pd.isna(over["Reaches limit on"]) and "Beyond the limit" in over["Note"]
    slow = one(visits([1.00] * 16 + [1.08, 1.1, 1.12, 1.14], start="2021-05", u_co=0.0))
    assert slow["State"] == "worse" and pd.isna(slow["Reaches limit on"])


def test_what_failed_already_is_no_finding_of_wear():
    rows = visits([*STEADY, 2.0, 2.6])
    assert made(rows).finding.tolist() == [True]
    rows[-1].update(verdict_co=FAIL, verdict=TEST_FAIL)
    assert made(rows).finding.tolist() == [False]


def test_outdoor_air_alone_makes_no_carbon_dioxide_worse():
    days = [row["day"] for row in visits([0.0] * 44, start="2015-02")]
    outdoor = outdoor_co2_on(np.array(days, dtype="datetime64[D]"))
    rows = [{"day": d, "system": "Ring", "co2": v + 20, "u_co2": 1.0} for d, v in zip(days, outdoor)]
    row = one(rows, "Carbon dioxide")
    assert (
        row["State"] == "steady"
        and "Outdoor" in row["Note"]
        and row["Usual"] == pytest.approx(outdoor[-1] + 20, abs=0.1)
    )


def test_a_season_is_taken_off_once_it_is_known():
    months = np.arange(3, 3 + 3 * 12, 3)
    summer = 4 * np.cos(2 * np.pi * (months - 7) / 12)
    rows = visits(np.round(3.0 + summer, 1), "pressure_dew_point", dryer="refrigerant", u_pressure_dew_point=1.0)
    row = one(rows, "Pressure dew point")
    assert row["State"] == "steady" and "season is taken off" in row["Note"]
    assert "not known" in one(rows[:7], "Pressure dew point")["Note"]


def test_a_lot_that_reads_low_hides_no_wear():
    """Four sites used lot B and all read 0.6 lower with it; here the reading stayed, so the air got worse by 0.6."""
    rows = []
    for site in range(4):
        rows += [{**row, "site": f"Site {site}", "co_tube_lot": "A"} for row in visits([2.0] * 8)]
        rows += [{**row, "site": f"Site {site}", "co_tube_lot": "B"} for row in visits([1.4] * 3, start="2025-01")]
    mine = visits([2.0, 2.01, 2.0, 1.99, 2.0, 2.01, 2.0, 2.0], co_tube_lot="A", u_co=0.1)
    mine += visits([2.0] * 3, start="2025-01", co_tube_lot="B", u_co=0.1)
    table = made(rows + mine).table
    row = table[table["Site"] == "Mill"].iloc[0]
    assert row["State"] == "worse" and "tube lot B" in row["Note"]
    assert one(mine)["State"] == "steady"


def dew(values, dryer, **more):
    rows = visits(values, "pressure_dew_point", dryer=dryer, u_pressure_dew_point=6.0, **more)
    return [{**row, "use_temperature_c": 40.0, "margin_needed_k": 5.0} for row in rows]


@pytest.mark.parametrize(
    "values, dryer, sign",
    [
        ([-50.0, -50.0, -50.0, -50.0, -34.0, -34.0], "desiccant", "adsorbing"),
        ([-60.0, -60.0, -60.0, -60.0, -44.0, -44.0], "desiccant", ""),
        ([-33.0, -33.0, -33.0, -33.0, -18.0, -18.0], "membrane", "adsorbing"),
        ([-18.0] * 6, "desiccant", "desiccant_wet"),
        ([-18.0] * 6, "membrane", ""),
        ([3.0, 3.0, 3.0, 3.0, 3.0, 8.0], "refrigerant", "refrigerant"),
        ([3.0, 3.0, 3.0, 3.0, 3.0, 7.9], "refrigerant", ""),
    ],
)
def test_signs_of_a_dryer_whatever_the_statistics_say(values, dryer, sign):
    found = made(dew(values, dryer, ambient_temperature_c=18.0))
    at = found.table.index[found.table["Parameter"] == "Pressure dew point"][0]
    assert found.sign[at] == sign and found.finding[at] == (sign != "")


def test_a_refrigerant_dryer_is_compared_at_like_surroundings():
    rows = dew([3.0, 9.0, 3.0, 9.0, 3.0, 9.5], "refrigerant")
    for row, ambient in zip(rows, [5.0, 25.0, 5.0, 25.0, 5.0, 25.0]):
        row["ambient_temperature_c"] = ambient
    assert made(rows).sign.tolist() == [""]
    rows[-1]["ambient_temperature_c"] = 5.0
    assert made(rows).sign.tolist() == ["refrigerant"]


def test_the_most_urgent_comes_first_and_every_series_is_there():
    tests = judged(
        visits(STEADY)
        + [{**row, "site": "Later"} for row in visits([*STEADY, 1.5, 2.2])]
        + [{**row, "site": "Soon"} for row in visits([*STEADY, 2.5, 4.0])]
    )
    table = wear_table(tests, readings(tests), as_of=AS_OF).table
    assert table["Site"].tolist() == ["Soon", "Later", "Mill"]
    ranks = [STATES.index(s) for s in table["State"]]
    assert ranks == sorted(ranks)


def test_each_row_of_the_readings_finds_its_series():
    tests = many(60, 12)
    read = readings(tests)
    wear = wear_table(tests, read, as_of=AS_OF)
    rows = np.flatnonzero(wear.of_row >= 0)
    shown = wear.table.iloc[wear.of_row[rows]]
    assert (shown["Site"].to_numpy() == read.outlets.site[read.outlet[rows]]).all()
    assert set(np.unique(wear.of_row)) == {-1, *range(len(wear.table))}
