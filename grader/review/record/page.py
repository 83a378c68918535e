"""The page of one visit's record: readings of each outlet, findings, limits, what is not covered, sources."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from grader.columns import BLANK, FIELDS, PARAMETERS, TEST_FAIL, TEST_INCOMPLETE, TEST_WORDS, UNREADABLE, substance_key
from grader.decided import ASKED, HARMFUL, INERT
from grader.figures import plain
from grader.frames import text
from grader.page import Block, Page, left_table
from grader.review.record.numbers import Numbered
from grader.review.record.outlets import outlets_block
from grader.review.record.site_list import OnList
from grader.review.verdict_sheet import as_read
from grader.words import Local

TUBES = {p.key: p.tube for p in PARAMETERS.values() if p.tube}
SIZE_PT = 8.0  # of all but the headings: a visit of two outlets is three pages at most


@dataclass
class Run:
    """What all records of one run share."""

    words: Mapping[str, Any]
    names: list[str]
    sums: list[str]
    rulesets: dict[str, Any]
    limits: pd.DataFrame
    version: str
    options: str
    decision_rule: str
    say: dict[str, Any] = field(init=False)
    local: Local = field(init=False)

    def __post_init__(self) -> None:
        self.say, self.local = self.words["record"], Local.of(self.words)


@dataclass
class VisitOf:
    """One visit.

    tests    : its m tests, repeats left out. all_tests : file and row of the repeats too.
    findings : rows with the columns of the sheet Actions. about : its number and what it stands beside.
    untested : the outlets on the site's list that were not tested.
    systems  : what is out of use as a whole, in words.
    """

    tests: pd.DataFrame
    all_tests: pd.DataFrame
    findings: pd.DataFrame
    about: Numbered
    untested: list[OnList]
    systems: tuple[str, ...] = ()


def record_page(visit: VisitOf, run: Run) -> tuple[Page, str]:
    """The page, and a digest of what it says, file sums, version and options left out.

    Returns : (Page, SHA-256 in hexadecimal).
    """
    say, tests = run.say, visit.tests
    days = _days(tests, say)
    title = say["subtitle"].format(site=text(tests, "site")[0], days=days, number=visit.about.number)
    blocks = [
        *_state(visit, run),
        _visit(visit, days, run),
        outlets_block(visit.tests, run.names, run.words),
        *_findings(visit, run),
        _tubes(visit, run),
        Block("form", columns=list(say["sign_by"]), rows=[(line,) for line in say["sign_lines"]]),
        Block("cautions", say["cautions_heading"], rows=[(c,) for c in say["cautions"]]),
        *_limits(visit, run),
        _not_covered(visit, run),
    ]
    content = hashlib.sha256(repr((title, blocks)).encode("utf-8", "replace")).hexdigest()
    blocks.append(_sources(visit, run))
    for block in blocks:
        block.size_pt = block.size_pt or SIZE_PT
    return Page(say["title"], title, blocks, landscape=True, repeat_tables=True), content


def _days(tests: pd.DataFrame, say: dict[str, Any]) -> str:
    days = tests["test_day"].dropna()
    if days.empty:
        return say["no_day"]
    first, last = days.min().date().isoformat(), days.max().date().isoformat()
    return first if first == last else say["days"].format(first=first, last=last)


# -- at the top --------------------------------------------------------------------------------------------


def _worst_by_outlet(tests: pd.DataFrame) -> list[tuple[str, int, bool, str]]:
    """(name, verdict at the end of the visit, whether anything was tested, why) of each outlet, in order."""
    ruling = ~tests["superseded"].to_numpy()
    identity, verdict = tests["identity"].to_numpy(), tests["verdict"].to_numpy()
    visited, names, reasons = tests["visited"].to_numpy(), text(tests, "outlet"), text(tests, "reasons")
    day = tests["test_day"].to_numpy().astype("datetime64[D]").astype(np.int64)
    lines = []
    for code in dict.fromkeys(identity.tolist()):
        mine = np.flatnonzero((identity == code) & ruling & visited)
        if not len(mine):
            mine = np.flatnonzero(identity == code)
        last = mine[day[mine] == day[mine].max()]
        worst = last[np.argmax(verdict[last])]
        lines.append((str(names[last[0]]), int(verdict[worst]), bool(visited[last].any()), str(reasons[worst])))
    return lines


def _state(visit: VisitOf, run: Run) -> list[Block]:
    """What was tested of what is on the list, what is out of use and why, what was not tested, what is still open."""
    say, local, about = run.say, run.local, visit.about
    outlets = _worst_by_outlet(visit.tests)
    tested = [o for o in outlets if o[2]]
    listed = len(tested) + len(visit.untested)
    label = say["tested"] if listed == len(tested) else say["tested_of"].format(listed=listed)
    words = reversed([*enumerate(TEST_WORDS)])  # the worst first
    counts = [(local.title(word), sum(o[1] == code for o in tested), word) for code, word in words]
    out = [(name, TEST_WORDS[v], "", why) for name, v, was, why in outlets if was and v in (TEST_FAIL, TEST_INCOMPLETE)]
    told = [say["superseded_by"].format(number=about.superseded_by)] if about.superseded_by else []
    told += [say["out"], *_alike(out, say["out_line"], run)] if out else [say["all_clear"]]
    told += visit.systems
    still = [(o.outlet, TEST_WORDS[o.verdict], o.day, o.reasons) for o in visit.untested if o.open]
    told += [say["still_open"], *_alike(still, say["open_line"], run)] if still else []
    there = {name for name, *_ in outlets}
    names = _untested(visit.tests, [name for name, _, was, _ in outlets if not was], run)
    names += [o.outlet for o in visit.untested if not o.open and o.outlet not in there]
    told += [say["untested"].format(outlets=", ".join(dict.fromkeys(names)))] if names else []
    return [
        Block("figures", rows=[(label, len(tested), ""), *counts]),
        Block("cautions" if out or names or still or about.superseded_by else "text", rows=[(line,) for line in told]),
    ]


def _alike(outlets: list[tuple[str, str, str, str]], line: str, run: Run) -> list[str]:
    """Sentences on outlets (name, verdict word, day, why): those that say the same are one."""
    together: dict[tuple[str, str, str], list[str]] = {}
    for name, *rest in outlets:
        together.setdefault(tuple(rest), []).append(name)  # type: ignore[arg-type]
    return [
        line.format(outlets=", ".join(names), word=run.local.word(word), day=day, why=run.local.text(_short(why, run)))
        for (word, day, why), names in together.items()
    ]


_NO_REASONS = ("tubes_corrected", "warm_day", "not_judged")  # what a test is also told, and was not failed for


def _short(why: str, run: Run) -> str:
    """The reasons for a verdict, without what else is told of the test: that stands below its outlet."""
    told = tuple(run.words["reason"][name].split("{")[0] for name in _NO_REASONS)
    parts = [part for part in why.rstrip(".").split("; ") if not part.startswith(told)]
    return "; ".join(parts) + "." if parts else why


def _untested(tests: pd.DataFrame, names: list[str], run: Run) -> list[str]:
    """The outlets that stand in the log with nothing tested, those removed left out."""
    status = dict(zip(text(tests, "outlet"), text(tests, "outlet_status")))
    say = run.say
    return [
        name
        if status[name] in ("", "in use")
        else say["outlet_state"].format(name=name, word=run.local.word(status[name]))
        for name in names
        if status[name] != "removed"
    ]


_REVIEW = ("reviewed_by", "reviewed_on")  # a second signature, where the log has one


def _visit(visit: VisitOf, days: str, run: Run) -> Block:
    tests, say, about = visit.tests, run.say, visit.about
    earlier = [*about.supersedes, *(say["supersedes_file"].format(file=name) for name in about.lost)]
    given = {"number": about.number, "supersedes": "; ".join(earlier) or say["supersedes_none"], "test_date": days}
    signed = any((tests[f"{name}_state"].to_numpy() != BLANK).any() for name in _REVIEW)
    places = ("visit", "review") if signed else ("visit",)
    items = [i for i in run.words["record_items"] if i["place"] in places]
    cells = [
        (i["label"], say["by_hand"] if not i["field"] else given.get(i["field"]) or _shared(tests, i["field"], run))
        for i in items
    ]
    rows = [(*left, *right) for left, right in zip(cells[::2], [*cells[1::2], ("", "")])]
    return left_table(say["visit"], [""] * 4, rows, [8, 11, 8, 11])


def _shared(tests: pd.DataFrame, name: str, run: Run) -> str:
    """What the visit's tests say in a field: all different values, in order; `not stated` where none does."""
    return "; ".join(dict.fromkeys(t for t in _field_texts(tests, name, run) if t)) or run.say["not_stated"]


def _field_texts(tests: pd.DataFrame, name: str, run: Run) -> list[str]:
    kind, say, local = FIELDS[name].kind, run.say, run.local
    if kind in ("text", "word"):
        return [local.word(v) if kind == "word" else str(v) for v in text(tests, name)]
    state = tests[f"{name}_state"].to_numpy()
    written = text(tests, f"{name}_text") if f"{name}_text" in tests else np.full(len(tests), "…", dtype=object)
    if kind == "date":
        shown = [str(d) for d in tests[name].to_numpy().astype("datetime64[D]")]
    else:
        shown = [v if isinstance(v, str) else "" if v is None else plain(v) for v in as_read(tests, name)]
        shown = [local.figures(v) for v in shown]
    return [
        "" if s == BLANK else say["unreadable"].format(text=w or "…") if s == UNREADABLE else v
        for v, s, w in zip(shown, state, written)
    ]


def _tubes(visit: VisitOf, run: Run) -> Block:
    tests, say, names = visit.tests, run.say, text(visit.tests, "outlet")
    rows: list[tuple[str, ...]] = []
    for key, tube in TUBES.items():
        pairs = list(zip(text(tests, f"{tube}_tube_lot"), _field_texts(tests, f"{tube}_tube_expiry", run)))
        different = [p for p in dict.fromkeys(pairs) if any(p)] or [("", "")]
        for lot, expiry in different:
            mine = dict.fromkeys(n for n, p in zip(names, pairs) if p == (lot, expiry))
            where = say["every_outlet"] if len(different) == 1 else ", ".join(mine)
            rows.append(
                (run.words["parameter"][key], str(lot) or say["not_stated"], expiry or say["not_stated"], where)
            )
    return left_table(say["tubes"], [say[f"c_{c}"] for c in ("tube", "lot", "expiry", "outlets")], rows, [7, 7, 6, 18])


# -- below the outlets -------------------------------------------------------------------------------------


def _findings(visit: VisitOf, run: Run) -> list[Block]:
    """Findings with causes and next step; outlets that say the same are one, and one cause is told once."""
    say, local = run.say, run.local
    if visit.about.superseded_by:
        return []  # they stand in the later record
    if visit.findings.empty:
        return [Block("text", say["findings"], rows=[(say["no_findings"],)])]
    together: dict[tuple[str, str, str], dict[str, list[str]]] = {}
    for f in visit.findings.to_dict("records"):
        alike = together.setdefault((f["Parameter"], f["Likely causes"], f["Next step"]), {})
        alike.setdefault(f["Finding"], []).append(f["Outlet"])
    rows = []
    for (_, causes, step), alike in together.items():
        sentences = [
            say["finding"].format(outlet=", ".join(dict.fromkeys(names)), finding=local.text(finding))
            for finding, names in alike.items()
        ]
        rows.append(("\n".join(sentences), local.figures(causes), local.text(step)))
    columns = [say["c_finding"], say["c_causes"], say["c_next"]]
    return [left_table(say["findings"], columns, rows, [8, 15, 15], say["findings_note"])]


def _rule_ids(tests: pd.DataFrame) -> list[str]:
    return [r for r in dict.fromkeys(text(tests, "ruleset").tolist()) if r]


def _limits(visit: VisitOf, run: Run) -> list[Block]:
    say, used = run.say, _rule_ids(visit.tests)
    decision, local = (say["decision"].format(rule=run.local.text(run.decision_rule)),), run.local
    if not used:
        return [Block("text", say["limits"], rows=[(say["no_rules"],), decision])]
    mine = run.limits[run.limits["Rule set"].isin(used)]
    judging = mine[mine["Judges"].str.startswith("yes")] if "Judges" in mine else mine
    judging = judging[_for_supplies(judging["Condition"], text(visit.tests, "supply"))]
    rows = [
        (
            r["Parameter"],
            local.text(r["Condition"]),
            local.text(r["Limit"]),
            f"{r['Document']} {r['Edition']}".strip(),
            local.word(r["Clause"]),
            local.word(r["Source confidence"]),
        )
        for r in judging.to_dict("records")
    ]
    columns = [say[f"c_{c}"] for c in ("parameter", "condition", "limit", "document", "clause", "confidence")]
    table = left_table(say["limits"], columns, rows, [5, 8, 8, 4, 10, 3], say["needs_note"])
    return [table, Block("text", rows=[decision])]


def _for_supplies(conditions: pd.Series, supplies: np.ndarray) -> list[bool]:
    """Which conditions name no supply, or one of the visit's; all of them where a supply is not known."""
    absent = [s for s in FIELDS["supply"].words if s not in supplies] if (supplies != "").all() else []
    present = [s for s in FIELDS["supply"].words if s not in absent]
    return [not any(a in c for a in absent) or any(p in c for p in present) for c in conditions]


def _not_covered(visit: VisitOf, run: Run) -> Block:
    say, used = run.say, _rule_ids(visit.tests)
    rows = [(say["other_contaminants"],)]
    mine = run.limits[run.limits["Rule set"].isin(used) & (run.limits["Condition"] == "not covered")] if used else None
    for r in mine.to_dict("records") if mine is not None else ():
        if not r["Parameter"].startswith("any other"):  # said in the sentence before, for every rule set
            limit = run.local.figures(f" ({r['Limit']} {r['Unit']})".replace(" )", ")")) if r["Unit"] else ""
            rule = f"{r['Document']} {r['Edition']}".strip()
            rows.append((say["also_not_covered"].format(rule=rule, substance=r["Parameter"], limit=limit),))
    names: dict[str, str] = {}
    for column in (HARMFUL, ASKED, INERT):
        for written in text(visit.tests, column):
            names |= {substance_key(n): n for n in written.split(", ") if n}
    if names:
        listed = ", ".join(names[key] for key in sorted(names))
        rows.append((say["measured_not_judged"].format(substances=listed[:1].upper() + listed[1:]),))
    return Block("text", say["not_covered"], rows=[*rows, (say["that_day"],)])


def _sources(visit: VisitOf, run: Run) -> Block:
    say, tests = run.say, visit.all_tests
    file, row = tests["file"].to_numpy(), tests["row"].to_numpy()
    rows = [
        (run.names[f], run.sums[f], _ranges(sorted(set((row[file == f] + 1).tolist()))))
        for f in dict.fromkeys(file.tolist())
    ]
    basis = {item["basis"] for item in run.words["record_items"]}
    about = [say["number_means"], *([say["basis_memory"]] if "memory" in basis else []), say["keep"]]
    note = " ".join([say["made_by"].format(version=run.version, options=run.options), *about])
    return left_table(say["sources"], [say["c_file"], say["c_sha"], say["c_rows"]], rows, [12, 17, 9], note)


def _ranges(numbers: Sequence[int]) -> str:
    """Whole numbers in order, runs of them as one.

    >>> _ranges([2, 3, 4, 9, 11, 12])
    '2–4, 9, 11, 12'
    """
    runs: list[list[int]] = []
    for n in numbers:
        if runs and n == runs[-1][-1] + 1:
            runs[-1].append(n)
        else:
            runs.append([n])
    return ", ".join(f"{r[0]}–{r[-1]}" if len(r) > 2 else ", ".join(map(str, r)) for r in runs)
