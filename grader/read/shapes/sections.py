"""A sheet whose one heading comes again, each time under its own outlet, day or pressure: sections that are read one by one.

What is stated in every section holds in it alone; what is stated over the first and nowhere below it holds for all.
"""

from __future__ import annotations

from bisect import bisect
from collections import Counter
from collections.abc import Callable, Container, Sequence
from typing import Any

from grader.read.extract import Proposal
from grader.read.given import Given, going_on
from grader.read.shapes.banners import place_of
from grader.read.shapes.grid import Grid
from grader.read.shapes.labelled import Pair
from grader.read.shapes.pairs import labels_alone, pairs
from grader.read.words.dates import date_within, of_a_visit
from grader.read.words.heading_words import row_words
from grader.read.words.labels import READINGS, SHARED, column, kind_of, known_words, label, looks_like_value
from grader.read.words.said import NAME, against, titled
from grader.read.words.spelling import BREAK, key
from grader.read.words.unclear import classes_of

_OF_A_SECTION = SHARED | {"outlet", "line_pressure_bar"}
_LEAST_HEADINGS = 2
# Shapes that know one heading; forms begin anew by themselves.
_ONE_BY_ONE = {"down", "long"}
_LONGEST_NAME = 60


def in_sections(grid: Grid, propose: Callable[[Grid], list[Proposal]]) -> list[Proposal]:
    """The proposals of each section of a sheet, with what holds for all; those of the whole sheet where it has none.

    propose : what makes the proposals of one grid.
    """
    heads = _headings(grid)
    said, at_foot = _starts(grid, heads) if len(heads) > 1 else ([], False)
    titles = _titles(grid, heads)
    starts = said or titles
    parts: list[list[Proposal]] = []
    for first, stop in zip([0, *starts[1:]], [*starts[1:], len(grid.rows)]) if len(starts) > 1 else ():
        parts.append(propose(grid.part(range(first, stop), range(grid.width))))
        if not any(p.tests for p in parts[-1]) or parts[-1][0].shape == "across":  # that begins anew by itself
            return propose(grid)
    shapes = {p.shape for some in parts for p in some}
    named = not said and any(p.has("outlet") for some in parts for p in some)
    if not parts or named or not at_foot and not shapes & _ONE_BY_ONE:
        return propose(grid)
    past = [_is_past(grid, first, next(h for h in heads if h >= first)) for first in starts]
    made = _with_what_goes_on([some for some, of_past in zip(parts, past) if not of_past])
    of_earlier = [(row, *grid.filled(row)[0]) for row, of_past in zip(starts, past) if of_past]
    notes = [grid.note("label_not_used", *at, label=str(at[2])) for at in of_earlier]
    if notes and made:
        made[-1] = made[-1]._replace(notes=[*made[-1].notes, *notes])
    return _titled(grid, made, titles) if len(titles) == len(made) else made


def _is_past(grid: Grid, first: int, head: int) -> bool:
    """Whether a line over a heading says that its tests are of an earlier visit."""
    lines = (grid.alone(row)[1] for row in range(first, head))
    return any(type(text) is str and kind_of(text) == "earlier" for text in lines)


def _titled(grid: Grid, made: list[Proposal], titles: Sequence[int]) -> list[Proposal]:
    """The proposals with what their titles name: their outlets where nothing else does, else where they are."""
    of_outlets = not any(p.has("outlet") for p in made)
    kept = []
    for p, row in zip(made, titles):
        at, name = grid.alone(row)
        place, notes = grid.place(row, at), p.notes
        named = place_of(name, place, {*p.given, *(c.field for c in p.lines)})
        if of_outlets:
            named = {"outlet": Given(place, name, name, "title over its tests")}
            notes = [n for n in notes if n.code != "no_outlet_column"]
        for what in named:
            notes = [*notes, grid.note("banner_guessed", row, at, name, what=what, line=f'{what} = "{name}"')]
        kept.append(p._replace(given={**named, **p.given}, notes=notes))
    return kept


def _with_what_goes_on(sections: list[list[Proposal]]) -> list[Proposal]:
    """The proposals of all sections, each with what goes on from those above it."""
    above = going_on([{f: one for p in some for f, one in p.given.items()} for some in sections])
    kept: list[Proposal] = []
    for some, more in zip(sections, above):
        for p in some:
            # One layout serves sections of one table each, but forms, whose cells it names.
            single = len(sections[0]) == 1 and p.shape != "form"
            group = sum(max(len(q.parts), 1) for q in kept) if single else p.group
            kept.append(p._replace(given={**more, **p.given}, group=group))
    return kept


def _starts(grid: Grid, heads: Sequence[int]) -> tuple[list[int], bool]:
    """The first row of each section by what is said about it, and whether that stands at its foot; [] where nothing is."""
    found = [p for p in pairs(grid, 0, len(grid.rows)) if p.value is not None and p.row not in heads]
    bounds = [-1, *heads, len(grid.rows)]
    # Of several in a section the last one: what is said of a reading stands above the labels of the next section.
    labels = [p for p in found if p.label.field in _OF_A_SECTION]
    places = [bisect(heads, p.row - 1) for p in labels]
    said: list[dict[str, Pair]] = [{} for _ in bounds[1:]]
    for p, at in zip(labels, places):
        said[at][p.label.field] = p
    # The same over each, as on every page of a list, is no section.
    over = {f for f in said[0] if len({str(some[f].value) for some in said[:-1] if f in some}) > 1}
    readings = {p.row for p in found if p.label.field in READINGS and p.label.field not in over}
    past = [_is_past(grid, top + 1, head) for top, head in zip(bounds, heads)]
    if over or any(past):
        starts: list[int] = []
        for top, head, some, of_past in zip(bounds, heads, said, past):
            row = _start(grid, top, head, readings)
            titled = "outlet" in over and row < head and is_name(grid.alone(row)[1])
            if some or titled or of_past or not starts:
                starts.append(row)
        return starts, False
    headed = {f for v in grid.rows[heads[0]] if v is not None for f in column(-1, v).heading.candidates}
    if "outlet" not in headed and all("outlet" in some for some in said[1:]):
        return [0, *(some["outlet"].row + 1 for some in said[1:-1])], True
    return [], False


def _start(grid: Grid, top: int, head: int, readings: Container[int]) -> int:
    """The first row of what is said about the table below a heading: behind the first gap, else up to the last reading."""
    gap = next((row for row in range(top + 1, head) if grid.is_blank(row)), None if top >= 0 else -1)
    if gap is not None:
        return next((row for row in range(gap + 1, head) if not grid.is_blank(row)), head)
    row = head
    while row - 1 > top and row - 1 not in readings and _says(grid, row - 1):
        row -= 1
    return row


def _says(grid: Grid, row: int) -> bool:
    """Whether a row is a line alone, or holds nothing but labels and their values."""
    return grid.alone(row)[0] >= 0 or bool(labels_alone(grid, row))


def _titles(grid: Grid, heads: Sequence[int]) -> list[int]:
    """The row of the one short text right above each heading and its labels, no two the same; [] where one has none."""
    rows = []
    for top, head in zip([-1, *heads], heads):
        row = head
        while row - 1 > top and not grid.is_blank(row - 1):
            row -= 1
        if row == head or not is_name(grid.alone(row)[1]):
            return []
        rows.append(row)
    return rows if len({str(grid.rows[row]) for row in rows}) == len(rows) else []


def is_name(text: Any) -> bool:
    """Whether what stands alone in its row can be a name: no page, table, day or visit, and nothing that speaks against tests."""
    if type(text) is not str or len(text) > _LONGEST_NAME or looks_like_value(text) or ":" in text:
        return False
    words = {key(word) for word in BREAK.split(text)}
    told = date_within(text) or of_a_visit(text) or label(text) or kind_of(text) or against(text, NAME) or titled(text)
    return not (told or words & row_words("no_title_words") or classes_of(text) & {"earlier", "second", "note"})


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
