"""Moist air by another library (CoolProp's humid air, RP-1485), with the design's own steps around it."""

from __future__ import annotations

import math
from functools import lru_cache

from CoolProp.HumidAirProp import HAPropsSI

GAS_CONSTANT = 8.314462618  # J/(mol K), CODATA 2018
MOLAR_MASS = 18.015268  # g/mol, IAPWS R6-95
PPM_PER_MG_M3 = GAS_CONSTANT * 293.15 / (MOLAR_MASS * 101325.0) * 1000.0  # 20 °C and 1013.25 hPa
ATMOSPHERE_HPA = 1013.25
COLDEST_C, HOTTEST_C = -80.0, 100.0  # the range that the design lets a dew point be shown in


@lru_cache(maxsize=200_000)
def dew_point_c(fraction: float, pressure_bar: float) -> float:
    """Dew or frost point, °C, of a mole fraction of water at an absolute pressure; -inf where drier than -80 °C."""
    if fraction <= 0.0:
        return -math.inf
    if math.isinf(fraction) or fraction >= 0.9:
        return math.inf
    if fraction < fraction_of(COLDEST_C, pressure_bar):
        return -math.inf
    warm = fraction_of(HOTTEST_C, pressure_bar)
    if fraction >= warm:
        return math.inf
    low, high = COLDEST_C, HOTTEST_C
    while high - low > 1e-7:
        middle = (low + high) / 2
        low, high = (middle, high) if fraction_of(middle, pressure_bar) < fraction else (low, middle)
    return high


@lru_cache(maxsize=2_000_000)
def fraction_of(temperature_c: float, pressure_bar: float) -> float:
    """Mole fraction of water in air saturated at a temperature and an absolute pressure."""
    try:
        return float(HAPropsSI("psi_w", "T", temperature_c + 273.15, "P", pressure_bar * 1e5, "R", 1.0))
    except ValueError:
        return 0.999


def fraction_of_content(content_mg_m3: float) -> float:
    return content_mg_m3 * PPM_PER_MG_M3 * 1e-6


def content_of_fraction(fraction: float) -> float:
    return fraction * 1e6 / PPM_PER_MG_M3
