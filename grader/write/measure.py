"""How wide a text is and how many lines it takes when it wraps: rows do not grow by themselves everywhere.

Widths are those of the palette's font, so that a row is as high as its text and no higher.
"""

from __future__ import annotations

from functools import cache

# Advance widths of Liberation Sans, whose metrics are Arial's, in thousandths of the type size (read from the
# font). Bold is about 7 % wider. A character that is not here counts as a digit.
_DIGIT = 556
_WIDTHS = {
    222: "ijl|'",
    278: " .,:;!/\\[]ftI",
    333: "r()-`",
    355: '"',
    389: "*",
    400: "°",
    500: "ckvxyzsJ",
    584: "+=<>~≤≥±",
    611: "FTZ",
    667: "ABEKPSVXY&",
    722: "CDHNRUw",
    778: "GOQ",
    833: "mM",
    889: "%",
    944: "W",
    1000: "…—@",
}
_WIDTH = {character: width for width, characters in _WIDTHS.items() for character in characters}
BOLD = 1.07
PIXELS_A_POINT = 96 / 72
# Programs round each character to whole pixels on screen, and not all have the font.
SLACK = 1.04


@cache
def text_px(text: str, size_pt: float) -> float:
    """Width of one line of text, pixels at 96 an inch.

    >>> round(text_px("0000000000", 10.0) / SLACK, 1)
    74.1
    """
    return sum(_WIDTH.get(c, _DIGIT) for c in text) / 1000 * size_pt * PIXELS_A_POINT * SLACK


def wrapped_lines(text: str, width_px: float, size_pt: float, *, bold: bool = False) -> int:
    """Lines that a text takes in a cell of that width; a word longer than a line is broken.

    text : may hold line ends. width_px : room for text, pixels.

    >>> wrapped_lines("Drain the receiver and the filters.\\nRetest.", 140, 10.0)
    3
    """
    size = size_pt * (BOLD if bold else 1.0)
    space = text_px(" ", size)
    lines = 0
    for part in text.split("\n"):
        lines += 1
        used = 0.0
        for word in part.split(" "):
            width = text_px(word, size)
            if used and used + space + width > width_px:
                lines, used = lines + 1, 0.0
            used += width + (space if used else 0.0)
            if used > width_px:
                lines += int(used // max(width_px, 1.0))
                used %= max(width_px, 1.0)
    return lines
