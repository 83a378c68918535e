"""Records and notices as files, read back with openpyxl; what stands in the folder already is never lost."""

import zipfile
from datetime import UTC, datetime

import openpyxl
import pytest

from grader.page import Block, Page, Record
from grader.problems import GraderError, Problems
from grader.read.find import find_workbooks
from grader.read.process import read_workbooks
from grader.write.blank import write_blank
from grader.write.page import UNITS_ACROSS
from grader.write.record import write_records
from grader.write.safely import kind_of

CREATED = datetime(2026, 11, 25, 12, tzinfo=UTC)


def record(number="2026-05-12-mill-3F9A2C", **more):
    table = Block(
        "table",
        "Outlet by outlet",
        ["Outlet", "Carbon monoxide (ppm)", "Verdict"],
        [(f"Bay {n}\nNorth, Main", "9\nfail", "fail") for n in range(1, 31)],
        widths=[10, 10, 6],
        aligns=["left", "center", "center"],
        under={n: f"Carbon monoxide {n} ppm is over" for n in range(30)},
        size_pt=8.5,
    )
    form = Block("form", "Signatures", ["Tested by", "Received"], [("Name",), ("Signature",), ("Date",)])
    page = Page("Record of tests", "=Mill & Co", [table, form], landscape=True, repeat_tables=True)
    made = Record("record", number, f"{number}.xlsx", f"about {number}", "c1", page, f"Record {number} & more")
    return made._replace(**more)


def notice(**more):
    page = Page(
        "",
        "",
        [
            Block(
                "banner",
                rows=[("OUT OF USE", 60, "dark"), ("Bay 1", 34, "plain"), ("Since 2026-03-14. " * 3, 16, "left")],
            )
        ],
        one_page=True,
    )
    return Record("notice", "", "NOTICE Mill.xlsx", "notice mill", "n1", page, "No permission")._replace(**more)


def test_a_notice_is_one_page_an_outlet_however_much_there_is_to_say(tmp_path):
    reason = "Carbon monoxide 9 ppm is over the limit of 5 ppm (met when read again, but not passed as a whole since)"
    rows = [("OUT OF USE", 60, "dark"), ("Long name of a site " * 9, 18, "plain"), *[(reason, 16, "left")] * 5]
    form = Block("form", columns=["Put out of use", "Cleared"], rows=[("Name",), ("Signature",), ("Date",)])
    outlet = [Block("banner", rows=rows, new_page=True), Block("text", rows=[("As of today.",)]), form]
    write(tmp_path, notices=[notice(page=Page("", "", outlet * 3))])
    assert len(sheet_of(tmp_path / "NOTICE Mill.xlsx").row_breaks.brk) == 2


def write(folder, records=(), notices=(), **more):
    return write_records(folder, [*records, *notices], created=CREATED, **more)


def sheet_of(path):
    return openpyxl.load_workbook(path).active


def custom(path):
    return {p.name: p.value for p in openpyxl.load_workbook(path).custom_doc_props.props}


def test_each_record_and_notice_is_a_file_of_its_own_kind(tmp_path):
    first, second, pinned = write(tmp_path / "out", [record(), record("2026-05-13-mill-000000")], [notice()])
    assert [p.name for p in (first, second, pinned)] == [
        "2026-05-12-mill-3F9A2C.xlsx",
        "2026-05-13-mill-000000.xlsx",
        "NOTICE Mill.xlsx",
    ]
    assert [kind_of(p) for p in (first, second, pinned)] == ["record", "record", "notice"]
    assert custom(first)["record-number"] == "2026-05-12-mill-3F9A2C"


def test_records_and_notices_are_passed_over_when_graded(tmp_path):
    write(tmp_path, [record()], [notice()])
    blank = tmp_path / "visit.xlsx"
    write_blank(blank, visit={"site": "Mill"}, rows=[{"outlet": "Bay 1", "oxygen_pct": 20.9}])
    problems = Problems()
    log = read_workbooks(find_workbooks([tmp_path], problems), problems)
    assert list(log.files["name"]) == ["visit.xlsx"] and len(log.rows) == 1
    assert sum(log.passed_over_counts().values()) == 2


def test_a_record_prints_on_a4_across_with_its_number_on_every_page(tmp_path):
    sheet = sheet_of(write(tmp_path, [record()])[0])
    assert sheet.page_setup.orientation == "landscape"
    assert sheet.page_setup.paperSize == 9  # A4 in the spreadsheet format
    assert sheet.oddFooter.left.text.endswith("Record 2026-05-12-mill-3F9A2C && more")
    assert "Page &P of &N" in sheet.oddFooter.right.text
    assert f":${openpyxl.utils.get_column_letter(UNITS_ACROSS)}$" in sheet.print_area


def test_headings_are_repeated_and_a_reason_stays_with_its_row_across_paper_pages(tmp_path):
    sheet = sheet_of(write(tmp_path, [record()])[0])
    column = [sheet.cell(r, 1).value for r in range(1, sheet.max_row + 1)]
    breaks = [b.id for b in sheet.row_breaks.brk]
    heads = [n + 1 for n, value in enumerate(column) if value == "Outlet"]
    assert len(breaks) >= 2 and len(heads) >= 3
    for top in breaks:  # a break stands before the row that opens the next page
        assert column[top] in ("Outlet", "Signatures")
    for n, value in enumerate(column):
        if str(value).startswith("Bay "):
            assert str(column[n + 1]).startswith("Carbon monoxide") and n + 1 not in breaks


def test_the_word_in_the_last_line_of_a_cell_colours_it_unless_it_is_plain(tmp_path):
    table = Block("table", "T", ["A", "B"], [("9\nfail", "1\npass")], plain=("pass",))
    (path,) = write(tmp_path, [record(page=Page("x", "", [table]))])
    cells = {c.value: c for row in sheet_of(path).iter_rows() for c in row if c.value}
    assert cells["9\nfail"].fill.fill_type == "solid" and cells["1\npass"].fill.fill_type is None


def test_a_notice_is_one_upright_page_in_black_and_white(tmp_path):
    sheet = sheet_of(write(tmp_path, notices=[notice()])[0])
    assert sheet.sheet_properties.pageSetUpPr.fitToPage and sheet.page_setup.fitToHeight in (1, None)
    assert sheet.page_setup.orientation == "portrait" and sheet.page_setup.paperSize == 9
    top = sheet["A1"]
    assert top.value == "OUT OF USE" and top.font.sz == 60
    assert top.fill.start_color.rgb == "FF000000" and top.font.color.rgb == "FFFFFFFF"


def test_what_came_from_an_input_is_text_never_a_formula(tmp_path):
    table = Block("table", "T", ["Outlet"], [('=HYPERLINK("http://x")',), ("http://x",)], under={0: "=1+1"})
    (path,) = write(tmp_path, [record(page=Page("=2+2", "", [table]))])
    with zipfile.ZipFile(path) as archive:
        content = archive.read("xl/worksheets/sheet1.xml").decode()
    assert "<f>" not in content and "hyperlink" not in content


# -- what stands in the folder -------------------------------------------------------------------------------


def test_the_same_content_leaves_the_file_as_it_was_handed_over(tmp_path):
    (path,) = write(tmp_path, [record()])
    before = path.read_bytes()
    (again,) = write_records(tmp_path, [record(footer="another version")], created=datetime(2027, 1, 1, tzinfo=UTC))
    assert again == path and path.read_bytes() == before


def test_another_content_of_the_same_visit_is_written_over(tmp_path):
    (path,) = write(tmp_path, [record()])
    (again,) = write(tmp_path, [record(content="c2")])
    assert again == path and custom(path)["grader-content"] == "c2" and len(list(tmp_path.iterdir())) == 1


def test_another_visit_never_takes_the_place_of_one(tmp_path):
    (first,) = write(tmp_path, [record()])
    before = first.read_bytes()
    (second,) = write(tmp_path, [record(identity="another")])
    assert second.name == "2026-05-12-mill-3F9A2C (2).xlsx" and first.read_bytes() == before
    assert write(tmp_path, [record(identity="another")]) == [second]  # and finds its own file again
    assert len(list(tmp_path.iterdir())) == 2


def test_a_record_does_not_take_the_place_of_a_notice(tmp_path):
    (first,) = write(tmp_path, notices=[notice()])
    (second,) = write(tmp_path, [record(file_name="NOTICE Mill.xlsx", identity="notice mill")])
    assert first != second and kind_of(first) == "notice"


@pytest.mark.parametrize("content", [b"my own notes", b""])
def test_a_file_that_is_no_record_is_never_written_over(tmp_path, content):
    foreign = tmp_path / "2026-05-12-MILL-3f9a2c.XLSX"  # names differ in case only
    foreign.write_bytes(content)
    (path,) = write(tmp_path, [record()])
    assert foreign.read_bytes() == content and path.name == "2026-05-12-mill-3F9A2C (2).xlsx"


def test_a_folder_of_that_name_is_left_alone(tmp_path):
    (tmp_path / "NOTICE Mill.xlsx").mkdir()
    assert write(tmp_path, notices=[notice()])[0].name == "NOTICE Mill (2).xlsx"


def test_two_records_of_one_name_in_one_run_get_two_files(tmp_path):
    paths = write(tmp_path, [record(), record(identity="another")])
    assert len(set(paths)) == 2 and all(p.is_file() for p in paths)


def test_an_input_is_never_written_over(tmp_path):
    (path,) = write(tmp_path, [record()])
    before = path.read_bytes()
    with pytest.raises(GraderError, match="one of the files to be graded"):
        write(tmp_path, [record(content="c2")], inputs=[path])
    assert path.read_bytes() == before


def test_a_folder_that_cannot_be_is_told_in_one_line(tmp_path):
    (tmp_path / "file").write_text("x")
    for place, said in ((tmp_path / "file", "is a file"), (tmp_path / "file" / "such", "cannot be made")):
        with pytest.raises(GraderError, match=said) as caught:
            write(place, [record()])
        assert "\n" not in str(caught.value)
    assert write(tmp_path / "new" / "folder", [record()])[0].exists()


def test_the_same_record_written_at_the_same_time_is_the_same_file(tmp_path):
    (one,) = write(tmp_path / "a", [record()])
    (two,) = write(tmp_path / "b", [record()])
    assert one.read_bytes() == two.read_bytes()


def test_widths_that_do_not_fit_the_page_are_refused(tmp_path):
    for widths in ([30, 30], [3], [0, 5]):
        table = Block("table", "T", ["A", "B"], [("a", "b")], widths=widths)
        with pytest.raises(ValueError, match="widths"):
            write(tmp_path, [record(page=Page("x", "", [table]))])
    assert list(tmp_path.iterdir()) == []
