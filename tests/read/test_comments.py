"""Comments on cells and cells struck through, as a spreadsheet library writes them (openpyxl, whose reading is not used here)."""

import openpyxl
import pytest
from openpyxl.comments import Comment
from openpyxl.styles import Font

from grader import grade
from grader.read.words.own_notes import without_own_lines

HEADS = ["Outlet", "Site", "Test date", "Supply", "Dryer", "Odour", "Line pressure (bar)", "Flow measured (L/min)", "Oxygen (%)",
         "Carbon monoxide (ppm)", "Carbon dioxide (ppm)", "Oil (mg/m³)", "Water tube reading (mg/m³)"]  # fmt: skip
ROW = ["T1", "Strike Works", "2025-05-14", "airline", "desiccant", "none", 7, 400, 20.9, 1, 430, 0.1, 150]


@pytest.fixture(scope="module")
def graded(tmp_path_factory):
    """Outlet -> verdict and file -> problems, of six workbooks graded in one run."""
    folder = tmp_path_factory.mktemp("marks")
    for name in ("plain", "struck", "struck word", "struck remark", "comment", "harmless comment"):
        book = openpyxl.Workbook()
        sheet = book.active
        sheet.append([*HEADS, "Remarks"])
        sheet.append([*ROW, "hose worn"])
        sheet["A2"], sheet["B2"] = name, f"Works of {name}"
        marked = {"struck": "J2", "struck word": "F2", "struck remark": "N2"}.get(name)
        if marked:
            sheet[marked].font = Font(strike=True)
        if "comment" in name:
            words = "photo 12" if "harmless" in name else "reading doubtful, do not use"
            sheet["J2"].comment = Comment(words, "somebody")
        book.save(folder / f"{name}.xlsx")
    result = grade(folder, as_of="2026-06-30")
    return dict(zip(result.verdicts["Outlet"], result.verdicts["Verdict"])), result.problems


def test_what_is_struck_through_is_no_reading(graded):
    verdicts, problems = graded
    assert (verdicts["plain"], verdicts["struck remark"]) == ("pass", "pass")
    assert (verdicts["struck"], verdicts["struck word"]) == ("incomplete", "incomplete")
    said = problems[problems["Problem"].str.contains("struck through")]
    assert set(said["File"] + " " + said["Cell"]) == {"struck.xlsx J2", "struck word.xlsx F2"}


def test_comments_are_listed_and_one_that_speaks_against_a_pass_keeps_it_from_counting(graded):
    verdicts, problems = graded
    assert (verdicts["comment"], verdicts["harmless comment"]) == ("incomplete", "pass")
    said = problems[problems["Problem"].str.contains("carry a comment")]
    assert sorted(said["File"] + " " + said["Cell"]) == ["comment.xlsx J2", "harmless comment.xlsx J2"]


def test_lines_of_a_next_blank_are_ours_whoever_their_author_is_and_added_ones_are_read():
    """Each line as it is printed, in both languages; a word more on it, or a line more, is a person's."""
    own = (
        "Last test 2026-08-03: fail. [Carbon monoxide 6.5 ppm is over the limit of 5 ppm.]\nNext due: not known (out of use).",
        "Letzte Prüfung 2026-08-03: erfüllt. [Hält EN 12021 2014 ein.]\nNächste Fälligkeit 2026-11-03 (überfällig).",
        "Before: 2026-08: 0.1 mg/m³; 2026-05: <0.1 mg/m³; 2026-02: stain",
        "At the usual 840 hPa here a clear oil tube counts only after 17.9 min.\nLeave empty until it is drawn. Before: 2026-08: 1",
        "From 2026-08-03: what was written since cannot be read. Check it.",
    )
    assert [without_own_lines(text) for text in own] == [""] * len(own)
    for more in (" do not use", "\ndo not use"):
        assert all(without_own_lines(text + more).endswith("do not use") for text in own)


def test_a_unit_in_a_cell_of_a_known_column_is_no_other_column(tmp_path):
    book = openpyxl.Workbook()
    book.active.append([*HEADS, "Lowest use temperature (°C)"])
    book.active.append([*ROW, "5C"])
    book.save(tmp_path / "log.xlsx")
    assert not grade(tmp_path, as_of="2026-06-30").problems["Problem"].str.contains("can mean").any()
