"""Headings -> fields, on plain lists of rows."""

import math
from datetime import date

import pytest

from grader.columns import FIELDS, READING_FIELDS, VISIT_FIELDS
from grader.problems import Place, Unreadable
from grader.read.shapes.recognise import Sheet, recognise

HEADS = ["Outlet", "Oxygen (%)", "Carbon monoxide (ppm)", "Remarks"]


def one(rows, name="Readings", **more):
    found = recognise([Sheet(name, rows, **more)])
    assert len(found.tables) == 1
    return found.tables[0], found


def codes(found):
    return [note.code for note in found.notes]


def test_every_heading_of_the_blank_is_known():
    names = [*READING_FIELDS, *VISIT_FIELDS]
    table, found = one([[FIELDS[n].heading for n in names], ["x"] * len(names)])
    assert set(table.places) == set(names)
    assert found.notes == []


@pytest.mark.parametrize("heading", ["OIL (MG/M3)", "Oil  ( mg / m³ )", "oil (mg/m³)", " Oil (mg/m³) "])
def test_case_spacing_and_the_spelling_of_cubic_metres_do_not_matter(heading):
    table, _ = one([["outlet", heading], ["1", 0.1]])
    assert table.columns["oil_mg_m3"] == [0.1]


def test_dashes_do_not_matter():
    assert one([["Outlet", "Carbon–monoxide (ppm)"], ["1", 2.0]])[0].columns["co_ppm"] == [2.0]


def test_a_heading_with_another_unit_keeps_that_unit():
    table, found = one([["Outlet", "Oxygen (%)", "Carbon monoxide (mg/m³)"], ["1", 20.9, 3.0]])
    assert table.units == {"co_ppm": "mg/m³"}
    assert [(n.code, n.cell, n.value) for n in found.notes] == [("unit_converted", "C1", "Carbon monoxide (mg/m³)")]


def test_a_heading_that_only_resembles_one_is_not_taken_for_blank():
    table, found = one([["Outlet", "Oxygen (%)", "Carbon monoxide sensor no"], ["1", 20.9, 3.0]])
    assert "co_ppm" not in table.columns
    assert [(u.heading, u.choices, u.values) for u in table.unclear] == [
        ("Carbon monoxide sensor no", (("co_ppm", ""),), [3.0])
    ]


def test_title_rows_above_the_headings_are_skipped_and_addresses_stay():
    rows = [
        ["Log of the north works", "", "", ""],
        ["", "", "", ""],
        ["Page 1", "", "", ""],
        HEADS,
        ["7", 20.9, 1.0, ""],
    ]
    table, found = one(rows, name="Log 2024")
    assert table.rows == [4]
    assert table.places["oxygen_pct"] == Place("Log 2024", None, 1)
    assert found.rows_found == 1


def test_blank_rows_are_skipped_and_a_reading_without_an_outlet_is_kept():
    table, found = one([HEADS, ["1", 20.9, 1.0, ""], ["", " ", "", "\xa0"], ["", 20.8, "", ""]])
    assert table.rows == [1, 3]
    assert table.columns["outlet"] == ["1", None]
    assert found.rows_found == 2 and found.rows_passed_over == 0


@pytest.mark.parametrize("word", ["Total", "AVERAGE", " mean: ", "Limit", "Max."])
def test_a_total_is_passed_over_with_its_cell(word):
    table, found = one([HEADS, ["1", 20.9, 1.0, ""], [word, 20.9, 5.0, ""]])
    assert table.rows == [1]
    assert [(n.code, n.cell, n.value) for n in found.notes] == [("row_of_totals", "A3", word)]
    assert found.rows_found == 1 and found.rows_passed_over == 1


@pytest.mark.parametrize("outlet", ["Total care ward", "max 3", "Limit switch", "Mean Street 4"])
def test_an_outlet_that_only_contains_such_a_word_is_kept(outlet):
    assert one([HEADS, [outlet, 20.9, 1.0, ""]])[0].columns["outlet"] == [outlet]


def test_a_remark_alone_is_no_test_but_is_said():
    _, found = one([HEADS, ["1", 20.9, 1.0, ""], ["", "", "", "tested in rain"]])
    assert [(n.code, n.cell) for n in found.notes] == [("row_of_remarks", "D3")]
    assert found.rows_found == 1


def test_a_banner_in_a_visit_column_is_no_test_but_is_said():
    _, found = one([["Site", *HEADS], ["Hall 3", "", "", "", ""], ["Hall 3", "1", 20.9, 1.0, ""]])
    assert [(n.code, n.cell, n.value) for n in found.notes] == [("row_without_test", "A2", "Hall 3")]
    assert found.rows_found == 1


def test_an_outlet_without_readings_is_a_test():
    assert one([HEADS, ["1", "", "", "locked"]])[1].rows_found == 1


def test_headings_repeated_on_a_second_page_are_passed_over():
    table, found = one([HEADS, ["1", 20.9, 1.0, ""], HEADS, ["2", 20.9, 1.0, ""]])
    assert table.rows == [1, 3]
    assert codes(found) == ["row_headings_again"]


def test_a_second_table_with_other_columns_is_read_by_its_own_headings():
    rows = [
        HEADS,
        ["1", 20.9, 1.0, ""],
        ["Outlet", "Carbon monoxide (ppm)", "Oxygen (%)", "Remarks"],
        ["2", 3.0, 20.8, ""],
    ]
    found = recognise([Sheet("Readings", rows)])
    assert [t.columns["co_ppm"] for t in found.tables] == [[1.0], [3.0]]
    assert [t.columns["oxygen_pct"] for t in found.tables] == [[20.9], [20.8]]
    assert found.rows_found == 2


def test_a_heading_over_two_filled_columns_makes_neither_readable():
    rows = [["Outlet", "Oxygen (%)", "Oxygen (%)"], ["1", 20.9, 20.1], ["2", "", 20.9], ["3", "", ""]]
    table, found = one(rows)
    assert table.columns["oxygen_pct"] == [Unreadable("20.9 / 20.1", "twice"), Unreadable("20.9", "twice"), None]
    assert [(n.code, n.cell, n.params) for n in found.notes] == [
        ("column_twice", "C1", {"first": "B1", "line": 'oxygen_pct = { column = "B" }'})
    ]


def test_a_heading_over_an_empty_and_a_filled_column_is_read():
    table, found = one([["Outlet", "Oxygen (%)", "Oxygen (%)"], ["1", "", 20.1]])
    assert table.columns["oxygen_pct"] == [20.1]
    assert table.places["oxygen_pct"].column == 2
    assert found.notes == []


def test_columns_without_a_known_heading_are_said_only_where_they_hold_something():
    rows = [["Outlet", "Oxygen (%)", "Colour", "Weather", ""], ["1", 20.9, "", "rain", "?"]]
    notes = one(rows)[1].notes
    assert [(n.code, n.cell) for n in notes] == [("unknown_column", "D1"), ("column_without_heading", "E1")]


def visit(*pairs):
    return Sheet("Visit", [list(pair) for pair in pairs])


def test_visit_gives_constants_with_their_cells():
    labels = visit(("Visit", ""), ("site:", "North works"), ("Test date", "1.3.2024"), ("Client", ""))
    found = recognise([labels, Sheet("Readings", [HEADS, ["1", 20.9, 1.0, ""]])])
    assert found.tables[0].constants == {
        "site": (Place("Visit", 1, 1), "North works"),
        "test_date": (Place("Visit", 2, 1), "1.3.2024"),
    }


def test_unknown_and_doubled_labels_of_visit_are_said():
    found = recognise(
        [
            visit(("Site", "A"), ("Site", "B"), ("Weather", "rain"), ("Mood", "")),
            Sheet("Readings", [HEADS, ["1", 20.9, 1.0, ""]]),
        ]
    )
    assert [(n.code, n.cell) for n in found.notes] == [("label_twice", "B2"), ("unknown_label", "B3")]
    assert found.tables[0].constants["site"][1] == Unreadable("A / B", "twice")


def test_a_reading_on_the_visit_sheet_never_becomes_a_constant():
    found = recognise([visit(("Oxygen (%)", 20.9)), Sheet("Readings", [HEADS, ["1", "", 1.0, ""]])])
    assert codes(found) == ["unknown_label"]
    assert found.tables[0].constants == {}


def test_visit_does_not_reach_another_log_in_the_same_workbook():
    log = Sheet("Archive", [["Test date", *HEADS], ["", "9", 20.9, 1.0, ""]])
    readings = Sheet("Readings", [HEADS, ["1", 20.9, 1.0, ""]])
    found = recognise([visit(("Test date", "1.3.2024")), readings, log])
    assert ["test_date" in t.constants for t in found.tables] == [True, False]


def test_a_sheet_of_headings_without_a_reading_is_no_table_but_is_said():
    lists = Sheet("Register", [["Site", "Outlet", "Location"], ["A", "1", "bay 4"]])
    readings = Sheet("Readings", [HEADS, ["1", 20.9, 1.0, ""]])
    found = recognise([lists, readings, Sheet("Notes", [["hello"]])])
    assert len(found.tables) == 1
    assert [(n.code, n.sheet) for n in found.notes] == [("sheet_not_used", "Register")]
    assert recognise([lists]).tables == []


def test_headings_without_rows_are_said():
    table, found = one([HEADS])
    assert table.rows == [] and codes(found) == ["empty_readings"]


def test_a_hidden_sheet_is_read_and_said():
    assert codes(one([HEADS, ["1", 20.9, 1.0, ""]], hidden=True)[1]) == ["hidden_sheet"]


def test_a_percent_format_leaves_an_oxygen_fraction_and_nothing_else():
    heads = ["Outlet", "Oxygen (%)", "Carbon dioxide (ppm)"]
    rows = [heads, ["1", 0.209, 0.0006], ["2", 20.9, 400.0]]
    table, _ = one(rows, percents={(1, 1), (1, 2), (2, 1)})
    assert table.columns["oxygen_pct"] == [0.209, Unreadable("2090%", "percent")]
    assert table.columns["co2_ppm"] == [Unreadable("0.06%", "percent"), 400.0]


def test_what_is_struck_through_on_a_sheet_of_one_parameter_is_no_reading():
    heads, days = [None, date(2026, 1, 5), date(2026, 4, 7)], [["P1", 1.0, 2.0], ["P2", 3.0, 4.0]]
    sheets = [Sheet("CO ppm", [heads, *days], struck={(2, 2)}), Sheet("CO2 ppm", [heads, *days], struck={(1, 1)})]
    read = [{f: v for f, [v] in t.columns.items()} for t in recognise(sheets).tables]
    assert [r["co_ppm"] for r in read] == [1.0, 3.0, 2.0, Unreadable("4.0", "struck")]
    assert [r["co2_ppm"] for r in read] == [Unreadable("1.0", "struck"), 3.0, 2.0, 4.0]


def test_numbers_that_are_none_are_unreadable():
    table, _ = one([HEADS, ["1", math.nan, math.inf, ""]])
    assert table.columns["oxygen_pct"] == [Unreadable("nan", "number")]
    assert table.columns["co_ppm"] == [Unreadable("inf", "number")]


def test_rows_of_a_sparse_sheet_keep_their_numbers():
    table, found = one([HEADS, ["1", 20.9, 0.5, ""]], numbers=[9, 1_000_000], percents={(1_000_000, 2)})
    assert table.rows == [1_000_000]
    assert table.columns["co_ppm"] == [Unreadable("50%", "percent")]
    assert found.rows_found == 1


def test_a_row_of_zeros_and_false_is_not_blank():
    assert one([HEADS, ["", 0.0, "", ""], ["", "", False, ""]])[1].rows_found == 2
