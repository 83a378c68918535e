"""The blank workbook: for writing readings down at the outlets. It holds no formulas and no verdicts.

Headings and labels come from data/fields.toml, the look and the checks from data/blank.toml, the texts from
data/words/<language>-blank.toml. Checks ask and let the entry stand, so that `<5` or `stain` can be written.
"""

from __future__ import annotations

import io
import math
import os
import secrets
from collections.abc import Mapping, Sequence
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any

import xlsxwriter
from xlsxwriter.format import Format
from xlsxwriter.utility import xl_rowcol_to_cell
from xlsxwriter.worksheet import Worksheet

from grader.columns import FIELDS, PARAMETERS, READING_FIELDS, VISIT_FIELDS, Field
from grader.data import load_toml, names
from grader.page import Page, sum_of_texts
from grader.problems import GraderError
from grader.words import DEFAULT_LANGUAGE, words
from grader.write.measure import wrapped_lines
from grader.write.page import UNITS_ACROSS as OUT_OF_SIGHT
from grader.write.page import write_page
from grader.write.styles import Styles, book_options
from grader.write.values import clean_text

DEFAULT_CREATED = datetime(2026, 1, 1)
A4 = 9
LAST_TIME = "last_time"
# Lengths that the file format allows for a list, a check's formula, a message, and a header or footer.
LONGEST_LIST, LONGEST_FORMULA, LONGEST_MESSAGE, LONGEST_HEADER = 255, 255, 255, 255
ONE_PAGE_PT = 700.0  # of the sheet for the reader: made smaller, to 70 % at least, it is one page
_ODD, _DATE, _TIME, _MOMENT = "General", "yyyy-mm-dd", "hh:mm", "yyyy-mm-dd hh:mm"
_BETWEEN = {"date": ("date", date(2000, 1, 1), date(2099, 12, 31)), "time": ("decimal", 0, 1)}  # checks of cells
_SHOWN = {"text": "@", "date": _DATE, "time": _TIME}  # number format of each kind of field


def write_blank(path: str | os.PathLike[str], *, overwrite: bool = False, **filled: Any) -> None:
    """Write the blank workbook, empty or with values filled in.

    path    : where to write the .xlsx. An existing file, which may hold readings, is left alone unless `overwrite`.
    filled  : what it is filled in with, as for `blank_bytes`.
    Raises  : GraderError where the file exists, its folder does not, or it cannot be written; else as `blank_bytes`.
    """
    target = new_file(path, "readings", overwrite)
    put_file(target, blank_bytes(**filled))


def new_file(path: str | os.PathLike[str], holding: str, overwrite: bool = False) -> Path:
    """Where a workbook to be filled in may go. holding : what an existing file may hold.

    Raises : GraderError where the file exists (and not `overwrite`), or its folder does not.
    """
    target = Path(path)
    if target.exists() and not overwrite:
        raise GraderError(f"{target} exists already and may hold {holding}: choose another name, or move it away.")
    if not target.resolve().parent.is_dir():
        raise GraderError(f"{target.resolve().parent} is not a folder: make it first, or write elsewhere.")
    return target


def put_file(target: Path, content: bytes) -> None:
    """The bytes into a file, whole or not at all. Raises GraderError where it cannot be written."""
    part = target.with_name(f".{target.name}.{secrets.token_hex(4)}.part")
    try:
        part.write_bytes(content)
        os.replace(part, target)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise GraderError(f"{target} could not be written: {error.strerror or error}.") from error


def blank_bytes(
    *,
    visit: Mapping[str, Any] | None = None,
    rows: Sequence[Mapping[str, Any]] | None = None,
    notes: Sequence[Mapping[str, str]] | None = None,
    hints: Mapping[str, str] | None = None,
    last_time: Page | None = None,
    language: str = DEFAULT_LANGUAGE,
    created: datetime | None = None,
    rule_sets: Sequence[str] | None = None,
) -> bytes:
    """The blank workbook as the bytes of an .xlsx file.

    visit     : field name -> value, for the sheet Visit.
    rows      : one mapping of field name -> value an outlet, for the sheet Readings. A field that the blank
                has no column for (a label of Visit, the water content) gets one at the right.
    notes     : for each row in turn, field name -> text of a note on that cell.
    hints     : field name -> a sentence to stand beside it, on Visit and as the message of its cells on Readings; it
                is printed at the foot of Readings.
    last_time : page of a further sheet, behind the readings.
    language  : of the texts; headings, labels and words to pick from stay English.
    created   : date in the document's properties, default 2026-01-01, so that two writes are equal.
    rule_sets : ids to pick from, default those that come with the program.
    Values    : int, float, str, bool, date, datetime, time, timedelta; None and NaN are blank. A str stays
                text (`<5`, `007`, `=A1`).
    Raises    : KeyError for an unknown field or language; TypeError for a value of another kind; ValueError for more
                notes than rows, or a text too long for a cell.
    """
    visit, rows, notes = visit or {}, rows or [], notes or []
    for mapping in (visit, *rows, *notes, hints or {}):
        for name in mapping:
            if name not in FIELDS:
                raise KeyError(f"{name!r} is no field of the blank")
    for name in visit:
        if name not in VISIT_FIELDS:
            raise KeyError(f"{name!r} is not on the sheet Visit")
    if len(notes) > len(rows):
        raise ValueError(f"{len(notes)} rows of notes for {len(rows)} rows of readings")
    buffer, book = new_book()
    blank = Blank(book, words(language), rule_set_ids() if rule_sets is None else list(rule_sets))
    blank.hints = dict(hints or {})
    blank.properties(language, created or DEFAULT_CREATED)
    blank.visit_sheet(visit)
    blank.readings_sheet(visit, rows, notes)
    if last_time is not None:
        blank.last_time_sheet(last_time, visit)
    blank.guide()
    book.close()
    return buffer.getvalue()


def new_book() -> tuple[io.BytesIO, xlsxwriter.Workbook]:
    """A workbook in memory, in which a text stays a text, and the buffer that holds its bytes once it is closed."""
    buffer = io.BytesIO()
    look = load_toml("blank.toml")
    font = {"font_name": look["font"], "font_size": look["default_size"]}
    options = book_options(in_memory=True, nan_inf_to_errors=False, default_format_properties=font)
    return buffer, xlsxwriter.Workbook(buffer, options)


def rule_set_ids() -> list[str]:
    """Ids of the rule sets that a visit may name, from data/rules; those for information only are left out.

    >>> "en12021-2014" in rule_set_ids(), "iso8573-1-2010" in rule_set_ids()
    (True, False)
    """
    files = [name for name in names("rules") if not name.startswith("_")]
    sets = [load_toml(f"rules/{name}") for name in files]
    return [rules["id"] for rules in sets if not rules.get("information_only", False)]


def readings_columns(rows: Sequence[Mapping[str, Any]], notes: Sequence[Mapping[str, str]] = ()) -> list[Field]:
    """Columns of Readings: those of the blank, then any further field that the rows or notes use.

    What marks an outlet that failed last time stands beside its name.

    >>> [f.heading for f in readings_columns([{"test_date": None, "last_time": "fail"}])][::33]
    ['Outlet', 'Test date']
    """
    used = {name for mapping in (*rows, *notes) for name in mapping}
    beside = [LAST_TIME] if LAST_TIME in used else []
    further = [name for name in FIELDS if name in used and name not in (*READING_FIELDS, LAST_TIME)]
    return [FIELDS[name] for name in (READING_FIELDS[0], *beside, *READING_FIELDS[1:], *further)]


def number_check(cell: str, field: Field, supply_cell: str = "") -> str:
    """Formula of the check on a number cell: a number in the usual range, a bound, or a word of the trade.

    cell        : address of the first cell checked, for example "L2".
    supply_cell : address of that row's Supply, where an airline has a lower upper end.
    Returns     : str, at most 255 characters. A unit behind the number and a comma or point are let through.

    >>> number_check("B2", FIELDS["interval_months"])[:43]
    '=IF(ISNUMBER(B2),AND(B2>=1,B2<=60),OR(ISNUM'
    """
    look = load_toml("blank.toml")
    low, high = usual_range(field)
    top = f"{high:g}"
    if supply_cell and field.name in look["airline_ceiling"]:
        top = f'IF({supply_cell}="airline",{look["airline_ceiling"][field.name]:g},{high:g})'
    texts = look["trade_words"].get(field.name, look["trade_words"]["default"])
    bare = f'SUBSTITUTE(SUBSTITUTE({cell},",",""),".","")'
    if field.unit:
        bare = f'SUBSTITUTE({bare},"{field.unit}","")'
    return (
        f"=IF(ISNUMBER({cell}),AND({cell}>={low:g},{cell}<={top}),"
        f'OR(ISNUMBER(FIND(LEFT({cell}),"<>≤≥")),'
        f'ISNUMBER(FIND(";"&LOWER({cell})&";",";{";".join(texts)};")),'
        f"ISNUMBER(VALUE({bare}))))"
    )


def usual_range(field: Field) -> tuple[float, float]:
    """Usual range of a number field, in its unit: of the parameter it is, else from data/blank.toml."""
    for parameter in PARAMETERS.values():
        if parameter.column == field.name and parameter.plausible:
            return parameter.plausible
    low, high = load_toml("blank.toml")["range"].get(field.name, (field.floor or 0, field.ceiling or 1e6))
    return low, high


class Form:
    """A workbook to be filled in, being made: its look, formats, cells, checks and tables."""

    section = "blank"  # of the words

    def __init__(self, book: xlsxwriter.Workbook, texts: Mapping[str, Any], rule_sets: list[str]) -> None:
        self.book, self.words, self.rule_sets = book, texts, rule_sets
        self.text: dict[str, str] = {**texts["blank"], **texts[self.section]}
        self.look = load_toml("blank.toml")
        self.colours: dict[str, str] = self.look["colours"]
        self.group = {name: group for group in self.look["group"] for name in group["fields"]}
        self.widths: dict[str, int] = {**self.look["widths"], **self.look.get(f"{self.section}_widths", {})}
        self.formats: dict[tuple[tuple[str, Any], ...], Format] = {}
        self.hints: dict[str, str] = {}

    # -- formats ------------------------------------------------------------------------------------------

    def format(self, **more: Any) -> Format:
        """A cell format, made once for each look."""
        look = {"font_name": self.look["font"], "font_size": self.look["entry_size"], "valign": "vcenter"}
        look |= {"font_color": self.colours["ink"], **more}
        key = tuple(sorted(look.items()))
        if key not in self.formats:
            self.formats[key] = self.book.add_format(look)
        return self.formats[key]

    def ruled(self, **more: Any) -> Format:
        """A cell format with thin rules round it."""
        return self.format(border=1, border_color=self.colours["rule"], **more)

    def heading(self, field: Field, on_visit: bool, begins: bool) -> Format:
        """Format of a heading or label: its group's tint, bold where wanted, a dark edge at a new group."""
        look: dict[str, Any] = {
            "font_size": self.look["heading_size"],
            "text_wrap": True,
            "bg_color": self.group_fill(field),
            "bold": field.name in self.look["wanted"],
        }
        look |= {"indent": 1} if on_visit else {"align": "center"}
        edge = "top" if on_visit else "left"
        look |= {edge: 2, f"{edge}_color": self.colours["group_edge"]} if begins else {}
        return self.ruled(**look | self.line(field, on_visit))

    def line(self, field: Field, on_visit: bool) -> dict[str, Any]:
        """A thick line before the first field of those that few visits need."""
        if field.name not in self.look["few_need_from"]:
            return {}
        edge = "top" if on_visit else "left"
        return {edge: 5, f"{edge}_color": self.colours["group_edge"]}

    def entry(self, field: Field, value: Any, on_visit: bool) -> Format:
        """Format of a cell to write in: text as text, so that zeros in front stay; dates as 2026-03-31."""
        num_format = _SHOWN.get(field.kind, _ODD)
        if isinstance(value, datetime):
            num_format = _MOMENT if (value.hour, value.minute, value.second) != (0, 0, 0) else _DATE
        elif isinstance(value, date):
            num_format = _DATE
        elif isinstance(value, (time, timedelta)):
            num_format = _TIME
        elif isinstance(value, (int, float)):
            num_format = _ODD
        size = self.look["long_text_size" if field.name in self.look["long_texts"] else "entry_size"]
        if isinstance(value, str) and field.kind == "text" and not on_visit:  # a long name is small, not cut off
            room_px = self.widths.get(field.name, self.widths["default"]) * 7 - 12
            sizes = [s for s in (size, 9, 8, 7) if s <= size]
            fits = (s for s in sizes if wrapped_lines(value, room_px, s) * s * 1.22 <= self.look["row_height"])
            size = next(fits, 6)
        aside = {"align": "left", "indent": 1} if on_visit or field.kind == "text" else {"align": "center"}
        aside |= {"bold": True, "bg_color": self.colours["caution_fill"]} if field.name == LAST_TIME and value else {}
        aside |= self.line(field, on_visit)
        return self.ruled(num_format=num_format, font_size=size, text_wrap=field.kind == "text", **aside)

    def group_fill(self, field: Field) -> str:
        """Tint of the field's group; white where it has none."""
        return self.group[field.name]["fill"] if field.name in self.group else "#FFFFFF"

    # -- cells --------------------------------------------------------------------------------------------

    def put(self, sheet: Worksheet, row: int, column: int, value: Any, look: Format) -> None:
        """Write one value in the cell's own kind; what cannot be written so is an error, never left out."""
        place = f"{sheet.get_name()}!{xl_rowcol_to_cell(row, column)}"
        if value is None or (isinstance(value, float) and math.isnan(value)):
            code = sheet.write_blank(row, column, None, look)
        elif isinstance(value, str):
            code = sheet.write_string(row, column, value, look)
        elif isinstance(value, bool):
            code = sheet.write_boolean(row, column, value, look)
        elif isinstance(value, (int, float)):
            code = sheet.write_number(row, column, value, look)
        elif isinstance(value, (date, time, timedelta)):  # a datetime is a date
            code = sheet.write_datetime(row, column, value, look)
        else:
            raise TypeError(f"{place}: {type(value).__name__} {value!r} cannot be written in a cell")
        if code:
            raise ValueError(f"{place}: {str(value)[:60]!r} is too long or outside the sheet")

    def check(
        self, sheet: Worksheet, field: Field, row: int, column: int, last_row: int, supply_cell: str = ""
    ) -> None:
        """The list or check of a field's cells, and on Readings the message shown while one is selected."""
        rule: dict[str, Any] = {"validate": "any"}
        texts = self.text
        if field.kind == "word":
            rule = self.pick(list(field.words), texts["not_a_word"])
        elif field.name == "rule_set" and self.rule_sets:
            rule = self.pick(self.rule_sets, texts["not_a_rule_set"])
        elif field.name in self.look["pick"]:
            rule = self.pick([f"{n:g}" for n in self.look["pick"][field.name]], texts["not_picked"])
        elif field.kind == "number":
            low, high = usual_range(field)
            formula = number_check(xl_rowcol_to_cell(row, column), field, supply_cell)
            airline = self.look["airline_ceiling"].get(field.name)
            known = ", ".join(["<5", *self.look["trade_words"].get(field.name, ["n/a"])[:2]])
            message = texts["not_usual_airline" if airline and supply_cell else "not_usual"].format(
                low=f"{low:g}", high=f"{high:g}", unit=field.unit, airline=airline, texts=known
            )
            rule = {"validate": "custom", "value": formula, "error_message": message}
            if len(formula) > LONGEST_FORMULA:
                raise ValueError(f"the check of {field.heading} is longer than a sheet allows")
        elif field.kind in _BETWEEN:
            validate, first, last = _BETWEEN[field.kind]
            rule = {"validate": validate, "criteria": "between", "minimum": first, "maximum": last}
            rule["error_message"] = texts[f"not_a_{field.kind}"]
        if "error_message" in rule:
            rule |= {"error_type": "warning", "error_title": texts["look_again"]}
        message = self.message(sheet, field)
        if message:
            rule |= {"input_title": field.heading[:32], "input_message": message}
        if rule == {"validate": "any"}:
            return
        for key in ("error_message", "input_message"):
            if len(rule.get(key, "")) > LONGEST_MESSAGE:
                raise ValueError(f"the message of {field.heading} is longer than a sheet allows")
        if sheet.data_validation(row, column, last_row, column, rule):
            raise ValueError(f"the check of {field.heading} was not taken")

    @staticmethod
    def pick(choices: list[str], message: str) -> dict[str, Any]:
        """A drop-down list; where the choices are too long for one, no list at all."""
        if len(",".join(choices)) > LONGEST_LIST:
            return {"validate": "any"}
        return {"validate": "list", "source": choices, "error_message": message.format(words=", ".join(choices))}

    def message(self, sheet: Worksheet, field: Field) -> str:
        """What is shown while a cell of that field is selected."""
        return str(self.words[f"{self.section}_input"].get(field.name, ""))

    # -- sheets -------------------------------------------------------------------------------------------

    def properties(self, language: str, created: datetime) -> None:
        """Document properties. `grader-kind` is not among them: what is filled in is read as an input."""
        self.book.set_properties({"title": self.text["title"], "subject": self.text["subject"], "created": created})
        self.book.set_custom_property("Language", language)

    def paper(self, sheet: Worksheet, middle: str = "", right: str = "", below: str = "") -> None:
        """A4 landscape with the title, and what else is given, above and the page count below."""
        sheet.set_landscape()
        sheet.set_paper(A4)
        sheet.set_margins(left=0.4, right=0.4, top=0.75, bottom=0.65)
        sides = [part.replace("&", "&&") for part in (self.text["title"], middle, right)]
        header = "&L&10{}&C&10{}&R&10{}".format(*sides)
        footer = "&L&9{}&R&9{}".format(
            " ".join(filter(None, (below, self.text["footer"]))).replace("&", "&&"),
            self.text["page_line"].format(page="&P", pages="&N"),
        )
        for line in (header, footer):
            if len(line) > LONGEST_HEADER:
                raise ValueError(f"header or footer is longer than a sheet allows: {line}")
        sheet.set_header(header)
        sheet.set_footer(footer)

    def table(
        self,
        sheet: Worksheet,
        fields: Sequence[Field],
        rows: Sequence[Mapping[str, Any]],
        notes: Sequence[Mapping[str, str]],
        ruled_rows: int,
    ) -> int:
        """Headings in row 1 with their checks, ruled rows to write in, filled where given; the last ruled row."""
        ready = max(self.look["rows_a_page"] if rows else ruled_rows, len(rows) + self.look["spare_rows"])
        checked = max(self.look["checked_rows"], ready)
        order = [f.name for f in fields]
        supply_cell = xl_rowcol_to_cell(1, order.index("supply"), col_abs=True) if "supply" in order else ""
        before = ""
        sheet.set_row(0, self.look["heading_height"])
        for column, field in enumerate(fields):
            width = self.widths.get(field.name, self.widths["default"])
            sheet.set_column(column, column, width, self.format(num_format=_SHOWN.get(field.kind, _ODD)))
            group = self.group.get(field.name, {}).get("name", "")
            self.put(sheet, 0, column, field.heading, self.heading(field, False, group != before))
            before = group
            self.check(sheet, field, 1, column, checked, supply_cell)
        empty: dict[str, Any] = {}
        for index in range(ready):
            sheet.set_row(index + 1, self.look["row_height"])
            filled = rows[index] if index < len(rows) else empty
            for column, field in enumerate(fields):
                value = filled.get(field.name)
                self.put(sheet, index + 1, column, value, self.entry(field, value, False))
            for name, note in (notes[index] if index < len(notes) else empty).items():
                self.note(sheet, index + 1, order.index(name), note)
        sheet.freeze_panes(1, 1)
        sheet.set_selection(1, 0, 1, 0)
        sheet.ignore_errors({"number_stored_as_text": f"A2:{xl_rowcol_to_cell(checked, len(fields) - 1)}"})
        sheet.repeat_rows(0)
        sheet.repeat_columns(0)
        sheet.print_area(0, 0, ready, len(fields) - 1)
        return ready

    @staticmethod
    def note(sheet: Worksheet, row: int, column: int, text: str) -> None:
        """A note on a cell, in a box that its text fills."""
        if not text:
            return
        lines = sum(1 + len(line) // 34 for line in text.split("\n"))
        box = {"author": "grader", "x_scale": 1.9, "height": 18 + 17 * lines, "font_size": 10}
        if sheet.write_comment(row, column, text, box):
            raise ValueError(f"the note on {xl_rowcol_to_cell(row, column)} is too long")

    def reader_sheet(
        self,
        parts: Sequence[tuple[str, Sequence[Sequence[str]], bool, Sequence[str]]],
        about: tuple[str, str] = ("", ""),
    ) -> None:
        """The sheet for the reader. parts : heading, (term, text) each, whether a caution, tint of each term or ()."""
        sheet = self.book.add_worksheet(self.text["readme_sheet"])
        self.paper(sheet, *about)
        widths = self.look["readme_widths"]
        for column, width in enumerate(widths):
            sheet.set_column(column, column, width)
        size = self.look["heading_size"]
        head = self.format(bold=True, font_size=size + 2, bottom=1, bottom_color=self.colours["group_edge"])
        self.put(sheet, 0, 0, self.text["title"], self.format(bold=True, font_size=size + 5))
        sheet.set_row(0, 28)
        row, used_pt = 1, 28.0
        for title, lines, caution, fills in parts:
            sheet.set_row(row, 10)
            row += 1
            self.put(sheet, row, 0, title, head)
            self.put(sheet, row, 1, None, head)
            sheet.set_row(row, 24)
            row, used_pt = row + 1, used_pt + 34.0
            ground = {"bg_color": self.colours["caution_fill"]} if caution else {}
            edge = {"left": 5, "left_color": self.colours["caution_edge"]} if caution else {}
            for number, (term, text) in enumerate(lines):
                tint = {"bg_color": fills[number]} if fills else ground
                top = {"font_size": size, "text_wrap": True}
                self.put(sheet, row, 0, term, self.format(bold=True, indent=1, **top, **tint, **edge))
                self.put(sheet, row, 1, text, self.format(**top, **ground, indent=1))
                height_pt = 4 + 15 * max(_lines(term, widths[0]), _lines(text, 1.1 * widths[1]))
                sheet.set_row(row, height_pt)
                row, used_pt = row + 1, used_pt + height_pt
        sheet.print_area(0, 0, row - 1, 1)
        sheet.fit_to_pages(1, 1 if used_pt < ONE_PAGE_PT else 2)
        sheet.hide_gridlines(2)


class Blank(Form):
    """The blank workbook: Visit, Readings, and the sheet for the reader."""

    def message(self, sheet: Worksheet, field: Field) -> str:
        """On Readings only: beside a label of Visit stands what is meant."""
        if sheet.get_name() != "Readings":
            return ""
        return "\n".join(filter(None, (super().message(sheet, field), self.hints.get(field.name, ""))))

    def about(self, visit: Mapping[str, Any]) -> tuple[str, str]:
        """Site and date, or lines to write them on, for the head of a page."""
        day = visit.get("test_date")
        site = self.text["site_line"].format(site=str(visit.get("site") or self.text["open_line"])[:80])
        return site, self.text["date_line"].format(date=str(day)[:10] if day else self.text["open_line"])

    def visit_sheet(self, visit: Mapping[str, Any]) -> None:
        """Sheet Visit: label in column A, value in column B, what is meant in column C."""
        sheet = self.book.add_worksheet("Visit")
        self.paper(sheet, *self.about(visit))
        for column, width in enumerate(self.look["visit_widths"]):
            sheet.set_column(column, column, width)
        quiet = {"font_color": self.colours["hint"]}
        hint = self.format(font_size=self.look["heading_size"], text_wrap=True, indent=1, **quiet)
        before, row = "", -1
        for name in VISIT_FIELDS:
            field, row = FIELDS[name], row + 1
            if name in self.look["few_need_from"]:  # no label of it is a field's, and no value stands beside it
                sheet.set_row(row, self.look["row_height"] * 0.88)
                self.put(sheet, row, 0, self.text["few_need"], self.format(italic=True, **quiet))
                row += 1
            begins = self.group.get(name, {}).get("name", "") != before
            before = self.group.get(name, {}).get("name", "")
            tall = name in self.look["tall_visit_rows"]
            sheet.set_row(row, self.look["row_height"] * (1.6 if tall else 0.88))
            self.put(sheet, row, 0, field.heading, self.heading(field, True, begins and row > 0))
            self.put(sheet, row, 1, visit.get(name), self.entry(field, visit.get(name), True))
            beside = " ".join(filter(None, (self.words["blank_hint"].get(name, ""), self.hints.get(name, ""))))
            self.put(sheet, row, 2, beside or None, hint)
            self.check(sheet, field, row, 1, row)
        last = row + 1
        sheet.ignore_errors({"number_stored_as_text": f"B1:B{last}"})
        sheet.print_area(0, 0, last - 1, 2)
        sheet.fit_to_pages(1, 1)
        sheet.set_selection(0, 1, 0, 1)
        sheet.activate()

    def readings_sheet(
        self, visit: Mapping[str, Any], rows: Sequence[Mapping[str, Any]], notes: Sequence[Mapping[str, str]]
    ) -> None:
        """Sheet Readings: headings in row 1, one row an outlet, ruled rows to write in."""
        sheet = self.book.add_worksheet("Readings")
        hints = dict.fromkeys(text for name, text in self.hints.items() if name in READING_FIELDS)
        self.paper(sheet, *self.about(visit), below=" ".join(hints))
        fields = readings_columns(rows, notes)
        ready = self.table(sheet, fields, rows, notes, self.look["ruled_rows"])
        sheet.set_print_scale(self.look["print_scale"])
        order = [f.name for f in fields]
        sheet.set_v_pagebreaks([order.index(name) + 1 for name in self.look["readings_page_ends"]])
        a_page = self.look["rows_a_page"]
        sheet.set_h_pagebreaks(list(range(a_page + 1, ready + 1, a_page)))
        sheet.print_across()

    def last_time_sheet(self, page: Page, visit: Mapping[str, Any]) -> None:
        """Sheet Last time, with the sum of its texts beside the title: the reader passes it over, and sees a cell written in."""
        sheet = self.book.add_worksheet(self.words["last_time"]["sheet"])
        texts: list[str] = []

        def clean(text: str) -> str:
            texts.append(clean_text(text, self.words["result"]["cut_mark"])[0])
            return texts[-1]

        write_page(self.book, sheet, page, Styles(self.book), self.words["result"], address=_no_link, clean=clean)
        self.put(sheet, 0, OUT_OF_SIGHT, sum_of_texts(texts), self.format(font_size=6, font_color="#FFFFFF"))
        sheet.set_footer(f"&R&9{self.text['page_line'].format(page='&P', pages='&N')}")

    def guide(self) -> None:
        """The sheet for the reader: what to do before, cautions, filling in, notation, words to pick from."""
        texts, groups = self.words["blank_readme"], self.look["group"]
        fields = [[FIELDS[n].heading for n in g["fields"] if FIELDS[n].sheet != "extra"] for g in groups]
        colours = [(self.words["blank_group"][g["name"]], ", ".join(of)) for g, of in zip(groups, fields)]
        choices = [(f.heading, ", ".join(f.words)) for f in FIELDS.values() if f.kind == "word" and f.sheet != "extra"]
        self.reader_sheet(
            [
                *((texts[n]["heading"], texts[n]["lines"], n == "cautions", ()) for n in self.look["readme"]),
                (self.text["words_heading"], choices, False, ()),
                (self.text["colours_heading"], colours, False, [g["fill"] for g in groups]),
            ],
            self.about({}),
        )


def _no_link(name: str, row: int) -> str:
    raise ValueError(f"a blank has no sheet {name!r} for a link to row {row}")


def _lines(text: str, width: float) -> int:
    """Lines that a text takes when wrapped at so many characters, counted a little high."""
    return max(1, math.ceil(len(text) / width))
