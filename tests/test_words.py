"""Words of further languages: complete, with the braces and severities of English; a blank reads alike."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from string import Formatter
from typing import Any

import pandas as pd
import pytest
from click.testing import CliRunner

import grader.data
from grader import grade
from grader.cli import main
from grader.columns import FIELDS
from grader.data import load_toml, names
from grader.read.words.spelling import fold_word
from grader.words import languages, words
from grader.write.blank import write_blank
from tests.support import AIRLINE, CYLINDER, VISIT

FURTHER = [code for code in languages() if code != "en"]
# Texts that a language leaves to English, by key ("section.key"); an entry here is a gap that is known.
FALLING_BACK: dict[str, set[str]] = {"de": set()}
AS_OF = date(2026, 3, 20)


def flat(entry: Any, at: str = "") -> Iterator[tuple[str, Any]]:
    """(dotted key, text) of everything below an entry."""
    if isinstance(entry, dict):
        for key, value in entry.items():
            yield from flat(value, f"{at}.{key}" if at else key)
    elif isinstance(entry, list):
        for number, value in enumerate(entry):
            yield from flat(value, f"{at}.{number}")
    else:
        yield at, entry


def own_words(code: str) -> dict[str, str]:
    """Key -> text of what the language's own file says, English not merged in."""
    return dict(flat(dict(load_toml(f"words/{code}.toml"))))


def placeholders(text: str) -> list[str]:
    """Names and formats of the braces in a text, sorted.

    >>> placeholders("{b:g} of {a}")
    ['a:', 'b:g']
    """
    return sorted(f"{name}:{form}" for _, name, form, _ in Formatter().parse(text) if name is not None)


ENGLISH = dict(flat(dict(words("en"))))


def test_a_language_is_one_file():
    assert sorted(names("words")) == [f"{code}.toml" for code in languages()]


def test_there_is_a_further_language():
    assert languages() == sorted(languages()) and {"de", "en"} <= set(languages())


@pytest.mark.parametrize("code", FURTHER)
def test_every_english_text_is_there_and_no_other(code):
    own = set(own_words(code))
    assert set(ENGLISH) - own == FALLING_BACK.get(code, set())
    assert own - set(ENGLISH) == set()


@pytest.mark.parametrize("code", FURTHER)
def test_placeholders_are_those_of_english(code):
    own = own_words(code)
    wrong = {
        key: text for key, text in own.items() if key in ENGLISH and placeholders(text) != placeholders(ENGLISH[key])
    }
    assert wrong == {}


@pytest.mark.parametrize("code", FURTHER)
def test_severities_and_codes_are_those_of_english(code):
    own = own_words(code)
    fixed = [key for key in ENGLISH if key in own and key.endswith((".severity", ".field", ".basis", ".place"))]
    assert any(key.endswith(".severity") for key in fixed)
    assert {key: own[key] for key in fixed} == {key: ENGLISH[key] for key in fixed}


@pytest.mark.parametrize("code", FURTHER)
def test_no_text_is_empty(code):
    empty = [key for key, text in own_words(code).items() if ENGLISH.get(key) and not text.strip()]
    assert empty == []


@pytest.mark.parametrize("code", FURTHER)
def test_file_and_sheet_names_of_products_stay_english(code):
    own = own_words(code)
    for key in ("result.summary_sheet", "record.file_sheet", "notice.file_sheet", "marked.file_name"):
        assert own[key] == ENGLISH[key], key


@pytest.mark.parametrize("name", [f.name for f in FIELDS.values() if f.kind == "word"])
def test_no_spelling_stands_for_two_words_of_a_field(name):
    spelled = [s for word, more in FIELDS[name].words.items() for s in {fold_word(w) for w in (word, *more)}]
    assert sorted(spelled) == sorted(set(spelled))


# ------------------------------------------------------------------------------------------- the blank in German

# What an engineer who writes German puts into the cells, beside the words of the list.
GERMAN = {
    "supply": "Druckluftleitung",
    "dryer": "Kältetrockner",
    "odour": "kein Geruch",
    "liquid_water": "keins",
    "outlet_status": "in Betrieb",
}
AS_ENGLISH = {
    "supply": "airline",
    "dryer": "refrigerant",
    "odour": "none",
    "liquid_water": "none",
    "outlet_status": "in use",
}
# One outlet each that passes, fails, stays incomplete (no multiplier behind a refrigerant dryer), and a cylinder.
WET = {"water_tube_mg_m3": 60.0, "water_multiplier": 10.0, "lowest_use_temperature_c": 18.0}
OUTLETS = [
    AIRLINE | WET | {"outlet": "Halle 1"},
    AIRLINE | WET | {"outlet": "Halle 2", "co_ppm": 30.0},
    AIRLINE | WET | {"outlet": "Halle 3", "water_multiplier": None},
]


def verdicts_of(path: Path, language: str, rows: list[dict[str, Any]], more_visit: dict[str, Any]) -> Any:
    """Result of grading one filled-in blank, written in that language."""
    path.parent.mkdir(exist_ok=True)
    write_blank(path, visit=VISIT | more_visit, rows=rows, language=language)
    return grade(path, as_of=AS_OF)


@pytest.fixture(scope="module")
def both(tmp_path_factory):
    folder = tmp_path_factory.mktemp("blanks")
    german = [row | GERMAN for row in OUTLETS] + [CYLINDER | {"supply": "Flasche", "odour": "geruchlos"}]
    english = [row | AS_ENGLISH for row in OUTLETS] + [CYLINDER | {"supply": "cylinder", "odour": "none"}]
    return (
        verdicts_of(
            folder / "de" / "visit.xlsx", "de", german, {"visit_reason": "regelmäßig", "tubes_corrected": "nein"}
        ),
        verdicts_of(folder / "en" / "visit.xlsx", "en", english, {"visit_reason": "periodic", "tubes_corrected": "no"}),
    )


def test_a_german_blank_filled_in_german_reads_like_the_english_one(both):
    german, english = both
    pd.testing.assert_frame_equal(german.verdicts, english.verdicts)
    pd.testing.assert_frame_equal(german.problems, english.problems)
    assert german.verdicts["Verdict"].nunique() > 1, "the rows must tell verdicts apart"


@pytest.mark.parametrize("said", ["keine", "Wiederholung", "nicht ganz in Ordnung"])
def test_a_german_word_that_could_mean_untested_or_worse_is_no_pass_of_odour(tmp_path, said):
    result = verdicts_of(tmp_path / "v" / "visit.xlsx", "de", [OUTLETS[0] | GERMAN | {"odour": said}], {})
    assert result.verdicts["Odour verdict"].tolist() == ["cannot tell"]
    assert result.verdicts["Verdict"].tolist() != ["pass"]


def test_grading_in_german_changes_words_and_nothing_else(tmp_path):
    rows = [row | AS_ENGLISH for row in OUTLETS]
    write_blank(tmp_path / "visit.xlsx", visit=VISIT, rows=rows)
    english, german = (grade(tmp_path / "visit.xlsx", as_of=AS_OF, language=code) for code in ("en", "de"))
    texts = ["Reasons"]
    pd.testing.assert_frame_equal(german.verdicts.drop(columns=texts), english.verdicts.drop(columns=texts))
    assert (german.problems["Severity"] == english.problems["Severity"]).all()
    assert "Kohlenmonoxid" in " ".join(german.verdicts["Reasons"])
    assert "Carbon monoxide" not in " ".join(german.verdicts["Reasons"])
    same = ["Site", "Outlet", "Parameter"]
    pd.testing.assert_frame_equal(german.actions[same], english.actions[same])


# ----------------------------------------------------------------------------------------------- the command line


@pytest.mark.parametrize("command", [["blank", "out.xlsx"], ["grade", "in.xlsx", "-o", "out.xlsx"]])
def test_an_unknown_language_is_one_line_that_names_those_there_are(tmp_path, monkeypatch, command):
    monkeypatch.chdir(tmp_path)
    write_blank("in.xlsx", visit=VISIT, rows=OUTLETS)
    result = CliRunner().invoke(main, [*command, "--language", "xx"])
    assert result.exit_code == 2
    there = ", ".join(languages())
    assert result.output.splitlines() == [f"Error: --language xx: no words for it. There are: {there}."]
    assert not Path("out.xlsx").exists()


def test_the_commands_take_a_language(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    made = CliRunner().invoke(main, ["blank", "leer.xlsx", "--language", "de"])
    assert made.exit_code == 0, made.output
    sheets = pd.read_excel("leer.xlsx", sheet_name=None, engine="calamine")
    assert list(sheets) == ["Visit", "Readings", words("de")["blank"]["readme_sheet"]]
    write_blank("in.xlsx", visit=VISIT, rows=[row | AS_ENGLISH for row in OUTLETS], language="de")
    graded = CliRunner().invoke(
        main,
        ["grade", "in.xlsx", "-o", "out.xlsx", "--as-of", "2026-03-20", "--language", "de", "--records", "records"],
    )
    assert graded.exit_code == 0, graded.output
    summary = " ".join(str(v) for v in pd.read_excel("out.xlsx", "Summary", header=None, engine="calamine").stack())
    assert words("de")["summary"]["title"] in summary
    assert list(Path("records").iterdir())


@pytest.mark.parametrize("code", FURTHER)
def test_limits_and_conditions_are_said_in_the_language(code):
    """Every limit of every rule set: no English one is left, but for figures and classes alone."""
    from grader.judge.rules.sets import load_ruleset, rule_ids
    from grader.judge.rules.table import limits_table

    rules = [load_ruleset(i) for i in rule_ids()]
    english, other = limits_table(rules), limits_table(rules, code)
    for a, b in zip(english, other, strict=True):
        if a["Judges"] != "yes":
            continue
        assert a["Limit"] != b["Limit"] and a["Parameter"] != b["Parameter"], a
        assert a["Condition"] != b["Condition"] or not {"all", "above", "up", "use", "and"} & set(
            a["Condition"].split()
        ), a


def test_a_data_file_is_parsed_again_where_it_is_another_or_what_was_kept_is_no_file_of_ours(tmp_path, monkeypatch):
    monkeypatch.setattr(grader.data, "FOLDER", tmp_path)
    monkeypatch.setattr(sys, "dont_write_bytecode", False)
    monkeypatch.setattr(sys, "pycache_prefix", None)
    load, file = load_toml.__wrapped__, tmp_path / "new.toml"
    file.write_text("a = 1\nb = [{c = 'x'}]")
    assert load("new.toml") == load("new.toml") == {"a": 1, "b": [{"c": "x"}]}
    (kept,) = (tmp_path / "__pycache__").iterdir()
    monkeypatch.setattr(grader.data, "parsed", lambda *_: {"a": "parsed again"})
    assert load("new.toml")["a"] == 1
    for spoilt in (b"", b"no such thing", kept.read_bytes()[:-9]):
        kept.write_bytes(spoilt)
        assert load("new.toml")["a"] == "parsed again"
    monkeypatch.undo()
    monkeypatch.setattr(grader.data, "FOLDER", tmp_path)
    file.write_text("a = 22\nday = 2026-11-29")
    assert load("new.toml") == load("new.toml") == {"a": 22, "day": date(2026, 11, 29)}
