"""The command line: one small function a command: parse, call, print, exit."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Callable, Iterable, Iterator
from datetime import date, datetime
from pathlib import Path
from typing import Any

import click

from grader import __version__


class NothingWritten(click.ClickException):
    """One clear line, exit status 2."""

    exit_code = 2


def _known_language(context: click.Context, parameter: click.Parameter, value: str) -> str:
    """The code of a language that has words; another is one clear line that names those there are."""
    from grader.words import languages

    there = languages()
    code = value.strip().lower()
    if code not in there:
        raise NothingWritten(f"--language {value}: no words for it. There are: {', '.join(there)}.")
    return code


_PATH = click.Path(path_type=Path)


def _path_option(*names: str, metavar: str | None, text: str, **more: Any) -> Callable[[Any], Any]:
    """An option that names a file or a folder."""
    return click.option(*names, type=_PATH, metavar=metavar, help=text, **more)


def _print(lines: Iterable[str], err: bool = False) -> None:
    for line in lines:
        click.echo(line, err=err)


def _to_date(context: click.Context, parameter: click.Parameter, value: datetime | None) -> date | None:
    return value.date() if value else None


def _as_of_option(text: str) -> Callable[[Any], Any]:
    return click.option("--as-of", type=click.DateTime(["%Y-%m-%d"]), metavar="DATE", callback=_to_date, help=text)


@contextlib.contextmanager
def _stopping() -> Iterator[None]:
    """What stops a run is one line, and nothing was written."""
    from grader.problems import GraderError

    try:
        yield
    except GraderError as error:
        raise NothingWritten(str(error)) from error


def _language_option(of_what: str) -> Callable[[Any], Any]:
    return click.option(
        "--language",
        default="en",
        show_default=True,
        metavar="CODE",
        callback=_known_language,
        help=f"Language of {of_what}, such as de. Sheet names and headings stay English.",
    )


# What changes how tests are read, judged and worded: the same for `grade` and `watch`.
_JUDGING = (
    click.option(
        "--rules",
        metavar="RULESET",
        help="Rule set where row and visit name none: a name that `grader limits` "
        "lists, or your own .toml file. Default: en12021-2014.",
    ),
    click.option("--month-first", is_flag=True, help="Read 03/04/2026 as 4 March where a column fits both orders."),
    click.option(
        "--interval-months",
        type=click.IntRange(1, 60),
        metavar="MONTHS",
        help="Months between tests where row and visit say nothing. Default: the rule set's, else 3.",
    ),
    click.option(
        "--decision-rule",
        type=click.Choice(["simple", "guarded"]),
        help="Tighten what the rule set states: "
        "guarded fails a reading that is within its limit by less than its expanded uncertainty.",
    ),
    click.option(
        "--also",
        multiple=True,
        metavar="RULESET",
        help="Also judge by this rule set, in further columns of "
        "Verdicts (may be given again; iso8573-1-2010 gives purity classes).",
    ),
    _path_option(
        "--layout",
        "layouts",
        metavar="LAYOUT.toml",
        text="How a firm's own workbooks are to be read (may be given again); `grader layout FILE` makes one. Files "
        "called NAME.layout.toml in the folders are used without being named.",
        multiple=True,
    ),
    _language_option("Summary, reasons, problems, actions and records"),
)


def _judging_options(command: Callable[..., None]) -> Callable[..., None]:
    for option in reversed(_JUDGING):
        command = option(command)
    return command


class _Commands(click.Group):
    """The commands; files or folders without one are graded, so that a folder can be dragged onto the program."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        if args and args[0] not in self.commands and all(Path(a).exists() for a in args):
            first = Path(args[0]).resolve()
            graded = first.parent / f"{first.stem if first.is_file() else first.name} graded.xlsx"
            args = ["grade", *args, "-o", str(graded)]
            ctx.call_on_close(_wait_for_a_reader)
        return super().parse_args(ctx, args)


def _wait_for_a_reader() -> None:
    """Windows shuts the window of a program that something was dragged onto as soon as it ends."""
    if sys.platform == "win32" and sys.stdin.isatty() and sys.stdout.isatty():
        click.pause("Press any key to close this window.")


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110})
@click.version_option(__version__, prog_name="grader")
@click.pass_context
def main(context: click.Context) -> None:
    """Grade breathing-air test logs kept in spreadsheets, by a named standard.

    \b
    Example:  grader grade logs/ -o result.xlsx
    Files or folders without a command are graded beside themselves:  grader logs/

    It gives no permission to use an outlet: the competent person decides, local law and the standard rule.
    """
    if os.environ.get("NO_COLOR"):
        context.color = False


@main.command(
    "grade",
    short_help="Grade workbooks, or folders of them, into one result workbook.",
    epilog="Example:  grader grade logs/ extra.xlsx -o result.xlsx --as-of 2026-03-31",
)
@click.argument("paths", nargs=-1, required=True, type=_PATH)
@_path_option(
    "-o", "--output", default="result.xlsx", show_default=True, metavar=None, text="Where the result workbook goes."
)
@_judging_options
@_as_of_option("The day from which everything is counted. Default: today.")
@_path_option(
    "--history",
    metavar="FOLDER",
    text="Judge with the past of the same sites in this folder. Verdicts, actions, problems, sources and exit status "
    "are of PATHS alone.",
)
@_path_option(
    "--records",
    metavar="DIR",
    text="Also write one record a visit to hand over, and out-of-use notices, into this folder.",
)
@_path_option("--reports", metavar="DIR", text="Also write one report a client over --period into this folder.")
@click.option("--period", metavar="PERIOD", help="Of --reports: a year (2026), or months (2025-07..2026-06).")
@_path_option(
    "--marked-copies",
    metavar="DIR",
    text="Also write, for each .xlsx and "
    ".xlsm with problems, a copy with the cells in question coloured and commented.",
)
@_path_option("--compare", metavar="OLD_RESULT", text="Also list the verdicts that changed since that result.")
@click.option(
    "--charts",
    metavar="SITE",
    help="Also draw each outlet of this site over time, against its limits (sheets Charts and Chart data).",
)
@click.option(
    "--limit",
    "limits",
    multiple=True,
    metavar="NAME=NUMBER",
    help="Change a limit of reading, such as "
    "file_bytes=600000000, where a Problem says that it was in the way (may be given again).",
)
@click.option("-q", "--quiet", is_flag=True, help="Print only what failed to be graded, and errors.")
@click.option("-v", "--verbose", is_flag=True, help="Also print every query and note, a line each.")
def grade_command(
    paths: tuple[Path, ...],
    output: Path,
    as_of: date | None,
    records: Path | None,
    reports: Path | None,
    period: str | None,
    compare: Path | None,
    charts: str | None,
    marked_copies: Path | None,
    limits: tuple[str, ...],
    layouts: tuple[Path, ...],
    history: Path | None,
    quiet: bool,
    verbose: bool,
    **options: Any,
) -> None:
    """Grade PATHS, workbooks or folders of them, into one result workbook.

    Exit status: 0 every row found was graded, whatever the verdicts; 1 some file or row could not be graded;
    2 nothing was written.
    """
    from grader.read.process import start_early, stated_limits

    start_early()  # it gets ready while this process loads what it needs
    from grader.begin import begin
    from grader.write.safely import check_target

    if quiet and verbose:
        raise click.UsageError("Give --quiet or --verbose, not both.")
    if (reports is None) != (period is None):
        raise click.UsageError("--reports DIR and --period PERIOD go together.")

    with _stopping():
        check_target(output, [p for p in paths if p.is_file()])
        begun = begin(paths, layouts=layouts, history=history, limits=stated_limits(limits))
        from grader.batch import run  # and all that computes, while the files are read
        from grader.show_grade import count_lines, problem_lines, site_lines, test_lines

        def tell(_: Any, tests: Any) -> None:
            lines = [] if quiet else test_lines(tests)
            _print([*lines, ""] if lines else [])

        result = _with_bar(lambda tick: run(begun, as_of=as_of, progress=tick, told=tell, **options), quiet)
        if compare is not None:
            result.compare(compare)
        if charts is not None:
            result.draw(charts)
        if records is not None:
            result.list_records()
        result.write(output)
        written, remarks = [], []
        if records is not None:
            written.append(f"Records and notices: {len(result.write_records(records))} in {records}")
        if reports is not None:
            sent = len(result.write_reports(reports, str(period)))
            written.append(f"Reports: {sent} in {reports}" if sent else f"Reports: nothing was tested in {period}")
        if marked_copies is not None:
            copies, remarks = result.write_marked_copies(marked_copies)
            written.append(f"Marked copies: {len(copies)} in {marked_copies}")
        if compare is not None and not quiet:
            written.append(f"Changed since {compare.name}: {len(result.more['Changes'])} (sheet Changes)")
    _print([] if quiet else [*site_lines(result), "", *count_lines(result)])
    _print(result.cautions, err=True)
    _print(problem_lines(result, ("refused", "query", "note") if verbose else ("refused",)), err=True)
    _print(remarks, err=True)
    _print([*written, f"Result: {output}"])
    raise SystemExit(1 if result.refused else 0)


def _with_bar(work: Callable[[Callable[[int, int], None] | None], Any], quiet: bool) -> Any:
    """The work, with a progress bar on a terminal while files are read, and none in a pipe."""
    if quiet or not sys.stderr.isatty():
        return work(None)
    with contextlib.ExitStack() as reading:
        bar = reading.enter_context(
            click.progressbar(length=1, label="Reading", file=sys.stderr, show_pos=True)  # type: ignore[var-annotated]
        )

        def tick(done: int, total: int) -> None:
            bar.length = total
            bar.update(done - bar.pos)
            if done == total:
                reading.close()

        return work(tick)


@main.command(
    "watch",
    short_help="Grade a folder again whenever a file in it changes.",
    epilog="Example:  grader watch logs/ -o result.xlsx --every 10",
)
@click.argument("folder", type=_PATH)
@_path_option(
    "-o", "--output", metavar="RESULT.xlsx", text="Where the result workbook goes; it may lie in FOLDER.", required=True
)
@click.option(
    "--every",
    "seconds",
    default=5.0,
    show_default=True,
    type=click.FloatRange(0.1, 86_400),
    metavar="SECONDS",
    help="Time between two looks at the folder.",
)
@_judging_options
def watch_command(folder: Path, output: Path, seconds: float, **options: Any) -> None:
    """Grade FOLDER again whenever a file in it has arrived, changed or gone; end it with Ctrl-C.

    A file is graded once it has stopped growing: the same size and age at two looks. One line an event.
    """
    from grader.watch import watch

    with _stopping():
        watch(folder, output, interval_s=seconds, echo=click.echo, **options)


@main.command(
    "blank",
    short_help="Write the blank workbook, to be filled in on site.",
    epilog='Examples:  grader blank visit.xlsx;  grader blank next.xlsx --site "North yard" '
    "--from logs/;  grader blank next/ --due --months 3 --from logs/",
)
@click.argument("output", type=_PATH)
@click.option("--site", metavar="NAME", help="Fill in this site's outlets from earlier visits, readings left empty.")
@click.option("--client", metavar="NAME", help="Its client, where two clients have a site of that name.")
@click.option(
    "--due",
    is_flag=True,
    help="One blank for every site that the sheet Plan has in its first month, that of --as-of (what is overdue, out of "
    "use or not cleared is in it), or that falls due within 14 days; OUTPUT is then a folder.",
)
@click.option(
    "--months",
    type=click.IntRange(1, 12),
    metavar="NUMBER",
    help="With --due: so many months of the Plan; a site that stands in several gets one blank. Default: 1.",
)
@_path_option("--from", "folder", metavar="FOLDER", text="Where the earlier visits are.")
@_as_of_option("Default: today.")
@_language_option("the texts beside the cells and of the sheet for the reader")
def blank_command(
    output: Path,
    site: str | None,
    client: str | None,
    due: bool,
    months: int | None,
    folder: Path | None,
    as_of: date | None,
    language: str,
) -> None:
    """Write the blank workbook, to be filled in on site, to OUTPUT."""
    from grader.write.blank import write_blank

    if (site or due) and folder is None:
        raise click.UsageError("--site and --due need --from FOLDER, where the earlier visits are.")
    if site and due:
        raise click.UsageError("Give --site or --due, not both.")
    if months is not None and not due:
        raise click.UsageError("--months NUMBER goes with --due.")
    if folder is not None and not (site or due):
        raise click.UsageError("--from FOLDER goes with --site NAME or --due.")
    with _stopping():
        if folder is None:
            write_blank(output, language=language)
            click.echo(f"Blank: {output}")
        else:
            _next_blanks(output, folder, site, client, as_of, language, months or 1)


def _next_blanks(
    output: Path, folder: Path, site: str | None, client: str | None, as_of: date | None, language: str, months: int
) -> None:
    """Write blanks for one site, or for all that are due, and say where they are."""
    from grader.batch import run
    from grader.review.next_visit import next_visit, safe_file_name, sites_due
    from grader.write.blank import write_blank
    from grader.write.safely import made_folder

    result = _with_bar(lambda tick: run(folder, as_of=as_of, language=language, progress=tick), False)
    tables = result.tests, result.due, result.actions, result.plant, [str(name) for name in result.log.files["name"]]

    def write(path: Path, name: str, owner: str | None, more: str = "") -> None:
        blank = next_visit(*tables, site=name, client=owner, language=language)
        write_blank(path, **blank._asdict(), language=language)
        click.echo(f"Blank: {path}{more}")

    if site is not None:
        write(output, site, client)
        return
    wanted = sites_due(result.more["Plan"], result.due, result.options.as_of, months)
    made_folder(output, "blanks")
    taken: list[str] = []
    for (name, owner), outlets in wanted.items():
        taken.append(safe_file_name(name, owner, taken))
        write(output / taken[-1], name, owner, f" (outlets due: {outlets})")
    if not wanted:
        click.echo("No site has anything due by then.")


@main.command(
    "register",
    short_help="Write the register: instruments, tubes, plant, equipment, outlets.",
    epilog="Example:  grader register register.xlsx --from logs/",
)
@click.argument("output", type=_PATH)
@_path_option("--from", "folder", metavar="FOLDER", text="Fill in what the logs already say.")
@_language_option("the texts beside the cells and of the sheet for the reader")
def register_command(output: Path, folder: Path | None, language: str) -> None:
    """Write the firm's register to OUTPUT: what is entered once and known at every visit.

    It is found by itself at the top of a folder that is graded. An existing file is never written over.
    """
    from grader.write.register import write_register

    with _stopping():
        if folder is None:
            write_register(output, language=language)
        else:
            from grader.batch import run
            from grader.review.stated import stated_lines
            from grader.show_grade import problem_lines
            from grader.write.blank import new_file

            new_file(output, "the firm's register")  # before the work
            result = _with_bar(lambda tick: run(folder, language=language, progress=tick), False)
            found = stated_lines(result.tests, [str(n) for n in result.log.files["name"]], language)
            write_register(output, lines=found.lines, notes=found.notes, language=language)
            _print(problem_lines(result, ("refused",)), err=True)
    click.echo(f"Register: {output}")


@main.command(
    "layout",
    short_help="Show how a firm's own workbooks are understood.",
    epilog="Examples:  grader layout old-log.xlsx --save old-log.layout.toml   grader layout logs --save logs",
)
@click.argument("path", required=False, type=_PATH, metavar="FILE_OR_FOLDER")
@_path_option(
    "--save",
    metavar="LAYOUT.toml",
    text="Write it as a layout file, to be corrected and given to `grade --layout`; of a folder, the folder in which "
    "to write one for each kind of file.",
)
@_path_option(
    "--layout", "layouts", metavar="LAYOUT.toml", text="Show how it is read with this layout file.", multiple=True
)
@click.option("--fields", is_flag=True, help="List the fields: name, heading, unit, and the words that each knows.")
def layout_command(path: Path | None, save: Path | None, layouts: tuple[Path, ...], fields: bool) -> None:
    """Show how a firm's own workbooks are understood: each table, each column, and what is left over.

    Of a folder, the files that are built alike are shown together.
    """
    from grader.show_layout import field_lines, show_layout

    if fields:
        return _print(field_lines())
    if path is None:
        raise NothingWritten("Name a file or a folder, or --fields.")
    with _stopping():
        shown = show_layout(path, layouts, save)
    _print(shown.lines)
    raise SystemExit(0 if shown.tables else 1)


@main.command(
    "limits", short_help="List the rule sets, or every limit of one.", epilog="Example:  grader limits en12021-2014"
)
@click.argument("ruleset", required=False)
def limits_command(ruleset: str | None) -> None:
    """List the rule sets, or every limit of RULESET (a name or a .toml file) with its source."""
    from grader.judge.decision import rule_facts
    from grader.judge.rules.sets import limits_table, load_ruleset, rule_ids

    if ruleset is None:
        for rule_id in rule_ids():
            rules = load_ruleset(rule_id)
            about = " (for information only)" if rules.information_only else ""
            click.echo(f"{rule_id:24}{rules.document}, {rules.edition}{about}")
        return
    with _stopping():
        rules = load_ruleset(ruleset)
    _print([*rule_facts(rules), ""])
    columns = ("Parameter", "Condition", "Limit", "Source confidence", "Clause", "Judges", "Standard uncertainty")
    rows = [dict(zip(columns, columns)), *limits_table([rules])]
    widths = {c: max(len(r[c]) for r in rows) for c in columns}
    _print("  ".join(f"{row[c]:{w}}" for c, w in widths.items()).rstrip() for row in rows)
    if rules.note:
        click.echo(f"\n{rules.note}")


@main.command(
    "dewpoint",
    short_help="One dew point, step by step with its uncertainty.",
    epilog="Example:  grader dewpoint 500 --pressure 6",
)
@click.argument("water", type=float)
@click.option("--pressure", required=True, type=float, metavar="BAR", help="Line pressure, bar gauge.")
@click.option("--multiplier", default=1.0, show_default=True, type=float, help="Of the water tube's reading.")
@click.option(
    "--atmospheric", default=1013.25, show_default=True, type=float, metavar="HPA", help="Station pressure, hPa."
)
def dewpoint_command(water: float, pressure: float, multiplier: float, atmospheric: float) -> None:
    """Dew point of WATER mg/m³ (at 20 °C and 1013.25 hPa) at one line pressure, step by step with its uncertainty."""
    from grader.show_dewpoint import dewpoint_lines

    given = {"WATER": water, "--multiplier": multiplier, "--pressure": pressure, "--atmospheric": atmospheric}
    for (name, value), least in zip(given.items(), (0.0, 1.0, 0.0, 500.0)):
        if not value >= least:
            raise NothingWritten(f"{name} {value:g} is below {least:g}.")
    if atmospheric > 1100.0:
        raise NothingWritten(f"--atmospheric {atmospheric:g} hPa is no station pressure (500 to 1100 hPa).")
    _print(dewpoint_lines(water, pressure, multiplier, atmospheric))


if __name__ == "__main__":
    main()
