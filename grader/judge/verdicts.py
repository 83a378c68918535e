"""Table and rule sets -> a verdict per parameter, then per test.

Columns added: those of grader/decided.py for each judged parameter, {key}_missing (bool: this is why the test is
incomplete), u_{key} (standard uncertainty), and verdict (codes of columns.TEST_WORDS); margin_needed_k (margin asked
at line pressure, NaN where none); safe_down_to_c (dew point + margin asked); warm_day (a pass that holds only while it
stays warm); colder_seen_c (an ambient seen that is colder).
Rules: design, "Verdicts" and "Water".
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from grader.columns import (
    AIR,
    AWAITED,
    BLANK,
    CANNOT_TELL,
    DOUBT,
    FAIL,
    FROM_NONE,
    FROM_USE,
    GASES,
    HIGH_PRESSURE,
    IN_WORDS,
    JUDGED,
    NEAR_LIMIT,
    NO_LIMIT,
    NOT_JUDGED,
    NOT_TESTED,
    OPEN_LOWER,
    OPEN_NONE,
    OPEN_UPPER,
    PARAMETER_BY_NAME,
    PARAMETERS,
    PASS,
    READ,
    SAID_OTHERWISE,
    STAIN,
    SUPPLIED,
    TEST_FAIL,
    TEST_INCOMPLETE,
    TEST_NEAR,
    TEST_PASS,
    UNREADABLE,
    WATER,
)
from grader.decided import (
    BY_CONTENT,
    BY_FREE_WATER,
    BY_LINE_DEW,
    BY_MARGIN,
    BY_MARGIN_1ATM,
    BY_NONE,
    BY_ONE_ATMOSPHERE,
    FIGURE_OF,
    HARMFUL,
    OVER,
    UNTOLD,
    WHY_BAND,
    WHY_BOUND,
    WHY_DOUBT,
    WHY_GUARD_BAND,
    WHY_NONE,
    WHY_UNREADABLE,
    low_side,
)
from grader.frames import RELATIVE_TOLERANCE, above, text, with_columns
from grader.judge.carried import water_chain
from grader.judge.chances import Close, Closeness
from grader.judge.doubts import judge_doubts
from grader.judge.intake import origin
from grader.judge.limits_on import Applied, Situation, apply_limits, judge_interval
from grader.judge.rules.limit import Limit
from grader.judge.rules.sets import RuleSet
from grader.judge.substances import judge_substances
from grader.problems import Problems

_WITH_A_LIMIT = (BY_CONTENT, BY_LINE_DEW, BY_ONE_ATMOSPHERE)  # figures of the water chain held against one
OF_JUDGING = ("_wanted", "margin_met", "odour_doubt")  # ends of the names of columns that the judge is the last to read
OVERFILLED = 1.1  # warm from filling a cylinder holds up to a tenth more (judgement, no source)
# 42 CFR 84.162(b): a continuous-flow air line gives at least 115 L/min to a tight-fitting covering.
LOWEST_AIRLINE_FLOW_L_MIN = 115.0


def judge(tests: pd.DataFrame, rulesets: dict[str, RuleSet], problems: Problems) -> pd.DataFrame:
    """The table with verdicts; see the module's text.

    tests    : table after compute_water and assign_rules, n rows.
    rulesets : by id, every id of column `ruleset` but "".
    Returns  : table of n rows, same index. Without a rule set a test is incomplete, or a fail (marked odour).
    """
    tests = judge_doubts(tests, problems)
    parts = [
        _judge_one(tests[(tests["ruleset"] == rule_id).to_numpy()], rulesets.get(rule_id))
        for rule_id in pd.unique(tests["ruleset"])
    ]
    judged = pd.concat(parts).reindex(tests.index) if parts else _judge_one(tests, None)
    return concluded(with_columns(tests, {name: judged[name].to_numpy() for name in judged.columns}), rulesets)


def concluded(tests: pd.DataFrame, rulesets: dict[str, RuleSet]) -> pd.DataFrame:
    """The table with what follows from the verdicts of the parameters: warm days, and the verdict of each test."""
    return whole(_warm_days(tests), rulesets)


def _judge_one(tests: pd.DataFrame, ruleset: RuleSet | None) -> pd.DataFrame:
    supply = text(tests, "supply")
    situation = _situation(tests, supply)
    closeness = Closeness.of(ruleset)
    new: dict[str, np.ndarray] = {}

    def put(key: str, found: Close, printed: tuple[np.ndarray, np.ndarray], doubt: np.ndarray) -> None:
        ends = _ends(tests, key)
        why = _why(found.verdict, found.why, doubt, ends[3])
        new.update(_kept(key, found.verdict, why, doubt, printed, found.chance, found.flag, ends))
        # Kept for what looks at many readings together: their scatter is never less than this.
        new[f"u_{key}"] = _uncertainty(tests, key, closeness)(ends[1])

    def limits(name: str) -> list[Limit]:
        return [x for x in ruleset.limits_for(name) if x.kind != "words"] if ruleset else []

    for key in GASES:
        ends, doubt = _ends(tests, key), tests[f"{key}_doubt"].to_numpy()
        applied = apply_limits(limits(PARAMETERS[key].name), situation)
        verdict = judge_interval(*ends, applied)
        printed = _printed(verdict, applied)
        unsure = (verdict == CANNOT_TELL) & applied.unsure & (ends[3] == READ)
        # Gases have no bands: where their limit is not sure, the supply is not known.
        told = np.where(unsure & (doubt == 0), DOUBT["supply_unknown"], doubt).astype(np.int8)
        at = _uncertainty(tests, key, closeness)
        found = closeness.decide(key, ends, printed, _doubted(verdict, doubt), told, at)
        new[f"{key}_stain"] = tests[f"{PARAMETERS[key].column}_how"].to_numpy() == STAIN
        put(key, found, printed, told)
        if PARAMETERS[key].intake:
            new[f"{key}_origin"] = origin(tests, key, applied, closeness)
    for key in IN_WORDS:
        verdict = _words(tests, key, ruleset, situation)
        why = np.where(verdict == CANNOT_TELL, WHY_UNREADABLE, WHY_NONE).astype(np.int8)
        new |= {f"verdict_{key}": verdict, f"{key}_why": why}
    new.update(_water(tests, limits, situation, closeness))
    for key in SUPPLIED:
        ruled = apply_limits(limits(PARAMETERS[key].name), situation)
        verdict, doubt, printed, new[f"{key}_wanted"] = _supplied(tests, key, supply, ruled)
        put(key, closeness.decide(key, _ends(tests, key), printed, verdict, doubt), printed, doubt)
    return pd.DataFrame(new, index=tests.index)


def _uncertainty(tests: pd.DataFrame, key: str, closeness: Closeness) -> Callable[[np.ndarray], np.ndarray]:
    """Standard uncertainty of a parameter's readings: a tube's is that of its own reading, and is corrected with it."""
    standard = closeness.standard[key]
    if f"{key}_factor" not in tests:
        return standard.at
    factor = tests[f"{key}_factor"].to_numpy(dtype=float)
    return lambda value: standard.at(value / factor) * factor


def _why(verdict: np.ndarray, close: np.ndarray, doubt: np.ndarray, state: np.ndarray, band: Any = False) -> np.ndarray:
    """Codes WHY_* from what closeness says; band : cannot tell only because the pressure band is not known."""
    untold = (verdict == CANNOT_TELL) & (close != WHY_GUARD_BAND)
    reasons = [doubt != 0, band, state != READ]
    untold_by = np.select(reasons, [WHY_DOUBT, WHY_BAND, WHY_UNREADABLE], WHY_BOUND)
    return np.where(untold, untold_by, close).astype(np.int8)


def _kept(
    key: str,
    verdict: np.ndarray,
    why: np.ndarray,
    doubt: np.ndarray,
    limits: tuple[np.ndarray, np.ndarray],
    chance: np.ndarray,
    flag: Any,
    ends: tuple[np.ndarray, ...],
) -> dict[str, np.ndarray]:
    """The columns of grader/decided.py of one parameter; ends : of the figure that was judged."""
    return {
        f"verdict_{key}": verdict.astype(np.int8),
        f"{key}_why": why,
        f"{key}_doubt": doubt.astype(np.int8),
        f"limit_low_{key}": limits[0],
        f"limit_high_{key}": limits[1],
        f"{key}_low_side": low_side(verdict, why, ends, limits),
        f"chance_over_{key}": chance,
        f"flag_{key}": np.broadcast_to(np.float32(flag), verdict.shape),
    }


def _situation(tests: pd.DataFrame, supply: np.ndarray) -> Situation:
    codes, supplies = pd.factorize(supply)
    band, proved = _band(tests, supply)
    known = tests["use_temperature_known"].to_numpy()
    return Situation(codes, [str(s) for s in supplies], band, proved, known)


_Ends = tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]


def _ends(tests: pd.DataFrame, key: str) -> _Ends:
    """Lower, upper, open and state of a parameter's key or of a number field."""
    lower, upper, open_, state = (tests[f"{key}_{x}"].to_numpy() for x in ("lower", "upper", "open", "state"))
    return lower, upper, open_, state


def _doubted(verdict: np.ndarray, doubt: np.ndarray) -> np.ndarray:
    """A fail stays a fail; a pass in doubt is cannot tell."""
    return np.where((doubt != 0) & np.isin(verdict, (PASS, NEAR_LIMIT)), CANNOT_TELL, verdict).astype(np.int8)


def _printed(verdict: np.ndarray, applied: Applied) -> tuple[np.ndarray, np.ndarray]:
    """The limits to print: the loose ones where they were failed, else the strict ones."""
    failed = verdict == FAIL
    return (
        np.where(failed, applied.low_loose, applied.low_strict),
        np.where(failed, applied.high_loose, applied.high_strict),
    )


def _band(tests: pd.DataFrame, supply: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Pressure that tells a limit's band, and what the measured pressure proves at least; bar gauge."""
    high = np.isin(supply, HIGH_PRESSURE)
    line, stated = (_ends(tests, name) for name in ("line_pressure_bar", "nominal_pressure_bar"))
    # What lies above a mark lies outside the band that ends there.
    least = [
        np.where(open_ == OPEN_LOWER, lower * (1.0 + 10.0 * RELATIVE_TOLERANCE), lower)
        for lower, _, open_, _ in (line, stated)
    ]
    line_least, stated_least = (np.where(e[3] == READ, low, np.nan) for e, low in zip((line, stated), least))
    plain = (stated[3] == READ) & (stated[0] == stated[1])
    nominal = np.where(plain, stated[1], np.nan)
    proved = np.where(plain, line_least, np.fmax(line_least, stated_least))
    # A cylinder holding a tenth more than its nominal pressure has another one than was written, which is not known.
    with np.errstate(invalid="ignore"):
        nominal = np.where(proved > OVERFILLED * nominal, np.nan, nominal)
    band = np.where(high, nominal, tests["dew_judged_at_bar"].to_numpy(dtype=float))
    return band, np.where(high, proved, np.nan)


# Of several limits of one thing the worse decides: fail, cannot tell, not tested, then pass; no limit says
# nothing. In the order of the verdict codes.
BADNESS = np.array([1, 2, 5, 4, 3, 0, 0, 3])


def _words(tests: pd.DataFrame, key: str, ruleset: RuleSet | None, situation: Situation) -> np.ndarray:
    column = PARAMETERS[key].column
    word, state = text(tests, column), tests[f"{column}_state"].to_numpy()
    verdict = np.full(len(tests), NO_LIMIT, dtype=np.int8)
    for limit in ruleset.limits_for(PARAMETERS[key].name) if ruleset else ():
        here = situation.supplied_by([*limit.supplies, ""])
        judged = np.where(np.isin(word, limit.allowed), PASS, np.where(np.isin(word, limit.near), NEAR_LIMIT, FAIL))
        judged = np.where(state == BLANK, NOT_TESTED, np.where(state == UNREADABLE, CANNOT_TELL, judged))
        verdict = np.where(here & (BADNESS[judged] > BADNESS[verdict]), judged, verdict).astype(np.int8)
    # Marked odour fails whatever the rule set says, or leaves unsaid.
    return np.where(word == "marked", FAIL, verdict).astype(np.int8)


class _WaterVerdict:
    """The worst of the figures of the water chain so far, n tests."""

    def __init__(self, n: int) -> None:
        self.verdict = np.full(n, NO_LIMIT, dtype=np.int8)
        self.by, self.against, self.doubt, self.why = (np.zeros(n, dtype=np.int8) for _ in range(4))
        self.low, self.high, self.chance = (np.full(n, np.nan) for _ in range(3))
        self.flag = np.full(n, np.nan, dtype=np.float32)
        self.unsure, self.margin_met = np.zeros(n, dtype=bool), np.zeros(n, dtype=bool)
        self.ends: tuple[np.ndarray, ...] = (np.full(n, np.nan), np.full(n, np.nan), *(np.zeros(n, np.int8),) * 2)

    def take(
        self,
        code: int,
        ends: _Ends,
        doubt: np.ndarray,
        applied: Applied,
        decide: Callable[[_Ends, tuple[np.ndarray, np.ndarray], np.ndarray, np.ndarray], Close],
        not_sure: np.ndarray | None = None,
        against: Any = FROM_NONE,
    ) -> None:
        """Judge one figure (its ends and doubt) and keep it where it is worse; `decide`: how close it is.

        not_sure : where the limit may not be the one that holds, so that a fail cannot be told either.
        against  : codes FROM_*, the temperature that a margin counts from.
        """
        here = judge_interval(*ends, applied)
        if not_sure is not None:
            here = np.where(not_sure & (here == FAIL), CANNOT_TELL, here).astype(np.int8)
        shown_low, shown_high = _printed(here, applied)
        found = decide(ends, (shown_low, shown_high), _doubted(here, doubt), doubt)
        after = found.verdict
        worse = BADNESS[after] > BADNESS[self.verdict]
        # Of two figures that agree the one with the greater chance of being over decides.
        worse |= (after == self.verdict) & (found.chance > np.where(np.isnan(self.chance), -1.0, self.chance))
        cannot_tell = after == CANNOT_TELL
        unsure = cannot_tell & (here == CANNOT_TELL) & applied.unsure & (ends[3] == READ)
        self.verdict, self.by = np.where(worse, after, self.verdict), np.where(worse, code, self.by)
        self.against = np.where(worse, against, self.against)
        self.doubt = np.where(worse, np.where(cannot_tell, doubt, 0), self.doubt)
        self.low, self.high = np.where(worse, shown_low, self.low), np.where(worse, shown_high, self.high)
        self.unsure = np.where(worse, unsure, self.unsure)
        self.chance, self.why = np.where(worse, found.chance, self.chance), np.where(worse, found.why, self.why)
        self.flag = np.where(worse, np.float32(found.flag), self.flag)
        self.ends = tuple(np.where(worse, new, old) for new, old in zip(ends, self.ends))
        if code in (BY_MARGIN, BY_MARGIN_1ATM):
            self.margin_met |= here == PASS

    def overrule(self, where: np.ndarray, verdict: int, doubt: int) -> None:
        """Another verdict and doubt where a bool array says so."""
        self.verdict, self.doubt = np.where(where, verdict, self.verdict), np.where(where, doubt, self.doubt)
        self.chance, self.why = np.where(where, np.nan, self.chance), np.where(where, WHY_NONE, self.why)


def _water(
    tests: pd.DataFrame, limits: Callable[[str], list[Limit]], situation: Situation, closeness: Closeness
) -> dict[str, np.ndarray]:
    n = len(tests)
    worst = _WaterVerdict(n)
    chain = water_chain(tests, closeness.standard)
    u = {
        "water": chain.water,
        "pressure_dew_point": chain.pressure_dew_point,
        "dew_point_1atm": chain.dew_point_1atm,
        "line": chain.margin,
        "1 atm": chain.margin_1atm,
    }

    def decide(key: str, size: str) -> Callable[..., Close]:
        return lambda ends, printed, verdict, doubt: closeness.decide(
            key, ends, printed, verdict, doubt, lambda _: u[size]
        )

    for code in _WITH_A_LIMIT:
        key = FIGURE_OF[code]
        found = limits(PARAMETERS[key].name)
        doubt = tests[f"{key}_doubt"].to_numpy()
        not_sure = None
        if any(x.temperature for x in found):
            # That no temperature is known may be for a cell that cannot be read: a colder one, perhaps, or a warm one.
            unknown = np.where(situation.temperature_known, 0, tests["temperature_doubt"].to_numpy())
            doubt = np.where(doubt == 0, unknown, doubt)
            not_sure = unknown == DOUBT["temperature_unreadable"]
        banded = {s for x in found if x.over_bar is not None or x.to_bar is not None for s in x.supplies}
        unreadable = situation.supplied_by(banded & set(HIGH_PRESSURE)) & _pressure_unreadable(tests)
        doubt = np.where((doubt == 0) & unreadable, DOUBT["pressure_unreadable"], doubt)
        worst.take(code, _ends(tests, key), doubt, apply_limits(found, situation), decide(key, key), not_sure)
    needed = {"line": np.full(n, np.nan), "1 atm": np.full(n, np.nan)}
    asked = needed["line"]
    warmer = replace(situation, temperature_known=np.ones(n, dtype=bool))
    for at, reference in (("line", "lowest use"), ("line", "ambient"), ("1 atm", "lowest use"), ("1 atm", "ambient")):
        found = [x for x in limits("Dew point margin") if (x.at, x.reference) == (at, reference)]
        if found:
            applied = apply_limits(found, situation)
            ends, doubt = _margin(tests, reference, at)
            code = BY_MARGIN if at == "line" else BY_MARGIN_1ATM
            base = tests["ambient_use_by"].to_numpy() if reference == "ambient" else FROM_USE
            worst.take(code, ends, doubt, applied, decide("margin", at), against=base)
            least = apply_limits(found, warmer).low_strict + closeness.band(u[at])
            needed[at] = np.fmax(needed[at], least)
            asked = np.fmax(asked, applied.low_strict) if at == "line" else asked
    # The supply decides the rule: not known, nothing can be passed. Liquid water is not air to breathe.
    unknown = situation.supplied_by([""])
    tested = tests["water_state"].to_numpy() != BLANK
    worst.overrule(unknown, NOT_TESTED, 0)
    worst.overrule(unknown & tested, CANNOT_TELL, DOUBT["supply_unknown"])
    worst.by = np.where(unknown, BY_NONE, worst.by)
    liquid_unreadable = tests["liquid_water_state"].to_numpy() == UNREADABLE
    passed = np.isin(worst.verdict, (PASS, NEAR_LIMIT))
    worst.overrule(liquid_unreadable & passed, CANNOT_TELL, DOUBT["liquid_water_unreadable"])
    free = tests["free_water"].to_numpy()
    failed = (worst.verdict == FAIL) & (worst.why != WHY_GUARD_BAND)
    free = free & ~(failed & (text(tests, "liquid_water") != "seen"))
    worst.overrule(free, FAIL, 0)
    by = np.where(free, BY_FREE_WATER, worst.by)
    dew, one = _ends(tests, "pressure_dew_point"), tests["dew_point_1atm_upper"].to_numpy()
    judged = [
        np.where(free, of_dew, np.where(by == BY_NONE, content, decided))
        for of_dew, content, decided in zip(dew, _ends(tests, WATER), worst.ends)
    ]
    safe = np.fmax(dew[1] + needed["line"], one + needed["1 atm"])
    why = _why(worst.verdict, worst.why, worst.doubt, tests["water_state"].to_numpy(), worst.unsure & ~unknown)
    printed = worst.low, worst.high
    return {
        **_kept(WATER, worst.verdict, why, worst.doubt, printed, worst.chance, worst.flag, tuple(judged)),
        "u_water": chain.water,
        "u_pressure_dew_point": chain.pressure_dew_point,
        "u_margin": chain.margin,
        "water_by": by.astype(np.int8),
        "water_against": np.where(np.isin(by, (BY_MARGIN, BY_MARGIN_1ATM)), worst.against, FROM_NONE).astype(np.int8),
        "water_judged_lower": judged[0],
        "water_judged_upper": judged[1],
        "water_judged_open": judged[2].astype(np.int8),
        "water_judged_state": judged[3].astype(np.int8),
        "margin_needed_k": asked,
        "margin_met": worst.margin_met,
        "safe_down_to_c": np.where(np.isfinite(safe), safe, np.nan),
    }


def _pressure_unreadable(tests: pd.DataFrame) -> np.ndarray:
    return np.any(
        [tests[f"{name}_state"].to_numpy() == UNREADABLE for name in ("nominal_pressure_bar", "line_pressure_bar")],
        axis=0,
    )


def _margin(tests: pd.DataFrame, reference: str, at: str) -> tuple[_Ends, np.ndarray]:
    """Ends of a margin and its doubt: from lowest use temperature or ambient, at line or at 1 atm."""
    if reference == "lowest use" and at == "line":
        return _ends(tests, "margin"), tests["margin_doubt"].to_numpy()
    key = "pressure_dew_point" if at == "line" else "dew_point_1atm"
    lower, upper, open_, state = _ends(tests, key)
    ambient = reference == "ambient"
    base = tests["ambient_use_c" if ambient else "use_temperature_c"].to_numpy(dtype=float)
    warmest = tests["ambient_use_upper_c"].to_numpy(dtype=float) if ambient else base
    have = ~np.isnan(base)
    opposite = np.select([open_ == OPEN_LOWER, open_ == OPEN_UPPER], [OPEN_UPPER, OPEN_LOWER], OPEN_NONE)
    ends = (base - upper, warmest - lower, opposite, np.where(have, state, np.where(state == READ, UNREADABLE, state)))
    doubt = np.where(
        tests["temperature_doubt"].to_numpy() != 0,
        tests["temperature_doubt"].to_numpy(),
        tests[f"{key}_doubt"].to_numpy(),
    )
    return ends, np.where(have, doubt, DOUBT["ambient_missing"]).astype(np.int8)


def _supplied(
    tests: pd.DataFrame, key: str, supply: np.ndarray, ruled: Applied
) -> tuple[np.ndarray, np.ndarray, tuple[np.ndarray, np.ndarray], np.ndarray]:
    """Flow or pressure against what the row says is needed and allowed, and what the rule set asks besides.

    Returns : verdict, doubt, limits, and whether anything is asked, each (n,).
    """
    ends = _ends(tests, key)
    lower, _, _, state = ends
    n = len(tests)
    none = np.full(n, np.nan)
    need_lower, need_upper, _, need_state = _ends(tests, PARAMETERS[key].need)
    # A need of 0 is none; one written as a bound is met for certain only at its far end.
    by_row = (need_state == READ) & (need_upper > 0)
    stated = by_row | ~np.isnan(ruled.low_strict)
    needed = np.fmax(np.where(by_row, need_upper, np.nan), ruled.low_strict)
    least = Applied(needed, np.fmax(np.where(by_row, need_lower, np.nan), ruled.low_loose), none, none)
    verdict = judge_interval(*ends, least)
    measured = state != BLANK
    verdict = np.where(stated, verdict, np.where(measured, NOT_JUDGED, NOT_TESTED))
    # A measurement that cannot be read is not one that lacks only its need.
    verdict = np.where(~stated & (state == UNREADABLE), CANNOT_TELL, verdict)
    doubt = tests[f"{key}_doubt"].to_numpy().copy()
    high, loose = ruled.high_strict, ruled.high_loose
    if key == "flow":
        low_flow = (supply == "airline") & ~by_row & (state == READ) & above(LOWEST_AIRLINE_FLOW_L_MIN, lower)
        low_flow &= verdict != FAIL
        verdict = np.where(low_flow, CANNOT_TELL, verdict)
        doubt = np.where(low_flow, DOUBT["flow_low_no_need"], doubt)
    else:
        high_lower, high_upper, _, high_state = _ends(tests, "highest_pressure_bar")
        high = np.fmin(high, np.where(high_state == READ, high_lower, np.nan))
        loose = np.fmin(loose, np.where(high_state == READ, high_upper, np.nan))
    capped = judge_interval(*ends, Applied(none, none, high, loose))
    verdict = np.where(capped == FAIL, FAIL, verdict)
    # Capped and no least needed: what is stated is judged, the rest is not.
    verdict = np.where((capped == CANNOT_TELL) & np.isin(verdict, (PASS, NOT_JUDGED)), CANNOT_TELL, verdict)
    if key == "pressure":
        unreadable = (high_state == UNREADABLE) & np.isin(verdict, (PASS, NOT_JUDGED))
        verdict = np.where(unreadable, CANNOT_TELL, verdict)
        doubt = np.where(unreadable, DOUBT["highest_unreadable"], doubt)
    unreadable = (need_state == UNREADABLE) & (verdict != FAIL)
    verdict = np.where(unreadable, np.where(measured, CANNOT_TELL, NOT_TESTED), verdict)
    doubt = np.where(unreadable & measured, DOUBT["need_unreadable"], doubt)
    wanted = stated | (need_state == UNREADABLE) | ~np.isnan(high)
    if key == "pressure":
        wanted |= high_state == UNREADABLE
    # A fail is by the end that a bound is sure of.
    failed = verdict == FAIL
    shown = np.where(failed, least.low_loose, needed), np.where(failed, loose, high)
    return _doubted(verdict, doubt), doubt.astype(np.int8), shown, wanted


def _warm_days(tests: pd.DataFrame) -> pd.DataFrame:
    """A pass by a warm day: near limit where the site has seen a colder ambient than it is safe to."""
    passed = np.isin(tests["verdict_water"].to_numpy(), (PASS, NEAR_LIMIT))
    stated = tests["lowest_use_temperature_c_state"].to_numpy() != BLANK
    ambient = tests["ambient_temperature_c_lower"].to_numpy(dtype=float)
    future = ~tests["dated"].to_numpy() & ~np.isnat(tests["test_day"].to_numpy())
    used = np.isfinite(ambient) & ~tests["replaced"].to_numpy() & ~future
    site, _ = pd.factorize(tests["site_key"])
    coldest = pd.Series(np.where(used, ambient, np.nan)).groupby(site).transform("min").to_numpy()
    warm = passed & tests["margin_met"].to_numpy() & ~stated
    colder = warm & above(tests["safe_down_to_c"].to_numpy(), coldest)
    verdict = np.where(colder, NEAR_LIMIT, tests["verdict_water"].to_numpy()).astype(np.int8)
    return with_columns(
        tests, {"verdict_water": verdict, "warm_day": warm, "colder_seen_c": np.where(colder, coldest, np.nan)}
    )


def _said_otherwise(tests: pd.DataFrame) -> dict[str, np.ndarray]:
    """Where the firm itself says that a test is no pass, by the field of SAID_OTHERWISE that says so: bool (n,)."""
    unread = {name: tests[f"{name}_state"].to_numpy() == UNREADABLE for name in SAID_OTHERWISE}
    return {
        "own_verdict": (text(tests, "own_verdict") == "fail") | unread["own_verdict"],
        "said_against": (text(tests, "said_against") != "") | unread["said_against"],
        "failed_stated": unread["failed_stated"],  # what can be read: counts.py, when all tests are judged
        "outlet_status": np.isin(text(tests, "outlet_status"), ("locked off", "removed")) | unread["outlet_status"],
    }


def _demanded(ruleset: RuleSet | None) -> set[str]:
    return {PARAMETER_BY_NAME[p].key for p in ruleset.demanded} if ruleset else set()


def whole(tests: pd.DataFrame, rulesets: dict[str, RuleSet]) -> pd.DataFrame:
    """Verdict of the test: any fail, else incomplete, else near limit, else pass."""
    n = len(tests)
    verdicts = (
        np.column_stack([tests[f"verdict_{key}"].to_numpy() for key in JUDGED]) if n else np.empty((0, len(JUDGED)))
    )
    rule, ids = pd.factorize(tests["ruleset"])
    demanded = np.array([[key in _demanded(rulesets.get(i)) for key in JUDGED] for i in ids], dtype=bool)
    if "awaits" in tests and n:
        awaits = (tests["awaits"].to_numpy()[:, None] >> np.arange(len(JUDGED)) & 1).astype(bool)
        verdicts = np.where((verdicts == NOT_TESTED) & demanded[rule] & awaits, AWAITED, verdicts).astype(np.int8)
        tests = with_columns(tests, {f"verdict_{key}": verdicts[:, i] for i, key in enumerate(JUDGED)})
    fails = (verdicts == FAIL).any(axis=1)
    near = (verdicts == NEAR_LIMIT).any(axis=1)
    missing = np.zeros((n, len(JUDGED)), dtype=bool)
    untold = np.isin(verdicts, (NOT_TESTED, AWAITED, CANNOT_TELL, NO_LIMIT))
    # Of what is not demanded a reading that cannot be told still is no pass; flow and pressure: below.
    air = np.array([key in AIR for key in JUDGED])
    missing |= (verdicts == CANNOT_TELL) & air
    # A flow or pressure that the rule set demands is not there while nothing says how much is needed.
    missing |= demanded[rule] & (untold | (verdicts == NOT_JUDGED)) if n else missing
    # Cylinders and charging compressors need neither.
    needs = ~np.isin(text(tests, "supply"), HIGH_PRESSURE)
    for key in SUPPLIED:
        at = JUDGED.index(key)
        wanted, open_ = tests[f"{key}_wanted"].to_numpy(), verdicts[:, at] == CANNOT_TELL
        # What is stated is judged on any supply; what need not be measured is missed on an airline only.
        missing[:, at] |= (wanted & open_) | (needs & (wanted | open_) & untold[:, at])
    incomplete = missing.any(axis=1) | (text(tests, "ruleset") == "") | ~tests["visited"].to_numpy()
    # What the firm says itself judges nothing; what it does not pass is looked at again before it counts as one.
    otherwise = {name: where & ~fails & ~incomplete for name, where in _said_otherwise(tests).items()}
    incomplete |= np.logical_or.reduce(list(otherwise.values()))
    substances = judge_substances(tests, rulesets)
    fails |= substances[OVER] != ""
    incomplete |= (substances[HARMFUL] != "") | (substances[UNTOLD] != "") | tests["aside"].to_numpy()
    verdict = np.select([fails, incomplete, near], [TEST_FAIL, TEST_INCOMPLETE, TEST_NEAR], TEST_PASS)
    return with_columns(
        tests,
        {
            "verdict": verdict.astype(np.int8),
            **{f"{name}_otherwise": where for name, where in otherwise.items()},
            **substances,
            **{f"{key}_missing": missing[:, i] for i, key in enumerate(JUDGED)},
        },
    )
