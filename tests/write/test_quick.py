"""The quick sheet writes what the library's own sheet writes, byte for byte."""

from __future__ import annotations

import io
from datetime import UTC, datetime

import numpy as np
import pytest
from xlsxwriter import Workbook
from xlsxwriter.worksheet import Worksheet

from grader.write import quick
from grader.write.quick import QuickSheet

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
NUMBERS = [0, 1, -1, 0.1, -0.0, 1e300, 5e-324, 20.9, 1 / 3, 10**15 - 1, 46_000, np.float64(4.5), np.int64(7), True]


def written(sheet_class, constant_memory=True) -> bytes:
    """A workbook with every kind of cell, with and without formats, in columns far apart."""
    stream = io.BytesIO()
    with Workbook(stream, {"constant_memory": constant_memory, "strings_to_urls": False}) as book:
        book.set_properties({"created": datetime(2026, 1, 1, tzinfo=UTC)})
        looks = [None, book.add_format({"bold": True}), book.add_format({"bg_color": "#B3DAF2", "num_format": "0.0"})]
        for name in ("one", "two"):
            sheet = book.add_worksheet(name, sheet_class)
            for row in range(60):
                look = looks[row % 3]
                if row % 7 == 0:
                    sheet.set_row(row, 30, looks[1])
                sheet.write_number(row, 0, NUMBERS[row % len(NUMBERS)], look)
                sheet.write_string(row, 25, TEXTS[row % len(TEXTS)], look)
                sheet.write_string(row, 26, TEXTS[(5 * row) % len(TEXTS)], looks[(row + 1) % 3])
                sheet.write_blank(row, 701, None, look)
                sheet.write_boolean(row, 702, row % 2 == 0, look)
                sheet.write_formula(row, 703, "=1+1", look, 2)
                sheet.write_url(row, 16_383, "internal:'two'!A1", look, f"link {row}")
    return stream.getvalue()


@pytest.mark.parametrize("constant_memory", [True, False])
def test_the_same_bytes_as_the_librarys_own_sheet(constant_memory):
    assert written(QuickSheet, constant_memory) == written(Worksheet, constant_memory)


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
            sheet.write_string(row, 0, f"text {row}", look)
        assert 0 < len(sheet._tails) <= 10
