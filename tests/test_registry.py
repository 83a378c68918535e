"""The registry drives: an invented gas is entries in data files and no line of code, from the blank to Limits."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
# An invented gas: nobody measures it, and its figures mean nothing.
PARAMETER = """
[[parameter]]
name = "Testium"
key = "testium"
column = "testium_ppm"
unit = "ppm"
decimals = 1
direction = "high"
heading = "Testium (ppm)"
verdict_heading = "Testium verdict"
demanded = true
history = true
wear = "system"
tube = "testium"
floor = 0.0
plausible = [0.0, 50.0]
u_abs = 0.2
u_rel = 0.1
u_source = "invented"
[parameter.limits]
kinds = ["max"]
range = [0.0, 50.0]
[parameter.limits.units]
"ppm" = {}

"""
FIELDS = """
  { name = "testium_tube_lot", heading = "Testium tube lot", kind = "text", sheet = "Visit" },
  { name = "testium_tube_expiry", heading = "Testium tube expiry", kind = "date", sheet = "Visit", expiry = true },
  { name = "testium_ppm", heading = "Testium (ppm)", kind = "number", unit = "ppm", sheet = "Readings", reading = true, TUBE },
]
"""
LIMIT = """
[[limit]]
parameter = "Testium"
max = 2.0
unit = "ppm"
clause = "no clause"
confidence = "confirmed"
"""
WORDS = {"parameter": "Testium", "parameter_within": "testium"}
# What runs in the copy: a blank filled in for five visits, graded, and what each sheet says of the gas.
SCRIPT = """
import json, sys
from datetime import date
from pathlib import Path
import pandas as pd
from grader import grade
from grader.write.blank import write_blank
folder = Path(sys.argv[1])
good = dict(outlet="1", system="Main", supply="airline", dryer="desiccant", odour="none",
            line_pressure_bar=6, lowest_pressure_bar=4, flow_l_min=300, flow_needed_l_min=160, oxygen_pct=20.9,
            co_ppm=1, co2_ppm=430, oil_mg_m3=0.1, oil_sampling_min=15,
            water_tube_mg_m3=60, water_multiplier=1, airline_temperature_c=18, ambient_temperature_c=17, lowest_use_temperature_c=5)
def visit(day, expiry=date(2030, 1, 1)):
    return dict(site="North", test_date=day, visit_reason="periodic", testium_tube_lot="L1", testium_tube_expiry=expiry)
days = [date(2025, month, 3) for month in (1, 4, 7, 10)] + [date(2026, 1, 3)]
for i, (day, value) in enumerate(zip(days, (0.5, 0.9, 1.3, 1.95, 3.0))):
    rows = [{**good, "testium_ppm": value}, {**good, "outlet": "2", "testium_ppm": 0.4}]
    write_blank(folder / "in" / f"{i}.xlsx", visit=visit(day), rows=rows)
south = {**visit(days[0], date(2024, 1, 1)), "site": "South"}
write_blank(folder / "in" / "old.xlsx", visit=south, rows=[{**good, "testium_ppm": 1.0}, {**good, "outlet": "2"}])
result = grade([folder / "in"], as_of="2026-02-01")
result.write(folder / "r.xlsx")
records = result.write_records(folder / "records")
text = ""
for path in records:
    for frame in pd.read_excel(path, sheet_name=None, header=None).values():
        text += frame.to_csv()
said = {name: json.loads(frame.to_json(orient="records", date_format="iso")) for name, frame in result.frames().items()}
json.dump({"sheets": said, "records": text}, open(folder / "said.json", "w"))
"""


@pytest.fixture(scope="module")
def said(tmp_path_factory):
    """What a copy of the program says that has the invented gas in its data files and nothing else changed."""
    folder = tmp_path_factory.mktemp("gas")
    shutil.copytree(ROOT / "grader", folder / "grader", ignore=shutil.ignore_patterns("__pycache__"))
    data = folder / "grader" / "data"

    def edit(name: str, old: str, new: str) -> None:
        text = (data / name).read_text(encoding="utf-8")
        assert old in text
        (data / name).write_text(text.replace(old, new, 1), encoding="utf-8")

    edit("parameters.toml", '[[parameter]]\nname = "Water"', PARAMETER + '[[parameter]]\nname = "Water"')
    edit("fields.toml", "\n]\n", FIELDS.replace("TUBE", 'floor = 0, tube = "testium"'))
    edit("rules/en12021-2014.toml", "demanded = [", 'demanded = ["Testium", ')
    rules = data / "rules" / "en12021-2014.toml"
    rules.write_text(rules.read_text(encoding="utf-8") + LIMIT, encoding="utf-8")
    for language in ("en", "de"):
        for section, word in WORDS.items():
            edit(f"words/{language}.toml", f"\n[{section}]\n", f'\n[{section}]\ntestium = "{word}"\n')
    (folder / "in").mkdir()
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT, str(folder)], cwd=folder, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr[-3000:]
    return json.loads((folder / "said.json").read_text())


def of(said, sheet, **wanted):
    return [r for r in said["sheets"][sheet] if all(r[k] == v for k, v in wanted.items())]


def test_verdicts_and_reasons(said):
    rows = {(r["Site"], r["Outlet"], r["File"]): r for r in said["sheets"]["Verdicts"]}
    assert rows["North", "1", "4.xlsx"]["Testium verdict"] == "fail"
    assert "Testium 3 ppm is over the limit of 2 ppm" in rows["North", "1", "4.xlsx"]["Reasons"]
    assert rows["North", "1", "3.xlsx"]["Testium verdict"] == "near limit"
    assert rows["North", "1", "3.xlsx"]["Testium chance over limit (%)"] > 10
    assert rows["North", "2", "0.xlsx"]["Testium (ppm)"] == 0.4
    assert rows["South", "1", "old.xlsx"]["Testium verdict"] == "cannot tell"  # its tube had expired
    assert "the tube had expired" in rows["South", "1", "old.xlsx"]["Reasons"]
    assert rows["South", "2", "old.xlsx"]["Testium verdict"] == "not tested"
    assert rows["South", "2", "old.xlsx"]["Verdict"] == "incomplete"


def test_actions_trend_years_and_wear(said):
    (action,) = of(said, "Actions", Site="North", Outlet="1")
    assert (action["Parameter"], action["Reading"], action["Limit"]) == ("Testium", "3 ppm", "at most 2 ppm")
    (trend,) = of(said, "Trend", Site="North", Outlet="1", Parameter="Testium")
    assert trend["Limit"] == 2.0 and trend["Trend"] == "rising"
    years = of(said, "Years", Site="North", Outlet="1", Parameter="Testium")
    assert any(r["2026 fails"] == 1 for r in years)
    assert of(said, "Wear", Site="North", Parameter="Testium")


def test_record_and_limits(said):
    assert "Testium (ppm)" in said["records"] and "Testium 3 ppm is over the limit of 2 ppm" in said["records"]
    (limit,) = of(said, "Limits", Parameter="Testium")
    assert (
        limit["Limit"] == "at most 2 ppm" and limit["Standard uncertainty"] == "10 % of the reading, at least 0.2 ppm"
    )


# -- switches: one copy with each turned, beside the program as it is ------------------------------------

SWITCHES = """
import json, sys
from datetime import date
from pathlib import Path
from grader.batch import Options, judged
from grader.columns import FIELDS, VERDICT_WORDS
from grader.judge.rules.sets import load_ruleset
from grader.review.charts import DRAWN
from grader.review.history import HISTORY
from grader.review.wear.series import LEVEL
sys.path.insert(0, sys.argv[2])
from tests.support import AIRLINE, OPTIONS, VISIT, log_of
def word(key, visit=None, **row):
    tests = judged(log_of({"a.xlsx": ({**VISIT, **(visit or {})}, [{**AIRLINE, **row}])}), OPTIONS).tests
    return VERDICT_WORDS[tests[f"verdict_{key}"].iloc[0]]
own = Path(sys.argv[1]) / "own.toml"
own.write_text('id = "own"\\n[[limit]]\\nparameter = "Oil"\\nmax = 1.0\\nunit = "mg/m³"\\n', encoding="utf-8")
only_co = {name: None for name, field in FIELDS.items() if field.reading} | {"odour": None, "co_ppm": 1.0}
seen = judged(log_of({"a.xlsx": (VISIT, [{"outlet": "1", **only_co}])}), OPTIONS).tests
print(json.dumps({
    "instrument": word("oxygen", {"calibration_due": date(2025, 1, 1)}),
    "tube": word("co", {"co_tube_expiry": date(2025, 1, 1)}),
    "history": "co2" in [p.key for p in HISTORY],
    "wear": bool(LEVEL[[p.key for p in HISTORY].index("flow")]),
    "chart": "oil" in DRAWN,
    "demanded": "Oil" in load_ruleset(own).demanded,
    "reading": bool(seen["visited"].iloc[0]),
    "uncertainty": word("oxygen", oxygen_pct=20.3),
}))
"""
OF_CO2 = 'verdict_heading = "Carbon dioxide verdict"\ndemanded = true\nhistory = '
READING_OF_CO = 'reading = true, tube = "co",', 'tube = "co",'  # in data/fields.toml
# In data/parameters.toml: what stands there, and what it is turned into.
TURNED = {
    "instrument": ('wear = "system"\ninstrument = true\nfloor = 0.0\nceiling', 'wear = "system"\nfloor = 0.0\nceiling'),
    "tube": ('tube = "co"\n', ""),
    "history": (f"{OF_CO2}true", f"{OF_CO2}false"),
    "wear": ('wear = "outlet"\n', ""),
    "chart": ('key = "oil"\nchart = 6\n', 'key = "oil"\n'),
    "demanded": (
        'verdict_heading = "Oil verdict"\ndemanded = true',
        'verdict_heading = "Oil verdict"\ndemanded = false',
    ),
    "uncertainty": ("u_abs = 0.25\n", "u_abs = 0.05\n"),
}
AS_IT_IS = {
    "instrument": "cannot tell", "tube": "cannot tell", "history": True, "wear": True, "chart": True, "demanded": True,
    "reading": True, "uncertainty": "near limit",
}  # fmt: skip
THEN = {
    "instrument": "pass", "tube": "pass", "history": False, "wear": False, "chart": False, "demanded": False,
    "reading": False, "uncertainty": "pass",
}  # fmt: skip


def switched(folder: Path) -> dict[str, object]:
    command = [sys.executable, "-c", SWITCHES, str(folder), str(ROOT)]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-3000:]
    return json.loads(done.stdout)


def test_each_switch_of_the_registry_turns_what_it_says(tmp_path):
    shutil.copytree(ROOT / "grader", tmp_path / "grader", ignore=shutil.ignore_patterns("__pycache__"))
    assert switched(tmp_path) == AS_IT_IS
    for name, pairs in (("parameters.toml", TURNED.values()), ("fields.toml", [READING_OF_CO])):
        path = tmp_path / "grader" / "data" / name
        text = path.read_text(encoding="utf-8")
        for old, new in pairs:
            assert old in text, old
            text = text.replace(old, new, 1)
        path.write_text(text, encoding="utf-8")
    assert switched(tmp_path) == THEN
