"""How early wear is told, and how often falsely: python -m tests.bench.bench_warning [fleets] [healthy fleets]

Fleets of simulated plant (tests/review/plant.py) are judged by the real stages and looked at after every quarter, as a
firm would. For each fault: share warned before the first fail, visits after onset; beside a plain regression and beside
what the Summary did before (rank correlation over the whole history, one false-discovery rate over all rows), both with
their thresholds set to the false alarms of the sheet Wear. Then the dates, and a firm ten times larger.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import stdtr

from grader.columns import FAIL, OPEN_LOWER, OPEN_UPPER, PARAMETERS
from grader.problems import Problems
from grader.review.history import HISTORY, Readings, readings
from grader.review.odd.oddities import oddities_table
from grader.review.statistics.ranks import false_discovery, kendall
from grader.review.wear.series import all_series
from grader.review.wear.shared import middle_of, years_of
from grader.review.wear.table import wear_table
from grader.review.works import stretches
from tests.review.plant import BEGIN, INTAKE, KINDS, TUBES, fleet
from tests.support import graded_log

YEARS, VISITS = 5, 4
FIRST_LOOK = 5
SITES = 40
TUBE_NAMES = [next(p.name for p in PARAMETERS.values() if p.tube == tube) for tube in TUBES]


@dataclass
class Looks:
    """What is seen at every look at one fleet: one row a look and series, and the faults with their first fails."""

    seen: pd.DataFrame
    truth: pd.DataFrame


def look_at(seed: int, sites: int, kinds: list[str], looks: list[int] | None = None) -> Looks:
    """One fleet, judged once and looked at after every quarter (or those named)."""
    made = fleet(seed, sites, YEARS, VISITS, kinds)
    tests, _ = graded_log(made.log, as_of="2026-11-25")
    day = tests["test_day"].to_numpy().astype("datetime64[D]")
    parts = []
    for number in looks or range(FIRST_LOOK, YEARS * VISITS + 1):
        until = np.datetime64(BEGIN) + int(number * 365.25 / VISITS) - 1
        parts.append(_look(tests[day <= until].reset_index(drop=True), until).assign(look=number, until=until))
    seen = pd.concat(parts, ignore_index=True).assign(seed=seed)
    return Looks(seen, _first_fails(tests, day, made.truth).assign(seed=seed))


def _look(tests: pd.DataFrame, until: np.datetime64) -> pd.DataFrame:
    read = readings(tests)
    wear = wear_table(tests, read, as_of=until)
    keys = {p.name: p.key for p in HISTORY}
    table = wear.table
    frame = pd.DataFrame(
        {
            "site": table["Site"],
            "system": table["System"],
            "outlet": table["Outlet"],
            "key": table["Parameter"].map(keys),
            "worse": table["State"] == "worse",
            "block": wear.finding,
            "fresh": table["Last test"].to_numpy() > until - np.timedelta64(92, "D"),
            "since": table["Since"],
            "best": table["Reaches limit on"],
            "early": table["Earliest date"],
            "late": table["Latest date"],
        }
    )
    frame["regression"] = _regression(tests, read)[np.argsort(_place(tests, read, wear))]
    before = pd.DataFrame({"row": wear.of_row, "p": _ranks_before(read)})
    before["found"] = false_discovery(before["p"].to_numpy(), 0.05)
    before = before[before["row"] >= 0].groupby("row").agg(p=("p", "min"), found=("found", "any"))
    frame["before"] = before["p"].reindex(range(len(frame))).to_numpy()
    frame["before_as_it_was"] = before["found"].reindex(range(len(frame)), fill_value=False).to_numpy()
    return frame


def _place(tests: pd.DataFrame, read: Readings, wear) -> np.ndarray:
    """Row of the sheet Wear of each series."""
    series = all_series(tests, read)
    taken = series.of_entry >= 0
    place = np.zeros(len(series.parameter), dtype=np.int64)
    place[series.of_entry[taken]] = wear.of_row[read.row[taken]]
    return place


def _regression(tests: pd.DataFrame, read: Readings) -> np.ndarray:
    """One-sided p of an ordinary regression of each series on time since the last work, towards the limit."""
    series = all_series(tests, read)
    k, stretch = len(series.parameter), stretches(tests, series.tests, series.day, series.parameter[series.row])
    last = np.zeros(k, dtype=np.int64)
    last[series.row] = stretch
    use = np.flatnonzero((stretch == last[series.row]) & np.isfinite(middle_of(series.lower, series.upper)))
    row, t = series.row[use], years_of(series.day[use])
    x = middle_of(series.lower, series.upper)[use]
    n = np.bincount(row, minlength=k)

    def total(values: np.ndarray) -> np.ndarray:
        return np.bincount(row, weights=values, minlength=k)

    with np.errstate(invalid="ignore", divide="ignore"):
        dt, dx = t - (total(t) / n)[row], x - (total(x) / n)[row]
        slope = total(dt * dx) / total(dt * dt)
        s = np.sqrt(total((dx - slope[row] * dt) ** 2) / np.maximum(n - 2, 1))
        side = np.where(series.of("direction") == "low", -1, 1)
        ratio = side * slope * np.sqrt(total(dt * dt)) / np.maximum(s, 1e-9)
        return np.where(n >= 5, stdtr(np.maximum(n - 2, 1).astype(float), -ratio), 1.0)


def _ranks_before(read: Readings) -> np.ndarray:
    """p of Kendall's S of every row of Readings where it leads to the limit, else 1."""
    used = np.flatnonzero(read.read & ~read.doubtful & (read.lower < np.inf) & (read.upper > -np.inf))
    k = len(read.outlet)
    open_ = read.open[used]
    found = kendall(
        read.row[used],
        read.lower[used],
        read.upper[used],
        open_ == OPEN_LOWER,
        open_ == OPEN_UPPER,
        years_of(read.day[used]),
        k,
    )
    side = np.array([-1 if p.direction == "low" else 1 for p in HISTORY])[read.parameter]
    enough = np.bincount(read.row[used], minlength=k) >= 5
    with np.errstate(invalid="ignore"):
        return np.where(enough & (found.s * side > 0), found.p, 1.0)


def _first_fails(tests: pd.DataFrame, day: np.ndarray, truth: pd.DataFrame) -> pd.DataFrame:
    """The faults with the day on which the parameter first failed after onset, NaT for never."""
    first = []
    for fault in truth.itertuples():
        verdict = "verdict_water" if fault.key == "pressure_dew_point" else f"verdict_{fault.key}"
        here = (tests["site"] == fault.site) & (tests["system"] == fault.system) & (tests[verdict] == FAIL)
        if fault.outlet:
            here &= tests["outlet"] == fault.outlet
        failed = day[here.to_numpy() & (day >= np.datetime64(fault.onset, "D"))]
        first.append(failed.min() if len(failed) else np.datetime64("NaT"))
    return truth.assign(first_fail=np.array(first, dtype="datetime64[s]"))


def named(frame: pd.DataFrame) -> pd.Series:
    """One name a series."""
    return frame["seed"].astype(str).str.cat([frame[c] for c in ("site", "system", "outlet", "key")], sep="|")


def episodes(healthy: pd.DataFrame, warns: np.ndarray) -> int:
    """Rows that begin to warn: a row that goes on warning counts once."""
    rows = healthy[warns].sort_values(["series", "look"])
    before = rows.groupby("series")["look"].shift()
    return int((before.isna() | (rows["look"] - before > 1)).sum())


def first_warning(seen: pd.DataFrame, truth: pd.DataFrame, warns: np.ndarray) -> pd.Series:
    """Day of the look that first warned of each fault after onset and before its first fail, NaT for none."""
    rows = seen.loc[warns & seen["fresh"], ["series", "until"]]
    merged = truth[["series", "onset", "first_fail"]].merge(rows, on="series")
    merged = merged[(merged["until"] >= merged["onset"]) & (merged["until"] < merged["first_fail"])]
    return truth["series"].map(merged.groupby("series")["until"].min())


def as_often(healthy: pd.DataFrame, column: str, wanted: int) -> float:
    """The largest threshold of a p with which healthy plant warns at most as often as wanted."""
    for p in np.logspace(-0.5, -9, 120):
        if episodes(healthy, (healthy[column] <= p).to_numpy()) <= wanted:
            return float(p)
    return 0.0


def main() -> None:
    """Print all tables."""
    fleets, healthy_fleets = (int(a) for a in (sys.argv[1:] + ["4", "6"])[:2])
    kinds = [*KINDS, *INTAKE]
    faulty = [look_at(1000 + n, 4 * len(kinds), kinds) for n in range(fleets)]
    seen, truth = (pd.concat([getattr(f, part) for f in faulty], ignore_index=True) for part in ("seen", "truth"))
    healthy = pd.concat([look_at(2000 + n, SITES, []).seen for n in range(healthy_fleets)], ignore_index=True)
    for frame in (seen, truth, healthy):
        frame["series"] = named(frame)
    truth = truth[truth["first_fail"].notna()].reset_index(drop=True)
    site_years = healthy_fleets * SITES * YEARS
    false = {name: episodes(healthy, healthy[name].to_numpy()) for name in ("worse", "block", "before_as_it_was")}
    methods = {name: seen[name].to_numpy() for name in false}
    for name, at in (("worse", "as Wear"), ("block", "as block")):
        for column in ("regression", "before"):
            p = as_often(healthy, column, false[name])
            methods[f"{column}, {at}"] = (seen[column] <= p).to_numpy()
            false[f"{column}, {at}"] = episodes(healthy, (healthy[column] <= p).to_numpy())
    plant = ~truth["kind"].isin(INTAKE)
    shares, visits = {}, {}
    for name, warns in methods.items():
        first = first_warning(seen, truth, warns)
        by_kind = first.notna().groupby(truth["kind"]).mean()
        by_kind["all plant faults"] = first.notna()[plant].mean()
        shares[name] = by_kind
        after = (first - truth["onset"]).dt.days / (365.25 / VISITS)
        visits[name] = after.groupby(truth["kind"]).median()
        visits[name]["all plant faults"] = after[plant].median()
    table = pd.DataFrame(shares).mul(100).round(0)
    table.insert(0, "faults", truth.groupby("kind").size().reindex(table.index).fillna(plant.sum()).astype(int))
    print("Warned before the first fail, %")
    print(table.to_string())
    print("\nVisits from onset to the first warning, median of those warned")
    print(pd.DataFrame(visits).round(1).reindex(table.index).to_string())
    print("\nFalse warnings on healthy plant, rows that begin to warn, for 40 sites a year; a site in five years")
    for name, count in false.items():
        print(f"{name:<28}{count * 40 / site_years:8.2f}{count * YEARS / site_years:8.2f}")
    _dates(seen, truth)
    _lots_and_drift(fleets)
    for sites in (SITES, 10 * SITES):
        large = look_at(3000, sites, [], [12, 16, 20]).seen
        large["series"] = named(large)
        counts = [large[name].sum() / sites / 3 for name in ("worse", "block")]
        print(f"\n{sites} sites, three looks: rows worse a site and look {counts[0]:.4f}, in the block {counts[1]:.4f}")


def _lots_and_drift(fleets: int) -> None:
    """Planted odd tube lots (30 % high) and a drifting oxygen cell (0.5 % a year in the last two years) on Oddities."""
    planted = {(f"{tube.upper()}-3", name) for tube, name in zip(TUBES, TUBE_NAMES)} | {("I1", "Oxygen")}
    found, others = 0, 0
    for number in range(fleets):
        made = fleet(4000 + number, SITES, YEARS, VISITS, odd_lot=0.3, drift=0.5)
        tests, _ = graded_log(made.log, as_of="2026-11-25")
        frame = oddities_table(tests, Problems(), as_of="2026-01-10").frame
        listed = set(zip(frame["What"], frame["Parameter"]))
        found += len(planted & listed)
        others += len(listed - planted)
    print(
        f"\nOddities of {fleets} firms with odd lots and a drifting instrument: {found} of {len(planted) * fleets} planted "
        f"ones listed, {others} others (lots differ by 6 %, instruments by 0.03 % oxygen, besides)"
    )


def _dates(seen: pd.DataFrame, truth: pd.DataFrame) -> None:
    dated = seen[seen["best"].notna() & seen["fresh"]].merge(
        truth[["series", "kind", "onset", "meets"]], on="series", how="inner"
    )
    dated = dated[(dated["until"] >= dated["onset"]) & (dated["until"] < dated["meets"])]
    dated = dated[((dated["until"] - dated["since"]).dt.days / (365.25 / VISITS)).round() >= 2]
    dated = dated[~dated["kind"].isin(INTAKE)]
    left = (dated["meets"] - dated["until"]).dt.days
    dated["error"] = (dated["best"] - dated["meets"]).dt.days
    dated["covered"] = (dated["early"] <= dated["meets"]) & ~(dated["late"] < dated["meets"])
    print("\nDates of wear that has shown on three visits, looks before the true day")
    print(f"interval covers {100 * dated['covered'].mean():.0f} % of {len(dated)}")
    for days in (365, 730):
        near = dated[left < days]
        print(
            f"limit under {days} days away: median error {near['error'].abs().median():.0f} days, "
            f"median {near['error'].median():+.0f} days, {len(near)} dates"
        )
    dated["width"] = (dated["late"] - dated["early"]).dt.days
    shape = dated["kind"].str.split(", ").str[1]
    for group in (shape, dated["kind"]):
        table = dated.groupby(group).agg(
            dates=("error", "size"),
            covered=("covered", lambda x: round(100 * x.mean())),
            error=("error", lambda e: e.abs().median()),
            width=("width", "median"),
            no_latest=("late", lambda x: round(100 * x.isna().mean())),
        )
        print(table.to_string())


if __name__ == "__main__":
    main()
