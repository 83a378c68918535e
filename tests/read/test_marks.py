"""Marks in names, remarks and columns of codes, with their key on the sheet or on another (openpyxl as the writer)."""

import openpyxl
import pytest

from grader import grade
from tests.read.test_comments import HEADS, ROW

FINE, BAD = "pass", "incomplete"
# Names, remarks and codes of three outlets, the lines of the key, whether it stands on another sheet, and who is spoken of.
CASES = {
    "a raised figure": (("A", "B¹", "C"), (), (), ["¹ not released"], False, "B"),
    "an asterisk": (("A*", "B", "C"), (), (), ["* smelt of oil"], True, "A"),
    "a bracket": (("A", "B", "C 1)"), (), (), ["1) CO too high, see engineer"], False, "C"),
    "a dagger": (("A", "B†", "C"), (), (), ["† abgesperrt"], True, "B"),
    "a remark": (("A", "B", "C"), (None, 7, None), (), ["7 = Öl nicht bestanden"], False, "B"),
    "a note": (("A", "B", "C"), (None, "see note 7", None), (), ["7 = Öl nicht bestanden"], False, "B"),
    "a letter": (("A", "B", "C"), (None, "a", "b"), (), ["a: nicht atmen", "b: Leiter nötig"], True, "B"),
    "a column": (("A", "B", "C"), (), ("G", "G", "K"), [("G", "released"), ("K", "condemned")], True, "C"),
    "figures": (("A", "B", "C"), (), (1, 4, 1), ["1 = good, 2 = fair, 4 = unsafe, isolate"], True, "B"),
    "codes of words": (("A", "B", "C"), (), ("A", "A", "C"), ["A = in Ordnung", "C = außer Betrieb"], True, "C"),
    "not used": (("A", "B", "C"), (), (1, 1, 2), ["1 = good", "2 = fair", "4 = unsafe"], True, ""),
    "good": (("A¹", "B²", "C"), (), (), ["¹ new hose", "² painted"], False, ""),
}


@pytest.mark.parametrize("case", CASES)
def test_a_mark_is_what_its_key_says(case, tmp_path):
    names, remarks, codes, key, elsewhere, spoken = CASES[case]
    sheet = (book := openpyxl.Workbook()).active
    sheet.append([*HEADS, "Remarks", "Code"])
    for i, name in enumerate(names):
        sheet.append([name, *ROW[1:], *(some[i] if some else None for some in (remarks, codes))])
    if elsewhere:
        sheet = book.create_sheet("Key")
    sheet.append([])
    for line in key:
        sheet.append([line] if isinstance(line, str) else list(line))
    book.save(tmp_path / "log.xlsx")
    found = grade(tmp_path, as_of="2025-06-30").verdicts
    verdicts = dict(zip(found["Outlet"].str[0], found["Verdict"]))
    assert verdicts == {name: BAD if name == spoken else FINE for name in "ABC"}
