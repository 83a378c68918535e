"""What keeps a pass from counting: expired tubes, calibration overdue, short sampling, queries that demote.

A doubt is a code of columns.DOUBTS in {key}_doubt; the judge turns a pass with one into cannot tell, and
leaves a fail alone (but for a stain without a sampling time). Plausibility thresholds: data/queries.toml.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from grader.columns import (
    BLANK,
    CLEAR,
    FIGURES,
    IN_WORDS,
    NOT_DETECTED,
    PARAMETERS,
    READ,
    SOURCE_METER,
    STAIN,
    TRACE,
    UNREADABLE,
    WATER,
    WATER_CHAIN,
)
from grader.frames import at_least, with_columns
from grader.judge.queries import follow, mark, query_plausibility
from grader.problems import Problems

TUBES = {p.key: f"{p.tube}_tube_expiry" for p in PARAMETERS.values() if p.tube}
INSTRUMENT = tuple(p.key for p in PARAMETERS.values() if p.instrument)
USUAL_OIL_SAMPLING_MIN = 15.0  # common practice, no source: lubricant not known or mixed


def judge_doubts(tests: pd.DataFrame, problems: Problems) -> pd.DataFrame:
    """The table with {key}_doubt filled up. n rows in, n rows out, same index."""
    doubts = {key: tests[f"{key}_doubt"].to_numpy().copy() for key in (*FIGURES, *WATER_CHAIN[1:])}
    doubts |= {key: np.zeros(len(tests), dtype=np.int8) for key in IN_WORDS}
    _tubes(tests, problems, doubts)
    _calibration(tests, problems, doubts)
    _oil_sampling(tests, doubts)
    query_plausibility(tests, problems, doubts)
    _unit_clashes(tests, doubts)
    new = {f"{key}_doubt": value for key, value in doubts.items()}
    temperature = tests["temperature_doubt"].to_numpy().copy()
    mark(temperature, _overdue(tests), "calibration_overdue")
    mark(temperature, tests["calibration_due_state"].to_numpy() == UNREADABLE, "calibration_unreadable")
    new["temperature_doubt"] = temperature
    return with_columns(tests, new)


def _unit_clashes(tests: pd.DataFrame, doubts: dict[str, np.ndarray]) -> None:
    """Figures that contradict their unit, found and queried by the reading stage ({key}_clash)."""
    for key in sorted(doubts):
        if f"{key}_clash" in tests:
            for target in follow(key):
                mark(doubts[target], tests[f"{key}_clash"].to_numpy(), "implausible")


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
        if key == WATER:
            used = used & by_tube
        expired = used & (state == READ) & (tests[field].to_numpy() < day)
        unreadable = used & (state == UNREADABLE)
        for target in follow(key):
            mark(doubts[target], expired, "expired_tube")
            mark(doubts[target], unreadable, "expiry_unreadable")
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
        mark(doubts[key], used & overdue, "calibration_overdue")
        mark(doubts[key], used & (state == UNREADABLE), "calibration_unreadable")
    meter = tests["water_source"].to_numpy() == SOURCE_METER
    for key in set(WATER_CHAIN) - set(INSTRUMENT):
        mark(doubts[key], meter & overdue, "calibration_overdue")
        mark(doubts[key], meter & (state == UNREADABLE), "calibration_unreadable")
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
    mark(oil, (state == UNREADABLE) | (need_state == UNREADABLE), "oil_sampling_unreadable")
    mark(oil, (state == READ) & ~at_least(sampled, needed), "oil_sampling_short")
    mark(oil, (state == BLANK) & word, "oil_word_without_time")
