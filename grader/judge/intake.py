"""Where a gas comes from: drawn in, made by the compressor, or not told apart. It changes no verdict."""

from __future__ import annotations

import numpy as np
import pandas as pd

from grader.columns import BLANK, FAIL, NEAR_LIMIT, PARAMETERS, PASS, READ
from grader.decided import COMPRESSOR, INTAKE, NOT_APART, NOT_MEASURED
from grader.frames import above, by_laboratory, text
from grader.judge.chances import Closeness
from grader.judge.limits_on import Applied, judge_interval

# Of two readings by one lot or instrument half of the variance is common to both, and drops out of their difference
# (judgement, no source; as for the readings of one visit on the sheet Wear).
OWN_SHARE = 0.5


def origin(tests: pd.DataFrame, key: str, applied: Applied, closeness: Closeness) -> np.ndarray:
    """Codes of decided.ORIGINS, int8 (n,).

    tests : table after compute_water. key : of a parameter with an intake field. applied : its limits.
    Rule  : design, "The register". The intake fails or is near limit: intake. Else the outlet above it by more than
            2 sqrt(u1² + u2²): compressor; u is the part of each reading's own where lot or instrument is one.
    """
    parameter = PARAMETERS[key]
    factor = tests["tube_factor"].to_numpy() if parameter.tube else 1.0
    least, most = (tests[f"{parameter.intake}_{e}"].to_numpy(dtype=float) * factor for e in ("lower", "upper"))
    open_, state = (tests[f"{parameter.intake}_{e}"].to_numpy() for e in ("open", "state"))
    there = (state != BLANK) & (text(tests, "supply") != "cylinder")
    of_intake = (least, most, open_, state)
    verdict = judge_interval(*of_intake, applied)
    limits = applied.low_strict, applied.high_strict
    close = closeness.decide(key, of_intake, limits, verdict, np.zeros(len(tests), dtype=np.int8)).verdict
    lower, upper = (tests[f"{key}_{end}"].to_numpy(dtype=float) for end in ("lower", "upper"))
    u = closeness.standard[key].at
    with_lot = text(tests, f"{parameter.tube}_tube_lot" if parameter.tube else "instrument") != ""
    share = np.where(with_lot & ~by_laboratory(tests, key), OWN_SHARE, 1.0)
    with np.errstate(invalid="ignore"):
        apart = above(lower - most, 2.0 * np.sqrt(share * (u(lower) ** 2 + u(most) ** 2)))
    apart &= (tests[f"{key}_state"].to_numpy() == READ) & (close == PASS)
    found = np.select([np.isin(close, (FAIL, NEAR_LIMIT)), apart], [INTAKE, COMPRESSOR], NOT_APART)
    return np.where(there, found, NOT_MEASURED).astype(np.int8)
