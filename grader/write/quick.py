"""A worksheet that writes the same bytes as the library's own, quicker.

A result is mostly plain numbers, and a few texts that come again and again.
"""

from __future__ import annotations

import io
from typing import Any

from xlsxwriter.worksheet import Worksheet

LONGEST_KEPT = 120  # characters; longer texts seldom come twice
MOST_KEPT = 20_000  # texts, which bounds the memory


class QuickSheet(Worksheet):
    """Numbers and texts with a format are put together here; everything else goes to the library.

    What a text looks like in the file is taken from the library the first time, and kept. Where a later
    version of the library does not call `_write_cell` the sheet is written as ever, only slower.
    """

    fh: Any  # the library's: the file that rows are written to

    def __init__(self) -> None:
        super().__init__()
        self._letters: dict[int, str] = {}
        self._styles: dict[int, str] = {}  # id of a format -> the attribute; formats live as long as the workbook
        self._tails: dict[str, str] = {}

    def _write_cell(self, row: int, col: int, cell: Any) -> None:
        kind = cell.__class__.__name__
        look = cell.format
        if not look or not self.constant_memory or kind not in ("Number", "String", "Blank"):
            super()._write_cell(row, col, cell)
            return
        style = self._styles.get(id(look))
        if style is None:
            style = self._styles[id(look)] = f'" s="{look._get_xf_index()}"'
        letters = self._letters.get(col)
        if letters is None:
            letters = self._letters[col] = _letters(col)
        if kind == "Number":
            self.fh.write(f'<c r="{letters}{row + 1}{style}><v>{cell.number:.16G}</v></c>')
            return
        if kind == "Blank":
            self.fh.write(f'<c r="{letters}{row + 1}{style}/>')
            return
        tail = self._tails.get(cell.string)
        if tail is None:
            tail = self._tail(row, col, cell)
        self.fh.write(f'<c r="{letters}{row + 1}{style}{tail}')

    def _tail(self, row: int, col: int, cell: Any) -> str:
        """What the library writes of a text behind its address and style."""
        target, self.fh = self.fh, io.StringIO()
        try:
            super()._write_cell(row, col, cell)
            written = self.fh.getvalue()
        finally:
            self.fh = target
        start = f'<c r="{_letters(col)}{row + 1}" s="{cell.format._get_xf_index()}"'
        if not written.startswith(start):
            raise RuntimeError(f"xlsxwriter wrote a cell in an unknown way: {written[:60]}")
        tail = written[len(start) :]
        if len(cell.string) <= LONGEST_KEPT:
            if len(self._tails) >= MOST_KEPT:
                self._tails.clear()
            self._tails[cell.string] = tail
        return tail


def _letters(column: int) -> str:
    name = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        name = chr(65 + rest) + name
    return name
