"""Finds the heading rows of a sheet whose tests are rows: one row of headings, or two or three that belong together."""

from __future__ import annotations

import os.path
import re
from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import Any, NamedTuple

from grader.read.shapes.grid import Grid
from grader.read.words.composed import is_group
from grader.read.words.dates import is_when
from grader.read.words.headings import EXACT
from grader.read.words.labels import (
    A_UNIT_ALONE,
    READINGS,
    Column,
    another_thing,
    column,
    is_later,
    is_limit_word,
    is_overtaken,
    is_placeholder,
    is_unit,
    kind_of,
    known_words,
    label,
    looks_like_value,
    may_be_heading,
)
from grader.read.words.loose import loose_word

_ORDINAL = re.compile(r"\s*(\d)(?:st|nd|rd|th|er|re|e|è?me|ème|\.)\s*", re.IGNORECASE)
_MOST_VALUES = 0.34  # share of figures above which a row is no row of headings
_NEAR = 8  # rows below a heading in which a column holds something
_LEAST_KNOWN = 0.5  # share of its texts that must be headings


class Head(NamedTuple):
    """The heading of one table: its rows (positions in grid.rows, top to bottom) and columns, left to right.

    again : the rows that repeat it.
    """

    top: int
    bottom: int
    columns: list[Column]
    again: Sequence[int] = ()

    @property
    def own(self) -> bool:
        """Whether every heading is one of the blank, in one row."""
        return self.top == self.bottom and all(c.heading.basis == EXACT for c in self.columns)


def is_table(columns: Sequence[Column]) -> bool:
    """Whether these headings open a table: a reading, and an outlet or two more that are known."""
    known = [c for c in columns if c.kind == "field" or (c.kind == "unclear" and not c.weak)]
    named = {c.field or c.text for c in known}
    reading = any(c.field in READINGS or (not c.field and READINGS & set(c.heading.candidates)) for c in known)
    return reading and any(c.field for c in known) and len(named) >= (2 if "outlet" in {c.field for c in known} else 3)


def _texts(row: Sequence[Any]) -> dict[int, str]:
    return {c: v for c, v in enumerate(row) if type(v) is str}


def _is_texty(row: Sequence[Any]) -> bool:
    """Whether a row can be one of headings: two texts at least, hardly a figure among them."""
    # What is neither text nor blank is a figure or a date: in most rows these alone decide.
    count = list(map(type, row)).count(str)
    plain = len(row) - row.count(None) - count
    if count < 2 or plain > _MOST_VALUES * (plain + count):
        return False
    values = _count_of(looks_like_value, _of_texts(row))
    return count - values >= 2 and plain + values <= _MOST_VALUES * (plain + count)


def _of_texts(row: Sequence[Any]) -> tuple[str, ...]:
    return tuple([v for v in row if type(v) is str])


@lru_cache(maxsize=5_000)
def _columns(top: tuple[str, ...], below: tuple[str, ...], units: tuple[str, ...]) -> tuple[Column, ...]:
    """Columns of heading rows, remembered by their texts: a firm's files repeat them."""
    return tuple(column(at, *parts) for at, parts in enumerate(zip(top, below, units)) if any(parts))


def _row_texts(row: Sequence[Any]) -> tuple[str, ...]:
    return tuple("" if v is None else v if type(v) is str else f"{v:g}" if type(v) is float else str(v) for v in row)


def columns_of(grid: Grid, rows: list[int]) -> list[Column]:
    """The columns that one, two or three rows of headings make (the last of three holds units)."""
    first, *more = (_row_texts(grid.rows[row]) for row in rows)
    if not more:
        return list(_of_one_row(first))
    blank = ("",) * grid.width
    below, units, *_ = *(tuple("" if _says_unit(v) else v for v in texts) for texts in more), blank
    top = _spread(grid, rows[0], first, below)
    below = tuple("" if _ordinal(v) == 1 else v for v in below)
    return _of_today(_columns(top, below, units), top, below)


@lru_cache(maxsize=5_000)
def _count_of(kind: Callable[[str], bool], texts: tuple[str, ...]) -> int:
    """How many texts are of a kind; the rows of a log repeat them."""
    return sum(map(kind, texts))


@lru_cache(maxsize=5_000)
def _opens(texts: tuple[str, ...]) -> bool:
    """Whether a row of headings opens a table by itself."""
    columns = _of_one_row(texts)
    return is_table(columns) and _mostly_known(columns)


@lru_cache(maxsize=5_000)
def _of_one_row(texts: tuple[str, ...]) -> tuple[Column, ...]:
    top, below = _parted(texts)
    made = _of_today(_columns(top, below, ("",) * len(texts)), top, below)
    return tuple(c._replace(text=texts[c.at].strip()) if below[c.at] else c for c in made)


def _parted(texts: tuple[str, ...]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Headings of one row as two: "CO ppm before" and "CO ppm after" are Before and After under "CO ppm".

    Only neighbours that begin or end alike, and differ by words that say which day or what kind of figure it is.
    """
    top, below = list(texts), [""] * len(texts)
    for at, (one, two) in enumerate(zip(texts, texts[1:])):
        if found := _alike(one, two):
            top[at] = top[at + 1] = found[0]
            below[at : at + 2] = found[1:]
    return tuple(top), tuple(below)


@lru_cache(maxsize=5_000)
def _alike(one: str, two: str) -> tuple[str, str, str] | None:
    """What two headings have in common, and the rest of each; None where they are not of one figure."""
    a, b = (t.replace("(", " ").replace(")", " ").split() for t in (one, two))
    for cut in (slice(None), slice(None, None, -1)):  # from the front, and from the end
        for common in range(1, len(os.path.commonprefix([a[cut], b[cut]])) + 1):
            first, second = (" ".join(t[cut][common:][cut]) for t in (a, b))
            if all(r and kind_of(r) in ("value", "earlier", "limit") for r in (first, second)):
                return " ".join(a[cut][:common][cut]), first, second
    return None


def _of_today(columns: Sequence[Column], top: Sequence[str], below: Sequence[str]) -> list[Column]:
    """Headings of which one that stands beside "New" or "As left" is of an earlier day: "As found", "Reading"."""
    later = {over for over, text in zip(top, below) if over and is_later(text)}
    overtaken = {at for at, over in enumerate(top) if over in later and is_overtaken(below[at])}
    return [c._replace(kind="earlier") if c.at in overtaken else c for c in columns]


def _spread(grid: Grid, row: int, top: tuple[str, ...], below: tuple[str, ...]) -> tuple[str, ...]:
    """A heading over several columns (merged, or followed by blanks) given to each of them."""
    spread = list(top)
    covered: set[int] = set()
    for first_row, first, last_row, last in grid.merges:
        if first_row <= row <= last_row:
            covered.update(range(first, last + 1))
            # A heading merged downwards stands alone, one merged sideways heads each column.
            spread[first : last + 1] = [text or top[first] for text in spread[first : last + 1]]
    for c in range(1, len(spread)):
        # Without a merged range the words of a heading reach over blanks to its right, but not over units.
        free = not spread[c] and below[c] and below[c - 1] and c not in covered and not is_unit(below[c])
        if free and (not covered or another_thing(spread[c - 1])):
            spread[c] = spread[c - 1]
    return tuple(spread)


def head_at(grid: Grid, row: int, after: int = -1) -> Head | None:
    """The heading of a table that begins at a row, or None.

    row   : position in grid.rows.
    after : the last row that belongs to an earlier table; a second row above is looked for below it.
    """
    cells = grid.rows[row]
    if not _is_texty(cells) or _is_pairs(cells):
        return None
    below = _next(grid, row)
    texts, beneath = _of_texts(cells), _of_texts(grid.rows[below]) if below is not None else ()
    possible, known = (_count_of(kind, texts) for kind in (may_be_heading, known_words))
    groups = possible < 2  # of which one may be the outlets' heading
    if possible + _count_of(may_be_heading, beneath) < 2 or known + _count_of(known_words, beneath) < 2:
        return None
    opens = _opens(_row_texts(cells))
    if not opens and (below is None or not _is_texty(grid.rows[below])):
        return None
    single = columns_of(grid, [row])
    if opens and not _beside(single, cells) and _reads(grid, row, single):
        found = _whole(grid, row, single, after)
        # "2nd quarter | tested | 14.05.2025 | by | JT" over the headings: they are found by themselves.
        return None if found.top < found.bottom == below and _says_more(grid, below, found.columns, single) else found
    if below is None or not _is_texty(grid.rows[below]):
        return None
    alone = columns_of(grid, [below])
    pair = columns_of(grid, [row, below])
    if not is_table(pair) or not _mostly_known(pair) or _beside(pair, cells) or _beside(single, cells):
        return None
    if any(type(v) in (int, float) and not is_when(v) for v in (*cells, *grid.rows[below])):
        return None  # "Flow | 270 | min 150 | l/min" over "Odour | none | none": lines of a form
    if is_table(alone) and (groups or _count(alone) >= _count(pair)):
        return None  # a title above the headings: they are found by themselves
    return _with_units(grid, [row, below], pair)


def _is_pairs(row: Sequence[Any]) -> bool:
    """Whether a row is of labels with their values in turn, at least one a figure or a word for what its label asks."""
    cells = [v for v in row if v is not None]
    if len(cells) < 4 or len(cells) % 2 or not all(type(v) is str for v in cells[::2]):
        return False
    labels = map(label, cells[::2])
    fields = [
        next(iter(said.heading.candidates), "") if said and said.kind in ("field", "unclear") else "" for said in labels
    ]
    values = [
        type(v) is not str or looks_like_value(v) or bool(field and loose_word(field, v))
        for field, v in zip(fields, cells[1::2])
    ]
    others = (v for v, is_value in zip(cells[1::2], values) if not is_value)
    return all(fields) and any(values) and not any(label(v) or kind_of(v) for v in others)


def _reads(grid: Grid, row: int, columns: list[Column]) -> bool:
    """Whether headings open a table also without those that are a unit alone over nothing: "checked | MB" is no pressure."""
    below = grid.rows[row + 1 : row + 1 + _NEAR]
    held = [
        c for c in columns if c.heading.why != A_UNIT_ALONE or any(looks_like_value(cells[c.at]) for cells in below)
    ]
    return len(held) == len(columns) or is_table(held)


def _whole(grid: Grid, row: int, single: list[Column], after: int) -> Head:
    """The heading with a row of units or further words below it, or a row of groups above it."""
    below = _next(grid, row)
    if below is not None and ((parts := _is_parts(grid, row, below)) or _is_second(grid, row, below)):
        pair = columns_of(grid, [row, below])
        if parts or _count(pair) >= _count(single):
            return _with_units(grid, [row, below], pair)
    above = row - 1
    if above > after and _is_groups(grid, above):
        pair = columns_of(grid, [above, row])
        if _count(pair) > _count(single) or _blocked(pair) - _blocked(single):
            return _with_units(grid, [above, row], pair)
    if above > after and not any(looks_like_value(v) for v in grid.rows[above] if v is not None):
        return Head(row, row, _of_titles(grid, above, row, single))
    return Head(row, row, single)


def _of_titles(grid: Grid, above: int, row: int, single: list[Column]) -> list[Column]:
    """Headings of which a unit alone is not read without the title over it: "Sampler" over "L/min"."""
    alone = {c.at: c.text for c in single if c.heading.why == A_UNIT_ALONE}
    over = {c.at: c for c in columns_of(grid, [above, row]) if c.text != alone.get(c.at)} if alone else {}
    titles = {at: over[at].text.removesuffix(text).strip(" /") for at, text in alone.items() if at in over}
    return [over[c.at] if c.at in titles and not is_group(titles[c.at]) else c for c in single]


def _with_units(grid: Grid, rows: list[int], pair: list[Column]) -> Head:
    below = _next(grid, rows[-1])
    if below is not None and is_units(grid.rows[below]):
        triple = columns_of(grid, [*rows, below])
        if _count(triple) >= _count(pair):
            return Head(rows[0], below, triple)
    return Head(rows[0], rows[-1], pair)


def _says_more(grid: Grid, below: int, pair: list[Column], single: list[Column]) -> bool:
    """Whether a row is a heading by itself, of all that two rows name together and of more than the upper one."""
    alone = columns_of(grid, [below])
    return is_table(alone) and _count(alone) >= _count(pair) and _count(alone) > _count(single)


def _next(grid: Grid, row: int) -> int | None:
    return row + 1 if row + 1 < len(grid.rows) else None


def _count(columns: Sequence[Column]) -> int:
    return len({c.field for c in columns if c.field})


def _blocked(columns: Sequence[Column]) -> set[int]:
    """Positions of the headings that a word makes those of another thing: limits, earlier figures, a calibration."""
    return {c.at for c in columns if c.kind in ("unclear", "limit", "earlier", "note") and another_thing(c.text)}


def _mostly_known(columns: Sequence[Column]) -> bool:
    # "CO ppm June": what the unit belongs to is known, whatever the further word says.
    known = sum(c.kind != "unknown" and (not c.weak or bool(c.heading.told)) for c in columns)
    return known >= _LEAST_KNOWN * len(columns)


def _beside(columns: list[Column], cells: Sequence[Any]) -> bool:
    """Whether these are labels of a form, each with its value to the right, and no heading row."""
    labels = [c for c in columns if c.kind in ("field", "unclear") and c.text.endswith(":")]
    return len(labels) * 2 >= max(len(columns), 1) or (
        bool(labels) and any(looks_like_value(v) for v in cells if v is not None)
    )


def is_units(row: Sequence[Any]) -> bool:
    """Whether a row below a heading holds units and nothing else."""
    filled = [v for v in row if v is not None]
    return any(map(is_unit, filled)) and all(is_unit(v) or is_placeholder(v) or _says_unit(v) for v in filled)


def _says_unit(value: Any) -> bool:
    """Whether a cell is the word Unit, which names a row of units at its side."""
    return type(value) is str and len(value) <= 30 and kind_of(value) == "unit"


def _ordinal(text: str) -> int:
    """The number of an ordinal that stands alone under a heading ("1st", "2nd", "3."); 0 where it is none.

    >>> _ordinal("2nd"), _ordinal("1er"), _ordinal("2"), _ordinal("20.9")
    (2, 1, 0, 0)
    """
    found = _ORDINAL.fullmatch(text)
    return int(found[1]) if found else 0


def _is_second(grid: Grid, row: int, below: int) -> bool:
    """Whether a row is the second one of a heading: units, or words that make sense only under the first."""
    cells = grid.rows[below]
    if is_units(cells):
        return True
    filled = _texts(cells)
    if len(filled) > 1 and all(map(_ordinal, filled.values())):
        return len(filled) == sum(v is not None for v in cells)
    if not filled or any(looks_like_value(v) and not is_unit(v) for v in cells if v is not None):
        return False
    head = grid.rows[row]
    if is_limit_word(next(iter(filled.values()))) or len(filled) < 2:
        return False
    fields = {c.at: c.field for c in columns_of(grid, [row, below])}

    def helps(at: int, text: str) -> bool:
        over = head[at] if type(head[at]) is str else ""
        field = fields.get(at, "")
        return is_unit(text) or bool(field) and (may_be_heading(text) or column(at, over).field != field)

    return 2 * sum(helps(at, text) for at, text in filled.items()) > len(filled)


def _is_parts(grid: Grid, row: int, below: int) -> bool:
    """Whether a row parts headings that reach over several columns: Previous | New, Limit | Measured, or any words.

    Words that are not known part them too where they come again under each: what they mean is then judged both ways.
    """
    head, cells = grid.rows[row], grid.rows[below]
    texts = {at: v for at, v in enumerate(cells) if type(v) is str or is_when(v)}
    if len(texts) < 2 or len(texts) < sum(v is not None for v in cells):
        return False
    if all(map(is_when, texts.values())) and not any(c.field == "test_date" for c in columns_of(grid, [row])):
        return False  # visits side by side, unless the rows have dates of their own
    parts: list[list[Any]] = []
    for at, text in texts.items():
        if head[at] is not None:
            parts.append([text])
        elif parts and at - 1 in texts:
            parts[-1].append(text)
        else:
            return False
    several = [p for p in parts if len(p) > 1]
    known = all(type(t) is str and (kind_of(t) or is_later(t)) for p in several for t in p)
    again = len(several) > 1 and all(p == several[0] for p in several)
    return bool(several) and (known or again) and all(len(set(p)) == len(p) for p in several)


def _is_groups(grid: Grid, row: int) -> bool:
    """Whether a row above the headings groups them: texts alone, one over a merged range or several of them."""
    cells = grid.rows[row]
    texts = _texts(cells)
    if not texts or any(looks_like_value(v) for v in cells if v is not None):
        return False
    if is_limit_word(next(iter(texts.values()))) or any(
        ":" in t or any(ch.isdigit() for ch in t) for t in texts.values()
    ):
        return False
    wide = [r for r in grid.merges if r[0] <= row <= r[2] and r[3] > r[1]]
    width = len([v for v in grid.rows[row + 1] if v is not None])
    if wide and all(r[3] - r[1] + 1 >= width for r in wide) and len(texts) == 1:
        return False  # a title over the whole table
    return len(texts) >= 2 or bool(wide)
