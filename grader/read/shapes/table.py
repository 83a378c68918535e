"""Tables whose tests follow each other in rows, or in columns of a turned grid: a heading -> proposals.

Proposes only: which lines hold what, which rows are tests, what holds for all of them. The values are made of it by
extract.py.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from itertools import accumulate, compress, repeat
from typing import Any

from grader.problems import a1
from grader.read.given import Given
from grader.read.layout_spec import TableSpec
from grader.read.settle import are_verdicts, as_field, own_verdict
from grader.read.shapes.banners import Banner, banners_of, segments
from grader.read.shapes.grid import Grid
from grader.read.shapes.heads import Head
from grader.read.shapes.needed import Limit, figures_of, reading_of, with_columns_of_needs
from grader.read.shapes.needed import asks as asks_of_readings
from grader.read.shapes.outlet_line import is_running, outlet_line, places_of_machines
from grader.read.shapes.proposal import Part, Proposal, Where
from grader.read.shapes.rows import Body, is_remark, is_rule, kinds_of
from grader.read.shapes.tables import Note, shown
from grader.read.words.answers import asks
from grader.read.words.heading_words import key
from grader.read.words.headings import Heading
from grader.read.words.labels import NUMBERS, READINGS, VISIT, Column, column, first_of_names, is_unit, stated_by_layout
from grader.read.words.outlet_names import is_need
from grader.read.words.units import belongs, canonical, quantity

# Kinds of rows that hold something and are no test, each with what is said of them.
_PASSED = {
    "again": "row_headings_again",
    "total": "row_of_totals",
    "remark": "row_of_remarks",
    "none": "row_without_test",
    "caption": "row_without_test",
}
_HELD = ("field", "unclear", "unit", "substance")
_MEASURED = READINGS | NUMBERS
NO_HEADING = "(no heading)"
# What figures under no heading may be (design, "Understanding a sheet").
SECOND_READINGS = ("oxygen_pct", "co_ppm", "co2_ppm", "oil_mg_m3")


def propose(table: Table) -> Proposal:
    """The one table that stands below a heading."""
    if not table.head.own:
        table.spread_merged()
        table.add_units_beside()
        table.add_outlet()
        table.add_without_heading()
    table.tell_rows()
    banners = table.banners() if table.with_banners else []
    if not table.head.own:
        table.add_second_lines()
    return table.proposal(banners)


class Table:
    """One table while it is told what its lines hold and which of its rows are tests.

    head  : its heading; line numbers are positions in the grid. first, stop : its rows. skip : those of another table beside it.
    given : what is known of all its tests from elsewhere.
    names : the line that names the tests of a turned grid, -1 where any line may.
    title : the row of headings that notes point at. columns : line -> its cells.
    lines, values : what becomes of them in the proposal. kinds : of its rows.
    """

    def __init__(
        self,
        grid: Grid,
        head: Head,
        stop: int,
        given: Mapping[str, Given],
        spec: TableSpec | None = None,
        *,
        banners: bool = True,
        skip: Collection[int] = (),
        names: int = -1,
    ) -> None:
        self.grid, self.head, self.given, self.spec = grid, head, given, spec
        self.with_banners, self.skip, self.names = banners, skip, names
        self.notes: list[Note] = []
        self.first, self.stop = head.bottom + 1, stop
        self.title = max(head.bottom, 0)
        if spec is not None and not grid.turned:
            self.first = max(self.first, grid.row_of(spec.first_row))
            self.stop = min(self.stop, grid.row_of(spec.last_row) + 1) if spec.last_row >= 0 else self.stop
        self.columns = [cells[self.first : self.stop] for cells in grid.lines]
        lines = self._with_layout(spec) if spec is not None else head.columns
        lines = [_of_unit(c, self.columns[c.at]) for c in lines if c.at < grid.width]
        lines, self.limits = with_columns_of_needs(lines)
        self.lines = [own_verdict(c, self.columns[c.at]) for c in lines]
        self.values = {c.at: figures_of(c, self.columns[c.at]) for c in self.lines if c.kind in _HELD}
        self.kinds: list[str] = []

    def _with_layout(self, spec: TableSpec) -> list[Column]:
        """The headings as a layout file has them, with a note on what in the layout does not fit."""
        turned = self.grid.turned
        new, wrong = overridden(self.head.columns, spec, across=turned)
        for c in (c for c in new if c.at >= self.grid.width):
            line = f"row {c.at + 1}" if turned else f"column {a1(0, c.at)[:-1]}"
            wrong.append(f"{c.field}: the sheet has no {line}")
        self.notes += [spec.misfit(self.grid.name, w) for w in wrong]
        return new

    # ----------------------------------------------------------------------------------------- its lines

    def _add(self, line: Column) -> None:
        """A further line, with its cells."""
        self.lines = sorted([*self.lines, line], key=lambda c: c.at)
        self.values[line.at] = list(self.columns[line.at])

    def _line_of(self, field: str) -> int:
        """The line that holds a field; -1 for none."""
        return next((c.at for c in self.lines if c.field == field and c.at in self.values), -1)

    def spread_merged(self) -> None:
        """A cell merged over several tests holds for each of them; a reading so merged stays with the first."""
        if not self.grid.covered:
            return
        held = {c.at: self.values[c.at] for c in self.lines if c.field and c.field not in READINGS}
        for (row, at), (top, left) in self.grid.covered.items():
            index = row - self.first
            if at in held and left == at and self.first <= top and index < len(held[at]) and held[at][index] is None:
                held[at][index] = self.grid.rows[top][left]

    def add_units_beside(self) -> None:
        """A line of units alone behind a reading serves as one with the heading Unit."""
        known = {c.at for c in self.lines}
        for at in [c.at + 1 for c in self.lines if c.field in NUMBERS and c.heading.unit is None]:
            filled = {v for v in self.columns[at] if v is not None} if at < len(self.columns) else ()
            if filled and at not in known and all(map(is_unit, filled)):
                self._add(column(at, "Unit"))

    def add_outlet(self) -> None:
        """Where nothing is the outlet, the line that may hold its names is; who signed is none."""
        if any(c.field == "outlet" for c in self.lines) or "outlet" in self.given:
            return
        at, signed = outlet_line(self.lines, self.columns)
        for c in signed:
            self.values.pop(c.at, None)
        self.lines = [c._replace(kind="note") if c in signed else c for c in self.lines]
        if at >= 0:
            text = next((c.text for c in self.lines if c.at == at), "")
            named = "location" if "site" in self.given or any(c.field == "site" for c in self.lines) else "site"
            places = [] if self._line_of("system") != at else places_of_machines(self.lines)
            self.lines = [
                as_field(c, named, "places of machines") if c in places else c for c in self.lines if c.at != at
            ]
            self._add(first_of_names(at, text))
            line = f"outlet = {{ {self.grid.line_words(at)} }}"
            self.notes.append(self.grid.note("outlet_guessed", self.title, at, text or "(blank)", line=line))

    def add_without_heading(self) -> None:
        """Figures under no heading are a second reading: of what the heading merged over them names, else of any gas."""
        known = {c.at: c for c in self.lines}
        least = min((c.at for c in self.lines if c.field), default=len(self.columns))
        over = {at: known[a] for (r, at), (_, a) in self.grid.covered.items() if r == self.head.top and a in known}
        for at in range(least + 1, len(self.columns)):
            if at in known and known[at].text.strip():
                continue
            figures = [v for v in self.columns[at] if type(v) in (int, float)]
            if not figures or is_running(figures):
                continue
            candidates = over[at].heading.candidates if at in over and over[at].field in READINGS else SECOND_READINGS
            self._add(Column(at, NO_HEADING, "unclear", Heading(candidates=candidates, why=NO_HEADING)))

    # ------------------------------------------------------------------------------------------ its rows

    def tell_rows(self) -> None:
        """What each row is: a test, a total, a remark ..., "beside" where it belongs to another table or is left out."""
        grid, spec, values = self.grid, self.spec, self.values
        lines = [c for c in self.lines if c.at in values]
        readings = {c.at: c.field in NUMBERS for c in lines if c.field in _MEASURED}
        fields = {c.at: c.field for c in self.lines}
        body = Body(grid, self.first, self._line_of("outlet"), values, readings, fields)
        telling = [c.at for c in lines if c.at == self.names or _tells(c, values[c.at])]
        self.kinds, notes = kinds_of(body, self.stop - self.first, telling, self.head.again)
        self.notes += notes
        left_out = set(map(grid.row_of, spec.ignore_rows)) if spec is not None and not grid.turned else set()
        for row in left_out.union(self.skip).intersection(range(self.first, self.stop)):
            self.kinds[row - self.first] = "beside"

    def banners(self) -> list[Banner]:
        """The banners among the rows."""
        fields = {c.at: c.field for c in self.lines if c.field}
        by_field = {f: self.values[at] for at, f in reversed(fields.items()) if at in self.values}
        known = {f for f, v in by_field.items() if v.count(None) < len(v)} | set(self.given)
        found = banners_of(self.grid, by_field, fields, self.kinds, (self.first, self.stop), known)
        for banner in found:
            self.kinds[banner.at] = "banner"
        return found

    def add_second_lines(self) -> None:
        """A line below a test with a few readings alone holds second readings of it: each is judged both ways."""
        outlet, values = self.values.get(self._line_of("outlet"), []), self.values
        held = [c for c in self.lines if c.at in values and c.field != "remarks" and c.kind in ("field", "unclear")]
        made: dict[int, Column] = {}
        above, nth = -1, 0
        for index, kind in enumerate(self.kinds) if None in outlet else ():
            if kind != "test" or outlet[index] is not None:
                above, nth = (index if kind == "test" else -1), 0
                continue
            here = [c for c in held if values[c.at][index] is not None]
            there = sum(values[c.at][above] is not None for c in held)
            second = [c for c in here if c.field in READINGS and values[c.at][above] is not None]
            if above < 0 or not here or len(second) < len(here) or 2 * len(here) >= there:
                above = -1
                continue
            self.kinds[index] = "second"
            nth += 1
            for c in second:
                at = nth * self.grid.width + c.at
                heading = c.heading._replace(field=None, candidates=(c.field,), told=c.heading.unit)
                made[at] = Column(at, c.text, "unclear", heading)
                values.setdefault(at, [None] * len(self.kinds))[above] = values[c.at][index]
            self.notes.append(self.grid.note("row_second_reading", self.first + index, second[0].at, outlet[above]))
        self.lines += made.values()

    # ------------------------------------------------------------------------------------- what comes of it

    def proposal(self, banners: list[Banner]) -> Proposal:
        """The tests with their values, and what is to be said of all else."""
        grid, head = self.grid, self.head
        kept = [kind == "test" for kind in self.kinds]
        passed = self._say_passed() + len(banners)
        parts, footers, unused = segments(kept, banners)
        self.notes += [self._banner_note(banner, banner in unused) for banner in banners]
        missed = self._say_left_over(kept)
        chosen = list(compress(range(self.first, self.stop), kept))
        numbers = map(grid.outer.__getitem__, chosen)
        before = [0, *accumulate(map(int, kept))]  # tests before each row
        placed = head.bottom >= 0 and not grid.turned
        fields = {c.field for c in self.lines if c.at in self.values}
        return Proposal(
            "across" if grid.turned else "down",
            grid,
            self.lines,
            self.values if all(kept) else {at: list(compress(v, kept)) for at, v in self.values.items()},
            list(zip(repeat(grid.inner[max(self.names, 0)]), numbers) if grid.turned else zip(numbers, repeat(-1))),
            Where(
                grid.name,
                lambda at: grid.address(self.title, at % grid.width),
                lambda at: grid.line_place(at % grid.width),
                lambda at: grid.line_words(at % grid.width),
            ),
            lambda line, test: (chosen[test], line),
            given={**{f: one for f, one in footers.items() if f not in fields}, **self.given},
            parts=[Part(before[begin], before[end], own) for begin, end, own in parts],
            heads=(grid.outer[head.top], grid.outer[head.bottom]) if placed else (-1, -1),
            spec=self.spec,
            notes=self.notes,
            passed=passed,
            own=head.own,
            missed=missed,
            limits=self._limits(len(chosen)),
        )

    def _limits(self, tests: int) -> list[Limit]:
        """The columns and rows of limits of flow and line pressure."""
        grid, outlet = self.grid, self._line_of("outlet")
        found: list[Limit] = []
        for at, c in self.limits.items():
            cells = [v for v, kind in zip(self.columns[at], self.kinds) if kind == "test"]
            found.append(Limit(c, cells, grid.line_place(at), next(x.text for x in self.lines if x.at == at)))
        readings = [c for c in self.lines if c.at in self.values and reading_of(c)] if outlet >= 0 else []
        for index in (i for i, kind in enumerate(self.kinds) if kind in ("total", "test")) if readings else ():
            name, row, total = self.values[outlet][index], self.first + index, self.kinds[index] == "total"
            if total:
                limits = (asks_of_readings(name) or is_rule(str(name))) and not self._are_extremes(index)
            else:
                limits = type(name) is str and is_need(name)  # a test may be limits after all
            for c in readings if limits else ():
                found.append(Limit(c, [self.columns[c.at][index]] * tests, grid.place(row, c.at), name, total))
        return found

    def _are_extremes(self, index: int) -> bool:
        """Whether every figure of a row is the least or the greatest of its column: statistics, and no limits."""
        held = [v for at, v in self.values.items() if at != self._line_of("outlet") and type(v[index]) in (int, float)]
        figures = [[v[i] for i, k in enumerate(self.kinds) if k == "test" and type(v[i]) in (int, float)] for v in held]
        return all(f and v[index] in (min(f), max(f)) for v, f in zip(held, figures)) and len(held) > 1

    def _say_passed(self) -> int:
        """A note for every row that holds something and is no test; returns how many."""
        grid, count = self.grid, len(self.notes)
        fields = {c.at: c.field for c in self.lines if c.field}
        outlet = max(self._line_of("outlet"), 0)
        for row in (row for row, kind in enumerate(self.kinds, self.first) if kind in _PASSED):
            kind, cells = self.kinds[row - self.first], grid.rows[row]
            at = next((c for c, v in enumerate(cells) if v is not None), -1)
            if at < 0 or kind == "none" and grid.turned and all(cells[c.at] is None for c in self.lines):
                continue
            code = "column_of_totals" if kind == "total" and grid.turned else _PASSED[kind]
            if kind == "again":
                at = min(fields)
            elif kind == "total" and cells[outlet] is not None:
                at = outlet
            elif kind in ("none", "caption") and (
                fields.get(at) == "remarks" or at == outlet and type(cells[at]) is str and is_remark(cells[at])
            ):
                code = "row_of_remarks"
            self.notes.append(grid.note(code, row, at, cells[at]))
        return len(self.notes) - count

    def _banner_note(self, banner: Banner, unused: bool) -> Note:
        at = (self.first + banner.at, banner.column, banner.shown)
        if unused:
            return self.grid.note("row_without_test", *at)
        what = ", ".join(sorted(banner.given))
        line = "; ".join(f'{f} = "{shown(one.value)}"' for f, one in banner.given.items())
        return self.grid.note("banner_guessed" if banner.guessed else "banner_row", *at, what=what, line=line)

    def _say_left_over(self, kept: list[bool]) -> int:
        """A note for every filled line that nothing was read from; returns how many figures they hold under no heading."""
        grid, missed = self.grid, 0
        known = {c.at: c for c in self.lines}
        for at, cells in enumerate(self.columns):
            c = known.get(at)
            if c is not None and c.kind in (*_HELD, "ignored"):
                continue
            held = [v for v in compress(cells, kept) if v is not None]
            if not held:
                continue
            heading = c.text.strip() if c is not None else ""
            missed += sum(type(v) in (int, float) for v in held) if not heading else 0
            if grid.turned:
                heading = str(grid.rows[self.title][at])
            if asks(heading) or grid.turned and c is None:
                continue  # its answers are read; a row without a label
            code = "unknown_row" if grid.turned else "unknown_column" if heading else "column_without_heading"
            self.notes.append(grid.note(code, self.title, at, heading, heading=heading, where=grid.line_words(at)))
        return missed


def _of_unit(c: Column, cells: Sequence[Any]) -> Column:
    """A heading that is a unit alone, over figures: what the unit measures is its heading ("bar": Pressure (bar))."""
    unit = canonical(c.text) if c.kind in ("unit", "unknown", "unclear") else None
    if unit is None or not any(type(v) in (int, float) for v in cells) or any(map(is_unit, cells)):
        return c
    return column(c.at, f"{quantity(unit)} ({unit})")._replace(text=c.text)


def _tells(c: Column, values: list[Any]) -> bool:
    """Whether a filled cell of a line makes its row a test: more than remarks and labels of the visit."""
    if c.kind == "field":
        return c.field not in VISIT and c.field != "remarks"
    return (
        c.kind == "unclear"
        and not VISIT.issuperset(f for f in c.heading.candidates if f != "remarks")
        and not are_verdicts(values)
    )


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
            there = [c.at for c in columns if key(said.heading) in (key(c.text), *map(key, c.text.split(" / ")))]
            if len(there) != 1:
                wrong.append(f'{field}: the heading "{said.heading}" is there {len(there)} times')
                continue
            at = there[0]
        if at < 0:
            at = next((c.at for c in columns if c.field == field), -1)
            if at < 0:
                wrong.append(f"{field}: no heading is understood as it, so its column or heading must be given")
                continue
        placed[field] = at
    more: list[Column] = []  # of columns that serve a second field
    for i, (field, at) in enumerate(placed.items()):
        old = known.get(at)
        same = old is not None and old.field == field
        # What the heading states stays, unless the layout file says another unit.
        stated = (old.heading.unit or old.heading.told) if old is not None else None
        unit = spec.fields[field].unit or (stated if stated and (same or belongs(field, stated)) else None)
        said_so = stated_by_layout(at, old.text if old else "", field, unit, spec.source)
        if same and old:
            said_so = said_so._replace(heading=said_so.heading._replace(constants=old.heading.constants))
        if at in list(placed.values())[:i]:
            more.append(said_so)
        else:
            known[at] = said_so
    for at, found in list(known.items()):
        if at in spec.ignore and not across:
            known[at] = found._replace(kind="ignored")
        elif found.field in placed and placed[found.field] != at:
            known[at] = found._replace(kind="unknown")
        elif found.kind == "unclear" and set(found.heading.candidates) <= set(placed):
            known[at] = found._replace(kind="unknown")
    return sorted([*known.values(), *more], key=lambda c: c.at), wrong
