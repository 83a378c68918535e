"""What a text beside tests may be: a remark, a question, a count of fails, a key of marks, a list of outlets to be used.

Each text is told once, for all who read such cells.
"""

from __future__ import annotations

from collections.abc import Callable, Set
from functools import lru_cache

from grader.read.words.answers import answers_badly, asks, may_be_ill, says_ill
from grader.read.words.marks import meanings
from grader.read.words.measured import readings_in, stands_before, units_in
from grader.read.words.outlet_names import called, words_between
from grader.read.words.said import FILE, LINE, REMARKS, ROW, against, alone, alone_in_part, doubted, is_repeat, smells
from grader.read.words.spelling import alike, key
from grader.read.words.stated import is_label, stated
from grader.read.words.unclear import classes_of
from grader.read.words.verdicts import fails_counted, is_count_of_fails, parted, question, ticked

REMARK, ASKS, OF_VISIT, COUNT, KEY, LIST, REPEAT = "remark", "asks", "of visit", "count", "key", "list", "repeat"
_LONGEST_LIST = 300  # characters of a line that lists outlets
_LONGEST_TITLE = 6  # words of the title of a list
_LEAST_LISTED = 2  # words of a line that names an outlet and says what is wrong


@lru_cache(maxsize=50_000)
def kinds_of(text: str) -> frozenset[str]:
    """What a text may be.

    >>> sorted(kinds_of("see report 1714")), sorted(kinds_of("Failed: 1")), sorted(kinds_of("Tubes in date"))
    ([], ['count', 'of visit'], ['asks', 'of visit'])
    """
    return _kinds_of(alike(text))


@lru_cache(maxsize=50_000)
def _kinds_of(text: str) -> frozenset[str]:
    is_short = len(text) == 1 and not alone(text)
    return frozenset(kind for kind, is_one in _KINDS.items() if is_one(text) and not (is_short and kind in _OF_WORDS))


def _tells(text: str) -> bool:
    """Whether a text says anything, by its words alone."""
    if ticked(text) is not None or fails_counted(text) is not None:
        return False
    return bool(
        stated(text)
        or readings_in(text)
        or alone_in_part(text, whole=False)
        or against(text, ROW)
        or smells(text)
        or answers_badly(text)
        or called(text)
        or may_be_ill(text)
        or doubted(text)
        or is_label(text)
        or stands_before(text)
        or units_in(text)
        or any(map(str.isdigit, text))
        and "expire" in classes_of(text)
        or len(text.split()) > _LEAST_LISTED
        and REMARKS.say(text, "general.approved")  # of some, and not of others
    )


def _lists(text: str) -> bool:
    """Whether a text may be a line of outlets that may be used: "Released: B1, B2"."""
    told = len(text) <= _LONGEST_LIST and REMARKS.say(text, "clear.words", "general.approved")
    return told and not against(text, LINE)


_KINDS: dict[str, Callable[[str], object]] = {
    REMARK: _tells,
    ASKS: lambda text: asks(text) or says_ill(text),
    OF_VISIT: lambda text: ticked(text) or parted(text) or question(text),
    COUNT: lambda text: fails_counted(text) is not None or is_count_of_fails(text),
    KEY: meanings,
    LIST: _lists,
    REPEAT: is_repeat,
}
_OF_WORDS = (REMARK, ASKS, OF_VISIT, COUNT)  # of a sign by itself only where that says what is wrong


def titles(text: str) -> bool:
    """Whether a text may be the title of a list of what is not to be used.

    >>> titles("Outlets locked off"), titles("Hors service"), titles("Outlets")
    (True, True, False)
    """
    return len(text.split()) <= _LONGEST_TITLE and (asks(text) == "ill" or bool(against(text, FILE)))


def clears(text: str) -> bool:
    """Whether a title says nothing but that what stands below it may be used.

    >>> clears("Certificates"), clears("Freigegebene Stellen"), clears("Outlets"), clears("Certificates withdrawn")
    (True, True, False, False)
    """
    return _all_clear([w for w in REMARKS.words(text) if not w.isdigit()])


def cleared(text: str, names: Set[str], most: int) -> set[str]:
    """The outlets of a line that says that they passed, or holds nothing but outlets and words that clear them.

    names : of outlets, as compared. most : words of one, at most.
    """
    words, named, rest, at = [w for w in map(key, words_between(text)) if w], set(), [], 0
    while at < len(words):
        run = next((n for n in range(most, 0, -1) if "".join(words[at : at + n]) in names), 0)
        if run:
            named.add("".join(words[at : at + run]))
        else:
            rest.append(words[at])
        at += run or 1
    return named if REMARKS.standing(rest, "general.approved") or _all_clear(rest) else set()


def _all_clear(words: list[str]) -> bool:
    told = bool(REMARKS.standing(words, "clear.words"))
    return told and not REMARKS.outside(words, "clear.words", "clear.beside")
