"""`Work done` ends only the series that its words touch (design, "History"); which words: data/work.toml."""

from __future__ import annotations

from datetime import date

import pytest

from grader.columns import PARAMETER_BY_NAME
from grader.data import load_toml
from grader.problems import Problems
from grader.review.history import HISTORY
from grader.review.trend import trend_table
from grader.review.works import meaning, query_works
from tests.support import AIRLINE, VISIT, graded_files

EVERY = {p.name for p in HISTORY}
WATER = {"Water", "Pressure dew point", "Dew point margin"}
AIR = {"Carbon monoxide", "Carbon dioxide", "Oil"}


def ended(said):
    return {p.name for i, p in enumerate(HISTORY) if meaning(said).ends >> i & 1}


@pytest.mark.parametrize(
    ("said", "ends"),
    [
        ("New filter elements", {"Oil", "Flow"}),
        ("Desiccant of the blast main's dryer changed on 20 May 2025.", WATER | {"Carbon dioxide"}),
        ("compressor serviced", AIR),
        ("Intake moved away from the loading bay", AIR),
        ("hose and coupling renewed", {"Flow", "Line pressure"}),
        ("Filter changed; dryer not touched", {"Oil", "Flow"}),
        ("Filter change recommended", set()),
        ("dryer checked", set()),
        ("Filter due", set()),
        ("none", set()),
        ("n/a", set()),
        ("Keine", set()),
        ("Trockenmittel gewechselt", WATER | {"Carbon dioxide"}),
        ("dryer cartridge changed", WATER | {"Carbon dioxide"}),
        ("Kartusche des Trockners gewechselt", WATER | {"Carbon dioxide"}),
        ("cartouche du sécheur changée", WATER | {"Carbon dioxide"}),
        ("cartridge changed", {"Oil", "Flow"}),
        ("filter and dryer cartridges changed", WATER | {"Carbon dioxide", "Oil", "Flow"}),
        ("everything overhauled", EVERY),
    ],
)
def test_what_words_end(said, ends):
    assert ended(said) == ends


def test_a_word_is_read_from_its_beginning_and_never_inside_another():
    assert ended("unfiltered") == EVERY  # no part that is known: all begins anew
    assert not meaning("duety roster").unknown  # "due" begins it: asked about, no work


def table_after(said):
    """Trend of one outlet over eight visits; the fifth tells the work."""
    files = {
        f"v{n}.xlsx": (
            {**VISIT, "test_date": date(2024 + n // 4, 1 + 3 * (n % 4), 10), "work_done": said if n == 4 else None},
            [AIRLINE],
        )
        for n in range(8)
    }
    tests, _ = graded_files(files)
    problems = Problems()
    query_works(tests, problems)
    trend = trend_table(tests, Problems(), as_of="2026-01-01").table.set_index("Parameter")
    return trend["Readings in slope"], problems


def test_only_the_series_that_it_touches_begins_anew():
    count, problems = table_after("filter element changed")
    assert (count["Oil"], count["Flow"]) == (4, 4)
    assert {count[name] for name in ("Carbon monoxide", "Pressure dew point", "Oxygen", "Line pressure")} == {8}
    assert not problems.codes()


def test_unknown_words_end_all_and_are_noted_and_what_is_not_done_is_queried():
    count, problems = table_after("sundries")
    assert set(count) == {4} and problems.codes() == {"work_unknown"}
    count, problems = table_after("dryer service needed")
    assert set(count) == {8} and problems.codes() == {"work_not_done"}


def test_each_part_names_parameters_that_there_are():
    for part in load_toml("work.toml")["part"].values():
        assert part["ends"] and all(name in PARAMETER_BY_NAME for name in part["ends"])
