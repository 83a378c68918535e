"""The blank's page of instructions is told in every language, and never once a reading stands in it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from grader.read import child
from grader.read.formats.workbook import open_file
from grader.read.process import reading_limits
from grader.read.shapes.own_guide import is_own_guide
from grader.words import languages
from grader.write.blank import blank_bytes
from tests.support import AIRLINE, VISIT


def filled(language):
    return blank_bytes(visit=VISIT, rows=[AIRLINE], language=language)


@pytest.mark.parametrize("language", languages())
def test_of_a_blanks_sheets_the_last_alone_is_the_guide(language):
    sheets = list(open_file(filled(language), "visit.xlsx", reading_limits()).sheets)
    assert [is_own_guide(s) for s in sheets] == [False, False, True]


@pytest.mark.parametrize("cell", [20.9, "Bay 1"])
def test_a_guide_that_somebody_wrote_in_is_a_sheet_like_any_other(cell):
    guide = list(open_file(filled("en"), "visit.xlsx", reading_limits()).sheets)[-1]
    guide.rows[3][1] = cell
    assert not is_own_guide(guide)


def test_leaving_it_out_changes_nothing_of_what_is_read(tmp_path, monkeypatch):
    path = tmp_path / "visit.xlsx"
    path.write_bytes(filled("de"))
    read = []
    for told in (True, False):
        if not told:
            monkeypatch.setattr("grader.read.shapes.own_guide.is_own_guide", lambda sheet: False)
        reply = child.read_file(str(path), reading_limits())
        read.append(replace(reply, seconds=0.0))
    assert read[0] == read[1] and read[0].rows_found == 1
