"""Comments on cells and cells struck through, as a spreadsheet library writes them (openpyxl, whose reading is not used here)."""

import openpyxl
import pytest
from openpyxl.comments import Comment
from openpyxl.styles import Font

from grader import grade

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
