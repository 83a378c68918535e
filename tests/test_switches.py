"""Each key of the data files, turned by itself: what it says turns with it.

A row: the file, where the key stands, its other value, what is looked at, what that is as the file is, and with the key
turned. `grader/data/keys.py` lists every key that a file may hold: each has a row here. Of the headings' files English is
turned whole: those of all languages are read by one function.
"""

from __future__ import annotations

import io
import random
import re
import tempfile
import zipfile
from collections.abc import Callable, Iterator, Sequence
from datetime import date, datetime
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pandas as pd
import pytest

from grader import grade
from grader.columns import FIELDS, PARAMETERS, VERDICT_WORDS
from grader.data import load_toml
from grader.data.keys import PAGES, page_of
from grader.judge.carried import relative_of_pressure
from grader.judge.rules import entry as rule_entry
from grader.judge.rules import file as rule_file
from grader.judge.rules.sets import load_ruleset
from grader.judge.substances import _inert
from grader.judge.uncertainty import Standard, standards
from grader.normalise import is_aside
from grader.problems import GraderError, Problems
from grader.read import extract, find, process, settle
from grader.read.find import find_workbooks
from grader.read.layout import load_layout
from grader.read.odd_one import odd_ones
from grader.read.process import read_workbooks
from grader.read.shapes import across, coldest, rows, sections, site_of_sheet
from grader.read.shapes.recognise import Sheet, recognise
from grader.read.whom import Outlets
from grader.read.words import (
    answers,
    clauses,
    colours,
    composed,
    dates,
    figures,
    labels,
    measured,
    needs,
    outlet_names,
    said,
    stated,
    supplied,
    units,
    verdicts,
)
from grader.read.words.beside import clears
from grader.read.words.heading_words import limit_pattern, word_keys
from grader.read.words.headings import kind_of, understand
from grader.read.words.loose import chosen, denies, loose_word
from grader.read.words.marks import mark_of, meanings
from grader.read.words.substances import is_substance
from grader.read.words.unclear import classes_of, guess, may_be_done
from grader.result import Result
from grader.review.actions.facts import cause_list
from grader.review.actions.findings import actions_table
from grader.review.history import HISTORY, Readings, readings
from grader.review.shown import shown
from grader.review.systems import system_fails
from grader.review.wear.table import wear_table
from grader.review.works import meaning
from grader.words import words
from grader.write import sheets
from grader.write.blank import blank_bytes, usual_range, write_blank
from grader.write.marked import write_marked_copies
from grader.write.register import register_bytes
from tests.read.test_cells import read
from tests.review.wear.test_table import dew, made, visits
from tests.support import AIRLINE, VISIT, Case, demo_result, graded, graded_apart
from tests.turned import ABSENT, TURNED, anew, turned

INBOX = Path(__file__).parents[1] / "demo" / "inbox"
COLUMNS = "grader.columns"
CO, CO2, MARGIN = 'parameter = "Carbon monoxide"', 'parameter = "Carbon dioxide"', 'parameter = "Dew point margin"'
FROST = 'parameter = "Dew point at one atmosphere"\nmax = -50\nunit = "°F"'
See = Callable[[], Any]


# -- what is looked at ---------------------------------------------------------------------------------------


ROWS: list[dict[str, Any]] = []  # those that are judged with nothing turned: all in one table


@cache
def as_they_are() -> list[tuple[pd.DataFrame, set[str]]]:
    return graded_apart([case_of(row) for row in ROWS])


def case_of(row: dict[str, Any]) -> Case:
    return Case([{**AIRLINE, **row}], {k: v for k, v in VISIT.items() if k not in row})


def judged(**row: Any) -> tuple[pd.DataFrame, set[str]]:
    """The judged test of a row, fields of the visit among it, and its problems."""
    if row in ROWS and not TURNED:
        return as_they_are()[ROWS.index(row)]
    [found] = graded_apart([case_of(row)])
    return found


def verdict(key: str, **row: Any) -> See:
    ROWS.append(row)
    return lambda: VERDICT_WORDS[judged(**row)[0][f"verdict_{key}"][0]]


def asks(code: str, **row: Any) -> See:
    ROWS.append(row)
    return lambda: code in judged(**row)[1]


def cell(end: str, **cells: Any) -> See:
    """What one column of the first field is: its value (end ""), state, how, lower or upper end."""
    name = next(iter(cells))
    return lambda: read(**{n: [c] for n, c in cells.items()})[0][name + end].tolist()[0]


def says(name: str, *cells: Any) -> See:
    return lambda: sorted(read(**{name: list(cells)})[1])


def rule(text: str) -> See:
    """The first limit of a firm's own rule file, or what is wrong with it."""

    def see() -> Any:
        try:
            (limit, *_) = rule_file.parse(f'id = "own"\n[[limit]]\n{text}', "own.toml", own=True).limits
        except rule_file.RuleFileError as error:
            return error.messages[0].partition(": ")[2].partition(". ")[0]
        figures = [None if x is None else round(x, 4) for x in (limit.low, limit.high)]
        return (limit.kind, *figures, limit.at, limit.reference)

    return see


def heading(text: str) -> See:
    return lambda: understand(text).field


def kind(text: str) -> See:
    return lambda: kind_of(text)


def choices(text: str) -> See:
    return lambda: guess(text, None).choices


def substance(text: str, unit: str | None = None) -> See:
    return lambda: is_substance(text, unit)


def loose(name: str, text: str) -> See:
    return lambda: loose_word(name, text)


def facts(text: str) -> See:
    return lambda: [f.field for f in clauses.facts_of(text)]


def answered(heading: str, *values: Any) -> See:
    return lambda: verdicts.read(heading, values)[0]


def fails_in(text: str) -> See:
    return lambda: found[0] if (found := verdicts.fails_counted(text)) else None


def supply_of(text: str) -> See:
    return lambda: found.supply if (found := supplied.line_of(text).feed) else None


def spoken_against(text: str) -> See:
    return lambda: supplied.speaks_against(text, "airline", "")


def dryer_of(text: str) -> See:
    return lambda: found.dryer or None if (found := supplied.line_of(text).feed) else None


def against(text: str, where: str = said.ROW) -> See:
    return lambda: bool(said.against(text, where))


def converted(name: str, unit: str, value: float) -> See:
    return lambda: round(units.convert(name, unit, value), 3)


def clash(of: str, name: str = "line_pressure_bar", unit: str = "bar") -> See:
    return lambda: [getattr(c, of) for c in units.clashes(name, unit)][:2]


def work(text: str) -> See:
    return lambda: [p.key for i, p in enumerate(HISTORY) if meaning(text).ends >> i & 1]


def look(sheet: str, name: str, key: str) -> See:
    return lambda: getattr(sheets.column_look(sheet, name), key)


def step() -> Any:
    """The first step where the water of an airline behind a refrigerant dryer is too much."""
    return cause_list(load_toml("causes.toml"), "Water", "high", "airline", "refrigerant")["check"][0]


JUDGED_ROWS: dict[str, pd.DataFrame] = {}


def first(code: str, *rows: dict[str, Any], of: str = "cause", place: int = 0, **visit: Any) -> See:
    """Whether a cause stands in that place of the first finding's, or a step among its steps."""

    def see() -> bool:
        key = repr((rows, visit))  # what is judged does not rest on causes.toml
        if key not in JUDGED_ROWS:
            JUDGED_ROWS[key] = graded([{**AIRLINE, **row} for row in rows], {**VISIT, **visit})[0]
        tests = JUDGED_ROWS[key]
        found, text = actions_table(tests).frame, words("en")[f"action_{of}"][code].partition("{")[0]
        causes, steps = found["Likely causes"][0].split("; "), found["Next step"][0]
        return bool(causes[place].startswith(text) if of == "cause" else text in steps)

    return see


def columns_of(name: str) -> See:
    return lambda: getattr(anew(COLUMNS), name)


@cache
def book(far: str = "", part: str = "") -> bytes:
    """A firm's own log with a formula, a figure in a far cell, a part of so much that its process is not used again."""
    stream, log = io.BytesIO(), openpyxl.Workbook()
    for row in (("Outlet", "Oxygen (%)", "Carbon monoxide (ppm)"), ("1", 20.9, 1), ("2", 20.9, "=1")):
        log.active.append(row)
    if far:
        log.active[far] = 1
    log.save(stream)
    if part:
        with zipfile.ZipFile(stream, "a") as archive:
            archive.writestr(part, random.Random(1).randbytes(process._KEPT_BYTES + 1))
    return stream.getvalue()


def comes_of(data: bytes, name: str = "log.xlsx", **limits: float) -> See:
    """What becomes of a file with these limits besides those of the data: how it was refused, in one line, or "read"."""

    def see() -> str:
        with tempfile.TemporaryDirectory() as folder:
            (Path(folder) / name).write_bytes(data)
            problems = Problems()
            log = read_workbooks(find_workbooks([Path(folder)], problems), problems, limits=limits)
        refused = log.files["state"].iloc[0] == "refused"
        assert not refused or len(problems.batches) == 1
        return problems.batches[0].code if refused else str(log.files["state"].iloc[0])

    return see


def processes() -> int:
    """How many processes read two small files."""
    taken: list[int] = []
    replies = process._replies
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        patch.setattr(process, "_replies", lambda files, limits, n: taken.append(n) or replies(files, limits, n))
        for name in ("1.xlsx", "2.xlsx"):
            (Path(folder) / name).write_bytes(book())
        read_workbooks(find_workbooks([Path(folder)], Problems()), Problems())
    return taken[0]


def found_of(*names: str) -> See:
    """How many of these files a search finds in their folder."""

    def see() -> int:
        with tempfile.TemporaryDirectory() as folder:
            for name in names:
                (Path(folder) / name).touch()
            return len(find_workbooks([Path(folder)], Problems()).files)

    return see


def heard_from(beside: str) -> int:
    """Of how many tests of a log of 12 March anything is said by a file beside it."""
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "log.csv").write_text("Outlet;Date;Odour;CO (ppm)\nA1;2026-03-12;none;1", encoding="utf-8")
        (Path(folder) / "beside.csv").write_text(beside, encoding="utf-8")
        log = read_workbooks(find_workbooks([Path(folder)], Problems()), Problems())
    words = log.rows["said_against"].notna().sum() if "said_against" in log.rows else 0
    return int(words) + sum(u.aside for t in log.tables for u in t.unclear)


def marked(text: str, part: str = "") -> See:
    """Whether a text stands in what is said of the marked copy of a log, or in the comment of its first cell in question."""

    def see() -> bool:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "log.xlsx"
            path.write_bytes(book(part=part))
            told = [["log.xlsx", "Sheet", cell, "query", "odd", "look"] for cell in ("C2", "C2", "C3")]
            problems = pd.DataFrame(told, columns=["File", "Sheet", "Cell", "Severity", "Problem", "What to do"])
            files = pd.DataFrame([{"name": "log.xlsx", "path": str(path), "format": "xlsx", "state": "read"}])
            copies, said_of_it = write_marked_copies(Path(folder) / "copies", problems, files)
            comments = [openpyxl.load_workbook(copy)["Sheet"]["C2"].comment.text for copy in copies]
        return any(text in line for line in [*said_of_it, *comments])

    return see


def worn(column: str, *rows: dict[str, Any]) -> See:
    """A column of the sheet Wear for the one series of the site Mill, of tests made up so."""

    def see() -> str:
        table = made(rows).table
        return str(table.loc[table["Site"] == "Mill", column].item())

    return see


def drawn() -> list[str]:
    """Colours of the verdicts in the chart of a client report."""
    with tempfile.TemporaryDirectory() as folder:
        small_result().write_reports(folder, "2025")
        (report,) = Path(folder).iterdir()
        chart = parts(report.read_bytes())[0]["xl/charts/chart1.xml"].decode()
    return re.findall(r'<c:spPr><a:solidFill><a:srgbClr val="(\w+)"', chart)


def stops() -> bool:
    """Whether judging ends in a key that is not there."""
    try:
        return not judged()
    except KeyError:
        return True


def in_any_layout() -> list[str]:
    """What is wrong with a layout file for all logs of a folder that states their site."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "any.layout.toml"
        path.write_text('[constants]\nsite = "North"\n', encoding="utf-8")
        try:
            load_layout(path)
        except GraderError as error:
            return [str(error).partition(": ")[2][:20]]
    return []


def of_sheet(key: str) -> See:
    return lambda: getattr(anew(COLUMNS).REGISTER["Tubes"], key)


def stopped() -> str:
    """The column of the register that a sheet names and no table describes."""
    try:
        anew(COLUMNS)
    except KeyError as error:
        return str(error.args[0])
    return ""


def listed(item: str, name: str, *modules: str) -> See:
    """Whether an item stands in a list that a module makes at import."""
    return lambda: item in [getattr(x, "key", x) for x in getattr(anew(COLUMNS, *modules), name)]


def out_of_use(**row: Any) -> See:
    ROWS.append(row)
    return lambda: len(system_fails(judged(**row)[0], np.ones(1, dtype=bool)).test)


@cache
def demo() -> tuple[pd.DataFrame, Readings]:
    tests = demo_result().tests
    return tests, readings(tests)


def wear() -> pd.DataFrame:
    """The sheet Wear of the demo, as texts."""
    table = wear_table(*demo(), as_of=np.datetime64("2026-11-25")).table
    return (
        table.sort_values(["Site", "System", "Outlet", "Parameter"], ignore_index=True)
        .astype(object)
        .fillna("")
        .astype(str)
    )


# -- the switches --------------------------------------------------------------------------------------------

P, F, Q, U, N = "parameters.toml", "fields.toml", "queries.toml", "units.toml", "notation.toml"
L, S, UN, SU, R = "loose_words.toml", "said.toml", "unclear.toml", "substances.toml", "limits_reading.toml"
SC, H, G, K, C = "rules/_schema.toml", "headings-en.toml", "register.toml", "work.toml", "causes.toml"
SH, PA, B = "sheets.toml", "palette.toml", "blank.toml"
W, M, HU = "wear.toml", "marked.toml", "colours.toml"
SP = "supplied.toml"
CL, COLD, V = "clauses.toml", "lowest_use_temperature_c", "verdicts.toml"
CM, AMBIENT = "composed.toml", "ambient_temperature_c"
COLDEST = (COLD, AMBIENT)
SERIES = ("grader.review.history", "grader.review.wear.series")
# What stands in the table for want of a pressure of its own: an airline at 0.2 bar, which may be MPa.
LOW = {"line_pressure_bar": 0.2, "lowest_pressure_bar": 0.1}
FORGOTTEN = {"dryer": "refrigerant", "water_tube_mg_m3": 60.0}
HERE = [{"co_ppm": 9, "outlet": name} for name in "12"]  # all outlets of a system, and all systems of a site
BOTH = [{"co_ppm": 9, "outlet": name, "system": name} for name in "12"]
# Four sites read 0.6 lower with lot B, a month after the site Mill, where the reading stayed: there it got worse by 0.6.
LOTS = [
    {**row, "site": f"Site {n}", "co_tube_lot": lot}
    for n in range(4)
    for lot, read_as, start in (("A", [2.0] * 8, "2023-01"), ("B", [1.4] * 3, "2025-02"))
    for row in visits(read_as, start=start)
]
LOTS += visits([2.0, 2.01, 2.0, 1.99, 2.0, 2.01, 2.0, 2.0], co_tube_lot="A", u_co=0.1)
LOTS += visits([2.0] * 3, start="2025-01", co_tube_lot="B", u_co=0.1)
TEXT = b"Outlet;Test date;Oxygen (%)\n1;2026-03-14;20.9\n"
AT_PLACES = Outlets([("P1", 1)], [("location", "Attic", 1)])
Turn = tuple[str, Sequence[Any], Any, See, Any, Any]
# fmt: off
TURNS: list[Turn] = [
    (P, ("parameter", "co", "name"), "Soot", rule(f'{CO}\nmax = 3\nunit = "ppm"'), ("max", None, 3.0, "", ""),
     '[[limit]] 1, parameter = "Carbon monoxide": not a word known here'),
    (P, ("parameter", "co2", "key"), "cdx", listed("co2", "JUDGED"), True, False),
    (P, ("parameter", "co", "column"), "oil_mg_m3", lambda: anew(COLUMNS).LABORATORY["co"], "co_ppm", "oil_mg_m3"),
    (P, ("parameter", "co", "unit"), "ppx", lambda: "9 ppm is over" in judged(co_ppm=9)[0]["reasons"][0], True, False),
    (P, ("parameter", "odour", "direction"), "high", columns_of("IN_WORDS"), ("odour",), ()),
    (P, ("parameter", "co", "heading"), "CO", listed("CO", "VERDICT_COLUMNS"), False, True),
    (P, ("parameter", "co", "decimals"), 4, lambda: shown(*np.array([[1 / 3], [2 / 3]]), np.zeros(1), PARAMETERS["co"])[0],
     "0.33 to 0.67", "0.33333 to 0.66667"),
    (P, ("parameter", "co", "verdict_heading"), ABSENT, listed("co", "JUDGED"), True, False),
    (P, ("parameter", "margin", "verdict_from"), ABSENT, listed("margin", "WATER_CHAIN"), True, False),
    (P, ("parameter", "oil", "demanded"), False, lambda: "Oil" in rule_entry.demanded_always(), True, False),
    (P, ("parameter", "co2", "history"), False, listed("co2", "HISTORY", SERIES[0]), True, False),
    (P, ("parameter", "co", "tube"), ABSENT, listed("co", "TUBED", "grader.review.plan"), True, False),
    (P, ("parameter", "oxygen", "instrument"), ABSENT, listed("oxygen", "MEASURES", "grader.review.odd.lots"), True, False),
    (P, ("parameter", "flow", "need"), ABSENT, columns_of("SUPPLIED"), ("flow", "pressure"), ("pressure",)),
    (P, ("parameter", "co", "intake"), ABSENT, lambda: "co_origin" in judged()[0], True, False),
    (P, ("parameter", "co", "floor"), -1.0, lambda: shown(*np.array([[0.0], [5.0], [2]]), PARAMETERS["co"])[0],
     "<5", "0 to 5"),
    (P, ("parameter", "oxygen", "ceiling"), 200.0,
     lambda: shown(*np.array([[25.0], [100.0], [1]]), PARAMETERS["oxygen"])[0], ">25", "25 to 100"),
    (P, ("parameter", "co", "plausible"), [0.0, 7.0], lambda: usual_range(FIELDS["co_ppm"]), (0.0, 300.0), (0.0, 7.0)),
    (P, ("parameter", "oxygen", "u_abs"), 0.05, verdict("oxygen", oxygen_pct=20.3), "near limit", "pass"),
    (P, ("parameter", "co", "u_rel"), 0.3, verdict("co", co_ppm=4.2), "pass", "near limit"),
    (P, ("parameter", "oxygen", "u_source"), "", lambda: "oxygen" in standards(), True, False),
    (P, ("parameter", "flow", "wear"), ABSENT, lambda: anew(COLUMNS, *SERIES).LEVEL[-2], "outlet", ""),
    (P, ("parameter", "water", "wear_supply"), ABSENT, lambda: anew(COLUMNS, *SERIES).LEVEL_SUPPLY[4], "others", ""),
    (P, ("parameter", "oil", "chart"), ABSENT, listed("oil", "DRAWN", "grader.review.charts"), True, False),
    (P, ("parameter", "oxygen", "before"), ["X"], listed("X", "VERDICT_COLUMNS"), False, True),
    (P, ("parameter", "oxygen", "beside"), ["X"], listed("X", "VERDICT_COLUMNS"), False, True),
    (P, ("parameter", "co", "limits", "kinds"), ["min"], rule(f'{CO}\nmax = 3\nunit = "ppm"'),
     ("max", None, 3.0, "", ""), "[[limit]] 1 (Carbon monoxide), min is missing"),
    (P, ("parameter", "co", "limits", "range"), [0.0, 2.0], rule(f'{CO}\nmax = 3\nunit = "ppm"'),
     ("max", None, 3.0, "", ""), "[[limit]] 1 (Carbon monoxide), max = 3: outside 0 to 2 ppm, so taken for a slip"),
    (P, ("parameter", "margin", "limits", "at"), ["1 atm"], rule(f'{MARGIN}\nmin = 5\nunit = "K"'),
     ("margin", 5.0, None, "line", "lowest use"), ("margin", 5.0, None, "1 atm", "lowest use")),
    (P, ("parameter", "margin", "limits", "reference"), ["ambient"], rule(f'{MARGIN}\nmin = 5\nunit = "K"'),
     ("margin", 5.0, None, "line", "lowest use"), ("margin", 5.0, None, "line", "ambient")),
    (P, ("parameter", "co2", "limits", "units", "%", "times"), 1000, rule(f'{CO2}\nmax = 0.06\nunit = "%"'),
     ("max", None, 600.0, "", ""), ("max", None, 60.0, "", "")),
    (P, ("parameter", "dew_point_1atm", "limits", "units", "°F", "add"), 0, rule(FROST),
     ("max", None, -45.5556, "1 atm", ""), ("max", None, -27.7778, "1 atm", "")),
    (P, ("parameter", "dew_point_1atm", "limits", "units", "°F", "over"), 10, rule(FROST),
     ("max", None, -45.5556, "1 atm", ""), ("max", None, -41.0, "1 atm", "")),
    (P, ("parameter", "water", "limits", "units", "ppm", "molar_mass_g_mol"), 36.0,
     rule('parameter = "Water"\nmax = 24\nunit = "ppm"'), ("max", None, 17.974, "content", ""),
     ("max", None, 35.9175, "content", "")),
    *((P, ("atmospheric_pressure", f"u_{how}_hpa"), 150.0,
       lambda given=given: round(float(relative_of_pressure(0.0, 1e5, given, Standard(0.0, 0.0))), 4), was, 0.15)
      for how, given, was in (("given", True, 0.002), ("assumed", False, 0.015))),
    (F, ("fields", "co_ppm", "name"), "cox_ppm", listed("co_ppm", "NUMBER_FIELDS"), True, False),
    (F, ("fields", "co_ppm", "heading"), "Stinkgas", heading("Stinkgas"), None, "co_ppm"),
    (F, ("fields", "supply", "kind"), "text", cell("", supply="no such word"), None, "no such word"),
    (F, ("fields", "co_ppm", "sheet"), "Visit", listed("co_ppm", "VISIT_FIELDS"), False, True),
    (F, ("fields", "co_ppm", "unit"), "ppb", converted("co_ppm", "ppm", 3.0), 3.0, 3000.0),
    (F, ("fields", "co_ppm", "reading"), ABSENT, listed("co_ppm", "EVIDENCE_FIELDS"), True, False),
    (F, ("fields", "co_ppm", "floor"), 2, says("co_ppm", 1), [], ["number_negative"]),
    (F, ("fields", "oxygen_pct", "ceiling"), 20, says("oxygen_pct", 20.9), [], ["number_too_high"]),
    (F, ("fields", "co_ppm", "tube"), ABSENT, lambda: anew(COLUMNS, "grader.review.equipment")._READ_BY["co"], ["co_ppm"], []),
    (F, ("fields", "co_tube_expiry", "expiry"), ABSENT, cell("_state", co_tube_expiry="04/2026"), 1, 2),
    (F, ("fields", "site", "any_log"), ABSENT, in_any_layout, [], ["site: cannot be the "]),
    (F, ("fields", "h2s_ppm", "harmful"), ABSENT, lambda: int(judged(h2s_ppm=3.0)[0]["verdict"][0]), 2, 0),
    (F, ("fields", "co_ppm", "lowest_mark"), ABSENT, cell("_state", co_ppm="ND", co_lowest_mark_ppm=2.0), 1, 2),
    (F, ("fields", "co_ppm", "highest_mark"), ABSENT, asks("beyond_scale", co_ppm=4.0, co_highest_mark_ppm=2.0), True, False),
    (F, ("words", "supply", "airline"), ["tube"], cell("", supply="tube"), None, "airline"),
    (Q, ("query", "co2_below_100", "code"), "gone", stops, False, True),
    (Q, ("query", "zero_reading", "parameters"), ["oxygen"], asks("zero_reading", co2_ppm=0), True, False),
    (Q, ("query", "co2_below_100", "demotes"), False, verdict("co2", co2_ppm=90), "cannot tell", "pass"),
    (Q, ("query", "co2_below_outdoor", "fraction"), 0.1, asks("co2_below_outdoor", co2_ppm=195, dryer="none"), True, False),
    (Q, ("query", "co2_below_100", "below"), 50.0, asks("co2_below_100", co2_ppm=90), True, False),
    (Q, ("query", "oxygen_alone", "above"), 25.0, asks("oxygen_alone", oxygen_pct=21.6), True, False),
    (Q, ("query", "oxygen_alone", "co2_to"), 100.0, asks("oxygen_alone", oxygen_pct=21.6), True, False),
    (Q, ("query", "dry_without_dryer", "kelvin"), 80.0, asks("dry_without_dryer", dryer="none", water_tube_mg_m3=250), True, False),
    (Q, ("query", "multiplier_perhaps", "times"), [], asks("multiplier_perhaps", **FORGOTTEN), True, False),
    (Q, ("query", "multiplier_perhaps", "refrigerant_c"), [90, 95], asks("multiplier_perhaps", **FORGOTTEN), True, False),
    (Q, ("query", "multiplier_perhaps", "no_dryer_k"), [90, 95],
     asks("multiplier_perhaps", dryer="none", water_tube_mg_m3=230), True, False),
    (U, ("reference", "temperature_k"), 273.15, converted("co_ppm", "mg/m³", 10), 8.588, 8.002),
    (U, ("reference", "pressure_pa"), 90000.0, converted("co_ppm", "mg/m³", 10), 8.588, 9.669),
    (U, ("reference", "gas_constant_j_mol_k"), 16.6, converted("co_ppm", "mg/m³", 10), 8.588, 17.146),
    (U, ("reference", "normal_temperature_k"), 293.15, converted("flow_l_min", "NL/min", 100), 107.322, 100.0),
    (U, ("reference", "atmosphere_hpa"), 0.0, converted("line_pressure_bar", "bar absolute", 7), 5.987, 7.0),
    (U, ("reference", "atmosphere_used_hpa"), [990.0, 1100.0],
     lambda: round(1.0 * read(units={"line_pressure_bar": "bar absolute"}, line_pressure_bar=[7.0],
                        atmospheric_pressure_hpa=[900])[0]["line_pressure_bar"][0], 3), 6.1, 5.987),
    (U, ("molar_mass_g_mol", "co"), 56.02, converted("co_ppm", "mg/m³", 10), 8.588, 4.294),
    (U, ("unit", "psi", "factor"), 1.0, converted("line_pressure_bar", "psi", 100), 6.895, 100.0),
    (U, ("unit", "°F", "zero"), 0.0, converted("ambient_temperature_c", "°F", 50), 10.0, 27.778),
    (U, ("unit", "NL/min", "normal"), ABSENT, converted("flow_l_min", "NL/min", 100), 107.322, 100.0),
    (U, ("unit", "bar absolute", "absolute"), ABSENT, converted("line_pressure_bar", "bar absolute", 7), 5.987, 7.0),
    (U, ("unit", "psi", "quantity"), "flow", lambda: units.quantity("psi"), "pressure", "flow"),
    (U, ("unit", "NL/min", "remark"), ABSENT, lambda: [c for c, _ in units.column_unit("flow_l_min", "NL/min")[1]],
     ["unit_converted", "unit_normal"], ["unit_converted"]),
    (U, ("unit", "psi", "spellings"), ["pfund"], lambda: units.canonical("pfund"), None, "psi"),
    (U, ("kind", "co", "default"), "%", lambda: units.assumed("co_ppm", [3.0]), "ppm", "%"),
    (U, ("kind", "co", "plain"), [5.0, 9.0], lambda: units.assumed("co_ppm", [3.0]), "ppm", None),
    (U, ("kind", "co", "fields"), ["intake_co_ppm"], lambda: units.belongs("co_ppm", "ppb"), True, False),
    (U, ("kind", "co", "units"), ["ppm"], lambda: units.belongs("co_ppm", "ppb"), True, False),
    (U, ("kind", "co", "substance"), "co2", converted("co_ppm", "mg/m³", 10), 8.588, 5.466),
    (U, ("kind", "flow", "needed"), False, lambda: units.column_unit("flow_l_min", None)[0], "not stated", "L/min"),
    (U, ("kind", "flow", "why"), "so", lambda: units.column_unit("flow_l_min", None)[1][0][1]["why"][:2], "L/", "so"),
    (U, ("clash", "MPa", "parameters"), [], verdict("pressure", **LOW), "cannot tell", "near limit"),
    (U, ("clash", "MPa", "fields"), [], clash("perhaps"), ["psi or kPa", "MPa"], ["psi or kPa", "another unit"]),
    (U, ("clash", "MPa", "below"), {"bar": 0.1}, clash("below"), [-np.inf, 0.3], [-np.inf, 0.1]),
    (U, ("clash", "psi or kPa", "above"), {"bar": 90.0}, clash("above"), [40.0, np.inf], [90.0, np.inf]),
    (U, ("clash", "MPa", "supplies"), ["cylinder"], clash("supplies"), [("airline",)] * 2, [("airline",), ("cylinder",)]),
    (U, ("clash", "MPa", "perhaps"), "X", clash("perhaps"), ["psi or kPa", "MPa"], ["psi or kPa", "X"]),
    (U, ("clash", ["water_tube_mg_m3", "water_mg_m3"], "dry"), True, clash("dry", "water_mg_m3", "mg/m³"),
     [None, False], [True, False]),
    (N, ("words", "not_tested"), ["egal"], cell("_state", co_ppm="egal"), 2, 0),
    (N, ("words", "not_detected"), ["zilch"], cell("_how", co_ppm="zilch"), 0, 4),
    (N, ("words", "trace"), ["hauch"], cell("_state", oil_mg_m3="hauch"), 2, 1),
    (N, ("words", "stain"), ["fleck"], cell("_how", oil_mg_m3="fleck"), 0, 2),
    (N, ("words", "clear"), ["xyklar"], cell("_how", oil_mg_m3="xyklar"), 0, 3),
    (N, ("bounds", "<"), ["kleiner"], cell("_state", co_ppm="kleiner 5"), 2, 1),
    (N, ("bounds_behind", "≤"), ["höchstens"], cell("_state", co_ppm="5 höchstens"), 2, 1),
    (N, ("doubt", "before"), [], says("co_ppm", "~5"), ["number_doubt"], ["number_not_read"]),
    (N, ("doubt", "behind"), [], says("co_ppm", "5 ish"), ["number_doubt"], ["number_not_read"]),
    (N, ("possible", "oxygen_pct"), [0.0, 1.0], cell("_state", oxygen_pct="20,900"), 1, 2),
    (N, ("fraction", "oxygen_pct"), [0.6, 0.7], cell("", oxygen_pct=0.209), 20.9, 0.209),
    (N, ("stain_mg_m3", "oil_mg_m3"), 2.0, cell("_lower", oil_mg_m3="stain"), 0.5, 2.0),
    (N, ("lowest_mark", "co_ppm"), 2.0, cell("_upper", co_ppm="ND"), 5.0, 2.0),
    (N, ("dates", "as_expiry"), [], cell("_state", calibration_due="04/2026"), 1, 2),
    (N, ("dates", "serial"), [90000, 99999], cell("_state", test_date=45000), 1, 2),
    (N, ("dates", "years"), [2030, 2040], cell("_state", test_date="2026-03-14"), 1, 2),
    (N, ("dates", "two_digit_1900_from"), 10, cell("_state", test_date="14.03.26"), 1, 2),
    (N, ("dates", "swapped_from"), 2, says("test_date", *(date(2026, m, 3) for m in (1, 2, 3)), "3/25/2026"), [], ["date_swapped"]),
    (N, ("dates", "weekdays"), ["firstday"], cell("_state", test_date="firstday 14 March 2026"), 2, 1),
    (N, ("temperature", "minus"), ["moins"], lambda: figures.temperatures_in("minus 5 °C"), [(-5.0, "°C")], [(5.0, "°C")]),
    (N, ("temperature", "degrees"), ["°"], lambda: figures.temperatures_in("5 deg C"), [(5.0, "°C")], []),
    (N, ("temperature", "celsius"), ["degrés"], lambda: figures.temperatures_in("5 Grad"), [(5.0, "°C")], []),
    (N, ("dates", "leading"), [], lambda: dates.parse_date("le 14 mars 2026").code, "", "date_not_read"),
    (N, ("dates", "week"), ["@"], lambda: dates.date_within("w/c 14 March 2026"), None, "14 March 2026"),
    (N, ("dates", "no_day"), ["@"], lambda: dates.date_within("until 14 March 2026"), None, "14 March 2026"),
    (N, ("dates", "ordinals"), [], lambda: dates.parse_date("14th March 2026").code, "", "date_not_read"),
    (N, ("dates", "hours"), [], lambda: dates.time_minutes("9:05 Uhr"), 545.0, None),
    (N, ("months", "3"), ["march"], lambda: str(dates.parse_date("14 Mars 2026").day), "2026-03-14", "None"),
    (CL, (COLD, "bound"), [], facts("Shop never below 9 °C"), [COLD], []),
    (CL, (COLD, "towards"), [], facts("Einsatz bis -9 °C"), [COLD], []),
    (CL, (COLD, "use"), [], facts("Einsatz bis -9 °C"), [COLD], []),
    (CL, (COLD, "place"), [], facts("Shop never below 9 °C"), [COLD], []),
    (CL, (COLD, "heated"), [], facts("Heated, min 9 °C"), [COLD], []),
    (CL, (COLD, "limited"), [], facts("Heated air, min 9 °C"), [], [COLD]),
    (CL, (COLD, "weather"), [], lambda: len(clauses.facts_of("Ambient never below -5 °C")), 1, 0),
    (CL, (COLD, "elsewhere"), [], lambda: bool(clauses.places_in("Yard")), True, False),
    (CL, (COLD, "worse"), [], lambda: bool(clauses.places_in("Colder by the gate")), True, False),
    (CL, ("test_date", "aside"), [], lambda: clauses.of_another_day("Form 12, rev. 3.2.19"), True, False),
    (CL, (COLD, "covered"), [], facts("In the shop never below 9 °C"), [COLD], []),
    (SP, ("airline",), [], supply_of("BA airline"), "airline", None),
    (SP, ("further",), [], supply_of("BA airline, after-dryer"), "airline", None),
    (SP, ("charging",), [], supply_of("HP compressor samples"), "charging compressor", None),
    (SP, ("compressor",), [], supply_of("Breathing air compressor 300 bar"), "charging compressor", None),
    (SP, ("cylinder",), [], supply_of("SCBA cylinders"), "cylinder", None),
    (SP, ("dryer",), [], dryer_of("Airline, refrigeration dryer"), "refrigerant", None),
    (SP, ("itself",), [], dryer_of("Netz, Kältetrockner"), "refrigerant", None),
    (SP, ("alone",), [], dryer_of("Airline sets, desiccant"), "desiccant", None),
    (SP, ("where",), [], supply_of("Airline in gallery, desiccant dryer"), "airline", None),
    (SP, ("housed",), [], dryer_of("Airline, membrane dryer in compressor room"), "membrane", None),
    (SP, ("none",), [], dryer_of("Airline sets, no dryer"), "none", None),
    (SP, ("covered",), [], supply_of("Airline hoods"), "airline", None),
    (SP, ("title",), [], supply_of("Airline, quality log"), "airline", None),
    (SP, ("both",), [], supply_of("Mill and Hill: airline"), None, "airline"),
    (SP, ("page",), [], supply_of("Airline, page 2"), "airline", None),
    (SP, ("joining",), [], supply_of("Airline, page 2 sur 3"), "airline", None),
    (SP, ("line",), [], supply_of("Line, desiccant dryer"), "airline", None),
    (SP, ("linking",), [], supply_of("Line with desiccant dryer"), "airline", None),
    (SP, ("aside",), [], dryer_of("Desiccant dryer upstream of ring main"), None, "desiccant"),
    (SP, ("numbered",), [], lambda: supplied.names_cylinders("Cylinder no"), True, False),
    (SP, ("high",), [], supply_of("Cylinders, nominal 300 bar"), "cylinder", None),
    (SP, ("about",), [], supply_of("Mill Hoses, airline"), None, "airline"),
    (SP, ("doubt",), [], supply_of("Mill Hire, airline"), None, "airline"),
    (SP, ("place",), [], supply_of("Mill Hall, airline"), None, "airline"),
    (SP, ("place_ends",), [], supply_of("Spritzhalle, airline"), None, "airline"),
    (SP, ("site",), [], lambda: supplied.line_of("Air log, Dock Lane").site, "Dock Lane", ""),
    (SP, ("site_begins",), [], lambda: supplied.line_of("Luft, Werk Süd").site, "Werk Süd", ""),
    (SP, ("firm",), [], lambda: supplied.line_of("Air log, Kestrel Group Works").site, "", "Kestrel Group Works"),
    (SP, ("sited",), [], lambda: supplied.line_of("Air log at Dock Lane").site, "Dock Lane", ""),
    (SP, ("gear",), [], supply_of("Airline hose records"), None, "airline"),
    (SP, ("listed",), [], supply_of("Airline hose records"), None, "airline"),
    (SP, ("of_air",), [], supply_of("Airline hoods, air test"), "airline", None),
    (SP, ("of_site",), [], supply_of("Site air test"), None, "airline"),
    (SP, ("feeds",), [], supply_of("Site air supply test"), "airline", None),
    (SP, ("other",), [], spoken_against("Dive panel"), True, False),
    (SP, ("form_filling",), [], spoken_against("Please fill in"), False, True),
    (SP, ("denying",), [], spoken_against("Not for P2"), True, False),
    (SP, ("testing",), [], dryer_of("Airline (test: desiccant dryer)"), None, "desiccant"),
    (SP, ("behind",), [], dryer_of("Airline, desiccant dryer after points"), None, "desiccant"),
    (SP, ("tapped",), [], dryer_of("Airline, desiccant dryer, after points"), None, "desiccant"),
    (SP, ("between",), [], dryer_of("Airline after the desiccant dryer"), "desiccant", None),
    (SP, ("through",), [], dryer_of("Air to hoods from airline through desiccant dryer"), "desiccant", None),
    (SP, ("toward",), [], dryer_of("Airline to desiccant dryer"), None, "desiccant"),
    (SP, ("ahead",), [], lambda: supplied.speaks_against("P2 ahead of the towers", "airline", "desiccant"), True, False),
    (SP, ("using",), [], dryer_of("Airline, desiccant dryer of welding"), None, "desiccant"),
    (SP, ("filtering",), [], dryer_of("Airline, adsorption filter"), None, "desiccant"),
    (SP, ("stopped",), [], lambda: supplied.speaks_against("P2: bypass", "airline", "desiccant"), True, False),
    (SP, ("drying",), [], lambda: supplied.speaks_against("Towers empty", "airline", "desiccant"), True, False),
    (SP, ("ill",), [], lambda: supplied.speaks_against("Towers empty", "airline", "desiccant"), True, False),
    (SP, ("worn",), [], spoken_against("new compressor belt"), False, True),
    (SP, ("uncounted",), [], spoken_against("Own compressor stopped, P2 does not count"), False, True),
    (SP, ("limiting",), [], lambda: supplied.names_and_feeds("P1 only", {"p1"}), True, False),
    (SP, ("choices",), [], lambda: supplied.holds_choices("Lists"), True, False),
    (CL, ("test_date", "test"), [], facts("Tested on 3 May 2026"), ["test_date"], []),
    (CL, ("test_date", "number"), [], facts("Report no 7 of 3 May 2026"), ["test_date"], []),
    (CL, ("test_date", "by"), [], facts("Tested on 3 May 2026 by a contractor"), ["test_date"], []),
    (CL, ("short",), [], lambda: len(clauses.sentences("Halle min. Temperatur")), 1, 2),
    (CL, ("test_date", "covered"), [], facts("Tested on 3 May 2026"), ["test_date"], []),
    (L, ("letters", "n"), "yes", lambda: verdicts.as_answered(labels.column(0, "Smell"), ["N"]), ["no"], ["yes"]),
    (L, ("negation",), [], loose("odour", "no smell"), "none", None),
    (L, ("turns",), [], loose("odour", "not none"), None, "none"),
    (L, ("doubted",), [], loose("odour", "slight but later"), None, "slight"),
    (L, ("doubt",), [], loose("odour", "slight but later"), None, "slight"),
    (L, ("covered",), [], loose("odour", "none at all today"), "none", None),
    (L, ("asked",), ["slight"], loose("odour", "slight"), "slight", None),
    (L, ("supply", "airline"), ["schlauch"], loose("supply", "schlauch"), None, "airline"),
    (L, ("dryer", "membrane"), ["haut"], loose("dryer", "haut"), None, "membrane"),
    (L, ("odour", "marked"), ["pfui"], loose("odour", "pfui"), None, "marked"),
    (L, ("liquid_water", "seen"), ["pfütze"], loose("liquid_water", "pfütze"), None, "seen"),
    (L, ("own_verdict", "fail"), ["pfui"], loose("own_verdict", "pfui"), None, "fail"),
    (L, ("outlet_status", "locked off"), ["zu"], loose("outlet_status", "zu"), None, "locked off"),
    (L, ("visit_reason", "retest"), ["nochmal"], loose("visit_reason", "nochmal"), None, "retest"),
    (L, ("nature", "odour"), ["fisch"], loose("odour", "fisch"), None, "marked"),
    (L, ("said_of", "odour"), ["duft"], loose("odour", "no duft"), None, "none"),
    (L, ("mistaken", "dryer"), [], loose("dryer", "ads. filter"), None, "desiccant"),
    (L, ("proper", "dryer"), [], loose("dryer", "adsorption dryer, filter"), "desiccant", None),
    (L, ("sensed", "odour"), ["gerochen"], loose("odour", "none gerochen"), None, "none"),
    (L, ("either",), ["xyzzy"], loose("odour", "none or noticed"), None, "none"),
    (L, ("absent", "words"), [], loose("odour", "absent today"), None, "none"),
    (L, ("absent", "beside"), [], loose("odour", "smell absent"), "none", None),
    (L, ("well", "odour"), [], lambda: denies("odour", "fresh"), False, True),
    (L, ("safe", "odour"), [], loose("odour", "none of any xyzzy"), None, "none"),
    (V, ("heading", "passing"), ["hunky"], lambda: verdicts.side("Hunky"), "", "passing"),
    (V, ("heading", "failing"), ["pfui"], lambda: verdicts.side("Pfui"), "", "failing"),
    (V, ("heading", "filler"), [], lambda: verdicts.side("Test failed"), "failing", ""),
    (V, ("heading", "both"), ["hunky"], lambda: verdicts.may_be_both("Hunky"), False, True),
    (V, ("yes", "words"), ["hunky"], answered("Result", "hunky"), "doubt", "yes"),
    (V, ("yes", "covered"), [], answered("Result", "meets EN 12021"), "yes", "doubt"),
    (N, ("signs", "tick"), "@", answered("Result", "@"), "doubt", "yes"),
    (V, ("yes", "said"), [], answered("Fail", "yes"), "no", "yes"),
    (V, ("no", "words"), ["pfui"], answered("Result", "pfui"), "doubt", "no"),
    (V, ("no", "denied"), [], answered("Fail", "no"), None, "no"),
    (N, ("signs", "empty"), "", answered("Fail", "☐"), None, "no"),
    (V, ("no", "letters"), ["z"], answered("OK", "z", "x"), "doubt", "no"),
    (N, ("signs", "cross"), "@", answered("Result", "@"), "doubt", "no"),
    (N, ("signs", "no"), "@", answered("Result", "@"), "doubt", "no"),
    (V, ("no", "of_a_test"), [], lambda: verdicts.as_answered(labels.column(0, "Odour free"), ["pos"]) == ["pos"], False, True),
    (V, ("no", "blank"), ["@"], answered("Result", "@"), "doubt", None),
    (V, ("sign", "marks"), ["@"], answered("OK", "@"), "doubt", "yes"),
    (N, ("signs", "either"), "", answered("OK", "•"), "yes", "doubt"),
    (N, ("signs", "danger"), "@", lambda: said.alone("@"), "", "@"),
    (N, ("signs", "box"), "@☐", lambda: chosen("☐ Yes @ No"), "☐ Yes @ No", "No"),
    (V, ("sign", "usual"), ["z"], answered("Result", "z"), "doubt", "yes"),
    (V, ("question", "good"), ["hunky"], lambda: verdicts.question("Hunky"), "", "good"),
    (V, ("question", "ill"), ["pfui"], lambda: verdicts.question("Pfui"), "", "ill"),
    (V, ("count", "number"), [], fails_in("Number of failed: 2"), 2, None),
    (V, ("count", "tested"), [], fails_in("5 geprüft, 4 bestanden"), 1, None),
    (V, ("count", "score"), [], fails_in("Score: 4 of 5"), 1, None),
    (V, ("count", "rate"), [], fails_in("Quote 80 %"), 1, None),
    (V, ("count", "of"), ["/"], fails_in("4 von 5 bestanden"), 1, None),
    (V, ("count", "whole"), [], fails_in("gesamt 5, bestanden 4"), 1, None),
    (V, ("count", "and"), [], fails_in("5 tested of which 4 passed"), 1, None),
    (V, ("count", "plural"), [], fails_in("Rejects: 3"), 3, None),
    (V, ("sign", "pairs"), [], answered("Result", "C", "NC"), "yes", "doubt"),
    (S, ("against", "verdict"), ["pfui"], against("pfui"), False, True),
    (S, ("against", "stop"), ["halt"], against("halt", said.NAME), False, True),
    (S, ("against", "void"), ["schmierzettel"], against("schmierzettel", said.AROUND), False, True),
    (S, ("answer", "good"), ["hunky"], lambda: answers.answered_badly("hunky", "no"), False, True),
    (S, ("answer", "ill"), ["hiccup"], lambda: answers.answered_badly("hiccup", "yes"), False, True),
    (S, ("answer", "filler"), [], lambda: answers.answered_badly("CO alarm", "yes"), True, False),
    (S, ("answer", "no"), [], lambda: answers.answered_badly("Sample valid", "no"), True, False),
    (S, ("answer", "state"), [], lambda: answers.asks("Compressor running"), "good", ""),
    (S, ("answer", "yes"), [], lambda: answers.is_yes("ja"), True, False),
    (S, ("answer", "closed"), [], lambda: answers.put_right("closed 3 May"), True, False),
    (S, ("alone", "words"), ["plemplem"], lambda: said.alone("plemplem"), "", "plemplem"),
    (S, ("clear", "words"), ["hunky"], lambda: clears("Hunky outlets"), False, True),
    (S, ("clear", "beside"), [], lambda: clears("Approved outlets"), True, False),
    (S, ("slip", "real"), [], against("versucht"), False, True),
    (S, ("alone", "remark"), ["plemplem"], lambda: said.alone("plemplem"), "", "plemplem"),
    (S, ("span", "refers"), [], lambda: mark_of("see note 7"), "7", ""),
    (S, ("measured", "checks"), [], lambda: measured.stands_before("Fresh air after"), "check", ""),
    (S, ("measured", "users"), [], lambda: len(stated.stated("masks draw 400 L/min")), 1, 0),
    (S, ("measured", "together"), [], lambda: stated.stated("2 masks at once, 240 L/min each")[0].value, "480 L/min", "240 L/min"),
    (S, ("measured", "each"), [], lambda: stated.stated("2 masks at once, 240 L/min each")[0].value, "480 L/min", "240 L/min"),
    (S, ("measured", "again"), [], lambda: measured.stands_before("CO again"), "again", ""),
    (S, ("measured", "foreign"), [], lambda: len(measured.units_in("Flow in gallons")), 1, 0),
    (S, ("span", "outlet"), ["crane"], lambda: bool(outlet_names.numbers_in("crane 3 shut")[0]), False, True),
    (S, ("span", "several"), ["cranes"], lambda: bool(outlet_names.numbers_in("cranes 3 and 4 shut")[0]), False, True),
    (S, ("span", "places"), ["first 2"], lambda: sorted(outlet_names.numbers_in("first outlet")[1]), [1], [2]),
    (S, ("span", "until"), ["hitherto"], lambda: outlet_names.of_more("void until P3", ["P3"]), True, False),
    (S, ("span", "before"), ["hitherto"], lambda: len(outlet_names.spanned("meter fell before P2", ["P1", "P2", "P3"])), 2, 0),
    (S, ("general", "kit"), ["crane"], lambda: len(outlet_names.spanned("meter fell before P2", ["P1", "P2", "P3"])), 2, 0),
    (S, ("general", "shared"), ["crane"], lambda: len(AT_PLACES.in_row(["Attic compressor shut"])), 0, 1),
    (S, ("answer", "ended"), [], lambda: answers.put_right("Until", heading=True), True, False),
    (S, ("beside", "laboratory"), [], lambda: len(recognise([Sheet("Lab", [["Outlet", "CO (ppm)"], ["A1", 9]])]).beyond), 1, 0),
    (S, ("span", "same"), ["ditto dto"], lambda: said.is_repeat("ditto dto") and not said.is_repeat("wie oben"), False, True),
    (S, ("alone", "filler"), [], lambda: said.alone("it is shut"), "it is shut", ""),
    (S, ("alone", "title"), ["generalprobe"], lambda: said.titled("Generalprobe 2"), "", "Generalprobe 2"),
    (S, ("general", "approved"), [], lambda: answers.answers_badly("3 of 4 passed"), True, False),
    (S, ("general", "except"), [], lambda: said.REMARKS.say("all but P2, except P3", "general.except"), True, False),
    (S, ("measured", "expanded"), [], lambda: measured.of_expanded("Taupunkte in entspannter Luft"), True, False),
    (S, ("measured", "of_the_day"), [], lambda: measured.of_expanded("Atmosphere 1002 hPa"), False, True),
    (S, ("measured", "without"), [], lambda: len(measured.readings_in("CO limit 5 ppm")), 0, 1),
    (S, ("measured", "elsewhere"), [], lambda: len(measured.readings_in("CO outside 5 ppm")), 0, 1),
    (S, ("measured", "clause"), [], lambda: len(measured.readings_in("CO 9 ppm while a van idled outside")), 1, 0),
    (S, ("measured", "of"), [], lambda: len(measured.readings_in("30 ppm of CO after CO2")), 1, 0),
    (S, ("measured", "counted"), [], lambda: len(measured.readings_in("CO tube 10 strokes")), 0, 1),
    (S, ("measured", "corrects"), [], lambda: len(measured.readings_in("was 30")), 1, 0),
    (S, ("measured", "falls"), [], lambda: len(measured.readings_in("dropped to 2 bar")), 1, 0),
    (S, ("measured", "spoken"), [], lambda: len(measured.readings_in("CO thirty ppm")), 1, 0),
    (S, ("measured", "units"), ["x=x"], lambda: len(measured.readings_in("30 parts")), 1, 0),
    (S, ("measured", "minutes"), [], lambda: len(measured.readings_in("oil only 4 min")), 1, 0),
    (S, ("measured", "visit"), [], lambda: said.REMARKS.say("Max CO during the visit 28", "measured.visit"), True, False),
    (S, ("span", "of"), [], lambda: answers.answers_badly("3 of 4 passed"), True, False),
    (S, ("span", "to"), [], lambda: len(outlet_names.spanned("P2 bis P4", ["P2", "P3", "P4"])), 3, 0),
    (S, ("span", "from"), [], lambda: len(outlet_names.spanned("ab P3", ["P2", "P3", "P4"])), 2, 0),
    (S, ("span", "on"), [], lambda: len(outlet_names.spanned("from P3 on tube old", ["P2", "P3", "P4"])), 2, 0),
    (S, ("answer", "fine"), [], lambda: answers.answered_badly("Alarm", "none"), False, True),
    (S, ("pair", "test", "of"), ["gizmo"], against("gizmo was faulty"), False, True),
    (S, ("pair", "test", "ill"), ["zonky"], against("meter was zonky"), False, True),
    (S, ("pair", "round", "of"), ["detour"], against("detour left open"), False, True),
    (S, ("pair", "round", "ill"), ["ajar"], against("bypass left ajar"), False, True),
    (S, ("pair", "fluid", "of"), ["brine"], against("brine seen"), False, True),
    (S, ("pair", "fluid", "ill"), ["shimmering"], against("oil shimmering"), False, True),
    (S, ("pair", "worn", "of"), ["snout"], against("snout torn"), False, True),
    (S, ("pair", "worn", "ill"), ["zonky"], against("visor zonky"), False, True),
    (S, ("pair", "source", "of"), ["spoonfed"], against("spoonfed by a blower"), False, True),
    (S, ("pair", "source", "ill"), ["bagpipe"], against("fed by a bagpipe"), False, True),
    (S, ("pair", "people", "of"), ["foreman"], against("foreman complains"), False, True),
    (S, ("pair", "people", "ill"), ["zonky"], against("painter zonky"), False, True),
    (S, ("against", "undone"), ["verpennt"], against("verpennt"), False, True),
    (S, ("against", "lapsed"), ["vorbei"], against("vorbei"), False, True),
    (S, ("against", "instrument"), ["meter plemplem"], against("meter plemplem"), False, True),
    (S, ("against", "trouble"), ["plemplem gegangen"], against("heute plemplem gegangen", said.AROUND), False, True),
    (S, ("against", "row"), ["kopiert"], against("kopiert"), False, True),
    (S, ("against", "remark"), ["kopiert"], against("kopiert"), False, True),
    (S, ("pair", "intake", "of"), ["snorkel"], against("snorkel near exhaust"), False, True),
    (S, ("pair", "mixed", "of"), ["parrot*"], against("parrots muddled"), False, True),
    (S, ("pair", "mixed", "ill"), ["waltzed"], against("readings waltzed"), False, True),
    (S, ("pair", "intake", "far"), [], against("intake away from the exhaust of the boiler"), False, True),
    (S, ("pair", "intake", "ill"), ["cow"], against("intake near the cow"), False, True),
    (S, ("pair", "seen", "of"), ["hat"], against("hat brown"), False, True),
    (S, ("pair", "seen", "ill"), ["mauve"], against("oil tube mauve"), False, True),
    (S, ("pair", "place", "of"), ["bled"], against("bled at the manifold"), False, True),
    (S, ("pair", "place", "ill"), ["at the pub"], against("taken at the pub"), False, True),
    (S, ("general", "lasting"), [], lambda: said.REMARKS.say("failed since 3 May 2026", "general.lasting"), True, False),
    (S, ("general", "done"), [], against("leave off until the smell has been traced"), True, False),
    (S, ("general", "then"), [], against("Meter failed when it came back", said.AROUND), True, False),
    (S, ("general", "happened"), [], against("Meter failed when it came back", said.AROUND), True, False),
    (S, ("general", "retested"), [], against("condemned, filter renewed, retested and passed"), False, True),
    (S, ("general", "well"), [], against("failed, filter renewed, retested and passed"), False, True),
    (S, ("general", "passed"), [], against("condemned, filter renewed, retested and passed"), False, True),
    (S, ("general", "passing"), [], against("condemned, filter renewed, retested and passed"), False, True),
    (S, ("no", "words"), [], against("not condemned"), False, True),
    (S, ("no", "subject"), [], against("No outlet ever had to be condemned"), False, True),
    (S, ("general", "lasts"), [], lambda: said.alone("shut since Monday the 3rd"), "shut since Monday the 3rd", ""),
    (S, ("general", "added"), [], against("Out of service on Monday", said.AROUND), True, False),
    (S, ("general", "machine"), [], against("Compressor 7 (tools only) out of order"), False, True),
    (S, ("general", "aside"), [], against("Compressor 7 (tools only) out of order"), False, True),
    (S, ("general", "prices"), [], lambda: said.REMARKS.say("Price list", "general.prices"), True, False),
    (S, ("doubt", "no"), [], lambda: bool(said.doubted("could not get a figure")), True, False),
    (S, ("doubt", "lack"), [], lambda: bool(said.doubted("without a reading")), True, False),
    (S, ("doubt", "fine"), [], lambda: bool(said.doubted("not marked yet")), False, True),
    (S, ("no", "denies"), [], against("has not been approved by us", said.AROUND), True, False),
    (S, ("no", "once"), [], against("previously failed"), False, True),
    (S, ("no", "none"), ["zip"], against("zip failed"), True, False),
    (S, ("general", "rule"), [], against("condemned if wet"), False, True),
    (S, ("general", "report"), [], against("outlet would not pass"), True, False),
    (S, ("general", "around"), [], against("Every outlet that failed", said.AROUND), False, True),
    (S, ("general", "all"), [], lambda: outlet_names.speaks_of_all("P1 good, others condemned"), True, False),
    (S, ("general", "article"), [], against("A failed outlet", said.AROUND), False, True),
    (S, ("general", "plural"), [], against("failed outlets", said.AROUND), False, True),
    (S, ("general", "firm"), [], against("DO NOT USE before retested", said.AROUND), True, False),
    (S, ("general", "limits"), [], against("Failed limits", said.AROUND), False, True),
    (S, ("general", "legend"), [], against("Pass or fail"), False, True),
    (S, ("general", "pass"), [], against("Pass or fail"), False, True),
    (S, ("general", "monoxide"), [], lambda: stated.expiry_of("CO and CO2 tubes expire")[0], "co_tube_expiry", "co2_tube_expiry"),
    (S, ("general", "mended"), [], against("Failed valve replaced"), False, True),
    (S, ("general", "once"), [], against("ok once the dryer is mended"), True, False),
    (S, ("general", "few"), [], against("merely drew 4 strokes"), True, False),
    (S, ("general", "strokes"), [], against("merely drew 4 strokes"), True, False),
    (S, ("general", "counts"), [], against("merely drew four strokes"), True, False),
    (S, ("general", "due"), [], against("Failed lid to be changed"), True, False),
    (S, ("general", "again"), [], against("was shut off, condemned in May, back in service"), False, True),
    (S, ("general", "past"), [], against("was condemned in May, back in service"), False, True),
    (S, ("general", "open"), [], against("leaking, repaired by us tomorrow"), True, False),
    (S, ("alone", "record"), [], lambda: bool(said.titled("Log of failed outlets")), False, True),
    (S, ("general", "case"), [], against("in case of oil smell stop"), False, True),
    (S, ("general", "small"), [], against("the roof is leaking"), False, True),
    (S, ("general", "other"), [], against("roof is leaking"), False, True),
    (S, ("general", "optional"), [], against("Flow not tested"), False, True),
    (S, ("cold", "words"), [], lambda: stated.is_cold("Freezer work"), True, False),
    (S, ("cold", "without"), [], lambda: stated.is_cold("Dryer, coldest stage"), False, True),
    (S, ("pair", "source", "of"), ["tankt"], against("P2 tankt an Flaschen"), False, True),
    (S, ("pair", "source", "ill"), ["am ballon"], against("hing am Ballon"), False, True),
    (S, ("pair", "copied", "of"), ["gekritzelt"], against("gekritzelt nach Gefühl"), False, True),
    (S, ("pair", "copied", "ill"), ["vom mond"], against("Werte vom Mond"), False, True),
    (S, ("pair", "late", "of"), ["dran"], against("Patrone dran seit Mai"), False, True),
    (S, ("pair", "late", "ill"), ["anno"], against("Patrone fällig anno 20"), False, True),
    (S, ("pair", "paper", "of"), ["urkunde"], against("Urkunde einkassiert"), False, True),
    (S, ("pair", "paper", "ill"), ["zerknüllt"], against("Plakette zerknüllt"), False, True),
    (S, ("pair", "learner", "of"), ["stift"], against("vom Stift gemessen"), False, True),
    (S, ("pair", "learner", "ill"), ["gepinselt"], against("Lehrling hat gepinselt"), False, True),
    (S, ("pair", "sick", "of"), ["uns"], against("wir mussten uns hinlegen"), False, True),
    (S, ("pair", "sick", "ill"), ["krümmen"], against("musste sich krümmen"), False, True),
    (S, ("pair", "pending", "of"), ["urteil"], against("Urteil kommt erst"), False, True),
    (S, ("pair", "pending", "ill"), ["schläft"], against("Labor schläft"), False, True),
    (S, ("pair", "dew", "of"), ["tp"], against("TP plus 12"), False, True),
    (S, ("pair", "dew", "ill"), ["mollig"], against("Taupunkt mollig"), False, True),
    (S, ("apart", "called"), [], against("Filterschlüssel klemmt"), False, True),
    (S, ("apart", "words"), [], against("fail-safe valve"), False, True),
    (UN, ("after",), [], lambda: guess("CO after 10", "min").unit, None, "min"),
    *((CM, ("rule", at, name), new, lambda text=text: composed.composed(*text), composed.Composed(was, True), then)
      for at, name, new, text, was, then in (
          (0, "field", "airline_temperature_c", ("Min temp",), COLDEST,
           composed.Composed(("airline_temperature_c", AMBIENT), True)),
          (0, "or", [], ("Min temp",), COLDEST, composed.Composed(COLDEST[:1], True)),
          (0, "must", ["lowest", "temperature", "use"], ("Min temp",), COLDEST, None),
          (0, "may", ["use"], ("Min room temp",), COLDEST, None),
          (0, "unit", "flow", ("Min temp", "°C"), COLDEST, None),
          (0, "by_unit", "flow", ("Min room", "°C"), COLDEST, None),
          (0, "general", False, ("Min temp",), COLDEST, composed.Composed(COLDEST, False)))),
    (CM, ("rule", 6, "stated"), False, lambda: composed.composed("Ist", "L/min", stated=False), None,
     composed.Composed(("flow_l_min", "flow_needed_l_min"), True)),
    (CM, ("unit", "flow"), [], lambda: labels.column(0, "l/min").heading.general, True, False),
    (CM, ("unit", "pressure"), [], lambda: labels.column(0, "Bar").heading.general, True, False),
    (CM, ("filled_from_bar",), 300, lambda: settle.settled([labels.column(0, "Fülldruck bar")], {0: [250]})[0].field,
     "line_pressure_bar", ""),
    (UN, ("made",), [], lambda: may_be_done("Cal date"), True, False),
    (UN, ("rule", 3, "words"), ["oil"], lambda: len(choices("CO expires")()), 1, 6),
    (UN, ("rule", 3, "also"), ["oil"], lambda: len(choices("CO expires")()), 1, 6),
    (UN, ("rule", 3, "choices"), ["remarks"], choices("CO expires"), ("co_tube_expiry",), ("remarks",)),
    (UN, ("rule", 3, "stop"), False, lambda: len(choices("CO expires")()), 1, 6),
    (UN, ("rule", 10, "without"), ["earlier"], choices("previous CO"), (), ("co_ppm",)),
    (UN, ("rule", 11, "units"), ["flow"], choices("dew"), ("dew_point_measured_c",), ()),
    (UN, ("rule", 17, "only"), ABSENT, lambda: guess("Filling time (min)", "min").choices, (), ("oil_sampling_min",)),
    (S, ("odd", "ill"), ["wonky"], lambda: odd_ones("Seal", {1: "smashed", 2: "x"}), [1], []),
    (S, ("odd", "fine"), ["wonky"], lambda: odd_ones("Dial", {1: "sound", 2: "sound", 3: "red"}), [3], []),
    (S, ("odd", "free"), ["wonky"], lambda: odd_ones("Maker", {1: "green", 2: "green", 3: "red"}), [], [3]),
    (HU, ("words", "red"), ["carmine"], lambda: dict(colours.colour_key("red = shut")), {"red": "shut"}, {}),
    (HU, ("hues", "red"), [100, 110], lambda: "red" in colours.named_as("FF0000"), True, False),
    (HU, ("key", "beside"), [], lambda: dict(colours.colour_key("red cells = shut")), {"red": "shut"}, {}),
    (HU, ("key", "things"), [], lambda: dict(colours.colour_key("red outlets: shut")), {"red": "shut"}, {}),
    (HU, ("key", "others"), [], lambda: colours.colour_key("red = ok; others: shut").others, True, False),
    (HU, ("key", "not"), [], lambda: colours.colour_key("red = ok. Not red = shut").others, True, False),
    (HU, ("key", "means"), ["says"], lambda: dict(colours.colour_key("red means shut")), {"red": "shut"}, {}),
    (HU, ("key", "ill"), ["smoke"], lambda: meanings("red = Wasser gefunden"), {"red": "Wasser gefunden"}, {}),
    (SU, ("inert",), [], lambda: "argon" in _inert(), True, False),
    (SU, ("names",), ["unobtainium"], substance("Unobtainium"), False, True),
    (SU, ("other_thing",), ["helium"], substance("Helium"), True, False),
    (SU, ("units",), ["%"], substance("Whatever", "ppm"), True, False),
    (R, ("rows", "outlet_words"), ["kehraus"], lambda: rows.is_total("Kehraus"), False, True),
    (R, ("rows", "beside_outlet_words"), [], lambda: rows.is_total("Seite total"), True, False),
    (R, ("rows", "no_title_words"), ["pot"], lambda: sections.is_name("Blast pot"), True, False),
    (R, ("rows", "page_words"), ["leaf"], lambda: rows.is_remark("Leaf 2"), False, True),
    (R, ("rows", "rule_words"), ["en"], lambda: rows.is_rule("EN 12021"), True, False),
    (R, ("rows", "rule_names"), [], lambda: is_aside("EN 12021"), True, False),
    (R, ("rows", "aside_words"), [], lambda: is_aside("Span gas"), True, False),
    (R, ("rows", "aside_beside_words"), [], lambda: is_aside("Check gas bottle no. 2"), True, False),
    (R, ("rows", "ditto_words"), ["wie oben"], lambda: extract._repeated(["a", "wie oben"])[1], "wie oben", "a"),
    (R, ("rows", "signature_words"), ["paraphe"], lambda: rows.is_remark("paraphe A"), False, True),
    (R, ("rows", "visit_words"), ["runde"], lambda: dates.is_when("Runde 2"), False, True),
    (R, ("rows", "method_words"), ["womit"], lambda: across.is_method("Womit:"), False, True),
    (R, ("rows", "verdict_words"), ["prima"], lambda: settle._is_verdict("prima"), False, True),
    (R, ("rows", "sheet_words"), [], lambda: site_of_sheet.is_generic("Sheet1"), True, False),
    *((R, ("limits", key), new, comes_of(data, name, **limits), "read", then)
      for key, new, data, name, limits, then in (
          ("file_bytes", 2, book(), "log.xlsx", {}, "file_too_large"),
          ("text_bytes", 2, TEXT, "log.csv", {}, "file_too_large"),
          ("parts", 2, book(), "log.xlsx", {}, "bomb"),
          ("part_bytes", 2, book(), "log.xlsx", {"part_ratio": 1}, "bomb"),
          ("part_ratio", 1, book(), "log.xlsx", {"part_bytes": 2}, "bomb"),
          ("part_bytes_hard", 2, book(), "log.xlsx", {}, "bomb"),
          ("dense_cells", 2, TEXT, "log.csv", {}, "sheet_too_large"),
          ("sparse_cells", 2, book("X1048576"), "log.xlsx", {}, "sheet_too_large"),
          ("seconds_a_file", 1e-9, book(part="a.bin"), "log.xlsx", {"seconds_a_megabyte": 1e-9}, "timed_out"),
          ("seconds_a_megabyte", 1e-9, book(part="a.bin"), "log.xlsx", {"seconds_a_file": 1e-9}, "timed_out"),
          ("memory_bytes", 1, book(part="a.bin"), "log.xlsx", {}, "out_of_memory"))),
    *((R, ("limits", key), 1, processes, 1, 2) for key in ("small_files", "small_bytes")),
    (R, ("beside", "days"), 1, lambda: heard_from("Outlet;Found;Day\nA1;void;2026-03-20"), 1, 0),
    (R, ("suffixes", "refused"), [], found_of("a.xlsx", "b.fods"), 2, 1),
    (R, ("suffixes", "read"), [".csv"], lambda: find._is_spreadsheet("a.xlsx"), True, False),
    (R, ("suffixes", "text"), [], lambda: find._is_spreadsheet("a.csv"), False, True),
    (R, ("not_seen", "csv"), "x", lambda: process._not_seen("csv") == "x", False, True),
    (G, ("sheet", "Tubes", "name"), "Tuben", lambda: "Tubes" in anew(COLUMNS).REGISTER, True, False),
    (G, ("sheet", "Tubes", "needed"), ["parameter"], of_sheet("needed"), ("parameter", "tube_lot"), ("parameter",)),
    (G, ("sheet", "Tubes", "identity"), ["tube_lot"], of_sheet("identity"), ("parameter", "tube_lot"), ("tube_lot",)),
    (G, ("sheet", "Tubes", "columns"), ["tube_lot"], lambda: len(of_sheet("columns")()), 7, 1),
    (G, ("sheet", "Tubes", "several"), "received_on", of_sheet("several"), "", "received_on"),
    (G, ("column", "tube_expiry", "name"), "tube_end", stopped, "", "tube_expiry"),
    *((G, ("column", name, key), new, lambda name=name, key=key: getattr(anew(COLUMNS).REGISTER_FIELDS[name], key),
       was, new)
      for name, key, new, was in (
          ("tube_expiry", "heading", "Tube end", "Tube expiry"), ("tube_expiry", "kind", "text", "date"),
          ("tube_expiry", "expiry", False, True), ("every_hours", "floor", 9, 0), ("every_hours", "unit", "min", "h"))),
    (G, ("column", "every_months", "ceiling"), 9, lambda: anew(COLUMNS).REGISTER_FIELDS["every_months"].ceiling, 1200, 9),
    (G, ("words", "what", "outlet"), ["tap"], lambda: list(anew(COLUMNS).REGISTER_FIELDS["what"].words["outlet"]),
     ["point"], ["tap"]),
    (SC, ("supplies",), ["airline"], rule(f'{CO}\nmax = 3\nunit = "ppm"\nwhen = {{ supply = "cylinder" }}'),
     ("max", None, 3.0, "", ""), '[[limit]] 1 (Carbon monoxide), when, supply = "cylinder": not a word known here'),
    (SC, ("odour_words",), ["none"], rule('parameter = "Odour"\nallowed = ["slight"]'), ("words", None, None, "", ""),
     '[[limit]] 1 (Odour), allowed = "slight": not a word known here'),
    (SC, ("confidences",), ["own"], rule(f'{CO}\nmax = 3\nunit = "ppm"\nconfidence = "memory"'),
     ("max", None, 3.0, "", ""), '[[limit]] 1 (Carbon monoxide), confidence = "memory": not a word known here'),
    (SC, ("decision_rules",), [], rule(f'{CO}\nmax = 3\nunit = "ppm"\n[decision_rule]\nrule = "simple acceptance"'),
     ("max", None, 3.0, "", ""), 'decision_rule = "simple acceptance": not a word known here'),
    (SC, ("flag", "default"), 45.0, lambda: load_ruleset("en12021-2014").flag_percent("Oil"), 10.0, 45.0),
    (SC, ("spelling", "ml/m3"), "%", rule(f'{CO}\nmax = 3\nunit = "ml/m3"'), ("max", None, 3.0, "", ""),
     '[[limit]] 1 (Carbon monoxide), unit = "ml/m3": not a unit of this parameter'),
    *((SC, ("reference_state", key), new, lambda: round(rule_entry.water_ppm_to_mg_m3(18.0), 4), 0.7483, then)
      for key, new, then in (
          ("gas_constant_j_mol_k", 16.6, 0.3748), ("temperature_k", 273.15, 0.8031), ("pressure_pa", 9e4, 0.6646))),
    (H, ("fields", "co_ppm", "synonyms"), ["stinkgas"], heading("stinkgas"), None, "co_ppm"),
    (H, ("fields", "co_ppm", "abbreviations"), ["sg"], heading("sg"), None, "co_ppm"),
    (H, ("fields", "site", "loose"), ["irgendwo"], heading("irgendwo"), None, "site"),
    (H, ("unless", "lowest_use_temperature_c"), ["xyzzy"], heading("Lowest ambient temperature now"), None,
     "lowest_use_temperature_c"),
    (H, ("patterns", "tube_lot", "synonyms"), ["xyzzy {}"], heading("xyzzy co"), None, "co_tube_lot"),
    (H, ("patterns", "tube_lot", "loose"), ["xyzzy {}"], heading("xyzzy co"), None, "co_tube_lot"),
    (H, ("at_atmosphere", "dew_point_measured_c"), ["trockenpunkt"], heading("trockenpunkt (°C)"), None, "dew_point_measured_c"),
    (H, ("substances", "co"), ["stinkgas"], heading("stinkgas tube lot"), None, "co_tube_lot"),
    (H, ("ambiguous", "flow_l_min flow_needed_l_min"), ["xyzzy"], lambda: understand("xyzzy").candidates[:1],
     (), ("flow_l_min",)),
    *((H, ("others", name), ["xyzzy"], kind("xyzzy"), None, name)
      for name in ("unit", "limit", "verdict", "parameter", "value", "number", "earlier")),
    (H, ("words", "filler"), [], heading("measured oxygen reading"), "oxygen_pct", None),
    (H, ("words", "later"), [], lambda: labels.is_later("as left"), True, False),
    (H, ("words", "joining"), ["xyzzy"], lambda: understand("Oxygen xyzzy %").unit, None, "%"),
    (H, ("words", "condition"), ["xyzzy"], heading("dew point xyzzy 7 bar"), None, "dew_point_measured_c"),
    (H, ("words", "limit"), ["xyzzy"], lambda: "xyzzy" in limit_pattern().pattern, False, True),
    (H, ("words", "at_least"), ["xyzzy"], lambda: needs.side_of("xyzzy"), "", "least"),
    (H, ("words", "at_most"), ["xyzzy"], lambda: needs.side_of("xyzzy"), "", "most"),
    (H, ("words", "function"), ["xyzzy"], heading("date xyzzy test"), None, "test_date"),
    (H, ("words", "to"), [], lambda: labels.is_limit_text("19.5 to 23.5 %"), True, False),
    (H, ("words", "and"), [], lambda: outlet_names.of_more("Bay 2 and 3 shut"), True, False),
    (H, ("words", "or"), [], heading("Oil (stain or clear)"), "oil_mg_m3", None),
    (H, ("words", "other_thing"), [], lambda: "average" in word_keys("other_thing"), True, False),
    (H, ("words", "aside"), ["xyzzy"], lambda: coldest.is_aside("Xyzzy and hoses"), False, True),
    (H, ("words", "general"), [], lambda: understand("pressure").general, True, False),
    (H, ("parts", "place"), ["xyzzy"], lambda: composed.composed("Min xyzzy temp") is not None, False, True),
    (H, ("stems", "dew"), ["xyzzy*"], lambda: "dew" in classes_of("xyzzy point"), False, True),
    *((f"headings-{code}.toml", ("fields", "co_ppm", "synonyms"), ["xyzzy"],
       lambda code=code: understand("xyzzy").field, None, "co_ppm") for code in ("de", "fr")),
    *((SH, (*where, key), new, look(sheet, name, key), was, new)
      for where, sheet, name, keys in (
          (("columns", "Dew point margin (K)"), "", "Dew point margin (K)",
           {"width": (44, 9.5), "format": ("0", "0.00"), "keep": (False, True), "level": (0, 1), "most": (50, 0),
            "wrap": (True, False), "colour": ("words", ""), "align": ("left", "")}),
          (("patterns", "^Rows .*"), "", "Rows found",
           {"width": (44, 9), "format": ("0.0", "0"), "keep": (True, False), "level": (1, 0), "most": (50, 0),
            "wrap": (True, False), "colour": ("words", ""), "align": ("left", "")}),
          (("sheet", "Actions", "column", "Limit"), "Actions", "Limit",
           {"width": (44, 15), "format": ("0.0", ""), "keep": (True, False), "level": (1, 0), "most": (50, 0),
            "wrap": (False, True), "colour": ("words", ""), "align": ("right", "left")}))
      for key, (new, was) in keys.items()),
    (SH, ("columns", "Outlet", "heading"), "X", look("", "X", "most"), 0, 13.5),
    (SH, ("patterns", "^Rows .*", "match"), "^X$", look("", "X", "width"), 12, 9),
    (SH, ("row_format", "Water"), "0", lambda: sheets.row_format("Water"), "0.0", "0"),
    (SH, ("sheet", "Verdicts", "freeze"), 1, lambda: sheets.fixed_columns("Verdicts"), (4, 2), (1, 2)),
    (SH, ("sheet", "Verdicts", "repeat"), 1, lambda: sheets.fixed_columns("Verdicts"), (4, 2), (4, 1)),
    (SH, ("sheet", "Verdicts", "print_to"), "Site", lambda: sheets.printed_columns("Verdicts", ["Site", "Pressure verdict"]), 2, 1),
    (SH, ("sheet", "default", "pages"), 1, lambda: sheets.paper("Sites", [], 0, 20, [100] * 40).printed, 8, 4),
    (PA, ("style", "bad", "chart"), "#123456", lambda: "123456" in drawn(), False, True),
    (SH, ("sheet", "Trend", "row_pt"), 99, lambda: sheets.row_height_pt("Trend"), 15.5, 99),
    (SH, ("order",), ["Limits"], lambda: anew(COLUMNS).SHEET_ORDER[0], "Verdicts", "Limits"),
    (K, ("none",), ["egal"], lambda: len(work("egal")()), 9, 0),
    (K, ("not_done",), [], work("filter change recommended"), [], ["oil", "flow"]),
    (K, ("between",), ["/"], work("filter changed, dryer checked"), ["oil", "flow"], []),
    (K, ("part", "filter", "words"), ["sieb"], lambda: len(work("sieb neu")()), 9, 2),
    (K, ("part", "filter", "alone"), [], lambda: len(work("cartridge changed")()), 2, 9),
    (K, ("part", "filter", "ends"), ["Oil"], work("new filter"), ["oil", "flow"], ["oil"]),
    (C, ("order",), ["Oil"], lambda: actions_table(graded([{**AIRLINE, "co_ppm": 9, "oil_mg_m3": 2}])[0]).frame["Parameter"][0],
     "Carbon monoxide", "Oil"),
    (C, ("at_intake",), [], first("measure_intake_co", {"co_ppm": 9}, of="step", intake_co_ppm=8), False, True),
    (C, ("from_intake",), [], first("out_of_use_site", *BOTH, of="step"), True, False),
    (C, ("only_where_failed",), ["drain_and_filters"], first("drain_and_filters", {"oil_mg_m3": 0.49}, of="step"), True, False),
    (C, ("only_where_not_stated",), [], first("state_lowest_use", {"dryer": "none", "water_tube_mg_m3": 900}, of="step"),
     False, True),
    (C, ("level", "plant"), ["valve_leak_hot"], first("oil_overheated", *HERE), True, False),
    (C, ("level", "intake"), [], first("intake_exhaust", *BOTH), True, False),
    (C, ("level", "test"), [], first("tube_misread", *BOTH, place=1), True, False),
    (C, ("level", "point"), [], first("hose_oil", {"oil_mg_m3": 2}, {"outlet": "2"}), True, False),
    (C, ("origin", "intake", "first"), ["plant"], first("intake_exhaust", {"co_ppm": 9}, intake_co_ppm=8), True, False),
    (C, ("origin", "intake", "instead"), [], first("clear_intake", {"co_ppm": 9}, of="step", intake_co_ppm=8), True, False),
    (C, ("doubt_causes", "expired_tube"), ["slip"], first("slip", {}, co_tube_expiry=date(2025, 1, 1)), False, True),
    (C, ("kind_causes", "not_tested"), ["slip"], first("slip", {"co_ppm": None}), False, True),
    (C, ("scope", "Carbon monoxide", "parameter"), "Flow", out_of_use(co_ppm=9), 1, 0),
    (C, ("scope", "Carbon monoxide", "outlets"), 2, out_of_use(co_ppm=9), 1, 0),
    (C, ("scope", "Carbon monoxide", "scope"), "outlet", out_of_use(co_ppm=9), 1, 0),
    (C, ("scope", "Odour", "words"), ["slight"], out_of_use(odour="marked"), 1, 0),
    *((C, ("causes", ["refrigerant"], key), new, step, "read_dryer_dew_point", then) for key, new, then in (
        ("parameter", "Flow", "name_dryer"), ("direction", "low", "name_dryer"), ("supply", ["cylinder"], "name_dryer"),
        ("dryer", ["none"], "name_dryer"), ("check", ["x"], "x"))),
    (C, ("causes", "Carbon monoxide", "likely"), ["hose_smell"], first("hose_smell", {"co_ppm": 9}), False, True),
    (W, ("lot_sites",), 5, worn("State", *LOTS), "worse", "steady"),
    (W, ("lot_days",), 20, worn("State", *LOTS), "worse", "steady"),
    (W, ("line_visits",), 3, worn("Reaches limit on", *visits([1.0] * 8 + [1.5, 2.0, 2.5, 3.0, 3.02, 3.04])),
     "2027-08-01 00:00:00", "2027-05-31 00:00:00"),
    (W, ("dryer", "adsorbing_above_c"), -30.0, worn("State", *dew([-50.0] * 4 + [-34.0] * 2, "desiccant")), "worse", "steady"),
    (W, ("dryer", "refrigerant_risen_without_ambient_k"), 2.0, worn("State", *dew([3.0] * 5 + [8.0], "refrigerant")),
     "steady", "worse"),
    (M, ("limits", "most_cells"), 5, marked("up to 5 are copied"), False, True),
    (M, ("limits", "most_bytes"), 5, marked("up to 0.0 MB"), False, True),
    (M, ("limits", "most_marks"), 1, marked("could not be marked"), False, True),
    (M, ("limits", "most_in_a_comment"), 1, marked("1 more problems"), False, True),
    (M, ("parts", "xl/diagrams/"), "xyzzy", marked("xyzzy", "xl/diagrams/a.bin"), False, True),
    (M, ("pieces", "xl/worksheets/", "<f"), "xyzzy", marked("xyzzy"), False, True),
]
# fmt: on


def ids(turn: Turn) -> str:
    return f"{turn[0]} {'.'.join(map(str, turn[1]))}"


@pytest.mark.parametrize("turn", TURNS, ids=ids)
def test_a_key_turned_turns_what_it_says(turn):
    file, where, new, see, was, then = turn
    assert was != then and see() == was
    with turned(file, where, new):
        assert see() == then


# Key of wear.toml -> another value, and a column of the sheet Wear of the demo that moves with it.
WEAR: dict[str, tuple[Any, str]] = {
    "weight": (0.95, "Weighed change"),
    "slack": (5.0, "Since"),
    "fewest_older": (40, "State"),
    "recent_fewest": (1, "Usual"),
    "recent_most": (1, "Usual"),
    "recent_share": (1, "Usual"),
    "season_visits": (99, "Now"),
    "season_years": (99.0, "Now"),
    "season_prior_k": (1e-6, "Now"),
    "short_line_visits": (2, "Reaches limit on"),
    "years_ahead": (1, "Latest date"),
    "growth_scatter": (4.0, "Latest date"),
    "growth_early": (0.4, "Earliest date"),
    "growth_late": (0.5, "Latest date"),
    "bend_exponents": ([1.0, 1.0, 1.0, 1.0], "Latest date"),
    "bend_weights": ([1.0, 0.0, 0.0, 0.0], "Latest date"),
    "quickening_days": (9999, "Reaches limit on"),
    "way_least": (50.0, "State"),
    "way_worse": (50.0, "State"),
    "way_wearing_out": (0.01, "Wearing out"),
    "way_sure": (0.99, "Wearing out"),
    "dryer.adsorbing_risen_k": (0.1, "Note"),
    "dryer.desiccant_above_c": (-60.0, "Wearing out"),
    "dryer.refrigerant_risen_k": (0.1, "State"),
    "dryer.like_ambient_k": (-90.0, "Note"),
}


@pytest.mark.parametrize("key", WEAR)
def test_a_figure_of_early_warning_moves_what_it_says(key):
    new, column = WEAR[key]
    before = wear()
    with turned("wear.toml", key.split("."), new):
        after = wear()
    assert not before[column].equals(after[column]) and before["Readings"].equals(after["Readings"])


# Looks: file and key -> another value, by the workbook in which some part is another then.
BLANK: dict[tuple[str, ...], Any] = {
    ("font",): "Courier", ("default_size",): 12, ("heading_size",): 14, ("entry_size",): 14, ("long_text_size",): 7,
    ("long_texts",): [], ("row_height",): 30, ("heading_height",): 60, ("ruled_rows",): 60, ("spare_rows",): 70,
    ("rows_a_page",): 10, ("checked_rows",): 99, ("print_scale",): 50, ("readings_page_ends",): [], ("visit_widths",): [9] * 3,
    ("readme_widths",): [9, 9], ("register_rows",): 9, ("register_readme",): ["fill"], ("readme",): ["fill"],
    ("tall_visit_rows",): [], ("wanted",): [], ("few_need_from",): [],
    **{("colours", key): "#123456" for key in ("ink", "rule", "group_edge", "hint", "caution_fill", "caution_edge")},
    ("group", "gases", "name"): "water", ("group", "gases", "fill"): "#123456", ("group", "gases", "fields"): ["co_ppm"],
    ("widths", "default"): 33, ("register_widths", "site"): 44, ("range", "interval_months"): [1, 2],
    ("airline_ceiling", "line_pressure_bar"): 3, ("pick", "water_multiplier"): [1, 7], ("trade_words", "co_ppm"): ["nix"],
}  # fmt: skip
RESULT: dict[tuple[str, ...], Any] = {
    **{("style", "bad", key): "#123456" for key in ("fill", "text")}, ("style", "bad", "bold"): False,
    ("style", "warn", "mark"): "bold", ("words", "fail"): "good",
    **{("page", key): "#123456" for key in ("ink", "quiet", "line", "rule", "heading_fill", "tile_fill", "caution_fill",
                                           "caution_line", "link", "sparkline", "limit_line")},
    ("page", "font"): "Courier", ("page", "font_size"): 13, ("series", "colours"): ["#123456"] * 8,
}  # fmt: skip
OF_SHEETS: dict[tuple[str, ...], Any] = {("wrap_rows",): 1, ("date_format",): "dd", ("smallest_print_percent",): 95}
LOOKS = [(B, where, new) for where, new in BLANK.items()]
LOOKS += [(PA, where, new) for where, new in RESULT.items()] + [(SH, where, new) for where, new in OF_SHEETS.items()]


def parts(*books: bytes) -> list[dict[str, bytes]]:
    found = []
    for book in books:
        with zipfile.ZipFile(io.BytesIO(book)) as archive:
            found.append({name: archive.read(name) for name in archive.namelist()})
    return found


@cache
def small_result() -> Result:
    """A site with a trend, a near limit, a gap and charts."""
    with tempfile.TemporaryDirectory() as folder:
        for month in (1, 4, 7, 10):
            rows = [{**AIRLINE, "co_ppm": month * 0.6}, {**AIRLINE, "outlet": "2", "co_ppm": 4.8, "oil_mg_m3": None}]
            write_blank(Path(folder) / f"{month}.xlsx", visit={**VISIT, "test_date": date(2025, month, 14)}, rows=rows)
        result = grade(folder, as_of="2026-02-01")
    result.draw("North Works")
    return result


def workbooks(file: str) -> list[dict[str, bytes]]:
    """The parts of what looks as the file says: blank and register, or a result."""
    day = datetime(2026, 1, 1)
    if file == B:
        return parts(blank_bytes(visit=VISIT, hints={"co_ppm": "low"}, created=day), register_bytes(created=day))
    with tempfile.TemporaryDirectory() as folder:
        small_result().write(Path(folder) / "r.xlsx", created=day)
        return parts((Path(folder) / "r.xlsx").read_bytes())


as_it_is = cache(workbooks)


@pytest.mark.parametrize(("file", "where", "new"), LOOKS, ids=lambda x: ".".join(x) if isinstance(x, tuple) else None)
def test_a_look_turned_is_another_workbook(file, where, new):
    with turned(file, where, new):
        found = workbooks(file)
    assert found != as_it_is(file)


def keys_of(page: Any, where: str = "") -> Iterator[str]:
    """Every key of a page that holds a plain value, with those above it."""
    for key, below in page.items() if isinstance(page, dict) else dict.fromkeys(page.split(), "").items():
        yield from keys_of(below, f"{where}{key}.") if below else [f"{where}{key}"]


def key_of(file: str, where: Sequence[Any]) -> str:
    """The key of a page that a row turns: names of the data as `*`, without what only picks a table of a list."""
    page, found = PAGES[page_of(file)], []
    for step in where:
        below = page if isinstance(page, dict) else dict.fromkeys(page.split(), "")
        step = step if isinstance(step, str) and step in below else "*" if "*" in below else None
        if step is not None:
            found.append(step)
            page = below[step]
    return ".".join(found)


@pytest.mark.parametrize("file", PAGES)
def test_what_was_turned_is_turned_back(file):
    assert load_toml.__wrapped__(file) == load_toml(file)


def test_every_key_is_turned():
    rows = [(file, where) for file, where, *_ in [*TURNS, *LOOKS]] + [("wear.toml", key.split(".")) for key in WEAR]
    left = {file: set(keys_of(page)) for file, page in PAGES.items()}
    for file, where in rows:
        left[page_of(file)].discard(key_of(file, where))
    assert {file: keys for file, keys in left.items() if keys} == {}


# -- keys of a rule file -------------------------------------------------------------------------------------

# Places of a rule file, by the list of keys that may stand there: what stands there already.
PLACES = {
    "_TOP_KEYS": 'id = "own"\ndocument = "D"\nedition = "1"\n',
    "_LIMIT_KEYS": '[[limit]]\nparameter = "Dew point margin"\nmin = 4.0\nunit = "K"\nclause = "1"\nconfidence = "single"\n',
    "gas": '[[limit]]\nparameter = "Carbon monoxide"\nmax = 60.0\nunit = "ppm"\nclause = "1"\nconfidence = "single"\n',
    "odour": '[[limit]]\nparameter = "Odour"\nclause = "2"\nconfidence = "single"\nallowed = ["none"]\n',
    "_NOT_COVERED_KEYS": '[[not_covered]]\nsubstance = "ozone"\nconfidence = "single"\n',
    "_SUBSTANCE_KEYS": '[[substance]]\nname = "ozone"\nmax = 1.0\nunit = "ppm"\nconfidence = "single"\n',
}
# Place -> key -> a line of it.
IN_RULES = {
    "_TOP_KEYS": {
        "id": 'id = "x"', "family": 'family = "x"', "aliases": 'aliases = ["x"]', "document": 'document = "x"',
        "title": 'title = "x"', "edition": 'edition = "2"', "rule_version": 'rule_version = "2"',
        "in_force_from": "in_force_from = 2020-01-01", "superseded_from": "superseded_from = 2021-01-01",
        "superseded_by": 'superseded_by = "x"', "extends": 'extends = "en12021-2014"', "demanded": 'demanded = ["Oil"]',
        "supplies": 'supplies = ["airline"]', "information_only": "information_only = true",
        "interval_months": "interval_months = 6", "interval_basis": 'interval_basis = "x"', "note": 'note = "x"',
        "decision_rule": 'decision_rule = "guarded acceptance"', "uncertainty": 'uncertainty = { "Oil" = 0.1 }',
        "flag": "flag = { default = 20 }", "why": 'why = { demanded = "x" }',
    },
    "_LIMIT_KEYS": {
        "class": 'class = "1"', "min": "min = 5.0", "unit": 'unit = "°F"',
        "at": 'at = "1 atm"', "reference": 'reference = "ambient"', "when": 'when = { over_bar = 7 }', "clause": 'clause = "x"',
        "confidence": 'confidence = "confirmed"', "basis": 'basis = "x"', "note": 'note = "x"', "why": 'why = "x"',
    },
    "gas": {"parameter": 'parameter = "Carbon dioxide"', "kind": 'kind = "min"', "max": "max = 2.0"},
    "odour": {"allowed": 'allowed = ["none", "slight"]', "near": 'near = ["slight"]'},
    "_NOT_COVERED_KEYS": {
        "substance": 'substance = "x"', "min": "min = 1.0", "max": "max = 2.0", "unit": 'unit = "ppm"',
        "clause": 'clause = "x"', "confidence": 'confidence = "confirmed"', "note": 'note = "x"',
    },
    "_SUBSTANCE_KEYS": {
        "name": 'name = "x"', "max": "max = 2.0", "unit": 'unit = "ppb"', "clause": 'clause = "x"',
        "confidence": 'confidence = "confirmed"', "note": 'note = "x"',
    },
}  # fmt: skip


def parsed(place: str = "", line: str = "") -> rule_file.RuleFile | str:
    """The rule file with one more line in a place, or with that line for the one of its key; or what is wrong with it."""
    text = ""
    for name, there in PLACES.items():
        key = line.partition(" = ")[0] if name == place else None
        kept = [old for old in there.splitlines() if old.partition(" = ")[0] != key]
        text += "\n".join([*kept, line if name == place else ""]) + "\n"
    try:
        return rule_file.parse(text, "own.toml")
    except rule_file.RuleFileError as error:
        return error.messages[0]


@pytest.mark.parametrize(("place", "key"), [(place, key) for place, keys in IN_RULES.items() for key in keys])
def test_a_key_of_a_rule_file_says_something(place, key):
    found = parsed(place, IN_RULES[place][key])
    if key == "kind":  # follows from min and max, and is held against them
        assert 'kind = "min": not a word known here' in str(found)
    else:
        assert isinstance(found, rule_file.RuleFile) and found != parsed()


def test_every_key_of_a_rule_file_has_a_line():
    there = {place: set(keys) for place, keys in IN_RULES.items()}
    assert there["_TOP_KEYS"] | {"limit", "substance", "not_covered"} == set(rule_file._TOP_KEYS)
    assert there["_LIMIT_KEYS"] | there["gas"] | there["odour"] == set(rule_entry._LIMIT_KEYS)
    for name in ("_NOT_COVERED_KEYS", "_SUBSTANCE_KEYS"):
        assert there[name] == set(getattr(rule_file, name))


@pytest.mark.parametrize("line", ['supply = "airline"', "over_bar = 7", "to_bar = 9", 'temperature = "known"'])
def test_a_key_of_a_condition_says_something(line):
    found = parsed("_LIMIT_KEYS", f"when = {{ {line} }}")
    assert isinstance(found, rule_file.RuleFile) and found != parsed()
    assert line.partition(" = ")[0] in rule_entry._WHEN_KEYS and len(rule_entry._WHEN_KEYS) == 4
