"""The corpus: logs as firms keep them, each with its true table, and probes; written to one folder and graded in one run.

A log is a data file in tests/read/corpus/. `[[sheet]]` has `name`, `grid` (a row a line, cells parted by `|`) and
`merged`; `format` is xlsx (default), csv or ods. A cell: a plain number is a number, 2025-03-14 a true date, `20.9%` a
number with a percent format, an apostrophe in front makes it text, `\\n` is a line break; all else is text as it stands.
`[true]` has `tests` (one row a test, fields by name), `all` (fields that all tests share) and `unsure` (fields that are
not compared). A true number may carry a unit (`95 psi`). `expect` is the verdict under EN 12021:2014, or the rule set
named, once the log is understood: pass (or near limit), fail, incomplete; `not pass` where what is against it has no
field of ours; `maybe` where the row need not be read as a test and must not pass.

Headings, layouts and words were written down before the headings data was looked at; all names and figures are invented.
"""

from __future__ import annotations

import csv
import io
import re
import tempfile
import tomllib
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any
from unittest import mock
from xml.sax.saxutils import escape

import pandas as pd
import xlsxwriter

from grader import grade
from grader.columns import CLEAR, FIELDS, NOT_DETECTED, STAIN, TRACE

FOLDER = Path(__file__).parent / "corpus"
AS_OF = date(2026, 6, 30)
PASSES = ("pass", "near limit")
# International yard and pound (1959), exact or to the digits shown.
UNITS = {"psi": 0.0689476, "cfm": 28.3168, "l/s": 60.0, "m3/h": 1000 / 60, "MPa": 10.0, "kPa": 0.01, "g/m3": 1000.0,
         "%vol": 1e4}  # fmt: skip
WORDS_FOR_FIGURES = {"stain": STAIN, "clear": CLEAR, "ND": NOT_DETECTED, "trace": TRACE}
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
        return (
            f"<table:table-cell {kind}><text:p>{escape(text)}</text:p></table:table-cell>"
            if cell
            else "<table:table-cell/>"
        )

    tables = "".join(
        f'<table:table table:name="{escape(s["name"])}">'
        + "".join(
            "<table:table-row>" + ("".join(map(shown, r)) or "<table:table-cell/>") + "</table:table-row>"
            for r in s["rows"]
        )
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


def figure(text: str) -> tuple[str, float, str]:
    """A true figure: its mark (<, >, ≤, ≥ or none), the figure in the field's own unit, the unit it was given in."""
    mark, number, unit = re.fullmatch(r"([<>≤≥]?)\s*(-?[\d.]+)\s*(.*)", text).groups()  # type: ignore[union-attr]
    if unit == "F":
        return mark, (float(number) - 32) / 1.8, unit
    return mark, float(number) * UNITS[unit] if unit else float(number), unit


# ---------------------------------------------------------------------------------------------------- grading


@dataclass
class Read:
    """One log as it was graded: its tests, their verdicts, the severities of its lines on Problems."""

    tests: list[dict[str, Any]]
    verdicts: list[str]
    severities: list[str]


def run(some: Sequence[Log]) -> list[Read]:
    """The logs written to one folder and graded in one run."""
    if not some:
        return []
    with tempfile.TemporaryDirectory() as place:
        for log in some:
            write(log, Path(place))
        return read_folder(place, some)


def read_folder(place: str | Path, some: Sequence[Log]) -> list[Read]:
    """The logs that stand in a folder, graded in one run."""
    # The lines of each log as if it were graded alone: none is folded into one of the folder. And the result's table
    # keeps the fields that no stage after the judge reads.
    with mock.patch("grader.report.MANY", len(some) + 1), mock.patch("grader.batch.BEFORE_REVIEW", ()):
        result = grade(place, as_of=AS_OF)
    made = {log.file: Read([], [], []) for log in some}
    names = [Path(name).name for name in result.log.files["name"]]
    for test, verdict in zip(records_of(result.tests), result.verdicts["Verdict"], strict=True):
        made[names[test["file"]]].tests.append(test)
        made[names[test["file"]]].verdicts.append(verdict)
    for name, severity in zip(result.problems["File"], result.problems["Severity"]):
        if (read := made.get(Path(str(name)).name)) is not None:
            read.severities.append(severity)
    return list(made.values())


def records_of(tests: pd.DataFrame) -> list[dict[str, Any]]:
    """Each test as read: its file and what stands in its fields."""
    ends = [f"{name}{end}" for name in FIELDS for end in ("", "_state", "_how", "_lower", "_upper", "_open")]
    return tests[["file", *(name for name in ends if name in tests)]].to_dict("records")


# ----------------------------------------------------------------------------------------------------- probes


@dataclass
class Probe:
    """One thing put into a sheet, and what it must do."""

    base: str
    heading: str
    first: str
    expect: str  # no pass, fail: of the test that it is about; nothing: all pass; aside: all pass, one more may not
    log: Log
    tests: int
    at: int  # which test it is about
    verdicts: list[str] = field(default_factory=list)

    @property
    def met(self) -> bool:
        """Whether it does. A sheet in which no test is found passes nothing and fails nothing."""
        if self.expect in ("nothing", "aside"):
            mine, more = self.verdicts[: self.tests], self.verdicts[self.tests :]
            whole = len(mine) == self.tests and all(v in PASSES for v in mine)
            return whole and (not more if self.expect == "nothing" else all(v not in PASSES for v in more))
        got = self.verdicts[self.at] if self.verdicts else "lost"
        return got == "fail" if self.expect == "fail" else got not in PASSES


def probes(file: str = "probes.toml") -> list[Probe]:
    """All probes, and each base that can stand `alone` with nothing put in (it passes, or fails where its name says so).

    In a grid `¦` is a bar and `¶` a new line within what is put in; a line `=== NAME` opens a further sheet.
    """
    made = []
    for base, data in tomllib.loads((FOLDER / file).read_text(encoding="utf-8"))["base"].items():
        plain = {"heading": "", "expect": "fail" if base.endswith("failing") else "nothing"}
        for n, r in enumerate([plain] * data.get("alone", False) + records(data["probes"])):
            parts = {"heading": "", "first": "", "second": "", "number": str(n)} | r
            text = data["grid"].replace("{heading}", parts["heading"].replace("¦", "|").replace("¶", "\n"))
            for part in ("first", "second", "number"):
                text = text.replace("{" + part + "}", parts[part])
            name = f"probe-{base}-{n:02}"
            first, *others = re.split(r"^=== (.*)\n", text, flags=re.MULTILINE)
            sheets = [{"name": n, "rows": grid(t)} for n, t in zip(["Sheet1", *others[::2]], [first, *others[1::2]])]
            log = Log(name, parts["heading"], f"{name}.xlsx", sheets, [], set())
            tests = len(re.findall(r"\bT\d\b", data["grid"]))
            made.append(
                Probe(base, parts["heading"], parts["first"], r["expect"], log, tests, -1 if data.get("last") else 0)
            )
    return made
