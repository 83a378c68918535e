"""The corpus: logs as firms keep them, each with its true table; written, graded in one run, and compared.

A log is a data file in tests/read/corpus/. `[[sheet]]` has `name`, `grid` (a row a line, cells parted by `|`) and
`merged`; `format` is xlsx (default), csv or ods. A cell: a plain number is a number, 2025-03-14 a true date, `20.9%` a
number with a percent format, an apostrophe in front makes it text, `\\n` is a line break; all else is text as it stands.
`[true]` has `tests` (one row a test, fields by name; `expect` is its verdict under EN 12021:2014 once the log is
understood: pass (or near limit), fail, incomplete, or maybe: a row that need not be read as a test and must not
pass), `all` (fields that all tests share) and `unsure` (fields that are not compared). A true number may carry a unit (`95 psi`).

Headings, layouts and words were written down before the headings data was looked at; all names and figures are invented.
"""

from __future__ import annotations

import csv
import io
import re
import tempfile
import tomllib
import zipfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import numpy as np
import pandas as pd
import xlsxwriter
from scipy.optimize import linear_sum_assignment

from grader import grade
from grader.columns import BLANK, CLEAR, FIELDS, NOT_DETECTED, OPEN_UPPER, READ, STAIN, TRACE, UNREADABLE

FOLDER = Path(__file__).parent / "corpus"
AS_OF = date(2026, 6, 30)
PASSES = ("pass", "near limit")
RELATIVE = 2e-3  # true figures are typed with three to four digits
# International yard and pound (1959), exact or to the digits shown.
UNITS = {"psi": 0.0689476, "cfm": 28.3168, "l/s": 60.0, "m3/h": 1000 / 60, "MPa": 10.0, "kPa": 0.01, "g/m3": 1000.0,
         "%vol": 1e4}  # fmt: skip
WORDS_FOR_FIGURES = {"stain": STAIN, "clear": CLEAR, "ND": NOT_DETECTED, "trace": TRACE}
# One figure, two fields: a water column is the tube's reading or the content, which is the same where nothing multiplies.
SISTERS = {"water_tube_mg_m3": "water_mg_m3", "water_mg_m3": "water_tube_mg_m3"}
_NUMBER = re.compile(r"-?\d+(\.\d+)?")
_DATE = re.compile(r"\d{4}-\d\d-\d\d")


@dataclass
class Log:
    """One log of the corpus: its sheets as cells and the tests it truly holds."""

    name: str
    about: str
    file: str
    sheets: list[dict[str, Any]]
    tests: list[dict[str, str]]
    unsure: set[str]
    data: dict[str, Any] = field(repr=False, default_factory=dict)


def cells(line: str) -> list[str]:
    """The cells of one line of a grid, bar by bar."""
    return [c.strip() for c in line.split("|")] if line.strip() else []


def grid(text: str) -> list[list[str]]:
    """A grid of text as rows of cells."""
    return [cells(line) for line in text.rstrip("\n").split("\n")]


def records(text: str) -> list[dict[str, str]]:
    """A grid whose first line names the columns, as one dict a row; a blank cell is left out."""
    heads, *rows = grid(text)
    assert all(len(r) == len(heads) for r in rows), f"cells missing: {[r for r in rows if len(r) != len(heads)]}"
    return [{h: c for h, c in zip(heads, r) if c} for r in rows]


def load(path: Path) -> Log:
    """One data file of the corpus."""
    data = tomllib.loads(path.read_text(encoding="utf-8"))
    shared = {k: str(v) for k, v in data["true"].get("all", {}).items()}
    tests = [shared | r for r in records(data["true"]["tests"])]
    strange = {f for t in tests for f in t} - set(FIELDS) - {"expect"}
    assert not strange, f"{path.name}: no such field: {strange}"
    sheets = [s | {"rows": grid(s["grid"])} for s in data["sheet"]]
    name = f"{path.stem}.{data.get('format', 'xlsx')}"
    return Log(path.stem, data["about"], name, sheets, tests, set(data["true"].get("unsure", [])), data)


def logs() -> list[Log]:
    """All logs of the corpus, by name."""
    return [load(p) for p in sorted(FOLDER.glob("[0-9]*.toml"))]


# ---------------------------------------------------------------------------------------------------- writing


def write(log: Log, folder: Path) -> Path:
    """The log as a file in the folder."""
    path = folder / log.file
    {"xlsx": _xlsx, "csv": _csv, "ods": _ods}[path.suffix[1:]](log, path)
    return path


def _xlsx(log: Log, path: Path) -> None:
    with xlsxwriter.Workbook(path) as book:
        day = book.add_format({"num_format": log.data.get("date_format", "dd/mm/yyyy")})
        percent = book.add_format({"num_format": "0.0##%"})
        for s in log.sheets:
            sheet = book.add_worksheet(s["name"])
            for span in s.get("merged", []):
                sheet.merge_range(span, "")
            for i, row in enumerate(s["rows"]):
                for j, cell in enumerate(row):
                    if cell.startswith("'"):
                        sheet.write_string(i, j, cell[1:])
                    elif _DATE.fullmatch(cell):
                        sheet.write_datetime(i, j, date.fromisoformat(cell), day)  # type: ignore[arg-type]
                    elif _NUMBER.fullmatch(cell):
                        sheet.write_number(i, j, float(cell))
                    elif cell.endswith("%") and _NUMBER.fullmatch(cell[:-1]):
                        sheet.write_number(i, j, float(cell[:-1]) / 100, percent)
                    elif cell:
                        sheet.write_string(i, j, cell.replace("\\n", "\n"))


def _csv(log: Log, path: Path) -> None:
    mark, dates = log.data.get("decimal", "."), log.data.get("dates", "%Y-%m-%d")

    def shown(cell: str) -> str:
        if _DATE.fullmatch(cell):
            return date.fromisoformat(cell).strftime(dates)
        return cell.replace(".", mark) if _NUMBER.fullmatch(cell) else cell.lstrip("'")

    out = io.StringIO()
    csv.writer(out, delimiter=log.data.get("separator", ",")).writerows(
        [[shown(c) for c in row] for s in log.sheets for row in s["rows"]]
    )
    path.write_bytes(out.getvalue().encode(log.data.get("encoding", "utf-8")))


def _ods(log: Log, path: Path) -> None:
    """The fewest parts that OpenDocument 1.2 asks of a package: its kind, its list of parts, its content."""

    def shown(cell: str) -> str:
        text = cell.lstrip("'").replace("\\n", " ")
        kind = 'office:value-type="string"'
        if _DATE.fullmatch(cell):
            kind = f'office:value-type="date" office:date-value="{cell}"'
        elif _NUMBER.fullmatch(cell):
            kind = f'office:value-type="float" office:value="{cell}"'
        return f"<table:table-cell {kind}><text:p>{escape(text)}</text:p></table:table-cell>" if cell else "<table:table-cell/>"

    tables = "".join(
        f'<table:table table:name="{escape(s["name"])}">'
        + "".join("<table:table-row>" + ("".join(map(shown, r)) or "<table:table-cell/>") + "</table:table-row>" for r in s["rows"])
        + "</table:table>"
        for s in log.sheets
    )
    spaces = "".join(f' xmlns:{n}="urn:oasis:names:tc:opendocument:xmlns:{n}:1.0"' for n in ("office", "table", "text"))
    kind = "application/vnd.oasis.opendocument.spreadsheet"
    manifest = "urn:oasis:names:tc:opendocument:xmlns:manifest:1.0"
    with zipfile.ZipFile(path, "w") as package:
        package.writestr("mimetype", kind)
        package.writestr(
            "META-INF/manifest.xml",
            f'<manifest:manifest xmlns:manifest="{manifest}" manifest:version="1.2">'
            f'<manifest:file-entry manifest:full-path="/" manifest:media-type="{kind}"/>'
            '<manifest:file-entry manifest:full-path="content.xml" manifest:media-type="text/xml"/></manifest:manifest>',
        )
        package.writestr(
            "content.xml",
            f'<office:document-content{spaces} office:version="1.2"><office:body><office:spreadsheet>{tables}'
            "</office:spreadsheet></office:body></office:document-content>",
        )


def flat(log: Log) -> Log:
    """The true table of a log as a flat log under the blank's own headings: what it should be understood as."""
    fields = [f for f in FIELDS if any(f in t for t in log.tests)]
    rows = [[FIELDS[f].heading for f in fields]]
    for t in log.tests:
        rows.append([_plain(f, t.get(f, "")) for f in fields])
    return Log(log.name, log.about, f"{log.name}.xlsx", [{"name": "Readings", "rows": rows}], log.tests, set(), {})


def _plain(name: str, text: str) -> str:
    if FIELDS[name].kind != "number" or not text or text in WORDS_FOR_FIGURES:
        return text if FIELDS[name].kind == "date" or not _NUMBER.fullmatch(text) else f"'{text}"
    mark, low, _ = figure(text)
    return f"{mark}{low:.6g}"


# -------------------------------------------------------------------------------------------------- comparing


def figure(text: str) -> tuple[str, float, str]:
    """A true figure: its mark (<, >, ≤, ≥ or none), the figure in the field's own unit, the unit it was given in."""
    mark, number, unit = re.fullmatch(r"([<>≤≥]?)\s*(-?[\d.]+)\s*(.*)", text).groups()  # type: ignore[union-attr]
    if unit == "F":
        return mark, (float(number) - 32) / 1.8, unit
    return mark, float(number) * UNITS[unit] if unit else float(number), unit


def state(test: pd.Series, name: str, true: str) -> str:
    """How a field of a test was read beside what is true: right, blank, unreadable, wrong; nothing where both are blank."""
    read = int(test[f"{name}_state"])
    if read == BLANK:
        return "blank" if true else ""
    if read == UNREADABLE:
        return "unreadable" if true else ""
    kind = FIELDS[name].kind
    if not true:
        return "wrong" if kind != "text" else ""
    if kind == "number":
        return "right" if _same_figure(test, name, true) else "wrong"
    value = test[name]
    if kind == "date":
        return "right" if pd.Timestamp(value).date().isoformat() == true else "wrong"
    if kind == "time":
        hours, minutes = true.split(":")
        return "right" if float(value) == int(hours) * 60 + int(minutes) else "wrong"
    same = " ".join(str(value).casefold().split()) == true.casefold()
    return "right" if same else "wrong" if kind == "word" else "other"


def _same_figure(test: pd.Series, name: str, true: str) -> bool:
    if true in WORDS_FOR_FIGURES:
        return int(test[f"{name}_how"]) == WORDS_FOR_FIGURES[true]
    mark, number, _ = figure(true)
    low, high, open_end = (test[f"{name}_{end}"] for end in ("lower", "upper", "open"))

    def near(end: float) -> bool:
        return bool(abs(end - number) <= RELATIVE * abs(number) + 1e-9)

    if not mark:
        return near(low) and near(high)
    meant = high if mark in "<≤" else low
    return near(meant) and low != high and (mark not in "<" or int(open_end) == OPEN_UPPER)


def compared(test: pd.Series, true: dict[str, str], unsure: set[str]) -> dict[str, str]:
    """Field -> how it was read, for every field of one test that is filled in truth or in what was read."""
    found = {}
    for name in FIELDS:
        if name in unsure:
            continue
        wanted = true.get(name, "")
        other = SISTERS.get(name, "")
        if other and "water_multiplier" not in true and int(test[f"{name}_state"]) == READ and other in true and not wanted:
            continue  # compared under its sister
        how = state(test, name, wanted)
        if how == "blank" and other and "water_multiplier" not in true and state(test, other, wanted) == "right":
            how = "right"
        if how:
            found[name] = how
    return found


@dataclass
class Outcome:
    """What became of one log."""

    log: Log
    values: int = 0
    right: int = 0
    faults: list[tuple[str, str, str, str]] = field(default_factory=list)  # test, field, how, true
    phantoms: list[str] = field(default_factory=list)
    lost: list[str] = field(default_factory=list)
    verdicts: list[tuple[str, str, str]] = field(default_factory=list)  # test, expected, got
    problems: int = 0
    queries: int = 0  # those of them that ask for an answer: no notes

    @property
    def wrong(self) -> list[tuple[str, str, str, str]]:
        """Figures, dates and words that stand under a field and are not its own."""
        return [f for f in self.faults if f[2] == "wrong"]

    @property
    def wrong_passes(self) -> list[tuple[str, str, str]]:
        """Tests that must not pass and do."""
        return [v for v in self.verdicts if v[1] != "pass" and v[2] in PASSES]

    @staticmethod
    def as_expected(verdict: tuple[str, str, str]) -> bool:
        """Whether a test ended as it should."""
        _, expected, got = verdict
        if expected == "maybe":
            return got not in PASSES
        return got in PASSES if expected == "pass" else got == expected

    def met(self, expected: str) -> tuple[int, int]:
        """How many of the tests that should end so do, and how many there are."""
        asked = [v for v in self.verdicts if v[1] == expected]
        return sum(map(self.as_expected, asked)), len(asked)


def label(test: dict[str, str]) -> str:
    """A test by its outlet and day."""
    return " ".join(filter(None, (test.get("outlet", "?"), test.get("test_date", ""))))


def outcome(log: Log, tests: pd.DataFrame, verdicts: Sequence[str], severities: pd.Series) -> Outcome:
    """A log's tests as read, matched to the true ones by agreement, whatever they are called."""
    made = Outcome(log, problems=len(severities), queries=int((severities != "note").sum()))
    found = [compared_all(test, log) for _, test in tests.iterrows()]
    agreed = [[sum(h == "right" for h in per.values()) for per in row] for row in found]
    score = np.array(agreed, dtype=int).reshape(len(found), len(log.tests))
    rows, columns = linear_sum_assignment(score, maximize=True) if score.size else ([], [])
    pairs = {c: r for r, c in zip(rows, columns) if score[r, c] >= 2}
    for c, true in enumerate(log.tests):
        expect = true["expect"]
        values = {f: v for f, v in true.items() if f in FIELDS and f not in log.unsure}
        if c not in pairs:
            if expect != "maybe":
                made.lost.append(label(true))
                made.values += len(values)
                made.verdicts.append((label(true), expect, "lost"))
            continue
        made.verdicts.append((label(true), expect, verdicts[pairs[c]]))
        if expect == "maybe":
            continue
        per = found[pairs[c]][c]
        made.values += len(values)
        made.right += sum(h == "right" for h in per.values())
        made.faults += [(label(true), f, h, values.get(f, "")) for f, h in per.items() if h != "right"]
    for r in sorted(set(range(len(tests))) - set(pairs.values())):
        made.phantoms.append(f"{tests.iloc[r]['outlet']} {tests.iloc[r]['test_date']}: {verdicts[r]}")
    return made


def compared_all(test: pd.Series, log: Log) -> list[dict[str, str]]:
    """One test as read beside every true test of its log."""
    return [compared(test, true, log.unsure) for true in log.tests]


def graded(some: Iterable[Log]) -> list[Outcome]:
    """All logs written to one folder and graded in one run."""
    some = list(some)
    with tempfile.TemporaryDirectory() as place:
        for log in some:
            write(log, Path(place))
        result = grade(place, as_of=AS_OF)
    names = result.log.files["name"].map(lambda n: Path(n).name)
    file_of = result.tests["file"].map(names)
    lines = result.problems["Severity"].groupby(result.problems["File"].astype(str).map(lambda n: Path(n).name))
    severities = dict(iter(lines))
    verdict = result.verdicts["Verdict"]
    made, nothing = [], pd.Series(dtype=object)
    for log in some:
        mine = result.tests[file_of == log.file]
        made.append(outcome(log, mine, list(verdict.loc[mine.index]), severities.get(log.file, nothing)))
    return made


def scores(made: Sequence[Outcome]) -> dict[str, float]:
    """The scores of a run, by name; shares in per cent to one decimal."""

    def share(parts: Iterable[tuple[int, int]]) -> float:
        met, asked = map(sum, zip(*parts))
        return round(100 * met / max(asked, 1), 1)

    lines = [o.problems for o in made]
    return {
        "logs": len(made),
        "tests": sum(len(o.log.tests) for o in made),
        "values": sum(o.values for o in made),
        "values read right (%)": share((o.right, o.values) for o in made),
        "wrong figures": sum(len(o.wrong) for o in made),
        "phantom tests": sum(len(o.phantoms) for o in made),
        "lost tests": sum(len(o.lost) for o in made),
        "should pass and do (%)": share(o.met("pass") for o in made),
        "should fail and do (%)": share(o.met("fail") for o in made),
        "must not pass and do": sum(len(o.wrong_passes) for o in made),
        "problem lines a file, median": float(np.median(lines)),
        "problem lines a file, most": max(lines),
        "problem lines a file that are no notes, median": float(np.median([o.queries for o in made])),
    }


# Scores of which less is better; of the shares more is.
COUNTS = ("wrong figures", "phantom tests", "lost tests", "must not pass and do", "problem lines a file, median",
          "problem lines a file, most")  # fmt: skip
KEPT = FOLDER / "scores.toml"


def kept() -> dict[str, float]:
    """The scores that no change may make worse."""
    return tomllib.loads(KEPT.read_text(encoding="utf-8"))


def better_or_same(score: str, found: float, before: float) -> bool:
    """Whether a score is no worse than before."""
    return found <= before if score in COUNTS else found >= before


def keep(found: dict[str, float]) -> None:
    """Write the scores that have got better, and leave the others as they were kept."""
    before = kept() if KEPT.exists() else {}
    shown = [s for s in found if s in COUNTS or s.endswith("(%)")]
    new = {s: found[s] if s not in before or better_or_same(s, found[s], before[s]) else before[s] for s in shown}
    lines = ["# Written by `python -m tests.bench.bench_logs --keep`: no change may make one of these worse."]
    KEPT.write_text("\n".join(lines + [f'"{s}" = {v:g}' for s, v in new.items()]) + "\n", encoding="utf-8")
