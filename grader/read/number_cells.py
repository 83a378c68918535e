"""The columns of a number field: plain numbers by numpy, each different text once.

How the comma and the point are used is found from all texts of a field in one table.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from grader.columns import BLANK, FRACTION, NOT_DETECTED, READ, UNREADABLE
from grader.read.column import BOOL, DATE, NUMBER, OTHER, SPAN, TEXT, TIME, Cells, floats, shown
from grader.read.words.notation import DECIMAL, THOUSANDS, NumberRule, Reading, number_text, parse_number, read_number
from grader.read.words.spelling import known_unit
from grader.read.words.units import convert, is_absolute


def read_numbers(cells: Cells, rule: NumberRule) -> None:
    """Fill cells.out with the eight columns of a number field."""
    n = len(cells.values)
    nan = np.full(n, np.nan)
    cells.out = {
        "": nan,
        "_lower": nan.copy(),
        "_upper": nan.copy(),
        "_open": np.zeros(n, dtype=np.int8),
        "_state": np.zeros(n, dtype=np.int8),
        "_how": np.zeros(n, dtype=np.int8),
        "_text": np.full(n, None, dtype=object),
    }
    if not cells.kinds.any():
        return
    foreign = _foreign_units(cells, rule)
    if rule.unit == "bar":
        stated = np.array([is_absolute(u) for u in foreign.units] + [False], dtype=bool)
        cells.absolute = stated[foreign.which] & (cells.kinds == NUMBER)
    _plain_numbers(cells, rule, foreign)
    _number_texts(cells, rule, foreign)
    _refuse(cells, cells.say_bad())
    for code, kinds in (
        ("number_true_false", (BOOL,)),
        ("number_date", (DATE, TIME, SPAN)),
        ("number_not_read", (OTHER,)),
    ):
        at = cells.at(*kinds)
        _refuse(cells, at)
        cells.say(code, at)


def _refuse(cells: Cells, at: np.ndarray) -> None:
    """Make the cells at these positions unreadable; a sheet shows them as they stand."""
    cells.out["_state"][at] = UNREADABLE
    for end in ("", "_lower", "_upper"):
        cells.out[end][at] = np.nan
    cells.out["_open"][at] = 0
    cells.out["_text"][at] = [shown(v) for v in cells.values[at]]


class _Foreign(NamedTuple):
    """Units that columns state and that are not the field's own.

    units : the different ones.
    which : position in `units` of each test's, -1 where it is the field's own; int array, shape (n,).
    """

    units: list[str]
    which: np.ndarray


def _foreign_units(cells: Cells, rule: NumberRule) -> _Foreign:
    """The units that the tables state for a field, where another than its own."""
    stated = [t.units.get(rule.name, rule.unit) for t in cells.tables]
    meant = [known_unit(u) or u for u in stated]
    units = sorted(set(meant) - {rule.unit})
    if not units:
        return _Foreign([], np.full(len(cells.values), -1, dtype=np.int64))
    return _Foreign(units, np.array([units.index(u) if u in units else -1 for u in meant])[cells.table])


def _plain_numbers(cells: Cells, rule: NumberRule, foreign: _Foreign) -> None:
    """Cells that hold a number: units, fractions, ends of the field."""
    at = cells.at(NUMBER)
    if not len(at):
        return
    figures = floats(cells.values[at]) + 0.0  # + 0.0 makes a negative zero plain
    unit_codes = foreign.which[at]
    code = np.full(len(at), "", dtype=object)
    detail = np.full(len(at), "", dtype=object)
    code[~np.isfinite(figures)] = "number_not_finite"
    for number, unit in enumerate(foreign.units):
        hit = (unit_codes == number) & (code == "")
        converted = convert(rule.name, unit, figures[hit])
        if converted is None:
            code[hit], detail[hit] = "number_unit", unit
        else:
            figures[hit] = converted
    if rule.fraction:
        hit = (unit_codes < 0) & (rule.fraction[0] < figures) & (figures < rule.fraction[1])
        figures[hit] = np.round(figures[hit] * 100.0, 9)
        cells.out["_how"][at[hit]] = FRACTION
        cells.say("fraction_read", at[hit], detail=[number_text(v) for v in figures[hit].tolist()])
    for wrong, word, end in (
        (figures < rule.floor, "number_negative", rule.floor),
        (figures > rule.ceiling, "number_too_high", rule.ceiling),
    ):
        hit = wrong & (code == "")
        code[hit] = word
        if hit.any():
            detail[hit] = number_text(end)
    for end_of in ("", "_lower", "_upper"):
        cells.out[end_of][at] = figures
    cells.out["_state"][at] = READ
    for word in sorted(set(code) - {""}):
        hit = code == word
        _refuse(cells, at[hit])
        if word == "number_unit":
            continue  # said once, where the column's heading stands
        cells.say(word, at[hit], detail=list(detail[hit]))


def _number_texts(cells: Cells, rule: NumberRule, foreign: _Foreign) -> None:
    """Cells that hold a text: each different text is read once for each way its column can be meant."""
    at = cells.at(TEXT)
    if not len(at):
        return
    codes, texts = pd.factorize(cells.values[at])
    settled = _column_marks(cells, at, codes, texts)
    units = foreign.units
    meant = (codes * 9 + settled) * (len(units) + 1) + foreign.which[at] + 1
    which, different = pd.factorize(meant)
    readings: list[Reading] = []
    for number in different.tolist():
        rest, unit = divmod(number, len(units) + 1)
        text, marks = divmod(rest, 9)
        reading = read_number(texts[text], rule, _MARKS[marks], units[unit - 1] if unit else None)
        if reading.code == "number_unit" and unit and reading.detail == units[unit - 1]:
            reading = reading._replace(code="")  # said once, where the column's heading stands
        readings.append(reading)
    for ending, array in cells.out.items():
        attribute = ending.removeprefix("_") or "value"
        array[at] = np.array([getattr(r, attribute) for r in readings], dtype=array.dtype)[which]
    if cells.absolute is not None:  # "7 bar(a)": its own unit counts, whatever the column states
        cells.absolute[at] = np.array([bool(r.unit) and is_absolute(r.unit or "") for r in readings], dtype=bool)[which]
    cells.say_each(at, which, readings)


# Use of the comma and of the point in a column, by number: comma * 3 + point.
_USES = (None, DECIMAL, THOUSANDS)
_MARKS = [{m: u for m, u in ((",", comma), (".", point)) if u} for comma in _USES for point in _USES]


def _column_marks(cells: Cells, at: np.ndarray, codes: np.ndarray, texts: Any) -> np.ndarray:
    """For each text cell the number in _MARKS of what its column's cells show; mixed columns are queried.

    at, codes : positions of the text cells, and which text each holds; shape (m,).
    Returns   : int array, shape (m,). 0 in a column that is mixed, because it settles nothing.
    """
    parsed = [parse_number(t) for t in texts]
    uses = np.array([[p.decimal == ",", p.thousands == ",", p.decimal == ".", p.thousands == "."] for p in parsed])
    if not uses.any():
        return np.zeros(len(at), dtype=np.int64)
    groups, tables = pd.factorize(cells.table[at])
    seen = np.stack([np.bincount(groups, weights=use[codes], minlength=len(tables)) for use in uses.T], axis=1)
    comma_decimal, comma_thousands, point_decimal, point_thousands = (seen > 0).T
    mixed = (comma_decimal & (comma_thousands | point_decimal)) | (point_thousands & (point_decimal | comma_thousands))
    comma = np.where(comma_decimal, 1, np.where(comma_thousands, 2, 0))
    point = np.where(point_decimal, 1, np.where(point_thousands, 2, 0))
    if mixed.any():
        # The rarer habit is named: decimal comma (grouping point) or decimal point (grouping comma).
        of_comma = uses[:, 0] | uses[:, 3]
        of_point = uses[:, 1] | uses[:, 2]
        commas, points = (np.bincount(groups, weights=u[codes], minlength=len(tables)) for u in (of_comma, of_point))
        rare_is_comma = (commas <= points)[groups]
        rare = np.where(rare_is_comma, of_comma[codes], of_point[codes])
        cells.say("marks_mixed", at[mixed[groups] & rare])
    return np.where(mixed, 0, comma * 3 + point)[groups]


def fill_not_detected(cells: Cells, rule: NumberRule, given: dict[str, np.ndarray] | None) -> None:
    """Upper ends of "not detected": the row's lowest mark, else the data file's (noted), else unreadable.

    given : columns of the field that holds the lowest mark, None where there is no such field.
    """
    out = cells.out
    hit = np.flatnonzero((out["_how"] == NOT_DETECTED) & (out["_state"] == READ))
    if not len(hit):
        return
    blank = np.ones(len(hit), dtype=bool) if given is None else given["_state"][hit] == BLANK
    mark = np.full(len(hit), np.nan) if given is None else given[""][hit].copy()
    if rule.default_mark is not None:
        mark[blank] = rule.default_mark
        cells.say("not_detected_default", hit[blank], detail=number_text(rule.default_mark), unit=rule.unit)
    usable = mark > rule.floor
    out["_upper"][hit[usable]] = mark[usable]
    _refuse(cells, hit[~usable])
    cells.say("word_not_detected", hit[~usable & blank], detail="")
    cells.say("word_mark_unusable", hit[~usable & ~blank], detail="")
