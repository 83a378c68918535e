"""Dew points over supercooled water, against a second published formula."""

from __future__ import annotations

import math

import pytest

from grader.compute.humidity import dew_point as humidity
from grader.compute.humidity.supercooled import dew_point_over_supercooled, supercooled_vapour_pressure


@pytest.mark.parametrize(
    "celsius,pascal,tolerance",
    [
        (-5.0, 421.761, 2e-3),
        (-11.0, 264.599, 2e-3),
        (-20.0, 125.504, 2e-3),
        (-30.0, 50.9356, 2e-3),
        (-40.0, 18.9121, 7e-3),
    ],
)
def test_vapour_pressure_against_murphy_and_koop(celsius, pascal, tolerance):
    """Murphy and Koop 2005, Q. J. R. Meteorol. Soc. 131, equation 10 (computed from it); the formulations for
    supercooled water agree within 0.2 % above -30 °C, 0.7 % at -40 °C."""
    assert supercooled_vapour_pressure(celsius) == pytest.approx(pascal, rel=tolerance)


@pytest.mark.parametrize(
    "content,bar,over_water",
    [(5.0, 16.0, -45.62), (5.0, 25.0, -42.10), (25.0, 1.5, -47.63), (25.0, 3.0, -43.45), (25.0, 5.0, -39.72)],
)
def test_dew_points_against_another_formula(content, bar, over_water):
    """Computed with Murphy and Koop 2005, equation 10, for the vapour pressure. 0.25 K: near -45 °C the two
    formulae differ by 0.7 % (0.1 K), and at 25 bar f over water is not quite f over ice (0.1 K)."""
    pascal = float(humidity.absolute_pressure_pa(bar))
    found = dew_point_over_supercooled(float(humidity.mole_fraction(content)), pascal)
    assert found == pytest.approx(over_water, abs=0.25)
    assert found < float(humidity.dew_point(humidity.mole_fraction(content), pascal))


def test_known_pairs_of_frost_and_dew_point():
    """Frost points -5, -11, -20, -30 °C are dew points -5.6, -12.3, -22.2, -33.1 over supercooled water (computed
    from the saturation pressures of IAPWS R14-08 and of Murphy and Koop 2005)."""
    for frost, dew in ((-5.0, -5.6), (-11.0, -12.3), (-20.0, -22.2), (-30.0, -33.1)):
        x = float(humidity.mole_fraction_at_dew_point(frost, 101325.0))
        assert dew_point_over_supercooled(x, 101325.0) == pytest.approx(dew, abs=0.06)


def test_outside_its_range_there_is_none():
    assert math.isnan(supercooled_vapour_pressure(0.5)) and math.isnan(supercooled_vapour_pressure(-51.0))
    assert math.isnan(dew_point_over_supercooled(float("nan"), 101325.0))
    assert math.isnan(dew_point_over_supercooled(0.02, 101325.0))
