"""The answers of one column, or beside one question -> whether each says that an outlet passed.

Letters and signs mean nothing by themselves: the other answers of the column, or its heading, tell. Words are data
(data/verdicts.toml); what is not known among answers is no pass.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import cache, lru_cache
from typing import Any

from grader.data import load_toml
from grader.problems import Unreadable
from grader.read.shapes.tables import shown
from grader.read.words.answers import asks, is_yes
from grader.read.words.labels import Column, choice, kind_of
from grader.read.words.loose import LOOSE, chosen, denies, loose_word, own_word
from grader.read.words.outlet_names import numbers_in
from grader.read.words.phrases import Lists, any_of
from grader.read.words.said import REMARKS, against
from grader.read.words.signs import MARK, boxed, is_box, is_sign
from grader.read.words.signs import NO as CROSSED
from grader.read.words.spelling import key
from grader.read.words.unclear import classes_of

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
    rest = VERDICTS.outside(words, "heading.failing")
    if len(rest) < len(words):
        return "" if VERDICTS.outside(rest, "heading.filler") else FAILING
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
    >>> read("C/NC", ["C", "C"]), read("Verdict", ["C", "C"])
    (['yes', 'yes'], ['doubt', 'doubt'])
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
    no_signs.update(VERDICTS.words(heading))  # "C/NC"

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
    if key(value) in _list("no.denied") or is_sign(value, "empty") or value.strip("[( )]") == "":
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
    return text if is_sign(text, "either") or text in _list("sign.marks") or len(text) == 1 and text.isalpha() else ""


@lru_cache(maxsize=20_000)
def _of_text(text: str) -> str:
    plain = text.strip().casefold()
    if plain in _list("no.blank") or not plain:
        return ""
    if is_sign(text, "tick"):
        return YES
    if is_sign(text, *CROSSED, "empty") or plain.rstrip(".") in _list("no.letters") or plain == "0":
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
    if not VERDICTS.begin(words, "no.words"):
        return DOUBT
    return NO if len(words) == 1 or words[0] not in _list("no.denied") else DOUBT  # "no faults found"


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
    ticked = all(_sign(v) or is_sign(v, *MARK) for v in yes)
    return blank if yes and (ticked or len(yes) >= len(blank)) else []


_AS_VERDICT = {YES: "pass", NO: "fail"}
_LACKED = ("odour", "liquid_water")  # of what a heading may say that it is not there


def may_ask(c: Column) -> bool:
    """Whether a heading may say how it is answered, or is one of a verdict, a smell or water that is seen."""
    return "/" in c.text or not {*_LACKED, "own_verdict"}.isdisjoint(c.heading.candidates)


def as_answered(c: Column, values: list[Any]) -> list[Any]:
    """Cells below a heading that says how it is answered ("Conforme | O/N") with that yes and no written out.

    Where the heading itself says that there is none ("Odour free"), a yes is none of a smell, and neither a no is read nor
    what only says that something is not there ("absent").
    """
    rest, yes, no = choice(c.text)
    said = {key(yes): "yes", key(no): "no"} if yes else {}
    smell = "odour" in c.heading.candidates
    if not (said or smell or c.field == "own_verdict" or str in map(type, values)):
        return values
    if not said and smell and ("?" in c.text or "asked" in classes_of(c.text)):
        said = load_toml(LOOSE.file)["letters"]  # "Smell | N"; under "Odour" it may be that none was tested for
    made = [chosen(v) if type(v) is str else v for v in values]
    if said:
        made = [said.get(key(v), v) if type(v) is str else v for v in made]
    if c.field == "own_verdict":
        made = _as_verdicts(c.text, made)
    above = rest.replace("-", " ").strip(" ?:")
    free = [f for f in _LACKED if f in c.heading.candidates and loose_word(f, above) == "none"]
    crosses = (*CROSSED, "either") if free and any(is_sign(v, "tick") for v in made) else CROSSED
    for field in free:
        made = [_of_free(field, rest, v, crosses) for v in made]
    return made


def _of_free(field: str, heading: str, value: Any, crosses: tuple[str, ...]) -> Any:
    """A cell under a heading that says there is no smell, or no water.

    crosses : the kinds of signs that are no ticks in its column.
    """
    text = value if type(value) is str else ""
    if is_sign(value, *crosses) and field == "odour":
        return Unreadable(shown(value), "turned")
    if field == "odour" and (value is True or text and is_yes(text)):
        return "none"
    turned = value is False or key(text) in _list("no.of_a_test") or denies(field, text)
    if turned or "fail" in (own_word("own_verdict", text), loose_word("own_verdict", text)):
        return Unreadable(f"{heading}: {shown(value)}", "turned")
    return value


def _as_verdicts(heading: str, values: list[Any]) -> list[Any]:
    """Answers as verdicts: a word or sign that is no pass and no fail is not read."""
    made: list[Any] = []
    for value, said in zip(values, read(heading, values)):
        if type(value) is str and against(value) and said != NO:  # "Pass - coupling leaks"
            said = DOUBT
        if said == DOUBT and not isinstance(value, Unreadable):
            value = Unreadable(shown(value), "turned")
        made.append(_AS_VERDICT.get(said, value) if said else None)
    return made


def worst(headings: Sequence[str], lists: Sequence[list[Any]]) -> list[Any]:
    """Of several columns for a verdict: a fail in any is one; beside a column for fails a row that is ticked in none is no pass."""
    blank = Unreadable("", "turned") if {PASSING, FAILING} <= set(map(side, headings)) else None
    made: list[Any] = []
    for row in zip(*lists):
        filled = [v for v in row if v is not None]
        made.append(
            "fail" if "fail" in filled else next((v for v in filled if v != "pass"), filled[0] if filled else blank)
        )
    return made


def is_answer(value: Any) -> bool:
    """Whether a cell is a yes, a no or a sign for one, whatever stands over it."""
    return _alone(value) in (YES, NO, "") or _sign(value) != ""


_LONGEST_QUESTION = 8  # words
_MOST_BEFORE_A_BOX = 3  # words


@lru_cache(maxsize=20_000)
def question(text: str) -> str:
    """What answer to a question of a visit would speak against its tests: "good" a no, "ill" a yes; "" where it is none.

    >>> question("May be used"), question("Tubes in date"), question("Any outlet unsafe?"), question("Client present")
    ('good', 'good', 'ill', '')
    """
    words = VERDICTS.words(text)
    if not 0 < len(words) <= _LONGEST_QUESTION:
        return ""
    if VERDICTS.standing(words, "question.good"):
        return "good"
    if VERDICTS.standing(words, "question.ill"):
        return "ill"
    if side(text) == FAILING:
        return "ill"
    asked = asks(text)
    if asked or kind_of(text.rstrip(" :?")) == "verdict":
        return asked or "good"
    return "good" if side(text) == PASSING else ""


def answered(text: str, answer: Any) -> bool:
    """Whether an answer to a question speaks against the tests that it is about, by itself.

    >>> answered("Tubes in date", "no"), answered("Defects found", "yes"), answered("Problems", "none"), answered("Result", "fail")
    (True, True, False, True)
    """
    asked = question(text)
    if type(answer) is not str:
        return type(answer) is bool and asked != "" and answer is (asked == "ill")
    if asked == "ill":
        return key(answer) in _list("yes.said") or is_sign(answer, "tick")
    return asked == "good" and _of_text(answer) == NO


@lru_cache(maxsize=20_000)
def ticked(text: str) -> tuple[str, list[str]] | None:
    """(question, the answers that are ticked) of a text with several boxes; None where it has none.

    >>> ticked("Overall result: ☐ pass ☒ fail"), ticked("Conforme ☐  Non conforme ☐"), ticked("Yes [ ] No [X]"), ticked("Bay (2)")
    (('Overall result', ['fail']), ('', []), ('', ['No']), None)
    """
    label, answers, chosen = boxed(text) if len(text) <= _LONGEST else ("", (), ())
    long = bool(answers) and not label and len(VERDICTS.words(answers[0])) > _MOST_BEFORE_A_BOX
    return (label, list(chosen)) if answers and not long else None


def ticked_badly(label: str, chosen: Sequence[str]) -> bool:
    """Whether of the answers to a question one is ticked that speaks against its tests."""
    asked = question(label) if label else ""
    for answer in chosen:
        yes_or_no = key(answer) in (*_list("yes.said"), *_list("no.denied"))
        if answered(label, answer) or not yes_or_no and asked != "ill" and (_of_text(answer) == NO or against(answer)):
            return True
    return False


def parted(text: str) -> tuple[str, str] | None:
    """(question, answer) of a line that asks and answers: "Safe to use? N", "Problems: B1"; None where it is none.

    >>> parted("Any outlet unsafe? Y"), parted("Test date: 3 May"), parted("Reason for failure:")
    (('Any outlet unsafe', 'Y'), None, None)
    """
    if len(text) > _LONGEST or "?" not in text and ":" not in text:
        return None
    found = re.match(r"\s*([^:?]{2,60}?)\s*[:?]\s*(\S.*)", text)
    return (found[1], found[2].strip()) if found and question(found[1]) else None


def is_mark(value: Any) -> bool:
    """Whether a cell holds a mark that ticks and nothing else: "x", "✓", "[X]"."""
    return is_sign(value, *MARK) or is_box(value.strip()) if type(value) is str else value is True


def lists_verdicts(values: Sequence[str]) -> bool:
    """Whether among some words are one for a pass and one for none."""
    said = {_of_text(v) for v in values}
    return {YES, NO} <= said


@cache
def _counts() -> tuple[re.Pattern[str], ...]:
    """Patterns of counts: a of b; between two; a number behind or before a label; a rate."""
    of = any_of(_list("count.of"))
    return (
        re.compile(
            rf"(?<![\d.,/])(\d{{1,4}})(?:\s+[^\W\d_]{{4,}})?\s*(?:{of})\s*(\d{{1,4}})(?![\d.,/])", re.IGNORECASE
        ),
        re.compile(rf"\s*(?:[,;/]|\s[–-]|\b(?:{any_of(_list('count.and'))})\b)\s*", re.IGNORECASE),
        re.compile(r"([^\d:=]+?)\s*[:=]?\s*(\d{1,4})"),
        re.compile(r"(\d{1,4})\s*(?:[x×]\s+)?(\D+)"),
        re.compile(r"(\d{1,3}(?:[.,]\d+)?)\s*%"),
    )


def _labelled(part: str) -> tuple[str, int] | None:
    """(label, number) of a part that counts something."""
    *_, behind, before, _ = _counts()
    if found := behind.fullmatch(part):
        return found[1], int(found[2])
    return (found[2], int(found[1])) if (found := before.fullmatch(part)) else None


@lru_cache(maxsize=20_000)
def _both_sides(text: str) -> tuple[int, int] | None:
    """How many a line of several counts says that did not pass, and of how many; None where it is no such line."""
    made: dict[str, int] = {}
    for part in filter(None, _counts()[1].split(text)):
        if (told := _labelled(part)) is None:
            return None
        whole = VERDICTS.say(told[0], "count.tested", "count.whole") and not VERDICTS.say(told[0], "heading.passing")
        failing = side(told[0]) == FAILING or is_count_of_fails(told[0])
        way = FAILING if failing else side(told[0]) or ("whole" if whole else "")
        if not way or way in made:
            return None
        made[way] = told[1]
    tests = made.get("whole", sum(made.values()) if {PASSING, FAILING} <= made.keys() else 0)
    if len(made) < 2 or made.get(PASSING, 0) > tests:
        return None
    return max(made.get(FAILING, 0), tests - made[PASSING] if PASSING in made else 0), tests


@lru_cache(maxsize=20_000)
def fails_counted(text: str) -> tuple[int, int] | None:
    """How many outlets a line counts that did not pass, and of how many tests (0 where it does not say); None where it counts none.

    >>> fails_counted("Failed: 1"), fails_counted("5 tested, 4 passed"), fails_counted("5/6 OK"), fails_counted("Pass rate 83 %")
    ((1, 0), (1, 5), (1, 6), (1, 0))
    >>> fails_counted("Refusées : 0"), fails_counted("6 von 6 bestanden"), fails_counted("CO 5 ppm"), fails_counted("1 of 4 failed")
    ((0, 0), (0, 6), None, (1, 4))
    >>> fails_counted("Passed 4, failed 1"), fails_counted("bestanden: 3, nicht bestanden: 0"), fails_counted("total 6, ok 4")
    ((1, 5), (0, 3), (2, 6))
    """
    if len(text) > _LONGEST or not any(map(str.isdigit, text)) or numbers_in(text)[0]:
        return None
    plain = text.strip().rstrip(".!")
    part, *_, rate = _counts()
    if (both := _both_sides(plain)) is not None:
        return both
    found = part.search(plain)
    rest = f"{plain[: found.start()]} {plain[found.end() :]}" if found else plain
    words = [w for w in VERDICTS.words(rest) if not w.isdigit()]
    if found and len(words) <= _LONGEST_QUESTION:
        some, whole = int(found[1]), int(found[2])
        if is_count_of_fails(rest):
            return some, whole
        told = VERDICTS.inside(words, "heading.passing", "count.score")
        known = told | VERDICTS.inside(words, "count.tested", "heading.filler")
        return (whole - some, whole) if 0 < whole >= some and told and len(known) == len(words) else None
    if (told_alone := _labelled(plain)) and is_count_of_fails(told_alone[0]):
        return told_alone[1], 0
    if (found := rate.search(plain)) and VERDICTS.standing(words, "count.rate") and len(words) <= 3:
        return int(float(found[1].replace(",", ".")) < 100), 0
    return None


@lru_cache(maxsize=20_000)
def is_count_of_fails(label: str) -> bool:
    """Whether a label is of the number of outlets that did not pass: "Failed", "Number of rejects", "Durchgefallen"."""
    if any(map(str.isdigit, label)):
        return False  # it counts itself
    words = VERDICTS.words(label)
    rest = VERDICTS.outside(words, "count.number", "count.tested")
    return bool(rest) and (side(" ".join(rest)) == FAILING or not VERDICTS.outside(rest, "count.plural"))
