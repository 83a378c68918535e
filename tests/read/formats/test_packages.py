"""Workbooks that common programs open and that are not packed as one of them packs: each is read, whole and the same."""

from __future__ import annotations

import datetime
import io
import re
import struct
import zipfile

import openpyxl
import pytest

from grader.problems import Unreadable
from grader.read.child import read_file
from grader.read.formats.compound import Compound
from grader.read.formats.parts import OLE_MAGIC, Refused
from grader.read.formats.workbook import open_file
from grader.read.process import reading_limits
from grader.show_layout import show_layout
from tests.read.conftest import HEADINGS, READING, plain, saved, workbook
from tests.read.formats.test_binary import XLS, records, workbook_stream

LIMITS = reading_limits()


def rows_of(data: bytes, name: str = "v.xlsx") -> dict[str, list[list]]:
    return {sheet.name: sheet.rows for sheet in open_file(data, name, LIMITS).sheets}


def parts_of(data: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def packed(parts: dict[str, bytes]) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    return stream.getvalue()


def dated() -> bytes:
    """A workbook with a date of the 1904 system, a text, an error, a percent format and a hidden sheet."""
    book = openpyxl.load_workbook(io.BytesIO(plain((1, 2))))
    book.epoch = openpyxl.utils.datetime.CALENDAR_MAC_1904
    sheet = book["Readings"]
    sheet["L1"], sheet["L2"] = "Test date", datetime.datetime(2026, 3, 14)
    sheet["F3"] = "#N/A"
    sheet["H2"], sheet["H2"].number_format = 0.0006, "0.00%"
    other = book.create_sheet("Old & <new>")
    other["B2"], other.sheet_state = "x", "hidden"
    return saved(book)


def elsewhere(parts: dict[str, bytes]) -> dict[str, bytes]:
    """Everything beside everything else in the root, as the smallest writers pack it."""
    moved_parts = {
        "[Content_Types].xml": parts["[Content_Types].xml"].replace(b"/xl/worksheets/", b"/").replace(b"/xl/", b"/"),
        "_rels/.rels": parts["_rels/.rels"].replace(b"xl/workbook", b"workbook"),
        "_rels/workbook.xml.rels": parts["xl/_rels/workbook.xml.rels"]
        .replace(b"/xl/worksheets/", b"")
        .replace(b"/xl/", b""),
    }
    for name, content in parts.items():
        if name.startswith("xl/") and "_rels" not in name:
            moved_parts[name.rpartition("/")[2]] = content
    return moved_parts


def in_a_folder_of_its_own(parts: dict[str, bytes]) -> dict[str, bytes]:
    made = {name.replace("xl/", "log/"): content for name, content in parts.items()}
    return {name: content.replace(b"xl/", b"log/") for name, content in made.items()}


def in_capitals(parts: dict[str, bytes]) -> dict[str, bytes]:
    return {name if name.startswith(("_rels", "[")) else name.upper(): content for name, content in parts.items()}


def with_a_macro_sheet(parts: dict[str, bytes]) -> dict[str, bytes]:
    """A sheet of the old macro language, a kind that the reading library does not know (named as in others' files)."""
    kind = b"http://schemas.microsoft.com/office/2006/relationships/xlMacrosheet"
    link = b'<Relationship Id="rIdM" Type="%s" Target="macrosheets/sheet1.xml"/>' % kind
    sheet = (
        b'<xm:macrosheet xmlns:xm="http://schemas.microsoft.com/office/excel/2006/main"><sheetData/></xm:macrosheet>'
    )
    made = dict(parts)
    made["xl/_rels/workbook.xml.rels"] = parts["xl/_rels/workbook.xml.rels"].replace(
        b"</Relationships>", link + b"</Relationships>"
    )
    listed = re.sub(
        rb"<sheets>",
        b'<sheets><sheet xmlns:r="http://schemas.openxmlformats.org/officeDocument/2006/relationships" '
        b'name="Macro1" sheetId="99" r:id="rIdM"/>',
        parts["xl/workbook.xml"],
    )
    return {**made, "xl/workbook.xml": listed, "xl/macrosheets/sheet1.xml": sheet}


def with_a_module(parts: dict[str, bytes]) -> dict[str, bytes]:
    """A sheet in the list that names no part: what is left of a program's module."""
    listed = parts["xl/workbook.xml"].replace(
        b"</sheets>",
        b'<sheet xmlns:r="http://schemas.openxmlformats.org/officeDocument/2006/relationships" '
        b'name="Module" sheetId="98" r:id=""/></sheets>',
    )
    return {**parts, "xl/workbook.xml": listed}


def strictly(parts: dict[str, bytes]) -> dict[str, bytes]:
    """With the names of the strict variant of the format (ISO/IEC 29500-1)."""
    return {
        name: content.replace(
            b"http://schemas.openxmlformats.org/spreadsheetml/2006/main",
            b"http://purl.oclc.org/ooxml/spreadsheetml/main",
        ).replace(
            b"http://schemas.openxmlformats.org/officeDocument/2006/relationships",
            b"http://purl.oclc.org/ooxml/officeDocument/relationships",
        )
        for name, content in parts.items()
    }


@pytest.mark.parametrize(
    "change", [elsewhere, in_a_folder_of_its_own, in_capitals, with_a_macro_sheet, with_a_module, strictly]
)
def test_a_workbook_packed_unusually_is_read_the_same(change):
    data = dated()
    sheets = {s.name: s for s in open_file(packed(change(parts_of(data))), "v.xlsx", LIMITS).sheets}
    plainly = {s.name: s for s in open_file(data, "v.xlsx", LIMITS).sheets}
    assert sheets.keys() == plainly.keys() == {"Readings", "Old & <new>"}
    for name, sheet in plainly.items():
        again = sheets[name]
        assert (again.rows, again.hidden, again.percents) == (sheet.rows, sheet.hidden, sheet.percents)
    assert sheets["Readings"].rows[2][5] == Unreadable("#N/A", "error")
    assert sheets["Readings"].rows[1][11] == datetime.date(2026, 3, 14)
    assert sheets["Readings"].percents == {(1, 7)}


def test_a_workbook_with_a_chart_sheet_is_read_for_its_worksheets():
    book = openpyxl.load_workbook(io.BytesIO(plain((1, 2))))
    chart = openpyxl.chart.BarChart()
    chart.add_data(openpyxl.chart.Reference(book["Readings"], min_col=6, min_row=1, max_row=3), titles_from_data=True)
    book.create_chartsheet("Chart", 0).add_chart(chart)
    assert list(rows_of(saved(book))) == ["Readings"]


def test_the_document_that_the_package_names_is_read_and_no_other():
    """A part where the workbook lies by custom, and another that the package names: programs open the other."""
    parts = in_a_folder_of_its_own(parts_of(plain((7,))))
    decoy = {name: content for name, content in parts_of(plain((1, 2))).items() if name.startswith("xl/")}
    rows = rows_of(packed({**decoy, **parts}))["Readings"]
    assert [row[0] for row in rows] == [HEADINGS[0], 7]


def test_a_document_that_is_no_workbook_is_told_as_such():
    parts = {
        "_rels/.rels": parts_of(plain())["_rels/.rels"].replace(b"xl/workbook.xml", b"word/document.xml"),
        "word/document.xml": b"<w:document/>",
    }
    with pytest.raises(Refused) as caught:
        open_file(packed(parts), "v.xlsx", LIMITS)
    assert caught.value.code == "not_a_workbook"


def test_a_sheet_whose_part_is_missing_is_still_damage():
    parts = parts_of(plain())
    del parts["xl/worksheets/sheet1.xml"]
    with pytest.raises(Refused) as caught:
        open_file(packed(parts), "v.xlsx", LIMITS)
    assert (caught.value.code, "missing" in caught.value.params["what"]) == ("damaged", True)


# ------------------------------------------------------------------------------------------------ old workbooks


def alone(name: str, content: bytes) -> bytes:
    """A compound file that holds this stream and nothing else ([MS-CFB] 2.2 to 2.6; version 4: sectors of 4096 bytes).

    The reading library wants a sector named for the mini stream, though it has no bytes.
    """
    sector = 4096
    content = content.ljust(4096, b"\x00")
    filled = -(-len(content) // sector)
    tables = next(n for n in range(1, 109 + 1) if n * sector // 4 >= n + 1 + filled)
    chain = [*range(tables + 2, tables + 1 + filled), 0xFFFFFFFE]
    fat = [0xFFFFFFFD] * tables + [0xFFFFFFFE, *chain]
    fat += [0xFFFFFFFF] * (tables * sector // 4 - len(fat))
    difat = [*range(tables), *[0xFFFFFFFF] * (109 - tables)]
    version = (0x3E, 4, 0xFFFE, 12, 6)  # minor, major, order of bytes, powers of 2 of both sectors
    counts = (1, tables, tables, 0, 4096)  # sectors of the directory and of the FAT, where the directory begins
    header = struct.pack("<8s16x5H6x9I", OLE_MAGIC, *version, *counts, 0xFFFFFFFE, 0, 0xFFFFFFFE, 0)
    root = _entry("Root Entry", 5, 1, tables + 1, 0)
    own = _entry(name, 2, 0xFFFFFFFF, tables + 1, len(content))
    unused = bytes(66) + struct.pack("<BB3I", 0, 0, *[0xFFFFFFFF] * 3) + bytes(48)
    return b"".join(
        (
            (header + _packed(difat)).ljust(sector, b"\x00"),
            _packed(fat),
            root + own + unused * (sector // 128 - 2),
            content.ljust(filled * sector, b"\x00"),
        )
    )


def _entry(name: str, kind: int, child: int, first: int, size: int) -> bytes:
    text = name.encode("utf-16-le")
    siblings = struct.pack("<HBB3I", len(text) + 2, kind, 1, 0xFFFFFFFF, 0xFFFFFFFF, child)
    return text.ljust(64, b"\x00") + siblings + bytes(36) + struct.pack("<IQ", first, size)


def _packed(numbers: list[int]) -> bytes:
    return struct.pack(f"<{len(numbers)}I", *numbers)


def embedding(own: bytes, other: bytes) -> bytes:
    """An old workbook with another in a storage of it, whose entry comes first ([MS-CFB] 2.6)."""
    sector, host = 4096, bytearray(alone("Workbook", own))
    at = len(host) // sector - 1  # the first new sector
    other = other.ljust(4096, b"\x00")
    filled = -(-len(other) // sector)
    for n in range(filled):
        struct.pack_into("<I", host, sector + 4 * (at + n), at + n + 1 if n + 1 < filled else 0xFFFFFFFE)
    directory = sector * (1 + struct.unpack_from("<I", host, 48)[0])
    entries = [bytearray(host[directory + 128 * n : directory + 128 * (n + 1)]) for n in range(2)]
    inner, storage = bytearray(entries[1]), bytearray(entries[1])
    struct.pack_into("<IQ", inner, 116, at, len(other))
    storage[:66] = "MBD00A1".encode("utf-16-le").ljust(64, b"\x00") + struct.pack("<H", 16)
    storage[66] = 1  # a storage
    struct.pack_into("<I", storage, 76, 1)  # its child
    struct.pack_into("<IQ", storage, 116, 0, 0)
    struct.pack_into("<I", entries[1], 68, 2)  # its sibling
    struct.pack_into("<I", entries[0], 76, 3)
    for n, entry in enumerate((entries[0], inner, storage, entries[1])):
        host[directory + 128 * n : directory + 128 * (n + 1)] = entry
    return bytes(host) + other.ljust(filled * sector, b"\x00")


def renamed(stream: bytes) -> bytes:
    """The stream with its first sheet under another name of as many letters."""
    at = next(start for number, start, _ in records(stream) if number == 0x85)
    length = stream[at + 6]
    return stream[: at + 8] + b"X" * length + stream[at + 8 + length :]


def test_a_workbook_embedded_in_another_is_not_taken_for_it():
    own = workbook_stream()
    data = embedding(own, renamed(own))
    assert len(Compound(data).others) == 1
    assert rows_of(data, "v.xls") == rows_of(XLS, "v.xls")
    assert "X" * 8 in rows_of(embedding(renamed(own), own), "v.xls")


def test_a_stream_alone_is_read_as_in_its_file():
    """LibreOffice opens such a file as well (tried by hand)."""
    assert rows_of(alone("Workbook", workbook_stream()), "v.xls") == rows_of(XLS, "v.xls")


def test_the_name_of_the_stream_may_be_in_capitals():
    name = "Workbook".encode("utf-16-le")
    data = XLS.replace(name, "WORKBOOK".encode("utf-16-le"), 1)
    assert data != XLS and rows_of(data, "v.xls") == rows_of(XLS, "v.xls")


def test_a_large_stream_alone_has_more_than_one_sector_of_table():
    content = bytes(range(256)) * 20_000  # 5 MB
    assert Compound(alone("Workbook", content)).stream("WORKBOOK") == content


# --------------------------------------------------------------------------------------- cost without a table


def test_blank_rows_of_a_long_sheet_are_left_out_and_keep_their_numbers():
    book = openpyxl.Workbook()
    for row in [HEADINGS, (1, *READING), (2, *READING)]:
        book.active.append(row)
    book.active["A5000"] = 3
    for column, value in enumerate(READING, start=2):
        book.active.cell(5000, column, value)
    book.active["F4000"] = "=1/0"  # of which the library shows nothing
    [sheet] = open_file(saved(book), "v.xlsx", LIMITS).sheets
    assert sheet.numbers == [0, 1, 2, 3, 3999, 4999]
    assert sheet.rows[4][5] == Unreadable("=1/0", "formula") and sheet.rows[-1][0] == 3


def test_a_label_a_thousand_times_over_costs_nothing(tmp_path):
    """It doubled a text each time, to 4 GB."""
    rows = [["Site", f"Works {n}", "Date", "2026-03-14"] for n in range(300)]
    path = tmp_path / "list.xlsx"
    path.write_bytes(workbook({"List": rows}))
    reply = read_file(str(path), LIMITS)
    assert reply.code == "no_readings_sheet"


def test_a_file_without_a_table_says_what_was_looked_for(tmp_path):
    path = tmp_path / "stock.xlsx"
    path.write_bytes(workbook({"Stock": [["Part", "Quantity"], ["Seal", 12], ["Filter", 3]]}))
    lines = "\n".join(show_layout(path).lines)
    assert "No table of breathing-air tests was found; grader layout FILE shows what was looked for." in lines
    assert "Looked for on every sheet" in lines and "Oxygen (%), Carbon monoxide (ppm)" in lines
