"""Rows into a flat log, through the program and through the second judge, and what differs."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Any

import pandas as pd
import xlsxwriter

from tests.judge.independent.cells import column_marks
from tests.judge.independent.judge import NEAR, PASS, UNITS, Answer, judge
from tests.judge.independent.rows import AS_OF, HEADINGS, generate
from tests.support import read_and_judged, verdicts_of

COLUMNS = {
    "Test": "Verdict",
    "Odour": "Odour verdict",
    "Oxygen": "Oxygen verdict",
    "Carbon monoxide": "Carbon monoxide verdict",
    "Carbon dioxide": "Carbon dioxide verdict",
    "Oil": "Oil verdict",
    "Water": "Water verdict",
    "Flow": "Flow verdict",
    "Line pressure": "Pressure verdict",
}


def write_log(path: Path, rows: list[dict[str, Any]], headings: list[str] = HEADINGS) -> Path:
    """A flat log of the blank's headings: numbers as numbers, text as text, dates as dates."""
    book = xlsxwriter.Workbook(path, {"constant_memory": True})
    sheet, as_date = book.add_worksheet("Readings"), book.add_format({"num_format": "yyyy-mm-dd"})
    sheet.write_row(0, 0, headings)
    for place, row in enumerate(rows, 1):
        for column, heading in enumerate(headings):
            value = row.get(heading)
            if value is None:
                continue
            if hasattr(value, "year"):
                sheet.write_datetime(place, column, value, as_date)
            elif isinstance(value, str):
                sheet.write_string(place, column, value)
            else:
                sheet.write_number(place, column, value)
    book.close()
    return path


def program(folder: Path, rows: list[dict[str, Any]], files: int = 4) -> pd.DataFrame:
    """Verdicts of the program, in the order of `rows`, which stand in several logs."""
    size = -(-len(rows) // files)
    paths = [
        write_log(folder / f"log{part}.xlsx", rows[part * size : (part + 1) * size])
        for part in range(files)
        if rows[part * size : (part + 1) * size]
    ]
    found = verdicts_of(read_and_judged(paths, as_of=AS_OF.isoformat()))
    assert len(found) == len(rows)
    return found.set_index("Site").loc[[row["Site"] for row in rows]].reset_index()


def second_judge(rows: list[dict[str, Any]], files: int = 4) -> list[Answer]:
    """Answers of the second judge; of its table a row takes only the decimal marks of the columns."""
    size, answers = -(-len(rows) // files), []
    for part in range(files):
        table = rows[part * size : (part + 1) * size]
        marks = {heading: column_marks([row.get(heading) for row in table]) for heading in UNITS}
        answers += [judge(row, marks) for row in table]
    return answers


def differences(
    rows: list[dict[str, Any]], found: pd.DataFrame, answers: list[Answer]
) -> list[tuple[str, str, str, int]]:
    """(what, the program's word, the second judge's, row number), pass and near limit being one where a hair parts them."""
    differ = []
    for name, column in COLUMNS.items():
        words = found[column].tolist()
        for number, (word, answer) in enumerate(zip(words, answers)):
            own = answer.verdicts.get(name)
            if own is None or word == own:
                continue
            hair = name in answer.edges or (name == "Test" and answer.edges)
            if hair and {word, own} == {PASS, NEAR}:
                continue
            differ.append((name, word, own, number))
    return differ


def described(rows: list[dict[str, Any]], found: pd.DataFrame, differ: list[tuple[str, str, str, int]]) -> list[str]:
    """Each difference with its row and the program's reasons, for a person."""
    lines = []
    for name, word, own, number in differ:
        held = {h: v for h, v in rows[number].items() if v is not None and h != "Client"}
        lines.append(f"{name}: program {word}, second judge {own}\n    {held}\n    {found['Reasons'][number]}")
    return lines


def compared(folder: Path, count: int, seed: int) -> tuple[int, list[str], Counter[tuple[str, str, str]]]:
    """Number of verdicts compared, a line for each that differs, and how many differ in which way."""
    rows = generate(count, seed)
    found, answers = program(folder, rows), second_judge(rows)
    differ = differences(rows, found, answers)
    ways = Counter((name, word, own) for name, word, own, _ in differ)
    return sum(len(answer.verdicts) for answer in answers), described(rows, found, differ), ways
