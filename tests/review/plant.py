"""Fleets of compressed-air plant with known faults: what the early warning is tried on.

Invented: how fast things fade, scatter and drift is judgement, no source. Each fault ends at a known day, on
which the true figure meets its limit. Disturbances on top: seasons, tubes read at their marks, tube lots that
read high or low, visits and outlets missed, outdoor carbon dioxide, work done on healthy plant.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

import numpy as np
import pandas as pd

from grader.compute.humidity.dew_point import absolute_pressure_pa, mole_fraction_at_dew_point, water_content
from grader.outdoor import outdoor_co2_on
from grader.read.log import Log
from tests.support import log_of

BEGIN = date(2021, 1, 4)
DAYS_A_YEAR = 365.25
LINE_BAR = 7.0
FLOW_NEEDED = 160.0
TUBES = ("co", "co2", "oil", "water")


@dataclass(frozen=True)
class Kind:
    """A fault: the parameter it moves, the dryer it needs ("" for any), how it grows, years from onset to limit."""

    key: str
    shape: str
    dryer: str = ""
    years: tuple[float, float] = (0.8, 2.2)


# How far a fault has got, of the way to the limit, `u` of its time after onset (0 before, 1 on the day).
SHAPES = {
    "straight": lambda u: u,
    "curved": lambda u: np.expm1(3 * np.minimum(u, 2.0)) / np.expm1(3),
    "late": lambda u: np.where(u < 0.7, 0.1 * u, 0.07 + 3.1 * (u - 0.7)),
}
KINDS: dict[str, Kind] = {
    "desiccant dryer, straight": Kind("pressure_dew_point", "straight", "desiccant"),
    "desiccant dryer, curved": Kind("pressure_dew_point", "curved", "desiccant"),
    "desiccant dryer, late": Kind("pressure_dew_point", "late", "desiccant"),
    "membrane dryer, curved": Kind("pressure_dew_point", "curved", "membrane"),
    "refrigerant dryer, straight": Kind("pressure_dew_point", "straight", "refrigerant"),
    "refrigerant dryer, curved": Kind("pressure_dew_point", "curved", "refrigerant"),
    "oil breakthrough, straight": Kind("oil", "straight"),
    "oil breakthrough, curved": Kind("oil", "curved"),
    "compressor carbon monoxide, straight": Kind("co", "straight"),
    "compressor carbon monoxide, curved": Kind("co", "curved"),
    "flow, straight": Kind("flow", "straight"),
    "flow, curved": Kind("flow", "curved"),
}
# Not among the plant faults that the targets are for: the way to the limit is about one stated uncertainty.
INTAKE = {"intake carbon dioxide, straight": Kind("co2", "straight")}
SYSTEM_TEXT = {"pressure_dew_point": "dryer", "oil": "filter", "co": "compressor", "co2": "intake", "flow": "hose"}


@dataclass
class Dryer:
    """Usual pressure dew point and its season, lowest use temperature, tube multiplier; ranges of a uniform draw."""

    usual: tuple[float, float]
    season: tuple[float, float]
    scatter: float
    use: tuple[float, float]
    multiplier: float


DRYERS = {
    "desiccant": Dryer((-52.0, -36.0), (0.5, 2.0), 2.0, (0.0, 10.0), 1.0),
    "membrane": Dryer((-25.0, -15.0), (1.0, 2.5), 1.5, (5.0, 10.0), 1.0),
    "refrigerant": Dryer((2.0, 4.0), (1.0, 2.5), 1.0, (15.0, 16.0), 10.0),
}


@dataclass
class Fleet:
    """A firm's years of visits.

    log   : as read, one flat log. truth : one row a fault: site, system, outlet ("" where the whole system
    is hit), key, kind, onset and meets (datetime64[D], the day on which the true figure meets its limit).
    """

    log: Log
    truth: pd.DataFrame


@dataclass
class Rows:
    """The columns of the log, as they fill."""

    columns: dict[str, list[Any]] = field(default_factory=dict)

    def add(self, count: int, **values: Any) -> None:
        """Append `count` rows; a single value holds for all of them."""
        for name, value in values.items():
            self.columns.setdefault(name, []).extend(value if isinstance(value, list) else [value] * count)


@dataclass
class Lots:
    """Tube lots of one firm: each serves some months, and reads high or low by its own factor."""

    rng: np.random.Generator
    sd: float
    odd: float = 0.0  # offset of one odd lot of each tube in the third year
    known: dict[tuple[str, int], float] = field(default_factory=dict)

    def of(self, tube: str, day: date) -> tuple[str, float]:
        """Name and factor of the lot in use on a day."""
        number = (day - BEGIN).days // 270
        if (tube, number) not in self.known:
            self.known[tube, number] = 1 + self.rng.normal(0, self.sd) + (self.odd if number == 3 else 0.0)
        return f"{tube.upper()}-{number}", self.known[tube, number]


def fleet(
    seed: int,
    sites: int = 40,
    years: float = 5.0,
    visits_a_year: int = 4,
    kinds: Sequence[str] = (),
    odd_lot: float = 0.0,
    drift: float = 0.0,
    client: str = "",
) -> Fleet:
    """One firm. kinds: a fault of each in turn, one a site; none for healthy plant only.

    odd_lot : one lot of each tube reads by this fraction high. drift : the first instrument's oxygen cell
    falls by this much (%) a year in the last two years.
    """
    rng = np.random.default_rng(seed)
    lots, rows, truth = Lots(rng, 0.06, odd_lot), Rows(), []
    for number in range(sites):
        name = kinds[number % len(kinds)] if kinds else ""
        kind = {**KINDS, **INTAKE}.get(name)
        _site(rng, lots, rows, truth, f"Site {number + 1:03d}", number, years, visits_a_year, name, kind, drift, client)
    names = ["site", "system", "outlet", "key", "kind", "onset", "meets"]
    made = pd.DataFrame(truth, columns=names)
    return Fleet(_log(rows), made.astype({"onset": "datetime64[s]", "meets": "datetime64[s]"}))


def _site(rng, lots, rows, truth, site, number, years, visits_a_year, name, kind, drift, client) -> None:
    systems = 1 + int(rng.random() < 0.4)
    days = [
        BEGIN + timedelta(days=float(k * DAYS_A_YEAR / visits_a_year + rng.uniform(0, 24) + number % 60))
        for k in range(int(years * visits_a_year))
    ]
    kept = [d for d in days if rng.random() > 0.08]
    for s in range(systems):
        hit = kind is not None and s == 0
        dryer = kind.dryer if hit and kind.dryer else str(rng.choice(list(DRYERS)))
        _system(
            rng,
            lots,
            rows,
            truth,
            site,
            f"Line {s + 1}",
            number,
            kept,
            years,
            dryer,
            name if hit else "",
            kind if hit else None,
            drift,
            client,
        )


def _system(rng, lots, rows, truth, site, system, number, visits, years, dryer, name, kind, drift, client) -> None:
    d = DRYERS[dryer]
    count = int(rng.integers(3, 8))
    outlets = [f"{system[-1]}{i + 1:02d}" for i in range(count)]
    usual = {
        "pressure_dew_point": rng.uniform(*d.usual),
        "co": rng.uniform(0.5, 1.8),
        "co2": rng.uniform(5, 35),
        "oil": rng.uniform(0.05, 0.16),
        "flow": rng.uniform(195, 260, count),
    }
    season, use = rng.uniform(*d.season), float(np.round(rng.uniform(*d.use)))
    limit = {"pressure_dew_point": use - 5.0, "co": 5.0, "co2": 500.0, "oil": 0.5, "flow": FLOW_NEEDED}
    onset = meets = BEGIN - timedelta(days=1)
    one = int(rng.integers(count))
    if kind is not None:
        late = 1.5 * kind.years[0] if kind.shape == "late" else 0.0
        span = rng.uniform(*kind.years) + late
        begin = rng.uniform(1.0, max(1.2, years - 1.0 - 0.6 * span))
        onset = BEGIN + timedelta(days=float(begin * DAYS_A_YEAR))
        meets = onset + timedelta(days=float(span * DAYS_A_YEAR))
        where = outlets[one] if kind.key == "flow" else ""
        truth.append((site, system, where, kind.key, name, np.datetime64(onset), np.datetime64(meets)))
    worked = float(rng.uniform(0.2, 1.6) * DAYS_A_YEAR) if rng.random() < 0.3 else -1.0
    for at, day in enumerate(visits):
        t = (day - BEGIN).days
        meter = (number + at) % 4  # instruments go round the sites
        here = [i for i in range(count) if rng.random() > 0.05] or [0]
        n = len(here)
        gone = dict.fromkeys(limit, 0.0)
        if kind is not None and day > onset:
            done = SHAPES[kind.shape](np.array((day - onset).days / max((meets - onset).days, 1)))
            gone[kind.key] = min(float(done), 1.3)  # somebody would have acted
        warm = np.cos(2 * np.pi * ((day.timetuple().tm_yday - 200) / DAYS_A_YEAR))
        dew = usual["pressure_dew_point"] + season * warm + rng.normal(0, d.scatter)
        healthy = usual["pressure_dew_point"]
        dew += gone["pressure_dew_point"] * (limit["pressure_dew_point"] - healthy)
        outdoor = float(outdoor_co2_on(np.array([np.datetime64(day)]))[0])
        true = {
            "co": usual["co"] + rng.normal(0, 0.15) + gone["co"] * (limit["co"] - usual["co"]),
            "co2": outdoor + usual["co2"] + rng.normal(0, 8) + gone["co2"] * (limit["co2"] - outdoor - usual["co2"]),
            "oil": usual["oil"] * np.exp(rng.normal(0, 0.2)) + gone["oil"] * (limit["oil"] - usual["oil"]),
        }
        pressure = np.round(LINE_BAR + rng.normal(0, 0.1, n), 1)
        content = water_content(mole_fraction_at_dew_point(dew, absolute_pressure_pa(LINE_BAR)))
        read = {"water": _tube(rng, lots, "water", day, content / d.multiplier, n)}
        read |= {key: _tube(rng, lots, key, day, value, n) for key, value in true.items()}
        flow = usual["flow"][here] * (1 + rng.normal(0, 0.025, n))
        if kind is not None and kind.key == "flow" and one in here:
            flow[here.index(one)] += gone["flow"] * (FLOW_NEEDED - usual["flow"][one])
        oxygen = 20.9 + 0.03 * (meter - 1.5) + rng.normal(0, 0.05, n)
        if drift and meter == 0:
            oxygen -= drift * max(0.0, t / DAYS_A_YEAR - (years - 2.0))
        ambient = float(np.round(13 + 7 * warm + rng.normal(0, 3), 1))
        work = worked >= 0 and t >= worked and (at == 0 or (visits[at - 1] - BEGIN).days < worked)
        rows.add(
            n,
            site=site,
            client=client,
            test_date=day,
            visit_reason="periodic",
            instrument=f"I{meter + 1}",
            work_done="dryer, filter and compressor serviced" if work else None,
            outlet=[outlets[i] for i in here],
            system=system,
            supply="airline",
            dryer=dryer,
            odour="none",
            line_pressure_bar=[float(p) for p in pressure],
            nominal_pressure_bar=LINE_BAR + 0.5,
            lowest_pressure_bar=4.0,
            flow_l_min=[float(5 * np.round(f / 5)) for f in flow],
            flow_needed_l_min=FLOW_NEEDED,
            oxygen_pct=[float(np.round(o, 1)) for o in oxygen],
            co_ppm=_marks(read["co"][1], 0.5, "<0.5"),
            co2_ppm=_marks(read["co2"][1], 10.0, "<100"),
            oil_mg_m3=_marks(read["oil"][1], 0.05, "<0.1"),
            oil_sampling_min=15.0,
            oil_sampling_needed_min=15.0,
            water_tube_mg_m3=_water_marks(read["water"][1]),
            water_multiplier=d.multiplier,
            airline_temperature_c=max(ambient, use) + 3.0,
            ambient_temperature_c=max(ambient, use),
            lowest_use_temperature_c=use,
            **{f"{tube}_tube_lot": read[tube][0] for tube in TUBES},
            **{f"{tube}_tube_expiry": date(2030, 1, 31) for tube in TUBES},
            calibration_due=date(2030, 1, 31),
        )


def _tube(rng, lots, tube: str, day: date, value: float, n: int) -> tuple[str, np.ndarray]:
    """What n tubes of the lot in use show: lot's name, readings before they are rounded to marks."""
    name, factor = lots.of(tube, day)
    spread = {"co2": 0.03}.get(tube, 0.08)
    half = (factor - 1) * (0.5 if tube == "co2" else 1.0)
    return name, np.maximum(value * (1 + half) * (1 + rng.normal(0, spread, n)), 0.0)


def _marks(values: np.ndarray, step: float, below: str) -> list[Any]:
    """Readings at the marks of a scale; below its first mark a bound."""
    least = float(below[1:])
    return [below if v < least else round(float(step * np.round(v / step)), 2) for v in values]


def _water_marks(values: np.ndarray) -> list[Any]:
    """Water tubes: below 5 a bound, to 40 every 1, to 100 every 5, beyond every 25 mg/m³."""
    return [
        "<3"
        if v < 3
        else float(round(v))
        if v < 40
        else float(5 * round(v / 5))
        if v < 100
        else float(25 * round(v / 25))
        for v in values
    ]


def _log(rows: Rows) -> Log:
    names = list(rows.columns)
    tests = [dict(zip(names, values)) for values in zip(*rows.columns.values(), strict=True)]
    return log_of({"fleet.xlsx": ({}, tests)})
