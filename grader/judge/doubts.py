"""What keeps a pass from counting: expired tubes, calibration overdue, short sampling, queries that demote.

A doubt is a code of columns.DOUBTS in {key}_doubt; the judge turns a pass with one into cannot tell, and
leaves a fail alone (but for a stain without a sampling time). Plausibility thresholds: data/queries.toml.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from grader.columns import BLANK, CLEAR, DOUBT, NOT_DETECTED, READ, SOURCE_METER, STAIN, TRACE, UNREADABLE
from grader.data import load_toml
from grader.frames import above, at_least, text, with_columns
from grader.outdoor import outdoor_co2_on
from grader.problems import Problems

TUBES = {"co": "co_tube_expiry", "co2": "co2_tube_expiry", "oil": "oil_tube_expiry", "water": "water_tube_expiry"}
WATER_CHAIN = ("water", "pressure_dew_point", "dew_point_1atm", "margin")
INSTRUMENT = ("oxygen", "flow", "pressure", "pressure_dew_point", "margin")
USUAL_OIL_SAMPLING_MIN = 15.0  # common practice, no source: lubricant not known or mixed


def judge_doubts(tests: pd.DataFrame, problems: Problems) -> pd.DataFrame:
    """The table with {key}_doubt filled up. n rows in, n rows out, same index."""
    doubts = {
        key: tests[f"{key}_doubt"].to_numpy().copy()
        for key in ("oxygen", "co", "co2", "oil", "flow", "pressure", *WATER_CHAIN)
    }
    doubts["odour"] = np.zeros(len(tests), dtype=np.int8)
    _tubes(tests, problems, doubts)
    _calibration(tests, problems, doubts)
    _oil_sampling(tests, doubts)
    _implausible(tests, problems, doubts)
    _unit_clashes(tests, doubts)
    new = {f"{key}_doubt": value for key, value in doubts.items()}
    temperature = tests["temperature_doubt"].to_numpy().copy()
    _mark(temperature, _overdue(tests), "calibration_overdue")
    _mark(temperature, tests["calibration_due_state"].to_numpy() == UNREADABLE, "calibration_unreadable")
    new["temperature_doubt"] = temperature
    return with_columns(tests, new)


def _unit_clashes(tests: pd.DataFrame, doubts: dict[str, np.ndarray]) -> None:
    """Figures that contradict their unit, found and queried by the reading stage ({key}_clash)."""
    for key in sorted(doubts):
        if f"{key}_clash" in tests:
            for target in WATER_CHAIN if key == "water" else (key,):
                _mark(doubts[target], tests[f"{key}_clash"].to_numpy(), "implausible")


def _mark(doubt: np.ndarray, where: np.ndarray, name: str) -> None:
    doubt[where & (doubt == 0)] = DOUBT[name]


def _overdue(tests: pd.DataFrame) -> np.ndarray:
    with np.errstate(invalid="ignore"):
        return (tests["calibration_due_state"].to_numpy() == READ) & (
            tests["calibration_due"].to_numpy() < tests["test_day"].to_numpy()
        )


def _days(column: pd.Series, where: np.ndarray) -> list[str]:
    return column.to_numpy()[where].astype("datetime64[D]").astype(str).tolist()


def _tubes(tests: pd.DataFrame, problems: Problems, doubts: dict[str, np.ndarray]) -> None:
    number = tests.index.to_numpy()
    day = tests["test_day"].to_numpy()
    by_tube = tests["water_source"].to_numpy() != SOURCE_METER
    for key, field in TUBES.items():
        state = tests[f"{field}_state"].to_numpy()
        used = tests[f"{key}_state"].to_numpy() == READ
        if key == "water":
            used = used & by_tube
        expired = used & (state == READ) & (tests[field].to_numpy() < day)
        unreadable = used & (state == UNREADABLE)
        for target in WATER_CHAIN if key == "water" else (key,):
            _mark(doubts[target], expired, "expired_tube")
            _mark(doubts[target], unreadable, "expiry_unreadable")
        problems.add_tests("tube_expired", number[expired], field, expiry=_days(tests[field], expired))
        problems.add_tests("expiry_not_stated", number[used & (state == BLANK)], field)
        # A date left blank is said already, with what follows from it.
        unchecked = used & (state == READ) & (tests["test_date_state"].to_numpy() == UNREADABLE)
        problems.add_tests("expiry_not_checked", number[unchecked], field)


def _calibration(tests: pd.DataFrame, problems: Problems, doubts: dict[str, np.ndarray]) -> None:
    number = tests.index.to_numpy()
    state = tests["calibration_due_state"].to_numpy()
    overdue = _overdue(tests)
    read = np.zeros(len(tests), dtype=bool)
    for key in INSTRUMENT:
        used = tests[f"{key}_state"].to_numpy() == READ
        read |= used
        _mark(doubts[key], used & overdue, "calibration_overdue")
        _mark(doubts[key], used & (state == UNREADABLE), "calibration_unreadable")
    meter = tests["water_source"].to_numpy() == SOURCE_METER
    for key in ("water", "dew_point_1atm"):
        _mark(doubts[key], meter & overdue, "calibration_overdue")
        _mark(doubts[key], meter & (state == UNREADABLE), "calibration_unreadable")
    problems.add_tests(
        "calibration_overdue",
        number[read & overdue],
        "calibration_due",
        due=_days(tests["calibration_due"], read & overdue),
    )
    unchecked = read & (state == READ) & (tests["test_date_state"].to_numpy() == UNREADABLE)
    problems.add_tests("expiry_not_checked", number[unchecked], "calibration_due")
    problems.add_tests("calibration_not_stated", number[read & (state == BLANK)], "calibration_due")


def _oil_sampling(tests: pd.DataFrame, doubts: dict[str, np.ndarray]) -> None:
    state = tests["oil_sampling_min_state"].to_numpy()
    need_state = tests["oil_sampling_needed_min_state"].to_numpy()
    needed = np.where(
        need_state == READ, tests["oil_sampling_needed_min_upper"].to_numpy(dtype=float), USUAL_OIL_SAMPLING_MIN
    )
    needed = np.where(needed > 0, needed, USUAL_OIL_SAMPLING_MIN)
    sampled = tests["oil_sampling_min_lower"].to_numpy(dtype=float)
    word = np.isin(tests["oil_mg_m3_how"].to_numpy(), (STAIN, CLEAR, TRACE, NOT_DETECTED))
    oil = doubts["oil"]
    _mark(oil, (state == UNREADABLE) | (need_state == UNREADABLE), "oil_sampling_unreadable")
    _mark(oil, (state == READ) & ~at_least(sampled, needed), "oil_sampling_short")
    _mark(oil, (state == BLANK) & word, "oil_word_without_time")


def _implausible(tests: pd.DataFrame, problems: Problems, doubts: dict[str, np.ndarray]) -> None:
    """Queries marked `demotes`: they turn that parameter's pass into cannot tell."""
    number = tests.index.to_numpy()
    limit = {q["code"]: q for q in load_toml("queries.toml")["query"]}
    supply, dryer = text(tests, "supply"), text(tests, "dryer")
    airline = ~np.isin(supply, ("charging compressor", "cylinder"))
    upper = {}
    for key in ("oxygen", "co", "co2", "oil", "water", "pressure_dew_point"):
        read = tests[f"{key}_state"].to_numpy() == READ
        upper[key] = np.where(read, tests[f"{key}_upper"].to_numpy(dtype=float), np.nan)
    # Where the multiplier is in doubt already, the figure is too low for that reason, which is said.
    upper["water"] = np.where(doubts["water"] != 0, np.nan, upper["water"])
    upper["pressure_dew_point"] = np.where(doubts["water"] != 0, np.nan, upper["pressure_dew_point"])
    half = limit["co2_below_outdoor"]["fraction"] * outdoor_co2_on(tests["test_day"].to_numpy())
    desiccant = dryer == "desiccant"
    least = limit["co2_below_100"]["below"]
    held_back = desiccant & above(half, upper["co2"]) & at_least(upper["co2"], least)
    problems.add_tests("co2_low_desiccant", number[held_back], "co2_ppm")
    found: list[tuple[str, str, np.ndarray]] = [
        ("co2_below_outdoor", "co2", above(half, upper["co2"]) & ~desiccant),
        ("co2_below_100", "co2", above(least, upper["co2"])),
        (
            "dew_point_below_refrigerant",
            "water",
            (dryer == "refrigerant")
            & above(limit["dew_point_below_refrigerant"]["below"], upper["pressure_dew_point"]),
        ),
        (
            "water_dry_without_dryer",
            "water",
            (dryer == "none") & airline & above(limit["water_dry_without_dryer"]["below"], upper["water"]),
        ),
    ]
    zero = {key: upper[key] == 0.0 for key in ("oxygen", "co", "co2", "oil", "water")}
    found += [("zero_reading", key, zero[key]) for key in ("oxygen", "co2", "water")]
    all_zero = zero["co"] & zero["co2"] & zero["oil"] & zero["water"]
    found += [("all_zero", key, all_zero) for key in ("co", "co2", "oil", "water")]
    fields = {"oxygen": "oxygen_pct", "co": "co_ppm", "co2": "co2_ppm", "oil": "oil_mg_m3", "water": ""}
    water_field = np.where(
        tests["water_tube_mg_m3_state"].to_numpy() == READ,
        "water_tube_mg_m3",
        np.where(tests["water_mg_m3_state"].to_numpy() == READ, "water_mg_m3", "dew_point_measured_c"),
    )
    for code, key, where in found:
        for target in WATER_CHAIN if key == "water" else (key,):
            _mark(doubts[target], where, "implausible")
        figures: dict[str, Any] = {k: v for k, v in limit[code].items() if k in ("below", "fraction")}
        if key == "water":
            for field in np.unique(water_field[where]):
                problems.add_tests(code, number[where & (water_field == field)], str(field), **figures)
        elif code != "all_zero" or key == "co":
            problems.add_tests(code, number[where], fields[key], **figures)
