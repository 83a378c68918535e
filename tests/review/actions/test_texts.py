"""Every finding has words, causes and next steps, and they ask for nothing that is wrong there."""

from __future__ import annotations

import itertools
import string

import pytest

from grader.columns import DOUBTS, FIELDS, PARAMETERS
from grader.data import load_toml
from grader.judge import verdicts
from grader.review.actions import facts as action_facts
from grader.review.actions.findings import actions_table
from grader.words import words
from tests.review.actions.actions_tables import DAY1, frame, judged, only


def test_every_code_has_words_and_every_word_is_used():
    data, texts = load_toml("causes.toml"), words()
    causes = {c for entry in data["causes"] for c in entry["likely"]}
    levels = [c for codes in data["level"].values() for c in codes]
    assert sorted(levels) == sorted(causes)
    more = {c for part in ("doubt_causes", "kind_causes") for codes in data[part].values() for c in codes}
    stale = {f"{name}_used" for name in action_facts.STALE}
    assert causes | more | stale == set(texts["action_cause"])
    steps = {c for entry in data["causes"] for c in entry["check"]}
    general = {
        "out_of_use",
        "out_of_use_system",
        "out_of_use_site",
        "keep_locked",
        "keep_out",
        "cleared",
        "cleared_incomplete",
        "whole_retest",
        "sooner",
    }
    origins = {c for o in data["origin"].values() for part in ("instead", "check", "steps") for c in o.get(part, ())}
    assert steps | general | origins == set(texts["action_step"])
    assert set(DOUBTS[1:]) == set(data["doubt_causes"])
    assert set(DOUBTS[1:]) | set(data["kind_causes"]) == set(texts["action_todo"])


def test_every_side_of_every_parameter_has_causes_and_checks_for_every_supply_and_dryer():
    sides = {
        "Odour": ["words"],
        "Oxygen": ["low", "high"],
        "Carbon monoxide": ["high"],
        "Carbon dioxide": ["high"],
        "Oil": ["high"],
        "Water": ["high", "liquid", "cold"],
        "Flow": ["low", "high"],
        "Line pressure": ["low", "high"],
    }
    assert {PARAMETERS[key].name for key in verdicts.JUDGED} == set(sides)
    entries = load_toml("causes.toml")["causes"]
    supplies = [*FIELDS["supply"].words, ""]
    dryers = [*FIELDS["dryer"].words, ""]
    used = set()
    for name, all_sides in sides.items():
        for side, supply, dryer in itertools.product(all_sides, supplies, dryers):
            at = next(
                i
                for i, e in enumerate(entries)
                if e["parameter"] == name
                and e["direction"] == side
                and supply in e.get("supply", supplies)
                and dryer in e.get("dryer", dryers)
            )
            used.add(at)
            assert entries[at]["likely"] and entries[at]["check"]
            assert set(entries[at]["check"]) - set(load_toml("causes.toml")["only_where_failed"])
    assert used == set(range(len(entries)))


# What the advice must not say, or must (common practice, no source)


def test_what_a_failing_charging_compressor_filled_is_held_back():
    """The air is in the cylinders by the time the test fails; one that meets its limit only just holds back nothing."""
    base = {"supply": "charging compressor", "dryer": None, "nominal_pressure_bar": None, "line_pressure_bar": None,
            "water_tube_mg_m3": 10.0}  # fmt: skip
    for bad in ({"co_ppm": 9.0}, {"co2_ppm": 900.0}, {"oil_mg_m3": 2.0}, {"oxygen_pct": 17.0}, {"oxygen_pct": 24.0},
                {"odour": "marked"}, {"water_tube_mg_m3": 60.0}, {"liquid_water": "seen"}):  # fmt: skip
        steps = list(frame({**base, **bad})["Next step"])
        assert any("Set aside every cylinder filled since" in s for s in steps), (bad, steps)
    near = only({**base, "co_ppm": 5.0})
    assert near["Verdict"] == "near limit" and "Set aside" not in near["Next step"]


def test_a_cylinder_or_oxygen_near_its_limit_is_not_told_to_be_out_of_use():
    oxygen = only({"oxygen_pct": 20.1})
    assert oxygen["Verdict"] == "near limit" and "Never breathe" not in oxygen["Next step"]
    assert oxygen["Next step"].startswith("Check the sensor in open air")
    assert "Never breathe from it." in only({"oxygen_pct": 17.0})["Next step"]
    odour = only({"supply": "cylinder", "dryer": None, "odour": "slight", "nominal_pressure_bar": 200.0,
                  "line_pressure_bar": 190.0, "water_tube_mg_m3": 10.0})  # fmt: skip
    assert odour["Verdict"] == "near limit" and "Set aside" not in odour["Next step"]


def test_nobody_is_asked_to_state_another_temperature_than_the_one_stated():
    """A fail is not mended by writing a warmer lowest use temperature; only a missing one is asked for."""
    wet = {"dryer": "none", "water_tube_mg_m3": 90.0, "water_multiplier": 10.0, "ambient_temperature_c": 5.0}
    stated = frame({**wet, "lowest_use_temperature_c": 5.0}).iloc[0]
    assert stated["Verdict"] == "fail"
    assert "lowest" not in stated["Likely causes"] and "lowest use" not in stated["Next step"]
    missing = frame({**wet, "lowest_use_temperature_c": None, "ambient_temperature_c": None}).iloc[0]
    assert missing["Verdict"] == "fail" and "write it as lowest use temperature" in missing["Next step"]
    assert "lowest temperature of use not stated" in missing["Likely causes"]


def test_without_a_dryer_no_dryer_is_blamed():
    mild = {"dryer": "none", "water_tube_mg_m3": 90.0, "water_multiplier": 10.0, "lowest_use_temperature_c": None,
            "airline_temperature_c": 33.0}  # fmt: skip
    found = frame({**mild, "test_date": DAY1, "ambient_temperature_c": 6.0}, {**mild, "ambient_temperature_c": 33.0})
    warm = found[found["Finding"].str.contains("only while")].iloc[0]
    assert "the dryer was chosen for" not in warm["Likely causes"] and "no dryer" in warm["Likely causes"]


def test_the_texts_ask_only_for_what_is_filled_in():
    known = {
        "chance",
        "far",
        "low",
        "high",
        "unit",
        "line",
        "text",
        "name",
        "n",
        "reading",
        "limit",
        "dew",
        "why",
        "names",
        "safe",
        "colder",
        "finding",
        "day",
        "by",
        "figure",
        "tested",
        "system",
        "systems",
        "bad",
        "hours",
        "origin",
        "reference",
        "month",
        "part",
    }
    for section in (s for s in words() if s.startswith("action")):
        for text in words()[section].values():
            assert {field for _, field, _, _ in string.Formatter().parse(text) if field is not None} <= known


def test_a_failed_outlet_is_out_of_use_first_and_cleared_last():
    found = frame({"co_ppm": 9}, {"outlet": "Bay 2", "odour": "marked"}, {"outlet": "Bay 3", "flow_l_min": 90})
    assert found["Next step"].str.startswith("Out of use for breathing now.").all()
    assert found["Next step"].str.contains("competent person").all()


def test_an_unknown_language_is_refused():
    with pytest.raises(KeyError, match="xx"):
        actions_table(judged([{}]), language="xx")
