"""Readings as a sheet shows them: a plain reading as a number, a bound as text."""

from __future__ import annotations

import numpy as np
from pandas.api.types import infer_dtype

from grader.columns import Parameter
from grader.figures import bounds, plain
from grader.frames import objects

_LONGEST_AS_WRITTEN = 4  # decimals; a bound with more was computed (a conversion, a correction)


def shown(lower: np.ndarray, upper: np.ndarray, open_: np.ndarray, parameter: Parameter) -> np.ndarray:
    """Readings of one parameter as cells.

    lower, upper : float (n,), ends; NaN where there is nothing. open_ : int (n,), codes of columns.OPEN_*.
    Returns      : object (n,): float, the text of a bound (`<2`, `≥60`, `1.5 to 2.5`), None.
    """
    bound = ~np.isnan(lower) & (lower != upper)
    cells = objects(lower)
    cells[np.isnan(lower) | bound] = None
    if bound.any():
        kinds, which = np.unique(
            np.column_stack([lower[bound], upper[bound], open_[bound]]), axis=0, return_inverse=True
        )
        texts = np.array([_bound(a, b, int(o), parameter) for a, b, o in kinds.tolist()], dtype=object)
        cells[bound] = texts[which.ravel()]
    return cells


def limit_cells(low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Limits as cells: a number where there is one, `20 to 22` where there are two, None where none.

    low, high : float (n,), NaN where none.
    """
    cells = objects(np.where(np.isnan(high), low, high))
    both = ~np.isnan(low) & ~np.isnan(high)
    cells[np.isnan(low) & np.isnan(high)] = None
    if both.any():
        kinds, which = np.unique(np.column_stack([low[both], high[both]]), axis=0, return_inverse=True)
        texts = np.array([f"{plain(a)} to {plain(b)}" for a, b in kinds.tolist()], dtype=object)
        cells[both] = texts[which.ravel()]
    return cells


def column(values: np.ndarray) -> np.ndarray:
    """A column of cells (object) as float where it holds numbers and blanks only; else as it is.

    >>> column(np.array([1.0, None], dtype=object)).dtype, column(np.array([1.0, "<2"], dtype=object)).dtype
    (dtype('float64'), dtype('O'))
    """
    numbers = infer_dtype(values, skipna=True) in ("floating", "empty")
    return values.astype(float) if numbers else values


def _bound(lower: float, upper: float, open_: int, parameter: Parameter) -> str:
    long = any(np.isfinite(x) and round(x, _LONGEST_AS_WRITTEN) != x for x in (lower, upper))
    decimals = parameter.decimals + 1 if long else None
    return bounds(lower, upper, open_, decimals, parameter.floor, parameter.ceiling)
