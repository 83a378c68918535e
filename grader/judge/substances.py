"""Substances that were measured and that no parameter of ours judges: harmful ones, others, and those with an own limit.

Columns added, text, "" where nothing is: substances_over, substances_untold (one line a substance: name, reading, limit,
parted by tabs; a firm's own rule judges it), harmful (names; above its lowest mark where that is stated, else above 0,
or unreadable, and no rule judges it), substances_asked, substances_inert (names; no rule judges them).
Rules: design, "Verdicts".
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from functools import cache
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from grader.columns import FIELDS, OPEN_LOWER, PARAMETERS, READ, UNREADABLE, Field, substance_key
from grader.data import load_toml
from grader.decided import ASKED, HARMFUL, INERT, OVER, SUBSTANCE_COLUMNS, UNTOLD
from grader.figures import bounds
from grader.frames import RELATIVE_TOLERANCE, text
from grader.problems import Problems

if TYPE_CHECKING:
    from grader.judge.rules.limit import NotCovered
    from grader.judge.rules.sets import RuleSet

_WRITTEN = re.compile(
    r"(?P<name>.+?)(?:: | (?P<sign>[<>≤≥]?)(?P<figure>\d+(?:\.\d+)?(?:e[+-]?\d+)?)(?: (?P<unit>\S.*))?$)"
)


class _Measured(NamedTuple):
    """One substance of one test as it was written; upper is NaN where no figure can be read."""

    name: str
    shown: str
    lower: float
    upper: float
    open_lower: bool
    unit: str


@cache
def _inert() -> frozenset[str]:
    return frozenset(substance_key(n) for n in load_toml("substances.toml")["inert"])


def harmful_fields() -> list[Field]:
    """The fields of harmful substances that are no parameter."""
    judged = {p.column for p in PARAMETERS.values()}
    return [f for f in FIELDS.values() if f.harmful and f.name not in judged]


def judge_substances(tests: pd.DataFrame, rulesets: Mapping[str, RuleSet]) -> dict[str, np.ndarray]:
    """The columns SUBSTANCE_COLUMNS, object (n,) each. tests : table with the readings and `ruleset`."""
    n = len(tests)
    found: dict[str, dict[int, list[str]]] = {name: {} for name in SUBSTANCE_COLUMNS}
    rule = text(tests, "ruleset")
    limits = {i: {substance_key(x.substance): x for x in r.substances} for i, r in rulesets.items()}

    def add(column: str, test: int, line: str) -> None:
        lines = found[column].setdefault(test, [])
        if line not in lines:
            lines.append(line)

    for field in harmful_fields():
        state = tests[f"{field.name}_state"].to_numpy()
        lower, upper, open_ = (tests[f"{field.name}_{end}"].to_numpy() for end in ("lower", "upper", "open"))
        mark = _mark(tests, field)
        name = field.heading.partition(" (")[0].lower()
        with np.errstate(invalid="ignore"):
            there = (state == UNREADABLE) | ((state == READ) & (lower > mark))
        for i in np.flatnonzero((state == READ) | (state == UNREADABLE)).tolist():
            limits_of_rule = limits.get(rule[i], {})
            limit = limits_of_rule.get(substance_key(name)) or limits_of_rule.get(field.name.rpartition("_")[0])
            if limit is None:
                if there[i]:
                    add(HARMFUL, i, name)
                continue
            read = state[i] == READ
            shown = f"{bounds(lower[i], upper[i], int(open_[i]), floor=0.0)} {field.unit}" if read else ""
            one = _Measured(
                name, shown, lower[i], upper[i] if read else np.nan, open_[i] == OPEN_LOWER, field.unit if read else ""
            )
            _held_against(one, limit, i, add)
    written = text(tests, "substances")
    for i in np.flatnonzero(written != "").tolist():
        limits_of_rule = limits.get(rule[i], {})
        for one in as_written(written[i]):
            limit = limits_of_rule.get(substance_key(one.name))
            if limit is not None:
                _held_against(one, limit, i, add)
            else:
                add(INERT if substance_key(one.name) in _inert() else ASKED, i, one.name)
    columns = {}
    for column, lines in found.items():
        columns[column] = np.full(n, "", dtype=object)
        for i, said in lines.items():
            columns[column][i] = ("\n" if column in (OVER, UNTOLD) else ", ").join(said)
    return columns


def _mark(tests: pd.DataFrame, field: Field) -> np.ndarray:
    """The lowest mark that is stated, 0 where none is: float (n,)."""
    state, lower = (tests[f"{field.lowest_mark}_{x}"].to_numpy() for x in ("state", "lower"))
    return np.where((state == READ) & (lower > 0) & np.isfinite(lower), lower, 0.0)


def as_written(lines: str) -> Iterable[_Measured]:
    """The substances of one test's text.

    >>> [(m.name, m.lower, m.upper, m.unit) for m in as_written("R134a <1.5 ppm; Helium: ?")]
    [('R134a', 0.0, 1.5, 'ppm'), ('Helium', nan, nan, '')]
    """
    for part in filter(None, (p.strip() for p in lines.split(";"))):
        match = _WRITTEN.match(part)
        if match is None or match["figure"] is None:
            name = match["name"] if match else part
            yield _Measured(name, part[len(name) :].strip(" :"), np.nan, np.nan, False, "")
            continue
        figure, sign = float(match["figure"]), match["sign"]
        lower, upper = (0.0, figure) if sign in ("<", "≤") else (figure, np.inf) if sign else (figure, figure)
        yield _Measured(
            match["name"], part[len(match["name"]) :].strip(), lower, upper, sign == ">", match["unit"] or ""
        )


def _held_against(one: _Measured, limit: NotCovered, test: int, add: Callable[[str, int, str], None]) -> None:
    """A reading equal to the limit meets it; one in another unit, or that cannot be read, cannot be told."""
    assert limit.high is not None
    high = limit.high + RELATIVE_TOLERANCE * abs(limit.high)
    line = f"{one.name[:1].upper()}{one.name[1:]}\t{one.shown}\t{limit.high:.10g} {limit.unit}"
    if np.isnan(one.upper) or one.unit != limit.unit:
        add(UNTOLD, test, line)
    elif one.lower > high or (one.open_lower and one.lower >= limit.high):
        add(OVER, test, line)
    elif one.upper > high:
        add(UNTOLD, test, line)


def query_substances(tests: pd.DataFrame, problems: Problems) -> None:
    """Say what was measured and no rule judges. tests : judged table."""
    for code, name in (("harmful_not_judged", HARMFUL), ("substance_not_judged", ASKED), ("inert_not_judged", INERT)):
        written = text(tests, name)
        here = written != ""
        if name == ASKED:  # one line a file, whatever the number of its tests
            here &= ~pd.DataFrame({"file": tests["file"].to_numpy(), "said": written}).duplicated().to_numpy()
        number, field = tests.index.to_numpy()[here], "" if name == HARMFUL else "substances"
        problems.add_tests(code, number, field, list(written[here]), what=list(written[here]))


def limit_lines(tests: pd.DataFrame) -> list[dict[str, str]]:
    """Rows of the sheet Limits for what was measured and no rule set judges, by name."""
    names: dict[str, str] = {}
    for column in (HARMFUL, ASKED, INERT):
        for written in pd.unique(text(tests, column)):
            names |= {substance_key(n): n for n in written.split(", ") if n and substance_key(n) not in names}
    return [
        {
            "Parameter": names[key],
            "Condition": "not covered",
            "Limit": "none stated",
            "Judges": "no: it was measured, and no rule set here judges it",
        }
        for key in sorted(names)
    ]
