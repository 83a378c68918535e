"""Questions that a form asks of a visit, in cells outside of its tests, and what their answers say against them.

"May be used | Yes | | No | X", "Tubes in date | no", "Defects found: yes", "Problems: B1", "☐ pass ☒ fail".
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from grader.read.region import Region, Regions
from grader.read.sayings import Said
from grader.read.shapes.grid import Cell
from grader.read.shapes.tables import shown, whole
from grader.read.spoken import Cells
from grader.read.whom import Whom
from grader.read.words.beside import COUNT, OF_VISIT
from grader.read.words.heading_words import key
from grader.read.words.labels import kind_of
from grader.read.words.said import ROW, against, alone, smells
from grader.read.words.supplied import holds_choices
from grader.read.words.verdicts import (
    PASSING,
    answered,
    fails_counted,
    is_mark,
    lists_verdicts,
    parted,
    question,
    side,
    ticked,
    ticked_badly,
)

_MOST_CELLS = 8  # of a row with boxes
_TICKED, _EMPTY = "☒☐"
_MOST_FAILS = 10_000
_LONGEST_NAMED = 4  # words of an answer that is the name of an outlet and hardly more
_MOST_OF_A_ROW = 5  # filled cells of a row that asks, where it stands below the tests


def asked_of_all(cells: Cells, regions: Regions) -> list[Said]:
    """What the questions of a sheet say against all its tests; what is said of one outlet is given to it.

    On a sheet without tests an answer that names an outlet speaks of that one.
    """
    made = []
    for at, text in cells.of(OF_VISIT):
        if fails_counted(text) is not None:
            continue  # "Passed: 5, failed: 0"
        boxes, line = ticked(text), parted(text)
        of = _tests_of(cells, regions, at)
        if boxes is not None:
            left = cells.at(at[0], at[1] - 1)
            words = text * ticked_badly(boxes[0] or (left if type(left) is str else ""), boxes[1])
        elif line is not None:
            words = _line(regions, at, text, *line)
        else:
            answered_beside = of is not None and not any(r.across for r, _ in of) and text != cells.comments.get(at)
            words = _row(cells, at, text) if answered_beside else ""
        for region, tests in of or ():
            region.keep(tests, words, at)
        if not regions and boxes is None:
            made += _elsewhere(cells, at, words, *(line or (text, cells.at(at[0], at[1] + 1))))
        elif words and not of:
            made.append(Said(cells.place(at), text, words))
    return made


def _elsewhere(cells: Cells, at: Cell, words: str, label: str, answer: Any) -> list[Said]:
    """What a question of a sheet without tests and its answer say: of the outlet that the answer names, else of all."""
    told = shown(whole(answer))
    first = told.split()[0].strip(",.;:") if told.split() else ""
    over_numbers = type(cells.at(at[0] + 1, at[1])) in (int, float)  # "OK | Not OK"
    if answer is None or over_numbers or not words and question(label) != "ill" and not answered(label, answer):
        return []
    said = f"{label}: {told}"
    of_all = words or said * (answered(label, answer) or answered(label, first))
    return [Said(cells.place(at), said, of_all, of_one=said, whom=Whom((f"{label} {told}", told)))]


def is_choice_list(cells: Cells) -> bool:
    """Whether a sheet holds nothing but words to choose from: by its name, or as one column of words for pass and for fail."""
    rows = [[v for v in cells.row(row) if v is not None] for row in cells.grid.outer]
    values = [v for row in rows for v in row]
    if not values or not all(type(v) is str and len(v.split()) <= _LONGEST_NAMED for v in values):
        return False
    single = all(len(row) <= 1 for row in rows) and len(set(values)) == len(values)
    return (single or holds_choices(cells.name)) and lists_verdicts(values)


def _tests_of(cells: Cells, regions: Regions, at: Cell) -> list[tuple[Region, Sequence[int]]] | None:
    """The tests in whose own cells a text stands, none outside of all; None where their table reads it otherwise."""
    row, column = at
    made: list[tuple[Region, Sequence[int]]] = []
    for region in regions.holding(at):
        if region.down and row in region.tests:
            if 0 < cells.filled(row) <= _MOST_OF_A_ROW and cells.first(row) == column:
                continue  # it asks, and was taken for a test
            if cells.at(row, column) is None or region.role(at) == "used":
                return None
            made.append((region, [region.tests[row]]))
        elif region.across and column in region.columns and region.role(at) != "used":
            made.append((region, [region.columns[column]]))
        elif region.down or region.across:
            return None
        elif key(shown(cells.at(*at))) in map(key, region.outlets):
            continue  # likewise
        elif len(regions) == 1 or regions.last is None or row <= regions.last:
            made.append((region, range(len(region.at))))
    return made


def _line(regions: Regions, at: Cell, text: str, label: str, answer: str) -> str:
    """What a line that asks and answers says of all; what it says of outlets that it names is given to them."""
    if answered(label, answer.rstrip(".!")):
        return text
    if question(label) != "ill":
        return ""
    named = regions.named(text, at[0]) or regions.numbered(answer)
    fine = not (against(answer, ROW) or smells(answer)) and len(answer.split()) > _LONGEST_NAMED
    for region, i in named if not fine else ():
        region.keep([i], text, at)
    return ""


def _row(cells: Cells, at: Cell, text: str) -> str:
    """What the cells beside a question answer: one answer, or boxes behind (before) words of which one is ticked."""
    values: list[Any] = [cells.at(at[0], c) for c in range(at[1] + 1, at[1] + 1 + _MOST_CELLS)]
    filled = [v for v in values if v is not None]
    if not filled:
        return ""
    answer = whole(filled[0])
    line = " ".join(_TICKED if is_mark(v) else _EMPTY if v is None else shown(v) for v in values)
    chosen = (ticked(line) or ("", []))[1] if len(filled) > 1 else []
    if chosen:
        return f"{text}: {', '.join(chosen)}" if ticked_badly(text, chosen) else ""
    if type(answer) is str and kind_of(answer) == "limit":
        return ""  # "Résultat | Limite" are headings
    if len(filled) > 2 and sum(type(v) is str and not is_mark(v) for v in filled) >= 2:
        return ""
    bad = answered(text, answer) or type(answer) is str and question(text) == "good" and bool(alone(answer))
    return f"{text}: {shown(answer)}" if bad else ""


def counted(cells: Cells, regions: Regions) -> list[Said]:
    """How many outlets the lines of a sheet count that did not pass: "Failed: 1", "5/6 OK", "Fail | 1", also a number below."""
    made = []
    for at, text in cells.of(COUNT):
        count, said = fails_counted(text), text
        fails, tests = count or (0, 0)
        if count is None and text == cells.comments.get(at):
            continue  # beside what it is on stands another thing
        if count is None and not any(at in r and (r.down or r.across) for r in regions):
            fails = _number_beside(cells, *at)
            tests, said = _tests_of_pair(cells, *at, fails), f"{text}: {fails}"
        elif fails and text != cells.comments.get(at) and _in_test(cells, regions, at):
            fails = 0
        elif fails:
            # Taken for a test, it is no pass itself.
            fails += sum(key(n) == key(text) for r in regions for n in r.outlets)
        if fails:
            made.append(Said(cells.place(at), said, fails=(fails, tests)))
    return made


def _tests_of_pair(cells: Cells, row: int, column: int, fails: int) -> int:
    """How many tests there are in all, where a number of those that passed stands beside that of the fails; else 0."""
    for at in [(row - 1, column), (row + 1, column), *((row, column + step) for step in (-2, -1, 1, 2))]:
        label = cells.at(*at)
        if type(label) is str and side(label) == PASSING:
            return fails + _number_beside(cells, *at)
    return 0


def _in_test(cells: Cells, regions: Regions, at: Cell) -> bool:
    """Whether a cell is one of a test's own: a row of several cells."""
    return any(at in r and (r.across or r.down and cells.filled(at[0]) > 1) for r in regions)


def _number_beside(cells: Cells, row: int, column: int) -> int:
    """The whole number at the right of a label, or below it where it stands in a row of labels; 0 where there is none."""
    for at in ((row, column + 1), (row, column + 2), (row + 1, column)):
        value = cells.at(*at)
        value = int(value) if type(value) is str and value.strip().isdigit() else value
        if type(value) in (int, float) and value == int(value):
            return int(value) if value < _MOST_FAILS else 0
        if value is not None and at[0] == row:
            if type(value) is str and cells.filled(row) > 1:
                continue
            return 0
    return 0
