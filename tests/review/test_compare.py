"""What changed since an earlier result: real stages, real result workbooks, read back."""

from datetime import date, datetime

import openpyxl
import pandas as pd
import pytest

from grader.page import Page
from grader.problems import GraderError
from grader.review.compare import COLUMNS, compare_table, read_old_result
from grader.review.verdict_sheet import verdict_table
from grader.write.result import write_result
from tests.support import AIRLINE, VISIT, graded_files

BAY2 = {**AIRLINE, "outlet": "Bay 2"}


def verdicts(files, rules=None):
    tests, _ = graded_files(files, rules)
    return verdict_table(tests, list(files), ["Readings"] * len(files))


def issued(folder, frame, name="old.xlsx", **more):
    path = folder / name
    write_result(path, {"Verdicts": frame}, Page("x"), **more)
    return path


def test_an_old_result_is_read_as_it_was_written(tmp_path):
    frame = verdicts({"a.xlsx": (VISIT, [AIRLINE, {**BAY2, "co_ppm": "<2"}])})
    old = read_old_result(issued(tmp_path, frame))
    assert list(old["Outlet"]) == ["Bay 1", "Bay 2"] and list(old["Verdict"]) == list(frame["Verdict"])
    assert list(old["Carbon monoxide (ppm)"]) == [1, "<2"] and old["Test date"][0] == datetime(2026, 3, 14)


def test_nothing_changed_gives_an_empty_table_with_all_columns(tmp_path):
    frame = verdicts({"a.xlsx": (VISIT, [AIRLINE, {**BAY2, "oxygen_pct": 19.0}])})
    table = compare_table(read_old_result(issued(tmp_path, frame)), frame)
    assert list(table.columns) == list(COLUMNS) and table.empty


def test_a_corrected_reading_says_which_parameter_and_figure(tmp_path):
    old = read_old_result(issued(tmp_path, verdicts({"a.xlsx": (VISIT, [AIRLINE, {**BAY2, "co_ppm": 9.0}])})))
    table = compare_table(old, verdicts({"a.xlsx": (VISIT, [AIRLINE, BAY2])}))
    assert len(table) == 1
    row = table.iloc[0]
    assert (row["Outlet"], row["Old verdict"], row["New verdict"]) == ("Bay 2", "fail", "pass")
    assert row["File"] == "a.xlsx" and row["Row"] == 3 and row["Test date"] == pd.Timestamp("2026-03-14")
    assert "Carbon monoxide fail -> pass" in row["Why"]
    assert "Carbon monoxide (ppm) reading 9 -> 1" in row["Why"] and "Oxygen" not in row["Why"]


def test_a_changed_reading_without_a_changed_verdict_is_not_listed(tmp_path):
    old = read_old_result(issued(tmp_path, verdicts({"a.xlsx": (VISIT, [AIRLINE])})))
    assert compare_table(old, verdicts({"a.xlsx": (VISIT, [{**AIRLINE, "co_ppm": 2.0}])})).empty


def test_a_test_that_a_later_file_replaces_is_listed_beside_the_one_in_its_place(tmp_path):
    """Its verdict is the old one still, but it is not the outlet's any more."""
    first = {"a.xlsx": (VISIT, [{**AIRLINE, "co_ppm": 9.0}])}
    old = read_old_result(issued(tmp_path, verdicts(first)))
    table = compare_table(old, verdicts({**first, "b.xlsx": ({**VISIT, "replaces_file": "a.xlsx"}, [AIRLINE])}))
    assert table[["File", "Old verdict", "New verdict", "Why"]].to_numpy().tolist() == [
        ["a.xlsx", "fail", "fail", "Counts in history yes -> replaced"],
        ["b.xlsx", "", "pass", "the test is new"],
    ]


def test_another_rule_set_is_named_as_the_reason(tmp_path):
    files = {"a.xlsx": (VISIT, [{**AIRLINE, "co_ppm": 8.0}])}
    old = read_old_result(issued(tmp_path, verdicts(files)))
    row = compare_table(old, verdicts(files, "osha-grade-d")).iloc[0]
    assert "Rule set en12021-2014 -> osha-grade-d" in row["Why"] and "Carbon monoxide fail -> pass" in row["Why"]


def test_another_decision_rule_is_named_as_the_reason(tmp_path):
    frame = verdicts({"a.xlsx": (VISIT, [AIRLINE, {**BAY2, "co_ppm": 9.0}])})
    before = {"options": "rules=x; as-of=2026-03-20; month-first=False; decision-rule=by rule set",
              "rule-sets": "en12021-2014 v1", "grader-version": "1.0"}  # fmt: skip
    old = read_old_result(issued(tmp_path, frame, properties=before))
    now = {**before, "options": "rules=x; as-of=2026-11-25; month-first=False; decision-rule=guarded",
           "rule-sets": "en12021-2014 v2"}  # fmt: skip
    new = verdicts({"a.xlsx": (VISIT, [AIRLINE, BAY2])})
    why = compare_table(old, new, run=now)["Why"][0]
    assert "this run: decision-rule by rule set -> guarded; this run: version of en12021-2014 v1 -> v2" in why
    assert (
        "as-of" not in why
        and "month-first" not in why
        and "this run" not in compare_table(old, new, run=before)["Why"][0]
    )


def test_tests_that_are_gone_and_new_are_listed(tmp_path):
    old = read_old_result(issued(tmp_path, verdicts({"a.xlsx": (VISIT, [AIRLINE, BAY2])})))
    table = compare_table(old, verdicts({"a.xlsx": (VISIT, [AIRLINE, {**BAY2, "outlet": "Bay 3"}])}))
    told = {r["Outlet"]: (r["Old verdict"], r["New verdict"], r["Why"]) for r in table.to_dict("records")}
    assert told == {"Bay 3": ("", "pass", "the test is new"), "Bay 2": ("pass", "", "the test is not there any more")}


def test_a_renamed_file_and_moved_rows_are_the_same_tests(tmp_path):
    old = read_old_result(issued(tmp_path, verdicts({"a.xlsx": (VISIT, [AIRLINE, {**BAY2, "co_ppm": 9.0}])})))
    table = compare_table(old, verdicts({"sub/b.xlsx": (VISIT, [BAY2, AIRLINE])}))
    assert list(table["Outlet"]) == ["Bay 2"] and table["File"][0] == "sub/b.xlsx" and table["Row"][0] == 2


def test_a_file_written_over_with_the_next_visit_is_gone_and_new(tmp_path):
    """Same file, sheet, row, site and outlet: but a test of another day is another test."""
    old = read_old_result(issued(tmp_path, verdicts({"a.xlsx": (VISIT, [{**AIRLINE, "co_ppm": 9.0}])})))
    table = compare_table(old, verdicts({"a.xlsx": ({**VISIT, "test_date": date(2026, 6, 14)}, [AIRLINE])}))
    assert sorted(table["Why"]) == ["the test is new", "the test is not there any more"]


def test_a_date_filled_in_later_is_the_same_test(tmp_path):
    undated = {k: v for k, v in VISIT.items() if k != "test_date"}
    old = read_old_result(issued(tmp_path, verdicts({"a.xlsx": (undated, [{**AIRLINE, "co_ppm": 9.0}])})))
    table = compare_table(old, verdicts({"a.xlsx": (VISIT, [AIRLINE])}))
    assert len(table) == 1 and "Test date none -> 2026-03-14" in table["Why"][0]


def test_sheets_that_go_on_are_read_too(tmp_path):
    frame = verdicts({"a.xlsx": (VISIT, [AIRLINE, BAY2, {**AIRLINE, "outlet": "Bay 3"}])})
    old = read_old_result(issued(tmp_path, frame, rows_per_sheet=2))
    assert list(old["Outlet"]) == ["Bay 1", "Bay 2", "Bay 3"]


def test_what_is_no_result_is_refused_in_one_line(tmp_path):
    frame = verdicts({"a.xlsx": (VISIT, [AIRLINE])})
    foreign, text, record = tmp_path / "f.xlsx", tmp_path / "t.xlsx", tmp_path / "r.xlsx"
    book = openpyxl.Workbook()
    book.active.title = "Verdicts"
    book.save(foreign)
    text.write_text("no workbook")
    write_result(record, {"Verdicts": frame}, Page("x"), kind="record")
    short = issued(tmp_path, frame[["Site", "Outlet", "Verdict"]], "s.xlsx")
    for path, said in (
        (foreign, "no result of this program"),
        (text, "cannot be opened"),
        (tmp_path / "none.xlsx", "no such"),
        (record, "no result of this program"),
        (short, "System, Test date, File, Sheet, Row"),
    ):
        with pytest.raises(GraderError, match=said) as caught:
            read_old_result(path)
        assert "\n" not in str(caught.value) and path.name in str(caught.value)


# The reason for each change


def because(old, new, **more):
    return compare_table(old, new, **more)["Because of"].tolist()


def test_the_reason_is_the_reading_the_rule_an_option_the_version_or_the_past():
    bad, good = {**AIRLINE, "co_ppm": 9.0}, AIRLINE
    old = verdicts({"a.xlsx": (VISIT, [bad])})
    assert because(old, verdicts({"a.xlsx": (VISIT, [good])})) == ["reading"]
    near = {**AIRLINE, "co_ppm": 7.0}
    old = verdicts({"a.xlsx": (VISIT, [near])})
    assert because(old, verdicts({"a.xlsx": (VISIT, [near])}, rules="osha-grade-d")) == ["rule"]
    run = {"options": "decision-rule=by rule set; as-of=2026-01-01", "rule-sets": "x v1", "grader-version": "1"}
    new = verdicts({"a.xlsx": (VISIT, [good])})
    new["Carbon monoxide (ppm)"] = old["Carbon monoxide (ppm)"]  # as if the same reading were judged otherwise
    for changed, kind in (
        ({"options": "decision-rule=guarded; as-of=2026-01-01"}, "option"),
        ({"rule-sets": "x v2"}, "rule"),
        ({"grader-version": "2"}, "version"),
        ({"options": "decision-rule=by rule set; as-of=2027-01-01"}, "past"),
    ):
        old.attrs["run"] = run
        assert because(old, new, run={**run, **changed}) == [kind]


def test_a_verdict_that_moved_because_of_an_earlier_statement_is_of_the_past():
    day = {"test_date": date(2025, 12, 14)}
    wet = {**AIRLINE, "dryer": "refrigerant", "water_tube_mg_m3": 60.0, "water_multiplier": 10.0}
    blank = {**wet, "lowest_use_temperature_c": None, "ambient_temperature_c": 18.0}
    old = verdicts({"a.xlsx": (VISIT, [blank])})
    new = verdicts(
        {"a.xlsx": (VISIT, [blank]), "z.xlsx": ({**VISIT, **day}, [{**wet, "lowest_use_temperature_c": 2.0}])}
    )
    moved = compare_table(old, new).set_index("File")
    assert moved.loc["a.xlsx", "New verdict"] == "fail" and moved.loc["a.xlsx", "Because of"] == "past"


def test_a_test_that_only_came_to_count_by_its_date_is_no_change():
    old = verdicts({"a.xlsx": (VISIT, [AIRLINE])})
    new = old.copy()
    old["Counts in history"] = "date to come"
    assert compare_table(old, new).empty
    old["Counts in history"] = "replaced"
    assert because(old, new) == ["past"]
