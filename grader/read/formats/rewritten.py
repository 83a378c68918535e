"""One sheet's XML written anew where the fast reader would stumble over it or lay out millions of empty cells.

`closed_up` leaves out the rows without content, so that a stray cell in the last row costs nothing; `mended` leaves
out the cells that the fast reader refuses a whole workbook for (newer error values, a number that is none), which the
caller shows as unreadable. Both understand the plain XML that spreadsheet programs write, and say None of any other.
"""

from __future__ import annotations

import io
import re
import zipfile
from typing import NamedTuple

from grader.read.formats.parts import Parts
from grader.read.formats.scan import column_number, sheet_parts

_ROW_NUMBER = re.compile(rb'[^>]*?\br="([0-9]{1,9})"')
_CELL_ROW = re.compile(rb'(<c [^>]*?\br="[A-Za-z]{1,3})[0-9]+"')
_CELL = re.compile(rb"<c ([^>]*)(?<!/)>(.*?)</c>", re.DOTALL)
_KIND = re.compile(rb'\bt="([^"]*)"')
_PLACE = re.compile(rb'\br="([A-Za-z]{1,3})([0-9]{1,7})"')
_VALUE = re.compile(rb"<v(?: [^>]*)?>([^<]*)</v>")
_NUMBER = re.compile(rb"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_CONTENT = (b"<v", b"<f", b"<is")
_DIMENSION = re.compile(rb"<dimension [^>]*>(?:</dimension>)?")
_SINGLE_QUOTED = re.compile(rb"=\s*'")


class ClosedUp(NamedTuple):
    """A sheet without its empty rows: its XML, and the 0-based sheet row of each row there is."""

    content: bytes
    numbers: list[int]


def sheet_content(parts: Parts, sheet: str) -> tuple[str, bytes]:
    """Name and XML of a sheet's part. Raises Refused where it is broken; KeyError where there is no such sheet."""
    part = sheet_parts(parts)[0][sheet]
    return part, parts.read(part)


def _is_plain(content: bytes) -> bool:
    return (
        b"<sheetData" in content
        and b"<!" not in content
        and (b"'" not in content or not _SINGLE_QUOTED.search(content))
    )


def closed_up(content: bytes) -> ClosedUp | None:
    """The sheet with its rows of content alone, one below the other; None where the XML is not plain.

    content : bytes of the part. Merged ranges and whatever else stands behind the cells are left out.
    """
    if not _is_plain(content):
        return None
    head, *pieces = content.partition(b"</sheetData>")[0].split(b"<row ")
    rows: dict[int, list[bytes]] = {}
    number = 0
    for piece in pieces:
        stated = _ROW_NUMBER.match(piece)
        number = int(stated[1]) if stated else number + 1
        if any(sign in piece for sign in _CONTENT):
            rows.setdefault(number, []).append(piece)
    made = [_DIMENSION.sub(b"", head)]
    numbers = sorted(rows)
    for position, number in enumerate(numbers, start=1):
        cells = b"".join(piece[piece.find(b">") + 1 :].rpartition(b"</row>")[0] for piece in rows[number])
        made.append(b'<row r="%d">%s</row>' % (position, _CELL_ROW.sub(rb'\g<1>%d"' % position, cells)))
    made.append(b"</sheetData></worksheet>")
    return ClosedUp(b"".join(made), [number - 1 for number in numbers])


def mended(content: bytes) -> tuple[bytes, dict[tuple[int, int], tuple[str, str]]] | None:
    """The sheet without the cells whose value no reader could use, and these: 0-based place -> (shown, why).

    None where the XML is not plain, or where a cell has no address.
    """
    if not _is_plain(content):
        return None
    left_out: dict[tuple[int, int], tuple[str, str]] = {}
    unplaced: list[bytes] = []

    def look(cell: re.Match[bytes]) -> bytes:
        kind, found = _KIND.search(cell[1]), _VALUE.search(cell[2])
        value = found[1].strip() if found else b""
        if kind is not None and kind[1] == b"e":
            why = "error"
        elif (kind is None or kind[1] == b"n") and value and not _NUMBER.fullmatch(value):
            why = "number"
        else:
            return cell[0]
        place = _PLACE.search(cell[1])
        if place is None:
            unplaced.append(cell[0])
            return cell[0]
        shown = value.decode("utf-8", "replace")[:200] or "error"
        left_out[int(place[2]) - 1, column_number(place[1].decode())] = (shown, why)
        return b""

    made = _CELL.sub(look, content)
    return None if unplaced else (made, left_out)


def with_sheet(parts: Parts, part: str, content: bytes) -> bytes:
    """A workbook like this one, with this content in one sheet's part and without the other sheets' parts."""
    others = set(sheet_parts(parts)[0].values()) - {part}
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_STORED) as archive:
        for name, entry in parts.entries.items():
            if name == part:
                archive.writestr(entry.filename, content)
            elif name not in others and name.startswith(
                ("xl/workbook", "xl/sharedstrings", "xl/styles", "xl/_rels/", "_rels/", "[content_types]")
            ):
                archive.writestr(entry.filename, parts.read(name))
    return stream.getvalue()
