"""Labels with their values beside, in the same cell or below: what stands above a table, and forms."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, NamedTuple

from grader.columns import FIELDS
from grader.problems import Unreadable
from grader.read.given import Given, add
from grader.read.settle import settled
from grader.read.shapes.grid import Cell, Grid
from grader.read.shapes.tables import Note
from grader.read.shapes.things import THINGS, Things, lists_of_things, tube_of
from grader.read.words.clauses import (
    COLD,
    DATE,
    DRYER,
    OF_A_PLACE,
    SAID,
    SUPPLY,
    beside,
    coldest,
    column_of,
    dryer_beside,
    has_degrees,
    is_warm,
    of_cold,
    of_cylinders,
    of_elsewhere,
    told,
)
from grader.read.words.dates import is_date
from grader.read.words.heading_words import LIKELY
from grader.read.words.headings import Heading
from grader.read.words.labels import (
    NUMBERS,
    READINGS,
    SHARED,
    Column,
    column,
    is_unit,
    label,
    looks_like_value,
    tube_detail,
)
from grader.read.words.loose import loose_word, own_word
from grader.read.words.unclear import classes_of
from grader.read.words.units import canonical

_FAR = 4  # columns between a label and its value, at most


class Pair(NamedTuple):
    """One label and its value. Rows are positions in grid.rows; where: "beside", "below" or "inside"."""

    row: int
    column: int
    label: Column
    value_row: int
    value_column: int
    value: Any
    where: str


def pairs(grid: Grid, first: int, stop: int) -> list[Pair]:
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
    # Only what differs is taken apart: names and words come again in every row.
    texts = {v for cells in grid.rows[first:stop] for v in cells if type(v) is str}
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
    over = [
        c for c, known in labels.items() if known.field in _OF_TESTING and c[0] + 1 < stop and c[0] + 1 not in things
    ]
    for row, at in over:  # "Instrument" over "CO | 44" is no label of 44
        value = grid.rows[row + 1][at]
        left = (labels.get((row + 1, c)) for c in range(at))
        if looks_like_value(value) and not is_date(value) and any(c is not None and c.field in READINGS for c in left):
            del labels[row, at]
    made += [_placed(grid, labels, row, at, known, stop) for (row, at), known in labels.items()]
    said = _said_beside(grid, [p for p in made if p.label.kind == "field"], first, stop)
    clear = {(p.row, p.column) for p in said}
    made = [*(p for p in made if (p.row, p.column) not in clear), *said]
    return sorted(_without_doubt(grid, made), key=lambda p: (p.row, p.column))


def _said_beside(grid: Grid, known: list[Pair], first: int, stop: int) -> list[Pair]:
    """What texts that are no labels say with the figure or day at their right: "Einsatz bei mindestens" | 7 °C.

    Not behind a text that is neither a label nor the value of one ("Gas detector"), unless it is cold, and no temperature
    behind an instrument.
    """
    made: list[Pair] = []
    fields = {(p.row, p.column): p.label.field for p in known}
    values = {(p.value_row, p.value_column) for p in known}
    for row in range(first, stop):
        left, behind = "", set()
        for at, text in enumerate(grid.rows[row]):
            cell = (row, at)
            behind |= {fields[cell]} if cell in fields else set()
            if type(text) is not str or cell in fields or cell in values:
                continue
            found = _beside(grid, {}, row, at)
            value = grid.rows[row][found[0]] if found else None
            fact = (
                beside(text, value, found[1] or "") if found and (looks_like_value(value) or is_date(value)) else None
            )
            cold = fact is not None and fact.field == COLD
            if (
                fact
                and found
                and not (cold and behind & _OF_TESTING or left and not (cold and not is_warm(fact.value)))
            ):
                made.append(Pair(row, at, column_of(text, fact), row, found[0], fact.value, "beside"))
                values.add((row, found[0]))
            elif not is_unit(text):
                left = text
    return made


_OF_TESTING = frozenset(("instrument", "calibration_due", *(f for f in FIELDS if "_tube_" in f)))
_SPEAKING = ("system", "location", "supply", "remarks")  # fields whose value may say more than that
_LONGEST_TITLE = 40


def _without_doubt(grid: Grid, found: list[Pair]) -> list[Pair]:
    """Labels and facts, of facts only those that are sure on this sheet: what a label says goes before them.

    Of several temperatures the coldest holds; days or supplies that differ are none. Under a title that names tubes or
    instruments a temperature is theirs.
    """
    labels = [p for p in found if p.label.how not in SAID]
    values = {(p.value_row, p.value_column) for p in labels if p.where != "inside"}
    used = values | {(p.row, p.column) for p in found}

    def led(p: Pair) -> bool:  # by nothing but labels and their values, as far as it goes
        return all(type(v) is not str or (p.row, at) in used for at, v in enumerate(grid.rows[p.row][: p.column]))

    def stays(p: Pair) -> bool:  # a label of instruments goes only where it would let more pass
        sure = p.label.field != COLD or p.label.how not in SAID and not is_warm(p.value)
        return sure or not _of_instruments(grid, p.row, p.column)

    found = list(filter(stays, found))
    made = [p for p in found if p.label.how not in SAID]
    facts = [p for p in found if p.label.how in SAID and (p.row, p.column) not in values]
    facts = [p for p in facts if p.label.field == COLD or led(p)]
    for p in made:
        if p.label.field in _SPEAKING and type(p.value) is str and p.where != "inside":
            more = [c for c in told(p.value) if c[0].how in SAID]
            dryer = dryer_beside(p.value) if p.label.field == SUPPLY else None
            more += [(column_of(p.value, dryer), dryer.value)] if dryer and not more else []
            facts += [Pair(p.value_row, p.value_column, c, p.value_row, p.value_column, v, "inside") for c, v in more]
    if not facts:
        return made
    known = {p.label.field for p in made if p.value is not None}
    texts = {v for cells in grid.rows for v in cells if type(v) is str}
    for field in dict.fromkeys(p.label.field for p in facts if p.label.field not in known):
        mine = [p for p in facts if p.label.field == field]
        others = texts - {grid.rows[p.row][p.column] for p in mine}
        if field in (SUPPLY, DRYER) and any(map(of_cylinders, texts)):
            continue
        if field == DATE and any(c.field == DATE and v != mine[0].value for t in others for c, v in told(t)):
            continue  # each block has its own
        if field == COLD:
            least: Any = coldest(p.value for p in mine)
            placed = [p.label.how == OF_A_PLACE for p in mine]
            sure = all(map(led, mine))
            if is_warm(least):
                if not sure or all(placed) or _may_be_colder(grid, mine, {(p.row, p.column) for p in made}):
                    continue
            elif not sure or any(placed) and any(map(of_elsewhere, others)):
                least = Unreadable(least, "twice")  # colder than is allowed for without it: it must not be passed over
            mine = [p._replace(value=least) for p in mine]
        if len({p.value for p in mine}) == 1:
            made += mine
    return made


def _may_be_colder(grid: Grid, mine: list[Pair], labels: set[Cell]) -> bool:
    """Whether a sheet speaks of the cold, or states a temperature of anything not known, beside what was taken of it."""
    own = {cell for p in mine for cell in ((p.row, p.column), (p.value_row, p.value_column))}
    for row, cells in enumerate(grid.rows):
        for at, text in enumerate(cells):
            if type(text) is not str or (row, at) in own:
                continue
            if of_cold(text):
                return True
            before = [c for c in range(at) if cells[c] is not None and not is_unit(cells[c]) and type(cells[c]) is str]
            if has_degrees(text) and not (before and ((row, before[-1]) in own | labels or label(cells[before[-1]]))):
                named = text if any(map(str.isalpha, text.strip(" °CF()[]"))) else ""
                if named and column(-1, text).kind not in ("field", "parameter") or not named and before:
                    return True
    return False


def _of_instruments(grid: Grid, row: int, at: int) -> bool:
    """Whether a text before a cell, or the nearest title over its row, no blank row between, names tubes or instruments."""
    if any(type(v) is str and not THINGS.isdisjoint(classes_of(v)) for v in grid.rows[row][:at]):
        return True
    for above in range(row - 1, -1, -1):
        filled = [v for v in grid.rows[above] if v is not None]
        if not filled:
            return False
        if len(filled) == 1 and type(filled[0]) is str and len(filled[0]) <= _LONGEST_TITLE and not told(filled[0]):
            return not THINGS.isdisjoint(classes_of(filled[0]))
    return False


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
    beneath = grid.rows[row + 1][at] if row + 1 < len(grid.rows) else None
    return (
        left == at - 1
        and known.sure == LIKELY
        and FIELDS[over.field or "site"].kind == "text"
        and _beside(grid, labels, row, at) is None
        and (beneath is None or (row + 1, left) in labels)
    )


def _placed(grid: Grid, labels: dict[Cell, Column], row: int, at: int, known: Column, stop: int) -> Pair:
    rows = grid.rows
    beside = _beside(grid, labels, row, at)
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


def _beside(grid: Grid, labels: dict[Cell, Column], row: int, at: int) -> tuple[int, str | None] | None:
    """(column of the value to the right of a label, a unit beside it), None where there is none."""
    cells = grid.rows[row]
    value: int | None = None
    unit: str | None = None
    for c in range(at + 1, min(at + 2 + _FAR, grid.width)):
        if (row, c) in labels:
            break
        if cells[c] is None:
            if value is not None:
                break
            continue
        if is_unit(cells[c]) and unit is None:
            unit = cells[c]
        elif value is None:
            value = c
        else:
            break
    return None if value is None else (value, unit)


def labels_alone(grid: Grid, row: int) -> list[Pair]:
    """The labels of a row that holds nothing but labels of what is no reading, with their values; [] for any other."""
    filled = [(at, v) for at, v in enumerate(grid.rows[row]) if v is not None]
    first = filled[0][1] if filled else None
    if type(first) is not str or (":" not in first and label(first) is None):
        return []
    found = pairs(grid, row, row + 1)
    covered = {p.column for p in found} | {p.value_column for p in found}
    alone = covered.issuperset(at for at, _ in filled) and all(p.label.field in {*SHARED, "remarks"} for p in found)
    return found if alone else []


def labelled_unit(known: Column, unit: str | None) -> Column:
    """A label with the unit that stands in a cell of its own beside its value."""
    if unit is not None and known.kind in ("unclear", "substance") and known.heading.told is None:
        return known._replace(heading=known.heading._replace(told=canonical(unit)))
    if unit is None or not known.field or known.heading.unit is not None:
        return known
    return column(known.at, known.text, unit=unit)


def may_stand_above(lines: Iterable[Column]) -> frozenset[str]:
    """What may be said above a table for all its tests though it is no visit's: the outlet, the line's pressure.

    Only where no line of the table is it, or may be.
    """
    held = {f for c in lines for f in (c.field, *c.heading.candidates)}
    return frozenset({"outlet", "line_pressure_bar"} - held)


def shared_above(
    grid: Grid, first: int, stop: int, more: frozenset[str] = frozenset()
) -> tuple[dict[str, Given], list[Note]]:
    """What the rows between two positions give for all tests of the table that follows, and what is to be said of them.

    Only what may hold for several tests (site, date, instrument, system, ambient temperature); a reading there
    belongs to no test and is said. Two values for one field: neither is read. more : further fields allowed.
    """
    given: dict[str, Given] = {}
    notes: list[Note] = []
    found = [p for p in pairs(grid, first, stop) if p.value is not None]
    sited = any(p.label.field == "site" for p in found)
    labels = [_above(p.label._replace(at=i), more, sited) for i, p in enumerate(found)]
    lines = settled(labels, {i: [p.value] for i, p in enumerate(found)})
    for pair, line in zip(found, lines):
        field = line.field
        if field in SHARED or field in more:
            add(given, field, given_by(grid, pair._replace(label=line), "label above the table"))
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
