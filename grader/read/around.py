"""What stands on a sheet beside the fields of its tests: remarks, lines around a table, sheets without one, comments.

What speaks against a pass is given to the tests that it is about, as field `said_against`; a temperature of a cold place, an
expiry or a need stated there is judged both ways (`Table.unclear`). Words: data/said.toml.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from types import MappingProxyType
from typing import Any

from grader.problems import Table
from grader.read.asked import asked_of_all, counted, is_choice_list
from grader.read.lines import line_around, with_its_heading
from grader.read.odd_one import keep_the_odd
from grader.read.region import Region, Regions
from grader.read.sayings import LISTED, NOT_TITLED, OF_A_NAME, OF_OTHER_DAYS, Said, of_the_marked, said_of_all
from grader.read.shapes.grid import Cell, Grid
from grader.read.shapes.tables import shown, whole
from grader.read.spoken import PRINTED, Cells
from grader.read.whom import Tests, Whom, days_of
from grader.read.words.answers import answered_badly, answers_badly, asks, is_yes, put_right
from grader.read.words.beside import ASKS, COUNT, KEY, LIST, REMARK, REPEAT, clears, titles
from grader.read.words.dates import days_in, is_date
from grader.read.words.labels import is_unit, kind_of
from grader.read.words.marks import mark_of, meanings
from grader.read.words.measured import readings_in, units_in
from grader.read.words.outlet_names import begins_with, excepts, names, of_more
from grader.read.words.said import (
    AROUND,
    FILE,
    LINE,
    REMARKS,
    ROW,
    TITLE,
    against,
    alone,
    alone_in_part,
    doubted,
    in_field,
    smells,
    titled,
)
from grader.read.words.spelling import key
from grader.read.words.stated import stated
from grader.read.words.unclear import classes_of
from grader.read.words.verdicts import fails_counted

_LEAST_LISTED = 2  # words of a line that names an outlet and says what is wrong
_LONGEST_ASKED = 5  # words of a question in a cell
_MOST_OF_A_ROW = 6  # cells of a row that is no test and says something
_LONGEST_LISTED = 4  # words of a text in a list
# What all tests of a visit share: meters, the plant, a laboratory.
_SHARED = ("general.kit", "general.shared", "general.all", "measured.checks", "beside.laboratory")


def said_on(grid: Grid, read: Mapping[Cell, str] = MappingProxyType({})) -> list[Said]:
    """What a sheet without tests says of those of other sheets. read : fields of 0-based cells."""
    cells, name = Cells(grid), grid.name
    if "earlier" in classes_of(name) or REMARKS.say(name, "general.prices") or is_choice_list(cells):
        return []  # "Last visit", "Price list": nothing of this visit
    nowhere, ill = Regions((), cells), asks(name) == "ill"
    made = [*_listed(cells), *_headed_ill(cells), *counted(cells, nowhere), *asked_of_all(cells, nowhere)]
    for at, text in cells.of(REMARK):
        place, is_open = cells.place(at), _left_open(cells, at, text)
        if at == PRINTED:
            made += _printed(cells, nowhere, text, False)
        elif at in read:
            # What was taken of it may not be all that it says: "Airline, adsorption dryer; yard down to -20 °C".
            if words := in_field(text, read[at]):
                made.append(Said(place, text, words, of_one=words, whom=Whom((text,))))
            if (figures := stated(text)) and not is_open:
                made.append(Said(place, text, stated=figures))
        elif not (is_open or _answered_no(cells, [], at, text) or _closed(cells, at[0], ill)):
            found, readings = line_around(cells, at, text) or Said(place, text), readings_in(text)
            of_one = against(text, ROW) or smells(text) or alone(text) * _is_answer(cells, at, text)
            if of_one or readings:
                found = found._replace(of_one=of_one, whom=Whom(cells.told_of(at[0])), measured=readings)
            made += [found] if found != Said(place, text) else _of_a_name(cells, at, text)
    return _from_here(cells, [*made, *_keys(cells), *_lists(cells), *_readings_in_rows(cells)])


def _readings_in_rows(cells: Cells) -> Iterator[Said]:
    """The readings of rows of a few cells that name an outlet: "P2 | CO | 18", "P2 | oil by lab, mg/m3 | 1.9"."""
    for row in cells.grid.outer:
        filled = [v for v in cells.row(row) if v is not None] if 2 < cells.filled(row) <= _MOST_OF_A_ROW else []
        for label, value in zip(filled, filled[1:]):
            is_figure = type(value) in (int, float) or type(value) is str and value[:1].isdigit()
            if type(label) is str and is_figure and (readings := readings_in(_sentence(label, value))):
                place = cells.place((row, cells.first(row)))
                yield Said(place, f"{label} {shown(value)}", measured=readings, whom=Whom(cells.told_of(row)))


def _sentence(label: str, value: Any) -> str:
    """A label and its figure as they are said: "Oil (mg/m3)" and 1.9 as "Oil 1.9 mg/m3"."""
    *words, last = label.replace("(", " ").replace(")", " ").replace(",", " ").split() or [""]
    return " ".join((*words, shown(value), last) if is_unit(last) else (*words, last, shown(value)))


def _of_a_name(cells: Cells, at: Cell, text: str) -> list[Said]:
    """A few words that speak of an outlet alone where the text, or the one cell beside it, names one: "P2 stinks"."""
    told = cells.told_of(at[0])
    pair = len(told) == 2 == cells.filled(at[0]) and "outlet" not in cells.heads and bool(doubted(text))
    one = bool(alone_in_part(text, whole=False) or doubted(text))
    return [Said(cells.place(at), text, whom=Whom(told if pair else (text,)), how=OF_A_NAME)] if one else []


def _from_here(cells: Cells, found: Iterable[Said]) -> list[Said]:
    """What is said on a sheet, with what its cells tell of whom it is."""
    return [s._replace(whom=cells.beside(s.place.row or 0, s.whom)) for s in found]


def with_what_is_said(grid: Grid, tables: list[Table]) -> tuple[list[Table], list[Said]]:
    """The tables of one sheet with what its other cells say, and what is left for those of other sheets."""
    if not tables:
        return tables, said_on(grid)
    cells = Cells(grid, tables)
    elsewhere, regions = [*_keys(cells), *_lists(cells)], Regions(tables, cells)
    for at, text in cells.of(ASKS):
        for region in regions.holding(at):
            region.ask(at, text)
    for region in regions:
        region.ask_blanks()
    for_all = [*counted(cells, regions), *asked_of_all(cells, regions)]
    single = len(regions) == 1 == len(regions[0].at)  # what is said on its sheet is of that test
    forms = single or bool(regions.forms) and all(len(r.at) == 1 for r in regions)  # one test each
    for at, text in cells.of(REMARK):
        if at == PRINTED:
            for_all += _printed(cells, regions, text, single)
            continue
        if _left_open(cells, at, text):
            continue
        mine = regions.holding(at)
        roles = [r.role(at) for r in mine]
        used = "used" in roles
        label = used and any(at in r.own for r in mine)
        if label and (figures := stated(text)):
            for_all.append(Said(cells.place(at), text, stated=figures))
        lone = cells.filled(at[0]) == 1
        kit = lone and REMARKS.say(text, "general.kit")
        named = regions.named(text, at[0]) if lone else []
        # Of no form more than of another, but for a word put on the last like a stamp.
        below = lone and forms and len(regions) > 1 and regions.ends_above(at) and not alone(text)
        if lone and not named:
            words = against(text, LINE)  # it may name an outlet of another sheet
            of_one = Said(cells.place(at), text, of_one=words, whom=Whom((text,)), measured=readings_in(text))
            elsewhere += [of_one] if words or of_one.measured else _of_a_name(cells, at, text)
            elsewhere += _of_the_visit(cells, at, text, forms, below) if forms or kit else []
        if _of_some(regions, cells, at, text, lone, label):
            # The tubes of one are those of all.
            if (
                not used
                and (not named or kit and not _is_of_its_tube(text, named))
                and (found := line_around(cells, at, text))
                and found.stated
            ):
                for_all.append(found._replace(against=""))
        elif used or _answered_no(cells, mine, at, text):
            continue
        elif mine and meanings(text) and set(roles) == {"inside"} and not any(r.long for r in mine):
            for_all.append(Said(cells.place(at), text, text))  # a key of marks below the last of several forms
        elif mine:
            # "P2 shut, all others too"
            elsewhere += _of_the_visit(cells, at, text, forms, below) if named and below else []
            for region, role in zip(mine, roles):
                region.take(at, text, role)
        else:
            outside = _outside_of_all(cells, at, text, single)
            own = readings_in(text) if named else ()  # of those alone
            outside = [s._replace(stated=tuple(f for f in s.stated if f not in own)) for s in outside]
            if lone and not named:
                elsewhere += _of_the_visit(cells, at, text, False) if not (forms or kit or units_in(text)) else []
                if _may_name(text) and not units_in(text):
                    read, whom = readings_in(text), Whom((text,), sheet=cells.name)
                    elsewhere += [s._replace(whom=whom, measured=read) for s in outside]
                    continue
            for_all += outside
    if not regions:
        return tables, _from_here(cells, for_all + elsewhere)
    elsewhere += _of_other_days(cells, regions)
    for at, text in cells.of(COUNT):
        fails = fails_counted(text)
        for region in regions.holding(at) if fails and fails[0] else ():
            if region.role(at) == "test":
                region.keep(region.mine(at), text, at)  # "3 shut", in a remark
    repeats = [at for at, _ in cells.of(REPEAT)]
    for region in regions:
        region.reach(repeats)
    for row in _rows_outside(cells, regions):
        for_all += _row_of_words(regions, cells, row)
    keep_the_odd(cells, regions)
    regions.mark()
    regions.colour()
    told = [region.made() for region in regions]
    for_all = of_the_marked(for_all, told, elsewhere)
    made, tested = iter(told), set().union(*map(days_of, told)) if for_all else set()
    return [said_of_all(next(made), for_all, tested) if t.rows else t for t in tables], elsewhere


def _may_name(text: str) -> bool:
    """Whether a text begins with what may be the name of an outlet, of another sheet even: "Booth 2: failed"."""
    name, mark, _ = text.replace(" - ", ":", 1).replace(" – ", ":", 1).partition(":")
    return bool(mark) and len(name.split()) <= _LONGEST_LISTED


def _of_the_visit(cells: Cells, at: Cell, text: str, forms: bool, below: bool = False) -> list[Said]:
    """What a line says of what all tests of a visit share, wherever they stand: below the last of several forms or sheets.

    below : whether it stands below all forms, whatever it speaks of.
    """
    shared = below or REMARKS.say(text, *_SHARED) or bool(units_in(text))
    shared = shared and not names(text, cells.name)  # "Compressor north defective", on sheet North
    found = line_around(cells, at, text)
    words = (against(text, LINE) if forms else found.against if found else "") * shared
    figures = found.stated if found and shared else ()
    tests = [Tests(table) for table in cells.tables]
    days = frozenset(day for t in tests for day in t.by_day if day[2])
    sites = frozenset(site for t in tests for site in t.by_site if site)
    made = Said(cells.place(at), text, words, figures, whom=Whom((text,), visit=(days, sites)))
    return [made] if words or figures else []


def _keys(cells: Cells) -> list[Said]:
    """What the lines of a sheet outside of its tests say of marks: "K = condemned", "K | condemned"."""
    found = [(at, text, meanings(text)) for at, text in cells.of(KEY) if at[0] not in cells.tests]
    for row in cells.grid.outer:
        if row not in cells.tests and cells.filled(row) == 2:
            column, (mark, said) = cells.first(row), (v for v in cells.row(row) if v is not None)
            if type(said) is str and (sign := mark_of(mark)):
                told = meanings(f"{sign} = {said}") or ({sign: ""} if sign.isalpha() else {})
                found.append(((row, column), f"{shown(mark)}: {said}", told))
    said = ((at, text, mark, of_one) for at, text, told in found for mark, of_one in told.items())
    return [Said(cells.place(at), text, of_one=of_one, whom=Whom(mark=mark)) for at, text, mark, of_one in said]


def _lists(cells: Cells) -> list[Said]:
    """The lines of a sheet that may list outlets to be used, and the columns of one that is called so ("Certificates")."""
    outside = [(at, text) for at, text in cells.of(LIST) if at[0] not in cells.tests]
    lines = ((at, line) for at, text in outside for line in dict.fromkeys((text, " ".join(cells.texts_of(at[0])))))
    made = [Said(cells.place(at), line, lists=((line,),)) for at, line in lines if line]
    if not cells.tables and clears(cells.name):
        columns = tuple(tuple(v for v in map(whole, line) if type(v) is str) for line in zip(*cells.grid.rows))
        made.append(Said(cells.place((0, 0)), cells.name, lists=columns))
    return made


def _printed(cells: Cells, regions: Regions, text: str, single: bool) -> list[Said]:
    """What a text says that is printed on the pages of a sheet, or is its name."""
    name = text == cells.name
    words = against(text, LINE if single else AROUND) or titled(text, FILE if name else TITLE)
    words = words or alone(text, remark=False) * (not name)
    if _of_some(regions, cells, PRINTED, text, False) or not (words or answers_badly(text)):
        return []
    how = "name of the sheet" if name else "on the page, beside the cells"
    return [Said(cells.place(PRINTED), text, words or text, how=how)]


def _left_open(cells: Cells, at: Cell, text: str) -> bool:
    """Whether a text is a label that nothing is written to, beside or below: "Reason for failure:"."""
    row, column = at
    words = text.rstrip()
    if not words.endswith(":") or ". " in words or cells.filled(row) != 1 or at in cells.comments:
        return False
    return cells.at(row + 1, column) is None and cells.filled(row + 1) == 0


def _outside_of_all(cells: Cells, at: Cell, text: str, single: bool) -> list[Said]:
    """What a cell outside of all tests says. single : whether its sheet has one test alone, of which it then speaks."""
    found = line_around(cells, at, text) or Said(cells.place(at), text)
    if single and not found.against:
        found = found._replace(against=against(text, LINE) or alone(text, remark=False))
    return [found] if found != Said(cells.place(at), text) else []


def _is_answer(cells: Cells, at: Cell, text: str) -> bool:
    """Whether a word alone in a cell may speak of an outlet: a no only where what stands over it asks ("Key out | no")."""
    if len(text.split()) > 1 or not REMARKS.say(text, "answer.no"):
        return True
    over = next((v for r in cells.grid.outer if r < at[0] and type(v := cells.at(r, at[1])) is str), "")
    return not over or asks(over) == "good" or put_right(over, True) or kind_of(over) == "verdict"


def _answered_no(cells: Cells, mine: Sequence[Region], at: Cell, text: str) -> bool:
    """Whether a few words outside of the tests that run down or across are a question with a no beside it: "Leaks" | "none"."""
    if len(text.split()) > _LONGEST_ASKED or any(r.down or r.across for r in mine):
        return False
    answer = cells.at(at[0], at[1] + 1)
    alone = type(answer) is str and len(answer.split()) == 1
    return alone and bool(against(text, LINE)) and not against(f"{text}: {answer}", LINE)


def _of_some(regions: Regions, cells: Cells, at: Cell, text: str, lone: bool, label: bool = False) -> bool:
    """Give what a line says to the tests that it is about, by the outlets it names or where it stands.

    label : it is one with its value: "Oil: 0.1 mg/m³" is no word alone.
    Returns : whether it is about no others: not where neither tells, nor where it speaks of all, or of the others.
    """
    named = regions.named(text, at[0])
    if not named and not lone:
        return False
    # "All outlets may be used apart from P2", "None failed except P2"
    approved, none = REMARKS.say(text, "general.approved"), REMARKS.say(text, "no.subject", "no.none")
    spares = excepts(text) and (approved or none)  # leaves an outlet out of those that passed
    if named and spares and approved and none:
        for region in regions:  # "Except P1 none was released"
            region.keep((i for i in range(len(region.at)) if (region, i) not in named), text, at)
        return True
    words, figures = against(text, LINE) or smells(text) or text * spares, readings_in(text)
    figures += stated(text) * (bool(named) and lone and not REMARKS.say(text, "general.kit"))
    words = words or doubted(text) * lone
    in_a_test = not lone and any(r.down and at[0] in r.tests for r in regions.on_row.get(at[0], ()))
    told = in_a_test and words and not any(r.of_another(text, r.mine(at)) for r in regions.holding(at))
    for region, i in named if told else ():  # "P3 shut too": of its own row besides
        region.keep([i], words, at)
    if in_a_test or not (words or figures or alone_in_part(text, whole=False)):
        return False
    if not named:
        named = [(r, i) for r in regions for i in r.beside(at)]
        words = words and (against(text, ROW) or smells(text)) * (not spares)
    for region, i in named:
        region.keep([i], words or alone_in_part(text, region.outlets[i]) * (not label), at)
        region.measure([i], at, text, figures)
    own = not lone and any(not r.down for r in regions.holding(at))  # "mixed up with P3", said in P2's form
    if own and not any(begins_with(text, r.outlets[i]) for r, i in named):
        return False
    more = of_more(text, (r.outlets[i] for r, i in named if r.outlets[i])) or excepts(text)
    return bool(named) and not more


def _is_of_its_tube(text: str, named: Sequence[tuple[Region, int]]) -> bool:
    """Whether a line begins with the one outlet that it names, and speaks of the tube used there: no instrument of all."""
    found, mine = classes_of(text), [r.outlets[i] for r, i in named]
    single = len(mine) == 1 and begins_with(text, mine[0]) and not of_more(text, mine)
    return single and "tube" in found and found.isdisjoint(("instrument", "cal", "tubes"))


def _rows_outside(cells: Cells, regions: Regions) -> Iterable[int]:
    """The rows with several cells, few of them, that no table of a sheet holds."""
    held = {row for r in regions for row in (*(r.tests if r.down else ()), *r.body)}
    for row in cells.grid.outer:
        few = row not in held and 1 < cells.filled(row) <= _MOST_OF_A_ROW
        if few and all(r.body for r in regions.holding((row, cells.first(row)))):
            yield row


def _row_of_words(regions: Regions, cells: Cells, row: int) -> list[Said]:
    """Give what the cells of a row say together to the outlets that they name; what they say of all, where they name none.

    "P2 | CO | 18", "Faulty | P2", "Instrument state | faulty", "Released for use | no".
    """
    values = [(c, v) for c, v in enumerate(cells.row(row)) if v is not None]
    texts, at = [shown(whole(v)) for _, v in values], (row, values[0][0])
    named = regions.named("; ".join(["", *texts]), row)
    own = {key(r.outlets[i]) for r, i in named}
    rest = [v for v in texts if key(v) not in own]
    said = " ".join(rest)
    count = fails_counted(", ".join(t for t in rest if not regions.named(f"; {t}", row))) if len(texts) > 2 else None
    counts = said if count and count[0] else ""
    if not named:
        if len(texts) != 2:
            return [Said(cells.place(at), said, counts)] if counts else []
        bad = answered_badly(texts[0], values[1][1])
        words = f"{texts[0]}: {texts[1]}" if bad else with_its_heading(*texts)
        return [Said(cells.place(at), said, words)] if words else []
    words = against(said, ROW) or smells(said) or alone(said) or counts
    if not words and len(rest) == 1 and answered_badly("ok", rest[0]):
        words = said
    for region, i in named:
        region.keep([i], words, at)
        region.measure([i], at, said, readings_in(said))
    return []


def _of_other_days(cells: Cells, regions: Regions) -> list[Said]:
    """What the texts of a sheet with tests say of other days than theirs: "P2 on 12 March 2026: void"."""
    own = set().union(*(r.by_day for r in regions))
    made = []
    for at, text in cells.of(REMARK):
        if any(map(str.isdigit, text)) and (days := days_in(text)) and own.isdisjoint(days):
            words = against(text, ROW) or smells(text)
            made.append(
                Said(
                    cells.place(at),
                    text,
                    of_one=words,
                    whom=Whom((text,)),
                    how=OF_OTHER_DAYS,
                    measured=readings_in(text),
                )
            )
    return made


def _listed(cells: Cells) -> list[Said]:
    """The rows of a sheet, or of its part below a line, that is called a list of what is wrong ("Defects", "Condemned").

    Without a title of their own they are kept as NOT_TITLED: the name of their file may be one. Those that say none are left out.
    """
    title = cells.name if titles(cells.name) else ""
    if not title or asks(title) != "ill":
        return _bare(cells, title)
    made = []
    for row in cells.grid.outer:
        texts = cells.texts_of(row)
        if not texts or _closed(cells, row, True):
            continue
        if len([t for t in texts if not is_date(t)]) == 1:  # an outlet, where it is named
            made.append(Said(cells.place((row, 0)), cells.name, of_one=cells.name, whom=Whom(texts)))
        if len(" ".join(texts).split()) < _LEAST_LISTED:
            continue
        told = max(texts[1:] or texts, key=len)
        if REMARKS.begin(REMARKS.words(told), "no.words") and asks(told.split(" ", 1)[-1]) == "ill":
            continue  # "kein Mangel"
        if len(told.split()) > 1 or any(map(str.isdigit, told)) or answered_badly("Alarm", told):
            made.append(Said(cells.place((row, 0)), told, of_one=told, whom=Whom(texts)))
    return made


def _headed_ill(cells: Cells) -> list[Said]:
    """What a column that is called so says of its outlets, on a sheet without tests: "Locked off | yes"."""
    if "outlet" not in cells.heads or asks(cells.name) == "ill":  # there every row speaks
        return []
    made, top = [], cells.heads["outlet"][0]
    for column, heading in ((c, v) for c, v in enumerate(cells.row(top)) if type(v) is str and titles(v)):
        for row in cells.grid.outer:
            value = cells.at(row, column)
            yes = value is True or is_date(value) or type(value) is str and is_yes(value)
            if row > top and (yes or answered_badly(heading, value)) and not _closed(cells, row, True):
                words = f"{heading}: {shown(value)}"
                made.append(Said(cells.place((row, column)), words, of_one=words, whom=Whom(cells.told_of(row))))
    return made


def _bare(cells: Cells, title: str) -> list[Said]:
    """The rows of a few short texts of a sheet that may be a list of outlets, each with the title that it stands under."""
    made = []
    for row in cells.grid.outer:
        texts = cells.told_of(row)
        if len(texts) == 1 and titles(texts[0]):
            title = texts[0]
        elif texts and len(texts) <= _MOST_OF_A_ROW and max(len(t.split()) for t in texts) <= _LONGEST_LISTED:
            fine = _closed(cells, row, True) or any(REMARKS.begin(REMARKS.words(t), "answer.fine") for t in texts)
            if not fine:
                how = LISTED if title else NOT_TITLED
                made.append(Said(cells.place((row, 0)), title, of_one=title, whom=Whom(texts), how=how))
    return made


def _closed(cells: Cells, row: int, listed: bool) -> bool:
    """Whether a cell of a row says that what it tells is over: "closed", "repaired 12 May", a tick or a day under "Done".

    listed : whether the sheet is called a list of what is wrong; else a word alone may be a state ("P2 | closed").
    """
    if any(put_right(text) and (listed or any(map(str.isdigit, text))) for text in cells.texts_of(row)):
        return True
    answers = (cells.at(row, c) for c, head in cells.closing.items() if head < row)
    return any(a is True or is_date(a) or type(a) is str and is_yes(a) for a in answers)
