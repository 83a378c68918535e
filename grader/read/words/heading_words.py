"""The words of headings, from data/headings-<language>.toml, and how a heading's text is compared."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterator, Mapping
from functools import cache, lru_cache
from typing import Any, NamedTuple

from grader.columns import FIELDS
from grader.data import languages_of, load_toml

# How sure it is what a heading means.
CERTAIN, LIKELY, UNSURE = "certain", "likely", "unsure"
# What stands between two words of a heading.
BREAK = re.compile(r"[\s/,;:|()\[\]{}&+.\-–_]+")
# A gas and its unit without a space ("COppm"), and a zero for the letter where a unit stands behind.
_GLUED = re.compile(r"\b(co2?|o2|h2o|c02)(?=\s?[(\[]?\s?(?:ppm|vol|%|mg/m))", re.IGNORECASE)
_T = re.compile(r"\bT°(?!\s?[CF]\b)")
_NO_LETTER = re.compile(r"[^a-z0-9#]+")


@cache  # the folder of the data does not change
def heading_languages() -> tuple[str, ...]:
    """Languages that have headings: the data files, English first."""
    return tuple(sorted(languages_of("headings-"), key=lambda code: (code != "en", code)))


class Words(NamedTuple):
    """All words of some languages.

    meanings : key -> {field: the list it stands in}.
    ambiguous : key -> candidates.
    filler, joining, condition, other_thing : [words] of the data files. limit: a limit as far as its unit.
    vocabulary : keys of every word in any spelling or list: a heading that is a field holds no other.
    by_words : the words of a spelling without those of no meaning, in any order -> {field: the list it stands in}.
    alike    : the same of spellings that may mean several fields -> the spelling.
    general  : keys of words that name the first of their candidates where no other column claims it.
    function : words of no meaning anywhere. limits: single words of a limit.
    later    : keys of words that make the value beside them, under one heading, that of an earlier day.
    unless   : field -> words, and beginnings of words ("tube*"), with one of which a heading is not surely of that field.
    telling  : keys of every spelling and of every word in one that is no filler: without one of them a text
               is no heading, and is not taken apart.
    """

    meanings: dict[str, dict[str, str]]
    ambiguous: dict[str, tuple[str, ...]]
    at_atmosphere: frozenset[str]
    filler: frozenset[str]
    joining: tuple[str, ...]
    condition: tuple[str, ...]
    limit: re.Pattern[str]
    other_thing: frozenset[str]
    telling: frozenset[str]
    vocabulary: frozenset[str]
    by_words: dict[frozenset[str], dict[str, str]]
    alike: dict[frozenset[str], str]
    general: frozenset[str]
    function: frozenset[str]
    limits: frozenset[str]
    later: frozenset[str]
    unless: dict[str, tuple[str, ...]]


def tidy(text: str) -> str:
    """A heading on one line, in composed plain letters, without footnote signs and white space at the ends.

    >>> tidy(" 1. CO₂\u00a0\\n(mL/m³)*: ")
    'CO2 (mL/m3)'
    """
    text = text.replace("º", "°").replace("\u00ad", "").replace("µ", "u")
    text = re.sub(r"[\u200b-\u200f\u2060\ufeff]", "", unicodedata.normalize("NFKC", text))
    text = re.sub(r"(?<=[^\W\d])[-‐]\s*\n\s*(?=[a-zäöüéèà])", "", text)
    text = unglued(re.sub(r"\^(?=[23])", "", text))
    text = " ".join(re.sub(r"[*†‡'\"’‘`´_]", " ", text).split())
    text = re.sub(r"^\(?\d{1,2}[.)]\s+(?=\D)|^[a-z]\)\s*", "", text)
    return text.strip(" :;,").rstrip(".")


def unglued(text: str) -> str:
    """A heading with a space between a gas and its unit, the letter for a zero before a unit, and T for T°.

    >>> unglued("COppm"), unglued("C02 (ppm)"), unglued("C02"), unglued("T° la plus basse")
    ('CO ppm', 'CO2  (ppm)', 'C02', 'T la plus basse')
    """
    if "°" in text:
        text = _T.sub("T", text)
    return _GLUED.sub(lambda m: f"{'CO2' if m[1].casefold() == 'c02' else m[1]} ", text)


@lru_cache(maxsize=50_000)  # the same words come again in every heading
def key(text: str) -> str:
    """A heading's words as they are compared: letters, digits and "#" alone, without case and accents.

    >>> key("Oil-/Mist (Œl)"), key("Öl") == key("ol")
    ('oilmistoel', True)
    """
    folded = text.casefold()
    if folded.isascii():
        return folded if folded.isalnum() else _NO_LETTER.sub("", folded)
    folded = unicodedata.normalize("NFKD", folded.replace("œ", "oe"))
    return "".join(c for c in folded if c.isalnum() or c == "#")


@cache
def reading_words() -> frozenset[str]:
    """Words that stand for a reading: a heading may list them, "Oil (stain / no stain)"."""
    lists = load_toml("notation.toml")["words"].values()
    return frozenset(key(s) for spellings in lists for s in spellings) - {""}


@cache
def row_words(name: str, compared: Callable[[str], str] = key) -> frozenset[str]:
    """The words of a list of [rows] of data/limits_reading.toml, as `compared` makes them."""
    return frozenset(map(compared, load_toml("limits_reading.toml")["rows"][name]))


@cache
def words_of(codes: tuple[str, ...]) -> Words:
    """All words of some languages, and the headings of the blank.

    Raises : FileNotFoundError where there is no such language.
    """
    meanings: dict[str, dict[str, str]] = {}
    ambiguous: dict[str, tuple[str, ...]] = {}
    at_atmosphere: set[str] = set()
    lists: dict[str, list[str]] = {name: [] for name in _LISTS}
    unless: dict[str, tuple[str, ...]] = {}
    for field in FIELDS.values():
        meanings.setdefault(key(re.sub(r"\(.*\)$", "", field.heading)), {})[field.name] = "synonyms"
    # "Water" alone is the tube reading: only the whole heading "Water (mg/m³)" is the content.
    meanings.pop(key("Water"))
    spelled = [f.heading for f in FIELDS.values()]
    for code in codes:
        data = load_toml(f"headings-{code}.toml")
        spelled += [*data["ambiguous"], *(s for all_of in data["others"].values() for s in all_of)]
        for how, field_name, spelling in _spellings(data):
            spelled.append(spelling)
            meanings.setdefault(key(spelling), {}).setdefault(field_name, how)
        for field_name, spellings in data["at_atmosphere"].items():
            for spelling in spellings:
                spelled.append(spelling)
                meanings.setdefault(key(spelling), {}).setdefault(field_name, "synonyms")
                at_atmosphere.add(key(spelling))
        for spelling, fields in data["ambiguous"].items():
            known = ambiguous.get(key(spelling), ())
            ambiguous[key(spelling)] = (*known, *(f for f in fields if f not in known))
        for name, spellings in data["words"].items():
            lists[name] += spellings
        for field_name, spellings in data["unless"].items():
            stems = (key(w) + "*" * w.endswith("*") for w in spellings)
            unless[field_name] = (*unless.get(field_name, ()), *stems)
    signs = "|".join(re.escape(w) for w in sorted(lists["limit"], key=len, reverse=True))
    limit = re.compile(rf"(?:(?:{signs}|[<>≤≥=:±\-–]|\d+(?:[.,]\d+)?)\s*)+", re.IGNORECASE)
    filler = frozenset(map(key, lists["filler"]))
    telling = frozenset(key(t) for s in spelled for t in BREAK.split(s)) - filler | frozenset(map(key, spelled))
    function = frozenset(map(key, lists["function"]))
    by_words: dict[frozenset[str], dict[str, str]] = {}
    for spelling in dict.fromkeys(spelled):
        if (found := meanings.get(key(spelling))) and (parts := bag(spelling, function)) and len(parts) > 1:
            by_words.setdefault(parts, {}).update(found)
    alike = {parts: s for s in spelled if key(s) in ambiguous and len(parts := bag(s, function)) > 1}
    return Words(
        meanings,
        ambiguous,
        frozenset(at_atmosphere),
        filler,
        tuple(lists["joining"]),
        tuple(lists["condition"]),
        limit,
        frozenset(map(key, lists["other_thing"])),
        telling - {""},
        frozenset(key(t) for s in (*spelled, *(w for some in lists.values() for w in some)) for t in BREAK.split(s))
        | telling,
        by_words,
        alike,
        frozenset(map(key, lists["general"])),
        function,
        frozenset(map(key, lists["limit"])) - function,
        frozenset(map(key, lists["later"])),
        unless,
    )


@cache
def heading_words() -> Words:
    """The words of headings in every language that has them."""
    return words_of(heading_languages())


@cache
def others() -> dict[str, str]:
    """Key -> what kind of column it is that is none of ours, in every language."""
    found = (load_toml(f"headings-{code}.toml")["others"].items() for code in heading_languages())
    return {key(s): kind for kinds in found for kind, spellings in kinds for s in spellings}


@cache
def stems() -> dict[str, list[str]]:
    """Class -> words or beginnings of words ("expir*"), in every language."""
    made: dict[str, list[str]] = {}
    for code in heading_languages():
        for name, spellings in load_toml(f"headings-{code}.toml")["stems"].items():
            made.setdefault(name, []).extend(key(w) + "*" * w.endswith("*") for w in spellings)
    return made


_LISTS = ("filler", "joining", "condition", "limit", "other_thing", "function", "general", "later")


def bag(text: str, without: frozenset[str]) -> frozenset[str]:
    """The words of a heading in no order, compared without case, accents and the s of a plural.

    >>> bag("Temperature of the rooms", frozenset({"of", "the"})) == bag("room temperature", frozenset())
    True
    """
    words = (key(t) for t in BREAK.split(text) if t)
    return frozenset(w[:-1] if len(w) > 3 and w.endswith("s") and not w.endswith("ss") else w for w in words
                     if w and w not in without)  # fmt: skip


def _spellings(data: Mapping[str, Any]) -> Iterator[tuple[str, str, str]]:
    """(list it stands in, field, spelling) of every heading of one language."""
    for field_name, entry in data["fields"].items():
        for how, spellings in entry.items():
            yield from ((how, field_name, spelling) for spelling in spellings)
    ending = {"tube_lot": "_tube_lot", "tube_expiry": "_tube_expiry"}
    for pattern, entry in data["patterns"].items():
        for substance, called in data["substances"].items():
            if pattern in ("lowest_mark", "highest_mark"):
                marks = (getattr(f, pattern) for f in FIELDS.values() if f.tube == substance)
                field_name = next(mark for mark in marks if mark)
            else:
                field_name = substance + ending[pattern]
            for how, spellings in entry.items():
                yield from ((how, field_name, s.replace("{}", name)) for s in spellings for name in called)
