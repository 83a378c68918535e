"""What a finding rests on: its verdict, doubt, figure and limit, which way it lies and how far it reaches.

Arrays, one entry a finding; action_texts.py makes the words from them.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd

from grader.columns import DOUBTS, NO_LIMIT, OPEN_LOWER, OPEN_UPPER, PARAMETERS, READ, TEST_WORDS, VERDICT_WORDS
from grader.data import load_toml
from grader.figures import bounds
from grader.frames import at_least, text
from grader.words import words

WHOLE = ""  # key of a finding that is no single parameter's
WHOLE_NAME = "Whole test"
JUDGED = ("odour", "oxygen", "co", "co2", "oil", "water", "flow", "pressure")
# Codes of column water_by, as the judging stage sets them (a test holds them equal).
IN_GUARD_BAND = 2  # code of {key}_closeness, likewise
BY_CONTENT, BY_LINE_DEW, BY_ONE_ATMOSPHERE, BY_MARGIN, BY_MARGIN_1ATM, BY_FREE_WATER = range(1, 7)
FIGURE_OF = {
    BY_CONTENT: "water",
    BY_LINE_DEW: "pressure_dew_point",
    BY_ONE_ATMOSPHERE: "dew_point_1atm",
    BY_MARGIN: "margin",
    BY_MARGIN_1ATM: "margin",
}
COMPUTED = ("water", "pressure_dew_point", "dew_point_1atm", "margin")
DEW_POINTS = ("pressure_dew_point", "dew_point_1atm")
_WATER_FIELDS = ("water_tube_mg_m3", "water_mg_m3", "dew_point_measured_c")
STALE = ("expired_tube", "calibration_overdue")


class FindingFacts:
    """What m findings rest on.

    at       : rows of the judged table, one a finding (m rows).
    found    : test, key, kind, severity, first, met, as actions.py makes them.
    where    : counts of how far each reaches, as actions.py makes them.
    language : code of a words file.
    Raises   : KeyError for a language that has no words.
    """

    def __init__(self, at: pd.DataFrame, found: pd.DataFrame, where: pd.DataFrame, language: str) -> None:
        self.w = words(language)
        self.say: dict[str, str] = self.w["action"]
        self.names: dict[str, str] = self.w["parameter"]
        self.steps: dict[str, str] = self.w["action_step"]
        self.data = load_toml("causes.toml")
        self.level = {code: level for level, codes in self.data["level"].items() for code in codes}
        self.n = len(at)
        self.key, self.kind = found["key"].to_numpy(dtype=object), found["kind"].to_numpy(dtype=object)
        self.met = found["met"].to_numpy()
        self.counts = {name: where[name].to_numpy() for name in where.columns}
        self.odour, self.supply, self.dryer = text(at, "odour"), text(at, "supply"), text(at, "dryer")
        self.system, self.status, self.rule = (text(at, "system"), text(at, "outlet_status"), text(at, "rule_set"))
        self.dated = at["dated"].to_numpy()
        self.seen = text(at, "liquid_water") == "seen"
        self.free = at["free_water"].to_numpy() & (self.key == "water") & (self.kind == "fail")
        self.use_stated = at["lowest_use_temperature_c_state"].to_numpy() == READ
        self.line_c = at["airline_temperature_c_upper"].to_numpy(dtype=float)
        self.safe, self.colder = at["safe_down_to_c"].to_numpy(), at["colder_seen_c"].to_numpy()
        self.by, self.factor = at["water_by"].to_numpy(), at["tube_factor"].to_numpy()
        self.dew_lower = at["pressure_dew_point_lower"].to_numpy()
        self.dews = [
            [self._dew(*ends) for ends in zip(*(at[f"{key}_{e}"].to_numpy() for e in ("lower", "upper", "open")))]
            for key in DEW_POINTS
        ]
        self.guarded, self.chance = np.zeros(self.n, dtype=bool), np.full(self.n, np.nan)
        for name in (k for k in JUDGED if f"chance_over_{k}" in at):
            here = self.key == name
            self.guarded[here] = at[f"{name}_closeness"].to_numpy()[here] == IN_GUARD_BAND
            self.chance[here] = at[f"chance_over_{name}"].to_numpy()[here]
        self._verdicts(at)
        self._figures(at)
        self.reach = [self._reach(i) for i in range(self.n)]
        self.side = [self._side(i) for i in range(self.n)]
        self.causes = {
            key: self._cause_list(*key)
            for key in set(zip(map(self._cause_name, self.key), self.side, self.supply, self.dryer))
            if key[0]
        }

    def _verdicts(self, at: pd.DataFrame) -> None:
        """Word of the verdict, name of the doubt, and names of what the rule set sets no limit for."""
        self.verdict = np.array(TEST_WORDS, dtype=object)[at["verdict"].to_numpy()]
        self.doubt = np.full(self.n, DOUBTS[0], dtype=object)
        names = np.array(DOUBTS, dtype=object)
        self.unlimited = np.full(self.n, "", dtype=object)
        for key in JUDGED:
            here = self.key == key
            codes = at[f"verdict_{key}"].to_numpy()
            self.verdict[here] = np.array(VERDICT_WORDS, dtype=object)[codes[here]]
            if key != "odour":
                # The judge keeps the doubt of water only where it decides; a fail may rest on one too.
                doubt = at[f"{key}_doubt"].to_numpy()
                if key == "water":
                    doubt = np.where(doubt == 0, at["pressure_dew_point_doubt"].to_numpy(), doubt)
                self.doubt[here] = names[doubt[here]]
            none = (self.kind == "no_limit") & at[f"{key}_missing"].to_numpy() & (codes == NO_LIMIT)
            name = self.w["parameter_within"][key]
            self.unlimited[none] = [f"{before}, {name}" if before else name for before in self.unlimited[none]]

    def _figures(self, at: pd.DataFrame) -> None:
        """Ends, limits and source of the figure that each finding shows; NaN where it shows none."""
        self.figure = np.where(np.isin(self.key, ("", "odour")), "", self.key).astype(object)
        water = self.key == "water"
        state_of = {key: at[f"{key}_state"].to_numpy() for key in PARAMETERS if f"{key}_state" in at}
        for code, key in FIGURE_OF.items():
            self.figure[water & (self.by == code) & (state_of[key] == READ)] = key
        # A doubtful reading is shown as read, not as the dew point or margin that follows from it.
        self.figure[water & (self.kind == "doubt")] = "water"
        self.figure[water & (self.by == BY_FREE_WATER)] = "pressure_dew_point"
        self.lower, self.upper, self.low, self.high = (np.full(self.n, np.nan) for _ in range(4))
        self.open, self.state = np.zeros(self.n, dtype=np.int64), np.zeros(self.n, dtype=np.int64)
        self.raw = np.full(self.n, "", dtype=object)
        for key in {k for k in self.figure if k}:
            here = self.figure == key
            for name, ends in (
                ("lower", self.lower),
                ("upper", self.upper),
                ("open", self.open),
                ("state", self.state),
            ):
                ends[here] = at[f"{key}_{name}"].to_numpy()[here]
        for key in JUDGED:
            here = self.key == key
            if key != "odour":
                self.low[here] = at[f"limit_low_{key}"].to_numpy()[here]
                self.high[here] = at[f"limit_high_{key}"].to_numpy()[here]
            for field in _WATER_FIELDS if key == "water" else (PARAMETERS[key].column,):
                if f"{field}_text" in at:
                    shown = text(at, f"{field}_text")
                    self.raw[here] = np.where(self.raw[here] == "", shown[here], self.raw[here])
        self._margins_from_ambient(at, (self.figure == "margin") & water)

    def _margins_from_ambient(self, at: pd.DataFrame, margins: np.ndarray) -> None:
        """A margin that the rule counts from ambient is not column margin."""
        base = at["ambient_use_c"].to_numpy(dtype=float)
        met = at_least(self.lower, self.low) & (self.kind == "fail")
        for key, here in (
            ("dew_point_1atm", margins & (self.by == BY_MARGIN_1ATM)),
            ("pressure_dew_point", margins & (self.by == BY_MARGIN) & met),
        ):
            self.lower[here] = (base - at[f"{key}_upper"].to_numpy())[here]
            self.upper[here] = (base - at[f"{key}_lower"].to_numpy())[here]
            turned = np.select(
                [at[f"{key}_open"].to_numpy() == OPEN_LOWER, at[f"{key}_open"].to_numpy() == OPEN_UPPER],
                [OPEN_UPPER, OPEN_LOWER],
                0,
            )
            self.open[here] = turned[here]

    @staticmethod
    def _dew(lower: float, upper: float, open_: int) -> str:
        return "" if math.isnan(lower) else f"{bounds(lower, upper, int(open_), 1)} °C"

    @staticmethod
    def _cause_name(key: str) -> str:
        return PARAMETERS[key].name if key else ""

    def _side(self, i: int) -> str:
        """Which way the finding lies: high, low, liquid, cold, words."""
        if self.key[i] == "odour":
            return "words"
        if self.free[i] or self.kind[i] == "warm":
            return "liquid" if self.free[i] else "cold"
        if self.key[i] == "water" or math.isnan(self.low[i]):
            return "high"
        if math.isnan(self.high[i]):
            return "low"
        if self.kind[i] == "fail" and not self.guarded[i]:
            return "low" if at_least(self.low[i], self.upper[i]) else "high"
        return "low" if self.lower[i] - self.low[i] < self.high[i] - self.upper[i] else "high"

    def _reach(self, i: int) -> str:
        c = {name: values[i] for name, values in self.counts.items()}
        if self.kind[i] not in ("fail", "near"):
            return ""
        if not c["bad"]:
            return "" if self.dated[i] else "no_date"
        if c["systems"] > 1 and c["bad_systems"] == c["systems"]:
            return "site"
        if c["tested"] == 1:
            return "single"
        if c["bad"] == c["tested"]:
            return "system"
        return "only" if c["bad"] == 1 else "some"

    def _cause_list(self, name: str, side: str, supply: str, dryer: str) -> dict[str, list[str]]:
        return cause_list(self.data, name, side, supply, dryer)


def cause_list(data: dict[str, Any], name: str, side: str, supply: str, dryer: str) -> dict[str, list[str]]:
    """The first list of data/causes.toml that fits: codes under `likely` and `check`; a new parameter has none."""
    for entry in data["causes"]:
        if (
            entry["parameter"] == name
            and entry["direction"] == side
            and supply in entry.get("supply", [supply])
            and dryer in entry.get("dryer", [dryer])
        ):
            return dict(entry)
    return {"likely": [], "check": []}
