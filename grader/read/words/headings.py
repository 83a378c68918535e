"""A heading of a firm's own log -> the field it means, its unit, and how sure that is.

Words are data, a file a language (data/headings-<language>.toml), and so are units (data/units.toml). Where a
heading can mean two fields, or holds a part that is not understood, no field is given: a person settles it in
a layout file.

A heading, after `tidy`, is  [n.] words [unit] [condition]  where the unit stands in brackets, behind a slash,
a comma, "in" or nothing, before the words, or in a second row; a condition is "@ 7 bar" or the reference
condition; a limit ("max 5 ppm") gives its unit only. A pressure dew point is not taken to be at the row's
line pressure: only a heading with a figure, or a column, says where it was measured. Runs in the reading
child: no numpy, no pandas.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache, lru_cache
from typing import NamedTuple

from grader.columns import FIELDS, normal_heading
from grader.read.words.composed import composed, is_part, tells
from grader.read.words.figures import NUMBER, number
from grader.read.words.heading_words import (
    CERTAIN,
    LIKELY,
    UNSURE,
    by_words,
    heading_words,
    limit_pattern,
    others,
    reading_words,
    word_keys,
    word_list,
)
from grader.read.words.needs import UNLIMITED, without_what_is_asked
from grader.read.words.phrases import WORD, any_of
from grader.read.words.spelling import BREAK, bag, key, tidy
from grader.read.words.units import belongs, canonical, convert, unit_needed

LONGEST_HEADING = 120
MOST_WORDS = 14

# The headings of the blank and the further fields, as data/fields.toml spells them.
OWN_HEADINGS = {normal_heading(f.heading): f.name for f in FIELDS.values()}
NO_UNIT_OF = "is no unit of"
ONE_WORD = "a word for it among others of no meaning"
COMPOSED = "of known parts, not listed as a whole"
# basis
EXACT, SYNONYM, ABBREVIATION = "heading exact", "synonym", "abbreviation"


class Heading(NamedTuple):
    """What a heading means.

    field      : field name, None where it is none of ours or can be several: then nothing is read from it.
    unit       : canonical unit id, None where the heading states none (or the field has none).
    basis      : "heading exact" (of the blank), "synonym", "abbreviation", or "" without a field.
    sure       : "certain", "likely", or "unsure" (no field).
    candidates : fields that could be meant, the likeliest first; empty where nothing is known of it.
    why        : one short sentence for a person, English.
    unit_from  : "heading", "second row" or "".
    constants  : (field, value in that field's unit) that the heading itself states: "PDP @ 7 bar".
    told       : the unit that a heading without a field states, for the line of a layout file.
    general    : a general word (Pressure, Ref): the first candidate is meant where no other column claims it.
    """

    field: str | None = None
    unit: str | None = None
    basis: str = ""
    sure: str = UNSURE
    candidates: tuple[str, ...] = ()
    why: str = ""
    unit_from: str = ""
    constants: tuple[tuple[str, float], ...] = ()
    told: str | None = None
    general: bool = False

    @property
    def lacks_unit(self) -> bool:
        """Whether the figures are not read unless a unit is found elsewhere (a column, a layout file)."""
        return self.field is not None and self.unit is None and unit_needed(self.field)


@lru_cache(maxsize=20_000)
def understand(text: str, unit_below: str = "") -> Heading:
    """What a heading means.

    text       : str. The cell, as it stands (line breaks, hard spaces, "CO₂", a colon at the end).
    unit_below : str. The cell of a second heading row below it (or beside it, in a column of units): a
                 unit, or further words of the heading, or "".
    Returns    : Heading. Remembered for each text.

    >>> understand("CO₂ / ppm")[:4]
    ('co2_ppm', 'ppm', 'abbreviation', 'certain')
    >>> understand("Pressure (bar)").field, understand("Pressure (bar)").candidates[0]
    (None, 'line_pressure_bar')
    """
    below = tidy(unit_below)
    exact = OWN_HEADINGS.get(normal_heading(text).rstrip(":*"))
    if exact and (not below or canonical(below) == FIELDS[exact].unit != ""):
        unit = FIELDS[exact].unit or None
        return Heading(exact, unit, EXACT, CERTAIN, (exact,), "the heading of the blank", "heading" if unit else "")
    whole = tidy(text)
    tokens = BREAK.split(whole)
    if not whole or len(whole) > LONGEST_HEADING or len(tokens) > MOST_WORDS:
        return Heading(why="no heading" if not whole else "too long for a heading")
    keys = [key(t) for t in (*tokens, whole)]
    if heading_words().telling.isdisjoint(keys) and not any(map(tells, keys)):
        return Heading(why="not known" if canonical(whole) is None else "a unit alone")
    found = _of_parts(whole, below)
    if any(c.isdigit() for c in whole + below):  # "Flow l/min (min 150)"
        rest, rest_below = without_what_is_asked(text), without_what_is_asked(unit_below)
        plain = (
            understand(rest, rest_below)
            if (rest, rest_below) != (text.strip(" ,;/"), unit_below.strip(" ,;/"))
            else found
        )
        if plain.candidates[:1] and plain.candidates[0] in UNLIMITED and (plain.unit or plain.told or not found.unit):
            return plain
    # "Lowest temperature today" is no general word for the lowest one of use.
    unless = heading_words().unless.get(found.field or (found.candidates[0] if found.general else ""))
    told = WORD.findall(f"{whole} {below}") if unless else []
    if unless and (places := unless.standing([*map(key, told)])):
        strange = told[places[0].first]
        more = ("ambient_temperature_c",) if found.field == "lowest_use_temperature_c" else ()
        return Heading(
            candidates=(*found.candidates, *more), why=f"“{strange}” may make it another thing", told=found.unit
        )
    return found


def _of_parts(whole: str, below: str) -> Heading:
    """What a tidied heading and what stands below it mean."""
    if len(below) > LONGEST_HEADING or len(BREAK.split(below)) > MOST_WORDS:
        return Heading(why="too long for a heading")
    unit = _unit_of(below)
    if unit is None:
        return _single(f"{whole} {below}".strip())
    found = _single(whole, unit)
    if found.field and found.unit not in (None, unit):
        return Heading(candidates=(found.field,), why=f"the heading says {found.unit}, the row below it {unit}")
    return found


@lru_cache(maxsize=20_000)
def kind_of(text: str) -> str | None:
    """What a heading is that is none of our fields but tells how a table is built.

    Returns : "unit", "limit", "verdict", "parameter", "value" or "number" (a running number); None otherwise.

    >>> kind_of("Units"), kind_of("Grenzwert"), kind_of("Oxygen")
    ('unit', 'limit', None)
    """
    return others().get(key(text))


# --------------------------------------------------------------------------------------------- taking apart


# Signs that say something, though a key leaves them out: "Humidity (%)" is no reading in mg/m³.
_SIGNS = frozenset("%‰<>≤≥=±°@~")
_NUMBER_SIGN = re.compile(r"\bn°", re.IGNORECASE)
# CO 2 may be carbon dioxide, or the second of several columns for carbon monoxide.
_CO_2 = re.compile(r"\bco[\s\-_.,/()\[\]]+2\b(?![.,]\d)", re.IGNORECASE)
_BRACKETS = re.compile(r"\(([^()]*(?:\([^()]*\)[^()]*)*)\)|\[([^\[\]]*)\]|\{([^{}]*)\}")
_BRACKET = re.compile(r"^[(\[{]?([^(\[{]*)[)\]}]$")  # around all, or one that opened before
_MEASURED_AT = "dew_point_measured_at_bar"
_OF_CONDITIONS = ("line_pressure_bar", "atmospheric_pressure_hpa", "airline_temperature_c")
# A limit needs a word or a sign, or a range and a unit: "CO - 2" is the second of several columns.
_LIMIT_WORD = re.compile(r"[<>≤≥=±]|[^\W\d]")
_LIMIT_SIGN = re.compile(r"[<>≤≥=±]|[^\W\d]|\d\s*[\-–]\s*\d")
_REFERENCE = {
    "°C": (20.0,),
    "hPa": (1013.0, 1013.25),
    "bar": (1.0, 1.013, 1.01325),
    "kPa": (101.3, 101.325),
    "bar absolute": (1.0, 1.013, 1.01325),
    "atm": (1.0,),
}


def _single(whole: str, unit: str = "") -> Heading:
    """A tidied heading; `unit` (canonical) where a row below states it."""
    conditions, rest, strange = _conditions(whole)
    best: Heading | None = None
    for core, unit_text, dropped in _proposals(rest):
        if _CO_2.search(core):
            return Heading(
                candidates=("co2_ppm", "co_ppm"), why="it can be carbon dioxide, or a second column of carbon monoxide"
            )
        here = canonical(unit_text) if unit_text else None
        meaning = _meaning(core, here or unit, bool(here))
        if meaning is None or (unit_text and here is None) or len(unit_text) == 1 and _is_named(meaning):
            continue
        made = _with_unit(meaning, here, unit, dropped)
        if made.field and strange:
            made = Heading(candidates=made.candidates, why=f"“{strange}” is not understood")
        if made.field:
            return _with_conditions(made, conditions)
        if best is None or (made.candidates and not best.candidates):
            best = made
    best = best or _nothing(rest)
    return best._replace(told=unit_stated(rest, best.candidates[0]) or unit or None) if best.candidates else best


def _is_named(meaning: Heading) -> bool:
    """Whether a meaning has no figures: the letter behind it is a name's, no unit ("Prise C")."""
    return bool(meaning.candidates) and all(FIELDS[f].kind != "number" for f in meaning.candidates)


def unit_stated(text: str, field: str = "") -> str | None:
    """The unit that a heading which is not clear states, canonical; None where there is none (of a field).

    >>> unit_stated("Coldest corner (°C)"), unit_stated("Coldest corner")
    ('°C', None)
    """
    units = (canonical(unit) for _, unit, _ in _proposals(tidy(text)) if unit)
    return next((u for u in units if u and (not field or belongs(field, u))), None)


def _with_unit(meaning: Heading, here: str | None, below: str, dropped: bool) -> Heading:
    """The heading for a meaning and the unit that was found in it or below it."""
    candidates = meaning.candidates
    stated = here or below or None
    if meaning.field is None:
        fit = tuple(f for f in candidates if stated is None or belongs(f, stated))
        return Heading(
            candidates=fit or candidates,
            why="it can be several fields" if len(candidates) > 1 else "it may be another thing",
            general=meaning.general,
        )
    field = meaning.field
    for unit in filter(None, (here, below)):
        if not belongs(field, unit):
            return Heading(candidates=(field,), why=f"{unit} {NO_UNIT_OF} {FIELDS[field].heading}")
    unsure = dropped or meaning.sure == LIKELY or stated is None and FIELDS[field].unit
    made = meaning._replace(unit=stated, sure=LIKELY if unsure else CERTAIN, candidates=(field,))
    if made.why == ONE_WORD and FIELDS[field].kind != "number":
        return made
    why = {SYNONYM: "a word for", ABBREVIATION: "an abbreviation of"}[made.basis] + f" {FIELDS[field].heading}"
    return made._replace(why=why, unit_from="heading" if here else "second row" if below else "")


_SURELY_A_UNIT = re.compile(r"[°%]|ppm|/m")
# Peeling off a unit and a limit takes two steps; a sentence must not be tried in every way there is.
_DEEPEST = 2


def _proposals(whole: str, depth: int = 0) -> Iterator[tuple[str, str, bool]]:
    """(words, unit text or "", whether something was left out) that a heading can be made of, best first."""
    if depth <= _DEEPEST:
        for core, tail in _tails(whole):
            yield from [(core, tail, False)] if canonical(tail) is not None else _limited(core, tail, depth)
        yield from _heads(whole)
        for core, inner in _bracketed(whole):
            if canonical(inner) is None:
                yield from _limited(core, inner, depth)
                continue
            for less, more, dropped in _proposals(core, depth + 1):
                if not more or canonical(more) == canonical(inner):
                    yield less, inner, dropped
    yield whole, "", False


def _limited(core: str, limit: str, depth: int) -> Iterator[tuple[str, str, bool]]:
    """The proposals for words beside a limit, which states their unit, or none; none where it is no limit."""
    unit = _limit_unit(limit)
    if unit:
        yield core, unit, True
    elif unit is not None:
        yield from ((less, more, True) for less, more, _ in _proposals(core, depth + 1))


def _tails(whole: str) -> Iterator[tuple[str, str]]:
    """(words before it, what may be a unit or a limit behind them), the longest first."""
    for match in _gaps(whole):
        core = _without_joining(whole[: match.start()])
        tails = (whole[at:].strip(" /,;:|-–") for at in sorted({match.start(), match.end()}))
        yield from ((core, _BRACKET.sub(r"\1", tail)) for tail in tails)


def _heads(whole: str) -> Iterator[tuple[str, str, bool]]:
    """The longest unit before the words, then one among them that is surely a unit."""
    for match in reversed(_gaps(whole)):
        if canonical(head := whole[: match.start()]) is not None:
            yield whole[match.end() :], head, False
    parts = whole.split()
    for at in range(1, len(parts) - 1):  # "Dew point °C at line pressure"; "min" and "bar" are words too
        if _SURELY_A_UNIT.search(parts[at]) and canonical(parts[at]) is not None:
            yield " ".join([*parts[:at], *parts[at + 1 :]]), parts[at], False


def _gaps(whole: str) -> list[re.Match[str]]:
    return [m for m in re.finditer(r"[\s/,;:|\-–]*[\s/,;:|(\[{\-–]+", whole) if m.start() > 0]


def _bracketed(whole: str) -> Iterator[tuple[str, str]]:
    """(what stands outside of it, what stands in brackets)."""
    for match in _BRACKETS.finditer(whole):
        if outside := f"{whole[: match.start()]} {whole[match.end() :]}".strip():
            yield outside, next(g for g in match.groups() if g is not None)


def _without_joining(core: str) -> str:
    core = core.rstrip(" /,;:|-–([{=")
    for word in word_list("joining"):
        if core.casefold().endswith(" " + word):
            return core[: -len(word)].rstrip(" /,;:|-–([{=")
    return core


def _limit_unit(text: str) -> str | None:
    """The unit text behind a limit ("max 5 ppm", "19.5 - 23.5 %"), "" if it states none; None: no limit."""
    if not any(c.isdigit() for c in text):
        return None
    match = limit_pattern().match(text)
    if match is None or not any(c.isdigit() for c in match[0]):
        return "" if _is_need(text) else None
    rest = text[match.end() :].strip()
    if not rest:
        return "" if _LIMIT_WORD.search(match[0]) else None
    if _LIMIT_SIGN.search(match[0]) and canonical(rest) is not None:
        return rest
    return "" if _is_need(text) else None


def _is_need(text: str) -> bool:
    """Whether a text is what is asked of a reading, in words: "5 below min temp", "at least 5 K under room temp"."""
    function = word_keys("function")
    limits = word_keys("limit") - function
    tokens = [t for t in BREAK.split(text) if t]
    words = [key(t) for t in tokens if not t.isdigit()]
    known = {w for w in words if w in limits or w in function or is_part(w)}  # "min" is no unit here
    behind = zip(["", *tokens], tokens)
    if any(canonical(t) and key(t) not in known and not before.isdigit() for before, t in behind):
        return False  # "°C (5 below min temp)": the unit is that of the reading
    units = {key(t) for t in tokens if canonical(t) is not None}
    return not limits.isdisjoint(words) and all(w in known or w in units for w in words)


def _unit_of(below: str) -> str | None:
    """Canonical unit of the cell below a heading, also behind a limit or "in"."""
    for text in (below, re.sub(rf"^(?:{any_of(word_list('joining'))})[\s:]+", "", below, flags=re.IGNORECASE)):
        found = canonical(text)
        if found:
            return found
        limited = _limit_unit(text)
        if limited:
            return canonical(limited)
    return None


# ------------------------------------------------------------------------------------------- what words mean


def _meaning(core: str, unit: str = "", stated: bool = False) -> Heading | None:
    """What words without a unit mean; None where they are unknown. unit, stated : as `composed` has them."""
    found = _listed(core)
    if found and found.field == _MEASURED_AT and _BRACKETS.search(core) and (made := composed(core, unit, stated)):
        return Heading(made.fields[0], None, SYNONYM, LIKELY, made.fields, COMPOSED)  # "Dew point (pressure)"
    of_words = stated and found and FIELDS[found.candidates[0]].kind != "number"  # "Luft (l/min)" is no supply
    if found and (found.field or found.general) and not of_words:
        return found
    if made := composed(core, unit, stated):
        if made.general:
            return Heading(candidates=made.fields, why=COMPOSED, general=True)
        return Heading(made.fields[0], None, SYNONYM, LIKELY, made.fields, COMPOSED)
    if found:
        return found
    tokens = [t for t in BREAK.split(core) if t]
    for dropped in range(1, len(tokens)):
        # The fewest words of no meaning go first: "measured water content" is the content still.
        for front in range(dropped + 1):
            kept = tokens[front : len(tokens) - dropped + front]
            gone = tokens[:front] + tokens[len(tokens) - dropped + front :]
            if kept and all(key(t) in word_keys("filler") for t in gone) and (found := _listed(" ".join(kept))):
                return found._replace(sure=LIKELY)
    if found := _in_any_order(core):
        return found
    for cut in range(1, len(tokens)):
        one, two = _listed(" ".join(tokens[:cut])), _listed(" ".join(tokens[cut:]))
        if one and two and one.field and one.field == two.field:
            return one if one.sure == CERTAIN else two
        if one and two and one.field and two.field:
            return Heading(candidates=(one.field, two.field))
        if one and two and one.general and two.general and one.candidates[0] == two.candidates[0]:
            return one  # "Druck / Pressure"
    match = _BRACKETS.search(core)
    if match:
        inner = next(g for g in match.groups() if g is not None)
        outside = _meaning(f"{core[: match.start()]} {core[match.end() :]}")
        if outside and outside.field:
            if FIELDS[outside.field].kind == "number":
                fits = all(
                    key(w) in reading_words() for w in re.split(rf"[/,;]|\b(?:{any_of(word_list('or'))})\b", inner)
                )
            else:
                fits = not word_keys("other_thing") & set(map(key, BREAK.split(inner)))
            return outside._replace(sure=LIKELY) if fits else None
    return None


def _in_any_order(core: str) -> Heading | None:
    """What a heading means whose words are those of a spelling in another order, among words of no meaning."""
    if not _SIGNS.isdisjoint(_NUMBER_SIGN.sub("", core)):
        return None
    of_one, of_several = by_words()
    for without in (word_keys("function"), word_keys("function") | word_keys("filler")):
        parts = bag(core, without)
        fields = of_one.get(parts, {})
        if not fields and len(parts) == 1:
            found = _listed(next(iter(parts)))
            if found:
                return found._replace(sure=LIKELY, why=ONE_WORD)
        if len(fields) == 1:
            return Heading(next(iter(fields)), None, SYNONYM, LIKELY, tuple(fields))
        if fields:
            return Heading(candidates=tuple(fields))
        if parts in of_several:
            return _listed(of_several[parts])
    return None


def _listed(text: str) -> Heading | None:
    """What a text means that stands in the data files as a whole."""
    if not _SIGNS.isdisjoint(_NUMBER_SIGN.sub("", text)):
        return None
    spelled = key(text)
    several = heading_words().ambiguous.get(spelled)
    fields = heading_words().meanings.get(spelled, {})
    if several or len(fields) > 1:
        candidates = (*fields, *(f for f in several or () if f not in fields))
        named = all(FIELDS[f].kind != "number" for f in candidates)
        return Heading(candidates=candidates, general=spelled in word_keys("general") or named and len(fields) > 1)
    for field, how in fields.items():
        basis = ABBREVIATION if how == "abbreviations" else SYNONYM
        constants = ((_MEASURED_AT, 0.0),) if spelled in heading_words().at_atmosphere else ()
        return Heading(field, None, basis, LIKELY if how == "loose" else CERTAIN, (field,), constants=constants)
    return None


def _nothing(whole: str) -> Heading:
    """A heading that is not understood; fields that a part of it names are candidates."""
    if canonical(whole) is not None:
        return Heading(why="a unit alone")
    kind = others().get(key(whole))
    if kind:
        return Heading(why=f"a column of another kind ({kind})")
    tokens = [t for t in BREAK.split(whole) if t]
    for length in range(len(tokens) - 1, 0, -1):
        for start in range(len(tokens) - length + 1):
            part = _listed(" ".join(tokens[start : start + length]))
            if part and len(key(" ".join(tokens[start : start + length]))) > 1:
                left = " ".join(tokens[:start] + tokens[start + length :])
                return Heading(candidates=part.candidates, why=f"“{left}” is not understood")
    return Heading(why="not known")


# ------------------------------------------------------------------------------------------------- conditions


def _conditions(whole: str) -> tuple[list[tuple[float, str]], str, str]:
    """(value and unit of each condition, the heading without them, a condition that is not understood)."""
    signs = "|".join(
        re.escape(w) if not w[0].isalpha() else rf"\b{re.escape(w)}\b"
        for w in sorted(word_list("condition"), key=len, reverse=True)
    )
    found: list[tuple[float, str]] = []
    strange = ""

    def take(match: re.Match[str]) -> str:
        nonlocal strange
        text = match[0]
        inside = re.sub(rf"^[\s,;(\[]*(?:(?:{signs})\s*)?", "", text, flags=re.IGNORECASE).strip(" )]")
        parts = _quantities(inside)
        if parts is None and _limit_unit(inside) is not None:
            return text
        if parts is None:
            if not re.search(signs, text, re.IGNORECASE):
                return text
            strange = strange or text.strip(" ,;()[]")
        found.extend(parts or ())
        return ")" * (text.count(")") - text.count("("))

    rest = re.sub(
        rf"[\s,;]*[(\[]?\s*(?:{signs})\s*\d[^()\[\]]*(?:[)\]]|$|(?=[(\[]))|[\s,;]*[(\[]\s*\d[^()\[\]]*[)\]]",
        take,
        whole,
        flags=re.IGNORECASE,
    )
    return found, rest.strip(), strange


@cache
def _quantity() -> re.Pattern[str]:
    end = rf"$|[,;/]|(?:{any_of(word_list('and'))})\b"
    return re.compile(rf"({NUMBER})\s*([^\d\s,;()][^\d,;()]*?)\s*(?:{end})", re.IGNORECASE)


def _quantities(text: str) -> list[tuple[float, str]] | None:
    """Pressures and temperatures of a text that holds nothing else: "20 °C, 1013 hPa"; None otherwise."""
    made = [(number(m[1]), canonical(m[2]) or "") for m in _quantity().finditer(text)]
    known = all(any(belongs(field, unit) for field in _OF_CONDITIONS) for _, unit in made)
    return made if made and known and not _quantity().sub("", text).strip(" ,;/") else None


def _with_conditions(made: Heading, conditions: list[tuple[float, str]]) -> Heading:
    """Give a heading its conditions: the pressure of a dew point, else only the reference condition fits."""
    for value, unit in conditions:
        of_dew_point = made.field == "dew_point_measured_c"
        if of_dew_point and not made.constants and (value, unit) == (1.0, "atm"):
            made = made._replace(constants=((_MEASURED_AT, 0.0),))
        elif of_dew_point and not made.constants and belongs(_MEASURED_AT, unit):
            made = made._replace(constants=((_MEASURED_AT, float(convert(_MEASURED_AT, unit, value))),))
        elif of_dew_point or value not in _REFERENCE.get(unit, ()):
            return Heading(candidates=made.candidates, why=f"at {value:g} {unit} is another condition than ours")
    return made
