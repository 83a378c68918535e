"""What is not understood is judged both ways: columns that could be one of our fields, and are not known to be.

Each unclear column (row, cell) is tried as each field it could be, the others left out; then all together, each at
its worst choice, and two that may be a reading and what is needed of it as that. What was tried makes a verdict worse
or doubtful, never better. Rules: design, "Understanding a sheet".
The rows concerned are judged anew as whole tables, one round a choice whatever the number of files.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations, product
from typing import Any

import numpy as np
import pandas as pd

from grader.columns import (
    CANNOT_TELL,
    DOUBT,
    FAIL,
    FIELDS,
    HIGH_PRESSURE,
    IN_WORDS,
    JUDGED,
    NEAR_LIMIT,
    NOT_TESTED,
    PASS,
    SUPPLIED,
    UNREADABLE,
    WATER,
)
from grader.decided import BY_LINE_DEW, BY_MARGIN, WHY_DOUBT, WHY_UNCLEAR, WHY_UNREADABLE
from grader.frames import text, with_columns
from grader.judge.rules.sets import RuleSet
from grader.judge.verdicts import BADNESS, whole
from grader.judge.worse import with_parameter
from grader.problems import Problems, Table, Unclear, heading_address

# A reading, and what is needed of it.
_NEEDED = frozenset(map(frozenset, (("flow_l_min", "flow_needed_l_min"), ("line_pressure_bar", "lowest_pressure_bar"))))
_PAIRED = frozenset().union(*_NEEDED)
_ENDS = ("", "_lower", "_upper", "_open", "_state", "_text", "_how")
# Raw rows and the tables they are of -> every field read; rows of the table of tests -> the same, judged.
Read = Callable[[pd.DataFrame, list[Table], Problems], pd.DataFrame]
Again = Callable[[pd.DataFrame], pd.DataFrame]


@dataclass
class _Trial:
    """Some rows judged with one unclear column of each table as one of the fields it could be.

    at : positions (m,) of the rows. field : object (m,), which it was taken for. part : the rows as judged from,
    with that field filled in. verdict : (m, len(JUDGED)) codes. temperature_known : bool (m,). score : the worse, the
    higher. judged : the rows with their verdicts.
    """

    at: np.ndarray
    field: np.ndarray
    part: pd.DataFrame
    verdict: np.ndarray
    temperature_known: np.ndarray
    score: np.ndarray
    judged: pd.DataFrame


@dataclass
class _Tried:
    """The worst of what was tried so far, n rows: rank per parameter, and whether water is met with a temperature known.

    always : per parameter, whether every one of several choices of a column fails.
    """

    worst: np.ndarray
    met_when_known: np.ndarray
    always: np.ndarray

    def take(self, trial: _Trial) -> None:
        self.worst[trial.at] = np.maximum(self.worst[trial.at], BADNESS[trial.verdict])
        self.met_when_known[trial.at] |= trial.temperature_known & (trial.verdict[:, JUDGED.index(WATER)] != FAIL)


def judge_unclear(
    judged: pd.DataFrame,
    before: pd.DataFrame,
    rows: pd.DataFrame,
    tables: Sequence[Table],
    read: Read,
    again: Again,
    rulesets: dict[str, RuleSet],
    problems: Problems,
) -> pd.DataFrame:
    """The judged table, in which what is not understood counts at its worst.

    judged   : n rows, the unclear columns left out. before : the same rows before the computing stage.
    rows     : raw rows of the log, same index. tables : of the log; their `unclear` is what is tried.
    read     : reads the fields of raw rows. again : computes and judges rows of `before` with other figures.
    problems : gets unclear_tried (query) where a column bears on a verdict, unclear_alike (note) where it does not.
    Returns  : table of n rows, same index; also the verdict of each test is made anew.
    """
    of_table = {n: np.flatnonzero(rows["table"].to_numpy() == n) for n, t in enumerate(tables) if t.unclear}
    if not of_table:
        return judged
    shape = (len(judged), len(JUDGED))
    tried = _Tried(BADNESS[_verdicts(judged)], np.zeros(len(judged), dtype=bool), np.zeros(shape, dtype=bool))
    at_line = np.isin(judged["water_by"].to_numpy(), (BY_LINE_DEW, BY_MARGIN))
    slots: list[list[_Trial]] = []
    for number in range(max(len(tables[n].unclear) for n in of_table)):
        mine = {n: tables[n].unclear[number] for n in of_table if number < len(tables[n].unclear)}
        slots.append([])
        for choice in range(max(len(u.choices) for u in mine.values())):
            asked = [(n, u, u.choices[choice]) for n, u in mine.items() if choice < len(u.choices)]
            trial = _try(before, rows, tables, of_table, asked, read, again, at_line)
            if trial is not None:
                slots[-1].append(trial)
                tried.take(trial)
        tried.always |= _always(shape, slots[-1])
    together = _together(before, slots, again)
    if together is not None:
        tried.take(together)
    for trial in _pairs(slots, again):
        tried.take(trial)
    out, changed = _worse(judged, tried)
    out = _failing(out, judged, tried.always, slots, set(before.columns))
    _say(problems, tables, rows["column"].to_numpy(), of_table, changed, slots)
    return whole(out, rulesets)


def _verdicts(judged: pd.DataFrame) -> np.ndarray:
    return np.column_stack([judged[f"verdict_{key}"].to_numpy() for key in JUDGED])


def _try(
    before: pd.DataFrame,
    rows: pd.DataFrame,
    tables: Sequence[Table],
    of_table: dict[int, np.ndarray],
    asked: Iterable[tuple[int, Unclear, tuple[str, str]]],
    read: Read,
    again: Again,
    at_line: np.ndarray,
) -> _Trial | None:
    """One round: in each table one unclear column as one field. Rows whose cell is blank are left as they are.

    at_line : bool, of all rows: water is judged by its dew point at line pressure.
    """
    values: dict[str, list[tuple[np.ndarray, np.ndarray]]] = {}
    seen = list(tables)
    for number, unclear, (name, unit) in asked:
        cells = np.fromiter(unclear.values, dtype=object, count=len(unclear.values))
        filled = np.array([v is not None for v in unclear.values], dtype=bool)
        values.setdefault(name, []).append((of_table[number][filled], cells[filled]))
        units = {k: v for k, v in tables[number].units.items() if k != name} | ({name: unit} if unit else {})
        seen[number] = tables[number]._replace(units=units)
    at = np.sort(np.concatenate([p for parts in values.values() for p, _ in parts]))
    if not len(at):
        return None
    raw = rows.iloc[at].copy()
    taken: np.ndarray = np.empty(len(at), dtype=object)
    for name, parts in values.items():
        column = raw[name].to_numpy(dtype=object).copy() if name in raw else np.full(len(at), None, dtype=object)
        for positions, cells in parts:
            here = np.searchsorted(at, positions)
            column[here], taken[here] = cells, name
        raw[name] = pd.Series(column, index=raw.index, dtype=object)
    part = before.iloc[at]
    fresh = read(raw, seen, Problems())
    for name in values:
        part = _filled(part, fresh, name, taken == name)
    kept = np.ones(len(at), dtype=bool)
    for number, unclear, _ in asked:
        if unclear.done or unclear.at_line:
            mine = np.isin(at, of_table[number])
            kept &= ~(mine & (_all_before(part[mine]) if unclear.done else at_line[at]))
    return _judged(at[kept], taken[kept], part[kept], again) if kept.any() else None


def _all_before(part: pd.DataFrame) -> bool:
    """Whether dates that may say when a calibration was made are read, and none lies after its test."""
    due, tested = part["calibration_due"].to_numpy(), part["test_day"].to_numpy()
    read = (part["calibration_due_state"].to_numpy() != UNREADABLE).all()
    return bool(read and (due <= tested).any() and not (due > tested).any())


def _filled(part: pd.DataFrame, source: pd.DataFrame, name: str, where: np.ndarray) -> pd.DataFrame:
    """`part` with one field's columns taken from `source` (same rows) where a bool array says so."""
    new = {}
    for column in (f"{name}{end}" for end in _ENDS):
        if column in part and column in source:
            values = part[column].to_numpy().copy()
            values[where] = source[column].to_numpy()[where]
            new[column] = values
    return with_columns(part, new)


def _judged(at: np.ndarray, taken: np.ndarray, part: pd.DataFrame, again: Again) -> _Trial:
    # What is tried of one row speaks for no other: not replaced rows alone say how cold a site has been.
    judged = again(with_columns(part, {"replaced": np.ones(len(part), dtype=bool)}))
    verdict = _verdicts(judged)
    # What is needed of a flow or pressure nobody measured: a test that lacks nothing without it lacks that.
    verdict[_missed(judged)] = CANNOT_TELL
    # Of choices that lead to the same verdicts the one nearer to a limit, so that together they are at their worst.
    chances = np.nansum([judged[f"chance_over_{key}"].to_numpy() for key in JUDGED if key not in IN_WORDS], axis=0)
    margin = np.nan_to_num(judged["margin_lower"].to_numpy(dtype=float), nan=0.0)
    score = (10.0 ** BADNESS[verdict]).sum(axis=1) + chances / 100.0 - np.clip(margin, -500.0, 500.0) / 1e6
    return _Trial(at, taken, part, verdict, judged["use_temperature_known"].to_numpy(), score, judged)


def _missed(judged: pd.DataFrame) -> np.ndarray:
    """Where a flow or pressure that an airline needs is not tested: bool (n, len(JUDGED))."""
    found = np.zeros((len(judged), len(JUDGED)), dtype=bool)
    airline = ~np.isin(text(judged, "supply"), HIGH_PRESSURE)
    for key in SUPPLIED:
        not_tested = judged[f"verdict_{key}"].to_numpy() == NOT_TESTED
        found[:, JUDGED.index(key)] = airline & judged[f"{key}_wanted"].to_numpy() & not_tested
    return found


def _always(shape: tuple[int, int], slot: list[_Trial]) -> np.ndarray:
    """Where each of at least two choices of an unclear column fails a parameter: bool of a shape."""
    tries, fails = np.zeros(shape[0], dtype=np.int64), np.zeros(shape, dtype=np.int64)
    for trial in slot:
        tries[trial.at] += 1
        fails[trial.at] += trial.verdict == FAIL
    return (tries > 1)[:, None] & (fails == tries[:, None])


def _together(before: pd.DataFrame, slots: list[list[_Trial]], again: Again) -> _Trial | None:
    """All unclear columns of a row at once, each at its worst choice; None where no row has two."""
    count = np.zeros(len(before), dtype=np.int64)
    for slot in slots:
        if slot:
            count[np.unique(np.concatenate([t.at for t in slot]))] += 1
    at = np.flatnonzero(count > 1)
    if not len(at):
        return None
    part = before.iloc[at]
    held: dict[str, np.ndarray] = {}  # where two columns are worst as one field, the worse of the two is it
    for slot in slots:
        worst, chosen = np.full(len(before), -np.inf), np.full(len(before), -1)
        for number, trial in enumerate(slot):
            more = trial.score > worst[trial.at]
            worst[trial.at[more]], chosen[trial.at[more]] = trial.score[more], number
        for number, trial in enumerate(slot):
            mine = np.flatnonzero(chosen[at] == number)
            of_trial = np.searchsorted(trial.at, at[mine])
            source = trial.part.iloc[of_trial]
            for name in pd.unique(trial.field[of_trial]):
                best = held.setdefault(name, np.full(len(at), -np.inf))
                here = (trial.field[of_trial] == name) & (trial.score[of_trial] > best[mine])
                best[mine[here]] = trial.score[of_trial][here]
                where = np.zeros(len(at), dtype=bool)
                where[mine[here]] = True
                part = _filled(part, source.iloc[here].reindex(part.index), name, where)
    return _judged(at, np.full(len(at), "", dtype=object), part, again)


def _pairs(slots: list[list[_Trial]], again: Again) -> Iterator[_Trial]:
    """Two unclear columns as a reading and what is needed of it, either way round: neither is judged without the other."""
    bearing = [[t for t in slot if not _PAIRED.isdisjoint(t.field)] for slot in slots]
    for one, other in combinations(bearing, 2):
        for a, b in product(one, other):
            at = np.intersect1d(a.at, b.at)
            mine, theirs = np.searchsorted(a.at, at), np.searchsorted(b.at, at)
            fields = [*zip(a.field[mine], b.field[theirs])]
            both = np.array([frozenset(pair) in _NEEDED for pair in fields], dtype=bool)
            if not both.any():
                continue
            at, part = at[both], a.part.iloc[mine[both]]
            source, taken = b.part.iloc[theirs[both]], b.field[theirs[both]]
            for name in pd.unique(taken):
                part = _filled(part, source, name, taken == name)
            yield _judged(at, taken, part, again)


def _worse(judged: pd.DataFrame, tried: _Tried) -> tuple[pd.DataFrame, np.ndarray]:
    """The verdicts after what was tried, and which changed: bool (n, len(JUDGED))."""
    changed = np.zeros(tried.worst.shape, dtype=bool)
    new: dict[str, np.ndarray] = {}
    near, untold, missed = BADNESS[NEAR_LIMIT], BADNESS[CANNOT_TELL], _missed(judged)
    for place, key in enumerate(JUDGED):
        verdict, worst = judged[f"verdict_{key}"].to_numpy(), tried.worst[:, place]
        # What the column may hold is missed, and fails whichever of its choices it is.
        failed = tried.always[:, place] & np.isin(verdict, _MISSED)
        doubtful = (verdict != FAIL) & (verdict != CANNOT_TELL) & (worst >= untold) & ~failed & ~missed[:, place]
        if key == WATER:
            # It fails for want of a temperature, and meets the limit with one that the column may hold.
            lacks = (judged["water_by"].to_numpy() == BY_LINE_DEW) & ~judged["use_temperature_known"].to_numpy()
            doubtful |= (verdict == FAIL) & lacks & ~judged["free_water"].to_numpy() & tried.met_when_known
        close = ~doubtful & (verdict == PASS) & (worst == near)
        changed[:, place] = doubtful | close | failed
        if not (doubtful | close).any():
            continue
        after = np.where(doubtful, CANNOT_TELL, np.where(close, NEAR_LIMIT, verdict))
        words = key in IN_WORDS
        new[f"verdict_{key}"] = after.astype(np.int8)
        why = np.select([doubtful, close], [WHY_UNREADABLE if words else WHY_DOUBT, WHY_UNCLEAR], judged[f"{key}_why"])
        new[f"{key}_why"] = why.astype(np.int8)
        doubt = np.where(doubtful, DOUBT["unclear_column"], judged[f"{key}_doubt"].to_numpy())
        new[f"{key}_doubt"] = doubt.astype(np.int8)
        if not words:
            new[f"chance_over_{key}"] = np.where(doubtful, np.nan, judged[f"chance_over_{key}"].to_numpy())
    return with_columns(judged, new), changed


_MISSED = (CANNOT_TELL, NOT_TESTED)


def _failing(
    out: pd.DataFrame, judged: pd.DataFrame, always: np.ndarray, slots: list[list[_Trial]], inputs: set[str]
) -> pd.DataFrame:
    """The table in which what fails by every choice of a column is as its first choice had it judged."""
    for place, key in enumerate(JUDGED):
        left = always[:, place] & np.isin(judged[f"verdict_{key}"].to_numpy(), _MISSED)
        for trial in (t for slot in slots if len(slot) > 1 for t in slot[:1]):
            mine = np.flatnonzero(left[trial.at] & (trial.verdict[:, place] == FAIL))
            if len(mine):
                out = with_parameter(out, trial.judged, key, trial.at[mine], mine, inputs)
                left[trial.at[mine]] = False
    return out


def _say(
    problems: Problems,
    tables: Sequence[Table],
    columns: np.ndarray,
    of_table: dict[int, np.ndarray],
    changed: np.ndarray,
    slots: list[list[_Trial]],
) -> None:
    """One line a heading and file: what it could be, how many tests it bears on, the layout line that settles it."""
    lines: dict[tuple[Any, ...], dict[str, Any]] = {}
    untried: dict[tuple[Any, ...], str] = {}  # keys of lines -> how it was taken instead
    for place, slot in enumerate(slots):
        bears, asked = np.zeros(len(changed), dtype=bool), np.zeros(len(changed), dtype=bool)
        for trial in slot:
            bears[trial.at] |= changed[trial.at].any(axis=1)
            asked[trial.at] = True
        for number, at in of_table.items():
            table = tables[number]
            if place >= len(table.unclear):
                continue
            unclear = table.unclear[place]
            choices = ", ".join(FIELDS[name].heading for name, _ in unclear.choices)
            key = (table.file, unclear.heading, choices)
            line = lines.setdefault(
                key,
                {
                    "file": table.file,
                    "sheet": unclear.place.sheet,
                    "cell": heading_address(table, unclear.place, columns[at[0]] if len(at) else -1),
                    "value": unclear.heading,
                    "choices": choices,
                    "line": unclear.line and f"[table.{'constants' if unclear.aside else 'fields'}]: {unclear.line}",
                    "count": 0,
                },
            )
            line["count"] += int(bears[at].sum())
            if (unclear.done or unclear.at_line) and not asked[at].any():
                untried[key] = "calibrated_on" if unclear.done else "dew_point_taken_at_line"
    for key, line in lines.items():
        code = "unclear_tried" if line["count"] else untried.get(key, "unclear_alike")
        if line["line"]:
            problems.add(code, **line)
        elif line["count"]:  # a remark that agrees with its row asks nothing
            problems.add("reading_in_words", **line)
