"""How far dew points move with water content and pressure, and their standard uncertainty.

First-order propagation (JCGM 100:2008, 5.1.2): u(T)^2 = (dT/dlnx u(ln x))^2 + (dT/dlnp u(ln p))^2, inputs
taken as independent. A reading's own uncertainty depends on the rule set, so the judging stage puts the
two together; the derivatives belong here.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from grader.columns import READ, SOURCE_METER
from grader.compute.ends import distinct_rows
from grader.compute.humidity import dew_point as humidity
from grader.compute.humidity.constants import PA_PER_HPA, STANDARD_ATMOSPHERE_HPA


def of_dew_point(mole_fraction: Any, pressure_pa: Any, u_ln_x: Any, u_ln_p: Any) -> Any:
    """Standard uncertainty of a dew or frost point, K.

    mole_fraction, pressure_pa : float or arrays, as for humidity.dew_point.
    u_ln_x, u_ln_p : relative standard uncertainties of water content and absolute pressure; float or arrays.
    Returns        : float or array of the common shape. NaN where there is no dew point.
    Raises         : ValueError if the shapes do not broadcast.
    Source         : JCGM 100:2008, 5.1.2; derivatives from humidity.dew_point_sensitivity.

    >>> round(float(of_dew_point(667.6314e-6, 701325.0, 0.125, 0.015)), 2)
    1.49
    """
    by_x, by_p = humidity.dew_point_sensitivity(mole_fraction, pressure_pa)
    return np.hypot(by_x * u_ln_x, by_p * u_ln_p)


def sensitivities(
    water_upper: np.ndarray, tests: pd.DataFrame, source: np.ndarray, line_pa: np.ndarray, air_hpa: np.ndarray
) -> dict[str, np.ndarray]:
    """Derivatives of n dew points at the wetter end of each water content, as columns.

    water_upper : mg/m³ (n,), NaN where nothing was read. source : where it comes from, codes of columns.
    line_pa     : absolute pressure at which the dew point is judged, Pa (n,).
    air_hpa     : station pressure used, hPa (n,).
    Returns     : column -> float (n,), NaN where there is none. K per unit of the natural log:
                  dew_per_ln_water, dew_per_ln_pressure (judged), dew_1atm_per_ln_water, meter_per_ln_water,
                  meter_per_ln_pressure (at a dew-point meter's own pressure). Pa: line_pressure_pa,
                  meter_pressure_pa.
    """
    use = np.isfinite(water_upper) & (water_upper > 0)
    x = humidity.mole_fraction(np.where(use, water_upper, np.nan))
    by_x, by_p = _slopes(x, line_pa)
    one, _ = _slopes(x, np.full(len(x), STANDARD_ATMOSPHERE_HPA * PA_PER_HPA))
    meter = (source == SOURCE_METER) & (tests["dew_point_measured_at_bar_state"].to_numpy() == READ)
    gauge = np.where(meter, tests["dew_point_measured_at_bar_lower"].to_numpy(dtype=float), np.nan)
    meter_pa = humidity.absolute_pressure_pa(gauge, air_hpa)
    meter_x, meter_p = _slopes(x, meter_pa)
    return {
        "dew_per_ln_water": by_x,
        "dew_per_ln_pressure": by_p,
        "dew_1atm_per_ln_water": one,
        "meter_per_ln_water": meter_x,
        "meter_per_ln_pressure": meter_p,
        "line_pressure_pa": line_pa,
        "meter_pressure_pa": meter_pa,
    }


def _slopes(mole_fraction: np.ndarray, pressure_pa: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """humidity.dew_point_sensitivity, once per distinct pair."""
    by_x, by_p = np.full(len(mole_fraction), np.nan), np.full(len(mole_fraction), np.nan)
    rows = np.flatnonzero(~np.isnan(mole_fraction) & ~np.isnan(pressure_pa))
    if len(rows):
        short, back = distinct_rows(mole_fraction[rows], pressure_pa[rows])
        for out, found in zip((by_x, by_p), humidity.dew_point_sensitivity(*short)):
            out[rows] = found[back]
    return by_x, by_p
