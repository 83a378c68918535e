"""Figures with their units within texts. Words of temperatures are data (data/notation.toml), units too (data/units.toml)."""

from __future__ import annotations

import re
from functools import cache

from grader.data import load_toml
from grader.read.words.phrases import ELIDED, Lists, any_of
from grader.read.words.units import canonical, quantity

NUMBER = r"\d+(?:[.,]\d+)?"
UNIT = r"[^\W\d_]+(?:\s?/\s?[^\W\d_]+[23³]?)?"
QUANTITY = re.compile(rf"(?<![\w.,])({NUMBER})\s*({UNIT})")
_CLASS = re.compile(r"(?<![\w.,])[-−–]\s?\d\d(?![\w.,:/-])")
CLAUSES = Lists("clauses.toml", ELIDED)
_COLD = ["bound", "use", "place", "weather", "elsewhere", "covered"]
_MINUTES = re.compile(rf"{QUANTITY.pattern}|\b\d+\s*['′]")


def number(text: str) -> float:
    """The figure of a `NUMBER`.

    >>> number("18,5")
    18.5
    """
    return float(text.replace(",", "."))


@cache
def _temperature() -> re.Pattern[str]:
    words = load_toml("notation.toml")["temperature"]
    celsius, degrees, minus = (any_of(words[name]) for name in ("celsius", "degrees", "minus"))
    return re.compile(
        rf"(?<![\w.,])([-−–+]|(?:{minus})\s+)?\s?({NUMBER})\s*((?:{celsius})\b|(?:{degrees})\s*[CF]?|[CF]\b)",
        re.IGNORECASE,
    )


def temperatures_in(text: str) -> list[tuple[float, str]]:
    """(figure, "°C" or "°F") of every temperature of a text that has a unit; "" for degrees of which it does not say which.

    >>> temperatures_in("Down to minus 5,5 °C"), temperatures_in("14 F or 3 degrees"), temperatures_in("Bay 12")
    ([(-5.5, '°C')], [(14.0, '°F'), (3.0, '')], [])
    """
    celsius = load_toml("notation.toml")["temperature"]["celsius"]
    made = []
    for sign, figure, unit in _temperature().findall(text):
        last = "C" if unit.casefold() in celsius else unit[-1].upper()
        made.append((number(figure) * (-1 if sign.strip(" +") else 1), f"°{last}" if last in "CF" else ""))
    return made


def without_temperatures(text: str) -> str:
    """A text without its temperatures."""
    return _temperature().sub(" ", text)


def coldest_in(text: str) -> str:
    """The temperature that a text states in words of places and of the cold, the lowest of several; "" where others stand there.

    >>> [coldest_in(t) for t in ("-10 °C (yard, winter)", "minus 5 °C", "8 Grad", "Halle 8 °C, Hof -3 °C", "8 °C, not in the yard")]
    ['-10 °C', '-5 °C', '8 °C', '-3 °C', '']
    """
    found = [(figure, unit or "°C") for figure, unit in temperatures_in(text)]
    words, lists = CLAUSES.words(without_temperatures(text)), _COLD + ["towards"] * all(f < 0 for f, _ in found)
    known = CLAUSES.inside(words, *(f"lowest_use_temperature_c.{name}" for name in lists))
    worse = CLAUSES.standing(words, "lowest_use_temperature_c.worse")
    sure = len({unit for _, unit in found}) == 1 and len(known) == len(words) and not worse
    return f"{min(found)[0]:g} {found[0][1]}" if sure else ""


def without_quantities(text: str) -> str:
    """A text without its temperatures, its figures with a unit, and the -40 of a dryer's class.

    >>> without_quantities("dryer, -40 type, 7 bar, 2 screw compressors")
    'dryer,   type,  , 2 screw compressors'
    """
    return _CLASS.sub(" ", QUANTITY.sub(lambda m: " " if canonical(m[2]) else m[0], without_temperatures(text)))


def is_temperature(text: str) -> bool:
    """Whether a text is a temperature with its unit and nothing else."""
    return bool(_temperature().fullmatch(text.strip()))


def without_durations(text: str) -> str:
    """A text without the times that it states.

    >>> without_durations("CO ppm (after 10 min)"), without_durations("at 10 bar, 5'")
    ('CO ppm (after  )', 'at 10 bar,  ')
    """
    return _MINUTES.sub(lambda m: m[0] if m[2] and quantity(canonical(m[2]) or "") != "minutes" else " ", text)
