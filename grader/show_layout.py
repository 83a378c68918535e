"""How workbooks are understood, as lines to print and as layout files: the command `grader layout`."""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from itertools import islice
from pathlib import Path, PurePosixPath
from typing import Any, NamedTuple

import pandas as pd

from grader.columns import FIELDS
from grader.data import load_toml, names
from grader.problems import GraderError, Problems, Table, heading_address
from grader.read.find import find_workbooks
from grader.read.layout import ANY, SUFFIX, load_layout, with_layouts
from grader.read.layout_save import LeftOver, common_pattern, layout_text
from grader.read.log import Log
from grader.read.process import read_workbooks
from grader.read.sayings import SAID
from grader.read.understood import OWN, understood_table
from grader.report import problem_table

_LEFT_OVER = ("unknown_column", "column_without_heading", "unknown_row", "unknown_parameter", "label_not_used")
_MOST_NAMED = 12


_GROUPS = {
    "Visit": "Of a visit: name in a layout file, heading with unit; words of its cells; headings of logs in other words",
    "Readings": "Of an outlet",
    "extra": "In a firm's own log only",
}


class Shown(NamedTuple):
    """Lines to print, and how many tables were found."""

    lines: list[str]
    tables: int


def show_layout(path: Path, layouts: Iterable[str | os.PathLike[str]] = (), save: Path | None = None) -> Shown:
    """What is understood of one workbook, or of a folder of them: a block a kind, files that are built alike together.

    layouts : layout files to read with. save : where to write the layout file; of a folder, the folder for them.
    Raises  : GraderError where there is no workbook, a layout is wrong, or a file to write exists or cannot be.
    """
    problems = Problems()
    found, _ = with_layouts(find_workbooks(path, problems), [path], layouts, problems)
    log = read_workbooks(found, problems)
    _add_unclear([t for t in log.tables if not t.parts_before], problems)
    kinds = _kinds(log)
    files_named = [str(n) for n in log.files["name"]]
    understood, problems_shown = understood_table(log), problem_table(problems, log, fold=False)[0]
    lines: list[str] = []
    for files in kinds:
        lines += [*_block(log, files, files_named, understood, problems_shown), ""]
    without = [i for i in range(len(files_named)) if not any(t.file == i for t in log.tables)]
    if without and path.is_dir():
        lines += [f"No table: {len(without)} file(s)", *_listed([files_named[i] for i in without]), ""]
    elif without:
        name = files_named[0]
        lines += [f"{name}: 0 tables, 0 tests", *_looked_for(), *_to_look_at(problems_shown, name), ""]
    if save is not None:
        for target, text in _saved(save, path.is_dir(), log, kinds, files_named, problems).items():
            _write(target, text)
            lines.append(f"Layout file: {target}")
    return Shown(lines, sum(not t.parts_before for t in log.tables))


def field_lines() -> list[str]:
    """Every field on a line: its name in a layout file, heading with unit, words of its cells, some other headings it knows."""
    headings: dict[str, list[str]] = {}  # the first of each language
    for file in sorted((n for n in names("") if n.startswith("headings-")), key=lambda n: (n != "headings-en.toml", n)):
        for name, lists in load_toml(file)["fields"].items():
            known = FIELDS[name].heading.casefold()
            found = (text for some in lists.values() for text in some if text.casefold() not in known)
            headings.setdefault(name, []).extend(islice(found, 1))
    lines: list[str] = []
    width = max(map(len, FIELDS))
    for sheet, title in _GROUPS.items():
        lines += [*[""] * bool(lines), title]
        for field in (f for f in FIELDS.values() if f.sheet == sheet):
            words = (f"{word} ({', '.join(some)})" if some else word for word, some in field.words.items())
            said = "; ".join(filter(None, (field.heading, ", ".join(words), ", ".join(headings.get(field.name, [])))))
            lines.append(f"  {field.name:{width}}  {said}")
    return lines


# ------------------------------------------------------------------------------------------------- kinds


def _kinds(log: Log) -> list[list[int]]:
    """Files that are built alike together, by number, in order of the first."""
    built: dict[int, set[Any]] = {}
    for table in log.tables:
        built.setdefault(table.file, set()).add(_built(table))
    kinds: dict[frozenset[Any], list[int]] = {}
    for file, tables in sorted(built.items()):
        kinds.setdefault(frozenset(tables), []).append(file)
    return list(kinds.values())


def _built(table: Table) -> tuple[Any, ...]:
    """What a table has in common with those that one layout file reads as well: headings, places, units."""
    by_name = table.orientation == "long"
    lines = [
        (field, table.how.get(field, ("",))[0], () if by_name else place[1:], table.units.get(field, ""))
        for field, place in table.places.items()
        if field != SAID
    ]
    unclear = [(u.heading, () if by_name else u.place[1:]) for u in table.unclear if not u.aside]
    return table.orientation, table.own, frozenset(lines), frozenset(unclear)


def _block(log: Log, files: list[int], names: list[str], understood: pd.DataFrame, problems: pd.DataFrame) -> list[str]:
    """The lines of one kind: its files, the tables of the first, and what is to be looked at in it."""
    first = names[files[0]]
    tables = sum(t.file == files[0] and not t.parts_before for t in log.tables)
    tests = int(log.rows["file"].isin(files).sum())
    count = f"{len(files)} files built alike, " if len(files) > 1 else ""
    lines = [f"{first}: {count}{tables} table{'s' * (tables != 1)}, {tests} tests"]
    if len(files) > 1:
        lines += _listed([names[i] for i in files])
    for (sheet, number), part in understood[understood["File"] == first].groupby(["Sheet", "Table"], sort=False):
        lines += ["", f"Sheet {sheet}, table {number}", *_columns(part)]
    return lines + _to_look_at(problems, first)


def _listed(names: Sequence[str]) -> list[str]:
    more = [f"  and {len(names) - _MOST_NAMED} more"] if len(names) > _MOST_NAMED else []
    return [f"  {name}" for name in names[:_MOST_NAMED]] + more


def _to_look_at(problems: pd.DataFrame, name: str) -> list[str]:
    mine = problems[problems["File"].isin([name, ""])].to_dict("records")
    lines = [
        f"  {r['Severity']}: {r['Sheet']}{' ' + r['Cell'] if r['Cell'] else ''}: {r['Problem']} {r['What to do']}"
        for r in mine
    ]
    return ["", "To look at", *lines] if lines else []


def _add_unclear(tables: list[Table], problems: Problems) -> None:
    """What could be one of our fields, as problems: here nothing is judged both ways."""
    for table in tables:
        for unclear in (u for u in table.unclear if not u.aside):
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
    headings = ["Column", "Heading", "Field", "Unit", "How", "Sure", "Examples"]
    rows = [headings, *(list(map(str, r)) for r in part[headings].to_numpy().tolist())]
    rows = [[cell.replace("\n", " ") for cell in row] for row in rows]
    widths = [min(max(len(row[i]) for row in rows), 34) for i in range(len(headings))]
    return ["  " + "  ".join(f"{cell[:34]:{w}}" for cell, w in zip(row, widths)).rstrip() for row in rows]


# ------------------------------------------------------------------------------------------------- saving


def _saved(
    save: Path, folder: bool, log: Log, kinds: list[list[int]], names: list[str], problems: Problems
) -> dict[Path, str]:
    """Path -> text of the layout files to write."""
    if not folder:
        if save.name.casefold() == ANY:
            raise GraderError(f"{ANY} holds for every log of its folder: call this one {names[0]}{SUFFIX}.")
        return {save: layout_text(log, 0, _left_over(problems, 0))}
    texts: dict[Path, str] = {}
    for files in kinds:
        if all(t.own for t in log.tables if t.file == files[0]):
            continue  # blanks need none
        name = PurePosixPath(names[files[0]])
        target = save / f"{name.stem}{SUFFIX}"
        if target in texts or target.name.casefold() == ANY:
            target = save / f"{'-'.join(name.parts)}{SUFFIX}"
        others = [n for i, n in enumerate(names) if i not in files]
        patterns = common_pattern([names[i] for i in files], others)
        sheets = {
            _built(t): common_pattern([u.sheet for u in log.tables if u.file in files and _built(u) == _built(t)], [])
            for t in log.tables
            if t.file == files[0]
        }
        by_sheet = {t.sheet: sheets[_built(t)][0] for t in log.tables if t.file == files[0]}
        texts[target] = layout_text(
            log, files[0], _left_over(problems, files[0]), patterns, by_sheet if len(files) > 1 else {}
        )
    return texts


def _left_over(problems: Problems, file: int) -> list[LeftOver]:
    mine = [(b, b.params) for b in problems.batches if b.code in _LEFT_OVER and b.file == file]
    headings = [str(params.get("heading", params.get("label", ""))) for _, params in mine]
    return [LeftOver(b.sheet, b.cell, text, str(p.get("where", ""))) for (b, p), text in zip(mine, headings)]


def _write(path: Path, text: str) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with open(path, "x", encoding="utf-8", newline="\n") as target:
            target.write(text)
    except FileExistsError as error:
        raise GraderError(f"{path} is there already: choose another name, so that no correction is lost.") from error
    except OSError as error:
        raise GraderError(f"{path}: cannot be written ({error.strerror}).") from error
    load_layout(path)
