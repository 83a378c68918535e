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

    A word that sounds well must cover everything said; what is left over, or a word that takes back, is doubt.

    >>> loose_word("supply", "works air main"), loose_word("odour", "faint, oily"), loose_word("odour", "no smell")
    ('airline', 'slight', 'none')
    >>> loose_word("dryer", "no desiccant") is None, loose_word("odour", "see remarks") is None
    (True, True)
    >>> loose_word("odour", "no oil smell but musty"), loose_word("odour", "none (has a cold)")
    (None, None)
    """
    data = load_toml("loose_words.toml")
    if field not in data or len(text) > _LONGEST or "?" in text:
        return None
    tokens = [key(t) for t in _TOKEN.findall(text)]
    if len(tokens) == 1 and tokens[0] in data["asked"]:
        return None
    no = _found(tokens, tuple(data["negation"]))
    hits = {word: at for word, spellings in data[field].items() if (at := _found(tokens, tuple(spellings)))}
    said_of, nature, sensed = (_found(tokens, tuple(data[part].get(field, ()))) for part in _PARTS)
    if field == "outlet_status" and set(hits) > {"in use"}:
        hits.pop("in use")  # "not in use", "out of service": a word that sounds ill holds for the whole
        no = []
    if field in data["doubted"] and _found(tokens, tuple(data["doubt"])) and not set(hits) & _ILL:
        return None
    if "charging compressor" in hits and field == "supply":
        hits = {
            "charging compressor": hits["charging compressor"]
        }  # a compressor that fills cylinders is itself no cylinder
    if nature and field == "odour" and set(hits) <= {"none"}:
        hits = {"marked": nature} if not no and "none" not in hits else {}
    word = next(iter(hits)) if len(hits) == 1 else None
    if no:
        word = None
        alone = len(tokens) == len(no)
        noticed = {at for some in hits.values() for at in some} <= {*sensed, *hits.get("none", ())}
        if "none" in data[field] and noticed and (said_of or hits or sensed or alone) and not nature:
            word = "none"
    if word in data["safe"].get(field, ()):
        known = {*no, *said_of, *sensed, *_found(tokens, tuple(data["covered"]))}
        known |= _covering(tokens, tuple(data[field][word])) if word else set()
        return word if len(known) == len(tokens) else None
    if no or word:
        return word
    return "marked" if field == "odour" and said_of and len(tokens) > len(said_of) and nature else None


_PARTS = ("said_of", "nature", "sensed")
# Words of doubt do not make these better: "locked off, but tested".
_ILL = {"marked", "seen", "locked off", "removed", "fail"}


def _covering(tokens: list[str], spellings: tuple[str, ...]) -> set[int]:
    """Positions of all tokens that belong to one of the spellings."""
    made: set[int] = set()
    for words, begins in _split(spellings):
        for at in _found_words(tokens, words, begins):
            made |= set(range(at, at + len(words)))
    return made


def _found(tokens: list[str], spellings: tuple[str, ...]) -> list[int]:
    """Positions of tokens at which one of the spellings begins."""
    made = []
    for words, begins in _split(spellings):
        made += _found_words(tokens, words, begins)
    return sorted(set(made))


def _found_words(tokens: list[str], words: list[str], begins: bool) -> list[int]:
    """Positions at which some words stand one behind the other, the last of them perhaps only begun."""
    made = []
    for at in range(len(tokens) - len(words) + 1):
        here = tokens[at : at + len(words)]
        if here[:-1] == words[:-1] and (here[-1] == words[-1] or begins and here[-1].startswith(words[-1])):
            made.append(at)
    return made


@cache
def _split(spellings: tuple[str, ...]) -> list[tuple[list[str], bool]]:
    return [([key(w) for w in _TOKEN.findall(s)], s.endswith("*")) for s in spellings]
