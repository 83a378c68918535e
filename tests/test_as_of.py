"""Nothing dated later than the day of the run counts: the demo as it stood on five past days.

Verdicts, Problems, Sources and Understood keep the later tests; every other sheet is what a run on the tests of that
time alone makes.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from functools import cache

import numpy as np
import pandas as pd
import pytest

from grader.batch import BEFORE_REVIEW, Options, _reviewed, judged
from grader.read.log import Log
from tests.support import demo_result

DAYS = (date(2024, 3, 12), date(2024, 9, 30), date(2025, 3, 14), date(2025, 12, 31), date(2026, 6, 15))
KEPT = ("Verdicts", "Problems", "Sources", "Understood")


@cache
def on(day: date, alone: bool = False) -> dict[str, pd.DataFrame]:
    """The sheets of a day; alone: of a log without the tests of later days."""
    log, options = until(day) if alone else demo_result().log, Options(as_of=day)
    found = judged(log, options)
    found.tests = found.tests.drop(columns=[c for c in found.tests.columns if str(c).endswith(BEFORE_REVIEW)])
    return _reviewed(found, options).frames()


def until(day: date) -> Log:
    """The log without the tests dated after a day."""
    log, dates = demo_result().log, demo_result().tests["test_day"].to_numpy()
    later = ~np.isnat(dates) & (dates > np.datetime64(day))
    return replace(log, rows=log.rows[~later].reset_index(drop=True))


@pytest.mark.parametrize("day", DAYS)
def test_later_tests_count_for_nothing(day: date) -> None:
    found, alone = on(day), on(day, alone=True)
    assert len(found["Verdicts"]) > len(alone["Verdicts"]) > 0
    for name in found.keys() - set(KEPT):
        pd.testing.assert_frame_equal(found[name], alone[name], obj=f"{name} on {day}")


def test_verdicts_of_earlier_tests_never_rest_on_later_ones() -> None:
    day = DAYS[2]
    found, alone = on(day)["Verdicts"], on(day, alone=True)["Verdicts"]
    early = found[pd.to_datetime(found["Test date"]) <= pd.Timestamp(day)].reset_index(drop=True)
    pd.testing.assert_frame_equal(early[alone.columns], alone, check_dtype=False)
