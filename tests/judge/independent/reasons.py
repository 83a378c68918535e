"""Every reason read back: its figures are held against the columns beside it, its side against the limit."""

from __future__ import annotations

import re
from typing import Any

import pandas as pd

COLUMNS = {
    "Oxygen": "Oxygen (%)",
    "Carbon monoxide": "Carbon monoxide (ppm)",
    "Carbon dioxide": "Carbon dioxide (ppm)",
    "Oil": "Oil (mg/m³)",
    "Water": "Water (mg/m³)",
    "Flow": "Flow (L/min)",
    "Line pressure": "Line pressure (bar)",
    "Dew point": "Pressure dew point (°C)",
    "Pressure dew point": "Pressure dew point (°C)",
    "Dew point at one atmosphere": "Dew point at one atmosphere (°C)",
}
FIGURE = r"(?P<sign>[<>≤≥]?)(?P<figure>-?\d+(?:\.\d+)?)(?: to -?\d+(?:\.\d+)?)?"
NAME = "(?P<name>" + "|".join(sorted(map(re.escape, COLUMNS), key=len, reverse=True)) + ")"
NUMBER = r"(?P<limit>-?\d+(?:\.\d+)?)"
OVER = re.compile(rf"{NAME} (?:stain \()?{FIGURE} \S+ is (?:over|above) the (?:limit of|highest allowed) {NUMBER}")
UNDER = re.compile(rf"{NAME} {FIGURE} \S+ is below the (?:limit of )?{NUMBER}")
NEAR = re.compile(
    rf"(?P<name>[A-Z][a-z ]+?) {FIGURE} \S+ meets the (?:limit of )?{NUMBER} \S+?(?: needed)?, "
    r"with a chance of (?:under |over )?(?P<chance>[\d.]+) % of being (?P<side>over|below) it"
)
LONG = re.compile(r"\d+\.\d{4,}")
FORBIDDEN = ("inf", "nan", "above any", "below any", "None")


def wrong(row: pd.Series) -> list[str]:
    """What is wrong with the reasons of one row of Verdicts."""
    found = []
    text = str(row["Reasons"])
    found += [f"{word!r} is printed" for word in FORBIDDEN if re.search(rf"\b{word}\b", text)]
    for sentence in text.rstrip(".").split("; "):
        over, under, near = OVER.search(sentence), UNDER.search(sentence), NEAR.search(sentence)
        if over and not reaches(over, 1):
            found.append(f"not over: {sentence}")
        if under and not reaches(under, -1):
            found.append(f"not below: {sentence}")
        for match in (over, under, near):
            if match and match["name"] in COLUMNS and not stands_beside(match, row[COLUMNS[match["name"]]]):
                found.append(f"{row[COLUMNS[match['name']]]!r} stands beside: {sentence}")
        if near and (near["side"] == "over") != (float(near["figure"]) >= middle(near)):
            found.append(f"the other side: {sentence}")
        for number in LONG.findall(sentence):
            if not any(m and tells_apart(number, m["limit"]) for m in (over, under, near)):
                found.append(f"{number} is longer than its decimals: {sentence}")
    return found


def reaches(match: re.Match[str], side: int) -> bool:
    """Whether the figure printed lies beyond the limit printed, and does not print equal to it."""
    gap = side * (float(match["figure"]) - float(match["limit"]))
    return gap > 0 or (gap == 0 and match["sign"] == (">" if side > 0 else "<"))


def middle(near: re.Match[str]) -> float:
    """Above it a reading is near its upper limit: figures that have two limits lie about 21, others have one."""
    if near["name"] == "Oxygen":
        return 21.0
    needed = near["name"] in ("Flow", "Dew point margin") or " needed" in near[0]
    return float("inf") if needed else float("-inf")


def tells_apart(number: str, limit: str) -> bool:
    """Whether fewer digits would print the figure equal to its limit."""
    short = len(number.partition(".")[2]) - 1
    return round(float(number), short) == round(float(limit), short)


def stands_beside(match: re.Match[str], cell: Any) -> bool:
    """Whether the column shows the figure of the reason."""
    if cell is None or (isinstance(cell, float) and pd.isna(cell)):
        return False
    printed = float(match["figure"])
    digits = len(match["figure"].partition(".")[2])
    if isinstance(cell, str):
        numbers = re.findall(r"-?\d+(?:\.\d+)?", cell)
        if not numbers:
            return not re.search(r"\d", cell)  # a word: stain
        return any(abs(float(number) - printed) <= 0.51 * 10.0 ** -min(digits, decimals(number)) for number in numbers)
    return bool(abs(float(cell) - printed) <= 0.51 * 10.0**-digits)


def decimals(number: str) -> int:
    return len(number.partition(".")[2])
