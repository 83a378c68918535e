"""How much reading costs above bare calamine: `python tests/bench/bench_read.py [files] [rows]`."""

from __future__ import annotations

import io
import os
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import python_calamine
import xlsxwriter

from grader.columns import FIELDS, READING_FIELDS, VISIT_FIELDS
from grader.problems import Problems
from grader.read.find import find_workbooks
from grader.read.log import Log
from grader.read.process import read_workbooks


def make(path: Path, number: int, rows: int) -> None:
    """A filled blank with invented figures."""
    with xlsxwriter.Workbook(str(path)) as book:
        visit, readings = book.add_worksheet("Visit"), book.add_worksheet("Readings")
        for row, name in enumerate(VISIT_FIELDS):
            visit.write(row, 0, FIELDS[name].heading)
        visit.write(0, 1, f"Works {number % 40}")
        visit.write(3, 1, "01.03.2024")
        for column, name in enumerate(READING_FIELDS):
            readings.write(0, column, FIELDS[name].heading)
            kind = FIELDS[name].kind
            for row in range(1, rows + 1):
                if kind == "number":
                    readings.write(row, column, 5.1 + row)
                elif name in ("outlet", "location"):
                    readings.write(row, column, f"{name} {row}")
                elif kind == "word":
                    readings.write(row, column, "none")


def bare(paths: list[Path]) -> None:
    """What the reading library alone takes in this process."""
    for path in paths:
        book = python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(path.read_bytes()))
        for name in book.sheet_names:
            book.get_sheet_by_name(name).to_python(skip_empty_area=False)


def main(files: int = 1000, rows: int = 20) -> None:
    """Print the times and their ratio."""
    with tempfile.TemporaryDirectory() as folder:
        for number in range(files):
            make(Path(folder) / f"visit{number}.xlsx", number, rows)
        paths = sorted(Path(folder).iterdir())
        for children in (1, 2):
            floor, floor_cpu, _ = timed(lambda: bare(paths))
            took, cpu, log = timed(lambda n=children: read(folder, n))
            print(
                f"{files} files x {rows} rows, {children} reading process(es): {len(log.rows)} rows; "
                f"time {floor:.2f} s bare, {took:.2f} s read, ratio {took / floor:.2f}; "
                f"processor {floor_cpu:.2f} s bare, {cpu:.2f} s read, ratio {cpu / floor_cpu:.2f}"
            )


def read(folder: str, children: int) -> Log:
    """The stage as a run calls it."""
    problems = Problems()
    return read_workbooks(find_workbooks(folder, problems), problems, children=children)


def timed(work: Callable[[], Any]) -> tuple[float, float, Any]:
    """Seconds on the clock, seconds of processor (children's too), and what the work returned."""
    clock, before = time.perf_counter(), os.times()
    made = work()
    after = os.times()
    return time.perf_counter() - clock, sum(after[:4]) - sum(before[:4]), made


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:]))
