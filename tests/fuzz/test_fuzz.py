"""A slice of the fuzzing campaign, and proof that its checks see what they are there to see."""

from __future__ import annotations

from random import Random

import pytest

from tests.fuzz import run
from tests.fuzz.mutate import Mutated, mutate
from tests.fuzz.seeds import seeds


def test_mutated_workbooks_keep_every_promise():
    report = run.campaign(60, seed=3, batch=60)
    assert report.failures == []
    assert report.workbooks == 60 and report.rows_graded == report.rows_found > 60
    assert report.cells_spoilt > 10 and report.refused > 5  # the slice bites


def test_the_same_seed_makes_the_same_workbooks():
    sources = seeds()
    first, second = ([mutate(s, sources, Random(4)).done for s in sources] for _ in range(2))
    assert first == second and any(first)


def batch_of(change=None) -> run.Report:
    """A report on one sound workbook, of which the change tells what it does not do."""
    seed = seeds()[0]
    made = Mutated(seed.data, seed.suffix, seed.name, rows=len(seed.supply))
    if change:
        change(made)
    report = run.Report()
    run._one_batch({"m": made}, report, None)
    return report


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda m: m.no_pass.append((2, "Oil verdict")), "Oil verdict is pass"),
        (lambda m: m.no_pass.append((99, "Oil verdict")), "row 99 is gone"),
        (lambda m: setattr(m, "rows", 10), "rows: 10 written, 9 found"),
    ],
)
def test_a_broken_promise_is_a_failure(change, says):
    assert batch_of().failures == []
    assert [says in what for _, what, _ in batch_of(change).failures] == [True]


def test_any_error_but_the_programs_own_is_a_failure(monkeypatch):
    def breaks(*arguments, **options):
        raise KeyError("nobody's")

    monkeypatch.setattr(run, "run", breaks)
    assert ["KeyError" in what for _, what, _ in batch_of().failures] == [True]


def test_a_changed_input_is_a_failure(monkeypatch):
    whole = run.run

    def spoils(folder, **options):
        result = whole(folder, **options)
        for path in folder.iterdir():
            path.write_bytes(b"changed")
        return result

    monkeypatch.setattr(run, "run", spoils)
    assert [what for _, what, _ in batch_of().failures] == ["the input was changed"]


@pytest.mark.parametrize(("seconds", "failures"), [(11.0, [run.STOPPED]), (9.0, [])])
def test_a_file_that_takes_too_long_is_a_failure_unless_the_machine_was_busy(monkeypatch, seconds, failures):
    usual = run._check_refusals

    def stopped(result, report, failed):
        usual(result, report, failed)
        failed["m"] = run.STOPPED

    monkeypatch.setattr(run, "_check_refusals", stopped)
    monkeypatch.setattr(run, "processor_seconds", lambda path: seconds)
    monkeypatch.setattr(run, "SECONDS_A_FILE", 10)
    assert [what for _, what, _ in batch_of().failures] == failures


def test_the_processor_time_of_a_file_is_told(tmp_path):
    (tmp_path / "a.xlsx").write_bytes(seeds()[0].data)
    assert 0.0 < run.processor_seconds(tmp_path / "a.xlsx") < 60.0
