"""What units need besides the column they stand over: absolute pressures, and figures that contradict their unit.

Both look across fields of one row, so they run once all fields are read.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from grader.columns import FIELDS, HIGH_PRESSURE, NUMBER_FIELDS, OPEN_UPPER, READ
from grader.data import load_toml
from grader.problems import Problems, Table
from grader.read.words.units import clashes

DRYING_FAR = ("desiccant", "membrane")
_ENDS = ("", "_lower", "_upper")


def take_off_atmosphere(done: Mapping[str, dict[str, np.ndarray]], absolute: Mapping[str, np.ndarray]) -> None:
    """Correct gauge pressures that were converted from absolute ones at 1013.25 hPa by the row's own atmosphere.

    done     : field -> its columns (X, X_lower, X_upper, X_state), arrays of shape (n,), bar; changed in place.
    absolute : field -> bool array of shape (n,): the figure was written as an absolute pressure.

    An absolute pressure of a row that gives its atmospheric pressure, within the range in which one is used at all,
    moves by (1013.25 - given) / 1000 bar. Source of both figures: data/units.toml.
    """
    if not absolute:
        return
    data = load_toml("units.toml")["reference"]
    given = done["atmospheric_pressure_hpa"]
    low, high = data["atmosphere_used_hpa"]
    with np.errstate(invalid="ignore"):
        usable = (given["_state"] == READ) & (given[""] >= low) & (given[""] <= high)
    for field, written in absolute.items():
        hit = written & usable & (done[field]["_state"] == READ)
        shift = (data["atmosphere_hpa"] - given[""][hit]) / 1000.0
        for end in _ENDS:
            moved = done[field][end]
            moved[hit] = np.maximum(moved[hit] + shift, 0.0)


def find_clashes(
    done: Mapping[str, dict[str, np.ndarray]],
    tests: np.ndarray,
    table: np.ndarray,
    tables: Sequence[Table],
    problems: Problems,
) -> dict[str, np.ndarray]:
    """Query figures that contradict the unit stated for them.

    done, table : as for take_off_atmosphere. tests : test numbers, shape (n,).
    Returns     : {key of a parameter}_clash -> bool array of shape (n,); where True, a pass of that parameter
                  rests on a figure whose unit is in doubt.
    """
    n = len(tests)
    supply, dryer = (done[name][""].astype(str) for name in ("supply", "dryer"))
    dry = np.isin(supply, HIGH_PRESSURE) | np.isin(dryer, DRYING_FAR)
    keys = sorted({p for entry in load_toml("units.toml")["clash"] for p in entry["parameters"]})
    made = {f"{key}_clash": np.zeros(n, dtype=bool) for key in keys}
    for field in NUMBER_FIELDS:
        columns = done[field]
        said = np.zeros(n, dtype=bool)
        if not (columns["_state"] == READ).any():
            continue
        units = np.array([t.units.get(field, FIELDS[field].unit) for t in tables], dtype=object)
        for unit in sorted(set(units)):
            rules = clashes(field, unit, converted=True)
            if not rules:
                continue
            here = (units == unit)[table] & (columns["_state"] == READ)
            for rule in rules:
                with np.errstate(invalid="ignore"):
                    open_upper = columns["_open"] == OPEN_UPPER
                    hit = here & rule.hits(columns["_lower"], columns["_upper"], open_upper)
                if rule.supplies:
                    hit &= np.isin(supply, rule.supplies)
                if rule.dry is not None:
                    hit &= dry == rule.dry
                if not hit.any():
                    continue
                for key in rule.parameters:
                    made[f"{key}_clash"] |= hit
                code = "unit_clash" if rule.parameters else "unit_clash_asked"
                problems.add_tests(code, tests[hit & ~said], field, unit=unit, perhaps=rule.perhaps)
                said |= hit
    return made
