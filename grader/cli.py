"""The command line: one small function a command: parse, call, print, exit."""

from __future__ import annotations

import sys
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any, NoReturn

import click

from grader import __version__


class NothingWritten(click.ClickException):
    """One clear line, exit status 2."""

    exit_code = 2


def _stop(error: Exception) -> NoReturn:
    raise NothingWritten(str(error)) from error


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110})
@click.version_option(__version__, prog_name="grader")
def main() -> None:
    """Grade breathing-air test logs kept in spreadsheets, by a named standard.

    \b
    Example:  grader grade logs/ -o result.xlsx

    It gives no permission to use an outlet: the competent person decides, local law and the standard rule.
    """


@main.command("grade", epilog="Example:  grader grade logs/ extra.xlsx -o result.xlsx --as-of 2026-03-31")
@click.argument("paths", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("-o", "--output", default="result.xlsx", show_default=True, type=click.Path(path_type=Path),
              help="Where the result workbook goes.")
@click.option("--rules", metavar="RULESET", help="Rule set where row and visit name none: a name that `grader limits` "
              "lists, or your own .toml file. Default: en12021-2014.")
@click.option("--as-of", type=click.DateTime(["%Y-%m-%d"]), metavar="DATE",
              help="The day from which everything is counted. Default: today.")
@click.option("--month-first", is_flag=True, help="Read 03/04/2026 as 4 March where a column fits both orders.")
@click.option("--interval-months", default=3, show_default=True, type=click.IntRange(1, 60), metavar="MONTHS",
              help="Months between tests where row and visit say nothing.")
@click.option("-q", "--quiet", is_flag=True, help="Print only what failed to be graded, and errors.")
def grade_command(paths: tuple[Path, ...], output: Path, rules: str | None, as_of: datetime | None,
                  month_first: bool, interval_months: int, quiet: bool) -> None:
    """Grade PATHS, workbooks or folders of them, into one result workbook.

    Exit status: 0 every row found was graded, whatever the verdicts; 1 some file or row could not be graded;
    2 nothing was written.
    """
    from grader.batch import counts, run
    from grader.problems import GraderError
    from grader.write.safely import check_target

    try:
        check_target(output, [p for p in paths if p.is_file()])
        result = _with_bar(lambda tick: run(paths, rules=rules, as_of=as_of.date() if as_of else None,
                                            month_first=month_first, interval_months=interval_months,
                                            progress=tick), quiet)
        result.write(output)
    except GraderError as error:
        _stop(error)
    n = counts(result)
    if not quiet:
        rows = result.sources["Rows found"].sum()
        click.echo(f"{n['files']} files, {rows} rows found, {n['tests']} graded, {n['rows_refused']} refused.")
        click.echo(f"{n['fail']} fail, {n['incomplete']} incomplete, {n['near limit']} near limit, "
                   f"{n['pass']} pass; {n['queries']} queries.")
    for line in _refused_lines(result):
        click.echo(line, err=True)
    click.echo(f"Result: {output}")
    raise SystemExit(1 if result.refused else 0)


def _refused_lines(result: Any) -> list[str]:
    refused = result.problems[result.problems["Severity"] == "refused"]
    return [f"{r['File'] or 'run'}{', sheet ' + r['Sheet'] if r['Sheet'] else ''}: {r['Problem']} {r['What to do']}"
            for r in refused.to_dict("records")]


def _with_bar(work: Callable[[Callable[[int, int], None] | None], Any], quiet: bool) -> Any:
    """The work, with a progress bar on a terminal and none in a pipe."""
    if quiet or not sys.stderr.isatty():
        return work(None)
    with click.progressbar(length=1, label="Reading", file=sys.stderr, show_pos=True) as bar:
        def tick(done: int, total: int) -> None:
            bar.length = total
            bar.update(done - bar.pos)

        return work(tick)


@main.command("blank", epilog="Examples:  grader blank visit.xlsx;  grader blank next.xlsx --site \"North yard\" "
              "--from logs/;  grader blank next/ --due --from logs/")
@click.argument("output", type=click.Path(path_type=Path))
@click.option("--site", metavar="NAME", help="Fill in this site's outlets from earlier visits, readings left empty.")
@click.option("--client", metavar="NAME", help="Its client, where two clients have a site of that name.")
@click.option("--due", is_flag=True, help="One blank for every site with something due within 14 days; OUTPUT is "
              "then a folder.")
@click.option("--from", "folder", type=click.Path(path_type=Path), metavar="FOLDER", help="Where the earlier visits are.")
@click.option("--as-of", type=click.DateTime(["%Y-%m-%d"]), metavar="DATE", help="Default: today.")
def blank_command(output: Path, site: str | None, client: str | None, due: bool, folder: Path | None,
                  as_of: datetime | None) -> None:
    """Write the blank workbook, to be filled in on site, to OUTPUT."""
    from grader.problems import GraderError
    from grader.write.blank import write_blank

    if (site or due) and folder is None:
        raise click.UsageError("--site and --due need --from FOLDER, where the earlier visits are.")
    if site and due:
        raise click.UsageError("Give --site or --due, not both.")
    if folder is not None and not (site or due):
        raise click.UsageError("--from FOLDER goes with --site NAME or --due.")
    try:
        if folder is None:
            write_blank(output)
            click.echo(f"Blank: {output}")
        else:
            for path in _next_blanks(output, folder, site, client, as_of):
                click.echo(f"Blank: {path}")
    except GraderError as error:
        _stop(error)


def _next_blanks(output: Path, folder: Path, site: str | None, client: str | None,
                 as_of: datetime | None) -> list[Path]:
    """Blanks for one site, or for all that are due; the paths written."""
    from grader.batch import run
    from grader.problems import GraderError
    from grader.review.next_visit import next_visit, safe_file_name, sites_due
    from grader.write.blank import write_blank

    result = _with_bar(lambda tick: run(folder, as_of=as_of.date() if as_of else None, progress=tick), False)
    wanted: list[tuple[str, str | None]]
    wanted = [(site, client)] if site is not None else list(sites_due(result.due))
    if site is None:
        try:
            output.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise GraderError(f"{output}: no folder for the blanks ({error.strerror}).") from error
    written: list[Path] = []
    taken: list[str] = []
    for name, owner in wanted:
        made = next_visit(result.tests, result.due, site=name, client=owner)
        path = output
        if site is None:
            taken.append(safe_file_name(name, owner, taken))
            path = output / taken[-1]
        write_blank(path, visit=made.visit, rows=made.rows, notes=made.notes)
        written.append(path)
    if not written:
        click.echo("No site has anything due within 14 days.")
    return written


@main.command("limits", epilog="Example:  grader limits en12021-2014")
@click.argument("ruleset", required=False)
def limits_command(ruleset: str | None) -> None:
    """List the rule sets, or every limit of RULESET (a name or a .toml file) with its source."""
    from grader.judge.rulesets import limits_table, load_ruleset, rule_ids
    from grader.problems import GraderError

    if ruleset is None:
        for rule_id in rule_ids():
            rules = load_ruleset(rule_id)
            about = " (for information only)" if rules.information_only else ""
            click.echo(f"{rule_id:24}{rules.document}, {rules.edition}{about}")
        return
    try:
        rules = load_ruleset(ruleset)
    except GraderError as error:
        _stop(error)
    click.echo(f"{rules.id}: {rules.document}, {rules.edition}. {rules.title}\n")
    rows = limits_table([rules])
    _print_table(["Parameter", "Condition", "Limit", "Source confidence", "Clause", "Judges"], rows)
    if rules.note:
        click.echo(f"\n{rules.note}")


def _print_table(columns: list[str], rows: list[dict[str, str]]) -> None:
    widths = [max(len(c), *(len(r[c]) for r in rows)) for c in columns]
    for row in [dict(zip(columns, columns)), *rows]:
        click.echo("  ".join(f"{row[c]:{w}}" for c, w in zip(columns, widths)).rstrip())


@main.command("dewpoint", epilog="Example:  grader dewpoint 500 --pressure 6")
@click.argument("water", type=float)
@click.option("--pressure", required=True, type=float, metavar="BAR", help="Line pressure, bar gauge.")
@click.option("--multiplier", default=1.0, show_default=True, type=float, help="Of the water tube's reading.")
@click.option("--atmospheric", default=1013.25, show_default=True, type=float, metavar="HPA",
              help="Station pressure, hPa.")
def dewpoint_command(water: float, pressure: float, multiplier: float, atmospheric: float) -> None:
    """Dew point of WATER mg/m³ (at 20 °C and 1013.25 hPa) at one line pressure, for a quick check on site."""
    from grader.compute import humidity
    from grader.compute.constants import STANDARD_ATMOSPHERE_HPA

    for value, least, name in ((water, 0.0, "WATER"), (multiplier, 1.0, "--multiplier"),
                               (pressure, 0.0, "--pressure"), (atmospheric, 500.0, "--atmospheric")):
        if not value >= least:
            raise NothingWritten(f"{name} {value:g} is below {least:g}.")
    if atmospheric > 1100.0:
        raise NothingWritten(f"--atmospheric {atmospheric:g} hPa is no station pressure (500 to 1100 hPa).")
    content = water * multiplier
    x = humidity.mole_fraction(content)
    absolute = humidity.absolute_pressure_pa(pressure, atmospheric)
    click.echo(f"Water content          {content:g} mg/m³ at 20 °C and 1013.25 hPa = {1e6 * float(x):.4g} ppm by volume")
    for name, pascal in ((f"Dew point at {pressure:g} bar", float(absolute)),
                         ("Dew point at one atmosphere", STANDARD_ATMOSPHERE_HPA * 100.0)):
        dew, code = float(humidity.dew_point(x, pascal)), int(humidity.dew_point_validity(x, pascal))
        if code:
            click.echo(f"{name}: none, {humidity.VALIDITY_NAMES[code]}")
        else:
            kind = "frost point, over ice" if dew < 0 else "over water"
            click.echo(f"{name}: {dew:.1f} °C ({kind}; {pascal / 1e5:.4g} bar absolute)")
    click.echo("The competent person decides; local law and the standard rule.")


if __name__ == "__main__":
    main()
