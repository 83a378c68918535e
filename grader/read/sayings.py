"""One thing that a cell says of tests, the cells of a sheet to find it by, and how a table takes what is said of it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple

from grader.columns import FIELDS
from grader.problems import Place, Table, Unclear
from grader.read.given import is_by_layout
from grader.read.shapes.grid import Grid
from grader.read.shapes.tables import shown, whole
from grader.read.words.heading_words import LIKELY, key
from grader.read.words.outlet_names import names, speaks_of_all
from grader.read.words.stated import Stated

SAID = "said_against"


class Said(NamedTuple):
    """One thing that a cell says. at : 0-based row and column of the sheet. against : the words; stated : figures.

    lists : columns, or one line, that may list outlets to be used; cleared : those that they name.
    mark : the sign or code that it explains, by which tests carry what it says (of_one).
    of_one : what it says against the outlet that its row names, where it stands on a sheet without tests.
    row : the texts of that row. how : where it stands. measured : readings of that outlet that it states.
    """

    sheet: str
    at: tuple[int, int]
    text: str
    against: str
    stated: tuple[Stated, ...]
    of_one: str = ""
    row: tuple[str, ...] = ()
    how: str = "said beside the tests"
    measured: tuple[Stated, ...] = ()
    mark: str = ""
    lists: tuple[tuple[str, ...], ...] = ()
    cleared: frozenset[str] = frozenset()

    def names(self, outlet: Any) -> bool:
        """Whether its row names an outlet: in a cell of its own, or within a text where the name has several signs."""
        if outlet is None or not self.row:
            return False
        name = shown(outlet)
        return any(key(text) == key(name) or names(text, name) for text in self.row if key(name))


class Measured:
    """Readings in words of a table's tests, packed: one column for what may be the same fields, as long as its cells are free."""

    def __init__(self, count: int) -> None:
        self.count = count
        self.columns: dict[tuple[str, ...], list[tuple[list[Any], list[str], Place]]] = {}

    def add(self, tests: Sequence[int], place: Place, text: str, figures: Iterable[Stated]) -> None:
        """Take what one text states of some tests."""
        for s in figures if tests else ():
            there = self.columns.setdefault(s.choices, [])
            free = next((c for c in there if all(c[0][i] is None for i in tests)), None)
            if free is None:
                there.append(free := ([None] * self.count, [], place))
            free[1].append(text)
            for i in tests:
                free[0][i] = s.value

    def unclear(self) -> list[Unclear]:
        """What each is to be judged with as well. A reading is settled in its cell, never for all tests: no line of a layout."""
        return [
            Unclear(
                "; ".join(dict.fromkeys(texts[:_MOST_SHOWN])),
                place,
                tuple((f, "") for f in choices),
                values,
                aside=True,
            )
            for choices, there in self.columns.items()
            for values, texts, place in there
        ]


_MOST_SHOWN = 3  # texts of one column in a message


def outlets_of(table: Table) -> list[Any]:
    """The outlet of each test of a table, None where it has none."""
    return table.columns.get("outlet") or [table.constants.get("outlet", ("", None))[1]] * len(table.rows)


def _different(tables: Sequence[Table]) -> set[Any]:
    return set().union(*map(outlets_of, tables))


def of_their_outlets(found: Sequence[Said], tables: Sequence[Table]) -> list[Said]:
    """What other sheets say: a row that names an outlet of the workbook speaks of that one alone.

    A figure alone may be any number, and a text of all, or of the others, speaks of more.
    """
    outlets = {n for n in _different(tables) if type(n) is str and any(map(str.isalpha, n))}
    return [
        s._replace(against="") if s.row and not speaks_of_all(s.text) and any(map(s.names, outlets)) else s
        for s in found
    ]


def said_of_all(table: Table, found: Sequence[Said]) -> Table:
    """A table with what lines around it, or sheets without a table, say of all its tests."""
    if not found or not table.rows:
        return table
    count, measured = len(table.rows), Measured(len(table.rows))
    for said in found:
        if said.row or said.mark or said.cleared:
            table = _with_words_of_one(table, said, measured)
        if said.against and SAID not in table.constants:
            place = Place(said.sheet, *said.at)
            how = {SAID: (said.against, said.how, LIKELY)}
            table = table._replace(constants={**table.constants, SAID: (place, said.against)}, how={**table.how, **how})
        table = with_unclear(table, said, said.stated, [True] * count)
    return table._replace(unclear=[*table.unclear, *measured.unclear()])


def _with_words_of_one(table: Table, said: Said, measured: Measured) -> Table:
    """A table with what a row of another sheet says against the outlets that it names."""
    count = len(table.rows)
    if said.cleared:
        mine = _left_out(table, said.cleared)
    else:
        carry = set(table.marks.get(said.mark, ())) if said.mark else ()
        mine = [i in carry or said.names(name) for i, name in enumerate(outlets_of(table))]
    measured.add([i for i, here in enumerate(mine) if here], Place(said.sheet, *said.at), said.text, said.measured)
    if not any(mine) or not said.of_one:
        return table
    words = f"{said.sheet}: {said.of_one}"
    old = table.columns.get(SAID, [None] * count)
    new = [" / ".join(filter(None, (w, words))) if here else w for w, here in zip(old, mine)]
    return table._replace(
        columns={**table.columns, SAID: new},
        places={SAID: Place(said.sheet, *said.at), **table.places},
        how={SAID: (said.of_one, "said on another sheet", LIKELY), **table.how},
    )


def _left_out(table: Table, cleared: frozenset[str]) -> list[bool]:
    """Which tests' outlets a list of those that may be used leaves out; none where it names none of the table's."""
    mine = [name is not None and key(shown(name)) not in cleared for name in outlets_of(table)]
    return mine if not all(mine) else [False] * len(mine)


def with_unclear(table: Table, said: Said, figures: Iterable[Stated], of: Sequence[bool]) -> Table:
    """A table with figures that some of its tests may be judged with."""
    more = [
        Unclear(
            said.text,
            Place(said.sheet, *said.at),
            tuple((f, "") for f in s.choices),
            [s.value if mine else None for mine in of],
            # A reading is settled in its cell, never for all tests.
            f'{s.choices[0]} = "{shown(s.value)}"' if not FIELDS[s.choices[0]].reading else "",
            aside=True,
        )
        for s in figures
        if s.choices and not any(_is_known(table, f, s.value) for f in s.choices)
    ]
    return table._replace(unclear=[*table.unclear, *more]) if more else table


def _is_known(table: Table, field: str, value: Any) -> bool:
    """Whether a field is the same for all tests anyway, or a layout file says what it is."""
    return field in table.constants and (table.constants[field][1] == value or is_by_layout(table, field))


class Cells:
    """The cells of a sheet by 0-based row and column, blanks as None. names : of its outlets, as compared."""

    def __init__(self, grid: Grid, tables: Sequence[Table] = ()) -> None:
        self.grid, self.name = grid, grid.name
        self.position = {n: i for i, n in enumerate(grid.outer)}
        self.comments, self.printed = dict(grid.sheet.comments), set(grid.sheet.printed)
        self.names = frozenset(key(shown(n)) for n in _different(tables) if n is not None) - {""}
        self.tables = tables
        if tables:
            self.printed.add(grid.name)  # "VOID"

    def merged(self) -> list[tuple[tuple[int, int], tuple[int, int]]]:
        """Each cell that a merged range hides, with the first of its range, by the numbers of the sheet."""
        rows, columns = self.grid.outer, self.grid.inner
        return [
            ((rows[r], columns[c]), (rows[top], columns[left])) for (r, c), (top, left) in self.grid.covered.items()
        ]

    def at(self, row: int, column: int) -> Any:
        """The value of a cell, None for a blank one and outside."""
        cells = self.row(row)
        return cells[column] if 0 <= column < len(cells) else None

    def row(self, row: int) -> Sequence[Any]:
        """The cells of a row, none outside."""
        here = self.position.get(row)
        return () if here is None else self.grid.rows[here]

    def columns(self) -> Sequence[int]:
        """The columns of the sheet."""
        return self.grid.inner

    def first(self, row: int) -> int:
        """The first filled column of a row."""
        return next(c for c, v in enumerate(self.row(row)) if v is not None)

    def filled(self, row: int) -> int:
        """How many cells of a row hold anything."""
        cells = self.row(row)
        return len(cells) - cells.count(None)

    def texts_of(self, row: int) -> tuple[str, ...]:
        """The texts of a row, and its whole numbers as texts."""
        return tuple(v for v in map(whole, self.row(row)) if type(v) is str)

    def of(self, texts: set[str]) -> list[tuple[int, int, str]]:
        """(row, column, text) of the cells and comments that hold one of some texts."""
        made = []
        for row, cells in zip(self.grid.outer, self.grid.rows):
            if not texts.isdisjoint(cells):
                made += [(row, c, v) for c, v in enumerate(cells) if type(v) is str and v in texts]
        made += [(*at, text) for at, text in sorted(self.comments.items()) if text in texts]
        return made
