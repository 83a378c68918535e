"""How long the result takes to write, against a bare loop that writes the same cells with formats.

Run by hand: python tests/bench/bench_write.py [rows]. It prints times and the ratio and asserts nothing.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd
from xlsxwriter import Workbook

from grader.page import Page
from grader.write.result import write_result

TEXTS, NUMBERS, WORDS = 14, 34, 12


def made_up(rows: int) -> pd.DataFrame:
    """A frame of 60 columns: texts, numbers with gaps, verdict words."""
    random = np.random.default_rng(1)
    columns: dict[str, object] = {}
    for number in range(TEXTS):
        columns[f"Text {number}"] = [f"text {number} of row {row % 500}" for row in range(rows)]
    for number in range(NUMBERS):
        values = random.normal(20, 3, rows).round(2)
        values[random.random(rows) < 0.1] = np.nan
        columns[f"Number {number} (ppm)"] = values
    for number in range(WORDS):
        columns[f"Part {number} verdict"] = random.choice(["pass", "fail", "cannot tell"], rows)
    return pd.DataFrame(columns)


def bare(path: Path, frame: pd.DataFrame) -> None:
    """The plainest loop over xlsxwriter's public methods."""
    with Workbook(path, {"constant_memory": True}) as workbook:
        sheet = workbook.add_worksheet("Verdicts")
        plain = workbook.add_format({"valign": "top"})
        coloured = {
            w: workbook.add_format({"bg_color": c})
            for w, c in (("pass", "#B3DAF2"), ("fail", "#A83A0A"), ("cannot tell", "#AD8FC9"))
        }
        for row, values in enumerate(zip(*(frame[c].tolist() for c in frame.columns)), start=1):
            for column, value in enumerate(values):
                if value.__class__ is str:
                    sheet.write_string(row, column, value, coloured.get(value, plain))
                elif value == value:
                    sheet.write_number(row, column, value, plain)


def main() -> None:
    """Print both times, both sizes and the ratio."""
    rows = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    frame = made_up(rows)
    with tempfile.TemporaryDirectory() as folder:
        first, second = Path(folder, "bare.xlsx"), Path(folder, "result.xlsx")
        start = time.perf_counter()
        bare(first, frame)
        middle = time.perf_counter()
        write_result(second, {"Verdicts": frame}, Page("bench"))
        end = time.perf_counter()
        print(f"{rows} rows x {frame.shape[1]} columns")
        print(f"bare loop    {middle - start:6.2f} s  {first.stat().st_size / 1e6:6.2f} MB")
        print(f"write_result {end - middle:6.2f} s  {second.stat().st_size / 1e6:6.2f} MB")
        print(f"ratio        {(end - middle) / (middle - start):6.2f}")


if __name__ == "__main__":
    main()
