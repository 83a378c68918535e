"""What a sentence says of all tests of a sheet: how cold the use is, what supplies the air, when it was tested.

Words: data/clauses.toml. A fact is taken only where every word of its sentence is one of the fact; anything else is left
to those that judge both ways, or not read.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from datetime import date
from functools import cache, lru_cache
from typing import Any, NamedTuple

from grader.columns import FIELDS
from grader.read.words.dates import date_within, parse_date
from grader.read.words.figures import CLAUSES, NUMBER, QUANTITY, number, temperatures_in, without_temperatures
from grader.read.words.heading_words import LIKELY
from grader.read.words.headings import Heading
from grader.read.words.labels import Column, inline, label
from grader.read.words.loose import LOOSE
from grader.read.words.phrases import any_of
from grader.read.words.said import AROUND, against
from grader.read.words.stated import is_cold
from grader.read.words.supplied import behind_a_label, caption_of, is_of_a_day, line_of, may_say, names_a_feed, parts_of
from grader.read.words.unclear import classes_of
from grader.read.words.units import canonical

COLD, SUPPLY, DRYER, DATE, SITE = "lowest_use_temperature_c", "supply", "dryer", "test_date", "site"
_UNIT = re.compile(r"[(\[]?\s*(?:in\s+)?°\s*([CF])\s*[)\]]?\s*$", re.IGNORECASE)
# A sentence ends before a capital, not behind a figure ("14. September") or a short form ("min. Temperatur").
_END = re.compile(r"(?:(?<=[^\W\d_]{3})|(?<=[)°%²³])|(?<=°[CF])|(?<=\s[CF]))\.\s+(?=[A-ZÀ-Ý])|\s*;\s+|\n+")
_COMMA = re.compile(r",\s+")
_DASH = re.compile(r"\s[-–—/|]\s")
_BESIDE = re.compile(r"(\s{2,}|\s*[;|\n]\s*|[,.]\s+|\s[-–—/]\s)(?=([^\W\d_][^:;,|\n]{0,40}?)\s*:\s)")
_WHOLE_DAY = re.compile(r"\d.*\d{4}|\d{4}.*\d|\d[./-]\d\d?[./-]\d")
_LEAST, _LONGEST = 6, 200
_KIND = 4  # letters by which words for places are of one kind
_IN_BAR = re.compile(r"(\D*?)\s*(\d+(?:[.,]\d+)?\s*(?:barg?|psi|MPa)\b)\s*(\D*)", re.IGNORECASE)
_NEEDS = ("flow_needed_l_min", "lowest_pressure_bar")


class Fact(NamedTuple):
    """A field, what a text says it is, and whether that holds only where the sheet speaks of no other place."""

    field: str
    value: Any
    of_a_place: bool = False


def sentences(text: str) -> list[str]:
    """A text in its sentences.

    >>> sentences("Prüfung am 14. September. Halle min. 5 °C. Netz")
    ['Prüfung am 14. September', 'Halle min. 5 °C', 'Netz']
    """
    made: list[str] = []
    short = CLAUSES.spellings("short")
    for part in _END.split(text):
        if made and made[-1].split()[-1].casefold() in short:
            part = f"{made.pop()}. {part}"
        if part.strip(" ."):
            made.append(part.strip(" ."))
    return made


@lru_cache(maxsize=20_000)
def told(text: str) -> tuple[tuple[Column, Any], ...]:
    """The labels with their values, and the facts, that one cell says; the supply and dryer of a title among them.

    >>> [(c.field, v) for c, v in told("Supply: airline. Never below 4 °C in use.")]
    [('supply', 'airline'), ('lowest_use_temperature_c', '4 °C')]
    >>> [(c.field, v) for c, v in told("Lowest use temperature of tubes 4 °C. Airline pressure")]
    []
    """
    if len(parts := apart(text)) > 1:
        all_of_it = [one for part in parts for one in told(part)]
        fields = {c.field for c, _ in all_of_it}
        feed = behind_a_label(parts[0]) if names_a_feed(parts[0]) else None  # "Airline; dryer: desiccant"
        if feed and feed.supply and DRYER in fields and SUPPLY not in fields:
            all_of_it.append((column_of(text, Fact(SUPPLY, feed.supply)), feed.supply))
        return tuple(all_of_it)
    whole = inline(text)
    if not whole and not _may_state(text):
        return ()
    if whole and FIELDS[whole[0].field or "site"].kind == "text":
        return _with_more(*whole) if whole[0].field == SITE else (whole,)
    made: list[tuple[Column, Any]] = []
    silent: list[str] = []
    left: list[str] = []
    parts = sentences(text)
    for n, part in enumerate(parts):
        if found := inline(part):
            # What is not understood behind a label may belong to its value.
            rest = [p for p in parts[n + 1 :] if not (inline(p) or facts_of(p) or line_of(p).feed)]
            made.append((found[0], ". ".join([found[1], *rest])))
            left += rest
            continue
        for piece in [part] if facts_of(part) else _DASH.split(part):
            made += [(column_of(piece, fact), fact.value) for fact in facts_of(piece)]
            named = inline(piece)  # "Rig Repair / yard: Quay 9 / BA airline"
            made += [named] if named and FIELDS[named[0].field or "odour"].kind == "text" else []
            feeding = ", ".join(p for p in _COMMA.split(piece) if names_a_feed(p)) if facts_of(piece) else piece
            silent += [feeding] if feeding and not named else []
    labelled = any(c.field == SUPPLY for c, _ in made)
    lines = silent if labelled or not silent else ["\n".join(silent)]
    feeds = {line: feed for line in lines if (feed := line_of(line).feed)}
    if not (labelled or feeds) and any(any(map(str.isdigit, p)) or against(p, AROUND) for p in lines):
        return (whole,) if whole else ()  # what else the cell says must be heard
    for line, feed in feeds.items():
        how = OF_A_PLACE if feed.placed else IN_A_TITLE if feed.titled else IN_A_SENTENCE
        facts = [Fact(SUPPLY, feed.supply)] * (not labelled) + [Fact(DRYER, feed.dryer)]
        made += [(column_of(line if labelled else text, fact, how), fact.value) for fact in facts if fact.value]
    doubt = any(LOOSE.standing(CLAUSES.words(p), "negation") for p in lines if p not in feeds)
    away = any(map(places_in, lines))
    more = (
        bool(left) or len(feeds) < len(lines) or any(f.titled for f in feeds.values())
    )  # where it is colder may stand there
    return tuple(
        (c, v)
        for c, v in made
        if not (doubt and c.how in SAID and c.field in (COLD, DRYER) or away and c.how == OF_A_PLACE)
        and not (more and c.how in SAID and c.field == COLD and is_warm(v))
    )


def _with_more(site: Column, text: str) -> tuple[tuple[Column, Any], ...]:
    """The label of a site with the name alone of what stands behind it, and the day and supply there: "Mill Lane - airline"."""
    found = caption_of(text)
    if found is None:
        return ((site, text),)
    facts = [Fact(SUPPLY, found.feed.supply), Fact(DRYER, found.feed.dryer)] if found.feed else []
    facts += [Fact(DATE, found.day)]
    return ((site, found.name), *((column_of(text, fact), fact.value) for fact in facts if fact.value))


@lru_cache(maxsize=20_000)
def apart(text: str) -> list[str]:
    """A text parted before each further label with its value.

    >>> apart("Site: Works    Date: 4 May 2026"), apart("Odour: none")
    (['Site: Works', 'Date: 4 May 2026'], ['Odour: none'])
    """
    cuts = [m for m in _BESIDE.finditer(text) if len(m[1]) > 1 and m[1].isspace() or label(m[2])]
    cuts = [m for m in cuts if m[1][0] != "." or inline(text[: m.start()])]  # a sentence before it is no label
    starts, stops = [0, *(m.end(1) for m in cuts)], [*(m.start(1) for m in cuts), len(text)]
    return [text[a:b].strip() for a, b in zip(starts, stops)]


def _may_state(text: str) -> bool:
    """Whether a text can state a fact at all: by a temperature, a whole date or words of a supply. Cheap."""
    if not _LEAST < len(text) <= _LONGEST:
        return False
    if ":" in text or _WHOLE_DAY.search(text) or may_say(text) or _IN_BAR.fullmatch(text):
        return True
    return any(unit for _, unit in temperatures_in(text))


SAID = IN_A_SENTENCE, OF_A_PLACE, IN_A_TITLE = "said in a sentence", "said of a place", "said in a title"


def column_of(text: str, fact: Fact, how: str = "") -> Column:
    """A fact as a label has it."""
    why = how or (OF_A_PLACE if fact.of_a_place else IN_A_SENTENCE)
    unit = canonical(fact.value[-2:]) if fact.field == COLD else None
    return Column(-1, text, "field", Heading(fact.field, unit, "synonym", LIKELY, (fact.field,), why), why)


@lru_cache(maxsize=20_000)
def facts_of(sentence: str) -> tuple[Fact, ...]:
    """What one sentence says, where every part of it is understood.

    >>> facts_of("Hall kept at 15 °C or above")
    (Fact(field='lowest_use_temperature_c', value='15 °C', of_a_place=True),)
    >>> facts_of("Tested on 4 May 2026")[0].value, facts_of("Calibrated on 4 May 2026"), facts_of("Hall 2 never below 5 °C")
    ('4 May 2026', (), ())
    """
    whole = _of_one(sentence)
    if whole or "," not in sentence:
        return whole
    rest = [part for part in _COMMA.split(sentence) if not names_a_feed(part)]
    if joined := _cold(", ".join(rest)):  # "airline, heated, 13 °C or more"
        return joined
    made = [_of_one(part) for part in rest]
    return tuple(fact for found in made for fact in found) if all(made) else ()


def _of_one(text: str) -> tuple[Fact, ...]:
    return _cold(text) or _date(text) or _need(text) or _pressure(text)


def _pressure(text: str) -> tuple[Fact, ...]:
    """The line pressure of all tests: a figure in a unit of pressure, and a label for it beside it: "7 bar line pressure"."""
    found = _IN_BAR.fullmatch(text)
    said = label(f"{found[1]} {found[3]}".strip()) if found else None
    fields = {said.field, *(said.heading.candidates[:1] if said.heading.general else ())} if said else set()
    return (Fact("line_pressure_bar", found[2]),) if found and "line_pressure_bar" in fields else ()


def beside(text: str, value: Any, unit: str = "") -> Fact | None:
    """What a label that is not listed says with the figure or day beside it.

    >>> beside("Coldest the hoses ever get:", "-2 °C"), beside("Minimum temperature of tubes", "5 °C")
    (Fact(field='lowest_use_temperature_c', value='-2 °C', of_a_place=False), None)
    """
    if isinstance(value, date) or type(value) is str and parse_date(value).whole:
        return Fact(DATE, value) if _dated(text) else None
    text = text.strip().rstrip(":")
    if (own := _UNIT.search(text)) and not unit:
        text, unit = text[: own.start()], f"°{own[1]}"
    value = f"{value:g}" if type(value) in (int, float) else value
    found = _cold(f"{text} {value} {unit}")
    return found[0] if found else None


def _cold(text: str) -> tuple[Fact, ...]:
    """The lowest temperature of use that a text states, and nothing else.

    Of places whose temperature is told by that word it is that of use.
    """
    found = temperatures_in(text)
    if len(found) != 1 or not found[0][1] or "?" in text:
        return ()
    (figure, unit), words = found[0], CLAUSES.words(without_temperatures(text))
    below = [f"{COLD}.towards"] * (figure < 0)
    bound = CLAUSES.inside(words, f"{COLD}.bound", *below)
    names = ("use", "place", "weather", "elsewhere", "heated", "limited", "covered")
    use, place, weather, elsewhere, heated, limited, known = (CLAUSES.inside(words, f"{COLD}.{of}") for of in names)
    place -= use  # "used indoors" is of all use
    known |= bound | use | place | weather
    heated -= elsewhere  # "non chauffé"
    labelled = "temp" in classes_of(text)
    if labelled:
        use |= place | elsewhere - weather
        place, known = set(), known | use
    elif heated and not limited | place:  # "heated, 13 °C or more" is of all use; "hall heated" of the hall
        use, known = use | heated, known | heated
    if not bound or not use | place | weather or len(known) < len(words):
        return ()
    value = f"{figure:g} {unit}"
    return (Fact(COLD, value, bool(place or weather and is_warm(value)) or not use | weather),)


@cache
def _done_by() -> re.Pattern[str]:
    """Who did it may stand behind a date: "geprüft am 9.4.2026 durch Fremdfirma"."""
    return re.compile(rf"(?<=\d)\s+(?:{any_of(CLAUSES.spellings('test_date.by'))})\s[^\d]*$")


def without_tester(text: str) -> str:
    """A text without who did what it says, behind its date.

    >>> without_tester("tested 14 January 2026 by N. N."), without_tester("by train")
    ('tested 14 January 2026', 'by train')
    """
    return _done_by().sub("", text)


def _date(text: str) -> tuple[Fact, ...]:
    found = date_within(text := without_tester(text))
    if not found:
        return ()
    before, comma, behind = text.rpartition(",")
    if comma and found in behind and not any(map(str.isdigit, before)) and not classes_of(before) & _OTHER_DAYS:
        text = behind if _dated(behind.replace(found, " ")) else text  # "Paint hall, tested on 3 May 2026"
    return (Fact(DATE, found),) if _dated(text.replace(found, " ")) else ()


_OTHER_DAYS = frozenset(("expire", "due", "cal", "earlier", "instrument", "tube", "note"))


def day_in(value: Any) -> Any:
    """The day that a cell is, or that stands at an end of its text or of one part of it; None where there is none."""
    if type(value) is not str:
        return value if isinstance(value, date) else None
    parts = [value] if date_within(value) else [p for p in parts_of(value) if is_of_a_day(p)]
    found = [day for part in parts if (day := date_within(part))]
    return found[0] if len(found) == 1 else None


def of_title(value: Any) -> list[Fact]:
    """What a cell in the title of a sheet says with no word before it: its day, its site."""
    site = line_of(value).site if type(value) is str else ""
    return [Fact(f, v) for f, v in ((DATE, day_in(value)), (SITE, site)) if v]


def of_another_day(text: str) -> bool:
    """Whether a text speaks of the day of a form, a calibration, an expiry: "Form 12, rev. 3.2.19".

    >>> of_another_day("Form 12, rev. 3.2.19"), of_another_day("Dock Lane, 14.3.26")
    (True, False)
    """
    return bool(classes_of(text) & _OTHER_DAYS or CLAUSES.standing(CLAUSES.words(text), "test_date.aside"))


@lru_cache(maxsize=5_000)
def _dated(text: str) -> bool:
    """Whether the words before a date make it the day of the test."""
    words = CLAUSES.words(text)
    test, numbered = CLAUSES.inside(words, "test_date.test"), CLAUSES.inside(words, "test_date.number")
    number = {i for i, word in enumerate(words) if word.isdigit() and i - 1 in numbered}
    known = test | CLAUSES.inside(words, "test_date.covered") | number | {i - 1 for i in number}
    return bool(test) and len(known) == len(words)


def _need(text: str) -> tuple[Fact, ...]:
    """A flow or pressure that is needed, behind its listed label."""
    text = text.strip()
    match = next((m for m in QUANTITY.finditer(text) if m.end() == len(text)), None)
    if match is None or canonical(match[2]) is None:
        return ()
    found = label(text[: match.start()].rstrip(" :="))
    return (Fact(found.field, f"{match[1]} {match[2]}"),) if found and found.field in _NEEDS else ()


@lru_cache(maxsize=20_000)
def places_in(text: str, *kinds: str) -> frozenset[str]:
    """The beginnings of the words by which a text speaks of places, colder ones than halls or of other kinds.

    >>> sorted(places_in("Dock sheds, outside")), sorted(places_in("Bay 2")), sorted(places_in("Paint shop", "place"))
    (['dock', 'outs'], [], ['shop'])
    """
    words = CLAUSES.words(text)
    found = CLAUSES.standing(words, *(f"{COLD}.{kind}" for kind in kinds or ("elsewhere", "worse")))
    return frozenset(words[place.first][:_KIND] for place in found)


def of_cold(text: str, known: frozenset[str] = frozenset()) -> bool:
    """Whether a text may speak of a place or a time at which it is colder. known : places of which that is known.

    >>> of_cold("Exception: slipway"), of_cold("Lowest pressure needed"), of_cold("Bay 2")
    (True, False, False)
    """
    return bool(places_in(text) - known) or is_cold(text) and _NOT_HEAT.isdisjoint(classes_of(text))


_NOT_HEAT = frozenset(("dew", "press", "flow", "oxygen", "co", "co2", "oil"))


def has_degrees(text: str) -> bool:
    """Whether a text states a temperature, or ends with the unit of one."""
    return any(unit for _, unit in temperatures_in(text)) or bool(_UNIT.search(text))


_SIGNED = re.compile(rf"([-−–]?)\s*({NUMBER})")
_ALLOWED_FOR_C = -6.0
"""The lowest use that the dew point allowed without one (-11 °C) covers, with its margin of 5 K: data/rules, en12021-*.toml."""


def _celsius(value: str) -> float:
    """The first figure of a text in °C, in which it is unless the text ends with F."""
    found = _SIGNED.search(value)
    figure = number(found[2]) * (-1 if found[1] else 1) if found else math.nan
    return (figure - 32) / 1.8 if value.rstrip().endswith("F") else figure


def is_warm(value: Any) -> bool:
    """Whether a lowest temperature of use, in °C unless it says °F, would let more pass than none.

    >>> is_warm("15 °C"), is_warm(-3), is_warm("-25"), is_warm("14 °F"), is_warm(None)
    (True, True, False, False, False)
    """
    return _celsius(f"{value:g}" if type(value) in (int, float) else str(value)) > _ALLOWED_FOR_C


def coldest(values: Iterable[str]) -> str:
    """The coldest of temperatures as facts have them."""
    return min(values, key=_celsius)
