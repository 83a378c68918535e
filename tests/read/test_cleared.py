"""Lists of the outlets that may be used, and who is left out of them (openpyxl as the writer)."""

import openpyxl
import pytest

from grader import grade
from tests.read.test_comments import HEADS, ROW

LINES = {
    "Released for use: B1, B2": "B3",
    "Use B1, B3 only.": "B2",
    "Nur B2, B3 benutzen.": "B1",
    "Utiliser seulement B1 et B2": "B3",
    "Certificates issued for B1, B3 only.": "B2",
    "Prüfplakette geklebt: B1, B2": "B3",
    "Vignettes posées : B2, B3": "B1",
    "B1, B2 OK": "B3",
    "Conformes : B1, B3": "B2",
    "All outlets may be used apart from B2.": "B2",
    "B1 and B3 passed, tags fitted": "B2",
    "Released: B1, B2, B3": "",
    "B1 and B2 share a label holder": "",
    "Labels for B1, B2 in the van": "",
    "Certificates by post": "",
}


def graded(folder, lines, title=""):
    sheet = (book := openpyxl.Workbook()).active
    sheet.append(HEADS)
    for name in ("B1", "B2", "B3"):
        sheet.append([name, *ROW[1:]])
    if title:
        sheet = book.create_sheet(title)
    sheet.append([])
    for line in lines:
        sheet.append(line)
    book.save(folder / "log.xlsx")
    found = grade(folder, as_of="2025-06-30").verdicts
    return {name for name, verdict in zip(found["Outlet"], found["Verdict"]) if verdict != "pass"}


@pytest.mark.parametrize("line", LINES)
@pytest.mark.parametrize("title", ["", "Notes"])
def test_a_line_that_lists_what_may_be_used_leaves_the_others_out(line, title, tmp_path):
    assert graded(tmp_path, [[line]], title) == {LINES[line]} - {""}


@pytest.mark.parametrize(
    ("title", "left"),
    [("Certificates", {"B2"}), ("Plaketten", {"B2"}), ("Prises approuvées", {"B2"}), ("Hoses", set())],
)
def test_a_sheet_of_certificates_leaves_an_outlet_out(title, left, tmp_path):
    assert graded(tmp_path, [["Outlet", "No."], ["B1", "BA-1040"], ["B3", "BA-1042"]], title) == left
