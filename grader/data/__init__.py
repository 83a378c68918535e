"""Data files of the package and the one way to load them."""

from __future__ import annotations

import contextlib
import marshal
import os
import sys
import tomllib
from functools import cache
from hashlib import sha256
from importlib.util import cache_from_source
from pathlib import Path
from typing import Any

from grader.data import keys

FOLDER = Path(__file__).parent


@cache
def load_toml(name: str) -> dict[str, Any]:
    """One TOML data file of the package.

    What came of parsing it is kept beside the compiled modules, as Python keeps those: where it may write there, and
    until the file is another. Parsing all that a run needs would take a tenth of a short one.

    name    : str. Path inside grader/data, for example "fields.toml" or "words/en.toml".
    Returns : shared between callers: do not change it.
    Raises  : FileNotFoundError where no such data file exists; ValueError for a key that no code reads.
    """
    text = read_text(name)
    made_of = sha256(f"{keys.PAGES.get(keys.page_of(name))}{text}".encode()).digest()
    try:
        place = Path(cache_from_source(FOLDER / f"{name}.py").removesuffix("pyc") + "data")
    except NotImplementedError:  # a Python that keeps nothing
        return parsed(name, text)
    if (kept := _kept(place, made_of)) is not None:
        return kept
    found = parsed(name, text)
    if not sys.dont_write_bytecode:
        with contextlib.suppress(OSError, ValueError):  # ValueError: marshal has no dates
            _keep(place, marshal.dumps((made_of, found)))
    return found


def _kept(place: Path, made_of: bytes) -> dict[str, Any] | None:
    """What was kept of a file with this sum; None where nothing was, or it is no file of ours."""
    try:
        kept_of, kept = marshal.loads(place.read_bytes())
    except (OSError, EOFError, ValueError, TypeError):
        return None
    return kept if kept_of == made_of else None


def parsed(name: str, text: str) -> dict[str, Any]:
    """One TOML data file, from its text. Raises ValueError for a key that no code reads."""
    found = tomllib.loads(text)
    page = keys.PAGES.get(keys.page_of(name))
    if wrong := [] if page is None else list(keys.unknown_keys(found, page)):
        raise ValueError(
            f"{name}: no code reads {', '.join(wrong)}. Correct the key, or take it out (grader/data/keys.py)."
        )
    return found


def _keep(place: Path, what: bytes) -> None:
    place.parent.mkdir(parents=True, exist_ok=True)
    half = place.with_suffix(f".{os.getpid()}")
    try:
        half.write_bytes(what)
        half.replace(place)  # another process reads the whole file, or none
    finally:
        half.unlink(missing_ok=True)


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
