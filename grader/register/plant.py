"""The sheet Plant: what was changed when, hours since, and when it is due again by hours or by months."""

from __future__ import annotations

import numpy as np
import pandas as pd

from grader.columns import PARAMETER_BY_NAME, READ, UNREADABLE
from grader.data import load_toml
from grader.figures import fixed
from grader.frames import client_and_site, text, with_columns
from grader.problems import Problems
from grader.read.register import Register
from grader.register.lines import keys_of, pairs_of
from grader.review.history import months_after
from grader.review.shown import shown
from grader.review.works import parts_named

COLUMNS = ("Site", "System", "Part", "Changed on", "Hours since change", "Due on", "State")
STATES = ("overdue", "due within 14 days", "hours not known", "not known", "in date")
SOON_DAYS = 14
_OF_STATE = ("part", "changed_on", "hours_at_change", "every_hours", "every_months")  # columns


def plant_table(tests: pd.DataFrame, register: Register, as_of: np.datetime64) -> pd.DataFrame:
    """The table: one row a part, as its last change up to the day of the run left it; what is overdue first.

    tests   : judged table. Its Compressor hours, the latest up to `as_of` of the part's site and system, less the hours
              at the change are the hours since; nothing is extrapolated.
    as_of   : datetime64[D].
    Returns : columns COLUMNS and Serial number, Every (hours), Every (months), and Last readings before, First readings
              since: medians of one visit each, of what the part moves. Due on: the change plus the months; blank
              where only hours count. State: overdue where either says so; hours not known where hours count, months do
              not say that it is due, and no hours are known since the change; not known where the line names no interval,
            months and no day, or has a cell of these, or a part, that cannot be read.
    """
    lines = register.sheets["Plant"]
    changed = lines["changed_on"].to_numpy().astype("datetime64[D]")
    order = np.argsort(np.where(np.isnat(changed), np.datetime64("0001-01-01"), changed), kind="stable")
    order = order[~(changed[order] > as_of)]
    key = keys_of(lines, ["site", "system", "part", "serial_number"])
    part = keys_of(lines, ["site", "system", "part"])
    # A part that was replaced by another of its kind on a later day is gone; two of one day stand side by side.
    last = pd.Series(changed[order]).groupby(part[order]).transform("max").to_numpy()
    kept = order[np.isnat(changed[order]) | (changed[order] == last)]
    kept = kept[~pd.Series(key[kept]).duplicated(keep="last").to_numpy()]
    now = lines.iloc[kept]
    hours = _hours(tests, now, as_of) - _figure(now, "hours_at_change")
    hours = np.where(hours >= 0, hours, np.nan)  # a new counter: not known
    every_h, every_m = _figure(now, "every_hours"), _figure(now, "every_months")
    begin = changed[kept]
    due = months_after(begin, np.nan_to_num(every_m).astype(np.int64))
    due[np.isnan(every_m)] = np.datetime64("NaT")
    left = np.where(np.isnat(due), np.nan, (due - as_of).astype("timedelta64[D]").astype(float))
    by_hours = hours >= every_h
    unknown = np.any([now[f"{c}_state"].to_numpy() == UNREADABLE for c in _OF_STATE], axis=0)
    unknown |= np.isnan(every_h) & np.isnat(due)
    no_hours = ~np.isnan(every_h) & np.isnan(hours)
    state = np.select([by_hours | (left < 0), left <= SOON_DAYS, no_hours, unknown], STATES[:4], STATES[4])
    frame = pd.DataFrame(
        {
            "Site": text(now, "site"),
            "System": text(now, "system"),
            "Part": text(now, "part"),
            "Changed on": begin.astype("datetime64[s]"),
            "Hours since change": hours,
            "Due on": due.astype("datetime64[s]"),
            "State": state.astype(object),
            "Serial number": text(now, "serial_number"),
            "Every (hours)": every_h,
            "Every (months)": every_m,
        }
    )
    frame["Last readings before"], frame["First readings since"] = _beside(tests, now, as_of)
    rank = np.array([STATES.index(s) for s in frame["State"]], dtype=np.int64)
    return frame.iloc[np.lexsort((frame["Due on"].to_numpy(), rank))].reset_index(drop=True)


def with_parts(tests: pd.DataFrame, register: Register) -> pd.DataFrame:
    """The tests with the parts of their plant as they then were, for the findings.

    Returns : for each part of data/work.toml on the sheet Plant columns part_{name}_on (datetime64[s], the last change up
              to the test) and part_{name}_hours (of the compressor since, by the test's own Compressor hours; NaN).
    """
    lines = register.sheets["Plant"]
    new: dict[str, np.ndarray] = {}
    day, part = tests["test_day"].to_numpy().astype("datetime64[D]"), text(lines, "part")
    changed = lines["changed_on"].to_numpy().astype("datetime64[D]")
    counter = _figure(tests, "compressor_hours") if len(lines) else np.empty(0)
    at_change = _figure(lines, "hours_at_change")
    for name in load_toml("work.toml")["part"]:
        mine = np.flatnonzero((part == name) & ~np.isnat(changed))
        if not len(mine):
            continue
        test, line = pairs_of(_places(tests), keys_of(lines.iloc[mine], ["site", "system"]))
        line = mine[line]
        begun = changed[line] <= day[test]
        test, line = test[begun], line[begun]
        order = np.argsort(changed[line], kind="stable")
        on, hours = np.full(len(tests), np.datetime64("NaT", "s"), dtype="datetime64[s]"), np.full(len(tests), np.nan)
        on[test[order]], hours[test[order]] = changed[line[order]], (counter[test] - at_change[line])[order]
        new |= {f"part_{name}_on": on, f"part_{name}_hours": np.where(hours >= 0, hours, np.nan)}
    return with_columns(tests, new) if new else tests


def query_plant(tests: pd.DataFrame, register: Register, problems: Problems, as_of: np.datetime64) -> None:
    """Ask about changes after the day of the run, and where the sheet and `Work done` differ between two visits.

    Either a visit tells of work on a part that the sheet has for that place, and no change of it stands there since the
    visit before (plant_not_entered); or one stands there, and the visit tells of other work or of none (plant_not_told).
    """
    lines = register.sheets["Plant"]
    if not len(lines):
        return
    changed, part = lines["changed_on"].to_numpy().astype("datetime64[D]"), text(lines, "part")
    register.say(problems, "plant_not_yet", "Plant", np.flatnonzero(changed > as_of), "changed_on")
    day, work = tests["test_day"].to_numpy().astype("datetime64[D]"), text(tests, "work_done")
    kept = tests["dated"].to_numpy() & ~tests["replaced"].to_numpy() & (tests["repeat_of"].to_numpy() < 0)
    place = np.where(kept & ~np.isnat(day), _places(tests), "")
    visits = pd.DataFrame(
        {"place": place, "day": day.astype("datetime64[s]"), "said": work, "test": np.arange(len(tests))}
    )
    visits = visits[place != ""].drop_duplicates(["place", "day", "said"]).sort_values(["place", "day"], kind="stable")
    days = visits[["place", "day"]].drop_duplicates()
    days["before"] = days.groupby("place")["day"].shift(1)
    visits = visits[visits["said"] != ""].merge(days, on=["place", "day"])
    at, line = pairs_of(visits["place"].to_numpy(dtype=object), keys_of(lines, ["site", "system"]))
    since, until = (visits[c].to_numpy().astype("datetime64[D]") for c in ("before", "day"))
    inside = (changed[line] <= until[at]) & ~(changed[line] <= since[at])
    asked: dict[tuple[str, int, str], tuple[int, int]] = {}
    for visit in np.unique(at).tolist():
        here, named = at == visit, parts_named(str(visits["said"].iloc[visit]))
        test = int(visits["test"].iloc[visit])
        file = int(tests["file"].iloc[test])
        for name in sorted(named & set(part[line[here]])):
            if not (inside & here & (part[line] == name)).any():
                asked.setdefault(("plant_not_entered", file, name), (test, -1))
        known = set(load_toml("work.toml")["part"])
        for of in line[here & inside & ~np.isnat(since[at])].tolist():
            if part[of] in known - named:
                asked.setdefault(("plant_not_told", file, part[of]), (test, of))
    for (code, _, name), (test, of) in asked.items():
        file, sheet, cell = register.cell("Plant", max(of, 0), "changed_on")
        source = f"{register.file_names[file]}, {sheet}" + (f"!{cell}" if of >= 0 else "")
        problems.add_tests(code, [int(tests.index.to_numpy()[test])], "work_done", part=name, source=source)


def _places(tests: pd.DataFrame) -> np.ndarray:
    """Site and system of each test, as names are compared: object (n,)."""
    return client_and_site(tests)[1] + "\1" + keys_of(tests, ["system"])


def _beside(tests: pd.DataFrame, lines: pd.DataFrame, as_of: np.datetime64) -> tuple[np.ndarray, np.ndarray]:
    """What the last visit before each line's change and the first from it on read, of what the part moves: object (m,)."""
    before, after = (np.full(len(lines), "", dtype=object) for _ in range(2))
    if not len(lines) or not len(tests):
        return before, after
    day = tests["test_day"].to_numpy().astype("datetime64[D]")
    counts = tests["dated"].to_numpy() & ~tests["replaced"].to_numpy() & tests["visited"].to_numpy() & (day <= as_of)
    place = np.where(counts, _places(tests), "")
    test, line = pairs_of(place, keys_of(lines, ["site", "system"]))
    changed, part = lines["changed_on"].to_numpy().astype("datetime64[D]"), text(lines, "part")
    moved = load_toml("work.toml")["part"]
    for number in np.unique(line).tolist():
        mine, on = test[line == number], changed[number]
        for out, side in ((before, mine[day[mine] < on]), (after, mine[day[mine] >= on])):
            if np.isnat(on) or not len(side) or part[number] not in moved:
                continue
            visit = side[day[side] == (day[side].max() if out is before else day[side].min())]
            parts = []
            for p in (PARAMETER_BY_NAME[name] for name in moved[part[number]]["ends"]):
                if f"{p.key}_lower" not in tests:
                    continue
                lower, upper = (tests[f"{p.key}_{end}"].to_numpy(dtype=float) for end in ("lower", "upper"))
                at = visit[(tests[f"{p.key}_state"].to_numpy()[visit] == READ) & ~np.isnan(lower[visit])]
                if len(at):
                    low, high = (np.array([np.median(ends[at])]) for ends in (lower, upper))
                    (cell,) = shown(low, high, tests[f"{p.key}_open"].to_numpy()[at[:1]], p)
                    figure = cell if isinstance(cell, str) else fixed(cell, p.decimals)
                    parts.append(f"{p.name} {figure} {p.unit}".rstrip())
            out[number] = f"{day[visit[0]]}: {', '.join(parts)}" if parts else ""
    return before, after


def _figure(lines: pd.DataFrame, name: str) -> np.ndarray:
    return np.where(lines[f"{name}_state"].to_numpy() == READ, lines[name].to_numpy(dtype=float), np.nan)


def _hours(tests: pd.DataFrame, lines: pd.DataFrame, as_of: np.datetime64) -> np.ndarray:
    """The compressor's hours as last read for each line's site and system, from its change on; NaN where none were."""
    found = np.full(len(lines), np.nan)
    day = tests["test_day"].to_numpy().astype("datetime64[D]")
    told = (tests["compressor_hours_state"].to_numpy() == READ) & (day <= as_of) & ~tests["replaced"].to_numpy()
    told = np.flatnonzero(told)
    if not len(told) or not len(lines):
        return found
    test, line = pairs_of(_places(tests)[told], keys_of(lines, ["site", "system"]))
    test = told[test]
    since = ~(day[test] < lines["changed_on"].to_numpy().astype("datetime64[D]")[line])
    test, line = test[since], line[since]
    order = np.argsort(day[test], kind="stable")
    found[line[order]] = tests["compressor_hours"].to_numpy(dtype=float)[test[order]]
    return found
