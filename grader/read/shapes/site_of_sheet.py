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
_A_DAY = "2026-03-14"  # as a layout file states one


def _month(name: str) -> bool:
    words = re.findall(r"[^\W\d_]+", name)
    return len(words) == 1 and is_month(words[0])


def is_generic(name: str) -> bool:
    """Whether a name says nothing of a place: Sheet1, Data, Readings (2), or what was measured, O2 %, Oil and water."""
    silent = row_words("sheet_words", str)
    words = re.sub(r"[\W\d_]+", " ", name).casefold().split()
    return _is_measured(name) or all(w in silent or _is_measured(w) for w in words)


def _is_measured(name: str) -> bool:
    return (known := label(name)) is not None and known.field in READINGS


def _is_of_a_site(name: str) -> bool:
    """Whether a name is that of a part of a site: Hall 1, Building B, Halle Süd."""
    return any((known := label(word)) is not None and known.field == "location" for word in name.split())


def with_sheet_names(tables: list[Table], notes: list[Note]) -> list[Table]:
    """Tables with what the names of their sheets say.

    A name that is a date is the test date of a table without one, noted. Where several sheets hold tables, the name
    of each (no year, no month, no word such as Data) is taken for the outlet of a table without outlets, else for
    the site of one that names none, queried, so that two outlets called 1 are never taken for one. Where a name
    speaks of retests or of a hall, and all that name a site name the same one, it is that, queried, and the hall is the
    location. A year alone is no date, which is queried where dates are missing.
    """
    sheets = {t.sheet for t in tables if t.rows}
    sites = {str(v) for t in tables if t.rows for v in _values(t, "site")}
    made = []
    said: set[tuple[str, str]] = set()
    for table in tables:
        told = _told(table, len(sheets) > 1, next(iter(sites)) if len(sites) == 1 else "") if table.rows else []
        for code, field, value in told:
            if (code, table.sheet) not in said:
                said.add((code, table.sheet))
                line = f'{field} = "{value or _A_DAY}"'
                notes.append(Note(code, table.sheet, "", table.sheet, {"line": line}))
        place = Place(table.sheet, 0, 0)
        given = {field: Given(place, value, value, "name of the sheet") for _, field, value in told if value}
        made.append(filled(table, given))
    return made


def _told(table: Table, several: bool, site: str) -> list[tuple[str, str, str]]:
    """(what is to be said, field, value) of what the name of a table's sheet tells; value "" where it must be asked for.

    several : sheets with tests. site : the only one that any table names.
    """
    name = table.sheet.strip()
    dated, year = parse_date(name).whole, bool(_YEAR.fullmatch(table.sheet))
    made = []
    if (dated or year) and not _has(table, "test_date"):
        made.append(("sheet_name_date", "test_date", name) if dated else ("sheet_name_year", "test_date", ""))
    places = several and not (dated or year or is_generic(table.sheet) or _month(table.sheet))
    hall = _is_of_a_site(name) and (bool(site) or _has(table, "site"))
    if places and not _has(table, "outlet"):
        made.append(("sheet_name_outlet", "outlet", name))
    elif places and hall:
        made += [("sheet_name_location", "location", name)] * (not _has(table, "location"))
        made += [("site_of_other_sheets", "site", site)] * (not _has(table, "site"))
    elif places and not _has(table, "site"):
        made.append(("sheet_name_site", "site", name))
    elif several and site and asks(table.sheet) == "ill" and not _has(table, "site"):
        made.append(("site_of_other_sheets", "site", site))
    return made


def _has(table: Table, field: str) -> bool:
    return field in table.constants or bool(_values(table, field))


def _values(table: Table, field: str) -> list[Any]:
    stated = table.constants.get(field, (None, None))[1]
    return [v for v in (stated, *table.columns.get(field, ())) if v is not None]
