"""The supply and dryer that lines of text say, against a table of cases (supplied_cases.toml), alone and on a sheet."""

import tomllib
from pathlib import Path

import pytest

from grader.read.shapes.recognise import Sheet, recognise
from grader.read.words.loose import loose_word, own_word
from grader.read.words.supplied import Supplied, behind_a_label, line_of

CASES = tomllib.loads((Path(__file__).parent / "supplied_cases.toml").read_text(encoding="utf-8"))
TABLE = [
    "Outlet | Date | Odour | O2 % | CO ppm | CO2 ppm",
    "P1 | 2026-03-04 | none | 20.9 | 1 | 400",
    "P2 | 2026-03-04 | none | 20.8 | 1 | 410",
]


@pytest.mark.parametrize("line", CASES["taken"])
def test_a_line_says(line):
    found = line_of(line).feed
    assert found is not None, "nothing"
    marks = ["place"] if found.placed else ["title"] if found.titled else []
    assert ", ".join([w for w in (found.supply, found.dryer) if w] + marks) == CASES["taken"][line]


@pytest.mark.parametrize("line", CASES["not_taken"]["lines"])
def test_a_line_says_nothing_for_certain(line):
    assert line_of(line).feed is None


def log(*sheets, names=()):
    """What a log of sheets, each its rows, says of supply and dryer."""
    made = []
    for number, lines in enumerate(sheets):
        rows = [[v.strip() or None for v in line.split("|")] for line in lines]
        width = max(map(len, rows))
        name = names[number] if number < len(names) else f"Sheet {number}"
        made.append(Sheet(name, [row + [None] * (width - len(row)) for row in rows]))
    table = next(t for t in recognise(made).tables if "odour" in t.columns)
    return [table.constants[f][1] for f in ("supply", "dryer") if f in table.constants]


@pytest.mark.parametrize("name", CASES["sheets"])
def test_a_sheet_says(name):
    rows = CASES["sheets"][name]["rows"]
    at = rows.index("T")
    assert (
        log([*rows[:at], "", *TABLE, *([""] * (at + 1 < len(rows))), *rows[at + 1 :]]) == CASES["sheets"][name]["says"]
    )


def of_all(rows):
    """(supply, dryer) of the tests of one sheet: of all of them, or of each of its column."""
    made = [[None if v == "" else v for v in map(str.strip, row.split("|"))] for row in rows]
    width = max(map(len, made))
    tables = recognise([Sheet("Sheet", [row + [None] * (width - len(row)) for row in made])]).tables
    made = []
    for field in SUPPLIED:
        values = [v for t in tables for v in (*t.columns.get(field, ()), t.constants.get(field, ("", None))[1])]
        texts = [v for v in values if type(v) is str]
        words = [own_word(field, v) or loose_word(field, v) or (field == "supply" and v) or "" for v in texts]
        made.append(next(iter(words), ""))
    return tuple(made)


SUPPLIED = ("supply", "dryer")
BY_READING = ["Outlet | Date | Measured | Result | Unit"] + [
    f"{name} | 2026-03-04 | {what}"
    for name in ("P1", "P2")
    for what in ("O2 | 20.9 | %", "CO | 1 | ppm", "Odour | none")
]
PLACES = {
    "title": lambda text: [text, "", *TABLE],
    "foot": lambda text: [*TABLE, "", text],
    "foot by reading": lambda text: [*BY_READING, "", text],
    "side": lambda text: [f"Breathing air | | Air supply | {text}", "", *TABLE],
    "system": lambda text: [f"System | {text}", "", *TABLE],
    "column": lambda text: [f"{TABLE[0]} | Supply", *(f"{row} | {text}" for row in TABLE[1:])],
}


@pytest.mark.parametrize("text", CASES["in_words"])
@pytest.mark.parametrize("place", ["title", "foot", "foot by reading"])
def test_plant_is_described_in_ordinary_words(text, place):
    found = of_all(PLACES[place](text))
    supply, _, dryer = CASES["in_words"][text].partition(", ")
    assert (behind_a_label(found[0]) or Supplied(found[0], "")).supply == supply
    assert found[1] == dryer


@pytest.mark.parametrize("text", [t for t in CASES["in_words"] if ":" not in t.replace(" ;", "") and " : " not in t])
@pytest.mark.parametrize("place", ["side", "column"])
def test_a_supply_says_its_dryer(text, place):
    assert of_all(PLACES[place](text))[1] == CASES["in_words"][text].partition(", ")[2]


@pytest.mark.parametrize("text", CASES["undried"]["lines"])
def test_what_speaks_against_a_dryer_leaves_it_unstated(text):
    assert {of_all(rows(text))[1] for rows in PLACES.values()} <= {"", "none"}


def test_a_filter_under_a_heading_for_dryers_is_none():
    assert loose_word("dryer", "ads. filter") is loose_word("dryer", "Adsorptionsfilter") is None
    assert loose_word("dryer", "adsorption dryer, filter") == loose_word("dryer", "ads.") == "desiccant"


def test_a_system_named_before_its_supply():
    assert of_all(PLACES["system"]("Plant BA2 - airline, desiccant dryer"))[1] == "desiccant"
    assert of_all(PLACES["column"]("BA2 - line, desiccant dried"))[1] == "desiccant"
    assert of_all(PLACES["title"]("Plant BA2 - airline, desiccant dryer"))[1] == ""


def test_the_dryer_of_a_supply_column_is_none_where_the_sheet_speaks_against_it():
    rows = PLACES["column"]("BA main via desiccant dryer")
    assert of_all([*rows, "", "Dryer bypassed since Monday"])[1] == ""
    assert of_all([*rows[:2], rows[2].replace("desiccant", "refrigerant")])[1] in ("desiccant", "refrigerant")


def test_what_a_page_of_notes_says_of_all_holds_and_of_a_part_stops():
    assert log(["Read me", "Supply: airline, desiccant dryer"], TABLE) == ["airline, desiccant dryer", "desiccant"]
    title = ["Airline sets, desiccant dryer", "", *TABLE]
    assert log(title, ["Notes", "Readings are taken once a month"]) == ["airline", "desiccant"]
    assert log(title, ["Notes", "Bay 2 moved to its own compressor"]) == []


@pytest.mark.parametrize(
    ("heading", "line", "says"),
    [
        ("Cylinder no", "Air samples", ["cylinder"]),
        ("Flasche Nr.", "Stichproben", ["cylinder"]),
        ("N° bouteille", "Contrôle", ["cylinder"]),
        ("Cylinder no", "Supply | airline", ["airline"]),
        ("Cylinder no", "Filled by compressor 2", []),
        ("Cylinder no", "Airline hoods tested too", []),
        ("Outlet", "Air samples", []),
    ],
)
def test_what_was_tested_are_cylinders_where_their_heading_says_so(heading, line, says):
    assert log([line, "", TABLE[0].replace("Outlet", heading), *TABLE[1:]]) == says


TITLE = "Works North - airline sets, desiccant dryer"
AGAINST = CASES["against"]


@pytest.mark.parametrize("sheet", AGAINST["another_sheet"], ids=" / ".join)
@pytest.mark.parametrize("first", [True, False])
def test_another_sheet_speaks_against_a_title(sheet, first):
    name, *rows = sheet
    own = [TITLE, "", *TABLE]
    made = log(own, rows, names=("Sheet", name)) if first else log(rows, own, names=(name, "Sheet"))
    assert made == []


@pytest.mark.parametrize("line", AGAINST["below"])
def test_a_line_below_speaks_against_a_title(line):
    assert log([TITLE, "", *TABLE, "", line]) == []
    assert log([TITLE, line, "", *TABLE]) == []


@pytest.mark.parametrize("line", AGAINST["idle"])
def test_a_dryer_that_does_not_dry_is_none(line):
    assert log([TITLE, "", *TABLE, "", line]) == log([TITLE, "", *TABLE], ["Notes", line]) == []
    column = PLACES["column"]("BA main via desiccant dryer")
    assert of_all([*column, "", line])[1] == of_all([*PLACES["system"]("Airline, desiccant dryer"), "", line])[1] == ""


@pytest.mark.parametrize("line", AGAINST["harmless"])
def test_worn_parts_and_gear_speak_against_no_supply(line):
    assert log([TITLE, "", *TABLE], ["Notes", line]) == ["airline", "desiccant"]


@pytest.mark.parametrize("line", AGAINST["labelled_below"])
def test_a_label_below_speaks_against_a_title(line):
    assert log([TITLE, "", *TABLE, "", line]) == []


@pytest.mark.parametrize("line", AGAINST["above"])
def test_a_line_above_speaks_against_a_title(line):
    assert log([TITLE, line, "", *TABLE]) == []
    assert log([line, TITLE, "", *TABLE]) == []


@pytest.mark.parametrize("name", AGAINST["named"])
def test_the_name_of_its_sheet_speaks_against_a_title(name):
    assert log([TITLE, "", *TABLE], names=(name,)) == []


@pytest.mark.parametrize("name", AGAINST["outlets"])
def test_an_outlet_speaks_against_a_title(name):
    assert log([TITLE, "", *TABLE[:2], TABLE[2].replace("P2", name)]) == []


@pytest.mark.parametrize("sheet", AGAINST["agree"], ids=" / ".join)
def test_another_sheet_may_say_nothing_against_a_title(sheet):
    assert log([TITLE, "", *TABLE], sheet[1:], names=("Sheet", sheet[0])) == ["airline", "desiccant"]
