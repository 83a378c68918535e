"""What is near a limit or inside a guard band, as the sheets Verdicts, Actions and Limits show it."""

from __future__ import annotations

import pandas as pd
import pytest

from grader.judge.rules.sets import limits_table, load_ruleset
from grader.review.actions.findings import actions_table
from grader.review.verdict_sheet import verdict_table
from tests.support import AIRLINE, CYLINDER, graded

HEADINGS = [
    f"{name} chance over limit (%)"
    for name in ("Oxygen", "Carbon monoxide", "Carbon dioxide", "Oil", "Water", "Flow", "Pressure")
]


def test_the_chance_of_each_parameter_is_a_column_of_verdicts():
    """u = 12.5 % of 4.6 ppm: Phi(-0.696) = 24.3 %. A bound has none."""
    tests, _ = graded([{**AIRLINE, "co_ppm": 4.6}, {**AIRLINE, "co_ppm": "<5", "outlet": "2"}])
    table = verdict_table(tests, ["log.xlsx"], ["Readings"])
    assert set(HEADINGS) <= set(table)
    assert table["Carbon monoxide chance over limit (%)"][0] == 24.3
    assert pd.isna(table["Carbon monoxide chance over limit (%)"][1])


def test_further_rule_sets_stand_behind():
    tests, _ = graded([AIRLINE])
    table = verdict_table(tests, ["log.xlsx"], ["Readings"], {"Also x": tests["reasons"].to_numpy()})
    assert table["Also x"].tolist() == tests["reasons"].tolist()


def test_actions_say_how_likely_a_near_limit_is_over():
    tests, _ = graded([{**AIRLINE, "co_ppm": 4.6}])
    frame = actions_table(tests).frame
    assert frame["How far"].tolist() == ["0.4 ppm (8 %) left, 24 % chance of lying beyond"]


def test_actions_say_that_a_reading_lies_inside_the_guard_band(tmp_path):
    path = tmp_path / "g.toml"
    path.write_text('id = "g"\nextends = "en12021-2014"\ndecision_rule = "guarded acceptance"\n', encoding="utf-8")
    tests, _ = graded(
        [
            {**CYLINDER, "co2_ppm": 300, "water_tube_mg_m3": 48},
            {**AIRLINE, "outlet": "2", "co2_ppm": 300, "co_ppm": "<5", "oxygen_pct": 20.2, "flow_l_min": 165},
        ],
        rules=str(path),
    )
    frame = actions_table(tests).frame.set_index("Parameter")
    assert frame.at["Water", "Finding"] == "Water 48 mg/m³ is within the limit of 50 mg/m³ but inside the guard band"
    assert frame.at["Water", "How far"] == "2 mg/m³ (4 %) left, less than the guard band"
    assert "within the limit of 20 %" in frame.at["Oxygen", "Finding"]
    assert "within the limit of 160 L/min" in frame.at["Flow", "Finding"]
    assert "inside the guard band" in frame.at["Carbon monoxide", "Finding"]


@pytest.mark.parametrize(
    "parameter,text,flag",
    [
        ("Carbon monoxide", "12.5 % of the reading, at least 0.4375 ppm", "10"),
        ("Carbon dioxide", "12.5 % of the reading, at least 43.75 ppm", "25"),
        ("Oxygen", "0.25 %", "10"),
    ],
)
def test_limits_state_uncertainty_source_and_threshold(parameter, text, flag):
    rows = [r for r in limits_table([load_ruleset("en12021-2014")]) if r["Parameter"] == parameter]
    assert rows and all(r["Standard uncertainty"] == text and r["Near limit above (%)"] == flag for r in rows)
    assert all(r["Uncertainty from"] for r in rows)
