"""What a layout file says of one table, as plain values that pass to the reading process."""

from __future__ import annotations

from fnmatch import fnmatchcase
from typing import Any, NamedTuple

from grader.read.words.heading_words import key
from grader.read.words.headings import CERTAIN, Heading
from grader.read.words.labels import Column
from grader.read.words.units import belongs


class FieldSpec(NamedTuple):
    """Where a field stands. 0-based; -1 or "" is not said. A cell has row and column."""

    row: int = -1
    column: int = -1
    heading: str = ""
    unit: str = ""


class TableSpec(NamedTuple):
    """One [[table]] of a layout file. Rows and columns are 0-based, -1 where not said.

    sheet : pattern of the sheet's name. orientation : "down", "across", "long", "form" or "" (as found).
    constants : field -> value for every test. ignore : columns left out.
    order : "day first", "month first" or "". source : name of the layout file. number : the how-manieth table.
    """

    sheet: str = "*"
    orientation: str = ""
    heading_row: int = -1
    heading_rows: int = 1
    heading_column: int = -1
    first_row: int = -1
    last_row: int = -1
    fields: dict[str, FieldSpec] = {}
    constants: dict[str, Any] = {}
    ignore: frozenset[int] = frozenset()
    order: str = ""
    source: str = ""
    number: int = 1
    parameter_column: int = -1
    value_column: int = -1
    unit_column: int = -1

    def fits(self, sheet: str) -> bool:
        """Whether it is about a sheet of this name."""
        return fnmatchcase(sheet.strip().casefold(), self.sheet.strip().casefold())


class LayoutSpec(NamedTuple):
    """What all layout files that name a file say together."""

    tables: tuple[TableSpec, ...] = ()
    ignored_sheets: tuple[str, ...] = ()

    def of(self, sheet: str) -> list[TableSpec]:
        """The tables it describes on a sheet."""
        return [t for t in self.tables if t.fits(sheet)]

    def ignores(self, sheet: str) -> bool:
        """Whether the sheet is to be left out."""
        return any(fnmatchcase(sheet.strip().casefold(), p.strip().casefold()) for p in self.ignored_sheets)


def overridden(columns: list[Column], spec: TableSpec, *, across: bool = False) -> tuple[list[Column], list[str]]:
    """Headings as the layout has them, and what in it does not fit (one line a mistake).

    columns : found by their headings; at is the row where `across`.
    Returns : the columns, by position; a heading that is understood as a field which the layout puts elsewhere
              is left over.
    """
    known = {c.at: c for c in columns}
    wrong: list[str] = []
    placed: dict[str, int] = {}
    for field, said in spec.fields.items():
        at = said.row if across else said.column
        if at < 0 and said.heading:
            fits = [c.at for c in columns if key(said.heading) in (key(c.text), *map(key, c.text.split(" / ")))]
            if len(fits) != 1:
                wrong.append(f'{field}: the heading "{said.heading}" is there {len(fits)} times')
                continue
            at = fits[0]
        if at < 0:
            at = next((c.at for c in columns if c.field == field), -1)
            if at < 0:
                wrong.append(f"{field}: no heading is understood as it, so its column or heading must be given")
                continue
        if at in placed.values():
            wrong.append(f"{field}: its place is given to {next(f for f, p in placed.items() if p == at)} too")
            continue
        placed[field] = at
    for field, at in placed.items():
        old = known.get(at)
        same = old is not None and old.field == field
        # What the heading states stays, unless the layout file says another unit.
        stated = (old.heading.unit or old.heading.told) if old is not None else None
        unit = spec.fields[field].unit or (stated if stated and (same or belongs(field, stated)) else None)
        constants = old.heading.constants if same and old else ()
        text = old.text if old else ""
        heading = Heading(
            field, unit, "layout", CERTAIN, (field,), f"layout file {spec.source}", "heading" if unit else "", constants
        )
        known[at] = Column(at, text, "field", heading, f"layout file {spec.source}")
    for at, found in list(known.items()):
        if at in spec.ignore and not across:
            known[at] = found._replace(kind="ignored")
        elif found.field in placed and placed[found.field] != at:
            known[at] = found._replace(kind="unknown")
        elif found.kind == "unclear" and set(found.heading.candidates) <= set(placed):
            known[at] = found._replace(kind="unknown")
    return [known[at] for at in sorted(known)], wrong
