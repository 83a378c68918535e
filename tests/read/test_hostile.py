"""Every hostile file of tests/hostile.py in one folder: what has to become of it, in one clear line each."""

from __future__ import annotations

import pytest

from grader import grade
from grader.words import words
from tests.hostile import make


@pytest.fixture(scope="module")
def graded(tmp_path_factory):
    folder = tmp_path_factory.mktemp("hostile")
    return make(folder), grade(folder, as_of="2026-11-25")


def test_each_file_is_read_whole_or_refused_for_its_own_reason(graded):
    wanted, result = graded
    refused = result.problems[result.problems["Severity"] == "refused"]
    texts = {code: entry["text"].split("{")[0] for code, entry in words()["problem"].items()}
    found = {}
    for file in result.sources.to_dict("records"):
        said = list(refused.loc[refused["File"] == file["File"], "Problem"])
        assert len(said) == (file["State"] == "refused"), file["File"]
        found[file["File"]] = said[0] if said else file["Rows graded"]
    for name, becomes in wanted.items():
        shown = name.replace("\n", "\\x0a").replace("\u202e", "\\u202e")
        got = found.pop(shown)
        assert got == becomes if isinstance(becomes, int) else got.startswith(texts[becomes]), (name, got)
    assert found == {}


def test_every_problem_is_one_line_that_says_what_to_do(graded):
    problems = graded[1].problems
    for column in ("File", "Sheet", "Cell", "Problem", "What to do"):
        assert not problems[column].astype(str).str.contains(r"[\x00-\x1f\u2028\u2029]").any(), column
    assert problems["What to do"].str.len().gt(0).all() and problems["Problem"].str.len().le(400).all()


def test_no_unreadable_cell_of_them_passes(graded):
    verdicts = graded[1].verdicts
    spoilt = verdicts[
        verdicts["File"].isin(["never worked out.xlsx", "errors.xlsx", "newer errors.xlsx"]) & (verdicts["Row"] == 2)
    ]
    assert (
        len(spoilt) == 3
        and set(spoilt["Oxygen verdict"]) == {"cannot tell"}
        and set(spoilt["Verdict"]) == {"incomplete"}
    )
