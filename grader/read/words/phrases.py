"""The words of a text as they are compared, and where among them phrases of the data stand.

A phrase with * at its end is only begun by its last word; one word with * before it ends longer ones (German compounds:
"*filter" is an "Ölfilter" too), with both it stands within them.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import cache, lru_cache
from typing import Any, NamedTuple

from grader.data import load_toml
from grader.read.words.slips import Slips, unspaced
from grader.read.words.spelling import key

WORD = re.compile(r"[^\W_]+")
HYPHENED = re.compile(r"[^\W_]+(?:-[^\W_]+)*")  # "by-pass" is one word
ELIDED = re.compile(rf"(?!\b[dlDL]['’]){HYPHENED.pattern}")  # and "d'air" is no more than "air"
_MOST_KNOWN = 20_000
_SHORT = 5  # letters of a word in which no slip is looked for
_BEGIN = 2  # letters of the beginning of a word by which it is looked up


class Standing(NamedTuple):
    """Where a phrase stands: its first word and the one after its last; and the name of the list that it is of."""

    first: int
    stop: int
    of: str


def words_in(text: str, word: re.Pattern[str] = WORD) -> list[str]:
    """The words of a text as they are compared.

    >>> words_in("Hors d'usage (2.)")
    ['hors', 'd', 'usage', '2']
    """
    return [key(t) for t in word.findall(text)]


class _Phrase(NamedTuple):
    words: tuple[str, ...]
    begins: bool
    of: str


class Phrases:
    """Phrases by the name of their list, to be looked for. Each is taken apart when its first word is met."""

    def __init__(self, lists: Mapping[str, Iterable[str]], word: re.Pattern[str] = WORD) -> None:
        self.word = word
        self._whole: dict[str, list[tuple[str, str]]] = {}  # (as written, list) by the first word
        self._begun: dict[str, list[tuple[str, str]]] = {}  # beginnings of one word, by their first letters
        self._ended: list[tuple[str, bool, str]] = []  # (end of one word, whether more may follow it, list)
        self._met: dict[str, list[_Phrase]] = {}
        self._known: dict[tuple[str, str], list[_Phrase]] = {}  # by a word and the one behind it
        for name, spellings in lists.items():
            for spelling in spellings:
                first = spelling.partition(" ")[0]
                if first.isalnum():
                    self._whole.setdefault(key(first), []).append((spelling, name))
                elif spelling.startswith("*"):
                    self._ended.append((key(spelling.strip("*")), spelling.endswith("*"), name))
                elif found := word.search(spelling):
                    is_begun = spelling.endswith("*") and word.search(spelling, found.end()) is None
                    where, first = (self._begun, key(found[0])[:_BEGIN]) if is_begun else (self._whole, key(found[0]))
                    where.setdefault(first, []).append((spelling, name))

    def of(self, word: str) -> list[_Phrase]:
        """The phrases that a word may begin."""
        if len(self._met) > _MOST_KNOWN:
            self._met.clear()
        if (met := self._met.get(word)) is None:
            written = (*self._whole.get(word, ()), *self._begun.get(word[:_BEGIN], ()))
            made = (_Phrase((*words_in(s, self.word),), s.endswith("*"), of) for s, of in written)
            begun = [p for p in made if p.words[0] == word or p.begins and word.startswith(p.words[0])]
            ended = [of for end, more, of in self._ended if (end in word if more else word.endswith(end))]
            met = self._met[word] = [*begun, *(_Phrase((word,), False, of) for of in ended)]
        return met

    def exactly(self, word: str) -> frozenset[str]:
        """The lists of which a phrase begins with a word as a whole."""
        return frozenset(of for _, of in self._whole.get(word, ()))

    def standing(self, words: Sequence[str]) -> list[Standing]:
        """Every place at which one of the phrases stands, in order."""
        made, known, words = [], self._known, (*words, "")
        for at, pair in enumerate(zip(words, words[1:])):
            if (found := known.get(pair)) is None:
                found = [p for p in self.of(pair[0]) if len(p.words) == 1 or pair[1].startswith(p.words[1])]
                if len(known) > _MOST_KNOWN:
                    known.clear()
                known[pair] = found
            for phrase, begins, name in found:
                stop = at + len(phrase)
                there = words[at:stop]
                if there == phrase or begins and there[:-1] == phrase[:-1] and there[-1].startswith(phrase[-1]):
                    made.append(Standing(at, stop, name))
        return sorted(made)


class Lists:
    """The lists of phrases of a data file. They are named by the keys that lead to them, "general.rule".

    word : what a word of them is. slips : lists in whose words one letter may be wrong.
    """

    def __init__(self, file: str, word: re.Pattern[str] = WORD, slips: tuple[str, ...] = ()) -> None:
        self.file, self.word, self.slips = file, word, slips

    def words(self, text: str) -> list[str]:
        """The words of a text, slips in the words of the lists `slips` put right."""
        return list(_words_of(self, text))

    def standing(self, words: Sequence[str], *names: str) -> list[Standing]:
        """Every place among some words at which a phrase of some lists stands, in order."""
        return [place for place in _standing(self, tuple(words)) if place.of in names]

    def inside(self, words: Sequence[str], *names: str) -> set[int]:
        """The positions of the words of all phrases of some lists."""
        return {i for first, stop, _ in self.standing(words, *names) for i in range(first, stop)}

    def outside(self, words: Sequence[str], *names: str) -> list[str]:
        """The words of which none is of a phrase of some lists."""
        inside = self.inside(words, *names)
        return [w for i, w in enumerate(words) if i not in inside]

    def begin(self, words: Sequence[str], *names: str) -> bool:
        """Whether words begin with a phrase of some lists."""
        return any(place.first == 0 for place in self.standing(words, *names))

    def say(self, text: str, *names: str) -> bool:
        """Whether a phrase of some lists stands in a text."""
        return bool(self.standing(_words_of(self, text), *names))

    def spellings(self, name: str) -> list[str]:
        """A list as it is written; none where there is no such list."""
        return _written(self).get(name, [])


@cache
def _written(lists: Lists) -> dict[str, list[str]]:
    return dict(_named(load_toml(lists.file)))


@cache
def _phrases(lists: Lists) -> Phrases:
    return Phrases(_written(lists), lists.word)


@lru_cache(maxsize=20_000)  # many lists are held against one text
def _standing(lists: Lists, words: tuple[str, ...]) -> list[Standing]:
    return _phrases(lists).standing(words)


@lru_cache(maxsize=20_000)
def _words_of(lists: Lists, text: str) -> tuple[str, ...]:
    if not lists.slips:
        return tuple(words_in(text, lists.word))
    return tuple(_meant(lists, w) if len(w) > _SHORT else w for w in words_in(unspaced(text), lists.word))


@lru_cache(maxsize=20_000)
def _meant(lists: Lists, word: str) -> str:
    meant = _slips(lists).meant(word)
    return word if meant != word and word in _real(lists) else meant


@cache
def _slips(lists: Lists) -> Slips:
    """The words of the lists `slips`."""
    return Slips.of(w for name in lists.slips for phrase in lists.spellings(name) for w in words_in(phrase, lists.word))


@cache
def _real(lists: Lists) -> frozenset[str]:
    """The words of all lists, which are slips of none."""
    return frozenset(w for some in _written(lists).values() for s in some for w in words_in(s, lists.word))


def _named(found: Mapping[str, Any], before: str = "") -> Iterator[tuple[str, list[str]]]:
    """Every list of texts of a data file, with its name."""
    for part, inside in found.items():
        if isinstance(inside, dict):
            yield from _named(inside, f"{before}{part}.")
        elif isinstance(inside, list):
            yield f"{before}{part}", [text for text in inside if isinstance(text, str)]


def any_of(spellings: Iterable[str]) -> str:
    """The part of a pattern that is one of some words, the longest first."""
    return "|".join(map(re.escape, sorted(spellings, key=len, reverse=True)))
