"""One sheet's XML written anew where the fast reader would stumble over it or lay out millions of empty cells.

`written_anew` leaves out the rows without content, so that a stray cell in the last row costs nothing, and the cells that
the fast reader refuses a whole workbook for (newer error values, a number that is none), which the caller shows as
unreadable. `plainly_packed` puts such a sheet, or all of them, into a workbook of their own.
"""

from __future__ import annotations

import html
import io
import re
import zipfile
from xml.etree.ElementTree import tostring

from grader.problems import a1
from grader.read.formats.package import Book
from grader.read.formats.scan import cells_of

_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")


def _in_quotes(text: str) -> str:
    """A text as the value of an attribute, an end of line as itself."""
    return re.sub(r"[\n\r\t]", lambda sign: f"&#{ord(sign[0])};", html.escape(text))


def written_anew(book: Book, name: str) -> tuple[bytes, list[int], dict[tuple[int, int], tuple[str, str]]]:
    """A sheet with its rows of content alone, one below the other, in the plainest XML.

    Returns : its XML; the 0-based sheet row of each row; the cells whose value no reader could use, which are left out:
              0-based place on the sheet -> (shown, why). Merged ranges and whatever else stands behind the cells go, too.
    """
    left_out: dict[tuple[int, int], tuple[str, str]] = {}
    rows: dict[int, list[tuple[int, bytes]]] = {}
    for row, column, cell in cells_of(book.sheet(name), book.sheets[name]):
        for element in cell.iter():
            element.tag = element.tag.rpartition("}")[2]
        if not any(child.tag in ("v", "f", "is") for child in cell):
            continue  # a format without content
        cells = rows.setdefault(row, [])
        value, kind = (cell.findtext("v") or "").strip(), cell.get("t", "n")
        if kind == "e" or kind == "n" and value and not _NUMBER.fullmatch(value):
            left_out[row, column] = (value[:200] or "error", "error" if kind == "e" else "number")
            continue
        cell.attrib.pop("r", None)
        cell.tail = None
        cells.append((column, tostring(cell).removeprefix(b"<c")))
    made = [b"<worksheet><sheetData>"]
    for position, (_, cells) in enumerate(sorted(rows.items())):
        inner = b"".join(b'<c r="%s"%s' % (a1(position, column).encode(), rest) for column, rest in cells)
        made.append(b'<row r="%d">%s</row>' % (position + 1, inner))
    return b"".join([*made, b"</sheetData></worksheet>"]), sorted(rows), left_out


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
