"""Marks of tests (`P5¹`, a code `K`, a remark `7`), and what a key elsewhere says that they mean (`K = condemned`)."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache
from typing import Any
from unicodedata import normalize

from grader.read.shapes.tables import whole
from grader.read.words.answers import answered_badly
from grader.read.words.colours import colour_key, colour_named, shows_ill
from grader.read.words.said import LONGEST, REMARKS, ROW, against, alone, smells
from grader.read.words.spelling import alike

_SIGN = r"[*†‡§#!]{1,3}|[¹²³⁴-⁹⁰]{1,2}"
_CODE = r"(?:[^\W\d_]\.){2,3}|[^\W\d_]{0,2}\d{0,2}"
_MARK = re.compile(rf"[(\[]?({_SIGN}|{_CODE})[)\].]?")
_OF_A_NAME = re.compile(rf"\S\s?({_SIGN}|(?<![(\d])\d{{1,2}}\)|(?<=\s)[a-z]\))$")
_UNDER = r"(?:(?:in|under|unter|dans|en|sous)\s[^=:\d]{2,25}(?=[=:]))?"  # "X in Remarks: shut"
_IN_BRACKETS = re.compile(r"\((?:\d{1,2}|[a-z])\)$", re.IGNORECASE)
_KEYED = rf"({_SIGN})[)\]]?\s*{_UNDER}[=:–-]?|({_CODE})[).\]]?\s*{_UNDER}(?:[=:)]|[–-]\s)"
_ENTRY = re.compile(rf"\s*[(\[]?(?:{_KEYED})\s*(\S.*)", re.DOTALL)
_NEXT = re.compile(r"[;,\n]")
_LONGEST_REFERENCE = 20  # characters of "see note 7"
_MOST = 30  # different marks of one column; more are running numbers


@lru_cache(maxsize=20_000, typed=True)  # 1 and True are equal
def mark_of(value: Any) -> str:
    """The mark that a cell holds, as it is compared; "" where it holds none.

    >>> mark_of("see note 7"), mark_of("Anm. a"), mark_of("note the hose")
    ('7', 'a', '')
    >>> mark_of("(1)"), mark_of("¹"), mark_of(4), mark_of("K"), mark_of("N3)"), mark_of("hose"), mark_of(" ")
    ('1', '1', '4', 'k', 'n3', '', '')
    """
    text = whole(value) if type(value) in (int, float) else value
    if type(text) is str and (colour := colour_named(text)):
        return colour
    if type(text) is not str or len(text) > _LONGEST_REFERENCE:
        return ""
    if len(text) <= 5 and (found := _MARK.fullmatch(text.strip())):
        return _plain(found[1])
    rest = REMARKS.outside(REMARKS.words(text), "span.refers") if REMARKS.say(alike(text), "span.refers") else []
    return mark_of(rest[0]) if len(rest) == 1 else ""


@lru_cache(maxsize=20_000)
def mark_of_name(name: str) -> str:
    """The mark at the end of a name, "" where none is.

    >>> mark_of_name("P5¹"), mark_of_name("T1-1*"), mark_of_name("B3 1)"), mark_of_name("Bay 2"), mark_of_name("Bay (2)")
    ('1', '*', '1', '', '')
    """
    found = _OF_A_NAME.search(name)
    return _plain(found[1].rstrip(")")) if found else ""


def _plain(mark: str) -> str:
    return normalize("NFKC", mark).casefold()


def meanings(text: str) -> dict[str, str]:
    """What a key says of marks that speak against a test.

    >>> meanings("G = released; K = condemned"), meanings("¹ not released"), meanings("4 = unsafe, isolate"), meanings("7 days")
    ({'k': 'condemned'}, {'1': 'not released'}, {'4': 'unsafe, isolate'}, {})
    >>> meanings("green = free, red = locked off"), meanings("blue means water found")
    ({'red': 'locked off'}, {'blue': 'water found'})
    >>> meanings("X in Remarks: do not use"), meanings("b. = benutzbar, n.b. = nicht benutzbar"), meanings("(1) condemned")
    ({'x': 'do not use'}, {'n.b.': 'nicht benutzbar'}, {'(1)': 'condemned', '1': 'condemned'})
    """
    if len(text) > LONGEST:
        return {}
    made: dict[str, str] = dict(colour_key(text))
    if made:
        return {
            m: said
            for m, said in made.items()
            if _speaks(said) or shows_ill(said) and not REMARKS.say(said, "no.words")
        }
    if _ENTRY.match(text) is None:
        return {}
    mark: str = ""
    for piece in _NEXT.split(text):
        if found := _ENTRY.match(piece):
            mark = _plain(found[1] or found[2] or "")
            if piece.lstrip().startswith("("):
                made[f"({mark})"] = str(found[3])
            made[mark] = str(found[3])
        elif made:
            made.update({m: f"{made[m]},{piece}" for m in (mark, f"({mark})") if m in made})
    return {m: said for m, said in made.items() if m and _speaks(said)}


def _speaks(said: str) -> bool:
    """Whether what a mark means speaks against a pass."""
    told = against(said, ROW) or smells(said) or answered_badly("ok", said)
    return bool(told or any(map(alone, _NEXT.split(said)))) and not REMARKS.say(said, "general.approved") * (not told)


def marked(names: Sequence[str], lines: Iterable[Mapping[int, Any]]) -> dict[str, list[int]]:
    """Which tests carry which marks: at the end of their names, or in lines of cells beside their readings."""
    made: dict[str, list[int]] = {}
    for i, name in enumerate(names):
        bracketed = _IN_BRACKETS.search(name)  # "Bay (2)" carries what a key says of "(2)", and of no other 2
        if mark := mark_of_name(name) or (_plain(bracketed[0]) if bracketed else ""):
            made.setdefault(mark, []).append(i)
    for line in lines:
        known = {v: m for v in set(line.values()) if (m := mark_of(v))}
        if len(known) <= _MOST:
            for i, v in line.items() if known else ():
                if mark := known.get(v, ""):
                    made.setdefault(mark, []).append(i)
    return made
