"""The colours of the cells of an .xlsx sheet, for keys such as "red = out of use". Looked at only where a key may need them."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import NamedTuple
from xml.etree.ElementTree import Element

from grader.read.formats.package import Book
from grader.read.formats.parts import inside, tree
from grader.read.shapes.tables import place_of
from grader.read.words.colours import UNKNOWN

WHITE, BLACK = "FFFFFF", "000000"
_MOST_BYTES = 4_000_000  # of a sheet's XML: a log of 20,000 rows; the colours of a larger one are not known
_CELL = re.compile(rb"<(c|row)\s([^>]*)>")
_AT = re.compile(rb'\br="([A-Za-z]*\d{1,9})"')
_STYLE = re.compile(rb'\bs="(\d{1,6})"')
_TAB = re.compile(rb"<tabColor\s([^>]*)>")
_DIGITS = re.compile(r"[0-9A-F]{6}")
_OF_THE_PROGRAM = 64  # colours by number from here on
_LONGEST = 6  # digits of a number
_RGB = re.compile(rb'\brgb="(?:[0-9A-Fa-f]{2})?([0-9A-Fa-f]{6})"')
_SWAPPED = {
    0: 1,
    1: 0,
    2: 3,
    3: 2,
}  # the colours of a theme: cells count light before dark, the theme dark before light
# The first 56 colours of the old palette, twice from the eighth on (ECMA-376 part 1, 18.8.27).
_INDEXED = (
    "000000 FFFFFF FF0000 00FF00 0000FF FFFF00 FF00FF 00FFFF 800000 008000 000080 808000 800080 008080 C0C0C0 808080 "
    "9999FF 993366 FFFFCC CCFFFF 660066 FF8080 0066CC CCCCFF 000080 FF00FF FFFF00 00FFFF 800080 800000 008080 0000FF "
    "00CCFF CCFFFF CCFFCC FFFF99 99CCFF FF99CC CC99FF FFCC99 3366FF 33CCCC 99CC00 FFCC00 FF9900 FF6600 666699 969696 "
    "003366 339966 003300 333300 993300 993366 333399 333333"
).split()

Colours = Mapping[tuple[int, int], tuple[str, ...]]


def colours_of(book: Book, name: str) -> Colours | None:
    """The colours of fills and letters of a sheet's cells, those of a row whole at column -1, that of its tab at (-1, -1).

    Each is six hexadecimal digits, or UNKNOWN; white, and letters in the colour of the program, are none.
    Returns : None where they cannot be told: a sheet too large, coloured by rules, or written unusually.
    """
    if book.parts.entries[book.sheets[name]].file_size > _MOST_BYTES:
        return None
    content = book.sheet(name)
    if b"<conditionalFormatting" in content or b"<sheetData" not in content:
        return None
    made: dict[tuple[int, int], tuple[str, ...]] = {}
    if tab := _TAB.search(content):
        rgb = _RGB.search(tab[1])
        made[-1, -1] = (rgb[1].decode().upper() if rgb else UNKNOWN,)
    styles = _styles(book) if book.styles else {}
    if not styles:
        return made
    for kind, attributes in _CELL.findall(content):
        style, at = _STYLE.search(attributes), _AT.search(attributes)
        colours = styles.get(int(style[1])) if style else None
        if colours is None:
            continue
        if at is None:
            return None
        place = (int(at[1]) - 1, -1) if kind == b"row" else place_of(at[1].decode())
        if place is not None:
            made[place] = colours
    return made


class _Palette(NamedTuple):
    """The colours of a theme, in the order of its part, and those by number; [] where it has none, or its own."""

    theme: list[str]
    numbered: list[str]

    def colour(self, colour: Element) -> str:
        """Six hexadecimal digits of a colour, however it is written."""
        plain, number = colour.get("rgb", "")[-6:].upper(), _number(colour.get("theme", colour.get("indexed", "")))
        if "rgb" not in colour.keys() and number is not None:
            if "theme" not in colour.keys() and number >= _OF_THE_PROGRAM:
                return WHITE
            places = self.theme if "theme" in colour.keys() else self.numbered
            place = _SWAPPED.get(number, number) if "theme" in colour.keys() else number - 8 * (number >= 8)
            plain = places[place] if place < len(places) else UNKNOWN
        elif "auto" in colour.keys():
            return WHITE
        if not _DIGITS.fullmatch(plain):
            return UNKNOWN
        try:
            return _tinted(plain, max(-1.0, min(1.0, float(colour.get("tint", "0")))))
        except ValueError:
            return UNKNOWN


def _styles(book: Book) -> dict[int, tuple[str, ...]]:
    """The colours of each cell style that has any."""
    root = tree(book.parts.read(book.styles), book.styles)
    palette = _Palette(_theme(book), [] if any(inside(root, "indexedColors")) else _INDEXED)
    fills = [_fill(fill, palette) for group in inside(root, "fills") for fill in inside(group, "fill")]
    fonts = [_letters(font, palette) for group in inside(root, "fonts") for font in inside(group, "font")]
    used = [xf for cells in inside(root, "cellXfs") for xf in inside(cells, "xf")]
    made = {}
    for i, xf in enumerate(used):
        of_both = ((fills, xf.get("fillId", "0")), (fonts, xf.get("fontId", "0")))
        found = [c for of, at in of_both if (n := _number(at)) is not None and n < len(of) for c in of[n]]
        if colours := tuple(c for c in dict.fromkeys(found) if c != WHITE):
            made[i] = colours
    return made


def _number(text: str) -> int | None:
    return int(text) if text.isascii() and text.isdecimal() and len(text) < _LONGEST else None


def _fill(fill: Element, palette: _Palette) -> tuple[str, ...]:
    if any(inside(fill, "gradientFill")):
        return (UNKNOWN,)
    patterns = [p for p in inside(fill, "patternFill") if p.get("patternType", "none") != "none"]
    return tuple(palette.colour(colour) for p in patterns for colour in inside(p, "fgColor"))


def _letters(font: Element, palette: _Palette) -> tuple[str, ...]:
    """The colour of letters, none where it is that of plain text: black, or one of the first two of the theme."""
    colours = [c for c in inside(font, "color") if c.get("theme") not in ("0", "1")]
    return tuple(c for colour in colours if (c := palette.colour(colour)) != BLACK)


def _tinted(rgb: str, tint: float) -> str:
    """A colour made darker (below 0) or lighter by a part of the way to black or white."""
    parts = (int(rgb[i : i + 2], 16) for i in (0, 2, 4))
    return "".join(f"{int(p * (1 + tint) if tint < 0 else p + (255 - p) * tint):02X}" for p in parts)


def _theme(book: Book) -> list[str]:
    """The colours of the theme, in the order in which its part lists them; none where there is no such part."""
    part = next((p for p in book.parts.entries if p.startswith("xl/theme/") and p.endswith(".xml")), "")
    if not part:
        return []
    schemes = inside(tree(book.parts.read(part), part), "clrScheme")
    return [
        next((v for c in named if len(v := c.get("lastClr", c.get("val", ""))) == len(WHITE)), UNKNOWN).upper()
        for scheme in schemes
        for named in scheme
    ]
