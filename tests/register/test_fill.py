"""What a visit leaves blank is filled from the register, from the day that its line counts; what differs is asked."""

from __future__ import annotations

from datetime import date

import openpyxl
import pytest

from grader.batch import run
from grader.columns import REGISTER
from grader.write.blank import write_blank
from grader.write.register import write_register
from tests.register.firm import AS_OF, Graded, blanks, graded, only, register, said, visit
from tests.support import AIRLINE, VISIT


def changed(sheet, line=0, **values):
    lines = register()
    lines[sheet][line] |= values
    return lines


def test_a_visit_of_readings_alone_passes_by_the_register(tmp_path):
    assert only(graded(tmp_path / "without", None))["Verdict"] == "incomplete"  # supply not known
    result = graded(tmp_path / "with", register())
    found = only(result)
    assert (found["Verdict"], found["System"], found["Supply"]) == ("pass", "Main", "airline")
    assert found["Lowest use temperature (°C)"] == 5.0
    assert result.tests["flow_needed_l_min"].tolist() == [280.0]  # 140 a hood, two at once
    assert result.sources["State"].tolist() == ["register", "read"]
    assert result.sources["Rows found"].tolist() == [0, 1]


def test_each_filling_names_the_cell_of_the_visit_and_that_of_the_register(tmp_path):
    result = graded(tmp_path, register())
    line = said(result, "Lowest use temperature").iloc[0]
    assert (line["File"], line["Sheet"], line["Severity"]) == ("visit.xlsx", "Readings", "note")
    for part in (
        "register.xlsx, Outlets: ",
        "Lowest use temperature (°C) J2",
        "register.xlsx, Instruments: Calibration due D2",
    ):
        assert part in line["Problem"]
    assert len(said(result, "taken from the register")) <= 2  # of the readings, and of the lowest marks


def test_a_visit_that_says_otherwise_rules_and_is_asked(tmp_path):
    result = graded(tmp_path, register(), [blanks(dryer="refrigerant", water_multiplier=10.0)])
    assert result.tests["dryer"].tolist() == ["refrigerant"]
    (line,) = said(result, "in the register").to_dict("records")
    assert (line["Severity"], line["Value"]) == ("query", "refrigerant")
    assert "desiccant" in line["Problem"] and "register.xlsx, Outlets!G2" in line["Problem"]


def test_a_visit_that_says_the_same_is_not_asked(tmp_path):
    result = graded(tmp_path, register(), [{**AIRLINE, "flow_needed_l_min": 280.0, "oil_sampling_needed_min": 10}])
    assert said(result, "in the register").empty
    assert only(result)["Verdict"] == "pass"


def test_an_unreadable_cell_of_the_visit_is_not_filled(tmp_path):
    result = graded(tmp_path, register(), [blanks(lowest_use_temperature_c="5O")])
    assert only(result)["Water verdict"] == "cannot tell"


# ------------------------------------------------------------------------------------------ from when a line counts


@pytest.mark.parametrize(
    ("begin", "verdict"),
    [
        (date(2026, 3, 14), "pass"),  # the day itself counts
        (date(2026, 3, 15), "incomplete"),  # a line of tomorrow says nothing of today
        (None, "incomplete"),  # without a day, and no other line has one: never better
    ],
)
def test_a_line_counts_from_its_day(tmp_path, begin, verdict):
    lines = changed("Outlets", **{"from": begin})
    assert only(graded(tmp_path, lines))["Verdict"] == verdict


def test_a_line_without_a_day_counts_after_the_first_day_of_its_sheet(tmp_path):
    lines = changed("Outlets", **{"from": None})
    lines["Outlets"].append({"site": "Elsewhere", "outlet": "9", "from": date(2026, 3, 14)})
    assert only(graded(tmp_path, lines))["Verdict"] == "pass"


def test_a_line_without_a_day_may_make_a_verdict_worse(tmp_path):
    lines = changed("Breathing equipment", flow_needed_l_min=900, **{"from": None})
    result = graded(tmp_path, lines, [AIRLINE | {"flow_needed_l_min": None}])
    assert only(result)["Flow verdict"] == "fail" and only(result)["Verdict"] == "fail"
    assert "by what the register states without a day" in only(result)["Reasons"]
    assert not said(result, "lines of the register that have no day").empty


def test_of_two_lines_the_later_that_has_begun_counts(tmp_path):
    lines = register()
    old = lines["Outlets"][0]
    lines["Outlets"] += [
        {**old, "lowest_use_temperature_c": 3, "from": date(2026, 2, 1)},
        {**old, "lowest_use_temperature_c": -30, "from": date(2026, 4, 1)},
    ]
    found = only(graded(tmp_path, lines))
    assert (found["Lowest use temperature (°C)"], found["Verdict"]) == (3.0, "pass")


def test_a_test_without_a_date_is_never_better_by_the_register(tmp_path):
    result = graded(tmp_path, register(), stated=visit(test_date=None))
    assert only(result)["Verdict"] == "incomplete"


def test_a_lower_temperature_that_a_test_states_after_the_line_began_is_carried(tmp_path):
    for name, day, temperature in (("a", date(2026, 2, 1), -20.0), ("b", date(2026, 3, 14), None)):
        write_blank(
            tmp_path / f"{name}.xlsx", visit=visit(test_date=day), rows=[blanks(lowest_use_temperature_c=temperature)]
        )
    write_register(tmp_path / "register.xlsx", lines=register())
    tests = run(tmp_path, as_of=AS_OF).verdicts
    assert set(tests["Lowest use temperature (°C)"]) == {-20.0}


# ------------------------------------------------------------------------------------------------- calibrations, lots


@pytest.mark.parametrize(
    ("day", "verdict", "words"),
    [
        (date(2025, 12, 31), "pass", "calibration_not_stated"),  # before the first: not stated
        (date(2026, 3, 14), "pass", ""),
        (date(2026, 7, 15), "pass", "calibration_not_stated"),  # between two
        (date(2026, 9, 1), "pass", ""),
        (date(2026, 11, 2), "incomplete", "calibration_overdue"),  # after the last
    ],
)
def test_a_calibration_covers_from_its_day_to_its_last(tmp_path, day, verdict, words):
    lines = register()
    lines["Instruments"] = [
        {"instrument": "A1", "calibrated_on": date(2026, 1, 1), "calibration_due": date(2026, 6, 30)},
        {"instrument": "a-1", "calibrated_on": date(2026, 8, 1), "calibration_due": date(2026, 11, 1)},
    ]
    result = graded(tmp_path, lines, [AIRLINE], visit(test_date=day, co_tube_lot=None, oil_tube_lot=None))
    assert only(result)["Verdict"] == verdict
    said_of = {"calibration_not_stated": "Not stated", "calibration_overdue": "alibration"}
    if words:
        assert result.problems["Problem"].str.contains(said_of[words]).any()
    else:
        assert not said(result, "Calibration due").empty


def test_a_calibration_without_its_day_covers_nothing_and_counts_when_it_is_past(tmp_path):
    lines = changed("Instruments", calibrated_on=None)
    assert only(graded(tmp_path / "in", lines, [AIRLINE]))["Verdict"] == "pass"
    lines = changed("Instruments", calibrated_on=None, calibration_due=date(2026, 1, 31))
    assert only(graded(tmp_path / "past", lines, [AIRLINE]))["Verdict"] == "incomplete"


def test_an_expired_lot_of_the_register_is_one_of_the_visit(tmp_path):
    lines = changed("Tubes", tube_expiry=date(2026, 2, 28))
    assert only(graded(tmp_path, lines))["Oil verdict"] == "cannot tell"


def test_the_lowest_mark_of_a_lot_reads_nothing_detected(tmp_path):
    rows = [blanks(co2_ppm="ND")]
    stated = visit(co2_tube_lot="D4")
    assert only(graded(tmp_path / "without", register(), rows, stated))["Carbon dioxide verdict"] == "cannot tell"
    lines = register()
    lines["Tubes"].append({"parameter": "Carbon dioxide", "tube_lot": "d4", "lowest_mark": 400})
    lines["Tubes"].append({"parameter": "Water", "tube_lot": "w9", "lowest_mark": 20})
    rows, stated = [blanks(co2_ppm="ND", water_tube_mg_m3="ND")], visit(co2_tube_lot="D4", water_tube_lot="W9")
    found = only(graded(tmp_path / "with", lines, rows, stated))
    assert (found["Carbon dioxide verdict"], found["Water verdict"]) == ("pass", "pass")


def test_a_lot_under_the_wrong_parameter_is_asked_and_fills_nothing(tmp_path):
    lines = changed("Tubes", parameter="Carbon dioxide")
    result = graded(tmp_path, lines)
    assert "0451" in said(result, "under Carbon dioxide only").iloc[0]["Problem"]
    assert result.tests["oil_tube_expiry_state"].tolist() == [0]


# ----------------------------------------------------------------------------------------------- equipment in use


@pytest.mark.parametrize(
    ("used", "flow", "verdict"),
    [
        (None, 300.0, "pass"),  # taken as the register's two
        (2, 300.0, "pass"),
        (3, 300.0, "fail"),  # more ran: 420 L/min are needed
        (3, 530.0, "pass"),
        (">2", 900.0, "cannot tell"),
        (1, 300.0, "cannot tell"),  # one ran, two will
        (1, 200.0, "fail"),  # less than two need even so
        ("some", 300.0, "cannot tell"),
    ],
)
def test_fewer_in_use_than_the_register_says_is_no_pass(tmp_path, used, flow, verdict):
    result = graded(tmp_path, register(), [blanks(used_at_once=used, flow_l_min=flow)])
    assert only(result)["Flow verdict"] == verdict
    assert (not said(result, "How many ran").empty) == (used is None)
    assert (not said(result, "More ran during the test").empty) == (used in (3, ">2"))
    if used == 1 and verdict == "cannot tell":
        assert "fewer hoods or masks ran" in only(result)["Reasons"]


@pytest.mark.parametrize(
    ("used", "flow", "verdict"), [(3, 300.0, "fail"), (3, 530.0, "pass"), ("2 to 3", 900.0, "cannot tell")]
)
def test_how_many_ran_counts_where_the_register_has_no_number(tmp_path, used, flow, verdict):
    result = graded(tmp_path, changed("Outlets", used_at_once=None), [blanks(used_at_once=used, flow_l_min=flow)])
    assert only(result)["Flow verdict"] == verdict


def test_fewer_in_use_counts_where_the_visit_states_its_own_need_too(tmp_path):
    result = graded(tmp_path, register(), [blanks(used_at_once=1, flow_needed_l_min=280.0)])
    assert only(result)["Flow verdict"] == "cannot tell"


@pytest.mark.parametrize(
    ("sheet", "column", "slip", "cell"),
    [("Outlets", "site", "North Wroks", "B2"), ("Outlets", "outlet", "Bya 1", "C2"), ("Plant", "site", "North Wroks", "A2"),
     ("Clearances", "outlet", "Bya 1", "B2")],
)  # fmt: skip
def test_a_line_that_names_a_slip_of_what_was_tested_is_asked(tmp_path, sheet, column, slip, cell):
    result = graded(tmp_path, {**changed(sheet, **{column: slip}), "Names": []})
    (told,) = said(result, "looks like a slip of").to_dict("records")
    assert (told["Sheet"], told["Cell"], told["Severity"]) == (sheet, cell, "query")
    other = graded(tmp_path / "other", {**changed(sheet, **{column: "Gate 7"}), "Names": []})
    assert said(other, "looks like a slip of").empty


def test_equipment_of_the_visit_rules_and_one_that_is_not_known_is_asked(tmp_path):
    lines = register()
    lines["Breathing equipment"].append({"equipment": "Mask", "flow_needed_l_min": 160, "from": date(2026, 1, 1)})
    found = graded(tmp_path / "known", lines, [blanks(equipment="mask")])
    assert found.tests["flow_needed_l_min"].tolist() == [320.0]
    result = graded(tmp_path / "not", lines, [blanks(equipment="Helmet")])
    assert not said(result, "Helmet is not on the register").empty
    assert only(result)["Flow verdict"] == "cannot tell"


# --------------------------------------------------------------------------------------------------- where it lies


def test_a_register_beside_a_file_given_counts_and_other_files_there_do_not(tmp_path):
    graded(tmp_path, register())
    write_blank(tmp_path / "other.xlsx", visit=VISIT, rows=[AIRLINE, AIRLINE])
    result = run(tmp_path / "visit.xlsx", as_of=AS_OF)
    assert only(result)["Verdict"] == "pass"
    assert result.sources["File"].tolist() == ["visit.xlsx", "register.xlsx"]


def test_a_register_in_a_sub_folder_is_said_and_not_used(tmp_path):
    result = graded(tmp_path, None)
    write_register_in = tmp_path / "old"
    write_register_in.mkdir()
    write_register(write_register_in / "register.xlsx", lines=register())
    result = run(tmp_path, as_of=AS_OF)
    assert only(result)["Verdict"] == "incomplete"
    assert said(result, "sub-folder")["Severity"].tolist() == ["query"]


def test_a_register_without_its_property_is_known_by_its_sheets(tmp_path):
    graded(tmp_path, register())
    book = openpyxl.load_workbook(tmp_path / "register.xlsx")
    del book.custom_doc_props["grader-kind"]
    book.save(tmp_path / "register.xlsx")
    assert only(run(tmp_path, as_of=AS_OF))["Verdict"] == "pass"


def test_a_sheet_of_a_register_under_another_name_is_the_one_whose_headings_it_has(tmp_path):
    graded(tmp_path, register())
    book = openpyxl.load_workbook(tmp_path / "register.xlsx")
    for number, name in enumerate(REGISTER):
        book[name].title = f"Blatt {number}"
    book.save(tmp_path / "register.xlsx")
    result = Graded(tmp_path)
    assert only(result)["Verdict"] == "pass"
    asked = said(result, "by its headings it is taken as")
    assert asked["Severity"].tolist() == ["query"] * len(asked)
    assert all(name in asked["Problem"].str.cat() for name in REGISTER)


def test_a_sheet_of_a_register_with_another_name_and_few_headings_is_asked_and_no_log(tmp_path):
    graded(tmp_path, register())
    book = openpyxl.load_workbook(tmp_path / "register.xlsx")
    book["Outlets"].delete_cols(4, 10)
    book["Outlets"].title = "Taps"
    book.save(tmp_path / "register.xlsx")
    result = Graded(tmp_path)
    assert only(result)["Verdict"] == "incomplete"
    assert said(result, "has a few headings of Outlets")["Cell"].tolist() == ["A1"]


@pytest.mark.parametrize("name", ["Plant", "Outlets", "Tubes"])
def test_a_log_on_a_sheet_named_like_one_of_a_register_is_a_log(tmp_path, name):
    write_blank(tmp_path / "log.xlsx", visit=VISIT, rows=[AIRLINE, {**AIRLINE, "outlet": "Bay 2"}])
    book = openpyxl.load_workbook(tmp_path / "log.xlsx")
    book["Readings"].title = name
    book.save(tmp_path / "log.xlsx")
    result = run(tmp_path, as_of=AS_OF)
    assert result.sources["Rows found"].tolist() == [2] and result.sources["State"].tolist() == ["read"]


def test_logs_beside_the_sheets_of_a_register_in_one_workbook_are_read(tmp_path):
    graded(tmp_path, register())
    book = openpyxl.load_workbook(tmp_path / "register.xlsx")
    sheet = book.create_sheet("2026")
    for row in (
        ["Site", "Test date", "Outlet", "Carbon monoxide (ppm)"],
        ["North Works", date(2026, 5, 1), "Bay 3", 4],
    ):
        sheet.append(row)
    book.save(tmp_path / "register.xlsx")
    result = run(tmp_path, as_of=AS_OF)
    assert result.sources.set_index("File")["Rows found"].to_dict() == {"register.xlsx": 1, "visit.xlsx": 1}
    assert result.verdicts.set_index("Outlet")["Verdict"].to_dict() == {"Bay 3": "incomplete", "Bay 1": "pass"}


def test_two_registers_count_together_and_are_asked(tmp_path):
    graded(tmp_path, {"Outlets": register()["Outlets"]})
    write_register(tmp_path / "b.xlsx", lines={k: v for k, v in register().items() if k != "Outlets"})
    result = run(tmp_path, as_of=AS_OF)
    assert only(result)["Verdict"] == "pass"
    assert "b.xlsx, register.xlsx" in said(result, "There are 2 registers").iloc[0]["Problem"]


def test_a_name_that_the_register_settles_is_the_one_it_means(tmp_path):
    result = graded(tmp_path, register(), [blanks(outlet="Bya 1")])
    assert only(result)["Verdict"] == "pass" and result.tests["outlet"].tolist() == ["Bay 1"]


def test_a_name_with_two_meanings_has_none(tmp_path):
    lines = register()
    lines["Names"].append({"what": "outlet", "written": "Bya 1", "means": "Bay 2"})
    assert only(graded(tmp_path, lines, [blanks(outlet="Bya 1")]))["Verdict"] == "incomplete"


# ------------------------------------------------------------------------------------------------------ clearances


def test_a_clearance_since_the_last_test_is_shown_and_changes_no_state(tmp_path):
    rows = [blanks(co_ppm=40.0), blanks(outlet="Bay 2")]
    lines = register()
    lines["Clearances"] = [
        {"site": "North works", "outlet": "bay 1", "cleared_on": day, "cleared_by": who}
        for day, who in (
            (date(2026, 1, 5), "before the test"),
            (date(2026, 4, 1), "first"),
            (date(2026, 4, 9), "last"),
            (date(2027, 1, 1), "after the run"),
        )
    ]
    with_register = graded(tmp_path, lines, rows)
    due = with_register.due.set_index("Outlet")
    assert (due.loc["Bay 1", "State"], due.loc["Bay 1", "Cleared by"]) == ("out of use", "last")
    assert str(due.loc["Bay 1", "Cleared on"])[:10] == "2026-04-09" and due.loc["Bay 2", "Cleared by"] == ""
    assert with_register.verdicts["Verdict"].tolist()[0] == "fail"


def test_clearances_and_second_signatures_stand_on_due_record_and_notice_and_move_nothing(tmp_path):
    lines = register()
    lines["Clearances"] = [
        {
            "site": "North Works",
            "outlet": "Bay 1",
            "cleared_on": date(2026, 4, day),
            "cleared_by": who,
            "grounds": "new",
        }
        for day, who in ((1, "N. N."), (2, "M. M."))
    ]
    stated = visit(reviewed_by="R. R.", reviewed_on=date(2026, 3, 16))
    row = blanks(flow_l_min=200.0)
    plain = graded(tmp_path / "plain", {**lines, "Clearances": []}, [row])
    result = graded(tmp_path / "with", lines, [row], stated)
    assert result.verdicts["Verdict"].tolist() == plain.verdicts["Verdict"].tolist() == ["fail"]
    assert result.due["State"].tolist() == plain.due["State"].tolist() == ["out of use"]
    assert result.due[["Cleared on", "Cleared by"]].astype(str).values.tolist() == [["2026-04-02", "M. M."]]
    papers = {p.name[:6] == "NOTICE": p for p in result.write_records(tmp_path / "records")}
    for notice, parts in ((True, ["M. M."]), (False, ["M. M.", "new", "R. R.", "2026-03-16"])):
        book = openpyxl.load_workbook(papers[notice])
        said_there = " ".join(str(c.value) for sheet in book for line in sheet.iter_rows() for c in line if c.value)
        assert all(part in said_there for part in parts)


def test_a_problem_of_a_filled_cell_shows_what_was_filled_in(tmp_path):
    (line,) = said(graded(tmp_path, changed("Outlets", outlet_status="locked off")), "status is").to_dict("records")
    assert (line["File"], line["Value"]) == ("visit.xlsx", "locked off")
