"""Standard uncertainties of readings, and what follows from them for dew points and margin.

A parameter's standard uncertainty is the larger of an absolute and a relative part (data/parameters.toml, with
sources; a rule set may change it). It is carried through the dew point by its derivatives (first order, as in
JCGM 100:2008, 5.1.2): u(T)^2 = (dT/dlnx u(ln x))^2 + (dT/dlnp u(p)/p)^2, inputs taken as independent.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
import pandas as pd

from grader.columns import PARAMETERS, READ, SOURCE_METER, SOURCE_TUBE
from grader.compute import humidity
from grader.compute.constants import PA_PER_BAR, PA_PER_HPA, STANDARD_ATMOSPHERE_HPA
from grader.compute.ends import distinct_rows
from grader.data import load_toml

COVERAGE_FACTOR = 2.0  # expanded uncertainty U = 2 u, about 95 % of a normal distribution


class Changed(Protocol):
    """What a rule set says of one parameter's standard uncertainty."""

    @property
    def absolute(self) -> float: ...

    @property
    def relative_percent(self) -> float: ...


@dataclass(frozen=True)
class Standard:
    """Standard uncertainty of one parameter: the larger of two parts.

    absolute : float, in the parameter's unit. relative : float, a fraction of the reading. source : where from.
    """

    absolute: float
    relative: float
    source: str = ""

    def at(self, value: Any) -> Any:
        """Standard uncertainty of readings, in their unit; float or array of the same shape. NaN stays NaN.

        >>> Standard(0.4375, 0.125).at(np.array([1.0, 4.0])).tolist()
        [0.4375, 0.5]
        """
        return np.maximum(self.absolute, self.relative * np.abs(value))

    def text(self, unit: str) -> str:
        """In words: the relative part and the least.

        >>> Standard(0.4375, 0.125).text("ppm"), Standard(0.25, 0.0).text("%")
        ('12.5 %, at least 0.4375 ppm', '0.25 %')
        """
        least = f"{self.absolute:.6g} {unit}"
        if not self.relative:
            return least
        share = f"{100 * self.relative:.6g} %"
        return f"{share}, at least {least}" if self.absolute else share


def standards(changes: Mapping[str, Changed] | None = None) -> dict[str, Standard]:
    """Standard uncertainty by parameter key, for every parameter that has one.

    changes : what a rule set states itself, by parameter name; each takes the default's place whole.
    """
    found = {}
    for key, parameter in PARAMETERS.items():
        more = parameter.more
        if parameter.name in (changes or {}):
            own = (changes or {})[parameter.name]
            found[key] = Standard(own.absolute, own.relative_percent / 100.0, "the rule set")
        elif "u_abs" in more or "u_rel" in more:
            found[key] = Standard(more.get("u_abs", 0.0), more.get("u_rel", 0.0), more["u_source"])
    return found


@dataclass(frozen=True)
class ChainUncertainty:
    """Standard uncertainties of the water chain at the wetter end of each of n readings; float (n,), NaN where
    there is none.

    water : mg/m³. pressure_dew_point, dew_point_1atm : K. margin, margin_1atm : K, the temperature included.
    """

    water: np.ndarray
    pressure_dew_point: np.ndarray
    dew_point_1atm: np.ndarray
    margin: np.ndarray
    margin_1atm: np.ndarray


def of_dew_point(mole_fraction: Any, pressure_pa: Any, u_ln_x: Any, u_pressure_pa: Any) -> Any:
    """Standard uncertainty of a dew or frost point, K.

    mole_fraction, pressure_pa : float or arrays, as for humidity.dew_point.
    u_ln_x        : relative standard uncertainty of the water content. u_pressure_pa : that of the pressure, Pa.
    Returns       : float or array of the common shape. NaN where there is no dew point.
    Raises        : ValueError if the shapes do not broadcast.
    Source        : first-order propagation, JCGM 100:2008, 5.1.2; derivatives from humidity.dew_point_sensitivity.

    >>> round(float(of_dew_point(667.6314e-6, 701325.0, 0.125, 1e4)), 2)
    1.5
    """
    by_x, by_p = humidity.dew_point_sensitivity(mole_fraction, pressure_pa)
    return np.hypot(by_x * u_ln_x, by_p * u_pressure_pa / pressure_pa)


def gauge_uncertainty_pa(gauge_bar: Any, atmospheric_given: Any, standard: Standard) -> Any:
    """Standard uncertainty of an absolute pressure, Pa, from a gauge (bar) and a station pressure.

    atmospheric_given : bool or array: whether the station pressure was given, else 1013.25 hPa stands for it.
    """
    air = load_toml("parameters.toml")["atmospheric_pressure"]
    air_hpa = np.where(atmospheric_given, air["u_given_hpa"], air["u_assumed_hpa"])
    return np.hypot(standard.at(gauge_bar) * PA_PER_BAR, air_hpa * PA_PER_HPA)


def water_chain(tests: pd.DataFrame, standard: Mapping[str, Standard]) -> ChainUncertainty:
    """Uncertainties of water content, dew points and margins.

    tests    : table after compute_water, n rows.
    standard : as `standards` gives them.
    """
    content = tests["water_upper"].to_numpy(dtype=float)
    use = (tests["water_state"].to_numpy() == READ) & np.isfinite(content) & (content > 0)
    content = np.where(use, content, np.nan)
    atmospheric = tests["atmospheric_used_hpa"].to_numpy(dtype=float)
    given = atmospheric != STANDARD_ATMOSPHERE_HPA
    x = humidity.mole_fraction(content)
    u_ln_x = _of_content(tests, content, standard, atmospheric, given)
    judged = tests["dew_judged_at_bar"].to_numpy(dtype=float)
    line_pa = humidity.absolute_pressure_pa(judged, atmospheric)
    by_x, by_p = _slopes(x, line_pa)
    line = np.hypot(by_x * u_ln_x, by_p * gauge_uncertainty_pa(judged, given, standard["pressure"]) / line_pa)
    # One atmosphere is a definition, not a reading.
    by_x, _ = _slopes(x, np.full(len(x), STANDARD_ATMOSPHERE_HPA * PA_PER_HPA))
    one = by_x * u_ln_x
    temperature = standard["margin"].absolute
    return ChainUncertainty(
        content * u_ln_x, line, one, np.hypot(line, temperature), np.hypot(one, temperature)
    )


def _of_content(
    tests: pd.DataFrame,
    content: np.ndarray,
    standard: Mapping[str, Standard],
    atmospheric_hpa: np.ndarray,
    atmospheric_given: np.ndarray,
) -> np.ndarray:
    """Relative standard uncertainty of a water content, by what it comes from."""
    source = tests["water_source"].to_numpy()
    # A tube's uncertainty is that of its own reading: a multiplier makes both larger.
    tube = tests["water_tube_mg_m3_upper"].to_numpy(dtype=float)
    reading = np.where((source == SOURCE_TUBE) & np.isfinite(tube) & (tube > 0), tube, content)
    relative = standard["water"].at(reading) / reading
    meter = source == SOURCE_METER
    if meter.any():
        at_bar = tests["dew_point_measured_at_bar_lower"].to_numpy(dtype=float)
        at_pa = humidity.absolute_pressure_pa(at_bar, atmospheric_hpa)
        by_x, by_p = _slopes(humidity.mole_fraction(np.where(meter, content, np.nan)), at_pa)
        measured = standard["pressure_dew_point"].at(tests["dew_point_measured_c_upper"].to_numpy(dtype=float))
        pressure = by_p * gauge_uncertainty_pa(at_bar, atmospheric_given, standard["pressure"]) / at_pa
        relative = np.where(meter, np.hypot(measured, pressure) / by_x, relative)
    return relative


def _slopes(mole_fraction: np.ndarray, pressure_pa: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """humidity.dew_point_sensitivity, once per distinct pair."""
    by_x, by_p = np.full(len(mole_fraction), np.nan), np.full(len(mole_fraction), np.nan)
    rows = np.flatnonzero(~np.isnan(mole_fraction) & ~np.isnan(pressure_pa))
    short, back = distinct_rows(mole_fraction[rows], pressure_pa[rows])
    for out, found in zip((by_x, by_p), humidity.dew_point_sensitivity(*short)):
        out[rows] = found[back]
    return by_x, by_p
