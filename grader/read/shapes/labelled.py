"""Labels on a sheet with their values beside, in the same cell or below."""

from __future__ import annotations

from typing import Any, NamedTuple

from grader.columns import FIELDS
from grader.read.shapes.grid import Cell, Grid
from grader.read.shapes.things import Things, lists_of_things, tube_of
from grader.read.words.clauses import told
from grader.read.words.dates import is_date
from grader.read.words.heading_words import LIKELY
from grader.read.words.headings import Heading
from grader.read.words.labels import NUMBERS, READINGS, Column, column, is_unit, label, looks_like_value, tube_detail
from grader.read.words.loose import loose_word, own_word
from grader.read.words.supplied import entitles
from grader.read.words.units import canonical

_INITIALS = 5  # letters and dots, at most
_FAR = 4  # columns between a label and its value, at most


OF_TESTING = frozenset(("instrument", "calibration_due", *(f for f in FIELDS if "_tube_" in f)))


class Pair(NamedTuple):
    """One label and its value. Rows are positions in grid.rows; where: "beside", "below" or "inside"."""

    row: int
    column: int
    label: Column
    value_row: int
    value_column: int
    value: Any
    where: str


def labelled(grid: Grid, first: int, stop: int) -> list[Pair]:
    """Every label between two rows (positions, `stop` left out) with its value (None where it is blank).

    A cell is a label or the value of one, never both: "Yard" beside "Site:" is its value, though a word for site.
    """
    # Only what differs is taken apart: names and words come again in every row.
    texts = {v for cells in grid.rows[first:stop] for v in cells if type(v) is str}
    if not texts:
        return []
    labels: dict[Cell, Column] = {}
    lists = lists_of_things(grid, first, stop)
    made = [pair for things in lists for pair in _tubes(grid, things)]
    things = {row for some in lists for row in some.rows}
    # What stands below their headings is that of the first thing alone.
    heads = {some.head for some in lists if len(some.rows) > 1} | {pair.row - 1 for pair in made}
    insides = {text: found for text in texts if (found := told(text))}
    alone = {text: known for text in texts if text not in insides and (known := label(text))}
    for row in (r for r in range(first, stop) if r not in things) if insides or alone else ():
        for at, text in enumerate(grid.rows[row]):
            if type(text) is not str:
                continue
            if text in insides:
                made += [Pair(row, at, known, row, at, value, "inside") for known, value in insides[text]]
            elif text in alone and (row not in heads or alone[text].field == "calibration_due"):
                labels[row, at] = alone[text]
    for cell in [cell for cell in labels if _is_value(grid, labels, cell)]:
        del labels[cell]
    below = range(first, stop - 1)
    over = [
        (row, at) for (row, at), c in labels.items() if c.field in OF_TESTING and row in below and row + 1 not in things
    ]
    for row, at in over:  # "Instrument" over "CO | 44" is no label of 44
        value = grid.rows[row + 1][at]
        left = (labels.get((row + 1, c)) for c in range(at))
        if looks_like_value(value) and not is_date(value) and any(c is not None and c.field in READINGS for c in left):
            del labels[row, at]
    made += [_placed(grid, labels, row, at, known, stop) for (row, at), known in labels.items()]
    return [_by_whom(pair) for pair in made if not _is_title(pair)]


def _is_title(pair: Pair) -> bool:
    """Whether a label is the title of its form, with any text beside it: "Breathing air test | Contact: E. Marl"."""
    free = pair.label.field == "supply" and type(pair.value) is str and not own_word("supply", pair.value)
    return free and not loose_word("supply", pair.value) and entitles(pair.label.text, pair.value)


def _by_whom(pair: Pair) -> Pair:
    """A label of the day of a test with initials beside it as that of who made it: "geprüft | MB"."""
    initials = type(pair.value) is str and pair.value.replace(".", "").isupper() and len(pair.value) <= _INITIALS
    return pair._replace(label=column(-1, "Tested by")) if initials and pair.label.field == "test_date" else pair


def _tubes(grid: Grid, things: Things) -> list[Pair]:
    """Lots and expiries of a list of detector tubes: Batch and Use before over a row each of CO, CO2, oil."""
    made: list[Pair] = []
    heads = grid.rows[things.head]
    for row in things.rows:
        cells = grid.rows[row]
        name = next(v for v in cells if v is not None)
        tube = tube_of(name)
        for at in things.details if tube else ():
            ending = tube_detail(heads[at])
            field = f"{tube}{ending}"
            if ending and cells[at] is not None and field in FIELDS:
                heading = Heading(field, None, "synonym", LIKELY, (field,), "the tube that its row names")
                found = Column(-1, f"{name} / {ending.rpartition('_')[2]}", "field", heading, "table of tubes")
                made.append(Pair(row, at, found, row, at, cells[at], "beside"))
    return made


def _is_value(grid: Grid, labels: dict[Cell, Column], cell: Cell) -> bool:
    """Whether a text that could be a label is the value of the label at its left."""
    row, at = cell
    left = next((c for c in range(at - 1, max(at - 2 - _FAR, -1), -1) if grid.rows[row][c] is not None), -1)
    over = labels.get((row, left))
    if over is None or labels[cell].text.rstrip().endswith(":"):
        return False
    if over.text.rstrip().endswith(":"):
        return True
    known = labels[cell].heading
    text = str(grid.rows[row][at])
    if over.field and FIELDS[over.field].words and (own_word(over.field, text) or loose_word(over.field, text)):
        return True
    if left != at - 1 or value_beside(grid, labels, row, at) is not None:
        return False
    if over.field == labels[cell].field and over.field in ("site", "outlet"):
        return True  # "Standort | Werk"
    free = row + 1 == len(grid.rows) or grid.rows[row + 1][at] is None or (row + 1, left) in labels
    return known.sure == LIKELY and FIELDS[over.field or "site"].kind == "text" and free


def _placed(grid: Grid, labels: dict[Cell, Column], row: int, at: int, known: Column, stop: int) -> Pair:
    rows = grid.rows
    beside = value_beside(grid, labels, row, at)
    beneath = (row + 1, at) not in labels and row + 1 < stop and rows[row + 1][at] is not None
    stacked = (row + 1, at) in labels or (row - 1, at) in labels
    sideways = (row, at + 1) in labels or (row, at - 1) in labels
    if not stacked and beneath and (sideways or beside is None):
        value = rows[row + 1][at]
        deeper = row + 2 < stop and (row + 2, at) not in labels and rows[row + 2][at] is not None
        if is_unit(value) and deeper and known.field in NUMBERS:
            return Pair(row, at, labelled_unit(known, value), row + 2, at, rows[row + 2][at], "below")
        return Pair(row, at, known, row + 1, at, value, "below")
    if beside is None:
        return Pair(row, at, known, row, min(at + 1, grid.width - 1), None, "beside")
    value_at, unit = beside
    return Pair(row, at, labelled_unit(known, unit), row, value_at, rows[row][value_at], "beside")


def value_beside(grid: Grid, labels: dict[Cell, Column], row: int, at: int) -> tuple[int, str | None] | None:
    """(column of the value to the right of a label, a unit beside it), None where there is none."""
    cells, known = grid.rows[row], labels.get((row, at))
    of_words = known is not None and is_of_words(known)
    value: int | None = None
    unit: str | None = None
    for c in range(at + 1, min(at + 2 + _FAR, grid.width)):
        if (row, c) in labels:
            break
        if cells[c] is None:
            if value is not None:
                break
            continue
        if is_unit(cells[c]) and unit is None and not of_words:
            unit = cells[c]
        elif value is None:
            value = c
        else:
            break
    return None if value is None else (value, unit)


def is_of_words(known: Column) -> bool:
    """Whether a label is of words or a day, which have no unit: "checked | MB"."""
    kinds = {FIELDS[f].kind for f in known.heading.candidates}
    return bool(kinds) and kinds <= {"text", "date"}


def labelled_unit(known: Column, unit: str | None) -> Column:
    """A label with the unit that stands in a cell of its own beside its value."""
    if unit is not None and known.kind in ("unclear", "substance") and known.heading.told is None:
        return known._replace(heading=known.heading._replace(told=canonical(unit)))
    if unit is None or not known.field or known.heading.unit is not None or is_of_words(known):
        return known
    return column(known.at, known.text, unit=unit)
