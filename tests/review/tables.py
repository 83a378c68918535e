"""Fabricated judged tables: only the columns that history uses, with the names the stages give them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from grader.columns import (
    BLANK,
    OPEN_LOWER,
    OPEN_NONE,
    OPEN_UPPER,
    PARAMETERS,
    PASS,
    READ,
    TEST_FAIL,
    TEST_NEAR,
    TEST_PASS,
    UNREADABLE,
    VERDICT_WORDS,
)
from grader.normalise import name_key

TUBES = [p.tube for p in PARAMETERS.values() if p.tube]
LOTS = [f"{tube}_tube_lot" for tube in TUBES]
NUMBERS = [p.key for p in PARAMETERS.values() if p.direction != "words"]
# EN 12021 as in the package's rule file; the fabricated table carries limits, it does not judge.
LIMITS = {"oxygen": (20.0, 22.0), "co": (np.nan, 5.0), "co2": (np.nan, 500.0), "oil": (np.nan, 0.5)}


def ends(value: Any) -> tuple[float, float, int, int]:
    """lower, upper, open, state of 4.0, "<2", "≥60", "?" (unreadable), None, or (lower, upper, open)."""
    if value is None:
        return np.nan, np.nan, OPEN_NONE, BLANK
    if isinstance(value, tuple):
        return (*value, READ)
    if value == "?":
        return np.nan, np.nan, OPEN_NONE, UNREADABLE
    if isinstance(value, str):
        figure = float(value[1:])
        return {
            "<": (0.0, figure, OPEN_UPPER, READ),
            "≤": (0.0, figure, OPEN_NONE, READ),
            ">": (figure, np.inf, OPEN_LOWER, READ),
            "≥": (figure, np.inf, OPEN_NONE, READ),
        }[value[0]]
    return float(value), float(value), OPEN_NONE, READ


def judged(rows: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    """A judged table of one dict a test.

    Keys: site, outlet, day (ISO text or None), verdict (a code of TEST_WORDS), a reading per parameter key
    (see `ends`), verdict_KEY (codes), low_KEY and high_KEY (limits), and any other column of the table.
    Visits are one a site and day unless `visit` is given.
    """
    n = len(rows)

    def take(name: str, default: Any) -> list[Any]:
        return [row.get(name, default) for row in rows]

    day = np.array([row.get("day") or "NaT" for row in rows], dtype="datetime64[D]")
    site, outlet, system = take("site", "Mill"), take("outlet", "Bay 1"), take("system", "")
    site_key = np.array(["\1" + name_key(s) for s in site], dtype=object)
    outlet_key = np.array([name_key(o) for o in outlet], dtype=object)
    visit = pd.factorize(pd.Series(site_key + "\0" + day.astype(str).astype(object)))[0]
    texts = {
        "site": site,
        "client": take("client", ""),
        "outlet": outlet,
        "system": system,
        "outlet_status": take("outlet_status", ""),
        "ruleset": take("ruleset", ""),
        "visit_reason": take("visit_reason", "periodic"),
        "work_done": take("work_done", ""),
        "supply": take("supply", "airline"),
        "dryer": take("dryer", "desiccant"),
        **{f"{tube}_tube_lot": take(f"{tube}_tube_lot", "") for tube in TUBES},
        "odour": take("odour", ""),
    }
    table: dict[str, Any] = {
        **{k: np.array(v, dtype=object) for k, v in texts.items()},
        "site_key": site_key,
        "outlet_key": outlet_key,
        "system_key": np.array([name_key(s) for s in system], object),
        "identity": np.array(
            take("identity", None)
            if "identity" in (rows[0] if rows else {})
            else pd.factorize(pd.Series(site_key + "\0" + outlet_key))[0],
            dtype=np.int64,
        ),
        "file": np.array(take("file", 0), dtype=np.int64),
        "row": np.arange(1, n + 1),
        "test_day": day.astype("datetime64[s]"),
        "test_time": np.array(take("test_time", np.nan), dtype=float),
        "dated": np.array(take("dated", True), dtype=bool) & ~np.isnat(day),
        "outlet_given": np.array(take("outlet_given", True), dtype=bool),
        "visited": np.array(take("visited", True), dtype=bool),
        "visit": np.array([v if row.get("visit") is None else row["visit"] for v, row in zip(visit, rows)], np.int64),
        "repeat_of": np.array(take("repeat_of", -1), dtype=np.int64),
        "same_day": np.array(take("same_day", -1), dtype=np.int64),
        "superseded": np.array(take("superseded", False), dtype=bool),
        "conflict": np.array(take("conflict", False), dtype=bool),
        "replaced": np.array(take("replaced", False), dtype=bool),
        "verdict": np.array(take("verdict", TEST_PASS), dtype=np.int8),
        "use_temperature_c": np.array(take("use_temperature_c", np.nan), dtype=float),
        "ambient_temperature_c": np.array(take("ambient_temperature_c", np.nan), dtype=float),
        "margin_needed_k": np.array(take("margin_needed_k", np.nan), dtype=float),
        "water_by": np.array(take("water_by", 0), dtype=np.int8),
        "limit_high_water": np.array(take("high_water", np.nan), dtype=float),
        "verdict_odour": np.array(take("verdict_odour", PASS), dtype=np.int8),
    }
    table["use_temperature_known"] = np.array(take("use_temperature_known", True), bool) & ~np.isnan(
        table["use_temperature_c"]
    )
    months = [ends(row.get("interval_months")) for row in rows]
    table["interval_months"] = np.array([low if low == high else np.nan for low, high, _, _ in months], dtype=float)
    table["interval_months_state"] = np.array([state for *_, state in months], dtype=np.int8)
    for key in NUMBERS:
        values = [ends(row.get(key)) for row in rows]
        for at, part in enumerate(("lower", "upper", "open", "state")):
            table[f"{key}_{part}"] = np.array([v[at] for v in values], dtype=float if at < 2 else np.int8)
        table[f"{key}_doubt"] = np.array(take(f"{key}_doubt", 0), dtype=np.int8)
        table[f"u_{key}"] = np.array(take(f"u_{key}", 0.0), dtype=float)
        if key not in ("pressure_dew_point", "dew_point_1atm", "margin"):
            table[f"verdict_{key}"] = np.array(take(f"verdict_{key}", PASS), dtype=np.int8)
            if key != "water":
                low, high = LIMITS.get(key, (np.nan, np.nan))
                table[f"limit_low_{key}"] = np.array(take(f"low_{key}", low), dtype=float)
                table[f"limit_high_{key}"] = np.array(take(f"high_{key}", high), dtype=float)
    return pd.DataFrame(table, index=pd.RangeIndex(n))


def many(outlets: int, visits: int, seed: int = 1) -> pd.DataFrame:
    """A judged table of outlets x visits tests, all read, a tenth of carbon monoxide and oil as bounds."""
    rng = np.random.default_rng(seed)
    n = outlets * visits
    number = np.repeat(np.arange(outlets), visits)
    site = number // 20
    visit = np.tile(np.arange(visits), outlets)
    months = np.datetime64("2021-01") + (visit * 3 + site % 3)
    day = months.astype("datetime64[D]") + site % 27
    names = {
        c: pd.Series([""] * n, dtype=object)
        for c in ("client", "system", "system_key", "outlet_status", "ruleset", "work_done", "odour", *LOTS)
    }
    site_names = np.array([f"Site {s}" for s in range(site.max() + 1)], dtype=object)
    outlet_names = np.array([f"Bay {o % 20 + 1}" for o in range(outlets)], dtype=object)
    table: dict[str, Any] = {
        **names,
        "site": site_names[site],
        "outlet": outlet_names[number],
        "site_key": np.array([f"\1site|{s}" for s in range(site.max() + 1)], dtype=object)[site],
        "outlet_key": np.array([f"bay|{o % 20 + 1}" for o in range(outlets)], dtype=object)[number],
        "visit_reason": np.full(n, "periodic", dtype=object),
        "identity": number,
        "file": site * visits + visit,
        "row": np.arange(1, n + 1),
        "test_day": day.astype("datetime64[s]"),
        "test_time": np.full(n, np.nan),
        "dated": np.ones(n, dtype=bool),
        "outlet_given": np.ones(n, dtype=bool),
        "visited": np.ones(n, dtype=bool),
        "visit": site * visits + visit,
        "repeat_of": np.full(n, -1),
        "same_day": np.full(n, -1),
        "superseded": np.zeros(n, dtype=bool),
        "conflict": np.zeros(n, dtype=bool),
        "replaced": np.zeros(n, dtype=bool),
        "verdict": rng.choice([TEST_PASS, TEST_NEAR, TEST_FAIL], n, p=[0.9, 0.05, 0.05]).astype(np.int8),
        "use_temperature_c": rng.normal(12, 6, n),
        "ambient_temperature_c": rng.normal(12, 6, n),
        "supply": np.full(n, "airline", dtype=object),
        "dryer": np.full(n, "desiccant", dtype=object),
        "use_temperature_known": np.ones(n, dtype=bool),
        "margin_needed_k": np.full(n, 5.0),
        "water_by": np.full(n, 4, dtype=np.int8),
        "limit_high_water": np.full(n, np.nan),
        "interval_months": np.full(n, 3.0),
        "interval_months_state": np.full(n, READ, dtype=np.int8),
        "verdict_odour": np.zeros(n, dtype=np.int8),
    }
    centre = {
        "oxygen": (20.9, 0.1),
        "co": (2, 0.8),
        "co2": (420, 20),
        "oil": (0.2, 0.08),
        "water": (90, 25),
        "pressure_dew_point": (-12, 5),
        "dew_point_1atm": (-40, 4),
        "margin": (24, 8),
        "flow": (220, 15),
        "pressure": (6.5, 0.4),
    }
    for key, (middle, spread) in centre.items():
        value = np.round(rng.normal(middle, spread, n), PARAMETERS[key].decimals)
        value = np.maximum(value, 0.0) if PARAMETERS[key].floor == 0 else value
        below = (rng.random(n) < 0.1) & (key in ("co", "oil"))
        table[f"{key}_lower"], table[f"{key}_upper"] = np.where(below, 0.0, value), value
        table[f"{key}_open"] = np.where(below, OPEN_UPPER, OPEN_NONE).astype(np.int8)
        table[f"{key}_state"], table[f"{key}_doubt"] = np.full(n, READ, np.int8), np.zeros(n, np.int8)
        table[f"u_{key}"] = np.full(n, spread / 2)
        low, high = LIMITS.get(key, (np.nan, np.nan))
        table[f"limit_low_{key}"] = np.full(n, {"flow": 170.0, "pressure": 4.0}.get(key, low))
        table.setdefault(f"limit_high_{key}", np.full(n, high))
        table[f"verdict_{key}"] = rng.choice(
            len(VERDICT_WORDS), n, p=[0.9, 0.05, 0.05] + [0] * (len(VERDICT_WORDS) - 3)
        ).astype(np.int8)
    return pd.DataFrame(table)
