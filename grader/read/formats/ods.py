"""Reads an OpenDocument spreadsheet (.ods) from its own XML, each cell with its type and what it prints.

The reading library hides error cells and formulas without a value and turns true into 1; here content.xml is
parsed once, row by row, and nothing else loads it. Source of the elements: OASIS OpenDocument 1.3 part 3 (names
from memory, checked against files that LibreOffice writes; its clauses were not seen).
"""

from __future__ import annotations

import contextlib
import io
import re
from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime, time, timedelta
from itertools import product
from typing import Any
from xml.etree.ElementTree import Element, iterparse

from grader.problems import Unreadable
from grader.read.formats.parts import Parts, Refused, inside, text_of, tree, well_formed
from grader.read.formats.sheet_scan import ERROR, check_place, too_large
from grader.read.shapes.tables import Range, Sheet, squared
from grader.read.words.own_notes import without_own_lines

CONTENT, STYLES = "content.xml", "styles.xml"
MANIFEST = "meta-inf/manifest.xml"
_MIMETYPE = b"application/vnd.oasis.opendocument.spreadsheet"  # templates have -template behind it
_ODF = "{urn:oasis:names:tc:opendocument:xmlns:"
_OFFICE, _TABLE, _TEXT, _STYLE = (f"{_ODF}{name}:1.0}}" for name in ("office", "table", "text", "style"))
_DRAWING = (f"{_ODF}drawing:1.0}}", f"{_ODF}dr3d:1.0}}", f"{_ODF}form:1.0}}")
_CALC = "{urn:org:documentfoundation:names:experimental:calc:xmlns:calcext:1.0}"
_CELLS = frozenset((_TABLE + "table-cell", _TABLE + "covered-table-cell"))
_ANNOTATION = _OFFICE + "annotation"
_PRINTED = frozenset(f"{_STYLE}{end}{page}" for end in ("header", "footer") for page in ("", "-left", "-first"))
_STRUCK = _STYLE + "text-line-through-style"
_PARAGRAPHS = (_TEXT + "p", _TEXT + "h")
_SIGNS = {_TEXT + "tab": "\t", _TEXT + "line-break": "\n"}
_DEEPEST = 200  # elements within elements; LibreOffice writes some ten
_MARKS = "<>≤≥"
_DURATION = re.compile(
    r"-?P(?:(?P<days>\d+)D)?T?(?:(?P<hours>\d+)H)?(?:(?P<minutes>\d+)M)?(?:(?P<seconds>\d+(?:[.,]\d+)?)S)?"
)


def check_ods(parts: Parts) -> None:
    """Refuse a zip that is no OpenDocument spreadsheet nor a template of one, or that has a password."""
    if CONTENT not in parts.entries or "mimetype" in parts.entries and not parts.read("mimetype").startswith(_MIMETYPE):
        raise Refused("not_a_workbook")
    # The list is not parsed: old writers put a document type there, and only one word matters.
    listing = parts.read(MANIFEST, text=False) if MANIFEST in parts.entries else b""
    if b"encryption-data" in listing or "encrypted-package" in parts.entries:
        raise Refused("encrypted")


def read_ods(parts: Parts, limits: Mapping[str, float]) -> list[Sheet]:
    """The sheets of an .ods, hidden ones too.

    limits  : the table [limits] of data/limits_reading.toml.
    Returns : list of Sheet with rectangular rows. A blank cell is "", numbers are float, text str, dates date
              or datetime, times of day time, longer ones timedelta, true and false bool; a cell that holds no
              value is an Unreadable (why: "error", "formula", "format").
    Raises  : Refused where the XML is broken or a sheet is too large.
    """
    content = parts.read(CONTENT)
    book = _Book(limits, _printed(parts))
    with well_formed(content, CONTENT):
        for event, element in iterparse(io.BytesIO(content), ("start", "end")):
            if event == "start":
                book.start(element)
            else:
                book.end(element)
    return book.sheets


def _printed(parts: Parts) -> dict[str, list[str]]:
    """What is printed above and below the pages of each master page of styles.xml, by its name."""
    if STYLES not in parts.entries:
        return {}
    made: dict[str, list[str]] = {}
    with contextlib.suppress(Refused):  # broken, it hides no reading
        for page in inside(tree(parts.read(STYLES), STYLES), "master-page"):
            shown = (e for e in page.iter() if e.tag in _PRINTED and e.get(_STYLE + "display") != "false")
            texts = [text_of(line) for e in shown for line in e.iter() if line.tag in _PARAGRAPHS]
            made.setdefault(page.get(_STYLE + "name", ""), []).extend(texts)
    return made


def _count(element: Element, name: str) -> int:
    text = element.get(name)
    return int(text) if text is not None and text.isdecimal() and 0 < len(text) < 9 else 1


def _taken_out(element: Element) -> str:
    """The paragraphs in a comment or drawing, which is emptied: the cell around it does not show them."""
    text = "".join(f"{text_of(line)}\n" for line in element.iter() if line.tag in _PARAGRAPHS)
    behind = element.tail
    element.clear()
    element.tail = behind
    return text


class _Book:
    """Follows content.xml, element by element, to its sheets."""

    def __init__(self, limits: Mapping[str, float], printed: Mapping[str, list[str]]) -> None:
        self.limits = limits
        self.printed = printed  # by master page
        self.pages: dict[str, str] = {}  # style of a table -> its master page
        self.hidden: set[str] = set()  # styles of tables
        self.struck: set[str] = set()  # styles of cells
        self.sheets: list[Sheet] = []
        self.path: list[str] = []
        self.aside = 0  # depth at which a comment, a drawing or another table begins; 0 outside of them
        self.table: _Table | None = None

    def start(self, element: Element) -> None:
        tag = element.tag
        if self.aside:
            pass  # with all that is in it
        elif tag.startswith(_DRAWING) or tag == _ANNOTATION:
            self.aside = len(self.path) + 1
        elif tag == _TABLE + "table":
            if self.path[-1:] == [_OFFICE + "spreadsheet"]:
                self.table = self._opened(element)
            elif not _CELLS.isdisjoint(self.path):
                name = self.table.name if self.table else ""
                raise Refused("damaged", what="a cell of it holds a table of its own", sheet=name)
            else:
                self.aside = len(self.path) + 1  # a copy of another file's sheet
        self.path.append(tag)
        if len(self.path) > _DEEPEST:
            raise Refused("damaged", what="its elements lie deeper in one another than those of any sheet")

    def end(self, element: Element) -> None:
        depth, tag = len(self.path), self.path.pop()
        if self.aside:
            if depth == self.aside:
                self.aside = 0
                if tag != _ANNOTATION and self.table is not None:
                    self.table.boxes.append(_taken_out(element).strip())
        elif tag == _STYLE + "style":
            self._keep_style(element)
        elif self.table is None:
            return
        elif tag == _TABLE + "table-row":
            self.table.add_row(element)
        elif tag == _TABLE + "table":
            self.sheets.append(self.table.sheet())
            self.table = None

    def _opened(self, element: Element) -> _Table:
        style = element.get(_TABLE + "style-name", "")
        printed = self.printed.get(self.pages.get(style, ""), ())
        return _Table(element.get(_TABLE + "name", ""), style in self.hidden, printed, self.struck, self.limits)

    def _keep_style(self, element: Element) -> None:
        name = element.get(_STYLE + "name", "")
        self.pages[name] = element.get(_STYLE + "master-page-name", "")
        for properties in element.iter():
            if properties.get(_TABLE + "display") == "false":
                self.hidden.add(name)
            if properties.get(_STRUCK, "none") != "none":
                self.struck.add(name)


class _Table:
    """One sheet as its cells and rows come. struck : styles that strike a cell through."""

    def __init__(
        self, name: str, hidden: bool, printed: Sequence[str], struck: set[str], limits: Mapping[str, float]
    ) -> None:
        self.name, self.hidden, self.printed, self.struck_styles, self.limits = name, hidden, printed, struck, limits
        self.row = self.filled = self.width = 0
        self.rows: list[list[Any]] = []
        self.numbers: list[int] = []
        self.percents: set[tuple[int, int]] = set()
        self.struck: set[tuple[int, int]] = set()
        self.hidden_rows: set[int] = set()
        self.merged: list[Range] = []
        self.comments: list[tuple[tuple[int, int], str]] = []
        self.boxes: list[str] = []  # texts of what is drawn on the sheet

    def add_row(self, row: Element) -> None:
        """Add a row as often as it is repeated, and each cell of it likewise."""
        following = self.row + _count(row, _TABLE + "number-rows-repeated")
        numbers = range(self.row, following)
        cells: list[Any] = []  # up to the last that is filled
        percents: list[int] = []
        struck: list[int] = []
        column = 0
        for cell in (element for element in row if element.tag in _CELLS):
            first, column = column, column + _count(cell, _TABLE + "number-columns-repeated")
            wide, high = _count(cell, _TABLE + "number-columns-spanned"), _count(cell, _TABLE + "number-rows-spanned")
            if wide > 1 or high > 1:
                self.merged.append((self.row, first, self.row + high - 1, first + wide - 1))
            notes = [*cell.iter(_ANNOTATION)]
            if notes and (said := without_own_lines("".join(map(_taken_out, notes)))):
                self.comments.append(((self.row, first), said))
            value = _value(cell)
            if value == "":
                continue
            check_place(following - 1, column - 1, self.name)
            cells += [""] * (first - len(cells)) + [value] * (column - first)
            if cell.get(_OFFICE + "value-type") == "percentage":
                percents += range(first, column)
            if cell.get(_TABLE + "style-name") in self.struck_styles:
                struck += range(first, column)
        if cells:
            self.width = max(self.width, len(cells))
            self.filled += len(cells) * len(numbers)
            if self.filled > self.limits["dense_cells"]:
                raise self._too_large(following - 1)
            self.rows += ([*cells] for _ in numbers)
            self.numbers += numbers
            self.percents.update(product(numbers, percents))
            self.struck.update(product(numbers, struck))
            # "collapse" is hidden by hand, "filter" by a filter.
            if row.get(_TABLE + "visibility", "visible") != "visible":
                self.hidden_rows.update(numbers)
        self.row = following
        row.clear()

    def sheet(self) -> Sheet:
        """The sheet, at its end: with its blank rows, or where they are too many without them and with numbers."""
        limits, rows = self.limits, self.rows
        numbers: list[int] | None = self.numbers
        last = self.numbers[-1] if self.numbers else -1
        if (last + 1) * self.width <= limits["dense_cells"]:
            rows = [[] for _ in range(last + 1)]
            for number, cells in zip(self.numbers, self.rows):
                rows[number] = cells
            numbers = None
        elif self.filled > limits["sparse_cells"] or len(rows) * self.width > limits["dense_cells"]:
            raise self._too_large(last)
        seen = self.hidden_rows, self.comments, self.struck, [*self.printed, *filter(None, self.boxes)]
        return Sheet(self.name, squared(rows), numbers, self.percents, self.hidden, lambda: self.merged, *seen)

    def _too_large(self, row: int) -> Refused:
        return too_large(row, max(self.width - 1, 0), self.name)


def _shown(paragraph: Element) -> str:
    if not len(paragraph):
        return paragraph.text or ""
    for sign in paragraph.iter():
        if sign.tag == _TEXT + "s":
            sign.text = " " * min(_count(sign, _TEXT + "c"), 1000)
        elif sign.tag in _SIGNS:
            sign.text = _SIGNS[sign.tag]
    return text_of(paragraph)


def _value(cell: Element) -> Any:
    kind = cell.get(_OFFICE + "value-type")
    formula = cell.get(_TABLE + "formula")
    lines = [_shown(element) for element in cell.iter() if element.tag in _PARAGRAPHS]
    shown = "\n".join(lines)
    if cell.get(_CALC + "value-type") == "error" or (formula and ERROR.fullmatch(shown)):
        return Unreadable(shown or "error", "error")
    if kind is None:
        # A formula may rightly give an empty text; then at least an empty line is printed.
        return Unreadable(formula[:200], "formula") if formula and not lines else shown
    if kind == "string":
        return cell.get(_OFFICE + "string-value") or shown
    try:
        value = _TYPES[kind](cell)
    except (KeyError, ValueError, OverflowError):
        return Unreadable(shown or f"a {kind}", "number")
    return _as_printed(value, shown) if type(value) is float else value


def _as_printed(value: float, shown: str) -> Any:
    """A number, unless what the cell prints says that more than the number is meant."""
    if not any(mark in shown for mark in _MARKS):
        if not shown or any(sign.isdigit() for sign in shown):
            return value
        if value in (0.0, 1.0) and shown.isupper():
            return bool(value)  # LibreOffice holds true as the number 1 that prints TRUE
    return Unreadable(f"{value:.10g} shown as {shown}", "format")


def _date(cell: Element) -> date | datetime:
    moment = datetime.fromisoformat(cell.attrib[_OFFICE + "date-value"])
    return moment.date() if (moment.hour, moment.minute, moment.second) == (0, 0, 0) else moment


def _time(cell: Element) -> time | timedelta:
    text = cell.attrib[_OFFICE + "time-value"]
    match = _DURATION.fullmatch(text)
    if match is None:
        raise ValueError(text)
    parts = {unit: float(number.replace(",", ".")) for unit, number in match.groupdict("0").items()}
    span = timedelta(**parts)
    if text.startswith("-"):
        return -span
    return span if span >= timedelta(days=1) else (datetime.min + span).time()


_TYPES: dict[str, Callable[[Element], Any]] = {
    **dict.fromkeys(("float", "currency", "percentage"), lambda cell: float(cell.attrib[_OFFICE + "value"])),
    "date": _date,
    "time": _time,
    "boolean": lambda cell: {"true": True, "false": False}[cell.attrib[_OFFICE + "boolean-value"]],
}
