"""Texts of remarks -> the readings that they state besides those of their row ("peak CO 30 ppm"), each judged both ways.

Words are data ([measured] of data/said.toml); names of what is measured are those of headings.
"""

from __future__ import annotations

import re
from functools import cache, lru_cache
from typing import NamedTuple

from grader.columns import FIELDS
from grader.data import load_toml
from grader.problems import Unreadable
from grader.read.words.dates import DATES, is_date
from grader.read.words.figures import NUMBER, QUANTITY, UNIT
from grader.read.words.heading_words import heading_words
from grader.read.words.phrases import WORD, any_of
from grader.read.words.said import REMARKS, sentences
from grader.read.words.spelling import key
from grader.read.words.stated import Stated, is_of_users
from grader.read.words.unclear import classes_of
from grader.read.words.units import belongs, canonical, quantity

_GASES = ("oxygen_pct", "co_ppm", "co2_ppm")
_OF_A_LINE = ("flow_l_min", "line_pressure_bar")
_BY_TUBE = ("oil_mg_m3", "water_tube_mg_m3")
_SAMPLED = "oil_sampling_min"
_LONGEST = 300  # characters; a longer text is no remark of one test
_LONGEST_NAME = 3  # words
_FAR = 6  # words between what is measured and its figure, at most
_PART = re.compile(r"[()]|,(?!\d)")
_FIGURE = re.compile(
    rf"(?<![\w.,/:\-–])((?:(?<!\S)-(?=\d))?[<>≤≥]?\s*{NUMBER})(?![\d.,:/–-]*\d)(?!\s?[/:])\s*(%|{UNIT})?"
)


class _Name(NamedTuple):
    first: int
    stop: int
    field: str


@cache
def _names() -> dict[str, str]:
    """Names of what is measured, as compared -> the field; whole names alone ("CO", "Sauerstoff")."""
    found = {
        k: [f for f in fields if f in (*_GASES, *_BY_TUBE, _OF_A_LINE[0])]
        for k, fields in heading_words().meanings.items()
    }
    return {k: fields[0] for k, fields in found.items() if len(fields) == 1}


_SPOKEN_ALONE = 6  # figures in words from which they may stand without a unit


@cache
def _spoken() -> tuple[dict[str, str], dict[str, str], re.Pattern[str]]:
    """Figures in words, units in words, and where they stand in a text."""
    words = load_toml(REMARKS.file)["measured"]
    figures = dict(w.split() for w in words["spoken"])
    units = dict(w.split("=") for w in words["units"])
    figure = rf"(?P<figure>{any_of(figures)}|{NUMBER})"
    return figures, units, re.compile(rf"(?<![\w-]){figure}(?:\s+(?P<unit>{any_of(units)}))?(?![\w-])", re.IGNORECASE)


@lru_cache(maxsize=20_000)
def in_figures(text: str) -> str:
    """A text with its figures and units in words as figures and signs.

    >>> in_figures("CO was thirty ppm"), in_figures("0,9 Milligramm Öl"), in_figures("two hoods"), in_figures("elf Teile CO")
    ('CO was 30 ppm', '0,9 mg Öl', 'two hoods', '11 ppm CO')
    """
    figures, units, pattern = _spoken()

    def written(found: re.Match[str]) -> str:
        figure, unit = found["figure"].lower(), found["unit"]
        value = figures.get(figure, figure)
        if figure not in figures and unit is None or unit is None and int(value) < _SPOKEN_ALONE:
            return found[0]
        return f"{value} {units[unit.lower()]}" if unit else value

    return pattern.sub(written, _minus().sub("-", text))


@cache
def _minus() -> re.Pattern[str]:
    """A word for minus before a figure."""
    return re.compile(rf"\b(?:{any_of(load_toml('notation.toml')['temperature']['minus'])})\s+(?=\d)", re.IGNORECASE)


_IN = re.compile(r"\b(?:in|en|als|as)\s+((?:[^\W\d_]|[%°])\S*)", re.IGNORECASE)
_OF_CLASS = {"press": "line_pressure_bar", "flow": "flow_l_min"}


@lru_cache(maxsize=20_000)
def units_in(text: str) -> tuple[Stated, ...]:
    """What a text says to be read in another unit than the field's own, as a cell that cannot be read: "Pressure read in psi".

    >>> units_in("Flow noted in cubic feet per hour")[0].choices, units_in("CO in ppm"), units_in("Oil changed in May")
    (('flow_l_min',), (), ())
    """
    if len(text) > _LONGEST or QUANTITY.search(text) and not REMARKS.say(text, "measured.foreign"):
        return ()
    fields = [n.field for n in _named(text)] or [f for of, f in _OF_CLASS.items() if of in classes_of(text)]
    found = [
        unit for word in _IN.findall(text) if (unit := canonical(word.strip(".,;:!"))) and _may_be_of(fields, unit)
    ]
    if fields and not found and REMARKS.say(text, "measured.foreign"):
        found = [text]
    return tuple(
        Stated((f,), Unreadable(u, "unit")) for f in dict.fromkeys(fields) for u in found if u != FIELDS[f].unit
    )


def _may_be_of(fields: list[str], unit: str) -> bool:
    """Whether a unit is one of air, of any of its readings."""
    of = quantity(unit)
    return bool(fields) and (of.startswith("content") or of in [quantity(FIELDS[f].unit) for f in fields])


def stands_before(text: str) -> str:
    """What a few words without a figure say of the one beside them: "again", one thing measured once more ("CO at end"), "check",
    the meter in clean air, "need", of a hood ("Haube benötigt"), "" where nothing."""
    if len(text.split()) > _LONGEST_LABEL or any(map(str.isdigit, text)):
        return ""
    if REMARKS.say(text, "measured.checks"):
        return "check"
    return "need" if is_of_users(text) else "again" * (REMARKS.say(text, "measured.again") and len(_named(text)) == 1)


_LONGEST_LABEL = 6


@lru_cache(maxsize=20_000)
def readings_in(text: str) -> tuple[Stated, ...]:
    """Readings that a text states, but for limits, gases of calibration, ranges and figures of an earlier day.

    >>> readings_in("peak CO 30 ppm"), readings_in("CO limit 5 ppm"), readings_in("10 strokes of the CO tube")
    ((Stated(choices=('co_ppm',), value='30 ppm'),), (), ())
    >>> readings_in("O2 fell to 18,5 % then CO2 900")
    (Stated(choices=('oxygen_pct',), value='18,5 %'), Stated(choices=('co2_ppm',), value='900'))
    >>> readings_in("CO at 22 ppm while a van stood outside"), readings_in("CO at 22 ppm outside")
    ((Stated(choices=('co_ppm',), value='22 ppm'),), ())
    >>> readings_in("rechecked: 30 ppm")
    (Stated(choices=('co_ppm', 'co2_ppm'), value='30 ppm'),)
    """
    text = in_figures(text) if len(text) <= _LONGEST else text
    if len(text) > _LONGEST or not any(map(str.isdigit, text)):
        return ()
    lead, mark, _ = text.partition(":")
    if mark and REMARKS.say(lead, "measured.without"):
        return ()  # "Limits: CO 10 ppm, CO2 1000 ppm"
    made: list[Stated] = []
    named = _named(text)
    undated = DATES.sub(lambda m: " " if is_date(m[0]) else m[0], text)
    for part in (part for sentence in sentences(undated) for part in _PART.split(sentence)):
        if not (REMARKS.say(part, "measured.without") or REMARKS.say(_less_clause(part), "measured.elsewhere")):
            made += _of_part(part, text, bool(named))
    return tuple(dict.fromkeys(made))


def _less_clause(part: str) -> str:
    """A part of a text up to the word behind one that tells what went on: of a van outside no figure is one from outside."""
    words = REMARKS.words(part)
    clause = next(iter(REMARKS.standing(words, "measured.clause")), None)
    return " ".join(words[: clause.stop + 1] if clause else words)


def of_expanded(text: str) -> bool:
    """Whether a text may say that a dew point was measured at one atmosphere, and states no pressure of the day.

    >>> of_expanded("Taupunkte in entspannter Luft"), of_expanded("Atmospheric pressure 1002 hPa"), of_expanded("Bay 10 bar")
    (True, False, False)
    """
    return REMARKS.say(text, "measured.expanded") and not REMARKS.say(text, "measured.of_the_day")


def _named(part: str) -> list[_Name]:
    """What a text names of what is measured, with its signs (first, the one after the last)."""
    tokens = list(WORD.finditer(part))
    keys = [" " if t[0].isdigit() else key(t[0]) for t in tokens]  # "CO 2" may be a figure of CO
    found: list[_Name] = []
    for i, first in enumerate(tokens):
        for stop in range(min(i + _LONGEST_NAME, len(tokens)), i, -1):
            field = _names().get("".join(keys[i:stop]))
            if field is not None and not (found and first.start() < found[-1].stop):
                found.append(_Name(first.start(), tokens[stop - 1].end(), field))
                break
    return found


def _of_part(part: str, text: str, elsewhere: bool) -> list[Stated]:
    """The readings of one part of a text. elsewhere : whether the text names anything that is measured."""
    names = _named(part)
    made = []
    for match in _FIGURE.finditer(part):
        word = match[2] or ""
        unit = canonical(word) or ("mg/m³" if word.casefold() == "mg" else None)
        if word and REMARKS.say(word, "measured.minutes") and {n.field for n in names} == {_BY_TUBE[0]}:
            made.append(Stated((_SAMPLED,), f"{' '.join(match[1].split())} min"))
            continue
        glued = bool(word) and not match[0][len(match[1]) : -len(word)]
        if word and unit is None and (glued or REMARKS.say(word, "measured.counted")):
            continue
        figure = " ".join(match[1].split())
        fields = _fields_of(part, names, match.start(1), match.end() if unit else match.end(1))
        alone = unit == "ppm" and match[1][0] not in "<≤"  # "< 5 ppm" is a limit, or well
        if (
            not fields
            and not elsewhere
            and (
                alone
                or REMARKS.say(text, "measured.corrects")
                and (unit == "ppm" or not word or REMARKS.say(word, "no.words"))
            )
        ):
            fields = [f for f in _GASES if unit is None or unit == FIELDS[f].unit]
        if not fields and not elsewhere and unit == "%" and REMARKS.say(text, "measured.checks"):
            fields = [_GASES[0]]
        if not fields and not elsewhere and word.casefold() == "mg":
            fields = [_BY_TUBE[0]]
        if not fields and unit is not None and REMARKS.say(text, "measured.falls"):
            fields = [f for f in _OF_A_LINE if belongs(f, unit)]
        oil = _BY_TUBE[:1] if REMARKS.say(text, "measured.again") else ()  # of it many figures speak
        bare = (*_GASES, _OF_A_LINE[0], *oil)
        choices = tuple(f for f in fields if (unit is None and f in bare) or (unit is not None and belongs(f, unit)))
        if choices:
            unit = unit or (FIELDS[_BY_TUBE[0]].unit if choices[0] == _BY_TUBE[0] else None)
            made.append(Stated(choices, f"{figure} {unit}" if unit else figure))
    return made


def _fields_of(part: str, names: list[_Name], first: int, stop: int) -> list[str]:
    """What a figure between two signs is of: the name directly before it, or behind its unit, else the last one before."""
    before = [n for n in names if n.stop <= first]
    behind = next((n for n in names if n.first >= stop), None)
    if before and not part[before[-1].stop : first].strip(" :=~"):
        return [before[-1].field]
    between = REMARKS.words(part[stop : behind.first]) if behind is not None else []
    if behind is not None and not REMARKS.outside(between, "measured.of"):
        return [behind.field]
    near = before and len(part[before[-1].stop : first].split()) <= _FAR
    return [before[-1].field] if near else []
