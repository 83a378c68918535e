"""The sheet Instruments and tubes: how long each is valid, and which tests rest on it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from grader.columns import FIELDS, LABORATORY, PARAMETER_BY_NAME, PARAMETERS, READ
from grader.frames import by_laboratory, by_unique, group_codes, text
from grader.natural import name_key
from grader.review.history import as_day
from grader.words import words

COLUMNS = (
    "What", "Serial or lot", "Parameter", "Valid until", "Days left", "Tests", "First used", "Last used", "Sites",
    "Finding", "Warned of",
)  # fmt: skip
SOON_DAYS = 30  # design: runs out within 30 days
_TUBES = tuple(dict.fromkeys(p.tube for p in PARAMETERS.values() if p.tube))
_READ_BY = {t: [f.name for f in FIELDS.values() if f.tube == t] for t in _TUBES}
_REPORTED = {field: key for key, field in LABORATORY.items()}
_INSTRUMENT = [p.column for p in PARAMETERS.values() if p.instrument and p.column in FIELDS]


def names_in_use(tests: pd.DataFrame) -> np.ndarray:
    """Serial and lots that each test rests on, as one text to filter by: object (n,). A recalled lot is one filter."""
    joined = text(tests, "instrument")
    for tube in _TUBES:
        lot = text(tests, f"{tube}_tube_lot")
        between = np.where((joined != "") & (lot != ""), "; ", "").astype(object)
        joined = joined + between + np.where(lot != "", f"{_name(tube)} ", "").astype(object) + lot
    return joined


def _name(tube: str) -> str:
    return next(p.name for p in PARAMETERS.values() if p.tube == tube)


def equipment_table(
    tests: pd.DataFrame, stated: pd.DataFrame, odd: pd.DataFrame, *, as_of: object, language: str = "en"
) -> pd.DataFrame:
    """The table: one row an instrument or lot, what needs doing first.

    tests   : judged table, n rows; repeats, replaced tests and those after the day of the run do not count.
    stated  : what the register says, as register/lines.py has it.
    odd     : the table Oddities, whose instruments and lots that read otherwise than the rest are findings here, too.
    as_of   : date of the run. language : of the findings.
    Returns : columns COLUMNS. Valid until: of an instrument the last calibration due that is stated anywhere, of a lot
              the earliest expiry. Serial or lot: every way in which it is written. Tests: those with a reading by it.
              Finding: "" where there is none; what the register remarks of it, first where that speaks against it.
    """
    say = words(language)["equipment"]
    day, off = as_day(as_of), _off(odd, say)
    kept = tests["dated"].to_numpy() & ~tests["replaced"].to_numpy() & (tests["repeat_of"].to_numpy() < 0)
    parts = [_used(tests, kept, "Instrument", "instrument", "", "calibration_due", _INSTRUMENT)]
    for tube in _TUBES:
        parts.append(
            _used(tests, kept, "Tube lot", f"{tube}_tube_lot", _name(tube), f"{tube}_tube_expiry", _READ_BY[tube])
        )
    used = pd.concat(parts, ignore_index=True)
    more = stated.assign(Day=np.datetime64("NaT", "s"), Site="", Tests=0).astype(
        {"Valid until": used["Valid until"].dtype, "Day": used["Day"].dtype}
    )
    every = pd.concat([used.assign(Remarks="", Warns=False), more], ignore_index=True)
    every["Key"] = by_unique(every["Serial or lot"].to_numpy(dtype=object), name_key)
    rows = []
    for (what, key, parameter), group in every.groupby(["What", "Key", "Parameter"], sort=True):
        name = ", ".join(dict.fromkeys(group["Serial or lot"]))
        dates = group["Valid until"].dropna()
        until = (dates.max() if what == "Instrument" else dates.min()) if len(dates) else pd.NaT
        days = group["Day"].dropna()
        left = (until - pd.Timestamp(day)).days if not pd.isna(until) else None
        after = int(group["Tests"][group["Day"] > until].sum()) if left is not None else 0
        tested = int(group["Tests"].sum())
        if after:
            rank, finding = 0, say["used_after"].format(count=after)
        elif left is not None and 0 <= left <= SOON_DAYS:
            rank, finding = 1, say["soon"].format(days=left)
        elif left is None:
            rank, finding = 3, say["not_stated"]
        else:
            rank, finding = (2, "") if left >= 0 else (4, "")
        if reads_off := off.get((str(what), str(key), str(parameter))):
            rank, finding = min(rank, 1), "; ".join(filter(None, (reads_off, finding)))
        warned = bool(group["Warns"].any()) and tested > 0
        if remarks := "; ".join(r for r in dict.fromkeys(group["Remarks"]) if r):
            rank = 0 if warned else rank
            finding = "; ".join(filter(None, (say["remark"].format(text=remarks), finding)))
        sites = ", ".join(sorted(set(group["Site"]) - {""}))
        first, last = (days.min(), days.max()) if len(days) else (pd.NaT, pd.NaT)
        rows.append(
            (rank, what, name, parameter, until, left, tested, first, last, sites, finding, "yes" if warned else "")
        )
    frame = pd.DataFrame(rows, columns=["rank", *COLUMNS])
    frame = frame.sort_values(["rank", "Last used"], ascending=[True, False], kind="stable", ignore_index=True)
    return frame[list(COLUMNS)]


def _off(odd: pd.DataFrame, say: dict[str, str]) -> dict[tuple[str, str, str], str]:
    """What, serial or lot, parameter ("" of an instrument) -> by how much it reads otherwise than the rest."""
    found: dict[tuple[str, str, str], list[str]] = {}
    mine = odd[odd["Stated uncertainties off"].notna()]
    for kind, name, parameter, times in zip(
        *(mine[c] for c in ("Kind", "What", "Parameter", "Stated uncertainties off"))
    ):
        what = kind.capitalize()
        key = (what, name_key(name), "" if what == "Instrument" else parameter)
        found.setdefault(key, []).append(say["off"].format(parameter=parameter, times=f"{times:+.2g}"))
    return {key: "; ".join(texts) for key, texts in found.items()}


def _used(
    tests: pd.DataFrame, kept: np.ndarray, what: str, name: str, parameter: str, until: str, readings: list[str]
) -> pd.DataFrame:
    """One row for the tests of a site and day that rest on a named instrument or lot with one expiry; how many, in Tests."""
    read = np.zeros(len(tests), dtype=bool)
    for field in readings:
        here = tests[f"{field}_state"].to_numpy() == READ
        if field in _REPORTED:
            here = here & ~by_laboratory(tests, _REPORTED[field])
        read |= here
    at = np.flatnonzero(kept & read & (text(tests, name) != ""))
    columns = {
        "Serial or lot": text(tests, name)[at],
        "Valid until": tests[until].to_numpy()[at].astype("datetime64[s]"),
        "Day": tests["test_day"].to_numpy()[at].astype("datetime64[s]"),
        "Site": text(tests, "site")[at],
    }
    group = group_codes(*(v.astype(np.int64) if v.dtype.kind == "M" else v for v in columns.values()))
    first = np.unique(group, return_index=True)[1]
    alike = {column: values[first] for column, values in columns.items()}
    return pd.DataFrame({"What": what, "Parameter": parameter, **alike, "Tests": np.bincount(group)}).iloc[
        np.argsort(first)
    ]


def off_lately(odd: pd.DataFrame) -> pd.DataFrame:
    """Instruments that read otherwise than the rest in the last 12 months: their rows of the table Oddities."""
    return odd[(odd["Kind"] == "instrument") & odd["Off in the last 12 months"].notna()]


def reading_off(odd: pd.DataFrame, language: str = "en") -> list[str]:
    """The line of the Summary on instruments to send in, or none. odd : the table Oddities.

    Of two that read apart from each other neither is known to be the one: both are named together.
    """
    every, named = words(language), []
    say = every["equipment"]
    for parameter, some in off_lately(odd).groupby("Parameter", sort=False):
        apart = some["Off in the last 12 months"].gt(0).nunique() > 1
        names = [say["off_or"].join(some["What"])] if apart else some["What"]
        since = [some["Off since"].min()] if apart else some["Off since"]
        parameter = every["parameter"][PARAMETER_BY_NAME[str(parameter)].key]
        named += [say["off_one"].format(name=n, parameter=parameter, since=str(d)[:10]) for n, d in zip(names, since)]
    return [say["off_line"].format(names=", ".join(named))] if named else []


def read_off(tests: pd.DataFrame, at: np.ndarray, parameter: np.ndarray, side: np.ndarray, odd: pd.DataFrame) -> Any:
    """The instrument whose own offset makes a reading look worse, as it is written: object (k,), "" for none.

    at, parameter, side : (k,), position of the test, name of the parameter, 1 where more is worse, else -1.
    """
    lately = off_lately(odd)
    columns = (lately[c] for c in ("What", "Parameter", "Off in the last 12 months"))
    ways = {(name_key(name), of): 1 if off > 0 else -1 for name, of, off in zip(*columns)}
    named = text(tests, "instrument")[at]
    keys = zip(named, parameter, side)
    return np.array([n if ways.get((name_key(n), of)) == way else "" for n, of, way in keys], dtype=object)


def summary_lines(table: pd.DataFrame, language: str = "en") -> list[str]:
    """Lines of the Summary: what the register warns of though tests rest on it, and what runs out within SOON_DAYS."""
    say, lines = words(language)["equipment"], list[str]()
    if not len(table):
        return lines
    for line, rows, beside in (
        ("warned_line", table[table["Warned of"] == "yes"], "Tests"),
        ("soon_line", table[table["Days left"].between(0, SOON_DAYS)], "Valid until"),
    ):
        columns = (rows[c] for c in ("Parameter", "Serial or lot", beside))
        named = [f"{of} {name} ({str(more)[:10]})".strip() for of, name, more in zip(*columns)]
        if named:
            lines.append(say[line].format(names=", ".join(named)))
    return lines
