"""Charts of one site, outlet by outlet: margin and gases against their limits over time, and the figures behind."""

from __future__ import annotations

from collections.abc import Mapping
from difflib import get_close_matches
from typing import Any

import numpy as np
import pandas as pd

from grader.columns import PARAMETERS
from grader.figures import plain
from grader.page import Block, Page
from grader.problems import GraderError
from grader.review.history import DOUBTFUL, HISTORY, Readings, readings
from grader.review.shown import column, shown
from grader.words import words

SHEET, DATA_SHEET = "Charts", "Chart data"
MOST_OUTLETS = 40  # each has up to six charts; more make a workbook slow to open
# What is drawn for an outlet, in this order; water only where the outlet is not judged by a margin.
DRAWN = tuple(p.key for p in sorted(PARAMETERS.values(), key=lambda p: p.chart) if p.chart)
LABELS_ACROSS = 4  # months named below a chart
SMALL_PT = 8


def site_charts(tests: pd.DataFrame, site: str, language: str = "en") -> tuple[pd.DataFrame, Page]:
    """The figures (sheet Chart data) and the page of charts over them (sheet Charts).

    tests   : judged table. site : its name, case does not matter.
    Returns : (frame, page). One row a reading that counts in history: a plain reading as it is drawn, or of a
              bound the figure that it names (of `>60` the 60), drawn as a mark of its own and never joined up, of a
              doubtful one either with a mark that says so, and the limits of that test, blank where there are none.
    Raises  : GraderError where no such site was read; it names those like it.
    """
    every = words(language)
    w = {**every["charts"], **{p.name: every["parameter"][p.key] for p in PARAMETERS.values()}}
    read = readings(tests)
    sites = read.outlets.site
    wanted = np.array([str(s).casefold() == site.strip().casefold() for s in sites], dtype=bool)
    if not wanted.any():
        raise GraderError(_unknown(site, sorted({str(s) for s in sites}), w))
    chosen = np.flatnonzero(wanted)
    frame, spans = _figures(read, chosen[:MOST_OUTLETS])
    blocks = []
    for outlet in chosen[:MOST_OUTLETS]:
        if charts := [_chart(frame, span, w) for span in spans.get(int(outlet), [])]:
            name, system = read.outlets.outlet[outlet], read.outlets.system[outlet]
            heading = w["outlet"].format(outlet=name, system=system) if system else str(name)
            blocks.append(Block("charts", heading=heading, chart={"charts": charts}))
    notes = [w["how"]]
    if len(chosen) > MOST_OUTLETS:
        left = ", ".join(str(read.outlets.outlet[o]) for o in chosen[MOST_OUTLETS:])
        notes.append(w["left_out"].format(most=MOST_OUTLETS, count=len(chosen) - MOST_OUTLETS, names=left))
    return frame, Page(w["title"].format(site=sites[chosen[0]]), " ".join(notes), blocks, compact=True)


def _unknown(site: str, known: list[str], w: Mapping[str, str]) -> str:
    near = get_close_matches(site.casefold(), [k.casefold() for k in known], n=3, cutoff=0.5)
    like = [k for k in known if k.casefold() in near] or known[:5]
    return w["unknown"].format(site=site, like="; ".join(like) or w["none_read"])


def _figures(read: Readings, chosen: np.ndarray) -> tuple[pd.DataFrame, dict[int, list[tuple[int, int]]]]:
    """The figures of these outlets, and for each outlet the spans of rows (first, last) of its charts."""
    keys = np.array([p.key for p in HISTORY], dtype=object)
    key_of_row = keys[read.parameter]
    has_margin = set(read.outlet[key_of_row == "margin"].tolist())
    parts: list[pd.DataFrame] = []
    spans: dict[int, list[tuple[int, int]]] = {}
    start = 0
    for outlet in chosen.tolist():
        for key in DRAWN:
            if key == "water" and outlet in has_margin:
                continue
            row = np.flatnonzero((read.outlet == outlet) & (key_of_row == key))
            entries = np.flatnonzero((read.row == row[0]) & read.read) if len(row) else row
            if not len(entries):
                continue
            parts.append(_entries(read, outlet, int(row[0]), entries))
            spans.setdefault(outlet, []).append((start, start + len(entries) - 1))
            start += len(entries)
    return (pd.concat(parts, ignore_index=True) if parts else _entries(read, 0, 0, np.empty(0, dtype=np.int64))), spans


def _entries(read: Readings, outlet: int, row: int, at: np.ndarray) -> pd.DataFrame:
    parameter = HISTORY[read.parameter[row]] if len(read.parameter) else HISTORY[0]
    lower, upper = read.lower[at], read.upper[at]
    doubtful, bound = read.doubtful[at], lower != upper
    figure = np.where(bound & np.isfinite(upper), upper, lower)

    def same(value: object) -> np.ndarray:
        return np.full(len(at), value, dtype=object)

    who = read.outlets
    return pd.DataFrame(
        {
            "Site": same(who.site[outlet] if len(at) else ""),
            "Outlet": same(who.outlet[outlet] if len(at) else ""),
            "Parameter": same(parameter.name),
            "Unit": same(parameter.unit),
            "Test date": read.day[at].astype("datetime64[s]"),
            "Reading": column(shown(lower, upper, read.open[at], parameter)),
            "Reading drawn": np.where(bound | doubtful, np.nan, lower),
            "Bound drawn": np.where(bound & ~doubtful, figure, np.nan),
            "Doubtful drawn": np.where(doubtful, figure, np.nan),
            "Limit at least": read.low[at],
            "Limit at most": read.high[at],
            "System": same(who.system[outlet] if len(at) else ""),
            "Doubt": np.where(doubtful, DOUBTFUL, "").astype(object),
        }
    )


def _said(reading: Any) -> str:
    return plain(round(float(reading), 2)) if isinstance(reading, (int, float)) else str(reading)


def _nice_step(wanted: float) -> float:
    """The next of 1, 2, 5, 10, ... that is not below what is wanted.

    >>> _nice_step(0.6), _nice_step(23.0)
    (1.0, 50.0)
    """
    power = 10.0 ** np.floor(np.log10(wanted))
    return float(next(f * power for f in (1, 2, 5, 10) if f * power >= wanted))


def _chart(frame: pd.DataFrame, span: tuple[int, int], w: Mapping[str, str]) -> dict[str, Any]:
    part = frame.iloc[span[0] : span[1] + 1]
    head, last = part.iloc[0], part.iloc[-1]
    drawn = {what: f"{what.capitalize()} drawn" for what in ("reading", "bound", "doubtful")}
    series = [(w[what], heading, what) for what, heading in drawn.items() if part[heading].notna().any()]
    limits = [
        (w[word], heading)
        for word, heading in (("at_least", "Limit at least"), ("at_most", "Limit at most"))
        if part[heading].notna().any()
    ]
    series += [(name, heading, "limit") for name, heading in limits]
    first_day, last_day = part["Test date"].min(), part["Test date"].max()
    months = max(1, round((last_day - first_day).days / 30.4 / LABELS_ACROSS))
    limits_text = ", ".join(
        f"{name} {plain(float(last[heading]))}" for name, heading in limits if pd.notna(last[heading])
    )
    chart = {
        "sheet": DATA_SHEET,
        "first": span[0],
        "last": span[1],
        "categories": "Test date",
        "series": series,
        "title": f"{w.get(head['Parameter'], head['Parameter'])} ({head['Unit']})",
        "dates": True,
        "size": SMALL_PT,
        "months": next((m for m in (1, 2, 3, 6, 12, 24) if m >= months), 60),
        "description": w["description"].format(
            parameter=w.get(head["Parameter"], head["Parameter"]),
            outlet=head["Outlet"],
            count=len(part),
            first=first_day.date(),
            last=last_day.date(),
            reading=_said(last["Reading"]) + (f" ({w['doubtful']})" if last["Doubt"] else ""),
            unit=head["Unit"],
            limits=limits_text or w["no_limit"],
        ),
    }
    values = part[[*drawn.values(), "Limit at least", "Limit at most"]].to_numpy(dtype=float)
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    if high > low > 0.5 * high:  # else the axis starts at nought by itself
        step = _nice_step((high - low or abs(high) or 1.0) / 4)
        chart["y"] = {
            "min": float(np.floor(low / step - 0.5) * step),
            "max": float(np.ceil(high / step + 0.5) * step),
            "major_unit": step,
        }
    return chart
