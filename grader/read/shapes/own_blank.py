"""The program's own blank: tables whose headings are known as they stand, and its sheet Visit."""

from __future__ import annotations

from functools import cache, lru_cache

from grader.columns import FIELDS, normal_heading
from grader.problems import Unreadable, a1
from grader.read.extract import extract
from grader.read.given import Given
from grader.read.shapes.grid import Grid
from grader.read.shapes.heads import Head
from grader.read.shapes.pairs import with_unit
from grader.read.shapes.rows import plain
from grader.read.shapes.table import Block, propose
from grader.read.shapes.tables import Note, Recognised, both
from grader.read.words.heading_words import CERTAIN
from grader.read.words.headings import EXACT, OWN_HEADINGS, Heading
from grader.read.words.labels import NUMBERS, READINGS, VISIT, Column, label

_LONGEST_HEADING = 80


@lru_cache(maxsize=20_000)
def _field(text: str) -> str | None:
    """The field a text is the heading of in the blank, or None."""
    return OWN_HEADINGS.get(normal_heading(text).rstrip(":")) if len(text) <= _LONGEST_HEADING else None


def own_tables(grid: Grid) -> list[Block]:
    """The tables below headings of the blank; [] where the first of them has others too.

    A row of the same headings again does not open a new table.
    """
    headings = {v: field for v in grid.texts if (field := _field(v))}
    if READINGS.isdisjoint(headings.values()):
        return []
    found: list[tuple[int, dict[int, str], list[int]]] = []
    for row, cells in enumerate(grid.rows):
        if headings.keys().isdisjoint(cells):
            continue
        fields = {at: headings[v] for at, v in enumerate(cells) if type(v) is str and v in headings}
        if found and fields == found[-1][1]:
            found[-1][2].append(row)
        elif _opens(set(fields.values())):
            if not found and len(fields) < len(cells) - cells.count(None):
                return []
            found.append((row, fields, []))
    stops = [row for row, _, _ in found[1:]] + [len(grid.rows)]
    named = plain(grid.name) == "readings"
    return [
        Block(grid, _own_head(grid, row, fields), stop, again, banners=not named)
        for (row, fields, again), stop in zip(found, stops)
    ]


def _opens(fields: set[str]) -> bool:
    """Whether a row of these headings opens a table: a reading, and an outlet or two more headings."""
    return bool(fields & READINGS) and len(fields) >= (2 if "outlet" in fields else 3)


def _own_head(grid: Grid, row: int, fields: dict[int, str]) -> Head:
    return Head(row, row, [_own_column(at, grid.rows[row][at], field) for at, field in sorted(fields.items())])


@cache
def _own_column(at: int, text: str, field: str) -> Column:
    unit = FIELDS[field].unit or None
    heading = Heading(field, unit, EXACT, CERTAIN, (field,), "the heading of the blank", "heading" if unit else "")
    return Column(at, text, "field", heading, EXACT)


def read_own(blocks: list[Block]) -> Recognised:
    """The tests of tables with headings of the blank."""
    made = []
    for block in blocks:
        table = propose(block)
        if not table.tests:
            empty = block.grid.note("empty_readings", block.head.top, 0, block.grid.name)
            table = table._replace(notes=[*table.notes, empty])
        made.append(table)
    return extract(made)


def read_visit(grid: Grid) -> tuple[dict[str, Given], list[Note]]:
    """What labels in column A with values in column B give. Only Visit's labels: a reading holds for no other test."""
    notes: list[Note] = []
    given: dict[str, Given] = {}
    for row, (text, value, *_) in enumerate(grid.rows) if grid.width > 1 else ():
        if text is None or value is None:
            continue
        field = _field(text) if type(text) is str else None
        if field is None and (found := label(text)) is not None and found.field in VISIT:
            field, value = found.field, with_unit(found.field, found, value)
        if field is None or field not in VISIT:
            notes.append(grid.note("unknown_label", row, 1, value, label=str(text)))
            continue
        if field in NUMBERS and grid.is_percent(row, 1) and type(value) in (int, float):
            value = Unreadable(f"{value * 100:.10g}%", "percent")
        if field in given:
            first = a1(given[field].place.row or 0, 1)
            notes.append(grid.note("label_twice", row, 1, value, label=str(text), first=first))
            given[field] = given[field]._replace(value=both(given[field].value, value))
        else:
            given[field] = Given(grid.place(row, 1), value)
    return given, notes
