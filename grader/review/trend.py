"""The Trend sheet's table: readings of each outlet and parameter by month, and where they are heading.

Slope by Theil-Sen, direction by Kendall's S (grader.review.statistics.slopes and ranks: sources there). What takes part
in slope and date: readings since the last work on the plant whose figure itself is not in doubt.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from grader.columns import FAIL, OPEN_LOWER, OPEN_UPPER, VERDICT_WORDS
from grader.decided import BY_LINE_DEW
from grader.figures import plain
from grader.frames import above, by_unique, table_of, text
from grader.outdoor import outdoor_co2_on
from grader.problems import Problems
from grader.review.history import DOUBTFUL, FIGURE_STANDS, HISTORY, Readings, counting, days, readings
from grader.review.shown import column, limit_cells, shown
from grader.review.statistics.pairs import LONGEST_SERIES, series_lengths
from grader.review.statistics.ranks import kendall
from grader.review.statistics.slopes import theil_sen
from grader.review.wear.table import Wear, wear_table
from grader.review.works import last_work
from grader.words import words

SIGNIFICANT = 0.05  # issue: two-sided p below it is a trend
FEWEST_READINGS = 5
DAYS_PER_YEAR = 365.2425


@dataclass
class Trend:
    """table: one row an outlet and parameter. colours: the verdict word of each month cell, rows as in table.

    sparkline : headings (of the column that shows them, of the first and last month), None without a month.
    """

    table: pd.DataFrame
    colours: pd.DataFrame
    sparkline: tuple[str, str, str] | None


@dataclass
class _Course:
    """What the readings since the last work say, per row: float (k,) but where it says otherwise."""

    used: np.ndarray  # bool (N,), entries that take part
    count: np.ndarray  # int (k,)
    slope: np.ndarray
    slope_low: np.ndarray
    slope_high: np.ndarray
    p: np.ndarray
    enough: np.ndarray  # bool (k,)
    moves: np.ndarray  # int (k,): 1 rising, -1 falling, 0 neither


def trend_table(
    tests: pd.DataFrame,
    problems: Problems,
    *,
    as_of: object,
    language: str = "en",
    read: Readings | None = None,
    wear: Wear | None = None,
) -> Trend:
    """The Trend table; see the design for its columns.

    tests   : judged table, n rows. as_of : date of the run.
    read    : the readings of the same tests that count. wear : their sheet Wear, whose dates are shown. None works
              them out.
    Returns : Trend. One row an outlet and parameter with any reading, the most urgent first, then by site, outlet
              (natural order) and parameter.

    Rising and falling are directions of the number. `Limit` is the latest; the dew point's is the one it was
    judged by or, where the margin was judged, the coldest place of use seen less the margin. The margin gets
    no date. Work done (on the Visit sheet, so for the whole site; for a system where only some rows of the
    visit carry it; for an outlet without a system) cuts the series of what its words touch: readings of that
    visit's first day or later count.
    """
    counts = counting(tests)
    read = readings(tests, counts) if read is None else read
    months = days(tests)[counts].astype("datetime64[M]")
    cells, colours = _months(read, np.unique(months))
    cut = last_work(tests, read.test, read.parameter[read.row])
    course = _course(read, cut)
    _too_long(tests, read, course, problems)
    towards, over = _against_limit(read, course)
    between = np.isnan(course.slope)
    adjusted, explained = _outdoor_taken_off(read, course)
    wear = wear if wear is not None else wear_table(tests, read, as_of=as_of, language=language)
    dates = _dates_of(wear)
    frame: dict[str, np.ndarray] = {
        "Site": read.outlets.site[read.outlet],
        "Outlet": read.outlets.outlet[read.outlet],
        "Parameter": _of_parameter(read, "name"),
        "Unit": _of_parameter(read, "unit"),
        "Limit": column(limit_cells(read.limit_low, read.limit_high)),
        "Slope per year": course.slope,
        "Trend": np.select(
            [read.latest_doubtful(), ~course.enough, course.moves > 0, course.moves < 0],
            [DOUBTFUL, "too few visits", "rising", "falling"],
            "steady",
        ).astype(object),
        "Reaches limit on": dates["Reaches limit on"],
        **cells,
        "Course": _not_drawn(cells, words(language)["trend"], len(read.outlet)),
        "Earliest date": dates["Earliest date"],
        "Latest date": dates["Latest date"],
        "Direction against limit": np.select([towards, _away(read, course, towards)], ["towards", "away"], "").astype(
            object
        ),
        "p value": np.where(course.enough, course.p, np.nan),
        "Readings in slope": course.count,
        "Slope at least": np.where(between & np.isfinite(course.slope_low), course.slope_low, np.nan),
        "Slope at most": np.where(between & np.isfinite(course.slope_high), course.slope_high, np.nan),
        "Slope with outdoor air taken off": adjusted,
        "Limit changed": _limit_changed(read),
        "Retest after fail": _retests(tests, read),
        "Since work done on": _cut_shown(read, course, cut),
        "Note": _notes(tests, read, towards, over, explained, language),
        "Client": read.outlets.client[read.outlet],
        "System": read.outlets.system[read.outlet],
    }
    order = _urgent_first(wear, dates["Reaches limit on"], towards)
    tinted = pd.DataFrame(colours, index=range(len(order)), copy=False).iloc[order].reset_index(drop=True)
    return Trend(table_of(frame, order), tinted, ("Course", min(cells), max(cells)) if cells else None)


def _not_drawn(cells: Mapping[str, np.ndarray], w: Mapping[str, str], rows: int) -> np.ndarray:
    """Why a row has no line: programs draw a text as nought, so a row with a bound or a doubtful reading has none."""
    doubtful, bound = np.zeros(rows, dtype=bool), np.zeros(rows, dtype=bool)
    for month in (m for m in cells.values() if m.dtype.kind == "O"):
        doubtful |= month == DOUBTFUL
        bound |= np.array([isinstance(value, str) for value in month], dtype=bool)
    reason = np.full(rows, None, dtype=object)
    reason[bound] = w["bound_not_drawn"]
    reason[doubtful] = w["doubtful_not_drawn"]
    return reason


def _dates_of(wear: Wear) -> dict[str, np.ndarray]:
    """The dates that the sheet Wear gives for each row's system (flow and pressure: outlet): datetime64[s] (k,)."""
    found = {}
    for name in ("Reaches limit on", "Earliest date", "Latest date"):
        there = np.append(wear.table[name].to_numpy().astype("datetime64[s]"), np.datetime64("NaT"))
        found[name] = there[wear.of_row]
    return found


def _urgent_first(wear: Wear, reaches: np.ndarray, towards: np.ndarray) -> np.ndarray:
    """Rows with a date first, the soonest first; then those that wear out, that are worse, that head for the limit."""
    finding = np.append(wear.finding, False)[wear.of_row]
    worse = np.append(wear.table["State"].to_numpy() == "worse", False)[wear.of_row]
    day = np.where(np.isnat(reaches), np.iinfo(np.int64).max, reaches.astype(np.int64))
    return np.lexsort((np.arange(len(day)), ~towards, ~worse, ~finding, day))


def _of_parameter(read: Readings, attribute: str) -> np.ndarray:
    return np.array([getattr(p, attribute) for p in HISTORY], dtype=object)[read.parameter]


def _months(read: Readings, months: np.ndarray) -> tuple[dict[str, np.ndarray], dict[str, pd.Categorical]]:
    """Cells and verdict words (k,) under each of m headings: of each row and month the worst reading; "" where none.

    A cell that could not be read, or a fail without a figure, shows its verdict's word; a month with nothing but
    readings that prove nothing says `doubtful`.
    """
    shape = (len(read.outlet), len(months))
    cells, colours = np.full(shape, None, dtype=object), np.zeros(shape, dtype=np.int8)
    month = np.searchsorted(months, read.day.astype("datetime64[M]"))
    group = read.row.astype(np.int64) * max(len(months), 1) + month
    first = read.worst_first(group)
    first = first[np.append(True, group[first][1:] != group[first][:-1])] if len(first) else first
    at = (read.row[first], month[first])
    word = np.array(VERDICT_WORDS, dtype=object)[read.verdict[first]]
    value = np.where(read.read[first] & read.doubtful[first], DOUBTFUL, word).astype(object)
    for number, parameter in enumerate(HISTORY):
        here = read.read[first] & ~read.doubtful[first] & (read.parameter[read.row[first]] == number)
        pick = first[here]
        value[here] = shown(read.lower[pick], read.upper[pick], read.open[pick], parameter)
    cells[at], colours[at] = value, 1 + read.verdict[first]
    headings, words_of = [str(m) for m in months], pd.CategoricalDtype(["", *VERDICT_WORDS])
    return (
        {h: column(cells[:, i]) for i, h in enumerate(headings)},
        {h: pd.Categorical.from_codes(colours[:, i], dtype=words_of) for i, h in enumerate(headings)},
    )


def _course(read: Readings, cut: np.ndarray) -> _Course:
    k = len(read.outlet)
    after = np.isnat(cut) | (read.day > cut) | ((read.day == cut) & ~read.superseded)
    # A dew point of perfectly dry air is minus infinity: no slope leads there.
    figure = (read.lower < np.inf) & (read.upper > -np.inf)
    used = read.read & ~read.doubtful & FIGURE_STANDS[read.doubt] & after & figure
    series, years = read.row[used], _years(read.day[used])
    lower, upper, open_ = read.lower[used], read.upper[used], read.open[used]
    slopes = theil_sen(series, years, lower, upper, k)
    ranked = kendall(series, lower, upper, open_ == OPEN_LOWER, open_ == OPEN_UPPER, years, k)
    count = series_lengths(series, k)
    enough = (count >= FEWEST_READINGS) & ~np.isnan(ranked.p)
    with np.errstate(invalid="ignore"):
        moves = np.where(enough & (ranked.p < SIGNIFICANT), np.sign(ranked.s), 0).astype(int)
    return _Course(used, count, slopes.slope, slopes.slope_lower, slopes.slope_upper, ranked.p, enough, moves)


def _years(day: np.ndarray) -> np.ndarray:
    """Decimal years since 2000-01-01."""
    return (day - np.datetime64("2000-01-01")).astype(np.int64) / DAYS_PER_YEAR


def _intercepts(read: Readings, used: np.ndarray, slope: np.ndarray) -> np.ndarray:
    """Median over the row's plain readings of reading - slope * time, at 2000-01-01: float (k,)."""
    take = np.flatnonzero(used & (read.lower == read.upper))
    take = take[np.isfinite(slope[read.row[take]])]
    row = read.row[take]
    rest = read.lower[take] - slope[row] * _years(read.day[take])
    rest = rest[np.lexsort((rest, row))]
    count = np.bincount(row, minlength=len(slope))
    start = np.cumsum(count) - count
    some = count > 0
    out = np.full(len(slope), np.nan)
    one, two = start[some] + (count[some] - 1) // 2, start[some] + count[some] // 2
    out[some] = rest[one] / 2 + rest[two] / 2
    return out


def _last_used(read: Readings, used: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Of each row's last entry that takes part: its decimal year, lower end and upper end; NaN where none."""
    year, lower, upper = (np.full(len(read.outlet), np.nan) for _ in range(3))
    row = read.row[used]
    year[row], lower[row], upper[row] = _years(read.day[used]), read.lower[used], read.upper[used]
    return year, lower, upper


def _against_limit(read: Readings, course: _Course) -> tuple[np.ndarray, np.ndarray]:
    """Whether a row heads for a limit, and whether reading or line is beyond one already: bool (k,)."""
    year, lower, upper = _last_used(read, course.used)
    line = _intercepts(read, course.used, course.slope) + course.slope * year
    too_high = above(lower, read.limit_high) | above(line, read.limit_high)
    too_low = above(read.limit_low, upper) | above(read.limit_low, line)
    # Moving back towards the band from beyond its other end is getting better.
    rises = (course.moves > 0) & ~np.isnan(read.limit_high) & ~too_low
    falls = (course.moves < 0) & ~np.isnan(read.limit_low) & ~too_high
    return rises | falls, too_high | too_low


def _away(read: Readings, course: _Course, towards: np.ndarray) -> np.ndarray:
    limited = ~np.isnan(read.limit_low) | ~np.isnan(read.limit_high)
    return (course.moves != 0) & limited & ~towards


def _outdoor_taken_off(read: Readings, course: _Course) -> tuple[np.ndarray, np.ndarray]:
    """Slope of carbon dioxide less outdoor air, float (k,), and whether no trend is left then, bool (k,)."""
    k = len(read.outlet)
    co2 = read.of_parameter("co2")
    take = np.flatnonzero(course.used & co2[read.row])
    outdoor = outdoor_co2_on(read.day[take])
    series, years = read.row[take], _years(read.day[take])
    lower, upper, open_ = read.lower[take] - outdoor, read.upper[take] - outdoor, read.open[take]
    slope = theil_sen(series, years, lower, upper, k).slope
    ranked = kendall(series, lower, upper, open_ == OPEN_LOWER, open_ == OPEN_UPPER, years, k)
    with np.errstate(invalid="ignore"):
        explained = co2 & (course.moves > 0) & ~((ranked.p < SIGNIFICANT) & (ranked.s > 0))
    return slope, explained


def _limit_changed(read: Readings) -> np.ndarray:
    """Text (k,): the limit before the latest, and the last month in which it held: `10 until 2024-03`."""
    out = np.full(len(read.outlet), "", dtype=object)
    some = np.flatnonzero(~(np.isnan(read.low) & np.isnan(read.high)))
    row, low, high = read.row[some], read.low[some], read.high[some]

    def differs(a: np.ndarray, b: np.ndarray) -> np.ndarray:
        return (above(a, b) | above(b, a)) | (np.isnan(a) != np.isnan(b))

    other = differs(low, read.limit_low[row]) | differs(high, read.limit_high[row])
    last_other = np.full(len(out), -1, dtype=np.int64)
    last_other[row[other]] = np.flatnonzero(other)
    rows = np.flatnonzero(last_other >= 0)
    at = last_other[rows]
    was = by_unique(limit_cells(low[at], high[at]), lambda v: v if isinstance(v, str) else plain(v))
    out[rows] = was + " until " + _month_text(read.day[some][at])
    return out


def _month_text(day: np.ndarray) -> np.ndarray:
    return day.astype("datetime64[M]").astype(str).astype(object)


def _retests(tests: pd.DataFrame, read: Readings) -> np.ndarray:
    """Text (k,): the months in which a retest followed a fail of that parameter, `2025-04, 2026-01`."""
    out = np.full(len(read.outlet), "", dtype=object)
    if len(read.row) < 2:
        return out
    follows = np.append(False, (read.row[1:] == read.row[:-1]) & (read.verdict[:-1] == FAIL))
    found = np.flatnonzero(follows & (text(tests, "visit_reason")[read.test] == "retest"))
    if len(found):
        joined = (
            pd.Series(_month_text(read.day[found])).groupby(read.row[found]).agg(lambda m: ", ".join(dict.fromkeys(m)))
        )
        out[joined.index.to_numpy()] = joined.to_numpy(dtype=object)
    return out


def _cut_shown(read: Readings, course: _Course, cut: np.ndarray) -> np.ndarray:
    """The day from which readings count, where earlier ones of the row were cut off: datetime64[s] (k,)."""
    out = np.full(len(read.outlet), np.datetime64("NaT"), dtype="datetime64[D]")
    before = read.read & ~np.isnat(cut) & ((read.day < cut) | ((read.day == cut) & read.superseded))
    out[read.row[before]] = cut[before]
    return out.astype("datetime64[s]")


def _too_long(tests: pd.DataFrame, read: Readings, course: _Course, problems: Problems) -> None:
    long = np.flatnonzero(course.count > LONGEST_SERIES)
    last = read.outlets.last[np.unique(read.outlet[long])]
    problems.add_tests(
        "series_too_long",
        tests.index.to_numpy()[last],
        "outlet",
        text(tests, "outlet")[last].tolist(),
        most=LONGEST_SERIES,
    )


def _notes(
    tests: pd.DataFrame, read: Readings, towards: np.ndarray, over: np.ndarray, explained: np.ndarray, language: str
) -> np.ndarray:
    w = words(language)["trend"]
    doubted = np.zeros(len(read.outlet), dtype=bool)
    doubted[read.row[read.read & (read.doubtful | ~FIGURE_STANDS[read.doubt])]] = True
    margin, dew = read.of_parameter("margin"), read.of_parameter("pressure_dew_point")
    by_cold = np.zeros(len(read.outlet), dtype=bool)
    limited = np.flatnonzero(dew[read.row] & ~np.isnan(read.high))
    by_cold[read.row[limited]] = tests["water_by"].to_numpy()[read.test[limited]] != BY_LINE_DEW
    kinds = (
        (w["over"], towards & over),
        (w["no_date_margin"], towards & margin & ~over),
        (w["outdoor"], explained),
        (w["doubted"], doubted),
        (w["coldest"], by_cold),
    )
    note = np.full(len(read.outlet), "", dtype=object)
    for sentence, where in kinds:
        note[where] = np.where(note[where] == "", sentence, note[where] + " " + sentence)
    return note
