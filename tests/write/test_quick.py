"""The quick sheet writes what the library's own sheet writes, byte for byte."""

from __future__ import annotations

import io
from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pytest
from xlsxwriter import Workbook
from xlsxwriter.worksheet import Worksheet

from grader.page import Page
from grader.write import quick
from grader.write.quick import QuickSheet
from grader.write.result import write_result

TEXTS = [
    "fail",
    "<5",
    "a & b",
    'say "no"',
    " leading",
    "trailing ",
    "two\nlines",
    "tab\t",
    "_x0007_",
    "",
    "é µ ³ 🧪",
    "<r>4</r>",
    "=1+1",
    "x" * 200,
    "x" * 40_000,
    "\u202e4",
    "]]>",
    "'quoted'",
]
NUMBERS = [0, 1, -1, 0.1, -0.0, 1e300, 5e-324, 20.9, 1 / 3, 10**15 - 1, 46_000, np.float64(4.5), np.int64(7)]


def written(sheet_class, blanks=True) -> bytes:
    """A workbook of rows with texts, numbers and gaps, between cells and rows that are the library's own."""
    stream = io.BytesIO()
    with Workbook(stream, {"constant_memory": True, "strings_to_urls": False}) as book:
        book.set_properties({"created": datetime(2026, 1, 1, tzinfo=UTC)})
        looks = [book.add_format({"bold": True}), book.add_format({"bg_color": "#B3DAF2", "num_format": "0.0"})]
        for name in ("one", "two"):
            sheet = book.add_worksheet(name, sheet_class)
            sheet.write_string(0, 0, "heading", looks[0])
            for row in range(1, 60):
                formats = [looks[(row + n) % 2] for n in range(30)]
                texts = [TEXTS[(row + n) % len(TEXTS)][:32_000] or None for n in range(14)]
                numbers = [NUMBERS[(row + n) % len(NUMBERS)] for n in range(14)]
                values = [None, *texts, *numbers, None]
                if row % 9 == 0:
                    values = [None] * 30
                if row % 7 == 0:
                    sheet.set_row(row, 30, looks[1])
                _cells(sheet, row, 0, values[:20], formats, blanks)
                sheet.write_url(row, 20, "internal:'two'!A1", looks[0], f"link {row}")
                _cells(sheet, row, 21, values[21:], formats[21:], blanks)
            sheet.write_formula(61, 703, "=1+1", looks[0], 2)
        assert not any(getattr(sheet, "unwritten", 0) > 1 for sheet in book.worksheets())
    assert not any(getattr(sheet, "unwritten", 0) for sheet in book.worksheets())
    return stream.getvalue()


def _cells(sheet, row, first, values, formats, blanks):
    if isinstance(sheet, QuickSheet):
        assert sheet.write_cells(row, first, values, formats, blanks) == 0
        return
    for column, (value, look) in enumerate(zip(values, formats), start=first):
        if isinstance(value, str):
            sheet.write_string(row, column, value, look)
        elif value is not None:
            sheet.write_number(row, column, value, look)
        elif blanks:
            sheet.write_blank(row, column, None, look)


@pytest.mark.parametrize("blanks", [True, False])
def test_the_same_bytes_as_the_librarys_own_sheet(blanks):
    assert written(QuickSheet, blanks) == written(Worksheet, blanks)


def test_also_where_no_text_may_be_kept(monkeypatch):
    monkeypatch.setattr(quick, "MOST_KEPT", 2)
    monkeypatch.setattr(quick, "LONGEST_KEPT", 4)
    assert written(QuickSheet) == written(Worksheet)


def test_texts_are_kept_within_bounds(monkeypatch):
    monkeypatch.setattr(quick, "MOST_KEPT", 10)
    with Workbook(io.BytesIO(), {"constant_memory": True}) as book:
        look = book.add_format({"bold": True})
        sheet = book.add_worksheet("one", QuickSheet)
        for row in range(100):
            sheet.write_cells(row, 0, [f"text {row}"], [look])
        assert 0 < len(sheet._tails) <= 10


def test_a_row_or_column_that_is_none_is_said():
    with Workbook(io.BytesIO(), {"constant_memory": True}) as book:
        look = book.add_format({"bold": True})
        sheet = book.add_worksheet("one", QuickSheet)
        assert sheet.write_cells(2, 0, [1], [look]) == 0
        assert sheet.write_cells(3, 0, [1], [look]) == 0
        assert sheet.write_cells(2, 0, [1], [look]) < 0  # written already
        assert sheet.write_cells(1_048_576, 0, [1], [look]) < 0
        assert sheet.write_cells(4, 16_384, [1], [look]) < 0


def test_a_row_that_the_library_does_not_write_costs_the_result_never_the_row(tmp_path, monkeypatch):
    monkeypatch.setattr(QuickSheet, "_write_cell", lambda *_: None)  # as if a later version did not ask for it
    with pytest.raises(RuntimeError, match="left out"):
        write_result(tmp_path / "r.xlsx", {"One": pd.DataFrame({"Site": ["Yard"]})}, Page("t"))
    assert list(tmp_path.iterdir()) == []
