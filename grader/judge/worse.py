"""Of two judgements of the same tests the worse one, parameter by parameter."""

from __future__ import annotations

from collections.abc import Collection, Iterable

import numpy as np
import pandas as pd

from grader.columns import JUDGED, PARAMETERS, WATER, WATER_CHAIN
from grader.frames import with_columns
from grader.judge.rules.sets import RuleSet
from grader.judge.verdicts import BADNESS, whole

# Fields of a log that bear on one parameter though their names do not say so.
_OF = {
    **{p.need: p.key for p in PARAMETERS.values() if p.need},
    "highest_pressure_bar": "pressure",
    "used_fewer": "flow",
    "lowest_use_temperature_c": WATER,
    "nominal_pressure_bar": WATER,
}
_KEYS = sorted({*JUDGED, *WATER_CHAIN}, key=len, reverse=True)


def worse_of(
    judged: pd.DataFrame,
    other: pd.DataFrame,
    at: np.ndarray,
    inputs: Iterable[str],
    rulesets: dict[str, RuleSet],
    source: str,
) -> tuple[pd.DataFrame, np.ndarray]:
    """The judged table, in which each parameter of the rows `at` is the worse of two judgements.

    judged, other : n rows each, the same tests. at : positions (m,). inputs : columns that both were judged from.
    source  : sentence for the reasons (column `past`) where the other judgement counts.
    Returns : table of n rows, the verdict of each test made anew; and which rows changed, positions.
    """
    known, changed = set(inputs), np.zeros(len(judged), dtype=bool)
    for key in JUDGED:
        was, now = (BADNESS[t[f"verdict_{key}"].to_numpy()[at]] for t in (judged, other))
        worse = at[now > was]
        changed[worse] = True
        judged = with_parameter(judged, other, key, worse, worse, known)
    rows = np.flatnonzero(changed)
    if not len(rows):
        return judged, rows
    past = judged["past"].to_numpy(dtype=object).copy()
    past[rows] = [f"{said}, {source}" if said else source for said in past[rows]]
    return whole(with_columns(judged, {"past": past}), rulesets), rows


def with_parameter(
    judged: pd.DataFrame, other: pd.DataFrame, key: str, at: np.ndarray, of_other: np.ndarray, inputs: Collection[str]
) -> pd.DataFrame:
    """The judged table, in which the rows `at` have one parameter as the rows `of_other` of another judgement."""
    new = {}
    for column in judged.columns if len(at) else ():
        if column in other.columns and _owner(column, column in inputs) == key:
            new[column] = judged[column].to_numpy().copy()
            new[column][at] = other[column].to_numpy()[of_other]
    return with_columns(judged, new)


def _owner(column: str, is_input: bool) -> str:
    """The parameter whose column this is; "" for what is none's. What is worked out and is no other's is the water's."""
    for name, key in _OF.items():
        if column == name or column.startswith(f"{name}_"):
            return key
    for key in _KEYS:
        if column.startswith(f"{key}_") or column.endswith(f"_{key}"):
            return WATER if key in WATER_CHAIN else key
    return "" if is_input or column in ("past", "verdict", "ruleset") else WATER
