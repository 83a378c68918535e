"""Plan: months, sites, tubes by what the rule set demands."""

from __future__ import annotations

import pandas as pd

from grader.review.due import due_table
from grader.review.plan import COLUMNS, MONTHS_AHEAD, plan_table
from tests.review.tables import judged

DEMANDED = {"rules": frozenset({"Carbon monoxide", "Carbon dioxide", "Oil", "Water", "Oxygen"}), "no oil": frozenset()}


def plan(rows, as_of="2026-03-10"):
    return plan_table(due_table(judged(rows), as_of=as_of), DEMANDED, as_of=as_of)


def test_columns_and_nothing_to_plan():
    names = ["Month", "Site", "Client", "Outlets due", "Carbon monoxide tubes", "Carbon dioxide tubes"]
    assert list(COLUMNS) == [*names, "Oil tubes", "Water tubes"]
    assert list(plan([]).columns) == list(COLUMNS) and plan([]).empty


def test_each_outlet_stands_once_in_its_month_and_what_waits_stands_in_the_first():
    table = plan(
        [
            {"site": "Mill", "outlet": "1", "day": "2026-02-20"},  # three months on: May
            {"site": "Mill", "outlet": "2", "day": "2026-02-20"},
            {"site": "Mill", "outlet": "3", "day": "2025-10-01"},  # overdue
            {"site": "Yard", "outlet": "1", "day": "2026-03-01", "verdict": 3},  # out of use
            {"site": "Yard", "outlet": "2", "day": "2026-03-01", "verdict": 2},  # not cleared
            {"site": "Yard", "outlet": "3", "day": "2026-03-01", "outlet_status": "removed"},
        ]
    )
    found = table[["Month", "Site", "Outlets due", "Oil tubes"]].to_numpy().tolist()
    assert found == [["2026-03", "Yard", 2, 2], ["2026-03", "Mill", 1, 1], ["2026-05", "Mill", 2, 2]]


def test_tubes_are_those_that_the_rule_set_of_the_last_test_demands():
    table = plan(
        [
            {"outlet": "1", "day": "2026-02-20", "ruleset": "rules"},
            {"outlet": "2", "day": "2026-02-20", "ruleset": "no oil"},
        ]
    )
    assert table[["Outlets due", "Carbon monoxide tubes", "Water tubes"]].to_numpy().tolist() == [[2, 1, 1]]


def test_it_looks_a_year_ahead_and_no_further():
    rows = [{"outlet": str(i), "day": "2026-03-01", "interval_months": i} for i in range(1, 15)]
    months = plan(rows)["Month"].tolist()
    expected = pd.period_range("2026-04", periods=MONTHS_AHEAD - 1, freq="M").astype(str).tolist()
    assert months == expected
