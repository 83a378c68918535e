"""Why a test has its verdict, in words a client understands. One text a test, worst first.

Strings are built per kind of finding, only for the tests that have it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd

from grader.columns import (
    CANNOT_TELL,
    DOUBTS,
    FAIL,
    NEAR_LIMIT,
    NO_LIMIT,
    NOT_JUDGED,
    NOT_TESTED,
    PARAMETERS,
    PASS,
    READ,
    STAIN,
    TEST_FAIL,
    TEST_NEAR,
    TEST_PASS,
)
from grader.figures import bounds, fixed, limit_figure, plain
from grader.frames import by_unique, text, with_columns
from grader.judge import verdicts as v
from grader.judge.chances import IN_GUARD_BAND
from grader.judge.close_reasons import CLOSE, add_close
from grader.judge.rules.sets import RuleSet
from grader.words import words

COMPUTED = ("water", "pressure_dew_point", "dew_point_1atm", "margin")


class _Reasons:
    """Sentences of n tests, added kind by kind."""

    def __init__(self, n: int) -> None:
        self.parts = np.full(n, "", dtype=object)

    def add(self, where: np.ndarray, make: Callable[[int], str] | str) -> None:
        """One sentence more for the tests where it applies; `make` gets the position."""
        rows = np.flatnonzero(where)
        if not len(rows):
            return
        made = np.empty(len(rows), dtype=object)
        made[:] = [make] * len(rows) if isinstance(make, str) else [make(i) for i in rows.tolist()]
        before = self.parts[rows]
        self.parts[rows] = np.where(before == "", made, before + "; " + made)


def reading_text(tests: pd.DataFrame, key: str, said: dict[str, str]) -> Callable[..., str]:
    """How the reading of one parameter is printed: position and the figure it must differ from -> text."""
    parameter = PARAMETERS[key]
    lower, upper = tests[f"{key}_lower"].to_numpy(), tests[f"{key}_upper"].to_numpy()
    open_ = tests[f"{key}_open"].to_numpy()
    decimals = parameter.decimals if key in COMPUTED else None
    factor = tests["tube_factor"].to_numpy() if key in ("co", "co2", "oil") else None
    stain = tests["oil_mg_m3_how"].to_numpy() == STAIN if key == "oil" else np.zeros(len(tests), dtype=bool)

    def shown(i: int, other: float = float("nan")) -> str:
        digits = decimals
        if factor is not None and factor[i] != 1.0:
            digits = parameter.decimals + 1
        figure = bounds(lower[i], upper[i], int(open_[i]), digits, parameter.floor, parameter.ceiling, other)
        figure = f"{figure} {parameter.unit}".rstrip()
        return said["stain"].format(reading=figure) if stain[i] else figure

    return shown


def add_reasons(tests: pd.DataFrame, rulesets: dict[str, RuleSet], language: str = "en") -> pd.DataFrame:
    """The table with column `reasons` (text, never empty). n rows in, n rows out."""
    w = words(language)
    said: dict[str, str] = w["reason"]
    names: dict[str, str] = w["parameter"]
    within: dict[str, str] = w["parameter_within"]
    reasons = _Reasons(len(tests))
    rule = text(tests, "ruleset")
    named = by_unique(rule, lambda r: f"{rulesets[r].document} {rulesets[r].edition}" if r in rulesets else "")
    verdict = {key: tests[f"verdict_{key}"].to_numpy() for key in v.JUDGED}
    judged = rule != ""
    reasons.add(~tests["visited"].to_numpy(), said["not_visited"])
    reasons.add(~judged, said["no_rule_set"])

    in_band = {
        key: tests[f"{key}_closeness"].to_numpy() == IN_GUARD_BAND if key in CLOSE else np.zeros(len(tests), dtype=bool)
        for key in v.JUDGED
    }
    for key in v.JUDGED:
        _fails(reasons, tests, key, (verdict[key] == FAIL) & ~in_band[key], said, names)
    marked = (verdict["odour"] == FAIL) & (text(tests, "odour") == "marked")
    visited = tests["visited"].to_numpy()
    unsure = {key: (verdict[key] == CANNOT_TELL) & ~marked & ~in_band[key] for key in v.JUDGED}
    _doubtful(reasons, tests, unsure, w)
    for key in v.JUDGED:
        _unsure(reasons, tests, key, unsure[key] & (tests[f"{key}_doubt"].to_numpy() == 0), said, names)
    flag = {
        rule_id: {p.key: rules.flag_percent(p.name) / 100.0 for p in PARAMETERS.values()}
        for rule_id, rules in rulesets.items()
    }
    add_close(
        reasons.add, tests, lambda key: reading_text(tests, key, said), said, names, lambda key, i: flag[rule[i]][key]
    )
    # What is missing is said once, as a list; after a marked odour the rest may rightly be empty.
    _list(
        reasons,
        tests,
        [(key, (verdict[key] == NOT_TESTED) & tests[f"{key}_missing"].to_numpy()) for key in v.JUDGED],
        visited & ~marked & judged,
        said["not_tested"],
        within,
    )
    _list(
        reasons,
        tests,
        [(key, (verdict[key] == NO_LIMIT) & tests[f"{key}_missing"].to_numpy()) for key in v.JUDGED],
        visited & ~marked & judged,
        said["no_limit"],
        within,
        named,
    )
    reasons.add((verdict["odour"] == NEAR_LIMIT), said["odour_slight"])
    _list(
        reasons,
        tests,
        [(key, (verdict[key] == NOT_TESTED) & ~tests[f"{key}_missing"].to_numpy()) for key in v.AIR],
        visited & ~marked & judged,
        said["not_demanded"],
        within,
        named,
    )
    _warm(reasons, tests, said)
    # Cylinders and charging compressors need neither flow nor pressure.
    needs = ~np.isin(text(tests, "supply"), v.HIGH_PRESSURE)
    _list(
        reasons,
        tests,
        [(key, verdict[key] == NOT_JUDGED) for key in ("flow", "pressure")],
        visited & needs,
        said["not_judged"],
        within,
    )
    factor = tests["tube_factor"].to_numpy()
    atmospheric = tests["atmospheric_pressure_hpa_lower"].to_numpy()
    reasons.add(
        visited & (factor != 1.0),
        lambda i: said["tubes_corrected"].format(factor=f"{factor[i]:.3f}", pressure=plain(atmospheric[i])),
    )
    past = text(tests, "past")
    reasons.add(visited & (past != ""), lambda i: past[i])
    reasons.add(tests["replaced"].to_numpy(), said["replaced"])
    # Said first: what follows on a pass is no reason against it.
    met = np.isin(tests["verdict"].to_numpy(), (TEST_PASS, TEST_NEAR))
    met_rule = by_unique(named[met], lambda name: said["all_met"].format(rule=name))
    rest = reasons.parts[met]
    reasons.parts[met] = np.where(rest == "", met_rule, met_rule + "; " + rest)
    for rule_id, ruleset in rulesets.items():
        left = [str(c) for c in ruleset.not_covered if not str(c).startswith("any other")]
        if left:
            reasons.add((rule == rule_id) & visited, said["not_covered"].format(substances=", ".join(left)))
    finished = by_unique(reasons.parts, lambda p: f"{p[:1].upper()}{p[1:]}." if p else said["nothing"])
    return with_columns(tests, {"reasons": finished})


def _fails(
    reasons: _Reasons, tests: pd.DataFrame, key: str, where: np.ndarray, said: dict[str, str], names: dict[str, str]
) -> None:
    if key == "odour":
        word = text(tests, "odour")
        reasons.add(
            where,
            lambda i: said["odour_marked"] if word[i] == "marked" else said["odour_not_allowed"].format(odour=word[i]),
        )
        return
    low_limit, high_limit = tests[f"limit_low_{key}"].to_numpy(), tests[f"limit_high_{key}"].to_numpy()
    if key == "water":
        _water_fails(reasons, tests, where, low_limit, high_limit, said)
        return
    shown, unit = reading_text(tests, key, said), PARAMETERS[key].unit
    upper = tests[f"{key}_upper"].to_numpy()
    with np.errstate(invalid="ignore"):
        below = where & ~np.isnan(low_limit) & (upper <= low_limit)
    over = said["pressure_over" if key == "pressure" else "over"]
    under = said["need" if key in ("flow", "pressure") else "under"]
    reasons.add(
        where & ~below,
        lambda i: over.format(
            name=names[key], reading=shown(i, high_limit[i]), limit=f"{limit_figure(high_limit[i])} {unit}"
        ),
    )
    reasons.add(
        below,
        lambda i: under.format(
            name=names[key], reading=shown(i, low_limit[i]), limit=f"{limit_figure(low_limit[i])} {unit}"
        ),
    )


def _water_fails(
    reasons: _Reasons, tests: pd.DataFrame, where: np.ndarray, low: np.ndarray, high: np.ndarray, said: dict[str, str]
) -> None:
    by = tests["water_by"].to_numpy()
    content, dew = reading_text(tests, "water", said), reading_text(tests, "pressure_dew_point", said)
    one, margin = reading_text(tests, "dew_point_1atm", said), reading_text(tests, "margin", said)
    seen = text(tests, "liquid_water") == "seen"
    airline = tests["airline_temperature_c_upper"].to_numpy()
    base = tests["ambient_use_c"].to_numpy()
    dew_one = tests["dew_point_1atm_upper"].to_numpy()
    reasons.add(where & seen, said["liquid_seen"])
    reasons.add(
        where & tests["dew_above_line"].to_numpy(),
        lambda i: said["dew_above_line"].format(dew=dew(i, airline[i]), line=f"{plain(airline[i])} °C"),
    )
    reasons.add(
        where & (by == v.BY_CONTENT),
        lambda i: said["over"].format(
            name=said["water"], reading=content(i, high[i]), limit=f"{limit_figure(high[i])} mg/m³"
        ),
    )
    known = tests["use_temperature_known"].to_numpy()
    reasons.add(
        where & (by == v.BY_LINE_DEW),
        lambda i: said["dew_over" if known[i] else "dew_over_unknown"].format(
            dew=dew(i, high[i]), limit=f"{limit_figure(high[i])} °C"
        ),
    )
    reasons.add(
        where & (by == v.BY_ONE_ATMOSPHERE),
        lambda i: said["dew_one_over"].format(dew=one(i, high[i]), limit=f"{limit_figure(high[i])} °C"),
    )
    reasons.add(
        where & (by == v.BY_MARGIN),
        lambda i: said["margin_short"].format(
            dew=dew(i, float("nan")), margin=margin(i, low[i]), needed=limit_figure(low[i])
        ),
    )
    reasons.add(
        where & (by == v.BY_MARGIN_1ATM),
        lambda i: said["margin_one_short"].format(
            dew=one(i, float("nan")), margin=fixed(base[i] - dew_one[i], 1, low[i]), needed=limit_figure(low[i])
        ),
    )


def _doubtful(reasons: _Reasons, tests: pd.DataFrame, unsure: dict[str, np.ndarray], w: dict[str, Any]) -> None:
    """One sentence a doubt, naming every parameter that it keeps from a pass."""
    doubt = {key: np.where(where, tests[f"{key}_doubt"].to_numpy(), 0) for key, where in unsure.items()}
    first, within = w["parameter"], w["parameter_within"]
    for code in sorted({int(c) for codes in doubt.values() for c in np.unique(codes)} - {0}):
        bits = np.zeros(len(tests), dtype=np.int64)
        for place, codes in enumerate(doubt.values()):
            bits |= np.where(codes == code, 1 << place, 0)
        for combination in np.unique(bits[bits > 0]):
            keys = [key for place, key in enumerate(doubt) if combination >> place & 1]
            listed = ", ".join([first[keys[0]], *(within[key] for key in keys[1:])])
            reasons.add(bits == combination, w["reason"]["doubt"].format(name=listed, why=w["doubt"][DOUBTS[code]]))


def _unsure(
    reasons: _Reasons, tests: pd.DataFrame, key: str, where: np.ndarray, said: dict[str, str], names: dict[str, str]
) -> None:
    """Why a figure without a doubt cannot be told: unreadable, or a bound that leaves it open."""
    if key == "odour":
        reasons.add(where, said["unreadable"].format(name=names[key]))
        return
    state = tests[f"{key}_state"].to_numpy()
    if key == "water":
        by = tests["water_by"].to_numpy()
        chain = {v.BY_LINE_DEW: "pressure_dew_point", v.BY_ONE_ATMOSPHERE: "dew_point_1atm", v.BY_MARGIN: "margin"}
        unsure = tests["water_band_unsure"].to_numpy()
        reasons.add(where & unsure, said["band"].format(name=names[key]))
        rest = where & ~unsure
        reasons.add(rest & (state != READ), said["unreadable"].format(name=names[key]))
        for code, figure in chain.items():
            _bound(reasons, tests, figure, rest & (state == READ) & (by == code), said, names)
        _bound(reasons, tests, key, rest & (state == READ) & ~np.isin(by, list(chain)), said, names)
        return
    reasons.add(where & (state != READ), said["unreadable"].format(name=names[key]))
    _bound(reasons, tests, key, where & (state == READ), said, names)


def _bound(
    reasons: _Reasons, tests: pd.DataFrame, key: str, where: np.ndarray, said: dict[str, str], names: dict[str, str]
) -> None:
    shown = reading_text(tests, key, said)
    reasons.add(where, lambda i: said["bound"].format(name=names[key], reading=shown(i)))


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


def _warm(reasons: _Reasons, tests: pd.DataFrame, said: dict[str, str]) -> None:
    warm = tests["warm_day"].to_numpy() & np.isin(tests["verdict_water"].to_numpy(), (PASS, NEAR_LIMIT))
    safe, colder = tests["safe_down_to_c"].to_numpy(), tests["colder_seen_c"].to_numpy()
    seen = ~np.isnan(colder)
    shown = warm & (tests["verdict"].to_numpy() != TEST_FAIL)
    reasons.add(shown & ~seen, lambda i: said["warm_day"].format(safe=fixed(safe[i], 1)))
    reasons.add(
        shown & seen,
        lambda i: said["warm_day_colder"].format(safe=fixed(safe[i], 1, colder[i]), colder=plain(colder[i])),
    )
