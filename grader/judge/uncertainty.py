"""Standard uncertainties of readings: defaults of data/parameters.toml, or what a rule set states itself.

A parameter's standard uncertainty is the larger of an absolute and a relative part. Those of dew points and
margins are carried through from water and pressure: carried.py.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple, Protocol

from grader.columns import PARAMETERS

COVERAGE_FACTOR = 2.0  # expanded uncertainty U = 2 u, about 95 % of a normal distribution


class Stated(Protocol):
    """What a rule set says of one parameter's standard uncertainty."""

    @property
    def absolute(self) -> float: ...

    @property
    def relative_percent(self) -> float: ...


class Standard(NamedTuple):
    """Standard uncertainty of one parameter: the larger of two parts.

    absolute : float, in the parameter's unit. relative : float, a fraction of the reading.
    source   : where the two come from.
    """

    absolute: float
    relative: float
    source: str = ""

    def at(self, value: Any) -> Any:
        """Standard uncertainty of readings, in their unit; float or array of the same shape. NaN stays NaN.

        >>> float(Standard(0.4375, 0.125).at(1.0)), float(Standard(0.4375, 0.125).at(4.0))
        (0.4375, 0.5)
        """
        import numpy as np  # here, so that listing limits starts without it

        return np.maximum(self.absolute, self.relative * np.abs(value))

    def text(self, unit: str) -> str:
        """In words: the relative part and the least.

        >>> Standard(0.4375, 0.125).text("ppm"), Standard(0.25, 0.0).text("%")
        ('12.5 % of the reading, at least 0.4375 ppm', '0.25 %')
        """
        least = f"{self.absolute:.6g} {unit}"
        if not self.relative:
            return least
        share = f"{100 * self.relative:.6g} % of the reading"
        return f"{share}, at least {least}" if self.absolute else share


def standards(stated: Mapping[str, Stated] | None = None) -> dict[str, Standard]:
    """Standard uncertainty by parameter key, for every parameter that has one.

    stated : what a rule set states itself, by parameter name; it takes the default's place whole.
    """
    found = {}
    for key, parameter in PARAMETERS.items():
        of_rule = (stated or {}).get(parameter.name)
        if of_rule is not None:
            found[key] = Standard(of_rule.absolute, of_rule.relative_percent / 100.0, "stated by the rule set")
        elif parameter.u_source:
            found[key] = Standard(parameter.u_abs, parameter.u_rel, parameter.u_source)
    return found
