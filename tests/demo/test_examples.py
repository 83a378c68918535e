"""The page of examples of the library in DEVELOPERS.md does what it says."""

from __future__ import annotations

import doctest
from pathlib import Path

ROOT = Path(__file__).parents[2]


def test_the_page_of_examples_runs(monkeypatch):
    monkeypatch.chdir(ROOT)
    done = doctest.testfile(
        str(ROOT / "DEVELOPERS.md"), module_relative=False, optionflags=doctest.NORMALIZE_WHITESPACE
    )
    assert done.attempted >= 10 and not done.failed
