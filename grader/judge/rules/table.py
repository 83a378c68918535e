"""The limits of rule sets as rows, for the sheet Limits and the command `grader limits`."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

from grader.columns import PARAMETER_BY_NAME
from grader.judge.rules.limit import Limit, NotCovered
from grader.judge.uncertainty import standards
from grader.words import DEFAULT_LANGUAGE, words

if TYPE_CHECKING:
    from grader.judge.rules.sets import RuleSet


COLUMNS = ("Rule set", "Document", "Edition", "Clause", "Parameter", "Condition", "Limit", "Unit",
           "Source confidence", "Judges", "Note", "Standard uncertainty", "Uncertainty from",
           "Near limit above (%)")  # fmt: skip


def limits_table(rulesets: Iterable[RuleSet], language: str = DEFAULT_LANGUAGE) -> list[dict[str, str]]:
    """One row a limit, then what is demanded without a limit, what is not covered, what an own file loosens.

    language : of Parameter, Condition and Limit of what judges; the sheet Limits and the rest stay English.
    Returns : list of dict with the keys COLUMNS, all values str. Judges is "yes", or "no: " and why.
    """
    rows = []
    for rules in rulesets:
        lines = [_limit_line(x, language) for x in rules.limits]
        lines = [(*line, *sure) for line, sure in zip(lines, map(_sure_of(rules), rules.limits), strict=True)]
        lines += [_gap_line(rules, p) for p in dict.fromkeys(p for p, _ in rules.gaps())]
        lines += [_substance_line(x) for x in rules.substances]
        lines += [_absent_line(x) for x in rules.not_covered]
        lines += [_why_line(rules, key, why) for key, why in rules.why.items()]
        nothing = [""] * len(COLUMNS)
        rows += [dict(zip(COLUMNS, [rules.id, *line, *nothing])) for line in lines]
    return rows


def _sure_of(rules: RuleSet) -> Callable[[Limit], tuple[str, str, str]]:
    """Uncertainty of the readings that a limit judges, where it is from, and the flag threshold, in words.

    Figures that follow from others by the water chain name what they follow from.
    """
    standard = standards(rules.uncertainty)

    def sure(x: Limit) -> tuple[str, str, str]:
        parameter = PARAMETER_BY_NAME[x.parameter]
        if x.kind == "words" or not x.judges:
            return "", "", ""
        flag = f"{rules.flag_percent(x.parameter):g}"
        if x.parameter in ("Pressure dew point", "Dew point at one atmosphere", "Dew point margin"):
            return "carried through from water, pressure and temperature", "JCGM 100:2008, first order", flag
        found = standard[parameter.key]
        return found.text(parameter.unit), found.source, flag

    return sure


def _limit_line(x: Limit, language: str) -> tuple[str, ...]:
    notes = [x.basis, x.note]
    notes += [f"replaces {x.replaces}"] if x.replaces else []
    notes += [f"reason given: {x.why}"] if x.why else []
    judges = "yes" if x.judges else f"no: {x.why_not}"
    note = "; ".join(n for n in notes if n)
    name = words(language)["parameter"][PARAMETER_BY_NAME[x.parameter].key]
    return (x.document, x.edition, x.clause, name, x.condition_in(language), x.text_in(language), x.stated_unit,
            x.confidence, judges, note)  # fmt: skip


def _gap_line(rules: RuleSet, parameter: str) -> tuple[str, ...]:
    supplies = [s for p, s in rules.gaps() if p == parameter]
    condition = "every supply" if set(supplies) == set(rules.supplies) else ", ".join(supplies)
    note = "demanded, so a test by this rule set stays incomplete"
    return (rules.document, rules.edition, "", parameter, condition, "none stated", "", "",
            "no: the rule set states no limit", note)  # fmt: skip


def _substance_line(x: NotCovered) -> tuple[str, ...]:
    return (x.document, x.edition, x.clause, x.substance, "every supply", x.text, x.unit, x.confidence, "yes", x.note)


def _absent_line(x: NotCovered) -> tuple[str, ...]:
    return (x.document, x.edition, x.clause, x.substance, "not covered", x.text or "figure not held", x.unit,
            x.confidence, "no: not covered, the workbook has no column for it", x.note)  # fmt: skip


def _why_line(rules: RuleSet, key: str, why: str) -> tuple[str, ...]:
    return (rules.document, rules.edition, "", "Rule set", key, "asks less than what it rests on", "", "own",
            "yes", f"reason given: {why}")  # fmt: skip
