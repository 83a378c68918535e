"""The program's own blank: tables whose headings are known as they stand, and its sheet Visit."""

from __future__ import annotations

from functools import lru_cache

from grader.columns import normal_heading
from grader.problems import Unreadable, a1
from grader.read.extract import extract
from grader.read.given import Given
from grader.read.shapes.down import headings
from grader.read.shapes.grid import Grid
from grader.read.shapes.pairs import with_unit
from grader.read.shapes.rows import plain
from grader.read.shapes.table import Table, propose
from grader.read.shapes.tables import Note, Recognised, both
from grader.read.words.headings import OWN_HEADINGS
from grader.read.words.labels import NUMBERS, READINGS, VISIT, label

_LONGEST_HEADING = 80


@lru_cache(maxsize=20_000)
def _field(text: str) -> str | None:
    """The field a text is the heading of in the blank, or None."""
    return OWN_HEADINGS.get(normal_heading(text).rstrip(":")) if len(text) <= _LONGEST_HEADING else None


def own_tables(grid: Grid) -> list[Table]:
    """The tables below headings of the blank; [] where the first of them has others too."""
    fields = {text: field for text in grid.texts if (field := _field(text))}
    first = next((row for row in grid.rows if not fields.keys().isdisjoint(row)), ())
    if READINGS.isdisjoint(fields.values()) or not all(v is None or v in fields for v in first):
        return []  # most sheets, without a search for headings
    found = headings(grid)
    stops = [head.top for head in found[1:]] + [len(grid.rows)]
    banners = plain(grid.name) != "readings"
    return [Table(grid, head, stop, {}, banners=banners) for head, stop in zip(found, stops) if found[0].own]


def read_own(tables: list[Table]) -> Recognised:
    """The tests of tables with headings of the blank."""
    made = []
    for table in tables:
        one = propose(table)
        if not one.tests:
            empty = table.grid.note("empty_readings", table.head.top, 0, table.grid.name)
            one = one._replace(notes=[*one.notes, empty])
        made.append(one)
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
