"""Limits printed beside readings of flow and line pressure, in columns, rows and headings: what is needed of them."""

from __future__ import annotations

from collections.abc import Container, Sequence
from typing import Any, NamedTuple

from grader.problems import Place, Unclear
from grader.read.given import Given
from grader.read.shapes.tables import shown
from grader.read.words.heading_words import LIKELY
from grader.read.words.headings import Heading
from grader.read.words.labels import Column, is_limit, label
from grader.read.words.needs import LEAST, MOST, NEEDS, Asked, asked, asked_in, bound_of, side_of
from grader.read.words.notation import as_number
from grader.read.words.units import belongs

PRINTED = "limit printed for the reading"


class Need(NamedTuple):
    """What is asked of a reading: the fields that it can be, whether it is surely the first, what says so, one value a test."""

    choices: tuple[str, ...]
    sure: bool
    text: str
    place: Place
    values: list[Any]


def reading_of(c: Column) -> str:
    """The flow or line pressure that a heading or label is, also where it is one by a general word; else ""."""
    field = c.field or (c.heading.candidates[0] if c.heading.general and c.kind == "unclear" else "")
    return field if field in NEEDS else ""


def asks(text: Any) -> bool:
    """Whether a text over or beside figures says that they are limits or needs."""
    return type(text) is str and (is_limit(text) or bool(side_of(text)))


def needs(c: Column, cells: Sequence[Any], over: str, place: Place) -> list[Need]:
    """What cells, one a test, ask of the reading of a line. over : what stands over them; "" where the line says it itself."""
    reading, side = reading_of(c), side_of(over)
    made: dict[str, Need] = {}
    for test, cell in enumerate(cells):
        for one in asked(reading, cell, side) if reading else ():
            if choices := one.choices(reading):
                text = f"{c.text} / {over}" if over else c.text
                need = made.setdefault(one.side, Need(choices, bool(one.side), text, place, [None] * len(cells)))
                need.values[test] = _value(c, one)
    return list(made.values())


def needs_in_heading(c: Column, reading: str, place: Place, tests: int) -> list[Need]:
    """What a heading asks of its own reading."""
    made = ((one.choices(reading), _value(c, one)) for one in asked_in(reading, c.text))
    return [Need(choices, True, c.text, place, [value] * tests) for choices, value in made if choices]


def _value(c: Column, one: Asked) -> Any:
    unit = one.unit or c.heading.unit or c.heading.told
    return f"{one.figure:.10g} {unit}" if unit else one.figure


def stated(
    found: Sequence[Need], given: dict[str, Given], held: Container[str], printed: Sequence[str], tests: int
) -> list[Unclear]:
    """Take what is needed for all tests into what is given; what is not certain, or stated otherwise, is judged both ways.

    held : fields that each test states itself. printed : of them those of a column of limits.
    """
    above = {f: one for f in printed if tests and (one := given.get(f)) is not None}
    tried = [_tried((f,), one.text, one.place, [one.value] * tests) for f, one in above.items()]  # "Required" says less
    for need in found:
        field, value = need.choices[0], need.values[0] if need.values else None
        if value is None and not any(v is not None for v in need.values):
            continue
        alike = need.values.count(value) == len(need.values)
        if need.sure and alike and field not in given and field not in held:
            given[field] = Given(need.place, value, need.text, PRINTED, LIKELY)
        elif field not in given or given[field].value != value:
            tried.append(_tried(need.choices, need.text, need.place, need.values))
    return tried


def _tried(choices: tuple[str, ...], text: str, place: Place, values: list[Any]) -> Unclear:
    one = next(v for v in values if v is not None)
    line = f"{choices[0]} = {one}" if type(one) is float else f'{choices[0]} = "{shown(one)}"'
    return Unclear(text, place, tuple((f, "") for f in choices), values, line, aside=True)


def limits_behind(lines: Sequence[Column]) -> dict[int, Column]:
    """Positions of the columns of limits right behind a flow or line pressure, or of Min and Max -> the line of that reading."""
    made: dict[int, Column] = {}
    before: Column | None = None
    for i, c in enumerate(lines):
        beside = {bound_of(x.text) for x in lines[max(i - 1, 0) : i + 2]} if not c.field and bound_of(c.text) else set()
        if c.kind != "limit" and not beside.issuperset((LEAST, MOST)):  # "Min" alone may be minutes
            before = c if c.kind != "unit" else before
        elif before is not None and reading_of(before):
            made[c.at] = before
    return made


def with_columns_of_needs(lines: Sequence[Column]) -> list[Column]:
    """Headings in which such a column is that of what is needed, where its heading says that this is the least or the most."""
    behind = limits_behind(lines)
    return [_need_of(behind[c.at], c) if c.at in behind and side_of(c.text) else c for c in lines]


def _need_of(reading: Column, c: Column) -> Column:
    unit, choices = (
        reading.heading.unit or reading.heading.told,
        Asked(side_of(c.text), 0.0, "").choices(reading_of(reading)),
    )
    if not choices:
        return c
    unit = unit if unit and belongs(choices[0], unit) else None
    heading = Heading(choices[0], unit, "synonym", LIKELY, choices, PRINTED, "heading" if unit else "")
    return c._replace(kind="field", heading=heading, how=PRINTED)


def figures_of(c: Column, cells: Sequence[Any]) -> list[Any]:
    """The cells of a line; of a column of limits taken for needs the figure that each asks for: "150 min"."""
    known = label(c.text)
    if known is not None and known.field:
        return list(cells)  # where a heading asks for a need itself, `≥150` is a bound
    found = [(reading, side) for reading, of in NEEDS.items() for side, field in of.items() if field == c.field]
    return [_figure_of(c, *found[0], v) if found and type(v) is str else v for v in cells]


def _figure_of(c: Column, reading: str, side: str, cell: str) -> Any:
    """The figure of a cell that asks for what its column is of; the cell as it is where it is a figure, or not known."""
    plain = as_number(cell)
    if plain is not None and not plain.bound and (plain.unit is None or belongs(c.field, plain.unit)):
        return cell
    found = [one for one in asked(reading, cell, side) if one.side == side]
    return _value(c, found[0]) if found else cell
