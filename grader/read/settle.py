"""What the cells under a heading settle: general words, columns of verdicts, times of day, limits, what it cannot be."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Mapping
from datetime import time
from functools import cache
from typing import Any

from grader.columns import FIELDS
from grader.data import load_toml, names
from grader.problems import Unreadable
from grader.read.words import verdicts
from grader.read.words.dates import is_date, parse_date, time_minutes
from grader.read.words.heading_words import LIKELY, reading_words, row_words
from grader.read.words.headings import Heading, kind_of
from grader.read.words.labels import Column, is_limit, is_placeholder, looks_like_value
from grader.read.words.loose import loose_word, own_word
from grader.read.words.notation import as_number
from grader.read.words.spelling import BREAK, key
from grader.read.words.unclear import classes_of
from grader.read.words.units import belongs, convert

_MORNING = 5 * 60  # minutes
# Texts that several columns may give together: building and room.
JOINED = ("location", "remarks")


_REASON = re.compile(r"\s*[-–:;,(]")
# Measured, and needed.
_FLOWS = ("flow_l_min", "flow_needed_l_min")
_MAY_BE_VERDICTS = ("unclear", "unknown", "note", "value")


def settled(columns: list[Column], cells: Mapping[int, list[Any]], doubtful: Collection[int] = ()) -> list[Column]:
    """Headings as their cells leave them.

    columns : of one table. cells : line -> one value a test. doubtful : lines whose general word is not taken for its
              field, by what stands around the table.
    Returns : the same lines. A general word is the field it names where no other line claims that one; an unclear
              line keeps the fields that its cells can be, and is a note where there are none.
    """
    if not any(c.kind == "unclear" for c in columns):
        return columns
    filled = {c.at: [v for v in cells.get(c.at, ()) if v is not None] for c in columns}
    claimed = [c.field for c in columns if c.field and filled[c.at]]
    mains = [
        c.heading.candidates[0]
        for c in columns
        if c.kind == "unclear" and c.heading.candidates and can_be(c.heading.candidates[0], filled[c.at], c)
    ]
    doubtful = {*doubtful, *_turned_round(columns, filled)}

    def taken(c: Column, values: list[Any], fits: tuple[str, ...]) -> tuple[str, str]:
        """The field that a line is surely, and by what; "" where it is none."""
        if "test_time" in fits and "test_time" not in claimed and all(map(_is_clock, values)):
            return "test_time", "times of day"
        if fits == ("water_multiplier",) and fits[0] not in claimed and _behind_the_tube(c, columns):
            return fits[0], "beside the water tube"
        if not (c.heading.general and fits) or c.at in doubtful or _is_filled(c, fits[0], values):
            return "", ""
        free = [f for f in fits if (f not in claimed or f in JOINED) and mains.count(f) < 2]
        sure = free and (free[0] == fits[0] or FIELDS[fits[0]].kind != "number")
        return (free[0], "general word") if sure else ("", "")

    made = []
    for c in columns:
        if c.kind == "unclear" and (values := filled[c.at]):
            fits = tuple(f for f in c.heading.candidates if can_be(f, values, c))
            field, how = taken(c, values, fits)
            if are_verdicts(values):
                c = c._replace(kind="verdict")
            elif field:
                c = as_field(c, field, how)
                claimed.append(field)
            else:
                limit = _is_known_limit(c, values) or _is_limit_beside(c, values, claimed)
                fits = () if c.heading.candidates and limit else fits
                c = c._replace(kind="unclear" if fits else "note", heading=c.heading._replace(candidates=fits))
        made.append(c)
    return made


def _turned_round(columns: list[Column], filled: Mapping[int, list[Any]]) -> set[int]:
    """General words for a flow and the one needed of which that varies, while the measured one is always the same."""
    firsts = {f: [c for c in columns if c.heading.general and c.heading.candidates[0] == f] for f in _FLOWS}
    one, other = ([c for c in firsts[f] if filled[c.at]] for f in _FLOWS)
    always = one and all(len(filled[c.at]) > 1 and len(set(map(str, filled[c.at]))) == 1 for c in one)
    varies = any(len(set(map(str, filled[c.at]))) > 1 for c in other)
    return {c.at for c in (*one, *other)} if always and varies else set()


def _behind_the_tube(c: Column, columns: list[Column]) -> bool:
    """Whether a line stands right behind that of the water tube: "Water tube | x"."""
    return any(other.field == "water_tube_mg_m3" and other.at == c.at - 1 for other in columns)


def _is_filled(c: Column, field: str, values: list[Any]) -> bool:
    """Whether a word for filling stands over pressures to which only cylinders are filled: none of an airline."""
    if field != "line_pressure_bar" or "filled" not in classes_of(c.text):
        return False
    least = float(load_toml("composed.toml")["filled_from_bar"])
    return any(convert(field, c.heading.told or FIELDS[field].unit, f) < least for f in _figures(values))


# Fields of which a heading may ask whether anything was seen, and how a reading says that it was.
SEEN = {"oil_mg_m3": "stain"}


def seen_words(heading: str) -> bool:
    """Whether a heading asks for what is seen and not for a figure: "Oil film on mirror"."""
    return "seen" in classes_of(heading)


def as_seen(field: str, value: Any) -> Any:
    """A cell under such a heading as a reading: nothing where nothing was seen, else what stands for something."""
    if type(value) is bool:
        return SEEN[field] if value else None
    if type(value) is not str:
        return value
    word = own_word("liquid_water", value) or loose_word("liquid_water", value) or loose_word("odour", value)
    return None if word == "none" or is_placeholder(value) or key(value) in _none_words() else SEEN[field]


@cache
def _none_words() -> frozenset[str]:
    return frozenset(key(w) for w in load_toml("loose_words.toml")["negation"]) | {"n", "0"}


def as_field(c: Column, field: str, how: str) -> Column:
    """A line that is likely a field, in the unit that its heading tells where that is one of the field. how : by what."""
    told = c.heading.told
    unit = told if told and belongs(field, told) else None
    heading = Heading(field, unit, "synonym", LIKELY, (field,), how, "heading" if unit else "")
    return c._replace(kind="field", heading=heading, how=how)


def can_be(field: str, values: list[Any], c: Column) -> bool:
    """Whether cells can be those of a field, by their kind: dates, figures, words."""
    kind = FIELDS[field].kind
    if kind == "date":
        return any(map(_is_date, values))
    if kind == "time":
        return any(_clock(v) is not None for v in values)
    if kind == "number":
        figures = _figures(values)
        if not c.heading.told and len(c.heading.candidates) > 2 and FIELDS[field].reading:
            low, high = _plausible(field)
            return any(low <= f <= high for f in figures)
        if field in SEEN and seen_words(c.text):
            return any(type(v) is str for v in values)
        if FIELDS[field].unit == "min" and can_be("test_time", values, c):
            return True  # 00:15 may be minutes
        return bool(figures) or any(type(v) is str and key(v) in reading_words() for v in values)
    if kind == "word":
        turned = any(isinstance(v, Unreadable) and v.why == "turned" for v in values)  # an answer that is not read
        return turned or any(type(v) in (str, bool) and not looks_like_value(v) for v in values)
    if field == "replaces_file":  # a running number names no file
        return any(type(v) is str and any(ch.isalpha() for ch in v) for v in values)
    return not all(map(_is_date, values)) or field in ("remarks", "work_done")


def _is_date(value: Any) -> bool:
    """Whether a cell is a date or a month; a year alone may be a figure."""
    return is_date(value) and not (type(value) is str and parse_date(value).code)


def _figures(values: Iterable[Any]) -> list[float]:
    """The figures among cells, also those with a bound or a unit behind them."""
    made: list[float] = []
    for v in values:
        if isinstance(v, Unreadable):
            made.append(0.0)
        elif not _is_date(v) and (parsed := as_number(v)) is not None:
            made.append(parsed.value)
    return made


@cache
def _plausible(field: str) -> tuple[float, float]:
    for entry in load_toml("parameters.toml")["parameter"]:
        if entry["column"] == field and "plausible" in entry:
            low, high = entry["plausible"]
            return float(low), float(high)
    return float("-inf"), float("inf")


def _is_known_limit(c: Column, values: list[Any]) -> bool:
    """Whether a heading with a limit word stands over one figure alone that is a limit of a rule set."""
    if not is_limit(c.text):
        return False
    figures = set(_figures(values))
    return len(figures) == 1 and any(figures <= known_limits().get(f, frozenset()) for f in c.heading.candidates)


def _is_limit_beside(c: Column, values: list[Any], claimed: list[str]) -> bool:
    """Whether a heading says that it is the limit of a reading which has a line of its own: "DTP Soll" beside "DTP Ist"."""
    tokens = [t for t in BREAK.split(c.text) if kind_of(t) == "limit" and "second" not in classes_of(t)]
    own = c.heading.candidates[0] in claimed
    return bool(tokens) and own and len(set(_figures(values))) == 1 and len(set(map(str, values))) == 1


@cache
def known_limits() -> dict[str, frozenset[float]]:
    """Every figure that a rule set of ours has as a limit, by the field of its parameter, in that field's unit."""
    fields = {entry["name"]: entry["column"] for entry in load_toml("parameters.toml")["parameter"]}
    found: dict[str, set[float]] = {}
    for name in names("rules"):
        if name.endswith(".toml") and not name.startswith("_"):
            for limit in load_toml(f"rules/{name}").get("limit", ()):
                ends = {float(limit[end]) for end in ("min", "max") if end in limit}
                found.setdefault(fields.get(limit.get("parameter"), ""), set()).update(ends)
    return {field: frozenset(figures) for field, figures in found.items() if field}


@cache
def all_limits() -> frozenset[float]:
    """Every figure that a rule set of ours has as a limit of anything."""
    return frozenset().union(*known_limits().values())


def _clock(value: Any) -> float | None:
    """Minutes after midnight of a cell that is a time of day, in digits with a mark between them; None for any other."""
    if isinstance(value, time):
        return value.hour * 60 + value.minute
    return time_minutes(value) if type(value) is str and not value.strip().isdigit() else None


def _is_clock(value: Any) -> bool:
    """Whether a cell is surely a time of day and no short duration: 05:00 or later."""
    return (_clock(value) or 0) >= _MORNING


def own_verdict(c: Column, values: Iterable[Any]) -> Column:
    """A heading as the firm's own verdict, where its words or its cells say so; else as it is."""
    if c.kind not in ("verdict", *_MAY_BE_VERDICTS) and c.field != "remarks":
        return c
    filled = [v for v in values if v is not None]
    if not filled or not (c.kind == "verdict" or _holds_verdicts(c, filled)):
        return c
    return as_field(c, "own_verdict", "a verdict of its own")


def _holds_verdicts(c: Column, filled: list[Any]) -> bool:
    """Whether the cells under a heading that may mean anything are verdicts: all, or most, and what else is there is no pass."""
    if c.field == "remarks":
        return verdicts.may_be_both(c.text) and _most_are_verdicts(filled)
    different = set(filled)
    if any(map(_is_verdict, different)) and are_verdicts(different):
        return True
    way, status = verdicts.side(c.text), c.kind == "unclear" and c.heading.candidates == ("outlet_status",)
    if c.kind == "unclear" and not status:
        return False
    if status and all(own_word("outlet_status", v) or loose_word("outlet_status", v) for v in filled if type(v) is str):
        return False
    ticked = (way or status) and all(map(verdicts.is_answer, filled)) and verdicts.YES in verdicts.read(c.text, filled)
    # Among verdicts one word that is not known is no pass: "X", "HOLD", "see note".
    return way == verdicts.FAILING or bool(ticked) or _most_are_verdicts(filled, c.kind)


def _most_are_verdicts(filled: list[Any], kind: str = "") -> bool:
    """Whether half of the cells or more are verdicts, or one among words under "Result": what else is there is no pass."""
    count = sum(map(_is_verdict, filled))
    words = kind == "value" and all(type(v) is str and not looks_like_value(v) for v in filled)
    return count > 0 and (words or len(filled) <= 2 * count)


def are_verdicts(values: Iterable[Any]) -> bool:
    """Whether cells hold nothing but somebody's verdicts (Pass, Fail ...), or blanks."""
    return all(v is None or _is_verdict(v) or type(v) is str and is_placeholder(v) for v in values)


def _is_verdict(value: Any) -> bool:
    """A word for a verdict, with or without a reason behind it."""
    return type(value) is str and any(
        key(text) in row_words("verdict_words") for text in (value, _REASON.split(value)[0])
    )
