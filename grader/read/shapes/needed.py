"""Limits printed beside readings of flow and line pressure, in columns, rows and headings: what is needed of them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Container, Iterable, Sequence
from typing import Any, NamedTuple

from grader.problems import Place, Unclear
from grader.read.given import Given
from grader.read.settle import as_field
from grader.read.shapes.tables import shown
from grader.read.words.heading_words import LIKELY
from grader.read.words.labels import Column, is_limit, label
from grader.read.words.needs import LEAST, MOST, NEEDED, UNLIMITED, Asked, asked, bound_of, choices, side_of
from grader.read.words.notation import as_number
from grader.read.words.units import belongs

PRINTED = "limit printed for the reading"


class Limit(NamedTuple):
    """Cells, one a test, that are printed as limits of the reading of a line; its own heading among them.

    over : what stands over them, "" where they say themselves what they are. sure : whether they can be nothing else.
    """

    line: Column
    cells: Sequence[Any]
    place: Place
    over: str = ""
    sure: bool = True


def reading_of(c: Column) -> str:
    """The flow or line pressure that a heading or label is, also where it is one by a general word; else ""."""
    field = c.field or (c.heading.candidates[0] if c.heading.general and c.kind == "unclear" else "")
    return field if field in UNLIMITED else ""


def asks(text: Any) -> bool:
    """Whether a text over or beside figures says that they are limits or needs."""
    return type(text) is str and (is_limit(text) or bool(side_of(text)))


def stated(
    limits: Iterable[Limit], given: dict[str, Given], held: Container[str], printed: Iterable[str], tests: int
) -> list[Unclear]:
    """Take what is needed for all tests into what is given; what is not certain, or stated otherwise, is judged both ways.

    held : fields that each test states itself. printed : of them those of a column of limits.
    """
    above = {f: one for f in printed if tests and (one := given.get(f)) is not None}
    tried = [_tried((f,), one.text, one.place, [one.value] * tests) for f, one in above.items()]  # "Required" says less
    for limit in limits:
        text = f"{limit.line.text} / {limit.over}" if limit.over else limit.line.text
        for side, values in _asked(limit):
            field, *_ = can_be = choices(reading_of(limit.line), side)
            alike = values.count(values[0]) == len(values)
            if side and limit.sure and alike and field not in given and field not in held:
                given[field] = Given(limit.place, values[0], text, PRINTED, LIKELY)
            elif field not in given or given[field].value != values[0]:
                tried.append(_tried(can_be, text, limit.place, values))
    return tried


def _asked(limit: Limit) -> Iterable[tuple[str, list[Any]]]:
    """What cells ask of their reading as (LEAST, MOST or "", one value a test)."""
    c, reading, over = limit.line, reading_of(limit.line), side_of(limit.over)
    made: dict[tuple[str, int], list[Any]] = {}
    cells = limit.cells if reading else ()
    texts = {v: asked(reading, v, over, in_heading=v == c.text) for v in set(cells) if type(v) is str}
    for test, cell in enumerate(cells):
        if not (asking := texts[cell] if type(cell) is str else asked(reading, cell, over)):
            continue
        seen = Counter[str]()
        for one in asking:
            seen[one.side] += 1
            if choices(reading, one.side):
                made.setdefault((one.side, seen[one.side]), [None] * len(limit.cells))[test] = _value(c, one)
    return [(side, values) for (side, _), values in made.items()]


def _value(c: Column, one: Asked) -> Any:
    unit = one.unit or c.heading.unit or c.heading.told
    return f"{one.figure:.10g} {unit}" if unit else one.figure


def _tried(fields: tuple[str, ...], text: str, place: Place, values: list[Any]) -> Unclear:
    one = next(v for v in values if v is not None)
    line = f"{fields[0]} = {one}" if type(one) is float else f'{fields[0]} = "{shown(one)}"'
    return Unclear(text, place, tuple((f, "") for f in fields), values, line, aside=True)


def with_columns_of_needs(lines: Sequence[Column]) -> tuple[list[Column], dict[int, Column]]:
    """Headings in which a column of limits right behind a flow or line pressure, or of Min and Max, is that of what is needed
    where it says that this is the least or the most; and of those that do not say so, position -> the line of the reading."""
    made: list[Column] = []
    limits: dict[int, Column] = {}
    before: Column | None = None
    told = False  # of that line what is needed has a column
    for i, c in enumerate(lines):
        made.append(c)
        beside = {bound_of(x.text) for x in lines[max(i - 1, 0) : i + 2]} if not c.field and bound_of(c.text) else set()
        if c.kind != "limit" and not beside.issuperset((LEAST, MOST)):  # "Min" alone may be minutes
            before, told = (c, False) if c.kind != "unit" else (before, told)
        elif before is not None and reading_of(before):
            if fields := choices(reading_of(before), side) if (side := side_of(c.text)) else ():
                unit = before.heading.unit or before.heading.told
                made[-1] = as_field(c._replace(heading=c.heading._replace(told=unit)), fields[0], PRINTED)
                told = True
            elif not told:
                limits[c.at] = before
    return made, limits


def figures_of(c: Column, cells: Sequence[Any]) -> list[Any]:
    """The cells of a line; of a column of limits taken for needs the figure that each asks for: "150 min"."""
    if c.field not in NEEDED or (known := label(c.text)) is not None and known.field:
        return list(cells)  # where a heading asks for a need itself, `≥150` is a bound
    reading, side = NEEDED[c.field]

    def is_figure(cell: Any) -> bool:
        plain = as_number(cell)
        return plain is not None and not plain.bound and (plain.unit is None or belongs(c.field, plain.unit))

    found = [
        None if is_figure(v) else next((a for a in asked(reading, v, side) if a.side == side), None) for v in cells
    ]
    return [_value(c, one) if one else v for one, v in zip(found, cells)]
