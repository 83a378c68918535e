"""Columns of dates and times: what depends on the other cells of the column and on the kind of cell."""

from datetime import date, datetime, time, timedelta
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from grader.columns import BLANK, READ, UNREADABLE
from grader.problems import Problems, Table
from grader.read.cells import read_cells


def read(table=None, month_first=False, **columns):
    """(tests, {code: test numbers}) of some raw cells, one list a field; a stand-in for the stage's log."""
    n = len(next(iter(columns.values())))
    rows = pd.DataFrame({"file": 0, "table": table or [0] * n, "row": range(n), "column": -1})
    for name, cells in columns.items():
        rows[name] = pd.Series(np.fromiter(cells, dtype=object, count=n), dtype=object)
    problems = Problems()
    log = SimpleNamespace(rows=rows, tables=[Table(f"Sheet{i}") for i in range(max(rows["table"]) + 1)])
    tests = read_cells(log, problems, month_first=month_first)
    found = {}
    for batch in problems.batches:
        found.setdefault(batch.code, []).extend(batch.tests)
    return tests, found


def days(tests, name="test_date"):
    return [None if pd.isna(d) else d.date() for d in tests[name]]


def test_date_cells_texts_and_serial_numbers():
    """Day 45000 of the 1900 system is 15 March 2023; spreadsheet programs agree on it (from memory)."""
    tests, found = read(
        test_date=[
            datetime(2026, 3, 4, 9, 5),
            date(2026, 3, 4),
            "4.3.2026",
            45000,
            45000.4,
            2026,
            True,
            time(9),
            None,
            "",
            datetime(1899, 12, 31),
            20260304,
        ]
    )
    third = date(2026, 3, 4)
    assert days(tests) == [third] * 3 + [date(2023, 3, 15)] * 2 + [None] * 7
    assert list(tests["test_date_state"]) == [READ] * 5 + [UNREADABLE] * 3 + [BLANK] * 2 + [UNREADABLE] * 2
    assert {c: sorted(t) for c, t in found.items()} == {
        "date_serial": [3, 4],
        "date_not_read": [5, 6, 7, 11],
        "date_impossible": [10],
    }


@pytest.mark.parametrize(
    ("cells", "month_first", "expected", "noted"),
    [
        (["4/3/2026", "13/3/2026"], False, [date(2026, 3, 4), date(2026, 3, 13)], {}),
        (["4/3/2026", "3/13/2026"], False, [date(2026, 4, 3), date(2026, 3, 13)], {}),
        (["4-3-26", "13/3/26"], True, [date(2026, 3, 4), date(2026, 3, 13)], {}),
        (["4/3/2026", "5/3/2026"], False, [date(2026, 3, 4), date(2026, 3, 5)], {"date_order_assumed": [0]}),
        (["4/3/2026", "5/3/2026"], True, [date(2026, 4, 3), date(2026, 5, 3)], {"date_order_assumed": [0]}),
        (["3/3/2026", "4.3.2026"], True, [date(2026, 3, 3), date(2026, 3, 4)], {}),
        (
            ["13/3/2026", "3/14/2026", "4/3/2026", "3/3/2026"],
            False,
            [None, None, None, date(2026, 3, 3)],
            {"date_order": [0, 1, 2]},
        ),
        (
            ["31/31/2026", "4/3/2026", "13/3/2026"],
            False,
            [None, date(2026, 3, 4), date(2026, 3, 13)],
            {"date_impossible": [0]},
        ),
    ],
)
def test_a_column_of_slash_dates_takes_the_one_order_that_fits_it(cells, month_first, expected, noted):
    tests, found = read(month_first=month_first, test_date=cells)
    assert days(tests) == expected and found == noted


def test_each_table_has_its_own_order():
    tests, found = read(table=[0, 0, 1, 1, 2], test_date=["4/3/2026", "13/3/2026", "4/3/2026", "3/13/2026", "4/3/2026"])
    assert days(tests)[::2] == [date(2026, 3, 4), date(2026, 4, 3), date(2026, 3, 4)]
    assert found == {"date_order_assumed": [4]}


def test_a_doubtful_expiry_is_the_earlier_and_a_month_is_its_last_day():
    tests, found = read(
        co_tube_expiry=["5/11/2026", "2027-02", "2026-11-05"],
        calibration_due=["11/5/26", "Mar 2027", None],
        test_date=["2027-02", None, None],
    )
    assert days(tests, "co_tube_expiry") == [date(2026, 5, 11), date(2027, 2, 28), date(2026, 11, 5)]
    assert days(tests, "calibration_due") == [date(2026, 5, 11), date(2027, 3, 31), None]
    assert found == {"expiry_earlier": [0, 0], "expiry_month": [1, 1], "date_month_alone": [0]}
    tests, found = read(month_first=True, oil_tube_expiry=["5/11/2026", "13/1/2026", "1/13/2026"])
    assert days(tests, "oil_tube_expiry") == [date(2026, 5, 11), date(2026, 1, 13), date(2026, 1, 13)]
    assert found == {"expiry_earlier": [0]}


def test_dates_that_a_spreadsheet_may_have_swapped_are_queried():
    swapped = [datetime(2026, m, d) for m, d in ((1, 2), (3, 4), (5, 6), (7, 8), (9, 10))]
    tests, found = read(test_date=[*swapped, "13/4/2026"])
    assert found == {"date_swapped": [0, 1, 2, 3, 4]} and (tests["test_date_state"] == READ).all()
    assert read(test_date=[*swapped, datetime(2026, 4, 20), "13/4/2026"])[1] == {}
    assert read(test_date=[*swapped, "13.4.2026"])[1] == {}


def test_times():
    tests, found = read(
        test_time=[
            time(9, 5),
            datetime(2026, 3, 4, 9, 5),
            timedelta(hours=9, minutes=5),
            545 / 1440,
            "9:05",
            "9:05 pm",
            0.0,
            datetime(1899, 12, 31),
            None,
            " ",
            datetime(2026, 3, 4),
            date(2026, 3, 4),
            9.05,
            905,
            "soon",
            True,
            timedelta(days=2),
        ]
    )
    assert tests["test_time"].tolist()[:8] == [545.0] * 5 + [1265.0, 0.0, 0.0]
    assert list(tests["test_time_state"]) == [READ] * 8 + [BLANK] * 2 + [UNREADABLE] * 7
    assert {c: sorted(t) for c, t in found.items()} == {"time_not_read": list(range(10, 17))}
    assert np.isnan(tests["test_time"][8:]).all()
