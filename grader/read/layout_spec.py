"""What a layout file says of one table, as plain values that pass to the reading process."""

from __future__ import annotations

from collections.abc import Mapping
from fnmatch import fnmatchcase
from typing import Any, NamedTuple

from grader.columns import FIELDS
from grader.problems import Table
from grader.read.given import by_layout, filled
from grader.read.sayings import SAID, SAID_BETWEEN
from grader.read.shapes.tables import Note
from grader.read.words.answers import answers_badly
from grader.read.words.said import against, alone_in_part, doubted, smells
from grader.read.words.spelling import fold_word

HARMLESS = "harmless"  # what [words.remarks] of a layout file says of a firm's own words


def fits(pattern: str, name: str) -> bool:
    """Whether a pattern with * and ? is about a name; one that is the name itself is, whatever signs are in it."""
    pattern, name = pattern.strip().casefold(), name.strip().casefold()
    return pattern == name or fnmatchcase(name, pattern)


class FieldSpec(NamedTuple):
    """Where a field stands. 0-based; -1 or "" is not said. A cell has row and column."""

    row: int = -1
    column: int = -1
    heading: str = ""
    unit: str = ""


class GroupSpec(NamedTuple):
    """What holds for a part of a table: its rows, or its columns beside those of other groups. -1 is not said."""

    first_row: int = -1
    last_row: int = -1
    first_column: int = -1
    last_column: int = -1
    fields: dict[str, FieldSpec] = {}
    constants: dict[str, Any] = {}

    def has_row(self, row: int) -> bool:
        """Whether a 0-based row lies in it, for a group of rows."""
        return max(self.first_row, self.last_row) >= 0 and within(row, self.first_row, self.last_row)

    def has_column(self, column: int) -> bool:
        """Whether a 0-based column lies in it, for a group of columns."""
        return max(self.first_column, self.last_column) >= 0 and within(column, self.first_column, self.last_column)


def within(number: int, first: int, last: int) -> bool:
    """Whether a number lies between two, both among them; -1 is no end."""
    return first <= number and (last < 0 or number <= last)


class TableSpec(NamedTuple):
    """One [[table]] of a layout file. Rows and columns are 0-based, -1 where not said.

    sheet : pattern of the sheet's name. orientation : "down", "across", "long", "form" or "" (as found).
    constants : field -> value for every test. ignore : columns left out.
    order : "day first", "month first" or "". source : name of the layout file. number : the how-manieth table.
    """

    sheet: str = "*"
    orientation: str = ""
    heading_row: int = -1
    heading_rows: int = 1
    heading_column: int = -1
    first_row: int = -1
    last_row: int = -1
    fields: dict[str, FieldSpec] = {}
    constants: dict[str, Any] = {}
    ignore: tuple[int, ...] = ()
    order: str = ""
    source: str = ""
    number: int = 1
    parameter_column: int = -1
    value_column: int = -1
    unit_column: int = -1
    first_column: int = -1
    last_column: int = -1
    groups: tuple[GroupSpec, ...] = ()
    ignore_rows: tuple[int, ...] = ()

    def fits(self, sheet: str) -> bool:
        """Whether it is about a sheet of this name."""
        return fits(self.sheet, sheet)

    @property
    def is_form(self) -> bool:
        """Whether it says that the table is a form, or gives a cell to a field."""
        return self.orientation == "form" or any(f.row >= 0 and f.column >= 0 for f in self.fields.values())

    def misfit(self, sheet: str, what: str, cell: str = "") -> Note:
        """That something in it does not fit a sheet."""
        return Note("layout_mismatch", sheet, cell, self.source, {"what": f"table {self.number}: {what}"})


class LayoutSpec(NamedTuple):
    """What layout files say of one workbook.

    words : field -> a firm's own word, folded -> one that is known. Of remarks those that say nothing against a test (HARMLESS).
    usual : field -> value that holds where the log says nothing else. source : the file that says it.
    """

    tables: tuple[TableSpec, ...] = ()
    ignored_sheets: tuple[str, ...] = ()
    words: Mapping[str, Mapping[str, str]] = {}
    usual: Mapping[str, Any] = {}
    source: str = ""

    def of(self, sheet: str) -> list[TableSpec]:
        """The tables it describes on a sheet."""
        return [t for t in self.tables if t.fits(sheet)]

    def ignores(self, sheet: str) -> bool:
        """Whether the sheet is to be left out."""
        return any(fits(p, sheet) for p in self.ignored_sheets)

    def completed(self, tables: list[Table], notes: list[Note]) -> list[Table]:
        """The tables of a firm's own log with its words understood and what holds for every log filled in."""
        if not self.words and not self.usual:
            return tables
        return [t if t.own else self._usual(self._worded(t), notes) for t in tables]

    def _worded(self, table: Table) -> Table:
        columns, constants = dict(table.columns), dict(table.constants)
        for field, known in self.words.items():
            if field in columns:
                columns[field] = [_word(v, known) for v in columns[field]]
            if field in constants:
                constants[field] = (constants[field][0], _word(constants[field][1], known))
        if "remarks" in self.words and SAID in columns:
            columns[SAID] = [_less(v, self.words["remarks"]) for v in columns[SAID]]
        return table._replace(columns=columns, constants=constants)

    def _usual(self, table: Table, notes: list[Note]) -> Table:
        more = {f: v for f, v in self.usual.items() if f not in table.constants}
        for field, value in more.items():
            count = table.columns.get(field, [None] * len(table.rows)).count(None)
            if FIELDS[field].kind == "number" and FIELDS[field].unit == "min" and count:
                about = {"heading": FIELDS[field].heading, "count": count, "source": self.source}
                notes.append(Note("usual_time_used", table.sheet, "", value, about))
        return filled(table, {f: by_layout(table.sheet, 0, v, self.source) for f, v in more.items()})


def _word(value: Any, known: Mapping[str, str]) -> Any:
    return known.get(fold_word(value), value) if type(value) is str else value


def _less(value: str | None, harmless: Mapping[str, str]) -> str | None:
    """What is said against a test, without what a firm says to be harmless and which is no more than not understood."""
    if not value:
        return None
    rest = [p for p in value.split(SAID_BETWEEN) if fold_word(p) not in harmless or _speaks(p)]
    return SAID_BETWEEN.join(rest) or (value if against(value) else None)


def _speaks(text: str) -> bool:
    """Whether something that is said against a test is a ban, a fault, a smell or a bad answer, and not only in doubt.

    >>> _speaks("could not be better"), _speaks("NO-GO"), _speaks("Locked: yes"), _speaks("shut, could not go")
    (False, True, True, True)
    """
    return not doubted(text) or bool(against(text) or smells(text) or alone_in_part(text) or answers_badly(text))
