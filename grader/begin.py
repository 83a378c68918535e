"""The beginning of a run: which files are read, by which layouts; from then on the reading processes are at work.

Loads neither pandas nor numpy: a command begins, and loads them while the files are read.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any, NamedTuple

from grader.problems import GraderError, Problems
from grader.read.find import Finding, FoundFile, find_workbooks
from grader.read.layout import LayoutFile, with_layouts
from grader.read.log import Log
from grader.read.process import begin_reading, changed_limits


class Begun(NamedTuple):
    """What a run was begun with.

    log      : waits for the files and makes one Log of them; takes what is told of the progress, or None. Call it once.
    problems : found so far. layouts : all layout files of the run. limits : the limits of reading that were changed.
    named    : names of the files that are to be judged, where there is a history; None: all are.
    """

    log: Callable[[Callable[[int, int], None] | None], Log]
    problems: Problems
    layouts: tuple[LayoutFile, ...]
    limits: dict[str, float]
    named: set[str] | None


def begin(
    paths: Any,
    *,
    layouts: Iterable[str | os.PathLike[str]] = (),
    history: str | os.PathLike[str] | None = None,
    limits: Mapping[str, float] | None = None,
) -> Begun:
    """Find the files and begin to read them: arguments as grader.grade has them, limits those of reading to be others.

    Raises : GraderError where there is nothing to read, or a path, layout file or limit is wrong.
    """
    read_with = changed_limits(limits or {})
    problems, given = Problems(), _paths(paths)
    found = find_workbooks(given, problems)
    named = None if history is None else {file.name for file in found.files}
    folders = [] if history is None else [Path(history)]
    found = _with_past(found, folders, problems) if folders else found
    found, used = with_layouts(found, [*given, *folders], layouts, problems)
    return Begun(begin_reading(found, problems, limits=read_with), problems, used, dict(limits or {}), named)


def _paths(paths: Any) -> list[Path]:
    if isinstance(paths, str | os.PathLike):
        return [Path(paths)]
    if isinstance(paths, Iterable):
        return [Path(p) for p in paths]
    raise GraderError(f"{paths!r} is no path: name files or folders.")


def _with_past(found: Finding, folders: Iterable[Path], problems: Problems) -> Finding:
    """The files named, and behind them those of the folders of the past that are not named themselves.

    found    : the files named, from find_workbooks. folders : files or folders; one without a spreadsheet adds nothing.
    problems : gets a folder that cannot be read.
    Returns  : Finding. A file with the bytes of one named counts once, as the one named; a name that is taken gets
               its folder before it.
    Raises   : GraderError where a folder does not exist.
    """
    files, passed = list(found.files), list(found.passed_over)
    taken, sizes = {f.name for f in files}, {f.size for f in files}
    same = {os.path.realpath(f.path) for f in files}
    sums = {_sum(f) for f in files}
    for folder in folders:
        try:
            more = find_workbooks([folder], problems)
        except GraderError:
            if not Path(folder).exists():
                raise
            continue
        passed += [entry for entry in more.passed_over if entry not in passed]
        for file in more.files:
            if os.path.realpath(file.path) in same or (file.size in sizes and _sum(file) in sums):
                continue
            name = file.name
            while name in taken:
                name = f"{Path(os.path.abspath(folder)).name}/{name}"
            same.add(os.path.realpath(file.path))
            taken.add(name)
            files.append(file._replace(name=name))
    return found._replace(files=files, passed_over=passed)


def _sum(file: FoundFile) -> str:
    """SHA-256 of its bytes; of a file that cannot be read its path, which reading then says."""
    try:
        with open(file.path, "rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError:
        return file.path
