"""What was understood of every file, as the table of sheet Understood."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from grader.columns import FIELDS
from grader.problems import Place, Table, a1
from grader.read.column import shown
from grader.read.log import Log
from grader.read.words.units import UNTOLD

COLUMNS = ("File", "Sheet", "Table", "Field", "Column", "Unit", "How", "Sure", "Heading", "Examples")
OWN = "the program's own blank"
_EXAMPLES = 3


def understood_table(log: Log) -> pd.DataFrame:
    """One row a file, table and field; one row a table that has the headings of the blank.

    Returns : DataFrame with COLUMNS, all texts but Table (the how-manieth of its sheet). Column is a letter,
              "row 7" where outlets run across, or the cell of a single value.
    """
    lines: list[tuple[Any, ...]] = []
    names = log.files["name"].to_list()
    starts, stops = _spans(log)
    count: dict[tuple[int, str], int] = {}
    for number, table in enumerate(log.tables):
        first = number - table.parts_before
        key = (table.file, table.sheet)
        if first == number:
            count[key] = count.get(key, 0) + 1
        where = (names[table.file], table.sheet, count.get(key, 1))
        if table.own and first == number:
            lines.append((*where, "all", "", "", OWN, "certain", "", ""))
        for field, (heading, how, sure) in table.how.items():
            if first != number and how == log.tables[first].how.get(field, ("", "", ""))[1]:
                continue
            examples = _examples(log, table, field, starts[number], stops[number])
            what = FIELDS[field].heading, _column(table, field), _unit(table, field)
            lines.append((*where, *what, how, sure, heading, examples))
    return pd.DataFrame(lines, columns=list(COLUMNS), dtype=object).astype({"Table": "int64"})


def in_short(table: pd.DataFrame) -> pd.DataFrame:
    """The table as the result shows it: the files that are the program's own blank in one line a sheet, at the end.

    Where there are no others there is nothing to say: no line.
    """
    own = table["How"] == OWN
    if own.all():
        return table.iloc[:0]
    files = table["File"][own].groupby(table["Sheet"][own]).transform("nunique")
    once = table[own].assign(File=table["File"][own].where(files == 1, files.astype(str) + " files"))
    return pd.concat([table[~own], once.drop_duplicates(["File", "Sheet"])], ignore_index=True)


def _spans(log: Log) -> tuple[np.ndarray, np.ndarray]:
    """First and last-but-one row of each table in log.rows, which are in the order of the tables."""
    table = log.rows["table"].to_numpy()
    numbers = np.arange(len(log.tables))
    return np.searchsorted(table, numbers, "left"), np.searchsorted(table, numbers, "right")


def _column(table: Table, field: str) -> str:
    place: Place | None = table.places.get(field)
    if place is None and field in table.constants:
        place = table.constants[field][0]
    if place is None:
        return ""
    if place.row is None:
        return a1(0, place.column or 0)[:-1]
    return f"row {place.row + 1}" if place.column is None else a1(place.row, place.column)


def _unit(table: Table, field: str) -> str:
    if table.how.get(field, ("", "", ""))[2] == "unsure":
        return ""
    unit = table.units.get(field, FIELDS[field].unit)
    return "not told" if unit == UNTOLD else unit


def _examples(log: Log, table: Table, field: str, start: int, stop: int) -> str:
    if field not in table.places and field in table.constants:
        return _text(table.constants[field][1])
    if field not in log.rows:
        return ""
    found: list[str] = []
    for value in log.rows[field].to_numpy()[start:stop]:
        if value is not None and _text(value) not in found:
            found.append(_text(value))
            if len(found) == _EXAMPLES:
                break
    return "; ".join(found)


def _text(value: Any) -> str:
    text = shown(value)
    return text if len(text) <= 40 else text[:39] + "…"
