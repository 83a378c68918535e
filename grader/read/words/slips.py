"""Slips of the pen: letters spaced out, and one letter wrong in a long word of a list."""

from __future__ import annotations

import re
from collections.abc import Iterable
from itertools import product
from os.path import commonprefix
from typing import NamedTuple

_LEAST = 7  # letters of a word of a list in which one may be wrong
_SPACED = re.compile(r"(?<!\S)[^\W\d_](?: [^\W\d_](?!\S))+")
_SINGLE = re.compile(r"(?<!\S)[^\W\d_](?!\S)")
_LEAST_SPACED = 4  # letters alone
_TWO = 2


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

    words : those words. close : the same by their first letter, their last one and how many they have.
    """

    words: frozenset[str]
    close: dict[tuple[str, str, int], list[str]]

    @classmethod
    def of(cls, words: Iterable[str], least: int = _LEAST) -> Slips:
        """To look for some words. least : letters of one in which one may be wrong."""
        long = frozenset(w for w in words if len(w) >= least and w.isalpha())
        close: dict[tuple[str, str, int], list[str]] = {}
        for word in long:
            close.setdefault((word[0], word[-1], len(word)), []).append(word)
        return cls(long, close)

    def meant(self, word: str) -> str:
        """The word that is meant; the same where it is none of them with one letter wrong within it.

        >>> slips = Slips.of(["condemned", "gesperrt"])
        >>> slips.meant("condemmed"), slips.meant("gespert"), slips.meant("condemnes"), slips.meant("versperrt")
        ('condemned', 'gesperrt', 'condemnes', 'versperrt')
        """
        if len(word) < _LEAST - 1 or word in self.words:
            return word
        return next(iter(self.one_off(word)), word)

    def one_off(self, word: str) -> list[str]:
        """The words that a word may be with one letter wrong.

        >>> Slips.of(["monoxide", "dioxide", "ligne"], least=5).one_off("ligen")
        ['ligne']
        """
        near = product(word[0], {*word[-2:]}, range(len(word) - 1, len(word) + 2))
        found = {w for ends in near for w in self.close.get(ends, ()) if _one_wrong(word, w)}
        return sorted(found, key=lambda w: (-len(w), len(commonprefix((word, w))), w))

    def two_off(self, word: str) -> list[str]:
        """The words that it may be with two such letters, those with one among them."""
        letters = set(word)
        close = (
            words for (first, _, n), words in self.close.items() if first == word[0] and abs(n - len(word)) <= _TWO
        )
        like = (w for words in close for w in words if len(letters.difference(w)) <= _TWO)
        return [w for w in like if _are_one(word, w, _TWO, _TWO)]


def _are_one(word: str, other: str, less: int, other_less: int) -> bool:
    """Whether two words are one without some letters of each, at most so many."""
    same = len(commonprefix((word, other)))
    word, other = word[same:], other[same:]
    if not word or not other:
        return len(word) <= less and len(other) <= other_less
    return (less > 0 and _are_one(word[1:], other, less - 1, other_less)) or (
        other_less > 0 and _are_one(word, other[1:], less, other_less - 1)
    )


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
