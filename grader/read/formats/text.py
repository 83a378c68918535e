"""Reads .csv and .tsv: finds the encoding and the delimiter, and gives one sheet of texts.

A text file has no cells of its own, so what a shifted row would put into another column is never read: a
row with more entries than headings (an unquoted decimal comma) is taken for unreadable.
"""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Mapping
from typing import Any, NamedTuple

from grader.columns import PARAMETERS
from grader.problems import Unreadable, a1
from grader.read.formats.parts import Refused, megabytes
from grader.read.formats.sheet_scan import ERROR, too_large
from grader.read.shapes.tables import Note, Sheet, squared

DELIMITERS = (";", "\t", ",", "|")
_SAMPLE_ROWS = 400
_LEAST_COLUMNS = 3
_MARKS = ((b"\xef\xbb\xbf", "utf-8"), (b"\xff\xfe", "utf-16-le"), (b"\xfe\xff", "utf-16-be"))
_HINT = re.compile(r"sep=(.)[\r\n]+")  # a first line that spreadsheet programs understand
_AS_TEXT = re.compile(r'="([^"]*)"')  # how exports keep a number's leading zeros
_NUMBER = re.compile(r"\s*[<>≤≥=~±+-]{0,2}\s*[\d.,]*\d")
_LETTER = re.compile(r"[^\W\d_]")
_OWN = frozenset(p.verdict_heading for p in PARAMETERS.values() if p.verdict_heading)


class TextTable(NamedTuple):
    """One text file as a sheet, what is to be said of it, and whether it is a sheet of an own result."""

    sheet: Sheet
    notes: list[Note]
    own: bool


def read_text(data: bytes, name: str, limits: Mapping[str, float]) -> TextTable:
    """Read the bytes of a .csv or .tsv.

    name    : of the sheet; spreadsheet programs call it by the file's name without its ending.
    limits  : the table [limits] of data/limits_reading.toml.
    Returns : TextTable; every cell is a text as it stands, "" or an Unreadable. Row numbers count the rows
              of the table, so a row whose quoted entry spans lines counts once.
    Raises  : Refused: too large, not text, quotation marks that do not pair.
    """
    if len(data) > limits["text_bytes"]:
        raise Refused("file_too_large", size=megabytes(len(data)), limit=megabytes(limits["text_bytes"]))
    text, assumed = _decode(data)
    notes = [Note("text_cp1252", name, "", "", {})] if assumed else []
    hint = _HINT.match(text)
    delimiter = hint.group(1) if hint else _delimiter(text)
    rows, first_long = _rows(text[hint.end() :] if hint else text, delimiter, limits)
    if first_long:
        notes.append(Note("text_lines", name, a1(first_long, 0), "", {"row": first_long + 1}))
    for number, wanted in _shifted(rows).items():
        first, *others = rows[number]
        found = len(rows[number])
        code = "row_too_long" if found > wanted else "row_too_short"
        notes.append(Note(code, name, a1(number, 0), first, {"found": found, "wanted": wanted}))
        rows[number] = [first, *map(_doubtful, others)]
    width = max(map(len, rows), default=0)
    if width * len(rows) > limits["dense_cells"]:
        raise too_large(len(rows) - 1, width - 1, name)
    own = bool(rows) and _OWN <= set(rows[0])
    return TextTable(Sheet(name, squared(rows)), notes, own)


def _decode(data: bytes) -> tuple[str, bool]:
    """The text, and whether its encoding had to be assumed (Windows Latin, cp1252)."""
    for mark, encoding in _MARKS:
        if data.startswith(mark):
            return _strictly(data[len(mark) :], encoding), False
    if b"\x00" in data:
        # UTF-16 without its mark: every other byte of plain letters is 0.
        even, odd = data[0::2].count(0), data[1::2].count(0)
        if len(data) % 2 == 0 and max(even, odd) > len(data) // 4 and min(even, odd) * 50 < max(even, odd):
            return _strictly(data, "utf-16-le" if odd > even else "utf-16-be"), False
        raise Refused("text_binary")
    try:
        return data.decode("utf-8"), False
    except UnicodeDecodeError:
        return _strictly(data, "cp1252"), True


def _strictly(data: bytes, encoding: str) -> str:
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError as error:
        raise Refused("text_binary") from error
    if "\x00" in text:
        raise Refused("text_binary")
    return text


def _delimiter(text: str) -> str:
    """The delimiter that cuts the first rows into the most even table; a row of headings must be whole.

    A decimal comma cuts evenly too, but not the headings, and it leaves the true delimiters in the cells.
    """
    best, chosen = (False, 0.0, 0), ","
    sample = text[:2_000_000]
    for delimiter in DELIMITERS:
        if delimiter not in sample:
            continue
        rows = []
        # Not strict here: what is wrong with the quotes is said once the delimiter is known.
        for row in csv.reader(io.StringIO(sample, newline=""), delimiter=delimiter):
            if any(row):
                rows.append(row)
            if len(rows) == _SAMPLE_ROWS:
                break
        width, head = _shape(rows)
        if width < 2:
            continue
        body = rows[head:]
        even = sum(len(row) == width for row in body) / len(body)
        cells = [cell for cell in rows[head] if cell]
        whole = sum(bool(_LETTER.search(cell)) for cell in cells) * 2 > len(cells) and not any(
            other in cell for cell in cells for other in DELIMITERS[:2]
        )
        rank = (whole, round(even, 1), width)
        if rank > best:
            best, chosen = rank, delimiter
    return chosen


def _shape(rows: list[list[str]]) -> tuple[int, int]:
    """How many columns the table has (the most frequent number above 1), and its first row of so many."""
    widths = Counter(len(row) for row in rows if len(row) > 1 and any(row))
    if not widths:
        return 1, 0
    width = max(widths, key=lambda w: (widths[w], w))
    return width, next(i for i, row in enumerate(rows) if len(row) == width and any(row))


def _rows(text: str, delimiter: str, limits: Mapping[str, float]) -> tuple[list[list[Any]], int]:
    """The rows, and the number of the first that spans lines (0: none)."""
    rows: list[list[Any]] = []
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    first_long = filled = 0
    line = 1
    try:
        for row in reader:
            if reader.line_num > line:
                _refuse_swallowed(row, delimiter, line)
                first_long = first_long or len(rows)
            filled += len(row)
            if filled > limits["dense_cells"]:
                raise too_large(len(rows), len(row) - 1)
            rows.append([_cell(cell) for cell in row])
            line = reader.line_num + 1
    except csv.Error as error:
        raise Refused("text_quotes", line=line) from error
    while rows and not any(rows[-1]):
        rows.pop()
    return rows, first_long


def _cell(cell: str) -> str | Unreadable:
    if cell[:1] in "#E" and ERROR.fullmatch(cell):
        return Unreadable(cell, "error")
    if cell.startswith('="') and (match := _AS_TEXT.fullmatch(cell)):
        return match.group(1)
    return cell


def _refuse_swallowed(row: list[str], delimiter: str, line: int) -> None:
    """A stray mark takes the rows up to the next one for a single entry; no log has such remarks."""
    for cell in row:
        if "\n" in cell or "\r" in cell:
            cut = max(part.count(delimiter) for part in re.split(r"[\r\n]+", cell))
            if cut >= 2 and cut >= len(row) // 2:
                raise Refused("text_quotes", line=line)


def _doubtful(cell: Any) -> Any:
    """An entry that may stand under a wrong heading."""
    return cell if cell == "" or isinstance(cell, Unreadable) else Unreadable(cell, "shifted")


def _shifted(rows: list[list[Any]]) -> dict[int, int]:
    """Rows whose entries may stand under a wrong heading -> how many entries their headings ask for.

    Too long: an entry beyond the headings. Too short: only where the writer is seen to write the empty ends
    of rows too, since many leave them out.
    """
    shifted: dict[int, int] = {}
    short: dict[int, int] = {}
    width, full = 0, False
    for i, row in enumerate(rows):
        if len(row) != width and _headings(row):
            shifted |= short if full else {}
            width, full, short = len(row), False, {}
        elif len(row) == width:
            full = full or (width > 0 and row[-1] == "")
        elif width >= _LEAST_COLUMNS:
            if len(row) > width and any(row[width:]):
                shifted[i] = width
            elif len(row) < width and sum(map(bool, row)) > 1:
                short[i] = width
    return shifted | (short if full else {})


def _headings(row: list[Any]) -> bool:
    """Whether a row of another length may be a new row of headings: three entries or more, mostly words."""
    filled = [cell for cell in row if cell]
    if len(filled) < _LEAST_COLUMNS:
        return False
    words = sum(type(cell) is str and not _NUMBER.match(cell) for cell in filled)
    return words >= 0.8 * len(filled)
