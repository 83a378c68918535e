"""A visit judged with the folder of its past: which of its tests have a say.

The files named come first, so their tests do, too: a test's number is its row on the sheet Verdicts.
"""

from __future__ import annotations

import hashlib
from dataclasses import replace
from itertools import compress

import numpy as np
import pandas as pd

from grader.columns import PARAMETERS
from grader.frames import by_unique, text, with_columns
from grader.natural import name_key
from grader.problems import Problems, Unclear
from grader.read.log import Log


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
