"""The blank workbook: headings, checks, print set-up, filled values, and that it opens elsewhere."""

from __future__ import annotations

import io
import re
import shutil
import subprocess
import zipfile
from datetime import date, datetime, time, timedelta
from pathlib import Path

import openpyxl
import pytest
import xlsxwriter
from python_calamine import CalamineWorkbook

from grader.columns import FIELDS, READING_FIELDS, TEST_WORDS, VERDICT_WORDS, VISIT_FIELDS
from grader.data import load_toml
from grader.problems import GraderError
from grader.words import words
from grader.write.blank import blank_bytes, number_check, readings_columns, rule_set_ids, usual_range, write_blank

COMMITTED = Path(__file__).parents[2] / "templates_xlsx" / "blank.xlsx"
SOFFICE = shutil.which("soffice")
needs_office = pytest.mark.skipif(SOFFICE is None, reason="LibreOffice is not installed")
LOOK = load_toml("blank.toml")

# The headings that other programs rely on, typed from the project's design page.
VISIT_LABELS = [
    "Site",
    "Site address",
    "Client",
    "Test date",
    "Tested by",
    "Reason for visit",
    "Rule set",
    "Instrument serial number",
    "Calibration due",
    "Carbon monoxide tube lot",
    "Carbon monoxide tube expiry",
    "Carbon dioxide tube lot",
    "Carbon dioxide tube expiry",
    "Oil tube lot",
    "Oil tube expiry",
    "Water tube lot",
    "Water tube expiry",
    "Atmospheric pressure (hPa)",
    "Correct tubes for pressure",
    "Interval (months)",
    "Work done",
    "Replaces file",
    "Replaces date",
    "Replaces site",
    "Compressor hours",
    "Intake carbon monoxide (ppm)",
    "Intake carbon dioxide (ppm)",
    "Reviewed by",
    "Reviewed on",
]
READINGS_HEADINGS = [
    "Outlet",
    "Location",
    "System",
    "Supply",
    "Dryer",
    "Odour",
    "Line pressure (bar)",
    "Nominal pressure (bar)",
    "Lowest pressure needed (bar)",
    "Flow measured (L/min)",
    "Flow needed (L/min)",
    "Oxygen (%)",
    "Carbon monoxide (ppm)",
    "Carbon dioxide (ppm)",
    "Oil (mg/m³)",
    "Oil sampling time (min)",
    "Oil sampling time needed (min)",
    "Water tube reading (mg/m³)",
    "Water tube multiplier",
    "Airline temperature (°C)",
    "Ambient temperature (°C)",
    "Lowest use temperature (°C)",
    "Remarks",
    "Test time",
    "Outlet status",
    "Highest pressure allowed (bar)",
    "Liquid water seen",
    "Dew point measured (°C)",
    "Dew point measured at (bar)",
    "Equipment",
    "Used at once",
    "Laboratory reference",
]


def parts(content: bytes) -> dict[str, bytes]:
    """Name -> content of each part of a workbook."""
    with zipfile.ZipFile(io.BytesIO(content)) as book:
        return {name: book.read(name) for name in book.namelist()}


@pytest.fixture(scope="module")
def empty() -> bytes:
    return blank_bytes()


@pytest.fixture(scope="module")
def book(empty):
    return openpyxl.load_workbook(io.BytesIO(empty))


def checks(sheet) -> dict[str, openpyxl.worksheet.datavalidation.DataValidation]:
    """First cell's heading or label -> its check."""
    found = {}
    for check in sheet.data_validations.dataValidation:
        cell = sheet[str(check.sqref).split(":")[0]]
        name = sheet.cell(1, cell.column) if sheet.title == "Readings" else sheet.cell(cell.row, 1)
        assert name.value not in found, f"two checks on {name.value}"
        found[name.value] = check
    return found


def test_the_committed_blank_is_what_the_function_writes(empty):
    """Write it again with `write_blank("templates_xlsx/blank.xlsx", overwrite=True)` where this fails."""
    ours, theirs = parts(empty), parts(COMMITTED.read_bytes())
    assert list(ours) == list(theirs)
    assert [name for name in ours if ours[name] != theirs[name]] == []


def test_two_writes_are_equal_to_the_byte():
    rows = [{"outlet": "1"}]
    first = blank_bytes(rows=rows, notes=[{"outlet": "seen"}])
    assert first == blank_bytes(rows=rows, notes=[{"outlet": "seen"}])


def test_created_date_is_the_one_given():
    core = parts(blank_bytes(created=datetime(2027, 5, 6, 7, 8, 9)))["docProps/core.xml"]
    assert b"2027-05-06T07:08:09Z" in core


def test_sheets_labels_and_headings_are_exact(book):
    assert book.sheetnames == ["Visit", "Readings", "Read me"]
    assert book.active.title == "Visit"
    visit, readings = book["Visit"], book["Readings"]
    few = VISIT_LABELS.index("Replaces file")
    assert [c.value for c in visit["A"]] == [*VISIT_LABELS[:few], words()["blank"]["few_need"], *VISIT_LABELS[few:]]
    assert [c.value for c in readings[1]] == READINGS_HEADINGS
    assert {c.value for c in visit["B"]} == {None}
    assert {c.value for row in readings.iter_rows(min_row=2) for c in row} == {None}
    assert readings.max_row == 1 + LOOK["ruled_rows"]


def test_no_formulas_macros_links_or_verdicts(empty, book):
    made = parts(empty)
    assert not any(b"<f>" in part or b"<f " in part for name, part in made.items() if "worksheets" in name)
    assert not any("vba" in name.lower() or "external" in name.lower() for name in made)
    for sheet in (book["Visit"], book["Readings"]):
        held = {str(c.value).strip().casefold() for row in sheet.iter_rows() for c in row}
        assert not held & {word.casefold() for word in (*VERDICT_WORDS, *TEST_WORDS)}


def test_it_is_not_marked_as_the_program_s_own_product(empty):
    """A blank filled in is an input; `grader-kind` would have it passed over."""
    assert b"grader-kind" not in b"".join(parts(empty).values())


def test_word_cells_have_lists_and_every_check_only_warns(book):
    found = {**checks(book["Visit"]), **checks(book["Readings"])}
    for name in (*VISIT_FIELDS, *READING_FIELDS):
        field = FIELDS[name]
        if field.kind == "word" and field.sheet != "extra":
            assert found[field.heading].type == "list"
            assert found[field.heading].formula1 == '"' + ",".join(field.words) + '"'
        elif field.kind != "text":
            assert found[field.heading].type in ("custom", "list", "date", "decimal")
    assert found["Rule set"].formula1 == '"' + ",".join(rule_set_ids()) + '"'
    assert found["Water tube multiplier"].formula1 == '"1,10"'
    for heading, check in found.items():
        if check.type is not None:
            assert check.errorStyle == "warning" and check.allow_blank and check.error, heading


def test_checks_reach_below_the_ruled_rows(book):
    for check in book["Readings"].data_validations.dataValidation:
        assert re.fullmatch(r"[A-Z]+2:[A-Z]+501", str(check.sqref))


def test_screen_and_paper(book):
    readings = book["Readings"]
    assert readings.freeze_panes == "B2"
    assert (readings.print_title_rows, readings.print_title_cols) == ("$1:$1", "$A:$A")
    for sheet in book:
        assert int(sheet.page_setup.paperSize) == 9  # A4 in the spreadsheet format
        assert sheet.page_setup.orientation == "landscape"
        assert "Site:" in sheet.oddHeader.center.text
        assert re.fullmatch(r"Page &(P|\[Page\]) of &(N|\[Pages\])", sheet.oddFooter.right.text)
    assert book["Visit"].sheet_properties.pageSetUpPr.fitToPage
    assert book["Read me"].sheet_properties.pageSetUpPr.fitToPage
    assert readings.page_setup.scale == LOOK["print_scale"]
    assert [b.id for b in readings.col_breaks.brk] == [11, 22]


def test_text_cells_keep_zeros_and_dates_show_year_first(book):
    visit, readings = book["Visit"], book["Readings"]
    shown = {label.value: visit.cell(label.row, 2).number_format for label in visit["A"]}
    assert shown["Instrument serial number"] == shown["Oil tube lot"] == "@"
    assert shown["Test date"] == shown["Oil tube expiry"] == "yyyy-mm-dd"
    assert shown["Atmospheric pressure (hPa)"] == "General"
    assert readings["A2"].number_format == "@"
    assert readings["L2"].number_format == "General"


def test_headings_fit_three_lines(book):
    """Each word fits its column and the words wrap to three lines at most, bold or not.

    The bold face is taken as 1.1 times as wide as the digits that widths count in (judgement, no source).
    """
    readings = book["Readings"]
    for cell in readings[1]:
        width = readings.column_dimensions[cell.column_letter].width / 1.1
        lines, used = 1, 0.0
        for word in cell.value.split():
            assert len(word) <= width, cell.value
            if used and used + 1 + len(word) > width:
                lines, used = lines + 1, 0.0
            used += len(word) + (1 if used else 0)
        assert lines <= 3, cell.value


def test_words_to_pick_from_fit_their_cells(book):
    readings = book["Readings"]
    for name in READING_FIELDS:
        column = READING_FIELDS.index(name) + 1
        width = readings.column_dimensions[readings.cell(1, column).column_letter].width
        for word in FIELDS[name].words:
            assert len(word) <= width, (name, word)


def test_every_field_has_one_group_and_texts():
    grouped = [name for group in LOOK["group"] for name in group["fields"]]
    assert sorted(grouped) == sorted(FIELDS)
    texts = words()
    assert set(texts["blank_hint"]) == set(VISIT_FIELDS)
    assert set(texts["blank_group"]) == {group["name"] for group in LOOK["group"]}
    assert set(texts["blank_input"]) <= set(FIELDS)
    numbers = {f.name for f in FIELDS.values() if f.kind == "number" and f.sheet == "Readings"}
    assert numbers <= set(texts["blank_input"])
    assert set(LOOK["wanted"]) <= set(FIELDS) and set(LOOK["widths"]) - {"default"} <= set(FIELDS)


def _luminance(colour: str) -> float:
    """Relative luminance of an sRGB colour, WCAG 2.1 definition."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_headings_can_be_read_on_their_tints():
    """WCAG 2.1, success criterion 1.4.6: contrast of at least 7 to 1 (criterion and formula from memory)."""
    ink = _luminance(LOOK["colours"]["ink"])
    for fill in [group["fill"] for group in LOOK["group"]] + [LOOK["colours"]["caution_fill"]]:
        assert (_luminance(fill) + 0.05) / (ink + 0.05) >= 7, fill


@pytest.mark.parametrize("names", [VISIT_FIELDS, READING_FIELDS])
def test_neighbouring_groups_differ_from_blue_to_yellow(names):
    """Red-green colour blindness leaves the blue-yellow scale (textbook knowledge); 15 is judgement."""
    fill = {name: group["fill"] for group in LOOK["group"] for name in group["fields"]}

    def blueness(colour: str) -> float:
        red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
        return blue - (red + green) / 2

    steps = [(a, b) for a, b in zip(names, names[1:]) if fill[a] != fill[b]]
    assert len(steps) >= 3
    assert [pair for pair in steps if abs(blueness(fill[pair[0]]) - blueness(fill[pair[1]])) < 15] == []


def test_the_reader_s_sheet_holds_the_cautions(book):
    said = " ".join(str(c.value) for row in book["Read me"].iter_rows() for c in row if c.value is not None)
    for needed in (
        "Never turn a broken tube over",
        "eye protection and gloves",
        "supplier's safety sheet",
        "Vent the line",
        "marked odour is a fail",
        "five minutes",
        "flow that it needs, running",
        "not to be used for breathing until the competent person has cleared it",
        "local law and the standard itself rule",
        "gives permission to use an outlet",
    ):
        assert needed in said
    for field in FIELDS.values():
        if field.kind == "word" and field.sheet != "extra":
            assert ", ".join(field.words) in said


# -- filled in ----------------------------------------------------------------------------------------------

VISIT = {
    "site": "Harbour & slip",
    "test_date": date(2026, 3, 31),
    "instrument": "00123",
    "atmospheric_pressure_hpa": 1002.5,
    "interval_months": 3,
    "rule_set": "a-firm-s-own",
}
ROWS = [
    {
        "outlet": "007",
        "supply": "airline",
        "co_ppm": "<5",
        "co2_ppm": 430,
        "oil_mg_m3": "stain",
        "oxygen_pct": 20.9,
        "remarks": "=A1+1 and http://example.org",
        "test_time": time(14, 5),
        "ambient_temperature_c": float("nan"),
    },
    {"outlet": "8", "water_mg_m3": 250.0, "interval_months": 6, "test_date": datetime(2026, 4, 1), "odour": None},
]


def test_filled_values_come_back_in_kind(tmp_path):
    path = tmp_path / "filled.xlsx"
    write_blank(path, visit=VISIT, rows=ROWS)
    workbook = CalamineWorkbook.from_path(str(path))
    pairs = {row[0]: row[1] for row in workbook.get_sheet_by_name("Visit").to_python(skip_empty_area=False)}
    assert pairs["Test date"] == date(2026, 3, 31)
    assert pairs["Instrument serial number"] == "00123"
    assert (pairs["Atmospheric pressure (hPa)"], pairs["Interval (months)"]) == (1002.5, 3)
    assert pairs["Site"] == "Harbour & slip" and pairs["Client"] == ""
    table = workbook.get_sheet_by_name("Readings").to_python(skip_empty_area=False)
    assert table[0] == [*READINGS_HEADINGS, "Test date", "Interval (months)", "Water (mg/m³)"]
    first, second = (dict(zip(table[0], row)) for row in table[1:3])
    assert (first["Outlet"], first["Carbon monoxide (ppm)"], first["Oil (mg/m³)"]) == ("007", "<5", "stain")
    assert (first["Carbon dioxide (ppm)"], first["Oxygen (%)"]) == (430, 20.9)
    assert first["Test time"] == time(14, 5)
    assert first["Remarks"] == "=A1+1 and http://example.org"
    assert first["Ambient temperature (°C)"] == "" and second["Odour"] == ""
    assert second["Test date"] == date(2026, 4, 1)
    assert (second["Water (mg/m³)"], second["Interval (months)"]) == (250, 6)
    assert all(cell == "" for row in table[3:] for cell in row)


def test_a_duration_is_written_too():
    content = blank_bytes(rows=[{"test_time": timedelta(hours=9, minutes=5)}])
    made = openpyxl.load_workbook(io.BytesIO(content))
    assert made["Readings"]["X2"].value == time(9, 5)


def test_notes_stand_on_their_cells_and_the_site_heads_the_page():
    content = blank_bytes(visit=VISIT, rows=ROWS, notes=[{"outlet": "Last tested 2025-12-30"}, {}])
    made = openpyxl.load_workbook(io.BytesIO(content))
    assert made["Readings"]["A2"].comment.text == "Last tested 2025-12-30"
    assert made["Readings"]["A3"].comment is None
    assert b"Site: Harbour &amp;&amp; slip" in parts(content)["xl/worksheets/sheet2.xml"]
    assert b"Date: 2026-03-31" in parts(content)["xl/worksheets/sheet2.xml"]


def test_more_outlets_than_ruled_rows_leave_room():
    made = openpyxl.load_workbook(io.BytesIO(blank_bytes(rows=[{"outlet": str(i)} for i in range(60)])))
    assert made["Readings"].max_row == 1 + 60 + LOOK["spare_rows"]
    assert made["Readings"]["A61"].value == "59"


def test_a_file_that_exists_is_left_alone(tmp_path):
    path = tmp_path / "visit.xlsx"
    path.write_bytes(b"readings of a day's work")
    with pytest.raises(GraderError, match="exists already"):
        write_blank(path)
    assert path.read_bytes() == b"readings of a day's work"
    write_blank(path, overwrite=True)
    assert zipfile.is_zipfile(path) and [p.name for p in tmp_path.iterdir()] == ["visit.xlsx"]
    with pytest.raises(GraderError, match="not a folder"):
        write_blank(tmp_path / "missing" / "visit.xlsx")


@pytest.mark.parametrize(
    "arguments, error",
    [
        ({"rows": [{"no_such_field": 1}]}, KeyError),
        ({"visit": {"outlet": "1"}}, KeyError),
        ({"rows": [{"outlet": ["1"]}]}, TypeError),
        ({"rows": [{"remarks": "x" * 32768}]}, ValueError),
        ({"notes": [{"outlet": "no such row"}]}, ValueError),
        ({"language": "no such language"}, KeyError),
    ],
)
def test_what_cannot_be_written_is_an_error(arguments, error):
    with pytest.raises(error):
        blank_bytes(**arguments)


def test_columns_are_added_once_and_in_the_order_of_the_fields():
    added = readings_columns([{"water_mg_m3": 1}, {"site": "a"}], [{"site": "note"}])[len(READING_FIELDS) :]
    assert [field.name for field in added] == ["site", "water_mg_m3"]


# -- the checks on number cells, as a spreadsheet program works them out ------------------------------------

ENTRIES = [  # field, supply, entry, taken without a question
    ("co_ppm", "airline", 3.5, True),
    ("co_ppm", "airline", "<5", True),
    ("co_ppm", "airline", "≤5", True),
    ("co_ppm", "airline", ">60", True),
    ("co_ppm", "airline", "≥60", True),
    ("co_ppm", "airline", "ND", True),
    ("co_ppm", "airline", "None detected", True),
    ("co_ppm", "airline", "4 ppm", True),
    ("co_ppm", "airline", "4,5", True),
    ("co_ppm", "airline", "n/a", True),
    ("co_ppm", "airline", "stain", False),
    ("co_ppm", "airline", "48O", False),
    ("co_ppm", "airline", 5000, False),
    ("co_ppm", "airline", -1, False),
    ("co_ppm", "airline", "ask Jim", False),
    ("co_ppm", "airline", 46112, False),
    ("oil_mg_m3", "airline", "stain", True),
    ("oil_mg_m3", "airline", "clear", True),
    ("oil_mg_m3", "airline", "trace", True),
    ("oil_mg_m3", "airline", "yes", False),
    ("oxygen_pct", "airline", 20.9, True),
    ("oxygen_pct", "airline", 0.209, False),
    ("line_pressure_bar", "airline", 6.9, True),
    ("line_pressure_bar", "airline", 100, False),
    ("line_pressure_bar", "cylinder", 232, True),
    ("line_pressure_bar", "cylinder", 3000, False),
    ("water_tube_mg_m3", "airline", 0, False),
    ("water_tube_mg_m3", "airline", "<100 mg/m³", True),
    ("ambient_temperature_c", "airline", -12.5, True),
    ("ambient_temperature_c", "airline", 70, False),
]


@needs_office
def test_number_checks_take_the_notation_of_the_trade(tmp_path):
    """The checks' own formulas, put in cells and worked out by LibreOffice."""
    path = tmp_path / "checks.xlsx"
    with xlsxwriter.Workbook(str(path), {"strings_to_formulas": False}) as workbook:
        sheet = workbook.add_worksheet()
        for row, (name, supply, entry, _) in enumerate(ENTRIES):
            sheet.write(row, 0, supply)
            sheet.write(row, 1, entry)
            sheet.write_formula(row, 2, number_check(f"B{row + 1}", FIELDS[name], f"$A{row + 1}"))
    worked_out = openpyxl.load_workbook(_through_office(path), data_only=True).active
    found = [cell.value for cell in worked_out["C"]]
    wrong = [(*entry, got) for entry, got in zip(ENTRIES, found) if got is not entry[3]]
    assert len(found) == len(ENTRIES) and wrong == []


@pytest.mark.parametrize("name", [f.name for f in FIELDS.values() if f.kind == "number"])
def test_number_checks_are_short_enough_and_cover_the_usual_range(name):
    """255 characters: the limit of a check's formula in the spreadsheet format."""
    assert len(number_check("AC2", FIELDS[name], "$D2")) <= 255
    low, high = usual_range(FIELDS[name])
    assert low < high


@needs_office
def test_it_goes_through_another_program_unharmed(tmp_path):
    """LibreOffice opens it, and saves it with headings, values and lists in place."""
    path = tmp_path / "filled.xlsx"
    write_blank(path, visit=VISIT, rows=ROWS)
    made = openpyxl.load_workbook(_through_office(path))
    assert made.sheetnames == ["Visit", "Readings", "Read me"]
    assert [c.value for c in made["Readings"][1]][: len(READINGS_HEADINGS)] == READINGS_HEADINGS
    assert made["Readings"]["A2"].value == "007"
    assert made["Readings"]["M2"].value == "<5"
    found = checks(made["Readings"])
    assert found["Supply"].formula1.strip('"').split(",") == list(FIELDS["supply"].words)
    assert found["Oxygen (%)"].type == "custom" and found["Oxygen (%)"].errorStyle == "warning"


RECALCULATE = """<?xml version="1.0" encoding="UTF-8"?>
<oor:items xmlns:oor="http://openoffice.org/2001/registry">
<item oor:path="/org.openoffice.Office.Calc/Formula/Load">
<prop oor:name="OOXMLRecalcMode" oor:op="fuse"><value>0</value></prop></item></oor:items>
"""


def _through_office(path: Path) -> Path:
    """The workbook as LibreOffice saves it, every formula worked out anew, under a profile of its own."""
    profile, again = path.parent / "profile", path.parent / "again"
    (profile / "user").mkdir(parents=True)
    (profile / "user" / "registrymodifications.xcu").write_text(RECALCULATE, encoding="utf-8")
    subprocess.run(
        [
            str(SOFFICE),
            f"-env:UserInstallation={profile.as_uri()}",
            "--headless",
            "--convert-to",
            "xlsx",
            "--outdir",
            str(again),
            str(path),
        ],
        check=True,
        capture_output=True,
        timeout=120,
    )
    return again / path.name
