"""How a data sheet looks: widths, number formats, what is coloured, what wraps (data/sheets.toml).

Nothing here knows a sheet by name: a sheet or column without an entry gets a plain look.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from functools import cache
from itertools import chain
from math import ceil
from typing import Any, NamedTuple

from grader.data import load_toml
from grader.write.measure import text_px, wrapped_lines

# A page across that fits on A4 (841.9 by 595.3 points) and on Letter (792 by 612), less the margins of `MARGINS`
# and less a part because programs and printers differ in how wide and high they draw.
MARGINS = {"left": 0.4, "right": 0.4, "top": 0.65, "bottom": 0.6}  # inches
PAGE_WIDTH_PT = (792.0 - (MARGINS["left"] + MARGINS["right"]) * 72) * 0.93
PAGE_HEIGHT_PT = (595.3 - (MARGINS["top"] + MARGINS["bottom"]) * 72) * 0.97
FEWEST_ROWS = 4  # on the last page of several

CELL_EDGE_PX = 2  # of the width of a column that no text stands in
INDENT_PX = 9  # every cell stands one step off its edge, clear of its neighbour


class ColumnLook(NamedTuple):
    """Look of one column.

    width  : characters.
    format : number format, "row" (by the row's parameter) or "" (text, or whatever comes).
    colour : "words" (by the word in the cell) or "".
    wrap   : long text wraps. level : outline level. keep : on paper it stays with the column before it.
    align  : "left", "right", "center" or "" (right where there is a number format).
    most   : the column is as wide as its longest text, from `width` up to this; 0 leaves it at `width`.
    """

    width: float
    format: str = ""
    colour: str = ""
    wrap: bool = False
    level: int = 0
    keep: bool = False
    align: str = ""
    most: float = 0

    @property
    def horizontal(self) -> str:
        """Alignment that holds for the cells and the heading."""
        return self.align or ("right" if self.format else "left")


@cache
def column_look(sheet: str, heading: str) -> ColumnLook:
    """The look of one column of one sheet (a sheet that goes on as "Verdicts 2" looks like "Verdicts").

    >>> column_look("Verdicts", "Oil verdict").colour, column_look("Trend", "2026-03").format
    ('words', 'row')
    >>> column_look("anything", "Some new heading").width
    12
    """
    data = load_toml("sheets.toml")
    listed = (entry for entry in data["columns"] if entry["heading"] == heading)
    alike = (entry for entry in data["patterns"] if re.fullmatch(entry["match"], heading))
    found: dict[str, Any] = next(chain(listed, alike), {})
    found = {
        **{k: v for k, v in found.items() if k not in ("match", "heading")},
        **data["sheet"].get(sheet, {}).get("column", {}).get(heading, {}),
    }
    if "width" not in found:
        longest_word = max((len(word) for word in heading.split()), default=0)
        found = {"wrap": True, **found, "width": max(12, longest_word + 2)}  # nothing is cut off on paper
    return ColumnLook(**found)


def fitted(look: ColumnLook, texts: Iterable[object]) -> ColumnLook:
    """The look with the width that its texts need, within what the look allows.

    >>> fitted(ColumnLook(width=10, most=30), ["Bay 1", "Farwick Warm Process Works"]).width
    28.5
    """
    if not look.most:
        return look
    size = load_toml("palette.toml")["page"]["font_size"]
    longest = max((text_px(text, size) for text in texts if isinstance(text, str)), default=0.0)
    needed = ceil(2 * (longest + CELL_EDGE_PX + INDENT_PX + 2) / 7) / 2
    return look._replace(width=min(look.most, max(look.width, needed)))


def printed_columns(sheet: str, headings: Sequence[str]) -> int:
    """How many first columns of a sheet go on paper."""
    look = load_toml("sheets.toml")["sheet"].get(sheet, {})
    return headings.index(look["print_to"]) + 1 if look.get("print_to") in headings else len(headings)


def row_height_pt(sheet: str) -> float:
    """Height of the rows of a sheet, points; 0 is the usual one."""
    return load_toml("sheets.toml")["sheet"].get(sheet, {}).get("row_pt", 0)


def fixed_columns(sheet: str) -> tuple[int, int]:
    """How many first columns of a sheet stay in sight, and how many come again on each page across."""
    sheets = load_toml("sheets.toml")["sheet"]
    look = {**sheets["default"], **sheets.get(sheet, {})}
    return look["freeze"], look.get("repeat", look["freeze"])


def row_format(parameter: object) -> str:
    """Number format of one parameter's readings where a column holds many parameters."""
    formats = load_toml("sheets.toml")["row_format"]
    return formats.get(parameter, "General") if isinstance(parameter, str) else "General"


def setting(name: str) -> Any:
    """One of the general settings of data/sheets.toml, for example "date_format".

    Raises : KeyError where there is no such setting.
    """
    return load_toml("sheets.toml")[name]


def width_pt(characters: float) -> float:
    """Width of a column on paper, points: 7 pixels a character and 5 of padding, 96 pixels an inch."""
    return (characters * 7 + 5) * 0.75


def heading_lines(heading: str, width: float) -> int:
    """Lines that a bold heading takes in a column of that many characters, one word never being split."""
    room = max(1.0, width - 0.5)
    lines, used = 1, 0.0
    for word in heading.split():
        needed = len(word) * 1.02
        if used and used + 1 + needed > room:
            lines, used = lines + 1, needed
        else:
            used += needed + (1 if used else 0)
    return lines


class Paper(NamedTuple):
    """How a sheet goes on paper.

    scale : percent. columns : columns before which a page breaks. rows : sheet rows before which one breaks.
    printed : data rows on paper; the rest of a long sheet is for the screen.
    """

    scale: int
    columns: list[int]
    rows: list[int]
    printed: int


def paper(sheet: str, looks: Sequence[ColumnLook], repeat: int, heading_pt: float, heights: Iterable[float]) -> Paper:
    """Where the pages of a sheet begin, the same in every program: nothing is left to a fit to the page.

    looks      : of the columns on paper; the first `repeat` come on every page across, and those marked `keep`
                 stay on the page of the column before them.
    heading_pt : height of the row of headings, which comes on every page. heights : of the data rows, points;
                 read only as far as the pages that data/sheets.toml allows the sheet (`pages`, 0: all).
    """
    scale, columns = _across(looks, repeat)
    data = load_toml("sheets.toml")["sheet"]
    pages = {**data["default"], **data.get(sheet, {})}["pages"]
    most = max(1, pages // (len(columns) + 1)) if pages else 0
    room = PAGE_HEIGHT_PT * 100 / scale - heading_pt
    starts, used, printed = [0], 0.0, 0
    for height in heights:
        if used and used + height > room:
            if len(starts) == most:
                break
            starts.append(printed)
            used = 0.0
        used += height
        printed += 1
    if len(starts) > 1 and printed - starts[-1] < FEWEST_ROWS:  # no line alone on the last page
        starts[-1] = max(starts[-2] + 1, printed - FEWEST_ROWS)
    return Paper(scale, columns, [start + 1 for start in starts[1:]], printed)


def _across(looks: Sequence[ColumnLook], repeat: int) -> tuple[int, list[int]]:
    """Scale in percent, and the columns before which a page breaks where one page is too narrow at a legible scale.

    As few pages as at the smallest legible scale, at the largest scale that takes no more: none is left with a column.
    """
    smallest = int(setting("smallest_print_percent"))
    widths = [width_pt(look.width) for look in looks]
    fewest = len(_breaks(looks, widths, repeat, smallest))
    scale = next(s for s in range(100, smallest - 1, -1) if len(_breaks(looks, widths, repeat, s)) <= fewest)
    return scale, _breaks(looks, widths, repeat, scale)


def _breaks(looks: Sequence[ColumnLook], widths: Sequence[float], repeat: int, scale: int) -> list[int]:
    """The columns, of such widths in points, before which a page breaks at a scale in percent."""
    room = PAGE_WIDTH_PT * 100 / scale
    repeated = sum(widths[:repeat])
    breaks: list[int] = []
    used, start = repeated, repeat
    for column in range(repeat, len(widths)):
        if used + widths[column] > room and column > start:
            cut = column
            while looks[cut].keep and cut > start + 1:
                cut -= 1
            if cut == start + 1 and looks[cut].keep:
                cut = column  # the whole page is one group: break where it is full
            breaks.append(cut)
            start = cut
            used = repeated + sum(widths[cut:column])
        used += widths[column]
    return breaks


def text_lines(text: str, width: float) -> int:
    """Lines that a wrapped text takes in a column of that many characters.

    >>> text_lines("Drain the receiver and the filters.\\nRetest.", 20)
    3
    """
    return wrapped_lines(text, width * 7 - CELL_EDGE_PX - INDENT_PX, load_toml("palette.toml")["page"]["font_size"])
