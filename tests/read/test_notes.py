"""Of which outlets a note speaks, and the figures and marks in it, whatever the shape of the log (cases: notes*.toml)."""

import tomllib
from pathlib import Path

import openpyxl
import pytest
from openpyxl.cell.rich_text import CellRichText, TextBlock
from openpyxl.cell.text import InlineFont
from openpyxl.comments import Comment
from openpyxl.formatting.rule import FormulaRule
from openpyxl.styles import Border, Font, PatternFill, Side
from openpyxl.worksheet.table import Table, TableStyleInfo

from grader import grade

DATA, MORE = (
    tomllib.loads(Path(__file__).with_name(name).read_text(encoding="utf-8"))
    for name in ("notes.toml", "notes_marked.toml")
)
DATA["case"] += MORE["case"]
FIELDS = (
    "outlet location system supply dryer odour line_pressure_bar flow_l_min flow_needed_l_min oxygen_pct co_ppm co2_ppm oil_mg_m3 "
    "oil_sampling_min water_mg_m3 ambient_temperature_c remarks"
).split()
AIR = [6.5, 310, 240, 20.9, 1, 445, 0.1, 15, 30, 18]
FIRST = "Alder Birch Cedar Elm Furze Gorse Hazel Iris Kelp Larch Maple Nettle Osier Poplar Quince Rowan".split()
FIRST += "Sorrel Tansy Vetch Willow Yarrow Bracken Clover Dogwood Elder Fern Holly Ivy Juniper Lilac".split()
SITES = [f"{first} {last}" for first in FIRST for last in "Hill Mill Moor Glen Firth Dell Wold Fen Croft".split()]


def rows_of(shape, lang, site, case):
    """(name of a sheet, its rows) of a log of four outlets, and what a case says."""
    words = DATA[lang]
    tests = []
    for i in range(4):
        values = [
            case.get("names", words["outlets"])[i],
            words["places"][i],
            "S1" if i < 2 else "S2",
            *words["airline"],
            *AIR,
            None,
        ]
        tests.append(dict(zip(FIELDS, values, strict=True)))
        tests[i]["outlet"] += case.get("marks", {}).get(str(i), "")
        tests[i]["remarks"] = case.get("remarks", {}).get(str(i))
    added = [(heading, rest) for heading, *rest in case.get("added", [])]
    heads, top = words["headings"], [[words["site"], site], [words["date"], "2026-03-12"], []]
    foot = [[v.strip() or None for v in line.split("|")] for line in case.get("foot", "").split("\n")]
    foot = [[int(v) if v and v.isdigit() else v for v in line] for line in foot]
    for heading, answers in added:
        heads = [*heads, heading]
        for test, answer in zip(tests, answers, strict=True):
            test[heading] = answer
    if shape == "down":
        return [("Log", [*top, heads, *(list(t.values()) for t in tests), [], *foot])]
    if shape == "across":
        return [
            ("Log", [*top, *([h, *(t[f] for t in tests)] for f, h in zip(tests[0], heads, strict=True)), [], *foot])
        ]
    if shape == "long":
        body = [
            [t["outlet"], h, t[f]] for t in tests for f, h in zip([*t][1:], heads[1:], strict=True) if t[f] is not None
        ]
        return [("Log", [*top, [heads[0], *words["long"]], *body, [], *foot])]
    forms = [[*top, *([h, t[f]] for f, h in zip(t, heads, strict=True))] for t in tests]
    forms[0] = [[v.strip() or None for v in line.split("|")] for line in case.get("title", "").split("\n")] + forms[0]
    forms[-1] += [[], *foot]
    if shape == "sheets":
        return [(f"Sheet{i}", form) for i, form in enumerate(forms)]
    return [("Forms", [row for form in forms for row in [*form, [], []]])]


def _mark(sheet, case):
    """Fill cells, and comment on them, by what stands in them."""
    for cell in (c for row in [*sheet.iter_rows()] for c in row):
        text = cell.value
        if text in case.get("fills", {}):
            cell.fill = PatternFill("solid", fgColor=f"FF{case['fills'][text]}")
        if text in case.get("fonts", {}):
            cell.font = Font(color=f"FF{case['fonts'][text]}")
        if text in case.get("edges", {}):
            side = Side("thick", color=f"FF{case['edges'][text]}")
            cell.border = Border(side, side, side, side)
        if text in case.get("formats", {}):
            cell.number_format = case["formats"][text]
        if text in case.get("patterns", {}):
            cell.fill = PatternFill("darkUp", fgColor="FFFFFFFF", bgColor=f"FF{case['patterns'][text]}")
        if text in case.get("flags", {}):  # a coloured cell behind the last, over this row and the next
            row, column = cell.row, sheet.max_column + 1
            sheet.cell(row, column).fill = PatternFill("solid", fgColor=f"FF{case['flags'][text]}")
            sheet.merge_cells(start_row=row, end_row=row + 1, start_column=column, end_column=column)
        if text in case.get("runs", {}):
            cell.value = CellRichText(TextBlock(InlineFont(color=f"FF{case['runs'][text]}"), text))
        if text in case.get("rules", {}):
            rule = FormulaRule(formula=["TRUE"], fill=PatternFill(bgColor=f"FF{case['rules'][text]}"))
            sheet.conditional_formatting.add(cell.coordinate, rule)
        if text in case.get("as_table", ()):
            named = Table(
                displayName="Tests", ref=f"{cell.coordinate}:{sheet.cell(cell.row + 4, len(FIELDS)).coordinate}"
            )
            named.tableStyleInfo = TableStyleInfo(name="TableStyleMedium3", showRowStripes=True)
            sheet.add_table(named)
        if text == case.get("comment", [""])[0]:
            cell.comment = Comment(case["comment"][1], "somebody")


@pytest.fixture(scope="module")
def verdicts(tmp_path_factory):
    root = tmp_path_factory.mktemp("notes")
    for number, (case, site) in enumerate(zip(DATA["case"], SITES, strict=False)):
        book = openpyxl.Workbook()
        book.remove(book.active)
        sheets = rows_of(*case["in"].split(), site, case)
        if "sheet" in case:
            sheets.append(("Notes", [[v.strip() for v in line.split("|")] for line in case["sheet"].split("\n")]))
        for name, rows in sheets:
            sheet = book.create_sheet(name)
            for row in rows:
                sheet.append(row)
            _mark(sheet, case)
        (root / f"case {number}").mkdir()
        book.save(root / f"case {number}" / "log.xlsx")
    found = grade(root, as_of="2026-11-25").verdicts
    at = found["File"].str.extract(r"case (\d+)/")[0].astype(int)
    return [found[at == n] for n in range(len(DATA["case"]))]


def name_of(case):
    told = ("foot", "sheet", "remarks", "added", "title", "comment", "names")
    return f"{case['in']}: {next(case[t] for t in told if t in case)}"


@pytest.mark.parametrize("number", range(len(DATA["case"])), ids=list(map(name_of, DATA["case"])))
def test_a_note_is_held_against_those_that_it_speaks_of(number, verdicts):
    case, mine = DATA["case"][number], verdicts[number]
    assert len(mine) == 4
    assert [i for i, v in enumerate(mine["Verdict"]) if v not in ("pass", "near limit")] == case["against"]


def test_there_are_sites_for_all_cases():
    assert len(DATA["case"]) <= len(SITES)
