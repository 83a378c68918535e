"""A cell outside of all tests, and what stands beside or below it -> what it says of tests."""

from __future__ import annotations

import re
from typing import Any

from grader.read.sayings import Said
from grader.read.settle import known_limits
from grader.read.shapes.grid import Cell
from grader.read.shapes.tables import shown
from grader.read.spoken import Cells
from grader.read.words.answers import answers_badly, asks
from grader.read.words.dates import is_date
from grader.read.words.labels import is_unit, kind_of, looks_like_value
from grader.read.words.measured import readings_in, stands_before, units_in
from grader.read.words.said import AROUND, REMARKS, ROW, against, out_of_state
from grader.read.words.spelling import key
from grader.read.words.stated import Stated, expiry_of, is_label, label_choices, stated
from grader.read.words.unclear import classes_of

_SUBSTANCES = (("oxygen_pct",), ("co_ppm",), ("co2_ppm",), ("oil_mg_m3",))
_FIGURE = re.compile(r"\d+(?:[.,]\d+)?")
_FAR = 4  # columns between a label and its value, at most
_LONGEST_UNIT = 80  # characters of a text that says in what unit a reading is
_DEEP = 12  # rows of a small table under a heading for expiry


def line_around(cells: Cells, at: Cell, text: str) -> Said | None:
    """What a cell outside of all tests says."""
    row, column = at
    words = against(text, AROUND) or out_of_state(text)
    if words and _is_of_a_legend(cells, at, text):
        words = ""
    left = cells.at(row, column - 1)
    words = words or text * answers_badly(text) or (with_its_heading(left, text) if type(left) is str else "")
    figures = stated(text) or _beside(cells, at, text)
    figures += _readings_around(text)
    figures += units_in(text) * (len(text) <= _LONGEST_UNIT)
    label = stands_before(text)
    if label and not figures and (beside := _value_beside(cells, at)) is not None:
        value = f"{shown(beside[0])} {beside[1]}"
        figures = stated(f"{text}: {value}") or readings_in(value if label == "check" else f"{text}: {value}")
    if not figures and "expire" in classes_of(text) and (named := _named_before(cells, at)):
        figures = stated(f"{named} {text}")  # "Tubes | CO | exp. 01/2025": what expires stands before it
    return Said(cells.place(at), text, words, figures) if words or figures else None


def _readings_around(text: str) -> tuple[Stated, ...]:
    """Readings that a text outside of all tests states: those of this visit, else of a substance named, but for known limits."""
    found = readings_in(text)
    if REMARKS.say(text, "measured.visit", "measured.checks"):
        return found
    return tuple(s for s in found if s.choices in _SUBSTANCES and not _is_known_limit(s))


def _is_known_limit(said: Stated) -> bool:
    figure = _FIGURE.search(shown(said.value))
    return figure is None or float(figure[0].replace(",", ".")) in known_limits().get(said.choices[0], ())


def _named_before(cells: Cells, at: Cell, far: int = _FAR) -> str:
    """The texts of the cells before one, as far as they may belong to it."""
    row, column = at
    return " ".join(v for c in range(max(column - far, 0), column) if type(v := cells.at(row, c)) is str)


def _is_of_a_legend(cells: Cells, at: Cell, text: str) -> bool:
    """Whether a word alone is explained, or counted as nothing, by its neighbours: "FAIL | above limit", "F | fail"."""
    row, column = at
    right = cells.at(row, column + 1)
    if right in (0, 0.0, "0") and type(right) is not bool:
        return True
    if len(text.split()) > 2:
        return False
    left = cells.left(row, column)
    if type(left) is str and (len(left.strip(" =:")) <= 2 or left.rstrip().endswith("=")):
        return True
    counted = type(right) in (int, float) or type(right) is str and right.strip(" -").isdigit() or right == "-"
    if left is None and right is None:
        over, under = cells.at(row - 1, column), cells.at(row + 1, column)
        return any(kind_of(v) == "verdict" for v in (over, under) if type(v) is str)  # a list of words to choose from
    if counted or left is not None or type(right) is not str:
        return counted
    words = [key(w) for w in right.split() if w != "a"]
    names_one = not cells.names.isdisjoint([*words, *map(str.__add__, words, words[1:])])
    return not is_date(right) and len(right.split()) > 1 and not names_one


def _beside(cells: Cells, at: Cell, label: str) -> tuple[Stated, ...]:
    """The figure or date that belongs to a label at its right, or the dates below a heading for expiries."""
    if not is_label(label):
        return ()
    found = _value_beside(cells, at)
    if classes_of(label) & {"expire", "due"}:
        return _dates_of(cells, at, label, found)
    if found is None or not looks_like_value(found[0]) or is_date(found[0]):
        return ()
    value, unit = found
    choices = label_choices(label, unit)
    if not choices or choices[0] == "lowest_use_temperature_c" and not _may_be_temperature(label, value, unit):
        return ()
    return (Stated(choices, f"{shown(value)} {unit}".strip() if unit else value),)


def _may_be_temperature(label: str, value: Any, unit: str) -> bool:
    """Whether a figure beside a word for cold is a temperature: by a unit, by a word for it, or as a figure below 0."""
    told = f"{label} {shown(value)} {unit}".casefold()
    if any(sign in told for sign in ("°", "degc", "deg c", "degf", "grad")) or unit in ("C", "F"):
        return True
    if "temp" in classes_of(label):
        return not any(c.isalpha() for c in shown(value)) or shown(value).strip()[-1:].upper() in "CF"
    return shown(value).lstrip().startswith(("-", "−", "–"))


def value_beside(cells: Cells, at: Cell) -> Cell | None:
    """The first filled cell at the right that is no unit, None where there is none."""
    row, column = at
    near = range(column + 1, column + 2 + _FAR)
    return next(((row, c) for c in near if (v := cells.at(row, c)) is not None and not is_unit(v)), None)


def _value_beside(cells: Cells, at: Cell) -> tuple[Any, str] | None:
    """(the value that belongs to a label, a unit behind or before it), None where there is none."""
    if (found := value_beside(cells, at)) is None:
        return None
    row, column = found
    around = (cells.at(row, column + 1), cells.at(row, column - 1) if column - 1 > at[1] else None)
    return cells.at(row, column), next(filter(is_unit, around), "")


def _dates_of(cells: Cells, at: Cell, label: str, found: tuple[Any, str] | None) -> tuple[Stated, ...]:
    """Expiries: beside a label, what its row names; below a heading, what each row of the small table names."""
    row, column = at
    if found is not None and is_date(found[0]):
        named = f"{_named_before(cells, at)} {label}"
        choices = expiry_of(named, classes_of(named))
        return (Stated(choices, found[0]),) if choices else ()
    made = []
    whole = classes_of(_named_before(cells, (row, column + _FAR), column + _FAR))
    for below in range(row + 1, row + 1 + _DEEP):
        if not is_date(value := cells.at(below, column)):
            break
        of = " ".join(v for c in range(column) if type(v := cells.at(below, c)) is str and not is_date(v))
        if choices := expiry_of(of, whole):
            made.append(Stated(choices, value))
    return tuple(made)


def with_its_heading(heading: str, text: str) -> str:
    """What a text says against a test only together with its heading: "Hose condition" | "perished"."""
    if asks(heading) or against(heading, ROW) or against(text, ROW):
        return ""
    return f"{heading}: {text}" if against(f"{heading} {text}", ROW) else ""
