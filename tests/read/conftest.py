"""Small workbooks for the tests of reading, made on the spot: the fixture `books`."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable, Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import openpyxl
import pytest

SHEET = "xl/worksheets/sheet1.xml"
HEADINGS = (
    "Outlet",
    "Supply",
    "Dryer",
    "Odour",
    "Line pressure (bar)",
    "Oxygen (%)",
    "Carbon monoxide (ppm)",
    "Carbon dioxide (ppm)",
    "Oil (mg/m³)",
    "Water tube reading (mg/m³)",
    "Remarks",
)
READING = ("airline", "desiccant", "none", 6.0, 20.9, 1.0, 400.0, 0.1, 20.0, None)


def workbook(sheets: dict[str, Sequence[Sequence[Any]]]) -> bytes:
    """The bytes of a workbook with these sheets; None leaves a cell out."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for r, row in enumerate(rows, start=1):
            for c, value in enumerate(row, start=1):
                if value is not None:
                    sheet.cell(r, c, value)
    return saved(book)


def saved(book: openpyxl.Workbook) -> bytes:
    """The bytes of an openpyxl workbook."""
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def plain(outlets: Sequence[Any] = (1, 2)) -> bytes:
    """A sheet Readings with one plain test an outlet."""
    return workbook({"Readings": [HEADINGS, *((outlet, *READING) for outlet in outlets)]})


def changed(data: bytes, part: str, change: Callable[[bytes], bytes], **more: bytes) -> bytes:
    """The workbook with one part changed."""
    stream = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            content = old.read(name)
            new.writestr(name, change(content) if name == part else content)
        for name, content in more.items():
            new.writestr(name, content)
    return stream.getvalue()


def with_rows(data: bytes, rows: bytes) -> bytes:
    """The workbook with more row elements written at the end of its first sheet."""
    return changed(data, SHEET, lambda content: content.replace(b"</sheetData>", rows + b"</sheetData>"))


def put(folder: Path, name: str, data: bytes) -> Path:
    """Write a file, its folders too."""
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    return path


@pytest.fixture(scope="session")
def books() -> SimpleNamespace:
    """The functions and constants of this module."""
    return SimpleNamespace(
        workbook=workbook,
        saved=saved,
        plain=plain,
        changed=changed,
        with_rows=with_rows,
        put=put,
        HEADINGS=HEADINGS,
        READING=READING,
        SHEET=SHEET,
    )
