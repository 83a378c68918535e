"""Layout files: what they change, one line a mistake, and that a saved one reads the file as before."""

import tempfile
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grader.problems import GraderError, Place, Table, Unclear
from grader.read.layout import load_layout, lying_in, spec_for
from grader.read.layout_save import LeftOver, layout_text
from grader.read.log import LogBuilder, LogFile
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
    assert spec_for([here], 0, "deep/x.XLSX", inside).spec is not None
    assert spec_for([here], 0, "x.xlsx", outside).spec is None
    assert spec_for([here], 1, "x.xlsx", outside).spec is not None
    assert spec_for([here], 1, "x.ods", str(tmp_path / "x.ods")).spec is None


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
    path.write_text(layout_text(before.log, 0, [LeftOver("Log", "F1", "Weather", 'column = "F"')]), encoding="utf-8")
    saved = load_layout(path)
    assert saved.patterns == ("log.xlsx",)
    assert ReadLog(book(**sheets), saved.spec).rows() == before.rows()


# ------------------------------------------------------------------------------------- what holds for many logs


def any_layout(folder, text):
    path = folder / "any.layout.toml"
    path.write_text(text, encoding="utf-8")
    return load_layout(path)


def test_any_layout_fills_what_a_log_of_its_folder_does_not_say(tmp_path):
    here = any_layout(
        tmp_path,
        """
[constants]
site = "North yard"
supply = "airline"
oil_sampling_time_min = 15
[words.odour]
"o.B." = "none"
""",
    )
    heads = ["Point", "O2 %", "CO ppm", "Smell", "Supply"]
    made = book(Log=[["Site", "Quay"], [], heads, ["A", 20.9, 1, "o. B.", None], ["B", 20.8, 2, "none", "cylinder"]])
    spec = spec_for([here], 0, "log.xlsx", str(tmp_path / "log.xlsx")).spec
    read_with = ReadLog(made, spec)
    a, b = read_with.rows()
    assert (a["site"], a["supply"], a["odour"], a["oil_sampling_min"]) == ("Quay", "airline", "none", 15.0)
    assert (b["supply"], b["odour"]) == ("cylinder", "none")
    assert [n.params["count"] for n in read_with.notes if n.code == "usual_time_used"] == [2]
    assert spec_for([here], 0, "sub/log.xlsx", str(tmp_path / "sub" / "log.xlsx")).spec is None
    blank = book(Readings=[["Outlet", "Oxygen (%)", "Carbon monoxide (ppm)"], ["A", 20.9, 1]])
    assert "supply" not in ReadLog(blank, spec).rows()[0]


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("[constants]\nwater_multiplier = 10", "water_multiplier: cannot be the same for every log; only"),
        ("[constants]\nambient_temperature_c = 20", "ambient_temperature_c: cannot be the same for every log; only"),
        ("[constants]\nco_ppm = 1", "co_ppm: cannot be the same for all tests"),
        ('files = ["*"]', "files: not known here, only constants, words, same"),
        ("[[table]]", "table: not known here, only constants, words, same"),
    ],
)
def test_any_layout_holds_nothing_that_a_test_must_say_itself(tmp_path, text, line):
    with pytest.raises(GraderError) as error:
        any_layout(tmp_path, text)
    assert f"any.layout.toml: {line}" in str(error.value)


def test_a_layout_named_for_its_log_goes_before_one_by_pattern_and_two_patterns_cancel(tmp_path):
    def chosen(*layouts):
        return spec_for(layouts, 0, "log 1.xlsx", str(tmp_path / "log 1.xlsx"))

    def file(name, pattern):
        path = tmp_path / name
        path.write_text(f"files = ['{pattern}']\n[[table]]\n", encoding="utf-8")
        return load_layout(path)

    one, two, named = (
        file("a.layout.toml", "*.xlsx"),
        file("b.layout.toml", "log*"),
        file("c.layout.toml", "LOG 1.xlsx"),
    )
    assert chosen(one, two, named).used == (named,)
    assert chosen(one).used == (one,)
    both = chosen(one, two)
    assert both.spec is None and both.rivals == (one, two)


def test_a_file_name_with_signs_of_patterns_is_found_by_itself(tmp_path):
    here = tmp_path / "odd.layout.toml"
    here.write_text('files = ["log [1].xlsx"]\n[[table]]\n', encoding="utf-8")
    assert load_layout(here).names("log [1].xlsx", str(tmp_path / "log [1].xlsx")) == 2


def test_remarks_that_a_firm_says_to_be_harmless_take_no_pass_unless_their_words_speak_against_it(tmp_path):
    rows = [
        ["Outlet", "O2 %", "CO ppm", "Remarks"],
        ["A", 20.9, 1, "could not be better"],
        ["B", 20.9, 1, "do not use"],
        ["C", 20.9, 1, "could not get near"],
    ]
    said = [r.get("said_against") for r in ReadLog(book(Log=rows)).rows()]
    assert all(said)
    text = '[words.remarks]\n"Could not be better" = "harmless"\n"do not use" = "harmless"'
    assert [r.get("said_against") for r in read(tmp_path, text, Log=rows).rows()] == [None, said[1], said[2]]
    with pytest.raises(GraderError, match="words.remarks: 'fine' is not one of harmless"):
        layout(tmp_path, '[words.remarks]\nx = "fine"')


def test_what_is_more_than_not_understood_is_never_harmless(tmp_path):
    said = ["STOP", "HS", "NO-GO", "failled", "✗", "Retest", "☠", "blocked"]
    asked = {"Released": "No", "Locked": "yes", "In use": "no", "Leak": "yes"}
    rows = [["Outlet", "O2 %", "CO ppm", "Remarks", *asked]]
    rows += [[f"A{i}", 20.9, 1, text] for i, text in enumerate(said)]
    rows += [[f"B{i}", 20.9, 1, None, *[v if j == i else None for j, v in enumerate(asked.values())]] for i in range(4)]
    words = {text.lower() for text in (*said, *(f"{heading}: {v}" for heading, v in asked.items()))}
    text = "[words.remarks]\n" + "\n".join(f'"{w}" = "harmless"' for w in sorted(words))
    assert [r["outlet"] for r in read(tmp_path, text, Log=rows).rows() if not r.get("said_against")] == []


def test_words_of_a_firm_are_words_that_are_known(tmp_path):
    with pytest.raises(GraderError, match="words.odour: 'lovely' is not one of none, slight, marked"):
        layout(tmp_path, '[words.odour]\nx = "lovely"')
    with pytest.raises(GraderError, match="words.oil_mg_m3: '0' is not one of the words for readings"):
        layout(tmp_path, '[words.oil_mg_m3]\nx = "0"')
    made = read(
        tmp_path,
        '[words.oil_mg_m3]\n"ohne Befund" = "clear"',
        Log=[["Point", "O2 %", "Oil mg/m3"], ["A", 20.9, "Ohne Befund"]],
    )
    assert made.rows()[0]["oil_mg_m3"] == "clear"


# ------------------------------------------------------------------------------------------- parts of a table


def test_one_column_serves_two_fields(tmp_path):
    made = read(
        tmp_path,
        '[[table]]\n[table.fields]\nairline_temperature_c = "D"\nambient_temperature_c = "D"',
        Log=[["Point", "O2 %", "CO ppm", "Temp °C"], ["A", 20.9, 1, 17]],
    )
    (row,) = made.rows()
    assert (row["airline_temperature_c"], row["ambient_temperature_c"]) == (17.0, 17.0)


def test_a_group_of_rows_and_a_group_of_columns_have_their_own(tmp_path):
    rows = [["Point", "O2 %", "CO ppm"], ["A", 20.9, 1], ["B", 20.8, 2]]
    text = '[[table]]\n[[table.group]]\nfirst_row = 3\n[table.group.constants]\nsite = "Hall B"'
    assert [r.get("site") for r in read(tmp_path, text, Log=rows).rows()] == [None, "Hall B"]
    heads = ["Point", "O2 %", "CO ppm", "x", "Point", "O2 %", "reading 7"]
    rows = [heads, ["A", 20.9, 1, None, "K", 20.7, 3], ["B", 20.8, 2, None, "L", 20.6, 4]]
    text = """
[[table]]
[[table.group]]
first_column = "E"
last_column = "G"
[table.group.fields]
co_ppm = { column = "G", unit = "ppm" }
[table.group.constants]
site = "Hall B"
"""
    made = read(tmp_path, text, Log=rows)
    assert {(r["outlet"], r["co_ppm"], r.get("site")) for r in made.rows()} == {
        ("A", 1.0, None),
        ("B", 2.0, None),
        ("K", 3.0, "Hall B"),
        ("L", 4.0, "Hall B"),
    }


def test_several_forms_of_a_sheet_are_tables_of_their_own(tmp_path):
    form = [["Point", "A"], ["Oxygen %", 20.9], ["CO ppm", 1], ["CO2 ppm", 420]]
    made = ReadLog(book(Form=[["Site: Quay"], [], *form, [], ["Point", "B"], *form[1:]]))
    text = layout_text(made.log, 0).replace('co_ppm = { cell = "B10"', 'co_ppm = { cell = "B11"')
    assert text.count("first_row") == 2
    path = tmp_path / "f.layout.toml"
    path.write_text(text, encoding="utf-8")
    again = ReadLog(made.data, load_layout(path).spec).rows()
    assert [(r["outlet"], r["site"], r["co_ppm"]) for r in again] == [("A", "Quay", 1.0), ("B", "Quay", 420.0)]


# ------------------------------------------------------------------------------------- whatever is saved, loads


@given(
    st.text(st.characters(exclude_categories=["Cs"]), max_size=12),
    st.text(max_size=12),
    st.sampled_from(["Ambient temp °C", "Pressure bar"]),
)
@settings(deadline=None, max_examples=60)
def test_a_saved_layout_loads_whatever_the_headings_are(before, behind, word):
    heading = f"{before}\n{word}\r\"'\\ {behind}"
    table = Table(
        heading,
        "long",
        {"co_ppm": Place(heading, 3, 2), "ambient_temperature_c": Place(heading, None, 4)},
        {"site": (Place(heading, 0, 0), heading)},
        [0],
        [],
        {"co_ppm": [1]},
        {},
        {"co_ppm": (heading, "synonym", "likely"), "ambient_temperature_c": (heading, heading, "unsure")},
        unclear=[Unclear(heading, Place(heading, None, 7), (("flow_l_min", "cfm"),), [1])],
    )
    builder = LogBuilder()
    builder.add_file(LogFile(heading))
    builder.add_table(table)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "saved.layout.toml"
        path.write_text(layout_text(builder.build([]), 0, [LeftOver(heading, "H1", heading, "")]), encoding="utf-8")
        spec = load_layout(path).spec.tables[0]
    assert spec.fits(heading.encode("utf-8", "replace").decode())
    assert set(spec.fields) == {"co_ppm"}
