"""Runs that are killed or find no room, no right, no target: the earlier result is whole, the next run right.

`python -m tests.test_stopped 200` kills that many runs; the suite kills a few.
"""

from __future__ import annotations

import fcntl
import hashlib
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import textwrap
import time
from pathlib import Path
from random import Random

import pandas as pd
import pytest

from grader import grade
from grader.cli import main
from tests.support import AIRLINE
from tests.test_batch import visit_file

ROOT = Path(__file__).parents[1]
AS_OF = "2026-11-25"
OLD, NEW = ["pass"], ["fail", "pass"]


def command(folder: Path, output: Path) -> list[str]:
    return [sys.executable, "-m", "grader", "grade", str(folder), "-o", str(output), "--as-of", AS_OF]


def verdicts(path: Path) -> list[str]:
    """Verdicts of a result; reading it all is the check that it is whole."""
    return sorted(pd.read_excel(path, sheet_name=None, engine="calamine")["Verdicts"]["Verdict"])


def digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def leftovers(folder: Path) -> list[str]:
    return sorted(p.name for p in folder.iterdir() if p.name.startswith("."))


@pytest.fixture(scope="module")
def first_stage(tmp_path_factory):
    made = tmp_path_factory.mktemp("stage")
    made_stage(made)
    return made


@pytest.fixture
def stage(first_stage, tmp_path):
    """A folder whose earlier result says pass; by now one more file says fail."""
    shutil.copytree(first_stage, tmp_path, dirs_exist_ok=True)
    return tmp_path / "in", tmp_path / "out" / "r.xlsx"


def made_stage(tmp: Path) -> tuple[Path, Path]:
    folder, output = tmp / "in", tmp / "out" / "r.xlsx"
    folder.mkdir()
    output.parent.mkdir()
    visit_file(folder / "a.xlsx")
    grade(folder, as_of=AS_OF).write(output)
    assert verdicts(output) == OLD
    visit_file(folder / "b.xlsx", site="South Works", rows=[{**AIRLINE, "co_ppm": 9}])
    return folder, output


# -- killed --------------------------------------------------------------------------------------------


def kill_one(folder: Path, output: Path, chance: Random) -> str:
    """Kill a run at a random moment of its first 1.5 s or, twice in three, of the writing.

    Returns : "before", "old" or "new": stopped before it began to write, while it wrote, or when it had.
    """
    before = digest(output)
    process = subprocess.Popen(command(folder, output), cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    writing = False
    if chance.random() < 2 / 3:
        while process.poll() is None and not writing:
            writing = any(output.parent.glob(".r.xlsx.*.part"))
            time.sleep(0.001)
        time.sleep(chance.random() * 0.4)
    else:
        time.sleep(chance.random() * 1.5)
    process.send_signal(signal.SIGKILL)
    process.wait()
    said = verdicts(output)  # whole, whichever it is
    if digest(output) != before:
        assert said == NEW
        return "new"
    assert said == OLD
    return "old" if writing else "before"


def check_kills(tmp: Path, count: int, seed: int) -> dict[str, int]:
    """Kill so many runs; after each the result is whole, and the next run is right and tidies up."""
    chance, counted = Random(seed), {"before": 0, "old": 0, "new": 0}
    folder, output = made_stage(tmp)
    earlier = output.read_bytes()
    inputs = {p: digest(p) for p in folder.iterdir()}
    for _ in range(count):
        output.write_bytes(earlier)
        counted[kill_one(folder, output, chance)] += 1
        grade(folder, as_of=AS_OF).write(output)
        assert verdicts(output) == NEW and leftovers(output.parent) == []
    assert {p: digest(p) for p in folder.iterdir()} == inputs
    return counted


@pytest.mark.skipif(os.name == "nt", reason="kills by a signal of POSIX")
def test_a_killed_run_leaves_a_whole_result_and_the_next_is_right(tmp_path):
    assert sum(check_kills(tmp_path, 2, seed=1).values()) == 2


@pytest.mark.skipif(os.name == "nt", reason="signals of POSIX")
def test_a_killed_run_leaves_no_reading_process_behind(stage):
    """Its children see the end of their input; a hundred copies keep the run reading while it is killed."""
    folder, output = stage
    for number in range(100):
        shutil.copy(folder / "a.xlsx", folder / f"copy {number}.xlsx")
    process = subprocess.Popen(
        command(folder, output), cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True
    )
    children = wait_for(lambda: [p for p in of_group(process.pid) if p != process.pid])
    process.kill()
    process.wait()
    assert children and wait_for(lambda: not of_group(process.pid))


def of_group(group: int) -> list[int]:
    """Processes of a process group that still run."""
    listed = subprocess.run(["ps", "-e", "-o", "pid=,pgid=,stat="], capture_output=True, text=True, check=True).stdout
    rows = [line.split() for line in listed.splitlines()]
    return [int(pid) for pid, pgid, state in rows if int(pgid) == group and not state.startswith("Z")]


def wait_for(what, tries: int = 400):
    """What `what` gives once it is something, or its last answer."""
    for _ in range(tries):
        found = what()
        if found:
            return found
        time.sleep(0.02)
    return what()


# -- no room, no right, no target ----------------------------------------------------------------------


def run_with(setup: str, folder: Path, output: Path) -> subprocess.CompletedProcess[str]:
    """The command in a process of its own, after some lines of preparation."""
    code = textwrap.dedent(setup) + "\nfrom grader.cli import main\nmain()\n"
    return subprocess.run(
        [sys.executable, "-c", code, *command(folder, output)[3:]], cwd=ROOT, capture_output=True, text=True
    )


def expect_refused(done: subprocess.CompletedProcess[str], output: Path, before: str, says: str) -> None:
    """Exit status 2, one line that says why, the earlier result untouched, nothing temporary left."""
    assert done.returncode == 2, done.stderr
    assert re.fullmatch(r"Error: [^\n]+\n", done.stderr) and says in done.stderr, done.stderr
    assert digest(output) == before and verdicts(output) == OLD
    assert leftovers(output.parent) == []


@pytest.mark.skipif(os.name == "nt", reason="limits of POSIX")
@pytest.mark.parametrize("room_bytes", [0, 20_000])
def test_a_full_disk(stage, room_bytes):
    """No file may grow beyond so many bytes: what a full disk says comes at the same calls."""
    folder, output = stage
    done = run_with(
        f"""
        import resource, signal
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, ({room_bytes}, {room_bytes}))
        """,
        folder,
        output,
    )
    expect_refused(done, output, digest(output), "Nothing was changed")


def test_a_real_full_disk(stage, tmp_path):
    """A small file system of its own, where the machine lets us mount one."""
    folder, output = stage
    place = tmp_path / "small"
    place.mkdir()
    mounted = (
        shutil.which("mount")
        and subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=60k", "tmpfs", str(place)], capture_output=True
        ).returncode
        == 0
    )
    if not mounted:
        pytest.skip("no right to mount a file system")
    try:
        target = place / "r.xlsx"
        shutil.copy(output, target)
        expect_refused(run_with("", folder, target), target, digest(target), "No space left")
    finally:
        subprocess.run(["umount", str(place)], check=True)


# Gives up the rights of the super-user, to whom no file is read-only; before that, modules only he may read.
AS_ANOTHER_USER = """
    import os, encodings.cp437, grader.batch, grader.cli, grader.write.result
    if os.geteuid() == 0:
        os.setgid(65534)
        os.setuid(65534)
    """


@pytest.mark.skipif(os.name == "nt", reason="modes of POSIX")
@pytest.mark.parametrize(("what", "says"), [("file", "write-protected"), ("folder", "not writable")])
def test_a_read_only_target(stage, what, says):
    folder, output = stage
    for path in (*folder.parents, folder, output.parent):
        if path.is_relative_to(tempfile.gettempdir()) and path != Path(tempfile.gettempdir()):
            path.chmod(path.stat().st_mode | 0o055)
    output.parent.chmod(0o777 if what == "file" else 0o555)
    output.chmod(0o444 if what == "file" else 0o666)
    for path in folder.iterdir():
        path.chmod(0o644)
    try:
        expect_refused(run_with(AS_ANOTHER_USER, folder, output), output, digest(output), says)
    finally:
        output.parent.chmod(0o755)


def test_a_target_that_is_open_in_another_program(stage):
    """What Windows says when a spreadsheet program holds the file: no permission to replace it."""
    folder, output = stage
    done = run_with(
        """
        import os
        def held(*names): raise PermissionError(13, "The process cannot access the file")
        os.replace = held
        import grader.write.safely
        grader.write.safely.REPLACE_WAIT_S = 0.2
        """,
        folder,
        output,
    )
    expect_refused(done, output, digest(output), "open in another program")


def test_a_target_that_becomes_a_folder_or_loses_its_folder_during_the_run(stage, monkeypatch):
    from click.testing import CliRunner

    from grader import batch

    folder, output = stage
    whole = batch.run

    def run_and_remove(*arguments, **options):
        result = whole(*arguments, **options)
        shutil.rmtree(output.parent)
        return result

    monkeypatch.setattr(batch, "run", run_and_remove)
    done = CliRunner().invoke(main, command(folder, output)[3:], catch_exceptions=False)
    *tests, last = done.output.splitlines()  # the verdicts are told before the result is written
    assert done.exit_code == 2 and last.startswith("Error: ") and not any("Error" in line for line in tests)


# -- two at once ---------------------------------------------------------------------------------------


@pytest.mark.skipif(os.name == "nt", reason="locks of POSIX")
def test_a_second_run_on_a_held_target_is_one_line(stage):
    folder, output = stage
    with open(output.with_name(".r.xlsx.lock"), "a+b") as lock:
        fcntl.flock(lock.fileno(), fcntl.LOCK_EX)
        done = run_with(
            """
            from grader.write import safely
            safely.replacing.__wrapped__.__kwdefaults__["lock_wait_s"] = 0.2
            """,
            folder,
            output,
        )
        assert done.returncode == 2 and re.fullmatch(r"Error: [^\n]*another run is writing[^\n]*\n", done.stderr)
        assert verdicts(output) == OLD


def test_two_runs_on_one_target_do_not_mix(stage, tmp_path):
    """Both end; the result is one run's, whole, and no temporary file stays."""
    folder, output = stage
    other = tmp_path / "other"
    other.mkdir()
    visit_file(other / "c.xlsx", rows=[{**AIRLINE, "outlet": f"Bay {n}"} for n in range(40)])
    both = [
        subprocess.Popen(command(where, output), cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
        for where in (folder, other)
    ]
    errors = [process.communicate()[1] for process in both]
    assert [process.returncode for process in both] == [0, 0] and errors == [b"", b""]
    assert verdicts(output) in (NEW, ["pass"] * 40)
    assert leftovers(output.parent) == []


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as name:
        print(check_kills(Path(name), int(sys.argv[1]) if len(sys.argv) > 1 else 200, seed=7))
