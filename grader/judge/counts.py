"""What a log counts of its tests, held against their verdicts: a fail more than these show is one of the passes."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from grader.columns import TEST_INCOMPLETE, TEST_NEAR, TEST_PASS
from grader.frames import text, with_columns

_STATED = re.compile(r"(\d+) of (\d+)?")


def against_counts(tests: pd.DataFrame) -> pd.DataFrame:
    """The judged tests; where a sheet states more fails than its tests have verdicts but a pass, no pass of it counts.

    tests : all of a run, judged; `failed_stated` is "1 of 5 (where it stands)", the same for all tests that it counts.
    """
    stated = text(tests, "failed_stated")
    verdicts = tests["verdict"].to_numpy()
    passed = np.isin(verdicts, (TEST_PASS, TEST_NEAR))
    at = np.flatnonzero(stated != "")
    if not len(at):
        return tests
    of, different = pd.factorize(pd.Series(stated[at]) + "\n" + tests["file"].to_numpy()[at].astype(str))
    counted = [_STATED.match(name) for name in different]
    # What is no count may be any number.
    numbers = np.array([float(found[1]) if found else np.inf for found in counted])
    all_of = np.array([int(found[2] or 0) if found else 0 for found in counted])
    numbers[all_of > np.bincount(of, minlength=len(different))] = 0  # it counts tests of other logs, too
    not_passed = np.bincount(of, weights=~passed[at], minlength=len(different))
    short = np.zeros(len(tests), dtype=bool)
    short[at] = passed[at] & (numbers > not_passed)[of]
    verdict = np.where(short, TEST_INCOMPLETE, verdicts).astype(np.int8)
    return with_columns(tests, {"verdict": verdict, "failed_stated_otherwise": short})
