"""Instruments and tubes: validity, what rests on each, what runs out soon; a recalled lot is one filter."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd

from grader.review.equipment import equipment_table, names_in_use, read_off, reading_off, summary_lines
from tests.support import AIRLINE, VISIT, graded_files

NOTHING = pd.DataFrame(columns=["What", "Serial or lot", "Parameter", "Valid until", "Remarks", "Warns"])
LOTS = {**VISIT, "oil_tube_lot": "0451", "oil_tube_expiry": date(2026, 12, 10), "calibration_due": date(2026, 4, 30)}


NOT_ODD = pd.DataFrame(columns=["Kind", "What", "Parameter", "Stated uncertainties off"])


def table(files, stated=NOTHING, odd=NOT_ODD, as_of="2026-11-25"):
    tests, _ = graded_files(files)
    return equipment_table(tests, stated, odd, as_of=as_of).set_index("Serial or lot"), tests


def test_what_rests_on_each_and_until_when_it_is_valid():
    later = {**LOTS, "test_date": date(2026, 6, 1), "site": "South Works"}
    found, tests = table({"a.xlsx": (LOTS, [AIRLINE, {**AIRLINE, "outlet": "Bay 2"}]), "b.xlsx": (later, [AIRLINE])})
    lot, instrument = found.loc["0451"], found.loc["A1"]
    assert (lot["What"], lot["Parameter"], lot["Tests"], lot["Days left"]) == ("Tube lot", "Oil", 3, 15)
    assert (lot["First used"], lot["Last used"]) == (pd.Timestamp(2026, 3, 14), pd.Timestamp(2026, 6, 1))
    assert lot["Sites"] == "North Works, South Works" and lot["Finding"] == "Runs out in 15 days"
    assert instrument["Finding"] == "Used in 1 tests after that day" and found.index[0] == "A1"
    assert names_in_use(tests).tolist() == ["A1; Oil 0451"] * 3


def test_what_oddities_lists_is_said_of_the_instrument_and_the_lot():
    rows = [["instrument", "a1", "Oxygen", -3.2], ["tube lot", "0451", "Oil", 0.6], ["copied", "x", "Oil", None]]
    found, _ = table({"a.xlsx": (LOTS, [AIRLINE])}, odd=pd.DataFrame(rows, columns=NOT_ODD.columns))
    assert found["Finding"]["A1"].startswith("Oxygen reads -3.2 stated uncertainties from the rest (sheet Oddities)")
    assert found["Finding"]["0451"].startswith("Oil reads +0.6 stated uncertainties from the rest")


def test_an_instrument_that_reads_off_lately_is_named_where_its_offset_looks_like_wear():
    columns = ["Kind", "What", "Parameter", "Off in the last 12 months", "Off since"]
    since = pd.Timestamp(2026, 1, 5)
    odd = pd.DataFrame(
        [["instrument", "a1", "Oxygen", -0.7, since], ["instrument", "B2", "Oxygen", None, since]], columns=columns
    )
    _, tests = table({"a.xlsx": (LOTS, [AIRLINE])})  # read with A1
    name, side = np.array(["Oxygen", "Oxygen", "Flow"], dtype=object), np.array([-1, 1, -1])
    assert read_off(tests, np.zeros(3, dtype=int), name, side, odd).tolist() == ["A1", "", ""]
    (line,) = reading_off(odd)
    assert "a1 (oxygen, since 2026-01-05)" in line.lower() and "B2" not in line
    assert reading_off(odd[1:]) == []
    both = pd.concat([odd[:1], odd[:1].assign(**{"What": "B2", "Off in the last 12 months": 0.7})])
    assert "a1 or B2 (oxygen" in reading_off(both)[0].replace("Oxygen", "oxygen")


def test_a_lot_that_read_nothing_rests_on_nothing():
    found, _ = table({"a.xlsx": (LOTS, [{**AIRLINE, "oil_mg_m3": None}])})
    assert "0451" not in found.index


def test_the_register_adds_what_no_test_has_used_and_the_earlier_expiry_holds():
    stated = pd.DataFrame(
        {
            "What": ["Tube lot", "Tube lot"],
            "Serial or lot": ["0451", "0452"],
            "Parameter": ["Oil", "Oil"],
            "Valid until": pd.to_datetime(["2026-11-30", "2027-11-30"]),
            "Remarks": ["on recall", "on recall"],
            "Warns": True,
        }
    )
    found, _ = table({"a.xlsx": (LOTS, [AIRLINE])}, stated)
    assert (found.loc["0451", "Days left"], found.loc["0452", "Tests"]) == (5, 0)
    assert found.index[0] == "0451" and found["Finding"]["0451"] == "Register: on recall; Runs out in 5 days"
    assert found["Warned of"].tolist() == ["yes", *[""] * (len(found) - 1)]  # nothing rests on the other
    assert summary_lines(found.reset_index())[0].startswith(
        "The register warns of what tests rest on (how many tests): Oil 0451 (1)."
    )


def test_one_lot_in_several_spellings_is_one_line_that_names_them():
    other = {**LOTS, "test_date": date(2026, 6, 1), "oil_tube_lot": "L-451a"}
    found, _ = table({"a.xlsx": ({**LOTS, "oil_tube_lot": "L 451A"}, [AIRLINE]), "b.xlsx": (other, [AIRLINE])})
    assert found.loc["L 451A, L-451a", "Tests"] == 2


def test_the_summary_names_what_runs_out_within_thirty_days():
    found, _ = table({"a.xlsx": (LOTS, [AIRLINE])}, as_of="2026-11-10")
    assert summary_lines(found.reset_index()) == ["Runs out within 30 days: Oil 0451 (2026-12-10)."]
    found, _ = table({"a.xlsx": (LOTS, [AIRLINE])}, as_of="2026-11-09")
    assert summary_lines(found.reset_index()) == []
    assert summary_lines(found.reset_index()[:0]) == []


def test_the_order_of_the_tests_changes_nothing():
    rows = [AIRLINE, {**AIRLINE, "outlet": "Bay 2"}]
    one, _ = table({"a.xlsx": (LOTS, rows)})
    other, _ = table({"a.xlsx": (LOTS, rows[::-1])})
    pd.testing.assert_frame_equal(one, other)
