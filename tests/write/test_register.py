"""The register as it is written: sheets and headings, checks, what the logs already say, an existing file."""

from __future__ import annotations

import io
from datetime import date
from pathlib import Path

import openpyxl
import pytest
from click.testing import CliRunner

from grader.cli import main
from grader.columns import REGISTER, REGISTER_FIELDS
from grader.problems import GraderError
from grader.review.stated import stated_lines
from grader.words import languages, words
from grader.write.blank import write_blank
from grader.write.register import register_bytes, write_register
from tests.support import AIRLINE, VISIT, graded_files

COMMITTED = Path(__file__).parents[2] / "templates_xlsx" / "register.xlsx"

# Typed from the project's design page.
HEADINGS = {
    "Instruments": "Instrument serial number, Measures, Calibrated on, Calibration due, Certificate, Remarks",
    "Tubes": "Parameter, Tube lot, Tube expiry, Lowest mark, Received on, Boxes, Remarks",
    "Plant": "Site, System, Part, Serial number, Changed on, Hours at change, Every (hours), Every (months), Lubricant, "
    "Oil sampling time needed (min), Remarks",
    "Breathing equipment": "Equipment, Flow needed (L/min), Lowest pressure needed (bar), "
    "Highest pressure allowed (bar), Where from, From, Remarks",
    "Outlets": "Client, Site, Outlet, Location, System, Supply, Dryer, Equipment, Used at once, "
    "Lowest use temperature (°C), Nominal pressure (bar), Oil sampling time (min), Interval (months), Outlet status, "
    "From, Remarks",
    "Laboratory": "Reference, Site, Outlet, Test date, Parameter, Result, Unit, Method, Laboratory, Reported on",
    "Clearances": "Site, Outlet, Cleared on, Cleared by, Grounds",
    "Names": "What, Written, Means",
}


@pytest.fixture(scope="module")
def empty():
    return openpyxl.load_workbook(io.BytesIO(register_bytes()))


def test_the_committed_register_is_what_the_function_writes():
    """Stale: `rm templates_xlsx/register.xlsx; python -m grader register templates_xlsx/register.xlsx`."""
    assert COMMITTED.read_bytes() == register_bytes()


def test_sheets_and_headings_are_exact(empty):
    assert empty.sheetnames == [*HEADINGS, words()["register"]["readme_sheet"]]
    for name, headings in HEADINGS.items():
        assert [c.value for c in empty[name][1]] == headings.split(", "), name


def test_it_says_what_it_is_and_holds_no_formula(empty):
    assert empty.custom_doc_props["grader-kind"].value == "register"
    assert not [c for sheet in empty for row in sheet.iter_rows() for c in row if c.data_type == "f"]


def test_words_have_lists_and_every_check_only_warns(empty):
    for name, sheet in REGISTER.items():
        checks = {str(c.sqref): c for c in empty[name].data_validations.dataValidation if c.type}
        lists = [c for c in checks.values() if c.type == "list"]
        wanted = [c for c in sheet.columns if REGISTER_FIELDS[c].kind == "word"]
        assert [c.formula1 for c in lists] == ['"' + ",".join(REGISTER_FIELDS[c].words) + '"' for c in wanted]
        assert all(c.errorStyle == "warning" and c.allow_blank for c in checks.values())


def test_every_sheet_is_one_page_under_its_headings_the_widest_two(empty):
    for name in REGISTER:
        sheet = empty[name]
        assert (sheet.print_title_rows, sheet.freeze_panes) == ("$1:$1", "B2")
        page = sheet.page_setup  # one page is what nothing is said of
        assert (page.orientation, page.fitToHeight or 1) == ("landscape", 1)
        assert (page.fitToWidth or 1) == (2 if name == "Outlets" else 1), name


@pytest.mark.parametrize("code", languages())
def test_texts_beside_the_cells_name_columns_of_the_register(code):
    assert set(words(code)["register_input"]) <= set(REGISTER_FIELDS)
    assert set(words(code)["register_sheet"]) == set(REGISTER)
    assert openpyxl.load_workbook(io.BytesIO(register_bytes(language=code))).sheetnames[:-1] == list(REGISTER)


def test_an_existing_file_is_never_written_over(tmp_path):
    path = tmp_path / "register.xlsx"
    path.write_text("kept", encoding="utf-8")
    with pytest.raises(GraderError, match="may hold the firm's register"):
        write_register(path)
    assert CliRunner().invoke(main, ["register", str(path)]).exit_code == 2
    assert path.read_text(encoding="utf-8") == "kept"


def test_an_unknown_column_is_an_error():
    with pytest.raises(KeyError, match="colour"):
        register_bytes(lines={"Tubes": [{"colour": 1}]})


def stated(files):
    tests, _ = graded_files(files)
    return stated_lines(tests, list(files))


def test_the_logs_fill_serials_lots_systems_and_needs():
    visit = {**VISIT, "oil_tube_lot": "0451", "calibration_due": date(2026, 6, 30)}
    found = stated({"a.xlsx": (visit, [AIRLINE])}).lines
    assert found["Instruments"] == [{"instrument": "A1", "calibration_due": date(2026, 6, 30)}]
    assert found["Tubes"] == [{"parameter": "Oil", "tube_lot": "0451", "tube_expiry": date(2027, 1, 31)}]
    (outlet,) = found["Outlets"]
    assert outlet["outlet"] == "Bay 1" and outlet["from"] == date(2026, 3, 14) and outlet["used_at_once"] == 1
    (equipment,) = found["Breathing equipment"]
    assert equipment["equipment"] == outlet["equipment"]
    assert (equipment["flow_needed_l_min"], equipment["lowest_pressure_bar"]) == (160.0, 4.0)
    assert [(p["system"], p["part"]) for p in found["Plant"]] == [("Main", "compressor"), ("Main", "dryer")]
    assert "oil_sampling_min" not in outlet  # how long was drawn is no practice until the firm says so


def test_from_is_the_first_day_that_states_all_of_a_line_and_what_was_stated_otherwise_is_noted():
    later = {**VISIT, "test_date": date(2026, 6, 1)}
    files = {
        "a.xlsx": ({**VISIT, "oil_tube_lot": "L-7"}, [AIRLINE]),
        "b.xlsx": (
            {**later, "oil_tube_lot": "l 7", "oil_tube_expiry": date(2026, 12, 31)},
            [{**AIRLINE, "lowest_use_temperature_c": -3.0}],
        ),
    }
    found = stated(files)
    assert found.lines["Outlets"][0]["from"] == date(2026, 6, 1)
    assert found.lines["Outlets"][0]["lowest_use_temperature_c"] == -3.0
    assert "5 (2026-03-14, a.xlsx)" in found.notes["Outlets"][0]["lowest_use_temperature_c"]
    assert found.lines["Tubes"][0]["tube_expiry"] == date(2026, 12, 31)  # the earlier of two
    assert "2027-01-31 (a.xlsx)" in found.notes["Tubes"][0]["tube_expiry"]


def test_a_test_without_a_date_is_known_from_no_day_on_and_gives_way_to_a_later_one():
    undated = {**VISIT, "test_date": None, "instrument": "B2"}
    rows = [{**AIRLINE, "dryer": "none"}, {**AIRLINE, "outlet": "Bay 2"}]
    found = stated({"a.xlsx": (VISIT, [AIRLINE]), "b.xlsx": (undated, rows)})
    lines = {line["outlet"]: line for line in found.lines["Outlets"]}
    notes = dict(zip(lines, found.notes["Outlets"]))
    assert lines["Bay 1"]["dryer"] == "desiccant" and lines["Bay 1"]["from"] == date(2026, 3, 14)
    assert "none (b.xlsx)" in notes["Bay 1"]["dryer"]
    assert "from" not in lines["Bay 2"]
    assert [line["instrument"] for line in found.lines["Instruments"]] == ["B2", "A1"]


def test_the_command_fills_it_from_a_folder(tmp_path):
    (tmp_path / "logs").mkdir()
    write_blank(tmp_path / "logs" / "visit.xlsx", visit=VISIT, rows=[AIRLINE])
    (tmp_path / "logs" / "broken.xlsx").write_bytes(b"no workbook")
    made = CliRunner().invoke(main, ["register", str(tmp_path / "r.xlsx"), "--from", str(tmp_path / "logs")])
    assert made.exit_code == 0 and "broken.xlsx" in made.output
    book = openpyxl.load_workbook(tmp_path / "r.xlsx")
    assert book["Outlets"]["C2"].value == "Bay 1" and book["Instruments"]["A2"].value == "A1"
