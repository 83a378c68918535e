"""A firm's own rule file: defaults, joining with what it extends, loosening, and one test a mistake."""

from __future__ import annotations

import os
from datetime import date

import numpy as np
import pytest

from grader.columns import JUDGED, TEST_WORDS, VERDICT_WORDS
from grader.judge.rules import sets as rulesets
from grader.judge.rules.sets import RuleFileError, limits_table, load_ruleset, normalise_name, resolve_edition
from tests.support import AIRLINE, codes_of, graded


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
    assert (co.high, co.kind, co.confidence, co.origin, co.document) == (3, "max", "own", "our-site", "own rule")
    assert "5 ppm" in co.replaces
    assert normalise_name("Our Site", [rules]) == "our-site" and normalise_name("Our Site") is None
    assert load_ruleset("OUR SITE", [rules]) is rules
    assert list(resolve_edition("our site", np.array(["2024-01-01"], "datetime64[D]"), [rules])) == ["our-site"]


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
    assert [(x.high, x.unit, x.origin) for x in rules.limits if x.parameter == "Water"] == [(20, "mg/m³", "our-site")]


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
    text = 'id = "ours"\nextends = "norway-filling-plant"\n[[limit]]\nparameter = "Oxygen"\nmin = 19\nmax = 24\n'
    rules = load_ruleset(own(tmp_path, text + 'unit = "%"\nconfidence = "common practice"\n'))
    assert rules.limits_for("Oxygen") == () and ("Oxygen", "cylinder") in rules.gaps()


LOOSER = {
    "higher max": (CO + "max = 6\n", "looser than at most 5 ppm", 'why = "agreed"\n'),
    "lower min": ('[[limit]]\nparameter = "Oxygen"\nmin = 19\nmax = 22\nunit = "%"\n', "looser", 'why = "agreed"\n'),
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
    assert margin.low == pytest.approx(10.0, rel=1e-12) and margin.at == "line" and margin.reference == "lowest use"
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
    "judging by classes": ('id = "a"\nextends = "iso8573-1-2010"\ninformation_only = false\n', "cannot judge"),
    "interval in words": (HEAD + 'interval_months = "3"\n', "whole number of months"),
    "interval true": (HEAD + "interval_months = true\n", "whole number of months"),
    "interval zero": (HEAD + "interval_months = 0\n", "whole number of months"),
    "decision rule": (HEAD + 'decision_rule = "simple"\n', "simple acceptance"),
    "guard band below 0": (HEAD + 'decision_rule = {rule = "guarded acceptance", guard_band = -1}\n', "does not fit"),
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
    "unknown parameter": (HEAD + '[[limit]]\nparameter = "Carbon monoxid"\n', "Did you mean Carbon monoxide?"),
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
    "fraction for percent": (HEAD + '[[limit]]\nparameter = "Oxygen"\nmin = 0.2\nmax = 0.22\nunit = "%"\n', "slip"),
    "range reversed": (HEAD + '[[limit]]\nparameter = "Oxygen"\nmin = 22\nmax = 20\nunit = "%"\n', "above max"),
    "marked odour": (HEAD + '[[limit]]\nparameter = "Odour"\nallowed = ["none"]\nnear = ["marked"]\n', "always fails"),
    "odour by number": (HEAD + '[[limit]]\nparameter = "Odour"\nmax = 1\n', "does not belong"),
    "odour word twice": (HEAD + '[[limit]]\nparameter = "Odour"\nallowed = ["none"]\nnear = ["none"]\n', "too"),
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
        'id = "Ours!"\nsupplies = ["bottle"]\n' + CO + 'max = "3"\n[[limit]]\nparameter = "Oil"\nmax = 1\nunit = "kg"'
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


# --- loosenings and mistakes that once got through ---


def verdict_of(tmp_path, text, row):
    """Verdict words of one airline row by an own file."""
    tests, _ = graded([{**AIRLINE, **row}], rules=str(own(tmp_path, text)))
    return {key: VERDICT_WORDS[tests[f"verdict_{key}"][0]] for key in JUDGED} | {
        "test": TEST_WORDS[tests["verdict"][0]], "reasons": tests["reasons"][0]
    }  # fmt: skip


def test_of_several_odour_limits_the_worst_counts(tmp_path):
    """EN 12021: a slight odour is near the limit; a further limit for airlines cannot let it pass."""
    added = '[[limit]]\nparameter = "Odour"\nallowed = ["none", "slight"]\nwhen = { supply = "airline" }\n'
    assert verdict_of(tmp_path, HEAD + added, {"odour": "slight"})["odour"] == "near limit"
    strict = '[[limit]]\nparameter = "Odour"\nallowed = ["none"]\nwhen = { supply = "airline" }\n'
    assert verdict_of(tmp_path, HEAD + strict, {"odour": "slight"})["odour"] == "fail"


@pytest.mark.parametrize("condition", ['temperature = "known"', "over_bar = 5", "to_bar = 5"])
def test_a_limit_in_words_has_no_band(tmp_path, condition):
    text = HEAD + f'[[limit]]\nparameter = "Odour"\nallowed = ["none"]\nwhen = {{ {condition} }}\n'
    assert any("does not belong to a limit in words" in m for m in mistakes(tmp_path, text))


@pytest.mark.parametrize(
    "limit, row, key, word, test",
    [
        ('Flow"\nmin = 300\nunit = "L/min"', {"flow_l_min": 250.0}, "flow", "fail", "fail"),
        ('Flow"\nmin = 300\nunit = "L/min"', {"flow_l_min": 400.0}, "flow", "pass", "pass"),
        ('Flow"\nmin = 300\nunit = "L/min"', {"flow_l_min": None}, "flow", "not tested", "incomplete"),
        ('Flow"\nmin = 300\nunit = "L/min"', {"flow_l_min": 250.0, "flow_needed_l_min": None}, "flow", "fail", "fail"),
        ('Flow"\nmin = 100\nunit = "L/min"', {"flow_l_min": 110.0, "flow_needed_l_min": None}, "flow", "cannot tell", "incomplete"),
        ('Flow"\nmin = 100\nunit = "L/min"', {"flow_l_min": 130.0}, "flow", "fail", "fail"),
        ('Flow"\nmin = 10\nmax = 250\nunit = "L/min"', {}, "flow", "fail", "fail"),
        ('Line pressure"\nmin = 6.5\nunit = "bar"', {}, "pressure", "fail", "fail"),
        ('Line pressure"\nmax = 5.5\nunit = "bar"', {}, "pressure", "fail", "fail"),
        ('Line pressure"\nmax = 9\nunit = "bar"', {"highest_pressure_bar": 5.5}, "pressure", "fail", "fail"),
        ('Line pressure"\nmax = 5.5\nunit = "bar"', {"highest_pressure_bar": 9.0}, "pressure", "fail", "fail"),
    ],
)  # fmt: skip
def test_flow_and_pressure_limits_of_a_rule_file_judge(tmp_path, limit, row, key, word, test):
    """They add to what the row says is needed; the lower flow of 42 CFR 84.162(b), 115 L/min, still asks for the need."""
    found = verdict_of(tmp_path, HEAD + '[[limit]]\nparameter = "' + limit + "\n", row)
    assert (found[key], found["test"]) == (word, test), found["reasons"]


def test_a_demanded_flow_that_nothing_is_needed_of_is_incomplete(tmp_path):
    demanded = 'demanded = ["Odour", "Oxygen", "Carbon monoxide", "Carbon dioxide", "Oil", "Water", "Flow"]\n'
    found = verdict_of(tmp_path, HEAD + demanded, {"flow_needed_l_min": None})
    assert (found["flow"], found["test"]) == ("not judged", "incomplete")
    assert "flow" in found["reasons"]


NOT_READ = {
    "a whole number too long for a float": HEAD + CO + f"max = {'9' * 400}\n",
    "a whole number too long to read": HEAD + f"interval_months = {'9' * 5000}\n",
    "the same in hexadecimal": HEAD + f"interval_months = 0x{'f' * 5000}\n",
    "a flag as long": HEAD + f"[flag]\ndefault = {'9' * 400}\n",
    "brackets too deep": HEAD + "note = " + "[" * 100_000,
    "tables too deep": HEAD + "a." * 3000 + "b = 1\n",
}


@pytest.mark.parametrize("case", NOT_READ)
def test_what_the_reader_cannot_hold_is_one_short_line(tmp_path, case):
    [message] = mistakes(tmp_path, NOT_READ[case])
    assert len(message) < 400


def test_a_message_stays_on_one_line(tmp_path):
    [message] = mistakes(tmp_path, HEAD + '"a\\nb" = "c\\u001bd\\u202e"\n')
    assert message.isprintable()


@pytest.mark.parametrize("document, edition", [("EN 12021", "2014"), ("en-12021", "2014 "), ("29 CFR 1910.134", None)])
def test_an_own_file_cannot_print_as_a_built_in_document(tmp_path, document, edition):
    held = load_ruleset("osha-grade-d")
    text = f'id = "a"\ndocument = "{held.document if edition is None else document}"\n'
    text += f'edition = "{edition or held.edition}"\n{CO}max = 50\n'
    assert any("built-in rule set" in m for m in mistakes(tmp_path, text))


def test_an_own_document_of_an_edition_not_held_is_welcome(tmp_path):
    text = f'id = "a"\ndocument = "EN 12021"\nedition = "2099 draft"\nextends = "en12021-2014"\n{CO}max = 4\n'
    assert load_ruleset(own(tmp_path, text)).edition == "2099 draft"


@pytest.mark.parametrize("line", ['family = "en12021"\n', 'aliases = ["EN 12021"]\n'])
def test_family_and_aliases_are_for_built_in_sets(tmp_path, line):
    assert any("by its id" in m for m in mistakes(tmp_path, HEAD + line))


def test_resting_on_a_superseded_edition_is_said(tmp_path):
    """EN 12021:1998 was superseded by that of 2014: an own file that extends it is no newer."""
    base = load_ruleset("en12021-1998")
    text = 'id = "ours"\nextends = "en12021-1998"\n'
    rules = load_ruleset(own(tmp_path, text + "superseded_from = 2090-01-01\n"))
    assert (rules.superseded_from, rules.superseded_by) == (base.superseded_from, base.superseded_by)
    _, problems = graded([AIRLINE], rules=str(own(tmp_path, text)))
    assert "superseded_rule_set" in codes_of(problems, 0)


@pytest.mark.parametrize("more, refused", [
    ('max = 100\nunit = "of the national 8 h exposure limit"', True),
    ('max = 0.1\nunit = "ppm"', True),
    ("", True),
    ('max = 0.05\nunit = "of the national 8 h exposure limit"', False),
])  # fmt: skip
def test_a_substance_not_covered_may_only_be_tightened(tmp_path, more, refused):
    text = HEAD + f'[[not_covered]]\nsubstance = "any other contaminant"\n{more}\n'
    if refused:
        assert any("not stricter than" in m for m in mistakes(tmp_path, text))
    else:
        assert load_ruleset(own(tmp_path, text)).not_covered[0].high == 0.05


@pytest.mark.parametrize("row, verdict, words", [
    ({"co_ppm": None}, "pass", "Not tested, and own rule"),
    ({"co_ppm": "abc"}, "incomplete", "cannot tell"),
    ({"co_ppm": "<10"}, "incomplete", "cannot tell"),
    ({}, "pass", "Meets own rule"),
])  # fmt: skip
def test_what_an_own_file_does_not_demand_is_said_and_never_passed_in_doubt(tmp_path, row, verdict, words):
    text = HEAD + 'demanded = ["Odour", "Oxygen"]\n[why]\ndemanded = "monitored"\n'
    found = verdict_of(tmp_path, text, row)
    assert found["test"] == verdict and words in found["reasons"]
    assert ("Not tested" in found["reasons"]) == (row == {"co_ppm": None})
