"""Findings of a whole system: every outlet of it is out of use until each has passed again (design, "History")."""

from __future__ import annotations

from datetime import date

import pandas as pd
import pytest

from grader.columns import PARAMETER_BY_NAME
from grader.data import load_toml
from grader.review.actions.findings import actions_table
from grader.review.due import due_table
from grader.review.record.notices import out_of_use_notices
from grader.review.summary.page import system_lines
from tests.support import AIRLINE, VISIT, graded_files

AS_OF = date(2026, 3, 20)


def row(outlet, **more):
    return {**AIRLINE, "outlet": outlet, **more}


def judged(*visits, as_of="2026-03-20"):
    """One file a visit, a month apart from January 2026: the judged table."""
    files = {
        f"v{month}.xlsx": ({**VISIT, "test_date": date(2026, month, 14)}, rows)
        for month, rows in enumerate(visits, start=1)
    }
    return graded_files(files, as_of=as_of)[0]


def states(*visits):
    """Outlet -> state on Due."""
    due = due_table(judged(*visits), as_of=AS_OF, file_names=[f"v{n + 1}.xlsx" for n in range(len(visits))])
    return dict(zip(due["Outlet"], due["State"]))


CO = {"co_ppm": 9.0}


@pytest.mark.parametrize(
    "fault", [CO, {"co2_ppm": 900.0}, {"oxygen_pct": 18.0}, {"odour": "marked"}], ids=lambda f: next(iter(f))
)
def test_one_outlet_s_fail_of_the_air_itself_takes_the_whole_system_out_of_use(fault):
    found = states([row("A", **fault), row("B"), row("C", system="Other"), row("D", system=None)])
    assert found == {"A": "out of use", "B": "out of use (system)", "C": "in date", "D": "in date"}


@pytest.mark.parametrize("fault", [{"flow_l_min": 20.0}, {"oil_mg_m3": 3.0}, {"water_tube_mg_m3": 2000.0}])
def test_what_may_be_one_outlet_s_own_reaches_no_further(fault):
    assert states([row("A", **fault), row("B")])["B"] == "in date"


@pytest.mark.parametrize("fault", [{"oil_mg_m3": 3.0}, {"water_tube_mg_m3": 2000.0}])
def test_oil_or_water_at_two_outlets_of_a_visit_is_the_system_s(fault):
    assert states([row("A", **fault), row("B", **fault), row("C")])["C"] == "out of use (system)"
    # At one outlet in each of two visits it is not.
    assert states([row("A", **fault), row("B"), row("C")], [row("A"), row("B", **fault), row("C")])["C"] == "in date"


def test_it_ends_for_each_outlet_with_its_first_pass_of_a_later_visit():
    first = [row("A", **CO), row("B"), row("C")]
    found = states(first, [row("A"), row("B")])
    assert found == {"A": "in date", "B": "in date", "C": "out of use (system)"}


def test_within_the_visit_only_a_pass_at_a_later_time_ends_it():
    fail = row("A", test_time="10:00", **CO)
    assert states([fail, row("B", test_time="11:00"), row("C", test_time="09:00"), row("D")]) == {
        "A": "out of use",
        "B": "in date",
        "C": "out of use (system)",
        "D": "out of use (system)",
    }
    assert states([row("A", **CO), row("B", test_time="11:00")])["B"] == "out of use (system)"


def test_an_outlet_that_was_not_in_the_visit_is_out_of_use_too():
    assert states([row("A"), row("B")], [row("A", **CO)])["B"] == "out of use (system)"


def test_a_blank_system_speaks_for_its_own_outlet_only():
    assert states([row("A", system=None, **CO), row("B", system=None)])["B"] == "in date"


def test_an_outlet_stays_in_the_system_that_it_was_last_said_to_be_in():
    blank = {"system": None}
    assert states([row("A"), row("B")], [row("A", **CO), row("B", **blank)])["B"] == "out of use (system)"
    assert states([row("A"), row("B")], [row("A", **CO), row("B", system="Other")])["B"] == "in date"


def test_verdicts_stay_the_row_s_own_and_due_says_what_it_rests_on():
    tests = judged([row("A", **CO), row("B")])
    assert tests["reasons"].iloc[1] == judged([row("B")])["reasons"].iloc[0]
    due = due_table(tests, as_of=AS_OF, file_names=["v1.xlsx"]).set_index("Outlet")
    assert due.loc["B", "Rests on"] == "A, Carbon monoxide, 2026-01-14, v1.xlsx, row 2"
    assert due.loc["B", "Out of use since"] == pd.Timestamp("2026-01-14")


def test_notice_and_summary_name_system_outlets_and_the_test():
    tests = judged([row("A", **CO), row("B"), row("C")], [row("A"), row("B")])  # A itself has passed since
    notices = out_of_use_notices(tests, actions_table(tests), as_of=AS_OF, version="0")
    (notice,) = notices
    told = str(notice.page.blocks)
    assert "'C'" in told and "carbon monoxide failed at A on 2026-01-14" in told and "'B'" not in told
    (line,) = system_lines(tests)
    assert "Main" in line and "2026-01-14" in line and line.endswith("C.")


def test_several_systems_out_of_use_are_one_line_of_the_summary():
    rows = [row(name, system=name, **CO) for name in ("A", "B")] + [row("A2", system="A"), row("B2", system="B")]
    (line,) = system_lines(judged(rows))
    assert "A at " in line and "B at " in line and line.count("2026-01-14") == 2


def test_every_scope_names_a_parameter_and_takes_effect():
    """Each entry of the data turns its switch: without it the neighbour stays in use."""
    for scope in load_toml("causes.toml")["scope"]:
        assert scope["parameter"] in PARAMETER_BY_NAME and scope["scope"] == "system" and scope["outlets"] >= 1


# Since when an outlet is out of use


def test_a_failed_outlet_s_line_says_since_when_and_no_next_due():
    low = {"flow_l_min": 20.0}
    due = due_table(judged([row("A")], [row("A", **low)], [row("A", **low)]), as_of=AS_OF).iloc[0]
    assert (due["State"], due["Out of use since"]) == ("out of use", pd.Timestamp("2026-02-14"))
    assert pd.isna(due["Next due"]) and pd.isna(due["Days left"])
    assert due["Last pass"] == pd.Timestamp("2026-01-14")


def test_since_when_begins_anew_after_a_pass_and_is_blank_for_what_is_in_use():
    low = {"flow_l_min": 20.0}
    due = due_table(judged([row("A", **low)], [row("A"), row("B")], [row("A", **low)]), as_of=AS_OF).set_index("Outlet")
    assert due.loc["A", "Out of use since"] == pd.Timestamp("2026-03-14")
    assert pd.isna(due.loc["B", "Out of use since"])
