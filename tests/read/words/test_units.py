"""Units against published factors, scipy.constants (CODATA 2018, exact definitions), CoolProp and iapws.

NIST SP 811 (2008), appendix B.8, gives its factors to seven figures; they are quoted here from memory and
hold against the exact definitions in scipy.constants. A litre at 0 °C is that of DIN 1343.
"""

import math
import re

import numpy as np
import pytest
import scipy.constants as codata
from CoolProp.CoolProp import PropsSI
from hypothesis import given, settings
from hypothesis import strategies as st
from iapws import IAPWS95

from grader.columns import BLANK, FIELDS, NUMBER_FIELDS, PARAMETERS, READ, REGISTER_FIELDS
from grader.compute.humidity import constants
from grader.data import load_toml
from grader.read.words import units
from grader.read.words.notation import number_rule, read_number
from grader.read.words.spelling import fold, known_unit
from grader.read.words.unit_checks import take_off_atmosphere
from grader.read.words.units import (
    UNTOLD,
    accepted,
    assumed,
    belongs,
    canonical,
    clashes,
    column_unit,
    convert,
    is_absolute,
    unit_needed,
)
from grader.words import words

PRESSURE, FLOW, ATMOSPHERE = "line_pressure_bar", "flow_l_min", "atmospheric_pressure_hpa"
DATA = load_toml("units.toml")


def suspicious(field, unit, values, supply=None, dry=False):
    """ "unit_clash" where any figure contradicts its unit, for one supply and dryness."""
    told = (c for c in clashes(field, unit) if c.parameters)
    mine = (c for c in told if (not c.supplies or supply in c.supplies) and c.dry in (None, dry))
    return "unit_clash" if any(np.any(c.hits(values)) for c in mine) else None


@pytest.mark.parametrize(
    ("field", "unit", "sp811"),
    [
        # NIST SP 811, B.8, the factor to pascals, m³/s or K (from memory), in the field's unit.
        (PRESSURE, "psi", 6.894757e3 / 1e5),
        (PRESSURE, "kg/cm²", 9.80665e4 / 1e5),
        (ATMOSPHERE, "mmHg", 1.333224e2 / 1e2),
        (ATMOSPHERE, "inHg", 3.386389e3 / 1e2),
        (ATMOSPHERE, "atm", 1.01325e5 / 1e2),
        (ATMOSPHERE, "psi", 6.894757e3 / 1e2),
        (FLOW, "cfm", 4.719474e-4 * 6e4),
    ],
)
def test_factor_of_nist_sp_811(field, unit, sp811):
    assert convert(field, unit, 1.0) == pytest.approx(sp811, rel=5e-7)


@pytest.mark.parametrize(
    ("field", "unit", "exact"),
    [
        (PRESSURE, "psi", codata.psi / codata.bar),
        (PRESSURE, "kg/cm²", codata.kilogram_force / codata.centi**2 / codata.bar),
        (PRESSURE, "kPa", 0.01),
        (PRESSURE, "MPa", 10.0),
        (PRESSURE, "hPa", 0.001),
        (ATMOSPHERE, "bar", 1000.0),
        (ATMOSPHERE, "kPa", 10.0),
        (ATMOSPHERE, "Pa", 0.01),
        (ATMOSPHERE, "atm", codata.atm / 100.0),
        (FLOW, "cfm", codata.foot**3 * 1000.0),
        (FLOW, "m³/h", 1000.0 / 60.0),
        (FLOW, "m³/min", 1000.0),
        (FLOW, "L/s", 60.0),
        ("oil_sampling_min", "s", 1 / 60),
        ("oil_sampling_min", "h", 60.0),
        ("interval_months", "years", 12.0),
    ],
)
def test_factor_by_definition(field, unit, exact):
    assert convert(field, unit, 1.0) == pytest.approx(exact, rel=1e-12)


def test_mercury_is_the_conventional_one():
    """scipy.constants has the torr, 101325/760 Pa; the conventional mmHg is 1.4e-7 above it."""
    assert convert(ATMOSPHERE, "mmHg", 760.0) == pytest.approx(1013.25, rel=2e-7)
    assert convert(ATMOSPHERE, "inHg", 1.0) == pytest.approx(convert(ATMOSPHERE, "mmHg", 25.4), rel=1e-10)


@pytest.mark.parametrize(("fahrenheit", "celsius"), [(32.0, 0.0), (68.0, 20.0), (212.0, 100.0), (-40.0, -40.0)])
def test_fahrenheit(fahrenheit, celsius):
    """NIST SP 811, B.8: t/°C = (t/°F - 32)/1.8; also by scipy.constants."""
    made = convert("ambient_temperature_c", "°F", fahrenheit)
    assert made == pytest.approx(celsius, abs=1e-12)
    assert made == pytest.approx(codata.convert_temperature(fahrenheit, "F", "C"), abs=1e-9)


def test_kelvin():
    assert convert("dew_point_measured_c", "K", 253.15) == pytest.approx(-20.0, abs=1e-12)


def test_absolute_pressures_lose_the_atmosphere():
    assert convert(PRESSURE, "bar absolute", 8.01325) == pytest.approx(7.0, rel=1e-12)
    assert convert(PRESSURE, "psi absolute", codata.atm / codata.psi) == pytest.approx(0.0, abs=1e-12)
    assert convert(PRESSURE, "MPa absolute", 1.0) == pytest.approx(8.98675, rel=1e-12)
    many = convert(PRESSURE, "kPa absolute", np.array([800.0, 820.0]))
    assert many == pytest.approx([6.98675, 7.18675], rel=1e-12)
    # The atmosphere itself is absolute by nature.
    assert convert(ATMOSPHERE, "bar absolute", 1.0) == 1000.0


def test_an_absolute_pressure_loses_the_atmosphere_of_its_own_row():
    read, made = np.full(3, READ), convert(PRESSURE, "MPa absolute", np.ones(3))
    columns = {"": made, "_lower": made.copy(), "_upper": made.copy(), "_state": read}
    done = {
        PRESSURE: columns,
        ATMOSPHERE: {"": np.array([900.0, 900.0, np.nan]), "_state": np.array([READ, READ, BLANK])},
    }
    take_off_atmosphere(done, {PRESSURE: np.array([True, False, True])})
    for end in ("", "_lower", "_upper"):
        assert columns[end] == pytest.approx([9.1, 8.98675, 8.98675], rel=1e-12)


def test_a_gas_by_mass_and_by_volume():
    """mg/m³ = ppm x M / 24.0551 L/mol at 20 °C and 1013.25 hPa: CO 28.010, CO2 44.009 g/mol (IUPAC).

    The molar volume of the ideal gas follows from CODATA's constants; WHO's air quality guidelines give
    1 ppm CO = 1.164 mg/m³ at 20 °C and 1013 hPa (from memory).
    """
    litres_mol = codata.R * 293.15 / codata.atm * 1e3
    assert litres_mol == pytest.approx(24.0551, abs=5e-5)
    assert convert("co_ppm", "mg/m³", 1.0) == pytest.approx(litres_mol / 28.010, rel=1e-9)
    assert convert("co_ppm", "mg/m³", 1.164) == pytest.approx(1.0, abs=5e-4)
    assert convert("co2_ppm", "mg/m³", 1000.0) == pytest.approx(1000.0 * litres_mol / 44.009, rel=1e-9)
    assert convert("co2_ppm", "%", 0.05) == pytest.approx(500.0, rel=1e-12)
    assert convert("co_ppm", "ppb", 5000.0) == pytest.approx(5.0, rel=1e-12)
    assert convert("oxygen_pct", "ppm", 209_000.0) == pytest.approx(20.9, rel=1e-12)


@pytest.mark.parametrize(
    ("field", "fluid", "real"), [("co_ppm", "CarbonMonoxide", 1e-3), ("co2_ppm", "CarbonDioxide", 6e-3)]
)
def test_a_gas_by_mass_agrees_with_coolprop(field, fluid, real):
    """Density of the pure gas at 20 °C and 1013.25 hPa by CoolProp, apart by its departure from ideal.

    At some ppm in air there is no such departure to speak of; the molar mass alone must agree closely.
    """
    density_mg_m3 = PropsSI("D", "T", 293.15, "P", 101325.0, fluid) * 1e6
    assert convert(field, "mg/m³", density_mg_m3) == pytest.approx(1e6, rel=real)
    molar_g = PropsSI("M", fluid) * 1e3
    assert convert(field, "mg/m³", molar_g / 24.0551) == pytest.approx(1.0, rel=2e-5)


def test_water_by_volume_agrees_with_iapws():
    """1 ppm of water vapour at 20 °C and 1013.25 hPa: M of iapws (IAPWS-95) over the molar volume."""
    molar_g = IAPWS95(T=293.15, P=0.001).M
    assert convert("water_mg_m3", "ppm", 1.0) == pytest.approx(
        molar_g / (codata.R * 293.15 / codata.atm * 1e3), rel=1e-5
    )
    assert convert("water_tube_mg_m3", "ppm", 67.0) == pytest.approx(50.2, abs=0.05)
    assert convert("water_mg_m3", "g/m³", 0.05) == pytest.approx(50.0, rel=1e-12)


def test_oil_by_mass_of_air_agrees_with_coolprop():
    """1 mg in 1 kg of air: the density of air at 20 °C and 1013.25 hPa (CoolProp, Lemmon 2000), 1.2 kg/m³."""
    density = PropsSI("D", "T", 293.15, "P", 101325.0, "Air")
    assert convert("oil_mg_m3", "ppm w/w", 1.0) == pytest.approx(density, rel=1e-3)
    assert convert("oil_mg_m3", "µg/m³", 500.0) == pytest.approx(0.5, rel=1e-12)


def test_normal_litres_grow_and_normal_contents_shrink_with_the_temperature():
    """DIN 1343: 0 °C and 1013.25 hPa; the same gas at 20 °C takes 293.15/273.15 of the room (ideal gas)."""
    assert convert(FLOW, "NL/min", 273.15) == pytest.approx(293.15, rel=1e-12)
    assert convert(FLOW, "Nm³/h", 60.0) == pytest.approx(1000.0 * 293.15 / 273.15, rel=1e-12)
    assert convert("water_mg_m3", "mg/Nm³", 293.15) == pytest.approx(273.15, rel=1e-12)
    # CoolProp, air: the ratio of its densities.
    ratio = PropsSI("D", "T", 273.15, "P", 101325.0, "Air") / PropsSI("D", "T", 293.15, "P", 101325.0, "Air")
    assert convert(FLOW, "NL/min", 1.0) == pytest.approx(ratio, rel=1e-3)
    assert convert(FLOW, "scfm", 10.0) == convert(FLOW, "cfm", 10.0)
    said = {
        unit: {code for code, _ in column_unit(field, unit)[1]}
        for field, unit in (("flow_l_min", "NL/min"), ("oil_mg_m3", "mg/Nm³"), ("flow_l_min", "scfm"))
    }
    assert "unit_normal" in said["NL/min"] & said["mg/Nm³"] and "unit_standard" in said["scfm"]


def test_reference_values_are_those_of_the_formulae():
    reference = DATA["reference"]
    assert reference["temperature_k"] == constants.REFERENCE_TEMPERATURE_K
    assert reference["pressure_pa"] == constants.REFERENCE_PRESSURE_PA
    assert reference["gas_constant_j_mol_k"] == constants.GAS_CONSTANT_J_MOL_K == pytest.approx(codata.R)
    assert reference["atmosphere_hpa"] == constants.STANDARD_ATMOSPHERE_HPA
    assert DATA["molar_mass_g_mol"]["water"] == constants.WATER_MOLAR_MASS_G_MOL


def test_weeks_and_days_become_whole_months_rounded_down():
    """52 weeks or 365 days a year; a next test is never put off by rounding (common practice, no source)."""
    assert [convert("interval_months", "weeks", w) for w in (13.0, 26.0, 52.0, 12.0)] == [3.0, 6.0, 12.0, 2.0]
    assert convert("interval_months", "days", np.array([365.0, 90.0])).tolist() == [12.0, 2.0]


PAIRS = [(field, unit) for field in NUMBER_FIELDS for unit in accepted(field)]


@pytest.mark.parametrize(("field", "unit"), PAIRS)
def test_conversion_rises_and_keeps_the_shape(field, unit):
    values = np.array([15.0, 60.0, 90.0, 400.0, 1e4])  # apart enough for whole months
    made = convert(field, unit, values)
    assert made.shape == values.shape and (np.diff(made) > 0).all()
    assert [convert(field, unit, float(v)) for v in values] == pytest.approx(made.tolist(), rel=1e-12)
    assert math.isnan(convert(field, unit, math.nan)) and np.isnan(convert(field, unit, np.array([np.nan]))).all()


@settings(deadline=None, max_examples=200)
@given(st.sampled_from([p for p in PAIRS if p[0] != "interval_months"]), st.floats(0.01, 1e5))
def test_there_and_back(pair, value):
    """The line through two converted points, turned round, gives the value back."""
    field, unit = pair
    low, high = convert(field, unit, 0.0), convert(field, unit, 1000.0)
    assert (convert(field, unit, value) - low) / (high - low) * 1000.0 == pytest.approx(value, rel=1e-6, abs=1e-6)


@pytest.mark.parametrize("field", NUMBER_FIELDS)
def test_every_number_field_accepts_its_own_unit_unchanged(field):
    assert FIELDS[field].unit == accepted(field)[0] and convert(field, FIELDS[field].unit, 7.25) == 7.25
    assert unit_needed(field) or assumed(field, []) is not None
    assert units._kinds()[field].why or not FIELDS[field].unit


@pytest.mark.parametrize(
    ("field", "unit"),
    [
        ("oil_mg_m3", "ppm"),
        ("water_mg_m3", "%"),
        ("co_ppm", "bar"),
        (PRESSURE, "°C"),
        (FLOW, "min"),
        (ATMOSPHERE, "kg/cm²"),
        ("oxygen_pct", "mg/m³"),
        (PRESSURE, "furlongs"),
        (PRESSURE, ""),
        (PRESSURE, UNTOLD),
        ("water_multiplier", "%"),
        ("site", "bar"),
    ],
)
def test_a_unit_that_does_not_belong_is_not_converted(field, unit):
    assert convert(field, unit, 5.0) is None and not belongs(field, unit)


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("l/min.", "L/min"),
        ("L / MIN", "L/min"),
        ("Nl/min", "NL/min"),
        ("l/mn", "L/min"),
        ("m3/h", "m³/h"),
        ("m³/hr", "m³/h"),
        ("SCFM", "scfm"),
        ("SLPM", "sL/min"),
        ("litres/mn", "L/min"),
        ("bar eff.", "bar"),
        ("ppm-v", "ppm"),
        ("% en volume", "%"),
        ("mg je m³", "mg/m³"),
        ("barg", "bar"),
        ("bar (g)", "bar"),
        ("bar a", "bar absolute"),
        ("bar abs.", "bar absolute"),
        ("bar ü", "bar"),
        ("PSIG", "psi"),
        ("psia", "psi absolute"),
        ("kgf/cm²", "kg/cm²"),
        ("kg/cm2", "kg/cm²"),
        ("ºC", "°C"),
        ("deg C", "°C"),
        ("°f", "°F"),
        ("mL/m³", "ppm"),
        ("ppm v/v", "ppm"),
        ("Vol.-%", "%"),
        ("% vol", "%"),
        ("mg / m³", "mg/m³"),
        ("mg\u00b7m-3", "mg/m³"),
        ("μg/m³", "µg/m³"),
        ("mg/Nm3", "mg/Nm³"),
        ("mbar", "hPa"),
        ("mm Hg", "mmHg"),
        ("mins", "min"),
        ("Monate", "months"),
        ("[mg/m3]", "mg/m³"),
        ("(ppm)", "ppm"),
        ("furlongs", None),
        ("", None),
        ("()", None),
        ("CO", None),
    ],
)
def test_canonical(text, unit):
    assert canonical(text) == unit


def test_no_spelling_means_two_units():
    seen: dict[str, str] = {}
    for unit, entry in DATA["unit"].items():
        for spelling in {fold(s) for s in (unit, *entry["spellings"])} - {""}:
            assert seen.setdefault(spelling, unit) == unit, spelling
        if unit:
            assert known_unit(unit) == unit


def test_the_data_file_holds_together():
    for kind in DATA["kind"].values():
        assert set(kind["fields"]) <= {*NUMBER_FIELDS, *REGISTER_FIELDS} and set(kind["units"]) <= set(DATA["unit"])
        assert not (kind.get("needed") and kind.get("default"))
        assert kind.get("default", kind["units"][0]) in kind["units"]
    for clash in DATA["clash"]:
        ends = {**clash.get("below", {}), **clash.get("above", {})}
        assert ends and all(belongs(f, u) for f in clash["fields"] for u in ends), clash
        assert set(clash["parameters"]) <= set(PARAMETERS) and clash["perhaps"]
        assert set(clash.get("supplies", [])) <= set(FIELDS["supply"].words)


@pytest.mark.parametrize(
    "field",
    [
        "water_tube_mg_m3",
        "water_mg_m3",
        "oil_mg_m3",
        PRESSURE,
        "lowest_pressure_bar",
        "ambient_temperature_c",
        FLOW,
        "flow_needed_l_min",
        "dew_point_measured_c",
        "dew_point_measured_at_bar",
        "oil_sampling_min",
        "interval_months",
    ],
)
def test_fields_whose_unit_must_be_stated(field):
    assert unit_needed(field) and assumed(field, [1.0]) is None and units._kinds()[field].why
    unit, codes = column_unit(field, None, [1.0])
    assert unit == UNTOLD and [code for code, _ in codes] == ["unit_not_told"]
    assert convert(field, unit, 5.0) is None


@pytest.mark.parametrize(
    ("field", "values", "unit"),
    [
        ("oxygen_pct", [20.9, 0.209, "20,8"], "%"),
        ("co_ppm", [0, 1.0, "ND", None, 12], "ppm"),
        ("co_ppm", [0.0002, 0.0], None),  # per cent
        ("co2_ppm", [415, 0], "ppm"),
        ("co2_ppm", [0.0415], None),
        ("co2_ppm", [415, 0.05], None),
        (ATMOSPHERE, [1013, 987.5], "hPa"),
        (ATMOSPHERE, [760], None),
        (ATMOSPHERE, [101.3], None),
        ("water_multiplier", [10], ""),
        ("site", ["x"], None),
    ],
)
def test_a_unit_is_assumed_only_where_the_figures_make_it_plain(field, values, unit):
    assert assumed(field, values) == unit


def test_column_unit_says_what_was_done():
    def codes(*args):
        unit, said = column_unit(*args)
        return unit, [code for code, _ in said]

    assert codes(PRESSURE, "bar") == ("bar", [])
    assert codes(PRESSURE, "PSIG") == ("psi", ["unit_converted"])
    assert codes(PRESSURE, "bar a") == ("bar absolute", ["unit_converted", "unit_absolute"])
    assert codes(ATMOSPHERE, "bar a") == ("bar absolute", ["unit_converted"])
    assert codes(FLOW, "Nl/min") == ("NL/min", ["unit_converted", "unit_normal"])
    assert codes("oil_mg_m3", "ppm") == ("ppm", ["unit_other"])
    assert codes("oil_mg_m3", "drops") == ("drops", ["unit_other"])
    assert codes("co_ppm", None, [3]) == ("ppm", ["unit_assumed"])
    assert codes("water_multiplier", None, [10]) == ("", [])
    assert is_absolute("psi absolute") and not is_absolute("psi") and not is_absolute("?")


def test_words_of_the_codes_take_the_params_given():
    for field, stated, values in [
        (PRESSURE, None, ()),
        (PRESSURE, "bar a", ()),
        (FLOW, "Nl/min", ()),
        (FLOW, "scfm", ()),
        ("oil_mg_m3", "ppm", ()),
        ("co_ppm", None, ()),
    ]:
        for code, params in column_unit(field, stated, values)[1]:
            entry = words()["problem"][code]
            for text in (entry["text"], entry["todo"]):
                assert not re.search(r"\{[a-z_]+\}", text.format(heading="X", value="1", field=field, **params))


@pytest.mark.parametrize(
    ("field", "unit", "value", "supply"),
    [
        (PRESSURE, "bar", 90.0, "airline"),
        (PRESSURE, "bar", 650.0, "airline"),
        ("lowest_pressure_bar", "bar", 60.0, "airline"),
        ("lowest_pressure_bar", "psi", 5.0, "airline"),
        (PRESSURE, "psi", 6.0, "airline"),
        (PRESSURE, "MPa", 7.0, "airline"),
        (PRESSURE, "kPa", 7.0, "airline"),
        (PRESSURE, "bar", 3000.0, "cylinder"),
        (PRESSURE, "psi", 200.0, "cylinder"),
        ("airline_temperature_c", "°C", 68.0, None),
        ("ambient_temperature_c", "°C", 68.0, None),
        ("dew_point_measured_c", "°C", 36.0, None),
        ("ambient_temperature_c", "K", 20.0, None),
        ("ambient_temperature_c", "°F", 293.0, None),
        (FLOW, "L/min", 5.3, "airline"),
        (FLOW, "cfm", 150.0, "airline"),
        (FLOW, "m³/h", 150.0, "airline"),
        ("oxygen_pct", "ppm", 20.9, None),
        ("co_ppm", "ppm", 0.0005, None),
        ("co2_ppm", "ppm", 0.05, None),
        ("co2_ppm", "%", 420.0, None),
        ("oil_mg_m3", "µg/m³", 0.1, None),
        ("water_tube_mg_m3", "mg/m³", 0.4, None),
        ("water_mg_m3", "g/m³", 50.0, None),
        ("oil_sampling_min", "min", 900.0, None),
        ("oil_sampling_needed_min", "s", 15.0, None),
    ],
)
def test_a_unit_that_contradicts_the_figure(field, unit, value, supply):
    assert suspicious(field, unit, value, supply) == "unit_clash"
    assert suspicious(field, unit, np.array([0.0, np.nan, value]), supply) == "unit_clash"
    figures = np.array([0.0, np.nan, value])
    hits = [c.hits(figures).tolist() for c in clashes(field, unit)]
    assert [False, False, True] in hits and all(h[:2] == [False, False] for h in hits)
    turned = convert(field, unit, figures)
    assert [c.hits(turned).tolist() for c in clashes(field, unit, converted=True)] == hits


@pytest.mark.parametrize(
    ("field", "unit", "value", "supply"),
    [
        (PRESSURE, "bar", 7.0, "airline"),
        (PRESSURE, "bar", 16.0, "airline"),
        (PRESSURE, "bar", 90.0, "cylinder"),
        (PRESSURE, "bar", 90.0, None),
        (PRESSURE, "bar", 300.0, "charging compressor"),
        (PRESSURE, "psi", 87.0, "airline"),
        (PRESSURE, "psi", 4350.0, "cylinder"),
        (PRESSURE, "MPa", 0.7, "airline"),
        (PRESSURE, "kPa", 700.0, "airline"),
        ("airline_temperature_c", "°C", 35.0, None),
        ("ambient_temperature_c", "°F", 68.0, None),
        ("dew_point_measured_c", "°C", -40.0, None),
        (FLOW, "L/min", 150.0, "airline"),
        (FLOW, "m³/h", 12.0, "airline"),
        (FLOW, "cfm", 6.0, "airline"),
        ("oxygen_pct", "%", 20.9, None),
        ("co_ppm", "ppm", 3.0, None),
        ("co_ppm", "ppm", 0.0, None),
        ("co2_ppm", "ppm", 430.0, None),
        ("co2_ppm", "%", 0.043, None),
        ("oil_mg_m3", "mg/m³", 0.1, None),
        ("water_tube_mg_m3", "mg/m³", 60.0, None),
        ("water_mg_m3", "g/m³", 0.06, None),
        ("oil_sampling_min", "min", 15.0, None),
    ],
)
def test_usual_figures_do_not_clash(field, unit, value, supply):
    assert suspicious(field, unit, value, supply) is None
    assert suspicious(field, unit, np.array([value, np.nan]), supply) is None


@pytest.mark.parametrize(
    ("text", "field", "column", "value"),
    [
        ("87 psi", PRESSURE, None, 87.0 * codata.psi / codata.bar),
        ("0,7 MPa", PRESSURE, None, 7.0),
        ("6 bar", PRESSURE, "psi", 6.0),
        ("87", PRESSURE, "psi", 87.0 * codata.psi / codata.bar),
        ("8.01325 bar abs", PRESSURE, None, 7.0),
        ("7.1380 kg/cm²", PRESSURE, None, 7.0),
        ("10 m³/h", FLOW, None, 1000.0 / 6.0),
        ("68 °F", "ambient_temperature_c", None, 20.0),
        ("0.04 %", "co2_ppm", None, 400.0),
        ("50", "water_tube_mg_m3", UNTOLD, None),
        ("50 mg/m³", "water_tube_mg_m3", UNTOLD, 50.0),
        ("0.5 ppm", "oil_mg_m3", None, None),
        ("10 psia", PRESSURE, None, None),  # below the atmosphere: no pressure of a line
    ],
)
def test_cells_with_a_unit_of_their_own(text, field, column, value):
    reading = read_number(text, number_rule(field), unit=column)
    if value is None:
        assert reading.code and math.isnan(reading.value)
    else:
        assert reading.value == pytest.approx(value, rel=1e-5)


def test_bounds_and_words_keep_their_meaning_in_another_unit():
    bound = read_number("<87 psi", number_rule(PRESSURE))
    assert (bound.lower, bound.upper) == (0.0, pytest.approx(5.998, abs=1e-3))
    # A stain needs no unit: the column is read although its unit is not told.
    assert read_number("stain", number_rule("oil_mg_m3"), unit=UNTOLD).lower == 0.5
    assert read_number("n/a", number_rule("oil_mg_m3"), unit=UNTOLD).code == ""


def test_very_dry_air_is_asked_about_where_it_can_be_and_doubted_where_it_cannot():
    """Design: 0.2 to 2 mg/m³ behind a desiccant or membrane dryer, or of high-pressure air, is queried only."""
    for value, dry, expected in (
        (0.19, True, "unit_clash"),
        (0.2, True, None),
        (0.2, False, "unit_clash"),
        (2.0, False, None),
    ):
        assert suspicious("water_tube_mg_m3", "mg/m³", value, None, dry) == expected, (value, dry)
    least = next(c for c in clashes("water_tube_mg_m3", "mg/m³") if c.dry is None and c.below == 0.2)
    assert least.hits(0.0, 0.2, True) and not least.hits(0.0, 0.2, False)  # <0.2 is below it, ≤0.2 need not be
