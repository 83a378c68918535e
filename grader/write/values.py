"""Values as a cell can hold them: text made safe and whole, dates as days, missing as nothing."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from datetime import date, datetime, time
from decimal import Decimal
from math import isfinite
from typing import Any

import numpy as np
import pandas as pd

LONGEST_TEXT = 32_767  # UTF-16 units in a cell, the file format's own limit
_FIRST_DATE = datetime(1900, 3, 1)  # before it, programs disagree on the serial number of a day
_DAY_ZERO = datetime(1899, 12, 30)
_LARGEST_WHOLE = 10**15  # beyond it a cell would round the last digits
# What XML cannot hold, or what a reader would take for an end of line: shown as a symbol instead.
_FORBIDDEN = re.compile("[\x00-\x08\x0b-\x1f\x7f\ud800-\udfff\ufffe\uffff]")


def plain_values(series: pd.Series, clean: Callable[[str], str], texts: Mapping[str, str]) -> tuple[list[Any], Any]:
    """A column as what a cell can hold.

    series  : n values of any dtype.
    clean   : makes a text fit for a cell. texts : words for yes, no and what is not finite.
    Returns : (n values, each str, float, int or None; which of them are dates: "all", or their positions).
    """
    kind = series.dtype.kind if isinstance(series.dtype, np.dtype) else ""
    if kind == "M":
        return _dates(series)
    if kind == "f":
        array = series.to_numpy(dtype=float)
        values: list[Any] = array.tolist()
        for position in np.flatnonzero(~np.isfinite(array)):
            values[position] = None if np.isnan(array[position]) else texts["infinite"]
        return values, []
    if kind in ("i", "u"):
        return [v if abs(v) < _LARGEST_WHOLE else str(v) for v in series.tolist()], []
    known: dict[str, str | None] = {"": None}
    values = []
    dates: list[int] = []
    for value in series.astype(object).tolist():
        if value.__class__ is str:
            text = known.get(value, known)
            if text is known:
                text = known[value] = clean(value)
            values.append(text)
        else:
            values.append(_plain(value, len(values), dates, clean, texts))
    return values, dates


def _dates(series: pd.Series) -> tuple[list[Any], Any]:
    moments = series.to_numpy()
    days = moments.astype("datetime64[D]")
    there = ~np.isnat(days)
    if (there & ((days < np.datetime64(_FIRST_DATE)) | (days != moments))).any():
        mixed: list[int] = []
        return [_plain(v, n, mixed, str, {}) for n, v in enumerate(series.tolist())], mixed
    serial = (days - np.datetime64(_DAY_ZERO, "D")).astype(np.int64).tolist()
    return [day if known else None for day, known in zip(serial, there.tolist())], "all"


def _plain(value: Any, position: int, dates: list[int], clean: Callable[[str], str], texts: Mapping[str, str]) -> Any:
    """One value that is no str, as a cell can hold it; notes in `dates` where it is a date."""
    if value is None or value is pd.NaT or value is pd.NA:
        return None
    if isinstance(value, (bool, np.bool_)):
        return texts["yes"] if value else texts["no"]
    if isinstance(value, (float, np.floating, Decimal)):
        number = float(value)
        return number if isfinite(number) else None if number != number else texts["infinite"]
    if isinstance(value, (int, np.integer)):
        return int(value) if abs(int(value)) < _LARGEST_WHOLE else str(value)
    if isinstance(value, (datetime, date)):
        moment = value if isinstance(value, datetime) else datetime(value.year, value.month, value.day)
        moment = moment.replace(tzinfo=None)
        midnight = moment.time() == time()
        if moment < _FIRST_DATE or not midnight:  # no stage makes a day with a time in it
            return moment.date().isoformat() if midnight else moment.isoformat(sep=" ", timespec="minutes")
        dates.append(position)
        return (moment - _DAY_ZERO).days
    if isinstance(value, time):
        return value.isoformat(timespec="minutes")
    return clean(str(value)) or None


def clean_text(text: str, cut_mark: str = "") -> tuple[str, bool]:
    """Text as a cell may hold it, and whether it had to be cut.

    Control characters become their visible symbols, halves of characters the replacement character; a text
    over 32,767 UTF-16 units ends in the cut mark ({length} is its full length).

    >>> clean_text("oil\\x07 0.1")
    ('oil␇ 0.1', False)
    """
    if _FORBIDDEN.search(text):
        text = _FORBIDDEN.sub(lambda m: _shown(m.group()), text.replace("\r\n", "\n"))
    if text.startswith("<r>") and text.endswith("</r>"):
        text += " "  # xlsxwriter would take it for the inside of a cell and not escape it
    if len(text) <= LONGEST_TEXT // 2 or len(text.encode("utf-16-le")) // 2 <= LONGEST_TEXT:
        return text, False
    mark = cut_mark.format(length=len(text))
    units = text.encode("utf-16-le")[: 2 * (LONGEST_TEXT - len(mark))]
    return units.decode("utf-16-le", errors="ignore") + mark, True


def _shown(character: str) -> str:
    code = ord(character)
    if code < 0x20:
        return chr(0x2400 + code)  # the Unicode block Control Pictures
    return "␡" if code == 0x7F else "�"


def ok(code: int) -> None:
    """Raise where xlsxwriter says that something was not written; it would otherwise be missing silently.

    Raises : RuntimeError giving its return code.
    """
    if code is not None and code < 0:
        raise RuntimeError(f"xlsxwriter did not write a part of the workbook (code {code})")
