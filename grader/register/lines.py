"""Which line of the register counts for which test: by name, and from the day on that the line states."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from grader.columns import BLANK, READ, TEST_NEAR, TEST_PASS
from grader.frames import by_unique, text, with_columns
from grader.normalise import name_key
from grader.read.register import Register
from grader.review.slipped import slip_pairs


def validity(register: Register) -> pd.DataFrame:
    """What the register says of instruments and lots, a row a line.

    Returns : columns What, Serial or lot, Parameter, Valid until, Remarks, and Warns: the remark speaks against it.
    """
    parts = [
        pd.DataFrame(
            {
                "What": what,
                "Serial or lot": text(lines, name),
                "Parameter": text(lines, parameter) if parameter else "",
                "Valid until": lines[until].to_numpy().astype("datetime64[s]"),
                "Remarks": text(lines, "remarks"),
                "Warns": _warns(text(lines, "remarks")),
            }
        )
        for what, sheet, name, parameter, until in (
            ("Instrument", "Instruments", "instrument", "", "calibration_due"),
            ("Tube lot", "Tubes", "tube_lot", "parameter", "tube_expiry"),
        )
        if len(lines := register.sheets[sheet])
    ]
    columns = ["What", "Serial or lot", "Parameter", "Valid until", "Remarks", "Warns"]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)


def _warns(remarks: np.ndarray) -> list[bool]:
    from grader.read.words.said import against  # its words are loaded where there are lines

    return [bool(against(remark)) for remark in remarks]


def stated_names(register: Register) -> dict[str, dict[str, str]]:
    """What the sheet Names says: client, site, system or outlet -> name as written -> the name that it means.

    A name that is given two meanings has none: it is asked about as a line that stands twice.
    """
    lines = register.sheets["Names"]
    means: dict[tuple[str, str], set[str]] = {}
    for what, written, meaning in zip(*(text(lines, c) for c in ("what", "written", "means"))):
        means.setdefault((what, written), set()).add(meaning)
    found: dict[str, dict[str, str]] = {}
    for (what, written), meanings in means.items():
        if what and len(meanings) == 1:
            found.setdefault(what, {})[written] = meanings.pop()
    return found


def keys_of(lines: pd.DataFrame, columns: Sequence[str]) -> np.ndarray:
    """The name of each line, or of each test: its columns together, compared as names are. Object (n,)."""
    parts = [by_unique(text(lines, c), lambda t: name_key(str(t)) if t else "") for c in columns]
    joined: np.ndarray = parts[0].copy()
    for part in parts[1:]:
        joined = joined + "\1" + part
    return joined


def slips_of(
    names: np.ndarray, known: np.ndarray, within: np.ndarray | None = None, known_within: np.ndarray | None = None
) -> np.ndarray:
    """For each name that is none of the known ones of its place that one of which it looks like a slip, else "". Object (n,).

    names, known : name keys, n and m of them. within, known_within : the place of each; None: all of one.
    """
    found = np.full(len(names), "", dtype=object)
    of, there = (
        np.full(len(k), "", dtype=object) if w is None else w for k, w in ((names, within), (known, known_within))
    )
    have = set(zip(there, known))
    asked = {pair for pair in zip(of, names) if pair[1] and pair not in have}
    if not asked:
        return found
    every = [*sorted(have), *sorted(asked)]
    places, keys = zip(*every)
    pairs = slip_pairs(places, keys, [2] * len(have) + [1] * len(asked))
    means = {every[a]: every[b][1] for a, b in sorted(pairs, reverse=True) if a >= len(have) > b}
    found[:] = [means.get(pair, "") for pair in zip(of, names)]
    return found


def misread(names: np.ndarray, known: np.ndarray) -> np.ndarray:
    """For each reference the known one from which it is one sign away (put in, left out, changed, swapped), else ""."""

    def cuts(name: str) -> set[str]:
        return {name, *(name[:i] + name[i + 1 :] for i in range(len(name)))}

    drawers = {cut: name for name in sorted(known) for cut in cuts(name)}
    return np.array(
        [next((drawers[c] for c in sorted(cuts(n)) if n and c in drawers), "") for n in names], dtype=object
    )


def pairs_of(tests: np.ndarray, lines: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Positions (m,) of tests and of lines that have the same key, by test and then by line. A blank key has no pair."""
    codes, _ = pd.factorize(np.concatenate([tests, lines]))
    mine, theirs = codes[: len(tests)], codes[len(tests) :]
    order = np.argsort(theirs, kind="stable")
    first, beyond = (np.searchsorted(theirs[order], mine, side) for side in ("left", "right"))
    count = np.where(tests == "", 0, beyond - first)
    test = np.repeat(np.arange(len(tests)), count)
    turn = np.arange(len(test)) - np.repeat(np.cumsum(count) - count, count)
    return test, order[np.repeat(first, count) + turn]


def choices(
    count: int, pairs: tuple[np.ndarray, np.ndarray], day: np.ndarray, start: np.ndarray, start_state: np.ndarray
) -> list[np.ndarray]:
    """The line that counts for each test, and what else could.

    count : tests in all. pairs : of tests and lines of one name. day : of each test, datetime64[D].
    start, start_state : the day from which each line counts, datetime64[D], and its state.
    Returns : int arrays (count,) of lines, -1 where there is none. The first is what counts: the latest line that began
              by then; one without a day for tests after the earliest day of the sheet, where none has begun. The
              others are tried, so that they never make a verdict better: lines of the same day, those without a day
              before that, all lines where the test has no date, and lines whose day cannot be read.
    """
    test, line = pairs
    if not len(test):
        return [np.full(count, -1, dtype=np.int64)]
    dated = start_state[line] == READ
    begun = dated & (start[line] <= day[test])
    first = start[start_state == READ].min() if (start_state == READ).any() else np.datetime64("NaT", "D")
    late = (start_state[line] == BLANK) & (day[test] >= first)
    any_begun = np.zeros(count, dtype=bool)
    any_begun[test[begun]] = True
    sure = begun | (late & ~any_begun[test])
    rank = np.where(begun, start[line].astype("datetime64[D]").astype(np.int64), np.iinfo(np.int64).min)
    best = pd.Series(np.where(sure, rank, np.iinfo(np.int64).min)).groupby(test).transform("max").to_numpy()
    holds = sure & (rank == best)
    unknown = np.isnat(day[test]) | (~dated & ~holds)
    candidate = holds | unknown
    order = np.lexsort((line[candidate], ~holds[candidate], test[candidate]))
    t, ln, h = test[candidate][order], line[candidate][order], holds[candidate][order]
    # A test with none that counts begins with -1, which stands first.
    turn = pd.Series(t).groupby(t).cumcount().to_numpy()
    none = ~pd.Series(h).groupby(t).transform("any").to_numpy(dtype=bool)
    turn = turn + none
    found = np.full((int(turn.max(initial=0)) + 1, count), -1, dtype=np.int64)
    found[turn, t] = ln
    return list(found)


def cleared(due: pd.DataFrame, register: Register, as_of: np.datetime64) -> pd.DataFrame:
    """The Due table with who has cleared each outlet since its last test, where there are clearances at all.

    due : the table, one row an outlet; no State or date of it changes. as_of : a later clearance is not shown yet.
    Returns : the same rows; columns `Cleared on` and `Cleared by` more, the latest of each.
    """
    if not len(register.sheets["Clearances"]):
        return due
    names = pd.DataFrame({"site": text(due, "Site"), "outlet": text(due, "Outlet")})
    since = due["Last test"].to_numpy().astype("datetime64[D]")
    on, who, _ = _clearances(names, since, np.full(len(due), as_of + 1), register)
    return due.assign(**{"Cleared on": on, "Cleared by": who})


def cleared_since(tests: pd.DataFrame, register: Register, as_of: np.datetime64) -> pd.DataFrame:
    """The tests that are no pass with who has cleared their outlet before its next test; no verdict changes.

    tests   : judged table.
    Returns : columns cleared_on (datetime64[s], NaT where nobody has), cleared_by and grounds more, where the register
              has clearances at all.
    """
    if not len(register.sheets["Clearances"]):
        return tests
    day = tests["test_day"].to_numpy().astype("datetime64[D]")
    # The outlet's next day with a test; a clearance is of what stood before it.
    who_when = pd.DataFrame({"who": tests["identity"].to_numpy(), "day": day.astype("datetime64[s]")})
    days = who_when.dropna().drop_duplicates().sort_values(["who", "day"])
    days["next"] = days.groupby("who")["day"].shift(-1)
    until = who_when.merge(days, on=["who", "day"], how="left")["next"].to_numpy().astype("datetime64[D]")
    until = np.where(np.isnat(until), as_of + 1, np.minimum(until, as_of + 1))
    until[np.isin(tests["verdict"].to_numpy(), (TEST_PASS, TEST_NEAR))] = np.datetime64("NaT")
    on, who, why = _clearances(tests, day, until, register)
    return with_columns(tests, {"cleared_on": on, "cleared_by": who, "grounds": why})


def _clearances(
    names: pd.DataFrame, since: np.ndarray, until: np.ndarray, register: Register
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Day, person and grounds of the latest clearance of each of m outlets (site, outlet), from `since` to before `until`."""
    lines = register.sheets["Clearances"]
    row, line = pairs_of(keys_of(names, ["site", "outlet"]), keys_of(lines, ["site", "outlet"]))
    on = lines["cleared_on"].to_numpy().astype("datetime64[D]")
    counts = (on[line] < until[row]) & (on[line] >= since[row])
    row, line = row[counts], line[counts]
    order = np.argsort(on[line], kind="stable")
    row, line = row[order], line[order]
    day = np.full(len(names), np.datetime64("NaT", "s"), dtype="datetime64[s]")
    who, why = (np.full(len(names), "", dtype=object) for _ in range(2))
    day[row], who[row], why[row] = on[line], text(lines, "cleared_by")[line], text(lines, "grounds")[line]
    return day, who, why
