"""Speed of the dew point: rows a second over a million rows, and against CoolProp called row by row.

Run from the project's folder:  python -m tests.bench.bench_humidity
"""

import time

import numpy as np
from CoolProp.HumidAirProp import HAPropsSI

from grader.compute.humidity.dew_point import absolute_pressure_pa, dew_point, mole_fraction

ROWS = 1_000_000
SAMPLE = 1_000


def main():
    random = np.random.default_rng(20260101)
    x = mole_fraction(np.exp(random.uniform(np.log(5.0), np.log(5000.0), ROWS)))
    pressure_pa = absolute_pressure_pa(random.uniform(0.0, 40.0, ROWS))
    dew_point(x[:10], pressure_pa[:10])  # the series are made at the first call

    start = time.perf_counter()
    found = dew_point(x, pressure_pa)
    seconds = time.perf_counter() - start
    print(f"dew_point: {ROWS:,} rows in {seconds:.2f} s, {ROWS / seconds:,.0f} rows/s")

    start = time.perf_counter()
    sample = zip(x[:SAMPLE], pressure_pa[:SAMPLE])
    reference = [HAPropsSI("Tdp", "T", 393.15, "P", p, "psi_w", w) - 273.15 for w, p in sample]
    per_row = (time.perf_counter() - start) / SAMPLE
    print(f"CoolProp in a loop: {SAMPLE:,} rows, {1.0 / per_row:,.0f} rows/s")
    print(f"ratio: {per_row * ROWS / seconds:,.0f}")
    print(f"largest difference on the sample: {np.abs(found[:SAMPLE] - reference).max():.5f} K")


if __name__ == "__main__":
    main()
