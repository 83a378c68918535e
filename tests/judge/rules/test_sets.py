"""Rule sets against published limits; names; and the table of limits.

limits_published.csv holds one row a published figure, with how sure it is (confirmed: two independent pages
or the law itself; single: one page; memory; common practice). Its columns from rule_set on say where the row
stands here, and the figure as printed (-50 °F) where value_low and value_high are rounded conversions.
"""

from __future__ import annotations

import csv
import math
import subprocess
import sys
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from grader.judge.rules import sets as rulesets
from grader.judge.rules.entry import water_ppm_to_mg_m3
from grader.judge.rules.limit import Limit, compare
from grader.judge.rules.sets import (
    UnknownRuleSet,
    editions,
    limits_table,
    load_ruleset,
    normalise_name,
    resolve_edition,
    rule_ids,
)

PUBLISHED = list(
    csv.DictReader(Path(__file__).parents[1].joinpath("limits_published.csv").read_text(encoding="utf-8").splitlines())
)
IDS = sorted({r["rule_set"] for r in PUBLISHED})


def number(text: str) -> float | None:
    return float(text) if text else None


def same(a: float | None, b: float | None) -> bool:
    return a is b is None or (a is not None and b is not None and math.isclose(a, b, rel_tol=1e-9))


def converted(value: float | None, row: dict[str, str]) -> float | None:
    """The printed figure in the judged unit, by the units' definitions and not by the code under test."""
    if value is None:
        return None
    if row["printed_unit"] == "°F":
        return value * 5 / 9 if row["our_parameter"] == "Dew point margin" else (value - 32) * 5 / 9
    if row["printed_unit"] == "ppm" and row["our_parameter"] == "Water":
        return value * 18.015268 * 101325.0 / (8.314462618 * 293.15) / 1000.0
    return value


def matching(row: dict[str, str]) -> list[Limit]:
    """The limits that a rule set states itself for a published row."""
    supplies = tuple(row["supply"].split("+")) if row["supply"] else ()
    key = (supplies, number(row["over_bar"]), number(row["to_bar"]), row["temperature"], row["purity_class"])
    return [
        x
        for x in load_ruleset(row["rule_set"]).limits
        if x.origin == row["rule_set"] and x.parameter == row["our_parameter"] and x.key == key
    ]


LIMIT_ROWS = [r for r in PUBLISHED if not r["our_parameter"].startswith("not covered")]
ABSENT_ROWS = [r for r in PUBLISHED if r["our_parameter"].startswith("not covered")]


def label(row: dict[str, str]) -> str:
    return f"{row['rule_set']}-{row['our_parameter']}-{row['printed_low']}-{row['printed_high']}"


@pytest.mark.parametrize("row", LIMIT_ROWS, ids=label)
def test_limit_is_the_published_one(row):
    """Each row of limits_published.csv (sources and confidence in its own columns)."""
    [limit] = matching(row)
    assert limit.confidence == row["confidence"]
    assert limit.document and limit.edition and limit.clause
    if row["limit_kind"] == "none-detectable":
        assert limit.kind == "words" and "none" in limit.allowed and "marked" not in limit.allowed + limit.near
        return
    low, high = number(row["printed_low"]), number(row["printed_high"])
    assert same(limit.stated_low, low) and same(limit.stated_high, high)
    assert limit.stated_unit == row["printed_unit"]
    assert same(limit.low, converted(low, row)) and same(limit.high, converted(high, row))
    # The reference's own conversion, as far as it was rounded (one degree for CSA, hundredths elsewhere).
    if row["printed_unit"] == "°F":
        assert limit.low is None or abs(limit.low - float(row["value_low"])) < 0.005
        assert limit.high is None or abs(limit.high - float(row["value_high"])) < 0.5
    at = {"water_pdp": "line", "water_dp_1atm": "1 atm", "water": "content"}.get(row["parameter"], "")
    assert limit.at == at


@pytest.mark.parametrize("row", ABSENT_ROWS, ids=label)
def test_substance_without_a_column_is_named_with_its_published_limit(row):
    """Each row of limits_published.csv that the workbook has no column for."""
    name = row["our_parameter"].removeprefix("not covered: ")
    [absent] = [x for x in load_ruleset(row["rule_set"]).not_covered if x.substance == name]
    assert (absent.low, absent.high) == (number(row["value_low"]), number(row["value_high"]))
    assert absent.unit == row["printed_unit"] and absent.confidence == row["confidence"]


@pytest.mark.parametrize("rule_id", IDS)
def test_every_limit_has_a_published_row(rule_id):
    """No figure stands in a rule file that limits_published.csv does not hold."""
    found = [matching(r)[0] for r in LIMIT_ROWS if r["rule_set"] == rule_id]
    own = [x for x in load_ruleset(rule_id).limits if x.origin == rule_id]
    assert len(found) == len(own) and all(x in found for x in own)


def test_water_by_volume_to_mass_is_the_gas_law():
    """Water 18.015268 g/mol (IAPWS R6-95), R of CODATA 2018: 1.33526 ppm per mg/m³ at 20 °C, 1013.25 hPa."""
    assert 1 / water_ppm_to_mg_m3(18.015268) == pytest.approx(1.33526, abs=5e-6)


# --- the sets ---


def test_every_rule_file_has_published_figures_and_its_own_id():
    assert rule_ids() == IDS and len(IDS) >= 9
    assert [load_ruleset(i).id for i in IDS] == IDS


@pytest.mark.parametrize("rule_id", IDS)
def test_set_is_complete_and_loaded_once(rule_id):
    rules = load_ruleset(rule_id)
    assert rules is load_ruleset(rule_id)
    assert rules.document and rules.edition and rules.title and not rules.own
    assert len(rules.sha256) == 64 and int(rules.sha256, 16) >= 0
    assert rules.superseded_by in ("", *IDS)
    assert rules.flag_percent("Oil") == 10 and rules.flag_percent("Carbon dioxide") == 25
    if not rules.information_only:
        assert set(rules.demanded) == {
            "Odour", "Oxygen", "Carbon monoxide", "Carbon dioxide", "Oil", "Water"
        }  # fmt: skip
    for limit in rules.limits:
        assert limit.supplies and set(limit.supplies) <= set(rules.supplies)
        assert limit.judges == (not limit.why_not)


def test_dates_and_intervals():
    """Years as printed on the editions. HSG53 and NFPA 1989: quarterly; CSA Z180.1-M85, 4.3.8: six months."""
    assert load_ruleset("en12021-2014").in_force_from == date(2014, 1, 1)
    old = load_ruleset("en12021-1998")
    assert (old.in_force_from, old.superseded_from) == (date(1998, 1, 1), date(2014, 1, 1))
    assert old.superseded_by == load_ruleset("en12021-1998-uk").superseded_by == "en12021-2014"
    months = {i: load_ruleset(i).interval_months for i in IDS}
    assert months == dict.fromkeys(IDS, None) | {
        "csa-z180.1-m85": 6, "nfpa1989-2019": 3, "en12021-1998": 3, "en12021-1998-uk": 3, "en12021-2014": 3
    }  # fmt: skip


def test_memory_never_judges():
    """The airline water table of EN 12021:2014 is remembered: shown, and judging nothing."""
    rules = load_ruleset("en12021-2014")
    table = [x for x in rules.limits if x.confidence == "memory"]
    assert [(x.to_bar, x.high) for x in table] == [
        (5, 290), (10, 160), (15, 110), (20, 80), (25, 65), (30, 55), (40, 50)
    ]  # fmt: skip
    assert not any(x.judges for x in table) and all("memory" in x.why_not for x in table)
    assert rules.limits_for("Water", "airline") == ()
    assert all(x.confidence != "memory" for i in IDS for x in load_ruleset(i).limits_for())


def test_information_only_judges_nothing():
    rules = load_ruleset("iso8573-1-2010")
    assert rules.information_only and len(rules.limits) == 10 and rules.limits_for() == ()
    assert [i for i in IDS if load_ruleset(i).information_only] == ["iso8573-1-2010"]


def test_uk_overlay_changes_carbon_monoxide_only():
    """Common practice, no source: 5 ppm in the United Kingdom where EN 12021:1998 printed 15 ppm."""
    uk, base = load_ruleset("en12021-1998-uk"), load_ruleset("en12021-1998")
    [co] = uk.limits_for("Carbon monoxide")
    assert co.high == 5 and co.confidence == "common practice" and "15 ppm" in co.replaces
    rest = [x for x in uk.limits if x.parameter != "Carbon monoxide"]
    assert rest == [x for x in base.limits if x.parameter != "Carbon monoxide"]
    assert {x.document for x in rest} == {"EN 12021"}
    assert uk.not_covered == base.not_covered


def test_gaps_are_what_a_set_does_not_state():
    """CSA M85 and Norway state no oxygen here, CSA no odour, Grade E no water for an airline."""
    assert {(p, s) for p, s in load_ruleset("csa-z180.1-m85").gaps()} == {
        (p, s) for p in ("Oxygen", "Odour") for s in ("airline", "charging compressor", "cylinder")
    }
    assert {p for p, _ in load_ruleset("norway-filling-plant").gaps()} == {"Oxygen"}
    assert load_ruleset("cga-grade-e").gaps() == [("Water", "airline")]
    for rule_id in ("en12021-2014", "en12021-1998", "en12021-1998-uk", "osha-grade-d", "nfpa1989-2019"):
        assert load_ruleset(rule_id).gaps() == []


# --- names ---


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("en12021-2014", "en12021-2014"),
        ("EN 12021:2014", "en12021-2014"),
        ("BS EN 12021:2014", "en12021-2014"),
        ("bs-en-12021-2014", "en12021-2014"),
        ("DIN EN 12021-2014", "en12021-2014"),
        ("DIN EN 12021:2014-07", "en12021-2014"),
        ("NF EN 12021 (2014)", "en12021-2014"),
        ("EN\u00a012021\u20112014", "en12021-2014"),
        ("EN12021", "en12021"),
        ("BS EN 12021", "en12021"),
        ("BS EN 12021:1999", "en12021-1998"),
        ("EN 12021:1998 UK", "en12021-1998-uk"),
        ("29 CFR 1910.134", "osha-grade-d"),
        ("OSHA Grade D", "osha-grade-d"),
        ("CGA Grade E", "cga-grade-e"),
        ("NFPA 1989 2019", "nfpa1989-2019"),
        ("NFPA 1989", "nfpa1989"),
        ("CSA Z180.1-M85", "csa-z180.1-m85"),
        ("Norway filling plant", "norway-filling-plant"),
        ("ISO 8573-1:2010", "iso8573-1-2010"),
        ("EN 12012", None),
        ("12021", None),
        ("EN 12021:2015", None),
        ("EN 12021:2014 UK", None),
        ("", None),
        ("bs", None),
        (None, None),
        (float("nan"), None),
        (12021, None),
    ],
)
def test_name(written, meant):
    assert normalise_name(written) == meant


@pytest.mark.parametrize(("written", "near"), [("EN 12012:2014", "en12021-2014"), ("osha grade b", "osha-grade-d")])
def test_unknown_name_is_never_the_default_and_names_the_nearest(written, near):
    for call in (load_ruleset, lambda name: resolve_edition(name, np.array(["2024-01-01"], "datetime64[D]"))):
        with pytest.raises(UnknownRuleSet) as caught:
            call(written)
        assert near in caught.value.nearest and near in str(caught.value) and written in str(caught.value)


def test_name_like_none_lists_all():
    with pytest.raises(UnknownRuleSet) as caught:
        load_ruleset("?")
    assert caught.value.nearest == [] and all(i in str(caught.value) for i in IDS)


def test_name_without_edition_cannot_be_loaded_alone():
    assert editions("en12021") == ("en12021-1998", "en12021-2014") and editions("en12021-2014") == ()
    with pytest.raises(UnknownRuleSet, match="names no edition") as caught:
        load_ruleset("EN 12021")
    assert caught.value.nearest == ["en12021-1998", "en12021-2014"]


def test_edition_in_force_on_the_day():
    days = np.array(["1997-12-31", "1998-01-01", "2013-12-31", "2014-01-01", "2030-05-05", "NaT"], "datetime64[ns]")
    assert list(resolve_edition("BS EN 12021", days)) == [
        "", "en12021-1998", "en12021-1998", "en12021-2014", "en12021-2014", "en12021-2014"
    ]  # fmt: skip
    assert set(resolve_edition("EN 12021:1998", days)) == {"en12021-1998"}
    assert resolve_edition("EN 12021", days[:0]).shape == (0,)


def test_superseded_family_gives_no_edition_after_its_end():
    """CSA Z180.1: only M85 is held, superseded by that of 2000 (limits_published.csv: M85 superseded)."""
    days = np.array(["1984-12-31", "1999-12-31", "2000-01-01", "NaT"], "datetime64[D]")
    assert list(resolve_edition("CSA Z180.1", days)) == ["", "csa-z180.1-m85", "", ""]


# --- how limits compare ---


def limit(**changes):
    return Limit("Oxygen", "range", **changes)


@pytest.mark.parametrize(
    ("new", "old", "verdict"),
    [
        (limit(low=20, high=22), limit(low=20, high=22), "same"),
        (limit(low=20.5, high=22), limit(low=20, high=22), "stricter"),
        (limit(low=20.5, high=23), limit(low=20, high=22), "looser"),
        (limit(low=19.5), limit(low=19.5, high=23.5), "looser"),
        (limit(low=19.5, high=23.5), limit(high=23.5), "stricter"),
        (limit(high=0.1 + 0.2), limit(high=0.3), "same"),
        (limit(low=5, at="1 atm"), limit(low=5, at="line"), "different"),
        (limit(low=5, reference="ambient"), limit(low=5, reference="lowest use"), "different"),
        (Limit("Odour", "words", allowed=("none",)), Limit("Odour", "words", allowed=("none", "slight")), "stricter"),
        (
            Limit("Odour", "words", allowed=("none",), near=("slight",)),
            Limit("Odour", "words", allowed=("none",)),
            "looser",
        ),
    ],
)
def test_compare(new, old, verdict):
    assert compare(new, old) == verdict


# --- the table of limits ---


def test_limits_table_has_the_columns_and_words():
    rows = limits_table([load_ruleset("en12021-2014"), load_ruleset("osha-grade-d")])
    assert list(rows[0])[:11] == [
        "Rule set", "Document", "Edition", "Clause", "Parameter", "Condition", "Limit", "Unit",
        "Source confidence", "Judges", "Note",
    ]  # fmt: skip
    assert all(isinstance(v, str) for r in rows for v in r.values())
    told = {(r["Rule set"], r["Parameter"], r["Condition"]): r["Limit"] for r in rows}
    en, osha = "en12021-2014", "osha-grade-d"
    margin = told[en, "Dew point margin", "airline, temperature of use known"]
    assert margin == "at least 5 K below the lowest use temperature"
    assert told[en, "Oxygen", "all supplies"] == "20 to 22 %"
    assert told[en, "Water", "cylinder, above 40 bar up to 200 bar"] == "at most 50 mg/m³"
    assert (
        told[en, "Pressure dew point", "airline, temperature of use not known"] == "not above -11 °C at line pressure"
    )
    assert told[en, "Odour", "all supplies"] == "none passes; slight is near the limit; anything else fails"
    assert told[en, "any other contaminant", "not covered"] == "at most 0.1 of the national 8 h exposure limit"
    assert (
        told[osha, "Dew point at one atmosphere", "charging compressor and cylinder"]
        == "not above -50 °F (-45.56 °C) at one atmosphere"
    )
    assert "10 °F (5.56 K) below the ambient temperature" in told[osha, "Dew point margin", "airline"]


def test_limits_table_says_what_does_not_judge():
    rows = limits_table([load_ruleset(i) for i in IDS])
    for row in rows:
        assert row["Judges"] == "yes" or row["Judges"].startswith("no: ")
        if row["Source confidence"] == "memory" or row["Condition"] == "not covered":
            assert row["Judges"] != "yes"
    silent = {(r["Rule set"], r["Parameter"], r["Condition"]) for r in rows if r["Limit"] == "none stated"}
    assert silent == {
        ("csa-z180.1-m85", "Odour", "every supply"), ("csa-z180.1-m85", "Oxygen", "every supply"),
        ("norway-filling-plant", "Oxygen", "every supply"), ("cga-grade-e", "Water", "airline"),
    }  # fmt: skip


def test_import_stays_light():
    """`grader limits` starts without pandas and numpy."""
    code = "import sys, grader.judge.rules.sets as r; r.limits_table(map(r.load_ruleset, r.rule_ids()))"
    code += "; print([m for m in ('pandas', 'numpy', 'scipy') if m in sys.modules])"
    root = Path(rulesets.__file__).parents[3]
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=root)
    assert done.stdout.strip() == "[]"
