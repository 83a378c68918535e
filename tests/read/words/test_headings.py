"""Headings of firms' own logs against a table of cases (headings_cases.toml), and the data files.

What headings mean is common practice of the trade, no source. What must not be guessed follows the design:
water without a further word is the tube reading, a pressure dew point needs its pressure stated.
"""

import tomllib
from collections import defaultdict
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grader.columns import FIELDS
from grader.data import load_toml
from grader.read.words.heading_words import (
    CERTAIN,
    LIKELY,
    UNSURE,
    _spellings,
    heading_languages,
    heading_words,
    key,
    others,
)
from grader.read.words.headings import kind_of, understand
from grader.read.words.spelling import tidy

CASES = tomllib.loads((Path(__file__).parent / "headings_cases.toml").read_text(encoding="utf-8"))
UNDERSTOOD = [(t, f, u) for group in ("english", "german", "french") for t, (f, u) in CASES[group].items()]
AT = "dew_point_measured_at_bar"


@pytest.mark.parametrize(("text", "field", "unit"), UNDERSTOOD)
def test_heading_is_understood(text, field, unit):
    found = understand(text)
    assert (found.field, found.unit) == (field, unit or None)
    assert found.sure in (CERTAIN, LIKELY) and found.basis and found.candidates == (field,)
    assert found.unit_from == ("heading" if unit else "")


@pytest.mark.parametrize(("text", "candidates"), CASES["unclear"].items())
def test_unclear_heading_gives_candidates_and_no_field(text, candidates):
    found = understand(text)
    assert found.field is None and found.unit is None and found.sure == UNSURE
    assert set(candidates) <= set(found.candidates) and found.why


@pytest.mark.parametrize("text", CASES["nothing"])
def test_a_heading_of_something_else_is_nothing(text):
    found = understand(text)
    assert (found.field, found.candidates) == (None, ()) and found.why


def test_there_are_enough_cases():
    assert len(UNDERSTOOD) >= 150 and {f for _, f, _ in UNDERSTOOD} > {f.name for f in FIELDS.values() if f.reading}


@pytest.mark.parametrize("name", FIELDS)
def test_every_heading_of_the_blank_means_itself(name):
    found = understand(FIELDS[name].heading)
    assert (found.field, found.unit, found.basis, found.sure) == (
        name,
        FIELDS[name].unit or None,
        "heading exact",
        CERTAIN,
    )


@pytest.mark.parametrize("name", FIELDS)
def test_english_has_every_field(name):
    """By its field table or by a pattern, besides the heading of the blank."""
    assert name in {field for _, field, _ in _spellings(load_toml("headings-en.toml"))}


def test_every_synonym_means_its_one_field_in_all_languages():
    for spelled, fields in heading_words().meanings.items():
        assert len(fields) == 1, (spelled, fields)


def test_no_synonym_is_ambiguous_too():
    words = heading_words()
    assert set(words.meanings) & set(words.ambiguous) == set()
    assert set(words.meanings) & set(others()) == set()


@pytest.mark.parametrize("language", heading_languages())
def test_a_language_file_names_only_fields_that_exist_and_lists_nothing_twice(language):
    data = load_toml(f"headings-{language}.toml")
    named = set(data["fields"]) | set(data["at_atmosphere"]) | {f for c in data["ambiguous"] for f in c.split()}
    assert named <= set(FIELDS)
    assert {how for entry in data["fields"].values() for how in entry} <= {"synonyms", "abbreviations", "loose"}
    seen = defaultdict(list)
    for field, entry in data["fields"].items():
        for spellings in entry.values():
            for spelling in spellings:
                seen[spelling].append(field)
    assert {s: f for s, f in seen.items() if len(f) > 1} == {}


def test_every_language_offers_every_list():
    """A language is only data: the same tables in each file."""
    english = load_toml("headings-en.toml")
    for language in heading_languages():
        data = load_toml(f"headings-{language}.toml")
        assert set(data) == set(english)
        for table in ("words", "others", "patterns", "substances"):
            assert set(data[table]) == set(english[table]), (language, table)


@pytest.mark.parametrize(
    ("text", "below", "field", "unit"),
    [
        ("Carbon monoxide", "ppm", "co_ppm", "ppm"),
        ("CO", "[ppm]", "co_ppm", "ppm"),
        ("CO", "in ppm", "co_ppm", "ppm"),
        ("CO", "(max. 5 ppm)", "co_ppm", "ppm"),
        ("Line pressure", "bar (g)", "line_pressure_bar", "bar"),
        ("Water", "mg/m³", "water_tube_mg_m3", "mg/m³"),
        ("Water (mg/m³)", "mg/m3", "water_mg_m3", "mg/m³"),
        ("Flow", "l/min.", "flow_l_min", "L/min"),
        ("CO (ppm)", "ppm", "co_ppm", "ppm"),
        ("Outlet", "-", "outlet", None),
        ("CO", "–", "co_ppm", None),
        ("Oil", " ", "oil_mg_m3", None),
        ("Flow", "needed (l/min)", "flow_needed_l_min", "L/min"),
        ("Pressure", "required / bar", "lowest_pressure_bar", "bar"),
        ("CO tube", "lot", "co_tube_lot", None),
    ],
)
def test_second_heading_row(text, below, field, unit):
    found = understand(text, unit_below=below)
    assert (found.field, found.unit) == (field, unit)


@pytest.mark.parametrize(
    ("text", "below", "candidate"),
    [
        ("CO (ppm)", "mg/m³", "co_ppm"),
        ("CO", "bar", "co_ppm"),
        ("Pressure", "bar", "line_pressure_bar"),
        ("Oil", "see note", "oil_mg_m3"),
        ("CO", "limit", "co_ppm"),
        ("Limit", "CO ppm", "co_ppm"),
    ],
)
def test_second_heading_row_that_contradicts_gives_no_field(text, below, candidate):
    found = understand(text, unit_below=below)
    assert found.field is None and candidate in found.candidates


def test_the_second_row_is_named_as_the_source_of_the_unit():
    assert understand("CO", unit_below="ppm").unit_from == "second row"
    assert understand("CO (ppm)", unit_below="ppm").unit_from == "heading"


@pytest.mark.parametrize(
    ("text", "bar"),
    [
        ("PDP @ 7 bar (°C)", 7.0),
        ("PDP (°C) @ 7 bar", 7.0),
        ("PDP (7 barg) °C", 7.0),
        ("Pressure dew point °C (at 7,5 bar)", 7.5),
        ("Dew point (°C) at 100 psi", 6.894757),  # NIST SP 811, B.8: psi = 6.894757 kPa (from memory)
        ("Drucktaupunkt bei 10 bar [°C]", 10.0),
        ("Atmospheric dew point °C", 0.0),
        ("ADP (°C)", 0.0),
        ("Dew point at 1 atm (°C)", 0.0),
        ("Taupunkt atmosphärisch (°C)", 0.0),
    ],
)
def test_a_dew_point_heading_may_state_its_pressure(text, bar):
    found = understand(text)
    assert (found.field, found.unit) == ("dew_point_measured_c", "°C")
    assert dict(found.constants) == {AT: pytest.approx(bar, abs=1e-6)}


@pytest.mark.parametrize("text", ["PDP (°C)", "Pressure dew point (°C)", "Dew point measured (°C)", "Drucktaupunkt"])
def test_a_dew_point_without_a_figure_gets_no_pressure(text):
    """Never the row's line pressure: behind a reducer the meter would make the air look dry."""
    found = understand(text)
    assert found.field == "dew_point_measured_c" and found.constants == ()


@pytest.mark.parametrize(
    "text", ["PDP @ worst pressure (°C)", "PDP @ 7 furlongs", "CO (ppm at 7 bar)", "Dew point °C (20 °C)"]
)
def test_a_condition_that_is_not_understood_gives_no_field(text):
    assert understand(text).field is None


def test_lacks_unit_names_the_columns_that_cannot_be_read():
    assert understand("Water").lacks_unit and understand("Line pressure").lacks_unit and understand("Oil").lacks_unit
    assert not understand("CO").lacks_unit and not understand("Oxygen").lacks_unit
    assert not understand("Water (ppm)").lacks_unit and not understand("Outlet").lacks_unit
    assert not understand("Pressure").lacks_unit


def test_sureness():
    assert understand("Carbon monoxide (ppm)").basis == "heading exact"
    assert understand("Oxygen content %")[2:4] == ("synonym", CERTAIN)
    assert understand("CO [ppm]")[2:4] == ("abbreviation", CERTAIN)
    assert understand("Flow (L/min)")[2:4] == ("synonym", LIKELY)
    assert understand("CO")[2:4] == ("abbreviation", LIKELY)
    assert understand("CO reading (ppm)").sure == LIKELY


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("Unit", "unit"),
        ("Units:", "unit"),
        ("Einheit", "unit"),
        ("Unité", "unit"),
        ("Limit values", "limit"),
        ("Grenzwert", "limit"),
        ("Parameter", "parameter"),
        ("Measured value", "value"),
        ("Messwert", "value"),
        ("Pass / Fail", "verdict"),
        ("No.", "number"),
        ("Oxygen", None),
        ("Outlet", None),
    ],
)
def test_columns_of_another_kind(text, kind):
    assert kind_of(text) == kind


@pytest.mark.parametrize(
    ("text", "plain"),
    [
        (" 1. CO₂\u00a0\n(mL/m³)*: ", "CO2 (mL/m3)"),
        ("Carbon mon-\n oxide", "Carbon monoxide"),
        ("m^3", "m3"),
        ("ºC", "°C"),
        ("O²", "O2"),
        ("1.5 bar", "1.5 bar"),
        ("a) Oil", "Oil"),
        ("'Flow'", "Flow"),
    ],
)
def test_tidy(text, plain):
    assert tidy(text) == plain


def test_key_folds_accents_dashes_and_case():
    assert key("Débit-Mesuré") == key("debit mesure") and key("Öl") == "ol" and key("CO2") != key("CO")


@settings(deadline=None, max_examples=300)
@given(st.text(max_size=60), st.text(max_size=12))
def test_any_text_gives_an_answer_that_holds_together(text, below):
    found = understand(text, unit_below=below)
    assert (found.field is None) == (found.sure == UNSURE) and found.why
    if found.field:
        assert found.candidates == (found.field,)


@settings(deadline=None, max_examples=200)
@given(
    st.sampled_from(["Carbon monoxide", "CO", "Oxygen", "Oil mist", "Water content", "Required flow", "Line pressure"]),
    st.sampled_from(
        [
            "{} ({})",
            "{} [{}]",
            "{} / {}",
            "{}, {}",
            "{} in {}",
            "{} {}",
            "{}\n({})",
            "{}:\u00a0{}",
            "{} - {}",
            "{}_{}",
            "({1}) {0}",
        ]
    ),
    st.sampled_from([str.upper, str.lower, str.title, str]),
)
def test_ways_of_writing_the_unit_are_the_same(words, way, case):
    """The unit in brackets, behind a slash, a comma, "in" or nothing, in any case, changes nothing."""
    field = understand(words).field
    unit = FIELDS[field].unit
    found = understand(case(way.format(words, unit)))
    assert (found.field, found.unit) == (field, unit)


@settings(deadline=None, max_examples=200)
@given(
    st.sampled_from(["CO", "CO2", "Oil", "Flow", "Water", "Oxygen"]),
    st.sampled_from(["limit", "max", "average", "before", "2", "old", "calculated", "x10", "alarm"]),
)
def test_a_further_word_is_never_overlooked(words, further):
    """A limit or a mean must not be read as the reading."""
    for text in (f"{words} {further}", f"{further} {words}", f"{words} ({further})"):
        found = understand(text)
        assert found.field is None, text


def test_a_page_of_text_below_a_heading_is_no_unit_and_costs_nothing():
    """A cell of 45,000 characters in the second row took minutes: it is told by its length, before it is searched."""
    found = understand("Carbon monoxide", unit_below="5 ppm max of (it) " * 2500)
    assert found.field is None and found.why == "too long for a heading"
