"""The design's section "Water, dew point, margin" and "Verdicts", for one row.

A row is a dict: heading of the blank -> what the cell holds. The answer: verdict of each parameter and of the test, and
the parameters whose chance of being over the limit is so near the flag that pass and near limit cannot be told apart.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from datetime import date
from statistics import NormalDist
from typing import Any

from tests.judge.independent import moist_air as air
from tests.judge.independent.cells import BLANK, Reading, day, reading, word
from tests.judge.independent.rules import RuleSet, clashes, lowest_marks, named, outdoor_ppm, parameters

PASS, NEAR, FAIL, CANNOT, NOT_TESTED, NO_LIMIT, NOT_JUDGED = (
    "pass",
    "near limit",
    "fail",
    "cannot tell",
    "not tested",
    "no limit",
    "not judged",
)
BADNESS = {FAIL: 3, CANNOT: 2, NEAR: 1, PASS: 0}
SAME = 1e-9  # relative tolerance of every comparison
GASES = {"Oxygen": "%", "Carbon monoxide": "ppm", "Carbon dioxide": "ppm", "Oil": "mg/m³"}
PRESSURES = (
    "Line pressure (bar)",
    "Nominal pressure (bar)",
    "Lowest pressure needed (bar)",
    "Highest pressure allowed (bar)",
    "Dew point measured at (bar)",
)
TEMPERATURES = ("Airline temperature (°C)", "Ambient temperature (°C)", "Lowest use temperature (°C)")
WATER_LIMITS = ("Water", "Pressure dew point", "Dew point at one atmosphere", "Dew point margin")
SUPPLIES = {name: name for name in ("airline", "charging compressor", "cylinder")}
DRYERS = {name: name for name in ("none", "refrigerant", "desiccant", "membrane", "unknown")} | {
    "no": "none",
    "-": "none",
}
ODOURS = {name: name for name in ("none", "slight", "marked")} | {"no": "none", "strong": "marked"}
LIQUID = {"none": "none", "seen": "seen", "no": "none", "yes": "seen"}
CORRECT = {"yes": "yes", "no": "no", "already corrected": "already"}
UNITS = {
    "Line pressure (bar)": "bar",
    "Nominal pressure (bar)": "bar",
    "Lowest pressure needed (bar)": "bar",
    "Highest pressure allowed (bar)": "bar",
    "Flow measured (L/min)": "L/min",
    "Flow needed (L/min)": "L/min",
    "Oxygen (%)": "%",
    "Carbon monoxide (ppm)": "ppm",
    "Carbon dioxide (ppm)": "ppm",
    "Oil (mg/m³)": "mg/m³",
    "Oil sampling time (min)": "min",
    "Oil sampling time needed (min)": "min",
    "Water tube reading (mg/m³)": "mg/m³",
    "Water tube multiplier": "",
    "Airline temperature (°C)": "°C",
    "Ambient temperature (°C)": "°C",
    "Lowest use temperature (°C)": "°C",
    "Dew point measured (°C)": "°C",
    "Dew point measured at (bar)": "bar",
    "Water (mg/m³)": "mg/m³",
    "Atmospheric pressure (hPa)": "hPa",
    "Carbon monoxide lowest mark (ppm)": "ppm",
    "Carbon dioxide lowest mark (ppm)": "ppm",
    "Oil lowest mark (mg/m³)": "mg/m³",
    "Water lowest mark (mg/m³)": "mg/m³",
}
MARKS = {
    "Carbon monoxide (ppm)": "Carbon monoxide lowest mark (ppm)",
    "Carbon dioxide (ppm)": "Carbon dioxide lowest mark (ppm)",
    "Oil (mg/m³)": "Oil lowest mark (mg/m³)",
    "Water tube reading (mg/m³)": "Water lowest mark (mg/m³)",
    "Water (mg/m³)": "Water lowest mark (mg/m³)",
}
KNOWN_MARKS = {"Carbon monoxide (ppm)": "co_ppm", "Oil (mg/m³)": "oil_mg_m3"}
POSSIBLE = {
    "Airline temperature (°C)": (-120.0, 200.0),
    "Ambient temperature (°C)": (-120.0, 200.0),
    "Lowest use temperature (°C)": (-120.0, 200.0),
    "Dew point measured (°C)": (-120.0, 200.0),
    "Oxygen (%)": (0.0, 100.0),
    "Atmospheric pressure (hPa)": (300.0, 1100.0),
    "Water tube multiplier": (0.0, 100.0),
}
READINGS = (
    "Line pressure (bar)",
    "Flow measured (L/min)",
    "Oxygen (%)",
    "Carbon monoxide (ppm)",
    "Carbon dioxide (ppm)",
    "Oil (mg/m³)",
    "Water tube reading (mg/m³)",
    "Water (mg/m³)",
    "Airline temperature (°C)",
    "Dew point measured (°C)",
    "Liquid water seen",
)


@dataclass
class Answer:
    """verdicts: parameter -> word, "Test" among them. edges: where pass and near limit are a hair apart. why: for a person."""

    verdicts: dict[str, str] = field(default_factory=dict)
    edges: set[str] = field(default_factory=set)
    why: list[str] = field(default_factory=list)


def at_most(value: float, limit: float) -> bool:
    return value <= limit or math.isclose(value, limit, rel_tol=SAME, abs_tol=1e-12)


def below(value: float, limit: float) -> bool:
    return not at_most(limit, value)


def against_max(read: Reading, limit: float) -> str:
    if at_most(read.high, limit):
        return PASS
    if below(limit, read.low) or (at_most(limit, read.low) and read.low_open):
        return FAIL
    return CANNOT


def against_min(read: Reading, limit: float) -> str:
    mirrored = replace(read, low=-read.high, high=-read.low, low_open=read.high_open, high_open=read.low_open)
    return against_max(mirrored, -limit)


def worst(words: list[str]) -> str:
    return max(words, key=lambda one: BADNESS[one])


def both(one: str, other: str) -> str:
    """Two readings of one doubtful case: fail only where both fail, a pass only where both pass."""
    if one == other:
        return one
    return CANNOT if FAIL in (one, other) or CANNOT in (one, other) else NEAR


class Row:
    """One row: its cells read once, then each parameter judged."""

    def __init__(
        self, row: dict[str, Any], marks: dict[str, set[str]] | None = None, rules: str = "en12021-2014"
    ) -> None:
        self.row, self.answer = row, Answer()
        self.marks = marks or {}
        self.supply = word(row.get("Supply"), SUPPLIES)
        self.dryer = word(row.get("Dryer"), DRYERS)
        self.tested = day(row.get("Test date"))
        asked = row.get("Rule set") or rules
        self.rules: RuleSet | None = named(str(asked))
        self.cells = {heading: self.read(heading) for heading in UNITS}
        pressure = self.cells["Atmospheric pressure (hPa)"]
        self.atmosphere_unreadable = pressure.unreadable
        self.atmosphere = pressure if pressure.read and 500 <= pressure.low and pressure.high <= 1100 else BLANK
        if pressure.read and not pressure.plain:
            self.atmosphere, self.atmosphere_unreadable = BLANK, True
        self.correct = word(row.get("Correct tubes for pressure"), CORRECT)

    # ------------------------------------------------------------------------------------------------ cells
    def read(self, heading: str) -> Reading:
        mark = None
        if heading in MARKS:
            given = self.read(MARKS[heading])
            known = lowest_marks().get(KNOWN_MARKS.get(heading, ""))
            mark = given.low if given.plain else None if given.unreadable or given.read else known
        signed = UNITS[heading] == "°C"
        found = reading(
            self.row.get(heading),
            UNITS[heading],
            floor=-273.15 if signed else 0.0,
            ceiling=100.0 if heading == "Oxygen (%)" else math.inf,
            oil=heading == "Oil (mg/m³)",
            mark=mark,
            signed=signed,
            marks=self.marks.get(heading, set()),
            possible=POSSIBLE.get(heading, (-math.inf, math.inf)),
            fraction=heading == "Oxygen (%)",
        )
        return found

    def why(self, text: str) -> None:
        self.answer.why.append(text)

    # ------------------------------------------------------------------------------------------------ chances
    def near(self, parameter: str, chance: float, flagged: str) -> str:
        """pass, or near limit where the chance of being over is more than the flag."""
        if self.rules is None:
            return PASS
        flag = self.rules.flag.get(flagged, self.rules.flag["default"]) / 100
        if abs(chance - flag) < 0.02:
            self.answer.edges.add(parameter)
        return NEAR if chance > flag else PASS

    # ------------------------------------------------------------------------------------------------ tubes
    def content_forms(self, read: Reading) -> list[Reading]:
        """A content that is stated is corrected as a tube is, but never to less."""
        return [form for form in self.tube_forms(read) if form.high >= read.high] or [read]

    def tube_forms(self, read: Reading) -> list[Reading]:
        """The reading of a tube in each form that has to be judged: as written, corrected for pressure, or both."""
        if not read.read or self.correct == "already" or self.atmosphere.blank:
            return [read]
        actual = self.atmosphere.low
        factor = air.ATMOSPHERE_HPA / actual
        if self.correct == "?" and (actual < 980 or read.plain):
            return [read, read.times(factor)]
        if actual < 980:
            return [read.times(factor)] if self.correct == "yes" else [read, read.times(factor)]
        if self.correct == "yes" and read.plain:
            return [read.times(factor)]
        return [read]

    def expired(self, heading: str) -> bool:
        """A tube past its day, or whose day cannot be read."""
        valid = day(self.row.get(heading), expiry=True)
        if valid is None:
            return False
        if valid == "?":
            return True
        if self.tested is None:
            return False
        return self.tested == "?" or self.tested > valid  # type: ignore[operator]

    # ------------------------------------------------------------------------------------------------ gases
    def gas(self, name: str) -> str:
        assert self.rules is not None
        heading = f"{name} ({GASES[name]})"
        read = self.cells[heading]
        limits = self.rules.of(name, self.supply)
        if not limits:
            return NO_LIMIT
        if read.blank:
            return NOT_TESTED
        if read.unreadable:
            return CANNOT
        forms = [read] if name == "Oxygen" else self.tube_forms(read)
        if name == "Oil" and read.word in ("clear", "stain"):
            forms = self.oil_words(read, forms)
        found = worst([self.gas_against(name, form, read, limit) for form in forms for limit in limits])
        if found == FAIL and self.supply not in SUPPLIES and len(self.rules.supplies) < len(SUPPLIES):
            return CANNOT  # of some supply the rule set says nothing: it may be that one
        if found in (PASS, NEAR) and self.doubtful(name, heading, read):
            return CANNOT
        return found

    def gas_against(self, name: str, form: Reading, written: Reading, limit: dict[str, Any]) -> str:
        high, low = limit.get("max", math.inf), limit.get("min", -math.inf)
        found = worst(
            [against_max(form, high), against_min(form, low)] if "min" in limit else [against_max(form, high)]
        )
        if found == PASS and form.plain:
            entry = parameters()[name]
            factor = form.low / written.low if written.low else 1.0
            spread = max(entry.get("u_abs", 0.0), entry.get("u_rel", 0.0) * abs(written.low)) * factor
            normal = NormalDist(form.low, spread)
            return self.near(name, 1 - (normal.cdf(high) - normal.cdf(low)), name)
        return found

    def oil_words(self, read: Reading, forms: list[Reading]) -> list[Reading]:
        if read.word == "stain":
            return [read]  # a colour that passed the mark: below 980 hPa it passed more
        if self.correct == "already" or self.atmosphere.blank or self.atmosphere.low >= 980:
            return [read]
        return [read] if read.word == "clear" else forms

    def clear_too_short(self, read: Reading, taken: Reading) -> bool:
        """Below 980 hPa clear means at most 0.5 mg/m³ only after the longer time that the thinner air takes."""
        if read.word != "clear" or self.correct == "already" or not self.atmosphere.read or self.atmosphere.low >= 980:
            return False
        return taken.read and not at_most(self.oil_needed() * air.ATMOSPHERE_HPA / self.atmosphere.low, taken.low)

    def oil_needed(self) -> float:
        needed = self.cells["Oil sampling time needed (min)"]
        return needed.high if needed.read and needed.high > 0 else 15.0

    def doubtful(self, name: str, heading: str, read: Reading) -> bool:
        """Whether what stands beside a reading takes its pass away."""
        if name == "Oxygen":
            if self.expired("Calibration due"):
                return True
            if read.plain and read.low == 0:
                return True
        elif self.expired(f"{name} tube expiry"):
            return True
        elif self.atmosphere_unreadable and self.correct != "already":
            return True
        elif self.not_corrected():
            return True
        if name == "Oil":
            taken, needed = self.cells["Oil sampling time (min)"], self.cells["Oil sampling time needed (min)"]
            if taken.unreadable or needed.unreadable:
                return True
            if taken.read and not at_most(self.oil_needed(), taken.low):
                return True
            if self.clear_too_short(read, taken):
                return True
            marked = not self.cells["Oil lowest mark (mg/m³)"].blank
            if taken.blank and (read.word == "clear" or (read.word == "nd" and not marked)):
                return True
        if name == "Carbon dioxide" and self.odd_carbon_dioxide(read):
            return True
        if name in ("Carbon monoxide", "Carbon dioxide", "Oil") and self.all_nought():
            return True
        return self.clash(heading)

    def not_corrected(self) -> bool:
        """Correction is asked for, or may be, and cannot be made."""
        return self.correct in ("yes", "?") and not self.atmosphere.read

    def odd_carbon_dioxide(self, read: Reading) -> bool:
        factor = (
            min(1.0, air.ATMOSPHERE_HPA / self.atmosphere.low)
            if self.atmosphere.read and self.correct == "yes"
            else 1.0
        )
        least = read.high * factor

        def under(mark: float) -> bool:
            return below(least, mark) or (read.high_open and at_most(least, mark))

        if read.plain and read.low == 0:
            return True
        if under(100.0):
            return True
        year = self.tested.year if isinstance(self.tested, date) else 2100
        return self.dryer != "desiccant" and under(0.5 * outdoor_ppm(year))

    def all_nought(self) -> bool:
        named = ["Carbon monoxide (ppm)", "Carbon dioxide (ppm)", "Oil (mg/m³)"]
        water = [self.cells[one] for one in ("Water tube reading (mg/m³)", "Water (mg/m³)")]
        nought = [one.plain and one.low == 0 for one in (self.cells[heading] for heading in named)]
        return all(nought) and any(one.plain and one.low == 0 for one in water)

    # data/fields.toml names fields, the blank headings: the two that a clash can hit in these rows
    FIELDS = {
        "Line pressure (bar)": "line_pressure_bar",
        "Nominal pressure (bar)": "nominal_pressure_bar",
        "Lowest pressure needed (bar)": "lowest_pressure_bar",
        "Highest pressure allowed (bar)": "highest_pressure_bar",
        "Dew point measured at (bar)": "dew_point_measured_at_bar",
        "Airline temperature (°C)": "airline_temperature_c",
        "Ambient temperature (°C)": "ambient_temperature_c",
        "Lowest use temperature (°C)": "lowest_use_temperature_c",
        "Dew point measured (°C)": "dew_point_measured_c",
        "Flow measured (L/min)": "flow_l_min",
        "Flow needed (L/min)": "flow_needed_l_min",
        "Oxygen (%)": "oxygen_pct",
        "Carbon monoxide (ppm)": "co_ppm",
        "Carbon dioxide (ppm)": "co2_ppm",
        "Oil (mg/m³)": "oil_mg_m3",
        "Water tube reading (mg/m³)": "water_tube_mg_m3",
        "Water (mg/m³)": "water_mg_m3",
        "Oil sampling time (min)": "oil_sampling_min",
        "Oil sampling time needed (min)": "oil_sampling_needed_min",
    }
    SPELT = {"psi": "psi", "kpa": "kPa", "mpa": "MPa", "°f": "°F", "g/m3": "g/m³", "h": "h"}

    def clash(self, heading: str) -> bool:
        """A figure that contradicts the unit stated for it (data: units.toml)."""
        from tests.judge.independent.cells import UNITS as SPELLINGS

        read, unit = self.cells[heading], self.SPELT.get(self.cells[heading].unit, UNITS[heading])
        if not read.read or read.word in ("stain", "clear"):
            return False
        factor, zero = SPELLINGS[UNITS[heading]].get(self.cells[heading].unit, (1.0, 0.0))
        low, high = (end / factor + zero for end in (read.low, read.high))
        for one in clashes():
            if self.FIELDS[heading] not in one["fields"] or self.supply not in one.get("supplies", [self.supply]):
                continue
            over, under = one.get("above", {}).get(unit), one.get("below", {}).get(unit)
            if over is not None and low > over and math.isfinite(low):
                return True
            if under is not None and 0 < high and (high < under or (read.high_open and high <= under)):
                if (
                    heading in ("Water tube reading (mg/m³)", "Water (mg/m³)")
                    and unit == "mg/m³"
                    and self.dry()
                    and not (high < 0.2 or (read.high_open and high <= 0.2))
                ):
                    continue
                return True
        return False

    def dry(self) -> bool:
        return self.supply in ("cylinder", "charging compressor") or self.dryer in ("desiccant", "membrane")

    # ------------------------------------------------------------------------------------------------ odour
    def odour(self) -> str:
        assert self.rules is not None
        found = word(self.row.get("Odour"), ODOURS)
        if found == "marked":
            return FAIL
        limits = self.rules.of("Odour", self.supply)
        if not limits:
            return NO_LIMIT
        if found == "":
            return NOT_TESTED
        if found == "?":
            return CANNOT
        if found in limits[0]["allowed"]:
            return PASS
        return NEAR if found in limits[0].get("near", []) else FAIL

    # ------------------------------------------------------------------------------------------------ flow, pressure
    def flow(self) -> str:
        read, need = self.cells["Flow measured (L/min)"], self.cells["Flow needed (L/min)"]
        if need.unreadable:
            return NOT_TESTED if read.blank else CANNOT
        if need.blank or (need.plain and need.low == 0):
            if read.blank:
                return NOT_TESTED
            if read.unreadable:
                return CANNOT
            if self.supply == "airline" and read.low < 115:
                return CANNOT
            return NOT_JUDGED
        if read.blank:
            return NOT_TESTED
        if read.unreadable:
            return CANNOT
        found = self.at_least("Flow", read, need)
        if found in (PASS, NEAR) and (
            self.expired("Calibration due") or self.clash("Flow measured (L/min)") or self.clash("Flow needed (L/min)")
        ):
            return CANNOT
        return found

    def at_least(self, name: str, read: Reading, need: Reading) -> str:
        found = (
            both(against_min(read, need.low), against_min(read, need.high))
            if need.low != need.high
            else against_min(read, need.low)
        )
        if found == PASS and read.plain:
            return self.near(name, NormalDist(read.low, self.spread(name, read.low)).cdf(need.high), name)
        return found

    def at_most_allowed(self, read: Reading, allowed: Reading) -> str:
        found = (
            both(against_max(read, allowed.low), against_max(read, allowed.high))
            if allowed.low != allowed.high
            else against_max(read, allowed.low)
        )
        if found == PASS and read.plain:
            normal = NormalDist(read.low, self.spread("Line pressure", read.low))
            return self.near("Line pressure", 1 - normal.cdf(allowed.low), "Line pressure")
        return found

    def spread(self, name: str, value: float) -> float:
        entry = parameters()[name]
        return max(entry.get("u_abs", 0.0), entry.get("u_rel", 0.0) * abs(value))

    def pressure(self) -> str:
        read = self.cells["Line pressure (bar)"]
        need, allowed = self.cells["Lowest pressure needed (bar)"], self.cells["Highest pressure allowed (bar)"]
        stated = [one for one in (need, allowed) if not one.blank and not (one is need and one.plain and one.low == 0)]
        if read.blank:
            return NOT_TESTED
        if read.unreadable:
            return CANNOT
        if not stated:
            return NOT_JUDGED
        words = []
        if need in stated:
            words.append(CANNOT if need.unreadable else self.at_least("Line pressure", read, need))
        if allowed in stated:
            words.append(CANNOT if allowed.unreadable else self.at_most_allowed(read, allowed))
        found = worst(words)
        if need not in stated and found in (PASS, NEAR):
            return NOT_JUDGED
        if found in (PASS, NEAR) and (self.expired("Calibration due") or any(self.clash(one) for one in PRESSURES)):
            return CANNOT
        return found

    # ------------------------------------------------------------------------------------------------ water
    def sources(self) -> list[tuple[str, Reading, float]]:
        """What the row says of its water: kind, content in mg/m³ (or unreadable), relative standard uncertainty."""
        found = []
        entry = parameters()["Water"]
        tube, content = self.cells["Water tube reading (mg/m³)"], self.cells["Water (mg/m³)"]
        if not tube.blank:
            factor = self.multiplier()
            if tube.unreadable:
                found.append(("tube", Reading("unreadable"), 0.0))
            elif factor is None:  # not known: at least 1, so what fails at 1 fails
                found += [("tube", replace(form, high=math.inf), 0.0) for form in self.tube_forms(tube)]
            else:
                relative = (
                    max(entry["u_abs"] / tube.low, entry["u_rel"]) if tube.plain and tube.low > 0 else entry["u_rel"]
                )
                found += [("tube", form.times(factor), relative) for form in self.tube_forms(tube)]
        if not content.blank:
            if content.unreadable:
                found.append(("content", content, 0.0))
            else:
                relative = (
                    max(entry["u_abs"] / content.low, entry["u_rel"])
                    if content.plain and content.low > 0
                    else entry["u_rel"]
                )
                found += [("content", form, relative) for form in self.content_forms(content)]
        meter = self.cells["Dew point measured (°C)"]
        if not meter.blank:
            at = self.cells["Dew point measured at (bar)"]
            if meter.unreadable or not at.plain:
                found.append(("meter", Reading("unreadable"), 0.0))
            else:
                absolute = at.low + (self.atmosphere.low if self.atmosphere.read else air.ATMOSPHERE_HPA) / 1000
                ends = [
                    0.0
                    if not math.isfinite(end) or end < air.COLDEST_C
                    else air.content_of_fraction(air.fraction_of(end, absolute))
                    for end in (meter.low, meter.high)
                ]
                if meter.high == math.inf:
                    ends[1] = math.inf
                step = parameters()["Pressure dew point"]["u_abs"]
                relative = 0.0
                if meter.plain and ends[0] > 0:
                    relative = (
                        math.log(
                            air.fraction_of(meter.low + step, absolute) / air.fraction_of(meter.low - step, absolute)
                        )
                        / 2
                    )
                found.append(("meter", replace(meter, low=ends[0], high=ends[1]), relative))
        return found

    def multiplier(self) -> float | None:
        given = self.cells["Water tube multiplier"]
        if given.blank:
            return 1.0 if self.dry() else None
        return given.low if given.plain and given.low >= 1 else None

    def water(self) -> str:
        assert self.rules is not None
        liquid = word(self.row.get("Liquid water seen"), LIQUID)
        if liquid == "seen":
            return FAIL
        sources = self.sources()
        known = self.supply in SUPPLIES
        if known and not any(self.rules.of(name, self.supply) for name in WATER_LIMITS):
            states = [self.line_state(content) for _, content, _ in sources if content.read]
            return FAIL if FAIL in states else NO_LIMIT
        anything = Reading("read", 0.0, math.inf)
        if known and self.water_against(anything, 0.0, "tube") == NO_LIMIT:
            return NO_LIMIT
        if not sources:
            return NOT_TESTED
        if not known:
            return FAIL if FAIL in [self.line_state(content) for _, content, _ in sources if content.read] else CANNOT
        words = []
        wettest = max((content.high for _, content, _ in sources if content.read), default=math.nan)
        for kind, content, relative in sources:
            found = CANNOT if content.unreadable else self.water_against(content, relative, kind)
            if found in (PASS, NEAR) and (liquid == "?" or self.water_doubt(kind, content, content.high == wettest)):
                found = CANNOT
            # Of several the worse reading counts: how close another comes is of no account.
            words.append(PASS if found == NEAR and content.high < wettest else found)
        if NO_LIMIT in words:
            return FAIL if FAIL in words else NO_LIMIT
        return worst(words)

    def airline_pressure(self) -> tuple[float, float]:
        """Lowest and highest of the gauge pressure that the dew point is judged at; inf: open, or not to be read."""
        line, nominal = self.cells["Line pressure (bar)"], self.cells["Nominal pressure (bar)"]
        low, high = -math.inf, -math.inf
        for one in (line, nominal):
            if one.unreadable:
                high = math.inf
            elif one.read:
                low, high = max(low, one.low), max(high, one.high)
        return low, high

    def water_against(self, content: Reading, relative: float, kind: str) -> str:
        assert self.rules is not None
        words = []
        if self.supply == "airline":
            words.append(self.line_state(content))
        asked = [limit for name in WATER_LIMITS for limit in self.rules.of(name, self.supply)]
        if any("over_bar" in one.get("when", {}) or "to_bar" in one.get("when", {}) for one in asked):
            words.append(self.banded(content, relative, asked))
        else:
            words += [self.one_limit(content, relative, kind, one) for one in asked]
        words = [one for one in words if one]
        return worst(words) if NO_LIMIT not in words else (FAIL if FAIL in words else NO_LIMIT)

    def line_state(self, content: Reading) -> str:
        """fail where the air in the line is below its dew point."""
        low, _ = self.airline_pressure()
        airline = self.cells["Airline temperature (°C)"]
        if not airline.read or not 1.5 <= low <= 40:
            return ""
        return FAIL if below(airline.high, self.line_dew(content.low, low)) else ""

    def line_dew(self, content: float, gauge: float) -> float:
        atmosphere = self.atmosphere.low if self.atmosphere.read else air.ATMOSPHERE_HPA
        return air.dew_point_c(air.fraction_of_content(content), gauge + atmosphere / 1000)

    def banded(self, content: Reading, relative: float, asked: list[dict[str, Any]]) -> str:
        """Content of high-pressure air by the band of the nominal pressure."""
        nominal, line = self.cells["Nominal pressure (bar)"], self.cells["Line pressure (bar)"]
        if nominal.unreadable or line.unreadable:
            readable = replace(nominal, state="blank") if nominal.unreadable else nominal
            found = self.in_band(content, relative, asked, readable, BLANK if line.unreadable else line)
            return found if found in (FAIL, NO_LIMIT) else CANNOT
        return self.in_band(content, relative, asked, nominal, line)

    def in_band(
        self, content: Reading, relative: float, asked: list[dict[str, Any]], nominal: Reading, line: Reading
    ) -> str:
        def within(limit: dict[str, Any], bar: float) -> bool:
            when = limit["when"]
            over = when.get("over_bar", -math.inf)
            return (over < bar or bar == over == 40) and at_most(bar, when.get("to_bar", math.inf))

        def at(bar: float) -> str:
            held = [one for one in asked if within(one, bar)]
            return self.content_against(content, relative, held[0]["max"]) if held else NO_LIMIT

        if nominal.plain and not (line.read and line.low > 1.1 * nominal.low):
            return at(nominal.low)
        # No nominal pressure, or one that the measured pressure disproves.
        strict, loose = min(one["max"] for one in asked), max(one["max"] for one in asked)
        top = max(one["when"].get("over_bar", 0) for one in asked)
        for one in (line, nominal):
            if one.read and (one.low > top or (one.low == top and one.low_open)):
                return at(one.low + 1e-6)
        return (
            both(self.content_against(content, relative, strict), self.content_against(content, relative, loose))
            if self.content_against(content, relative, strict) not in (PASS, NEAR)
            else self.content_against(content, relative, strict)
        )

    def content_against(self, content: Reading, relative: float, limit: float) -> str:
        found = against_max(content, limit)
        if found == PASS and content.plain and content.low > 0:
            return self.near("Water", 1 - NormalDist(content.low, content.low * relative).cdf(limit), "Water")
        return found

    def one_limit(self, content: Reading, relative: float, kind: str, limit: dict[str, Any]) -> str:
        name, when = limit["parameter"], limit.get("when", {})
        if name == "Water":
            return self.content_against(content, relative, limit["max"])
        if name == "Dew point at one atmosphere":
            low, high = (air.dew_point_c(air.fraction_of_content(end), 1.01325) for end in (content.low, content.high))
            return self.temperature_against(content, low, high, limit["max"], relative, 1.01325, 0.0, 0.0)
        if limit.get("at") == "1 atm":
            places = [self.cells[one] for one in ("Ambient temperature (°C)", "Lowest use temperature (°C)")]
        else:
            places = [
                self.cells[one]
                for one in ("Airline temperature (°C)", "Ambient temperature (°C)", "Lowest use temperature (°C)")
            ]
        lowest, state = self.reference(places)
        if "temperature" in when and state != "?" and when["temperature"] != state:
            return ""
        if limit.get("at") == "1 atm":
            if state != "known":
                return CANNOT
            low, high = (air.dew_point_c(air.fraction_of_content(end), 1.01325) for end in (content.low, content.high))
            return self.margin(content, low, high, lowest, limit["min"], relative, 1.01325, 0.0)
        least, most = self.airline_pressure()
        inside = [1.5 <= end <= 40 for end in (least, most)]
        low = self.line_dew(content.low, least) if inside[0] else -math.inf
        high = self.line_dew(content.high, most) if inside[1] else math.inf
        gauge = self.cells["Line pressure (bar)"]
        measured = gauge.plain and gauge.low == most
        atmosphere = self.atmosphere.low if self.atmosphere.read else air.ATMOSPHERE_HPA
        known = parameters()["Atmosphere"]
        u_air = (known["u_given_hpa"] if self.atmosphere.read else known["u_assumed_hpa"]) / 1000
        absolute = most + atmosphere / 1000
        u_p = (
            math.hypot(self.spread("Line pressure", most) if measured else 0.0, u_air) / absolute
            if math.isfinite(absolute)
            else 0
        )
        if name == "Pressure dew point":
            if state == "?":
                return CANNOT
            return self.temperature_against(content, low, high, limit["max"], relative, absolute, u_p, 0.0)
        if state == "?" and lowest.low == -math.inf and lowest.high == math.inf:
            return ""
        return self.margin(content, low, high, lowest, limit["min"], relative, absolute, u_p)

    def reference(self, places: list[Reading]) -> tuple[Reading, str]:
        """The lowest of the temperatures, and whether they tell where the air is used: known, unknown, or ? (unreadable)."""
        *before, ambient, stated = places
        # Above 40 °C it counts as not known: a bound that reaches there counts at its lower end, and makes nothing known.
        lows = [one.low for one in before if one.read] + [
            one.low for one in (ambient, stated) if one.read and one.low <= 40
        ]
        highs = [one.high for one in before if one.read] + [
            one.high for one in (ambient, stated) if one.read and one.high <= 40
        ]
        known = any(one.read and one.high <= 40 for one in (ambient, stated))
        perhaps = any(one.read and one.low <= 40 < one.high for one in (ambient, stated))
        unreadable = any(one.unreadable for one in places)
        low, high = min(lows, default=-math.inf), min(highs, default=math.inf)
        if unreadable:
            return Reading("read", -math.inf, high), "known" if known else "?"
        return Reading("read", low, high), "known" if known else "?" if perhaps else "unknown"

    def temperature_against(
        self,
        content: Reading,
        low: float,
        high: float,
        limit: float,
        relative: float,
        absolute: float,
        u_p: float,
        u_t: float,
    ) -> str:
        found = against_max(Reading("read", low, high, content.low_open, content.high_open), limit)
        if found == PASS and content.plain and math.isfinite(high):
            return self.near(
                "Water", 1 - NormalDist(high, self.u_dew(high, absolute, relative, u_p, u_t)).cdf(limit), "Water"
            )
        return found

    def margin(
        self,
        content: Reading,
        low: float,
        high: float,
        lowest: Reading,
        need: float,
        relative: float,
        absolute: float,
        u_p: float,
    ) -> str:
        worst_case, best_case = lowest.low - high, lowest.high - low
        open_best = content.low_open or lowest.high_open
        hair = 1e-6  # K: two libraries solve one dew point to less
        if best_case < need - hair or (open_best and best_case < need + hair):
            return FAIL
        if not worst_case >= need - hair or math.isnan(worst_case):
            return CANNOT
        if content.plain and lowest.plain and math.isfinite(high) and high == low:
            u = self.u_dew(high, absolute, relative, u_p, parameters()["Dew point margin"]["u_abs"])
            return self.near("Water", NormalDist(worst_case, u).cdf(need), "Dew point margin")
        return PASS

    def u_dew(self, dew: float, absolute: float, relative: float, u_p: float, u_t: float) -> float:
        dew = max(dew, air.COLDEST_C + 1)
        slope = 0.2 / math.log(air.fraction_of(dew + 0.1, absolute) / air.fraction_of(dew - 0.1, absolute))
        return math.hypot(slope * math.hypot(relative, u_p), u_t) or 1e-9

    def water_doubt(self, kind: str, content: Reading, counts: bool) -> bool:
        """Whether what stands beside a water reading takes its pass away; `counts`: it is the wettest of several."""
        assert self.rules is not None
        heading = {
            "tube": "Water tube reading (mg/m³)",
            "content": "Water (mg/m³)",
            "meter": "Dew point measured (°C)",
        }[kind]
        written = self.cells[heading]
        if counts and kind in ("tube", "content") and self.expired("Water tube expiry"):
            return True
        content_only = self.rules.of("Water", self.supply) or self.rules.of("Dew point at one atmosphere", self.supply)
        at_line = self.supply == "airline" and any(
            one.get("at") == "line" or one["parameter"] == "Pressure dew point"
            for name in WATER_LIMITS
            for one in self.rules.of(name, self.supply)
        )
        if self.atmosphere_unreadable and (kind == "meter" or at_line):
            return True
        if kind in ("tube", "content") and (
            self.not_corrected() or (self.atmosphere_unreadable and self.correct != "already")
        ):
            return True
        line, nominal = self.cells["Line pressure (bar)"], self.cells["Nominal pressure (bar)"]
        if self.expired("Calibration due") and ((kind == "meter" and counts) or not content_only):
            return True
        if kind in ("tube", "content"):
            if written.plain and written.low == 0:
                return True
            if self.all_nought():
                return True
        if self.clash(heading) or (kind == "meter" and self.clash("Dew point measured at (bar)")):
            return True
        if any(self.clash(one) for one in (*PRESSURES, *TEMPERATURES)):
            return True
        if self.supply != "airline":
            return False
        raw = content.high
        if (
            kind != "meter"
            and self.correct == "yes"
            and self.atmosphere.read
            and (content.plain or self.atmosphere.low < 980)
        ):
            raw *= min(1.0, self.atmosphere.low / air.ATMOSPHERE_HPA)  # as it was written, where it was raised
        if self.dryer == "none" and (below(raw, 200) or (content.high_open and at_most(raw, 200))):
            return True
        least, most = self.airline_pressure()
        if self.dryer == "refrigerant" and 1.5 <= most <= 40 and not self.atmosphere_unreadable:
            dew = self.line_dew(raw, most)
            if dew < -15 or (content.high_open and dew <= -15 + 1e-6):  # K: there and back through the content
                return True
        airline = self.cells["Airline temperature (°C)"]
        hottest = self.line_dew(content.high, most) if 1.5 <= most <= 40 else math.inf
        told = 1.5 <= least <= 40 or 1.5 <= most <= 40
        if airline.read and told and below(airline.low, hottest):
            return True
        return nominal.unreadable or line.unreadable or airline.unreadable or airline.low == -math.inf

    # ------------------------------------------------------------------------------------------------ the test
    def judged(self) -> Answer:
        verdicts = self.answer.verdicts
        if self.rules is None:
            failed = (
                word(self.row.get("Odour"), ODOURS) == "marked"
                or word(self.row.get("Liquid water seen"), LIQUID) == "seen"
                or FAIL in (self.flow(), self.pressure())
                or any(self.line_state(content) for _, content, _ in self.sources() if content.read)
            )
            verdicts["Test"] = FAIL if failed else "incomplete"
            return self.answer
        verdicts["Odour"] = self.odour()
        for name in GASES:
            verdicts[name] = self.gas(name)
        verdicts["Water"] = self.water()
        verdicts["Flow"] = self.flow()
        verdicts["Line pressure"] = self.pressure()
        verdicts["Test"] = self.test()
        return self.answer

    def test(self) -> str:
        assert self.rules is not None
        verdicts = self.answer.verdicts
        if FAIL in verdicts.values():
            return FAIL
        if not word(self.row.get("Odour"), ODOURS) and all(
            self.cells.get(one, BLANK).blank and not self.row.get(one) for one in READINGS
        ):
            return "incomplete"
        if any(verdicts[name] not in (PASS, NEAR) for name in self.rules.demanded):
            return "incomplete"
        high_pressure = self.supply in ("cylinder", "charging compressor")
        for name, needs in (
            ("Flow", ["Flow needed (L/min)"]),
            ("Line pressure", ["Lowest pressure needed (bar)", "Highest pressure allowed (bar)"]),
        ):
            needed = any(
                not self.cells[one].blank and not (self.cells[one].plain and self.cells[one].low == 0) for one in needs
            )
            if verdicts[name] == CANNOT and (needed or not high_pressure):
                return "incomplete"
            if verdicts[name] == NOT_TESTED and needed and not high_pressure:
                return "incomplete"
        return NEAR if NEAR in verdicts.values() else PASS


def judge(row: dict[str, Any], marks: dict[str, set[str]] | None = None, rules: str = "en12021-2014") -> Answer:
    return Row(row, marks, rules).judged()
