"""How figures are printed: bounds with their sign, and digits enough to tell a failing one from its limit."""

from __future__ import annotations

import math
from collections.abc import Iterable
from statistics import median

from grader.columns import FEWEST_USUAL, OPEN_LOWER, OPEN_UPPER, UNUSUAL_HPA

WRITTEN_DIGITS, CONVERTED_DIGITS = 6, 4


def written(value: float) -> str:
    """A figure as a cell holds it: up to ten digits, no trailing zeros.

    >>> written(20.900001), written(-0.0)
    ('20.900001', '0')
    """
    return f"{value + 0.0:.10g}"


def plain(value: float, other: float = math.nan) -> str:
    """A figure as it was written, or to four digits where it was converted from another unit (it has more than six).

    other : what it must print unlike.
    >>> plain(9.0), plain(0.35), plain(-0.0), plain(1013.25), plain(47 / 9), plain(5.0000001, 5.0)
    ('9', '0.35', '0', '1013.25', '5.222', '5.0000001')
    """
    whole = written(value)
    if "e" in whole or not _longer(whole, WRITTEN_DIGITS):
        return whole
    return fixed(value, max(0, CONVERTED_DIGITS - 1 - math.floor(math.log10(abs(value)))), other)


def _longer(whole: str, digits: int) -> bool:
    return len(whole.strip("-0.").replace(".", "")) > digits


def limit_figure(value: float) -> str:
    """A limit: as it was stated, or to four digits where it was converted from another unit.

    >>> limit_figure(0.5), limit_figure(-11.5), limit_figure(1000.0), limit_figure(50 / 9)
    ('0.5', '-11.5', '1000', '5.556')
    """
    whole = f"{value:.10g}"
    return f"{value:.{CONVERTED_DIGITS}g}" if _longer(whole, WRITTEN_DIGITS) else whole


def is_long(value: float) -> bool:
    """Whether a figure has more digits than a person writes down.

    >>> is_long(8.158643707), is_long(5.00001), is_long(431.25)
    (True, False, False)
    """
    return math.isfinite(value) and _longer(written(value), WRITTEN_DIGITS)


def fixed(value: float, decimals: int, other: float = math.nan) -> str:
    """A computed figure with `decimals` digits, with more where it would print equal to `other` but is not.

    >>> fixed(12.437, 1), fixed(4.9996, 1, 5.0), fixed(5.0, 1, 5.0)
    ('12.4', '4.9996', '5.0')
    """
    if math.isinf(value):
        return "below any" if value < 0 else "above any"
    for digits in range(decimals, 12):
        text = f"{value:.{digits}f}"
        if math.isnan(other) or value == other or float(text) != float(f"{other:.{digits}f}"):
            break
    return text.removeprefix("-") if float(text) == 0 else text


def at_least_fixed(value: float, decimals: int) -> str:
    """A figure that is asked for, never printed as less than it is; no trailing zeros.

    >>> at_least_fixed(16.8875, 1), at_least_fixed(20.0, 1)
    ('16.9', '20')
    """
    scale = 10.0**decimals
    return f"{math.ceil(value * scale - 1e-6) / scale:g}"


def percent(chance: float, threshold: float = math.nan) -> str:
    """A chance in percent as it is printed: whole, never 0 or 100, told apart from its threshold (a fraction).

    >>> percent(0.236), percent(0.1004, 0.1), percent(0.0001), percent(0.9999)
    ('24', '10.04', 'under 1', 'over 99')
    """
    if chance < 0.005:
        return "under 1"
    return "over 99" if chance > 0.995 else fixed(100.0 * chance, 0, 100.0 * threshold)


def bounds(
    lower: float,
    upper: float,
    open_: int,
    decimals: int | None = None,
    floor: float | None = None,
    ceiling: float | None = None,
    other: float = math.nan,
) -> str:
    """A reading as it is read: a figure, `<2`, `≥60`, or `1.5 to 2.5` where both ends are known and differ.

    decimals : digits of a computed figure; None prints the figure as it was written.
    >>> bounds(0.0, 2.0, OPEN_UPPER, floor=0.0), bounds(60.0, math.inf, 0), bounds(4.0, 4.0, 0)
    ('<2', '≥60', '4')
    """

    def one(value: float) -> str:
        return plain(value, other) if decimals is None else fixed(value, decimals, other)

    if lower == upper:
        return one(lower)
    no_lower = math.isinf(lower) or (floor is not None and lower <= floor)
    no_upper = math.isinf(upper) or (ceiling is not None and upper >= ceiling)
    if no_lower and no_upper:  # anything at all, as far as the field goes
        return "≥" + one(lower) if math.isfinite(lower) else "≤" + one(upper) if math.isfinite(upper) else "?"
    if no_lower and not no_upper:
        return ("<" if open_ == OPEN_UPPER else "≤") + one(upper)
    if no_upper and not no_lower:
        return (">" if open_ == OPEN_LOWER else "≥") + one(lower)
    return f"{one(lower)} to {one(upper)}"


def running_usual(pressures: Iterable[float]) -> list[float]:
    """A site's usual atmospheric pressure before each of its visits in order of time, and after the last one, hPa.

    pressures : of each visit, NaN where none. One that is unusual itself is none of those that the usual is the median of.

    >>> running_usual([850.0, 860.0, 1013.0, 852.0])
    [nan, nan, 855.0, 855.0, 852.0]
    """
    kept: list[float] = []
    usual = [math.nan]
    for pressure in pressures:
        if pressure == pressure and not abs(pressure - usual[-1]) > UNUSUAL_HPA * (1 + 1e-9):
            kept.append(pressure)
        usual.append(median(kept) if len(kept) >= FEWEST_USUAL else math.nan)
    return usual
