"""Standard uncertainties carried through the water chain, by the derivatives that the computing stage left."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from grader.columns import READ, SOURCE_METER, SOURCE_TUBE
from grader.data import load_toml
from grader.judge.uncertainty import Standard

_PA_PER_BAR, _PA_PER_HPA = 1e5, 1e2


class ChainUncertainty(NamedTuple):
    """Standard uncertainties of the water chain at the wetter end of n readings: float (n,), NaN for none.

    water : mg/m³. pressure_dew_point, dew_point_1atm : K. margin, margin_1atm : K, with the temperature's.
    """

    water: np.ndarray
    pressure_dew_point: np.ndarray
    dew_point_1atm: np.ndarray
    margin: np.ndarray
    margin_1atm: np.ndarray


def relative_of_pressure(gauge_bar: Any, absolute_pa: Any, station_given: Any, standard: Standard) -> Any:
    """Relative standard uncertainty of an absolute pressure, from a gauge and the station pressure.

    gauge_bar     : bar. absolute_pa : Pa. Floats or arrays.
    station_given : bool or array: the station pressure was given, else 1013.25 hPa stands for it.
    """
    air = load_toml("parameters.toml")["atmospheric_pressure"]
    u_air_pa = np.where(station_given, air["u_given_hpa"], air["u_assumed_hpa"]) * _PA_PER_HPA
    return np.hypot(standard.at(gauge_bar) * _PA_PER_BAR, u_air_pa) / absolute_pa


def water_chain(tests: pd.DataFrame, standard: Mapping[str, Standard]) -> ChainUncertainty:
    """Uncertainties of water content, dew points and margins.

    tests    : table after compute_water, n rows.
    standard : as `standards` gives them.
    """
    content = tests["water_upper"].to_numpy(dtype=float)
    use = (tests["water_state"].to_numpy() == READ) & np.isfinite(content) & (content > 0)
    content = np.where(use, content, np.nan)
    source = tests["water_source"].to_numpy()
    given = tests["station_pressure_given"].to_numpy()
    # A tube's uncertainty is that of its own reading: a multiplier makes both larger.
    tube = tests["water_tube_mg_m3_upper"].to_numpy(dtype=float)
    of_tube = (source == SOURCE_TUBE) & np.isfinite(tube) & (tube > 0)
    reading = np.where(of_tube, tube, content)
    u_ln_x = standard["water"].at(reading) / reading
    meter = source == SOURCE_METER
    if meter.any():
        at_bar = tests["dew_point_measured_at_bar_lower"].to_numpy(dtype=float)
        at_pa = tests["meter_pressure_pa"].to_numpy()
        measured = standard["pressure_dew_point"].at(tests["dew_point_measured_c_upper"].to_numpy(dtype=float))
        by_pressure = tests["meter_per_ln_pressure"].to_numpy() * relative_of_pressure(
            at_bar, at_pa, given, standard["pressure"]
        )
        of_meter = np.hypot(measured, by_pressure) / tests["meter_per_ln_water"].to_numpy()
        u_ln_x = np.where(meter, of_meter, u_ln_x)
    u_ln_p = relative_of_pressure(
        tests["dew_judged_at_bar"].to_numpy(dtype=float),
        tests["line_pressure_pa"].to_numpy(),
        given,
        standard["pressure"],
    )
    line = np.hypot(tests["dew_per_ln_water"].to_numpy() * u_ln_x, tests["dew_per_ln_pressure"].to_numpy() * u_ln_p)
    # One atmosphere is a definition, not a reading.
    one = tests["dew_1atm_per_ln_water"].to_numpy() * u_ln_x
    temperature = standard["margin"].absolute
    return ChainUncertainty(content * u_ln_x, line, one, np.hypot(line, temperature), np.hypot(one, temperature))
