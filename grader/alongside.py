"""A visit judged with the folder of its past: which files that adds, and which of their tests have a say.

The files named come first, so their tests do, too: a test's number is its row on the sheet Verdicts.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable
from dataclasses import replace
from itertools import compress
from pathlib import Path

import numpy as np
import pandas as pd

from grader.columns import PARAMETERS
from grader.frames import by_unique, text, with_columns
from grader.natural import name_key
from grader.problems import GraderError, Problems, Unclear
from grader.read.find import Finding, FoundFile, find_workbooks
from grader.read.log import Log


def with_past(found: Finding, folders: Iterable[Path], problems: Problems) -> Finding:
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


def of_their_sites(tests: pd.DataFrame, named: int) -> np.ndarray:
    """The tests of the sites that the first files have tests of: bool (n,).

    tests : table after normalise, n rows. named : number of files that are judged; the others are their past.
    """
    site = pd.factorize(tests["site_key"].to_numpy(dtype=object))[0]
    return np.isin(site, np.unique(site[tests["file"].to_numpy() < named]))


def sharing_lots(tests: pd.DataFrame, theirs: np.ndarray, days: int) -> np.ndarray:
    """All tests of the other sites that used a tube lot of theirs within so many days of them: bool (n,).

    theirs : bool (n,), from of_their_sites.
    """
    day = tests["test_day"].to_numpy().astype("datetime64[D]")
    known = ~np.isnat(day)
    day = np.where(known, day.astype(np.int64), 0)
    shares = np.zeros(len(tests), dtype=bool)
    for tube in {p.tube for p in PARAMETERS.values() if p.tube}:
        lot = pd.factorize(by_unique(text(tests, f"{tube}_tube_lot"), name_key))[0]
        used = known & (text(tests, f"{tube}_tube_lot") != "")
        first, last = (np.full(int(lot.max(initial=0)) + 1, far) for far in (np.iinfo(np.int64).max, -days))
        np.minimum.at(first, lot[used & theirs], day[used & theirs])
        np.maximum.at(last, lot[used & theirs], day[used & theirs])
        # A visit's day is its first: a week more either way.
        shares |= used & (day + 7 + days >= first[lot]) & (day <= last[lot] + days + 7)
    site = pd.factorize(tests["site_key"].to_numpy(dtype=object))[0]
    return np.isin(site, np.unique(site[shares])) & ~theirs


def only(tests: pd.DataFrame, log: Log, problems: Problems, kept: np.ndarray) -> tuple[pd.DataFrame, Log, Problems]:
    """The tests of some whole sites, numbered anew, with their log and problems.

    tests : table after normalise, n rows. kept : bool (n,), all tests of a site or none.
    """
    number = np.where(kept, np.cumsum(kept) - 1, -1)
    table = log.rows["table"].to_numpy()

    def cut(number: int, unclear: Unclear) -> Unclear:
        return unclear._replace(values=list(compress(unclear.values, kept[table == number].tolist())))

    log = replace(
        log,
        rows=log.rows[kept].reset_index(drop=True),
        tables=[
            t._replace(unclear=[cut(number, u) for u in t.unclear]) if t.unclear else t
            for number, t in enumerate(log.tables)
        ],
        from_constant={name: flags[kept] for name, flags in log.from_constant.items()},
    )
    repeat_of = tests["repeat_of"].to_numpy()[kept]
    # A repeat is of the same outlet, hence of the same site.
    renumbered = np.where(repeat_of < 0, -1, number[repeat_of])
    tests = with_columns(tests[kept].reset_index(drop=True), {"repeat_of": renumbered})
    return tests, log, problems.renumbered(number.tolist())


def sum_of_past(log: Log, named: int) -> str:
    """What the past was, for the recorded options: how many files, and the first characters of a sum over their sums."""
    sums = sorted(str(s) for s in log.files["sha256"].iloc[named:])
    return f"{len(sums)} files {hashlib.sha256(' '.join(sums).encode()).hexdigest()[:12]}"
