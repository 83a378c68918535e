"""Purity classes of ISO 8573-1, for information: which class a test would fall in. They judge nothing."""

from __future__ import annotations

import numpy as np
import pandas as pd

from grader.columns import PARAMETER_BY_NAME, READ
from grader.frames import at_least
from grader.judge.rules.sets import RuleSet


def purity_classes(tests: pd.DataFrame, ruleset: RuleSet, say: dict[str, str]) -> np.ndarray:
    """The classes of n tests in words, such as "humidity class 4, oil class 2": object array (n,).

    tests   : table after compute_water. ruleset : its limits carry a class each.
    say    : words [also]. A figure in doubt, or not read, has no class.
    """
    texts = np.full(len(tests), "", dtype=object)
    for name in dict.fromkeys(x.parameter for x in ruleset.limits if x.purity_class):
        key = PARAMETER_BY_NAME[name].key
        lower, upper = tests[f"{key}_lower"].to_numpy(), tests[f"{key}_upper"].to_numpy()
        told = (tests[f"{key}_state"].to_numpy() == READ) & (tests[f"{key}_doubt"].to_numpy() == 0)
        kind = next(x.purity_class for x in ruleset.limits if x.parameter == name).rpartition(" ")[0]
        best, worst = (class_of(ruleset, name, end) for end in (lower, upper))
        one = np.where(
            best == worst, worst, np.where(worst == "", say["class_not_better"], say["class_or_better"])
        ).astype(object)
        shown = np.array(
            [
                template.format(best=b, worst=w, kind=kind)
                for template, b, w in zip(one.tolist(), best.tolist(), worst.tolist())
            ],
            dtype=object,
        )
        beyond = say["class_beyond"].format(kind=kind)
        shown = np.where((best == worst) & (worst == ""), beyond, shown)
        shown = np.where(told, shown, say["class_not_told"].format(kind=kind))
        texts = np.where(texts == "", shown, texts + ", " + shown)
    return texts


def class_of(ruleset: RuleSet, parameter: str, value: np.ndarray) -> np.ndarray:
    """The class that each value of a parameter meets, "" where it meets none; object array of its shape."""
    limits = sorted((x for x in ruleset.limits if x.parameter == parameter), key=lambda x: -(x.high or 0.0))
    found = np.full(np.shape(value), "", dtype=object)
    for limit in limits:
        found = np.where(at_least(limit.high, value), limit.purity_class, found)
    return found
