"""Rule cases as data: what a firm writes in, what must come out.

A new case needs no code, see cases/README.md.
"""

from __future__ import annotations

import tomllib
from functools import cache
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from grader.columns import TEST_WORDS, VERDICT_WORDS
from grader.problems import Unreadable
from tests.support import ROWS, VISIT, Case, graded_apart

FOLDER = Path(__file__).with_name("cases")
KEYS = {
    "name",
    "base",
    "row",
    "visit",
    "bare_visit",
    "rules",
    "more_rows",
    "verdict",
    "expect",
    "reason",
    "not_reason",
    "problems",
    "not_problems",
    "figures",
}


def _cases() -> dict[str, dict[str, Any]]:
    """Every case of every file, named file: case."""
    found = {}
    for path in sorted(FOLDER.glob("*.toml")):
        for case in tomllib.loads(path.read_text(encoding="utf-8"))["case"]:
            assert set(case) <= KEYS, f"{path.name}: {case['name']}: {set(case) - KEYS}"
            name = f"{path.stem}: {case['name']}"
            assert name not in found, f"{name} stands twice"
            found[name] = case
    return found


CASES = _cases()


def cell(value: Any) -> Any:
    """What stands in a cell: "" is blank, "error:#REF!" an error, "formula:=A1" a formula without a value."""
    if isinstance(value, str) and value.partition(":")[0] in ("error", "formula"):
        why, _, shown = value.partition(":")
        return Unreadable(shown, why)
    return None if value == "" else value


def row_of(changes: dict[str, Any], base: str) -> dict[str, Any]:
    return {**ROWS[base], **{field: cell(value) for field, value in changes.items()}}


def as_written(case: dict[str, Any]) -> Case:
    """The rows of a case, and what its visit says."""
    base = case.get("base", "airline")
    rows = [row_of(changes, base) for changes in [case.get("row", {}), *case.get("more_rows", [])]]
    visit = {} if case.get("bare_visit") else dict(VISIT)
    visit.update({field: cell(value) for field, value in case.get("visit", {}).items()})
    return Case(rows, visit, case.get("rules"))


@cache
def judged() -> dict[str, tuple[pd.DataFrame, set[str]]]:
    """All cases in one table: one run of hundreds of rows costs what one of one row costs."""
    return dict(zip(CASES, graded_apart([as_written(case) for case in CASES.values()])))


@pytest.mark.parametrize("name", CASES)
def test_case(name: str) -> None:
    case, (tests, codes) = CASES[name], judged()[name]
    test, reasons = tests.iloc[0], tests["reasons"][0]
    if "verdict" in case:
        assert TEST_WORDS[test["verdict"]] == case["verdict"], reasons
    for key, word in case.get("expect", {}).items():
        assert (key, VERDICT_WORDS[test[f"verdict_{key}"]]) == (key, word), reasons
    for part in case.get("reason", []):
        assert part in reasons
    for part in case.get("not_reason", []):
        assert part not in reasons
    assert set(case.get("problems", [])) <= codes
    assert not set(case.get("not_problems", [])) & codes
    for column, figure in case.get("figures", {}).items():
        assert test[column] == pytest.approx(figure, abs=0.02, nan_ok=True), column
