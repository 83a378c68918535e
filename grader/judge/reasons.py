"""Why a test has its verdict, in words a client understands. One text a test, worst first.

Strings are built per kind of finding, only for the tests that have it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from grader.columns import (
    AIR,
    AWAITED,
    CANNOT_TELL,
    DOUBTS,
    FAIL,
    FIGURES,
    FROM_AMBIENT,
    FROM_COLDER,
    FROM_STATED,
    HIGH_PRESSURE,
    IN_WORDS,
    JUDGED,
    NEAR_LIMIT,
    NO_LIMIT,
    NOT_JUDGED,
    NOT_TESTED,
    PARAMETERS,
    PASS,
    READ,
    SAID_OTHERWISE,
    SUPPLIED,
    TEST_FAIL,
    TEST_NEAR,
    TEST_PASS,
    TUBE_GASES,
    WATER,
)
from grader.data import load_toml
from grader.decided import (
    BY_FREE_WATER,
    BY_MARGIN_1ATM,
    DEW_POINTS,
    WHY_BAND,
    WHY_BOUND,
    WHY_CHANCE,
    WHY_DOUBT,
    WHY_GUARD_BAND,
    WHY_UNCLEAR,
    WHY_UNREADABLE,
    Against,
    Decided,
    WaterFigures,
)
from grader.figures import at_least_fixed, fixed, plain
from grader.frames import by_unique, text, with_columns
from grader.judge.rules.sets import RuleSet
from grader.words import words


class _Reasons:
    """Sentences of n tests, added kind by kind."""

    def __init__(self, n: int) -> None:
        self.parts = np.full(n, "", dtype=object)

    def add(self, where: np.ndarray, make: Callable[[int], str] | str) -> None:
        """One sentence more for the tests where it applies; `make` gets the position."""
        rows = np.flatnonzero(where)
        if not len(rows):
            return
        sentences = np.empty(len(rows), dtype=object)
        sentences[:] = [make] * len(rows) if isinstance(make, str) else [make(i) for i in rows.tolist()]
        before = self.parts[rows]
        self.parts[rows] = np.where(before == "", sentences, before + "; " + sentences)


def add_reasons(tests: pd.DataFrame, rulesets: dict[str, RuleSet], language: str = "en") -> pd.DataFrame:
    """The table with column `reasons` (text, never empty). n rows in, n rows out."""
    w = words(language)
    say: dict[str, str] = w["reason"]
    names: dict[str, str] = w["parameter"]
    within: dict[str, str] = w["parameter_within"]
    reasons = _Reasons(len(tests))
    rule = text(tests, "ruleset")
    named = by_unique(rule, lambda r: f"{rulesets[r].document} {rulesets[r].edition}" if r in rulesets else "")
    verdict = {key: tests[f"verdict_{key}"].to_numpy() for key in JUDGED}
    judged = rule != ""
    reasons.add(~tests["visited"].to_numpy(), say["not_visited"])
    reasons.add(~judged, say["no_rule_set"])

    decided = {key: Decided.of(tests, key, w) for key in FIGURES}
    why = {key: tests[f"{key}_why"].to_numpy() for key in JUDGED}
    for key in JUDGED:
        _fails(reasons, tests, key, (verdict[key] == FAIL) & (why[key] != WHY_GUARD_BAND), decided, w)
    for name, template in (("substances_over", say["over"]), ("substances_untold", say["substance_untold"])):
        lines = text(tests, name)
        reasons.add(lines != "", _of_substances(lines, template))
    marked = (verdict["odour"] == FAIL) & (text(tests, "odour") == "marked")
    visited = tests["visited"].to_numpy()
    _doubtful(reasons, {key: np.where(~marked & (why[key] == WHY_DOUBT), d.doubt, 0) for key, d in decided.items()}, w)
    minutes = tests["oil_clear_needs_min"].to_numpy(dtype=float)
    reasons.add(
        ~marked & (verdict["oil"] == CANNOT_TELL) & np.isfinite(minutes),
        lambda i: say["clear_after"].format(minutes=at_least_fixed(minutes[i], 1)),
    )
    for key in JUDGED:
        for code, word in ((WHY_BAND, "band"), (WHY_UNREADABLE, "unreadable")):
            reasons.add(~marked & (why[key] == code), say[word].format(name=names[key]))
        if key in decided:
            reasons.add(~marked & (why[key] == WHY_BOUND), decided[key].unsettled)
    for key, d in decided.items():
        for code in (WHY_CHANCE, WHY_GUARD_BAND, WHY_UNCLEAR):
            reasons.add(why[key] == code, d.sentence)
    # What is missing is said once, as a list; after a marked odour the rest may rightly be empty.
    _list(
        reasons,
        tests,
        [(key, (verdict[key] == NOT_TESTED) & tests[f"{key}_missing"].to_numpy()) for key in JUDGED],
        visited & ~marked & judged,
        say["not_tested"],
        within,
    )
    _list(
        reasons,
        tests,
        [(key, (verdict[key] == NO_LIMIT) & tests[f"{key}_missing"].to_numpy()) for key in JUDGED],
        visited & ~marked & judged,
        say["no_limit"],
        within,
        named,
    )
    if "awaits" in tests:
        of = text(tests, "laboratory_reference")
        _list(
            reasons,
            tests,
            [(key, (verdict[key] == AWAITED) & tests[f"{key}_missing"].to_numpy()) for key in JUDGED],
            visited & ~marked & judged,
            say["awaited"],
            within,
            np.where(of == "", "-", of),
        )
    reasons.add((verdict["odour"] == NEAR_LIMIT), say["odour_slight"])
    _list(
        reasons,
        tests,
        [(key, (verdict[key] == NOT_TESTED) & ~tests[f"{key}_missing"].to_numpy()) for key in AIR],
        visited & ~marked & judged,
        say["not_demanded"],
        within,
        named,
    )
    _against(reasons, tests, verdict[WATER], w)
    _warm(reasons, tests, say)
    # Cylinders and charging compressors need neither flow nor pressure.
    needs = ~np.isin(text(tests, "supply"), HIGH_PRESSURE)
    _list(
        reasons,
        tests,
        [(key, verdict[key] == NOT_JUDGED) for key in SUPPLIED],
        visited & needs,
        say["not_judged"],
        within,
    )
    _corrected(reasons, tests, visited, say, within)
    harmful, asked, inert = (text(tests, name) for name in ("harmful", "substances_asked", "substances_inert"))
    reasons.add(harmful != "", lambda i: say["harmful"].format(what=harmful[i]))
    beside = np.where((asked != "") & (inert != ""), asked + ", " + inert, asked + inert)
    reasons.add(beside != "", lambda i: say["substances"].format(what=beside[i]))
    for name in SAID_OTHERWISE:
        reasons.add(tests[f"{name}_otherwise"].to_numpy(), say[name])
    reasons.add(tests["aside"].to_numpy(), say["aside"])
    if "laboratory" in tests:
        reported = text(tests, "laboratory")
        reasons.add(reported != "", lambda i: reported[i])
    past = text(tests, "past")
    reasons.add(visited & (past != ""), lambda i: past[i])
    reasons.add(tests["replaced"].to_numpy(), say["replaced"])
    if "replaces_fail" in tests:
        reasons.add(tests["replaces_fail"].to_numpy(), say["replaces_fail"])
    # Said first: what follows on a pass is no reason against it.
    met = np.isin(tests["verdict"].to_numpy(), (TEST_PASS, TEST_NEAR))
    met_rule = by_unique(named[met], lambda name: say["all_met"].format(rule=name))
    rest = reasons.parts[met]
    reasons.parts[met] = np.where(rest == "", met_rule, met_rule + "; " + rest)
    for rule_id, ruleset in rulesets.items():
        left = [str(c) for c in ruleset.not_covered if not str(c).startswith("any other")]
        if left:
            reasons.add((rule == rule_id) & visited, say["not_covered"].format(substances=", ".join(left)))
    finished = by_unique(reasons.parts, lambda p: f"{p[:1].upper()}{p[1:]}." if p else say["nothing"])
    return with_columns(tests, {"reasons": finished})


def _of_substances(lines: np.ndarray, template: str) -> Callable[[int], str]:
    def said(i: int) -> str:
        parted = (line.split("\t") for line in lines[i].split("\n"))
        return "; ".join(template.format(name=name, reading=reading, limit=limit) for name, reading, limit in parted)

    return said


def _fails(
    reasons: _Reasons,
    tests: pd.DataFrame,
    key: str,
    where: np.ndarray,
    decided: dict[str, Decided],
    w: Mapping[str, Any],
) -> None:
    say = w["reason"]
    if key in IN_WORDS:
        word = text(tests, PARAMETERS[key].column)
        reasons.add(
            where,
            lambda i: say["odour_marked"] if word[i] == "marked" else say["odour_not_allowed"].format(odour=word[i]),
        )
        return
    d = decided[key]
    if key != WATER:
        reasons.add(where, d.sentence)
        return
    reasons.add(where & (text(tests, "liquid_water") == "seen"), say["liquid_seen"])
    dews = {name: WaterFigures(tests, name) for name in DEW_POINTS}
    airline = tests["airline_temperature_c_upper"].to_numpy()
    reasons.add(
        where & tests["dew_above_line"].to_numpy(),
        lambda i: say["dew_above_line"].format(
            dew=dews["pressure_dew_point"](i, airline[i]), line=f"{plain(airline[i])} °C"
        ),
    )
    known, against = tests["use_temperature_known"].to_numpy(), Against(tests, w)
    reasons.add(
        where & (d.by != BY_FREE_WATER),
        lambda i: d.sentence(i, dews[DEW_POINTS[int(d.by[i] == BY_MARGIN_1ATM)]](i), bool(known[i]), against(i)),
    )


def _doubtful(reasons: _Reasons, doubt: dict[str, np.ndarray], w: Mapping[str, Any]) -> None:
    """One sentence a doubt, naming every parameter that it keeps from a pass."""
    first, within = w["parameter"], w["parameter_within"]
    for code in sorted({int(c) for codes in doubt.values() for c in np.unique(codes)} - {0}):
        bits = np.zeros(len(reasons.parts), dtype=np.int64)
        for place, codes in enumerate(doubt.values()):
            bits |= np.where(codes == code, 1 << place, 0)
        for combination in np.unique(bits[bits > 0]):
            keys = [key for place, key in enumerate(doubt) if combination >> place & 1]
            listed = ", ".join([first[keys[0]], *(within[key] for key in keys[1:])])
            reasons.add(bits == combination, w["reason"]["doubt"].format(name=listed, why=w["doubt"][DOUBTS[code]]))


def _list(
    reasons: _Reasons,
    tests: pd.DataFrame,
    kinds: list[tuple[str, np.ndarray]],
    where: np.ndarray,
    template: str,
    names: dict[str, str],
    rule: np.ndarray | None = None,
) -> None:
    """`template` with the names of the parameters that apply; one text per combination, not per test."""
    bits = np.zeros(len(tests), dtype=np.int64)
    for place, (_, here) in enumerate(kinds):
        bits |= np.where(here & where, 1 << place, 0)
    for combination in np.unique(bits[bits > 0]):
        listed = [names[key] for place, (key, _) in enumerate(kinds) if combination >> place & 1]
        joined = ", ".join(listed)
        at = bits == combination
        for document in [""] if rule is None else np.unique(rule[at]):
            here = at if rule is None else at & (rule == document)
            reasons.add(here, template.format(names=joined, rule=document))


def _corrected(
    reasons: _Reasons, tests: pd.DataFrame, visited: np.ndarray, say: dict[str, str], within: dict[str, str]
) -> None:
    """By what the tubes were corrected for the pressure of the air, and what stands in their cells."""
    factor = tests["tube_factor"].to_numpy()
    standard_hpa = load_toml("units.toml")["reference"]["atmosphere_hpa"]
    written: dict[int, list[str]] = {}
    for key in TUBE_GASES:
        p = PARAMETERS[key]
        told, value = text(tests, f"{p.column}_text"), tests[p.column].to_numpy(dtype=float)
        moved = (tests[f"{key}_factor"].to_numpy() != 1.0) & (tests[f"{key}_state"].to_numpy() == READ)
        for i in np.flatnonzero(visited & moved).tolist():
            written.setdefault(i, []).append(f"{within[key]} {told[i] or f'{plain(value[i])} {p.unit}'}")

    def said(i: int) -> str:
        template = say["tubes_corrected_from" if i in written else "tubes_corrected"]
        pressure = plain(round(standard_hpa / factor[i], 2))
        return template.format(factor=f"{factor[i]:.3f}", pressure=pressure, written=", ".join(written.get(i, ())))

    reasons.add(visited & (factor != 1.0), said)


def _against(reasons: _Reasons, tests: pd.DataFrame, verdict: np.ndarray, w: Mapping[str, Any]) -> None:
    """The temperature that a rule counts from where it is not the lowest use temperature by its words; a fail says it itself."""
    against = Against(tests, w)
    named = np.isin(against.by, (FROM_AMBIENT, FROM_COLDER, FROM_STATED)) & (verdict != FAIL)
    reasons.add(named, lambda i: w["reason"]["held_against"].format(against=against(i)))


def _warm(reasons: _Reasons, tests: pd.DataFrame, say: dict[str, str]) -> None:
    warm = tests["warm_day"].to_numpy() & np.isin(tests["verdict_water"].to_numpy(), (PASS, NEAR_LIMIT))
    safe, colder = tests["safe_down_to_c"].to_numpy(), tests["colder_seen_c"].to_numpy()
    seen = ~np.isnan(colder)
    told = warm & (tests["verdict"].to_numpy() != TEST_FAIL)
    reasons.add(told & ~seen, lambda i: say["warm_day"].format(safe=fixed(safe[i], 1)))
    reasons.add(
        told & seen, lambda i: say["warm_day_colder"].format(safe=fixed(safe[i], 1, colder[i]), colder=plain(colder[i]))
    )
