"""Problems, Sources and Limits as tables: addresses and wording are made here, once, at the end of a run."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime
from typing import Any, Protocol

import numpy as np
import pandas as pd

from grader.columns import FIELDS, SHEETS
from grader.figures import plain
from grader.frames import group_codes
from grader.problems import Place, Problems, Table, Unreadable, _Batch, a1
from grader.words import words

SEVERITIES = ("refused", "query", "note")


class LogLike(Protocol):
    """What is needed of the reading stage's Log."""

    files: pd.DataFrame
    tables: list[Table]
    rows: pd.DataFrame
    from_constant: dict[str, np.ndarray]


def value_text(value: Any) -> str:
    """A cell's value as the Problems sheet shows it; long ones are cut.

    >>> value_text(4.0), value_text(None), value_text("a" * 300)[-1]
    ('4', '', '…')
    """
    if value is None or (isinstance(value, float) and np.isnan(value)):
        return ""
    if isinstance(value, Unreadable):
        return value.shown
    if isinstance(value, datetime | date):
        return value.isoformat(sep=" ").removesuffix(" 00:00:00") if isinstance(value, datetime) else str(value)
    if isinstance(value, int | float) and not isinstance(value, bool):
        return plain(float(value))
    text = str(value)
    return text if len(text) <= 200 else text[:199] + "…"


class _Places:
    """Where a field of a test stands: sheet and A1 address."""

    def __init__(self, log: LogLike) -> None:
        self.log = log
        self.table = log.rows["table"].to_numpy() if len(log.rows) else np.empty(0, dtype=int)
        self.row = log.rows["row"].to_numpy() if len(log.rows) else np.empty(0, dtype=int)
        self.column = log.rows["column"].to_numpy() if len(log.rows) else np.empty(0, dtype=int)

    def place(self, test: int, field: str) -> Place:
        """The field's place; where the table has none, the outlet's, which names the row."""
        table = self.log.tables[self.table[test]]
        constant = field in self.log.from_constant and self.log.from_constant[field][test]
        if constant and field in table.constants:
            return table.constants[field][0]
        return table.places.get(field) or table.places.get("outlet") or Place(table.sheet, None, 0)

    def address(self, test: int, field: str) -> tuple[str, str]:
        """Sheet and A1 address."""
        place = self.place(test, field)
        row = self.row[test] if place.row is None else place.row
        column = place.column if place.column is not None else max(int(self.column[test]), 0)
        return place.sheet, a1(int(row), int(column))


def problem_table(problems: Problems, log: LogLike, language: str = "en") -> tuple[pd.DataFrame, np.ndarray]:
    """All problems as the sheet's table, and the test that each belongs to (-1: none).

    A note repeated in a file is one line with its count and range; so is a query of one cell that many tests
    rest on (an expiry on Visit), linked to the first of them. Other queries and refusals stand one a line.
    Order: refused, query, note; then file, sheet, row.
    """
    texts, times = words(language)["problem"], words(language)["problems"]["times"]
    places = _Places(log)
    names = log.files["name"].to_numpy(dtype=object) if len(log.files) else np.empty(0, dtype=object)
    lines: list[tuple[Any, ...]] = []
    for batch in problems.batches:
        entry = texts[batch.code]
        rank = SEVERITIES.index(entry["severity"])
        if batch.tests is None:
            name = str(names[batch.file]) if batch.file >= 0 else ""
            value = batch.values[0] if batch.values else ""
            said = {"field": "", "heading": "", **batch.params, "value": value_text(value), "file": name}
            lines.append(
                (
                    rank,
                    batch.file,
                    batch.sheet,
                    -1,
                    name,
                    batch.cell,
                    value_text(value),
                    entry["text"].format(**said),
                    entry["todo"].format(**said),
                    -1,
                )
            )
        else:
            lines.extend(_lines_of_tests(batch, entry, rank, places, names, times))
    lines.sort(key=lambda x: (x[0], x[1], x[2], x[3]))
    lines = _one_a_cell(lines, times)
    frame = pd.DataFrame(
        {
            "File": [x[4] for x in lines],
            "Sheet": [x[2] for x in lines],
            "Cell": [x[5] for x in lines],
            "Value": [x[6] for x in lines],
            "Severity": [SEVERITIES[x[0]] for x in lines],
            "Problem": [x[7] for x in lines],
            "What to do": [x[8] for x in lines],
        },
        columns=list(SHEETS["Problems"]),
        dtype=object,
    )
    return frame, np.array([x[9] for x in lines], dtype=np.int64)


def _one_a_cell(lines: list[tuple[Any, ...]], times: str) -> list[tuple[Any, ...]]:
    """Queries of one cell that say the same, as one line with their count; the order stays."""
    found: dict[tuple[Any, ...], list[tuple[Any, ...]]] = {}
    for number, line in enumerate(lines):
        rank, file, sheet, _, _, cell, value, text, todo, _ = line
        alike = (file, sheet, cell, value, text, todo) if cell and SEVERITIES[rank] == "query" else (number,)
        found.setdefault(alike, []).append(line)
    return [
        group[0] if len(group) == 1 else (*group[0][:7], group[0][7] + times.format(count=len(group)), *group[0][8:])
        for group in found.values()
    ]


def _lines_of_tests(
    batch: _Batch, entry: dict[str, str], rank: int, places: _Places, names: np.ndarray, times: str
) -> list[tuple[Any, ...]]:
    tests, rows = np.asarray(batch.tests), places.log.rows
    field = batch.field_name
    heading = FIELDS[field].heading if field in FIELDS else ""
    each = {
        k: v
        for k, v in batch.params.items()
        if isinstance(v, Sequence | np.ndarray) and not isinstance(v, str) and len(v) == len(tests)
    }
    fixed = {k: v for k, v in batch.params.items() if k not in each}
    values = batch.values
    if values is None:
        raw = rows[field].to_numpy()[tests].tolist() if field in rows and field in FIELDS else [None] * len(tests)
        values = [None if value != value else value for value in raw]  # a blank among figures is NaN
    files = rows["file"].to_numpy()[tests]
    if entry["severity"] == "note":
        shown = [value_text(v) for v in values] if "{value}" in entry["text"] else [""] * len(tests)
        keys = [files, places.table[tests], np.asarray(shown, dtype=object)]
        keys += [np.asarray([str(x) for x in v], dtype=object) for v in each.values()]
        groups = group_codes(*keys)
        order = np.lexsort((tests, groups))
        starts = np.flatnonzero(np.r_[True, np.diff(groups[order]) != 0])
        ends = np.r_[starts[1:], len(order)] - 1
        chosen = [(int(order[a]), int(order[b]), int(b - a + 1)) for a, b in zip(starts, ends)]
    else:
        chosen = [(i, i, 1) for i in range(len(tests))]
    lines = []
    for i, last, count in chosen:
        test = int(tests[i])
        sheet, cell = places.address(test, field)
        if count > 1:
            end = places.address(int(tests[last]), field)[1]
            cell = cell if end == cell else f"{cell}:{end}"
        value = value_text(values[i]) if count == 1 or "{value}" in entry["text"] else ""
        said = {
            **fixed,
            **{k: v[i] for k, v in each.items()},
            "value": value,
            "field": field,
            "heading": heading,
            "file": str(names[files[i]]),
        }
        text = entry["text"].format(**said)
        if count > 1:
            text += times.format(count=count)
        lines.append(
            (
                rank,
                int(files[i]),
                sheet,
                int(places.row[test]),
                str(names[files[i]]),
                cell,
                value,
                text,
                entry["todo"].format(**said),
                test,
            )
        )
    return lines


def source_table(log: LogLike, tests: pd.DataFrame, old: np.ndarray | None = None) -> pd.DataFrame:
    """One row a file: what was found, graded, refused, and the span of its tests.

    old : bool, one a file, whether all its tests are older than the usual keeping time. None: not worked out.
    """
    files = log.files
    count = len(files)
    graded = np.bincount(tests["file"].to_numpy(), minlength=count) if len(tests) else np.zeros(count, dtype=int)
    days = tests["test_day"].groupby(tests["file"].to_numpy()).agg(["min", "max"]).reindex(range(count))
    frame = pd.DataFrame(
        {
            "File": files["name"].to_numpy(dtype=object),
            "Format": files["format"].to_numpy(dtype=object),
            "SHA-256": files["sha256"].to_numpy(dtype=object),
            "Rows found": files["rows_found"].to_numpy(),
            "Rows graded": graded,
            "Rows refused": files["rows_refused"].to_numpy(),
            "First test": days["min"].to_numpy(),
            "Last test": days["max"].to_numpy(),
            "Rows passed over": files["rows_passed_over"].to_numpy(),
            "Size (bytes)": files["size"].to_numpy(),
            "State": files["state"].to_numpy(dtype=object),
            "Cannot be seen in this format": files["not_seen"].to_numpy(dtype=object),
        }
    )
    if old is not None:
        frame["Older than 5 years"] = np.where(old, "yes", "no")
    return frame


def unbalanced(sources: pd.DataFrame) -> pd.DataFrame:
    """The files for which rows found differ from rows graded plus rows refused: there must be none."""
    return sources[sources["Rows found"] != sources["Rows graded"] + sources["Rows refused"]]
