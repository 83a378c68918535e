"""Uncertainty of dew points against a Monte Carlo of the whole, unlinearised chain."""

from __future__ import annotations

import numpy as np
import pytest

from grader.compute.humidity import dew_point as humidity
from grader.compute.humidity.sensitivity import of_dew_point
from grader.judge.carried import water_chain
from grader.judge.uncertainty import standards
from tests.support import AIRLINE, graded

# Of so many draws a standard deviation is known to 0.22 % (1 / sqrt(2 n)), a chance to 0.0012 where it is 0.16 and to 0.0016
# where it is a half (sqrt(p q / n)); the tolerances leave three of these beside what is said at each.
DRAWS = 100_000


@pytest.mark.parametrize("content,bar,u_rel", [(500.0, 6.0, 0.125), (60.0, 7.0, 0.125), (1500.0, 9.0, 0.05)])
def test_propagation_against_a_monte_carlo(content, bar, u_rel):
    """JCGM 101:2008 (propagation of distributions): normal content and pressure through the full equations.

    Tolerance 3 %: the logarithm is bent, and 12.5 % of content is no small step for it (ln 1.125 - ln 0.875
    is 0.251, not 0.25, and draws three u out bend more): of a million draws it is 1.7 %, and 0.014 of the chance.
    """
    random = np.random.default_rng(20261125)
    pascal = float(humidity.absolute_pressure_pa(bar))
    u_p = 1.5e4
    x = humidity.mole_fraction(content * (1.0 + u_rel * random.standard_normal(DRAWS)))
    p = pascal + u_p * random.standard_normal(DRAWS)
    dew = humidity.dew_point(x, p)
    assert np.isfinite(dew).all()
    stated = float(of_dew_point(humidity.mole_fraction(content), pascal, u_rel, u_p / pascal))
    assert stated == pytest.approx(np.nanstd(dew), rel=0.03)
    # And the chance that follows, for a limit on the far side of one standard uncertainty (Phi(-1) = 0.158655).
    limit = float(humidity.dew_point(humidity.mole_fraction(content), pascal)) + stated
    assert (dew > limit).mean() == pytest.approx(0.158655, abs=0.018)


def test_the_judged_margin_against_a_monte_carlo():
    """As above, with the temperature: the chance that the margin is below 5 K."""
    tests, _ = graded(
        [
            {
                **AIRLINE,
                "water_tube_mg_m3": 500.0,
                "ambient_temperature_c": 8.0,
                "lowest_use_temperature_c": 3.0,
                "airline_temperature_c": 18.0,
            }
        ]
    )
    random = np.random.default_rng(1)
    standard = standards()
    content = 500.0 + float(standard["water"].at(500.0)) * random.standard_normal(DRAWS)
    bar = 7.0 + float(standard["pressure"].at(7.0)) * random.standard_normal(DRAWS)
    station = 1013.25 + 15.0 * random.standard_normal(DRAWS)
    temperature = 3.0 + standard["margin"].absolute * random.standard_normal(DRAWS)
    dew = humidity.dew_point(humidity.mole_fraction(content), humidity.absolute_pressure_pa(bar, station))
    below = float((temperature - dew < 5.0).mean())
    assert tests["chance_over_water"][0] == pytest.approx(below, abs=0.01)
    assert 0.2 < below < 0.8  # or the check says nothing


def chain(**row):
    tests, _ = graded([{**AIRLINE, **row}])
    return water_chain(tests, standards()), tests


def test_a_dew_point_meter_is_as_good_as_itself_at_its_own_pressure():
    """u of a meter is 1 K (data/parameters.toml); its pressure adds a little, counted twice on purpose."""
    made, _ = chain(water_tube_mg_m3=None, dew_point_measured_c=-5.0, dew_point_measured_at_bar=7.0)
    assert 1.0 < made.pressure_dew_point[0] < 1.1
    assert made.margin[0] == pytest.approx(np.hypot(made.pressure_dew_point[0], 0.5))


def test_a_multiplier_multiplies_the_uncertainty_of_the_tube():
    """The floor of 2.2 mg/m³ is of the tube's own reading: 5 times 10 is uncertain by 22, 50 by 6.25."""
    tenth, _ = chain(water_tube_mg_m3=5.0, water_multiplier=10.0)
    whole, _ = chain(water_tube_mg_m3=50.0, water_multiplier=1.0)
    assert tenth.water[0] == pytest.approx(22.0) and whole.water[0] == pytest.approx(6.25)


def test_a_bound_is_taken_at_its_wetter_end_and_nothing_without_one():
    made, _ = chain(water_tube_mg_m3="<20")
    assert made.water[0] == pytest.approx(2.5)
    made, _ = chain(water_tube_mg_m3=">20")
    assert np.isnan(made.water[0]) and np.isnan(made.margin[0])
    made, _ = chain(water_tube_mg_m3=None)
    assert np.isnan(made.pressure_dew_point[0])


def test_one_atmosphere_has_no_uncertainty_of_pressure():
    """29 CFR's dew point is at one atmosphere by definition: only the content's uncertainty counts."""
    made, tests = chain(water_tube_mg_m3=60.0)
    by_x, _ = humidity.dew_point_sensitivity(humidity.mole_fraction(60.0), 101325.0)
    assert made.dew_point_1atm[0] == pytest.approx(0.125 * float(by_x))
    assert made.dew_point_1atm[0] < made.pressure_dew_point[0]
