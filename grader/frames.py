"""Small helpers for the table of tests that several stages share: text columns, adding columns,
comparing, the normal distribution."""

from __future__ import annotations

import math
import zlib
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from grader.columns import READ

_FEW = 2_000  # rows from which memory is worth more than the time that columns of their own cost
_ROOT_HALF = math.sqrt(0.5)
RELATIVE_TOLERANCE = 1e-9  # design: 34.8 - 29.8 is 5; figures closer than this are equal


def text(tests: pd.DataFrame, name: str) -> np.ndarray:
    """A text or word column as an object array of str of shape (n,), "" where nothing stands."""
    values = tests[name].to_numpy(dtype=object)
    blank = pd.isna(values)
    return np.where(blank, "", values) if blank.any() else values.copy()


def plain_figures(tests: pd.DataFrame, name: str) -> np.ndarray:
    """Plain readings of a parameter's key or a number field: float (n,), NaN for bounds and what was not read."""
    lower, upper = (tests[f"{name}_{end}"].to_numpy(dtype=float) for end in ("lower", "upper"))
    return np.where((tests[f"{name}_state"].to_numpy() == READ) & (lower == upper), upper, np.nan)


def by_laboratory(tests: pd.DataFrame, key: str) -> np.ndarray:
    """Where a parameter's figure is a laboratory's, not one taken on site: bool (n,)."""
    name = f"{key}_laboratory"
    return tests[name].to_numpy() if name in tests else np.zeros(len(tests), dtype=bool)


def with_columns(tests: pd.DataFrame, new: Mapping[str, Any]) -> pd.DataFrame:
    """The table with further (or replaced) columns; strings stay plain objects, the index stays."""
    ordered = {}
    for name, values in new.items():
        array = np.asarray(values)
        ordered[name] = once_each(array) if array.dtype.kind == "U" else array
    added = in_little_memory(ordered, tests.index)
    replaced = [name for name in ordered if name in tests.columns]
    if replaced:  # put in their old places: dropping them would cut the table's blocks to pieces
        tests = tests.copy(deep=False)
        for name in replaced:
            tests[name] = added[name]
        added = added.drop(columns=replaced)
    return pd.concat([tests, added], axis=1) if len(added.columns) else tests


def table_of(columns: Mapping[str, Any], order: Any = slice(None)) -> pd.DataFrame:
    """A sheet's table of arrays of shape (n,), texts and mixed cells as objects. order : positions of its rows, as they stand."""
    series = {
        name: pd.Series(values[order], dtype=object if values.dtype.kind in "OU" else values.dtype)
        for name, values in columns.items()
    }
    return pd.DataFrame(series, copy=False)


def in_little_memory(columns: Mapping[str, np.ndarray], index: pd.Index) -> pd.DataFrame:
    """A table of arrays of shape (n,), those that hold the same lying in memory once.

    Most fields of a log are blank and most readings plain, their figure and both their ends alike: a table of
    tests is a third of the size. Shared arrays cannot be written to; a stage puts in a new one.
    """
    if len(index) < _FEW:  # columns of one type beside one another: a visit's run is a third quicker
        alike: dict[np.dtype[Any], list[str]] = {}
        for name, array in columns.items():
            alike.setdefault(array.dtype, []).append(name)
            array.setflags(write=False)
        parts = [
            pd.DataFrame(np.stack([columns[name] for name in names]).T, index, names, dtype=kind)
            for kind, names in alike.items()
        ]
        return pd.concat(parts, axis=1) if parts else pd.DataFrame(index=index)
    known: dict[tuple[Any, int], np.ndarray] = {}
    shared = {}
    for name, array in columns.items():
        held = array.tobytes()
        same = known.setdefault((array.dtype, zlib.crc32(held)), array)
        shared[name] = same if same is array or same.tobytes() == held else array
    for array in known.values():
        array.setflags(write=False)
    # A Series keeps None and str as objects, where a DataFrame would guess a type.
    series = {name: pd.Series(array, index=index, dtype=array.dtype, copy=False) for name, array in shared.items()}
    return pd.DataFrame(series, index=index, copy=False)


def objects(figures: np.ndarray) -> np.ndarray:
    """Floats of shape (n,) as an object array, each different figure one object: a tenth of the memory, and quicker."""
    codes, different = pd.factorize(figures + 0.0, use_na_sentinel=False)  # + 0.0: no negative nought
    return different.astype(object)[codes]


def once_each(texts: np.ndarray) -> np.ndarray:
    """Texts of shape (n,) as an object array, each different text one object: numpy makes a new one for every cell."""
    codes, different = pd.factorize(texts.astype(object))
    return np.asarray(different, dtype=object)[codes] if len(texts) else texts.astype(object)


def repeated(text: str, count: int) -> np.ndarray:
    """One text, the same object, in an object array of shape (count,)."""
    cells = np.empty(count, dtype=object)
    cells.fill(text)
    return cells


def client_and_site(tests: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """The two parts of each test's site_key, names as they are compared: object (n,) each."""
    keys = tests["site_key"].to_numpy(dtype=object)
    return by_unique(keys, lambda k: k.split("\1", 1)[0]), by_unique(keys, lambda k: k.split("\1", 1)[1])


def by_unique(values: np.ndarray, make: Callable[[Any], Any]) -> np.ndarray:
    """`make` called once per distinct value of an object array of shape (n,); object array of that shape."""
    codes, unique = pd.factorize(values, use_na_sentinel=False)
    of_unique = np.empty(len(unique), dtype=object)
    of_unique[:] = [make(u) for u in unique]
    return of_unique[codes] if len(unique) else np.empty(len(values), dtype=object)


def group_codes(*keys: np.ndarray) -> np.ndarray:
    """One int64 code per distinct combination of keys, each of shape (n,); codes follow first appearance."""
    codes = np.zeros(len(keys[0]), dtype=np.int64)
    for key in keys:
        one, unique = pd.factorize(key, use_na_sentinel=False)
        codes, _ = pd.factorize(codes * (len(unique) + 1) + one)
    return codes


def normal_below(z: Any) -> np.ndarray:
    """Chance that a standard normal quantity lies below z; float array of the shape of z, NaN where z is.

    scipy.special.ndtr is this function, too; loading it takes longer than grading a visit.
    Source : Phi(z) = erfc(-z / sqrt 2) / 2 (NIST DLMF 7.2.2 and 7.18, from memory; the tests compare with scipy).

    >>> normal_below([0.0, -np.inf]).tolist(), round(float(normal_below(-1.0)), 6)
    ([0.5, 0.0], 0.158655)
    """
    z = np.asarray(z, dtype=np.float64)
    different, number = np.unique(z, return_inverse=True)
    chance = np.array([0.5 * math.erfc(-_ROOT_HALF * value) for value in different.tolist()], dtype=np.float64)
    return chance[number].reshape(z.shape)


def at_least(a: Any, b: Any) -> np.ndarray:
    """a >= b with the relative tolerance; NaN compares False."""
    return np.asarray(a) >= np.asarray(b) - _slack(a, b)


def above(a: Any, b: Any) -> np.ndarray:
    """a > b beyond the relative tolerance; NaN compares False."""
    return np.asarray(a) > np.asarray(b) + _slack(a, b)


def _slack(a: Any, b: Any) -> np.ndarray:
    size = np.fmax(np.abs(a), np.abs(b))
    return RELATIVE_TOLERANCE * np.where(np.isfinite(size), size, 0.0)
