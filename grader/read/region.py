"""Where one table stands on its sheet, which of its cells are read, and what the others say of its tests; outlets by name."""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Iterable, Iterator, Mapping
from functools import cached_property
from itertools import count
from typing import Any

from grader.columns import FIELDS
from grader.problems import Place, Table
from grader.read.lines import line_around, value_beside, with_its_heading
from grader.read.sayings import SAID_BETWEEN, Figures, with_words
from grader.read.shapes.grid import Cell
from grader.read.shapes.tables import shown, whole
from grader.read.spoken import Cells
from grader.read.whom import Outlets, Tests, days_told, on, places_of
from grader.read.words.answers import answered_badly, answered_well, asks
from grader.read.words.colours import UNKNOWN, colour_key, colour_named, named_as
from grader.read.words.dates import days_in
from grader.read.words.figures import is_temperature
from grader.read.words.labels import kind_of, label
from grader.read.words.marks import marked
from grader.read.words.measured import readings_in
from grader.read.words.outlet_names import called, numbers_in, spanned, words_between
from grader.read.words.said import REMARKS, ROW, against, alone, alone_in_part, doubted, in_field, smells
from grader.read.words.signs import MARK, is_sign
from grader.read.words.spelling import key
from grader.read.words.stated import Stated, is_cold, stated
from grader.read.words.substances import is_name_of_one
from grader.read.words.unclear import classes_of
from grader.read.words.verdicts import left_blank

# Fields of names of places and things.
_NAMES = frozenset("tested_by outlet location system site client equipment work_done".split())
# Fields whose cells are looked at though they are read.
_SPOKEN = frozenset(
    ("remarks", "supply", "dryer", "instrument", "test_time", *(f for f in FIELDS if f.endswith("_tube_lot")))
)
# Fields that a heading which asks may be taken for, and in which its answer is no value.
_FREE = ("remarks", "own_verdict", "outlet_status", "location", "tested_by")
# Fields, besides those that are none, in whose cells a code may stand.
_CODED = ("remarks", "own_verdict", "outlet_status", "equipment", "visit_reason", "unclear")
_COLDEST = "lowest_use_temperature_c"


def _answered_badly(heading: str, answers: Mapping[int, Any]) -> list[int]:
    """Which tests the answers under a heading that asks speak against; where all are 0 or 1, 0 is a no."""
    filled = [v for v in answers.values() if v is not None]
    coded = asks(heading) == "good" and len(filled) > 1 and all(v in (0, 1) for v in filled)
    bad = [i for i, v in answers.items() if answered_badly(heading, v) or coded and v == 0]
    if asks(heading) == "good" and any(map(answered_well, filled)):  # among answers that are understood
        bad += [i for i, v in answers.items() if type(v) is str and i not in bad and not answered_well(v)]
    ticks = [v if v is None else "pass" * is_sign(v, *MARK) for v in answers.values()]
    blank = left_blank(list(answers.values()), ticks) if asks(heading) == "good" and "" not in ticks else []
    return [*bad, *(list(answers)[n] for n in blank)]


def _of_another_time(heading: str, text: str) -> bool:
    """Whether a text under a heading is of an earlier visit, or a limit: under "Required" words alone say what is to be done."""
    limit = kind_of(heading) == "limit" and any(map(str.isdigit, text))
    return limit or kind_of(heading) == "earlier" or "earlier" in classes_of(heading)


def _of_cell(figures: tuple[Stated, ...], field: str) -> tuple[Stated, ...]:
    """Readings that a comment on a cell states: what may be of several is that of its cell ("should be 12")."""
    of_it = FIELDS[field].reading and FIELDS[field].kind == "number"
    return tuple(s._replace(choices=(field,)) if of_it and len(s.choices) > 1 else s for s in figures)


class Region(Tests):
    """Where one table stands, which of its cells are read, and what the others say of its tests."""

    def __init__(self, table: Table, cells: Cells) -> None:
        super().__init__(table)
        self.cells = cells
        self.down, self.across, self.long = (table.orientation == o for o in ("down", "across", "long"))
        self.tests = dict(zip(table.rows, count()))
        self.columns = dict(zip(table.across, count()))
        self.first_column = min(self.columns, default=0)
        self.by_column: dict[int, str] = {}
        self.by_row: dict[int, str] = {}
        self.own: dict[Cell, str] = {}
        placed = [(p, f) for f, p in table.places.items()]
        placed += [(p, f) for f, (p, _) in table.constants.items() if p.sheet == table.sheet]
        placed += [(u.place, "unclear") for u in table.unclear]
        for (_, row, column), field in placed:
            if row is not None and column is not None:
                self.own.setdefault((row, column), field)
            elif column is not None:
                self.by_column.setdefault(column, field)
            elif row is not None:
                self.by_row.setdefault(row, field)
        self.words: dict[int, list[str]] = {}
        self.at: list[Cell | None] = [None] * len(table.rows)
        self.figures = Figures(table)
        self.told: dict[Cell, tuple[str, str, tuple[Stated, ...]]] = {}
        self.carried: dict[str, set[int]] = {}  # mark, or colour as it is called -> tests with such a cell
        self.headings = {said[0] for said in table.how.values()} | {u.heading for u in table.unclear}
        self.until = math.inf  # the first row of the form below one of which a layout file says where its cells are
        self.body = range(0)
        if self.across and self.by_row:  # down to the next blank row: lines that are not known too
            last = max(self.by_row)
            while cells.filled(last + 1) > 1:
                last += 1
            self.body = range(min(self.by_row), last + 1)

    def __contains__(self, at: Cell) -> bool:
        """Whether a cell is of this table: its tests, its headings, its form."""
        row, column = at
        if at in self.own:
            return True
        if self.across:
            return row in self.body and (column in self.columns or row in self.by_row or column < self.first_column)
        top, bottom = self.table.heads
        if self.down:
            return row in self.tests or 0 <= top <= row <= bottom
        if self.long:
            return (row >= top >= 0 or row >= min(self.tests)) and not self.is_note_below(row)
        first, last = self.table.sides
        inside = top <= row <= bottom if top >= 0 else bool(self.tests) and min(self.tests) <= row < self.until
        return inside and (first < 0 or first <= column <= last + 1)

    def rows_of_form(self, last: int) -> set[int]:
        """The rows of a form, as far as one that is the last of its sheet."""
        top, bottom = self.table.heads
        if top >= 0:
            return {*range(top, bottom + 1)}
        return {*range(min(self.tests, default=last + 1), int(min(self.until, last + 1)))}

    @cached_property
    def named_in(self) -> int:
        """The column of the outlets' names, -1 where there is none."""
        return next((c for c, field in self.by_column.items() if field == "outlet"), -1)

    def is_note_below(self, row: int) -> bool:
        """Whether a row under the headings of readings one below the other names no outlet of theirs, or is but one text."""
        if row <= self.table.heads[0]:
            return False
        column = self.named_in
        name = self.cells.at(row, column)
        if name is not None:
            return key(shown(whole(name))) not in self.cells.names
        return column >= 0 and self.cells.filled(row) == 1 and self.by_column.get(self.cells.first(row)) != "remarks"

    def beside(self, at: Cell) -> Iterable[int]:
        """The tests that a line alone in its row is about: all where it stands among them, or one where it goes on below it."""
        row, column = at
        if not self.down:
            single = len(self.at) == 1 and not self.across and not self.long and len(self.cells.tables) == 1
            return range(len(self.at)) if single else ()
        if self.by_column.get(column) == "remarks" and row not in self.tests and row - 1 in self.tests:
            return [self.tests[row - 1]]  # it goes on below
        among = row in self.tests or min(self.tests) < row < max(self.tests)
        return range(len(self.at)) if among else ()

    def role(self, at: Cell) -> str:
        """ "used" by a field that reads its words itself, "name", "head", "test", or "inside" a form."""
        row, column = at
        field = self._field(at)
        if field is None:
            if self.down and row not in self.tests or self.across and column not in self.columns:
                return "head"
            return "test" if self.down or self.across else "inside"
        if at in self.cells.comments:
            return "test"
        return "name" if field in _NAMES else "test" if field in _SPOKEN else "used"

    def _field(self, at: Cell) -> str | None:
        row, column = at
        if at in self.own or self.across:
            return self.own.get(at) or self.by_row.get(row)
        return self.by_column.get(column) if row in self.tests or not self.down else None

    def keep(self, tests: Iterable[int], words: str, at: Cell) -> None:
        """Keep what a cell says against some tests."""
        for i in tests if words else ():
            self.words.setdefault(i, []).append(words)
            self.at[i] = self.at[i] or at

    def measure(self, tests: Collection[int], at: Cell, text: str, figures: Iterable[Stated]) -> None:
        """Keep figures that some tests are to be judged with as well."""
        self.figures.add(tests, self.cells.place(at), text, figures)

    def take(self, at: Cell, text: str, role: str) -> None:
        """Keep what a cell of this table says."""
        if role == "head":
            self._take_heading(at, text)
            return
        mine, field, head = self.mine(at), self._field(at), self._heading(at)
        if self.of_another(text, mine):
            return
        comment = text == self.cells.comments.get(at)
        of_today = role != "name" and not _of_another_time(head, text)
        words, figures = self._said_in(at, text, role, of_today)
        if field == "outlet" and (not self.across or at[1] in self.columns):
            words = words or called(text)
        if of_today and (at[1] or comment) or field == "location":
            remark = not head or field in ("remarks", "location") or comment
            told = alone(text, remark=False) if field == "location" else alone_in_part(text) or doubted(text)
            words = words or told * remark or with_its_heading(head, text) * (role != "name")
            stated_ = readings_in(text) if not REMARKS.say(head, "measured.without") else ()
            figures += _of_cell(stated_, field) if comment and field in FIELDS else stated_
        if not (self.down or field or comment) and (label(text) is not None or is_name_of_one(text)):
            words = ""  # "Oil" beside its reading
        self.say(mine, at, text, words, figures)

    def of_another(self, text: str, mine: Collection[int]) -> bool:
        """Whether a text names another outlet than its own, and a day on which there are no tests here; it is heard of that one."""
        days = days_in(text)
        if not days or not days.isdisjoint(self.by_day):
            return False
        named = self.known.in_row((text,))
        return bool(named) and named.isdisjoint(self.outlets[i] for i in mine)

    @cached_property
    def known(self) -> Outlets[str]:
        """The names of its outlets."""
        return Outlets((name, name) for name in filter(None, self.outlets))

    def say(self, mine: Collection[int], at: Cell, text: str, words: str, figures: tuple[Stated, ...]) -> None:
        """Keep what a cell says of some tests."""
        self.keep(mine, words, at)
        self.measure(mine, at, text, figures)
        if words or figures:
            self.told[at] = (text, words, figures)

    def reach(self, repeats: Iterable[Cell]) -> None:
        """Give what a cell says to the further tests that it is merged over, and to those beside which a mark repeats it.

        repeats : the cells of the sheet that hold such a mark.
        """
        if not self.told:
            return
        for at, first in self.cells.merged():
            if first in self.told and at in self:
                self.say(self.mine(at), at, *self.told[first])
        for at in repeats:
            before = (at[0], at[1] - 1) if self.across else (at[0] - 1, at[1])
            if before in self.told and at in self:
                self.say(self.mine(at), at, *self.told[before])

    def _said_in(self, at: Cell, text: str, role: str, of_today: bool) -> tuple[str, tuple[Stated, ...]]:
        """What a text says against its tests, and the figures that it states: of a form and a list as lines around them do."""
        words, figures = "", () if role == "name" else stated(text)
        if role == "name":
            words = in_field(text, self._field(at) or "")
        elif of_today and (self.long or role == "test"):
            words = against(text, ROW) or smells(text)
            words = words or in_field(text, self._field(at) or "remarks") * (role == "test")
        if not (role == "inside" or self.long) or words:
            return words, figures
        read, found = text in self.headings, line_around(self.cells, at, text)  # a label that is read
        if self.long:
            return (found.against, found.stated) if found and not read else ("", figures)
        words = found.against if found else ""
        return words or against(text, ROW) * bool(at[1]), found.stated if found and not read else ()

    def _take_heading(self, at: Cell, text: str) -> None:
        """Keep what a heading says, and temperatures with their unit under one that speaks of the cold and states none."""
        column, everyone = at[1], range(len(self.at))
        if text == self.cells.comments.get(at):
            self.keep(everyone, against(text, ROW) or alone(text), at)
        figures = stated(text)
        under = [self.cells.at(r, column) if self.down else None for r in self.table.rows]
        self.measure([i for i in everyone if under[i] is not None] or everyone, at, text, figures)
        if not figures and is_cold(text) and self.by_column.get(column) != _COLDEST:
            for value in dict.fromkeys(v for v in under if type(v) is str and is_temperature(v)):
                self.measure([i for i in everyone if under[i] == value], at, text, [Stated((_COLDEST,), value)])

    def ask(self, at: Cell, text: str) -> None:
        """Keep what the answers under or beside a heading that asks say against their tests."""
        row, column = at
        if text == self.cells.comments.get(at):
            return  # beside what it is on stands another thing
        field = self.by_column.get(column) if self.down else self.by_row.get(row) if self.across else None
        if field not in (None, *_FREE) or not (self.down or self.across) and text in self.headings:
            return
        answers: dict[int, Cell] = {}
        if self.down:
            answers = {i: (r, column) for r, i in self.tests.items()} if row not in self.tests else {}
        elif self.across:
            answers = {i: (row, c) for c, i in self.columns.items()} if column not in self.columns else {}
        elif not self.table.heads[0] <= row <= self.table.heads[1]:  # beside a heading stands another
            answers = dict.fromkeys(self.mine(at), value_beside(self.cells, at) or (row, column + 1))
        values = {i: self.cells.at(*where) for i, where in answers.items()}
        for i in _answered_badly(text, values) if field != "own_verdict" else ():
            self.keep([i], f"{text}: {'not ticked' if values[i] is None else shown(values[i])}", answers[i])

    def ask_blanks(self) -> None:
        """Keep which tests have no verdict of the firm, where the others have one."""
        own, place = self.table.columns.get("own_verdict"), self.table.places.get("own_verdict")
        if own is None or place is None or len(own) < 2:
            return
        across = self.table.across or [place.column or 0] * len(own)
        at = [(r if place.row is None else place.row, c) for r, c in zip(self.table.rows, across)]
        for i in left_blank([self.cells.at(*spot) for spot in at], own):
            self.keep([i], f"{self.table.how['own_verdict'][0]}: not ticked", at[i])

    def _heading(self, at: Cell) -> str:
        """What stands over a cell of a table, before one where outlets run across, or at the left of one of a form."""
        row, column = at
        if self.down and at not in self.own:
            top, bottom = self.table.heads
            over = [self.cells.at(r, column) for r in range(max(top, 0), bottom + 1)]
        elif self.across and at not in self.own:
            over = [self.cells.at(row, c) for c in range(self.first_column)]
        else:
            over = [self.cells.left(row, column)]
        return " ".join(v for v in over if type(v) is str)

    def mine(self, at: Cell) -> set[int]:
        """Numbers of the tests that a cell is about."""
        row, column = at
        if self.down and row in self.tests:
            return {self.tests[row]}
        if self.across and column in self.columns:
            return {self.columns[column]}
        everyone = set(range(len(self.table.rows)))
        named = self.table.places.get("outlet")
        names = self.table.columns.get("outlet")
        if not self.long or named is None or named.column is None or not names:
            return everyone
        name = self.cells.up(row, named.column)
        mine = {i for i, n in enumerate(names) if key(str(n)) == key(str(name))}
        return mine if mine or key(str(name)) in self.cells.names else everyone

    def made(self) -> Table:
        """The table with what was kept."""
        table = self.table
        if self.words:
            own = [SAID_BETWEEN.join(dict.fromkeys(self.words.get(i, ()))) or None for i in range(len(table.rows))]
            first = next(at for at in self.at if at is not None)
            sheet, row, column = self.cells.place(first)
            place = Place(sheet, None if self.down else row, None if self.across else column)
            table = with_words(table, own, place, own[self.at.index(first)] or "", "said beside the readings")
        marks = marked(self.outlets, self._free_lines())
        for mark, tests in self.carried.items():
            marks[mark] = sorted(tests.union(marks.get(mark, ())))
        table = self.figures.added(table)
        return table._replace(marks=marks) if marks else table

    def _free_lines(self) -> Iterator[dict[int, Any]]:
        """The lines of cells beside the readings, by test, that no field is read from but words."""
        if self.down:
            for column in self.cells.grid.inner:
                if self.by_column.get(column, "remarks") in _CODED:
                    yield {i: v for r, i in self.tests.items() if (v := self.cells.at(r, column)) is not None}
        for row in self.body if self.across else ():
            if self.by_row.get(row, "remarks") in _CODED:
                yield {i: v for c, i in self.columns.items() if (v := self.cells.at(row, c)) is not None}
        for at in self.own if not (self.down or self.across) else ():
            if self.own[at] in _CODED and self.cells.at(*at) is not None:
                yield dict.fromkeys(self.mine(at), self.cells.at(*at))


class Regions(list[Region]):
    """The tables of one sheet: those that hold a cell, and the tests whose outlets a text names.

    Of tests with one reading a row these are those of the row's own outlet and day: there are as many as tests.
    """

    def __init__(self, tables: Iterable[Table], cells: Cells) -> None:
        super().__init__(Region(t, cells) for t in tables if t.rows)
        self.cells = cells
        every = ((name, (r, i)) for r in self for i, name in enumerate(r.outlets) if name)
        self.outlets = Outlets(every, ((field, name, (r, i)) for r in self for field, name, i in places_of(r.table)))
        self.by_number: dict[int, list[tuple[Region, int]]] = {}
        for region, i in ((r, i) for r in self for i in range(len(r.outlets))):
            for last in re.findall(r"\d+", region.outlets[i])[-1:]:
                self.by_number.setdefault(int(last[:9]), []).append((region, i))
        self.forms = [r for r in self if not (r.down or r.across or r.long)]
        self.on_row: dict[int, list[Region]] = {}
        for region in (r for r in self if r.down or r.across):
            top, bottom = region.table.heads
            rows = {*(region.tests if region.down else region.body), *range(max(top, 0), bottom + 1)}
            for row in rows.union(row for row, _ in region.own):
                self.on_row.setdefault(row, []).append(region)
        starts = {r: min(row for row, _ in r.own) for r in self.forms if r.own}
        for region, start in starts.items():
            region.until = min((s for s in starts.values() if s > start), default=math.inf)
        self.bottom = max(cells.grid.outer, default=-1)
        self.of_forms: dict[int, list[Region]] = {}
        for region in self.forms:
            for row in region.rows_of_form(self.bottom).union(row for row, _ in region.own):
                self.of_forms.setdefault(row, []).append(region)
        self.by_test: dict[tuple[str, ...], list[Region]] = {}
        self.keys: tuple[int | None, ...] = ()
        for region in (r for r in self if r.long):
            places = [region.table.places.get(field) for field in ("outlet", "test_date")]
            self.keys = tuple(p.column if p and p.row is None else None for p in places)
            names = (region.table.columns.get(field, [None])[0] for field in ("outlet", "test_date"))
            told = tuple(key(str(name)) for name, at in zip(names, self.keys) if at is not None)
            self.by_test.setdefault(told, []).append(region)
        self.lists: dict[Any, list[Region]] = {}  # tests with one reading a row, by their headings
        for region in (r for r in self if r.long):
            self.lists.setdefault((region.table.heads[0], *region.by_column.items()), []).append(region)
        self.of_lists = {at for r in self if r.long for at in r.own}

    @cached_property
    def last(self) -> int | None:
        """The last row in which a cell of a form has a field of its own, None where there is none."""
        return max((row for region in self for row, _ in region.own), default=None)

    def holding(self, at: Cell) -> list[Region]:
        """The tables that a cell is of."""
        forms = self.of_forms.get(at[0], ()) if at[0] <= self.bottom else self.forms
        made = [r for r in (*self.on_row.get(at[0], ()), *forms) if at in r]
        if self.by_test:
            told = tuple(key(str(self.cells.up(at[0], c))) for c in self.keys if c is not None)
            mine = self.by_test.get(told)
            made += [r for r in (mine if mine is not None else self._unnamed(at)) if at in r]
        return made

    def _unnamed(self, at: Cell) -> Iterator[Region]:
        """The tests with one reading a row that may hold a cell of a row that names none; each list is asked once."""
        for of_list in self.lists.values():
            if at in self.of_lists or not of_list[0].is_note_below(at[0]):
                yield from of_list

    def ends_above(self, at: Cell) -> bool:
        """Whether all forms of a sheet end above a cell at their left, with a blank row between."""
        left = min((column for r in self.forms for _, column in r.own), default=-1)
        return self.last is not None and at[0] > self.last and at[1] <= left and self.cells.filled(at[0] - 1) == 0

    def mark(self) -> None:
        """Keep the marks that stand beside readings one below the other."""
        lists = [r for r in self if r.long]
        top = min((max(r.table.heads[0], 0) for r in lists), default=0)
        for column in self.cells.grid.inner if lists else ():
            if lists[0].by_column.get(column, "remarks") not in _CODED:
                continue
            line = {r: v for r in self.cells.grid.outer if r > top and type(v := self.cells.at(r, column)) is str}
            for mark, rows in marked((), [line]).items():
                for at in ((row, column) for row in rows):
                    for region in self.holding(at):
                        region.carried.setdefault(mark, set()).update(region.mine(at))

    def colour(self) -> None:
        """Keep the colours of the cells of the tests; where they are not known, that each may have any."""
        seen = self.cells.grid.sheet.colours()
        for (row, column), found in ({(-1, -1): (UNKNOWN,)} if seen is None else seen).items():
            at, names = (row, max(column, 0)), frozenset[str]().union(*map(named_as, found))
            text = self.cells.at(*at)
            if not names or type(text) is str and (colour_key(text) or colour_named(text)):
                continue
            for region in self if row < 0 else self.holding(at):
                if row < 0 or not region.down or row in region.tests:
                    mine = range(len(region.at)) if row < 0 else region.mine(at)
                    for name in names:
                        region.carried.setdefault(name, set()).update(mine)

    def named(self, text: str, row: int, outlets: bool = False) -> list[tuple[Region, int]]:
        """The tests whose outlets a text names, also as one of a range, by number or by place; that of its own row left out.

        outlets : whether locations and systems are not looked at.
        """
        found = {at for name in self.outlets.within(text) for at in self.outlets.by_name[name]}
        for region in {r for r, _ in found} if any(map(str.isdigit, text)) else ():
            found |= {(region, i) for i in spanned(text, region.outlets)}
        numbers, places, _ = numbers_in(text)
        found.update(at for n in numbers for at in self.by_number.get(n, ()))
        every = [(r, i) for r in self for i in range(len(r.outlets))] if places else []
        found.update(every[n - (n > 0)] for n in places if -1 <= n <= len(every))
        found |= self.outlets.at_places([text], found, whole=False) if not outlets else set()
        if found and (days := days_told(text)):
            found = {(r, i) for r, i in found if i in on(days, r.by_day)} or found
        return sorted((at for at in found if not at[0].down or at[0].tests.get(row) != at[1]), key=lambda at: at[1])

    def numbered(self, text: str) -> list[tuple[Region, int]]:
        """The tests whose outlets are called by the number that ends a text: "Outlet 2", where it is called 2."""
        last = key(words_between(text)[-1]) if text else ""
        named = self.outlets.keys.get(last, []) if last.isdigit() else []
        return [at for name in named for at in self.outlets.by_name[name]]
