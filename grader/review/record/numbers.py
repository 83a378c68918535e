"""The number of each record, and which record supersedes which.

A number is made of what the visit's files are, never of the run: the same files give it again whatever else is graded
with them, on whatever day, in whatever language.
"""

from __future__ import annotations

import hashlib
import unicodedata
from base64 import b32encode
from collections.abc import Iterable, Mapping, Sequence
from pathlib import PurePosixPath
from typing import NamedTuple

import numpy as np
import pandas as pd

from grader.frames import group_codes, text

SIGNS = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"  # no I, L, O or U: read aloud or by hand they are taken for others
_OWN_SIGNS = str.maketrans("ABCDEFGHIJKLMNOPQRSTUVWXYZ234567", SIGNS)  # of base 32 (RFC 4648)
GROUP, GROUPS = 4, 2
UNDATED = "0000"


class Numbered(NamedTuple):
    """The record of one group of tests: its number, what makes it, and the numbers beside it.

    files      : numbers of the files that it rests on. supersedes: numbers of earlier records; superseded_by:
                 number of the later one, "" where none. lost: names of files that it replaces and that are not there.
    """

    number: str
    identity: str
    site: str
    day: str
    files: tuple[int, ...]
    supersedes: tuple[str, ...] = ()
    superseded_by: str = ""
    lost: tuple[str, ...] = ()


def record_number(site: str, day: str, sums: Iterable[str]) -> tuple[str, str]:
    """Number of a record, and the whole SHA-256 sum that it is the beginning of, in hexadecimal.

    site : client and site. day : first day of the visit, ISO, "" where there is none. sums : SHA-256 of its files.

    >>> record_number("North Works", "2026-03-14", ["ab", "cd"])[0]
    '2026-DM1N-EKGF'
    """
    named = unicodedata.normalize("NFC", site).casefold()
    digest = hashlib.sha256("\n".join([named, day, "".join(sorted(sums))]).encode("utf-8", "replace"))
    signs = b32encode(digest.digest()).decode().translate(_OWN_SIGNS)
    groups = [signs[i : i + GROUP] for i in range(0, GROUP * GROUPS, GROUP)]
    return "-".join([day[:4] or UNDATED, *groups]), digest.hexdigest()


def visit_groups(tests: pd.DataFrame) -> np.ndarray:
    """int (n,): the record each test stands in: its visit; undated ones by site and file; replaced ones apart."""
    visit, file, replaced = tests["visit"].to_numpy(), tests["file"].to_numpy(), tests["replaced"].to_numpy()
    if not len(tests):
        return visit
    undated = visit < 0
    sites = np.where(undated, text(tests, "site_key"), "").astype(object)
    return group_codes(np.where(undated, -1, visit), np.where(undated | replaced, file, -1), sites, replaced)


def recorded(tests: pd.DataFrame) -> np.ndarray:
    """bool (n,): the tests for which there is a record: somebody was there, and not after the day of the run."""
    later = ~tests["dated"].to_numpy() & ~tests["test_day"].isna().to_numpy()
    there: np.ndarray = tests["visited"].to_numpy() & ~later
    return there


def numbered(tests: pd.DataFrame, groups: np.ndarray, names: Sequence[str], sums: Sequence[str]) -> dict[int, Numbered]:
    """Group -> its record.

    tests : judged table, n rows. groups : int (n,), from visit_groups. names, sums : name and SHA-256 by file number.
    """
    file, visit = tests["file"].to_numpy(), tests["visit"].to_numpy()
    repeat, replaced = tests["repeat_of"].to_numpy() >= 0, tests["replaced"].to_numpy()
    named = text(tests, "replaces_file")
    site = np.where(tests["site_given"].to_numpy(), text(tests, "site"), "")
    client, shown = text(tests, "client"), text(tests, "site")
    day = tests["test_day"].to_numpy().astype("datetime64[D]")
    replaces = _replaces(file, named, replaced, names)
    rows_of, rows_of_visit = _rows_of(groups), _rows_of(visit)
    records: dict[int, Numbered] = {}
    for group, rows in rows_of.items():
        rows = rows[~repeat[rows]] if not repeat[rows].all() else rows
        files = set(file[rows].tolist())
        if replaced[rows[0]] and visit[rows[0]] >= 0:  # as it was before the later file came
            whole = rows_of_visit[visit[rows[0]]]
            whole = whole[~repeat[whole]]
            others = set(file[whole].tolist()) - _reached(files, replaces) - _reached(files, _turned(replaces))
            files |= others
            rows = whole[np.isin(file[whole], list(files))]
        days = day[rows][~np.isnat(day[rows])]
        first = str(days.min()) if len(days) else ""
        about = "\n".join([next((c for c in client[rows] if c), ""), str(site[rows[0]])])
        number, identity = record_number(about, first, [sums[f] for f in files])
        records[group] = Numbered(number, identity, str(shown[rows[0]]), first, tuple(sorted(files)))
    return _beside(records, rows_of, groups, file, visit, replaced, named, replaces)


def _rows_of(codes: np.ndarray) -> dict[int, np.ndarray]:
    """Code -> positions of its rows."""
    order = np.argsort(codes, kind="stable")
    different, starts = np.unique(codes[order], return_index=True)
    return dict(zip(different.tolist(), np.split(order, starts[1:])))


def _beside(
    records: Mapping[int, Numbered],
    rows_of: Mapping[int, np.ndarray],
    groups: np.ndarray,
    file: np.ndarray,
    visit: np.ndarray,
    replaced: np.ndarray,
    named: np.ndarray,
    replaces: Mapping[int, set[int]],
) -> dict[int, Numbered]:
    """The records with the numbers of those that they supersede, or that supersede them."""
    later: dict[int, int] = {}  # group of a replaced file -> group of the file that replaces it
    by = {old: new for new, olds in replaces.items() for old in olds}
    for group, rows in rows_of.items():
        new = by.get(int(file[rows[0]]), -1)
        if replaced[rows[0]] and new >= 0:
            mine = np.flatnonzero(file == new)
            same = mine[visit[mine] == visit[rows[0]]]
            found = np.unique(groups[same if len(same) else mine])
            if (
                len(found) > 1 and replaced[same].any()
            ):  # itself replaced in part: its record as it was, one of the chain
                found = np.unique(groups[same[replaced[same]]])
            if len(found) == 1:  # where the later file holds several visits of other days, none is meant
                later[group] = int(found[0])
    known = {new for new, olds in replaces.items() if olds}
    result = {}
    for group, record in records.items():
        rows = rows_of[group]
        earlier = sorted({records[old].number for old, new in later.items() if new == group} - {record.number})
        lost = dict.fromkeys(str(n) for f, n in zip(file[rows], named[rows]) if n and f not in known)
        after = records[later[group]].number if group in later else ""
        result[group] = record._replace(supersedes=tuple(earlier), superseded_by=after, lost=tuple(lost))
    return result


def records_table(records: Iterable[Numbered], names: Sequence[str]) -> pd.DataFrame:
    """The sheet Records: one row a record and file, by site and day. names : by file number."""
    rows = [
        (r.number, r.site, r.day, names[f], ", ".join(r.supersedes), r.superseded_by)
        for r in sorted(records, key=lambda r: (r.site.casefold(), r.day, r.number))
        for f in r.files
    ]
    columns = ["Record number", "Site", "Test date", "File", "Supersedes", "Superseded by"]
    frame = pd.DataFrame(rows, columns=columns, dtype=object)
    frame["Test date"] = pd.to_datetime(frame["Test date"].replace("", None)).astype("datetime64[s]")
    return frame


def _turned(replaces: dict[int, set[int]]) -> dict[int, set[int]]:
    turned: dict[int, set[int]] = {}
    for new, olds in replaces.items():
        for old in olds:
            turned.setdefault(old, set()).add(new)
    return turned


def _reached(files: set[int], leads: dict[int, set[int]]) -> set[int]:
    """All files that lead on from these, those themselves left out."""
    found: set[int] = set()
    ahead = list(files)
    while ahead:
        for following in leads.get(ahead.pop(), set()) - found:
            found.add(following)
            ahead.append(following)
    return found - files


def _replaces(file: np.ndarray, named: np.ndarray, replaced: np.ndarray, names: Sequence[str]) -> dict[int, set[int]]:
    """file -> the files it replaces, as the normalising stage tells them: by name, where it marked them."""
    by_name: dict[str, list[int]] = {}
    for number, name in enumerate(names):
        by_name.setdefault(PurePosixPath(name).name.casefold(), []).append(number)
    marked = set(file[replaced].tolist())
    found: dict[int, set[int]] = {}
    for f, name in pd.DataFrame({"file": file, "name": named})[named != ""].drop_duplicates().itertuples(index=False):
        wanted = PurePosixPath(str(name).replace("\\", "/")).name.casefold()
        others = [i for i in by_name.get(wanted) or by_name.get(f"{wanted}.xlsx") or [] if i != f and i in marked]
        if len(others) == 1:
            found.setdefault(int(f), set()).add(others[0])
    return found
