"""Words of a word field in loose wording: "works air main", "faint, oily", "pas d'odeur" -> the canonical word.

Source: data/loose_words.toml, common practice of the trade. What is not surely one word stays unreadable.
"""

from __future__ import annotations

import re
from functools import cache, lru_cache

from grader.columns import FIELDS
from grader.data import load_toml
from grader.read.words.heading_words import key
from grader.read.words.spelling import fold_word

_TOKEN = re.compile(r"[^\W_]+(?:-[^\W_]+)*")
_LONGEST = 60


@lru_cache(maxsize=5_000)
def own_word(field: str, text: str) -> str | None:
    """The canonical word of which a text is a listed spelling, None where it is none."""
    folded = fold_word(text)
    for canonical, spellings in FIELDS[field].words.items():
        if folded in map(fold_word, (canonical, *spellings)):
            return canonical
    return None


def loose_word(field: str, text: str) -> str | None:
    """The canonical word that a text in loose wording means, None where it is not surely one.

    >>> loose_word("supply", "works air main"), loose_word("odour", "faint, oily"), loose_word("odour", "no smell")
    ('airline', 'slight', 'none')
    >>> loose_word("dryer", "no desiccant") is None, loose_word("odour", "see remarks") is None
    (True, True)
    """
    data = load_toml("loose_words.toml")
    if field not in data or len(text) > _LONGEST or text.rstrip().endswith("?"):
        return None
    tokens = [key(t) for t in _TOKEN.findall(text)]
    if len(tokens) == 1 and tokens[0] in data["asked"]:
        return None
    no = _found(tokens, tuple(data["negation"]))
    hits = {word: at for word, spellings in data[field].items() if (at := _found(tokens, tuple(spellings)))}
    said_of = _found(tokens, tuple(data["said_of"].get(field, ())))
    nature = _found(tokens, tuple(data["nature"].get(field, ())))
    if "charging compressor" in hits and field == "supply":
        hits = {
            "charging compressor": hits["charging compressor"]
        }  # a compressor that fills cylinders is itself no cylinder
    if nature and field == "odour" and set(hits) <= {"none"}:
        hits = {"marked": nature} if not no and "none" not in hits else {}
    if no:
        others = set(hits) - {"none"}
        if others or not (said_of or hits or len(tokens) == len(no)):
            return None
        return "none" if "none" in data[field] else None
    if not hits:
        return "marked" if field == "odour" and said_of and len(tokens) > len(said_of) and nature else None
    return next(iter(hits)) if len(hits) == 1 else None


def _found(tokens: list[str], spellings: tuple[str, ...]) -> list[int]:
    """Positions of tokens at which one of the spellings begins."""
    made = []
    for words, begins in _split(spellings):
        for at in range(len(tokens) - len(words) + 1):
            here = tokens[at : at + len(words)]
            if here[:-1] == words[:-1] and (here[-1] == words[-1] or begins and here[-1].startswith(words[-1])):
                made.append(at)
    return sorted(set(made))


@cache
def _split(spellings: tuple[str, ...]) -> list[tuple[list[str], bool]]:
    return [([key(w) for w in _TOKEN.findall(s)], s.endswith("*")) for s in spellings]
