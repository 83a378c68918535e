"""Figures with their units within texts. Words of temperatures are data (data/notation.toml), units too (data/units.toml)."""

from __future__ import annotations

import re
from functools import cache

from grader.data import load_toml
from grader.read.words.phrases import any_of
from grader.read.words.units import canonical, quantity

NUMBER = r"\d+(?:[.,]\d+)?"
UNIT = r"[^\W\d_]+(?:\s?/\s?[^\W\d_]+[23³]?)?"
QUANTITY = re.compile(rf"(?<![\w.,])({NUMBER})\s*({UNIT})")
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


def is_temperature(text: str) -> bool:
    """Whether a text is a temperature with its unit and nothing else."""
    return bool(_temperature().fullmatch(text.strip()))


def without_durations(text: str) -> str:
    """A text without the times that it states.

    >>> without_durations("CO ppm (after 10 min)"), without_durations("at 10 bar, 5'")
    ('CO ppm (after  )', 'at 10 bar,  ')
    """
    return _MINUTES.sub(lambda m: m[0] if m[2] and quantity(canonical(m[2]) or "") != "minutes" else " ", text)
