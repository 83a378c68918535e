"""The rule files as data, read plainly: joined by `extends`, figures in the units of the blank."""

from __future__ import annotations

import csv
import re
import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from tests.judge.independent.moist_air import content_of_fraction

DATA = Path(__file__).parents[3] / "grader" / "data"
JUDGING = ("confirmed", "single", "common practice", "own")


@dataclass(frozen=True)
class RuleSet:
    id: str
    supplies: tuple[str, ...]
    demanded: tuple[str, ...]
    flag: dict[str, float]
    limits: tuple[dict[str, Any], ...]
    information_only: bool

    def of(self, parameter: str, supply: str) -> list[dict[str, Any]]:
        """Limits of a parameter for a supply; an unknown supply has only those that hold for every supply."""
        return [limit for limit in self.limits if limit["parameter"] == parameter and self.holds(limit, supply)]

    def holds(self, limit: dict[str, Any], supply: str) -> bool:
        named = limit.get("when", {}).get("supply")
        named = [named] if isinstance(named, str) else named
        if supply not in ("airline", "charging compressor", "cylinder"):
            return named is None
        return supply in self.supplies and (named is None or supply in named)


def in_our_unit(limit: dict[str, Any]) -> dict[str, Any]:
    """The same limit with its figures in the unit of the blank's column."""
    parameter, unit = limit["parameter"], limit.get("unit", "")

    def changed(value: float) -> float:
        if unit == "°F":
            return value * 5 / 9 if parameter == "Dew point margin" else (value - 32) * 5 / 9
        if unit == "ppm" and parameter == "Water":
            return content_of_fraction(value * 1e-6)
        if unit == "g/m³":
            return value * 1000
        return value

    return {**limit, **{end: changed(limit[end]) for end in ("min", "max") if end in limit}}


def load(path: Path) -> RuleSet:
    own = tomllib.loads(path.read_text(encoding="utf-8"))
    base = load(path.with_name(own["extends"] + ".toml")) if "extends" in own else None
    limits = [in_our_unit(one) for one in own.get("limit", []) if one["confidence"] in JUDGING]
    kept = list(base.limits) if base else []
    for one in limits:
        same = [
            old
            for old in kept
            if old["parameter"] == one["parameter"] and ("when" not in one or old.get("when") == one["when"])
        ]
        looser = one["confidence"] == "common practice" and any(one["max"] >= old["max"] for old in same)
        if not looser:
            kept = [old for old in kept if old not in same]
            kept.append(one)
    if base is None:
        kept = limits
    return RuleSet(
        own["id"],
        tuple(own.get("supplies", base.supplies if base else ())),
        tuple(own.get("demanded", base.demanded if base else ())),
        own.get("flag", base.flag if base else {"default": 10, "Carbon dioxide": 25}),
        tuple(kept),
        own.get("information_only", False),
    )


@cache
def rule_sets() -> dict[str, RuleSet]:
    return {path.stem: load(path) for path in sorted((DATA / "rules").glob("[!_]*.toml"))}


def plain_name(name: str) -> str:
    text = re.sub(r"[\s\-–:/_]", "", name.lower())
    return re.sub(r"^(?:bs|din|nf)(?=en)", "", text)


def named(name: str) -> RuleSet | None:
    """The rule set of that name; None for an unknown one, or one that is for information only."""
    for rules in rule_sets().values():
        if plain_name(rules.id) == plain_name(name):
            return None if rules.information_only else rules
    return None


@cache
def parameters() -> dict[str, dict[str, Any]]:
    registry = tomllib.loads((DATA / "parameters.toml").read_text(encoding="utf-8"))
    return {one["name"]: one for one in registry["parameter"]} | {"Atmosphere": registry["atmospheric_pressure"]}


@cache
def clashes() -> list[dict[str, Any]]:
    return tomllib.loads((DATA / "units.toml").read_text(encoding="utf-8"))["clash"]


@cache
def lowest_marks() -> dict[str, float]:
    return tomllib.loads((DATA / "notation.toml").read_text(encoding="utf-8"))["lowest_mark"]


@cache
def outdoor_ppm(year: int) -> float:
    """Carbon dioxide outdoors in a year; of the nearest year where that one is not listed."""
    with (DATA / "co2_outdoor.csv").open(encoding="utf-8") as lines:
        table = {int(one["year"]): float(one["ppm"]) for one in csv.DictReader(row for row in lines if row[0] != "#")}
    return table[min(max(year, min(table)), max(table))]
