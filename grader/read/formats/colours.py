"""The colours of the cells of an .xlsx sheet, for keys such as "red = out of use". Looked at only where a key may need them."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import NamedTuple
from xml.etree.ElementTree import Element

from grader.read.formats.package import Book
from grader.read.formats.parts import inside, tree
from grader.read.shapes.tables import place_of
from grader.read.words.colours import UNKNOWN, named_as

WHITE, BLACK = "FFFFFF", "000000"
_MOST_BYTES = 4_000_000  # of a sheet's XML: a log of 20,000 rows; the colours of a larger one are not known
_CELL = re.compile(rb"<(c|row)\s([^>]*)>")
_AT = re.compile(rb'\br="([A-Za-z]*\d{1,9})"')
_STYLE = re.compile(rb'\bs="(\d{1,6})"')
_COLUMN = re.compile(rb"<col\s([^>]*)>")
_OF_COLUMN = re.compile(rb'\bstyle="(\d{1,6})"')
_MERGED = re.compile(rb'<mergeCell\s[^>]*?\bref="([A-Za-z]+\d{1,9}):([A-Za-z]+\d{1,9})"')
_MOST_MERGED = 20_000  # cells of merged ranges that have a colour
_UNSEEN = (
    b"conditionalFormatting",
    b"<tableParts",
    b"<rPr",
)  # by rules, by a table's style, of letters in the cell itself
_OF_NUMBER = re.compile(r"\[(blue|cyan|green|magenta|red|yellow|colou?r\s*\d+)\]", re.IGNORECASE)
_NAMED = {
    "blue": "0000FF",
    "cyan": "00FFFF",
    "green": "00FF00",
    "magenta": "FF00FF",
    "red": "FF0000",
    "yellow": "FFFF00",
}
_BUILT_IN = {
    "38": "[Red]",
    "40": "[Red]",
}  # number formats that print what is below 0 in red (ECMA-376 part 1, 18.8.30)
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
    """The colours of fills and letters of a sheet's cells, those of a row whole at column -1.

    At (-1, -1) are those that any cell may be meant by: of its tab, of whole columns, of edges, of numbers below some
    limit, of single letters in texts.
    Each is six hexadecimal digits, or UNKNOWN; white, and letters in the colour of the program, are none.
    Returns : None where they cannot be told: a sheet too large, coloured by rules or as a table, or written unusually.
    """
    if book.parts.entries[book.sheets[name]].file_size > _MOST_BYTES:
        return None
    content = book.sheet(name)
    if any(mark in content for mark in _UNSEEN) or b"<sheetData" not in content:
        return None
    made: dict[tuple[int, int], tuple[str, ...]] = {}
    of_any: dict[str, None] = {}
    if tab := _TAB.search(content):
        rgb = _RGB.search(tab[1])
        of_any[rgb[1].decode().upper() if rgb else UNKNOWN] = None
    styles = _styles(book)
    of_any.update(dict.fromkeys(styles.letters))
    for attributes in _COLUMN.findall(content):
        if style := _OF_COLUMN.search(attributes):
            of_any.update(dict.fromkeys(styles.cells.get(int(style[1]), ())))
    for kind, attributes in _CELL.findall(content) if styles.cells or styles.edges else ():
        style, at = _STYLE.search(attributes), _AT.search(attributes)
        number = int(style[1]) if style else 0
        of_any.update(dict.fromkeys(styles.edges.get(number, ())))
        colours = styles.cells.get(number)
        if colours is None:
            continue
        if at is None:
            return None
        place = (int(at[1]) - 1, -1) if kind == b"row" else place_of(at[1].decode())
        if place is not None:
            made[place] = colours
    left = _MOST_MERGED
    for first, last in _MERGED.findall(content):
        top, bottom = place_of(first.decode()), place_of(last.decode())
        if top is None or bottom is None or top not in made:
            continue
        left -= (bottom[0] - top[0] + 1) * (bottom[1] - top[1] + 1)
        if left < 0:
            return None
        for row in range(top[0], bottom[0] + 1):
            made.update(dict.fromkeys(((row, column) for column in range(top[1], bottom[1] + 1)), made[top]))
    return {**made, (-1, -1): tuple(of_any)} if of_any else made


class _Styles(NamedTuple):
    """Colours by the number of a cell's style: of the cell, and those of its edges or of some numbers in it.

    letters : colours of single letters in the texts of the workbook.
    """

    cells: dict[int, tuple[str, ...]] = {}
    edges: dict[int, tuple[str, ...]] = {}
    letters: tuple[str, ...] = ()


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


def _styles(book: Book) -> _Styles:
    """The colours of each cell style that has any, and of letters in texts."""
    theme = next((p for p in book.parts.entries if p.startswith("xl/theme/") and p.endswith(".xml")), "")
    palette, cells, edges = _of_cells(
        book.parts.read(book.styles) if book.styles else b"<none/>", book.parts.read(theme) if theme else b"<none/>"
    )
    return _Styles(cells, edges, _of_texts(book, palette))


@lru_cache(maxsize=8)  # the files of a firm are made of few templates
def _of_cells(styles: bytes, theme: bytes) -> tuple[_Palette, dict[int, tuple[str, ...]], dict[int, tuple[str, ...]]]:
    """The palette, and the colours of cells and of edges and numbers, of the parts for styles and for the theme."""
    root = tree(styles, "styles")
    palette = _Palette(_theme(tree(theme, "theme")), [] if any(inside(root, "indexedColors")) else _INDEXED)
    fills = [_fill(fill, palette) for group in inside(root, "fills") for fill in inside(group, "fill")]
    fonts = [_letters(font, palette) for group in inside(root, "fonts") for font in inside(group, "font")]
    borders = [_edges(border, palette) for group in inside(root, "borders") for border in inside(group, "border")]
    codes = _BUILT_IN | {f.get("numFmtId", ""): f.get("formatCode", "") for f in inside(root, "numFmt")}
    cells, edges = {}, {}
    for i, xf in enumerate(xf for group in inside(root, "cellXfs") for xf in inside(group, "xf")):
        if colours := _of(xf, ("fillId", fills), ("fontId", fonts)):
            cells[i] = colours
        of_number = _OF_NUMBER.findall(codes.get(xf.get("numFmtId", "0"), ""))
        if colours := (*_of(xf, ("borderId", borders)), *(_NAMED.get(c.casefold(), UNKNOWN) for c in of_number)):
            edges[i] = colours
    return palette, cells, edges


def _of(style: Element, *lists: tuple[str, Sequence[tuple[str, ...]]]) -> tuple[str, ...]:
    """The colours of a style, by its numbers in lists of them."""
    numbered = ((of, _number(style.get(name, "0"))) for name, of in lists)
    found = [c for of, n in numbered if n is not None and n < len(of) for c in of[n]]
    return tuple(c for c in dict.fromkeys(found) if c != WHITE)


def _of_texts(book: Book, palette: _Palette) -> tuple[str, ...]:
    """The colours of letters that differ from others of their text; anything where there are too many texts."""
    if not book.strings:
        return ()
    if book.parts.entries[book.strings].file_size > _MOST_BYTES:
        return (UNKNOWN,)
    content = book.parts.read(book.strings)
    runs = inside(tree(content, book.strings), "rPr") if b"color" in content else ()
    return tuple(dict.fromkeys(c for run in runs for c in _letters(run, palette) if c != WHITE))


def _number(text: str) -> int | None:
    return int(text) if text.isascii() and text.isdecimal() and len(text) < _LONGEST else None


def _fill(fill: Element, palette: _Palette) -> tuple[str, ...]:
    if any(inside(fill, "gradientFill")):
        return (UNKNOWN,)
    patterns = [p for p in inside(fill, "patternFill") if p.get("patternType", "none") != "none"]
    return tuple(palette.colour(colour) for p in patterns for of in ("fgColor", "bgColor") for colour in inside(p, of))


def _edges(border: Element, palette: _Palette) -> tuple[str, ...]:
    """The colours of the edges of a cell; lines in black or grey are those of any table."""
    found = (palette.colour(colour) for edge in border if edge.get("style") for colour in inside(edge, "color"))
    return tuple(c for c in found if named_as(c) - {"grey"})


def _letters(font: Element, palette: _Palette) -> tuple[str, ...]:
    """The colour of letters, none where it is that of plain text: black, or one of the first two of the theme."""
    colours = [c for c in inside(font, "color") if c.get("theme") not in ("0", "1")]
    return tuple(c for colour in colours if (c := palette.colour(colour)) != BLACK)


def _tinted(rgb: str, tint: float) -> str:
    """A colour made darker (below 0) or lighter by a part of the way to black or white."""
    parts = (int(rgb[i : i + 2], 16) for i in (0, 2, 4))
    return "".join(f"{int(p * (1 + tint) if tint < 0 else p + (255 - p) * tint):02X}" for p in parts)


def _theme(root: Element) -> list[str]:
    """The colours of a theme, in the order in which its part lists them."""
    return [
        next((v for c in named if len(v := c.get("lastClr", c.get("val", ""))) == len(WHITE)), UNKNOWN).upper()
        for scheme in inside(root, "clrScheme")
        for named in scheme
    ]
