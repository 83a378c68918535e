"""Reads an OpenDocument spreadsheet (.ods) from its own XML, each cell with its type and what it prints.

The reading library hides error cells and formulas without a value and turns true into 1; here content.xml is
parsed once, by namespace, and nothing else loads it. Source of the elements: OASIS OpenDocument 1.3 part 3 (names
from memory, checked against files that LibreOffice writes; its clauses were not seen).
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Callable, Mapping
from datetime import date, datetime, time, timedelta
from typing import Any

from grader.problems import Unreadable, a1
from grader.read.formats.parts import Parts, Refused, parse_xml, tree
from grader.read.formats.scan import LAST_COLUMN, LAST_ROW
from grader.read.shapes.tables import Range, Sheet
from grader.read.words.own_notes import without_own_lines

CONTENT, META, STYLES = "content.xml", "meta.xml", "styles.xml"
MANIFEST = "meta-inf/manifest.xml"
_MIMETYPE = b"application/vnd.oasis.opendocument.spreadsheet"  # templates have -template behind it
_ODF = "urn:oasis:names:tc:opendocument:xmlns:"
_OFFICE, _TABLE, _TEXT, _STYLE = (f"{_ODF}{name}:1.0 " for name in ("office", "table", "text", "style"))
_META = f"{_ODF}meta:1.0 "
_DRAWING = (f"{_ODF}drawing:1.0 ", f"{_ODF}dr3d:1.0 ", f"{_ODF}form:1.0 ")
_CALC = "urn:org:documentfoundation:names:experimental:calc:xmlns:calcext:1.0 "
_ANNOTATION = _OFFICE + "annotation"
_PRINTED = tuple(f"{_STYLE}{end}{page}" for end in ("header", "footer") for page in ("", "-left", "-first"))
_STRUCK = _STYLE + "text-line-through-style"
_CELLS = (_TABLE + "table-cell", _TABLE + "covered-table-cell")
_PARAGRAPHS = (_TEXT + "p", _TEXT + "h")
_SIGNS = {_TEXT + "tab": "\t", _TEXT + "line-break": "\n"}
_MARKS = "<>≤≥"
_ERROR = re.compile(r"#(?:N/A|DIV/0!|VALUE!|REF!|NAME\?|NUM!|NULL!|SPILL!|CALC!)|Err:[0-9]{3}")
_DURATION = re.compile(r"(-?)P(?:(\d+)D)?T?(?:(\d+)H)?(?:(\d+)M)?(?:(\d+(?:[.,]\d+)?)S)?")


def is_ods(parts: Parts) -> bool:
    """Whether a zip is an OpenDocument spreadsheet or a template of one."""
    if CONTENT not in parts.entries:
        return False
    return "mimetype" not in parts.entries or parts.read("mimetype").startswith(_MIMETYPE)


def ods_kind(parts: Parts) -> str:
    """What product of this program a spreadsheet was before it was saved as .ods; "" if none.

    Raises : Refused where the file has a password or its description is broken.
    """
    if MANIFEST in parts.entries:
        # Not parsed: old writers put a document type there, and only one word matters.
        listing = parts.read(MANIFEST, check_doctype=False)
        if b"encryption-data" in listing or "encrypted-package" in parts.entries:
            raise Refused("encrypted")
    content = parts.read(META) if META in parts.entries else b""
    if b"grader-kind" not in content:
        return ""
    said = tree(content, META, spaces=True).all(_META + "user-defined")
    return "".join(e.text for e in said if e.attributes.get(_META + "name") == "grader-kind").strip()


def read_ods(parts: Parts, limits: Mapping[str, float]) -> list[Sheet]:
    """The sheets of an .ods, hidden ones too.

    limits  : the table [limits] of data/limits_reading.toml.
    Returns : list of Sheet with rectangular rows. A blank cell is "", numbers are float, text str, dates date
              or datetime, times of day time, longer ones timedelta, true and false bool; a cell that holds no
              value is an Unreadable (why: "error", "formula", "format").
    Raises  : Refused where the XML is broken or a sheet is too large.
    """
    book = _Book(limits, _printed(parts))
    parse_xml(parts.read(CONTENT), CONTENT, book.start, book.end, book.text, spaces=True)
    return book.sheets


def _printed(parts: Parts) -> dict[str, list[str]]:
    """What is printed above and below the pages of each master page of styles.xml, by its name."""
    if STYLES not in parts.entries:
        return {}
    made: dict[str, list[str]] = {}
    with contextlib.suppress(Refused):  # broken, it hides no reading
        for page in tree(parts.read(STYLES), STYLES, spaces=True).all(_STYLE + "master-page"):
            shown = (e for e in page.all(*_PRINTED) if e.attributes.get(_STYLE + "display") != "false")
            texts = [line.text for e in shown for line in e.all(*_PARAGRAPHS)]
            made.setdefault(page.attributes.get(_STYLE + "name", ""), []).extend(texts)
    return made


def _count(attributes: Mapping[str, str], name: str) -> int:
    text = attributes.get(name, "1")
    return int(text) if text.isdecimal() and 0 < len(text) < 9 else 1


class _Book:
    """Handlers that follow the cells of content.xml."""

    def __init__(self, limits: Mapping[str, float], printed: Mapping[str, list[str]]) -> None:
        self.limits = limits
        self.printed = printed  # by master page
        self.pages: dict[str, str] = {}  # style of a table -> its master page
        self.page = ""
        self.boxes: list[str] = []  # texts of what is drawn on a sheet
        self.sheets: list[Sheet] = []
        self.hidden_styles: set[str] = set()
        self.struck_styles: set[str] = set()
        self.style = ""
        self.parents: list[str] = []
        self.aside = 0  # depth within a comment, a drawing, another table
        self.comment: list[str] = []  # of the cell
        self.open = False
        self.column = self.height = 0
        self.cells: list[Any] = []
        self.row_hidden = False
        self.row_percents: list[int] = []
        self.row_struck: list[int] = []
        self.cell: dict[str, str] | None = None
        self.lines: list[list[str]] = []
        self.in_line = False

    # -- elements ----------------------------------------------------------------------------------------

    def start(self, name: str, attributes: dict[str, str]) -> None:
        parent = self.parents[-1] if self.parents else ""
        self.parents.append(name)
        if self.aside or name.startswith(_DRAWING) or name == _ANNOTATION:
            if not self.aside and name != _ANNOTATION:
                self.boxes.append("")
            self.aside += 1
        elif self.cell is not None:
            self._start_in_cell(name, attributes)
        elif name == _TABLE + "table":
            if parent == _OFFICE + "spreadsheet":
                self._open_table(attributes)
            else:
                self.aside += 1  # a copy of another file's sheet
        elif not self.open:
            if name == _STYLE + "style":
                self.style = attributes.get(_STYLE + "name", "")
                self.pages[self.style] = attributes.get(_STYLE + "master-page-name", "")
            elif name == _STYLE + "table-properties" and attributes.get(_TABLE + "display") == "false":
                self.hidden_styles.add(self.style)
            elif name == _STYLE + "text-properties" and attributes.get(_STRUCK, "none") != "none":
                self.struck_styles.add(self.style)
        elif name == _TABLE + "table-row":
            self.height = _count(attributes, _TABLE + "number-rows-repeated")
            self.column, self.cells, self.row_percents, self.row_struck = 0, [], [], []
            # "collapse" is hidden by hand, "filter" by a filter.
            self.row_hidden = attributes.get(_TABLE + "visibility", "visible") != "visible"
        elif name in _CELLS:
            self.cell, self.lines, self.comment = attributes, [], []

    def end(self, name: str) -> None:
        self.parents.pop()
        if self.aside:
            self.aside -= 1
            self.comment += ["\n"] * (name in _PARAGRAPHS)
            if name in _PARAGRAPHS and self.boxes:
                self.boxes[-1] += "\n"
        elif self.cell is not None:
            if name in _CELLS:
                self._close_cell()
            elif name in _PARAGRAPHS:
                self.in_line = False
        elif not self.open:
            return
        elif name == _TABLE + "table-row":
            self._close_row()
        elif name == _TABLE + "table":
            self._close_table()

    def text(self, data: str) -> None:
        if self.in_line and not self.aside:
            self.lines[-1].append(data)
        elif self.aside and {_ANNOTATION, _TEXT + "p"} <= set(self.parents):
            self.comment.append(data)
        elif self.aside and _TEXT + "p" in self.parents and any(p.startswith(_DRAWING) for p in self.parents):
            self.boxes[-1] += data

    def _start_in_cell(self, name: str, attributes: dict[str, str]) -> None:
        if name in _PARAGRAPHS:
            self.lines.append([])
            self.in_line = True
        elif self.in_line and name == _TEXT + "s":
            self.lines[-1].append(" " * min(_count(attributes, _TEXT + "c"), 1000))
        elif self.in_line and name in _SIGNS:
            self.lines[-1].append(_SIGNS[name])
        elif name == _TABLE + "table":
            raise Refused("damaged", what="a cell of it holds a table of its own", sheet=self.name)

    # -- tables, rows, cells -----------------------------------------------------------------------------

    def _open_table(self, attributes: Mapping[str, str]) -> None:
        """Begin a table; what follows is of the one that is open."""
        self.open = True
        self.name = attributes.get(_TABLE + "name", "")
        style = attributes.get(_TABLE + "style-name", "")
        self.hidden, self.page = style in self.hidden_styles, self.pages.get(style, "")
        self.row = self.filled = self.width = 0
        self.boxes = []
        self.rows: list[list[Any]] = []
        self.numbers: list[int] = []
        self.percents: set[tuple[int, int]] = set()
        self.struck: set[tuple[int, int]] = set()
        self.merged: list[Range] = []
        self.hidden_rows: set[int] = set()
        self.comments: list[tuple[tuple[int, int], str]] = []

    def _close_cell(self) -> None:
        cell = self.cell or {}
        value = self._value(cell)
        self.cell, self.in_line = None, False
        count = _count(cell, _TABLE + "number-columns-repeated")
        wide, high = _count(cell, _TABLE + "number-columns-spanned"), _count(cell, _TABLE + "number-rows-spanned")
        if wide > 1 or high > 1:
            self.merged.append((self.row, self.column, self.row + high - 1, self.column + wide - 1))
        if said := without_own_lines("".join(self.comment)):
            self.comments.append(((self.row, self.column), said))
        if value == "":
            self.column += count
            return
        if self.column + count - 1 > LAST_COLUMN:
            raise Refused("damaged", what="a cell lies outside any sheet", sheet=self.name)
        self.cells.extend([""] * (self.column - len(self.cells)))
        self.cells.extend([value] * count)
        if cell.get(_OFFICE + "value-type") == "percentage":
            self.row_percents.extend(range(self.column, self.column + count))
        if cell.get(_TABLE + "style-name") in self.struck_styles:
            self.row_struck.extend(range(self.column, self.column + count))
        self.column += count

    def _close_row(self) -> None:
        if self.cells:
            if self.row + self.height - 1 > LAST_ROW:
                raise Refused("damaged", what="a cell lies outside any sheet", sheet=self.name)
            self.width = max(self.width, len(self.cells))
            self.filled += len(self.cells) * self.height
            if self.filled > self.limits["dense_cells"]:
                self._too_large(self.row + self.height - 1)
            for number in range(self.row, self.row + self.height):
                self.rows.append(list(self.cells))
                self.numbers.append(number)
                self.percents.update((number, column) for column in self.row_percents)
                self.struck.update((number, column) for column in self.row_struck)
                if self.row_hidden:
                    self.hidden_rows.add(number)
        self.row += self.height

    def _close_table(self) -> None:
        self.open = False
        width, limits = self.width, self.limits
        numbers: list[int] | None = self.numbers
        last = self.numbers[-1] if self.numbers else -1
        if (last + 1) * width <= limits["dense_cells"]:
            rows: list[list[Any]] = [[] for _ in range(last + 1)]
            for number, cells in zip(self.numbers, self.rows):
                rows[number] = cells
            numbers = None
        else:
            rows = self.rows
            if self.filled > limits["sparse_cells"] or len(rows) * width > limits["dense_cells"]:
                self._too_large(last)
        for cells in rows:
            cells.extend([""] * (width - len(cells)))
        merged = self.merged
        seen = (
            frozenset(self.hidden_rows),
            tuple(self.comments),
            frozenset(self.struck),
            (*self.printed.get(self.page, ()), *filter(None, map(str.strip, self.boxes))),
        )
        self.sheets.append(Sheet(self.name, rows, numbers, self.percents, self.hidden, lambda: merged, *seen))

    def _too_large(self, row: int) -> None:
        far = a1(row, max(self.width - 1, 0))
        raise Refused("sheet_too_large", sheet=self.name, cell=far, far=far)

    def _value(self, cell: Mapping[str, str]) -> Any:
        kind = cell.get(_OFFICE + "value-type")
        formula = cell.get(_TABLE + "formula")
        shown = "\n".join("".join(line) for line in self.lines)
        if cell.get(_CALC + "value-type") == "error" or (formula and _ERROR.fullmatch(shown)):
            return Unreadable(shown or "error", "error")
        if kind is None:
            # A formula may rightly give an empty text; then at least an empty line is printed.
            return Unreadable(formula[:200], "formula") if formula and not self.lines else shown
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


def _number(cell: Mapping[str, str]) -> float:
    return float(cell[_OFFICE + "value"])


def _date(cell: Mapping[str, str]) -> date | datetime:
    moment = datetime.fromisoformat(cell[_OFFICE + "date-value"])
    return moment.date() if (moment.hour, moment.minute, moment.second) == (0, 0, 0) else moment


def _time(cell: Mapping[str, str]) -> time | timedelta:
    match = _DURATION.fullmatch(cell[_OFFICE + "time-value"])
    if match is None:
        raise ValueError(cell[_OFFICE + "time-value"])
    sign, days, hours, minutes, seconds = match.groups()
    span = timedelta(
        days=int(days or 0),
        hours=int(hours or 0),
        minutes=int(minutes or 0),
        seconds=float((seconds or "0").replace(",", ".")),
    )
    if sign or span >= timedelta(days=1):
        return -span if sign else span
    return (datetime.min + span).time()


def _boolean(cell: Mapping[str, str]) -> bool:
    return {"true": True, "false": False}[cell[_OFFICE + "boolean-value"]]


_TYPES: dict[str, Callable[[Mapping[str, str]], Any]] = {
    "float": _number,
    "currency": _number,
    "percentage": _number,
    "date": _date,
    "time": _time,
    "boolean": _boolean,
}
