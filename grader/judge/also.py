"""Verdicts by further rule sets, beside the one that judges: which outlets would meet which."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from grader.columns import AWAITED, CANNOT_TELL, FAIL, JUDGED, NEAR_LIMIT, NO_LIMIT, NOT_TESTED, TEST_WORDS
from grader.frames import with_columns
from grader.judge.decision import tightened
from grader.judge.doubts import judge_doubts
from grader.judge.purity import purity_classes
from grader.judge.rules.sets import RuleSet, load_ruleset, resolve_edition
from grader.judge.verdicts import judge
from grader.problems import GraderError, Problems
from grader.words import words

Judging = Callable[[pd.DataFrame, dict[str, RuleSet], Problems], pd.DataFrame]
_LISTED = (
    (FAIL, "fails"),
    (CANNOT_TELL, "cannot_tell"),
    (NOT_TESTED, "not_tested"),
    (AWAITED, "awaited"),
    (NO_LIMIT, "no_limit"),
    (NEAR_LIMIT, "near_limit"),
)


_OTHER_ID = "Give one of the files an id of its own."


@dataclass
class Also:
    """columns : heading -> object array (n,). rulesets : by id, for the sheet Limits."""

    columns: dict[str, np.ndarray] = field(default_factory=dict)
    rulesets: dict[str, RuleSet] = field(default_factory=dict)


def check_also(names: Iterable[str]) -> None:
    """Stop before anything is read where a name is no rule set, or has nothing to say.

    Raises : UnknownRuleSet, RuleFileError; GraderError for two files with one id, and for a rule set that is for
             information only and states no classes.
    """
    files: dict[str, str] = {}
    for name in names:
        _, rulesets, label = _named(name, np.array(["2020-01-01"], dtype="datetime64[D]"))
        for rules in rulesets.values():
            if rules.own and files.setdefault(rules.id, rules.path) != rules.path:
                raise GraderError(f'--also {name}: {files[rules.id]} has the same id = "{label}". {_OTHER_ID}')
            if rules.information_only and not any(x.purity_class for x in rules.limits):
                raise GraderError(
                    f"--also {name}: is for information only and states no classes, so it has nothing to show. "
                    "Leave information_only out of the file, or leave the file out here."
                )


def also_judged(
    tests: pd.DataFrame,
    names: Iterable[str],
    language: str = "en",
    decision_rule: str | None = None,
    judging: Judging = judge,
) -> Also:
    """What other rule sets say of the same tests.

    tests   : table after assign_rules and before judge, n rows.
    judging : what judges a table by rule sets: judge, or what adds the past and what is not understood.
    names   : ids, families ("en12021": the edition in force on each date) or paths of .toml files.
    Returns : Also, two columns a name: "Also NAME" (the test's verdict; purity classes for a set that is for
              information only) and "Also NAME reasons" (which parameters keep it from a pass; none for classes).
    Raises  : UnknownRuleSet, RuleFileError; GraderError as decision.tightened, and for a file with the id of
              the rule set that judges.
    """
    say = words(language)["also"]
    beside = Also()
    judging_ids = set(pd.unique(tests["ruleset"]))
    for name in dict.fromkeys(names):
        ids, rulesets, label = _named(name, tests["test_day"].to_numpy())
        if any(r.own and r.id in judging_ids for r in rulesets.values()):
            raise GraderError(f'--also {name}: the rule set that judges has the same id = "{label}". {_OTHER_ID}')
        beside.rulesets.update(rulesets)
        if any(r.information_only for r in rulesets.values()):
            # A figure from an expired tube, of too short a sample, or that is not believed has no class.
            doubted = judge_doubts(tests, Problems())
            beside.columns[f"Also {label}"] = purity_classes(doubted, next(iter(rulesets.values())), say)
            continue
        # What is odd about a reading has been said by the rule set that judges it.
        unsaid = Problems()
        rules = tightened(rulesets, decision_rule)
        judged = judging(with_columns(tests, {"ruleset": ids}), rules, unsaid)
        beside.columns[f"Also {label}"] = np.array(TEST_WORDS, dtype=object)[judged["verdict"].to_numpy()]
        beside.columns[f"Also {label} reasons"] = _short(judged, say, words(language)["parameter_within"])
    return beside


def _named(name: str, days: np.ndarray) -> tuple[np.ndarray, dict[str, RuleSet], str]:
    """Rule set id of each day, the rule sets, and the name to show."""
    own = [load_ruleset(name)] if name.casefold().endswith(".toml") else []
    label = own[0].id if own else name
    ids = resolve_edition(label, days, own)
    found = {i: next((o for o in own if o.id == i), None) or load_ruleset(i) for i in pd.unique(ids) if i}
    return ids, found, label


def _short(judged: pd.DataFrame, say: dict[str, str], names: dict[str, str]) -> np.ndarray:
    """Which parameters fail, cannot be told, are missing or near: one text per combination, not per test."""
    codes = np.column_stack([judged[f"verdict_{key}"].to_numpy() for key in JUDGED]).astype(np.int64)
    missing = np.column_stack([judged[f"{key}_missing"].to_numpy() for key in JUDGED])
    # What no rule asks for is no reason.
    listed = np.isin(codes, [code for code, _ in _LISTED])
    codes = np.where(listed & (np.isin(codes, (FAIL, NEAR_LIMIT)) | missing), codes, -1)
    unique, back = np.unique(codes, axis=0, return_inverse=True)
    texts = np.empty(len(unique), dtype=object)
    texts[:] = [
        "; ".join(
            say[word].format(names=", ".join(names[k] for k, c in zip(JUDGED, row) if c == code))
            for code, word in _LISTED
            if code in row
        )
        for row in unique.tolist()
    ]
    return texts[back.reshape(-1)] if len(unique) else np.empty(0, dtype=object)
