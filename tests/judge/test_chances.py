"""Chances of being beyond a limit, near limit, guard band: against the worked numbers of the guides."""

from __future__ import annotations

import numpy as np
import pytest

from grader.batch import Options, judged
from grader.columns import CANNOT_TELL, FAIL, NEAR_LIMIT, NO_LIMIT, PARAMETERS, PASS, READ, TEST_WORDS
from grader.decided import WHY_GUARD_BAND
from grader.judge.chances import Closeness, chance_beyond
from grader.judge.limits_on import Applied, judge_interval
from grader.judge.uncertainty import Standard, standards
from tests.support import AIRLINE, CHARGING, CYLINDER, VISIT, graded, log_of

NAN = np.nan
KEYS = ("oxygen", "co", "co2", "oil", "water", "flow", "pressure")

# JCGM 106:2012. Inputs and results of the first three from memory; each reproduces the remembered result to its
# printed digits, which makes the inputs plausible, no more.
JCGM_106 = [
    ("breakdown voltage, upper limit -5.40 V", -5.47, 0.05, NAN, -5.40, 0.92),
    ("burst pressure, lower limit 490 kPa", 509.7, 8.6, 490.0, NAN, 0.99),
    ("oil viscosity, 12.5 to 16.3 mm2/s", 13.6, 1.8, 12.5, 16.3, 0.66),
]


@pytest.mark.parametrize("name,value,u,low,high,conforms", JCGM_106, ids=[c[0] for c in JCGM_106])
def test_conformance_probabilities_of_jcgm_106(name, value, u, low, high, conforms):
    assert round(1.0 - float(chance_beyond(value, u, low, high)), 2) == conforms


def test_road_speed_of_jcgm_106():
    """Limit 100 km/h, relative u 2 %: at 107 km/h the limit is exceeded with 99.9 % (from memory)."""
    assert float(chance_beyond(107.0, 0.02 * 107.0, NAN, 100.0)) > 0.999
    assert float(chance_beyond(106.0, 0.02 * 106.0, NAN, 100.0)) < 0.999


# Breathing-air shaped examples; computed for this project from the standard normal distribution, uncertainties
# invented: reading, limits, u, conformance probability, then simple and guarded (w = U) by ILAC-G8:09/2019.
SHAPED = [
    ("co", 3.9, NAN, 5.0, 0.5, 0.986097, PASS, PASS),
    ("co", 4.5, NAN, 5.0, 0.5, 0.841345, NEAR_LIMIT, FAIL),
    ("co", 5.5, NAN, 5.0, 0.5, 0.158655, FAIL, FAIL),
    ("co", 6.1, NAN, 5.0, 0.5, 0.013903, FAIL, FAIL),
    ("co2", 480.0, NAN, 500.0, 20.0, 0.841345, PASS, FAIL),  # flag threshold 25 %
    ("oil", 0.4, NAN, 0.5, 0.1, 0.841345, NEAR_LIMIT, FAIL),
    ("oxygen", 20.9, 20.0, 22.0, 0.3, 0.998527, PASS, PASS),
    ("oxygen", 20.1, 20.0, 22.0, 0.3, 0.630559, NEAR_LIMIT, FAIL),
]
FLAG = {key: 0.25 if key == "co2" else 0.10 for key in PARAMETERS}


def decide(key, lower, upper, low, high, u, band=0.0, doubt=0, open_=0):
    """The Close of one reading against limits."""
    ends = (np.array([lower]), np.array([upper]), np.array([open_]), np.array([READ]))
    low, high = np.array([low]), np.array([high])
    verdict = judge_interval(*ends, Applied(low, low, high, high))
    closeness = Closeness({key: Standard(u, 0.0)}, FLAG, band)
    return closeness.decide(key, ends, (low, high), verdict, np.array([doubt]))


@pytest.mark.parametrize("key,value,low,high,u,conforms,simple,guarded", SHAPED)
def test_breathing_air_examples(key, value, low, high, u, conforms, simple, guarded):
    found = decide(key, value, value, low, high, u)
    assert 1.0 - found.chance[0] == pytest.approx(conforms, abs=1e-6)
    assert found.verdict[0] == simple
    assert decide(key, value, value, low, high, u, band=1.0).verdict[0] == guarded


@pytest.mark.parametrize(
    "r,risk", [(3, 9.87e-10), (1.5, 1.34990e-3), (1, 2.27501e-2), (0.83, 4.84572e-2), (0.5, 0.158655)]
)
def test_a_guard_band_of_r_u_leaves_the_risk_of_the_table(r, risk):
    """1 - Phi(2 r), the chance of an item at the acceptance limit T - r U; ILAC-G8's table has the bounds
    3U below 1 ppm, 1.5U below 0.16 %, U below 2.5 %, 0.83U below 5 % (table from memory)."""
    u, limit = 0.5, 5.0
    accepted = limit - r * 2.0 * u
    found = decide("co", accepted, accepted, NAN, limit, u, band=float(r))
    assert found.chance[0] == pytest.approx(risk, rel=1e-4)
    # Ones of r below 1 leave a chance that simple acceptance would flag, too.
    assert found.verdict[0] == (NEAR_LIMIT if risk > 0.10 else PASS)
    past = decide("co", accepted + 1e-6, accepted + 1e-6, NAN, limit, u, band=float(r))
    assert past.verdict[0] == FAIL and past.why[0] == WHY_GUARD_BAND


def test_the_flag_is_for_more_than_the_threshold():
    """z = 1.2816 is 10 % (standard normal table: Phi(1.2816) = 0.900008)."""
    assert decide("co", 5 - 1.29 * 0.5, 5 - 1.29 * 0.5, NAN, 5.0, 0.5).verdict[0] == PASS
    assert decide("co", 5 - 1.27 * 0.5, 5 - 1.27 * 0.5, NAN, 5.0, 0.5).verdict[0] == NEAR_LIMIT


def test_without_uncertainty_a_reading_is_what_it_says():
    assert decide("co", 5.0, 5.0, NAN, 5.0, 0.0).chance[0] == 0.0
    assert decide("co", 5.1, 5.1, NAN, 5.0, 0.0).chance[0] == 1.0


@pytest.mark.parametrize(
    "lower,upper,verdict",
    [
        (0.0, 3.0, PASS),  # below the band for certain
        (0.0, 5.0, CANNOT_TELL),  # may lie inside the band
        (4.2, 4.8, FAIL),  # inside it for certain
        (0.0, 10.0, CANNOT_TELL),  # as without a band
    ],
)
def test_bounds_have_no_chance_and_meet_a_guard_band_only_for_certain(lower, upper, verdict):
    found = decide("co", lower, upper, NAN, 5.0, 0.5, band=1.0)
    assert np.isnan(found.chance[0]) and found.verdict[0] == verdict
    assert decide("co", lower, upper, NAN, 5.0, 0.5).verdict[0] in (PASS, CANNOT_TELL)


# -- through the stages ----------------------------------------------------------------------------------


def test_outdoor_air_is_not_flagged_and_470_ppm_is():
    """Outdoor air of about 430 ppm: NOAA, see data/co2_outdoor.csv. u 12.5 %: 9.6 % and 30 % against 500 ppm."""
    tests, _ = graded([{**AIRLINE, "co2_ppm": 430}, {**AIRLINE, "co2_ppm": 470, "outlet": "2"}])
    assert tests["verdict_co2"].tolist() == [PASS, NEAR_LIMIT]
    assert tests["chance_over_co2"].round(3).tolist() == [0.096, 0.305]


def test_reason_says_how_likely():
    """u = 12.5 % of 4.6 ppm = 0.575 ppm; (5 - 4.6) / 0.575 = 0.696, and Phi(-0.696) = 0.243."""
    tests, _ = graded([{**AIRLINE, "co_ppm": 4.6}])
    part = "Carbon monoxide 4.6 ppm meets the limit of 5 ppm, with a chance of 24 % of being over it"
    assert part in tests["reasons"][0] and tests["verdict_co"][0] == NEAR_LIMIT


def test_oxygen_counts_both_sides():
    """u 0.25 %: 20.3 is 1.2 u above 20 (Phi(-1.2) = 0.115), 21.7 as far below 22."""
    tests, _ = graded([{**AIRLINE, "oxygen_pct": x, "outlet": x} for x in (20.3, 21.7, 20.9)])
    assert tests["chance_over_oxygen"].round(3).tolist() == [0.115, 0.115, 0.0]
    assert "below it" in tests["reasons"][0] and "over it" in tests["reasons"][1]


@pytest.mark.parametrize(
    "row",
    [
        {"co_ppm": "<5"},
        {"co_ppm": ">5"},
        {"oil_mg_m3": "stain"},
        {"oil_mg_m3": "clear"},
        {"co_ppm": None},
        {"co_ppm": "48O"},
        {"co2_ppm": 150},
        {"odour": "slight"},
    ],
)
def test_no_chance_for_a_bound_a_stain_or_what_was_demoted(row):
    key = {"co_ppm": "co", "oil_mg_m3": "oil", "co2_ppm": "co2"}.get(next(iter(row)), "")
    tests, _ = graded([{**AIRLINE, "dryer": "membrane", **row}])
    assert "chance_over_odour" not in tests
    if key:
        assert np.isnan(tests[f"chance_over_{key}"][0])


def test_no_chance_with_an_expired_tube_or_calibration():
    expired = {
        **VISIT,
        "co_tube_expiry": VISIT["test_date"].replace(year=2025),
        "calibration_due": VISIT["test_date"].replace(year=2025),
    }
    tests, _ = graded([{**AIRLINE, "co_ppm": 6.0}], expired)
    assert tests["verdict_co"][0] == FAIL
    for key in ("co", "oxygen", "flow", "pressure"):
        assert np.isnan(tests[f"chance_over_{key}"][0]), key
    assert not np.isnan(tests["chance_over_co2"][0])


def guarded_rules(tmp_path, more='decision_rule = "guarded acceptance"\n'):
    """Path of a firm's own rule file: EN 12021 with guarded acceptance, or with `more`."""
    path = tmp_path / "guarded.toml"
    path.write_text(f'id = "ours"\nextends = "en12021-2014"\n{more}', encoding="utf-8")
    return str(path)


def test_guarded_acceptance_fails_inside_the_band_and_says_so(tmp_path):
    rows = [
        {**AIRLINE, "co_ppm": 4.6, "co2_ppm": 300},
        {**AIRLINE, "co_ppm": "<5", "co2_ppm": 300, "outlet": "2"},
        {**AIRLINE, "co_ppm": 1.0, "co2_ppm": 300, "outlet": "3"},
    ]
    tests, _ = graded(rows, rules=guarded_rules(tmp_path))
    assert tests["verdict_co"].tolist() == [FAIL, CANNOT_TELL, PASS]
    assert "Carbon monoxide 4.6 ppm is within the limit of 5 ppm but inside the guard band" in tests["reasons"][0]
    assert "inside the guard band" in tests["reasons"][1] and "guard band" not in tests["reasons"][2]


def test_guarded_acceptance_of_water_and_flow(tmp_path):
    """w = U = 2 u: cylinder water 12.5 % of 42 is 5.25, so 42 + 10.5 > 50; of 40, 40 + 10 = 50 is just met."""
    rows = [{**CYLINDER, "co2_ppm": 300, "water_tube_mg_m3": x, "outlet": x} for x in (42.0, 40.0)]
    tests, _ = graded(rows, rules=guarded_rules(tmp_path))
    assert tests["verdict_water"].tolist() == [FAIL, PASS]
    rows = [{**AIRLINE, "co2_ppm": 300, "flow_l_min": x, "outlet": x} for x in (170.0, 180.0)]
    tests, _ = graded(rows, rules=guarded_rules(tmp_path))
    assert tests["verdict_flow"].tolist() == [FAIL, PASS]  # 170 - 17 < 160; 180 - 18 > 160


def test_a_rule_set_states_its_own_uncertainty_and_threshold(tmp_path):
    rules = guarded_rules(
        tmp_path,
        '[uncertainty]\n"Carbon monoxide" = { absolute = 1.0, relative_percent = 20 }\n[flag]\n"Carbon monoxide" = 2\n',
    )
    tests, _ = graded([{**AIRLINE, "co_ppm": 3.0}], rules=rules)
    assert tests["chance_over_co"][0] == pytest.approx(0.02275, abs=1e-5)  # two u below: 1 - Phi(2)
    assert tests["verdict_co"][0] == NEAR_LIMIT


def test_a_reading_with_no_limit_has_no_chance():
    tests, _ = graded([CYLINDER], rules="norway-filling-plant")
    assert tests["verdict_oxygen"][0] == NO_LIMIT and np.isnan(tests["chance_over_oxygen"][0])


def test_every_judged_number_has_an_uncertainty_with_a_source():
    found = standards()
    assert set(KEYS) | {"pressure_dew_point", "margin"} == set(found)
    assert all(s.source and max(s.absolute, s.relative) > 0 for s in found.values())


def test_the_tubes_follow_the_certification_rule():
    """Former 42 CFR 84 tube programme, 84.20(e): ±25 % at the test standard, ±35 % at half of it; as two-sided
    95 % intervals 12.5 % and 17.5 % (an assumption)."""
    for key, limit in (("co", 5.0), ("co2", 500.0), ("water", 25.0)):
        at = standards()[key].at
        assert float(at(limit)) == pytest.approx(0.125 * limit)
        assert float(at(limit / 2)) == pytest.approx(0.175 * limit / 2, rel=0.01)


@pytest.mark.parametrize("row", [AIRLINE, CYLINDER, CHARGING])
def test_chances_never_improve_a_verdict(row):
    """A sweep over each gas: a verdict is never milder than the one without flags."""
    plain, _ = graded([{**row, "co_ppm": x, "outlet": x} for x in np.linspace(0.5, 8.0, 40)])
    over = plain["co_lower"].to_numpy() > 5.0
    assert (plain["verdict_co"].to_numpy()[over] == FAIL).all()
    assert np.isin(plain["verdict_co"].to_numpy()[~over], (PASS, NEAR_LIMIT)).all()
    assert (np.diff(plain["chance_over_co"].to_numpy()) >= 0).all()


def test_the_multiplier_query_names_the_dew_point_that_it_would_be():
    """Dew points of 7200 and 720 mg/m³ at 7 bar from the humidity equations: 40.4 and 2.8 °C; a kelvin is allowed."""
    _, problems = graded([{**AIRLINE, "dryer": "refrigerant", "water_tube_mg_m3": 720, "water_multiplier": 10}])
    found = next(b for b in problems.batches if b.code == "multiplier_perhaps")
    assert found.params["perhaps"] == ["1"] and found.params["dew"] == ["40"]
    assert abs(float(found.params["other"][0]) - 2.8) <= 1.0


def test_guarded_acceptance_of_bounds_and_stains_warns_of_nothing():
    """An end at infinity meets an uncertainty at infinity; warnings are errors in these tests."""
    log = log_of({"a.xlsx": (VISIT, [{**AIRLINE, "oil_mg_m3": "stain"}, {**AIRLINE, "co_ppm": ">3", "outlet": "b"},
                                     {**AIRLINE, "water_tube_mg_m3": ">3", "outlet": "c"}])})  # fmt: skip
    tests = judged(log, Options(decision_rule="guarded")).tests
    assert "pass" not in np.array(TEST_WORDS)[tests["verdict"]]
