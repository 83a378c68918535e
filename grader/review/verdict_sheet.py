"""The Verdicts sheet's table: one row a test, as it was read, computed and judged."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from grader.columns import (
    BLANK,
    COMPUTED,
    FIGURES,
    GASES,
    IN_WORDS,
    JUDGED,
    PARAMETERS,
    READ,
    SHEETS,
    SUPPLIED,
    TEST_WORDS,
    TUBE_GASES,
    VERDICT_WORDS,
)
from grader.figures import bounds
from grader.frames import objects, once_each, table_of, text
from grader.problems import a1
from grader.review.equipment import names_in_use
from grader.review.shown import column


def verdict_table(
    tests: pd.DataFrame,
    file_names: list[str],
    sheet_names: list[str],
    also: Mapping[str, np.ndarray] | None = None,
    past: Mapping[str, np.ndarray] | None = None,
) -> pd.DataFrame:
    """The table with the design's columns, and further ones behind them.

    tests       : judged table, n rows.
    file_names  : by file number. sheet_names : by table number.
    also        : heading -> object array (n,), what further rule sets say.
    past        : chances with the outlet's own past (review/past.py), by key of the verdict.
    Returns     : n rows, in order. A plain reading is a number, a bound or a word its text, a date a date.
    """
    verdict_words = np.array(VERDICT_WORDS, dtype=object)
    columns: dict[str, np.ndarray] = {
        "Site": text(tests, "site"),
        "Outlet": text(tests, "outlet"),
        "System": text(tests, "system"),
        "Test date": tests["test_day"].to_numpy(),
        "Verdict": np.array(TEST_WORDS, dtype=object)[tests["verdict"].to_numpy()],
        "Reasons": text(tests, "reasons"),
        "Rule set": np.where(text(tests, "ruleset") != "", text(tests, "ruleset"), text(tests, "rule_set")),
        "Supply": text(tests, "supply"),
        "Dew point judged at (bar)": tests["dew_judged_at_bar"].to_numpy(),
        "Lowest use temperature (°C)": tests["use_temperature_c"].replace([np.inf, -np.inf], np.nan).to_numpy(),
        "Safe down to (°C)": tests["safe_down_to_c"].to_numpy(),
        "File": np.array(file_names, dtype=object)[tests["file"].to_numpy()],
        "Sheet": np.array(sheet_names, dtype=object)[tests["table"].to_numpy()],
        "Row": tests["row"].to_numpy() + 1,
    }
    for key in (*GASES, *SUPPLIED):
        columns[PARAMETERS[key].heading] = column(as_judged(tests, key))
    for key in IN_WORDS:
        columns[PARAMETERS[key].heading] = text(tests, PARAMETERS[key].column)
    for key in COMPUTED:
        columns[PARAMETERS[key].heading] = column(computed(tests, key))
    for key in JUDGED:
        columns[PARAMETERS[key].verdict_heading] = verdict_words[tests[f"verdict_{key}"].to_numpy()]
    further = {
        "Client": text(tests, "client"),
        "Location": text(tests, "location"),
        "Dryer": text(tests, "dryer"),
        "Test time": _clock(tests),
        "Reason for visit": text(tests, "visit_reason"),
        "Tested by": text(tests, "tested_by"),
        "Outlet status": text(tests, "outlet_status"),
        "Remarks": text(tests, "remarks"),
        "Counts in history": _standing(tests),
        "Instrument and lots": names_in_use(tests),
    }
    if "laboratory" in tests or "awaits" in tests:
        further["Laboratory reference"] = text(tests, "laboratory_reference")
    if "laboratory" in tests:
        further["Laboratory results"] = text(tests, "laboratory")
    for key in FIGURES:
        of = PARAMETERS[key].verdict_heading.removesuffix(" verdict")
        further[f"{of} chance over limit (%)"] = np.round(100.0 * tests[f"chance_over_{key}"].to_numpy(), 1)
        if past is not None:
            further[f"{of} chance with its past (%)"] = np.round(100.0 * past[key], 1)
    further.update(also or {})
    further["Dew point as tested (°C)"] = column(computed(tests, "dew_as_tested", "pressure_dew_point"))
    for kind in ("Client", "Site", "System", "Outlet"):
        as_written = text(tests, f"{kind.lower()}_as_written")
        if (as_written != "").any():
            further[f"{kind} as written"] = as_written
    across = tests["column"].to_numpy() >= 0
    if across.any():
        further["Cell"] = np.full(len(tests), "", dtype=object)
        place = zip(tests["row"].to_numpy()[across].tolist(), tests["column"].to_numpy()[across].tolist())
        further["Cell"][across] = [a1(row, column) for row, column in place]
    return table_of({**{name: columns[name] for name in SHEETS["Verdicts"]}, **further})


def as_judged(tests: pd.DataFrame, key: str) -> np.ndarray:
    """The reading of a parameter as it was judged: as it was read, or corrected for the pressure of the air."""
    cells = as_read(tests, PARAMETERS[key].column)
    if key in TUBE_GASES:
        corrected = (tests[f"{key}_factor"].to_numpy() != 1.0) & (tests[f"{key}_state"].to_numpy() == READ)
        cells = np.where(corrected, computed(tests, key), cells)
    return cells


def as_read(tests: pd.DataFrame, field: str) -> np.ndarray:
    """A number field as it was read: float, or the text of a bound, a word, or what could not be read."""
    value = tests[field].to_numpy(dtype=float)
    cells = text(tests, f"{field}_text")
    out = objects(value)
    lacking = np.isnan(value)
    out[lacking] = None
    written = lacking & (cells != "")
    out[written] = cells[written]
    return out


def computed(tests: pd.DataFrame, key: str, of: str = "") -> np.ndarray:
    """A computed figure: float where both ends are one, else the bound's text; None where there is none.

    key : of the columns. of : the parameter whose digits and range it has, where that is another key.
    """
    lower, upper = tests[f"{key}_lower"].to_numpy(), tests[f"{key}_upper"].to_numpy()
    read = tests[f"{key}_state"].to_numpy() == READ
    out = objects(lower)
    out[~(read & np.isfinite(lower))] = None
    parameter = PARAMETERS[of or key]
    open_ = tests[f"{key}_open"].to_numpy()
    for i in np.flatnonzero(read & (lower != upper)):
        out[i] = bounds(lower[i], upper[i], int(open_[i]), parameter.decimals, parameter.floor, parameter.ceiling)
    return out


def _clock(tests: pd.DataFrame) -> np.ndarray:
    minutes = tests["test_time"].to_numpy(dtype=float)
    out = np.full(len(tests), "", dtype=object)
    for i in np.flatnonzero(~np.isnan(minutes)):
        out[i] = f"{int(minutes[i]) // 60:02d}:{int(minutes[i]) % 60:02d}"
    return out


def _standing(tests: pd.DataFrame) -> np.ndarray:
    """Whether the test counts in history, and why not."""
    blank_date = tests["test_date_state"].to_numpy() == BLANK
    return once_each(
        np.select(
            [
                tests["replaced"].to_numpy(),
                tests["repeat_of"].to_numpy() >= 0,
                ~tests["visited"].to_numpy(),
                blank_date | np.isnat(tests["test_day"].to_numpy()),
                ~tests["dated"].to_numpy(),
                tests["superseded"].to_numpy(),
                tests["conflict"].to_numpy(),
            ],
            ["replaced", "repeat", "not visited", "no date", "date to come", "later test rules", "conflict"],
            "yes",
        )
    )
