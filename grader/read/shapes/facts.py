"""What sentences and unlisted labels on a sheet say of all its tests, where nothing on it leaves a doubt."""

from __future__ import annotations

from itertools import islice
from typing import Any

from grader.problems import Unreadable
from grader.read.shapes.grid import Cell, Grid
from grader.read.shapes.labelled import OF_TESTING, Pair, value_beside
from grader.read.shapes.things import THINGS
from grader.read.words.clauses import (
    COLD,
    DATE,
    DRYER,
    IN_A_TITLE,
    OF_A_PLACE,
    SAID,
    SITE,
    SUPPLY,
    Fact,
    beside,
    coldest,
    column_of,
    day_in,
    has_degrees,
    is_warm,
    of_another_day,
    of_cold,
    of_title,
    places_in,
    told,
)
from grader.read.words.dates import is_date
from grader.read.words.figures import coldest_in, without_temperatures
from grader.read.words.labels import column, is_unit, label, looks_like_value
from grader.read.words.loose import loose_word, own_word
from grader.read.words.supplied import behind_a_label, denies, is_contradicted, line_of, names_another_place
from grader.read.words.unclear import classes_of

_SPEAKING = ("system", "location", "supply", "remarks")  # fields whose value may say more than that
_LONGEST_TITLE = 40
_SUPPLIED = (SUPPLY, DRYER)
SYSTEM = "system"
_TITLES = 2  # rows at the top of a sheet that may be its title
_TITLE_ROWS = 3  # among which a day may stand behind a name


def with_facts(grid: Grid, labels: list[Pair], first: int, stop: int) -> list[Pair]:
    """Labels with their values, and the facts that the rows between two positions state, in the order of the sheet."""
    said = _said_beside(grid, [p for p in labels if p.label.kind == "field"], first, stop)
    clear = {(p.row, p.column) for p in said}
    # "Breathing air" | "Mill Bodyshop" is the title of a sheet and the firm's name.
    labels = [
        p
        for p in labels
        if p.label.field != SUPPLY or not (line_of(p.label.text).title and line_of(str(p.value)).silent)
    ]
    found = [*(p for p in labels if (p.row, p.column) not in clear), *said]
    made = _without_doubt(grid, found)
    made += _of_title(grid, made, stop) if not first else []
    return sorted(map(_fed, made), key=lambda p: (p.row, p.column))


def _fed(p: Pair) -> Pair:
    """A label for the supply with what its value says of it in a line of several words."""
    if p.label.field != SUPPLY or type(p.value) is not str or own_word(SUPPLY, p.value) or loose_word(SUPPLY, p.value):
        return p
    feed = behind_a_label(p.value)
    return p._replace(value=feed.supply) if feed and feed.supply and not feed.titled else p


def _of_title(grid: Grid, found: list[Pair], stop: int) -> list[Pair]:
    """The day and the site in the title of a sheet with no word before them: "Breathing air, Dock Lane, 14.3.26".

    The day where no other stands on the sheet; the site where no other text names it, nor anything else stands beside it.
    """
    labels = [p for p in found if p.label.how not in SAID]
    known = {cell for p in labels for cell in ((p.row, p.column), (p.value_row, p.value_column))}
    tops = [((row, at), v) for row in range(min(stop, _TITLE_ROWS)) for at, v in grid.filled(row)]
    told_of = [(cell, v, fact) for cell, v in tops if cell not in known for fact in of_title(v)]
    made: list[Pair] = []
    for field in (DATE, SITE):
        mine = [one for one in told_of if one[2].field == field]
        if len(mine) != 1 or any(p.label.field == field for p in found):
            continue
        (row, at), text, fact = mine[0]
        beside = [v for c, v in grid.filled(row) if c != at]
        others = ((r, c) for r in range(len(grid.rows)) for c, v in grid.filled(r) if (r, c) != (row, at))
        if field == DATE:
            doubt = any(day_in(grid.rows[r][c]) for r, c in others if (r, c) not in known)
        else:
            doubt = any(fact.value in str(grid.rows[r][c]) for r, c in others) or any(denies(str(v)) for _, v in tops)
            doubt |= not any(line_of(str(v)).title for v in (str(text).replace(fact.value, " "), *(v for _, v in tops)))
            doubt |= not all(is_date(v) or line_of(str(v)).title for v in beside)
        if not doubt and not any(of_another_day(v) for v in (text, *beside) if type(v) is str):
            made.append(Pair(row, at, column_of(str(text), fact, IN_A_TITLE), row, at, fact.value, "inside"))
    return made


def _said_beside(grid: Grid, known: list[Pair], first: int, stop: int) -> list[Pair]:
    """What texts that are no labels say with the figure or day at their right: "Einsatz bei mindestens" | 7 °C.

    Not behind a text that is neither a label nor the value of one ("Gas detector"), unless it is cold, and no temperature
    behind an instrument.
    """
    made: list[Pair] = []
    fields = {(p.row, p.column): p.label.field for p in known}
    values = {(p.value_row, p.value_column) for p in known}
    for row in range(first, stop):
        left, behind = "", set()
        for at, text in grid.filled(row):
            cell = (row, at)
            behind |= {fields[cell]} if cell in fields else set()
            if type(text) is not str or cell in fields or cell in values:
                continue
            found = value_beside(grid, {}, row, at)
            value = grid.rows[row][found[0]] if found else None
            value = type(value) is str and coldest_in(value) or value
            fact = (
                beside(text, value, found[1] or "") if found and (looks_like_value(value) or is_date(value)) else None
            )
            cold = fact is not None and fact.field == COLD
            if fact and found and not (cold and behind & OF_TESTING or left and not (cold and not is_warm(fact.value))):
                made.append(Pair(row, at, column_of(text, fact), row, found[0], fact.value, "beside"))
                values.add((row, found[0]))
            elif not is_unit(text):
                left = text
    return made


def _without_doubt(grid: Grid, found: list[Pair]) -> list[Pair]:
    """Labels and facts, of facts only those that are sure on this sheet: what a label says goes before them.

    Of several temperatures the coldest holds; days or supplies that differ are none. Under a title that names tubes or
    instruments a temperature is theirs.
    """
    labels = [p for p in found if p.label.how not in SAID]
    values = {(p.value_row, p.value_column) for p in labels if p.where != "inside"}
    used = values | {(p.row, p.column) for p in found}

    def led(p: Pair) -> bool:  # by nothing but labels and their values, as far as it goes
        return all(type(v) is not str or (p.row, at) in used for at, v in enumerate(grid.rows[p.row][: p.column]))

    def stays(p: Pair) -> bool:  # a label of instruments goes only where it would let more pass
        sure = p.label.field != COLD or p.label.how not in SAID and not is_warm(p.value)
        return sure or not _of_instruments(grid, p.row, p.column)

    led_by = {(q.row, at) for q in found for at in (q.column, *([q.value_column] if q.value_row == q.row else ()))}
    titles = list(islice((row for row in range(len(grid.rows)) if not grid.is_blank(row)), _TITLES))

    def supplies(p: Pair) -> bool:  # nothing beside it speaks of it, and what has a name before it is a title
        beside = [(at, v) for at, v in grid.filled(p.row) if (p.row, at) not in led_by]
        named = p.row in titles
        free = all(type(v) is str and (named or at > p.column) and line_of(v).silent or is_date(v) for at, v in beside)
        return free and (named or p.label.how not in (IN_A_TITLE, OF_A_PLACE))

    found = list(filter(stays, found))
    made = [p for p in found if p.label.how not in SAID]
    facts = [p for p in found if p.label.how in SAID and (p.row, p.column) not in values]
    facts = [
        p
        for p in facts
        if p.label.field == COLD
        or (supplies if p.label.field in _SUPPLIED else led)(p)
        or p.label.field == DATE
        and _in_title(grid, p)
    ]
    for p in made:
        of_a_plant = not {SUPPLY, SYSTEM}.isdisjoint((p.label.field, *p.label.heading.candidates))
        if (p.label.field in _SPEAKING or of_a_plant) and type(p.value) is str:
            named = (IN_A_TITLE, OF_A_PLACE) if p.label.field == "remarks" else ()
            whole = told(p.value) if p.label.field and (p.where != "inside" or p.label.field == SUPPLY) else ()
            more = [c for c in whole if c[0].how in SAID and c[0].how not in named]
            feed = behind_a_label(p.value) if of_a_plant and not more else None
            fed = {SUPPLY: feed.supply if p.label.field == SYSTEM else "", DRYER: feed.dryer} if feed else {}
            more += [(column_of(p.value, Fact(f, v)), v) for f, v in fed.items() if v]
            facts += [Pair(p.value_row, p.value_column, c, p.value_row, p.value_column, v, "inside") for c, v in more]
    known = {p.label.field for p in made if p.value is not None}
    for field in dict.fromkeys(p.label.field for p in facts if p.label.field not in known):
        mine = [p for p in facts if p.label.field == field]
        if field in _SUPPLIED and _is_contradicted(grid, facts):
            continue
        made += _agreed(grid, mine, {(p.row, p.column) for p in made}, all(map(led, mine)))
    return made


def _agreed(grid: Grid, mine: list[Pair], labels: set[Cell], sure: bool) -> list[Pair]:
    """The facts of one field; [] where they differ, or what else stands on the sheet leaves a doubt. labels : known cells."""
    field = mine[0].label.field
    others = grid.texts - {grid.rows[p.row][p.column] for p in mine}
    if field == DATE and any(c.field == DATE and v != mine[0].value for t in others for c, v in told(t)):
        return []  # each block has its own
    if field == COLD:
        least: Any = coldest(p.value for p in mine)
        placed = [p.label.how == OF_A_PLACE for p in mine]
        if is_warm(least):
            if not sure or all(placed) or _may_be_colder(grid, mine, labels):
                return []
        elif not sure or any(placed) and any(map(places_in, others)):
            least = Unreadable(least, "twice")  # colder than is allowed for without it: it must not be passed over
        mine = [p._replace(value=least) for p in mine]
    return mine if len({p.value for p in mine}) == 1 else []


def _is_contradicted(grid: Grid, facts: list[Pair]) -> bool:
    """Whether a sheet speaks of another supply or dryer than facts of it tell."""
    said = {p.label.field: p for p in reversed(facts)}
    supply, dryer = (said[f].value if f in said else "" for f in _SUPPLIED)
    lines = {str(grid.rows[p.row][p.column]) for p in facts if p.label.field in _SUPPLIED}
    return is_contradicted(grid.texts, lines, supply, dryer)


def _in_title(grid: Grid, p: Pair) -> bool:
    """Whether a day stands in the title of a sheet, behind a name alone that comes nowhere else: "Steelworks | Test of 3 May"."""
    before = [v for v in grid.rows[p.row][: p.column] if v is not None]
    if p.row >= _TITLE_ROWS or p.where != "inside" or len(before) > 1:
        return False
    plain = all(type(v) is str and not any(map(str.isdigit, v)) and not classes_of(v) for v in before)
    return plain and not any(v in row for v in before for at, row in enumerate(grid.rows) if at != p.row)


def _may_be_colder(grid: Grid, mine: list[Pair], labels: set[Cell]) -> bool:
    """Whether a sheet speaks of the cold, or states a temperature of anything not known, beside what was taken of it."""
    own = {cell for p in mine for cell in ((p.row, p.column), (p.value_row, p.value_column))}
    told_of = {without_temperatures(p.label.text) for p in mine}
    places, halls = (frozenset(place for line in told_of for place in places_in(line, *of)) for of in ((), ("place",)))
    for row, cells in enumerate(grid.rows):
        for at, text in enumerate(cells):
            if type(text) is not str or (row, at) in own:
                continue
            if of_cold(text, places) or halls and label(text) is None and _of_another_hall(text, told_of, halls):
                return True
            before = [c for c in range(at) if cells[c] is not None and not is_unit(cells[c]) and type(cells[c]) is str]
            if has_degrees(text) and not (before and ((row, before[-1]) in own | labels or label(cells[before[-1]]))):
                named = text if any(map(str.isalpha, text.strip(" °CF()[]"))) else ""
                if named and column(-1, text).kind not in ("field", "parameter") or not named and before:
                    return True
    return False


def _of_another_hall(text: str, lines: set[str], halls: frozenset[str]) -> bool:
    return bool(places_in(text, "place") - halls) or any(names_another_place(text, line) for line in lines)


def _of_instruments(grid: Grid, row: int, at: int) -> bool:
    """Whether a text before a cell, or the nearest title over its row, no blank row between, names tubes or instruments."""
    if any(type(v) is str and not THINGS.isdisjoint(classes_of(v)) for v in grid.rows[row][:at]):
        return True
    for above in range(row - 1, -1, -1):
        if grid.is_blank(above):
            return False
        title = grid.alone(above)[1]
        if type(title) is str and len(title) <= _LONGEST_TITLE and not told(title):
            return not THINGS.isdisjoint(classes_of(title))
    return False
