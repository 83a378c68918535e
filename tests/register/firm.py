"""A firm with a register, for tests: the sheets of one, and visits that leave blank what stands there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from functools import cached_property
from pathlib import Path
from typing import Any

from grader.batch import Result, run
from grader.report import problem_table
from grader.write.blank import write_blank
from grader.write.register import write_register
from tests.support import AIRLINE, VISIT, read_and_judged, verdicts_of

Lines = dict[str, list[dict[str, Any]]]
AS_OF = "2026-11-25"
# What a visit need not say where the register says it.
KNOWN = ("system", "supply", "dryer", "lowest_use_temperature_c", "nominal_pressure_bar", "flow_needed_l_min")
KNOWN += ("lowest_pressure_bar", "oil_sampling_needed_min")


def blanks(row: Mapping[str, Any] = AIRLINE, **changes: Any) -> dict[str, Any]:
    """An outlet whose readings alone are written down."""
    return {**{k: v for k, v in row.items() if k not in KNOWN}, **changes}


def visit(**changes: Any) -> dict[str, Any]:
    """A visit that states serial and lots, and neither calibration nor expiries."""
    stated = {k: v for k, v in VISIT.items() if not k.endswith("_expiry") and k != "calibration_due"}
    return {**stated, "oil_tube_lot": "0451", "co_tube_lot": "C7", **changes}


def register() -> Lines:
    """A register that fills all of it from 2026-01-01 on; the outlet passes by it."""
    day = date(2026, 1, 1)
    return {
        "Instruments": [
            {"instrument": "A1", "calibrated_on": day, "calibration_due": date(2026, 12, 31)},
        ],
        "Tubes": [
            {"parameter": "Oil", "tube_lot": "0451", "tube_expiry": date(2027, 6, 30), "lowest_mark": 0.1},
            {"parameter": "Carbon monoxide", "tube_lot": "C7", "tube_expiry": date(2027, 6, 30), "lowest_mark": 2},
        ],
        "Plant": [
            {"site": "North Works", "system": "Main", "part": "compressor", "changed_on": day,
             "oil_sampling_needed_min": 10},
        ],
        "Breathing equipment": [
            {"equipment": "Blast hood", "flow_needed_l_min": 140, "lowest_pressure_bar": 4, "from": day},
        ],
        "Outlets": [
            {"site": "North Works", "outlet": "Bay 1", "system": "Main", "supply": "airline", "dryer": "desiccant",
             "equipment": "Blast hood", "used_at_once": 2, "lowest_use_temperature_c": 5, "nominal_pressure_bar": 7,
             "from": day},
        ],
        "Laboratory": [],
        "Clearances": [
            {"site": "North Works", "outlet": "Bay 1", "cleared_on": day, "cleared_by": "N. N.", "grounds": "retest"},
        ],
        "Names": [{"what": "outlet", "written": "Bya 1", "means": "Bay 1"}],
    }  # fmt: skip


def graded(
    folder: Path,
    lines: Lines | None,
    rows: Sequence[Mapping[str, Any]] = (),
    stated: Mapping[str, Any] | None = None,
    **options: Any,
) -> Any:
    """A folder with one visit and a register (None: none), graded: a Result, or what serves as one."""
    folder.mkdir(parents=True, exist_ok=True)
    write_blank(folder / "visit.xlsx", visit=visit() if stated is None else stated, rows=list(rows or [blanks()]))
    if lines is not None:
        write_register(folder / "register.xlsx", lines=lines)
    return run(folder, as_of=AS_OF, **options) if options else Graded(folder)


class Graded:
    """Verdicts and problems of a folder without what the whole run makes besides; asked for more, it makes the whole run."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        found = read_and_judged(folder, as_of=AS_OF)
        self.verdicts = verdicts_of(found)
        self.problems, _ = problem_table(found.problems, found.log)

    @cached_property
    def whole(self) -> Result:
        return run(self.folder, as_of=AS_OF)

    def __getattr__(self, name: str) -> Any:
        return getattr(self.whole, name)


def only(result: Result) -> Any:
    """The one test of a result, as on Verdicts."""
    assert len(result.verdicts) == 1
    return result.verdicts.iloc[0]


def said(result: Result, text: str) -> Any:
    """Lines of Problems that hold a text."""
    return result.problems[result.problems["Problem"].str.contains(text, regex=False)]
