"""The Verdicts sheet's table: readings as they were read, computed figures, words beside every verdict."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from grader.columns import SHEETS
from grader.problems import Unreadable
from grader.review.verdict_sheet import verdict_table
from tests.support import AIRLINE, CYLINDER, VISIT, graded


def sheet(rows, visit=None):
    tests, _ = graded(rows, {**VISIT, **(visit or {})})
    return verdict_table(tests, ["log.xlsx"], ["Readings"])


def test_the_columns_stand_in_the_designs_order_and_every_row_is_there():
    table = sheet([AIRLINE, CYLINDER, {}])
    assert tuple(table)[: len(SHEETS["Verdicts"])] == SHEETS["Verdicts"]
    assert len(table) == 3 and table["Row"].tolist() == [2, 3, 4]


def test_a_plain_reading_is_a_number_a_bound_its_text_a_blank_nothing():
    table = sheet(
        [
            AIRLINE,
            {**AIRLINE, "co_ppm": "< 5 ppm"},
            {**AIRLINE, "co_ppm": None},
            {**AIRLINE, "co_ppm": "48O"},
            {**AIRLINE, "co_ppm": Unreadable("#REF!", "error")},
            {**AIRLINE, "oil_mg_m3": "stain"},
        ]
    )
    assert table["Carbon monoxide (ppm)"].tolist()[:5] == [1.0, "<5", None, "48O", "#REF!"]
    assert table["Oil (mg/m³)"][5] == "stain" and table["Carbon monoxide verdict"][2] == "not tested"
    assert table["Test date"][0] == pd.Timestamp("2026-03-14")


def test_computed_figures_and_the_pressure_they_hold_at():
    table = sheet(
        [
            {**AIRLINE, "water_tube_mg_m3": None, "dew_point_measured_c": 2.0, "dew_point_measured_at_bar": 7.0},
            {**AIRLINE, "water_tube_mg_m3": "<20"},
        ]
    )
    assert table["Dew point judged at (bar)"][0] == 7.0 and table["Lowest use temperature (°C)"][0] == 5.0
    assert abs(table["Pressure dew point (°C)"][0] - 2.0) < 1e-6 and abs(table["Dew point margin (K)"][0] - 3.0) < 1e-6
    assert abs(table["Safe down to (°C)"][0] - 7.0) < 1e-6
    assert table["Water (mg/m³)"][1] == "<20" and table["Pressure dew point (°C)"][1].startswith("<-")


def test_nothing_infinite_reaches_the_sheet():
    table = sheet(
        [
            {**AIRLINE, "lowest_use_temperature_c": "<5"},
            {**AIRLINE, "water_tube_mg_m3": ">900000"},
            {**AIRLINE, "water_tube_mg_m3": 0},
        ]
    )
    for column in table:
        for value in table[column]:
            assert not (isinstance(value, float) and np.isinf(value)), column


def test_a_corrected_tube_is_shown_as_it_was_judged_and_as_written_in_the_reasons():
    table = sheet([AIRLINE], {"atmospheric_pressure_hpa": 900, "tubes_corrected": "yes"})
    assert "(written: carbon monoxide 1 ppm" in table["Reasons"][0]
    assert abs(table["Carbon monoxide (ppm)"][0] - 1013.25 / 900) < 1e-9


def test_a_named_rule_set_that_is_none_is_shown_as_it_was_named():
    assert sheet([{**AIRLINE, "rule_set": "EN 1"}])["Rule set"][0] == "EN 1"


def test_whether_a_test_counts_in_history_is_said():
    table = sheet([AIRLINE, AIRLINE, {**AIRLINE, "co_ppm": 2}, {"outlet": "Bay 9"}])
    assert table["Counts in history"].tolist() == ["conflict", "repeat", "conflict", "not visited"]


def test_the_dew_point_at_the_pressure_of_the_test_stands_beside_the_one_that_is_judged():
    """Design, "Dew point at another pressure": where nominal is above the pressure at test both are shown."""
    rows = [AIRLINE, {**AIRLINE, "nominal_pressure_bar": 6.0}, {**AIRLINE, "nominal_pressure_bar": None},
            {**AIRLINE, "line_pressure_bar": None}, CYLINDER]  # fmt: skip
    tests, _ = graded([{**row, "outlet": str(n)} for n, row in enumerate(rows)])
    table = verdict_table(tests, ["log.xlsx"], ["Readings"])
    as_tested, judged = table["Dew point as tested (°C)"], table["Pressure dew point (°C)"]
    assert as_tested[0] == pytest.approx(judged[1], abs=1e-9) and as_tested[0] < judged[0]
    assert judged[1] == judged[2]
    assert as_tested[1:].isna().all()
