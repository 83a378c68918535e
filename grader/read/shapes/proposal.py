"""What every shape proposes: a table as it may stand on a sheet, each line of cells with what it means."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from grader.problems import Place
from grader.read.given import Given
from grader.read.layout_spec import TableSpec
from grader.read.shapes.grid import Cell, Grid
from grader.read.shapes.needed import Limit
from grader.read.shapes.tables import Note
from grader.read.words.labels import Column

# How fields are understood that one column of a layout file could not say.
AS_FOUND = SEVERAL_COLUMNS, OF_A_READING, OF_NO_FIELD = (
    "several columns together",
    "of the row's reading",
    "no field of ours",
)


class Where(NamedTuple):
    """How the lines of one table are named: its sheet, address of a heading, Place, words of a layout file."""

    sheet: str
    cell: Callable[[int], str]
    place: Callable[[int], Place]
    line: Callable[[int], str]

    def note(self, code: str, c: Column, **about: Any) -> Note:
        """What is to be said of a heading."""
        return Note(code, self.sheet, self.cell(c.at), c.text, about)

    def left_over(self, c: Column) -> Note:
        """That nothing is read from a filled line."""
        return self.note("unknown_column", c, heading=c.text, where=self.line(c.at))


class Part(NamedTuple):
    """Tests of a table that follow each other, and what is given for them alone."""

    first: int
    stop: int
    given: Mapping[str, Given] = {}


class Proposal(NamedTuple):
    """One table as it may stand on a sheet: what each line of cells means, and the cells of each test.

    shape     : "down", "across", "long" or "form".
    lines     : headings; `at` is a line's number, in tables its position in the grid.
    values    : line -> one value a test, for lines that are a field, unclear or units.
    tests     : 0-based sheet row and column of each test; column -1 where a test is a row.
    where     : how the lines are named.
    spots     : (line, test) -> position of the value in the grid.
    places    : (line, test) -> Place of one test's own value, where the line does not tell it; None: it does.
    given     : of all tests.
    parts     : groups of tests with values of their own; [] is one part.
    group     : distance back to the first of tables that are parts of one.
    missed    : figures of its body that nothing explains.
    limits    : printed beside flow and line pressure.
    """

    shape: str
    grid: Grid
    lines: list[Column]
    values: dict[int, list[Any]]
    tests: list[Cell]
    where: Where
    spots: Callable[[int, int], Cell]
    places: Callable[[int, int], Place] | None = None
    given: Mapping[str, Given] = {}
    parts: list[Part] = []
    heads: tuple[int, int] = (-1, -1)
    sides: tuple[int, int] = (-1, -1)
    spec: TableSpec | None = None
    notes: list[Note] = []
    passed: int = 0
    group: int = 0
    own: bool = False
    missed: int = 0
    limits: list[Limit] = []

    def has(self, field: str) -> bool:
        """Whether a field is given for all tests, or has a line."""
        return field in self.given or any(c.field == field for c in self.lines)
