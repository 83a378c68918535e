"""The result workbook: the Summary, then one data sheet a frame, written row by row.

Whatever came from an input is written as text, never as a formula or a link. Missing values are empty cells.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import repeat
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from xlsxwriter import Workbook
from xlsxwriter.exceptions import XlsxWriterException
from xlsxwriter.format import Format
from xlsxwriter.utility import xl_range, xl_range_abs, xl_rowcol_to_cell
from xlsxwriter.worksheet import Worksheet

from grader.columns import ROWS_PER_SHEET
from grader.page import Page
from grader.problems import GraderError
from grader.words import words
from grader.write.page import write_page
from grader.write.quick import QuickSheet
from grader.write.safely import KIND_PROPERTY, Sink, check_target, replacing, scratch_folder
from grader.write.sheets import (
    MARGINS,
    ColumnLook,
    column_look,
    fitted,
    fixed_columns,
    heading_lines,
    paper,
    printed_columns,
    row_format,
    row_height_pt,
    setting,
    text_lines,
)
from grader.write.styles import Styles, book_options, mark_of, style_of
from grader.write.tagged import TaggedWorkbook
from grader.write.values import clean_text, ok, plain_values

LINKS_PER_SHEET = 60_000  # the format's limit is 65,530
LINE_PT = 13.0  # height of a line of text
ROW_PT = 15.0  # height of a row of which nothing is said
MOST_BREAKS = 1_000  # between pages; the format's limit is 1,023
HEIGHTS_ROWS = 500  # rows whose height is worked out at a time
TALLEST_LINES = 31  # a row may be 409 points high
WIDTH_ROWS = 5_000  # the first rows say how wide a column of texts has to be
CHUNK_ROWS = 10_000  # rows turned into plain values at a time, which bounds the memory
_STANDARD_PROPERTIES = frozenset("title subject author manager company category keywords comments status".split())
_LONGEST_PROPERTY = 255


@dataclass
class Written:
    """What was written: sheets maps a frame's name to the titles of its sheets ("Verdicts", "Verdicts 2")."""

    path: Path
    sheets: dict[str, list[str]] = field(default_factory=dict)
    rows: dict[str, int] = field(default_factory=dict)
    texts_cut: int = 0
    links_left_out: int = 0


def write_result(
    path: str | os.PathLike[str],
    frames: Mapping[str, pd.DataFrame],
    summary: Page,
    *,
    order: Mapping[str, np.ndarray] | None = None,
    colours: Mapping[str, pd.DataFrame] | None = None,
    links: Mapping[str, Mapping[str, Any]] | None = None,
    sparklines: Mapping[str, tuple[str, str, str]] | None = None,
    pages: Mapping[str, Page] | None = None,
    properties: Mapping[str, str] | None = None,
    created: datetime | None = None,
    inputs: Iterable[Path] = (),
    kind: str = "result",
    language: str = "en",
    rows_per_sheet: int = ROWS_PER_SHEET,
) -> Written:
    """Write the result workbook, in one step: the earlier file stays whole until the new one is on the disk.

    path       : where to; see safely.check_target.
    frames     : sheet name -> frame, in sheet order; any names, any columns. NaN, None and NaT are blank.
    summary    : the page for people, laid out as the first sheet.
    order      : sheet -> positions of its rows as they are to stand; links, colours and charts name rows as they
                 are in the frames.
    colours    : sheet -> frame of verdict words, rows in the same order, for the columns whose cells are
                 coloured by a word that is not in the cell (the months of Trend).
    links      : sheet -> {"column": heading, "targets": one (sheet, 0-based data row) or None a row}.
    sparklines : sheet -> (heading of the column that shows them, first and last heading of the values).
    pages      : sheet name -> further page for people, behind the Summary.
    properties : title, subject, author, keywords, comments and the like; every other name becomes a custom
                 document property (version, rule sets, options).
    created    : time in the document properties; else SOURCE_DATE_EPOCH of the environment; else now.
    inputs     : files that were read; none of them is ever written over.
    kind       : value of the custom property grader-kind, by which the program knows its own products.
    Returns    : Written. Rows beyond `rows_per_sheet` go on to further sheets, which it names.
    Raises     : GraderError (one line, nothing changed); ValueError for links, colours or sparklines that do
                 not fit the frames.
    """
    sources = list(inputs)
    target = check_target(path, sources, kinds=(kind,))
    said: dict[str, str] = words(language)["result"]
    beside = order or {}, colours or {}, links or {}, sparklines or {}, pages or {}
    job = _Job(frames, *beside, said, rows_per_sheet)
    with replacing(target) as part:
        check_target(target, sources, kinds=(kind,))  # again, now that no other run can write it
        scratch = scratch_folder(part)
        scratch.mkdir(mode=0o700)
        with open(part, "r+b") as stream:
            sink = Sink(stream)
            workbook = TaggedWorkbook(sink, book_options(constant_memory=True, tmpdir=str(scratch), use_zip64=True))
            workbook.language = language
            try:
                told = {KIND_PROPERTY: kind, "language": language, **(properties or {})}
                set_properties(workbook, told, created, said["title"])
                job.write(workbook, summary)
                workbook.close()
                if any(sheet.unwritten for sheet in workbook.worksheets() if isinstance(sheet, QuickSheet)):
                    raise RuntimeError("xlsxwriter left out rows that were given to it; the result is not kept")
            except XlsxWriterException as error:
                cause = next((a for a in error.args if isinstance(a, OSError)), None)
                raise (cause or GraderError(f"{target}: not written ({error}). Nothing was changed.")) from error
            finally:
                sink.let_go()
                for sheet in workbook.worksheets():
                    sheet._opt_close()  # its temporary file, open still where something failed
    return Written(
        target, job.titles, {name: len(frame) for name, frame in frames.items()}, job.cut, job.links_left_out
    )


# Further pages for people (Charts) stand before the first of these sheets.
PAGES_BEFORE = ("Chart data", "Problems")


class _Content(NamedTuple):
    """Frame, colours and link targets of a sheet, and the order of their rows in the workbook (None: as they are)."""

    frame: pd.DataFrame
    tinted: pd.DataFrame | None
    targets: Sequence[tuple[str, int] | None] | None
    order: np.ndarray | None

    def part(self, table: pd.DataFrame | pd.Series, start: int, stop: int) -> Any:
        """Rows start to stop of the sheet; only they are copied, never a whole frame."""
        if self.order is None and start == 0 and stop >= len(table):
            return table
        return table.iloc[start:stop] if self.order is None else table.iloc[self.order[start:stop]]


@dataclass
class _Job:
    """The sheets of one workbook, and what is counted while they are written."""

    frames: Mapping[str, pd.DataFrame]
    order: Mapping[str, np.ndarray]
    colours: Mapping[str, pd.DataFrame]
    links: Mapping[str, Mapping[str, Any]]
    sparklines: Mapping[str, tuple[str, str, str]]
    pages: Mapping[str, Page]
    words: dict[str, str]
    rows_per_sheet: int
    cut: int = 0
    links_left_out: int = 0
    heading_pt: float = 0.0  # of the sheet that is being written
    titles: dict[str, list[str]] = field(default_factory=dict)
    links_on: dict[str, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.place = {name: np.argsort(positions) for name, positions in self.order.items()}
        for name, frame in self.frames.items():
            count = max(1, -(-len(frame) // self.rows_per_sheet))
            self.titles[name] = [name] + [f"{name[:28]} {n}" for n in range(2, count + 1)]
        self._check()

    def _check(self) -> None:
        for name, tinted in self.colours.items():
            if name not in self.frames or len(tinted) != len(self.frames[name]):
                raise ValueError(f"colours of {name!r} do not fit its frame")
        for name, link in self.links.items():
            frame = self.frames.get(name, pd.DataFrame())
            if link["column"] not in frame.columns or len(link["targets"]) != len(frame):
                raise ValueError(f"links of {name!r} do not fit its frame")
        for name, headings in self.sparklines.items():
            if name not in self.frames or not set(headings) <= set(self.frames[name].columns):
                raise ValueError(f"sparklines of {name!r} name columns that its frame does not have")

    def write(self, workbook: Workbook, summary: Page) -> None:
        """All sheets, the Summary first, further pages before the figures that they draw or the Problems."""
        self.styles = Styles(workbook)
        self._page(workbook, self.words["summary_sheet"], summary)
        further = dict(self.pages)
        for name in self.frames:
            while further and name in PAGES_BEFORE:
                self._page(workbook, *further.popitem())
            content = self.content(name)
            for number, title in enumerate(self.titles[name]):
                start = number * self.rows_per_sheet
                stop = min(len(content.frame), start + self.rows_per_sheet)
                self._sheet(workbook.add_worksheet(title, QuickSheet), name, content, start, stop)
        for title, page in further.items():
            self._page(workbook, title, page)

    def _page(self, workbook: Workbook, title: str, page: Page) -> None:
        front = workbook.add_worksheet(title)
        write_page(
            workbook, front, page, self.styles, self.words, address=self.address, clean=self.clean, cells=self.cells
        )
        self._footer(front)

    def content(self, name: str) -> _Content:
        """One sheet's, in the order asked for."""
        frame, tinted, order = self.frames[name], self.colours.get(name), self.order.get(name)
        targets = self.links[name]["targets"] if name in self.links else None
        if order is not None and targets is not None:
            targets = [targets[i] for i in order.tolist()]
        if order is not None and len(frame) <= setting("wrap_rows"):  # a short one is put in order once
            frame, tinted, order = frame.iloc[order], None if tinted is None else tinted.iloc[order], None
        return _Content(frame, tinted, targets, order)

    def address(self, sheet: str, row: int) -> str:
        """Link to a data row, wherever the sheet had to go on.

        Raises : ValueError for a sheet or row that is not written.
        """
        if sheet not in self.frames or not 0 <= row < len(self.frames[sheet]):
            raise ValueError(f"a link leads to row {row} of {sheet!r}, which is not there")
        number, row = divmod(int(self.place[sheet][row]) if sheet in self.place else row, self.rows_per_sheet)
        quoted = self.titles[sheet][number].replace("'", "''")
        return f"internal:'{quoted}'!A{row + 2}"

    def cells(self, sheet: str, heading: str, first: int, last: int) -> str:
        """Formula of the data rows first to last of one column, for a chart.

        Raises : ValueError where they are not written, or stand on several sheets.
        """
        frame, size = self.frames.get(sheet), self.rows_per_sheet
        there = frame is not None and heading in frame.columns and 0 <= first <= last < len(frame)
        if frame is None or not there or first // size != last // size:
            raise ValueError(f"a chart shows rows {first} to {last} of {heading!r} on {sheet!r}, which are not there")
        column = list(frame.columns).index(heading)
        place = xl_range_abs(first % size + 1, column, last % size + 1, column)
        quoted = self.titles[sheet][first // size].replace("'", "''")
        return f"='{quoted}'!{place}"

    def clean(self, text: str) -> str:
        """Text as a cell may hold it; counts what had to be cut."""
        cleaned, cut = clean_text(text, self.words["cut_mark"])
        self.cut += cut
        return cleaned

    def _sheet(self, sheet: QuickSheet, name: str, content: _Content, start: int, stop: int) -> None:
        frame = content.frame
        headings = [self.clean(str(heading)) for heading in frame.columns]
        looks = [
            fitted(look, content.part(frame.iloc[:, number], 0, WIDTH_ROWS).tolist()) if look.most else look
            for number, look in enumerate(column_look(name, heading) for heading in headings)
        ]
        frozen, repeated = (min(count, len(headings)) for count in fixed_columns(name))
        wraps = len(frame) <= setting("wrap_rows")
        self._set_up(sheet, headings, looks, frozen, repeated)
        if height := row_height_pt(name):
            sheet.set_default_row(height)
        wrapping = _Rows(self, name, content, looks, True)
        printed = looks[: printed_columns(name, headings)]
        on_paper = self._paper(sheet, name, printed, repeated, wrapping.lines(start, stop), stop - start)
        # What goes on paper is never cut off; behind it a long sheet keeps one line a row.
        shown = stop if wraps else start + on_paper
        row = wrapping.write(sheet, 1, start, shown)
        if shown < stop:
            writer = _Rows(self, name, content, looks, False)
            for chunk in range(shown, stop, CHUNK_ROWS):
                row = writer.write(sheet, row, chunk, min(chunk + CHUNK_ROWS, stop))
        if row != 1 + stop - start:
            raise RuntimeError(f"sheet {name}: {row - 1} rows written of {stop - start}; the result is not kept")
        if headings:
            sheet.autofilter(0, 0, stop - start, len(headings) - 1)
        if name in self.sparklines and stop > start:
            self._sparklines(sheet, content.part(frame, start, stop), self.sparklines[name])

    def _set_up(
        self, sheet: Worksheet, headings: Sequence[str], looks: Sequence[ColumnLook], frozen: int, repeated: int
    ) -> None:
        lines = 1
        for column, (heading, look) in enumerate(zip(headings, looks)):
            options = {"level": look.level} if look.level else {}
            ok(sheet.set_column(column, column, look.width, None, options))
            lines = max(lines, heading_lines(heading, look.width))
        self.heading_pt = LINE_PT * lines + 13  # the filter buttons take the lower edge
        ok(sheet.set_row(0, self.heading_pt))
        for column, (heading, look) in enumerate(zip(headings, looks)):
            ok(sheet.write_string(0, column, heading, self.styles.heading(look.horizontal)))
        sheet.freeze_panes(1, frozen)
        sheet.set_landscape()
        sheet.set_paper(9)  # A4
        sheet.set_margins(**MARGINS)
        sheet.repeat_rows(0)
        self._footer(sheet)

    def _paper(
        self, sheet: Worksheet, name: str, looks: Sequence[ColumnLook], repeated: int, lines: Iterable[int], count: int
    ) -> int:
        """Scale, page breaks and print area of a sheet of so many rows, of so many lines; returns how many go on paper."""
        usual = row_height_pt(name) or ROW_PT
        print_set_up = paper(name, looks, repeated, self.heading_pt, (max(usual, LINE_PT * of) for of in lines))
        sheet.set_print_scale(print_set_up.scale)
        sheet.set_h_pagebreaks(print_set_up.rows[:MOST_BREAKS])
        if print_set_up.columns:
            sheet.set_v_pagebreaks(print_set_up.columns)
            sheet.print_across()
            if repeated:
                sheet.repeat_columns(0, repeated - 1)
        if looks:
            sheet.print_area(0, 0, print_set_up.printed, len(looks) - 1)
        left_out = print_set_up.printed < count
        note = self.words["rows_printed"].format(printed=print_set_up.printed, count=count) if left_out else ""
        sheet.set_header(f"&L&B&A&R&8{note}" if note else "&L&B&A")
        return print_set_up.printed

    def _footer(self, sheet: Worksheet) -> None:
        pages = self.words["page_of"].format(page="&P", pages="&N")
        caution = self.words["footer"].replace("&", "&&")
        sheet.set_footer(f"&L&8{caution}&R&8{pages}")

    def _sparklines(self, sheet: Worksheet, frame: pd.DataFrame, headings: tuple[str, str, str]) -> None:
        """One call for all rows. A row that holds a bound ("<5") gets none: text would be drawn as zero."""
        shown, first, last = (list(frame.columns).index(heading) for heading in headings)
        values = frame.iloc[:, first : last + 1]
        numbers = values.apply(pd.to_numeric, errors="coerce")
        drawn = (numbers.notna().sum(axis=1) >= 2) & (numbers.notna() == values.notna()).all(axis=1)
        rows = (np.flatnonzero(drawn.to_numpy()) + 1).tolist()
        if rows:
            colour = self.styles.page["sparkline"]
            look = {"series_color": colour, "markers": True, "markers_color": colour, "empty_cells": "connect"}
            cells = {"location": [xl_rowcol_to_cell(row, shown) for row in rows]}
            ok(
                sheet.add_sparkline(
                    rows[0], shown, {**cells, "range": [xl_range(r, first, r, last) for r in rows], **look}
                )
            )


class _Rows:
    """Writes the rows of one frame: values and formats column by column, then cell by cell."""

    def __init__(self, job: _Job, name: str, content: _Content, looks: Sequence[ColumnLook], wraps: bool) -> None:
        self.job, self.looks = job, looks
        self.content, self.frame, self.tinted, self.targets = content, content.frame, content.tinted, content.targets
        self.short = wraps
        line = job.styles.page["line"]
        self.base = [{**base_look(look, wraps), "bottom": 4, "bottom_color": line} for look in looks]
        self.wrapped = [n for n, look in enumerate(looks) if look.wrap and wraps]
        self.lines_of: dict[tuple[int, str], int] = {}
        self.plain = [job.styles.make(**base) for base in self.base]
        self.by_word = [
            job.styles.by_word(**base) if look.colour == "words" else {} for look, base in zip(looks, self.base)
        ]
        headings = list(self.frame.columns)
        self.link_column = headings.index(job.links[name]["column"]) if self.targets is not None else -1
        self.parameter_column = headings.index("Parameter") if "Parameter" in headings else -1

    def write(self, sheet: QuickSheet, row: int, start: int, stop: int) -> int:
        """Rows start to stop of the frame from row `row` of the sheet on; returns the next free row."""
        columns = [self._column(number, start, stop) for number in range(self.frame.shape[1])]
        blanks, link = self.short, self.link_column  # a line under empty cells too, where that costs little
        all_values = zip(*(values for values, _ in columns))
        all_formats = zip(*(formats for _, formats in columns))
        for position, cells, formats in zip(range(start, stop), all_values, all_formats):
            if self.wrapped and (lines := self._lines(cells)) > 1:
                ok(sheet.set_row(row, LINE_PT * lines))
            target = self.targets[position] if self.targets is not None else None
            if target is not None and self._link(sheet, row, target, cells[link]):
                ok(sheet.write_cells(row, 0, cells[:link], formats, blanks))
                ok(sheet.write_cells(row, link + 1, cells[link + 1 :], formats[link + 1 :], blanks))
            else:
                ok(sheet.write_cells(row, 0, cells, formats, blanks))
            row += 1
        return row

    def lines(self, start: int, stop: int) -> Iterator[int]:
        """Lines that each row of the frame needs, as far as they are asked for."""

        def tidy(text: str) -> str:  # what is cut is counted where it is written
            return clean_text(text, self.job.words["cut_mark"])[0]

        for first in range(start, stop, HEIGHTS_ROWS):
            columns = [
                plain_values(self._cells(column, first, min(first + HEIGHTS_ROWS, stop)), tidy, self.job.words)[0]
                for column in self.wrapped
            ]
            cells: list[Any] = [None] * self.frame.shape[1]
            for values in zip(*columns) if columns else repeat((), min(HEIGHTS_ROWS, stop - first)):
                for column, value in zip(self.wrapped, values):
                    cells[column] = value
                yield self._lines(cells)

    def _cells(self, column: int, start: int, stop: int) -> pd.Series:
        """One column of rows start to stop of the sheet."""
        part: pd.Series = self.content.part(self.frame.iloc[:, column], start, stop)
        return part

    def _lines(self, cells: Sequence[Any]) -> int:
        """Lines that a row needs: not every program finds the height of wrapped text by itself."""
        most = 1
        for column in self.wrapped:
            value = cells[column]
            if value.__class__ is str:
                key = (column, value)
                if key not in self.lines_of:
                    self.lines_of[key] = text_lines(value, self.looks[column].width)
                most = max(most, self.lines_of[key])
        return min(most, TALLEST_LINES)

    def _link(self, sheet: Worksheet, row: int, target: tuple[str, int], shown: Any) -> bool:
        """Write a cell that leads to another; False where the sheet has as many as it can hold."""
        links_on = self.job.links_on
        if links_on.get(sheet.name, 0) >= LINKS_PER_SHEET:
            self.job.links_left_out += 1
            return False
        links_on[sheet.name] = links_on.get(sheet.name, 0) + 1
        column = self.link_column
        look = self.job.styles.make(**{**self.base[column], "font_color": self.job.styles.page["link"], "underline": 1})
        text = self.job.words["link_text"] if shown is None else str(shown)
        address = self.job.address(*target)
        ok(sheet.write_url(row, column, address, look, text))
        return True

    def _column(self, number: int, start: int, stop: int) -> tuple[list[Any], Iterable[Format]]:
        """Values (str, float, int or None) and formats of one column of a chunk."""
        series = self._cells(number, start, stop)
        values, dates = plain_values(series, self.job.clean, self.job.words)
        base, plain = self.base[number], self.plain[number]
        styles = self.job.styles
        if dates:
            day = styles.make(**{**base, "num_format": setting("date_format"), "align": "left"})
            if dates == "all":
                return values, repeat(day)
        tints: list[str] = []
        heading = self.frame.columns[number]
        if self.tinted is not None and heading in self.tinted.columns:
            tints = [
                "" if value is None else style_of(word)
                for value, word in zip(values, self.content.part(self.tinted[heading], start, stop).tolist())
            ]
        if self.looks[number].format == "row" and self.parameter_column >= 0:
            parameters = self._cells(self.parameter_column, start, stop).tolist()
            kinds = list(zip(parameters, tints or repeat("")))
            looks = {
                kind: styles.make(kind[1], **{**base, "num_format": row_format(kind[0]), **mark_of(kind[1])})
                for kind in set(kinds)
            }
            formats: list[Format] | None = [looks[kind] for kind in kinds]
        elif tints:
            made_tints = {tint: styles.make(tint, **base, **mark_of(tint)) for tint in set(tints)}
            formats = [made_tints[tint] for tint in tints]
        elif self.by_word[number]:
            by_word = self.by_word[number]
            formats = [by_word.get(value, plain) for value in values]
        else:
            formats = None
        if not dates:
            return values, formats if formats is not None else repeat(plain)
        formats = formats if formats is not None else [plain] * len(values)
        for position in dates:
            formats[position] = day
        return values, formats


def base_look(look: ColumnLook, wraps: bool) -> dict[str, Any]:
    """xlsxwriter properties that all cells of a column share; text wraps where the sheet is short enough."""
    look_keys: dict[str, Any] = {"valign": "top", "align": look.horizontal}
    if look.horizontal != "center":
        look_keys["indent"] = 1  # keeps it clear of the next column
    if look.format and look.format not in ("General", "row"):
        look_keys["num_format"] = look.format
    if look.wrap and wraps:
        look_keys["text_wrap"] = True
    return look_keys


def _now() -> datetime:
    epoch = os.environ.get("SOURCE_DATE_EPOCH")
    if epoch:
        try:
            return datetime.fromtimestamp(int(epoch), UTC)
        except (ValueError, OverflowError, OSError) as error:
            raise GraderError(f"SOURCE_DATE_EPOCH is {epoch!r}, which is no number of seconds.") from error
    return datetime.now(UTC)


def set_properties(workbook: Workbook, properties: dict[str, str], created: datetime | None, title: str) -> None:
    """Set the document properties: the usual ones by their names, every other as a custom one, cut where it is too long."""
    standard: dict[str, Any] = {n: properties.pop(n) for n in _STANDARD_PROPERTIES if n in properties}
    workbook.set_properties({"title": title, **standard, "created": created or _now()})
    for name, value in properties.items():
        text = clean_text(str(value))[0]
        if len(text.encode("utf-16-le")) // 2 > _LONGEST_PROPERTY:
            units = text.encode("utf-16-le")[: 2 * (_LONGEST_PROPERTY - 2)]
            text = units.decode("utf-16-le", errors="ignore") + " …"
        ok(workbook.set_custom_property(name, text, "text"))
