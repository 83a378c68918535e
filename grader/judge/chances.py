"""How sure a verdict is: the chance that the true value lies beyond its limit, and what follows from it.

Chance: JCGM 106:2012 (single measurement, normal error, nothing known of the quantity beforehand), both sides
where there are two limits. Decision rules as ILAC-G8:09/2019 describes them: simple acceptance, with `near
limit` where a pass has a chance over the rule set's flag threshold; guarded acceptance, with the guard band a
multiple of the expanded uncertainty U = 2 u, where a reading inside the band fails.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from grader.columns import CANNOT_TELL, FAIL, NEAR_LIMIT, PARAMETERS, PASS, READ
from grader.decided import WHY_CHANCE, WHY_GUARD_BAND
from grader.frames import above, normal_below
from grader.judge.rules.sets import RuleSet
from grader.judge.uncertainty import COVERAGE_FACTOR, Standard, standards


def chance_beyond(value: Any, uncertainty: Any, low: Any, high: Any) -> Any:
    """Probability that the true value lies outside its limits.

    value, low, high : float or arrays, one unit; NaN for a limit that there is not.
    uncertainty : standard uncertainty, the same unit. 0: the reading is taken as the value itself.
    Returns     : float or array of the common shape, 0 to 1. NaN without value, uncertainty or any limit.
    Raises      : ValueError if the shapes do not broadcast.
    Source      : JCGM 106:2012, p_c = Phi((T_U - y)/u) - Phi((T_L - y)/u); this is 1 - p_c.

    >>> round(float(chance_beyond(4.5, 0.5, np.nan, 5.0)), 6)
    0.158655
    >>> round(float(chance_beyond(20.1, 0.3, 20.0, 22.0)), 6)
    0.369441
    """
    value, low, high = (np.asarray(a, dtype=float) for a in (value, low, high))
    u = np.asarray(uncertainty, dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        over = normal_below(np.where(u > 0, (value - high) / u, np.where(above(value, high), np.inf, -np.inf)))
        under = normal_below(np.where(u > 0, (low - value) / u, np.where(above(low, value), np.inf, -np.inf)))
    none_high, none_low = np.isnan(high), np.isnan(low)
    total = np.where(none_high, 0.0, over) + np.where(none_low, 0.0, under)
    nothing = (none_high & none_low) | np.isnan(value) | np.isnan(u)
    return np.where(nothing, np.nan, total)[()]


@dataclass
class Close:
    """What closeness makes of n verdicts.

    verdict, why : codes, int8 (n,). chance : float (n,), NaN for none. flag : threshold of near limit.
    """

    verdict: np.ndarray
    why: np.ndarray
    chance: np.ndarray
    flag: float


class Closeness(NamedTuple):
    """One rule set's uncertainties, flag thresholds and decision rule.

    standard : by parameter key. flag : by parameter key, a fraction. guard_band : multiple of U, 0 for none.
    """

    standard: dict[str, Standard]
    flag: dict[str, float]
    guard_band: float = 0.0

    @classmethod
    def of(cls, ruleset: RuleSet | None) -> Closeness:
        """The rule set's; without one the defaults, for nothing is passed then."""
        if ruleset is None:
            return cls(standards(), {})
        flag = {key: ruleset.flag_percent(p.name) / 100.0 for key, p in PARAMETERS.items()}
        return cls(standards(ruleset.uncertainty), flag, ruleset.decision_rule.guard_band)

    def band(self, uncertainty: Any) -> Any:
        """Width of the guard band for a standard uncertainty; 0 without one, also where it is not known."""
        return self.guard_band * COVERAGE_FACTOR * np.nan_to_num(uncertainty) if self.guard_band else 0.0

    def decide(
        self,
        key: str,
        ends: tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray],
        limits: tuple[np.ndarray, np.ndarray],
        verdict: np.ndarray,
        doubt: np.ndarray,
        uncertainty: Callable[[np.ndarray], np.ndarray] | None = None,
    ) -> Close:
        """Chances, and the verdicts after flag threshold and guard band.

        key         : parameter whose flag threshold holds. ends : lower, upper, open, state, each (n,).
        limits      : lowest and highest (n,), NaN for none.
        verdict     : codes (n,), doubts applied. doubt : codes (n,).
        uncertainty : standard uncertainty at an end; None: the parameter's own.
        Returns     : no chance for bounds, nor where anything is in doubt. Nothing but a pass is changed.
        """
        lower, upper, _, state = ends
        at = uncertainty or self.standard[key].at
        trusted = (state == READ) & (np.asarray(doubt) == 0) & np.isin(verdict, (PASS, NEAR_LIMIT, FAIL))
        plain = trusted & (lower == upper) & np.isfinite(upper)
        chance = chance_beyond(np.where(plain, upper, np.nan), at(upper), *limits)
        out = np.asarray(verdict).copy()
        why, flag = np.zeros(len(out), dtype=np.int8), self.flag.get(key, 1.0)
        near = (verdict == PASS) & above(chance, flag)
        out[near], why[near] = NEAR_LIMIT, WHY_CHANCE
        if self.guard_band:
            passed = trusted & np.isin(verdict, (PASS, NEAR_LIMIT))
            low, high = limits
            width = self.guard_band * COVERAGE_FACTOR
            # One end of a bound inside the band, the other clear of it: the reading does not say.
            # An end at infinity is clear of the band on its own side: infinity less infinity is above nothing.
            with np.errstate(invalid="ignore"):
                inside = [
                    above(end + width * at(end), high) | above(low, end - width * at(end)) for end in (lower, upper)
                ]
            out[passed & (inside[0] | inside[1])] = CANNOT_TELL
            out[passed & inside[0] & inside[1]] = FAIL
            why[passed & (inside[0] | inside[1])] = WHY_GUARD_BAND
        return Close(out.astype(np.int8), why, chance, flag)
