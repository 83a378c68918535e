"""What the past adds to a row: a lowest use temperature once stated, and a site's usual atmospheric pressure.

What the firm stated for the same outlet before counts as stated: it stands in the blank cell. All else is only
tried: the row is judged without and with it, and the worse counts, parameter by parameter, so that nothing
inferred makes a verdict better. Each rule names what it rests on (file and row) in a problem, and in the
reasons where it bears on the verdict. Rules: design, "Water, dew point, margin".
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd

from grader.columns import (
    ATMOSPHERIC_LOW_HPA,
    ATMOSPHERIC_RANGE_HPA,
    BLANK,
    CANNOT_TELL,
    DOUBT,
    FAIL,
    FEWEST_USUAL,
    HOTTEST_USE_C,
    NEAR_LIMIT,
    OPEN_NONE,
    PASS,
    READ,
    TUBE_GASES,
    UNUSUAL_HPA,
    WATER,
)
from grader.decided import WHY_DOUBT
from grader.figures import plain, running_usual
from grader.frames import above, at_least, by_unique, group_codes, plain_figures, text, with_columns
from grader.judge.rules.sets import RuleSet
from grader.judge.verdicts import BADNESS, concluded, judge
from grader.judge.worse import with_parameter
from grader.problems import Problems, a1
from grader.words import words

RAISED_K = 5.0  # design: a statement higher by more than this holds from a second day on
USE, AIR = "lowest_use_temperature_c", "atmospheric_pressure_hpa"
_DAY_BITS, _EARLIEST = 22, -(1 << 21)  # a day and a group as one sortable number; days since 1970 reach far less
_MOST_NAMED = 3  # visits that a usual pressure names

Again = Callable[[pd.DataFrame], pd.DataFrame]
Compute = Callable[[pd.DataFrame, Problems], pd.DataFrame]


class Trial(NamedTuple):
    """Rows to be judged a second time with another figure in one number field.

    at     : int (m,), positions in the table, rising. value : float (m,); NaN: with the cell left blank.
    differ : bool (m,), where the two verdicts differ between meeting the limit and not, it is cannot tell;
             else the worse counts.
    source : object (m,), a sentence for the reasons, put there where the second judgement counts.
    """

    at: np.ndarray
    value: np.ndarray
    differ: np.ndarray
    source: np.ndarray

    def of(self, rows: np.ndarray) -> Trial:
        """The part of it that concerns `rows` (positions, rising), with positions among these."""
        kept = np.isin(self.at, rows)
        return Trial(np.searchsorted(rows, self.at[kept]), self.value[kept], self.differ[kept], self.source[kept])


class Past(NamedTuple):
    """What the past adds, for `judge_with_past`.

    tests       : table after normalise with what holds from before filled in. written : the fields so filled, as they were.
    temperature, pressure : what is to be tried besides. compute : the computing stage.
    """

    tests: pd.DataFrame
    written: pd.DataFrame
    temperature: Trial
    pressure: Trial
    compute: Compute

    def settle(self, judged: pd.DataFrame, again: Again, problems: Problems) -> pd.DataFrame:
        """The judged table, where what was tried decides, with that judgement.

        judged : `tests` judged, n rows. again : some rows of `tests` with other figures -> the same, judged.
        problems : gets temperature_tried where another outlet's temperature decides.
        Returns : table of n rows, same index; the verdict of the whole test is still to be made from it.
        """
        judged = _try_temperature(self.tests, judged, self.temperature, again, problems)
        at = self.pressure.at
        if not len(at):
            return judged
        part = _with_figure(self.tests.iloc[at], AIR, self.pressure.value)
        other = _try_temperature(part, again(part), self.temperature.of(at), again, Problems())
        other = _said(other, np.ones(len(at), dtype=bool), self.pressure.source)
        return _worse_of_each(judged, other, at, _inputs(self.tests, AIR, USE))


def judging_again(tests: pd.DataFrame, compute: Compute, rulesets: dict[str, RuleSet]) -> Again:
    """What judges rows of `tests` with other figures, by the rule sets assigned to them, and says nothing more of them."""

    def again(part: pd.DataFrame) -> pd.DataFrame:
        rules = tests["ruleset"].loc[part.index].to_numpy()
        return judge(with_columns(compute(part, Problems()), {"ruleset": rules}), rulesets, Problems())

    return again


def judge_with_past(
    tests: pd.DataFrame, past: Past | None, rulesets: dict[str, RuleSet], problems: Problems
) -> pd.DataFrame:
    """`judge`, and again what the past says is to be tried; arguments and result as there.

    past    : from `recall`; None is no past.
    Returns : the judged table with the fields as they were written, and use_past_c (the lowest use temperature that
              the past gave and that was judged by, degC; NaN where none).
    """
    judged = judge(tests, rulesets, problems)
    if past is None:
        return judged

    settled = past.settle(judged, judging_again(tests, past.compute, rulesets), problems)
    found = judged if settled is judged else concluded(settled, rulesets)
    # What was judged by stands in the columns of the computing stage; the fields keep what was written.
    used = plain_figures(found, USE)
    from_past = np.where(past.written[f"{USE}_state"].to_numpy() == BLANK, used, np.nan)
    return with_columns(
        found, {**{str(name): past.written[name].to_numpy() for name in past.written}, "use_past_c": from_past}
    )


def stated(tests: pd.DataFrame) -> np.ndarray:
    """Which tests state a lowest use temperature: bool (n,)."""
    return tests[f"{USE}_state"].to_numpy() == READ


def recall(
    tests: pd.DataFrame,
    file_names: Sequence[str],
    compute: Compute,
    problems: Problems,
    language: str = "en",
    entered: np.ndarray | None = None,
) -> Past:
    """What the past adds to each row.

    tests    : table after normalise, n rows. file_names : by file number.
    compute  : the computing stage, for rows that are judged again. language : of what the reasons say.
    entered  : bool (n,), tests whose lowest use temperature the firm's register states; None: of none.
    problems : gets temperature_carried, temperature_raised, pressure_unusual and pressure_usual_taken, each with
               its source.
    Returns  : Past; its table has n rows, same index, and column `past` (text for the reasons).

    Only tests with a date not after the day of the run, that no later file replaced, speak for others.
    """
    written = tests[[f"{name}{end}" for name in (USE, AIR) for end in _PARTS]]
    tests = with_columns(tests, {"past": np.full(len(tests), "", dtype=object)})
    where = _Where(tests, file_names, words(language)["past"])
    entered = np.zeros(len(tests), dtype=bool) if entered is None else entered
    tests, temperature = _temperatures(tests, where, problems, entered)
    tests, pressure = _pressures(tests, where, problems)
    return Past(tests, written, temperature, pressure, compute)


class _Where:
    """File and row of tests, as a person finds them; `say` has the words."""

    def __init__(self, tests: pd.DataFrame, file_names: Sequence[str], say: dict[str, str]) -> None:
        self.say = say
        self.names = np.array([*file_names, ""], dtype=object)
        self.file, self.row, self.column = (tests[c].to_numpy() for c in ("file", "row", "column"))
        self.day = tests["test_day"].to_numpy().astype("datetime64[D]")

    def one(self, at: int) -> str:
        """`jan.xlsx, row 2`; the cell where outlets run across."""
        across, row = self.column[at] >= 0, int(self.row[at])
        place = a1(row, int(self.column[at])) if across else self.say["row"].format(row=row + 1)
        return f"{self.names[self.file[at]]}, {place}"

    def each(self, at: np.ndarray) -> np.ndarray:
        """The same of many, worked out once for each test named: object array of the shape of `at`."""
        unique, back = np.unique(at, return_inverse=True)
        places = np.empty(len(unique), dtype=object)
        places[:] = [self.one(int(i)) for i in unique]
        return places[back.reshape(-1)] if len(at) else places

    def all_of(self, groups: np.ndarray, at: np.ndarray) -> np.ndarray:
        """For each entry, the tests `at` of its group together, file by file: `jan.xlsx, rows 2 to 9`. Object (m,)."""
        out: np.ndarray = np.empty(len(at), dtype=object)
        for members in pd.Series(np.arange(len(at))).groupby(groups).indices.values():
            named = np.unique(at[members])
            texts = []
            for file in pd.unique(self.file[named]):
                of_file = named[self.file[named] == file]
                rows = np.unique(self.row[of_file]) + 1
                shown = f"{self.names[file]}, " + self.say["rows"].format(first=rows[0], last=rows[-1])
                texts.append(shown if len(rows) > 1 else self.one(int(of_file[0])))
            out[members] = "; ".join(texts)
        return out


# ------------------------------------------------------------------------------------------ lowest use temperature


class _Statements(NamedTuple):
    """What is in force from a day on, e entries by `key` (outlet and day as one number).

    key : int64 (e,), rising. value, at : the statement and its test. other, other_at : the lower one that it
    differs from by more than RAISED_K, until it is stated on a second day; NaN and -1 where there is none.
    """

    key: np.ndarray
    value: np.ndarray
    at: np.ndarray
    other: np.ndarray
    other_at: np.ndarray


def _key(group: np.ndarray, day: np.ndarray) -> np.ndarray:
    return (group.astype(np.int64) << _DAY_BITS) + (day.astype(np.int64) - _EARLIEST)


def _speaking(tests: pd.DataFrame) -> np.ndarray:
    return tests["dated"].to_numpy() & ~tests["replaced"].to_numpy()


def _temperatures(
    tests: pd.DataFrame, where: _Where, problems: Problems, entered: np.ndarray
) -> tuple[pd.DataFrame, Trial]:
    value = plain_figures(tests, USE)
    named = _speaking(tests) & tests["outlet_given"].to_numpy()
    stating = named & at_least(HOTTEST_USE_C, value)
    if not stating.any():
        return tests, _no_trial()
    identity, day = tests["identity"].to_numpy(), where.day.astype(np.int64)
    found = _in_force(identity, day, value, np.flatnonzero(stating), entered)
    blank = named & (tests[f"{USE}_state"].to_numpy() == BLANK) & tests["visited"].to_numpy()
    rows = np.flatnonzero(blank | stating)
    last = np.searchsorted(found.key, _key(identity[rows], day[rows]), side="right") - 1
    known = (last >= 0) & (found.key[last] >> _DAY_BITS == identity[rows])
    rows, last = rows[known], last[known]
    carried = blank[rows]
    tests = _carry(tests, rows[carried], found.value[last[carried]], found.at[last[carried]], where, problems)

    # Two temperatures of one outlet far apart, on one day or the higher on one day only: judged at both.
    lower, lower_at = found.other[last], found.other_at[last]
    in_use = np.where(carried, found.value[last], value[rows])
    same_day = above(in_use, found.value[last] + RAISED_K)
    lower = np.where(same_day, np.fmin(lower, found.value[last]), lower)
    lower_at = np.where(same_day & ~above(found.value[last], lower), found.at[last], lower_at)
    apart = ~np.isnan(lower)
    at, lower, lower_at = rows[apart], lower[apart], lower_at[apart]
    earlier = _texts(where.say["stated"], value=_degrees(lower), place=where.each(lower_at))
    query = ~carried[apart]
    problems.add_tests("temperature_raised", tests.index.to_numpy()[at[query]], USE, earlier=earlier[query])

    tried_at, tried, tried_from = _neighbours(tests, found, np.flatnonzero(blank), rows[carried], where)
    tried_said = _texts(
        where.say["tried"],
        value=_degrees(tried),
        outlet=text(tests, "outlet")[tried_from],
        place=where.each(tried_from),
    )
    every = np.concatenate([at, tried_at])
    order = np.argsort(every, kind="stable")
    return tests, Trial(
        every[order],
        np.concatenate([lower, tried])[order],
        np.concatenate([np.ones(len(at), dtype=bool), np.zeros(len(tried_at), dtype=bool)])[order],
        np.concatenate([_texts(where.say["lower"], earlier=earlier), tried_said])[order],
    )


def _in_force(
    identity: np.ndarray, day: np.ndarray, value: np.ndarray, at: np.ndarray, entered: np.ndarray
) -> _Statements:
    """What each outlet has stated, from which day on.

    at : int, positions of the tests that state one; entered : bool, by the register, and so for good. Of several on one
    day the lowest counts. Equal statements on following days are one run; the loop takes a step for each change of an
    outlet's temperature, all outlets at once.
    """
    at = at[np.lexsort((value[at], day[at], identity[at]))]
    first = np.append(True, (np.diff(identity[at]) != 0) | (np.diff(day[at]) != 0))
    at = at[first]
    who, when, what = identity[at], day[at], value[at]
    new = np.append(True, (np.diff(who) != 0) | (np.diff(what) != 0))
    start = np.flatnonzero(new)
    again = start + 1 < np.append(start[1:], len(at))  # stated on a second day of the run
    run_of, v, run_at = who[start], what[start], at[start]
    outlet = np.cumsum(np.append(True, np.diff(run_of) != 0)) - 1
    turn = np.arange(len(start)) - np.flatnonzero(np.append(True, np.diff(outlet) != 0))[outlet]
    force, pending = np.full(outlet[-1] + 1, np.nan), np.full(outlet[-1] + 1, np.nan)
    force_at, pending_at = np.full(len(force), -1), np.full(len(force), -1)
    lower, lower_at = np.full(len(start), np.nan), np.full(len(start), -1)
    for step in range(int(turn.max()) + 1):
        run = np.flatnonzero(turn == step)
        o = outlet[run]
        # Stated higher on two days, with two figures: what both reach is in force.
        twice = above(v[run], force[o] + RAISED_K) & ~np.isnan(pending[o])
        before = np.where(twice, np.minimum(v[run], pending[o]), force[o])
        before_at = np.where(twice, np.where(v[run] <= pending[o], run_at[run], pending_at[o]), force_at[o])
        raised = above(v[run], before + RAISED_K) & ~entered[run_at[run]]
        lower[run], lower_at[run] = np.where(raised, before, np.nan), np.where(raised, before_at, -1)
        held = raised & ~again[run]
        force[o], force_at[o] = np.where(held, before, v[run]), np.where(held, before_at, run_at[run])
        pending[o], pending_at[o] = np.where(held, v[run], np.nan), np.where(held, run_at[run], -1)
    settled = again & ~np.isnan(lower)
    second = start[settled] + 1
    keys = np.concatenate([_key(run_of, when[start]), _key(run_of[settled], when[second])])
    order = np.argsort(keys, kind="stable")

    def both(first: np.ndarray, then: np.ndarray) -> np.ndarray:
        return np.concatenate([first, then])[order]

    none = np.full(len(second), -1)
    return _Statements(
        keys[order],
        both(v, v[settled]),
        both(run_at, run_at[settled]),
        both(lower, none * np.nan),
        both(lower_at, none),
    )


def _carry(
    tests: pd.DataFrame, at: np.ndarray, value: np.ndarray, source: np.ndarray, where: _Where, problems: Problems
) -> pd.DataFrame:
    """The temperature once stated in the blank cells of the tests `at`, noted."""
    if not len(at):
        return tests
    file = where.file[at]
    problems.add_tests(
        "temperature_carried",
        tests.index.to_numpy()[at],
        USE,
        stated=_range(file, value),
        source=where.all_of(file, source),
    )
    past = tests["past"].to_numpy(dtype=object).copy()
    past[at] = _texts(
        where.say["carried"], value=_degrees(value), day=where.day[source].astype(str), place=where.each(source)
    )
    filled = _with_figure(tests.iloc[at], USE, value)
    return with_columns(_put_back(tests, filled, at, [f"{USE}{end}" for end in _PARTS]), {"past": past})


def _range(groups: np.ndarray, value: np.ndarray) -> np.ndarray:
    """`12 °C` or `5 °C … 12 °C`: least and greatest of each group, for each of its entries."""
    per = pd.Series(value).groupby(groups)
    low, high = per.transform("min").to_numpy(dtype=float), per.transform("max").to_numpy(dtype=float)
    lowest, highest = _degrees(low), _degrees(high)
    return np.where(low == high, lowest, lowest + " … " + highest).astype(object)


def _degrees(value: np.ndarray) -> np.ndarray:
    return by_unique(value.astype(object), lambda v: f"{plain(float(v))} °C")


def _texts(template: str, **columns: np.ndarray) -> np.ndarray:
    """`template` filled in for each entry: object (m,)."""
    names = list(columns)
    texts: np.ndarray = np.empty(len(next(iter(columns.values()))), dtype=object)
    texts[:] = [template.format(**dict(zip(names, each))) for each in zip(*(c.tolist() for c in columns.values()))]
    return texts


def _neighbours(
    tests: pd.DataFrame, found: _Statements, blank: np.ndarray, carried: np.ndarray, where: _Where
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Tests for whose outlet nothing was stated, and the coldest then in force at its site and system.

    Returns : positions (m,) rising, temperatures, and the tests that state them.
    """
    rows = np.setdiff1d(blank, carried)
    group = group_codes(tests["site_key"].to_numpy(dtype=object), tests["system_key"].to_numpy(dtype=object))
    asked, back = np.unique(_key(group[rows], where.day.astype(np.int64)[rows]), return_inverse=True)
    coldest, lower = np.fmin(found.value, found.other), found.other < found.value
    at = np.where(lower, found.other_at, found.at)
    # An entry holds from its day to that of its outlet's next; among the days asked for that is a span.
    of = group[found.at]
    day = (found.key & ((1 << _DAY_BITS) - 1)) + _EARLIEST
    last = np.append(found.key[1:] >> _DAY_BITS != found.key[:-1] >> _DAY_BITS, True)
    begin = np.searchsorted(asked, _key(of, day))
    end = np.searchsorted(asked, np.where(last, (of + 1) << _DAY_BITS, _key(of, np.append(day[1:], 0))))
    best = _least_over_spans(begin, end, coldest, len(asked))[back.reshape(-1)]
    told = best >= 0
    return rows[told], coldest[best[told]], at[best[told]]


def _least_over_spans(begin: np.ndarray, end: np.ndarray, value: np.ndarray, size: int) -> np.ndarray:
    """Of the spans [begin, end) that cover each of `size` places, the number of that with the least value; -1: none.

    Each span is two overlapping ones whose length is a power of two; from the longest down each hands its least
    on to its two halves. Time: spans + size * log(size), no loop over either.
    """
    order = np.lexsort((np.arange(len(value)), value))
    rank = np.empty(len(value), dtype=np.int64)
    rank[order] = np.arange(len(value))
    none = len(value)
    used = np.flatnonzero(end > begin)
    level = np.floor(np.log2(np.maximum(end[used] - begin[used], 1))).astype(np.int64)
    best = np.full(size, none)
    for power in range(int(level.max(initial=0)), -1, -1):
        half = 1 << power
        here = used[level == power]
        if half * 2 <= size:  # what spans twice as long have, for both of their halves
            below = best.copy()
            below[half:] = np.minimum(below[half:], best[:-half])
            best = below
        np.minimum.at(best, begin[here], rank[here])
        np.minimum.at(best, end[here] - half, rank[here])
    return np.where(best < none, np.append(order, -1)[best], -1)


_PARTS = ("", "_lower", "_upper", "_open", "_state")


def _with_figure(tests: pd.DataFrame, name: str, value: np.ndarray) -> pd.DataFrame:
    """The rows with another plain figure in a number field; NaN: as if the cell were blank."""
    return with_columns(
        tests,
        {
            name: value,
            f"{name}_lower": value,
            f"{name}_upper": value,
            f"{name}_open": np.full(len(value), OPEN_NONE, dtype=np.int8),
            f"{name}_state": np.where(np.isnan(value), BLANK, READ).astype(np.int8),
        },
    )


def _put_back(tests: pd.DataFrame, part: pd.DataFrame, at: np.ndarray, columns: Sequence[str]) -> pd.DataFrame:
    """The table with these columns of the rows `at` taken from `part`."""
    new = {}
    for name in columns:
        values = tests[name].to_numpy().copy()
        values[at] = part[name].to_numpy()
        new[name] = values
    return with_columns(tests, new)


def _inputs(tests: pd.DataFrame, *fields: str) -> set[str]:
    """Columns that judging again cannot change: all but what was said of the past, and the fields given."""
    return set(tests.columns) - {"past"} - {f"{name}{end}" for name in fields for end in _PARTS}


def _no_trial() -> Trial:
    nothing = np.empty(0)
    return Trial(nothing.astype(np.int64), nothing, nothing.astype(bool), nothing.astype(object))


def _try_temperature(
    tests: pd.DataFrame, judged: pd.DataFrame, trial: Trial, again: Again, problems: Problems
) -> pd.DataFrame:
    """Where the other temperature makes the water worse, that judgement; cannot tell where Trial.differ says so."""
    base = judged["verdict_water"].to_numpy()[trial.at]
    # A fail stays one; and without a reading of water no temperature matters.
    chosen = np.flatnonzero((base != FAIL) & (judged["water_state"].to_numpy()[trial.at] == READ))
    at, base = trial.at[chosen], base[chosen]
    if not len(at):
        return judged
    other = again(_with_figure(tests.iloc[at], USE, trial.value[chosen]))
    verdict = other["verdict_water"].to_numpy()
    met = np.isin(base, (PASS, NEAR_LIMIT)) & np.isin(verdict, (PASS, NEAR_LIMIT))
    unsure = trial.differ[chosen] & (verdict != base) & ~met
    worse = ~unsure & (BADNESS[verdict] > BADNESS[base])
    told = _said(other, worse, trial.source[chosen])
    tried = worse & ~trial.differ[chosen]
    problems.add_tests("temperature_tried", tests.index.to_numpy()[at[tried]], USE, source=trial.source[chosen][tried])
    inputs = _inputs(tests, USE)
    judged = _put_back(judged, told.iloc[worse], at[worse], [c for c in judged.columns if c not in inputs])
    judged = with_columns(judged, {"past": _more(judged, at[unsure], trial.source[chosen][unsure])})
    doubted = {
        "verdict_water": CANNOT_TELL,
        "water_doubt": DOUBT["temperature_raised"],
        "margin_doubt": DOUBT["temperature_raised"],
        "chance_over_water": np.nan,
        "water_why": WHY_DOUBT,
    }
    new = {name: judged[name].to_numpy().copy() for name in doubted}
    for name, value in doubted.items():
        new[name][at[unsure]] = value
    return with_columns(judged, new)


def _said(judged: pd.DataFrame, where: np.ndarray, source: np.ndarray) -> pd.DataFrame:
    """The rows with one thing more said of the past."""
    at = np.flatnonzero(where)
    return with_columns(judged, {"past": _more(judged, at, source[at])})


def _more(judged: pd.DataFrame, at: np.ndarray, source: np.ndarray) -> np.ndarray:
    past = judged["past"].to_numpy(dtype=object).copy()
    before = past[at]
    past[at] = np.where(before == "", source, before + ", " + source)
    return past


# ------------------------------------------------------------------------------------------ atmospheric pressure


def _pressures(tests: pd.DataFrame, where: _Where, problems: Problems) -> tuple[pd.DataFrame, Trial]:
    given = plain_figures(tests, AIR)
    usable = at_least(given, ATMOSPHERIC_RANGE_HPA[0]) & at_least(ATMOSPHERIC_RANGE_HPA[1], given)
    usual, visits, source = _usual_pressures(tests, np.where(usable, given, np.nan), where)
    blank = tests[f"{AIR}_state"].to_numpy() == BLANK
    known = ~np.isnan(usual) & tests["visited"].to_numpy()
    apart = known & usable & above(np.abs(given - usual), UNUSUAL_HPA)
    low = above(ATMOSPHERIC_LOW_HPA, usual)
    taken = known & blank & low
    beyond = known & ~blank & ~np.isnan(given) & ~usable & low  # not used: as good as not given
    number = tests.index.to_numpy()
    for code, here in (("pressure_unusual", apart), ("pressure_usual_taken", taken)):
        problems.add_tests(
            code,
            number[here],
            AIR,
            usual=[f"{u:.0f}" for u in usual[here].tolist()],
            visits=visits[here].tolist(),
            source=source[here],
        )
    at = np.flatnonzero(apart | taken | beyond)
    if not len(at):
        return tests, _no_trial()
    filled = np.flatnonzero(taken)
    tests = _put_back(
        tests, _with_figure(tests.iloc[filled], AIR, usual[filled]), filled, [f"{AIR}{end}" for end in _PARTS]
    )
    hpa = by_unique(usual[at].astype(object), lambda u: f"{u:.0f}")
    note = _texts(where.say["usual"], usual=hpa, places=source[at])
    tests = with_columns(tests, {"past": _more(tests, filled, note[taken[at]])})
    value, sentences = np.where(taken[at], np.nan, usual[at]), np.where(taken[at], where.say["without"], note)
    return tests, Trial(at, value, np.zeros(len(at), dtype=bool), sentences.astype(object))


def _usual_pressures(
    tests: pd.DataFrame, given: np.ndarray, where: _Where
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A site's usual pressure before each test's visit: hPa (n,), NaN where none; from how many visits; which.

    given : float (n,), hPa, NaN where not given or not usable.
    One step a visit, in order of time: its median is one of the site's figures, unless it was queried itself.
    """
    n = len(tests)
    usual, visits, source = np.full(n, np.nan), np.zeros(n, dtype=np.int64), np.full(n, "", dtype=object)
    visit = tests["visit"].to_numpy()
    dated = np.flatnonzero((visit >= 0) & ~np.isnat(where.day))
    says = dated[(_speaking(tests) & ~np.isnan(given))[dated]]
    if len(np.unique(visit[says])) < FEWEST_USUAL:
        return usual, visits, source
    site = group_codes(tests["site_key"].to_numpy(dtype=object))
    told = (
        pd.DataFrame({"visit": visit[says], "given": given[says], "at": says})
        .groupby("visit")
        .agg(given=("given", "median"), at=("at", "first"))
    )
    frame = pd.DataFrame({"visit": visit[dated], "site": site[dated], "day": where.day[dated].astype(np.int64)})
    frame = frame.groupby("visit").agg(site=("site", "first"), day=("day", "min")).join(told)
    frame = frame.sort_values(["site", "day"]).reset_index()
    of_visit: dict[int, tuple[float, int, str]] = {}
    for _, of_site in frame.groupby("site", sort=False):
        places: list[int] = []
        usual_before = running_usual(of_site["given"])
        for number, figure, at, middle in zip(of_site["visit"], of_site["given"], of_site["at"], usual_before):
            if middle == middle:
                of_visit[number] = (middle, len(places), "; ".join(where.one(p) for p in places[-_MOST_NAMED:]))
            if figure == figure and not above(abs(figure - middle), UNUSUAL_HPA):
                places.append(int(at))
    known = dated[np.isin(visit[dated], list(of_visit))]
    for column, part in ((usual, 0), (visits, 1), (source, 2)):
        column[known] = [of_visit[v][part] for v in visit[known].tolist()]
    return usual, visits, source


def _worse_of_each(judged: pd.DataFrame, other: pd.DataFrame, at: np.ndarray, inputs: set[str]) -> pd.DataFrame:
    """The table in which each parameter that an atmospheric pressure bears on is the worse of two judgements.

    other  : the rows `at` judged otherwise; of two that agree the one closer to its limit, or with the higher figure.
    inputs : columns that both were judged from.
    """
    base = judged.iloc[at]
    worse = {key: np.flatnonzero(_worse(base, other, key)) for key in (*TUBE_GASES, WATER)}
    for key, rows in worse.items():
        judged = with_parameter(judged, other, key, at[rows], rows, inputs)
    of_tubes = ["tube_factor", *(f"{AIR}{end}" for end in _PARTS)]
    for columns, keys in ((of_tubes, TUBE_GASES), (["past"], worse)):
        rows = np.unique(np.concatenate([worse[key] for key in keys]))
        judged = _put_back(judged, other.iloc[rows], at[rows], columns)
    return judged


def _worse(base: pd.DataFrame, other: pd.DataFrame, key: str) -> np.ndarray:
    was, now = BADNESS[base[f"verdict_{key}"].to_numpy()], BADNESS[other[f"verdict_{key}"].to_numpy()]

    def greater(name: str) -> tuple[np.ndarray, np.ndarray]:
        a, b = (np.nan_to_num(t[name].to_numpy(dtype=float), nan=-1.0) for t in (base, other))
        return above(b, a), above(a, b)

    more_likely, less_likely = greater(f"chance_over_{key}")
    higher, _ = greater(f"{key}_upper")
    return (now > was) | ((now == was) & (more_likely | (~less_likely & higher)))
