"""The whole run over real files: what the result holds, that no row is lost, that no input is touched."""

from __future__ import annotations

import dataclasses
import hashlib
import io
import tomllib
from datetime import date
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

from grader import batch, grade
from grader.columns import SHEETS
from grader.problems import GraderError
from grader.read.process import stated_limits
from grader.write.blank import write_blank
from tests.support import AIRLINE, VISIT, demo_result

ROOT = Path(__file__).parents[1]
STORY = tomllib.loads((ROOT / "demo" / "story.toml").read_text(encoding="utf-8"))
ALWAYS_THERE = {
    "Trend": ["Site", "Outlet", "Parameter", "Unit", "Limit"],
    "Due": ["Site", "Outlet", "Last test", "Last verdict", "Interval", "Next due", "Days left", "State"],
    "Years": ["Site", "Outlet", "Parameter", "Unit"],
}


@pytest.fixture(scope="module")
def demo():
    return demo_result()


def visit_file(path: Path, rows=None, **visit) -> Path:
    """A filled-in blank: one good airline outlet unless rows say otherwise."""
    write_blank(path, visit={**VISIT, **visit}, rows=rows or [AIRLINE])
    return path


def test_the_frames_have_the_columns_of_the_sheets(demo):
    for name, columns in SHEETS.items():
        assert list(demo.frames()[name].columns[: len(columns)]) == list(columns)
    for name, columns in ALWAYS_THERE.items():
        assert list(getattr(demo, name.lower()).columns[: len(columns)]) == columns
    for name in ("verdicts", "trend", "years", "due", "actions", "problems", "sources", "limits"):
        assert isinstance(getattr(demo, name), pd.DataFrame)


@pytest.mark.parametrize(
    "finding", [f for f in STORY["finding"] if f.get("sheet") == "Verdicts"], ids=lambda f: f["what"]
)
def test_what_the_story_expects_on_verdicts(demo, finding):
    v = demo.verdicts
    heading = {"Line pressure": "Pressure verdict"}.get(finding["parameter"], f"{finding['parameter']} verdict")
    rows = v[
        (v["Site"] == finding["site"])
        & v["Outlet"].isin(finding["outlets"])
        & (v["Test date"] == pd.Timestamp(finding["date"]))
    ]
    assert set(rows["Outlet"]) == set(finding["outlets"])
    # Where two files disagree both are shown, and one of them has it.
    assert all(finding["expect"] in set(g[heading]) for _, g in rows.groupby("Outlet"))


def test_what_the_story_says_of_lots_parts_and_the_laboratory(demo):
    lots = demo.more["Instruments and tubes"]
    recalled = lots[lots["Warned of"] == "yes"]
    assert set(recalled["Serial or lot"]) == set(STORY["register"]["lot"]) == set(lots["Serial or lot"][:2])
    for lot, parameter, count in zip(recalled["Serial or lot"], recalled["Parameter"], recalled["Tests"]):
        v = demo.verdicts
        rest = v[v["Instrument and lots"].str.contains(f"{parameter} {lot}")]
        assert count == int((~rest[f"{parameter} verdict"].isin(["not tested", "awaited"])).sum()) > 30
    plant = demo.more["Plant"].set_index(["System", "Part"])
    assert plant["State"]["Charging compressor 1", "compressor"] == "overdue"
    assert plant["Hours since change"]["Charging compressor 2", "compressor"] == 2064
    assert plant["Last readings before"]["Charging compressor 1", "filter"] == "2026-05-26: Oil <0.1 mg/m³"
    assert "(compressor, changed 2023-09, 4,758 h)" in demo.actions["Finding"][0]
    wearing = demo.actions.set_index("Parameter")["Finding"]["Pressure dew point"]
    assert "since 2025-12-16 (dryer, changed 2025-05, 5,426 h). It reaches" in wearing
    assert "the laboratory's result is awaited" in demo.actions.set_index("Outlet")["Finding"]["Rack 5"]
    later = grade(ROOT / "demo" / "inbox" / "2026-11-17 Ellerness Charging Station.xlsx", as_of="2026-12-03")
    assert later.verdicts.set_index("Outlet")["Verdict"]["Rack 5"] == "pass"


def test_every_row_of_the_demo_is_graded(demo):
    s = demo.sources
    assert (s["Rows found"] == s["Rows graded"] + s["Rows refused"]).all()
    assert s["Rows found"].sum() == len(demo.verdicts) == len(demo.tests)
    assert not demo.refused


def lose(table):
    return table.iloc[1:]


def double(table):
    return pd.concat([table, table.iloc[:1]])


def exchange(table):
    """One row lost and another there twice: the count is right."""
    return table.iloc[[0, 0, *range(2, len(table))]]


def turn(table):
    return table.iloc[::-1]


STEPS = ["read_cells", "normalise", "compute_water", "assign_rules", "judge_with_past", "add_reasons", "verdict_table"]


@pytest.mark.parametrize("harm", [lose, double, exchange, turn])
@pytest.mark.parametrize("step", STEPS)
def test_a_step_that_loses_doubles_or_mixes_up_rows_is_found_out(tmp_path, monkeypatch, step, harm):
    """Whatever step does it, the run says so, names the file and counts as refused (or stops: no result at all)."""
    if step == "verdict_table" and harm in (exchange, turn):
        pytest.skip("rows of one file in another order on the sheet: each still says its own row")
    visit_file(tmp_path / "a.xlsx", rows=[AIRLINE, {**AIRLINE, "outlet": "Bay 2"}, {**AIRLINE, "outlet": "Bay 3"}])
    whole = getattr(batch, step)

    def harmed(*arguments, **options):
        made = whole(*arguments, **options)
        return dataclasses.replace(made, tests=harm(made.tests)) if step == "assign_rules" else harm(made)

    monkeypatch.setattr(batch, step, harmed)
    try:
        result = grade(tmp_path, as_of="2026-11-25")
    except (ValueError, IndexError, KeyError):
        return
    assert result.refused and result.unbalanced == ["a.xlsx"]
    assert "a row was lost" in " ".join(result.problems["Problem"])


def test_a_file_that_loses_rows_while_another_gains_them_is_named(tmp_path, monkeypatch):
    for name in ("a.xlsx", "b.xlsx"):
        visit_file(tmp_path / name, rows=[AIRLINE, {**AIRLINE, "outlet": "Bay 2"}], site=name)
    whole = batch.verdict_table

    def mixed(*arguments):
        made = whole(*arguments)
        made.loc[made.index[0], "File"] = "b.xlsx"
        return made

    monkeypatch.setattr(batch, "verdict_table", mixed)
    assert grade(tmp_path, as_of="2026-11-25").unbalanced == ["a.xlsx"]


def test_the_written_result_is_the_frames(demo, tmp_path):
    demo.write(tmp_path / "r.xlsx")
    sheets = pd.read_excel(tmp_path / "r.xlsx", sheet_name=None, engine="calamine")
    assert list(sheets) == ["Summary", *demo.frames()]
    for name, frame in demo.frames().items():
        read = sheets[name]
        assert len(read) == len(frame)
        assert list(read.columns) == list(frame.columns)
    verdicts, place = sheets["Verdicts"], ["File", "Sheet", "Row", "Verdict"]
    assert sorted(verdicts[place].itertuples(index=False)) == sorted(demo.verdicts[place].itertuples(index=False))
    recent = verdicts[verdicts["Test date"] >= "2025-11-25"]
    assert recent.index.tolist() == list(range(len(recent))) and (verdicts["Verdict"][:5] == "fail").all()


def test_file_sheet_and_row_lead_back_to_the_reading(demo):
    """Traceable: for a handful of tests the source cell holds the figure that the sheet shows."""
    for i in range(0, len(demo.verdicts), 61):
        line = demo.verdicts.iloc[i]
        book = openpyxl.load_workbook(io.BytesIO((ROOT / "demo" / "inbox" / line["File"]).read_bytes()))
        sheet = book[line["Sheet"]]
        headings = [c.value for c in sheet[1]]
        assert sheet.cell(int(line["Row"]), headings.index("Oxygen (%)") + 1).value == line["Oxygen (%)"]


def test_no_input_is_touched(tmp_path):
    path = visit_file(tmp_path / "a.xlsx")
    before = hashlib.sha256(path.read_bytes()).hexdigest()
    result = grade(tmp_path, as_of="2026-11-25")
    result.write(tmp_path / "out.xlsx")
    assert hashlib.sha256(path.read_bytes()).hexdigest() == before == result.sources["SHA-256"].iloc[0]


def test_a_result_in_the_folder_is_passed_over(tmp_path):
    visit_file(tmp_path / "a.xlsx")
    grade(tmp_path, as_of="2026-11-25").write(tmp_path / "result.xlsx")
    again = grade(tmp_path, as_of="2026-11-25")
    assert list(again.sources["File"]) == ["a.xlsx"]
    assert sum(again.log.passed_over_counts().values()) == 1


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"supply": "tapping B"}, "Supply"),
        ({"co_ppm": "9 or so"}, "Carbon monoxide"),
        ({"oxygen_pct": -20.9}, "Oxygen"),
        ({"outlet": None}, "no name"),
    ],
)
def test_bad_input_is_one_problem_and_the_rest_is_graded(tmp_path, change, code):
    visit_file(tmp_path / "a.xlsx", rows=[{**AIRLINE, **change}, {**AIRLINE, "outlet": "Bay 2"}])
    result = grade(tmp_path, as_of="2026-11-25")
    found = result.problems[result.problems["Problem"].str.contains(code)]
    assert len(found) == 1 and found["Cell"].iloc[0] and found["What to do"].iloc[0]
    assert len(result.verdicts) == 2 and result.verdicts["Verdict"].iloc[1] == "pass"
    assert not result.refused


def test_no_date_is_graded_and_left_out_of_history(tmp_path):
    visit_file(tmp_path / "a.xlsx", test_date=None)
    result = grade(tmp_path, as_of="2026-11-25")
    assert result.verdicts["Verdict"].iloc[0] == "pass"
    assert len(result.due) == 0 and not result.refused
    assert result.verdicts["Counts in history"].iloc[0] == "no date"


def test_two_files_that_disagree_are_both_shown_and_queried(tmp_path):
    visit_file(tmp_path / "a.xlsx")
    visit_file(tmp_path / "b.xlsx", rows=[{**AIRLINE, "co_ppm": 9}])
    result = grade(tmp_path, as_of="2026-11-25")
    assert sorted(result.verdicts["Verdict"]) == ["fail", "pass"]
    assert (result.problems["Severity"] == "query").sum() == 2
    assert result.due["Last verdict"].tolist() == ["fail"]


def test_a_broken_file_is_refused_and_the_rest_graded(tmp_path):
    good = visit_file(tmp_path / "good.xlsx")
    (tmp_path / "cut.xlsx").write_bytes(good.read_bytes()[:3000])
    result = grade(tmp_path, as_of="2026-11-25")
    assert result.refused and len(result.verdicts) == 1
    refused = result.problems[result.problems["Severity"] == "refused"]
    assert refused["File"].tolist() == ["cut.xlsx"]


def test_nothing_to_read_stops_the_run(tmp_path):
    with pytest.raises(GraderError, match="no spreadsheet|nothing"):
        grade(tmp_path)
    with pytest.raises(GraderError):
        grade(tmp_path / "nowhere")


def test_a_wrong_argument_stops_the_run(tmp_path):
    visit_file(tmp_path / "a.xlsx")
    with pytest.raises(GraderError):
        grade(tmp_path, rules="en12021-2041")
    with pytest.raises(GraderError, match="2026-03-14"):
        grade(tmp_path, as_of="14 March")
    with pytest.raises(GraderError, match="information only"):
        grade(tmp_path, rules="iso8573-1-2010")


def test_the_rule_set_of_row_and_visit_win_over_the_option(tmp_path):
    nine = {**AIRLINE, "co_ppm": 9}
    visit_file(
        tmp_path / "a.xlsx",
        rows=[nine, {**nine, "outlet": "Bay 2", "rule_set": "EN 12021:2014"}],
        rule_set="en12021-1998",
    )
    result = grade(tmp_path, rules="osha-grade-d", as_of="2026-11-25")
    assert result.verdicts["Rule set"].tolist() == ["en12021-1998", "en12021-2014"]
    assert result.verdicts["Carbon monoxide verdict"].tolist() == ["pass", "fail"]


def test_as_of_takes_a_date_and_a_text(tmp_path):
    visit_file(tmp_path / "a.xlsx")
    for as_of in (date(2026, 6, 14), "2026-06-14"):
        assert grade(tmp_path, as_of=as_of).due["Days left"].tolist() == [0]


def test_the_blanks_own_page_of_instructions_gives_no_values(tmp_path):
    """A blank whose Visit sheet is empty: nothing on the sheet for the reader is taken for a reading of the visit."""
    row = {**AIRLINE, "site": "North Works", "test_date": date(2026, 3, 14), "atmospheric_pressure_hpa": 1003}
    write_blank(tmp_path / "a.xlsx", rows=[row])
    result = grade(tmp_path, as_of="2026-11-25")
    assert "already corrected" not in " ".join(result.problems["Value"])
    assert result.tests["tube_factor"].tolist() == [1.0]
    assert result.verdicts["Verdict"].tolist() == ["pass"]


def test_a_limit_of_reading_can_be_changed_and_the_change_is_recorded(tmp_path):
    path = visit_file(tmp_path / "a.xlsx")
    size = path.stat().st_size
    small = grade(tmp_path, reading_limits={"file_bytes": size - 1})
    assert small.refused and len(small.verdicts) == 0 and "too large" in small.problems["Problem"].iloc[0]
    assert f"limit=file_bytes {size - 1}" in small.options.recorded()
    assert len(grade(tmp_path, reading_limits={"file_bytes": size}).verdicts) == 1
    assert "limit=" not in grade(tmp_path).options.recorded()


@pytest.mark.parametrize(
    "limits, says",
    [
        ({"file_size": 3}, "There are: file_bytes"),
        ({"file_bytes": 0}, "above 0"),
        ({"seconds_a_file": "ten"}, "above 0"),
        ({"parts": float("inf")}, "above 0"),
    ],
)
def test_a_limit_that_is_none_stops_the_run(tmp_path, limits, says):
    visit_file(tmp_path / "a.xlsx")
    with pytest.raises(GraderError, match=says):
        grade(tmp_path, reading_limits=limits)


def test_limits_as_a_command_states_them():
    assert stated_limits(["seconds_a_file=300", " parts = 5 "]) == {"seconds_a_file": 300.0, "parts": 5.0}
    for text in ("parts", "parts=many", "size=3"):
        with pytest.raises(GraderError):
            stated_limits([text])


def test_figures_beyond_all_sense_are_no_lines_about_overflow_and_no_pass(tmp_path):
    """Warnings are errors in this suite; the odd lots, the trend and the median all meet these figures."""
    for n in range(6):
        huge = {
            "co_ppm": 1.7e308 - n * 1e307,
            "co2_ppm": -1.7e308,
            "oil_mg_m3": 1e300,
            "water_tube_mg_m3": 1e308,
            "oxygen_pct": 1e308,
        }
        rows = [{**AIRLINE, "outlet": f"Bay {b}", **huge} for b in range(7)]
        visit_file(
            tmp_path / f"{n}.xlsx",
            rows=rows,
            test_date=date(2025, 1 + n, 3),
            co_tube_lot=f"L{n % 2}",
            instrument=f"A{n % 3}",
        )
    result = grade(tmp_path, as_of="2026-11-25")
    assert len(result.verdicts) == 42 and not result.unbalanced
    assert set(result.verdicts["Verdict"]) <= {"fail", "incomplete"}
