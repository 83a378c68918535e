"""Columns beside readings that are no field and hold a word for each outlet ("Seal | intact"): the one that is bad, or differs.

Words: [odd] of data/said.toml. What differs is in doubt only where most of the others say that all is well.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from grader.read.region import Region, Regions
from grader.read.shapes.grid import Cell
from grader.read.spoken import Cells
from grader.read.words.answers import asks
from grader.read.words.labels import is_placeholder, label
from grader.read.words.said import REMARKS
from grader.read.words.spelling import key
from grader.read.words.substances import is_substance
from grader.read.words.unclear import classes_of

_MOST_WORDS = 4  # of an answer
_LEAST_LIKE = 2  # outlets that say all is well, beside the one that does not
_FREE = (None, "substances")  # what a line of cells is that may say so

Answers = dict[tuple[Region, int], tuple[Any, Cell]]


def keep_the_odd(cells: Cells, regions: Regions) -> None:
    """Keep against its test what is bad or differs in a line of words that is no field."""
    for heading, answers in _lines(cells, regions):
        values = {test: value for test, (value, _) in answers.items()}
        for region, i in odd_ones(heading, values):
            value, at = answers[region, i]
            region.keep([i], f"{heading}: {value}", at)


def odd_ones(heading: str, values: Mapping[Any, Any]) -> list[Any]:
    """Which of some short answers under a heading are bad, or differ from what most are, where these say that all is well.

    >>> odd_ones("Seal", {1: "broken", 2: "intact"}), odd_ones("Sling", {1: "yes", 2: "no", 3: "yes"})
    ([1], [2])
    >>> odd_ones("Coupling", {1: "brass", 2: "brass", 3: "steel"}), odd_ones("Sight glass", {1: "green", 2: "green", 3: "red"})
    ([], [3])
    """
    words = {at: REMARKS.words(v) for at, v in values.items() if type(v) is str and not is_placeholder(v)}
    words = {at: w for at, w in words.items() if 0 < len(w) <= _MOST_WORDS and not any(c.isdigit() for c in "".join(w))}
    if "earlier" in classes_of(heading) or REMARKS.say(heading, "odd.free"):
        return []
    named = is_substance(heading, None)
    bad = [at for at, w in words.items() if REMARKS.standing(w, "odd.ill") and not REMARKS.begin(w, "no.words")]
    fine = {at: w for at, w in words.items() if at not in bad and _is_fine(w)}
    bad += [at for at in words if named and at not in bad and at not in fine]
    said = [" ".join(w) for w in fine.values()]
    most = max(said, key=said.count, default="")
    if asks(heading) or said.count(most) < _LEAST_LIKE or said.count(most) * 2 <= len(words):
        return sorted(bad, key=list(values).index)
    other = [at for at, w in words.items() if at not in bad and (at not in fine or _turned(" ".join(w), most))]
    return sorted({*bad, *(other if len(other) == 1 else [])}, key=list(values).index)


def _is_fine(words: list[str]) -> bool:
    return REMARKS.begin(words, "odd.fine") or REMARKS.begin(words, "answer.fine")


def _turned(answer: str, most: str) -> bool:
    """Whether an answer is a no among answers that are a yes, or the other way round."""
    yes, no = REMARKS.spellings("answer.yes"), REMARKS.spellings("answer.no")
    return answer in map(key, yes) and most in map(key, no) or answer in map(key, no) and most in map(key, yes)


def _lines(cells: Cells, regions: Regions) -> Iterator[tuple[str, Answers]]:
    """The lines of cells that no field is read from, with their headings: of tables, of lists, and of all forms together."""
    forms: dict[str, tuple[str, Answers]] = {}
    for region in regions:
        if region.down:
            for column in (c for c in cells.grid.inner if region.by_column.get(c) in _FREE):
                heading = _texts(
                    cells.at(r, column) for r in range(max(region.table.heads[0], 0), region.table.heads[1] + 1)
                )
                found = {(region, i): (cells.at(r, column), (r, column)) for r, i in region.tests.items()}
                yield heading, {at: v for at, v in found.items() if v[0] is not None}
        elif region.across:
            for row in (r for r in region.body if region.by_row.get(r) in _FREE):
                heading = _texts(cells.at(row, c) for c in range(region.first_column))
                found = {(region, i): (cells.at(row, c), (row, c)) for c, i in region.columns.items()}
                yield heading, {at: v for at, v in found.items() if v[0] is not None}
        elif not region.long and len(region.at) == 1:
            for text, value, at in _pairs(cells, region):
                forms.setdefault(key(text), (text, {}))[1].setdefault((region, 0), (value, at))
    yield from forms.values()
    yield from _listed(cells, regions, [r for r in regions if r.long])


def _listed(cells: Cells, regions: Regions, lists: list[Region]) -> Iterator[tuple[str, Answers]]:
    """Such lines of readings one below the other: further columns, and rows of what is no field ("Seal | broken")."""
    top = lists[0].table.heads[1] if lists else -1
    rows = [r for r in cells.grid.outer if r > top >= 0]
    columns = [c for c in cells.grid.inner if rows and lists[0].by_column.get(c) in _FREE]
    known = {c: sum(type(v := cells.at(r, c)) is str and label(v) is not None for r in rows) for c in columns}
    names = max(known, key=lambda c: known[c], default=-1)  # the column of what is read
    made: dict[str, tuple[str, Answers]] = {}
    for row in rows:
        name, value = cells.at(row, names), cells.at(row, names + 1)
        if type(name) is str and type(value) is str and label(name) is None:
            _tell(regions, made.setdefault(key(name), (name, {}))[1], value, (row, names + 1))
    for column in (c for c in columns if c not in (names, names + 1)):
        answers = made.setdefault(f"\n{column}", (_texts([cells.at(top, column)]), {}))[1]
        for row in (r for r in rows if type(cells.at(r, column)) is str):
            _tell(regions, answers, cells.at(row, column), (row, column))
    yield from made.values()


def _tell(regions: Regions, answers: Answers, value: Any, at: Cell) -> None:
    """Add an answer to those of the tests that its cell is of."""
    for region in regions.holding(at):
        for i in region.mine(at) if region.long else ():
            answers.setdefault((region, i), (value, at))


def _texts(values: Any) -> str:
    return " ".join(v for v in values if type(v) is str)


def _pairs(cells: Cells, region: Region) -> Iterator[tuple[str, Any, Cell]]:
    """The labels of a form that are none of ours, each with the text at its right."""
    rows = [row for row, _ in region.own]
    for row in (r for r in cells.grid.outer if rows and min(rows) <= r <= max(rows) + _LEAST_LIKE * 2):
        for column, text in enumerate(cells.row(row)):
            value = cells.at(row, column + 1)
            named = type(text) is str and text not in region.headings and label(text) is None
            at, free = (row, column + 1), region.own.keys().isdisjoint([(row, column), (row, column + 1)])
            if named and type(value) is str and free and at in region:
                yield text.rstrip(" :"), value, at
