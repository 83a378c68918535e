"""Plausibility of supply and pressure: it asks, and never turns a fail into a pass. Thresholds: design."""

from __future__ import annotations

import numpy as np
import pandas as pd

from grader.columns import BLANK, READ
from grader.frames import above, text
from grader.problems import Problems

HIGH_PRESSURE_FROM_BAR = 40.0
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
