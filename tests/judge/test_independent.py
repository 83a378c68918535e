"""Every verdict of 2,400 generated rows is the second judge's too; 50,000 by hand: `python -m tests.judge.independent`."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.judge.independent.compare import compared

ROWS = 600


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_both_judges_agree(seed: int, tmp_path: Path) -> None:
    count, lines, ways = compared(tmp_path, ROWS, seed)
    assert count > 8 * ROWS
    assert not ways, "\n".join(lines[:10])
