"""Headings of substances that are no field of ours, and what their cells say, as text that the judge reads again."""

from __future__ import annotations

import math
import re
from functools import cache
from typing import Any

from grader.columns import substance_key
from grader.data import load_toml
from grader.problems import Unreadable
from grader.read.words.notation import parse_number
from grader.read.words.spelling import keys_in
from grader.read.words.unclear import classes_of
from grader.read.words.units import canonical

_BEHIND = re.compile(r"[\s(\[/,:]+([^\s(\[\])/]+(?:/[^\s(\[\])]+)?)[\])\s]*$")


@cache
def _known() -> tuple[frozenset[str], frozenset[str], frozenset[str], frozenset[str]]:
    data, notation = load_toml("substances.toml"), load_toml("notation.toml")
    names = frozenset(substance_key(n) for n in (*data["inert"], *data["names"]))
    others = frozenset(substance_key(w) for w in data["other_thing"])
    return names, others, frozenset(data["units"]), frozenset(w.casefold() for w in notation["words"]["not_tested"])


def is_name_of_one(text: str) -> bool:
    """Whether a text is the name of a substance and nothing else."""
    return substance_key(text) in _known()[0]


def is_substance(text: str, unit: str | None) -> bool:
    """Whether a heading that could be no field of ours names a substance: by its words, or by a unit of content.

    text : the heading. unit : canonical unit that it states, or None.
    """
    names, others, units, _ = _known()
    tokens = set(keys_in(text))
    if classes_of(text) & {"never", "note", "earlier", "need", "allow"} or tokens & others:
        return False
    if tokens & names:
        return unit is None or unit == "%" or unit in units
    name, _ = name_and_unit(text, unit)
    return unit in units and sum(c.isalpha() for c in name) > 1


def name_and_unit(text: str, unit: str | None) -> tuple[str, str]:
    """The name and the unit of a heading: "Formaldehyde (ppm)".

    >>> name_and_unit("Formaldehyde (ppm)", "ppm"), name_and_unit("Toluol mg/m³", "mg/m³"), name_and_unit("Helium", None)
    (('Formaldehyde', 'ppm'), ('Toluol', 'mg/m³'), ('Helium', ''))
    """
    name = " ".join(text.split())
    while (found := _BEHIND.search(name)) and canonical(found[1]) is not None:
        name = name[: found.start()]
    return re.sub(r"[;:|=]", " ", name).strip(" ([/,-") or text.strip(), unit or ""


def as_measured(name: str, value: Any, unit: str) -> str:
    """One reading as text: name, sign, figure and unit; "" where nothing was measured.

    >>> as_measured("Helium", 0.5, "%"), as_measured("R134a", "< 1,5", "ppm"), as_measured("Ozone", "?", "ppm")
    ('Helium 0.5 %', 'R134a <1.5 ppm', 'Ozone: ?')
    """
    if value is None or isinstance(value, Unreadable):
        return f"{name}: {value.shown}" if value is not None else ""
    if type(value) is str:
        if value.strip().casefold() in _known()[3] or not value.strip():
            return ""
        parsed = parse_number(value)
        if parsed.code or not math.isnan(parsed.grouped):
            return f"{name}: {' '.join(value.split())}".replace(";", ",")
        return f"{name} {parsed.bound}{parsed.value:.10g} {parsed.unit or unit}".rstrip()
    if type(value) in (int, float):
        return f"{name} {value:.10g} {unit}".rstrip()
    return f"{name}: {value}".replace(";", ",")
