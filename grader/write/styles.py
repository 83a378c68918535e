"""Formats and colours of the result workbook, made once each and shared by all cells.

Verdict cells carry their own cell format rather than a conditional one: the colour then survives copying into
another workbook, can be filtered by, is seen by every reader of the file and is not worked out again on each
scroll. It costs a style number a cell, the same few bytes that any formatted cell has.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from xlsxwriter import Workbook
from xlsxwriter.format import Format

from grader.data import load_toml
from grader.words import meant_by


def palette() -> Mapping[str, Any]:
    """The palette: style -> fill, text, and chart of verdicts; words -> style; page colours (data/palette.toml)."""
    return load_toml("palette.toml")


def style_of(word: object) -> str:
    """Style of a verdict, severity, state or trend word, in any language that was asked for; "" for what is no such word.

    >>> from grader.words import words
    >>> german = words("de")
    >>> style_of("fail"), style_of("in date"), style_of("nicht erfüllt"), style_of("outlet 3"), style_of(None)
    ('bad', 'good', 'bad', '', '')
    """
    known = palette()["words"]
    return (known.get(word) or known.get(meant_by().get(word, ""), "")) if isinstance(word, str) else ""


def mark_of(style: str) -> dict[str, Any]:
    """How a figure without its word is set besides its colour, as xlsxwriter properties.

    >>> mark_of("unclear"), mark_of("good")
    ({'italic': True}, {})
    """
    mark = palette()["style"].get(style, {}).get("mark")
    return {mark: True} if mark else {}


def book_options(**more: Any) -> dict[str, Any]:
    """Options of an xlsxwriter workbook in which a text stays a text, in the font of the palette."""
    page = palette()["page"]
    return {
        "strings_to_numbers": False,
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "default_format_properties": {"font_name": page["font"], "font_size": page["font_size"]},
        **more,
    }


class Styles:
    """Formats of one workbook; the same properties give the same Format object."""

    def __init__(self, workbook: Workbook) -> None:
        self._workbook = workbook
        self._made: dict[tuple[tuple[str, Any], ...], Format] = {}
        self.page: dict[str, Any] = palette()["page"]

    def make(self, style: str = "", **properties: Any) -> Format:
        """A format with these xlsxwriter properties, and fill and text of a palette style ("" for none)."""
        if style:
            look = palette()["style"][style]
            properties["bg_color"] = look["fill"]
            properties["font_color"] = look["text"]
            if look.get("bold"):
                properties["bold"] = True
        key = tuple(sorted(properties.items()))
        if key not in self._made:
            self._made[key] = self._workbook.add_format(properties)
        return self._made[key]

    def by_word(self, **properties: Any) -> dict[str, Format]:
        """One format a word of the palette, all with these further properties."""
        return {word: self.make(style, **properties) for word, style in palette()["words"].items()}

    def heading(self, align: str = "left") -> Format:
        """Heading cell of a data sheet."""
        return self.make(
            bold=True,
            text_wrap=True,
            valign="top",
            align=align,
            indent=int(align != "center"),
            bottom=1,
            bottom_color=self.page["rule"],
            bg_color=self.page["heading_fill"],
            font_color=self.page["ink"],
        )

    def chart_colour(self, word: str, number: int) -> str:
        """Colour of a chart series: that of its verdict, else the next of the palette's series."""
        colours = palette()["series"]["colours"]
        return palette()["style"].get(style_of(word), {}).get("chart") or colours[number % len(colours)]
