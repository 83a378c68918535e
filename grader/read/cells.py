"""Columns of cells -> numbers, bounds, dates, times, words and texts, each with its state and its problems.

A text is taken apart once however often it stands in a column. What depends on the other cells of a column
(the decimal mark, the order of slash dates) is found for each table on its own. Numbers: number_cells.py.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterable, Sequence
from datetime import datetime, time, timedelta
from functools import cache
from typing import Any
from unicodedata import normalize

import numpy as np
import pandas as pd

from grader.columns import BLANK, FIELDS, READ, UNREADABLE, Field
from grader.data import load_toml
from grader.frames import in_little_memory
from grader.problems import Problems, Table
from grader.read.column import (
    BAD,
    BOOL,
    DATE,
    EMPTY,
    NUMBER,
    OTHER,
    SPAN,
    TEXT,
    TIME,
    Cells,
    cell_values,
    floats,
    shown,
)
from grader.read.log import Log
from grader.read.number_cells import fill_not_detected, read_numbers
from grader.read.words.dates import (
    DateReading,
    DateText,
    Order,
    column_order,
    is_led,
    parse_date,
    resolve,
    time_minutes,
)
from grader.read.words.loose import chosen, loose_word
from grader.read.words.notation import number_rule
from grader.read.words.spelling import clean, fold_word, spelled_words
from grader.read.words.supplied import behind_a_label
from grader.read.words.unit_checks import find_clashes, take_off_atmosphere

# Text fields in which a date is not surprising.
_FREE_TEXT = ("remarks", "work_done", "replaces_file", "site_address")

_SERIAL_ZERO = np.datetime64("1899-12-30", "D")  # day 0 of the 1900 system, counted back from 1 March 1900


def read_cells(log: Log, problems: Problems, *, month_first: bool = False) -> pd.DataFrame:
    """The table of tests: every field of columns.FIELDS read from the log's cells.

    log         : Log of the reading stage (rows and tables are used).
    problems    : collector; unreadable cells are queries, what was understood but must be said are notes.
    month_first : take slash dates month first where a column fits both orders (never for an expiry).
    Returns     : DataFrame with the index of log.rows: file, table, row, column, and for every field the
                  columns that grader/columns.py describes, for a number field X_text besides (what a sheet
                  shows: the bound or word as written, an unreadable cell as it stands; None for a plain
                  number and a blank). Dates are datetime64[s] at midnight. Further {key}_clash, bool: a figure
                  that this parameter rests on contradicts its unit.
    """
    rows = log.rows
    tests, table = rows.index.to_numpy(), rows["table"].to_numpy().astype(np.int64)
    done, absolute = read_fields(FIELDS.values(), rows, log.tables, problems, month_first=month_first)
    take_off_atmosphere(done, absolute)
    clash = find_clashes(done, tests, table, log.tables, problems)
    columns: dict[str, Any] = {c: rows[c].to_numpy() for c in ("file", "table", "row", "column")}
    for name in FIELDS:
        columns.update({name + ending: array for ending, array in done[name].items()})
    as_read = {f"cells of {name}": rows[name].to_numpy() for name in rows if rows[name].dtype == np.float64}
    return in_little_memory({**as_read, **columns, **clash}, rows.index).drop(columns=list(as_read))


def read_fields(
    fields: Iterable[Field], rows: pd.DataFrame, tables: list[Table], problems: Problems, *, month_first: bool = False
) -> tuple[dict[str, dict[str, np.ndarray]], dict[str, np.ndarray]]:
    """Some fields of raw rows, each cell on its own but for what the cells of its column say together.

    rows    : raw rows with `table`, a position in `tables`, and a column for each field that occurs.
    problems, month_first : as for `read_cells`; problems name rows by their index.
    Returns : field -> ending of a column ("", "_state" ...) -> values of shape (n,); pressure fields in which a figure
              was absolute -> where, bool (n,).
    """
    fields = list(fields)
    tests, table = rows.index.to_numpy(), rows["table"].to_numpy()
    parts = np.array([i - t.parts_before for i, t in enumerate(tables)], dtype=np.int64)
    # Parts of one table, cut by banner rows, have their columns in common: marks and orders are found for all.
    whole = parts[table.astype(np.int64)] if len(parts) else table
    done: dict[str, dict[str, np.ndarray]] = {}
    absolute: dict[str, np.ndarray] = {}
    marks = {f.lowest_mark for f in fields}
    marks_first = sorted(fields, key=lambda f: f.name not in marks)
    blank: dict[str, dict[str, np.ndarray]] = {}  # what fields of a kind are that no log of the run has
    for this in marks_first:
        absent = this.name not in rows
        if absent and this.kind in blank:
            done[this.name] = {ending: array.copy() for ending, array in blank[this.kind].items()}
            continue
        values, kinds = cell_values(rows, this.name)
        cells = Cells(this, values, kinds, tests, whole, tables, problems)
        if this.kind == "number":
            rule = number_rule(this.name)
            read_numbers(cells, rule)
            fill_not_detected(cells, rule, done.get(rule.mark_field))
            if cells.absolute is not None and cells.absolute.any():
                absolute[this.name] = cells.absolute
        elif this.kind == "date":
            _read_dates(cells, month_first)
        elif this.kind == "time":
            _read_times(cells)
        elif this.kind == "word":
            _read_words(cells)
        else:
            _read_texts(cells)
        done[this.name] = cells.out
        if absent:
            blank[this.kind] = {ending: array.copy() for ending, array in cells.out.items()}
    return done, absolute


# ------------------------------------------------------------------------------------------ dates and times


def _read_dates(cells: Cells, month_first: bool) -> None:
    """Fill cells.out with the two columns of a date field."""
    n = len(cells.values)
    days = np.full(n, np.datetime64("NaT"), dtype="datetime64[D]")
    state = np.zeros(n, dtype=np.int8)
    if cells.kinds.any():
        data = load_toml("notation.toml")["dates"]
        state[cells.say_bad()] = UNREADABLE
        at = cells.at(DATE)
        if len(at):
            codes, different = pd.factorize(cells.values[at])
            days[at] = np.asarray(different, dtype=object).astype("datetime64[D]")[codes]
        state[at] = READ
        _serial_dates(cells, days, state, data["serial"])
        other = cells.at(BOOL, TIME, SPAN, OTHER)
        state[other] = UNREADABLE
        cells.say("date_not_read", other, detail="")
        _date_texts(cells, days, state, month_first, data)
        first, last = data["years"]
        outside = np.flatnonzero((days < np.datetime64(f"{first}-01-01")) | (days > np.datetime64(f"{last}-12-31")))
        state[outside] = UNREADABLE
        days[outside] = np.datetime64("NaT")
        cells.say("date_impossible", outside, detail="")
    cells.out = {"": days.astype("datetime64[s]"), "_state": state}


def _serial_dates(cells: Cells, days: np.ndarray, state: np.ndarray, ends: Sequence[int]) -> None:
    """Bare numbers in a date field: day numbers of a spreadsheet, or no date."""
    at = cells.at(NUMBER)
    if not len(at):
        return
    figures = floats(cells.values[at])
    serial = (figures >= ends[0]) & (figures <= ends[1])
    days[at[serial]] = _SERIAL_ZERO + np.floor(figures[serial]).astype("timedelta64[D]")
    state[at] = np.where(serial, READ, UNREADABLE)
    cells.say("date_serial", at[serial], detail=np.datetime_as_string(days[at[serial]]).tolist())
    cells.say("date_not_read", at[~serial], detail="")


def _date_texts(cells: Cells, days: np.ndarray, state: np.ndarray, month_first: bool, data: dict[str, Any]) -> None:
    """Texts of a date field; the order of slash dates comes from all of them in one table."""
    at = cells.at(TEXT)
    if not len(at):
        return
    codes, texts = pd.factorize(cells.values[at])
    expiry = cells.spec.expiry or cells.spec.name in data["as_expiry"]
    parsed = [
        DateText() if not clean(t) else DateText(code="date_not_read") if expiry and is_led(t) else parse_date(t)
        for t in texts
    ]
    groups, tables = pd.factorize(cells.table[at])
    order = _orders(parsed, codes, groups, len(tables))
    for i, number in enumerate(tables):
        order[i] = _STATED.get(cells.tables[number].order, order[i])
    which, different = pd.factorize(codes * len(Order) + order[groups])
    readings = []
    for number in different.tolist():
        text, this_order = divmod(number, len(Order))
        blank = parsed[text] == DateText()
        readings.append(None if blank else resolve(parsed[text], Order(this_order), expiry, month_first))
    full = np.array([r is not None for r in readings])[which]
    state[at] = np.array([BLANK if r is None else r.state for r in readings], dtype=np.int8)[which]
    days[at] = np.array([r.day if r else None for r in readings], dtype="datetime64[D]")[which]
    code = np.array([r.code if r else "" for r in readings], dtype=object)[which]
    # A note that holds for the column is given once, at its first cell.
    assumed = np.flatnonzero(code == "date_order_assumed")
    once = assumed[np.unique(groups[assumed], return_index=True)[1]]
    how_many = np.bincount(groups[assumed], minlength=len(tables))[groups[once]]
    cells.say("date_order_assumed", at[once], count=how_many.tolist(), detail=[readings[which[i]].detail for i in once])
    rest = np.flatnonzero(full & (code != "date_order_assumed"))
    cells.say_each(at[rest], which[rest], [r or DateReading(BLANK) for r in readings])
    _query_swapped(cells, days, tables, order, data["swapped_from"])


_STATED = {"day first": Order.DAY_FIRST, "month first": Order.MONTH_FIRST}


def _orders(parsed: list[DateText], codes: np.ndarray, groups: np.ndarray, n_tables: int) -> np.ndarray:
    """Order of each table's slash dates: int array, shape (n_tables,)."""
    slash = np.array([p.slash and p.day_first != p.month_first for p in parsed])[codes]
    not_day_first = np.array([p.slash and p.day_first is None for p in parsed])[codes]
    not_month_first = np.array([p.slash and p.month_first is None for p in parsed])[codes]
    has, no_day, no_month = (
        np.bincount(groups, weights=w, minlength=n_tables) > 0 for w in (slash, not_day_first, not_month_first)
    )
    return np.array(
        [column_order(not d, not m) if h else Order.NONE for h, d, m in zip(has, no_day, no_month)], dtype=np.int64
    )


def _query_swapped(cells: Cells, days: np.ndarray, tables: np.ndarray, order: np.ndarray, least: int) -> None:
    """Ask about date cells beside slash texts where every date cell could have day and month swapped.

    A spreadsheet set to the other order turns 3/4 into a date, swapped, and leaves 13/4 as text.
    """
    for number in np.flatnonzero((order == Order.DAY_FIRST) | (order == Order.MONTH_FIRST)).tolist():
        real = np.flatnonzero((cells.kinds == DATE) & (cells.table == tables[number]))
        day_of_month = (days[real] - days[real].astype("datetime64[M]")).astype(np.int64) + 1
        if len(real) >= least and (day_of_month <= 12).all():
            cells.say("date_swapped", real, detail="")


def _read_times(cells: Cells) -> None:
    """Fill cells.out with the two columns of a time field: minutes after midnight, and the state."""
    n = len(cells.values)
    minutes = np.full(n, np.nan)
    state = np.zeros(n, dtype=np.int8)
    if cells.kinds.any():
        state[cells.say_bad()] = UNREADABLE
        for kind, convert in _TIMES.items():
            at = cells.at(kind)
            if len(at):
                codes, different = pd.factorize(cells.values[at])
                found = np.array([convert(v) for v in different], dtype=np.float64)[codes]
                blank = np.array([kind == TEXT and not clean(v) for v in different])[codes]
                minutes[at] = found
                state[at] = np.where(blank, BLANK, np.where(np.isnan(found), UNREADABLE, READ))
                cells.say("time_not_read", at[np.isnan(found) & ~blank])
        at = cells.at(NUMBER)
        minutes[at] = _minutes_of_day_parts(floats(cells.values[at]))
        other = np.concatenate([cells.at(BOOL, OTHER), at[np.isnan(minutes[at])]])
        state[at] = READ
        state[other] = UNREADABLE
        cells.say("time_not_read", other)
    cells.out = {"": minutes, "_state": state}


def _minutes_of_clock(value: time | datetime) -> float:
    """Minutes after midnight of a time, or of a date with a time of day; a date alone is no time: NaN."""
    if not isinstance(value, (time, datetime)):
        return np.nan
    seconds = value.hour * 3600 + value.minute * 60 + value.second
    # A spreadsheet's time alone may come as a date at its day 0.
    if isinstance(value, datetime) and seconds == 0 and value.year > 1904:
        return np.nan
    return seconds / 60.0


def _minutes_of_day_parts(parts: np.ndarray) -> np.ndarray:
    """Minutes after midnight of parts of a day (float array), to the second; NaN outside 0 to below 1."""
    # The last half second of a day would round into the next one.
    seconds = np.minimum(np.round(np.where((parts >= 0) & (parts < 1), parts, np.nan) * 86400), 86399)
    return seconds / 60.0


_TIMES: dict[int, Callable[[Any], float | None]] = {
    TEXT: time_minutes,
    TIME: _minutes_of_clock,
    DATE: _minutes_of_clock,
    SPAN: lambda span: float(_minutes_of_day_parts(np.array([span / timedelta(days=1)]))[0]),
}


# ------------------------------------------------------------------------------------------- words and texts


def _as_texts(cells: Cells) -> tuple[np.ndarray, list[str]]:
    """Every cell as text: (number of its text, -1 for a blank or bad cell; the different texts, tidied).

    Tidied: composed letters (NFC), nothing invisible, white space folded to single spaces, none at the ends.
    Numbers lose a needless ".0", true and false are TRUE and FALSE, dates are ISO.
    """
    values = cells.values.copy()
    values[cells.at(BAD, EMPTY)] = None
    for kind in (NUMBER, BOOL, DATE, TIME, SPAN, OTHER):  # apart, because 1 and True are equal
        at = cells.at(kind)
        if len(at):
            codes, different = pd.factorize(values[at])
            as_text = np.empty(len(different), dtype=object)
            as_text[:] = [shown(v) for v in different]
            values[at] = as_text[codes]
    codes, different = pd.factorize(values)
    return codes, [" ".join(normalize("NFC", _visible(t)).split()) for t in different]


_INVISIBLE = dict.fromkeys([0x200B, 0x200E, 0x200F, 0x2060, 0xFEFF, 0xAD])


def _visible(text: str) -> str:
    """A text without signs that have no width, and without a spreadsheet's apostrophe in front."""
    text = text.strip() if text.isascii() else text.translate(_INVISIBLE).strip()
    return text[1:] if text.startswith("'") else text


def _broadcast(codes: np.ndarray, values: Sequence[Any], blank: Any, dtype: Any) -> np.ndarray:
    """values[codes], and `blank` where the code is -1."""
    table = np.empty(len(values) + 1, dtype=dtype)
    table[:-1] = values
    table[-1] = blank
    return table[codes]


def _read_texts(cells: Cells) -> None:
    """Fill cells.out with the two columns of a text field."""
    codes, texts = _as_texts(cells)
    state = _broadcast(codes, [READ if t else BLANK for t in texts], BLANK, np.int8)
    state[cells.say_bad()] = UNREADABLE
    if cells.spec.name not in _FREE_TEXT:
        cells.say("text_date", cells.at(DATE, TIME, SPAN))
    cells.out = {"": _broadcast(codes, [t or None for t in texts], None, object), "_state": state}


# Likeness (difflib) from which a known word is offered for an unknown one; it only shapes the message. A slip seldom
# moves the first letter, and short words say too little: "NOK" and "not locked off" are no slips for what they deny.
_NEAR_ENOUGH, _SHORTEST_NEAR = 0.7, 4


@cache
def _word_lists(name: str) -> tuple[dict[str, str], dict[str, str]]:
    """(folded spelling -> canonical word, the same with the not-tested words of notation.toml as "")."""
    own = spelled_words(name)
    nothing = {fold_word(s): "" for s in load_toml("notation.toml")["words"]["not_tested"]}
    return own, {**nothing, **own}


def _nearest(folded: str, own: dict[str, str]) -> str:
    """The word that an unknown one may be a slip of; "" for none."""
    alike = [w for w in own if w[:1] == folded[:1] and len(w) >= _SHORTEST_NEAR]
    return next((own[w] for w in difflib.get_close_matches(folded, alike, 1, _NEAR_ENOUGH)), "")


def _meant(name: str, text: str) -> str | None:
    """The word of a field that a text in loose wording, or a line on what feeds, means; None where it is not surely one."""
    feed = behind_a_label(text) if name == "supply" and "?" not in text else None
    return loose_word(name, text) or (feed.supply or None if feed else None)


def _read_words(cells: Cells) -> None:
    """Fill cells.out with the two columns of a word field; "n/a" is blank unless the field has that word."""
    own, all_words = _word_lists(cells.spec.name)
    codes, texts = _as_texts(cells)
    answers = [chosen(t) for t in texts]
    canonical = [all_words.get(fold_word(t), _meant(cells.spec.name, t) if t else "") for t in answers]
    words = _broadcast(codes, [c or None for c in canonical], None, object)
    state = _broadcast(codes, [UNREADABLE if c is None else READ if c else BLANK for c in canonical], BLANK, np.int8)
    unknown = np.flatnonzero(state == UNREADABLE)
    state[cells.say_bad()] = UNREADABLE
    if len(unknown):
        near = {i: _nearest(fold_word(texts[i]), own) for i in np.unique(codes[unknown])}
        close = np.array([bool(near[i]) for i in codes[unknown]])
        allowed, nearest = ", ".join(cells.spec.words), [near[i] for i in codes[unknown[close]]]
        cells.say("word_unknown_near", unknown[close], allowed=allowed, nearest=nearest)
        cells.say("word_unknown", unknown[~close], allowed=allowed)
    cells.out = {"": words, "_state": state}
