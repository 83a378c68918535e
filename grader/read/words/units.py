"""Units: which a field accepts, readings in another one -> the field's own, figures that contradict them.

All units, spellings, thresholds and sources are data (data/units.toml). Nothing here loads numpy: the reading
child asks for `canonical`, `belongs` and `assumed`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from functools import cache, lru_cache
from typing import Any, NamedTuple

from grader.columns import field_named
from grader.data import load_toml
from grader.read.words.spelling import known_unit

# What a table states as the unit of a column that gives none and needs one: no field accepts it, so plain
# numbers are not read, while a cell with a unit of its own, or a word such as "no stain", still is.
UNTOLD = "not stated"

_ROUNDING = 1e-9


class Kind(NamedTuple):
    """What a group of fields accepts.

    units     : canonical ids, the usual first.
    substance : key of the molar masses that joins volume and mass, or "".
    needed    : a unit must be stated, or the figures are not read.
    default   : unit taken where none is stated, or "".
    plain     : the default is taken only where every figure but 0 lies between these (in that unit), or None.
    why       : why a unit is needed, or may be assumed.
    """

    units: tuple[str, ...] = ()
    substance: str = ""
    needed: bool = False
    default: str = ""
    plain: tuple[float, float] | None = None
    why: str = ""


class Clash(NamedTuple):
    """Figures that contradict the unit stated for them.

    supplies   : supplies (canonical words) it holds for; empty: any.
    dry        : holds for air that is dried far down only (True), for other air only (False), for any (None).
    perhaps    : what the unit may be instead, for the words.
    parameters : keys of data/parameters.toml whose pass it turns into cannot tell; none: it is asked only.
    below, above : the figures beyond which it clashes (-inf and inf: no such end).
    nought     : what a figure of 0 in the stated unit is; at it and below, nothing clashes with `below`.
    """

    supplies: tuple[str, ...]
    dry: bool | None
    perhaps: str
    parameters: tuple[str, ...]
    below: float
    above: float
    nought: float = 0.0

    def hits(self, lower: Any, upper: Any = None, below: Any = False) -> Any:
        """Whether each reading clashes: bool, or bool array of the shape of its ends (0 and NaN never do).

        upper : None where the readings are plain. below : where a reading lies below its upper end, not at it.
        """
        upper = lower if upper is None else upper
        small = (upper < self.below) | ((upper == self.below) & below)
        return (upper > self.nought) & small | (lower > self.above)


@cache
def _kinds() -> dict[str, Kind]:
    """Number field -> what it accepts."""
    made = {}
    for entry in load_toml("units.toml")["kind"].values():
        of: dict[str, Any] = {name: tuple(v) if type(v) is list else v for name, v in entry.items() if name != "fields"}
        made.update(dict.fromkeys(entry["fields"], Kind(**of)))
    return made


def _kind(field: str) -> Kind:
    return _kinds().get(field, Kind())


@lru_cache(maxsize=50_000)  # asked of every text that may be a unit
def canonical(text: str) -> str | None:
    """Canonical id of a unit's spelling, None where it is no unit that data/units.toml knows.

    >>> canonical("l / min."), canonical("[mg/m3]"), canonical("CO")
    ('L/min', 'mg/m³', None)
    """
    found = known_unit(text)
    if found is None:
        inner = text.strip()
        while len(inner) > 2 and inner[0] + inner[-1] in ("()", "[]", "{}"):
            inner = inner[1:-1].strip()
        found = known_unit(inner)
    return found


def belongs(field: str, unit: str) -> bool:
    """Whether a number field accepts readings in a unit (canonical id).

    >>> belongs("water_mg_m3", "ppm"), belongs("oil_mg_m3", "ppm"), belongs("site", "bar")
    (True, False, False)
    """
    return unit in _kind(field).units


def accepted(field: str) -> tuple[str, ...]:
    """Canonical ids of the units a field accepts, the usual first; empty for a field that is no number."""
    return _kind(field).units


def quantity(unit: str) -> str:
    """What a unit (canonical id) measures, "" where it is none.

    >>> quantity("psi"), quantity("ppm"), quantity("?")
    ('pressure', 'content by volume', '')
    """
    return str(load_toml("units.toml")["unit"].get(unit, {}).get("quantity", ""))


def unit_needed(field: str) -> bool:
    """Whether the figures of a field are not read where no unit is stated anywhere.

    >>> unit_needed("water_tube_mg_m3"), unit_needed("co_ppm"), unit_needed("site")
    (True, False, False)
    """
    return _kind(field).needed


def assumed(field: str, values: Iterable[Any] = ()) -> str | None:
    """The unit that is meant where a column states none.

    field   : str. Field name.
    values  : cells of the column; only plain numbers are looked at.
    Returns : canonical id; None where it cannot be told (always so where `unit_needed`, else where a figure
              other than 0 lies outside the range in which nothing else can be meant).

    >>> assumed("co2_ppm", [420, 0.0, "ND"]), assumed("co2_ppm", [0.042]), assumed("water_mg_m3", [60])
    ('ppm', None, None)
    """
    kind = _kind(field)
    if kind.needed or not kind.units:
        return None
    low, high = kind.plain or (0, 0)
    if kind.plain and any(type(v) in (int, float) and v != 0 and not low <= v <= high for v in values):
        return None
    return kind.default or kind.units[0]


def column_unit(
    field: str, stated: str | None, values: Iterable[Any] = ()
) -> tuple[str, list[tuple[str, dict[str, str]]]]:
    """The unit of a column, and what must be said of it.

    field   : str. Field name.
    stated  : canonical id or spelling that a heading, a second row, a column or a layout states, or None.
    values  : cells of the column, looked at only where no unit is stated.
    Returns : (what Table.units takes for the field: a canonical id, UNTOLD, or a text that is no unit of the
              field; problem codes, each with its params for data/words).

    >>> column_unit("line_pressure_bar", "PSI")[0], column_unit("water_mg_m3", None)[0]
    ('psi', 'not stated')
    >>> column_unit("co_ppm", "ppm"), column_unit("site", None)
    (('ppm', []), ('', []))
    """
    kind = _kind(field)
    if not kind.units:
        return "", []
    known = stated if stated is None or stated in kind.units else canonical(stated)
    if known in kind.units:
        codes = [("unit_converted", {"unit": known})] if known != field_named(field).unit else []
        if is_absolute(known) and field_named(field).unit == "bar":
            codes.append(("unit_absolute", {"unit": known}))
        said = load_toml("units.toml")["unit"][known].get("remark")  # the note that it calls for
        return known, [*codes, (said, {"unit": known})] if said else codes
    choices, line = ", ".join(kind.units), f'{field} = {{ unit = "?" }}'
    if stated is not None:
        return known or stated, [("unit_other", {"unit": stated, "choices": choices, "line": line})]
    unit = assumed(field, values)
    if unit is None:
        return UNTOLD, [("unit_not_told", {"why": kind.why, "choices": choices, "line": line})]
    return unit, [("unit_assumed", {"unit": unit, "why": kind.why, "line": line})] if unit else []


@cache
def _scale(field: str, unit: str) -> tuple[float, float, bool]:
    """(factor, zero, absolute): value in the field's unit = (value - zero) * factor, less the atmosphere."""
    data = load_toml("units.toml")
    entry, own = data["unit"][unit], data["unit"][field_named(field).unit]
    reference = data["reference"]
    factor = entry["factor"] / own["factor"]
    if entry["quantity"] != own["quantity"]:
        # mg/m³ of one ppm: molar mass over molar volume (ideal gas); of one ppm by mass the same with air's.
        litres_mol = 1e3 * reference["gas_constant_j_mol_k"] * reference["temperature_k"] / reference["pressure_pa"]
        mg_m3 = data["molar_mass_g_mol"][_kind(field).substance] / litres_mol
        factor = factor / mg_m3 if own["quantity"] == "content by volume" else factor * mg_m3
    if entry.get("normal"):
        expansion = reference["temperature_k"] / reference["normal_temperature_k"]
        factor = factor * expansion if entry["quantity"] == "flow" else factor / expansion
    gauge = own["quantity"] == "pressure" and field_named(field).unit == "bar"
    return factor, entry.get("zero", 0.0), bool(entry.get("absolute")) and gauge


def convert(field: str, unit: str, values: Any) -> Any:
    """Readings in another unit, in the unit of the field.

    field   : str. Number field.
    unit    : str. Canonical id or a spelling of it.
    values  : float or array, in that unit.
    Returns : float or array of that shape, in the field's unit (pressures gauge: absolute ones less 1013.25 hPa;
              volumes at 20 °C and 1013.25 hPa); None where the field does not accept the unit. Rises with the
              values (weeks and days become whole months, rounded down). NaN stays NaN.
    Source  : data/units.toml.

    >>> round(convert("line_pressure_bar", "psi", 100.0), 6), convert("ambient_temperature_c", "°F", 68.0)
    (6.894757, 20.0)
    >>> convert("oil_mg_m3", "ppm", 0.5) is None
    True
    """
    known = unit if belongs(field, unit) else canonical(unit)
    if known is None or not belongs(field, known):
        return None
    if known == field_named(field).unit:
        return values
    factor, zero, absolute = _scale(field, known)
    made = (values - zero) * factor
    if absolute:
        made = made - load_toml("units.toml")["reference"]["atmosphere_hpa"] / 1000.0
    if field_named(field).unit == "months":
        made = (made + _ROUNDING) // 1
    return made


def is_absolute(unit: str) -> bool:
    """Whether readings in a unit (canonical id) have the atmosphere's pressure taken off in a gauge field."""
    return bool(load_toml("units.toml")["unit"].get(unit, {}).get("absolute"))


@cache
def clashes(field: str, unit: str, *, converted: bool = False) -> tuple[Clash, ...]:
    """Every rule that says which figures contradict a unit of a field.

    field, unit : field name, canonical id of the unit that the column states.
    converted   : give the ends in the field's own unit, for readings that `convert` has already turned.
    """
    found = []
    for entry in load_toml("units.toml")["clash"]:
        below, above = entry.get("below", {}).get(unit), entry.get("above", {}).get(unit)
        if field in entry["fields"] and (below is not None or above is not None):
            ends = [-math.inf if below is None else below, math.inf if above is None else above, 0.0]
            if converted:
                ends = [float(convert(field, unit, end)) if math.isfinite(end) else end for end in ends]
            who = tuple(entry.get("supplies", ())), entry.get("dry")
            found.append(Clash(*who, entry["perhaps"], tuple(entry["parameters"]), *ends))
    return tuple(found)
