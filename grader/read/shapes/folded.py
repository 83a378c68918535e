"""Tables that give each test two rows, under two rows of headings each of which is whole: written out side by side.

Outlet | Oxygen % | CO ppm         Outlet | Oxygen % | CO ppm | | Oil mg/m³ | Water mg/m³
       | Oil mg/m³ | Water mg/m³   A      | 20.9     | 1      | | 0.1       | 50
A      | 20.9     | 1
       | 0.1      | 50
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from grader.read.shapes.grid import Grid, Origin, Rewritten
from grader.read.shapes.heads import columns_of, is_units
from grader.read.shapes.proposal import OF_A_READING, Part, Proposal
from grader.read.shapes.tables import Note
from grader.read.words.labels import READINGS

_SEARCHED = 60  # rows in which the headings are looked for
_LEAST = 2  # headings of readings in the second row


class Folded(Rewritten):
    """A grid each row of which may hold a second row of the sheet behind its own cells.

    untold : where rows begin of which nothing tells what is the second of another; they are not read.
    """

    untold: Sequence[str] = ()


def folded(grid: Grid) -> Grid:
    """A sheet whose tests take two rows each with these beside each other; any other sheet as it is."""
    for top in range(min(len(grid.rows) - 3, _SEARCHED)):
        if any(type(v) is not str for v in grid.rows[top] if v is not None):
            continue  # no heading
        count = 2 if is_units(grid.rows[top + 1]) else 1  # rows of each heading: a row of units below it
        outlet = _outlet(grid, top, count)
        pairs, untold = _pairs(grid, top, count, outlet) if outlet >= 0 else ({}, set())
        if len(pairs) > count or untold:
            left_out = {*pairs.values(), *untold}
            kept = [r for r in range(len(grid.rows)) if r not in left_out]
            blank, width = [None] * grid.width, range(grid.width)
            rows: list[Sequence[Any]] = [[*grid.rows[r], *(grid.rows[pairs[r]] if r in pairs else blank)] for r in kept]
            origins: list[list[Origin]] = [[(grid, at, c) for at in (r, pairs.get(r, r)) for c in width] for r in kept]
            made = Folded(grid, rows, origins, kept.index(top), [grid.outer[r] for r in kept])
            made.untold = [grid.address(r, outlet) for r in sorted(untold)]
            return made
    return grid


def _outlet(grid: Grid, top: int, count: int) -> int:
    """The column of outlets where two headings of so many rows below each other are whole, of other things each; -1 where not."""
    heads = [[top + i, top + i + 1][:count] for i in (0, count)]
    if heads[1][-1] + 2 > len(grid.rows) or count > 1 and not is_units(grid.rows[heads[1][1]]):
        return -1
    if any(type(v) is not str for r in (top, top + count) for v in grid.rows[r] if v is not None):
        return -1
    first, second = ({c.at: c.field for c in columns_of(grid, rows) if c.field} for rows in heads)
    at = next((at for at, field in first.items() if field == "outlet"), -1)
    apart = set(first.values()).isdisjoint(second.values())
    read = [at for at, field in second.items() if field in READINGS]
    over = any(first.get(at) in READINGS for at in read)
    return at if apart and over and len(read) >= _LEAST else -1


def _pairs(grid: Grid, top: int, count: int, outlet: int) -> tuple[dict[int, int], set[int]]:
    """First rows -> second rows, of the headings, as often as they come, and of tests below them; rows that cannot be told.

    The second row of a test names no outlet; where something else stands below the outlets' heading the rows are told
    by their order, if they are even in number.
    """
    made: dict[int, int] = {}
    untold: set[int] = set()
    rows = grid.rows
    named = rows[top + count][outlet] is not None
    row, stop = top, 0
    while row + 1 < len(rows):
        if rows[row : row + 2 * count] == rows[top : top + 2 * count]:
            made |= {row + i: row + count + i for i in range(count)}
            row += 2 * count
            stop = next((r for r in range(row, len(rows)) if grid.is_blank(r)), len(rows))
            if named and (stop - row) % 2 and any(type(v) in (int, float) for v in rows[stop - 1]):
                untold |= set(range(row, stop))
                row = stop
        elif row + 1 < stop and (named or rows[row][outlet] is not None and rows[row + 1][outlet] is None):
            made[row] = row + 1
            row += 2
        else:
            row += 1
    return made, untold


def with_places(p: Proposal) -> Proposal:
    """A proposal of a folded grid, each value of a test with its own cell."""
    if not isinstance(p.grid, Folded):
        return p
    grid = p.grid
    if grid.untold:
        first, last = grid.untold[0], grid.untold[-1]
        p.notes.append(Note("form_left_over", grid.name, first, "", {"cells": f"{first} to {last}"}))
    if not p.tests:
        return p
    parts = [Part(i, i + 1, part.given) for part in p.parts for i in range(part.first, part.stop)]
    lines = [c._replace(how=OF_A_READING) if c.field else c for c in p.lines]
    return p._replace(parts=parts, lines=lines, places=lambda line, test: grid.place(*p.spots(line, test)))
