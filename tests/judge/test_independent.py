"""2,400 generated rows: every verdict is the second judge's too, and every reason holds against the columns beside it.

50,000 by hand: `python -m tests.judge.independent --rows 50000 --seed 7`.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.judge.independent.compare import described, differences, program, second_judge
from tests.judge.independent.reasons import NEAR, OVER, UNDER, wrong
from tests.judge.independent.rows import generate
from tests.support import demo_result

ROWS = 600


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_both_judges_agree_and_reasons_hold(seed: int, tmp_path: Path) -> None:
    rows = generate(ROWS, seed)
    found, answers = program(tmp_path, rows), second_judge(rows)
    assert sum(len(answer.verdicts) for answer in answers) > 8 * ROWS
    differ = differences(rows, found, answers)
    assert not differ, "\n".join(described(rows, found, differ)[:10])
    said = [line for _, row in found.iterrows() for line in wrong(row)]
    assert not said, "\n".join(said[:10])
    assert all(any(pattern.search(text) for text in found["Reasons"]) for pattern in (OVER, UNDER, NEAR))


def test_reasons_of_the_demo_hold() -> None:
    found = demo_result().verdicts
    said = [line for _, row in found.iterrows() for line in wrong(row)]
    assert not said, "\n".join(said[:10])
