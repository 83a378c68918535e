"""Signs of a dryer wearing out that hold whatever the statistics say (judgement, no source)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from grader.frames import text
from grader.review.history import HISTORY
from grader.review.statistics.wear import Change, latest_stretch
from grader.review.wear.series import Series


class Dryers(NamedTuple):
    """Of k series: name of the sign (a key of words [wear]) or "", and whether it is one of a change."""

    name: np.ndarray
    changed: np.ndarray

    @property
    def any(self) -> np.ndarray:
        """Whether there is a sign: bool (k,)."""
        return self.name != ""


def dryer_signs(
    tests: pd.DataFrame, series: Series, stretch: np.ndarray, found: Change, data: Mapping[str, Any]
) -> Dryers:
    """Which dryers of airlines show a sign.

    A desiccant or membrane dryer far above its usual dew point and above -40 degC; a refrigerant dryer above its
    visits in like surroundings (without such visits farther above usual); a desiccant dryer above -20 degC.
    """
    k = len(series.parameter)
    signs = data["dryer"]
    dew = np.array([p.key == "pressure_dew_point" for p in HISTORY])[series.parameter]
    dryer = np.where(dew, text(tests, "dryer")[series.last], "")
    with np.errstate(invalid="ignore"):
        risen = found.now_low - found.usual_high
        adsorbing = np.isin(dryer, ("desiccant", "membrane"))
        far = adsorbing & (risen >= signs["adsorbing_risen_k"]) & (found.now_low > signs["adsorbing_above_c"])
        wet = (dryer == "desiccant") & (found.now_low > signs["desiccant_above_c"])
    warm = (dryer == "refrigerant") & _refrigerant_risen(series, stretch, risen, signs)
    changed = far | warm
    name = np.select([warm, far, wet], ["refrigerant", "adsorbing", "desiccant_wet"], "").astype(object)
    return Dryers(name, changed & np.ones(k, dtype=bool))


def _refrigerant_risen(series: Series, stretch: np.ndarray, risen: np.ndarray, signs: dict[str, Any]) -> np.ndarray:
    """Whether the latest visit lies above the older ones at like ambient temperature: bool (k,)."""
    window = latest_stretch(series.row, stretch, len(series.parameter))
    if window.at.shape[1] < 2:
        return np.zeros(len(series.parameter), dtype=bool)
    there = window.at >= 0
    low, high, ambient = (
        np.where(there, np.append(x, np.nan)[window.at], np.nan) for x in (series.lower, series.upper, series.ambient)
    )
    with np.errstate(invalid="ignore"):
        alike = np.abs(ambient[:, :-1] - ambient[:, -1:]) <= signs["like_ambient_k"]
    older = np.where(alike, high[:, :-1], np.nan)
    some = alike.any(axis=1)
    usual = np.full(len(some), np.nan)
    usual[some] = np.nanmedian(older[some], axis=1)
    with np.errstate(invalid="ignore"):
        above_alike = low[:, -1] - usual >= signs["refrigerant_risen_k"]
        return np.where(some, above_alike, risen >= signs["refrigerant_risen_without_ambient_k"])
