"""What stands on a sheet beside the fields of its tests: remarks, lines around a table, sheets without one, comments.

What speaks against a pass is given to the tests that it is about, as field `said_against`; a temperature of a cold place, an
expiry or a need stated there is judged both ways (`Table.unclear`). Words: data/said.toml. Only the different texts of a
sheet are looked at, and cells only where one of them tells something.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from functools import lru_cache
from typing import Any

from grader.columns import EVIDENCE_FIELDS, FIELDS
from grader.problems import Place, Table
from grader.read.sayings import SAID, Cells, Measured, Said, outlets_of, said_of_all, with_unclear
from grader.read.shapes.own_guide import guide_texts
from grader.read.shapes.tables import Sheet, is_blank, number_of, shown, whole
from grader.read.words.dates import is_date
from grader.read.words.heading_words import LIKELY, key
from grader.read.words.labels import is_unit, kind_of, looks_like_value
from grader.read.words.loose import loose_word, own_word
from grader.read.words.measured import may_speak, readings_in
from grader.read.words.said import (
    AROUND,
    LINE,
    NAME,
    ROW,
    TICK,
    Stated,
    against,
    alone,
    answered_badly,
    answered_well,
    answers_badly,
    asks,
    begins_with,
    called,
    expiry_of,
    is_cold,
    is_label,
    is_temperature,
    is_yes,
    label_choices,
    may_be_ill,
    may_tell,
    names,
    of_more,
    put_right,
    says,
    smells,
    spanned,
    stated,
    titled,
    words_between,
)
from grader.read.words.unclear import classes_of

_NAMES = frozenset(
    ("tested_by", "outlet", "location", "system", "site", "client", "equipment", "work_done")
)  # of places and things
# Fields whose cells are looked at though they are read.
_SPOKEN = frozenset(("remarks", "supply", "dryer", "instrument", *(f for f in FIELDS if f.endswith("_tube_lot"))))
# Fields that a heading which asks may be taken for, and in which its answer is no value.
_FREE = ("remarks", "own_verdict", "outlet_status", "location", "tested_by")
_LEAST_LISTED = 2  # words of a line that names an outlet and says what is wrong
_LONGEST_ASKED = 5  # words of a question in a cell
_FAR = 4  # columns between a label and its value, at most
_MOST_OF_A_ROW = 6  # cells of a row that is no test and says something
_DEEP = 12  # rows of a small table under a heading for expiry


def with_what_is_said(
    sheet: Sheet, tables: list[Table], read: Collection[tuple[int, int]] = ()
) -> tuple[list[Table], list[Said]]:
    """The tables of one sheet with what its other cells say, and what is left for those of other sheets.

    tables : of this sheet; with none, all that is said is left over. read : 0-based cells that are read otherwise.
    """
    if not tables and "earlier" in classes_of(sheet.name):
        return tables, []  # "Last visit" says nothing of this one
    listed = _listed(sheet) if not tables else []
    cells = Cells(sheet, tables)
    here = {v for v in set().union(*sheet.rows) if type(v) is str and (len(v) > 1 or alone(v))}
    texts = {
        t for t in here.union(cells.comments.values(), cells.printed) if _tells(t) or t in cells.printed and titled(t)
    }
    if texts and not tables:
        texts -= guide_texts(sheet.name)
    asked = {t for t in here if asks(t)} if tables else set()
    if not texts and not asked:
        return tables, listed
    regions = [_Region(t, cells) for t in tables if t.rows]
    outlets = _Outlets(regions)
    of_others: list[Said] = []
    for_all, over = listed, not tables and asks(sheet.name) == "ill"
    for row, column, text in cells.of(asked):
        for region in (r for r in regions if (row, column) in r):
            region.ask(cells, row, column, text)
    single = len(regions) == 1 == len(regions[0].at)  # what is said on its sheet is of that test
    for text in sorted(cells.printed & texts):
        words = against(text, LINE if single else AROUND) or titled(text) or alone(text) * (text != sheet.name)
        if not _of_some(regions, outlets, cells, -1, -1, text, False) and (words or text * answers_badly(text)):
            words = words or text
            how = "name of the sheet" if text == sheet.name else "on the page, beside the cells"
            for_all.append(Said(cells.name, (0, 0), text, words, (), how=how))
    for row, column, text in cells.of(texts):
        if (row, column) in read:
            continue
        mine = [r for r in regions if (row, column) in r]
        used = [r.role(row, column) for r in mine]
        lone = cells.filled(row) == 1
        if tables and lone:
            _leaves_out(regions, outlets.named(text, row), text, (row, column))
        if tables and lone and (words := against(text, LINE)) and not outlets.named(text, row):
            # It may name an outlet of another sheet.
            of_others.append(Said(cells.name, (row, column), text, "", (), words, (text,)))
        if tables and _of_some(regions, outlets, cells, row, column, text, lone):
            if "used" not in used and (found := _around(cells, row, column, text)) and found.stated:
                for_all.append(found._replace(against=""))
            continue
        if "used" in used or _answered_no(cells, regions, row, column, text):
            continue
        if not mine:
            if over and _closed(cells, row):
                continue
            found = _around(cells, row, column, text)
            if single and not (found and found.against) and (words := against(text, LINE) or alone(text)):
                found = (found or Said(cells.name, (row, column), text, "", ()))._replace(against=words)
            of_one, figures = against(text, ROW) or smells(text) or alone(text), readings_in(text)
            if not tables and (of_one or figures):
                found = (found or Said(cells.name, (row, column), text, "", ()))._replace(
                    of_one=of_one, row=cells.texts_of(row), measured=figures
                )
            if found is not None:
                for_all.append(found)
            continue
        for region, role in zip(mine, used):
            region.take(cells, row, column, text, role)
    if not regions:
        return tables, for_all
    for row in _outside(cells, regions):
        for_all += _row_of_words(regions, outlets, cells, row)
    made = iter([region.made() for region in regions])
    return [said_of_all(next(made), for_all) if t.rows else t for t in tables], of_others


def _answered_no(cells: Cells, regions: Sequence[_Region], row: int, column: int, text: str) -> bool:
    """Whether a few words outside of the tests that run down or across are a question with a no beside it: "Leaks" | "none"."""
    if len(text.split()) > _LONGEST_ASKED or any((row, column) in r and (r.down or r.across) for r in regions):
        return False
    answer = cells.at(row, column + 1)
    alone = type(answer) is str and len(answer.split()) == 1
    return alone and bool(against(text, LINE)) and not against(f"{text}: {answer}", LINE)


def _of_some(
    regions: Sequence[_Region], outlets: _Outlets, cells: Cells, row: int, column: int, text: str, lone: bool
) -> bool:
    """Give what a line says to the tests that it is about, by the outlets it names or where it stands.

    Returns : whether it is about no others: not where neither tells, nor where it speaks of all, or of the others.
    """
    words, figures = against(text, LINE) or smells(text), readings_in(text)
    if (
        not (words or figures or alone(text, whole=False))
        or not lone
        and any(row in r.tests for r in regions if r.down)
    ):
        return False
    named = outlets.named(text, row)
    if not named and lone:
        named = [(r, i) for r in regions for i in r.beside(row, column)]
    for region, i in named:
        region.keep([i], words or alone(text, shown(outlets_of(region.table)[i])), (row, column))
        region.measure([i], (row, column), text, figures)
    own = not lone and any((row, column) in r for r in regions if not r.down)  # "mixed up with P3", said in P2's form
    if own and not any(begins_with(text, r.outlets[i]) for r, i in named):
        return False
    return bool(named) and not of_more(text)


def _outside(cells: Cells, regions: Sequence[_Region]) -> Iterable[int]:
    """The rows with several cells, few of them, that no table of a sheet holds."""
    held = {row for r in regions for row in (*(r.tests if r.down else ()), *r.body)}
    others = [r for r in regions if not r.body]
    for row in (number_of(cells.sheet, i) for i in range(len(cells.sheet.rows))):
        if row in held or not 1 < cells.filled(row) <= _MOST_OF_A_ROW:
            continue
        first = next(c for c, v in enumerate(cells.row(row)) if not is_blank(v))
        if not any((row, first) in r for r in others):
            yield row


def _row_of_words(regions: Sequence[_Region], outlets: _Outlets, cells: Cells, row: int) -> list[Said]:
    """Give what the cells of a row say together to the outlets that they name; what they say of all, where they name none.

    "P2 | CO | 18", "Faulty | P2", "Instrument state | faulty", "Released for use | no".
    """
    values = [(c, v) for c, v in enumerate(cells.row(row)) if not is_blank(v)]
    texts, at = [shown(whole(v)) for _, v in values], (row, values[0][0])
    named = outlets.named("; ".join(["", *texts]), row)
    own = {key(shown(outlets_of(r.table)[i])) for r, i in named}
    rest = [v for v in texts if key(v) not in own]
    said = " ".join(rest)
    if not named:
        words = _with_its_heading(texts[0], said[len(texts[0]) :].strip()) if len(texts) == 2 else ""
        if len(texts) == 2 and answered_badly(texts[0], values[1][1]):
            words = f"{texts[0]}: {texts[1]}"
        return [Said(cells.name, at, said, words, ())] if words else []
    words = against(said, ROW) or smells(said) or alone(said)
    if not words and len(rest) == 1 and answered_badly("ok", rest[0]):
        words = said
    for region, i in named if words or not _leaves_out(regions, named, " ".join(texts), at) else ():
        region.keep([i], words, at)
        region.measure([i], at, said, readings_in(said))
    return []


def _leaves_out(
    regions: Sequence[_Region], named: Sequence[tuple[_Region, int]], text: str, at: tuple[int, int]
) -> bool:
    """Keep that a list of the outlets that passed leaves others out ("P1 and P3 may be used"); whether it is such a list."""
    if len(named) < 2 or not says(text, "general", "approved") or against(text, LINE):
        return False
    for region in regions:
        mine = [i for r, i in named if r is region]
        region.keep([i for i in range(len(region.at)) if i not in mine] if mine else (), f"left out: {text}", at)
    return True


def _listed(sheet: Sheet) -> list[Said]:
    """The rows of a sheet whose name says that it lists what is wrong ("Defects", "Mängel"), but for those that say none."""
    if asks(sheet.name) != "ill":
        return []
    cells = Cells(sheet)
    made = []
    for row in (number_of(sheet, i) for i in range(len(sheet.rows))):
        texts = cells.texts_of(row)
        if not texts or _closed(cells, row):
            continue
        if len([t for t in texts if not is_date(t)]) == 1:  # an outlet, where it is named
            made.append(Said(sheet.name, (row, 0), sheet.name, "", (), sheet.name, texts))
        if len(" ".join(texts).split()) < _LEAST_LISTED:
            continue
        told = max(texts[1:] or texts, key=len)
        if len(told.split()) > 1 or any(map(str.isdigit, told)) or answered_badly("Alarm", told):
            made.append(Said(sheet.name, (row, 0), told, "", (), told, texts))
    return made


def _closed(cells: Cells, row: int) -> bool:
    """Whether a cell of a row says that what it tells is over: "closed", "repaired 12 May", a tick or a day under "Done"."""
    if any(put_right(text) for text in cells.texts_of(row)):
        return True
    under = {
        c for r in range(min(row, _DEEP)) for c, v in enumerate(cells.row(r)) if type(v) is str and put_right(v, True)
    }
    answers = (cells.at(row, c) for c in under)
    return any(a is True or is_date(a) or type(a) is str and is_yes(a) for a in answers)


@lru_cache(maxsize=20_000)  # the files of a firm have most of their texts in common
def _tells(text: str) -> bool:
    """Whether a text says anything, by its words alone."""
    if not may_speak(text):
        return not any(map(str.isdigit, text)) and kind_of(text) == "verdict"
    if alone(text, whole=False) or readings_in(text) or answers_badly(text) or called(text) or may_be_ill(text):
        return True
    if len(text.split()) > _LEAST_LISTED and says(text, "general", "approved"):
        return True  # of some, and not of others
    if not may_tell(text):
        return not any(map(str.isdigit, text)) and kind_of(text) == "verdict"
    if against(text, ROW) or smells(text) or stated(text):
        return True
    if any(map(str.isdigit, text)) and "expire" in classes_of(text):
        return True
    return is_label(text)


# ------------------------------------------------------------------------------------------ lines that stand alone


def _around(cells: Cells, row: int, column: int, text: str) -> Said | None:
    """What a cell outside of all tests says."""
    words = against(text, AROUND)
    if words and _is_of_a_legend(cells, row, column, text):
        words = ""
    if kind_of(text) == "verdict" and (found := _value_beside(cells, row, column)) is not None:
        words = words or _as_verdict(text, found[0])
    left = cells.at(row, column - 1) if column else None
    words = words or text * answers_badly(text) or (_with_its_heading(left, text) if type(left) is str else "")
    figures = stated(text) or _beside(cells, row, column, text)
    if says(text, "measured", "visit"):
        figures += readings_in(text)
    if not figures and "expire" in classes_of(text):
        # "Tubes | CO | exp. 01/2025": what expires stands before it.
        named = " ".join(v for c in range(max(column - _FAR, 0), column) if type(v := cells.at(row, c)) is str)
        figures = stated(f"{named} {text}") if named else ()
    return Said(cells.name, (row, column), text, words, figures) if words or figures else None


def _as_verdict(label: str, value: Any) -> str:
    """A label for a verdict with a word behind it that is no pass."""
    if type(value) is bool:
        return "" if value else f"{label}: {value}"
    word = (own_word("own_verdict", value) or loose_word("own_verdict", value)) if type(value) is str else ""
    return f"{label}: {value}" if word == "fail" else ""


def _is_of_a_legend(cells: Cells, row: int, column: int, text: str) -> bool:
    """Whether a word alone is explained, or counted as nothing, by its neighbours: "FAIL | above limit", "F | fail"."""
    right = cells.at(row, column + 1)
    if right in (0, 0.0, "0") and type(right) is not bool:
        return True
    if len(text.split()) > 2:
        return False
    left = next((v for c in range(column - 1, -1, -1) if (v := cells.at(row, c)) is not None), None)
    if type(left) is str and (len(left.strip(" =:")) <= 2 or left.rstrip().endswith("=")):
        return True
    counted = type(right) in (int, float) or type(right) is str and right.strip(" -").isdigit() or right == "-"
    if left is None and right is None:
        over, under = cells.at(row - 1, column), cells.at(row + 1, column)
        return any(kind_of(v) == "verdict" for v in (over, under) if type(v) is str)  # a list of words to choose from
    if counted or left is not None or type(right) is not str:
        return counted
    words = [key(w) for w in right.split() if w != "a"]
    names_one = not cells.names.isdisjoint([*words, *map(str.__add__, words, words[1:])])
    return not is_date(right) and len(right.split()) > 1 and not names_one


def _beside(cells: Cells, row: int, column: int, label: str) -> tuple[Stated, ...]:
    """The figure or date that belongs to a label at its right, or the dates below a heading for expiries."""
    if not is_label(label):
        return ()
    found = _value_beside(cells, row, column)
    if classes_of(label) & {"expire", "due"}:
        return _dates_of(cells, row, column, label, found)
    if found is None:
        return ()
    value, unit = found
    if not looks_like_value(value) or is_date(value):
        return ()
    choices = label_choices(label, unit)
    if not choices:
        return ()
    if choices[0] == "lowest_use_temperature_c" and not _may_be_temperature(label, value, unit):
        return ()
    return (Stated(choices, f"{shown(value)} {unit}".strip() if unit else value),)


def _may_be_temperature(label: str, value: Any, unit: str) -> bool:
    """Whether a figure beside a word for cold is a temperature: by a unit, by a word for it, or as a figure below 0."""
    told = f"{label} {shown(value)} {unit}".casefold()
    if any(sign in told for sign in ("°", "degc", "deg c", "degf", "grad")) or unit in ("C", "F"):
        return True
    if "temp" in classes_of(label):
        return not any(c.isalpha() for c in shown(value)) or shown(value).strip()[-1:].upper() in "CF"
    return shown(value).lstrip().startswith(("-", "−", "–"))


def _value_beside(cells: Cells, row: int, column: int) -> tuple[Any, str] | None:
    """(the first filled cell at the right, a unit beside it), None where there is none."""
    for at in range(column + 1, column + 2 + _FAR):
        value = cells.at(row, at)
        if value is not None and not is_unit(value):
            unit = cells.at(row, at + 1)
            if not is_unit(unit):
                unit = cells.at(row, at - 1) if at - 1 > column else None
            return value, unit if type(unit) is str and is_unit(unit) else ""
    return None


def _dates_of(cells: Cells, row: int, column: int, label: str, found: tuple[Any, str] | None) -> tuple[Stated, ...]:
    """Expiries: beside a label, what its row names; below a heading, what each row of the small table names."""
    named = " ".join(v for c in range(max(column - _FAR, 0), column) if type(v := cells.at(row, c)) is str)
    if found is not None and is_date(found[0]):
        choices = expiry_of(f"{named} {label}", classes_of(f"{named} {label}"))
        return (Stated(choices, found[0]),) if choices else ()
    made = []
    heads = " ".join(v for c in range(column + _FAR) if type(v := cells.at(row, c)) is str)
    whole = classes_of(heads)
    for below in range(row + 1, row + 1 + _DEEP):
        value = cells.at(below, column)
        if not is_date(value):
            break
        of = " ".join(v for c in range(column) if type(v := cells.at(below, c)) is str and not is_date(v))
        choices = expiry_of(of, whole)
        if choices:
            made.append(Stated(choices, value))
    return tuple(made)


# ------------------------------------------------------------------------------------------------- one table


def _answered_badly(heading: str, answers: Mapping[int, Any]) -> list[int]:
    """Which tests the answers under a heading that asks speak against; where all are 0 or 1, 0 is a no."""
    filled = [v for v in answers.values() if v is not None]
    coded = asks(heading) == "good" and len(filled) > 1 and all(v in (0, 1) for v in filled)
    bad = [i for i, v in answers.items() if answered_badly(heading, v) or coded and v == 0]
    if asks(heading) == "good" and any(map(answered_well, filled)):  # among answers that are understood
        bad += [i for i, v in answers.items() if type(v) is str and i not in bad and not answered_well(v)]
    return [*bad, *_not_ticked(heading, answers)]


def _not_ticked(heading: str, answers: Mapping[int, Any]) -> list[int]:
    """Which of several tests are blank under a heading that asks whether all is well, where all others are ticked."""
    blank = [i for i, v in answers.items() if v is None]
    ticked = all(v is None or type(v) is str and TICK.fullmatch(v.strip()) for v in answers.values())
    return blank if asks(heading) == "good" and ticked and len(blank) < len(answers) else []


def _of_another_time(heading: str) -> bool:
    """Whether what stands under a heading is of an earlier visit, or a limit."""
    return kind_of(heading) in ("earlier", "limit") or "earlier" in classes_of(heading)


def _with_its_heading(heading: str, text: str) -> str:
    """What a text says against a test only together with its heading: "Hose condition" | "perished"."""
    if asks(heading) or against(heading, ROW) or against(text, ROW):
        return ""
    return f"{heading}: {text}" if against(f"{heading} {text}", ROW) else ""


class _Region:
    """Where one table stands, which of its cells are read, and what the others say of its tests."""

    def __init__(self, table: Table, cells: Cells) -> None:
        self.table = table
        self.down = table.orientation == "down"
        self.across = table.orientation == "across"
        self.tests = {r: i for i, r in enumerate(table.rows)}
        self.columns = {c: i for i, c in enumerate(table.across)}
        self.by_column: dict[int, str] = {}
        self.by_row: dict[int, str] = {}
        placed = [(p, f) for f, p in table.places.items()]
        placed += [(p, f) for f, (p, _) in table.constants.items() if p.sheet == table.sheet]
        placed += [(u.place, "unclear") for u in table.unclear]
        self.own: dict[tuple[int, int], str] = {}
        for place, field in placed:
            if place.row is None and place.column is not None:
                self.by_column.setdefault(place.column, field)
            elif place.row is not None and place.column is None:
                self.by_row.setdefault(place.row, field)
            elif place.row is not None and place.column is not None:
                self.own.setdefault((place.row, place.column), field)
        self.words: list[list[str]] = [[] for _ in table.rows]
        self.at: list[tuple[int, int] | None] = [None] * len(table.rows)
        self.figures: list[tuple[Said, list[bool]]] = []
        self.measured = Measured(len(table.rows))
        self.cells = cells
        self.headings = {said[0] for said in table.how.values()} | {u.heading for u in table.unclear}
        self.outlets: list[str] = []
        self.body = range(0)
        if self.across and self.by_row:  # down to the next blank row: lines that are not known too
            last = max(self.by_row)
            while cells.filled(last + 1) > 1:
                last += 1
            self.body = range(min(self.by_row), last + 1)

    def __contains__(self, at: tuple[int, int]) -> bool:
        """Whether a cell is of this table: its tests, its headings, its form."""
        row, column = at
        if at in self.own:
            return True
        if self.across:
            return row in self.body and (column in self.columns or row in self.by_row or column < min(self.columns))
        top, bottom = self.table.heads
        if self.down:
            return row in self.tests or 0 <= top <= row <= bottom
        if self._is_long():
            return row >= top >= 0 or row >= min(self.tests)
        first, last = self.table.sides
        inside = top <= row <= bottom if top >= 0 else bool(self.tests) and min(self.tests) <= row
        return inside and (first < 0 or first <= column <= last + 1)

    def beside(self, row: int, column: int) -> Iterable[int]:
        """The tests that a line alone in its row is about: all where it stands among them, or one where it goes on below it."""
        if not self.down:
            single = len(self.at) == 1 and not self.across and not self._is_long() and len(self.cells.tables) == 1
            return range(len(self.at)) if single else ()
        if self.by_column.get(column) == "remarks" and row not in self.tests and row - 1 in self.tests:
            return [self.tests[row - 1]]  # it goes on below
        among = row in self.tests or min(self.tests) < row < max(self.tests)
        return range(len(self.at)) if among else ()

    def role(self, row: int, column: int) -> str:
        """ "used" by a field that reads its words itself, "name", "remark", "head", "test", or "inside"."""
        field = self._field(row, column)
        if field is None:
            if self.down and row not in self.tests:
                return "head"
            if self.across and column not in self.columns:
                return "head"
            return "test" if self.down or self.across else "inside"
        if (row, column) in self.cells.comments:
            return "test"
        if field in _NAMES:
            return "name"
        return "test" if field in _SPOKEN else "used"

    def _field(self, row: int, column: int) -> str | None:
        if (row, column) in self.own:
            return self.own[row, column]
        if self.across:
            return self.by_row.get(row)
        return self.by_column.get(column) if row in self.tests or not self.down else None

    def keep(self, tests: Iterable[int], words: str, at: tuple[int, int]) -> None:
        """Keep what a cell says against some tests."""
        for i in tests if words else ():
            self.words[i].append(words)
            self.at[i] = self.at[i] or at

    def measure(self, tests: Collection[int], at: tuple[int, int], text: str, figures: tuple[Stated, ...]) -> None:
        """Keep figures that some tests are to be judged with as well."""
        self.measured.add(
            list(tests), Place(self.cells.name, *at), text, (s for s in figures if s.choices[0] in EVIDENCE_FIELDS)
        )
        if figures := tuple(s for s in figures if s.choices[0] not in EVIDENCE_FIELDS):
            said = Said(self.cells.name, at, text, "", figures)
            self.figures.append((said, [i in tests for i in range(len(self.at))]))

    def take(self, cells: Cells, row: int, column: int, text: str, role: str) -> None:
        """Keep what a cell of this table says."""
        if role == "head":
            if text == cells.comments.get((row, column)):
                self.keep(range(len(self.at)), against(text, ROW) or alone(text), (row, column))
            figures = stated(text)
            read = self.by_column.get(column) == "lowest_use_temperature_c"
            if not figures and self.down and not read and is_cold(text):
                self._under_cold(cells, row, column, text)
            if figures:
                filled = [i for i, r in enumerate(self.table.rows) if self.down and cells.at(r, column) is not None]
                self.measure(filled or range(len(self.at)), (row, column), text, figures)
            return
        mine, at, field = self._mine(cells, row, column), (row, column), self._field(row, column)
        head = self._heading(cells, row, column)
        of_today = role != "name" and not _of_another_time(head)
        figures = stated(text) if role != "name" else ()
        if role == "inside" and not self._is_long():
            found = _around(cells, row, column, text)
            words, figures = (found.against, found.stated) if found else ("", ())
            figures = () if text in self.headings else figures  # a label that is read
            words = words or against(text, ROW) * bool(column)
        else:
            words = against(text, NAME if role == "name" else ROW) or smells(text) * (role != "name")
            words *= of_today or role == "name"
            if self._is_long() and not words and text not in self.headings:
                found = _around(cells, row, column, text)
                words, figures = (found.against, found.stated) if found else ("", figures)
        if field == "outlet":
            words = words or called(text)
        if of_today and (column or text == cells.comments.get(at)) or field == "location":
            remark = not head or field in ("remarks", "location") or text == cells.comments.get(at)
            words = words or alone(text) * remark or _with_its_heading(head, text) * (role in ("test", "inside"))
            figures += readings_in(text) if not says(head, "measured", "without") else ()
        self.keep(mine, words, at)
        self.measure(mine, at, text, figures)

    def ask(self, cells: Cells, row: int, column: int, text: str) -> None:
        """Keep what the answers under or beside a heading that asks say against their tests."""
        field = self.by_column.get(column) if self.down else self.by_row.get(row) if self.across else None
        if field not in (None, *_FREE) or not (self.down or self.across) and text in self.headings:
            return
        if self.down:
            answers = {i: (r, column) for r, i in self.tests.items()} if row not in self.tests else {}
        elif self.across:
            answers = {i: (row, c) for c, i in self.columns.items()} if column not in self.columns else {}
        elif self.table.heads[0] <= row <= self.table.heads[1]:
            answers = {}  # beside a heading stands another
        else:
            beside = (
                c
                for c in range(column + 1, column + 2 + _FAR)
                if not is_blank(v := cells.at(row, c)) and not is_unit(v)
            )
            answers = dict.fromkeys(self._mine(cells, row, column), (row, next(beside, column + 1)))
        values = {i: cells.at(*at) for i, at in answers.items()}
        for i in _answered_badly(text, values) if field != "own_verdict" else _not_ticked(text, values):
            self.keep([i], f"{text}: {'not ticked' if values[i] is None else shown(values[i])}", answers[i])

    def _under_cold(self, cells: Cells, row: int, column: int, text: str) -> None:
        """Temperatures with their unit under a heading that speaks of the cold and states none."""
        values = [v if type(v := cells.at(r, column)) is str and is_temperature(v) else None for r in self.table.rows]
        for value in dict.fromkeys(v for v in values if v is not None):
            mine = [i for i, v in enumerate(values) if v == value]
            self.measure(mine, (row, column), text, (Stated(("lowest_use_temperature_c",), value),))

    def _is_long(self) -> bool:
        return self.table.orientation == "long"

    def _heading(self, cells: Cells, row: int, column: int) -> str:
        """What stands over a cell of a table, before one where outlets run across, or at the left of one of a form."""
        if self.down and (row, column) not in self.own:
            top, bottom = self.table.heads
            over = [cells.at(r, column) for r in range(max(top, 0), bottom + 1)]
        elif self.across and (row, column) not in self.own:
            over = [cells.at(row, c) for c in range(min(self.columns, default=0))]
        else:
            over = [next((v for c in range(column - 1, -1, -1) if (v := cells.at(row, c)) is not None), None)]
        return " ".join(v for v in over if type(v) is str)

    def _mine(self, cells: Cells, row: int, column: int) -> set[int]:
        """Numbers of the tests that a cell is about."""
        if self.down and row in self.tests:
            return {self.tests[row]}
        if self.across and column in self.columns:
            return {self.columns[column]}
        everyone = set(range(len(self.table.rows)))
        named = self.table.places.get("outlet")
        names = self.table.columns.get("outlet")
        if not self._is_long() or named is None or named.column is None or not names:
            return everyone
        name = next((v for r in range(row, row - 50, -1) if (v := cells.at(r, named.column)) is not None), None)
        mine = {i for i, n in enumerate(names) if key(str(n)) == key(str(name))}
        return mine if mine or key(str(name)) in cells.names else everyone

    def made(self) -> Table:
        """The table with what was kept."""
        table = self.table
        if any(self.words):
            own = [" / ".join(dict.fromkeys(w)) or None for w in self.words]
            first = next(at for at in self.at if at is not None)
            place = Place(table.sheet, None, first[1]) if self.down else Place(table.sheet, *first)
            if self.across:
                place = Place(table.sheet, first[0], None)
            table = table._replace(
                columns={**table.columns, SAID: own},
                places={**table.places, SAID: place},
                how={**table.how, SAID: (own[self.at.index(first)] or "", "said beside the readings", LIKELY)},
            )
        for said, of in self.figures:
            table = with_unclear(table, said, said.stated, of)
        return table._replace(unclear=[*table.unclear, *self.measured.unclear()])


class _Outlets:
    """The outlets of a sheet's tables by name, so that a line is held against those alone that it may name."""

    def __init__(self, regions: Sequence[_Region]) -> None:
        self.by_name: dict[str, list[tuple[_Region, int]]] = {}
        self.most = 0  # words of a name
        for region in regions:
            region.outlets = ["" if n is None else shown(n) for n in outlets_of(region.table)]
            for i, name in enumerate(region.outlets):
                if name:
                    self.by_name.setdefault(name, []).append((region, i))
        self.known: dict[str, list[str]] = {}
        for name in self.by_name:
            self.known.setdefault(key(name), []).append(name)
            self.most = max(self.most, len(words_between(name)))

    def named(self, text: str, row: int) -> list[tuple[_Region, int]]:
        """The tests whose outlets a text names, also as one of a range, that of its own row left out."""
        words = [w for w in map(key, words_between(text)) if w]
        runs = {"".join(words[i : i + n]) for i in range(len(words)) for n in range(1, self.most + 1)}
        here = [name for run in runs & self.known.keys() for name in self.known[run] if names(text, name)]
        found = {at for name in here for at in self.by_name[name]}
        for region in {r for r, _ in found} if any(map(str.isdigit, text)) else ():
            found |= {(region, i) for i in spanned(text, region.outlets)}
        return sorted((at for at in found if not at[0].down or at[0].tests.get(row) != at[1]), key=lambda at: at[1])
