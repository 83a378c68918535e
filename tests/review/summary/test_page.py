"""The Summary's tables: counted and picked from the graded tests, grouped, linked to the right rows."""

from __future__ import annotations

from datetime import date

import openpyxl
import pandas as pd
import pytest

from grader import grade
from grader.review.summary.page import summary_words
from grader.review.summary.tables import first_sentences, names_in_one, wearing_block
from tests.support import AIRLINE
from tests.test_batch import visit_file

W = summary_words("en")
OILY = {**AIRLINE, "oil_mg_m3": 0.9}


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    """Three visits: all well; the next quarter two of three outlets pass oil; another site without its gases."""
    folder = tmp_path_factory.mktemp("visits")
    rows = [{**AIRLINE, "outlet": f"Bay {n}"} for n in (1, 2, 3)]
    visit_file(folder / "a.xlsx", rows=rows, test_date=date(2026, 3, 14))
    visit_file(
        folder / "b.xlsx",
        rows=[{**rows[0], "oil_mg_m3": 0.9}, rows[1], {**rows[2], "oil_mg_m3": 0.7}],
        test_date=date(2026, 6, 14),
    )
    visit_file(
        folder / "c.xlsx",
        rows=[{**AIRLINE, "outlet": "Hall", "co_ppm": None}],
        site="South Works",
        test_date=date(2026, 6, 20),
    )
    return grade(folder, as_of="2026-07-01")


def block(result, heading):
    return next(b for b in result.summary.blocks if b.heading == W[heading])


def test_the_tiles_count_outlets_and_tests(result):
    figures = [b for b in result.summary.blocks if b.kind == "figures"]
    tiles = {(label, word): number for b in figures for label, number, word in b.rows}
    assert tiles["Outlets", ""] == 4 and tiles[W["tests"], ""] == 7
    assert tiles[W["tests_fail"], "fail"] == 2 and tiles[W["tests_incomplete"], "incomplete"] == 1
    states = result.due["State"].value_counts()
    assert tiles["out of use", "out of use"] == states["out of use"] == 2
    assert tiles["not cleared", "not cleared"] == states["not cleared"] == 1
    assert sum(n for (label, word), n in tiles.items() if word in set(result.due["State"])) <= 4


def test_a_site_is_one_line_with_its_client_and_since_when_it_fails(result):
    first = block(result, "first")
    assert [row[1] for row in first.rows] == ["North Works (Example Coatings)", "South Works (Example Coatings)"]
    number, _, outlets, since, finding = first.rows[0]
    assert (number, outlets, since) == (1, "Bay 1, Bay 3", date(2026, 6, 14))
    assert "0.9 mg/m³" in finding and "0.7 mg/m³" in finding and "0.5 mg/m³" in finding
    assert first.under[0].count(".") <= 3 and first.under[0]


def test_failing_since_is_when_it_began_and_one_cause_is_said_once(tmp_path):
    """The same oil at two systems for two quarters, and a second cause: each stands in the line of the site once."""
    for day in (date(2026, 3, 14), date(2026, 6, 14)):
        rows = [
            {**OILY, "outlet": "1"},
            {**OILY, "outlet": "2", "system": "Annex"},
            {**AIRLINE, "outlet": "3", "co_ppm": 9},
        ]
        visit_file(tmp_path / f"{day}.xlsx", rows=rows, test_date=day)
    row = block(grade(tmp_path, as_of="2026-07-01"), "first").rows
    assert len(row) == 1 and row[0][3] == date(2026, 3, 14)
    assert sorted(row[0][2].split(", ")) == ["1", "2", "3"]
    assert row[0][4].count("Oil ") == 1 and row[0][4].count("Carbon monoxide ") == 1


def test_sites_nobody_has_been_to_are_named_the_longest_ago_first(tmp_path):
    """Interval 3 months, looked at on 1 July: 1 April is just in time, a day before is not."""
    for site, day in (("Old", date(2025, 9, 1)), ("Late", date(2026, 3, 31)), ("Just", date(2026, 4, 1))):
        visit_file(tmp_path / f"{site}.xlsx", site=site, test_date=day)
    texts = [b for b in grade(tmp_path, as_of="2026-07-01").summary.blocks if b.heading == W["absent"].format(count=2)]
    assert [t.rows[0][0] for t in texts] == [
        "Old (Example Coatings), last on 2025-09-01, outlets: 1; Late (Example Coatings), last on 2026-03-31, outlets: 1."
    ]


def test_the_links_lead_to_the_rows_they_speak_of(result):
    first = block(result, "first")
    for number, (sheet, row) in first.links.items():
        _, site, outlets, _, _ = first.rows[number]
        line = result.frames()[sheet].iloc[row]
        assert (line["Outlet"], line["Site"]) == (outlets.split(", ")[0], site.split(" (")[0])
    assert set(first.links) == set(range(len(first.rows)))


def test_no_more_than_ten_sites_the_first_in_the_first_ten_lines_and_a_next_step_said_once(tmp_path):
    rows = [{**OILY, "outlet": f"Bay {n % 3}", "site": f"Works {n // 3}", "system": "ring"} for n in range(42)]
    visit_file(tmp_path / "a.xlsx", rows=rows)
    result = grade(tmp_path, as_of="2026-04-01")
    first = block(result, "first")
    assert len(first.rows) == 10 and "10 of 14 sites" in first.note
    assert list(first.under) == [0] and all(row[4].endswith("Next step as for 1.") for row in first.rows[1:])
    result.write(tmp_path / "r.xlsx")
    sheet = openpyxl.load_workbook(tmp_path / "r.xlsx")["Summary"]
    lines = [[c.value for c in row if c.value is not None] for row in sheet]
    assert any(first.rows[0][1] in line for line in [line for line in lines if line][:10])


def test_sites_show_the_latest_visit_and_all(result):
    table = block(result, "sites")
    north, south, both = table.rows
    #          site, latest, fail, incomplete, near, pass, all, failed, passed
    assert north == ("North Works", date(2026, 6, 14), 2, 0, 0, 1, 6, 2, "67 %")
    assert south[:6] == ("South Works", date(2026, 6, 20), 0, 1, 0, 0)
    assert both[2:8] == (2, 1, 0, 1, 7, 2)


def test_the_chart_shows_what_share_of_the_tests_failed(result):
    chart = block(result, "fails_heading").chart
    assert chart["categories"] == ["2026 Q1", "2026 Q2"] and chart["series"] == [("Oil", [0.0, 50.0])]
    assert int((result.verdicts["Oil verdict"] == "fail").sum()) == 2
    assert "Oil 2" in chart["description"]


def test_what_is_overdue_comes_first_and_links_to_due(tmp_path):
    visit_file(tmp_path / "a.xlsx", rows=[{**AIRLINE, "outlet": "1"}, {**AIRLINE, "outlet": "2"}])
    visit_file(tmp_path / "b.xlsx", site="South Works", test_date=date(2026, 4, 10))
    result = grade(tmp_path, as_of="2026-07-01")
    due = block(result, "due")
    assert [(r[1], r[4], r[5]) for r in due.rows] == [("1, 2", -17, "overdue"), ("Bay 1", 9, "due within 14 days")]
    for number, (sheet, row) in due.links.items():
        line = result.frames()[sheet].iloc[row]
        assert line["Outlet"] in due.rows[number][1] and line["State"] == due.rows[number][5]


def wear(*rows):
    base = {
        "Site": "s",
        "System": "ring",
        "Outlet": "",
        "Parameter": "Carbon monoxide",
        "Unit": "ppm",
        "Usual": 1.0,
        "Now": 2.5,
        "Since": pd.Timestamp("2026-01-10"),
        "Limit": 5.0,
        "Reaches limit on": pd.NaT,
        "Wearing out": "yes",
    }
    return pd.DataFrame([{**base, **row} for row in rows])


def test_what_wears_out_links_to_its_row_and_says_the_next_step():
    table = wear(
        {"System": "steady", "Wearing out": ""},
        {"System": "soon", "Reaches limit on": pd.Timestamp("2027-01-01"), "Usual": "<0.5"},
        {"Outlet": "Bay 7", "Parameter": "Flow", "Unit": "L/min"},
    )
    rows = [
        ("fail", "soon", "Carbon monoxide", "1", "No."),
        ("worse", "soon", "Carbon monoxide", "all of soon", "Clear it. Then. More."),
        ("worse", "ring", "Flow", "Bay 7", "Two."),
    ]
    actions = pd.DataFrame(rows, columns=["Verdict", "System", "Parameter", "Outlet", "Next step"]).assign(Site="s")
    block = wearing_block(table, actions, W)
    assert [(r[1], r[3], r[4], r[-1]) for r in block.rows] == [
        ("soon", "Carbon monoxide", "<0.5, 2.5 ppm", date(2027, 1, 1)),
        ("Bay 7", "Flow", "1, 2.5 L/min", W["no_date"]),
    ]
    assert block.links == {0: ("Wear", 1), 1: ("Wear", 2)}
    assert block.under == {0: "Clear it. Then.", 1: "Two."}
    # Of one visit with its past, Actions has nothing that rests on a later visit.
    assert wearing_block(table, actions[:2], W).under == {0: "Clear it. Then.", 1: ""}


def test_nothing_that_wears_out_is_said():
    assert wearing_block(wear({"Wearing out": ""}), pd.DataFrame(), W).rows == [(W["no_wear"],)]


def test_an_empty_run_still_says_what_it_is(tmp_path):
    (tmp_path / "cut.xlsx").write_bytes(b"PK\x03\x04 no workbook")
    result = grade(tmp_path, as_of="2026-07-01")
    assert [b.heading for b in result.summary.blocks if b.heading == W["first"]]
    alarms = next(b for b in result.summary.blocks if b.heading == W["alarms"])
    assert any("could not be graded" in row[0] for row in alarms.rows)
    result.write(tmp_path / "r.xlsx")
    assert (tmp_path / "r.xlsx").exists()


def test_the_page_says_rules_data_and_cautions(result):
    said = " ".join(str(cell) for b in result.summary.blocks for row in b.rows for cell in row)
    for expected in (
        "EN 12021 2014",
        "simple acceptance",
        "Files read: 3. Rows found: 7, graded: 7, refused: 0",
        "nothing has been deleted",
        "any other contaminant",
        "no permission to use an outlet",
    ):
        assert expected in said
    legend = block(result, "legend")
    assert {cell for row in legend.rows for cell in row[::2]} - {""} == set(W["means"])


def test_many_names_are_counted_and_sentences_cut_at_their_ends():
    assert names_in_one([f"Bay {n}" for n in range(9)], W["and_more"]).endswith("Bay 5, 3 more")
    assert names_in_one([f"Bay {n}" for n in range(7)], W["and_more"]).endswith("Bay 6")
    assert first_sentences("At 1.5 K. see note") == "At 1.5 K. see note"
    assert first_sentences("One. Two. Three.", 1) == "One."


def test_rows_beyond_a_sheet_are_said(tmp_path, monkeypatch):
    import openpyxl

    visit = tmp_path / "a.xlsx"
    book = openpyxl.Workbook()
    for row in (["Outlet", "Oxygen (%)", "Carbon monoxide (ppm)"], ["1", 20.9, 1], ["2", 20.9, 1]):
        book.active.append(row)
    book.save(visit)
    shown = [str(b.rows) for b in grade([visit]).summary.blocks]
    assert not any("Verdicts 2" in text for text in shown)
    monkeypatch.setattr("grader.review.summary.page.ROWS_PER_SHEET", 1)
    shown = [str(b.rows) for b in grade([visit]).summary.blocks]
    assert any("Verdicts" in text and "such as Verdicts 2" in text for text in shown)
