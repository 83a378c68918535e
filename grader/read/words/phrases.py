"""Lists of phrases in the data, and where in a text they stand. A phrase with * at its end is only begun by its last word."""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import cache

from grader.data import load_toml
from grader.read.words.heading_words import key

# First letter -> phrases, each as its words, and whether the last is a beginning.
Phrases = dict[str, list[tuple[list[str], bool]]]


@cache
def phrases(token: re.Pattern[str], file: str, *path: str) -> Phrases:
    """The phrases of a data file's list, by the keys that lead to it; none where there is no such list.

    token : what a word of them is.
    """
    spellings = load_toml(file)
    for name in path:
        spellings = spellings.get(name, {})
    made: Phrases = {}
    for spelling in spellings:
        words = [key(t) for t in token.findall(spelling)]
        made.setdefault(words[0][0], []).append((words, spelling.endswith("*")))
    return made


def standing(tokens: Sequence[str], wanted: Phrases) -> list[tuple[int, int]]:
    """(first token, the token after the last) of every place at which one of some phrases stands."""
    made = []
    for at, token in enumerate(tokens):
        for words, begins in wanted.get(token[:1], ()):
            *before, last = tokens[at : at + len(words)]
            if before == words[:-1] and (last == words[-1] or begins and last.startswith(words[-1])):
                made.append((at, at + len(words)))
    return sorted(made)
