"""The record of each visit, as a page to be handed over.

A record holds one visit of one site as its tests were judged, cleared later or not; a visit's findings are
those that stood open at its end. Tests without a date have a record by site and file. Tests that a later file replaces
keep their own record, which names the one that superseded it. Left out are repeats, and visits of which nothing but
unvisited rows is there. Numbers: numbers.py.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from grader.frames import group_codes, text, with_columns
from grader.page import Record
from grader.review.actions.findings import Actions, actions_table
from grader.review.history import counting
from grader.review.next_visit import safe_file_name
from grader.review.record.numbers import numbered, recorded, visit_groups
from grader.review.record.page import Run, VisitOf, record_page
from grader.review.record.site_list import SiteLists
from grader.review.systems import system_fails
from grader.words import DEFAULT_LANGUAGE, words

LONGEST_SITE_BYTES = 100  # a file name keeps the whole number, in any script


def visit_records(
    tests: pd.DataFrame,
    findings: Actions | None,
    files: pd.DataFrame,
    rulesets: Mapping[str, Any],
    limits: pd.DataFrame,
    *,
    version: str,
    options: str,
    decision_rule: str,
    language: str = DEFAULT_LANGUAGE,
) -> list[Record]:
    """One record a visit, in order of site and date.

    tests         : judged table, n rows.
    findings      : of every visit, from visit_findings; None: made here.
    files         : by file number: columns name, sha256.
    rulesets      : id -> rule set (document, edition). limits : the table of their limits.
    version, options, decision_rule : as the result states them.
    Returns       : list of Record, kind "record".
    Raises        : KeyError for a language that has no words.
    """
    groups = visit_groups(tests)
    if findings is None:
        findings = visit_findings(tests, language)
    run = Run(
        words(language),
        [str(n) for n in files["name"]],
        [str(s) for s in files["sha256"]],
        dict(rulesets),
        limits,
        version,
        options,
        decision_rule,
    )
    of_group = numbered(tests, groups, run.names, run.sums)
    lists = SiteLists(tests)
    out_at_visit = _systems_at_visit(tests, run.words)
    of_finding = pd.Series(groups, index=tests.index).reindex(findings.test).to_numpy()
    findings_of = pd.Series(np.arange(len(of_finding))).groupby(of_finding).indices
    rows_of = {int(g): np.flatnonzero(groups == g) for g in np.unique(groups)}
    tests = tests.copy()  # in one piece: taking a visit's rows is then ten times as quick
    there = recorded(tests)
    visited, repeat_of = tests["visited"].to_numpy(), tests["repeat_of"].to_numpy()
    site_key, identity = tests["site_key"].to_numpy(dtype=object), tests["identity"].to_numpy()
    day = tests["test_day"].to_numpy().astype("datetime64[D]")
    records = []
    for group in sorted(rows_of, key=lambda g: (of_group[g].site.casefold(), of_group[g].day, rows_of[g][0])):
        rows, about = rows_of[group], of_group[group]
        if not there[rows].any():
            continue
        days = day[rows][~np.isnat(day[rows])]
        tested = set(identity[rows[visited[rows]]].tolist())
        visit = VisitOf(
            tests.iloc[_outlets_together(tests, rows[repeat_of[rows] < 0])],
            tests.iloc[rows][["file", "row"]],
            findings.frame.iloc[findings_of.get(group, [])],
            about,
            lists.untested(str(site_key[rows[0]]), days.max(), tested) if len(days) else [],
            out_at_visit.get(int(tests["visit"].to_numpy()[rows[0]]), ()),
        )
        page, content = record_page(visit, run)
        name = safe_file_name(" ".join([about.day or run.say["undated"], _shortened(about.site), about.number]))
        footer = run.say["footer"].format(number=about.number)
        records.append(Record("record", about.number, name, about.identity, content, page, footer, about.supersedes))
    return records


def visit_findings(tests: pd.DataFrame, language: str = DEFAULT_LANGUAGE) -> Actions:
    """The findings of every visit at its end, whether cleared by a later visit or not.

    Returns : as actions_table; identity numbers are those of outlet and visit together.
    """
    groups = visit_groups(tests)
    # Each visit as if it were all that is known: outlets and sites of one visit only.
    sites = pd.Series(text(tests, "site_key")) + "\0" + pd.Series(groups).astype(str)
    apart = with_columns(
        tests, {"identity": group_codes(tests["identity"].to_numpy(), groups), "site_key": sites.to_numpy(dtype=object)}
    )
    return actions_table(apart, language=language)


def _systems_at_visit(tests: pd.DataFrame, w: Mapping[str, Any]) -> dict[int, tuple[str, ...]]:
    """Code of a visit -> a sentence for each system of which something failed in it that reaches the whole system."""
    found: dict[int, tuple[str, ...]] = {}
    fails = system_fails(tests, counting(tests))
    system, outlet = text(tests, "system"), text(tests, "outlet")
    for visit, test, key in zip(fails.visit.tolist(), fails.test.tolist(), fails.key.tolist()):
        sentence = w["record"]["system_out"].format(
            system=system[test], parameter=w["parameter_within"][key], outlet=outlet[test]
        )
        found[visit] = (*found.get(visit, ()), sentence)
    return found


def _shortened(site: str) -> str:
    return site.encode()[:LONGEST_SITE_BYTES].decode(errors="ignore")


def _outlets_together(tests: pd.DataFrame, rows: np.ndarray) -> np.ndarray:
    """The rows in the order of the log, further tests of an outlet behind its first."""
    first, _ = pd.factorize(tests["identity"].to_numpy()[rows])
    return rows[np.lexsort((rows, tests["test_day"].to_numpy()[rows], first))]
