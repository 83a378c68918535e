"""Binary workbooks: .xls in its container, .xlsb in its zip; what the reading library hides in them."""

import io
import struct
import zipfile
from pathlib import Path

import pytest
import python_calamine

from grader.problems import Problems, Unreadable
from grader.read.find import find_workbooks
from grader.read.formats.binary import scan_xls
from grader.read.formats.compound import Compound
from grader.read.formats.parts import Refused
from grader.read.formats.product import kind_of_old
from grader.read.formats.workbook import open_file
from grader.read.process import read_workbooks, reading_limits

LIMITS = reading_limits()
BOOKS = Path(__file__).parents[2] / "workbooks"
XLS, XLSB = (BOOKS / "hidden.xls").read_bytes(), (BOOKS / "plain.xlsb").read_bytes()


def opened(data, name="v.xls", **limits):
    return list(open_file(data, name, {**LIMITS, **limits}).sheets)


def code_of(data, **limits):
    with pytest.raises(Refused) as caught:
        opened(data, **limits)
    return caught.value.code


def log_of(folder, name, data):
    (folder / name).write_bytes(data)
    return read_workbooks(find_workbooks(folder / name, Problems()), Problems())


# -- .xls ------------------------------------------------------------------------------------------------


def workbook_stream():
    return Compound(XLS).stream("Workbook")


def records(stream):
    """(number, start, size) of every record, in the order of the stream."""
    at, found = 0, []
    while at + 4 <= len(stream):
        number, size = struct.unpack_from("<HH", stream, at)
        found.append((number, at + 4, size))
        at += 4 + size
    return found


def test_an_old_workbook_of_libreoffice_gives_its_values_errors_and_formats():
    """hidden.xlsx, from which it was saved, says what must be in it."""
    readings, old = opened(XLS)
    assert readings.rows[1][6:10] == [
        Unreadable("#DIV/0!", "error"),
        0.1,
        0.0006,
        Unreadable("a number shown as \\<0", "format"),
    ]
    assert [readings.rows[2][c] for c in (6, 7)] == [Unreadable("#N/A", "error"), Unreadable("#NAME?", "error")]
    assert readings.rows[2][3:6] == [True, 20.9, "<3"]
    assert readings.rows[3][7] == Unreadable("#REF!", "error")
    assert readings.percents == {(1, 8), (3, 4)}
    assert readings.rows[7][0] == "Tür 8" and readings.rows[7][4:8] == [20.8] * 4
    assert (old.name, old.hidden, old.rows) == ("Old", True, [["Outlet", "Oxygen (%)"], [1, 20.9]])


def test_the_scan_reaches_as_far_as_the_library_sees():
    book = python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(XLS))
    scans = scan_xls(workbook_stream(), LIMITS)
    assert [(s.last_row, s.last_column) for s in scans] == [book.get_sheet_by_name(n).end for n in book.sheet_names]


def test_an_old_workbook_through_the_reading_process(tmp_path):
    log = log_of(tmp_path, "log.xls", XLS)
    assert log.files.loc[0, ["format", "state", "rows_found", "not_seen"]].tolist() == [
        "xls",
        "read",
        5,
        "comments on cells, cells struck through, text boxes",
    ]
    assert log.rows["co2_ppm"][0] == Unreadable("#DIV/0!", "error")
    assert log.rows["water_mg_m3"][0] == Unreadable("0.06%", "percent")


def test_a_formula_whose_zero_was_never_worked_out_is_unreadable():
    """Flag fAlwaysCalc of record Formula ([MS-XLS] 2.4.127): set by writers that cannot calculate."""
    stream = bytearray(workbook_stream())
    number, at, _ = next(r for r in records(stream) if r[0] == 0x06 and stream[r[1] + 12 : r[1] + 14] != b"\xff\xff")
    place = struct.unpack_from("<HH", stream, at)
    assert place not in scan_xls(bytes(stream), LIMITS)[0].unreadable
    struct.pack_into("<d", stream, at + 6, 0.0)
    assert place not in scan_xls(bytes(stream), LIMITS)[0].unreadable
    stream[at + 14] |= 1
    assert scan_xls(bytes(stream), LIMITS)[0].unreadable[place] == ("a formula", "formula")


def test_a_row_of_packed_numbers_is_looked_through():
    """MulRk ([MS-XLS] 2.4.175): row, first column, pairs of style and number, last column."""
    stream = workbook_stream()
    percent = next(
        struct.unpack_from("<H", stream, at + 4)[0]
        for number, at, _ in records(stream)
        if number in (0x0203, 0x027E) and struct.unpack_from("<HH", stream, at) == (1, 8)
    )
    packed = struct.pack("<HH", 7, 3) + struct.pack("<HI", percent, 6) * 3 + struct.pack("<H", 5)
    at = next(at for number, at, _ in records(stream) if number == 0x0200)
    stream = stream[: at - 4] + struct.pack("<HH", 0xBD, len(packed)) + packed + stream[at - 4 :]
    scan = scan_xls(moved(stream, at, 4 + len(packed)), LIMITS)[0]
    assert scan.percents >= {(7, 3), (7, 4), (7, 5)} and scan.last_row == 7


def moved(stream, at, size):
    """The stream with the starts of sheets behind `at` set right again."""
    changed = bytearray(stream)
    for number, start, _ in records(stream):
        if number == 0x85:
            old = struct.unpack_from("<I", stream, start)[0]
            struct.pack_into("<I", changed, start, old + size if old >= at else old)
    return bytes(changed)


def test_a_password_an_older_version_and_cut_records_are_refused():
    stream = workbook_stream()
    end = 4 + struct.unpack_from("<H", stream, 2)[0]
    locked = stream[:end] + struct.pack("<HHH", 0x2F, 2, 1) + stream[end:]
    older = stream[:4] + struct.pack("<H", 0x0500) + stream[6:]
    for changed, code in (
        (locked, "encrypted"),
        (older, "format_not_read"),
        (stream[:-30], "truncated"),
        (b"", "damaged"),
    ):
        with pytest.raises(Refused) as caught:
            scan_xls(changed, LIMITS)
        assert caught.value.code == code


def test_sheets_that_are_too_large_together_are_refused():
    assert code_of(XLS, dense_cells=8 * 11 + 3) == "sheet_too_large"
    assert len(opened(XLS, dense_cells=8 * 11 + 4)) == 2


@pytest.mark.parametrize("share", [0.02, 0.2, 0.5, 0.8])
def test_a_cut_old_workbook_is_refused(share):
    assert code_of(XLS[: int(len(XLS) * share)]) in ("truncated", "damaged")


def test_a_table_of_sectors_that_runs_in_a_circle_is_refused():
    data = bytearray(XLS)
    fat = 512 * (1 + struct.unpack_from("<I", data, 76)[0])
    directory = struct.unpack_from("<I", data, 48)[0]
    struct.pack_into("<I", data, fat + 4 * directory, directory)  # a sector that follows itself
    assert code_of(bytes(data)) == "damaged"


def test_another_workbook_embedded_in_it_is_not_mistaken_for_it():
    name = "\x05SummaryInformation".encode("utf-16-le")
    at = XLS.index(name)
    other = "Workbook".encode("utf-16-le")
    data = bytearray(XLS)
    data[at : at + 64] = other.ljust(64, b"\x00")
    struct.pack_into("<H", data, at + 64, len(other) + 2)
    assert code_of(bytes(data)) == "damaged"


def test_an_old_document_that_is_no_workbook():
    at = XLS.index("Workbook".encode("utf-16-le"))
    assert code_of(XLS[:at] + "WordDocu".encode("utf-16-le") + XLS[at + 16 :]) == "not_a_workbook"


def properties(name, value, page=1252):
    """A property set with one custom property ([MS-OLEPS] 2.17 to 2.21), in letters of one byte or (page 1200) of two."""
    codec, wide = ("utf-16-le", 2) if page == 1200 else ("latin-1", 1)
    kind = 0x1F if wide == 2 else 0x1E
    names = struct.pack("<III", 1, 2, len(name) + 1) + (name + "\0").encode(codec)
    names += b"\x00" * (-len(names) % 4)
    coded, text = (
        struct.pack("<Ihh", 2, page, 0),
        struct.pack("<II", kind, len(value) + 1) + (value + "\0").encode(codec),
    )
    first = 8 + 3 * 8
    offsets = (first, first + len(names), first + len(names) + len(coded))
    section = struct.pack("<II", first + len(names) + len(coded) + len(text), 3)
    section += (
        b"".join(struct.pack("<II", key, offset) for key, offset in zip((0, 1, 2), offsets)) + names + coded + text
    )
    custom = bytes.fromhex("05d5cdd59c2e1b10939708002b2cf9ae")
    return struct.pack("<HHI16sI", 0xFFFE, 0, 0, bytes(16), 1) + custom + struct.pack("<I", 48) + section


@pytest.mark.parametrize("page", [1252, 1200])
@pytest.mark.parametrize(
    ("name", "value", "kind"),
    [
        ("grader-kind", "result", "result"),
        ("grader-kind", "record", "result"),  # which of the closed ones makes no difference
        ("grader-kind", "register", "register"),
        ("grader-kind", "no register", "result"),
        ("not grader-kind", "register", ""),
    ],
)
def test_the_kind_of_an_own_product_is_read_from_its_properties(name, value, kind, page):
    assert kind_of_old(properties(name, value, page)) == kind


def test_properties_cut_short_still_say_that_it_is_an_own_product():
    assert kind_of_old(properties("grader-kind", "register")[:110]) == "result"


# -- .xlsb -----------------------------------------------------------------------------------------------


def record(number, content):
    """One record: number and length in groups of seven bits ([MS-XLSB] 2.1.4)."""
    head = bytes([number]) if number < 128 else bytes([number & 0x7F | 0x80, number >> 7])
    length = len(content)
    sized = b""
    while length >= 128:
        sized, length = sized + bytes([length & 0x7F | 0x80]), length >> 7
    return head + sized + bytes([length]) + content


def binary(*records_in_order, data=XLSB, part="xl/worksheets/sheet1.bin"):
    """The .xlsb with records put before the end of its sheet's data (record 146)."""
    stream = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            content = old.read(name)
            if name == part:
                end = content.rindex(b"\x92\x01\x00")
                content = content[:end] + b"".join(records_in_order) + content[end:]
            new.writestr(name, content)
    return stream.getvalue()


def row(number):
    return record(0, struct.pack("<I", number) + bytes(21))


def cell(number, column, value, style=0):
    return record(number, struct.pack("<II", column, style) + value)


def test_a_binary_workbook_of_another_writer_is_read(tmp_path):
    assert opened(XLSB)[0].rows[1][2:] == [20.9, "<5", 0.1]
    log = log_of(tmp_path, "log.xlsb", XLSB)
    assert log.files.loc[0, ["format", "state", "rows_found"]].tolist() == ["xlsb", "read", 2]
    assert "formulas" in log.files["not_seen"][0]
    assert log.rows["oxygen_pct"].tolist() == [20.9, 20]


def test_error_cells_of_a_binary_workbook_are_no_blanks():
    """BrtCellError 3 and BrtFmlaError 11 ([MS-XLSB] 2.3): the library leaves them empty."""
    data = binary(
        row(3),
        cell(2, 0, struct.pack("<I", 12 | 2)),
        cell(3, 2, b"\x2a"),
        cell(11, 3, b"\x07" + bytes(8)),
        cell(5, 4, struct.pack("<d", 0.5)),
    )
    book = python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(data))
    assert book.get_sheet_by_name("Readings").to_python(skip_empty_area=False)[3] == [3, "", "", "", 0.5]
    assert opened(data)[0].rows[3] == [3, "", Unreadable("#N/A", "error"), Unreadable("#DIV/0!", "error"), 0.5]


def test_percent_formats_and_printed_marks_of_a_binary_workbook():
    """BrtFmt 44, BrtXF 47 between 617 and 618."""
    formats = b"".join(
        (
            record(44, struct.pack("<HI", 200, 4) + '"<"0'.encode("utf-16-le")),
            record(617, struct.pack("<I", 3)),
            *(record(47, struct.pack("<HH", 0, n) + bytes(12)) for n in (0, 10, 200)),
            record(618, b""),
        )
    )
    stream = io.BytesIO()
    with (
        zipfile.ZipFile(
            io.BytesIO(binary(row(3), *(cell(5, c, struct.pack("<d", 0.5), style=c) for c in range(3))))
        ) as old,
        zipfile.ZipFile(stream, "w") as new,
    ):
        for name in old.namelist():
            new.writestr(name, formats if name == "xl/styles.bin" else old.read(name))
    sheet = opened(stream.getvalue())[0]
    assert [(3, c) in sheet.percents for c in range(3)] == [False, True, False]
    assert sheet.rows[3][:3] == [0.5, 0.5, Unreadable('a number shown as "<"0', "format")]


def test_a_binary_sheet_that_reaches_too_far_or_nowhere_is_refused():
    number = struct.pack("<d", 1.0)
    assert code_of(binary(row(1_048_575), cell(5, 16_383, number))) == "sheet_too_large"
    assert code_of(binary(row(1_048_576), cell(5, 0, number))) == "damaged"
    assert code_of(binary(row(3), cell(5, 16_384, number))) == "damaged"
    assert code_of(binary(row(3), record(13, bytes(8)))) == "damaged"  # a cell without its column
    assert code_of(binary(record(5, bytes(3))[:2])) == "damaged"


def test_own_products_saved_as_binary_workbooks_are_passed_over():
    stream = io.BytesIO(XLSB)
    with zipfile.ZipFile(stream, "a") as archive:
        archive.writestr(
            "docProps/custom.xml",
            '<Properties><property name="grader-kind"><lpwstr>record</lpwstr></property></Properties>',
        )
    assert open_file(stream.getvalue(), "v.xlsb", LIMITS).kind == "record"
