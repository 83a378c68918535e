"""The Summary page: what needs doing first, counts, worst outlets, state of the data, rules, cautions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from grader.columns import TEST_WORDS
from grader.frames import text
from grader.page import Block, Page
from grader.words import words

FIRST = 10


@dataclass
class Facts:
    """What the Summary is made from.

    tests, actions (frame and test number of each), problems, sources : the run's tables.
    rulesets : id -> rule set. passed_over : reason -> count. superseded : tests judged by a superseded edition.
    """

    tests: pd.DataFrame
    actions: pd.DataFrame
    action_tests: np.ndarray
    problems: pd.DataFrame
    sources: pd.DataFrame
    rulesets: Mapping[str, Any]
    passed_over: Mapping[str, int]
    superseded: int
    as_of: date
    options: str
    decision_rule: str
    version: str
    trend: pd.DataFrame
    due: pd.DataFrame
    alarms: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    extra: list[Block] = field(default_factory=list)


def summary_page(facts: Facts, language: str = "en") -> Page:
    """The page, worst first. Nothing on it is worked out anew: it counts and picks from the tables."""
    w = words(language)["summary"]
    verdict = facts.tests["verdict"].to_numpy()
    count = {word: int((verdict == i).sum()) for i, word in enumerate(TEST_WORDS)}
    blocks = [Block("figures", rows=[
        (w["tests"], len(verdict), ""), (w["fail"], count["fail"], "fail"),
        (w["incomplete"], count["incomplete"], "incomplete"), (w["near limit"], count["near limit"], "near limit"),
        (w["pass"], count["pass"], "pass"),
    ])]
    alarms = list(facts.alarms)
    if facts.superseded:
        alarms.append(w["superseded"].format(count=facts.superseded))
    refused = facts.problems[facts.problems["Severity"] == "refused"]
    if len(refused):
        alarms.append(w["refused"].format(count=len(refused)))
    if alarms:
        blocks.append(Block("cautions", heading=w["alarms"], rows=[(a,) for a in alarms]))
    blocks.append(_first(facts, w))
    blocks.append(_sites(facts, w, verdict))
    blocks.extend([*_reaching(facts, w), *_overdue(facts, w)])
    blocks.extend(facts.extra)
    blocks.append(_data(facts, w))
    blocks.append(_rules(facts, w))
    blocks.append(Block("cautions", heading=w["cautions_heading"], rows=[(line,) for line in w["cautions"]]))
    return Page(w["title"], w["subtitle"].format(as_of=facts.as_of), blocks)


def _first(facts: Facts, w: Mapping[str, Any]) -> Block:
    if not len(facts.actions):
        return Block("text", heading=w["first"], rows=[(w["nothing_to_do"],)])
    # One line an outlet: its worst finding; the actions stand worst first already.
    chosen = facts.actions.assign(_test=facts.action_tests).drop_duplicates(["Site", "Outlet"]).head(FIRST)
    rows = [(r["Outlet"], r["Site"], r["Test date"], r["Finding"], r["Next step"]) for r in chosen.to_dict("records")]
    links = {i: ("Verdicts", int(t)) for i, t in enumerate(chosen["_test"])}
    total = len(facts.actions.drop_duplicates(["Site", "Outlet"]))
    note = w["first_note"].format(shown=len(rows), total=total)
    return Block("table", heading=w["first"], columns=[w["c_outlet"], w["c_site"], w["c_date"], w["c_finding"],
                                                       w["c_next"]], rows=rows, links=links, note=note)


def _sites(facts: Facts, w: Mapping[str, Any], verdict: np.ndarray) -> Block:
    site = text(facts.tests, "site")
    frame = pd.DataFrame({"key": facts.tests["site_key"].to_numpy(dtype=object), "site": site, "verdict": verdict,
                          "day": facts.tests["test_day"].to_numpy()})
    rows = []
    if len(frame):
        table = frame.groupby("key", sort=False).agg(
            site=("site", "first"), tests=("verdict", "size"), last=("day", "max"),
            **{word.replace(" ", "_"): ("verdict", lambda x, i=i: int((x == i).sum()))  # type: ignore[misc]
               for i, word in enumerate(TEST_WORDS)})
        table = table.sort_values(["fail", "incomplete", "near_limit", "site"], ascending=[False, False, False, True])
        rows = [(r["site"], r["tests"], r["fail"], r["incomplete"], r["near_limit"], r["pass"],
                 r["last"].date() if not pd.isna(r["last"]) else "") for r in table.to_dict("records")]
    shown = rows[:30]
    note = w["more_sites"].format(count=len(rows) - 30) if len(rows) > 30 else ""
    return Block("table", heading=w["sites"], columns=[w["c_site"], w["tests"], w["fail"], w["incomplete"],
                                                       w["near limit"], w["pass"], w["c_last"]], rows=shown, note=note)


def _reaching(facts: Facts, w: Mapping[str, Any]) -> list[Block]:
    """Outlets heading for a limit, soonest first: only trends that hold at a false discovery rate of 5 %."""
    t = facts.trend
    if not len(t):
        return []
    heading = (t["Holds at 5 % false discovery"] == "yes") & (t["Direction against limit"] == "towards")
    found = t[heading].sort_values("Reaches limit on", kind="stable", na_position="last")
    if not len(found):
        return [Block("text", heading=w["reaching"], rows=[(w["no_trends"],)])]
    shown = found.head(FIRST)
    rows = [(r["Outlet"], r["Site"], r["Parameter"], r["Trend"],
             f"{r['Slope per year']:+.3g} {r['Unit']}" if not pd.isna(r["Slope per year"]) else "",
             r["Limit"] if r["Limit"] is not None else "",
             pd.Timestamp(r["Reaches limit on"]).date() if not pd.isna(r["Reaches limit on"]) else w["no_date"])
            for r in shown.to_dict("records")]
    columns = [w[c] for c in ("c_outlet", "c_site", "c_parameter", "c_trend", "c_slope", "c_limit", "c_reaches")]
    return [Block("table", heading=w["reaching"], columns=columns, rows=rows,
                  links={i: ("Trend", int(t.index.get_loc(k))) for i, k in enumerate(shown.index)},
                  note=w["reaching_note"].format(shown=len(shown), total=len(found)))]


def _overdue(facts: Facts, w: Mapping[str, Any]) -> list[Block]:
    """Outlets out of use, not cleared, overdue or due soon, counted by site and state."""
    due = facts.due
    if not len(due):
        return []
    states = [s for s in ("out of use", "not cleared", "overdue", "due within 14 days", "in date")
              if (due["State"] == s).any()]
    table = pd.crosstab(due["Site"], due["State"])
    rows = [(site, *(int(table.at[site, s]) for s in states)) for site in table.sort_values(
        states, ascending=False, kind="stable").index[:30]] if states else []
    return [Block("table", heading=w["due"], columns=[w["c_site"], *states], rows=rows)]


def _data(facts: Facts, w: Mapping[str, Any]) -> Block:
    s, p = facts.sources, facts.problems
    lines = [w["rows"].format(files=len(s), found=int(s["Rows found"].sum()), graded=int(s["Rows graded"].sum()),
                              refused=int(s["Rows refused"].sum())),
             w["problems"].format(refused=int((p["Severity"] == "refused").sum()),
                                  queries=int((p["Severity"] == "query").sum()),
                                  notes=int((p["Severity"] == "note").sum()))]
    lines += [w["passed_over"].format(count=count, reason=reason) for reason, count in facts.passed_over.items()]
    return Block("text", heading=w["data"], rows=[(line,) for line in [*lines, *facts.notes]])


def _rules(facts: Facts, w: Mapping[str, Any]) -> Block:
    named = "; ".join(f"{r.document} {r.edition} ({r.id}, version {r.rule_version})" for r in facts.rulesets.values())
    lines = [w["rule_sets"].format(rules=named), w["decision"].format(rule=facts.decision_rule), w["frost"],
             w["made_by"].format(version=facts.version, options=facts.options)]
    missing = [f"{r.id}: {', '.join(str(c) for c in r.not_covered)}" for r in facts.rulesets.values() if r.not_covered]
    lines += [w["not_covered"].format(what="; ".join(missing))] if missing else []
    return Block("text", heading=w["rules"], rows=[(line,) for line in lines])
