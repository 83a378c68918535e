"""Lists of phrases in the data, and where in a text they stand. A phrase with * at its end is only begun by its last word."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from functools import cache
from typing import NamedTuple

from grader.data import load_toml
from grader.read.words.heading_words import key

_MOST_KNOWN = 20_000
_BEGIN = 2  # letters of the beginning of a word by which it is looked up


class Phrases(NamedTuple):
    """Phrases as their words, and whether the last is a beginning: by their first word, and beginnings by its first letters.

    known : the phrases of both that a word may begin, by the word, as far as they were looked for.
    """

    whole: dict[str, list[tuple[list[str], bool]]]
    begun: dict[str, list[tuple[list[str], bool]]]
    known: dict[str, list[tuple[list[str], bool]]]

    def of(self, token: str) -> list[tuple[list[str], bool]]:
        """The phrases that a word may begin."""
        if len(self.known) > _MOST_KNOWN:
            self.known.clear()
        begun = [p for p in self.begun.get(token[:_BEGIN], ()) if token.startswith(p[0][0])]
        self.known[token] = [*self.whole.get(token, ()), *begun]
        return self.known[token]


@cache
def phrases(token: re.Pattern[str], file: str, *path: str) -> Phrases:
    """The phrases of a data file's list, by the keys that lead to it; none where there is no such list.

    token : what a word of them is.
    """
    spellings = load_toml(file)
    for name in path:
        spellings = spellings.get(name, {})
    return phrases_of(token, spellings)


def phrases_of(token: re.Pattern[str], spellings: Iterable[str]) -> Phrases:
    """Phrases as they are written, to be looked for."""
    made = Phrases({}, {}, {})
    for spelling in spellings:
        words, begins = [key(t) for t in token.findall(spelling)], spelling.endswith("*")
        first = words[0]
        if begins and len(words) == 1:
            made.begun.setdefault(first[:_BEGIN], []).append((words, begins))
        else:
            made.whole.setdefault(first, []).append((words, begins))
    return made


def standing(tokens: Sequence[str], wanted: Phrases) -> list[tuple[int, int]]:
    """(first token, the token after the last) of every place at which one of some phrases stands."""
    made, known = [], wanted.known
    for at, token in enumerate(tokens):
        found = known.get(token)
        for words, begins in wanted.of(token) if found is None else found:
            *before, last = tokens[at : at + len(words)]
            if before == words[:-1] and (last == words[-1] or begins and last.startswith(words[-1])):
                made.append((at, at + len(words)))
    return sorted(made)
