"""Slips of sites and clients are queried with both names, [same.*] settles them, Due marks a possible double."""

from __future__ import annotations

from datetime import date

import pytest

from grader import grade
from grader.problems import GraderError
from grader.read.layout import load_layout
from grader.write.blank import write_blank
from tests.support import AIRLINE, VISIT, graded_files

AS_OF = "2026-06-01"
BAY2 = {**AIRLINE, "outlet": "Bay 2"}


def folder(path, *visits):
    """One file a visit, a month apart from January 2026: (what Visit says, rows)."""
    path.mkdir(exist_ok=True)
    for month, (visit, rows) in enumerate(visits, start=1):
        write_blank(path / f"v{month}.xlsx", visit={**VISIT, "test_date": date(2026, month, 14), **visit}, rows=rows)
    return path


@pytest.fixture(scope="module")
def slipped(tmp_path_factory):
    """Three visits of one yard, the name mistyped in the last."""
    good, bad = {"site": "Eastbank Yard"}, {"site": "Eastbnak Yard"}
    return folder(tmp_path_factory.mktemp("in") / "logs", (good, [AIRLINE, BAY2]), (good, [AIRLINE]), (bad, [AIRLINE]))


def test_a_slip_of_a_site_is_queried_with_both_names_and_counts_and_stands_in_the_summary(slipped):
    found = grade(slipped, as_of=AS_OF)
    (line,) = found.problems[found.problems["Problem"].str.contains("look like slips")].to_dict("records")
    assert (line["File"], line["Value"], line["Severity"]) == ("v3.xlsx", "Eastbnak Yard", "query")
    assert '"Eastbnak Yard" (1 tests) and "Eastbank Yard" (3 tests)' in line["Problem"]
    assert '[same.site] "Eastbnak Yard" = "Eastbank Yard"' in line["What to do"]
    assert "each with half of its past: 1." in str(found.summary.blocks)
    assert found.verdicts["Site"].nunique() == 2  # nothing is merged by guess
    due = found.due.set_index(["Site", "Outlet"])["May be a double of"]
    assert due["Eastbnak Yard", "Bay 1"] == "Eastbank Yard, Bay 1" and due["Eastbank Yard", "Bay 2"] == ""


def test_a_slip_of_a_client_is_queried(tmp_path):
    one, other = {"client": "Example Coatings"}, {"client": "Exampel Coatings"}
    found = grade(folder(tmp_path / "in", (one, [AIRLINE]), (one, [AIRLINE]), (other, [AIRLINE])), as_of=AS_OF)
    said = found.problems["Problem"].str.cat(sep="\n")
    assert 'The clients "Exampel Coatings" (1 tests) and "Example Coatings" (2 tests)' in said


def test_a_client_whose_name_begins_another_s_at_one_site_is_queried():
    names = ["Example", "Example Ltd", "Exampleton"]
    _, problems = graded_files({f"{n}.xlsx": ({**VISIT, "client": n}, [AIRLINE]) for n in names})
    _, none = graded_files({f"{n}.xlsx": ({**VISIT, "client": n, "site": n}, [AIRLINE]) for n in names})
    assert [len(b.tests) for b in problems.batches if b.code == "client_slip" and len(b.tests)] == [1]
    assert not any(len(b.tests) for b in none.batches if b.code == "client_slip")


def test_names_that_differ_in_a_digit_or_a_short_word_are_no_slips(tmp_path):
    names = ({"site": "Yard 1"}, {"site": "Yard 2"}, {"site": "Hall N"}, {"site": "Hall S"})
    found = grade(folder(tmp_path / "in", *((n, [AIRLINE]) for n in names)), as_of=AS_OF)
    assert not found.problems["Problem"].str.contains("slips").any()


def test_a_double_of_an_outlet_is_marked_on_due(tmp_path):
    rows = [[AIRLINE], [AIRLINE], [{**AIRLINE, "outlet": "Bya 1"}]]
    due = grade(folder(tmp_path / "in", *(({}, r) for r in rows)), as_of=AS_OF).due.set_index("Outlet")
    assert due.loc["Bya 1", "May be a double of"] == "Bay 1" and due.loc["Bay 1", "May be a double of"] == ""


def test_a_layout_file_settles_names_for_every_file_and_what_was_written_is_kept(slipped, tmp_path):
    layout = tmp_path / "names.layout.toml"
    layout.write_text('[same.site]\n"eastbnak yard" = "Eastbank Yard"\n[same.outlet]\n"Bay 2" = "Bay 02 (north)"\n')
    found = grade(slipped, as_of=AS_OF, layouts=[layout])
    assert set(found.verdicts["Site"]) == {"Eastbank Yard"}
    assert found.verdicts["Site as written"].tolist() == ["", "", "", "Eastbnak Yard"]
    assert found.verdicts["Outlet as written"].tolist() == ["", "Bay 2", "", ""]
    assert not found.problems["Problem"].str.contains("slips").any()
    assert found.problems["Problem"].str.contains('"Eastbnak Yard" is taken for "Eastbank Yard"').any()
    assert len(found.due) == 2
    # Where nothing differs there is no such column.
    assert "Site as written" not in grade(slipped / "v1.xlsx", as_of=AS_OF, layouts=[layout]).verdicts


def test_a_mistyped_visit_with_a_history_says_what_it_may_belong_to(slipped):
    found = grade(slipped / "v3.xlsx", as_of=AS_OF, history=slipped)
    assert found.problems["Problem"].str.contains("look like slips").any()
    assert "Outlets under both" in str(found.summary.blocks)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ('[same]\nsite = "x"\n', "write it as"),
        ('[same.sites]\n"a" = "b"\n', "sites"),
        ('[same.site]\n"a" = 3\n', "must be the same as a name"),
        ("same = {}\n", "say which files"),
    ],
)
def test_mistakes_are_one_clear_line(tmp_path, text, why):
    path = tmp_path / "names.layout.toml"
    path.write_text(text)
    with pytest.raises(GraderError, match=why):
        load_layout(path)


def test_two_layout_files_that_contradict_each_other_stop_the_run(slipped, tmp_path):
    for name, means in (("a", "Eastbank Yard"), ("b", "West Yard")):
        (tmp_path / f"{name}.layout.toml").write_text(f'[same.site]\n"Eastbnak Yard" = "{means}"\n')
    with pytest.raises(GraderError, match="in another layout file"):
        grade(slipped, as_of=AS_OF, layouts=sorted(tmp_path.glob("*.toml")))
