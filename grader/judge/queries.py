"""Plausibility: it asks, and never turns a fail into a pass. Those that demote a pass stand in doubts.py.

Thresholds with reason and source: data/queries.toml; of supply and pressure: design.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from grader.columns import BLANK, READ, SOURCE_TUBE
from grader.data import load_toml
from grader.frames import above, at_least, text
from grader.outdoor import outdoor_co2_on
from grader.problems import Problems

HIGH_PRESSURE_FROM_BAR = 40.0
_ZERO_CELSIUS_K = 273.15
AIRLINE_USUAL_BAR = (1.5, 10.0)  # common practice, no source: airlines are tested at this


def query_odd_supplies(tests: pd.DataFrame, problems: Problems) -> None:
    """Query an airline outside the usual pressures, a cylinder at an airline's, and a supply not given."""
    number = tests.index.to_numpy()
    supply = text(tests, "supply")
    line = np.where(
        tests["line_pressure_bar_state"].to_numpy() == READ,
        tests["line_pressure_bar_upper"].to_numpy(dtype=float),
        np.nan,
    )
    nominal = np.where(
        tests["nominal_pressure_bar_state"].to_numpy() == READ,
        tests["nominal_pressure_bar_upper"].to_numpy(dtype=float),
        np.nan,
    )
    line = np.where(np.isfinite(line), line, np.nan)
    nominal_bar = np.where(np.isfinite(nominal), nominal, np.nan)
    airline = (supply == "airline") & above(np.fmax(line, nominal_bar), HIGH_PRESSURE_FROM_BAR)
    low, high = AIRLINE_USUAL_BAR
    unusual = (supply == "airline") & ~airline & (above(low, line) | above(line, high))
    cylinder = (supply == "cylinder") & above(HIGH_PRESSURE_FROM_BAR, line) & np.isnan(nominal)
    problems.add_tests("supply_unusual_pressure_airline", number[airline], "line_pressure_bar")
    problems.add_tests("airline_pressure_unusual", number[unusual], "line_pressure_bar", low=low, high=high)
    problems.add_tests("supply_unusual_pressure_cylinder", number[cylinder], "line_pressure_bar")
    missing = (tests["supply_state"].to_numpy() == BLANK) & tests["visited"].to_numpy()
    problems.add_tests("supply_not_given", number[missing], "supply")


def query_plausibility(tests: pd.DataFrame, problems: Problems) -> None:
    """Query readings that their dryer, the outdoor air, the other gases or the test set make unlikely.

    tests : table after compute_water. What a demoting query says already is not said again.
    """
    of = {q["code"]: q for q in load_toml("queries.toml")["query"]}
    number = tests.index.to_numpy()
    dryer = text(tests, "dryer")
    odd_multiplier = _multipliers(tests, problems, dryer, of["multiplier_perhaps"])
    airline = ~np.isin(text(tests, "supply"), ("charging compressor", "cylinder"))
    told = (tests["water_doubt"].to_numpy() == 0) & ~odd_multiplier
    dew = np.where(told, _upper(tests, "pressure_dew_point"), np.nan)
    ask = of["refrigerant_below_zero"]
    least = of["dew_point_below_refrigerant"]["below"]
    here = (dryer == "refrigerant") & above(ask["below"], dew) & at_least(dew, least)
    problems.add_tests("refrigerant_below_zero", number[here], _water_field(tests, here))
    ask = of["dry_without_dryer"]
    line_c = _upper(tests, "airline_temperature_c")
    here = (dryer == "none") & airline & above(line_c - ask["kelvin"], dew)
    here &= at_least(_upper(tests, "water"), of["water_dry_without_dryer"]["below"])
    problems.add_tests("dry_without_dryer", number[here], _water_field(tests, here), kelvin=ask["kelvin"])

    co2, oxygen = _upper(tests, "co2"), _upper(tests, "oxygen")
    outdoor = outdoor_co2_on(tests["test_day"].to_numpy())
    here = above(of["co2_below_tube"]["fraction"] * outdoor, co2) & (dryer != "desiccant")
    here &= at_least(co2, of["co2_below_outdoor"]["fraction"] * outdoor)
    problems.add_tests("co2_below_tube", number[here], "co2_ppm", outdoor=[f"{x:.0f}" for x in outdoor[here]])
    ask = of["oxygen_alone"]
    here = (above(ask["below"], oxygen) & (oxygen > 0)) | above(oxygen, ask["above"])
    here &= at_least(ask["co2_to"], co2)
    problems.add_tests("oxygen_alone", number[here], "oxygen_pct")
    _test_set(tests, problems, number)


def _upper(tests: pd.DataFrame, name: str) -> np.ndarray:
    """Plain readings of a key or field, NaN elsewhere."""
    lower, upper = (tests[f"{name}_{end}"].to_numpy(dtype=float) for end in ("lower", "upper"))
    return np.where((tests[f"{name}_state"].to_numpy() == READ) & (lower == upper), upper, np.nan)


def _water_field(tests: pd.DataFrame, where: np.ndarray) -> str:
    """The field whose cell is named: the tube's where all of these tests rest on one, else the row."""
    return "water_tube_mg_m3" if (tests["water_source"].to_numpy()[where] == SOURCE_TUBE).all() else ""


def _multipliers(tests: pd.DataFrame, problems: Problems, dryer: np.ndarray, ask: dict[str, Any]) -> np.ndarray:
    """Query tubes whose dew point another multiplier would make believable; bool (n,).

    The other dew point is extrapolated from the judged one and its derivative s (Clausius and Clapeyron,
    1/T falls by s/T^2 per unit of ln x), within a kelvin: near enough to ask.
    """
    dew, multiplier = _upper(tests, "pressure_dew_point"), _upper(tests, "water_multiplier")
    per_ln = tests["dew_per_ln_water"].to_numpy()
    line_c = _upper(tests, "airline_temperature_c")
    kelvin = dew + _ZERO_CELSIUS_K
    low, high = np.full(len(dew), np.nan), np.full(len(dew), np.nan)
    for name, ends, base in (("refrigerant", ask["refrigerant_c"], 0.0), ("none", ask["no_dryer_k"], line_c)):
        low = np.where(dryer == name, base + ends[0], low)
        high = np.where(dryer == name, base + ends[1], high)
    with np.errstate(invalid="ignore"):
        outside = (tests["water_source"].to_numpy() == SOURCE_TUBE) & ((dew < low) | (dew > high))
        found = np.zeros(len(dew), dtype=bool)
        for times in ask["times"]:
            other = 1.0 / (1.0 / kelvin - per_ln / kelvin**2 * np.log(times)) - _ZERO_CELSIUS_K
            # Forgotten is a multiplier of 1, multiplied twice one above it.
            fits = outside & ((multiplier == 1.0) if times > 1.0 else (multiplier > 1.0))
            fits &= (other >= low) & (other <= high)
            problems.add_tests(
                "multiplier_perhaps",
                tests.index.to_numpy()[fits],
                "water_multiplier",
                dew=[f"{x:.0f}" for x in dew[fits]],
                dryer=dryer[fits].tolist(),
                perhaps=[f"{x:g}" for x in multiplier[fits] * times],
                other=[f"{x:.0f}" for x in other[fits]],
            )
            found |= fits
    return found


def _test_set(tests: pd.DataFrame, problems: Problems, number: np.ndarray) -> None:
    line = _upper(tests, "line_pressure_bar")
    least, most = _upper(tests, "test_set_lowest_pressure_bar"), _upper(tests, "test_set_highest_pressure_bar")
    outside = above(least, line) | above(line, most)
    shown = [
        " to ".join(f"{x:g}" for x in pair if not np.isnan(x))
        for pair in zip(least[outside].tolist(), most[outside].tolist())
    ]
    problems.add_tests("test_set_pressure", number[outside], "line_pressure_bar", allowed=shown)
