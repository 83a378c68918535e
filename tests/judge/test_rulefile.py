"""A firm's own rule file: defaults, joining with what it extends, loosening, and one test a mistake."""

from __future__ import annotations

import os
from datetime import date

import numpy as np
import pytest

from grader.judge import rulesets
from grader.judge.rulesets import RuleFileError, limits_table, load_ruleset, normalise_name, resolve_edition


def own(tmp_path, text, name="own.toml"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def mistakes(tmp_path, text):
    with pytest.raises(RuleFileError) as caught:
        load_ruleset(own(tmp_path, text))
    assert all(m.startswith("own.toml: ") and m.endswith((".", '"...".')) for m in caught.value.messages)
    return caught.value.messages


HEAD = 'id = "our-site"\nextends = "en12021-2014"\n'
CO = '[[limit]]\nparameter = "Carbon monoxide"\nunit = "ppm"\n'


def test_own_file_defaults(tmp_path):
    path = own(tmp_path, HEAD + CO + "max = 3\n")
    os.utime(path, (1_700_000_000, 1_700_000_000))
    rules = load_ruleset(str(path))
    assert rules.own and rules.document == "own rule" and rules.extends == "en12021-2014"
    assert rules.edition == date.fromtimestamp(1_700_000_000).isoformat()
    [co] = rules.limits_for("Carbon monoxide")
    assert (co.high, co.kind, co.confidence, co.origin, co.document) == (
        3,
        "max",
        "own",
        "our-site",
        "own rule",
    )
    assert "5 ppm" in co.replaces
    assert normalise_name("Our Site", [rules]) == "our-site" and normalise_name("Our Site") is None
    assert load_ruleset("OUR SITE", [rules]) is rules
    assert list(resolve_edition("our site", np.array(["2024-01-01"], "datetime64[D]"), [rules])) == [
        "our-site"
    ]


def test_changed_own_file_is_read_again(tmp_path):
    path = own(tmp_path, HEAD + CO + "max = 3\n")
    first = load_ruleset(path)
    assert load_ruleset(path) is first
    path.write_text(HEAD + CO + "max = 2.5\n", encoding="utf-8")
    assert load_ruleset(path).limits_for("Carbon monoxide")[0].high == 2.5


def test_own_file_that_extends_nothing(tmp_path):
    rules = load_ruleset(own(tmp_path, 'id = "ours"\nedition = 2024\n' + CO + "max = 3\n"))
    assert len(rules.limits) == 1 and rules.edition == "2024" and len(rules.demanded) == 6
    assert ("Oxygen", "airline") in rules.gaps()


def test_limit_without_when_replaces_all_of_its_parameter(tmp_path):
    text = HEAD + '[[limit]]\nparameter = "Water"\nmax = 20\nunit = "mg/m3"\n'
    rules = load_ruleset(own(tmp_path, text))
    assert [(x.high, x.unit, x.origin) for x in rules.limits if x.parameter == "Water"] == [
        (20, "mg/m³", "our-site")
    ]


def test_limit_with_when_replaces_the_same_and_else_is_added(tmp_path):
    text = HEAD + (
        '[[limit]]\nparameter = "Water"\nmax = 30\nunit = "mg/m³"\n'
        'when = { supply = ["cylinder"], over_bar = 200 }\n'
        '[[limit]]\nparameter = "Water"\nmax = 10\nunit = "mg/m³"\n'
        'when = { supply = "cylinder", over_bar = 300 }\n'
    )
    rules = load_ruleset(own(tmp_path, text))
    cylinder = {(x.over_bar, x.to_bar): x.high for x in rules.limits_for("Water", "cylinder")}
    assert cylinder == {(40, 200): 50, (200, None): 30, (300, None): 10}
    assert [x.high for x in rules.limits_for("Water", "charging compressor")] == [25]


def test_parameters_of_the_dew_point_are_never_mixed(tmp_path):
    """A dew point at one atmosphere does not touch the limit of the one in the line."""
    text = HEAD + '[[limit]]\nparameter = "Dew point at one atmosphere"\nmax = -40\nunit = "°C"\n'
    rules = load_ruleset(own(tmp_path, text))
    assert [x.high for x in rules.limits_for("Pressure dew point")] == [-11]
    assert [(x.high, x.at) for x in rules.limits_for("Dew point at one atmosphere")] == [(-40, "1 atm")]


def test_memory_in_an_own_file_replaces_nothing(tmp_path):
    rules = load_ruleset(own(tmp_path, HEAD + CO + 'max = 50\nconfidence = "memory"\n'))
    assert [x.high for x in rules.limits_for("Carbon monoxide")] == [5]
    assert [x.judges for x in rules.limits if x.high == 50 and x.parameter == "Carbon monoxide"] == [False]


@pytest.mark.parametrize(("figure", "judging"), [(3, [3]), (5, [5]), (15, [5])])
def test_common_practice_judges_only_where_stricter(tmp_path, figure, judging):
    rules = load_ruleset(own(tmp_path, HEAD + CO + f'max = {figure}\nconfidence = "common practice"\n'))
    found = rules.limits_for("Carbon monoxide")
    assert [x.high for x in found] == judging
    assert [x.origin for x in found] == ["our-site" if figure == 3 else "en12021-2014"]
    assert all(x.judges or x.why_not for x in rules.limits)


def test_common_practice_fills_no_gap(tmp_path):
    """Where nothing is published, common practice must not turn an incomplete test into a pass."""
    text = (
        'id = "ours"\nextends = "norway-filling-plant"\n[[limit]]\nparameter = "Oxygen"\nmin = 19\nmax = 24\n'
    )
    rules = load_ruleset(own(tmp_path, text + 'unit = "%"\nconfidence = "common practice"\n'))
    assert rules.limits_for("Oxygen") == () and ("Oxygen", "cylinder") in rules.gaps()


LOOSER = {
    "higher max": (CO + "max = 6\n", "looser than at most 5 ppm", 'why = "agreed"\n'),
    "lower min": (
        '[[limit]]\nparameter = "Oxygen"\nmin = 19\nmax = 22\nunit = "%"\n',
        "looser",
        'why = "agreed"\n',
    ),
    "lost max": ('[[limit]]\nparameter = "Oxygen"\nmin = 20\nunit = "%"\n', "looser", 'why = "agreed"\n'),
    "one of several": (
        '[[limit]]\nparameter = "Water"\nmax = 30\nunit = "mg/m³"\n',
        "charging compressor",
        'why = "agreed"\n',
    ),
    "other place": (
        '[[limit]]\nparameter = "Dew point margin"\nmin = 10\nunit = "K"\nat = "1 atm"\n',
        "set against",
        'why = "agreed"\n',
    ),
    "words": ('[[limit]]\nparameter = "Odour"\nallowed = ["none", "slight"]\n', "looser", 'why = "agreed"\n'),
    "demand": ('demanded = ["Oxygen"]\n', "leaves out Odour", '[why]\ndemanded = "agreed"\n'),
    "flag": ("[flag]\ndefault = 20\n", "[flag] is higher", '[why]\nflag = "agreed"\n'),
    "interval": ("interval_months = 6\n", "longer than the 3", '[why]\ninterval_months = "agreed"\n'),
}


@pytest.mark.parametrize("case", LOOSER)
def test_loosening_needs_a_reason_which_is_printed(tmp_path, case):
    text, words, reason = LOOSER[case]
    found = mistakes(tmp_path, HEAD + text)
    assert any(words in m for m in found) and all("reason" in m for m in found)
    rules = load_ruleset(own(tmp_path, HEAD + text + reason, "with-reason.toml"))
    assert any("reason given: agreed" in r["Note"] for r in limits_table([rules]))


def test_uncertainty_guard_band_and_supplies_may_not_be_loosened_unsaid():
    """Against a base with its own uncertainty and guard band, which no built-in set has."""
    base = rulesets.RuleSet(
        "base",
        "d",
        "e",
        supplies=("cylinder",),
        flag={"default": 10.0},
        decision_rule=rulesets.DecisionRule("guarded acceptance", 1.0),
        uncertainty={"Oil": rulesets.Uncertainty(0.1, 10.0)},
    )
    made = rulesets.RuleSet(
        "own",
        "d",
        "e",
        supplies=("airline", "cylinder"),
        flag={"default": 10.0},
        uncertainty={"Oil": rulesets.Uncertainty(0.05, 10.0)},
    )
    assert set(rulesets._loosened(made, base)) == {"uncertainty", "decision_rule", "supplies"}
    assert rulesets._loosened(base, base) == {}


def test_tightening_needs_no_reason(tmp_path):
    text = HEAD + (
        'interval_months = 1\ndemanded = ["Odour", "Oxygen", "Carbon monoxide", "Carbon dioxide", "Oil", '
        '"Water", "Flow"]\n'
        'decision_rule = { rule = "guarded acceptance", guard_band = 0.5 }\n[flag]\ndefault = 5\n'
        "[uncertainty]\nOil = { absolute = 1.0, relative_percent = 50 }\n"
        '[[limit]]\nparameter = "Flow"\nmin = 170\nunit = "l/min"\n'
        '[[limit]]\nparameter = "Dew point margin"\nmin = 18\nunit = "°F"\n'
        'when = { supply = "airline", temperature = "known" }\n'
    )
    rules = load_ruleset(own(tmp_path, text))
    assert rules.interval_months == 1 and rules.decision_rule.guard_band == 0.5 and "Flow" in rules.demanded
    assert rules.flag_percent("Oil") == 5 and rules.flag_percent("Carbon dioxide") == 25
    assert rules.uncertainty["Oil"].absolute == 1.0
    [margin] = rules.limits_for("Dew point margin")
    assert (
        margin.low == pytest.approx(10.0, rel=1e-12)
        and margin.at == "line"
        and margin.reference == "lowest use"
    )
    assert [x.low for x in rules.limits_for("Flow", "airline")] == [170]


MISTAKES = {
    "not toml": ("id = our site", "not valid TOML"),
    "duplicate key": ('id = "a"\nid = "b"', "not valid TOML"),
    "no id": (CO + "max = 3", "id is missing"),
    "odd id": ('id = "Our Site"\n' + CO + "max = 3", 'id = "Our Site"'),
    "built-in id": ('id = "en12021-2014"\n' + CO + "max = 3", "built-in rule set en12021-2014"),
    "built-in id in other letters": ('id = "bs.en-12021.2014"\n' + CO + "max = 3", "built-in rule set"),
    "built-in family as id": ('id = "en12021"\n' + CO + "max = 3", "built-in rule set en12021"),
    "unknown extends": ('id = "a"\nextends = "en12021-2013"\n', "en12021-2014"),
    "extends without edition": ('id = "a"\nextends = "EN 12021"\n', "en12021-1998, en12021-2014"),
    "no limit at all": ('id = "a"\n', "[[limit]] is missing"),
    "unknown key": (HEAD + 'extend = "x"\n', "Did you mean extends?"),
    "empty text": (HEAD + 'note = ""\n', "not a text"),
    "date in quotes": (HEAD + 'in_force_from = "2024-01-31"\n', "not a date"),
    "date with time": (HEAD + "in_force_from = 2024-01-31T10:00:00\n", "not a date"),
    "dates reversed": (HEAD + "in_force_from = 2024-01-31\nsuperseded_from = 2023-01-31\n", "not after"),
    "unknown demand": (HEAD + 'demanded = ["Oxigen"]\n', "Did you mean Oxygen?"),
    "demand on a dew point": (HEAD + 'demanded = ["Pressure dew point"]\n', "not a word known here"),
    "unknown supply": (HEAD + 'supplies = ["air line"]\n', "Did you mean airline?"),
    "no supply": (HEAD + "supplies = []\n", "names no supply"),
    "information_only no bool": (HEAD + 'information_only = "no"\n', "not true or false"),
    "judging by classes": (
        'id = "a"\nextends = "iso8573-1-2010"\ninformation_only = false\n',
        "cannot judge",
    ),
    "interval in words": (HEAD + 'interval_months = "3"\n', "whole number of months"),
    "interval true": (HEAD + "interval_months = true\n", "whole number of months"),
    "interval zero": (HEAD + "interval_months = 0\n", "whole number of months"),
    "decision rule": (HEAD + 'decision_rule = "simple"\n', "simple acceptance"),
    "guard band below 0": (
        HEAD + 'decision_rule = {rule = "guarded acceptance", guard_band = -1}\n',
        "does not fit",
    ),
    "flag of 100": (HEAD + "[flag]\ndefault = 100\n", "chance in percent"),
    "flag of nothing": (HEAD + "[flag]\nOzone = 5\n", "not a word known here"),
    "flag no table": (HEAD + "flag = 5\n", "not a table"),
    "negative uncertainty": (HEAD + "[uncertainty]\nOil = -1\n", "below 0"),
    "uncertainty in words": (HEAD + '[uncertainty]\nOil = "10 %"\n', "not a number"),
    "why of nothing": (HEAD + '[why]\nlimits = "x"\n', "no such key"),
    "not_covered no list": (HEAD + 'not_covered = "ozone"\n', "not a list"),
    "limit no list": (HEAD + "limit = 5\n", "not a list of limits"),
    "limit as one table": (HEAD + '[limit]\nparameter = "Oil"\n', "Begin every limit"),
    "no parameter": (HEAD + "[[limit]]\nmax = 3\n", "parameter is missing"),
    "unknown parameter": (
        HEAD + '[[limit]]\nparameter = "Carbon monoxid"\n',
        "Did you mean Carbon monoxide?",
    ),
    "unknown limit key": (HEAD + CO + "maximum = 3\nmax = 3\n", "maximum"),
    "number in quotes": (HEAD + CO + 'max = "3,5"\n', 'max = "3,5": not a number'),
    "true for a number": (HEAD + CO + "max = true\n", "not a number"),
    "nan": (HEAD + CO + "max = nan\n", "not a number"),
    "infinite": (HEAD + CO + "max = inf\n", "not a number"),
    "no figure": (HEAD + CO, "max is missing"),
    "min where only max": (HEAD + CO + "min = 3\n", "does not belong to kind max"),
    "wrong kind": (HEAD + CO + 'kind = "range"\nmax = 3\n', "Write one of: max"),
    "no unit": (HEAD + '[[limit]]\nparameter = "Oil"\nmax = 0.1\n', "unit is missing"),
    "wrong unit": (HEAD + '[[limit]]\nparameter = "Oil"\nmax = 0.1\nunit = "ppm"\n', "mg/m³"),
    "fraction for percent": (
        HEAD + '[[limit]]\nparameter = "Oxygen"\nmin = 0.2\nmax = 0.22\nunit = "%"\n',
        "slip",
    ),
    "range reversed": (
        HEAD + '[[limit]]\nparameter = "Oxygen"\nmin = 22\nmax = 20\nunit = "%"\n',
        "above max",
    ),
    "marked odour": (
        HEAD + '[[limit]]\nparameter = "Odour"\nallowed = ["none"]\nnear = ["marked"]\n',
        "always fails",
    ),
    "odour by number": (HEAD + '[[limit]]\nparameter = "Odour"\nmax = 1\n', "does not belong"),
    "odour word twice": (
        HEAD + '[[limit]]\nparameter = "Odour"\nallowed = ["none"]\nnear = ["none"]\n',
        "too",
    ),
    "words for a gas": (HEAD + CO + 'max = 3\nallowed = ["none"]\n', "limits in words"),
    "dew point in the wrong place": (
        HEAD + '[[limit]]\nparameter = "Pressure dew point"\nmax = -20\nunit = "°C"\nat = "1 atm"\n',
        "line",
    ),
    "place of a gas": (HEAD + CO + 'max = 3\nat = "line"\n', "says nothing"),
    "confidence": (HEAD + CO + 'max = 3\nconfidence = "sure"\n', "not a word known here"),
    "when no table": (HEAD + CO + 'max = 3\nwhen = "airline"\n', "not a condition"),
    "when key": (HEAD + CO + "max = 3\nwhen = { above_bar = 40 }\n", "above_bar"),
    "when supply": (HEAD + CO + 'max = 3\nwhen = { supply = "bottle" }\n', "not a word known here"),
    "when band": (HEAD + CO + "max = 3\nwhen = { over_bar = 200, to_bar = 40 }\n", "not below to_bar"),
    "when pressure": (HEAD + CO + "max = 3\nwhen = { to_bar = -1 }\n", "below 0"),
    "when temperature": (HEAD + CO + 'max = 3\nwhen = { temperature = "cold" }\n', "known"),
    "supply outside the set": (
        'id = "a"\nextends = "norway-filling-plant"\n' + CO + 'max = 3\nwhen = { supply = "airline" }\n',
        "charging compressor, cylinder only",
    ),
    "same twice": (HEAD + CO + "max = 3\n" + CO + "max = 4\n", "stands already in [[limit]] 1"),
}


@pytest.mark.parametrize("case", MISTAKES)
def test_mistake_in_an_own_file(tmp_path, case):
    text, words = MISTAKES[case]
    found = mistakes(tmp_path, text)
    assert any(words in m for m in found), found


def test_all_mistakes_are_told_at_once(tmp_path):
    text = (
        'id = "Ours!"\nsupplies = ["bottle"]\n'
        + CO
        + 'max = "3"\n[[limit]]\nparameter = "Oil"\nmax = 1\nunit = "kg"'
    )
    found = mistakes(tmp_path, text)
    assert len(found) == 4 and str(RuleFileError(found)) == "\n".join(found)


def test_file_that_cannot_be_read(tmp_path):
    for make, words in (
        (lambda p: None, "cannot be opened"),
        (lambda p: p.mkdir(), "not a rule file"),
        (lambda p: p.write_bytes(b'id = "caf\xe9"'), "not UTF-8"),
    ):
        path = tmp_path / f"{words.replace(' ', '-')}.toml"
        make(path)
        with pytest.raises(RuleFileError, match=words):
            load_ruleset(path)


def test_file_saved_with_a_byte_order_mark_is_read(tmp_path):
    path = tmp_path / "bom.toml"
    path.write_bytes(b"\xef\xbb\xbf" + (HEAD + CO + "max = 3\n").encode())
    assert load_ruleset(path).id == "our-site"
