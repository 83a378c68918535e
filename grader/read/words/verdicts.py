"""The answers of one column, or beside one question -> whether each says that an outlet passed.

Letters and signs mean nothing by themselves: the other answers of the column, or its heading, tell. Words are data
(data/verdicts.toml); what is not known among answers is no pass.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache, lru_cache
from typing import Any

from grader.problems import Unreadable
from grader.read.words.labels import choice
from grader.read.words.loose import loose_word, own_word
from grader.read.words.phrases import Lists
from grader.read.words.said import REMARKS
from grader.read.words.spelling import key

YES, NO, DOUBT = "yes", "no", "doubt"
PASSING, FAILING = "passing", "failing"
VERDICTS = Lists("verdicts.toml")
_LONGEST = 80


@cache
def _list(name: str) -> frozenset[str]:
    return frozenset(VERDICTS.spellings(name))


@lru_cache(maxsize=5_000)
def side(heading: str) -> str:
    """What a mark under a heading says: PASSING, FAILING, "" where the heading does not tell.

    >>> side("Passed"), side("Nicht best."), side("Non conforme"), side("Pass/Fail"), side("Result"), side("May be used / No")
    ('passing', 'failing', 'failing', '', '', 'failing')
    """
    if len(heading) > _LONGEST:
        return ""
    text, mark, last = heading.rpartition(" / ")
    if mark and key(last) in (*_list("yes.said"), *_list("no.denied")) and (above := side(text)):
        said_no = key(last) in _list("no.denied")
        return {PASSING: FAILING, FAILING: PASSING}[above] if said_no else above
    words = VERDICTS.words(choice(heading)[0])
    bad = VERDICTS.inside(words, "heading.failing")
    if bad:
        rest = [t for i, t in enumerate(words) if i not in bad]
        return FAILING if len(VERDICTS.inside(rest, "heading.filler")) == len(rest) else ""
    good = VERDICTS.inside(words, "heading.passing")
    return PASSING if good and not REMARKS.standing(words[: min(good)], "no.words") else ""


def may_be_both(heading: str) -> bool:
    """Whether a heading may stand over remarks and over verdicts: "Befund"."""
    return key(heading) in _list("heading.both")


def read(heading: str, values: Sequence[Any]) -> list[str | None]:
    """What each answer of a column says: YES, NO, DOUBT; None where it says nothing.

    >>> read("Status", ["pass", "C", "pass"]), read("Avis", ["C", "NC"]), read("OK", ["x", "x", "-"])
    (['yes', 'doubt', 'yes'], ['yes', 'no'], ['yes', 'yes', 'doubt'])
    >>> read("Fail", ["x", None, 0]), read("Result", ["pass", "x"]), read("Zustand", ["gut", "amber"])
    (['no', None, None], ['yes', 'doubt'], ['yes', 'doubt'])
    """
    way = side(heading)
    alone = [_alone(v) for v in values]
    if way == FAILING:
        return [None if said in (None, "") else _of_failing(v) for v, said in zip(values, alone)]
    _, yes, no = choice(heading)
    told = {key(yes): YES, key(no): NO} if yes else {}
    signs = {_sign(v) for v, said in zip(values, alone) if said == DOUBT} - {""}
    in_words = [v for v, said in zip(values, alone) if said == YES]
    no_signs = {_sign(v) or key(str(v)) for v, said in zip(values, alone) if said in (NO, "")}

    def meant(value: Any, said: str | None) -> str | None:
        sign = _sign(value)
        if said == DOUBT and sign:
            return told.get(key(sign)) or (YES if _is_yes(sign, way, signs, in_words, no_signs) else DOUBT)
        return said

    made = [meant(v, said) for v, said in zip(values, alone)]
    answered = YES in made
    return [(DOUBT if answered else None) if said == "" else said for said in made]


def _of_failing(value: Any) -> str | None:
    """What an answer under a heading for failing says: a yes, a tick and a word are a fail, a no says nothing."""
    if type(value) is not str:
        return NO if value else None
    if key(value) in _list("no.denied") or value.strip() in _list("no.empty"):
        return None
    return YES if own_word("own_verdict", value) == "pass" and key(value) not in _list("yes.said") else NO


def _is_yes(sign: str, way: str, signs: set[str], said_yes: Sequence[Any], no_signs: set[str]) -> bool:
    """Whether a letter or mark of a column without headings of its own is its sign for yes."""
    if said_yes:
        return sign.isalpha() and sign != "x" and all(key(str(v)).startswith(sign) for v in said_yes)
    if len(signs) > 1:
        return False
    paired = any(f"{sign} {other}" in _list("sign.pairs") for other in no_signs)
    return way == PASSING or paired or sign in _list("sign.usual")


def _sign(value: Any) -> str:
    """An answer of one letter or mark, "" for any other."""
    if type(value) in (int, float):
        return f"{value:g}" if value in (0, 1) else ""
    text = value.strip().casefold().rstrip(".") if type(value) is str else ""
    return text if text in _list("sign.marks") or len(text) == 1 and text.isalpha() else ""


@lru_cache(maxsize=20_000)
def _of_text(text: str) -> str:
    plain = text.strip().casefold()
    if plain in _list("no.blank") or not plain:
        return ""
    if plain in _list("yes.signs"):
        return YES
    if plain in _list("no.signs") or plain.rstrip(".") in _list("no.letters") or plain == "0":
        return NO
    if _sign(text):
        return DOUBT
    if (own := own_word("own_verdict", text)) is not None:
        return YES if own == "pass" else NO
    words = VERDICTS.words(text)
    yes = VERDICTS.inside(words, "yes.words")
    known = yes | VERDICTS.inside(words, "yes.covered") | {i for i, t in enumerate(words) if t.isdigit() and len(t) > 2}
    if words in (["100"], ["100", "pass"]) and "%" in text or yes and len(known) == len(words) and "?" not in text:
        return YES
    loose = loose_word("own_verdict", text)
    if loose is not None:
        return YES if loose == "pass" else NO
    return NO if VERDICTS.begin(words, "no.words") else DOUBT


def _alone(value: Any) -> str | None:
    """What an answer says by itself: YES, NO, "" for a sign that nothing is answered, DOUBT; None for a blank cell."""
    if value is None or isinstance(value, Unreadable):
        return None if value is None else DOUBT
    if type(value) is bool:
        return YES if value else NO
    if type(value) in (int, float):
        return NO if value == 0 else DOUBT
    return _of_text(value) if type(value) is str else DOUBT


def left_blank(values: Sequence[Any], answers: Sequence[Any]) -> list[int]:
    """Which cells of a column of verdicts are blank where most others, or ticks, say yes: those outlets were not passed.

    values : the cells as they stand. answers : what was read of them.

    >>> left_blank(["OK", "OK", None], ["pass", "pass", None]), left_blank(["OK", None, None], ["pass", None, None])
    ([2], [])
    """
    blank = [i for i, v in enumerate(answers) if v is None and values[i] is None]
    yes = [v for v, one in zip(values, answers) if one == "pass"]
    ticked = all(_sign(v) or type(v) is str and v.strip() in _list("yes.signs") for v in yes)
    return blank if yes and (ticked or len(yes) >= len(blank)) else []


def is_answer(value: Any) -> bool:
    """Whether a cell is a yes, a no or a sign for one, whatever stands over it."""
    return _alone(value) in (YES, NO, "") or _sign(value) != ""
