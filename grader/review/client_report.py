"""The report of one client over a period, for a manager: what was tested, what failed and was cleared, wear, what is due."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from grader.columns import (
    FAIL,
    NEAR_LIMIT,
    PARAMETERS,
    PASS,
    TEST_FAIL,
    TEST_INCOMPLETE,
    TEST_NEAR,
    TEST_PASS,
    TEST_WORDS,
)
from grader.frames import by_unique, client_and_site, text
from grader.natural import natural
from grader.page import Block, Page, Record, left_table
from grader.problems import GraderError
from grader.review.history import counting, days, order_in_time
from grader.review.next_visit import safe_file_name
from grader.review.summary.page import SMALL_PT, summary_words
from grader.review.summary.tables import due_block, names_in_one
from grader.review.systems import SystemOut, systems_out
from grader.words import DEFAULT_LANGUAGE, Local, words

MOST_COLUMNS = 12  # of the chart: months while they are no more, else quarters
JUDGED_APART = tuple(p for p in PARAMETERS.values() if p.verdict_heading)
_PERIOD = re.compile(r"(\d{4})(?:-(\d{2}))?(?:\.\.(\d{4})-(\d{2}))?")


class Period(NamedTuple):
    """Whole months, from the first to before `end`; `text` as it was asked for."""

    first: np.datetime64
    end: np.datetime64
    text: str

    @property
    def before(self) -> Period:
        """As many months just before."""
        return Period(self.first - (self.end - self.first), self.first, "")

    def holds(self, day: np.ndarray) -> np.ndarray:
        """Which days (datetime64[D], any shape; NaT is in none) lie in it."""
        month = day.astype("datetime64[M]")
        return (month >= self.first) & (month < self.end)


def as_period(asked: str) -> Period:
    """A year (`2026`), a month (`2026-03`), or the first and the last month (`2025-07..2026-06`).

    Raises : GraderError for anything else, and where the last month lies before the first.

    >>> p = as_period("2025-07..2026-06")
    >>> str(p.first), str(p.end), str(p.before.first)
    ('2025-07', '2026-07', '2024-07')
    """
    match = _PERIOD.fullmatch(asked.strip())
    try:
        if match is None or (match[3] and not match[2]):
            raise ValueError
        first = np.datetime64(f"{match[1]}-{match[2] or '01'}", "M")
        last = np.datetime64(f"{match[3]}-{match[4]}", "M") if match[3] else first + (0 if match[2] else 11)
        if last < first:
            raise ValueError
    except ValueError as error:
        raise GraderError(f"{asked!r} is no period: write a year (2026), or months as 2025-07..2026-06.") from error
    return Period(first, last + 1, asked.strip())


def client_reports(
    tests: pd.DataFrame,
    due: pd.DataFrame,
    wear: pd.DataFrame,
    period: Period,
    *,
    as_of: date,
    version: str,
    decision_rule: str,
    language: str = DEFAULT_LANGUAGE,
) -> list[Record]:
    """One report a client with a test in the period, by client; sites without a client are one client without a name.

    tests : judged table, n rows; only those that count on `as_of` are in a report. due, wear : the run's tables.
    """
    every = words(language)
    say: dict[str, Any] = {**every["report"], "from_to": every["next_visit"]["from_to"]}
    local = Local.of(every)
    summary = summary_words(language)
    counts = counting(tests, named=False)
    client = _clients(tests)
    day = days(tests)
    out = systems_out(tests)
    due_client, wear_client = (by_site(frame, tests, client) for frame in (due, wear))
    reports: list[Record] = []
    taken: list[str] = []
    for name in sorted(pd.unique(client[counts & period.holds(day)]), key=natural):
        mine, systems = counts & (client == name), [system for system in out if client[system.test] == name]
        of = _Of(tests, mine, mine & period.holds(day), mine & period.before.holds(day), period, say, summary, local)
        page = _page(of, name, due[due_client == name], wear[wear_client == name], systems, as_of, decision_rule)
        taken.append(safe_file_name(f"{name or say['no_client']} {period.text}", None, taken))
        content = hashlib.sha256(repr((page, as_of)).encode()).hexdigest()
        identity = hashlib.sha256(repr(("report", name.casefold(), period.text)).encode()).hexdigest()
        reports.append(Record("report", "", taken[-1], identity, content, page, say["footer"].format(version=version)))
    return reports


def _clients(tests: pd.DataFrame) -> np.ndarray:
    """Client of each test as its site is counted under, in the spelling of its first test: object (n,)."""
    key = client_and_site(tests)[0]
    given = text(tests, "client")
    spelled = {k: c for k, c in zip(key[::-1], given[::-1]) if c}
    return by_unique(key, lambda k: spelled.get(k, ""))


def by_site(frame: pd.DataFrame, tests: pd.DataFrame, client: np.ndarray) -> np.ndarray:
    """Client of each row of a table with Site and, where two clients have a site of that name, Client: object (k,)."""
    known = dict(zip(zip(text(tests, "site"), text(tests, "client")), client))
    alone = dict(zip(text(tests, "site"), client))
    named = text(frame, "Client") if "Client" in frame else np.full(len(frame), "", dtype=object)
    found = [known.get((s, c), alone.get(s, c)) for s, c in zip(text(frame, "Site"), named)]
    return np.array([*found, None], dtype=object)[:-1]


class _Of(NamedTuple):
    """What all parts of one client's report are made from.

    tests : judged table, n rows. mine, now, before : bool (n,), the client's that count, those of the period, and of as
            many months just before. say, summary : words of the report and of the Summary.
    """

    tests: pd.DataFrame
    mine: np.ndarray
    now: np.ndarray
    before: np.ndarray
    period: Period
    say: Mapping[str, Any]
    summary: Mapping[str, Any]
    local: Local

    def percent(self, at: np.ndarray) -> str:
        """How many per cent of some tests passed, as it is printed."""
        rate = _rate(self.tests["verdict"].to_numpy()[at])
        return self.say["none"] if np.isnan(rate) else f"{rate:.0f} %"


def _page(
    of: _Of, client: str, due: pd.DataFrame, wear: pd.DataFrame, out: list[SystemOut], as_of: date, decision_rule: str
) -> Page:
    say, local = of.say, of.local
    findings = _findings(of, out)
    findings.note = f"{findings.note} {local.text(of.summary['decision'].format(rule=decision_rule))}".strip()
    due_soon = replace(due_block(due, of.summary), links={})
    due_soon.rows = [(*row[:-1], local.word(row[-1])) for row in due_soon.rows]
    last = str((of.period.end - 1).astype("datetime64[M]"))
    blocks = [
        _figures(of, due),
        _sites(of),
        Block("cautions", size_pt=SMALL_PT, rows=[(" ".join(of.summary["cautions"]),)]),
        _chart(of),
        findings,
        *_out_of_use(of, due, out),
        _wear(of, wear),
        due_soon,
    ]
    title = say["title"].format(client=client or say["no_client"])
    subtitle = say["subtitle"].format(first=of.period.first, last=last, as_of=as_of)
    return Page(title, subtitle, blocks, compact=True, repeat_tables=True)


def _rate(verdict: np.ndarray) -> float:
    """Per cent of the tests that passed, near limit among them; NaN of none."""
    return 100.0 * float(np.isin(verdict, (TEST_PASS, TEST_NEAR)).mean()) if len(verdict) else np.nan


def _figures(of: _Of, due: pd.DataFrame) -> Block:
    tests, say, out = of.tests, of.say, due["State"].astype(str)
    verdict = tests["verdict"].to_numpy()[of.now]
    rows: list[tuple[Any, ...]] = [
        (say["sites_tested"], int(tests["site_key"][of.now].nunique()), ""),
        (say["outlets_tested"], int(tests["identity"][of.now].nunique()), ""),
        (say["tests"], int(of.now.sum()), ""),
        (say["pass_rate"], of.percent(of.now), ""),
        (say["rate_before"], of.percent(of.before), ""),
        (say["failed"], int((verdict == TEST_FAIL).sum()), "fail"),
        (say["incomplete"], int((verdict == TEST_INCOMPLETE).sum()), "incomplete"),
        (say["out_today"], int(out.str.startswith("out of use").sum()), "out of use"),
        (say["overdue_today"], int((out == "overdue").sum()), "overdue"),
    ]
    return Block("figures", rows=rows)


def _sites(of: _Of) -> Block:
    """A row a site, the lowest pass rate first."""
    tests, say = of.tests, of.say
    verdict, key = tests["verdict"].to_numpy(), tests["site_key"].to_numpy(dtype=object)
    rows = []
    for site in pd.unique(key[of.now | of.before]):
        here, earlier = of.now & (key == site), of.before & (key == site)
        rate, was = _rate(verdict[here]), _rate(verdict[earlier])
        count = [int((verdict[here] == code).sum()) for code in (TEST_FAIL, TEST_INCOMPLETE, TEST_NEAR, TEST_PASS)]
        visits = int(tests["visit"][here].nunique())
        difference = "" if np.isnan(rate) or np.isnan(was) else f"{rate - was:+.0f}"
        name = text(tests, "site")[here | earlier][-1]
        line = (name, visits, *count, of.percent(here), of.percent(earlier), difference)
        rows.append((np.nan_to_num(rate, nan=-1.0), natural(name), line))
    rows.sort(key=lambda row: row[:2])
    names = [of.local.title(word) for word in ("fail", "incomplete", "near limit", "pass")]
    return Block(
        "table",
        heading=say["sites"],
        columns=[of.summary["c_site"], say["visits"], *names, say["pass_rate"], say["rate_before"], say["points"]],
        rows=[row[-1] for row in rows],
        widths=[8, 2, 2, 4, 3, 2, 3, 3, 3],
        aligns=["left", *["right"] * 8],
        note=say["sites_note"] + " " + say["pass_rate_is"],
    )


def _chart(of: _Of) -> Block:
    """Tests by verdict over time, stacked: the height is how many were tested, the colours how they ended."""
    first, say = of.period.first, of.say
    months = (of.period.end - first).astype(int)
    step = 1 if months <= MOST_COLUMNS else 3
    at = (days(of.tests)[of.now].astype("datetime64[M]") - first).astype(int) // step
    size = -(-int(months) // step)
    starts = [(first + i * step).astype("datetime64[M]") for i in range(size)]
    names = [str(start) if step == 1 else f"{start} …" for start in starts]
    verdict = of.tests["verdict"].to_numpy()[of.now]
    words_of = [(code, of.local.word(TEST_WORDS[code])) for code in (TEST_PASS, TEST_NEAR, TEST_INCOMPLETE, TEST_FAIL)]
    series = [(word, np.bincount(at[verdict == code], minlength=size).tolist()) for code, word in words_of]
    told = "; ".join(f"{word} {sum(values)}" for word, values in series)
    return Block(
        "chart",
        heading=say["chart"],
        note=say["chart_note"],
        chart={
            "kind": "column stacked",
            "categories": names,
            "series": [s for s in series if sum(s[1])],
            "y_axis": say["chart_axis"],
            "y": {"num_format": "0", "min": 0},
            "description": say["chart_description"].format(first=names[0], last=names[-1], tests=told),
        },
    )


def _findings(of: _Of, out: list[SystemOut]) -> Block:
    """Failed limits that were opened, closed, or stayed open in the period; outlets alike in one line, open ones first.

    out : systems with outlets that are still out of use; what they rest on is open, though met where it failed.
    """
    say, summary = of.say, of.summary
    found = [frame for p in JUDGED_APART for frame in [_failing(of.tests, of.mine, p.key)] if len(frame)]
    runs = pd.concat(found, ignore_index=True) if found else pd.DataFrame()
    first, end = (month.astype("datetime64[D]") for month in (of.period.first, of.period.end))
    if len(runs):
        opened, closed = (runs[c].to_numpy().astype("datetime64[D]") for c in ("opened", "closed"))
        system = np.zeros(len(runs), dtype=bool)
        for s in out:
            here = (text(runs, "place") == _place(of.tests)[s.test]) & (runs["key"] == s.key).to_numpy()
            system |= here & (opened <= s.day) & (closed > s.day)
        closed = np.where((closed < end) & ~system, closed, np.datetime64("NaT"))
        here = (opened < end) & (np.isnat(closed) | (closed >= first))
        runs = runs.assign(closed=closed.astype("datetime64[s]"), of_system=system)[here]
    if not len(runs):
        return Block("text", heading=say["findings"], rows=[(say["no_findings"],)])
    rows = []
    alike = ["site", "system", "key", "opened", "closed", "of_system"]
    for _, group in runs.groupby(alike, sort=False, dropna=False):
        head = group.iloc[0]
        outlets = names_in_one(sorted(group["outlet"], key=natural), summary["and_more"])
        name = summary["parameters"][PARAMETERS[head["key"]].name]
        still = say["system_open" if head["of_system"] else "still_open"]
        until = still if pd.isna(head["closed"]) else head["closed"].date()
        line = (head["site"], outlets, head["system"], name, head["opened"].date(), until)
        rows.append((not pd.isna(head["closed"]), -head["opened"].value, line))
    rows.sort(key=lambda row: row[:2])
    still = int(runs["closed"].isna().sum())
    columns = [summary["c_site"], summary["c_outlets"], say["c_system"], summary["c_parameter"]]
    note = say["findings_note"].format(count=len(runs), closed=len(runs) - still, open=still)
    lines = [row[-1] for row in rows]
    return left_table(say["findings"], [*columns, say["opened"], say["closed"]], lines, [7, 8, 4, 5, 3, 3], note)


def _place(tests: pd.DataFrame) -> np.ndarray:
    """Client, site and system of each test as they are told apart: object (n,)."""
    return text(tests, "site_key") + "\1" + text(tests, "system_key")


def _out_of_use(of: _Of, due: pd.DataFrame, out: list[SystemOut]) -> list[Block]:
    """Every outlet that is out of use, by name, with what keeps it so; no block where there is none."""
    say, summary = of.say, of.summary
    found = due[due["State"].astype(str).str.startswith("out of use")]
    rests = {(s.site, s.system): f"{summary['parameters'][PARAMETERS[s.key].name]}, {s.failing}, {s.day}" for s in out}
    rows: list[tuple[Any, ...]] = []
    alike = ["Site", "System", "State", "Out of use since"]
    for _, group in found.groupby(alike, sort=False, dropna=False):
        site, system, state, since = group.iloc[0][alike]
        names = ", ".join(sorted(group["Outlet"], key=natural))
        why = say["own_fail"] if state == "out of use" else rests.get((site, system), "")
        rows.append((site, names, system, of.local.word(state), since.date() if pd.notna(since) else "", why))
    columns = [summary["c_site"], summary["c_outlets"], say["c_system"], summary["c_state"], summary["c_since"]]
    table = left_table(say["out"], [*columns, say["c_rests"]], rows, [6, 7, 3, 4, 3, 7], say["out_note"])
    return [table] if rows else []


def _failing(tests: pd.DataFrame, mine: np.ndarray, key: str) -> pd.DataFrame:
    """Times during which an outlet failed by one parameter: site, outlet, system, key, opened, closed (NaT: open).

    Opened with the first fail; closed with the first pass or near limit of that parameter after it. What says neither
    closes nothing.
    """
    verdict = tests[f"verdict_{key}"].to_numpy()
    at = order_in_time(
        tests, np.flatnonzero(mine & ~np.isnat(days(tests)) & np.isin(verdict, (PASS, NEAR_LIMIT, FAIL)))
    )
    failed, outlet = verdict[at] == FAIL, tests["identity"].to_numpy()[at]
    new = np.append(True, outlet[1:] != outlet[:-1]) if len(at) else np.empty(0, dtype=bool)
    first = failed & (new | ~np.append(False, failed[:-1]))
    closing = ~failed & ~new & np.append(False, failed[:-1])
    starts, ends = np.flatnonzero(first), np.flatnonzero(closing)
    # The first end after a start, where it is of the same outlet.
    after = np.searchsorted(ends, starts)
    end = np.append(ends, len(at))[after]
    same = (end < len(at)) & (np.append(outlet, -1)[end] == outlet[starts])
    day = np.append(days(tests)[at], np.datetime64("NaT"))
    rows = at[starts]
    return pd.DataFrame(
        {
            "place": _place(tests)[rows],
            "site": text(tests, "site")[rows],
            "outlet": text(tests, "outlet")[rows],
            "system": text(tests, "system")[rows],
            "key": key,
            "opened": day[starts].astype("datetime64[s]"),
            "closed": np.where(same, day[end], np.datetime64("NaT")).astype("datetime64[s]"),
        }
    )


def _wear(of: _Of, wear: pd.DataFrame) -> Block:
    """What gets worse, in the order of the sheet Wear."""
    say, summary = of.say, of.summary
    worse = wear[text(wear, "State") == "worse"]
    if not len(worse):
        return Block("text", heading=say["wear"], rows=[(say["no_wear"],)])
    rows: list[tuple[Any, ...]] = []
    for _, row in worse.iterrows():
        cells = (_cell(row[n], row["Unit"]).replace(" to ", say["from_to"]) for n in ("Usual", "Now", "Limit"))
        reaches = row["Reaches limit on"].date() if pd.notna(row["Reaches limit on"]) else summary["no_date"]
        what = (row["Site"], row["Outlet"] or row["System"], summary["parameters"][row["Parameter"]])
        rows.append((*what, *map(of.local.figures, cells), reaches))
    columns = [*(summary[n] for n in ("c_site", "c_where", "c_parameter")), say["usual"], say["now"]]
    columns += [summary["c_limit"], summary["c_reaches"]]
    return left_table(say["wear"], columns, rows, [6, 5, 5, 4, 4, 3, 3], say["wear_note"])


def _cell(value: object, unit: str) -> str:
    if value is None or value != value:
        return ""
    return f"{value} {unit}" if isinstance(value, str) else f"{float(value):.4g} {unit}"  # type: ignore[arg-type]
