"""The chance with the outlet's past: by hand, where it is left out, calibrated on simulated truth, and what it lists."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from grader.frames import normal_below
from grader.review.history import readings
from grader.review.past import FEWEST, chances_with_past, weighed
from grader.review.wear.table import wear_table
from tests.support import AIRLINE, VISIT, graded_files

AS_OF = "2026-11-25"


def test_reading_and_past_weigh_by_the_inverse_of_their_variances():
    """Reading 500 +- 50; past 430, scatter 0: its variance is half of the reading's, so it counts twice as much."""
    found = weighed(np.array(500.0), np.array(50.0), np.array(430.0), np.array(0.0))
    assert found.mean == pytest.approx((500 + 2 * 430) / 3) and found.deviation == pytest.approx(np.sqrt(2500 / 3))


def history(values, field="co2_ppm", **more):
    """One outlet tested each quarter with these readings: judged table."""
    files = {}
    for n, value in enumerate(values):
        day = date(2023 + n // 4, 1 + 3 * (n % 4), 10)
        files[f"{n:02d}.xlsx"] = ({**VISIT, "test_date": day}, [{**AIRLINE, field: value, **more}])
    return graded_files(files)[0]


def chances(tests, key="co2"):
    read = readings(tests)
    return chances_with_past(tests, read, wear_table(tests, read, as_of=AS_OF))[key]


def test_a_near_reading_with_a_quiet_past_is_unlikely_to_be_beyond():
    tests = history([430, 435, 428, 440, 431, 437, 433, 440])
    alone, past = tests["chance_over_co2"].to_numpy()[-1], chances(tests)[-1]
    assert 0 < past < alone / 3


def test_it_is_left_out_with_too_few_older_readings_and_where_the_reading_is_new():
    tests = history([430, 450] * 3 + [440])
    found = chances(tests)
    assert np.isnan(found[:FEWEST]).all() and not np.isnan(found[FEWEST])
    assert np.isnan(chances(history([430, 431] * 4 + [480]))[-1])  # far more than two scatters above its past
    assert np.isnan(chances(history([430, 450] * 4 + [900]))[-1])  # a fail


def test_work_done_leaves_no_past():
    assert not np.isnan(chances(history([430, 450] * 4))[-1])
    files = {}
    for n, value in enumerate([430, 450] * 4):
        day = date(2023 + n // 4, 1 + 3 * (n % 4), 10)
        visit = {**VISIT, "test_date": day, **({"work_done": "intake moved"} if n == 6 else {})}
        files[f"{n:02d}.xlsx"] = (visit, [{**AIRLINE, "co2_ppm": value}])
    assert np.isnan(chances(graded_files(files)[0])[-1])


def test_the_verdict_is_never_lifted_and_the_finding_is_left_out():
    from grader.batch import Options, _reviewed, judged
    from tests.support import log_of

    values = [470, 468, 471, 469, 472, 470, 468, 471]
    files = {
        f"{n:02d}.xlsx": ({**VISIT, "test_date": date(2023 + n // 4, 1 + 3 * (n % 4), 10)}, [{**AIRLINE, "co2_ppm": v}])
        for n, v in enumerate(values)
    }
    log, options = log_of(files), Options(None, date.fromisoformat(AS_OF))
    result = _reviewed(judged(log, options), options)
    last = result.verdicts.iloc[-1]
    assert last["Carbon dioxide verdict"] == "near limit"
    assert last["Carbon dioxide chance with its past (%)"] < 25 < last["Carbon dioxide chance over limit (%)"]
    assert not (result.actions["Parameter"] == "Carbon dioxide").any()
    assert (result.open_findings.frame["Parameter"] == "Carbon dioxide").any()


def test_of_those_said_to_be_beyond_with_a_chance_about_that_share_is():
    """Simulated truth: outlets scatter between visits, tubes err by a half that all readings share and a half of their
    own. The usual level is as likely above the limit as below it; where nearly all plant is in order the chances said
    are too high, never too low (the formula knows nothing of other plant)."""
    rng = np.random.default_rng(106)
    count, u, limit, older = 200_000, 40.0, 500.0, 12
    usual = rng.uniform(360, 640, count)
    shared = rng.normal(0, u / np.sqrt(2), count)
    true = usual[:, None] + rng.normal(0, 25.0, (count, older + 1))
    read = true + shared[:, None] + rng.normal(0, u / np.sqrt(2), (count, older + 1))
    scatter = np.sqrt((np.diff(read[:, :-1], axis=1) ** 2).mean(axis=1) / 2)
    found = weighed(read[:, -1], np.full(count, u), np.median(read[:, :-1], axis=1), scatter)
    chance = normal_below((found.mean - limit) / found.deviation)
    beyond = true[:, -1] > limit
    for low, high in ((0.02, 0.1), (0.1, 0.3), (0.3, 0.5), (0.5, 0.7), (0.7, 0.9)):
        here = (chance >= low) & (chance < high)
        assert beyond[here].mean() == pytest.approx(chance[here].mean(), abs=0.07)
