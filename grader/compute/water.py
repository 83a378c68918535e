"""Water content, pressure dew point, dew point at one atmosphere, margin: from what was written down.

One table of tests in, the same table with these columns more; for each key of data/parameters.toml that holds
a number: {key}_lower, {key}_upper (float ends), {key}_open, {key}_state, {key}_doubt (a code of
columns.DOUBTS that keeps it from passing). Units: those of the registry. Also
tube_factor               correction of tube readings for atmospheric pressure, 1 where none
dew_judged_at_bar         gauge pressure at which the dew point is judged, bar; NaN where it cannot be told
dew_as_tested_lower, _upper, _open, _state   the dew point at the line pressure of the test itself, where it is
                          judged at a higher nominal pressure; else blank
use_temperature_c         lowest use temperature, degC; use_temperature_known (bool)
free_water                dew point certainly above the airline temperature, or liquid water seen
water_source              where the content comes from
station_pressure_given    whether the station's pressure is known, else 1013.25 hPa stands for it
and the derivatives of uncertainty.sensitivities.
Source of the chain: design, "Water, dew point, margin"; the formulae are in humidity.py.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from grader.columns import (
    ATMOSPHERIC_LOW_HPA,
    ATMOSPHERIC_RANGE_HPA,
    BLANK,
    CLEAR,
    DOUBT,
    GASES,
    HOTTEST_USE_C,
    NOT_DETECTED,
    OPEN_LOWER,
    OPEN_NONE,
    OPEN_UPPER,
    PARAMETERS,
    READ,
    SOURCE_CONTENT,
    SOURCE_METER,
    SOURCE_NONE,
    SOURCE_TUBE,
    STAIN,
    SUPPLIED,
    TRACE,
    TUBE_GASES,
    UNREADABLE,
)
from grader.compute.ends import Ends, distinct_rows, first_doubt, of_field, worst
from grader.compute.humidity import dew_point as humidity
from grader.compute.humidity.constants import STANDARD_ATMOSPHERE_HPA
from grader.compute.humidity.sensitivity import sensitivities
from grader.compute.scale import beyond_scale
from grader.frames import above, at_least, text, with_columns
from grader.problems import Problems

# Design: airlines are judged from 1.5 to 40 bar gauge.
AIRLINE_RANGE_BAR = (1.5, 40.0)
WET_MULTIPLIER = 10.0  # common practice, no source: a tenth of the scale's volume on wet systems
SOURCES_AGREE_REL, SOURCES_AGREE_K = 0.05, 2.0
HIGH_PRESSURE = ("charging compressor", "cylinder")
_SOURCE_FIELD = {SOURCE_TUBE: "water_tube_mg_m3", SOURCE_CONTENT: "water_mg_m3", SOURCE_METER: "dew_point_measured_c"}


def compute_water(tests: pd.DataFrame, problems: Problems) -> pd.DataFrame:
    """The table with water, dew points and margin; see the module's text.

    tests   : table after normalise, n rows.
    Returns : table of n rows, same index. Nothing is raised for bad readings: they carry a doubt.
    """
    tests = beyond_scale(tests, problems)
    number = tests.index.to_numpy()
    supply, dryer = text(tests, "supply"), text(tests, "dryer")
    high = np.isin(supply, HIGH_PRESSURE)
    new: dict[str, np.ndarray] = {}
    atmospheric, factor, content_factor, tube_doubt = _atmosphere(tests, problems)
    new["tube_factor"] = factor
    new["station_pressure_given"] = atmospheric != STANDARD_ATMOSPHERE_HPA
    for key in (*GASES, *SUPPLIED):
        column = PARAMETERS[key].column
        ends, doubt = of_field(tests, column), np.zeros(len(tests), dtype=np.int8)
        if key in TUBE_GASES:
            ends, doubt = ends.times(_for_words(tests, column, factor, atmospheric)), tube_doubt
        _put(new, key, ends, doubt)
    pressure_doubt = np.where(_atmospheric_unreadable(tests), DOUBT["atmospheric_unreadable"], 0)

    water, source, water_doubt = _content(
        tests, problems, supply, dryer, factor, content_factor, tube_doubt, atmospheric
    )
    _put(new, "water", water, water_doubt)
    new["water_source"] = source

    judged_at, judged_doubt = _judged_at(tests, problems, high, water.state == READ)
    new["dew_judged_at_bar"] = judged_at
    absolute = humidity.absolute_pressure_pa(judged_at, atmospheric)
    wetter = np.where(water.state == READ, water.upper, np.nan)
    new.update(sensitivities(wetter, tests, source, absolute, atmospheric))
    line_dew, outside = _dew_points(water, absolute)
    _put(new, "dew_as_tested", _as_tested(tests, water, judged_at, atmospheric), np.zeros(len(tests), dtype=np.int8))
    doubt = first_doubt(water_doubt, judged_doubt, pressure_doubt)
    _put(new, "pressure_dew_point", line_dew, doubt)
    one, outside_one = _dew_points(water, np.full(len(tests), STANDARD_ATMOSPHERE_HPA * 100.0))
    for code, field in _SOURCE_FIELD.items():
        problems.add_tests("dew_point_out_of_range", number[(outside | outside_one) & (source == code)], field)
    _put(new, "dew_point_1atm", one, water_doubt)

    temperature, known, temperature_doubt = _use_temperature(tests, problems)
    new["use_temperature_c"], new["use_temperature_known"] = temperature.lower, known
    new["temperature_doubt"] = temperature_doubt
    new["ambient_use_c"] = _ambient_use(tests)
    margin = temperature.minus(line_dew)
    _put(new, "margin", margin, first_doubt(doubt, temperature_doubt))

    line_temperature = of_field(tests, "airline_temperature_c")
    with np.errstate(invalid="ignore"):
        above_line = (
            (line_dew.state == READ) & (line_temperature.state == READ) & above(line_dew.lower, line_temperature.upper)
        )
    seen = text(tests, "liquid_water") == "seen"
    new["dew_above_line"] = above_line
    new["free_water"] = above_line | seen
    return with_columns(tests, new)


def _put(new: dict[str, np.ndarray], key: str, ends: Ends, doubt: np.ndarray) -> None:
    new[f"{key}_lower"], new[f"{key}_upper"] = ends.lower, ends.upper
    new[f"{key}_open"], new[f"{key}_state"] = ends.open.astype(np.int8), ends.state.astype(np.int8)
    # Kept where nothing can be worked out, too: it says why (a dew point without its pressure).
    new[f"{key}_doubt"] = np.where(ends.state != BLANK, doubt, 0).astype(np.int8)


def _atmosphere(tests: pd.DataFrame, problems: Problems) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Atmospheric pressure used (hPa), factor for tubes, factor for a stated content, doubt of tubes."""
    number = tests.index.to_numpy()
    given = of_field(tests, "atmospheric_pressure_hpa")
    asked = text(tests, "tubes_corrected")
    asked_unreadable = tests["tubes_corrected_state"].to_numpy() == UNREADABLE
    plain = (given.state == READ) & (given.lower == given.upper)
    unreadable = _atmospheric_unreadable(tests)
    usable = plain & at_least(given.lower, ATMOSPHERIC_RANGE_HPA[0])
    usable &= at_least(ATMOSPHERIC_RANGE_HPA[1], given.lower)
    problems.add_tests(
        "atmospheric_out_of_range",
        number[plain & ~usable],
        "atmospheric_pressure_hpa",
        low=ATMOSPHERIC_RANGE_HPA[0],
        high=ATMOSPHERIC_RANGE_HPA[1],
    )
    pressure = np.where(usable, given.lower, STANDARD_ATMOSPHERE_HPA)
    ratio = STANDARD_ATMOSPHERE_HPA / pressure
    yes, already = asked == "yes", asked == "already corrected"
    not_asked = ~yes & ~already & ~asked_unreadable
    low = not_asked & usable & (pressure < ATMOSPHERIC_LOW_HPA)
    problems.add_tests("tubes_worse_of_both", number[low], "atmospheric_pressure_hpa", pressure=list(pressure[low]))
    factor = np.where(yes, ratio, np.where(low | (asked_unreadable & usable), np.maximum(ratio, 1.0), 1.0))
    content = np.where(already, 1.0, np.maximum(factor, 1.0))
    doubt = np.zeros(len(tests), dtype=np.int8)
    doubt[unreadable & ~already] = DOUBT["atmospheric_unreadable"]
    # Whether to correct cannot be read: where there is no pressure it may have been a yes.
    lacking = (yes | asked_unreadable) & ~usable & ~unreadable
    doubt[lacking] = DOUBT["correction_without_pressure"]
    problems.add_tests("atmospheric_bound", number[(given.state == READ) & ~plain], "atmospheric_pressure_hpa")
    problems.add_tests("correction_without_pressure", number[lacking & yes], "tubes_corrected")
    return pressure, factor, content, doubt


def _atmospheric_unreadable(tests: pd.DataFrame) -> Any:
    """Where the station pressure cannot be read. A bound says too little to go by: as good as unreadable."""
    given = of_field(tests, "atmospheric_pressure_hpa")
    return (given.state == UNREADABLE) | ((given.state == READ) & (given.lower != given.upper))


def _for_words(tests: pd.DataFrame, column: str, factor: np.ndarray, atmospheric_hpa: np.ndarray) -> np.ndarray:
    """The factor of one tube. Words (stain, clear, ND) are no scale readings: a correction of a few per cent
    that the design holds too small to ask for (980 hPa and more) does not move the figure they stand for."""
    word = np.isin(tests[f"{column}_how"].to_numpy(), (STAIN, CLEAR, TRACE, NOT_DETECTED))
    return np.where(word & (atmospheric_hpa >= ATMOSPHERIC_LOW_HPA), 1.0, factor)


def _content(
    tests: pd.DataFrame,
    problems: Problems,
    supply: np.ndarray,
    dryer: np.ndarray,
    factor: np.ndarray,
    content_factor: np.ndarray,
    tube_doubt: np.ndarray,
    atmospheric_hpa: np.ndarray,
) -> tuple[Ends, np.ndarray, np.ndarray]:
    """Water content in mg/m³ from tube, stated content and dew-point meter: the worse where they disagree."""
    number = tests.index.to_numpy()
    tube, content = of_field(tests, "water_tube_mg_m3"), of_field(tests, "water_mg_m3")
    multiplier = of_field(tests, "water_multiplier")
    high = np.isin(supply, HIGH_PRESSURE)
    wet = ~high & ~np.isin(dryer, ["desiccant", "membrane"])
    blank = multiplier.state == BLANK
    has_tube = tube.state == READ
    problems.add_tests("multiplier_one", number[has_tube & blank & ~wet], "water_multiplier")
    problems.add_tests("multiplier_missing", number[has_tube & blank & wet], "water_multiplier")
    plain = (multiplier.state == READ) & (multiplier.lower == multiplier.upper)
    bad = ~blank & ~(plain & (multiplier.lower >= 1.0))
    problems.add_tests("multiplier_bad", number[has_tube & bad & (multiplier.state == READ)], "water_multiplier")
    odd = has_tube & plain & ~bad & wet & (multiplier.lower != WET_MULTIPLIER)
    problems.add_tests("multiplier_odd", number[odd], "water_multiplier", expected=WET_MULTIPLIER)
    # Without a usable multiplier the tube's own figure is the least there can be: a fail stays one.
    times = np.where(plain & ~bad, multiplier.lower, 1.0)
    from_tube = tube.times(times * _for_words(tests, "water_tube_mg_m3", factor, atmospheric_hpa))
    from_content = content.times(content_factor)

    meter, at = of_field(tests, "dew_point_measured_c"), of_field(tests, "dew_point_measured_at_bar")
    at_plain = (at.state == READ) & (at.lower == at.upper)
    no_pressure = (meter.state == READ) & ~at_plain
    pascal = humidity.absolute_pressure_pa(np.where(at_plain, at.lower, np.nan), atmospheric_hpa)
    from_meter = meter.mapped(
        lambda end: humidity.water_content(humidity.mole_fraction_at_dew_point(end, pascal)), lowest=0.0
    )
    unreached = (meter.state == READ) & at_plain & (from_meter.state != READ)
    problems.add_tests("meter_out_of_range", number[unreached], "dew_point_measured_c")

    whole, source = worst(
        [(from_tube, SOURCE_TUBE), (from_content, SOURCE_CONTENT), (from_meter, SOURCE_METER)], SOURCE_NONE
    )
    any_read = (tube.state == READ) | (content.state == READ) | (meter.state == READ)
    # A meter's figure without its pressure is given but useless: something was read, nothing can be told.
    whole.state = np.where((whole.state != READ) & any_read, UNREADABLE, whole.state)
    problems.add_tests("meter_without_pressure", number[no_pressure], "dew_point_measured_c")
    _disagreements(problems, number, from_tube, from_content, from_meter, meter, pascal)

    unreadable = (tube.state == UNREADABLE) | (content.state == UNREADABLE) | (meter.state == UNREADABLE)
    doubt = first_doubt(
        np.where(unreadable | unreached, DOUBT["water_source_unreadable"], 0),
        np.where(has_tube & blank & wet, DOUBT["multiplier_missing"], 0),
        np.where(has_tube & bad, DOUBT["multiplier_bad"], 0),
        # Beside a tube too: it may be the worse of the two.
        np.where(no_pressure, DOUBT["meter_without_pressure"], 0),
        np.where((tube.state == READ) | (content.state == READ), tube_doubt, 0),
        np.where((meter.state == READ) & _atmospheric_unreadable(tests), DOUBT["atmospheric_unreadable"], 0),
    )
    return whole, source, doubt


def _disagreements(
    problems: Problems,
    number: np.ndarray,
    tube: Ends,
    content: Ends,
    meter: Ends,
    meter_dew: Ends,
    meter_pascal: np.ndarray,
) -> None:
    with np.errstate(invalid="ignore", divide="ignore"):
        both = (tube.state == READ) & (content.state == READ)
        apart = both & (
            np.maximum(tube.lower, content.lower) > np.minimum(tube.upper, content.upper) * (1.0 + SOURCES_AGREE_REL)
        )
        problems.add_tests("water_sources_disagree", number[apart], "water_mg_m3")
        other = worst([(tube, 1), (content, 2)], 0)[0]
        compared = (meter.state == READ) & (other.state == READ)
        dew = humidity.dew_point(humidity.mole_fraction(np.where(compared, other.upper, np.nan)), meter_pascal)
        low = humidity.dew_point(humidity.mole_fraction(np.where(compared, other.lower, np.nan)), meter_pascal)
        apart = compared & ((low - meter_dew.upper > SOURCES_AGREE_K) | (meter_dew.lower - dew > SOURCES_AGREE_K))
        problems.add_tests("meter_disagrees", number[apart], "dew_point_measured_c", kelvin=SOURCES_AGREE_K)


def _judged_at(
    tests: pd.DataFrame, problems: Problems, high: np.ndarray, tested: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Gauge pressure (bar) at which an airline's dew point is judged: the higher of line and nominal."""
    number = tests.index.to_numpy()
    line, nominal = of_field(tests, "line_pressure_bar"), of_field(tests, "nominal_pressure_bar")
    line_bar = np.where(line.state == READ, line.upper, np.nan)
    nominal_bar = np.where(nominal.state == READ, nominal.upper, np.nan)
    judged = np.fmax(line_bar, nominal_bar)
    one = ~high & tested & (np.isnan(line_bar) ^ np.isnan(nominal_bar))
    problems.add_tests("dew_point_at_line", number[one & ~np.isnan(line_bar)], "line_pressure_bar")
    problems.add_tests("dew_point_at_nominal", number[one & ~np.isnan(nominal_bar)], "nominal_pressure_bar")
    unreadable = (line.state == UNREADABLE) | (nominal.state == UNREADABLE)
    outside = above(AIRLINE_RANGE_BAR[0], judged) | above(judged, AIRLINE_RANGE_BAR[1])
    doubt = first_doubt(
        np.where(unreadable, DOUBT["pressure_unreadable"], 0),
        np.where(np.isnan(judged), DOUBT["pressure_missing"], 0),
        np.where(outside, DOUBT["pressure_out_of_range"], 0),
    )
    return np.where(high | outside, np.nan, judged), np.where(high, 0, doubt).astype(np.int8)


def _dew_points(water: Ends, pressure_pa: np.ndarray) -> tuple[Ends, np.ndarray]:
    """Dew or frost point of both ends, and where the formulae's range was left (said, never silent)."""
    n = len(water.lower)
    lower, upper = np.full(n, np.nan), np.full(n, np.nan)
    use = (water.state == READ) & ~np.isnan(pressure_pa)
    outside = np.zeros(n, dtype=bool)
    rows = np.flatnonzero(use)
    # Both ends at once, each different pair once: the two ends of a plain reading are one number.
    short, back = distinct_rows(np.concatenate([water.lower[rows], water.upper[rows]]), np.tile(pressure_pa[rows], 2))
    finite = np.isfinite(short[0])
    x = humidity.mole_fraction(np.where(finite, short[0], np.nan))
    nought = finite & (short[0] <= 0.0)
    dew = np.where(np.isposinf(short[0]), np.inf, humidity.dew_point(x, short[1]))
    dew = np.where(nought, -np.inf, dew)
    (low, high), (low_code, high_code), (low_zero, high_zero) = (
        np.split(found[back], 2) for found in (dew, humidity.dew_point_validity(x, short[1]), nought)
    )
    # Too dry for the formulae: below their range, a bound. Too wet: above it. Neither is silent.
    dry_low = (low_code == humidity.TOO_DRY) & ~low_zero
    dry_high = (high_code == humidity.TOO_DRY) & ~high_zero
    # More water than pure vapour holds is no air at all, and no drier for it.
    wet_low = np.isin(low_code, (humidity.TOO_HOT, humidity.NOT_A_FRACTION))
    wet_high = np.isin(high_code, (humidity.TOO_HOT, humidity.NOT_A_FRACTION))
    low = np.where(dry_low, -np.inf, np.where(wet_low, humidity.HIGHEST_DEW_POINT_C, low))
    high = np.where(dry_high, humidity.LOWEST_DEW_POINT_C, np.where(wet_high, np.inf, high))
    # A reading of nought gives no dew point at all: everything below the range.
    high = np.where(high_zero, humidity.LOWEST_DEW_POINT_C, high)
    lower[rows], upper[rows] = low, high
    outside[rows] = dry_high | wet_low
    state = np.where(use & ~np.isnan(lower) & ~np.isnan(upper), READ, np.where(water.state == BLANK, BLANK, UNREADABLE))
    open_ = np.where(lower == upper, OPEN_NONE, water.open)
    open_ = np.where(np.isneginf(lower) & (open_ == OPEN_NONE), OPEN_UPPER, open_)
    open_ = np.where(np.isposinf(upper) & (open_ == OPEN_NONE), OPEN_LOWER, open_)
    return Ends(lower, upper, open_, state), outside


def _as_tested(tests: pd.DataFrame, water: Ends, judged_at: np.ndarray, atmospheric: np.ndarray) -> Ends:
    """Dew point at the line pressure during the test, only where the nominal pressure judged at is higher."""
    line = of_field(tests, "line_pressure_bar")
    with np.errstate(invalid="ignore"):
        lower_line = (line.state == READ) & (line.lower == line.upper) & above(judged_at, line.upper)
    found, _ = _dew_points(water, humidity.absolute_pressure_pa(np.where(lower_line, line.upper, np.nan), atmospheric))
    return Ends(found.lower, found.upper, found.open, np.where(lower_line, found.state, BLANK))


def _use_temperature(tests: pd.DataFrame, problems: Problems) -> tuple[Ends, np.ndarray, np.ndarray]:
    """Lowest of airline, ambient and stated lowest use temperature; known only with one of the latter two."""
    number = tests.index.to_numpy()
    line = of_field(tests, "airline_temperature_c")
    ambient = of_field(tests, "ambient_temperature_c")
    stated = of_field(tests, "lowest_use_temperature_c")
    lowers, uppers = [], []
    known = np.zeros(len(tests), dtype=bool)
    for name, ends in (
        ("airline_temperature_c", line),
        ("ambient_temperature_c", ambient),
        ("lowest_use_temperature_c", stated),
    ):
        use = ends.state == READ
        if name != "airline_temperature_c":
            hot = use & above(ends.upper, HOTTEST_USE_C)
            problems.add_tests("use_temperature_hot", number[hot], name, limit=HOTTEST_USE_C)
            use = use & ~hot
            known |= use
        lowers.append(np.where(use, ends.lower, np.nan))
        uppers.append(np.where(use, ends.upper, np.nan))
    unreadable = np.zeros(len(tests), dtype=bool)
    for ends in (line, ambient, stated):
        # "<20" says nothing of how cold it gets.
        unreadable |= (ends.state == UNREADABLE) | ((ends.state == READ) & np.isneginf(ends.lower))
    lower = np.fmin(np.fmin(lowers[0], lowers[1]), lowers[2])
    upper = np.fmin(np.fmin(uppers[0], uppers[1]), uppers[2])
    # Unknown does not become known by an unreadable cell, but nothing that rests on it can pass.
    doubt = np.where(unreadable, DOUBT["temperature_unreadable"], 0).astype(np.int8)
    state = np.where(known, READ, BLANK)
    lower, upper = np.where(known, lower, np.nan), np.where(known, upper, np.nan)
    return Ends(lower, upper, np.where(lower == upper, OPEN_NONE, OPEN_LOWER), state), known, doubt


def _ambient_use(tests: pd.DataFrame) -> np.ndarray:
    """Temperature for a rule that counts from ambient, degC: the lower of ambient and stated lowest use.

    NaN where neither is given. The stated one alone is the colder, hence the stricter of the two.
    """
    ends = []
    for name in ("ambient_temperature_c", "lowest_use_temperature_c"):
        one = of_field(tests, name)
        use = (one.state == READ) & at_least(HOTTEST_USE_C, one.upper) & np.isfinite(one.lower)
        ends.append(np.where(use, one.lower, np.nan))
    return np.fmin(ends[0], ends[1])
