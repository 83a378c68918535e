"""What titles and sentences above a table say, as data: titles.toml, one sheet a case."""

import tomllib
from pathlib import Path

import pytest

from tests.read.shapes.log_tables import ReadLog, book

CASES = tomllib.loads((Path(__file__).parent / "titles.toml").read_text(encoding="utf-8"))["title"]
SAID = ("supply", "dryer", "lowest_use_temperature_c", "site")
HEADINGS = ["Outlet", "Place", "Oxygen %", "CO ppm", "CO2 ppm", "Oil mg/m³", "Water mg/m³", "Odour"]


def _rows(lines):
    return [[cell.strip() or None for cell in line.split("|")] for line in lines]


@pytest.mark.parametrize("case", CASES, ids=[" / ".join(c["lines"])[:70] for c in CASES])
def test_a_title_says_this_of_the_tests_below_it_and_no_more(case):
    tests = [[name, case.get("place", "Bay 1"), 20.9, 1, 400, 0.1, 30, "none"] for name in ("P1", "P2")]
    above, below = (_rows(case.get(key, ())) for key in ("lines", "more"))
    made = ReadLog(book(Log=[*above, [None], HEADINGS, *tests, [None], *below])).rows()
    said = [{f: f"{row[f]:g}" if type(row[f]) is float else row[f] for f in SAID if f in row} for row in made]
    assert said == [case.get("gives", {})] * 2
