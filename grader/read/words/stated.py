"""Texts of remarks and lines around a table -> the figures for all tests that they state: how cold, what expires, what is needed.

Words are data (data/said.toml, [stems] of the headings).
"""

from __future__ import annotations

import re
from functools import cache, lru_cache
from typing import Any, NamedTuple

from grader.columns import AIR, FIELDS, PARAMETERS
from grader.data import load_toml
from grader.read.words.dates import DATES, is_date
from grader.read.words.figures import CLAUSES, QUANTITY, is_temperature, number, temperatures_in, without_quantities
from grader.read.words.heading_words import heading_words, others, word_list
from grader.read.words.labels import column, kind_of
from grader.read.words.phrases import any_of
from grader.read.words.said import REMARKS
from grader.read.words.spelling import BREAK, key
from grader.read.words.unclear import classes_of
from grader.read.words.units import canonical, quantity

_BELOW = re.compile(r"(?<![\w.,)])[-−–](\d{1,2}(?:[.,]\d+)?)(?![\w.,:/-])")  # below 0, without a unit
_SUBSTANCES = tuple(dict.fromkeys(p.tube for p in PARAMETERS.values() if p.tube))
_MOST_OF_A_TEXT = 300
_CALIBRATED = ("calibration_due",)
_PART = re.compile(r"[,;|]\s+|\n|(?<=[^\W\d_]{5})\.\s+|\s[-–—]\s|\s{2,}")
_DEGREE = "°"


class Stated(NamedTuple):
    """A figure or date that a text states: the fields it could be, and the cell's worth of text to read it from."""

    choices: tuple[str, ...]
    value: Any


def is_cold(text: str) -> bool:
    """Whether a text speaks of where it is cold, and not of what dries the air.

    >>> is_cold("Freezer work"), is_cold("Dryer, coldest stage"), is_cold("Tiefkühlhaus")
    (True, False, True)
    """
    return REMARKS.say(text, "cold.words") and not REMARKS.say(text, "cold.without")


@lru_cache(maxsize=20_000)
def stated(text: str) -> tuple[Stated, ...]:
    """Temperatures of cold places, expiries and needs that a text states within itself.

    >>> stated("Freezer work at -28 °C")
    (Stated(choices=('lowest_use_temperature_c',), value='-28 °C'),)
    >>> stated("Tubes used: CO lot 123 exp 03/2024")
    (Stated(choices=('co_tube_expiry',), value='03/2024'),)
    >>> stated("Meter calibrated 02/2025, valid to 02/2026")
    (Stated(choices=('calibration_due',), value='02/2026'),)
    >>> stated("Minimum pressure: 5 bar")
    (Stated(choices=('lowest_pressure_bar',), value='5 bar'),)
    """
    if len(text) > _MOST_OF_A_TEXT or not any(c.isdigit() for c in text):
        return ()
    return tuple(_temperatures(text) + _expiries(text) + _needs(text))


def _temperatures(text: str) -> list[Stated]:
    if REMARKS.say(text, "cold.without"):  # "Airline, adsorption dryer; lowest in the yard -20 °C"
        parts = (p for p in _PART.split(text) if not REMARKS.say(p, "cold.without"))
        text = "; ".join(p for p in parts if is_cold(p) or CLAUSES.say(p, "lowest_use_temperature_c.bound"))
    cold = is_cold(text)
    found = [(figure, unit or "°C") for figure, unit in temperatures_in(text)]
    told = _DEGREE in text or any(figure < 0 for figure, _ in found)
    if not cold and (not told or is_temperature(text)):
        return []  # of a text that does not speak of the cold a figure in degrees alone
    found = found or [(-number(figure), "°C") for figure in _BELOW.findall(text) if cold]
    return [Stated(("lowest_use_temperature_c",), f"{figure:g} {unit}") for figure, unit in sorted(found)[:1]]


def _expiries(text: str) -> list[Stated]:
    whole = classes_of(text)
    if whole.isdisjoint(("expire", "due")) or whole.isdisjoint(("tube", "cal", "instrument", *_SUBSTANCES)):
        return []
    made, done = list[Stated](), list[Stated]()
    before = ""
    for part in re.split(rf"[,;\n()]|\b(?:{any_of(word_list('and'))})\b", text):
        dates = [d for d in DATES.findall(part) if is_date(d)]
        before = before + " " + DATES.sub(" ", part)
        if not dates:
            continue
        choices, classes = expiry_of(before, whole), classes_of(before)
        day = choices == _CALIBRATED and "cal" in classes and classes.isdisjoint(("expire", "due"))
        (done if day else made).extend(Stated(choices, d) for d in dates if choices)
        before = ""
    # "Calibrated 02/2025, valid to 02/2026": the day it was done is none of expiry, where that is stated.
    return made if any(one.choices == _CALIBRATED for one in made) else made + done


def expiry_of(text: str, whole: set[str] | frozenset[str] = frozenset()) -> tuple[str, ...]:
    """Whose date of expiry a text speaks of: fields; of all tubes where it names none.

    whole : classes of all that stands around it.
    """
    found = classes_of(text)
    named = [
        s
        for s in _SUBSTANCES
        if s in found and not (s == "co" and "co2" in found and not REMARKS.say(text, "general.monoxide"))
    ]
    if named:
        return tuple(f"{s}_tube_expiry" for s in named)
    if found & {"cal", "instrument"} or whole & {"cal", "instrument"} and not found & {"tube"}:
        return _CALIBRATED
    if whole & {"tube"} or found & {"tube"}:
        return tuple(f"{s}_tube_expiry" for s in _SUBSTANCES)
    return ()


@lru_cache(maxsize=20_000)
def is_tube(text: str) -> bool:
    """Whether a text is a word for detector tubes, or the name of what one is for, and nothing else.

    >>> is_tube("CO tubes"), is_tube("Carbon dioxide"), is_tube("Tube"), is_tube("Oil store")
    (True, True, True, False)
    """
    tokens = [t for t in BREAK.split(text) if t]
    if not 0 < len(tokens) <= 3:
        return False
    return key(text) in _whole_names() or all(
        not classes_of(t).isdisjoint(("tube", *_SUBSTANCES)) or key(t) in _whole_names() for t in tokens
    )


@cache
def _whole_names() -> frozenset[str]:
    return frozenset(k for k, kind in others().items() if kind == "parameter") | frozenset(
        k for k, fields in heading_words().meanings.items() if any(f in _READINGS for f in fields)
    )


# What is measured of the air by instrument and tubes.
_READINGS = tuple(
    f.name for f in FIELDS.values() if f.kind == "number" and (f.tube or f.name in (PARAMETERS[k].column for k in AIR))
)


@lru_cache(maxsize=20_000)
def is_label(text: str) -> bool:
    """Whether a text may be the label of a figure for all tests, of a verdict, or the heading of expiries.

    >>> is_label("Coldest (°C)"), is_label("Expiry"), is_label("Overall result"), is_label("Bay 3")
    (True, True, True, False)
    """
    if len(text) > _LONGEST_LABEL:
        return False
    if kind_of(text) == "verdict":
        return True
    classes = classes_of(text)
    if classes & {"expire", "due"} and not any(c.isdigit() for c in text):
        return True
    return (is_cold(text) or not classes.isdisjoint(("need", "allow", "static"))) and bool(label_choices(text))


def label_choices(text: str, unit: str = "") -> tuple[str, ...]:
    """The fields for all tests that a label could be the label of; one that speaks of the cold is of the coldest use."""
    if is_cold(text) and not classes_of(text) & {"dew", "press", "flow"}:
        return ("lowest_use_temperature_c",)
    return choices_of(text.strip().rstrip(":"), unit)


_LONGEST_LABEL = 80
NEEDS = ("lowest_pressure_bar", "highest_pressure_bar", "nominal_pressure_bar", "flow_needed_l_min")


def _needs(text: str) -> list[Stated]:
    """A pressure or flow that is needed or allowed, said in one text with its figure and unit."""
    label = without_quantities(text).strip(" :=,.")
    classes = classes_of(label)
    worn = is_of_users(text)
    if classes.isdisjoint(("need", "allow")) and not worn:
        return []
    made: list[Stated] = []
    several = _several(text)
    for match in QUANTITY.finditer(text):
        mine = [f for f in NEEDS if quantity(FIELDS[f].unit) == quantity(canonical(match[2]) or "")]
        known = tuple(f for f in choices_of(label, match[2]) if f in mine)
        if worn and classes.isdisjoint(("need", "allow", "static")):
            known = ()
        if choices := known or tuple(mine[:1]) * ("need" in classes or worn):
            figure = f"{number(match[1]) * several:g}" if several > 1 else match[1]
            made.append(Stated(choices, f"{figure} {match[2]}"))
    return made


def is_of_users(text: str) -> bool:
    """Whether a text speaks of hoods, helmets or masks, and not of the plant: a flow or pressure beside them is what they need."""
    return REMARKS.say(text, "measured.users") and not REMARKS.say(text, "general.shared", "general.kit")


def _several(text: str) -> int:
    """How many users at once a text gives a figure for each of, 1 where it does not say."""
    if not (REMARKS.say(text, "measured.together") and REMARKS.say(text, "measured.each")):
        return 1
    spoken = dict(w.split() for w in load_toml(REMARKS.file)["measured"]["spoken"])
    words = REMARKS.words(text)
    before = (words[s.first - n] for s in REMARKS.standing(words, "measured.users") for n in (1, 2) if s.first >= n)
    counts = (spoken.get(w, w) for w in before)
    return max((int(c) for c in counts if c.isdigit() and len(c) < 3), default=1)


# What may be stated once for all tests and is not known to be a reading.
TRIED = (
    *NEEDS,
    "lowest_use_temperature_c",
    "ambient_temperature_c",
    "calibration_due",
    *(f"{s}_tube_expiry" for s in _SUBSTANCES),
)


@lru_cache(maxsize=5_000)
def choices_of(label: str, unit: str = "") -> tuple[str, ...]:
    """The fields for all tests that a label could be the label of, by its words and its unit."""
    found = column(-1, label, unit=unit)
    fields = (found.field,) if found.field else found.heading.candidates if found.kind == "unclear" else ()
    return tuple(f for f in fields if f in TRIED and f in FIELDS)
