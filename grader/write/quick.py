"""A worksheet that writes the same bytes as the library's own, quicker.

A result is mostly plain numbers, and a few texts that come again and again.
"""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple

from xlsxwriter.format import Format
from xlsxwriter.utility import xl_col_to_name
from xlsxwriter.worksheet import CellStringTuple, Worksheet

LONGEST_KEPT = 120  # characters; longer texts seldom come twice
MOST_KEPT = 20_000  # texts, which bounds the memory


class Cells(NamedTuple):
    """Neighbours of one row as they stand in the file, in the place of the first one's cell."""

    written: str
    format: None = None


class QuickSheet(Worksheet):
    """Numbers and texts with a format are put together here, many at a time; everything else goes to the library.

    What a text looks like in the file is taken from the library the first time, and kept.
    """

    fh: Any  # the library's: the file that rows are written to

    def __init__(self) -> None:
        super().__init__()
        self._letters: list[str] = []
        self._styles: dict[int, str] = {}  # id of a format -> the attribute; formats live as long as the workbook
        self._tails: dict[str, str] = {}
        self.unwritten = 0  # Cells that the library has not asked for yet; none may be left when the workbook is closed

    def write_cells(
        self, row: int, first: int, values: Sequence[Any], formats: Iterable[Format], blanks: bool = True
    ) -> int:
        """Neighbouring cells of a row, from column `first` on: str, float or int; None is an empty one, left out without `blanks`.

        Returns what the library's own methods do: 0, or below 0 where nothing was written.
        """
        used = [n for n, value in enumerate(values) if blanks or value is not None]
        if not used:
            return 0
        for column in (first + used[0], first + used[-1]):
            if failed := self._check_dimensions(row, column):
                return failed
        if row > self.previous_row:
            self._write_single_row(row)
        while len(self._letters) < first + len(values):
            self._letters.append(xl_col_to_name(len(self._letters)))
        written: list[str] = []
        line, styles, tails = row + 1, self._styles, self._tails
        for letters, value, look in zip(self._letters[first:], values, formats):
            if value is None and not blanks:
                continue
            style = styles.get(id(look))
            if style is None:
                style = styles[id(look)] = f'" s="{look._get_xf_index()}"'
            if value is None:
                tail = "/>"
            elif value.__class__ is str:
                tail = tails.get(value) or self._tail(value, look)
            else:
                tail = f"><v>{value:.16G}</v></c>"
            written.append(f'<c r="{letters}{line}{style}{tail}')
        self.table[row][first + used[0]] = Cells("".join(written))
        self.unwritten += 1
        return 0

    def _write_cell(self, row: int, col: int, cell: Any) -> None:
        if cell.__class__ is Cells:
            self.fh.write(cell.written)
            self.unwritten -= 1
        else:
            super()._write_cell(row, col, cell)

    def _tail(self, text: str, look: Format) -> str:
        """What the library writes of a text behind its address and style."""
        target, self.fh = self.fh, io.StringIO()
        try:
            super()._write_cell(0, 0, CellStringTuple(text, look))
            written = self.fh.getvalue()
        finally:
            self.fh = target
        start = f'<c r="A1" s="{look._get_xf_index()}"'
        if not written.startswith(start):
            raise RuntimeError(f"xlsxwriter wrote a cell in an unknown way: {written[:60]}")
        tail = written[len(start) :]
        if len(text) <= LONGEST_KEPT:
            if len(self._tails) >= MOST_KEPT:
                self._tails.clear()
            self._tails[text] = tail
        return tail
