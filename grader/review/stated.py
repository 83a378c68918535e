"""What the logs already say of instruments, tubes, plant, equipment and outlets: the lines of a first register."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from grader.columns import FIELDS, PARAMETERS
from grader.figures import plain
from grader.frames import by_unique, text
from grader.natural import name_key
from grader.words import DEFAULT_LANGUAGE, words

# Fields of the sheet Outlets that the tests themselves state.
# How long oil is sampled is a habit of a day, and only the firm can say that it is its practice.
_OF_OUTLET = (
    "location",
    "system",
    "supply",
    "dryer",
    "lowest_use_temperature_c",
    "nominal_pressure_bar",
    "interval_months",
)
_NEEDS = ("flow_needed_l_min", "lowest_pressure_bar", "highest_pressure_bar")
_DRYERS = ("refrigerant", "desiccant", "membrane")


@dataclass
class Stated:
    """sheet -> for each line column -> value, and the same with notes on the cells that contradict themselves."""

    lines: dict[str, list[dict[str, Any]]] = field(default_factory=dict)
    notes: dict[str, list[dict[str, str]]] = field(default_factory=dict)

    def add(self, sheet: str, line: dict[str, Any], notes: dict[str, str]) -> None:
        """One line more."""
        self.lines.setdefault(sheet, []).append(line)
        self.notes.setdefault(sheet, []).append(notes)


def stated_lines(tests: pd.DataFrame, file_names: Sequence[str], language: str = DEFAULT_LANGUAGE) -> Stated:
    """The lines of a register that the tests fill.

    tests      : judged table. Tests that are replaced or after the day of the run say nothing; those without a date say
                 what no other test says, from no day on.
    file_names : by file number; notes name the file that says otherwise. language : of the notes.
    Returns    : Stated. Each value is the latest; `From` is the first day from which all values of the line were
                 stated. What was stated otherwise, before or on the same day, stands in a note.
    """
    say = words(language)["register"]
    counts = (tests["dated"] | tests["test_day"].isna()).to_numpy() & ~tests["replaced"].to_numpy()
    kept = tests[counts].sort_values("test_day", kind="stable", na_position="first")
    names = np.array(file_names, dtype=object)
    found = Stated()
    # One calibration due after the other is the way of things; two ahead at once would be a doubt.
    for (serial, due), _ in _pairs(kept, "instrument", "calibration_due", None):
        found.add("Instruments", {"instrument": serial, "calibration_due": due}, {})
    for tube in dict.fromkeys(p.tube for p in PARAMETERS.values() if p.tube):
        name = next(p.name for p in PARAMETERS.values() if p.tube == tube)
        for (lot, expiry), others in _pairs(kept, f"{tube}_tube_lot", f"{tube}_tube_expiry", names):
            note = {"tube_expiry": say["also_stated"].format(values="; ".join(others))} if others else {}
            found.add("Tubes", {"parameter": name, "tube_lot": lot, "tube_expiry": expiry}, note)
    _outlets(kept, names, found, say)
    return found


def _pairs(
    tests: pd.DataFrame, key: str, date: str, names: np.ndarray | None
) -> list[tuple[tuple[str, Any], list[str]]]:
    """Each name with its date, first seen first. names : then a line a name, the earliest date, the others as texts."""
    frame = pd.DataFrame({"key": text(tests, key), "day": tests[date].to_numpy(), "file": tests["file"].to_numpy()})
    frame["name"], frame["key"] = frame["key"], by_unique(frame["key"].to_numpy(dtype=object), name_key)
    frame = frame[frame["key"] != ""].drop_duplicates(["key", "day"])
    pairs: list[tuple[tuple[str, Any], list[str]]] = []
    for _, group in frame.groupby("key", sort=False):
        name = group["name"].iloc[0]
        days = group.dropna(subset="day").sort_values("day")
        if days.empty:
            pairs.append(((name, None), []))
        elif names is None:
            pairs += [((name, day.date()), []) for day in days["day"]]
        else:
            others = [f"{d.date()} ({names[f]})" for d, f in zip(days["day"][1:], days["file"][1:])]
            pairs.append(((name, days["day"].iloc[0].date()), others))
    return pairs


def _values(tests: pd.DataFrame, name: str) -> np.ndarray:
    """What is stated of a field, as it goes into a cell; None where nothing is, or a bound."""
    values: np.ndarray = (
        text(tests, name) if FIELDS[name].kind != "number" else tests[name].to_numpy(dtype=object).copy()
    )
    values[pd.isna(values) | (values == "")] = None
    return values


def _outlets(tests: pd.DataFrame, names: np.ndarray, found: Stated, say: dict[str, str]) -> None:
    """Lines of Outlets, Breathing equipment and Plant."""
    named = tests[tests["outlet_given"].to_numpy() & tests["site_given"].to_numpy()]
    columns = {name: _values(named, name) for name in (*_OF_OUTLET, *_NEEDS, "equipment")}
    day, file = named["test_day"].to_numpy().astype("datetime64[D]"), named["file"].to_numpy()
    client, site, outlet = (text(named, n) for n in ("client", "site", "outlet"))
    equipment: dict[str, dict[str, Any]] = {}
    plant: dict[tuple[str, str, str], Any] = {}
    for at in pd.Series(np.arange(len(named))).groupby(named["identity"].to_numpy(), sort=False).indices.values():
        notes: dict[str, str] = {}
        last, since = {}, {}
        for name, values in columns.items():
            told = [i for i in at if values[i] is not None]
            if not told:
                continue
            last[name], since[name] = values[told[-1]], day[told[-1]]
            for i in reversed(told):
                if values[i] != last[name]:
                    when = names[file[i]] if np.isnat(day[i]) else f"{day[i]}, {names[file[i]]}"
                    notes[name] = say["also_stated"].format(values=f"{_shown(values[i])} ({when})")
                    break
                since[name] = since[name] if np.isnat(day[i]) else day[i]
        needs = {name: last.pop(name) for name in _NEEDS if name in last}
        if needs and "equipment" not in last:
            last["equipment"] = say["equipment_for"].format(
                needs=", ".join(f"{plain(v)} {FIELDS[n].unit}" for n, v in needs.items())
            )
            last["used_at_once"] = 1
        if "equipment" in last:
            line = equipment.setdefault(last["equipment"], {"equipment": last["equipment"], **needs})
            line["from"] = np.fmin.reduce([line.get("from", np.datetime64("NaT")), *since.values()])
        first = {name: notes.pop(name) for name in _NEEDS if name in notes}
        if first:
            notes["equipment"] = "\n".join([*notes.get("equipment", "").splitlines(), *first.values()])
        begin = np.array([*since.values()], dtype="datetime64[D]")
        line = {"site": site[at[-1]], "outlet": outlet[at[-1]], **last}
        if client[at[-1]]:
            line["client"] = client[at[-1]]
        if len(begin) and not np.isnat(begin).any():
            line["from"] = begin.max().item()
        found.add("Outlets", line, notes)
        system = last.get("system") or ""
        plant.setdefault((site[at[-1]], system, "compressor"), None)
        if last.get("dryer") in _DRYERS:
            plant.setdefault((site[at[-1]], system, "dryer"), last["dryer"])
    for line in equipment.values():
        found.add("Breathing equipment", {**line, "from": line["from"].item()}, {})
    for (where, system, part), remark in plant.items():
        found.add("Plant", {"site": where, "system": system or None, "part": part, "remarks": remark}, {})


def _shown(value: Any) -> str:
    return plain(value) if isinstance(value, float) else str(value)
