"""How a reading is written: number texts, bounds, units behind the number, and the trade's words.

Everything here works on one text. The grammar of a number text, after `clean`:

    reading  = [bound] figure [unit] [bound behind]
    bound    = "<" | "≤" | "<=" | "=<" | ">" | "≥" | ">=" | "=>" | words such as "less than", "up to"
    figure   = [sign] digits [mark digits] | [sign] mark digits | [sign] groups of three [other mark digits]
    mark     = "." | ","     group separators: "." "," "'" and a single space (plain, hard or thin)

Nothing else is a number: no ranges (5-6), no "about" (~5, 5?), no exponent (1e3), no trailing mark (5.), no
letters for digits (48O), no fractions (1/2), no digits of other scripts except full-width ones. Words and
bounds are data (data/notation.toml), units too (data/units.toml).
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from decimal import Decimal
from functools import cache
from typing import Any, NamedTuple

from grader.columns import (
    BLANK,
    BOUND,
    CLEAR,
    FRACTION,
    NOT_DETECTED,
    NOT_TESTED_WORD,
    OPEN_LOWER,
    OPEN_NONE,
    OPEN_UPPER,
    PLAIN,
    READ,
    STAIN,
    TRACE,
    UNREADABLE,
    Field,
    field_named,
)
from grader.data import load_toml
from grader.read.words.figures import coldest_in
from grader.read.words.phrases import any_of
from grader.read.words.spelling import clean, fold, known_unit
from grader.read.words.units import convert

INF, NAN = math.inf, math.nan

# How a mark is used in a column, as its other cells show it.
DECIMAL, THOUSANDS = "decimal", "thousands"

_FIGURE_AND_REST = re.compile(r"([+-]?)([.,]?[0-9](?:[0-9.,' ]*[0-9])?)(.*)", re.DOTALL)
_ONE_MARK = re.compile(r"([0-9]*)([.,])([0-9]+)")
_GROUPS = re.compile(r"([1-9][0-9]{0,2}([ '.,])[0-9]{3}(?:\2[0-9]{3})*)(?:(?!\2)([.,])([0-9]+))?")
_RANGE = re.compile(r"[+-]?[0-9.,]+\s*(?:-|/|to|and|…|\.\.)\s*[+-]?[0-9.,]+\D*")
_LETTERS_FOR_DIGITS = str.maketrans({"O": "0", "o": "0", "l": "1", "I": "1", "|": "1"})
_DIGIT_BESIDE_LETTER = re.compile(r"[0-9.,][OolI|]|[OolI|][0-9.,]")


class NumberRule(NamedTuple):
    """What a number field can hold.

    name, unit      : field name of columns.FIELDS, and its unit.
    floor, ceiling  : physical ends, in the unit; -inf and +inf where there is none.
    possible        : ends that decide what "1,250" is (data/notation.toml), in the unit.
    fraction        : ends between which a plain number is a fraction of one, or None.
    stain           : where a stain begins, in the unit, or None where stain and clear mean nothing.
    default_mark    : lowest mark taken for "ND" where the log gives none, in the unit, or None.
    mark_field      : field that may hold the lowest mark, or "".
    """

    name: str
    unit: str
    floor: float = -INF
    ceiling: float = INF
    possible: tuple[float, float] = (-INF, INF)
    fraction: tuple[float, float] | None = None
    stain: float | None = None
    default_mark: float | None = None
    mark_field: str = ""


@cache
def number_rule(name: str) -> NumberRule:
    """The rule of one number field, from data/fields.toml and data/notation.toml.

    Raises : KeyError where there is no such field.
    """
    field: Field = field_named(name)
    data = load_toml("notation.toml")
    floor = -INF if field.floor is None else float(field.floor)
    ceiling = INF if field.ceiling is None else float(field.ceiling)
    low, high = data["possible"].get(name, (-INF, INF))
    fraction = data["fraction"].get(name)
    return NumberRule(
        name,
        field.unit,
        floor,
        ceiling,
        (max(low, floor), min(high, ceiling)),
        (fraction[0], fraction[1]) if fraction else None,
        data["stain_mg_m3"].get(name),
        data["lowest_mark"].get(name),
        field.lowest_mark,
    )


class ParsedNumber(NamedTuple):
    """A number text taken apart, before the field decides what it means.

    bound    : "", "<", "≤", ">" or "≥".
    value    : the figure, its one mark taken as decimal mark.
    grouped  : the figure with its one mark as thousands mark, where both are possible; else NaN.
    mark     : that doubtful mark, or "".
    decimal, thousands : marks whose use in this text is beyond doubt ("," or "."), or "".
    unit     : canonical unit behind the figure, None where none is written.
    code     : "" or the problem code that says why the text is no number.
    """

    bound: str = ""
    value: float = NAN
    grouped: float = NAN
    mark: str = ""
    decimal: str = ""
    thousands: str = ""
    unit: str | None = None
    code: str = ""


class Reading(NamedTuple):
    """What one number text means in one field.

    state, how, open : codes of grader.columns.
    value, lower, upper : in the field's unit; NaN where there is none. The upper end of NOT_DETECTED is NaN
                       until the lowest mark is known.
    text             : what a sheet shows; None for a plain number and for a blank.
    code, detail     : problem code ("" if none) and the part of its words that depends on the text.
    unit             : canonical unit that the text or its column states; None where none is.
    """

    state: int
    value: float = NAN
    lower: float = NAN
    upper: float = NAN
    open: int = OPEN_NONE
    how: int = PLAIN
    text: str | None = None
    code: str = ""
    detail: str = ""
    unit: str | None = None


@cache
def _meanings(table: str) -> dict[str, str]:
    """Folded spelling -> meaning, of a table of data/notation.toml."""
    spelled = load_toml("notation.toml")[table].items()
    return {fold(spelling): meaning for meaning, spellings in spelled for spelling in spellings}


@cache
def _sign(table: str, meaning: str = "", *, behind: bool = False) -> re.Pattern[str]:
    """A spelling of a table, or of one meaning of it, that a text begins with, or ends with."""
    spelled = load_toml("notation.toml")[table]
    one = any_of(s for m, spellings in spelled.items() for s in spellings if meaning in ("", m)) or "(?!)"
    return re.compile(rf"\s*({one})\s*$" if behind else rf"^({one})\s*", re.IGNORECASE)


def _figure(text: str) -> ParsedNumber | None:
    """The figure of an unsigned number text, or None where it is none."""
    if text.isdigit():
        return ParsedNumber(value=float(text))
    one = _ONE_MARK.fullmatch(text)
    if one:
        whole, mark, after = one.groups()
        value = float(f"{whole or '0'}.{after}")
        if len(after) == 3 and 1 <= len(whole) <= 3 and not whole.startswith("0"):
            return ParsedNumber(value=value, grouped=float(whole + after), mark=mark)
        return ParsedNumber(value=value, decimal=mark)
    groups = _GROUPS.fullmatch(text)
    if groups:
        whole, separator, mark, after = groups.groups()
        digits = whole.replace(separator, "")
        return ParsedNumber(
            value=float(f"{digits}.{after or '0'}"),
            decimal=mark or "",
            thousands=separator if separator in ".," else "",
        )
    return None


def parse_number(text: str) -> ParsedNumber:
    """Take a number text apart, without regard to any field.

    text    : str. Any text; cleaned here.
    Returns : ParsedNumber; `code` is not empty where the text is no number of the grammar above.

    >>> parse_number("≤ 0,30 mg/m³")[:2], parse_number("1,250").grouped, parse_number("48O").code
    (('≤', 0.3), 1250.0, 'number_letter')
    """
    text = clean(text)
    before = _sign("bounds").search(text)
    rest = text[before.end() :] if before else text
    factor = rest[:1] in ("x", "X", "×")
    match = _FIGURE_AND_REST.fullmatch(rest[1:].lstrip() if factor else rest)
    if match is None:
        return ParsedNumber(code=_why_not(text))
    sign, figure_text, behind = match.groups()
    after = _sign("bounds_behind", behind=True).search(behind)
    behind = behind[: after.start()] if after else behind
    bounds = [
        _meanings(of)[fold(sign[1])] for of, sign in (("bounds", before), ("bounds_behind", after)) if sign is not None
    ]
    figure = _figure(figure_text)
    unit = known_unit(behind) if behind.strip() else ("" if factor else None)
    if figure is None or len(bounds) > 1 or (behind.strip() and (unit is None or factor)):
        return ParsedNumber(code=_why_not(text))
    if not math.isfinite(figure.value):
        return ParsedNumber(code="number_not_finite")
    if sign == "-":
        figure = figure._replace(value=0.0 - figure.value, grouped=0.0 - figure.grouped)
    return figure._replace(bound="".join(bounds), unit=unit)


def as_number(value: Any) -> ParsedNumber | None:
    """A cell as a number: a plain one, or a text that is one; None for any other."""
    if type(value) in (int, float):
        return ParsedNumber(value=value)
    parsed = parse_number(value) if type(value) is str else None
    return parsed if parsed is not None and not parsed.code else None


def _why_not(text: str) -> str:
    """Problem code of a text that is no number; it only chooses the words of the message."""
    low = text.casefold()
    if any(c.isdigit() for c in text):
        if _sign("doubt", "before").search(text) or _sign("doubt", "behind", behind=True).search(text):
            return "number_doubt"
        if _RANGE.fullmatch(low):
            return "number_range"
        if _DIGIT_BESIDE_LETTER.search(text):
            mended = text.translate(_LETTERS_FOR_DIGITS)
            if mended != text and not parse_number(mended).code:
                return "number_letter"
    return "number_not_read"


def read_number(
    text: str, rule: NumberRule, marks: Mapping[str, str] | None = None, unit: str | None = None
) -> Reading:
    """What a text means in a number field.

    text    : str. The cell's text.
    rule    : NumberRule of the field.
    marks   : how "," and "." are used by the other cells of the column: mark -> DECIMAL or THOUSANDS.
    unit    : unit that the column states where it is not the field's own.
    Returns : Reading.

    >>> r = read_number("<5 ppm", number_rule("co_ppm"))
    >>> r.lower, r.upper, r.open == OPEN_UPPER, r.text
    (0.0, 5.0, True, '<5')
    """
    shown = clean(text)
    if not shown:
        return Reading(BLANK)
    if shown.startswith("'"):  # a spreadsheet puts one apostrophe in front of a text, never two
        return _unreadable(shown, "number_not_read")
    folded = fold(shown)
    bare = folded.rstrip(".,;:!")
    # A stop behind a word is no matter; "-:" is no dash any more.
    meaning = _meanings("words").get(folded) or (_meanings("words").get(bare) if any(map(str.isalpha, bare)) else None)
    if meaning:
        return _read_word(meaning, shown, rule)
    parsed = parse_number(shown)
    if parsed.code and rule.name == "lowest_use_temperature_c" and (said := coldest_in(shown)):
        parsed = parse_number(said)
    if parsed.code:
        return _unreadable(shown, parsed.code)
    if parsed.unit is None and unit is not None:
        parsed = parsed._replace(unit=unit)
    own_unit = parsed.unit is None or parsed.unit == rule.unit
    value = _settle(parsed, rule if own_unit else None, marks or {})
    if math.isnan(value):
        return _unreadable(shown, "number_marks", f"{number_text(parsed.value)} or {number_text(parsed.grouped)}")
    if not own_unit:
        converted = convert(rule.name, parsed.unit or "", value)
        if converted is None:
            return _unreadable(shown, "number_unit", parsed.unit or "×")
        value = float(converted)
    return _in_field(shown, value, parsed, rule)._replace(unit=parsed.unit)


def _unreadable(shown: str, code: str, detail: str = "", how: int = PLAIN) -> Reading:
    return Reading(UNREADABLE, how=how, text=shown, code=code, detail=detail)


def _read_word(meaning: str, shown: str, rule: NumberRule) -> Reading:
    """One of the trade's words in a number field."""
    if meaning == "not_tested":
        return Reading(BLANK, how=NOT_TESTED_WORD)
    if meaning == "not_detected":
        if not rule.mark_field:
            return _unreadable(shown, "word_not_detected", how=NOT_DETECTED)
        return Reading(READ, NAN, rule.floor, NAN, OPEN_UPPER, NOT_DETECTED, shown)
    if rule.stain is None:
        if meaning == "trace":
            return _unreadable(shown, "word_trace", how=TRACE)
        return _unreadable(shown, "word_stain_elsewhere", how=STAIN if meaning == "stain" else CLEAR)
    if meaning == "clear":
        return Reading(READ, NAN, rule.floor, rule.stain, OPEN_NONE, CLEAR, shown)
    return Reading(READ, NAN, rule.stain, rule.ceiling, OPEN_LOWER, STAIN, shown)


def _settle(parsed: ParsedNumber, rule: NumberRule | None, marks: Mapping[str, str]) -> float:
    """The figure, or NaN where it can be two and neither field nor column decides, or they disagree."""
    if not parsed.mark:
        return parsed.value
    by_column = {DECIMAL: parsed.value, THOUSANDS: parsed.grouped}.get(marks.get(parsed.mark, ""), NAN)
    if rule is None:
        return by_column
    low, high = rule.possible
    possible = [v for v in (parsed.value, parsed.grouped) if low <= v <= high]
    if len(possible) == 2:
        return by_column
    if len(possible) == 1 and (math.isnan(by_column) or by_column == possible[0]):
        return possible[0]
    return NAN


def _in_field(shown: str, value: float, parsed: ParsedNumber, rule: NumberRule) -> Reading:
    """A figure and its bound, held against the ends of the field."""
    bound = parsed.bound
    if rule.fraction and parsed.unit is None and rule.fraction[0] < value < rule.fraction[1]:
        if bound:
            return _unreadable(shown, "number_fraction_bound")
        percent = round(value * 100.0, 9)  # without the dust of the multiplication
        return Reading(READ, percent, percent, percent, how=FRACTION, code="fraction_read", detail=number_text(percent))
    if value < rule.floor:
        return _unreadable(shown, "number_negative", number_text(rule.floor))
    if value > rule.ceiling:
        return _unreadable(shown, "number_too_high", number_text(rule.ceiling))
    if not bound:
        return Reading(READ, value, value, value)
    if (bound == "<" and value == rule.floor) or (bound == ">" and value == rule.ceiling):
        return _unreadable(shown, "number_bound_empty")
    text = bound + number_text(value)
    if bound in "<≤":
        return Reading(READ, NAN, rule.floor, value, OPEN_UPPER if bound == "<" else OPEN_NONE, BOUND, text)
    return Reading(READ, NAN, value, rule.ceiling, OPEN_LOWER if bound == ">" else OPEN_NONE, BOUND, text)


def number_text(value: float) -> str:
    """A number as text that can be read back: no exponent, no thousands mark, no needless zeros.

    value : float, finite.

    Three digits behind the point would be read back as doubtful ("1.125"), so a zero is added.

    >>> number_text(5.0), number_text(1.125)
    ('5', '1.1250')
    """
    text = f"{Decimal(repr(float(value))):f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    if text in ("-0", ""):
        text = "0"
    unsigned = _figure(text.lstrip("-"))
    return f"{text}0" if unsigned is not None and unsigned.mark else text
