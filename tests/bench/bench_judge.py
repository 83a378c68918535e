"""How long the stages between reading and writing take, each stage's share, and how that grows with the rows.

    python tests/bench/bench_judge.py [rows]

Prints, never judges: no test is timed.
"""

from __future__ import annotations

import sys
import time
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[2]))

from grader import batch
from grader.report import problem_table
from grader.review.verdict_sheet import verdict_table
from tests.support import AIRLINE, CHARGING, CYLINDER, VISIT, log_of

STAGES = ("read_cells", "normalise", "compute_water", "assign_rules", "query_odd_supplies", "judge",
          "add_reasons", "also_judged")  # fmt: skip
RULES = ("", "", "", "osha-grade-d", "en12021-1998", "cga-grade-e")


def rows(count: int) -> list[dict[str, object]]:
    """Rows as a busy firm's log has them: 40 outlets a site, quarterly visits, one in ten incomplete."""
    rng = np.random.default_rng(1)
    made: list[dict[str, object]] = []
    for i in range(count):
        base = dict((AIRLINE, AIRLINE, AIRLINE, CYLINDER, CHARGING)[i % 5])
        visit, outlet = divmod(i, 40)
        site, quarter = divmod(visit, 12)
        base.update(
            site=f"Site {site}",
            outlet=f"Bay {outlet}",
            rule_set=RULES[i % len(RULES)] or None,
            test_date=date(2023, 1, 9) + timedelta(days=91 * quarter),
            co_ppm=float(rng.integers(0, 7)),
            co2_ppm=float(rng.integers(40, 54) * 10),
            oil_mg_m3="clear" if i % 3 else round(float(rng.random() * 0.6), 2),
            water_tube_mg_m3=float(rng.integers(10, 60) * 5),
            ambient_temperature_c=float(rng.integers(5, 25)),
        )
        if i % 10 == 0:
            base[("oxygen_pct", "water_multiplier", "lowest_use_temperature_c", "co_ppm")[i // 10 % 4]] = None
        made.append(base)
    return made


def measure(count: int) -> dict[str, float]:
    """Seconds of each stage."""
    log = log_of({"log.xlsx": ({k: v for k, v in VISIT.items() if k not in ("site", "test_date")}, rows(count))})
    seconds: dict[str, float] = {}

    def timed(name, call):
        def of(*arguments, **options):
            start = time.perf_counter()
            made = call(*arguments, **options)
            seconds[name] = seconds.get(name, 0.0) + time.perf_counter() - start
            return made

        return of

    with pytest.MonkeyPatch.context() as patch:
        for stage in STAGES:
            patch.setattr(batch, stage, timed(stage, getattr(batch, stage)))
        found = batch.judged(log, batch.Options(as_of=date(2026, 11, 25)))
    timed("verdict sheet", verdict_table)(found.tests, ["log.xlsx"], ["Readings"])
    timed("problem table", problem_table)(found.problems, log)
    return seconds


if __name__ == "__main__":
    most = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    small, large = measure(most // 10), measure(most)
    total = sum(large.values())
    print(f"{most} rows: {total:.2f} s")
    for stage, took in large.items():
        print(
            f"{stage:15s} {took:6.2f} s  share {took / total:5.1%}"
            f"  ten times the rows: {took / small[stage]:4.1f} times"
        )
