"""What a limit that is printed for a flow or a line pressure asks of it.

No rule set limits them, so that such a limit is what is needed, or the highest that is allowed. Words are data ([words]
of the headings, bounds of data/notation.toml).
"""

from __future__ import annotations

import re
from functools import cache, lru_cache
from typing import Any, NamedTuple

from grader.data import load_toml
from grader.read.words.figures import NUMBER, UNIT, number
from grader.read.words.heading_words import word_list
from grader.read.words.phrases import any_of
from grader.read.words.units import belongs, canonical

LEAST, MOST = "least", "most"
# Field of what is needed -> the reading that it is needed of, and whether it is the least or the most of it.
NEEDED = {"flow_needed_l_min": ("flow_l_min", LEAST), "lowest_pressure_bar": ("line_pressure_bar", LEAST),
          "highest_pressure_bar": ("line_pressure_bar", MOST)}  # fmt: skip
UNLIMITED = ("flow_l_min", "line_pressure_bar")
_FIGURE = re.compile(rf"(?<![\w.,])({NUMBER})(?![.,]?\d)\s*({UNIT})?")
_GROUPED = re.compile(r"[1-9]\d{0,2}[.,]\d{3}")  # rather a thousand than one


class Asked(NamedTuple):
    """One figure that is asked of a reading: LEAST, MOST, or "" where nothing says which; the figure; its unit, or ""."""

    side: str
    figure: float
    unit: str


@cache
def choices(reading: str, side: str) -> tuple[str, ...]:
    """The fields that what is asked of a reading can be; none for the most of a flow."""
    return tuple(field for field, (of, which) in NEEDED.items() if of == reading and side in ("", which))


@cache
def _sides(before: str = "", behind: str = "") -> re.Pattern[str]:
    """What says least, or most, as two groups, between two parts of a pattern."""
    bounds = [load_toml("notation.toml")[table] for table in ("bounds", "bounds_behind")]
    made = []
    for name, signs in ((LEAST, ">≥"), (MOST, "<≤")):
        words = {w for table in bounds for sign in signs for w in table.get(sign, ())} | set(word_list(f"at_{name}"))
        spelled = any_of(w for w in words if w[0].isalpha())
        made.append(f"(?P<{name}>{any_of(w for w in words if not w[0].isalpha())}|(?<![\\w/])(?:{spelled})(?!\\w))")
    return re.compile(f"{before}(?:{'|'.join(made)}){behind}", re.IGNORECASE)


@lru_cache(maxsize=5_000)
def side_of(text: str) -> str:
    """Which a heading asks for that stands over what is asked: LEAST, MOST, or "" where it does not say.

    >>> side_of("Required"), side_of("Max."), side_of("Limit")
    ('least', 'most', '')
    """
    found = {m.lastgroup or "" for m in _sides().finditer(text)}
    return found.pop() if len(found) == 1 else ""


def bound_of(text: str) -> str:
    """LEAST or MOST where a heading is a word for it and nothing else: "Min."; else ""."""
    return side_of(text) if _sides().fullmatch(text.strip(" .:")) else ""


@lru_cache(maxsize=20_000, typed=True)  # True is no 1
def asked(reading: str, value: Any, side: str = "", in_heading: bool = False) -> list[Asked]:
    """What a cell asks of a flow or line pressure; [] where it holds no such figure.

    side : what stands over the cell says which. in_heading : it is the reading's own heading, that asks only for what it
    calls the least or the most.

    >>> [tuple(one) for one in asked("line_pressure_bar", "4 - 8 bar")], [one.side for one in asked("flow_l_min", "150 min")]
    ([('least', 4.0, 'bar'), ('most', 8.0, 'bar')], ['least'])
    >>> [len(asked("flow_l_min", text, in_heading=True)) for text in ("Flow l/min (min 150)", "Flow after 10 min (l/min)")]
    [1, 0]
    """
    if type(value) in (int, float):
        return [Asked(side, float(value), "")] if value > 0 else []
    found = [one for one, _ in _figures(reading, value, in_heading)] if type(value) is str else []
    sided = [one for one in found if one.side]
    if in_heading:
        return sided
    if len(found) == 2 and _is_range(value) and found[0].figure < found[1].figure:
        unit = found[0].unit or found[1].unit
        return [Asked(of, one.figure, unit) for of, one in zip((LEAST, MOST), found)]
    if len(found) == 1:
        return [found[0]._replace(side=found[0].side or side)]
    return sided or sorted(found, key=lambda one: one.figure)[-1:]


def without_what_is_asked(text: str) -> str:
    """A heading without what it asks of a flow or line pressure, but for its unit.

    >>> without_what_is_asked("Flow (≥150 l/min)"), without_what_is_asked("bar, ≥4")
    ('Flow ( l/min)', 'bar')
    """
    for reading in UNLIMITED:
        spans = [span for one, spans in _figures(reading, text, True) if one.side for span in spans]
        for first, stop in reversed(spans):
            text = text[:first] + text[stop:]
    return re.sub(r"\(\s*\)|\[\s*\]", " ", text).strip(" ,;/")


def _is_range(text: str) -> bool:
    joined = any_of(word_list("to"))
    return bool(re.fullmatch(rf"\D*{NUMBER}\D*?(?:[-–—…]|\.\.|{joined})\s*{NUMBER}\D*", text, re.IGNORECASE))


@lru_cache(maxsize=5_000)
def _figures(reading: str, text: str, in_heading: bool) -> list[tuple[Asked, list[tuple[int, int]]]]:
    """The figures of a text that can be of a reading, each with where it and what says its side stand."""
    made = []
    for match in _FIGURE.finditer(text):
        unit = canonical(match[2]) if match[2] else None
        own = unit if unit and belongs(reading, unit) else ""
        # "150 min" is a least flow in a column of limits; in a heading it is a time.
        if unit and not own and (in_heading or unit != "min") or number(match[1]) <= 0:
            continue
        before = _sides(behind=r"[\s.:=]*$").search(text[: match.start()])
        behind = None if before else _sides(r"\s*").match(text, match.end() if own else match.end(1))
        side = before or behind
        spans = [(before.start() if before else match.start(), match.end(1)), *([behind.span()] if behind else [])]
        figure = number(re.sub("[.,]", "", match[1]) if _GROUPED.fullmatch(match[1]) else match[1])
        made.append((Asked((side.lastgroup or "") if side else "", figure, own), spans))
    return made
