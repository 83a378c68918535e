"""What a spreadsheet prints of a number through its format, where that is not the number alone (ECMA-376 part 1, 18.8.31).

A person reads what is printed: "1 bad" or "22 mg/m³" is taken as such a text, "10" or "ND" printed of a 1 is not read at all.
"""

from __future__ import annotations

import re
from functools import lru_cache

from grader.read.words.units import canonical

_PIECE = re.compile(r'"([^"]*)"|\\(.)|\[([^\]]*)\]|[_*].|([#0?][#0?.,\s]*)|(.)')
_SECTION = re.compile(r'(?:"[^"]*"|\\.|\[[^\]]*\]|[^;"\\\[]|["\[])+|(?<=;)(?=;|$)|^(?=;)')
_LITERAL = re.compile(r'"[^"]*"|\\.|\[[^\]]*\]|[_*].')  # what is no place for a figure
_BRACKETS = re.compile(r"\[[^\]]*\]")
_CONDITION = re.compile(r"\[([<>=]{1,2})\s*(-?[\d.]+)\]")
_NO_NUMBER = re.compile(r"(?i)e[+-]|[ymdhs@/%]")  # dates, fractions, texts, powers of ten, per cent
_GENERAL = re.compile(r"(?i)general|standard")
_USUAL = frozenset(("ppm", "mg/m³", "%", "bar", "L/min", "°C", "min", "hPa"))
_COUNTS = re.compile(r"(?<![^\W\d_])\d")  # a digit that is no part of a unit
_TRUE = {
    "<": float.__lt__,
    ">": float.__gt__,
    "=": float.__eq__,
    "<=": float.__le__,
    ">=": float.__ge__,
    "<>": float.__ne__,
}


def is_percent(code: str) -> bool:
    """Whether a number format multiplies by a hundred and prints a percent sign.

    >>> is_percent("0.0%"), is_percent('0.0"%"'), is_percent("0.0\\\\%"), is_percent("0.0")
    (True, False, False, False)
    """
    return "%" in _LITERAL.sub("", code)


def prints_another(code: str) -> bool:
    """Whether a number format may print of some number anything but that number.

    >>> prints_another('0.0" ppm"'), prints_another(";;;"), prints_another("#,##0.00;[Red]-#,##0.00"), prints_another("0;0")
    (True, True, False, True)
    """
    return any(as_printed(code, str(value), value) is not None for value in (5.0, -5.0, 0.0, 1e6, 1e-6))


def prints_a_unit(code: str) -> bool:
    """Whether a format prints a known unit behind a number, and nothing else."""
    found = as_printed(code, "1", 1.0)
    return found is not None and found[0].startswith("1") and canonical(found[0][1:]) is not None


@lru_cache(maxsize=5_000)
def as_printed(code: str, shown: str, value: float) -> tuple[str, str] | None:
    """What a format prints of a number, and why: ("1 bad", "shown") a text to be read, "format" what cannot be read.

    shown : the number as the file has it. Returns None where the number itself is printed, or a date.

    >>> as_printed('0" bad"', "1", 1.0), as_printed('0"0"', "1", 1.0), as_printed('"ND"', "1", 1.0)
    (('1 bad', 'shown'), ('1 shown as 0"0"', 'format'), ('1 shown as "ND"', 'format'))
    >>> as_printed("0;0", "-40", -40.0), as_printed("0.0", "1", 1.0), as_printed("yyyy-mm-dd", "46000", 46000.0)
    (('-40 shown as 0;0', 'format'), None, None)
    """
    section, of_sign = _section(_GENERAL.sub("0", code), value)
    bare = _LITERAL.sub("", section)
    odd = (f"{shown} shown as {code}", "format")
    if any(mark in _BRACKETS.sub("", section) for mark in "<>≤≥"):
        return odd
    if _NO_NUMBER.search(bare):
        return None
    before = behind = figures = ""
    for quoted, escaped, _, digits, other in _PIECE.findall(section):
        if digits and (not figures or not behind.strip()):
            figures, before, behind = figures + digits, before + behind, ""
            continue
        said = quoted or escaped or other
        before, behind = (before, behind + said) if figures else (before + said, behind)
    words = f"{before}{behind}".replace("(", "").replace(")", "").replace("-", "").replace("+", "").strip()
    if not figures:
        return (before.strip(), "shown") if before.strip() and not words else odd  # a dash
    signed = value < 0 and of_sign and not {"-", "(", "−"} & {*before, *behind}
    if signed or figures.rstrip().endswith(",") or _COUNTS.search(words):
        return odd
    unit = canonical(words)
    if unit is not None and unit not in _USUAL:
        return odd  # neither that of the heading for certain, nor the one printed
    return (f"{before.strip('(+-')}{shown}{behind.strip(')')}".strip(), "shown") if words else None


def _section(code: str, value: float) -> tuple[str, bool]:
    """The section of a format that a number is printed by, and whether it is the one for negative numbers."""
    sections = _SECTION.findall(code) or [""]
    for section in sections[:2]:
        condition = _CONDITION.search(section)
        if condition is not None and _TRUE.get(condition[1], float.__eq__)(value, float(condition[2])):
            return section, False
    conditions = sum(bool(_CONDITION.search(s)) for s in sections[:2])
    if conditions:
        return sections[min(conditions, len(sections) - 1)], False
    at = 1 if value < 0 else 2 if value == 0 else 0
    return (sections[at], at == 1) if at < len(sections) else (sections[0], False)
