"""A visit judged with the folder of its past (--history), and the test of memory: visit by visit as all at once."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from grader import grade
from grader.batch import Options, _reviewed, judged
from grader.cli import main
from grader.columns import VERDICT_WORDS
from grader.problems import GraderError, Problems
from grader.report import problem_table
from grader.review.actions.findings import actions_table
from grader.review.due import due_table
from grader.review.verdict_sheet import verdict_table
from grader.write.blank import write_blank
from tests.judge.independent.compare import write_log
from tests.judge.test_row_alone import ROW
from tests.support import AIRLINE, VISIT, demo_result, log_of

ROOT = Path(__file__).parents[1]
AS_OF = "2026-06-01"
WET = {**AIRLINE, "dryer": "refrigerant", "water_tube_mg_m3": 60.0, "water_multiplier": 10.0}


def visit_file(path, day, rows, **visit):
    write_blank(path, visit={**VISIT, "test_date": day, **visit}, rows=rows)
    return path


@pytest.fixture(scope="module")
def firm(tmp_path_factory):
    """A folder of the past, another site's visit in it, and a visit lying elsewhere."""
    base = tmp_path_factory.mktemp("firm")
    (base / "logs").mkdir()
    cold = {**WET, "lowest_use_temperature_c": 2.0}
    visit_file(base / "logs" / "jan.xlsx", date(2026, 1, 14), [cold, {**AIRLINE, "outlet": "Bay 2"}])
    visit_file(base / "logs" / "other.xlsx", date(2026, 1, 20), [AIRLINE], site="South Works", client="Other Coatings")
    visit_file(base / "logs" / "namesake.xlsx", date(2026, 1, 21), [AIRLINE], client="Other Coatings")
    blank = {**WET, "lowest_use_temperature_c": None, "ambient_temperature_c": 18.0}
    visit_file(base / "visit.xlsx", date(2026, 4, 14), [blank])
    return base


def test_the_visit_is_judged_with_its_past_and_only_it_is_shown(firm):
    alone = grade(firm / "visit.xlsx", as_of=AS_OF)
    found = grade(firm / "visit.xlsx", as_of=AS_OF, history=firm / "logs")
    assert alone.verdicts["Verdict"].tolist() == ["pass"] or alone.verdicts["Verdict"].tolist() == ["near limit"]
    assert found.verdicts["Verdict"].tolist() == ["fail"]
    assert "jan.xlsx, row 2" in found.verdicts["Reasons"].iloc[0]
    assert found.sources["File"].tolist() == ["visit.xlsx"]
    assert set(found.actions["File"]) == {"visit.xlsx"} and set(found.problems["File"]) <= {"visit.xlsx", ""}
    # All else is of the named site, and nothing of the firm.
    assert found.due["Outlet"].tolist() == ["Bay 1", "Bay 2"]
    assert set(found.due["Client"]) == {"Example Coatings"}
    assert set(found.more["Sites"]["Site"]) == {"North Works"}
    assert "firm" not in set(found.years["Level"]) and set(found.years["Site"]) == {"North Works"}
    assert "2026-01" in found.trend.columns
    assert not found.refused and "history=3 files" in found.options.recorded()


def test_the_command_counts_and_ends_by_the_named_files_alone(firm, tmp_path):
    shutil.copytree(firm / "logs", tmp_path / "logs")
    (tmp_path / "logs" / "broken.xlsx").write_bytes(b"no workbook")
    out = tmp_path / "r.xlsx"
    done = CliRunner().invoke(
        main, ["grade", str(firm / "visit.xlsx"), "--history", str(tmp_path / "logs"), "-o", str(out), "--as-of", AS_OF]
    )
    assert done.exit_code == 0, done.output
    assert "1 file, 1 row found, 1 graded, 0 refused." in done.output
    book = pd.read_excel(out, sheet_name=None, engine="calamine")
    assert len(book["Verdicts"]) == 1 and len(book["Due"]) == 2
    assert "broken.xlsx" not in book["Problems"].to_string()


def test_a_file_with_the_same_bytes_counts_once_and_under_its_own_name(firm, tmp_path):
    shutil.copytree(firm / "logs", tmp_path / "logs")
    shutil.copy(firm / "visit.xlsx", tmp_path / "logs" / "april again.xlsx")
    found = grade(firm / "visit.xlsx", as_of=AS_OF, history=tmp_path / "logs")
    assert found.sources["File"].tolist() == ["visit.xlsx"]
    assert found.verdicts["Counts in history"].tolist() == ["yes"]
    assert "repeat" not in found.problems["Problem"].str.cat().casefold()


def test_a_visit_that_lies_in_the_folder_itself_counts_once(firm, tmp_path):
    shutil.copytree(firm / "logs", tmp_path / "logs")
    mine = shutil.copy(firm / "visit.xlsx", tmp_path / "logs" / "visit.xlsx")
    found = grade(mine, as_of=AS_OF, history=tmp_path / "logs")
    assert found.verdicts["File"].tolist() == ["visit.xlsx"] and len(found.tests) == 3


def test_another_file_of_the_same_name_keeps_out_of_its_way(firm, tmp_path):
    shutil.copytree(firm / "logs", tmp_path / "logs")
    visit_file(tmp_path / "logs" / "visit.xlsx", date(2026, 2, 14), [{**WET, "lowest_use_temperature_c": 3.0}])
    found = grade(firm / "visit.xlsx", as_of=AS_OF, history=tmp_path / "logs")
    assert found.verdicts["File"].tolist() == ["visit.xlsx"]
    assert "logs/visit.xlsx, row 2" in found.verdicts["Reasons"].iloc[0]


def test_tests_after_the_day_of_the_run_are_no_past(firm, tmp_path):
    visit_file(tmp_path / "may.xlsx", date(2026, 5, 14), [{**WET, "lowest_use_temperature_c": 2.0}])
    found = grade(firm / "visit.xlsx", as_of="2026-04-20", history=tmp_path / "may.xlsx")
    assert found.verdicts["Verdict"].iloc[0] != "fail"


def test_a_flat_log_of_many_sites_with_a_column_that_is_not_understood_is_a_past(firm, tmp_path):
    """Of its rows only the site's are kept, and of the column what stands in them: -30 °C costs that test its pass."""
    (tmp_path / "logs").mkdir()
    head = {
        **ROW,
        "Supply": "airline",
        "Line pressure (bar)": 6,
        "Nominal pressure (bar)": 7,
        "Water tube multiplier": 1,
    }
    head |= {"Water tube reading (mg/m³)": 60, "Lowest use temperature (°C)": 5, "Rule set": None}
    rows = [
        {**head, "Site": site, "Test date": date(2026, 1, day), "Coldest corner (°C)": cold}
        for day, site, cold in ((3, "South Works", 4), (4, "North Works", -30), (5, "East", 4), (6, "North Works", 4))
    ]
    write_log(tmp_path / "logs" / "flat.xlsx", rows, list(rows[0]))
    found = grade(firm / "visit.xlsx", as_of=AS_OF, history=tmp_path / "logs")
    assert found.tests["site"].tolist() == ["North Works"] * 3
    assert VERDICT_WORDS[found.tests["verdict_water"][1]] == "cannot tell"
    assert VERDICT_WORDS[found.tests["verdict_water"][2]] == "pass"


def test_a_folder_without_a_spreadsheet_is_no_past_and_one_that_is_not_there_an_error(firm, tmp_path):
    assert len(grade(firm / "visit.xlsx", as_of=AS_OF, history=tmp_path).verdicts) == 1
    with pytest.raises(GraderError, match="no file or folder"):
        grade(firm / "visit.xlsx", as_of=AS_OF, history=tmp_path / "nowhere")


# The test of memory


def some_files(log, numbers):
    """A log as if only these files, and the register, had been read, in this order."""
    numbers = [*numbers, *dict.fromkeys(t.file for t in log.register)]
    new = {old: i for i, old in enumerate(numbers)}
    rows = log.rows[log.rows["file"].isin(numbers)]
    order = np.argsort(rows["file"].map(new).to_numpy(), kind="stable")
    at = rows.index.to_numpy()[order]
    rows = log.rows.loc[at].reset_index(drop=True)
    rows["file"] = rows["file"].map(new).to_numpy()
    files = log.files.loc[list(numbers)].reset_index(drop=True)
    tables = [t._replace(file=new.get(t.file, -1)) for t in log.tables]
    register = [t._replace(file=new[t.file]) for t in log.register]
    return replace(
        log,
        files=files,
        tables=tables,
        register=register,
        rows=rows,
        from_constant={k: v[at] for k, v in log.from_constant.items()},
    )


def shown(log, options, named=None):
    """Verdicts, Actions and Due of a log, and its problems, as far as they are of the files named."""
    found = judged(log, options, Problems(), named)
    names, sheets = [str(n) for n in found.log.files["name"]], [t.sheet for t in found.log.tables]
    actions = actions_table(found.tests, file_names=names, sheet_names=sheets).frame
    due = due_table(found.tests, as_of=options.as_of, problems=found.problems, file_names=names)
    problems, _ = problem_table(found.problems, found.log, each=True)  # what many files say alike is one line else
    problems = problems.sort_values(["File", "Sheet", "Cell", "Problem"], ignore_index=True)
    return {"Verdicts": verdict_table(found.tests, names, sheets), "Actions": actions, "Problems": problems, "Due": due}


def same(step, once, what):
    """Two tables agree cell by cell; a year that the site was not tested in has no columns of its own."""
    assert len(step) == len(once), what
    if not len(step):
        return
    step, once = (t.astype(object).where(t.notna(), None).dropna(axis=1, how="all") for t in (step, once))
    pd.testing.assert_frame_equal(step.reset_index(drop=True), once[list(step)].reset_index(drop=True), obj=what)
    assert not once[[c for c in once if c not in step]].fillna(0).astype(bool).any().any(), what


def test_the_demo_visit_by_visit_is_the_demo_all_at_once():
    """At each step verdicts, findings and problems of the visit and its site's Due are those of grading all up to that day.

    The suite takes every ninth visit; `python -m tests.test_alongside` takes each.
    """
    assert visit_by_visit(9) > 3


def visit_by_visit(every):
    """How many steps were compared."""
    log = demo_result().log
    day = {int(f): d.max() for f, d in pd.to_datetime(log.rows["test_date"], errors="coerce").groupby(log.rows["file"])}
    assert len(day) > 40
    steps = list(day.items())[::every]
    for file, last in steps:
        before = [f for f in sorted(day) if day[f] <= last]
        options = Options(as_of=last.date())
        once = shown(some_files(log, before), options)
        step = shown(some_files(log, [file, *(f for f in before if f != file)]), options, named=1)
        name = str(log.files["name"].iloc[file])
        # December 2025 was typed twice: here the file named is the test and the other the copy, there the first in order.
        typed_twice = sum(last == other for other in day.values()) > 1
        for sheet in ("Verdicts", "Actions", "Problems")[: 1 if typed_twice else 3]:
            mine, all_ = (tables[sheet][tables[sheet]["File"] == name] for tables in (step, once))
            mine, all_ = (t.drop(columns="Counts in history", errors="ignore") for t in (mine, all_))
            same(mine, all_, f"{sheet} of {name}")
        mine, all_ = step["Due"], once["Due"][once["Due"]["Site"] == step["Verdicts"]["Site"].iloc[0]]
        same(mine.drop(columns="File"), all_.drop(columns="File"), f"Due after {name}")
    return len(steps)


def test_a_site_of_the_demo_with_its_past_is_that_site_among_all():
    """One whole run of either kind: the sheets of the site agree; the firm's rows and other sites' are not there."""
    site = "Ostmere Paint Hall"
    inbox = ROOT / "demo" / "inbox"
    visit = max(inbox.glob(f"*{site}*.xlsx"))
    once, step = demo_result(), grade(visit, as_of="2026-11-25", history=inbox)
    for sheet in ("Trend", "Years", "Due", "Wear"):
        all_ = once.frames()[sheet]
        same(step.frames()[sheet], all_[all_["Site"] == site], sheet)
    assert step.sources["File"].tolist() == [visit.name]


def test_a_lot_that_other_sites_used_too_says_the_same_with_the_past_as_among_all():
    """Five sites over two years; a carbon dioxide lot that reads low came into use everywhere at once, and hides that one
    site is worse. Every sheet of each site's last visit is that of grading all, its wear with the offset of the lot."""
    files = {}
    for visit in range(9):
        for number, site in enumerate(("Ash", "Birch", "Cedar", "Dogwood", "Elder")):
            lot, off = ("L9", -60.0) if visit > 6 else ("L1", 0.0)
            co2 = 430.0 + 7.0 * ((visit * 3 + number * 5) % 4) + off + (60.0 if site == "Cedar" and visit > 6 else 0.0)
            day = date(2024 + (visit // 4), 1 + 3 * (visit % 4), 3 + number)
            said = {
                **VISIT,
                "site": site,
                "client": site,
                "test_date": day,
                "co2_tube_lot": lot,
                "co2_tube_expiry": None,
            }
            rows = [{**AIRLINE, "co2_ppm": co2}, {**AIRLINE, "outlet": "Bay 2", "co2_ppm": co2 + 9}][
                : 1 if visit == 8 else 2
            ]
            files[f"{site} {visit}.xlsx"] = ({k: v for k, v in said.items() if v}, rows)
    log, options = log_of(files), Options(as_of=date(2026, 3, 1))
    names = [str(n) for n in log.files["name"]]
    once = _reviewed(judged(log, options, Problems()), options)
    for last in (names.index("Ash 8.xlsx"), names.index("Cedar 8.xlsx")):
        order = [last, *(f for f in range(len(names)) if f != last)]
        step = _reviewed(judged(some_files(log, order), options, Problems(), 1), options, 1)
        site = step.verdicts["Site"].iloc[0]
        for sheet in ("Verdicts", "Actions", "Problems"):
            all_, mine = once.frames()[sheet], step.frames()[sheet]
            if sheet == "Problems":  # notes that many files share are one line among all
                all_, mine = (t[t["Severity"] != "note"] for t in (all_, mine))
            same(mine, all_[all_["File"] == names[last]], f"{sheet} of {names[last]}")
        for sheet in ("Due", "Wear", "Trend", "Years"):
            all_ = once.frames()[sheet]
            same(step.frames()[sheet], all_[all_["Site"] == site], f"{sheet} of {site}")
        assert "was left out" in step.problems["Problem"].str.cat(sep=" ")
        assert step.wear["Note"].str.contains("L9").any() == (site == "Cedar")


if __name__ == "__main__":
    visit_by_visit(1)
