"""Grades a folder again whenever a file in it has arrived, changed or gone: `grader watch`.

It polls, because network shares tell nobody of their changes.
"""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path
from typing import Any

from grader.columns import REGISTER_KIND
from grader.problems import GraderError, Problems
from grader.words import words
from grader.write.safely import check_target, kind_of

NAMES_SHOWN = 3
LONGEST_WAIT_S = 60.0  # between two tries where grading fails though nothing changes

# What tells one state of a file from the next: its size in bytes and its time of change in nanoseconds.
Stamp = tuple[int, int]


class _Stopped(BaseException):
    """The program was asked to end: by Ctrl-C, or by the system (SIGTERM)."""


def watch(
    folder: str | os.PathLike[str],
    output: str | os.PathLike[str],
    *,
    interval_s: float = 5.0,
    language: str = "en",
    echo: Callable[[str], None] = print,
    sleep: Callable[[float], None] = time.sleep,
    **options: Any,
) -> None:
    """Grade a folder, and again after every change in it, until Ctrl-C or SIGTERM.

    folder     : searched with its sub-folders. The result, temporary files and this program's other products
                 in it are known by what they hold, and start nothing.
    output     : the result workbook; each run replaces it in one step, and a failed run leaves it whole.
    interval_s : seconds between two looks. A file is graded once it was the same size and age at two.
    language, options : as for grader.batch.run (rules, layouts, also ...); the day is today's, every time.
    echo       : gets one line an event. sleep : waits that many seconds.
    Returns    : when stopped; whatever else goes wrong is one line, and the watch goes on.
    Raises     : GraderError at the start only, where the folder is none, or the result cannot be written.
    """
    said: dict[str, str] = words(language)["watch"]
    watcher = _Watcher(Path(folder), Path(output), interval_s, said, echo, {**options, "language": language})
    if not watcher.folder.is_dir():
        raise GraderError(f"There is no folder {folder}: check the name and where you are.")
    check_target(output)
    with _ending_on_signals() as asked, suppress(KeyboardInterrupt, _Stopped):
        watcher.say("started", folder=folder, seconds=interval_s, output=output)
        while not asked:
            watcher.look()
            sleep(interval_s)
    watcher.say("stopped")


@contextmanager
def _ending_on_signals() -> Iterator[list[int]]:
    """Ctrl-C and SIGTERM (and Ctrl-Break of Windows) unwind the run, so that nothing temporary stays behind.

    Yields : the signals that came. What is raised while an object is thrown away is lost, and the run goes on.
    """
    asked: list[int] = []

    def end(number: int, frame: Any) -> None:
        asked.append(number)
        raise _Stopped

    if threading.current_thread() is not threading.main_thread():
        yield asked  # only the main thread may set what a signal does
        return
    names = [n for n in ("SIGINT", "SIGTERM", "SIGBREAK") if hasattr(signal, n)]
    before = {n: signal.signal(getattr(signal, n), end) for n in names}
    try:
        yield asked
    finally:
        for name, handler in before.items():
            signal.signal(getattr(signal, name), handler)


@dataclass
class _Watcher:
    """What was seen at the last look, what the result on the disk was made from, and when to try again."""

    folder: Path
    output: Path
    interval_s: float
    words: dict[str, str]
    echo: Callable[[str], None]
    options: dict[str, Any]
    seen: dict[str, Stamp] = field(default_factory=dict)  # at the last look
    graded: dict[str, Stamp] = field(default_factory=dict)  # when the last run began, whether it went well or not
    graded_day: date | None = None
    kinds: dict[tuple[str, Stamp], bool] = field(default_factory=dict)
    growing: set[str] = field(default_factory=set)  # new or changed since the look before
    growing_said: set[str] = field(default_factory=set)
    last_failure: str = ""
    failures: int = 0
    looks_to_wait: int = 0  # before a failed run is tried again though nothing changed

    def say(self, what: str, **params: Any) -> None:
        """One line, with the time before it."""
        self._line(" ".join(self.words[what].format(**params).split()))

    def _line(self, line: str) -> None:
        self.echo(f"{datetime.now():%Y-%m-%d %H:%M:%S}  {line}")

    def look(self) -> None:
        """One look: grade where something changed and all of it was the same as at the look before."""
        try:
            now = self.snapshot()
        except (OSError, GraderError) as error:
            self._say_once("lost", error=_one_line(error))
            return
        if self.last_failure.startswith("lost"):
            self.last_failure = ""
        changed = {name for name, stamp in now.items() if self.graded.get(name) != stamp}
        growing = {name for name in changed if self.seen.get(name) != now[name]}
        # Something seen to change at two looks running is being written; a first sight is no news.
        late = (growing & self.growing) - self.growing_said
        self.growing = growing
        if late:
            self.growing_said |= late
            self.say("still_growing", names=self._names(late))
        self.seen = now
        if growing:
            return
        gone = set(self.graded) - set(now)
        new_day = self.graded_day not in (None, date.today())
        if not (changed or gone or new_day):
            if not now:
                self._say_once("empty")
            if not self.failures:
                return
            self.looks_to_wait -= 1
            if self.looks_to_wait > 0:
                return
        for what, names in (("changed", changed), ("gone", gone)):
            if names:
                self.say(what, names=self._names(names))
        if new_day and not (changed or gone):
            self.say("new_day")
        self.growing_said = set()
        self.graded, self.graded_day = now, date.today()
        if changed or gone or new_day:
            self.failures = 0
        self._grade(changed)

    def snapshot(self) -> dict[str, Stamp]:
        """Every workbook that a run would read -> its stamp; results, records and marked copies are left out.

        Raises : OSError, GraderError where the folder cannot be looked at.
        """
        from grader.read.find import find_workbooks

        with os.scandir(self.folder):  # a share that is gone must not look like an empty folder
            pass
        problems = Problems()
        try:
            found = find_workbooks(self.folder, problems).files
        except GraderError:
            if problems.batches:
                raise
            return {}  # no spreadsheet there, yet or any more
        target = os.path.realpath(self.output)
        stamps: dict[str, Stamp] = {}
        kinds: dict[tuple[str, Stamp], bool] = {}
        for file in found:
            try:
                status = os.stat(file.path)
                stamp = (status.st_size, status.st_mtime_ns)
                if os.path.realpath(file.path) == target:
                    continue
                kind = self.kinds.get((file.path, stamp))
                if kind is None:
                    kind = kind_of(Path(file.path)) not in (None, REGISTER_KIND)
            except FileNotFoundError:
                continue  # it went between the list and the look
            except OSError:
                stamps[file.name] = (file.size, 0)  # locked or forbidden: the run will say so
                continue
            kinds[file.path, stamp] = kind
            if not kind:
                stamps[file.name] = stamp
        self.kinds = kinds
        return stamps

    def _grade(self, changed: set[str]) -> None:
        """One run; whatever goes wrong is said in one line, and tried again later. Of the files that arrived or
        changed a few tests get a line each."""
        from grader.batch import run
        from grader.result import counts
        from grader.show_grade import test_lines

        def tell(log: Any, tests: Any) -> None:
            of_changed = log.files["name"].isin(changed).to_numpy()[tests["file"].to_numpy()]
            for line in test_lines(tests[of_changed]):
                self._line(line)

        if not self.graded:
            self._say_once("empty")
            return
        try:
            result = run(self.folder, told=tell, **self.options)
            result.write(self.output)
        except Exception as error:  # said, not forgotten; the next look goes on
            self.failures += 1
            wait = min(self.interval_s * 2 ** min(self.failures, 20), max(LONGEST_WAIT_S, self.interval_s))
            self.looks_to_wait = max(1, round(wait / self.interval_s))
            self._say_once("failed", error=_one_line(error), wait=wait)
            return
        self.failures, self.last_failure = 0, ""
        n = counts(result)
        self.say(
            "graded",
            files=n["files"],
            rows=int(result.sources["Rows found"].sum()),
            tests=n["tests"],
            refused=n["rows_refused"],
            fail=n["fail"],
            incomplete=n["incomplete"],
            near=n["near limit"],
            passed=n["pass"],
        )
        refused = result.problems[result.problems["Severity"] == "refused"]
        if len(refused):
            line = refused.iloc[0]
            self.say("not_whole", count=len(refused), first=f"{line['File']}: {line['Problem']}")

    def _say_once(self, what: str, **params: Any) -> None:
        """A failure that stays the same is said once, not at every look."""
        line = f"{what} {params.get('error', '')}"
        if line != self.last_failure:
            self.last_failure = line
            self.say(what, **params)

    def _names(self, names: set[str]) -> str:
        listed = sorted(names)
        shown = ", ".join(listed[:NAMES_SHOWN])
        rest = len(listed) - NAMES_SHOWN
        return shown if rest <= 0 else self.words["more"].format(names=shown, count=rest)


def _one_line(error: BaseException) -> str:
    """What a GraderError says; of any other error its kind too."""
    line = " ".join(str(error).split())
    return line if isinstance(error, GraderError) else f"{type(error).__name__}: {line}".removesuffix(": ")
