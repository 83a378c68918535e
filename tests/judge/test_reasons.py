"""Reasons: whole sentences for a client, and a failing figure never prints equal to its limit."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grader.columns import FAIL, TEST_FAIL, TEST_INCOMPLETE, TEST_PASS
from tests.judge.test_never_a_pass import judged, some_rows
from tests.support import AIRLINE, graded

OVER = re.compile(r"(?<![-<>≤≥.\d])(-?[\d.]+) [^ ]+ is (?:over|below|above) the (?:limit of )?(-?[\d.]+)")
MARGIN = re.compile(r"margin of (-?[\d.]+) K; at least ([\d.]+) K")


RULES = ("en12021-2014", "osha-grade-d", "nfpa1989-2019", "norway-filling-plant", "csa-z180.1-m85")
# Field -> its limit in EN 12021:2014 (of the flow what AIRLINE says is needed), and which way out of it lies.
LIMITS = {"co_ppm": (5, 1), "oil_mg_m3": (0.5, 1), "oxygen_pct": (20, -1), "flow_l_min": (160, -1)}


@settings(max_examples=3, deadline=None)
@given(some_rows)
def test_reasons_are_whole_sentences(rows):
    tests = judged([{**row, "rule_set": rules} for row in rows for rules in RULES])
    for verdict, reasons in zip(tests["verdict"], tests["reasons"]):
        assert reasons[0].isupper() and reasons.endswith(".") and not reasons.endswith("..")
        assert not re.search(r"\bnan\b|\binf\b|[{}]|\bNone\b|;;|  |: ;", reasons), reasons
        told = "cannot tell" in reasons or "Not tested" in reasons or "sets no limit" in reasons
        assert ("Meets " in reasons) == (verdict < TEST_INCOMPLETE), reasons
        assert verdict != TEST_INCOMPLETE or told, reasons
        for printed, limit in OVER.findall(reasons) + MARGIN.findall(reasons):
            assert float(printed) != float(limit), reasons


@settings(max_examples=2, deadline=None)
@given(st.lists(st.floats(-8, -3).map(lambda e: 10**e), min_size=50, max_size=50))
def test_however_little_it_fails_by_it_prints_another_figure(shares):
    cases = [(field, *of, share) for field, of in LIMITS.items() for share in shares]
    tests = judged([{**AIRLINE, field: limit * (1.0 + outwards * share)} for field, limit, outwards, share in cases])
    assert (tests["verdict"] == TEST_FAIL).all()
    for (_, limit, _, _), reasons in zip(cases, tests["reasons"]):
        [(printed, said)] = OVER.findall(reasons)
        assert float(printed) != float(said) == limit


@pytest.mark.parametrize("key", ["odour", "oxygen", "co", "co2", "oil", "water", "flow", "pressure"])
def test_every_parameter_that_fails_is_named_with_its_figure(key):
    bad = {
        "odour": {"odour": "marked"},
        "oxygen": {"oxygen_pct": 19},
        "co": {"co_ppm": 12},
        "co2": {"co2_ppm": 900},
        "oil": {"oil_mg_m3": 2},
        "water": {"water_mg_m3": 4000},
        "flow": {"flow_l_min": 120},
        "pressure": {"line_pressure_bar": 3},
    }
    said = {
        "odour": "Marked odour",
        "oxygen": "Oxygen 19 %",
        "co": "Carbon monoxide 12 ppm",
        "co2": "Carbon dioxide 900 ppm",
        "oil": "Oil 2 mg/m³",
        "water": "Dew point 29.7 °C",
        "flow": "Flow 120 L/min",
        "pressure": "Line pressure 3 bar",
    }
    tests, _ = graded([{**AIRLINE, **bad[key]}, AIRLINE])
    assert said[key] in tests["reasons"][0] and tests[f"verdict_{key}"][0] == FAIL
    assert tests["verdict"].tolist() == [TEST_FAIL, TEST_PASS] and tests["reasons"][1] == "Meets EN 12021 2014."


def test_a_figure_converted_from_another_unit_prints_few_digits():
    """9.1 mg/m³ of carbon monoxide at 20 °C is 7.815 ppm (28.01 g/mol, 24.055 L/mol); 7 cfm is 198.2 L/min; 111 °F is 43.9 °C."""
    rows = [
        {**AIRLINE, "co_ppm": "9.1 mg/m³"},
        {**AIRLINE, "flow_l_min": "7 cfm", "flow_needed_l_min": "9 cfm"},
        {**AIRLINE, "lowest_use_temperature_c": "33.3 °F", "water_tube_mg_m3": 700},
        {**AIRLINE, "line_pressure_bar": "51.3 psi"},
    ]
    tests, problems = graded(rows, rules="osha-grade-d")
    again, _ = graded(rows)
    said = [*tests["reasons"], *again["reasons"]]
    assert not [text for text in said if re.search(r"\d\.\d{5,}", text)]
    assert re.search(r"Carbon monoxide 7\.8\d* ppm", said[4])
    assert re.search(r"Flow 198[.\d]* L/min is below the 254.9 L/min needed", said[5])
    assert re.search(r"Line pressure 3\.5\d* bar is below", said[7])
