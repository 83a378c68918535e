"""Grades mutated workbooks and checks every promise: `python -m tests.fuzz.run --count 10000 --seed 1`.

No error but GraderError, no more than 10 s a file, every file and row accounted for, no pass for a cell that
was made unreadable, memory bounded, the inputs unchanged, a result that can be written and read back. Exit
status 1 where anything failed.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
import traceback
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any

import python_calamine

from grader.batch import Result, run
from grader.problems import GraderError
from grader.read import process
from grader.words import words
from tests.fuzz.mutate import Mutated, mutate
from tests.fuzz.seeds import ROOT, seeds

SECONDS_A_FILE = 10
STOPPED = f"stopped after {SECONDS_A_FILE} s"
PASSES = ("pass", "near limit")
AS_OF = "2026-11-25"
LARGEST_MB = 1000


@dataclass
class Report:
    """What a campaign found: failures are (file, what, how it was made)."""

    workbooks: int = 0
    rows_found: int = 0
    rows_graded: int = 0
    refused: int = 0
    own: int = 0
    nothing_to_read: int = 0
    cells_spoilt: int = 0
    slow: int = 0  # stopped after 10 s on the clock
    slowest_s: float = 0.0
    parent_mb: float = 0.0
    child_mb: float = 0.0
    reasons: Counter[str] = field(default_factory=Counter)
    mutations: Counter[str] = field(default_factory=Counter)
    crashes: Counter[str] = field(default_factory=Counter)
    failures: list[tuple[str, str, str]] = field(default_factory=list)


def campaign(count: int, seed: int, *, batch: int = 50, keep: Path | None = None, say: bool = False) -> Report:
    """Grade `count` mutated workbooks, `batch` in a folder.

    keep : folder for the workbooks that failed. say : print how far it is.
    """
    report, chance, sources = Report(), Random(seed), seeds()
    usual = process.reading_limits
    process.reading_limits = lambda: {**usual(), "seconds_a_file": SECONDS_A_FILE, "seconds_a_megabyte": 0}
    try:
        for start in range(0, count, batch):
            number = min(batch, count - start)
            made = {f"m{start + n:06}": mutate(chance.choice(sources), sources, chance) for n in range(number)}
            _one_batch(made, report, keep)
            if say:
                print(f"{start + number} workbooks, {len(report.failures)} failures", file=sys.stderr, flush=True)
    except KeyboardInterrupt:
        if not say:
            raise
        print("stopped; the report is of what was done", file=sys.stderr, flush=True)
    finally:
        process.reading_limits = usual
    report.parent_mb, report.child_mb = peaks_mb()
    # What a child is measured at is never less than its parent had when it was started (Linux).
    for who, most in (("a child", report.child_mb), ("the parent", report.parent_mb)):
        if most > LARGEST_MB:
            report.failures.append(("all", f"{who} took {most:.0f} MB", ""))
    return report


def _one_batch(made: dict[str, Mutated], report: Report, keep: Path | None) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name, "in")
        folder.mkdir()
        for stem, one in made.items():
            (folder / (stem + one.suffix)).write_bytes(one.data)
            report.mutations.update(
                re.sub(r"^[A-Z]+[0-9]+ \((.*?)\) ([a-z ]+).*", r"spoil: \2", d).strip() for d in one.done
            )
        failed: dict[str, str] = {}
        try:
            result = run(folder, as_of=AS_OF)
        except GraderError as error:  # only where there is nothing to read at all
            report.nothing_to_read += len(made)
            report.workbooks += len(made)
            if "Nothing to read" not in str(error):
                failed["all"] = str(error)
        except Exception:
            if len(made) > 1:  # find which it was
                _halves(made, report, keep)
                return
            failed[next(iter(made))] = traceback.format_exc(limit=-4)
            report.workbooks += 1
        else:
            report.workbooks += len(made)
            failed = check(result, made, report)
            problem = write_and_read(result, Path(name, "result.xlsx"))
            if problem and len(made) > 1:
                alone = Report()
                _halves(made, alone, keep)
                report.failures.extend(alone.failures)
            if problem:
                failed["all" if len(made) > 1 else next(iter(made))] = problem
        for stem, one in made.items():
            if (
                hashlib.sha256((folder / (stem + one.suffix)).read_bytes()).digest()
                != hashlib.sha256(one.data).digest()
            ):
                failed[stem] = "the input was changed"
        for stem in [stem for stem, what in failed.items() if what == STOPPED]:
            report.slow += 1
            if processor_seconds(folder / (stem + made[stem].suffix)) <= SECONDS_A_FILE:
                del failed[stem]  # the machine was busy; the file is no hang
        for stem, what in failed.items():
            told = made.get(stem)
            report.failures.append((stem, what, f"{told.seed}: {told.done}" if told else ""))
            if keep is not None and told is not None:
                keep.mkdir(parents=True, exist_ok=True)
                shutil.copy(folder / (stem + told.suffix), keep)


def _halves(made: dict[str, Mutated], report: Report, keep: Path | None) -> None:
    stems = list(made)
    for part in (stems[: len(stems) // 2], stems[len(stems) // 2 :]):
        _one_batch({stem: made[stem] for stem in part}, report, keep)


def processor_seconds(path: Path) -> float:
    """Seconds of a processor that reading one file takes, the start of the process included; inf for a hang."""
    code = (
        "import sys; from grader.read.child import read_file; from grader.read.process import reading_limits; "
        "read_file(sys.argv[1], reading_limits())"
    )
    before = os.times()
    try:
        subprocess.run(
            [sys.executable, "-c", code, str(path)],
            cwd=ROOT,
            stderr=subprocess.DEVNULL,
            timeout=10 * SECONDS_A_FILE,
            check=False,
        )
    except subprocess.TimeoutExpired:
        return float("inf")
    after = os.times()
    return after.children_user + after.children_system - before.children_user - before.children_system


def check(result: Result, made: dict[str, Mutated], report: Report) -> dict[str, str]:
    """What does not hold of a batch's result: stem of the file -> what."""
    failed: dict[str, str] = {}
    sources = result.sources
    stems = {Path(str(n)).stem: i for i, n in enumerate(sources["File"])}
    passed = {Path(entry.name).stem for entry in result.log.passed_over}
    for stem in made:
        if (stem in stems) == (stem in passed):
            failed[stem] = "the file is neither read nor refused nor passed over"
    for stem, i in stems.items():
        line = sources.iloc[i]
        if line["Rows found"] != line["Rows graded"] + line["Rows refused"]:
            failed[stem] = f"rows: {line['Rows found']} found, {line['Rows graded']} graded"
        wanted = made[stem].rows
        if wanted is not None and line["State"] == "read" and line["Rows found"] != wanted:
            failed[stem] = f"rows: {wanted} written, {line['Rows found']} found"
        report.slowest_s = max(report.slowest_s, result.log.seconds[i])
    if len(result.verdicts) != len(result.tests) or len(result.tests) != sources["Rows graded"].sum():
        failed["all"] = "the tables differ in length"
    report.rows_found += int(sources["Rows found"].sum())
    report.rows_graded += int(sources["Rows graded"].sum())
    report.refused += int((sources["State"] == "refused").sum())
    report.own += len(passed)
    _check_refusals(result, report, failed)
    _check_verdicts(result, made, report, failed)
    return failed


def _check_refusals(result: Result, report: Report, failed: dict[str, str]) -> None:
    texts = words()["problem"]
    starts = {code: texts[code]["text"].split("{")[0] for code in ("reader_crashed", "reader_died", "timed_out")}
    refused = result.problems[result.problems["Severity"] == "refused"]
    for name, problem in zip(refused["File"], refused["Problem"]):
        report.reasons[re.sub(r"\".*?\"|[0-9]+|\(.*?\)", "…", problem)[:70]] += 1
        for code, start in starts.items():
            if start and problem.startswith(start):
                report.crashes[f"{code}: {problem[:160]}"] += 1
                if code == "timed_out":
                    failed[Path(str(name)).stem] = STOPPED


def _check_verdicts(result: Result, made: dict[str, Mutated], report: Report, failed: dict[str, str]) -> None:
    wanted = [(stem, row, heading) for stem, one in made.items() for row, heading in one.no_pass]
    report.cells_spoilt += len(wanted)
    if not wanted:
        return
    v = result.verdicts
    where = {(Path(str(f)).stem, int(r)): i for i, (f, r) in enumerate(zip(v["File"], v["Row"]))}
    read = set(result.sources.loc[result.sources["State"] == "read", "File"].map(lambda n: Path(str(n)).stem))
    for stem, row, heading in wanted:
        if stem not in read:
            continue  # refused as a whole: nothing of it passes
        i = where.get((stem, row))
        if i is None:
            failed[stem] = f"row {row} is gone"
        elif v[heading].iloc[i] in PASSES or v["Verdict"].iloc[i] in PASSES:
            failed[stem] = f"row {row}: {heading} is {v[heading].iloc[i]}, the test {v['Verdict'].iloc[i]}"


def write_and_read(result: Result, path: Path) -> str:
    """What went wrong when the result was written and read back; "" where nothing did."""
    try:
        result.write(path)
        book = python_calamine.CalamineWorkbook.from_path(str(path))
        rows = len(book.get_sheet_by_name("Verdicts").to_python()) - 1
    except Exception:  # reported with its traceback by the caller
        return traceback.format_exc(limit=-4)
    return "" if rows == len(result.verdicts) else f"{rows} rows in the result of {len(result.verdicts)}"


def peaks_mb() -> tuple[float, float]:
    """Most memory that this process, and the largest of its children, ever had; 0 where it cannot be told."""
    try:
        import resource
    except ImportError:
        return 0.0, 0.0
    unit = 1e6 if sys.platform == "darwin" else 1e3
    own, children = (
        resource.getrusage(who).ru_maxrss / unit for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    )
    return own, children


def told(report: Report, seconds: float) -> str:
    """The report as text."""
    lines = [
        f"{report.workbooks} mutated workbooks in {seconds:.0f} s",
        f"{report.refused} refused, {report.own} passed over as own products, "
        f"{report.rows_found} rows found, {report.rows_graded} graded",
        f"{report.cells_spoilt} cells made unreadable, slowest file {report.slowest_s:.2f} s, "
        f"{report.slow} took over 10 s on the clock, "
        f"largest child {report.child_mb:.0f} MB, parent {report.parent_mb:.0f} MB",
        "refused because: " + "; ".join(f"{n} {r}" for r, n in report.reasons.most_common(15)),
        "mutations: " + "; ".join(f"{n} {m}" for m, n in report.mutations.most_common()),
        *(f"reader: {n} {c}" for c, n in report.crashes.most_common()),
        f"{len(report.failures)} failures",
    ]
    return "\n".join([*lines, *(f"FAILED {name}: {what}  [{how}]" for name, what, how in report.failures)])


def main(arguments: list[str] | None = None) -> int:
    """The command; exit status 1 where anything failed."""
    parser = argparse.ArgumentParser(description="Grade mutated workbooks and check what must hold.")
    parser.add_argument("--count", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--batch", type=int, default=50, help="workbooks in a folder")
    parser.add_argument("--keep", type=Path, help="folder for the workbooks that failed")
    given: Any = parser.parse_args(arguments)
    started = time.monotonic()
    report = campaign(given.count, given.seed, batch=given.batch, keep=given.keep, say=True)
    print(told(report, time.monotonic() - started))
    return 1 if report.failures else 0


if __name__ == "__main__":
    raise SystemExit(main())
