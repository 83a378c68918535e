"""OpenDocument spreadsheets: what a cell is and what it prints, repeats, sizes, passwords."""

import io
import zipfile
from datetime import date, datetime, time, timedelta
from pathlib import Path

import pytest
import python_calamine

from grader.problems import Problems, Unreadable
from grader.read.find import find_workbooks
from grader.read.formats.parts import Refused
from grader.read.formats.workbook import open_file
from grader.read.process import read_workbooks, reading_limits

LIMITS = reading_limits()
BOOKS = Path(__file__).parents[2] / "workbooks"
NAMES = ("office", "table", "text", "style", "meta", "drawing")
HEAD = " ".join(
    f'xmlns:{n if n != "drawing" else "draw"}="urn:oasis:names:tc:opendocument:xmlns:{n}:1.0"' for n in NAMES
)
CALC = 'xmlns:calcext="urn:org:documentfoundation:names:experimental:calc:xmlns:calcext:1.0"'
MIMETYPE = "application/vnd.oasis.opendocument.spreadsheet"


def ods(body, *, head="", name="Readings", mimetype=MIMETYPE, **parts):
    """The bytes of an .ods with one sheet that holds these row elements."""
    content = (
        f"<office:document-content {HEAD} {CALC}><office:automatic-styles>{head}</office:automatic-styles>"
        f'<office:body><office:spreadsheet><table:table table:name="{name}" table:style-name="ta1">{body}'
        "</table:table></office:spreadsheet></office:body></office:document-content>"
    )
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("mimetype", mimetype, zipfile.ZIP_STORED)
        archive.writestr("content.xml", content)
        if "META-INF__manifest_xml" not in parts:
            archive.writestr("META-INF/manifest.xml", "<manifest/>")
        for part, text in parts.items():
            archive.writestr(part.replace("__", "/").replace("_xml", ".xml"), text)
    return stream.getvalue()


def cell(kind="", text=None, more="", **values):
    """One cell element; a value type, attributes office:NAME-value, a printed text."""
    attributes = f' office:value-type="{kind}"' if kind else ""
    attributes += "".join(f' office:{k.replace("_", "-")}="{v}"' for k, v in values.items())
    inside = "" if text is None else f"<text:p>{text}</text:p>"
    return f"<table:table-cell{attributes} {more}>{inside}</table:table-cell>"


def row(*cells, more=""):
    return f"<table:table-row {more}>{''.join(cells)}</table:table-row>"


def sheets_of(data, **limits):
    return list(open_file(data, "v.ods", {**LIMITS, **limits}).sheets)


def one(*args, **values):
    """What is read of one cell element."""
    rows = sheets_of(ods(row(cell(*args, **values))))[0].rows
    return rows[0][0] if rows else ""


def code_of(data, **limits):
    with pytest.raises(Refused) as caught:
        sheets_of(data, **limits)
    return caught.value.code


def calamine(data):
    book = python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(data))
    return {n: book.get_sheet_by_name(n).to_python(skip_empty_area=False) for n in book.sheet_names}


def test_a_workbook_of_libreoffice_is_read_as_an_independent_reader_sees_it():
    """python-calamine is the witness, less what it hides: errors, printed marks, long times, truth values."""
    data = (BOOKS / "hidden.ods").read_bytes()
    seen = calamine(data)
    found = {sheet.name: sheet for sheet in sheets_of(data)}
    assert list(found) == list(seen) == ["Readings", "Old"]
    different = {
        (r, c)
        for r, cells in enumerate(found["Readings"].rows)
        for c, value in enumerate(cells)
        if value != seen["Readings"][r][c]
    }
    rows = found["Readings"].rows
    assert {place: rows[place[0]][place[1]] for place in different} == {
        (1, 6): Unreadable("#DIV/0!", "error"),
        (1, 9): Unreadable("5 shown as <5", "format"),
        (2, 2): timedelta(hours=30),
        (2, 6): Unreadable("#N/A", "error"),
        (2, 7): Unreadable("#NAME?", "error"),
        (3, 7): Unreadable("#REF!", "error"),
    }
    assert rows[2][3] is True and seen["Readings"][2][3] == 1.0
    assert found["Readings"].percents == {(1, 8), (3, 4)}
    assert [sheet.hidden for sheet in found.values()] == [False, True]
    assert found["Old"].rows == seen["Old"]


def test_types_of_cells():
    """ODF 1.3 part 3, 19.385 office:value-type (number of the section from memory)."""
    assert one("float", "20.9", value="20.9") == 20.9
    assert one("currency", "5 EUR", value="5") == 5.0
    assert one("date", "x", date_value="2026-03-14") == date(2026, 3, 14)
    assert one("date", "x", date_value="2026-03-14T10:30:00.500000000") == datetime(2026, 3, 14, 10, 30, 0, 500000)
    assert one("time", "x", time_value="PT10H30M00S") == time(10, 30)
    assert one("time", "x", time_value="PT1H2M3.5S") == time(1, 2, 3, 500000)
    assert one("time", "x", time_value="P1DT1H") == timedelta(hours=25)
    assert one("time", "x", time_value="-PT1H") == -timedelta(hours=1)
    assert one("boolean", "TRUE", boolean_value="true") is True
    assert one("boolean", "FALSE", boolean_value="false") is False
    assert one("string", "a &lt;b&gt;") == "a <b>"
    assert one("string", "shown", string_value="held") == "held"
    assert one("", "no type") == "no type"


@pytest.mark.parametrize(
    ("kind", "values"),
    [
        ("float", {}),
        ("float", {"value": "5,5"}),
        ("date", {"date_value": "soon"}),
        ("time", {"time_value": "10:30"}),
        ("boolean", {"boolean_value": "yes"}),
        ("fraction", {"value": "5"}),
        ("date", {"date_value": "9999999-01-01"}),
    ],
)
def test_a_value_that_does_not_fit_its_type_is_unreadable(kind, values):
    assert one(kind, "shown", **values) == Unreadable("shown", "number")


def test_errors_and_formulas_that_were_never_worked_out():
    error = 'calcext:value-type="error"'
    assert one("string", "#DIV/0!", error, string_value="") == Unreadable("#DIV/0!", "error")
    assert one("string", "Err:502", 'table:formula="of:=x"') == Unreadable("Err:502", "error")
    assert one("string", "#N/A") == "#N/A"  # a text that somebody wrote
    assert one("", None, 'table:formula="of:=[.A1]+1"') == Unreadable("of:=[.A1]+1", "formula")
    assert one("", "", 'table:formula="of:=&quot;&quot;"') == ""
    assert one("float", "5", 'table:formula="of:=[.A1]+1"', value="5") == 5.0


def test_a_number_that_prints_more_than_a_number():
    assert one("float", "&lt;5", value="5") == Unreadable("5 shown as <5", "format")
    assert one("float", "≥ 60", value="60") == Unreadable("60 shown as ≥ 60", "format")
    assert one("float", "nil", value="0") == Unreadable("0 shown as nil", "format")
    assert one("float", "TRUE", value="1") is True and one("float", "FALSE", value="0") is False
    assert one("float", "ND", value="5") == Unreadable("5 shown as ND", "format")
    assert one("float", "5 ppm", value="5") == 5.0 and one("float", "", value="5") == 5.0


def test_paragraphs_spaces_links_and_comments():
    text = (
        '<text:p>a<text:s text:c="3"/>b<text:tab/><text:a>link</text:a></text:p><text:p>two<text:s/></text:p>'
        "<office:annotation><text:p>a comment</text:p></office:annotation>"
        "<draw:frame><draw:text-box><text:p>a picture</text:p></draw:text-box></draw:frame>"
    )
    data = ods(row(f'<table:table-cell office:value-type="string">{text}</table:table-cell>'))
    assert sheets_of(data)[0].rows == [["a   b\tlink\ntwo "]]


def test_repeats_of_cells_and_rows_hold_their_values_and_addresses():
    blank = '<table:table-cell table:number-columns-repeated="{}"/>'.format
    twice, five = (f'table:number-columns-repeated="{n}"' for n in (2, 5))
    data = ods(
        row(blank(3), more='table:number-rows-repeated="4"')
        + row(blank(2), cell("float", "1", twice, value="1"), blank(16380), more='table:number-rows-repeated="2"')
        + row(cell("string", "x"), cell("percentage", "5%", five, value="0.05"))
        + row(blank(16384), more='table:number-rows-repeated="1048569"')
    )
    sheet = sheets_of(data)[0]
    assert sheet.numbers is None and len(sheet.rows) == 7
    assert sheet.rows[4] == sheet.rows[5] == ["", "", 1.0, 1.0, "", ""]
    assert sheet.rows[6] == ["x", *[0.05] * 5]
    assert sheet.percents == {(6, c) for c in range(1, 6)}
    assert sheet.rows == calamine(data)["Readings"]


def test_covered_cells_and_grouped_rows_keep_their_places():
    inner = row(
        cell("string", "a", 'table:number-columns-spanned="2"'), "<table:covered-table-cell/>", cell("string", "b")
    )
    data = ods(
        f"<table:table-header-rows>{inner}</table:table-header-rows>"
        f"<table:table-row-group>{inner}</table:table-row-group>"
    )
    assert sheets_of(data)[0].rows == [["a", "", "b"]] * 2


def test_a_stray_cell_far_away_is_read_sparsely_and_keeps_its_row():
    far = '<table:table-row table:number-rows-repeated="1048574"><table:table-cell/></table:table-row>'
    data = ods(
        row(cell("string", "near"))
        + far
        + row('<table:table-cell table:number-columns-repeated="16383"/>', cell("string", "far"))
    )
    sheet = sheets_of(data)[0]
    assert sheet.numbers == [0, 1_048_575]
    assert sheet.rows[0][0] == "near" and sheet.rows[1][16383] == "far" and len(sheet.rows[1]) == 16384


def test_repeats_that_would_fill_the_memory_are_refused():
    column, rows = 'table:number-columns-repeated="16384"', 'table:number-rows-repeated="1048576"'
    assert code_of(ods(row(cell("float", "1", column, value="1"), more=rows))) == "sheet_too_large"
    assert code_of(ods(row(cell("float", "1", 'table:number-columns-repeated="16385"', value="1")))) == "damaged"
    assert code_of(ods(row(cell("string", "x"), more='table:number-rows-repeated="1048577"'))) == "damaged"
    ten = ods(row(cell("float", "1", 'table:number-columns-repeated="10"', value="1")))
    assert code_of(ten, dense_cells=9) == "sheet_too_large" and sheets_of(ten, dense_cells=10)


def test_tables_that_are_no_sheets_are_left_out():
    inner = f'<table:table table:name="copy">{row(cell("string", "old"))}</table:table>'
    data = ods(f"<table:shapes>{inner}</table:shapes>" + row(cell("string", "new")))
    sheets = sheets_of(data)
    assert [(s.name, s.rows) for s in sheets] == [("Readings", [["new"]])]


def test_names_spaces_may_have_other_prefixes():
    data = ods(row(cell("float", "5", value="5")))
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        content = archive.read("content.xml").decode()
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        archive.writestr(
            "content.xml",
            content.replace("table:", "t:")
            .replace("xmlns:t:", "xmlns:t:")
            .replace("xmlns:table=", "xmlns:t=")
            .replace("xmlns:t:1.0", "xmlns:table:1.0"),
        )
    assert sheets_of(stream.getvalue())[0].rows == [[5.0]]


def test_a_password_is_told_from_damage():
    manifest = "<!DOCTYPE manifest:manifest><manifest:manifest><manifest:encryption-data/></manifest:manifest>"
    assert code_of(ods("", **{"META-INF__manifest_xml": manifest})) == "encrypted"
    assert code_of(ods("<table:table-row>")) == "damaged"
    assert code_of(ods("", **{"encrypted-package": "x", "META-INF__manifest_xml": "<m/>"})) == "encrypted"


def test_a_text_document_is_no_spreadsheet():
    assert code_of(ods("", mimetype="application/vnd.oasis.opendocument.text")) == "not_a_workbook"


def test_a_document_type_and_a_bomb_are_refused():
    data = ods(row(cell("string", "x")))
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        content = archive.read("content.xml")
    for changed, code in (
        (b'<!DOCTYPE a [<!ENTITY b "c">]>' + content, "doctype"),
        (content + b" " * 60_000_000, "bomb"),
    ):
        stream = io.BytesIO()
        with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("content.xml", changed)
        assert code_of(stream.getvalue()) == code


def test_errors_reach_the_table_of_tests_through_the_reading_process(tmp_path):
    (tmp_path / "log.ods").write_bytes((BOOKS / "hidden.ods").read_bytes())
    log = read_workbooks(find_workbooks(tmp_path, Problems()), Problems())
    assert log.files.loc[0, ["format", "state", "not_seen"]].tolist() == ["ods", "read", ""]
    assert log.rows["co2_ppm"].tolist()[:2] == [Unreadable("#DIV/0!", "error"), Unreadable("#N/A", "error")]
    assert log.rows["water_mg_m3"][0] == Unreadable("0.06%", "percent")
    assert log.rows["odour"].tolist()[:2] == ["none", True]


def test_own_products_saved_as_ods_are_passed_over():
    meta = (
        f'<office:document-meta {HEAD}><office:meta><meta:user-defined meta:name="{{}}">result'
        "</meta:user-defined></office:meta></office:document-meta>"
    )
    assert open_file(ods("", meta_xml=meta.format("grader-kind")), "v.ods", LIMITS).kind == "result"
    assert open_file(ods("", meta_xml=meta.format("not grader-kind")), "v.ods", LIMITS).kind == ""


def test_cells_struck_through_are_seen():
    """OASIS OpenDocument 1.3 part 3, 20.376 style:text-line-through-style (from memory); LibreOffice writes it so."""
    style = (
        '<style:style style:name="ce{}" style:family="table-cell">'
        '<style:text-properties style:text-line-through-style="{}"/></style:style>'
    )
    cells = (
        cell("float", "1", f'table:style-name="ce{i}" table:number-columns-repeated="2"', value="1") for i in (1, 2)
    )
    data = ods(row() + row(*cells), head=style.format(1, "none") + style.format(2, "solid"))
    assert set(sheets_of(data)[0].struck) == {(1, 2), (1, 3)}


def test_comments_are_seen_without_their_author_and_day():
    """OASIS OpenDocument 1.3 part 3, 14.1 office:annotation (from memory); LibreOffice writes it so."""
    said = "<text:p>do not use,</text:p><text:p>meter <text:span>suspect</text:span></text:p>"
    own = "<text:p>No dated test of this outlet yet.</text:p>"
    dated = '<dc:date xmlns:dc="http://purl.org/dc/elements/1.1/">2026-03-14T00:00:00</dc:date>'
    noted, quiet = (f"<office:annotation>{dated}{text}</office:annotation>" for text in (said, own))
    two = f'<table:table-cell office:value-type="float" office:value="2">{noted}</table:table-cell>'
    data = ods(row(cell("float", "1", value="1"), f"<table:table-cell>{quiet}</table:table-cell>") + row(cell(), two))
    sheet = sheets_of(data)[0]
    assert list(sheet.comments) == [((1, 1), "do not use,\nmeter suspect")]
    assert sheet.rows[1] == ["", 2.0]


def test_merged_cells_and_hidden_rows_are_seen():
    """Attributes of OASIS OpenDocument 1.3 part 3, 19.676 number-columns-spanned, 19.678, 19.748 visibility (from memory)."""
    wide = cell("string", "Gases", more='table:number-columns-spanned="2" table:number-rows-spanned="3"')
    body = (
        row(cell("string", "a"), wide, "<table:covered-table-cell/>")
        + row(cell("float", "1", value="1"), more='table:visibility="collapse" table:number-rows-repeated="2"')
        + row(cell("float", "2", value="2"), more='table:visibility="filter"')
        + row(cell("float", "3", value="3"))
    )
    sheet = sheets_of(ods(body))[0]
    assert sheet.merges() == [(0, 1, 2, 2)]
    assert set(sheet.hidden_rows) == {1, 2, 3}
    assert [r[0] for r in sheet.rows] == ["a", 1.0, 1.0, 2.0, 3.0]
