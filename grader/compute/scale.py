"""Readings beyond a tube's scale: they say no more than that there is at least so much."""

from __future__ import annotations

import numpy as np
import pandas as pd

from grader.columns import BLANK, BOUND, FIELDS, READ, UNREADABLE
from grader.data import load_toml
from grader.frames import above, with_columns
from grader.problems import Problems


def beyond_scale(tests: pd.DataFrame, problems: Problems) -> pd.DataFrame:
    """The table with every plain tube reading above its tube's highest mark turned into a bound.

    tests   : table after normalise, n rows. Only where the highest mark is given; one that cannot be read may
              be any, so such a reading is a bound too.
    Returns : table of n rows, same index. A reading keeps its lower end (a fail stays a fail) and its value as
              it was written; its upper end is open, so that it meets no upper limit (`demotes` of beyond_scale in
              data/queries.toml; without it the reading is only queried).
    """
    number = tests.index.to_numpy()
    demotes = next(q["demotes"] for q in load_toml("queries.toml")["query"] if q["code"] == "beyond_scale")
    new: dict[str, np.ndarray] = {}
    for name, field in FIELDS.items():
        if not field.highest_mark or (tests[f"{field.highest_mark}_state"].to_numpy() == BLANK).all():
            continue
        mark_state = tests[f"{field.highest_mark}_state"].to_numpy()
        # A mark written as a bound may be as low as its lower end.
        mark = np.where(mark_state == READ, tests[f"{field.highest_mark}_lower"].to_numpy(dtype=float), np.nan)
        lower = tests[f"{name}_lower"].to_numpy(dtype=float)
        upper = tests[f"{name}_upper"].to_numpy(dtype=float)
        plain = (tests[f"{name}_state"].to_numpy() == READ) & (lower == upper)
        over = plain & above(lower, mark)
        problems.add_tests("beyond_scale", number[over], name, mark=[f"{m:g}" for m in mark[over]])
        open_end = demotes & (over | (plain & (mark_state == UNREADABLE)))
        new[f"{name}_upper"] = np.where(open_end, np.inf, upper)
        new[f"{name}_how"] = np.where(open_end, BOUND, tests[f"{name}_how"].to_numpy())
    return with_columns(tests, new) if new else tests
