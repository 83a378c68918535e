"""A register with something wrong: a line under Problems, and no test lost or better for it.

Each sheet in turn is removed, every line of it doubled with another value, and every cell of it spoilt.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import openpyxl
import pytest

from grader.batch import Options, judged, run
from grader.columns import REGISTER, REGISTER_FIELDS, TEST_WORDS
from grader.problems import Problems
from grader.read.find import find_workbooks
from grader.read.process import read_workbooks
from grader.report import problem_table
from grader.write.register import write_register
from tests.register.firm import AS_OF, Graded, blanks, graded, only, register, said, visit
from tests.support import AIRLINE

# What the register bears on: one test by the register, one past its calibration, one with a flow too low for two.
ROWS = [
    blanks(),
    blanks(outlet="Bay 2"),
    blanks(flow_l_min=250.0, outlet="Bay 3"),
    {**AIRLINE, "outlet": "Bay 4", "oil_sampling_needed_min": 10.0},
]
RANK = {"pass": 0, "near limit": 1, "incomplete": 2, "fail": 3}
USED = [name for name in REGISTER if name not in ("Laboratory", "Clearances", "Names")]


def lines():
    whole = register()
    whole["Outlets"] += [{**whole["Outlets"][0], "outlet": f"Bay {n}"} for n in (2, 3)]
    return whole


@pytest.fixture(scope="module")
def verdicts(tmp_path_factory):
    """Verdicts by the whole register and by none, by outlet."""
    folder = tmp_path_factory.mktemp("whole")
    whole = graded(folder / "with", lines(), ROWS)
    none = graded(folder / "without", None, ROWS)
    assert whole.verdicts["Verdict"].tolist() == ["pass", "pass", "fail", "pass"]
    assert not whole.problems["Severity"].isin(["query", "refused"]).any()
    return [r.verdicts.set_index("Outlet")["Verdict"].to_dict() for r in (whole, none)]


@pytest.fixture(scope="module")
def as_read(tmp_path_factory):
    """The log of a visit and the whole register."""
    folder = tmp_path_factory.mktemp("read")
    graded(folder, lines(), ROWS)
    return read_workbooks(find_workbooks(folder, Problems()), Problems())


def check_held(result, verdicts, problem):
    """No test lost; none better than by the whole register (or than by none); and it is said."""
    assert len(ROWS) == len(result.verdicts)
    check_no_better(result.verdicts.set_index("Outlet")["Verdict"].to_dict(), verdicts)
    assert not said(result, problem).empty, result.problems["Problem"].tolist()


def check_no_better(found, verdicts):
    whole, none = verdicts
    assert found.keys() == whole.keys()
    for outlet, verdict in found.items():
        # What nothing says any more cannot fail a test; but then nothing passes it that did not pass without.
        assert RANK[verdict] >= min(RANK[whole[outlet]], RANK[none[outlet]]), outlet
        assert verdict not in ("pass", "near limit") or "pass" in (whole[outlet], none[outlet]), outlet


@pytest.mark.parametrize("sheet", REGISTER)
def test_a_sheet_removed(tmp_path, verdicts, sheet):
    graded(tmp_path, lines(), ROWS)
    book = openpyxl.load_workbook(tmp_path / "register.xlsx")
    del book[sheet]
    book.save(tmp_path / "register.xlsx")
    check_held(Graded(tmp_path), verdicts, f"no sheet {sheet}")


@pytest.mark.parametrize("sheet", [s for s in REGISTER if s != "Laboratory"])
@pytest.mark.parametrize("better", [False, True])
def test_every_line_doubled_with_what_would_be_better_or_worse(tmp_path, verdicts, sheet, better):
    other = {
        "calibration_due": date(2030, 1, 1) if better else date(2026, 2, 1),
        "tube_expiry": date(2030, 1, 1) if better else date(2026, 2, 1),
        "oil_sampling_needed_min": 1 if better else 60,
        "flow_needed_l_min": 10 if better else 900,
        "lowest_use_temperature_c": 30 if better else -40,
        "used_at_once": 1 if better else 8,
        "means": "Bay 2",
        "grounds": "",
    }
    twice = lines()
    twice[sheet] += [{k: other.get(k, v) for k, v in line.items()} for line in twice[sheet]]
    result = graded(tmp_path, twice, ROWS)
    check_held(result, verdicts, "stands twice in the register")
    if better:
        assert result.verdicts["Verdict"].tolist() == list(verdicts[0].values())


@pytest.mark.parametrize("sheet", [s for s in REGISTER if s != "Laboratory"])
def test_every_cell_spoilt_in_turn(as_read, verdicts, sheet):
    for name in REGISTER[sheet].columns:
        if REGISTER_FIELDS[name].kind == "text":
            continue
        spoilt = [
            t._replace(columns={**t.columns, name: ["who knows?"] * len(t.rows)}) if t.sheet == sheet else t
            for t in as_read.register
        ]
        found = judged(replace(as_read, register=spoilt), Options(as_of=date.fromisoformat(AS_OF)))
        tests, (problems, _) = found.tests, problem_table(found.problems, found.log)
        told = problems["Problem"].str.contains("who knows?", regex=False)
        assert REGISTER_FIELDS[name].kind != "date" or told.any(), problems["Problem"].tolist()
        check_no_better({o: TEST_WORDS[v] for o, v in zip(tests["outlet"], tests["verdict"], strict=True)}, verdicts)


def test_a_date_that_is_none_is_a_line_with_its_cell(tmp_path):
    whole = register()
    whole["Tubes"][0]["tube_expiry"] = "31.02.2027"
    result = graded(tmp_path, whole)
    (line,) = (
        result.problems[result.problems["File"] == "register.xlsx"].query("Severity == 'query'").to_dict("records")
    )
    assert (line["Sheet"], line["Cell"], line["Value"]) == ("Tubes", "C2", "31.02.2027")
    assert only(result)["Oil verdict"] == "cannot tell"


def test_a_line_that_says_not_what_it_is_about_is_not_used(tmp_path):
    whole = register()
    whole["Tubes"].append({"parameter": "Oil", "tube_expiry": date(2026, 1, 1)})
    result = graded(tmp_path, whole)
    assert said(result, "says nothing under Tube lot")["Cell"].tolist() == ["B4"]
    assert only(result)["Verdict"] == "pass"


def test_headings_unknown_missing_and_twice_are_said(tmp_path):
    graded(tmp_path, register())
    book = openpyxl.load_workbook(tmp_path / "register.xlsx")
    book["Tubes"]["F1"].value = "Colour"
    book["Tubes"]["G1"].value = "Tube expiry"
    book["Tubes"]["G2"].value = date(2030, 1, 1)
    book.save(tmp_path / "register.xlsx")
    result = run(tmp_path, as_of=AS_OF)
    assert said(result, "no column Colour")["Cell"].tolist() == ["F1"]
    assert not said(result, "Columns that are not there").empty
    assert not said(result, "The heading Tube expiry stands twice").empty
    assert only(result)["Oil verdict"] == "cannot tell"  # two expiries, neither is read


def test_a_register_that_cannot_be_opened_is_refused_and_no_test_lost(tmp_path):
    graded(tmp_path, register())
    (tmp_path / "register.xlsx").write_bytes(b"PK\x03\x04 and nothing more")
    result = run(tmp_path, as_of=AS_OF)
    assert len(result.verdicts) == 1 and result.refused
    beside = run(tmp_path / "visit.xlsx", as_of=AS_OF)
    assert said(beside, "register.xlsx lies beside")["Severity"].tolist() == ["query"]


def test_a_folder_with_nothing_but_a_register_has_no_test(tmp_path):
    write_register(tmp_path / "register.xlsx", lines=register())
    assert len(run(tmp_path, as_of=AS_OF).verdicts) == 0


def test_a_line_without_a_client_where_two_clients_have_the_site_is_asked(tmp_path):
    rows = [blanks(client="One"), blanks(client="Two")]
    result = graded(tmp_path, register(), rows, visit(client=None))
    assert not said(result, "Several clients").empty
    assert result.verdicts["Verdict"].tolist() == ["incomplete", "incomplete"]


@pytest.mark.parametrize(
    ("sheet", "line", "changes", "verdict"),
    [
        # A serial twice with one day of calibration: the due day that comes first holds.
        ("Instruments", 0, {"instrument": "a 1", "calibration_due": date(2026, 2, 1)}, "incomplete"),
        ("Instruments", 0, {"calibration_due": "soon"}, "incomplete"),
        # Calibrations of which only the end is known follow one another, as `--from` writes them.
        ("Instruments", 0, {"calibrated_on": None, "calibration_due": date(2025, 2, 1)}, "pass"),
    ],
)
def test_a_serial_of_several_lines(tmp_path, sheet, line, changes, verdict):
    whole = register()
    whole[sheet].append({**whole[sheet][line], **changes})
    result = graded(tmp_path, whole)
    assert only(result)["Verdict"] == verdict
    assert said(result, "stands twice").empty == (verdict == "pass")


def test_a_sheet_that_a_program_copied_is_one_of_the_register(tmp_path):
    graded(tmp_path, register())
    book = openpyxl.load_workbook(tmp_path / "register.xlsx")
    copy = book.copy_worksheet(book["Tubes"])
    copy.title, copy["C2"].value = "Tubes (2)", date(2026, 2, 1)
    book.save(tmp_path / "register.xlsx")
    result = run(tmp_path, as_of=AS_OF)
    assert only(result)["Oil verdict"] == "cannot tell"  # expired by the copy
    assert not said(result, "stands twice").empty


def test_a_name_that_is_said_is_the_one_that_was_looked_for(tmp_path):
    whole = register()
    whole["Breathing equipment"] = []
    result = graded(tmp_path / "equipment", whole)
    assert said(result, "Blast hood is not on the register").shape[0] == 1
    whole = register()
    whole["Tubes"][0]["parameter"] = "who knows?"
    assert said(graded(tmp_path / "lot", whole), "stands in the register under").empty  # the cell itself is asked about


def test_more_in_use_than_a_figure_says_no_need(tmp_path):
    whole = register()
    whole["Outlets"][0]["used_at_once"] = ">2"
    found = only(graded(tmp_path, whole, [blanks(flow_l_min=1000.0)]))
    assert found["Flow verdict"] == "cannot tell" and "inf" not in found["Reasons"]
