"""What a reader sees: widths and heights that fit their text, paper, charts that show what the tables say."""

from __future__ import annotations

import re
import zipfile
from datetime import date
from itertools import pairwise
from xml.etree import ElementTree

import openpyxl
import pandas as pd
import pytest

from grader import grade
from grader.columns import SHEETS
from grader.page import Block, Page
from grader.problems import GraderError
from grader.review import charts
from grader.write.measure import SLACK, text_px, wrapped_lines
from grader.write.result import write_result
from grader.write.sheets import (
    FEWEST_ROWS,
    MARGINS,
    PAGE_HEIGHT_PT,
    PAGE_WIDTH_PT,
    column_look,
    fitted,
    paper,
    printed_columns,
    width_pt,
)
from grader.write.styles import palette
from tests.support import AIRLINE, CYLINDER
from tests.test_batch import visit_file
from tests.write.test_styles import contrast, lab, linear

# openpyxl, which only reads here, does not know sparklines.
pytestmark = pytest.mark.filterwarnings("ignore:Sparkline Group extension")
C = "{http://schemas.openxmlformats.org/drawingml/2006/chart}"
XDR = "{http://schemas.openxmlformats.org/drawingml/2006/spreadsheetDrawing}"


@pytest.fixture(scope="module")
def visited(tmp_path_factory):
    """Four visits to one airline and one cylinder; carbon monoxide climbs and once is a bound."""
    folder = tmp_path_factory.mktemp("visits")
    for number, (month, co) in enumerate(((3, 1.0), (6, "<5"), (9, 3.0), (12, 6.0))):
        visit_file(
            folder / f"{number}.xlsx", rows=[{**AIRLINE, "co_ppm": co}, CYLINDER], test_date=date(2025, month, 14)
        )
    return folder


@pytest.fixture(scope="module")
def drawn(visited, tmp_path_factory):
    result = grade(visited, as_of="2026-01-01")
    result.draw("north works")
    path = tmp_path_factory.mktemp("out") / "r.xlsx"
    result.write(path)
    return result, path


# -- measuring ------------------------------------------------------------------------------------------


def test_widths_are_those_of_the_font():
    """Arial's advance widths at 1000 units: W 944, m 833, i 222, digit 556 (checked with Liberation Sans,
    which is made to the same widths)."""
    for character, width in (("W", 944), ("m", 833), ("i", 222), ("5", 556)):
        assert text_px(character, 750.0) / SLACK == pytest.approx(width)  # 750 points are 1000 pixels


def test_lines_grow_with_text_and_shrink_with_room():
    text = "Drain and change the coalescing and carbon filters. " * 3
    counts = [wrapped_lines(text, width, 9) for width in (80, 160, 320, 2000)]
    assert counts == sorted(counts, reverse=True) and counts[-1] == 1
    assert wrapped_lines("x" * 300, 100, 9) >= 15  # a word without end is broken
    assert wrapped_lines("a\nb\n\nc", 100, 9) == 4


def test_a_column_is_as_wide_as_its_text_within_bounds():
    look = column_look("Due", "Site")
    assert fitted(look, ["A", None, 3.0]).width == look.width
    assert look.width < fitted(look, ["Farwick Warm Process"]).width < fitted(look, ["W" * 99]).width == look.most


@pytest.mark.parametrize("sheet", sorted(SHEETS))
def test_headings_fit_their_columns(sheet):
    """The longest word of a bold heading is not broken."""
    for heading in SHEETS[sheet]:
        room = column_look(sheet, heading).width * 7 - 9
        longest = max(text_px(word, 10 * 1.07) / SLACK for word in heading.split())
        assert longest <= room, heading


def test_verdicts_print_on_two_pages_across():
    """With names of usual length: the readings' verdicts stay with their readings."""
    headings = list(SHEETS["Verdicts"])
    names = {
        "Site": "Farwick Warm Process Wks",
        "Outlet": "Workshop 4",
        "System": "Workshop main",
        "Rule set": "en12021-2014",
    }
    looks = [fitted(column_look("Verdicts", h), [names.get(h, "")]) for h in headings]
    count = printed_columns("Verdicts", headings)
    assert headings[count - 1] == "Pressure verdict"
    made = paper("Verdicts", looks[:count], 2, 52, [15.0] * 9)
    assert made.scale >= 60 and len(made.columns) == 1 and not looks[made.columns[0]].keep
    assert all(width_pt(look.width) < 400 for look in looks)


def test_pages_across_are_even():
    """Columns alike: all pages but the last are as full as the first, and the last is at least half full."""
    for count in range(2, 60):
        made = paper("Trend", [column_look("Trend", "2026-03")] * count, 1, 52, [15.0])
        pages = [end - start for start, end in pairwise([1, *made.columns, count])]
        assert set(pages[:-1]) <= {pages[0]} and 2 * pages[-1] >= pages[0], count
        assert width_pt(8.5) * (1 + pages[0]) <= PAGE_WIDTH_PT * 100 / made.scale


def test_a_page_that_would_hold_next_to_nothing_is_saved_by_a_smaller_scale(tmp_path):
    """Of lines that fill a page and a little more; of twice as many the scale is the usual one."""
    for lines, scale, breaks in ((40, 85, 0), (50, 82, 0), (80, 85, 1)):
        page = Page("x", blocks=[Block("text", rows=[("one",)] * lines)], compact=True)
        write_result(tmp_path / "r.xlsx", {"Verdicts": pd.DataFrame()}, page)
        sheet = openpyxl.load_workbook(tmp_path / "r.xlsx")["Summary"]
        assert (sheet.page_setup.scale, len(sheet.row_breaks.brk)) == (scale, breaks)


def test_no_heading_is_broken_inside_a_word(tmp_path):
    """Column 2 asks for two units, its heading needs four; they are lent by the widest."""
    block = Block("table", "A", ["Site", "Verantwortlich"], [("one", "two")], widths=[28, 2])
    write_result(tmp_path / "r.xlsx", {"Verdicts": pd.DataFrame()}, Page("x", blocks=[block], compact=True))
    merged = openpyxl.load_workbook(tmp_path / "r.xlsx")["Summary"].merged_cells.ranges
    assert {26, 4} <= {m.size["columns"] for m in merged} and 28 not in {m.size["columns"] for m in merged}


def test_a_long_sheet_prints_its_first_two_pages_and_a_short_one_all():
    looks = [column_look("Sources", "File")] * 3
    short = paper("Sources", looks, 1, 40, [15.0] * 10)
    assert (short.columns, short.rows, short.printed) == ([], [], 10)
    long = paper("Sources", looks, 1, 40, [15.0] * 800)
    assert len(long.rows) == 1 and long.printed == 2 * (long.rows[0] - 1) < 800
    assert (long.rows[0] - 1) * 15 + 40 <= PAGE_HEIGHT_PT * 100 / long.scale < long.rows[0] * 15 + 40
    assert paper("Limits", looks, 1, 40, [15.0] * 800).printed == 800  # whole, however long


def test_a_column_that_nobody_described_wraps_on_paper():
    assert column_look("Limits", "Standard uncertainty").wrap and column_look("any", "Some new heading").wrap


def test_no_line_stands_alone_on_the_last_page():
    looks = [column_look("Limits", "Clause")]
    a_page = paper("Limits", looks, 0, 40, [15.0] * 99).rows[0] - 1
    made = paper("Limits", looks, 0, 40, [15.0] * (a_page + 1))
    assert made.rows == [a_page + 1 - FEWEST_ROWS + 1] and made.printed == a_page + 1
    tall = paper("Limits", looks, 0, 40, [900.0, 900.0])  # rows higher than a page: one a page
    assert tall.rows == [2] and tall.printed == 2


def test_pages_fit_on_a4_and_on_letter():
    """Sizes of the papers in points, 72 an inch: 210 by 297 mm (ISO 216), 8.5 by 11 inches (ANSI/ASME Y14.1); memory."""
    for wide, high in ((297 / 25.4 * 72, 210 / 25.4 * 72), (11 * 72, 8.5 * 72)):
        assert wide - (MARGINS["left"] + MARGINS["right"]) * 72 > PAGE_WIDTH_PT
        assert high - (MARGINS["top"] + MARGINS["bottom"]) * 72 > PAGE_HEIGHT_PT


def test_secondary_columns_stay_in_the_sheet_and_off_the_paper(drawn):
    result, path = drawn
    sheet = openpyxl.load_workbook(path)["Verdicts"]
    assert [c.value for c in sheet[1]] == list(result.verdicts.columns)
    assert sheet.print_area.startswith("'Verdicts'!$A$1:$AD$")  # AD: Pressure verdict
    levels = {c.value: sheet.column_dimensions[c.column_letter].outlineLevel for c in sheet[1]}
    assert levels["File"] == 1 and levels["Verdict"] == 0 and levels["Water verdict"] == 0
    assert not any(sheet.column_dimensions[c.column_letter].hidden for c in sheet[1])


def test_no_data_sheet_has_merged_cells(drawn):
    book = openpyxl.load_workbook(drawn[1])
    assert [s.title for s in book if s.merged_cells.ranges] == ["Summary", "Charts"]


# -- pages for people -----------------------------------------------------------------------------------


def test_an_empty_row_keeps_its_height(tmp_path):
    page = Page("x", blocks=[Block("text", "A", rows=[("one",)]), Block("text", "B", rows=[("two",)])])
    write_result(tmp_path / "r.xlsx", {"Verdicts": pd.DataFrame()}, page)
    sheet = openpyxl.load_workbook(tmp_path / "r.xlsx")["Summary"]
    written = {n for n, d in sheet.row_dimensions.items() if d.height}
    assert written == set(range(1, sheet.max_row + 1))


def test_the_summary_of_a_site_is_two_pages_at_most(drawn):
    sheet = openpyxl.load_workbook(drawn[1])["Summary"]
    assert len(sheet.row_breaks.brk) <= 1 and sheet.page_setup.scale == 85


def test_language_and_title_are_set(drawn):
    with zipfile.ZipFile(drawn[1]) as archive:
        core = archive.read("docProps/core.xml").decode()
    assert "<dc:language>en</dc:language>" in core and "<dc:title>" in core
    assert openpyxl.load_workbook(drawn[1]).properties.language == "en"


def drawings(path):
    with zipfile.ZipFile(path) as archive:
        for name in archive.namelist():
            if re.fullmatch(r"xl/drawings/drawing\d+\.xml", name):
                yield from ElementTree.fromstring(archive.read(name)).iter(f"{XDR}cNvPr")


def test_every_chart_has_a_text_for_those_who_cannot_see_it(drawn):
    said = [frame.get("descr") for frame in drawings(drawn[1])]
    assert len(said) >= 10 and all(said)
    assert any("Carbon monoxide of Bay 1, 4 tests" in text and "latest 6" in text for text in said)


# -- charts of a site -----------------------------------------------------------------------------------


def chart_parts(path):
    with zipfile.ZipFile(path) as archive:
        for name in sorted(archive.namelist()):
            if re.fullmatch(r"xl/charts/chart\d+\.xml", name):
                yield ElementTree.fromstring(archive.read(name))


def cells_of(book, formula):
    sheet, area = formula.rsplit("!", 1)
    return [c.value for row in book[sheet.strip("'")][area.replace("$", "")] for c in row]


def test_the_charts_show_the_figures_of_the_tables(drawn):
    result, path = drawn
    book = openpyxl.load_workbook(path)
    found = {}
    for chart in chart_parts(path):
        title = "".join(t.text or "" for t in chart.iter("{http://schemas.openxmlformats.org/drawingml/2006/main}t"))
        for series in chart.iter(f"{C}ser"):
            formula = series.find(f"{C}val/{C}numRef/{C}f").text
            if "Chart data" in formula:
                name = series.find(f"{C}tx").findtext(f".//{C}v")
                found.setdefault(title, []).append((name, cells_of(book, formula)))
    assert found["Carbon monoxide (ppm)"][-3:] == [  # Bank 1 comes before Bay 1
        ("reading", [1.0, None, 3.0, 6.0]),
        ("bound", [None, 5.0, None, None]),
        ("at most", [5.0] * 4),
    ]
    v = result.verdicts
    margin = v.loc[v["Outlet"] == "Bay 1", "Dew point margin (K)"].astype(float).tolist()
    assert found["Dew point margin (K)"] == [("reading", pytest.approx(margin)), ("at least", [5.0] * 4)]
    assert "Water (mg/m³)" in found  # the cylinder's


def test_the_charts_stand_before_the_problems_with_their_figures(drawn):
    names = openpyxl.load_workbook(drawn[1]).sheetnames
    assert names[0] == "Summary" and names[-5:] == ["Charts", "Chart data", "Problems", "Sources", "Limits"]


def test_an_unknown_site_is_an_error_that_names_the_nearest(visited):
    with pytest.raises(GraderError, match="North Works"):
        grade(visited, as_of="2026-01-01").draw("Nroth Works")


def test_outlets_beyond_the_cap_are_named(visited, monkeypatch):
    monkeypatch.setattr(charts, "MOST_OUTLETS", 1)
    result = grade(visited, as_of="2026-01-01")
    result.draw("North Works")
    page = result.pages["Charts"]
    assert len(page.blocks) == 1 and "1 are not: Bay 1" in page.subtitle or "1 are not: Bank 1" in page.subtitle
    assert result.more["Chart data"]["Outlet"].nunique() == 1


def test_chart_series_are_told_apart_in_grey_print_and_the_limit_is_seen():
    """Neighbours of a stack differ in lightness; a line needs 3:1 on paper (WCAG 2.1, 1.4.11, from memory)."""
    shades = [lab(linear(c))[0] for c in palette()["series"]["colours"]]
    assert all(abs(one - other) >= 10 for one, other in pairwise(shades))
    for colour in (palette()["page"]["limit_line"], palette()["page"]["sparkline"]):
        assert contrast(colour, "#FFFFFF") >= 3


@pytest.mark.parametrize(
    "given", [{"sheet": "Nowhere", "first": 0, "last": 1}, {"sheet": "Verdicts", "first": 0, "last": 9}]
)
def test_a_chart_of_rows_that_are_not_there_is_an_error(tmp_path, given):
    chart = {**given, "categories": "Oil", "series": [("reading", "Oil", "reading")], "description": "x"}
    page = Page("x", blocks=[Block("charts", "x", chart={"charts": [chart]})], landscape=True)
    with pytest.raises(ValueError, match="not there"):
        write_result(
            tmp_path / "r.xlsx", {"Verdicts": pd.DataFrame({"Oil": [0.1, 0.2]})}, Page("x"), pages={"Charts": page}
        )
    assert not (tmp_path / "r.xlsx").exists()


def test_a_month_of_trend_tells_its_verdict_without_colour_too(tmp_path):
    trend = pd.DataFrame({"Parameter": ["Oil"] * 4, "2026-03": [0.6, 0.4, 0.3, 0.1]})
    colours = pd.DataFrame({"2026-03": ["fail", "near limit", "cannot tell", "pass"]})
    write_result(tmp_path / "r.xlsx", {"Trend": trend}, Page("x"), colours={"Trend": colours})
    sheet = openpyxl.load_workbook(tmp_path / "r.xlsx")["Trend"]
    fonts = [sheet.cell(row, 2).font for row in range(2, 6)]
    assert [(bool(f.b), f.u, bool(f.i)) for f in fonts] == [
        (True, None, False),
        (False, "single", False),
        (False, None, True),
        (False, None, False),
    ]
