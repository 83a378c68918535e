"""`grader dewpoint`: the whole chain, each figure from outside the project."""

from __future__ import annotations

import re

import pytest

from grader.show_dewpoint import dewpoint_lines


def line(lines, start):
    return next(one for one in lines if one.startswith(start))


def figures(text):
    return [float(x) for x in re.findall(r"-?\d+(?:\.\d+)?", text)]


def test_every_step_of_the_chain():
    """500 mg/m³ at 6 bar: 667.6 ppm by the ideal gas; -3.51 °C and -24.4 °C by CoolProp 8 humid air (0.05 K)."""
    lines = dewpoint_lines(500.0, 6.0)
    assert "500 mg/m³" in lines[0] and "± 130 mg/m³" in lines[0]  # k = 2 of 12.5 %: 125, rounded up
    assert "667.6 ppm" in lines[1] and "7.013 bar" in lines[2]
    assert figures(line(lines, "Dew point at 6 bar").partition(":")[2])[0] == pytest.approx(-3.5, abs=0.05)
    assert "over ice" in line(lines, "Dew point at 6 bar")
    assert figures(line(lines, "Dew point at one atmosphere").partition(":")[2])[0] == pytest.approx(-24.4, abs=0.05)
    assert "humidity class 4" in line(lines, "ISO 8573-1:2010")  # +3 °C and below
    assert figures(line(lines, "Lowest safe use").partition(":")[2])[0] == pytest.approx(1.5, abs=0.05)  # 5 K above
    assert "competent person decides" in lines[-1]


def test_against_an_independent_humid_air_library():
    humid = pytest.importorskip("CoolProp.HumidAirProp")
    for content, bar in ((50.0, 7.0), (500.0, 6.0), (1500.0, 9.0)):
        x = content * 8.314462618 * 293.15 / (18.015268e3 * 101325.0)
        expected = humid.HAPropsSI("D", "T", 293.15, "P", bar * 1e5 + 101325.0, "psi_w", x) - 273.15
        shown = figures(line(dewpoint_lines(content, bar), f"Dew point at {bar:g} bar").partition(":")[2])[0]
        assert shown == pytest.approx(expected, abs=0.08)


def test_the_uncertainty_is_that_of_the_derivative():
    """dT/dln x is 11.9 K and dT/dln p 11.5 K there: 2 sqrt((11.9 x 0.125)^2 + (11.5 x 0.0145)^2) = 3.0 K."""
    assert "± 3 K" in line(dewpoint_lines(500.0, 6.0), "Dew point at 6 bar")


def test_above_freezing_there_is_one_dew_point():
    text = line(dewpoint_lines(1800.0, 6.0), "Dew point at 6 bar")
    assert "over water" in text and "supercooled" not in text


@pytest.mark.parametrize("content,bar,says", [(20.0, 200.0, "pressure outside"), (0.0, 6.0, "too dry")])
def test_where_there_is_no_dew_point_it_says_why_and_gives_no_temperature(content, bar, says):
    lines = dewpoint_lines(content, bar)
    assert says in line(lines, "Dew point at")
    assert not [one for one in lines if one.startswith(("Lowest safe", "ISO"))]


def test_a_multiplier_and_the_station_pressure_count():
    lines = dewpoint_lines(50.0, 7.0, 10.0, 960.0)
    assert lines[0].startswith("Water content: 500 mg/m³") and "7.96 bar" in lines[2]
