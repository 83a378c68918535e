"""The sheets of the firm's registers as typed tables, read by the same cell readers as the logs."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cache
from typing import Any

import numpy as np
import pandas as pd

from grader.columns import BLANK, REGISTER, REGISTER_FIELDS, normal_heading
from grader.problems import Problems, Table, a1
from grader.read.cells import read_fields
from grader.read.column import cell_values
from grader.read.shapes.register import sheets_by_name
from grader.words import words


@dataclass
class Register:
    """What the firm entered once.

    sheets     : sheet -> one row a line, index 0 to n - 1: file (number), table, row (0-based, of the sheet), and for
             every column of the sheet those that grader/columns.py describes for a field of its kind.
    tables     : that `table` counts.
    file_names : by file number.
    """

    sheets: dict[str, pd.DataFrame]
    tables: list[Table] = field(default_factory=list)
    file_names: list[str] = field(default_factory=list)

    def __bool__(self) -> bool:
        return any(len(lines) for lines in self.sheets.values())

    @property
    def files(self) -> list[int]:
        """Numbers of the files that hold a register, in order."""
        return sorted({t.file for t in self.tables})

    def cell(self, sheet: str, line: int, column: str) -> tuple[int, str, str]:
        """File, name of the sheet as it stands, and address of one cell; of the line's first where the column is absent."""
        at = self.sheets[sheet].iloc[line]
        table = self.tables[int(at["table"])]
        place = table.places.get(column)
        return int(at["file"]), table.sheet, a1(int(at["row"]), place.column or 0 if place else 0)

    def say(self, problems: Problems, code: str, sheet: str, lines: Iterable[int], column: str, **params: Any) -> None:
        """A problem of one cell of each line. params : for the words, the same for all."""
        heading = REGISTER_FIELDS[column].heading
        for line in lines:
            file, name, address = self.cell(sheet, int(line), column)
            value = self.sheets[sheet][column].iloc[int(line)]
            value = "" if value is None or value != value else str(value).removesuffix(" 00:00:00")
            problems.add(code, file=file, sheet=name, cell=address, value=value, heading=heading, **params)


def read_register(
    tables: list[Table], file_names: list[str], problems: Problems, *, month_first: bool = False, language: str = "en"
) -> Register:
    """The registers of a run as one.

    tables     : sheets of registers, as the log has them. file_names : by file number.
    problems   : gets every cell that cannot be read, lines without what names them, sheets that are not there, and
                 that there are several registers.
    month_first, language : as for the cells of a log.
    Returns    : Register with every sheet, those that are not there without lines.
    """
    if not tables:
        return Register({name: lines.copy() for name, lines in _no_lines().items()}, tables, file_names)
    return _read(tables, file_names, problems, month_first, language)


@cache
def _no_lines() -> dict[str, pd.DataFrame]:
    return _read([], [], Problems(), False, "en").sheets


def _read(tables: list[Table], file_names: list[str], problems: Problems, month_first: bool, language: str) -> Register:
    found = Register({}, tables, file_names)
    for name, sheet in REGISTER.items():
        mine = [i for i, t in enumerate(tables) if sheets_by_name()[normal_heading(t.sheet)] is sheet]
        rows = _rows(tables, mine, sheet.columns)
        fields = [REGISTER_FIELDS[c] for c in sheet.columns]
        said = Problems()
        done, _ = read_fields(fields, rows, tables, said, month_first=month_first)
        columns: dict[str, Any] = {c: rows[c].to_numpy() for c in ("file", "table", "row")}
        for column, parts in done.items():
            columns.update({column + ending: values for ending, values in parts.items()})
        found.sheets[name] = pd.DataFrame(columns)
        _at_cells(said, found, name, rows, problems, words(language)["problem"])
        # A line that does not say what it is about is left out of the count; its cells were still looked at.
        lines = found.sheets[name]
        for column in sheet.needed:
            lacking = np.flatnonzero(lines[f"{column}_state"].to_numpy() == BLANK)
            found.say(problems, "register_line_lacks", name, lacking, column)
        used = np.all([lines[f"{c}_state"].to_numpy() != BLANK for c in sheet.needed], axis=0)
        found.sheets[name] = lines[used].reset_index(drop=True)
    for file in found.files:
        here = {normal_heading(t.sheet) for t in tables if t.file == file}
        absent = [name for name in REGISTER if normal_heading(name) not in here]
        if absent:
            problems.add("register_sheets_missing", file=file, missing=", ".join(absent))
    if len(found.files) > 1:
        problems.add("register_several", value=", ".join(file_names[f] for f in found.files), count=len(found.files))
    return found


def _rows(tables: list[Table], mine: list[int], columns: Iterable[str]) -> pd.DataFrame:
    """Raw lines of the tables with these numbers."""
    made: dict[str, Any] = {
        "file": np.repeat([tables[i].file for i in mine], [len(tables[i].rows) for i in mine]).astype(np.int64),
        "table": np.repeat(mine, [len(tables[i].rows) for i in mine]).astype(np.int64),
        "row": np.array([r for i in mine for r in tables[i].rows], dtype=np.int64),
    }
    count = len(made["row"])
    for column in columns:
        values = [v for i in mine for v in tables[i].columns.get(column) or [None] * len(tables[i].rows)]
        made[column] = pd.Series(np.fromiter(values, dtype=object, count=count), dtype=object)
    return pd.DataFrame(made, index=pd.RangeIndex(count))


def _at_cells(
    said: Problems, found: Register, sheet: str, rows: pd.DataFrame, problems: Problems, texts: dict[str, Any]
) -> None:
    """Problems of lines as problems of their cells; a note that holds for many lines is one."""
    for batch in said.batches:
        lines = list(batch.tests or ())
        if not lines:
            continue
        once = texts[batch.code]["severity"] == "note"
        raw = cell_values(rows, batch.field_name)[0] if batch.values is None else None
        for i, line in enumerate(lines[:1] if once else lines):
            each = {
                k: v[i] if isinstance(v, list | tuple | np.ndarray) and len(v) == len(lines) else v
                for k, v in batch.params.items()
            }
            file, name, address = found.cell(sheet, line, batch.field_name)
            value = batch.values[i] if batch.values is not None else raw[line] if raw is not None else ""
            heading = REGISTER_FIELDS[batch.field_name].heading
            problems.add(batch.code, file=file, sheet=name, cell=address, value=value, heading=heading, **each)
