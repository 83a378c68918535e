"""What stands open, by how much, where it shows, and that every finding has words.

Limits used: EN 12021:2014 (carbon monoxide 5 ppm, carbon dioxide 500 ppm, oil 0.5 mg/m³, oxygen 21 ± 1 %,
dew point 5 K below the lowest temperature of use: each confirmed on several public pages, the standard itself
was not read) and 25 mg/m³ water at the charging compressor (confirmed).
"""

from __future__ import annotations

import io
import itertools

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from grader.columns import FIELDS, PARAMETER_BY_NAME, SHEETS
from grader.problems import Unreadable
from grader.review.actions.findings import actions_table
from grader.review.actions.texts import amount
from grader.words import words
from tests.review.actions.actions_tables import DAY1, DAY2, DAY3, frame, judged, only


def test_a_passing_outlet_needs_nothing_and_the_columns_stand_all_the_same():
    found = frame({})
    assert len(found) == 0
    assert list(found.columns[: len(SHEETS["Actions"])]) == list(SHEETS["Actions"])


def test_a_fail_that_a_later_pass_cleared_is_history():
    assert len(frame({"test_date": DAY1, "co_ppm": 9}, {"test_date": DAY2})) == 0


def test_a_fail_after_the_last_pass_stands_open():
    row = only({"test_date": DAY1}, {"test_date": DAY2, "co_ppm": 9})
    assert (row["Parameter"], str(row["Test date"])[:10]) == ("Carbon monoxide", DAY2)


def test_near_limit_clears_an_earlier_fail_and_stands_alone():
    row = only({"test_date": DAY1, "co_ppm": 9}, {"test_date": DAY2, "odour": "slight"})
    assert (row["Parameter"], row["Verdict"]) == ("Odour", "near limit")


def test_an_incomplete_test_clears_nothing():
    found = frame({"test_date": DAY1, "co_ppm": 9}, {"test_date": DAY2, "co_ppm": None})
    assert list(found["Verdict"]) == ["fail", "not tested"]
    assert str(found["Test date"].iloc[0])[:10] == DAY1


def test_a_parameter_met_again_in_an_incomplete_test_stays_open_and_says_so():
    found = frame({"test_date": DAY1, "co_ppm": 9}, {"test_date": DAY2, "oil_mg_m3": None})
    assert list(found["Parameter"]) == ["Carbon monoxide", "Oil"]
    assert DAY2 in found["Finding"].iloc[0]
    assert "Out of use" in found["Next step"].iloc[0]


def test_the_same_parameter_failing_again_is_one_finding_with_its_first_day():
    row = only({"test_date": DAY1, "co_ppm": 9}, {"test_date": DAY2, "co_ppm": 7}, {"test_date": DAY3, "co_ppm": 8})
    assert row["Reading"] == "8 ppm"
    assert (str(row["Test date"])[:10], str(row["First seen on"])[:10]) == (DAY3, DAY1)


def test_a_gap_that_was_filled_later_is_no_action():
    row = only({"test_date": DAY1, "oil_mg_m3": None}, {"test_date": DAY2, "co_ppm": 9})
    assert row["Parameter"] == "Carbon monoxide"


def test_a_retest_of_the_day_clears_the_fail_and_an_incomplete_one_does_not():
    fail = {"co_ppm": 9}
    assert len(frame(fail, {"visit_reason": "retest"})) == 0
    found = frame(fail, {"visit_reason": "retest", "oil_mg_m3": None})
    assert list(found["Verdict"]) == ["fail", "not tested"]


def test_a_retest_that_fails_again_takes_the_place_of_the_first_fail():
    row = only({"co_ppm": 9}, {"visit_reason": "retest", "co_ppm": 7})
    assert row["Reading"] == "7 ppm"


def test_a_pass_in_conflict_with_a_fail_clears_nothing():
    found = frame({"co_ppm": 9}, {"co_ppm": 2, "file": 1})
    assert list(found["Parameter"]) == ["Carbon monoxide", "Whole test"]
    assert "different readings" in found["Finding"].iloc[1]


def test_a_repeat_and_a_replaced_file_count_once_and_not_at_all():
    assert len(frame({"co_ppm": 9}, {"co_ppm": 9, "file": 1})) == 1
    assert len(frame({"co_ppm": 9}, {"file": 1, "replaces_file": "visit0.xlsx"})) == 0


def test_a_test_with_a_date_to_come_has_no_findings_and_clears_nothing():
    found = frame({"test_date": DAY1, "oil_mg_m3": 3}, {"test_date": "2026-07-01", "co_ppm": 9},
                  {"test_date": "2026-07-01", "file": 1})  # fmt: skip
    assert set(found["Parameter"]) == {"Oil"}


def test_a_test_without_a_date_shows_its_findings_and_clears_nothing():
    found = frame({"test_date": DAY1, "oil_mg_m3": 3}, {"test_date": None, "co_ppm": 9}, {"test_date": None, "file": 1})
    assert set(found["Parameter"]) >= {"Carbon monoxide", "Oil"}
    undated = found[found["Parameter"] == "Carbon monoxide"].iloc[0]
    assert undated["Where it shows"].startswith("cannot be compared")


def test_a_row_not_visited_is_told_in_the_latest_visit_only():
    empty = {name: None for name in FIELDS if FIELDS[name].reading}
    old = [{"test_date": DAY1, "outlet": "Bay 2", **empty}, {"test_date": DAY1}]
    row = only(*old)
    assert (row["Outlet"], row["Reading"]) == ("Bay 2", "not visited")
    assert len(frame(*old, {"test_date": DAY2, "file": 1})) == 0
    # Tested in another file of that visit, or left empty in two files: nothing, and once.
    assert len(frame(*old, {"test_date": DAY1, "outlet": "Bay 2", "file": 1})) == 0
    assert len(frame(*old, {**old[0], "file": 1})) == 1


def test_a_removed_outlet_is_no_action_and_a_locked_one_stays_locked():
    empty = {name: None for name in FIELDS if FIELDS[name].reading}
    fail = {"test_date": DAY1, "co_ppm": 9}
    assert len(frame(fail, {"test_date": DAY2, "outlet_status": "removed", **empty})) == 0
    found = frame(fail, {"test_date": DAY2, "outlet_status": "locked off", **empty})
    assert list(found["Reading"]) == ["9 ppm", "locked off"]
    assert found["Next step"].iloc[1].startswith("Keep it locked off.")


def test_an_unknown_rule_set_judges_nothing_and_is_one_finding():
    row = only({"rule_set": "house rule 7"})
    assert (row["Parameter"], row["Verdict"], row["Reading"]) == ("Whole test", "incomplete", "rule set: house rule 7")


def test_what_the_rule_set_sets_no_limit_for_is_one_finding():
    row = only({"supply": "airline"}, rules="norway-filling-plant")
    assert row["Parameter"] == "Whole test"
    assert "no limit for this supply: " in row["Finding"]


def test_after_a_marked_odour_the_rest_may_be_empty():
    empty = {name: None for name in FIELDS if FIELDS[name].reading}
    row = only({**empty, "odour": "marked"})
    assert (row["Parameter"], row["Finding"], row["Reading"]) == ("Odour", "Marked odour", "marked")


@pytest.mark.parametrize(
    "changes, parameter, words_in",
    [
        ({"co_tube_expiry": "2026-01-31"}, "Carbon monoxide", "expired"),
        ({"calibration_due": "2026-01-31"}, "Oxygen", "calibration"),
        ({"oil_sampling_min": 5.0}, "Oil", "sampled for less"),
        ({"dryer": "refrigerant", "water_multiplier": None}, "Water", "multiplier"),
        ({"co_ppm": Unreadable("#REF!", "error")}, "Carbon monoxide", "cannot be read"),
        ({"co_ppm": "<10"}, "Carbon monoxide", "which side"),
        (
            {"supply": "cylinder", "nominal_pressure_bar": None, "line_pressure_bar": 150.0, "water_tube_mg_m3": 40.0},
            "Water",
            "nominal pressure",
        ),
    ],
)
def test_why_it_cannot_be_told_is_a_finding(changes, parameter, words_in):
    found = frame(changes)
    row = found[found["Parameter"] == parameter].iloc[0]
    assert row["Verdict"] == "cannot tell"
    assert words_in in row["Finding"]
    assert row["Next step"].startswith("Not to be used for breathing")


def test_a_fail_by_an_expired_tube_stays_a_fail_and_names_the_tube():
    row = only({"co_ppm": 9, "co_tube_expiry": "2026-01-31"})
    assert row["Verdict"] == "fail"
    assert "expired" in row["Likely causes"]


# By how much


@pytest.mark.parametrize(
    "changes, parameter, reading, limit, far",
    [
        ({"co_ppm": 9}, "Carbon monoxide", "9 ppm", "at most 5 ppm", "4 ppm (80 %) over"),
        ({"co_ppm": 5.04}, "Carbon monoxide", "5.04 ppm", "at most 5 ppm", "0.04 ppm (0.8 %) over"),
        ({"co_ppm": ">60"}, "Carbon monoxide", ">60 ppm", "at most 5 ppm", "more than 55 ppm (1100 %) over"),
        ({"co_ppm": ">5"}, "Carbon monoxide", ">5 ppm", "at most 5 ppm", "over, by how much the reading does not say"),
        ({"co2_ppm": 650}, "Carbon dioxide", "650 ppm", "at most 500 ppm", "150 ppm (30 %) over"),
        ({"oil_mg_m3": 0.75}, "Oil", "0.75 mg/m³", "at most 0.5 mg/m³", "0.25 mg/m³ (50 %) over"),
        ({"oxygen_pct": 19.4}, "Oxygen", "19.4 %", "20 to 22 %", "0.6 percentage points too low"),
        ({"oxygen_pct": 22.5}, "Oxygen", "22.5 %", "20 to 22 %", "0.5 percentage points over"),
        ({"flow_l_min": 120}, "Flow", "120 L/min", "at least 150 L/min", "30 L/min (20 %) short"),
        ({"lowest_pressure_bar": 8}, "Line pressure", "6 bar", "at least 8 bar", "2 bar (25 %) short"),
        ({"highest_pressure_bar": 5}, "Line pressure", "6 bar", "at most 5 bar", "1 bar (20 %) over"),
        (
            {
                "supply": "charging compressor",
                "water_tube_mg_m3": 30.0,
                "line_pressure_bar": 200.0,
                "nominal_pressure_bar": 200.0,
                "flow_needed_l_min": None,
            },
            "Water",
            "30 mg/m³",
            "at most 25 mg/m³",
            "5 mg/m³ (20 %) over",
        ),
    ],
)
def test_by_how_much(changes, parameter, reading, limit, far):
    found = frame(changes)
    row = found[found["Parameter"] == parameter].iloc[0]
    assert row["Reading"] == reading
    assert (row["Limit"], row["How far"]) == (limit, far)


def test_a_margin_says_how_many_kelvin_are_short():
    """Reading, limit and shortfall belong together: needed minus margin, to the digits shown."""
    row = only({"water_tube_mg_m3": 800.0})
    assert (row["Parameter"], row["Limit"]) == ("Dew point margin", "at least 5 K")
    short = float(row["How far"].removesuffix(" K short"))
    assert short == pytest.approx(5 - float(row["Reading"].removesuffix(" K")), abs=0.05 + 1e-9)


def test_a_dew_point_limit_says_how_many_kelvin_too_warm():
    row = only({"water_tube_mg_m3": 300.0, "lowest_use_temperature_c": None, "ambient_temperature_c": None})
    assert (row["Parameter"], row["Limit"]) == ("Pressure dew point", "at most -11 °C")
    assert row["How far"].endswith(" K too warm")


def test_a_rule_at_one_atmosphere_shows_its_own_margin():
    """29 CFR 1910.134(i)(5): dew point at one atmosphere 10 °F (5.56 K) below ambient."""
    row = only(
        {"water_tube_mg_m3": 15000.0, "water_multiplier": 1.0, "airline_temperature_c": None}, rules="osha-grade-d"
    )
    assert row["Limit"] == "at least 5.556 K"
    assert "at one atmosphere" in row["Finding"]
    dew = float(row["Finding"].split(" °C")[0].split()[-1])
    margin, short = (float(row[name].split(" K")[0]) for name in ("Reading", "How far"))
    assert margin == pytest.approx(5.0 - dew, abs=0.11)  # from the lower of ambient and lowest use, 5 °C
    assert short == pytest.approx(10 / 1.8 - margin, abs=0.11)


def test_liquid_water_comes_before_the_margin():
    row = only({"liquid_water": "seen"})
    assert (row["Parameter"], row["Reading"], row["Limit"]) == ("Water", "liquid water seen", "no liquid water")
    found = frame({"water_tube_mg_m3": 3000.0}, {"outlet": "Bay 0", "water_tube_mg_m3": 800.0})
    assert "liquid water in the line" in found["Finding"].iloc[0] and found["Outlet"].iloc[0] == "Bay 1"
    short, above = found["How far"].iloc[0].split("; ")
    assert short.endswith(" K short") and above.endswith(" K above the air in the line")
    # Short: 5 - (5 - dew point); above: dew point - 20.
    assert float(short.split()[0]) == pytest.approx(20 + float(above.split()[0]), abs=0.11)


def test_a_warm_day_names_the_colder_one():
    warm = {"water_tube_mg_m3": 300.0, "lowest_use_temperature_c": None, "ambient_temperature_c": 20.0}
    cold = {"test_date": DAY1, "outlet": "Bay 2", "ambient_temperature_c": -8.0, "water_tube_mg_m3": 5.0}
    row = only(warm, cold)
    assert "has seen -8 °C" in row["Finding"] and row["Verdict"] == "near limit"
    assert row["How far"].endswith("for the coldest day on record")


@given(st.floats(1e-9, 1e6), st.integers(0, 3), st.sampled_from([1, 2]))
def test_an_amount_never_prints_as_nought_and_stays_close(value, decimals, significant):
    shown = float(amount(value, decimals, significant))
    assert shown > 0
    assert shown == pytest.approx(value, rel=0.5 if significant == 1 else 0.05)


# Where it shows, and what that points to


def outlets(system, *co, **more):
    return [{"system": system, "outlet": f"{system} {i}", "co_ppm": c, **more} for i, c in enumerate(co)]


def test_one_outlet_a_system_a_site():
    one = frame(*outlets("Hall", 9, 1, 1), *outlets("Shed", 1, 1))
    assert list(one["Where it shows"]) == ["only this outlet: hose or point (3 outlets tested on system Hall)"]
    system = frame(*outlets("Hall", 9, 8, 7), *outlets("Shed", 1, 1))
    assert set(system["Where it shows"]) == {"every outlet of system Hall: plant (3 tested)"}
    site = frame(*outlets("Hall", 9, 8), *outlets("Shed", 7))
    assert set(site["Where it shows"]) == {"every system at the site: intake air (2 systems, 3 outlets tested)"}
    assert site["Likely causes"].iloc[0].startswith("exhaust near the compressor intake")
    assert "Every outlet of the site" in site["Next step"].iloc[0]
    assert "Every outlet of system Hall" in system["Next step"].iloc[0]


def test_some_outlets_and_a_single_one():
    some = frame(*outlets("Hall", 9, 8, 1))
    assert set(some["Where it shows"]) == {"2 of 3 outlets tested on system Hall"}
    assert only({"co_ppm": 9})["Where it shows"] == "no other outlet of system Hall was tested for it at this visit"


def test_an_outlet_not_tested_for_it_is_not_counted():
    found = frame(*outlets("Hall", 9, 8, None))
    fails = found[found["Verdict"] == "fail"]
    assert set(fails["Where it shows"]) == {"every outlet of system Hall: plant (2 tested)"}


def test_flow_at_every_system_says_nothing_of_the_intake():
    rows = [{"system": s, "outlet": s, "flow_l_min": 100} for s in ("Hall", "Shed")]
    found = frame(*rows)
    assert set(found["Where it shows"]) == {"every system at the site (2 systems, 2 outlets tested)"}
    assert not found["Next step"].str.contains("same air").any()


def test_oil_at_one_outlet_points_to_the_hose_first_and_at_the_system_to_the_plant():
    rows = [{"outlet": f"Bay {i}"} for i in (1, 2, 3)]
    alone = frame({**rows[0], "oil_mg_m3": 2}, *rows[1:])["Likely causes"].iloc[0]
    everywhere = frame(*({**row, "oil_mg_m3": 2} for row in rows))["Likely causes"].iloc[0]
    texts = words()["action_cause"]
    assert alone.startswith(texts["hose_oil"]) and everywhere.startswith(texts["coalescing_full"])


# Order, links, summary


def test_worst_first():
    found = frame(
        {"outlet": "A", "odour": "slight"},
        {"outlet": "B", "oil_mg_m3": None},
        {"outlet": "C", "co2_ppm": 900},
        {"outlet": "D", "liquid_water": "seen"},
        {"outlet": "E", "oxygen_pct": 18},
        {"outlet": "F10", "co_ppm": 9},
        {"outlet": "F2", "co_ppm": 9},
        {"outlet": "G", "odour": "marked"},
    )
    assert list(found["Outlet"]) == ["G", "F2", "F10", "E", "D", "C", "B", "A"]


def test_each_row_leads_to_its_test_and_its_source():
    tests = judged([{"outlet": "A"}, {"outlet": "B", "co_ppm": 9}, {"outlet": "C", "oil_mg_m3": 9, "file": 1}])
    actions = actions_table(tests, file_names=["a.xlsx", "b.xlsx"], sheet_names=["Readings", "Log"])
    assert list(tests["outlet"].to_numpy()[actions.test]) == list(actions.frame["Outlet"])
    assert list(actions.frame["File"]) == ["a.xlsx", "b.xlsx"] and list(actions.frame["Sheet"]) == ["Readings", "Log"]
    assert list(actions.frame["Row"]) == [3, 2]
    assert list(actions.identity) == list(tests["identity"].to_numpy()[actions.test])


def test_every_failed_or_incomplete_last_test_has_an_action():
    """No verdict that keeps an outlet out of use may be silent, whatever is changed or left out."""
    changes = [{name: None} for name in FIELDS] + [{name: Unreadable("#N/A", "error")} for name in FIELDS]
    changes += [
        {"supply": s, "dryer": d, "water_tube_mg_m3": w}
        for s, d, w in itertools.product(
            ("airline", "charging compressor", "cylinder", None),
            ("none", "refrigerant", "desiccant", "membrane", None),
            (10.0, 3000.0),
        )
    ]
    tests = judged([{"outlet": f"Bay {i}", **change} for i, change in enumerate(changes) if "outlet" not in change])
    actions = actions_table(tests)
    wanting = set(np.flatnonzero(tests["verdict"].to_numpy() > 0))
    assert len(wanting) > 30
    assert wanting == set(actions.test)
    for name in ("Finding", "Reading", "Limit", "Likely causes", "Next step", "Verdict"):
        assert (actions.frame[name].str.len() > 3).all(), actions.frame[actions.frame[name].str.len() <= 3]
    stored = io.StringIO()
    actions.frame.to_csv(stored, index=False)
    stored.seek(0)
    # Read back by pandas, no word of these columns may turn into a missing value.
    assert pd.read_csv(stored)[list(SHEETS["Actions"][3:])].notna().all().all()
    known = set(PARAMETER_BY_NAME) | {"Whole test"}
    assert set(actions.frame["Parameter"]) <= known


def test_a_large_table_gives_the_same_as_its_parts():
    """Grouping over the whole table must not mix sites: two sites together give what each gives alone."""
    one = [{"site": "North", **row} for row in outlets("Hall", 9, 8, 1)]
    two = [{"site": "South", **row} for row in outlets("Hall", 9, 1, 1)]
    both = frame(*one, *two)
    for site, rows in (("North", one), ("South", two)):
        alone = frame(*rows).drop(columns="Row").reset_index(drop=True)
        together = both[both["Site"] == site].drop(columns="Row").reset_index(drop=True)
        pd.testing.assert_frame_equal(together, alone)


# The data files
