"""Whether a heading that says no more than "Lowest °C" is the lowest temperature of use, by what stands around it.

It may be that of the day, a dryer, an instrument, a store of paint: with such a word above it or at its left, a highest
temperature on the sheet, or another temperature in its table, it stays doubtful. Words: aside of [words] in
data/headings-<language>.toml.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from typing import Any

from grader.columns import FIELDS
from grader.read.shapes.grid import Cell, Grid
from grader.read.words.composed import speaks_of
from grader.read.words.heading_words import word_list
from grader.read.words.headings import unit_stated
from grader.read.words.labels import Column, label
from grader.read.words.phrases import WORD, Phrases
from grader.read.words.spelling import BREAK, key
from grader.read.words.unclear import classes_of
from grader.read.words.units import canonical, quantity

_FIELD = "lowest_use_temperature_c"
_OTHERS = frozenset(f.name for f in FIELDS.values() if f.unit == "°C" and "dew" not in f.name)
# Longer texts are no headings.
_LONGEST = 60


def doubtful(grid: Grid, spots: Mapping[int, Cell], lines: Sequence[Column]) -> set[int]:
    """The lines of a table, or labels, whose general word for the lowest temperature may be of something else.

    spots : line -> position of its first value in the grid.
    """
    general = (c for c in lines if c.heading.general and c.heading.candidates[:1] == (_FIELD,) and c.at in spots)
    return {c.at for c in general if not _is_of_use(grid, c, spots[c.at], [o for o in lines if o is not c])}


def _is_of_use(grid: Grid, c: Column, spot: Cell, others: list[Column]) -> bool:
    """Whether nothing speaks against a general word. others : of its table, or the labels beside it."""
    if speaks_of(c.text, "place", "use"):  # beside "Max temp in use" it is that of a day
        return not any(_FIELD in o.heading.candidates and "highest" in classes_of(o.text) for o in others)
    if any(map(_is_temperature, others)):
        return False
    whole, (row, column) = grid.origin(*spot)
    row, column, beside = _heading(whole, c.text, whole.row_of(row), whole.column_of(column))
    near = {v for cells in whole.rows[max(row - 1, 0) : row + 2] for v in cells if type(v) is str}
    highest = any(_is_highest(text, text in near) for text in whole.texts if len(text) <= _LONGEST)
    return not highest and not any(map(is_aside, _around(whole, row, column, beside)))


def is_aside(text: str) -> bool:
    """Whether a text names what has a lowest temperature and is no place of use.

    >>> is_aside("Compressor room"), is_aside("Blast room")
    (True, False)
    """
    return bool(_aside().standing([*map(key, WORD.findall(text))]))


@cache
def _aside() -> Phrases:
    return Phrases({"aside": word_list("aside")})


def _is_temperature(c: Column) -> bool:
    fields = (c.field,) if c.field else c.heading.candidates[:1] if c.kind == "unclear" else ()
    return not _OTHERS.isdisjoint(fields)


def _heading(whole: Grid, text: str, row: int, column: int) -> tuple[int, int, bool]:
    """Where the heading of a value stands, and whether it is a label at its left and not above it."""
    spelled = key(text)

    def is_it(cell: Any) -> bool:
        return type(cell) is str and bool(key(cell)) and key(cell) in spelled

    for at in range(column, -1, -1):
        if is_it(whole.rows[row][at]):
            return row, at, True
    for above in range(row - 1, -1, -1):
        if is_it(whole.over(above, column)):
            return above, column, False
    return row, column, True


def _is_highest(text: str, near: bool) -> bool:
    """Whether a text is a heading for a highest temperature; near : beside the lowest, where "Max" alone is one."""
    classes = classes_of(text)
    if "highest" not in classes or classes & {"dew", "pdp"}:
        return False
    of = unit_stated(text)
    if of is not None:
        return quantity(of) == "temperature"
    alone = all("highest" in classes_of(w) or canonical(w) for w in BREAK.split(text) if w)
    return "temp" in classes or near and alone


def _around(whole: Grid, row: int, column: int, beside: bool) -> Iterator[str]:
    """Titles, groups and texts at the left of a heading or above it, up to the next blank row; no labels that have values."""
    if beside:
        cells = whole.rows[row]
        yield from (v for at, v in enumerate(cells[:column]) if type(v) is str and not _is_paired(cells, at, column))
    for above in range(row - 1, -1, -1):
        cells = whole.rows[above]
        filled = [at for at, v in enumerate(cells) if v is not None]
        if not filled:
            # A title of labels may have a blank row below it; the first of a sheet is that of the sheet.
            under = any(v is not None for cells in whole.rows[: max(above - 1, 0)] for v in cells)
            title = whole.rows[above - 1] if beside and above == row - 1 and under else ()
            alone = [v for v in title if v is not None]
            yield from (v for v in alone if len(alone) == 1 and type(v) is str)
            return
        near = max((at for at in filled if at <= column), default=filled[0])
        if type(cells[near]) is str and not _is_paired(cells, near, len(cells)):
            yield cells[near]


def _is_paired(cells: Sequence[Any], at: int, stop: int) -> bool:
    """Whether a cell is a label of ours with its value beside it, or such a value. An instrument is a thing all the same."""
    has_value = at + 1 < stop and cells[at + 1] is not None
    return has_value and _is_ours(cells[at]) or at > 0 and _is_ours(cells[at - 1])


def _is_ours(cell: Any) -> bool:
    known = label(cell)
    return known is not None and known.field not in (None, "instrument")
