"""Looks into the zip and XML of a workbook before any spreadsheet library does.

Refuses what could harm (bombs, entity tricks, encrypted or damaged files) and finds what the reading library
hides: error cells, formulas without a stored value, and number formats that change what a number means
(percent, a printed "<" or ">"). In plain XML a few searches over the bytes find the cells that can matter and
only those go through an XML parser; unusual XML goes through it whole. The addresses are the file's own, so
the library's values are kept and these cells laid over them: a second reading would tell nothing more.
"""

from __future__ import annotations

import io
import posixpath
import re
import zipfile
import zlib
from collections.abc import Mapping
from typing import Any, NamedTuple
from xml.parsers import expat

OLE_MAGIC = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
ZIP_MAGIC = b"PK\x03\x04"
WORKBOOK, RELATIONS = "xl/workbook.xml", "xl/_rels/workbook.xml.rels"
STRINGS, STYLES, PROPERTIES = "xl/sharedstrings.xml", "xl/styles.xml", "docprops/custom.xml"
LAST_ROW, LAST_COLUMN = 1_048_575, 16_383          # of any sheet, 0-based (ECMA-376, from memory)
PERCENT_FORMATS = ("9", "10")                       # built-in 0% and 0.00% (ECMA-376 18.8.30, from memory)
# A document type can only stand before the first element, so this much of a part nobody reads is enough.
PROLOG_BYTES = 4096

_ROW = re.compile(rb'<row [^>]*?\br="([0-9]{1,9})"')
_WIDE = re.compile(rb' r="([A-Z]{2,})[0-9]')
_VALUED = re.compile(rb'<c [^>]*><f(?: [^>]*)?>(?:[^<]*</f>)?<v>[^<]')
_ADDRESS = re.compile(r"([A-Za-z]{1,3})([0-9]{1,7})")
_SPECIAL_FORMAT = re.compile(rb"""%|='| =|numFmtId="(?:9|10)"|formatCode="[^"]*(?:&|>|\xe2\x89)""")
_ERROR_CELL = re.compile(rb'<c [^>]*?\bt\s*=\s*"e"[^>]*(?<!/)>.*?</c>', re.DOTALL)
_FORMULA_CELL = re.compile(rb"<c [^>]*(?<!/)>\s*<f.*?</c>", re.DOTALL)
_ADDRESSED = re.compile(rb'<c [^>]*?\br="[A-Za-z]')
_SINGLE_QUOTED = re.compile(rb"=\s*'")
_FORMULA_TAGS = (b"<f>", b"<f ", b"<f/>")


class Refused(Exception):
    """This file cannot be read. `code` names the words, `params` fills them."""

    def __init__(self, code: str, *, sheet: str = "", cell: str = "", **params: Any) -> None:
        super().__init__(code)
        self.code, self.sheet, self.cell, self.params = code, sheet, cell, params


class SheetScan(NamedTuple):
    """What the scan knows of one sheet. Addresses are 0-based (row, column).

    last_row, last_column : the furthest cells (an upper bound where the sheet was not parsed; -1: none).
    cells      : number of filled cells; None where the sheet was not parsed.
    unreadable : address -> (what is shown, "error" | "formula" | "format").
    percents   : addresses of numbers shown through a percent format.
    """

    last_row: int
    last_column: int
    cells: int | None
    unreadable: dict[tuple[int, int], tuple[str, str]]
    percents: set[tuple[int, int]]


class Scan(NamedTuple):
    """What the scan knows of one workbook: "xlsx" or "xlsm", its grader-kind ("" if none), its sheets."""

    format: str
    kind: str
    sheets: dict[str, SheetScan]


class _Styles(NamedTuple):
    percent: frozenset[str]
    marked: dict[str, str]          # style -> format code


def scan_workbook(data: bytes, limits: Mapping[str, float]) -> Scan:
    """Scan the bytes of one file.

    data   : bytes. The whole file.
    limits : the table [limits] of data/limits_reading.toml.
    Raises : Refused, with the code of the words, where the file must not or cannot be read.
    """
    parts = _Parts(data, limits)
    if PROPERTIES in parts.entries:
        kind = _grader_kind(parts.read(PROPERTIES))
        if kind:
            return Scan("xlsx", kind, {})
    if WORKBOOK not in parts.entries:
        if "xl/workbook.bin" in parts.entries or "content.xml" in parts.entries:
            raise Refused("format_not_read")
        raise Refused("not_a_workbook")
    sheets, recalculated = _sheet_parts(parts)
    styles = _styles(parts.read(STYLES)) if STYLES in parts.entries else _Styles(frozenset(), {})
    if STRINGS in parts.entries:
        parts.read(STRINGS)
    scans = {name: scan_sheet(parts.read(part), styles, limits, recalculated, part=part)
             for name, part in sheets.items()}
    parts.check_prologs()
    return Scan("xlsm" if "xl/vbaproject.bin" in parts.entries else "xlsx", "", scans)


class _Parts:
    """The parts of a zip, inflated one at a time, never past what they declare."""

    def __init__(self, data: bytes, limits: Mapping[str, float]) -> None:
        if not data:
            raise Refused("file_empty")
        if data.startswith(OLE_MAGIC):
            encrypted = "EncryptedPackage".encode("utf-16-le") in data
            raise Refused("encrypted" if encrypted else "format_not_read")
        if not data.startswith(b"PK"):
            raise Refused("not_a_workbook")
        try:
            entries = zipfile.ZipFile(io.BytesIO(data)).filelist
        except (zipfile.BadZipFile, ValueError, EOFError, NotImplementedError, UnicodeDecodeError) as error:
            raise Refused("truncated") from error
        if len(entries) > limits["parts"]:
            raise Refused("bomb", part="zip", what=f"{len(entries)} parts")
        self.data, self.limits = data, limits
        self.entries: dict[str, zipfile.ZipInfo] = {}
        self.inflated: set[str] = set()
        total = 0
        for entry in entries:
            name = entry.filename.replace("\\", "/").lower()
            if name in self.entries:               # two readers could take two different ones
                raise Refused("damaged", what=f"the part {entry.filename} is there twice")
            if entry.flag_bits & 1:
                raise Refused("encrypted")
            self._bound(entry.filename, entry.file_size, entry.compress_size)
            total += entry.file_size
            self.entries[name] = entry
        if total > limits["part_bytes_hard"]:
            raise Refused("bomb", part="all parts together", what=_megabytes(total))

    def _bound(self, name: str, size: int, packed: int) -> None:
        limits = self.limits
        tight = size > limits["part_bytes"] and size > limits["part_ratio"] * max(packed, 1)
        if tight or size > limits["part_bytes_hard"]:
            raise Refused("bomb", part=name, what=_megabytes(size))

    def _packed(self, entry: zipfile.ZipInfo) -> memoryview:
        data, start = self.data, entry.header_offset
        if data[start:start + 4] != ZIP_MAGIC:
            raise Refused("truncated")
        names = int.from_bytes(data[start + 26:start + 28], "little")
        extra = int.from_bytes(data[start + 28:start + 30], "little")
        start += 30 + names + extra
        if start + entry.compress_size > len(data):
            raise Refused("truncated")
        return memoryview(data)[start:start + entry.compress_size]

    def read(self, name: str) -> bytes:
        """One part, checked: size and checksum as declared, UTF-8 or like it, no DOCTYPE."""
        entry = self.entries[name]
        packed = self._packed(entry)
        if entry.compress_type == zipfile.ZIP_STORED:
            content = bytes(packed)
            complete = True
        elif entry.compress_type == zipfile.ZIP_DEFLATED:
            unpacker = zlib.decompressobj(-15)
            try:
                # One byte more than declared, to see a part that says less than it holds.
                content = unpacker.decompress(packed, entry.file_size + 1)
            except zlib.error as error:
                raise Refused("damaged", what=f"the part {entry.filename} cannot be unpacked") from error
            complete = unpacker.eof
        else:
            raise Refused("damaged", what=f"the part {entry.filename} is packed in an unusual way")
        if len(content) > entry.file_size:
            raise Refused("bomb", part=entry.filename, what="more than it declares")
        if not complete or len(content) != entry.file_size or zlib.crc32(content) != entry.CRC:
            raise Refused("damaged", what=f"the part {entry.filename} is not what the file declares")
        self.inflated.add(name)
        _refuse_entities(content, entry.filename)
        if b"\x00" in content[:64]:
            raise Refused("damaged", what=f"the part {entry.filename} is not UTF-8 text")
        return content

    def check_prologs(self) -> None:
        """Look for a document type at the head of the XML parts that were not read."""
        for name, entry in self.entries.items():
            if name not in self.inflated and name.endswith((".xml", ".rels", ".vml")):
                head = bytes(self._packed(entry)[:PROLOG_BYTES])
                if entry.compress_type == zipfile.ZIP_DEFLATED:
                    try:
                        head = zlib.decompressobj(-15).decompress(head, PROLOG_BYTES)
                    except zlib.error as error:
                        what = f"the part {entry.filename} cannot be unpacked"
                        raise Refused("damaged", what=what) from error
                _refuse_entities(head, entry.filename)


def _megabytes(size: int) -> str:
    return f"{size / 1e6:,.0f} MB"


def _refuse_entities(content: bytes, part: str) -> None:
    if b"<!DOCTYPE" in content or b"<!ENTITY" in content:
        raise Refused("doctype", part=part)


def _parse(content: bytes, part: str, start: Any, end: Any = None, text: Any = None) -> None:
    parser = expat.ParserCreate()
    parser.buffer_text = True
    parser.StartElementHandler = start
    if end is not None:
        parser.EndElementHandler = end
    if text is not None:
        parser.CharacterDataHandler = text
    try:
        parser.Parse(content, True)
    except expat.ExpatError as error:
        what = f"the part {part} is not well-formed XML (line {error.lineno})"
        raise Refused("damaged", what=what) from error


def _local(name: str) -> str:
    return name[name.find(":") + 1:]


def _grader_kind(content: bytes) -> str:
    if b"grader-kind" not in content:
        return ""
    inside: list[bool] = [False]
    found: list[str] = []

    def start(name: str, attributes: dict[str, str]) -> None:
        if _local(name) == "property":
            inside[0] = attributes.get("name") == "grader-kind"

    def text(data: str) -> None:
        if inside[0]:
            found.append(data)

    _parse(content, PROPERTIES, start, None, text)
    return "".join(found).strip()


def _sheet_parts(parts: _Parts) -> tuple[dict[str, str], bool]:
    """Sheet name -> part, and whether the formulas still wait for a spreadsheet program to work them out."""
    sheets: dict[str, str] = {}
    targets: dict[str, tuple[str, str]] = {}
    waiting: list[bool] = [False]

    def relation(name: str, attributes: dict[str, str]) -> None:
        if _local(name) == "Relationship":
            targets[attributes.get("Id", "")] = (attributes.get("Target", ""), attributes.get("Type", ""))

    def book(name: str, attributes: dict[str, str]) -> None:
        local = _local(name)
        if local == "calcPr":
            waiting[0] = attributes.get("fullCalcOnLoad") in ("1", "true")
        elif local == "sheet":
            key = next((v for k, v in attributes.items() if k.endswith(":id")), "")
            target, kind = targets.get(key, ("", ""))
            if not kind or kind.endswith("/worksheet"):
                sheets[attributes.get("name", "")] = target

    if RELATIONS not in parts.entries:
        raise Refused("damaged", what="the list of its sheets is missing")
    _parse(parts.read(RELATIONS), RELATIONS, relation)
    _parse(parts.read(WORKBOOK), WORKBOOK, book)
    for sheet, target in sheets.items():
        path = target[1:] if target.startswith("/") else posixpath.normpath(posixpath.join("xl", target))
        path = path.replace("\\", "/").lower()
        if path not in parts.entries:
            path = target.lower()
        if path not in parts.entries:
            raise Refused("damaged", what=f"the sheet {sheet} is missing from the file")
        sheets[sheet] = path
    return sheets, waiting[0]


def _styles(content: bytes) -> _Styles:
    """The cell styles whose number format changes what the number means."""
    if not _SPECIAL_FORMAT.search(content):
        return _Styles(frozenset(), {})
    codes: dict[str, str] = {}
    used: list[str] = []
    inside: list[bool] = [False]

    def start(name: str, attributes: dict[str, str]) -> None:
        local = _local(name)
        if local == "numFmt":
            codes[attributes.get("numFmtId", "")] = attributes.get("formatCode", "")
        elif local == "cellXfs":
            inside[0] = True
        elif local == "xf" and inside[0]:
            used.append(attributes.get("numFmtId", "0"))

    def end(name: str) -> None:
        if _local(name) == "cellXfs":
            inside[0] = False

    _parse(content, STYLES, start, end)
    percent = {k for k, code in codes.items() if is_percent(code)}
    percent.update(k for k in PERCENT_FORMATS if k not in codes)
    marked = {k for k, code in codes.items() if prints_a_mark(code)}
    return _Styles(frozenset(str(i) for i, key in enumerate(used) if key in percent),
                   {str(i): codes[key] for i, key in enumerate(used) if key in marked})


_LITERAL = re.compile(r'"([^"]*)"|\\(.)|\[[^\]]*\]|[_*].')


def is_percent(code: str) -> bool:
    """Whether a number format multiplies by a hundred and prints a percent sign.

    >>> is_percent("0.0%"), is_percent('0.0"%"'), is_percent("0.0\\\\%"), is_percent("0.0")
    (True, False, False, False)
    """
    return "%" in _LITERAL.sub("", code)


def prints_a_mark(code: str) -> bool:
    """Whether a number format prints < or > before a plain number, so that a bound is held as a number.

    >>> prints_a_mark('"<"0.0'), prints_a_mark('[<1]0.00;0.0'), prints_a_mark("0.0")
    (True, False, False)
    """
    literal = "".join((m.group(1) or "") + (m.group(2) or "") for m in _LITERAL.finditer(code))
    return any(mark in literal or mark in _LITERAL.sub("", code) for mark in "<>≤≥")


def scan_sheet(content: bytes, styles: _Styles, limits: Mapping[str, float], recalculated: bool = False,
               part: str = "of the sheet") -> SheetScan:
    """Scan one sheet's XML.

    content      : bytes of the part. styles : which cell styles matter.
    recalculated : the workbook's formulas were never worked out (a 0 stored beside one means nothing).
    Raises       : Refused where the XML is broken or an address lies outside any sheet.
    """
    # What the byte searches do not understand (prefixes, single quotes, comments) goes to the parser. One
    # character is looked for first: that costs next to nothing, and is mostly enough.
    plain = (b"<sheetData" in content and (b"'" not in content or not _SINGLE_QUOTED.search(content))
             and (b"!" not in content or b"<!" not in content))
    scan = _SheetParse(styles, recalculated)
    if plain:
        last_row, last_column = _quick_extent(content)
        if (last_row + 1) * (last_column + 1) <= limits["dense_cells"]:
            cells = _cells_to_look_at(content, styles, recalculated)
            if all(_ADDRESSED.match(cell) for cell in cells):
                if cells:
                    _parse(b"<c-s>" + b"".join(cells) + b"</c-s>", part, scan.start, scan.end, scan.text)
                return SheetScan(last_row, last_column, None, scan.unreadable, scan.percents)
    _parse(content, part, scan.start, scan.end, scan.text)
    return SheetScan(scan.last_row, scan.last_column, scan.cells, scan.unreadable, scan.percents)


def _cells_to_look_at(content: bytes, styles: _Styles, recalculated: bool) -> list[bytes]:
    """The cell elements of plain XML that can matter: 100,000 rows are not parsed for the sake of ten."""
    found: list[bytes] = []
    if b'"e"' in content:
        found += _ERROR_CELL.findall(content)
    formulas = sum(content.count(tag) for tag in _FORMULA_TAGS) if b"<f" in content else 0
    if formulas and (len(_VALUED.findall(content)) != formulas or recalculated and b"<v>0</v>" in content):
        found += _FORMULA_CELL.findall(content)
    wanted = sorted(styles.percent | styles.marked.keys())
    if wanted:
        codes = b"|".join(map(str.encode, wanted))
        found += re.findall(rb'<c [^>]*?\bs\s*=\s*"(?:%s)"[^>]*(?<!/)>.*?</c>' % codes, content, re.DOTALL)
    return found


def _quick_extent(content: bytes) -> tuple[int, int]:
    rows = _ROW.findall(content)
    last_row = max(map(int, rows), default=0) - 1
    names = set(_WIDE.findall(content))            # none: no column past Z
    last_column = max((column_number(n.decode()) for n in names), default=25)
    return last_row, last_column


def column_number(letters: str) -> int:
    """0-based number of a column from its letters.

    >>> column_number("A"), column_number("R"), column_number("AA"), column_number("XFD")
    (0, 17, 26, 16383)
    """
    number = 0
    for letter in letters.upper():
        number = number * 26 + ord(letter) - 64
    return number - 1


class _SheetParse:
    """Handlers that follow a sheet's cells through the XML parser."""

    def __init__(self, styles: _Styles, recalculated: bool) -> None:
        self.styles, self.recalculated = styles, recalculated
        self.row = self.column = -1
        self.last_row = self.last_column = -1
        self.cells = 0
        self.unreadable: dict[tuple[int, int], tuple[str, str]] = {}
        self.percents: set[tuple[int, int]] = set()
        self.kind = self.style = ""
        self.collect: list[str] | None = None
        self.value: list[str] = []
        self.formula: list[str] | None = None
        self.in_cell = self.inline = False

    def start(self, name: str, attributes: dict[str, str]) -> None:
        local = _local(name)
        if local == "c":
            self._open_cell(attributes)
        elif local == "row":
            number = attributes.get("r", "")
            self.row = int(number) - 1 if number.isdecimal() else self.row + 1
            self.column = -1
        elif self.in_cell:
            if local == "v":
                self.collect = self.value
            elif local == "f":
                self.formula = self.collect = []
            elif local == "is":
                self.inline = True

    def _open_cell(self, attributes: dict[str, str]) -> None:
        address = attributes.get("r")
        if address is None:
            self.column += 1
        else:
            match = _ADDRESS.fullmatch(address)
            if match is None:
                raise Refused("damaged", what=f"a cell has the impossible address {address[:20]}")
            self.column, self.row = column_number(match.group(1)), int(match.group(2)) - 1
        if not (0 <= self.row <= LAST_ROW and 0 <= self.column <= LAST_COLUMN):
            raise Refused("damaged", what="a cell lies outside any sheet")
        self.kind, self.style = attributes.get("t", "n"), attributes.get("s", "0")
        self.value, self.formula, self.collect = [], None, None
        self.in_cell, self.inline = True, False

    def text(self, data: str) -> None:
        if self.collect is not None:
            self.collect.append(data)

    def end(self, name: str) -> None:
        local = _local(name)
        if local in ("v", "f"):
            self.collect = None
        elif local == "c" and self.in_cell:
            self.in_cell = False
            self._close_cell()

    def _close_cell(self) -> None:
        value = "".join(self.value).strip()
        if not value and self.formula is None and not self.inline:
            return                                  # a format without content
        self.cells += 1
        self.last_row, self.last_column = max(self.last_row, self.row), max(self.last_column, self.column)
        place = (self.row, self.column)
        if self.kind == "e":
            self.unreadable[place] = (value or "error", "error")
        elif self.formula is not None and self._not_worked_out(value):
            self.unreadable[place] = ("=" + "".join(self.formula)[:200], "formula")
        elif self.kind == "n" and value:
            if self.style in self.styles.percent:
                self.percents.add(place)
            elif self.style in self.styles.marked:
                self.unreadable[place] = (f"{value} shown as {self.styles.marked[self.style]}", "format")

    def _not_worked_out(self, value: str) -> bool:
        """Whether a formula's stored value is missing, or a 0 that its writer put there for the time being.

        Text formulas may rightly store an empty text.
        """
        if not value:
            return self.kind != "str"
        return self.recalculated and value == "0"
