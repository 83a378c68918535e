"""The run on one page, and its check: rows found = rows graded + rows refused, per file."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from grader import __version__
from grader.columns import TEST_FAIL, TEST_INCOMPLETE, TEST_NEAR, TEST_PASS
from grader.compute.water import compute_water
from grader.judge.assign import DEFAULT_RULES, assign_rules
from grader.judge.queries import query_odd_supplies
from grader.judge.reasons import add_reasons
from grader.judge.rulesets import RuleSet, limits_table, load_ruleset
from grader.judge.verdicts import judge
from grader.normalise import normalise
from grader.page import Page
from grader.problems import GraderError, Problems
from grader.read.cells import read_cells
from grader.read.files import find_workbooks, read_workbooks
from grader.read.log import Log
from grader.report import problem_table, source_table, unbalanced
from grader.review import history
from grader.review.actions import Actions, actions_table
from grader.review.due import due_table
from grader.review.oddities import oddities_table
from grader.review.summary import Facts, summary_page
from grader.review.trend import trend_table
from grader.review.verdict_sheet import verdict_table
from grader.review.years import sites_table, years_table

DECISION_RULE = "simple acceptance"


@dataclass
class Options:
    """What can change a figure; recorded in the result. Paths of the result and numbers of workers are not here."""

    rules: str | None = None
    as_of: date = field(default_factory=date.today)
    month_first: bool = False
    interval_months: int = 3
    language: str = "en"

    def recorded(self) -> str:
        """The options as one line for the result."""
        return (f"rules={self.rules or DEFAULT_RULES}; as-of={self.as_of}; month-first={self.month_first}; "
                f"interval-months={self.interval_months}; language={self.language}")


@dataclass
class Result:
    """Everything of one run. The frames have the columns of the sheets of the same name."""

    verdicts: pd.DataFrame
    trend: pd.DataFrame
    years: pd.DataFrame
    due: pd.DataFrame
    actions: pd.DataFrame
    problems: pd.DataFrame
    sources: pd.DataFrame
    limits: pd.DataFrame
    summary: Page
    options: Options
    log: Log
    tests: pd.DataFrame
    more: dict[str, pd.DataFrame] = field(default_factory=dict)
    colours: dict[str, pd.DataFrame] = field(default_factory=dict)
    sparklines: dict[str, tuple[str, str, str]] = field(default_factory=dict)
    links: dict[str, dict[str, Any]] = field(default_factory=dict)
    rulesets: dict[str, RuleSet] = field(default_factory=dict)
    unbalanced: list[str] = field(default_factory=list)

    @property
    def refused(self) -> bool:
        """Whether some file or row could not be graded, or the count of rows does not hold: exit status 1."""
        return bool((self.problems["Severity"] == "refused").any()) or bool(self.unbalanced)

    def frames(self) -> dict[str, pd.DataFrame]:
        """Sheet name -> frame, in the order of the sheets."""
        found = {"Verdicts": self.verdicts, "Actions": self.actions, "Trend": self.trend, "Years": self.years,
                 **{n: f for n, f in self.more.items()}, "Due": self.due, "Problems": self.problems,
                 "Sources": self.sources, "Limits": self.limits}
        always = ("Verdicts", "Actions", "Problems", "Sources", "Limits")
        return {name: frame for name, frame in found.items() if name in always or len(frame.columns)}

    def write(self, path: str | os.PathLike[str], created: datetime | None = None) -> Any:
        """Write the result workbook; see grader.write.result.write_result.

        Raises : GraderError (one line) where the target cannot be written; an earlier result stays whole.
        """
        from grader.write.result import write_result

        properties = {"grader-version": __version__, "options": self.options.recorded(),
                      "rule-sets": ", ".join(f"{r.id} v{r.rule_version}" for r in self.rulesets.values())}
        return write_result(path, self.frames(), self.summary, colours=self.colours, links=self.links,
                            sparklines=self.sparklines, properties=properties, created=created,
                            inputs=[Path(p) for p in self.log.files["path"]], language=self.options.language)


def run(paths: Any, *, rules: str | None = None, as_of: date | str | None = None, month_first: bool = False,
        interval_months: int = 3, language: str = "en",
        progress: Callable[[int, int], None] | None = None) -> Result:
    """Read, normalise, compute, judge, review. Arguments as grader.grade; progress(files done, files in all).

    Raises : GraderError where there is nothing to read, or an argument is wrong.
    """
    options = Options(rules, _day(as_of), month_first, interval_months, language)
    if rules is not None:
        _check_rules(rules)
    problems = Problems()
    found = find_workbooks(_paths(paths), problems)
    log = read_workbooks(found, problems, progress=progress)
    names = [str(n) for n in log.files["name"]]
    tests = read_cells(log, problems, month_first=month_first, language=language)
    tests = normalise(tests, names, problems, np.datetime64(options.as_of))
    tests = compute_water(tests, problems)
    assigned = assign_rules(tests, problems, rules)
    query_odd_supplies(assigned.tests, problems)
    tests = judge(assigned.tests, assigned.rulesets, problems)
    tests = add_reasons(tests, assigned.rulesets, language)
    return _reviewed(tests, log, names, problems, assigned.rulesets, assigned.superseded, options)


def _reviewed(tests: pd.DataFrame, log: Log, names: list[str], problems: Problems, rulesets: dict[str, RuleSet],
              superseded: int, options: Options) -> Result:
    sheets = [t.sheet for t in log.tables]
    day = np.datetime64(options.as_of)
    actions = actions_table(tests, language=options.language, file_names=names, sheet_names=sheets)
    verdicts = verdict_table(tests, names, sheets)
    trend = trend_table(tests, problems, as_of=day, language=options.language)
    due = due_table(tests, as_of=day, interval_months=options.interval_months, problems=problems, file_names=names)
    history.left_out(tests, problems)
    history.slips(tests, problems)
    oddities = oddities_table(tests, problems, as_of=day, language=options.language, file_names=names)
    sources = source_table(log, tests, history.old_sources(tests, len(names), as_of=day))
    lost = unbalanced(sources)
    for number in lost.index:
        problems.add("rows_do_not_balance", file=int(number), found=int(lost.at[number, "Rows found"]),
                     graded=int(lost.at[number, "Rows graded"]), refused=int(lost.at[number, "Rows refused"]))
    problem_frame, problem_tests = problem_table(problems, log, options.language)
    used = rulesets or {DEFAULT_RULES: load_ruleset(DEFAULT_RULES)}
    limits = pd.DataFrame(limits_table(used.values()))
    facts = Facts(tests, actions.frame, actions.test, problem_frame, sources, used, log.passed_over_counts(),
                  superseded, options.as_of, options.recorded(), DECISION_RULE, __version__,
                  trend=trend.table, due=due, alarms=oddities.copied_forward)
    return Result(
        verdicts=verdicts, trend=trend.table, years=years_table(tests), due=due, actions=actions.frame,
        more={"Sites": sites_table(tests), "Oddities": oddities.frame}, colours={"Trend": trend.colours},
        sparklines={"Trend": trend.sparkline} if trend.sparkline else {},
        problems=problem_frame, sources=sources, limits=limits, summary=summary_page(facts, options.language),
        options=options, log=log, tests=tests, links=_links(actions, problem_tests), rulesets=used,
        unbalanced=[str(n) for n in lost["File"]])


def _links(actions: Actions, problem_tests: np.ndarray) -> dict[str, dict[str, Any]]:
    return {"Actions": {"column": "Outlet", "targets": [("Verdicts", int(t)) for t in actions.test]},
            "Problems": {"column": "Cell",
                         "targets": [("Verdicts", int(t)) if t >= 0 else None for t in problem_tests]}}


def counts(result: Result) -> dict[str, int]:
    """Headline counts of a result: files, tests by verdict, rows refused, queries."""
    verdict = result.tests["verdict"].to_numpy()
    files = result.sources
    return {"files": len(files), "files_refused": int((files["State"] == "refused").sum()),
            "tests": len(verdict), "pass": int((verdict == TEST_PASS).sum()),
            "near limit": int((verdict == TEST_NEAR).sum()), "incomplete": int((verdict == TEST_INCOMPLETE).sum()),
            "fail": int((verdict == TEST_FAIL).sum()), "rows_refused": int(files["Rows refused"].sum()),
            "queries": int((result.problems["Severity"] == "query").sum())}


def _paths(paths: Any) -> list[Path]:
    if isinstance(paths, str | os.PathLike):
        return [Path(paths)]
    if isinstance(paths, Iterable):
        return [Path(p) for p in paths]
    raise GraderError(f"{paths!r} is no path: name files or folders.")


def _day(as_of: date | str | None) -> date:
    if as_of is None:
        return date.today()
    if isinstance(as_of, datetime):
        return as_of.date()
    if isinstance(as_of, date):
        return as_of
    try:
        return date.fromisoformat(str(as_of))
    except ValueError as error:
        raise GraderError(f"{as_of!r} is no date: write it as 2026-03-14.") from error


def _check_rules(rules: str) -> None:
    """A wrong --rules stops the run before anything is read."""
    from grader.judge.rulesets import resolve_edition

    if str(rules).casefold().endswith(".toml"):
        load_ruleset(rules)
    else:
        ids = resolve_edition(rules, np.array(["2020-01-01"], dtype="datetime64[D]"))
        if ids[0] and load_ruleset(ids[0]).information_only:
            raise GraderError(f"{rules} is for information only and judges nothing: name a rule set for breathing air.")
