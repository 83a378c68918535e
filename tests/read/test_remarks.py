"""Remarks and places in words, each on a row that would pass: what they say, what costs nothing (common practice, no source)."""

import tomllib
from pathlib import Path

import openpyxl
import pytest

from grader import grade
from grader.read.words.said import LINE, against, alone_in_part, doubted, smells
from grader.read.words.said import ROW as OWN_ROW
from tests.read.test_comments import HEADS, ROW

BAD, FINE = "incomplete", "pass"
REMARKS = {
    # A reading in words is judged besides the one in its cell; the worse counts.
    **dict.fromkeys(
        ("CO 30 after 5 min", "CO was 30", "CO should be 30", "wrong, was 30", "peak CO 30 ppm", "spike to 30 ppm CO",
         "CO: not 1 but 15", "CO 1 → 15", "15 ppm", "rechecked: 30 ppm", "1st reading 1, 2nd 14", "O2 fell to 18,5 %",
         "second CO tube 25 ppm", "oil 3 mg/m³", "CO Spitze 30 ppm", "CO stieg auf 25 ppm", "pic de CO à 30 ppm",
         "flow dropped to 20 L/min", "Taupunkt ok, CO war 22", "used down to -45 in cold store"), BAD),
    **dict.fromkeys(
        ("CO limit 5 ppm", "span gas CO 50 ppm checked", "last visit CO 30", "tube range 5-150 ppm", "CO tube 10 strokes",
         "outside CO2 520", "CO alarm set at 30 ppm", "CO 2 ppm at the end", "O2 20,9 % CO 1 ppm CO2 450 ppm", "hose 20 m",
         "CO sensor replaced 12.03.2025"), FINE),
    # Short words, signs, passes with a condition.
    **dict.fromkeys(
        ("shut", "Zu!", "fermé", "??", "?", "NC", "it stank", "u/s", "kaputt", "⚠", "✗", "pass??", "pass - NOT",
         "ok apart from CO", "RAS sauf odeur", "passed subject to retest", "vorläufig", "not today", "relief valve blowing",
         "mixed up with P3", "figures taken at the compressor, not at the outlet", "Röhrchen schwarz bis zum Ende"), BAD),
    **dict.fromkeys(
        ("no leaks", "not shut", "all good", "near door", "filter changed", "coupling renewed", "two hoods", "checked twice",
         "keine Undichtigkeit", "rien à signaler", "see report 17", "nothing wrong"), FINE),
}  # fmt: skip
PLACES = {
    "Spray booth": FINE,
    "Bay (closed loop)": FINE,
    "CO 15": BAD,
    "?? not sure": BAD,
    "Hall 2, closed": FINE,
    "geschätzt": BAD,
}
OUTLETS = {"P2 (shut)": BAD, "P3 - NOT TESTED": BAD, "P4 ??": BAD, "P5 ✗": BAD, "P6 (north)": FINE, "P7 - yard": FINE}


@pytest.fixture(scope="module")
def verdicts(tmp_path_factory):
    """Text -> verdict of the row that it stands in."""
    folder = tmp_path_factory.mktemp("remarks")
    sheet = (book := openpyxl.Workbook()).active
    sheet.append([*HEADS, "Location", "Remarks"])
    for text in REMARKS:
        sheet.append([f"R{sheet.max_row}", *ROW[1:], "Hall", text])
    for text in PLACES:
        sheet.append([f"R{sheet.max_row}", *ROW[1:], text, None])
    for text in OUTLETS:
        sheet.append([text, *ROW[1:], "Hall", None])
    book.save(folder / "log.xlsx")
    found = grade(folder, as_of="2025-06-30").verdicts
    assert len(found) == len(REMARKS) + len(PLACES) + len(OUTLETS)
    return dict(zip([*REMARKS, *PLACES, *OUTLETS], found.sort_values("Row")["Verdict"]))


@pytest.mark.parametrize("text", [*REMARKS, *PLACES, *OUTLETS])
def test_what_words_say_of_their_row(verdicts, text):
    assert verdicts[text] == (REMARKS | PLACES | OUTLETS)[text]


SAID = tomllib.loads(Path(__file__).with_name("said_in_remarks.toml").read_text(encoding="utf-8"))
CASES = [
    (kind, text) for kind, some in SAID.items() for all_ in some.values() for text in " ".join(all_.split()).split("; ")
]


@pytest.mark.parametrize(("kind", "text"), CASES)
def test_what_the_words_of_a_remark_say(kind, text):
    assert bool(against(text, OWN_ROW) or smells(text) or alone_in_part(text) or doubted(text)) == (kind == "bad")


def test_a_remark_reaches_the_rows_that_repeat_it_and_those_it_is_merged_over(tmp_path):
    sheet = (book := openpyxl.Workbook()).active
    sheet.append([*HEADS, "Remarks"])
    said = (
        "shut off",
        "ditto",
        '"',
        "",
        '"',
        "oil smell",
        None,
        "fine",
        "wie oben",
        "foul air",
        "as above",
        "new hose",
        None,
    )
    for text in said:
        sheet.append([f"R{sheet.max_row}", *ROW[1:], text])
    sheet.merge_cells(start_row=7, end_row=8, start_column=14, end_column=14)
    sheet.merge_cells(start_row=13, end_row=14, start_column=14, end_column=14)
    sheet["O3"] = "} not released"
    sheet.merge_cells("O3:O5")
    book.save(tmp_path / "log.xlsx")
    found = grade(tmp_path, as_of="2025-06-30").verdicts.sort_values("Row")["Verdict"]
    assert [v != "pass" for v in found] == [
        True,
        True,
        True,
        True,
        False,
        True,
        True,
        False,
        False,
        True,
        True,
        False,
        False,
    ]


@pytest.mark.parametrize(
    "text",
    [
        "failed last month, repaired, retest open",
        "leaking, repaired by us tomorrow",
        "failed last year, repaired, back in service next week",
        "échoué l'an dernier, remis en service demain",
        "failed in 2024, repaired?",
        "leak repaired provisionally",
    ],
)
def test_what_is_mended_for_a_time_or_later_is_not_over(text):
    assert against(text, OWN_ROW)


@pytest.mark.parametrize(
    "text", ["check valve", "shut-off valve", "vanne d'arrêt", "check again next year", "J. Low", "M. High"]
)
def test_names_of_valves_and_people_are_no_trouble(text):
    assert not against(text, OWN_ROW) and not alone_in_part(text)


@pytest.mark.parametrize(
    "text", ["Oakfold Industrial Air Services, Unit 4", "Nord Industrieluft GmbH", "Air Industriel SARL"]
)
def test_a_firm_called_after_what_it_sells_says_nothing_of_the_air(text):
    assert not against(text, LINE)
    assert against(f"{text}: do not use", LINE)


@pytest.mark.parametrize("text", ["industrial air only", "Industrieluft", "air industriel, pas respirable"])
def test_air_for_tools_speaks_against_a_pass(text):
    assert against(text, LINE) and against(text)
