"""Layout files: what they change, one line a mistake, and that a saved one reads the file as before."""

from datetime import date

import pytest

from grader.problems import GraderError
from grader.read.layout import layout_text, load_layout, lying_in, spec_for
from tests.read.shapes.log_tables import UNREAD, ReadLog, book

ROWS = [
    ["Site", "North yard"],
    [],
    ["Point", "O2 %", "CO ppm", "CO 2nd", "Pressure", "Date"],
    ["A", 20.9, 1, 7, 100, "3/4/2025"],
    ["B", 20.8, 2, 8, 110, "5/6/2025"],
]


def layout(tmp_path, text, name="a.layout.toml"):
    path = tmp_path / name
    path.write_text('files = ["*.xlsx"]\n' + text, encoding="utf-8")
    return load_layout(path)


def read(tmp_path, text, **sheets):
    return ReadLog(book(**sheets), layout(tmp_path, text).spec)


def test_columns_units_and_constants_of_a_layout_settle_what_is_not_clear(tmp_path):
    before = ReadLog(book(Log=ROWS))
    assert before.rows()[0]["line_pressure_bar"] == UNREAD
    assert before.unclear() == [("CO 2nd", ("co_ppm",), [7, 8])]
    made = read(
        tmp_path,
        """
date_order = "month first"
[[table]]
[table.fields]
co_ppm = { column = "C" }
"Line pressure (bar)" = { heading = "Pressure", unit = "psi" }
[table.constants]
client = "Example Ltd"
instrument = 7
""",
        Log=ROWS,
    )
    assert made.rows()[0] == {
        "at": "Log!4",
        "site": "North yard",
        "client": "Example Ltd",
        "test_date": "2025-03-04",
        "instrument": "7",
        "outlet": "A",
        "line_pressure_bar": 6.894757,
        "oxygen_pct": 20.9,
        "co_ppm": 1.0,
    }
    assert made.unclear() == []


def test_the_row_of_the_headings_the_rows_and_columns_left_out(tmp_path):
    rows = [["Bay", "gas 1", "gas 2", "junk"], ["A", 20.9, 1, 3], ["B", 20.8, 2, 3], ["C", 20.7, 3, 3]]
    made = read(
        tmp_path,
        """
[[table]]
sheet = "L*"
heading_row = 1
first_row = 3
last_row = 3
ignore = ["D"]
[table.fields]
outlet = "A"
oxygen_pct = { column = "B" , unit = "%" }
co_ppm = { column = "C", unit = "ppm" }
""",
        Log=rows,
    )
    assert made.rows() == [{"at": "Log!3", "outlet": "B", "oxygen_pct": 20.8, "co_ppm": 2.0}]
    assert made.codes() == []


def test_a_table_without_any_headings(tmp_path):
    made = read(
        tmp_path,
        """
[[table]]
first_row = 1
[table.fields]
outlet = "A"
oxygen_pct = { column = "B", unit = "%" }
""",
        Log=[["A", 20.9], ["B", 20.8]],
    )
    assert [(r["at"], r["outlet"], r["oxygen_pct"]) for r in made.rows()] == [
        ("Log!1", "A", 20.9),
        ("Log!2", "B", 20.8),
    ]


def test_two_tables_on_one_sheet_end_where_the_next_begins(tmp_path):
    rows = [["x", "y"], ["A", 20.9], ["x", "y"], ["B", 20.8]]
    text = "".join(
        f"""
[[table]]
heading_row = {row}
[table.fields]
outlet = "A"
oxygen_pct = {{ column = "B", unit = "%" }}
"""
        for row in (1, 3)
    )
    assert [r["at"] for r in read(tmp_path, text, Log=rows).rows()] == ["Log!2", "Log!4"]


def test_a_form_by_its_cells(tmp_path):
    made = read(
        tmp_path,
        """
[[table]]
orientation = "form"
[table.fields]
outlet = { cell = "B1" }
oxygen_pct = { cell = "B2", unit = "%" }
co_ppm = { cell = "C3", unit = "ppm" }
""",
        Form=[["where", "Bay 3"], ["gas", 20.9], ["other gas", 5, 1.2]],
    )
    assert made.rows() == [{"at": "Form!B1", "outlet": "Bay 3", "oxygen_pct": 20.9, "co_ppm": 1.2}]


def test_a_table_across_by_its_rows(tmp_path):
    made = read(
        tmp_path,
        """
[[table]]
orientation = "across"
heading_column = "A"
[table.fields]
outlet = { row = 1 }
oxygen_pct = { row = 2, unit = "%" }
co_ppm = { row = 3, unit = "ppm" }
""",
        Log=[["where", "A", "B"], ["first", 20.9, 20.8], ["second", 1, 2]],
    )
    assert [(r["at"], r["outlet"], r["oxygen_pct"], r["co_ppm"]) for r in made.rows()] == [
        ("Log!B1", "A", 20.9, 1.0),
        ("Log!C1", "B", 20.8, 2.0),
    ]


def test_sheets_left_out(tmp_path):
    made = read(tmp_path, 'ignore_sheets = ["Old*"]', Log=ROWS, Old_log=ROWS)
    assert {r["at"][:3] for r in made.rows()} == {"Log"}


@pytest.mark.parametrize(
    ("text", "lines"),
    [
        ('[[table]]\n[table.fields]\nco_pm = { column = "C" }', ["table 1: co_pm: there is no such field (co_ppm?)"]),
        ('[[table]]\n[table.fields]\nco_ppm = { column = "7" }', ["table 1: co_ppm: column: '7' is no column letter"]),
        (
            '[[table]]\n[table.fields]\nco_ppm = { column = "C", unit = "bar" }',
            ["table 1: co_ppm: unit: 'bar' is no unit of Carbon monoxide (ppm); ppm, ppb, %, mg/m³, µg/m³ are"],
        ),
        (
            '[[table]]\n[table.fields]\nco_ppm = { column = "C", cell = "B4" }',
            ["table 1: co_ppm: only one of column, cell"],
        ),
        (
            "[[table]]\n[table.constants]\nco_ppm = 0",
            ["table 1: co_ppm: cannot be the same for all tests; give it a column"],
        ),
        ("[[table]]\nheading_row = 0", ["table 1: heading_row: 0 is no row number"]),
        (
            '[[table]]\norientation = "diagonal"\ndate_order = "year first"',
            [
                'table 1: orientation: "diagonal" is none of down, across, long, form',
                'table 1: date_order: "year first" is neither "day first" nor "month first"',
            ],
        ),
        ("tables = 1", ["tables: not known here (table?)"]),
    ],
)
def test_each_mistake_is_one_clear_line(tmp_path, text, lines):
    with pytest.raises(GraderError) as error:
        layout(tmp_path, text)
    assert str(error.value).split("\n") == [f"a.layout.toml: {line}." for line in lines]


def test_what_is_no_toml_or_names_no_files_is_said(tmp_path):
    path = tmp_path / "b.layout.toml"
    path.write_text("files = ", encoding="utf-8")
    with pytest.raises(GraderError, match="this is no TOML"):
        load_layout(path)
    path.write_text("[[table]]\n", encoding="utf-8")
    with pytest.raises(GraderError, match="say which files"):
        load_layout(path)


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ('[[table]]\n[table.fields]\nco_ppm = { heading = "Kohle" }', 'the heading "Kohle" is there 0 times'),
        ('[[table]]\n[table.fields]\noil_mg_m3 = { unit = "mg/m³" }', "no heading is understood as it"),
        ('[[table]]\n[table.fields]\noil_mg_m3 = { column = "Z" }', "the sheet has no column Z"),
        ("[[table]]\nheading_row = 90", "the sheet has no row 90"),
    ],
)
def test_a_layout_that_does_not_fit_the_sheet_is_said(tmp_path, text, what):
    made = read(tmp_path, text, Log=ROWS)
    assert any(n.code == "layout_mismatch" and what in n.params["what"] for n in made.notes)


def test_patterns_and_folders(tmp_path):
    (tmp_path / "in" / "deep").mkdir(parents=True)
    here = layout(tmp_path / "in", "[[table]]\n")
    assert lying_in([tmp_path]) == [here.path] and lying_in([tmp_path / "in" / "x.xlsx"]) == [here.path]
    inside, outside = str(tmp_path / "in" / "deep" / "x.XLSX"), str(tmp_path / "x.xlsx")
    assert spec_for([here], 0, "deep/x.XLSX", inside) is not None
    assert spec_for([here], 0, "x.xlsx", outside) is None
    assert spec_for([here], 1, "x.xlsx", outside) is not None
    assert spec_for([here], 1, "x.ods", str(tmp_path / "x.ods")) is None


@pytest.mark.parametrize(
    "sheets",
    [
        {"Log": [["Site", "North yard"], ["Point", "O2 %", "CO ppm", "Line pressure psi"], ["A", 20.9, 1, 100]]},
        {
            "Log": [
                ["Outlet", "Oxygen", "CO"],
                [None, "%", "ppm"],
                ["A", 20.9, 1],
                [],
                ["Outlet", "CO ppm", "O2 %"],
                ["B", 2, 20.8],
            ]
        },
        {"Log": [["Outlet", "A", "B"], ["Oxygen %", 20.9, 20.8], ["CO ppm", 1, 2], ["Line pressure psi", 100, 90]]},
        {"Form": [["Outlet", "A"], ["Oxygen %", 20.9], ["CO ppm", 1], ["Test date", date(2025, 3, 14)]]},
    ],
)
def test_a_saved_layout_reads_the_file_as_before(tmp_path, sheets):
    before = ReadLog(book(**sheets))
    path = tmp_path / "saved.layout.toml"
    path.write_text(layout_text(before.log, 0, [("Log", "F1", "Weather")]), encoding="utf-8")
    saved = load_layout(path)
    assert saved.patterns == ("log.xlsx",)
    assert ReadLog(book(**sheets), saved.spec).rows() == before.rows()
