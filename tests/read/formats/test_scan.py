"""The scan before reading: what is refused, and which cells it says the reading library would hide."""

import io
import random
import struct
import zipfile

import openpyxl
import pytest
from openpyxl.styles import Alignment

from grader.read.formats.number_format import is_percent, prints_a_unit, prints_another
from grader.read.formats.parts import Parts, Refused
from grader.read.formats.scan import scan_sheet, scan_workbook
from grader.read.formats.styles import Styles
from grader.read.formats.workbook import open_file
from grader.read.process import reading_limits

LIMITS = reading_limits()


def scan_of(data, **limits):
    limits = {**LIMITS, **limits}
    return scan_workbook(Parts(data, limits), limits)


def code_of(data, **limits):
    with pytest.raises(Refused) as caught:
        open_file(data, "v.xlsx", {**LIMITS, **limits})
    return caught.value.code


def test_a_plain_workbook_is_cleared_without_parsing_its_cells(books):
    scan = scan_of(books.plain())
    assert scan.format == "xlsx"
    assert scan.sheets["Readings"].cells is None
    assert scan.sheets["Readings"].unreadable == {}


def test_an_empty_file_is_refused():
    assert code_of(b"") == "file_empty"


def test_a_text_file_with_a_workbooks_name_is_refused():
    assert code_of(b"Outlet;Oxygen\n1;20.9\n") == "not_a_workbook"


def test_a_zip_that_is_no_workbook_is_refused():
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        archive.writestr("word/document.xml", "<x/>")
    assert code_of(stream.getvalue()) == "not_a_workbook"


def test_a_workbook_with_a_password_is_told_from_a_broken_one():
    """Both begin with the compound file signature D0CF11E0A1B11AE1 ([MS-CFB] 2.2)."""
    head = bytes.fromhex("d0cf11e0a1b11ae1") + bytes(504)
    assert code_of(head + "EncryptedPackage".encode("utf-16-le")) == "encrypted"
    assert code_of(head + "Workbook".encode("utf-16-le")) == "damaged"


@pytest.mark.parametrize("share", [0.3, 0.9, 0.99])
def test_a_truncated_workbook_is_refused(books, share):
    data = books.plain()
    assert code_of(data[: int(len(data) * share)]) == "truncated"


def test_a_changed_byte_in_a_sheet_is_seen(books):
    data = bytearray(books.plain())
    with zipfile.ZipFile(io.BytesIO(bytes(data))) as archive:
        start = archive.getinfo(books.SHEET).header_offset
    data[start + 200] ^= 0xFF
    assert code_of(bytes(data)) == "damaged"


def test_a_part_that_unpacks_too_far_is_refused_at_both_limits(books):
    data = books.changed(books.plain(), books.SHEET, lambda content: content + b" " * 200_000)
    assert code_of(data, part_bytes=100_000, part_ratio=20) == "bomb"
    assert scan_of(data, part_bytes=100_000, part_ratio=10_000).format == "xlsx"
    assert scan_of(data, part_bytes=10_000_000, part_ratio=20).format == "xlsx"
    assert code_of(data, part_bytes_hard=100_000) == "bomb"


def test_a_bomb_of_sixty_megabytes_is_refused_at_the_shipped_limits(books):
    data = books.changed(books.plain(), books.SHEET, lambda content: content + b" " * 60_000_000)
    assert len(data) < 200_000
    assert code_of(data) == "bomb"


def test_a_part_that_declares_less_than_it_holds_is_refused(books):
    data = bytearray(books.changed(books.plain(), books.SHEET, lambda content: content + b" " * 200_000))
    with zipfile.ZipFile(io.BytesIO(bytes(data))) as archive:
        size = archive.getinfo(books.SHEET).file_size
    for at in [i for i in range(len(data) - 4) if data[i : i + 4] == struct.pack("<I", size)]:
        data[at : at + 4] = struct.pack("<I", 1000)
    assert code_of(bytes(data)) == "bomb"


def test_a_part_that_is_there_twice_is_refused(books):
    stream = io.BytesIO(books.plain())
    with zipfile.ZipFile(stream, "a") as archive:
        archive.writestr(books.SHEET.upper(), "<worksheet/>")
    assert code_of(stream.getvalue()) == "damaged"


@pytest.mark.parametrize(
    "part",
    [
        "xl/worksheets/sheet1.xml",
        "xl/workbook.xml",
        "xl/styles.xml",
        "docProps/core.xml",
        "xl/theme/theme1.xml",
        "[Content_Types].xml",
    ],
)
def test_a_document_type_is_refused_in_any_part(books, part):
    entity = b'<!DOCTYPE a [<!ENTITY b "c">]>'
    assert code_of(books.changed(books.plain(), part, lambda content: entity + content)) == "doctype"


def test_errors_and_formulas_without_a_value_are_found(books):
    data = books.workbook({"Readings": [books.HEADINGS, ["1", None, None, None, 6, "#DIV/0!", "=1+1"]]})
    found = scan_of(data).sheets["Readings"].unreadable
    assert found == {(1, 5): ("#DIV/0!", "error"), (1, 6): ("=1+1", "formula")}


def test_the_scan_finds_what_openpyxl_finds(books):
    """openpyxl, read twice (values and formulas), is the independent witness for the scan's addresses."""
    rows = [[None] * 7 for _ in range(30)]
    for i in range(30):
        rows[i][i % 7] = ("=A1*2", "#N/A", 5, "text = 'x'", '="a"&"b"')[i % 5]
    data = books.workbook({"Readings": rows})
    values = openpyxl.load_workbook(io.BytesIO(data), data_only=True)["Readings"]
    formulas = openpyxl.load_workbook(io.BytesIO(data))["Readings"]
    wanted = {
        (c.row - 1, c.column - 1)
        for row in formulas.iter_rows()
        for c in row
        if c.data_type == "e" or (c.data_type == "f" and values[c.coordinate].value is None)
    }
    assert len(wanted) == 18
    assert set(scan_of(data).sheets["Readings"].unreadable) == wanted


def cells(books, xml):
    return scan_of(books.with_rows(books.plain(), xml)).sheets["Readings"].unreadable


def test_formulas_with_a_stored_value_are_readable(books):
    data = books.changed(books.plain(), "xl/workbook.xml", lambda c: c.replace(b' fullCalcOnLoad="1"', b""))
    rows = (
        b'<row r="9"><c r="B9"><f>1+1</f><v>2</v></c><c r="C9"><f t="shared" ref="C9:C10" si="0">A9</f>'
        b'<v>0</v></c></row><row r="10"><c r="C10"><f t="shared" si="0"/><v>3</v></c>'
        b'<c r="D10" t="str"><f>IF(A1="","",1)</f><v></v></c></row>'
    )
    assert scan_of(books.with_rows(data, rows)).sheets["Readings"].unreadable == {}


@pytest.mark.parametrize("recalculated", [False, True])
def test_the_quick_way_finds_what_parsing_the_whole_sheet_finds(books, recalculated):
    """Random sheets, each scanned twice: a comment in the XML sends the second through the parser whole."""
    pieces = [
        '<c r="{a}"><v>1</v></c>',
        '<c r="{a}" s="1"><v>0.5</v></c>',
        '<c r="{a}" s="1"/>',
        '<c r="{a}" t="e" s="1"><v>#N/A</v></c>',
        '<c r="{a}"><f>B1&lt;2</f><v>3</v></c>',
        '<c r="{a}" s="2"><v>5</v></c>',
        '<c r="{a}"><f>A1</f><v>0</v></c>',
        '<c r="{a}"/>',
        '<c r="{a}"><f t="x"/></c>',
        '<c s="1" t="str" r="{a}"><f>A1</f><v></v></c>',
        '<c r="{a}"><f>A1</f><v/></c>',
        '<c r="{a}" t="inlineStr"><is><t>&lt;f&gt; "e" t="e"</t></is></c>',
    ]
    styles = Styles(frozenset({1}), {2: '"<"0'})
    chance = random.Random(5)
    hits = 0
    for _ in range(300):
        rows = [
            f'<row r="{r}">' + "".join(chance.choice(pieces).format(a=f"{c}{r}") for c in "ABC") + "</row>"
            for r in range(1, 1 + chance.randrange(5))
        ]
        xml = ("<worksheet><sheetData>" + "".join(rows) + "</sheetData></worksheet>").encode()
        quick = scan_sheet(xml, styles, LIMITS, recalculated)
        whole = scan_sheet(xml + b"<!-- -->", styles, LIMITS, recalculated)
        assert (quick.unreadable, quick.percents) == (whole.unreadable, whole.percents)
        assert quick.cells is None and whole.cells is not None
        hits += len(whole.unreadable) + len(whole.percents)
    assert hits > 500


def test_a_nought_beside_a_formula_that_was_never_worked_out_is_no_reading(books):
    """Some writers store 0 beside each formula and ask for the sum on opening (fullCalcOnLoad)."""
    assert cells(books, b'<row r="9"><c r="G9"><f>A1</f><v>0</v></c></row>') == {(8, 6): ("=A1", "formula")}


@pytest.mark.parametrize(
    "cell",
    [
        b'<c r="G9" t="e"><v>#REF!</v></c>',
        b"<c r='G9' t='e'><v>#REF!</v></c>",
        b'<c t = "e" r="G9"><v>#REF!</v></c>',
        b'<c t="e" r="g9"><!-- x --><v>#REF!</v></c>',
        b'<c r="G9" t="e"><v><![CDATA[#REF!]]></v></c>',
    ],
)
def test_an_error_is_found_however_the_xml_is_written(books, cell):
    assert cells(books, b'<row r="9">' + cell + b"</row>") == {(8, 6): ("#REF!", "error")}


def test_an_error_is_found_where_elements_have_a_prefix_and_cells_no_address(books):
    sheet = (
        b'<x:worksheet xmlns:x="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><x:sheetData>'
        b'<x:row><x:c><x:v>1</x:v></x:c></x:row><x:row><x:c/><x:c t="e"><x:v>#N/A</x:v></x:c></x:row>'
        b"</x:sheetData></x:worksheet>"
    )
    data = books.changed(books.plain(), books.SHEET, lambda content: sheet)
    assert scan_of(data).sheets["Readings"].unreadable == {(1, 1): ("#N/A", "error")}


@pytest.mark.parametrize("address", ["A0", "XFE1", "A1048577", "ABCD1", "A99999999", "1", "A"])
def test_a_cell_outside_any_sheet_is_refused(books, address):
    xml = f'<row r="9"><c r="{address}" t="e"><v>#N/A</v></c></row>'.encode()
    assert code_of(books.with_rows(books.plain(), xml)) == "damaged"


def test_percent_formats_are_found_only_where_the_cell_has_a_number(books):
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append([0.209, 0.0006, "text", None, 5])
    for column, code in enumerate(["0.0%", "0%", "0%", "0%", '0"%"'], start=1):
        sheet.cell(1, column).number_format = code
    sheet.cell(2, 1, 0.5).alignment = Alignment(wrap_text=True)
    assert scan_of(books.saved(book)).sheets["Sheet"].percents == {(0, 0), (0, 1)}


def test_a_number_format_that_prints_a_bound_makes_the_cell_unreadable(books):
    book = openpyxl.Workbook()
    book.active["B2"] = 5
    book.active["B2"].number_format = '">"0.0'
    found = scan_of(books.saved(book)).sheets["Sheet"].unreadable
    assert found == {(1, 1): ('5 shown as ">"0.0', "format")}


def test_number_formats_are_understood_past_quotes_and_conditions():
    assert is_percent("[Red]0.00%;-0%") and not is_percent('0.0" % vol"') and not is_percent("0_%")
    assert prints_another("<0.0") and not prints_another("[>=100]0;0.0") and not prints_another("yyyy-mm-dd")
    assert not prints_another('_-* #,##0.00_-;-* #,##0.00_-;_-* "-"??_-;_-@_-') and not prints_another("0.0;[Red]-0.0")
    assert prints_a_unit('0.0" mg/m³"') and not prints_a_unit('0" bad"')


def test_what_a_format_prints_is_what_is_read(books):
    book = openpyxl.Workbook()
    for row, code in enumerate(['0" mg/m³"', '"P"0', '0" bad"', '0"0"', ";;;", "0,", "0.0", '0;-0;"-"'], start=1):
        book.active.cell(row, 1, 5).number_format = code
    book.active["A9"], book.active["A9"].number_format = 0, '0;-0;"-"'
    for row, (value, code) in enumerate([(-40, "0;0"), (50, '"ND"'), (50, '0" ppb"')], start=10):
        book.active.cell(row, 1, value).number_format = code
    (sheet,) = open_file(books.saved(book), "log.xlsx", reading_limits()).sheets
    cells = [row[0] for row in sheet.rows]
    assert cells[:3] == ["5 mg/m³", "P5", "5 bad"] and cells[6:9] == [5, 5, "-"]
    assert [type(cells[i]).__name__ for i in (3, 4, 5, 9, 10, 11)] == ["Unreadable"] * 6


def test_the_furthest_cell_is_that_of_the_cells_not_of_the_dimension_tag(books):
    data = books.changed(books.plain(), books.SHEET, lambda c: c.replace(b'ref="A1:K3"', b'ref="A1:XFD1048576"'))
    scan = scan_of(data).sheets["Readings"]
    assert (scan.last_row, scan.cells) == (2, None)
    data = books.with_rows(data, b'<row r="1048576"><c r="XFD1048576"><v>1</v></c></row>')
    far = scan_of(data).sheets["Readings"]
    assert (far.last_row, far.last_column, far.cells) == (1_048_575, 16_383, 11 + 2 * 10 + 1)


def test_own_products_are_known_by_their_property(books):
    book = openpyxl.Workbook()
    book.custom_doc_props.append(openpyxl.packaging.custom.StringProperty(name="grader-kind", value="result"))
    assert scan_of(books.saved(book)).kind == "result"
    assert scan_of(books.plain()).kind == ""


@pytest.mark.parametrize("old, new", [(b"</row>", b"</rov>"), (b"</c>", b"</d>"), (b"</v>", b"</w>"), (b"</row>", b"")])
def test_xml_that_does_not_close_what_it_opens_is_damaged(books, old, new):
    """The fast reader takes it without a word, and may take the wrong cells."""
    assert code_of(books.changed(books.plain(), books.SHEET, lambda c: c.replace(old, new, 1))) == "damaged"
