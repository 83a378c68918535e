"""Counts of a log held against its verdicts (common practice, no source)."""

import pandas as pd
import pytest

from grader.columns import TEST_FAIL, TEST_INCOMPLETE, TEST_NEAR, TEST_PASS
from grader.judge.counts import against_counts

PASSES = [TEST_PASS, TEST_NEAR, TEST_PASS]
ONE_FAILS = [TEST_PASS, TEST_FAIL, TEST_PASS]
NO_PASS = [TEST_INCOMPLETE] * 3


def judged(stated, verdicts):
    """Verdicts of three tests of one file, of which a log says how many failed."""
    tests = pd.DataFrame(
        {"file": 0, "verdict": verdicts, "failed_stated": stated, "failed_stated_otherwise": [False] * len(verdicts)}
    )
    return against_counts(tests)["verdict"].tolist()


@pytest.mark.parametrize(
    ("stated", "verdicts", "then"),
    [
        ("1 of ? (Log: Failed: 1)", PASSES, NO_PASS),
        ("1 of ? (Log: Failed: 1)", ONE_FAILS, ONE_FAILS),
        ("2 of 3 (Log: 1/3 OK)", ONE_FAILS, [TEST_INCOMPLETE, TEST_FAIL, TEST_INCOMPLETE]),
        ("1 of 20 (Log: 19/20 OK)", PASSES, PASSES),
        (None, PASSES, PASSES),
    ],
)
def test_a_fail_more_than_the_tests_show_is_one_of_the_passes(stated, verdicts, then):
    assert judged(stated, verdicts) == then


def test_each_sheet_is_counted_by_itself():
    stated = ["1 of ? (A: Failed: 1)", "1 of ? (B: Failed: 1)", "1 of ? (B: Failed: 1)"]
    assert judged(stated, [TEST_FAIL, TEST_PASS, TEST_PASS]) == [TEST_FAIL, TEST_INCOMPLETE, TEST_INCOMPLETE]
