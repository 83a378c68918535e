"""Columns of cells: what depends on the other cells, on the row and on the kind; every problem's words."""

import string
from datetime import date, datetime, time, timedelta
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grader.columns import BLANK, FIELDS, FRACTION, NOT_DETECTED, NOT_TESTED_WORD, OPEN_UPPER, PLAIN, READ, UNREADABLE
from grader.problems import Problems, Table, Unreadable
from grader.read.cells import read_cells
from grader.words import words

settings.register_profile("unhurried", deadline=None)
settings.load_profile("unhurried")

ERROR, FORMULA = Unreadable("#DIV/0!", "error"), Unreadable("=A1*10", "formula")


def make_log(table=None, units=None, **columns):
    """A stand-in for the reading stage's log: one list of raw cells a field."""
    n = len(next(iter(columns.values())))
    made = {
        "file": np.zeros(n, int),
        "table": np.array(table or [0] * n),
        "row": np.arange(n) + 1,
        "column": np.full(n, -1),
    }
    for name, cells in columns.items():
        made[name] = pd.Series(np.fromiter(cells, dtype=object, count=n), dtype=object)
    tables = [Table(f"Sheet{i}", units=units or {}) for i in range(max(made["table"], default=0) + 1)]
    return SimpleNamespace(rows=pd.DataFrame(made), tables=tables)


def read(table=None, units=None, month_first=False, **columns):
    """(tests, {code: test numbers}) of some raw cells."""
    problems = Problems()
    tests = read_cells(make_log(table, units, **columns), problems, month_first=month_first)
    found = {}
    for batch in problems.batches:
        found.setdefault(batch.code, []).extend(batch.tests)
    return tests, found


def test_every_field_has_its_columns_and_absent_ones_are_blank():
    tests, found = read(outlet=["1", "2"])
    assert found == {}
    for name, spec in FIELDS.items():
        endings = ["", "_state"]
        if spec.kind == "number":
            endings = ["", "_lower", "_upper", "_open", "_state", "_how", "_text"]
        assert {name + e for e in endings} <= set(tests.columns)
        if name != "outlet":
            assert (tests[f"{name}_state"] == BLANK).all() and tests[name].isna().all()
    assert list(tests.columns[:4]) == ["file", "table", "row", "column"]
    assert list(tests.index) == [0, 1]
    assert tests["test_date"].dtype == "datetime64[s]" and tests["site"].dtype == object


def test_no_rows():
    tests, found = read(co_ppm=[], test_date=[], supply=[], site=[], test_time=[])
    assert len(tests) == 0 and found == {}


def test_the_index_of_the_log_is_kept_and_names_the_tests():
    log = make_log(co_ppm=[4.0, "48O"])
    log.rows.index = [17, 23]
    problems = Problems()
    assert list(read_cells(log, problems).index) == [17, 23]
    assert problems.batches[0].tests == [23]


@pytest.mark.parametrize("name", list(FIELDS))
@pytest.mark.parametrize(
    ("cell", "code"),
    [
        (ERROR, "cell_error"),
        (FORMULA, "cell_formula"),
        (Unreadable("0.06%", "percent"), "cell_percent"),
        (Unreadable("4 / 5", "twice"), "cell_twice"),
        (Unreadable("nan", "number"), "cell_number"),
        (Unreadable("?", "another reason"), "cell_unreadable"),
    ],
)
def test_an_error_or_a_formula_is_unreadable_in_every_field(name, cell, code):
    tests, found = read(**{name: [None, cell]})
    assert list(tests[f"{name}_state"]) == [BLANK, UNREADABLE]
    assert tests[name].isna().all() and found == {code: [1]}


@pytest.mark.parametrize(
    ("cell", "code"),
    [
        (True, "number_true_false"),
        (datetime(2026, 5, 3), "number_date"),
        (date(2026, 5, 3), "number_date"),
        (time(3, 5), "number_date"),
        (timedelta(hours=3), "number_date"),
        (float("inf"), "number_not_finite"),
        (float("-inf"), "number_not_finite"),
        (-1, "number_negative"),
        (10**400, "number_not_finite"),
        ("48O", "number_letter"),
    ],
)
def test_what_is_no_number_is_unreadable_and_shown_as_it_stands(cell, code):
    tests, found = read(co_ppm=[4.0, cell])
    assert list(tests["co_ppm_state"]) == [READ, UNREADABLE] and found == {code: [1]}
    assert np.isnan(tests[["co_ppm", "co_ppm_lower", "co_ppm_upper"]].to_numpy()[1]).all()
    assert isinstance(tests["co_ppm_text"][1], str) and tests["co_ppm_text"][0] is None


def test_numbers_and_texts_of_one_column():
    tests, found = read(
        co_ppm=[4, 4.5, -0.0, "<5", "4,5 ppm", None, "", "n/a", float("nan")],
        oxygen_pct=[20.9, 0.209, "0,209", 0.05, 209000.0, "20,900", 21, ">20,9", None],
        ambient_temperature_c=[-5, -5.5, "−5", 0, 21, None, None, None, None],
    )
    assert tests["co_ppm"].tolist()[:3] == [4.0, 4.5, 0.0] and not np.signbit(tests["co_ppm"][2])
    assert (tests["co_ppm_upper"][3], tests["co_ppm_open"][3], tests["co_ppm_text"][3]) == (5.0, OPEN_UPPER, "<5")
    assert list(tests["co_ppm_state"]) == [READ] * 5 + [BLANK] * 4
    assert list(tests["co_ppm_how"])[5:] == [PLAIN, PLAIN, NOT_TESTED_WORD, PLAIN]
    assert tests["oxygen_pct"].tolist()[:4] == [20.9, 20.9, 20.9, 0.05]
    assert list(tests["oxygen_pct_how"])[:4] == [PLAIN, FRACTION, FRACTION, PLAIN]
    assert tests["oxygen_pct"][5] == 20.9 and tests["oxygen_pct_upper"][7] == 100.0
    assert found == {"fraction_read": [1, 2], "number_too_high": [4]}
    assert tests["ambient_temperature_c"].tolist()[:3] == [-5.0, -5.5, -5.0]


def test_true_is_not_one():
    """Python counts True as 1; a cell that says TRUE must not become a reading, nor 1 an unreadable cell."""
    tests, _ = read(co_ppm=[1, True, 1.0, False, 0], outlet=[1, True, 1.0, False, 0])
    assert list(tests["co_ppm_state"]) == [READ, UNREADABLE, READ, UNREADABLE, READ]
    assert list(tests["outlet"]) == ["1", "TRUE", "1", "FALSE", "0"]


# ------------------------------------------------------------------------------------- the column settles it


@pytest.mark.parametrize(
    ("cells", "value"),
    [
        (["1,250", "2,5"], 1.25),
        (["1,250", "0,125"], 1.25),
        (["1,250", "1,234,567"], 1250.0),
        (["1,250", "1,250.5"], 1250.0),
        (["1,250", "1.250,5"], 1.25),
        (["1.250", "2.5"], 1.25),
        (["1.250", "1.250,5"], 1250.0),
        (["1,250", "<2,5 ppm"], 1.25),
    ],
)
def test_other_cells_of_the_column_settle_a_doubtful_mark(cells, value):
    tests, found = read(co_ppm=cells)
    assert tests["co_ppm"][0] == value and found == {}
    tests, found = read(co_ppm=cells[::-1])
    assert tests["co_ppm"][1] == value and found == {}


@pytest.mark.parametrize("other", ["2.5", "1,250", "250", "2,5O", 2.5, None])
def test_nothing_else_settles_it(other):
    _, found = read(co_ppm=["1,250", other])
    assert 0 in found["number_marks"]


def test_only_the_same_table_and_field_settle_it():
    tests, found = read(table=[0, 0, 1, 1], co_ppm=["1,250", "2,5", "1,250", "3"], oil_mg_m3=[None, None, None, "0,1"])
    assert tests["co_ppm"][0] == 1.25 and found == {"number_marks": [2]}


def test_mixed_marks_are_queried_and_settle_nothing():
    tests, found = read(co_ppm=["2,5", "3.5", "4.5", "1,250", "1.250"])
    assert found == {"marks_mixed": [0], "number_marks": [3, 4]}
    assert tests["co_ppm"].tolist()[:3] == [2.5, 3.5, 4.5]
    _, found = read(table=[0, 1], co_ppm=["2,5", "3.5"])
    assert found == {}
    _, found = read(co_ppm=["1.250,5", "1,250.5", "1,300.5"])
    assert found == {"marks_mixed": [0]}
    _, found = read(co_ppm=["1.250,5", "2,5", "1.234.567"])
    assert found == {}


# ------------------------------------------------------------------------------------------ not detected


def test_not_detected_takes_the_lowest_mark_of_its_row():
    """A result below the lowest mark is "less than", not zero: common practice, no source."""
    tests, found = read(co_ppm=["ND"] * 5, co_lowest_mark_ppm=[2.0, "2 ppm", None, "x", 0.0])
    assert tests["co_ppm_upper"].tolist()[:3] == [2.0, 2.0, 5.0]
    assert list(tests["co_ppm_state"]) == [READ] * 3 + [UNREADABLE] * 2
    assert list(tests["co_ppm_text"]) == ["ND"] * 5
    assert (tests["co_ppm_how"] == NOT_DETECTED).all() and (tests["co_ppm_lower"][:3] == 0.0).all()
    assert (tests["co_ppm_open"][:3] == OPEN_UPPER).all()
    assert found == {"not_detected_default": [2], "word_mark_unusable": [3, 4], "number_not_read": [3]}


def test_not_detected_without_a_known_mark_cannot_tell():
    tests, found = read(
        co2_ppm=["nil", None],
        water_tube_mg_m3=["ND", None],
        oxygen_pct=["ND", None],
        water_mg_m3=[None, "nil"],
        water_lowest_mark_mg_m3=[None, 10],
        oil_mg_m3=[None, "nil"],
    )
    assert [tests[f"{n}_state"][0] for n in ("co2_ppm", "water_tube_mg_m3", "oxygen_pct")] == [UNREADABLE] * 3
    assert tests["water_mg_m3_upper"][1] == 10.0 and tests["oil_mg_m3_upper"][1] == 0.5
    assert found["word_not_detected"] == [0, 0, 0] and found["not_detected_default"] == [1]


# --------------------------------------------------------------------------------------------- units


def test_a_column_in_another_unit_is_never_taken_for_the_fields_own():
    """1 psi is 6894.757 Pa (NIST SP 811 B.8, as in test_units)."""
    tests, found = read(units={"line_pressure_bar": "psig"}, line_pressure_bar=[87, "87", "6 bar", "<90", "87 ppm"])
    assert tests["line_pressure_bar"].tolist()[:3] == pytest.approx([5.99844, 5.99844, 6.0], abs=1e-4)
    assert tests["line_pressure_bar_upper"][3] == pytest.approx(6.20528, abs=1e-4)
    assert found == {"number_unit": [4]}


# ------------------------------------------------------------------------------------------ words and texts


def test_words():
    tests, found = read(
        supply=["Airline", "air-line", " AIR  LINE. ", "cylindre", "boat", None, "", "n/a", 3],
        dryer=["None", "n/a", "-", "?", "re-frigerant", "unknown", "desicant", "none?", True],
        tubes_corrected=[True, False, "Y", "NO", "Already corrected", "perhaps", None, None, None],
    )
    assert list(tests["supply"])[:3] == ["airline"] * 3
    assert list(tests["supply_state"]) == [READ] * 3 + [UNREADABLE] * 2 + [BLANK] * 3 + [UNREADABLE]
    assert list(tests["dryer"])[:6] == ["none", "none", "none", "unknown", "refrigerant", "unknown"]
    assert list(tests["tubes_corrected"])[:5] == ["yes", "no", "yes", "no", "already corrected"]
    assert all(w is None for w in tests["supply"][3:])
    assert 3 in found["word_unknown_near"] and 4 in found["word_unknown"] and 6 in found["word_unknown_near"]
    _, found = read(odour=["NOK", "not ok", "nonne"], outlet_status=["not locked off", None, "lockd off"])
    assert found["word_unknown_near"] == [2, 2]  # what denies a word is never taken for a slip of it


def test_an_unknown_word_lists_the_words_and_the_nearest():
    problems = Problems()
    read_cells(make_log(supply=["cylindre"]), problems)
    (batch,) = problems.batches
    assert batch.params == {"allowed": "airline, charging compressor, cylinder", "nearest": ["cylinder"]}


@pytest.mark.parametrize("name", [f.name for f in FIELDS.values() if f.kind == "word"])
def test_every_word_of_the_data_is_read_as_its_own(name):
    means = {
        written: canonical
        for canonical, spellings in FIELDS[name].words.items()
        for spelling in (canonical, *spellings)
        for written in (spelling, spelling.upper(), f"  {spelling} ")
    }
    tests, found = read(**{name: list(means)})
    assert tests[name].tolist() == list(means.values()) and found == {}


def test_texts():
    tests, found = read(
        outlet=[3.0, 3, "3", " 3 ", "3.0", 3.5, True, "A\u00a0 1", "e\u0301", "\u200b", None],
        remarks=[None] * 9 + ["two\nlines", datetime(2026, 3, 4)],
    )
    assert list(tests["outlet"]) == ["3", "3", "3", "3", "3.0", "3.5", "TRUE", "A 1", "\u00e9", None, None]
    assert list(tests["outlet_state"]) == [READ] * 9 + [BLANK] * 2
    assert list(tests["remarks"])[9:] == ["two lines", "2026-03-04"] and found == {}


def test_a_date_in_a_name_is_read_and_queried():
    tests, found = read(outlet=[datetime(2026, 2, 1), date(2026, 2, 1), datetime(2026, 2, 1, 8, 30), "1-2"])
    assert list(tests["outlet"]) == ["2026-02-01", "2026-02-01", "2026-02-01 08:30", "1-2"]
    assert found == {"text_date": [0, 1, 2]}


# ------------------------------------------------------------------------------------------------- whole

CELLS = st.one_of(
    st.none(),
    st.floats(allow_nan=False),
    st.integers(-(10**6), 10**6),
    st.booleans(),
    st.text(max_size=8),
    st.sampled_from(["<5", "1,250", "2,5", "ND", "4/3/2026", "13/3/26", "airline", "9:05", ERROR, FORMULA]),
    st.datetimes(datetime(1900, 1, 1), datetime(2200, 1, 1)),
    st.dates(date(1900, 1, 1), date(2200, 1, 1)),
    st.times(),
    st.timedeltas(timedelta(0), timedelta(days=3)),
)


@given(st.lists(CELLS, max_size=12), st.sampled_from(list(FIELDS)), st.booleans())
def test_no_cell_is_lost_and_what_is_unreadable_is_said(cells, name, month_first):
    tests, found = read(month_first=month_first, **{name: cells})
    assert len(tests) == len(cells)
    state = tests[f"{name}_state"].to_numpy() if len(cells) else np.array([])
    said = {t for code, numbers in found.items() if words()["problem"][code]["severity"] == "query" for t in numbers}
    for i, cell in enumerate(cells):
        if cell is None:
            assert state[i] == BLANK
        if isinstance(cell, Unreadable):
            assert state[i] == UNREADABLE
        if state[i] == UNREADABLE:
            assert i in said and pd.isna(tests[name][i])
        if state[i] == READ and FIELDS[name].kind == "number":
            assert not isinstance(cell, (bool, date, time, timedelta))
            assert tests[f"{name}_lower"][i] <= tests[f"{name}_upper"][i]


@given(st.lists(CELLS, min_size=1, max_size=6), st.sampled_from(["co_ppm", "test_date", "supply", "site", "test_time"]))
def test_a_table_is_read_the_same_whatever_stands_in_the_next(cells, name):
    alone, _ = read(**{name: cells})
    together, _ = read(table=[0] * len(cells) + [1, 1, 1], **{name: [*cells, "1.250,5", "3/14/2026", "charging"]})
    columns = [c for c in alone.columns if c.startswith(name)]
    pd.testing.assert_frame_equal(alone[columns], together[columns].iloc[: len(cells)])


# ------------------------------------------------------------------------------------------------- words

# What this stage says; each is brought about below.
CODES = (
    "cell_error", "cell_formula", "cell_unreadable", "number_not_read", "number_letter", "number_range",
    "number_doubt", "number_marks", "marks_mixed", "number_unit", "number_negative", "number_too_high",
    "number_bound_empty", "number_fraction_bound", "number_not_finite", "number_true_false", "number_date",
    "fraction_read", "not_detected_default", "word_not_detected", "word_mark_unusable", "word_trace",
    "word_stain_elsewhere", "date_not_read", "date_impossible", "date_year_alone", "date_month_alone", "date_order",
    "date_order_assumed", "date_serial", "date_swapped", "expiry_month", "expiry_earlier", "time_not_read",
    "word_unknown", "word_unknown_near", "text_date",
)  # fmt: skip
WORDS = {code: words()["problem"][code] for code in CODES}


def test_the_words_ask_or_say_and_tell_what_to_do():
    for code, entry in WORDS.items():
        assert entry["severity"] in ("query", "note") and entry["text"] and entry["todo"], code
        fields = {f for _, f, _, _ in string.Formatter().parse(entry["text"] + entry["todo"]) if f}
        assert fields <= {"value", "heading", "detail", "allowed", "nearest", "unit", "count"}, code


@pytest.mark.parametrize("why", ["error", "formula", "percent", "format", "twice", "number", "another reason"])
def test_every_reason_of_an_unreadable_cell_has_words(why):
    _, found = read(co_ppm=[Unreadable("?", why)])
    assert all(words()["problem"][code]["severity"] == "query" for code in found) and found


def test_the_parameters_that_the_words_need_are_given():
    problems = Problems()
    log = make_log(
        table=[0] * 6 + [1] * 6,
        co_ppm=["48O", "ND", "1,250", "2,5", "3.5", "-1", "5-6", "~5", "<0", True, 1e400, "4 L/min"],
        oxygen_pct=[0.209, 209000.0, ">0.195", "ND", "trace", "stain"] + [time(9)] * 6,
        co_lowest_mark_ppm=[None, "x"] + [None] * 9 + ["ND"],
        oil_mg_m3=["ND"] + [ERROR, FORMULA] + ["x"] * 9,
        water_tube_mg_m3=["ND"] * 12,
        water_lowest_mark_mg_m3=[0] * 12,
        test_date=["4/3/2026", "31.2.2026", "2026", "2027-03", "x", 45000] + ["13/3/2026", "3/13/2026"] + [None] * 4,
        co_tube_expiry=["4/3/2026", "2027-03"] + [None] * 10,
        supply=["cylindre", "boat", Unreadable("?", "another reason")] + [None] * 9,
        calibration_due=[datetime(2026, m, 2) for m in range(1, 12)] + ["13/3/2026"],
        test_time=["x"] * 12,
        outlet=[datetime(2026, 1, 2)] * 12,
    )
    log.tables = [Table("A"), Table("B")]
    read_cells(log, problems)
    # The swapped dates stand in two tables here, so they are read apart.
    read_cells(make_log(calibration_due=[datetime(2026, m, 2) for m in range(1, 12)] + ["13/3/2026"]), problems)
    assert problems.codes() == set(WORDS)
    for batch in problems.batches:
        entry = WORDS[batch.code]
        params = {k: v[0] if isinstance(v, list) else v for k, v in batch.params.items()}
        for v in batch.params.values():
            assert not isinstance(v, list) or len(v) == len(batch.tests)
        assert len(batch.values) == len(batch.tests)
        shown = {"value": batch.values[0], "heading": FIELDS[batch.field_name].heading}
        assert "{" not in (entry["text"] + entry["todo"]).format(**shown, **params)
