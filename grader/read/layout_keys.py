"""What the keys of a layout file hold: how each value is read and checked, and how it is written."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Collection
from typing import Any, NamedTuple

from grader.problems import a1
from grader.read.shapes.tables import column_number, place_of


def quoted(text: str) -> str:
    """A TOML string. A half of a surrogate pair is no character that TOML can hold."""
    escaped = text.encode("utf-8", "replace").decode("utf-8").replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c.isprintable() else f"\\U{ord(c):08x}" for c in escaped) + '"'


class Kind(NamedTuple):
    """What a key holds.

    fits : whether a value of the TOML is one. otherwise : what is said of one that is not.
    read : the value -> as it is kept. write : the way back, as TOML.
    """

    fits: Callable[[Any], bool]
    otherwise: str
    read: Callable[[Any], Any] = lambda value: value
    write: Callable[[Any], str] = quoted


def _letters(pattern: str) -> Callable[[Any], bool]:
    return lambda value: isinstance(value, str) and re.fullmatch(pattern, value) is not None


def _list_of(kind: Kind, otherwise: str) -> Kind:
    """A list of such values; a text alone is a list of one."""
    return Kind(
        lambda value: isinstance(value, list | str) and all(map(kind.fits, _listed(value))),
        otherwise,
        lambda value: tuple(map(kind.read, _listed(value))),
        lambda values: f"[{', '.join(map(kind.write, values))}]",
    )


def _listed(value: list[Any] | str) -> list[Any]:
    return [value] if isinstance(value, str) else value


_TEXT = Kind(lambda value: isinstance(value, str), "a text is wanted")
_TEXTS = _list_of(_TEXT, "a text or a list of texts is wanted")
_ROW = Kind(
    lambda value: type(value) is int and 1 <= value <= 1_048_576,
    "{!r} is no row number",
    lambda value: value - 1,
    lambda row: str(row + 1),
)
_COLUMN = Kind(_letters("[A-Za-z]{1,3}"), "{!r} is no column letter", column_number, lambda at: quoted(a1(0, at)[:-1]))
_CELL = Kind(_letters(r"[A-Za-z]{1,3}[1-9]\d{0,6}"), "{!r} is no cell such as B4", place_of, lambda at: quoted(a1(*at)))
_ORIENTATION = Kind(("", "down", "across", "long", "form").__contains__, '"{}" is none of down, across, long, form')
_ORDER = Kind(("day first", "month first").__contains__, '"{}" is neither "day first" nor "month first"')
_COUNT = Kind((1, 2, 3).__contains__, "1, 2 or 3, and only with heading_row", write=str)

_COLUMNS = ("heading", "parameter", "value", "unit", "first", "last")
KINDS = {
    **dict.fromkeys(("files", "ignore_sheets"), _TEXTS),
    **dict.fromkeys(("sheet", "heading", "unit"), _TEXT),
    **dict.fromkeys(("heading_row", "first_row", "last_row", "row"), _ROW),
    **dict.fromkeys(("column", *(f"{name}_column" for name in _COLUMNS)), _COLUMN),
    "cell": _CELL,
    "heading_rows": _COUNT,
    "orientation": _ORIENTATION,
    "date_order": _ORDER,
    "ignore": _list_of(_COLUMN, "{!r} is no list of column letters"),
    "ignore_rows": _list_of(_ROW, "{!r} is no list of row numbers"),
}


def setting(key: str, value: Any) -> str:
    """A key with its value, as a layout file says it.

    >>> setting("column", 2), setting("heading_row", 4), setting("cell", (3, 1))
    ('column = "C"', 'heading_row = 5', 'cell = "B4"')
    """
    return f"{key} = {KINDS[key].write(value)}"


def near(key: str, known: Collection[str]) -> str:
    """The name that a mistaken one may mean, as the end of a sentence; "" for none."""
    found = difflib.get_close_matches(key, known, 1)
    return f" ({found[0]}?)" if found else ""


class Said(NamedTuple):
    """One table of a layout file as it is being checked, where it stands, and the mistakes found so far in the file."""

    entries: dict[str, Any]
    where: str
    wrong: list[str]

    def add(self, mistake: str) -> None:
        """Add a mistake."""
        self.wrong.append(self.where + mistake)

    def values(self, keys: Collection[str], inner: Collection[str] = ()) -> dict[str, Any]:
        """What the table says under these keys, where it says anything; another key, unless it is an inner table, is a mistake."""
        self.check_names((*keys, *inner))
        said = {key: value for key, value in self.entries.items() if key in keys}
        for key, value in said.items():
            if not KINDS[key].fits(value):
                self.add(f"{key}: {KINDS[key].otherwise.format(value)}")
        return {key: KINDS[key].read(value) for key, value in said.items() if KINDS[key].fits(value)}

    def check_names(self, known: Collection[str]) -> None:
        """Add a mistake for each name in the table that is not among those known."""
        for key in self.entries:
            if key not in known:
                self.add(f"{key}: not known here" + (near(key, known) or f", only {', '.join(known)}"))

    def table(self, key: str, how: str) -> Said:
        """An inner table of this one; what is none is a mistake that says how to write it."""
        inner = self.entries.get(key, {})
        if isinstance(inner, dict):
            return self._replace(entries=inner)
        self.add(f"{key}: write it {how}")
        return self._replace(entries={})

    def tables(self, key: str, heading: str) -> list[Said]:
        """The inner tables of a list of them, numbered."""
        inner = self.entries.get(key, [])
        if isinstance(inner, list) and all(isinstance(entries, dict) for entries in inner):
            return [Said(entries, f"{self.where}{key} {i}: ", self.wrong) for i, entries in enumerate(inner, start=1)]
        self.add(f"{key}: write each {key} under its own line [[{heading}]]")
        return []
