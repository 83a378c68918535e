"""The table of warning thresholds: python -m tests.bench.make_thresholds > grader/data/wear_thresholds.csv

Steady series (normal, independent) are simulated and put through grader.review.statistics.wear.change itself. The
stated uncertainty, below which a scatter is never taken, is 0.8 of the true scatter: with a far smaller one few
older visits could say nothing, with a larger one there are fewer false warnings than counted on.

`python -m tests.bench.make_thresholds seen` prints the chance to see sudden changes with the table there is.
"""

from __future__ import annotations

import sys

import numpy as np

from grader.data import load_toml
from grader.review.statistics.wear import change, recent_readings

SERIES = 400_000
STATED = 0.8
MOST_OLDER = 40
# One false `worse` a site in five years, one in 40 site-years for what is called wearing out: about 30 series a site
# and four visits a year make 600 and 4,800 chances.
CHANCES = {"worse": 1 / 600, "wearing_out": 1 / 4800}


def steady(n: int, rng: np.random.Generator, data: dict, count: int = SERIES):
    """Weighted changes of `count` steady series of n visits: (older visits, float (count,))."""
    return weighed(rng.standard_normal((count, n)), data)


def weighed(values: np.ndarray, data: dict):
    """Weighted changes upwards of series, one a row, of true scatter 1: (older visits, float (rows,))."""
    count, n = values.shape
    series = np.repeat(np.arange(count), n)
    found = change(
        series,
        np.zeros(series.size, dtype=np.int64),
        values.ravel(),
        values.ravel(),
        np.full(count, STATED),
        count,
        weight=data["weight"],
        slack=data["slack"],
        recent=lambda k: recent_readings(k, data["recent_fewest"], data["recent_most"], data["recent_share"]),
    )
    return int(found.older[0]), found.up


def seen() -> None:
    """Print how often a sudden change of 1, 2, 3 scatters is seen at one of the first two, four visits after it."""
    from grader.review.wear.table import thresholds

    data, (known, *levels) = load_toml("wear.toml"), thresholds()
    for before in (6, 12, 20):
        for shift in (1, 2, 3):
            rng = np.random.default_rng(before)
            values = rng.standard_normal((40_000, before + 4))
            values[:, before:] += shift
            found = [np.zeros(len(values), dtype=bool) for _ in levels]
            for after in (1, 2, 3, 4):
                older, up = weighed(values[:, : before + after], data)
                found = [f | (up > np.interp(older, known, level)) for f, level in zip(found, levels)]
                if after in (2, 4):
                    said = ", ".join(f"{name} {100 * f.mean():.0f} %" for name, f in zip(CHANCES, found))
                    print(f"{before} older visits, change of {shift} scatters, within {after} visits: {said}")


def main() -> None:
    """Print the table; progress goes to standard error."""
    if sys.argv[1:] == ["seen"]:
        seen()
        return
    rng, data = np.random.default_rng(15), load_toml("wear.toml")
    table: dict[int, list[float]] = {}
    n = data["fewest_older"] + data["recent_fewest"]
    older = 0
    while older < MOST_OLDER:
        older, up = steady(n, rng, data)
        found = np.quantile(up, [1 - chance for chance in CHANCES.values()])
        table[older] = np.maximum(found, table.get(older, found)).tolist()
        print(n, older, np.round(found, 2), file=sys.stderr)
        n += 1 if older < 15 else 5
    print("# Thresholds of the weighted change, in usual scatters, by number of older visits (python -m")
    print("# tests.bench.make_thresholds): exceeded by chance at one visit in 600 (worse), in 4,800 (wearing_out).")
    print(",".join(["older", *CHANCES]))
    for older in sorted(table):
        print(f"{older},{table[older][0]:.2f},{table[older][1]:.2f}")


if __name__ == "__main__":
    main()
