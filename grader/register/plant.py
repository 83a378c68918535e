"""The sheet Plant: what was changed when, hours since, and when it is due again by hours or by months."""

from __future__ import annotations

import numpy as np
import pandas as pd

from grader.columns import READ
from grader.frames import by_unique, text
from grader.normalise import name_key
from grader.read.register import Register
from grader.register.lines import keys_of, pairs_of

COLUMNS = ("Site", "System", "Part", "Changed on", "Hours since change", "Due on", "State")
STATES = ("overdue", "due within 14 days", "hours not known", "in date")
SOON_DAYS = 14


def plant_table(tests: pd.DataFrame, register: Register, as_of: np.datetime64) -> pd.DataFrame:
    """The table: one row a part, as its last change up to the day of the run left it; what is overdue first.

    tests   : judged table. Its Compressor hours, the latest up to `as_of` of the part's site and system, less the hours
              at the change are the hours since; nothing is extrapolated.
    as_of   : datetime64[D].
    Returns : columns COLUMNS and Serial number, Every (hours), Every (months). Due on: the change plus the months; blank
              where only hours count. State: overdue where either says so; hours not known where hours count, months do
              not say that it is due, and no hours are known since the change.
    """
    lines = register.sheets["Plant"]
    changed = lines["changed_on"].to_numpy().astype("datetime64[D]")
    order = np.argsort(np.where(np.isnat(changed), np.datetime64("0001-01-01"), changed), kind="stable")
    order = order[~(changed[order] > as_of)]
    key = keys_of(lines, ["site", "system", "part", "serial_number"]) if len(lines) else np.empty(0, dtype=object)
    part = keys_of(lines, ["site", "system", "part"]) if len(lines) else key
    # A part that was replaced by another of its kind on a later day is gone; two of one day stand side by side.
    last = pd.Series(changed[order]).groupby(part[order]).transform("max").to_numpy()
    kept = order[np.isnat(changed[order]) | (changed[order] == last)]
    kept = kept[~pd.Series(key[kept]).duplicated(keep="last").to_numpy()]
    now = lines.iloc[kept]
    hours = _hours(tests, now, as_of) - _figure(now, "hours_at_change")
    hours = np.where(hours >= 0, hours, np.nan)  # a new counter: not known
    every_h, every_m = _figure(now, "every_hours"), _figure(now, "every_months")
    begin = changed[kept]
    due = _months_after(begin, every_m)
    left = np.where(np.isnat(due), np.nan, (due - as_of).astype("timedelta64[D]").astype(float))
    by_hours = hours >= every_h
    state = np.select(
        [by_hours | (left < 0), left <= SOON_DAYS, ~np.isnan(every_h) & np.isnan(hours)], STATES[:3], STATES[3]
    )
    frame = pd.DataFrame(
        {
            "Site": text(now, "site"),
            "System": text(now, "system"),
            "Part": text(now, "part"),
            "Changed on": begin.astype("datetime64[s]"),
            "Hours since change": hours,
            "Due on": due.astype("datetime64[s]"),
            "State": state.astype(object),
            "Serial number": text(now, "serial_number"),
            "Every (hours)": every_h,
            "Every (months)": every_m,
        }
    )
    rank = np.array([STATES.index(s) for s in frame["State"]], dtype=np.int64)
    return frame.iloc[np.lexsort((frame["Due on"].to_numpy(), rank))].reset_index(drop=True)


def _figure(lines: pd.DataFrame, name: str) -> np.ndarray:
    return np.where(lines[f"{name}_state"].to_numpy() == READ, lines[name].to_numpy(dtype=float), np.nan)


def _hours(tests: pd.DataFrame, lines: pd.DataFrame, as_of: np.datetime64) -> np.ndarray:
    """The compressor's hours as last read for each line's site and system, from its change on; NaN where none were."""
    found = np.full(len(lines), np.nan)
    day = tests["test_day"].to_numpy().astype("datetime64[D]")
    told = (tests["compressor_hours_state"].to_numpy() == READ) & (day <= as_of) & ~tests["replaced"].to_numpy()
    told = np.flatnonzero(told)
    if not len(told) or not len(lines):
        return found
    site = by_unique(tests["site_key"].to_numpy(dtype=object)[told], lambda k: k.split("\1", 1)[1])
    system = by_unique(text(tests, "system")[told], lambda t: name_key(t) if t else "")
    test, line = pairs_of(site + "\1" + system, keys_of(lines, ["site", "system"]))
    test = told[test]
    since = ~(day[test] < lines["changed_on"].to_numpy().astype("datetime64[D]")[line])
    test, line = test[since], line[since]
    order = np.argsort(day[test], kind="stable")
    found[line[order]] = tests["compressor_hours"].to_numpy(dtype=float)[test[order]]
    return found


def _months_after(day: np.ndarray, months: np.ndarray) -> np.ndarray:
    """Calendar months later, the last day of a month that is too short; NaT where either is not known."""
    known = ~np.isnat(day) & ~np.isnan(months)
    whole = np.where(known, months, 0).astype("timedelta64[M]")
    month = day.astype("datetime64[M]") + whole
    last = (month + 1).astype("datetime64[D]") - 1
    on = np.minimum(month.astype("datetime64[D]") + (day - day.astype("datetime64[M]")), last)
    return np.where(known, on, np.datetime64("NaT", "D"))
