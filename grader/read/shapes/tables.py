"""What the recognisers of layouts take and make: a sheet, the tables found in it, and what is to be said.

Plain tuples, so that they pass between processes quickly. No numpy, no pandas.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence, Set
from typing import TYPE_CHECKING, Any, NamedTuple

from grader.problems import Table, Unreadable

if TYPE_CHECKING:
    from grader.read.sayings import Said

Range = tuple[int, int, int, int]  # 0-based: first row, first column, last row, last column


def not_known() -> None:
    """What the colours of a sheet are where its format shows none."""
    return


class Sheet(NamedTuple):
    """One sheet as lists of cells.

    rows     : rectangular; a blank cell is "" or None.
    numbers  : 0-based sheet row of each row (None: 0, 1, 2 ...).
    percents : 0-based (row, column) of numbers shown through a percent format.
    merges   : gives the merged ranges, only asked where they can matter; empty where the format hides them.
    hidden_rows : 0-based sheet rows that are hidden, where the format shows it.
    comments : 0-based (row, column) -> text of a comment on a cell, where the format shows it.
    struck   : 0-based (row, column) of cells that are struck through, where the format shows it.
    printed  : texts that are printed above or below every page of it, or stand in boxes that lie on it.
    colours  : gives the colours of its cells (formats/colours.py), only asked where they can matter; None where they are not known.
    """

    name: str
    rows: list[list[Any]]
    numbers: list[int] | None = None
    percents: Set[tuple[int, int]] = frozenset()
    hidden: bool = False
    merges: Callable[[], list[Range]] = list
    hidden_rows: Iterable[int] = ()
    comments: Iterable[tuple[tuple[int, int], str]] = ()
    struck: Set[tuple[int, int]] = frozenset()
    printed: Iterable[str] = ()
    colours: Callable[[], Mapping[tuple[int, int], Sequence[str]] | None] = not_known


class Note(NamedTuple):
    """One thing to say of a sheet; `code` is a key of the words, `params` fills them."""

    code: str
    sheet: str
    cell: str
    value: Any
    params: dict[str, Any]


class Recognised(NamedTuple):
    """The tables of a sheet or workbook, what is to be said, and the rows: found, and passed over with a note each.

    rows_found is counted from the sheets, not from the tables' columns.
    beyond : what a workbook says of tests that are in none of its tables. heads : texts that may name the site of those.
    """

    tables: list[Table]
    notes: list[Note]
    rows_found: int
    rows_passed_over: int
    beyond: Sequence[Said] = ()
    heads: Sequence[str] = ()


def squared(rows: list[list[Any]]) -> list[list[Any]]:
    """The rows, each filled up with blank cells to the length of the longest; changed in place."""
    width = max(map(len, rows), default=0)
    for row in rows:
        row.extend([""] * (width - len(row)))
    return rows


def number_of(sheet: Sheet, row: int) -> int:
    """The 0-based row of the sheet that a position in `sheet.rows` stands for."""
    return row if sheet.numbers is None else sheet.numbers[row]


def column_number(letters: str) -> int:
    """0-based number of a column from its letters; the way back of a1.

    >>> column_number("A"), column_number("R"), column_number("AA"), column_number("XFD")
    (0, 17, 26, 16383)
    """
    number = 0
    for letter in letters.upper():
        number = number * 26 + ord(letter) - 64
    return number - 1


_ADDRESS = re.compile(r"([A-Za-z]{1,3})([0-9]{1,7})")


def place_of(address: str) -> tuple[int, int] | None:
    """0-based row and column of an address; None for a text that is none. The row of "A0" is -1.

    >>> place_of("B4"), place_of("7B")
    ((3, 1), None)
    """
    match = _ADDRESS.fullmatch(address)
    return (int(match[2]) - 1, column_number(match[1])) if match else None


def is_blank(value: Any) -> bool:
    """Whether a cell holds nothing: None, an empty text or white space only."""
    return value is None or (type(value) is str and (not value or value.isspace()))


def tidied(value: Any) -> Any:
    """A cell with a blank as None, and a number that is none (NaN, infinite) as Unreadable."""
    if is_blank(value):
        return None
    if type(value) is float and value - value != 0.0:
        return Unreadable(str(value), "number")
    return value


def shown(value: Any) -> str:
    """What a cell shows, for a message."""
    return value.shown if isinstance(value, Unreadable) else str(value)


def whole(value: Any) -> Any:
    """A whole number as the text of its digits: a year, a running number. Anything else as it is."""
    return str(int(value)) if type(value) in (int, float) and value == int(value) else value


def unread(values: Iterable[Any], why: str = "twice") -> Unreadable | None:
    """Several entries for one thing: whatever stands in any is not read, and is not taken for blank."""
    texts = [shown(v) for v in values if v is not None]
    return Unreadable(" / ".join(texts), why) if texts else None


_LONGEST_SHOWN = 200  # characters; a label a thousand times over is shown no more than a page of it


def both(earlier: Any, value: Any) -> Unreadable:
    """What two different values for one thing are: neither is read."""
    text = shown(earlier)
    return Unreadable(text if len(text) > _LONGEST_SHOWN else f"{text} / {shown(value)}", "twice")
