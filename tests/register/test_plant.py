"""The sheet Plant: hours since a change, what is due by hours or by months, and what is not known."""

from __future__ import annotations

from datetime import date

import pytest

from grader.write.blank import write_blank
from tests.register.firm import blanks, graded, register, said, visit

LINE = {
    "site": "North Works",
    "system": "Main",
    "part": "dryer",
    "changed_on": date(2026, 2, 1),
    "hours_at_change": 1000,
}


def plant(folder, *lines, hours=None, day=date(2026, 3, 14)):
    whole = {**register(), "Plant": list(lines)}
    return graded(folder, whole, [blanks()], visit(compressor_hours=hours, test_date=day)).plant


@pytest.mark.parametrize(
    ("every", "hours", "state", "since"),
    [
        ({"every_hours": 500}, 1499, "in date", 499.0),
        ({"every_hours": 500}, 1500, "overdue", 500.0),  # the hour itself is due
        ({"every_hours": 500}, None, "hours not known", None),
        ({"every_hours": 500}, 900, "hours not known", None),  # a new counter
        ({"every_months": 9}, None, "overdue", None),  # 1 November; the run is of 25 November
        ({"every_months": 10}, None, "due within 14 days", None),
        ({"every_months": 12}, None, "in date", None),
        ({"every_months": 9, "every_hours": 5000}, 1100, "overdue", 100.0),  # whichever comes first
        ({}, None, "not known", None),
        ({"every_months": 12, "changed_on": "x"}, None, "not known", None),
        ({"every_months": 12, "every_hours": "5O0"}, 1499, "not known", 499.0),
        ({"every_months": 12, "part": "filtre"}, None, "not known", None),
    ],
)
def test_what_is_due_by_hours_or_months(tmp_path, every, hours, state, since):
    (row,) = plant(tmp_path, {**LINE, **every}, hours=hours).to_dict("records")
    assert row["State"] == state
    assert row["Hours since change"] == since or (
        since is None and row["Hours since change"] != row["Hours since change"]
    )


def test_hours_read_before_the_change_or_of_another_system_do_not_count(tmp_path):
    every = {**LINE, "every_hours": 500}
    assert plant(tmp_path / "a", {**every, "changed_on": date(2026, 4, 1)}, hours=1600)["State"].tolist() == [
        "hours not known"
    ]
    assert plant(tmp_path / "b", {**every, "system": "Other"}, hours=1600)["State"].tolist() == ["hours not known"]


def test_only_the_last_change_of_a_part_up_to_the_day_of_the_run_stands(tmp_path):
    found = plant(
        tmp_path,
        LINE,
        {**LINE, "changed_on": date(2026, 8, 1)},
        {**LINE, "changed_on": date(2027, 8, 1)},
        {**LINE, "part": "filter", "every_months": 1},
    )
    assert found["Part"].tolist() == ["filter", "dryer"]
    assert found["Changed on"].astype(str).tolist() == ["2026-02-01", "2026-08-01"]


def test_a_change_after_the_day_of_the_run_is_asked(tmp_path):
    later = {**register(), "Plant": [{**LINE, "changed_on": date(2027, 8, 1)}]}
    result = graded(tmp_path, later, [blanks()], visit()).whole
    assert said(result, "after the day of the run")["Cell"].tolist() == ["E2"]


def test_findings_name_the_part_readings_stand_side_by_side_and_work_done_is_compared(tmp_path):
    later = visit(test_date=date(2026, 6, 1), compressor_hours=7100, work_done="new filter element")
    write_blank(tmp_path / "june.xlsx", visit=later, rows=[blanks(oil_mg_m3=3.0, oil_sampling_min=15)])
    moved = {"site": "North Works", "system": "Main", "hours_at_change": 1000}
    lines = [
        {**moved, "part": "filter", "changed_on": date(2026, 2, 1)},
        {**moved, "part": "dryer", "changed_on": date(2026, 5, 1)},
    ]
    result = graded(tmp_path, {**register(), "Plant": lines}).whole  # Work done is compared by the whole run
    assert "(filter, changed 2026-02, 6,100 h)" in result.actions.set_index("Parameter")["Finding"]["Oil"]
    dryer = result.plant.set_index("Part").loc["dryer"]
    assert (
        dryer["Last readings before"].startswith("2026-03-14: Water")
        and dryer["First readings since"][:10] == "2026-06-01"
    )
    assert said(result, "no change of it since the visit before")["Value"].tolist() == ["new filter element"]
    (told,) = said(result, "does not tell of it").to_dict("records")
    assert "dryer" in told["Problem"] and "register.xlsx, Plant!E3" in told["Problem"]


def test_figures_that_cannot_be_and_parts_of_one_kind_side_by_side(tmp_path):
    two = [{**LINE, "part": "other", "serial_number": n, "every_months": m} for n, m in (("x", 1), ("y", 1e9))]
    whole = {**register(), "Plant": two}
    result = graded(tmp_path, whole, [blanks()]).whole
    assert result.plant["State"].tolist() == ["overdue", "not known"]  # and no day beyond every calendar
    assert said(result, "stands twice").empty and (result.problems["Value"] == "1000000000").any()
    result.write(tmp_path / "result.xlsx")
