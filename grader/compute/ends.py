"""Readings as intervals: a plain reading has two equal ends, a bound has one end open or far away."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from grader.columns import BLANK, OPEN_LOWER, OPEN_NONE, OPEN_UPPER, READ, UNREADABLE


@dataclass
class Ends:
    """Ends of n readings: lower, upper float (n,), NaN where nothing was read; open and state int (n,)."""

    lower: np.ndarray
    upper: np.ndarray
    open: np.ndarray
    state: np.ndarray

    def times(self, factor: np.ndarray) -> Ends:
        """The readings times a positive factor of shape (n,). An end at zero or infinity stays there."""
        return Ends(self.lower * factor, self.upper * factor, self.open, self.state)

    def mapped(self, rising: Callable[[np.ndarray], np.ndarray], lowest: float) -> Ends:
        """The readings through a rising function; `lowest` is its value at minus infinity.

        Where the function gives NaN for an end that was read, the reading is unreadable.
        """
        read = self.state == READ
        with np.errstate(invalid="ignore"):
            lower = rising(np.where(read & np.isfinite(self.lower), self.lower, np.nan))
            same = self.lower == self.upper
            upper = np.where(same, lower, rising(np.where(read & ~same & np.isfinite(self.upper), self.upper, np.nan)))
        lower = np.where(read & np.isneginf(self.lower), lowest, lower)
        upper = np.where(read & np.isposinf(self.upper), np.inf, upper)
        good = read & ~np.isnan(lower) & ~np.isnan(upper)
        return Ends(
            np.where(good, lower, np.nan),
            np.where(good, upper, np.nan),
            self.open,
            np.where(good, READ, np.where(read, UNREADABLE, self.state)),
        )

    def minus(self, other: Ends) -> Ends:
        """This minus other, end against end. Read only where both are; unreadable where one of them is."""
        with np.errstate(invalid="ignore"):
            lower, upper = self.lower - other.upper, self.upper - other.lower
        read = (self.state == READ) & (other.state == READ)
        unreadable = (self.state == UNREADABLE) | (other.state == UNREADABLE)
        open_ = np.where(
            other.open == OPEN_UPPER, OPEN_LOWER, np.where(other.open == OPEN_LOWER, OPEN_UPPER, OPEN_NONE)
        )
        state = np.where(read, READ, np.where(unreadable, UNREADABLE, BLANK))
        return Ends(np.where(read, lower, np.nan), np.where(read, upper, np.nan), open_, state)


def of_field(tests: pd.DataFrame, name: str) -> Ends:
    """The readings of one number field of the table of tests."""
    return Ends(
        tests[f"{name}_lower"].to_numpy(dtype=float),
        tests[f"{name}_upper"].to_numpy(dtype=float),
        tests[f"{name}_open"].to_numpy(),
        tests[f"{name}_state"].to_numpy(),
    )


def worst(sources: list[tuple[Ends, int]], none: int) -> tuple[Ends, np.ndarray]:
    """The highest of several readings of one quantity, end by end, and which source it comes from.

    State: read where any is read; else unreadable where any is; else blank.
    """
    n = len(sources[0][0].lower)
    lower, upper = np.full(n, np.nan), np.full(n, np.nan)
    open_, state, source = np.zeros(n, dtype=np.int8), np.full(n, BLANK), np.full(n, none)
    for ends, code in sources:
        read = ends.state == READ
        with np.errstate(invalid="ignore"):
            worse = read & ((state != READ) | (ends.upper > upper) | ((ends.upper == upper) & (ends.lower > lower)))
        raised = read & (state == READ)
        with np.errstate(invalid="ignore"):
            # The greatest lower end is open as the reading is that it is of, the greatest upper end likewise.
            below = (ends.open == OPEN_LOWER) & ~(raised & (ends.lower < lower))
            below |= (open_ == OPEN_LOWER) & raised & (lower >= ends.lower)
            under = (ends.open == OPEN_UPPER) & worse | (open_ == OPEN_UPPER) & raised & ~worse
        open_ = np.where(read, np.where(below, OPEN_LOWER, np.where(under, OPEN_UPPER, OPEN_NONE)), open_)
        lower = np.where(raised, np.fmax(lower, ends.lower), np.where(read, ends.lower, lower))
        upper = np.where(raised, np.fmax(upper, ends.upper), np.where(read, ends.upper, upper))
        source = np.where(worse, code, source)
        state = np.where(read, READ, np.where((state != READ) & (ends.state == UNREADABLE), UNREADABLE, state))
    return Ends(lower, upper, open_, state), source


def first_doubt(*doubts: np.ndarray) -> np.ndarray:
    """The first doubt that is not 0, per test; int8 of shape (n,)."""
    result = np.asarray(doubts[-1]).astype(np.int8)
    for doubt in reversed(doubts[:-1]):
        result = np.where(np.asarray(doubt) != 0, doubt, result).astype(np.int8)
    return result


def distinct_rows(a: np.ndarray, b: np.ndarray) -> tuple[tuple[np.ndarray, np.ndarray], np.ndarray]:
    """The distinct pairs of two float arrays of shape (n,), and the index that puts them back.

    Real logs repeat readings and pressures, and the humidity equations are the dearest step of a run.
    """
    codes_a, unique_a = pd.factorize(a, use_na_sentinel=False)
    codes_b, unique_b = pd.factorize(b, use_na_sentinel=False)
    back, pairs = pd.factorize(codes_a.astype(np.int64) * max(len(unique_b), 1) + codes_b)
    which_a, which_b = np.divmod(pairs, max(len(unique_b), 1))
    return (np.asarray(unique_a, dtype=float)[which_a], np.asarray(unique_b, dtype=float)[which_b]), back
