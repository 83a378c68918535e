"""Logs with one reading a row, with years side by side, and forms with their values below: the exact table of each.

The layouts are such as firms use (common practice, no source); all readings and names are invented.
"""

from datetime import date

import pytest

from grader.read.layout import load_layout
from grader.read.layout_spec import LayoutSpec, TableSpec
from tests.read.shapes.log_tables import UNREAD, ReadLog, book, read

DAY = date(2026, 3, 14)
LONG = ["Outlet", "Date", "Parameter", "Result", "Unit"]


def test_one_reading_a_row_makes_a_test_of_each_outlet_and_date():
    made = read(
        Log=[
            ["Air test register"],
            ["Site:", "North yard"],
            LONG,
            ["A", DAY, "Oxygen", 20.9, "%"],
            ["A", DAY, "CO", "<5", "ppm"],
            ["A", DAY, "Odour", "none", None],
            ["B", DAY, "Oxygen", 20.8, "%"],
            ["B", DAY, "CO", 9, "ppm"],
            ["A", date(2026, 9, 1), "CO", 2, "ppm"],
        ]
    )
    same = {"site": "North yard", "test_date": "2026-03-14"}
    assert made.rows() == [
        {"at": "Log!4", **same, "outlet": "A", "odour": "none", "oxygen_pct": 20.9, "co_ppm": "<5"},
        {"at": "Log!7", **same, "outlet": "B", "oxygen_pct": 20.8, "co_ppm": 9.0},
        {"at": "Log!9", **same, "test_date": "2026-09-01", "outlet": "A", "co_ppm": 2.0},
    ]
    assert made.codes() == ["rows_of_parameters"]
    assert made.log.tables[1].places["co_ppm"][1:] == (7, 3)  # the cell of the figure, D8


def test_rows_below_their_outlet_limits_and_verdicts_beside_and_units_that_differ():
    made = read(
        Log=[
            ["Sampling point", "Test date", "Contaminant", "Limit", "Reading", "UoM", "Pass/Fail", "Tested by"],
            ["A", DAY, "Oxygen", "20-22", 20.9, "%", "pass", "A. Person"],
            [None, None, "Water vapour", None, 60, "mg/m3", "pass", None],
            [None, None, "Line pressure", None, 7, "bar", None, None],
            ["B", DAY, "Line pressure", None, 100, "psi", None, "A. Person"],
            [None, None, "Water vapour", None, 0.06, "g/m³", None, None],
        ]
    )
    same = {"test_date": "2026-03-14", "tested_by": "A. Person"}
    assert made.rows() == [
        {
            "at": "Log!2",
            **same,
            "outlet": "A",
            "line_pressure_bar": 7.0,
            "oxygen_pct": 20.9,
            "water_tube_mg_m3": 60.0,
            "own_verdict": "pass",
        },
        {"at": "Log!5", **same, "outlet": "B", "line_pressure_bar": 6.894757, "water_tube_mg_m3": 60.0},
    ]


def test_a_parameter_twice_or_with_two_units_or_without_a_unit_is_not_read_in_a_long_log():
    made = read(
        Log=[
            LONG,
            ["A", DAY, "CO", 1, "ppm"],
            ["A", DAY, "CO", 7, "ppm"],
            ["A", DAY, "Oil (mg/m³)", 0.1, "µg/m³"],
            ["A", DAY, "Water", 60, None],
            ["A", DAY, "Static pressure", 7, "bar"],
        ]
    )
    (row,) = made.rows()
    unread = ("co_ppm", "oil_mg_m3", "water_tube_mg_m3")
    assert [row[f] for f in unread] == [UNREAD] * len(unread)
    assert made.units() == {"unit_not_told": ["C5"]}
    assert made.unclear() == [("Static pressure", ("nominal_pressure_bar", "line_pressure_bar"), ["7 bar"])]


def test_totals_and_names_that_are_not_known_are_said_in_a_long_log():
    made = read(
        Log=[
            LONG,
            ["A", DAY, "CO", 1, "ppm"],
            ["A", DAY, "Flange", 0, None],
            ["A", DAY, "O2", 20.9, "%"],
            ["Average", None, "CO", 4, "ppm"],
            [None, None, "O2", 20.9, "%"],
        ]
    )
    assert made.rows() == [{"at": "Log!2", "test_date": "2026-03-14", "outlet": "A", "oxygen_pct": 20.9, "co_ppm": 1.0}]
    assert made.codes() == ["row_of_totals", "row_without_test", "rows_of_parameters", "unknown_parameter"]
    assert made.found.rows_passed_over == 2


YEARS = [
    {"at": "Log!3", "outlet": "A", "oxygen_pct": 20.9, "co_ppm": 1.0, "co2_ppm": 420.0},
    {"at": "Log!4", "outlet": "B", "oxygen_pct": 20.9, "co_ppm": 1.0, "co2_ppm": 421.0},
    {"at": "Log!3", "outlet": "A", "oxygen_pct": 20.8, "co_ppm": 2.0, "co2_ppm": 430.0},
    {"at": "Log!4", "outlet": "B", "oxygen_pct": 20.7, "co_ppm": 3.0, "co2_ppm": 431.0},
]


@pytest.mark.parametrize(
    ("first", "second", "dates"),
    [
        (2024, 2025, (UNREAD, UNREAD)),  # a year alone is no date
        ("2024", "2025", (UNREAD, UNREAD)),
        (date(2024, 3, 1), date(2025, 3, 2), ("2024-03-01", "2025-03-02")),
    ],
)
def test_years_side_by_side_over_the_headings(first, second, dates):
    made = read(
        Log=[
            ["Outlet", first, None, None, second, None, None],
            [None, "O2 %", "CO ppm", "CO2 ppm", "O2 %", "CO ppm", "CO2 ppm"],
            ["A", 20.9, 1, 420, 20.8, 2, 430],
            ["B", 20.9, 1, 421, 20.7, 3, 431],
        ]
    )
    assert made.rows() == [{**row, "test_date": dates[i // 2]} for i, row in enumerate(YEARS)]
    assert made.codes() == ["side_by_side"]


def test_years_below_each_heading():
    made = read(
        Log=[
            ["Outlet", "O2 %", None, "CO ppm", None, "CO2 ppm", None],
            [None, 2024, 2025, 2024, 2025, 2024, 2025],
            ["A", 20.9, 20.8, 1, 2, 420, 430],
            ["B", 20.9, 20.7, 1, 3, 421, 431],
        ]
    )
    assert made.rows() == [{**row, "test_date": UNREAD} for row in YEARS]


def test_headings_beside_the_years_are_no_labels_of_the_table():
    made = read(
        Log=[
            ["Outlet", "Dryer", "1.3.2024", None, None, "2.3.2025", None, None],
            [None, None, "O2 %", "CO ppm", "CO2 ppm", "O2 %", "CO ppm", "CO2 ppm"],
            ["A", "desiccant", 20.9, 1, 420, 20.8, 2, 430],
            ["B", None, 20.9, 1, 421, 20.7, 3, 431],
        ]
    )
    assert [r.get("dryer") for r in made.rows()] == ["desiccant", None, "desiccant", None]
    assert set(made.log.tables[0].constants) == {"test_date"}


def test_an_outlet_that_was_not_tested_in_every_year_is_a_test_only_where_it_was():
    made = read(
        Log=[
            ["Outlet", "1.3.2025", None, None, "2.3.2026", None, None, None],
            [None, "O2 %", "CO ppm", "CO2 ppm", "O2 %", "CO ppm", "CO2 ppm", "Remarks"],
            ["A", 20.9, 1, 420, None, None, None, "out of use"],
            ["C", None, None, None, None, None, None, "locked"],
        ]
    )
    assert [(r["at"], r["test_date"], r["outlet"], r["remarks"]) for r in made.rows()] == [
        ("Log!3", "2025-03-01", "A", "out of use"),
        ("Log!4", "2026-03-02", "C", "locked"),
    ]


def test_two_columns_that_no_year_tells_apart_stay_in_doubt():
    made = read(
        Log=[["Outlet", "O2 %", "CO ppm", "CO2 ppm", "O2 %", "CO ppm", "CO2 ppm"], ["A", 20.9, 1, 420, 20.8, 2, 430]]
    )
    assert made.rows() == [{"at": "Log!2", "outlet": "A", "oxygen_pct": UNREAD, "co_ppm": UNREAD, "co2_ppm": UNREAD}]


@pytest.mark.parametrize(
    "gases",
    [
        [["Oxygen %", "CO ppm", "CO2 ppm"], [20.9, 1, 430]],
        [["Oxygen", "CO", "CO2"], ["%", "ppm", "ppm"], [20.9, 1, 430]],
    ],
)
def test_a_form_with_values_below_rows_of_labels_is_one_test(gases):
    made = read(
        Form=[
            ["Outlet", "Date", "Tested by"],
            ["Bay 3", DAY, "A. Person"],
            [],
            *gases,
            [],
            ["Oil mg/m³", "Water tube mg/m³", "Multiplier"],
            [0.1, 60, 1],
            ["Signed: A. Person"],
        ]
    )
    assert made.rows() == [
        {
            "at": "Form!A2",
            "test_date": "2026-03-14",
            "tested_by": "A. Person",
            "outlet": "Bay 3",
            "oxygen_pct": 20.9,
            "co_ppm": 1.0,
            "co2_ppm": 430.0,
            "oil_mg_m3": 0.1,
            "water_tube_mg_m3": 60.0,
            "water_multiplier": 1.0,
        }
    ]


def test_sentences_and_signatures_below_a_table_are_no_outlets():
    rows = [
        ["Outlet", "O2 %", "CO ppm"],
        ["A", 20.9, 1],
        ["B", 20.8, 2],
        [],
        ["Signed: A. Person"],
        ["* after purging"],
    ]
    made = read(Log=[*rows, ["All readings were taken at full load."], ["C"]])
    assert [r["outlet"] for r in made.rows()] == ["A", "B", "C"]
    assert made.codes() == ["row_of_remarks"] * 3


def test_a_unit_beside_the_figure_that_contradicts_the_heading_or_a_layout_is_not_read():
    made = read(Log=[["Outlet", "CO ppm", "Line pressure (bar)", "Unit"], ["A", 1, 7, "bar"], ["B", 1, 100, "psi"]])
    assert [r["line_pressure_bar"] for r in made.rows()] == [7.0, UNREAD]
    assert "cell_two_units" in made.problems.codes()


def test_an_absolute_pressure_in_one_cell_uses_the_row_s_own_atmosphere():
    """7 bar absolute at 950 hPa are 7 - 0.95 = 6.05 bar gauge, without it 7 - 1.01325 = 5.98675."""
    heads = ["Outlet", "O2 %", "Line pressure (bar)", "Atmospheric pressure (hPa)"]
    made = ReadLog(book(Log=[heads, ["A", 20.9, "7 bar(a)", 950], ["B", 20.9, 7, 950], ["C", 20.9, "7 bar(a)", None]]))
    assert [r["line_pressure_bar"] for r in made.rows()] == [6.05, 7.0, 5.98675]
    heads[2] = "Line pressure bar(a)"
    made = ReadLog(book(Log=[heads, ["A", 20.9, 7, 950], ["B", 20.9, "7 bar", 950]]))
    assert [r["line_pressure_bar"] for r in made.rows()] == [6.05, 7.0]


def test_two_tables_beside_each_other_keep_their_outlets_apart():
    made = read(
        Log=[
            ["North yard", None, None, None, "South yard", None, None],
            ["Outlet", "O2 %", "CO ppm", None, "Outlet", "O2 %", "CO ppm"],
            ["1", 20.9, 1, None, "1", 20.8, 9],
            ["2", 20.9, 1, None, None, None, None],
        ]
    )
    assert made.rows() == [
        {"at": "Log!3", "site": "North yard", "outlet": "1", "oxygen_pct": 20.9, "co_ppm": 1.0},
        {"at": "Log!4", "site": "North yard", "outlet": "2", "oxygen_pct": 20.9, "co_ppm": 1.0},
        {"at": "Log!3", "site": "South yard", "outlet": "1", "oxygen_pct": 20.8, "co_ppm": 9.0},
    ]
    assert made.codes() == ["side_by_side_sites"]
    assert made.log.tables[1].places["co_ppm"].column == 6


def test_one_outlet_with_its_dates_across():
    made = read(
        Log=[
            ["Outlet", "Bay 3"],
            ["Date", date(2025, 3, 1), date(2025, 9, 1)],
            ["O2 %", 20.9, 20.8],
            ["CO ppm", 1, 9],
            [],
            ["Outlet", "Bay 4"],
            ["Date", date(2025, 3, 1), date(2025, 9, 1)],
            ["O2 %", 20.9, 20.8],
            ["CO ppm", 3, 4],
        ]
    )
    assert [(r["at"], r["outlet"], r["test_date"], r["co_ppm"]) for r in made.rows()] == [
        ("Log!B2", "Bay 3", "2025-03-01", 1.0),
        ("Log!C2", "Bay 3", "2025-09-01", 9.0),
        ("Log!B7", "Bay 4", "2025-03-01", 3.0),
        ("Log!C7", "Bay 4", "2025-09-01", 4.0),
    ]


def test_multiplier_lot_and_expiry_of_a_row_belong_to_its_own_tube():
    made = read(
        Log=[
            ["Outlet", "Tube", "Reading", "Unit", "Multiplier", "Tube lot", "Expiry"],
            ["1", "CO", 1, "ppm", 1, "L1", date(2027, 12, 1)],
            ["1", "Water", 6, "mg/m³", 10, "L2", date(2027, 11, 1)],
        ]
    )
    assert made.rows() == [
        {
            "at": "Log!2",
            "outlet": "1",
            "co_tube_lot": "L1",
            "co_tube_expiry": "2027-12-01",
            "water_tube_lot": "L2",
            "water_tube_expiry": "2027-11-01",
            "co_ppm": 1.0,
            "water_tube_mg_m3": 6.0,
            "water_multiplier": 10.0,
        }
    ]


def test_building_and_room_are_one_location_and_a_column_of_verdicts_is_no_doubt():
    made = read(
        Log=[
            ["Building", "Room", "Outlet no", "O2 %", "CO ppm", "Status"],
            ["A", 1, 1, 20.9, 1, "PASS"],
            ["A", None, 2, 20.9, 9, "Fail"],
        ]
    )
    assert [(r["location"], r["outlet"], r["co_ppm"]) for r in made.rows()] == [("A, 1", "1", 1.0), ("A", "2", 9.0)]
    assert made.codes() == []


@pytest.mark.parametrize("heading", [None, "No", "Ref", "Station", "ID", "Point of use"])
def test_the_first_column_of_names_is_the_outlet_where_nothing_else_is(heading):
    made = read(Log=[[heading, "O2 %", "CO ppm", "CO2 ppm"], ["Bay 1", 20.9, 1, 430], ["Bay 2", 20.9, 2, 430]])
    assert [r["outlet"] for r in made.rows()] == ["Bay 1", "Bay 2"]


def test_months_over_repeated_tables_are_their_dates_and_no_outlets():
    made = read(
        Log=[
            ["January 2026"],
            ["Outlet", "O2 %", "CO ppm", "CO2 ppm"],
            ["1", 20.9, 1, 430],
            ["Average", 20.9, 1, 430],
            [],
            ["14.2.2026"],
            ["Outlet", "O2 %", "CO ppm", "CO2 ppm"],
            ["1", 20.9, 9, 430],
        ]
    )
    assert [(r["at"], r["outlet"], r["test_date"], r["co_ppm"]) for r in made.rows()] == [
        ("Log!3", "1", UNREAD, 1.0),  # a month alone is no date
        ("Log!8", "1", "2026-02-14", 9.0),
    ]


def test_a_row_of_units_with_its_name_in_the_column_of_outlets_is_no_test():
    made = read(
        Log=[
            ["Point", "O2", "CO", "Oil", "Water"],
            ["unit", "%", "ppm", "mg/m3", "g/m3"],
            ["limit", "20-22", 5, 0.5, "-"],
            ["A1", 20.9, 1, 0.1, 0.06],
        ]
    )
    assert made.rows() == [
        {"at": "Log!4", "outlet": "A1", "oxygen_pct": 20.9, "co_ppm": 1.0, "oil_mg_m3": 0.1, "water_tube_mg_m3": 60.0}
    ]


def test_the_blank_s_heading_of_the_water_content_is_the_tube_reading_among_a_firm_s_own():
    """Taken for the content, a tube reading would miss its multiplier of 10, and wet air would pass."""
    made = read(Log=[["Point", "O2 %", "CO ppm", "Water (mg/m³)"], ["A", 20.9, 1, 60]])
    assert made.rows()[0]["water_tube_mg_m3"] == 60.0 and "water_mg_m3" not in made.rows()[0]
    note = next(n for n in made.notes if n.code == "water_as_tube")
    assert note.params["line"] == 'water_mg_m3 = { column = "D" }'
    both = read(Log=[["Point", "O2 %", "H2O tube mg/m³", "Water (mg/m³)"], ["A", 20.9, 6, 60]]).rows()[0]
    assert (both["water_tube_mg_m3"], both["water_mg_m3"]) == (6.0, 60.0)
    own = read(Log=[["Outlet", "Oxygen (%)", "Water (mg/m³)"], ["A", 20.9, 60]]).rows()[0]
    assert own["water_mg_m3"] == 60.0


def test_times_of_day_are_no_sampling_times_and_short_ones_stay_in_doubt():
    heads = ["Point", "Time", "O2 %", "CO ppm"]
    clear = read(Log=[heads, ["A", "09:00", 20.9, 1], ["B", "11:30", 20.9, 1]]).rows()
    assert [r["test_time"] for r in clear] == [540, 690] and "oil_sampling_min" not in clear[0]
    short = read(Log=[heads, ["A", "00:15", 20.9, 1]])
    assert "test_time" not in short.rows()[0] and short.unclear() == [("Time", ("oil_sampling_min",), ["00:15"])]


def test_an_outlet_merged_over_its_rows_names_each_test_and_one_in_the_first_row_alone_only_its_own():
    def fill(sheet):
        for row in (
            LONG,
            ["A", DAY, "O2", 20.9, "%"],
            [None, DAY, "CO", 1, "ppm"],
            [None, date(2026, 9, 1), "CO", 7, "ppm"],
            ["B", DAY, "O2", 20.9, "%"],
            [None, DAY, "CO", 2, "ppm"],
            [None, date(2026, 9, 1), "CO", 3, "ppm"],
        ):
            sheet.append(row)
        sheet.merge_cells("A2:A4")

    made = read(Log=fill)
    assert [(r["at"], r.get("outlet"), r["test_date"], r["co_ppm"]) for r in made.rows()] == [
        ("Log!2", "A", "2026-03-14", 1.0),
        ("Log!4", "A", "2026-09-01", 7.0),
        ("Log!5", "B", "2026-03-14", 2.0),
        ("Log!7", None, "2026-09-01", 3.0),  # whose it is cannot be told
    ]


def test_a_long_log_with_two_columns_of_figures_reads_neither_and_says_the_line_that_would_settle_it():
    rows = [
        ["Outlet", "Parameter", "1st reading", "2nd reading", "Unit"],
        ["1", "CO", 1, 9, "ppm"],
        ["1", "O2", 20.9, 20.8, "%"],
    ]
    made = ReadLog(book(Log=rows))
    assert [(r["co_ppm"], r["oxygen_pct"]) for r in made.rows()] == [(UNREAD, UNREAD)]
    assert made.codes() == ["long_two_figures", "rows_of_parameters"]
    table = TableSpec(orientation="long", value_column=3, source="a.layout.toml")
    (row,) = ReadLog(book(Log=rows), LayoutSpec((table,))).rows()
    assert (row["co_ppm"], row["oxygen_pct"]) == (9.0, 20.8)


def test_two_columns_of_figures_in_a_long_log_are_not_chosen_between():
    rows = [["Outlet", "Parameter", "Reading", "Value", "Unit"], ["1", "CO", 1, 9, "ppm"], ["1", "O2", 20.9, 20.9, "%"]]
    made = ReadLog(book(Log=rows))
    assert [(r["co_ppm"], r["oxygen_pct"]) for r in made.rows()] == [(UNREAD, 20.9)]
    assert made.codes() == ["long_two_figures", "rows_of_parameters"]


def test_a_layout_file_says_what_a_name_of_a_long_log_means(tmp_path):
    path = tmp_path / "a.layout.toml"
    path.write_text(
        """files = ["*"]
[[table]]
orientation = "long"
[table.fields]
co_ppm = { heading = "Gas 1", unit = "ppm" }
oil_mg_m3 = { unit = "mg/m³" }
""",
        encoding="utf-8",
    )
    rows = [
        ["Outlet", "Parameter", "Value"],
        ["1", "Gas 1", 9],
        ["1", "O2 %", 20.9],
        ["1", "Oil", 0.1],
        ["1", "Odour", "none"],
    ]
    (row,) = ReadLog(book(Log=rows), load_layout(path).spec).rows()
    assert row == {"at": "Log!2", "outlet": "1", "odour": "none", "oxygen_pct": 20.9, "co_ppm": 9.0, "oil_mg_m3": 0.1}


def test_the_heading_of_a_page_again_is_no_test_but_a_reading_beside_such_a_text_is():
    made = read(
        Log=[
            ["Site: North yard", None, "Page 1"],
            ["Outlet", "O2 %", "CO ppm", "Odour"],
            ["1", 20.9, 1, "none"],
            ["Carried forward"],
            ["Site: North yard", None, "Page 2"],
            ["Outlet", "O2 %", "CO ppm", "Odour"],
            ["Note: bay", None, None, "marked"],
            ["Gate: north", None, 9, None],
        ]
    )
    assert [(r["outlet"], r.get("odour"), r.get("co_ppm")) for r in made.rows()] == [
        ("1", "none", 1.0),
        ("Note: bay", "marked", None),
        ("Gate: north", None, 9.0),
    ]


def test_verdicts_beside_the_readings_of_outlets_across_are_no_outlets():
    made = read(
        Log=[
            ["Parameter", "Bay 1", None, "Bay 2", None],
            [None, "Reading", "Result", "Reading", "Result"],
            ["O2 %", 20.9, "Pass", 20.8, "Pass"],
            ["CO ppm", 1, "Pass", 9, "Fail"],
            ["CO2 ppm", 430, "Pass", 430, "Pass"],
        ]
    )
    assert [(r["at"], r["outlet"], r["co_ppm"]) for r in made.rows()] == [
        ("Log!B1", "Bay 1", 1.0),
        ("Log!D1", "Bay 2", 9.0),
    ]


def test_a_sheet_of_what_nobody_knows_among_sheets_of_a_parameter_each_is_said():
    body = [["L1", 20.9, 20.8], ["L2", 20.9, 20.7]]
    head = ["Outlet", "2025-10-07", "2026-01-06"]
    made = ReadLog(book(**{name: [head, *body] for name in ("Oxygen %", "CO ppm", "Kappa")}))
    assert len(made.rows()) == 4
    assert [(n.code, n.sheet, n.params["heading"]) for n in made.found.notes if n.code == "unknown_parameter"] == [
        ("unknown_parameter", "Kappa", "Kappa")
    ]


def test_an_unclear_line_of_a_list_of_readings_has_an_address_of_its_sheet():
    rows = [
        ["Outlet", "Parameter", "Result", "Unit"],
        ["A", "O2", 20.9, "%"],
        ["A", "CO", 1, "ppm"],
        ["A", "Coldest corner", 6, "°C"],
    ]
    made = ReadLog(book(Log=rows))
    (unclear,) = (u for t in made.found.tables for u in t.unclear)
    assert (unclear.place.row, unclear.place.column) == (3, 2)
