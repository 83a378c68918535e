"""The demo's story, found in its workbooks by the program: what story.toml expects on Trend and Due."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from grader.problems import Problems
from grader.review.due import due_table
from grader.review.history import left_out, slips
from grader.review.sites import sites_table
from grader.review.trend import trend_table
from grader.review.years import years_table
from tests.support import demo_result

DEMO = Path(__file__).parents[2] / "demo"
STORY = tomllib.loads((DEMO / "story.toml").read_text(encoding="utf-8"))
AS_OF = STORY["as_of"]


@pytest.fixture(scope="module")
def tests():
    return demo_result().tests


@pytest.fixture(scope="module")
def trend(tests):
    return trend_table(tests, Problems(), as_of=AS_OF).table


def expected(sheet):
    return [f for f in STORY["finding"] if f.get("sheet") == sheet]


@pytest.mark.parametrize("finding", expected("Trend"), ids=lambda f: f["what"])
def test_what_the_story_expects_on_trend(trend, finding):
    rows = trend[
        (trend["Site"] == finding["site"])
        & (trend["Parameter"] == finding["parameter"])
        & trend["Outlet"].isin(finding["outlets"])
    ]
    assert dict(zip(rows["Outlet"], rows["Trend"])) == dict.fromkeys(finding["outlets"], finding["expect"])


@pytest.mark.parametrize("finding", expected("Due"), ids=lambda f: f["what"])
def test_what_the_story_expects_on_due(tests, finding):
    table = due_table(tests, as_of=AS_OF)
    rows = table[(table["Site"] == finding["site"]) & table["Outlet"].isin(finding["outlets"])]
    assert dict(zip(rows["Outlet"], rows["State"])) == dict.fromkeys(finding["outlets"], finding["expect"])


def test_the_fading_dryers_outlets_rise_as_the_story_lets_them(trend):
    found = trend[(trend["Parameter"] == "Pressure dew point") & (trend["Direction against limit"] == "towards")]
    south = next(s for site in STORY["site"] for s in site["system"] if s["name"] == "Hall south")
    assert {(r["Site"], r["System"]) for r in found.to_dict("records")} >= {("Ostmere Paint Hall", "Hall south")}
    fading = found[found["System"] == "Hall south"]
    assert sorted(fading["Outlet"]) == [o["name"] for o in south["outlets"]]
    # The story's dryer rises by 4.4 K a year; tubes scatter by 8 %, about 1.2 K.
    assert fading["Slope per year"].between(south["rise_k_year"] - 1.2, south["rise_k_year"] + 1.2).all()


def test_before_it_failed_the_program_said_when_the_dryer_would(tests):
    """With what was known in February 2026, most south bays were within 13 °C and given a date."""
    early = tests[(tests["test_day"] < "2026-03-01").to_numpy()].reset_index(drop=True)
    table = trend_table(early, Problems(), as_of="2026-03-01").table
    rows = table[(table["Parameter"] == "Pressure dew point") & (table["System"] == "Hall south")]
    dated = rows[rows["Reaches limit on"].notna()]
    assert len(dated) >= 2
    assert dated["Reaches limit on"].between("2026-02-10", "2027-06-30").all()
    assert (dated["Earliest date"] <= dated["Reaches limit on"]).all()


def test_the_misspelt_and_the_left_out_outlets_are_queried(tests):
    problems = Problems()
    assert ("Bya 3", "Bay 3") in slips(tests, problems)
    left_out(tests, problems)
    assert "Mix room" in [v for b in problems.batches if b.code == "left_out" for v in b.values]


def test_every_test_that_counts_stands_in_sites_once(tests):
    table = sites_table(tests, due_table(tests, as_of=AS_OF), as_of=AS_OF)
    by_year = table[[c for c in table.columns if c.endswith(" tests")]]
    counted = int(by_year.iloc[1:].to_numpy().sum())
    assert table["Site"][0] == "all sites" and int(by_year.iloc[0].sum()) == counted
    standing = tests["visited"] & tests["dated"] & ~tests["replaced"] & (tests["repeat_of"] < 0)
    doubled = standing & tests["conflict"]
    assert counted == int((standing & ~doubled).sum()) + tests.loc[doubled, "same_day"].nunique()
    assert len(years_table(tests)) > 0
