"""The command line: documents and commands agree; exit status; one clear line for what cannot be done."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from grader.cli import main
from tests.test_batch import visit_file

ROOT = Path(__file__).parents[1]


def call(*arguments: str | Path):
    return CliRunner().invoke(main, [str(a) for a in arguments], catch_exceptions=False)


def test_grade_writes_a_result_and_says_so(tmp_path):
    visit_file(tmp_path / "in" if (tmp_path / "in").mkdir() else tmp_path / "in" / "a.xlsx")
    done = call("grade", tmp_path / "in", "-o", tmp_path / "r.xlsx", "--as-of", "2026-11-25")
    assert done.exit_code == 0
    assert "1 files, 1 rows found, 1 graded, 0 refused" in done.output
    assert done.output.splitlines()[-1] == f"Result: {tmp_path / 'r.xlsx'}"
    assert (tmp_path / "r.xlsx").is_file()


def test_a_refused_file_is_exit_1_with_a_result(tmp_path):
    visit_file(tmp_path / "a.xlsx")
    (tmp_path / "b.xlsx").write_bytes(b"no workbook")
    done = call("grade", tmp_path, "-o", tmp_path / "r.xlsx")
    assert done.exit_code == 1 and (tmp_path / "r.xlsx").is_file()
    assert "b.xlsx" in done.output


@pytest.mark.parametrize("arguments", [
    ["grade", "nowhere"], ["grade", "{}"], ["limits", "en12021-2041"], ["dewpoint", "500", "--pressure", "-3"],
    ["dewpoint", "wet", "--pressure", "6"], ["blank", "{}/no/such/folder/x.xlsx"], ["blank", "x.xlsx", "--site", "A"],
])
def test_what_cannot_be_done_is_exit_2_and_one_clear_line(tmp_path, arguments):
    done = call(*[a.format(tmp_path) for a in arguments])
    assert done.exit_code == 2
    assert "Traceback" not in done.output
    assert "Error: " in done.output.splitlines()[-1]


def test_an_input_is_never_written_over(tmp_path):
    path = visit_file(tmp_path / "a.xlsx")
    before = path.read_bytes()
    assert call("grade", path, "-o", path).exit_code == 2
    assert path.read_bytes() == before


def test_blank_writes_what_is_committed(tmp_path):
    assert call("blank", tmp_path / "b.xlsx").exit_code == 0
    assert (tmp_path / "b.xlsx").stat().st_size > 10_000
    assert call("blank", tmp_path / "b.xlsx").exit_code == 2      # it may hold readings by now


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
    for name, rest in re.findall(r"grader (grade|blank|limits|dewpoint|layout|watch)\b([^`|\n]*)",
                                 (ROOT / "README.md").read_text(encoding="utf-8")):
        known = {o for p in main.commands[name].params for o in p.opts}
        used = {w for w in shlex.split(rest.replace("'", "")) if w.startswith("-") and w != "-q"}
        assert used <= known, (name, used - known)
