"""The words of headings, from data/headings-<language>.toml, what they mean and which say nothing."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from functools import cache
from itertools import chain
from typing import Any, NamedTuple

from grader.columns import FIELDS
from grader.data import languages_of, load_toml
from grader.read.words.phrases import Phrases, any_of
from grader.read.words.spelling import key, keys_in, singular

# How sure it is what a heading means.
CERTAIN, LIKELY, UNSURE = "certain", "likely", "unsure"


@cache  # the folder of the data does not change
def heading_languages() -> tuple[str, ...]:
    """Languages that have headings: the data files, English first."""
    return tuple(sorted(languages_of("headings-"), key=lambda code: (code != "en", code)))


class Words(NamedTuple):
    """What the spellings of all languages mean.

    meanings : key -> {field: the list it stands in}.
    ambiguous : key -> candidates.
    at_atmosphere : keys of headings of a dew point at the pressure of the atmosphere.
    telling  : keys of every spelling and of every word in one that is no filler: without one of them a text
               is no heading, and is not taken apart.
    vocabulary : keys of every word in any spelling or list: a heading that is a field holds no other.
    parts    : spelling -> keys of its words.
    unless   : field -> words, and beginnings of words ("tube*"), with one of which a heading is not surely of that field.
    """

    meanings: dict[str, dict[str, str]]
    ambiguous: dict[str, tuple[str, ...]]
    at_atmosphere: frozenset[str]
    telling: frozenset[str]
    vocabulary: frozenset[str]
    parts: dict[str, list[str]]
    unless: dict[str, Phrases]


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
def word_list(name: str) -> tuple[str, ...]:
    """A list of [words] of the data files, of all languages.

    Among them "general", words that name the first of their candidates where no other column claims it; "function", of no
    meaning anywhere; "filler", of none in a heading; "later", that make the value beside them, under one heading, that of
    an earlier day; "aside", words and beginnings of them ("dryer*") of what has a lowest temperature and is no place of use.
    """
    return tuple(w for code in heading_languages() for w in load_toml(f"headings-{code}.toml")["words"][name])


@cache
def word_keys(name: str) -> frozenset[str]:
    """The same as they are compared."""
    return frozenset(map(key, word_list(name)))


@cache
def limit_pattern() -> re.Pattern[str]:
    """A limit as far as its unit: "max 5", "19.5 - 23.5"."""
    signs = any_of(word_list("limit"))
    return re.compile(rf"(?:(?:{signs}|[<>≤≥=:±\-–]|\d+(?:[.,]\d+)?)\s*)+", re.IGNORECASE)


@cache
def heading_words() -> Words:
    """The words of headings in every language that has them, and the headings of the blank."""
    meanings: dict[str, dict[str, str]] = {}
    ambiguous: dict[str, tuple[str, ...]] = {}
    at_atmosphere: set[str] = set()
    unless: dict[str, list[str]] = {}
    for field in FIELDS.values():
        meanings.setdefault(key(re.sub(r"\(.*\)$", "", field.heading)), {})[field.name] = "synonyms"
    # "Water" alone is the tube reading: only the whole heading "Water (mg/m³)" is the content.
    meanings.pop(key("Water"))
    spelled = [f.heading for f in FIELDS.values()]
    for code in heading_languages():
        data = load_toml(f"headings-{code}.toml")
        spelled += [s for table in ("ambiguous", "others") for all_of in data[table].values() for s in all_of]
        at = [("synonyms", field_name, s) for field_name, some in data["at_atmosphere"].items() for s in some]
        at_atmosphere.update(key(s) for _, _, s in at)
        for how, field_name, spelling in (*_spellings(data), *at):
            spelled.append(spelling)
            meanings.setdefault(key(spelling), {}).setdefault(field_name, how)
        for fields, spellings in data["ambiguous"].items():
            for k in map(key, spellings):
                ambiguous[k] = tuple(dict.fromkeys((*ambiguous.get(k, ()), *fields.split())))
        for field_name, spellings in data["unless"].items():
            unless.setdefault(field_name, []).extend(spellings)
    parts = {spelling: keys_in(spelling) for spelling in spelled}
    words = frozenset(chain.from_iterable(parts.values()))
    telling = words - word_keys("filler") | frozenset(map(key, parts))
    listed = (w for name in _LISTS for w in word_list(name))
    return Words(
        meanings,
        ambiguous,
        frozenset(at_atmosphere),
        telling,
        words.union(telling, *map(keys_in, listed)),
        parts,
        {name: Phrases({name: spellings}) for name, spellings in unless.items()},
    )


@cache
def by_words() -> tuple[dict[frozenset[str], dict[str, str]], dict[frozenset[str], str]]:
    """The words of a spelling in any order, without those of no meaning -> {field: the list it stands in}.

    Beside it the same of spellings that may mean several fields -> the spelling.
    """
    known, function = heading_words(), word_keys("function")
    of_one: dict[frozenset[str], dict[str, str]] = {}
    of_several: dict[frozenset[str], str] = {}
    for spelling, parts in known.parts.items():
        if len(words := singular(w for w in parts if w not in function)) > 1:
            if found := known.meanings.get(key(spelling)):
                of_one.setdefault(words, {}).update(found)
            if key(spelling) in known.ambiguous:
                of_several[words] = spelling
    return of_one, of_several


@cache
def others() -> dict[str, str]:
    """Key -> what kind of column it is that is none of ours, in every language."""
    found = (load_toml(f"headings-{code}.toml")["others"].items() for code in heading_languages())
    return {key(s): kind for kinds in found for kind, spellings in kinds for s in spellings}


@cache
def classed(table: str) -> dict[str, list[str]]:
    """Class -> words or beginnings of words ("expir*") of [stems] or [parts], in every language."""
    made: dict[str, list[str]] = {}
    for code in heading_languages():
        for name, spellings in load_toml(f"headings-{code}.toml")[table].items():
            made.setdefault(name, []).extend(key(w) + "*" * w.endswith("*") for w in spellings)
    return made


_LISTS = ("filler", "joining", "condition", "limit", "other_thing", "function", "general", "later")


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
