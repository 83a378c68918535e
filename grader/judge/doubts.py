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
from grader.figures import at_least_fixed
from grader.frames import at_least, by_laboratory, with_columns
from grader.judge.queries import follow, mark, query_plausibility
from grader.problems import Problems

TUBES = {p.key: f"{p.tube}_tube_expiry" for p in PARAMETERS.values() if p.tube}
INSTRUMENT = tuple(p.key for p in PARAMETERS.values() if p.instrument)


def judge_doubts(tests: pd.DataFrame, problems: Problems) -> pd.DataFrame:
    """The table with {key}_doubt filled up. n rows in, n rows out, same index."""
    doubts = {key: tests[f"{key}_doubt"].to_numpy().copy() for key in (*FIGURES, *WATER_CHAIN[1:])}
    doubts |= {key: np.zeros(len(tests), dtype=np.int8) for key in IN_WORDS}
    _tubes(tests, problems, doubts)
    _calibration(tests, problems, doubts)
    _oil_sampling(tests, problems, doubts)
    query_plausibility(tests, problems, doubts)
    _unit_clashes(tests, doubts)
    if "used_fewer" in tests:
        mark(doubts["flow"], tests["used_fewer"].to_numpy(), "fewer_in_use")
    new = {f"{key}_doubt": value for key, value in doubts.items()}
    temperature = tests["temperature_doubt"].to_numpy().copy()
    for name, where in _calibration_doubts(tests).items():
        mark(temperature, where, name)
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


def _calibration_doubts(tests: pd.DataFrame) -> dict[str, np.ndarray]:
    """Where the calibration keeps a pass from counting, by doubt: bool (n,)."""
    state = tests["calibration_due_state"].to_numpy()
    return {
        "calibration_overdue": _overdue(tests),
        "calibration_unreadable": state == UNREADABLE,
        "test_date_unreadable": (state == READ) & (tests["test_date_state"].to_numpy() == UNREADABLE),
    }


def _days(column: pd.Series, where: np.ndarray) -> list[str]:
    return column.to_numpy()[where].astype("datetime64[D]").astype(str).tolist()


def _tubes(tests: pd.DataFrame, problems: Problems, doubts: dict[str, np.ndarray]) -> None:
    number = tests.index.to_numpy()
    day = tests["test_day"].to_numpy()
    by_tube = tests["water_source"].to_numpy() != SOURCE_METER
    for key, field in TUBES.items():
        state = tests[f"{field}_state"].to_numpy()
        used = tests[f"{key}_state"].to_numpy() == READ
        used = used & ~by_laboratory(tests, key)
        if key == WATER:
            used = used & by_tube
        expired = used & (state == READ) & (tests[field].to_numpy() < day)
        unreadable = used & (state == UNREADABLE)
        for target in follow(key):
            mark(doubts[target], expired, "expired_tube")
            mark(doubts[target], unreadable, "expiry_unreadable")
        problems.add_tests("tube_expired", number[expired], field, expiry=_days(tests[field], expired))
        problems.add_tests("expiry_not_stated", number[used & (state == BLANK)], field)
        # A date left blank is said already, with what follows from it; one that cannot be read may lie after the expiry.
        unchecked = used & (state == READ) & (tests["test_date_state"].to_numpy() == UNREADABLE)
        for target in follow(key):
            mark(doubts[target], unchecked, "test_date_unreadable")
        problems.add_tests("expiry_not_checked", number[unchecked], field)


def _calibration(tests: pd.DataFrame, problems: Problems, doubts: dict[str, np.ndarray]) -> None:
    number = tests.index.to_numpy()
    state = tests["calibration_due_state"].to_numpy()
    overdue = _overdue(tests)
    read = np.zeros(len(tests), dtype=bool)
    meter = tests["water_source"].to_numpy() == SOURCE_METER
    rests = {key: (tests[f"{key}_state"].to_numpy() == READ) & ~by_laboratory(tests, key) for key in INSTRUMENT}
    rests |= dict.fromkeys(set(WATER_CHAIN) - set(INSTRUMENT), meter)
    for key, used in rests.items():
        read |= used
        for name, where in _calibration_doubts(tests).items():
            mark(doubts[key], used & where, name)
    problems.add_tests(
        "calibration_overdue",
        number[read & overdue],
        "calibration_due",
        due=_days(tests["calibration_due"], read & overdue),
    )
    unchecked = read & (state == READ) & (tests["test_date_state"].to_numpy() == UNREADABLE)
    problems.add_tests("expiry_not_checked", number[unchecked], "calibration_due")
    problems.add_tests("calibration_not_stated", number[read & (state == BLANK)], "calibration_due")


def _oil_sampling(tests: pd.DataFrame, problems: Problems, doubts: dict[str, np.ndarray]) -> None:
    number = tests.index.to_numpy()
    state = tests["oil_sampling_min_state"].to_numpy()
    need_state = tests["oil_sampling_needed_min_state"].to_numpy()
    needed, least = tests["oil_needs_min"].to_numpy(), tests["oil_sampling_needed_min_lower"].to_numpy(dtype=float)
    sampled = tests["oil_sampling_min_lower"].to_numpy(dtype=float)
    here = ~by_laboratory(tests, "oil")
    read = (tests["oil_state"].to_numpy() == READ) & here
    how = tests["oil_mg_m3_how"].to_numpy()
    # Without a mark of the tube's own, ND says as little as clear: that no colour was seen.
    no_mark = tests["oil_lowest_mark_mg_m3_state"].to_numpy() == BLANK
    seen = np.isin(how, (STAIN, TRACE))
    word = seen | (how == CLEAR) | ((how == NOT_DETECTED) & no_mark)
    short, untimed = read & (state == READ) & ~at_least(sampled, needed), read & (state == BLANK)
    oil = doubts["oil"]
    mark(oil, here & ((state == UNREADABLE) | (need_state == UNREADABLE)), "oil_sampling_unreadable")
    mark(oil, short, "oil_sampling_short")
    mark(oil, untimed & word, "oil_word_without_time")
    clear = tests["oil_clear_needs_min"].to_numpy(dtype=float)
    for code, where, minutes in (
        ("oil_sampling_short", short, needed),
        ("oil_clear_short", ~np.isnan(clear) & ~short, clear),
    ):
        problems.add_tests(code, number[where], "oil_sampling_min", needed=_minutes(minutes[where], least[where]))
    problems.add_tests("oil_word_without_time", number[untimed & word & ~seen], "oil_mg_m3")
    problems.add_tests("oil_time_not_stated", number[untimed & ~word], "oil_mg_m3")


def _minutes(needed: np.ndarray, least: np.ndarray) -> list[str]:
    """Minutes needed, in words; `least`: of a need written as a bound, which no time meets for certain."""
    return [at_least_fixed(n, 1) if np.isfinite(n) else f">{low:g}" for n, low in zip(needed.tolist(), least.tolist())]
