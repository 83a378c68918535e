"""Layout files from end to end: `grader layout FILE --save`, corrected as a person would, and the verdicts with it.

All readings and names are invented. The rule set is the default, EN 12021:2014: carbon monoxide at most 5 ppm, carbon
dioxide 500 ppm, oil 0.5 mg/m³ (limits as in data/rules/en12021-2014.toml).
"""

import shutil

import openpyxl
import pytest
from click.testing import CliRunner

from grader import grade
from grader.cli import main
from grader.problems import GraderError
from grader.read.layout import load_layout

HEADS = [
    "Date", "Point", "Air supply", "Drier type", "Smell", "O2 %", "CO (inst.) ppm", "CO (tube) ppm", "CO2 ppm",
    "Oil mist", "H2O mg/m3", "Mult", "Pressure", "Flow L/min", "Req flow L/min", "Req pressure bar", "Amb temp °C",
    "Min temp of use °C",
]  # fmt: skip
# The instrument's carbon monoxide of B1 is 9 ppm, the tube's 2 ppm; pressures are in psi.
B1 = ["03/04/2026", "B1", "airline", "desiccant", "none", 20.9, 9, 2, 430, 0.1, 60, 1, 100, 1200, 160, 4, 17, 5]
B2 = ["03/05/2026", "B2", "airline", "desiccant", "none", 20.8, 1, 3, 440, 0.1, 60, 1, 95, 1100, 160, 4, 17, 5]
AS_OF = ["--as-of", "2026-06-01"]


def write(path, rows=(B1, B2), heads=HEADS):
    book = openpyxl.Workbook()
    for row in (["Air tests of the firm"], [], heads, *rows):
        book.active.append(row)
    book.active.title = "Tests"
    book.save(path)
    return path


def run(*arguments):
    return CliRunner().invoke(main, [str(a) for a in arguments])


def corrected(path, *changes):
    """The layout file with lines changed as a person would in an editor; every change must hit."""
    text = path.read_text(encoding="utf-8")
    for old, new in changes:
        assert text.count(old) == 1, (old, text)
        text = text.replace(old, new)
    path.write_text(text, encoding="utf-8")


SETTLED = (
    ('# date_order = "day first"', 'date_order = "month first"'),
    ('# co_ppm = { column = "H", ', 'co_ppm = { column = "H", '),
    ('# oil_mg_m3 = { column = "J", unit = "?" }', 'oil_mg_m3 = { column = "J", unit = "mg/m³" }'),
    ('# line_pressure_bar = { column = "M", unit = "?" }', 'line_pressure_bar = { column = "M", unit = "psi" }'),
    ('# site = "..."', 'site = "North yard"'),
)


@pytest.fixture(scope="module")
def template(tmp_path_factory):
    """A folder with one log, the layout file that was saved of it beside the folder, and what was printed."""
    top = tmp_path_factory.mktemp("firm")
    (top / "logs").mkdir()
    log = write(top / "logs" / "log 2026.xlsx")
    shown = run("layout", log, "--save", top / "firm.layout.toml")
    assert shown.exit_code == 0, shown.output
    return top, shown.output


@pytest.fixture
def firm(template, tmp_path):
    """The same, a copy that may be changed."""
    top, shown = template
    copy = tmp_path / "firm"
    shutil.copytree(top, copy)
    return copy / "logs", copy / "firm.layout.toml", shown


def test_without_a_layout_nothing_that_is_not_clear_passes(firm):
    folder, _, shown = firm
    result = grade([folder], as_of="2026-06-01")
    assert list(result.verdicts["Verdict"]) == ["incomplete", "incomplete"]
    # 2 and 9 ppm of B1 differ in their verdict, 3 and 1 ppm of B2 do not.
    assert list(result.verdicts["Carbon monoxide verdict"]) == ["cannot tell", "pass"]
    for column in ("Oil verdict", "Pressure verdict", "Water verdict"):
        assert set(result.verdicts[column]) == {"cannot tell"}, column
    said = " ".join(result.problems["What to do"])
    for line in (
        'co_ppm = { column = "G", unit = "ppm" }',
        'co_ppm = { column = "H", unit = "ppm" }',
        'oil_mg_m3 = { column = "J", unit = "?" }',
        'line_pressure_bar = { column = "M", unit = "?" }',
    ):
        assert line in said and line in shown


def test_a_corrected_layout_given_by_name_settles_field_unit_date_order_and_site(firm, tmp_path):
    folder, saved, _ = firm
    corrected(saved, *SETTLED)
    done = run("grade", folder, "--layout", saved, "-o", tmp_path / "result.xlsx", *AS_OF)
    assert done.exit_code == 0, done.output
    verdicts = grade([folder], layouts=[saved], as_of="2026-06-01").verdicts
    assert list(verdicts["Verdict"]) == ["pass", "pass"]
    assert list(verdicts["Carbon monoxide (ppm)"]) == [2, 3]
    assert [round(float(v), 3) for v in verdicts["Line pressure (bar)"]] == [6.895, 6.55]  # 100 and 95 psi
    assert [str(d)[:10] for d in verdicts["Test date"]] == ["2026-03-04", "2026-03-05"]
    assert set(verdicts["Site"]) == {"North yard"}


def test_the_other_column_gives_the_other_verdict(firm):
    folder, saved, _ = firm
    corrected(saved, SETTLED[0], ('# co_ppm = { column = "H", ', 'co_ppm = { column = "G", '), *SETTLED[2:])
    verdicts = grade([folder], layouts=[saved], as_of="2026-06-01").verdicts
    assert list(verdicts["Carbon monoxide verdict"]) == ["fail", "pass"]


def test_a_layout_lying_in_the_folder_is_used_for_the_files_its_pattern_names(firm):
    folder, saved, _ = firm
    corrected(saved, ('files = ["log 2026.xlsx"]', 'files = ["log *.xlsx"]'), *SETTLED)
    (folder / "firm.layout.toml").write_bytes(saved.read_bytes())
    write(folder / "log 2025.xlsx", [["03/04/2025", *B1[1:]]])
    write(folder / "other.xlsx", [B2])
    verdicts = grade([folder], as_of="2026-06-01").verdicts
    made = dict(zip(verdicts["File"] + " " + verdicts["Outlet"], verdicts["Verdict"]))
    assert made == {
        "log 2025.xlsx B1": "pass",
        "log 2026.xlsx B1": "pass",
        "log 2026.xlsx B2": "pass",
        "other.xlsx B2": "incomplete",
    }


def test_a_wrong_layout_is_one_line_a_mistake_and_nothing_is_written(firm, tmp_path):
    folder, saved, _ = firm
    corrected(
        saved,
        ('# date_order = "day first"', 'date_order = "american"'),
        ('# oil_mg_m3 = { column = "J", unit = "?" }', 'oil_mg_m3 = { column = "J", unit = "?" }'),
        ('# co_ppm = { column = "H", ', 'co_pmm = { column = "H", '),
    )
    done = run("grade", folder, "--layout", saved, "-o", tmp_path / "result.xlsx", *AS_OF)
    assert done.exit_code == 2 and not (tmp_path / "result.xlsx").exists()
    lines = [line for line in done.output.splitlines() if "firm.layout.toml" in line]
    assert len(lines) == 3
    assert any("table 1: co_pmm: there is no such field (co_ppm?)" in line for line in lines)
    assert any("'?' is no unit of Oil (mg/m³); mg/m³, µg/m³, g/m³, mg/Nm³, ppm w/w are" in line for line in lines)
    assert any('"american" is neither "day first" nor "month first"' in line for line in lines)
    (folder / "firm.layout.toml").write_bytes(saved.read_bytes())  # lying in the folder it stops the run as well
    with pytest.raises(GraderError):
        grade([folder])
    assert run("layout", folder / "log 2026.xlsx").exit_code == 2


def test_a_layout_that_does_not_fit_is_a_query_and_passes_nothing(firm):
    folder, saved, _ = firm
    corrected(saved, *SETTLED[2:], ('# co_ppm = { column = "H", ', 'co_ppm = { column = "ZZ", '))
    result = grade([folder], layouts=[saved], as_of="2026-06-01")
    wrong = result.problems[result.problems["Problem"].str.contains("does not fit")]
    assert len(wrong) == 1 and "co_ppm: the sheet has no column ZZ" in wrong["Problem"].iloc[0]
    assert set(result.verdicts["Carbon monoxide verdict"]) <= {"cannot tell", "not tested"}
    assert set(result.verdicts["Verdict"]) == {"incomplete"}


def test_a_saved_layout_never_overwrites_one_that_was_corrected(firm):
    folder, saved, _ = firm
    before = saved.read_bytes()
    again = run("layout", folder / "log 2026.xlsx", "--save", saved)
    assert again.exit_code == 2 and "is there already" in again.output and saved.read_bytes() == before


def test_a_layout_that_names_no_file_is_said(firm):
    folder, saved, _ = firm
    corrected(saved, ('files = ["log 2026.xlsx"]', 'files = ["*.ods"]'))
    problems = grade([folder], layouts=[saved], as_of="2026-06-01").problems
    assert problems["Problem"].str.contains("names none of the files that were read").sum() == 1


def test_a_constant_that_the_field_cannot_hold_is_a_line_of_its_own(tmp_path):
    layout = tmp_path / "l.toml"
    text = (
        'files = ["*.xlsx"]\n[[table]]\n[table.fields]\noutlet = {{ column = "A" }}\n[table.constants]\nsupply = "{}"\n'
    )
    layout.write_text(text.format("pipe"), encoding="utf-8")
    with pytest.raises(GraderError, match="supply: 'pipe' is not one of airline, charging compressor, cylinder"):
        load_layout(layout)
    for spelling in ("airline", "Air-Line", "HP cylinder", "Druckluftleitung"):
        layout.write_text(text.format(spelling), encoding="utf-8")
        assert load_layout(layout).spec.tables
