"""Texts of a sheet -> headings and labels, with as little taking apart as possible.

Most texts of a log are names, words and remarks. `may_be_heading` rules them out by their words alone, so that
only what can be a heading goes to headings.understand. Everything is remembered within the process.
"""

from __future__ import annotations

import re
from functools import cache, lru_cache
from typing import Any, NamedTuple

from grader.columns import FIELDS
from grader.data import load_toml
from grader.read.words.composed import is_group, is_part, tells
from grader.read.words.figures import NUMBER
from grader.read.words.heading_words import (
    CERTAIN,
    heading_words,
    limit_pattern,
    others,
    reading_words,
    word_keys,
    word_list,
)
from grader.read.words.headings import (
    EXACT,
    LIKELY,
    LONGEST_HEADING,
    MOST_WORDS,
    NO_UNIT_OF,
    ONE_WORD,
    Heading,
    kind_of,
    understand,
    unit_stated,
)
from grader.read.words.loose import own_word
from grader.read.words.phrases import any_of
from grader.read.words.slips import Slips
from grader.read.words.spelling import BREAK, key, keys_in, tidy, unglued
from grader.read.words.substances import is_substance
from grader.read.words.unclear import GASES, classes_of, guess
from grader.read.words.units import belongs, canonical, quantity

_LETTER = re.compile(r"[^\W\d_]|%")
_NUMBER = re.compile(r"\s*[<>≤≥=~±+\-–−]{0,2}\s*\d[\d.,\s]*\s*(?:[%°a-zA-Zµ³²/·.()]{0,12})\s*")
_DATE = re.compile(r"\s*\d{1,4}[./\-]\d{1,2}[./\-]\d{1,4}\s*")
_PLACEHOLDER = frozenset("-–—[]() /.")
TUBE_DETAILS = ("_tube_lot", "_tube_expiry")  # endings of the fields that say which tube gave a reading
# What may hold for several tests at once: no reading, no outlet, no remark.
SHARED = frozenset(f.name for f in FIELDS.values() if not f.reading and f.name not in ("outlet", "remarks"))
READINGS = frozenset(f.name for f in FIELDS.values() if f.reading)
NUMBERS = frozenset(f.name for f in FIELDS.values() if f.kind == "number")
# A general word below one of these says what it says alone: "Water" over "Min temp", "Supply" over "Pressure".
GROUPS = READINGS | {"supply"}
# What tells two tests apart; anything else of a test stands in several of its rows and should agree.
KEYS = ("client", "site", "site_address", "system", "location", "outlet", "test_date", "test_time")
VISIT = frozenset(f.name for f in FIELDS.values() if f.sheet == "Visit")
# Kinds of columns, told by a word, that hold no reading of today.
NO_READING = ("limit", "verdict", "unit", "number", "earlier")


A_UNIT_ALONE = "a unit alone"
SLIP = "a word with a letter wrong"
_LETTERS = re.compile(r"[^\W\d_]+")
_LEAST_SLIPPED = 5  # letters of a word in which one may be wrong
_LONGEST_SLIPPED = 40


class Column(NamedTuple):
    """What the heading over a column (before a row, beside a cell) means.

    kind : "field"; "unclear" (may be some of our fields: `heading.candidates`); "substance" (of none); "unit", "limit", "verdict",
           "parameter", "value", "earlier", "number" (tells how the table is built); "note" (none of ours, by its
           words); "unknown"; "ignored" (by a layout).
    text : the heading as it stands, parts of several rows joined by " / ".
    at   : 0-based column (row where outlets run across).
    """

    at: int
    text: str
    kind: str
    heading: Heading
    how: str = ""

    @property
    def weak(self) -> bool:
        """Whether only a part of the text names a field: "Bay 3", "CO alarm"."""
        return self.kind == "unclear" and self.heading.why.endswith("is not understood")

    @property
    def field(self) -> str:
        """Name of the field, "" where it is none."""
        return self.heading.field or "" if self.kind == "field" else ""


@lru_cache(maxsize=50_000)
def _tells(token: str) -> bool:
    return key(token) in heading_words().telling or tells(key(token))


@lru_cache(maxsize=50_000)
def may_be_heading(text: str) -> bool:
    """Whether a text can be a heading at all, by its words: cheap, and wrong only on the side of yes.

    >>> may_be_heading("CO [ppm]"), may_be_heading("telephone"), may_be_heading("20.9")
    (True, False, False)
    """
    if len(text) > LONGEST_HEADING or not _LETTER.search(text):
        return False
    tokens = BREAK.split(unglued(text))
    if len(tokens) > MOST_WORDS + 2:
        return False
    return any(map(_tells, tokens)) or key(text) in heading_words().telling or key(text) in others()


_NUMBERED = re.compile(r".*[^\W\d_].*\s\d+")


@lru_cache(maxsize=50_000)
def known_words(text: str) -> bool:
    """Whether all words of a text are those of headings, units or figures: without that it is no field of ours.

    >>> known_words("CO [ppm]"), known_words("Pressure gauge 17"), known_words("Bolt M8")
    (True, False, False)
    """
    if not may_be_heading(text) or _NUMBERED.fullmatch(text) and key(text) not in heading_words().meanings:
        return False
    vocabulary, units = heading_words().vocabulary, _unit_words()
    keys = keys_in(tidy(text))
    return all(k in vocabulary or k in units or not any(c.isalpha() for c in k) or is_part(k) for k in keys)


@cache
def _unit_words() -> frozenset[str]:
    units = load_toml("units.toml")["unit"]
    spelled = (s for unit, entry in units.items() for s in (unit, *entry.get("spellings", ())))
    return frozenset(key(t) for s in spelled for t in BREAK.split(s.casefold()))


def looks_like_value(value: Any) -> bool:
    """Whether a cell is a figure or a date, not a heading: a number, a date, or a text of one."""
    if type(value) is not str:
        return value is not None
    return bool(_NUMBER.fullmatch(value) or _DATE.fullmatch(value))


def is_unit(text: Any) -> bool:
    """Whether a cell is a unit alone."""
    return type(text) is str and len(text) <= 30 and bool(text.strip()) and canonical(text) is not None


def is_placeholder(text: Any) -> bool:
    """Whether a cell of a row of units stands for "no unit": a dash, empty brackets."""
    return type(text) is str and set(text) <= _PLACEHOLDER


def may_be_reading(value: Any) -> bool:
    """Whether a cell can be a reading: a figure, a word that stands for one, a placeholder."""
    return looks_like_value(value) or type(value) is str and (key(value) in reading_words() or is_placeholder(value))


def is_limit_word(text: Any) -> bool:
    """Whether a cell says that its row or column holds limits."""
    return type(text) is str and len(text) <= 60 and kind_of(text) == "limit"


@lru_cache(maxsize=5_000)
def is_limit(text: str) -> bool:
    """Whether a heading holds a word for a limit: "CO limit (ppm)", "Max. CO"."""
    words = keys_in(text)
    limits = word_keys("limit") - word_keys("function")
    return any(others().get(w) == "limit" for w in words) or not limits.isdisjoint(words)


@cache
def _range() -> re.Pattern[str]:
    return re.compile(rf"[≤≥]?\s*{NUMBER}\s*(?:[-–—]|\.\.|{any_of(word_list('to'))})\s*{NUMBER}\D*")


@lru_cache(maxsize=5_000)
def is_limit_text(value: Any) -> bool:
    """Whether a cell states a limit and no reading: "max 5 ppm", "20 - 22 %".

    >>> is_limit_text("max 5 ppm"), is_limit_text("19.5 – 23.5 %"), is_limit_text("<5"), is_limit_text("4 ppm")
    (True, True, False, False)
    """
    text = value.strip() if type(value) is str and len(value) <= 40 else ""
    match = limit_pattern().match(text)
    stated = match is not None and any(c.isdigit() for c in match[0]) and text[0].isalpha()
    return stated or _range().fullmatch(text) is not None


def is_later(text: str) -> bool:
    """Whether a heading says that its figures are those of today: beside it stand those of an earlier day.

    >>> is_later("New"), is_later("as left"), is_later("Reading")
    (True, True, False)
    """
    return key(text) in word_keys("later")


def is_overtaken(text: str) -> bool:
    """Whether a heading says Reading or the like, and would be of an earlier day beside one that is of today.

    >>> is_overtaken("As found"), is_overtaken("As left"), is_overtaken("Limit")
    (True, False, False)
    """
    return kind_of(text) == "value" and not is_later(text)


def another_thing(text: str) -> bool:
    """Whether a heading holds a word by which it means something else: limit, previous, required, average."""
    return any(w in word_keys("other_thing") or others().get(w) == "limit" for w in keys_in(text))


def column(at: int, text: str, below: str = "", unit: str = "", *, guessing: bool = True) -> Column:
    """What one heading means.

    text, below : the heading, and what stands under it (or beside it) in a second heading row.
    unit        : the unit in a further row or column.
    guessing    : whether beginnings of words and units may tell what an unlisted heading could be.
    """
    whole = " / ".join(part for part in (text.strip(), below.strip(), unit.strip()) if part)
    text, below, unit = (choice(part)[0] if "/" in part else part for part in (text, below, unit))
    heading = _joined(text, below, unit)
    if not heading.field and not heading.general:
        heading = _slipped(text, below, unit) or heading
    if heading.field:
        below = ", unit in the second row" if heading.unit_from == "second row" and heading.basis != EXACT else ""
        return Column(at, whole, "field", heading, heading.basis + below)
    if guessing and at >= 0 and (alone := _unit_alone(whole)):
        return Column(at, whole, "unclear", alone)
    found = Column(at, whole, "unclear", heading)
    # "Humidity" in % is no water in the unit of another thing, but the other thing that its word says.
    note = NO_UNIT_OF in heading.why and "never" in classes_of(whole)
    if heading.candidates and not found.weak and not note:
        return found
    kind = kind_of(text) or kind_of(below)
    if kind:
        return Column(at, whole, kind, heading)
    return _guessed(found, unit) if guessing else found if heading.candidates else found._replace(kind="unknown")


@cache
def _slips() -> Slips:
    return Slips.of((w for w in heading_words().vocabulary if w.isascii()), least=_LEAST_SLIPPED)


@lru_cache(maxsize=20_000)
def slipped_word(text: str) -> str:
    """The one word of a text that is in no heading, and may be one of them with a letter wrong; "" where there is none.

    >>> slipped_word("Oxygn (%)"), slipped_word("Carbon dioxide"), slipped_word("Kabine links")
    ('Oxygn', '', '')
    """
    strange = [w for w in _LETTERS.findall(text) if not _is_known(w)]
    return strange[0] if len(strange) == 1 and len(strange[0]) >= _LEAST_SLIPPED and _one_off(strange[0]) else ""


@lru_cache(maxsize=50_000)
def _is_known(word: str) -> bool:
    return (k := key(word)) in heading_words().vocabulary or k in _unit_words() or is_part(k)


@lru_cache(maxsize=50_000)
def _one_off(word: str) -> list[str]:
    return _slips().one_off(key(word))


def _slipped(text: str, below: str, unit: str) -> Heading | None:
    """A heading with a slip in one word, as a general word for the field; None where it may be another one.

    What two wrong letters would make of it must be that field or none: mono- is not di-.
    """
    if not (slip := slipped_word(text)):
        return None

    def fields(words: list[str]) -> dict[str, Heading]:
        made = (_joined(text.replace(slip, w), below, unit) for w in words)
        return {h.field or h.candidates[0]: h for h in made if h.field or h.general}

    found = fields(_one_off(slip))
    if len(found) != 1 or "water_mg_m3" in found:
        return None
    ((field, heading),) = found.items()
    told = heading.unit or heading.told
    other = (f for f in fields(_slips().two_off(key(slip))) if f != field and (not told or belongs(f, told)))
    return None if any(other) else Heading(None, None, "", LIKELY, (field,), SLIP, told=told, general=True)


def _unit_alone(text: str, general: bool = True) -> Heading | None:
    """A heading that is nothing but a unit, as the reading that is taken in it: "Bar", "l/min"."""
    unit = canonical(text)
    fields = load_toml("composed.toml")["unit"].get(quantity(unit), ()) if unit else ()
    if not unit or not fields or not belongs(fields[0], unit):
        return None
    return Heading(candidates=tuple(fields), why=A_UNIT_ALONE, told=unit, general=general)


_CHOICE = re.compile(r"(.*?)[\s(\[:]*(?<!\w)([^\W\d_]{1,4})\s*/\s*([^\W\d_]{1,4})[\s)\]?]*")


@lru_cache(maxsize=5_000)
def choice(text: str) -> tuple[str, str, str]:
    """(heading, its yes, its no) of a heading that ends with the answers it has; the heading as it is where it does not.

    >>> choice("Conforme (O/N)"), choice("J/N"), choice("CO mg/m")
    (('Conforme', 'O', 'N'), ('', 'J', 'N'), ('CO mg/m', '', ''))
    """
    found = _CHOICE.fullmatch(text)
    if found is None or key(found[2]) not in load_toml("said.toml")["answer"]["yes"] or key(found[2]) == "ok":
        return text, "", ""  # "Smell OK/NOK" asks for something else
    return (found[1], found[2], found[3]) if own_word("own_verdict", found[3]) == "fail" else (text, "", "")


def _guessed(found: Column, below: str) -> Column:
    """A heading that is not listed: what its words and its unit say that it could be; a note where they say so."""
    heading = found.heading
    if len(found.text) > LONGEST_HEADING:
        return found._replace(kind="unknown")
    unit = heading.told or (canonical(below) if below.strip() else None) or unit_stated(found.text)
    made = guess(found.text, unit)
    if not made.choices and is_substance(found.text, unit):
        return found._replace(kind="substance", heading=heading._replace(candidates=(), told=unit))
    if made.known:
        return found._replace(
            kind="unclear" if made.choices else "note",
            heading=heading._replace(candidates=made.choices, told=made.unit),
        )
    return found if heading.candidates else found._replace(kind="unknown")


def _joined(text: str, below: str, unit: str) -> Heading:
    kind = kind_of(below) if text.strip() else None
    if not below.strip() or is_placeholder(below) or kind == "value" and understand(text).field in READINGS:
        return understand(text, unit_below=unit)
    if kind == "earlier":
        return Heading(why="of an earlier day")
    if not text.strip():
        return understand(below, unit_below=unit)
    if is_unit(below) and not unit.strip():
        return _over_unit(text, below)
    if unit.strip():
        both = understand(f"{text} {below}", unit_below=unit)
    else:
        both = understand(text, unit_below=below)
    if both.field:
        return both
    alone = understand(below, unit_below=unit)
    # The heading above may turn the one below into another thing: limits, last year's figures, before a filter.
    if (alone.field or kind_of(below)) and not another_thing(text):
        return alone._replace(sure=LIKELY) if alone.field else alone
    if alone.general and not another_thing(text) and (is_group(text) or understand(text).field in GROUPS):
        return alone  # "Versorgung des Gerätes" over "Druck (bar)"
    return both if both.candidates else alone if alone.candidates else both


def _over_unit(title: str, unit: str) -> Heading:
    """A heading over its unit. Where it is of several and no reading in that one what the unit says is tried."""
    found, known = understand(title, unit_below=unit), canonical(unit) or ""
    if found.field or any(belongs(f, known) for f in found.candidates):
        return found
    if not (found.candidates and is_group(title)):
        return found
    return _unit_alone(unit, general=False) or found


@lru_cache(maxsize=5_000)
def tube_detail(text: str) -> str:
    """What a heading says of a detector tube without naming its gas: "_tube_lot", "_tube_expiry" or "".

    >>> tube_detail("Batch"), tube_detail("Use before"), tube_detail("CO tube lot"), tube_detail("Outlet")
    ('_tube_lot', '_tube_expiry', '', '')
    """
    if len(text) > 40 or not may_be_heading(text) and not classes_of(text):
        return ""
    found = column(-1, text, guessing=False)
    candidates = found.heading.candidates
    for detail in TUBE_DETAILS if found.kind == "unclear" and not found.weak else ():
        if candidates[0].endswith(detail):
            return detail
    classes = classes_of(text)
    tell = classes & {"expire", "ends"} and not classes & {*GASES, "oil", "water", "cal", "instrument", "time", "cold"}
    return "_tube_expiry" if tell and not found.field else ""


def _is_short(text: str) -> bool:
    """Whether a text can be a label with a slip: few words, and no number of its own ("Painter 17")."""
    return len(text) <= _LONGEST_SLIPPED and not _NUMBERED.fullmatch(text)


@lru_cache(maxsize=50_000)
def label(text: Any) -> Column | None:
    """What a text means as a label beside or above a value; None where it is no label of ours."""
    if type(text) is not str or not (known_words(text) or _is_short(text) and slipped_word(text)):
        return None
    found = column(-1, text, guessing=False)
    slip = found.heading.why == SLIP and (READINGS & NUMBERS).isdisjoint(
        found.heading.candidates
    )  # "Small" is no smell
    if found.heading.why == ONE_WORD or slip:
        return None  # "The shop" may be a name
    clear = found.kind == "field" or found.kind == "unclear" and not found.weak and kind_of(text) != "parameter"
    return found if clear else None


def first_of_names(at: int, text: str) -> Column:
    """A line of names that is the outlet because nothing else is, under whatever words."""
    found = column(at, "Outlet")
    heading = found.heading._replace(sure=LIKELY, basis="synonym")
    return found._replace(text=text, how="first column of names", heading=heading)


def stated_by_layout(at: int, text: str, field: str, unit: str | None, source: str) -> Column:
    """A line of which a layout file says what field it is. source : name of the layout file."""
    said = f"layout file {source}"
    heading = Heading(field, unit, "layout", CERTAIN, (field,), said, "heading" if unit else "")
    return Column(at, text, "field", heading, said)


@lru_cache(maxsize=20_000)
def loose_label(text: Any, unit: str = "") -> Column | None:
    """What a text that is not listed may name by its words and unit: "unclear" or "substance"; None where neither.

    >>> loose_label("Toluene").kind, loose_label("Xyzzy", "ppm").kind, loose_label("Flange")
    ('substance', 'substance', None)
    """
    if type(text) is not str or looks_like_value(text):
        return None
    name = text.rstrip(": ")
    found = column(-1, name, unit=unit)
    # An unknown word with a unit beside it is joined to it: the name stands alone.
    return found._replace(text=name) if found.kind in ("unclear", "substance") else None


def inline(text: Any) -> tuple[Column, str] | None:
    """A label and its value in one cell, "Site: North yard"; None where it is none.

    >>> inline("Site: North yard")[1], inline("Note to all")
    ('North yard', None)
    """
    if type(text) is not str or ":" not in text or len(text) > 200:
        return None
    before, value = text.split(":", 1)
    if not before.strip() or not value.strip():
        return None
    found = label(before)
    return (found, " ".join(value.split())) if found else None
