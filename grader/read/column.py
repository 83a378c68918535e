"""One column of cells: its values, their kinds, and the way to add a problem to some of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from functools import cache
from numbers import Real
from typing import Any

import numpy as np
import pandas as pd

from grader.columns import Field
from grader.problems import Problems, Table, Unreadable
from grader.read.words.spelling import clean

# Kinds of cell values.
_KINDS = 9
EMPTY, NUMBER, TEXT, BOOL, DATE, TIME, SPAN, BAD, OTHER = range(_KINDS)


_TYPES: dict[int, tuple[type, ...]] = {  # in the order in which they are asked: a bool is a number, too
    BOOL: (bool, np.bool_),
    EMPTY: (type(None), type(pd.NaT), type(pd.NA)),
    TEXT: (str,),
    BAD: (Unreadable,),
    SPAN: (timedelta,),
    DATE: (date,),
    TIME: (time,),
    NUMBER: (Real,),
}


@cache
def _kind(cls: type) -> int:
    return next((kind for kind, types in _TYPES.items() if issubclass(cls, types)), OTHER)


# Reasons of an Unreadable cell with words of their own (problem "cell_<why>"); others are said in general.
_BAD_REASONS = ("error", "formula", "percent", "format", "twice", "number", "several", "no_unit", "two_units", "struck")
# Reasons that are said once: for the whole column where its heading stands, for a shifted row of a text file at the row.
_SAID_ALREADY = ("unclear", "shifted")


@dataclass
class Cells:
    """One field's cells of all tests.

    values : object array, shape (n,). kinds : int8 array, shape (n,). tests : test numbers, shape (n,).
    table  : table of each test, shape (n,); tables : the log's tables.
    """

    spec: Field
    values: np.ndarray
    kinds: np.ndarray
    tests: np.ndarray
    table: np.ndarray
    tables: Sequence[Table]
    problems: Problems
    out: dict[str, np.ndarray] = field(default_factory=dict)
    absolute: np.ndarray | None = None  # bool, shape (n,): the figure was an absolute pressure

    def at(self, *kinds: int) -> np.ndarray:
        """Positions of the cells of these kinds, int array."""
        among = np.zeros(_KINDS, dtype=bool)
        among[list(kinds)] = True
        return np.flatnonzero(among[self.kinds])

    def say(self, code: str, at: np.ndarray, **params: Any) -> None:
        """Add a problem for the cells at these positions."""
        if len(at):
            self.problems.add_tests(code, self.tests[at], self.spec.name, list(self.values[at]), **params)

    def say_each(self, at: np.ndarray, which: np.ndarray, results: Sequence[Any]) -> None:
        """Add the problems of `results` (code, detail), of which the cell at[i] has number which[i]."""
        codes = np.array([r.code for r in results], dtype=object)
        for code in sorted(set(codes) - {""}):
            hit = np.flatnonzero((codes == code)[which])
            self.say(code, at[hit], detail=[results[i].detail for i in which[hit]])

    def say_bad(self) -> np.ndarray:
        """Add the problems of cells that the sheet reader made Unreadable; returns their positions."""
        bad = self.at(BAD)
        why = np.array([v.why for v in self.values[bad]], dtype=object)
        for reason in sorted(set(why)):
            if reason in _SAID_ALREADY:
                continue
            hit = bad[why == reason]
            code = f"cell_{reason}" if reason in _BAD_REASONS else "cell_unreadable"
            self.problems.add_tests(code, self.tests[hit], self.spec.name, [v.shown for v in self.values[hit]])
        return bad


def cell_values(rows: pd.DataFrame, name: str) -> tuple[np.ndarray, np.ndarray]:
    """Values (object) and their kinds (int8) of one field; an absent field is blank."""
    n = len(rows)
    if name not in rows:
        return np.full(n, None, dtype=object), np.zeros(n, dtype=np.int8)
    values = rows[name].to_numpy(dtype=object)
    kinds = np.fromiter(map(_kind, map(type, values)), dtype=np.int8, count=n)
    numbers = np.flatnonzero(kinds == NUMBER)
    if len(numbers):  # NaN is how pandas holds a missing cell
        kinds[numbers[values[numbers] != values[numbers]]] = EMPTY
    return values, kinds


def floats(values: np.ndarray) -> np.ndarray:
    """Float array of an object array of numbers; a whole number too great for a float becomes infinite."""
    try:
        return values.astype(np.float64)
    except OverflowError:
        return np.array([float(v) if abs(v) < 10**300 else np.inf for v in values])


def shown(value: Any) -> str:
    """Text of one cell value, as a person would write it."""
    if isinstance(value, Unreadable):
        return value.shown
    if isinstance(value, str):
        return " ".join(clean(value).split())
    if isinstance(value, (bool, np.bool_)):
        return "TRUE" if value else "FALSE"
    if isinstance(value, datetime):
        midnight = (value.hour, value.minute, value.second) == (0, 0, 0)
        return value.date().isoformat() if midnight else value.isoformat(sep=" ", timespec="minutes")
    if isinstance(value, (date, time)):
        return value.isoformat()
    if isinstance(value, int):
        return str(value)
    if isinstance(value, Real) and np.isfinite(float(value)):
        figure = float(value)
        return str(int(figure)) if figure.is_integer() and abs(figure) < 1e15 else f"{figure:.15g}"
    return str(value)
