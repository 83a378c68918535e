"""The demo is what it says: made by its script, large enough, invented, and physically right."""

from __future__ import annotations

import doctest
import importlib.util
import re
import sys
import tomllib
import zipfile
from collections import Counter
from datetime import date
from pathlib import Path

import openpyxl
import pytest
from CoolProp.HumidAirProp import HAPropsSI

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "demo"
INBOX = DEMO / "inbox"


def _load(name):
    spec = importlib.util.spec_from_file_location(f"demo_{name}", DEMO / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


make_demo = _load("make_demo")
plant = make_demo.plant


@pytest.fixture(scope="module")
def story():
    return make_demo.load_story()


@pytest.fixture(scope="module")
def books(story):
    return make_demo.build(story)


@pytest.fixture(scope="module")
def committed():
    """name -> (Visit as label -> value, Readings rows as heading -> value), from the committed files."""
    found = {}
    for path in sorted(INBOX.glob("2*.xlsx")):
        workbook = openpyxl.load_workbook(path)
        labels = workbook["Visit"].iter_rows(min_col=1, max_col=2, values_only=True)
        visit = {label: value for label, value in labels if label}
        sheet = workbook["Readings"].iter_rows(values_only=True)
        headings = next(sheet)
        rows = [dict(zip(headings, row)) for row in sheet if any(cell is not None for cell in row)]
        found[path.name] = (visit, rows)
    return found


def _parts(path):
    with zipfile.ZipFile(path) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


@pytest.fixture(scope="module")
def fresh_folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("inbox")
    make_demo.make(folder)
    return folder


def test_script_gives_the_committed_workbooks_part_by_part(fresh_folder):
    made = {p.name: p for p in fresh_folder.glob("[2r]*.xlsx")}
    assert sorted(made) == sorted(p.name for p in INBOX.glob("*.xlsx"))
    for name, path in made.items():
        fresh, kept = _parts(path), _parts(INBOX / name)
        assert sorted(fresh) == sorted(kept), name
        differing = [part for part in fresh if fresh[part] != kept[part]]
        assert not differing, f"{name}: {differing} differ; run python demo/make_demo.py"


def test_a_second_run_changes_nothing_and_names_a_file_that_is_not_its_own(fresh_folder, capsys):
    (fresh_folder / "stray.xlsx").write_bytes(b"not mine")
    before = {p.name: p.read_bytes() for p in fresh_folder.iterdir()}
    assert make_demo.main([str(fresh_folder)]) == 0
    assert {p.name: p.read_bytes() for p in fresh_folder.iterdir()} == before
    assert "not made by this script: stray.xlsx" in capsys.readouterr().out


def test_a_line_added_to_the_story_leaves_other_readings_alone(story, books):
    longer = make_demo.load_story()
    longer["site"][0]["system"][0]["outlets"].insert(0, {"name": "Dock 0", "location": "Gate"})
    more = make_demo.build(longer)
    assert len(more) == len(books)
    for book, other in zip(books, more):
        assert [r for r in other.rows if r.get("outlet") != "Dock 0"] == book.rows


def test_inbox_is_below_one_megabyte():
    assert sum(p.stat().st_size for p in INBOX.glob("*.xlsx")) < 1_000_000


def test_scale_and_spread(committed):
    days, outlets, pairs = [], Counter(), set()
    for name, (visit, rows) in committed.items():
        days.append(date.fromisoformat(name[:10]))
        for row in rows:
            outlets[visit["Site"], row["Outlet"]] += 1
            pairs.add((row["Supply"], row["Dryer"]))
    assert len({site for site, _ in outlets}) >= 4
    assert len(outlets) >= 30
    assert len(committed) >= 12
    assert (min(days).year, max(days).year) == (2023, 2026) and (max(days) - min(days)).days > 1000
    assert {d for s, d in pairs if s == "airline"} == {"none", "refrigerant", "desiccant", "membrane"}
    assert {s for s, _ in pairs} == {"airline", "charging compressor", "cylinder", "tapping B"}
    nominal = {
        row["Nominal pressure (bar)"] for _, rows in committed.values() for row in rows if row["Supply"] == "cylinder"
    }
    assert nominal == {200, 300}
    assert sum(count >= 5 for count in outlets.values()) >= 38  # enough visits for a trend


def test_cells_are_those_the_script_meant(committed, books):
    """Spot check by another reader: openpyxl sees the numbers as numbers and the slips as text."""
    by_name = {b.name: b for b in books}
    headings = {
        "outlet": "Outlet",
        "co2_ppm": "Carbon dioxide (ppm)",
        "oil_mg_m3": "Oil (mg/m³)",
        "water_tube_mg_m3": "Water tube reading (mg/m³)",
        "flow_l_min": "Flow measured (L/min)",
    }
    for name, (visit, rows) in committed.items():
        book = by_name[name]
        assert len(rows) == len(book.rows), name
        assert visit["Site"] == book.visit["site"]
        for row, meant in zip(rows, book.rows):
            assert {f: row[h] for f, h in headings.items()} == {f: meant.get(f) for f in headings}


def test_every_name_is_plainly_invented(committed):
    for name, (visit, _) in committed.items():
        assert re.fullmatch(r"Example Client (One|Two|Three|Four|Five)", visit["Client"]), name
        assert re.fullmatch(r"Engineer [A-Z]", visit["Tested by"]), name
        assert "Invented" in visit["Site address"], name
        assert re.fullmatch(r"EX-\d{3}", visit["Instrument serial number"]), name


def test_no_firm_endings_in_the_story():
    text = "".join((DEMO / name).read_text(encoding="utf-8") for name in ("story.toml", "README.md"))
    assert not re.search(r"\b(Ltd|Limited|Inc|GmbH|PLC|LLC|AG|Group|Holdings)\b|[®™]|https?://|@", text)


def test_one_instrument_has_one_calibration_and_one_lot_one_expiry(books, story):
    """The visit sheets of different sites agree with one another."""
    expiry = {}
    for book in books:
        for tube in ("co", "co2", "oil", "water"):
            lot, day = book.visit[f"{tube}_tube_lot"], book.visit[f"{tube}_tube_expiry"]
            assert expiry.setdefault(lot, day) == day
    for instrument in story["instruments"]:
        used = sorted(
            (date.fromisoformat(b.name[:10]), b.visit["calibration_due"])
            for b in books
            if b.visit["instrument"] == instrument
        )
        assert [due for _, due in used] == sorted(due for _, due in used)


def test_exactly_one_visit_with_expired_tubes_and_one_with_overdue_calibration(books):
    expired, overdue = [], []
    for book in books:
        day = date.fromisoformat(book.name[:10])
        if any(book.visit[f"{tube}_tube_expiry"] < day for tube in ("co", "co2", "oil", "water")):
            expired.append(book.name)
        if book.visit["calibration_due"] < day:
            overdue.append(book.name)
    assert expired == ["2024-09-17 Brackholt Blast Works.xlsx"]
    assert overdue == ["2024-05-21 Farwick Warm Process Works.xlsx"]


def test_the_two_copies_of_one_visit_differ_in_one_cell(books):
    first, copy = (
        next(b for b in books if b.name == f"2025-12-09 Northquay Refit Yard{t}.xlsx") for t in ("", " office copy")
    )
    assert first.visit == copy.visit
    differing = [
        (row["outlet"], name) for row, other in zip(first.rows, copy.rows) for name in row if row[name] != other[name]
    ]
    assert differing == [("Dock 3", "co2_ppm")]


def test_every_badly_written_cell_of_the_list_is_there(committed):
    texts = {str(v) for visit, rows in committed.values() for row in [visit, *rows] for v in row.values()}
    for text in ("0,4", "<2", "<0.5", "ND", "4 ppm", "n/a", "Nil", "Bya 3", "14.03.2025", "tapping B", "1,009"):
        assert text in texts, text
    assert any(re.fullmatch(r"\d+O", t) for t in texts)  # a letter O
    assert any(re.fullmatch(r"\d,\d{3}", t) for t in texts)  # a comma before three digits
    assert sum(row["Outlet"] is None for _, rows in committed.values() for row in rows) == 1


def test_findings_name_outlets_and_visits_that_exist(story, books):
    tested = {(b.visit["site"], b.name[:10], row.get("outlet")) for b in books for row in b.rows}
    for finding in story["finding"]:
        for outlet in finding["outlets"]:
            if "date" in finding:
                assert (finding["site"], str(finding["date"]), outlet) in tested, finding
            else:
                assert any(t[0] == finding["site"] and t[2] == outlet for t in tested), finding


def _saturated_content_mg_m3(dew_point_c, pressure_bar):
    """Water of saturated air by CoolProp (ASHRAE RP-1485 humid air), mg/m3 at 20 degC and 1013.25 hPa."""
    fraction = HAPropsSI("psi_w", "T", dew_point_c + 273.15, "P", pressure_bar * 1e5, "RH", 1.0)
    return fraction * 18.015268e3 * 101325.0 / (8.314462618 * 293.15)


@pytest.mark.parametrize("dew_point_c", [-45.0, -30.0, -15.0, -1.0, 3.0, 10.0, 20.0, 25.0])
@pytest.mark.parametrize("pressure_bar", [1.01325, 6.5, 8.0, 10.0])
def test_plant_water_content_agrees_with_coolprop(dew_point_c, pressure_bar):
    """Reference: CoolProp humid air. The Magnus form is up to 0.3 % low at 20 degC, hence 0.5 %."""
    expected = _saturated_content_mg_m3(dew_point_c, pressure_bar)
    assert plant.water_content_mg_m3(dew_point_c, pressure_bar) == pytest.approx(expected, rel=5e-3)


def _water_readings(books):
    """(reading, multiplier, content by CoolProp as the tube met it) of every clean row with a dew point."""
    for book in books:
        raw = book.visit["tubes_corrected"] != "already corrected"
        station = book.visit["atmospheric_pressure_hpa"]
        for row, truth in zip(book.rows, book.truth):
            if (
                "dew_point_c" in truth
                and "water_multiplier" in row
                and not isinstance(station, str)
                and isinstance(row["water_tube_mg_m3"], float)
            ):
                content = _saturated_content_mg_m3(truth["dew_point_c"], truth["pressure_bar"])
                thin = station / 1013.25 if raw else 1.0
                yield row["water_tube_mg_m3"], row["water_multiplier"], content * thin


def test_water_without_scatter_is_coolprops_to_half_a_mark():
    """Without scatter a tube shows CoolProp's content to half a mark (and the 0.5 % of the formula)."""
    story = make_demo.load_story()
    story["scatter"] = dict.fromkeys(story["scatter"], 0.0)
    checked = 0
    for reading, multiplier, content in _water_readings(make_demo.build(story)):
        half_mark = plant.mark_width(content / multiplier) / 2.0
        assert abs(reading - content / multiplier) <= half_mark + 5e-3 * content / multiplier
        checked += 1
    assert checked > 200


def test_committed_water_readings_scatter_about_coolprops(books, story):
    """At most twice the scatter and half a mark, and no bias: the mean of all ratios is 1 within 2 %."""
    ratios = []
    for reading, multiplier, content in _water_readings(books):
        ratio = reading * multiplier / content
        half_mark = plant.mark_width(reading) / 2.0 / reading
        assert abs(ratio - 1.0) <= 2.0 * story["scatter"]["water"] + half_mark + 5e-3
        ratios.append(ratio)
    assert len(ratios) > 200
    assert sum(ratios) / len(ratios) == pytest.approx(1.0, abs=0.02)


def test_outdoor_carbon_dioxide_stays_near_the_annual_means():
    """NOAA Global Monitoring Laboratory, global annual means, ppm: 2023 to 2025."""
    for year, mean in ((2023, 419.35), (2024, 422.79), (2025, 425.64)):
        days = [plant.outdoor_co2_ppm(date(year, month, 15)) for month in range(1, 13)]
        assert sum(days) / 12.0 == pytest.approx(mean, abs=0.5)
        assert max(abs(d - mean) for d in days) < 8.0


def test_flow_falls_and_outlet_pressure_with_it_as_the_hose_clogs():
    free = plant.flow_and_pressure(7.4, 1.1e-5, 28.0)
    clogged = plant.flow_and_pressure(7.4, 8.0e-5, 28.0)
    assert clogged[0] < free[0] and clogged[1] < free[1] < 7.4


def test_doctests_of_the_demo():
    for module in (plant, make_demo):
        result = doctest.testmod(module)
        assert result.attempted > 0 and result.failed == 0


def test_plant_uses_nothing_of_the_program():
    source = (DEMO / "plant.py").read_text(encoding="utf-8")
    assert not re.search(r"^\s*(from|import)\s+grader", source, re.MULTILINE)


def test_a_slip_that_meets_no_outlet_is_refused():
    story = make_demo.load_story()
    story["slip"].append(
        {"site": "Ostmere Paint Hall", "date": date(2024, 8, 13), "outlet": "Bay 99", "field": "co_ppm", "value": "?"}
    )
    with pytest.raises(ValueError, match="no outlet Bay 99"):
        make_demo.build(story)


def test_story_is_plain_toml():
    assert tomllib.loads((DEMO / "story.toml").read_text(encoding="utf-8"))["as_of"] == date(2026, 11, 25)
