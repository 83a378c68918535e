"""Oddities of single outlets and visits: always the same, copied forward, carbon dioxide below outdoor air,
warm days, times that cannot be.

Each function takes the judged table and `counts`, bool (n,), the tests that count in history, and returns
one row an oddity; `test` (and `last`, `other`) are positions of tests. No thresholds but those named here.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from grader.columns import BLANK, EVIDENCE_FIELDS, FIELDS, READ, TEST_NEAR, TEST_PASS, USUAL_OIL_SAMPLING_MIN
from grader.data import load_toml
from grader.frames import above, at_least, by_laboratory, by_unique, group_codes, text
from grader.outdoor import outdoor_co2_on
from grader.review.history import days, outlets

# Readings that move a little from visit to visit on a living plant; oxygen (20.9) and bounds rightly repeat.
RESTLESS = ("co2_ppm", "flow_l_min", "line_pressure_bar", "airline_temperature_c", "water")
MIN_SAME_TESTS, MIN_SAME_FIELDS = 5, 4
MIN_COPIED_OUTLETS = 3
MIN_COPIED_FIGURES = 3
"""Plain figures a test must hold to count towards a copy: `<2` and odour none repeat of themselves."""
LOOK_BACK = 12
"""How many earlier tests of an outlet are looked at for the visit that was copied."""
COPY_AGREES = 0.95
"""Share of a copied visit's figures that are left as they were (judgement)."""
COUNTS_AGAINST = 1.0
"""The most (natural logarithm of odds) that one field counts against a copy."""
LEAST_ODDS = 16.0
"""Natural logarithm of the odds from which a visit is asked about: about ten million to one, for many pairs of visits
are looked at (judgement)."""
PRIOR_WEIGHT = 4.0
"""Comparisons, half of them alike, that stand for a field before any other pair of visits is seen (judgement)."""
TUBE_ERROR = 0.25
"""Former 42 CFR 84 tube programme, 84.20(e): within 25 % of the true value, so true is at most reading /
0.75."""
CLOCK_MIN = 5.0
"""Times are often written to five minutes (judgement)."""


def _ends(tests: pd.DataFrame, name: str) -> tuple[np.ndarray, np.ndarray]:
    """Both ends of a field or key, NaN where not read."""
    read = tests[f"{name}_state"].to_numpy() == READ
    lower, upper = (np.where(read, tests[f"{name}_{end}"].to_numpy(dtype=float), np.nan) for end in ("lower", "upper"))
    return lower, upper


def _plain(tests: pd.DataFrame, name: str) -> np.ndarray:
    """Plain figures of a field; NaN for a bound and for what was not read. `water` is the tube's or the
    content."""
    if name == "water":
        tube = _plain(tests, "water_tube_mg_m3")
        return np.where(np.isnan(tube), _plain(tests, "water_mg_m3"), tube)
    lower, upper = _ends(tests, name)
    return np.where(lower == upper, lower, np.nan)


def always_same(tests: pd.DataFrame, counts: np.ndarray) -> pd.DataFrame:
    """Outlets whose every counting test has the same figures.

    Columns: test, last (positions), tests (number), same (number of restless readings that never moved). An
    outlet is listed with MIN_SAME_TESTS tests on different days, MIN_SAME_FIELDS of RESTLESS equal in all of
    them and none moved.
    """
    at = np.flatnonzero(counts)
    codes = group_codes(tests["identity"].to_numpy()[at])
    at = at[np.bincount(codes)[codes] >= MIN_SAME_TESTS]
    if not len(at):
        return pd.DataFrame(columns=["test", "last", "tests", "same"])
    at = at[np.argsort(days(tests)[at], kind="stable")]
    frame = pd.DataFrame(
        {"identity": tests["identity"].to_numpy()[at], "at": at, "day": days(tests)[at].astype(np.int64)}
    )
    for name in RESTLESS:
        frame[name] = _plain(tests, name)[at]
    groups = frame.groupby("identity")
    low, high, known = (getattr(groups[list(RESTLESS)], f)() for f in ("min", "max", "count"))
    size = groups.size()
    still = np.isclose(low, high, rtol=1e-9, atol=0) & (known.to_numpy() == size.to_numpy()[:, None])
    moved = (known.to_numpy() > 0) & ~np.isclose(low, high, rtol=1e-9, atol=0)
    listed = (
        (groups["day"].nunique().to_numpy() >= MIN_SAME_TESTS)
        & (still.sum(axis=1) >= MIN_SAME_FIELDS)
        & ~moved.any(axis=1)
    )
    found = pd.DataFrame(
        {"test": groups["at"].first(), "last": groups["at"].last(), "tests": size, "same": still.sum(axis=1)}
    )
    return found[listed].reset_index(drop=True)


def copied_forward(tests: pd.DataFrame, counts: np.ndarray) -> pd.DataFrame:
    """Visits whose readings agree with those of one earlier visit far more often than chance would have them.

    Columns: test, last, other (positions: first and last test of the later visit, first of the copied one), outlets
    (of the later visit that stand in both with MIN_COPIED_FIGURES plain figures; at least MIN_COPIED_OUTLETS), whole
    (bool: every reading of every outlet is the same), agree, compared (plain figures alike, and compared), expected
    (how many would agree by chance).

    How often a field's figures agree by chance is what they do between all other visits of the site. Each field weighs
    as many comparisons as it holds different figures in the later visit (one line pressure at twenty outlets is one),
    and counts against a copy by COUNTS_AGAINST at most: one that was changed or measured afresh hides nothing.
    """
    at = np.flatnonzero(counts)
    columns = ["test", "last", "other", "outlets", "whole", "agree", "compared", "expected"]
    pairs = _pairs_of_visits(tests, at)
    if pairs is None:
        return pd.DataFrame(columns=columns)
    frame, same, both, weight = pairs
    by_site = frame["site"].to_numpy()
    alike, compared = (_total(x, by_site) - x for x in (same, both))
    chance = (alike + PRIOR_WEIGHT * 0.5) / (compared + PRIOR_WEIGHT)
    share = np.divide(same, both, out=np.zeros(same.shape), where=both > 0)
    with np.errstate(divide="ignore"):
        odds = share * np.log(COPY_AGREES / chance) + (1 - share) * np.log((1 - COPY_AGREES) / (1 - chance))
    odds = np.where(both > 0, np.maximum(np.minimum(weight, both) * odds, -COUNTS_AGAINST), 0.0).sum(axis=1)
    frame["agree"], frame["compared"] = same.sum(axis=1).astype(int), both.sum(axis=1).astype(int)
    frame["expected"] = (both * chance).sum(axis=1)
    asked = ((odds >= LEAST_ODDS) | frame["whole"]) & (frame["outlets"] >= MIN_COPIED_OUTLETS)
    found = frame.assign(odds=odds)[asked]
    # Of several visits that a later one could be copied from, the surest; of equals the newest.
    found = found.sort_values(["visit", "whole", "odds", "from_day"]).drop_duplicates("visit", keep="last")
    return found.sort_values(["day", "visit"])[columns].reset_index(drop=True)


def _pairs_of_visits(
    tests: pd.DataFrame, at: np.ndarray
) -> tuple[pd.DataFrame, np.ndarray, np.ndarray, np.ndarray] | None:
    """Every later and earlier visit with outlets in common, up to LOOK_BACK tests of an outlet apart.

    Returns : frame (site, visit, day, from_day, test, last, other, outlets, whole), and by pair and number field how
              many plain figures agree, how many were compared, and how many different ones the later visit holds.
    """
    day, visit = days(tests)[at].astype(np.int64), tests["visit"].to_numpy()[at]
    site = group_codes(tests["site_key"].to_numpy(dtype=object)[at]) if len(at) else at
    identity = tests["identity"].to_numpy()[at]
    order = np.lexsort((at, day, identity))
    parts = [(order[:0], order[:0])]
    for back in range(1, min(LOOK_BACK, len(order) - 1) + 1):
        later, earlier = order[back:], order[:-back]
        kept = (identity[later] == identity[earlier]) & (day[later] > day[earlier]) & (visit[later] != visit[earlier])
        parts.append((later[kept], earlier[kept]))
    later, earlier = map(np.concatenate, zip(*parts))
    if not len(later):
        return None
    prints, figures = _fingerprints(tests, at)
    names = [name for name in EVIDENCE_FIELDS if FIELDS[name].kind == "number"]
    values = np.column_stack([_plain(tests, name)[at] for name in names])
    pair = group_codes(visit[later], visit[earlier])
    count = int(pair.max()) + 1
    first = np.zeros(count, dtype=np.int64)
    first[pair[::-1]] = np.arange(len(pair))[::-1]
    alike, compared = (np.empty((count, len(names))) for _ in range(2))
    for f in range(len(names)):  # a field at a time: the pairs are many times the tests
        mine, other = values[later, f], values[earlier, f]
        known = ~np.isnan(mine) & ~np.isnan(other)
        compared[:, f] = np.bincount(pair, known, count)
        alike[:, f] = np.bincount(pair, known & np.isclose(mine, other, rtol=1e-9, atol=0), count)
    rows = pd.DataFrame({"visit": visit, "at": at, "day": day}).sort_values(["day", "at"])
    whole = rows.groupby("visit").agg(
        size=("at", "size"), first=("at", "first"), last=("at", "last"), day=("day", "min")
    )
    of_later, of_earlier = (whole.reindex(visit[side[first]]) for side in (later, earlier))
    equal = np.bincount(pair, prints[later] == prints[earlier], count)
    different = pd.DataFrame(values).groupby(visit).nunique().reindex(visit[later[first]]).to_numpy(dtype=float)
    frame = pd.DataFrame(
        {
            "site": site[later[first]],
            "visit": visit[later[first]],
            "day": of_later["day"].to_numpy(),
            "from_day": of_earlier["day"].to_numpy(),
            "test": of_later["first"].to_numpy(),
            "last": of_later["last"].to_numpy(),
            "other": of_earlier["first"].to_numpy(),
            "outlets": np.bincount(pair, figures[later] & figures[earlier], count).astype(int),
            "whole": equal == of_later["size"].to_numpy(),
        }
    )
    earlier_first = (frame["from_day"] < frame["day"]).to_numpy()
    return (
        frame[earlier_first].reset_index(drop=True),
        alike[earlier_first],
        compared[earlier_first],
        different[earlier_first],
    )


def _total(values: np.ndarray, group: np.ndarray) -> np.ndarray:
    """Sums of the rows of each group, for every row: float of the shape of values."""
    size = int(group.max(initial=-1)) + 1
    return np.column_stack([np.bincount(group, column, size) for column in values.T])[group]


def _fingerprints(tests: pd.DataFrame, at: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Per test at positions `at` (k,): a uint64 over every reading, and whether it holds figures enough to
    count."""
    total = np.zeros(len(at), dtype=np.uint64)
    plain = np.zeros(len(at), dtype=np.int64)
    for name in EVIDENCE_FIELDS:
        if FIELDS[name].kind == "number":
            plain += ~np.isnan(_plain(tests, name)[at])
            lower, upper = (np.nan_to_num(x[at], nan=-9.9e300) + 0.0 for x in _ends(tests, name))
            parts = [lower, upper, tests[f"{name}_open"].to_numpy()[at].astype(np.int64)]
        else:
            parts = [text(tests, name)[at]]
        parts.append(tests[f"{name}_state"].to_numpy()[at].astype(np.int64))
        for part in parts:
            total = (total ^ pd.util.hash_array(part)) * np.uint64(1099511628211) + np.uint64(1)
    return total, plain >= MIN_COPIED_FIGURES


def co2_below_outdoor(tests: pd.DataFrame, counts: np.ndarray) -> pd.DataFrame:
    """Carbon dioxide below that year's outdoor air, the tube's error allowed for, where no dryer takes it
    out.

    Columns: test, last (positions), lot, outlets (number), lowest, highest (upper ends of the readings,
    ppm), outdoor (ppm, lowest). One row a visit and tube lot. Airlines whose dryer is not desiccant; other
    supplies only where the dryer is stated and is none, refrigerant or membrane (charging compressors mostly
    have a filter that takes it out: common practice, no source). Readings so low that the judge doubts them
    already are not listed again.
    """
    _, upper = _ends(tests, "co2")
    day = days(tests)
    outdoor = outdoor_co2_on(tests["test_day"].to_numpy())
    demoted = {q["code"]: q for q in load_toml("queries.toml")["query"]}
    doubted = above(demoted["co2_below_outdoor"]["fraction"] * outdoor, upper) | above(
        demoted["co2_below_100"]["below"], upper
    )
    supply, dryer = text(tests, "supply"), text(tests, "dryer")
    passes_it = np.where(supply == "airline", dryer != "desiccant", np.isin(dryer, ("none", "refrigerant", "membrane")))
    low = counts & passes_it & ~doubted & ~by_laboratory(tests, "co2") & above(outdoor, upper / (1 - TUBE_ERROR))
    at = np.flatnonzero(low)
    if not len(at):
        return pd.DataFrame(columns=["test", "last", "lot", "outlets", "lowest", "highest", "outdoor"])
    at = at[np.argsort(day[at], kind="stable")]
    lot = text(tests, "co2_tube_lot")[at]
    frame = pd.DataFrame(
        {
            "group": group_codes(tests["visit"].to_numpy()[at], lot),
            "at": at,
            "lot": lot,
            "upper": upper[at],
            "outdoor": outdoor[at],
            "identity": tests["identity"].to_numpy()[at],
        }
    )
    return (
        frame.groupby("group")
        .agg(
            test=("at", "first"),
            last=("at", "last"),
            lot=("lot", "first"),
            outlets=("identity", "nunique"),
            lowest=("upper", "min"),
            highest=("upper", "max"),
            outdoor=("outdoor", "min"),
        )
        .reset_index(drop=True)
    )


def warm_days(tests: pd.DataFrame, counts: np.ndarray) -> pd.DataFrame:
    """Outlets that pass today, and whose records show a colder ambient than the pass is safe down to.

    Columns: test (position of the last counting test), seen (position of the test with the coldest ambient),
    coldest (degC), safe (degC), own (bool: seen at this outlet; else elsewhere on its site). The site's own
    records count where the last test states no lowest use temperature: what is stated is about this outlet's
    place.
    """
    known = outlets(tests, counts)
    last = known.last
    verdict = tests["verdict"].to_numpy()[last]
    safe = tests["safe_down_to_c"].to_numpy(dtype=float)[last]
    by_margin = (text(tests, "supply")[last] == "airline") | tests["warm_day"].to_numpy()[last]
    last = last[
        np.isin(verdict, (TEST_PASS, TEST_NEAR))
        & np.isfinite(safe)
        & by_margin
        & ~np.isin(known.identity, _removed(tests))
    ]
    lower, upper = _ends(tests, "ambient_temperature_c")
    # Of a bound the end that is known; a half-known one is at least as cold as its upper end.
    ambient = np.where(np.isfinite(lower), lower, upper)
    seen = np.flatnonzero(counts & np.isfinite(ambient))
    # Coldest first, then latest.
    seen = seen[np.lexsort((-days(tests)[seen].astype(np.int64), ambient[seen]))]
    coldest = {}
    for key in ("identity", "site_key"):
        first = pd.Series(seen, index=tests[key].to_numpy()[seen])
        first = first[~first.index.duplicated()]
        coldest[key] = first.reindex(tests[key].to_numpy()[last]).fillna(-1).to_numpy().astype(np.int64)
    safe = tests["safe_down_to_c"].to_numpy(dtype=float)[last]
    of_own, of_site = coldest["identity"], coldest["site_key"]
    stated = tests["lowest_use_temperature_c_state"].to_numpy()[last] != BLANK
    stated |= ~np.isnan(tests["use_past_c"].to_numpy()[last])
    with_gap = np.append(ambient, np.nan)  # position -1 is "none seen"
    by_outlet = above(safe, with_gap[of_own])
    site = ~by_outlet & ~stated & above(safe, with_gap[of_site])
    found = pd.DataFrame({"test": last, "seen": np.where(by_outlet, of_own, of_site), "safe": safe, "own": by_outlet})
    found["coldest"] = with_gap[found["seen"].to_numpy()]
    return found[by_outlet | site].reset_index(drop=True)


def _removed(tests: pd.DataFrame) -> np.ndarray:
    """Identities whose latest row, visited or not, says that the outlet has been removed: int, any length."""
    at = np.flatnonzero(tests["dated"].to_numpy() & ~tests["replaced"].to_numpy())
    identity = tests["identity"].to_numpy()[at]
    order = np.lexsort((at, days(tests)[at], identity))
    identity = identity[order]
    last = np.append(identity[1:] != identity[:-1], True)[: len(at)]
    return identity[last & (text(tests, "outlet_status")[at][order] == "removed")]


def impossible_times(tests: pd.DataFrame, counts: np.ndarray) -> pd.DataFrame:
    """Days of one engineer on which the oil sampling written does not fit between the times written.

    Columns: test, last (positions), by (engineer, "" where not written), outlets, sites (numbers), sampling,
    span, short (minutes: sampling of all but the longest, first to last time, what is missing), same (bool:
    one time for all). Times may mean begin or end of a test; a day is listed only if neither fits, and by
    more than one sampling (tests may overlap by that) and CLOCK_MIN. All tests of an engineer on a day
    belong together, whatever the site; where no engineer is written, those of a visit.
    """
    take = counts & (tests["test_time_state"].to_numpy() == READ) & (tests["oil_state"].to_numpy() == READ)
    at = np.flatnonzero(take)
    if not len(at):
        return pd.DataFrame(columns=["test", "last", "by", "outlets", "sites", "sampling", "span", "short", "same"])
    by = text(tests, "tested_by")[at]
    engineer = by_unique(by, lambda name: " ".join(name.casefold().split()))
    visit = tests["visit"].to_numpy()[at]
    group = group_codes(engineer, np.where(engineer == "", visit, -1), days(tests)[at].astype(np.int64))
    minutes = tests["test_time"].to_numpy(dtype=float)[at]
    order = np.lexsort((at, minutes, group))
    frame = pd.DataFrame(
        {
            "group": group,
            "at": at,
            "minutes": minutes,
            "by": by,
            "sampling": _sampling(tests)[at],
            "identity": tests["identity"].to_numpy()[at],
            "site": tests["site_key"].to_numpy(dtype=object)[at],
        }
    ).iloc[order]
    done = frame.groupby("group")["sampling"].cumsum()
    lacking = []
    for ahead in (done - frame["sampling"], done):  # times of begin, times of end
        left = frame["minutes"] - ahead
        lacking.append((left.groupby(frame["group"]).cummax() - left).groupby(frame["group"]).max())
    days_of = frame.groupby("group").agg(
        test=("at", "first"),
        last=("at", "last"),
        by=("by", "first"),
        outlets=("identity", "nunique"),
        sites=("site", "nunique"),
        sampling=("sampling", "sum"),
        longest=("sampling", "max"),
        begin=("minutes", "min"),
        end=("minutes", "max"),
    )
    days_of["short"] = np.minimum(lacking[0].to_numpy(), lacking[1].to_numpy())
    days_of["span"] = days_of["end"] - days_of["begin"]
    days_of["same"] = days_of["span"] == 0
    days_of["sampling"] -= days_of["longest"]
    listed = (days_of["outlets"] >= 3) & (days_of["short"] > days_of["longest"] + CLOCK_MIN)
    return days_of[listed].drop(columns=["begin", "end", "longest"]).reset_index(drop=True)


def _sampling(tests: pd.DataFrame) -> np.ndarray:
    """Minutes of oil sampling of each test: as written, else as needed, else the usual; the least a bound
    allows."""
    minutes = np.full(len(tests), USUAL_OIL_SAMPLING_MIN)
    for name in ("oil_sampling_needed_min", "oil_sampling_min"):
        lower, _ = _ends(tests, name)
        minutes = np.where(np.isfinite(lower) & at_least(lower, 0.0), lower, minutes)
    return minutes
