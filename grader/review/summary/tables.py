"""The grouped tables of the Summary: what to do first, sites, what heads for a limit, what is due, fails over time.

Outlets that show the same thing on the same system are one line: that is how a plant is repaired.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from grader.columns import FAIL, PARAMETERS, TEST_WORDS
from grader.figures import plain
from grader.frames import group_codes, text
from grader.page import Block
from grader.review.history import counting, days, months_after

LINES = 10  # a list on the Summary is no longer than this; the sheets hold the rest
MOST_SITES = 15
MOST_NAMES = 6
MOST_READINGS = 4
MOST_CAUSES = 2  # of a site, in its line of what to do first
MOST_QUARTERS = 16  # beyond these the chart shows years
LEFT = ["left"] * 8
_SENTENCE_END = re.compile(r"(?<=[.!?])\s+(?=[^\W\d_a-zß-ÿ])")


def names_in_one(names: Sequence[str], more: str) -> str:
    """Outlets as one text, those beyond the first few counted.

    >>> names_in_one(["Bay 1", "Bay 2", "Bay 1"], "{count} more")
    'Bay 1, Bay 2'
    """
    unique = list(dict.fromkeys(str(n) for n in names))
    shown = unique[:MOST_NAMES] if len(unique) > MOST_NAMES + 1 else unique
    left = len(unique) - len(shown)
    return ", ".join([*shown, more.format(count=left)] if left else shown)


def first_sentences(text_: str, count: int = 2) -> str:
    """The first sentences of a text.

    >>> first_sentences("Out of use now. Drain the filter (1.5 L). Retest in full.")
    'Out of use now. Drain the filter (1.5 L).'
    """
    return " ".join(_SENTENCE_END.split(text_)[:count])


def first_block(tests: pd.DataFrame, actions: pd.DataFrame, action_tests: np.ndarray, w: Mapping[str, Any]) -> Block:
    """Whom to ring first: a line a site, worst first, with its client, and each cause of its open findings once.

    tests : judged table. actions, action_tests : the Actions table, worst first, and the test of each row.
    Returns : table (site and client, outlets, since when, findings; below each the first of the worst one's next step),
              linked to the Verdicts row of the worst. Failing since is the earliest day from which what is open has
              stood; findings that the outlets of a system share are one.
    """
    other = (actions["Verdict"] != "worse").to_numpy() if len(actions) else np.empty(0, dtype=bool)
    if not other.any():
        return Block("text", heading=w["first"], rows=[(w["nothing_to_do"],)])
    actions, at = actions[other], np.asarray(action_tests, dtype=np.int64)[other]  # wear has a block of its own
    site = group_codes(tests["site_key"].to_numpy(dtype=object)[at])
    system = text(tests, "system")[at]
    # Outlets without a system stand each for itself.
    alone = np.where(system == "", tests["identity"].to_numpy()[at], -1)
    parameter = actions["Parameter"].to_numpy(dtype=object)
    cause = group_codes(
        site, tests["system_key"].to_numpy(dtype=object)[at], alone, parameter, text(actions, "Verdict")
    )
    clients = text(tests, "client")[at]
    sites = [np.flatnonzero(site == c) for c in dict.fromkeys(site.tolist())]
    rows: list[tuple[Any, ...]] = []
    links, under, steps = {}, {}, dict[str, int]()
    for number, members in enumerate(sites[:LINES]):
        causes = [members[cause[members] == c] for c in dict.fromkeys(cause[members].tolist())]
        head = actions.iloc[members[0]]
        client = next(filter(None, clients[members]), "")
        name = f"{head['Site']} ({client})" if client else head["Site"]
        names = names_in_one(actions["Outlet"].iloc[members].tolist(), w["and_more"])
        since = _date(actions["First seen on"].iloc[members].min())
        rows.append((number + 1, name, names, since, _causes([actions.iloc[c] for c in causes], w)))
        links[number] = ("Verdicts", int(at[members[0]]))
        under[number] = first_sentences(str(head["Next step"]))
        if (same := steps.setdefault(under[number], number)) != number:
            rows[-1] = (*rows[-1][:-1], f"{rows[-1][-1]} {w['step_as'].format(number=same + 1)}")
            del under[number]
    note = w["first_note"].format(shown=len(rows), total=len(sites), findings=len(actions))
    return Block(
        "table",
        heading=w["first"],
        columns=["", w["c_site"], w["c_outlets"], w["c_failing_since"], w["c_finding"]],
        rows=rows,
        links=links,
        under=under,
        note=note,
        widths=[1, 6, 5, 3, 15],
        aligns=[*LEFT[:3], "center", "left"],
    )


def _causes(causes: Sequence[pd.DataFrame], w: Mapping[str, Any]) -> str:
    """The findings of a site's causes, the worst MOST_CAUSES of them; what several systems share is said once."""
    sentences = list(dict.fromkeys(_finding(cause, w) for cause in causes))
    more = len(sentences) - MOST_CAUSES
    shown = sentences[:MOST_CAUSES] if more > 1 else sentences
    left = [w["more_findings"].format(count=len(sentences) - len(shown))] if len(sentences) > len(shown) else []
    return ". ".join([*(text_.rstrip(".") for text_ in shown), *left]) + "."


def _finding(picked: pd.DataFrame, w: Mapping[str, Any]) -> str:
    """The finding of one or several outlets: the sentence itself where it is the same, else all readings."""
    sentences = list(dict.fromkeys(picked["Finding"].astype(str)))
    if len(sentences) == 1:
        return sentences[0]
    readings = list(dict.fromkeys(str(r) for r in picked["Reading"] if r is not None and r == r and str(r)))
    limits = list(dict.fromkeys(str(r) for r in picked["Limit"] if r is not None and r == r and str(r)))
    if not readings or len(readings) > MOST_READINGS or len(limits) != 1:
        return w["and_so_on"].format(finding=sentences[0], count=len(sentences) - 1)
    return w["group_finding"].format(
        parameter=_named(picked["Parameter"].iloc[0], w), readings=", ".join(readings), limit=limits[0]
    )


def _named(parameter: str, w: Mapping[str, Any]) -> str:
    """The parameter's name in the language of the page; one without words stays."""
    return str(w["parameters"].get(parameter, parameter))


def sites_block(tests: pd.DataFrame, w: Mapping[str, Any]) -> Block:
    """Verdicts by site: at its latest visit, and of all its tests; the sites with most to do first."""
    if not len(tests):
        return Block("text", heading=w["sites"], rows=[(w["no_tests"],)])
    verdict, counts, day = tests["verdict"].to_numpy(), counting(tests, named=False), days(tests)
    code = group_codes(tests["site_key"].to_numpy(dtype=object))
    size = int(code.max()) + 1
    never = np.datetime64("0001-01-01")
    known = np.where(counts & ~np.isnat(day), day, never)
    latest = np.full(size, never)
    np.maximum.at(latest, code, known)
    at_latest = np.flatnonzero(known == latest[code])
    visits = pd.Series(tests["visit"].to_numpy()[at_latest], index=code[at_latest]).groupby(level=0).first()
    now = counts & (tests["visit"].to_numpy() == visits.reindex(code).to_numpy()) & (latest[code] != never)

    def tally(mask: np.ndarray) -> np.ndarray:
        kinds = len(TEST_WORDS)
        return np.bincount(code[mask] * kinds + verdict[mask], minlength=size * kinds).reshape(size, kinds)

    new, all_ = tally(now), tally(np.ones(len(tests), dtype=bool))
    site = pd.Series(text(tests, "site")).groupby(code).first()
    order = sorted(range(size), key=lambda s: (-new[s, 3], -new[s, 2], -new[s, 1], -all_[s, 3], str(site[s])))

    def line(name: str, visit: Any, latest: np.ndarray, every: np.ndarray) -> tuple[Any, ...]:
        whole = int(every.sum())
        share = f"{100 * every[:2].sum() / whole:.0f} %" if whole else ""
        return (name, visit, *(int(latest[v]) for v in (3, 2, 1, 0)), whole, int(every[3]), share)

    visit_of = [day.item() if day != never else "" for day in latest]
    shown = [line(site[s], visit_of[s], new[s], all_[s]) for s in order[:MOST_SITES]]
    if size > 1:
        shown.append(line(w["all_sites"], "", new.sum(axis=0), all_.sum(axis=0)))
    note = w["sites_note"]
    if size > MOST_SITES:
        note += " " + w["more_sites"].format(count=size - MOST_SITES)
    return Block(
        "table",
        heading=w["sites"],
        rows=shown,
        note=note,
        widths=[7, 3, 2, 3, 3, 2, 4, 3, 3],
        aligns=["left", "left", *["right"] * 7],
        columns=[w[c] for c in (*("c_site", "c_visit", *reversed(TEST_WORDS)), "c_all", "c_all_fail", "c_all_pass")],
    )


def fails_chart(tests: pd.DataFrame, w: Mapping[str, Any]) -> Block:
    """A stacked column a quarter (a year where there are many): share of its tests that failed by each parameter, %."""
    day = days(tests) if len(tests) else np.empty(0, dtype="datetime64[D]")
    counts = counting(tests, named=False) if len(tests) else np.empty(0, dtype=bool)
    fails = {
        p.name: (tests[f"verdict_{p.key}"].to_numpy() == FAIL) & counts
        for p in PARAMETERS.values()
        if p.verdict_heading and f"verdict_{p.key}" in tests
    }
    fails = {name: mask for name, mask in fails.items() if mask.any()}
    if not fails:
        return Block("text", heading=w["fails_heading"], rows=[(w["no_fails"],)])
    month = day.astype("datetime64[M]").astype(np.int64)
    at = np.where(counts, month // 3, 0)
    first, last = int(at[counts].min()), int(at[counts].max())
    step = 1
    if last - first >= MOST_QUARTERS:
        at, first, last, step = at // 4, first // 4, last // 4, 4
    periods = range(first, last + 1)
    names = [
        str(1970 + p) if step == 4 else w["quarter"].format(year=1970 + p // 4, quarter=p % 4 + 1) for p in periods
    ]
    tested = np.bincount(at[counts] - first, minlength=len(names))
    failed = {name: np.bincount(at[mask] - first, minlength=len(names)) for name, mask in fails.items()}
    failed = dict(sorted(failed.items(), key=lambda item: -item[1].sum()))
    series = [
        (_named(name, w), np.round(100 * values / np.maximum(tested, 1), 1).tolist()) for name, values in failed.items()
    ]
    counted = "; ".join(f"{_named(name, w)} {values.sum()}" for name, values in failed.items())
    return Block(
        "chart",
        heading=w["fails_heading"],
        chart={
            "kind": "column stacked",
            "categories": names,
            "series": series,
            "y_axis": w["fails_axis"],
            "y": {"major_unit": _step(series), "num_format": "0", "min": 0},
            "description": w["fails_description"].format(first=names[0], last=names[-1], fails=counted),
        },
    )


def _step(series: Sequence[tuple[str, Sequence[int]]]) -> int:
    """Whole numbers on the axis: about five lines up to the highest column."""
    highest = max(sum(values[i] for _, values in series) for i in range(len(series[0][1])))
    wanted = max(1, highest / 5)
    return next((s for s in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000) if s >= wanted), 5000)


def wearing_block(wear: pd.DataFrame, actions: pd.DataFrame, w: Mapping[str, Any]) -> Block:
    """What wears out without a failed limit, the soonest first; below each the first of its next step.

    wear    : the sheet Wear. actions : the sheet Actions; with a history it lacks what rests on other visits.
    """
    at = np.flatnonzero((wear["Wearing out"] == "yes").to_numpy()) if len(wear) else np.empty(0, dtype=np.int64)
    if not len(at):
        return Block("text", heading=w["wearing"], rows=[(w["no_wear"],)])
    found = actions[actions["Verdict"] == "worse"]
    steps: dict[tuple[str, ...], str] = {}
    for *system, outlet, step in zip(*(found[c] for c in ("Site", "System", "Parameter", "Outlet", "Next step"))):
        steps[*system, outlet] = steps[*system, ""] = step
    rows, links, under = [], {}, {}
    for number, place in enumerate(at[:LINES]):
        row = wear.iloc[place]
        what = (row["Outlet"] or row["System"], row["Site"], _named(row["Parameter"], w))
        figures = f"{_plain(row['Usual'])}, {_plain(row['Now'])} {row['Unit']}"
        ends = (_plain(row["Limit"]), _date(row["Reaches limit on"]) or w["no_date"])
        rows.append((number + 1, *what, figures, _date(row["Since"]), *ends))
        links[number] = ("Wear", int(place))
        under[number] = first_sentences(steps.get(tuple(row[["Site", "System", "Parameter", "Outlet"]]), ""))
    names = ("c_where", "c_site", "c_parameter", "c_usual_now", "c_since", "c_limit", "c_reaches")
    return Block(
        "table",
        heading=w["wearing"],
        columns=["", *(w[c] for c in names)],
        rows=rows,
        links=links,
        under=under,
        note=w["wearing_note"].format(shown=len(rows), total=len(at)),
        widths=[1, 4, 6, 5, 5, 3, 2, 4],
        aligns=LEFT[:8],
    )


def _date(moment: Any) -> Any:
    return moment.date() if pd.notna(moment) else ""


def _plain(cell: object) -> str:
    """A cell of a data sheet as text."""
    return "" if cell is None or cell != cell else cell if isinstance(cell, str) else plain(round(float(cell), 2))  # type: ignore[arg-type]


def due_block(due: pd.DataFrame, w: Mapping[str, Any]) -> Block:
    """Overdue tests, the longest first, then what is due within 14 days; outlets of one site and day in one line."""
    if not len(due):
        return Block("text", heading=w["due"], rows=[(w["no_due"],)])
    d = due.assign(_row=np.arange(len(due)))
    d = d[d["State"].isin(["overdue", "due within 14 days"])]
    if not len(d):
        return Block("text", heading=w["due"], rows=[(w["nothing_due"],)])
    d = d.sort_values("Days left", kind="stable")
    groups = [g for _, g in d.groupby(["Client", "Site", "State", "Next due"], sort=False, dropna=False)]
    rows, links = [], {}
    for number, g in enumerate(groups[:LINES]):
        head = g.iloc[0]
        names = names_in_one(g["Outlet"].tolist(), w["and_more"])
        rows.append((number + 1, names, head["Site"], head["Next due"], int(head["Days left"]), head["State"]))
        links[number] = ("Due", int(head["_row"]))
    columns = ["", *(w[c] for c in ("c_outlets", "c_site", "c_next_due", "c_days", "c_state"))]
    return Block(
        "table",
        heading=w["due"],
        columns=columns,
        rows=rows,
        links=links,
        widths=[1, 11, 7, 4, 2, 5],
        aligns=["left", "left", "left", "left", "right", "center"],
        note=w["due_note"].format(shown=len(rows), total=len(groups)) if len(groups) > LINES else "",
    )


def absent_block(due: pd.DataFrame, as_of: object, w: Mapping[str, Any]) -> list[Block]:
    """Sites where nobody has been for longer than the shortest interval of their outlets, the longest ago first.

    due : the Due table; what was removed asks for no visit. as_of : day of the run.
    """
    d = due[(due["State"] != "removed").to_numpy() & due["Last test"].notna().to_numpy()]
    if not len(d):
        return []
    sites = d.groupby(["Site", "Client"], dropna=False, sort=False).agg(
        last=("Last test", "max"), interval=("Interval", "min"), outlets=("Outlet", "size")
    )
    last = sites["last"].to_numpy().astype("datetime64[D]")
    late = months_after(last, sites["interval"].to_numpy().astype(np.int64)) < np.datetime64(str(as_of), "D")
    gone = sites[late].sort_values("last", kind="stable").reset_index()
    if gone.empty:
        return []
    lines = [
        w["absent_site"].format(
            site=f"{g['Site']} ({g['Client']})" if isinstance(g["Client"], str) and g["Client"] else g["Site"],
            day=g["last"].date(),
            outlets=g["outlets"],
        )
        for g in gone.head(LINES).to_dict("records")
    ]
    more = [w["and_more"].format(count=len(gone) - LINES)] if len(gone) > LINES else []
    return [Block("text", heading=w["absent"].format(count=len(gone)), rows=[("; ".join([*lines, *more]) + ".",)])]
