"""Columns of cells with their headings -> one list of values a field: units, doubles, doubts, percent formats.

The same for tables whose tests are rows and for those whose tests are columns; `line` says how a layout file
would name the place.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any, NamedTuple

from grader.columns import FIELDS
from grader.problems import Place, Unreadable
from grader.read.headings import EXACT
from grader.read.labels import Column, another_thing, is_unit
from grader.read.notation import parse_number
from grader.read.tables import Note, shown
from grader.read.units import canonical, column_unit

READINGS = frozenset(f.name for f in FIELDS.values() if f.reading)
NUMBERS = frozenset(f.name for f in FIELDS.values() if f.kind == "number")
FRACTIONS = frozenset(f.name for f in FIELDS.values() if f.unit == "%")
# An unclear column makes these unreadable; names and remarks change no verdict.
_DOUBTED = frozenset(f.name for f in FIELDS.values() if f.kind != "text" or f.name == "outlet")


class Where(NamedTuple):
    """How a sheet's addresses are made for one table: its name, address of a heading, Place, layout words."""

    sheet: str
    cell: Callable[[int], str]
    place: Callable[[int], Place]
    line: Callable[[int], str]


class Fields(NamedTuple):
    """field -> values, Place, unit (where not its own), how it was understood; constants that headings state."""

    values: dict[str, list[Any]]
    places: dict[str, Place]
    units: dict[str, str]
    how: dict[str, tuple[str, str, str]]
    constants: dict[str, tuple[Place, Any]]
    notes: list[Note]


def read_fields(columns: list[Column], cells: Mapping[int, list[Any]], where: Where) -> Fields:
    """The fields of one table.

    columns : its headings. cells : position of the heading -> its values, blanks as None.
    where   : how places are named.
    """
    made = Fields({}, {}, {}, {}, {}, [])
    positions: dict[str, list[Column]] = {}
    for c in columns:
        if c.field:
            positions.setdefault(c.field, []).append(c)
    for field, found in positions.items():
        _one_field(made, field, found, cells, where)
    units = _unit_columns(columns, cells)
    for field in list(made.values):
        if field in NUMBERS:
            chosen = next(c for c in positions[field] if made.places[field] == where.place(c.at))
            _one_unit(made, field, chosen, units.get(chosen.at), where)
    for c in columns:
        if c.kind == "unclear" and c.at in cells:
            _one_unclear(made, c, cells[c.at], where)
    for found in positions.values():
        for name, value in found[0].heading.constants:
            if name not in made.values:
                made.constants[name] = (where.place(found[0].at)._replace(row=_row_of(where, found[0].at)), value)
                made.how[name] = (found[0].text, "stated in the heading", found[0].heading.sure)
    return made


def _row_of(where: Where, at: int) -> int:
    letters = where.cell(at)
    return int("".join(ch for ch in letters if ch.isdigit())) - 1


def _one_field(made: Fields, field: str, found: list[Column], cells: Mapping[int, list[Any]], where: Where) -> None:
    lists = [cells[c.at] for c in found]
    chosen = found[0]
    values = lists[0]
    if len(found) > 1:
        filled = [i for i, one in enumerate(lists) if one.count(None) < len(one)]
        if len(filled) > 1:
            made.notes.append(
                Note(
                    "column_twice",
                    where.sheet,
                    where.cell(found[filled[1]].at),
                    found[filled[0]].text,
                    {
                        "first": where.cell(found[filled[0]].at),
                        "line": f"{field} = {{ {where.line(found[filled[0]].at)} }}",
                    },
                )
            )
            values = twice([lists[i] for i in filled])
            chosen = found[filled[0]]
        elif filled:
            chosen, values = found[filled[0]], lists[filled[0]]
    made.values[field] = values
    made.places[field] = where.place(chosen.at)
    made.how[field] = (chosen.text, chosen.how, chosen.heading.sure)


def twice(lists: list[list[Any]], why: str = "twice") -> list[Any]:
    """Several entries for one field: whatever stands in any is not read, and is not taken for blank."""
    return [
        Unreadable(" / ".join(shown(v) for v in row if v is not None), why) if any(v is not None for v in row) else None
        for row in zip(*lists)
    ]


# -------------------------------------------------------------------------------------------------- units


def _unit_columns(columns: list[Column], cells: Mapping[int, list[Any]]) -> dict[int, list[Any]]:
    """Position of a field's column -> the cells of the column of units behind it."""
    made: dict[int, list[Any]] = {}
    last: Column | None = None
    for c in columns:
        if c.field in NUMBERS:
            last = c
        elif c.kind == "unit" and last is not None and c.at in cells and last.heading.unit is None:
            made[last.at] = cells[c.at]
        elif c.field:
            last = None
    return made


def _figures(values: Iterable[Any]) -> list[float]:
    """The plain numbers among cells, also those that stand as text."""
    figures: list[float] = []
    for value in {v for v in values if type(v) in (int, float, str)}:
        if type(value) is str:
            parsed = parse_number(value)
            if not parsed.code and parsed.unit is None:
                figures.append(parsed.value)
        else:
            figures.append(value)
    return figures


def _one_unit(made: Fields, field: str, chosen: Column, beside: list[Any] | None, where: Where) -> None:
    values = made.values[field]
    stated = chosen.heading.unit
    if chosen.heading.basis == EXACT or values.count(None) == len(values):
        return
    if stated is None and beside is not None:
        units = {canonical(v) if is_unit(v) else None for v, cell in zip(beside, values) if cell is not None}
        if len(units) == 1:
            stated = next(iter(units))
        elif None not in units or any(units):
            # Each row has its own: written behind the figure, where the reading of cells understands it.
            made.values[field] = [_with_unit(cell, unit) for cell, unit in zip(values, beside)]
            made.how[field] = (*made.how[field][:1], made.how[field][1] + ", units in a column", made.how[field][2])
            return
    unit, codes = column_unit(field, stated, _figures(values))
    if unit and unit != FIELDS[field].unit:
        made.units[field] = unit
    line = f'{field} = {{ {where.line(chosen.at)}, unit = "{FIELDS[field].unit}" }}'
    for code, params in codes:
        made.notes.append(
            Note(
                code,
                where.sheet,
                where.cell(chosen.at),
                chosen.text,
                {**params, "heading": FIELDS[field].heading, "line": line},
            )
        )


def _with_unit(value: Any, unit: Any) -> Any:
    if value is None or isinstance(value, Unreadable):
        return value
    if type(unit) is str and canonical(unit) is not None:
        return f"{value} {unit.strip()}" if type(value) in (int, float) or _is_figure(value) else value
    return Unreadable(str(value), "no_unit")


def _is_figure(value: Any) -> bool:
    return type(value) is str and not parse_number(value).code and parse_number(value).unit is None


# ------------------------------------------------------------------------------------- what is not clear


def _one_unclear(made: Fields, c: Column, values: list[Any], where: Where) -> None:
    """A filled column that can be several fields: those it can be are not read, rather than not tested."""
    if values.count(None) == len(values):
        return
    candidates = c.heading.candidates
    open_fields = [f for f in candidates if f not in made.values or _doubted(made, f)]
    clear = [f for f in candidates if f in made.values and not _doubted(made, f)]
    if not open_fields and (c.weak and another_thing(c.text) or not _rivals(clear, values)):
        # Another thing than the column that is clear: left over.
        made.notes.append(Note("unknown_column", where.sheet, where.cell(c.at), c.text, {"heading": c.text}))
        return
    choices = ", ".join(FIELDS[f].heading for f in candidates)
    unit = FIELDS[candidates[0]].unit
    line = f"{candidates[0]} = {{ {where.line(c.at)}" + (f', unit = "{unit}"' if unit else "") + " }"
    made.notes.append(
        Note(
            "heading_unclear",
            where.sheet,
            where.cell(c.at),
            c.text,
            {"choices": choices, "line": line, "why": c.heading.why},
        )
    )
    rivals = [f for f in clear if f in READINGS and not another_thing(c.text)] if not open_fields else []
    for field in [*open_fields, *rivals]:
        if field not in _DOUBTED:
            continue
        old = made.values.get(field)
        made.values[field] = twice([old, values] if old is not None else [values], "unclear")
        made.places.setdefault(field, where.place(c.at))
        made.units.pop(field, None)
        made.how[field] = (c.text, "not read: the heading is not clear", "unsure")


def _doubted(made: Fields, field: str) -> bool:
    return made.how.get(field, ("", "", ""))[2] == "unsure"


def _rivals(clear: list[str], values: list[Any]) -> bool:
    return any(f in READINGS for f in clear) and bool(_figures(values))


# ------------------------------------------------------------------------------------------- percent formats


def through_percent(made: Fields, field: str, index: int) -> None:
    """A number through a percent format is a hundredth of what the sheet shows.

    In a column in per cent the sheet's figure is taken; an oxygen fraction stays, the notation stage reads it;
    in ppm or mg/m³ the two contradict each other, and it is not read.
    """
    value = made.values[field][index]
    if type(value) not in (int, float) or (field in FRACTIONS and field not in made.units and 0 <= value <= 1):
        return
    if made.units.get(field) == "%":
        made.values[field][index] = round(value * 100.0, 10)
    else:
        made.values[field][index] = Unreadable(f"{value * 100:.10g}%", "percent")
