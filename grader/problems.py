"""Problem, the record of one doubt, and GraderError, for a run that cannot go on.

Stages collect problems in columns (test numbers, field, values, parameters); addresses and wording are made
once, at the end, and only for the problems there are. The words stand in data/words/<language>.toml.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple


class GraderError(Exception):
    """A mistake the user can mend that leaves nothing to write: one clear line."""


class Place(NamedTuple):
    """Where a field stands. None for row or column means: the test's own row or column (both 0-based)."""

    sheet: str
    row: int | None
    column: int | None


class Unclear(NamedTuple):
    """A filled column (row, cell) of a table that could be one of our fields, and is judged as each of them.

    heading : as it stands. place : of its cells, as for a field.
    choices : (field, unit) it could be, the likeliest first; unit "" is the field's own.
    values  : raw cell of every test of the table, in the order of its rows; None for a blank one.
    line    : the line of a layout file that settles it.
    aside   : it stands beside the tests (a remark, a line around the table, another sheet) and is no column of theirs.
    done    : its words say when a calibration was made, or leave that open; a date after its test says it is due then.
    at_line : it is the pressure of a dew point whose heading names none: not tried where water is judged at line pressure.
    """

    heading: str
    place: Place
    choices: tuple[tuple[str, str], ...]
    values: list[Any]
    line: str = ""
    aside: bool = False
    done: bool = False
    at_line: bool = False


class Table(NamedTuple):
    """One table of tests, the same record from the recogniser of a sheet to the log: which field stands where.

    orientation : "down" (a test is a row), "across" (a test is a column), "form" (a test is a sheet),
                  "long" (a test is several rows, one reading each); of a register the name of its sheet.
    places    : field -> Place of the column (or row) that holds it.
    constants : field -> (Place, value) that holds for every test of the table (the Visit sheet, a banner).
    rows      : 0-based sheet row of each test. across : its 0-based column, or [] where a test is a row.
    columns   : field -> one value a test (None: blank), the constants not merged in. The log takes rows, across and
                columns over into its own and leaves them empty here.
    units     : field -> unit of its column where that is not the field's own.
    how       : field -> (heading as it stands, how it was understood, how sure).
    parts_before : how many of the tables before it are parts of the same one, for what a column's cells say together
                (a banner row opens a new part); 0 for a table that is whole or the first.
    own       : headings exactly as the blank has them.
    order     : "day first" or "month first" where a layout file states it.
    heads     : 0-based first and last row of the headings, (-1, -1) where there are none; where outlets run across,
                or in forms, of the whole table. sides: 0-based first and last column of one of several forms.
    unclear   : what could be a field and is not known to be; judged both ways.
    marks     : the tests that carry a mark whose key may stand elsewhere (read/words/marks.py), until the workbook is read.
    file      : number of its file in the log; -1 before it is there.
    """

    sheet: str
    orientation: str = "down"
    places: dict[str, Place] = {}
    constants: dict[str, tuple[Place, Any]] = {}
    rows: list[int] = []
    across: list[int] = []
    columns: dict[str, list[Any]] = {}
    units: dict[str, str] = {}
    how: dict[str, tuple[str, str, str]] = {}
    parts_before: int = 0
    own: bool = False
    order: str = ""
    heads: tuple[int, int] = (-1, -1)
    sides: tuple[int, int] = (-1, -1)
    unclear: Sequence[Unclear] = ()
    marks: dict[str, list[int]] = {}
    file: int = -1


def heading_address(table: Table, place: Place, first: int = -1) -> str:
    """Address of the heading of a column, or of a cell that stands alone; "" where the place does not tell it.

    first : column of the first test, where tests run across: of a row its cell is named.
    """
    row = table.heads[0] if place.row is None and table.heads[0] >= 0 else place.row
    column = first if place.column is None and first >= 0 else place.column
    return "" if row is None or column is None else a1(row, column)


class Unreadable(NamedTuple):
    """A cell that holds something which is not a value: an error, or a formula without a stored value."""

    shown: str
    why: str  # "error" or "formula"


def a1(row: int, column: int) -> str:
    """Address of a cell from its 0-based row and column.

    >>> a1(0, 0), a1(11, 17), a1(4, 701), a1(4, 702)
    ('A1', 'R12', 'ZZ5', 'AAA5')
    """
    letters = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        letters = chr(65 + rest) + letters
    return f"{letters}{row + 1}"


@dataclass
class _Batch:
    """Problems of one kind: `tests` (sequence of test numbers) or one file-level record."""

    code: str
    tests: Sequence[int] | None
    field_name: str
    values: Sequence[Any] | None
    params: dict[str, Any]
    file: int = -1
    sheet: str = ""
    cell: str = ""


@dataclass
class Problems:
    """Append-only collector. A stage adds; `grader.report.problem_table` turns it into the sheet.

    filled : field -> value of each test, where blank cells were filled from elsewhere: what a problem of one is about.
    """

    batches: list[_Batch] = field(default_factory=list)
    filled: dict[str, Any] = field(default_factory=dict)

    def add(
        self, code: str, *, file: int = -1, sheet: str = "", cell: str = "", value: Any = "", **params: Any
    ) -> None:
        """One problem of a file (or, with file=-1, of the run). `code` is a key of the words file."""
        self.batches.append(_Batch(code, None, "", [value], params, file, sheet, cell))

    def add_tests(
        self, code: str, tests: Iterable[int], field_name: str = "", values: Sequence[Any] | None = None, **params: Any
    ) -> None:
        """The same problem of several tests.

        tests      : test numbers, any length (none: nothing is added).
        field_name : input field whose cell is named; "" names the row.
        values     : one a test, or None (then the raw cell's value is shown).
        params     : for the words: scalars, or sequences with one entry a test.
        """
        numbers = [int(t) for t in tests]
        if numbers:
            self.batches.append(_Batch(code, numbers, field_name, values, params))

    def renumbered(self, number: Sequence[int]) -> Problems:
        """The problems where test i is now called number[i]; those of tests with a number below 0 are left out."""
        kept = Problems()
        for batch in self.batches:
            if batch.tests is None:
                kept.batches.append(batch)
                continue
            at = [i for i, test in enumerate(batch.tests) if number[test] >= 0]
            every, count = (lambda values, at=at: [values[i] for i in at]), len(batch.tests)
            params = {
                name: every(value) if hasattr(value, "__len__") and not isinstance(value, str) and len(value) == count
                else value
                for name, value in batch.params.items()
            }  # fmt: skip
            values = None if batch.values is None else every(batch.values)
            kept.add_tests(batch.code, [number[batch.tests[i]] for i in at], batch.field_name, values, **params)
        return kept

    def codes(self) -> set[str]:
        """Codes of the problems so far."""
        return {b.code for b in self.batches}
