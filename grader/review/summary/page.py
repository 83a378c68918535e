"""The Summary page: what needs doing first, counts, worst outlets, state of the data, rules, cautions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from grader.columns import PARAMETERS, ROWS_PER_SHEET, TEST_WORDS, VERDICT_WORDS
from grader.frames import text
from grader.page import Block, Page
from grader.review.names import SharedSlip
from grader.review.summary.tables import (
    LINES,
    absent_block,
    due_block,
    fails_chart,
    first_block,
    names_in_one,
    sites_block,
    wearing_block,
)
from grader.review.systems import systems_out
from grader.words import words

SMALL_PT = 9
ALARMS_A_CELL = 6  # more would not fit the tallest row
MOST_SYSTEMS = 4  # named in the line of those that are out of use as a whole
STATES = ("out of use", "out of use (system)", "not cleared", "overdue", "due within 14 days", "in date")


@dataclass
class Facts:
    """What the Summary is made from.

    tests, actions (frame and test number of each), problems, sources : the run's tables.
    graded   : those of the tests that were to be graded; None: all.
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
    wear: pd.DataFrame
    trend: pd.DataFrame
    due: pd.DataFrame
    graded: pd.DataFrame | None = None
    alarms: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    extra: list[Block] = field(default_factory=list)


def summary_words(language: str = "en") -> dict[str, Any]:
    """The words of the page, with `parameters`: name on the data sheets -> name in that language."""
    every = words(language)
    return {**every["summary"], "parameters": {p.name: every["parameter"][p.key] for p in PARAMETERS.values()}}


def summary_page(facts: Facts, language: str = "en") -> Page:
    """The page, worst first. Nothing on it is worked out anew: it counts and picks from the tables."""
    w = summary_words(language)
    # On page one however long what follows is, and short: whom to ring stands within the first ten lines.
    blocks = [*_outlets(facts, w), Block("cautions", size_pt=SMALL_PT, rows=[(" ".join(w["cautions"]),)])]
    if alarms := _alarms(facts, w):
        rows = [("\n".join(alarms[at : at + ALARMS_A_CELL]),) for at in range(0, len(alarms), ALARMS_A_CELL)]
        blocks.append(Block("cautions", heading=w["alarms"], size_pt=SMALL_PT, rows=rows))
    blocks += [
        first_block(facts.tests, facts.actions, facts.action_tests, w),
        *absent_block(facts.due, facts.as_of, w),
        wearing_block(facts.wear, facts.actions, w),
        _tests(facts, w),
        sites_block(facts.tests, w),
        fails_chart(facts.tests, w),
        due_block(facts.due, w),
    ]
    blocks.extend(facts.extra)
    blocks += [_legend(w), _data(facts, w), _rules(facts, w)]
    return Page(w["title"], _subtitle(facts, w), blocks, compact=True)


def _subtitle(facts: Facts, w: Mapping[str, Any]) -> str:
    day = facts.tests["test_day"].dropna()
    span = w["span"].format(first=day.min().date(), last=day.max().date()) if len(day) else ""
    return w["subtitle"].format(
        as_of=facts.as_of, sites=facts.tests["site_key"].nunique(), outlets=len(facts.due), span=span
    )


def _outlets(facts: Facts, w: Mapping[str, Any]) -> list[Block]:
    """Outlets by their state today; none without a test that counts."""
    state = facts.due["State"]
    rows = [(w["outlets"], len(state), ""), *((w["states"][s], int((state == s).sum()), s) for s in STATES)]
    return [Block("figures", rows=rows)] if len(state) else []


def _tests(facts: Facts, w: Mapping[str, Any]) -> Block:
    """All tests by verdict; what is dated after the day of the run counts in no figure."""
    tests = facts.tests if facts.graded is None else facts.graded
    later = ~tests["dated"].to_numpy() & ~np.isnat(tests["test_day"].to_numpy())
    verdict = tests["verdict"].to_numpy()[~later]
    count = {word: int((verdict == i).sum()) for i, word in enumerate(TEST_WORDS)}
    rows: list[tuple[Any, ...]] = [
        (w["tests"], len(verdict), ""),
        *((w[f"tests_{word}"], count[word], word) for word in ("fail", "incomplete", "near limit", "pass")),
        (w["rows_refused"], int(facts.sources["Rows refused"].sum()), ""),
    ]
    return Block("figures", rows=rows)


def _alarms(facts: Facts, w: Mapping[str, Any]) -> list[str]:
    alarms = list(facts.alarms)
    if facts.superseded:
        alarms.append(w["superseded"].format(count=facts.superseded))
    if replaced := int(facts.tests["replaces_fail"].sum()):
        alarms.append(w["replaced_fails"].format(count=replaced))
    refused = int((facts.problems["Severity"] == "refused").sum())
    if refused:
        alarms.append(w["refused"].format(count=refused))
    shown = facts.tests if facts.graded is None else facts.graded
    lacking = {
        "no_supply": text(shown, "supply") == "",
        "no_site": ~shown["site_given"].to_numpy(),
        "no_day": shown["test_day"].isna().to_numpy(),
    }
    for what, rows in lacking.items():
        if files := int(shown["file"][rows].nunique()):
            alarms.append(w[what].format(count=files))
    return alarms


def slip_lines(slips: list[SharedSlip], tests: pd.DataFrame, language: str = "en") -> list[str]:
    """A line for each pair of names of sites or clients that may be one, as far as the tests shown have one of them."""
    w = words(language)["summary"]
    shown = {kind: set(text(tests, kind)) for kind in ("site", "client")}
    lines = [
        w[f"{s.kind}_slip"].format(
            name=s.name, other=s.other, times=s.times, other_times=s.other_times, shared=s.shared
        )
        for s in slips
        if {s.name, s.other} & shown[s.kind]
    ]
    return lines[:LINES]


def awaited_line(due: pd.DataFrame, language: str = "en") -> list[str]:
    """The line on outlets that wait for a laboratory's result, or none."""
    if "Awaited" not in due or not (waiting := due["Awaited"] != "").any():
        return []
    w = words(language)["summary"]
    named = [f"{outlet}, {site}" for site, outlet in zip(due["Site"][waiting], due["Outlet"][waiting])]
    return [w["awaited"].format(count=len(named), outlets=names_in_one(named, w["and_more"]))]


def system_lines(tests: pd.DataFrame, language: str = "en") -> list[str]:
    """What findings keep whole systems out of use: a line with the outlets of a single one, else one line for all."""
    every = words(language)
    w, names = every["summary"], every["parameter_within"]
    out = systems_out(tests)
    one, each = ("system_out", "") if len(out) == 1 else ("systems_out", "one_system_out")
    lines = [
        w[each or one].format(
            system=s.system,
            site=s.site,
            parameter=names[s.key],
            outlet=s.failing,
            day=s.day,
            outlets=names_in_one(s.outlets, w["and_more"]),
        )
        for s in out[:MOST_SYSTEMS]
    ]
    if len(out) < 2:
        return lines
    left = [w["and_more"].format(count=len(out) - MOST_SYSTEMS)] if len(out) > MOST_SYSTEMS else []
    return [w[one].format(systems="; ".join([*lines, *left]))]


def _legend(w: Mapping[str, Any]) -> Block:
    """What each word means: two to a line, each in its colour, as everywhere in the workbook."""
    means = w["means"]
    order = [*reversed(TEST_WORDS), *(v for v in VERDICT_WORDS if v not in TEST_WORDS)]
    half = -(-len(order) // 2)
    rows = [(a, means[a], b, means.get(b, "")) for a, b in zip(order[:half], [*order[half:], ""])]
    return Block(
        "table",
        heading=w["legend"],
        columns=["", "", "", ""],
        rows=rows,
        widths=[3, 12, 3, 12],
        aligns=["center", "left", "center", "left"],
        note=w["legend_note"],
    )


def _data(facts: Facts, w: Mapping[str, Any]) -> Block:
    s, p = facts.sources, facts.problems
    lines = [
        w["rows"].format(
            files=len(s),
            found=int(s["Rows found"].sum()),
            graded=int(s["Rows graded"].sum()),
            refused=int(s["Rows refused"].sum()),
        ),
        w["problems"].format(
            refused=int((p["Severity"] == "refused").sum()),
            queries=int((p["Severity"] == "query").sum()),
            notes=int((p["Severity"] == "note").sum()),
        ),
    ]
    lines += [w["passed_over"].format(count=count, reason=reason) for reason, count in facts.passed_over.items()]
    sizes = {
        "Verdicts": len(facts.tests),
        "Actions": len(facts.actions),
        "Trend": len(facts.trend),
        "Due": len(facts.due),
        "Problems": len(p),
    }
    if long := [name for name, size in sizes.items() if size > ROWS_PER_SHEET]:
        lines.append(w["further_sheets"].format(names=", ".join(long), rows=ROWS_PER_SHEET, first=long[0]))
    if "Older than 5 years" in s:
        lines.append(w["old"].format(count=int((s["Older than 5 years"] == "yes").sum())))
    return Block("text", heading=w["data"], size_pt=SMALL_PT, rows=[(" ".join([*lines, *facts.notes]),)])


def _rules(facts: Facts, w: Mapping[str, Any]) -> Block:
    named = "; ".join(f"{r.document} {r.edition} ({r.id}, version {r.rule_version})" for r in facts.rulesets.values())
    lines = [
        w["rule_sets"].format(rules=named),
        w["decision"].format(rule=facts.decision_rule),
        w["frost"],
        w["made_by"].format(version=facts.version, options=facts.options),
    ]
    missing = [f"{r.id}: {', '.join(str(c) for c in r.not_covered)}" for r in facts.rulesets.values() if r.not_covered]
    lines += [w["not_covered"].format(what="; ".join(missing))] if missing else []
    return Block("text", heading=w["rules"], size_pt=SMALL_PT, rows=[(" ".join(lines),)])
