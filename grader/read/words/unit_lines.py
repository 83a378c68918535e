"""Lines of a sheet that tell the units of its columns: "Units: O2 in %, CO and CO2 in ppm, pressure bar"."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache
from types import MappingProxyType
from typing import Any

from grader.read.words.heading_words import heading_words, word_keys
from grader.read.words.headings import kind_of
from grader.read.words.labels import READINGS, label
from grader.read.words.spelling import key
from grader.read.words.units import belongs, canonical

_LONGEST = 300
_LONGEST_UNIT = 3  # words
_CLAUSE = re.compile(r"[,;|]|\s/\s")
_NONE: Mapping[str, str] = MappingProxyType({})
_WATER = ("water_tube_mg_m3", "water_mg_m3")
Row = Sequence[Any]


def units_told(rows: Sequence[Row], first: int, last: int, headings: frozenset[str]) -> Mapping[str, str]:
    """Field -> the unit (canonical) that lines of a sheet tell of its only table; nothing that another text puts in doubt.

    rows     : of the whole sheet. first, last : positions of the first and the last row of the table.
    headings : of the table, as they are compared.
    """
    outside = [*range(min(first, len(rows))), *range(last + 1, len(rows))]
    lines = {i: line for i in outside if (line := _line(rows[i]))}
    if not lines:
        return _NONE
    if not all(_stands_with(rows, i, first, last, lines) for i in lines):
        return _NONE
    told: dict[str, set[str]] = {}
    for line in lines.values():
        for field, units in told_in(line, headings).items():
            told.setdefault(field, set()).update(units)
    if any(len(units) > 1 for units in told.values()):
        return _NONE
    sure = {field: min(units) for field, units in told.items()}
    for text in {v for i in outside if i not in lines for v in rows[i] if type(v) is str}:
        if _is_of_units(text):
            return _NONE
        for field in _said_otherwise(text, sure):
            sure.pop(field, None)
    return sure


def _line(row: Row) -> str:
    """A row that is a line of units, as one text; "" where it is none."""
    filled = [v for v in row if v is not None]
    if not filled or type(filled[0]) is not str or not (name := _label(filled[0])):
        return ""
    cells = [filled[0][len(name) :], *map(str, filled[1:])]
    return f"{name}: {', '.join(c.strip(' ,;:') for c in cells)}" if any(map(_units_in, cells)) else ""


def _label(text: str) -> str:
    """What stands before the colon of a line of units, "" where it is none."""
    before, colon, _ = text.partition(":")
    return before if kind_of(before if colon else text) == "unit" else ""


def _stands_with(rows: Sequence[Row], at: int, first: int, last: int, lines: Mapping[int, str]) -> bool:
    """Whether a line of units stands directly over a table or under it, and under no other one nor its title."""

    def filled(i: int) -> int:
        return 0 if i in lines else len(rows[i]) - rows[i].count(None)

    if at > last:
        return not any(map(filled, range(last + 1, at))) and (at + 1 == len(rows) or filled(at + 1) < 2)
    if any(filled(i) > 1 for i in range(at + 1, first)):
        return False
    for i in range(at - 1, -1, -1):
        if i in lines:
            continue
        if not filled(i):
            break
        cells = [v for v in rows[i] if v is not None]
        found = [label(v) for v in cells]
        if len(cells) == 1:
            if type(cells[0]) is not str or kind_of(cells[0]):
                return False
            apart = not all(filled(row) or row in lines for row in range(at, first))
            if apart and not found[0] and any(map(filled, range(i))):  # the title of another table
                return False
        elif not found[0] or any(c and not READINGS.isdisjoint(c.heading.candidates) for c in found):
            return False
    return True


@lru_cache(maxsize=1_000)
def told_in(line: str, headings: frozenset[str] = frozenset()) -> Mapping[str, frozenset[str]]:
    """The units that a line tells, of each field; nothing where one clause is more than known names and a known unit.

    headings : names of several words that are known because a column has them, as they are compared.

    >>> {field: min(units) for field, units in told_in("Units: O2 in %, CO and CO2 in ppm, flow litres/min").items()}
    {'oxygen_pct': '%', 'co_ppm': 'ppm', 'co2_ppm': 'ppm', 'flow_l_min': 'L/min'}
    >>> dict(told_in("Units: CO in ppm, oil in mg/m3 unless noted")), dict(told_in("Units: CO in ppm?, CO2 in %"))
    ({}, {})
    """
    name = _label(line)
    if not name or len(line) > _LONGEST or "?" in line:
        return _NONE_SAID
    made: dict[str, frozenset[str]] = {}
    waiting: list[str] = []  # "CO, CO2 in ppm"
    for clause in filter(None, (c.strip(" .:") for c in _CLAUSE.split(line[len(name) :]))):
        said, unit = _parted(clause)
        meant = [field for one in said for field in surely(one, headings)]
        if not all(surely(one, headings) for one in said):
            return _NONE_SAID
        waiting += meant
        if unit:
            for field in waiting:
                if not belongs(field, unit):
                    return _NONE_SAID
                made[field] = made.get(field, frozenset()) | {unit}
            waiting = []
    return _NONE_SAID if waiting else made


_NONE_SAID: Mapping[str, frozenset[str]] = MappingProxyType({})


def surely(name: str, headings: frozenset[str] | None = None) -> tuple[str, ...]:
    """The field that a name is listed for as a whole, of water both; nothing where it can be another thing.

    headings : names of several words that count though they are no usual ones; None: all.

    >>> surely("Oil"), surely("lab oil"), surely("flow meter", frozenset())
    (('oil_mg_m3',), (), ())
    """
    spelled = key(name)
    meanings = heading_words().meanings.get(spelled, {})
    several = heading_words().ambiguous.get(spelled, ())
    if several:
        main = several[:1] if spelled in word_keys("general") else ()
    elif len(meanings) != 1:
        main = ()
    else:
        ((field, how),) = meanings.items()
        usual = how != "loose" or " " not in name.strip() or headings is None or spelled in headings
        main = (field,) if usual else ()
    return _WATER if main and main[0] in _WATER else main


def _parted(clause: str) -> tuple[list[str], str]:
    """The names of a clause, and the unit (canonical) behind them, "" where none is."""
    words = clause.split()
    at = next((i for i in range(1, len(words)) if canonical(" ".join(words[i:])) is not None), len(words))
    unit = canonical(" ".join(words[at:])) if at < len(words) else None
    said = words[:at]
    if unit and (key(said[-1]) in word_keys("joining") or said[-1] in _SIGNS):
        said.pop()
    joined = word_keys("and")
    names: list[list[str]] = [[]]
    for word in said:
        if key(word) in joined or word in "&+":
            names.append([])
        else:
            names[-1].append(word.rstrip(":=") if word is said[-1] else word)
    return [" ".join(n) for n in names], unit or ""


_SIGNS = (":", "=", "-", "–")


# ------------------------------------------------------------------------------------- what other texts say


def _is_of_units(text: str) -> bool:
    """Whether a sentence is about units: "Units above are those of the old meter"; not "Unit 4, Quay Road"."""
    words = text.split()
    return len(words) > 1 and any(
        kind_of(word.strip(",.:;()")) == "unit" and not (behind[:1].isdigit() or len(behind.strip(",.")) == 1)
        for word, behind in zip(words, [*words[1:], ""])
    )


def _units_in(text: str) -> dict[str, int]:
    """The units (canonical) that stand in a text, each with the position of its first word."""
    words = [w.strip("()[],;") for w in text.split()]
    made: dict[str, int] = {}
    for at in range(len(words)):
        for length in range(_LONGEST_UNIT, 0, -1):
            if unit := canonical(" ".join(words[at : at + length])):
                made.setdefault(unit, at)
                break
    return made


def _said_otherwise(text: str, told: Mapping[str, str]) -> Iterable[str]:
    """The fields whose units another text names otherwise: "All gases in ppm", "Oil is in µg"."""
    for clause in _CLAUSE.split(text) if told else ():
        words = [w.strip("()[].:;") for w in clause.split()]
        named = {field for w in words for field in surely(w)} & told.keys()
        joins = [i for i, w in enumerate(words) if i and key(w) in word_keys("joining")]
        for unit, at in _units_in(clause).items():
            of = named or (told.keys() if at - 1 in joins else ())
            yield from [f for f in of if belongs(f, unit) and told[f] != unit]
        if joins and joins[-1] + 1 < len(words) and canonical(" ".join(words[joins[-1] + 1 :])) is None:
            yield from named
