"""What the sheets of one workbook say of each other's tests, and what is left for those of other workbooks."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from grader.columns import FIELDS
from grader.problems import Place, Table
from grader.read.sayings import (
    LISTED,
    NOT_TITLED,
    OF_A_NAME,
    OF_OTHER_DAYS,
    Figures,
    Said,
    of_the_marked,
    resolved,
    said_of_all,
)
from grader.read.shapes.tables import shown
from grader.read.whom import PLACES, Outlets, Whom, days_of, outlets_of, places_of, values_of
from grader.read.words.beside import titles
from grader.read.words.dates import days_in
from grader.read.words.outlet_names import of_more
from grader.read.words.said import REMARKS, alone_in_part, doubted, titled
from grader.read.words.spelling import key
from grader.read.words.stated import Stated, stated
from grader.read.words.unclear import classes_of

_SENT_AWAY = ("oil_mg_m3", "co_ppm", "co2_ppm", "water_mg_m3")
_ON_SITE = ("odour", "oxygen_pct")


def with_what_sheets_say(
    tables: Sequence[Table], found: Sequence[Said], name: str, heads: Mapping[str, Iterable[str]]
) -> tuple[list[Table], list[Said]]:
    """The tables of a workbook with what its sheets say of each other's tests, and what is said of those of other workbooks.

    found : what sheets say of other tests than those beside it. name : of the file. heads : sheet -> its first texts.
    """
    if not tables:  # what one without tests says of an outlet, or on a day
        title = name * titles(name)
        listed = (s._replace(text=title, of_one=title) if s.how == NOT_TITLED else s for s in found)
        return [], [s for s in listed if s.of_one or s.measured or s.lists or s.against and days_in(s.text)]
    if name and (void := titled(name)):
        of_file = Said(
            Place(tables[0].sheet, 0, 0), name, void, of_one=void, whom=Whom((name,)), how="name of the file"
        )
        found = [*found, of_file]
    tested = set().union(*map(days_of, tables))
    here = [s for s in found if s.how != NOT_TITLED and (s.how != OF_OTHER_DAYS or s.days() & tested)]
    speaking = (s for s in found if s.of_one or s.measured or s.against and not s.whom.sheet)
    beyond = [s for s in speaking if (days := s.days()) and tested.isdisjoint(days)]
    in_part, figures = [t for t in tables if not _is_whole(t)], list[Said]()
    alone = len(in_part) == len(tables)  # a laboratory's results, whose tests are in other workbooks
    for table in in_part:
        texts = (*heads.get(table.sheet, ()), *[name] * (alone))
        of_laboratory = any(REMARKS.say(text, "beside.laboratory") for text in texts)
        figures += _figures_beside(table, of_laboratory) if of_laboratory or not alone else []
    told = of_the_marked(_of_their_outlets(here, tables), tables, here)
    made = (said_of_all(t, [*told, *figures] if _is_whole(t) else told, tested) for t in tables)
    tables = [t._replace(marks={}) if t.marks else t for t in map(_with_what_names_say, made)]
    return tables, beyond + figures if alone else beyond


def _of_their_outlets(found: Sequence[Said], tables: Sequence[Table]) -> list[Said]:
    """What other sheets say, lists resolved: a row that names an outlet of the workbook speaks of that one alone.

    A figure alone may be any number, and a text of all, or of the others, speaks of more; a title speaks of what it lists.
    """
    if not found:
        return []
    names = {n for t in tables for n in outlets_of(t) if n is not None}
    if any(s.lists for s in found):
        known = Outlets((shown(n), n) for n in names)
        found = [resolved(s, known.keys.keys(), known.most) if s.lists else s for s in found]
    every = {n for n in names if type(n) is str and any(map(str.isalpha, n))}
    places = ((field, name, name) for t in tables for field, name, _ in places_of(t))
    outlets = Outlets(((name, name) for name in every), places)
    found = [
        _of_its_name(s, sorted(map(shown, outlets.in_row(s.whom.row)))) if s.how == OF_A_NAME else s for s in found
    ]
    named = [bool(mine := outlets.in_row(s.whom.row)) and not of_more(s.text, mine & every) for s in found]
    listed = {(s.place.sheet, s.text) for s, is_named in zip(found, named) if is_named and s.how == LISTED}
    of_some = (is_named or (s.place.sheet, s.text) in listed for s, is_named in zip(found, named))
    return [
        s._replace(against="", stated=tuple(f for f in s.stated if f not in s.measured)) if is_of_some else s
        for s, is_of_some in zip(found, of_some)
    ]


def _of_its_name(said: Said, names: Sequence[str]) -> Said:
    """A few words with what they say of the outlets that they name."""
    told = (alone_in_part(said.text, name) for name in names)
    return said._replace(of_one=next(filter(None, told), doubted(said.text) if names else ""))


def _figures_beside(table: Table, of_laboratory: bool) -> list[Said]:
    """The readings of a table that holds no whole tests, a laboratory's or the like, as what is said of its outlets.

    of_laboratory : the name of its sheet is no site, and without a day they may be of any test.
    """
    if "earlier" in classes_of(table.sheet):
        return []
    outlets, days, sites, *places = (values_of(table, field) for field in ("outlet", "test_date", "site", *PLACES))
    made = []
    for field in _SENT_AWAY:
        place, unit = table.places.get(field), table.units.get(field)
        for i, value in enumerate(table.columns.get(field, ())):
            if place is None or value is None or outlets[i] is None or not (of_laboratory or days[i] is not None):
                continue
            column = place.column if place.column is not None else table.across[i] if table.across else 0
            at = Place(place.sheet, table.rows[i] if place.row is None else place.row, column)
            told = tuple(shown(v) for v in (outlets[i], days[i]) if v is not None)
            heading = table.how[field][0] if field in table.how else FIELDS[field].heading
            figure = Stated((field,), f"{shown(value)} {unit}" if unit else value)
            by_sheet = table.constants.get("site", ("",))[0] == Place(table.sheet, 0, 0)
            site = "" if sites[i] is None or (of_laboratory and by_sheet) else shown(sites[i])
            parts = tuple((f, key(shown(of[i]))) for f, of in zip(PLACES, places) if of[i] is not None)
            whom = Whom(told, site=site, outlet=told[0], parts=parts)
            made.append(Said(at, f"{heading} {shown(value)}", measured=(figure,), whom=whom))
    return made


def _is_whole(table: Table) -> bool:
    """Whether a table holds what can be found out at the outlet alone."""
    return any(field in held for held in (table.columns, table.constants) for field in _ON_SITE)


def _with_what_names_say(table: Table) -> Table:
    """A table with the figures that names of places hold: "Yard - outdoors, down to -15 °C" over its outlets or beside one."""
    figures = Figures(table)
    figures.add(range(len(table.rows)), Place(table.sheet, 0, 0), table.sheet, stated(table.sheet))
    for field in ("outlet", "location", "system", "site"):
        place = table.constants.get(field, (table.places.get(field),))[0]
        if place is None:
            continue
        at, values = Place(place.sheet, place.row or 0, place.column or 0), values_of(table, field)
        told = {v: found for v in set(values) if type(v) is str and (found := stated(v))}
        for name in sorted(told):
            figures.add({i for i, v in enumerate(values) if v == name}, at, name, told[name])
    return figures.added(table)
