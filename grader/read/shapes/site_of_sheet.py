"""A sheet a site or a year: what the name of a sheet may stand for where nothing on it says site or date."""

from __future__ import annotations

import re
from typing import Any

from grader.problems import Place, Table
from grader.read.given import Given, filled
from grader.read.shapes.tables import Note
from grader.read.words.answers import asks
from grader.read.words.dates import is_month, parse_date
from grader.read.words.heading_words import row_words
from grader.read.words.labels import READINGS, label

_YEAR = re.compile(r".*\b(?:19|20)\d{2}\b.*|.*\bq[1-4]\b.*", re.IGNORECASE)


def _month(name: str) -> bool:
    words = re.findall(r"[^\W\d_]+", name)
    return len(words) == 1 and is_month(words[0])


def _generic(name: str) -> bool:
    """Whether a name says nothing of a place: Sheet1, Data, Readings (2), or what was measured, O2 %."""
    if (known := label(name)) is not None and known.field in READINGS:
        return True
    words = re.sub(r"[\W\d_]+", " ", name).casefold().split()
    return row_words("sheet_words", str).issuperset(words)


def with_sheet_names(tables: list[Table], notes: list[Note]) -> list[Table]:
    """Tables with what the names of their sheets say.

    A name that is a date is the test date of a table without one, noted. Where several sheets hold tables, the name
    of each (no year, no month, no word such as Data) is taken for the outlet of a table without outlets, else for
    the site of one that names none, queried, so that two outlets called 1 are never taken for one. Where a name says
    speaks of retests and all that name a site name the same one, it is that, queried. A year alone is no date, which is
    queried where dates are missing.
    """
    sheets = {t.sheet for t in tables if t.rows}
    sites = {str(v) for t in tables if t.rows for v in _values(t, "site")}
    named = {
        s for s in sheets if not _generic(s) and not parse_date(s).whole and not _YEAR.fullmatch(s) and not _month(s)
    }
    made = []
    said: set[tuple[str, str]] = set()

    def note(code: str, table: Table, line: str) -> None:
        if (code, table.sheet) not in said:
            said.add((code, table.sheet))
            notes.append(Note(code, table.sheet, "", table.sheet, {"line": line}))

    for table in tables:
        more: dict[str, Any] = {}
        if table.rows and not _has(table, "test_date"):
            if parse_date(table.sheet).whole:
                more["test_date"] = table.sheet.strip()
                note("sheet_name_date", table, f'test_date = "{table.sheet.strip()}"')
            elif _YEAR.fullmatch(table.sheet):
                note("sheet_name_year", table, 'test_date = "2026-03-14"')
        if table.rows and len(sheets) > 1 and table.sheet in named and not _has(table, "outlet"):
            more["outlet"] = table.sheet.strip()
            note("sheet_name_outlet", table, f'outlet = "{table.sheet.strip()}"')
        elif table.rows and len(sheets) > 1 and table.sheet in named and not _has(table, "site"):
            more["site"] = table.sheet.strip()
            note("sheet_name_site", table, f'site = "{table.sheet.strip()}"')
        elif table.rows and len(sites) == 1 and asks(table.sheet) == "ill" and not _has(table, "site"):
            more["site"] = next(iter(sites))
            note("site_of_other_sheets", table, f'site = "{more["site"]}"')
        if more:
            place = Place(table.sheet, 0, 0)
            table = filled(table, {f: Given(place, v, v, "name of the sheet") for f, v in more.items()})
        made.append(table)
    return made


def _has(table: Table, field: str) -> bool:
    return field in table.constants or bool(_values(table, field))


def _values(table: Table, field: str) -> list[Any]:
    stated = table.constants.get(field, (None, None))[1]
    return [v for v in (stated, *table.columns.get(field, ())) if v is not None]
