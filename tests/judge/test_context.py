"""What the past adds: a temperature once stated, a site's usual atmospheric pressure. Sources of the rules: the design."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from grader.columns import CANNOT_TELL, FAIL, NEAR_LIMIT, PASS, TEST_FAIL, TEST_NEAR, TEST_PASS
from grader.judge.context import _in_force
from grader.judge.verdicts import JUDGED
from tests.support import AIRLINE, VISIT, Case, codes_of, graded_apart, graded_files

# 60 mg/m³ x 10 at 7 bar: a dew point of about 0.3 °C under pressure, so that 5.3 °C is the lowest that passes.
NONE_STATED = {
    **AIRLINE,
    "dryer": "refrigerant",
    "water_tube_mg_m3": 60.0,
    "water_multiplier": 10.0,
    "lowest_use_temperature_c": None,
    "ambient_temperature_c": 18.0,
}
COLD, MILD, WARM = 2.0, 12.0, 21.0


def stated(value, **more):
    return {**NONE_STATED, "lowest_use_temperature_c": value, **more}


def visits(*told, rules=None, as_of="2026-11-25", **visit):
    """Visits of one site a quarter apart from January 2025, one file and its rows each: the judged table, problems."""
    files = {}
    for number, rows in enumerate(told):
        day = date(2025 + number // 4, 1 + 3 * (number % 4), 14)
        of_visit, rows = rows if isinstance(rows, tuple) else ({}, rows)
        files[f"visit{number + 1}.xlsx"] = ({**VISIT, "test_date": day, **visit, **of_visit}, rows)
    return graded_files(files, rules, as_of)


def water(*told, **more):
    """Verdicts of water, in order."""
    return visits(*told, **more)[0]["verdict_water"].tolist()


# A temperature once stated


def test_what_failed_at_a_stated_temperature_does_not_pass_because_the_cell_is_left_blank():
    tests, problems = visits([stated(COLD)], [NONE_STATED])
    assert tests["verdict"].tolist() == [TEST_FAIL, TEST_FAIL]
    assert "visit1.xlsx, row 2" in tests["reasons"].iloc[1]
    assert "temperature_carried" in codes_of(problems, 1)
    note = next(b for b in problems.batches if b.code == "temperature_carried")
    assert "visit1.xlsx, row 2" in note.params["source"][0] and "2 °C" in note.params["stated"][0]


def test_carried_on_over_several_blank_visits_and_by_what_was_stated_last():
    assert water([stated(MILD)], [NONE_STATED], [stated(COLD)], [NONE_STATED]) == [PASS, PASS, FAIL, FAIL]


def test_the_row_s_own_ambient_counts_where_it_is_colder_than_what_is_carried():
    assert water([stated(MILD)], [{**NONE_STATED, "ambient_temperature_c": 3.0}]) == [PASS, FAIL]


def test_a_blank_cell_before_anything_was_stated_is_judged_by_itself():
    tests, problems = visits([NONE_STATED], [stated(COLD)])
    assert tests["verdict_water"].tolist()[0] != FAIL
    assert "temperature_carried" not in problems.codes()


def test_an_unreadable_temperature_is_not_blank():
    tests, problems = visits([stated(MILD)], [stated("cold")])
    assert tests["verdict_water"].iloc[1] == CANNOT_TELL
    assert "temperature_carried" not in problems.codes()


def test_a_test_after_the_day_of_the_run_states_nothing():
    early = date(2026, 6, 1)
    files = {
        "a.xlsx": ({**VISIT, "test_date": early}, [stated(COLD)]),
        "b.xlsx": ({**VISIT, "test_date": date(2026, 9, 1)}, [NONE_STATED]),
    }
    assert graded_files(files, as_of="2026-01-01")[0]["verdict_water"].iloc[1] != FAIL


def test_another_outlet_s_temperature_is_only_tried_and_the_worse_counts():
    bay2 = {"outlet": "Bay 2"}
    tests, problems = visits([stated(COLD)], [{**NONE_STATED, **bay2}])
    assert tests["verdict_water"].tolist() == [FAIL, FAIL]
    assert "visit1.xlsx, row 2" in tests["reasons"].iloc[1] and "Bay 1" in tests["reasons"].iloc[1]
    assert "temperature_tried" in codes_of(problems, 1)
    # Nothing known at all: the dew point may be no higher than -11 °C, and a neighbour's warm shop changes nothing.
    blind = {**NONE_STATED, **bay2, "ambient_temperature_c": None, "airline_temperature_c": None}
    assert water([stated(WARM)], [blind]) == [PASS, FAIL]


def test_another_system_or_site_says_nothing():
    tests, problems = visits([stated(COLD)], [{**NONE_STATED, "outlet": "Bay 2", "system": "Other"}])
    assert tests["verdict_water"].iloc[1] != FAIL
    assert "temperature_tried" not in problems.codes()


def test_of_several_neighbours_the_coldest_then_in_force_is_tried():
    rows = [stated(COLD, outlet="A"), stated(MILD, outlet="B")]
    mine = {**NONE_STATED, "outlet": "C"}
    assert water(rows, [mine])[-1] == FAIL
    # A states its warm shop on two later days: then nobody is cold any more.
    later = [stated(MILD, outlet="A"), stated(MILD, outlet="B")]
    assert water(rows, later, later, [mine])[-1] in (PASS, NEAR_LIMIT)


def test_a_temperature_stated_much_higher_is_cannot_tell_until_it_is_stated_on_a_second_day():
    tests, problems = visits([stated(COLD)], [stated(WARM)], [NONE_STATED], [stated(WARM)], [NONE_STATED])
    assert tests["verdict_water"].tolist() == [FAIL, CANNOT_TELL, CANNOT_TELL, PASS, PASS]
    assert "temperature_raised" in codes_of(problems, 1)
    assert "temperature_raised" not in codes_of(problems, 3)


def test_a_temperature_raised_by_5_k_replaces_the_earlier_at_once():
    assert water([stated(9.0)], [stated(14.0)], [NONE_STATED]) == [PASS, PASS, PASS]
    tests, problems = visits([stated(9.0)], [stated(14.1)])
    assert "temperature_raised" in problems.codes()
    assert tests["verdict_water"].tolist() == [PASS, PASS]  # both pass: nothing differs


def test_a_single_higher_day_is_forgotten_when_the_old_temperature_is_stated_again():
    assert water([stated(COLD)], [stated(WARM)], [stated(COLD)], [NONE_STATED])[-1] == FAIL


def test_29_cfr_holds_the_dew_point_at_one_atmosphere_against_what_is_carried():
    # 200 mg/m³ are about -33 °C at one atmosphere (frost): 5.56 K below -30 °C it is not.
    dry = {"dryer": "desiccant", "water_tube_mg_m3": 200.0, "water_multiplier": 1.0}
    told = water([stated(-30.0, **dry)], [{**NONE_STATED, **dry}], rules="osha-grade-d")
    assert told == [FAIL, FAIL]


def test_the_fields_keep_what_was_written():
    """A record's number rests on them, and no copy of a visit is told by what was never written."""
    tests, _ = visits((HIGH_UP, [stated(MILD)]), (HIGH_UP, [NONE_STATED]), [NONE_STATED])
    assert np.isnan(tests["lowest_use_temperature_c"].iloc[2]) and tests["lowest_use_temperature_c_state"].iloc[2] == 0
    assert np.isnan(tests["atmospheric_pressure_hpa"].iloc[2])
    assert tests["use_past_c"].iloc[2] == MILD and "908" in tests["reasons"].iloc[2]


def test_the_row_alone_and_the_row_among_strangers_are_judged_alike():
    others = [stated(COLD, outlet=f"X{i}", site=f"Elsewhere {i}") for i in range(20)]
    alone = visits([NONE_STATED])[0]
    among = graded_files({"o.xlsx": ({**VISIT, "test_date": date(2024, 1, 1)}, others),
                          "visit1.xlsx": ({**VISIT, "test_date": date(2025, 1, 14)}, [NONE_STATED])})[0]  # fmt: skip
    assert among["reasons"].iloc[-1] == alone["reasons"].iloc[0]


def test_a_neighbour_s_temperature_never_makes_a_verdict_better():
    """Eighteen rows, each at a site of its own; and again after a neighbour's visit, at three temperatures."""
    rng = np.random.default_rng(0)
    mine = [
        {**NONE_STATED, "outlet": "Mine", "water_tube_mg_m3": float(w), "ambient_temperature_c": float(a)}
        for w, a in zip(rng.uniform(5, 120, 18), rng.uniform(-5, 30, 18))
    ]
    without = [tests["verdict"][0] for tests, _ in graded_apart([Case([row], VISIT) for row in mine])]
    for t in (-20.0, 4.0, 30.0):
        files = {}
        for number, row in enumerate(mine):
            for part, (day, told) in enumerate(((date(2025, 1, 14), stated(t)), (date(2025, 4, 14), row))):
                files[f"{number:02} {part}.xlsx"] = ({**VISIT, "site": f"Works {number}", "test_date": day}, [told])
        with_it = graded_files(files)[0]["verdict"].iloc[1::2]
        # The coldest ambient of the site counts, too, so only the worse is allowed, never the better.
        assert all(a >= b for a, b in zip(with_it, without, strict=True))
        assert t > 0 or any(a > b for a, b in zip(with_it, without))


# A site's usual atmospheric pressure

# 4.6 ppm by the tube is 5.13 ppm at 908 hPa (900 m): a fail of EN 12021 there, a pass at sea level.
CO = {**AIRLINE, "co_ppm": 4.6}
HIGH_UP = {"atmospheric_pressure_hpa": 908.0}
SEA = {"atmospheric_pressure_hpa": 1013.0}


def co(*told, **more):
    return visits(*told, **more)[0]["verdict_co"].tolist()


def test_a_sea_level_pressure_typed_for_a_site_at_900_m_does_not_pass_what_fails_there():
    tests, problems = visits((HIGH_UP, [CO]), (HIGH_UP, [CO]), (SEA, [CO]))
    assert tests["verdict_co"].tolist() == [FAIL, FAIL, FAIL]
    assert "pressure_unusual" in codes_of(problems, 2)
    query = next(b for b in problems.batches if b.code == "pressure_unusual")
    assert "visit1.xlsx, row 2" in query.params["source"][0] and "visit2.xlsx, row 2" in query.params["source"][0]


def test_no_pressure_given_where_the_usual_is_low_is_judged_with_the_usual_one_and_noted():
    tests, problems = visits((HIGH_UP, [CO]), (HIGH_UP, [CO]), [CO])
    assert tests["verdict_co"].tolist() == [FAIL, FAIL, FAIL]
    assert "pressure_usual_taken" in codes_of(problems, 2)


def test_one_earlier_visit_is_no_usual_pressure_and_a_queried_one_does_not_count():
    assert co((HIGH_UP, [CO]), [CO])[-1] != FAIL
    # The third is queried; the usual stays 908 hPa, however often the wrong one is typed again.
    told = [(HIGH_UP, [CO]), (HIGH_UP, [CO]), (SEA, [CO]), (SEA, [CO]), (SEA, [CO]), (SEA, [CO])]
    assert co(*told) == [FAIL] * 6


def test_weather_is_no_query():
    _, problems = visits(
        (HIGH_UP, [CO]), ({"atmospheric_pressure_hpa": 890.0}, [CO]), ({"atmospheric_pressure_hpa": 930.0}, [CO])
    )
    assert "pressure_unusual" not in problems.codes()


def test_the_usual_pressure_never_makes_a_verdict_better():
    """Less pressure lowers the dew point under pressure: only the worse of both counts."""
    row = stated(5.2)
    with_it = visits((HIGH_UP, [AIRLINE]), (HIGH_UP, [AIRLINE]), [{**row, "outlet": "Bay 2"}])[0]
    without = visits([{**row, "outlet": "Bay 2"}])[0]
    for key in JUDGED:
        ranks = [1, 2, 5, 4, 3, 0, 0]
        assert ranks[with_it[f"verdict_{key}"].iloc[-1]] >= ranks[without[f"verdict_{key}"].iloc[0]]


def test_each_parameter_counts_by_the_pressure_that_is_worse_for_it():
    """Already corrected tubes do not move; the dew point is warmer at the higher pressure, the gases higher at the lower."""
    row = {**stated(MILD), "co_ppm": 4.6}
    tests, _ = visits((HIGH_UP, [row]), (HIGH_UP, [row]), (SEA, [row]))
    last = tests.iloc[-1]
    assert last["verdict_co"] == FAIL
    assert last["co_upper"] == pytest.approx(4.6 * 1013.25 / 908.0)


def test_a_pass_at_both_pressures_stays_a_pass():
    tests, _ = visits((HIGH_UP, [AIRLINE]), (HIGH_UP, [AIRLINE]), (SEA, [AIRLINE]))
    assert tests["verdict"].isin((TEST_PASS, TEST_NEAR)).all()


def test_a_temperature_raised_by_the_register_holds_from_its_first_test():
    """Design, "Water": cannot tell until stated on a second day or in the register."""
    rows = [stated(COLD), stated(WARM)]
    tests, _ = visits([rows[0]], [rows[1]])
    value = tests["lowest_use_temperature_c_upper"].to_numpy()
    identity, day = np.zeros(2, dtype=np.int64), np.array([100, 200])
    for entered, lower in (([False, False], COLD), ([False, True], np.nan)):
        found = _in_force(identity, day, value, np.arange(2), np.array(entered))
        assert found.value.tolist() == [COLD, WARM]
        assert found.other.tolist()[-1] == pytest.approx(lower, nan_ok=True)
