"""What the corpus scores: every value of every test as read beside what is true, and the verdicts; the scores kept."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from scipy.optimize import linear_sum_assignment

from grader.columns import BLANK, FIELDS, OPEN_UPPER, READ, UNREADABLE
from tests.read.corpus_logs import FOLDER, PASSES, WORDS_FOR_FIGURES, Log, Probe, Read, figure, logs, probes, run

RELATIVE = 2e-3  # true figures are typed with three to four digits
# One figure, two fields: a water column is the tube's reading or the content, which is the same where nothing multiplies.
SISTERS = {"water_tube_mg_m3": "water_mg_m3", "water_mg_m3": "water_tube_mg_m3"}
KEPT = FOLDER / "scores.toml"
SIZES = ("logs", "tests", "values", "probes")  # more is better, as of shares (%); of all other scores less is


def state(test: dict[str, Any], name: str, true: str) -> str:
    """How a field of a test was read beside what is true: right, blank, unreadable, wrong; nothing where both are blank."""
    read = int(test[f"{name}_state"])
    if read == BLANK:
        return "blank" if true else ""
    if read == UNREADABLE:
        return "unreadable" if true else ""
    kind = FIELDS[name].kind
    if not true:
        return "wrong" if kind != "text" else ""
    if kind == "number":
        return "right" if _same_figure(test, name, true) else "wrong"
    value = test[name]
    if kind == "date":
        return "right" if pd.Timestamp(value).date().isoformat() == true else "wrong"
    if kind == "time":
        hours, minutes = true.split(":")
        return "right" if float(value) == int(hours) * 60 + int(minutes) else "wrong"
    same = " ".join(str(value).casefold().split()) == true.casefold()
    return "right" if same else "wrong" if kind == "word" else "other"


def _same_figure(test: dict[str, Any], name: str, true: str) -> bool:
    if true in WORDS_FOR_FIGURES:
        return int(test[f"{name}_how"]) == WORDS_FOR_FIGURES[true]
    mark, number, _ = figure(true)
    low, high, open_end = (test[f"{name}_{end}"] for end in ("lower", "upper", "open"))

    def near(end: float) -> bool:
        return bool(abs(end - number) <= RELATIVE * abs(number) + 1e-9)

    if not mark:
        return near(low) and near(high)
    meant = high if mark in "<≤" else low
    return near(meant) and low != high and (mark not in "<" or int(open_end) == OPEN_UPPER)


def compared(test: dict[str, Any], true: dict[str, str], unsure: set[str]) -> dict[str, str]:
    """Field -> how it was read, for every field of one test that is filled in truth or in what was read."""
    found = {}
    for name in FIELDS:
        # The true tables hold neither verdicts of the firm nor substances that no rule judges.
        if name in unsure or name in ("own_verdict", "substances") or FIELDS[name].harmful:
            continue
        wanted = true.get(name, "")
        other = SISTERS.get(name, "")
        if (
            other
            and "water_multiplier" not in true
            and int(test[f"{name}_state"]) == READ
            and other in true
            and not wanted
        ):
            continue  # compared under its sister
        how = state(test, name, wanted)
        if how == "blank" and other and "water_multiplier" not in true and state(test, other, wanted) == "right":
            how = "right"
        if how:
            found[name] = how
    return found


@dataclass
class Outcome:
    """What became of one log."""

    log: Log
    values: int = 0
    right: int = 0
    faults: list[tuple[str, str, str, str]] = field(default_factory=list)  # test, field, how, true
    phantoms: list[str] = field(default_factory=list)
    lost: list[str] = field(default_factory=list)
    verdicts: list[tuple[str, str, str]] = field(default_factory=list)  # test, expected, got
    problems: int = 0
    queries: int = 0  # those of them that ask for an answer: no notes

    @property
    def wrong(self) -> list[tuple[str, str, str, str]]:
        """Figures, dates and words that stand under a field and are not its own."""
        return [f for f in self.faults if f[2] == "wrong"]

    @property
    def wrong_passes(self) -> list[tuple[str, str, str]]:
        """Tests that must not pass and do."""
        return [v for v in self.verdicts if v[1] != "pass" and v[2] in PASSES]

    @staticmethod
    def as_expected(verdict: tuple[str, str, str]) -> bool:
        """Whether a test ended as it should."""
        _, expected, got = verdict
        if expected in ("maybe", "not pass"):
            return got not in PASSES
        return got in PASSES if expected == "pass" else got == expected

    def met(self, expected: str) -> tuple[int, int]:
        """How many of the tests that should end so do, and how many there are."""
        asked = [v for v in self.verdicts if v[1] == expected]
        return sum(map(self.as_expected, asked)), len(asked)


def label(test: dict[str, str]) -> str:
    """A test by its outlet and day."""
    return " ".join(filter(None, (test.get("outlet", "?"), test.get("test_date", ""))))


def outcome(log: Log, read: Read) -> Outcome:
    """A log's tests as read, matched to the true ones by agreement, whatever they are called."""
    tests, verdicts = read.tests, read.verdicts
    made = Outcome(log, problems=len(read.severities), queries=sum(s != "note" for s in read.severities))
    found = [compared_all(test, log) for test in tests]
    agreed = [[sum(h == "right" for h in per.values()) for per in row] for row in found]
    score = np.array(agreed, dtype=int).reshape(len(found), len(log.tests))
    rows, columns = linear_sum_assignment(score, maximize=True) if score.size else ([], [])
    pairs = {c: r for r, c in zip(rows, columns) if score[r, c] >= 2}
    for c, true in enumerate(log.tests):
        expect = true["expect"]
        values = {f: v for f, v in true.items() if f in FIELDS and f not in log.unsure}
        if c not in pairs:
            if expect != "maybe":
                made.lost.append(label(true))
                made.values += len(values)
                made.verdicts.append((label(true), expect, "lost"))
            continue
        made.verdicts.append((label(true), expect, verdicts[pairs[c]]))
        if expect == "maybe":
            continue
        per = found[pairs[c]][c]
        made.values += len(values)
        made.right += sum(h == "right" for h in per.values())
        made.faults += [(label(true), f, h, values.get(f, "")) for f, h in per.items() if h != "right"]
    for r in sorted(set(range(len(tests))) - set(pairs.values())):
        made.phantoms.append(f"{tests[r]['outlet']} {tests[r]['test_date']}: {verdicts[r]}")
    return made


def compared_all(test: dict[str, Any], log: Log) -> list[dict[str, str]]:
    """One test as read beside every true test of its log."""
    return [compared(test, true, log.unsure) for true in log.tests]


def graded(some: Iterable[Log]) -> list[Outcome]:
    """What became of each log, all of them graded in one run."""
    some = list(some)
    return [outcome(log, found) for log, found in zip(some, run(some))]


def probed(some: Iterable[Probe]) -> list[Probe]:
    """The probes, graded in one run; each is a site of its own."""
    made = list(some)
    for probe, found in zip(made, run([p.log for p in made])):
        probe.verdicts = found.verdicts
    return made


def scores(made: Sequence[Outcome]) -> dict[str, float]:
    """The scores of a run, by name; shares in per cent to one decimal."""

    def share(parts: Iterable[tuple[int, int]]) -> float:
        met, asked = map(sum, zip(*parts))
        return round(100 * met / max(asked, 1), 1)

    lines = [o.problems for o in made]
    return {
        "logs": len(made),
        "tests": sum(len(o.log.tests) for o in made),
        "values": sum(o.values for o in made),
        "values read right (%)": share((o.right, o.values) for o in made),
        "wrong figures": sum(len(o.wrong) for o in made),
        "phantom tests": sum(len(o.phantoms) for o in made),
        "lost tests": sum(len(o.lost) for o in made),
        "should pass and do (%)": share(o.met("pass") for o in made),
        "should fail and do (%)": share(o.met("fail") for o in made),
        "must not pass and do": sum(len(o.wrong_passes) for o in made),
        "problem lines a file, median": float(np.median(lines)),
        "problem lines a file, most": max(lines),
        "problem lines a file that are no notes, median": float(np.median([o.queries for o in made])),
    }


def probe_scores(made: Sequence[Probe]) -> dict[str, float]:
    """How many probes do not do what they must, by what that is."""
    names = {
        "no pass": "probes that still pass",
        "fail": "probes that lose a fail",
        "nothing": "harmless probes that cost",
        "aside": "rows aside that cost",
    }
    missed = {name: float(sum(p.expect == e and not p.met for p in made)) for e, name in names.items()}
    return missed | {"probes": len(made)}


def all_scores() -> dict[str, float]:
    """The scores of the whole corpus and its probes."""
    return scores(graded(logs())) | probe_scores(probed(probes()))


def kept() -> dict[str, float]:
    """The scores that no change may make worse."""
    return tomllib.loads(KEPT.read_text(encoding="utf-8"))


def better_or_same(score: str, found: float, before: float) -> bool:
    """Whether a score is no worse than before."""
    return found >= before if score.endswith("(%)") or score in SIZES else found <= before


def keep(found: dict[str, float], anew: bool = False) -> None:
    """Write the scores that have got better, and leave the others as they were kept; anew: write all as they are."""
    before = {} if anew else kept()
    best = {s: v if better_or_same(s, v, before.get(s, v)) else before[s] for s, v in found.items()}
    lines = [
        "# Written by `python -m tests.bench.bench_logs --keep` (or --anew): no change may make one of these worse."
    ]
    KEPT.write_text("\n".join(lines + [f'"{s}" = {v:g}' for s, v in best.items()]) + "\n", encoding="utf-8")
