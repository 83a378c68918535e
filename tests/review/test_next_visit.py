"""The next visit's blank: which outlets, what is filled in, what the notes say, and that it reads back."""

from __future__ import annotations

from datetime import date
from pathlib import Path, PureWindowsPath

import numpy as np
import openpyxl
import pandas as pd
import pytest
from python_calamine import CalamineWorkbook

from grader.columns import EVIDENCE_FIELDS, FIELDS, TEST_WORDS
from grader.problems import GraderError, Problems
from grader.read import child
from grader.read.find import find_workbooks
from grader.read.process import read_workbooks, reading_limits
from grader.register import plant
from grader.review.due import due_table
from grader.review.next_visit import LASTING, LONGEST_FILE_NAME_BYTES, NextVisit, next_visit, safe_file_name, sites_due
from grader.review.plan import plan_table
from grader.write.blank import write_blank
from tests.support import graded_log

AS_OF = np.datetime64("2026-09-01")
DUE_COLUMNS = [
    "Site",
    "Client",
    "Outlet",
    "System",
    "Last test",
    "Last verdict",
    "Interval",
    "Next due",
    "Days left",
    "State",
]
PLANT = {
    "location": "Hall 1",
    "system": "Compressor A",
    "supply": "airline",
    "dryer": "desiccant",
    "nominal_pressure_bar": 8,
    "lowest_pressure_bar": 4.5,
    "flow_needed_l_min": 150,
    "oil_sampling_needed_min": 15,
    "lowest_use_temperature_c": -5,
    "highest_pressure_bar": 10,
}
READINGS = {
    "odour": "none",
    "line_pressure_bar": 7,
    "flow_l_min": 300,
    "oxygen_pct": 20.9,
    "co_ppm": 3,
    "co2_ppm": 450,
    "oil_mg_m3": "<0.1",
    "oil_sampling_min": 15,
    "water_tube_mg_m3": 30,
    "water_multiplier": 1,
    "airline_temperature_c": 18,
    "ambient_temperature_c": 15,
}
NEVER_FILLED = {
    *EVIDENCE_FIELDS,
    "oil_sampling_min",
    "water_multiplier",
    "ambient_temperature_c",
    "remarks",
    "test_time",
    "used_at_once",
    "laboratory_reference",
    "dew_point_measured_at_bar",
}


def outlet(name: str | None, **more) -> dict:
    """A row of Readings: an outlet of the plant with a good set of readings, and what differs."""
    return {"outlet": name, **PLANT, **READINGS, **more}


def seen(name: str, **more) -> dict:
    """A row of an outlet that was listed and not tested."""
    return {"outlet": name, **PLANT, **more}


def visit_sheet(day: str | None, site: str = "Ostmere Paint Hall", **more) -> dict:
    """Labels of Visit as an engineer leaves them."""
    return {
        "site": site,
        "client": "Ostmere Coatings",
        "site_address": "1 Quay Road",
        "test_date": date.fromisoformat(day) if day else None,
        "tested_by": "A. Tester",
        "visit_reason": "periodic",
        "rule_set": "EN 12021:2014",
        "instrument": "SN 4411",
        "calibration_due": date(2027, 1, 31),
        "co_tube_lot": "L7",
        "co_tube_expiry": date(2027, 1, 31),
        "interval_months": 3,
        **more,
    }


def judged(folder: Path, *visits: tuple[dict, list[dict]]) -> pd.DataFrame:
    """The judged table of workbooks made of (Visit, Readings), one a visit, named 1.xlsx, 2.xlsx, ..."""
    folder.mkdir(exist_ok=True)
    for number, (labels, rows) in enumerate(visits, 1):
        write_blank(folder / f"{number}.xlsx", visit=labels, rows=rows)
    return judged_folder(folder)


def judged_folder(folder: Path) -> pd.DataFrame:
    """The judged table of all workbooks of a folder."""
    problems = Problems()
    log = read_workbooks(find_workbooks([folder], problems), problems)
    return graded_log(log, as_of=str(AS_OF))[0]


# What the other sheets say of a site where nothing is open and no part is due.
ACTIONS = pd.DataFrame(columns=["Site", "Client", "Outlet", "Test date", "Parameter", "Finding", "Next step"])
PARTS = pd.DataFrame(columns=list(plant.COLUMNS))
REST = (ACTIONS, PARTS, [f"{number}.xlsx" for number in range(1, 9)])


def due_lines(*lines: dict) -> pd.DataFrame:
    """A Due table; what a line leaves out is blank."""
    return pd.DataFrame([{**dict.fromkeys(DUE_COLUMNS), **line} for line in lines], columns=DUE_COLUMNS)


def names(made: NextVisit) -> list[str | None]:
    """Outlets of the blank in order."""
    return [row["outlet"] for row in made.rows]


def of(tests: pd.DataFrame, site: str = "Ostmere Paint Hall", **more) -> NextVisit:
    """The next visit with nothing on the Due table."""
    return next_visit(tests, due_lines(), *REST, site=site, **more)


# -- what is filled in -----------------------------------------------------------------------------------


def test_what_does_not_change_is_filled_in_and_readings_are_not(tmp_path):
    made = of(judged(tmp_path / "in", (visit_sheet("2026-05-12"), [outlet("Bay 1")])))
    assert made.rows == [{"outlet": "Bay 1", **PLANT}]
    assert made.visit == {
        "site": "Ostmere Paint Hall",
        "site_address": "1 Quay Road",
        "client": "Ostmere Coatings",
        "rule_set": "EN 12021:2014",
        "interval_months": 3,
    }
    assert not NEVER_FILLED & set(made.rows[0])


def test_every_field_is_either_filled_in_or_left_for_the_day():
    """A new column of the blank must be put on one side or the other."""
    placed = {"outlet", "outlet_status", *LASTING, *NEVER_FILLED}
    assert {f.name for f in FIELDS.values() if f.sheet == "Readings"} <= placed
    assert not set(LASTING) & NEVER_FILLED


def test_the_latest_value_stands_and_a_blank_or_unreadable_one_does_not_erase_it(tmp_path):
    made = of(
        judged(
            tmp_path / "in",
            (visit_sheet("2026-02-10"), [outlet("Bay 1", flow_needed_l_min=150, lowest_pressure_bar=4)]),
            (visit_sheet("2026-05-12"), [outlet("Bay 1", flow_needed_l_min=180, lowest_pressure_bar=5)]),
            (visit_sheet("2026-08-11"), [outlet("Bay 1", flow_needed_l_min=None, lowest_pressure_bar="5O")]),
        )
    )
    assert made.rows[0]["flow_needed_l_min"] == 180
    assert made.rows[0]["lowest_pressure_bar"] == 5
    assert "2026-05-12" in made.notes[0]["lowest_pressure_bar"]
    assert "flow_needed_l_min" not in made.notes[0]


def test_a_need_written_as_a_bound_stays_as_written(tmp_path):
    rows = [outlet("Bay 1", flow_needed_l_min="≥150")]
    made = of(judged(tmp_path / "in", (visit_sheet("2026-05-12"), rows)))
    assert made.rows[0]["flow_needed_l_min"] == "≥150"


def test_the_latest_visit_is_by_date_and_not_by_file_order(tmp_path):
    made = of(
        judged(
            tmp_path / "in",
            (visit_sheet("2026-08-11"), [outlet("Bay 1", dryer="membrane")]),
            (visit_sheet("2026-05-12"), [outlet("Bay 1", dryer="desiccant")]),
        )
    )
    assert made.rows[0]["dryer"] == "membrane"


def test_rule_set_and_interval_go_beside_the_outlets_where_they_differ(tmp_path):
    made = of(
        judged(
            tmp_path / "in",
            (visit_sheet("2026-05-12"), [outlet("Bay 1"), outlet("Bay 2", interval_months=1, rule_set="CGA Grade E")]),
        )
    )
    assert "rule_set" not in made.visit and "interval_months" not in made.visit
    assert [(r["rule_set"], r["interval_months"]) for r in made.rows] == [("EN 12021:2014", 3), ("CGA Grade E", 1)]


# -- which outlets, in which order -----------------------------------------------------------------------


def test_order_is_that_of_the_last_round_and_others_come_behind(tmp_path):
    made = of(
        judged(
            tmp_path / "in",
            (visit_sheet("2026-02-10"), [outlet("Bay 9"), outlet("Bay 1"), outlet("Bay 2")]),
            (visit_sheet("2026-05-12"), [outlet("Bay 2"), outlet("Bay 1"), outlet("Bay 3")]),
            (visit_sheet("2026-05-14", visit_reason="retest"), [outlet("Bay 3")]),
            (visit_sheet("2026-06-02", visit_reason="first use"), [outlet("Bay 4")]),
        )
    )
    assert names(made) == ["Bay 2", "Bay 1", "Bay 3", "Bay 4", "Bay 9"]
    assert "Left out of the visit of 2026-05-12" in made.notes[4]["outlet"]
    assert "Left out" not in made.notes[3]["outlet"]


def test_one_outlet_spelled_in_two_ways_is_one_row_under_its_latest_name(tmp_path):
    made = of(
        judged(
            tmp_path / "in",
            (visit_sheet("2026-02-10"), [outlet("bay-03")]),
            (visit_sheet("2026-05-12"), [outlet("Bay 3")]),
        )
    )
    assert names(made) == ["Bay 3"]


def test_removed_outlets_are_left_out_and_locked_off_ones_stay(tmp_path):
    made = of(
        judged(
            tmp_path / "in",
            (
                visit_sheet("2026-02-10"),
                [outlet("Bay 1"), outlet("Bay 2"), outlet("Bay 3", outlet_status="locked off")],
            ),
            (
                visit_sheet("2026-05-12"),
                [seen("Bay 1", outlet_status="removed"), seen("Bay 2", outlet_status="locked off"), outlet("Bay 3")],
            ),
        )
    )
    assert names(made) == ["Bay 2", "Bay 3"]
    assert made.rows[0]["outlet_status"] == "locked off"
    assert "outlet_status" not in made.rows[1]  # blank at its latest visit: in use


def test_an_unreadable_status_keeps_the_outlet_and_says_so(tmp_path):
    rows = [outlet("Bay 1", outlet_status="perhaps")]
    made = of(judged(tmp_path / "in", (visit_sheet("2026-05-12"), rows)))
    assert names(made) == ["Bay 1"]
    assert "outlet_status" not in made.rows[0]
    assert "cannot be read" in made.notes[0]["outlet_status"]


def test_all_outlets_removed_is_an_error(tmp_path):
    tests = judged(tmp_path / "in", (visit_sheet("2026-05-12"), [seen("Bay 1", outlet_status="removed")]))
    with pytest.raises(GraderError, match="removed"):
        of(tests)


def test_undated_outlets_are_kept_behind_and_without_a_last_result(tmp_path):
    made = of(
        judged(
            tmp_path / "in",
            (visit_sheet(None), [outlet(name, dryer="membrane") for name in ("Bay 7", "Bay 1")]),
            (visit_sheet("2026-05-12"), [outlet("Bay 1")]),
        )
    )
    assert names(made) == ["Bay 1", "Bay 7"]
    assert made.rows[0]["dryer"] == "desiccant"
    assert "No dated test" in made.notes[1]["outlet"]


def test_only_undated_tests_still_make_a_blank(tmp_path):
    made = of(judged(tmp_path / "in", (visit_sheet(None), [outlet("Bay 2"), outlet("Bay 1")])))
    assert names(made) == ["Bay 2", "Bay 1"]


def test_outlets_that_the_replacing_file_does_not_hold_stay(tmp_path):
    made = of(
        judged(
            tmp_path / "in",
            (visit_sheet("2026-05-12"), [outlet("Bay 1"), outlet("Bay l")]),
            (visit_sheet("2026-05-12", replaces_file="1.xlsx"), [outlet("Bay 1")]),
        )
    )
    assert sorted(names(made)) == [
        "Bay 1",
        "Bay l",
    ]  # what the new file does not hold goes on counting, and is asked about


def test_a_nameless_outlet_of_the_last_round_is_a_row_without_a_name(tmp_path):
    made = of(
        judged(
            tmp_path / "in",
            (visit_sheet("2026-02-10"), [outlet("Bay 1"), outlet(None, location="Old store")]),
            (visit_sheet("2026-05-12"), [outlet("Bay 1"), outlet(None, location="Store")]),
        )
    )
    assert names(made) == ["Bay 1", None]
    assert made.rows[1]["location"] == "Store"
    assert "without a name" in made.notes[1]["outlet"]


# -- notes -----------------------------------------------------------------------------------------------


def test_past_values_stand_as_notes_latest_first_and_three_at_most(tmp_path):
    made = of(
        judged(
            tmp_path / "in",
            *[
                (visit_sheet(day), [outlet("Bay 1", co_ppm=co, oil_mg_m3=oil)])
                for day, co, oil in (
                    ("2025-11-11", 9, "stain"),
                    ("2026-02-10", 2, "stain"),
                    ("2026-05-12", 3.5, None),
                    ("2026-08-11", "<5", "<0.1"),
                )
            ],
        )
    )
    note = made.notes[0]
    assert note["co_ppm"] == "Before: 2026-08: <5 ppm; 2026-05: 3.5 ppm; 2026-02: 2 ppm"
    assert note["oil_mg_m3"] == "Before: 2026-08: <0.1 mg/m³; 2026-02: stain; 2025-11: stain"
    assert note["odour"] == "Before: 2026-08: none; 2026-05: none; 2026-02: none"
    assert note["water_multiplier"].startswith("Leave empty") and "2026-08: 1" in note["water_multiplier"]
    assert not set(note) & set(LASTING)


def test_the_outlet_bears_its_last_result_and_when_it_is_next_due(tmp_path):
    tests = judged(tmp_path / "in", (visit_sheet("2026-05-12"), [outlet("Bay 1"), outlet("Bay 2", co_ppm=60)]))
    here = {"Site": "Ostmere Paint Hall", "Client": "Ostmere Coatings", "System": "Compressor A"}
    due = due_lines(
        {**here, "Site": "Elsewhere", "Outlet": "Bay 1", "Next due": pd.Timestamp("2031-01-01")},
        {**here, "Outlet": "Bay 1", "Next due": pd.Timestamp("2026-08-12"), "State": "overdue"},
        {**here, "Outlet": "Bay 2", "State": "out of use"},
    )
    first, second = (n["outlet"] for n in next_visit(tests, due, *REST, site="Ostmere Paint Hall").notes)
    assert first.startswith("Last test 2026-05-12: pass.")
    assert first.endswith("Next due 2026-08-12 (overdue).")
    assert second.startswith("Last test 2026-05-12: fail. [Carbon monoxide 60 ppm is over the limit")
    assert second.endswith("Next due: not known (out of use).")


def test_the_worse_of_two_contradicting_tests_of_a_day_is_the_last_result(tmp_path):
    rows = [outlet("Bay 1", co_ppm=60), outlet("Bay 1")]
    made = of(judged(tmp_path / "in", (visit_sheet("2026-05-12"), rows)))
    assert names(made) == ["Bay 1"]
    assert "2026-05-12: fail" in made.notes[0]["outlet"]


def test_a_retest_of_the_same_day_is_the_last_result(tmp_path):
    made = of(
        judged(
            tmp_path / "in",
            (visit_sheet("2026-05-12", visit_reason="retest"), [outlet("Bay 1")]),
            (visit_sheet("2026-05-12"), [outlet("Bay 1", co_ppm=60)]),
        )
    )
    assert "2026-05-12: pass" in made.notes[0]["outlet"]
    assert made.notes[0]["co_ppm"] == "Before: 2026-05: 3 ppm"


def test_notes_stay_short(tmp_path):
    bad = {
        "co_ppm": 60,
        "co2_ppm": 900,
        "oil_mg_m3": 9,
        "oxygen_pct": 15,
        "odour": "marked",
        "water_tube_mg_m3": 900,
        "flow_l_min": 20,
        "line_pressure_bar": 3,
    }
    made = of(judged(tmp_path / "in", (visit_sheet("2026-05-12"), [outlet("Bay 1", **bad)])))
    assert max(len(t) for t in made.notes[0].values()) < 350
    assert "…" in made.notes[0]["outlet"]


# -- the site --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("asked", ["ostmere PAINT-hall", "  Ostmere  Paint Hall ", "Ostmere_Paint_Hall"])
def test_site_is_found_however_it_is_written(tmp_path, asked):
    tests = judged(tmp_path / "in", (visit_sheet("2026-05-12"), [outlet("Bay 1")]))
    assert of(tests, asked).visit["site"] == "Ostmere Paint Hall"


def test_sites_that_differ_in_a_digit_are_never_taken_for_each_other(tmp_path):
    tests = judged(
        tmp_path / "in",
        (visit_sheet("2026-05-12", "Yard 1-1"), [outlet("Bay 1")]),
        (visit_sheet("2026-05-12", "Yard 12"), [outlet("Bay 2")]),
    )
    assert names(of(tests, "yard 12")) == ["Bay 2"]
    with pytest.raises(GraderError, match='No site is called "Yard 11".*Yard 1-1'):
        of(tests, "Yard 11")


def test_unknown_site_names_the_nearest(tmp_path):
    tests = judged(
        tmp_path / "in",
        (visit_sheet("2026-05-12"), [outlet("Bay 1")]),
        (visit_sheet("2026-05-12", "Brackholt Works"), [outlet("Bay 1")]),
    )
    with pytest.raises(GraderError, match="Nearest: Ostmere Paint Hall.$"):
        of(tests, "Ostmere Pant Hall")
    with pytest.raises(GraderError, match="Sites there: .*Brackholt Works"):
        of(tests, "Zzyzx")


def test_no_tests_at_all_says_what_to_give(tmp_path):
    tests = judged(tmp_path / "in", (visit_sheet("2026-05-12"), [outlet("Bay 1")]))
    with pytest.raises(GraderError, match="folder"):
        of(tests.iloc[:0])


def test_a_site_name_of_two_clients_asks_which(tmp_path):
    tests = judged(
        tmp_path / "in",
        (visit_sheet("2026-05-12", "Depot", client="Ash Ltd"), [outlet("Bay 1")]),
        (visit_sheet("2026-05-12", "Depot", client="Birch Ltd"), [outlet("Bay 2")]),
        (visit_sheet("2026-05-12", "Depot", client=None), [outlet("Bay 3")]),
    )
    with pytest.raises(GraderError, match="Ash Ltd, Birch Ltd.*--client"):
        of(tests, "Depot")
    assert names(of(tests, "Depot", client="birch ltd")) == ["Bay 2"]
    assert names(of(tests, "depot", client="")) == ["Bay 3"]
    with pytest.raises(GraderError, match='no client "Cedar".*Ash Ltd'):
        of(tests, "Depot", client="Cedar")


def test_a_client_left_blank_once_is_the_only_one(tmp_path):
    tests = judged(
        tmp_path / "in",
        (visit_sheet("2026-02-10", "Depot", client="Ash Ltd"), [outlet("Bay 1")]),
        (visit_sheet("2026-05-12", "Depot", client=None), [outlet("Bay 1"), outlet("Bay 2")]),
    )
    for client in (None, "", "Ash Ltd"):
        made = of(tests, "Depot", client=client)
        assert names(made) == ["Bay 1", "Bay 2"]
        assert made.visit["client"] == "Ash Ltd"


def test_a_stand_in_for_a_missing_site_is_not_written_as_its_name(tmp_path):
    tests = judged(tmp_path / "in", (visit_sheet("2026-05-12", None), [outlet("Bay 1")]))
    made = of(tests, tests["site"].iloc[0])
    assert names(made) == ["Bay 1"]
    assert "site" not in made.visit


# -- what is due -----------------------------------------------------------------------------------------


def planned(*lines: dict) -> dict:
    """Due lines as the Due table has them, and how many outlets of each site the blanks are for, by months."""
    due = pd.DataFrame(lines, columns=[*DUE_COLUMNS, "Rule set"])
    days = pd.to_numeric(due["Days left"])
    due["Next due"] = pd.Timestamp(AS_OF) + pd.to_timedelta(days, unit="D")
    plan = plan_table(due, {}, as_of=AS_OF)
    return {months: sites_due(plan, due, AS_OF, months) for months in (1, 2, 3)}


def test_sites_due_are_those_of_the_plan_and_of_the_next_days():
    """Run on 1 September 2026: 30 days left is 1 October, 61 is 1 November."""
    found = planned(
        {"Site": "Delta", "Client": "D", "State": "out of use"},
        {"Site": "Echo", "Client": "E", "State": "not cleared"},
        {"Site": "Alpha", "Client": "A", "Days left": -3, "State": "overdue"},
        {"Site": "alpha", "Client": "A", "Days left": 2, "State": "due within 14 days"},
        {"Site": "Charlie", "Client": "C", "Days left": 29, "State": "in date"},
        {"Site": "Bravo", "Client": "", "Days left": 30, "State": "in date"},
        {"Site": "Alpha", "Client": "A", "Days left": 61, "State": "in date"},
        {"Site": "Foxtrot", "Client": "F", "Days left": -400, "State": "removed"},
    )
    assert found[1] == {("Delta", "D"): 1, ("Echo", "E"): 1, ("Alpha", "A"): 2, ("Charlie", "C"): 1}
    assert found[2] == found[1] | {("Bravo", ""): 1}
    assert found[3] == found[2] | {("Alpha", "A"): 3}


def test_what_falls_due_within_14_days_is_not_left_to_the_next_month():
    late = np.datetime64("2026-09-25")
    due = due_lines({"Site": "Bravo", "Client": "B", "Days left": 7, "State": "due within 14 days"})
    due["Next due"] = pd.to_datetime(["2026-10-02"])
    plan = plan_table(due.assign(**{"Rule set": ""}), {}, as_of=late)
    assert list(plan["Month"]) == ["2026-10"]
    assert sites_due(plan, due, late) == {("Bravo", "B"): 1} == sites_due(plan, due, late, 2)


def test_sites_due_without_client_join_the_only_client_and_stay_apart_from_two():
    found = planned(
        {"Site": "Depot", "Client": "", "State": "overdue"},
        {"Site": "Depot", "Client": "Ash", "State": "overdue"},
        {"Site": "Quay", "Client": "", "State": "overdue"},
        {"Site": "Quay", "Client": "Ash", "Days left": 400, "State": "in date"},
        {"Site": "Quay", "Client": "Birch", "Days left": 400, "State": "in date"},
    )
    assert found[1] == {("Depot", "Ash"): 2, ("Quay", ""): 1}
    assert planned()[1] == {}


def test_due_table_and_next_visit_speak_of_the_same_outlets(tmp_path):
    """With the Due table as the program makes it: on 1 September 2026 three months since 12 May are over."""
    tests = judged(
        tmp_path / "in",
        (visit_sheet("2026-05-12"), [outlet("Bay 1"), outlet("Bay 2", co_ppm=60)]),
        (visit_sheet("2026-08-11", "Quay", client=None), [outlet("Post 1")]),
    )
    due = due_table(tests, as_of="2026-09-01")
    plan = plan_table(due, {}, as_of=AS_OF)
    assert list(sites_due(plan, due, AS_OF)) == [("Ostmere Paint Hall", "Ostmere Coatings")]
    first, second = (n["outlet"] for n in next_visit(tests, due, *REST, site="Ostmere Paint Hall").notes)
    assert "Next due 2026-08-12 (out of use (system))." in first  # Bay 2 is on the same
    assert "Next due: not known (out of use)." in second
    site, client = list(sites_due(plan, due, AS_OF, 3))[1]
    assert (site, client) == ("Quay", "")
    third = next_visit(tests, due, *REST, site=site, client=client).notes[0]["outlet"]
    assert "Next due 2026-11-11 (in date)." in third


# -- file names ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("site", ["CON", "nul", "com1", "LPT9.north", "Aux .yard", "COM²"])
def test_device_names_of_windows_are_never_used(site):
    """Python's own list of what Windows reserves, in pathlib, is the outside check."""
    made = safe_file_name(site)
    assert not PureWindowsPath(made).is_reserved()
    assert made.endswith(".xlsx")


@pytest.mark.parametrize(
    ("site", "expected"),
    [
        ("Yard A/B: north?", "Yard A-B- north-.xlsx"),
        ("Hall 3...", "Hall 3.xlsx"),
        (" .hidden", "hidden.xlsx"),
        ("-o", "o.xlsx"),
        ("~$Hall", "Hall.xlsx"),
        ("Malmö Söder", "Malmö Söder.xlsx"),
        ("工場 3", "工場 3.xlsx"),
        ("Hall\n3\x00\u202e", "Hall 3.xlsx"),
        ("???", "site.xlsx"),
        ("", "site.xlsx"),
        ("..", "site.xlsx"),
    ],
)
def test_file_name(site, expected):
    assert safe_file_name(site) == expected


def test_file_names_that_collide_are_numbered():
    taken: list[str] = []
    for site in ("Hall 3", "HALL 3", "Hall/3", "Hall:3", "Malmo\u0308", "Malm\u00f6"):
        taken.append(safe_file_name(site, taken=taken))
    assert taken == ["Hall 3.xlsx", "HALL 3 (2).xlsx", "Hall-3.xlsx", "Hall-3 (2).xlsx", "Malmö.xlsx", "Malmö (2).xlsx"]


@pytest.mark.parametrize("site", ["x" * 400, "ö" * 400, "工" * 400])
def test_long_names_fit_a_file_system(site):
    made = safe_file_name(site, "client")
    assert len(made.encode()) <= LONGEST_FILE_NAME_BYTES
    assert made.endswith(".xlsx") and made[:-5].strip(site[0]) == ""


# -- from earlier visits to the written blank ------------------------------------------------------------


def test_the_blank_is_written_and_reads_back(tmp_path):
    tests = judged(
        tmp_path / "in",
        (visit_sheet("2026-05-12"), [outlet("Bay 2"), outlet("007", location=None), outlet("Bay 3", co_ppm=60)]),
        (visit_sheet("2026-05-14", visit_reason="retest"), [outlet("Bay 3")]),
    )
    made = of(tests)
    out = tmp_path / "out"
    out.mkdir()
    write_blank(out / "next.xlsx", **made._asdict())
    book = CalamineWorkbook.from_path(str(out / "next.xlsx"))
    labels = {row[0]: row[1] for row in book.get_sheet_by_name("Visit").to_python(skip_empty_area=False)}
    assert labels["Site"] == "Ostmere Paint Hall" and labels["Interval (months)"] == 3
    assert not any(labels[name] for name in ("Test date", "Instrument serial number", "Calibration due"))
    grid = book.get_sheet_by_name("Readings").to_python(skip_empty_area=False)
    rows = [dict(zip(grid[0], row)) for row in grid[1:4]]
    assert [row["Outlet"] for row in rows] == ["Bay 2", "007", "Bay 3"]
    readings = [f.heading for f in FIELDS.values() if f.reading and f.sheet == "Readings"]
    for row in rows:
        assert (row["Supply"], row["Dryer"], row["Flow needed (L/min)"]) == ("airline", "desiccant", 150)
        assert not any(row[heading] for heading in readings)
    again = judged_folder(out)
    assert list(again["outlet"]) == ["Bay 2", "007", "Bay 3"]
    assert not again["visited"].any()  # nothing is written as a reading


def test_a_filled_blank_continues_the_same_outlets(tmp_path):
    folder = tmp_path / "in"
    made = of(judged(folder, (visit_sheet("2026-05-12"), [outlet("Bay 2"), outlet("Bay 1")])))
    write_blank(
        folder / "next.xlsx",
        visit={**made.visit, "test_date": date(2026, 8, 11)},
        rows=[{**row, **READINGS} for row in made.rows],
    )
    tests = judged_folder(folder)
    assert tests["identity"].nunique() == 2 and len(tests) == 4
    assert tests["site_key"].nunique() == 1


# -- the sheet Last time, and what a row takes ------------------------------------------------------------


def last_time_texts(made: NextVisit) -> list[str]:
    """All sentences and cells of the sheet Last time."""
    page = made.last_time
    found = [page.title, page.subtitle]
    for block in page.blocks:
        found += [block.heading, *block.columns, *(str(v) for row in block.rows for v in row), *block.under.values()]
    return found


def test_what_failed_is_marked_in_a_word_beside_the_outlet(tmp_path):
    rows = [outlet("Bay 1"), outlet("Bay 2", oil_mg_m3="stain"), outlet("Bay 3", co2_ppm=None)]
    tests = judged(tmp_path / "in", (visit_sheet("2026-05-12"), rows))
    marks = [row.get("last_time") for row in of(tests).rows]
    assert marks == [None, "fail, 2026-05-12", "incomplete, 2026-05-12"]
    assert [row.get("last_time") for row in of(tests, language="de").rows][1:] == [
        "nicht erfüllt, 2026-05-12",
        "unvollständig, 2026-05-12",
    ]
    here = {"Site": "Ostmere Paint Hall", "Client": "Ostmere Coatings", "System": "Compressor A", "Outlet": "Bay 1"}
    due = due_lines({**here, "State": "out of use (system)"})
    assert next_visit(tests, due, *REST, site="Ostmere Paint Hall").rows[0]["last_time"] == "out of use (system)"


def test_last_time_tells_of_findings_readings_pressure_cold_and_parts(tmp_path):
    """The coldest, 5 °C, was met at Bay 2 in February; the medians of the visits' pressures are 1001 and 1005 hPa."""
    tests = judged(
        tmp_path / "in",
        (
            visit_sheet("2026-02-10", atmospheric_pressure_hpa=1001),
            [outlet("Bay 1"), outlet("Bay 2", ambient_temperature_c=5)],
        ),
        (visit_sheet("2026-05-12", atmospheric_pressure_hpa=1005), [outlet("Bay 1", co_ppm=60), outlet("Bay 2")]),
    )
    site = {"Site": "Ostmere Paint Hall", "Client": "Ostmere Coatings"}
    over = {"Test date": pd.Timestamp("2026-05-12"), "Parameter": "Carbon monoxide", "Next step": "Repair it."}
    actions = pd.DataFrame(
        [
            {**site, **over, "Outlet": "Bay 1", "Finding": "Carbon monoxide 60 ppm is over the limit"},
            {**site, **over, "Outlet": "Bay 9", "Finding": "Carbon monoxide 60 ppm is over the limit"},
            {**site, **over, "Site": "Elsewhere", "Outlet": "Z 1", "Finding": "Not of this site"},
        ]
    )
    parts = pd.DataFrame(
        [
            {**site, "System": "Main", "Part": "filter", "Due on": pd.Timestamp("2026-06-01"), "State": "overdue"},
            {**site, "System": "Main", "Part": "receiver", "State": "in date"},
        ]
    ).reindex(columns=list(PARTS))
    made = next_visit(tests, due_lines(), actions, parts, REST[2], site="Ostmere Paint Hall")
    said = last_time_texts(made)
    assert "Bay 1, Bay 9: Carbon monoxide 60 ppm is over the limit" in said and "Repair it." in said
    assert not any("Not of this site" in text or "receiver" in text for text in said)
    assert "Usual atmospheric pressure: 1003 hPa." in said
    assert "Coldest surroundings on record: 5 °C (Bay 2, 2026-02-10)." in said
    assert {"filter", "2026-06-01", "overdue"} <= set(said)
    assert any(text.startswith("60") and "fail" in text for text in said)  # the reading of Bay 1
    assert made.hints == {}


def test_at_altitude_the_minutes_that_clear_needs_stand_beside_the_field(tmp_path):
    """15 min x 1013.25 / 850 = 17.88, never rounded down; 30 min: 35.76. Design: below 980 hPa."""
    visits = [
        (
            visit_sheet(day, atmospheric_pressure_hpa=850),
            [outlet("Bay 1"), outlet("Bay 2", oil_sampling_needed_min=30, oil_sampling_min=40)],
        )
        for day in ("2026-02-10", "2026-05-12")
    ]
    made = of(judged(tmp_path / "in", *visits))
    assert "only after 17.9 to 35.8 min" in made.hints["atmospheric_pressure_hpa"]
    assert [note["oil_sampling_min"].split(" min")[0].split()[-1] for note in made.notes] == ["17.9", "35.8"]
    assert any("only after 17.9 to 35.8 min of sampling" in text for text in last_time_texts(made))
    path = tmp_path / "next.xlsx"
    write_blank(path, **made._asdict())
    book = openpyxl.load_workbook(path)
    beside = {row[0].value: str(row[2].value) for row in book["Visit"].iter_rows()}
    assert "17.9 to 35.8 min" in beside["Atmospheric pressure (hPa)"]
    assert "17.9 to 35.8 min" in book["Readings"].oddFooter.left.text
    messages = [check.prompt or "" for check in book["Readings"].data_validations.dataValidation]
    assert sum("17.9 to 35.8 min" in message for message in messages) == 1
    assert [cell.value for cell in book["Readings"][2]].count(None) >= 12  # nothing of it stands where a reading goes


def test_an_outlet_of_a_prefilled_blank_takes_at_most_twelve_entries(tmp_path):
    """Everything that EN 12021 demands of an airline, and flow and pressure, is judged with these cells filled."""
    made = of(judged(tmp_path / "in", (visit_sheet("2026-05-12"), [outlet("Bay 1"), outlet("Bay 2", co_ppm=60)])))
    entries = dict(READINGS)
    assert len(entries) <= 12 and not set(entries) & set(made.rows[0])
    out = tmp_path / "out"
    out.mkdir()
    rows = [{**row, **entries} for row in made.rows]
    day = {"test_date": date(2026, 8, 11)}
    write_blank(out / "filled.xlsx", **{**made._asdict(), "visit": {**made.visit, **day}, "rows": rows})
    again = judged_folder(out)
    assert [TEST_WORDS[v] for v in again["verdict"]] == ["pass", "pass"]


def test_the_sheet_last_time_is_never_read_as_tests(tmp_path):
    """In each language: the filled blank gives what it gives without that sheet; a cell written on it is asked about."""
    for language in ("en", "de"):
        tests = judged(tmp_path / f"in {language}", (visit_sheet("2026-05-12"), [outlet("Bay 1", co_ppm=60)]))
        made = of(tests, language=language)
        assert made.rows[0]["last_time"]
        out = tmp_path / f"out {language}"
        out.mkdir()
        filled = {**made._asdict(), "visit": {**made.visit, "test_date": date(2026, 8, 11)}, "language": language}
        filled["rows"] = [{**row, **READINGS} for row in made.rows]
        write_blank(out / "a.xlsx", **filled)
        write_blank(out / "b.xlsx", **{**filled, "last_time": None})
        book = openpyxl.load_workbook(out / "a.xlsx")
        book.worksheets[2]["B40"] = 3.0
        book.save(out / "c.xlsx")
        replies = [child.read_file(str(out / f"{name}.xlsx"), reading_limits()) for name in "abc"]
        assert [reply.rows_found for reply in replies] == [1, 1, 1]
        assert replies[0].tables == replies[1].tables and replies[0].notes == replies[1].notes
        told = [note for note in replies[2].notes if note not in replies[0].notes]
        assert [(note.code, note.sheet) for note in told] == [("last_time_written_on", book.worksheets[2].title)]
