"""Labels with their values, and what sentences say: what stands above a table for all its tests, and forms."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from grader.columns import FIELDS
from grader.problems import Unreadable
from grader.read.given import Given, add
from grader.read.settle import settled
from grader.read.shapes.coldest import doubtful
from grader.read.shapes.facts import with_facts
from grader.read.shapes.grid import Grid
from grader.read.shapes.labelled import Pair, labelled
from grader.read.shapes.tables import Note
from grader.read.words.labels import SHARED, Column, label
from grader.read.words.supplied import line_of

ON_ANOTHER = "label on another sheet"


def pairs(grid: Grid, first: int, stop: int) -> list[Pair]:
    """Every label between two rows (positions, `stop` left out) with its value, None where it is blank; and facts said there."""
    if all(map(grid.is_blank, range(first, stop))):
        return []
    return with_facts(grid, labelled(grid, first, stop), first, stop)


def labels_alone(grid: Grid, row: int) -> list[Pair]:
    """The labels of a row that holds nothing but labels of what is no reading, with their values; [] for any other."""
    filled = grid.filled(row)
    first = filled[0][1] if filled else None
    if type(first) is not str or (":" not in first and label(first) is None and line_of(first).feed is None):
        return []
    found = pairs(grid, row, row + 1)
    covered = {p.column for p in found} | {p.value_column for p in found}
    alone = covered.issuperset(at for at, _ in filled) and all(p.label.field in {*SHARED, "remarks"} for p in found)
    return found if alone else []


def may_stand_above(lines: Iterable[Column]) -> frozenset[str]:
    """What may be said above a table for all its tests though it is no visit's: the outlet, the line's pressure.

    Only where no line of the table is it, or may be.
    """
    held = {f for c in lines for f in (c.field, *c.heading.candidates)}
    return frozenset({"outlet", "line_pressure_bar"} - held)


def shared_above(
    grid: Grid, first: int, stop: int, more: frozenset[str] = frozenset(), how: str = "label above the table"
) -> tuple[dict[str, Given], list[Note]]:
    """What the rows between two positions give for all tests of the table that follows, and what is to be said of them.

    Only what may hold for several tests (site, date, instrument, system, ambient temperature); a reading there
    belongs to no test and is said. Two values for one field: neither is read. more : further fields allowed.
    how : where they stand; on another sheet what stands below a label may be anything.
    """
    given: dict[str, Given] = {}
    notes: list[Note] = []
    beside = how == ON_ANOTHER
    found = [p for p in pairs(grid, first, stop) if p.value is not None and not (beside and p.where == "below")]
    if not found:
        return given, notes
    sited = any(p.label.field == "site" for p in found)
    labels = [_above(p.label._replace(at=i), more, sited) for i, p in enumerate(found)]
    spots = {i: (p.value_row, p.value_column) for i, p in enumerate(found)}
    lines = settled(labels, {i: [p.value] for i, p in enumerate(found)}, doubtful(grid, spots, labels))
    for pair, line in zip(found, lines):
        field = line.field
        if field in SHARED or field in more:
            add(given, field, given_by(grid, pair._replace(label=line), how))
        elif field or line.kind == "unclear":
            notes.append(grid.note("label_not_used", pair.value_row, pair.value_column, pair.value, label=line.text))
    return given, notes


def given_by(grid: Grid, pair: Pair, how: str) -> Given:
    """What a label with its value gives for all tests of a table."""
    value = with_unit(pair.label.field, pair.label, pair.value)
    return Given(grid.place(pair.value_row, pair.value_column), value, pair.label.text, how, pair.label.heading.sure)


def _above(known: Column, more: frozenset[str], sited: bool) -> Column:
    """A general word as a label above a table: of what may stand there, and of places the site where nothing else names it."""
    if not known.heading.general:
        return known
    fields = [f for f in known.heading.candidates if f in SHARED or f in more]
    if not sited and "outlet" not in fields:
        fields.sort(key=lambda f: f != "site")
    return known._replace(heading=known.heading._replace(candidates=tuple(fields) or known.heading.candidates))


def with_unit(field: str, known: Column, value: Any) -> Any:
    """A single value with its unit written behind it where that is not the field's own.

    A constant has no column that could state the unit, and the reading of cells understands "101.3 kPa".
    """
    own = FIELDS[field].unit
    bare = type(value) in (int, float) or type(value) is str and value.strip()[-1:].isdigit()
    if FIELDS[field].kind != "number" or not bare:
        return value
    unit = known.heading.unit
    if unit is None and known.heading.lacks_unit:
        return Unreadable(str(value), "no_unit")
    return value if unit in (None, own) else f"{value} {unit}"
