"""The decision rule of a run: what each rule set states, tightened where asked; and how the result words it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date

import numpy as np

from grader.columns import PARAMETERS
from grader.judge.rules.sets import DecisionRule, RuleSet
from grader.judge.uncertainty import COVERAGE_FACTOR, standards
from grader.outdoor import outdoor_co2_on
from grader.problems import GraderError
from grader.words import words


def tightened(rulesets: Mapping[str, RuleSet], asked: str | None) -> dict[str, RuleSet]:
    """The rule sets with the decision rule that was asked for: an option may tighten, never loosen.

    asked   : None (as each rule set states), "simple" or "guarded" (guard band U, ILAC-G8:09/2019).
    Returns : dict of the same ids.
    Raises  : GraderError for "simple" where a rule set states a guard band.
    """
    if asked == "simple":
        guarded = [i for i, r in rulesets.items() if r.decision_rule.guard_band]
        if guarded:
            raise GraderError(
                f"{', '.join(guarded)} states guarded acceptance, and --decision-rule can only tighten: "
                "leave it out, or change the rule file."
            )
    if asked != "guarded":
        return dict(rulesets)
    return {
        i: replace(r, decision_rule=DecisionRule("guarded acceptance", max(1.0, r.decision_rule.guard_band)))
        for i, r in rulesets.items()
    }


def rule_facts(rules: RuleSet) -> list[str]:
    """What a rule set says besides its limits, a line each: what it is, extends and demands, how it decides."""
    title = "" if rules.title in ("", rules.document) else f". {rules.title}"
    facts = [f"{rules.id}: {rules.document}, {rules.edition}{title}"]
    if rules.extends:
        facts.append(f"Extends {rules.extends}.")
    if rules.superseded_from is not None:
        facts.append(
            f"Superseded from {rules.superseded_from}{f' by {rules.superseded_by}' if rules.superseded_by else ''}."
        )
    if rules.information_only:
        return facts
    facts.append(f"For: {', '.join(rules.supplies)}. Demanded: {', '.join(rules.demanded)}.")
    facts.append(f"Decision rule: {decision_text({rules.id: rules})}.")
    if rules.interval_months is not None:
        basis = f" ({rules.interval_basis})" if rules.interval_basis else ""
        facts.append(
            f"Longest interval between tests: {rules.interval_months} month{'s'[: rules.interval_months != 1]}{basis}."
        )
    facts += [f"Asks less on purpose, {key}: {why}" for key, why in rules.why.items()]
    facts += [f"Asks less on purpose, {x.parameter} {x.text}: {x.why}" for x in rules.limits if x.why]
    return facts


def decision_text(rulesets: Mapping[str, RuleSet], language: str = "en") -> str:
    """The decision rule and the flag thresholds in words, each rule set named where they differ."""
    w = words(language)
    say, names = w["decision"], w["parameter_within"]
    found: dict[str, list[str]] = {}
    for rule_id, rules in rulesets.items():
        band = rules.decision_rule.guard_band
        rule = say["guarded"].format(band=band) if band else say["simple"]
        usual = rules.flag["default"]
        other = "".join(
            say["flag_other"].format(name=names[p.key], flag=rules.flag_percent(p.name))
            for p in PARAMETERS.values()
            if p.direction != "words" and rules.flag_percent(p.name) != usual
        )
        found.setdefault(say["whole"].format(rule=rule, default=usual, others=other), []).append(rule_id)
    if len(found) <= 1:
        return next(iter(found), say["simple"])
    return "; ".join(say["of_rule_set"].format(rule=text, names=", ".join(ids)) for text, ids in found.items())


def decision_cautions(rulesets: Mapping[str, RuleSet], as_of: date, language: str = "en") -> list[str]:
    """What a chosen guard band does to outdoor air, one line a rule set that fails it: [] where none does.

    as_of : whose year's outdoor carbon dioxide is taken.
    """
    say, lines = words(language)["decision"], []
    outdoor = float(outdoor_co2_on(np.array([as_of], dtype="datetime64[D]"))[0])
    for rule_id, rules in rulesets.items():
        limits = [x.high for x in rules.limits_for("Carbon dioxide") if x.high is not None]
        width = rules.decision_rule.guard_band * COVERAGE_FACTOR
        if not limits or not width:
            continue
        limit, standard = min(limits), standards(rules.uncertainty)["co2"]
        if outdoor + width * standard.at(outdoor) > limit:
            # y + w u(y) = limit, by whichever part of u is the larger there
            accepted = min(limit - width * standard.absolute, limit / (1.0 + width * standard.relative))
            lines.append(say["outdoor_fails"].format(limit=limit, rule=rule_id, accepted=accepted, outdoor=outdoor))
    return lines
