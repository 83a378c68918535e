"""A filled blank, saved by LibreOffice in other formats, is graded the same."""

import os
import shutil
import subprocess
from datetime import date

import pytest

from grader import grade
from grader.problems import Problems
from grader.read.find import find_workbooks
from grader.read.process import read_workbooks
from grader.write.blank import write_blank

OFFICE = shutil.which("soffice") or shutil.which("libreoffice")
VISIT = {
    "site": "North Works",
    "client": "Example Coatings",
    "test_date": date(2026, 3, 14),
    "visit_reason": "periodic",
    "instrument": "A1",
    "calibration_due": date(2027, 1, 31),
    "co_tube_expiry": date(2027, 1, 31),
    "co2_tube_expiry": date(2027, 1, 31),
    "oil_tube_expiry": date(2027, 1, 31),
    "water_tube_expiry": date(2027, 1, 31),
    "atmospheric_pressure_hpa": 1004.5,
}
GOOD = {
    "outlet": "Bay 1",
    "location": "Hall 3, north",
    "system": "Main",
    "supply": "airline",
    "dryer": "desiccant",
    "odour": "none",
    "line_pressure_bar": 6.25,
    "nominal_pressure_bar": 7.0,
    "lowest_pressure_bar": 4.0,
    "flow_l_min": 1250,
    "flow_needed_l_min": 160.0,
    "oxygen_pct": 20.9,
    "co_ppm": 1.0,
    "co2_ppm": 430.0,
    "oil_mg_m3": 0.125,
    "oil_sampling_min": 15.0,
    "oil_sampling_needed_min": 15.0,
    "water_tube_mg_m3": 60.0,
    "water_multiplier": 1.0,
    "airline_temperature_c": 18.5,
    "ambient_temperature_c": 17.0,
    "lowest_use_temperature_c": 5.0,
}
ROWS = [
    GOOD,
    {**GOOD, "outlet": 2, "co_ppm": "<5", "oil_mg_m3": "ND"},
    {**GOOD, "outlet": "007", "co_ppm": 12.5, "remarks": 'says "smell", then\na second line; see \u00bd"'},
    {**GOOD, "outlet": "Tür 4", "oil_mg_m3": "stain"},
    {**GOOD, "outlet": "Bay 5", "water_tube_mg_m3": None},
    {**GOOD, "outlet": "Bay 6", "odour": "marked"},
    {**GOOD, "outlet": "Bay 7", "co2_ppm": "48O"},
]
# What the office program shows may be rounded to its number formats, so figures are compared as shown.
SAME = [
    "Site",
    "Outlet",
    "System",
    "Test date",
    "Verdict",
    "Reasons",
    "Oxygen (%)",
    "Carbon monoxide (ppm)",
    "Carbon dioxide (ppm)",
    "Oil (mg/m³)",
    "Odour",
    "Water (mg/m³)",
    "Pressure dew point (°C)",
    "Row",
]
CSV = "csv:Text - txt - csv (StarCalc):44,34,76,1,,0,false,true,false,false,false,-1"


def convert(source, target, kind, profile, *, home):
    """One start of the office program, with a profile of its own; every source file at once."""
    environment = {**os.environ, "HOME": str(home), "LC_ALL": "C.UTF-8"}
    subprocess.run(
        [
            OFFICE,
            f"-env:UserInstallation={profile.as_uri()}",
            "--headless",
            "--convert-to",
            kind,
            "--outdir",
            str(target),
            *map(str, source),
        ],
        check=True,
        capture_output=True,
        timeout=300,
        env=environment,
    )


@pytest.fixture(scope="module")
def converted(tmp_path_factory):
    """Folder with visit.xlsx (a blank) and flat.xlsx (its visit as columns), and a folder of each format."""
    if OFFICE is None:
        pytest.skip("no LibreOffice on this machine")
    folder = tmp_path_factory.mktemp("formats")
    write_blank(folder / "visit.xlsx", visit=VISIT, rows=ROWS)
    flat = folder / "flat"
    flat.mkdir()
    write_blank(flat / "log.xlsx", rows=[{**row, **VISIT} for row in ROWS])
    grade([folder / "visit.xlsx"], as_of="2026-04-01").write(folder / "result.xlsx")
    profile = folder / "profile"
    sources = [folder / "visit.xlsx", flat / "log.xlsx", folder / "result.xlsx"]
    for kind, name in (("ods", "ods"), ("xls", "xls"), (CSV, "csv")):
        convert(sources, folder / name, kind, profile, home=folder)
    return folder


def verdicts(path):
    """The verdicts of one file as text, so that formats that know no types are compared alike."""
    return grade([path], as_of="2026-04-01").verdicts[SAME].astype(str)


@pytest.mark.parametrize("name", ["visit", "log"])
@pytest.mark.parametrize("kind", ["ods", "xls"])
def test_a_filled_blank_saved_in_another_format_has_the_same_verdicts(converted, kind, name):
    source = converted / "visit.xlsx" if name == "visit" else converted / "flat" / "log.xlsx"
    wanted = verdicts(source)
    assert set(wanted["Verdict"]) >= {"pass", "fail", "incomplete"} and len(wanted) == len(ROWS)
    found = verdicts(converted / kind / f"{name}.{kind}")
    assert found.to_dict("list") == wanted.to_dict("list")


def test_the_readings_saved_as_text_have_the_same_verdicts(converted):
    wanted = verdicts(converted / "flat" / "log.xlsx")
    found = verdicts(converted / "csv" / "log-Readings.csv")
    assert found.to_dict("list") == wanted.to_dict("list")


@pytest.mark.parametrize("name", ["ods/result.ods", "xls/result.xls", "csv/result-Verdicts.csv"])
def test_a_result_saved_in_another_format_is_passed_over(converted, name):
    """Its document property survives; a text file has none and is known by its headings."""
    log = read_workbooks(find_workbooks([converted / "visit.xlsx", converted / name], Problems()), Problems())
    assert log.passed_over_counts() == {"made by this program": 1}
    assert list(log.files["name"]) == ["visit.xlsx"]
