"""The sheets of a workbook -> the tables of tests in them, whatever their shape.

`recognise` is one pure function on lists of rows; it knows nothing of files. The program's own blank goes a
short way: its headings are known as they stand. Any other sheet goes to choose.py; sheets that hold one parameter each
are read together at the end. What cannot be told is not read, and a problem says which line of a layout file would
settle it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from types import MappingProxyType
from typing import Any

from grader.problems import Table, a1
from grader.read.around import said_on, with_what_is_said
from grader.read.elsewhere import with_what_sheets_say
from grader.read.extract import extract
from grader.read.given import Given, filled
from grader.read.layout_spec import LayoutSpec, TableSpec
from grader.read.sayings import Said
from grader.read.shapes.cover import (
    FACTS,
    cover_of,
    given_to,
    of_cylinders,
    sited,
    texts_of,
    with_dryers_of_supplies,
    with_visit,
    without_what_is_contradicted,
)
from grader.read.shapes.grid import Grid
from grader.read.shapes.own_blank import own_tables, read_own, read_visit
from grader.read.shapes.rows import plain
from grader.read.shapes.site_of_sheet import is_generic, with_sheet_names
from grader.read.shapes.tables import Note, Recognised, Sheet
from grader.read.shapes.unrolled import Listed, Matrix, matrices, of_the_same_tests, with_its_name
from grader.read.words.labels import READINGS, label
from grader.read.words.measured import of_expanded

__all__ = ["Note", "Recognised", "Sheet", "recognise"]


def recognise(sheets: Iterable[Sheet], layout: LayoutSpec | None = None, name: str = "") -> Recognised:
    """Find the tables of tests in the sheets of one workbook.

    sheets  : of one workbook, in its order; taken one at a time, so a generator keeps memory small.
    layout  : what layout files say of this workbook. name : of its file, without folder and ending.
    Returns : Recognised. A sheet named Visit gives constants. With no table `tables` is empty: the caller
              refuses the file.
    """
    book = _Workbook(layout or LayoutSpec())
    for sheet in sheets:
        if sheet.rows and sheet.rows[0] and not book.layout.ignores(sheet.name):
            book.take(Grid.of(sheet), book.layout.of(sheet.name))
    return book.recognised(name)


class _Workbook:
    """What is found in the sheets of one workbook.

    kept      : the tables. notes: what is to be said; unused: of sheets without a table, where others have one.
    elsewhere : what is said on sheets, or in cells, that are about other tests than those beside them.
    visit     : what the sheet Visit gives, None where there is none. tested : it holds tests.
    covers    : sheets that give, and what.
    forms     : sheets of facts, which are covers where any other sheet has tests.
    blocks    : of one parameter each, joined at the end. strange : notes on such of nobody knows what.
    lists     : sheets that may hold some of the readings of their tests alone, what is kept of each by itself, and whether
                a layout file says how it is read.
    said      : the texts of each sheet that is not the blank's.
    heads     : the name and the first texts of each sheet.
    """

    def __init__(self, layout: LayoutSpec) -> None:
        self.layout = layout
        self.kept: list[Recognised] = []
        self.notes: list[Note] = []
        self.unused: list[Note] = []
        self.elsewhere: list[Said] = []
        self.visit: dict[str, Given] | None = None
        self.tested = False
        self.covers: list[tuple[str, dict[str, Given]]] = []
        self.forms: list[tuple[Grid, Recognised]] = []
        self.blocks: list[Matrix] = []
        self.strange: list[Note] = []
        self.lists: list[tuple[Listed, Recognised, bool]] = []
        self.said: dict[str, frozenset[str]] = {}
        self.heads: dict[str, list[str]] = {}

    def take(self, grid: Grid, specs: list[TableSpec]) -> None:
        """Read one sheet. specs : what layout files say of it."""
        told = (v for row in grid.rows[:_HEAD] for v in row[:_HEAD] if type(v) is str)
        self.heads.setdefault(grid.name, [grid.name]).extend(told)
        own = [] if specs else own_tables(grid)
        if not own and plain(grid.name) == "visit" and not specs:
            self._visit(grid)
        elif own and own[0].head.top == next(i for i, row in enumerate(grid.rows) if row.count(None) < len(row)):
            self._keep(grid, read_own(own))
        else:
            self._look(grid, specs)

    def _visit(self, grid: Grid) -> None:
        """Read a sheet called Visit: that of the blank, or a firm's own which holds tests."""
        given, said = read_visit(grid)
        self.visit = {**(self.visit or {}), **given}
        wide = any(v is not None for row in grid.rows for v in row[2:])
        if said or wide:
            from grader.read.choose import read_sheet

            # Labels with values beside them are the blank's, unless one is an outlet's: "CO | 9" is no test.
            if any(_holds_readings(t) and (wide or "outlet" in t.columns) for t in read_sheet(grid, []).tables):
                self.tested = True
                self._look(grid, [])
                return
        self.notes += said
        self._leave(grid, given)

    def _look(self, grid: Grid, specs: list[TableSpec]) -> None:
        """Read a sheet that is not the blank's."""
        self.said[grid.name] = self.said.get(grid.name, frozenset()) | texts_of(grid)
        if not specs and _page(grid) in _EXPLAINED:
            self._leave(grid)
            return
        from grader.read.choose import read_sheet  # here: a folder of blanks never needs it

        made = read_sheet(grid, specs)
        # Of sheets that are read together the layout file of the first says how.
        together = any(s.orientation == "long" for s in specs)
        held = specs or any(map(_holds_readings, made.tables))
        named = with_its_name(grid) if together or not held else None
        listed = Listed(grid, read_sheet(named or grid, []) if together or named else made)
        alike = (together or not specs) and _may_be_listed(listed)
        if made.tables and not alike or any(listed.fields & other.fields for other, *_ in self.lists):
            self._join()
        alone = made if specs else listed.made
        if alike:
            self.lists.append((listed, alone, bool(specs)))
        else:
            self._take(grid, alone, bool(specs))

    def _join(self) -> None:
        """Join the sheets that hold some of the readings of their tests alone; or keep each by itself."""
        lists, self.lists = self.lists, []
        blocks = [block for block, *_ in lists]
        alike = all(b.is_plain and b.stated == blocks[0].stated for b in blocks)
        if not alike or not of_the_same_tests(blocks):
            for block, alone, stated in lists:
                self._take(block.grid, alone, stated)
            return
        for grid, made in blocks:
            self._leave(grid)
            self.notes += [*made.notes, *_beside_tests(grid.sheet, made)]
        self._cross(blocks, sum(block.made.rows_passed_over for block in blocks))

    def _take(self, grid: Grid, made: Recognised, stated: bool) -> None:
        """Keep what was read of a sheet: tables, blocks of one parameter, or what it says of other sheets' tests.

        stated : a layout file says how it is read.
        """
        held = made.tables and (stated or any(map(_holds_readings, made.tables)))
        found = [] if held else matrices(grid)
        known = [m for m in found if m.known]
        self.blocks += known
        name, strange = grid.name, (m.above[1] for m in found if not m.known)
        told = {"heading": name, "where": f'heading = "{name}"'}
        self.strange += [grid.note("unknown_parameter", row, 0, name, **told) for row in strange]
        if known:
            self._leave(grid)
        elif made.tables and all(map(_of_facts, made.tables)) and not stated:
            self.forms.append((grid, made))
        else:
            self._keep(grid, made)
            said = found or made.tables or made.notes or stated or _not_used(grid) or cover_of(grid)
            if not said and len(_EXPLAINED) < _MOST_EXPLAINED and (page := _page(grid)):
                _EXPLAINED.add(page)

    def _keep(self, grid: Grid, made: Recognised) -> None:
        """Keep the tables of a sheet with what its other cells say; a sheet without one may be a cover."""
        if not made.tables:
            self.unused += _not_used(grid)
            if cover := cover_of(grid):
                self._cover(grid, cover)
                return
        tables, left = with_what_is_said(grid, made.tables)
        self.elsewhere += left
        self.kept.append(made._replace(tables=tables))
        self.notes += [*made.notes, *_beside_tests(grid.sheet, made)]

    def _cover(self, grid: Grid, given: dict[str, Given]) -> None:
        self.covers.append((grid.name, given))
        self._leave(grid, given)

    def _leave(self, grid: Grid, given: Mapping[str, Given] = MappingProxyType({})) -> None:
        """Take what is said on a sheet without tests, and in the fields that it gives."""
        places = ((field, one.place) for field, one in given.items())
        read = {(p.row, p.column): field for field, p in places if p.row is not None and p.column is not None}
        self.elsewhere += said_on(grid, read)

    def recognised(self, name: str) -> Recognised:
        """The tables of all sheets. name : of the file."""
        self._join()
        if len(self.blocks) > 1:
            self._cross(self.blocks)
        for grid, made in self.forms:  # alone it is a form whose readings are missing
            if any(m.tables for m in self.kept) and (cover := cover_of(grid)):
                self._cover(grid, cover)
            else:
                self._keep(grid, made)
        tables = self._with_what_is_given([table for made in self.kept for table in made.tables])
        self.notes += self.unused if tables else []
        tables, beyond = with_what_sheets_say(tables, self.elsewhere, name, self.heads)
        found = sum(m.rows_found for m in self.kept)
        passed = sum(m.rows_passed_over for m in self.kept)
        heads = (name, *(text for texts in self.heads.values() for text in texts)) if beyond else ()
        return Recognised(tables, self.notes, found, passed, beyond, heads)

    def _cross(self, blocks: Sequence[Matrix | Listed], passed: int = 0) -> None:
        """Join the blocks of a parameter each."""
        from grader.read.choose import crossed

        stated = (s for m in blocks for s in self.layout.of(m.grid.name) if s.orientation == "long")
        made = extract(crossed(blocks, next(stated, None)))
        self.kept.append(made._replace(rows_passed_over=passed + made.rows_passed_over))
        self.notes += [*self.strange, *made.notes]

    def _with_what_is_given(self, tables: list[Table]) -> list[Table]:
        """The tables with what holds for their tests: by Visit or a cover, names of sheets, layout files; the first counts."""
        if self.visit and (not self.tested or any(plain(t.sheet) == "readings" for t in tables)):
            tables = with_visit(sited(tables, self.visit, self.notes), self.visit)
        elif len(self.covers) == 1 and (self.visit is None or self.tested):
            # An empty Visit sheet is the place for such values: no page of instructions stands in for it.
            ((sheet, cover),) = self.covers
            tables = sited(tables, cover, self.notes)
            given = [given_to(table, cover) for table in tables]
            tables = [filled(table, mine) for table, mine in zip(tables, given)]
            if any(given):
                self.notes.append(Note("cover_sheet", sheet, "", sheet, {"count": len(cover)}))
        if len(tables) > 1 or not all(t.own for t in tables):
            tables = self.layout.completed(with_sheet_names(tables, self.notes), self.notes)
        tables = with_dryers_of_supplies(without_what_is_contradicted(tables, self.said), self.said)
        if any(u.at_line for t in tables for u in t.unclear):
            of_the_day = {t.how[_OF_THE_DAY][0] for t in tables if _OF_THE_DAY in t.how}
            if any(map(of_expanded, set().union(*self.said.values()) - of_the_day)):
                tables = [t._replace(unclear=[u._replace(at_line=False) for u in t.unclear]) for t in tables]
        return [filled(t, of_cylinders(t, self.said)) for t in tables]


_OF_THE_DAY = "atmospheric_pressure_hpa"
_HEAD = 15  # rows, and cells of one, in which a sheet may say whose it is


def _of_facts(table: Table) -> bool:
    """Whether a table is a form that names no outlet and asks for nothing that is measured at one, filled in or not."""
    held = {*table.columns, *table.places, *table.constants}
    return table.orientation == "form" and "outlet" not in held and not held & (READINGS - FACTS) and not table.unclear


def _may_be_listed(block: Listed) -> bool:
    """Whether a sheet is a list of outlets that its name says nothing of, but what was measured."""
    down = all(t.orientation == "down" for t in block.tables)
    return is_generic(block.grid.name) and down and any(map(_holds_readings, block.tables))


def _holds_readings(table: Table) -> bool:
    """Whether a table has a reading, or what may be one."""
    return bool(table.unclear) or any(v is not None for f in READINGS & table.columns.keys() for v in table.columns[f])


# Sheets in which there was nothing, by all that stands in them: pages of instructions come with every blank.
_EXPLAINED: set[tuple[Any, ...]] = set()
_MOST_EXPLAINED = 50
_LONGEST_EXPLAINED = 300
_LONGEST_COMMENT = 200


def _page(grid: Grid) -> tuple[Any, ...]:
    """A sheet as it is compared with others, nothing of a long one."""
    return (grid.name, *map(tuple, grid.sheet.rows)) if len(grid.sheet.rows) <= _LONGEST_EXPLAINED else ()


def _beside_tests(sheet: Sheet, made: Recognised) -> list[Note]:
    """That cells of a sheet with tests carry comments, and that it, or rows of it, are hidden: once each."""
    notes = []
    comments = list(sheet.comments) if made.tables else []
    if comments:
        (row, column), text = comments[0]
        about = " ".join(text.split())[:_LONGEST_COMMENT]
        notes.append(Note("cell_comments", sheet.name, a1(row, column), about, {"count": len(comments)}))
    if sheet.hidden and made.rows_found:
        notes.append(Note("hidden_sheet", sheet.name, "", sheet.name, {"rows": made.rows_found}))
    elif made.rows_found and (hidden := set(sheet.hidden_rows)):
        if rows := {r for t in made.tables if t.orientation in ("down", "long") for r in t.rows} & hidden:
            notes.append(Note("hidden_rows", sheet.name, a1(min(rows), 0), sheet.name, {"rows": len(rows)}))
    return notes


def _not_used(grid: Grid) -> list[Note]:
    """A note on a sheet with headings of ours that holds no table."""
    best: dict[str, str] = {}
    at = (0, 0)
    for number, row in enumerate(grid.rows):
        # Blanks first: a row may be sixteen thousand cells wide.
        known = {v: said.field for v in {v for v in row if type(v) is str and v} if (said := label(v)) and said.field}
        if len(set(known.values())) > len(set(best.values())):
            best, at = known, (number, next(i for i, v in enumerate(row) if type(v) is str and v in known))
    if len(set(best.values())) < 3:
        return []
    return [grid.note("sheet_not_used", *at, grid.name, count=len(best))]
