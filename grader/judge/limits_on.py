"""Which limits apply to which tests, and whether a reading as an interval meets them. Arrays only."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from grader.columns import (
    CANNOT_TELL,
    FAIL,
    HIGH_PRESSURE,
    NO_LIMIT,
    NOT_TESTED,
    OPEN_LOWER,
    OPEN_UPPER,
    PASS,
    READ,
    UNREADABLE,
)
from grader.data import load_toml
from grader.frames import above, at_least
from grader.judge.rules.limit import Limit

SUPPLIES_IN_ALL = len(load_toml("rules/_schema.toml")["supplies"])


@dataclass
class Applied:
    """Limits of one figure on n tests. Strict and loose differ only where it is not known which band applies.

    low_strict, low_loose, high_strict, high_loose : float (n,), NaN where there is none.
    """

    low_strict: np.ndarray
    low_loose: np.ndarray
    high_strict: np.ndarray
    high_loose: np.ndarray

    @property
    def any(self) -> np.ndarray:
        """Where there is a limit at all, bool (n,)."""
        return ~np.isnan(self.low_strict) | ~np.isnan(self.high_strict)

    @property
    def unsure(self) -> np.ndarray:
        """Where the band is not known and the bands differ."""
        with np.errstate(invalid="ignore"):
            return (self.high_strict < self.high_loose) | (self.low_strict > self.low_loose)


@dataclass
class Situation:
    """What decides which limit applies to each of n tests.

    supply_code       : int (n,), position in supplies. "" is a supply not known: any limit may be its limit.
    supplies          : the different supplies.
    band_bar          : float (n,). Pressure that tells the band; NaN where not known.
    band_at_least_bar : float (n,). What the measured pressure proves at least; NaN where nothing.
    temperature_known : bool (n,). Whether the lowest use temperature is.
    """

    supply_code: np.ndarray
    supplies: list[str]
    band_bar: np.ndarray
    band_at_least_bar: np.ndarray
    temperature_known: np.ndarray

    def supplied_by(self, wanted: Iterable[str]) -> np.ndarray:
        """Where the supply is one of those wanted, bool (n,)."""
        names = set(wanted)
        return np.array([s in names for s in self.supplies], dtype=bool)[self.supply_code]


def apply_limits(limits: Iterable[Limit], situation: Situation) -> Applied:
    """The limits of one figure, for every test. limits : those of one parameter that judge."""
    limits = list(limits)
    band_bar, unknown = situation.band_bar, situation.supplied_by([""])
    n = len(band_bar)
    low, high = np.full(n, np.nan), np.full(n, np.nan)
    some = {end: np.full(n, np.nan) for end in ("low_strict", "low_loose", "high_strict", "high_loose")}
    lacking_low, lacking_high = np.zeros(n, dtype=bool), np.zeros(n, dtype=bool)
    covered: set[str] = set()
    for limit in limits:
        covered.update(limit.supplies)
        sure = ~unknown if len(limit.supplies) < SUPPLIES_IN_ALL else np.ones(n, dtype=bool)
        fits = situation.supplied_by(limit.supplies) | unknown
        if limit.temperature:
            fits = fits & (situation.temperature_known == (limit.temperature == "known"))
        if limit.over_bar is not None or limit.to_bar is not None:
            over = -np.inf if limit.over_bar is None else limit.over_bar
            to = np.inf if limit.to_bar is None else limit.to_bar
            inside = above(band_bar, over) & at_least(to, band_bar)
            if not any(other.to_bar == limit.over_bar for other in limits):
                # The lowest band of a high-pressure supply holds its own lower end: 40 bar is high pressure.
                inside |= situation.supplied_by(HIGH_PRESSURE) & at_least(band_bar, over) & at_least(to, band_bar)
            open_band = np.isnan(band_bar)
            proved_out = above(situation.band_at_least_bar, to)
            fits = fits & np.where(open_band, ~proved_out, inside)
            sure = sure & ~open_band
        lower = np.nan if limit.low is None else limit.low
        upper = np.nan if limit.high is None else limit.high
        low = np.where(fits & sure, np.fmax(low, lower), low)
        high = np.where(fits & sure, np.fmin(high, upper), high)
        maybe = fits & ~sure
        some["low_strict"] = np.where(maybe, np.fmax(some["low_strict"], lower), some["low_strict"])
        some["high_strict"] = np.where(maybe, np.fmin(some["high_strict"], upper), some["high_strict"])
        some["low_loose"] = np.where(maybe, np.fmin(some["low_loose"], lower), some["low_loose"])
        some["high_loose"] = np.where(maybe, np.fmax(some["high_loose"], upper), some["high_loose"])
        # A possible limit without that end leaves the end open on the loose side.
        lacking_low |= maybe & np.isnan(lower)
        lacking_high |= maybe & np.isnan(upper)
    # Where the supply is not known and one of them has no limit, none can be failed for certain.
    if len(covered) < SUPPLIES_IN_ALL:
        lacking_low |= unknown
        lacking_high |= unknown
    loose_low = np.where(lacking_low & ~np.isnan(some["low_strict"]), -np.inf, some["low_loose"])
    loose_high = np.where(lacking_high & ~np.isnan(some["high_strict"]), np.inf, some["high_loose"])
    return Applied(
        np.fmax(low, some["low_strict"]),
        np.fmax(low, loose_low),
        np.fmin(high, some["high_strict"]),
        np.fmin(high, loose_high),
    )


def judge_interval(
    lower: np.ndarray, upper: np.ndarray, open_: np.ndarray, state: np.ndarray, applied: Applied
) -> np.ndarray:
    """Verdict code of every test from its reading's ends and the limits. int8 (n,).

    Equal meets a limit. `>5` fails a limit of 5, `≥5` cannot tell, `<5` and `≤5` meet it, `<10` cannot tell.
    """
    high_s, high_l = applied.high_strict, applied.high_loose
    low_s, low_l = applied.low_strict, applied.low_loose
    no_high, no_low = np.isnan(high_s), np.isnan(low_s)
    with np.errstate(invalid="ignore"):
        over = ~no_high & (above(lower, high_l) | (at_least(lower, high_l) & (open_ == OPEN_LOWER)))
        under = ~no_low & (above(low_l, upper) | (at_least(low_l, upper) & (open_ == OPEN_UPPER)))
        meets = (no_high | at_least(high_s, upper)) & (no_low | at_least(lower, low_s))
    verdict = np.where(over | under, FAIL, np.where(meets, PASS, CANNOT_TELL))
    verdict = np.where(state == READ, verdict, np.where(state == UNREADABLE, CANNOT_TELL, NOT_TESTED))
    return np.where(applied.any, verdict, NO_LIMIT).astype(np.int8)
