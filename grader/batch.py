"""The run on one page, and its check: rows found = rows graded + rows refused, per file."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from grader import __version__
from grader.alongside import of_their_sites, only, sharing_lots, sum_of_past
from grader.begin import Begun, begin
from grader.columns import OF_CELLS, SAID_OTHERWISE
from grader.compute.water import OF_COMPUTING, compute_water
from grader.data import load_toml
from grader.frames import with_columns
from grader.judge.also import Also, also_judged
from grader.judge.assign import DEFAULT_RULES, Assigned, assign_rules
from grader.judge.context import Past, judge_with_past, judging_again, recall, stated
from grader.judge.counts import against_counts
from grader.judge.decision import decision_cautions, decision_text, tightened
from grader.judge.queries import query_future, query_odd_supplies, query_replaced_fails
from grader.judge.reasons import add_reasons
from grader.judge.rules.sets import RuleSet, limits_table, load_ruleset
from grader.judge.substances import limit_lines, query_substances
from grader.judge.unclear import Read, judge_unclear
from grader.judge.verdicts import OF_JUDGING
from grader.judge.worse import worse_of
from grader.normalise import normalise
from grader.problems import GraderError, Problems, Table
from grader.read.cells import read_cells
from grader.read.layout import LayoutFile
from grader.read.log import Log
from grader.read.register import Register, read_register
from grader.read.understood import in_short, understood_table
from grader.register.fill import fill, with_lowest_marks
from grader.register.laboratory import Joined, differing, join, settled
from grader.register.lines import cleared, cleared_since, stated_names, validity
from grader.register.plant import plant_table, query_plant, with_parts
from grader.report import problem_table, source_table, unbalanced
from grader.result import Options, Result, options_of
from grader.review import history
from grader.review.actions.findings import Actions, actions_table
from grader.review.actions.sheet import actions_sheet
from grader.review.due import due_table
from grader.review.equipment import equipment_table, reading_off, summary_lines
from grader.review.names import SharedSlip, shared_slips
from grader.review.odd.oddities import oddities_table
from grader.review.past import chances_with_past
from grader.review.plan import plan_table
from grader.review.sites import sites_table
from grader.review.summary.page import Facts, awaited_line, slip_lines, summary_page, system_lines
from grader.review.trend import trend_table
from grader.review.verdict_sheet import verdict_table
from grader.review.wear.findings import wear_findings
from grader.review.wear.shared import LotReadings
from grader.review.wear.table import lots_of, wear_table
from grader.review.works import query_works
from grader.review.years import ALL_SITES, years_table
from grader.words import words

# Ends of the names of columns that no stage after the judge reads: the table of tests carries them no further.
BEFORE_REVIEW = (*OF_CELLS, *OF_COMPUTING, *OF_JUDGING)


@np.errstate(over="ignore", invalid="ignore")  # as for `judged`
def run(
    paths: Any,
    *,
    layouts: Iterable[str | os.PathLike[str]] = (),
    history: str | os.PathLike[str] | None = None,
    reading_limits: Mapping[str, float] | None = None,
    progress: Callable[[int, int], None] | None = None,
    told: Callable[[Log, pd.DataFrame], None] | None = None,
    **asked: Any,
) -> Result:
    """Read, normalise, compute, judge, review: arguments, columns and errors as grader.grade has them.

    paths : or the Begun that `begin` made of paths, layouts, history and limits before.
    told  : called with the log and the judged table as soon as there is one, before the review.
    """
    options = options_of(**asked)
    begun = paths
    if not isinstance(paths, Begun):
        begun = begin(paths, layouts=layouts, history=history, limits=reading_limits)
    options.layouts, options.reading_limits, problems = begun.layouts, begun.limits, begun.problems
    log = begun.log(progress)
    first = None if begun.named is None else int(log.files["name"].isin(begun.named).sum())
    if first is not None:
        if not first:
            raise GraderError("Nothing to grade: no workbook but results and records of this program was named.")
        options.history = sum_of_past(log, first)
    graded = judged(log, options, problems, first)
    graded.tests = with_parts(graded.tests, graded.register)
    graded.tests = cleared_since(graded.tests, graded.register, np.datetime64(options.as_of))
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
    register   : what the firm's register says. beside : what sites that are not here say of tube lots used here.
    """

    tests: pd.DataFrame
    log: Log
    problems: Problems
    rulesets: dict[str, RuleSet]
    superseded: int = 0
    also: Also = field(default_factory=Also)
    slips: list[SharedSlip] = field(default_factory=list)
    register: Register = field(default_factory=lambda: read_register([], [], Problems()))
    beside: LotReadings | None = None


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
        return read_cells(raw, problems, month_first=options.month_first)

    register = read_register(log.register, names, problems, month_first=options.month_first, language=options.language)
    log = replace(log, rows=with_lowest_marks(log.rows, register, problems))
    tests = read(log.rows, log.tables, problems)
    same, day = settled_names(options.layouts, register), np.datetime64(options.as_of)
    tests = normalise(tests, names, problems, day, same)
    joined = join(tests, settled(register, same), problems, day, options.language)
    tests = joined.tests
    slips = shared_slips(tests, problems)
    beside = None
    if named is not None:
        theirs = of_their_sites(tests, named)
        others = sharing_lots(tests, theirs, load_toml("wear.toml")["lot_days"])
        if others.any():
            stage = _stages(*only(tests, log, Problems(), others), joined.of(others), register, options, read)
            beside = lots_of(stage.judging(stage.assigned.tests, stage.rulesets, Problems()))
            del stage
        tests, log, problems = only(tests, log, problems, theirs)
        joined = joined.of(theirs)
    stage = _stages(tests, log, problems, joined, register, options, read)
    assigned, rulesets = stage.assigned, stage.rulesets
    tests = query_replaced_fails(against_counts(stage.judging(assigned.tests, rulesets, problems)), problems)
    query_substances(tests, problems)
    query_future(tests, problems, day, options.language)
    for name in SAID_OTHERWISE:
        problems.add_tests(f"{name}_otherwise", tests.index.to_numpy()[tests[f"{name}_otherwise"]], name)
    tests = add_reasons(tests, rulesets, options.language)
    also = also_judged(assigned.tests, options.also, options.language, options.decision_rule, stage.judging)
    return Judged(tests, log, problems, rulesets, assigned.superseded, also, slips, register, beside)


class _Stages(NamedTuple):
    """The tests with their rule sets, and what judges them (a table, by rule sets, problems to be added to)."""

    assigned: Assigned
    rulesets: dict[str, RuleSet]
    judging: Callable[[pd.DataFrame, dict[str, RuleSet], Problems], pd.DataFrame]


def _stages(
    tests: pd.DataFrame, log: Log, problems: Problems, joined: Joined, register: Register, options: Options, read: Read
) -> _Stages:
    """Register, what was stated before, water and rule sets of tests that have their names; and how they are judged."""
    names = [str(n) for n in log.files["name"]]
    filled = fill(tests, register, problems)
    reported = joined.besides(filled.tests)
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
        def otherwise_judged(otherwise: pd.DataFrame) -> pd.DataFrame:
            then = recall(otherwise, names, compute_water, Problems(), options.language)
            ruled = with_columns(compute_water(then.tests, Problems()), {"ruleset": tests["ruleset"].to_numpy()})
            return once(ruled, then, rulesets, Problems())

        found = as_read = once(tests, past, rulesets, problems)
        say = words(options.language)["past"]
        for rows, otherwise in reported:
            other = otherwise_judged(otherwise)
            differing(as_read, other, rows, problems)
            found, _ = worse_of(found, other, rows, filled.tests.columns, rulesets, say["laboratory"])
        for rows, otherwise in filled.tried:
            for at, table in [(rows, otherwise), *joined.besides(otherwise, rows)]:
                other = otherwise_judged(table)
                found, worse = worse_of(found, other, at, filled.tests.columns, rulesets, say["register"])
                problems.add_tests("register_tried", found.index.to_numpy()[worse])
        return found

    return _Stages(assigned, rulesets, judging)


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
    oddities = oddities_table(tests, problems, as_of=day, language=options.language, file_names=names)
    wear = wear_table(tests, read, as_of=day, language=options.language, elsewhere=found.beside, odd=oddities.frame)
    past = chances_with_past(tests, read, wear)
    wearing = wear_findings(tests, wear, as_of=day, language=options.language, file_names=names, sheet_names=sheets)
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
    query_plant(tests, found.register, problems, day)
    history.left_out(tests, problems)
    history.slips(tests, problems)
    sources = source_table(log, tests, history.old_sources(tests, len(names), as_of=day)).iloc[:first]
    lost = sources[np.isin(sources.index, [*unbalanced(sources).index, *misplaced(log, tests, verdicts)])]
    for number, there, graded, refused in zip(lost.index, *(lost[f"Rows {n}"] for n in ("found", "graded", "refused"))):
        problems.add(
            "rows_do_not_balance", file=int(number), found=int(there), graded=int(graded), refused=int(refused)
        )
    verdicts = verdicts[tests["file"].to_numpy() < first]
    actions = actions.of(tests["file"].to_numpy()[actions.test] < first)
    problem_frame, problem_tests = problem_table(problems, log, options.language, first)
    used = rulesets or {DEFAULT_RULES: load_ruleset(DEFAULT_RULES)}
    limits = pd.DataFrame([*limits_table({**beside.rulesets, **used}.values()), *limit_lines(tests)]).fillna("")
    cautions = decision_cautions(used, options.as_of, options.language)
    equipment = equipment_table(tests, validity(found.register), oddities.frame, as_of=day, language=options.language)
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
            *awaited_line(due, options.language),
            *reading_off(oddities.frame, options.language),
            *summary_lines(equipment, options.language),
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
            "Understood": in_short(understood),
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
        # A line of many files leads nowhere: a link shows on one line, and this one lists all cells.
        links=_links(actions, np.where(problem_frame["Sheet"] == "", -1, problem_tests)),
        rulesets=used,
        unbalanced=[str(n) for n in lost["File"]],
        open_findings=open_findings,
        cautions=cautions,
        each_problem=lambda: problem_table(problems, log, options.language, first, each=True)[0],
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
