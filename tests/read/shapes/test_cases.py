"""Shapes as data: every case of cases.toml, as it stands and with its own saved layout."""

import tomllib
from pathlib import Path

import pytest

from tests.read.shapes.log_tables import ReadLog, book, read

CASES = tomllib.loads((Path(__file__).parent / "cases.toml").read_text(encoding="utf-8"))


def _cell(text):
    """A cell as a person types it: a plain number is one, an empty text is blank."""
    try:
        return float(text)
    except ValueError:
        return text or None


def _rows(grid):
    return [[_cell(c.strip()) for c in line.split("|")] for line in grid.strip("\n").split("\n")]


def _sheets(case):
    return {name: _rows(text) for name, text in case.get("sheets", {"Log": case.get("grid", "")}).items()}


def _wanted(table):
    heads, *lines = ([c.strip() for c in line.split("|")] for line in table.strip().split("\n"))
    return [{f: c for f, c in zip(heads, line) if c} for line in lines]


def _shown(row):
    return {f: f"{v:g}" if isinstance(v, float) else str(v) for f, v in row.items() if f != "at"}


@pytest.mark.parametrize("name", CASES)
def test_a_sheet_gives_its_tests(name):
    case = CASES[name]
    made = ReadLog(book(**_sheets(case)))
    assert [_shown(row) for row in made.rows()] == _wanted(case["tests"])
    assert {heading: list(fields) for heading, fields, _ in made.unclear()} == case.get("unclear", {})


@pytest.mark.parametrize("name", [n for n in CASES if "unclear" not in CASES[n]])
def test_its_saved_layout_reads_the_same(name):
    assert read(**_sheets(CASES[name])).found.tables
