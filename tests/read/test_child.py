"""Reading whole workbooks through the child processes: what comes back, and what a broken file costs."""

import datetime
import hashlib
import io
import os
import pickle
import subprocess
import sys

import numpy as np
import openpyxl
import pytest

from grader.problems import GraderError, Place, Problems, Unreadable, a1
from grader.read import child, process
from grader.read.child import packed, unpacked
from grader.read.find import Finding, FoundFile, find_workbooks
from grader.read.process import read_workbooks, reading_limits
from grader.words import words

LIMITS = reading_limits()
FAR = b'<row r="1048576"><c r="%s1048576"><v>1</v></c></row>'


def read(folder, **options):
    """The log, and the problems as (file name, code, cell)."""
    problems = Problems()
    log = read_workbooks(find_workbooks(folder, problems), problems, **options)
    said = [(log.files["name"][b.file], b.code, b.cell) for b in problems.batches]
    return log, said


def reply(folder, name, data, books, **limits):
    """What a child answers of one file, asked within this process."""
    return child.read_file(str(books.put(folder, name, data)), {**LIMITS, **limits})


def test_visit_and_readings_of_a_filled_blank(tmp_path, books):
    visit = [
        ("Site", "North works"),
        ("Test date", datetime.datetime(2024, 3, 1)),
        ("Client", "A firm"),
        ("Interval (months)", 3),
    ]
    readings = [
        (*books.HEADINGS, "Client", "Test time"),
        (1, *books.READING, None, datetime.time(10, 30)),
        ("2", *books.READING, "Another firm", None),
    ]
    books.put(tmp_path, "v.xlsx", books.workbook({"Visit": visit, "Readings": readings}))
    log, said = read(tmp_path)
    assert said == []
    assert list(log.rows["site"]) == ["North works"] * 2
    assert list(log.rows["test_date"]) == [datetime.date(2024, 3, 1)] * 2
    assert list(log.rows["client"]) == ["A firm", "Another firm"]
    assert log.from_constant["client"].tolist() == [True, False]
    assert log.from_constant["site"].tolist() == [True, True]
    assert list(log.rows["outlet"]) == [1.0, "2"]
    assert list(log.rows["test_time"]) == [datetime.time(10, 30), None]
    assert log.rows["remarks"].isna().all()
    assert {log.rows[name].dtype.kind for name in log.rows.columns[4:]} == {"O", "f"}  # decimals alone are figures
    assert log.rows[["file", "table", "row", "column"]].to_numpy().tolist() == [[0, 0, 1, -1], [0, 0, 2, -1]]
    assert log.tables[0].constants["interval_months"] == (Place("Visit", 3, 1), 3.0)
    assert log.files.loc[0, ["name", "format", "rows_found", "rows_refused", "state"]].tolist() == [
        "v.xlsx",
        "xlsx",
        2,
        0,
        "read",
    ]


def test_places_lead_back_to_the_cell_that_openpyxl_sees(tmp_path, books):
    rows = [
        ["Log", None],
        [],
        [None, *books.HEADINGS],
        *([None, n, *books.READING] for n in (11, 12)),
        [],
        [None, 13, *books.READING],
    ]
    path = books.put(tmp_path, "flat.xlsx", books.workbook({"Sheet with 'quote' & more": rows}))
    log, _ = read(tmp_path)
    sheet = openpyxl.load_workbook(path)["Sheet with 'quote' & more"]
    assert list(log.rows["row"]) == [3, 4, 6]
    for name in ("outlet", "oxygen_pct", "water_tube_mg_m3", "supply"):
        place = log.tables[0].places[name]
        for number, row in enumerate(log.rows["row"]):
            assert sheet[a1(row, place.column)].value == log.rows[name][number]


def test_fields_of_one_file_are_blank_in_another(tmp_path, books):
    books.put(tmp_path, "1.xlsx", books.workbook({"Readings": [("Outlet", "Oxygen (%)"), ("a", 20.9)]}))
    books.put(
        tmp_path,
        "2.xlsx",
        books.workbook({"Visit": [("Site", "B")], "Readings": [("Outlet", "Oil (mg/m³)"), ("b", 0.1)]}),
    )
    books.put(tmp_path, "3.xlsx", books.workbook({"Readings": [("Outlet", "Oxygen (%)"), ("c", 20.8)]}))
    log, _ = read(tmp_path)
    assert log.rows["oxygen_pct"].fillna(-1).tolist() == [20.9, -1, 20.8]
    assert log.rows["oil_mg_m3"].fillna(-1).tolist() == [-1, 0.1, -1]
    assert list(log.rows["site"]) == [None, "B", None]
    assert log.from_constant["site"].tolist() == [False, True, False]
    assert log.from_constant["site"].dtype == np.bool_


@pytest.mark.parametrize(
    "epoch", [openpyxl.utils.datetime.CALENDAR_WINDOWS_1900, openpyxl.utils.datetime.CALENDAR_MAC_1904]
)
def test_dates_of_both_date_systems(tmp_path, books, epoch):
    book = openpyxl.Workbook()
    book.epoch = epoch
    for row in (
        ("Outlet", "Oxygen (%)", "Test date"),
        ("a", 20.9, datetime.datetime(2024, 2, 29)),
        ("b", 20.9, datetime.datetime(2024, 2, 29, 10, 15)),
    ):
        book.active.append(row)
    books.put(tmp_path, "v.xlsx", books.saved(book))
    assert list(read(tmp_path)[0].rows["test_date"]) == [
        datetime.date(2024, 2, 29),
        datetime.datetime(2024, 2, 29, 10, 15),
    ]


def test_errors_formulas_and_percent_formats_reach_the_rows(tmp_path, books):
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(books.HEADINGS)
    sheet.append(("1", *books.READING))
    sheet.append(("2", "airline", None, None, "=A1", "#N/A"))
    sheet["F2"], sheet["F2"].number_format = 0.209, "0.0%"
    sheet["H2"], sheet["H2"].number_format = 0.0006, "0.00%"
    sheet["I4"] = "=1/0"
    books.put(tmp_path, "v.xlsx", books.saved(book))
    log, _ = read(tmp_path)
    assert list(log.rows["oxygen_pct"]) == [0.209, Unreadable("#N/A", "error"), None]
    assert list(log.rows["co2_ppm"]) == [Unreadable("0.06%", "percent"), None, None]
    assert list(log.rows["line_pressure_bar"]) == [6.0, Unreadable("=A1", "formula"), None]
    assert log.rows["oil_mg_m3"][2] == Unreadable("=1/0", "formula")  # below the last cell the library sees
    assert list(log.rows["row"]) == [1, 2, 3]


def test_an_unreadable_cell_does_not_fall_back_on_the_visit(tmp_path, books):
    books.put(
        tmp_path,
        "v.xlsx",
        books.workbook(
            {
                "Visit": [("Atmospheric pressure (hPa)", 1000)],
                "Readings": [("Outlet", "Oxygen (%)", "Atmospheric pressure (hPa)"), ("1", 20.9, "#N/A"), ("2", 20.9)],
            }
        ),
    )
    log, _ = read(tmp_path)
    assert list(log.rows["atmospheric_pressure_hpa"]) == [Unreadable("#N/A", "error"), 1000.0]
    assert log.from_constant["atmospheric_pressure_hpa"].tolist() == [False, True]


def test_two_filled_cells_at_the_ends_of_a_sheet_are_read_cell_by_cell(tmp_path, books):
    """The reading library would abort its process over such a sheet: 17 thousand million cells."""
    data = books.workbook({"Readings": [("Outlet", "Oxygen (%)"), ("1", 20.9)]})
    books.put(tmp_path, "1.xlsx", books.with_rows(data, FAR % b"XFD"))
    books.put(tmp_path, "2.xlsx", books.plain())
    log, said = read(tmp_path)
    assert list(log.files["rows_found"]) == [1, 2]
    assert said == [("1.xlsx", "row_without_test", "XFD1048576")]


def test_ten_readings_and_a_stray_cell_keep_their_addresses(tmp_path, books):
    data = books.with_rows(books.plain(range(1, 11)), FAR % b"X")
    assert 24 * 1_048_576 > LIMITS["dense_cells"]
    books.put(tmp_path, "v.xlsx", data)
    log, said = read(tmp_path)
    assert list(log.rows["row"]) == list(range(1, 11))
    assert list(log.rows["outlet"]) == list(range(1, 11))
    assert said == [("v.xlsx", "row_without_test", "X1048576")]


def test_a_large_sheet_with_too_many_cells_names_the_far_one(tmp_path, books):
    answer = reply(tmp_path, "v.xlsx", books.with_rows(books.plain(), FAR % b"X"), books, sparse_cells=31)
    assert (answer.code, answer.cell) == ("sheet_too_large", "X1048576")
    answer = reply(tmp_path, "v.xlsx", books.with_rows(books.plain(), FAR % b"X"), books, sparse_cells=32)
    assert answer.state == "read"


def test_an_unreadable_cell_far_down_a_sparse_sheet(tmp_path, books):
    far = b'<row r="1048576"><c r="F1048576"><f>A1</f></c><c r="X1048576"><v>1</v></c></row>'
    books.put(tmp_path, "v.xlsx", books.with_rows(books.plain(), far))
    log, _ = read(tmp_path)
    assert list(log.rows["row"]) == [1, 2, 1_048_575]
    assert log.rows["oxygen_pct"][2] == Unreadable("=A1", "formula")


def test_refusals_are_one_problem_each_and_the_run_goes_on(tmp_path, books):
    good = books.plain()
    ole = bytes.fromhex("d0cf11e0a1b11ae1") + "EncryptedPackage".encode("utf-16-le")
    no_such_text = b'<row r="9"><c r="A9" t="s"><v>99</v></c></row>'
    broken = {
        "cut.xlsx": (good[:-300], "truncated"),
        "empty.xlsx": (b"", "file_empty"),
        "text.xlsx": (b"hello", "not_a_workbook"),
        "list.csv": (b"a;b", "no_readings_sheet"),
        "flat.fods": (b"<office:document/>", "format_not_read"),
        "no.xlsx": (books.workbook({"Sheet1": [["hello"]]}), "no_readings_sheet"),
        "ole.xlsx": (ole, "encrypted"),
        "string.xlsx": (books.with_rows(good, no_such_text), "damaged"),
    }
    for name, (data, _) in broken.items():
        books.put(tmp_path, name, data)
    books.put(tmp_path, "good.xlsx", good)
    log, said = read(tmp_path)
    assert {name: code for name, code, _ in said} == {name: code for name, (_, code) in broken.items()}
    assert len(said) == len(broken)
    assert dict(zip(log.files["name"], log.files["state"])) == {**dict.fromkeys(broken, "refused"), "good.xlsx": "read"}
    assert len(log.rows) == 2


def test_a_workbook_under_a_wrong_suffix_is_read_for_what_it_is(tmp_path, books):
    books.put(tmp_path, "v.xls", books.plain())
    log, said = read(tmp_path)
    assert (list(log.files["format"]), len(log.rows), said) == (["xlsx"], 2, [])


def test_own_products_are_no_inputs(tmp_path, books):
    book = openpyxl.load_workbook(io.BytesIO(books.plain()))
    book.custom_doc_props.append(openpyxl.packaging.custom.StringProperty(name="grader-kind", value="result"))
    books.put(tmp_path, "result.xlsx", books.saved(book))
    with pytest.raises(GraderError, match="Nothing to read.*1 made by this program"):
        read(tmp_path)
    books.put(tmp_path, "v.xlsx", books.plain())
    log, said = read(tmp_path)
    assert list(log.files["name"]) == ["v.xlsx"] and said == []
    assert log.passed_over_counts() == {"made by this program": 1}
    assert set(log.rows["file"]) == {0}


def test_what_is_hashed_is_the_file_and_nothing_is_changed(tmp_path, books):
    names = ["ward.xlsx", "💨 Prüfung/試験.xlsx"]
    before = {
        n: hashlib.sha256(books.put(tmp_path, n, books.plain([i])).read_bytes()).hexdigest()
        for i, n in enumerate(names)
    }
    listing = sorted(str(p) for p in tmp_path.rglob("*"))
    log, _ = read(tmp_path)
    assert dict(zip(log.files["name"], log.files["sha256"])) == before
    assert {n: hashlib.sha256((tmp_path / n).read_bytes()).hexdigest() for n in names} == before
    assert sorted(str(p) for p in tmp_path.rglob("*")) == listing


def test_the_result_does_not_depend_on_the_number_of_children(tmp_path, books):
    for i in range(12):
        books.put(tmp_path, f"v{i}.xlsx", books.plain(range(1, 2 + i % 5)) if i % 4 else b"broken")
    seen = []
    one, said_one = read(tmp_path, children=1, progress=lambda done, total: seen.append((done, total)))
    two, said_two = read(tmp_path, children=2)
    assert one.rows.equals(two.rows) and one.files.equals(two.files) and said_one == said_two
    assert list(one.files["name"]) == [f"v{i}.xlsx" for i in range(12)]
    assert seen == [(i, 12) for i in range(1, 13)]
    assert one.files["rows_found"].sum() == len(one.rows)


def test_a_child_that_dies_costs_one_file(tmp_path, books):
    """The limits are lifted, so that the reading library itself aborts its process for want of 400 GB."""
    data = books.workbook({"Readings": [("Outlet", "Oxygen (%)"), ("1", 20.9)]})
    for i in range(4):
        books.put(tmp_path, f"v{i}.xlsx", books.plain([i]))
    books.put(tmp_path, "v1.xlsx", books.with_rows(data, FAR % b"XFD"))
    log, said = read(tmp_path, limits={"dense_cells": 10**12, "memory_bytes": 2 * 10**9})
    assert said == [("v1.xlsx", "reader_died", "")]
    assert list(log.rows["outlet"]) == [0.0, 2.0, 3.0]


def test_a_child_that_hangs_is_stopped_and_costs_one_file(tmp_path, books):
    """A workbook is put in the place of a pipe that nobody writes to, behind the search's back."""
    if not hasattr(os, "mkfifo"):
        pytest.skip("no pipes with names on this system")
    pipe = tmp_path / "a.xlsx"
    os.mkfifo(pipe)
    good = books.put(tmp_path, "b.xlsx", books.plain())
    found = Finding([FoundFile("a.xlsx", str(pipe), 1), FoundFile("b.xlsx", str(good), 1)], [])
    problems = Problems()
    log = read_workbooks(found, problems, limits={"seconds_a_file": 0.5})
    assert [(b.code, b.file) for b in problems.batches] == [("timed_out", 0)]
    assert len(log.rows) == 2


def test_a_file_that_has_gone_since_it_was_found(tmp_path, books):
    path = books.put(tmp_path, "a.xlsx", books.plain())
    found = find_workbooks(tmp_path, Problems())
    path.unlink()
    problems = Problems()
    assert list(read_workbooks(found, problems).files["state"]) == ["refused"]
    assert problems.codes() == {"file_missing"}


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (PermissionError(13, "no"), "file_forbidden"),
        (OSError(5, "Input/output error"), "file_unreadable"),
        (MemoryError(), "out_of_memory"),
        (ValueError("x"), "reader_crashed"),
    ],
)
def test_what_goes_wrong_on_opening_is_told_apart(monkeypatch, error, code):
    def fail(*arguments):
        raise error

    monkeypatch.setattr("builtins.open", fail)
    assert child.read_file("a.xlsx", LIMITS).code == code


def test_a_panic_of_the_reading_library_is_caught_though_it_is_no_exception(tmp_path, books, monkeypatch):
    class Panic(BaseException):
        pass

    def fail(*arguments):
        raise Panic("index out of bounds\nsecond line")

    monkeypatch.setattr("grader.read.formats.workbook.open_sheets", fail)
    answer = reply(tmp_path, "v.xlsx", books.plain(), books)
    assert (answer.code, answer.params) == ("reader_crashed", {"what": "Panic: index out of bounds"})


def test_a_file_beyond_the_size_limit_is_refused_unread(tmp_path, books):
    data = books.plain()
    assert reply(tmp_path, "v.xlsx", data, books, file_bytes=len(data)).state == "read"
    answer = reply(tmp_path, "v.xlsx", data, books, file_bytes=len(data) - 1)
    assert (answer.code, answer.sha256) == ("file_too_large", "")


def test_a_row_lost_on_the_way_is_a_problem(tmp_path, books, monkeypatch):
    books.put(tmp_path, "v.xlsx", books.plain())
    real = process._replies

    def losing(*arguments):
        for index, answer in real(*arguments):
            answer.rows_found += 1
            yield index, answer

    monkeypatch.setattr(process, "_replies", losing)
    _, said = read(tmp_path)
    assert said == [("v.xlsx", "rows_lost", "")]


def test_a_child_that_cannot_start_stops_the_run(tmp_path, books, monkeypatch):
    books.put(tmp_path, "v.xlsx", books.plain())
    monkeypatch.setattr(sys, "executable", sys.executable + "-gone")
    process.end_kept()
    with pytest.raises(GraderError, match="reading process could not be started"):
        read(tmp_path)


def test_a_fault_on_the_parents_side_is_raised_and_not_waited_for(tmp_path, books, monkeypatch):
    def fail(stream, size):
        raise ValueError("a frame that cannot be unpacked")

    books.put(tmp_path, "v.xlsx", books.plain())
    monkeypatch.setattr(process.Child, "reply", fail)
    with pytest.raises(ValueError, match="a frame that cannot be unpacked"):
        read(tmp_path)


def test_the_child_loads_neither_pandas_nor_numpy():
    code = (
        "import sys; import grader.read.child, grader.read.formats.workbook, grader.read.shapes.recognise; "
        "print([m for m in ('pandas', 'numpy', 'click', 'openpyxl', 'scipy') if m in sys.modules])"
    )
    place = os.path.dirname(os.path.dirname(os.path.dirname(child.__file__)))
    done = subprocess.run([sys.executable, "-c", code], cwd=place, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_a_module_in_the_folder_of_the_workbooks_is_not_loaded(tmp_path, books, monkeypatch):
    books.put(tmp_path, "zipfile.py", b"raise SystemExit(3)")
    books.put(tmp_path, "v.xlsx", books.plain())
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(sys, "path", ["", *(p for p in sys.path if p)])
    assert len(read(tmp_path)[0].rows) == 2


def test_every_problem_of_this_stage_has_words_that_take_its_parameters():
    said = words()["problem"]
    known = {
        "what": "",
        "part": "",
        "size": "",
        "limit": "",
        "far": "",
        "seconds": "",
        "found": 1,
        "kept": 1,
        "first": "",
        "where": "",
        "heading": "",
        "label": "",
        "count": 1,
        "rows": 1,
        "value": "",
        "field": "",
        "line": 1,
        "layout": "",
        "choices": "",
    }
    codes = [
        "file_missing",
        "file_forbidden",
        "file_unreadable",
        "folder_unreadable",
        "file_empty",
        "file_too_large",
        "not_a_workbook",
        "format_not_read",
        "encrypted",
        "truncated",
        "damaged",
        "bomb",
        "doctype",
        "cell_percent",
        "cell_format",
        "cell_twice",
        "cell_number",
        "sheet_too_large",
        "out_of_memory",
        "reader_crashed",
        "reader_died",
        "timed_out",
        "no_readings_sheet",
        "rows_lost",
        "column_twice",
        "label_twice",
        "unknown_column",
        "column_without_heading",
        "unknown_label",
        "sheet_not_used",
        "empty_readings",
        "hidden_sheet",
        "row_of_totals",
        "row_of_remarks",
        "row_without_test",
        "row_headings_again",
    ]
    for code in codes:
        assert said[code]["severity"] in ("refused", "query", "note")
        assert said[code]["text"].format(**known) and said[code]["todo"].format(**known)


DAY, NOON = datetime.date(2026, 3, 1), datetime.datetime(2026, 3, 1, 12)
COLUMNS = [
    [1.5, -0.0, 3e300] * 200,
    [1.5, None, 2.0] * 200,
    ["a", "", "ä"] * 200,
    ["a", None] * 300,
    [f"text {n}" for n in range(600)],
    [DAY, None] * 300,
    [NOON, datetime.datetime(2026, 3, 2)] * 300,
    [datetime.time(9, 30)] * 600,
    [datetime.timedelta(hours=1), datetime.timedelta(0)] * 300,
    [1, 1.0, True, "1", None] * 200,
    [True, False] * 300,
    [None] * 600,
    [Unreadable("#N/A", "error"), 1.5] * 300,
    [DAY, NOON] * 300,
    [1.5, "x"],
    [],
]


@pytest.mark.parametrize("values", COLUMNS, ids=range(len(COLUMNS)))
def test_a_packed_column_comes_back_as_it_was(values):
    again = unpacked(pickle.loads(pickle.dumps(packed(values))))
    assert (
        again == values
        and list(map(type, again)) == list(map(type, values))
        and list(map(str, again)) == list(map(str, values))
    )


def test_equal_texts_of_a_long_column_are_one_object_afterwards():
    made = ["".join(["Bay ", str(n % 3)]) for n in range(600)]
    assert len(set(map(id, unpacked(packed(made))))) == 3


def test_a_process_started_early_is_the_one_that_reads(tmp_path, books):
    books.put(tmp_path, "v.xlsx", books.plain())
    process.end_kept()
    process.start_early()
    early = process._EARLY[0]
    assert len(read(tmp_path)[0].rows) == 2
    assert process._EARLY == [early] and early.poll() is None  # kept for the next run
    assert len(read(tmp_path)[0].rows) == 2 and process._EARLY == [early]
    process.end_kept()
    assert process._EARLY == [] and early.poll() is not None


def test_a_process_that_read_much_or_died_is_not_kept(tmp_path, books, monkeypatch):
    books.put(tmp_path, "v.xlsx", books.plain())
    process.end_kept()
    monkeypatch.setattr(process, "_KEPT_BYTES", 10)
    assert len(read(tmp_path)[0].rows) == 2 and process._EARLY == []


def test_a_process_started_early_and_never_taken_ends_with_the_command():
    code = (
        "from grader.read import process; process.start_early(); "
        "early = process._EARLY[0]; early.stdin.close(); print(early.wait(20))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert (done.stdout.strip(), done.stderr) == ("0", "")


def test_that_none_can_be_started_early_is_left_to_the_reading(monkeypatch):
    def fail():
        raise OSError("no more processes")

    monkeypatch.setattr(process, "_started", fail)
    process.end_kept()
    process.start_early()
    assert process._EARLY == []
