"""Substances that no parameter of ours is: named and asked about; harmful ones keep the pass; an own rule settles it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from grader import grade
from grader.columns import TEST_WORDS
from grader.read.words.labels import column
from tests.judge.independent.compare import write_log
from tests.judge.independent.rows import AS_OF
from tests.judge.test_row_alone import ROW
from tests.support import AIRLINE, codes_of, graded

OWN = """
id = "own"
extends = "en12021-2014"
[[substance]]
name = "Hydrogen sulphide"
max = 1.0
unit = "ppm"
[[substance]]
name = "R-134a"
max = 5
unit = "ppm"
"""


@pytest.fixture(scope="module")
def own(tmp_path_factory: pytest.TempPathFactory) -> str:
    path = tmp_path_factory.mktemp("rules") / "own.toml"
    path.write_text(OWN, encoding="utf-8")
    return str(path)


@pytest.mark.parametrize(
    ("row", "verdict", "reason", "code"),
    [
        ({"substances": "Helium 3 %"}, "pass", "Measured, and judged by no rule set here: Helium", "substance_not_judged"),
        ({"substances": "Argon 1"}, "pass", "no rule set here: Argon", "inert_not_judged"),
        ({"substances": "R134a 5 ppm"}, "pass", "", ""),
        ({"substances": "R134a <5 ppm"}, "pass", "", ""),
        ({"substances": "R134a >5 ppm"}, "fail", "R134a >5 ppm is over the limit of 5 ppm", ""),
        ({"substances": "R134a 5.01 ppm"}, "fail", "R134a 5.01 ppm is over the limit of 5 ppm", ""),
        ({"substances": "R134a <6 ppm"}, "incomplete", "cannot tell on which side", ""),
        ({"substances": "R134a: some"}, "incomplete", "R134a some: cannot tell", ""),
        ({"substances": "R134a 4 mg/m³"}, "incomplete", "cannot tell on which side", ""),
        ({"h2s_ppm": 1}, "pass", "", ""),
        ({"h2s_ppm": 1.5}, "fail", "Hydrogen sulphide 1.5 ppm is over the limit of 1 ppm", ""),
        ({"h2s_ppm": "<2"}, "incomplete", "cannot tell on which side", ""),
        ({"so2_ppm": 0.4}, "incomplete", "sulphur dioxide was measured", "harmful_not_judged"),
        ({"so2_ppm": 0.4, "so2_lowest_mark_ppm": 0.5}, "pass", "", ""),
        ({"so2_ppm": 0.6, "so2_lowest_mark_ppm": 0.5}, "incomplete", "sulphur dioxide was measured", "harmful_not_judged"),
        ({"so2_ppm": "ND", "so2_lowest_mark_ppm": 0.5}, "pass", "", ""),
    ],
)  # fmt: skip
def test_each_is_named_and_an_own_rule_settles_it(
    own: str, row: dict[str, Any], verdict: str, reason: str, code: str
) -> None:
    tests, problems = graded([{**AIRLINE, **row}], rules=own)
    assert TEST_WORDS[tests["verdict"][0]] == verdict, tests["reasons"][0]
    assert reason in tests["reasons"][0]
    asked = codes_of(problems, 0) & {"substance_not_judged", "inert_not_judged", "harmful_not_judged"}
    assert asked == ({code} if code else set())


@pytest.mark.parametrize(
    ("heading", "kind"),
    [
        ("Helium", "substance"), ("R134a (ppm)", "substance"), ("Formaldehyd [mg/m³]", "substance"),
        ("Formaldéhyde ppm", "substance"), ("Stickstoff (%)", "substance"), ("Xyzzy (ppb)", "substance"),
        ("H2S (ppm)", "field"), ("Compressor load (%)", "unknown"), ("Helium tube lot", "note"), ("CO2 (ppm)", "field"),
    ],
)  # fmt: skip
def test_a_column_of_a_gas_that_nobody_knows_is_a_substance(heading: str, kind: str) -> None:
    assert column(3, heading).kind in (kind, "note" if kind == "unknown" else kind)


def test_of_a_log_they_are_asked_about_and_stand_in_reasons_limits_and_record(tmp_path: Path) -> None:
    more: dict[str, Any] = {"Helium": 3, "Ammoniak (ppm)": "<2", "Azote (%)": 78}
    rows = [{**ROW, "Site": "Yard", "Rule set": None, "Water tube reading (mg/m³)": 20, **more}]
    rows += [{**rows[0], "Outlet": "Bay 2", "Helium": "-"}]
    found = grade(write_log(tmp_path / "log.xlsx", rows, list(rows[0])), as_of=AS_OF)
    assert "judged by no rule set here: Helium, Ammoniak, Azote." in found.verdicts["Reasons"][0]
    assert "judged by no rule set here: Ammoniak, Azote." in found.verdicts["Reasons"][1]
    said = found.problems[found.problems["Problem"].str.contains("judged by no rule set here")]
    assert sorted(said["Severity"]) == ["note", "query", "query"]
    assert {"Helium", "Ammoniak", "Azote"} <= set(found.limits["Parameter"])
    [record] = found.write_records(tmp_path / "records")
    import openpyxl

    cells = [
        str(c.value) for sheet in openpyxl.load_workbook(record) for row in sheet.iter_rows() for c in row if c.value
    ]
    assert any("Ammoniak, Azote, Helium: measured, and judged by no rule set" in c for c in cells)
