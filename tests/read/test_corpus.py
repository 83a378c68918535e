"""The corpus read as a whole: its true tables hold together, and no score is worse than the one kept beside it.

Scores are kept in tests/read/corpus/scores.toml; `python -m tests.bench.bench_logs --keep` writes what has got better.
"""

import pytest

from tests.read.corpus_logs import flat, logs
from tests.read.corpus_scores import all_scores, better_or_same, graded, kept


@pytest.fixture(scope="module")
def found():
    """The scores of the corpus as it is read now."""
    return all_scores()


@pytest.mark.parametrize("score", kept())
def test_no_score_is_worse_than_kept(found, score):
    assert better_or_same(score, found[score], kept()[score]), f"{score}: {found[score]}, kept {kept()[score]}"


def test_true_tables_under_our_own_headings():
    """What a log should be understood as, given under the blank's headings, is read whole and judged as its `expect` says."""
    made = graded(map(flat, logs()))
    missed = [(o.log.name, *f) for o in made for f in o.faults] + [
        (o.log.name, t) for o in made for t in o.lost + o.phantoms
    ]
    judged = [(o, v) for o in made for v in o.verdicts if v[1] in ("pass", "fail", "incomplete")]
    assert missed == []
    assert [(o.log.name, *v) for o, v in judged if not o.as_expected(v)] == []
