"""Checks of single keys of a rule file. Every mistake becomes one line: file, key, value, what to do."""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping, Sequence
from typing import Any

LARGEST = 10**300  # of whole numbers; longer ones do not become a float


def near_miss(word: object, choices: Sequence[str]) -> str:
    """A question naming the choice nearest to a wrong word; "" where none is near."""
    hits = difflib.get_close_matches(word, choices, n=1, cutoff=0.5) if isinstance(word, str) else []
    return f"Did you mean {hits[0]}? " if hits else ""


def _shown(value: object) -> str:
    try:
        text = f'"{value}"' if isinstance(value, str) else str(value)
    except (ValueError, RecursionError):
        # A whole number of thousands of digits (written in hexadecimal), or tables nested as deep.
        return "..."
    return text if len(text) <= 60 else text[:57] + "..."


def _one_line(text: str) -> str:
    """The message on one line, whatever a key or a value holds."""
    return "".join(c if c.isprintable() else " " for c in text)


def is_number(value: object) -> bool:
    """Whether a value of a rule file is a finite number (true and false are none, nor what no float can hold)."""
    if not isinstance(value, (int, float)) or isinstance(value, bool):
        return False
    return abs(value) <= LARGEST if isinstance(value, int) else math.isfinite(value)


class Checker:
    """Reads keys of one file's tables; `messages` collects the mistakes, in the order of the file."""

    def __init__(self, name: str):
        self.name = name
        self.messages: list[str] = []

    def say(self, where: str, key: str, value: object, problem: str, todo: str) -> None:
        place = f"{where}, " if where else ""
        self.messages.append(_one_line(f"{self.name}: {place}{key} = {_shown(value)}: {problem}. {todo}"))

    def missing(self, where: str, key: str, todo: str) -> None:
        place = f"{where}, " if where else ""
        self.messages.append(f"{self.name}: {place}{key} is missing. {todo}")

    def keys(self, where: str, table: Mapping[str, Any], known: Sequence[str]) -> None:
        for key in table:
            if key not in known:
                self.say(
                    where,
                    key,
                    table[key],
                    "no such key here",
                    f"{near_miss(key, known)}Known keys: {', '.join(known)}.",
                )

    def string(self, where: str, table: Mapping[str, Any], key: str, default: str = "") -> str:
        value = table.get(key, default)
        if not isinstance(value, str) or (key in table and not value.strip()):
            self.say(where, key, value, "not a text", f'Write {key} = "...", or leave the key out.')
            return default
        return value.strip()

    def choice(self, where: str, key: str, value: object, known: Sequence[str]) -> bool:
        if isinstance(value, str) and value in known:
            return True
        self.say(
            where, key, value, "not a word known here", f"{near_miss(value, known)}Write one of: {', '.join(known)}."
        )
        return False

    def words(self, where: str, key: str, value: object, known: Sequence[str]) -> tuple[str, ...]:
        items = [value] if isinstance(value, str) else value
        if not isinstance(items, list):
            self.say(where, key, value, "neither a text nor a list of texts", f'Write {key} = ["{known[0]}"].')
            return ()
        found = [item for item in items if self.choice(where, key, item, known)]
        return tuple(word for word in known if word in found)

    def number(self, where: str, table: Mapping[str, Any], key: str) -> float | None:
        if key not in table:
            return None
        value = table[key]
        if is_number(value):
            return float(value)
        self.say(where, key, value, "not a number", f"Write it without quotes and with a decimal point: {key} = 0.5.")
        return None

    def table(self, raw: Mapping[str, Any], key: str) -> Mapping[str, Any]:
        value = raw.get(key, {})
        if isinstance(value, dict):
            return value
        self.say("", key, value, "not a table", f"Write a line [{key}] and the entries below it.")
        return {}
