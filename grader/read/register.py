"""The sheets of the firm's registers as typed tables, read by the same cell readers as the logs."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cache
from typing import Any

import numpy as np
import pandas as pd

from grader.columns import (
    BLANK,
    BOUND,
    FIELDS,
    FRACTION,
    LABORATORY,
    PARAMETER_BY_NAME,
    PLAIN,
    REGISTER,
    REGISTER_FIELDS,
    UNREADABLE,
)
from grader.figures import plain
from grader.frames import text
from grader.problems import Problems, Table, a1
from grader.read.cells import read_fields
from grader.read.column import cell_values, shown
from grader.read.words.units import UNTOLD, belongs, canonical
from grader.words import words

RESULTS = "Laboratory"


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
        mine = [i for i, t in enumerate(tables) if t.orientation == name]
        rows = _rows(tables, mine, sheet.columns)
        fields = [REGISTER_FIELDS[c] for c in sheet.columns]
        said = Problems()
        done, _ = read_fields(fields, rows, tables, said, month_first=month_first)
        columns: dict[str, Any] = {c: rows[c].to_numpy() for c in ("file", "table", "row")}
        for column, parts in done.items():
            columns.update({column + ending: values for ending, values in parts.items()})
        found.sheets[name] = pd.DataFrame(columns)
        _at_cells(said, found, name, rows, problems, language)
        # A line that does not say what it is about is left out of the count; its cells were still looked at.
        lines = found.sheets[name]
        for column in sheet.needed:
            lacking = np.flatnonzero(lines[f"{column}_state"].to_numpy() == BLANK)
            found.say(problems, "register_line_lacks", name, lacking, column)
        used = np.all([lines[f"{c}_state"].to_numpy() != BLANK for c in sheet.needed], axis=0)
        found.sheets[name] = lines[used].reset_index(drop=True)
        if name == RESULTS:
            _read_results(found, rows[used].reset_index(drop=True), problems, language)
    for file in found.files:
        absent = [name for name in REGISTER if name not in {t.orientation for t in tables if t.file == file}]
        if absent:
            problems.add("register_sheets_missing", file=file, missing=", ".join(absent))
    if len(found.files) > 1:
        problems.add("register_several", value=", ".join(file_names[f] for f in found.files), count=len(found.files))
    return found


def _rows(tables: list[Table], mine: list[int], columns: Iterable[str]) -> pd.DataFrame:
    """Raw lines of the tables with these numbers, with those columns that one of them has."""
    made: dict[str, Any] = {
        "file": np.repeat([tables[i].file for i in mine], [len(tables[i].rows) for i in mine]).astype(np.int64),
        "table": np.repeat(mine, [len(tables[i].rows) for i in mine]).astype(np.int64),
        "row": np.array([r for i in mine for r in tables[i].rows], dtype=np.int64),
    }
    count = len(made["row"])
    for column in columns:
        if not any(tables[i].columns.get(column) for i in mine):
            continue  # a column that is not there costs nothing to read
        values = [v for i in mine for v in tables[i].columns.get(column) or [None] * len(tables[i].rows)]
        made[column] = pd.Series(np.fromiter(values, dtype=object, count=count), dtype=object)
    return pd.DataFrame(made, index=pd.RangeIndex(count))


def _read_results(found: Register, raw: pd.DataFrame, problems: Problems, language: str) -> None:
    """The results of the sheet Laboratory as columns figure, figure_lower ..., read as its parameter's own field is; further `key`.

    A result needs a unit, of its own or under Unit, and a figure: what a laboratory means by `none detected` it says as
    a bound. A result that cannot be read so is unreadable, which is never a pass.
    """
    lines = found.sheets[RESULTS]
    count = len(lines)
    results = cell_values(raw, "result")[0]
    made: dict[str, np.ndarray] = {f"figure{end}": np.full(count, None, dtype=object) for end in ("", "_text")}
    made |= {f"figure_{end}": np.full(count, np.nan) for end in ("lower", "upper")}
    made |= {f"figure_{end}": np.zeros(count, dtype=np.int8) for end in ("open", "state", "how")}
    parameter, stated = text(lines, "parameter"), text(lines, "unit")
    keys = np.array([p.key if (p := PARAMETER_BY_NAME.get(n)) else "" for n in parameter], dtype=object)
    other = np.flatnonzero(~np.isin(keys, list(LABORATORY)) & (lines["parameter_state"].to_numpy() != UNREADABLE))
    found.say(problems, "laboratory_parameter", RESULTS, other, "parameter", names=", ".join(_RESULT_NAMES))
    made["figure_state"][~np.isin(keys, list(LABORATORY))] = UNREADABLE
    for key, name in LABORATORY.items():
        mine = np.flatnonzero(keys == key)
        if not len(mine):
            continue
        number = FIELDS[name].kind == "number"
        units = [canonical(u) or u for u in stated[mine]] if number else [""] * len(mine)
        named = [u if u and belongs(name, u) else UNTOLD if number else "" for u in units]
        tables = [Table("", units={name: u} if u else {}) for u in dict.fromkeys(named)]
        codes = pd.factorize(np.array(named, dtype=object))[0]
        rows = pd.DataFrame({"table": codes.astype(np.int64)}, index=pd.Index(mine))
        rows[name] = pd.Series(results[mine], index=rows.index, dtype=object)
        said = Problems()
        done = read_fields([FIELDS[name]], rows, tables, said)[0][name]
        for ending, values in done.items():
            made[f"figure{ending}"][mine] = values
        if not number:
            continue
        # Words say what a tube shows: a laboratory's limit of detection is not its lowest mark.
        words_of_tubes = ~np.isin(done["_how"], (PLAIN, BOUND, FRACTION)) & (done["_state"] != BLANK)
        made["figure_state"][mine[words_of_tubes]] = UNREADABLE
        said.batches = [b for b in said.batches if not b.code.startswith(("word_", "not_detected"))]
        _at_cells(said, found, RESULTS, rows, problems, language, "result")
        told = {t for b in said.batches for t in b.tests or ()}
        state = made["figure_state"][mine]
        silent = (state == UNREADABLE) & ~np.isin(mine, list(told))
        found.say(problems, "laboratory_word", RESULTS, mine[silent & words_of_tubes], "result")
        found.say(problems, "laboratory_unit", RESULTS, mine[silent & ~words_of_tubes], "unit", usual=FIELDS[name].unit)
    for i, (result, unit) in enumerate(zip(results, stated)):
        # What was written as a fraction of one is shown as it was read, in the unit beside it.
        fraction = made["figure_how"][i] == FRACTION
        figure = "" if result is None or result != result else plain(made["figure"][i]) if fraction else shown(result)
        made["figure_text"][i] = " ".join(filter(None, (figure, unit if keys[i] != "odour" else "")))
    found.sheets[RESULTS] = lines.assign(key=keys, **made)


_RESULT_NAMES = tuple(name for name, p in PARAMETER_BY_NAME.items() if p.key in LABORATORY)


def _at_cells(
    said: Problems, found: Register, sheet: str, rows: pd.DataFrame, problems: Problems, language: str, column: str = ""
) -> None:
    """Problems of lines as problems of their cells; a note that holds for many lines is one. column : of all; "": own."""
    for batch in said.batches:
        lines = list(batch.tests or ())
        if not lines:
            continue
        once = words(language)["problem"][batch.code]["severity"] == "note"
        raw = cell_values(rows, batch.field_name)[0] if batch.values is None else None
        for i, line in enumerate(lines[:1] if once else lines):
            each = {
                k: v[i] if isinstance(v, list | tuple | np.ndarray) and len(v) == len(lines) else v
                for k, v in batch.params.items()
            }
            file, name, address = found.cell(sheet, line, column or batch.field_name)
            value = batch.values[i] if batch.values is not None else raw[line] if raw is not None else ""
            heading = REGISTER_FIELDS[column or batch.field_name].heading
            problems.add(batch.code, file=file, sheet=name, cell=address, value=value, heading=heading, **each)
