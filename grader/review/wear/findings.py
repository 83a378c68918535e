"""What wears out without having failed, as findings of the sheet Actions: one row a system (flow: an outlet)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from grader.columns import PARAMETERS, SHEETS
from grader.data import load_toml
from grader.figures import fixed, plain
from grader.frames import text
from grader.review.actions.facts import cause_list, parts_of
from grader.review.actions.findings import FURTHER
from grader.review.history import as_day
from grader.review.wear.table import Wear
from grader.words import words

WEARING = "worse"  # word in the column Verdict
NONE = "-"  # no figure


def wear_findings(
    tests: pd.DataFrame,
    wear: Wear,
    *,
    as_of: object,
    language: str = "en",
    file_names: Sequence[str] | None = None,
    sheet_names: Sequence[str] | None = None,
) -> tuple[pd.DataFrame, np.ndarray]:
    """The findings, the most urgent first.

    as_of : day of the run; where the limit was to be reached by then, the work is for now.
    file_names, sheet_names : by file and by table number; without them there is no such column.
    Returns : (frame, test). Columns as Actions has them; number of the test that each rests on, its system's latest.
    """
    at = np.flatnonzero(wear.finding)
    table, last = wear.table.iloc[at], tests.iloc[wear.last[at]]
    data, w = load_toml("causes.toml"), words(language)
    by_name = {p.name: p for p in PARAMETERS.values()}
    supplies, dryers, today = text(last, "supply"), text(last, "dryer"), as_day(as_of)
    parts = parts_of(last, np.array([by_name[name].key for name in table["Parameter"]], dtype=object), w)
    rows = []
    for i, row in enumerate(table.to_dict("records")):
        parameter = by_name[row["Parameter"]]
        cause_name = PARAMETERS[parameter.verdict_from].name if parameter.verdict_from else parameter.name
        causes = cause_list(data, cause_name, "high" if wear.side[at[i]] > 0 else "low", supplies[i], dryers[i])
        # What a whole system shows lies at the plant or before it, not at one outlet nor in one reading.
        at_plant = [c for c in causes["likely"] if row["Outlet"] or _level(data, c) in ("plant", "intake")]
        steps = [c for c in causes["check"] if c not in data["only_where_failed"]]
        # An instrument that reads off is sent in before the plant is searched.
        sent = [w["wear"]["send_in"].format(name=name)] if (name := wear.off[at[i]]) else []
        when = _day(row["Reaches limit on"])
        plan = "plan" if not when else "plan_by" if when > str(today) else "plan_now"
        rows.append(
            (
                row["Site"],
                row["Outlet"] or w["wear"]["whole_system"].format(system=row["System"]),
                row["Last test"],
                row["Parameter"],
                _sentence(row, wear.sign[at[i]], wear.quickens[at[i]], parameter.key, parts[i], w),
                f"{_figure(row['Now'])} {row['Unit']}",
                _limit(row["Limit"], wear.side[at[i]], row["Unit"], w["action"]),
                w["action"]["causes_join"].join(w["action_cause"][c] for c in at_plant),
                " ".join([*sent, *(w["action_step"][c] for c in steps), w["wear"][plan].format(day=when)]),
                "",
                w["action_where"]["named" if row["System"] else "unnamed"].format(system=row["System"]),
                WEARING,
                row["Since"],
                row["System"],
                supplies[i],
                dryers[i],
            )
        )
    frame = pd.DataFrame(rows, columns=[*SHEETS["Actions"], *FURTHER], dtype=object)
    for name in ("Test date", "First seen on"):
        frame[name] = frame[name].astype("datetime64[s]")
    for heading, names, column in (("File", file_names, "file"), ("Sheet", sheet_names, "table")):
        if names is not None:
            frame[heading] = np.array([*names, ""], dtype=object)[last[column].to_numpy()]
    frame["Row"] = last["row"].to_numpy() + 1
    return frame, last.index.to_numpy()


def _level(data: Mapping[str, Any], cause: str) -> str:
    """Where a cause sits: point, plant, intake or test."""
    return next((level for level, codes in data["level"].items() if cause in codes), "")


def _sentence(row: dict, sign: str, quickens: bool, key: str, moved_by: str, w: Mapping[str, Any]) -> str:
    say = w["wear"]
    usual = _figure(row["Usual"])
    since = say["since"].format(day=_day(row["Since"])) if _day(row["Since"]) else ""
    parts = [
        say["finding" if usual != NONE else "finding_no_usual"].format(
            name=w["parameter"][key],
            usual=usual,
            now=_figure(row["Now"]),
            unit=row["Unit"],
            since=since + (f" ({moved_by})" if moved_by else ""),
        )
    ]
    if sign:
        parts.append(say[sign])
    if when := _day(row["Reaches limit on"]):
        early, late = _day(row["Earliest date"]), _day(row["Latest date"])
        between = say["between" if late else "from"].format(early=early, late=late)
        way = say["quickening" if quickens else "straight"]
        parts.append(say["reaches"].format(day=when, between=between, way=way))
    return " ".join(parts)


def _limit(limit: object, side: int, unit: str, say: dict) -> str:
    if limit is None or limit != limit:
        return str(say["no_limit"])
    figure = limit if isinstance(limit, str) else fixed(float(limit), 2) if len(plain(limit)) > 6 else plain(limit)  # type: ignore[arg-type]
    if isinstance(limit, str):
        return f"{figure} {unit}"
    return str(say["at_most" if side > 0 else "at_least"].format(low=figure, high=figure, unit=unit))


def _figure(cell: object) -> str:
    """A cell of the sheet Wear as text."""
    if cell is None or cell != cell:
        return NONE
    return cell if isinstance(cell, str) else plain(round(float(cell), 3))  # type: ignore[arg-type]


def _day(moment: Any) -> str:
    return "" if pd.isna(moment) else str(moment)[:10]
