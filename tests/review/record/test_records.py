"""Records of visits and out-of-use notices, from raw rows through the real stages.

What a record must hold rests on the text of COSHH 2002 regulation 9(4) and, for the list of contents, on
memory of a code of practice. Everything else here is the project's own design.
"""

from datetime import date

import pandas as pd
import pytest

from grader.judge.rules.sets import limits_table, load_ruleset
from grader.review.actions.findings import actions_table
from grader.review.record.records import out_of_use_notices, row_hashes, visit_findings, visit_records
from grader.words import words
from tests.support import AIRLINE, CHARGING, CYLINDER, VISIT, graded_files

BAY2 = {**AIRLINE, "outlet": "Bay 2"}
HIGH_CO = {**AIRLINE, "co_ppm": 9.0}
JUNE = {**VISIT, "test_date": date(2026, 6, 14)}
RULES = load_ruleset("en12021-2014")


def records_of(files, **more):
    tests, _ = graded_files(files)
    return records_from(tests, list(files), **more)


def records_from(tests, names, sums=None, **more):
    used = {r: load_ruleset(r) for r in tests["ruleset"].unique() if r}
    listed = pd.DataFrame({"name": names, "sha256": sums or [f"{n:064x}" for n in range(len(names))]})
    limits = pd.DataFrame(limits_table(used.values() or [RULES]))
    options = {"version": "9.9", "options": "rules=x", "decision_rule": "simple acceptance", **more}
    return visit_records(tests, None, listed, used, limits, **options)


def notices_of(files):
    tests, _ = graded_files(files)
    return out_of_use_notices(tests, actions_table(tests), as_of=date(2026, 11, 25), version="9.9")


def block(record, heading):
    return next(b for b in record.page.blocks if b.heading == heading)


def facts(record):
    cells = [cell for row in block(record, "Visit").rows for cell in row]
    return dict(zip(cells[::2], cells[1::2]))


def whole_text(record):
    said = [record.page.title, record.page.subtitle]
    for b in record.page.blocks:
        said += [b.heading, b.note, *b.columns, *b.under.values(), *(str(cell) for row in b.rows for cell in row)]
    return "\n".join(said)


def outlet_cells(record, outlet):
    table = block(record, "Outlet by outlet")
    for number, row in enumerate(table.rows):
        if row[0].split("\n")[0] == outlet:
            return dict(zip(table.columns, row)), table.under[number]
    raise AssertionError(f"no row of {outlet}")


# -- one record a visit ----------------------------------------------------------------------------------


def test_there_is_one_record_for_each_site_and_visit_in_order():
    files = {
        "b.xlsx": (JUNE, [AIRLINE]),
        "a.xlsx": (VISIT, [AIRLINE, BAY2]),
        "c.xlsx": ({**VISIT, "site": "East Works"}, [AIRLINE]),
    }
    records = records_of(files)
    assert [r.number.rsplit("-", 1)[0] for r in records] == [
        "2026-03-14-east-works",
        "2026-03-14-north-works",
        "2026-06-14-north-works",
    ]
    assert all(r.kind == "record" and r.file_name == f"{r.number}.xlsx" for r in records)
    assert len({r.identity for r in records}) == 3


def test_the_record_holds_what_was_written_on_the_visit_sheet():
    visit = {
        **VISIT,
        "tested_by": "Engineer X",
        "work_done": "Filter changed",
        "site_address": "1 Invented Way",
        "co_tube_lot": "L-77",
    }
    record = records_of({"a.xlsx": (visit, [AIRLINE])})[0]
    told = facts(record)
    assert told["Tested by"] == "Engineer X" and told["Work done on the plant"] == "Filter changed"
    assert told["Client (employer, duty holder)"] == "Example Coatings" and told["Site address"] == "1 Invented Way"
    assert told["Instrument serial number"] == "A1" and told["Calibration due"] == "2027-01-31"
    assert ("Carbon monoxide", "L-77", "2027-01-31", "all") in block(record, "Detector tubes").rows
    text = whole_text(record)
    for said in (
        "simple acceptance",
        "en 12021",
        "sha-256",
        f"{0:064x}",
        "9.9",
        "rules=x",
        "competent person",
        "Signature",
    ):
        assert said.casefold() in text.casefold(), said


def test_an_outlet_that_was_not_tested_is_named_at_the_top():
    """Else a record of one good outlet reads as if the whole site were clear."""
    rows = [AIRLINE, {"outlet": "Bay 8"}, {"outlet": "Bay 9", "outlet_status": "locked off"},
            {"outlet": "Bay 10", "outlet_status": "removed"}]  # fmt: skip
    [record] = records_of({"a.xlsx": (VISIT, rows)})
    assert record.page.blocks[1].rows == [
        ("No outlet tested at this visit failed or stayed incomplete.",),
        ("Not tested at this visit, so not cleared by this record: Bay 8, Bay 9 (locked off).",),
    ]
    [record] = records_of({"a.xlsx": (VISIT, [AIRLINE])})
    assert len(record.page.blocks[1].rows) == 1


def test_what_is_missing_is_printed_as_not_stated():
    visit = {k: VISIT[k] for k in ("site", "test_date")}
    record = records_of({"a.xlsx": (visit, [AIRLINE])})[0]
    told = facts(record)
    for label in (
        "Client (employer, duty holder)",
        "Tested by",
        "Calibration due",
        "Instrument serial number",
        "Work done on the plant",
        "Atmospheric pressure (hPa)",
    ):
        assert told[label] == "not stated", label
    assert all(row[1:3] == ("not stated", "not stated") for row in block(record, "Detector tubes").rows)


def test_an_unreadable_calibration_date_is_not_printed_as_not_stated():
    record = records_of({"a.xlsx": ({**VISIT, "calibration_due": "soon"}, [AIRLINE])})[0]
    assert facts(record)["Calibration due"].startswith("cannot be read")


def test_tubes_of_two_lots_name_their_outlets():
    rows = [{**AIRLINE, "co_tube_lot": "L1"}, {**BAY2, "co_tube_lot": "L2"}]
    table = block(records_of({"a.xlsx": (VISIT, rows)})[0], "Detector tubes").rows
    assert [row[1:] for row in table if row[0] == "Carbon monoxide"] == [
        ("L1", "2027-01-31", "Bay 1"),
        ("L2", "2027-01-31", "Bay 2"),
    ]


def test_every_record_names_the_open_clause_on_other_contaminants():
    for rows in ([AIRLINE], [CYLINDER], [CHARGING]):
        covered = " ".join(r[0] for r in block(records_of({"a.xlsx": (VISIT, rows)})[0], "What is not covered").rows)
        assert "EN 12021 also asks that any other contaminant" in covered
    other = records_of({"a.xlsx": ({**VISIT, "rule_set": "osha-grade-d"}, [AIRLINE])})[0]
    assert "any other contaminant" in whole_text(other)


def test_limits_from_memory_are_not_printed_as_limits_used():
    rows = block(records_of({"a.xlsx": (VISIT, [AIRLINE])})[0], "Limits and decision rule").rows
    assert rows and not [r for r in rows if "memory" in r]
    assert {"Oxygen", "Carbon monoxide", "Carbon dioxide", "Oil", "Odour", "Dew point margin"} <= {r[0] for r in rows}


def test_limits_of_supplies_that_were_not_tested_are_left_out():
    def conditions(rows):
        record = records_of({"a.xlsx": (VISIT, rows)})[0]
        return {r[1] for r in block(record, "Limits and decision rule").rows}

    assert not [c for c in conditions([AIRLINE]) if "cylinder" in c or "charging" in c]
    assert [c for c in conditions([CYLINDER]) if "cylinder" in c]
    unknown = conditions([{**AIRLINE, "supply": None}])
    assert [c for c in unknown if "cylinder" in c] and [c for c in unknown if "airline" in c]


def test_the_items_of_a_record_say_what_they_rest_on():
    items = words()["record_items"]
    assert {i["basis"] for i in items} == {"law", "memory", "own"}
    assert [i["label"] for i in items if i["field"] == "work_done" and i["basis"] == "law"]  # COSHH 9(4): repairs
    assert all(i["basis"] == "memory" for i in items if i["field"] in ("client", "tested_by", "flow_l_min"))
    assert "memory" not in words()["record"]["keep"] and "9(4)" in words()["record"]["keep"]


# -- outlet by outlet ------------------------------------------------------------------------------------


def test_a_row_gives_reading_need_and_verdict_in_words():
    record = records_of({"a.xlsx": (VISIT, [{**AIRLINE, "co_ppm": "<2", "remarks": "Hose old"}])})[0]
    cells, below = outlet_cells(record, "Bay 1")
    assert cells["Carbon monoxide (ppm)"] == "<2\npass" and cells["Oxygen (%)"] == "20.9\npass"
    assert cells["Flow (L/min)"] == "300\n≥160\npass" and cells["Line pressure (bar)"] == "6\n≥4\npass"
    assert cells["Oil (mg/m³)"] == "0.1, 15 min\npass" and cells["Water (mg/m³)"].endswith("60 × 1")
    assert "at 7 bar" in cells["Dew point (°C)"] and cells["Verdict"] == "pass"
    assert "Remarks: Hose old." in below and "a.xlsx row 2." in below


def test_a_failing_figure_never_prints_equal_to_its_limit():
    """Design: a reason shows enough digits that a failing figure never prints equal to its limit."""
    tests, _ = graded_files({"a.xlsx": (VISIT, [AIRLINE])})
    dew = tests["pressure_dew_point_upper"].iloc[0]
    close = {**AIRLINE, "lowest_use_temperature_c": round(float(dew) + 4.999, 6)}
    cells, _ = outlet_cells(records_of({"a.xlsx": (VISIT, [close])})[0], "Bay 1")
    assert cells["Water verdict"] == "fail" and float(cells["Margin (K)"]) < 5.0


def test_readings_corrected_for_pressure_are_shown_raw_and_corrected():
    visit = {**VISIT, "atmospheric_pressure_hpa": 900.0, "tubes_corrected": "yes"}
    cells, _ = outlet_cells(records_of({"a.xlsx": (visit, [{**AIRLINE, "co_ppm": 4.0}])})[0], "Bay 1")
    assert cells["Carbon monoxide (ppm)"] == "4\ncorr. 4.50\nnear limit"  # 4 × 1013.25 / 900 = 4.503


def test_what_was_not_tested_or_not_visited_is_said():
    empty = {"outlet": "Bay 9", "supply": "airline"}
    record = records_of({"a.xlsx": (VISIT, [{**AIRLINE, "oil_mg_m3": None}, empty])})[0]
    cells, _ = outlet_cells(record, "Bay 1")
    assert cells["Oil (mg/m³)"] == "not tested" and cells["Verdict"] == "incomplete"
    cells, below = outlet_cells(record, "Bay 9")
    assert cells["Oxygen (%)"] == "" and cells["Verdict"] == "incomplete" and "Not visited" in below
    assert ("Outlets tested", 1, "") in record.page.blocks[0].rows


def test_a_visit_of_unvisited_rows_only_has_no_record():
    assert records_of({"a.xlsx": (VISIT, [{"outlet": "Bay 9", "supply": "airline"}])}) == []


def test_tests_without_a_date_have_a_record_of_their_own():
    undated = {k: x for k, x in VISIT.items() if k != "test_date"}
    records = records_of({"a.xlsx": (undated, [AIRLINE]), "b.xlsx": (VISIT, [AIRLINE])})
    assert sorted(r.number[:10] for r in records) == ["2026-03-14", "undated-no"]
    assert "date not stated" in next(r for r in records if r.number.startswith("undated")).page.subtitle


def test_a_repeat_stands_once_and_both_files_are_named():
    (record,) = records_of({"a.xlsx": (VISIT, [AIRLINE]), "b.xlsx": (VISIT, [AIRLINE])})
    assert len(block(record, "Outlet by outlet").rows) == 1
    assert [r[0] for r in block(record, "Sources").rows] == ["a.xlsx", "b.xlsx"]


# -- findings --------------------------------------------------------------------------------------------


def test_an_old_visit_keeps_its_findings_though_a_later_visit_cleared_them():
    files = {"a.xlsx": (VISIT, [HIGH_CO]), "b.xlsx": (JUNE, [AIRLINE])}
    tests, _ = graded_files(files)
    assert actions_table(tests).frame.empty  # nothing stands open today
    march, june = records_from(tests, list(files))
    assert (
        block(march, "Findings and next steps").rows[0][0] == "Bay 1: Carbon monoxide 9 ppm is over the limit of 5 ppm"
    )
    assert block(june, "Findings and next steps").rows == [("No findings.",)]
    assert "Bay 1 (fail)" in whole_text(march) and "(fail)" not in whole_text(june)


def test_a_retest_within_the_visit_clears_the_outlet_and_both_tests_are_shown():
    retest = {**AIRLINE, "visit_reason": "retest"}
    (record,) = records_of({"a.xlsx": (VISIT, [HIGH_CO, BAY2, retest])})
    assert block(record, "Findings and next steps").rows == [("No findings.",)]
    names = [row[0].split("\n")[0] for row in block(record, "Outlet by outlet").rows]
    assert names == ["Bay 1", "Bay 1", "Bay 2"]  # further tests of an outlet behind its first
    assert "Overruled by the later test" in outlet_cells(record, "Bay 1")[1]
    assert ("Fail", 0, "fail") in record.page.blocks[0].rows


def test_one_finding_of_several_outlets_is_told_once():
    (record,) = records_of({"a.xlsx": (VISIT, [HIGH_CO, {**BAY2, "co_ppm": 8.0}])})
    rows = block(record, "Findings and next steps").rows
    assert len(rows) == 1 and rows[0][0].count("\n") == 1 and "Bay 2: Carbon monoxide 8 ppm" in rows[0][0]


def test_findings_of_each_visit_are_those_of_its_own_tests():
    tests, _ = graded_files({"a.xlsx": (VISIT, [HIGH_CO]), "b.xlsx": (JUNE, [HIGH_CO])})
    assert sorted(visit_findings(tests).test) == [0, 1] and list(actions_table(tests).test) == [1]


# -- numbers ---------------------------------------------------------------------------------------------


def test_the_number_is_the_same_however_the_files_lie():
    """A flat log that grows, rows that move, a file renamed: the same visit keeps its number."""
    alone = records_of({"a.xlsx": (VISIT, [AIRLINE, BAY2])})[0]
    later = {**BAY2, "test_date": date(2026, 9, 1), "outlet": "Bay 7"}
    grown = records_of({"x.xlsx": ({**VISIT, "site": "Away"}, [AIRLINE]), "log.xlsx": (VISIT, [later, BAY2, AIRLINE])})
    assert alone.number in [r.number for r in grown]


@pytest.mark.parametrize(
    "change",
    [
        {"co_ppm": 2.0},
        {"co_ppm": "<1"},
        {"odour": "slight"},
        {"remarks": "Smell of paint"},
        {"co_tube_lot": "L9"},
        {"calibration_due": date(2027, 2, 1)},
        {"oil_mg_m3": None},
        {"outlet": "Bay 3"},
        {"test_time": "10:05"},
    ],
)
def test_any_change_of_the_visit_changes_its_number(change):
    before = records_of({"a.xlsx": (VISIT, [AIRLINE, BAY2])})[0]
    after = records_of({"a.xlsx": (VISIT, [AIRLINE, {**BAY2, **change}])})[0]
    assert before.number != after.number and before.identity != after.identity


def test_an_outlet_without_a_name_does_not_bring_its_file_name_into_the_number():
    nameless = {**AIRLINE, "outlet": None}
    assert (
        records_of({"a.xlsx": (VISIT, [nameless])})[0].number == records_of({"b.xlsx": (VISIT, [nameless])})[0].number
    )


def test_two_sites_of_one_name_have_different_numbers():
    records = records_of({"a.xlsx": (VISIT, [AIRLINE]), "b.xlsx": ({**VISIT, "client": "Other"}, [AIRLINE])})
    assert len({r.number for r in records}) == 2


@pytest.mark.parametrize("site", ["CON", "A/B: *?", "..", "Прибор " * 40, "坑道" * 60, "-", "x" * 300])
def test_a_number_makes_a_file_name_for_any_site_and_keeps_its_sum(site):
    """255 bytes: the longest file name of common file systems; forbidden characters: those of Windows."""
    record = records_of({"a.xlsx": ({**VISIT, "site": site}, [AIRLINE])})[0]
    assert record.file_name == f"{record.number}.xlsx" and len(record.file_name.encode()) < 255
    assert record.number[-7] == "-" and record.identity[:6].upper() == record.number[-6:]
    assert not set(record.file_name) & set('<>:"/\\|?*')


def test_hashes_do_not_depend_on_order_or_place():
    one, _ = graded_files({"a.xlsx": (VISIT, [AIRLINE, BAY2])})
    two, _ = graded_files({"z.xlsx": (VISIT, [BAY2, AIRLINE])})
    assert sorted(row_hashes(one)) == sorted(row_hashes(two)) and len(set(row_hashes(one))) == 2


def test_content_changes_with_a_verdict_but_not_with_version_or_options():
    tests, _ = graded_files({"a.xlsx": (VISIT, [AIRLINE])})
    first = records_from(tests, ["a.xlsx"])[0]
    assert first.content == records_from(tests, ["a.xlsx"], ["f" * 64], version="10", options="y")[0].content
    other, _ = graded_files({"a.xlsx": (VISIT, [AIRLINE])}, "osha-grade-d")
    again = records_from(other, ["a.xlsx"])[0]
    assert again.number == first.number and again.content != first.content


# -- corrections -----------------------------------------------------------------------------------------


def test_the_record_of_a_correcting_file_names_the_number_it_amends():
    old = {"a.xlsx": (VISIT, [HIGH_CO])}
    was = records_of(old)[0].number
    (record,) = records_of({**old, "b.xlsx": ({**VISIT, "replaces_file": "a.xlsx"}, [AIRLINE])})
    assert record.number != was and record.amends == (f"record {was}",) and facts(record)["Amends"] == f"record {was}"


def test_a_corrected_date_amends_the_record_of_the_wrong_date():
    old = {"a.xlsx": (JUNE, [AIRLINE])}
    was = records_of(old)[0].number
    (record,) = records_of({**old, "b.xlsx": ({**VISIT, "replaces_file": "a"}, [AIRLINE])})
    assert record.amends == (f"record {was}",) and record.number.startswith("2026-03-14")


def test_other_files_of_the_visit_belong_to_the_amended_record():
    old = {"a.xlsx": (VISIT, [HIGH_CO]), "c.xlsx": (VISIT, [BAY2])}
    was = records_of(old)[0].number
    (record,) = records_of({**old, "b.xlsx": ({**VISIT, "replaces_file": "a.xlsx"}, [AIRLINE])})
    assert record.amends == (f"record {was}",)


def test_a_visit_that_the_correcting_log_left_as_it_was_amends_nothing():
    rows = [{**AIRLINE, "test_date": date(2026, 1, 5)}, {**HIGH_CO, "test_date": date(2026, 5, 5)}]
    fixed = [rows[0], {**rows[1], "co_ppm": 2.0}]
    old = {"log.xlsx": (VISIT, rows)}
    january, may = records_of(old)
    same, changed = records_of({**old, "log2.xlsx": ({**VISIT, "replaces_file": "log.xlsx"}, fixed)})
    assert (same.number, same.amends) == (january.number, ())
    assert changed.amends == (f"record {may.number}",)


def test_a_correction_of_a_file_that_is_not_there_says_so():
    (record,) = records_of({"b.xlsx": ({**VISIT, "replaces_file": "lost.xlsx"}, [AIRLINE])})
    assert (
        len(record.amends) == 1 and '"lost.xlsx"' in record.amends[0] and "not among those graded" in record.amends[0]
    )


# -- notices ---------------------------------------------------------------------------------------------


def notice_lines(notice):
    return [row for b in notice.page.blocks if b.kind == "banner" for row in b.rows]


def test_a_notice_names_outlet_since_when_why_and_what_not_to_do():
    other = {**AIRLINE, "outlet": "Bay 3", "system": "Other", "oil_mg_m3": None}
    rows = [{**HIGH_CO, "location": "Spray bay"}, {**BAY2, "system": "Other"}, other]
    (notice,) = notices_of({"a.xlsx": (VISIT, rows[:2]), "b.xlsx": (JUNE, rows)})
    said = [row[0] for row in notice_lines(notice)]
    assert said[0] == "OUT OF USE" and "NOT CLEARED" in said and "Bay 2" not in said
    assert said[1] == "Not to be used for breathing until cleared by the competent person"
    why = said[said.index("Bay 1") + 1]
    assert (
        "Spray bay" in why and "Since 2026-03-14" in why and "Carbon monoxide 9 ppm is over the limit of 5 ppm" in why
    )
    assert said.index("Bay 1") < said.index("NOT CLEARED") < said.index("Bay 3")
    assert "Oil was not tested" in said[said.index("Bay 3") + 1]
    assert (
        notice.page.one_page
        and notice.kind == "notice"
        and notice.file_name == "NOTICE North Works (Example Coatings).xlsx"
    )


def test_no_notice_for_what_passed_is_near_a_limit_or_was_only_not_visited():
    rows = [AIRLINE, {**BAY2, "odour": "slight"}, {"outlet": "Bay 9", "supply": "airline"}]
    assert notices_of({"a.xlsx": (VISIT, rows)}) == []
    assert notices_of({"a.xlsx": (VISIT, [HIGH_CO]), "b.xlsx": (JUNE, [AIRLINE])}) == []


def test_no_outlet_is_left_off_a_long_notice():
    rows = [{**HIGH_CO, "outlet": f"Bay {n}"} for n in range(1, 41)]
    (notice,) = notices_of({"a.xlsx": (VISIT, rows)})
    assert {f"Bay {n}" for n in range(1, 41)} <= {row[0] for row in notice_lines(notice)}


def test_two_sites_with_one_file_name_get_two_notices():
    files = {"a.xlsx": ({**VISIT, "site": "Yard A/B"}, [HIGH_CO]), "b.xlsx": ({**VISIT, "site": "Yard A*B"}, [HIGH_CO])}
    names = [n.file_name.casefold() for n in notices_of(files)]
    assert len(set(names)) == 2
