"""The Problems sheet's table: address, value, order, collapsed notes; and the words of every problem."""

from __future__ import annotations

import ast
import io
import string
from datetime import date, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import grader
from grader.columns import DOUBTS
from grader.problems import Place, Problems, Table, Unreadable
from grader.read.log import LogBuilder, LogFile
from grader.report import SEVERITIES, problem_table, source_table, unbalanced, value_text
from grader.review.verdict_sheet import verdict_table
from grader.words import words
from tests.support import AIRLINE, VISIT, graded_log, log_of


def table_of(rows, visit=None, **more):
    """Problems table of one file through all stages, and the tests its lines belong to."""
    log = log_of({"in/log.xlsx": ({**VISIT, **(visit or {})}, rows), **more})
    _, problems = graded_log(log)
    return problem_table(problems, log)


def lines(frame, part):
    return frame[frame["Problem"].str.contains(part, regex=False)]


def test_a_query_names_file_sheet_cell_and_value():
    frame, tests = table_of([AIRLINE, {**AIRLINE, "outlet": "Bay 2", "water_multiplier": 0.5}])
    [line] = lines(frame, "multiplier").to_dict("records")
    column = list(AIRLINE).index("water_multiplier")
    assert (line["File"], line["Sheet"], line["Cell"], line["Value"], line["Severity"]) == (
        "in/log.xlsx",
        "Readings",
        f"{chr(65 + column)}3",
        "0.5",
        "query",
    )
    assert tests[frame.index[frame["Value"] == "0.5"][0]] == 1


def test_a_value_of_the_visit_is_named_on_the_visit_sheet():
    frame, _ = table_of([AIRLINE], {"co_tube_expiry": date(2025, 12, 31)})
    [line] = lines(frame, "expired").to_dict("records")
    row = list(VISIT).index("co_tube_expiry") + 1
    assert (line["Sheet"], line["Cell"], line["Value"]) == ("Visit", f"B{row}", "2025-12-31")
    assert "2025-12-31" in line["Problem"]


def test_a_field_without_a_column_names_the_row_by_its_outlet():
    rows = [{k: v for k, v in AIRLINE.items() if k != "supply"}]
    frame, _ = table_of(rows)
    [line] = lines(frame, "supply is not given").to_dict("records")
    assert (line["Sheet"], line["Cell"], line["Value"]) == ("Readings", "A2", "")


def test_a_note_repeated_in_a_file_is_one_line_with_count_and_range():
    rows = [{**AIRLINE, "outlet": f"Bay {i}", "nominal_pressure_bar": None} for i in range(5)]
    frame, _ = table_of(rows)
    [line] = lines(frame, "No nominal pressure").to_dict("records")
    column = chr(65 + list(AIRLINE).index("line_pressure_bar"))
    assert line["Cell"] == f"{column}2:{column}6" and line["Problem"].endswith("(5 times)")


def test_a_note_of_the_visit_repeated_by_its_rows_has_one_cell():
    rows = [{**AIRLINE, "outlet": f"Bay {i}"} for i in range(3)]
    frame, _ = table_of(rows, {"atmospheric_pressure_hpa": 950})
    [line] = lines(frame, "At 950 hPa").to_dict("records")
    assert line["Cell"] == f"B{len(VISIT) + 1}" and line["Problem"].endswith("(3 times)")


def test_one_cause_in_a_file_is_one_line_and_two_files_are_two():
    rows = [
        {**AIRLINE, "outlet": f"Bay {i}", "nominal_pressure_bar": None, "water_multiplier": 0.5 + i / 4} for i in (0, 1)
    ]
    frame, tests = table_of(rows, None, **{"b.xlsx": ({**VISIT, "site": "B"}, rows)})
    assert lines(frame, "No nominal pressure")["File"].tolist() == ["in/log.xlsx", "b.xlsx"]
    [first, _] = lines(frame, "multiplier of").to_dict("records")
    column = chr(65 + list(AIRLINE).index("water_multiplier"))
    assert (first["Cell"], first["Value"]) == (f"{column}2:{column}3", "0.5, 0.75")
    assert "multiplier of 0.5, 0.75 cannot" in first["Problem"] and first["Problem"].endswith("(2 times)")
    assert tests[lines(frame, "multiplier of").index].tolist() == [0, 2]


def test_every_doubt_is_a_line_of_its_own_where_asked():
    rows = [{**AIRLINE, "outlet": f"Bay {i}", "water_multiplier": 0.5} for i in range(2)]
    log = log_of({"in/log.xlsx": (VISIT, rows)})
    _, problems = graded_log(log)
    frame, _ = problem_table(problems, log, each=True)
    assert len(lines(frame, "multiplier of")) == 2


def test_what_is_not_stated_is_one_line_a_file_with_every_count_and_cell():
    visit = {k: None for k in VISIT if k.endswith("_expiry") or k == "calibration_due"}
    rows = [{**AIRLINE, "outlet": f"Bay {i}", "nominal_pressure_bar": None if i else 10} for i in range(3)]
    frame, _ = table_of(rows, visit)
    [line] = lines(frame, "Not stated").to_dict("records")
    pressure = chr(65 + list(AIRLINE).index("line_pressure_bar"))
    assert f"{pressure}3:{pressure}4" in line["Cell"] and "Visit!B" in line["Cell"]
    assert "Oil tube expiry" in line["Problem"] and "nominal pressure" in line["Problem"]
    assert "(2 times)" in line["Problem"] and line["Problem"].endswith("(3 times)")


def test_what_many_files_say_alike_is_one_line_that_names_them():
    files = {f"{n}.xlsx": (VISIT, [{k: v for k, v in AIRLINE.items() if k != "supply"}]) for n in "abcde"}
    log = log_of(files)
    _, problems = graded_log(log)
    [line] = lines(problem_table(problems, log)[0], "supply is not given").to_dict("records")
    assert line["File"] == "5 files" and line["Problem"].endswith("(5 times)")
    assert "'[a.xlsx]Readings'!A2" in line["Cell"] and "'[e.xlsx]Readings'!A2" in line["Cell"]
    assert 'supply = "airline"' in line["What to do"]
    assert len(lines(problem_table(problems, log, fold=False)[0], "supply is not given")) == 5
    assert len(lines(problem_table(problems, log, files=4)[0], "supply is not given")) == 4


def test_order_is_refused_query_note_then_file_and_row():
    log = log_of(
        {
            "a.xlsx": (VISIT, [{**AIRLINE, "co_ppm": "x", "nominal_pressure_bar": None}]),
            "b.xlsx": (VISIT, [{**AIRLINE, "co_ppm": "x"}]),
        }
    )
    _, problems = graded_log(log)
    problems.add("no_readings_sheet", file=1)
    frame, tests = problem_table(problems, log)
    ranks = [SEVERITIES.index(s) for s in frame["Severity"]]
    assert ranks == sorted(ranks) and ranks[0] == 0 and tests[0] == -1
    queries = frame[frame["Severity"] == "query"]
    assert queries["File"].tolist() == sorted(queries["File"])


def test_across_and_form_tables_have_their_addresses():
    """Outlets across: a field is a row of the sheet, a test a column."""
    builder = LogBuilder()
    builder.add_file(LogFile("a.xlsx", "a.xlsx", "xlsx", rows_found=2))
    fields = list(AIRLINE)
    rows = [AIRLINE, {**AIRLINE, "outlet": "Bay 2", "co_ppm": "bad"}]
    builder.add_table(
        Table(
            "Ring",
            "across",
            {f: Place("Ring", r, None) for r, f in enumerate(fields)},
            {k: (Place("Ring", 90 + i, 1), v) for i, (k, v) in enumerate(VISIT.items())},
            rows=[0, 0],
            across=[2, 3],
            columns={f: [row[f] for row in rows] for f in fields},
        )
    )
    log = builder.build([])
    tests, problems = graded_log(log)
    frame, _ = problem_table(problems, log)
    [line] = frame[frame["Value"] == "bad"].to_dict("records")
    assert line["Cell"] == f"D{fields.index('co_ppm') + 1}"
    assert verdict_table(tests, ["a.xlsx"], ["Ring"])["Cell"].tolist() == ["C1", "D1"]


def test_values_are_shown_as_they_stand():
    assert value_text(Unreadable("#REF!", "error")) == "#REF!"
    assert value_text(datetime(2026, 3, 14)) == "2026-03-14"
    assert value_text(datetime(2026, 3, 14, 9, 30)) == "2026-03-14 09:30:00"
    assert value_text(True) == "True" and value_text(float("nan")) == "" and len(value_text("x" * 999)) == 200


# ------------------------------------------------------------------------------------------------- words


def read_back(texts):
    """The texts as pandas reads them from a sheet of text."""
    return pd.read_csv(io.StringIO("\n".join(["todo", *(f'"{t}"' for t in texts)])))["todo"]


def test_every_problem_says_what_to_do_in_words_that_pandas_does_not_read_as_missing():
    entries = words()["problem"]
    assert len(entries) > 50
    for code, entry in entries.items():
        assert set(entry) == {"severity", "text", "todo"} and entry["severity"] in SEVERITIES, code
    for kind, parts in words()["problem_parts"].items():
        assert set(parts) <= set(entries) and set(words()["problem_kind"][kind]) == {"text", "todo"}
        assert len({entries[code]["severity"] for code in parts}) == 1, kind
        assert entry["text"].strip() and entry["todo"].strip(), code
    todo = [e["todo"].replace('"', "'") for e in entries.values()]
    assert read_back(todo).notna().all()
    assert read_back(["n/a", "None"]).isna().all()  # the check can fail


def codes_in(folder: str) -> set[str]:
    """Codes given to Problems.add and add_tests as plain texts in one folder's modules."""
    found = set()
    for path in (Path(grader.__file__).parent / folder).rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if (
                isinstance(node, ast.Call)
                and isinstance(node.func, ast.Attribute)
                and node.func.attr in ("add", "add_tests")
                and node.args
                and isinstance(node.args[0], ast.Constant)
                and "problems" in ast.unparse(node.func.value)
            ):
                found.add(node.args[0].value)
    return found


@pytest.mark.parametrize("folder", ["", "compute", "judge", "review"])
def test_every_code_has_its_words(folder):
    codes = codes_in(folder)
    assert codes <= set(words()["problem"]), codes - set(words()["problem"])
    assert codes or folder == "review"


def test_every_doubt_has_its_words():
    assert set(DOUBTS[1:]) <= set(words()["doubt"])


def test_the_words_ask_only_for_what_a_problem_always_has_or_names():
    """A brace in a text that nobody fills would stop the run: all are names, none positional."""
    for code, entry in words()["problem"].items():
        for text in (entry["text"], entry["todo"]):
            names = [name for _, name, _, _ in string.Formatter().parse(text) if name is not None]
            assert all(n.isidentifier() for n in names), code


# ----------------------------------------------------------------------------------------------- sources


def test_rows_found_are_rows_graded_and_refused():
    log = log_of({"a.xlsx": (VISIT, [AIRLINE, AIRLINE]), "b.xlsx": (VISIT, [])})
    tests, _ = graded_log(log)
    frame = source_table(log, tests)
    assert frame["Rows graded"].tolist() == [2, 0] and unbalanced(frame).empty
    assert frame["First test"].tolist()[0] == pd.Timestamp("2026-03-14") and pd.isna(frame["First test"][1])
    log.files.loc[0, "rows_found"] = 3
    assert unbalanced(source_table(log, tests))["File"].tolist() == ["a.xlsx"]


def test_no_problem_at_all_is_an_empty_table_with_its_columns():
    frame, tests = problem_table(Problems(), log_of({}))
    assert len(frame) == 0 and list(frame)[:3] == ["File", "Sheet", "Cell"] and tests.dtype == np.int64


def test_a_query_of_one_cell_that_many_tests_rest_on_is_one_line():
    rows = [{**AIRLINE, "outlet": f"Bay {n}"} for n in range(1, 5)]
    log = log_of({"a.xlsx": ({**VISIT, "oil_tube_expiry": date(2026, 1, 31)}, rows)})
    _, problems = graded_log(log)
    frame, tests = problem_table(problems, log)
    expired = frame[frame["Problem"].str.contains("expired")]
    assert len(expired) == 1 and expired["Problem"].iloc[0].endswith("(4 times)")
    assert tests[expired.index[0]] == 0
    german, _ = problem_table(problems, log, "de")
    assert german["Problem"].str.endswith("(4-mal)").sum() == 1
