"""Names that look like slips of one another: of outlets, sites and clients; and which outlets may be another's double.

Nothing is merged by guess: both names are queried, and a layout file's [same.*] settles them (grader.normalise).
"""

from __future__ import annotations

from itertools import combinations
from typing import NamedTuple

import numpy as np
import pandas as pd

from grader.frames import client_and_site, group_codes, text
from grader.problems import Problems
from grader.review.slipped import slip_pairs


class Slips(NamedTuple):
    """Pairs of names of one kind, p of them, the rarer first.

    rare, common : int (p,), position of the last test of each. times, other_times : how many tests each has.
    shared       : int (p,), outlets that stand under both, of sites and clients.
    """

    kind: str
    rare: np.ndarray
    common: np.ndarray
    times: np.ndarray
    other_times: np.ndarray
    shared: np.ndarray


def name_slips(tests: pd.DataFrame, kind: str) -> Slips:
    """The pairs of names of one kind that look like slips. Outlets are compared within their site.

    tests : table after normalise, n rows. kind : client, site or outlet. A site named after its file is nobody's name.
    """
    whole = tests["site_key"].to_numpy(dtype=object)
    client, site = client_and_site(tests)
    outlet = tests["outlet_key"].to_numpy(dtype=object)
    within, key, given = {
        "client": (np.full(len(tests), "", dtype=object), client, client != ""),
        "site": (np.full(len(tests), "", dtype=object), site, np.ones(len(tests), dtype=bool)),
        "outlet": (whole, outlet, tests["outlet_given"].to_numpy()),
    }[kind]
    rows = np.flatnonzero(given & ~tests["replaced"].to_numpy())
    codes = group_codes(within[rows], key[rows])
    times = np.bincount(codes)
    at = np.zeros(len(times), dtype=np.int64)
    at[codes] = rows  # the last row of each name stays
    pairs = slip_pairs(within[at].tolist(), key[at].tolist(), times.tolist())
    if kind == "client":
        pairs += _begun(key[at], times, site[rows], codes)
    rare, common = (np.array(side, dtype=np.int64) for side in (zip(*pairs) if pairs else ((), ())))
    shared = np.zeros(len(rare), dtype=np.int64)
    if kind != "outlet" and len(rare):
        below = {k: set(part) for k, part in pd.Series(outlet[rows]).groupby(key[rows])}
        shared[:] = [len(below[a] & below[b]) for a, b in zip(key[at[rare]], key[at[common]])]
    return Slips(kind, at[rare], at[common], times[rare], times[common], shared)


def _begun(keys: np.ndarray, times: np.ndarray, site: np.ndarray, codes: np.ndarray) -> list[tuple[int, int]]:
    """Pairs of clients with a site of one name, of which one's name begins the other's: "Mill", "Mill Ltd"."""
    found = set()
    for some in pd.Series(codes).groupby(site).unique():
        for a, b in combinations(sorted(some), 2):
            if f"{keys[a]}|".startswith(f"{keys[b]}|") or f"{keys[b]}|".startswith(f"{keys[a]}|"):
                found.add((a, b) if times[a] < times[b] else (b, a))
    return sorted(found)


def query_slips(tests: pd.DataFrame, slips: Slips, problems: Problems) -> None:
    """Query each pair once, on the last test of the rarer name (name_slip, site_slip, client_slip)."""
    names = text(tests, slips.kind)
    problems.add_tests(
        "name_slip" if slips.kind == "outlet" else f"{slips.kind}_slip",
        tests.index.to_numpy()[slips.rare],
        slips.kind,
        names[slips.rare].tolist(),
        name=names[slips.rare],
        other=names[slips.common],
        rows=slips.times,
        other_rows=slips.other_times,
    )


class SharedSlip(NamedTuple):
    """Two names of a site or client under which the same outlets stand, as the Summary says it."""

    kind: str
    name: str
    other: str
    times: int
    other_times: int
    shared: int


def shared_slips(tests: pd.DataFrame, problems: Problems) -> list[SharedSlip]:
    """Query slips of sites and clients; those that share outlets are given back, the more they share the sooner."""
    made = []
    for kind in ("site", "client"):
        slips = name_slips(tests, kind)
        query_slips(tests, slips, problems)
        names = text(tests, kind)
        made += [
            SharedSlip(kind, str(names[a]), str(names[b]), int(t), int(o), int(n))
            for a, b, t, o, n in zip(slips.rare, slips.common, slips.times, slips.other_times, slips.shared)
            if n
        ]
    return sorted(made, key=lambda s: -s.shared)


def doubles(tests: pd.DataFrame) -> dict[int, str]:
    """Code of each outlet that may be another's double -> the other: by its own name, or by its site's."""
    identity, site, outlet = tests["identity"].to_numpy(), text(tests, "site"), text(tests, "outlet")
    own = name_slips(tests, "outlet")
    found = {int(identity[a]): str(outlet[b]) for a, b in zip(own.rare, own.common)}
    key = tests["outlet_key"].to_numpy(dtype=object)
    slips = name_slips(tests, "site")
    for a, b in zip(slips.rare, slips.common):
        mine, other = (np.flatnonzero(site == site[at]) for at in (a, b))
        there = dict(zip(key[other], other))
        for at in mine:
            if key[at] in there:
                found.setdefault(int(identity[at]), f"{site[b]}, {outlet[there[key[at]]]}")
    return found
