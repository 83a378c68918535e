"""Text files: encoding, delimiter, quotation marks, and rows whose entries stand under the wrong headings."""

import csv
import io

import numpy as np
import pytest

from grader import grade
from grader.columns import BLANK, READ, SHEETS, UNREADABLE
from grader.problems import Problems, Unreadable
from grader.read.cells import read_cells
from grader.read.find import find_workbooks
from grader.read.formats.parts import Refused
from grader.read.formats.text import read_text
from grader.read.process import read_workbooks, reading_limits

LIMITS = reading_limits()
HEADINGS = ["Outlet", "Location", "Test date", "Odour", "Oxygen (%)", "Carbon monoxide (ppm)", "Oil (mg/m³)", "Remarks"]
ROWS = [
    ["Bay 1", "Hall 3, north", "14.03.2026", "none", "20,9", "<5", "0,12", ""],
    ["2", "Tür 4; left", "15.03.2026", "slight", "20,8", "1,5", "stain", 'says "smell"'],
    ["007", "", "16.03.2026", "none", "20,9", "3", "ND", "Zähler 1|2"],
]


def written(rows, delimiter=",", **options):
    """The rows as Python's csv writes them."""
    stream = io.StringIO(newline="")
    csv.writer(stream, delimiter=delimiter, **options).writerows(rows)
    return stream.getvalue()


def table(text, encoding="utf-8", **limits):
    return read_text(text.encode(encoding) if isinstance(text, str) else text, "log", {**LIMITS, **limits})


def refused(text, **limits):
    with pytest.raises(Refused) as caught:
        table(text, **limits)
    return caught.value.code, caught.value.params


def codes(found):
    return [(note.code, note.cell) for note in found.notes]


def graded_cells(folder, name, data):
    """One text file through finding, reading and the notation: (table of tests, codes of the problems)."""
    (folder / name).write_bytes(data if isinstance(data, bytes) else data.encode())
    problems = Problems()
    log = read_workbooks(find_workbooks(folder / name, problems), problems)
    return read_cells(log, problems), problems.codes()


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("quoting", [csv.QUOTE_MINIMAL, csv.QUOTE_ALL])
@pytest.mark.parametrize("count", [1, 2, 3])
def test_every_delimiter_is_found_though_the_entries_hold_the_others(delimiter, quoting, count):
    found = table(written([HEADINGS, *ROWS[:count]], delimiter, quoting=quoting))
    assert found.sheet.rows == [HEADINGS, *ROWS[:count]]
    assert found.notes == [] and not found.own


def test_a_decimal_comma_in_every_column_is_no_delimiter():
    rows = [["Outlet", "Oxygen (%)", "Oil (mg/m³)"], *([f"{n},0", "20,9", "0,1"] for n in range(1, 30))]
    assert table(written(rows, ";")).sheet.rows == rows
    assert table(written(rows, "\t")).sheet.rows == rows


def test_title_rows_above_do_not_hide_the_delimiter():
    text = "Log of tests, 2026\nsecond, and last, title\n\nOutlet;Oxygen (%);CO\n1;20,9;2\n2;20,8;3\n"
    found = table(text)
    assert found.sheet.rows[3:] == [["Outlet", "Oxygen (%)", "CO"], ["1", "20,9", "2"], ["2", "20,8", "3"]]
    assert found.notes == []


def test_a_line_that_names_the_delimiter_is_obeyed_and_is_no_row():
    found = table("sep=|\nOutlet|Oxygen (%)|a;b;c\n1|20.9|x;y;z\n")
    assert found.sheet.rows == [["Outlet", "Oxygen (%)", "a;b;c"], ["1", "20.9", "x;y;z"]]


@pytest.mark.parametrize(
    ("encoding", "mark"),
    [
        ("utf-8", b""),
        ("utf-8", b"\xef\xbb\xbf"),
        ("utf-16-le", b"\xff\xfe"),
        ("utf-16-be", b"\xfe\xff"),
        ("utf-16-le", b""),
        ("utf-16-be", b""),
    ],
)
def test_encodings_that_can_be_told(encoding, mark):
    """Marks: Unicode standard 23.8, from memory; Python's codecs write the rest."""
    found = table(mark + written([HEADINGS, *ROWS], ";").encode(encoding))
    assert found.sheet.rows == [HEADINGS, *ROWS] and found.notes == []


def test_windows_latin_is_assumed_and_said():
    found = table(written([HEADINGS, *ROWS], ";"), "cp1252")
    assert found.sheet.rows == [HEADINGS, *ROWS]
    assert codes(found) == [("text_cp1252", "")]


@pytest.mark.parametrize(
    "data",
    [
        b"Outlet;CO\n1;\x00\n2;3\n",
        b"Outlet;CO\n\xff\x811;2\n",
        b"\xff\xfe\x00\xd8a\x00",
        b"\xef\xbb\xbf\xff",
        bytes(range(256)) * 40,
    ],
)
def test_bytes_that_are_no_text_are_refused(data):
    assert refused(data)[0] == "text_binary"


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ('Outlet,CO,Oil\n1,2,"open\n2,3,4\n', 2),
        ('Outlet,CO,Oil\n1,2,3\n2,"3"x,4\n', 3),
        ('Outlet,CO,Oil\n"Bay 1,2,3\nBay 2,2,3\nBay 3",2,3\n', 2),
    ],
)
def test_quotation_marks_that_do_not_pair_are_refused_with_the_line(text, line):
    assert refused(text) == ("text_quotes", {"line": line})


def test_a_stray_mark_that_swallows_rows_is_seen_though_a_later_one_closes_it():
    rows = [f"{n},2,3,4,5\n" for n in range(20)]
    rows[4], rows[9] = '"4,2,3,4,5\n', '9,2,3,4,5"\n'
    assert refused("Outlet,CO,Oil,Odour,Dryer\n" + "".join(rows)) == ("text_quotes", {"line": 6})


def test_an_inch_sign_within_an_entry_is_no_quotation_mark():
    assert table('Outlet,Location,CO\n1,hose 3/4" long,2\n').sheet.rows[1] == ["1", 'hose 3/4" long', "2"]


def test_an_entry_over_several_lines_is_one_row_and_the_rows_are_counted(tmp_path):
    text = 'Outlet;Oxygen (%);Remarks\r\n1;20,9;"first\r\nsecond; third"\r\n2;20,8;\r\n'
    found = table(text)
    assert [row[0] for row in found.sheet.rows] == ["Outlet", "1", "2"]
    assert codes(found) == [("text_lines", "A2")]
    tests, said = graded_cells(tmp_path, "log.csv", text)
    assert list(tests["row"]) == [1, 2] and "text_lines" in said


@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
def test_ends_of_lines_of_every_kind(newline):
    assert table(newline.join(["Outlet,CO,Oil", "1,2,3", "", "2,3,4"])).sheet.rows == [
        ["Outlet", "CO", "Oil"],
        ["1", "2", "3"],
        ["", "", ""],
        ["2", "3", "4"],
    ]


def test_an_unquoted_decimal_comma_makes_its_row_unreadable_and_not_another_reading(tmp_path):
    """12,5 ppm carbon monoxide cut in two would be 12 ppm, and 5 under the next heading."""
    text = "Outlet,Carbon monoxide (ppm),Oil (mg/m³),Oxygen (%)\n1,12,5,0.1,20.9\n2,1,0.1,20.9\n"
    found = table(text)
    assert found.sheet.rows[1][:4] == ["1", *(Unreadable(v, "shifted") for v in ("12", "5", "0.1"))]
    assert codes(found) == [("row_too_long", "A2")]
    tests, _ = graded_cells(tmp_path, "log.csv", text)
    assert list(tests["outlet"]) == ["1", "2"]
    assert list(tests["co_ppm_state"]) == [UNREADABLE, READ] and list(tests["oil_mg_m3_state"]) == [UNREADABLE, READ]


def test_decimal_commas_cut_in_every_row_are_not_read_either():
    rows = "".join(f"{n},20,9,1,5\n" for n in range(1, 20))
    found = table("Outlet,Oxygen (%),Carbon monoxide (ppm)\n" + rows)
    assert all(type(row[1]) is Unreadable for row in found.sheet.rows[1:])


def test_a_missing_delimiter_is_seen_where_other_rows_are_whole():
    rows = "Outlet,Odour,CO,Oil,Remarks\n1,none,2,0.1,\n2,none,0.1,late\n3,none,2,0.1,\n"
    found = table(rows)
    assert codes(found) == [("row_too_short", "A3")]
    assert found.sheet.rows[2] == ["2", *(Unreadable(v, "shifted") for v in ("none", "0.1", "late")), ""]


def test_rows_that_leave_out_their_empty_ends_are_read():
    found = table("Outlet,Odour,CO,Oil,Remarks\n1,none,2,0.1\n2,none,2\n3,none,2,0.1,late\n")
    assert found.notes == [] and found.sheet.rows[2] == ["2", "none", "2", "", ""]


def test_a_second_wider_table_below_is_no_shifted_row():
    text = "Outlet,CO,Oil\n1,2,3\n\nOutlet,CO,Oil,Odour,Dryer\n2,3,4,none,none\n"
    found = table(text)
    assert found.notes == [] and found.sheet.rows[4] == ["2", "3", "4", "none", "none"]


def test_a_label_and_its_value_above_the_table_are_no_headings():
    found = table("Site;North works\nDate;1.2.2026\nOutlet;CO;Oil;Odour\n1;2;3;none\n")
    assert found.notes == [] and found.sheet.rows[3] == ["1", "2", "3", "none"]


def test_errors_that_a_spreadsheet_wrote_out_are_no_values():
    found = table('Outlet;CO;Oil;Odour\n1;#N/A;#DIV/0!;Err:502\n="007";#NV;#5;Error\n')
    assert found.sheet.rows[1] == [
        "1",
        Unreadable("#N/A", "error"),
        Unreadable("#DIV/0!", "error"),
        Unreadable("Err:502", "error"),
    ]
    assert found.sheet.rows[2] == ["007", Unreadable("#NV", "error"), "#5", "Error"]


def test_texts_become_readings_and_dates(tmp_path):
    rows = [
        ["Outlet", "Test date", "Oxygen (%)", "Carbon monoxide (ppm)", "Carbon dioxide (ppm)", "Flow measured (L/min)"],
        ["1", "14.03.2026", "20,9", "<5", "430", "1250"],
        ["2", "2026-03-15", "20,85", "n/a", "", "165,5"],
    ]
    tests, said = graded_cells(tmp_path, "log.csv", written(rows, ";"))
    assert [str(day)[:10] for day in tests["test_date"]] == ["2026-03-14", "2026-03-15"]
    assert tests["oxygen_pct"].tolist() == [20.9, 20.85]
    assert tests["co_ppm_upper"][0] == 5.0 and np.isnan(tests["co_ppm"][0])
    assert list(tests["co_ppm_state"]) == [READ, BLANK]
    assert tests["co2_ppm"][0] == 430.0 and tests["flow_l_min"].tolist() == [1250.0, 165.5]
    assert said == set()


def test_one_comma_and_three_digits_stay_ambiguous(tmp_path):
    rows = [
        ["Outlet", "Oxygen (%)", "Oil (mg/m³)", "Flow measured (L/min)"],
        ["1", "20.9", "1,250", "1,250"],
        ["2", "20.9", "", "1,100.5"],
    ]
    tests, _ = graded_cells(tmp_path, "log.csv", written(rows))
    assert tests["oil_mg_m3_state"][0] == UNREADABLE
    assert tests["flow_l_min"].tolist() == [1250.0, 1100.5]  # settled by the other cell of its column


def test_the_sheet_is_called_after_the_file_and_what_cannot_be_seen_is_kept(tmp_path):
    (tmp_path / "Hall 3.csv").write_text(written([HEADINGS, *ROWS], ";"), encoding="utf-8")
    problems = Problems()
    log = read_workbooks(find_workbooks(tmp_path, problems), problems)
    assert log.tables[0].sheet == "Hall 3" and log.files["format"][0] == "csv"
    assert "formulas" in log.files["not_seen"][0]


def test_a_text_of_an_own_result_is_told_by_its_headings():
    assert table(written([list(SHEETS["Verdicts"]), [""] * len(SHEETS["Verdicts"])])).own
    assert not table(written([["Outlet", "Oxygen (%)", "Verdict"], ["1", "20.9", "pass"]])).own


def test_limits_of_size_hold():
    text = written([HEADINGS, *ROWS])
    size = len(text.encode())
    assert table(text, text_bytes=size).sheet.rows
    assert refused(text, text_bytes=size - 1)[0] == "file_too_large"
    assert refused(text, dense_cells=31)[0] == "sheet_too_large"
    assert table(text, dense_cells=32).sheet.rows
    wide = "Outlet,CO\n" + "\n" * 500 + "," * 500 + "x"
    assert refused(wide, dense_cells=2000)[0] == "sheet_too_large"


def test_one_column_and_nothing_at_all():
    assert table("Outlet\n1\n2\n").sheet.rows == [["Outlet"], ["1"], ["2"]]
    assert table("\n\n").sheet.rows == [] and table(b"\xef\xbb\xbf").sheet.rows == []


def test_sources_say_what_cannot_be_seen(tmp_path):
    (tmp_path / "log.csv").write_text(written([HEADINGS, *ROWS], ";"), encoding="utf-8")
    sources = grade([tmp_path], as_of="2026-04-01").sources
    assert sources["Format"][0] == "csv" and "decimals" in sources["Cannot be seen in this format"][0]
