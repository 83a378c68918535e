"""Second and third virial coefficients of air and water, and the fugacity of water in moist air.

The model is the IAPWS guideline G11-15, "Virial Equation for the Fugacity of H2O in Humid Air": dry air after
Lemmon et al. 2000, pure water after IAPWS-95 (R6-95), and air-water cross coefficients after Harvey and
Huang 2007 (second) and Hyland and Wexler 1983 (third; who they are after is from memory, the figures are not:
they give the guideline's printed check values). ASHRAE RP-1485 rests on the same coefficients.
Stated range: 193 to 473 K, up to 5 MPa. Nothing here checks ranges; `humidity` does.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, NamedTuple

import numpy as np

from grader.compute.humidity.constants import (
    AIR_REDUCING_DENSITY_MOL_M3,
    AIR_REDUCING_TEMPERATURE_K,
    GAS_CONSTANT_J_MOL_K,
    WATER_CRITICAL_DENSITY_KG_M3,
    WATER_CRITICAL_TEMPERATURE_K,
    WATER_MOLAR_MASS_G_MOL,
)

# Every table below is (coefficient, exponent of the reduced temperature), only the terms of the reduced
# residual Helmholtz energy that are left at zero density: "linear" terms n*delta*tau^t give B, "quadratic"
# terms n*delta^2*tau^t give C, and a linear term damped by exp(-delta) gives both.

# Lemmon et al. 2000, equation of state of dry air.
_AIR_LINEAR = (
    (0.118160747229, 0.0),
    (0.713116392079, 0.33),
    (-1.61824192067, 1.01),
    (-0.146629609713, 3.6),
    (0.0148287891978, 3.5),
)
_AIR_LINEAR_DAMPED = ((-0.101365037912, 1.6),)
_AIR_QUADRATIC = ((0.0714140178971, 0.0),)

# IAPWS R6-95, table 2, terms 1-3 and 23 / 8-10 / 4, 5, 11, 12, 24, 25 and 26.
_WATER_LINEAR = (
    (0.12533547935523e-1, -0.5),
    (0.78957634722828e1, 0.875),
    (-0.87803203303561e1, 1.0),
    (-0.10793600908932, 7.0),
)
_WATER_LINEAR_DAMPED = ((-0.66856572307965, 4.0), (0.20433810950965, 6.0), (-0.66212605039687e-4, 12.0))
_WATER_QUADRATIC = (
    (0.31802509345418, 0.5),
    (-0.26145533859358, 0.75),
    (-0.19232721156002, 1.0),
    (-0.25709043003438, 5.0),
    (0.17611491008752e-1, 1.0),
    (0.22132295167546, 9.0),
    (-0.40247669763528, 10.0),
)
# IAPWS R6-95, table 2, the two terms of the critical region: n, a, b, B, C, D, A, beta.
_WATER_CRITICAL = (
    (-0.14874640856724, 3.5, 0.85, 0.2, 28.0, 700.0, 0.32, 0.3),
    (0.31806110878444, 3.5, 0.95, 0.2, 32.0, 800.0, 0.32, 0.3),
)

# IAPWS G11-15, table 3; temperature in units of 100 K, results in cm3/mol, cm6/mol2.
_CROSS_BAW = ((66.5687, -0.237), (-238.834, -1.048), (-176.755, -3.183))
_CROSS_CAAW = (0.482737e-3, 0.105678e-2, -0.656394e-2, 0.294442e-1, -0.319317e-1)
_CROSS_CAWW = (-10.728876, 34.7802, -38.3383, 33.406)


class Virials(NamedTuple):
    """Virial coefficients at one temperature or an array of them; a = air, w = water.

    B.. m3/mol, C... m6/mol2, or, after `per_rt`, 1/Pa and 1/Pa2.
    """

    baa: np.ndarray
    baw: np.ndarray
    bww: np.ndarray
    caaa: np.ndarray
    caaw: np.ndarray
    caww: np.ndarray
    cwww: np.ndarray

    def per_rt(self, temperature_k: np.ndarray) -> Virials:
        """The same coefficients over R T (B) and (R T) squared (C), as the pressure series needs them."""
        rt = GAS_CONSTANT_J_MOL_K * temperature_k
        return Virials(*(value / rt for value in self[:3]), *(value / rt**2 for value in self[3:]))


def _power_sum(terms: Iterable[tuple[float, float]], base: np.ndarray) -> Any:
    total: Any = 0.0
    for coefficient, exponent in terms:
        total = total + coefficient * base**exponent
    return total


def _water_critical_terms(tau: np.ndarray) -> tuple[Any, Any]:
    """First and second density derivative, at zero density, of the critical-region terms of IAPWS-95."""
    first: Any = 0.0
    second: Any = 0.0
    for n, a, b, big_b, c, d, big_a, beta in _WATER_CRITICAL:
        theta = 1.0 - tau + big_a
        distance = theta**2 + big_b
        distance_slope = -(2.0 * big_a * theta / beta + 2.0 * big_b * a)
        psi = np.exp(-c - d * (tau - 1.0) ** 2)
        product = distance**b * psi
        product_slope = psi * b * distance ** (b - 1.0) * distance_slope + 2.0 * c * product
        first = first + n * product
        second = second + 2.0 * n * product_slope
    return first, second


def virial_coefficients(temperature_k: Any) -> Virials:
    """Virial coefficients of dry air, water and their mixture.

    temperature_k : float or array of any shape, K.
    Returns         Virials, each field of that shape; m3/mol and m6/mol2.
    Raises          nothing; below 193 K or above 473 K the cross coefficients are extrapolated.
    Source          IAPWS G11-15 equations 7 to 9; R6-95 and Lemmon et al. 2000 for the pure substances.

    >>> float(f"{virial_coefficients(200.0).baa:.9g}")
    -3.92722567e-05
    """
    temperature_k = np.asarray(temperature_k, dtype=float)

    tau = AIR_REDUCING_TEMPERATURE_K / temperature_k
    damped = _power_sum(_AIR_LINEAR_DAMPED, tau)
    baa = (_power_sum(_AIR_LINEAR, tau) + damped) / AIR_REDUCING_DENSITY_MOL_M3
    caaa = 2.0 * (_power_sum(_AIR_QUADRATIC, tau) - damped) / AIR_REDUCING_DENSITY_MOL_M3**2

    tau = WATER_CRITICAL_TEMPERATURE_K / temperature_k
    density_mol_m3 = WATER_CRITICAL_DENSITY_KG_M3 / (WATER_MOLAR_MASS_G_MOL * 1e-3)
    damped = _power_sum(_WATER_LINEAR_DAMPED, tau)
    critical_first, critical_second = _water_critical_terms(tau)
    bww = (_power_sum(_WATER_LINEAR, tau) + damped + critical_first) / density_mol_m3
    cwww = (2.0 * (_power_sum(_WATER_QUADRATIC, tau) - damped) + critical_second) / density_mol_m3**2

    hundreds = temperature_k / 100.0
    baw = 1e-6 * _power_sum(_CROSS_BAW, hundreds)
    caaw: Any = 1e-6 * sum(c / hundreds**i for i, c in enumerate(_CROSS_CAAW))
    caww = -1e-6 * np.exp(sum(c / hundreds**i for i, c in enumerate(_CROSS_CAWW)))
    return Virials(baa, baw, bww, caaa, caaw, caww, cwww)


def log_fugacity_coefficient(virials: Virials, pressure_pa: np.ndarray, mole_fraction: np.ndarray | float) -> Any:
    """Natural logarithm of the fugacity coefficient of water vapour in moist air.

    virials       : Virials already divided by R T (`Virials.per_rt`).
    pressure_pa   : float or array, Pa, absolute.
    mole_fraction : float or array, mol water per mol moist air; 1 is pure water vapour.
    Returns         float or array of the common shape, without unit.
    Raises          nothing.
    Source          IAPWS G11-15 equations 2 to 4.
    """
    baa, baw, bww, caaa, caaw, caww, cwww = virials
    x, y = mole_fraction, 1.0 - mole_fraction
    beta = x * (1.0 + y) * bww + y * y * (2.0 * baw - baa)
    mixture_b = x * x * bww + 2.0 * x * y * baw + y * y * baa
    gamma = (
        x * x * (3.0 - 2.0 * x) * cwww
        + y * y * (6.0 * x * caww + 3.0 * (1.0 - 2.0 * x) * caaw - 2.0 * y * caaa)
        + mixture_b * (x * (3.0 * x - 4.0) * bww + 2.0 * y * (3.0 * x - 2.0) * baw + 3.0 * y * y * baa)
    )
    return pressure_pa * (beta + 0.5 * gamma * pressure_pa)


def fugacity(temperature_k: np.ndarray, pressure_pa: np.ndarray, mole_fraction: np.ndarray | float) -> Any:
    """Fugacity of water vapour in moist air, the pressure that counts against the condensed phase.

    temperature_k : float or array, K, 193 to 473.
    pressure_pa   : float or array, Pa, absolute, up to 5e6.
    mole_fraction : float or array, mol water per mol moist air, 0 to 1.
    Returns         float or array of the common shape, Pa.
    Raises          nothing.
    Source          IAPWS G11-15 equation 2.

    >>> float(f"{fugacity(300.0, 1.0e6, 0.1):.7g}")
    88406.17
    """
    virials = virial_coefficients(temperature_k).per_rt(np.asarray(temperature_k, dtype=float))
    return mole_fraction * pressure_pa * np.exp(log_fugacity_coefficient(virials, pressure_pa, mole_fraction))
