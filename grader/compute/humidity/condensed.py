"""Ice and liquid water: vapour pressure, molar volume, compressibility, and the air that dissolves in water.

Temperatures are in kelvin here and nothing checks ranges; `humidity` is the public face and does both.
"""

from typing import Any

import numpy as np

from grader.compute.humidity.constants import (
    DRY_AIR_MOLE_FRACTIONS,
    REFERENCE_PRESSURE_PA,
    TRIPLE_POINT_K,
    TRIPLE_POINT_PA,
    WATER_CRITICAL_DENSITY_KG_M3,
    WATER_CRITICAL_PRESSURE_PA,
    WATER_CRITICAL_TEMPERATURE_K,
    WATER_MOLAR_MASS_G_MOL,
    ZERO_CELSIUS_K,
)

_MOLAR_MASS_KG_MOL = WATER_MOLAR_MASS_G_MOL * 1e-3

# IAPWS R14-08(2011), sublimation pressure: (coefficient, exponent of T / 273.16 K).
_SUBLIMATION = ((-0.212144006e2, 0.333333333e-2), (0.273203819e2, 0.120666667e1), (-0.610598130e1, 0.170333333e1))

# IAPWS R7-97(2012), region 4, equation 30, coefficients n1 to n10.
_REGION_4 = (
    0.11670521452767e4,
    -0.72421316703206e6,
    -0.17073846940092e2,
    0.12020824702470e5,
    -0.32325550322333e7,
    0.14915108613530e2,
    -0.48232657361591e4,
    0.40511340542057e6,
    -0.23855557567849,
    0.65017534844798e3,
)

# IAPWS SR1-86(1992), density of saturated liquid: (coefficient, exponent of 1 - T/Tc).
_LIQUID_DENSITY = (
    (1.99274064, 1.0 / 3.0),
    (1.09965342, 2.0 / 3.0),
    (-0.510839303, 5.0 / 3.0),
    (-1.75493479, 16.0 / 3.0),
    (-45.5170352, 43.0 / 3.0),
    (-6.74694450e5, 110.0 / 3.0),
)

# IAPWS SR1-86(1992), vapour pressure; here only as the reference pressure of the Henry constants.
_HENRY_VAPOUR_PRESSURE = (
    (-7.85951783, 1.0),
    (1.84408259, 1.5),
    (-11.7866497, 3.0),
    (22.6807411, 3.5),
    (-15.9618719, 4.0),
    (1.80122502, 7.5),
)

# IAPWS G7-04, Henry constants in water: coefficients A, B, C.
_HENRY = {"N2": (-9.67578, 4.72162, 11.70585), "O2": (-9.44833, 4.43822, 11.42005), "Ar": (-8.40954, 4.29587, 10.52779)}

# IAPWS R10-06(2009), Gibbs energy of ice Ih: the terms that depend on pressure, J/kg and J/(kg K).
_ICE_G0 = (0.655022213658955, -0.189369929326131e-7, 0.339746123271053e-14, -0.556464869058991e-21)
_ICE_R21 = complex(-0.557107698030123e-4, 0.464578634580806e-4)
_ICE_R22 = complex(0.234801409215913e-10, -0.285651142904972e-10)
_ICE_T2 = complex(0.337315741065416, 0.335449415919309)

# Kell 1975, J. Chem. Eng. Data 20, 97: isothermal compressibility of water at one atmosphere, 1e-11/Pa
# (degC), numerator then the slope of the denominator. Figures from memory; a test holds them to IAPWS-95.
_COMPRESSIBILITY = (50.88496, 0.6163813, 1.459187e-3, 20.08438e-6, -58.47727e-9, 410.4110e-12)
_COMPRESSIBILITY_DENOMINATOR = 19.67348e-3


def ice_vapour_pressure_pa(temperature_k: np.ndarray) -> np.ndarray:
    """Vapour pressure over ice, Pa, at temperature_k (float or array, K, 50 to 273.16).

    Raises nothing. Source: IAPWS R14-08(2011), sublimation-pressure equation.

    >>> float(f"{ice_vapour_pressure_pa(230.0):.6g}")
    8.94735
    """
    reduced = temperature_k / TRIPLE_POINT_K
    total = sum(coefficient * reduced**exponent for coefficient, exponent in _SUBLIMATION)
    return TRIPLE_POINT_PA * np.exp(total / reduced)


def water_vapour_pressure_pa(temperature_k: np.ndarray) -> np.ndarray:
    """Vapour pressure over liquid water, Pa, at temperature_k (float or array, K, 273.15 to 647.096).

    Raises nothing. Source: IAPWS R7-97(2012), region 4, equation 30.

    >>> float(f"{water_vapour_pressure_pa(300.0):.9g}")
    3536.58941
    """
    n1, n2, n3, n4, n5, n6, n7, n8, n9, n10 = _REGION_4
    theta = temperature_k + n9 / (temperature_k - n10)
    a = (theta + n1) * theta + n2
    b = (n3 * theta + n4) * theta + n5
    c = (n6 * theta + n7) * theta + n8
    return 1e6 * (2.0 * c / (-b + np.sqrt(b * b - 4.0 * a * c))) ** 4


def ice_molar_volume(temperature_k: np.ndarray, pressure_pa: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Molar volume of ice, m3/mol, and its isothermal compressibility, 1/Pa.

    temperature_k, pressure_pa : float or array, K and Pa.
    Returns two arrays of the common shape. Raises nothing.
    Source: IAPWS R10-06(2009), first and second pressure derivative of the Gibbs energy.
    """
    excess = (pressure_pa - REFERENCE_PRESSURE_PA) / TRIPLE_POINT_PA
    reduced = np.asarray(temperature_k, dtype=float) / TRIPLE_POINT_K
    t2 = _ICE_T2
    shape = (
        (t2 - reduced) * np.log(t2 - reduced)
        + (t2 + reduced) * np.log(t2 + reduced)
        - 2.0 * t2 * np.log(t2)
        - reduced**2 / t2
    )
    slope = sum(k * g * excess ** (k - 1) for k, g in enumerate(_ICE_G0, start=1))
    slope = slope + TRIPLE_POINT_K * ((_ICE_R21 + 2.0 * _ICE_R22 * excess) * shape).real
    curvature = sum(k * (k - 1) * g * excess ** (k - 2) for k, g in enumerate(_ICE_G0, start=1) if k > 1)
    curvature = curvature + TRIPLE_POINT_K * (2.0 * _ICE_R22 * shape).real
    specific_volume = slope / TRIPLE_POINT_PA
    compressibility = -curvature / TRIPLE_POINT_PA**2 / specific_volume
    return _MOLAR_MASS_KG_MOL * specific_volume, compressibility


def water_molar_volume(temperature_k: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Molar volume of saturated liquid water, m3/mol, and its isothermal compressibility, 1/Pa.

    temperature_k : float or array, K, 273.15 to 423 (the compressibility's range).
    Returns two arrays of that shape. Raises nothing.
    Source: IAPWS SR1-86(1992) for the density; Kell 1975 for the compressibility.
    """
    closeness = 1.0 - temperature_k / WATER_CRITICAL_TEMPERATURE_K
    reduced: Any = 1.0 + sum(coefficient * closeness**exponent for coefficient, exponent in _LIQUID_DENSITY)
    temperature_c = temperature_k - ZERO_CELSIUS_K
    numerator = sum(c * temperature_c**i for i, c in enumerate(_COMPRESSIBILITY))
    compressibility = 1e-11 * numerator / (1.0 + _COMPRESSIBILITY_DENOMINATOR * temperature_c)
    return _MOLAR_MASS_KG_MOL / (WATER_CRITICAL_DENSITY_KG_M3 * reduced), compressibility


def air_solubility(temperature_k: np.ndarray) -> Any:
    """Mole fraction of air that water takes up per pascal of air above it, 1/Pa (the inverse Henry constant).

    temperature_k : float or array, K, 278 to 616; used, as in ASHRAE RP-1485, down to 273.16.
    Returns a float or array of that shape. Raises nothing.
    Source: IAPWS G7-04, equation 3, for nitrogen, oxygen and argon, mixed as in ASHRAE RP-1485.
    """
    reduced = temperature_k / WATER_CRITICAL_TEMPERATURE_K
    tau = 1.0 - reduced
    pressure_term = sum(coefficient * tau**exponent for coefficient, exponent in _HENRY_VAPOUR_PRESSURE)
    total: Any = 0.0
    for gas, fraction in DRY_AIR_MOLE_FRACTIONS.items():
        a, b, c = _HENRY[gas]
        log_ratio = (pressure_term + a + b * tau**0.355) / reduced + c * reduced**-0.41 * np.exp(tau)
        total = total + fraction / (WATER_CRITICAL_PRESSURE_PA * np.exp(log_ratio))
    return total
