"""Laboratory results: awaited until they come, joined by reference or outlet and date, the worse of two figures counts.

Rules: design, "The register".
"""

from __future__ import annotations

from datetime import date

import pytest

from grader.write.blank import write_blank
from tests.register.firm import graded, only, said, visit
from tests.support import AIRLINE

DAY = date(2026, 3, 14)
LINE = {"reference": "L-9", "site": "North Works", "outlet": "Bay 1", "test_date": DAY, "parameter": "Oil", "result": 0.1,
        "unit": "mg/m³", "method": "ISO 8573-2", "laboratory": "Lab One", "reported_on": date(2026, 3, 20)}  # fmt: skip
SENT = {**AIRLINE, "oil_mg_m3": None, "laboratory_reference": "L-9"}


def lab(*lines, **changes):
    return {"Laboratory": [{**LINE, **line, **changes} for line in (lines or ({},))]}


def test_a_reference_without_a_result_is_awaited_everywhere(tmp_path):
    result = graded(tmp_path, lab(reported_on=date(2026, 12, 24)), [SENT])  # reported after the day of the run
    found = only(result)
    assert (found["Verdict"], found["Oil verdict"]) == ("incomplete", "awaited")
    assert "Awaited from the laboratory (reference L-9): oil" in found["Reasons"]
    assert result.due[["State", "Awaited"]].values.tolist() == [["not cleared", "Oil (L-9)"]]
    (finding,) = result.actions.to_dict("records")
    assert (finding["Parameter"], finding["Verdict"], finding["Reading"]) == (
        "Oil",
        "awaited",
        "awaited (reference L-9)",
    )
    assert any("laboratory" in str(row) for block in result.summary.blocks for row in block.rows)
    german = graded(tmp_path / "de", None, [SENT], language="de")
    assert "Ergebnis des Labors steht aus (Nummer L-9): Öl" in only(german)["Reasons"]
    result.write_records(tmp_path / "records")


def test_a_result_takes_its_place_with_its_trace_and_no_tube_doubt(tmp_path):
    late = visit(oil_tube_expiry=date(2025, 1, 1))
    sent = {**SENT, "oil_sampling_min": None}
    for number, line in enumerate(({}, {"reference": "l 9"}, {"reference": None}, {"site": None, "outlet": None})):
        found = only(graded(tmp_path / str(number), lab(line), [sent], late))
        assert (found["Verdict"], found["Oil (mg/m³)"]) == ("pass", 0.1)
        for part in ("oil 0.1 mg/m³ by the laboratory", "Lab One", "ISO 8573-2", "reported on 2026-03-20"):
            assert part in found["Reasons"]
    # µg/m³ by the data of units: 100 µg/m³ is 0.1 mg/m³.
    assert only(graded(tmp_path / "unit", lab(result=100, unit="µg/m³"), [sent], late))["Oil (mg/m³)"] == 0.1


@pytest.mark.parametrize(
    ("line", "problem"),
    [
        ({"unit": None}, "no unit"),
        ({"unit": "furlong"}, "no unit"),
        ({"result": "ND"}, "could not detect"),
        ({"result": "perhaps"}, "perhaps"),
        ({"parameter": "Flow"}, "none that a laboratory"),
        ({"reference": "L-8", "outlet": "Bay 7"}, "belongs to no test that was read"),
        ({"outlet": "Bay 7"}, "says otherwise"),
        ({"test_date": date(2026, 3, 13)}, "says otherwise"),
        ({"reported_on": date(2026, 3, 1)}, "before the day of the test"),
        ({"reported_on": "31.02.2026"}, "31.02.2026"),
    ],
)
def test_what_is_doubtful_never_becomes_a_pass(tmp_path, line, problem):
    result = graded(tmp_path / "met", lab(line), [SENT, {**AIRLINE, "outlet": "Bay 2"}])
    assert result.verdicts["Verdict"].tolist() == ["incomplete", "pass"]
    assert not said(result, problem).empty or (result.problems["Value"] == line.get("result")).any()
    if {"outlet", "test_date", "reported_on"} & set(line) and "reference" not in line:
        over = graded(tmp_path / "over", lab({**line, "result": 4}), [SENT])
        assert only(over)["Oil verdict"] == "fail"  # worse it may become


def test_of_a_tube_and_a_laboratory_the_worse_counts_and_far_apart_is_asked(tmp_path):
    row = {**AIRLINE, "laboratory_reference": "L-9"}
    for tube, result, verdict in ((0.1, 0.12, "pass"), (0.1, 3, "fail"), (3, 0.1, "fail"), (0.1, "<0.1", "pass")):
        made = graded(tmp_path / f"{tube} {result}".replace("<", "b"), lab(result=result), [{**row, "oil_mg_m3": tube}])
        found = only(made)
        assert found["Oil verdict"] == verdict
        assert f"on site {tube} mg/m³" in found["Reasons"] and f"oil {result} mg/m³ by" in found["Reasons"]
        assert said(made, "more than both uncertainties").empty == (3 not in (tube, result))
    water = lab(parameter="Water", result=900, unit="mg/m³")
    found = only(graded(tmp_path / "water", water, [row]))
    assert (found["Water verdict"], found["Water (mg/m³)"]) == ("fail", 900)
    marked = lab(parameter="Odour", result="marked", unit=None)
    assert only(graded(tmp_path / "odour", marked, [row]))["Odour verdict"] == "fail"


@pytest.mark.parametrize(
    ("line", "cell", "near"),
    [
        ({"reference": "L-99", "site": None, "outlet": None, "test_date": None}, "A2", "L-9"),
        ({"reference": None, "site": "North Wroks"}, "B2", "North Works"),
        ({"reference": None, "outlet": "Aby 1"}, "C2", "Bay 1"),
        ({"reference": None, "test_date": date(2026, 3, 15)}, "D2", "2026-03-14"),
        ({"reported_on": date(2027, 3, 20)}, "J2", "after the day of the run"),
    ],
)
def test_a_result_that_joins_no_test_is_asked_at_its_cell(tmp_path, line, cell, near):
    row = {**AIRLINE, "laboratory_reference": "L-9"}
    result = graded(tmp_path, lab(line, result=0.9), [row])
    (told,) = result.problems.query("Severity == 'query'").to_dict("records")
    assert (told["Sheet"], told["Cell"]) == ("Laboratory", cell) and near.lower() in told["Problem"].lower()


def test_of_one_visit_alone_what_may_be_of_others_is_one_note_and_of_other_sites_none(tmp_path):
    rest = {"site": None, "outlet": None, "test_date": None}
    lines = [{**rest, "reference": f"P-{n}00"} for n in (1, 2, 3)] + [{"reference": "Q-1", "site": "South Dock"}]
    lines.append({"reference": None, "test_date": date(2025, 3, 14)})
    result = graded(tmp_path, lab(*lines), [AIRLINE])
    assert said(result, "may be of other visits")["Cell"].tolist() == ["A2:A4, A6"]
    assert not (result.problems["Severity"] == "query").any()
    write_blank(tmp_path / "june.xlsx", visit=visit(test_date=date(2026, 6, 1)), rows=[AIRLINE])
    from tests.register.firm import Graded

    assert said(Graded(tmp_path), "belongs to no test that was read")["Cell"].tolist() == ["A2:A4, B5, D6"]


@pytest.mark.parametrize(
    ("word", "result", "verdict"),
    [
        ("Oel", 0.1, "pass"),
        ("Restöl", 4, "fail"),
        ("what was sent", 0.1, "incomplete"),
        ("what was sent", 4, "incomplete"),
    ],
)
def test_a_parameter_that_cannot_be_read_passes_none_that_its_unit_serves(tmp_path, word, result, verdict):
    row = {**AIRLINE, "laboratory_reference": "L-9"}
    found = only(graded(tmp_path / "a", lab(parameter=word, result=result), [row]))
    assert found["Verdict"] == verdict
    assert found["Oil verdict"] == {"incomplete": "cannot tell"}.get(verdict, verdict)
    assert found["Oxygen verdict"] == "pass"
    over = graded(tmp_path / "b", lab(parameter=word, result=result), [{**row, "oil_mg_m3": 4}])
    assert only(over)["Oil verdict"] == "fail"


def test_what_is_said_of_a_result_has_its_figure_its_unit_and_whose_it_is(tmp_path):
    oxygen = lab(parameter="Oxygen", result=0.209, unit="%")
    assert "oxygen 20.9 % by" in only(graded(tmp_path / "o2", oxygen, [{**SENT, "oxygen_pct": None}]))["Reasons"]
    low = graded(tmp_path / "co2", lab(parameter="Carbon dioxide", result=12, unit="ppm"), [{**SENT, "co2_ppm": None}])
    assert not said(low, "Carbon dioxide 12 ppm is below 100").empty
    other = only(graded(tmp_path / "day", lab(test_date=date(2026, 3, 13)), [SENT]))["Reasons"]
    assert "Awaited" in other and "not surely of this test" in other
    assert only(graded(tmp_path / "same", lab({}, {}), [SENT]))["Reasons"].count("by the laboratory") == 1


def test_two_results_for_one_and_one_for_two(tmp_path):
    twice = graded(tmp_path / "twice", lab({}, {"result": 4}), [SENT])
    assert only(twice)["Oil verdict"] == "fail" and not said(twice, "A second result").empty
    assert only(graded(tmp_path / "turned", lab({"result": 4}, {}), [SENT]))["Oil verdict"] == "fail"
    rows = [SENT, {**SENT, "outlet": "Bay 2"}]
    for value, verdicts in ((0.1, ["awaited", "awaited"]), (4, ["fail", "fail"])):
        both = graded(tmp_path / f"both {value}", lab(result=value, site=None, outlet=None), rows)
        assert both.verdicts["Oil verdict"].tolist() == verdicts
        assert not said(both, "fits several tests").empty


def test_what_comes_without_the_others_leaves_them_not_tested_unless_announced(tmp_path):
    sent = {**SENT, "co_ppm": None}
    assert only(graded(tmp_path / "a", lab(), [sent]))["Carbon monoxide verdict"] == "not tested"
    announced = {"parameter": "Carbon monoxide", "result": None, "reported_on": None}
    assert only(graded(tmp_path / "b", lab({}, announced), [sent]))["Carbon monoxide verdict"] == "awaited"


def test_a_sample_alone_is_a_visit_and_names_are_settled(tmp_path):
    alone = {"outlet": "Bay 1", "supply": "airline", "laboratory_reference": "L-9"}
    assert only(graded(tmp_path / "alone", lab(result=4), [alone]))["Verdict"] == "fail"
    lines = lab(reference=None, outlet="Bya 1") | {"Names": [{"what": "outlet", "written": "Bya 1", "means": "Bay 1"}]}
    assert only(graded(tmp_path / "named", lines, [SENT]))["Verdict"] == "pass"


def test_alone_shuffled_and_beside_others_alike(tmp_path):
    others = [{**AIRLINE, "outlet": f"Bay {n}", "oil_mg_m3": None, "laboratory_reference": f"L-{n}"} for n in (2, 3)]
    lines = lab({}, {"reference": "L-2", "outlet": "Bay 2", "result": 4}, {"reference": "L-3", "outlet": "Bay 3"})
    forward = graded(tmp_path / "f", lines, [SENT, *others]).verdicts.set_index("Outlet")["Reasons"]
    back = graded(tmp_path / "b", {"Laboratory": lines["Laboratory"][::-1]}, [*others[::-1], SENT]).verdicts
    assert forward.to_dict() == back.set_index("Outlet")["Reasons"].to_dict()
    assert only(graded(tmp_path / "one", lab(), [SENT]))["Reasons"] == forward["Bay 1"]


def test_a_visit_with_its_past_joins_as_the_folder_does(tmp_path):
    graded(tmp_path / "past", lab({"result": 4}, {"reference": "L-99", "outlet": "Bay 7"}), [SENT])
    write_blank(tmp_path / "now.xlsx", visit=visit(test_date=date(2026, 6, 1)), rows=[AIRLINE | {"outlet": "Bay 2"}])
    from grader.batch import run

    result = run(tmp_path / "now.xlsx", history=tmp_path / "past", as_of="2026-11-25")
    assert result.due.set_index("Outlet")["State"].to_dict()["Bay 1"] == "out of use"
    assert said(result, "belongs to no test that was read")["Cell"].tolist() == ["C3"]  # though the register lies there
