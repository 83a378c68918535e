"""Which rule set judges each test: the row's or visit's, else the one asked for, else the default."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from grader.columns import UNREADABLE
from grader.frames import text, with_columns
from grader.judge.rules.sets import RuleSet, UnknownRuleSet, load_ruleset, resolve_edition
from grader.problems import Problems

DEFAULT_RULES = "en12021-2014"


@dataclass
class Assigned:
    """The table with column `ruleset` (id, "" where none could be told), and the rule sets that it names."""

    tests: pd.DataFrame
    rulesets: dict[str, RuleSet] = field(default_factory=dict)
    superseded: int = 0


def assign_rules(tests: pd.DataFrame, problems: Problems, rules: str | None = None) -> Assigned:
    """The rule set of every test.

    rules  : what to use where row and visit name none: an id, a name, or the path of a .toml file.
    Raises : UnknownRuleSet, RuleFileError for `rules` itself; a name in a row that is none is a problem
             and leaves that test without a rule set, never with the default.
    """
    own: list[RuleSet] = []
    asked = rules or DEFAULT_RULES
    if str(asked).casefold().endswith(".toml"):
        own = [load_ruleset(asked)]
        asked = own[0].id
    days = tests["test_day"].to_numpy()
    named = text(tests, "rule_set")
    chosen = np.full(len(tests), "", dtype=object)
    blank = (named == "") & (tests["rule_set_state"].to_numpy() != UNREADABLE)
    chosen[blank] = resolve_edition(asked, days[blank], own)
    number = tests.index.to_numpy()
    if rules and len(tests) and not blank.any():
        problems.add("rules_not_used", value=asked)
    problems.add_tests("no_edition_in_force", number[blank & (chosen == "")], "rule_set", name=str(asked))
    for name in pd.unique(named[named != ""]):
        at = named == name
        try:
            chosen[at] = resolve_edition(name, days[at], own)
        except UnknownRuleSet as error:
            problems.add_tests("unknown_rule_set", number[at], "rule_set", name=name, why=str(error))
            continue
        problems.add_tests("no_edition_in_force", number[at & (chosen == "")], "rule_set", name=name)
    found = {i: next((o for o in own if o.id == i), None) or load_ruleset(i) for i in pd.unique(chosen) if i}
    superseded = np.zeros(len(tests), dtype=bool)
    for rule_id, ruleset in list(found.items()):
        at = chosen == rule_id
        if ruleset.information_only:
            problems.add_tests("information_only_rule_set", number[at], "rule_set", name=rule_id)
            chosen[at] = ""
            del found[rule_id]
        elif ruleset.superseded_from is not None:
            late = at & (days >= np.datetime64(ruleset.superseded_from))
            superseded |= late
            problems.add_tests(
                "superseded_rule_set",
                number[late],
                "rule_set",
                name=rule_id,
                since=str(ruleset.superseded_from),
                by=ruleset.superseded_by,
            )
    return Assigned(with_columns(tests, {"ruleset": chosen}), found, int(superseded.sum()))
