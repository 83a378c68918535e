"""A cell outside of all tests, and what stands beside or below it -> what it says of tests."""

from __future__ import annotations

from typing import Any

from grader.read.sayings import Cells, Said
from grader.read.shapes.tables import shown
from grader.read.words.answers import answers_badly, asks
from grader.read.words.dates import is_date
from grader.read.words.heading_words import key
from grader.read.words.labels import is_unit, kind_of, looks_like_value
from grader.read.words.loose import loose_word, own_word
from grader.read.words.measured import readings_in
from grader.read.words.said import AROUND, REMARKS, ROW, against
from grader.read.words.stated import Stated, expiry_of, is_label, label_choices, stated
from grader.read.words.unclear import classes_of

_FAR = 4  # columns between a label and its value, at most
_DEEP = 12  # rows of a small table under a heading for expiry


def line_around(cells: Cells, row: int, column: int, text: str) -> Said | None:
    """What a cell outside of all tests says."""
    words = against(text, AROUND)
    if words and _is_of_a_legend(cells, row, column, text):
        words = ""
    if kind_of(text) == "verdict" and (found := _value_beside(cells, row, column)) is not None:
        words = words or _as_verdict(text, found[0])
    left = cells.at(row, column - 1) if column else None
    words = words or text * answers_badly(text) or (with_its_heading(left, text) if type(left) is str else "")
    figures = stated(text) or _beside(cells, row, column, text)
    if REMARKS.say(text, "measured.visit"):
        figures += readings_in(text)
    if not figures and "expire" in classes_of(text):
        # "Tubes | CO | exp. 01/2025": what expires stands before it.
        named = " ".join(v for c in range(max(column - _FAR, 0), column) if type(v := cells.at(row, c)) is str)
        figures = stated(f"{named} {text}") if named else ()
    return Said(cells.name, (row, column), text, words, figures) if words or figures else None


def _as_verdict(label: str, value: Any) -> str:
    """A label for a verdict with a word behind it that is no pass."""
    if type(value) is bool:
        return "" if value else f"{label}: {value}"
    word = (own_word("own_verdict", value) or loose_word("own_verdict", value)) if type(value) is str else ""
    return f"{label}: {value}" if word == "fail" else ""


def _is_of_a_legend(cells: Cells, row: int, column: int, text: str) -> bool:
    """Whether a word alone is explained, or counted as nothing, by its neighbours: "FAIL | above limit", "F | fail"."""
    right = cells.at(row, column + 1)
    if right in (0, 0.0, "0") and type(right) is not bool:
        return True
    if len(text.split()) > 2:
        return False
    left = next((v for c in range(column - 1, -1, -1) if (v := cells.at(row, c)) is not None), None)
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


def _beside(cells: Cells, row: int, column: int, label: str) -> tuple[Stated, ...]:
    """The figure or date that belongs to a label at its right, or the dates below a heading for expiries."""
    if not is_label(label):
        return ()
    found = _value_beside(cells, row, column)
    if classes_of(label) & {"expire", "due"}:
        return _dates_of(cells, row, column, label, found)
    if found is None:
        return ()
    value, unit = found
    if not looks_like_value(value) or is_date(value):
        return ()
    choices = label_choices(label, unit)
    if not choices:
        return ()
    if choices[0] == "lowest_use_temperature_c" and not _may_be_temperature(label, value, unit):
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


def _value_beside(cells: Cells, row: int, column: int) -> tuple[Any, str] | None:
    """(the first filled cell at the right, a unit beside it), None where there is none."""
    for at in range(column + 1, column + 2 + _FAR):
        value = cells.at(row, at)
        if value is not None and not is_unit(value):
            unit = cells.at(row, at + 1)
            if not is_unit(unit):
                unit = cells.at(row, at - 1) if at - 1 > column else None
            return value, unit if type(unit) is str and is_unit(unit) else ""
    return None


def _dates_of(cells: Cells, row: int, column: int, label: str, found: tuple[Any, str] | None) -> tuple[Stated, ...]:
    """Expiries: beside a label, what its row names; below a heading, what each row of the small table names."""
    named = " ".join(v for c in range(max(column - _FAR, 0), column) if type(v := cells.at(row, c)) is str)
    if found is not None and is_date(found[0]):
        choices = expiry_of(f"{named} {label}", classes_of(f"{named} {label}"))
        return (Stated(choices, found[0]),) if choices else ()
    made = []
    heads = " ".join(v for c in range(column + _FAR) if type(v := cells.at(row, c)) is str)
    whole = classes_of(heads)
    for below in range(row + 1, row + 1 + _DEEP):
        value = cells.at(below, column)
        if not is_date(value):
            break
        of = " ".join(v for c in range(column) if type(v := cells.at(below, c)) is str and not is_date(v))
        choices = expiry_of(of, whole)
        if choices:
            made.append(Stated(choices, value))
    return tuple(made)


def with_its_heading(heading: str, text: str) -> str:
    """What a text says against a test only together with its heading: "Hose condition" | "perished"."""
    if asks(heading) or against(heading, ROW) or against(text, ROW):
        return ""
    return f"{heading}: {text}" if against(f"{heading} {text}", ROW) else ""
