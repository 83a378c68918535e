"""Identity of sites and outlets, visits, repeats, conflicts, replaced files. Design, "History: Identity"."""

from __future__ import annotations

from datetime import date, datetime, time
from typing import Any

import pytest

from grader.columns import TEST_FAIL, TEST_INCOMPLETE, TEST_PASS
from grader.normalise import name_key
from tests.support import AIRLINE, VISIT, codes_of, graded, graded_files


def outlet(name: Any = "Bay 1", **changes: Any) -> dict[str, Any]:
    return {**AIRLINE, "outlet": name, **changes}


def files(*tests: tuple[str, dict[str, Any], list[dict[str, Any]]], as_of: str = "2026-11-25"):
    """Files of (name, changes to the visit, rows)."""
    return graded_files({name: ({**VISIT, **visit}, rows) for name, visit, rows in tests}, as_of=as_of)


# ------------------------------------------------------------------------------------------------- names


@pytest.mark.parametrize(
    "a, b",
    [
        ("Bay 3", "BAY 3"),
        ("Bay 03", "bay 3"),
        ("Bay-3", "Bay3"),
        ("Bay_3", "bay 3"),
        ("Bay  3", "Bay 3"),
        ("Bay 007", "Bay 7"),
        ("1-1", "1.1"),
        ("1-01", "01-1"),
        ("Bay 3A", "bay-3-a"),
        ("Bäy 3", "BÄY 3"),
        ("Ｂay ３", "Bay 3"),
        ("Paint shop (north)", "paint shop north"),
        ("0", "00"),
    ],
)
def test_names_that_are_one(a, b):
    assert name_key(a) == name_key(b)


@pytest.mark.parametrize(
    "a, b",
    [
        ("1-1", "11"),
        ("1 1", "11"),
        ("1.10", "1.1"),
        ("Bay 3", "Bay 4"),
        ("Bay 13", "Bay 3"),
        ("Bay 3", "Bya 3"),
        ("Bay 30", "Bay 3"),
        ("A1", "1A"),
        ("Bay", "Bay 0"),
        ("-", "."),
        ("Bay 3", "Bay 3+"),
    ],
)
def test_names_that_are_two(a, b):
    """Names that differ in a digit are never taken for slips of one another."""
    assert name_key(a) != name_key(b)


def test_a_whole_number_as_a_name_loses_its_point_nought():
    tests, _ = graded([outlet(3.0), outlet("3", test_date=date(2026, 6, 14)), outlet(3, test_date=date(2026, 9, 14))])
    assert tests["outlet"].tolist() == ["3", "3", "3"] and tests["identity"].nunique() == 1


def test_the_same_outlet_at_two_sites_is_two():
    tests, _ = graded([outlet(), outlet(site="South Works")])
    assert tests["identity"].nunique() == 2


def test_clients_keep_sites_of_one_name_apart():
    tests, _ = graded([outlet(client="A"), outlet(client="B")])
    assert tests["identity"].nunique() == 2 and tests["site_key"].nunique() == 2


def test_a_client_left_out_belongs_to_the_only_one_of_its_site():
    tests, problems = files(
        ("a.xlsx", {"client": "A"}, [outlet()]),
        ("b.xlsx", {"client": None, "test_date": date(2026, 6, 14)}, [outlet()]),
    )
    assert tests["identity"].nunique() == 1 and "client_missing" not in problems.codes()


def test_a_client_left_out_where_there_are_two_stays_apart_and_is_queried():
    tests, problems = files(
        ("a.xlsx", {"client": "A"}, [outlet()]),
        ("b.xlsx", {"client": "B"}, [outlet()]),
        ("c.xlsx", {"client": None}, [outlet()]),
    )
    assert tests["identity"].nunique() == 3 and "client_missing" in codes_of(problems, 2)


def test_a_blank_site_is_named_after_its_file_queried_and_never_merged():
    tests, problems = files(("2025/log.xlsx", {"site": None}, [outlet()]), ("2026/log.xlsx", {"site": " "}, [outlet()]))
    assert tests["site"].nunique() == 2 and tests["identity"].nunique() == 2
    assert tests["site"][0] == "2025/log (site not given)"
    assert "no_site" in codes_of(problems, 0) and "no_site" in codes_of(problems, 1)
    assert not tests["conflict"].any()


def test_an_outlet_without_a_name_is_graded_under_a_stand_in_and_queried():
    tests, problems = graded([outlet(None), outlet("")])
    assert tests["outlet"].tolist() == ["(no name, log.xlsx row 2)", "(no name, log.xlsx row 3)"]
    assert tests["identity"].nunique() == 2 and (tests["verdict"] == TEST_PASS).all()
    assert "no_outlet_name" in codes_of(problems, 0)


def test_system_belongs_to_the_identity_where_a_visit_holds_the_name_twice():
    tests, _ = graded(
        [
            outlet(system="Main"),
            outlet(system="Breathing"),
            outlet(system="MAIN", test_date=date(2026, 6, 14)),
            outlet("Bay 2", system="Main"),
        ]
    )
    assert tests["identity"].tolist()[0] == tests["identity"].tolist()[2]
    assert tests["identity"].nunique() == 3 and not tests["conflict"].any()


def test_system_does_not_belong_to_the_identity_elsewhere():
    """A system renamed between visits leaves the outlet what it was."""
    tests, _ = graded([outlet(system="Main"), outlet(system="Ring 1", test_date=date(2026, 6, 14))])
    assert tests["identity"].nunique() == 1


def test_location_tells_apart_too_within_one_file():
    tests, _ = graded([outlet(location="North wall"), outlet(location="South wall", co_ppm=2)])
    assert tests["identity"].nunique() == 2 and not tests["conflict"].any()


def test_a_blank_location_or_another_files_spelling_does_not_hide_a_conflict():
    for other in (None, "N wall"):
        tests, _ = files(
            ("a.xlsx", {}, [outlet(location="North wall")]), ("b.xlsx", {}, [outlet(location=other, co_ppm=2)])
        )
        assert tests["conflict"].all(), other


# ------------------------------------------------------------------------------------------------ visits


def test_a_visit_is_one_file_within_seven_days():
    tests, _ = graded([outlet(f"Bay {i}", test_date=date(2026, 3, d)) for i, d in enumerate((1, 4, 8, 9))])
    assert tests["visit"].tolist() == [0, 0, 0, 1]


def test_several_files_of_one_site_on_one_day_are_one_visit():
    tests, _ = files(
        ("a.xlsx", {}, [outlet("1"), outlet("2", test_date=date(2026, 3, 15))]),
        ("b.xlsx", {"test_date": date(2026, 3, 15)}, [outlet("3")]),
        ("c.xlsx", {"test_date": date(2026, 3, 16)}, [outlet("4")]),
    )
    visit = tests["visit"].tolist()
    assert visit[0] == visit[1] == visit[2] != visit[3]


def test_two_sites_in_one_file_are_two_visits_and_no_date_is_none():
    tests, _ = graded([outlet(), outlet(site="South"), outlet("Bay 2", site="South")])
    assert tests["visit"].tolist() == [0, 1, 1]
    tests, problems = graded([outlet()], {**VISIT, "test_date": None})
    assert tests["visit"][0] == -1 and not tests["dated"][0] and "no_date" in problems.codes()


# ------------------------------------------------------------------------------- repeats and conflicts


def test_the_same_test_in_two_files_is_a_repeat_of_the_first():
    tests, problems = files(("a.xlsx", {}, [outlet()]), ("b.xlsx", {}, [outlet("BAY-1", remarks="copied")]))
    assert tests["repeat_of"].tolist() == [-1, 0] and not tests["conflict"].any()
    assert "repeat" in codes_of(problems, 1)


def test_other_readings_on_one_day_are_a_conflict_and_both_are_kept():
    tests, problems = files(("a.xlsx", {}, [outlet()]), ("b.xlsx", {}, [outlet(co_ppm=9)]))
    assert tests["conflict"].tolist() == [True, True] and tests["verdict"].tolist() == [TEST_PASS, TEST_FAIL]
    assert "conflict" in codes_of(problems, 0) and "conflict" in codes_of(problems, 1)
    assert tests["same_day"][0] == tests["same_day"][1] >= 0


def test_equal_readings_with_another_expiry_are_no_repeat():
    """Only one of the copies says that the tube had expired: the worse of both must count."""
    tests, _ = files(("a.xlsx", {}, [outlet()]), ("b.xlsx", {"co_tube_expiry": date(2025, 1, 1)}, [outlet()]))
    assert tests["repeat_of"].tolist() == [-1, -1] and tests["conflict"].all()
    assert tests["verdict"].tolist() == [TEST_PASS, TEST_INCOMPLETE]


def test_a_retest_rules_over_what_it_repeats():
    tests, problems = graded([outlet(co_ppm=9), outlet(visit_reason="retest")])
    assert tests["superseded"].tolist() == [True, False] and not tests["conflict"].any()
    assert "later_test_rules" in codes_of(problems, 0)


def test_two_retests_do_not_say_which_is_the_later():
    tests, _ = graded([outlet(co_ppm=9), outlet(visit_reason="retest"), outlet(visit_reason="retest", co_ppm=2)])
    assert tests["conflict"].all() and not tests["superseded"].any()


def test_test_times_say_which_is_the_later():
    tests, _ = graded([outlet(test_time=time(14, 30)), outlet(test_time="09:15", co_ppm=9)])
    assert tests["superseded"].tolist() == [False, True] and not tests["conflict"].any()


@pytest.mark.parametrize("times", [("09:15", None), ("09:15", "09:15"), ("09:15", "half past")])
def test_without_two_different_times_it_is_a_conflict(times):
    tests, _ = graded([outlet(test_time=times[0]), outlet(test_time=times[1], co_ppm=9)])
    assert tests["conflict"].all()


def test_a_test_timed_after_the_retest_is_not_overruled_by_it():
    tests, _ = graded(
        [outlet(co_ppm=2), outlet(visit_reason="retest", test_time="10:00"), outlet(co_ppm=9, test_time="11:00")]
    )
    assert not tests["superseded"].any() and tests["conflict"].all()


def test_not_visited_rows_and_other_days_conflict_with_nothing():
    blank = {k: None for k in AIRLINE if k not in ("outlet", "system", "supply")}
    tests, problems = graded([outlet(), {**AIRLINE, **blank}, outlet(co_ppm=2, test_date=datetime(2026, 3, 20, 9))])
    assert not tests["conflict"].any() and (tests["same_day"] == -1).all()
    assert tests["visited"].tolist() == [True, False, True] and "not_visited" in codes_of(problems, 1)


# --------------------------------------------------------------------------------------- Replaces file


def test_a_replaced_file_counts_for_nothing_and_is_marked():
    tests, _ = files(("in/a.xlsx", {}, [outlet(co_ppm=9)]), ("in/b.xlsx", {"replaces_file": "a.xlsx"}, [outlet()]))
    assert tests["replaced"].tolist() == [True, False] and not tests["conflict"].any()
    assert "Replaced by a later file" in tests["reasons"][0]


@pytest.mark.parametrize("named", ["A.XLSX", "a", "in\\a.xlsx", "in/a", "C:\\logs\\in\\a.xlsx"])
def test_ways_to_name_a_file(named):
    tests, _ = files(("in/a.xlsx", {}, [outlet()]), ("in/b.xlsx", {"replaces_file": named}, [outlet(co_ppm=2)]))
    assert tests["replaced"].tolist() == [True, False]


def test_a_folder_tells_files_of_one_name_apart():
    logs = [("2025/a.xlsx", {}, [outlet()]), ("2026/a.xlsx", {}, [outlet(co_ppm=2)])]
    tests, _ = files(*logs, ("b.xlsx", {"replaces_file": "2026/a.xlsx"}, [outlet(co_ppm=3)]))
    assert tests["replaced"].tolist() == [False, True, False]
    tests, problems = files(*logs, ("b.xlsx", {"replaces_file": "a.xlsx"}, [outlet(co_ppm=3)]))
    assert not tests["replaced"].any() and "replaces_several_files" in problems.codes()


def test_an_unknown_file_replaces_nothing_and_is_queried_once():
    tests, problems = files(
        ("a.xlsx", {}, [outlet()]), ("b.xlsx", {"replaces_file": "gone.xlsx"}, [outlet("2"), outlet("3")])
    )
    assert not tests["replaced"].any()
    assert [len(b.tests) for b in problems.batches if b.code == "replaces_unknown_file"] == [1]


def test_files_in_a_circle_replace_nothing():
    tests, problems = files(
        ("a.xlsx", {"replaces_file": "b"}, [outlet()]),
        ("b.xlsx", {"replaces_file": "c"}, [outlet()]),
        ("c.xlsx", {"replaces_file": "a"}, [outlet()]),
    )
    assert not tests["replaced"].any() and "replaces_in_a_circle" in problems.codes()


def test_a_file_that_names_itself_stays():
    tests, problems = files(("a.xlsx", {"replaces_file": "a.xlsx"}, [outlet()]))
    assert not tests["replaced"].any() and "replaces_in_a_circle" in problems.codes()


def test_a_chain_leaves_the_last():
    tests, _ = files(
        ("a.xlsx", {}, [outlet()]),
        ("b.xlsx", {"replaces_file": "a"}, [outlet()]),
        ("c.xlsx", {"replaces_file": "b"}, [outlet()]),
    )
    assert tests["replaced"].tolist() == [True, True, False]


def test_a_colder_ambient_in_a_replaced_file_counts_for_nothing():
    warm = {
        "water_tube_mg_m3": None,
        "dew_point_measured_c": 2,
        "dew_point_measured_at_bar": 7,
        "lowest_use_temperature_c": None,
    }
    cold = (
        "a.xlsx",
        {"test_date": date(2026, 1, 5)},
        [outlet(ambient_temperature_c=-3, lowest_use_temperature_c=None)],
    )
    tests, _ = files(cold, ("b.xlsx", {}, [outlet(**warm)]))
    assert tests["colder_seen_c"][1] == -3
    tests, _ = files(cold, ("b.xlsx", {"replaces_file": "a", "replaces_date": date(2026, 1, 5)}, [outlet(**warm)]))
    assert tests["verdict"][1] == TEST_PASS


def test_no_row_is_ever_dropped_and_the_index_stays():
    tests, _ = graded([outlet(), {}, outlet(None), outlet(), outlet(rule_set="?", supply="?", odour="?")])
    assert tests.index.tolist() == [0, 1, 2, 3, 4]


def test_an_empty_log_is_an_empty_table():
    tests, problems = graded([])
    assert len(tests) == 0 and not problems.batches


def test_a_file_of_another_date_replaces_nothing_and_is_queried():
    old, new = ("a.xlsx", {}, [outlet(co_ppm=9)]), {"replaces_file": "a", "test_date": date(2026, 3, 16)}
    tests, problems = files(old, ("b.xlsx", new, [outlet()]))
    assert not tests["replaced"].any() and "replaces_other_visit" in problems.codes()
    tests, problems = files(old, ("b.xlsx", {**new, "replaces_date": date(2026, 3, 14)}, [outlet()]))
    assert tests["replaced"].tolist() == [True, False] and "replaces_other_visit" not in problems.codes()


def test_a_file_of_another_site_replaces_nothing_unless_it_corrects_the_site():
    old = ("a.xlsx", {"site": "Nroth Works"}, [outlet()])
    tests, problems = files(old, ("b.xlsx", {"replaces_file": "a"}, [outlet()]))
    assert not tests["replaced"].any() and "replaces_other_visit" in problems.codes()
    tests, _ = files(old, ("b.xlsx", {"replaces_file": "a", "replaces_site": "nroth works"}, [outlet()]))
    assert tests["replaced"].tolist() == [True, False]


def test_what_the_new_file_does_not_hold_goes_on_counting_and_is_queried():
    tests, problems = files(
        ("a.xlsx", {}, [outlet("1"), outlet("2")]), ("b.xlsx", {"replaces_file": "a"}, [outlet("1", co_ppm=2)])
    )
    assert tests["replaced"].tolist() == [True, False, False] and tests["replaced_by"].tolist() == [2, -1, -1]
    assert "replaced_outlet_kept" in codes_of(problems, 1) and "replaced_outlet_kept" not in codes_of(problems, 0)


def test_an_outlet_that_the_new_file_names_and_does_not_test_goes_on_counting():
    untested = {k: None for k in AIRLINE if k not in ("outlet", "system", "supply")}
    tests, _ = files(("a.xlsx", {}, [outlet(co_ppm=9)]), ("b.xlsx", {"replaces_file": "a"}, [{**AIRLINE, **untested}]))
    assert not tests["replaced"].any()


def test_in_a_flat_log_a_row_replaces_its_own_visit_only():
    rows = [outlet(co_ppm=9), outlet(test_date=date(2026, 4, 1), co_ppm=9)]
    tests, _ = files(("a.xlsx", {}, rows), ("b.xlsx", {}, [outlet(replaces_file="a")]))
    assert tests["replaced"].tolist() == [True, False, False]


def test_of_several_files_of_one_name_the_one_beside_is_meant():
    logs = [("2025/a.xlsx", {}, [outlet(co_ppm=3)]), ("2026/a.xlsx", {}, [outlet(co_ppm=2)])]
    tests, _ = files(*logs, ("2026/b.xlsx", {"replaces_file": "a.xlsx"}, [outlet()]))
    assert tests["replaced"].tolist() == [False, True, False]


def test_a_fail_replaced_by_a_pass_is_queried():
    tests, problems = files(("a.xlsx", {}, [outlet(co_ppm=9)]), ("b.xlsx", {"replaces_file": "a"}, [outlet()]))
    assert "replaced_fail_passes" in codes_of(problems, 1)
    tests, problems = files(("a.xlsx", {}, [outlet()]), ("b.xlsx", {"replaces_file": "a"}, [outlet(co_ppm=2)]))
    assert "replaced_fail_passes" not in problems.codes()


def test_times_over_midnight_under_one_date_do_not_say_which_is_the_later():
    """Design: more than 12 h apart and one before 06:00 is a night shift."""
    for early, late, conflict in (("01:00", "23:00", True), ("05:59", "18:00", True), ("06:00", "23:00", False),
                                  ("05:00", "17:00", False)):  # fmt: skip
        tests, _ = graded([outlet(test_time=early, co_ppm=9), outlet(test_time=late)])
        assert tests["conflict"].all() == conflict and tests["conflict"].any() == conflict, (early, late)
