"""A heading that is not listed -> the fields that it could be, by the beginnings of its words and by its unit.

Words and rules are data: [stems] of data/headings-<language>.toml, data/unclear.toml.
"""

from __future__ import annotations

import re
from functools import cache, lru_cache
from typing import Any, NamedTuple

from grader.data import load_toml
from grader.read.words.figures import without_durations
from grader.read.words.heading_words import classed, word_keys
from grader.read.words.phrases import Lists, Phrases, words_in
from grader.read.words.spelling import BREAK
from grader.read.words.units import belongs, canonical, quantity

_LISTS = Lists("unclear.toml")
_WORD = re.compile(r"[^\W_]+(?:·[^\W_]+)*")  # "l·min" is a unit
_A_MINUTE = re.compile(
    r"(?:\b[ns]?(?:l|lit\w{1,3}|m3|m³) ?/|\b(?:per|pro|par)) ?min\b", re.IGNORECASE
)  # no "min" of a least value
GASES = frozenset(("oxygen", "co", "co2"))
_GAS_FIELDS = ("oxygen_pct", "co_ppm", "co2_ppm")


class Guess(NamedTuple):
    """What an unlisted heading could be.

    choices : field names, the likeliest first; empty where it is a note that costs nothing.
    known   : whether any word or unit of it told anything.
    unit    : of its figures, canonical, or None.
    """

    choices: tuple[str, ...]
    known: bool
    unit: str | None = None


def guess(text: str, unit: str | None) -> Guess:
    """The fields that a heading could be.

    text : the heading. unit : canonical unit that it states, or None.
    """
    text, unit = _without_duration(text, unit)
    found = classes_of(text)
    if unit == "s" and "second" in found:
        unit = None  # "Second reading" states no unit
    if "second" in found and _LISTS.begin(_LISTS.words(text), "after"):
        unit, found = None, found - {"time"}  # "After ten minutes" is no time, but what was read then
    if unit and {"cold", "temp"} <= found and quantity(unit) in ("months", "minutes"):
        unit = None  # "T° mini du jour" is in no days
    of = quantity(unit) if unit else ""
    choices: list[str] = []
    for rule in load_toml("unclear.toml")["rule"]:
        if not _fits(rule, found, of) or "only" in rule and not is_only(text, rule["only"]):
            continue
        more = [f for f in rule["choices"] if f not in choices and (unit is None or belongs(f, unit))]
        choices += more
        if rule.get("stop") and (more or not rule["choices"]):
            break
    return Guess(tuple(choices), bool(found or unit), unit)


def _without_duration(text: str, unit: str | None) -> tuple[str, str | None]:
    """A heading that names a gas, and its unit, without the time after which it was read: "CO ppm (after 10 min)"."""
    if unit is not None and quantity(unit) != "minutes":
        return without_durations(text), unit
    classes = classes_of(text)
    if classes.isdisjoint(GASES):
        return text, unit
    rest = without_durations(text)
    units = (canonical(t) for t in BREAK.split(rest) if t)
    of_gas = next((u for u in units if u is not None and any(belongs(f, u) for f in _GAS_FIELDS)), None)
    if of_gas or rest != text:
        return rest, of_gas
    return text, None if "second" in classes and "sampl" not in classes and _LISTS.say(text, "after") else unit


def is_only(text: str, name: str) -> bool:
    """Whether a heading holds no word but those of one class, units, and words of no meaning."""
    silent = word_keys("filler") | word_keys("function")
    return all(w in silent or canonical(w) or name in classes_of(w) for w in words_in(text))


def _fits(rule: dict[str, Any], found: frozenset[str], of: str) -> bool:
    return (
        ("words" not in rule or not found.isdisjoint(rule["words"]))
        and ("also" not in rule or not found.isdisjoint(rule["also"]))
        and ("units" not in rule or of in rule["units"])
        and found.isdisjoint(rule.get("without", ()))
    )


def may_be_done(text: str) -> bool:
    """Whether a heading of a calibration may say when it was made: every word is one that a day of it is headed by."""
    found = classes_of(text)
    last = {"earlier", "note"} <= found  # "Last calibration" ends nothing
    ends = found.isdisjoint({"expire", "due"} if last else {"expire", "due", "ends"})
    return "cal" in found and ends and not _LISTS.outside(words_in(text), "made")


@lru_cache(maxsize=20_000)
def classes_of(text: str) -> frozenset[str]:
    """The classes of words that a heading holds."""
    words = words_in(_A_MINUTE.sub(" ", text), _WORD)
    joined = (_stems().exactly(a + b) for a, b in zip(words, words[1:]))  # "set point"
    return frozenset(of for _, _, of in _stems().standing(words)).union(*joined)


@cache
def _stems() -> Phrases:
    """Words, and beginnings of words, that are of a class each."""
    return Phrases(classed("stems"))
