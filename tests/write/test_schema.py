"""Every workbook that the program writes, held against the schemas of ECMA-376 by openxml-audit."""

from __future__ import annotations

import zipfile
from pathlib import Path

import pytest
from openxml_audit import OpenXmlValidator

from grader import grade
from grader.words import languages
from grader.write.blank import write_blank

INBOX = Path(__file__).parents[2] / "demo" / "inbox"
# What openxml-audit tells and ECMA-376 part 1 allows (clause numbers from memory).
ALLOWED = (
    ("/xl/worksheets/", "inline-string cell(s)"),  # 18.18.11 ST_CellType has inlineStr: what is written row by row
    ("/xl/styles.xml", "Unexpected element 'color' found"),  # 18.8.22 CT_Font is a choice of any order; marked
    ("/xl/styles.xml", "Unexpected element 'b' found"),  # copies are saved by openpyxl, which has its own
    ("/xl/styles.xml", "Unexpected element 'i' found"),  # order of them, as for bold so for italic
)


@pytest.fixture(scope="module", params=languages())
def written(request, tmp_path_factory):
    """Folder with a result, one with charts, a blank, records, notices and marked copies in one language."""
    folder = tmp_path_factory.mktemp(request.param)
    site = sorted(INBOX.glob("*Ostmere*"))[-2:]
    result = grade(site, as_of="2026-11-25", language=request.param)
    result.write(folder / "result.xlsx")
    result.draw(str(result.verdicts["Site"].iloc[0]))
    result.write(folder / "charts.xlsx")
    result.write_records(folder / "records")
    result.write_marked_copies(folder / "marked")
    write_blank(folder / "blank.xlsx", language=request.param)
    return folder


def test_what_is_written_follows_the_schemas(written):
    validator = OpenXmlValidator(max_errors=0)
    paths = sorted(written.rglob("*.xlsx"))
    wrong = [
        f"{path.name} {error.part_uri} {error.path}: {error.description}"
        for path in paths
        for error in validator.validate(path).errors
        if not any(str(error.part_uri).startswith(part) and what in error.description for part, what in ALLOWED)
    ]
    assert not wrong
    kinds = [path.relative_to(written).as_posix() for path in paths]
    assert {"blank.xlsx", "charts.xlsx", "result.xlsx"} < set(kinds)
    assert any(kind.startswith("records/") for kind in kinds) and any(kind.startswith("marked/") for kind in kinds)


def test_a_fault_is_found(written, tmp_path):
    broken = tmp_path / "broken.xlsx"
    with zipfile.ZipFile(written / "blank.xlsx") as old, zipfile.ZipFile(broken, "w") as new:
        for name in old.namelist():
            content = old.read(name)
            new.writestr(name, content.replace(b"<sheetData>", b"<sheetDate/><sheetData>"))
    assert any("sheetDate" in error.description for error in OpenXmlValidator().validate(broken).errors)
