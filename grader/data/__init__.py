"""Data files of the package and the one way to load them."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import Any

from grader.data.keys import PAGES, page_of, unknown_keys

FOLDER = Path(__file__).parent


@cache
def load_toml(name: str) -> dict[str, Any]:
    """One TOML data file of the package, parsed once.

    name    : str. Path inside grader/data, for example "fields.toml" or "words/en.toml".
    Returns : dict. Shared between callers: do not change it.
    Raises  : FileNotFoundError where no such data file exists; ValueError for a key that no code reads.
    """
    found = tomllib.loads(read_text(name))
    page = page_of(name)
    if wrong := list(unknown_keys(found, PAGES[page])) if page in PAGES else []:
        raise ValueError(
            f"{name}: no code reads {', '.join(wrong)}. Correct the key, or take it out (grader/data/keys.py)."
        )
    return found


class Sections(Mapping[str, Any]):
    """A TOML text whose every table is parsed when it is asked for: a run needs few of the words of a language.

    The text holds nothing before its first table, and no line of a longer text begins with a bracket.
    """

    def __init__(self, text: str) -> None:
        self._texts: dict[str, str] = {}
        self._parsed: dict[str, Any] = {}
        for table in re.split(r"(?m)^(?=\[)", text)[1:]:
            name = table[: re.search(r"[].]", table).start()].strip("[ ")  # type: ignore[union-attr]
            self._texts[name] = self._texts.get(name, "") + table

    def __getitem__(self, name: str) -> Any:
        if name not in self._parsed:
            self._parsed |= tomllib.loads(self._texts[name])
        return self._parsed[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._texts)

    def __len__(self) -> int:
        return len(self._texts)


def read_text(name: str) -> str:
    """The text of one data file of the package (UTF-8).

    Raises : FileNotFoundError where no such data file exists.
    """
    return (FOLDER / name).read_text(encoding="utf-8")


def names(folder: str, ending: str = ".toml") -> list[str]:
    """Sorted names of the data files with that ending in one data folder ("" is grader/data itself).

    >>> "en.toml" in names("words")
    True
    """
    return sorted(entry.name for entry in (FOLDER / folder).iterdir() if entry.name.endswith(ending))


def languages_of(stem: str) -> list[str]:
    """Codes of the languages that have a data file of that stem, sorted.

    >>> {"de", "en"} <= set(languages_of("words/")), "fr" in languages_of("headings-")
    (True, True)
    """
    folder, _, begins = stem.rpartition("/")
    return [n.removeprefix(begins).removesuffix(".toml") for n in names(folder) if n.startswith(begins)]
