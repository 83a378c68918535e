"""Problems, Sources and Limits as tables: addresses and wording are made here, once, at the end of a run."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import date, datetime
from itertools import accumulate
from typing import Any, NamedTuple, Protocol

import numpy as np
import pandas as pd

from grader.columns import FIELDS, SHEETS
from grader.figures import written
from grader.frames import group_codes
from grader.problems import Place, Problems, Table, Unreadable, _Batch, a1
from grader.words import words

SEVERITIES = ("refused", "query", "note")


class LogLike(Protocol):
    """What is needed of the reading stage's Log."""

    files: pd.DataFrame
    tables: list[Table]
    rows: pd.DataFrame
    register: list[Table]
    from_constant: dict[str, np.ndarray]


def value_text(value: Any) -> str:
    """A cell's value as the Problems sheet shows it; long ones are cut.

    >>> value_text(4.0), value_text(None), value_text("a" * 300)[-1]
    ('4', '', '…')
    """
    if value is None or (isinstance(value, float) and np.isnan(value)):
        return ""
    if isinstance(value, Unreadable):
        return value.shown
    if isinstance(value, datetime | date):
        return value.isoformat(sep=" ").removesuffix(" 00:00:00") if isinstance(value, datetime) else str(value)
    if isinstance(value, int | float) and not isinstance(value, bool):
        return written(float(value))
    text = str(value)
    return text if len(text) <= 200 else text[:199] + "…"


class _Places:
    """Where a field of a test stands: sheet and A1 address."""

    def __init__(self, log: LogLike) -> None:
        self.log = log
        self.table = log.rows["table"].to_numpy() if len(log.rows) else np.empty(0, dtype=int)
        self.row = log.rows["row"].to_numpy() if len(log.rows) else np.empty(0, dtype=int)
        self.column = log.rows["column"].to_numpy() if len(log.rows) else np.empty(0, dtype=int)

    def place(self, test: int, field: str) -> Place:
        """The field's place; where the table has none, the outlet's, which names the row."""
        table = self.log.tables[self.table[test]]
        constant = field in self.log.from_constant and self.log.from_constant[field][test]
        if constant and field in table.constants:
            return table.constants[field][0]
        return table.places.get(field) or table.places.get("outlet") or Place(table.sheet, None, 0)

    def address(self, test: int, field: str) -> tuple[str, str]:
        """Sheet and A1 address."""
        place = self.place(test, field)
        row = self.row[test] if place.row is None else place.row
        column = place.column if place.column is not None else max(int(self.column[test]), 0)
        return place.sheet, a1(int(row), int(column))


class _Line(NamedTuple):
    """One doubt, or one note of a table: its place, its words and what fills them, and how often it holds."""

    rank: int
    file: int
    sheet: str
    row: int
    name: str
    cells: tuple[tuple[str, str], ...]  # sheet and address
    code: str
    alike: tuple[Any, ...]  # what a line must share with another to be one with it; () where it stands alone
    said: dict[str, Any]
    times: int
    test: int


def problem_table(
    problems: Problems,
    log: LogLike,
    language: str = "en",
    files: int | None = None,
    each: bool = False,
    fold: bool = True,
) -> tuple[pd.DataFrame, np.ndarray]:
    """All problems as the sheet's table, and the first test that each belongs to (-1: none).

    One cause in a file is one line, with its count and all its cells; notes of one kind (what is not stated, rows
    passed over) are one line too, and so is what MANY files or more say alike.
    Order: refused, query, note; then file, sheet, row.

    files : only the first so many files, queries of registers, what belongs to no file. each : every doubt a line of its own.
    fold  : what MANY files say alike is one line.
    """
    every = words(language)
    registers = {t.file for t in log.register}  # they bear on what is graded wherever they lie: their queries are told
    lines = [
        n for n in _all_lines(problems, log, every)
        if files is None or n.file < files or n.rank < SEVERITIES.index("note") and n.file in registers
    ]  # fmt: skip
    lines.sort(key=lambda n: (n.rank, n.file, n.sheet, n.row))
    groups = _grouped(lines, lambda n: not each and n.alike and (n.file, n.code, *n.alike))
    shown = [_shown(group, every) for group in groups]
    if not each:
        shown = _of_a_kind(shown, every)
    if fold and not each:
        shown = _folded(shown, every)
    frame = pd.DataFrame(
        {
            "File": [x.name for x in shown],
            "Sheet": [x.sheet for x in shown],
            "Cell": [_addresses(x.cells, x.sheet) for x in shown],
            "Value": [x.value for x in shown],
            "Severity": [SEVERITIES[x.rank] for x in shown],
            "Problem": [
                x.text + (every["problems"]["times"].format(count=x.times) if x.times > 1 else "") for x in shown
            ],
            "What to do": [x.todo for x in shown],
        },
        columns=list(SHEETS["Problems"]),
        dtype=object,
    )
    return frame, np.array([x.test for x in shown], dtype=np.int64)


def _all_lines(problems: Problems, log: LogLike, every: Mapping[str, Any]) -> Iterator[_Line]:
    places = _Places(log)
    names = log.files["name"].to_numpy(dtype=object) if len(log.files) else np.empty(0, dtype=object)
    for batch in problems.batches:
        entry = every["problem"][batch.code]
        rank = SEVERITIES.index(entry["severity"])
        if batch.tests is not None:
            yield from _lines_of_tests(batch, entry, rank, places, names, problems.filled)
            continue
        name = str(names[batch.file]) if batch.file >= 0 else ""
        value = value_text(batch.values[0] if batch.values else "")
        filled = {"field": "", "heading": "", **batch.params, "value": value, "file": name}
        alike = ("file",) if batch.file >= 0 and rank else ()
        cells = ((batch.sheet, batch.cell),)
        yield _Line(rank, batch.file, batch.sheet, -1, name, cells, batch.code, alike, filled, 1, -1)


# What may differ among the doubts of one line: they are the same cause.
_DIFFERS = ("value", "stand_in", "first", "line", "where")


def _lines_of_tests(
    batch: _Batch, entry: dict[str, str], rank: int, places: _Places, names: np.ndarray, filled_in: Mapping[str, Any]
) -> Iterator[_Line]:
    tests, rows = np.asarray(batch.tests), places.log.rows
    field = batch.field_name
    heading = FIELDS[field].heading if field in FIELDS else ""
    each = {
        k: v
        for k, v in batch.params.items()
        if isinstance(v, Sequence | np.ndarray) and not isinstance(v, str) and len(v) == len(tests)
    }
    fixed = {k: v for k, v in batch.params.items() if k not in each}
    values = batch.values
    if values is None:
        raw = rows[field].to_numpy()[tests].tolist() if field in rows and field in FIELDS else [None] * len(tests)
        values = [None if value != value else value for value in raw]  # a blank among figures is NaN
        if field in filled_in:
            values = [b if a is None else a for a, b in zip(values, filled_in[field][tests].tolist())]
    files = rows["file"].to_numpy()[tests]
    if entry["severity"] == "note":
        shown = [value_text(v) for v in values] if "{value}" in entry["text"] else [""] * len(tests)
        keys = [files, places.table[tests], np.asarray(shown, dtype=object)]
        keys += [np.asarray([str(x) for x in v], dtype=object) for v in each.values()]
        groups = group_codes(*keys)
        order = np.lexsort((tests, groups))
        starts = np.flatnonzero(np.r_[True, np.diff(groups[order]) != 0])
        ends = np.r_[starts[1:], len(order)] - 1
        chosen = [(int(order[a]), int(order[b]), int(b - a + 1)) for a, b in zip(starts, ends)]
    else:
        chosen = [(i, i, 1) for i in range(len(tests))]
    for i, last, count in chosen:
        test = int(tests[i])
        sheet, cell = places.address(test, field)
        if count > 1:
            end = places.address(int(tests[last]), field)[1]
            cell = cell if end == cell else f"{cell}:{end}"
        filled = {
            **fixed,
            **{k: v[i] for k, v in each.items()},
            "value": value_text(values[i]) if count == 1 or "{value}" in entry["text"] else "",
            "field": field,
            "heading": heading,
            "file": str(names[files[i]]),
        }
        alike = tuple((k, str(v)) for k, v in filled.items() if k not in _DIFFERS)
        file, row = int(files[i]), int(places.row[test])
        yield _Line(rank, file, sheet, row, filled["file"], ((sheet, cell),), batch.code, alike, filled, count, test)


# -------------------------------------------------------------------------------------- few lines out of many

MANY = 5  # files that say the same: one line of the folder
_LONGEST = 500  # characters of what one part of a line lists
_LONGEST_CELLS = 1000


class _Shown(NamedTuple):
    """One line of the sheet."""

    rank: int
    file: int
    sheet: str
    name: str
    cells: tuple[tuple[str, str], ...]
    value: str
    text: str
    todo: str
    times: int
    test: int
    code: str
    said: dict[str, Any]
    several: bool


def _grouped(items: Iterable[Any], key: Callable[[Any], Any]) -> list[list[Any]]:
    """Items with the same key together, where the first of them stands; one without a key stands alone."""
    found: dict[Any, list[Any]] = {}
    for number, item in enumerate(items):
        found.setdefault(key(item) or number, []).append(item)
    return list(found.values())


def _shown(lines: list[_Line], every: Mapping[str, Any]) -> _Shown:
    """Doubts of one cause in one file, as one line: what differs among them is listed."""
    first, entry = lines[0], every["problem"][lines[0].code]

    def filled(template: str) -> dict[str, Any]:
        if len(lines) == 1:
            return first.said
        return {k: _listed([n.said[k] for n in lines], _quotes(template, k), every) for k in first.said}

    said = filled(entry["text"])
    return _Shown(
        first.rank,
        first.file,
        first.sheet,
        first.name,
        tuple(dict.fromkeys(c for n in lines for c in n.cells)),
        _listed([n.said["value"] for n in lines], "", every),
        entry["text"].format(**said),
        entry["todo"].format(**filled(entry["todo"])),
        sum(n.times for n in lines),
        first.test,
        first.code,
        said,
        len(lines) > 1,
    )


def _quotes(text: str, name: str) -> str:
    """The quotation marks between two entries of a list that fills a place of a text; "" where it stands in none."""
    found = re.search(rf"([\"„]){{{name}}}([\"“])", text)
    return f"{found[2]}, {found[1]}" if found else ""


def _listed(values: Iterable[Any], quotes: str, every: Mapping[str, Any]) -> Any:
    """Different values one after the other, as far as there is room; one alone as it is.

    >>> words = {"problems": {"more": " and {count} more"}}
    >>> _listed([5, 5], "", words), _listed(["a", "b"], '", "', words), _listed(["a, b", "c"], "", words)
    (5, 'a", "b', 'a, b; c')
    """
    different = list({str(v): v for v in values if str(v) != ""}.values())
    if len(different) < 2:
        return different[0] if different else ""
    texts = [f"{v:g}" if isinstance(v, float) else str(v) for v in different]
    mark = quotes or ("; " if any("," in t for t in texts) else ", ")
    room = list(accumulate(len(t) for t in texts))
    shown = max(sum(r <= _LONGEST for r in room), 1)
    rest = len(texts) - shown
    return mark.join(texts[:shown]) + (every["problems"]["more"].format(count=rest) if rest else "")


_COUNTED = ("not_stated", "not_given")  # kinds that tell how many tests each part holds for


def _of_a_kind(lines: list[_Shown], every: Mapping[str, Any]) -> list[_Shown]:
    """Doubts of one kind in a file as one line: what is not stated or given; rows passed over; columns that are not known."""
    kinds: Mapping[str, Mapping[str, str]] = every["problem_parts"]
    of = {code: kind for kind, parts in kinds.items() for code in parts}
    together = []
    for group in _grouped(lines, lambda n: n.code in of and (n.file, of[n.code])):
        note = group[0].rank == SEVERITIES.index("note")  # a query alone is said in its own words
        if group[0].code not in of or len(group) == 1 and not (note and group[0].several):
            together += group
            continue
        kind = of[group[0].code]
        most = max(n.times for n in group)
        parts: dict[tuple[str, int], list[Any]] = {}
        for n in group:
            parts.setdefault((kinds[kind][n.code], n.times if kind in _COUNTED else most), []).append(n)
        what = []
        for (short, count), some in parts.items():
            filled = {k: _listed([n.said.get(k, "") for n in some], _quotes(short, k), every) for k in some[0].said}
            what.append(
                short.format(**filled) + (every["problems"]["times"].format(count=count) if count < most else "")
            )
        todo = every["problem_kind"][kind]["todo"]
        layout = {k: _listed([n.said.get(k, "") for n in group], "", every) for k in ("where", "line")}
        together.append(
            group[0]._replace(
                cells=tuple(dict.fromkeys(c for n in group for c in n.cells)),
                value=_listed([n.value for n in group], "", every),
                text=every["problem_kind"][kind]["text"].format(what="; ".join(what)),
                todo=todo.format(**layout, each=" ".join(n.todo for n in group)).strip(),
                times=most if kind in _COUNTED else 1,
            )
        )
    return together


def _folded(lines: list[_Shown], every: Mapping[str, Any]) -> list[_Shown]:
    """What MANY files or more say alike is one line, which names the files with their cells."""
    alone: list[_Shown] = []
    folded: list[_Shown] = []
    for group in _grouped(lines, lambda n: n.file >= 0 and n.rank > 0 and (n.rank, n.text, n.todo)):
        names = list(dict.fromkeys(n.name for n in group))
        if len(names) < MANY:
            alone += group
            continue
        cells = tuple((f"[{n.name}]{sheet}", cell) for n in group for sheet, cell in n.cells)
        many = every["problems"]["files"].format(count=len(names))
        folded.append(group[0]._replace(name=many, sheet="", cells=cells, times=sum(n.times for n in group)))
    return sorted([*folded, *sorted(alone, key=lambda n: (n.rank, n.file))], key=lambda n: n.rank)


def _addresses(cells: Iterable[tuple[str, str]], own: str) -> str:
    """Addresses of cells, neighbours in a column as a range; of another sheet with its name.

    >>> _addresses([("A", "B2"), ("A", "B3"), ("A", "B7"), ("My log", "C1")], "A")
    "B2:B3, B7, 'My log'!C1"
    """
    by_sheet: dict[str, list[str]] = {}
    for sheet, cell in cells:
        by_sheet.setdefault(sheet, []).append(cell)
    addresses: list[str] = []
    for sheet, some in by_sheet.items():
        prefix = "" if sheet == own else f"{sheet}!" if re.fullmatch(r"\w+", sheet) else f"'{sheet}'!"
        addresses += [prefix + cell for cell in _ranges(filter(None, some))] or [prefix.strip("!'")]
    text = ", ".join(filter(None, addresses))
    return text if len(text) <= _LONGEST_CELLS else text[: text.rfind(", ", 0, _LONGEST_CELLS)] + " …"


def _ranges(cells: Iterable[str]) -> list[str]:
    ranges: list[str] = []
    last: tuple[str, int] | None = None
    start = ""
    known = [(cell, re.fullmatch(r"([A-Z]+)(\d+)", cell)) for cell in cells]
    known.sort(key=lambda k: (len(k[1][1]), k[1][1], int(k[1][2])) if k[1] else (0, "", 0))
    for cell, match in known:
        here = (match[1], int(match[2])) if match else None
        if here is not None and last is not None and here == (last[0], last[1] + 1):
            ranges[-1] = f"{start}:{cell}"
        else:
            ranges.append(cell)
            start = cell
        last = here
    return ranges


def source_table(log: LogLike, tests: pd.DataFrame, old: np.ndarray | None = None) -> pd.DataFrame:
    """One row a file: what was found, graded, refused, and the span of its tests.

    old : bool, one a file, whether all its tests are older than the usual keeping time. None: not worked out.
    """
    files = log.files
    count = len(files)
    graded = np.bincount(tests["file"].to_numpy(), minlength=count) if len(tests) else np.zeros(count, dtype=int)
    days = tests["test_day"].groupby(tests["file"].to_numpy()).agg(["min", "max"]).reindex(range(count))
    frame = pd.DataFrame(
        {
            "File": files["name"].to_numpy(dtype=object),
            "Format": files["format"].to_numpy(dtype=object),
            "SHA-256": files["sha256"].to_numpy(dtype=object),
            "Rows found": files["rows_found"].to_numpy(),
            "Rows graded": graded,
            "Rows refused": files["rows_refused"].to_numpy(),
            "First test": days["min"].to_numpy(),
            "Last test": days["max"].to_numpy(),
            "Rows passed over": files["rows_passed_over"].to_numpy(),
            "Size (bytes)": files["size"].to_numpy(),
            "State": files["state"].to_numpy(dtype=object),
            "Cannot be seen in this format": files["not_seen"].to_numpy(dtype=object),
        }
    )
    if old is not None:
        frame["Older than 5 years"] = np.where(old, "yes", "no")
    return frame


def unbalanced(sources: pd.DataFrame) -> pd.DataFrame:
    """The files for which rows found differ from rows graded plus rows refused: there must be none."""
    return sources[sources["Rows found"] != sources["Rows graded"] + sources["Rows refused"]]
