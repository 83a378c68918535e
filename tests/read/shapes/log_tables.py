"""A workbook of a firm, made by a test -> the exact table of tests that is read from it."""

from __future__ import annotations

import io
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pandas as pd

from grader.columns import FIELDS, READ, UNREADABLE
from grader.problems import Problems, a1
from grader.read.cells import read_cells
from grader.read.formats.workbook import open_file
from grader.read.layout import load_layout
from grader.read.layout_save import layout_text
from grader.read.layout_spec import LayoutSpec
from grader.read.log import Log, LogBuilder, LogFile
from grader.read.process import reading_limits
from grader.read.shapes.recognise import recognise

UNREAD = "?"  # stands for a cell that holds something and was not read


def book(**sheets: Any) -> openpyxl.Workbook:
    """A workbook: sheet name -> list of rows (None leaves a cell out), or a function that fills the sheet."""
    made = openpyxl.Workbook()
    made.remove(made.active)
    for name, content in sheets.items():
        sheet = made.create_sheet(name.replace("_", " "))
        if isinstance(content, Callable):
            content(sheet)
            continue
        for r, row in enumerate(content, start=1):
            for c, value in enumerate(row, start=1):
                if value is not None:
                    sheet.cell(r, c, value)
    return made


def read(**sheets: Any) -> ReadLog:
    """What is read of a workbook of these sheets, which its saved layout file, unchanged, must read the same."""
    made = ReadLog(book(**sheets))
    with tempfile.TemporaryDirectory() as folder:
        again = made.with_saved_layout(Path(folder))
    assert again.rows() == made.rows(), "read otherwise with its saved layout"
    assert "layout_mismatch" not in again.codes()
    return made


class ReadLog:
    """What was read: the Log, its notes, the cells as the notation stage has them, the problems."""

    def __init__(
        self, made: openpyxl.Workbook | bytes, layout: LayoutSpec | None = None, name: str = "log.xlsx"
    ) -> None:
        if not isinstance(made, bytes):
            stream = io.BytesIO()
            made.save(stream)
            made = stream.getvalue()
        self.data = made
        found = recognise(open_file(made, name, reading_limits()).sheets, layout=layout)
        self.problems = Problems()
        builder = LogBuilder()
        builder.add_file(
            LogFile(name, name, "xlsx", rows_found=found.rows_found, rows_passed_over=found.rows_passed_over)
        )
        added = sum(map(builder.add_table, found.tables))
        assert added == found.rows_found  # no row is lost, in any shape
        self.found, self.notes = found, found.notes
        self.log: Log = builder.build([])
        self.tests = read_cells(self.log, self.problems)

    def codes(self, *severities: str) -> list[str]:
        """Codes of the notes of the layout, sorted; all but those on units."""
        return sorted(n.code for n in self.notes if not n.code.startswith("unit_"))

    def unclear(self) -> list[tuple[str, tuple[str, ...], list[Any]]]:
        """(heading, fields it could be, its cells) of every column that is judged both ways."""
        return [
            (u.heading, tuple(f for f, _ in u.choices), list(u.values)) for t in self.found.tables for u in t.unclear
        ]

    def units(self) -> dict[str, list[str]]:
        """Code of a note on units -> the cells of the headings."""
        made: dict[str, list[str]] = {}
        for note in self.notes:
            if note.code.startswith("unit_"):
                made.setdefault(note.code, []).append(note.cell)
        return made

    def with_saved_layout(self, folder: Path) -> ReadLog:
        """The same file read with the layout file that `grader layout FILE --save` would write of it."""
        path = folder / "saved.layout.toml"
        path.write_text(layout_text(self.log, 0), encoding="utf-8")
        return ReadLog(self.data, load_layout(path).spec)

    def rows(self) -> list[dict[str, Any]]:
        """One dict a test: its cell, and every field that is not blank."""
        made = []
        tests = self.tests
        for i in tests.index:
            table = self.log.tables[tests.at[i, "table"]]
            column = int(tests.at[i, "column"])
            row: dict[str, Any] = {
                "at": f"{table.sheet}!"
                + (str(int(tests.at[i, "row"]) + 1) if column < 0 else a1(int(tests.at[i, "row"]), column))
            }
            for name, field in FIELDS.items():
                state = tests.at[i, f"{name}_state"]
                if state == UNREADABLE:
                    row[name] = UNREAD
                elif state == READ:
                    row[name] = _value(tests, i, name, field.kind)
            made.append(row)
        return made


def _value(tests: pd.DataFrame, i: int, name: str, kind: str) -> Any:
    value = tests.at[i, name]
    if kind == "date":
        return str(np.datetime64(value, "D"))
    if kind == "number":
        text = tests.at[i, f"{name}_text"]
        return text if text is not None and text == text else round(float(value), 6)
    return value
