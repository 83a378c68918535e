"""Small logs in as many layouts, each with the exact table that is read from it.

The layouts are such as firms use (common practice, no source); all readings and names are invented.
"""

from datetime import date

from tests.read.shapes.log_tables import UNREAD, ReadLog, book, read

HEADS = ["Point", "O2 %", "CO ppm", "CO2 ppm"]


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


def test_a_second_column_of_a_gas_is_judged_both_ways():
    made = read(Log=[["Outlet", "O2 %", "CO (ppm)", "CO 2nd (ppm)"], ["A", 20.9, 1, 7]])
    assert made.rows() == [{"at": "Log!2", "outlet": "A", "oxygen_pct": 20.9, "co_ppm": 1.0}]
    assert made.unclear() == [("CO 2nd (ppm)", ("co_ppm",), [7])] and made.codes() == []


def test_a_limit_column_beside_the_reading_is_left_over():
    made = read(Log=[["Outlet", "O2 %", "CO (ppm)", "CO limit", "Result"], ["A", 20.9, 1, 5, "pass"]])
    assert made.rows() == [{"at": "Log!2", "outlet": "A", "oxygen_pct": 20.9, "co_ppm": 1.0, "own_verdict": "pass"}]
    assert made.codes() == ["unknown_column"]


def test_a_general_word_is_the_field_it_names_where_no_other_column_claims_it():
    made = read(Log=[["Outlet", "O2 %", "CO ppm", "Pressure (bar)"], ["A", 20.9, 1, 7], ["B", 20.9, 1, None]])
    assert [r.get("line_pressure_bar") for r in made.rows()] == [7.0, None] and made.codes() == []


def test_a_pressure_that_may_be_several_is_not_taken_for_not_tested():
    made = read(Log=[["Outlet", "O2 %", "CO ppm", "System pressure (bar)"], ["A", 20.9, 1, 7], ["B", 20.9, 1, None]])
    choices = ("line_pressure_bar", "nominal_pressure_bar")
    assert made.unclear() == [("System pressure (bar)", choices, [7, None])]
    assert not any("line_pressure_bar" in row for row in made.rows())
    assert made.found.tables[0].unclear[0].line == 'line_pressure_bar = { column = "D", unit = "bar" }'


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


def test_a_unit_that_is_none_of_the_field_is_said_once_for_its_column():
    made = read(Log=[["Outlet", "O2 %", "CO", "Unit"], *([n, 20.9, 1, "bar"] for n in "ABC")])
    assert [r["co_ppm"] for r in made.rows()] == [UNREAD] * 3
    assert made.units() == {"unit_other": ["C1"]} and "number_unit" not in made.problems.codes()
    note = next(n for n in made.notes if n.code == "unit_other")
    assert note.params["line"] == 'co_ppm = { column = "C", unit = "?" }'


def test_a_shifted_row_of_a_text_file_is_said_once_and_not_for_each_cell():
    made = ReadLog(b"Outlet,O2 %,CO ppm\nA,20.9,1\nB,20,9,1\n", name="log.csv")
    assert [r["co_ppm"] for r in made.rows()] == [1.0, UNREAD]
    assert not any(code.startswith("cell_") for code in made.problems.codes())


def test_a_date_beside_an_unmerged_calibration_is_not_the_test_s():
    def fill(sheet):
        sheet.append(["Outlet", "Readings", None, None, "Calibration", None])
        sheet.append([None, "Odour", "O2 %", "CO ppm", "Meter", "Date"])
        sheet.append(["A", "none", 20.9, 1, "M1", date(2026, 1, 2)])
        sheet.append(["B", "none", 20.9, 2, "M1", date(2026, 1, 2)])
        sheet.merge_cells("B1:D1")

    made = ReadLog(book(Log=fill))
    assert not any("test_date" in row for row in made.rows())
    assert [(heading, fields) for heading, fields, _ in made.unclear()] == [
        ("Calibration / Date", ("calibration_due",))
    ]


def test_the_day_over_one_block_across_is_not_that_of_the_next():
    figures = [["Oxygen", "%", 20.9, 20.8], ["CO", "ppm", 1, 2], ["CO2", "ppm", 400, 410]]
    first = [["Site", "North yard"], ["Date", date(2026, 4, 3)], ["Outlet", None, "A", "B"], *figures]
    made = ReadLog(book(Log=[*first, [None], ["Outlet", None, "C", "D"], *figures]))
    said = [(row["site"], row["outlet"], row.get("test_date")) for row in made.rows()]
    yard, day = "North yard", "2026-04-03"
    assert said == [(yard, "A", day), (yard, "B", day), (yard, "C", None), (yard, "D", None)]


def test_a_figure_that_no_label_claims_is_asked_about_and_a_running_number_is_not():
    rows = [["Outlet", "A1"], ["O2 %", 20.9], ["CO ppm", 1], ["CO2 ppm", 430]]
    for text, value, asked in (
        ("Prüfung Nr.", 3, False),
        ("Contrôle n°", 3, False),
        ("Order number", 55120, False),
        ("Zzz no.", 9.5, True),
        ("Zzz", 9, True),
    ):
        assert ("form_left_over" in read(Log=[[text, value], *rows]).codes()) is asked, text
