"""Words that practitioners write for a smell, water that is seen and oil: cases in loose_cases.toml."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from grader.columns import CLEAR, FIELDS, NOT_DETECTED, READ, STAIN
from grader.read.words.loose import loose_word, own_word
from grader.read.words.notation import number_rule, read_number

CASES = tomllib.loads(Path(__file__).with_name("loose_cases.toml").read_text("utf-8"))
HOW = {NOT_DETECTED: "mark", CLEAR: "clear", STAIN: "stain"}


def meant(field: str, text: str) -> str:
    """What a cell of a field is read as."""
    if FIELDS[field].kind == "word":
        return own_word(field, text) or loose_word(field, text) or "unread"
    found = read_number(text, number_rule(field))
    return HOW[found.how] if found.state == READ and found.how in HOW else "unread"


@pytest.mark.parametrize("field", CASES)
def test_words_of_a_cell(field):
    said = {text: want for want, texts in CASES[field].items() for text in texts}
    assert {text: meant(field, text) for text in said} == said
