"""Cells and empty rows over which the fast reader stumbles cost neither the file nor a row; openpyxl is the judge."""

from __future__ import annotations

import io
import re

import openpyxl
import pytest

from grader.problems import Unreadable
from grader.read.child import read_file
from grader.read.formats.package import book_of
from grader.read.formats.parts import Parts
from grader.read.formats.rewritten import written_anew
from grader.read.formats.workbook import open_file
from grader.read.process import reading_limits
from tests.read.conftest import SHEET, changed, plain, with_rows

OXYGEN = rb'<c r="F2"[^>]*><v>[^<]*</v></c>'
STRAY = b'<row r="1048576"><c r="X1048576"><v>7</v></c></row>'


def with_oxygen(cell: bytes, data: bytes | None = None) -> bytes:
    """Three tests, the oxygen of the first written as this cell."""
    return changed(data or plain((1, 2, 3)), SHEET, lambda content: re.sub(OXYGEN, cell, content))


def read(tmp_path, data, **limits):
    path = tmp_path / "log.xlsx"
    path.write_bytes(data)
    return read_file(str(path), {**reading_limits(), **limits})


# Error values beyond the seven of ECMA-376: those of dynamic arrays and data types, and LibreOffice's Err:502 (from memory).
@pytest.mark.parametrize("stray", [b"", STRAY])
@pytest.mark.parametrize(
    "code", ["#SPILL!", "#CALC!", "#FIELD!", "#BUSY!", "#UNKNOWN!", "#GETTING_DATA", "Err:502", "#N/A"]
)
def test_an_error_value_of_any_age_is_one_unreadable_cell(tmp_path, code, stray):
    data = with_oxygen(b'<c r="F2" t="e"><v>%s</v></c>' % code.encode())
    reply = read(tmp_path, with_rows(data, stray) if stray else data)
    assert reply.state == "read" and reply.rows_found == 3
    assert reply.tables[0].columns["oxygen_pct"] == [Unreadable(code, "error"), 20.9, 20.9]


@pytest.mark.parametrize("stray", [b"", STRAY])
@pytest.mark.parametrize("value", ["NaN", "abc", "1,5", "1_0", "0x14"])
def test_a_number_cell_without_a_number_is_one_unreadable_cell(tmp_path, value, stray):
    data = with_oxygen(b'<c r="F2" t="n"><v>%s</v></c>' % value.encode())
    reply = read(tmp_path, with_rows(data, stray) if stray else data)
    assert reply.state == "read" and reply.rows_found == 3
    first, *others = reply.tables[0].columns["oxygen_pct"]
    assert isinstance(first, Unreadable) and first.shown.casefold() == value.casefold() and others == [20.9, 20.9]


def test_what_cannot_be_mended_is_refused_as_damaged(tmp_path):
    reply = read(tmp_path, with_oxygen(b'<c r="F2" t="s"><v>999999</v></c>'))
    assert reply.state == "refused" and reply.code == "damaged" and reply.sheet == "Readings"


@pytest.mark.parametrize(
    "rows",
    [
        STRAY,
        b'<row r="7"/><row r="900000" ht="20"><c r="C900000" s="1"/></row><row r="900001"><c r="B900001" t="inlineStr">'
        b"<is><t>late</t></is></c></row>" + STRAY,
    ],
)
def test_a_sheet_closed_up_holds_what_openpyxl_reads(tmp_path, rows):
    data = with_rows(plain((1, 2, 3)), rows)
    sheet = next(iter(open_file(data, "log.xlsx", reading_limits()).sheets))
    found = {(n, at): v for n, row in zip(sheet.numbers, sheet.rows) for at, v in enumerate(row) if v not in ("", None)}
    book = openpyxl.load_workbook(io.BytesIO(data), read_only=True)
    book["Readings"].reset_dimensions()
    wanted = {
        (cell.row - 1, cell.column - 1): cell.value
        for row in book["Readings"].iter_rows()
        for cell in row
        if cell.value is not None
    }
    assert found == wanted and (1_048_575, 23) in found


@pytest.mark.parametrize("change", [(b'r="A1"', b"r='A1'"), (b"<sheetData>", b"<!-- x --><sheetData>")])
def test_unusual_xml_is_written_plainly_with_the_same_result(tmp_path, change):
    data = with_rows(plain((1, 2, 3)), STRAY)
    odd = changed(data, SHEET, lambda content: content.replace(*change))
    first, second = (written_anew(book_of(Parts(one, reading_limits())), "Readings") for one in (data, odd))
    assert first == second
    plainly, patiently = (read(tmp_path, one) for one in (data, odd))
    assert plainly.tables == patiently.tables and patiently.rows_found == 3
    bad = read(tmp_path, with_oxygen(b'<c r="F2"><v>NaN</v></c>', odd))
    assert bad.tables[0].columns["oxygen_pct"] == [Unreadable("NaN", "number"), 20.9, 20.9]


def test_a_cell_without_address_stands_where_it_is_written(tmp_path):
    def bare(content):
        return re.sub(rb' r="[A-Z]+[0-9]+"', b"", content)

    data = with_oxygen(b'<c t="e"><v>#SPILL!</v></c>')
    reply = read(tmp_path, changed(data, SHEET, bare))
    assert reply.tables[0].columns["oxygen_pct"] == [Unreadable("#SPILL!", "error"), 20.9, 20.9]


@pytest.mark.parametrize("encoding", ["shift_jis", "klingon", "iso-8859-1"])
def test_an_encoding_that_nobody_decodes_is_refused_in_plain_words(tmp_path, encoding):
    head = b'<?xml version="1.0" encoding="%s"?>' % encoding.encode()

    def declare(content):
        return head + "<!-- µ -->".encode() + content[content.index(b"<worksheet") :]

    reply = read(tmp_path, changed(plain(), SHEET, declare))
    assert (reply.code, reply.params) == ("damaged", {"what": f"the part {SHEET} is not UTF-8 text"})


def test_an_unknown_encoding_of_plain_letters_is_refused_or_read_but_no_crash(tmp_path):
    head = b'<?xml version="1.0" encoding="klingon"?>'
    for part, start in (("xl/workbook.xml", b"<workbook"), (SHEET, b"<worksheet")):
        reply = read(tmp_path, changed(plain(), part, lambda c, s=start: head + c[c.index(s) :]))
        assert reply.state == "read" or reply.code == "damaged"


def test_a_broken_binary_workbook_is_damaged_not_a_broken_disk(tmp_path, monkeypatch):
    def fail(*arguments):
        raise OSError("unexpected end of file")

    monkeypatch.setattr("python_calamine.CalamineWorkbook.from_filelike", fail)
    assert read(tmp_path, plain()).code == "damaged"


def test_a_full_sheet_beyond_the_limit_for_empty_ones_is_read_whole(tmp_path):
    """As an honest million rows are: more cells than dense_cells, and the XML to match."""
    reply = read(tmp_path, plain(range(1, 41)), dense_cells=100, sparse_cells=100)
    assert reply.state == "read" and reply.rows_found == 40
    far = read(tmp_path, with_rows(plain(range(1, 41)), STRAY), dense_cells=100, sparse_cells=100)
    assert far.code == "sheet_too_large"
