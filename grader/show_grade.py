"""What `grader grade` prints: a line a test where there are few, verdicts by site, counts, what was refused."""

from __future__ import annotations

import unicodedata
from typing import TYPE_CHECKING

import click
import numpy as np
import pandas as pd

from grader.columns import TEST_WORDS
from grader.frames import text
from grader.result import counts

if TYPE_CHECKING:
    from grader.result import Result

MOST_SITES = 12
MOST_TESTS = 20  # so many or fewer get a line each
MOST_NAME = 40
# Of a verdict or state, the colour on a terminal; the word or heading always stands beside it.
COLOURS = {
    "fail": "red",
    "out of use": "red",
    "incomplete": "magenta",
    "near limit": "yellow",
    "overdue": "yellow",
    "pass": "cyan",
    "refused": "red",
    "query": "yellow",
}
VERDICTS = ("fail", "incomplete", "near limit", "pass")


def in_colour(text: str, word: str) -> str:
    """The text in the colour of a verdict; click takes colours out again where no terminal reads them."""
    colour = COLOURS.get(word)
    return click.style(text, fg=colour, bold=word in ("fail", "out of use", "refused")) if colour else text


def test_lines(tests: pd.DataFrame) -> list[str]:
    """A line a test, the fails first: outlet, verdict, reason. None where there are more than MOST_TESTS.

    tests : judged table. The site stands before the outlet where there are several.
    """
    if not 0 < len(tests) <= MOST_TESTS:
        return []
    site, outlet = text(tests, "site"), text(tests, "outlet")
    names = [_short(o) for o in outlet]
    if len(set(site)) > 1:  # a long site is cut, never the outlet behind it
        names = [f"{_short(s, max(MOST_NAME - len(o), 12))}, {o}" for s, o in zip(site, names)]
    wide = max(map(_width, names))
    verdict = tests["verdict"].to_numpy()
    lines = []
    for i in np.argsort(-verdict, kind="stable"):
        word = TEST_WORDS[verdict[i]]
        coloured = in_colour(f"{word:<{max(map(len, TEST_WORDS))}}", word)
        lines.append(f"{names[i]}{' ' * (wide - _width(names[i]))}  {coloured}  {tests['reasons'].iloc[i]}")
    return lines


def site_lines(result: Result) -> list[str]:
    """A short table: of each site its tests by verdict, and its outlets out of use and overdue on the day.

    Sites with most to do first, MOST_SITES of them; the rest are counted in one line.
    """
    if not len(result.verdicts):
        return []
    tests = _counted(_sites(result.verdicts), result.verdicts["Verdict"])
    state = result.due["State"].replace("out of use (system)", "out of use")
    states = _counted(_sites(result.due), state) if len(result.due) else pd.DataFrame()
    table = tests.join(states).reindex(columns=[*VERDICTS, "out of use", "overdue"], fill_value=0).fillna(0).astype(int)
    table.insert(0, "tests", tests.sum(axis=1))
    table = table.sort_values(
        ["out of use", "overdue", "fail", "incomplete", "near limit"], ascending=False, kind="stable"
    )
    shown = table.head(MOST_SITES)
    names = [_short(str(name)) for name in shown.index]
    columns = [str(c) for c in shown.columns]
    wide = max(_width(n) for n in ("Site", *names))
    lines = ["Site" + " " * (wide - 4) + "".join(f"  {c.capitalize()}" for c in columns)]
    for name, row in zip(names, shown.to_numpy().tolist()):
        cells = [in_colour(f"{n:>{len(c)}}", c if n else "") for c, n in zip(columns, row)]
        lines.append("  ".join([name + " " * (wide - _width(name)), *cells]))
    if len(table) > len(shown):
        lines.append(
            f"and {len(table) - len(shown)} more sites with {int(table['tests'][MOST_SITES:].sum())} tests, "
            f"{int(table['fail'][MOST_SITES:].sum())} of them fails"
        )
    return lines


def count_lines(result: Result) -> list[str]:
    """Files and rows, then tests by verdict."""
    n = counts(result)
    found = int(result.sources["Rows found"].sum())
    verdicts = ", ".join(in_colour(f"{n[v]} {v}", v if n[v] else "") for v in VERDICTS)
    refused = f" ({n['files_refused']} refused)" if n["files_refused"] else ""
    return [
        f"{_many(n['files'], 'file')}{refused}, {_many(found, 'row')} found, {n['tests']} graded, {n['rows_refused']} refused.",
        f"{verdicts}; {_many(n['queries'], 'query', 'queries')}.",
    ]


def problem_lines(result: Result, severities: tuple[str, ...]) -> list[str]:
    """Problems of these severities, a line each: file, sheet, cell, what, why, what to do."""
    chosen = result.problems[result.problems["Severity"].isin(severities)]
    lines = []
    for r in chosen.to_dict("records"):
        place = ", ".join(
            [r["File"] or "run", *(f"{n} {r[k]}" for n, k in (("sheet", "Sheet"), ("cell", "Cell")) if r[k])]
        )
        word = "" if r["Severity"] == "refused" else f"{r['Severity']}: "
        lines.append(f"{place}: {in_colour(word, r['Severity'])}{r['Problem']} {r['What to do']}")
    return lines


def _counted(sites: pd.Series, words: pd.Series) -> pd.DataFrame:
    """How often each word stands at each site: a row a site, a column a word, both in order."""
    known = words.notna().to_numpy()
    row, names = pd.factorize(sites.to_numpy(dtype=object)[known], sort=True)
    column, different = pd.factorize(words.to_numpy(dtype=object)[known], sort=True)
    count = np.bincount(row * len(different) + column, minlength=len(names) * len(different))
    return pd.DataFrame(count.reshape(len(names), len(different)), index=names, columns=different)


def _sites(frame: pd.DataFrame) -> pd.Series:
    """Names of sites, with the client where one name stands for two."""
    site, client = frame["Site"].fillna("").astype(str), frame["Client"].fillna("").astype(str)
    twice = client.groupby(site).transform("nunique") > 1
    return site.where(~twice, site + " (" + client + ")")


def _many(count: int, one: str, more: str = "") -> str:
    return f"{count} {one if count == 1 else more or one + 's'}"


def _short(name: str, most: int = MOST_NAME) -> str:
    name = " ".join(name.split())
    return name if len(name) <= most else name[: most - 1] + "…"


def _width(text: str) -> int:
    """Columns on a terminal: wide letters take two, marks that combine none."""
    return sum(0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in "WF" else 1 for c in text)
