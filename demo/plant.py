"""A simple plant: what the air of an invented compressed-air system really holds, and how it is read.

Nothing here imports grader: the demo is an outside check of the program's own water and dew-point arithmetic.
Only the formulas marked with a source are physics from a publication; everything else (how fast a dryer
fades, how a filter clogs, how outdoor air warms) is invented and kept plain.
"""

from __future__ import annotations

import datetime as dt
import math
import random

# Molar mass of water, g/mol (the value of IAPWS R6-95), and molar gas constant, J/(mol K) (exact in the SI).
WATER_MOLAR_MASS_G_MOL = 18.015268
GAS_CONSTANT = 8.314462618
REFERENCE_TEMPERATURE_K = 293.15  # contents are stated at 20 degC and 1013.25 hPa
ATMOSPHERE_BAR = 1.01325
DAYS_A_YEAR = 365.25

# Global annual mean of carbon dioxide in air, ppm: NOAA Global Monitoring Laboratory (series co2_annmean_gl).
# 2026 is not published yet: taken as 2025 plus 2.6 ppm, about a usual year's rise; an assumption.
OUTDOOR_CO2_PPM = {2022: 417.08, 2023: 419.35, 2024: 422.79, 2025: 425.64, 2026: 428.2}

# Greenspan 1976, J. Res. NBS 80A 41: ln f = alpha (1 - e/p) + beta (p/e - 1), t in degC.
_GREENSPAN_WATER = ((3.53624e-4, 2.93228e-5, 2.61474e-7, 8.57538e-9), (-10.7588, 6.32529e-2, -2.53591e-4, 6.33784e-7))
_GREENSPAN_ICE = ((3.64449e-4, 2.93631e-5, 4.88635e-7, 4.36543e-9), (-10.7271, 7.61989e-2, -1.74771e-4, 2.46721e-6))


def saturation_pressure_pa(temperature_c: float) -> float:
    """Vapour pressure over water, below 0 degC over ice.

    temperature_c : degC, -65 to 60.
    Returns       : Pa.
    Source        : WMO-No.8 (2008 edition, Annex 4.B), Magnus form; the two constants over ice from memory.

    >>> round(saturation_pressure_pa(20.0))
    2333
    """
    if temperature_c < 0.0:
        return 611.2 * math.exp(22.46 * temperature_c / (272.62 + temperature_c))
    return 611.2 * math.exp(17.62 * temperature_c / (243.12 + temperature_c))


def enhancement_factor(temperature_c: float, pressure_pa: float) -> float:
    """How much more vapour saturated air holds than the empty space would, at `pressure_pa` (absolute).

    Source : Greenspan 1976, J. Res. NBS 80A 41.

    >>> round(enhancement_factor(0.0, 1e5), 4), round(enhancement_factor(0.0, 10e5), 4)
    (1.0038, 1.0357)
    """
    a, b = _GREENSPAN_ICE if temperature_c < 0.0 else _GREENSPAN_WATER
    alpha = sum(c * temperature_c**i for i, c in enumerate(a))
    beta = math.exp(sum(c * temperature_c**i for i, c in enumerate(b)))
    vapour = saturation_pressure_pa(temperature_c)
    return math.exp(alpha * (1.0 - vapour / pressure_pa) + beta * (pressure_pa / vapour - 1.0))


def water_content_mg_m3(dew_point_c: float, pressure_bar: float) -> float:
    """Water content of air with that pressure dew point (frost point below 0 degC).

    dew_point_c  : degC, -65 to 60.
    pressure_bar : absolute pressure at which the dew point is meant, bar.
    Returns      : mg per m3 of expanded air at 20 degC and 1013.25 hPa.
    """
    pressure_pa = pressure_bar * 1e5
    vapour = enhancement_factor(dew_point_c, pressure_pa) * saturation_pressure_pa(dew_point_c)
    mole_fraction = vapour / pressure_pa
    molar_volume_m3 = GAS_CONSTANT * REFERENCE_TEMPERATURE_K / (ATMOSPHERE_BAR * 1e5)
    return mole_fraction * WATER_MOLAR_MASS_G_MOL * 1e3 / molar_volume_m3


def years_between(start: dt.date, end: dt.date) -> float:
    """Years from start to end, negative where end is earlier."""
    return (end - start).days / DAYS_A_YEAR


def outdoor_temperature_c(day: dt.date, sway_k: float = 0.0) -> float:
    """Air temperature out of doors, degC: a cosine over the year, coldest on 20 January, plus a sway."""
    season = math.cos(2.0 * math.pi * (day.timetuple().tm_yday - 20) / DAYS_A_YEAR)
    return 10.0 - 7.0 * season + sway_k


def outdoor_co2_ppm(day: dt.date) -> float:
    """Carbon dioxide out of doors, ppm: the year's mean, moved on by the day, 4 ppm higher in late winter."""
    here, before = OUTDOOR_CO2_PPM[day.year], OUTDOOR_CO2_PPM[day.year - 1]
    through_year = day.timetuple().tm_yday / DAYS_A_YEAR - 0.5
    season = 4.0 * math.cos(2.0 * math.pi * (day.timetuple().tm_yday - 75) / DAYS_A_YEAR)
    return here + (here - before) * through_year + season


def refrigerant_dew_point_c(day: dt.date, since: dt.date, fresh_c: float, rise_k_year: float) -> float:
    """Dew point behind a refrigerant dryer, degC: steady, or climbing as it loses refrigerant.

    Never below 2 degC, where its water would freeze (common practice, no source).
    """
    return max(2.0, fresh_c + rise_k_year * max(0.0, years_between(since, day)))


def desiccant_dew_point_c(day: dt.date, filled: dt.date, fresh_c: float, rise_k: float, life_years: float) -> float:
    """Frost point behind a desiccant dryer, degC: slow at first, then faster, `rise_k` up at `life_years`."""
    age_share = max(0.0, years_between(filled, day)) / life_years
    return fresh_c + rise_k * age_share**1.5


def undried_content_mg_m3(receiver_c: float, receiver_bar: float) -> float:
    """Air with no dryer, mg/m3: it leaves the receiver saturated at its temperature and absolute pressure."""
    return water_content_mg_m3(receiver_c, receiver_bar)


def flow_and_pressure(main_bar: float, resistance: float, nozzle: float) -> tuple[float, float]:
    """Flow and outlet pressure where a choked nozzle (the wearer's equipment) hangs on a hose.

    main_bar   : gauge pressure before the hose and its filter, bar.
    resistance : bar per (L/min) squared; grows as hose or filter clogs. Above 0.
    nozzle     : L/min per bar of absolute pressure: flow = nozzle * (outlet pressure + 1 atmosphere).
    Returns    : (flow in L/min, outlet gauge pressure in bar); outlet = main - resistance * flow squared.

    >>> flow, outlet = flow_and_pressure(6.0, 2e-5, 30.0)
    >>> abs(6.0 - 2e-5 * flow**2 - outlet) < 1e-9 and abs(flow - 30.0 * (outlet + ATMOSPHERE_BAR)) < 1e-9
    True
    """
    root = math.sqrt(1.0 / nozzle**2 + 4.0 * resistance * (main_bar + ATMOSPHERE_BAR))
    flow = (root - 1.0 / nozzle) / (2.0 * resistance)
    return flow, main_bar - resistance * flow**2


def scattered(value: float, relative_scatter: float, stream: random.Random) -> float:
    """A reading of `value` by a tube: normal scatter, cut off at twice its standard deviation.

    The cut keeps a bad draw of the invented data from looking like a finding.
    """
    return value * (1.0 + relative_scatter * max(-2.0, min(2.0, stream.gauss(0.0, 1.0))))


def read_to_digits(value: float, digits: int = 2) -> float:
    """A tube is read to its marks, here two figures that count.

    >>> read_to_digits(71.46), read_to_digits(223.0), read_to_digits(0.0)
    (71.0, 220.0, 0.0)
    """
    if value == 0.0:
        return 0.0
    return round(value, digits - 1 - math.floor(math.log10(abs(value))))


def mark_width(value: float, digits: int = 2) -> float:
    """Distance between two marks near `value`: what `read_to_digits` can lose is half of it.

    >>> mark_width(71.0), mark_width(6.4)
    (1.0, 0.1)
    """
    return 10.0 ** (math.floor(math.log10(abs(value))) - digits + 1)
