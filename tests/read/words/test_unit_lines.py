"""Lines of units: what they tell, and which of them count."""

import tomllib
from pathlib import Path

import pytest

from grader.read.words.unit_lines import told_in, units_told

CASES = tomllib.loads(Path(__file__).with_name("unit_lines_cases.toml").read_text("utf-8"))
TABLE = [["Outlet", "CO", "Oil"], ["A1", 1, 0.1], ["A2", 1, 0.1]]


@pytest.mark.parametrize("line", CASES["nothing"])
def test_a_line_with_a_clause_that_is_not_understood_tells_nothing(line):
    assert not told_in(line)


@pytest.mark.parametrize(("line", "told"), CASES["told"].items())
def test_a_line_tells_the_units_of_the_fields_it_names(line, told):
    assert {field: min(units) for field, units in told_in(line).items()} == told


@pytest.mark.parametrize(("sheet", "fields"), CASES["standing"].items())
def test_a_line_counts_that_stands_with_the_table_and_is_not_contradicted(sheet, fields):
    rows = []
    for text in sheet.split("//"):
        if text.strip() == "...":
            first = len(rows)
            rows += TABLE
            continue
        cells = [c.strip() or None for c in text.split("|")]
        rows.append([float(c) if c and c.replace(".", "").isdigit() else c for c in cells])
    width = max(map(len, rows))
    rows = [[*row, *[None] * (width - len(row))] for row in rows]
    told = units_told(rows, first, first + len(TABLE) - 1, frozenset({"outlet", "co", "oil"}))
    assert sorted(told) == sorted(fields)
