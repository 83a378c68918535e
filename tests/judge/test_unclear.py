"""Columns that could be one of our fields: each tried as each, then all together; worse or doubtful, never better."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from grader.batch import judged
from grader.columns import VERDICT_WORDS
from grader.problems import Place, Problems, Unclear
from tests.support import AIRLINE, OPTIONS, VISIT, log_of

TEMPERATURES = (("ambient_temperature_c", ""), ("lowest_use_temperature_c", ""))
PRESSURES = (("line_pressure_bar", ""), ("nominal_pressure_bar", ""))
# Water of a passing airline, without a temperature that is colder than the one a test tries.
WARM = {**AIRLINE, "lowest_use_temperature_c": None, "airline_temperature_c": 21.0, "ambient_temperature_c": 20.0}


def unclear(heading: str, choices: Sequence[tuple[str, str]], *values: Any) -> Unclear:
    """A column of one table, a value a test."""
    return Unclear(heading, Place("Readings", None, 40), tuple(choices), list(values), f'{choices[0][0]} = "{heading}"')


def tried(rows: Sequence[dict[str, Any]], *columns: Unclear) -> tuple[pd.DataFrame, Problems]:
    """Rows of one file with unclear columns, judged."""
    return of_files({"log.xlsx": (rows, columns)})


def of_files(files: dict[str, tuple[Sequence[dict[str, Any]], Sequence[Unclear]]]) -> tuple[pd.DataFrame, Problems]:
    log = log_of({name: ({**VISIT, "site": name}, rows) for name, (rows, _) in files.items()})
    log.tables[:] = [
        t._replace(unclear=list(columns), heads=(0, 0)) for t, (_, columns) in zip(log.tables, files.values())
    ]
    found = judged(log, OPTIONS)
    return found.tests, found.problems


def word(tests: pd.DataFrame, key: str, at: int = 0) -> str:
    return VERDICT_WORDS[tests[f"verdict_{key}"].iloc[at]]


def test_a_warm_unknown_temperature_costs_nothing_and_a_cold_one_the_pass():
    """Design: an unknown temperature of 21 °C costs nothing, one of -40 °C costs the pass."""
    rows = [{**WARM, "outlet": "1"}, {**WARM, "outlet": "2"}]
    tests, problems = tried(rows, unclear("T", TEMPERATURES, 21.0, None))
    assert word(tests, "water") == "pass" and "unclear_alike" in problems.codes()
    tests, problems = tried(rows, unclear("T", TEMPERATURES, -40.0, None))
    assert [word(tests, "water", i) for i in (0, 1)] == ["cannot tell", "pass"]
    assert "not understood" in tests["reasons"].iloc[0]
    (said,) = [b for b in problems.batches if b.code == "unclear_tried"]
    assert said.values == ["T"] and said.cell == "AO1" and said.params["count"] == 1
    assert said.params["choices"] == "Ambient temperature (°C), Lowest use temperature (°C)"
    assert said.params["line"] == '[table.fields]: ambient_temperature_c = "T"'


def test_a_day_of_calibration_costs_nothing_unless_one_lies_after_its_test():
    """Design: cal or calibrated without due, no date after its test: calibrated on, queried."""
    rows = [{**AIRLINE, "outlet": "1"}, {**AIRLINE, "outlet": "2"}]
    tested = pd.Timestamp(VISIT["test_date"])
    for days, words, code in (
        ((-400, 0), ["pass", "pass"], "calibrated_on"),
        ((-400, 1), ["cannot tell", "pass"], "unclear_tried"),
    ):
        column = unclear("Cal", (("calibration_due", ""),), *((tested + pd.Timedelta(d, "D")).date() for d in days))
        log = log_of({"log.xlsx": ({**VISIT, "calibration_due": None}, rows)})
        log.tables[0] = log.tables[0]._replace(unclear=[column._replace(done=True)], heads=(0, 0))
        found = judged(log, OPTIONS)
        assert [word(found.tests, "oxygen", i) for i in (0, 1)] == words
        assert code in found.problems.codes()


def test_a_fail_without_it_stays_a_fail():
    tests, _ = tried([{**AIRLINE, "co_ppm": 9.0}], unclear("x", [("co_ppm", "")], 1.0))
    assert word(tests, "co") == "fail"


def test_what_fails_by_every_choice_of_a_column_fails():
    """900 mg/m³ at 7 bar: dew point near 7 °C, over -11 °C, be that the line or the nominal pressure; alone neither is known."""
    row = {**AIRLINE, "lowest_use_temperature_c": None, "airline_temperature_c": None, "ambient_temperature_c": None}
    row |= {
        "line_pressure_bar": None,
        "nominal_pressure_bar": None,
        "water_tube_mg_m3": 900.0,
        "water_multiplier": None,
    }
    alone, _ = tried([row])
    assert word(alone, "water") == "cannot tell"
    tests, problems = tried([row, {**row, "outlet": "2"}], unclear("Netzdruck", PRESSURES, 7.0, None))
    assert [word(tests, "water", i) for i in (0, 1)] == ["fail", "cannot tell"]
    assert "unclear_tried" in problems.codes() and "-11" in tests["reasons"].iloc[0]


def test_water_that_fails_only_for_want_of_a_temperature_cannot_be_told():
    """Dew point between -11 and 16 °C: over the limit for an unknown place of use, 5 K below 21 °C."""
    row = {**AIRLINE, "lowest_use_temperature_c": None, "airline_temperature_c": None, "ambient_temperature_c": None}
    row["water_tube_mg_m3"] = 400.0
    alone, _ = tried([row])
    assert word(alone, "water") == "fail"
    tests, _ = tried([row], unclear("T", TEMPERATURES, 21.0))
    assert word(tests, "water") == "cannot tell"
    tests, _ = tried([row], unclear("T", TEMPERATURES, -40.0))
    assert word(tests, "water") == "fail"


def test_the_worse_of_a_near_reading_is_near_limit_and_of_a_failing_one_cannot_tell():
    second = [("co_ppm", "")]
    tests, _ = tried([{**AIRLINE, "outlet": str(i)} for i in range(3)], unclear("CO 2", second, 1.0, 4.9, 9.0))
    assert [word(tests, "co", i) for i in range(3)] == ["pass", "near limit", "cannot tell"]
    assert "may be near it" in tests["reasons"].iloc[1]


def test_nothing_inferred_makes_a_verdict_better():
    """Carbon monoxide not tested, and a column that may be it: it stays not tested, or cannot be told."""
    rows = [{**AIRLINE, "co_ppm": None, "outlet": str(i)} for i in range(2)]
    tests, _ = tried(rows, unclear("?", [("co_ppm", "")], 1.0, 9.0))
    assert [word(tests, "co", i) for i in range(2)] == ["not tested", "cannot tell"]


def test_a_need_that_is_only_tried_is_missed_where_nothing_was_measured():
    """Design: where what is needed is given a missing measurement is incomplete; cylinders need neither flow nor pressure."""
    hood = unclear("Hood", [("flow_needed_l_min", "")], 300.0, 300.0, 300.0)
    rows = [
        {**AIRLINE, "outlet": str(i), "flow_needed_l_min": None, "flow_l_min": flow}
        for i, flow in enumerate((None, 400.0, 200.0))
    ]
    alone, _ = tried(rows)
    assert [word(alone, "flow", i) for i in range(3)] == ["not tested", "not judged", "not judged"]
    tests, _ = tried(rows, hood)
    assert [word(tests, "flow", i) for i in range(3)] == ["cannot tell", "not judged", "cannot tell"]
    stated, _ = tried([{**r, "flow_needed_l_min": 300.0} for r in rows[:1]], hood._replace(values=[500.0]))
    assert word(stated, "flow") == "not tested"


def test_what_passes_with_each_alone_may_not_pass_with_both():
    """A higher pressure raises the dew point, a colder place lowers what is allowed; each alone leaves 5 K."""
    row = {**WARM, "water_tube_mg_m3": 200.0}
    colder, higher = unclear("T", TEMPERATURES, -1.0), unclear("p", PRESSURES, 30.0)
    for one in (colder, higher):
        assert word(tried([row], one)[0], "water") == "pass"
    assert word(tried([row], colder, higher)[0], "water") == "cannot tell"


def test_a_row_alone_is_judged_as_beside_others_and_other_files():
    columns = unclear("T", TEMPERATURES, -40.0, None, 21.0), unclear("p", PRESSURES, None, 14.0, 14.0)
    rows = [{**WARM, "outlet": str(i)} for i in range(3)]
    whole, _ = of_files({"a.xlsx": (rows, columns), "b.xlsx": (rows[:1], [unclear("CO", [("co_ppm", "")], 9.0)])})
    verdicts = [c for c in whole.columns if c.startswith("verdict")]
    for i, row in enumerate(rows):
        alone, _ = of_files({"a.xlsx": ([row], [u._replace(values=[u.values[i]]) for u in columns])})
        assert np.array_equal(alone[verdicts].iloc[0], whole[verdicts].iloc[i])
    assert word(whole, "co", 3) == "cannot tell" and word(whole, "water", 3) == "pass"


def test_a_cell_that_cannot_be_read_is_doubt():
    tests, _ = tried([AIRLINE], unclear("?", [("co_ppm", "")], "see note"))
    assert word(tests, "co") == "cannot tell"


def test_other_rule_sets_beside_judge_it_both_ways_too():
    log = log_of({"log.xlsx": (VISIT, [AIRLINE])})
    log.tables[0] = log.tables[0]._replace(unclear=[unclear("CO 2", [("co_ppm", "")], 40.0)])
    beside = judged(log, replace(OPTIONS, also=("osha-grade-d",))).also.columns
    assert list(beside["Also osha-grade-d"]) == ["incomplete"]


def test_one_heading_of_many_sheets_is_one_problem():
    """A log with a sheet a month, each with the same unclear column: one line, with how many tests it bears on."""
    log = log_of({"log.xlsx": (VISIT, [AIRLINE])})
    other = log_of({"log.xlsx": (VISIT, [{**AIRLINE, "outlet": "2"}])})
    rows = pd.concat([log.rows, other.rows.assign(table=1)], ignore_index=True)
    tables = [t._replace(unclear=[unclear("CO 2", [("co_ppm", "")], 40.0)]) for t in (*log.tables, *other.tables)]
    found = judged(replace(log, rows=rows, tables=tables), OPTIONS)
    (said,) = [b for b in found.problems.batches if b.code == "unclear_tried"]
    assert said.params["count"] == 2


def test_without_unclear_columns_nothing_is_judged_twice():
    tests, problems = tried([AIRLINE])
    assert word(tests, "water") == "pass" and not {"unclear_tried", "unclear_alike"} & problems.codes()
