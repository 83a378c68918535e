"""Tells the notes on the cells of a next blank, line by line, by their words.

Their author does not tell them: a spreadsheet program may drop it, and another keeps it where a person writes on.
"""

from __future__ import annotations

import re
from functools import cache

from grader.columns import FIELDS
from grader.data import load_toml, names

_UNITS = "|".join(sorted({re.escape(f.unit) for f in FIELDS.values() if f.unit}))
_VALUE = rf"\d{{4}}-\d\d: [^\s;]+(?: (?:{_UNITS}))?"
# What may stand for each part of a text; nothing that a person writes behind it. Reasons, which may be any words, stand
# in brackets.
_FORMS = {
    "day": r"\d{4}-\d\d-\d\d",
    "verdict": r"[\w ]{1,30}",
    "state": r"[\w ]{1,30}(?:\(\w+\))?",
    "hpa": r"\d+",
    "minutes": r"[\d.,]+",
    "values": rf"{_VALUE}(?:; {_VALUE})*",
    "reasons": r".*",
}


def without_own_lines(text: str) -> str:
    """A comment without the lines of a next blank, in any language; what a person added stays.

    >>> without_own_lines("No dated test of this outlet yet.\\nNext due 2026-11-03 (overdue).\\nSmells of oil")
    'Smells of oil'
    """
    return _own_lines().sub("", text).strip()


@cache
def _own_lines() -> re.Pattern[str]:
    lines: list[str] = []
    for name in names("words"):
        texts = load_toml(f"words/{name}").get("next_visit", {})
        for text in texts.values():
            parts = re.split(r"\{(\w+)\}", text)
            if not set(parts[1::2]) <= _FORMS.keys():
                continue  # said on the screen
            forms = {**_FORMS, "day": f"{_FORMS['day']}|{re.escape(texts['undated'])}"}
            parts[1::2] = [f"(?:{forms[part]})" for part in parts[1::2]]
            parts[::2] = [re.escape(part) for part in parts[::2]]
            lines.append("".join(parts))
    return re.compile(rf"^(?:{'|'.join(lines)})$", re.MULTILINE)
