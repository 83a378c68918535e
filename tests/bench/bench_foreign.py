"""What reading workbooks of anybody's costs and refuses: `python -m tests.bench.bench_foreign FOLDER`.

FOLDER : workbooks that are no test logs, such as the test files of public reader libraries (never committed here).
Prints how each file ended, the slowest by cell, the peak memory of a reading process, and every file that was refused as
broken though a library that many programs rest on opens it.
"""

from __future__ import annotations

import subprocess
import sys
import warnings
from collections import Counter
from pathlib import Path

import openpyxl

from grader.problems import Problems
from grader.read.find import find_workbooks
from grader.read.process import read_workbooks
from grader.words import words
from tests.bench.bench_read import timed
from tests.fuzz.run import peaks_mb

BROKEN = {"damaged", "truncated", "not_a_workbook", "file_unreadable", "bomb", "doctype", "format_not_read"}
FAILED = {"reader_crashed", "reader_died", "timed_out", "out_of_memory", "rows_lost"}
FIXED_SECONDS = 0.05  # what any file may take, whatever it holds


_COUNT = (
    "import sys, python_calamine as c; b = c.CalamineWorkbook.from_path(sys.argv[1]); "
    "print(sum(s.total_height * s.total_width for s in map(b.get_sheet_by_name, b.sheet_names)))"
)


def cells(path: Path) -> int | None:
    """Cells of the used ranges of all sheets, as the reading library alone lays them out; None where it cannot.

    In a process of its own, which the library may abort.
    """
    told = subprocess.run([sys.executable, "-c", _COUNT, str(path)], capture_output=True, text=True, check=False)
    return int(told.stdout) if told.returncode == 0 else None


def opened_by(path: Path) -> list[str]:
    """The libraries that open a workbook and give its cells."""
    found = ["calamine"] if cells(path) is not None else []
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            for sheet in openpyxl.load_workbook(path, read_only=True, data_only=True).worksheets:
                for _ in sheet.iter_rows(max_row=1000, values_only=True):
                    pass
        found.append("openpyxl")
    except Exception:  # whatever it stumbles over, it does not open it
        return found
    return found


def main(folder: str) -> int:
    """Read every workbook of a folder; 1 where a reading process failed over one."""
    problems = Problems()
    found = find_workbooks(folder, problems)
    clock, processor, log = timed(lambda: read_workbooks(found, problems))
    memory = peaks_mb()[1]
    paths = [Path(p) for p in log.files["path"]]
    said = {b.file: b for b in problems.batches if b.code in words()["problem"] and b.file is not None}
    ends = {n: said[n].code if state == "refused" else state for n, state in enumerate(log.files["state"])}
    print(f"{len(paths)} files: {clock:.0f} s, {processor:.0f} s of processor; largest reading process {memory:.0f} MB")
    for end, count in Counter(ends.values()).most_common():
        print(f"  {count:5} {end}")
    slow = sorted(range(len(paths)), key=lambda n: -log.seconds[n])[:15]
    print("slowest:")
    for n in slow:
        size = cells(paths[n])
        each = f"{1e6 * max(log.seconds[n] - FIXED_SECONDS, 0) / size:.1f} us a cell" if size else "no cells counted"
        print(f"  {log.seconds[n]:6.2f} s {size or 0:9} cells {each:>18}  {ends[n]:18} {log.files['name'][n]}")
    print("refused as broken, yet opened:")
    for n, end in ends.items():
        if end in BROKEN and (who := opened_by(paths[n])):
            print(f"  {end:16} {log.files['name'][n]} ({', '.join(who)}): {said[n].params}")
    failed = [n for n, end in ends.items() if end in FAILED]
    for n in failed:
        print(f"FAILED {ends[n]} {log.files['name'][n]}: {said[n].params}")
    return int(bool(failed))


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1]))
