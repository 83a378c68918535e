"""How dates and times are written. Everything here works on one text; the order of a column's slash dates is
found by the caller from all of its texts (`column_order`).

Dates that are certain: 2026-03-04 (also with a time behind it, or with "/" or "." between), 4.3.2026 and
04.03.26 (points: day first, always), 4 March 2026, 4-Mar-26, March 4th, 2026, with or without the weekday and
words that lead to it ("am Mittwoch, den 4.3.2026").
Dates that depend on the column: 4/3/2026, 04-03-26. A month alone (03/2027, Mar 2027, 2027-03; the year with
four digits) is a date only where a thing expires. A year alone, or a day or month without one, is no date.
"""

from __future__ import annotations

import calendar
import re
from datetime import date
from enum import IntEnum
from functools import cache, lru_cache
from typing import Any, NamedTuple

from grader.columns import READ, UNREADABLE
from grader.data import load_toml
from grader.read.words.phrases import any_of
from grader.read.words.spelling import clean


class Order(IntEnum):
    """What all slash dates of one column say together."""

    NONE = 0  # no slash date in it, or only such as are the same in both orders
    DAY_FIRST = 1
    MONTH_FIRST = 2
    EITHER = DAY_FIRST + MONTH_FIRST  # both orders fit all of them
    NEITHER = 4  # no one order fits all of them


class DateText(NamedTuple):
    """A date text taken apart.

    day          : the date, where it is certain.
    day_first, month_first : a slash date read in both orders, None where that is no date.
    month        : last day of a month that stands alone.
    code         : "" or the problem code that says why the text is no date.
    """

    day: date | None = None
    day_first: date | None = None
    month_first: date | None = None
    month: date | None = None
    code: str = ""

    @property
    def slash(self) -> bool:
        """Whether the date depends on the order of day and month."""
        return self.day_first is not None or self.month_first is not None

    @property
    def whole(self) -> bool:
        """Whether day, month and year are said."""
        return self.day is not None or self.slash


class DateReading(NamedTuple):
    """What a date text means: state of grader.columns, the date, and a problem code with its detail."""

    state: int
    day: date | None = None
    code: str = ""
    detail: str = ""


_SEPARATED = re.compile(r"(\d{1,4})\s?([-/.])\s?(\d{1,2})\s?\2\s?(\d{1,4})", re.ASCII)
# A date within a text, whatever its order.
DATES = re.compile(
    r"(?<![\w])(?:\d{1,4}[./\-]\d{1,2}[./\-]\d{1,4}|\d{1,2}[./\-]\d{4}|\d{4}[./\-]\d{1,2}|(?:\d{1,2}\.?\s)?[^\W\d_]{3,9}\.?\s\d{4})(?![\w])"
)
_ISO_TIME = re.compile(
    r"(\d{4}-\d{1,2}-\d{1,2})[ Tt]\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)?\s?(?:Z|z|[+-]\d{2}:?\d{2})?", re.ASCII
)


def real_date(year: int, month: int, day: int) -> date | None:
    """The date, or None where there is no such day or it lies outside the years that a log can hold."""
    first, last = load_toml("notation.toml")["dates"]["years"]
    if not (first <= year <= last and 1 <= month <= 12 and 1 <= day <= calendar.monthrange(year, month)[1]):
        return None
    return date(year, month, day)


def full_year(text: str) -> int:
    """Year of a text of two or four digits; 0 for any other length.

    >>> full_year("26"), full_year("98"), full_year("2026"), full_year("202")
    (2026, 1998, 2026, 0)
    """
    if len(text) == 2:
        year = int(text)
        return year + (1900 if year >= load_toml("notation.toml")["dates"]["two_digit_1900_from"] else 2000)
    return int(text) if len(text) == 4 else 0


@cache
def _months() -> dict[str, int]:
    return {name: int(n) for n, names in load_toml("notation.toml")["months"].items() for name in names}


@cache
def _weekday() -> re.Pattern[str]:
    return re.compile(rf"(?:{any_of(load_toml('notation.toml')['dates']['weekdays'])})[\s,.]+")


@cache
def _leading() -> re.Pattern[str]:
    """Words that only lead to a date: "le", "am", "on"."""
    return re.compile(rf"^(?:{any_of(load_toml('notation.toml')['dates']['leading'])})[\s.]+(?=\S)", re.IGNORECASE)


def _bare(text: str) -> str:
    """A date text without the words that lead to it and one weekday: "am Donnerstag, den 12.3.2026"."""
    for pattern in (_leading(), _weekday(), _leading()):
        found = pattern.match(text)
        text = text[found.end() :] if found else text
    return text


def is_led(text: str) -> bool:
    """Whether words lead to a date: where a thing expires it may be the day on which it was made ("vom 3.4.2026").

    >>> is_led("vom 3.4.2026"), is_led("dated 3 May 2026"), is_led("Mittwoch, 4.3.2026"), is_led("3 May 2026")
    (True, True, False, False)
    """
    return bool(_leading().match(clean(text)))


@cache
def _forms() -> list[re.Pattern[str]]:
    """Dates with the name of a month, and months with their year."""
    ordinals = any_of(load_toml("notation.toml")["dates"]["ordinals"])
    gap, name = r"[\s\-/.,]+", rf"(?P<month>{any_of(_months())})"
    day, year = rf"(?P<day>\d{{1,2}})(?:{ordinals})?", r"'?(?P<year>\d{4}|\d{2})"
    number, whole_year = r"(?P<month>\d{1,2})", r"(?P<year>\d{4})"
    forms = (
        rf"{day}(?:\s+of)?[\s\-/.,]*{name}{gap}{year}",
        rf"{name}{gap}{day}{gap}{year}",
        rf"{name}{gap}{whole_year}",
        rf"{number}\s?[-/.]\s?{whole_year}",
        rf"{whole_year}\s?[-/.]\s?{number}",
    )
    return [re.compile(form, re.ASCII) for form in forms]


_LONGEST_DATED = 60


def parse_date(text: str) -> DateText:
    """Take a date text apart.

    text    : str. Any text; cleaned here.
    Returns : DateText; `code` is not empty where the text is no date of the forms above.

    >>> parse_date("4.3.2026").day, parse_date("13/3/26").month_first, parse_date("2027-02").month
    (datetime.date(2026, 3, 4), None, datetime.date(2027, 2, 28))
    """
    text = clean(text)
    with_time = _ISO_TIME.fullmatch(text)
    parts = _SEPARATED.fullmatch(with_time.group(1) if with_time else text)
    if parts:
        return _separated(*parts.groups())
    if re.fullmatch(r"\d{4}", text, re.ASCII):
        return DateText(code="date_year_alone")
    text = text.casefold()
    if (bare := _bare(text)) != text:
        return DateText(code="date_not_read") if _bare(bare) != bare else parse_date(bare)
    found = next((m for form in _forms() if (m := form.fullmatch(text))), None)
    return _certain(**found.groupdict()) if found else DateText(code="date_not_read")


def _certain(year: str, month: str, day: str = "") -> DateText:
    """A date, or the last day of a month that stands alone."""
    number = _months().get(month) or int(month)
    found = real_date(full_year(year), number, int(day or 1))
    if found is None:
        return DateText(code="date_impossible")
    if day:
        return DateText(day=found)
    return DateText(month=found.replace(day=calendar.monthrange(found.year, number)[1]))


def _separated(first: str, mark: str, middle: str, last: str) -> DateText:
    """A date of three numbers with one mark between them."""
    if len(first) == 4 and len(last) <= 2:
        day = real_date(int(first), int(middle), int(last))
        return DateText(day=day) if day else DateText(code="date_impossible")
    year = full_year(last)
    if len(first) > 2 or not year:
        return DateText(code="date_not_read")
    day_first = real_date(year, int(middle), int(first))
    if mark == ".":
        return DateText(day=day_first) if day_first else DateText(code="date_impossible")
    month_first = real_date(year, int(first), int(middle))
    if day_first is None and month_first is None:
        return DateText(code="date_impossible")
    return DateText(day_first=day_first, month_first=month_first)


def resolve(parsed: DateText, order: Order, expiry: bool, month_first: bool = False) -> DateReading:
    """What a date text means in its column.

    parsed      : DateText of `parse_date`.
    order       : what the column's slash dates say together.
    expiry      : whether the field says when something ends: then a month alone is its last day, and a date
                  that can be two is the earlier, so that nothing expired counts as valid.
    month_first : which order is taken where both fit (not for an expiry).
    Returns     : DateReading.
    """
    if parsed.code:
        return DateReading(UNREADABLE, code=parsed.code)
    if parsed.day:
        return DateReading(READ, parsed.day)
    if parsed.month:
        if expiry:
            return DateReading(READ, parsed.month, "expiry_month", parsed.month.isoformat())
        return DateReading(UNREADABLE, code="date_month_alone")
    both = [d for d in (parsed.day_first, parsed.month_first) if d is not None]
    same = len(both) == 2 and both[0] == both[1]
    if same:
        return DateReading(READ, both[0])
    if order in (Order.DAY_FIRST, Order.MONTH_FIRST):
        day = parsed.day_first if order == Order.DAY_FIRST else parsed.month_first
        return DateReading(READ, day) if day else DateReading(UNREADABLE, code="date_order")
    if expiry:
        return DateReading(READ, min(both), "expiry_earlier" if len(both) == 2 else "", min(both).isoformat())
    day = parsed.month_first if month_first else parsed.day_first
    if order == Order.NEITHER or day is None:
        return DateReading(UNREADABLE, code="date_order")
    return DateReading(READ, day, "date_order_assumed", "month first" if month_first else "day first")


def column_order(day_first_fits: bool, month_first_fits: bool) -> Order:
    """The order of a column, from whether each order fits all of its slash dates (impossible ones left out).

    >>> column_order(True, False).name, column_order(True, True).name
    ('DAY_FIRST', 'EITHER')
    """
    return Order(day_first_fits * Order.DAY_FIRST + month_first_fits * Order.MONTH_FIRST or Order.NEITHER)


_FOUR_DIGITS = re.compile(r"^(\d{2})(\d{2})(?!\d)", re.ASCII)


@cache
def _time() -> re.Pattern[str]:
    hours = any_of(load_toml("notation.toml")["dates"]["hours"])
    return re.compile(
        rf"(\d{{1,2}})(?:[:.h](\d{{2}})(?::(\d{{2}})(?:\.\d+)?)?)?\s*([ap]\.?m\.?)?\s*(?:{hours})?\.?", re.ASCII
    )


def time_minutes(text: str) -> float | None:
    """Minutes after midnight of a time text, None where it is none.

    Forms: 9:05, 09.05, 9h05, 9:05:30, 0905, 9 am, 9:05 p.m., 21:05 hrs. A bare hour needs am or pm.

    >>> time_minutes("9:05 pm"), time_minutes("0905"), time_minutes("24:00"), time_minutes("9")
    (1265.0, 545.0, None, None)
    """
    found = _time().fullmatch(_FOUR_DIGITS.sub(r"\1:\2", clean(text).casefold()))
    if found is None or found[2] is None and not found[4]:
        return None
    hour, minute, second = (int(found[i] or 0) for i in (1, 2, 3))
    if found[4]:
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + (12 if found[4].startswith("p") else 0)
    if hour > 23 or minute > 59 or second > 59:
        return None
    return hour * 60.0 + minute + second / 60.0


def is_weekday(value: Any) -> bool:
    """Whether a cell is the name of a weekday and nothing else.

    >>> is_weekday("Mon"), is_weekday("Dienstag"), is_weekday("Mon 4 May 2026")
    (True, True, False)
    """
    return type(value) is str and bool(_weekday().fullmatch(f"{value.strip().casefold()} "))


def is_date(value: Any) -> bool:
    """Whether a cell alone says when: a date, or a week, a month or a year alone, which is said to be no whole date.

    >>> is_date("14/03/2026"), is_date("February 2026"), is_date("2026"), is_date("Bay 3"), is_date("w/c 9 March 2026")
    (True, True, True, False, True)
    """
    if isinstance(value, date):
        return True
    if type(value) is not str or not any(ch.isdigit() for ch in value) or len(value) > 30:
        return False
    parsed = parse_date(value)
    whole = parsed.whole or parsed.month is not None or parsed.code == "date_year_alone"
    return whole or bool((day := date_within(value[4:])) and _no_day("week").fullmatch(value[: -len(day)]))


@lru_cache(maxsize=20_000)
def date_within(text: str) -> str | None:
    """The whole date at the end or the beginning of a short text, None where none is, or only that of a week or an end.

    >>> date_within("Visit of 4 March 2025"), date_within("12.03.2025 (spring)"), date_within("Bay 3")
    ('4 March 2025', '12.03.2025', None)
    >>> date_within("w/c 9 March 2025"), date_within("gültig bis 12.03.2025")
    (None, None)
    """
    words = text.strip(" :.").split()
    if len(text) > _LONGEST_DATED or not any(ch.isdigit() for ch in text):
        return None
    for length in range(min(len(words), 5), 0, -1):
        for part, before in ((words[-length:], words[:-length]), (words[:length], [])):
            found = " ".join(part).strip(" :,;()")
            if parse_date(found).whole:
                return None if _no_day("week", "no_day").search(" ".join(before)) else _leading().sub("", found, 1)
    return None


@cache
def _no_day(*lists: str) -> re.Pattern[str]:
    """Words before a date that make it no day of its own: of a week, a span, an end."""
    words = (w for name in lists for w in load_toml("notation.toml")["dates"][name])
    return re.compile(rf"(?<!\w)(?:{any_of(words)})[\s:.,(]*$", re.IGNORECASE)


_YEARS = (1990, 2100)
YEAR = re.compile(r"\b(?:19|20)\d{2}\b")
_MONTH_OF = re.compile(r"([^\W\d_]+)\.?(?:[\s\-/'’]*\d\d)?")  # "March", "Jan-25"
_QUARTER = re.compile(r"[qt]\s?[1-4]", re.IGNORECASE)
_LONGEST_WHEN = 30


@lru_cache(maxsize=20_000)
def is_when(value: Any, rounds: bool = False) -> bool:
    """Whether a cell over a group of columns says when: a year, a date, a month, the how-manieth visit.

    rounds : or which round of a year, without a year: "Q2".

    >>> is_when(2024.0), is_when("Q1 2025"), is_when("March"), is_when("3. Quartal"), is_when("Bay 12")
    (True, True, True, True, False)
    >>> is_when("Q2"), is_when("Q2", rounds=True), is_when("T12", rounds=True)
    (False, True, False)
    """
    if type(value) in (int, float):
        return value == int(value) and _YEARS[0] <= value <= _YEARS[1]
    if type(value) is not str or len(value) > _LONGEST_WHEN:
        return isinstance(value, date)
    month = _MONTH_OF.fullmatch(value.strip())
    said = parse_date(value).whole or YEAR.search(value) or _numbered(value)
    return bool(said or rounds and _QUARTER.fullmatch(value.strip())) or month is not None and is_month(month[1])


def is_month(word: str) -> bool:
    """Whether a word is the name of a month.

    >>> is_month("Mai"), is_month("Bay")
    (True, False)
    """
    return not parse_date(f"1 {word} 2024").code


def _numbered(text: str) -> bool:
    """Whether a text is a word for a visit or a quarter, and its number before or behind it."""
    words = [w.strip(".,:") for w in text.casefold().split()]
    ordinal = rf"\d+(?:{any_of(load_toml('notation.toml')['dates']['ordinals'])})?"
    return len(words) == 2 and any(of_a_visit(w) and re.fullmatch(ordinal, n) for w, n in (words, words[::-1]))


def of_a_visit(text: str) -> bool:
    """Whether a word of a text is one for a visit or a part of the year: "II. Quartal", "March".

    >>> of_a_visit("II. Quartal"), of_a_visit("Month of May"), of_a_visit("Bay 3")
    (True, True, False)
    """
    said = load_toml("limits_reading.toml")["rows"]["visit_words"]
    return any(w in said or is_month(w) for w in (w.strip(".,:-") for w in text.casefold().split()))


@lru_cache(maxsize=20_000)
def days_in(text: str) -> frozenset[tuple[int, int, int]]:
    """The days that a text names as (year, month, day), in either order; of a month alone the day is 0.

    >>> days_in("P2 on 14 July 2026: failed"), days_in("Mars 2026"), days_in("P2 failed")
    (frozenset({(2026, 7, 14)}), frozenset({(2026, 3, 0)}), frozenset())
    """
    found = [parse_date(m[0]) for m in DATES.finditer(text)]
    days = {(d.year, d.month, d.day) for one in found for d in (one.day, one.day_first, one.month_first) if d}
    return frozenset(days | {(one.month.year, one.month.month, 0) for one in found if one.month})
