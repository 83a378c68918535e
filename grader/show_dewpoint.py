"""The whole chain of one dew point in words, for `grader dewpoint`."""

from __future__ import annotations

import math

import numpy as np

from grader.compute.humidity import dew_point as humidity
from grader.compute.humidity.constants import PA_PER_BAR, PA_PER_HPA, STANDARD_ATMOSPHERE_HPA, TRIPLE_POINT_C
from grader.compute.humidity.sensitivity import of_dew_point
from grader.compute.humidity.supercooled import dew_point_over_supercooled
from grader.figures import plain
from grader.judge.carried import relative_of_pressure
from grader.judge.purity import class_of
from grader.judge.rules.sets import DEFAULT_RULESET, load_ruleset
from grader.judge.uncertainty import COVERAGE_FACTOR, standards

PURITY = "iso8573-1-2010"


def dewpoint_lines(
    water_mg_m3: float, line_bar: float, multiplier: float = 1.0, atmospheric_hpa: float = STANDARD_ATMOSPHERE_HPA
) -> list[str]:
    """Lines from water content to lowest safe use temperature, each figure with its uncertainty at k = 2.

    water_mg_m3     : reading of the tube, at 20 degC and 1013.25 hPa; times `multiplier` it is the content.
    line_bar        : gauge pressure, bar. atmospheric_hpa : station pressure, hPa.
    Returns         : list of str.
    """
    standard = standards()
    content = water_mg_m3 * multiplier
    x = float(humidity.mole_fraction(content))
    relative = float(standard["water"].at(water_mg_m3)) / water_mg_m3 if water_mg_m3 > 0 else math.nan
    line_pa = float(humidity.absolute_pressure_pa(line_bar, atmospheric_hpa))
    given = atmospheric_hpa != STANDARD_ATMOSPHERE_HPA
    of_pressure = float(relative_of_pressure(line_bar, line_pa, given, standard["pressure"]))
    k = COVERAGE_FACTOR
    lines = [
        f"Water content: {content:.6g} mg/m³ at 20 °C and 1013.25 hPa{_plus(k * relative * content, 'mg/m³')}",
        f"Mole fraction: {plain(float(f'{1e6 * x:.4g}'))} ppm by volume{_plus(k * relative * 1e6 * x, 'ppm')}",
        f"Absolute pressure of the line: {plain(float(f'{line_pa / PA_PER_BAR:.4g}'))} bar ({line_bar:g} bar gauge, "
        f"{atmospheric_hpa:g} hPa){_plus(k * of_pressure * line_pa / PA_PER_BAR, 'bar')}",
    ]
    dew, u_dew = math.nan, math.nan
    for name, pascal, u_ln_p in (
        (f"at {line_bar:g} bar", line_pa, of_pressure),
        ("at one atmosphere", STANDARD_ATMOSPHERE_HPA * PA_PER_HPA, 0.0),
    ):
        code = int(humidity.dew_point_validity(x, pascal))
        if code:
            lines.append(f"Dew point {name}: none, {humidity.VALIDITY_NAMES[code]}")
            continue
        here = float(humidity.dew_point(x, pascal))
        u_here = float(of_dew_point(x, pascal, relative, u_ln_p))
        if pascal == line_pa:
            dew, u_dew = here, u_here
        over = "frost point, over ice" if here < TRIPLE_POINT_C else "over water"
        other = dew_point_over_supercooled(x, pascal) if here < 0.0 else math.nan
        cooled = "" if math.isnan(other) else f"; {other:.1f} °C over supercooled water, not used"
        lines.append(f"Dew point {name}: {here:.1f} °C{_plus(k * u_here, 'K')} ({over}{cooled})")
    if not math.isnan(dew):
        lines += _judged(dew, u_dew)
    lines.append("± is the expanded uncertainty (k = 2); where it is from stands on the sheet Limits of a result.")
    lines.append("The competent person decides; local law and the standard rule.")
    return lines


def _judged(dew_c: float, u_dew_k: float) -> list[str]:
    """Purity class, and how cold it may get."""
    purity, rules = load_ruleset(PURITY), load_ruleset(DEFAULT_RULESET)
    found = str(class_of(purity, "Pressure dew point", np.array([dew_c]))[0])
    shown = found or "none, wetter than its last dew point class"
    margin = next(x.low for x in rules.limits_for("Dew point margin", "airline") if x.low is not None)
    u = math.hypot(u_dew_k, standards()["margin"].absolute)
    return [
        f"{purity.document}:{purity.edition}: {shown}, for information",
        f"Lowest safe use temperature: {dew_c + margin:.1f} °C{_plus(COVERAGE_FACTOR * u, 'K')} "
        f"({rules.document}:{rules.edition}, airlines: {margin:g} K above the pressure dew point)",
    ]


def _plus(expanded: float, unit: str) -> str:
    """Two digits, and never rounded down."""
    if math.isnan(expanded) or expanded <= 0:
        return ""
    step = 10.0 ** (math.floor(math.log10(expanded)) - 1)
    return f" ± {plain(float(f'{math.ceil(expanded / step - 1e-6) * step:.2g}'))} {unit}"
