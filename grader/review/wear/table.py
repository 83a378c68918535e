"""The sheet Wear: what is different lately from what was usual at a system, and how long it will last.

A change is counted in the series' own usual scatter and weighed towards the latest visits (review/statistics/wear,
sources there). The thresholds (data/wear_thresholds.csv) depend on how many older visits say what is usual, and on
nothing else: no other site, and no number of comparisons.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from functools import cache
from io import StringIO
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from grader.columns import OPEN_LOWER, OPEN_NONE, OPEN_UPPER
from grader.data import load_toml, read_text
from grader.frames import above, table_of, text
from grader.review.equipment import read_off
from grader.review.history import HISTORY, Readings, as_day, months_after, readings
from grader.review.shown import column, limit_cells, shown
from grader.review.statistics.wear import (
    Change,
    change,
    growth_crossing,
    latest_stretch,
    line_crossing,
    recent_readings,
)
from grader.review.wear.dryers import Dryers, dryer_signs
from grader.review.wear.series import Series, all_series
from grader.review.wear.shared import LotReadings, lot_offsets, lot_readings, middle_of, outdoor_air, seasons, years_of
from grader.review.works import stretches
from grader.words import words

WORSE, BETTER, STEADY, TOO_FEW, DOUBTFUL = "worse", "better", "steady", "too few visits", "doubtful"
STATES = (WORSE, DOUBTFUL, BETTER, STEADY, TOO_FEW)
DAYS_PER_YEAR = 365.2425


class Wear(NamedTuple):
    """The sheet's table of m rows, the most urgent first, and what other sheets need of it.

    table    : columns SHEETS["Wear"] and further ones.
    finding  : bool (m,), wearing out without a failed limit: stands on Actions and on the Summary.
    sign     : object (m,), which of the rules for dryers speaks (a key of words [wear]), "" for none.
    side     : int (m,), 1 where the figure gets worse upwards, -1 downwards.
    quickens : bool (m,), the date is that of growth ever faster, not of a straight line.
    last     : int (m,), position of the last test of the series.
    off      : object (m,), the instrument of that test where its own offset looks like wear, "" for none.
    of_row   : int (k,), row of this table for each row of Readings, -1 for none.
    """

    table: pd.DataFrame
    finding: np.ndarray
    sign: np.ndarray
    side: np.ndarray
    quickens: np.ndarray
    last: np.ndarray
    off: np.ndarray
    of_row: np.ndarray


@cache
def thresholds() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Older visits, and the weighted change in scatters from which a row is worse and from which it is wearing out."""
    lines = StringIO(read_text("wear_thresholds.csv"))
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    return tuple(np.array([float(r[name]) for r in rows]) for name in ("older", "worse", "wearing_out"))  # type: ignore[return-value]


class _State(NamedTuple):
    """What one fit says of k series."""

    change: Change
    side: np.ndarray  # int: 1 the figure is worse above usual, -1 below
    weighed: np.ndarray  # float, certain weighted change towards worse, in scatters
    gained: np.ndarray  # the same towards better
    worse: np.ndarray  # bool
    block: np.ndarray  # bool: surely enough for the block of the Summary
    better: np.ndarray


class _Fitted(NamedTuple):
    """Every series with what all plants share taken off, and how its readings stand to what is usual for it."""

    series: Series
    stretch: np.ndarray
    season_known: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    plain: _State
    departure: np.ndarray


def _fitted(tests: pd.DataFrame, read: Readings, data: Mapping[str, Any]) -> _Fitted:
    series = all_series(tests, read)
    stretch = stretches(tests, series.tests, series.day, series.parameter[series.row])
    season, season_known = seasons(series, stretch, data)
    shared = outdoor_air(series) + season
    lower, upper = series.lower - shared, series.upper - shared
    plain = _state(series, stretch, lower, upper, data)
    with np.errstate(invalid="ignore"):
        departure = middle_of(lower, upper) - middle_of(plain.change.usual_low, plain.change.usual_high)[series.row]
    return _Fitted(series, stretch, season_known, lower, upper, plain, departure)


def lots_of(tests: pd.DataFrame) -> LotReadings:
    """What the readings of other sites say of tube lots. tests : judged table of those sites."""
    found = _fitted(tests, readings(tests), load_toml("wear.toml"))
    return lot_readings(found.series, found.departure)[1]


def wear_table(
    tests: pd.DataFrame,
    read: Readings,
    *,
    as_of: object,
    language: str = "en",
    elsewhere: LotReadings | None = None,
    odd: pd.DataFrame | None = None,
) -> Wear:
    """The Wear table; see the design for its columns.

    tests : judged table, n rows. read : its readings. as_of : date of the run.
    elsewhere : what sites that have no rows here say of the lots that were used here.
    odd : the table Oddities, whose instruments are named where their offset looks like wear.
    """
    data = load_toml("wear.toml")
    fitted = _fitted(tests, read, data)
    k_series, stretch, season_known = fitted.series, fitted.stretch, fitted.season_known
    lower, upper, plain = fitted.lower, fitted.upper, fitted.plain
    k = len(k_series.parameter)
    lots = lot_offsets(k_series, fitted.departure, data, elsewhere)
    without = _state(k_series, stretch, lower - lots.added, upper - lots.added, data)
    by_lot = without.worse & ~plain.worse
    signs = dryer_signs(tests, k_series, stretch, plain.change, data)
    chosen = _chosen(plain, without, by_lot)
    few = chosen.change.older < data["fewest_older"]
    worse = (chosen.worse & ~few) | signs.changed
    state = np.select(
        [k_series.doubtful, worse, few, chosen.better & ~without.worse], [DOUBTFUL, WORSE, TOO_FEW, BETTER], STEADY
    ).astype(object)
    limit = np.where(chosen.side > 0, k_series.limit_high, k_series.limit_low)
    with np.errstate(invalid="ignore"):
        beyond = np.where(chosen.side > 0, above(chosen.change.now_low, limit), above(limit, chosen.change.now_high))
    finding = ((state == WORSE) & chosen.block & ~few | signs.any) & ~k_series.failing & ~beyond & ~k_series.doubtful
    dated = ((state == WORSE) | finding) & ~beyond & ~k_series.failing & ~np.isnan(limit)
    dates = _dates(k_series, stretch, lower, upper, chosen.change, np.where(dated, limit, np.nan), as_day(as_of), data)
    since = _since(k_series, stretch, chosen, state)
    off = np.full(k, "", dtype=object)
    if odd is not None:
        off = np.where(state == WORSE, read_off(tests, k_series.last, k_series.of("name"), chosen.side, odd), off)
    notes = _notes(
        k_series,
        language,
        signs,
        by_lot,
        lots.known,
        season_known,
        beyond & (state == WORSE),
        dates,
        as_day(as_of).astype("datetime64[s]"),
        off,
    )
    frame = _frame(k_series, stretch, chosen, state, limit_cells(k_series.limit_low, k_series.limit_high), dates, since)
    frame["Wearing out"] = np.where(finding, "yes", "").astype(object)
    frame["Note"] = notes
    frame["Client"] = k_series.client
    frame["Dryer"] = text(tests, "dryer")[k_series.last]
    frame["Last test"] = tests["test_day"].to_numpy()[k_series.last]
    order = _urgent_first(state, finding, dates.best, np.where(state == WORSE, chosen.weighed, 0.0))
    place = np.zeros(k, dtype=np.int64)
    place[order] = np.arange(k)
    of_row = np.full(len(read.outlet), -1, dtype=np.int64)
    taken = k_series.of_entry >= 0
    of_row[read.row[taken]] = place[k_series.of_entry[taken]]
    return Wear(
        table_of(frame, order),
        finding[order],
        signs.name[order],
        chosen.side[order],
        dates.quickens[order],
        k_series.last[order],
        off[order],
        of_row,
    )


def _state(
    series: Series, stretch: np.ndarray, lower: np.ndarray, upper: np.ndarray, data: Mapping[str, Any]
) -> _State:
    k = len(series.parameter)
    per_series = np.maximum(np.bincount(series.row, minlength=k), 1)
    stated = np.sqrt(np.bincount(series.row, weights=series.uncertainty**2, minlength=k) / per_series)
    half_digit = np.array([0.5 * 10.0**-p.decimals for p in HISTORY])[series.parameter]
    found = change(
        series.row,
        stretch,
        lower,
        upper,
        np.maximum(stated, half_digit),
        k,
        weight=data["weight"],
        slack=data["slack"],
        recent=lambda n: recent_readings(n, data["recent_fewest"], data["recent_most"], data["recent_share"]),
    )
    side = _side(series, found)
    weighed, gained = np.where(side > 0, found.up, found.down), np.where(side > 0, found.down, found.up)
    older, worse_from, block_from = thresholds()
    room = np.where(side > 0, series.limit_high - found.usual_high, found.usual_low - series.limit_low)
    with np.errstate(invalid="ignore", divide="ignore"):
        way = np.where(room > 0, weighed * found.scatter / room, np.nan)
        near = weighed > data["way_least"]
        threshold, surely = np.interp(found.older, older, worse_from), np.interp(found.older, older, block_from)
        worse = (weighed > threshold) | (near & (way > data["way_worse"]))
        block = ((weighed > surely) & (way > data["way_sure"])) | (near & (way > data["way_wearing_out"]))
        return _State(found, side, weighed, gained, worse, worse & block, gained > threshold)


def _side(series: Series, found: Change) -> np.ndarray:
    """Which way the figure gets worse: 1 up, -1 down. With limits on both sides the way that leaves less room."""
    direction = series.of("direction")
    with np.errstate(invalid="ignore"):
        rises = found.up >= found.down
        now = np.where(rises, found.now_low, found.now_high)
        usual = np.where(rises, found.usual_high, found.usual_low)
        room_now, room_usual = (np.fmin(series.limit_high - x, x - series.limit_low) for x in (now, usual))
        nearer = ~(room_now > room_usual)
    of_both = np.where(rises == nearer, 1, -1)
    return np.select([direction == "high", direction == "low"], [1, -1], of_both)


def _chosen(plain: _State, without: _State, by_lot: np.ndarray) -> _State:
    """The worse of with and without the lots' offsets, series by series."""

    def pick(a: np.ndarray, b: np.ndarray) -> np.ndarray:
        return np.where(by_lot, b, a)

    return _State(
        Change(*map(pick, plain.change, without.change)),
        *(
            pick(getattr(plain, n), getattr(without, n))
            for n in ("side", "weighed", "gained", "worse", "block", "better")
        ),
    )


def _since(series: Series, stretch: np.ndarray, chosen: _State, state: np.ndarray) -> np.ndarray:
    """Day of the first visit that shows the change: datetime64[s] (k,)."""
    window = latest_stretch(series.row, stretch, len(state))
    since = np.full(len(state), np.datetime64("NaT"), dtype="datetime64[D]")
    towards_worse = state == WORSE
    up = np.where(towards_worse, chosen.side, -chosen.side) > 0
    visits = np.where(up, chosen.change.shown_up, chosen.change.shown_down)
    rows = np.flatnonzero(np.isin(state, (WORSE, BETTER)) & (visits > 0))
    since[rows] = series.day[window.at[rows, window.at.shape[1] - visits[rows]]]
    return since.astype("datetime64[s]")


class _Dates(NamedTuple):
    """When k series reach their limit: datetime64[s] (k,), NaT for no date."""

    best: np.ndarray
    earliest: np.ndarray
    latest: np.ndarray
    quickens: np.ndarray  # bool: by growth that quickens, well before a straight line would


def _dates(
    series: Series,
    stretch: np.ndarray,
    lower: np.ndarray,
    upper: np.ndarray,
    found: Change,
    limit: np.ndarray,
    as_of: np.datetime64,
    data: Mapping[str, Any],
) -> _Dates:
    """When the recent lines or the whole one meet the limit, the earliest, or quickening growth well before; the interval.

    limit : float (k,), NaN where no date is wanted.
    """
    k = len(limit)
    window = latest_stretch(series.row, stretch, k)
    rows = np.flatnonzero(~np.isnan(limit))
    at = window.at[rows]
    there = at >= 0
    values = np.where(there, np.append(middle_of(lower, upper), np.nan)[at], np.nan)
    times = np.where(there, np.append(years_of(series.day), np.nan)[at], np.nan)
    last = np.full(k, np.nan)
    last[series.row] = years_of(series.day)
    last = last[rows]
    # Wear that bends shows first in the last few visits, slow wear in all of them.
    lines = [
        line_crossing(times[:, -visits:], values[:, -visits:], limit[rows])
        for visits in (data["line_visits"], data["short_line_visits"], times.shape[1])
    ]
    growth = growth_crossing(
        times,
        values,
        limit[rows],
        found.scatter[rows] * data["growth_scatter"],
        bends=dict(zip(data["bend_exponents"], data["bend_weights"], strict=True)),
        early=data["growth_early"],
        late=data["growth_late"],
    )
    end = years_of(months_after(np.array([as_of]), 12 * data["years_ahead"]))[0]
    with np.errstate(invalid="ignore"):
        # A line may have met the limit before the last reading, which was within it.
        straight = np.maximum(np.fmin.reduce(lines), last)
        quickens = (straight - growth.middle) * DAYS_PER_YEAR > data["quickening_days"]
        best = np.where(quickens, growth.middle, straight)
        best = np.where(best <= end, best, np.nan)
        earliest = np.where(growth.earliest < best, growth.earliest, best)
        latest = np.where(growth.latest > best, growth.latest, best)
        latest = np.where(latest <= end, latest, np.nan)
    dates = np.full((3, k), np.nan)
    dates[:, rows] = best, earliest, latest
    sooner = np.zeros(k, dtype=bool)
    sooner[rows] = quickens
    return _Dates(_day_of(dates[0]), _day_of(dates[1]), _day_of(dates[2]), sooner & ~np.isnan(dates[0]))


def _day_of(years: np.ndarray) -> np.ndarray:
    """datetime64[s] of decimal years since 2000, the day before rather than after; NaT for NaN."""
    good = np.isfinite(years)
    day = np.full(len(years), np.datetime64("NaT"), dtype="datetime64[D]")
    day[good] = np.datetime64("2000-01-01") + np.floor(years[good] * DAYS_PER_YEAR).astype(np.int64)
    return day.astype("datetime64[s]")


def _cells(series: Series, lower: np.ndarray, upper: np.ndarray) -> np.ndarray:
    """Figures of k series as cells, rounded as their parameter is: object (k,)."""
    out = np.full(len(lower), None, dtype=object)
    for number, p in enumerate(HISTORY):
        here = np.flatnonzero(series.parameter == number)
        # One digit more than a reading has: a mean or median of several.
        low, high = (np.round(x[here], p.decimals + 1) + 0.0 for x in (lower, upper))
        low = np.where(np.isneginf(low) & np.isnan(high), np.nan, low)
        open_ = np.where(np.isinf(high), OPEN_LOWER, np.where(low < high, OPEN_UPPER, OPEN_NONE))
        out[here] = shown(low, high, open_, p)
    return out


def _frame(
    series: Series,
    stretch: np.ndarray,
    chosen: _State,
    state: np.ndarray,
    limit: np.ndarray,
    dates: _Dates,
    since: np.ndarray,
) -> dict[str, np.ndarray]:
    c = chosen.change
    with np.errstate(invalid="ignore"):
        rise, fall = c.now_low - c.usual_high, c.now_high - c.usual_low
        certain = np.where(rise > 0, rise, np.where(fall < 0, fall, 0.0))
    certain = np.where(np.isnan(rise) | np.isnan(fall), np.nan, certain)
    older, worse_from, _ = thresholds()
    digits = np.array([p.decimals + 1 for p in HISTORY])[series.parameter]
    window = latest_stretch(series.row, stretch, len(state))
    first = np.full(len(state), -1, dtype=np.int64)
    first[series.row[::-1]] = np.arange(len(series.row))[::-1]
    shorter = window.size > 0
    if shorter.any():
        shorter &= window.at[np.arange(len(state)), -window.size] != first
    began = np.full(len(state), np.datetime64("NaT"), dtype="datetime64[s]")
    rows = np.flatnonzero(shorter)
    began[rows] = series.day[window.at[rows, -window.size[rows]]].astype("datetime64[s]")
    return {
        "Site": series.site,
        "System": series.system,
        "Outlet": series.outlet,
        "Parameter": series.of("name"),
        "Unit": series.of("unit"),
        "Usual": column(_cells(series, c.usual_low, c.usual_high)),
        "Now": column(_cells(series, c.now_low, c.now_high)),
        "Change": np.array([round(v, int(d)) for v, d in zip(certain, digits)], dtype=float),
        "Change in usual scatter": np.round(certain / c.scatter, 2),
        "Since": since,
        "State": state,
        "Limit": column(limit),
        "Reaches limit on": dates.best,
        "Earliest date": dates.earliest,
        "Latest date": dates.latest,
        "Readings": window.size,
        "Usual scatter": np.array([round(v, int(d) + 1) for v, d in zip(c.scatter, digits)], dtype=float),
        "Older readings": c.older,
        "Weighed change": np.round(chosen.weighed, 2),
        "Worse from": np.round(np.interp(c.older, older, worse_from), 2),
        "Since work done on": began,
    }


def _notes(
    series: Series,
    language: str,
    signs: Dryers,
    by_lot: np.ndarray,
    lot_known: np.ndarray,
    season_known: np.ndarray,
    beyond: np.ndarray,
    dates: _Dates,
    as_of: np.datetime64,
    off: np.ndarray,
) -> np.ndarray:
    w = words(language)["wear"]
    k = len(series.parameter)
    note = np.full(k, "", dtype=object)
    lot = np.full(k, "", dtype=object)
    lot[series.row[lot_known]] = series.lot[lot_known]
    key = np.array([p.key for p in HISTORY], dtype=object)[series.parameter]
    dew = key == "pressure_dew_point"
    for name in dict.fromkeys(signs.name[signs.name != ""]):
        note[signs.name == name] = w[name]
    named = np.array([w["lot"].format(lot=name) for name in lot], dtype=object)
    instruments = np.array([w["instrument_off"].format(name=name) for name in off], dtype=object)
    for where, sentence in (
        (beyond, w["beyond"]),
        (~np.isnat(dates.best) & ~dates.quickens, w["holds"].format(way=w["straight"])),
        (dates.quickens, w["holds"].format(way=w["quickening"])),
        (dates.best < as_of, w["met_since"]),
        (by_lot, named),
        (off != "", instruments),
        (dew & season_known, w["season"]),
        (dew & ~season_known, w["season_not_known"]),
        (key == "co2", w["outdoor"]),
    ):
        sentences = np.broadcast_to(np.asarray(sentence, dtype=object), (k,))
        note[where] = [f"{a} {b}".strip() for a, b in zip(note[where], sentences[where])]
    return note


def _urgent_first(state: np.ndarray, finding: np.ndarray, reaches: np.ndarray, weighed: np.ndarray) -> np.ndarray:
    rank = np.array([STATES.index(s) for s in state], dtype=np.int64)
    day = np.where(np.isnat(reaches), np.iinfo(np.int64).max, reaches.astype(np.int64))
    return np.lexsort((np.arange(len(state)), -np.nan_to_num(weighed), day, ~finding, rank))
