"""Small logs in as many layouts, each with the exact table that is read from it: outlets across, forms, banners,
several tables and sheets.

The layouts are such as firms use (common practice, no source); all readings and names are invented.
"""

from datetime import date, datetime

import pytest

from tests.read.shapes.log_tables import UNREAD, ReadLog, book, read

HEADS = ["Point", "O2 %", "CO ppm", "CO2 ppm"]


def test_outlets_across_and_readings_down():
    made = read(
        Log=[
            ["Site", "North yard"],
            ["Date", date(2025, 3, 14)],
            [],
            ["Outlet", None, "A", "B", "C"],
            ["Oxygen", "%", 20.9, 20.8, None],
            ["Carbon monoxide", "ppm", 1, "<5", None],
            ["Water", "mg/m³", 60, "ND", None],
            ["Remarks", None, None, "see above", "locked"],
        ]
    )
    same = {"site": "North yard", "test_date": "2025-03-14"}
    assert made.rows() == [
        {"at": "Log!C4", **same, "outlet": "A", "oxygen_pct": 20.9, "co_ppm": 1.0, "water_tube_mg_m3": 60.0},
        {
            "at": "Log!D4",
            **same,
            "outlet": "B",
            "oxygen_pct": 20.8,
            "co_ppm": "<5",
            "water_tube_mg_m3": UNREAD,
            "remarks": "see above",
        },
        {"at": "Log!E4", **same, "outlet": "C", "remarks": "locked", "said_against": "locked"},
    ]


def test_outlets_across_under_names_alone_with_a_limit_and_an_average():
    made = read(
        Log=[
            ["Parameter", "Unit", "Limit", "Bay 1", "Bay 2", "Average"],
            ["O2", "%", "20-22", 20.9, 20.8, 20.85],
            ["CO", "ppm", 5, 1, 2, 1.5],
            ["CO2", "ppm", 500, 420, 430, 425],
            ["Oil", "mg/m³", 0.5, 0.1, 0.2, 0.15],
        ]
    )
    assert made.rows() == [
        {"at": "Log!D1", "outlet": "Bay 1", "oxygen_pct": 20.9, "co_ppm": 1.0, "co2_ppm": 420.0, "oil_mg_m3": 0.1},
        {"at": "Log!E1", "outlet": "Bay 2", "oxygen_pct": 20.8, "co_ppm": 2.0, "co2_ppm": 430.0, "oil_mg_m3": 0.2},
    ]
    assert made.codes() == ["column_of_totals"]


def test_two_tables_across_on_one_sheet_keep_their_own_dates():
    rows = []
    for day, first in ((date(2024, 3, 1), "A"), (date(2025, 3, 1), "A")):
        rows += [
            ["Test date", day],
            ["Outlet", first, "B"],
            ["Oxygen %", 20.9, 20.8],
            ["CO ppm", 1, 2],
            ["CO2 ppm", 420, 430],
            [],
        ]
    made = read(Log=rows)
    assert [(r["at"], r["test_date"], r["outlet"], r["co_ppm"]) for r in made.rows()] == [
        ("Log!B2", "2024-03-01", "A", 1.0),
        ("Log!C2", "2024-03-01", "B", 2.0),
        ("Log!B8", "2025-03-01", "A", 1.0),
        ("Log!C8", "2025-03-01", "B", 2.0),
    ]


def test_a_form_with_labels_beside_in_two_blocks():
    made = read(
        Form=[
            ["Breathing air record"],
            [],
            ["Site:", "North yard", None, "Date:", "14.03.2025"],
            ["Outlet:", "Bay 3", None, "Dryer:", "desiccant"],
            [],
            ["Oxygen (%)", 20.9, None, "Oil", "<0.1", "mg/m³"],
            ["CO", "1 ppm", None, "Water (mg/m³)", 60],
            ["Odour", "none"],
        ]
    )
    assert made.rows() == [
        {
            "at": "Form!B4",
            "site": "North yard",
            "test_date": "2025-03-14",
            "outlet": "Bay 3",
            "dryer": "desiccant",
            "odour": "none",
            "oxygen_pct": 20.9,
            "co_ppm": 1.0,
            "oil_mg_m3": "<0.1",
            "water_tube_mg_m3": 60.0,
        }
    ]


def test_a_form_with_labels_above_their_values():
    made = read(
        Form=[
            ["Site", "Test date", "Outlet"],
            ["North yard", date(2025, 3, 14), "Bay 3"],
            [],
            ["Oxygen %", "CO ppm", "CO2 ppm"],
            [20.9, 1, 420],
        ]
    )
    assert made.rows() == [
        {
            "at": "Form!5",
            "site": "North yard",
            "test_date": "2025-03-14",
            "outlet": "Bay 3",
            "oxygen_pct": 20.9,
            "co_ppm": 1.0,
            "co2_ppm": 420.0,
        }
    ]


def test_a_form_with_a_column_of_limits_reads_the_readings():
    made = read(
        Form=[
            ["Outlet", "Bay 3"],
            ["Parameter", "Unit", "Limit", "Reading", "Result"],
            ["Oxygen", "%", 22, 20.9, "pass"],
            ["CO", "ppm", 5, 1.2, "pass"],
            ["CO2", "ppm", 500, None, "-"],
        ]
    )
    assert made.rows() == [{"at": "Form!B1", "outlet": "Bay 3", "oxygen_pct": 20.9, "co_ppm": 1.2}]


def test_a_form_with_two_figures_beside_a_label_reads_neither():
    made = read(Form=[["Outlet", "Bay 3"], ["Oxygen %", 20.9], ["CO ppm", 5, 1.2], ["CO2 ppm", 420]])
    assert made.rows() == [{"at": "Form!B1", "outlet": "Bay 3", "oxygen_pct": 20.9, "co_ppm": UNREAD, "co2_ppm": 420.0}]
    assert "cell_several" in made.problems.codes()


def test_a_form_a_sheet_and_several_blocks_on_one():
    block = [["Outlet", "A"], ["Oxygen %", 20.9], ["CO ppm", 1], ["CO2 ppm", 420], []]
    made = read(
        Bay_1=block,
        Bay_2=[
            ["Date", date(2025, 3, 14)],
            *block,
            ["Outlet", "B"],
            ["Oxygen %", 20.8],
            ["CO ppm", 2],
            ["CO2 ppm", 430],
        ],
    )
    assert [(r["at"], r["outlet"], r["co_ppm"], r.get("test_date")) for r in made.rows()] == [
        ("Bay 1!B1", "A", 1.0, None),
        ("Bay 2!B2", "A", 1.0, "2025-03-14"),
        ("Bay 2!B7", "B", 2.0, "2025-03-14"),
    ]


def test_several_tables_below_each_other_keep_their_labels():
    made = read(
        Log=[
            ["Site: North yard"],
            HEADS,
            ["A", 20.9, 1, 420],
            [],
            ["Site: South yard"],
            HEADS[:2] + ["CO2 ppm", "CO ppm"],
            ["A", 20.8, 430, 2],
        ]
    )
    assert made.rows() == [
        {"at": "Log!3", "site": "North yard", "outlet": "A", "oxygen_pct": 20.9, "co_ppm": 1.0, "co2_ppm": 420.0},
        {"at": "Log!7", "site": "South yard", "outlet": "A", "oxygen_pct": 20.8, "co_ppm": 2.0, "co2_ppm": 430.0},
    ]


def test_banners_with_labels_name_site_and_date_for_the_rows_below():
    made = read(
        Log=[
            HEADS,
            ["Site: North yard"],
            ["Date", "14.03.2025"],
            ["A", 20.9, 1, 420],
            ["Site: South yard"],
            ["A", 20.8, 2, 430],
        ]
    )
    assert [(r["at"], r.get("site"), r.get("test_date")) for r in made.rows()] == [
        ("Log!4", "North yard", "2025-03-14"),
        ("Log!6", "South yard", None),
    ]
    assert made.codes() == ["banner_row", "banner_row", "banner_row"]


def test_a_date_alone_is_a_banner_and_the_site_above_it_stays():
    made = read(
        Log=[
            ["Site", "North yard"],
            HEADS,
            [date(2025, 3, 1)],
            ["A", 20.9, 1, 420],
            [datetime(2025, 6, 1)],
            ["A", 20.8, 2, 430],
        ]
    )
    assert [(r["at"], r["site"], r["test_date"]) for r in made.rows()] == [
        ("Log!4", "North yard", "2025-03-01"),
        ("Log!6", "North yard", "2025-06-01"),
    ]


def test_a_name_alone_is_a_banner_where_merged_or_where_outlets_repeat_and_is_queried():
    def fill(sheet):
        for row in (HEADS, ["North yard"], ["A", 20.9, 1, 420], ["South yard"], ["B", 20.8, 2, 430]):
            sheet.append(row)
        sheet.merge_cells("A2:D2")
        sheet.merge_cells("A4:D4")

    repeated = [HEADS, ["North yard"], ["A", 20.9, 1, 420], ["South yard"], ["A", 20.8, 2, 430]]
    for made in (read(Log=fill), read(Log=repeated)):
        assert [(r["at"], r["site"]) for r in made.rows()] == [("Log!3", "North yard"), ("Log!5", "South yard")]
        assert made.codes() == ["banner_guessed", "banner_guessed"]


def test_a_name_alone_that_may_be_an_outlet_stays_a_test():
    made = read(Log=[HEADS, ["A", 20.9, 1, 420], ["Spare point"], ["B", 20.8, 2, 430]])
    assert [r["outlet"] for r in made.rows()] == ["A", "Spare point", "B"]


def test_banners_leave_the_order_of_slash_dates_to_the_whole_column():
    heads = ["Date", *HEADS]
    made = read(
        Log=[
            heads,
            ["Site: North yard"],
            ["3/4/2025", "A", 20.9, 1, 420],
            ["Site: South yard"],
            ["3/14/2025", "A", 20.8, 2, 430],
        ]
    )
    assert [r["test_date"] for r in made.rows()] == ["2025-03-04", "2025-03-14"]


def test_a_sheet_a_site_keeps_outlets_apart_and_a_sheet_a_year_does_not():
    rows = [["Date", *HEADS], [date(2025, 3, 14), "A", 20.9, 1, 420]]
    made = read(North_yard=rows, South_yard=rows)
    assert [r["site"] for r in made.rows()] == ["North yard", "South yard"] and made.codes() == ["sheet_name_site"] * 2
    years = ReadLog(book(**{"2024": rows, "2025": rows}))
    assert ["site" in r for r in years.rows()] == [False, False] and years.codes() == []


def test_a_sheet_named_by_a_date_or_only_a_year():
    made = ReadLog(book(**{"2025-03-14": [HEADS, ["A", 20.9, 1, 420]], "Q2 2025": [HEADS, ["A", 20.9, 1, 420]]}))
    assert [r.get("test_date") for r in made.rows()] == ["2025-03-14", None]
    assert made.codes() == ["sheet_name_date", "sheet_name_year"]


def test_a_cover_sheet_serves_tables_that_say_neither_site_nor_date():
    made = read(
        Cover=[["Site", "North yard"], ["Date of visit", date(2025, 3, 14)], ["Engineer", "A. Person"]],
        Log=[HEADS, ["A", 20.9, 1, 420]],
    )
    assert made.rows() == [
        {
            "at": "Log!2",
            "site": "North yard",
            "test_date": "2025-03-14",
            "tested_by": "A. Person",
            "outlet": "A",
            "oxygen_pct": 20.9,
            "co_ppm": 1.0,
            "co2_ppm": 420.0,
        }
    ]
    assert made.codes() == ["cover_sheet"]


def test_labels_below_the_table_serve_all_its_rows():
    made = read(Log=[HEADS, ["A", 20.9, 1, 420], [], ["Site:", "North yard"], ["Tested by:", "A. Person"]])
    assert [(r["site"], r["tested_by"]) for r in made.rows()] == [("North yard", "A. Person")]


def test_a_page_of_instructions_is_no_form():
    text = "Read the stain about a minute after the reagent has wetted the tube, in daylight and never by lamp."
    made = read(
        Log=[HEADS, ["A", 20.9, 1, 420]],
        Help=[["Oxygen", text], ["Carbon monoxide", text], ["Oil", text], ["Water", text]],
    )
    assert len(made.rows()) == 1


def test_a_hidden_sheet_is_read_and_said():
    made = book(Log=[HEADS, ["A", 20.9, 1, 420]], Old=[HEADS, ["A", 20.8, 2, 430]])
    made["Old"].sheet_state = "hidden"
    read_log = ReadLog(made)
    assert len(read_log.rows()) == 2 and "hidden_sheet" in read_log.codes()


@pytest.mark.parametrize(
    "rows",
    [
        [["Name", "Telephone"], ["A. Person", "none"]],
        [["Outlet", "Location"], ["A", "Hall 3"], ["B", "Hall 4"]],
        [["Temperature", 20], ["Weather", "rain"]],
    ],
)
def test_what_holds_no_readings_is_no_table(rows):
    assert read(Log=rows).found.tables == []
