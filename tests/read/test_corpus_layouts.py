"""Every log of the corpus reads the same with the layout file that is saved of it, and kinds are told apart."""

import pytest
from click.testing import CliRunner

from grader.cli import main
from grader.columns import FIELDS
from grader.problems import Problems
from grader.read.find import find_workbooks
from grader.read.layout import with_layouts
from grader.read.layout_save import layout_text
from grader.read.process import read_workbooks
from tests.read.corpus_logs import logs, read_folder, write
from tests.read.corpus_scores import outcome


def rows(log):
    """Each test of a log: its place, its raw cells with their units, and what is unclear, by file."""
    names = [n for n in log.rows if n not in ("file", "table", "row", "column")]
    made = {}
    for row in log.rows.to_dict("records"):
        table = log.tables[row["table"]]
        filled = {n: (repr(row[n]), table.units.get(n, "")) for n in names if row[n] is not None and row[n] == row[n]}
        unclear = [(u.heading, u.choices, u.place) for u in table.unclear]
        place = (table.sheet, row["row"], row["column"])
        made.setdefault(log.files["name"].iloc[row["file"]], []).append((place, filled, unclear))
    return made


@pytest.fixture(scope="module")
def twice(tmp_path_factory):
    """The corpus as it is read without layout files, and with those that are saved of it."""
    folder = tmp_path_factory.mktemp("corpus")
    for log in logs():
        write(log, folder)
    problems = Problems()
    found = find_workbooks(folder, problems)
    before = read_workbooks(found, problems)
    for number, name in enumerate(before.files["name"]):
        (folder / f"{name}.layout.toml").write_text(layout_text(before, number), encoding="utf-8")
    again = Problems()
    after = read_workbooks(with_layouts(found, [folder], [], again)[0], again)
    return rows(before), rows(after), again.codes()


@pytest.mark.parametrize("log", logs(), ids=lambda log: log.name)
def test_a_saved_layout_reads_the_log_as_before(twice, log):
    before, after, _ = twice
    assert after.get(log.file) == before.get(log.file)


def test_no_saved_layout_misfits_its_log(twice):
    assert not {"layout_mismatch", "layouts_rival", "layout_unused"} & twice[2]


def test_files_built_alike_are_one_kind_with_one_layout(tmp_path):
    some = {log.name: log for log in logs()}
    one, other = some["01-quarterly-down"], some["02-outlets-across"]
    for name, log in (("log Q1", one), ("log Q2", one), ("sheet", other)):
        log.file = f"{name}.xlsx"
        write(log, tmp_path)
    shown = CliRunner().invoke(main, ["layout", str(tmp_path), "--save", str(tmp_path)])
    assert "log Q1.xlsx: 2 files built alike" in shown.output and "sheet.xlsx: 1 table" in shown.output
    saved = sorted(p.name for p in tmp_path.glob("*.layout.toml"))
    assert saved == ["log Q1.layout.toml", "sheet.layout.toml"]
    assert 'files = ["log Q*.xlsx"]' in (tmp_path / saved[0]).read_text(encoding="utf-8")
    again = CliRunner().invoke(main, ["layout", str(tmp_path)])
    assert "layout file" in again.output and "does not fit" not in again.output


def test_fields_are_listed_with_heading_unit_and_words():
    shown = CliRunner().invoke(main, ["layout", "--fields"]).output
    named = [line.split()[0] for line in shown.splitlines() if line.startswith("  ")]
    assert sorted(named) == sorted(FIELDS) and len(shown) < 13_000
    assert "  Carbon monoxide (ppm); " in shown and "refrigerant (refrigeration, fridge" in shown
    assert "  Test date; date tested, prüfdatum, date d'essai" in shown


# What a person changes in the saved layouts of the logs of the corpus that are not read fully right without one:
# text as saved -> as corrected, one line each (in 92 once a sheet).
CORRECTIONS = {
    "15-cylinder-filling": {'# site = "..."': 'site = "Tarn Dive Hut"'},
    "17-general-words": {
        '# oil_mg_m3 = { column = "I", unit = "?" }': 'oil_mg_m3 = { column = "I", unit = "mg/m³" }',
        '# dew_point_measured_c = { column = "J", unit = "?" }': 'dew_point_measured_c = { column = "J", unit = "°C" }',
        '# flow_l_min = { column = "L", unit = "?" }': 'flow_l_min = { column = "L", unit = "L/min" }',
        '# ambient_temperature_c = { column = "N", unit = "?" }': 'ambient_temperature_c = { column = "N", unit = "°C" }',
    },
    "33-mindestdruck": {"system = { column": "supply = { column"},
    "59-month-first": {"# test_date = {": "test_date = {"},
    "61-limits-in-headings": {"# odour = {": "odour = {", "# oxygen_pct = {": "oxygen_pct = {"},
    "65-four-columns-of-labels": {
        '# site = "..."': 'site = "Tarrant Glass"',
        "[table.fields]": '[table.fields]\noutlet = { cell = "B4" }',
    },
    "69-membrane-cold-room": {"[table.fields]": '[table.fields]\ntest_date = { column = "B" }'},
    "73-werksnetz": {
        '# site = "Halle A"   # found': 'site = "Guss Harz"\ntested_by = "Ot."   # found',
        '# test_date = "Dienstag, 25. März 2025"   # f': "test_date = 2025-03-25   # f",
        "# heading_row = 3": "heading_row = 3\nlast_row = 9\nignore_rows = [4, 7]",
        '# [[table.group]]\n# first_row = 8\n# last_row = 9\n# [table.group.constants]\n# site = "Halle B"': (
            '[[table.group]]\nfirst_row = 8\nlast_row = 9\n[table.group.constants]\nsite = "Guss Harz"'
        ),
    },
    "76-frigorifique": {"# oil_mg_m3 = {": "oil_mg_m3 = {", '# dryer = "unknown"': 'dryer = "refrigerant"'},
    "87-second-line-repeats": {'# site = "..."': 'site = "Penhale Quarry"'},
    "92-year-book-a-sheet-a-visit": {
        '# supply = "airline"': 'tested_by = "R.T."\nsupply = "airline"',
        '# site = "Crag Lane Coachworks"   # found in Visit 1': "test_date = 2025-01-14   #",
        '# site = "Crag Lane Coachworks"   # found in Visit 2': "test_date = 2025-07-15   #",
    },
    "94-numbered-notes-and-ditto": {"[table.fields]": '[table.fields]\nlocation = { column = "C" }'},
}


def test_a_corrected_layout_reads_a_log_fully_right(tmp_path):
    some = [log for log in logs() if log.name in CORRECTIONS]
    paths = [write(log, tmp_path) for log in some]
    problems = Problems()
    saved = read_workbooks(find_workbooks(tmp_path, problems), problems)
    by_file = {name: number for number, name in enumerate(saved.files["name"])}
    for log, path in zip(some, paths):
        text = layout_text(saved, by_file[log.file])
        for old, new in CORRECTIONS[log.name].items():
            assert old in text, (log.name, old, text)
            text = text.replace(old, new)
        path.with_name(f"{log.name}.layout.toml").write_text(text, encoding="utf-8")
    for log, read in zip(some, read_folder(tmp_path, some)):
        found = outcome(log, read)
        assert (log.name, found.faults, found.lost, found.phantoms) == (log.name, [], [], [])
