"""Which rows of a table are tests: totals, limits, remarks, signatures, headings again and rows of units are none."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from functools import lru_cache
from typing import Any, NamedTuple

from grader.columns import FIELDS
from grader.read.settle import all_limits, are_verdicts
from grader.read.shapes.grid import Grid
from grader.read.shapes.tables import Note
from grader.read.words.dates import is_date
from grader.read.words.heading_words import row_words
from grader.read.words.labels import is_limit_text, is_placeholder, is_unit, kind_of, looks_like_value, may_be_reading
from grader.read.words.loose import loose_word, own_word
from grader.read.words.needs import UNLIMITED
from grader.read.words.notation import parse_number
from grader.read.words.outlet_names import is_need, names
from grader.read.words.said import AROUND, against
from grader.read.words.stated import is_label, is_tube, stated

LEAST_ABOVE = 3  # tests above a row that is told by arithmetic
_LEAST_AGREEING = 2
MOST_NAMELESS = 30  # rows without a name up to which each is held against those above it
_LONG, _MANY = 10, 6  # words beyond which a text with figures, or without, is a remark and no name
_WORD = re.compile(r"[^\W\d_]+\.?|\d+")


def plain(text: str) -> str:
    """A short text as it is compared with words such as Total."""
    return " ".join(text.casefold().split()).strip(" :.")


def is_total(text: Any) -> bool:
    """Whether an outlet's name says that the row (or column) holds totals, averages or limits.

    >>> is_total("Page total:"), is_total("Moyenne"), is_total("Total care ward"), is_total("max 3")
    (True, True, False, False)
    """
    return type(text) is str and len(text) <= 60 and _is_total(text)


@lru_cache(maxsize=20_000)
def _is_total(text: str) -> bool:
    words, beside = row_words("outlet_words", plain), row_words("beside_outlet_words", plain)
    name = plain(text)
    if name in words:
        return True
    parts = [w.rstrip(".") for w in _WORD.findall(name)]
    rest = [w for w in parts if w not in words]
    return len(rest) < len(parts) and all(w in beside for w in rest)


@lru_cache(maxsize=2_000)
def is_signature(text: str) -> bool:
    """Whether a text begins as a signature does: "Checked by"."""
    return plain(text).startswith(tuple(row_words("signature_words", str)))


@lru_cache(maxsize=20_000)
def is_remark(text: str) -> bool:
    """Whether a text alone in the column of outlets is a sentence or a signature, and no outlet's name.

    >>> is_remark("Signed: A. Person"), is_remark("* second reading taken after purging."), is_remark("Bay 3: north")
    (True, True, False)
    """
    words = text.split()
    before = text.split(":")[0] if ":" in text else ""
    labelled = bool(before) and not any(ch.isdigit() for ch in before) and len(before.split()) <= 4
    if labelled or text.lstrip().startswith(("*", "†")) or set(text) <= set("_-–—=. "):
        return True
    if is_signature(text) or _is_page(text):
        return True
    sentence = text.rstrip().endswith((".", "!", "?"))
    return len(words) > 3 and sentence or len(words) > (_LONG if any(ch.isdigit() for ch in text) else _MANY)


def _is_page(text: str) -> bool:
    """Whether a text begins with the number of a page: "Page 2 of 3", "Blatt 4"."""
    parts = _WORD.findall(text.casefold())[:3]
    said = " ".join(p for p in parts if not p.isdigit())
    return len(parts) > 1 and parts[1].isdigit() and said in row_words("page_words", str)


class Body(NamedTuple):
    """The rows below a heading, counted from 0 at `first`, a position in the grid.

    outlet : its line, -1 for none. values : line -> cells. readings : lines of readings -> whether they hold figures.
    fields : line -> its field.
    """

    grid: Grid
    first: int
    outlet: int
    values: Mapping[int, Sequence[Any]]
    readings: Mapping[int, bool]
    fields: Mapping[int, str]

    def cells(self, index: int) -> Sequence[Any]:
        """All cells of a row."""
        return self.grid.rows[self.first + index]

    def beside(self, index: int) -> list[tuple[int, Any]]:
        """The filled cells of a row with their lines, but for the outlet's."""
        return [(at, v) for at, v in self.grid.filled(self.first + index) if at != self.outlet]

    def reads(self, index: int, name: str = "") -> bool:
        """Whether a row holds anything that can be a reading; beside a signature, its name or first text, only figures can."""
        texts = (v for _, v in self.beside(index) if type(v) is str)
        signed = is_signature(name or next(texts, ""))
        return any(
            (value := self.values[at][index]) is not None
            and (not figures or may_be_reading(value) and not is_date(value))
            and not (signed and type(value) is str and not any(map(str.isdigit, value)))
            for at, figures in self.readings.items()
        )

    def figures(self, index: int) -> int:
        """How many figures, or words that stand for one, a row holds where the tests have figures."""
        cells = (self.values[at][index] for at, numbers in self.readings.items() if numbers)
        return sum(type(v) in (int, float) or type(v) is str and _is_reading(v) for v in cells)


def _is_reading(text: str) -> bool:
    return not is_date(text) and (not parse_number(text).code if looks_like_value(text) else may_be_reading(text))


def is_rule(name: str) -> bool:
    """Whether a text is the name of a rule set and nothing else: "DIN EN 12021"."""
    if not any(ch.isdigit() for ch in name):
        return False
    parts = _WORD.findall(name.casefold())
    return (
        any(p.isdigit() or p == "osha" for p in parts)
        and any(not p.isdigit() for p in parts)
        and row_words("rule_words", str).issuperset(parts)
    )


def _are_limits(body: Body, index: int) -> bool:
    """Whether all figures of a row are limits that a rule set of ours has, or texts of limits."""
    figures = [v for at, numbers in body.readings.items() if numbers and (v := body.values[at][index]) is not None]
    limits = all_limits()
    return bool(figures) and all(is_limit_text(v) or is_placeholder(v) or _figure(v) in limits for v in figures)


def is_of_limits(name: str, figures: Iterable[Any]) -> bool:
    """Whether a row is one of limits by its name; an outlet may be called Need, if a plain figure is no limit of ours.

    figures : of the row, but for flow and line pressure.
    """
    limits = all_limits() if is_need(name) else ()
    return kind_of(name) == "limit" and all(not limits or (f := _figure(v)) is None or f in limits for v in figures)


def kinds_of(body: Body, count: int, telling: list[int], again: Collection[int]) -> tuple[list[str], list[Note]]:
    """What each of so many rows is, "test", "again", "total", "remark", "units" or "none", and doubts.

    telling : lines of which a test has one filled. again : rows (positions in the grid) that repeat the headings.
    """
    grid, first, outlet, values, readings, fields = body
    blank = len(telling)
    kinds = ["none"] * count
    if any(None not in values[at] for at in telling):
        kinds = ["test"] * count
    elif telling:
        kinds = ["test" if row.count(None) < blank else "none" for row in zip(*(values[at] for at in telling))]
    outlets = values.get(outlet, ())
    numbers = [values[at] for at, figures in readings.items() if figures] if outlets else []
    strange = {v for v in set(outlets) if type(v) is str and _is_strange(v)}
    for row in again:
        if 0 <= row - first < count:
            kinds[row - first] = "again"
    for index, name in enumerate(outlets) if strange else ():
        if name not in strange or kinds[index] != "test":
            continue
        gases = (values[at][index] for at, figures in readings.items() if figures and fields.get(at) not in UNLIMITED)
        if _is_total(name) or is_of_limits(name, gases) or is_rule(name) and _are_limits(body, index):
            kinds[index] = "total"
        elif kind_of(name) == "unit" and all(
            (v := values[at][index]) is None or is_unit(v) or is_placeholder(v) for at in readings
        ):
            kinds[index] = "units"
        elif is_remark(name) and not body.reads(index, name):
            kinds[index] = "remark"
        elif not any(type(v[index]) in (int, float) for v in numbers) and _is_aside(body.cells(index), name):
            kinds[index] = "remark"
    if outlet < 0 and not grid.turned:  # the outlet is named elsewhere: the first cell says that a row is none
        for index, kind in enumerate(kinds):
            if kind == "test" and is_total(next(v for v in body.cells(index) if v is not None)):
                kinds[index] = "total"
    if outlet >= 0 and not grid.turned:
        _no_names(body, kinds)
    return kinds, _without_name(body, kinds) if outlet >= 0 else []


def _no_names(body: Body, kinds: list[str]) -> None:
    """Texts in the column of outlets that are no names, by what stands beside them, by their length or place.

    A row without a reading is none where nothing stands beside its text but figures in columns of dates or words, or
    nothing at all: then a sentence is longer than any name of the table. Below a gap a row is a test that is built as one.
    """
    named = [(i, n) for i, n in enumerate(body.values[body.outlet]) if kinds[i] == "test" and type(n) is str]
    empty = {i for i, _ in named if not body.reads(i)}
    read = {n for i, n in named if i not in empty}
    if not read:
        return
    longest = max(len(n.split()) for n in read)
    below = _below_a_gap(body, named)
    further = any(i >= below for i, _ in named)
    patterns = set(map(name_pattern, {n for i, n in named if i < below and i not in empty})) if further else set()
    for index, name in named:
        if index not in empty and index < below:
            continue
        others, words = body.beside(index), len(name.split())
        long = words > longest + _LONGER and name.rstrip()[-1:] in (".", "!", ":", ";")
        long = long or words > _LONGER and any(names(name, n) for n in read)
        misfit = all(_misfits(body.fields.get(at, ""), v) for at, v in others) if others else long
        if index in empty and misfit or index >= below and not _is_built_as_a_test(body, index, name, below, patterns):
            kinds[index] = "remark"


def _is_built_as_a_test(body: Body, index: int, name: str, below: int, patterns: set[str]) -> bool:
    """Whether a row below a gap has what the tests above it have: what is filled in ahead, several cells, figures, or a
    name built as theirs beside nothing else. Of a tube only what is filled in ahead makes it one."""
    others = body.beside(index)
    for at, v in others:
        field = body.fields.get(at, "")
        if field in _OF_A_VISIT and v in body.values.get(at, ())[:below] or field == "odour" and _is_odour(v):
            return True
    of_a_tube = any(type(v) is str and is_tube(v) for _, v in others)  # "Bay 2 | CO | 18"
    if len(others) > _MOST_BELOW or len(others) == _MOST_BELOW and not of_a_tube:
        return True
    if len(others) == _MOST_BELOW or is_tube(name):
        return False
    wordy = any(body.readings.get(at) for at, _ in others)  # words where the tests have figures
    return bool(body.figures(index)) or not wordy and name_pattern(name) in patterns


def _is_odour(value: Any) -> bool:
    return type(value) is str and bool(own_word("odour", value) or loose_word("odour", value))


_OF_A_VISIT = ("site", "test_date", "supply", "dryer", "system", "outlet_status")  # filled in ahead for outlets to come
_MOST_BELOW = 2  # cells of a line below a gap that is no test: its words and one more


_RUN = re.compile(r"([^\W\d_]{2,})|[^\W\d_]|\d+")


def name_pattern(name: str) -> str:
    """How a name is built: "Bay 12" and "Box 3" are built alike, "A" and "Safety" are not."""
    return _RUN.sub(lambda run: "Aa" if run[1] else "9" if run[0].isdigit() else "A", name.strip())


def _below_a_gap(body: Body, named: list[tuple[int, str]]) -> int:
    """The first row below the last surely named test and a blank row after it; the end where there is none."""
    most = min(2, sum(body.readings.values()))  # figures of a test, that a line below a gap has not
    stop = len(body.values[body.outlet])
    last = next((i for i, n in reversed(named) if body.figures(i) >= most and not is_tube(n)), stop)
    return next((i for i in range(last, stop) if body.grid.is_blank(body.first + i)), stop)


def _misfits(field: str, value: Any) -> bool:
    """Whether a cell is a figure where a field has dates or words."""
    kind = FIELDS[field].kind if field else ""
    serial = kind == "date" and (is_date(value) or type(value) in (int, float) and value >= _SERIAL)
    return kind in ("date", "word") and looks_like_value(value) and not serial


def _is_aside(cells: Sequence[Any], name: str) -> bool:
    """Whether a row without a figure speaks of something beside the tests: a tube's expiry, where it is cold, a verdict."""
    others = [v for v in cells if v is not None and v != name]
    if stated(name) or against(name, AROUND) and not others:
        return True
    if not others:
        return kind_of(name) in ("verdict", "value")  # "Result", the counts below it
    if len(others) > _MOST_ASIDE:
        return False
    if kind_of(name) == "verdict" or are_verdicts([name]) or kind_of(name) == "value" and are_verdicts(others):
        return True
    if is_tube(name):
        return any(is_date(v) or type(v) is str and is_label(v) for v in others)
    return is_label(name) and any(looks_like_value(v) or is_date(v) for v in others)


_SERIAL = 20_000  # a day of 1954 as a number of days; smaller figures are no dates of tests
_LONGER = 2  # words that a sentence has more than any name
_MOST_ASIDE = 5  # cells beside the name
_NO_NAME = ("unit", "limit")


@lru_cache(maxsize=20_000)
def _is_strange(name: str) -> bool:
    return bool(
        _is_total(name)
        or is_remark(name)
        or kind_of(name) in (*_NO_NAME, "verdict", "value")
        or are_verdicts([name])
        or is_rule(name)
        or is_tube(name)
        or is_label(name)
        or stated(name)
        or against(name, AROUND)
    )


def _without_name(body: Body, kinds: list[str]) -> list[Note]:
    """Rows whose outlet cell is blank: a statistic by a word at their side or by arithmetic is no test.

    A row with a name of its own stays a test; where its figures are a statistic of the rows above, that is queried.
    """
    notes: list[Note] = []
    if body.grid.turned and None not in body.values[body.outlet]:
        return notes
    above: list[int] = []  # since the last statistic
    every: list[int] = []
    outlets = body.values[body.outlet]
    nameless = sum(k == "test" and name is None for k, name in zip(kinds, outlets)) if None in outlets else 0
    for index, kind in enumerate(kinds) if nameless <= MOST_NAMELESS else ():
        if kind == "total":
            above = []
        if kind != "test":
            continue
        name = outlets[index]
        if name is None:
            words = [v for v in body.cells(index) if type(v) is str]
            if any(map(is_total, words[:2])) or any(_statistic(body, some, index) for some in (above, every)):
                kinds[index] = "total"
                above = []
                continue
            if words and is_remark(words[0]) and not body.reads(index):
                kinds[index] = "remark"
                continue
        above.append(index)
        every.append(index)
    if not body.grid.turned and len(above) > LEAST_ABOVE and kinds[-1] == "test" and outlets[above[-1]] is not None:
        said = _statistic(body, above[:-1], above[-1])
        if said:
            at = (body.first + above[-1], body.outlet, outlets[above[-1]])
            notes.append(body.grid.note("row_may_be_statistic", *at, what=said))
    return notes


def _statistic(body: Body, above: list[int], row: int) -> str:
    """ "mean", "sum", "least" or "greatest" where a row's figures are that of the rows above it; else ""."""
    if len(above) < LEAST_ABOVE:
        return ""
    agreeing: set[str] | None = None
    count = 0
    for cells in (body.values[at] for at in body.readings):
        own = _figure(cells[row])
        figures = [f for r in above if (f := _figure(cells[r])) is not None]
        if own is None or len(figures) < LEAST_ABOVE or len(set(figures)) < 2:
            continue
        count += 1
        near = 0.5 * 10.0 ** -_decimals(cells[row]) + 1e-9
        mean = sum(figures) / len(figures)
        kinds = {"mean": mean, "sum": sum(figures), "least": min(figures), "greatest": max(figures)}
        hits = {k for k, v in kinds.items() if abs(own - v) <= (near if k == "mean" else 1e-9)}
        agreeing = hits if agreeing is None else agreeing & hits
        if not agreeing:
            return ""
    return sorted(agreeing)[0] if agreeing and count >= _LEAST_AGREEING else ""


def _figure(value: Any) -> float | None:
    """A cell's figure; None where it is no plain number."""
    if type(value) in (int, float):
        return float(value)
    if type(value) is str and value[:1].isdigit():
        parsed = parse_number(value)
        return None if parsed.code or parsed.bound or parsed.mark else parsed.value
    return None


def _decimals(value: Any) -> int:
    """Decimals of a plain number as it is shown."""
    _, *behind = re.split(r"[.,]", value if type(value) is str else f"{value:.10g}")
    return len(behind[-1]) if behind else 0
