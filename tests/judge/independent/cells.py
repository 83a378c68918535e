"""What one cell says, read alone: a figure, a bound, a word, nothing, or nothing that can be read."""

from __future__ import annotations

import calendar
import math
import re
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any

SIGNS = {
    "<=": "≤",
    "=<": "≤",
    ">=": "≥",
    "=>": "≥",
    "less than": "<",
    "at most": "≤",
    "more than": ">",
    "at least": "≥",
}
NOT_TESTED = {"none", "n/a", "-", "not tested", "na", "n/t"}
NOT_DETECTED = {"nd", "nil", "none detected", "n.d.", "not detected"}
STAIN, CLEAR, TRACE = {"stain", "slight stain"}, {"clear", "no stain"}, {"trace", "traces"}
# Units behind a figure: field group -> unit -> (factor, zero): value = (written - zero) * factor. 14.5038 psi are one bar.
PSI = 0.06894757293168361
UNITS: dict[str, dict[str, tuple[float, float]]] = {
    "bar": {"bar": (1.0, 0.0), "psi": (PSI, 0.0), "kpa": (0.01, 0.0), "mpa": (10.0, 0.0)},
    "°C": {"°c": (1.0, 0.0), "c": (1.0, 0.0), "°f": (5 / 9, 32.0)},
    "L/min": {"l/min": (1.0, 0.0), "lpm": (1.0, 0.0)},
    "ppm": {"ppm": (1.0, 0.0)},
    "mg/m³": {"mg/m3": (1.0, 0.0), "g/m3": (1000.0, 0.0)},
    "%": {"%": (1.0, 0.0)},
    "min": {"min": (1.0, 0.0), "h": (60.0, 0.0)},
    "hPa": {"hpa": (1.0, 0.0), "mbar": (1.0, 0.0)},
    "": {"x": (1.0, 0.0)},
}


@dataclass(frozen=True)
class Reading:
    """low to high; an open end is itself outside. state: read, blank, unreadable. word: what was written instead."""

    state: str = "blank"
    low: float = math.nan
    high: float = math.nan
    low_open: bool = False
    high_open: bool = False
    word: str = ""
    unit: str = ""

    @property
    def read(self) -> bool:
        return self.state == "read"

    @property
    def blank(self) -> bool:
        return self.state == "blank"

    @property
    def unreadable(self) -> bool:
        return self.state == "unreadable"

    @property
    def plain(self) -> bool:
        return self.read and self.low == self.high and not self.word

    def times(self, factor: float) -> Reading:
        return replace(self, low=self.low * factor, high=self.high * factor)


BLANK, UNREADABLE = Reading(), Reading("unreadable")


def column_marks(cells: list[Any]) -> set[str]:
    """The decimal marks that the cells of one column use beyond doubt."""
    marks = set()
    for cell in cells:
        if isinstance(cell, str):
            for found in re.findall(r"\d+([.,])(\d+)", cell):
                mark, digits = found
                if len(digits) != 3 or re.search(r"(?<!\d)0[.,]\d", cell):
                    marks.add(mark)
    return marks


def number(text: str, marks: set[str], possible: tuple[float, float]) -> float | None:
    """A figure, or None where it is none or two figures are meant that both can be."""
    if not re.fullmatch(r"[+-]?\d+([.,]\d+)?", text):
        return None
    decimal = float(text.replace(",", "."))
    if not re.fullmatch(r"[+-]?[1-9]\d{0,2}[.,]\d{3}", text):
        return decimal
    thousands = float(text.replace(",", "").replace(".", ""))
    fits = [value for value in (decimal, thousands) if possible[0] <= value <= possible[1]]
    if len(fits) == 1:
        return fits[0]
    mark = "," if "," in text else "."
    if marks == {mark}:
        return decimal
    if marks and mark not in marks:
        return thousands
    return None


def reading(
    cell: Any,
    unit: str,
    *,
    floor: float = -math.inf,
    ceiling: float = math.inf,
    oil: bool = False,
    mark: float | None = None,
    signed: bool = False,
    marks: set[str] = frozenset(),  # type: ignore[assignment]
    possible: tuple[float, float] = (-math.inf, math.inf),
    fraction: bool = False,
) -> Reading:
    """What the cell of a number column says.

    floor, ceiling : physical ends. mark : lowest mark of the tube, where known. oil : words of colour are understood.
    """
    if cell is None:
        return BLANK
    if isinstance(cell, bool) or isinstance(cell, (date, datetime)):
        return UNREADABLE
    if isinstance(cell, (int, float)):
        return finished(Reading("read", float(cell), float(cell)), floor, ceiling, fraction)
    text = " ".join(str(cell).replace("³", "3").replace("−", "-").lower().split())
    if not text or text in NOT_TESTED:
        return BLANK
    if text in NOT_DETECTED:
        return UNREADABLE if mark is None else Reading("read", 0.0, mark, False, True, "nd")
    if oil and text in STAIN | TRACE:
        return Reading("read", 0.5, math.inf, True, True, "stain")
    if oil and text in CLEAR:
        return Reading("read", 0.0, 0.5, False, False, "clear")
    sign = ""
    for spelling in [*SIGNS, "<", ">", "≤", "≥"]:
        if text.startswith(spelling):
            sign, text = SIGNS.get(spelling, spelling), text[len(spelling) :].strip()
            break
    stated = ""
    for spelling in sorted(UNITS[unit], key=len, reverse=True):
        if text.endswith(spelling) and re.fullmatch(r".*[\d\s]", text[: -len(spelling)]):
            stated, text = spelling, text[: -len(spelling)].strip()
            break
    value = number(text, marks, possible)
    if value is None or (stated and stated not in UNITS[unit]):
        return UNREADABLE
    factor, zero = UNITS[unit][stated] if stated else (1.0, 0.0)
    value = (value - zero) * factor
    least = -math.inf if signed else max(floor, 0.0) if math.isfinite(floor) else -math.inf
    most = ceiling
    built = {
        "": Reading("read", value, value),
        "<": Reading("read", least, value, False, True),
        "≤": Reading("read", least, value),
        ">": Reading("read", value, most, True, True),
        "≥": Reading("read", value, most, False, True),
    }[sign]
    if sign and (
        not floor <= value <= ceiling or (sign == "<" and value == floor) or (sign == ">" and value == ceiling)
    ):
        return UNREADABLE
    if sign and fraction and not stated and 0.1 < value < 0.5:
        return UNREADABLE  # a bound of a fraction: of 0.209 or of 20.9 %
    return replace(finished(built, floor, ceiling, fraction and not stated and not sign), unit=stated)


def finished(read: Reading, floor: float, ceiling: float, fraction: bool) -> Reading:
    if fraction and 0.1 < read.low == read.high < 0.5:
        read = replace(read, low=read.low * 100, high=read.high * 100)
    if read.low == read.high and not floor <= read.low <= ceiling:
        return UNREADABLE
    return read


def word(cell: Any, words: dict[str, str]) -> str:
    """The word that a cell holds in small letters: one of `words`' values, "" for blank, "?" for anything else."""
    if cell is None or not str(cell).strip():
        return ""
    return words.get(" ".join(str(cell).lower().split()), "?")


def day(cell: Any, *, expiry: bool = False) -> date | None | str:
    """A date, None for blank, "?" for what cannot be read. A month alone means its last day (of an expiry)."""
    if cell is None or cell == "":
        return None
    if isinstance(cell, datetime):
        return cell.date()
    if isinstance(cell, date):
        return cell
    text = str(cell).strip()
    if found := re.fullmatch(r"(\d{4})-(\d\d)-(\d\d)", text):
        return made(*(int(part) for part in found.groups()))
    if found := re.fullmatch(r"(\d\d?)\.(\d\d?)\.(\d{4})", text):
        return made(int(found[3]), int(found[2]), int(found[1]))
    if found := re.fullmatch(r"(\d\d?)/(\d\d?)/(\d{4})", text):
        both = [made(int(found[3]), int(found[2]), int(found[1])), made(int(found[3]), int(found[1]), int(found[2]))]
        fits = [one for one in both if one != "?"]
        if not fits:
            return "?"
        return min(fits) if expiry else fits[0]  # type: ignore[type-var]
    if expiry and (found := re.fullmatch(r"(\d\d)/(\d{4})", text)):
        return last_day(int(found[2]), int(found[1]))
    if expiry and (found := re.fullmatch(r"(\d{4})-(\d\d)", text)):
        return last_day(int(found[1]), int(found[2]))
    return "?"


def made(year: int, month: int, number: int) -> date | str:
    try:
        return date(year, month, number)
    except ValueError:
        return "?"


def last_day(year: int, month: int) -> date | str:
    return date(year, month, calendar.monthrange(year, month)[1]) if 1 <= month <= 12 else "?"
