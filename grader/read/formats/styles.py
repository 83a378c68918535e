"""The cell styles of a workbook through which a number is not what it seems."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from grader.read.formats.number_format import is_percent, prints_another
from grader.read.formats.parts import inside, tree

_PERCENT_FORMATS = frozenset(("9", "10"))  # built-in 0% and 0.00% (ECMA-376 part 1, 18.8.30)


class Styles(NamedTuple):
    """Cell styles, by number, that matter: a percent format, one that prints more or less than the number, a font.

    marked : style -> format code. struck : styles whose font is struck through: what they show holds no more.
    """

    percent: frozenset[int] = frozenset()
    marked: Mapping[int, str] = {}
    struck: frozenset[int] = frozenset()


def styles_of(codes: Mapping[str, str], used: Sequence[str]) -> Styles:
    """Which styles matter, of their number formats.

    codes : number of a format, as text -> its code, built-in ones left out. used : of each style, its format's number.
    """
    marked = {key for key, code in codes.items() if prints_another(code)}
    percent = {key for key, code in codes.items() if is_percent(code)} - marked | _PERCENT_FORMATS - codes.keys()
    return Styles(
        frozenset(i for i, key in enumerate(used) if key in percent),
        {i: codes[key] for i, key in enumerate(used) if key in marked},
    )


def styles_of_xml(content: bytes) -> Styles:
    """Which styles of an .xlsx matter, of their number formats and fonts. content : bytes of the part."""
    styles = tree(content, "xl/styles.xml")
    codes = {f.get("numFmtId", ""): f.get("formatCode", "") for f in inside(styles, "numFmt")}
    used = [xf for cells in inside(styles, "cellXfs") for xf in inside(cells, "xf")]
    fonts = [font for fonts in inside(styles, "fonts") for font in inside(fonts, "font")]
    struck = {
        str(i)
        for i, font in enumerate(fonts)
        if any(strike.get("val", "1") not in ("0", "false") for strike in inside(font, "strike"))
    }
    made = styles_of(codes, [xf.get("numFmtId", "0") for xf in used])
    return made._replace(struck=frozenset(i for i, xf in enumerate(used) if xf.get("fontId", "0") in struck))
