"""Plausibility: it asks, and where data/queries.toml says `demotes` it turns a pass into cannot tell; never a fail.

Thresholds with reason and source: data/queries.toml; of supply and pressure: design.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from grader.columns import (
    BLANK,
    DOUBT,
    GASES,
    HIGH_PRESSURE,
    PARAMETERS,
    READ,
    SOURCE_TUBE,
    TEST_FAIL,
    TEST_NEAR,
    TEST_PASS,
    TEST_WORDS,
    WATER,
    WATER_CHAIN,
)
from grader.data import load_toml
from grader.frames import above, at_least, plain_figures, text, with_columns
from grader.outdoor import outdoor_co2_on
from grader.problems import Problems
from grader.words import local

HIGH_PRESSURE_FROM_BAR = 40.0
_ZERO_CELSIUS_K = 273.15
AIRLINE_USUAL_BAR = (1.5, 10.0)  # common practice, no source: airlines are tested at this


def query_future(tests: pd.DataFrame, problems: Problems, as_of: np.datetime64, language: str) -> None:
    """Query tests dated after the day of the run, with the verdict that counts nowhere else."""
    day, say = tests["test_day"].to_numpy().astype("datetime64[D]"), local(language)
    at = np.flatnonzero(day > as_of)
    told = [say.word(TEST_WORDS[v]) for v in tests["verdict"].to_numpy()[at]]
    number = tests.index.to_numpy()[at]
    problems.add_tests("future_date", number, "test_date", day=day[at].astype(str), as_of=str(as_of), verdict=told)


def query_odd_supplies(tests: pd.DataFrame, problems: Problems) -> None:
    """Query an airline outside the usual pressures, a cylinder at an airline's, and a supply not given."""
    number = tests.index.to_numpy()
    supply = text(tests, "supply")
    line = np.where(
        tests["line_pressure_bar_state"].to_numpy() == READ,
        tests["line_pressure_bar_upper"].to_numpy(dtype=float),
        np.nan,
    )
    nominal = np.where(
        tests["nominal_pressure_bar_state"].to_numpy() == READ,
        tests["nominal_pressure_bar_upper"].to_numpy(dtype=float),
        np.nan,
    )
    line = np.where(np.isfinite(line), line, np.nan)
    nominal_bar = np.where(np.isfinite(nominal), nominal, np.nan)
    airline = (supply == "airline") & above(np.fmax(line, nominal_bar), HIGH_PRESSURE_FROM_BAR)
    low, high = AIRLINE_USUAL_BAR
    unusual = (supply == "airline") & ~airline & (above(low, line) | above(line, high))
    cylinder = (supply == "cylinder") & above(HIGH_PRESSURE_FROM_BAR, line) & np.isnan(nominal)
    problems.add_tests("supply_unusual_pressure_airline", number[airline], "line_pressure_bar")
    problems.add_tests("airline_pressure_unusual", number[unusual], "line_pressure_bar", low=low, high=high)
    problems.add_tests("supply_unusual_pressure_cylinder", number[cylinder], "line_pressure_bar")
    missing = (tests["supply_state"].to_numpy() == BLANK) & tests["visited"].to_numpy()
    problems.add_tests("supply_not_given", number[missing], "supply")


def query_replaced_fails(tests: pd.DataFrame, problems: Problems) -> pd.DataFrame:
    """The judged table with column `replaces_fail`, bool: it passes, and takes the place of one that failed; queried."""
    old = np.flatnonzero((tests["replaced_by"].to_numpy() >= 0) & (tests["verdict"].to_numpy() == TEST_FAIL))
    new = tests["replaced_by"].to_numpy()[old]
    passed = np.isin(tests["verdict"].reindex(new).to_numpy(), (TEST_PASS, TEST_NEAR))
    here = np.isin(tests.index.to_numpy(), new[passed])
    problems.add_tests("replaced_fail_passes", tests.index.to_numpy()[here], "outlet")
    return with_columns(tests, {"replaces_fail": here})


class _Queries:
    """Queries of one run of n tests: said once, and a doubt of their parameters where their entry says `demotes`."""

    def __init__(self, tests: pd.DataFrame, problems: Problems, doubts: dict[str, np.ndarray]) -> None:
        self.of: dict[str, dict[str, Any]] = {q["code"]: q for q in load_toml("queries.toml")["query"]}
        self.number, self.problems, self.doubts = tests.index.to_numpy(), problems, doubts
        read = {f: tests[f"{f}_state"].to_numpy() == READ for f in ("water_tube_mg_m3", "water_mg_m3")}
        of_content = np.where(read["water_mg_m3"], "water_mg_m3", "dew_point_measured_c")
        self.water_field = np.where(read["water_tube_mg_m3"], "water_tube_mg_m3", of_content)
        self.tube = tests["water_source"].to_numpy() == SOURCE_TUBE

    def ask(self, code: str, where: np.ndarray, field: str | None = None, key: str = "", **details: Any) -> None:
        """Query the tests at `where`, bool (n,).

        field : whose cell is named; None: that of its first parameter. key : the one parameter it is about here.
        """
        entry = self.of[code]
        keys = (key,) if key else tuple(entry["parameters"])
        if entry["demotes"]:
            for name in keys:
                for target in follow(name):
                    mark(self.doubts[target], where, "implausible")
        details |= {k: v for k, v in entry.items() if k in ("below", "fraction", "kelvin")}
        if field is None and keys[0] == WATER:
            for name in np.unique(self.water_field[where]):
                self.problems.add_tests(code, self.number[where & (self.water_field == name)], str(name), **details)
            return
        column = PARAMETERS[keys[0]].column if field is None else field
        self.problems.add_tests(code, self.number[where], column, **details)

    def ask_of_tube(self, code: str, where: np.ndarray, **details: Any) -> None:
        """The same of a dew point: the tube's cell where all of these tests rest on one, else the row."""
        self.ask(code, where, "water_tube_mg_m3" if self.tube[where].all() else "", **details)


def follow(key: str) -> tuple[str, ...]:
    """The parameter itself, and what is worked out from it."""
    return WATER_CHAIN if key == WATER else (key,)


def mark(doubt: np.ndarray, where: np.ndarray, name: str) -> None:
    """Put a doubt where there is none yet."""
    doubt[where & (doubt == 0)] = DOUBT[name]


def query_plausibility(tests: pd.DataFrame, problems: Problems, doubts: dict[str, np.ndarray]) -> None:
    """Query readings that their dryer, the outdoor air, the other gases or the test set make unlikely.

    tests  : table after compute_water, n rows.
    doubts : by key, codes (n,), filled up where an entry of data/queries.toml says `demotes`.
    What a stricter query says already is not details again.
    """
    q = _Queries(tests, problems, doubts)
    dryer = text(tests, "dryer")
    airline = ~np.isin(text(tests, "supply"), HIGH_PRESSURE)
    outdoor = outdoor_co2_on(tests["test_day"].to_numpy())
    line_c = plain_figures(tests, "airline_temperature_c")
    # Plain readings, where the multiplier and so the figure is not in doubt for a reason that is said already.
    sound = tests["water_doubt"].to_numpy() == 0
    odd_multiplier = _multipliers(tests, q, dryer)
    dew = np.where(sound & ~odd_multiplier, plain_figures(tests, "pressure_dew_point"), np.nan)
    co2, oxygen = plain_figures(tests, "co2"), plain_figures(tests, "oxygen")
    freezing, dry = q.of["dew_point_below_refrigerant"]["below"], q.of["water_dry_without_dryer"]["below"]
    here = (dryer == "refrigerant") & above(q.of["refrigerant_below_zero"]["below"], dew) & at_least(dew, freezing)
    q.ask_of_tube("refrigerant_below_zero", here)
    here = (dryer == "none") & airline & above(line_c - q.of["dry_without_dryer"]["kelvin"], dew)
    q.ask_of_tube("dry_without_dryer", here & at_least(plain_figures(tests, WATER), dry))
    here = above(q.of["co2_below_tube"]["fraction"] * outdoor, co2) & (dryer != "desiccant")
    here &= at_least(co2, q.of["co2_below_outdoor"]["fraction"] * outdoor)
    q.ask("co2_below_tube", here, outdoor=[f"{x:.0f}" for x in outdoor[here]])
    ask = q.of["oxygen_alone"]
    here = (above(ask["below"], oxygen) & (oxygen > 0)) | above(oxygen, ask["above"])
    q.ask("oxygen_alone", here & at_least(ask["co2_to"], co2))
    _test_set(tests, q)

    # Bounds, too: what is at most so much is at most that. Of raw and corrected, and of several readings of the water,
    # the more doubtful one is looked at.
    most = {key: tests[f"{key}_doubtful"].to_numpy(dtype=float) for key in (*GASES, WATER, "pressure_dew_point")}
    nought = {key: figure == 0.0 for key, figure in most.items()}
    for key in (WATER, "pressure_dew_point"):
        most[key] = np.where(doubts[WATER] != 0, np.nan, most[key])
    half, least = q.of["co2_below_outdoor"]["fraction"] * outdoor, q.of["co2_below_100"]["below"]
    low = above(half, most["co2"])
    problems.add_tests(
        "co2_low_desiccant", q.number[low & (dryer == "desiccant") & at_least(most["co2"], least)], "co2_ppm"
    )
    q.ask("co2_below_outdoor", low & (dryer != "desiccant"))
    q.ask("co2_below_100", above(least, most["co2"]))
    q.ask("dew_point_below_refrigerant", (dryer == "refrigerant") & above(freezing, most["pressure_dew_point"]))
    q.ask("water_dry_without_dryer", (dryer == "none") & airline & above(dry, most[WATER]))
    for key in q.of["zero_reading"]["parameters"]:
        q.ask("zero_reading", nought[key], key=key)
    q.ask("all_zero", np.all([nought[key] for key in q.of["all_zero"]["parameters"]], axis=0))


def _multipliers(tests: pd.DataFrame, q: _Queries, dryer: np.ndarray) -> np.ndarray:
    """Query tubes whose dew point another multiplier would make believable; bool (n,).

    The other dew point is extrapolated from the judged one and its derivative s (Clausius and Clapeyron,
    1/T falls by s/T^2 per unit of ln x), within a kelvin: near enough to ask.
    """
    ask = q.of["multiplier_perhaps"]
    dew, multiplier = plain_figures(tests, "pressure_dew_point"), plain_figures(tests, "water_multiplier")
    per_ln = tests["dew_per_ln_water"].to_numpy()
    line_c = plain_figures(tests, "airline_temperature_c")
    kelvin = dew + _ZERO_CELSIUS_K
    low, high = np.full(len(dew), np.nan), np.full(len(dew), np.nan)
    for name, ends, base in (("refrigerant", ask["refrigerant_c"], 0.0), ("none", ask["no_dryer_k"], line_c)):
        low = np.where(dryer == name, base + ends[0], low)
        high = np.where(dryer == name, base + ends[1], high)
    with np.errstate(invalid="ignore"):
        outside = (tests["water_source"].to_numpy() == SOURCE_TUBE) & ((dew < low) | (dew > high))
        found = np.zeros(len(dew), dtype=bool)
        for times in ask["times"]:
            other = 1.0 / (1.0 / kelvin - per_ln / kelvin**2 * np.log(times)) - _ZERO_CELSIUS_K
            # Forgotten is a multiplier of 1, multiplied twice one above it.
            fits = outside & ((multiplier == 1.0) if times > 1.0 else (multiplier > 1.0))
            fits &= (other >= low) & (other <= high)
            q.ask(
                "multiplier_perhaps",
                fits,
                "water_multiplier",
                dew=[f"{x:.0f}" for x in dew[fits]],
                dryer=dryer[fits].tolist(),
                perhaps=[f"{x:g}" for x in multiplier[fits] * times],
                other=[f"{x:.0f}" for x in other[fits]],
            )
            found |= fits
    return found


def _test_set(tests: pd.DataFrame, q: _Queries) -> None:
    line = plain_figures(tests, "line_pressure_bar")
    least, most = (
        plain_figures(tests, "test_set_lowest_pressure_bar"),
        plain_figures(tests, "test_set_highest_pressure_bar"),
    )
    outside = above(least, line) | above(line, most)
    shown = [
        " to ".join(f"{x:g}" for x in pair if not np.isnan(x))
        for pair in zip(least[outside].tolist(), most[outside].tolist())
    ]
    q.ask("test_set_pressure", outside, allowed=shown)
