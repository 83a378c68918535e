"""What is asked of a run, and what comes of it: the options, and the result with everything it can write."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from grader import __version__
from grader.columns import ALWAYS, SHEET_ORDER, TEST_WORDS
from grader.judge.also import check_also
from grader.judge.assign import DEFAULT_RULES
from grader.judge.decision import decision_text
from grader.judge.rules.sets import RuleSet, limits_table, load_ruleset
from grader.page import Page
from grader.problems import GraderError
from grader.read.layout import LayoutFile
from grader.read.log import Log
from grader.review.actions.findings import Actions, actions_table
from grader.words import languages


@dataclass
class Options:
    """What can change a figure; recorded in the result. Paths of the result and numbers of workers are not here."""

    rules: str | None = None
    as_of: date = field(default_factory=date.today)
    month_first: bool = False
    interval_months: int | None = None
    language: str = "en"
    layouts: tuple[LayoutFile, ...] = ()
    decision_rule: str | None = None
    also: tuple[str, ...] = ()
    reading_limits: dict[str, float] = field(default_factory=dict)  # those that differ from the shipped ones
    history: str = ""  # what the past was that the files were judged with

    def recorded(self) -> str:
        """The options as one line for the result."""
        return (
            f"rules={_rule_name(self.rules or DEFAULT_RULES)}; as-of={self.as_of}; month-first={self.month_first}; "
            f"interval-months={self.interval_months or 'by rule set'}; language={self.language}"
            f"; decision-rule={self.decision_rule or 'by rule set'}"
            + "".join(f"; also={_rule_name(name)}" for name in self.also)
            + "".join(f"; limit={name} {value:.12g}" for name, value in sorted(self.reading_limits.items()))
            + "".join(f"; layout={f.path.name} {f.sha256[:12]}" for f in self.layouts)
            + (f"; history={self.history}" if self.history else "")
        )


def _rule_name(asked: str) -> str:
    """A rule set as it was asked for; a file by its name and what it said, wherever it lay."""
    if not str(asked).casefold().endswith(".toml"):
        return str(asked)
    rules = load_ruleset(asked)
    return f"{Path(asked).name} {rules.sha256[:12]}"


@dataclass
class Result:
    """Everything of one run. The frames have the columns of the sheets of the same name."""

    verdicts: pd.DataFrame
    wear: pd.DataFrame
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
    open_findings: Actions | None = None
    pages: dict[str, Page] = field(default_factory=dict)
    cautions: list[str] = field(default_factory=list)
    each_problem: Callable[[], pd.DataFrame] = pd.DataFrame  # the problems before one cause became one line
    named: int | None = None  # with a history: the first so many files were judged, the others are their past

    @property
    def graded(self) -> pd.DataFrame:
        """The judged table of the tests that were to be graded, without those of a history."""
        return self.tests if self.named is None else self.tests[self.tests["file"].to_numpy() < self.named]

    @property
    def inputs(self) -> list[Path]:
        """The files that were read; none of them is ever written over."""
        return [Path(p) for p in self.log.files["path"]]

    @property
    def refused(self) -> bool:
        """Whether some file or row could not be graded, or the count of rows does not hold: exit status 1."""
        return bool((self.problems["Severity"] == "refused").any()) or bool(self.unbalanced)

    @property
    def instruments_and_tubes(self) -> pd.DataFrame:
        """The sheet of that name: one row an instrument or lot."""
        return self.more["Instruments and tubes"]

    @property
    def plant(self) -> pd.DataFrame:
        """The sheet of that name: one row a part of the register."""
        return self.more["Plant"]

    def frames(self) -> dict[str, pd.DataFrame]:
        """Sheet name -> frame, in the order of the sheets."""
        found = {
            "Verdicts": self.verdicts,
            "Actions": self.actions,
            "Wear": self.wear,
            "Due": self.due,
            "Trend": self.trend,
            "Years": self.years,
            "Problems": self.problems,
            "Sources": self.sources,
            "Limits": self.limits,
            **self.more,
        }
        there = sorted(found, key=SHEET_ORDER.index)  # a sheet without a place there is an error, never left out
        return {name: found[name] for name in there if name in ALWAYS or len(found[name])}

    def properties(self) -> dict[str, str]:
        """What the run was: version, options, versions of the rule sets; kept in the result's properties."""
        return {
            "grader-version": __version__,
            "options": self.options.recorded(),
            "rule-sets": ", ".join(f"{r.id} v{r.rule_version}" for r in self.rulesets.values()),
        }

    def write(self, path: str | os.PathLike[str], created: datetime | None = None) -> Any:
        """Write the result workbook; see grader.write.result.write_result.

        Raises : GraderError (one line) where the target cannot be written; an earlier result stays whole.
        """
        from grader.review.urgent import urgent_first
        from grader.write.result import write_result

        frames = self.frames()
        return write_result(
            path,
            frames,
            self.summary,
            order=urgent_first(frames, self.options.as_of),
            colours={name: words for name, words in self.colours.items() if name in frames},
            links={name: link for name, link in self.links.items() if name in frames},
            sparklines={name: columns for name, columns in self.sparklines.items() if name in frames},
            pages=self.pages,
            properties=self.properties(),
            created=created,
            inputs=self.inputs,
            language=self.options.language,
        )

    def write_records(self, folder: str | os.PathLike[str], created: datetime | None = None) -> list[Path]:
        """Write one record a site and visit, and a notice for each site with an outlet out of use.

        folder  : where to; made if it is not there. A record that is there already and says the same stays.
        Returns : paths of all records and notices.
        Raises  : GraderError (one line) where the folder cannot be written.
        """
        from grader.review.record.notices import out_of_use_notices
        from grader.review.record.records import visit_records
        from grader.write.record import write_records

        limits = pd.DataFrame(limits_table(self.rulesets.values(), self.options.language))
        records = visit_records(
            self.graded,
            None,
            self.log.files[["name", "sha256"]],
            self.rulesets,
            limits,
            version=__version__,
            options=self.options.recorded(),
            decision_rule=decision_text(self.rulesets, self.options.language),
            language=self.options.language,
        )
        found = self.open_findings or actions_table(self.tests, language=self.options.language)
        notices = out_of_use_notices(
            self.tests, found, as_of=self.options.as_of, version=__version__, language=self.options.language
        )
        return write_records(
            folder, [*records, *notices], created=created, language=self.options.language, inputs=self.inputs
        )

    def write_reports(self, folder: str | os.PathLike[str], period: str, created: datetime | None = None) -> list[Path]:
        """Write one report a client over a period (a year, or `2025-07..2026-06`) into a folder.

        Returns : paths, by client; none where nothing of the period was tested.
        Raises  : GraderError for a period that is none, and where the folder cannot be written.
        """
        from grader.review.client_report import as_period, client_reports
        from grader.write.record import write_records

        reports = client_reports(
            self.tests,
            self.due,
            self.wear,
            as_period(period),
            as_of=self.options.as_of,
            version=__version__,
            decision_rule=decision_text(self.rulesets, self.options.language),
            language=self.options.language,
        )
        return write_records(folder, reports, created=created, language=self.options.language, inputs=self.inputs)

    def list_records(self) -> None:
        """Add the sheet Records: number, site, day and files of every record, and what supersedes what."""
        from grader.review.record.numbers import numbered, recorded, records_table, visit_groups

        names, sums = ([str(v) for v in self.log.files[column]] for column in ("name", "sha256"))
        groups = visit_groups(self.tests)
        there = set(groups[recorded(self.tests)].tolist())
        records = numbered(self.tests, groups, names, sums)
        self.more["Records"] = records_table([records[g] for g in sorted(there)], names)

    def draw(self, site: str) -> None:
        """Add the sheets Charts and Chart data: each outlet of a site over time, against its limits.

        Raises : GraderError where no such site was read.
        """
        from grader.review.charts import DATA_SHEET, SHEET, site_charts

        self.more[DATA_SHEET], self.pages[SHEET] = site_charts(self.tests, site, self.options.language)

    def write_marked_copies(self, folder: str | os.PathLike[str]) -> tuple[list[Path], list[str]]:
        """Write a copy of each .xlsx and .xlsm with problems, the cells in question coloured and commented.

        folder  : where to; made if it is not there. The originals are never touched.
        Returns : paths written, and one line for each file that got no copy or lost something in it.
        Raises  : GraderError (one line) where the folder cannot be written.
        """
        from grader.write.marked import write_marked_copies

        return write_marked_copies(folder, self.each_problem(), self.log.files, language=self.options.language)

    def compare(self, old_result: str | os.PathLike[str]) -> None:
        """Add the sheet Changes: the verdicts that differ from those of an earlier result, and why.

        Raises : GraderError where the file is no result of this program.
        """
        from grader.review.compare import compare_table, read_old_result

        old = read_old_result(old_result)
        if self.named is not None:  # of the others nothing is said here, so none of them is gone
            old = old[old["File"].isin(self.sources["File"])].reset_index(drop=True)
        self.more["Changes"] = compare_table(old, self.verdicts, run=self.properties(), language=self.options.language)


def options_of(
    rules: str | None = None,
    as_of: date | str | None = None,
    month_first: bool = False,
    interval_months: int | None = None,
    language: str = "en",
    decision_rule: str | None = None,
    also: Iterable[str] = (),
) -> Options:
    """The options that grader.grade was asked for, checked before anything is read.

    Raises : GraderError, one clear line, for a day, language or rule set that is none.
    """
    if language not in languages():
        raise GraderError(f"{language!r}: no words for this language. There are: {', '.join(languages())}.")
    if rules is not None:
        _check_rules(rules)
    check_also(tuple(also))
    asked = Options(rules, _day(as_of), month_first, interval_months, language)
    return replace(asked, decision_rule=decision_rule, also=tuple(also))


def counts(result: Result) -> dict[str, int]:
    """Headline counts of a result: files, tests by verdict, rows refused, queries."""
    verdict = result.graded["verdict"].to_numpy()
    files = result.sources
    return {
        "files": len(files),
        "files_refused": int((files["State"] == "refused").sum()),
        "tests": len(verdict),
        **{word: int((verdict == code).sum()) for code, word in enumerate(TEST_WORDS)},
        "rows_refused": int(files["Rows refused"].sum()),
        "queries": int((result.problems["Severity"] == "query").sum()),
    }


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
    from grader.judge.rules.sets import resolve_edition

    if str(rules).casefold().endswith(".toml"):
        load_ruleset(rules)
    else:
        ids = resolve_edition(rules, np.array(["2020-01-01"], dtype="datetime64[D]"))
        if ids[0] and load_ruleset(ids[0]).information_only:
            raise GraderError(f"{rules} is for information only and judges nothing: name a rule set for breathing air.")
