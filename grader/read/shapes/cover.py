"""What other sheets give for the tests of a workbook: the sheet Visit, or a cover that says where and when."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import lru_cache
from typing import Any

from grader.problems import Table
from grader.read.extract import pressure_dew_point
from grader.read.given import Given, filled, is_by_layout, without
from grader.read.shapes.banners import NAME_ALONE
from grader.read.shapes.grid import Grid
from grader.read.shapes.pairs import ON_ANOTHER, shared_above
from grader.read.shapes.rows import plain
from grader.read.shapes.tables import Note
from grader.read.words.labels import label
from grader.read.words.spelling import alike
from grader.read.words.supplied import (
    CYLINDER,
    behind_a_label,
    holds_choices,
    is_contradicted,
    line_of,
    names_and_feeds,
    names_cylinders,
    otherwise_fed,
    speaks_against,
)

_SUPPLIED = ("supply", "dryer")
_LONGEST_COVER = 200  # rows
_BAR = re.compile(r"\D*\bbarg?\W*", re.IGNORECASE)
_FIGURE = re.compile(r"[1-4]\d\d(?:\.\d+)?")  # of a pressure that only cylinders have
# What may stand on a cover though the blank has it among the readings.
FACTS = frozenset({"line_pressure_bar"})
# What a cover says of the place holds whatever the date.
_PLACE = ("client", "site", "site_address", "supply", "dryer", "rule_set", "line_pressure_bar", "lowest_use_temperature_c",
          "nominal_pressure_bar", "lowest_pressure_bar", "flow_needed_l_min")  # fmt: skip


def with_visit(tables: list[Table], visit: dict[str, Given]) -> list[Table]:
    """Give the Visit sheet's values to the table of sheet Readings.

    Other tables get them where there is no such sheet, or where they say neither site nor date themselves:
    another log in the same workbook may be of another visit.
    """
    others = any(plain(t.sheet) == "readings" for t in tables)
    made = []
    for table in tables:
        if not others or plain(table.sheet) == "readings" or not _says_where_or_when(table):
            # What the visit states goes before the layout file of its log.
            table = filled(without(table, {f for f in visit if is_by_layout(table, f)}), visit)
        made.append(table)
    return made


def _says_where_or_when(table: Table) -> bool:
    return not {"site", "test_date"}.isdisjoint((*table.places, *table.constants))


def cover_of(grid: Grid) -> dict[str, Given]:
    """What the labels of a sheet without tests give that say where and when, or what supplies all; {} where it is none."""
    if len(grid.rows) > _LONGEST_COVER:
        return {}
    given, _ = shared_above(grid, 0, len(grid.rows), FACTS, ON_ANOTHER)
    feeds = "supply" in given and not holds_choices(grid.name)
    of_all = len(given) >= 2 and {"site", "test_date"} & set(given) or feeds
    return given if of_all else {}


def given_to(table: Table, cover: dict[str, Given]) -> dict[str, Given]:
    """What a cover gives to a table: all, or what it says of the place to tests that have their own dates and no site.

    Supply and dryer hold where it names no site and no day, and the table no sites.
    """
    mine = {f: one for f, one in cover.items() if f not in FACTS or f not in table.places}
    if not table.own and _says_where_or_when(table):
        sited = "site" not in cover or "site" in table.places or "site" in table.constants
        of_all = not {"site", "test_date"} & set(cover) and "site" not in table.places
        kept = _SUPPLIED if of_all else () if sited else _PLACE
        mine = {f: one for f, one in mine.items() if f in kept and f not in table.places}
    if "line_pressure_bar" in mine and pressure_dew_point(table.how, table.places):
        mine["dew_point_measured_at_bar"] = mine["line_pressure_bar"]
    return mine


def sited(tables: list[Table], given: Mapping[str, Given], notes: list[Note]) -> list[Table]:
    """Tables as they are where another sheet gives the site: without that of a title, halls of banners as locations.

    A title that names the client or who tested names no site either. notes : on halls, put right here.
    """
    made = []
    for t in tables:
        text, how, _ = t.how.get("site", ("", "", ""))
        said = t.constants.get("site", ("", None))[1]
        if line_of(text).site and ("site" in given or any(one.value == said for one in given.values())):
            t = without(t, {"site"})
        elif "site" in given and how == NAME_ALONE and "location" not in {*t.places, *t.constants}:
            of_hall = {"location": t.constants["site"]}, {"location": t.how["site"]}
            t = without(t, {"site"})
            t = t._replace(constants=t.constants | of_hall[0], how=t.how | of_hall[1])
            of_site = {"what": "site", "line": f'site = "{said}"'}
            of_location = {"what": "location", "line": f'location = "{said}"'}
            notes[:] = [
                n._replace(params=of_location) if n.sheet == t.sheet and n.params == of_site else n for n in notes
            ]
        made.append(t)
    return made


def lines_of(table: Table) -> dict[str, str]:
    """The supply and dryer that rest on a line of text, behind no label: field -> the line."""
    texts = {field: table.how.get(field, ("",))[0] for field in _SUPPLIED if field in table.constants}
    return {field: text for field, text in texts.items() if text and label(text) is None}


def texts_of(grid: Grid) -> frozenset[str]:
    """What a sheet says, in its name, cells, comments and on its pages."""
    comments = (text for _, text in grid.sheet.comments)
    return grid.texts | {grid.name, *comments, *grid.sheet.printed, *_of_two_cells(grid)}


def _of_two_cells(grid: Grid) -> set[str]:
    """What two cells say together: a pressure beside or below a text in bar ("Working pressure (bar)" | 300), "Dryer" | "none"."""
    asked = {text: what for text in grid.texts if (what := _asks_for(text))}
    made: set[str] = set()
    for cells, below in zip(grid.rows, [*grid.rows[1:], [None] * grid.width]) if asked else ():
        for at in range(grid.width) if not asked.keys().isdisjoint(cells) else ():
            what, beside = asked.get(cells[at], ""), cells[at + 1] if at + 1 < grid.width else None
            if what == "dryer" and type(beside) is str:
                made.add(f"{cells[at]} {beside}")
            elif what == "bar":
                made |= {f"{v} bar" for v in map(str, (beside, below[at])) if _FIGURE.fullmatch(v)}
    return made


@lru_cache(maxsize=50_000)
def _asks_for(text: str) -> str:
    """Whether the cell beside a text is a figure in "bar" or a "dryer"; "" where neither."""
    said = label(alike(text))
    return "bar" if _BAR.fullmatch(text) else "dryer" if said is not None and said.field == "dryer" else ""


def without_what_is_contradicted(tables: list[Table], said: Mapping[str, frozenset[str]]) -> list[Table]:
    """Tables without the supply and dryer of a title or line against which anything in their workbook speaks.

    said : sheet -> its texts. Sheets of choices count only where they name an outlet.
    """
    lines = [lines_of(table) for table in tables]
    if not any(lines):
        return tables
    outlets = {str(v) for t in tables for v in (*t.columns.get("outlet", ()), *_of_all(t, "outlet")) if v is not None}
    choices = {name for name, texts in said.items() if holds_choices(name) and outlets.isdisjoint(texts)}
    texts = outlets.union(*(of for name, of in said.items() if name not in choices))
    short = {
        name.casefold() for name in outlets if name.isalnum() and any(map(str.isdigit, name)) and not name.isdigit()
    }
    parted = any(text not in outlets and names_and_feeds(text, short) for text in texts)
    told = [tuple(table.constants[f][1] if f in of else "" for f in _SUPPLIED) for table, of in zip(tables, lines)]
    alike: dict[tuple[str, ...], set[str]] = {}  # lines that say the same contradict each other in nothing
    for what, of in zip(told, lines):
        alike.setdefault(what, set()).update(of.values())
    bad = {what for what, of in alike.items() if of and (parted or is_contradicted(texts, of, *what))}
    return [without(table, of) if of and what in bad else table for table, what, of in zip(tables, told, lines)]


def with_dryers_of_supplies(tables: list[Table], said: Mapping[str, frozenset[str]]) -> list[Table]:
    """Tables with the dryer that the cells of their supply say ("BA main via desiccant dryer"), where nothing else says one.

    said : sheet -> its texts; where another text of the sheet, or of one without tests, speaks against one, none is taken.
    """
    made, logs = [], {t.sheet for t in tables}
    of_notes = (texts for name, texts in said.items() if name not in logs and not holds_choices(name))
    notes: frozenset[str] = frozenset().union(*of_notes)
    for table in tables:
        supplies = table.columns.get("supply", [])
        if "dryer" not in {*table.places, *table.constants, *table.columns}:
            feeds = {v: feed for v in set(supplies) if type(v) is str and (feed := behind_a_label(v)) and feed.dryer}
            others = (notes | said.get(table.sheet, frozenset())) - set(supplies) if feeds else ()
            if feeds and not any(speaks_against(t, f.supply, f.dryer) for f in set(feeds.values()) for t in others):
                dryers = [feeds[v].dryer if v in feeds else None for v in supplies]
                table = table._replace(
                    columns=table.columns | {"dryer": dryers}, places=table.places | {"dryer": table.places["supply"]}
                )
        made.append(table)
    return made


def _of_all(table: Table, field: str) -> tuple[Any, ...]:
    return (table.constants[field][1],) if field in table.constants else ()


def of_cylinders(table: Table, said: Mapping[str, frozenset[str]]) -> dict[str, Given]:
    """That cylinders supply the tests of a table which states no supply, where its outlets' heading calls them cylinders.

    said : sheet -> its texts; none of its own sheets may speak of another supply.
    """
    heading = table.how.get("outlet", ("",))[0]
    if table.own or "supply" in table.places or "supply" in table.constants or not names_cylinders(heading):
        return {}
    sheets = {table.sheet, *(place.sheet for place in table.places.values())}
    if any(otherwise_fed(text, CYLINDER) for name in sheets for text in said.get(name, ())):
        return {}
    place = table.places.get("outlet") or table.constants["outlet"][0]
    return {"supply": Given(place, CYLINDER, heading, "what was tested, by its heading")}
