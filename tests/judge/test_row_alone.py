"""A row stands alone: its verdicts, reasons and figures never depend on which rows stand beside it, nor on their order.

And it only ever gets worse: a worse reading, a missing one, a tighter limit never make a better verdict.
"""

from __future__ import annotations

import random
from datetime import date
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pandas as pd
import pytest

from grader import grade
from tests.judge.independent.compare import write_log
from tests.judge.independent.rows import AS_OF, HEADINGS, generate
from tests.support import read_and_judged, verdicts_of

Row = dict[str, Any]
WHERE = ["File", "Sheet", "Row"]  # the only columns that say where a row stands
GOOD = {"pass": 2, "near limit": 1}  # every other word: 0
VERDICTS = {
    "Oxygen (%)": "Oxygen verdict",
    "Carbon monoxide (ppm)": "Carbon monoxide verdict",
    "Carbon dioxide (ppm)": "Carbon dioxide verdict",
    "Oil (mg/m³)": "Oil verdict",
    "Water tube reading (mg/m³)": "Water verdict",
    "Water (mg/m³)": "Water verdict",
    "Dew point measured (°C)": "Water verdict",
    "Flow measured (L/min)": "Flow verdict",
}
# Information whose absence the design lets count as `not stated`: without it a verdict may be better.
NOT_STATED = {
    "Flow needed (L/min)": "not judged, where the flow needed is not stated",
    "Lowest pressure needed (bar)": "not judged, where the pressure needed is not stated",
    "Highest pressure allowed (bar)": "nothing to exceed",
    "Lowest use temperature (°C)": "the lowest of the temperatures that are given",
    "Ambient temperature (°C)": "the same; and an ambient below the use temperature that is stated",
    "Airline temperature (°C)": "the same; and without it no liquid water is found in the line",
    "Nominal pressure (bar)": "judged at the measured pressure alone",
    "Line pressure (bar)": "judged at the nominal pressure alone",
    "Atmospheric pressure (hPa)": "1013.25 hPa where none is given",
    "Correct tubes for pressure": "no correction is asked for",
    "Oil sampling time (min)": "a figure or a bound passes, noted `sampling time not stated`",
    "Oil sampling time needed (min)": "15 min where the need is not given",
    "Carbon monoxide tube expiry": "not stated changes no verdict",
    "Carbon dioxide tube expiry": "not stated changes no verdict",
    "Oil tube expiry": "not stated changes no verdict",
    "Water tube expiry": "not stated changes no verdict",
    "Calibration due": "not stated changes no verdict",
    "Liquid water seen": "not stated is not seen",
    "Water (mg/m³)": "a second figure: the other is judged alone",
    "Water tube reading (mg/m³)": "a second figure: the other is judged alone",
    "Dew point measured (°C)": "a second figure: the other is judged alone",
    "Dew point measured at (bar)": "belongs to the second figure",
    "Water tube multiplier": "one that cannot be read, and 1 is taken behind a desiccant or membrane dryer",
    "Test date": "without it no expiry is checked",
    "Rule set": "the default set is judged",
    "Carbon monoxide lowest mark (ppm)": "the mark of the data file is taken",
    "Carbon dioxide lowest mark (ppm)": "belongs to ND",
    "Oil lowest mark (mg/m³)": "the mark of the data file is taken",
    "Water lowest mark (mg/m³)": "belongs to ND",
}
NAMES = ("Site", "Client", "Outlet", "System", "Reason for visit", "Instrument serial number", "Test time")


# A cylinder that passes everywhere but for its water.
ROW: Row = dict.fromkeys(HEADINGS) | {
    "Client": "Example Coatings",
    "Test date": date(2026, 3, 14),
    "Outlet": "Bay 1",
    "Supply": "cylinder",
    "Dryer": "desiccant",
    "Odour": "none",
    "Line pressure (bar)": 200,
    "Nominal pressure (bar)": 200,
    "Oxygen (%)": 20.9,
    "Carbon monoxide (ppm)": 1,
    "Carbon dioxide (ppm)": 430,
    "Oil (mg/m³)": 0.1,
    "Oil sampling time (min)": 15,
    "Rule set": "osha-grade-d",
}


def verdicts(
    *tables: list[Row], headings: list[str] = HEADINGS, rules: str | None = None, past: bool = False
) -> pd.DataFrame:
    """Verdicts of one run over a file for each table, by site; past: with the columns that the whole run puts in besides."""
    with TemporaryDirectory() as folder:
        paths = [write_log(Path(folder) / f"log{place}.xlsx", table, headings) for place, table in enumerate(tables)]
        if past:
            return grade(paths, as_of=AS_OF, rules=rules).verdicts.set_index("Site", drop=False)
        return verdicts_of(read_and_judged(paths, rules, AS_OF.isoformat())).set_index("Site", drop=False)


@cache
def together(past: bool = False) -> tuple[list[Row], pd.DataFrame]:
    rows = generate(150, seed=41)
    return rows, verdicts(rows, past=past)


def check_same(found: pd.DataFrame, expected: pd.DataFrame) -> None:
    """Every cell is equal, figures to the last digit; where a row stands may differ, and whether an empty column is shown."""
    found = found.reindex(columns=found.columns.union(expected.columns))
    for column in expected.columns.difference(WHERE):
        for site, one, other in zip(expected.index, expected[column], found.loc[expected.index, column]):
            assert (pd.isna(one) and pd.isna(other)) or one == other, (site, column, one, other)


def test_alone_and_beside_others_is_the_same() -> None:
    rows, expected = together(past=True)
    for row in random.Random(7).sample(rows, 6):
        check_same(verdicts([row], past=True), expected.loc[[row["Site"]]])


def test_a_bound_among_plain_readings_changes_none_of_them() -> None:
    """29 CFR, dew points at one atmosphere near the limit: beside one cylinder of `<5`, near limits once became passes."""
    rows = [
        {**ROW, "Site": f"Yard {number}", "Water tube reading (mg/m³)": 30 + number / 3, "Rule set": rules}
        for number in range(60)
        for rules in [("osha-grade-d", "csa-z180.1-m85", "nfpa1989-2019")[number % 3]]
    ]
    expected = verdicts(rows)
    assert (expected["Verdict"] == "near limit").sum() > 5
    check_same(verdicts([*rows, {**ROW, "Site": "Other yard", "Water tube reading (mg/m³)": "<5"}]), expected)


def test_in_another_order_and_in_other_files_is_the_same() -> None:
    rows, expected = together(past=True)
    shuffled = random.Random(3).sample(rows, len(rows))
    check_same(verdicts(shuffled[:40], shuffled[40:45], shuffled[45:], past=True), expected)


def test_with_columns_in_another_order_is_the_same() -> None:
    rows, expected = together()
    check_same(verdicts(rows, headings=random.Random(5).sample(HEADINGS, len(HEADINGS))), expected)


def test_beside_a_hundred_others_is_the_same() -> None:
    rows, expected = together()
    check_same(verdicts([*generate(100, seed=42), *rows]), expected)


def test_doubled_is_the_same_twice() -> None:
    """A copy of a file is a repeat: shown each time with the same verdicts, and counted once."""
    rows, expected = together()
    found = verdicts(rows, rows)
    assert len(found) == 2 * len(rows)
    for file in found["File"].unique():
        half = found[found["File"] == file].drop(columns="Counts in history")
        check_same(half, expected.drop(columns="Counts in history"))


def worse(row: Row, heading: str) -> Any:
    """A worse reading than the one of the cell; None where the cell holds no plain number."""
    value = row.get(heading)
    if not isinstance(value, int | float) or isinstance(value, bool) or value <= 0:
        return None
    if heading == "Oxygen (%)":
        return (value - 0.7 if value < 20.9 else value + 0.7) if value > 1 else None
    if heading == "Flow measured (L/min)":
        return value * 0.9
    return value + 4 if heading.startswith("Dew point") else value * 1.3


def test_a_worse_reading_never_gives_a_better_verdict() -> None:
    rows = generate(500, seed=43)
    changed, headings = [], []
    for place, row in enumerate(rows):
        heading = list(VERDICTS)[place % len(VERDICTS)]
        changed.append({**row, heading: worse(row, heading)})
        headings.append(heading if changed[-1][heading] is not None else "")
    before, after = verdicts(rows), verdicts(changed)
    judged = 0
    for row, heading in zip(rows, headings):
        if not heading:
            continue
        one, other = before.loc[row["Site"]], after.loc[row["Site"]]
        if "not believable" in one["Reasons"]:  # too good to be true: a worse one may be believable
            continue
        judged += 1
        for column in (VERDICTS[heading], "Verdict"):
            assert GOOD.get(other[column], 0) <= GOOD.get(one[column], 0), (row, heading, other["Reasons"])
    assert judged > 100


def test_less_information_never_gives_a_better_verdict() -> None:
    rows = generate(700, seed=44)
    pick = random.Random(9)
    fields = [heading for heading in HEADINGS if heading not in NAMES and heading not in NOT_STATED]
    emptied = [pick.choice([one for one in fields if row[one] is not None] or fields) for row in rows]
    before = verdicts(rows)
    after = verdicts([{**row, heading: None} for row, heading in zip(rows, emptied)])
    for row, heading in zip(rows, emptied):
        one, other = before.loc[row["Site"], "Verdict"], after.loc[row["Site"], "Verdict"]
        assert GOOD.get(other, 0) <= GOOD.get(one, 0), (row, heading)


@pytest.mark.parametrize("heading", sorted(NOT_STATED))
def test_what_counts_as_not_stated_is_a_field_of_the_log(heading: str) -> None:
    assert heading in HEADINGS


TIGHTER = """
id = "tighter"
extends = "en12021-2014"
[[limit]]
parameter = "Oxygen"
kind = "range"
min = 20.5
max = 21.5
unit = "%"
[[limit]]
parameter = "Carbon monoxide"
max = 2.0
unit = "ppm"
[[limit]]
parameter = "Carbon dioxide"
max = 450.0
unit = "ppm"
[[limit]]
parameter = "Oil"
max = 0.15
unit = "mg/m³"
[[limit]]
parameter = "Water"
max = 10.0
unit = "mg/m³"
when = { supply = "charging compressor" }
[[limit]]
parameter = "Dew point margin"
kind = "margin"
min = 9.0
unit = "K"
at = "line"
reference = "lowest use"
when = { supply = "airline", temperature = "known" }
"""


def test_an_overlay_that_only_tightens_passes_nothing_that_its_base_fails(tmp_path: Path) -> None:
    overlay = tmp_path / "tighter.toml"
    overlay.write_text(TIGHTER, encoding="utf-8")
    rows = [{**row, "Rule set": None} for row in generate(400, seed=45)]
    base, tight = verdicts(rows), verdicts(rows, rules=str(overlay))
    columns = ["Verdict", *sorted(set(VERDICTS.values()))]
    for column in columns:
        better = [
            site for site in base.index if GOOD.get(tight.loc[site, column], 0) > GOOD.get(base.loc[site, column], 0)
        ]
        assert not better, (column, better)
    assert sum(tight["Verdict"] == "fail") > sum(base["Verdict"] == "fail")
