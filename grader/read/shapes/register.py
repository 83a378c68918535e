"""Tells a sheet of the firm's register, and takes its lines. No numpy, no pandas."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from functools import cache
from typing import Any

from grader.columns import FIELDS, REGISTER, REGISTER_FIELDS, RegisterSheet, normal_heading
from grader.problems import Place, Table, a1
from grader.read.shapes.tables import Note, Sheet, both, is_blank, number_of, shown, tidied
from grader.read.words.headings import understand

_COPY = re.compile(r"\s*\(\d+\)$")
LEAST_HEADINGS = 0.5  # of a sheet's, in a workbook that does not say it is a register
LEAST_UNNAMED = (
    0.75  # of a sheet's, under another name in a workbook that says so; fewer may be a log's (judgement, no source)
)


@cache
def sheet_named(name: str) -> RegisterSheet | None:
    """The sheet of a register that a name means; one that a program copied is the same sheet again.

    >>> sheet_named("tubes (2)") is sheet_named("Tubes"), sheet_named("Tubes 2026")
    (True, None)
    """
    wanted = normal_heading(_COPY.sub("", name))
    return next((sheet for sheet in REGISTER.values() if normal_heading(sheet.name) == wanted), None)


@cache
def _headings_of(kind: RegisterSheet) -> dict[str, str]:
    """Heading as it is compared -> column of a sheet of the register."""
    return {normal_heading(REGISTER_FIELDS[c].heading): c for c in kind.columns}


def _of_reading(heading: Any) -> bool:
    """Whether a heading may be that of a reading, which no register holds: its sheet is a log under such a name."""
    return any(FIELDS[name].reading for name in understand(shown(heading)).candidates)


class RegisterSheets:
    """Keeps back the sheets of a register while the others go on to be read as logs.

    stated : the workbook says that it is a register: the name of a sheet is enough, or its headings.
    tables : of the sheets kept back, orientation the name in REGISTER; `how` has nothing. notes : what is to be said of them.
    """

    def __init__(self, stated: bool) -> None:
        self.stated = stated
        self.tables: list[Table] = []
        self.notes: list[Note] = []

    def others(self, sheets: Iterable[Sheet]) -> Iterator[Sheet]:
        """The sheets that are none of a register."""
        for sheet in sheets:
            filled = [i for i, row in enumerate(sheet.rows) if not all(map(is_blank, row))]
            kind = sheet_named(sheet.name)
            if kind is None and self.stated and filled:
                kind = self._by_headings(sheet, filled[0])
            if kind is None or not self._take(sheet, kind, filled):
                yield sheet

    def _by_headings(self, sheet: Sheet, head: int) -> RegisterSheet | None:
        """The kind of a sheet under another name, by the headings it has; one with few of them is asked about."""
        cells = {normal_heading(str(cell)): cell for cell in sheet.rows[head] if not is_blank(cell)}
        named = {k: _headings_of(k).keys() & cells.keys() for k in REGISTER.values()}
        kind = max(named, key=lambda k: (len(named[k]), -len(k.columns)))
        # A log of one reading a row has half of the headings of Laboratory.
        if len(named[kind]) < 3 or any(_of_reading(cell) for name, cell in cells.items() if name not in named[kind]):
            return None
        whole = len(named[kind]) >= LEAST_UNNAMED * len(kind.columns)
        code = "register_sheet_renamed" if whole else "register_sheet_unknown"
        self.notes.append(Note(code, sheet.name, a1(number_of(sheet, head), 0), sheet.name, {"name": kind.name}))
        return kind if whole else None

    def _take(self, sheet: Sheet, kind: RegisterSheet, filled: list[int]) -> bool:
        """Whether a sheet is one of a register of that kind, and then kept back. filled : positions of its rows."""
        known = _headings_of(kind)
        headings = [(at, cell) for at, cell in enumerate(sheet.rows[filled[0]]) if not is_blank(cell)] if filled else []
        named = [(at, known[normal_heading(str(cell))]) for at, cell in headings if normal_heading(str(cell)) in known]
        unknown = [(at, cell) for at, cell in headings if normal_heading(str(cell)) not in known]
        few = len({c for _, c in named}) < LEAST_HEADINGS * len(kind.columns)
        if not self.stated and (few or any(_of_reading(cell) for _, cell in unknown)):
            return False
        if not filled:
            return True
        head, *body = filled
        columns: dict[str, list[Any]] = {}
        places: dict[str, Place] = {}
        row = number_of(sheet, head)
        for at, column in named:
            values = [tidied(sheet.rows[i][at]) for i in body]
            if column in columns:  # two columns under one heading: where they differ, neither is read
                self._note("register_heading_twice", sheet, row, at, sheet.rows[head][at], kind)
                pairs = zip(columns[column], values)
                values = [b if a is None else a if b is None or a == b else both(a, b) for a, b in pairs]
            columns[column] = values
            places.setdefault(column, Place(sheet.name, None, at))
        for at, cell in unknown:
            self._note("register_heading_unknown", sheet, row, at, cell, kind)
        absent = [REGISTER_FIELDS[c].heading for c in kind.columns if c not in columns]
        if absent:
            self.notes.append(
                Note("register_heading_missing", sheet.name, a1(row, 0), "", {"missing": ", ".join(absent)})
            )
        table = Table(sheet.name, kind.name, places, rows=[number_of(sheet, i) for i in body], columns=columns)
        self.tables.append(table._replace(heads=(row, row)))
        return True

    def _note(self, code: str, sheet: Sheet, row: int, column: int, cell: Any, kind: RegisterSheet) -> None:
        headings = ", ".join(REGISTER_FIELDS[c].heading for c in kind.columns)
        self.notes.append(Note(code, sheet.name, a1(row, column), shown(cell), {"headings": headings}))
