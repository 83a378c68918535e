"""A sheet whose one heading comes again, each time under its own outlet, day or pressure: sections that are read one by one.

What is stated in every section holds in it alone; what is stated over the first and nowhere below it holds for all.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Sequence
from typing import Any

from grader.read.extract import Proposal
from grader.read.given import Given
from grader.read.shapes.banners import place_of
from grader.read.shapes.grid import Grid
from grader.read.shapes.pairs import pairs
from grader.read.words.dates import date_within, of_a_visit
from grader.read.words.labels import SHARED, column, kind_of, known_words, label, looks_like_value

_OF_A_SECTION = SHARED | {"outlet", "line_pressure_bar"}
_GO_ON = {"client", "site", "site_address", "system", "location"}  # a place goes on until another is named
_LEAST_HEADINGS = 2
# Shapes that know one heading; forms begin anew by themselves.
_ONE_BY_ONE = {"down", "long"}
_LONGEST_NAME = 60


def in_sections(grid: Grid, propose: Callable[[Grid], list[Proposal]]) -> list[Proposal]:
    """The proposals of each section of a sheet, with what holds for all; those of the whole sheet where it has none.

    propose : what makes the proposals of one grid.
    """
    whole = propose(grid)
    heads = _headings(grid) if whole and whole[0].shape != "across" else []  # blocks across begin anew by themselves
    if len(heads) < 2:
        return whole
    starts, at_foot = _starts(grid, heads)
    titles = _titles(grid, heads)
    if not at_foot and not {p.shape for p in whole} & _ONE_BY_ONE:
        return whole
    if not starts and (not titles or any(map(_names_outlets, whole))):
        return whole
    starts = starts or titles
    ends = [*(s - 1 for s in starts[1:]), len(grid.rows) - 1]
    parts = [propose(grid.cut(grid.outer[first], grid.outer[last])) for first, last in zip([0, *starts[1:]], ends)]
    if not all(any(p.tests for p in some) for some in parts):
        return whole
    made = _with_what_goes_on(parts)
    return _titled(grid, made, titles) if len(titles) == len(made) else made


def _names_outlets(p: Proposal) -> bool:
    return "outlet" in p.given or any(c.field == "outlet" for c in p.lines)


def _titled(grid: Grid, made: list[Proposal], titles: Sequence[int]) -> list[Proposal]:
    """The proposals with what their titles name: their outlets where nothing else does, else where they are."""
    of_outlets = not any(map(_names_outlets, made))
    kept = []
    for p, row in zip(made, titles):
        at, name = next((at, v) for at, v in enumerate(grid.rows[row]) if v is not None)
        place, notes = grid.place(row, at), p.notes
        if of_outlets:
            named = {"outlet": Given(place, name, name, "title over its tests")}
        elif named := place_of(name, place, {*p.given, *(c.field for c in p.lines)}):
            what = next(iter(named))
            notes = [*notes, grid.note("banner_guessed", row, at, name, what=what, line=f'{what} = "{name}"')]
        kept.append(p._replace(given={**named, **p.given}, notes=notes))
    return kept


def _with_what_goes_on(sections: list[list[Proposal]]) -> list[Proposal]:
    """The proposals with what is said over the first section and no more, and places until others are said."""
    again = {f for some in sections[1:] for p in some for f in p.given} - _GO_ON
    above: dict[str, Given] = {}
    kept: list[Proposal] = []
    for some in sections:
        first = not kept
        for p in some:
            # One layout serves all of them, but forms, whose cells it names.
            group = sum(max(len(q.parts), 1) for q in kept) if p.shape != "form" else 0
            kept.append(p._replace(given={**above, **p.given}, group=group))
        for p in some:
            above |= {f: one for f, one in p.given.items() if f in _GO_ON or first and f not in again}
    return kept


def _starts(grid: Grid, heads: Sequence[int]) -> tuple[list[int], bool]:
    """The first row of each section by what is said about it, and whether that stands at its foot; [] where nothing is."""
    found = [p for p in pairs(grid, 0, len(grid.rows)) if p.value is not None and p.row not in heads]
    bounds = [-1, *heads, len(grid.rows)]
    said = [
        {p.label.field: p for p in found if top < p.row < below and p.label.field in _OF_A_SECTION}
        for top, below in zip(bounds, bounds[1:])
    ]
    # The same over each, as on every page of a list, is no section.
    over = {f for f in said[0] if len({str(some[f].value) for some in said[:-1] if f in some}) > 1}
    if over:
        starts = [
            _start(grid, top, head, [some[f].row for f in over if f in some])
            for top, head, some in zip(bounds, heads, said)
        ]
        return [row for row in starts if row is not None], False
    headed = {f for v in grid.rows[heads[0]] if v is not None for f in column(-1, v).heading.candidates}
    if "outlet" not in headed and all("outlet" in some for some in said[1:]):
        return [0, *(some["outlet"].row + 1 for some in said[1:-1])], True
    return [], False


def _start(grid: Grid, top: int, head: int, said: Collection[int]) -> int | None:
    """The first of the lines right above a heading and its labels; None where nothing stands over it: the section goes on."""
    row = min(said, default=head)
    while row - 1 > top and _is_line(grid, row - 1):
        row -= 1
    return row if said or row < head else None


def _is_line(grid: Grid, row: int) -> bool:
    return len(grid.rows[row]) - grid.rows[row].count(None) == 1


def _titles(grid: Grid, heads: Sequence[int]) -> list[int]:
    """The row of the one short text right above each heading and its labels, no two the same; [] where one has none."""
    rows = []
    for top, head in zip([-1, *heads], heads):
        row = head
        while row - 1 > top and any(v is not None for v in grid.rows[row - 1]):
            row -= 1
        text = next((v for v in grid.rows[row] if v is not None), None)
        if row == head or not _is_line(grid, row) or not _is_name(text):
            return []
        rows.append(row)
    return rows if len({str(grid.rows[row]) for row in rows}) == len(rows) else []


def _is_name(text: Any) -> bool:
    if type(text) is not str or len(text) > _LONGEST_NAME or looks_like_value(text):
        return False
    return not (":" in text or date_within(text) or of_a_visit(text) or label(text) or kind_of(text))


def _headings(grid: Grid) -> list[int]:
    """The rows of the heading that comes again: of two words or more, of which two at least head columns."""
    rows = list(map(tuple, grid.rows))
    count = Counter(rows)
    again = next((row for row, n in count.items() if n > 1 and _is_heading(row)), None)
    return [i for i, row in enumerate(rows) if row == again] if again else []


def _is_heading(row: tuple[Any, ...]) -> bool:
    filled = [v for v in row if v is not None]
    if len(filled) < _LEAST_HEADINGS or any(type(v) is not str or looks_like_value(v) for v in filled):
        return False
    return sum(bool(kind_of(v) or label(v) or known_words(v)) for v in filled) >= _LEAST_HEADINGS
