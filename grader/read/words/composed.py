"""Headings that are not listed as a whole, of parts that are: "Coldest shop temp", "tiefste Arbeitstemperatur".

Classes of words stand in [parts] of data/headings-<language>.toml, what they make together in data/composed.toml. One word
that is of no class, and the heading is not of this kind. Compounds are taken apart into words of the classes.
"""

from __future__ import annotations

from functools import cache, lru_cache
from itertools import chain
from typing import NamedTuple

from grader.data import load_toml
from grader.read.words.heading_words import classed, word_keys
from grader.read.words.phrases import Phrases
from grader.read.words.spelling import keys_in
from grader.read.words.units import quantity

_SIGNS = frozenset("%‰<>≤≥=±~")
_LONGEST_PHRASE = 3
_SHORTEST_PART = 3
# Between the parts of a compound: "Hallen-", "Arbeits-".
_JOINTS = ("", "s", "n", "en", "es")


class Composed(NamedTuple):
    """What a heading of known parts means. fields : the likeliest first. general : only where no other column claims it."""

    fields: tuple[str, ...]
    general: bool


def composed(text: str, unit: str = "", stated: bool = True) -> Composed | None:
    """What the words of a heading without its unit mean together; None where one of them is not known.

    unit : canonical, "" where none is known. stated : whether it stands in the heading, not in a row below it.

    >>> composed("Coldest shop temp").fields[0], composed("tiefste Arbeitstemperatur").fields[0]
    ('lowest_use_temperature_c', 'lowest_use_temperature_c')
    >>> composed("Coldest shop temp today") is None, composed("Soll", "L/min").fields[0]
    (True, 'flow_needed_l_min')
    """
    if not _SIGNS.isdisjoint(text):
        return None
    words = keys_in(text.replace("×", " x "))
    of = quantity(unit) if unit else ""
    for rule in load_toml("composed.toml")["rule"]:
        if of and of != rule["unit"] or rule.get("stated") and not (of and stated):
            continue
        found = _classes(words, frozenset((*rule["must"], *rule.get("may", ()))))
        if found is None:
            continue
        if of:
            found |= {rule.get("by_unit", "")}
        if found and found >= set(rule["must"]):
            return Composed((rule["field"], *rule.get("or", ())), rule.get("general", False))
    return None


def is_part(word: str) -> bool:
    """Whether a word (a key) is one of the parts, or a compound of them."""
    return bool(_of_word(word))


def is_group(text: str) -> bool:
    """Whether a title over several headings takes nothing from what they say: "Versorgung des Gerätes"."""
    return bool(_classes(keys_in(text), frozenset(("group",))))


def speaks_of(text: str, *of: str) -> bool:
    """Whether any word of a text, or part of a compound, is of one of some classes: the "hall" in "Tiefste Hallentemp. °C".

    >>> speaks_of("Coldest shop temp", "place", "use"), speaks_of("Winter min °C", "place", "use")
    (True, False)
    """
    words = keys_in(text)
    runs = ("".join(words[at : at + n]) for n in range(2, _LONGEST_PHRASE + 1) for at in range(len(words) - n + 1))
    return any(not part.isdisjoint(of) for part in (*chain(*map(_of_word, words)), *map(_parts().exactly, runs)))


@cache
def _must() -> frozenset[str]:
    return frozenset(c for rule in load_toml("composed.toml")["rule"] for c in rule["must"])


def tells(word: str) -> bool:
    """Whether a word (a key) is of a class without which no heading is composed."""
    return not _must().isdisjoint(c for part in _of_word(word) for c in part)


def _classes(words: list[str], of: frozenset[str]) -> set[str] | None:
    """The classes of words among some; None where a word, alone or with those behind it, is of none of them."""
    found: set[str] = set()
    at = 0
    while at < len(words):
        for length in range(min(_LONGEST_PHRASE, len(words) - at), 0, -1):
            spelled = "".join(words[at : at + length])
            parts = _of_word(spelled) if length == 1 else (_parts().exactly(spelled),)
            if parts and all(part & of for part in parts):
                found.update(*(part & of for part in parts))
                at += length
                break
        else:
            if words[at] not in word_keys("function"):
                return None
            at += 1
    return found


@lru_cache(maxsize=50_000)
def _of_word(word: str) -> tuple[frozenset[str], ...]:
    """The classes of one word, or of each part of a compound; nothing where it is not known."""
    found = frozenset(phrase.of for phrase in _parts().of(word))
    return (found,) if found else _of_compound(word)


def _of_compound(word: str, first: bool = True) -> tuple[frozenset[str], ...]:
    for stop in range(len(word) - _SHORTEST_PART if first else len(word), _SHORTEST_PART - 1, -1):
        here = _parts().exactly(word[:stop])
        if not here:
            continue
        if stop == len(word):
            return (here,)
        for joint in _JOINTS:
            if word.startswith(joint, stop) and (rest := _of_compound(word[stop + len(joint) :], False)):
                return (here, *rest)
    return ()


@cache
def _parts() -> Phrases:
    """Words, and beginnings of words, that are of a class each; those of several words are written as one."""
    return Phrases(classed("parts"))
