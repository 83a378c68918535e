"""The chance that a reading lies beyond its limit, with the outlet's own past beside the reading.

What was usual at an outlet says something of what the air can be today; it never changes a verdict. It ranks and
lists findings: a reading close to a limit is no finding where its past makes it unlikely to be beyond.

Source : JCGM 106:2012, clauses on prior information (normal prior and likelihood: the mean weighs each by the inverse
of its variance, which add up; from memory). Prior: median of the older readings; its variance: their scatter between
visits, and half of the variance of the tube or instrument, which readings of one kind have in common (judgement).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd

from grader.columns import NEAR_LIMIT, PARAMETERS, PASS
from grader.decided import BY_CONTENT, BY_LINE_DEW, BY_MARGIN
from grader.frames import normal_below
from grader.review.history import HISTORY, Readings
from grader.review.wear.table import DOUBTFUL, WORSE, Wear
from grader.review.works import stretches

FEWEST = 6  # older readings below which the past says nothing
MOST = 40  # the latest of them that are looked at
LEAST_CHANCE = 0.001  # of the reading alone, below which the past is not asked
MOST_SCATTERS = 2.0  # a reading farther from its past is something new, of which the past says nothing
CHUNK = 20_000
_DECIDES = {"water": BY_CONTENT, "pressure_dew_point": BY_LINE_DEW, "margin": BY_MARGIN}


class Weighed(NamedTuple):
    """Reading and past together: float arrays of one shape."""

    mean: np.ndarray
    deviation: np.ndarray


def weighed(reading, uncertainty, usual, scatter) -> Weighed:
    """Best estimate of the true value from a reading and what was usual, and its standard deviation.

    reading, uncertainty : float arrays, one unit; standard uncertainty over 0.
    usual, scatter       : float arrays. Median of the older readings, and their scatter between visits.
    Source               : normal prior of variance scatter^2 + uncertainty^2 / 2, see the module's text.

    >>> float(weighed(np.array(450.0), np.array(50.0), np.array(430.0), np.array(0.0)).mean.round(1))
    436.7
    """
    of_past, of_reading = scatter**2 + uncertainty**2 / 2, uncertainty**2
    total = 1 / of_past + 1 / of_reading
    return Weighed((usual / of_past + reading / of_reading) / total, np.sqrt(1 / total))


def chances_with_past(tests: pd.DataFrame, read: Readings, wear: Wear) -> dict[str, np.ndarray]:
    """Chance of lying beyond the limit with the outlet's past, by key of the verdict: float (n,), 0 to 1.

    tests   : judged table, n rows. read, wear : its readings, and its sheet Wear.
    Returns : NaN where the reading alone leaves next to no chance, where fewer than FEWEST older readings stand since
              the last work, where the reading lies more than MOST_SCATTERS off its past, where it is no pass or near
              limit, and for the latest test of what Wear calls worse or doubtful.
    """
    found = {p.key: np.full(len(tests), np.nan) for p in PARAMETERS.values() if f"chance_over_{p.key}" in tests}
    plain = read.read & ~read.doubtful & ~read.superseded & (read.lower == read.upper) & np.isfinite(read.lower)
    if not plain.any():
        return found
    verdict_key = np.array([p.verdict_from or p.key for p in HISTORY], dtype=object)[read.parameter]
    alone, u = np.full(len(read.row), np.nan), np.full(len(read.row), np.nan)
    for number, p in enumerate(HISTORY):
        here = np.flatnonzero(read.parameter[read.row] == number)
        at, verdict = read.test[here], p.verdict_from or p.key
        chance = tests[f"chance_over_{verdict}"].to_numpy(dtype=float)[at]
        # Of the figures of the water chain the past of the one that decided is asked.
        by = _DECIDES.get(p.key)
        alone[here] = chance if by is None else np.where(tests["water_by"].to_numpy()[at] == by, chance, np.nan)
        u[here] = tests[f"u_{p.key}"].to_numpy(dtype=float)[at]
    stretch = stretches(tests, read.test, read.day, read.parameter[read.row])
    asked = plain & (alone >= LEAST_CHANCE) & np.isin(read.verdict, (PASS, NEAR_LIMIT)) & (u > 0) & ~_moving(read, wear)
    at = np.flatnonzero(asked)
    entries = np.flatnonzero(plain)
    place = np.full(len(read.row), -1, dtype=np.int64)
    place[entries] = np.arange(len(entries))
    begins = read.row[entries].astype(np.int64) * 10**6 + stretch[entries]
    half_digit = np.array([0.5 * 10.0**-p.decimals for p in HISTORY])
    for low in range(0, len(at), CHUNK):
        part = at[low : low + CHUNK]
        first = np.searchsorted(begins, begins[place[part]])
        back = place[part][:, None] - np.arange(MOST, 0, -1)
        there = back >= first[:, None]
        back = np.maximum(back, 0)
        there &= read.day[entries[back]] < read.day[part][:, None]
        values = np.where(there, read.lower[entries[back]], np.nan)
        usual, scatter = _usual_and_scatter(values, there)
        scatter = np.maximum(scatter, half_digit[read.parameter[read.row[part]]])
        value = read.lower[part]
        near = (there.sum(axis=1) >= FEWEST) & (np.abs(value - usual) <= MOST_SCATTERS * scatter)
        part, value, usual, scatter = part[near], value[near], usual[near], scatter[near]
        mean, deviation = weighed(value, u[part], usual, scatter)
        over = np.where(np.isnan(read.high[part]), 0.0, normal_below((mean - read.high[part]) / deviation))
        under = np.where(np.isnan(read.low[part]), 0.0, normal_below((read.low[part] - mean) / deviation))
        for key in found:
            mine = verdict_key[read.row[part]] == key
            found[key][read.test[part][mine]] = (over + under)[mine]
    return found


def _moving(read: Readings, wear: Wear) -> np.ndarray:
    """Latest entries of what Wear calls worse or doubtful: bool (N,). A margin moves with its dew point."""
    state = np.append(np.isin(wear.table["State"].to_numpy(dtype=object), (WORSE, DOUBTFUL)), False)
    moving = state[wear.of_row]
    dew = read.of_parameter("pressure_dew_point")
    of_outlet = np.zeros(int(read.outlet.max(initial=-1)) + 1, dtype=bool)
    of_outlet[read.outlet[dew & moving]] = True
    moving = moving | (read.of_parameter("margin") & of_outlet[read.outlet])
    last = np.append(read.row[1:] != read.row[:-1], True)[: len(read.row)]
    return last & moving[read.row]


def _usual_and_scatter(values: np.ndarray, there: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Median of each row, and scatter by successive differences: float (m,) each of float (m, T), NaN left out."""
    count = there.sum(axis=1)
    ordered = np.sort(values, axis=1)
    rows = np.arange(len(values))
    one, two = ordered[rows, np.maximum(count - 1, 0) // 2], ordered[rows, np.minimum(count // 2, MOST - 1)]
    # The older readings stand without gaps at the right.
    steps = np.diff(values, axis=1)
    with np.errstate(invalid="ignore"):
        squares = np.nansum(steps**2, axis=1) / (2 * np.maximum(count - 1, 1))
        return (one + two) / 2, np.sqrt(squares)
