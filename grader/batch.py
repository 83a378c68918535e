"""The run on one page, and its check: rows found = rows graded + rows refused, per file."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from grader import __version__
from grader.alongside import of_their_sites, sum_of_past, with_past
from grader.columns import ALWAYS, SAID_OTHERWISE, SHEET_ORDER, TEST_FAIL, TEST_INCOMPLETE, TEST_NEAR, TEST_PASS
from grader.compute.water import compute_water
from grader.frames import text, with_columns
from grader.judge.also import Also, also_judged, check_also
from grader.judge.assign import DEFAULT_RULES, assign_rules
from grader.judge.context import Past, judge_with_past, judging_again, recall, stated
from grader.judge.decision import decision_cautions, decision_text, tightened
from grader.judge.queries import query_odd_supplies, query_replaced_fails
from grader.judge.reasons import add_reasons
from grader.judge.rules.sets import RuleSet, limits_table, load_ruleset
from grader.judge.unclear import judge_unclear
from grader.judge.worse import worse_of
from grader.normalise import normalise
from grader.page import Page
from grader.problems import GraderError, Problems, Table
from grader.read.cells import read_cells
from grader.read.find import find_workbooks
from grader.read.layout import LayoutFile, with_layouts
from grader.read.log import Log
from grader.read.process import changed_limits, read_workbooks
from grader.read.register import Register, read_register
from grader.read.understood import understood_table
from grader.register.fill import fill, with_lowest_marks
from grader.register.lines import cleared, stated_names, validity
from grader.register.plant import plant_table
from grader.report import problem_table, source_table, unbalanced
from grader.review import history
from grader.review.actions.findings import Actions, actions_table
from grader.review.actions.sheet import actions_sheet
from grader.review.due import due_table
from grader.review.equipment import equipment_table, running_out
from grader.review.names import SharedSlip, shared_slips
from grader.review.odd.oddities import oddities_table
from grader.review.past import chances_with_past
from grader.review.plan import plan_table
from grader.review.sites import sites_table
from grader.review.summary.page import Facts, slip_lines, summary_page, system_lines
from grader.review.trend import trend_table
from grader.review.verdict_sheet import verdict_table
from grader.review.wear.findings import wear_findings
from grader.review.wear.table import wear_table
from grader.review.works import query_works
from grader.review.years import ALL_SITES, years_table
from grader.words import languages, words

# Ends of the names of columns that no stage after the judge reads: the table of tests carries them no further.
BEFORE_REVIEW = (
    "_how",
    "_clash",
    "_per_ln_water",
    "_per_ln_pressure",
    "_pressure_pa",
    "_wanted",
    "_doubtful",
    "_lot_state",
    "location_key",
    *(f"{name}_state" for name in ("site", "client", "outlet", "instrument", "remarks", "tested_by", "work_done")),
    "margin_met",
    "oil_needs_min",
    "dew_above_line",
    "dew_as_tested_doubt",
    "station_pressure_given",
    "temperature_doubt",
    "odour_doubt",
)


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
    named: int | None = None  # with a history: the first so many files were judged, the others are their past

    @property
    def graded(self) -> pd.DataFrame:
        """The judged table of the tests that were to be graded, without those of a history."""
        return self.tests if self.named is None else self.tests[self.tests["file"].to_numpy() < self.named]

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
        return {name: found[name] for name in SHEET_ORDER if name in found and (name in ALWAYS or len(found[name]))}

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
            inputs=[Path(p) for p in self.log.files["path"]],
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
            folder,
            records,
            notices,
            created=created,
            language=self.options.language,
            inputs=[Path(p) for p in self.log.files["path"]],
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
        inputs = [Path(p) for p in self.log.files["path"]]
        return write_records(folder, reports, [], created=created, language=self.options.language, inputs=inputs)

    def list_records(self) -> None:
        """Add the sheet Records: number, site, day and files of every record, and what supersedes what."""
        from grader.review.record.numbers import numbered, records_table, visit_groups

        names, sums = ([str(v) for v in self.log.files[column]] for column in ("name", "sha256"))
        groups = visit_groups(self.tests)
        there = set(groups[self.tests["visited"].to_numpy()].tolist())
        made = numbered(self.tests, groups, names, sums)
        self.more["Records"] = records_table([made[g] for g in sorted(there)], names)

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

        return write_marked_copies(
            folder,
            self.problems,
            self.log.files,
            language=self.options.language,
            inputs=[Path(p) for p in self.log.files["path"]],
        )

    def compare(self, old_result: str | os.PathLike[str]) -> None:
        """Add the sheet Changes: the verdicts that differ from those of an earlier result, and why.

        Raises : GraderError where the file is no result of this program.
        """
        from grader.review.compare import compare_table, read_old_result

        old = read_old_result(old_result)
        if self.named is not None:  # of the others nothing is said here, so none of them is gone
            old = old[old["File"].isin(self.sources["File"])].reset_index(drop=True)
        self.more["Changes"] = compare_table(old, self.verdicts, run=self.properties(), language=self.options.language)


@np.errstate(over="ignore", invalid="ignore")  # as for `judged`
def run(
    paths: Any,
    *,
    rules: str | None = None,
    as_of: date | str | None = None,
    month_first: bool = False,
    interval_months: int | None = None,
    language: str = "en",
    layouts: Iterable[str | os.PathLike[str]] = (),
    decision_rule: str | None = None,
    also: Iterable[str] = (),
    reading_limits: Mapping[str, float] | None = None,
    history: str | os.PathLike[str] | None = None,
    progress: Callable[[int, int], None] | None = None,
    told: Callable[[Log, pd.DataFrame], None] | None = None,
) -> Result:
    """Read, normalise, compute, judge, review. Arguments as grader.grade; progress(files done, files in all).

    told    : called with the log and the judged table as soon as there is one, before the review.

    layouts : layout files besides those that lie in the folders (NAME.layout.toml).
    decision_rule : "simple" or "guarded"; tightens what the rule sets state, never loosens it.
    also    : rule sets whose verdicts stand in further columns of Verdicts.
    reading_limits : limits of data/limits_reading.toml that are to be others, such as {"file_bytes": 600e6}.
    history : folder with the past of the sites in `paths`: they are judged with it; verdicts, actions, problems and
              sources are of `paths`, all else of their sites.

    Raises : GraderError where there is nothing to read, or an argument is wrong.
    """
    options = Options(rules, _day(as_of), month_first, interval_months, language)
    options.decision_rule, options.also = decision_rule, tuple(also)
    limits = changed_limits(reading_limits or {})
    options.reading_limits = dict(reading_limits or {})
    if language not in languages():
        raise GraderError(f"{language!r}: no words for this language. There are: {', '.join(languages())}.")
    if rules is not None:
        _check_rules(rules)
    check_also(options.also)
    problems = Problems()
    found = find_workbooks(_paths(paths), problems)
    named = None if history is None else {file.name for file in found.files}
    folders = [] if history is None else [Path(history)]
    found = with_past(found, folders, problems)
    found, options.layouts = with_layouts(found, [*_paths(paths), *folders], layouts, problems)
    log = read_workbooks(found, problems, limits=limits, progress=progress)
    first = None if named is None else int(log.files["name"].isin(named).sum())
    if first is not None:
        if not first:
            raise GraderError("Nothing to grade: no workbook but results and records of this program was named.")
        options.history = sum_of_past(log, first)
    graded = judged(log, options, problems, first)
    graded.tests = graded.tests.drop(columns=[c for c in graded.tests.columns if str(c).endswith(BEFORE_REVIEW)])
    if told is not None:
        told(log, graded.tests if first is None else graded.tests[graded.tests["file"].to_numpy() < first])
    return _reviewed(graded, options, first)


@dataclass
class Judged:
    """What the stages up to the reasons make of a log.

    tests      : judged table, one row a test, in the order of log.rows. problems : collected on the way.
    log        : what they were made of.
    rulesets   : by id, those that judge a test, as the decision rule asked for leaves them.
    superseded : how many tests were judged by a rule set that was superseded on their day.
    also       : what further rule sets say. slips : names of sites and clients that may be one, of the whole log.
    register   : what the firm's register says.
    """

    tests: pd.DataFrame
    log: Log
    problems: Problems
    rulesets: dict[str, RuleSet]
    superseded: int = 0
    also: Also = field(default_factory=Also)
    slips: list[SharedSlip] = field(default_factory=list)
    register: Register = field(default_factory=lambda: read_register([], [], Problems()))


# A figure such as 1e300 is a doubt that the problems tell of, not lines about an overflow on the terminal.
@np.errstate(over="ignore", invalid="ignore")
def judged(log: Log, options: Options, problems: Problems | None = None, named: int | None = None) -> Judged:
    """The one order of stages: cells, names and visits, water, rule sets, queries, verdicts, reasons, other rule sets.

    log      : as read. Rows are never dropped: the index of Judged.tests is that of log.rows.
    problems : those of reading, to be added to; None begins anew.
    named    : where given, only the first so many files are judged; of the others, their past, the tests of the same
               sites stay.
    Raises   : GraderError for a rule set or decision rule that is none.
    """
    problems = Problems() if problems is None else problems
    names = [str(n) for n in log.files["name"]]

    def read(rows: pd.DataFrame, tables: list[Table], problems: Problems) -> pd.DataFrame:
        raw = replace(log, rows=rows, tables=tables)
        return read_cells(raw, problems, month_first=options.month_first, language=options.language)

    register = read_register(log.register, names, problems, month_first=options.month_first, language=options.language)
    log = replace(log, rows=with_lowest_marks(log.rows, register, problems))
    tests = read(log.rows, log.tables, problems)
    tests = normalise(tests, names, problems, np.datetime64(options.as_of), settled_names(options.layouts, register))
    slips = shared_slips(tests, problems)
    if named is not None:
        tests, log, problems = of_their_sites(tests, log, problems, named)
    filled = fill(tests, register, problems)
    entered = stated(filled.tests) & ~stated(tests)  # in the register: not to be stated on a second day
    past = recall(filled.tests, names, compute_water, problems, options.language, entered)
    assigned = assign_rules(compute_water(past.tests, problems), problems, options.rules)
    query_odd_supplies(assigned.tests, problems)
    rulesets = tightened(assigned.rulesets, options.decision_rule)

    def once(tests: pd.DataFrame, past: Past, rulesets: dict[str, RuleSet], problems: Problems) -> pd.DataFrame:
        of_past = judge_with_past(tests, past, rulesets, problems)
        again = judging_again(tests, past.compute, rulesets)
        return judge_unclear(of_past, past.tests, log.rows, log.tables, read, again, rulesets, problems)

    def judging(tests: pd.DataFrame, rulesets: dict[str, RuleSet], problems: Problems) -> pd.DataFrame:
        found = once(tests, past, rulesets, problems)
        for rows, otherwise in filled.tried:
            then = recall(otherwise, names, compute_water, Problems(), options.language)
            ruled = with_columns(compute_water(then.tests, Problems()), {"ruleset": tests["ruleset"].to_numpy()})
            other = once(ruled, then, rulesets, Problems())
            said = words(options.language)["past"]["register"]
            found, worse = worse_of(found, other, rows, filled.tests.columns, rulesets, said)
            problems.add_tests("register_tried", found.index.to_numpy()[worse])
        return found

    tests = query_replaced_fails(judging(assigned.tests, rulesets, problems), problems)
    harmful = text(tests, "harmful")
    problems.add_tests("harmful_not_judged", tests.index.to_numpy()[harmful != ""], what=harmful[harmful != ""])
    for name in SAID_OTHERWISE:
        problems.add_tests(f"{name}_otherwise", tests.index.to_numpy()[tests[f"{name}_otherwise"]], name)
    tests = add_reasons(tests, rulesets, options.language)
    also = also_judged(assigned.tests, options.also, options.language, options.decision_rule, judging)
    return Judged(tests, log, problems, rulesets, assigned.superseded, also, slips, register)


def settled_names(layouts: Iterable[LayoutFile], register: Register | None = None) -> dict[str, dict[str, str]]:
    """What all layout files, and the register's sheet Names behind them, say of names: kind -> as written -> what it means.

    Raises : GraderError where two of them say different things of one name.
    """
    found: dict[str, dict[str, str]] = {}
    for layout in layouts:
        for kind, names in layout.same.items():
            for written, means in names.items():
                if found.setdefault(kind, {}).setdefault(written, means) != means:
                    raise GraderError(
                        f'{layout.path.name}: same.{kind}: "{written}" is "{means}" here and '
                        f'"{found[kind][written]}" in another layout file. Leave one of them out.'
                    )
    for kind, names in stated_names(register).items() if register else ():
        found[kind] = {**names, **found.get(kind, {})}
    return found


def _reviewed(found: Judged, options: Options, named: int | None = None) -> Result:
    tests, log, problems, rulesets, beside = found.tests, found.log, found.problems, found.rulesets, found.also
    first = len(log.files) if named is None else named
    names = [str(n) for n in log.files["name"]]
    sheets = [t.sheet for t in log.tables]
    day = np.datetime64(options.as_of)
    open_findings = actions_table(tests, language=options.language, file_names=names, sheet_names=sheets)
    read = history.readings(tests)
    wear = wear_table(tests, read, as_of=day, language=options.language)
    past = chances_with_past(tests, read, wear)
    wearing = wear_findings(tests, wear, language=options.language, file_names=names, sheet_names=sheets)
    actions = actions_sheet(tests, open_findings, wearing, past, words(options.language)["together"])
    verdicts = verdict_table(tests, names, sheets, beside.columns, past)
    trend = trend_table(tests, problems, as_of=day, language=options.language, read=read, wear=wear)
    years = years_table(tests, read)
    del read  # half as large as the table of tests
    due = due_table(
        tests,
        as_of=day,
        interval_months=options.interval_months,
        problems=problems,
        file_names=names,
        rule_intervals={rule_id: rules.interval_months for rule_id, rules in rulesets.items()},
    )
    due = cleared(due, found.register, day)
    query_works(tests, problems)
    history.left_out(tests, problems)
    history.slips(tests, problems)
    oddities = oddities_table(tests, problems, as_of=day, language=options.language, file_names=names)
    sources = source_table(log, tests, history.old_sources(tests, len(names), as_of=day)).iloc[:first]
    lost = sources[np.isin(sources.index, [*unbalanced(sources).index, *misplaced(log, tests, verdicts)])]
    for number, there, graded, refused in zip(lost.index, *(lost[f"Rows {n}"] for n in ("found", "graded", "refused"))):
        problems.add(
            "rows_do_not_balance", file=int(number), found=int(there), graded=int(graded), refused=int(refused)
        )
    verdicts = verdicts[tests["file"].to_numpy() < first]
    actions = actions.of(tests["file"].to_numpy()[actions.test] < first)
    problem_frame, problem_tests = problem_table(problems, log, options.language)
    said = problem_frame["File"].isin(["", *names[:first]]).to_numpy()
    problem_frame, problem_tests = problem_frame[said].reset_index(drop=True), problem_tests[said]
    used = rulesets or {DEFAULT_RULES: load_ruleset(DEFAULT_RULES)}
    limits = pd.DataFrame(limits_table({**beside.rulesets, **used}.values()))
    cautions = decision_cautions(used, options.as_of, options.language)
    equipment = equipment_table(tests, validity(found.register), as_of=day, language=options.language)
    facts = Facts(
        tests,
        actions.frame,
        actions.test,
        problem_frame,
        sources,
        used,
        log.passed_over_counts(),
        found.superseded,
        options.as_of,
        options.recorded(),
        decision_text(used, options.language),
        __version__,
        wear=wear.table,
        trend=trend.table,
        due=due,
        graded=tests[tests["file"].to_numpy() < first],
        alarms=[
            *cautions,
            *slip_lines(found.slips, tests, options.language),
            *running_out(equipment, options.language),
            *system_lines(tests, options.language),
            *oddities.copied_forward,
        ],
    )
    sites, understood = sites_table(tests, due, as_of=day), understood_table(log)
    if named is not None:  # one site's past says nothing of the firm
        years = years[years["Level"] != "firm"].reset_index(drop=True)
        sites = sites[sites["Site"] != ALL_SITES].reset_index(drop=True)
        understood = understood[understood["File"].isin(names[:first])].reset_index(drop=True)
    return Result(
        verdicts=verdicts,
        wear=wear.table,
        trend=trend.table,
        years=years,
        due=due,
        actions=actions.frame,
        more={
            "Plan": plan_table(due, {i: frozenset(r.demanded) for i, r in rulesets.items()}, as_of=day),
            "Sites": sites,
            "Instruments and tubes": equipment,
            "Plant": plant_table(tests, found.register, day),
            "Oddities": oddities.frame,
            "Understood": understood,
        },
        colours={"Trend": trend.colours},
        sparklines={"Trend": trend.sparkline} if trend.sparkline else {},
        problems=problem_frame,
        sources=sources,
        limits=limits,
        summary=summary_page(facts, options.language),
        options=options,
        log=log,
        tests=tests,
        links=_links(actions, problem_tests),
        rulesets=used,
        unbalanced=[str(n) for n in lost["File"]],
        open_findings=open_findings,
        cautions=cautions,
        named=named,
    )


def misplaced(log: Log, tests: pd.DataFrame, verdicts: pd.DataFrame) -> set[int]:
    """Numbers of the files of which a row that was read does not stand exactly once, at its place, in what is written.

    log : as read. tests : judged table. verdicts : the sheet's table. A row lost and another counted twice are seen.
    """
    wrong: set[int] = set()
    file = log.rows["file"]
    if not tests.index.equals(log.rows.index):
        known = tests.index[tests.index.isin(log.rows.index)]
        changed = log.rows.index.difference(known).union(known[known.duplicated()])
        wrong |= set(file.loc[changed]) or set(log.files.index)  # rows from nowhere, or in another order
    elif (
        len(tests)
        and not (tests[["file", "row", "column"]].to_numpy() == log.rows[["file", "row", "column"]].to_numpy()).all()
    ):
        wrong |= set(log.files.index)
    names = log.files["name"].to_numpy(dtype=object)
    if len(verdicts) != len(tests):
        read, shown = (pd.Series(n).value_counts() for n in (names[file], verdicts["File"]))
        wrong |= {int(i) for i, name in enumerate(names) if read.get(name, 0) != shown.get(name, 0)}
    elif len(tests):
        at = tests["file"].to_numpy()
        wrong |= set(at[verdicts["File"].to_numpy(dtype=object) != names[at]])
    return {int(number) for number in wrong}


def _links(actions: Actions, problem_tests: np.ndarray) -> dict[str, dict[str, Any]]:
    return {
        "Actions": {"column": "Outlet", "targets": [("Verdicts", int(t)) for t in actions.test]},
        "Problems": {"column": "Cell", "targets": [("Verdicts", int(t)) if t >= 0 else None for t in problem_tests]},
    }


def counts(result: Result) -> dict[str, int]:
    """Headline counts of a result: files, tests by verdict, rows refused, queries."""
    verdict = result.graded["verdict"].to_numpy()
    files = result.sources
    return {
        "files": len(files),
        "files_refused": int((files["State"] == "refused").sum()),
        "tests": len(verdict),
        "pass": int((verdict == TEST_PASS).sum()),
        "near limit": int((verdict == TEST_NEAR).sum()),
        "incomplete": int((verdict == TEST_INCOMPLETE).sum()),
        "fail": int((verdict == TEST_FAIL).sum()),
        "rows_refused": int(files["Rows refused"].sum()),
        "queries": int((result.problems["Severity"] == "query").sum()),
    }


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
    from grader.judge.rules.sets import resolve_edition

    if str(rules).casefold().endswith(".toml"):
        load_ruleset(rules)
    else:
        ids = resolve_edition(rules, np.array(["2020-01-01"], dtype="datetime64[D]"))
        if ids[0] and load_ruleset(ids[0]).information_only:
            raise GraderError(f"{rules} is for information only and judges nothing: name a rule set for breathing air.")
