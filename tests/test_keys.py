"""Keys of the data files: what a page declares is read by code, and what it does not declare is refused."""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest

import grader.data
import grader.words
from grader.data import load_toml, parsed
from grader.data.keys import PAGES, page_of, unknown_keys

PACKAGE = Path(grader.data.__file__).parents[1]
DATA = sorted(p.name for p in (PACKAGE / "data").glob("*.toml")) + ["rules/_schema.toml"]


def named(page: Any) -> Iterator[str]:
    """The keys of a page that are no names of the data itself."""
    for key, below in page.items() if isinstance(page, dict) else dict.fromkeys(page.split(), "").items():
        if key != "*":
            yield key
        yield from named(below)


def test_every_data_file_has_a_page():
    assert set(PAGES) == set(map(page_of, DATA))


@cache
def written() -> set[str]:
    """Texts of one word and fields of records that the code holds, the pages themselves left out."""
    sources = [p for p in PACKAGE.rglob("*.py") if p.name != "keys.py"]
    code = "\n".join(p.read_text(encoding="utf-8") for p in sources)
    found = re.findall(r"(?<=[\"' ])\w+(?=[\"' ])|(?<=\.)\w+|^ +\w+(?=:)", code, re.MULTILINE)
    return {word.strip() for word in found} | {
        f"{sheet}_widths" for sheet in ("visit", "register")
    }  # put together in blank.py


@pytest.mark.parametrize("name", DATA)
def test_every_key_of_a_page_is_read_by_code(name):
    assert [key for key in named(PAGES[page_of(name)]) if key not in written()] == []


@pytest.mark.parametrize("name", DATA)
def test_a_key_that_no_code_reads_is_refused(name):
    whole = grader.data.read_text(name)
    with pytest.raises(ValueError, match=f"{name}: no code reads nobody_reads_this"):
        parsed(name, "nobody_reads_this = 1\n" + whole)


def test_the_path_of_a_nested_key_is_named():
    entry = {"parameter": [{"name": "Oil", "tubee": "oil", "limits": {"units": {"ppm": {"time": 2}}}}]}
    assert list(unknown_keys(entry, PAGES["parameters.toml"])) == ["parameter.tubee", "parameter.limits.units.ppm.time"]


def test_a_language_has_no_words_that_english_lacks(monkeypatch):
    extra = {"reason": {"nobody_says_this": "x"}}
    monkeypatch.setattr(grader.words, "load_toml", lambda name: extra if "de" in name else load_toml(name))
    with pytest.raises(ValueError, match="reason.nobody_says_this"):
        grader.words.words.__wrapped__("de")
