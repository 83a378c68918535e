"""The supply and the dryer of all outlets, said in a line of text as firms say it: "Works North - airline sets, desiccant dryer".

Words: data/supplied.toml. A line is taken apart at its stops, dashes, commas and brackets. In a part that names a
supply or a dryer any further words may be about a place, but none of another supply, of doubt, of choice or of time, and
behind what they name only such as begin with a word for where; one that says nothing of them may be a name, behind these
only that of a site or firm. Any other part, and the line says nothing.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence, Set
from functools import lru_cache
from typing import NamedTuple

from grader.data import load_toml
from grader.read.words.dates import DATES, date_within, is_date, is_month
from grader.read.words.figures import CLAUSES, without_quantities
from grader.read.words.labels import label
from grader.read.words.loose import LOOSE
from grader.read.words.phrases import ELIDED, HYPHENED, Lists
from grader.read.words.said import REMARKS, against
from grader.read.words.spelling import key
from grader.read.words.unclear import classes_of

AIRLINE, CHARGING, CYLINDER = "airline", "charging compressor", "cylinder"
_SUPPLIED = Lists("supplied.toml", ELIDED)
_at = _SUPPLIED.inside
_PART = re.compile(
    r"(?:(?<=[^\W\d_]{2})(?<!\bmin)|(?<=\d{4}))\.\s+(?=[A-ZÀ-Ý])|\s[-–—·•|]+\s|\s*[,;()\n]\s*|\s*:\s*(?![-−–]?\s?\d)|\s*[–—]\s+|\.$"
)
_NEVER = re.compile(r"[?=<>\[\]☐☑☒✓✔✗✘□■]|\d\s*[-–]\s*\d|\d\s*(?:V|kV|Hz)\b")  # "Mains 230 V"
_HIGH = re.compile(r"(?<![\w.,/])(?:200\s*/\s*)?(?:200|207|232|250|300|310|330|350|414)\s*bars?\b", re.IGNORECASE)
_HIGH_ANYWHERE = re.compile(
    r"(?<![\d.,])(?:(?:1[5-9]\d|[2-4]\d\d)(?:\.\d+)?\s*(?:bars?|barg)\b|[23]\d\s*MPa\b|[2-6][.,]?\d{3}\s*psi)",
    re.IGNORECASE,
)
_YEAR = re.compile(r"(?<![\w.,/-])(?:19|20)\d\d(?:/\d\d)?(?![\w.,/-])")
_NORM = re.compile(
    r"\b(?:(?:BS|DIN|NF|SN|UNI)[ -]*)?(?:EN|ISO|CSA|NFPA|CGA)[ -]*(?:Z|G-)?\d+(?:[-.:]\d+)*", re.IGNORECASE
)
_LEAST, _LONGEST = 6, 160
_MOST_UNKNOWN = 8  # words of a part
_KIND = 4  # letters by which words for places are of one kind
_NAMES = ("airline", "cylinder", "charging", "compressor", "dryer", "itself")
_SPEAKING = ("denying", "other", "about", "charging", *_NAMES)  # one of which is in all that speaks against a line
_NAME = "\0"  # a letter by itself is a name: "Hall A"


class Supplied(NamedTuple):
    """What a line says of all outlets.

    titled : a name stands before it, so that it holds as the title of a sheet alone. placed : the name is one of a place,
             so that it holds only where the sheet names no other.
    """

    supply: str
    dryer: str
    titled: bool = False
    placed: bool = False


class Line(NamedTuple):
    """What a line is.

    feed : what it says of the supply, None where nothing for certain. site : that it names beside a title, a supply, a day.
    title : whether it is a title of tests, or of a supply, and nothing else but a day. silent : a title or a name.
    """

    feed: Supplied | None
    site: str
    title: bool
    silent: bool


class _Part(NamedTuple):
    """A part of a line.

    kind : "fed" where it is wholly known and names a supply or dryer, "title", "day", "name"; "" where it may say anything.
    line : whether it names a line, which beside a dryer or behind a label is an airline. open : which dryer is left open.
    bare : whether it names a kind without a dryer, as filters are of ("adsorption"). aside : a word of testing by itself.
    site : that it names, its words of a title left out. firm : whether it is named as firms are.
    """

    kind: str = ""
    supplies: frozenset[str] = frozenset()
    dryers: frozenset[str] = frozenset()
    line: bool = False
    tested: bool = False
    placed: bool = False
    open: bool = False
    bare: bool = False
    aside: bool = False
    site: str = ""
    firm: bool = False


def _tokens(text: str) -> list[str]:
    return [_NAME + t if len(t) == 1 and t.isascii() and t.isupper() else key(t) for t in ELIDED.findall(text)]


def parts_of(text: str) -> list[str]:
    """A line taken apart at its stops, dashes, commas and brackets; [] of what is no line but a page of text."""
    return _split(text) if len(text) <= _LONGEST else []


def _split(text: str) -> list[str]:
    return [p for p in _PART.split(text) if p and HYPHENED.search(p)]


def may_say(text: str) -> bool:
    """Whether a text can say a supply or a dryer at all: cheap."""
    return _LEAST < len(text) <= _LONGEST and not _NEVER.search(text) and bool(_at(_tokens(text), *_NAMES))


@lru_cache(maxsize=20_000)
def line_of(text: str) -> Line:
    """What a line of text says: the supply and dryer of all outlets, a site, nothing.

    >>> line_of("Kestrel Blasting Ltd. Airline breathing sets. Refrigerant dryer on main.").feed
    Supplied(supply='airline', dryer='refrigerant', titled=True, placed=False)
    >>> line_of("Atemluftkompressor 300 bar").feed.supply, line_of("Air fed masks, desiccant dryer from 2027").feed
    ('charging compressor', None)
    >>> [line_of(t).site for t in ("Breathing air – Dock Lane – 12.03.2026", "Prüfung Atemluft Werk Süd", "Dock Services Ltd")]
    ['Dock Lane', 'Werk Süd', '']
    >>> [line_of(t).silent for t in ("Mill Bodyshop", "Page 1 of 2", "Bay 3", "no")]
    [True, True, False, False]
    """
    high = bool(_HIGH.search(text))
    made = [_part(p, high) for p in _split(text)]
    sites = [p.site for p in made if p.site]
    known = all(p.site or p.kind in ("fed", "title", "day") for p in made)
    sure = known and len(sites) == 1 and _LEAST < len(text) <= _LONGEST and not _NEVER.search(text)
    title = known and not sites and any(p.tested for p in made)
    silent = bool(made) and all(p.kind in ("title", "name") for p in made)
    return Line(_feed(text, made, high=high) if may_say(text) else None, sites[0] if sure else "", title, silent)


@lru_cache(maxsize=20_000)
def behind_a_label(text: str) -> Supplied | None:
    """What a text says that stands behind a label, or under a heading, for a supply or a system; its own name left out.

    >>> behind_a_label("line")[:2], behind_a_label("Plant BA2 - line, desiccant dried")[:2]
    (('airline', ''), ('airline', 'desiccant'))
    >>> behind_a_label("Plant BA2"), behind_a_label("Old plant - airline"), behind_a_label("sample line")
    (None, None, None)
    """
    if len(text) > _LONGEST or _NEVER.search(text):
        return None
    high, parts = bool(_HIGH.search(text)), parts_of(text)
    made = [_part(p, high) for p in parts]
    named = len(made) > 1 and made[0].kind in ("", "name") and _is_own_name(parts[0])
    feed = _feed(text, made[named:], high=high, labelled=True)
    return feed if feed and (feed.supply or not named) else None  # "Ring, desiccant dryer": a name, or what feeds it


def _is_own_name(text: str) -> bool:
    """Whether a part may be the name of a plant: capitals or numbers, and no word of a supply, of a place or of doubt."""
    tokens, words = _tokens(text), ELIDED.findall(text)
    spoken = _at(tokens, "about", "doubt", "denying", "other", "limiting", *_NAMES) or classes_of(text)
    return (
        all(w[0].isupper() or w[0].isdigit() for w in words) and not spoken and not _places(text) and not against(text)
    )


def _feed(text: str, made: list[_Part], *, high: bool, labelled: bool = False) -> Supplied | None:
    if (named := _NAMED.match(text)) and made[0].kind == "name" and not made[0].tested and not _of_a_firm(named[1]):
        return None
    told = [p for p in made if p.kind == "fed"]
    aside = any(p.tested for p in made)
    names = [p for p in made if p.kind not in ("fed", "title", "day") and not (aside and p.site)]
    behind = made[made.index(told[0]) :] if told else []
    if not told or any(p.kind != "name" or p in behind and not (p.site or p.firm) for p in names):
        return None
    supplies, dryers = (frozenset().union(*(getattr(p, of) for p in told)) for of in ("supplies", "dryers"))
    if not supplies and (dryers or labelled) and any(p.line for p in told):
        supplies = frozenset({AIRLINE})
    if len(supplies) > 1 or not supplies and len(made) > 1:
        return None
    supply, dryer = next(iter(supplies), ""), next(iter(dryers), "") if len(dryers) == 1 else ""
    if supply == AIRLINE and (high or not dryers and of_no_supply(text)):
        return None
    if dryers and any(p.aside for p in behind):
        return None
    filtered = any(p.bare for p in told) and _at(_tokens(text), "filtering")
    if any(p.open for p in told) or filtered or supply in (CHARGING, CYLINDER):
        dryer = ""
    bare = len(made) == 1 and len(_tokens(text)) == 1 and not dryers and not labelled
    if bare or not supply and not dryer:
        return None  # a word by itself may be the heading of anything
    return Supplied(supply, dryer, any(p.kind not in ("fed", "title") for p in made), any(p.placed for p in names))


def entitles(text: str, beside: str) -> bool:
    """Whether a heading for the supply that speaks of testing is a title, for what stands beside it says nothing of a supply.

    >>> entitles("Breathing air test", "rain, 6 °C"), entitles("Breathing air test", "own compressor")
    (True, False)
    >>> entitles("Breathing air supply", "rain, 6 °C"), entitles("Breathing air test:", "rain, 6 °C")
    (False, False)
    """
    of_testing = not text.rstrip().endswith(":") and bool(_at(_tokens(text), "listed"))
    return of_testing and not _at(_tokens(beside), *_SPEAKING, "of_site")


_NAMED = re.compile(r"([^:–—,;(]*?)\s*:\s")


def _of_a_firm(name: str) -> bool:
    """Whether a name before a colon has two words or more with capitals, as firms have: "Summer:" says when, "Tank farm:" where."""
    words = name.split()
    return sum(w[:1].isupper() for w in words) > 1 and not _at(_tokens(name), "both")


class Caption(NamedTuple):
    """What a line over some tests says: the name of a place; the day, "" where it says none; what feeds them."""

    name: str
    day: str
    feed: Supplied | None


@lru_cache(maxsize=20_000)
def caption_of(text: str) -> Caption | None:
    """What a line says that is made of a day or a supply and one name, in any order; None where it is not.

    >>> caption_of("North Yard - 12 May 2026 - airline")
    Caption(name='North Yard', day='12 May 2026', feed=Supplied(supply='airline', dryer='', titled=True, placed=False))
    >>> caption_of("Halle 1, gemessen am 15.06.2026")[:2], caption_of("filters new, 12 May 2026"), caption_of("Hall A")
    (('Halle 1', '15.06.2026'), None, None)
    """
    if _NEVER.search(text) or ":" in text:
        return None
    parts = parts_of(text)
    made = [_part(p) for p in parts]
    others = [p for p, one in zip(parts, made) if one.kind in ("name", "")]
    days = [day for p in parts if p not in others and (day := date_within(p))]
    fed = any(one.kind == "fed" for one in made)
    feed = _feed(text, [one for p, one in zip(parts, made) if p not in others], high=False) if fed else None
    name = others[0] if len(others) == 1 and _is_named(others[0]) else ""
    if not name or len(days) > 1 or fed and not feed or not (feed or days):
        return None
    return Caption(name, days[0] if days else "", feed)


_NO_PLACE = frozenset(("earlier", "second", "note", "expire", "due", "cal", "instrument", "tube"))


def _is_named(text: str) -> bool:
    """Whether a part is the name of a place and nothing else: its words begin with capitals or are numbers."""
    tokens, words = _tokens(text), [m[0] for m in ELIDED.finditer(text)]
    joining = _at(tokens, "joining")
    proper = all(w[0].isupper() or w[0].isdigit() or i in joining for i, w in enumerate(words))
    told = _at(tokens, "about", "doubt", "denying", *_NAMES) or classes_of(text) & _NO_PLACE
    return proper and bool(_places(text) or _site(text)) and not told and not against(text)


def is_of_a_day(text: str) -> bool:
    """Whether one part of a line is a day, or a title with its day, and says no more: "Visit 3 May 2026"."""
    return _part(text).kind in ("day", "title")


def names_a_feed(text: str) -> bool:
    """Whether one part of a line names a supply or dryer and says no more: "Airline"."""
    return _part(text).kind == "fed"


def denies(text: str) -> bool:
    """Whether a text takes back or limits what another says: "Not for P2", "Title is that of last year's sheet"."""
    return bool(_at(_tokens(text), "denying"))


@lru_cache(maxsize=20_000)
def _part(text: str, charged: bool = False) -> _Part:
    """What a part of a line is. charged : whether the line names a pressure that only cylinders have."""
    high = bool(_HIGH.search(text))
    plain = without_quantities(_HIGH.sub(" ", text))
    tokens = _tokens(_undated(plain, titled=True))
    airline, charging, cylinder, housed = (_at(tokens, w) for w in ("airline", "charging", "cylinder", "housed"))
    compressor = _at(tokens, "compressor") - housed
    dryers, further, none = _dryers(tokens), _at(tokens, "further"), _at(tokens, "none")
    noun = _at(tokens, "dryer")
    kinds = {i for at in dryers.values() for i in at}
    dried = noun | kinds | further
    if _is_turned(tokens, dried) or dried and _at(tokens, "aside"):
        return _Part()
    bare = bool(kinds - _of_a_dryer(tokens, noun | _at(tokens, "itself"), kinds))
    if not noun:
        kinds &= _at(tokens, "itself") | _at(tokens, "alone")
    filling = charging | (compressor if high or charged else set())
    naming = airline | filling | cylinder | kinds | noun | further | none
    linked = {at - 1 for at in _at(tokens, "linking")} | {len(tokens) - 1}
    sampled = _at(tokens, "title") - _at(tokens, "covered") - naming  # "Sample line"
    line = set() if sampled else _at(tokens, "line") & linked
    whole = naming | line | _at(tokens, "covered", "title") - compressor - _at(tokens, "place") | housed
    if _at(tokens, "aside"):
        whole = set()
    if filling or cylinder or high:
        whole |= _at(tokens, "high")
    named = {AIRLINE} if airline else set()
    named |= {CHARGING} if filling else {CYLINDER} if cylinder else set()
    if len(whole) == len(tokens) and (named or dryers or none or further or line):
        of = frozenset(dryers) | ({"none"} if none else set())
        return _Part("fed", frozenset(named), of, bool(line), tested=_is_titled(tokens), open=bool(further), bare=bare)
    aside = len(tokens) == len(_at(tokens, "testing")) == 1
    if len(whole) == len(tokens) and not any(map(str.isdigit, text)):
        return _Part("title", tested=_is_titled(tokens), aside=aside)  # "All points"
    rest = set(range(len(tokens))) - whole
    if (
        named <= {AIRLINE}
        and (named or dryers)
        and not high
        and _says_no_more(plain, tokens, rest, min(naming, default=0))
    ):
        placed = not rest.isdisjoint(_at(tokens, "place"))
        # Which dryer it is only a part tells that is wholly known: "Disused desiccant dryer", "desiccant dryer in bits".
        left_open = bool(dryers or noun or none or further)
        return _Part("fed", frozenset(named), tested=_is_titled(tokens), placed=placed, open=left_open)
    if plain != text and not high and not any(map(str.isdigit, plain)):
        doubt = _at(tokens, "about", "doubt", *_NAMES) - REMARKS.inside(tokens, "cold.words")
        doubt -= CLAUSES.inside(tokens, "lowest_use_temperature_c.bound")
        if not doubt and not any(t.startswith(_NAME) for t in tokens):
            return _Part("title")  # "hall in winter 6 °C", "7 bar": heard for itself
    return _silent(text, tokens, high)


def _is_turned(tokens: list[str], dried: Set[int]) -> bool:
    """Whether a part tells of a dryer (dried) that the air of the outlets does not come through, or of what stands before it.

    "Dryer after outlets", "line to dryer", "amont sécheur", "outlets upstream"; not "outlets after dryer", "dryer upstream".
    """
    treated, between = dried | _at(tokens, "filtering", "compressor", "housed"), _at(tokens, "between")
    for _, stop, _of in _SUPPLIED.standing(tokens, "behind"):
        at = next((i for i in range(stop, len(tokens)) if i not in between or i in treated), len(tokens))
        if at not in treated and (dried or at == len(tokens) or at in _at(tokens, "tapped")):
            return True
    if not dried:
        return bool(_at(tokens, "ahead")) and not treated and (len(tokens) == 1 or bool(_at(tokens, "tapped")))
    through, using = _at(tokens, "through"), _at(tokens, "using")
    toward = _at(tokens, "toward") - through
    first = [next((i for i in range(at, -1, -1) if i in through or i in toward), -1) for at in dried]
    return not toward.isdisjoint(first) or max(using, default=-1) > max(dried)


def _of_a_dryer(tokens: list[str], nouns: Set[int], kinds: Set[int]) -> set[int]:
    """The words that stand together with one for a dryer: its kinds and what may stand between them."""
    made, joined = set(nouns), kinds | _at(tokens, "between")
    while more := {i + by for i in made for by in (-1, 1)} & joined - made:
        made |= more
    return made


def _says_no_more(text: str, tokens: list[str], rest: Set[int], first: int) -> bool:
    """Whether the words of a part that are not known (rest) neither deny, limit nor change what the others name.

    Behind the first that names it they say where it is ("on skid"), and begin so: "gone", "à l'arrêt" say how.
    """
    spoken = _at(tokens, "about", "doubt", "denying", "other", *_NAMES) & rest
    where = _at(tokens, "where")
    behind = {i for i in rest if i > first and i - 1 not in rest and where.isdisjoint((i - 1, i))}
    measured = classes_of(" ".join(tokens[i] for i in sorted(rest)))  # "Pression de ligne"
    strange = [t for t in (tokens[i] for i in rest) if t[:1] == _NAME or any(map(str.isdigit, t)) or is_month(t)]
    return not (spoken or behind or strange or measured or against(text)) and len(rest) <= _MOST_UNKNOWN


def _silent(text: str, tokens: list[str], high: bool) -> _Part:
    """A part that names no supply: a title ("Breathing air tests, May 2026"), a pressure of cylinders, or a name."""
    paged = _at(tokens, "page")
    if paged and all(t.isdigit() for i, t in enumerate(tokens) if i not in paged | _at(tokens, "joining")):
        return _Part("title")  # "Seite 1 von 2"
    text = _NORM.sub(" ", text)
    dated = _undated(text)
    left = _tokens(dated)
    title = _at(left, "title")
    words = [t for i, t in enumerate(left) if i not in title and not is_month(t)]
    tested = _is_titled(left)
    if not words and (tested or dated == text and not any(map(str.isdigit, text))):
        return _Part("title", tested=tested)
    if not words and dated != text and not any(map(str.isdigit, dated)):
        return _Part("day")
    if high:
        known = _at(tokens, "high") | _at(tokens, "title")
        return _Part("title" if len(known) == len(tokens) else "")
    if any(any(map(str.isdigit, t)) for t in left) or dated != text and not tested:
        return _Part()
    if _at(left, "about", "doubt", "denying", *_NAMES) or any(t.startswith(_NAME) for t in left):
        return _Part()
    placed = bool(_places(dated))
    site = _site(dated)
    return _Part(
        "name" if tested or site or not placed else "",
        tested=tested,
        placed=placed,
        site=site,
        firm=not placed and _of_a_firm(dated),
    )


def _undated(text: str, titled: bool = False) -> str:
    """A text without its days; titled : without those right behind a title, "charging log 2026", but not "airline from 2026"."""

    def kept(m: re.Match[str]) -> str:
        before = _tokens(m.string[: m.start()])
        before = before[:-1] if _at(before[-1:], "joining", "sited") else before  # "Prüfung am 22.09.2026"
        behind = not titled or _is_titled(before[-1:])
        return " " if behind and (m.re is _YEAR or is_date(m[0])) else m[0]

    return _YEAR.sub(kept, DATES.sub(kept, text))


def _is_titled(tokens: list[str]) -> bool:
    return bool(_at(tokens, "title") - _at(tokens, "joining"))


def _site(text: str) -> str:
    """The site that a part names behind or before words of a title; "" where none is, or it may be a firm."""
    found = list(ELIDED.finditer(text))
    tokens = _tokens(text)
    title = _at(tokens, "title")
    inner = [i for i in range(len(tokens)) if i not in title]
    first, stop = (inner[0], inner[-1] + 1) if inner else (0, 0)
    first += bool(first and first in _at(tokens, "sited"))
    name, words = tokens[first:stop], [m[0] for m in found[first:stop]]
    ends, begins = (
        {len(name) - 1} & _at(name, "site"),
        _at(name, "site_begins") if _SUPPLIED.begin(name, "site_begins") else set(),
    )
    known = ends | begins | {i for i, w in enumerate(words) if w[0].isupper()} | _at(name, "joining")
    if not ends | begins or len(name) < 2 or len(known) < len(name) or _at(name, "firm"):
        return ""
    return text[found[first].start() : found[stop - 1].end()]


def _dryers(words: Sequence[str]) -> dict[str, set[int]]:
    """The kinds of dryers that words name, and where."""
    kinds = [word for word in load_toml(LOOSE.file)["dryer"] if word != "none"]
    return {word: at for word in kinds if (at := LOOSE.inside(words, f"dryer.{word}"))}


@lru_cache(maxsize=20_000)
def of_no_supply(text: str) -> bool:
    """Whether a text that names an airline is of equipment, or of the air that every site has.

    >>> of_no_supply("Airline hose records"), of_no_supply("Site air survey"), of_no_supply("Fed from site air")
    (True, True, False)
    """
    tokens = _tokens(text)
    airline, of_site = _at(tokens, "airline"), _at(tokens, "of_site")
    if _at(tokens, "gear") and _at(tokens, "listed") and not _at(tokens, "of_air") - airline:
        return True
    return bool(of_site) and airline <= of_site and not _at(tokens, "feeds", "gear")


@lru_cache(maxsize=50_000)
def speaks_against(text: str, supply: str, dryer: str) -> bool:
    """Whether a text anywhere in a workbook speaks against the supply or dryer that a title or line says of all outlets.

    >>> [speaks_against(t, "airline", "") for t in ("P2 fills cylinders", "300 bar", "Not for P2", "Airline in 2025 removed")]
    [True, True, True, True]
    >>> speaks_against("P2 undried", "airline", "desiccant"), speaks_against("Please fill in", "airline", "")
    (True, False)
    >>> speaks_against("good supply, no smell", "airline", ""), speaks_against("good supply, no dryer", "airline", "desiccant")
    (False, True)
    >>> speaks_against("Bay 2 has its own dryer", "cylinder", ""), speaks_against("Compressor 2", "airline", "")
    (True, False)
    """
    tokens, high = _tokens(text), _HIGH_ANYWHERE.search(text)
    if dryer not in ("", "none") and _is_idle(tokens):
        return True
    if not (high or _at(tokens, *_SPEAKING)) or _is_of_no_test(text, tokens):
        return False
    tokens = _less_denied(text) or tokens
    named, of_form, by_airline = label(text) is not None, _at(tokens, "form_filling"), supply in ("", AIRLINE)
    if not named and _at(tokens, "denying") or by_airline and (high or _at(tokens, "other") - of_form):
        return True
    worn = _at(tokens, "worn")
    doubt, plant = _at(tokens, "doubt"), _at(tokens, "dryer", "compressor", "itself") - worn
    about = _at(tokens, "about", "dryer", "compressor") - of_form - worn
    of_plant = about and doubt - about or plant and _at(tokens, "place") - plant
    if named or not by_airline:
        return bool(of_plant and _places(text)) or not named and otherwise_fed(text, supply)
    other = dryer and _at(tokens, "dryer", "itself") and set(_dryers(tokens)) - {dryer}
    return bool(_at(tokens, "airline") - worn and doubt or of_plant or other)


def _is_idle(tokens: list[str]) -> bool:
    """Whether words say that a dryer does not dry, or that something but a filter stands before it."""
    drying = _at(tokens, "drying")
    early = _at(tokens, "ahead") and not _at(tokens, "filtering") - drying
    return bool(_at(tokens, "stopped") or drying and (early or _at(tokens, "ill")))


def _is_of_no_test(text: str, tokens: list[str]) -> bool:
    """Whether a text says of a test that it does not count, and nothing of a dryer."""
    return bool(_at(tokens, "uncounted")) and not _at(tokens, "dryer", "itself") and bool(against(text))


def _less_denied(text: str) -> list[str]:
    """The words of a text without clauses that deny what is no supply: "good supply, no smell"."""
    clauses = ((clause, _tokens(clause)) for clause in text.split(","))
    kept = (t for c, t in clauses if _at(t, *_SPEAKING) or not REMARKS.begin(REMARKS.words(c), "no.words"))
    return [token for tokens in kept for token in tokens]


def otherwise_fed(text: str, supply: str) -> bool:
    """Whether a text speaks of what feeds others than cylinders, or a charging compressor, do.

    >>> otherwise_fed("Airline sets", "charging compressor"), otherwise_fed("Compressor 2", "charging compressor")
    (True, False)
    """
    return bool(_at(_tokens(text), "airline", *(("compressor", "charging") if supply == CYLINDER else ())))


def is_contradicted(texts: Iterable[str], lines: Set[str], supply: str, dryer: str) -> bool:
    """Whether a text speaks against the supply or dryer of lines, or names another part of the site than they do.

    Of a text that holds a line the parts beside it count: told by itself what they are worth.

    >>> is_contradicted(["Ground floor. Airline sets, no dryer"], {"Airline sets, no dryer"}, "airline", "none")
    False
    >>> is_contradicted(["Strahlhalle - airline", "Spritzhalle"], {"Strahlhalle - airline"}, "airline", "")
    True
    """
    for text in texts:
        held = [line for line in lines if line in text]
        for line in held:
            text = text.replace(line, "\n")
        parts = _split(text) if held else [text]
        other = label(text) is None and any(names_another_place(part, line) for line in lines for part in parts)
        if other or any(speaks_against(part, supply, dryer) for part in parts):
            return True
    return False


def names_a_compressor(heading: str) -> bool:
    """Whether a heading is over compressors: "Kompressor Nr."; not "System"."""
    return bool(_at(_tokens(heading), "compressor"))


def names_and_feeds(text: str, outlets: Set[str]) -> bool:
    """Whether a text names an outlet with a compressor, a dryer or what feeds it, or says that it is of this one only."""
    tokens = _tokens(text)
    told = _at(tokens, "about", "compressor", "dryer") - _at(tokens, "worn") | _at(tokens, "limiting")
    return len(tokens) > 1 and not outlets.isdisjoint(tokens) and bool(told) and not _is_of_no_test(text, tokens)


def holds_choices(sheet: str) -> bool:
    """Whether the name of a sheet says that it holds what may be chosen."""
    words = _tokens(sheet)
    return bool(words) and len(_at(words, "choices")) == len(words)


@lru_cache(maxsize=5_000)
def names_cylinders(heading: str) -> bool:
    """Whether a heading over the names of what was tested calls these cylinders.

    >>> names_cylinders("Flasche Nr."), names_cylinders("N° bouteille"), names_cylinders("Cylinder bank outlet")
    (True, True, False)
    """
    words = _SUPPLIED.words(heading)
    found = _at(words, "cylinder")
    return bool(found) and len(found | _at(words, "numbered")) == len(words)


def names_another_place(text: str, line: str) -> bool:
    """Whether a text names another part of the site of the kind that a line names.

    >>> names_another_place("Spritzhalle", "Strahlhalle - airline"), names_another_place("Cabine A", "Cabines - airline")
    (True, False)
    """
    own = dict(_places(line))
    return any(name and own.get(kind) not in (None, "", name) for kind, name in _places(text))


@lru_cache(maxsize=5_000)
def _places(text: str) -> frozenset[tuple[str, str]]:
    """The parts of a site that a text names, as their kind and their name: "Bay 2", "paint shop", "Spritzhalle"."""
    made: set[tuple[str, str]] = set()
    parts = [p for p in _PART.split(text) if p]
    if len(parts) > 1:
        return frozenset().union(*map(_places, parts))
    tokens = _tokens(text)
    joining = _at(tokens, "joining")
    for at in _at(tokens, "place"):
        beside = [tokens[i] for i in (at + 1, at - 1) if 0 <= i < len(tokens) and i not in joining]
        made.add((tokens[at][:_KIND], next((t for t in beside if t.isdigit() or t[:1] == _NAME), (beside or [""])[-1])))
    for token in tokens:
        end = next((e for e in map(key, _SUPPLIED.spellings("place_ends")) if token.endswith(e) and token != e), "")
        made |= {(end[:_KIND], token)} if end else set()
    return frozenset(made)
