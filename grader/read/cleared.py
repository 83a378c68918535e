"""Lists of the outlets that may be used (`Released: B1, B2`, a sheet of certificates), and whom they leave out."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import lru_cache

from grader.problems import Table
from grader.read.sayings import Cells, Said, outlets_of
from grader.read.shapes.tables import shown, whole
from grader.read.words.outlet_names import words_between
from grader.read.words.said import LINE, REMARKS, against
from grader.read.words.spelling import key

_LONGEST = 300  # characters of a line that lists outlets
_LEAST = 2  # outlets of a list


def clears(text: str) -> bool:
    """Whether a title says nothing but that what stands below it may be used.

    >>> clears("Certificates"), clears("Freigegebene Stellen"), clears("Outlets"), clears("Certificates withdrawn")
    (True, True, False, False)
    """
    words = [w for w in REMARKS.words(text) if not w.isdigit()]
    known = REMARKS.inside(words, "clear.words", "clear.beside")
    return len(known) == len(words) and bool(REMARKS.standing(words, "clear.words"))


def lists_of(cells: Cells, tests: Iterable[int]) -> list[Said]:
    """The lines of a sheet that may list outlets to be used, and the columns of one that is called so. tests : rows of tests."""
    found = cells.outside(set(filter(_may_list, cells.every())), set(tests))
    made = [Said(cells.place(at), text, lists=((text,),)) for at, text in found]
    if not cells.tables and clears(cells.name):
        columns = tuple(tuple(v for v in map(whole, line) if type(v) is str) for line in zip(*cells.grid.rows))
        made.append(Said(cells.place((0, 0)), cells.name, lists=columns))
    return made


@lru_cache(maxsize=20_000)
def _may_list(text: str) -> bool:
    return len(text) <= _LONGEST and REMARKS.say(text, "clear.words") and not against(text, LINE)


def with_outlets(found: Sequence[Said], tables: Sequence[Table]) -> list[Said]:
    """What is said, with the outlets that each list names among those of a workbook; lists of fewer than two are none."""
    if not any(s.lists for s in found):
        return list(found)
    shown_names = {shown(n) for t in tables for n in outlets_of(t) if n is not None}
    names = {key(n) for n in shown_names} - {""}
    most = max((len(words_between(n)) for n in shown_names), default=1)
    return [s if not s.lists else _resolved(s, names, most) for s in found]


def _resolved(said: Said, names: set[str], most: int) -> Said:
    line = len(said.lists) == 1 == len(said.lists[0])
    named = [_named(said.text, names, most)] if line else [names & set(map(key, column)) for column in said.lists]
    best = max(named, key=len, default=set())
    told = len(best) >= _LEAST and len(best) < len(names)
    return said._replace(cleared=frozenset(best), of_one=f"left out: {said.text}") if told else said._replace(lists=())


def _named(text: str, names: set[str], most: int) -> set[str]:
    """The outlets of a line that holds nothing but outlets and words that clear them."""
    words, named, rest, at = [w for w in map(key, words_between(text)) if w], set(), [], 0
    while at < len(words):
        run = next((n for n in range(most, 0, -1) if "".join(words[at : at + n]) in names), 0)
        if run:
            named.add("".join(words[at : at + run]))
        else:
            rest.append(words[at])
        at += run or 1
    known = REMARKS.inside(rest, "clear.words", "clear.beside")
    return named if len(known) == len(rest) and REMARKS.standing(rest, "clear.words") else set()
