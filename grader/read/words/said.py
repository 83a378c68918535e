"""Texts of remarks and of lines around a table -> what they say against a pass, and the figures that they state.

Words are data (data/said.toml). A negation takes back what follows it; a sentence that states a rule ("if it fails, do
not use it") says nothing of a test.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from functools import cache, lru_cache
from typing import Any

from grader.data import load_toml
from grader.read.words.heading_words import key, stems
from grader.read.words.labels import is_placeholder
from grader.read.words.loose import loose_word
from grader.read.words.phrases import Phrases, phrases, phrases_of, standing

ROW, NAME, LINE, AROUND, TITLE = "row", "name", "line", "around", "title"
_OF_A_NAME = ("stop", "undone", "lapsed", "instrument", "trouble")
LONGEST = 2_000  # characters; a longer text is no remark
_TOKEN = re.compile(r"[^\W_]+")
_SENTENCE = re.compile(r"(?<=[^\d\W])[.!](?=\s|$)|[;\n•]")
_CLAUSE = re.compile(r"[,:()–]|\s-\s")
_SHORT = 5  # words up to which a line around a table that says "not tested" is about its tests
_REACH = 3  # words up to which a word of no takes back what follows
DATES = re.compile(
    r"(?<![\w])(?:\d{1,4}[./\-]\d{1,2}[./\-]\d{1,4}|\d{1,2}[./\-]\d{4}|\d{4}[./\-]\d{1,2}|(?:\d{1,2}\.?\s)?[^\W\d_]{3,9}\.?\s\d{4})(?![\w])"
)
_BOX = re.compile(r"[☐☒☑✓✔✗✘□■]|[\[(]\s*[xX]?\s*[\])]")
_TICKED = re.compile(r"[☒☑✓✔✗✘]|[\[(]\s*[xX]\s*[\])]")


def _at(tokens: Sequence[str], *path: str, file: str = "said.toml") -> list[tuple[int, int]]:
    """(first token, the token after the last) of every place at which one of a list of phrases stands."""
    return standing(tokens, phrases(_TOKEN, file, *path))


def _against() -> list[str]:
    said = load_toml("said.toml")
    rarer = (min(p["of"], p["ill"], key=len) for p in said["pair"].values())  # neither speaks without the other
    return [w for some in (*said["against"].values(), *rarer) for w in some]


@cache
def _telling() -> Phrases:
    """Phrases without one of which a text says nothing against a pass."""
    return phrases_of(_TOKEN, dict.fromkeys(_against()))


@cache
def _any() -> Phrases:
    """Phrases without one of which a text says nothing at all of a test."""
    stated = [f"{w}*" for name in _CLASSES for w in stems().get(name, ())]
    words = (*stated, *load_toml("loose_words.toml")["said_of"]["odour"], *load_toml("said.toml")["cold"]["words"])
    return phrases_of(_TOKEN, dict.fromkeys((*_against(), *words)))


_CLASSES = ("expire", "due", "need", "allow", "static")


@lru_cache(maxsize=50_000)
def may_tell(text: str) -> bool:
    """Whether a text may say anything of a test, by its words: cheap, wrong only on the side of yes."""
    return len(text) <= LONGEST and bool(standing(_words(text), _any()))


def _words(text: str) -> list[str]:
    return [key(t) for t in _TOKEN.findall(text)]


def says(text: str, *path: str) -> bool:
    """Whether a phrase of a list of data/said.toml stands in a text."""
    return bool(_at(_words(text), *path))


@lru_cache(maxsize=50_000)
def against(text: str, where: str = ROW) -> str:
    """What a text says against a pass, "" where nothing.

    where : ROW, a cell of a test's own row; NAME, of an outlet or a place; LINE, one that stands alone within a form or
            between tests; AROUND, outside of them; TITLE, the name of a file or sheet.

    >>> against("valve ok. DO NOT USE"), against("no fail"), against("not condemned"), against("fail-safe valve")
    ('DO NOT USE', '', '', '')
    >>> against("FAIL = above limit", AROUND), against("Do not use air that has failed", AROUND)
    ('', '')
    >>> against("all tubes expired 2024", AROUND), against("Conclusion: Air NOT fit", AROUND)
    ('all tubes expired 2024', 'Conclusion: Air NOT fit')
    """
    if len(text) > LONGEST or not standing(_words(text), _telling()):
        return ""
    for sentence in _SENTENCE.split(text):
        if sentence and not sentence.isspace() and _speaks(sentence, where):
            return " ".join(sentence.split())
    return ""


_ANSWER = re.compile(r"[:?]\s*([^\W\d_]+)\W*$")


def _speaks(sentence: str, where: str) -> bool:
    if (answer := _ANSWER.search(sentence)) and _at(_words(answer[1]), "no", "none"):
        return False  # "Leaks: none", "Outlet failed? No"
    tokens = _words(sentence)
    lists: list[tuple[str, ...]] = [
        ("against", g) for g in _groups(where) if g != "undone" or where != AROUND or len(tokens) <= _SHORT
    ]
    lists += [("pair", kind, "ill") for kind in load_toml("said.toml")["pair"] if where not in (NAME, TITLE)]
    if where == LINE and _at(tokens, "general", "plural"):
        lists.remove(("against", "row"))  # "Values above the limit are marked"
    clauses = [_words(clause) for clause in _CLAUSE.split(sentence)]
    found = {path: hits for path in lists if (hits := _hits(clauses, path))}
    hits = [h for some in found.values() for h in some]
    if not hits:
        return False
    inside = {i for first, stop in [*hits, *_at(tokens, "general", "report")] for i in range(first, stop)}
    rest = [t for i, t in enumerate(tokens) if i not in inside]
    if (
        _at(rest, "general", "rule")
        and (where != ROW or any(path[-1] in _RULED for path in found))
        or where in (LINE, AROUND)
        and ("=" in sentence or _at(rest, "general", "around") or _at(tokens[:1], "general", "article"))
    ):
        return False
    if _at(rest, "general", "pass") and (_is_legend(sentence, tokens) or _other_is_ticked(sentence)):
        return False
    if where != AROUND:
        return True
    of_all = False  # "Failed outlets are tagged out of service"
    for first, stop in _joined(hits):
        stops = bool(_at(tokens[first:stop], "against", "stop"))
        if _is_count(tokens, first, stop) or of_all and stops:
            continue
        if _is_firm(tokens, first, stop):
            return True
        if stops and stop - first > 1:
            return False  # a caution: what follows is what it is about
        of_all = of_all or bool(_at(tokens[stop : stop + 1], "general", "plural"))
    return False


def _joined(hits: Iterable[tuple[int, int]]) -> list[tuple[int, int]]:
    """Places in order, those that overlap as one: "taken out of service" is one phrase."""
    made: list[tuple[int, int]] = []
    for first, stop in sorted(hits):
        if made and first <= made[-1][1]:
            made[-1] = (made[-1][0], max(stop, made[-1][1]))
        else:
            made.append((first, stop))
    return made


def _groups(where: str) -> tuple[str, ...]:
    every = tuple(load_toml("said.toml")["against"])
    some = {NAME: _OF_A_NAME, AROUND: tuple(g for g in every if g != "row"), TITLE: ("void",)}
    return some.get(where, every)


# What speaks no more where it has been mended, or was so once.
_MENDED = ("verdict", "instrument", "lapsed", "trouble", "ill")
_ONCE = ("verdict", "ill")
# What a rule may say of a test to come ("if it fails, do not use"); anything else beside a word of one is a report.
_RULED = ("verdict", "stop")


def _hits(clauses: list[list[str]], path: tuple[str, ...]) -> list[tuple[int, int]]:
    """Where in a sentence (tokens) phrases of a list stand that nothing takes back; what is ill of a pair only beside its thing."""
    made: list[tuple[int, int]] = []
    before = 0
    for tokens in clauses:
        found = [] if path[0] == "pair" and not _at(tokens, *path[:-1], "of") else _at(tokens, *path)
        apart = {i for first, stop in _at(tokens, "apart", "words") for i in range(first, stop)} if found else ()
        mended = path[-1] in _MENDED and found and _at(tokens, "general", "mended")
        optional = path[-1] == "undone" and found and _at(tokens, "general", "optional")
        for first, stop in [] if mended or optional else found:
            if any(i in apart for i in range(first, stop)) or _taken_back(tokens, first, stop):
                continue
            if path[-1] in _ONCE and _at(tokens[first - 1 : first], "no", "once"):
                continue
            made.append((before + first, before + stop))
        before += len(tokens)
    return made


def _taken_back(tokens: list[str], first: int, stop: int) -> bool:
    """Whether a word of no stands before, or a count of nothing beside."""
    near, before = tokens[max(first - _REACH, 0) : first], tokens[first - 1 : first]
    return bool(_at(near, "no", "words") or _at(before, "no", "none") or "0" in tokens[stop:])


def _is_legend(sentence: str, tokens: list[str]) -> bool:
    """Whether a sentence is a list of what signs mean, or of boxes none of which is ticked beside the worse word."""
    known = {i for first, stop in _at(tokens, "general", "legend") for i in range(first, stop)}
    return len(known) == len(tokens) and not _TICKED.search(sentence)


def _other_is_ticked(sentence: str) -> bool:
    """Whether of boxes beside words only that of a word that passes is ticked: "☒ Pass ☐ Fail"."""
    parts = [p for p in _BOX.split(sentence) if p.strip()]
    boxes = _BOX.findall(sentence)
    if len(boxes) != len(parts):
        return False
    ticked = [p for p, box in zip(parts, boxes) if _TICKED.search(box)]
    return bool(ticked) and all(says(p, "general", "pass") and not says(p, "against", "verdict") for p in ticked)


def _is_count(tokens: list[str], first: int, stop: int) -> bool:
    """Whether words are a count: "2 failed", "3 of 20 failed", "Failed: 2"."""
    before = first > 0 and tokens[first - 1].isdigit() and (first == 1 or tokens[first - 2] in ("of", "von", "sur"))
    behind = len(tokens) == stop + 1 and tokens[stop].isdigit() and len(tokens[stop]) < 4
    return before or behind and not _at(tokens[first:stop], "against", "trouble")  # "multiply by 10"


def _is_firm(tokens: list[str], first: int, stop: int) -> bool:
    """Whether words outside of a test's own cells are a statement: no caution, no legend."""
    behind, phrase = tokens[stop:], tokens[first:stop]
    if _at(phrase, "against", "stop") and len(phrase) > 1:
        return not behind or bool(_at(behind[:1], "general", "firm")) or behind[0].isdigit()
    if _at(phrase, "against", "void"):
        return True
    if _at(behind[:1], "general", "plural"):
        return any(t.isdigit() for t in behind)
    if _at(tokens[:first], "general", "article") and not _at(phrase, "against", "verdict"):
        return False
    if first == 0 and behind and _at(behind, "general", "limits"):
        return any(t.isdigit() for t in behind)
    return not (_at(tokens[max(first - 2, 0) : first], "general", "article") and behind)


_LONGEST_QUESTION = 60
SIGNS = frozenset("☠⚠⛔❌🔴👎🚫🛑⚡✋")  # of danger, or of what is not to be
TICK = re.compile(r"[xX✓✔☑☒✗✘×]")
_CROSS = re.compile(r"[✗✘×]")


@cache
def _asking() -> Phrases:
    answer = load_toml("said.toml")["answer"]
    return phrases_of(_TOKEN, dict.fromkeys((*answer["ill"], *answer["good"])))


@lru_cache(maxsize=20_000)
def asks(heading: str) -> str:
    """Which answer under a heading would speak against a pass: "good" a no, "ill" anything but a no; "" where none would.

    >>> asks("Sample valid"), asks("CO alarm during test"), asks("Alarm set point"), asks("Signed by customer")
    ('good', 'ill', '', '')
    """
    if len(heading) > _LONGEST_QUESTION:
        return ""
    tokens = [t for t in _words(heading) if not t.isdigit()]  # "Pass (1) / fail (0)"
    if not standing(tokens, _asking()):
        return ""
    ill = _at(tokens, "answer", "ill")
    known = {i for first, stop in [*ill, *_at(tokens, "answer", "filler")] for i in range(first, stop)}
    if ill and len(known) == len(tokens):
        return "ill"
    good = _at(tokens, "answer", "good")
    return "good" if any(not _taken_back(tokens, first, stop) for first, stop in good) else ""


def answered_badly(heading: str, answer: Any) -> bool:
    """Whether an answer under a heading that asks speaks against a pass.

    >>> answered_badly("Sample valid", "n"), answered_badly("Alarm", "none"), answered_badly("Alarm", "high CO")
    (True, False, True)
    """
    asked = asks(heading)
    if type(answer) is not str:
        return asked == "good" and answer is False or asked == "ill" and answer is True
    tokens = _words(answer)
    if asked == "good":
        return bool(_CROSS.fullmatch(answer.strip())) or any(first == 0 for first, _ in _at(tokens, "answer", "no"))
    told = tokens or TICK.fullmatch(answer.strip())
    fine = any(first == 0 for first, _ in _at(tokens, "answer", "fine")) or any(c.isdigit() for c in answer)
    return asked == "ill" and bool(told) and not fine and not is_placeholder(answer)


def answered_well(answer: Any) -> bool:
    """Whether an answer to a question about the test says that all is well: yes, a tick, OK, a figure, or nothing at all.

    >>> answered_well("Ja"), answered_well("pass"), answered_well("✓"), answered_well("HOLD"), answered_well("pending")
    (True, True, True, False, False)
    """
    if type(answer) is not str:
        return answer is True
    tokens = _words(answer)
    fine = any(first == 0 for first, _ in _at(tokens, "answer", "fine")) or says(answer, "general", "approved")
    return is_yes(answer) or fine or any(map(str.isdigit, answer)) or is_placeholder(answer)


_MOST_OF_A_DAY = 4  # words: "closed on 3 May 2026"
_PARTS = re.compile(r"[\s,;:/()–-]+")
_LONGEST_ALONE = 30  # signs
_LEAST_NAME = 4  # signs of a name that is looked for within a text, but for one of a letter and a figure


def words_between(text: str) -> list[str]:
    """The words of a line in which outlets may be named."""
    return _PARTS.split(text)


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


def of_more(text: str) -> bool:
    """Whether a text that names outlets speaks of more: of all or the others, or of numbers that follow ("Bay 2/3").

    >>> of_more("All passed except P2"), of_more("All condemned except P2"), of_more("Bay 2/3 condemned"), of_more("P2 shut")
    (False, True, True, False)
    """
    if _NUMBERS.search(DATES.sub(lambda day: " " if re.search(r"\d\d", day[0]) else day[0], text)):
        return True
    fine = says(text, "general", "except") and says(text, "general", "approved")
    ill = any(says(text, "against", g) for g in load_toml("said.toml")["against"] if g != "row")
    return speaks_of_all(text) and (not fine or ill)


_NUMBERS = re.compile(r"\d\s*(?:[/&+,–-]|and|und|et)\s*\d", re.IGNORECASE)


def begins_with(text: str, outlet: str) -> bool:
    """Whether a text begins with the name of the outlet that it speaks of: "P2: shut"."""
    return text.lstrip().casefold().startswith(outlet.casefold()) and text.lstrip()[len(outlet) :].lstrip()[
        :1
    ] in tuple(":-–=")


def spanned(text: str, outlets: Sequence[str]) -> set[int]:
    """The outlets between two that a text names as the ends of a range, or from one on: "P2 to P4", "from P2 on".

    >>> sorted(spanned("P2 to P4: meter off", ["P1", "P2", "P3", "P4", "P5"])), spanned("P2 and P4", ["P2", "P3", "P4"])
    ([1, 2, 3], set())
    """
    plain = " ".join(text.casefold().split())
    found = sorted((at, i) for i, name in enumerate(outlets) if name and (at := plain.find(name.casefold())) >= 0)
    inside: set[int] = set()
    for (at, first), (other, last) in zip(found, found[1:]):
        between = plain[at + len(outlets[first]) : other].strip()
        if first < last and (
            between in ("-", "–", "—") or [between] in ([w] for w in load_toml("said.toml")["span"]["to"])
        ):
            inside.update(range(first, last + 1))
    for at, first in found[:1]:
        before, behind = plain[:at].rstrip(), plain[at + len(outlets[first]) :].lstrip(" ,:;")
        if any(before.endswith(w) for w in load_toml("said.toml")["span"]["from"]) or any(
            behind.startswith(w) for w in load_toml("said.toml")["span"]["on"]
        ):
            inside.update(range(first, len(outlets)))
    return inside


@lru_cache(maxsize=20_000)
def alone(text: str, name: str = "", *, whole: bool = True) -> str:
    """A remark of a few words that are nothing but one for what is wrong ("shut", "it stank", "??"); "" for any other.

    name : of an outlet that may stand in it. whole : whether such a word is to be all that it says.

    >>> alone("Shut!"), alone("??"), alone("not shut"), alone("lid shut"), alone("P2: shut", "P2")
    ('Shut!', '??', '', '', 'P2: shut')
    """
    tokens = _words(text) if len(text) <= _LONGEST_ALONE else []
    for own in _words(name):
        tokens = [t for t in tokens if t != own]
    if not tokens:
        ill = (
            "?" in text
            and (name or set(text) <= set("?! "))
            or not SIGNS.isdisjoint(text)
            or _CROSS.fullmatch(text.strip())
        )
        return text.strip() if ill else ""
    if "??" in text or not SIGNS.isdisjoint(text) or not whole and "?" in text or tokens[-1:] and _denied(text):
        return " ".join(text.split())
    said = _at(tokens, "alone", "words") or [(0, 1)] * (
        len(tokens) == 1 < len(tokens[0]) and says(text, "answer", "no")
    )
    known = {i for first, stop in [*said, *_at(tokens, "alone", "filler")] for i in range(first, stop)}
    fine = any(_taken_back(tokens, first, stop) for first, stop in said)
    return " ".join(text.split()) if said and not fine and len(known) >= len(tokens) * whole else ""


def titled(name: str) -> str:
    """What the name of a file or sheet says against all that it holds, "" where nothing.

    >>> titled("VOID 2026-03"), titled("Übung"), titled("Training centre, bay 2"), titled("Visit 12 cancelled")
    ('VOID 2026-03', 'Übung', '', 'Visit 12 cancelled')
    """
    rest = [t for t in _words(name) if not t.isdigit()]
    whole = (0, len(rest)) in _at(rest, "alone", "title")
    return " ".join(name.split()) if whole or against(name, TITLE) else ""


_PART = re.compile(r"(\d+)\s*(?:/|of|out of|von|sur|points? sur)\s*(\d+)\b", re.IGNORECASE)


def answers_badly(text: str) -> bool:
    """Whether a line answers its own question badly: "Fit for breathing: NO", "3 of 4 outlets passed".

    >>> answers_badly("Fit for breathing: NO"), answers_badly("3 of 4 outlets passed"), answers_badly("4 of 4 passed")
    (True, True, False)
    """
    label, mark, answer = text.rpartition(":")
    if mark and len(_words(answer)) == 1 and answered_badly(label, answer.strip()):
        return True
    part = _PART.search(text)
    return part is not None and 0 < int(part[2]) > int(part[1]) and says(text, "general", "approved")


def _denied(text: str) -> bool:
    """Whether a text takes back at its end what it says: "pass - NOT"."""
    said, mark, last = text.rpartition("-")
    return bool(mark) and says(said, "general", "pass") and says(last, "no", "words")


def may_be_ill(text: str) -> bool:
    """Whether a few words may be what is wrong with the thing that their heading names."""
    return len(text) <= _LONGEST_QUESTION and says(text, "pair", "test", "ill")


def called(outlet: str) -> str:
    """What the name of an outlet says against it, in brackets or behind a dash: "P2 (shut)", "P2 - NOT TESTED", "P2 ??".

    >>> called("P2 (shut)"), called("P2 ??"), called("P2 FAIL"), called("Bay (closed loop)"), called("Bay 2 - north")
    ('P2 (shut)', 'P2 ??', 'P2 FAIL', '', '')
    """
    last = " ".join(outlet.split()[1:])
    parts = re.split(r"[(\[:]|\s[-–]\s", outlet)[1:]
    parts += [last] * ((last.isupper() or "." in last) and says(last, "alone", "words"))
    return (
        outlet
        if "??" in outlet or not SIGNS.isdisjoint(outlet) or _CROSS.search(outlet) or any(map(alone, parts))
        else ""
    )


def is_yes(answer: str) -> bool:
    """Whether an answer is a yes or a tick.

    >>> is_yes("Ja"), is_yes("✓"), is_yes("open")
    (True, True, False)
    """
    return bool(TICK.fullmatch(answer.strip())) or _words(answer) in (
        [w] for w in load_toml("said.toml")["answer"]["yes"]
    )


def put_right(text: str, heading: bool = False) -> bool:
    """Whether a text is a word for what has been put right, or that and its day; as a heading, also with a short word behind.

    >>> put_right("Closed 12 May"), put_right("to be replaced"), put_right("Replaced hose leaks again")
    (True, False, False)
    >>> put_right("Fixed on"), put_right("Fixed on", heading=True)
    (False, True)
    """
    tokens = _words(text) if len(text) <= _LONGEST_QUESTION else []
    rest = tokens[1:]
    dated = not rest or len(rest) <= _MOST_OF_A_DAY and any(t.isdigit() for t in rest) or heading and len(rest) == 1
    return dated and any(first == 0 for first, _ in _at(tokens, "answer", "closed"))


def speaks_of_all(text: str) -> bool:
    """Whether a text that names one outlet speaks of all, or of the others: "P1 is good, all others condemned"."""
    return says(text, "general", "all")


@lru_cache(maxsize=50_000)
def smells(text: str) -> str:
    """A remark that speaks of a smell, though another cell is for that; "" where it does not, or says none."""
    spoken = _at(_words(text), "said_of", "odour", file="loose_words.toml")
    return text if spoken and len(text) <= 60 and loose_word("odour", text) in ("slight", "marked") else ""
