"""Humidity against published tables, IAPWS check values and two other programs.

`humidity_checks.csv` holds the figures, each with its source, how sure we are of that source (published
figures mostly come through test suites that quote them: "single"), and why its tolerance is that wide.
"""

import csv
from collections import Counter
from pathlib import Path

import iapws._iapws
import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from CoolProp.HumidAirProp import HAPropsSI
from hypothesis import given
from hypothesis import strategies as st

from grader.compute.humidity import condensed, virial
from grader.compute.humidity import dew_point as humidity
from grader.compute.humidity.dew_point import (
    VALIDITY_NAMES,
    absolute_pressure_pa,
    dew_point,
    dew_point_sensitivity,
    dew_point_validity,
    enhancement_factor,
    ice_vapour_pressure,
    mole_fraction,
    mole_fraction_at_dew_point,
    saturation_pressure,
    water_content,
    water_vapour_pressure,
)

ONE_ATMOSPHERE_PA = 101325.0

with open(Path(__file__).with_name("humidity_checks.csv"), encoding="utf-8", newline="") as _file:
    CHECKS = list(csv.DictReader(_file))


def checks(*groups, **equal):
    rows = [r for r in CHECKS if r["group"] in groups and all(r[k] == v for k, v in equal.items())]
    assert rows
    return pytest.mark.parametrize("row", rows, ids=[r["id"] for r in rows])


def number(row, key):
    return float(row[key])


def expected(row):
    if row["rel_tolerance"]:
        return pytest.approx(float(row["expected"]), rel=float(row["rel_tolerance"]), abs=0.0)
    return pytest.approx(float(row["expected"]), abs=float(row["abs_tolerance"]), rel=0.0)


def celsius(fahrenheit):
    return (fahrenheit - 32.0) / 1.8


# ---- the file of checks itself -------------------------------------------------------------------------


def test_the_check_file_is_whole():
    """Guards the copied table: a row lost in an edit would be a check lost in silence."""
    counts = Counter(row["group"] for row in CHECKS)
    assert counts == {"A": 21, "B": 83, "C": 25, "D": 18, "E": 63, "F": 63, "G": 8, "H": 7, "I": 15, "J": 3}
    assert len({row["id"] for row in CHECKS}) == len(CHECKS)
    for row in CHECKS:
        assert row["source"] and row["why_this_wide"], row["id"]
        assert row["confidence"] in {"confirmed", "single", "computed"}, row["id"]


# ---- saturation pressure -------------------------------------------------------------------------------


@checks("A", "B")
def test_saturation_pressure_matches_published_and_other_formulations(row):
    over = {"ice": ice_vapour_pressure, "water": water_vapour_pressure}[row["phase"]]
    assert over(number(row, "temperature_c")) == expected(row)


def test_triple_point_is_the_1976_value_and_not_the_superseded_1971_one():
    """611.657 Pa (Wexler 1976, abstract; confirmed); 611.196 Pa would be Wexler and Greenspan 1971."""
    assert saturation_pressure(0.01) == pytest.approx(611.657, abs=1e-4)
    assert saturation_pressure(0.01 - 1e-9) == pytest.approx(611.657, abs=1e-4)


def test_saturation_pressure_takes_ice_below_the_triple_point_and_water_above():
    """ASHRAE Fundamentals 2017, ch. 1 table 3: 103.24 Pa at -20 degC, 872.6 Pa at 5 degC (single)."""
    assert saturation_pressure([-20.0, 5.0]) == pytest.approx([103.24, 872.6], rel=5e-5)


@pytest.mark.parametrize(
    ("function", "outside"),
    [
        (ice_vapour_pressure, [-223.16, 0.02]),
        (water_vapour_pressure, [-0.01, 374.0]),
        (saturation_pressure, [-223.16, 374.0]),
    ],
)
def test_vapour_pressures_give_nan_outside_their_range(function, outside):
    """Ranges as IAPWS R14-08 (50 to 273.16 K) and R7-97 (273.15 to 647.096 K) state them."""
    assert np.isnan(function([*outside, np.nan, np.inf, -np.inf])).all()


# ---- condensed phases ----------------------------------------------------------------------------------


def test_ice_volume_and_compressibility_match_iapws_check_values():
    """IAPWS R10-06(2009) table 6: density 941.678203297 kg/m3 at 100 K, 100 MPa; isothermal compressibility
    1.17793449348e-10 1/Pa at the triple point (both quoted in the iapws package; single)."""
    volume, _ = condensed.ice_molar_volume(100.0, 100.0e6)
    assert 18.015268e-3 / volume == pytest.approx(941.678203297, rel=1e-11)
    _, compressibility = condensed.ice_molar_volume(273.16, 611.657)
    assert compressibility == pytest.approx(1.17793449348e-10, rel=1e-9)


@pytest.mark.parametrize("temperature_k", [273.16, 283.15, 293.15, 313.15, 333.15, 373.15])
def test_liquid_volume_and_compressibility_match_iapws_95(temperature_k):
    """Against IAPWS-95 in CoolProp: density within 1e-5; 5e-4 for Kell's compressibility is ten times
    tighter than the Poynting term needs."""
    volume, compressibility = condensed.water_molar_volume(temperature_k)
    assert 1.0 / volume == pytest.approx(PropsSI("Dmolar", "T", temperature_k, "Q", 0, "Water"), rel=1e-5)
    reference = PropsSI("isothermal_compressibility", "T", temperature_k, "Q", 0, "Water")
    assert compressibility == pytest.approx(reference, rel=5e-4)


@pytest.mark.parametrize("temperature_k", [280.0, 300.0, 350.0])
def test_air_solubility_matches_the_henry_constants_of_another_program(temperature_k):
    """IAPWS G7-04 as the iapws package computes it (MPa), for the gases of dry air."""
    reference = sum(
        fraction / (iapws._iapws._Henry(temperature_k, gas) * 1e6)
        for gas, fraction in (("N2", 0.7812), ("O2", 0.2095), ("Ar", 0.0093))
    )
    assert condensed.air_solubility(temperature_k) == pytest.approx(reference, rel=1e-8)


# ---- virial coefficients, fugacity, enhancement --------------------------------------------------------


@checks("D")
def test_virials_and_fugacity_match_iapws_g11_15(row):
    temperature_k = number(row, "temperature_c") + 273.15
    if row["quantity"] == "fugacity_of_water_in_humid_air":
        value = virial.fugacity(temperature_k, number(row, "pressure_bar_abs") * 1e5, number(row, "x_ppm") * 1e-6)
    else:
        value = getattr(virial.virial_coefficients(temperature_k), row["quantity"].removeprefix("virial_").lower())
    assert value == expected(row)


@checks("C", "E", quantity="enhancement_factor_f")
def test_enhancement_factor_matches_published_and_computed(row):
    value = enhancement_factor(number(row, "temperature_c"), number(row, "pressure_bar_abs") * 1e5)
    assert value == expected(row)


@checks("C", quantity="saturated_humidity_ratio")
def test_saturated_humidity_ratio_matches_ashrae(row):
    """ASHRAE Fundamentals 2017 ch. 1 table 2; the ratio of molar masses 0.621945 is from the same chapter."""
    x = mole_fraction_at_dew_point(number(row, "temperature_c"), number(row, "pressure_bar_abs") * 1e5)
    assert 0.621945 * x / (1.0 - x) == expected(row)


def test_enhancement_factor_is_one_for_pure_steam_at_its_own_pressure():
    """By definition: without air nothing enhances."""
    temperature_c = np.array([60.0, 80.0, 99.0])
    assert enhancement_factor(temperature_c, water_vapour_pressure(temperature_c)) == pytest.approx(1.0, abs=1e-9)


def test_enhancement_factor_is_nan_where_water_would_boil_or_out_of_range():
    assert np.isnan(enhancement_factor([90.0, -80.1, 100.1, 20.0, 20.0], [5e4, 1e5, 2e5, 9.9e3, 5.1e6])).all()


@pytest.mark.parametrize("ice", [True, False])
def test_the_series_stand_in_for_the_exact_equations(ice):
    """No outside source: holds the speed-up to the formulae it replaces, a million times below 0.02 K."""
    phase = humidity._phase(ice)
    temperature_c = np.linspace(phase.lowest_c, phase.highest_c, 999)
    exact = humidity._condensate(temperature_c + 273.15, ice)
    for pressure_pa in (1.0e4, 1.0e5, 1.0e6, 5.0e6):
        for x in (1e-6, 1e-3, 0.02):
            difference = phase.log_partial_pressure(temperature_c, pressure_pa, x) - (
                exact.log_saturation + exact.log_enhancement(pressure_pa, x)
            )
            assert np.abs(difference).max() < 1e-9


# ---- units and pressure --------------------------------------------------------------------------------


@checks("J", quantity="ppm_per_mg_m3")
def test_ppm_per_mg_m3(row):
    assert mole_fraction(1.0) * 1e6 == expected(row)


def test_absolute_pressure_adds_the_station_pressure():
    """Definition of gauge pressure; 1013.25 hPa is the standard atmosphere (ISO 2533)."""
    assert absolute_pressure_pa(6.0) == pytest.approx(701325.0)
    assert absolute_pressure_pa([6.0, 0.0], [950.0, 1013.25]) == pytest.approx([695000.0, 101325.0])
    assert np.isnan(absolute_pressure_pa(6.0, np.nan))


# ---- dew point against other programs and printed pairs ------------------------------------------------


@checks("F", "G", "H")
def test_pressure_dew_point_matches_computed_table(row):
    """Group H puts the table of EN 12021:2014 as remembered, not seen, through the formulae: the check is of
    the dew points, not of the table."""
    value = dew_point(mole_fraction(number(row, "water_mg_m3")), number(row, "pressure_bar_abs") * 1e5)
    assert value == expected(row)
    assert (value < 0.01) == (row["phase"] == "ice")


@checks("I")
def test_water_content_at_a_frost_point_of_minus_11(row):
    x = mole_fraction_at_dew_point(number(row, "temperature_c"), number(row, "pressure_bar_abs") * 1e5)
    assert water_content(x) == expected(row)


@checks("H")
def test_remembered_table_by_pressure_agrees_with_the_minus_11_rule(row):
    """EN 12021:2014: the contents by pressure are from memory (not confirmed); -11 degC is the rule where the
    temperature is not known (confirmed). Were both right, each content would sit at or just under -11 degC.
    They do, within 2 K."""
    value = dew_point(mole_fraction(number(row, "water_mg_m3")), number(row, "pressure_bar_abs") * 1e5)
    assert -13.0 < value <= -11.0


@checks("J", quantity="water_at_frost_point_-65F_1atm")
def test_24_ppm_is_minus_65_fahrenheit_at_one_atmosphere(row):
    """NFPA 1989 and CGA print 24 ppm beside -65 degF (as printed in documents that quote them; single)."""
    assert mole_fraction_at_dew_point(celsius(-65.0), ONE_ATMOSPHERE_PA) * 1e6 == expected(row)
    assert dew_point(24e-6, ONE_ATMOSPHERE_PA) == pytest.approx(celsius(-65.0), abs=0.05)


@checks("J", quantity="water_at_frost_point_-50F_1atm")
def test_50_mg_m3_is_minus_50_fahrenheit_at_one_atmosphere(row):
    """29 CFR 1910.134(i)(4): cylinder air, -50 degF at one atmosphere (confirmed; the paragraph from memory).
    EN 12021: 50 mg/m3 for cylinders at 40 to 200 bar (confirmed).
    Two documents, one dryness: within 0.05 K."""
    assert mole_fraction_at_dew_point(celsius(-50.0), ONE_ATMOSPHERE_PA) * 1e6 == expected(row)
    assert dew_point(mole_fraction(50.0), ONE_ATMOSPHERE_PA) == pytest.approx(celsius(-50.0), abs=0.05)


def test_dew_point_agrees_with_coolprop_over_the_working_range():
    """CoolProp's HumidAir (ASHRAE RP-1485), a separate program: 5 to 5000 mg/m3, 0 to 40 bar gauge, 0.02 K.
    Only where its result lies between -80 and 60 degC."""
    contents = np.geomspace(5.0, 5000.0, 19)
    gauges = np.array([0.0, 0.5, 1.5, 3.0, 6.0, 8.0, 10.0, 16.0, 25.0, 32.0, 40.0])
    x, pressure_pa = np.meshgrid(mole_fraction(contents), absolute_pressure_pa(gauges))
    warm_k = 393.15  # any temperature above the dew point; CoolProp wants one
    reference = np.array(
        [HAPropsSI("Tdp", "T", warm_k, "P", p, "psi_w", w) - 273.15 for w, p in zip(x.flat, pressure_pa.flat)]
    ).reshape(x.shape)
    compared = (reference > -80.0) & (reference < 60.0)
    assert compared.sum() >= 200
    assert np.abs(dew_point(x, pressure_pa) - reference)[compared].max() < 0.02


def test_pure_steam_condenses_at_the_normal_boiling_point():
    """Normal boiling point of IAPWS-95, 373.1243 K (iapws package; single); IF97 is within 1 mK of it."""
    assert dew_point(1.0, ONE_ATMOSPHERE_PA) == pytest.approx(99.9743, abs=1e-3)


# ---- properties ----------------------------------------------------------------------------------------

pressures_pa = st.floats(1.0e4, 5.0e6)
temperatures_c = st.floats(-80.0, 100.0)


@given(temperatures_c, pressures_pa)
def test_dew_point_undoes_mole_fraction_at_dew_point(temperature_c, pressure_pa):
    x = mole_fraction_at_dew_point(temperature_c, pressure_pa)
    if np.isnan(x):  # water boils at this pressure: there is no such dew point
        assert water_vapour_pressure(temperature_c) > pressure_pa
        return
    back = dew_point(x, pressure_pa)
    # Just below 0.01 degC a frost point may come back as the slightly warmer dew point; never colder.
    if -0.1 < temperature_c < 0.01:
        assert temperature_c - 1e-6 <= back < temperature_c + 0.1
    else:
        assert back == pytest.approx(temperature_c, abs=1e-6)


@given(st.floats(1e-6, 1e6))
def test_water_content_undoes_mole_fraction(content):
    assert water_content(mole_fraction(content)) == pytest.approx(content, rel=1e-14)


@given(st.floats(1.0, 5000.0), st.floats(0.0, 40.0), st.floats(1.001, 3.0))
def test_more_water_or_more_pressure_never_lowers_the_dew_point(content, gauge_bar, factor):
    x, pressure_pa = mole_fraction(content), absolute_pressure_pa(gauge_bar)
    here = dew_point(x, pressure_pa)
    assert dew_point(x * factor, pressure_pa) > here or np.isnan(here)
    if pressure_pa * factor <= 5.0e6:
        assert dew_point(x, pressure_pa * factor) > here or np.isnan(here)


@given(st.floats(), st.floats())
def test_a_value_and_code_ok_come_together_or_not_at_all(x, pressure_pa):
    code = dew_point_validity(x, pressure_pa)
    assert int(code) in VALIDITY_NAMES
    assert np.isfinite(dew_point(x, pressure_pa)) == (code == humidity.VALID)


@pytest.mark.parametrize("gauge_bar", [0.0, 1.5, 10.0, 40.0])
def test_no_content_is_without_a_dew_point_around_freezing(gauge_bar):
    """The ice and liquid answers overlap there (see the module); the step between them stays below 0.1 K."""
    pressure_pa = absolute_pressure_pa(gauge_bar)
    ends = mole_fraction_at_dew_point([-0.3, 0.3], pressure_pa)
    found = dew_point(np.linspace(ends[0], ends[1], 5001), pressure_pa)
    steps = np.diff(found)
    assert np.isfinite(found).all()
    assert steps.min() > 0.0
    assert steps.max() < 0.1


def test_sensitivity_is_the_slope_of_the_dew_point():
    """Against central differences of `dew_point` itself: same physics, other mathematics."""
    x = mole_fraction(np.geomspace(5.0, 5000.0, 7))[:, np.newaxis]
    pressure_pa = absolute_pressure_pa(np.array([0.0, 6.0, 16.0, 40.0]))
    by_x, by_p = dew_point_sensitivity(x, pressure_pa)
    up, down = np.exp(1e-4), np.exp(-1e-4)
    slope_x = (dew_point(x * up, pressure_pa) - dew_point(x * down, pressure_pa)) / 2e-4
    slope_p = (dew_point(x, pressure_pa * up) - dew_point(x, pressure_pa * down)) / 2e-4
    assert by_x == pytest.approx(slope_x, rel=1e-5)
    assert by_p == pytest.approx(slope_p, rel=1e-5)


# ---- what is not a number, not in range, not a scalar --------------------------------------------------


@pytest.mark.parametrize(
    ("x", "pressure_pa", "code"),
    [
        (5e-4, 7e5, humidity.VALID),
        (1.0, 101325.0, humidity.VALID),
        (np.nan, 7e5, humidity.NOT_A_NUMBER),
        (5e-4, np.nan, humidity.NOT_A_NUMBER),
        (np.nan, 1.0, humidity.NOT_A_NUMBER),
        (5e-4, 1.0e4, humidity.VALID),
        (5e-4, 0.999e4, humidity.PRESSURE_OUTSIDE),
        (5e-4, 5.0e6, humidity.VALID),
        (5e-4, 5.001e6, humidity.PRESSURE_OUTSIDE),
        (5e-4, -7e5, humidity.PRESSURE_OUTSIDE),
        (5e-4, np.inf, humidity.PRESSURE_OUTSIDE),
        (0.0, 7e5, humidity.TOO_DRY),
        (-0.0, 7e5, humidity.TOO_DRY),
        (5e-324, 7e5, humidity.TOO_DRY),
        (1e-8, 7e5, humidity.TOO_DRY),
        (1.0, 110000.0, humidity.TOO_HOT),
        (0.5, 5.0e6, humidity.TOO_HOT),
        (1.0, 5.0e6, humidity.TOO_HOT),
        (-1e-9, 7e5, humidity.NOT_A_FRACTION),
        (1.0000001, 7e5, humidity.NOT_A_FRACTION),
        (np.inf, 7e5, humidity.NOT_A_FRACTION),
    ],
)
def test_validity_code_says_why_there_is_no_dew_point(x, pressure_pa, code):
    assert dew_point_validity(x, pressure_pa) == code
    assert np.isnan(dew_point(x, pressure_pa)) == (code != humidity.VALID)
    assert np.isnan(dew_point_sensitivity(x, pressure_pa)).all() == (code != humidity.VALID)


def test_the_ends_of_the_temperature_range_are_inside_it():
    for temperature_c in (-80.0, 100.0):
        inside = mole_fraction_at_dew_point(temperature_c, 7e5)
        outward = 1.0 - 1e-6 if temperature_c < 0 else 1.0 + 1e-6
        assert dew_point(inside, 7e5) == pytest.approx(temperature_c, abs=1e-6)
        assert dew_point_validity(inside * outward, 7e5) in (humidity.TOO_DRY, humidity.TOO_HOT)


def test_nan_stays_nan_and_spoils_no_neighbour():
    x = np.array([5e-4, np.nan, 5e-4, -1.0, 5e-4])
    pressure_pa = np.array([7e5, 7e5, np.nan, 7e5, 7e5])
    found = dew_point(x, pressure_pa)
    assert np.isnan(found).tolist() == [False, True, True, True, False]
    assert found[0] == found[4] == dew_point(5e-4, 7e5)
    for function in (mole_fraction, water_content, saturation_pressure):
        assert np.isnan(function([np.nan, 1.0])).tolist() == [True, False]


def test_shapes_follow_the_arguments():
    x = np.full((3, 1), 5e-4)
    pressure_pa = np.full(4, 7e5)
    assert dew_point(x, pressure_pa).shape == (3, 4)
    assert enhancement_factor(np.zeros((2, 1, 2)), pressure_pa[:1]).shape == (2, 1, 2)
    assert [part.shape for part in dew_point_sensitivity(x, pressure_pa)] == [(3, 4), (3, 4)]
    assert dew_point([], []).shape == (0,)
    assert isinstance(dew_point(5e-4, 7e5), float)
    codes = dew_point_validity(x, pressure_pa)
    assert codes.shape == (3, 4)
    assert codes.dtype == np.int8
    with pytest.raises(ValueError):
        dew_point(np.zeros(2), np.zeros(3))


def test_a_long_table_gives_what_its_rows_give_alone():
    """Rows are worked in chunks; the seam must not show, and the arguments are left as they were."""
    rows = 2 * humidity._ROWS_A_CHUNK + 7
    x = np.geomspace(1e-5, 1e-2, rows)
    pressure_pa = np.full(rows, 7e5)
    before = x.copy()
    found = dew_point(x, pressure_pa)
    seam = humidity._ROWS_A_CHUNK
    picks = np.array([0, seam - 1, seam, 2 * seam, rows - 1])
    assert found[picks] == pytest.approx([float(dew_point(x[i], 7e5)) for i in picks], abs=1e-9)
    assert np.isfinite(found).all()
    assert (x == before).all()
