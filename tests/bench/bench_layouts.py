"""What recognising a layout costs beside reading the file: `python -m tests.bench.bench_layouts [rows]`.

Prints, for logs of several shapes, the time of recognising over the time of reading (scan and library), the
first time and when the layout is remembered. The aim is at most 2. The last lines are of a folder: many files with
the same headings, each read once.
"""

from __future__ import annotations

import gc
import io
import sys
import time
from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import openpyxl

from grader.read.child import _GARBAGE_THRESHOLD
from grader.read.formats.workbook import open_file
from grader.read.process import reading_limits
from grader.read.shapes.recognise import Sheet, recognise

HEADS = [
    "Date",
    "Site",
    "Sampling point",
    "Location",
    "Compressor",
    "Dryer fitted",
    "Smell",
    "Line press (psi)",
    "Flow l/min.",
    "O₂ %",
    "CO [ppm]",
    "CO2 / ppm",
    "Oil mist mg/m3",
    "H2O (mg/m³)",
    "Tube factor",
    "Amb. temp °C",
    "Engineer",
    "Comments",
]


def row(i: int) -> list[Any]:
    """One invented test."""
    return [
        date(2020, 1, 1) + timedelta(days=i % 1500),
        f"Works {i % 40}",
        f"Outlet {i % 97}",
        f"Paint shop bay {i % 211}",
        f"Compressor {i % 9}",
        "desiccant",
        "none",
        90 + i % 20,
        300 + i % 50,
        20.9,
        i % 5,
        400 + i % 60,
        0.1,
        60 + i % 30,
        1,
        10 + i % 15,
        "A. Person",
        f"see report {i}",
    ]


def plain(sheet: Any, rows: int) -> None:
    """Title, headings, rows."""
    sheet.append(["Air tests of the firm"])
    sheet.append([])
    sheet.append(HEADS)
    for i in range(rows):
        sheet.append(row(i))


def with_banners(sheet: Any, rows: int) -> None:
    """A banner every 20 rows, two rows of headings."""
    sheet.append([h.split(" ")[0] if i in (9, 10, 11) else h for i, h in enumerate(HEADS)])
    sheet.append([None] * 9 + ["%", "ppm", "ppm"])
    for i in range(rows):
        if i % 20 == 0:
            sheet.append([f"Client: Firm {i // 20}"])
        sheet.append(row(i))


def across(sheet: Any, rows: int) -> None:
    """Outlets across, as many columns as a sheet of 50 tests a block needs."""
    for block in range(rows // 50):
        sheet.append(["Date", date(2020, 1, 1) + timedelta(days=block)])
        sheet.append(["Outlet", None, *(f"Bay {n}" for n in range(50))])
        for name, unit, value in (
            ("Oxygen", "%", 20.9),
            ("CO", "ppm", 1),
            ("CO2", "ppm", 420),
            ("Oil", "mg/m³", 0.1),
            ("Water", "mg/m³", 60),
        ):
            sheet.append([name, unit, *([value] * 50)])
        sheet.append([])


def main(rows: int = 2000) -> None:
    """Print the ratios."""
    gc.freeze()
    gc.set_threshold(_GARBAGE_THRESHOLD)  # as a reading process has it
    recognise([Sheet("Log", [["Outlet", "CO ppm", "O2 %"], ["A", 1, 20.9]])])  # the words are loaded once a process
    for fill in (plain, with_banners, across):
        # Outlets across take 8 rows for 50 tests: the sheet has as many rows as the others all the same.
        data = workbook(fill, rows if fill is not across else rows * 50 // 8)
        reading, sheets = timed(lambda d=data: opened(d))
        reading = min(reading, *(timed(lambda d=data: opened(d))[0] for _ in range(3)))
        first, found = timed(lambda s=sheets: recognise(s))
        again, _ = timed(lambda s=sheets: recognise(s))
        print(
            f"{fill.__name__}: {found.rows_found} tests; reading {reading * 1e3:.0f} ms, "
            f"recognising {first * 1e3:.0f} ms ({first / reading:.2f}), again {again * 1e3:.0f} ms ({again / reading:.2f})"
        )
    for fill in (plain, with_banners, across):
        many = [workbook(fill, 50) for _ in range(40)]
        reading, books = timed(lambda m=many: [opened(d) for d in m])
        made, _ = timed(lambda b=books: [recognise(s) for s in b])
        print(
            f"{fill.__name__}: 40 files of 50 tests; reading {reading * 1e3:.0f} ms, recognising {made / reading:.2f} of it"
        )


def workbook(fill: Callable[[Any, int], None], rows: int) -> bytes:
    """The bytes of a workbook that `fill` fills."""
    book = openpyxl.Workbook(write_only=True)
    fill(book.create_sheet("Log"), rows)
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def opened(data: bytes) -> list[Sheet]:
    """Its sheets, read as a reading process reads them."""
    return list(open_file(data, "log.xlsx", reading_limits()).sheets)


def timed(work: Callable[[], Any]) -> tuple[float, Any]:
    """Processor seconds, and what the work returned."""
    begin = time.process_time()
    made = work()
    return max(time.process_time() - begin, 1e-9), made


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:]))
