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
            kind = sheet_named(sheet.name)
            if not (self._by_headings(sheet) if kind is None and self.stated else kind and self._take(sheet, kind)):
                yield sheet

    def _by_headings(self, sheet: Sheet) -> bool:
        """Whether a sheet under another name is kept back as the one whose headings it has; one with few is asked about."""
        head = next((i for i, row in enumerate(sheet.rows) if not all(map(is_blank, row))), None)
        cells = [cell for cell in sheet.rows[head] if not is_blank(cell)] if head is not None else []
        had = {normal_heading(str(cell)) for cell in cells}
        named = {
            k: {c for c in k.columns if normal_heading(REGISTER_FIELDS[c].heading) in had} for k in REGISTER.values()
        }
        kind = max(named, key=lambda k: (len(named[k]), -len(k.columns)))
        # A log of one reading a row has half of the headings of Laboratory.
        own = {normal_heading(REGISTER_FIELDS[c].heading) for c in named[kind]}
        if len(own) < 3 or head is None or any(_of_reading(c) for c in cells if normal_heading(str(c)) not in own):
            return False
        whole = len(own) >= LEAST_UNNAMED * len(kind.columns)
        code = "register_sheet_renamed" if whole else "register_sheet_unknown"
        self.notes.append(Note(code, sheet.name, a1(number_of(sheet, head), 0), sheet.name, {"name": kind.name}))
        return whole and self._take(sheet, kind)

    def _take(self, sheet: Sheet, kind: RegisterSheet) -> bool:
        head = next((i for i, row in enumerate(sheet.rows) if not all(map(is_blank, row))), None)
        known = {normal_heading(REGISTER_FIELDS[c].heading): c for c in kind.columns}
        cells = enumerate(sheet.rows[head]) if head is not None else ()
        headings = [(at, cell) for at, cell in cells if not is_blank(cell)]
        named = [(at, known[normal_heading(str(cell))]) for at, cell in headings if normal_heading(str(cell)) in known]
        unknown = [(at, cell) for at, cell in headings if normal_heading(str(cell)) not in known]
        if not self.stated and (
            len({c for _, c in named}) < LEAST_HEADINGS * len(kind.columns) or any(_of_reading(c) for _, c in unknown)
        ):
            return False
        if head is None:
            return True
        body = [i for i in range(head + 1, len(sheet.rows)) if not all(map(is_blank, sheet.rows[i]))]
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
            note = Note("register_heading_missing", sheet.name, a1(row, 0), "", {"missing": ", ".join(absent)})
            self.notes.append(note)
        rows = [number_of(sheet, i) for i in body]
        heads = (row, row)
        self.tables.append(Table(sheet.name, kind.name, places=places, rows=rows, columns=columns, heads=heads))
        return True

    def _note(self, code: str, sheet: Sheet, row: int, column: int, cell: Any, kind: RegisterSheet) -> None:
        headings = ", ".join(REGISTER_FIELDS[c].heading for c in kind.columns)
        self.notes.append(Note(code, sheet.name, a1(row, column), shown(cell), {"headings": headings}))
