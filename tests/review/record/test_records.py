"""Records of visits and out-of-use notices, from raw rows through the real stages.

What a record must hold rests on the text of COSHH 2002 regulation 9(4) and, for the list of contents, on
memory of a code of practice. Everything else here is the project's own design.
"""

import hashlib
import re
from datetime import date

import pandas as pd
import pytest

from grader import grade
from grader.judge.rules.sets import limits_table, load_ruleset
from grader.review.actions.findings import actions_table
from grader.review.record.notices import out_of_use_notices
from grader.review.record.numbers import SIGNS, numbered, records_table, visit_groups
from grader.review.record.records import visit_findings, visit_records
from grader.words import words
from tests.support import AIRLINE, CHARGING, CYLINDER, VISIT, graded_files
from tests.test_batch import visit_file

BAY2 = {**AIRLINE, "outlet": "Bay 2"}
HIGH_CO = {**AIRLINE, "co_ppm": 9.0}
JUNE = {**VISIT, "test_date": date(2026, 6, 14)}
RULES = load_ruleset("en12021-2014")


def sum_of(name):
    """A file is known by its name here: the stages are given rows, no workbook."""
    return hashlib.sha256(name.encode()).hexdigest()


def records_of(files, **more):
    tests, _ = graded_files(files)
    return records_from(tests, list(files), **more)


def records_from(tests, names, sums=None, **more):
    used = {r: load_ruleset(r) for r in tests["ruleset"].unique() if r}
    listed = pd.DataFrame({"name": names, "sha256": sums or [sum_of(name) for name in names]})
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
    assert [r.file_name for r in records] == [
        f"2026-03-14 East Works {records[0].number}.xlsx",
        f"2026-03-14 North Works {records[1].number}.xlsx",
        f"2026-06-14 North Works {records[2].number}.xlsx",
    ]
    assert all(r.kind == "record" for r in records)
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
        sum_of("a.xlsx"),
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
        ("On the site's list and not tested at this visit, so not cleared by this record: Bay 8, Bay 9 (locked off).",),
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


def test_page_one_says_why_an_outlet_is_out_and_not_what_else_is_told_of_its_test():
    """The correction of the tubes and how warm it has to stay stand below the outlet."""
    visit = {**VISIT, "atmospheric_pressure_hpa": 900.0, "tubes_corrected": "yes"}
    warm = {**AIRLINE, "oil_mg_m3": None, "lowest_use_temperature_c": None, "flow_needed_l_min": None}
    record = records_of({"a.xlsx": (visit, [warm])})[0]
    _, line, *_ = (row[0] for row in record.page.blocks[1].rows)
    _, below = outlet_cells(record, "Bay 1")
    assert "Not tested: oil" in line
    for told in ("Tube readings times 1.126", "Water passes only while", "what is needed is not stated: flow"):
        assert told in below and told not in line


def test_what_was_not_tested_or_not_visited_is_said():
    empty = {"outlet": "Bay 9", "supply": "airline"}
    record = records_of({"a.xlsx": (VISIT, [{**AIRLINE, "oil_mg_m3": None}, empty])})[0]
    cells, _ = outlet_cells(record, "Bay 1")
    assert cells["Oil (mg/m³)"] == "not tested" and cells["Verdict"] == "incomplete"
    cells, below = outlet_cells(record, "Bay 9")
    assert cells["Oxygen (%)"] == "" and cells["Verdict"] == "incomplete" and "Not visited" in below
    assert ("Outlets tested of 2 on the site's list", 1, "") in record.page.blocks[0].rows


def test_a_visit_of_unvisited_rows_only_has_no_record():
    assert records_of({"a.xlsx": (VISIT, [{"outlet": "Bay 9", "supply": "airline"}])}) == []


def test_tests_without_a_date_have_a_record_of_their_own():
    undated = {k: x for k, x in VISIT.items() if k != "test_date"}
    records = records_of({"a.xlsx": (undated, [AIRLINE]), "b.xlsx": (VISIT, [AIRLINE])})
    assert sorted(r.number[:5] for r in records) == ["0000-", "2026-"]
    assert "date not stated" in next(r for r in records if r.number.startswith("0000")).page.subtitle


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
    (record,) = records_of({"a.xlsx": (VISIT, [HIGH_CO, {**BAY2, "co_ppm": 9.0}])})
    (row,) = block(record, "Findings and next steps").rows
    assert row[0] == "Bay 1, Bay 2: Carbon monoxide 9 ppm is over the limit of 5 ppm"
    assert record.page.blocks[1].rows[1] == ("Bay 1, Bay 2 (fail): Carbon monoxide 9 ppm is over the limit of 5 ppm.",)


def test_findings_of_each_visit_are_those_of_its_own_tests():
    tests, _ = graded_files({"a.xlsx": (VISIT, [HIGH_CO]), "b.xlsx": (JUNE, [HIGH_CO])})
    assert sorted(visit_findings(tests).test) == [0, 1] and list(actions_table(tests).test) == [1]


# -- page one --------------------------------------------------------------------------------------------


def test_page_one_says_what_of_the_sites_list_was_tested_and_what_is_still_open():
    march = [HIGH_CO, BAY2, {**AIRLINE, "outlet": "Bay 3"}, {**AIRLINE, "outlet": "Bay 4"}]
    june = [{**AIRLINE, "outlet": "Bay 3"}, {"outlet": "Bay 4", "outlet_status": "removed"}]
    later = {**VISIT, "test_date": date(2026, 9, 14)}
    files = {"a.xlsx": (VISIT, march), "b.xlsx": (JUNE, june), "c.xlsx": (later, [{**AIRLINE, "outlet": "Bay 5"}])}
    record = records_of(files)[1]
    assert record.page.blocks[0].rows[0] == ("Outlets tested of 3 on the site's list", 1, "")
    assert [row[0] for row in record.page.blocks[1].rows] == [
        "No outlet tested at this visit failed or stayed incomplete.",
        "Still open from before, not tested at this visit:",
        "Bay 1 (fail on 2026-03-14): Carbon monoxide 9 ppm is over the limit of 5 ppm.",
        "On the site's list and not tested at this visit, so not cleared by this record: Bay 2.",
    ]
    assert [b.heading for b in record.page.blocks[2:4]] == ["Visit", "Outlet by outlet"]


def test_columns_that_the_supplies_do_not_use_are_left_out():
    every = block(records_of({"a.xlsx": (VISIT, [AIRLINE])})[0], "Outlet by outlet")
    high = block(records_of({"a.xlsx": (VISIT, [CYLINDER, CHARGING])})[0], "Outlet by outlet")
    mixed = block(records_of({"a.xlsx": (VISIT, [CYLINDER, AIRLINE])})[0], "Outlet by outlet")
    assert set(every.columns) - set(high.columns) == {"Coldest use (°C)", "Margin (K)", "Flow (L/min)"}
    assert mixed.columns == every.columns and sum(high.widths) == sum(every.widths)
    assert all(len(row) == len(high.columns) for row in high.rows)


# -- numbers ---------------------------------------------------------------------------------------------


def test_the_number_is_of_site_day_and_files_and_never_of_the_run():
    alone = records_of({"a.xlsx": (VISIT, [AIRLINE, BAY2])})[0]
    beside = records_of(
        {
            "x.xlsx": ({**VISIT, "site": "Away"}, [AIRLINE]),
            "b.xlsx": (JUNE, [BAY2]),
            "a.xlsx": (VISIT, [AIRLINE, BAY2]),
        },
        language="de",
        version="10",
        options="y",
    )
    assert alone.number in [r.number for r in beside] and len({r.number for r in beside}) == 3
    assert re.fullmatch("2026-[0-9A-HJKMNP-TV-Z]{4}-[0-9A-HJKMNP-TV-Z]{4}", alone.number)
    assert (
        alone.identity[:10] == f"{int(''.join(f'{SIGNS.index(c):05b}' for c in alone.number[5:] if c != '-'), 2):010x}"
    )


@pytest.mark.parametrize(
    "files",
    [
        {"b.xlsx": (VISIT, [AIRLINE])},
        {"a.xlsx": (JUNE, [AIRLINE])},
        {"a.xlsx": ({**VISIT, "site": "East Works"}, [AIRLINE])},
        {"a.xlsx": ({**VISIT, "client": "Other"}, [AIRLINE])},
        {"a.xlsx": (VISIT, [AIRLINE]), "b.xlsx": (VISIT, [BAY2])},
    ],
    ids=["file", "day", "site", "client", "second file"],
)
def test_another_site_day_or_file_has_another_number(files):
    before = records_of({"a.xlsx": (VISIT, [AIRLINE])})[0]
    assert before.number not in [r.number for r in records_of(files)]


def test_a_copy_of_a_file_leaves_the_number_as_it_is():
    alone = records_of({"a.xlsx": (VISIT, [AIRLINE])})[0]
    assert records_of({"a.xlsx": (VISIT, [AIRLINE]), "b.xlsx": (VISIT, [AIRLINE])})[0].number == alone.number


@pytest.mark.parametrize("site", ["CON", "A/B: *?", "..", "Прибор " * 40, "坑道" * 60, "-", "x" * 300])
def test_a_file_name_is_one_for_any_site_and_keeps_the_number(site):
    """255 bytes: the longest file name of common file systems; forbidden characters: those of Windows."""
    record = records_of({"a.xlsx": ({**VISIT, "site": site}, [AIRLINE])})[0]
    assert record.file_name.startswith("2026-03-14 ") and record.file_name.endswith(f" {record.number}.xlsx")
    assert len(record.file_name.encode()) < 255 and not set(record.file_name) & set('<>:"/\\|?*')


def test_content_changes_with_a_verdict_but_not_with_version_or_options():
    tests, _ = graded_files({"a.xlsx": (VISIT, [AIRLINE])})
    first = records_from(tests, ["a.xlsx"])[0]
    assert first.content == records_from(tests, ["a.xlsx"], version="10", options="y")[0].content
    other, _ = graded_files({"a.xlsx": (VISIT, [AIRLINE])}, "osha-grade-d")
    again = records_from(other, ["a.xlsx"])[0]
    assert again.number == first.number and again.content != first.content


def test_a_visit_dated_after_the_day_of_the_run_has_no_record_yet(tmp_path):
    for day in (date(2026, 3, 14), date(2027, 3, 14)):
        visit_file(tmp_path / f"{day}.xlsx", test_date=day)
    result = grade(tmp_path, as_of="2026-11-25")
    result.list_records()
    records = result.write_records(tmp_path / "records")
    assert [p.name[:10] for p in records if "NOTICE" not in p.name] == ["2026-03-14"]
    assert result.more["Records"]["File"].tolist() == ["2026-03-14.xlsx"]


# -- corrections -----------------------------------------------------------------------------------------


def test_a_correcting_file_and_the_one_it_corrects_have_records_that_name_each_other():
    old = {"a.xlsx": (VISIT, [HIGH_CO])}
    was = records_of(old)[0].number
    records = records_of({**old, "b.xlsx": ({**VISIT, "replaces_file": "a.xlsx"}, [AIRLINE])})
    now = next(r for r in records if r.number != was)
    before = next(r for r in records if r.number == was)
    assert now.supersedes == (was,) and facts(now)["Supersedes"] == was
    assert before.page.blocks[1].rows[0] == (f"Superseded by record {now.number}: this record no longer holds.",)
    assert "Superseded" not in whole_text(now) and len(records) == 2


def test_a_correction_that_is_corrected_in_part_stays_a_link_of_the_chain():
    """b replaces both outlets of a, c one of the two of b: a is superseded by b, and b by c."""
    a = {"a.xlsx": (VISIT, [HIGH_CO, BAY2])}
    b = {"b.xlsx": ({**VISIT, "replaces_file": "a.xlsx"}, [HIGH_CO, BAY2])}
    c = {"c.xlsx": ({**VISIT, "replaces_file": "b.xlsx"}, [AIRLINE])}
    first, second = records_of(a)[0].number, records_of(b)[0].number
    records = {r.number: r.supersedes for r in records_of({**a, **b, **c})}
    assert records.pop(first) == () and records.pop(second) == (first,) and list(records.values()) == [(second,)]


def test_a_corrected_date_supersedes_the_record_of_the_wrong_date():
    old = {"a.xlsx": (JUNE, [AIRLINE])}
    was = records_of(old)[0].number
    records = records_of(
        {**old, "b.xlsx": ({**VISIT, "replaces_file": "a", "replaces_date": JUNE["test_date"]}, [AIRLINE])}
    )
    assert {r.file_name[:10]: r.supersedes for r in records} == {"2026-03-14": (was,), "2026-06-14": ()}


def test_other_files_of_the_visit_belong_to_the_superseded_record():
    old = {"a.xlsx": (VISIT, [HIGH_CO]), "c.xlsx": (VISIT, [BAY2])}
    was = records_of(old)[0].number
    records = records_of({**old, "b.xlsx": ({**VISIT, "replaces_file": "a.xlsx"}, [AIRLINE])})
    assert [r.supersedes for r in records if r.number != was] == [(was,)]


def test_a_correction_of_a_file_that_is_not_there_says_so():
    (record,) = records_of({"b.xlsx": ({**VISIT, "replaces_file": "lost.xlsx"}, [AIRLINE])})
    assert record.supersedes == () and '"lost.xlsx"' in facts(record)["Supersedes"]
    assert "not among those graded" in facts(record)["Supersedes"]


def test_the_sheet_records_has_a_row_a_record_and_file_replaced_ones_too():
    files = {
        "a.xlsx": (VISIT, [HIGH_CO]),
        "b.xlsx": ({**VISIT, "replaces_file": "a.xlsx"}, [AIRLINE]),
        "c.xlsx": (VISIT, [BAY2]),
    }
    tests, _ = graded_files(files)
    made = numbered(tests, visit_groups(tests), list(files), [sum_of(name) for name in files])
    table = records_table(made.values(), list(files))
    numbers = {r.number for r in records_of(files)}
    assert set(table["Record number"]) == numbers and len(numbers) == 2
    old, new = (table[table["File"] == name].iloc[0] for name in ("a.xlsx", "b.xlsx"))
    assert old["Superseded by"] == new["Record number"] and new["Supersedes"] == old["Record number"]
    assert sorted(table["File"]) == ["a.xlsx", "b.xlsx", "c.xlsx", "c.xlsx"]


# -- in another language ---------------------------------------------------------------------------------


def test_a_german_record_is_wholly_german():
    rows = [{**HIGH_CO, "dryer": "refrigerant", "water_multiplier": 10}, {**BAY2, "odour": "slight"}, CYLINDER]
    visit = {**VISIT, "tubes_corrected": "yes", "atmospheric_pressure_hpa": 1001.5}
    tests, _ = graded_files({"a.xlsx": (visit, rows)})
    listed = pd.DataFrame({"name": ["a.xlsx"], "sha256": [sum_of("a.xlsx")]})
    limits = pd.DataFrame(limits_table([RULES], "de"))
    rest = {"version": "9.9", "options": "x", "decision_rule": "y", "language": "de"}
    (record,) = visit_records(tests, None, listed, {RULES.id: RULES}, limits, **rest)
    cells = [str(c) for b in record.page.blocks for row in b.rows for c in row]
    text = "\n".join(cells)
    english = (
        "fail pass incomplete near cannot tested judged airline cylinder refrigerant desiccant none slight yes periodic"
    )
    # Reasons and findings are made in the language of the run, which graded_files leaves English.
    labels = [c for b in record.page.blocks if b.kind == "table" for row in b.rows for c in row]
    assert not [w for w in english.split() for c in labels if re.fullmatch(rf"(.*\n)*{w}", str(c))]
    assert "nicht erfüllt" in text and "Druckluftleitung, Kältetrockner" in text and "1001,5" in text
    assert not re.search(r"(?<![\w.])\d+\.\d+(?![\w.])", "\n".join(str(c) for c in labels if "xlsx" not in str(c)))


# -- notices ---------------------------------------------------------------------------------------------


def notice_lines(notice):
    return [row for b in notice.page.blocks if b.kind == "banner" for row in b.rows]


def test_a_notice_is_a_page_an_outlet_with_since_when_why_and_what_not_to_do():
    other = {**AIRLINE, "outlet": "Bay 3", "system": "Other", "oil_mg_m3": None}
    rows = [{**HIGH_CO, "location": "Spray bay"}, {**BAY2, "system": "Other"}, other]
    (notice,) = notices_of({"a.xlsx": (VISIT, rows[:2]), "b.xlsx": (JUNE, rows)})
    pages = [[row[0] for row in b.rows] for b in notice.page.blocks if b.kind == "banner"]
    assert [page[0] for page in pages] == ["OUT OF USE", "NOT CLEARED"] and [page[2] for page in pages] == [
        "Bay 1",
        "Bay 3",
    ]
    assert pages[0][1] == "Not to be used for breathing until cleared by the competent person"
    assert pages[0][3:] == [
        "Spray bay, Main",
        "North Works, Example Coatings",
        "Since 2026-03-14",
        "Carbon monoxide 9 ppm is over the limit of 5 ppm",
    ]
    assert "Oil was not tested" in pages[1][-1]
    assert [b.new_page for b in notice.page.blocks if b.kind == "banner"] == [True, True]
    assert [b.kind for b in notice.page.blocks] == ["banner", "text", "form"] * 2
    assert notice.kind == "notice" and notice.file_name == "NOTICE North Works (Example Coatings).xlsx"


def test_an_outlet_that_its_system_keeps_out_of_use_has_a_page_of_its_own():
    (notice,) = notices_of({"a.xlsx": (VISIT, [HIGH_CO, BAY2, {**AIRLINE, "outlet": "Bay 3", "system": "Other"}])})
    pages = {b.rows[2][0]: [row[0] for row in b.rows] for b in notice.page.blocks if b.kind == "banner"}
    assert set(pages) == {"Bay 1", "Bay 2"} and pages["Bay 2"][0] == "OUT OF USE"
    assert pages["Bay 2"][-1].startswith("System Main is out of use: carbon monoxide failed at Bay 1 on 2026-03-14")


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
