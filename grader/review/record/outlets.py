"""The outlets of one visit as the table of its record: readings, verdicts in words, reasons."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from grader.columns import (
    FIELDS,
    GASES,
    HIGH_PRESSURE,
    IN_WORDS,
    PARAMETERS,
    READ,
    SUPPLIED,
    TEST_WORDS,
    TUBE_GASES,
    VERDICT_WORDS,
)
from grader.decided import BY_MARGIN, BY_MARGIN_1ATM, FIGURE_OF
from grader.figures import bounds, fixed, plain
from grader.frames import text
from grader.page import Block
from grader.review.verdict_sheet import as_read
from grader.words import Local

_PAGE_UNITS = 38  # of the page's width
_AS_READ = {key: PARAMETERS[key].column for key in (*GASES, *SUPPLIED)}
_AS_READ |= {"tube": "water_tube_mg_m3", "multiplier": "water_multiplier"}


def _widths() -> list[int]:
    """Units of the page that the columns of the outlets' table take; the widest give way where there are many."""
    gases = [2 if PARAMETERS[key].unit == "%" else 3 for key in GASES]
    widths = [6, *[2] * len(IN_WORDS), *gases, 2, 3, 3, 2, 2, *[2] * len(SUPPLIED), 3]
    while sum(widths) > _PAGE_UNITS:
        widths[widths.index(max(widths[1:]), 1)] -= 1
    return widths


def outlets_block(tests: pd.DataFrame, names_of_files: Sequence[str], words: Mapping[str, Any]) -> Block:
    """The table: one row a test, below it why, remarks and where it stands in the log.

    tests : tests of one visit, m rows. names_of_files : by file number. words : of the language.
    """
    say, names = words["record"], words["parameter"]
    local = Local.of(dict(words))
    columns = [
        say["c_outlet"],
        *(names[key] for key in IN_WORDS),
        *(say.get(f"c_{key}", PARAMETERS[key].heading) for key in GASES),
        say["c_water"],
        say["c_dew"],
        say["c_use"],
        say["c_margin"],
        say["c_water_verdict"],
        *(say.get(f"c_{key}", PARAMETERS[key].heading) for key in SUPPLIED),
        say["c_verdict"],
    ]
    cells = _Cells(tests, names_of_files, say, local)
    rows = [cells.row(i) for i in range(len(tests))]
    shown = [n for n, used in enumerate(_used(tests, rows)) if used]
    widths = [_widths()[n] for n in shown]
    widths[0] += _PAGE_UNITS - sum(widths)
    return Block(
        "table",
        say["outlets"],
        [columns[n] for n in shown],
        [tuple(row[n] for n in shown) for row in rows],
        note=local.figures(say["outlets_note"].format(frost=say["frost"])),
        widths=widths,
        aligns=["left", *["center"] * (len(shown) - 1)],
        under={i: cells.below(i) for i in range(len(tests))},
        size_pt=7.5,
        plain=(local.word("pass"),),
    )


_DEW = len(IN_WORDS) + len(GASES) + 2  # columns that high-pressure supplies may have no use for
_USE, _MARGIN, _FLOW = _DEW + 1, _DEW + 2, _DEW + 4


def _used(tests: pd.DataFrame, rows: Sequence[tuple[Any, ...]]) -> list[bool]:
    """Which columns the supplies of a visit use: high-pressure air has no margin, unless it was judged by it."""
    used = [True] * len(_widths())
    if not np.isin(text(tests, "supply"), HIGH_PRESSURE).all():
        return used
    used[_USE] = used[_MARGIN] = bool(tests["water_by"].isin((BY_MARGIN, BY_MARGIN_1ATM)).any())
    for column in (_DEW, _FLOW):
        used[column] = any(sign.isdigit() for row in rows for sign in str(row[column]))
    return used


class _Cells:
    """Cells of one visit's outlets: reading, what was computed or needed, verdict, one below the other."""

    def __init__(self, tests: pd.DataFrame, names: Sequence[str], say: Mapping[str, Any], local: Local) -> None:
        self.tests, self.names, self.say, self.local = tests, names, say, local
        self.columns: dict[str, np.ndarray] = {}
        self.read = {key: as_read(tests, name) for key, name in _AS_READ.items()}
        self.several_days = tests["test_day"].nunique(dropna=False) > 1

    def get(self, name: str, i: int) -> Any:
        """One value of the table; texts come as str."""
        if name not in self.columns:
            column = self.tests[name]
            self.columns[name] = text(self.tests, name) if column.dtype == object else column.to_numpy()
        return self.columns[name][i]

    def row(self, i: int) -> tuple[Any, ...]:
        """All cells of one test."""
        get, word = self.get, self.local.word
        status = "" if get("outlet_status", i) == "in use" else word(get("outlet_status", i))
        where = ", ".join(t for t in (get("location", i), get("system", i), status) if t)
        place = self._words(get("outlet", i), where, self._supply(i))
        verdict = word(TEST_WORDS[get("verdict", i)])
        if not get("visited", i):
            return (place, *[""] * (len(_widths()) - 2), verdict)
        cells = (
            *(self._words(word(get(PARAMETERS[key].column, i)), self._verdict(key, i)) for key in IN_WORDS),
            *(self._gas(key, i) for key in GASES),
            *self._water(i),
            *(self._supplied(key, i) for key in SUPPLIED),
        )
        return (place, *map(self.local.figures, cells), verdict)

    def _supply(self, i: int) -> str:
        say, dryer = self.say, self.get("dryer", i)
        named = {"": "", "none": say["no_dryer"], "unknown": say["unknown_dryer"]}
        dried = named.get(dryer, say["dryer"].format(dryer=self.local.word(dryer)))
        return ", ".join(t for t in (self.local.word(self.get("supply", i)) or say["no_supply"], dried) if t)

    def below(self, i: int) -> str:
        """Why, remarks, and where it stands in the log."""
        get, say = self.get, self.say
        lines = [self.local.text(get("reasons", i))]
        if get("superseded", i):
            lines.append(say["superseded"])
        if get("conflict", i):
            lines.append(say["conflict"])
        if "cleared_on" in self.tests and not np.isnat(cleared := get("cleared_on", i)):
            by = ", ".join(t for t in (get("cleared_by", i), get("grounds", i)) if t)
            lines.append(say["cleared_since"].format(day=cleared.astype("datetime64[D]"), by=by or say["not_stated"]))
        if remarks := get("remarks", i):
            lines.append(say["remarks"].format(remarks=remarks.rstrip(".")))
        day = get("test_day", i)
        if self.several_days and not np.isnat(day):
            lines.append(say["tested_on"].format(day=day.astype("datetime64[D]")))
        if not np.isnat(day) and not get("dated", i):
            lines.append(say["no_longer"])
        minutes = get("test_time", i)
        if minutes == minutes:
            lines.append(say["at_time"].format(time=f"{int(minutes) // 60:02d}:{int(minutes) % 60:02d}"))
        name = self.names[int(get("file", i))]
        lines.append(say["row"].format(file=name, row=int(get("row", i)) + 1))
        return " ".join(s for s in lines if s)

    def _verdict(self, key: str, i: int) -> str:
        return self.local.word(VERDICT_WORDS[self.get(f"verdict_{key}", i)])

    @staticmethod
    def _words(*parts: str) -> str:
        return "\n".join(p for p in parts if p)

    def _as_read(self, key: str, i: int) -> str:
        value = self.read[key][i]
        return "" if value is None else value if isinstance(value, str) else plain(value)

    def _gas(self, key: str, i: int) -> str:
        more = ""
        if key in TUBE_GASES and self.get("tube_factor", i) != 1.0 and self.get(f"{key}_state", i) == READ:
            limit = self.get(f"limit_high_{key}", i)
            more = self.say["corrected"].format(reading=self._figure(key, i, limit, PARAMETERS[key].decimals + 1))
        reading = self._as_read(key, i)
        if key == "oil" and reading and self.get("oil_sampling_min_state", i) == READ:
            reading = self.say["sampled"].format(reading=reading, minutes=self._number("oil_sampling_min", i))
        return self._words(reading, more, self._verdict(key, i))

    def _number(self, name: str, i: int) -> str:
        lower, upper = float(self.get(f"{name}_lower", i)), float(self.get(f"{name}_upper", i))
        return bounds(lower, upper, int(self.get(f"{name}_open", i)), floor=FIELDS[name].floor)

    def _figure(self, key: str, i: int, limit: float = math.nan, decimals: int | None = None, of: str = "") -> str:
        """A computed figure, with so many digits that it never prints equal to the limit it misses.

        of : the parameter whose digits and range it has, where `key` is none.
        """
        if self.get(f"{key}_state", i) != READ:
            return ""
        parameter = PARAMETERS[of or key]
        return bounds(
            self.get(f"{key}_lower", i),
            self.get(f"{key}_upper", i),
            int(self.get(f"{key}_open", i)),
            parameter.decimals if decimals is None else decimals,
            parameter.floor,
            parameter.ceiling,
            limit,
        )

    def _water(self, i: int) -> tuple[str, ...]:
        """Water content, dew points, coldest use, margin, verdict."""
        get, say = self.get, self.say
        judged = FIGURE_OF.get(int(get("water_by", i)), "")
        low, high = get("limit_low_water", i), get("limit_high_water", i)

        def shown(key: str) -> str:
            return self._figure(key, i, (low if math.isnan(high) else high) if key == judged else math.nan)

        drawn = ""
        if self._as_read("tube", i) and self._as_read("multiplier", i):
            drawn = say["drawn"].format(reading=self._as_read("tube", i), multiplier=self._as_read("multiplier", i))
        content = shown("water") or self._as_read("tube", i)
        dew, one = shown("pressure_dew_point"), shown("dew_point_1atm")
        at, safe, use = get("dew_judged_at_bar", i), get("safe_down_to_c", i), get("use_temperature_c", i)
        liquid = say["liquid"] if get("liquid_water", i) == "seen" else ""
        return (
            self._words(content, drawn if drawn != content else "", liquid),
            self._words(
                dew,
                say["at_bar"].format(bar=plain(round(at, 3))) if dew and at == at else "",
                self._as_tested(i),
                say["at_one"].format(dew=one) if one else "",
            ),
            self._words(
                plain(use) if use == use else say["use_unknown"] if get("supply", i) == "airline" else "",
                say["safe_to"].format(safe=fixed(safe, 1)) if safe == safe and math.isfinite(safe) else "",
            ),
            shown("margin"),
            self._verdict("water", i),
        )

    def _as_tested(self, i: int) -> str:
        """The dew point at the pressure of the test, where it is judged at a higher one."""
        dew = self._figure("dew_as_tested", i, of="pressure_dew_point")
        return self.say["as_tested"].format(dew=dew, bar=self._as_read("pressure", i)) if dew else ""

    def _supplied(self, key: str, i: int) -> str:
        say = self.say
        low, high = self.get(f"limit_low_{key}", i), self.get(f"limit_high_{key}", i)
        return self._words(
            self._as_read(key, i),
            say["needed"].format(need=plain(low)) if low == low else "",
            say["highest"].format(high=plain(high)) if high == high else "",
            self._verdict(key, i),
        )
