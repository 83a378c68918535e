"""Looks into the XML of an .xlsx or .xlsm workbook before any spreadsheet library does.

Refuses what could harm (bombs, entity tricks, encrypted or damaged files) and finds what the reading library
hides: error cells, formulas without a stored value, and number formats that change what a number means
(percent, a printed "<" or ">"). In plain XML a few searches over the bytes find the cells that can matter and
only those go through an XML parser; unusual XML goes through it whole. The addresses are the file's own, so
the library's values are kept and these cells laid over them: a second reading would tell nothing more.
"""

from __future__ import annotations

import html
import posixpath
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, NamedTuple

from grader.columns import REGISTER_KIND
from grader.read.formats.number_format import as_printed, prints_another
from grader.read.formats.parts import Element, Parts, Refused, local_name, parse_xml, tree
from grader.read.shapes.tables import column_number
from grader.read.words.own_notes import without_own_lines

WORKBOOK = "xl/workbook.xml"  # where the parts lie by custom; where they do lie, the lists of relations say
STRINGS, STYLES, PROPERTIES = "xl/sharedstrings.xml", "xl/styles.xml", "docprops/custom.xml"
_PACKAGE = "_rels/.rels"  # the relations of the whole package; as every writer of bench_foreign has it
LAST_ROW, LAST_COLUMN = 1_048_575, 16_383  # of any sheet, 0-based (the rows: [MS-XLSB], BrtRowHdr)
BYTES_A_CELL = 12  # no filled cell takes less XML than twice this
PERCENT_FORMATS = frozenset(("9", "10"))  # built-in 0% and 0.00% (ECMA-376 part 1, 18.8.30)

_ROW = re.compile(rb'[^>]*?\br="([0-9]{1,9})"')
_ROW_STATED = re.compile(rb'<row (?:[^>]*?\s)?r="([0-9]{1,9})"')
_ROW_TAG = re.compile(rb"<row( [^>]*)>")
_WIDE = re.compile(rb' r="([A-Z]{2,})[0-9]')
_VALUED = re.compile(rb"<c [^>]*><f(?: [^>]*)?>(?:[^<]*</f>)?<v>[^<]")
_ADDRESS = re.compile(r"([A-Za-z]{1,3})([0-9]{1,7})")
_CODE = re.compile(rb"""formatCode\s*=\s*["']([^"']*)["']""")
_SPECIAL_FORMAT = re.compile(rb"""%|='| =|numFmtId="(?:9|10)"|formatCode="[^"]*(?:&|>|\xe2\x89)""")
_ERROR_CELL = re.compile(rb'<c [^>]*?\bt\s*=\s*"e"[^>]*(?<!/)>.*?</c>', re.DOTALL)
_FORMULA_CELL = re.compile(rb"<c [^>]*(?<!/)>\s*<f.*?</c>", re.DOTALL)
_ADDRESSED = re.compile(rb'<c [^>]*?\br="[A-Za-z]')
_SINGLE_QUOTED = re.compile(rb"=\s*'")
_BOOK_TAG = re.compile(rb"<(?:[\w.-]+:)?workbook[\s>]")
_LONGEST_HEAD = 5000  # bytes before the first tag of a part
_PRINTED = re.compile(rb"<(?:[\w.-]+:)?(?:odd|even|first)(?:Header|Footer)(?: [^>]*)?>([^<]*)</")
_SIDES = re.compile(r"&[LCRlcr]")
_CODES = re.compile(r'&(?:"[^"]*"|K(?:[0-9A-Fa-f]{6}|\d\d[+-]\d{3})|\d+|[A-Za-z](?:[+-]\d+)?)')
_FORMULA_TAGS = (b"<f>", b"<f ", b"<f/>")


@dataclass
class SheetScan:
    """What the scan knows of one sheet. Addresses are 0-based (row, column).

    last_row, last_column : the furthest cells (an upper bound where the sheet was not parsed; -1: none).
    cells      : number of filled cells; None where the sheet was not parsed.
    unreadable : address -> (what is shown, "error" | "formula" | "format"), or "shown" for a text to be read instead.
    percents   : addresses of numbers shown through a percent format.
    hidden     : rows that are hidden.
    struck     : addresses of cells that are struck through. comments : address -> text of the comment on a cell.
    printed    : texts that are printed above and below every page, and those of boxes that lie on the sheet.
    """

    last_row: int = -1
    last_column: int = -1
    cells: int | None = None
    unreadable: dict[tuple[int, int], tuple[str, str]] = field(default_factory=dict)
    percents: set[tuple[int, int]] = field(default_factory=set)
    hidden: frozenset[int] = frozenset()
    struck: set[tuple[int, int]] = field(default_factory=set)
    comments: tuple[tuple[tuple[int, int], str], ...] = ()
    printed: tuple[str, ...] = ()


class Book(NamedTuple):
    """What a workbook's list of sheets says.

    sheets       : name of each worksheet -> its part. states : name -> "visible", "hidden" or "veryHidden".
    styles, strings : parts, "" where there is none.
    recalculated : the formulas still wait for a spreadsheet program to work them out.
    from_1904    : days are counted from 1904.
    """

    part: str
    sheets: dict[str, str]
    states: dict[str, str]
    styles: str
    strings: str
    recalculated: bool
    from_1904: bool

    @property
    def usual(self) -> bool:
        """Whether its parts lie where they do by custom, under names in small letters but for sharedStrings."""
        return self.part == WORKBOOK and self.styles in ("", STYLES) and self.strings in ("", STRINGS)


class Scan(NamedTuple):
    """What the scan knows of one workbook: its format, its grader-kind ("" if none), its sheets; if it is XML its Book."""

    format: str
    kind: str
    sheets: dict[str, SheetScan]
    book: Book | None = None


class Styles(NamedTuple):
    """Cell styles, by number, through which a number is not what it seems: a percent format, or one that prints more or less.

    marked : style -> format code. struck : styles whose font is struck through: what they show holds no more.
    """

    percent: frozenset[int]
    marked: dict[int, str]
    struck: frozenset[int] = frozenset()


def scan_workbook(parts: Parts, limits: Mapping[str, float]) -> Scan:
    """Scan the parts of one .xlsx or .xlsm workbook (a template of these is one too).

    limits : the table [limits] of data/limits_reading.toml.
    Raises : Refused, with the code of the words, where the file must not or cannot be read.
    """
    kind = grader_kind(parts)
    if is_closed(kind):
        return Scan("xlsx", kind, {})
    book = book_of(parts)
    styles = Styles(frozenset(), {})
    if book.styles:
        styles = parts.remembered("styles", (book.styles,), lambda: _styles(parts.read(book.styles)))
    if book.strings:
        parts.read(book.strings)
    scans = {
        name: scan_sheet(parts.read(part), styles, limits, book.recalculated, part=part)
        for name, part in book.sheets.items()
    }
    if any(_COMMENTS in entry for entry in parts.entries):
        for name, scan in scans.items():
            scan.comments = _comments(parts, book.sheets[name])
    if any(_DRAWING in entry for entry in parts.entries):
        for name, scan in scans.items():
            scan.printed += tuple(_drawn(parts, book.sheets[name]))
    parts.check_prologs()
    return Scan("xlsm" if "xl/vbaproject.bin" in parts.entries else "xlsx", kind, scans, book)


# In the names of their parts, and in the kind of a relation to them.
_COMMENTS, _DRAWING = "/comments", "/drawing"


def _beside(parts: Parts, part: str, kind: str) -> Iterator[str]:
    """The parts of one kind that belong to a sheet's part."""
    folder, name = posixpath.split(part)
    related = posixpath.join(folder, "_rels", name + ".rels")
    if related in parts.entries:
        for target, of in relations(parts, related).values():
            if of.endswith(kind) and (path := _resolved(target, folder)) in parts.entries:
                yield path


def _drawn(parts: Parts, part: str) -> list[str]:
    """The texts of the boxes and shapes that lie on one sheet."""
    drawn = (tree(parts.read(path), path) for path in _beside(parts, part, _DRAWING))
    boxes = ("\n".join(map(_text_of, box.all("p"))) for drawing in drawn for box in drawing.all("txBody"))
    return [said for box in boxes if (said := box.strip())]


def _text_of(element: Element) -> str:
    """The text that the runs in an element show."""
    return "".join(run.text for run in element.all("t"))


def _comments(parts: Parts, part: str) -> tuple[tuple[tuple[int, int], str], ...]:
    """The comments on the cells of one sheet, by 0-based row and column; those of this program left out."""
    found: dict[tuple[int, int], str] = {}
    for path in _beside(parts, part, _COMMENTS):
        for comment in tree(parts.read(path), path).all("comment"):
            if match := _ADDRESS.fullmatch(comment.attributes.get("ref", "")):
                at = int(match[2]) - 1, column_number(match[1])
                found[at] = found.get(at, "") + _text_of(comment)
    return tuple((at, said) for at, text in sorted(found.items()) if (said := without_own_lines(text)))


def grader_kind(parts: Parts) -> str:
    """What product of this program an .xlsx, .xlsm or .xlsb is, from its document properties; "" if none."""
    content = parts.read(PROPERTIES) if PROPERTIES in parts.entries else b""
    if b"grader-kind" not in content:
        return ""
    said = tree(content, PROPERTIES).all("property")
    return "".join(p.text for p in said if p.attributes.get("name") == "grader-kind").strip()


def is_closed(kind: str) -> bool:
    """Whether a product of this program is nothing to read; a register is."""
    return kind not in ("", REGISTER_KIND)


def main_part(parts: Parts) -> str:
    """The part that the package names as its document, else where a workbook lies by custom."""
    if _PACKAGE in parts.entries:
        targets = parts.remembered("package", (_PACKAGE,), lambda: relations(parts, _PACKAGE))
        for target, kind in targets.values():
            if kind.endswith("/officeDocument") and (part := _resolved(target, "")) in parts.entries:
                return part
    return WORKBOOK


def is_workbook(parts: Parts, part: str) -> bool:
    """Whether a part is the list of sheets of an .xlsx or .xlsm."""
    return part in parts.entries and part.endswith(".xml") and bool(_BOOK_TAG.search(parts.read(part)[:_LONGEST_HEAD]))


def book_of(parts: Parts) -> Book:
    """The list of sheets of an .xlsx or .xlsm. Raises Refused where it, or a sheet of it, is missing or broken."""
    part = main_part(parts)
    folder, name = posixpath.split(part)
    related = posixpath.join(folder, "_rels", name + ".rels")
    if related not in parts.entries or part not in parts.entries:
        raise Refused("damaged", what="the list of its sheets is missing")
    listed, states, targets, waiting, from_1904 = parts.remembered(
        part, (related, part), lambda: _book(parts, part, related)
    )

    def found(kind: str) -> str:
        path = next((_resolved(target, folder) for target, of in targets.values() if of.endswith(kind)), "")
        return path if path in parts.entries else ""

    sheets = {sheet: part_name(target, parts, sheet, folder) for sheet, target in listed.items()}
    return Book(part, sheets, states, found("/styles"), found("/sharedStrings"), waiting, from_1904)


def _book(parts: Parts, part: str, related: str) -> tuple[dict[str, str], dict[str, str], dict[str, Any], bool, bool]:
    """Sheet name -> target as the workbook writes it, and -> state; its relations; what it says of formulas and dates."""
    sheets: dict[str, str] = {}
    states: dict[str, str] = {}
    targets = relations(parts, related)
    said = {"fullCalcOnLoad": "", "date1904": ""}
    for element in tree(parts.read(part), part).all("calcPr", "workbookPr", "sheet"):
        attributes = element.attributes
        if element.name != "sheet":
            said.update({k: v for k, v in attributes.items() if k in said})
            continue
        key = next((v for k, v in attributes.items() if k.endswith(":id")), "")
        target, kind = targets.get(key, ("", ""))
        # One that names no part at all is a module of a program; there is nothing of it to read.
        if key and (not kind or kind.endswith("/worksheet")):
            sheet = attributes.get("name", "")
            sheets[sheet], states[sheet] = target, attributes.get("state", "visible")
    waiting, from_1904 = (value in ("1", "true") for value in said.values())
    return sheets, states, targets, waiting, from_1904


def relations(parts: Parts, part: str) -> dict[str, tuple[str, str]]:
    """Id -> (target, type) of a workbook's list of its parts. Raises Refused where there is none."""
    if part not in parts.entries:
        raise Refused("damaged", what="the list of its sheets is missing")
    listed = (e.attributes for e in tree(parts.read(part), part).all("Relationship"))
    return {a.get("Id", ""): (a.get("Target", ""), a.get("Type", "")) for a in listed}


def _resolved(target: str, folder: str) -> str:
    """The part that a relation of a part in a folder leads to."""
    path = target[1:] if target.startswith("/") else posixpath.normpath(posixpath.join(folder, target))
    return path.replace("\\", "/").lower()


def part_name(target: str, parts: Parts, sheet: str, folder: str = "xl") -> str:
    """Name of a sheet's part from what the workbook's list says. Raises Refused where it is not there."""
    for path in (_resolved(target, folder), target.lower()):
        if path in parts.entries:
            return path
    raise Refused("damaged", what=f"the sheet {sheet} is missing from the file")


def _styles(content: bytes) -> Styles:
    """The cell styles whose number format changes what the number means."""
    if (
        not _SPECIAL_FORMAT.search(content)
        and b"strike" not in content
        and not any(map(_changes, _CODE.findall(content)))
    ):
        return Styles(frozenset(), {})
    styles = tree(content, STYLES)
    codes = {f.attributes.get("numFmtId", ""): f.attributes.get("formatCode", "") for f in styles.all("numFmt")}
    used = [xf.attributes for cells in styles.all("cellXfs") for xf in cells.all("xf")]
    fonts = [font for fonts in styles.all("fonts") for font in fonts.all("font")]
    struck = {str(i) for i, font in enumerate(fonts)
              if any(s.attributes.get("val", "1") not in ("0", "false") for s in font.all("strike"))}  # fmt: skip
    made = styles_of(codes, [xf.get("numFmtId", "0") for xf in used])
    return made._replace(struck=frozenset(i for i, xf in enumerate(used) if xf.get("fontId", "0") in struck))


@lru_cache(maxsize=1_000)
def _changes(code: bytes) -> bool:
    return prints_another(html.unescape(code.decode("utf-8", "replace")))


def styles_of(codes: Mapping[str, str], used: Sequence[str]) -> Styles:
    """Which styles matter.

    codes : number of a format, as text -> its code, built-in ones left out. used : of each style, its format's number.
    """
    percent = {k for k, code in codes.items() if is_percent(code) and not prints_another(code)}
    percent |= PERCENT_FORMATS - codes.keys()
    marked = {k for k, code in codes.items() if prints_another(code)}
    return Styles(
        frozenset(i for i, key in enumerate(used) if key in percent),
        {i: codes[key] for i, key in enumerate(used) if key in marked},
    )


_LITERAL = re.compile(r'"([^"]*)"|\\(.)|\[[^\]]*\]|[_*].')


def is_percent(code: str) -> bool:
    """Whether a number format multiplies by a hundred and prints a percent sign.

    >>> is_percent("0.0%"), is_percent('0.0"%"'), is_percent("0.0\\\\%"), is_percent("0.0")
    (True, False, False, False)
    """
    return "%" in _LITERAL.sub("", code)


def scan_sheet(
    content: bytes, styles: Styles, limits: Mapping[str, float], recalculated: bool = False, part: str = "of the sheet"
) -> SheetScan:
    """Scan one sheet's XML.

    content      : bytes of the part. styles : which cell styles matter.
    recalculated : the workbook's formulas were never worked out (a 0 stored beside one means nothing).
    Raises       : Refused where the XML is broken or an address lies outside any sheet.
    """
    plain = is_plain(content)
    parse = _SheetParse(styles, recalculated)
    found = parse.found
    found.hidden, found.printed = _hidden(content), _printed(content)
    if plain and not _closes_what_it_opens(content):
        # The fast reader takes a cell that never ends without a word, and the next cell's value with it.
        parse_xml(content, part)
    if plain:
        # An honest million rows are more cells than a sheet may have that is mostly empty; it is as much XML, too.
        most = max(limits["dense_cells"], len(content) / BYTES_A_CELL)
        last_row, last_column = _quick_extent(content, most)
        if (last_row + 1) * (last_column + 1) <= most:
            cells = _cells_to_look_at(content, styles, recalculated)
            if all(_ADDRESSED.match(cell) for cell in cells):
                if cells:
                    parse_xml(b"<c-s>" + b"".join(cells) + b"</c-s>", part, parse.start, parse.end, parse.text)
                found.last_row, found.last_column, found.cells = last_row, last_column, None
                return found
    parse_xml(content, part, parse.start, parse.end, parse.text)
    return found


def _printed_number(code: str, value: str) -> tuple[str, str] | None:
    try:
        return as_printed(code, value, float(value))
    except ValueError:
        return None  # the reading library says what is wrong with it


def is_plain(content: bytes) -> bool:
    """Whether a sheet's XML is such as searches over its bytes understand: no prefixes, single quotes, comments."""
    # One character is looked for first: that costs next to nothing, and is mostly enough.
    return (
        b"<sheetData" in content
        and (b"'" not in content or not _SINGLE_QUOTED.search(content))
        and (b"!" not in content or b"<!" not in content)
    )


def _printed(content: bytes) -> tuple[str, ...]:
    """The texts of a sheet's page headers and footers, which stand behind its cells."""
    behind = content[content.rfind(b"sheetData") :]
    if b"Header" not in behind and b"Footer" not in behind:
        return ()
    codes = [html.unescape(found.decode("utf-8", "replace")) for found in _PRINTED.findall(behind)]
    return tuple(text for code in codes for text in printed_texts(code))


def printed_texts(code: str) -> list[str]:
    """What a header or footer prints, its left, middle and right part each, without page numbers, dates and fonts.

    Source : ECMA-376 part 1, 18.3.1.46; [MS-XLS] 2.4.136 has the same grammar.

    >>> printed_texts('&L&"Arial,Bold"&14VOID&CSite A && B&RPage &P of &N')
    ['VOID', 'Site A & B', 'Page  of']
    """
    sides = _SIDES.split(code.replace("&&", "\0"))
    return [text for side in sides if (text := _CODES.sub("", side).replace("\0", "&").strip())]


def _closes_what_it_opens(content: bytes) -> bool:
    """Whether as many rows, cells and values end as begin. False may only mean that they are written unusually."""
    return all(
        content.count(b"</%s>" % name) == content.count(start)
        for name, start in ((b"row", b"<row "), (b"c", b"<c "), (b"v", b"<v>"))
    )


def _hidden(content: bytes) -> frozenset[int]:
    """0-based numbers of the hidden rows that the XML names (for a note only: a hidden row is read)."""
    if b' hidden="' not in content:
        return frozenset()
    tags = _ROW_TAG.findall(content, max(content.find(b"<sheetData"), 0))
    rows = (_ROW.match(tag) for tag in tags if b' hidden="1"' in tag or b' hidden="true"' in tag)
    return frozenset(int(row[1]) - 1 for row in rows if row)


def _cells_to_look_at(content: bytes, styles: Styles, recalculated: bool) -> list[bytes]:
    """The cell elements of plain XML that can matter: 100,000 rows are not parsed for the sake of ten."""
    found: list[bytes] = []
    if b'"e"' in content:
        found += _ERROR_CELL.findall(content)
    formulas = sum(content.count(tag) for tag in _FORMULA_TAGS) if b"<f" in content else 0
    if formulas and (len(_VALUED.findall(content)) != formulas or recalculated and b"<v>0</v>" in content):
        found += _FORMULA_CELL.findall(content)
    wanted = sorted(styles.percent | styles.marked.keys() | styles.struck)
    if wanted:
        codes = b"|".join(str(n).encode() for n in wanted)
        found += re.findall(rb'<c [^>]*?\bs\s*=\s*"(?:%s)"[^>]*(?<!/)>.*?</c>' % codes, content, re.DOTALL)
    return found


def _quick_extent(content: bytes, most: float) -> tuple[int, int]:
    """Last row and column, or upper bounds; columns are looked at only where `most` cells may be passed."""
    last_row = max(map(int, _ROW_STATED.findall(content)), default=0) - 1
    if (last_row + 1) * (LAST_COLUMN + 1) <= most:
        return last_row, LAST_COLUMN
    names = set(_WIDE.findall(content))  # none: no column past Z
    if not names and (last_row + 1) * 26 > most:
        return last_row, next((n for n in range(25, 0, -1) if re.search(rb' r="%c[0-9]' % (65 + n), content)), 0)
    return last_row, max((column_number(n.decode()) for n in names), default=25)


class _SheetParse:
    """Handlers that follow a sheet's cells through the XML parser."""

    def __init__(self, styles: Styles, recalculated: bool) -> None:
        self.styles, self.recalculated = styles, recalculated
        self.row = self.column = -1
        self.found = SheetScan(cells=0)
        self.kind, self.style = "", 0
        self.collect: list[str] | None = None
        self.value: list[str] = []
        self.formula: list[str] | None = None
        self.in_cell = self.inline = False

    def start(self, name: str, attributes: dict[str, str]) -> None:
        local = local_name(name)
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
        style = attributes.get("s", "")
        self.kind, self.style = attributes.get("t", "n"), int(style) if style.isdecimal() else 0
        self.value, self.formula, self.collect = [], None, None
        self.in_cell, self.inline = True, False

    def text(self, data: str) -> None:
        if self.collect is not None:
            self.collect.append(data)

    def end(self, name: str) -> None:
        local = local_name(name)
        if local in ("v", "f"):
            self.collect = None
        elif local == "c" and self.in_cell:
            self.in_cell = False
            self._close_cell()

    def _close_cell(self) -> None:
        value = "".join(self.value).strip()
        if not value and self.formula is None and not self.inline:
            return  # a format without content
        found, place = self.found, (self.row, self.column)
        found.cells = (found.cells or 0) + 1
        found.last_row, found.last_column = max(found.last_row, self.row), max(found.last_column, self.column)
        if self.style in self.styles.struck:
            found.struck.add(place)
        if self.kind == "e":
            found.unreadable[place] = (value or "error", "error")
        elif self.formula is not None and self._not_worked_out(value):
            found.unreadable[place] = ("=" + "".join(self.formula)[:200], "formula")
        elif self.kind == "n" and value:
            if self.style in self.styles.percent:
                found.percents.add(place)
            elif self.style in self.styles.marked and (
                printed := _printed_number(self.styles.marked[self.style], value)
            ):
                found.unreadable[place] = printed

    def _not_worked_out(self, value: str) -> bool:
        """Whether a formula's stored value is missing, or a 0 that its writer put there for the time being.

        Text formulas may rightly store an empty text.
        """
        if not value:
            return self.kind != "str"
        return self.recalculated and value == "0"
