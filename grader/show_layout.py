"""How one workbook is understood, as lines to print and as a layout file: the command `grader layout`."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path
from typing import NamedTuple

import pandas as pd

from grader.batch import with_layouts
from grader.columns import FIELDS
from grader.problems import GraderError, Problems, Table, heading_address
from grader.read.find import find_workbooks
from grader.read.layout import layout_text, load_layout
from grader.read.log import Log
from grader.read.process import read_workbooks
from grader.read.understood import OWN, understood_table
from grader.report import problem_table

_LEFT_OVER = ("unknown_column", "column_without_heading", "unknown_row", "heading_unclear", "label_not_used")


class Shown(NamedTuple):
    """Lines to print, and how many tables were found."""

    lines: list[str]
    tables: int


def show_layout(file: Path, layouts: Iterable[str | os.PathLike[str]] = (), save: Path | None = None) -> Shown:
    """What is understood of one workbook.

    file    : the workbook. layouts : layout files to read it with. save : where to write its layout file.
    Raises  : GraderError where the file is none, a layout is wrong, or `save` exists or cannot be written.
    """
    if file.is_dir():
        raise GraderError(f"{file} is a folder: name one file.")
    problems = Problems()
    found, _ = with_layouts(find_workbooks(file, problems), [file], layouts, problems)
    log = read_workbooks(found, problems)
    tables = [t for t in log.tables if not t.parts_before]
    _add_unclear(tables, problems)
    lines = [f"{file.name}: {len(tables)} table{'s' * (len(tables) != 1)}, {len(log.rows)} tests"]
    understood = understood_table(log)
    for (sheet, number), part in understood.groupby(["Sheet", "Table"], sort=False):
        lines += ["", f"Sheet {sheet}, table {number}"]
        lines += _columns(part)
    if not tables:
        lines += _looked_for()
    said, _ = problem_table(problems, log)
    if len(said):
        lines += ["", "To look at"]
        lines += [
            f"  {r['Severity']}: {r['Sheet']}{' ' + r['Cell'] if r['Cell'] else ''}: {r['Problem']} {r['What to do']}"
            for r in said.to_dict("records")
        ]
    if save is not None:
        _save(save, log, problems)
        lines += ["", f"Layout file: {save}"]
    return Shown(lines, len(tables))


def _add_unclear(tables: list[Table], problems: Problems) -> None:
    """What could be one of our fields, as problems: here nothing is judged both ways."""
    for table in tables:
        for unclear in table.unclear:
            problems.add(
                "heading_unclear",
                file=table.file,
                sheet=table.sheet,
                cell=heading_address(table, unclear.place),
                value=unclear.heading,
                choices=", ".join(FIELDS[name].heading for name, _ in unclear.choices),
                line=unclear.line,
            )


def _looked_for() -> list[str]:
    """What makes a table of tests, for a file in which there is none."""
    readings = ", ".join(f.heading for f in FIELDS.values() if f.reading)
    return [
        "",
        "Looked for on every sheet, in English, German and French words",
        "  a row or a column of headings: a reading beside an outlet, or beside two more headings of the blank;",
        "  or a form: such a label on the left of, or above, each value.",
        f"  readings: {readings}",
    ]


def _columns(part: pd.DataFrame) -> list[str]:
    if (part["How"] == OWN).all():
        return ["  " + OWN]
    shown = ["Column", "Heading", "Field", "Unit", "How", "Sure", "Examples"]
    rows = [shown, *(list(map(str, r)) for r in part[shown].to_numpy().tolist())]
    rows = [[cell.replace("\n", " ") for cell in row] for row in rows]
    widths = [min(max(len(row[i]) for row in rows), 34) for i in range(len(shown))]
    return ["  " + "  ".join(f"{cell[:34]:{w}}" for cell, w in zip(row, widths)).rstrip() for row in rows]


def _save(path: Path, log: Log, problems: Problems) -> None:
    left = [(b.sheet, b.cell, str(b.values[0]) if b.values else "") for b in problems.batches if b.code in _LEFT_OVER]
    text = layout_text(log, 0, left)
    try:
        with open(path, "x", encoding="utf-8", newline="\n") as target:
            target.write(text)
    except FileExistsError as error:
        raise GraderError(f"{path} is there already: choose another name, so that no correction is lost.") from error
    except OSError as error:
        raise GraderError(f"{path}: cannot be written ({error.strerror}).") from error
    load_layout(path)
