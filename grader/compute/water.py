"""Water content, pressure dew point, dew point at one atmosphere, margin: from what was written down.

One table of tests in, the same table with these columns more; for each key of data/parameters.toml that holds
a number: {key}_lower, {key}_upper (float ends), {key}_open, {key}_state, {key}_doubt (a code of
columns.DOUBTS that keeps it from passing). Units: those of the registry. Also
tube_factor               correction of tube readings for atmospheric pressure, 1 where none
dew_judged_at_bar         gauge pressure at which the dew point is judged, bar; NaN where it cannot be told
dew_as_tested_lower, _upper, _open, _state   the dew point at the line pressure of the test itself, where it is
                          judged at a higher nominal pressure; else blank
use_temperature_c         lowest use temperature, degC; use_temperature_known (bool)
ambient_use_c, ambient_use_upper_c, ambient_use_by   what a rule that counts from ambient counts from
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
    FROM_AMBIENT,
    FROM_COLDER,
    FROM_NONE,
    FROM_STATED,
    GASES,
    HIGH_PRESSURE,
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
    USUAL_OIL_SAMPLING_MIN,
    WATER,
)
from grader.compute.ends import Ends, distinct_rows, first_doubt, of_field, worst
from grader.compute.humidity import dew_point as humidity
from grader.compute.humidity.constants import STANDARD_ATMOSPHERE_HPA
from grader.compute.humidity.sensitivity import sensitivities
from grader.compute.scale import beyond_scale
from grader.frames import RELATIVE_TOLERANCE, above, at_least, by_laboratory, text, with_columns
from grader.problems import Problems

# Design: airlines are judged from 1.5 to 40 bar gauge.
AIRLINE_RANGE_BAR = (1.5, 40.0)
WET_MULTIPLIER = 10.0  # common practice, no source: a tenth of the scale's volume on wet systems
SOURCES_AGREE_REL, SOURCES_AGREE_K = 0.05, 2.0
# Ends of the names of columns made here that the judge is the last to read.
OF_COMPUTING = (
    "_per_ln_water", "_per_ln_pressure", "_pressure_pa", "_doubtful", "oil_needs_min", "dew_above_line",
    "dew_as_tested_doubt", "station_pressure_given", "temperature_doubt",
)  # fmt: skip
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
    clear_needs, clear_short = _clear_at_altitude(tests, factor, atmospheric)
    new["oil_needs_min"] = _oil_minutes_needed(tests)
    new["oil_clear_needs_min"] = np.where(clear_short, clear_needs, np.nan)
    none = np.zeros(len(tests), dtype=np.int8)
    for key in (*GASES, *SUPPLIED):
        column = PARAMETERS[key].column
        ends, doubt = of_field(tests, column), none
        tube_factor = np.ones(len(tests))
        if key in TUBE_GASES:
            tube_factor = _of_tube(tests, column, factor, atmospheric)
            clear = (key == "oil") & (clear_needs > 0)
            elsewhere = by_laboratory(tests, key)  # not drawn through a tube at this station
            tube_factor = np.where(clear | elsewhere, 1.0, tube_factor)
            doubt = first_doubt(tube_doubt, np.where(clear & clear_short, DOUBT["oil_clear_short"], 0))
            doubt = np.where(elsewhere, 0, doubt)
        new[f"{key}_factor"] = tube_factor
        new[f"{key}_doubtful"] = _doubtful(ends, tube_factor)
        _put(new, key, ends.times(tube_factor), doubt)
    pressure_doubt = np.where(_atmospheric_unreadable(tests), DOUBT["atmospheric_unreadable"], 0)

    water, source, water_doubt, least = _content(
        tests, problems, supply, dryer, factor, content_factor, tube_doubt, atmospheric
    )
    new["water_source"] = source

    judged_low, judged_high, judged_doubt = _judged_at(tests, problems, high, water.state == READ)
    judged_at = np.where(np.isnan(judged_high), judged_low, judged_high)
    new["dew_judged_at_bar"] = judged_at
    absolute = humidity.absolute_pressure_pa(judged_at, atmospheric)
    wetter = np.where(water.state == READ, water.upper, np.nan)
    new.update(sensitivities(wetter, tests, source, absolute, atmospheric))
    lowest = humidity.absolute_pressure_pa(judged_low, atmospheric)
    line_dew, outside = _dew_points(water, lowest, humidity.absolute_pressure_pa(judged_high, atmospheric))
    _put(new, "dew_as_tested", _as_tested(tests, water, judged_at, atmospheric), np.zeros(len(tests), dtype=np.int8))
    line_temperature = of_field(tests, "airline_temperature_c")
    liquid, liquid_doubt = _liquid_in_line(tests, high, line_dew, line_temperature)
    water_doubt = first_doubt(water_doubt, liquid_doubt)
    _put(new, "water", water, water_doubt)
    new["water_doubtful"] = least
    new["pressure_dew_point_doubtful"] = _doubtful_dew(least, water, line_dew, absolute)
    doubt = first_doubt(water_doubt, judged_doubt, pressure_doubt)
    _put(new, "pressure_dew_point", line_dew, doubt)
    standard = np.full(len(tests), STANDARD_ATMOSPHERE_HPA * 100.0)
    one, outside_one = _dew_points(water, standard, standard)
    for code, field in _SOURCE_FIELD.items():
        problems.add_tests("dew_point_out_of_range", number[(outside | outside_one) & (source == code)], field)
    _put(new, "dew_point_1atm", one, water_doubt)

    temperature, known, temperature_doubt = _use_temperature(tests, problems)
    new["use_temperature_c"], new["use_temperature_known"] = temperature.lower, known
    new["temperature_doubt"] = temperature_doubt
    new["ambient_use_c"], new["ambient_use_upper_c"], new["ambient_use_by"] = _ambient_use(tests)
    margin = temperature.minus(line_dew)
    _put(new, "margin", margin, first_doubt(doubt, temperature_doubt))

    seen = text(tests, "liquid_water") == "seen"
    new["dew_above_line"] = liquid
    new["free_water"] = liquid | seen
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


def _of_tube(tests: pd.DataFrame, column: str, factor: np.ndarray, atmospheric_hpa: np.ndarray) -> np.ndarray:
    """The factor of one tube. Words (stain, clear, ND) and bounds say that a colour stayed below a mark or passed it:
    a correction of a few per cent that the design holds too small to ask for (980 hPa and more) does not move it."""
    word = np.isin(tests[f"{column}_how"].to_numpy(), (STAIN, CLEAR, TRACE, NOT_DETECTED))
    ends = of_field(tests, column)
    word |= (ends.state == READ) & (ends.lower != ends.upper)
    return np.where(word & (atmospheric_hpa >= ATMOSPHERIC_LOW_HPA), 1.0, factor)


def _clear_at_altitude(
    tests: pd.DataFrame, factor: np.ndarray, atmospheric_hpa: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Minutes after which `clear` means at most 0.5 mg/m³ below 980 hPa (n,), NaN elsewhere; and where it was less.

    A tube at lower pressure is drawn the longer, in the ratio of the pressures; the time is never shortened.
    """
    clear = (tests["oil_mg_m3_how"].to_numpy() == CLEAR) & (tests["oil_mg_m3_state"].to_numpy() == READ)
    here = clear & (factor != 1.0) & (atmospheric_hpa < ATMOSPHERIC_LOW_HPA)
    needs = np.where(here, _oil_minutes_needed(tests) * STANDARD_ATMOSPHERE_HPA / atmospheric_hpa, np.nan)
    sampled = of_field(tests, "oil_sampling_min")
    return needs, here & (sampled.state == READ) & ~at_least(sampled.lower, needs)


def _oil_minutes_needed(tests: pd.DataFrame) -> np.ndarray:
    """Sampling time that an oil tube needs at 1013.25 hPa, min (n,): as stated, else the usual one."""
    stated = of_field(tests, "oil_sampling_needed_min")
    return np.where((stated.state == READ) & (stated.upper > 0), stated.upper, USUAL_OIL_SAMPLING_MIN)


def _doubtful(ends: Ends, factor: np.ndarray) -> np.ndarray:
    """The lower of raw and corrected upper ends (n,), a hair less for `<`: what the plausibility queries look at."""
    least = ends.upper * np.minimum(factor, 1.0)
    least = np.where(ends.open == OPEN_UPPER, least * (1.0 - 10.0 * RELATIVE_TOLERANCE), least)
    return np.where(ends.state == READ, least, np.nan)


def _liquid_in_line(tests: pd.DataFrame, high: np.ndarray, dew: Ends, airline: Ends) -> tuple[np.ndarray, np.ndarray]:
    """Where a dew point lies above the airline temperature for certain, and the doubt where it may.

    Both ends of pressure, water and temperature count: a fail only where all lie above, no pass where some do.
    """
    with np.errstate(invalid="ignore"):
        both = ~high & (dew.state == READ) & (airline.state == READ)
        liquid = both & above(dew.lower, airline.upper)
        perhaps = both & ~liquid & above(dew.upper, airline.lower)
    unreadable = np.any(
        [tests[f"{name}_state"].to_numpy() == UNREADABLE for name in ("line_pressure_bar", "nominal_pressure_bar")],
        axis=0,
    )
    return liquid, first_doubt(
        np.where(~high & unreadable, DOUBT["pressure_unreadable"], 0),
        np.where(~high & (airline.state == UNREADABLE), DOUBT["temperature_unreadable"], 0),
        np.where(perhaps, DOUBT["liquid_water_open"], 0),
    )


def _doubtful_dew(least: np.ndarray, water: Ends, dew: Ends, pressure_pa: np.ndarray) -> np.ndarray:
    """Dew point of the driest form of a water reading, degC (n,): that of its upper end but where a drier one is given."""
    found = np.where(dew.state == READ, dew.upper, np.nan)
    with np.errstate(invalid="ignore"):
        drier = np.flatnonzero((dew.state == READ) & np.isfinite(dew.upper) & (least < water.upper) & (least > 0))
    short, back = distinct_rows(least[drier], pressure_pa[drier])
    x = humidity.mole_fraction(short[0])
    dry = humidity.dew_point_validity(x, short[1]) == humidity.TOO_DRY
    found[drier] = np.where(dry, humidity.LOWEST_DEW_POINT_C, humidity.dew_point(x, short[1]))[back]
    return found


def _content(
    tests: pd.DataFrame,
    problems: Problems,
    supply: np.ndarray,
    dryer: np.ndarray,
    factor: np.ndarray,
    content_factor: np.ndarray,
    tube_doubt: np.ndarray,
    atmospheric_hpa: np.ndarray,
) -> tuple[Ends, np.ndarray, np.ndarray, np.ndarray]:
    """Water content in mg/m³ from tube, stated content and dew-point meter: the worse where they disagree.

    Returns: the content, its source, its doubt, and the driest form that any of them has: what plausibility looks at.
    """
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
    of_tube = _of_tube(tests, "water_tube_mg_m3", factor, atmospheric_hpa)
    from_tube = tube.times(times * of_tube)
    elsewhere = by_laboratory(tests, WATER)
    of_content = np.where(elsewhere, 1.0, _of_tube(tests, "water_mg_m3", content_factor, atmospheric_hpa))
    from_content = content.times(of_content)

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
        np.where((tube.state == READ) | (content.state == READ) & ~elsewhere, tube_doubt, 0),
        np.where((meter.state == READ) & _atmospheric_unreadable(tests), DOUBT["atmospheric_unreadable"], 0),
    )
    driest = [
        _doubtful(tube.times(times), of_tube),
        _doubtful(content, of_content),
        _doubtful(from_meter, np.ones(len(tests))),
    ]
    return whole, source, doubt, np.fmin(np.fmin(driest[0], driest[1]), driest[2])


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
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Gauge pressure (bar) at which an airline's dew point is judged, the higher of line and nominal: its two ends.

    Returns: lower and upper end, NaN for one outside the range that an airline is judged in (an open one is), and the
    doubt. More pressure is worse: what fails at the lower end fails, what passes at the upper end passes.
    """
    number = tests.index.to_numpy()
    line, nominal = of_field(tests, "line_pressure_bar"), of_field(tests, "nominal_pressure_bar")
    line_bar = np.where(line.state == READ, line.upper, np.nan)
    nominal_bar = np.where(nominal.state == READ, nominal.upper, np.nan)
    one = ~high & tested & (np.isnan(line_bar) ^ np.isnan(nominal_bar))
    problems.add_tests("dew_point_at_line", number[one & ~np.isnan(line_bar)], "line_pressure_bar")
    problems.add_tests("dew_point_at_nominal", number[one & ~np.isnan(nominal_bar)], "nominal_pressure_bar")
    unreadable = (line.state == UNREADABLE) | (nominal.state == UNREADABLE)
    judged = np.fmax(line_bar, nominal_bar)
    lowest = np.fmax(*(np.where(ends.state == READ, ends.lower, np.nan) for ends in (line, nominal)))
    inside = [at_least(end, AIRLINE_RANGE_BAR[0]) & at_least(AIRLINE_RANGE_BAR[1], end) for end in (lowest, judged)]
    doubt = first_doubt(
        np.where(unreadable, DOUBT["pressure_unreadable"], 0),
        np.where(np.isnan(judged), DOUBT["pressure_missing"], 0),
        np.where(~inside[1], DOUBT["pressure_out_of_range"], 0),
    )
    return (
        np.where(~high & inside[0], lowest, np.nan),
        np.where(~high & inside[1] & ~unreadable, judged, np.nan),
        np.where(high, 0, doubt).astype(np.int8),
    )


def _dew_points(water: Ends, lowest_pa: np.ndarray, highest_pa: np.ndarray) -> tuple[Ends, np.ndarray]:
    """Dew or frost point of both ends, and where the formulae's range was left (said, never silent).

    lowest_pa, highest_pa : ends of the pressure. An end that is NaN leaves that end of the dew point open.
    """
    n = len(water.lower)
    lower, upper = np.full(n, np.nan), np.full(n, np.nan)
    open_low, open_high = np.isnan(lowest_pa), np.isnan(highest_pa)
    use = (water.state == READ) & ~(open_low & open_high)
    outside = np.zeros(n, dtype=bool)
    rows = np.flatnonzero(use)
    # Both ends at once, each different pair once: the two ends of a plain reading are one number.
    short, back = distinct_rows(
        np.concatenate([water.lower[rows], water.upper[rows]]), np.concatenate([lowest_pa[rows], highest_pa[rows]])
    )
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
    lower[rows] = np.where(open_low[rows], -np.inf, low)
    upper[rows] = np.where(open_high[rows], np.inf, high)
    outside[rows] = dry_high | wet_low
    state = np.where(use & ~np.isnan(lower) & ~np.isnan(upper), READ, np.where(water.state == BLANK, BLANK, UNREADABLE))
    open_ = np.where(lower == upper, OPEN_NONE, water.open)
    # Beyond the range an end is put at its edge, and lies further out; `≥` and `≤` stay what they are.
    open_[rows[(dry_high | high_zero) & ~open_high[rows]]] = OPEN_UPPER
    open_[rows[wet_low & ~open_low[rows]]] = OPEN_LOWER
    return Ends(lower, upper, open_, state), outside


def _as_tested(tests: pd.DataFrame, water: Ends, judged_at: np.ndarray, atmospheric: np.ndarray) -> Ends:
    """Dew point at the line pressure during the test, only where the nominal pressure judged at is higher."""
    line = of_field(tests, "line_pressure_bar")
    with np.errstate(invalid="ignore"):
        lower_line = (line.state == READ) & (line.lower == line.upper) & above(judged_at, line.upper)
    pascal = humidity.absolute_pressure_pa(np.where(lower_line, line.upper, np.nan), atmospheric)
    found, _ = _dew_points(water, pascal, pascal)
    return Ends(found.lower, found.upper, found.open, np.where(lower_line, found.state, BLANK))


def _use_temperature(tests: pd.DataFrame, problems: Problems) -> tuple[Ends, np.ndarray, np.ndarray]:
    """Lowest of airline, ambient and stated lowest use temperature; known only with one of the latter two."""
    number = tests.index.to_numpy()
    line = of_field(tests, "airline_temperature_c")
    ambient = of_field(tests, "ambient_temperature_c")
    stated = of_field(tests, "lowest_use_temperature_c")
    lowers, uppers = [], []
    known, perhaps = np.zeros((2, len(tests)), dtype=bool)
    for name, ends in (
        ("airline_temperature_c", line),
        ("ambient_temperature_c", ambient),
        ("lowest_use_temperature_c", stated),
    ):
        use = use_at_worst = ends.state == READ
        if name != "airline_temperature_c":
            hot = use & above(ends.upper, HOTTEST_USE_C)
            problems.add_tests("use_temperature_hot", number[hot], name, limit=HOTTEST_USE_C)
            # A bound that reaches over it counts at the end that lies below, and makes nothing known.
            use, use_at_worst = use & ~hot, use & ~above(ends.lower, HOTTEST_USE_C)
            known |= use
            perhaps |= use_at_worst
        lowers.append(np.where(use_at_worst, ends.lower, np.nan))
        uppers.append(np.where(use, ends.upper, np.nan))
    unreadable = perhaps & ~known
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


def _ambient_use(tests: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Ends of the temperature that a rule counts from ambient from, degC: the lower of ambient and stated lowest use;
    and which of the two that is, codes FROM_*.

    NaN where neither is known. The stated one alone is the colder, hence the stricter of the two.
    """
    lowers, uppers, knowns = [], [], []
    for name in ("ambient_temperature_c", "lowest_use_temperature_c"):
        one = of_field(tests, name)
        read = one.state == READ
        here = read & at_least(HOTTEST_USE_C, one.upper)
        knowns.append(here)
        lowers.append(np.where(read & at_least(HOTTEST_USE_C, one.lower), one.lower, np.nan))
        uppers.append(np.where(here, one.upper, np.nan))
    known, (ambient, stated) = knowns[0] | knowns[1], knowns
    colder = ambient & stated & above(lowers[0], lowers[1])
    by = np.select([colder, ambient, stated], [FROM_COLDER, FROM_AMBIENT, FROM_STATED], FROM_NONE).astype(np.int8)
    return np.where(known, np.fmin(*lowers), np.nan), np.where(known, np.fmin(*uppers), np.nan), by
