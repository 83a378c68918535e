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
from grader.page import Block, Page, Record
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
        mine = counts & (client == name)
        page = _page(
            tests,
            mine,
            name,
            due[due_client == name],
            wear[wear_client == name],
            [system for system in out if client[system.test] == name],
            period,
            as_of,
            decision_rule,
            say,
            summary,
            local,
        )
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


def _page(
    tests: pd.DataFrame,
    mine: np.ndarray,
    client: str,
    due: pd.DataFrame,
    wear: pd.DataFrame,
    out: list[SystemOut],
    period: Period,
    as_of: date,
    decision_rule: str,
    say: Mapping[str, Any],
    summary: Mapping[str, Any],
    local: Local,
) -> Page:
    now, before = (mine & p.holds(days(tests)) for p in (period, period.before))
    findings = _findings(tests, mine, out, period, say, summary)
    findings.note = f"{findings.note} {local.text(summary['decision'].format(rule=decision_rule))}".strip()
    due_soon = replace(due_block(due, summary), links={})
    due_soon.rows = [(*row[:-1], local.word(row[-1])) for row in due_soon.rows]
    last = str((period.end - 1).astype("datetime64[M]"))
    blocks = [
        _figures(tests, now, before, due, say),
        _sites(tests, now, before, say, summary, local),
        Block("cautions", size_pt=SMALL_PT, rows=[(" ".join(summary["cautions"]),)]),
        _chart(tests, now, period, say, summary, local),
        findings,
        *_out_of_use(due, out, say, summary, local),
        _wear(wear, say, summary, local),
        due_soon,
    ]
    subtitle = say["subtitle"].format(first=period.first, last=last, as_of=as_of)
    return Page(
        say["title"].format(client=client or say["no_client"]), subtitle, blocks, compact=True, repeat_tables=True
    )


def _rate(verdict: np.ndarray) -> float:
    """Per cent of the tests that passed, near limit among them; NaN of none."""
    return 100.0 * float(np.isin(verdict, (TEST_PASS, TEST_NEAR)).mean()) if len(verdict) else np.nan


def _percent(rate: float, say: Mapping[str, Any]) -> str:
    return say["none"] if np.isnan(rate) else f"{rate:.0f} %"


def _figures(
    tests: pd.DataFrame, now: np.ndarray, before: np.ndarray, due: pd.DataFrame, say: Mapping[str, Any]
) -> Block:
    verdict = tests["verdict"].to_numpy()
    rates = [_percent(_rate(verdict[at]), say) for at in (now, before)]
    out = text(due, "State")
    rows: list[tuple[Any, ...]] = [
        (say["sites_tested"], int(tests["site_key"][now].nunique()), ""),
        (say["outlets_tested"], int(tests["identity"][now].nunique()), ""),
        (say["tests"], int(now.sum()), ""),
        (say["pass_rate"], rates[0], ""),
        (say["rate_before"], rates[1], ""),
        (say["failed"], int((verdict[now] == TEST_FAIL).sum()), "fail"),
        (say["incomplete"], int((verdict[now] == TEST_INCOMPLETE).sum()), "incomplete"),
        (
            say["out_today"],
            int(np.char.startswith(out.astype(str), "out of use").sum()) if len(out) else 0,
            "out of use",
        ),
        (say["overdue_today"], int((out == "overdue").sum()), "overdue"),
    ]
    return Block("figures", rows=rows)


def _sites(
    tests: pd.DataFrame,
    now: np.ndarray,
    before: np.ndarray,
    say: Mapping[str, Any],
    summary: Mapping[str, Any],
    local: Local,
) -> Block:
    """A row a site, the lowest pass rate first."""
    verdict, key = tests["verdict"].to_numpy(), tests["site_key"].to_numpy(dtype=object)
    rows = []
    for site in pd.unique(key[now | before]):
        here, earlier = now & (key == site), before & (key == site)
        rate, was = _rate(verdict[here]), _rate(verdict[earlier])
        count = [int((verdict[here] == code).sum()) for code in (TEST_FAIL, TEST_INCOMPLETE, TEST_NEAR, TEST_PASS)]
        visits = int(tests["visit"][here].nunique())
        difference = "" if np.isnan(rate) or np.isnan(was) else f"{rate - was:+.0f}"
        name = text(tests, "site")[here | earlier][-1]
        line = (name, visits, *count, _percent(rate, say), _percent(was, say), difference)
        rows.append((np.nan_to_num(rate, nan=-1.0), natural(name), line))
    rows.sort(key=lambda row: row[:2])
    names = [local.title(word) for word in ("fail", "incomplete", "near limit", "pass")]
    return Block(
        "table",
        heading=say["sites"],
        columns=[summary["c_site"], say["visits"], *names, say["pass_rate"], say["rate_before"], say["points"]],
        rows=[row[-1] for row in rows],
        widths=[8, 2, 2, 4, 3, 2, 3, 3, 3],
        aligns=["left", *["right"] * 8],
        note=say["sites_note"] + " " + say["pass_rate_is"],
    )


def _chart(
    tests: pd.DataFrame,
    now: np.ndarray,
    period: Period,
    say: Mapping[str, Any],
    summary: Mapping[str, Any],
    local: Local,
) -> Block:
    """Tests by verdict over time, stacked: the height is how many were tested, the colours how they ended."""
    months = (period.end - period.first).astype(int)
    step = 1 if months <= MOST_COLUMNS else 3
    at = (days(tests)[now].astype("datetime64[M]") - period.first).astype(int) // step
    size = -(-int(months) // step)
    starts = [(period.first + i * step).astype("datetime64[M]") for i in range(size)]
    names = [str(start) if step == 1 else f"{start} …" for start in starts]
    verdict = tests["verdict"].to_numpy()[now]
    order = (TEST_PASS, TEST_NEAR, TEST_INCOMPLETE, TEST_FAIL)
    series = [
        (local.word(TEST_WORDS[code]), np.bincount(at[verdict == code], minlength=size).tolist()) for code in order
    ]
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


def _findings(
    tests: pd.DataFrame,
    mine: np.ndarray,
    out: list[SystemOut],
    period: Period,
    say: Mapping[str, Any],
    summary: Mapping[str, Any],
) -> Block:
    """Failed limits that were opened, closed, or stayed open in the period; outlets alike in one line, open ones first.

    out : systems with outlets that are still out of use; what they rest on is open, though met where it failed.
    """
    found = [frame for p in JUDGED_APART for frame in [_failing(tests, mine, p.key)] if len(frame)]
    runs = pd.concat(found, ignore_index=True) if found else pd.DataFrame()
    end = period.end.astype("datetime64[D]")
    if len(runs):
        opened = runs["opened"].to_numpy().astype("datetime64[D]")
        closed = runs["closed"].to_numpy().astype("datetime64[D]")
        system = np.zeros(len(runs), dtype=bool)
        for s in out:
            of = (text(runs, "place") == _place(tests)[s.test]) & (runs["key"] == s.key).to_numpy()
            system |= of & (opened <= s.day) & (closed > s.day)
        closed = np.where((closed < end) & ~system, closed, np.datetime64("NaT"))
        here = (opened < end) & (np.isnat(closed) | (closed >= period.first.astype("datetime64[D]")))
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
    count = len(runs)
    still = int(runs["closed"].isna().sum())
    columns = [
        summary["c_site"],
        summary["c_outlets"],
        say["c_system"],
        summary["c_parameter"],
        say["opened"],
        say["closed"],
    ]
    return Block(
        "table",
        heading=say["findings"],
        columns=columns,
        rows=[row[-1] for row in rows],
        widths=[7, 8, 4, 5, 3, 3],
        aligns=["left"] * 6,
        note=say["findings_note"].format(count=count, closed=count - still, open=still),
    )


def _place(tests: pd.DataFrame) -> np.ndarray:
    """Client, site and system of each test as they are told apart: object (n,)."""
    return text(tests, "site_key") + "\1" + text(tests, "system_key")


def _out_of_use(
    due: pd.DataFrame, out: list[SystemOut], say: Mapping[str, Any], summary: Mapping[str, Any], local: Local
) -> list[Block]:
    """Every outlet that is out of use, by name, with what keeps it so; no block where there is none."""
    found = due[due["State"].astype(str).str.startswith("out of use")]
    rests = {(s.site, s.system): f"{summary['parameters'][PARAMETERS[s.key].name]}, {s.failing}, {s.day}" for s in out}
    rows = []
    alike = ["Site", "System", "State", "Out of use since"]
    for _, group in found.groupby(alike, sort=False, dropna=False):
        site, system, state, since = group.iloc[0][alike]
        names = ", ".join(sorted(group["Outlet"], key=natural))
        why = say["own_fail"] if state == "out of use" else rests.get((site, system), "")
        rows.append((site, names, system, local.word(state), since.date() if pd.notna(since) else "", why))
    if not rows:
        return []
    columns = [summary["c_site"], summary["c_outlets"], say["c_system"], summary["c_state"], summary["c_since"]]
    return [
        Block(
            "table",
            heading=say["out"],
            columns=[*columns, say["c_rests"]],
            rows=rows,
            widths=[6, 7, 3, 4, 3, 7],
            aligns=["left"] * 6,
            note=say["out_note"],
        )
    ]


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


def _wear(wear: pd.DataFrame, say: Mapping[str, Any], summary: Mapping[str, Any], local: Local) -> Block:
    """What gets worse, in the order of the sheet Wear."""
    worse = wear[text(wear, "State") == "worse"]
    if not len(worse):
        return Block("text", heading=say["wear"], rows=[(say["no_wear"],)])
    rows = [
        (
            row["Site"],
            row["Outlet"] or row["System"],
            summary["parameters"][row["Parameter"]],
            *(
                local.figures(_cell(row[n], row["Unit"]).replace(" to ", say["from_to"]))
                for n in ("Usual", "Now", "Limit")
            ),
            row["Reaches limit on"].date() if pd.notna(row["Reaches limit on"]) else summary["no_date"],
        )
        for _, row in worse.iterrows()
    ]
    names = ("c_site", "c_where", "c_parameter")
    return Block(
        "table",
        heading=say["wear"],
        columns=[*(summary[n] for n in names), say["usual"], say["now"], summary["c_limit"], summary["c_reaches"]],
        rows=rows,
        widths=[6, 5, 5, 4, 4, 3, 3],
        aligns=["left"] * 7,
        note=say["wear_note"],
    )


def _cell(value: object, unit: str) -> str:
    if value is None or value != value:
        return ""
    return f"{value} {unit}" if isinstance(value, str) else f"{float(value):.4g} {unit}"  # type: ignore[arg-type]
