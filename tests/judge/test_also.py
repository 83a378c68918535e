"""Further rule sets beside the one that judges, purity classes, and the decision rule of a run."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from grader.batch import Options, judged
from grader.columns import FAIL, TEST_WORDS
from grader.judge.also import also_judged, check_also
from grader.judge.decision import decision_cautions, decision_text, tightened
from grader.judge.purity import class_of
from grader.judge.rules.sets import DecisionRule, UnknownRuleSet, load_ruleset, rule_ids
from grader.problems import GraderError
from tests.support import AIRLINE, CYLINDER, VISIT, graded, graded_files, log_of

EN = "en12021-2014"


def before(rows, visit=None):
    """The table before judging (judged columns are made anew)."""
    return graded(rows, visit)[0]


def test_a_verdict_by_another_rule_set_is_that_rule_sets_own():
    rows = [
        {**AIRLINE, "outlet": "1"},
        {**AIRLINE, "co_ppm": 7, "outlet": "2"},
        {**AIRLINE, "oil_mg_m3": 2, "outlet": "3"},
        {**AIRLINE, "odour": "slight", "outlet": "4"},
        {**CYLINDER, "outlet": "5"},
    ]
    for rules in (r for r in rule_ids() if r != "iso8573-1-2010"):
        beside = also_judged(before(rows), [rules])
        alone, _ = graded(rows, rules=rules)
        expected = [TEST_WORDS[v] for v in alone["verdict"]]
        assert beside.columns[f"Also {rules}"].tolist() == expected, rules
        assert list(beside.rulesets) == [rules]


def test_reasons_are_short_and_name_what_keeps_it_from_a_pass():
    """CO 7 ppm: over the 5 of EN 12021, within the 10 of 29 CFR (both confirmed, see limits)."""
    beside = also_judged(before([{**AIRLINE, "co_ppm": 7}]), [EN, "osha-grade-d"])
    assert beside.columns[f"Also {EN} reasons"].tolist() == ["fails: carbon monoxide"]
    assert beside.columns["Also osha-grade-d reasons"].tolist() == [""]
    assert beside.columns["Also osha-grade-d"].tolist() == ["pass"]


def test_a_family_name_takes_the_edition_in_force_on_each_date():
    """EN 12021:1998 says 15 ppm of carbon monoxide, that of 2014 says 5."""
    rows = {
        "a.xlsx": ({**VISIT, "test_date": date(2010, 3, 1)}, [{**AIRLINE, "co_ppm": 9}]),
        "b.xlsx": ({**VISIT, "test_date": date(2024, 3, 1)}, [{**AIRLINE, "co_ppm": 9}]),
    }
    tests, _ = graded_files(rows)
    beside = also_judged(tests, ["en12021"])
    assert set(beside.rulesets) == {"en12021-1998", EN}
    assert beside.columns["Also en12021"][1] == "fail" and beside.columns["Also en12021"][0] != "fail"


def test_rules_by_family_pick_the_edition_in_force():
    rows = {
        "a.xlsx": ({**VISIT, "test_date": date(2010, 3, 1)}, [AIRLINE]),
        "b.xlsx": ({**VISIT, "test_date": date(2024, 3, 1)}, [AIRLINE]),
    }
    tests, _ = graded_files(rows, rules="EN 12021")
    assert tests["ruleset"].tolist() == ["en12021-1998", EN]


def test_an_unknown_name_stops_before_anything_is_read():
    with pytest.raises(UnknownRuleSet, match="en12021-2041"):
        check_also(["en12021-2041"])


# ISO 8573-1:2010: humidity classes 1 to 6 at -70, -40, -20, +3, +7, +10 °C pressure dew point; oil classes 1 to 4 at
# 0.01, 0.1, 1, 5 mg/m³ (both confirmed on public pages).
@pytest.mark.parametrize(
    "dew,name", [(-75, 1), (-70, 1), (-69.9, 2), (-40, 2), (-20, 3), (-19.9, 4), (3, 4), (7, 5), (10, 6)]
)
def test_humidity_classes(dew, name):
    iso = load_ruleset("iso8573-1-2010")
    assert class_of(iso, "Pressure dew point", np.array([float(dew)])).tolist() == [f"humidity class {name}"]


def test_wetter_or_oilier_than_the_last_class_has_none():
    iso = load_ruleset("iso8573-1-2010")
    assert class_of(iso, "Pressure dew point", np.array([10.1])).tolist() == [""]
    assert class_of(iso, "Oil", np.array([0.01, 0.1, 1.0, 5.0, 5.1])).tolist() == [
        "oil class 1",
        "oil class 2",
        "oil class 3",
        "oil class 4",
        "",
    ]


def test_purity_classes_are_words_and_no_verdict():
    rows = [
        {**AIRLINE, "outlet": "1"},
        {**AIRLINE, "oil_mg_m3": "<0.5", "outlet": "2"},
        {**AIRLINE, "water_tube_mg_m3": None, "outlet": "3"},
        {**AIRLINE, "oil_mg_m3": 6, "water_tube_mg_m3": 1300, "outlet": "4"},
    ]
    beside = also_judged(before(rows), ["iso8573-1-2010"])
    assert list(beside.columns) == ["Also iso8573-1-2010"]
    first, second, third, fourth = beside.columns["Also iso8573-1-2010"]
    assert first == "oil class 2, humidity class 3" and "oil class 3 or better" in second
    assert "humidity class cannot be told" in third
    assert "beyond the last oil class" in fourth and "beyond the last humidity class" in fourth


def test_a_figure_in_doubt_has_no_class():
    """Expired oil tube, and oil drawn for 5 of 15 minutes: `before` would hold the doubts already, a run does not."""
    log = log_of({"a.xlsx": ({**VISIT, "oil_tube_expiry": date(2026, 1, 1)}, [AIRLINE]),
                  "b.xlsx": ({**VISIT, "site": "South"}, [{**AIRLINE, "oil_sampling_min": 5}])})  # fmt: skip
    texts = judged(log, Options(also=("iso8573-1-2010",))).also.columns["Also iso8573-1-2010"]
    assert all("oil class cannot be told" in x and "humidity class 3" in x for x in texts), texts


def test_own_files_are_told_apart(tmp_path):
    """Two files with one id would stand in one column, and the second for both."""
    paths = [tmp_path / name for name in ("a.toml", "b.toml", "i.toml")]
    for path, more in zip(paths, ("interval_months = 1", "interval_months = 2", "information_only = true")):
        path.write_text(f'id = "ours"\nextends = "{EN}"\n{more}\n', encoding="utf-8")
    a, b, info = map(str, paths)
    check_also([a, a, EN])
    with pytest.raises(GraderError, match="same id"):
        check_also([a, b])
    with pytest.raises(GraderError, match="nothing to show"):
        check_also([info])
    with pytest.raises(GraderError, match="the rule set that judges"):
        also_judged(graded([AIRLINE], rules=a)[0], [b])


# -- decision rule ---------------------------------------------------------------------------------------


def test_an_option_tightens_and_never_loosens():
    stated = {EN: load_ruleset(EN)}
    assert tightened(stated, None)[EN].decision_rule.guard_band == 0
    assert tightened(stated, "simple")[EN].decision_rule.guard_band == 0
    made = tightened(stated, "guarded")
    assert made[EN].decision_rule == DecisionRule("guarded acceptance", 1.0)
    with pytest.raises(GraderError, match="can only tighten"):
        tightened(made, "simple")


def test_guarded_acceptance_says_that_it_fails_outdoor_air():
    """500 ppm less U of the reading: y + 2 x 12.5 % y = 500 at 400 ppm; outdoor air of 2025 holds 425.64 ppm
    (NOAA global mean)."""
    made = tightened({EN: load_ruleset(EN), "osha-grade-d": load_ruleset("osha-grade-d")}, "guarded")
    lines = decision_cautions(made, date(2025, 6, 1))
    assert len(lines) == 1 and EN in lines[0] and "up to 400 ppm" in lines[0] and "426 ppm" in lines[0]
    assert decision_cautions({EN: load_ruleset(EN)}, date(2025, 6, 1)) == []


def test_the_accepted_figure_is_the_highest_that_passes(tmp_path):
    path = tmp_path / "g.toml"
    path.write_text('id = "g"\nextends = "en12021-2014"\ndecision_rule = "guarded acceptance"\n', encoding="utf-8")
    tests, _ = graded([{**AIRLINE, "co2_ppm": x, "outlet": x} for x in (400.0, 400.1)], rules=str(path))
    assert (tests["verdict_co2"] == FAIL).tolist() == [False, True]


def test_the_words_name_rule_and_thresholds():
    text = decision_text({EN: load_ruleset(EN)})
    assert text.startswith("simple acceptance") and "above 10 % (carbon dioxide 25 %)" in text
    both = decision_text({EN: load_ruleset(EN), **tightened({"osha-grade-d": load_ruleset("osha-grade-d")}, "guarded")})
    assert "guarded acceptance" in both and "simple acceptance" in both and "osha-grade-d" in both


def test_an_empty_log_has_empty_columns():
    tests, _ = graded_files({"a.xlsx": (VISIT, [])})
    beside = also_judged(tests, [EN, "iso8573-1-2010"])
    assert all(len(column) == 0 for column in beside.columns.values())
    assert len(log_of({"a.xlsx": (VISIT, [])}).rows) == 0
