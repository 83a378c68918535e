"""What a key says of colours ("red = out of use"), and what the colour of a cell may be called. Words: data/colours.toml."""

from __future__ import annotations

import colorsys
import re
from functools import cache, lru_cache

from grader.data import load_toml
from grader.read.words.phrases import HYPHENED, Lists, any_of

_COLOURS = Lists("colours.toml", HYPHENED)
UNKNOWN = "?"  # a colour that no reader can tell
_DARKEST, _LIGHTEST = 0.06, 0.98  # lightness of black and of white
_MOST_BEFORE = 8  # words of a key before the first colour's meaning


class ColourKey(dict[str, str]):
    """What a key says of each colour. others : it tells of those without a colour of it too."""

    others = False


@cache
def _hue_of() -> dict[str, str]:
    return {word: hue for hue, words in load_toml("colours.toml")["words"].items() for word in words}


@cache
def _entry() -> re.Pattern[str]:
    """A colour, words beside it, and a sign or word before what it means."""
    data = load_toml("colours.toml")
    words = (*data["key"]["beside"], *data["key"]["things"])
    beside = "|".join(rf"{re.escape(w.rstrip('*'))}{chr(92)}w*" if w.endswith("*") else re.escape(w) for w in words)
    means = rf"\s*(?:[=:→–—]|[-=]+>|-(?=\s))\s*|\s+(?:{any_of(data['key']['means'])})\b\s*[=:]?\s*"
    return re.compile(rf"\b({any_of(_hue_of())})\b((?:\s+(?:{beside})\b)*)['\")\]]*(?:{means})", re.IGNORECASE)


@lru_cache(maxsize=20_000)
def colour_named(text: str) -> str:
    """The colour that a text is the name of, "" where it is none.

    >>> colour_named("Rot"), colour_named("red"), colour_named("red hose")
    ('red', 'red', '')
    """
    return _hue_of().get(text.strip().casefold(), "")


@lru_cache(maxsize=20_000)
def colour_key(text: str) -> ColourKey:
    """What a text says of colours, nothing where it is no key of them.

    >>> colour_key("red = out of use"), colour_key("Grün: frei; rot hinterlegte Zellen bedeuten gesperrt")
    ({'red': 'out of use'}, {'green': 'frei', 'red': 'gesperrt'})
    >>> colour_key("Les prises en rouge sont consignées"), colour_key("Red hose is leaking"), colour_key("P2 red: shut")
    ({'red': 'consignées'}, {}, {})
    >>> colour_key("Grün: frei; alle anderen: nicht benutzen").others, colour_key("red = out of use").others
    (True, False)
    """
    made, found = ColourKey(), list(_entry().finditer(text))
    before = _COLOURS.words(text[: found[0].start()]) if found else []
    if not found or len(before) > _MOST_BEFORE or _COLOURS.outside(before, "key.beside", "key.things"):
        return made
    for entry, stop in zip(found, [*(f.start() for f in found[1:]), len(text)]):
        if said := text[entry.end() : stop].strip(" \t\n;,/|.-–—"):
            made[_hue_of()[entry[1].casefold()]] = said
    before_each = (_COLOURS.words(text[: entry.start()])[-1:] for entry in found)
    made.others = _COLOURS.say(text, "key.others") or any(
        _COLOURS.say(w, "key.not") for last in before_each for w in last
    )
    return made


def shows_ill(said: str) -> bool:
    """Whether what a colour means holds a word for what should not be seen at an outlet.

    >>> shows_ill("Wasser gefunden"), shows_ill("new hose")
    (True, False)
    """
    return _COLOURS.say(said, "key.ill")


@lru_cache(maxsize=5_000)
def named_as(rgb: str) -> frozenset[str]:
    """What a colour of six hexadecimal digits may be called; anything where it is none.

    >>> sorted(named_as("FF0000")), sorted(named_as("FFC000")), sorted(named_as("99CCFF")), sorted(named_as("D9D9D9"))
    (['pink', 'red'], ['orange', 'yellow'], ['blue', 'cyan'], ['grey'])
    >>> named_as("FFFFFF"), named_as("?") == frozenset(colours())
    (frozenset(), True)
    """
    try:
        red, green, blue = (int(rgb[i : i + 2], 16) / 255 for i in (0, 2, 4))
    except ValueError:
        return frozenset(colours())
    hue, lightness, _ = colorsys.rgb_to_hls(red, green, blue)
    if not _DARKEST < lightness < _LIGHTEST:
        return frozenset()
    hues = load_toml("colours.toml")["hues"]
    colour = max(red, green, blue) - min(red, green, blue)
    named = {
        n for n, (first, *last) in hues.items() if last and any(first <= hue * 360 + r <= last[0] for r in (0, 360))
    }
    return frozenset((named if colour else set()) | ({"grey"} if colour * 100 <= hues["pale"][0] else set()))


def colours() -> list[str]:
    """The colours that a key may name."""
    return list(load_toml("colours.toml")["words"])
