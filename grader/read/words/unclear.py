"""A heading that is not listed -> the fields that it could be, by the beginnings of its words and by its unit.

Words and rules are data: [stems] of data/headings-<language>.toml, data/unclear.toml.
"""

from __future__ import annotations

from functools import cache
from typing import Any, NamedTuple

from grader.columns import FIELDS
from grader.data import load_toml
from grader.read.words.heading_words import BREAK, Words, key
from grader.read.words.units import belongs, quantity


class Guess(NamedTuple):
    """What an unlisted heading could be.

    choices : field names, the likeliest first; empty where it is a note that costs nothing.
    known   : whether any word or unit of it told anything.
    """

    choices: tuple[str, ...]
    known: bool


def guess(text: str, unit: str | None, words: Words) -> Guess:
    """The fields that a heading could be.

    text : the heading. unit : canonical unit that it states, or None. words : of the languages to look in.
    """
    found = classes_of(text, words)
    if unit == "s" and "second" in found:
        unit = None  # "Second reading" states no unit
    of = quantity(unit) if unit else ""
    choices: list[str] = []
    for rule in _rules():
        if not _fits(rule, found, of):
            continue
        more = [f for f in rule["choices"] if f not in choices and _takes(f, unit)]
        choices += more
        if rule.get("stop") and (more or not rule["choices"]):
            break
    return Guess(tuple(choices), bool(found or unit))


def _takes(field: str, unit: str | None) -> bool:
    return unit is None or FIELDS[field].kind == "number" and belongs(field, unit)


def _fits(rule: dict[str, Any], found: set[str], of: str) -> bool:
    return (
        ("words" not in rule or not found.isdisjoint(rule["words"]))
        and ("also" not in rule or not found.isdisjoint(rule["also"]))
        and ("units" not in rule or of in rule["units"])
        and found.isdisjoint(rule.get("without", ()))
    )


@cache
def _rules() -> tuple[dict[str, Any], ...]:
    return tuple(load_toml("unclear.toml")["rule"])


def classes_of(text: str, words: Words) -> set[str]:
    """The classes of words that a heading holds."""
    tokens = [key(t) for t in BREAK.split(text) if key(t)]
    pairs = {a + b for a, b in zip(tokens, tokens[1:])}
    exact, stems = _index(words)
    found = {c for t in (*tokens, *pairs, *text.casefold().split()) for c in exact.get(t, ())}
    for token in tokens:
        for length in range(2, len(token) + 1):
            found.update(stems.get(token[:length], ()))
    return found


@cache
def _spelled(stems: tuple[tuple[str, tuple[str, ...]], ...]) -> tuple[dict[str, list[str]], dict[str, list[str]]]:
    exact: dict[str, list[str]] = {}
    begins: dict[str, list[str]] = {}
    for kind, spellings in stems:
        for spelling in spellings:
            into = begins if spelling.endswith("*") else exact
            into.setdefault(spelling.rstrip("*"), []).append(kind)
    return exact, begins


def _index(words: Words) -> tuple[dict[str, list[str]], dict[str, list[str]]]:
    return _spelled(tuple(words.stems.items()))
