"""How a text is spelled, once for every reader of words: signs that look alike, capitals, spaces, units by any spelling.

`clean` is of any text as it is read, `fold` of a unit or a word of a cell as it is compared, `tidy` of a heading as it is
taken apart, `key` of words as they are compared.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from functools import cache, lru_cache

from grader.columns import field_named
from grader.data import load_toml

_FULL_WIDTH = {0xFF10 + i: str(i) for i in range(10)} | {ord(a): b for a, b in zip("，．＋－＜＞％＝？", ",.+-<>%=?")}
_MINUS = dict.fromkeys(map(ord, "−‐‑‒–﹣"), "-")
_SPACES = dict.fromkeys([0xA0, 0x202F, 0x205F, 0x3000, *range(0x2000, 0x200B)], " ")
_NO_WIDTH = dict.fromkeys([0x200B, 0x200C, 0x200D, 0x200E, 0x200F, 0x2060, 0xFEFF, 0xAD])
_CLEAN: dict[int, str | None] = {**_FULL_WIDTH, **_MINUS, **_SPACES, **_NO_WIDTH, ord("’"): "'", ord("‘"): "'"}
_FOLD: dict[int, str | None] = {
    ord("—"): "-",
    ord("―"): "-",
    **{ord(raised): plain for raised, plain in zip("²³₂", "232")},
    ord("µ"): "u",
    ord("μ"): "u",
}

# What stands between two words of a heading.
BREAK = re.compile(r"[\s/,;:|()\[\]{}&+.\-–_]+")
# A gas and its unit without a space ("COppm"), and a zero for the letter where a unit stands behind.
_GLUED = re.compile(r"\b(co2?|o2|h2o|c02)(?=\s?[(\[]?\s?(?:ppm|vol|%|mg/m))", re.IGNORECASE)
_T = re.compile(r"\bT°(?!\s?[CF]\b)")
_NO_LETTER = re.compile(r"[^a-z0-9#]+")
_NUMBERED = re.compile(r"(\D*(?<![^\W_])\d\d)(\d+)(?![^\W_])(\D*)")


def clean(text: str) -> str:
    """A text without what cannot be seen and with one spelling of digits, minus and spaces.

    Full-width digits and signs become plain, every hyphen, minus and en dash "-", hard and thin spaces a
    space, curly apostrophes straight; signs without width go. White space at the ends and one apostrophe in
    front (a spreadsheet's mark for text) are taken off.

    >>> clean(" '−5\u00a0°C ")
    '-5 °C'
    """
    text = text.translate(_CLEAN).strip()
    return text[1:].strip() if text.startswith("'") else text


def fold(text: str) -> str:
    """A word or unit as it is compared: case, white space, the kind of dash, "²" and "³" do not matter.

    >>> fold("None  Detected"), fold("mg / m³")
    ('nonedetected', 'mg/m3')
    """
    return "".join(clean(text).translate(_FOLD).casefold().split())


def fold_word(text: str) -> str:
    """A word of a word field as it is compared: dashes and a stop at its end do not matter either; dashes alone stay."""
    folded = fold(text)
    return folded.replace("-", "").replace("_", "").rstrip(".,;") or folded


@lru_cache(maxsize=50_000)  # the same words come again in every heading
def key(text: str) -> str:
    """A heading's words as they are compared: letters, digits and "#" alone, without case and accents.

    >>> key("Oil-/Mist (Œl)"), key("Öl") == key("ol")
    ('oilmistoel', True)
    """
    folded = text.casefold()
    if folded.isascii():
        return folded if folded.isalnum() else _NO_LETTER.sub("", folded)
    folded = unicodedata.normalize("NFKD", folded.replace("œ", "oe"))
    return "".join(c for c in folded if c.isalnum() or c == "#")


def keys_in(text: str) -> list[str]:
    """The words of a heading as they are compared.

    >>> keys_in("Oil / Mist (mg/m³)")
    ['oil', 'mist', 'mg', 'm3']
    """
    return [k for k in map(key, BREAK.split(text)) if k]


def tidy(text: str) -> str:
    """A heading on one line, in composed plain letters, without footnote signs and white space at the ends.

    >>> tidy(" 1. CO₂\u00a0\\n(mL/m³)*: ")
    'CO2 (mL/m3)'
    """
    text = text.replace("º", "°").replace("\u00ad", "").replace("µ", "u")
    text = re.sub(r"[\u200b-\u200f\u2060\ufeff]", "", unicodedata.normalize("NFKC", text))
    text = re.sub(r"(?<=[^\W\d])[-‐]\s*\n\s*(?=[a-zäöüéèà])", "", text)
    text = unglued(re.sub(r"\^(?=[23])", "", text))
    text = " ".join(re.sub(r"[*†‡'\"’‘`´_]", " ", text).split())
    text = re.sub(r"^\(?\d{1,2}[.)]\s+(?=\D)|^[a-z]\)\s*", "", text)
    return text.strip(" :;,").rstrip(".")


def unglued(text: str) -> str:
    """A heading with a space between a gas and its unit, the letter for a zero before a unit, and T for T°.

    >>> unglued("COppm"), unglued("C02 (ppm)"), unglued("C02"), unglued("T° la plus basse")
    ('CO ppm', 'CO2  (ppm)', 'C02', 'T la plus basse')
    """
    if "°" in text:
        text = _T.sub("T", text)
    return _GLUED.sub(lambda m: f"{'CO2' if m[1].casefold() == 'c02' else m[1]} ", text)


def alike(text: str) -> str:
    """The first of the texts that are alike but for the last signs of a running number: most of a log are.

    >>> alike("see report 1714"), alike("P1714"), alike("CO 17 ppm"), alike("3 of 150")
    ('see report 1700', 'P1714', 'CO 17 ppm', '3 of 150')
    """
    found = _NUMBERED.fullmatch(text)
    return f"{found[1]}{'0' * len(found[2])}{found[3]}" if found else text


def bag(text: str, without: frozenset[str]) -> frozenset[str]:
    """The words of a heading in no order, compared without case, accents and the s of a plural.

    >>> bag("Temperature of the rooms", frozenset({"of", "the"})) == bag("room temperature", frozenset())
    True
    """
    return singular(w for w in keys_in(text) if w not in without)


def singular(words: Iterable[str]) -> frozenset[str]:
    """Words in no order, without the s of a plural."""
    return frozenset(w[:-1] if len(w) > 3 and w[-1] == "s" != w[-2] else w for w in words)


@cache
def spelled_words(field: str) -> dict[str, str]:
    """Folded spelling -> canonical word, of every word that a word field (or column of the register) has."""
    words = field_named(field).words
    return {fold_word(s): word for word, spellings in words.items() for s in (word, *spellings)}


@cache
def _units() -> dict[str, str]:
    units = load_toml("units.toml")["unit"]
    return {fold(s): unit for unit, entry in units.items() for s in (unit, *entry["spellings"]) if s}


def known_unit(text: str) -> str | None:
    """Canonical unit of a spelling, None where it is no unit that data/units.toml knows.

    >>> known_unit("MG/M3"), known_unit("furlongs")
    ('mg/m³', None)
    """
    folded = fold(text)
    found = _units().get(folded)
    if found is None and len(folded) > 1:
        found = _units().get(folded.rstrip("."))
    return found
