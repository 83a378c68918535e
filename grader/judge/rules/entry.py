"""One [[limit]] of a rule file -> Limit, in the unit it is judged in."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from grader.data import load_toml
from grader.judge.rules.check import Checker, near_miss
from grader.judge.rules.limit import Limit

if TYPE_CHECKING:
    from grader.judge.rules.file import RuleFile

SCHEMA = "rules/_schema.toml"

_LIMIT_KEYS = tuple(
    "parameter class kind min max allowed near unit at reference when clause confidence basis note why".split()
)
_WHEN_KEYS = ("supply", "over_bar", "to_bar", "temperature")


def known_parameters() -> dict[str, dict[str, Any]]:
    """Parameter name -> its entry in data/parameters.toml."""
    return {entry["name"]: entry for entry in load_toml("parameters.toml")["parameter"]}


def demanded_always() -> tuple[str, ...]:
    """The parameters that are demanded of every supply."""
    return tuple(name for name, entry in known_parameters().items() if entry.get("demanded"))


def water_ppm_to_mg_m3(molar_mass_g_mol: float) -> float:
    """mg/m³ at the reference state for 1 ppm by volume: c = x M p / (R T), ideal gas.

    >>> round(1 / water_ppm_to_mg_m3(18.015268), 5)
    1.33526
    """
    state = load_toml(SCHEMA)["reference_state"]
    mol_m3 = state["pressure_pa"] / (state["gas_constant_j_mol_k"] * state["temperature_k"])
    return 1e-6 * molar_mass_g_mol * 1e3 * mol_m3


class LimitReader(Checker):
    """Checks limits; `own`: the file is a firm's own, so that confidence has a default."""

    def __init__(self, name: str, own: bool):
        super().__init__(name)
        self.own = own
        self.schema = load_toml(SCHEMA)

    def confidence(self, where: str, entry: Mapping[str, Any]) -> str:
        if "confidence" in entry:
            known = self.schema["confidences"]
            return entry["confidence"] if self.choice(where, "confidence", entry["confidence"], known) else "memory"
        if not self.own:
            self.missing(where, "confidence", "Say how sure the figure is.")
        return "own"

    def limit(self, number: int, entry: Mapping[str, Any], rule_file: RuleFile) -> Limit | None:
        name = entry.get("parameter")
        parameters = list(known_parameters())
        where = f"[[limit]] {number}"
        if name is None:
            self.missing(where, "parameter", f"Write one of: {', '.join(parameters)}.")
            return None
        if not self.choice(where, "parameter", name, parameters):
            return None
        where = f"[[limit]] {number} ({name})"
        self.keys(where, entry, _LIMIT_KEYS)
        shape = known_parameters()[name]["limits"]
        kind = self.kind(where, entry, shape)
        common: dict[str, Any] = {key: self.string(where, entry, key) for key in ("clause", "basis", "note", "why")}
        if not self.own and "clause" not in entry:
            self.missing(where, "clause", 'Name clause or table, or write clause = "no clause".')
        base = Limit(
            name,
            kind,
            confidence=self.confidence(where, entry),
            purity_class=self.string(where, entry, "class"),
            document=rule_file.document,
            edition=rule_file.edition,
            origin=rule_file.id,
            **self.when(where, entry, rule_file),
            **common,
        )
        figures = self.word_lists(where, entry) if kind == "words" else self.figures(where, entry, shape, kind)
        places: dict[str, Any] = self.places(where, entry, shape)
        return base._replace(**figures, **places)

    def kind(self, where: str, entry: Mapping[str, Any], shape: Mapping[str, Any]) -> str:
        kinds = shape["kinds"]
        if "kind" in entry:
            return entry["kind"] if self.choice(where, "kind", entry["kind"], kinds) else kinds[0]
        if kinds in (["words"], ["margin"]):
            return kinds[0]
        implied = "range" if "min" in entry and "max" in entry else "min" if "min" in entry else "max"
        return implied if implied in kinds else kinds[0]

    def figures(self, where: str, entry: Mapping[str, Any], shape: Mapping[str, Any], kind: str) -> dict[str, Any]:
        wanted = {"max": ("max",), "min": ("min",), "range": ("min", "max"), "margin": ("min",)}[kind]
        for key in ("allowed", "near"):
            if key in entry:
                self.say(where, key, entry[key], "is for limits in words", "Leave it out.")
        for key in ("min", "max"):
            if key in entry and key not in wanted and not (kind == "range"):
                self.say(where, key, entry[key], f"does not belong to kind {kind}", f"Use {' and '.join(wanted)}.")
            if key in wanted and key not in entry:
                self.missing(where, key, f"A limit of kind {kind} needs it.")
        unit = self.string(where, entry, "unit")
        unit = self.schema["spelling"].get(unit, unit)
        units = shape["units"]
        if "unit" not in entry:
            self.missing(where, "unit", f"Write one of: {', '.join(units)}.")
            return {}
        if unit not in units:
            self.say(
                where,
                "unit",
                entry["unit"],
                "not a unit of this parameter",
                f"{near_miss(unit, list(units))}Write one of: {', '.join(units)}.",
            )
            return {}
        out: dict[str, Any] = {"unit": next(iter(units)), "stated_unit": unit}
        for key, end in (("min", "low"), ("max", "high")):
            stated = self.number(where, entry, key) if key in wanted else None
            if stated is None:
                continue
            judged = _converted(stated, units[unit])
            least, most = shape["range"]
            if not least <= judged <= most:
                self.say(
                    where,
                    key,
                    entry[key],
                    f"outside {least:g} to {most:g} {out['unit']}, so taken for a slip",
                    "Check figure and unit.",
                )
            out |= {end: judged, f"stated_{end}": stated}
        if kind == "range" and out.get("low", 0) > out.get("high", math.inf):
            self.say(where, "min", entry["min"], f"above max = {entry['max']}", "Exchange the two.")
        return out

    def word_lists(self, where: str, entry: Mapping[str, Any]) -> dict[str, Any]:
        for key in ("min", "max", "unit"):
            if key in entry:
                self.say(where, key, entry[key], "does not belong to a limit in words", "Leave it out.")
        if "allowed" not in entry:
            self.missing(where, "allowed", 'Write the words that pass, for example allowed = ["none"].')
        words = self.schema["odour_words"]
        condition = entry.get("when")
        for key in ("over_bar", "to_bar", "temperature"):
            if isinstance(condition, dict) and key in condition:
                self.say(
                    f"{where}, when", key, condition[key], "does not belong to a limit in words",
                    "Words are judged alike at every pressure and temperature; leave it out.",
                )  # fmt: skip
        lists = {key: self.words(where, key, entry[key], words) if key in entry else () for key in ("allowed", "near")}
        for key, chosen in lists.items():
            if "marked" in chosen:
                self.say(where, key, entry[key], "a marked odour always fails", "Take marked out of the list.")
        both = set(lists["allowed"]) & set(lists["near"])
        if both:
            self.say(
                where,
                "near",
                entry["near"],
                f"{', '.join(sorted(both))} stands in allowed too",
                "Leave it in one list.",
            )
        return lists

    def places(self, where: str, entry: Mapping[str, Any], shape: Mapping[str, Any]) -> dict[str, str]:
        out = {}
        for key in ("at", "reference"):
            known = shape.get(key, [])
            if key in entry and not known:
                self.say(where, key, entry[key], "says nothing for this parameter", "Leave it out.")
            elif key in entry:
                self.choice(where, key, entry[key], known)
            out[key] = entry[key] if entry.get(key) in known else known[0] if known else ""
        return out

    def when(self, where: str, entry: Mapping[str, Any], rule_file: RuleFile) -> dict[str, Any]:
        condition = entry.get("when", {})
        if not isinstance(condition, dict):
            self.say(where, "when", condition, "not a condition", 'Write when = { supply = "airline" }.')
            return {}
        where = f"{where}, when"
        self.keys(where, condition, _WHEN_KEYS)
        out: dict[str, Any] = {}
        if "supply" in condition:
            out["when_supplies"] = self.words(where, "supply", condition["supply"], self.schema["supplies"])
            outside = [s for s in out["when_supplies"] if rule_file.supplies and s not in rule_file.supplies]
            if outside or condition["supply"] == []:
                self.say(
                    where,
                    "supply",
                    condition["supply"],
                    "not a supply of this rule set",
                    "Add it to supplies at the top, or take it out here.",
                )
        for key in ("over_bar", "to_bar"):
            out[key] = self.number(where, condition, key)
            if out[key] is not None and out[key] < 0:
                self.say(where, key, condition[key], "below 0", "Write the gauge pressure in bar.")
        if None not in (out["over_bar"], out["to_bar"]) and out["over_bar"] >= out["to_bar"]:
            self.say(
                where,
                "over_bar",
                condition["over_bar"],
                f"not below to_bar = {condition['to_bar']}",
                "No pressure fits; exchange the two.",
            )
        if "temperature" in condition and self.choice(
            where, "temperature", condition["temperature"], ["known", "unknown"]
        ):
            out["temperature"] = condition["temperature"]
        return out


def _converted(stated: float, unit: Mapping[str, float]) -> float:
    if "molar_mass_g_mol" in unit:
        return stated * water_ppm_to_mg_m3(unit["molar_mass_g_mol"])
    return (stated + unit.get("add", 0)) * unit.get("times", 1) / unit.get("over", 1)
