"""The sheet Actions as people read it: near limits of one cause as one finding, and what wears out between.

Order: fails, what is incomplete, what wears out, what is close to a limit. The findings one by one (findings.py) stay
what records and notices rest on.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd

from grader.columns import PARAMETERS, WATER
from grader.figures import percent
from grader.frames import group_codes
from grader.review.actions.findings import Actions

WORST_FIRST = ("fail", "incomplete", "worse", "near limit")
MOST_NAMES = 6


def actions_sheet(
    tests: pd.DataFrame,
    actions: Actions,
    wearing: tuple[pd.DataFrame, np.ndarray],
    past: dict[str, np.ndarray],
    say: dict[str, str],
) -> Actions:
    """The table of the sheet.

    tests   : judged table. actions : its open findings. wearing : findings of wear, and the test of each.
    past    : chances with the outlet's own past, by key of the verdict: a near limit that it makes less likely than
              the rule set's flag is no finding.
    say     : words [together].
    """
    actions = _with_past(tests, actions, past, say)
    frame, kept = _together(tests, actions, say)
    test, identity = actions.test[kept], actions.identity[kept]
    worn, worn_test = wearing
    if len(worn):
        worn = worn[list(frame.columns)]
        frame = pd.concat([frame, worn], ignore_index=True) if len(frame) else worn
        test = np.concatenate([test, worn_test])
        identity = np.concatenate([identity, tests["identity"].loc[worn_test].to_numpy()])
    order = np.lexsort((np.arange(len(frame)), _severity(frame["Verdict"].to_numpy(dtype=object))))
    return Actions(frame.iloc[order].reset_index(drop=True), test[order], identity[order])


def _with_past(tests: pd.DataFrame, actions: Actions, past: dict[str, np.ndarray], say: dict[str, str]) -> Actions:
    """The findings less near limits that the outlet's past makes unlikely; the others say that chance, too."""
    frame = actions.frame
    near = np.flatnonzero((frame["Verdict"] == "near limit").to_numpy())
    of_name = {p.name: p.verdict_from or p.key for p in PARAMETERS.values()}
    keys = frame["Parameter"].map(of_name).to_numpy(dtype=object)
    place = pd.Series(np.arange(len(tests)), index=tests.index).loc[actions.test].to_numpy()
    kept, colder = np.ones(len(frame), dtype=bool), tests["colder_seen_c"].to_numpy(dtype=float)
    far = frame["How far"].to_numpy(dtype=object).copy()
    for i in near:
        chance = past.get(keys[i], np.array([]))
        if not len(chance) or np.isnan(chance[place[i]]):
            continue
        # A pass that rests on a warm day is near its limit for that, whatever the chance.
        if keys[i] == WATER and not np.isnan(colder[place[i]]):
            continue
        kept[i] = chance[place[i]] > tests[f"flag_{keys[i]}"].to_numpy()[place[i]]
        far[i] = say["with_past"].format(far=far[i], chance=percent(float(chance[place[i]])))
    frame = frame.assign(**{"How far": far})[kept].reset_index(drop=True)
    return Actions(frame, actions.test[kept], actions.identity[kept])


def _severity(verdict: np.ndarray) -> np.ndarray:
    """Place in WORST_FIRST; whatever says neither (cannot tell, not tested) keeps a test incomplete."""
    rank = {word: i for i, word in enumerate(WORST_FIRST)}
    return np.array([rank.get(word, 1) for word in verdict], dtype=np.int64)


def _together(tests: pd.DataFrame, actions: Actions, say: dict[str, str]) -> tuple[pd.DataFrame, np.ndarray]:
    """The findings with near limits of one parameter, likely causes, site and visit as one: frame, positions kept."""
    frame = actions.frame
    near = np.flatnonzero((frame["Verdict"] == "near limit").to_numpy())
    if len(near) < 2:
        return frame, np.arange(len(frame))
    at = tests.loc[actions.test[near]]
    group = group_codes(
        at["site_key"].to_numpy(dtype=object),
        at["visit"].to_numpy(),
        frame["Parameter"].to_numpy(dtype=object)[near],
        frame["Limit"].to_numpy(dtype=object)[near],
        frame["Next step"].to_numpy(dtype=object)[near],
        # Tests of no visit stand each for itself.
        np.where(at["visit"].to_numpy() < 0, near, -1),
    )
    frame = frame.copy()
    drop = np.zeros(len(frame), dtype=bool)
    order = np.argsort(group, kind="stable")
    for members in np.split(near[order], np.flatnonzero(np.diff(group[order])) + 1):
        if len(members) < 2:
            continue
        head = members[0]
        several = _in_one(say["and_more"])
        frame.loc[head, "Outlet"] = several(frame["Outlet"].iloc[members])
        frame.loc[head, "Reading"] = several(frame["Reading"].iloc[members])
        finding = frame.loc[head, "Finding"]
        frame.loc[head, "Finding"] = say["near_together"].format(finding=finding, count=len(members) - 1)
        drop[members[1:]] = True
    return frame[~drop].reset_index(drop=True), np.flatnonzero(~drop)


def _in_one(more: str) -> Callable[[pd.Series], str]:
    def joined(cells: pd.Series) -> str:
        names = list(dict.fromkeys(str(c) for c in cells))
        left = len(names) - MOST_NAMES
        return ", ".join([*names[:MOST_NAMES], more.format(count=left)] if left > 0 else names)

    return joined
