"""Marked copies, read back with openpyxl and through the program's own reader."""

import hashlib
import io
import zipfile

import openpyxl
import pandas as pd
import pytest
import xlsxwriter
from openpyxl.chart import BarChart, Reference
from openpyxl.comments import Comment
from openpyxl.styles import Font, PatternFill

from grader import grade
from grader.data import load_toml
from grader.problems import GraderError, Problems
from grader.read.find import find_workbooks
from grader.read.process import read_workbooks
from grader.write import marked
from grader.write.marked import write_marked_copies
from grader.write.register import write_register
from grader.write.safely import kind_of

PALETTE = load_toml("palette.toml")["style"]
BAD, WARN = (f"00{PALETTE[style]['fill'].lstrip('#')}" for style in ("bad", "warn"))


def firms_book(path, change=None, rows=3):
    """A firm's workbook with a look of its own."""
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "Log 2026"
    sheet.append(["Outlet", "Oxygen (%)", "Carbon monoxide (ppm)"])
    for n in range(1, rows + 1):
        sheet.append([n, 20.9, "48O"])
    sheet["A1"].font = Font(bold=True, size=14)
    sheet.column_dimensions["B"].width = 33
    if change is not None:
        change(book, sheet)
    path.parent.mkdir(parents=True, exist_ok=True)
    book.save(path)
    return path


def problem(cell, severity="query", file="log.xlsx", sheet="Log 2026", text='"48O" is no reading.', todo="Correct it."):
    return {
        "File": file,
        "Sheet": sheet,
        "Cell": cell,
        "Value": "48O",
        "Severity": severity,
        "Problem": text,
        "What to do": todo,
    }


def files_of(*paths, folder, **more):
    return pd.DataFrame(
        [
            {
                "name": p.relative_to(folder).as_posix(),
                "path": str(p),
                "format": p.suffix[1:],
                "state": "read",
                "sha256": hashlib.sha256(p.read_bytes()).hexdigest(),
                **more,
            }
            for p in paths
        ]
    )


def copies(folder, problems, *paths, **more):
    """Write copies of files in `folder` into its neighbour `out`."""
    return write_marked_copies(folder.parent / "out", pd.DataFrame(problems), files_of(*paths, folder=folder, **more))


@pytest.fixture
def logs(tmp_path):
    folder = tmp_path / "logs"
    folder.mkdir()
    return folder


def fill(cell):
    return cell.fill.fgColor.rgb if cell.fill.fill_type == "solid" else None


def test_cells_are_coloured_and_say_what_to_do(logs):
    path = firms_book(logs / "log.xlsx")
    before = path.read_bytes()
    paths, notes = copies(
        logs,
        [problem("C2"), problem("B3", "refused", text="Not a number.", todo="Mend it."), problem("C4", "note")],
        path,
    )
    assert paths == [logs.parent / "out" / "log marked.xlsx"] and notes == []
    assert path.read_bytes() == before
    sheet = openpyxl.load_workbook(paths[0])["Log 2026"]
    assert (fill(sheet["C2"]), fill(sheet["B3"]), fill(sheet["C4"])) == (WARN, BAD, None)
    assert '"48O" is no reading.' in sheet["C2"].comment.text and "What to do: Correct it." in sheet["C2"].comment.text
    assert "Not graded: Not a number." in sheet["B3"].comment.text
    assert sheet["C4"].comment is None
    assert (sheet["A1"].font.size, sheet.column_dimensions["B"].width, sheet["C2"].value) == (14, 33, "48O")


def test_a_copy_is_known_and_passed_over_when_its_folder_is_graded(logs):
    path = firms_book(logs / "log.xlsx")
    paths, _ = write_marked_copies(logs, pd.DataFrame([problem("C2")]), files_of(path, folder=logs))
    assert kind_of(paths[0]) == "marked copy"
    log = read_workbooks(find_workbooks(logs, Problems()), Problems())
    assert list(log.files["name"]) == ["log.xlsx"] and log.passed_over_counts() == {"made by this program": 1}


def test_the_register_has_a_copy_too_which_is_no_register(logs):
    firms_book(logs / "log.xlsx")
    lines = {"Tubes": [{"parameter": "Oil", "tube_lot": "A1", "tube_expiry": "soon"}]}
    write_register(logs / "register.xlsx", lines=lines)
    result = grade([logs], as_of="2026-04-01")
    paths, notes = result.write_marked_copies(logs.parent / "out")
    copy = next(p for p in paths if p.name == "register marked.xlsx")
    assert kind_of(copy) == "marked copy" and notes == []
    sheet = openpyxl.load_workbook(copy)["Tubes"]
    assert fill(sheet["C2"]) == WARN and sheet["C2"].value == "soon"


def test_the_whole_way_from_a_graded_log(logs):
    path = firms_book(logs / "2026" / "log.xlsx")
    result = grade([logs], as_of="2026-04-01")
    paths, notes = write_marked_copies(logs.parent / "out", result.problems, result.log.files, inputs=[path])
    assert paths == [logs.parent / "out" / "2026" / "log marked.xlsx"] and notes == []
    sheet = openpyxl.load_workbook(paths[0])["Log 2026"]
    assert [fill(sheet[f"C{n}"]) for n in (2, 3, 4)] == [WARN] * 3 and fill(sheet["B2"]) is None


def test_a_comment_that_was_there_stays_in_front(logs):
    def change(book, sheet):
        sheet["C2"].comment = Comment("asked the caretaker", "invented name")

    paths, _ = copies(logs, [problem("C2")], firms_book(logs / "log.xlsx", change))
    comment = openpyxl.load_workbook(paths[0])["Log 2026"]["C2"].comment
    assert comment.text.startswith("asked the caretaker\n\n") and "no reading" in comment.text
    assert comment.author == "invented name"


def test_a_range_is_coloured_whole_and_commented_once(logs):
    paths, _ = copies(logs, [problem("C2:C40"), problem("C2")], firms_book(logs / "log.xlsx"))
    sheet = openpyxl.load_workbook(paths[0])["Log 2026"]
    assert [fill(sheet[f"C{n}"]) for n in range(1, 42)] == [None, *[WARN] * 39, None]
    assert [c.coordinate for row in sheet["A1:D45"] for c in row if c.comment] == ["C2"]
    assert sheet["C2"].comment.text.count("What to do") == 2


def test_a_cell_within_a_merged_area_is_marked_where_the_area_shows(logs):
    paths, notes = copies(logs, [problem("C3")], firms_book(logs / "log.xlsx", lambda b, s: s.merge_cells("B3:C4")))
    sheet = openpyxl.load_workbook(paths[0])["Log 2026"]
    assert fill(sheet["B3"]) == WARN and sheet["B3"].comment and notes == []


def test_many_problems_of_one_cell_are_cut_and_counted(logs):
    most = load_toml("marked.toml")["limits"]["most_in_a_comment"]
    paths, _ = copies(
        logs, [problem("C2", text=f"Number {n}.") for n in range(most + 3)], firms_book(logs / "log.xlsx")
    )
    text = openpyxl.load_workbook(paths[0])["Log 2026"]["C2"].comment.text
    assert f"Number {most - 1}." in text and f"Number {most}." not in text and "3 more problems" in text


def test_problems_whose_cell_is_not_there_are_counted(logs):
    wrong = [problem("C2"), problem("C2", sheet="Gone"), problem("XYZ0"), problem("row 3")]
    paths, notes = copies(logs, wrong, firms_book(logs / "log.xlsx"))
    assert len(paths) == 1 and len(notes) == 1 and notes[0].startswith("log.xlsx: 3 of its problems")


def test_more_marks_than_a_copy_takes_are_counted(logs, monkeypatch):
    real = load_toml("marked.toml")
    monkeypatch.setattr(marked, "load_toml", lambda name: {**real, "limits": {**real["limits"], "most_marks": 3}})
    paths, notes = copies(logs, [problem("C2:C999999"), problem("B2")], firms_book(logs / "log.xlsx"))
    sheet = openpyxl.load_workbook(paths[0])["Log 2026"]
    assert [fill(sheet[c]) for c in ("C2", "C3", "C4", "C5", "B2")] == [WARN, WARN, WARN, None, None]
    assert len(notes) == 1 and "1 of its problems" in notes[0]


@pytest.mark.parametrize(
    ("more", "cell", "said"),
    [
        ({"format": "ods"}, "C2", "made of .xlsx and .xlsm only"),
        ({"state": "refused"}, "C2", "could not be read"),
        ({}, "", "name no cell"),
        ({"sha256": "0" * 64}, "C2", "changed since"),
    ],
)
def test_files_without_a_copy_get_one_line_each(logs, more, cell, said):
    paths, notes = copies(logs, [problem(cell, "refused")], firms_book(logs / "log.xlsx"), **more)
    assert paths == [] and len(notes) == 1 and notes[0].startswith("log.xlsx: ") and said in notes[0]
    assert list((logs.parent / "out").iterdir()) == []


def test_files_without_problems_get_neither_copy_nor_line(logs):
    paths = [firms_book(logs / n) for n in ("log.xlsx", "b.xlsx")]
    assert copies(logs, [problem("C2", "note")], *paths) == ([], [])
    assert [p.name for p in (logs.parent / "out").iterdir()] == []


@pytest.mark.parametrize(("limit", "value", "said"), [("most_cells", 11, "12 cells"), ("most_bytes", 1000, "MB")])
def test_large_files_are_not_copied_and_the_limit_is_said(logs, monkeypatch, limit, value, said):
    path = firms_book(logs / "log.xlsx")
    real = load_toml("marked.toml")
    monkeypatch.setattr(marked, "load_toml", lambda name: {**real, "limits": {**real["limits"], limit: value}})
    paths, notes = copies(logs, [problem("C2")], path)
    assert paths == [] and said in notes[0] and "up to" in notes[0]


def test_a_file_that_openpyxl_cannot_load_costs_only_its_own_copy(logs):
    good, odd = firms_book(logs / "log.xlsx"), logs / "odd.xlsx"
    with zipfile.ZipFile(odd, "w") as archive:
        archive.writestr("xl/workbook.xml", "<workbook/>")
    paths, notes = copies(logs, [problem("C2", file="odd.xlsx"), problem("C2")], odd, good)
    assert [p.name for p in paths] == ["log marked.xlsx"]
    assert (
        len(notes) == 1
        and notes[0].startswith("odd.xlsx: no marked copy; it could not be made (")
        and "\n" not in notes[0]
    )


def test_an_earlier_copy_is_replaced_and_a_foreign_file_is_not(logs):
    path = firms_book(logs / "log.xlsx")
    first, _ = copies(logs, [problem("C2")], path)
    again, _ = copies(logs, [problem("B2")], path)
    assert first == again
    assert [fill(openpyxl.load_workbook(again[0])["Log 2026"][c]) for c in ("B2", "C2")] == [WARN, None]
    firms_book(first[0])
    before = first[0].read_bytes()
    paths, notes = copies(logs, [problem("C2")], path)
    assert paths == [] and "is no result of this program" in notes[0] and first[0].read_bytes() == before


def test_an_original_is_never_written_over(logs):
    """Another log is called as a copy would be."""
    paths = [firms_book(logs / "log.xlsx"), firms_book(logs / "log marked.xlsx")]
    before = [p.read_bytes() for p in paths]
    made, notes = write_marked_copies(logs, pd.DataFrame([problem("C2")]), files_of(*paths, folder=logs))
    assert made == [] and len(notes) == 1 and [p.read_bytes() for p in paths] == before


@pytest.mark.parametrize("name", ["../up.xlsx", "/etc/up.xlsx", "a/../../up.xlsx", "C:/up.xlsx", "a\\..\\up.xlsx"])
def test_a_name_does_not_lead_out_of_the_folder(logs, name):
    path = firms_book(logs / "log.xlsx")
    files = files_of(path, folder=logs).assign(name=name)
    paths, _ = write_marked_copies(logs / "out", pd.DataFrame([problem("C2", file=name)]), files)
    assert len(paths) == 1 and (logs / "out") in paths[0].parents


def test_names_that_would_meet_get_numbers_and_long_ones_are_cut(logs):
    """The same name with two endings, both of which hold an .xlsx."""
    paths = [firms_book(logs / "log.xlsx"), firms_book(logs / "LOG.xlsx")]
    long = firms_book(logs / ("ü" * 120 + ".xlsx"))
    files = files_of(*paths, long, folder=logs)
    made, notes = write_marked_copies(
        logs.parent / "out", pd.DataFrame([problem("C2", file=n) for n in files["name"]]), files
    )
    assert [p.name for p in made[:2]] == ["log marked.xlsx", "LOG marked (2).xlsx"] and notes == []
    assert len(made[2].name.encode()) < 255 and made[2].exists()


def test_a_folder_that_cannot_be_made_stops_before_anything_is_written(logs):
    path = firms_book(logs / "log.xlsx")
    with pytest.raises(GraderError, match="is a file"):
        write_marked_copies(path, pd.DataFrame([problem("C2")]), files_of(path, folder=logs))


def test_what_a_copy_lacks_is_said(logs):
    """Pictures need a library that is not required here; openpyxl knows no drawn shapes and sparklines."""
    path = logs / "log.xlsx"
    png = bytes.fromhex(
        "89504e470d0a1a0a0000000d4948445200000001000000010802000000907753de0000000c49444154"
        "08d763f8ffff3f0005fe02fedccc59e70000000049454e44ae426082"
    )
    with xlsxwriter.Workbook(str(path)) as book:
        sheet = book.add_worksheet("Log 2026")
        sheet.write_row(0, 0, ["Outlet", "Oxygen (%)", "Carbon monoxide (ppm)"])
        sheet.write_row(1, 0, [1, 20.9, "48O"])
        sheet.write_formula("D2", "=A2+1", None, 2)
        sheet.insert_textbox("F2", "drawn")
        sheet.insert_image("F9", "x.png", {"image_data": io.BytesIO(png)})
        sheet.add_sparkline("E2", {"range": "'Log 2026'!A2:B2"})
    paths, notes = copies(logs, [problem("C2")], path)
    assert len(paths) == 1 and len(notes) == 1
    for what in ("pictures", "drawn shapes", "formats and lists of newer kinds", "stored results of formulas"):
        assert what in notes[0]
    assert "charts" not in notes[0]


def test_a_chart_is_kept(logs):
    def change(book, sheet):
        chart = BarChart()
        chart.add_data(Reference(sheet, min_col=2, min_row=1, max_row=4))
        sheet.add_chart(chart, "F2")

    paths, notes = copies(logs, [problem("C2")], firms_book(logs / "log.xlsx", change))
    assert notes == [] and len(openpyxl.load_workbook(paths[0])["Log 2026"]._charts) == 1


def test_macros_are_kept_in_a_macro_workbook(logs):
    data = io.BytesIO()
    plain = firms_book(logs / "plain.xlsx")
    with zipfile.ZipFile(plain) as old, zipfile.ZipFile(data, "w") as new:
        for name in old.namelist():
            content = old.read(name)
            if name == "[Content_Types].xml":
                content = content.replace(b"spreadsheetml.sheet.main+xml", b"X").replace(
                    b"application/vnd.openxmlformats-officedocument.X",
                    b"application/vnd.ms-excel.sheet.macroEnabled.main+xml",
                )
                content = content.replace(
                    b"</Types>",
                    b'<Default Extension="bin" ContentType="application/vnd.ms-office.vbaProject"/></Types>',
                )
            new.writestr(name, content)
        new.writestr("xl/vbaProject.bin", b"macros")
    path = logs / "log.xlsm"
    path.write_bytes(data.getvalue())
    paths, notes = copies(logs, [problem("C2", file="log.xlsm")], path)
    assert [p.name for p in paths] == ["log marked.xlsm"] and notes == []
    with zipfile.ZipFile(paths[0]) as archive:
        assert archive.read("xl/vbaProject.bin") == b"macros"
    assert kind_of(paths[0]) == "marked copy"
    assert fill(openpyxl.load_workbook(paths[0])["Log 2026"]["C2"]) == WARN


def test_a_workbook_under_another_ending_gets_a_copy_that_opens(logs):
    path = logs / "log.xls"
    path.write_bytes(firms_book(logs / "x.xlsx").read_bytes())
    paths, _ = copies(logs, [problem("C2", file="log.xls")], path, format="xlsx")
    assert paths[0].name == "log marked.xlsx" and openpyxl.load_workbook(paths[0])


def test_the_look_of_a_coloured_cell_is_kept_beside_its_colour(logs):
    def change(book, sheet):
        sheet["C2"].font = Font(bold=True, size=18)
        sheet["C2"].number_format = "0.000"
        sheet["C3"].fill = PatternFill("solid", fgColor="00FF00")

    paths, _ = copies(logs, [problem("C2"), problem("C3")], firms_book(logs / "log.xlsx", change))
    sheet = openpyxl.load_workbook(paths[0])["Log 2026"]
    assert (sheet["C2"].font.bold, sheet["C2"].font.size, sheet["C2"].number_format) == (True, 18, "0.000")
    assert fill(sheet["C3"]) == WARN
