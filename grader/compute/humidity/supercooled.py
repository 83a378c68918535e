"""Dew point over supercooled water, for comparison with instruments and books that mean it.

Below 0 °C this program judges by the frost point, over ice: the warmer of the two, and so the safer.
"""

from __future__ import annotations

import math

import numpy as np

from grader.compute.humidity.constants import ZERO_CELSIUS_K
from grader.compute.humidity.dew_point import enhancement_factor

LOWEST_C, HIGHEST_C = -50.0, 0.0
# Hardy 1998 (ITS-90 formulations for vapor pressure), over water: ln(e/Pa) = sum g_i T^(i-2) + g_7 ln T, T in K.
_HARDY_WATER = (
    -2.8365744e3,
    -6.028076559e3,
    1.954263612e1,
    -2.737830188e-2,
    1.6261698e-5,
    7.0229056e-10,
    -1.8680009e-13,
)
_HARDY_LN = 2.7150305


def supercooled_vapour_pressure(temperature_c: float) -> float:
    """Vapour pressure over supercooled water, Pa.

    temperature_c : float, degC, -50 to 0.
    Returns       : float. NaN outside the range.
    Source        : Hardy 1998, equation over water (ITS-90).

    >>> round(supercooled_vapour_pressure(-11.0), 1)
    264.7
    """
    if not LOWEST_C <= temperature_c <= HIGHEST_C:
        return math.nan
    kelvin = temperature_c + ZERO_CELSIUS_K
    powers = sum(g * kelvin ** (i - 2) for i, g in enumerate(_HARDY_WATER))
    return math.exp(powers + _HARDY_LN * math.log(kelvin))


def dew_point_over_supercooled(mole_fraction: float, pressure_pa: float) -> float:
    """Dew point over supercooled water of air whose frost point lies below 0 °C.

    mole_fraction : float, mol water per mol moist air. pressure_pa : float, Pa, absolute.
    Returns       : float, degC, NaN where it lies outside -50 to 0.
    Source        : f e_s = x p, with f over ice at that temperature. Good to 0.25 K: near -45 degC the published
                    formulae for supercooled water differ by 0.7 %, and f over water is not quite f over ice.

    >>> round(dew_point_over_supercooled(6.6763e-6, 701325.0), 1)
    nan
    >>> round(dew_point_over_supercooled(33.3816e-6, 601325.0), 1)
    -39.8
    """

    def excess(t: float) -> float:
        f = float(enhancement_factor(min(t, HIGHEST_C), pressure_pa))
        return f * supercooled_vapour_pressure(t) - mole_fraction * pressure_pa

    low, high = LOWEST_C, HIGHEST_C
    if not (np.isfinite(mole_fraction) and excess(low) <= 0.0 <= excess(high)):
        return math.nan
    while high - low > 1e-6:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if excess(middle) < 0.0 else (low, middle)
    return 0.5 * (low + high)
