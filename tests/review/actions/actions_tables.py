"""Small judged tables for the tests of actions, made by the stages themselves from raw rows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from grader.problems import Place, Table
from grader.read.log import LogBuilder, LogFile
from grader.review.actions.findings import actions_table
from tests.support import graded_log

# Meets every limit of EN 12021:2014: 60 mg/m³ in an airline of 6 bar freezes out near -27 °C (computed).
GOOD: dict[str, Any] = {
    "site": "Mill",
    "outlet": "Bay 1",
    "system": "Hall",
    "test_date": "2026-03-02",
    "supply": "airline",
    "dryer": "desiccant",
    "odour": "none",
    "oxygen_pct": 20.9,
    "co_ppm": 1.0,
    "co2_ppm": 430.0,
    "oil_mg_m3": 0.1,
    "oil_sampling_min": 15.0,
    "water_tube_mg_m3": 60.0,
    "water_multiplier": 1.0,
    "line_pressure_bar": 6.0,
    "nominal_pressure_bar": 6.0,
    "airline_temperature_c": 20.0,
    "ambient_temperature_c": 20.0,
    "lowest_use_temperature_c": 5.0,
    "flow_l_min": 200.0,
    "flow_needed_l_min": 150.0,
    "calibration_due": "2027-01-31",
}


def judged(rows: Sequence[Mapping[str, Any]], as_of: str = "2026-06-30", rules: str | None = None) -> pd.DataFrame:
    """A judged table of one dict a test, each over GOOD; `file` (number) tells the files apart, default 0.

    A value of None leaves the cell blank.
    """
    whole = [{**GOOD, **row} for row in rows]
    builder = LogBuilder()
    names = []
    for file in range(max(row.get("file", 0) for row in whole) + 1):
        mine = [row for row in whole if row.get("file", 0) == file]
        names.append(f"visit{file}.xlsx")
        builder.add_file(LogFile(names[-1], names[-1], "xlsx", rows_found=len(mine)))
        fields = sorted({name for row in mine for name in row} - {"file"})
        builder.add_table(
            Table(
                "Readings",
                places={f: Place("Readings", None, i) for i, f in enumerate(fields)},
                rows=list(range(1, len(mine) + 1)),
                columns={f: [row.get(f) for row in mine] for f in fields},
            )
        )
    return graded_log(builder.build([]), rules, as_of)[0]


DAY1, DAY2, DAY3 = "2026-01-05", "2026-03-02", "2026-05-04"


def frame(*rows, **options):
    return actions_table(judged(rows, **options)).frame


def only(*rows, **options):
    found = frame(*rows, **options)
    assert len(found) == 1, found[["Parameter", "Finding"]]
    return found.iloc[0]


# Which findings stand open
