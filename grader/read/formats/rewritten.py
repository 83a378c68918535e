"""One sheet's XML written anew where the fast reader would stumble over it or lay out millions of empty cells.

`closed_up` leaves out the rows without content, so that a stray cell in the last row costs nothing; `mended` leaves
out the cells that the fast reader refuses a whole workbook for (newer error values, a number that is none), which the
caller shows as unreadable. Both understand the plain XML that spreadsheet programs write, which `plainly_written` makes of
any other. `plainly_packed` puts such a sheet, or all of them, into a workbook of their own.
"""

from __future__ import annotations

import html
import io
import re
import zipfile
from xml.etree.ElementTree import tostring

from grader.read.formats.package import Book
from grader.read.formats.parts import tree
from grader.read.formats.scan import is_plain
from grader.read.shapes.tables import place_of

_ROW_NUMBER = re.compile(rb'[^>]*?\br="([0-9]{1,9})"')
_CELL_ROW = re.compile(rb'(<c [^>]*?\br="[A-Za-z]{1,3})[0-9]+"')
_CELL = re.compile(rb"<c ([^>]*)(?<!/)>(.*?)</c>", re.DOTALL)
_KIND = re.compile(rb'\bt="([^"]*)"')
_PLACE = re.compile(rb'\br="([A-Za-z]{1,3}[0-9]{1,7})"')
_VALUE = re.compile(rb"<v(?: [^>]*)?>([^<]*)</v>")
_NUMBER = re.compile(rb"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_CONTENT = (b"<v", b"<f", b"<is")
_DIMENSION = re.compile(rb"<dimension [^>]*>(?:</dimension>)?")


def _in_quotes(text: str) -> str:
    """A text as the value of an attribute, an end of line as itself."""
    return re.sub(r"[\n\r\t]", lambda sign: f"&#{ord(sign[0])};", html.escape(text))


def plainly_written(book: Book, name: str) -> bytes:
    """A sheet's XML as searches over its bytes understand it; as it is where it is plain already."""
    content = book.sheet(name)
    if is_plain(content):
        return content
    root = tree(content, book.sheets[name])
    for element in root.iter():
        element.tag = element.tag.rpartition("}")[2]
    return tostring(root)


def closed_up(content: bytes) -> tuple[bytes, list[int]]:
    """The sheet with its rows of content alone, one below the other: its XML, and the 0-based sheet row of each row.

    content : bytes of the part, plain. Merged ranges and whatever else stands behind the cells are left out.
    """
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
    return b"".join(made), [number - 1 for number in numbers]


def mended(content: bytes) -> tuple[bytes, dict[tuple[int, int], tuple[str, str]]] | None:
    """The sheet without the cells whose value no reader could use, and these: 0-based place -> (shown, why).

    content : plain XML. None where a cell has no address.
    """
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
        left_out[place_of(place[1].decode()) or (0, 0)] = (shown, why)
        return b""

    made = _CELL.sub(look, content)
    return None if unplaced else (made, left_out)


_MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_PACKAGE = "http://schemas.openxmlformats.org/package/2006/relationships"


def plainly_packed(book: Book, only: str = "", content: bytes = b"") -> bytes:
    """A workbook of the same worksheets, styles and texts, its parts where they lie by custom, with what the fast reader needs.

    For a reader that stumbles over macro sheets, names in capitals or parts in other places.
    only : name of one sheet that is wanted alone, `content` in the place of its part.
    """
    held = dict.fromkeys([only], content) if only else {sheet: book.sheet(sheet) for sheet in book.sheets}
    packed = [(f"worksheets/sheet{n}.xml", "worksheet", sheet) for n, sheet in enumerate(held.values(), start=1)]
    packed += [(f"{kind}.xml", kind, book.parts.read(part)) for kind, part in
               (("styles", book.styles), ("sharedStrings", book.strings)) if part]  # fmt: skip
    sheets = "".join(
        f'<sheet name="{_in_quotes(name)}" sheetId="{n}" state="{_in_quotes(book.states[name])}" r:id="rId{n}"/>'
        for n, name in enumerate(held, start=1)
    )
    workbook = (
        f'<workbook xmlns="{_MAIN}" xmlns:r="{_OFFICE}"><workbookPr date1904="{int(book.from_1904)}"/>'
        f"<sheets>{sheets}</sheets></workbook>"
    )
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_STORED) as archive:
        archive.writestr("_rels/.rels", _related([("xl/workbook.xml", "officeDocument")]))
        archive.writestr("xl/workbook.xml", workbook)
        archive.writestr("xl/_rels/workbook.xml.rels", _related([(part, kind) for part, kind, _ in packed]))
        for part, _, bytes_of_part in packed:
            archive.writestr(f"xl/{part}", bytes_of_part)
    return stream.getvalue()


def _related(targets: list[tuple[str, str]]) -> str:
    lines = "".join(
        f'<Relationship Id="rId{n}" Type="{_OFFICE}/{kind}" Target="{target}"/>'
        for n, (target, kind) in enumerate(targets, start=1)
    )
    return f'<Relationships xmlns="{_PACKAGE}">{lines}</Relationships>'
