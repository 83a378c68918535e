"""Water content and dew or frost point of compressed air.

The chain: water content c (mg/m3 at 20 degC and 1013.25 hPa) -> mole fraction x -> the temperature t at
which f(t, p) e_s(t) = x p, with e_s the vapour pressure over ice below 0.01 degC and over liquid water from
0.01 degC up, and f the enhancement factor of moist air at the absolute pressure p. f comes from equal
fugacity of water in the air and in the ice or liquid: virial equation of IAPWS G11-15 for the air, Poynting
correction and dissolved air (Henry constant) for the condensed phase, the same physics as ASHRAE RP-1485
(Herrmann, Kretzschmar and Gatley 2009). At the dew point the mole fraction is known, so no inner iteration is
needed.

Validity: -80 to 100 degC (G11-15: 193 to 473 K) and 10 kPa to 5 MPa absolute (G11-15: up to 5 MPa; the lower
end is ours, far below any station pressure). Outside it every function gives NaN, `dew_point_validity` says
why, and nothing is clamped. Cylinder pressures lie outside: such air is judged by its content or by its dew
point at one atmosphere.

Around 0.01 degC: under pressure ice and liquid do not meet at 0.01 degC (pressure and dissolved air lower the
freezing point, by some 0.4 K at 40 bar), so for water contents in a narrow band a frost point just below
0.01 degC and a dew point just above it both solve the equation. They differ by less than 0.1 K, and the dew
point is given: it is the warmer, hence the safer, and liquid is what forms first. No content is left without
an answer.

Functions take floats or arrays of any shapes that broadcast; a float gives a numpy float. NaN stays NaN.
The functions of temperature alone are computed once, from the exact equations, as Chebyshev series (relative
error below 1e-9, held by a test); that is what makes a million rows a matter of seconds.
"""

from collections.abc import Callable
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import ArrayLike

from grader.compute.humidity.condensed import (
    air_solubility,
    ice_molar_volume,
    ice_vapour_pressure_pa,
    water_molar_volume,
    water_vapour_pressure_pa,
)
from grader.compute.humidity.constants import (
    GAS_CONSTANT_J_MOL_K,
    PA_PER_BAR,
    PA_PER_HPA,
    REFERENCE_PRESSURE_PA,
    REFERENCE_TEMPERATURE_K,
    STANDARD_ATMOSPHERE_HPA,
    TRIPLE_POINT_C,
    WATER_CRITICAL_TEMPERATURE_K,
    WATER_MOLAR_MASS_G_MOL,
    ZERO_CELSIUS_K,
)
from grader.compute.humidity.virial import Virials, log_fugacity_coefficient, virial_coefficients

LOWEST_DEW_POINT_C = -80.0
HIGHEST_DEW_POINT_C = 100.0
LOWEST_PRESSURE_PA = 1.0e4
HIGHEST_PRESSURE_PA = 5.0e6

# Codes of `dew_point_validity`, in words that fit behind "no dew point: ".
VALID, NOT_A_NUMBER, PRESSURE_OUTSIDE, TOO_DRY, TOO_HOT, NOT_A_FRACTION = range(6)
VALIDITY_NAMES = {
    VALID: "ok",
    NOT_A_NUMBER: "not a number",
    PRESSURE_OUTSIDE: "pressure outside the range of the formulae (0.1 to 50 bar absolute)",
    TOO_DRY: "too dry: dew point below the range of the formulae (-80 °C)",
    TOO_HOT: "too wet: dew point above the range of the formulae (100 °C)",
    NOT_A_FRACTION: "water content is negative, or more than pure water vapour holds",
}

_ROWS_A_CHUNK = 16_384  # keeps the intermediate arrays of one chunk within a few megabytes
_SERIES_DEGREE = 22
_MG_PER_G = 1.0e3
_MOL_PER_MG_M3 = (
    GAS_CONSTANT_J_MOL_K * REFERENCE_TEMPERATURE_K / (WATER_MOLAR_MASS_G_MOL * _MG_PER_G * REFERENCE_PRESSURE_PA)
)
_ICE_LOWEST_C = 50.0 - ZERO_CELSIUS_K  # range of the sublimation equation, IAPWS R14-08
_WATER_HIGHEST_C = WATER_CRITICAL_TEMPERATURE_K - ZERO_CELSIUS_K


# ---- water content, mole fraction, pressure ------------------------------------------------------------


def mole_fraction(water_mg_m3: ArrayLike) -> Any:
    """Mole fraction of water from its content in the expanded air.

    water_mg_m3 : float or array, mg of water per m3 of air at 20 degC and 1013.25 hPa.
    Returns       float or array of that shape, mol water per mol moist air. NaN stays NaN.
    Raises        nothing; a negative content gives a negative fraction, which no dew point accepts.
    Source        ideal gas, x = c R T / (M p); the real-gas correction, 0.04 %, is left out.

    >>> round(float(mole_fraction(1.0)) * 1e6, 5)
    1.33526
    """
    return np.asarray(water_mg_m3, dtype=float)[()] * _MOL_PER_MG_M3


def water_content(mole_fraction: ArrayLike) -> Any:
    """Water content from the mole fraction; the inverse of `mole_fraction`.

    mole_fraction : float or array, mol water per mol moist air.
    Returns         float or array of that shape, mg/m3 at 20 degC and 1013.25 hPa. NaN stays NaN.
    Raises          nothing.
    Source          as `mole_fraction`.

    >>> round(float(water_content(24e-6)), 2)
    17.97
    """
    return np.asarray(mole_fraction, dtype=float)[()] / _MOL_PER_MG_M3


def absolute_pressure_pa(gauge_bar: ArrayLike, atmospheric_hpa: ArrayLike = STANDARD_ATMOSPHERE_HPA) -> Any:
    """Absolute pressure from a gauge reading and the station's atmospheric pressure.

    gauge_bar       : float or array, bar above atmosphere.
    atmospheric_hpa : float or array, hPa, not reduced to sea level; the standard atmosphere unless given. NaN
                      gives NaN: whether an empty cell means the standard atmosphere is for the caller.
    Returns           float or array of the common shape, Pa.
    Raises            ValueError if the shapes do not broadcast.
    Source            definition of gauge pressure.

    >>> float(absolute_pressure_pa(7.0))
    801325.0
    """
    gauge_bar = np.asarray(gauge_bar, dtype=float)[()]
    return gauge_bar * PA_PER_BAR + np.asarray(atmospheric_hpa, dtype=float)[()] * PA_PER_HPA


# ---- saturation pressure -------------------------------------------------------------------------------


def _within(function: Callable[..., Any], temperature_c: ArrayLike, lowest_c: float, highest_c: float) -> Any:
    """function(kelvin) where the temperature is within the range, NaN elsewhere."""
    temperature_c = np.asarray(temperature_c, dtype=float)
    inside = (temperature_c >= lowest_c) & (temperature_c <= highest_c)
    # A harmless stand-in keeps the equations from warning about rows that are masked anyway.
    kelvin = np.where(inside, temperature_c, TRIPLE_POINT_C) + ZERO_CELSIUS_K
    return np.where(inside, function(kelvin), np.nan)[()]


def water_vapour_pressure(temperature_c: ArrayLike) -> Any:
    """Vapour pressure over liquid water.

    temperature_c : float or array, degC, 0 to 373.946.
    Returns         float or array of that shape, Pa. NaN outside the range; NaN stays NaN.
    Raises          nothing.
    Source          IAPWS R7-97(2012), region 4, equation 30.

    >>> round(float(water_vapour_pressure(26.85)), 5)
    3536.58941
    """
    return _within(water_vapour_pressure_pa, temperature_c, 0.0, _WATER_HIGHEST_C)


def ice_vapour_pressure(temperature_c: ArrayLike) -> Any:
    """Vapour pressure over ice, the step between a frost point and a water content.

    temperature_c : float or array, degC, -223.15 to 0.01.
    Returns         float or array of that shape, Pa. NaN outside the range; NaN stays NaN.
    Raises          nothing.
    Source          IAPWS R14-08(2011), sublimation-pressure equation.

    >>> round(float(ice_vapour_pressure(-43.15)), 5)
    8.94735
    """
    return _within(ice_vapour_pressure_pa, temperature_c, _ICE_LOWEST_C, TRIPLE_POINT_C)


def saturation_pressure(temperature_c: ArrayLike) -> Any:
    """Vapour pressure over the stable phase: ice below 0.01 degC, liquid water from there up.

    temperature_c : float or array, degC, -223.15 to 373.946.
    Returns         float or array of that shape, Pa. NaN outside the range; NaN stays NaN.
    Raises          nothing.
    Source          `ice_vapour_pressure` and `water_vapour_pressure`, which meet at 611.657 Pa.

    >>> [round(float(p), 1) for p in saturation_pressure([-20.0, 20.0])]
    [103.2, 2339.2]
    """
    ice = np.asarray(temperature_c, dtype=float) < TRIPLE_POINT_C
    found: Any = np.where(ice, ice_vapour_pressure(temperature_c), water_vapour_pressure(temperature_c))
    return found[()]


# ---- saturated moist air over one phase ----------------------------------------------------------------


class _Condensate(NamedTuple):
    """What the balance of fugacities needs to know of ice or liquid at one temperature (or an array of them).

    ln f = constant + linear p - quadratic p^2 / 2 + ln(1 - solubility (1 - x) p) - ln(fugacity coefficient)
    """

    log_saturation: np.ndarray  # ln(e_s / Pa)
    constant: np.ndarray  # ln(fugacity coefficient at e_s), less the Poynting term's part without p
    linear: np.ndarray  # 1/Pa, Poynting
    quadratic: np.ndarray  # 1/Pa2, Poynting: the condensed phase is slightly compressible
    solubility: np.ndarray  # 1/Pa, mole fraction of air dissolved per pascal; 0 in ice
    virials: Virials  # over R T

    def log_enhancement(self, pressure_pa: np.ndarray, x: np.ndarray) -> Any:
        """ln f of air of mole fraction x in balance with this phase."""
        dissolved = self.solubility * (1.0 - x) * pressure_pa
        return (
            self.constant
            + pressure_pa * (self.linear - 0.5 * self.quadratic * pressure_pa)
            + np.log(1.0 - dissolved)
            - log_fugacity_coefficient(self.virials, pressure_pa, x)
        )

    def log_saturated_fraction(self, pressure_pa: np.ndarray) -> np.ndarray:
        """ln of the mole fraction of water in saturated air, ln(f e_s / p); 0 where the water would boil.

        Repeated substitution: f depends so little on x that each round gains at least one digit.
        """
        log_ratio = self.log_saturation - np.log(pressure_pa)
        log_x = np.minimum(log_ratio, 0.0)
        for _ in range(50):
            before = log_x
            log_x = np.minimum(log_ratio + self.log_enhancement(pressure_pa, np.exp(log_x)), 0.0)
            if np.all(np.abs(log_x - before) <= 1e-13):
                break
        return np.where(log_ratio > 0.0, 0.0, log_x)


def _condensate(temperature_k: np.ndarray, ice: bool) -> _Condensate:
    """The exact equations, at any temperature of the phase; slow, so `_phase` makes series of them."""
    if ice:
        saturation = ice_vapour_pressure_pa(temperature_k)
        volume, compressibility = ice_molar_volume(temperature_k, saturation)
        solubility = np.zeros_like(temperature_k)
    else:
        saturation = water_vapour_pressure_pa(temperature_k)
        volume, compressibility = water_molar_volume(temperature_k)
        solubility = air_solubility(temperature_k)
    virials = virial_coefficients(temperature_k).per_rt(temperature_k)
    # Poynting: integral of v (1 - k (p - e)) / RT from e to p, sorted by powers of p (RP-1485 has the same).
    volume_rt = volume / (GAS_CONSTANT_J_MOL_K * temperature_k)
    squeeze = compressibility * saturation
    return _Condensate(
        log_saturation=np.log(saturation),
        constant=log_fugacity_coefficient(virials, saturation, 1.0) - volume_rt * saturation * (1.0 + 0.5 * squeeze),
        linear=volume_rt * (1.0 + squeeze),
        quadratic=volume_rt * compressibility,
        solubility=solubility,
        virials=virials,
    )


class _Phase:
    """`_condensate` as Chebyshev series over the phase's part of the range; temperatures in degC."""

    def __init__(self, lowest_c: float, highest_c: float, ice: bool) -> None:
        self.lowest_c, self.highest_c = lowest_c, highest_c
        self._centre, self._half = 0.5 * (lowest_c + highest_c), 0.5 * (highest_c - lowest_c)
        nodes = chebyshev.chebpts1(_SERIES_DEGREE + 1)
        exact = _condensate(self._centre + self._half * nodes + ZERO_CELSIUS_K, ice)
        columns = np.stack([*exact[:-1], *exact.virials], axis=1)
        self._coefficients = np.linalg.solve(chebyshev.chebvander(nodes, _SERIES_DEGREE), columns)
        # Temperature against ln e_s, the start of every solution; 0.1 K is near enough for that.
        self._start_c = np.linspace(lowest_c, highest_c, 1024)
        self._start_log = self.at(self._start_c).log_saturation

    def at(self, temperature_c: np.ndarray | float) -> _Condensate:
        values = chebyshev.chebval((temperature_c - self._centre) / self._half, self._coefficients)
        log_saturation, constant, linear, quadratic, solubility, *virials = values
        return _Condensate(log_saturation, constant, linear, quadratic, solubility, Virials(*virials))

    def log_partial_pressure(self, temperature_c: np.ndarray, pressure_pa: np.ndarray, x: np.ndarray) -> Any:
        """ln(f e_s): what ln(x p) must equal for the air to be saturated at this temperature."""
        condensate = self.at(temperature_c)
        return condensate.log_saturation + condensate.log_enhancement(pressure_pa, x)

    def start_c(self, log_partial_pressure: np.ndarray) -> Any:
        return np.interp(log_partial_pressure, self._start_log, self._start_c)

    def solve(self, x: np.ndarray, pressure_pa: np.ndarray) -> np.ndarray:
        """Temperature (degC) at which ln(f e_s) = ln(x p), for rows whose answer is in this phase.

        Secant steps from a start without f; the equation is nearly straight in each step's width, so four
        evaluations reach 1e-9 K. Each row stops at its own end: what it gives never depends on the others. A row
        that has not settled after twenty steps is NaN, not a guess.
        """
        target = np.log(x * pressure_pa)
        before = self.start_c(target)
        miss_before = self.log_partial_pressure(before, pressure_pa, x) - target
        now = self.start_c(target - miss_before)
        slope = np.full_like(target, 0.07)  # 1/K, of ln(f e_s); replaced as soon as two points differ
        step = np.full_like(target, np.inf)
        for _ in range(20):
            miss = self.log_partial_pressure(now, pressure_pa, x) - target
            apart = np.abs(now - before) > 1e-6
            slope = np.divide(miss - miss_before, now - before, out=slope, where=apart)
            before, miss_before = now, miss
            moving = ~(step < 1e-8)
            now = np.where(moving, np.clip(now - miss / slope, self.lowest_c, self.highest_c), now)
            step = np.where(moving, np.abs(now - before), step)
            if not moving.any():
                break
        return np.where(step < 1e-6, now, np.nan)


@lru_cache(maxsize=2)
def _phase(ice: bool) -> _Phase:
    if ice:
        return _Phase(LOWEST_DEW_POINT_C, TRIPLE_POINT_C, ice=True)
    return _Phase(TRIPLE_POINT_C, HIGHEST_DEW_POINT_C, ice=False)


def _in_chunks(function: Callable[..., Any], outputs: tuple[type, ...], *arrays: ArrayLike) -> tuple[Any, ...]:
    """function over broadcast arrays, a chunk of rows at a time; one output array a given dtype."""
    broadcast = np.broadcast_arrays(*(np.asarray(array, dtype=float) for array in arrays))
    shape = broadcast[0].shape
    flat = [array.reshape(-1) for array in broadcast]
    results: list[np.ndarray] = [np.empty(flat[0].size, dtype=dtype) for dtype in outputs]
    for first in range(0, flat[0].size, _ROWS_A_CHUNK):
        rows = slice(first, first + _ROWS_A_CHUNK)
        for result, values in zip(results, function(*(array[rows] for array in flat)), strict=True):
            result[rows] = values
    return tuple(result.reshape(shape)[()] for result in results)


# ---- enhancement factor, and the content that belongs to a dew point -----------------------------------


def _saturated_rows(temperature_c: np.ndarray, pressure_pa: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """ln x and ln(e_s) of saturated air, NaN where the water would boil or a value is out of range."""
    usable = (temperature_c >= LOWEST_DEW_POINT_C) & (temperature_c <= HIGHEST_DEW_POINT_C)
    usable &= (pressure_pa >= LOWEST_PRESSURE_PA) & (pressure_pa <= HIGHEST_PRESSURE_PA)
    log_x = np.full(temperature_c.shape, np.nan)
    log_saturation = np.full(temperature_c.shape, np.nan)
    for ice in (True, False):
        rows = np.flatnonzero(usable & ((temperature_c < TRIPLE_POINT_C) == ice))
        if not rows.size:
            continue
        condensate = _phase(ice).at(temperature_c[rows])
        # A pressure equal to the vapour pressure may differ from it by the rounding of exp and log.
        boils = condensate.log_saturation > np.log(pressure_pa[rows]) + 1e-12
        log_x[rows] = np.where(boils, np.nan, condensate.log_saturated_fraction(pressure_pa[rows]))
        log_saturation[rows] = condensate.log_saturation
    return log_x, log_saturation


def enhancement_factor(temperature_c: ArrayLike, pressure_pa: ArrayLike) -> Any:
    """Enhancement factor f: how much more water air holds at saturation than the pure vapour pressure says.

    temperature_c : float or array, degC, -80 to 100; over ice below 0.01 degC, over liquid from there up.
    pressure_pa   : float or array, Pa, absolute, 1e4 to 5e6.
    Returns         float or array of the common shape, without unit. NaN outside the ranges, and where the
                    pressure is below the vapour pressure, so that water would boil; NaN stays NaN.
    Raises          ValueError if the shapes do not broadcast.
    Source          IAPWS G11-15 with IAPWS R14-08, R10-06, R7-97, SR1-86, G7-04; see the module.

    >>> round(float(enhancement_factor(-60.0, 101325.0)), 5)
    1.00708
    """
    log_x, log_saturation = _in_chunks(_saturated_rows, (float, float), temperature_c, pressure_pa)
    return np.exp(log_x - log_saturation) * np.asarray(pressure_pa, dtype=float)[()]


def mole_fraction_at_dew_point(dew_point_c: ArrayLike, pressure_pa: ArrayLike) -> Any:
    """Mole fraction of water in air whose dew or frost point at a pressure is known; undoes `dew_point`.

    dew_point_c : float or array, degC, -80 to 100; a frost point below 0.01 degC.
    pressure_pa : float or array, Pa, absolute, 1e4 to 5e6.
    Returns       float or array of the common shape, f e_s / p. NaN as for `enhancement_factor`.
    Raises        ValueError if the shapes do not broadcast.
    Source        definition of f.

    >>> round(float(mole_fraction_at_dew_point(-53.8889, 101325.0)) * 1e6, 1)  # -65 degF at one atmosphere
    24.0
    """
    return np.exp(_in_chunks(_saturated_rows, (float, float), dew_point_c, pressure_pa)[0])


# ---- dew point -----------------------------------------------------------------------------------------


def _validity_rows(x: np.ndarray, pressure_pa: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Codes, and which of the valid rows have their dew point over liquid water."""
    code = np.full(x.shape, VALID, dtype=np.int8)
    not_a_number = np.isnan(x) | np.isnan(pressure_pa)
    code[(pressure_pa < LOWEST_PRESSURE_PA) | (pressure_pa > HIGHEST_PRESSURE_PA)] = PRESSURE_OUTSIDE
    code[(x == 0.0) & (code == VALID)] = TOO_DRY
    code[(x < 0.0) | (x > 1.0)] = NOT_A_FRACTION
    code[not_a_number] = NOT_A_NUMBER

    # The ends of the range, and the start of liquid, as mole fractions of air saturated there: the equations
    # hold up to saturation only, so they are not asked about air far beyond it.
    liquid = np.zeros(x.shape, dtype=bool)
    rows = np.flatnonzero(code == VALID)
    log_x, pressure_pa = np.log(x[rows]), pressure_pa[rows]
    ice, water = _phase(True), _phase(False)
    liquid[rows] = log_x >= water.at(water.lowest_c).log_saturated_fraction(pressure_pa)
    too_dry = log_x < ice.at(ice.lowest_c).log_saturated_fraction(pressure_pa)
    too_hot = log_x > water.at(water.highest_c).log_saturated_fraction(pressure_pa)
    code[rows[too_dry]] = TOO_DRY
    code[rows[too_hot]] = TOO_HOT
    return code, liquid


def _dew_point_rows(x: np.ndarray, pressure_pa: np.ndarray) -> tuple[np.ndarray]:
    code, liquid = _validity_rows(x, pressure_pa)
    dew_point_c = np.full(x.shape, np.nan)
    for phase, of_phase in ((_phase(True), ~liquid), (_phase(False), liquid)):
        rows = np.flatnonzero((code == VALID) & of_phase)
        if rows.size:
            dew_point_c[rows] = phase.solve(x[rows], pressure_pa[rows])
    return (dew_point_c,)


def dew_point(mole_fraction: ArrayLike, pressure_pa: ArrayLike) -> Any:
    """Dew point of air at a pressure; below 0.01 degC the frost point, the warmer and so the safer reading.

    mole_fraction : float or array, mol water per mol moist air, above 0, at most 1.
    pressure_pa   : float or array, Pa, absolute, 1e4 to 5e6.
    Returns         float or array of the common shape, degC. NaN where `dew_point_validity` is not 0.
    Raises          ValueError if the shapes do not broadcast.
    Source          f e_s = x p, see the module. Against CoolProp's humid air the difference is below 0.02 K.

    >>> round(float(dew_point(mole_fraction(500.0), absolute_pressure_pa(6.0))), 2)
    -3.51
    """
    return _in_chunks(_dew_point_rows, (float,), mole_fraction, pressure_pa)[0]


def dew_point_validity(mole_fraction: ArrayLike, pressure_pa: ArrayLike) -> Any:
    """Why `dew_point` gives NaN, or 0 where it gives a value.

    mole_fraction, pressure_pa : as for `dew_point`.
    Returns  int8 or int8 array of the common shape; the words are in `VALIDITY_NAMES`. In order of precedence
             1 not a number, 5 negative or above 1, 2 pressure outside its range, 3 too dry (zero included),
             4 too wet for the range.
    Raises   ValueError if the shapes do not broadcast.
    Source   the ranges are in the module's text.

    >>> int(dew_point_validity(667.6e-6, 701325.0)), VALIDITY_NAMES[int(dew_point_validity(np.nan, 7e5))]
    (0, 'not a number')
    """
    return _in_chunks(_validity_rows, (np.int8, bool), mole_fraction, pressure_pa)[0]


# ---- sensitivity ---------------------------------------------------------------------------------------


def _sensitivity_rows(x: np.ndarray, pressure_pa: np.ndarray) -> tuple[np.ndarray, ...]:
    (dew_point_c,) = _dew_point_rows(x, pressure_pa)
    by_x = np.full(x.shape, np.nan)
    by_p = np.full(x.shape, np.nan)
    # Derivatives by a complex step (Squire and Trapp 1998, SIAM Review 40, 110): exact to rounding, no
    # cancellation, and no second copy of the formulae to keep in step.
    tiny = 1e-30
    for phase, ice in ((_phase(True), True), (_phase(False), False)):
        rows = np.flatnonzero(np.isfinite(dew_point_c) & ((dew_point_c < TRIPLE_POINT_C) == ice))
        if not rows.size:
            continue
        t, p, fraction = dew_point_c[rows], pressure_pa[rows], x[rows]
        slope_t = phase.log_partial_pressure(t + 1j * tiny, p, fraction).imag / tiny
        slope_ln_p = phase.log_partial_pressure(t, p * (1.0 + 1j * tiny), fraction).imag / tiny
        slope_ln_x = phase.log_partial_pressure(t, p, fraction * (1.0 + 1j * tiny)).imag / tiny
        by_x[rows] = (1.0 - slope_ln_x) / slope_t
        by_p[rows] = (1.0 - slope_ln_p) / slope_t
    return by_x, by_p


def dew_point_sensitivity(mole_fraction: ArrayLike, pressure_pa: ArrayLike) -> tuple[Any, ...]:
    """How far the dew point moves with the water content and with the pressure, for uncertainty.

    mole_fraction, pressure_pa : as for `dew_point`.
    Returns  (dT/dlnx, dT/dlnp), each a float or array of the common shape, K per unit of the natural log:
             a relative error of 1 % moves the dew point by 0.01 times that. NaN where there is no dew point.
    Raises   ValueError if the shapes do not broadcast.
    Source   implicit differentiation of ln f(T, p, x) + ln e_s(T) = ln x + ln p.

    >>> [round(float(slope), 1) for slope in dew_point_sensitivity(667.6314e-6, 701325.0)]
    [11.9, 11.5]
    """
    return _in_chunks(_sensitivity_rows, (float, float), mole_fraction, pressure_pa)
