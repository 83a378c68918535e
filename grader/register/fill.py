"""The blanks of the tests filled from the register, each noted; where both say something, the visit counts and is asked.

What the register states from a day on counts as stated. What it states without a day, or twice, is a further table
of tests, to be judged besides: the worse counts (grader/judge/worse.py). Rules: design, "The register".
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from grader.columns import BLANK, FIELDS, PARAMETERS, READ, REGISTER, UNREADABLE
from grader.frames import by_unique, client_and_site, group_codes, text, with_columns
from grader.normalise import name_key
from grader.problems import Problems
from grader.read.register import RESULTS, Register
from grader.register.lines import choices, keys_of, pairs_of, slips_of

# What a line of Outlets, of Breathing equipment and of Plant says of a test, by field.
OF_OUTLET = (
    "location",
    "system",
    "supply",
    "dryer",
    "equipment",
    "nominal_pressure_bar",
    "oil_sampling_min",
    "interval_months",
    "outlet_status",
)
OF_EQUIPMENT = ("lowest_pressure_bar", "highest_pressure_bar")
OUTLETS, EQUIPMENT, PLANT, TUBES, INSTRUMENTS = "Outlets", "Breathing equipment", "Plant", "Tubes", "Instruments"
USE, NEED, USED = "lowest_use_temperature_c", "flow_needed_l_min", "used_at_once"
_NUMBER = ("", "_lower", "_upper", "_open", "_state", "_how", "_text")
_NOT_ASKED = ("location",)  # worded a little otherwise at every visit
_TUBES = {p.tube: p for p in PARAMETERS.values() if p.tube}


@dataclass
class Filled:
    """The tests with what the register says, and what it may say besides.

    tests : n rows, with column used_fewer (bool: fewer were in use than the register says, or how many cannot be read).
    tried : tables of the same n rows, otherwise filled; only for the rows named (positions, rising).
    """

    tests: pd.DataFrame
    tried: list[tuple[np.ndarray, pd.DataFrame]] = field(default_factory=list)


def fill(tests: pd.DataFrame, register: Register, problems: Problems) -> Filled:
    """Fill the tests from the register.

    tests    : table after normalise, n rows. problems : gets register_used, register_differs, register_slip and what the register
               contradicts itself in.
    Returns  : Filled; n rows, same index.
    """
    none = {"used_fewer": tests[f"{USED}_state"].to_numpy() == UNREADABLE}
    if not register or not len(tests):
        return Filled(with_columns(tests, none))
    _doubled(register, problems)
    _slipped(tests, register, problems)
    made = _Filling(tests, register, problems).apply(0, 0, 0)
    made.used.say(tests.index.to_numpy(), problems)
    problems.filled |= {name: values for name, values in made.new.items() if name in FIELDS}
    most = made.alternatives
    plans = [(k, 0, 0) for k in range(1, most[0])] + [(0, k, 0) for k in range(1, most[1])]
    plans += [(0, 0, k) for k in range(1, most[2])]
    if sum(m > 1 for m in most) > 1:
        plans.append((int(most[0] > 1), int(most[1] > 1), int(most[2] > 1)))
    result = Filled(made.table())
    for plan in plans:
        other = _Filling(tests, register, Problems()).apply(*plan).table()
        changed = _changed(result.tests, other)
        if len(changed):
            result.tried.append((changed, other))
    return result


def _changed(one: pd.DataFrame, other: pd.DataFrame) -> np.ndarray:
    differs = np.zeros(len(one), dtype=bool)
    for name in other.columns:
        a, b = one[name], other[name]
        if a.to_numpy() is not b.to_numpy():
            differs |= ~((a == b) | (a.isna() & b.isna())).to_numpy(dtype=bool)
    return np.flatnonzero(differs)


def _doubled(register: Register, problems: Problems) -> None:
    """Ask about lines of one sheet that are about the same thing, and nothing says which is the later."""
    for name, sheet in REGISTER.items():
        if name == RESULTS:  # asked about where two are of one test
            continue
        lines = register.sheets[name]
        key = keys_of(lines, sheet.identity)
        if sheet.several and len(lines):
            day = lines[sheet.several]
            # Calibrations of which only the end is known, as `--from` writes them, follow one another by that.
            day = day.fillna(lines["calibration_due"]) if name == INSTRUMENTS else day
            key = key + "\1" + day.to_numpy().astype("datetime64[D]").astype(str).astype(object)
        again = pd.Series(key).duplicated().to_numpy()
        first = pd.Series(np.arange(len(key))).groupby(key).transform("first").to_numpy() if len(key) else key
        for line in np.flatnonzero(again).tolist():
            column = [c for c in sheet.identity if c in sheet.needed][-1]
            file, named, cell = register.cell(name, int(first[line]), column)
            other = f"{register.file_names[file]}, {named}!{cell}"
            register.say(problems, "register_twice", name, [line], column, other=other)


def _slipped(tests: pd.DataFrame, register: Register, problems: Problems) -> None:
    """Ask about lines that name what no test does, and look like a slip of what one does: they count for none."""
    client, site = client_and_site(tests)
    names = {
        "client": (client, None),
        "site": (site, None),
        "outlet": (tests["outlet_key"].to_numpy(dtype=object), site),
    }
    for name in (OUTLETS, PLANT, "Clearances"):
        lines = register.sheets[name]
        for column, (known, within) in names.items() if len(lines) else ():
            if column not in REGISTER[name].columns:
                continue
            place = None if within is None else keys_of(lines, ["site"])
            near = slips_of(keys_of(lines, [column]), known, place, within)
            shown = dict(zip(known, text(tests, column)))
            for line in np.flatnonzero(near != "").tolist():
                register.say(problems, "register_slip", name, [line], column, near=shown[near[line]])


class _Used:
    """Where the register filled what was left blank: one note a file, with the cells it was taken from."""

    def __init__(self, register: Register) -> None:
        self.register = register
        self.files: dict[int, list[tuple[str, int, str, str]]] = {}

    def add(self, name: str, at: np.ndarray, file: np.ndarray, sheet: str, line: np.ndarray, column: str) -> None:
        """name : field. at : positions of tests, line : the line of each. file : of all tests. column : of the sheet."""
        table = self.register.sheets[sheet]["table"].to_numpy()
        for members in pd.Series(np.arange(len(at))).groupby(group_codes(file[at], table[line])).indices.values():
            lines, first = np.unique(line[members]), int(at[members[0]])
            of, named, cell = self.register.cell(sheet, int(lines[0]), column)
            end = self.register.cell(sheet, int(lines[-1]), column)[2]
            cells = f"{FIELDS[name].heading} {cell}" + (f":{end}" if end != cell else "")
            source = f"{self.register.file_names[of]}, {named}"
            self.files.setdefault(int(file[first]), []).append((name, first, source, cells))

    def say(self, number: np.ndarray, problems: Problems) -> None:
        """number : of each test."""
        for kept in self.files.values():
            by_sheet: dict[str, list[str]] = {}
            for _, _, sheet, cells in kept:
                by_sheet.setdefault(sheet, []).append(cells)
            taken = "; ".join(f"{sheet}: {', '.join(cells)}" for sheet, cells in by_sheet.items())
            name, test = kept[0][:2]
            problems.add_tests("register_used", [int(number[test])], name, taken=taken)


class _Filling:
    """One way of filling the tests."""

    def __init__(self, tests: pd.DataFrame, register: Register, problems: Problems) -> None:
        self.tests, self.register, self.problems = tests, register, problems
        self.new: dict[str, np.ndarray] = {}
        self.used = _Used(register)
        self.alternatives = [1, 1, 1]
        self.day = tests["test_day"].to_numpy().astype("datetime64[D]")
        self.client, self.site = client_and_site(tests)
        self.visited = tests["visited"].to_numpy()

    def apply(self, outlet: int, equipment: int, plant: int) -> _Filling:
        """Fill from every sheet; of each kind of line the one with that number among those that may count."""
        self._tubes()
        self._instruments()
        line = self._pick(0, outlet, OUTLETS, self._outlet_pairs())
        for name in OF_OUTLET:
            self._take(name, OUTLETS, line)
        self._temperature(line)
        for name, key in (("system", "system_key"), ("location", "location_key")):
            if name in self.new:
                self.new[key] = by_unique(self.new[name], lambda t: name_key(t) if t else "")
        self._equipment(line, equipment)
        compressor = np.flatnonzero(text(self.register.sheets[PLANT], "part") == "compressor")
        self._take("oil_sampling_needed_min", PLANT, self._pick(2, plant, PLANT, self._plant_pairs(compressor)))
        return self

    def table(self) -> pd.DataFrame:
        """The tests as filled."""
        return with_columns(self.tests, self.new)

    # -- lines --------------------------------------------------------------------------------------------

    def _pick(self, of: int, number: int, sheet: str, pairs: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
        """The line of each test, -1 for none; counts how many there may be."""
        start, state = self._start(sheet)
        found = choices(len(self.tests), pairs, self.day, start, state)
        self.alternatives[of] = len(found)
        if number == 0 or number >= len(found):
            return found[0]
        return np.where(found[number] >= 0, found[number], found[0])

    def _start(self, sheet: str) -> tuple[np.ndarray, np.ndarray]:
        lines, column = self.register.sheets[sheet], REGISTER[sheet].several
        return lines[column].to_numpy().astype("datetime64[D]"), lines[f"{column}_state"].to_numpy()

    def _outlet_pairs(self) -> tuple[np.ndarray, np.ndarray]:
        lines = self.register.sheets[OUTLETS]
        outlet = self.site + "\1" + self.tests["outlet_key"].to_numpy(dtype=object)
        test, line = pairs_of(outlet, keys_of(lines, ["site", "outlet"]))
        client = keys_of(lines, ["client"])
        # A line without a client is of the only client that has a site of that name.
        clients = pd.Series(self.client).groupby(self.site).transform("nunique").to_numpy()
        blank = client[line] == ""
        fits = (client[line] == self.client[test]) | (self.client[test] == "") | (blank & (clients[test] == 1))
        unsure = np.unique(line[blank & (clients[test] > 1)])
        self.register.say(self.problems, "register_client_missing", OUTLETS, unsure, "client")
        return test[fits], line[fits]

    def _plant_pairs(self, chosen: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        lines = self.register.sheets[PLANT].iloc[chosen]
        system = self.new.get("system_key", self.tests["system_key"].to_numpy(dtype=object))
        test, line = pairs_of(self.site + "\1" + system, keys_of(lines, ["site", "system"]))
        return test, chosen[line]

    # -- fields -------------------------------------------------------------------------------------------

    def _now(self, column: str) -> np.ndarray:
        return self.new[column] if column in self.new else self.tests[column].to_numpy()

    def _set(self, column: str, at: np.ndarray, values: Any) -> None:
        if column not in self.new:
            self.new[column] = self.tests[column].to_numpy().copy()
        self.new[column][at] = values

    def _take(self, name: str, sheet: str, line: np.ndarray, column: str = "") -> None:
        """Fill one field where it is blank from a column of the lines, and ask where both say something else."""
        column = column or name
        lines = self.register.sheets[sheet]
        if not len(lines):
            return
        told = (line >= 0) & (lines[f"{column}_state"].to_numpy()[line] != BLANK)
        if not told.any():
            return
        at = np.flatnonzero(told & (self._now(f"{name}_state") == BLANK))
        endings = _NUMBER if FIELDS[name].kind == "number" else ("", "_state")
        self._put(name, at, {e: lines[f"{column}{e}"].to_numpy()[line[at]] for e in endings})
        self._note(name, sheet, at, line[at], column)
        if name in _NOT_ASKED:
            return
        written = np.flatnonzero(told & (self.tests[f"{name}_state"].to_numpy() == READ))
        stated, ours = lines[column].to_numpy()[line[written]], self.tests[name].to_numpy()[written]
        readable = lines[f"{column}_state"].to_numpy()[line[written]] == READ
        if FIELDS[name].kind == "number":
            differs = np.abs(stated.astype(float) - ours.astype(float)) > 1e-9
        elif FIELDS[name].kind == "date":
            differs = stated != ours
        else:
            differs = np.array([name_key(str(a)) != name_key(str(b)) for a, b in zip(stated, ours)], dtype=bool)
        differs = differs & readable & self.visited[written]
        self._ask(name, sheet, written[differs], line[written[differs]], stated[differs], column)

    def _put(self, name: str, at: np.ndarray, values: dict[str, np.ndarray]) -> None:
        if not len(at):
            return
        if FIELDS[name].kind in ("text", "word"):  # blank ones are "" after the stage of names
            values[""] = np.where(pd.isna(values[""]), "", values[""])
        for ending, part in values.items():
            self._set(f"{name}{ending}", at, part)

    def _note(self, name: str, sheet: str, at: np.ndarray, line: np.ndarray, column: str) -> None:
        here = self.visited[at]
        self.used.add(name, at[here], self.tests["file"].to_numpy(), sheet, line[here], column)

    def _ask(self, name: str, sheet: str, at: np.ndarray, line: np.ndarray, stated: np.ndarray, column: str) -> None:
        """One question a file, line and what it states, with how many tests it is about."""
        if not len(at):
            return
        group = group_codes(self.tests["file"].to_numpy()[at], line, stated)
        for members in pd.Series(np.arange(len(at))).groupby(group).indices.values():
            file, named, cell = self.register.cell(sheet, int(line[members[0]]), column)
            self.problems.add_tests(
                "register_differs",
                [int(self.tests.index.to_numpy()[at[members[0]]])],
                name,
                stated=_shown(stated[members[0]]),
                source=f"{self.register.file_names[file]}, {named}!{cell}",
                count=len(members),
            )

    # -- sheets -------------------------------------------------------------------------------------------

    def _temperature(self, line: np.ndarray) -> None:
        """The lowest use temperature, unless the outlet's own tests have since stated a lower one: that is carried."""
        lines = self.register.sheets[OUTLETS]
        if not len(lines):
            return
        start, _ = self._start(OUTLETS)
        told = (line >= 0) & (lines[f"{USE}_state"].to_numpy()[line] != BLANK)
        stated = (self.tests[f"{USE}_state"].to_numpy() == READ) & ~np.isnat(self.day)
        stated &= self.tests["dated"].to_numpy() & ~self.tests["replaced"].to_numpy()
        frame = pd.DataFrame(
            {
                "who": self.tests["identity"].to_numpy(),
                "day": self.day.astype("datetime64[s]"),
                "own": self.tests[f"{USE}_lower"].to_numpy(dtype=float),
                "since": self.day.astype("datetime64[s]"),
                "at": np.arange(len(self.tests)),
            }
        )
        asked = frame[told & ~np.isnat(self.day)][["who", "day", "at"]].sort_values("day", kind="stable")
        before = pd.merge_asof(
            asked, frame[stated].sort_values("day")[["who", "day", "own", "since"]], on="day", by="who"
        )
        lowest, since = np.full(len(line), np.nan), np.full(len(line), np.datetime64("NaT"), dtype="datetime64[D]")
        lowest[before["at"]], since[before["at"]] = before["own"], before["since"].to_numpy().astype("datetime64[D]")
        later = (line >= 0) & (since > start[line]) & (lowest < lines[f"{USE}_lower"].to_numpy(dtype=float)[line])
        self._take(USE, OUTLETS, np.where(later, -1, line))

    def _equipment(self, line: np.ndarray, number: int) -> None:
        """What the equipment of the outlet needs, as often as it is used at once by the register, or ran if that is more."""
        lines, outlets = self.register.sheets[EQUIPMENT], self.register.sheets[OUTLETS]
        named = by_unique(np.where(self._now("equipment") == "", "", self._now("equipment")), name_key)
        key = keys_of(lines, ["equipment"])
        at = self._pick(1, number, EQUIPMENT, pairs_of(named, key))
        unknown = np.flatnonzero((named != "") & ~np.isin(named.astype(str), key.astype(str)) & self.visited)
        numbers, names = self.tests.index.to_numpy()[unknown], self._now("equipment")[unknown].tolist()
        self.problems.add_tests("register_equipment_unknown", numbers, "equipment", names)
        # What it needs is stated somewhere, and cannot be read here: no flow meets it for certain.
        asked = unknown[(len(lines) > 0) | (self.tests["equipment_state"].to_numpy()[unknown] == BLANK)]
        asked = asked[self.tests[f"{NEED}_state"].to_numpy()[asked] == BLANK]
        self._set(f"{NEED}_state", asked, UNREADABLE)
        for name in OF_EQUIPMENT:
            self._take(name, EQUIPMENT, at)
        together, state = np.ones(len(at)), np.full(len(at), BLANK, dtype=np.int8)
        if len(outlets):
            state = np.where(line >= 0, outlets[f"{USED}_state"].to_numpy()[line], BLANK)
            together = np.where(state == READ, np.fmax(outlets[f"{USED}_upper"].to_numpy(dtype=float)[line], 1), 1.0)
            state = np.where(np.isposinf(together), UNREADABLE, state)
        own = self.tests[f"{USED}_state"].to_numpy()
        ran, most = (self.tests[f"{USED}_{end}"].to_numpy(dtype=float) for end in ("lower", "upper"))
        most = np.where(own == READ, np.fmax(most, together), together)
        self._need(at, np.where(np.isposinf(most), 1.0, most), (state == UNREADABLE) | np.isposinf(most))
        measured = self.tests["flow_l_min_state"].to_numpy() == READ
        fewer = (own == READ) & ~(ran >= together) & (state != BLANK)
        self.new["used_fewer"] = fewer | (own == UNREADABLE)
        known = np.flatnonzero((state == READ) & measured & self.visited)
        number_of = self.tests.index.to_numpy()
        for code, where in (("used_fewer", fewer), ("used_more", most > together)):
            differs = known[where[known]]
            self.problems.add_tests(code, number_of[differs], USED, together=[f"{t:g}" for t in together[differs]])
        taken = known[(own[known] == BLANK) & (together[known] > 1)]
        _, once = np.unique(self.tests["file"].to_numpy()[taken], return_index=True)
        self.problems.add_tests("used_at_once_taken", number_of[taken[once]], USED)

    def _need(self, at: np.ndarray, together: np.ndarray, unreadable: np.ndarray) -> None:
        lines = self.register.sheets[EQUIPMENT]
        if not len(lines):
            return
        whole = {e: lines[f"{NEED}{e}"].to_numpy()[at].copy() for e in _NUMBER}
        for ending in ("", "_lower", "_upper"):
            whole[ending] = whole[ending].astype(float) * together
        whole["_state"] = np.where(unreadable & (whole["_state"] == READ), UNREADABLE, whole["_state"])
        told = (at >= 0) & (whole["_state"] != BLANK)
        here = np.flatnonzero(told & (self.tests[f"{NEED}_state"].to_numpy() == BLANK))
        self._put(NEED, here, {e: v[here] for e, v in whole.items()})
        self._note(NEED, EQUIPMENT, here, at[here], NEED)
        written = told & (self.tests[f"{NEED}_state"].to_numpy() == READ) & (whole["_state"] == READ) & self.visited
        differs = written & (np.abs(self.tests[NEED].to_numpy(dtype=float) - whole[""].astype(float)) > 1e-9)
        asked = np.flatnonzero(differs)
        self._ask(NEED, EQUIPMENT, asked, at[asked], whole[""][asked], NEED)

    def _tubes(self) -> None:
        """Expiry of the lots in use. A lot that stands twice has the earlier; one that cannot be read is not in date."""
        lines = self.register.sheets[TUBES]
        if not len(lines):
            return
        of, lot = text(lines, "parameter"), keys_of(lines, ["tube_lot"])
        for tube, parameter in _TUBES.items():
            used = keys_of(self.tests, [f"{tube}_tube_lot"])
            mine = np.flatnonzero(of == parameter.name)
            test, line = pairs_of(used, lot[mine])
            chosen = _earliest(len(used), test, mine[line], lines, "tube_expiry", self.day)
            self._take(f"{tube}_tube_expiry", TUBES, chosen, "tube_expiry")
            others = np.flatnonzero((of != parameter.name) & (of != ""))
            found = np.unique(pairs_of(used, lot[others])[0])
            found = found[(chosen[found] < 0) & self.visited[found] & ~np.isin(found, test)]
            where = [str(x) for x in of[others[[int(np.flatnonzero(lot[others] == used[f])[0]) for f in found]]]]
            self.problems.add_tests(
                "register_lot_elsewhere", self.tests.index.to_numpy()[found], f"{tube}_tube_lot", other=where
            )

    def _instruments(self) -> None:
        """Calibration due: of the line that covers the day; after the last one, the last."""
        lines = self.register.sheets[INSTRUMENTS]
        if not len(lines):
            return
        used = keys_of(self.tests, ["instrument"])
        # Of several lines of one day of calibration the due day that comes first, or the one that cannot be read.
        key, unread = keys_of(lines, ["instrument"]), lines["calibration_due_state"] == UNREADABLE
        alike = lines.assign(unread=unread).groupby([key, "calibrated_on"])
        later = (lines["calibration_due"] > alike["calibration_due"].transform("min")) | alike["unread"].transform(
            "any"
        ).eq(True)
        holds = np.flatnonzero(unread | ~later)
        test, line = pairs_of(used, key[holds])
        line = holds[line]
        begin, begin_state = (lines[c].to_numpy() for c in ("calibrated_on", "calibrated_on_state"))
        due, due_state = (lines[c].to_numpy() for c in ("calibration_due", "calibration_due_state"))
        day = self.day.astype("datetime64[s]")[test]
        begun = (begin_state[line] == READ) & (begin[line] <= day)
        covers = begun & (due_state[line] == READ) & (day <= due[line])
        unsure = (due_state[line] == UNREADABLE) & ((begin_state[line] != READ) | begun)
        last = pd.Series(due[line]).groupby(test).transform("max").to_numpy()
        past = (due_state[line] == READ) & (due[line] == last) & (day > last)
        rank = np.select([covers, unsure, past], [0, 1, 2], 3)
        # Of two that cover the day the one that ends first.
        some = rank < 3
        chosen = _first(len(used), test[some], line[some], rank[some], due[line[some]])
        self._take("calibration_due", INSTRUMENTS, chosen)
        open_ended = np.flatnonzero((begin_state == BLANK) & (due_state == READ) & np.isin(np.arange(len(lines)), line))
        self.register.say(self.problems, "register_not_from_when", INSTRUMENTS, open_ended, "calibrated_on")


def _earliest(
    count: int, test: np.ndarray, line: np.ndarray, lines: pd.DataFrame, column: str, day: np.ndarray
) -> np.ndarray:
    """Of several lines the one whose date comes first; one that cannot be read only behind a date that is past."""
    state, date = lines[f"{column}_state"].to_numpy()[line], lines[column].to_numpy()[line]
    over = (state == READ) & (date < day.astype("datetime64[s]")[test])
    rank = np.select([over, state == UNREADABLE, state == READ], [0, 1, 2], 3)
    return _first(count, test, line, rank, date)


def _first(count: int, test: np.ndarray, line: np.ndarray, rank: np.ndarray, date: np.ndarray) -> np.ndarray:
    """Of the lines of each test the one of the lowest rank, and of these of the earliest date: int (count,), -1 for none."""
    order = np.lexsort((date, rank, test))[::-1]
    chosen = np.full(count, -1, dtype=np.int64)
    chosen[test[order]] = line[order]  # the last one put in stays
    return chosen


def _shown(value: Any) -> str:
    if isinstance(value, pd.Timestamp | np.datetime64):
        return str(value)[:10]
    return f"{value:g}" if isinstance(value, float) else str(value)


def with_lowest_marks(rows: pd.DataFrame, register: Register, problems: Problems) -> pd.DataFrame:
    """Raw rows with the lowest mark of the lots in use where none is given, so that `ND` is read as below it.

    rows : raw rows of the log. Returns : the same rows; problems gets register_used for what was filled.
    """
    lines = register.sheets.get(TUBES)
    if lines is None or not len(lines):
        return rows
    known = (lines["lowest_mark_state"].to_numpy() == READ) & (lines["tube_lot_state"].to_numpy() == READ)
    lot = keys_of(lines, ["tube_lot"])
    of, mark = text(lines, "parameter"), lines["lowest_mark_upper"].to_numpy(dtype=float)
    out, taken = rows, _Used(register)
    file = rows["file"].to_numpy() if "file" in rows else np.zeros(len(rows), dtype=np.int64)
    for tube, parameter in _TUBES.items():
        name = f"{tube}_tube_lot"
        mark_of = next(f.lowest_mark for f in FIELDS.values() if f.tube == tube and f.lowest_mark)
        mine = known & (of == parameter.name)
        if name not in rows or not mine.any():
            continue
        used = by_unique(rows[name].to_numpy(dtype=object), lambda v: "" if v is None or v != v else name_key(_lot(v)))
        # Of two marks the higher: a bound that says less.
        by_mark = np.flatnonzero(mine)[np.argsort(mark[mine], kind="stable")]
        marks = dict(zip(lot[by_mark], by_mark))
        given = rows[mark_of] if mark_of in rows else pd.Series(None, index=rows.index, dtype=object)
        at = np.flatnonzero(pd.isna(given).to_numpy() & np.isin(used.astype(str), np.array(list(marks), dtype=str)))
        if not len(at):
            continue
        filled = given.to_numpy(dtype=object).copy()
        line = np.array([marks[u] for u in used[at]], dtype=np.int64)
        filled[at] = mark[line]
        if out is rows:
            out = rows.copy(deep=False)
        out[mark_of] = pd.Series(filled, index=rows.index, dtype=object)
        taken.add(mark_of, at, file, TUBES, line, "lowest_mark")
    taken.say(rows.index.to_numpy(), problems)
    return out


def _lot(value: Any) -> str:
    return str(int(value)) if isinstance(value, float) and value.is_integer() else str(value)
