"""Raw rows through the real stages, without a workbook: what a firm writes in, the judged table out.

A row and a visit are dicts: field name (data/fields.toml) -> what the cell holds (number, text, date, None).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

import pandas as pd

from grader import grade
from grader.batch import Judged, Options, judged
from grader.problems import Place, Problems, Table
from grader.read.find import find_workbooks
from grader.read.log import Log, LogBuilder, LogFile
from grader.read.process import read_workbooks
from grader.result import Result
from grader.review.verdict_sheet import verdict_table

Row = Mapping[str, Any]
OPTIONS = Options(as_of=date(2026, 11, 25))
# A visit that leaves nothing to say, and an airline outlet behind a desiccant dryer that meets every rule of
# EN 12021. A test changes what it is about, so that one cause has one effect.
VISIT: dict[str, Any] = {
    "site": "North Works",
    "client": "Example Coatings",
    "test_date": date(2026, 3, 14),
    "visit_reason": "periodic",
    "instrument": "A1",
    "calibration_due": date(2027, 1, 31),
    "co_tube_expiry": date(2027, 1, 31),
    "co2_tube_expiry": date(2027, 1, 31),
    "oil_tube_expiry": date(2027, 1, 31),
    "water_tube_expiry": date(2027, 1, 31),
}
AIRLINE: dict[str, Any] = {
    "outlet": "Bay 1",
    "system": "Main",
    "supply": "airline",
    "dryer": "desiccant",
    "odour": "none",
    "line_pressure_bar": 6.0,
    "nominal_pressure_bar": 7.0,
    "lowest_pressure_bar": 4.0,
    "flow_l_min": 300.0,
    "flow_needed_l_min": 160.0,
    "oxygen_pct": 20.9,
    "co_ppm": 1.0,
    "co2_ppm": 430.0,
    "oil_mg_m3": 0.1,
    "oil_sampling_min": 15.0,
    "oil_sampling_needed_min": 15.0,
    "water_tube_mg_m3": 60.0,
    "water_multiplier": 1.0,
    "airline_temperature_c": 18.0,
    "ambient_temperature_c": 17.0,
    "lowest_use_temperature_c": 5.0,
}
CYLINDER: dict[str, Any] = {
    "outlet": "Bank 1",
    "system": "Store",
    "supply": "cylinder",
    "odour": "none",
    "line_pressure_bar": 190.0,
    "nominal_pressure_bar": 200.0,
    "oxygen_pct": 20.9,
    "co_ppm": 1.0,
    "co2_ppm": 430.0,
    "oil_mg_m3": 0.1,
    "oil_sampling_min": 15.0,
    "water_tube_mg_m3": 20.0,
    "water_multiplier": 1.0,
}
CHARGING: dict[str, Any] = {
    **{k: v for k, v in CYLINDER.items() if k not in ("line_pressure_bar", "nominal_pressure_bar")},
    "outlet": "Panel",
    "supply": "charging compressor",
}
ROWS = {"airline": AIRLINE, "cylinder": CYLINDER, "charging compressor": CHARGING}


def log_of(files: Mapping[str, tuple[Row, Sequence[Row]]]) -> Log:
    """The Log of files as the reading stage makes it: name -> (what Visit says, rows of Readings)."""
    builder = LogBuilder()
    for name, (visit, rows) in files.items():
        builder.add_file(LogFile(name, name, "xlsx", "0" * 64, 1, len(rows)))
        fields = list(dict.fromkeys(["outlet", *(field for row in rows for field in row)]))
        builder.add_table(
            Table(
                "Readings",
                places={field: Place("Readings", None, c) for c, field in enumerate(fields)},
                constants={field: (Place("Visit", r, 1), value) for r, (field, value) in enumerate(visit.items())},
                rows=list(range(1, len(rows) + 1)),
                columns={field: [row.get(field) for row in rows] for field in fields},
            )
        )
    return builder.build([])


def graded_log(log: Log, rules: str | None = None, as_of: str = "2026-11-25") -> tuple[pd.DataFrame, Problems]:
    """A Log through every stage up to the reasons: (judged table, problems)."""
    found = judged(log, Options(rules, date.fromisoformat(as_of)))
    return found.tests, found.problems


def graded(
    rows: Sequence[Row], visit: Row | None = None, rules: str | None = None, as_of: str = "2026-11-25"
) -> tuple[pd.DataFrame, Problems]:
    """Rows of one file, judged. visit : None is VISIT; give {} for a log without a Visit sheet."""
    return graded_files({"log.xlsx": (VISIT if visit is None else visit, rows)}, rules, as_of)


def graded_files(
    files: Mapping[str, tuple[Row, Sequence[Row]]], rules: str | None = None, as_of: str = "2026-11-25"
) -> tuple[pd.DataFrame, Problems]:
    """Rows of several files, judged; files as for log_of."""
    return graded_log(log_of(files), rules, as_of)


def read_and_judged(paths: Any, rules: str | None = None, as_of: str = "2026-11-25") -> Judged:
    """Files and folders, read and judged: a run without what is made of the judged table besides."""
    problems = Problems()
    log = read_workbooks(find_workbooks(paths, problems), problems)
    return judged(log, Options(rules, date.fromisoformat(as_of)), problems)


def verdicts_of(found: Judged) -> pd.DataFrame:
    """The sheet Verdicts of what was judged, without the chances with the past."""
    names, sheets = [str(n) for n in found.log.files["name"]], [t.sheet for t in found.log.tables]
    return verdict_table(found.tests, names, sheets)


@cache
def demo_result() -> Result:
    """The demo's three years graded as of its day, once for all tests of a process: change nothing in it."""
    return grade(Path(__file__).parents[1] / "demo" / "inbox", as_of="2026-11-25")


def codes_of(problems: Problems, test: int) -> set[str]:
    """Codes of the problems that name one test."""
    return {b.code for b in problems.batches if b.tests is not None and test in list(b.tests)}


class Case(NamedTuple):
    """What one case of many says: a file of its own at a site of its own, so that no case speaks for another."""

    rows: Sequence[Row]
    visit: Row
    rules: str | None = None


def graded_apart(cases: Sequence[Case]) -> list[tuple[pd.DataFrame, set[str]]]:
    """Each case's judged rows and the codes of the problems of its first, from one run for each rule set asked for.

    cases : in any number; a visit's site, where it names one, becomes a site of that case alone.
    """
    found: list[tuple[pd.DataFrame, set[str]]] = [(pd.DataFrame(), set())] * len(cases)
    for rules in dict.fromkeys(case.rules for case in cases):
        numbers = [i for i, case in enumerate(cases) if case.rules == rules]
        files = {}
        for i in numbers:
            visit = cases[i].visit
            files[f"case {i}.xlsx"] = (
                {**visit, "site": f"{visit['site']} {i}"} if "site" in visit else visit,
                cases[i].rows,
            )
        tests, problems = graded_files(files, rules)
        codes: dict[int, set[str]] = {}
        for batch in problems.batches:
            for test in batch.tests or ():
                codes.setdefault(int(test), set()).add(batch.code)
        for i, (_, rows) in zip(numbers, tests.groupby("file", sort=True)):
            found[i] = rows.reset_index(drop=True), codes.get(int(rows.index[0]), set())
    return found
