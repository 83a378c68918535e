"""What the judge keeps of a verdict, and how it is printed: figure judged, its ends, limit, chance, why in doubt.

Columns of the judged table, for each judged parameter `key`:
verdict_{key}                        codes of columns.VERDICT_WORDS
{key}_why                            codes WHY_*: what made it near limit, doubtful, or a fail inside the limit
{key}_doubt                          codes of columns.DOUBTS: a doubt about the reading, whatever the verdict
limit_low_{key}, limit_high_{key}    float, the limits judged by, NaN where none (water: of the deciding figure)
{key}_low_side                       bool: the lower of the two limits is the one that is missed, or nearer
chance_over_{key}                    float 0 to 1: chance that the true value is beyond the limit; NaN for a bound
                                     and where anything is in doubt
flag_{key}                           float, the chance above which a pass is near limit
{key}_stain                          bool, of gases: seen as a stain, no figure
(odour has verdict, why and doubt only), and for water, which has several figures:
water_by                             codes BY_*: the figure of the chain that decided
water_against                        codes FROM_*: the temperature that a deciding margin counts from
water_judged_lower, _upper, _open, _state    its ends; of a margin as that rule counts it
Everything that speaks of a verdict prints these; nothing derives them again.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from grader.columns import (
    CANNOT_TELL,
    COMPUTED,
    FAIL,
    FROM_AMBIENT,
    FROM_COLDER,
    FROM_NONE,
    FROM_STATED,
    FROM_USE,
    GASES,
    OPEN_NONE,
    PARAMETERS,
    READ,
    TUBE_GASES,
    WATER,
)
from grader.figures import bounds, is_long, limit_figure, percent
from grader.frames import RELATIVE_TOLERANCE, above, at_least, repeated

# {key}_why, in the order in which they decide.
WHY_NONE, WHY_CHANCE, WHY_GUARD_BAND, WHY_DOUBT, WHY_BAND, WHY_UNREADABLE, WHY_BOUND, WHY_UNCLEAR = range(8)
# {water_by}, and the parameter whose figure that is.
BY_NONE, BY_CONTENT, BY_LINE_DEW, BY_ONE_ATMOSPHERE, BY_MARGIN, BY_MARGIN_1ATM, BY_FREE_WATER = range(7)
# {key}_origin, of gases with a reading at the intake: none, or where the gas comes from.
NOT_MEASURED, INTAKE, COMPRESSOR, NOT_APART = range(4)
ORIGINS = ("", "intake", "compressor", "not_apart")
FIGURE_OF = {
    BY_CONTENT: "water",
    BY_LINE_DEW: "pressure_dew_point",
    BY_ONE_ATMOSPHERE: "dew_point_1atm",
    BY_MARGIN: "margin",
    BY_MARGIN_1ATM: "margin",
    BY_FREE_WATER: "pressure_dew_point",
}
# Columns of judge/substances.py.
OVER, UNTOLD, HARMFUL, ASKED, INERT = SUBSTANCE_COLUMNS = (
    "substances_over", "substances_untold", "harmful", "substances_asked", "substances_inert",
)  # fmt: skip
DEW_POINTS = ("pressure_dew_point", "dew_point_1atm")


def low_side(
    verdict: np.ndarray, why: np.ndarray, ends: tuple[np.ndarray, ...], limits: tuple[np.ndarray, np.ndarray]
) -> np.ndarray:
    """Whether the lower limit is the one that is missed, or nearer; bool (n,).

    ends : lower and upper first, each (n,). limits : lowest and highest (n,), NaN for none.
    """
    lower, upper, low, high = *ends[:2], *limits
    with np.errstate(invalid="ignore"):
        missed = (verdict == FAIL) & (why != WHY_GUARD_BAND)
        nearer = np.where(missed, at_least(low, upper), lower - low < high - upper)
    return ~np.isnan(low) & (np.isnan(high) | nearer)


@dataclass
class Decided:
    """What decided one parameter's verdict on n tests; every array (n,), as the columns above.

    figure   : object, key of the parameter whose figure is shown: the deciding one where it was read.
    limited  : object, key of the parameter that the limit is of.
    decimals : int, digits of a computed figure, -1 for one printed as it was written. stain : bool, seen, no figure.
    words    : of the language in which it is printed.
    """

    key: str
    words: Mapping[str, Any]
    verdict: np.ndarray
    why: np.ndarray
    doubt: np.ndarray
    figure: np.ndarray
    limited: np.ndarray
    by: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    open: np.ndarray
    state: np.ndarray
    low: np.ndarray
    high: np.ndarray
    low_side: np.ndarray
    chance: np.ndarray
    flag: np.ndarray
    decimals: np.ndarray
    stain: np.ndarray

    @classmethod
    def of(cls, tests: pd.DataFrame, key: str, words: Mapping[str, Any]) -> Decided:
        """From the judged table; key : a parameter with a verdict of its own, not one of words."""
        n = len(tests)
        ends = [tests[f"{key}_{end}"].to_numpy() for end in ("lower", "upper", "open", "state")]
        figure, limited = repeated(key, n), repeated(key, n)
        by = np.zeros(n, dtype=np.int8)
        if key == WATER:
            by = tests["water_by"].to_numpy()
            chain = [tests[f"water_judged_{end}"].to_numpy() for end in ("lower", "upper", "open", "state")]
            read = chain[3] == READ
            for code, name in FIGURE_OF.items():
                limited[by == code] = name
                figure[read & (by == code)] = name
            limited[by == BY_FREE_WATER] = key
            ends = [np.where(read, judged, own) for judged, own in zip(chain, ends)]
        decimals = np.full(n, -1)
        for name in COMPUTED:
            decimals[figure == name] = PARAMETERS[name].decimals
        if key in TUBE_GASES:
            decimals[tests[f"{key}_factor"].to_numpy() != 1.0] = PARAMETERS[key].decimals + 1
        stain = tests[f"{key}_stain"].to_numpy() if key in GASES else np.zeros(n, dtype=bool)
        names = (f"verdict_{key}", f"{key}_why", f"{key}_doubt", f"limit_low_{key}", f"limit_high_{key}",
                 f"{key}_low_side", f"chance_over_{key}", f"flag_{key}")  # fmt: skip
        verdict, why, doubt, low, high, low_is_it, chance, flag = (tests[name].to_numpy() for name in names)
        judged = figure, limited, by, ends[0], ends[1], ends[2], ends[3]
        return cls(key, words, verdict, why, doubt, *judged, low, high, low_is_it, chance, flag, decimals, stain)

    def limit(self, i: int) -> float:
        """The limit that decides."""
        return float(self.low[i] if self.low_side[i] else self.high[i])

    def limit_text(self, i: int) -> str:
        """The limit that decides, with its unit."""
        return f"{limit_figure(self.limit(i))} {PARAMETERS[self.limited[i]].unit}"

    def reading(self, i: int, other: float | None = None) -> str:
        """The figure with its unit; other : what it must print unlike, None for the limit unless it lies at it."""
        if other is None:
            limit, end = self.limit(i), float(self.lower[i] if self.low_side[i] else self.upper[i])
            # A reading at its limit prints as the limit.
            missed = self.verdict[i] == FAIL and self.why[i] != WHY_GUARD_BAND
            other = limit if missed or above(abs(end - limit), RELATIVE_TOLERANCE * abs(limit)) else math.nan
        shown = figure_text(
            self.figure[i], self.lower[i], self.upper[i], int(self.open[i]), int(self.decimals[i]), other
        )
        return str(self.words["reason"]["stain"]).format(reading=shown) if self.stain[i] else shown

    def unsettled(self, i: int) -> str:
        """That the reading does not say on which side of the limit it lies."""
        say, name = self.words["reason"]["bound"], self.words["parameter"][self.figure[i]]
        return str(say).format(name=name, reading=self.reading(i, math.nan))

    def sentence(self, i: int, dew: str = "", temperature_known: bool = True, against: str = "") -> str:
        """How the figure stands to the limit that decides: missed, inside its guard band, or met only just.

        dew, against : the dew point and the temperature it is held against as printed, of a margin that is too small.
        temperature_known : whether the lowest use temperature is; a dew point over its limit says where it is not.
        """
        say, needed = self.words["reason"], bool(PARAMETERS[self.key].need) and bool(self.low_side[i])
        template = "over"
        if self.why[i] == WHY_UNCLEAR:
            template = "near_unclear"
        elif self.why[i] == WHY_CHANCE:
            template = "near_need" if needed else "near"
        elif self.why[i] == WHY_GUARD_BAND:
            template = "bound_guard_band" if self.verdict[i] == CANNOT_TELL else "in_guard_band"
        elif self.limited[i] == "margin":
            template = "margin_one_short" if self.by[i] == BY_MARGIN_1ATM else "margin_short"
        elif self.limited[i] == "dew_point_1atm":
            template = "dew_one_over"
        elif self.limited[i] == "pressure_dew_point":
            template = "dew_over" if temperature_known else "dew_over_unknown"
        elif self.low_side[i]:
            template = "need" if needed else "under"
        elif PARAMETERS[self.key].need:
            template = "over_allowed"
        return str(say[template]).format(
            name=self.words["parameter"][self.figure[i]],
            reading=self.reading(i),
            limit=self.limit_text(i),
            dew=dew,
            against=against,
            chance=percent(float(self.chance[i]), float(self.flag[i])),
            side=say["side_under" if self.low_side[i] else "side_over"],
        )


class WaterFigures:
    """The figures of one parameter of the water chain as they are printed: position, what to print unlike -> text."""

    def __init__(self, tests: pd.DataFrame, key: str) -> None:
        self.key, self.decimals = key, PARAMETERS[key].decimals
        self.ends = [tests[f"{key}_{end}"].to_numpy() for end in ("lower", "upper", "open")]

    def __call__(self, i: int, other: float = math.nan) -> str:
        lower, upper, open_ = (end[i] for end in self.ends)
        return "" if math.isnan(lower) else figure_text(self.key, lower, upper, int(open_), self.decimals, other)


class Against:
    """The temperature that a deciding margin counts from, as it is printed: position -> name and figure, "" where none."""

    def __init__(self, tests: pd.DataFrame, words: Mapping[str, Any]) -> None:
        self.by, self.say = tests["water_against"].to_numpy(), words["against"]
        use = self.by == FROM_USE
        ends = (("use_temperature_c", "ambient_use_c"), ("use_temperature_c", "ambient_use_upper_c"))
        self.ends = [np.where(use, *(tests[name].to_numpy(dtype=float) for name in pair)) for pair in ends]

    def __call__(self, i: int) -> str:
        code = int(self.by[i])
        if code == FROM_NONE:
            return ""
        figure = bounds(self.ends[0][i], self.ends[1][i], OPEN_NONE)
        name = {FROM_AMBIENT: "ambient", FROM_COLDER: "colder", FROM_STATED: "stated", FROM_USE: "use"}[code]
        return str(self.say[name]).format(temperature=f"{figure} °C")


def figure_text(key: str, lower: float, upper: float, open_: int, decimals: int, other: float = math.nan) -> str:
    """A reading of one parameter with its unit; decimals : -1 for as it was written, other : what it must differ from.

    >>> figure_text("co", 0.0, 2.0, 2, -1), figure_text("margin", 4.96, 4.96, 0, 1, 5.0)
    ('<2 ppm', '4.96 K')

    A figure of more digits than anybody writes was converted from another unit, and prints at its parameter's decimals.

    >>> figure_text("co", 8.158643707, 8.158643707, 0, -1), figure_text("co", 5.00001, 5.00001, 0, -1, 5.0)
    ('8.2 ppm', '5.00001 ppm')
    """
    parameter = PARAMETERS[key]
    digits = None if decimals < 0 else decimals
    if digits is None and any(is_long(end) for end in (lower, upper)):
        digits = parameter.decimals
    figure = bounds(lower, upper, open_, digits, parameter.floor, parameter.ceiling, other)
    return f"{figure} {parameter.unit}".rstrip()
