"""What sentences and unlisted labels say of all tests, against a table of cases (clauses_cases.toml)."""

import tomllib
from pathlib import Path

import pytest

from grader.read.words.clauses import beside, coldest, told

CASES = tomllib.loads((Path(__file__).parent / "clauses_cases.toml").read_text(encoding="utf-8"))


def said(text):
    """What a case says, as its table has it."""
    label, *cells = text.split(" | ")
    if not cells:
        return [f"{c.field} = {value}" for c, value in told(text)]
    value = float(cells[0]) if cells[0].isdigit() else cells[0]
    fact = beside(label, value, *cells[1:])
    return [f"{fact.field} = {fact.value}"] if fact else []


@pytest.mark.parametrize("text", CASES["said"])
def test_a_sentence_says(text):
    assert said(text) == CASES["said"][text]


@pytest.mark.parametrize("text", CASES["nothing"])
def test_a_sentence_says_nothing_for_certain(text):
    assert said(text) == []


def test_a_value_behind_a_label_keeps_what_may_belong_to_it():
    for text in (
        "Supply: airline - not in use, cylinder",
        "Test date: 14 - 16 May 2026",
        "Lowest use temperature: 5 - 10 °C",
    ):
        assert [value for _, value in told(text)] == [text.partition(": ")[2]]
    assert told("Supply: airline; cylinder as back-up")[0][1] == "airline. cylinder as back-up"


def test_the_coldest_holds():
    assert coldest(["12 °C", "41 °F", "-2 °C"]) == "-2 °C"
    assert coldest(["12 °C", "41 °F"]) == "41 °F"
