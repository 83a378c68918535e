"""Due: last test, interval, next due by calendar months, state and its order."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from grader.columns import FAIL, TEST_FAIL, TEST_INCOMPLETE, TEST_NEAR, TEST_PASS
from grader.problems import Problems
from grader.review.due import STATES, due_table
from tests.review.tables import judged

REQUIRED = ["Site", "Outlet", "Last test", "Last verdict", "Interval", "Next due", "Days left", "State"]


def due(rows, as_of="2026-03-10", **options):
    return due_table(judged(rows), as_of=as_of, **options)


def only(rows, as_of="2026-03-10", **options):
    """The one row of the table, as a dict with dates as text and blanks as None."""
    table = due(rows, as_of, **options)
    assert len(table) == 1
    return {
        k: None if pd.isna(v) else str(v.date()) if isinstance(v, pd.Timestamp) else v
        for k, v in table.iloc[0].to_dict().items()
    }


def test_columns():
    assert list(due([{"day": "2026-01-10"}]).columns)[:8] == REQUIRED
    assert list(due([]).columns)[:8] == REQUIRED and len(due([])) == 0


@pytest.mark.parametrize(
    ("last", "months", "next_due"),
    [
        ("2026-01-31", 1, "2026-02-28"),
        ("2024-01-31", 1, "2024-02-29"),
        ("2025-11-30", 3, "2026-02-28"),
        ("2025-12-10", 3, "2026-03-10"),
        ("2025-08-31", 6, "2026-02-28"),
    ],
)
def test_next_due_by_calendar_months(last, months, next_due):
    assert only([{"day": last, "interval_months": months}])["Next due"] == next_due


@pytest.mark.parametrize(
    ("as_of", "left", "state"),
    [
        ("2026-03-11", -1, "overdue"),
        ("2026-03-10", 0, "due within 14 days"),
        ("2026-02-24", 14, "due within 14 days"),
        ("2026-02-23", 15, "in date"),
    ],
)
def test_state_by_days_left(as_of, left, state):
    row = only([{"day": "2025-12-10"}], as_of)
    assert (row["Days left"], row["State"]) == (left, state)


def test_a_fail_puts_an_outlet_out_of_use_and_leaves_no_next_due():
    row = only([{"day": "2025-12-10", "verdict": TEST_NEAR}, {"day": "2026-03-01", "verdict": TEST_FAIL}])
    assert (row["State"], row["Next due"], row["Last test"]) == ("out of use", None, "2026-03-01")
    assert (row["Last verdict"], row["Last pass"]) == ("fail", "2025-12-10")


def test_an_incomplete_test_does_not_renew():
    row = only([{"day": "2025-12-10"}, {"day": "2026-03-01", "verdict": TEST_INCOMPLETE}])
    assert (row["State"], row["Next due"]) == ("not cleared", "2026-03-10")


def test_never_passed_has_no_next_due():
    row = only([{"day": "2026-03-01", "verdict": TEST_INCOMPLETE}])
    assert (row["State"], row["Next due"], row["Days left"]) == ("not cleared", None, None)


def test_a_retest_of_the_same_day_is_the_last_test():
    row = only(
        [
            {"day": "2026-03-01", "visit_reason": "retest"},
            {"day": "2026-03-01", "verdict": TEST_FAIL, "superseded": True},
        ]
    )
    assert (row["Last verdict"], row["State"]) == ("pass", "in date")


def test_a_superseded_pass_renews_nothing():
    row = only(
        [
            {"day": "2026-03-01", "superseded": True},
            {"day": "2026-03-01", "verdict": TEST_FAIL, "visit_reason": "retest"},
        ]
    )
    assert (row["State"], row["Last pass"]) == ("out of use", None)


def test_of_a_conflict_the_worse_counts():
    rows = [{"day": "2026-03-01", "conflict": True, "same_day": 0, "verdict": v} for v in (TEST_PASS, TEST_FAIL)]
    assert only(rows)["State"] == "out of use"
    assert only(rows)["Last pass"] is None


def test_the_row_that_says_removed_may_be_without_a_reading():
    row = only([{"day": "2025-06-10"}, {"day": "2026-03-01", "visited": False, "outlet_status": "removed"}])
    assert (row["State"], row["Next due"], row["Days left"], row["Last test"]) == ("removed", None, None, "2025-06-10")


def test_a_removed_outlet_is_removed_whatever_its_last_verdict_and_back_when_tested_again():
    gone = {"day": "2025-06-10", "verdict": TEST_FAIL, "outlet_status": "removed"}
    assert only([gone])["State"] == "removed"
    assert only([gone, {"day": "2026-03-01", "outlet_status": ""}])["State"] == "in date"


def test_a_locked_off_outlet_stays_by_its_last_test():
    row = only([{"day": "2025-06-10"}, {"day": "2026-03-01", "visited": False, "outlet_status": "locked off"}])
    assert (row["State"], row["Outlet status"]) == ("overdue", "locked off")


def test_a_fail_without_a_date_puts_an_outlet_out_of_use_and_is_named():
    rows = [{"day": "2026-03-01"}, {"day": None, "verdict": TEST_FAIL}]
    found = only(rows, file_names=["a.xlsx"])
    assert found["State"] == "out of use" and pd.isna(found["Next due"]) and "a.xlsx, row" in found["Rests on"]
    assert only([rows[0], {**rows[1], "verdict": TEST_INCOMPLETE}])["State"] == "in date"
    assert only([rows[0], {**rows[1], "replaced": True}])["State"] == "in date"


def test_tests_without_date_or_to_come_count_for_nothing():
    rows = [
        {"day": None},
        {"day": "2027-01-01", "dated": False},
        {"day": "2027-01-01", "dated": False, "outlet_status": "removed", "visited": False},
    ]
    assert len(due(rows)) == 0
    assert only([{"day": "2025-12-10"}, *rows])["State"] == "due within 14 days"


@pytest.mark.parametrize("interval", [None, 0, "?", "<6", 90])
def test_an_interval_that_cannot_be_used_is_the_usual_one_and_queried(interval):
    problems = Problems()
    table = due([{"day": "2026-01-10", "interval_months": interval}], interval_months=4, problems=problems)
    assert table["Interval"].tolist() == [4] and table["Interval from"].tolist() == ["option"]
    assert problems.codes() == (set() if interval is None else {"interval_not_used"})


@pytest.mark.parametrize(("stated", "used"), [(6, 6), (1.5, 1), (0.5, 1), (24, 24)])
def test_a_stated_interval(stated, used):
    row = only([{"day": "2026-01-10", "interval_months": stated}])
    assert (row["Interval"], row["Interval from"]) == (used, "log")


@pytest.mark.parametrize(("asked", "of_rule", "used", "whence"), [
    (None, 1, 1, "rule set"), (None, None, 3, "usual"), (6, 1, 6, "option"), (1, 3, 1, "option")])  # fmt: skip
def test_where_nothing_is_stated_the_option_else_the_rule_set_says(asked, of_rule, used, whence):
    problems = Problems()
    table = due([{"day": "2026-01-10", "ruleset": "yard"}], interval_months=asked,
                rule_intervals={"yard": of_rule}, problems=problems)  # fmt: skip
    assert (table["Interval"][0], table["Interval from"][0]) == (used, whence)
    assert problems.codes() == ({"interval_longer"} if of_rule and used > of_rule else set())


def test_the_interval_is_the_last_tests():
    row = only([{"day": "2025-07-10", "interval_months": 6}, {"day": "2026-01-10"}])
    assert (row["Interval"], row["Next due"]) == (3, "2026-04-10")


def test_an_interval_below_one_is_refused():
    with pytest.raises(ValueError, match="at least 1 month"):
        due([{"day": "2026-01-10"}], interval_months=0)


def test_sorted_by_state_then_days_left():
    def row(outlet, day, verdict=TEST_PASS, **more):
        return {"outlet": outlet, "day": day, "verdict": verdict, **more}

    table = due(
        [
            row("gone", "2025-01-10", outlet_status="removed"),
            row("fine", "2026-03-01"),
            row("soon", "2025-12-15"),
            row("late", "2025-10-10"),
            row("later", "2025-06-10"),
            row("open", "2026-03-01", TEST_INCOMPLETE),
            row("bad", "2026-03-01", TEST_FAIL),
            row("fine sooner", "2026-02-01"),
            row("worse", "2025-05-10"),
            row("worse", "2026-02-01", TEST_FAIL),
            row("beside", "2026-03-01", system="Store"),
            row("smelt", "2026-03-01", TEST_FAIL, system="Store", verdict_odour=FAIL, odour="marked"),
        ]
    )
    assert table["Outlet"].tolist() == [
        "worse",
        "bad",
        "smelt",
        "beside",
        "open",
        "later",
        "late",
        "soon",
        "fine sooner",
        "fine",
        "gone",
    ]
    assert list(dict.fromkeys(table["State"])) == list(STATES)


def test_left_out_outlets_stay_by_their_own_last_test():
    table = due(
        [
            {"outlet": "Bay 1", "day": "2025-12-01"},
            {"outlet": "Bay 2", "day": "2025-12-01"},
            {"outlet": "Bay 1", "day": "2026-03-01"},
        ]
    )
    assert table["Outlet"].tolist() == ["Bay 2", "Bay 1"]
    assert table["Last test"].astype(str).tolist() == ["2025-12-01", "2026-03-01"]


def test_the_file_of_the_last_test():
    rows = [{"day": "2025-12-10", "file": 1}, {"day": "2026-03-01", "file": 0}]
    assert due(rows, file_names=["a.xlsx", "b.xlsx"])["File"].tolist() == ["a.xlsx"]


def test_days_left_agrees_with_the_dates():
    rng = np.random.default_rng(3)
    rows = [
        {"outlet": f"Bay {i}", "day": str(np.datetime64("2025-06-01") + int(d)), "interval_months": int(m)}
        for i, (d, m) in enumerate(zip(rng.integers(0, 280, 50), rng.integers(1, 13, 50)))
    ]
    table = due(rows)
    assert ((table["Next due"] - pd.Timestamp("2026-03-10")).dt.days == table["Days left"]).all()
    for last, months, then in zip(table["Last test"], table["Interval"], table["Next due"]):
        assert last + pd.DateOffset(months=int(months)) == then  # pandas' own month arithmetic
