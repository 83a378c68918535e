"""Watching a folder: graded when files have stopped growing, never its own products, going on over errors.

The clock is not used: `sleep` is the script of what happens between two looks, and Ctrl-C ends it.
"""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import date
from pathlib import Path

import click
import pandas as pd
import pytest

from grader import batch
from grader.problems import GraderError
from grader.watch import watch
from grader.write.register import write_register
from tests.support import AIRLINE
from tests.test_batch import visit_file

ROOT = Path(__file__).parents[1]


def nothing() -> None:
    """A step between two looks in which nothing happens."""


OF_A_TEST = re.compile(r"  (pass|near limit|incomplete|fail) +\S")


def watched(folder: Path, output: Path, *between: Callable[[], object], tests=False, **options) -> list[str]:
    """The lines of a watch: a look, the first step, a look, the second step, ... and Ctrl-C at the end.

    tests : those of tests too, without colour.
    """
    steps = iter(between)
    lines: list[str] = []

    def sleep(_: float) -> None:
        step = next(steps, None)
        if step is None:
            raise KeyboardInterrupt
        step()

    watch(folder, output, interval_s=5.0, echo=lines.append, sleep=sleep, **options)
    assert all(re.match(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d  \S", line) and "\n" not in line for line in lines)
    return [click.unstyle(line[21:]) for line in lines if tests or not OF_A_TEST.search(click.unstyle(line))]


def kinds(lines: list[str]) -> list[str]:
    """What each line says, without its figures: its first words."""
    return [re.split(r"[:,]", line)[0].split(" /")[0] for line in lines]


def verdicts(path: Path) -> list[str]:
    return pd.read_excel(path, sheet_name="Verdicts", engine="calamine")["Verdict"].tolist()


@pytest.fixture
def folder(tmp_path):
    made = tmp_path / "logs"
    made.mkdir()
    return made


def test_what_is_there_is_graded_once(folder, tmp_path):
    visit_file(folder / "a.xlsx")
    lines = watched(folder, tmp_path / "r.xlsx", nothing, nothing, nothing)
    assert kinds(lines) == ["watching", "new or changed", "graded", "stopped"]
    assert "1 files, 1 rows found, 1 graded, 0 refused; 0 fail, 0 incomplete" in lines[2]
    assert verdicts(tmp_path / "r.xlsx") == ["pass"]


def test_a_file_that_arrives_changes_or_goes_is_graded_again(folder, tmp_path):
    visit_file(folder / "a.xlsx")
    bad = visit_file(tmp_path / "bad.xlsx", rows=[{**AIRLINE, "co_ppm": 9}])
    lines = watched(
        folder,
        tmp_path / "r.xlsx",
        nothing,
        lambda: shutil.copy(bad, folder / "b.xlsx"),
        nothing,
        lambda: shutil.copy(bad, folder / "a.xlsx"),
        nothing,
        lambda: (folder / "b.xlsx").unlink(),
    )
    assert [line for line in lines if not line.startswith("graded")][1:-1] == [
        "new or changed: a.xlsx",
        "new or changed: b.xlsx",
        "new or changed: a.xlsx",
        "gone: b.xlsx",
    ]
    graded = [line.split("; ")[1].split(", ")[0] for line in lines if line.startswith("graded")]
    assert graded == ["0 fail", "1 fail", "2 fail", "1 fail"]
    assert verdicts(tmp_path / "r.xlsx") == ["fail"]


def test_the_tests_of_a_file_that_arrived_get_a_line_each_the_fails_first(folder, tmp_path):
    visit_file(folder / "a.xlsx")
    bad = visit_file(tmp_path / "bad.xlsx", rows=[AIRLINE, {**AIRLINE, "outlet": "Bay 12", "co_ppm": 9}])
    lines = watched(
        folder, tmp_path / "r.xlsx", nothing, lambda: shutil.copy(bad, folder / "b.xlsx"), nothing, tests=True
    )
    arrived = lines.index("new or changed: b.xlsx")
    assert lines[arrived + 1].startswith("Bay 12  fail        Carbon monoxide 9 ppm is over the limit of 5 ppm")
    assert lines[arrived + 2].startswith("Bay 1   pass        Meets EN 12021 2014")
    assert lines[arrived + 3].startswith("graded: ") and sum(bool(OF_A_TEST.search(x)) for x in lines) == 3


def test_a_growing_file_is_waited_for(folder, tmp_path):
    whole = visit_file(tmp_path / "whole.xlsx").read_bytes()
    growing = folder / "a.xlsx"
    steps = [lambda n=n: growing.write_bytes(whole[:n]) for n in (4000, 8000, 12_000, len(whole))]
    lines = watched(folder, tmp_path / "r.xlsx", *steps, nothing)
    assert kinds(lines) == [
        "watching",
        "nothing to grade yet",
        "waiting until it is written in full",
        "new or changed",
        "graded",
        "stopped",
    ]
    assert "1 files, 1 rows found, 1 graded, 0 refused" in lines[4]  # never the half of it


def test_a_change_while_a_run_is_under_way_is_not_missed(folder, tmp_path, monkeypatch):
    visit_file(folder / "a.xlsx")
    late = visit_file(tmp_path / "late.xlsx", rows=[{**AIRLINE, "co_ppm": 9}])
    whole = batch.run

    def run_and_change(*arguments, **options):
        result = whole(*arguments, **options)
        if late.exists():
            shutil.move(late, folder / "a.xlsx")
        return result

    monkeypatch.setattr(batch, "run", run_and_change)
    watched(folder, tmp_path / "r.xlsx", nothing, nothing, nothing)
    assert verdicts(tmp_path / "r.xlsx") == ["fail"]


def test_its_own_products_start_nothing_and_are_not_graded(folder):
    """The result lies in the folder under a spreadsheet's name, and a copy of it under another."""
    visit_file(folder / "a.xlsx")
    output = folder / "result.xlsx"
    lines = watched(
        folder, output, nothing, nothing, lambda: shutil.copy(output, folder / "sent to client.xlsx"), nothing, nothing
    )
    assert kinds(lines) == ["watching", "new or changed", "graded", "stopped"]
    assert batch.run(folder).sources["File"].tolist() == ["a.xlsx"]
    assert sorted(p.name for p in folder.iterdir()) == ["a.xlsx", "result.xlsx", "sent to client.xlsx"]


def test_locks_temporary_and_hidden_files_start_nothing(folder, tmp_path):
    visit_file(folder / "a.xlsx")

    def clutter() -> None:
        for name in ("~$a.xlsx", ".r.xlsx.0123abcd.part", ".r.xlsx.lock", ".hidden.xlsx", "notes.txt"):
            (folder / name).write_bytes(os.urandom(50))

    lines = watched(folder, tmp_path / "r.xlsx", nothing, clutter, nothing, clutter, nothing)
    assert kinds(lines).count("graded") == 1


def test_an_error_is_one_line_and_the_watch_goes_on(folder, tmp_path, monkeypatch):
    visit_file(folder / "a.xlsx")
    whole, calls = batch.run, []

    def breaks(*arguments, **options):
        calls.append(1)
        if len(calls) < 3:
            raise ZeroDivisionError("of a kind\nnobody thought of")
        return whole(*arguments, **options)

    monkeypatch.setattr(batch, "run", breaks)
    lines = watched(folder, tmp_path / "r.xlsx", *[nothing] * 12)
    assert kinds(lines) == ["watching", "new or changed", "not graded", "graded", "stopped"]
    assert "ZeroDivisionError: of a kind nobody thought of" in lines[2]  # said once, though it failed twice
    assert len(calls) == 3


def test_a_target_that_is_held_is_tried_again(folder, tmp_path, monkeypatch):
    visit_file(folder / "a.xlsx")
    output = tmp_path / "r.xlsx"
    replace, calls = os.replace, []

    def held(*names):
        calls.append(1)
        if len(calls) < 3:
            raise PermissionError(13, "held")
        replace(*names)

    monkeypatch.setattr("grader.write.safely.os.replace", held)
    monkeypatch.setattr("grader.write.safely.REPLACE_WAIT_S", 0.0)
    lines = watched(folder, output, *[nothing] * 12)
    assert kinds(lines) == ["watching", "new or changed", "not graded", "graded", "stopped"]
    assert "open in another program" in lines[2] and verdicts(output) == ["pass"]


def test_a_broken_file_is_said_and_the_rest_graded(folder, tmp_path):
    visit_file(folder / "a.xlsx")
    (folder / "b.xlsx").write_bytes(b"torn")
    lines = watched(folder, tmp_path / "r.xlsx", nothing, nothing)
    assert kinds(lines) == ["watching", "new or changed", "graded", "1 refused", "stopped"]
    assert "b.xlsx" in lines[3]


def test_a_folder_that_is_gone_for_a_while_costs_no_result(folder, tmp_path):
    visit_file(folder / "a.xlsx")
    away = tmp_path / "away"
    lines = watched(
        folder, tmp_path / "r.xlsx", nothing, lambda: folder.rename(away), nothing, lambda: away.rename(folder), nothing
    )
    assert kinds(lines) == ["watching", "new or changed", "graded", "folder cannot be looked at", "stopped"]
    assert verdicts(tmp_path / "r.xlsx") == ["pass"]


def test_a_new_day_counts_what_is_due_again(folder, tmp_path, monkeypatch):
    import datetime

    from grader import watch as module

    class Day(datetime.date):
        now = datetime.date(2026, 11, 25)

        @classmethod
        def today(cls):
            return cls.now

    monkeypatch.setattr(module, "date", Day)
    visit_file(folder / "a.xlsx")
    lines = watched(
        folder, tmp_path / "r.xlsx", nothing, nothing, lambda: setattr(Day, "now", datetime.date(2026, 11, 26))
    )
    assert kinds(lines) == ["watching", "new or changed", "graded", "a new day", "graded", "stopped"]


def test_what_cannot_work_is_said_at_the_start(folder, tmp_path):
    foreign = visit_file(tmp_path / "mine.xlsx")
    for where, output, says in (
        (tmp_path / "none", tmp_path / "r.xlsx", "no folder"),
        (folder, tmp_path / "none" / "r.xlsx", "no folder"),
        (folder, foreign, "no result of this program"),
    ):
        with pytest.raises(GraderError, match=says):
            watched(where, output)


@pytest.mark.skipif(os.name == "nt", reason="signals of POSIX")
@pytest.mark.parametrize("ending", [signal.SIGINT, signal.SIGTERM])
def test_it_ends_cleanly_on_a_signal(folder, ending):
    """The command itself: graded, told to end, exit status 0, nothing temporary left."""
    visit_file(folder / "a.xlsx")
    command = [sys.executable, "-m", "grader", "watch", folder, "-o", folder / "r.xlsx", "--every", "0.1"]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None and process.stderr is not None
        seen = []
        for line in process.stdout:
            seen.append(line[21:].rstrip())
            if line[21:].startswith("graded"):
                process.send_signal(ending)
        errors = process.stderr.read()
    assert process.returncode == 0 and errors == ""
    events = [line for line in seen if not OF_A_TEST.search(line)]
    assert kinds(events) == ["watching", "new or changed", "graded", "stopped"]
    assert sorted(p.name for p in folder.iterdir()) == ["a.xlsx", "r.xlsx"]


@pytest.mark.skipif(os.name == "nt", reason="signals of POSIX")
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize("ending", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_while_an_object_is_thrown_away_ends_it_too(folder, tmp_path, ending):
    """What a handler raises there is lost, and the watch went on for ever."""

    class Thrown:
        def __del__(self):
            os.kill(os.getpid(), ending)
            time.sleep(0)  # the handler runs before the next instruction

    went_on = []
    lines = watched(folder, tmp_path / "r.xlsx", lambda: Thrown() and None, lambda: went_on.append(1))
    assert went_on == [] and kinds(lines)[-1] == "stopped"


def test_a_register_that_arrives_is_graded_with(folder, tmp_path):
    """A lot that has run out by the register must not stay a pass in the result."""
    visit_file(folder / "a.xlsx", oil_tube_expiry=None, oil_tube_lot="0451")
    tube = {"parameter": "Oil", "tube_lot": "0451", "tube_expiry": date(2026, 1, 31)}
    lines = watched(
        folder,
        tmp_path / "r.xlsx",
        nothing,
        lambda: write_register(folder / "register.xlsx", lines={"Tubes": [tube]}),
        nothing,
    )
    assert kinds(lines) == ["watching", "new or changed", "graded", "new or changed", "graded", "stopped"]
    assert verdicts(tmp_path / "r.xlsx") == ["incomplete"]
