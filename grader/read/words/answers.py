"""Headings and lines that ask, and what their answers say against a pass. Words are data ([answer] of data/said.toml)."""

from __future__ import annotations

import re
from functools import cache, lru_cache
from typing import Any

from grader.read.words.labels import is_placeholder
from grader.read.words.phrases import any_of
from grader.read.words.said import REMARKS, against, alone, sentences, taken_back
from grader.read.words.signs import MARK, NO, is_sign

_LONGEST_QUESTION = 60
_MOST_OF_A_DAY = 4  # words: "closed on 3 May 2026"


@lru_cache(maxsize=20_000)
def asks(heading: str) -> str:
    """Which answer under a heading would speak against a pass: "good" a no, "ill" anything but a no; "" where none would.

    >>> asks("Sample valid"), asks("CO alarm during test"), asks("Alarm set point"), asks("Signed by customer")
    ('good', 'ill', '', '')
    >>> asks("No leaks"), asks("Compressor running during test"), asks("Lift running"), asks("Working area")
    ('good', 'good', '', '')
    """
    if len(heading) > _LONGEST_QUESTION or REMARKS.say(heading, "general.other"):
        return ""
    words = [w for w in REMARKS.words(heading) if not w.isdigit()]  # "Pass (1) / fail (0)"
    found = REMARKS.standing(words, "answer.ill", "answer.good")
    ill = [(s.first, s.stop) for s in found if s.of == "answer.ill"]
    if ill and not REMARKS.outside(words, "answer.ill", "answer.filler"):
        return "good" if all(taken_back(words, *place) for place in ill) else "ill"  # "No leaks"
    found += REMARKS.standing(words, "answer.state") if _ends_in_state(words) else []
    good = any(of != "answer.ill" and not taken_back(words, first, stop) for first, stop, of in found)
    return "good" if good else ""


def _ends_in_state(words: list[str]) -> bool:
    """Whether words are a state that something of the test should be in, and may name it: "Compressor running during test"."""
    state = REMARKS.standing(words, "answer.state")
    before, behind = (words[: state[0].first], words[state[0].stop :]) if state else ([], [])
    of_test = not before or REMARKS.standing(before, "pair.test.of", "general.lasting")
    return bool(state and of_test) and len(REMARKS.inside(behind, "answer.filler")) == len(behind)


_SERIAL = re.compile(r"[A-Za-z]{1,3}-?\d{2,}")  # a number of something: "NC-101"


def answered_badly(heading: str, answer: Any) -> bool:
    """Whether an answer under a heading that asks speaks against a pass.

    >>> answered_badly("Sample valid", "n"), answered_badly("Alarm", "none"), answered_badly("Alarm", "high CO")
    (True, False, True)
    """
    asked = asks(heading)
    if type(answer) is not str:
        return asked == "good" and answer is False or asked == "ill" and answer is True
    words = REMARKS.words(answer)
    if asked == "good":
        return is_sign(answer, *NO) or REMARKS.begin(words, "answer.no") and not _SERIAL.fullmatch(answer.strip())
    if not asked and is_yes(answer):
        return says_ill(heading)
    told = words or is_sign(answer, *MARK)
    fine = REMARKS.begin(words, "answer.fine") or any(c.isdigit() for c in answer)
    return asked == "ill" and bool(told) and not fine and not is_placeholder(answer)


def says_ill(heading: str) -> bool:
    """Whether a yes to a heading speaks against a pass, by what the heading says itself.

    >>> says_ill("Hose tied back"), says_ill("Closed cabinet"), says_ill("Leaks repaired")
    (True, False, False)
    """
    is_short = len(heading) <= _LONGEST_QUESTION and not any(map(str.isdigit, heading))
    return is_short and bool(against(heading) or alone(heading, remark=False))


def answered_well(answer: Any) -> bool:
    """Whether an answer to a question about the test says that all is well: yes, a tick, OK, a figure, or nothing at all.

    >>> answered_well("Ja"), answered_well("pass"), answered_well("✓"), answered_well("HOLD"), answered_well("pending")
    (True, True, True, False, False)
    """
    if type(answer) is not str:
        return answer is True
    fine = REMARKS.begin(REMARKS.words(answer), "answer.fine") or REMARKS.say(answer, "general.approved")
    return is_yes(answer) or fine or any(map(str.isdigit, answer)) or is_placeholder(answer)


def is_yes(answer: str) -> bool:
    """Whether an answer is a yes or a tick.

    >>> is_yes("Ja"), is_yes("✓"), is_yes("open")
    (True, True, False)
    """
    return is_sign(answer, *MARK) or REMARKS.words(answer) in ([w] for w in REMARKS.spellings("answer.yes"))


@cache
def _part() -> re.Pattern[str]:
    """A part of a count: "3 of 4"."""
    return re.compile(rf"(\d+)\s*(?:/|{any_of(REMARKS.spellings('span.of'))})\s*(\d+)\b", re.IGNORECASE)


def answers_badly(text: str) -> bool:
    """Whether a line answers its own question badly: "Fit for breathing: NO", "3 of 4 outlets passed".

    >>> answers_badly("Fit for breathing: NO"), answers_badly("3 of 4 outlets passed"), answers_badly("4 of 4 passed")
    (True, True, False)
    """
    label, mark, answer = text.rpartition(":")
    label = (sentences(label) or [""])[-1]
    if mark and len(REMARKS.words(answer)) == 1 and answered_badly(label, answer.strip()):
        return True
    part = _part().search(text)
    return part is not None and 0 < int(part[2]) > int(part[1]) and REMARKS.say(text, "general.approved")


def may_be_ill(text: str) -> bool:
    """Whether a few words may be what is wrong with the thing that their heading names."""
    return len(text) <= _LONGEST_QUESTION and REMARKS.say(text, "pair.test.ill")


@lru_cache(maxsize=20_000)
def put_right(text: str, heading: bool = False) -> bool:
    """Whether a text is a word for what has been put right, or that and its day; as a heading, also with a short word behind.

    >>> put_right("Closed 12 May"), put_right("to be replaced"), put_right("Replaced hose leaks again")
    (True, False, False)
    >>> put_right("Fixed on"), put_right("Fixed on", heading=True)
    (False, True)
    >>> put_right("Until", heading=True), put_right("until 3 May")
    (True, False)
    """
    words = REMARKS.words(text) if len(text) <= _LONGEST_QUESTION else []
    lists = ("answer.closed", "answer.ended") if heading else ("answer.closed",)
    rest = words[max((s.stop for s in REMARKS.standing(words, *lists) if s.first == 0), default=0) :]
    dated = not rest or len(rest) <= _MOST_OF_A_DAY and any(w.isdigit() for w in rest) or heading and len(rest) == 1
    return dated and len(rest) < len(words)
