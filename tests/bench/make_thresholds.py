"""The table of warning thresholds: python -m tests.bench.make_thresholds > grader/data/wear_thresholds.csv

Steady series (normal, independent) are simulated and put through grader.review.statistics.wear.change itself. The
stated uncertainty, below which a scatter is never taken, is 0.8 of the true scatter: with a far smaller one few
older visits could say nothing, with a larger one there are fewer false warnings than counted on.
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


def steady(n: int, rng: np.random.Generator, data: dict, count: int = SERIES, shift: float = 0.0, last: int = 0):
    """Weighted changes of `count` series of n visits, the last ones shifted: (older visits, float (count,))."""
    values = rng.standard_normal((count, n))
    values[:, n - last :] += shift
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


def main() -> None:
    """Print the table; progress goes to standard error."""
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
