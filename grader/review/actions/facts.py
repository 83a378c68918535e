"""What a finding rests on: its verdict, doubt, figure and limit, which way it lies and how far it reaches.

Arrays, one entry a finding; action_texts.py makes the words from them.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from grader.columns import (
    DOUBTS,
    FIGURES,
    GASES,
    IN_WORDS,
    JUDGED,
    NO_LIMIT,
    PARAMETERS,
    READ,
    TEST_WORDS,
    VERDICT_WORDS,
    WATER,
    WATER_CHAIN,
)
from grader.data import load_toml
from grader.decided import BY_FREE_WATER, ORIGINS, Against, Decided, WaterFigures
from grader.figures import plain
from grader.frames import text
from grader.words import words

WHOLE = ""  # key of a finding that is no single parameter's
WHOLE_NAME = "Whole test"
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
        self.reference = text(at, "laboratory_reference")
        self.dated = at["dated"].to_numpy()
        self.seen = text(at, "liquid_water") == "seen"
        self.free = at["free_water"].to_numpy() & (self.key == WATER) & (self.kind == "fail")
        stated = at["lowest_use_temperature_c_state"].to_numpy() == READ
        self.use_stated = stated | ~np.isnan(at["use_past_c"].to_numpy())
        self.line_c = at["airline_temperature_c_upper"].to_numpy(dtype=float)
        self.safe, self.colder = at["safe_down_to_c"].to_numpy(), at["colder_seen_c"].to_numpy()
        self.use_known = at["use_temperature_known"].to_numpy()
        self.against = Against(at, self.w)
        self.dew_lower = at["pressure_dew_point_lower"].to_numpy()
        self.printed = {key: WaterFigures(at, key) for key in WATER_CHAIN}
        self.decided = {key: Decided.of(at, key, self.w) for key in FIGURES}
        self._verdicts(at)
        self._as_written(at)
        self.origin, self.intake = self._origins(at)
        self.parts = np.where(np.isin(self.kind, ("fail", "near", "warm")), parts_of(at, self.key, self.w), "")
        self.reach = [self._reach(i) for i in range(self.n)]
        self.side = [self._side(i) for i in range(self.n)]
        self.causes = {
            key: cause_list(self.data, *key)
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
            if key not in IN_WORDS:
                # The judge keeps the doubt of water only where it decides; a fail may rest on one too.
                doubt = at[f"{key}_doubt"].to_numpy()
                if key == WATER:
                    doubt = np.where(doubt == 0, at["pressure_dew_point_doubt"].to_numpy(), doubt)
                self.doubt[here] = names[doubt[here]]
            none = (self.kind == "no_limit") & at[f"{key}_missing"].to_numpy() & (codes == NO_LIMIT)
            name = self.w["parameter_within"][key]
            self.unlimited[none] = [f"{before}, {name}" if before else name for before in self.unlimited[none]]

    def _origins(self, at: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
        """What the reading at the intake says of a gas that is over its limit or near, and that reading; object (m,)."""
        names, shown = np.full(self.n, "", dtype=object), np.full(self.n, "", dtype=object)
        for key in GASES:
            field = PARAMETERS[key].intake
            if not field:
                continue
            here = np.flatnonzero((self.key == key) & np.isin(self.kind, ("fail", "near")))
            if len(here):
                names[here] = np.array(ORIGINS, dtype=object)[at[f"{key}_origin"].to_numpy()[here]]
                written, figures = text(at, f"{field}_text"), at[field].to_numpy(dtype=float)
                shown[here] = [f"{written[i] or plain(figures[i])} {PARAMETERS[key].unit}" for i in here]
        return names, shown

    def _as_written(self, at: pd.DataFrame) -> None:
        """What stands in the cells that each finding's parameter is read from, where it is no plain number."""
        self.raw = np.full(self.n, "", dtype=object)
        for key in JUDGED:
            here = self.key == key
            for field in _WATER_FIELDS if key == WATER else (PARAMETERS[key].column,):
                if f"{field}_text" in at:
                    shown = text(at, f"{field}_text")
                    self.raw[here] = np.where(self.raw[here] == "", shown[here], self.raw[here])

    def of(self, i: int) -> Decided | None:
        """What decided a finding's parameter; None for a whole test and for odour."""
        return self.decided.get(self.key[i])

    def rests_on_dryness(self, i: int) -> bool:
        """Whether liquid water alone decided."""
        return bool(self.key[i] == WATER and self.decided[WATER].by[i] == BY_FREE_WATER)

    @staticmethod
    def _cause_name(key: str) -> str:
        return PARAMETERS[key].name if key else ""

    def _side(self, i: int) -> str:
        """Which way the finding lies: high, low, liquid, cold, words."""
        if self.key[i] in IN_WORDS:
            return "words"
        if self.free[i] or self.kind[i] == "warm":
            return "liquid" if self.free[i] else "cold"
        d = self.of(i)
        return "low" if d and d.low_side[i] and self.key[i] != WATER else "high"

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


def parts_of(at: pd.DataFrame, key: np.ndarray, w: Mapping[str, Any]) -> np.ndarray:
    """The parts of the plant that move each finding's parameter, with their last change and hours since; object (m,).

    at : rows of the judged table, one a finding. key : of its parameter. w : words.
    """
    out, say = np.full(len(at), "", dtype=object), w["action_part"]
    for part, of in load_toml("work.toml")["part"].items():
        if f"part_{part}_on" not in at:
            continue
        on, hours = at[f"part_{part}_on"].to_numpy(), at[f"part_{part}_hours"].to_numpy()
        here = np.isin(key, [p.key for p in PARAMETERS.values() if p.name in of["ends"]]) & ~np.isnat(on)
        for i in np.flatnonzero(here).tolist():
            said = say["changed"].format(part=say[part], month=str(on[i])[:7])
            said += say["hours"].format(hours=f"{hours[i]:,.0f}") if hours[i] == hours[i] else ""
            out[i] = f"{out[i]}; {said}" if out[i] else said
    return out


def cause_list(data: Mapping[str, Any], name: str, side: str, supply: str, dryer: str) -> dict[str, list[str]]:
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
