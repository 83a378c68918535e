"""Finds the workbooks and has them read by child processes; the parent's side of reading."""

from __future__ import annotations

import contextlib
import gc
import os
import queue
import re
import stat
import threading
import time
import unicodedata
from collections import Counter, deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import cache, lru_cache
from pathlib import Path
from typing import Any, NamedTuple

from grader.data import load_toml
from grader.problems import GraderError, Place, Problems, Table
from grader.read.child import unpacked
from grader.read.children import Child
from grader.read.log import Log, LogBuilder, PassedOver

MOST_CHILDREN = 2
_AHEAD = 2  # paths given to a reading process: the one it is at, and the next
_WATCH_SECONDS = 0.2  # how often overdue reading processes are looked for
LOCK, HIDDEN, OTHER_KIND, OWN, AGAIN, SPECIAL = (
    "lock file of an open workbook",
    "hidden",
    "not a spreadsheet",
    "made by this program",
    "same file again",
    "not an ordinary file",
)


class FoundFile(NamedTuple):
    """One file to read: name relative to the argument (with /), path, size in bytes (-1: unknown), LayoutSpec."""

    name: str
    path: str
    size: int
    layout: Any = None


class Finding(NamedTuple):
    """The files to read, in natural order, and what was passed over."""

    files: list[FoundFile]
    passed_over: list[PassedOver]


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


def find_workbooks(paths: str | os.PathLike[str] | Iterable[str | os.PathLike[str]], problems: Problems) -> Finding:
    """Find the workbooks in files and folders (with sub-folders).

    paths    : files or folders, read in the order given; within a folder in natural order (ward2 before
               ward10), whatever the order of the file system. A file reached twice is taken once.
    problems : gets a folder that cannot be read.
    Returns  : Finding. Names are unique: where two arguments hold the same name, their folders go before it.
    Raises   : GraderError where a path does not exist, or where there is no spreadsheet at all.
    """
    arguments = [paths] if isinstance(paths, (str, os.PathLike)) else list(paths)
    passed: list[PassedOver] = []
    taken: list[tuple[Path, str, int]] = []  # folder of the argument, relative name, size
    seen: set[tuple[int, int] | str] = set()
    for argument in arguments:
        root = Path(os.path.abspath(argument))
        if not os.path.lexists(root):
            # A Windows prompt takes \" for a quote: "C:\logs\" -o r.xlsx arrives as one path.
            quoted = (
                " It holds a quote: leave out the backslash before the closing one." if '"' in str(argument) else ""
            )
            raise GraderError(f"There is no file or folder {argument}: check the name and where you are.{quoted}")
        if root.is_dir():
            found = _search(root, passed, problems)
        else:
            found = [(root.name, root.is_symlink())]
            if root.name.startswith("~$"):
                passed.append(PassedOver(root.name, LOCK))
                continue
            root = root.parent
        kept: list[tuple[str, int]] = []
        # Files before links, so that a file keeps its own name where a link leads to it too.
        for name, _ in sorted(found, key=lambda entry: (entry[1], natural_key(entry[0]))):
            identity, size, ordinary = _identify(os.path.join(root, name))
            if not ordinary:
                passed.append(PassedOver(name, SPECIAL))
            elif identity in seen:
                passed.append(PassedOver(name, AGAIN))
            else:
                seen.add(identity)
                kept.append((name, size))
        taken += [(root, name, size) for name, size in sorted(kept, key=lambda entry: natural_key(entry[0]))]
    if not taken:
        raise GraderError(
            "Nothing to read: no spreadsheet was found in "
            + ", ".join(str(a) for a in arguments)
            + _counted(passed)
            + "."
        )
    names = [shown_name(name) for name in _unique_names(taken)]
    files = [
        FoundFile(shown, os.path.join(root, *name.split("/")), size) for shown, (root, name, size) in zip(names, taken)
    ]
    passed = [entry._replace(name=shown_name(entry.name)) for entry in passed]
    return Finding(files, sorted(passed, key=lambda entry: natural_key(entry.name)))


# Control characters, ends of line, what turns the direction of the text about, bytes that are no letters at all.
_NOT_SHOWN = re.compile("[\x00-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")


def shown_name(name: str) -> str:
    """A file's name on one line, safe to print on a terminal and to put into a cell.

    >>> shown_name("line\\nbreak.xlsx"), shown_name("Prüfung 😀.xlsx")
    ('line\\\\x0abreak.xlsx', 'Prüfung 😀.xlsx')
    """
    return _NOT_SHOWN.sub(
        lambda match: (
            match[0].encode("unicode_escape").decode() if match[0] not in "\n\r\t" else f"\\x{ord(match[0]):02x}"
        ),
        name,
    )


def _counted(passed: list[PassedOver]) -> str:
    if not passed:
        return ""
    reasons = sorted({entry.reason for entry in passed})
    return (
        " (passed over: " + ", ".join(f"{sum(e.reason == reason for e in passed)} {reason}" for reason in reasons) + ")"
    )


@lru_cache(maxsize=50_000)  # every name is sorted three times
def natural_key(name: str) -> tuple[Any, ...]:
    """Key by which names sort as people count: ward2 before ward10, folder by folder.

    >>> sorted(["b/1.xlsx", "a10.xlsx", "a2.xlsx"], key=natural_key)
    ['a2.xlsx', 'a10.xlsx', 'b/1.xlsx']
    """
    plain = unicodedata.normalize("NFC", name)
    # ASCII digits only: int() would choke on others that count as digits, such as superscripts.
    parts = tuple(
        tuple(
            (0, int(piece), "") if piece.isascii() and piece.isdigit() else (1, 0, piece)
            for piece in re.split(r"([0-9]+)", folder.casefold())
            if piece
        )
        for folder in plain.split("/")
    )
    return (parts, plain, name)


def _search(root: Path, passed: list[PassedOver], problems: Problems) -> list[tuple[str, bool]]:
    """Relative names of the spreadsheets below a folder, each with whether it is a link. No order."""
    suffixes = load_toml("limits_reading.toml")["suffixes"]
    wanted = {*suffixes["read"], *suffixes["refused"]}
    found: list[tuple[str, bool]] = []
    folders = [(root, "")]
    visited: set[tuple[int, int] | str] = set()
    while folders:
        folder, prefix = folders.pop()
        identity = _identify(folder)[0]
        if identity in visited:  # a link back to a folder above
            continue
        visited.add(identity)
        try:
            with os.scandir(folder) as listing:
                entries = list(listing)
        except OSError as error:
            problems.add(
                "folder_unreadable",
                value=prefix.rstrip("/") or folder.name,
                what=error.strerror or type(error).__name__,
            )
            continue
        for entry in sorted(entries, key=lambda e: (e.is_symlink(), natural_key(e.name)), reverse=True):
            name = prefix + entry.name
            if entry.name.startswith("~$"):
                passed.append(PassedOver(name, LOCK))
            elif entry.name.startswith("."):
                passed.append(PassedOver(name, HIDDEN))
            elif entry.is_dir():
                folders.append((folder / entry.name, name + "/"))
            elif os.path.splitext(entry.name)[1].lower() not in wanted:
                passed.append(PassedOver(name, OTHER_KIND))
            else:
                found.append((name, entry.is_symlink()))
    return found


def _identify(path: str | Path) -> tuple[tuple[int, int] | str, int, bool]:
    """What makes a file the same file under another name; its size; whether it can be read as a file at all.

    A file that cannot be looked at counts as ordinary: reading it will say why not.
    """
    try:
        status = os.stat(path)
    except OSError:
        return os.path.realpath(path), -1, True
    identity = (status.st_dev, status.st_ino) if status.st_ino else os.path.realpath(path)
    return identity, status.st_size, stat.S_ISREG(status.st_mode)


def _unique_names(taken: list[tuple[Path, str, int]]) -> list[str]:
    """Names as shown: relative to the argument, with as many folders before as tell two arguments apart."""
    names = [name for _, name, _ in taken]
    depth = 1
    while len(set(names)) < len(names):
        twice = {name for name, count in Counter(names).items() if count > 1}
        changed = False
        for i, (root, name, _) in enumerate(taken):
            if names[i] in twice and depth < len(root.parts):
                names[i] = "/".join((*root.parts[-depth:], name))
                changed = True
        if not changed:
            break
        depth += 1
    return names


def read_workbooks(
    found: Finding,
    problems: Problems,
    *,
    limits: Mapping[str, float] | None = None,
    children: int = MOST_CHILDREN,
    progress: Callable[[int, int], None] | None = None,
) -> Log:
    """Read workbooks in child processes into one Log.

    found    : from find_workbooks. problems : gets every refused file and every note.
    limits   : as reading_limits(); None: those of data/limits_reading.toml.
    children : reading processes at most, 1 or 2; few small files take one.
    progress : called with (files done, files in all) after each file.
    Returns  : Log, its files and rows in the order of `found` whichever child was quicker. A file that cannot
               be read is in it with state "refused", 0 rows and one problem.
    Raises   : GraderError where a reading process cannot be started, or every file is an own product.
    """
    limits = {**reading_limits(), **(limits or {})}
    wanted = max(1, min(children, MOST_CHILDREN, len(found.files)))
    small = (
        len(found.files) <= limits["small_files"] and sum(max(f.size, 0) for f in found.files) <= limits["small_bytes"]
    )
    builder = LogBuilder()
    passed = list(found.passed_over)
    waiting: dict[int, dict[str, Any]] = {}
    following = 0
    with _no_garbage():
        for done, (index, reply) in enumerate(_replies(found.files, limits, 1 if small else wanted), start=1):
            waiting[index] = reply
            while following in waiting:
                _take(builder, found.files[following], waiting.pop(following), passed, problems)
                following += 1
            if progress is not None:
                progress(done, len(found.files))
    if not builder.files:
        raise GraderError(
            "Nothing to read: no workbook but results and records of this program" + _counted(passed) + "."
        )
    return builder.build(sorted(passed, key=lambda entry: natural_key(entry.name)))


@cache
def _not_seen() -> dict[str, str]:
    return dict(load_toml("limits_reading.toml")["not_seen"])


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


def _take(
    builder: LogBuilder, file: FoundFile, reply: dict[str, Any], passed: list[PassedOver], problems: Problems
) -> None:
    """Add one file's reply to the log."""
    if reply["state"] == "own":
        passed.append(PassedOver(file.name, OWN))
        return
    rows_found = reply.get("rows_found", 0)
    number = builder.add_file(
        {
            "name": file.name,
            "path": file.path,
            "format": reply["format"],
            "sha256": reply["sha256"],
            "size": reply["size"],
            "rows_found": rows_found,
            "rows_refused": 0,
            "rows_passed_over": reply.get("rows_passed_over", 0),
            "state": reply["state"],
            "not_seen": _not_seen().get(reply["format"], "") if reply["state"] == "read" else "",
        },
        reply["seconds"],
    )
    if reply["state"] == "refused":
        problems.add(reply["code"], file=number, sheet=reply["sheet"], cell=reply["cell"], **reply["params"])
        return
    for code, sheet, cell, value, params in reply["notes"]:
        problems.add(code, file=number, sheet=sheet, cell=cell, value=value, **params)
    added = 0
    for sheet, orientation, places, constants, rows, across, columns, *more in reply["tables"]:
        found = dict(zip(places, map(Place._make, places.values())))
        units, how, first, own, *rest = more
        table = Table(number, sheet, orientation, found, constants, units, how, len(builder.tables) - first, own, *rest)
        added += builder.add_table(table, rows, across, {name: unpacked(c) for name, c in columns.items()})
    if added != rows_found:
        problems.add("rows_lost", file=number, found=rows_found, kept=added)


def _replies(
    files: Sequence[FoundFile], limits: Mapping[str, float], children: int
) -> Iterator[tuple[int, dict[str, Any]]]:
    """(index, reply) of every file, in the order in which the children finish them."""
    indexes = iter(range(len(files)))
    turn = threading.Lock()
    answers: queue.SimpleQueue[tuple[int, dict[str, Any]] | Exception] = queue.SimpleQueue()
    running: dict[int, Child] = {}
    stopping = threading.Event()

    def start(number: int) -> Child | None:
        with turn:  # so that none is started once stopping is set
            if stopping.is_set():
                return None
            try:
                child = running[number] = Child(limits)
            except OSError as error:
                answers.put(GraderError(f"A reading process could not be started: {error}."))
                return None
        wrong = child.greet()
        if wrong:
            answers.put(GraderError(f"A reading process could not be started: {wrong}."))
            return None
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
    left, looked = len(files), time.monotonic()
    try:
        while left:
            try:
                answer = answers.get(timeout=_WATCH_SECONDS)
            except queue.Empty:
                answer = None
            if time.monotonic() - looked > _WATCH_SECONDS:
                looked = time.monotonic()
                for child in list(running.values()):
                    child.stop_if_overdue()
            if isinstance(answer, Exception):
                raise answer
            if answer is not None:
                left -= 1
                yield answer
    finally:
        with turn:
            stopping.set()
        for child in running.values():
            child.process.kill()
        for thread in threads:
            thread.join()
        for child in running.values():
            child.close()


def _died(file: FoundFile, child: Child) -> dict[str, Any]:
    code, params = ("timed_out", {"seconds": f"{child.allowed_s:.0f}"}) if child.overdue else ("reader_died", {})
    return {
        "state": "refused",
        "code": code,
        "params": params,
        "sheet": "",
        "cell": "",
        "sha256": "",
        "size": max(file.size, 0),
        "format": os.path.splitext(file.path)[1].lower().lstrip("."),
        "seconds": 0.0,
    }
