"""In which order the rows of a sheet stand in the workbook: what needs doing first, on its first printed page."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from grader.columns import TEST_WORDS
from grader.review.history import as_day, months_after

RECENT_MONTHS = 12


def urgent_first(frames: Mapping[str, pd.DataFrame], as_of: object) -> dict[str, np.ndarray]:
    """Sheet -> positions of its rows, the most urgent first; what is equally urgent stays in its order.

    frames  : sheet name -> table. as_of : the day of the run.
    Returns : int (n,) for Verdicts (tests of the last 12 months or without a date before older ones, the worse
              verdict first, the newest first), Years (by fails in the last year) and Sources (refused files, then those
              with refused rows); other tables come in their order.
    """
    verdicts, sources = frames["Verdicts"], frames["Sources"]
    day = verdicts["Test date"].to_numpy().astype("datetime64[D]")
    since = months_after(np.array([as_day(as_of)]), -RECENT_MONTHS)[0]
    age = (as_day(as_of) - day).astype(np.int64)
    rank = {word: number for number, word in enumerate(TEST_WORDS)}
    order = {
        "Verdicts": np.lexsort((age, -verdicts["Verdict"].map(rank).to_numpy(dtype=np.int64), day < since)),
        "Sources": np.lexsort((sources["Rows refused"].to_numpy() == 0, sources["State"].to_numpy() != "refused")),
    }
    fails = [name for name in frames.get("Years", pd.DataFrame()).columns if str(name).endswith(" fails")]
    if fails:
        order["Years"] = np.argsort(-frames["Years"][max(fails)].to_numpy(), kind="stable")
    return order
