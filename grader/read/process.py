"""The parent's side of reading: the reading processes, and the Log made of what they answer.

Loads neither pandas nor numpy before the Log is built, so that a process can be started before them.
"""

from __future__ import annotations

import atexit
import contextlib
import gc
import os
import queue
import subprocess
import sys
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from grader.data import load_toml
from grader.natural import natural
from grader.problems import GraderError, Problems
from grader.read.child import ONLY_REGISTER, Reply, receive, send, suffix_of, unpacked, with_columns
from grader.read.find import OWN, Finding, FoundFile, counted
from grader.read.log import Log, LogBuilder, LogFile, PassedOver

MOST_CHILDREN = 2
_AHEAD = 2  # paths given to a reading process: the one it is at, and the next
_LONGEST_WAIT_S = 0.2  # without a look at what the keyboard says, which not every system lets break a wait
_EARLY: list[subprocess.Popen[bytes]] = []  # ready and not in use: started early, or kept from the run before
_KEPT_BYTES = 5_000_000  # a process that has read more is not kept: it holds what memory the largest file took


def start_early() -> None:
    """Start one reading process, which gets ready while this one loads what it needs; the next Child takes it.

    For a command that is about to read. A process that is never taken ends with this one.
    """
    if _EARLY:
        return
    try:
        _EARLY.append(_started())
    except OSError:
        return  # whoever reads tries again, and says why it cannot be


def _started() -> subprocess.Popen[bytes]:
    # The child finds the modules where this process found them, and none in the current folder.
    home = str(Path(__file__).resolve().parents[2])
    places = [p for p in sys.path if p and os.path.isabs(p)]
    code = (
        f"import sys; sys.path[:] = {[*places, *([] if home in places else [home])]!r}; "
        "from grader.read.child import main; raise SystemExit(main())"
    )
    return subprocess.Popen(
        [sys.executable, "-P", "-S", "-c", code],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
    )


@atexit.register
def end_kept() -> None:
    """Stop the processes that are not in use."""
    while _EARLY:
        _end(_EARLY.pop())


def _end(process: subprocess.Popen[bytes]) -> None:
    process.kill()
    process.wait()
    for stream in (process.stdin, process.stdout):
        try:
            if stream is not None:
                stream.close()
        except OSError:
            continue  # unsent bytes to a process that is gone


def _not_started(why: object) -> GraderError:
    return GraderError(f"A reading process could not be started: {why}.")


class Child:
    """One reading process; `greet` it before it is asked. limits : the table [limits] of data/limits_reading.toml."""

    def __init__(self, limits: Mapping[str, float]) -> None:
        self.limits = limits
        self.overdue = self.waiting = False
        self.allowed_s = limits["seconds_a_file"]
        try:
            self.process = _EARLY.pop() if _EARLY else _started()
        except OSError as error:
            raise _not_started(error) from error
        self.ready = False
        self.asked = self.bytes = 0  # files not answered yet; size of those that are

    def greet(self) -> None:
        """Send the limits and wait until the child is ready. Raises GraderError where it is not."""
        try:
            send(self.process.stdin, self.limits)  # type: ignore[arg-type]
            answer = str(receive(self.process.stdout))  # type: ignore[arg-type]
        except (EOFError, OSError) as error:
            raise _not_started("it ended at once") from error
        if not answer.startswith("ready"):
            raise _not_started(answer)
        self.ready = True

    def ask(self, path: str, layout: Any = None) -> None:
        """Give the child a path and its layout. That it is gone is seen when the reply is fetched."""
        self.asked += 1
        try:
            send(self.process.stdin, (path, layout))  # type: ignore[arg-type]
        except OSError:
            self.process.kill()

    def reply(self, size: int = 0) -> Reply | None:
        """The reply to the oldest path given, a file of so many bytes, or None if the child died or was stopped over it."""
        self.allowed_s = self.limits["seconds_a_file"] + self.limits["seconds_a_megabyte"] * max(size, 0) / 1e6
        alarm = threading.Timer(self.allowed_s, self._stop)
        alarm.daemon = True
        self.waiting = True
        alarm.start()
        try:
            answer: Reply = receive(self.process.stdout)  # type: ignore[arg-type]
        except (EOFError, OSError):
            return None
        finally:
            self.waiting = False  # an alarm that rings now is late
            alarm.cancel()
        self.asked -= 1
        self.bytes += max(size, 0)
        return answer

    def _stop(self) -> None:
        if self.waiting:
            self.overdue = True
            self.process.kill()

    def close(self) -> None:
        """Stop the child and wait for its end; one that has answered all and holds little is kept for the next run."""
        idle = self.ready and not self.asked and self.process.poll() is None
        if idle and self.bytes <= _KEPT_BYTES and len(_EARLY) < MOST_CHILDREN:
            _EARLY.append(self.process)
        else:
            _end(self.process)


def reading_limits() -> dict[str, float]:
    """The limits of reading, a copy that may be changed, from data/limits_reading.toml."""
    return dict(load_toml("limits_reading.toml")["limits"])


def changed_limits(changes: Mapping[str, float]) -> dict[str, float]:
    """The limits of reading with some of them changed.

    changes : name of a limit of data/limits_reading.toml -> a number above 0.
    Raises  : GraderError for a name that is no limit, or a value that is none.
    """
    limits = reading_limits()
    for name, value in changes.items():
        if name not in limits:
            raise GraderError(f"{name!r} is no limit of reading. There are: {', '.join(limits)}.")
        if not isinstance(value, (int, float)) or isinstance(value, bool) or not 0 < value < float("inf"):
            raise GraderError(f"The limit {name} must be a number above 0, not {value!r}.")
        limits[name] = value
    return limits


def stated_limits(texts: Iterable[str]) -> dict[str, float]:
    """Changes to the limits of reading as a command states them.

    Raises : GraderError where one is not NAME=NUMBER, or as for changed_limits.

    >>> stated_limits(["file_bytes=600_000_000"])
    {'file_bytes': 600000000.0}
    """
    changes: dict[str, float] = {}
    for text in texts:
        name, _, value = text.partition("=")
        try:
            changes[name.strip()] = float(value)
        except ValueError as error:
            raise GraderError(f"{text!r} states no limit of reading: write it as file_bytes=600000000.") from error
    changed_limits(changes)
    return changes


def read_workbooks(
    found: Finding, problems: Problems, *, progress: Callable[[int, int], None] | None = None, **more: Any
) -> Log:
    """The Log of some workbooks: `begin_reading`, and waiting for it."""
    return begin_reading(found, problems, **more)(progress)


def begin_reading(
    found: Finding, problems: Problems, *, limits: Mapping[str, float] | None = None, children: int = MOST_CHILDREN
) -> Callable[[Callable[[int, int], None] | None], Log]:
    """Begin to read workbooks in child processes. What is returned waits for them and makes one Log; call it once.

    found    : from find_workbooks. problems : gets every refused file and every note.
    limits   : as reading_limits(); None: those of data/limits_reading.toml.
    children : reading processes at most, 1 or 2; few small files take one.
    Returns  : function of what is called with (files done, files in all) after each file, or None. Its Log has the
               files and rows in the order of `found` whichever child was quicker. A file that cannot be read is in it
               with state "refused", 0 rows and one problem. It raises GraderError where a reading process cannot be
               started, or every file is an own product.
    """
    limits = {**reading_limits(), **(limits or {})}
    wanted = max(1, min(children, MOST_CHILDREN, len(found.files)))
    size = sum(max(f.size, 0) for f in found.files)
    small = len(found.files) <= limits["small_files"] and size <= limits["small_bytes"]
    known = {f.path for f in found.files}
    every = [*found.files, *(f._replace(layout=ONLY_REGISTER) for f in found.beside if f.path not in known)]
    replies = _replies(every, limits, 1 if small else wanted)

    def read(progress: Callable[[int, int], None] | None) -> Log:
        builder = LogBuilder()
        passed = list(found.passed_over)
        waiting: dict[int, Reply] = {}
        following = 0
        heard: list[tuple[int, Reply]] = []
        with _no_garbage():
            for done, (index, reply) in enumerate(replies, start=1):
                waiting[index] = reply
                while following in waiting:
                    following_file, reply = every[following], waiting.pop(following)
                    if following < len(found.files):
                        _take(builder, following_file, reply, passed, problems)
                        heard += [(len(builder.files) - 1, reply)] * bool(reply.beyond)
                    else:
                        _take_beside(builder, following_file, reply, problems)
                    following += 1
                if progress is not None:
                    progress(done, len(every))
        if not builder.files:
            raise GraderError(f"Nothing to read: no workbook but results and records of this program{counted(passed)}.")
        log = builder.build(sorted(passed, key=lambda entry: natural(entry.name)))
        if not heard:
            return log
        from grader.read.heard import Heard, with_what_is_heard  # here: it needs what the reading itself does not

        return with_what_is_heard(log, [Heard(n, r.beyond, r.heads) for n, r in heard], problems)

    return read


@contextlib.contextmanager
def _no_garbage() -> Iterator[None]:
    """Without the search for circles of objects: it would walk through all that was read, again and again."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def _take(builder: LogBuilder, file: FoundFile, reply: Reply, passed: list[PassedOver], problems: Problems) -> None:
    """Add one file's reply to the log."""
    if reply.state == "own":
        passed.append(PassedOver(file.name, OWN))
        return
    unseen = _not_seen(reply.format) if reply.state != "refused" else ""
    rows = reply.rows_found, 0, reply.rows_passed_over
    read = LogFile(file.name, file.path, reply.format, reply.sha256, reply.size, *rows, reply.state, unseen)
    number = builder.add_file(read, reply.seconds)
    if reply.state == "refused":
        problems.add(reply.code, file=number, sheet=reply.sheet, cell=reply.cell, **reply.params)
        return
    for code, sheet, cell, value, params in reply.notes:
        problems.add(code, file=number, sheet=sheet, cell=cell, value=value, **params)
    if reply.register and not file.at_top:
        problems.add("register_elsewhere", file=number, sheet=reply.register[0].sheet)
    for table in reply.register if file.at_top else ():
        builder.add_register(table)
    added = sum(builder.add_table(with_columns(table, unpacked)) for table in reply.tables)
    if added != reply.rows_found:
        problems.add("rows_lost", file=number, found=reply.rows_found, kept=added)


def _take_beside(builder: LogBuilder, file: FoundFile, reply: Reply, problems: Problems) -> None:
    """Add what a file that lies beside one given has of a register; any other is let be."""
    if reply.state == "refused":
        problems.add("register_beside_unread", value=file.name)
    elif reply.register:
        reply.tables, reply.rows_found, reply.rows_passed_over, reply.state = [], 0, 0, "register"
        reply.notes = [note for note in reply.notes if note.code.startswith("register_")]
        _take(builder, file, reply, [], problems)


def _not_seen(format_: str) -> str:
    """What cannot be seen in files of a format; "" where all can."""
    return load_toml("limits_reading.toml")["not_seen"].get(format_, "")


def _replies(files: Sequence[FoundFile], limits: Mapping[str, float], children: int) -> Iterator[tuple[int, Reply]]:
    """(index, reply) of every file, in the order in which the children finish them; they are at work at once."""
    indexes = iter(range(len(files)))
    turn = threading.Lock()
    answers: queue.SimpleQueue[tuple[int, Reply] | Exception] = queue.SimpleQueue()
    running: dict[int, Child] = {}
    stopping = threading.Event()

    def start(number: int) -> Child | None:
        with turn:  # so that none is started once stopping is set
            if stopping.is_set():
                return None
            child = running[number] = Child(limits)
        child.greet()
        return child

    def serve(number: int) -> None:
        child = start(number)
        given: deque[int] = deque()
        while child is not None and not stopping.is_set():
            # The next path already waits in the pipe when the child has done with a file.
            while len(given) < _AHEAD:
                with turn:
                    index = next(indexes, None)
                if index is None:
                    break
                given.append(index)
                child.ask(files[index].path, files[index].layout)
            if not given:
                return
            reply = child.reply(files[given[0]].size)
            if reply is not None:
                answers.put((given.popleft(), reply))
            elif not stopping.is_set():
                child.close()
                index = given.popleft()  # the child was at the oldest; the others were not begun
                answers.put((index, _died(files[index], child)))
                child = start(number)
                if child is not None:
                    for index in given:
                        child.ask(files[index].path, files[index].layout)

    def serve_or_say(number: int) -> None:
        try:
            serve(number)
        except Exception as error:  # raised again below: a silent thread would end in waiting
            answers.put(error)

    threads = [threading.Thread(target=serve_or_say, args=(n,), daemon=True) for n in range(children)]
    for thread in threads:
        thread.start()

    def arriving() -> Iterator[tuple[int, Reply]]:
        left = len(files)
        try:
            while left:
                try:
                    answer = answers.get(timeout=_LONGEST_WAIT_S)
                except queue.Empty:
                    continue
                if isinstance(answer, Exception):
                    raise answer
                left -= 1
                yield answer
        finally:
            with turn:
                stopping.set()
            for child in running.values():
                if child.asked or not child.ready:
                    child.process.kill()
            for thread in threads:
                thread.join()
            for child in running.values():
                child.close()

    return arriving()


def _died(file: FoundFile, child: Child) -> Reply:
    code, params = ("timed_out", {"seconds": f"{child.allowed_s:.0f}"}) if child.overdue else ("reader_died", {})
    return Reply(suffix_of(file.path), max(file.size, 0), code=code, params=params)
