"""The workbooks that are mutated: filled-in blank, demo files, flat logs of three writers, other formats."""

from __future__ import annotations

import io
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

import openpyxl
import xlsxwriter
from openpyxl.utils import get_column_letter

from grader.columns import FIELDS
from grader.write.blank import write_blank
from tests.support import AIRLINE, CHARGING, CYLINDER, VISIT

ROOT = Path(__file__).parents[2]
DEMO = ("2026-06-09 Northquay Refit Yard", "2026-05-26 Ellerness Charging Station", "2023-12-12 Northquay Refit Yard")
SMALL = ("hidden.ods", "hidden.xls", "plain.xlsb")


@dataclass(frozen=True)
class Seed:
    """One workbook; of an .xlsx with the blank's headings also what lies where.

    part    : name in the zip of the sheet of readings. letters : heading -> column letter.
    supply  : number of a row with a test, as the sheet counts -> its supply.
    """

    name: str
    suffix: str
    data: bytes
    part: str = ""
    letters: Mapping[str, str] = field(default_factory=dict)
    supply: Mapping[int, str] = field(default_factory=dict)


def seeds() -> list[Seed]:
    """All seeds, made or read now."""
    return list(_all())


def _all() -> Iterator[Seed]:
    rows = [{**base, "outlet": f"{base['outlet']} {n}"} for n in range(3) for base in (AIRLINE, CYLINDER, CHARGING)]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "blank.xlsx")
        write_blank(path, visit=VISIT, rows=rows)
        yield _mapped("blank", path.read_bytes(), "xl/worksheets/sheet2.xml", "Readings")
    for name in DEMO:
        data = (ROOT / "demo" / "inbox" / f"{name}.xlsx").read_bytes()
        yield _mapped(name, data, "xl/worksheets/sheet2.xml", "Readings")
    flat = [{**VISIT, **row} for row in rows]
    for name, made in (
        ("shared strings", _by_xlsxwriter(flat, False)),
        ("strings in cells", _by_xlsxwriter(flat, True)),
        ("other writer", _by_openpyxl(flat)),
    ):
        yield _mapped(name, made, "xl/worksheets/sheet1.xml", "Log")
    yield Seed("flat csv", ".csv", _csv(flat))
    for name in SMALL:
        yield Seed(name, Path(name).suffix, (ROOT / "tests" / "workbooks" / name).read_bytes())


def _mapped(name: str, data: bytes, part: str, title: str) -> Seed:
    sheet = openpyxl.load_workbook(io.BytesIO(data))[title]
    letters = {str(cell.value): get_column_letter(cell.column) for cell in sheet[1] if cell.value}
    supply = {
        row: str(sheet[f"{letters['Supply']}{row}"].value)
        for row in range(2, sheet.max_row + 1)
        if any(cell.value is not None for cell in sheet[row])
    }
    return Seed(name, ".xlsx", data, part, letters, supply)


def _headings(rows: list[dict[str, Any]]) -> list[str]:
    return list(dict.fromkeys(name for row in rows for name in row))


def _by_xlsxwriter(rows: list[dict[str, Any]], in_cells: bool) -> bytes:
    stream = io.BytesIO()
    with xlsxwriter.Workbook(stream, {"constant_memory": in_cells, "default_date_format": "yyyy-mm-dd"}) as book:
        sheet = book.add_worksheet("Log")
        names = _headings(rows)
        sheet.write_row(0, 0, [FIELDS[n].heading for n in names])
        for r, row in enumerate(rows, start=1):
            for c, name in enumerate(names):
                value = row.get(name)
                if isinstance(value, date):
                    sheet.write_datetime(r, c, value)
                elif value is not None:
                    sheet.write(r, c, value)
    return stream.getvalue()


def _by_openpyxl(rows: list[dict[str, Any]]) -> bytes:
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "Log"
    names = _headings(rows)
    sheet.append([FIELDS[n].heading for n in names])
    for row in rows:
        sheet.append([row.get(n) for n in names])
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def _csv(rows: list[dict[str, Any]]) -> bytes:
    names = _headings(rows)
    lines = [[FIELDS[n].heading for n in names], *([str(row.get(n, "") or "") for n in names] for row in rows)]
    return "\n".join(";".join(line) for line in lines).encode()
