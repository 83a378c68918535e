"""Lays out a page for people (grader.page) on one sheet: A4, upright or across, in a quiet grid.

Merged cells are used here and nowhere else. They do not grow by themselves, so the height of each row is
worked out from its text. Rows are written from the top down, each merged range within one row: xlsxwriter's
constant_memory needs it so.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from itertools import accumulate
from typing import Any

from xlsxwriter import Workbook
from xlsxwriter.format import Format
from xlsxwriter.worksheet import Worksheet

from grader.columns import NO_NAME, SITE_NOT_GIVEN
from grader.page import Block, Page
from grader.write.charts import chart_of_rows, new_chart, series_look, set_look
from grader.write.measure import BOLD, text_px, wrapped_lines
from grader.write.styles import Styles, style_of
from grader.write.values import ok

UNITS = 24  # columns of the grid
UNITS_ACROSS = 38  # of a landscape page
UNITS_COMPACT = 30
UNIT_PX = 26
UNIT_WIDTH = (UNIT_PX - 5) / 7  # characters
# Less than A4 (595.3 by 841.9 points) and Letter (612 by 792) within the margins: programs round the height of each
# row, and a page break that comes a row before the one set here would leave a page with that row alone.
SPARE_PT = 14
PAGE_HEIGHT_PT = 792.0 - 2 * 0.7 * 72 - SPARE_PT
PAGE_HEIGHT_ACROSS_PT = 595.3 - 2 * 0.7 * 72 - SPARE_PT
# Scales in percent, the usual first; a smaller one where that saves the last page, which would hold next to nothing.
SCALES_COMPACT, SCALES_ACROSS = (85, 82, 79, 76), (93, 90, 87)
FEWEST_ROWS = 4  # on the last page of several
FORM_ROW_PT = 24.0
BELOW_BANNER_PT = 190.0  # there stand a sentence and the lines to sign
LONGEST_WORD = 18  # characters; a longer one (a name of a file, a sum) may be broken
TILES_A_ROW = 7
CHART_ROWS, CHART_ROW_PT = 11, 15.0
HEADING_PT, GAP_PT = 21.0, 7.0
WHOLE_ROWS = 8  # a table of no more rows is not torn apart
ROW_STEP_PT = 0.75  # a pixel: programs round the height of a row to it
CHARTS_A_ROW, CHARTS_PT = 3, 164.0  # two outlets of six charts on an upright page
# Mean width of a character, pixels for each point of type: only for sharing the page among columns.
CHARACTER_PX = 0.6
CELL_EDGE_PX, INDENT_PX = 8, 9
LINE_HEIGHT, CELL_EDGE_PT = 1.22, 3.5  # of the type size; points a row has besides its lines
TEXT_PT, TABLE_PT, LABEL_PT = 10, 9, 9
KINDS = ("figures", "table", "text", "cautions", "chart", "charts", "form", "banner")  # of blocks: a method each


def write_page(
    workbook: Workbook,
    sheet: Worksheet,
    page: Page,
    styles: Styles,
    texts: Mapping[str, str],
    *,
    address: Callable[[str, int], str],
    clean: Callable[[str], str],
    cells: Callable[[str, str, int, int], str] | None = None,
) -> None:
    """Write the page on an empty sheet.

    texts   : the words section [result].
    address : (sheet, 0-based data row) -> link. clean : makes a text fit for a cell.
    cells   : (sheet, heading, first, last) -> formula of those rows, for charts of a data sheet's rows.
    Raises  : ValueError for a block of unknown kind, or a table of more columns than the grid has.
    """

    def tried(percent: int) -> _PageWriter:
        nowhere: Any = _Nowhere()  # what `clean` counts or keeps is of the page that is written
        trial = _PageWriter(nowhere, nowhere, styles, texts, address, str, cells, percent)
        trial.write(page)
        return trial

    usual, *smaller = SCALES_ACROSS if page.landscape else SCALES_COMPACT if page.compact else (100,)
    if smaller and not page.one_page:
        trial = tried(usual)
        pages, left = len(trial.breaks), trial.page_top_pt / trial.page_height_pt
        for percent in smaller if left < pages * (usual / smaller[-1] - 1) else ():  # else no scale makes room for it
            if len(tried(percent).breaks) < pages:
                usual = percent
                break
    _PageWriter(workbook, sheet, styles, texts, address, clean, cells, usual).write(page)


class _Nowhere(int):
    """A workbook or sheet on which a page is tried: it takes everything and keeps nothing."""

    def __getattr__(self, name: str) -> Callable[..., _Nowhere]:
        return lambda *args, **options: self


@dataclass
class _PageWriter:
    workbook: Workbook
    sheet: Worksheet
    styles: Styles
    texts: Mapping[str, str]
    address: Callable[[str, int], str]
    tidied: Callable[[str], str]
    cells: Callable[[str, str, int, int], str] | None
    percent: int
    units: int = UNITS
    page_height_pt: float = PAGE_HEIGHT_PT
    repeat_tables: bool = False
    row: int = 0
    page_top_pt: float = 0.0  # height already used on the present paper page
    breaks: list[int] = field(default_factory=list)

    @property
    def colours(self) -> dict[str, Any]:
        """Of the page, from the palette."""
        return self.styles.page

    def clean(self, text: str) -> str:
        """Text as a cell may hold it, in the language of the page."""
        named = text.replace(SITE_NOT_GIVEN, self.texts["site_not_given"])
        return self.tidied(named.replace(NO_NAME, self.texts["no_name"]))

    def write(self, page: Page) -> None:
        """Everything: set-up, title, blocks in order."""
        sheet = self.sheet
        if page.landscape:
            self.units, self.page_height_pt = UNITS_ACROSS, PAGE_HEIGHT_ACROSS_PT * 100 / self.percent
        elif page.compact:
            self.units, self.page_height_pt = UNITS_COMPACT, (792.0 - 2 * 0.6 * 72 - SPARE_PT) * 100 / self.percent
        if page.one_page:
            self.page_height_pt = math.inf
        self.repeat_tables = page.repeat_tables
        sheet.set_column(0, self.units - 1, UNIT_WIDTH)
        sheet.hide_gridlines(2)
        sheet.set_paper(9)  # A4
        if page.landscape:
            sheet.set_landscape()
        else:
            sheet.set_portrait()
        side = 0.35 if page.landscape else 0.45 if page.compact else 0.6
        edge = 0.6 if page.compact and not page.landscape else 0.7
        sheet.set_margins(left=side, right=side, top=edge, bottom=edge)
        if page.one_page:
            sheet.fit_to_pages(1, 1)
            sheet.center_horizontally()
        else:
            sheet.set_print_scale(self.percent)
        if page.title:
            self._line(page.title, self._look(18, bold=True, valign="vcenter"), 18, least_pt=28)
        if page.subtitle:
            look = self.styles.make(font_color=self.colours["quiet"], valign="top", text_wrap=True)
            self._line(page.subtitle, look, TEXT_PT)
        if page.title:
            self._rule()
        for block in page.blocks:
            if block.kind not in KINDS:
                raise ValueError(f"no look for a block of kind {block.kind!r}")
            self._keep_together(block)
            if block.heading and block.kind != "cautions":
                self._line(block.heading, self._look(12, bold=True, valign="bottom"), 12, least_pt=HEADING_PT)
            getattr(self, f"_{block.kind}")(block)
            if block.note:
                size_pt = _note_size(block)
                self._line(block.note, self._look(size_pt, "quiet", italic=True), size_pt)
            self._gap()
        sheet.print_area(0, 0, max(self.row - 1, 0), self.units - 1)
        *earlier, last = [0, *self.breaks]
        stays = page.repeat_tables or any(block.new_page for block in page.blocks)
        if earlier and self.row - last < FEWEST_ROWS and not stays:  # no line alone on the last page
            last = max(earlier[-1] + 1, self.row - FEWEST_ROWS)
        sheet.set_h_pagebreaks([*earlier[1:], *([last] if earlier else [])])

    # -- rows ---------------------------------------------------------------------------------------------

    def _look(self, size_pt: float, colour: str = "ink", *, style: str = "", **more: Any) -> Format:
        """The format of a text that wraps, at the top of its cell unless said otherwise."""
        usual = {"font_size": size_pt, "font_color": self.colours[colour], "valign": "top", "text_wrap": True}
        return self.styles.make(style, **usual | more)

    def _next(self, height_pt: float) -> int:
        """Take the next row; its height is set before anything is written in it."""
        row = self.row
        height_pt = math.ceil(height_pt / ROW_STEP_PT) * ROW_STEP_PT
        if self.page_top_pt + height_pt > self.page_height_pt:
            self._new_paper()
        ok(self.sheet.set_row(row, height_pt))
        self.page_top_pt += height_pt
        self.row += 1
        return row

    def _new_paper(self) -> None:
        """The next row starts a new paper page."""
        self.page_top_pt = 0.0
        self.breaks.append(self.row)

    def _gap(self, height_pt: float = GAP_PT) -> int:
        """A row with nothing in it: constant_memory writes the height only of a row that has a cell."""
        row = self._next(height_pt)
        ok(self.sheet.write_blank(row, 0, None, self.styles.make(valign="top")))
        return row

    def _rule(self) -> None:
        row = self._next(7)
        look = self.styles.make(top=2, top_color=self.colours["rule"])
        for unit in range(self.units):
            ok(self.sheet.write_blank(row, unit, None, look))

    def _cell(self, row: int, first: int, last: int, value: Any, look: Format, link: str = "") -> None:
        """One value across the units first to last of a row: number, text, or nothing."""
        if last > first:
            ok(self.sheet.merge_range(row, first, row, last, "", look))
        if link:
            ok(self.sheet.write_url(row, first, link, look, self.clean(_as_text(value))))
        elif isinstance(value, (int, float)) and not isinstance(value, bool) and value == value:
            ok(self.sheet.write_number(row, first, value, look))
        elif text := _as_text(value):
            ok(self.sheet.write_string(row, first, self.clean(text), look))
        else:
            ok(self.sheet.write_blank(row, first, None, look))

    def _line(
        self, text: str, look: Format, size_pt: float, *, first: int = 0, last: int = -1, least_pt: float = 0
    ) -> None:
        last = last if last >= 0 else self.units - 1
        height = _height_pt([(text, last - first + 1)], size_pt, bold=bool(look.bold), indent=look.indent)
        self._cell(self._next(max(height, least_pt)), first, last, text, look)

    def _keep_together(self, block: Block) -> None:
        """Start a new paper page where a short block, or the head of a long one, would be torn apart."""
        heading = HEADING_PT if block.heading else 0.0
        if block.kind == "chart":
            needed = heading + CHART_ROWS * CHART_ROW_PT + 10
        elif block.kind == "charts":
            needed = heading + -(-len(block.chart["charts"]) // CHARTS_A_ROW) * (CHARTS_PT + 4)
        elif block.kind == "figures":
            needed = heading + 60
        elif block.kind == "form":
            needed = heading + 20 + len(block.rows) * FORM_ROW_PT
        elif block.kind == "table":
            # A table with sentences under its rows is a list: its head and first rows stay together, no more.
            whole = len(block.rows) <= WHOLE_ROWS and not block.under
            size_pt, spans = block.size_pt or TABLE_PT, _spans(block, self.units)
            rows = [self._row_pt(block, n, values, spans, size_pt) for n, values in enumerate(block.rows)]
            needed = sum(rows) + self._note_pt(block) if whole else sum(rows[: 1 if block.under else 5])
            if needed > self.page_height_pt / 2:  # it is torn apart wherever it begins
                needed = rows[0]
            needed += heading + 28
        else:
            needed = heading + min(len(block.rows), 5) * 26
        if self.page_top_pt and (block.new_page or self.page_top_pt + needed > self.page_height_pt):
            self._new_paper()

    # -- blocks -------------------------------------------------------------------------------------------

    def _figures(self, block: Block) -> None:
        """Tiles: a number over its label, tinted by its word; the label says it, so colour is never alone."""
        lines = -(-len(block.rows) // TILES_A_ROW)
        a_row = -(-len(block.rows) // max(lines, 1)) or 1
        span = self.units // max(a_row, 4)  # the same in every row: a tile stands under a tile
        for start in range(0, len(block.rows), a_row):
            tiles = block.rows[start : start + a_row]
            numbers = self._next(26)
            for place, (_, number, word) in enumerate(tiles):
                look = self._tile(word, bold=True, font_size=18, valign="bottom")
                self._cell(numbers, place * span, place * span + span - 1, number, look)
            height = _height_pt([(label, span) for label, _, _ in tiles], LABEL_PT) + 4
            labels = self._next(height)
            for place, (label, _, word) in enumerate(tiles):
                look = self._tile(word, font_size=LABEL_PT, valign="top", text_wrap=True, bold=False)
                self._cell(labels, place * span, place * span + span - 1, label, look)
            self._gap(4.5)

    def _tile(self, word: str, **properties: Any) -> Format:
        style = style_of(word)
        shared: dict[str, Any] = {
            "align": "center",
            "left": 5,
            "right": 5,
            "left_color": "#FFFFFF",
            "right_color": "#FFFFFF",
            "num_format": "#,##0",
        }
        if not style:
            shared |= {"bg_color": self.colours["tile_fill"], "font_color": self.colours["ink"]}
        return self.styles.make(style, **shared, **properties)

    def _text(self, block: Block) -> None:
        size_pt = block.size_pt or TEXT_PT
        for sentence, *_ in block.rows:
            self._line(str(sentence), self._look(size_pt), size_pt)

    def _cautions(self, block: Block) -> None:
        """Sentences behind a thick bar, with a frame, so that they read as cautions in grey print too."""
        sentences, size_pt = [str(row[0]) for row in block.rows], block.size_pt or TEXT_PT
        lines = [(block.heading, True)] * bool(block.heading) + [(s, False) for s in sentences]
        fill, edge = self.colours["caution_fill"], self.colours["caution_line"]
        for number, (sentence, heading) in enumerate(lines):
            frame: dict[str, Any] = {"left": 5, "right": 1, "left_color": edge, "right_color": edge}
            frame |= {"top": 1, "top_color": edge} if number == 0 else {}
            frame |= {"bottom": 1, "bottom_color": edge} if number == len(lines) - 1 else {}
            look = self._look(size_pt, bg_color=fill, valign="vcenter", bold=heading, indent=1, **frame)
            self._line(sentence, look, size_pt)

    def _table(self, block: Block) -> None:
        size_pt = block.size_pt or TABLE_PT
        spans = _spans(block, self.units)
        aligned = block.aligns or [
            "right" if _is_number_column(block, n) else "left" for n in range(len(block.columns))
        ]
        self._table_head(block, spans, aligned, size_pt)
        for number, values in enumerate(block.rows):
            under = block.under.get(number, "")
            height = _cells_pt(values, spans, size_pt)
            whole = self._row_pt(block, number, values, spans, size_pt)
            ends = number == len(block.rows) - 1
            whole += self._note_pt(block) if ends else 0.0  # a note never stands alone on the next page
            if number and (self.repeat_tables or under or ends) and self.page_top_pt + whole > self.page_height_pt:
                self._new_paper()
                if self.repeat_tables:
                    self._table_head(block, spans, aligned, size_pt)
            row = self._next(height)
            link = self.address(*block.links[number]) if number in block.links else ""
            line = {} if under else {"bottom": 4, "bottom_color": self.colours["line"]}
            for column, (value, (first, last), align) in enumerate(zip(values, spans, aligned)):
                here = link if column == 0 else ""
                # A cell of several lines has its word in the last one.
                word = value.rpartition("\n")[2] if isinstance(value, str) else value
                style = "" if here or word in block.plain else style_of(word)
                shared: dict[str, Any] = {"align": align, "indent": _indent(aligned, column), **line}
                if here:
                    look = self._look(size_pt, "link", underline=1, **shared)
                else:
                    look = self._look(size_pt, style=style, **shared)
                self._cell(row, first, last, value, look, here)
            if under:
                look = self._look(size_pt, bottom=1, bottom_color=self.colours["line"])
                self._line(under, look, size_pt, last=spans[-1][1])

    def _note_pt(self, block: Block) -> float:
        return _height_pt([(block.note, self.units)], _note_size(block)) if block.note else 0.0

    def _row_pt(
        self, block: Block, number: int, values: Sequence[Any], spans: Sequence[tuple[int, int]], size_pt: float
    ) -> float:
        """Height of one row of a table, with the text under it."""
        under = block.under.get(number, "")
        return _cells_pt(values, spans, size_pt) + (_height_pt([(under, spans[-1][1] + 1)], size_pt) if under else 0.0)

    def _table_head(
        self, block: Block, spans: Sequence[tuple[int, int]], aligned: Sequence[str], size_pt: float
    ) -> None:
        if not any(block.columns):
            return
        height = _height_pt([(c, s[1] - s[0] + 1) for c, s in zip(block.columns, spans)], size_pt, bold=True, indent=1)
        row, line = self._next(height), {"bottom": 1, "bottom_color": self.colours["rule"]}
        for column, (name, (first, last), align) in enumerate(zip(block.columns, spans, aligned)):
            shared = {"align": align, "indent": _indent(aligned, column), **line}
            self._cell(row, first, last, name, self._look(size_pt, bold=True, valign="bottom", **shared))

    def _form(self, block: Block) -> None:
        """Places to write by hand: one a column, a label over a ruled line for each row."""
        span = self.units // max(len(block.columns), 1)
        row = self._next(_height_pt([(c, span - 1) for c in block.columns], TABLE_PT, bold=True))
        for place, name in enumerate(block.columns):
            self._cell(row, place * span, place * span + span - 2, name, self._look(TABLE_PT, bold=True))
        line = {"bottom": 1, "bottom_color": self.colours["rule"]}
        look = self.styles.make(font_size=LABEL_PT, font_color=self.colours["quiet"], valign="bottom", **line)
        for label, *_ in block.rows:
            row = self._next(FORM_ROW_PT)
            for place in range(len(block.columns)):
                self._cell(row, place * span, place * span + span - 2, label, look)

    def _banner(self, block: Block) -> None:
        """Big lines in a black frame, smaller where they would not leave room below them on the page."""
        room = self.page_height_pt - BELOW_BANNER_PT
        factor = next((f / 100 for f in range(100, 40, -5) if self._banner_pt(block, f / 100) < room), 0.4)
        for number, (sentence, size_pt, kind) in enumerate(block.rows):
            size_pt = round(size_pt * factor, 1)
            look: dict[str, Any] = {"valign": "vcenter", "left": 5, "right": 5, "font_color": "#000000"}
            look |= {"align": "left", "indent": 1} if kind == "left" else {"align": "center", "bold": True}
            look |= {"bg_color": "#000000", "font_color": "#FFFFFF"} if kind == "dark" else {}
            look |= {"top": 5} if number == 0 else {}
            look |= {"bottom": 5} if number == len(block.rows) - 1 else {}
            self._line(sentence, self._look(size_pt, **look), size_pt, least_pt=size_pt * 1.5)

    def _banner_pt(self, block: Block, factor: float) -> float:
        sizes = [(sentence, size_pt * factor, kind) for sentence, size_pt, kind in block.rows]
        return sum(
            max(_height_pt([(t, self.units)], size, bold=kind != "left", indent=int(kind == "left")), size * 1.5)
            for t, size, kind in sizes
        )

    def _chart(self, block: Block) -> None:
        """A native chart; its figures stand beside it, to the right of the printed page."""
        given = block.chart
        chart = new_chart(self.workbook, given["kind"])
        first = self.units + 1
        categories = [_as_text(c) for c in given["categories"]]
        name = self.sheet.get_name()
        last = first + len(categories)
        quiet = self.styles.make(font_size=8, font_color=self.colours["quiet"])
        top = self.row
        rows = max(CHART_ROWS, len(given["series"]) + 2)
        for number in range(rows):
            row = self._next(CHART_ROW_PT)
            if number > len(given["series"]):
                continue
            label, values = given["series"][number - 1] if number else (self.texts["chart_data"], categories)
            for place, value in enumerate([label, *values], start=first):
                self._cell(row, place, place, value, quiet)
            if number:
                chart.add_series(
                    {
                        "name": [name, row, first],
                        "categories": [name, top, first + 1, top, last],
                        "values": [name, row, first + 1, row, last],
                        **series_look(self.styles, given["kind"], label, number - 1),
                    }
                )
        set_look(chart, self.styles, given, self.units * UNIT_PX - 4, rows * CHART_ROW_PT * 96 / 72 - 4)
        self._put_chart(top, 0, chart, given.get("description") or block.heading)

    def _put_chart(self, row: int, column: int, chart: Any, description: str) -> None:
        look = {"object_position": 2, "x_offset": 2, "y_offset": 2, "description": description}
        ok(self.sheet.insert_chart(row, column, chart, look))

    def _charts(self, block: Block) -> None:
        """Charts side by side, each over rows of a data sheet."""
        if self.cells is None:
            raise ValueError("charts of a data sheet's rows, but no data sheets")
        span = self.units // CHARTS_A_ROW
        for start in range(0, len(block.chart["charts"]), CHARTS_A_ROW):
            row = self._gap(CHARTS_PT)
            for place, given in enumerate(block.chart["charts"][start : start + CHARTS_A_ROW]):
                size_px = span * UNIT_PX - 8, CHARTS_PT * 96 / 72 - 4
                chart = chart_of_rows(self.workbook, self.styles, given, self.cells, *size_px)
                self._put_chart(row, place * span, chart, given["description"])
            self._gap(3.75)


def _as_text(value: Any) -> str:
    if value is None or value != value:  # NaN and NaT are not equal to themselves
        return ""
    if isinstance(value, datetime):
        return value.date().isoformat()
    return value.isoformat() if isinstance(value, date) else str(value)


def _indent(aligned: Sequence[str], column: int) -> int:
    """Steps that a column stands off its edge: one at the right, or at the left behind one that reaches to it."""
    follows = column > 0 and aligned[column] == "left" and aligned[column - 1] != "left"
    return int(aligned[column] == "right" or follows)


def _is_number_column(block: Block, column: int) -> bool:
    values = [row[column] for row in block.rows if row[column] is not None]
    return bool(values) and all(isinstance(v, (int, float)) and not isinstance(v, bool) for v in values)


def _height_pt(cells: Sequence[tuple[str, int]], size_pt: float, *, bold: bool = False, indent: int = 0) -> float:
    """Height of a row whose cells (text, units across) wrap."""
    lines = max(
        (
            wrapped_lines(text, units * UNIT_PX - CELL_EDGE_PX - indent * INDENT_PX, size_pt, bold=bold)
            for text, units in cells
        ),
        default=1,
    )
    return min(409.0, lines * size_pt * LINE_HEIGHT + CELL_EDGE_PT)  # 409 points is the format's tallest row


def _note_size(block: Block) -> float:
    return min(block.size_pt or LABEL_PT, LABEL_PT)


def _cells_pt(values: Sequence[Any], spans: Sequence[tuple[int, int]], size_pt: float) -> float:
    return _height_pt([(_as_text(v), last - first + 1) for v, (first, last) in zip(values, spans)], size_pt)


def _spans(block: Block, page_units: int) -> list[tuple[int, int]]:
    """First and last unit of each column of a table: as the block says, else room by content, the longest
    texts sharing what is left.

    Raises : ValueError where the table has more columns than the grid, or a row of another length.
    """
    count = len(block.columns)
    if not 0 < count <= page_units or any(len(row) != count for row in block.rows):
        raise ValueError(f"table {block.heading!r}: {count} columns, or a row that has more or fewer")
    if block.widths:
        if len(block.widths) != count or sum(block.widths) > page_units or min(block.widths) < 1:
            raise ValueError(f"table {block.heading!r}: widths {block.widths} do not fit {count} columns")
        return _side_by_side(_whole_words(block))
    per_unit = UNIT_PX / (CHARACTER_PX * TABLE_PT)
    wanted, least = [], []
    for column, name in enumerate(block.columns):
        texts = [_as_text(row[column]) for row in block.rows]
        longest_word = max((len(w) for t in [name, *texts] for w in t.split()), default=1)
        wanted.append((max([len(t) for t in texts] + [longest_word]) + 2) / per_unit)
        least.append(max(1, round((min(longest_word, LONGEST_WORD) + 2) / per_unit + 0.3)))
    while sum(least) > page_units:
        least[least.index(max(least))] -= 1
    units = list(least)
    for _ in range(page_units - sum(units)):  # one unit at a time to whoever is shortest of room
        lack = [w / u for w, u in zip(wanted, units)]
        units[lack.index(max(lack))] += 1
    return _side_by_side(units)


def _whole_words(block: Block) -> list[int]:
    """The widths that a block asks for, those of columns with room lent to columns whose words would be broken."""
    widths, size_pt = list(block.widths), block.size_pt or TABLE_PT
    least = []
    for name, *cells in zip(block.columns, *block.rows):
        words = [
            *((w, size_pt * BOLD) for w in name.split()),
            *((w, size_pt) for c in cells for w in _as_text(c).split()),
        ]
        widest = max((text_px(w, size) for w, size in words if len(w) <= LONGEST_WORD), default=0.0)
        least.append(math.ceil((widest + CELL_EDGE_PX) / UNIT_PX))
    for column, needed in enumerate(least):
        while widths[column] < needed:
            spare = [w - n for w, n in zip(widths, least)]
            if max(spare) < 1:
                break
            widths[spare.index(max(spare))] -= 1
            widths[column] += 1
    return widths


def _side_by_side(units: Sequence[int]) -> list[tuple[int, int]]:
    return [(end - width, end - 1) for width, end in zip(units, accumulate(units))]
