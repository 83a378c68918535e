"""Names of outlets, and of places: where a text names one, of how many it speaks, and what a name says itself."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from functools import cache, lru_cache

from grader.data import load_toml
from grader.read.words.dates import DATES
from grader.read.words.heading_words import word_list
from grader.read.words.labels import kind_of
from grader.read.words.needs import LEAST, side_of
from grader.read.words.phrases import any_of
from grader.read.words.said import REMARKS, alone
from grader.read.words.signs import NO, holds_sign
from grader.read.words.spelling import key

_PARTS = re.compile(r"[\s,;:/()–-]+")
_VOLUME = re.compile(r"(?:(?<=[muµμ]g)\s?/\s?)?m³|(?<=[muµμ]g)\s?/\s?m3\b|\bm3\s?/\s?(?:h|min|s)\b")
_MONTH = re.compile(r"(?<![\d/])(?:0?[1-9]|1[0-2])/(?:20)?[1-9]\d(?![\d/])")
_LEAST_NAME = 4  # signs of a name that is looked for within a text, but for one of a letter and a figure


def words_between(text: str) -> list[str]:
    """The words of a line in which outlets may be named; M3 is one, of mg/m³ it is none.

    >>> words_between("M3: oil 0.1 mg/m3"), words_between("Huile (mg/m³)")
    (['M3', 'oil', '0.1', 'mg', ''], ['Huile', 'mg', ''])
    """
    return _PARTS.split(_VOLUME.sub(" ", text) if "m3" in text or "m³" in text else text)


def runs_of_words(text: str, most: int) -> set[str]:
    """Up to so many words of a line that follow each other, joined as names of outlets are compared."""
    words = [w for w in map(key, words_between(text)) if w]
    return {"".join(words[i : i + n]) for i in range(len(words)) for n in range(1, most + 1)}


def names(text: str, outlet: str) -> bool:
    """Whether a text names an outlet among other words.

    >>> names("P2: smelt of oil", "P2"), names("P2", "P2"), names("P21 smelt of oil", "P2"), names("A smell of oil", "A")
    (True, False, False, False)
    """
    name = key(outlet)
    if len(name) < _LEAST_NAME and not (len(name) > 1 and name[-1].isdigit() and name[0].isalpha()):
        return False
    words, most = [key(w) for w in words_between(text)], len(words_between(outlet))
    words = [w for w in words if w]
    return (len(words) > most or "?" in text) and any(name == "".join(words[i : i + most]) for i in range(len(words)))


@cache
def _numbers() -> re.Pattern[str]:
    """Numbers of several outlets: "2/3", "2 and 3"."""
    of_a_range = r"(?!\d*(?:[.,]\d+)?\s*(?:%|ppm|mg|l/|m?bar|°|min\b))"  # "0.1-6 %" are none
    join = rf"\s*(?:[/&+–-]|{any_of(word_list('and'))})\s*|\s*,\s+|(?<=[^\W\d_]\d),|(?<=[^\W_] \d),"  # "20,8" is one
    return re.compile(rf"\d(?:{join})\d{of_a_range}", re.IGNORECASE)


@cache
def _listed() -> tuple[re.Pattern[str], re.Pattern[str]]:
    """Outlets by number: "outlets 3 and 4", "Stelle 2", "points 2 à 4", several of them by several; and a range of numbers."""
    span, several = load_toml(REMARKS.file)["span"], any_of(load_toml(REMARKS.file)["span"]["several"])
    join, to = rf"(?:[&+]|{any_of(word_list('and'))})", rf"(?:[-–]|{any_of(span['to'])})"
    one = any_of(w for w in span["outlet"] if w not in span["several"])
    numbers = rf"\d{{1,3}}(?:\s*,\s*\d{{1,3}})*\s*(?:{join}|{to})\s*\d{{1,3}}"
    named = rf"(?:(?:{several})\s+{numbers}|(?:{one})\s+(?:{numbers}|\d{{1,3}}))"
    return re.compile(rf"\b{named}(?![\w.,]*\d|\s*(?:%|/))", re.IGNORECASE), re.compile(
        rf"\d\s*{to}\s*\d", re.IGNORECASE
    )


@cache
def _placed() -> re.Pattern[str]:
    """Outlets by place: "first and last outlet", "dritte Stelle"."""
    span = load_toml(REMARKS.file)["span"]
    place = rf"(?:{any_of(w.split()[0] for w in span['places'])})"
    return re.compile(
        rf"\b{place}(?:\s*(?:,|&|{any_of(word_list('and'))})\s*{place})*\s+(?:{any_of(span['outlet'])})\b",
        re.IGNORECASE,
    )


@lru_cache(maxsize=20_000)
def numbers_in(text: str) -> tuple[frozenset[int], frozenset[int], str]:
    """The outlets that a text names by number, those by place (the last is -1), and the text without them.

    >>> numbers_in("Outlets 3 and 4 locked off"), numbers_in("Erste und letzte Stelle gesperrt")
    ((frozenset({3, 4}), frozenset(), '  locked off'), (frozenset(), frozenset({1, -1}), '  gesperrt'))
    >>> numbers_in("points 2 à 4")[0], numbers_in("Outlets 4, failed 1")[0], numbers_in("2 outlets shut")[0]
    (frozenset({2, 3, 4}), frozenset(), frozenset())
    """
    numbers, (pattern, span) = set[int](), _listed()
    for found in pattern.finditer(text):
        mine = [int(d) for d in re.findall(r"\d+", found[0])]
        numbers.update(range(mine[-2], mine[-1] + 1) if span.search(found[0]) else mine)
    order = dict(w.split() for w in load_toml(REMARKS.file)["span"]["places"])
    places = {int(order[w]) for found in _placed().finditer(text) for w in found[0].casefold().split() if w in order}
    rest = _placed().sub(" ", pattern.sub(" ", text))
    return frozenset(numbers), frozenset(places), rest


def excepts(text: str) -> bool:
    """Whether a text makes an exception.

    >>> excepts("Alle frei bis auf P2"), excepts("P2 bis auf weiteres gesperrt")
    (True, False)
    """
    words = REMARKS.words(text)
    lasting = REMARKS.inside(words, "general.lasts")  # until further notice
    return any(found.first not in lasting for found in REMARKS.standing(words, "general.except"))


def of_more(text: str, outlets: Iterable[str] = ()) -> bool:
    """Whether a text that names outlets speaks of more: of all, the others, those up to one, numbers that follow ("Bay 2/3").

    >>> of_more("P2: wrong tube, range 0.1-6 %"), of_more("P2: reads 20,8"), of_more("P2,3: wrong tube"), of_more("Bay 2,3 shut")
    (False, False, True, True)
    >>> of_more("P2: wrong tube, had no others", ["P2"]), of_more("P2: wrong tube, as all others", ["P2"])
    (False, True)
    >>> of_more("All passed except P2"), of_more("All condemned except P2"), of_more("Bay 2/3 condemned"), of_more("P2 shut")
    (False, True, True, False)
    """
    outlets = tuple(outlets)
    own = any(begins_with(text, name) for name in outlets)
    text = numbers_in(text)[2]
    if any(_up_to(name).search(text) for name in outlets):
        return True
    if REMARKS.say(text, "against.lapsed"):
        text = _MONTH.sub(" ", text)
    if _numbers().search(DATES.sub(lambda day: " " if re.search(r"\d\d", day[0]) else day[0], text)):
        return True
    fine = excepts(text) and REMARKS.say(text, "general.approved")
    ill = REMARKS.say(
        text, *(f"against.{group}" for group in load_toml(REMARKS.file)["against"] if group not in ("row", "remark"))
    )
    return speaks_of_all(text, own) and (not fine or ill)


def speaks_of_all(text: str, own: bool = False) -> bool:
    """Whether a text that names one outlet speaks of all, or of the others: "P1 is good, all others condemned".

    own : whether it begins with that outlet: "P2: had no others" denies what is that one's own.
    """
    words = REMARKS.words(text)
    told = REMARKS.standing(words, "general.all")
    return any(not (own and REMARKS.standing(words[max(s.first - 1, 0) : s.first], "no.words")) for s in told)


@lru_cache(maxsize=5_000)
def _up_to(name: str) -> re.Pattern[str]:
    """The name of an outlet behind a word for all up to it: "void until P3"."""
    until = any_of(load_toml(REMARKS.file)["span"]["until"])
    return re.compile(rf"\b(?:{until})['’\s]+(?:\w{{1,3}}\s+)?{re.escape(name)}\b", re.IGNORECASE)


def begins_with(text: str, outlet: str) -> bool:
    """Whether a text begins with the name of the outlet that it speaks of: "P2: shut"."""
    text, outlet = text.lstrip().casefold(), outlet.casefold()
    return text.startswith(outlet) and text[len(outlet) :].lstrip().startswith(tuple(":-–="))


def spanned(text: str, outlets: Sequence[str]) -> set[int]:
    """The outlets between two that a text names as the ends of a range, or from one on: "P2 to P4", "from P2 on".

    >>> sorted(spanned("P2 to P4: meter off", ["P1", "P2", "P3", "P4", "P5"])), spanned("P2 and P4", ["P2", "P3", "P4"])
    ([1, 2, 3], set())
    """
    plain, span = " ".join(text.casefold().split()), load_toml(REMARKS.file)["span"]
    found = sorted((at, i) for i, name in enumerate(outlets) if name and (at := plain.find(name.casefold())) >= 0)
    inside: set[int] = set()
    for (at, first), (other, last) in zip(found, found[1:]):
        between = plain[at + len(outlets[first]) : other].strip()
        if first < last and between in ("-", "–", "—", *span["to"]):
            inside.update(range(first, last + 1))
    for at, first in found[:1]:
        before, behind = plain[:at].rstrip(), plain[at + len(outlets[first]) :].lstrip(" ,:;")
        if (
            before.endswith(tuple(span["from"]))
            or before.endswith(tuple(span["before"]))
            and REMARKS.say(text, "general.kit")
            and not REMARKS.say(text, "general.plural")
            or behind.startswith(tuple(span["on"]))
            and not re.match(r"on \d", behind)
        ):
            inside.update(range(first, len(outlets)))
    return inside


def is_need(outlet: str) -> bool:
    """Whether the name of an outlet is a word for what is needed.

    >>> is_need("Requis"), is_need("Needed"), is_need("Max"), is_need("Needle bay")
    (True, True, False, False)
    """
    return kind_of(outlet) == "limit" and side_of(outlet) == LEAST


def called(outlet: str) -> str:
    """What the name of an outlet says against it, in brackets or behind a dash: "P2 (shut)", "P2 - NOT TESTED", "P2 ??".

    What is called as a need is ("Need", "Requis") may be one after all.

    >>> called("P2 (shut)"), called("P2 ??"), called("P2 FAIL"), called("Bay (closed loop)"), called("Bay 2 - north")
    ('P2 (shut)', 'P2 ??', 'P2 FAIL', '', '')
    """
    last = " ".join(outlet.split()[1:])
    parts = re.split(r"[(\[:]|\s[-–]\s", outlet)[1:]
    if (last.isupper() or "." in last) and REMARKS.say(last, "alone.words"):
        parts.append(last)
    marked = "??" in outlet or holds_sign(outlet, "danger", *NO) or is_need(outlet)
    return outlet if marked or any(alone(part, remark=False) for part in parts) else ""
