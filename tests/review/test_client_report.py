"""The report of a client: periods, pass rates, findings opened and closed, one workbook a client."""

from __future__ import annotations

from datetime import date

import numpy as np
import openpyxl
import pytest

from grader import grade
from grader.columns import FAIL, PASS, TEST_FAIL, TEST_INCOMPLETE
from grader.problems import GraderError
from grader.review.client_report import as_period, client_reports
from grader.review.due import due_table
from grader.review.history import readings
from grader.review.wear.table import wear_table
from tests.review.tables import judged
from tests.support import AIRLINE, VISIT
from tests.test_batch import visit_file


@pytest.mark.parametrize("asked", ["2026-13", "26", "2026-07..2026-06", "2026..2027", "2026-01..", "", "last year"])
def test_what_is_no_period_is_one_line(asked):
    with pytest.raises(GraderError, match="is no period"):
        as_period(asked)


def test_months_at_the_ends_of_a_period():
    p = as_period("2025-07..2026-06")
    held = p.holds(np.array(["2025-06-30", "2025-07-01", "2026-06-30", "2026-07-01", "NaT"], dtype="datetime64[D]"))
    assert held.tolist() == [False, True, True, False, False]
    assert p.before.holds(np.array(["2024-07-01", "2025-06-30"], dtype="datetime64[D]")).all()


ROWS = [
    {"outlet": "1", "day": "2025-05-01", "co": 9.0, "verdict_co": FAIL, "verdict": TEST_FAIL},
    {"outlet": "1", "day": "2026-02-01", "co": 2.0, "verdict_co": PASS},
    {"outlet": "2", "day": "2025-05-01", "co": 2.0, "verdict_co": PASS},
    {"outlet": "2", "day": "2026-02-01", "co": 9.0, "verdict_co": FAIL, "verdict": TEST_FAIL},
    {"outlet": "2", "day": "2026-03-01", "co": 9.0, "verdict_co": FAIL, "verdict": TEST_FAIL},
    {"outlet": "3", "day": "2026-02-01", "verdict": TEST_INCOMPLETE},
    {"outlet": "4", "day": "2024-02-01", "co": 9.0, "verdict_co": FAIL, "verdict": TEST_FAIL},
    {"outlet": "4", "day": "2025-02-01", "co": 2.0, "verdict_co": PASS},
]


def report(rows, asked="2026", language="en"):
    rows = [{"client": "Ash", "site": "Mill", **row} for row in rows]
    tests = judged(rows)
    tests["site_key"] = [f"{row['client']}\1{row['site']}" for row in rows]
    due = due_table(tests, as_of="2026-11-25")
    wear = wear_table(tests, readings(tests), as_of=np.datetime64("2026-11-25")).table
    given = {"as_of": date(2026, 11, 25), "version": "0", "decision_rule": "simple", "language": language}
    return client_reports(tests, due, wear, as_period(asked), **given)


def block(record, heading):
    return next(b for b in record.page.blocks if b.heading == heading)


def test_pass_rates_beside_the_period_before():
    [made] = report(ROWS)
    figures = {label: number for label, number, _ in made.page.blocks[0].rows}
    assert figures["Tests"] == 4 and figures["Pass rate"] == "25 %" and figures["Period before"] == "67 %"
    [row] = block(made, "Sites, the lowest pass rate first").rows
    assert row == ("Mill", 2, 2, 1, 0, 1, "25 %", "67 %", "-42")


def test_findings_opened_closed_and_open_from_before():
    """What closed before the period is no finding of it; a second fail opens no second one."""
    [made] = report(ROWS)
    rows = block(made, "Failed limits: opened and closed").rows
    assert [(r[1], str(r[4]), str(r[5])) for r in rows] == [
        ("2", "2026-02-01", "open"),
        ("1", "2025-05-01", "2026-02-01"),
    ]


def test_what_closes_after_the_period_is_open_in_it():
    [made] = report(ROWS, "2025")
    rows = block(made, "Failed limits: opened and closed").rows
    assert [(r[1], str(r[5])) for r in rows] == [("1", "open"), ("4", "2025-02-01")]


def test_outlets_out_of_use_are_named_and_the_finding_of_their_system_stays_open(tmp_path):
    rows = [{**AIRLINE, "co_ppm": 9.0}, {**AIRLINE, "outlet": "Bay 2"}]
    visit_file(tmp_path / "a.xlsx", rows, test_date=date(2026, 7, 13))
    visit_file(tmp_path / "b.xlsx", test_date=date(2026, 10, 12))
    for language, words in (
        ("en", ("open (system)", "Out of use today")),
        ("de", ("offen (Anlage)", "Heute außer Betrieb")),
    ):
        [path] = grade(tmp_path, as_of="2026-11-25", language=language).write_reports(tmp_path / language, "2026")
        rows = [
            [str(c) for c in row if c is not None]
            for row in openpyxl.load_workbook(path).active.iter_rows(values_only=True)
        ]
        assert [words[0]] == [row[-1] for row in rows if row[:2] == [VISIT["site"], "Bay 1"]]
        [named] = [row for row in rows if row[:2] == [VISIT["site"], "Bay 2"]]
        assert [words[1]] in rows and named[4].startswith("2026-07-13") and named[5].endswith(", Bay 1, 2026-07-13")


def test_columns_of_the_chart_add_up_to_the_tests():
    [made] = report(ROWS, "2025-01..2026-12")
    chart = block(made, "Tests by result").chart
    assert sum(sum(values) for _, values in chart["series"]) == 7
    assert len(chart["categories"]) == 8  # two years are quarters


def test_a_german_report_says_verdicts_in_german():
    page = report(ROWS, language="de")[0].page
    _, sites, _, chart, *_, due = page.blocks
    assert {"Nicht erfüllt", "Unvollständig", "Grenznah", "Erfüllt"} <= set(sites.columns)
    assert [name for name, _ in chart.chart["series"]] == ["erfüllt", "unvollständig", "nicht erfüllt"]
    assert {row[-1] for row in due.rows} == {"überfällig"}


def test_one_report_a_client_and_none_where_nothing_was_tested():
    rows = [{**ROWS[0], "client": "Ash"}, {**ROWS[1], "client": "Beech", "site": "Yard"}]
    assert [r.file_name for r in report(rows, "2026")] == ["Beech 2026.xlsx"]
    assert report(ROWS, "2020") == []


def test_a_report_is_a_workbook_of_its_own_kind_in_both_languages(tmp_path):
    visit_file(tmp_path / "a.xlsx", rows=[AIRLINE, {**AIRLINE, "outlet": "Bay 2", "co_ppm": 9.0}])
    result = grade(tmp_path / "a.xlsx", as_of="2026-11-25", language="de")
    [path] = result.write_reports(tmp_path / "reports", "2026")
    assert path.name == f"{VISIT['client']} 2026.xlsx"
    book = openpyxl.load_workbook(path)
    assert {p.name: p.value for p in book.custom_doc_props.props}["grader-kind"] == "report"
    cells = [str(c.value) for row in book.active.iter_rows() for c in row if c.value is not None]
    assert "Prüfungen nach Ergebnis" in cells and "Kohlenmonoxid" in cells and "Carbon monoxide" not in cells
