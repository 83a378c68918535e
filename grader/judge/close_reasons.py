"""Reasons of readings that meet their limit only just: near limit by chance, or inside the guard band."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pandas as pd

from grader.columns import CANNOT_TELL, PARAMETERS
from grader.figures import bounds, limit_figure, percent
from grader.frames import RELATIVE_TOLERANCE, above
from grader.judge.chances import BY_CHANCE, IN_GUARD_BAND
from grader.judge.verdicts import BY_CONTENT, BY_LINE_DEW, BY_MARGIN, BY_MARGIN_1ATM, BY_ONE_ATMOSPHERE

CLOSE = ("oxygen", "co", "co2", "oil", "water", "flow", "pressure")
_FIGURE = {
    BY_CONTENT: "water",
    BY_LINE_DEW: "pressure_dew_point",
    BY_ONE_ATMOSPHERE: "dew_point_1atm",
    BY_MARGIN: "margin",
    BY_MARGIN_1ATM: "margin",
}


def _margins(
    tests: pd.DataFrame, lower: np.ndarray, upper: np.ndarray, shown: Callable[..., str]
) -> tuple[np.ndarray, np.ndarray, Callable[..., str]]:
    """Margins as they were judged: at one atmosphere a rule counts from ambient, which is not column margin."""
    one = tests["water_by"].to_numpy() == BY_MARGIN_1ATM
    base = tests["ambient_use_c"].to_numpy(dtype=float)
    ends = [base - tests[f"dew_point_1atm_{end}"].to_numpy() for end in ("upper", "lower")]
    lower, upper = np.where(one, ends[0], lower), np.where(one, ends[1], upper)

    def print_it(i: int, other: float) -> str:
        if not one[i]:
            return shown(i, other)
        return f"{bounds(lower[i], upper[i], 0, PARAMETERS['margin'].decimals, other=other)} K"

    return lower, upper, print_it


def add_close(
    add: Callable[[np.ndarray, Callable[[int], str]], None],
    tests: pd.DataFrame,
    shown: Callable[[str], Callable[..., str]],
    said: dict[str, str],
    names: dict[str, str],
    flags: Callable[[str, int], float],
) -> None:
    """Say how close each reading is that is near its limit, or inside the guard band.

    add   : takes where (bool (n,)) and what makes the sentence of a position.
    shown : how the readings of a key are printed. said, names : words of reasons and parameters.
    flags : key and position -> flag threshold, a fraction.
    """
    for key in CLOSE:
        closeness = tests[f"{key}_closeness"].to_numpy()
        if not closeness.any():
            continue
        unsure = tests[f"verdict_{key}"].to_numpy() == CANNOT_TELL
        figure = np.full(len(tests), key, dtype=object)
        if key == "water":
            by = tests["water_by"].to_numpy()
            for code, name in _FIGURE.items():
                figure[by == code] = name
        for name in np.unique(figure[closeness != 0].astype(str)):
            sentence = _sentence(tests, key, name, shown(name), said, names, flags)
            here = figure == name
            band = here & (closeness == IN_GUARD_BAND)
            add(here & (closeness == BY_CHANCE), sentence(said["near"]))
            add(band & ~unsure, sentence(said["in_guard_band"]))
            add(band & unsure, sentence(said["bound_guard_band"]))


def _sentence(
    tests: pd.DataFrame,
    key: str,
    name: str,
    shown: Callable[..., str],
    said: dict[str, str],
    names: dict[str, str],
    flags: Callable[[str, int], float],
) -> Callable[[str], Callable[[int], str]]:
    """Template -> position -> sentence, for the tests of one parameter that were judged by figure `name`."""
    low, high = tests[f"limit_low_{key}"].to_numpy(), tests[f"limit_high_{key}"].to_numpy()
    chance, unit = tests[f"chance_over_{key}"].to_numpy(), PARAMETERS[name].unit
    lower, upper = tests[f"{name}_lower"].to_numpy(), tests[f"{name}_upper"].to_numpy()
    if name == "margin":
        lower, upper, shown = _margins(tests, lower, upper, shown)
    with np.errstate(invalid="ignore"):
        under = np.isnan(high) | (lower - low < high - upper)

    needed = key in ("flow", "pressure")

    def of(template: str) -> Callable[[int], str]:
        def at(i: int) -> str:
            limit, end = (low[i], lower[i]) if under[i] else (high[i], upper[i])
            # A reading at its limit prints as the limit.
            apart = limit if above(abs(end - limit), RELATIVE_TOLERANCE * abs(limit)) else math.nan
            chosen = said["near_need"] if template == said["near"] and needed and under[i] else template
            return chosen.format(
                name=names[name],
                reading=shown(i, apart),
                limit=f"{limit_figure(limit)} {unit}",
                chance=percent(chance[i], flags(key, i)),
                side=said["side_under" if under[i] else "side_over"],
            )

        return at

    return of
