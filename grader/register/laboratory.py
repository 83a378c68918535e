"""Results of the sheet Laboratory joined to their tests, and what is still awaited.

A result that is surely of one test stands in its blank cell; where the cell is filled, or it is not sure whose the
result is, it is only tried: the test is judged with it besides, and the worse counts. Rules: design, "The register".
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from grader.columns import BLANK, FIELDS, JUDGED, LABORATORY, PARAMETERS, READ, UNREADABLE, WATER
from grader.figures import plain
from grader.frames import above, by_laboratory, by_unique, client_and_site, group_codes, text, with_columns
from grader.normalise import as_settled, name_key
from grader.problems import Problems
from grader.read.register import RESULTS, Register
from grader.read.words.units import belongs, canonical
from grader.register.lines import keys_of, misread, pairs_of, slips_of
from grader.words import words

_ENDINGS = ("", "_lower", "_upper", "_open", "_state", "_how", "_text")
# The fields in which a parameter may have been written on site.
_ON_SITE: dict[str, tuple[str, ...]] = {key: (name,) for key, name in LABORATORY.items()}
_ON_SITE[WATER] = tuple(f.name for f in FIELDS.values() if f.tube == PARAMETERS[WATER].tube) + ("dew_point_measured_c",)
_BETWEEN = re.compile(r"[;,/+&]")  # two references in one cell
_NEAR = np.timedelta64(31, "D")  # a line of the site so near to a visit points to it (judgement, no source)


@dataclass
class Joined:
    """The tests with their laboratory's results.

    tests : n rows; further {key}_laboratory (bool: its figure is the laboratory's), laboratory (text: every result, as
            reported and from where), awaits (bits of JUDGED: a result is announced), where any has one.
    tried : rows (positions, rising) and the columns by which they are judged besides.
    """

    tests: pd.DataFrame
    tried: list[tuple[np.ndarray, dict[str, np.ndarray]]] = field(default_factory=list)

    def besides(self, tests: pd.DataFrame, at: np.ndarray | None = None) -> list[tuple[np.ndarray, pd.DataFrame]]:
        """Each further try as a table of the tests; at : of these rows (positions, rising) only."""
        rows = [tried if at is None else np.intersect1d(tried, at) for tried, _ in self.tried]
        return [(r, with_columns(tests, new)) for r, (_, new) in zip(rows, self.tried) if len(r)]

    def of(self, kept: np.ndarray) -> Joined:
        """The part of it that concerns some tests: bool (n,), their order kept."""
        number = np.cumsum(kept) - 1
        return Joined(
            self.tests, [(number[at[kept[at]]], {k: v[kept] for k, v in new.items()}) for at, new in self.tried]
        )


def settled(register: Register, same: Mapping[str, Mapping[str, str]]) -> Register:
    """The register with the names of its lines as they are settled for the tests (sheet Names, layout files)."""
    for name, lines in register.sheets.items():
        new = {k: as_settled(text(lines, k), same[k]) for k in ("client", "site", "system", "outlet")
               if same.get(k) and k in lines and len(lines)}  # fmt: skip
        if new:
            register.sheets[name] = lines.assign(**new)
    return register


def join(
    tests: pd.DataFrame, register: Register, problems: Problems, as_of: np.datetime64, language: str = "en"
) -> Joined:
    """Join the results reported up to `as_of` to their tests.

    tests    : table after normalise, n rows, with every file of the run. problems : gets laboratory_no_test,
               laboratory_elsewhere, laboratory_not_yet, laboratory_several, laboratory_otherwise, laboratory_twice.
    language : of column `laboratory`.
    """
    given = tests["laboratory_reference_state"].to_numpy() != BLANK
    lines = register.sheets[RESULTS]
    if not given.any() and not len(lines):
        return Joined(tests)
    found = _Pairs(tests, register, problems, as_of)
    return _Filling(tests, register, found, problems, language).joined(given)


class _Pairs:
    """Which result belongs to which test: positions test (m,), line (m,), sure (m,) bool."""

    def __init__(self, tests: pd.DataFrame, register: Register, problems: Problems, as_of: np.datetime64) -> None:
        self.tests, self.lines, self.problems, self.register = tests, register.sheets[RESULTS], problems, register
        self.day = tests["test_day"].to_numpy().astype("datetime64[D]")
        self.site = client_and_site(tests)[1]
        self.outlet = tests["outlet_key"].to_numpy(dtype=object)
        self.replaced = tests["replaced"].to_numpy()
        lines, count = self.lines, len(self.lines)
        self.test = self.line = np.empty(0, dtype=np.int64)
        self.sure = np.empty(0, dtype=bool)
        if not count:
            return
        self.keys = {c: keys_of(lines, [c]) for c in ("reference", "site", "outlet")}
        self.on = lines["test_date"].to_numpy().astype("datetime64[D]")
        by_reference, by_place = self._by_reference(), self._by_place()
        has = np.isin(np.arange(count), by_reference[1])
        keep = ~has[by_place[1]]
        test, line = (np.concatenate([a, b[keep]]) for a, b in zip(by_reference, by_place))
        order = np.lexsort((test, line))
        test, line = test[order], line[order]
        later = lines["reported_on"].to_numpy().astype("datetime64[D]") > as_of
        self._say("laboratory_not_yet", np.unique(line[later[line]]), "reported_on")
        self._without(np.setdiff1d(np.arange(count), line))
        self.test, self.line = test[~later[line]], line[~later[line]]
        self.sure = self._sure(self.test, self.line, has)

    def _by_reference(self) -> tuple[np.ndarray, np.ndarray]:
        written = text(self.tests, "laboratory_reference")
        at = np.flatnonzero((written != "") & ~self.replaced)
        whole = set(self.keys["reference"].tolist())
        of, parts = [], []
        for i in at.tolist():
            # A reference may itself have such a sign in it.
            every = [written[i]] if name_key(written[i]) in whole else _BETWEEN.split(written[i])
            for part in {name_key(p) for p in every} - {""}:
                of.append(i)
                parts.append(part)
        self.references = np.array(parts, dtype=object)
        test, line = pairs_of(self.references, self.keys["reference"])
        return np.array(of, dtype=np.int64)[test], line

    def _by_place(self) -> tuple[np.ndarray, np.ndarray]:
        full = (self.keys["site"] != "") & (self.keys["outlet"] != "") & ~np.isnat(self.on)
        key = np.where(full, self.keys["site"] + "\1" + self.keys["outlet"] + "\1" + self.on.astype(str), "")
        same = np.where(
            np.isnat(self.day) | self.replaced, "", self.site + "\1" + self.outlet + "\1" + self.day.astype(str)
        )
        return pairs_of(same.astype(object), key.astype(object))

    def _sure(self, test: np.ndarray, line: np.ndarray, by_reference: np.ndarray) -> np.ndarray:
        """Whether a result is surely that test's: one test, which is where and when the line says, and before its report."""
        if not len(test):
            return np.empty(0, dtype=bool)
        once = self.tests["repeat_of"].to_numpy()[test] < 0
        who = group_codes(self.tests["identity"].to_numpy()[test], self.day[test].astype(np.int64))
        # By a reference all tests of an outlet's day that name it; by the day alone there must be no other.
        one = np.where(by_reference[line], who, np.where(once, test, -1))
        several = pd.Series(np.where(once, one, np.nan)).groupby(line).transform("nunique").to_numpy() > 1
        other = {
            "site": (self.keys["site"][line] != "") & (self.keys["site"][line] != self.site[test]),
            "outlet": (self.keys["outlet"][line] != "") & (self.keys["outlet"][line] != self.outlet[test]),
            "test_date": ~np.isnat(self.on[line]) & ~np.isnat(self.day[test]) & (self.on[line] != self.day[test]),
        }
        reported = self.lines["reported_on"].to_numpy().astype("datetime64[D]")[line]
        unread = self.lines["reported_on_state"].to_numpy()[line] == UNREADABLE
        unread |= self.lines["test_date_state"].to_numpy()[line] == UNREADABLE
        early = reported < self.day[test]
        self._say("laboratory_several", np.unique(line[several]), "reference")
        for column, where in other.items():
            self._say("laboratory_otherwise", np.unique(line[where]), column)
        self._say("laboratory_early", np.unique(line[early]), "reported_on")
        return ~several & ~np.any(list(other.values()), axis=0) & ~early & ~unread

    def _say(self, code: str, lines: np.ndarray, column: str) -> None:
        self.register.say(self.problems, code, RESULTS, lines, column)

    def _without(self, lines: np.ndarray) -> None:
        """Ask about results without a test, at the cell that fits none, with what it is nearest to.

        Of one file alone those of other visits are to be expected: what does not point to this one is a note, and what
        names another site is not told.
        """
        if not len(lines):
            return
        reference, site, outlet = (self.keys[c][lines] for c in ("reference", "site", "outlet"))
        on = self.on[lines]
        meant = np.where(np.isin(site.astype(str), self.site.astype(str)), site, slips_of(site, self.site))
        place = self.site + "\1" + self.outlet
        known = np.isin((meant + "\1" + outlet).astype(str), place.astype(str))
        dated = known & (~np.isnat(on) | (reference == ""))
        column = np.select(
            [(site != "") & (site != meant), (outlet != "") & (meant != "") & ~known, dated],
            ["site", "outlet", "test_date"],
            "reference",
        )
        day = _nearest(meant, on, self.site, self.day)
        awaited = np.setdiff1d(self.references, self.keys["reference"])
        near = {
            "site": slips_of(site, self.site),
            "outlet": slips_of(outlet, self.outlet, meant, self.site),
            "test_date": np.where(np.isnat(day), "", day.astype(str)),
            "reference": misread(reference, awaited),
        }
        here = (near["reference"] != "") | (meant != "") & (np.abs(day - on) <= _NEAR)
        here |= known & np.isnat(on) & (reference == "")
        written = text(self.tests, "laboratory_reference")
        keys = [*self.site, *self.outlet, *keys_of(self.tests, ["laboratory_reference"])]
        names = dict(zip(keys, [*text(self.tests, "site"), *text(self.tests, "outlet"), *written]))
        whole = self.tests["file"].nunique() > 1
        for name, other in near.items():
            for line in np.flatnonzero((column == name) & (here | whole)).tolist():
                shown = names.get(other[line], str(other[line]).replace("|", " ")) or "-"
                self.register.say(self.problems, "laboratory_no_test", RESULTS, lines[[line]], name, near=shown)
        if not whole:
            self._say("laboratory_elsewhere", lines[~here & ((site == "") | (meant != ""))], "reference")


def _nearest(site: np.ndarray, on: np.ndarray, sites: np.ndarray, days: np.ndarray) -> np.ndarray:
    """The day of a test of each line's site that is nearest to the line's day; NaT without either. datetime64[D] (m,)."""
    found = np.full(len(site), np.datetime64("NaT", "D"))
    left = pd.DataFrame({"site": site, "on": on.astype("datetime64[s]"), "at": np.arange(len(site))}).dropna()
    right = pd.DataFrame({"site": sites, "on": days.astype("datetime64[s]")}).dropna().assign(day=lambda t: t["on"])
    if len(left) and len(right):
        pair = pd.merge_asof(
            left.sort_values("on"), right.drop_duplicates().sort_values("on"), on="on", by="site", direction="nearest"
        )
        found[pair["at"]] = pair["day"].to_numpy().astype("datetime64[D]")
    return found


class _Filling:
    """The results put into their tests."""

    def __init__(
        self, tests: pd.DataFrame, register: Register, pairs: _Pairs, problems: Problems, language: str
    ) -> None:
        self.tests, self.register, self.problems, self.language = tests, register, problems, language
        self.lines = register.sheets[RESULTS]
        self.of = self.lines["key"].to_numpy(dtype=object) if len(self.lines) else np.empty(0, dtype=object)
        self.state = self.lines["figure_state"].to_numpy() if len(self.lines) else np.empty(0, dtype=np.int8)
        self.test, self.line, self.sure = pairs.test, pairs.line, pairs.sure
        self.key = self.of[self.line]
        self._unnamed()

    def _unnamed(self) -> None:
        """A result whose parameter cannot be read may be of each that its unit serves: none of them is told."""
        lost = np.flatnonzero(self.lines["parameter_state"].to_numpy()[self.line] == UNREADABLE)
        units = by_unique(text(self.lines, "unit")[self.line[lost]], canonical)
        for key, name in LABORATORY.items():
            may = lost[[not u or belongs(name, u) for u in units]]
            self.test, self.line = (np.append(of, of[may]) for of in (self.test, self.line))
            self.sure = np.append(self.sure, np.zeros(len(may), dtype=bool))
            self.key = np.append(self.key, np.full(len(may), key, dtype=object))

    def joined(self, given: np.ndarray) -> Joined:
        """The tests with the results of all parameters; given : which tests name a reference."""
        base: dict[str, np.ndarray] = {}
        rest: dict[str, np.ndarray] = {}
        slots: list[tuple[list[np.ndarray], dict[str, np.ndarray]]] = []
        told = np.isin(self.key, list(LABORATORY)) & (self.state[self.line] != BLANK)
        for key in LABORATORY:
            mine = np.flatnonzero(told & (self.key == key))
            if not len(mine):
                continue
            filled = np.any([self.tests[f"{f}_state"].to_numpy() != BLANK for f in _ON_SITE[key]], axis=0)
            mine = mine[np.lexsort((self.line[mine], ~self.sure[mine], self.test[mine]))]
            turn = pd.Series(mine).groupby(self.test[mine]).cumcount().to_numpy()
            in_blank = (turn == 0) & self.sure[mine] & ~filled[self.test[mine]]
            self._put(base, key, mine[in_blank], {})
            rest[key] = mine[~in_blank]
            twice = mine[turn > 0]
            self.register.say(self.problems, "laboratory_twice", RESULTS, np.unique(self.line[twice]), "result")
        for key, pairs in rest.items():
            again = pd.Series(pairs).groupby(self.test[pairs]).cumcount().to_numpy()
            for number in range(int(again.max(initial=-1)) + 1):
                if number == len(slots):
                    slots.append(([], {}))
                here = pairs[again == number]
                slots[number][0].append(self.test[here])
                self._put(slots[number][1], key, here, base)
        self.problems.filled |= {name: base[name] for name in LABORATORY.values() if name in base}
        base |= self._awaited(given, told)
        if told.any():
            base["laboratory"] = self._texts(np.flatnonzero(told & (self.key == self.of[self.line])))
        return Joined(with_columns(self.tests, base), [(np.unique(np.concatenate(at)), new) for at, new in slots])

    def _put(self, new: dict[str, np.ndarray], key: str, pairs: np.ndarray, under: Mapping[str, np.ndarray]) -> None:
        """The results of some pairs as what was read of their parameter; under : columns that hold where none is put."""
        at, line, name = self.test[pairs], self.line[pairs], LABORATORY[key]
        number = FIELDS[name].kind == "number"

        def column(full: str, values: Any) -> None:
            if full not in new:
                own = self.tests[full].to_numpy() if full in self.tests else np.zeros(len(self.tests), dtype=bool)
                new[full] = under.get(full, own).copy()
            new[full][at] = values

        for other in _ON_SITE[key] if len(_ON_SITE[key]) > 1 else ():
            for ending in ("", "_lower", "_upper"):
                column(f"{other}{ending}", np.nan)
            column(f"{other}_state", BLANK)
        for ending in _ENDINGS if number else ("", "_state"):
            values = self.lines[f"figure{ending}"].to_numpy()[line]
            if number and ending in ("", "_lower", "_upper"):
                values = values.astype(float)
            if not number and ending == "":
                values = np.where(pd.isna(values), "", values)
            column(f"{name}{ending}", values)
        column(f"{key}_laboratory", True)

    def _awaited(self, given: np.ndarray, told: np.ndarray) -> dict[str, np.ndarray]:
        """Bits of JUDGED that each test awaits: all until a result comes, then those announced by a line without one."""
        bits = np.where(given, (1 << len(JUDGED)) - 1, 0).astype(np.int64)
        bits[self.test[told & self.sure]] = 0
        for i, key in enumerate(JUDGED):
            announced = self.test[(self.key == key) & (self.state[self.line] == BLANK)]
            bits[announced] |= 1 << i
        return {"awaits": bits} if bits.any() else {}

    def _texts(self, pairs: np.ndarray) -> np.ndarray:
        """Every result of each test in words: what, how much, by whom, by which reference and method, when reported."""
        every = words(self.language)
        say, names = every["laboratory"], every["parameter_within"]
        said: list[dict[str, None]] = [{} for _ in range(len(self.tests))]  # each sentence once
        parts = {c: text(self.lines, c) for c in ("laboratory", "reference", "method")}
        reported = self.lines["reported_on"].to_numpy().astype("datetime64[D]")
        shown = text(self.lines, "figure_text")
        for pair in pairs.tolist():
            test, line = int(self.test[pair]), int(self.line[pair])
            key = self.of[line]
            reference, day = parts["reference"][line], reported[line]
            source = (
                parts["laboratory"][line],
                say["reference"].format(name=reference) if reference else "",
                parts["method"][line],
                "" if np.isnat(day) else say["reported"].format(day=day),
            )
            sentence = say["result"].format(
                name=names[key], result=shown[line], source=", ".join(filter(None, source)) or "-"
            )
            if on_site := self._on_site(test, key):
                sentence += say["on_site"].format(reading=on_site)
            if not self.sure[pair]:
                sentence += say["not_sure"]
            said[test][sentence] = None
        return np.array(["; ".join(of) for of in said], dtype=object)

    def _on_site(self, test: int, key: str) -> str:
        for name in _ON_SITE[key]:
            if self.tests[f"{name}_state"].iloc[test] == BLANK:
                continue
            if FIELDS[name].kind == "word":
                return str(self.tests[name].iloc[test])
            written = self.tests[f"{name}_text"].iloc[test]
            shown = written if isinstance(written, str) and written else plain(float(self.tests[name].iloc[test]))
            return f"{shown} {FIELDS[name].unit}"
        return ""


def differing(judged: pd.DataFrame, other: pd.DataFrame, at: np.ndarray, problems: Problems) -> None:
    """Query a reading and a laboratory's figure further apart than both uncertainties (2 standard ones together).

    judged, other : n rows, judged by what was read on site, and with the laboratory's figures. at : positions.
    """
    for key, name in LABORATORY.items():
        if FIELDS[name].kind != "number":
            continue
        rows = at[by_laboratory(other, key)[at] & ~by_laboratory(judged, key)[at]]
        rows = rows[np.all([t[f"{key}_state"].to_numpy()[rows] == READ for t in (judged, other)], axis=0)]
        (low, high), (low2, high2) = (
            [t[f"{key}_{e}"].to_numpy(dtype=float)[rows] for e in ("lower", "upper")] for t in (judged, other)
        )
        u, u2 = (np.nan_to_num(t[f"u_{key}"].to_numpy(dtype=float)[rows]) for t in (judged, other))
        apart = above(np.fmax(low - high2, low2 - high), 2.0 * np.hypot(u, u2))
        field_of = next(
            (f for f in _ON_SITE[key] if (judged[f"{f}_state"].to_numpy()[rows[apart]] == READ).any()), name
        )
        problems.add_tests("laboratory_differs", judged.index.to_numpy()[rows[apart]], field_of)
