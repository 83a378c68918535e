"""Each switch of data/queries.toml: `demotes` turns a pass of its parameters into cannot tell, and leaves a fail alone."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from grader.columns import TEST_WORDS, VERDICT_WORDS
from grader.data import load_toml
from grader.words import words
from tests.support import AIRLINE, CYLINDER, VISIT, codes_of, graded

ENTRIES = {q["code"]: q for q in load_toml("queries.toml")["query"]}
# A row that meets every limit and that the query asks about: of which parameter, and the row.
ASKED: dict[str, tuple[str, dict[str, Any]]] = {
    "co2_below_outdoor": ("co2", {**AIRLINE, "dryer": "membrane", "co2_ppm": 150.0}),
    "co2_below_100": ("co2", {**AIRLINE, "co2_ppm": 90.0}),
    "dew_point_below_refrigerant": (
        "water",
        {**AIRLINE, "dryer": "refrigerant", "water_tube_mg_m3": 9.0, "water_multiplier": 10.0},
    ),
    "water_dry_without_dryer": ("water", {**AIRLINE, "dryer": "none", "water_tube_mg_m3": 12.0, "water_multiplier": 10.0}),
    "zero_reading": ("co2", {**AIRLINE, "co2_ppm": 0.0}),
    "all_zero": ("oil", {**AIRLINE, "co_ppm": 0.0, "co2_ppm": 0.0, "oil_mg_m3": 0.0, "water_tube_mg_m3": 0.0}),
    "refrigerant_below_zero": (
        "water",
        {**AIRLINE, "dryer": "refrigerant", "water_tube_mg_m3": 30.0, "water_multiplier": 10.0, "lowest_use_temperature_c": 12.0},
    ),
    "dry_without_dryer": (
        "water",
        {**AIRLINE, "dryer": "none", "water_tube_mg_m3": 30.0, "water_multiplier": 10.0, "lowest_use_temperature_c": 12.0},
    ),
    "multiplier_perhaps": (
        "water",
        {**AIRLINE, "dryer": "refrigerant", "water_tube_mg_m3": 60.0, "water_multiplier": 1.0, "lowest_use_temperature_c": 12.0},
    ),
    "co2_below_tube": ("co2", {**AIRLINE, "dryer": "membrane", "co2_ppm": 300.0}),
    "oxygen_alone": ("oxygen", {**AIRLINE, "oxygen_pct": 21.4}),
    "test_set_pressure": ("pressure", {**AIRLINE, "test_set_lowest_pressure_bar": 8.0}),
    "beyond_scale": ("co", {**AIRLINE, "co_ppm": 3.0, "co_highest_mark_ppm": 2.0}),
}  # fmt: skip


def without_the_other_queries(monkeypatch: pytest.MonkeyPatch, code: str, demotes: bool) -> None:
    for other, entry in ENTRIES.items():
        monkeypatch.setitem(entry, "demotes", demotes if other == code else False)


def test_every_query_has_a_row_here_and_words():
    assert set(ASKED) == set(ENTRIES) <= set(words()["problem"])


@pytest.mark.parametrize("code", sorted(ENTRIES))
def test_the_switch_turns_the_verdict(monkeypatch, code):
    key, row = ASKED[code]
    without_the_other_queries(monkeypatch, code, False)
    tests, problems = graded([row])
    assert code in codes_of(problems, 0)
    assert VERDICT_WORDS[tests[f"verdict_{key}"].iloc[0]] in ("pass", "near limit")
    without_the_other_queries(monkeypatch, code, True)
    tests, problems = graded([row])
    assert code in codes_of(problems, 0)
    assert VERDICT_WORDS[tests[f"verdict_{key}"].iloc[0]] == "cannot tell"


def test_a_query_leaves_a_fail_alone():
    """Wet air of a cylinder, from a tube used where its own sheet does not allow it."""
    row = {**CYLINDER, "water_tube_mg_m3": 900.0, "test_date": date(2026, 3, 14), "oxygen_pct": 0.0}
    tests, _ = graded([row])
    assert VERDICT_WORDS[tests["verdict_oxygen"].iloc[0]] == "fail"


@pytest.mark.parametrize(
    ("says", "verdict"),
    [("Pass", "pass"), ("OK", "pass"), ("FAIL", "incomplete"), ("Fail - hose split", "incomplete"), ("n.i.O.", "incomplete"),
     ("non conforme", "incomplete"), ("see note", "incomplete"), (None, "pass")],
)  # fmt: skip
def test_the_firms_own_verdict_keeps_a_pass_from_counting_and_lifts_nothing(says, verdict):
    rows = [{**AIRLINE, "own_verdict": says}, {**AIRLINE, "outlet": "Bay 2", "co_ppm": 12.0, "own_verdict": "pass"}]
    tests, problems = graded(rows)
    assert [TEST_WORDS[v] for v in tests["verdict"]] == [verdict, "fail"]
    assert ("own_verdict_otherwise" in codes_of(problems, 0)) == (verdict == "incomplete")
    assert ("own verdict" in tests["reasons"][0]) == (verdict == "incomplete")


@pytest.mark.parametrize(
    ("cell", "verdict"),
    [(8.0, "incomplete"), (">1", "incomplete"), ("some", "incomplete"), (0, "pass"), ("<1", "pass"), ("ND", "incomplete"),
     (None, "pass")],
)  # fmt: skip
def test_a_harmful_substance_that_no_rule_judges_keeps_a_test_from_its_pass(cell, verdict):
    """ND without a known lowest mark cannot be told, as for every tube."""
    tests, problems = graded([{**AIRLINE, "h2s_ppm": cell}])
    assert TEST_WORDS[tests["verdict"][0]] == verdict, tests["reasons"][0]
    assert ("hydrogen sulphide" in tests["reasons"][0]) == (verdict == "incomplete")
    assert ("harmful_not_judged" in codes_of(problems, 0)) == (verdict == "incomplete")


def test_what_is_dated_after_the_run_is_asked_with_the_verdict_that_counts_nowhere():
    rows = [AIRLINE, {**AIRLINE, "outlet": "Bay 2", "co_ppm": 60}]
    _, problems = graded(rows, {**VISIT, "test_date": date(2026, 12, 24)})
    (batch,) = (b for b in problems.batches if b.code == "future_date")
    assert (batch.tests, batch.params["verdict"]) == ([0, 1], ["pass", "fail"])
