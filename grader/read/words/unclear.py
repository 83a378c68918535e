"""A heading that is not listed -> the fields that it could be, by the beginnings of its words and by its unit.

Words and rules are data: [stems] of data/headings-<language>.toml, data/unclear.toml.
"""

from __future__ import annotations

import re
from functools import cache, lru_cache
from typing import Any, NamedTuple

from grader.data import load_toml
from grader.read.words.heading_words import BREAK, heading_words, key, stems
from grader.read.words.units import belongs, canonical, quantity


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
    if "second" in found and _LATER.match(text):
        unit, found = None, found - {"time"}  # "After ten minutes" is no time, but what was read then
    of = quantity(unit) if unit else ""
    choices: list[str] = []
    for rule in load_toml("unclear.toml")["rule"]:
        if not _fits(rule, found, of) or "only" in rule and not _only(text, rule["only"]):
            continue
        more = [f for f in rule["choices"] if f not in choices and (unit is None or belongs(f, unit))]
        choices += more
        if rule.get("stop") and (more or not rule["choices"]):
            break
    return Guess(tuple(choices), bool(found or unit), unit)


_DURATION = re.compile(
    r"\b\d+(?:[.,]\d+)?\s*(?:min(?:ute)?[sn]?|mn|sec(?:ond)?s?|sek(?:unden)?|s|h|hours?|std|stunden?|heures?)\b"
    r"|\b\d+\s*['′]",
    re.IGNORECASE,
)
GASES = frozenset(("oxygen", "co", "co2"))


def _without_duration(text: str, unit: str | None) -> tuple[str, str | None]:
    """A heading that names a gas, and its unit, without the time after which it was read: "CO ppm (after 10 min)"."""
    if unit is not None and quantity(unit) not in ("minutes", "seconds") and unit not in ("min", "s", "h"):
        return _DURATION.sub(" ", text), unit
    classes = classes_of(text)
    if classes.isdisjoint(GASES):
        return text, unit
    rest = _DURATION.sub(" ", text)
    units = (canonical(t) for t in BREAK.split(rest) if t)
    of_gas = next((u for u in units if u is not None and any(belongs(f, u) for f in _GAS_FIELDS)), None)
    if of_gas or rest != text:
        return rest, of_gas
    return text, None if "second" in classes and "sampl" not in classes and _AFTER.search(text) else unit


_LATER = re.compile(r"\s*(?:after|nach|après)\b", re.IGNORECASE)
_AFTER = re.compile(r"\b(?:after|later|nach|nachher|après)\b", re.IGNORECASE)


_GAS_FIELDS = ("oxygen_pct", "co_ppm", "co2_ppm")


def _only(text: str, name: str) -> bool:
    """Whether a heading holds no word but those of one class, units, and words of no meaning."""
    tokens = [key(t) for t in BREAK.split(text) if key(t)]
    words = heading_words()
    return all(t in words.filler or t in words.function or canonical(t) or name in classes_of(t) for t in tokens)


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
    tokens = {key(t) for t in BREAK.split(text.replace("'", " ").replace("’", " "))} - {""}
    return "cal" in found and ends and tokens <= _of_made()


@cache
def _of_made() -> frozenset[str]:
    return frozenset(map(key, load_toml("unclear.toml")["made"]))


@lru_cache(maxsize=20_000)
def classes_of(text: str) -> frozenset[str]:
    """The classes of words that a heading holds."""
    tokens = [key(t) for t in BREAK.split(text.replace("'", " ").replace("’", " ")) if key(t)]
    pairs = {a + b for a, b in zip(tokens, tokens[1:])}
    exact, begins = _stems()
    found = {c for t in (*tokens, *pairs, *text.casefold().split()) for c in exact.get(t, ())}
    for token in tokens:
        for length in range(2, len(token) + 1):
            found.update(begins.get(token[:length], ()))
    return frozenset(found)


@cache
def _stems() -> tuple[dict[str, list[str]], dict[str, list[str]]]:
    """Words, and beginnings of words -> the classes that they are of."""
    exact: dict[str, list[str]] = {}
    begins: dict[str, list[str]] = {}
    for kind, spellings in stems().items():
        for spelling in spellings:
            into = begins if spelling.endswith("*") else exact
            into.setdefault(spelling.rstrip("*"), []).append(kind)
    return exact, begins
