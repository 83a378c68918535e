"""The order of the rows in the workbook: what needs doing first."""

from __future__ import annotations

import numpy as np
import pandas as pd

from grader.review.urgent import urgent_first

SOURCES = pd.DataFrame({"State": ["read", "refused", "read"], "Rows refused": [0, 0, 2]})


def verdicts(*rows: tuple[str, str | None]) -> pd.DataFrame:
    return pd.DataFrame(
        {"Verdict": [v for v, _ in rows], "Test date": np.array([d for _, d in rows], dtype="datetime64[s]")}
    )


def test_recent_before_old_then_worse_before_better_then_newest():
    frame = verdicts(
        ("pass", "2026-03-01"),
        ("fail", "2024-01-01"),
        ("near limit", "2026-03-01"),
        ("fail", "2025-12-01"),
        ("incomplete", None),
        ("fail", "2026-02-01"),
        ("pass", "2025-03-14"),
        ("pass", "2025-03-13"),
    )
    order = urgent_first({"Verdicts": frame, "Sources": SOURCES}, "2026-03-14")
    assert order["Verdicts"].tolist() == [5, 3, 4, 2, 0, 6, 1, 7]
    assert order["Sources"].tolist() == [1, 2, 0]


def test_years_by_fails_in_the_last():
    years = pd.DataFrame({"2025 fails": [9, 0, 0], "2026 fails": [0, 1, 3]})
    order = urgent_first({"Verdicts": verdicts(), "Sources": SOURCES, "Years": years}, "2026-03-14")
    assert order["Years"].tolist() == [2, 1, 0]
