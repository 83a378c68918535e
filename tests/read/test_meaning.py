"""What cells and lines around a table mean for its tests: probes of tests/read/corpus/meaning.toml, graded in one run.

Words and headings are common practice of the trade, no source; what each must do is the design's ("Understanding a sheet").
"""

import pytest

from tests.bench.bench_logs import probe_line
from tests.read.corpus_logs import probes
from tests.read.corpus_scores import probed


@pytest.fixture(scope="module")
def tried():
    """Every probe, graded."""
    return probed(probes("meaning.toml"))


def test_every_probe_does_what_it_must(tried):
    assert [probe_line(p) for p in tried if not p.met] == []
