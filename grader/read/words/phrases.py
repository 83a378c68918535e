"""The words of a text as they are compared, and where among them phrases of the data stand.

A phrase with * at its end is only begun by its last word.
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


class _Phrase(NamedTuple):
    words: list[str]
    begins: bool
    of: str


class Phrases(NamedTuple):
    """Phrases by their first word; those of one word that is a beginning by its first letters.

    known : the phrases of both that a word may begin, by the word, as far as they were looked for.
    """

    whole: dict[str, list[_Phrase]]
    begun: dict[str, list[_Phrase]]
    known: dict[str, list[_Phrase]]

    def of(self, word: str) -> list[_Phrase]:
        """The phrases that a word may begin."""
        if len(self.known) > _MOST_KNOWN:
            self.known.clear()
        begun = [p for p in self.begun.get(word[:_BEGIN], ()) if word.startswith(p.words[0])]
        self.known[word] = [*self.whole.get(word, ()), *begun]
        return self.known[word]

    def exactly(self, word: str) -> frozenset[str]:
        """The lists of which a phrase begins with a word as a whole."""
        return frozenset(phrase.of for phrase in self.whole.get(word, ()))

    def standing(self, words: Sequence[str]) -> list[Standing]:
        """Every place at which one of the phrases stands, in order."""
        made, known = [], self.known
        for at, word in enumerate(words):
            found = known.get(word)
            for phrase, begins, name in self.of(word) if found is None else found:
                *before, last = words[at : at + len(phrase)]
                if before == phrase[:-1] and (last == phrase[-1] or begins and last.startswith(phrase[-1])):
                    made.append(Standing(at, at + len(phrase), name))
        return sorted(made)


def words_in(text: str, word: re.Pattern[str] = WORD) -> list[str]:
    """The words of a text as they are compared.

    >>> words_in("Hors d'usage (2.)")
    ['hors', 'd', 'usage', '2']
    """
    return [key(t) for t in word.findall(text)]


_parted = lru_cache(maxsize=50_000)(words_in)  # a list stands in many of the phrases that are looked for


def phrases_of(lists: Mapping[str, Iterable[str]], word: re.Pattern[str] = WORD) -> Phrases:
    """Phrases as they are written, by the name of their list, to be looked for."""
    made = Phrases({}, {}, {})
    for name, spellings in lists.items():
        for spelling in spellings:
            phrase = _Phrase(_parted(spelling, word), spelling.endswith("*"), name)
            first = phrase.words[0]
            if phrase.begins and len(phrase.words) == 1:
                made.begun.setdefault(first[:_BEGIN], []).append(phrase)
            else:
                made.whole.setdefault(first, []).append(phrase)
    return made


@lru_cache(maxsize=20_000)  # many lists are held against one text
def _words_of(lists: Lists, text: str) -> tuple[str, ...]:
    if not lists.slips:
        return tuple(words_in(text, lists.word))
    return tuple(_meant(lists, w) if len(w) > _SHORT else w for w in words_in(unspaced(text), lists.word))


class Lists(NamedTuple):
    """The lists of phrases of a data file. They are named by the keys that lead to them, "general.rule".

    word : what a word of them is. slips : lists in whose words one letter may be wrong.
    """

    file: str
    word: re.Pattern[str] = WORD
    slips: tuple[str, ...] = ()

    def words(self, text: str) -> list[str]:
        """The words of a text, slips in the words of the lists `slips` put right."""
        return list(_words_of(self, text))

    def standing(self, words: Sequence[str], *names: str) -> list[Standing]:
        """Every place among some words at which a phrase of some lists stands, in order."""
        return _phrases(self, names).standing(words)

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
        return bool(self.standing(self.words(text), *names))

    def spellings(self, name: str) -> list[str]:
        """A list as it is written; none where there is no such list."""
        found = load_toml(self.file)
        for part in name.split("."):
            found = found.get(part, {})
        return list(found)


@lru_cache(maxsize=20_000)
def _meant(lists: Lists, word: str) -> str:
    meant = _slips(lists).meant(word)
    return word if meant != word and word in _real(lists) else meant


@cache
def _slips(lists: Lists) -> Slips:
    """The words of some lists, to be looked for with a letter wrong."""
    return Slips.of(w for name in lists.slips for phrase in lists.spellings(name) for w in _parted(phrase, lists.word))


@cache
def _real(lists: Lists) -> frozenset[str]:
    """The words of all lists of the file, which are slips of none."""
    return frozenset(w for phrase in _all(load_toml(lists.file)) for w in _parted(phrase, lists.word))


def _all(found: Any) -> Iterator[str]:
    """Every text of a data file."""
    if isinstance(found, str):
        yield found
    else:
        yield from (text for part in (found.values() if isinstance(found, dict) else found) for text in _all(part))


@cache
def _phrases(lists: Lists, names: tuple[str, ...]) -> Phrases:
    return phrases_of({name: lists.spellings(name) for name in names}, lists.word)


def any_of(spellings: Iterable[str]) -> str:
    """The part of a pattern that is one of some words, the longest first."""
    return "|".join(map(re.escape, sorted(spellings, key=len, reverse=True)))
