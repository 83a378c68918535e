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
def load_toml(name: str) -> Mapping[str, Any]:
    """One TOML data file of the package, each of its tables parsed once, when it is asked for.

    name    : str. Path inside grader/data, for example "fields.toml" or "words/en.toml".
    Returns : shared between callers: do not change it.
    Raises  : FileNotFoundError where no such data file exists; ValueError for a key that no code reads.
    """
    return Sections(name, read_text(name))


class Sections(Mapping[str, Any]):
    """A data file whose every table is parsed when it is asked for: a run needs few of the words that there are.

    No line of a longer text in the file begins with a bracket, or it would be taken for a table.
    """

    def __init__(self, name: str, text: str) -> None:
        self._name, self._page = name, PAGES.get(page_of(name))
        plain, *tables = re.split(r"(?m)^(?=\[)", text)
        self._texts: dict[str, str] = {}
        for table in tables:
            called = table[: re.search(r"[].]", table).start()].strip("[ ")  # type: ignore[union-attr]
            self._texts[called] = self._texts.get(called, "") + table
        self._parsed = tomllib.loads(plain)
        self._texts = {**dict.fromkeys(self._parsed, ""), **self._texts}
        self._checked({**self._texts, **self._parsed})

    def _checked(self, found: dict[str, Any]) -> dict[str, Any]:
        if wrong := [] if self._page is None else list(unknown_keys(found, self._page)):
            raise ValueError(
                f"{self._name}: no code reads {', '.join(wrong)}. Correct the key, or take it out (grader/data/keys.py)."
            )
        return found

    def __getitem__(self, name: str) -> Any:
        if name not in self._parsed:
            self._parsed |= self._checked(tomllib.loads(self._texts[name]))
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
