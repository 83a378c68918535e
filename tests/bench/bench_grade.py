"""What a whole run costs, as ratios measured side by side: `python -m tests.bench.bench_grade [part ...]`.

Parts: floor (grading 1,000 visits against the fastest reader and writer alone), pandas (against a plain
script), scale (time a test and memory from 1,000 to 100,000 tests, and history against reading and judging),
million (1,060,000 tests in eleven logs; takes a quarter of an hour and 4 GB), start (--help, one visit). No part
given: all but million. It asserts nothing.
"""

from __future__ import annotations

import io
import json
import os
import re
import subprocess
import sys
import tempfile
import time
import zipfile
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from random import Random
from typing import Any

ROOT = Path(__file__).parents[2]
FILES, OUTLETS, SITES = 1000, 20, 40
PANDAS_SAMPLE = 40
SIZES = (1_000, 10_000, 100_000)
MILLION = (*[100_000] * 10, 60_000)  # past the last row of a sheet, 1,048,576
AS_OF = "2026-11-25"
# Field -> mean, spread and decimals of the readings that differ from visit to visit.
READINGS = {
    "flow_l_min": (300, 20, 0),
    "oxygen_pct": (20.9, 0.05, 2),
    "co_ppm": (2.0, 1.2, 1),
    "co2_ppm": (440, 30, 0),
    "water_tube_mg_m3": (60, 15, 0),
}


def make_visits(folder: Path, files: int = FILES, outlets: int = OUTLETS) -> None:
    """Visit workbooks of so many outlets, as the blank is filled in: 40 sites, a visit every three months."""
    import openpyxl

    from grader.columns import FIELDS
    from grader.write.blank import write_blank
    from tests.support import AIRLINE, VISIT

    template = folder / "template.xlsx"
    write_blank(
        template,
        visit={**VISIT, "site": "@site@", "test_date": date(2020, 1, 1)},
        rows=[{**AIRLINE, "outlet": f"Bay {n}", "co_ppm": 1.5} for n in range(1, outlets + 1)],
    )
    with zipfile.ZipFile(template) as archive:
        parts = {i.filename: archive.read(i) for i in archive.infolist()}
    headings = {cell.value: cell.column_letter for cell in openpyxl.load_workbook(template)["Readings"][1]}
    readings = {headings[FIELDS[name].heading].encode(): figures for name, figures in READINGS.items()}
    template.unlink()
    first = (date(2020, 1, 1) - date(1899, 12, 30)).days
    chance = Random(1)
    for number in range(files):
        day = first + 91 * (number // SITES)
        changed = {
            "xl/sharedStrings.xml": parts["xl/sharedStrings.xml"].replace(b"@site@", b"Works %d" % (number % SITES)),
            "xl/worksheets/sheet1.xml": parts["xl/worksheets/sheet1.xml"].replace(
                b"<v>%d</v>" % first, b"<v>%d</v>" % day
            ),
            "xl/worksheets/sheet2.xml": _with_readings(parts["xl/worksheets/sheet2.xml"], readings, chance),
        }
        with zipfile.ZipFile(folder / f"visit {number:04}.xlsx", "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
            for name, content in parts.items():
                archive.writestr(name, changed.get(name, content))


def _with_readings(sheet: bytes, readings: dict[bytes, tuple[float, float, int]], chance: Random) -> bytes:
    """Other figures in the columns of readings (by letter), so that visits differ and some fail."""

    def other(found: re.Match[bytes]) -> bytes:
        mean, spread, digits = readings[found[2]]
        return b"%s<v>%s</v>" % (found[1], f"{max(0.0, chance.gauss(mean, spread)):.{digits}f}".encode())

    letters = b"|".join(readings)
    return re.sub(rb'(<c r="(' + letters + rb')(?!1")[0-9]+"[^>]*>)<v>[^<]*</v>', other, sheet)


def make_flat(path: Path, tests: int) -> None:
    """One flat log: outlets of 20 a site, tested every three months."""
    import xlsxwriter

    from grader.columns import FIELDS
    from tests.support import AIRLINE, VISIT

    lots = {f"{gas}_tube_lot": "" for gas in ("co", "co2", "oil", "water")}
    row = {**VISIT, **AIRLINE, **lots}
    names = list(row)
    chance = Random(2)
    visits = 20
    with xlsxwriter.Workbook(str(path), {"constant_memory": True, "default_date_format": "yyyy-mm-dd"}) as book:
        sheet = book.add_worksheet("Log")
        sheet.write_row(0, 0, [FIELDS[n].heading for n in names])
        for number in range(tests):
            outlet, visit = divmod(number, visits)
            site = outlet // 20
            row.update(
                {name: f"L{visit // (2 + i)}-{site % (2 + i)}" for i, name in enumerate(lots)},
                instrument=f"A{(site + visit) % 7}",
                site=f"Works {site}",
                outlet=f"Bay {outlet % 20}",
                test_date=date(2021, 1, 1) + timedelta(91 * visit),
                co_ppm=round(abs(chance.gauss(2.0, 1.2)), 1),
                co2_ppm=round(chance.gauss(440, 30)),
                oxygen_pct=round(chance.gauss(20.9, 0.05), 2),
                water_tube_mg_m3=round(abs(chance.gauss(60, 15))),
            )
            for column, name in enumerate(names):
                value = row[name]
                if isinstance(value, date):
                    sheet.write_datetime(number + 1, column, value)
                else:
                    sheet.write(number + 1, column, value)


def timed(work: Callable[[], Any]) -> tuple[float, float, Any]:
    """Seconds on the clock, seconds of processor (children's too), and what the work returned."""
    clock, before = time.perf_counter(), os.times()
    made = work()
    after = os.times()
    return time.perf_counter() - clock, sum(after[:4]) - sum(before[:4]), made


def bare_reading(folder: Path) -> None:
    """What the fastest reading library alone takes over the same files, in this process."""
    import python_calamine

    for path in sorted(folder.iterdir()):
        book = python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(path.read_bytes()))
        for name in book.sheet_names:
            book.get_sheet_by_name(name).to_python(skip_empty_area=False)


def cells_of(result: Any) -> list[tuple[str, list[str], list[tuple[list[Any], Any]]]]:
    """Sheet, headings, values and look of each column: what the floor is spared from working out."""
    from grader.write.values import plain_values

    texts = {"yes": "yes", "no": "no", "infinite": "inf"}
    made = []
    for name, frame in result.frames().items():
        columns = []
        for number in range(frame.shape[1]):
            values, dates = plain_values(frame.iloc[:, number], str, texts)
            columns.append((values, "date" if dates else "word" if "erdict" in str(frame.columns[number]) else ""))
        made.append((name, [str(h) for h in frame.columns], columns))
    return made


def bare_writing(path: Path, cells: list[tuple[str, list[str], list[tuple[list[Any], Any]]]]) -> None:
    """The plainest loop over the writing library's methods, with formats and colours alike."""
    import xlsxwriter

    from grader.write.styles import palette

    looks = palette()
    with xlsxwriter.Workbook(str(path), {"constant_memory": True}) as book:
        plain = book.add_format({"valign": "top", "bottom": 4})
        day = book.add_format({"valign": "top", "bottom": 4, "num_format": "yyyy-mm-dd"})
        words = {
            w: book.add_format({"valign": "top", "bottom": 4, "bg_color": looks["style"][s]["fill"]})
            for w, s in looks["words"].items()
        }
        for name, headings, columns in cells:
            sheet = book.add_worksheet(name)
            sheet.write_row(0, 0, headings)
            for row, values in enumerate(zip(*(v for v, _ in columns)), start=1):
                for column, value in enumerate(values):
                    if value is None:
                        continue
                    kind = columns[column][1]
                    look = words.get(value, plain) if kind == "word" else day if kind == "date" else plain
                    if value.__class__ is str:
                        sheet.write_string(row, column, value, look)
                    else:
                        sheet.write_number(row, column, value, look)


def graded(folder: Path, output: Path) -> Any:
    """The run as the command does it, without its start."""
    from grader.batch import run

    result = run(folder, as_of=AS_OF)
    result.write(output)
    return result


def floor(folder: Path, output: Path) -> None:
    """Grading end to end against bare reading and writing."""
    graded(folder, output)  # loads what is loaded once
    took, cpu, result = timed(lambda: graded(folder, output))
    cells = cells_of(result)
    read, read_cpu, _ = timed(lambda: bare_reading(folder))
    wrote, wrote_cpu, _ = timed(lambda: bare_writing(output.with_name("bare.xlsx"), cells))
    count = sum(len(columns[0][0]) * len(columns) for _, _, columns in cells if columns)
    print(f"{len(result.log.files)} visits, {len(result.tests)} tests, {count} cells")
    print(
        f"floor    time {read + wrote:6.2f} s ({read:.2f} read, {wrote:.2f} write)   "
        f"processor {read_cpu + wrote_cpu:6.2f} s"
    )
    print(f"graded   time {took:6.2f} s   processor {cpu:6.2f} s")
    print(f"ratio    time {took / (read + wrote):6.2f}   processor {cpu / (read_cpu + wrote_cpu):6.2f}")


def against_pandas(folder: Path, output: Path) -> None:
    """Against a script that reads (a sample) with openpyxl and writes the same cells with to_excel."""
    import pandas as pd

    took, cpu, result = timed(lambda: graded(folder, output))
    paths = sorted(folder.iterdir())
    read, read_cpu, _ = timed(
        lambda: [pd.read_excel(p, sheet_name=None, engine="openpyxl") for p in paths[:PANDAS_SAMPLE]]
    )

    def write() -> None:
        with pd.ExcelWriter(output.with_name("pandas.xlsx")) as writer:
            for name, frame in result.frames().items():
                frame.to_excel(writer, sheet_name=name, index=False)

    wrote, wrote_cpu, _ = timed(write)
    scale = len(paths) / PANDAS_SAMPLE
    print(
        f"pandas   time {read * scale + wrote:6.2f} s ({read * scale:.2f} read, from {PANDAS_SAMPLE} files; "
        f"{wrote:.2f} write)"
    )
    print(
        f"graded   time {took:6.2f} s; ratio {took / (read * scale + wrote):.2f}, "
        f"processor {cpu / (read_cpu * scale + wrote_cpu):.2f}"
    )


_MEASURED = """
import json, resource, sys, time
from grader import batch
import scipy.special, xlsxwriter
took = dict.fromkeys(("work", "history"), 0.0)
stages = dict(work=("judged",),
              history=("wear_table", "chances_with_past", "wear_findings", "actions_sheet", "trend_table", "years_table",
                       "sites_table", "due_table", "oddities_table"))
def clocked(function, kind):
    def call(*arguments, **options):
        began = time.perf_counter()
        made = function(*arguments, **options)
        took[kind] += time.perf_counter() - began
        return made
    return call
for kind, names in stages.items():
    for name in names:
        setattr(batch, name, clocked(getattr(batch, name), kind))
begin = batch.begin
batch.begin = lambda *a, **k: (begun := begin(*a, **k))._replace(log=clocked(begun.log, "work"))
start = time.perf_counter()
result = batch.run(sys.argv[2:], as_of={day!r})
middle = time.perf_counter()
result.write(sys.argv[1])
end = time.perf_counter()
own, child = (resource.getrusage(w).ru_maxrss / 1e3 for w in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
print(json.dumps([len(result.tests), middle - start, end - middle, own, child, took["work"], took["history"]]))
"""


def measured(folder: Path, paths: list[Path]) -> float:
    """Grade logs in a process of their own; print what it took, and return seconds a test."""
    done = subprocess.run(
        [sys.executable, "-c", _MEASURED.format(day=AS_OF), str(folder / "out.xlsx"), *map(str, paths)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    count, run_s, write_s, own_mb, child_mb, work_s, history_s = json.loads(done.stdout.splitlines()[-1])
    print(
        f"{count:9,} tests: {1e3 * (run_s + write_s) / count:6.3f} ms a test ({run_s:.2f} s graded, "
        f"{write_s:.2f} s written); history {history_s / work_s:.2f} of reading and judging; "
        f"peak memory {own_mb:,.0f} MB, reading process {child_mb:,.0f} MB",
        flush=True,
    )
    return (run_s + write_s) / count


def scaling(folder: Path) -> None:
    """Time a test and peak memory, by the size of a flat log."""
    took = {}
    for tests in SIZES:
        path = folder / f"log {tests}.xlsx"
        make_flat(path, tests)
        took[tests] = tests * measured(folder, [path])
        path.unlink()
    # The first thousand pay for what is loaded and asked once.
    further = [1e3 * (took[b] - took[a]) / (b - a) for a, b in zip(SIZES, SIZES[1:])]
    print(
        "each further test: "
        + ", ".join(f"{ms:.3f} ms up to {n:,}" for ms, n in zip(further, SIZES[1:]))
        + f"; ratio {further[-1] / further[0]:.2f}"
    )


def million(folder: Path) -> None:
    """More tests than a sheet has rows: time a test, memory, and the sheets that the verdicts went to."""
    import openpyxl

    first = folder / "first.xlsx"
    make_flat(first, max(MILLION))
    with zipfile.ZipFile(first) as archive:
        parts = {i.filename: archive.read(i) for i in archive.infolist()}
    first.unlink()
    paths = []
    sheet = "xl/worksheets/sheet1.xml"
    for number, tests in enumerate(MILLION):
        paths.append(folder / f"log {number}.xlsx")
        end = parts[sheet].find(b'<row r="%d"' % (tests + 2))
        rows = parts[sheet] if end < 0 else parts[sheet][:end] + parts[sheet][parts[sheet].index(b"</sheetData>") :]
        with zipfile.ZipFile(paths[-1], "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
            for name, content in parts.items():
                archive.writestr(name, rows.replace(b"Works ", b"Works %d-" % number) if name == sheet else content)
    parts.clear()
    alone = measured(folder, paths[:1])
    print(f"time a test, of that at {MILLION[0]:,}: {measured(folder, paths) / alone:.2f}")
    book = openpyxl.load_workbook(folder / "out.xlsx", read_only=True)
    print("sheets: " + ", ".join(f"{s.title} ({s.max_row or 0:,} rows)" for s in book.worksheets))


def start(folder: Path) -> None:
    """The command line: help, and one visit from start to end; the best of five, compiled as it is installed."""
    compiled = {**os.environ, "PYTHONPYCACHEPREFIX": str(folder / "compiled"), "PYTHONDONTWRITEBYTECODE": ""}
    visits = folder / "one"
    visits.mkdir()
    make_visits(visits, 1)
    for name, arguments in (
        ("--help", ["--help"]),
        ("one visit", ["grade", str(visits), "-o", str(folder / "one.xlsx")]),
    ):
        best = min(
            timed(
                lambda a=arguments: subprocess.run(
                    [sys.executable, "-m", "grader", *a],
                    cwd=ROOT,
                    env=compiled,
                    check=True,  # type: ignore[misc]
                    capture_output=True,
                )
            )[0]
            for _ in range(5)
        )
        print(f"grader {name}: {best:.2f} s")
    terminal(visits, folder / "one.xlsx", compiled)


def terminal(visits: Path, result: Path, env: dict[str, str]) -> None:
    """When the last verdict line of one visit stands on the terminal, and when the command ends, against the least
    that any program of this kind costs: importing pandas and reading the file by openpyxl. Median of nine, in turn."""
    (visit,) = visits.glob("*.xlsx")
    least = f"import pandas, openpyxl; list(map(list, openpyxl.load_workbook({str(visit)!r}).worksheets[1].values))"
    commands = {"least": [sys.executable, "-c", least], "grade": [sys.executable, "-u", "-m", "grader", "grade"]}
    commands["grade"] += [str(visit), "-o", str(result)]
    took: dict[str, list[float]] = {"least": [], "lines": [], "whole": []}
    for _ in range(9):
        for name, command in commands.items():
            begin = time.perf_counter()
            with subprocess.Popen(command, cwd=ROOT, env=env, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL) as run:
                assert run.stdout is not None
                while name == "grade" and run.stdout.readline().strip():
                    lines = time.perf_counter() - begin  # of the last line before the empty one
                run.stdout.read()
            took["least" if name == "least" else "whole"].append(time.perf_counter() - begin)
            took["lines"] += [lines] if name == "grade" else []
    middle = {name: sorted(times)[len(times) // 2] for name, times in took.items()}
    print(f"importing pandas and reading one visit by openpyxl: {middle['least']:.2f} s")
    print(f"its verdict lines on the terminal: {middle['lines'] / middle['least']:.2f} of that (promise: at most 1.3)")
    print(f"the whole command: {middle['whole'] / middle['least']:.2f} of that (promise: at most 1.7)")


def main(parts: list[str]) -> None:
    """Print the ratios of the parts named, or of all."""
    wanted = parts or ["floor", "pandas", "scale", "start"]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if {"floor", "pandas"} & set(wanted):
            visits = folder / "visits"
            visits.mkdir()
            make_visits(visits)
            if "floor" in wanted:
                floor(visits, folder / "result.xlsx")
            if "pandas" in wanted:
                against_pandas(visits, folder / "result.xlsx")
        if "scale" in wanted:
            scaling(folder)
        if "million" in wanted:
            million(folder)
        if "start" in wanted:
            start(folder)


if __name__ == "__main__":
    main(sys.argv[1:])
