"""Time of the history: python -m tests.bench.bench_history [outlets] [visits]

Prints the seconds of each table for a fabricated history (default 5,000 outlets of 20 visits: 100,000 tests).
"""

from __future__ import annotations

import sys
import time

import numpy as np

from grader.problems import Problems
from grader.review.due import due_table
from grader.review.history import left_out, old_sources, readings, slips
from grader.review.sites import sites_table
from grader.review.trend import trend_table
from grader.review.wear.table import wear_table
from grader.review.years import years_table
from tests.review.tables import many


def main():
    outlets, visits = (int(a) for a in (sys.argv[1:] + ["5000", "20"])[:2])
    tests = many(outlets, visits)
    problems, as_of = Problems(), np.datetime64("2026-03-01")
    print(f"{len(tests)} tests, {outlets} outlets")
    total = 0.0
    wear = wear_table(tests, readings(tests), as_of=as_of)
    due = due_table(tests, as_of=as_of)
    for name, made in (
        ("trend_table", lambda: trend_table(tests, problems, as_of=as_of, wear=wear)),
        ("years_table", lambda: years_table(tests)),
        ("wear_table", lambda: wear_table(tests, readings(tests), as_of=as_of)),
        ("sites_table", lambda: sites_table(tests, due, as_of=as_of)),
        ("due_table", lambda: due_table(tests, as_of=as_of, problems=problems)),
        ("left_out", lambda: left_out(tests, problems)),
        ("slips", lambda: slips(tests, problems)),
        ("old_sources", lambda: old_sources(tests, int(tests["file"].max()) + 1, as_of=as_of)),
    ):
        began = time.perf_counter()
        made()
        seconds = time.perf_counter() - began
        total += seconds
        print(f"{name:<14}{seconds:8.2f} s")
    print(f"{'together':<14}{total:8.2f} s")


if __name__ == "__main__":
    main()
