"""Small logs in as many layouts, each with the exact table that is read from it.

The layouts are such as firms use (common practice, no source); all readings and names are invented.
"""

from datetime import date, datetime

import pytest

from tests.read.log_tables import UNREAD, ReadLog, book

HEADS = ["Point", "O2 %", "CO ppm", "CO2 ppm"]


def read(**sheets):
    return ReadLog(book(**sheets))


def test_plain_headings_with_abbreviations_and_units():
    made = read(
        Log=[
            ["Sampling point", "O₂ (%)", "CO [ppm]", "CO2 / ppm", "Oil mist mg/m3", "H2O (mg/m³)"],
            ["Bay 1", 20.9, 1, 420, 0.1, 60],
        ]
    )
    assert made.rows() == [
        {
            "at": "Log!2",
            "outlet": "Bay 1",
            "oxygen_pct": 20.9,
            "co_ppm": 1.0,
            "co2_ppm": 420.0,
            "oil_mg_m3": 0.1,
            "water_tube_mg_m3": 60.0,
        }
    ]
    assert made.codes() == [] and made.units() == {}


def test_title_rows_and_labels_above_the_table():
    made = read(
        Log=[
            ["Breathing air tests"],
            ["Site:", "North yard", None, "Date:", date(2025, 3, 14)],
            ["Tested by: A. Person"],
            [],
            ["Outlet", "O2 %", "CO ppm", "CO2 ppm"],
            [3, 20.9, 1, 420],
        ]
    )
    assert made.rows() == [
        {
            "at": "Log!6",
            "site": "North yard",
            "test_date": "2025-03-14",
            "tested_by": "A. Person",
            "outlet": "3",
            "oxygen_pct": 20.9,
            "co_ppm": 1.0,
            "co2_ppm": 420.0,
        }
    ]
    assert made.log.tables[0].constants["site"][0][1:] == (1, 1)


def test_units_in_a_second_row():
    made = read(
        Log=[
            ["Outlet", "Oxygen", "CO", "CO2", "Oil", "Water", "Line pressure", "Flow"],
            ["-", "% vol", "ppm", "ppm", "mg/m³", "g/m³", "psi", "l/min."],
            ["A", 20.9, 1, 420, 0.1, 0.06, 100, 300],
        ]
    )
    assert made.rows() == [
        {
            "at": "Log!3",
            "outlet": "A",
            "oxygen_pct": 20.9,
            "co_ppm": 1.0,
            "co2_ppm": 420.0,
            "oil_mg_m3": 0.1,
            "water_tube_mg_m3": 60.0,
            "line_pressure_bar": 6.894757,
            "flow_l_min": 300.0,
        }
    ]
    assert made.units() == {"unit_converted": ["F2", "G2"]}


def test_merged_headings_over_words_in_a_second_row_and_units_in_a_third():
    def fill(sheet):
        for row in (
            ["Outlet", "Carbon monoxide", None, None, "Water", None, "Oil", None],
            [None, "reading", "tube lot", "tube expiry", "tube reading", "multiplier", "reading", "sampling time"],
            [None, "ppm", None, None, "mg/m³", None, "mg/m³", "min"],
            ["A", 1, "L7", date(2027, 1, 31), 60, 1, 0.1, 15],
        ):
            sheet.append(row)
        for merged in ("A1:A3", "B1:D1", "E1:F1", "G1:H1"):
            sheet.merge_cells(merged)

    made = read(Log=fill)
    assert made.rows() == [
        {
            "at": "Log!4",
            "outlet": "A",
            "co_tube_lot": "L7",
            "co_tube_expiry": "2027-01-31",
            "co_ppm": 1.0,
            "oil_mg_m3": 0.1,
            "oil_sampling_min": 15.0,
            "water_tube_mg_m3": 60.0,
            "water_multiplier": 1.0,
        }
    ]


def test_groups_above_the_headings_change_nothing_unless_they_say_another_thing():
    rows = [
        [None, "Gases", None, "Limits", None],
        ["Outlet", "O2 %", "CO ppm", "O2 %", "CO ppm"],
        ["A", 20.9, 1, 19.5, 5],
    ]

    def fill(sheet):
        for row in rows:
            sheet.append(row)
        sheet.merge_cells("B1:C1")
        sheet.merge_cells("D1:E1")

    assert read(Log=fill).rows() == [{"at": "Log!3", "outlet": "A", "oxygen_pct": 20.9, "co_ppm": 1.0}]


def test_blank_rows_and_columns_between():
    made = read(
        Log=[
            [None] * 6,
            [None, "Outlet", None, "O2 %", None, "CO ppm"],
            [None] * 6,
            [None, "A", None, 20.9, None, 1],
            [None] * 6,
            [None, "B", None, 20.8, None, 2],
        ]
    )
    assert made.rows() == [
        {"at": "Log!4", "outlet": "A", "oxygen_pct": 20.9, "co_ppm": 1.0},
        {"at": "Log!6", "outlet": "B", "oxygen_pct": 20.8, "co_ppm": 2.0},
    ]


def test_units_in_a_column_of_their_own():
    made = read(
        Log=[
            ["Outlet", "CO", "Unit", "Water", "Unit", "Pressure at outlet", None],
            ["A", 1, "ppm", 60, "mg/m³", 7, "bar"],
            ["B", 2, "ppm", 0.06, "g/m³", 100, "psi"],
        ]
    )
    assert made.rows() == [
        {"at": "Log!2", "outlet": "A", "line_pressure_bar": 7.0, "co_ppm": 1.0, "water_tube_mg_m3": 60.0},
        {"at": "Log!3", "outlet": "B", "line_pressure_bar": 6.894757, "co_ppm": 2.0, "water_tube_mg_m3": 60.0},
    ]


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
        {"at": "Log!E4", **same, "outlet": "C", "remarks": "locked"},
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
            "water_mg_m3": 60.0,
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


def test_a_site_merged_down_holds_for_its_rows_and_a_reading_does_not():
    def fill(sheet):
        for row in (
            ["Site", *HEADS],
            ["North yard", "A", 20.9, 1, 420],
            [None, "B", None, 2, 430],
            ["South yard", "A", 20.9, 1, 420],
        ):
            sheet.append(row)
        sheet.merge_cells("A2:A3")
        sheet.merge_cells("C2:C3")

    made = read(Log=fill)
    assert [(r["site"], r["outlet"], r.get("oxygen_pct")) for r in made.rows()] == [
        ("North yard", "A", 20.9),
        ("North yard", "B", None),
        ("South yard", "A", 20.9),
    ]


def test_totals_limits_and_remarks_are_said_and_not_graded():
    made = read(
        Log=[
            HEADS,
            ["Limit", "20-22", 5, 500],
            ["A", 20.9, 1, 420],
            ["Average", 20.9, 1, 420],
            ["Grenzwert", 21, 5, 500],
        ]
    )
    assert [r["outlet"] for r in made.rows()] == ["A"]
    assert made.codes() == ["row_of_totals"] * 3
    assert made.found.rows_passed_over == 3


def test_headings_repeated_on_a_second_page_with_their_units():
    page = [["Outlet", "Oxygen", "CO", "CO2"], [None, "%", "ppm", "ppm"]]
    made = read(Log=[*page, ["A", 20.9, 1, 420], *page, ["B", 20.8, 2, 430]])
    assert [r["outlet"] for r in made.rows()] == ["A", "B"]
    assert made.codes() == ["row_headings_again"] * 2


def test_two_columns_that_both_are_carbon_monoxide_are_not_read():
    made = read(Log=[["Outlet", "O2 %", "CO (ppm)", "CO tube (ppm)"], ["A", 20.9, 1, 7], ["B", 20.9, None, None]])
    assert made.rows() == [
        {"at": "Log!2", "outlet": "A", "oxygen_pct": 20.9, "co_ppm": UNREAD},
        {"at": "Log!3", "outlet": "B", "oxygen_pct": 20.9},
    ]
    assert made.codes() == ["column_twice"]
    assert 'co_ppm = { column = "C" }' in next(n for n in made.notes if n.code == "column_twice").params["line"]


def test_a_second_unclear_column_makes_the_clear_one_doubtful():
    made = read(Log=[["Outlet", "O2 %", "CO (ppm)", "CO 2nd (ppm)"], ["A", 20.9, 1, 7]])
    assert made.rows() == [{"at": "Log!2", "outlet": "A", "oxygen_pct": 20.9, "co_ppm": UNREAD}]
    assert made.codes() == ["heading_unclear"]


def test_a_limit_column_beside_the_reading_is_left_over():
    made = read(Log=[["Outlet", "O2 %", "CO (ppm)", "CO limit", "Result"], ["A", 20.9, 1, 5, "pass"]])
    assert made.rows() == [{"at": "Log!2", "outlet": "A", "oxygen_pct": 20.9, "co_ppm": 1.0}]
    assert made.codes() == ["unknown_column", "unknown_column"]


def test_a_pressure_that_may_be_several_is_not_taken_for_not_tested():
    made = read(Log=[["Outlet", "O2 %", "CO ppm", "Pressure (bar)"], ["A", 20.9, 1, 7], ["B", 20.9, 1, None]])
    first, second = made.rows()
    assert first["line_pressure_bar"] == UNREAD and first["nominal_pressure_bar"] == UNREAD
    assert "line_pressure_bar" not in second
    note = next(n for n in made.notes if n.code == "heading_unclear")
    assert note.cell == "D1" and note.params["line"] == 'line_pressure_bar = { column = "D", unit = "bar" }'


def test_water_without_a_unit_is_not_read_and_carbon_dioxide_is_where_its_size_tells():
    made = read(Log=[["Outlet", "O2", "CO", "CO2", "Water"], ["A", 20.9, 1, 420, 60]])
    assert made.rows() == [
        {"at": "Log!2", "outlet": "A", "oxygen_pct": 20.9, "co_ppm": 1.0, "co2_ppm": 420.0, "water_tube_mg_m3": UNREAD}
    ]
    assert made.units() == {"unit_assumed": ["B1", "C1", "D1"], "unit_not_told": ["E1"]}


def test_carbon_dioxide_as_text_too_small_for_ppm_is_not_read():
    made = read(Log=[["Outlet", "O2", "CO", "CO2"], ["A", 20.9, 1, "0,042"], ["B", 20.9, 1, "0,040"]])
    assert [r["co2_ppm"] for r in made.rows()] == [UNREAD, UNREAD]


def test_a_percent_format_in_a_column_of_per_cent_and_one_that_contradicts_its_heading():
    def fill(sheet):
        sheet.append(["Outlet", "O2 %", "CO2 %", "CO ppm"])
        sheet.append(["A", 0.209, 0.0004, 0.01])
        for cell in ("B2", "C2", "D2"):
            sheet[cell].number_format = "0.00%"

    assert read(Log=fill).rows() == [
        {"at": "Log!2", "outlet": "A", "oxygen_pct": 20.9, "co_ppm": UNREAD, "co2_ppm": 400.0}
    ]


def test_the_ugliest_cells_in_one_log():
    """Trailing and hard spaces, O², CO₂, l/min., negative zero, n/a, -, see above, a serial date as text."""
    made = read(
        Log=[
            [
                "  Outlet\xa0no. ",
                "O²\xa0(%) ",
                "CO₂ (ppm)\n",
                "CO\xa0(ppm)",
                "Flow measured l/min.",
                "Date ",
                "Oil (mg/m³)",
            ],
            [" 7 ", "20,9 ", "420 ppm", -0.0, " 300", 45730, "n/a"],
            ["8", 20.9, "see above", "-", 310, "14.03.2025", "nil"],
        ]
    )
    assert made.rows() == [
        {
            "at": "Log!2",
            "test_date": "2025-03-14",
            "outlet": "7",
            "flow_l_min": 300.0,
            "oxygen_pct": 20.9,
            "co_ppm": 0.0,
            "co2_ppm": 420.0,
        },
        {
            "at": "Log!3",
            "test_date": "2025-03-14",
            "outlet": "8",
            "flow_l_min": 310.0,
            "oxygen_pct": 20.9,
            "co2_ppm": UNREAD,
            "oil_mg_m3": "nil",
        },
    ]


def test_a_german_log_with_decimal_commas():
    made = read(
        Protokoll=[
            ["Standort:", "Nordhof"],
            ["Datum", "Entnahmestelle", "Sauerstoff (Vol.-%)", "CO (ppm)", "CO2 (ppm)"],
            ["14.03.2025", "Halle 3", "20,9", "<5", "420"],
        ]
    )
    assert made.rows() == [
        {
            "at": "Protokoll!3",
            "site": "Nordhof",
            "test_date": "2025-03-14",
            "outlet": "Halle 3",
            "oxygen_pct": 20.9,
            "co_ppm": "<5",
            "co2_ppm": 420.0,
        }
    ]


def test_a_dew_point_heading_states_its_pressure():
    made = read(Log=[["Outlet", "O2 %", "CO ppm", "PDP (°F) @ 7 bar"], ["A", 20.9, 1, -40]])
    assert made.rows() == [
        {
            "at": "Log!2",
            "outlet": "A",
            "oxygen_pct": 20.9,
            "co_ppm": 1.0,
            "dew_point_measured_c": -40.0,
            "dew_point_measured_at_bar": 7.0,
        }
    ]


def test_absolute_pressures_use_the_row_s_own_atmosphere():
    made = read(
        Log=[
            ["Outlet", "O2 %", "CO ppm", "Line pressure (bar a)", "Barometer (hPa)"],
            ["A", 20.9, 1, 7, 900],
            ["B", 20.9, 1, 7, None],
        ]
    )
    assert [r["line_pressure_bar"] for r in made.rows()] == [6.1, 5.98675]


def test_a_unit_that_contradicts_the_figures_is_queried_and_marked():
    made = read(
        Log=[
            ["Outlet", "Supply", "O2 %", "CO ppm", "Line pressure (bar)", "Ambient temperature (°C)"],
            ["A", "airline", 20.9, 1, 90, 68],
        ]
    )
    assert "unit_clash" in made.problems.codes()
    assert made.tests["water_clash"].tolist() == [True]


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
