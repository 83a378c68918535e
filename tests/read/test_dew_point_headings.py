"""A dew point whose heading names no pressure (design, "Understanding a sheet"): at that of the line on an airline whose
water is judged there, at line pressure and at one atmosphere elsewhere, the worse counting. Headings: common practice."""

import openpyxl
import pytest

from grader import grade

HEADS = ["Outlet", "Test date", "Supply", "Dryer", "Odour", "O2 (%)", "CO (ppm)", "CO2 (ppm)", "Oil (mg/m3)",
         "Line pressure (bar)", "Lowest use temperature (°C)", "Rule set"]  # fmt: skip
ROW = ["P1", "2026-03-02", "airline", "desiccant", "none", 20.9, 1, 450, "<0.1", 7, 12, "en12021-2014"]


def water(folder, heading, dew, **changed):
    """Verdict of water, and the codes of what is said of the heading."""
    book = openpyxl.Workbook()
    book.active.append([*HEADS, heading])
    book.active.append([*(changed.get(h, v) for h, v in zip(HEADS, ROW)), dew])
    book.save(folder / "log.xlsx")
    found = grade(folder, as_of="2026-06-30")
    said = found.problems[found.problems["Value"].astype(str) == heading]
    return found.verdicts["Water verdict"].iloc[0], list(said["Severity"])


@pytest.mark.parametrize("heading", ["Dew point (°C)", "Dewpoint °C", "Taupunkt [°C]", "Point de rosée (°C)", "DP °C"])
def test_on_an_airline_it_is_that_of_the_line(heading, tmp_path):
    assert water(tmp_path, heading, -5) == ("pass", ["query"])
    assert water(tmp_path, heading, 9)[0] == "fail"


@pytest.mark.parametrize(
    "heading", ["Dew point at dryer (°C)", "Dew point old (°C)", "Dew point at 3 outlets (°C)", "Taupunkt Trockner °C"]
)
def test_another_words_heading_is_not(heading, tmp_path):
    assert water(tmp_path, heading, -5)[0] != "pass"


def test_a_heading_that_names_its_pressure_is_taken_at_its_word(tmp_path):
    """-40 °C at one atmosphere is wetter at 7 bar than -40 °C there; nothing is asked."""
    assert water(tmp_path, "Pressure dew point (°C)", -5) == ("pass", [])
    assert water(tmp_path, "Atmospheric dew point (°C)", -5)[0] == "fail"


@pytest.mark.parametrize(("dew", "expected"), [(-30, "pass"), (8, "cannot tell")])
def test_under_a_rule_at_one_atmosphere_both_count(dew, expected, tmp_path):
    """29 CFR: 10 °F (5.6 K) below the coldest place, at one atmosphere: 8 °C at 7 bar is some -19 °C there."""
    assert (
        water(tmp_path, "Dew point (°C)", dew, **{"Rule set": "osha-grade-d"})[0].replace("near limit", "pass")
        == expected
    )


@pytest.mark.parametrize(
    "text",
    [
        "Dew points measured at atmospheric pressure",
        "Taupunkte in entspannter Luft gemessen",
        "Points de rosée mesurés à pression atmosphérique",
        "Hygrometer at 0 bar",
        "dew point -40 atm",
        "ADP",
        "At atmospheric pressure",
    ],
)
@pytest.mark.parametrize("where", ["above", "below", "beside", "another sheet"])
def test_where_anything_may_say_that_the_air_was_expanded_both_count(text, where, tmp_path):
    """Air of -20 °C at one atmosphere is some 4 °C at 7 bar, with 5 °C around it."""
    book = openpyxl.Workbook()
    sheet = book.active
    if where == "above":
        sheet.append([text])
    sheet.append([*HEADS, "Dew point (°C)", "Remarks"])
    sheet.append([*(5 if h.startswith("Lowest") else v for h, v in zip(HEADS, ROW)), -20, text * (where == "beside")])
    if where == "below":
        sheet.append([])
        sheet.append([text])
    if where == "another sheet":
        book.create_sheet("Method").append([text])
    book.save(tmp_path / "log.xlsx")
    found = grade(tmp_path, as_of="2026-06-30").verdicts
    assert list(found["Outlet"]) == ["P1"] and found["Water verdict"][0] == "cannot tell"


def test_the_pressure_of_the_day_says_nothing_of_it(tmp_path):
    book = openpyxl.Workbook()
    book.active.append(["Atmospheric pressure (hPa)", 1002])
    book.active.append([*HEADS, "Dew point (°C)"])
    book.active.append([*ROW, -5])
    book.save(tmp_path / "log.xlsx")
    assert grade(tmp_path, as_of="2026-06-30").verdicts["Water verdict"][0] == "pass"


def test_a_layout_file_settles_it(tmp_path):
    (tmp_path / "log.layout.toml").write_text(
        'files = ["*.xlsx"]\n[[table]]\n[table.constants]\ndew_point_measured_at_bar = 0\n'
    )
    assert water(tmp_path, "Dew point (°C)", -5) == ("fail", [])
