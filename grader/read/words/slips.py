"""Slips of the pen: letters spaced out, and one letter wrong in a long word of a list."""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import lru_cache
from typing import NamedTuple

_LEAST = 7  # letters of a word of a list in which one may be wrong
_SPACED = re.compile(r"(?<!\S)[^\W\d_](?: [^\W\d_](?!\S))+")
_SINGLE = re.compile(r"(?<!\S)[^\W\d_](?!\S)")
_LEAST_SPACED = 4  # letters alone


def unspaced(text: str) -> str:
    """A text with the words whose letters are spaced out written together.

    >>> unspaced("B2: G E S P E R R T"), unspaced("D O   N O T   U S E"), unspaced("bay A or B")
    ('B2: GESPERRT', 'DO   NOT   USE', 'bay A or B')
    """
    if len(_SINGLE.findall(text)) < _LEAST_SPACED:
        return text
    return _SPACED.sub(lambda found: found[0].replace(" ", ""), text)


class Slips(NamedTuple):
    """Words that are looked for with one letter wrong.

    words : those words. near : the words by what is left of each without one letter. real : words that are no slips.
    """

    words: frozenset[str]
    near: dict[str, list[str]]
    real: frozenset[str]

    @classmethod
    def of(cls, words: Iterable[str], real: Iterable[str] = (), least: int = _LEAST) -> Slips:
        """To look for some words. least : letters of one in which one may be wrong."""
        long = frozenset(w for w in words if len(w) >= least and w.isalpha())
        near: dict[str, list[str]] = {}
        for word in sorted(long):
            for less in _without_one(word):
                near.setdefault(less, []).append(word)
        return cls(long, near, frozenset(real))

    def meant(self, word: str) -> str:
        """The word that is meant; the same where it is none of them with one letter wrong within it.

        >>> slips = Slips.of(["condemned", "gesperrt"])
        >>> slips.meant("condemmed"), slips.meant("gespert"), slips.meant("condemnes"), slips.meant("versperrt")
        ('condemned', 'gesperrt', 'condemnes', 'versperrt')
        """
        if len(word) < _LEAST - 1 or word in self.words or word in self.real:
            return word
        return next(iter(self.one_off(word)), word)

    def one_off(self, word: str) -> list[str]:
        """The words that a word may be with one letter wrong.

        >>> Slips.of(["monoxide", "dioxide", "ligne"], least=5).one_off("ligen")
        ['ligne']
        """
        less = _without_one(word)
        found = {w: None for short in (word, *less) for w in self.near.get(short, ())}
        found.update((w, None) for w in less if w in self.words)
        return [w for w in found if _one_wrong(word, w)]

    def two_off(self, word: str) -> list[str]:
        """The words that it may be with two such letters, those with one among them."""
        shorter = _without_two(word)
        return [w for w in self.words if w[0] == word[0] and not shorter.isdisjoint(_without_two(w))]


@lru_cache(maxsize=20_000)
def _without_two(word: str) -> set[str]:
    return {word}.union(_without_one(word), *map(_without_one, _without_one(word)))


def _without_one(word: str) -> list[str]:
    return [word[:i] + word[i + 1 :] for i in range(1, len(word))]


def _one_wrong(word: str, meant: str) -> bool:
    """Whether one letter within a word is another, missing, too many or changed with the next; not at its end, nor at its start."""
    if word[-2:] == meant[:-3:-1] and word[:-2] == meant[:-2]:
        return True  # the last two changed
    if abs(len(word) - len(meant)) > 1 or word[0] != meant[0] or word[-1] != meant[-1]:
        return False
    before = next((i for i, (a, b) in enumerate(zip(word, meant)) if a != b), min(len(word), len(meant)))
    rest, other = word[before:], meant[before:]
    swapped = rest[:2] == other[1::-1] and rest[2:] == other[2:]
    return swapped or rest[1:] == other[1:] or rest[1:] == other or rest == other[1:]
