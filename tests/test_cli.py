"""The command line: documents and commands agree; exit status; one clear line for what cannot be done."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from grader.cli import main
from grader.problems import GraderError
from tests.support import AIRLINE
from tests.test_batch import visit_file

ROOT = Path(__file__).parents[1]


def call(*arguments: str | Path):
    return CliRunner().invoke(main, [str(a) for a in arguments], catch_exceptions=False)


def test_grade_writes_a_result_and_says_so(tmp_path):
    visit_file(tmp_path / "in" if (tmp_path / "in").mkdir() else tmp_path / "in" / "a.xlsx")
    done = call("grade", tmp_path / "in", "-o", tmp_path / "r.xlsx", "--as-of", "2026-11-25")
    assert done.exit_code == 0
    assert "1 file, 1 row found, 1 graded, 0 refused" in done.output
    assert re.search(
        r"^Site +Tests +Fail +Incomplete +Near limit +Pass +Out of use +Overdue$", done.output, re.MULTILINE
    )
    assert done.output.splitlines()[-1] == f"Result: {tmp_path / 'r.xlsx'}"
    assert (tmp_path / "r.xlsx").is_file()


def test_up_to_twenty_tests_get_a_line_each_the_fails_first_and_before_the_result_is_written(tmp_path, monkeypatch):
    rows = [{**AIRLINE, "outlet": f"Bay {n}", "co_ppm": 9 if n in (7, 20) else 1} for n in range(1, 21)]
    path = visit_file(tmp_path / "a.xlsx", rows=rows)
    lines = call("grade", path, "-o", tmp_path / "r.xlsx").output.splitlines()
    assert [line.split("  ")[0] for line in lines[:20]] == ["Bay 7", "Bay 20"] + [
        f"Bay {n}" for n in range(1, 20) if n != 7
    ]
    assert lines[0] == "Bay 7   fail        Carbon monoxide 9 ppm is over the limit of 5 ppm." and lines[20] == ""
    elsewhere = visit_file(tmp_path / "c.xlsx", rows=[{**AIRLINE, "outlet": "Crane cab 4"}], site="Long " * 20)
    both = call("grade", visit_file(tmp_path / "d.xlsx"), elsewhere, "-o", tmp_path / "r.xlsx").output
    assert "…, Crane cab 4  pass" in both  # a long site is cut, not the outlet
    more = visit_file(tmp_path / "b.xlsx", rows=[*rows, {**AIRLINE, "outlet": "Bay 21"}])
    assert call("grade", more, "-o", tmp_path / "r.xlsx").output.startswith("Site ")

    def fails(*_: object, **__: object) -> None:
        raise GraderError("no room")

    monkeypatch.setattr("grader.batch.Result.write", fails)
    assert call("grade", path, "-o", tmp_path / "r.xlsx").output.startswith(lines[0])


def test_a_refused_file_is_exit_1_with_a_result(tmp_path):
    visit_file(tmp_path / "a.xlsx")
    (tmp_path / "b.xlsx").write_bytes(b"no workbook")
    done = call("grade", tmp_path, "-o", tmp_path / "r.xlsx")
    assert done.exit_code == 1 and (tmp_path / "r.xlsx").is_file()
    assert "b.xlsx" in done.output and "2 files (1 refused), 1 row found, 1 graded, 0 refused." in done.output


def test_the_table_by_site_agrees_with_the_verdicts(tmp_path):
    import pandas as pd

    shown = call("grade", ROOT / "demo" / "inbox", "-o", tmp_path / "r.xlsx", "--as-of", "2026-11-25").output
    sheet = pd.read_excel(tmp_path / "r.xlsx", sheet_name=["Verdicts", "Due"], engine="calamine")
    for site, part in sheet["Verdicts"].groupby("Site"):
        due = sheet["Due"][sheet["Due"]["Site"] == site]["State"]
        expected = [
            len(part),
            *((part["Verdict"] == v).sum() for v in ("fail", "incomplete", "near limit", "pass")),
            due.isin(["out of use", "out of use (system)"]).sum(),
            (due == "overdue").sum(),
        ]
        line = next(x for x in shown.splitlines() if x.startswith(str(site)))
        assert [int(n) for n in line[len(str(site)) :].split()] == expected


def test_a_folder_without_a_command_is_graded_beside_itself(tmp_path):
    folder = tmp_path / "my logs"
    folder.mkdir()
    visit_file(folder / "a.xlsx")
    done = call(f"{folder}/")
    assert done.exit_code == 0 and (tmp_path / "my logs graded.xlsx").is_file()
    done = call(folder / "a.xlsx")
    assert done.exit_code == 0 and (folder / "a graded.xlsx").is_file()
    assert "No such command" in call(tmp_path / "nowhere").output


@pytest.mark.parametrize(
    ("environment", "coloured"), [({}, True), ({"NO_COLOR": "1"}, False), ({"NO_COLOR": ""}, True)]
)
def test_colour_only_on_a_terminal_and_by_no_color(tmp_path, monkeypatch, environment, coloured):
    """no-color.org: any value that is not empty turns colour off."""
    monkeypatch.delenv("NO_COLOR", raising=False)
    folder = tmp_path / "in"
    folder.mkdir()
    visit_file(folder / "a.xlsx")
    arguments = ["grade", str(folder), "-o", str(tmp_path / "r.xlsx")]
    on_terminal = CliRunner(env=environment).invoke(main, arguments, color=True).output
    assert ("\x1b[" in on_terminal) == coloured
    assert "\x1b[" not in CliRunner(env=environment).invoke(main, arguments).output


def test_quiet_and_verbose(tmp_path):
    demo = ROOT / "demo" / "inbox" / "2026-11-17 Ellerness Charging Station.xlsx"
    quiet = call("grade", demo, "-o", tmp_path / "r.xlsx", "-q").output
    assert quiet == f"Result: {tmp_path / 'r.xlsx'}\n"
    verbose = call("grade", demo, "-o", tmp_path / "r.xlsx", "-v").output
    assert "sheet Readings, cell M7:M8: note: " in verbose
    assert call("grade", demo, "-q", "-v").exit_code == 2


def test_a_limit_of_reading_is_changed_by_option_and_recorded(tmp_path):
    path = visit_file(tmp_path / "a.xlsx")
    small = call("grade", path, "-o", tmp_path / "r.xlsx", "--limit", "file_bytes=1000")
    assert small.exit_code == 1 and "--limit file_bytes=NUMBER" in small.output
    assert call("grade", path, "-o", tmp_path / "r.xlsx", "--limit", "file_bytes=1e6").exit_code == 0
    for wrong in ("file_bytes", "file_byte=3", "file_bytes=0"):
        done = call("grade", path, "-o", tmp_path / "r.xlsx", "--limit", wrong)
        assert done.exit_code == 2 and done.output.startswith("Error: ") and len(done.output.splitlines()) == 1


def test_completion_of_the_shell_is_there():
    """click's own: what README tells to put into the shell's start file."""
    done = CliRunner().invoke(main, [], env={"_GRADER_COMPLETE": "bash_source"}, prog_name="grader")
    assert "_GRADER_COMPLETE=bash_complete" in done.output


@pytest.mark.parametrize(
    "arguments",
    [
        ["grade", "nowhere"],
        ["grade", "{}"],
        ["limits", "en12021-2041"],
        ["dewpoint", "500", "--pressure", "-3"],
        ["dewpoint", "wet", "--pressure", "6"],
        ["blank", "{}/no/such/folder/x.xlsx"],
        ["blank", "x.xlsx", "--site", "A"],
    ],
)
def test_what_cannot_be_done_is_exit_2_and_one_clear_line(tmp_path, arguments):
    done = call(*[a.format(tmp_path) for a in arguments])
    assert done.exit_code == 2
    assert "Traceback" not in done.output
    assert "Error: " in done.output.splitlines()[-1]


def test_a_backslash_before_the_closing_quote_is_told(tmp_path):
    r"""A Windows prompt turns "C:\logs\" -o r.xlsx into the one argument C:\logs" -o r.xlsx."""
    assert "leave out the backslash" in call("grade", 'C:\\logs" -o r.xlsx').output


def test_an_input_is_never_written_over(tmp_path):
    path = visit_file(tmp_path / "a.xlsx")
    before = path.read_bytes()
    assert call("grade", path, "-o", path).exit_code == 2
    assert path.read_bytes() == before


def test_blank_writes_what_is_committed(tmp_path):
    assert call("blank", tmp_path / "b.xlsx").exit_code == 0
    assert (tmp_path / "b.xlsx").stat().st_size > 10_000
    assert call("blank", tmp_path / "b.xlsx").exit_code == 2  # it may hold readings by now


def test_next_blanks_from_the_demo(tmp_path):
    inbox = ROOT / "demo" / "inbox"
    done = call("blank", tmp_path / "next", "--due", "--from", inbox, "--as-of", "2026-11-25")
    assert done.exit_code == 0
    assert len(list((tmp_path / "next").glob("*.xlsx"))) == done.output.count("Blank: ") >= 4
    done = call("blank", tmp_path / "x.xlsx", "--site", "Ostmere Paint Hal", "--from", inbox)
    assert done.exit_code == 2 and "Ostmere Paint Hall" in done.output


def test_limits_lists_and_shows():
    assert "en12021-2014" in call("limits").output
    shown = call("limits", "BS EN 12021:2014").output
    assert "at most 5 ppm" in shown and "confirmed" in shown and "memory" in shown


def test_dewpoint_agrees_with_the_cylinder_rule():
    """50 mg/m³ at one atmosphere is -50 °F, -45.6 °C: EN 12021 cylinders and 29 CFR 1910.134(i)(4)."""
    out = call("dewpoint", "50", "--pressure", "0").output
    assert re.search(r"one atmosphere: -45\.6 °C", out)


def commands(group: click.Group = main):
    return sorted(group.commands)


@pytest.mark.parametrize("name", commands())
def test_every_help_has_an_example(name):
    assert "Example" in call(name, "--help").output


def test_the_readme_names_every_command_and_none_else():
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    named = set(re.findall(r"`grader (\w+)", text))
    assert named - {"COMMAND"} == set(commands())


def test_the_readmes_options_exist():
    for name, rest in re.findall(
        r"grader (grade|blank|limits|dewpoint|layout|watch)\b([^`|\n]*)",
        (ROOT / "README.md").read_text(encoding="utf-8"),
    ):
        known = {o for p in main.commands[name].params for o in p.opts}
        used = {w for w in shlex.split(rest.replace("'", "")) if w.startswith("-") and w != "-q"}
        assert used <= known, (name, used - known)
