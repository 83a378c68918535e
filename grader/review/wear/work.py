"""Stretches between works on the plant: what was done ends what was usual."""

from __future__ import annotations

import numpy as np
import pandas as pd

from grader.frames import group_codes, text
from grader.review.history import days


def stretches(tests: pd.DataFrame, at: np.ndarray, day: np.ndarray) -> np.ndarray:
    """Number of works on the plant up to each of N readings: int (N,).

    tests : judged table. at : int (N,), position of the test of each reading. day : datetime64[D] (N,), its day.
    Work stands for the whole site where every row of a visit tells it, else for the rows' systems, and for an outlet
    where no system is named. The readings of the day on which it is told come after it.
    """
    done = tests["dated"].to_numpy() & ~tests["replaced"].to_numpy() & (text(tests, "work_done") != "")
    if not done.any():
        return np.zeros(len(at), dtype=np.int64)
    visit, test_day = tests["visit"].to_numpy(), days(tests).astype(np.int64)
    counts = tests["dated"].to_numpy() & ~tests["replaced"].to_numpy() & (visit >= 0)
    told = pd.DataFrame({"visit": visit[counts], "day": test_day[counts], "done": done[counts]})
    per = told.groupby("visit").agg(day=("day", "min"), whole=("done", "all"))
    whole = per["whole"].reindex(visit, fill_value=False).to_numpy(dtype=bool)
    began = per["day"].reindex(visit, fill_value=0).to_numpy(dtype=np.int64)
    site = group_codes(tests["site_key"].to_numpy(dtype=object))
    named = text(tests, "system") != ""
    system = group_codes(site, tests["system_key"].to_numpy(dtype=object))
    everywhere = np.ones(len(tests), dtype=bool)
    scopes = (
        (done & whole, site, everywhere),
        (done & ~whole & named, system, named),
        (done & ~whole & ~named, tests["identity"].to_numpy(), everywhere),
    )
    number = np.zeros(len(at), dtype=np.int64)
    until = day.astype(np.int64)
    span = 10**6
    for where, scope, members in scopes:
        if not where.any():
            continue
        works = np.unique(scope[where].astype(np.int64) * span + began[where])
        mine = scope[at].astype(np.int64) * span
        passed = np.searchsorted(works, mine + until, side="right") - np.searchsorted(works, mine, side="left")
        number += np.where(members[at], passed, 0)
    return number
