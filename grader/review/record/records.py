"""The record of each visit, and the out-of-use notice of each site, as pages to be handed over.

A record holds one visit of one site as its tests were judged, cleared later or not; a visit's findings are
those that stood open at its end. Tests without a date have a record by site and file. Left out are tests that
a later file replaces (the record of that file names the earlier record as amended), repeats, and visits of
which nothing but unvisited rows is there.

A record number is made of date, site and the first characters of a SHA-256 sum over all that the log says of
the visit. It does not take in the sum of the whole file: a flat log that grows by one visit would else give
every earlier visit another number, and a workbook that was only opened and saved would seem to be corrected.
"""

from __future__ import annotations

import hashlib
import unicodedata
from collections.abc import Mapping
from datetime import date
from pathlib import PurePosixPath
from typing import Any

import numpy as np
import pandas as pd

from grader.columns import FIELDS
from grader.frames import group_codes, text, with_columns
from grader.page import Block, Page, Record
from grader.review.actions.findings import Actions, actions_table
from grader.review.history import counting
from grader.review.next_visit import safe_file_name
from grader.review.record.page import Run, VisitOf, record_page
from grader.review.systems import SystemOut, system_fails, systems_out
from grader.words import DEFAULT_LANGUAGE, words

NUMBER_DIGITS = 6  # hexadecimal: two visits of one site and day share them once in 16.8 million
LONGEST_SLUG_BYTES = 100  # a file name keeps the whole number, in any script
NOTICE_SIZES = ((3, 34, 16), (6, 26, 14), (12, 20, 12), (24, 14, 10))  # up to so many outlets: sizes in points
SMALLEST_SIZES = (11, 9)
MOST_REASONS = 3  # findings of an outlet that a notice spells out
# Which record amends which is no reading: a visit that the correcting file left as it was keeps its number.
_NOT_IN_NUMBER = ("site", "client", "replaces_file")
_OUTSIDE = -1


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
    numbering = _Numbering(tests, groups, run)
    out_at_visit = _systems_at_visit(tests, run.words)
    of_finding = pd.Series(groups, index=tests.index).reindex(findings.test).to_numpy()
    rows_of = {int(g): np.flatnonzero(groups == g) for g in np.unique(groups)}
    findings_of = pd.Series(np.arange(len(of_finding))).groupby(of_finding).indices
    tests = tests.copy()  # in one piece: taking a visit's rows is then ten times as quick
    visited, repeat_of = tests["visited"].to_numpy(), tests["repeat_of"].to_numpy()
    records = []
    for group in _in_order(tests, groups, rows_of):
        rows = rows_of[group]
        if not visited[rows].any():
            continue
        number, identity = numbering.number(rows), numbering.identity(rows)
        amends = numbering.amends(rows, number)
        shown = _outlets_together(tests, rows[repeat_of[rows] < 0])
        visit = VisitOf(
            tests.iloc[shown],
            tests.iloc[rows][["file", "row"]],
            findings.frame.iloc[findings_of.get(group, [])],
            number,
            amends,
            out_at_visit.get(int(tests["visit"].to_numpy()[rows[0]]), ()),
        )
        page, content = record_page(visit, run)
        footer = run.say["footer"].format(number=number)
        records.append(Record("record", number, safe_file_name(number), identity, content, page, footer, amends))
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
        said = w["record"]["system_out"].format(
            system=system[test], parameter=w["parameter_within"][key], outlet=outlet[test]
        )
        found[visit] = (*found.get(visit, ()), said)
    return found


def visit_groups(tests: pd.DataFrame) -> np.ndarray:
    """int (n,): the record each test stands in, -1 where it was replaced; undated ones by site and file."""
    visit, file = tests["visit"].to_numpy(), tests["file"].to_numpy()
    undated = visit < 0
    codes = (
        group_codes(
            np.where(undated, -1, visit),
            np.where(undated, file, -1),
            np.where(undated, text(tests, "site_key"), "").astype(object),
        )
        if len(tests)
        else visit
    )
    return np.where(tests["replaced"].to_numpy(), _OUTSIDE, codes)


def out_of_use_notices(
    tests: pd.DataFrame, actions: Actions, *, as_of: date, version: str, language: str = DEFAULT_LANGUAGE
) -> list[Record]:
    """One notice a site of which outlets stand failed or not cleared, to be pinned up.

    tests   : judged table, n rows.
    actions : the open findings, from actions_table(tests).
    Returns : list of Record, kind "notice", by site; none for a site without such outlets. Rows that were
              only not visited put no outlet out of use; a finding of its whole system does.
    """
    say: dict[str, Any] = words(language)["notice"]
    at = tests.loc[actions.test]
    frame = actions.frame
    bad = at["visited"].to_numpy() & (frame["Verdict"].to_numpy(dtype=object) != "near limit")
    rows = np.flatnonzero(bad)
    site_key = text(at, "site_key")
    of_site = {str(key): rows[places] for key, places in pd.Series(rows).groupby(site_key[rows]).indices.items()}
    systems: dict[str, list[SystemOut]] = {}
    for system in systems_out(tests):
        systems.setdefault(system.site_key, []).append(system)
    notices: list[Record] = []
    taken: list[str] = []
    for key in sorted({*of_site, *systems}):
        mine, out = of_site.get(key, rows[:0]), systems.get(key, [])
        site = text(at, "site")[mine[0]] if len(mine) else out[0].site
        client = next((c for c in (*text(at, "client")[mine], *(s.client for s in out)) if c), "")
        with_system = _systems_said(out, words(language))
        outlets = _outlets_out(frame.iloc[mine], at.iloc[mine], actions.identity[mine], with_system, say)
        page = _notice_page(site, client, outlets, as_of, say)
        name = safe_file_name(say["file_name"].format(site=site), client or None, taken)
        taken.append(name)
        content = hashlib.sha256(repr((as_of, outlets)).encode()).hexdigest()
        notices.append(
            Record(
                "notice",
                "",
                name,
                _sum("notice", client.casefold(), site.casefold()),
                content,
                page,
                say["footer"].format(version=version),
            )
        )
    return notices


def _systems_said(out: list[SystemOut], w: Mapping[str, Any]) -> dict[int, tuple[str, str]]:
    """Code of an outlet that its system keeps out of use -> its name, and the sentence that says why."""
    return {
        code: (
            name,
            w["notice"]["system"].format(
                system=s.system, parameter=w["parameter_within"][s.key], outlet=s.failing, day=s.day
            ),
        )
        for s in out
        for code, name in zip(s.identity, s.outlets)
    }


def _outlets_out(
    frame: pd.DataFrame,
    at: pd.DataFrame,
    identity: np.ndarray,
    with_system: Mapping[int, tuple[str, str]],
    say: Mapping[str, Any],
) -> list[tuple[str, str, str]]:
    """(state word, name, line below it) of each outlet of one site, failed ones first.

    with_system : of outlets that a finding of their system keeps out of use, code -> name and why.
    """
    made = [("fail", name, why) for code, (name, why) in with_system.items() if code not in set(identity.tolist())]
    for code in dict.fromkeys(identity.tolist()):
        mine = np.flatnonzero(identity == code)
        failed = (frame["Verdict"].iloc[mine] == "fail").any()
        first = at.iloc[mine[0]]
        since = frame["First seen on"].iloc[mine].min()
        since_text = say["since_unknown"] if pd.isna(since) else say["since"].format(day=since.date().isoformat())
        reasons = list(dict.fromkeys(frame["Finding"].iloc[mine]))
        why = "; ".join(reasons[:MOST_REASONS])
        if len(reasons) > MOST_REASONS:
            why += say["more"].format(count=len(reasons) - MOST_REASONS)
        where = ", ".join(t for t in (first.get("location", ""), first["system"]) if t)
        below = ". ".join(t for t in (where, since_text[:1].upper() + since_text[1:], why) if t) + "."
        if code in with_system:
            below += " " + with_system[code][1]
        state = "fail" if failed or code in with_system else "incomplete"
        made.append((state, str(first["outlet"]), below))
    return sorted(made, key=lambda x: x[0] != "fail")


def _notice_page(
    site: str, client: str, outlets: list[tuple[str, str, str]], as_of: date, say: Mapping[str, Any]
) -> Page:
    name_pt, small_pt = next((sizes for most, *sizes in NOTICE_SIZES if len(outlets) <= most), SMALLEST_SIZES)
    named = say["site"].format(site=site, client=client) if client else site
    blocks = []
    for state in ("fail", "incomplete"):
        mine = [o for o in outlets if o[0] == state]
        if mine:
            rows: list[tuple[Any, ...]] = [
                (say[state], 60, "dark"),
                (say["not_for_breathing"], 24, "plain"),
                (named, 14, "plain"),
            ]
            for _, name, below in mine:
                rows += [(name, name_pt, "plain"), (below, small_pt, "left")]
            blocks.append(Block("banner", rows=rows))
    blocks.append(Block("text", rows=[(say["state_of"].format(day=as_of.isoformat()),)]))
    blocks.append(Block("form", columns=list(say["sign_by"]), rows=[(line,) for line in say["sign_lines"]]))
    return Page("", "", blocks, one_page=True)


# -- numbers ---------------------------------------------------------------------------------------------


class _Numbering:
    """Record numbers of the visits of one run, and which of them amend which."""

    def __init__(self, tests: pd.DataFrame, groups: np.ndarray, run: Run) -> None:
        self.run, self.groups = run, groups
        self.file, self.visit = tests["file"].to_numpy(), tests["visit"].to_numpy()
        self.replaced, self.repeat = tests["replaced"].to_numpy(), tests["repeat_of"].to_numpy() >= 0
        self.site, self.client = text(tests, "site"), text(tests, "client")
        self.day = tests["test_day"].to_numpy().astype("datetime64[D]")
        self.hash = row_hashes(tests)
        self.named = text(tests, "replaces_file")
        self.replaces = _replaces(self.file, self.named, self.replaced, run.names)
        self.used: dict[str, str] = {}
        self.group_visits = set(self.visit[groups != _OUTSIDE].tolist())

    def identity(self, rows: np.ndarray) -> str:
        """SHA-256 sum over what the log says of these tests, in hexadecimal."""
        kept = rows[~self.repeat[rows]]
        kept = kept if len(kept) else rows
        client = next((c for c in self.client[kept] if c), "")
        hashes = np.sort(self.hash[kept]).astype("<u8").tobytes().hex()
        return _sum(client.casefold(), self.site[kept[0]].casefold(), self._first_day(kept), hashes)

    def number(self, rows: np.ndarray) -> str:
        """The record number; longer where another visit of this run has the same."""
        identity = self.identity(rows)
        start = f"{self._first_day(rows) or self.run.say['undated']}-{_slug(self.site[rows[0]])}-"
        for digits in range(NUMBER_DIGITS, len(identity) + 1):
            number = start + identity[:digits].upper()
            if self.used.setdefault(number, identity) == identity:
                break
        return number

    def amends(self, rows: np.ndarray, number: str) -> tuple[str, ...]:
        """What the record amends: numbers of earlier records, or the name of the file that was not found."""
        mine = set(self.file[rows].tolist())
        earlier = sorted(set().union(*(self.replaces.get(f, set()) for f in mine)))
        say = self.run.say
        found = []
        for file in earlier:
            old = np.flatnonzero(self.replaced & (self.file == file))
            same = old[self.visit[old] == self.visit[rows[0]]] if self.visit[rows[0]] >= 0 else old[:0]
            if not len(same) and len(np.unique(self.visit[old])) == 1 and self.visit[old[0]] not in self.group_visits:
                same = old  # the date or site itself was corrected
            if len(same):
                unchanged = [r for r in rows if self.visit[r] == self.visit[same[0]] and not self.named[r]]
                found.append(self.number(np.array([*same, *unchanged], dtype=np.int64)))
        told = [say["amends_number"].format(number=n) for n in dict.fromkeys(found) if n != number]
        lost = dict.fromkeys(n for f, n in zip(self.file[rows], self.named[rows]) if n and f not in self.replaces)
        return (*told, *(say["amends_file"].format(file=name) for name in lost))

    def _first_day(self, rows: np.ndarray) -> str:
        days = self.day[rows][~np.isnat(self.day[rows])]
        return str(days.min()) if len(days) else ""


def row_hashes(tests: pd.DataFrame) -> np.ndarray:
    """uint64 (n,): one hash a test over every field of the log that is not blank, site and client left out.

    Where a row stands (file, sheet, row) does not enter, nor does a field that a later version adds and that
    is blank, so that a number stays the same.
    """
    total = np.zeros(len(tests), dtype=np.uint64)
    for name, field in FIELDS.items():
        if name in _NOT_IN_NUMBER or name not in tests:
            continue
        parts: list[np.ndarray]
        if field.kind == "number":
            ends = [tests[f"{name}_{end}"].to_numpy(dtype=float) for end in ("lower", "upper")]
            parts = [np.where(np.isnan(e), 0.0, e + 0.0).view(np.uint64) for e in ends]
            parts += [tests[f"{name}_{part}"].to_numpy().astype(np.uint64) for part in ("open", "state")]
            written = text(tests, f"{name}_text") if f"{name}_text" in tests else np.full(len(tests), "", object)
            parts.append(_text_hash(written))
            blank = tests[f"{name}_state"].to_numpy() == 0
        elif field.kind in ("date", "time"):
            value = tests[name]
            moment = (
                value.to_numpy().astype("datetime64[s]").astype(np.int64)
                if field.kind == "date"
                else np.nan_to_num(value.to_numpy(dtype=float), nan=-1.0).astype(np.int64)
            )
            parts = [moment.astype(np.uint64), tests[f"{name}_state"].to_numpy().astype(np.uint64)]
            blank = tests[f"{name}_state"].to_numpy() == 0
        else:
            written = text(tests, name)
            blank = written == ""
            if name == "outlet":
                blank |= ~tests["outlet_given"].to_numpy()
            parts = [_text_hash(written)]
        mixed = np.full(len(tests), int(_sum(name)[:16], 16), dtype=np.uint64)
        for part in parts:
            mixed = (mixed ^ part) * np.uint64(1099511628211)  # FNV-1a's step, a word at a time
            mixed ^= mixed >> np.uint64(29)
        total += np.where(blank, np.uint64(0), mixed)
    return total


def _text_hash(written: np.ndarray) -> np.ndarray:
    codes, unique = pd.factorize(written.astype(object))
    sums = np.array([int(_sum(str(u))[:16], 16) for u in unique], dtype=np.uint64)
    return sums[codes] if len(unique) else np.zeros(len(written), dtype=np.uint64)


def _sum(*parts: str) -> str:
    joined = "\1".join(unicodedata.normalize("NFC", p) for p in parts)
    return hashlib.sha256(joined.encode("utf-8", "replace")).hexdigest()


def _slug(site: str) -> str:
    """A site's name as a part of the number: letters of any script and digits, in small letters.

    >>> _slug("Ostmere Paint Hall / 2")
    'ostmere-paint-hall-2'
    """
    folded = unicodedata.normalize("NFC", site).casefold()
    kept = "".join(c if c.isalnum() or unicodedata.category(c).startswith("M") else " " for c in folded)
    return "-".join(kept.split()).encode()[:LONGEST_SLUG_BYTES].decode(errors="ignore").strip("-") or "site"


def _replaces(file: np.ndarray, named: np.ndarray, replaced: np.ndarray, names: list[str]) -> dict[int, set[int]]:
    """file -> the files it replaces, as the normalising stage tells them: by name, where it marked them."""
    by_name: dict[str, list[int]] = {}
    for number, name in enumerate(names):
        by_name.setdefault(PurePosixPath(name).name.casefold(), []).append(number)
    marked = set(file[replaced].tolist())
    found: dict[int, set[int]] = {}
    for f, name in pd.DataFrame({"file": file, "name": named})[named != ""].drop_duplicates().itertuples(index=False):
        wanted = PurePosixPath(str(name).replace("\\", "/")).name.casefold()
        others = [i for i in by_name.get(wanted) or by_name.get(f"{wanted}.xlsx") or [] if i != f and i in marked]
        if len(others) == 1:
            found.setdefault(int(f), set()).add(others[0])
    return found


def _outlets_together(tests: pd.DataFrame, rows: np.ndarray) -> np.ndarray:
    """The rows in the order of the log, further tests of an outlet behind its first."""
    first, _ = pd.factorize(tests["identity"].to_numpy()[rows])
    return rows[np.lexsort((rows, tests["test_day"].to_numpy()[rows], first))]


def _in_order(tests: pd.DataFrame, groups: np.ndarray, rows_of: Mapping[int, np.ndarray]) -> list[int]:
    site, day = text(tests, "site"), tests["test_day"].to_numpy().astype("datetime64[D]").astype(str)
    return sorted(
        (g for g in rows_of if g != _OUTSIDE),
        key=lambda g: (site[rows_of[g][0]].casefold(), min(day[rows_of[g]]), rows_of[g][0]),
    )
