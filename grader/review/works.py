"""What `Work done` ends: which parameters the words touch (data/work.toml), and from which day their series begin anew."""

from __future__ import annotations

import re
from functools import cache
from typing import NamedTuple

import numpy as np
import pandas as pd

from grader.data import load_toml
from grader.frames import group_codes, text
from grader.problems import Problems
from grader.review.history import HISTORY, days

_EVERY = (1 << len(HISTORY)) - 1  # one bit a parameter of HISTORY
_NEVER = np.iinfo(np.int64).min  # what NaT is


class Meaning(NamedTuple):
    """What one text ends: bits of HISTORY's parameters. unknown : it names no part. not_done : a clause says so."""

    ends: int
    unknown: bool = False
    not_done: bool = False


@cache
def meaning(work: str) -> Meaning:
    """What a text under `Work done` ends.

    Each clause is read for itself. One with a word such as `recommended` or `checked` is no work; where the others
    name no part of the plant, everything ends.

    >>> names = lambda m: [p.name for i, p in enumerate(HISTORY) if m.ends >> i & 1]
    >>> names(meaning("new hose on bay 2")), names(meaning("Filter change recommended")), names(meaning("none"))
    (['Flow', 'Line pressure'], [], [])
    """
    data = load_toml("work.toml")
    folded = work.casefold()
    if folded.strip(" .") in data["none"] or not folded.strip():
        return Meaning(0)
    clauses, done = _clauses(work)
    touched = {name for part in parts_named(work) for name in data["part"][part]["ends"]}
    ends = sum(1 << i for i, p in enumerate(HISTORY) if p.name in touched)
    unknown = bool(done) and not touched
    return Meaning(_EVERY if unknown else ends, unknown, len(done) < len(clauses))


@cache
def parts_named(work: str) -> frozenset[str]:
    """The parts of the plant (data/work.toml) that a text under `Work done` says were worked on.

    >>> sorted(parts_named("new desiccant; filter change recommended")), sorted(parts_named("dryer cartridge changed"))
    (['dryer'], ['dryer'])
    """
    parts = load_toml("work.toml")["part"]

    def named(clause: str, key: str) -> set[str]:
        return {name for name, part in parts.items() if _says(clause, part.get(key, []))}

    return frozenset().union(*(named(c, "words") or named(c, "alone") for c in _clauses(work)[1]))


def _clauses(work: str) -> tuple[list[str], list[str]]:
    """The clauses of a text, and those that tell of work that was done."""
    data = load_toml("work.toml")
    folded = work.casefold()
    clauses = [c for c in re.split("|".join(map(re.escape, data["between"])), folded) if re.search(r"\w", c)]
    return clauses, [c for c in clauses if not _says(c, data["not_done"])]


def _says(clause: str, beginnings: list[str]) -> bool:
    return any(re.search(rf"\b{re.escape(word)}", clause) for word in beginnings)


def query_works(tests: pd.DataFrame, problems: Problems) -> None:
    """Note words that name no part of the plant (work_unknown), query what is no work (work_not_done)."""
    work, number = text(tests, "work_done"), tests.index.to_numpy()
    codes, unique = pd.factorize(work)
    found = [meaning(str(u)) for u in unique]
    for code, marked in (("work_unknown", [m.unknown for m in found]), ("work_not_done", [m.not_done for m in found])):
        problems.add_tests(code, number[np.array(marked, dtype=bool)[codes]] if len(found) else (), "work_done")


class _Work(NamedTuple):
    """One kind of work, as far as it ends the same parameters: bool over HISTORY, and day and scope of each work.

    scopes : (code of the site, system or outlet of each test, which tests it holds, which tests tell the work).
    began  : int (n,), first day of each test's visit, days since 1970.
    """

    parameters: np.ndarray
    scopes: list[tuple[np.ndarray, np.ndarray, np.ndarray]]
    began: np.ndarray


def _works(tests: pd.DataFrame) -> list[_Work]:
    work = text(tests, "work_done")
    usable = tests["dated"].to_numpy() & ~tests["replaced"].to_numpy()
    codes, unique = pd.factorize(work)
    ends = np.array([meaning(str(u)).ends for u in unique] or [0], dtype=np.int64)
    bits = np.where(usable, ends[codes] if len(codes) else 0, 0)
    if not bits.any():
        return []
    visit, day = tests["visit"].to_numpy(), days(tests).astype(np.int64)
    counts = usable & (visit >= 0)
    began = pd.Series(day[counts]).groupby(visit[counts]).min().reindex(visit, fill_value=0).to_numpy(dtype=np.int64)
    site = group_codes(tests["site_key"].to_numpy(dtype=object))
    named = text(tests, "system") != ""
    system = group_codes(site, tests["system_key"].to_numpy(dtype=object))
    everywhere = np.ones(len(tests), dtype=bool)
    by_mask: dict[bytes, tuple[np.ndarray, list[int]]] = {}
    for number in range(len(HISTORY)):
        done = (bits >> number & 1).astype(bool)
        by_mask.setdefault(done.tobytes(), (done, []))[1].append(number)
    works = []
    for done, numbers in by_mask.values():
        if not done.any():
            continue
        whole = (
            pd.Series(done[counts]).groupby(visit[counts]).all().reindex(visit, fill_value=False).to_numpy(dtype=bool)
        )
        scopes = [
            (site, everywhere, done & whole),
            (system, named, done & ~whole & named),
            (tests["identity"].to_numpy(), everywhere, done & ~whole & ~named),
        ]
        works.append(_Work(np.isin(np.arange(len(HISTORY)), numbers), scopes, began))
    return works


def last_work(tests: pd.DataFrame, at: np.ndarray, parameter: np.ndarray) -> np.ndarray:
    """Day of the last work that ended the series of each of N readings: datetime64[D] (N,), NaT where none did.

    tests : judged table. at : int (N,), position of the test of each reading. parameter : int (N,), of HISTORY.
    Work stands for the whole site where every row of a visit tells it, else for the rows' systems, and for an outlet
    where no system is named.
    """
    cut = np.full(len(at), _NEVER)
    for work in _works(tests):
        mine = np.flatnonzero(work.parameters[parameter])
        for scope, members, where in work.scopes:
            latest = pd.Series(work.began[where]).groupby(scope[where]).max()
            day = latest.reindex(scope[at[mine]], fill_value=_NEVER).to_numpy(dtype=np.int64)
            cut[mine] = np.where(members[at[mine]], np.maximum(cut[mine], day), cut[mine])
    return cut.astype("datetime64[D]")


def stretches(tests: pd.DataFrame, at: np.ndarray, day: np.ndarray, parameter: np.ndarray) -> np.ndarray:
    """Number of works that ended the series of each of N readings up to its day: int (N,).

    Arguments as for `last_work`; day : datetime64[D] (N,). The readings of the day on which work is told come after it.
    """
    number = np.zeros(len(at), dtype=np.int64)
    until = day.astype(np.int64)
    span = 10**6
    for work in _works(tests):
        mine = np.flatnonzero(work.parameters[parameter])
        for scope, members, where in work.scopes:
            told = np.unique(scope[where].astype(np.int64) * span + work.began[where])
            first = scope[at[mine]].astype(np.int64) * span
            passed = np.searchsorted(told, first + until[mine], side="right") - np.searchsorted(
                told, first, side="left"
            )
            number[mine] += np.where(members[at[mine]], passed, 0)
    return number
