"""What a look into a workbook finds of each sheet that the reading library hides, whatever the format."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import NamedTuple

from grader.problems import a1
from grader.read.formats.package import Book
from grader.read.formats.parts import Refused

LAST_ROW, LAST_COLUMN = 1_048_575, 16_383  # of any sheet, 0-based (the rows: [MS-XLSB], BrtRowHdr)
# What a formula that failed shows, in English and German spreadsheets.
ERROR = re.compile(r"#(?:N/A|N/V|NV|DIV/0!|VALUE!|WERT!|REF!|BEZUG!|NAME\?|NUM!|ZAHL!|NULL!|SPILL!|CALC!)|Err:[0-9]{3}")
_SIDES = re.compile(r"&[LCRlcr]")
_CODES = re.compile(r'&(?:"[^"]*"|K(?:[0-9A-Fa-f]{6}|\d\d[+-]\d{3})|\d+|[A-Za-z](?:[+-]\d+)?)')


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


class Scan(NamedTuple):
    """What the scan knows of one workbook: its format, its grader-kind ("" if none), its sheets; if it is XML its Book."""

    format: str
    kind: str
    sheets: dict[str, SheetScan]
    book: Book | None = None


def check_place(row: int, column: int, sheet: str = "") -> None:
    """Refuse a cell that lies outside any sheet."""
    if not (0 <= row <= LAST_ROW and 0 <= column <= LAST_COLUMN):
        raise Refused("damaged", what="a cell lies outside any sheet", sheet=sheet)


def too_large(row: int, column: int, sheet: str = "") -> Refused:
    """That a sheet which reaches to this row and column is larger than the limits of reading allow."""
    far = a1(row, column)
    return Refused("sheet_too_large", sheet=sheet, cell=far, far=far)


def printed_texts(code: str) -> list[str]:
    """What a header or footer prints, its left, middle and right part each, without page numbers, dates and fonts.

    Source : ECMA-376 part 1, 18.3.1.46; [MS-XLS] 2.4.136 has the same grammar.

    >>> printed_texts('&L&"Arial,Bold"&14VOID&CSite A && B&RPage &P of &N')
    ['VOID', 'Site A & B', 'Page  of']
    """
    sides = _SIDES.split(code.replace("&&", "\0"))
    return [text for side in sides if (text := _CODES.sub("", side).replace("\0", "&").strip())]
