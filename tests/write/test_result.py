"""The result workbook, read back with openpyxl and pandas."""

import re
import zipfile
from datetime import UTC, date, datetime, time
from xml.etree import ElementTree

import numpy as np
import openpyxl
import pandas as pd
import pytest

from grader.columns import SHEETS
from grader.page import Block, Page
from grader.write import result
from grader.write.result import write_result
from grader.write.sheets import column_look, paper, printed_columns, setting
from grader.write.styles import palette
from grader.write.values import LONGEST_TEXT, clean_text

PAGE = Page(
    "Results",
    "Two sites",
    [
        Block("figures", rows=[("fail", 2, "fail"), ("pass", 1234, "pass"), ("files", 3, "")]),
        Block("cautions", "Before you use this", rows=[("It gives no permission to use an outlet. " * 8,)]),
        Block(
            "table",
            "First",
            ["Outlet", "Verdict", "Finding"],
            [("=7", "fail", "Dew point margin 1.3 K, at least 5 K is needed"), ("8", "pass", None)],
            links={0: ("Verdicts", 1)},
            note="More on Actions.",
        ),
        Block(
            "chart",
            "By month",
            chart={
                "kind": "column stacked",
                "categories": ["2026-01", "2026-02"],
                "series": [("pass", [5, 6]), ("fail", [1, None])],
                "y_axis": "Tests",
            },
        ),
        Block("text", "How", rows=[("Rule set en12021-2014.",)]),
    ],
)


def verdicts(count=3):
    row = {
        "Site": "Moss End",
        "Outlet": "007",
        "System": "Ring main",
        "Test date": pd.Timestamp("2026-03-02"),
        "Verdict": "fail",
        "Reasons": "Water: margin 1.3 K.",
        "Oxygen (%)": 20.9,
        "Oxygen verdict": "pass",
        "Carbon monoxide (ppm)": "<5",
        "Carbon monoxide verdict": "near limit",
        "Oil (mg/m³)": np.nan,
        "Oil verdict": "not tested",
        "Flow (L/min)": 480,
        "Row": 2,
    }
    frame = pd.DataFrame([row] * count)
    frame["Verdict"] = [["fail", "pass", "incomplete"][n % 3] for n in range(count)]
    return frame


def write(folder, frames=None, page=None, **more):
    path = folder / "r.xlsx"
    frames = {"Verdicts": verdicts()} if frames is None else frames
    usual = PAGE if len(frames.get("Verdicts", ())) > 1 else Page("Results")
    return path, write_result(path, frames, page or usual, **more)


def opened(path, sheet="Verdicts"):
    return openpyxl.load_workbook(path)[sheet]


def fill(cell):
    return "#" + cell.fill.start_color.rgb[2:] if cell.fill.fill_type == "solid" else ""


def style(word):
    return palette()["style"][palette()["words"][word]]["fill"]


def xml(path, part):
    with zipfile.ZipFile(path) as archive:
        return archive.read(part).decode("utf-8")


# -- data sheets ----------------------------------------------------------------------------------------


def test_the_sheets_stand_in_order_and_the_summary_is_first_and_shown(tmp_path):
    frames = {"Verdicts": verdicts(), "Oddities": pd.DataFrame({"Lot": ["A"]}), "Due": pd.DataFrame()}
    path, told = write(tmp_path, frames)
    book = openpyxl.load_workbook(path)
    assert book.sheetnames == ["Summary", "Verdicts", "Oddities", "Due"] and book.active.title == "Summary"
    assert told.sheets == {name: [name] for name in frames}
    assert told.rows == {"Verdicts": 3, "Oddities": 1, "Due": 0}


def test_pandas_reads_back_what_went_in(tmp_path):
    frame = verdicts()
    path, _ = write(tmp_path, {"Verdicts": frame})
    read = pd.read_excel(path, sheet_name="Verdicts", engine="openpyxl", dtype={"Outlet": str})
    pd.testing.assert_frame_equal(read, frame, check_dtype=False)
    assert read["Test date"].dtype.kind == "M" and read["Flow (L/min)"].dtype.kind == "i"


@pytest.mark.parametrize(
    "text",
    [
        "=1+1",
        "+1",
        "-1",
        "@SUM(A1)",
        "{=A1}",
        "http://example.org",
        "mailto:a@example.org",
        "internal:'Verdicts'!A1",
        "007",
        "1e5",
        "TRUE",
        "<r><t>x</t></r>",
        " led ",
        "a\nb",
        "é漢😀",
        "_x0041_",
    ],
)
def test_text_of_an_input_stays_text(tmp_path, text):
    frame = pd.DataFrame({"Outlet": [text], text: ["x"], "Verdict": [text]})
    path, _ = write(tmp_path, {"Verdicts": frame})
    sheet = opened(path)
    for cell in (sheet["A2"], sheet["C2"], sheet["B1"]):
        assert cell.data_type in ("s", "inlineStr") and cell.hyperlink is None
    assert "<f>" not in xml(path, "xl/worksheets/sheet2.xml")
    shown = sheet["A2"].value.replace("_x005F_", "_")  # the format's own escape, undone by a spreadsheet
    assert shown.rstrip() == text.rstrip()


def test_missing_is_an_empty_cell(tmp_path):
    frame = pd.DataFrame(
        {
            "Outlet": ["1", None, ""],
            "Oil (mg/m³)": [np.nan, 0.1, np.nan],
            "Test date": pd.to_datetime(["2026-01-01", None, None]),
            "Reading": [float("nan"), pd.NA, pd.NaT],
            "n": pd.array([1, None, 3], dtype="Int64"),
        }
    )
    path, _ = write(tmp_path, {"Verdicts": frame})
    read = pd.read_excel(path, sheet_name="Verdicts", engine="openpyxl")
    assert read.isna().to_numpy().tolist() == [
        [False, True, False, True, False],
        [True, False, True, True, True],
        [True, True, True, True, False],
    ]


def test_odd_values_are_shown_and_never_lost(tmp_path):
    values = [
        float("inf"),
        True,
        time(9, 30),
        date(2026, 2, 3),
        datetime(2026, 2, 3, 14, 30),
        date(1899, 5, 1),
        10**18,
        np.float64(1.5),
        np.int64(7),
        datetime(2026, 2, 3, tzinfo=UTC),
        ("a", 1),
    ]
    path, _ = write(tmp_path, {"Oddities": pd.DataFrame({"Value": pd.Series(values, dtype=object)})})
    sheet = opened(path, "Oddities")
    assert [sheet.cell(row, 1).value for row in range(2, 13)] == [
        "not a finite number",
        "yes",
        "09:30",
        datetime(2026, 2, 3),
        "2026-02-03 14:30",
        "1899-05-01",
        str(10**18),
        1.5,
        7,
        datetime(2026, 2, 3),
        "('a', 1)",
    ]
    assert sheet["A5"].number_format == sheet["A11"].number_format == "yyyy-mm-dd"


def test_dates_are_dates_of_the_day(tmp_path):
    path, _ = write(tmp_path)
    cell = opened(path)["D2"]
    assert (cell.value, cell.number_format) == (datetime(2026, 3, 2), "yyyy-mm-dd")


def test_dates_before_the_calendar_of_spreadsheets_are_text(tmp_path):
    frame = pd.DataFrame({"Test date": pd.to_datetime(["1899-12-31", "2026-03-02"])})
    path, _ = write(tmp_path, {"Verdicts": frame})
    assert [opened(path).cell(r, 1).value for r in (2, 3)] == ["1899-12-31", datetime(2026, 3, 2)]


def test_too_long_a_text_is_cut_with_a_mark(tmp_path):
    frame = pd.DataFrame({"Value": ["x" * 40_000, "😀" * 20_000, "y" * LONGEST_TEXT]})
    path, told = write(tmp_path, {"Problems": frame})
    cut, wide, whole = (opened(path, "Problems").cell(row, 1).value for row in (2, 3, 4))
    assert cut.endswith("[cut here: 40000 characters]") and len(cut) == LONGEST_TEXT
    assert len(wide.encode("utf-16-le")) // 2 <= LONGEST_TEXT and "😀 … [cut here: 20000" in wide
    assert whole == "y" * LONGEST_TEXT and told.texts_cut == 2


def test_characters_that_xml_forbids_are_shown(tmp_path):
    """XML 1.0, production Char: controls but tab and line ends, surrogates, FFFE and FFFF are not allowed."""
    text = "a\x00b\x0bc\x1bd\ud800e\uffffg\x7fh\ti\r\nj\rk"
    path, _ = write(tmp_path, {"Problems": pd.DataFrame({"Value": [text]})})
    assert opened(path, "Problems")["A2"].value == "a␀b␋c␛d�e�g␡h\ti\nj␍k"
    ElementTree.fromstring(xml(path, "xl/worksheets/sheet2.xml"))
    assert clean_text("plain µg/m³\n") == ("plain µg/m³\n", False)


def test_verdict_cells_are_coloured_by_their_word(tmp_path):
    path, _ = write(tmp_path)
    sheet = opened(path)
    heads = {cell.value: cell.column for cell in sheet[1]}
    for row, word in ((2, "fail"), (3, "pass"), (4, "incomplete")):
        cell = sheet.cell(row, heads["Verdict"])
        assert (cell.value, fill(cell)) == (word, style(word))
    for heading, word in (("Oil verdict", "not tested"), ("Carbon monoxide verdict", "near limit")):
        assert fill(sheet.cell(2, heads[heading])) == style(word)
    assert fill(sheet.cell(2, heads["Oxygen (%)"])) == "" and fill(sheet.cell(2, heads["Site"])) == ""


@pytest.mark.parametrize(
    "sheet, heading, words",
    [
        ("Problems", "Severity", ["refused", "query", "note"]),
        ("Trend", "Trend", ["rising", "steady"]),
        ("Due", "State", ["out of use", "not cleared", "overdue", "due within 14 days", "in date", "removed"]),
    ],
)
def test_severities_states_and_trends_are_coloured(tmp_path, sheet, heading, words):
    path, _ = write(tmp_path, {sheet: pd.DataFrame({"Outlet": ["1"] * len(words), heading: words})})
    cells = [opened(path, sheet).cell(row, 2) for row in range(2, 2 + len(words))]
    assert [fill(cell) for cell in cells] == [style(word) for word in words]


def test_months_are_coloured_by_the_verdict_given_beside_them(tmp_path):
    trend = pd.DataFrame(
        {
            "Outlet": ["1", "2"],
            "Parameter": ["Oil", "Carbon dioxide"],
            "2026-03": [0.6, 412],
            "2026-04": ["<0.1", np.nan],
        }
    )
    colours = pd.DataFrame({"2026-03": ["fail", "pass"], "2026-04": ["near limit", "fail"]})
    path, _ = write(tmp_path, {"Trend": trend}, page=Page("x"), colours={"Trend": colours})
    sheet = opened(path, "Trend")
    assert [fill(sheet[a]) for a in ("C2", "C3", "D2", "D3")] == [style("fail"), style("pass"), style("near limit"), ""]
    assert (sheet["C2"].value, sheet["C2"].number_format) == (0.6, "0.00#")
    assert sheet["C3"].number_format == "General"


def test_sheets_are_set_up_for_people(tmp_path):
    path, _ = write(tmp_path)
    sheet = opened(path)
    assert sheet.freeze_panes == "E2" and sheet.auto_filter.ref == "A1:N4"
    assert not sheet.merged_cells.ranges and not sheet.tables
    assert sheet.page_setup.orientation == "landscape" and sheet.page_setup.paperSize == 9
    assert sheet.print_title_rows == "$1:$1"
    assert "&A" in sheet.oddHeader.left.text
    assert "Page &P of &N" in sheet.oddFooter.right.text and "permission" in sheet.oddFooter.left.text
    widths = {cell.value: sheet.column_dimensions[cell.column_letter].width for cell in sheet[1]}
    assert widths["Reasons"] > 2 * widths["Oil (mg/m³)"] and widths["Site"] > widths["Outlet"]
    assert sheet["A1"].alignment.wrap_text and sheet["A1"].font.bold


def test_wrapped_rows_are_high_enough(tmp_path):
    frame = verdicts(2)
    frame.loc[0, "Reasons"] = "Water: dew point too near the lowest use temperature. " * 5
    path, _ = write(tmp_path, {"Verdicts": frame})
    sheet = opened(path)
    assert sheet["F2"].alignment.wrap_text and sheet.row_dimensions[2].height >= 3 * 13
    assert sheet.row_dimensions[3].height is None or sheet.row_dimensions[3].height < 20


def test_an_empty_sheet_has_its_headings(tmp_path):
    path, _ = write(tmp_path, {name: pd.DataFrame(columns=list(heads)) for name, heads in SHEETS.items()})
    for name, heads in SHEETS.items():
        read = pd.read_excel(path, sheet_name=name, engine="openpyxl")
        assert tuple(read.columns) == heads and read.empty


def test_a_wide_sheet_is_printed_legibly_and_verdicts_stay_with_readings(tmp_path):
    frame = pd.DataFrame([["x"] * len(SHEETS["Verdicts"])], columns=list(SHEETS["Verdicts"]))
    path, _ = write(tmp_path, {"Verdicts": frame}, page=Page("x"))
    sheet = opened(path)
    assert sheet.page_setup.scale >= 60 and sheet.print_title_cols == "$A:$B"
    headings = list(SHEETS["Verdicts"])
    looks = [column_look("Verdicts", h) for h in headings[: printed_columns("Verdicts", headings)]]
    breaks = paper("Verdicts", looks, 2, 52, [15.0]).columns
    assert [b.id for b in sheet.col_breaks.brk] == breaks != []
    assert not [SHEETS["Verdicts"][b] for b in breaks if looks[b].keep]


def test_what_is_printed_of_a_long_sheet_wraps_and_the_rest_keeps_one_line(tmp_path):
    frame = verdicts(setting("wrap_rows") + 1)
    frame["Reasons"] = (
        "Carbon dioxide 540 ppm is over the limit of 500 ppm; Slight odour: near the limit, find its cause."
    )
    path, _ = write(tmp_path, {"Verdicts": frame}, page=Page("x"))
    sheet = opened(path)
    printed = int(sheet.print_area.split("$")[-1])
    assert 10 < printed < 100 and sheet["F2"].alignment.wrap_text and sheet[f"F{printed}"].alignment.wrap_text
    assert not sheet[f"F{printed + 1}"].alignment.wrap_text and sheet.max_row == len(frame) + 1
    assert f"Rows 1 to {printed - 1} of {len(frame)}" in sheet.oddHeader.right.text
    assert not any(sheet.row_dimensions[row].hidden for row in (printed, printed + 1))


def test_rows_stand_in_the_order_asked_for_and_links_follow(tmp_path):
    frame = verdicts(4)
    frame["Outlet"] = list("abcd")
    actions = pd.DataFrame({"Outlet": ["d", "a"], "Finding": ["x", "y"]})
    links = {"Actions": {"column": "Outlet", "targets": [("Verdicts", 3), ("Verdicts", 0)]}}
    order = {"Verdicts": np.array([3, 1, 0, 2]), "Actions": np.array([1, 0])}
    path, _ = write(tmp_path, {"Verdicts": frame, "Actions": actions}, links=links, order=order)
    assert [c.value for c in opened(path)["B"]][1:] == list("dbac")
    sheet = opened(path, "Actions")
    assert [sheet["A2"].hyperlink.location, sheet["A3"].hyperlink.location] == ["'Verdicts'!A4", "'Verdicts'!A2"]
    assert frame["Outlet"].tolist() == list("abcd")


def test_every_column_that_must_be_there_has_a_look_of_its_own():
    plain = {
        (sheet, heading)
        for sheet, heads in SHEETS.items()
        for heading in heads
        if column_look(sheet, heading) == column_look("no such sheet", "no such heading")
    }
    assert plain == set()


def test_rows_beyond_a_sheet_go_on_to_another(tmp_path):
    frame = verdicts(5)
    frame["Outlet"] = list("abcde")
    links = {"Actions": {"column": "Outlet", "targets": [("Verdicts", 4), None]}}
    actions = pd.DataFrame({"Outlet": ["e", "a"], "Finding": ["x", "y"]})
    path, told = write(tmp_path, {"Verdicts": frame, "Actions": actions}, links=links, rows_per_sheet=2)
    assert told.sheets["Verdicts"] == ["Verdicts", "Verdicts 2", "Verdicts 3"] and told.rows["Verdicts"] == 5
    parts = [pd.read_excel(path, sheet_name=t, engine="openpyxl") for t in told.sheets["Verdicts"]]
    assert "".join(pd.concat(parts)["Outlet"]) == "abcde"
    assert opened(path, "Actions")["A2"].hyperlink.location == "'Verdicts 3'!A2"


def test_chunks_make_no_difference(tmp_path, monkeypatch):
    frame = verdicts(7)
    frame["Outlet"] = [str(n) for n in range(7)]
    frame["Odd"] = pd.Series([1, "x", date(2026, 1, 1), None, 2.5, True, "y"], dtype=object)
    path, _ = write(tmp_path, {"Verdicts": frame}, created=datetime(2026, 1, 1))
    whole = path.read_bytes()
    monkeypatch.setattr(result, "CHUNK_ROWS", 3)
    write(tmp_path, {"Verdicts": frame}, created=datetime(2026, 1, 1))
    assert path.read_bytes() == whole


# -- links and sparklines -------------------------------------------------------------------------------


def test_links_lead_to_their_row_and_show_the_text(tmp_path):
    actions = pd.DataFrame({"Site": ["s"] * 3, "Outlet": ["=1", None, "3"]})
    links = {"Actions": {"column": "Outlet", "targets": [("Verdicts", 2), ("Verdicts", 0), None]}}
    path, told = write(tmp_path, {"Verdicts": verdicts(), "Actions": actions}, links=links)
    sheet = opened(path, "Actions")
    assert [c.hyperlink.location if c.hyperlink else None for c in sheet["B"][1:]] == [
        "'Verdicts'!A4",
        "'Verdicts'!A2",
        None,
    ]
    assert [c.value for c in sheet["B"][1:]] == ["=1", "open", "3"]
    assert sheet["B2"].data_type in ("s", "inlineStr")
    assert told.links_left_out == 0 and not opened(path)._hyperlinks


def test_links_beyond_what_a_sheet_holds_are_counted_and_stay_text(tmp_path, monkeypatch):
    monkeypatch.setattr(result, "LINKS_PER_SHEET", 2)
    actions = pd.DataFrame({"Outlet": ["1", "2", "3"]})
    links = {"Actions": {"column": "Outlet", "targets": [("Verdicts", 0)] * 3}}
    path, told = write(tmp_path, {"Verdicts": verdicts(), "Actions": actions}, links=links)
    assert told.links_left_out == 1
    assert [(c.value, bool(c.hyperlink)) for c in opened(path, "Actions")["A"][1:]] == [
        ("1", True),
        ("2", True),
        ("3", False),
    ]


@pytest.mark.parametrize(
    "more",
    [
        {"links": {"Verdicts": {"column": "Outlet", "targets": [None]}}},
        {"links": {"Verdicts": {"column": "Nothing", "targets": [None] * 3}}},
        {"links": {"Verdicts": {"column": "Outlet", "targets": [("Verdicts", 3), None, None]}}},
        {"colours": {"Verdicts": pd.DataFrame({"Outlet": ["pass"]})}},
        {"sparklines": {"Verdicts": ("Course", "Row", "Row")}},
    ],
)
def test_what_does_not_fit_the_frames_is_an_error_and_writes_nothing(tmp_path, more):
    with pytest.raises(ValueError):
        write(tmp_path, **more)
    assert list(tmp_path.iterdir()) == []


def test_sparklines_are_one_group_and_leave_out_rows_with_bounds(tmp_path):
    trend = pd.DataFrame(
        {
            "Outlet": list("abcd"),
            "2026-01": [1.0, "<5", 2.0, np.nan],
            "2026-02": [2.0, 3.0, np.nan, 4.0],
            "2026-03": [2.0, 3.0, 3.0, np.nan],
            "Course": [None] * 4,
        }
    )
    path, _ = write(tmp_path, {"Trend": trend}, sparklines={"Trend": ("Course", "2026-01", "2026-03")})
    found = xml(path, "xl/worksheets/sheet2.xml")
    assert found.count("<x14:sparklineGroup ") == 1
    assert re.findall(r"<xm:f>(.*?)</xm:f><xm:sqref>(.*?)</xm:sqref>", found) == [
        ("Trend!B2:D2", "E2"),
        ("Trend!B4:D4", "E4"),
    ]


# -- the Summary ----------------------------------------------------------------------------------------


def test_the_summary_holds_every_block(tmp_path):
    path, _ = write(tmp_path)
    sheet = opened(path, "Summary")
    values = [cell.value for row in sheet.iter_rows() for cell in row if cell.value is not None]
    for expected in (
        "Results",
        "Two sites",
        1234,
        "Before you use this",
        "First",
        "=7",
        "More on Actions.",
        "By month",
        "Rule set en12021-2014.",
    ):
        assert expected in values
    cells = {cell.value: cell for row in sheet.iter_rows() for cell in row if cell.value is not None}
    assert cells["=7"].data_type in ("s", "inlineStr") and cells["=7"].hyperlink.location == "'Verdicts'!A3"
    assert fill(cells[2]) == style("fail") and fill(cells[1234]) == style("pass")
    assert len(sheet._charts) == 1
    caution = next(c for v, c in cells.items() if str(v).startswith("It gives no permission"))
    assert sheet.row_dimensions[caution.row].height > 30 and caution.alignment.wrap_text


def test_the_summary_prints_upright_and_without_the_charts_figures(tmp_path):
    path, _ = write(tmp_path)
    sheet = opened(path, "Summary")
    assert sheet.page_setup.orientation == "portrait" and sheet.page_setup.paperSize == 9
    assert sheet.print_area.startswith("'Summary'!$A$1:$X$")
    assert all(merged.min_row == merged.max_row for merged in sheet.merged_cells.ranges)


def test_a_long_summary_breaks_between_rows(tmp_path):
    page = Page(
        "x",
        blocks=[Block("table", f"Table {n}", ["File", "Rows"], [(f"f{r}", r) for r in range(30)]) for n in range(4)],
    )
    path, _ = write(tmp_path, page=page)
    sheet = opened(path, "Summary")
    breaks = [b.id for b in sheet.row_breaks.brk]
    assert len(breaks) >= 2 and breaks == sorted(set(breaks))
    heights = [sheet.row_dimensions[r].height or 15 for r in range(1, sheet.max_row + 1)]
    for top, bottom in zip([0, *breaks], [*breaks, len(heights)]):
        assert sum(heights[top:bottom]) <= 841.9 - 2 * 0.7 * 72 + 0.5


@pytest.mark.parametrize(
    "block",
    [
        Block("poem"),
        Block("chart", chart={"kind": "cloud", "categories": [], "series": []}),
        Block("table", "x", ["A", "B"], [("a",)]),
        Block("table", "x", [str(n) for n in range(30)], []),
        Block("table", "x", ["A"], [("a",)], links={0: ("Nowhere", 0)}),
    ],
)
def test_a_block_that_cannot_be_laid_out_is_an_error(tmp_path, block):
    with pytest.raises((ValueError, TypeError)):
        write(tmp_path, page=Page("x", blocks=[block]))
    assert list(tmp_path.iterdir()) == []


# -- the file -------------------------------------------------------------------------------------------


def test_properties_say_what_made_it(tmp_path):
    given = {"title": "Spring round", "grader-version": "9.9", "long": "x" * 400}
    path, _ = write(tmp_path, properties=given, created=datetime(2026, 3, 2, 10))
    book = openpyxl.load_workbook(path)
    found = {p.name: p.value for p in book.custom_doc_props.props}
    assert found["grader-kind"] == "result" and found["grader-version"] == "9.9" and found["language"] == "en"
    assert len(found["long"]) == 255 and found["long"].endswith("…")
    assert book.properties.title == "Spring round" and book.properties.created == datetime(2026, 3, 2, 10)


def test_the_same_inputs_give_the_same_bytes(tmp_path, monkeypatch):
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1767225600")  # 2026-01-01 00:00 UTC
    path, _ = write(tmp_path)
    first = path.read_bytes()
    path, _ = write(tmp_path)
    assert path.read_bytes() == first
    assert openpyxl.load_workbook(path).properties.created == datetime(2026, 1, 1)
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "soon")
    with pytest.raises(result.GraderError, match="SOURCE_DATE_EPOCH"):
        write(tmp_path)
    assert path.read_bytes() == first


def test_nothing_is_left_beside_the_result(tmp_path):
    path, _ = write(tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == [path.name]
