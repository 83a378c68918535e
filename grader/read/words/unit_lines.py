"""Lines of a sheet that tell the units of its columns: "Units: O2 in %, CO and CO2 in ppm, pressure bar"."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from functools import lru_cache
from types import MappingProxyType
from typing import Any

from grader.read.words.heading_words import word_keys
from grader.read.words.headings import Heading, kind_of, understand
from grader.read.words.spelling import key
from grader.read.words.units import canonical

_LONGEST = 300
_CLAUSE = re.compile(r"[,;|]|\s/\s")
_NONE: Mapping[str, str] = MappingProxyType({})


def units_told(rows: Sequence[Sequence[Any]]) -> Mapping[str, str]:
    """Field -> the unit (canonical) that lines of a sheet tell for it; none where two lines differ."""
    told: dict[str, set[str]] = {}
    for row in rows:
        first = next((v for v in row if v is not None), None)
        if type(first) is str and (label := _label(first)):
            cells = [first[len(label) :], *(v for v in row[row.index(first) + 1 :] if type(v) is str)]
            for field, unit in told_in(f"{label}: {', '.join(c.strip(' ,;:') for c in cells)}").items():
                told.setdefault(field, set()).add(unit)
    return {field: units.pop() for field, units in told.items() if len(units) == 1} if told else _NONE


def _label(text: str) -> str:
    """What stands before the colon of a line of units, "" where it is none."""
    before, colon, _ = text.partition(":")
    return before if kind_of(before if colon else text) == "unit" else ""


@lru_cache(maxsize=1_000)
def told_in(line: str) -> Mapping[str, str]:
    """The units that a line tells, of every field that its words can be; none where one clause of it tells no unit.

    >>> dict(told_in("Units: O2 in %, CO and CO2 in ppm, flow litres/min"))
    {'oxygen_pct': '%', 'co_ppm': 'ppm', 'co2_ppm': 'ppm', 'flow_l_min': 'L/min'}
    >>> dict(told_in("Units: CO in ppm, oil in mg/m3 unless noted"))
    {}
    """
    label = _label(line)
    if not label or len(line) > _LONGEST:
        return _NONE
    made: dict[str, str] = {}
    waiting: list[str] = []  # "CO, CO2 in ppm"
    for clause in filter(None, (c.strip(" .:") for c in _CLAUSE.split(line[len(label) :]))):
        said, unit = _parted(clause)
        waiting += said
        if unit:
            for name in waiting:
                made |= dict.fromkeys(_meant(understand(name, unit)), unit)
            waiting = []
        elif not all(understand(name).candidates for name in said):
            return _NONE
    return _NONE if waiting else made


def _meant(found: Heading) -> tuple[str, ...]:
    """The fields that a name in a line of units is said of: the one it surely or usually is; of water both."""
    sure = found.field or found.general or len(found.candidates) == 1
    main = found.candidates[:1] if sure else ()
    return _WATER if main and main[0] in _WATER else main


_WATER = ("water_tube_mg_m3", "water_mg_m3")


def _parted(clause: str) -> tuple[list[str], str]:
    """The names of a clause, and the unit (canonical) behind them, "" where none is."""
    words = clause.split()
    at = next((i for i in range(1, len(words)) if canonical(" ".join(words[i:])) is not None), len(words))
    unit = canonical(" ".join(words[at:])) if at < len(words) else None
    joining, joined = word_keys("joining"), word_keys("and")
    names: list[list[str]] = [[]]
    for word in words[:at]:
        if key(word) in joined or word in "&+":
            names.append([])
        elif key(word) not in joining and word not in "=:-–":
            names[-1].append(word.rstrip(":="))
    return [" ".join(n) for n in names if n], unit or ""
