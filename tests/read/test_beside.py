"""What stands beside a log: other files of its folder, other sheets, comments (cases: beside.toml, all in one run)."""

import datetime
import tomllib
from pathlib import Path

import openpyxl
import pytest
from openpyxl.comments import Comment

from grader import grade

CASES = tomllib.loads(Path(__file__).with_name("beside.toml").read_text(encoding="utf-8"))["case"]
HEADS = (
    "Site | Date | Outlet | Supply | Dryer | Odour | Line pressure (bar) | Nominal pressure (bar) | Oxygen (%) | CO (ppm) | "
    "CO2 (ppm) | Oil (mg/m³) | Water (mg/m³) | Lowest use temperature (°C) | Remarks"
)
ROW = "{site} | {day} | P{n} | airline | desiccant | none | 7 | 7.5 | 20.9 | 1 | 460 | 0.2 | 20 | 5 | "
FIRST, SECOND = (
    "Alder Birch Cedar Damson Elm Furze Gorse Hazel Iris Juniper Kelp Larch Maple".split(),
    "Wharf Foundry Yard Mill Quarry Depot Works Dock Hangar Forge".split(),
)
SITES = [f"{first} {second}" for first in FIRST for second in SECOND]


def value(text):
    """A cell as it would be typed."""
    for kind in (int, float, datetime.datetime.fromisoformat):
        try:
            return kind(text)
        except ValueError:
            continue
    return text or None


def write(path, *sheets, comment=None):
    """A workbook of sheets (name, rows by line and cells by |), or a text as it is."""
    path.parent.mkdir(parents=True, exist_ok=True)
    if path.suffix == ".csv":
        path.write_text(sheets[0][1], encoding="utf-8")
        return
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, grid in sheets:
        sheet = book.create_sheet(name)
        for line in grid.split("\n"):
            sheet.append([value(cell.strip()) for cell in line.split("|")])
    if comment:
        book.worksheets[0][comment[0]].comment = Comment(comment[1], "A")
    book.save(path)


def log(site, day, remark=""):
    first, *others = (ROW.format(site=site, day=day, n=n) for n in (1, 2, 3))
    return "Log", "\n".join([HEADS, first + remark, *others])


@pytest.fixture(scope="module")
def verdicts(tmp_path_factory):
    """All cases, a folder each, graded in one run: name of the case -> its tests."""
    root = tmp_path_factory.mktemp("beside")
    for number, (case, site) in enumerate(zip(CASES, SITES, strict=False)):
        folder, twin = root / f"case {number}", f"Twin {site}"

        def named(sheet, site=site, twin=twin):
            return sheet[0], sheet[1].replace("SITE", site).replace("TWIN", twin)

        further = [named(case["sheet"])] if "sheet" in case else []
        write(folder / "log.xlsx", log(site, "2026-03-12"), *further, comment=case.get("comment"))
        if "second" in case:
            write(folder / "June.xlsx", log(site, "2026-06-14", case["second"]))
        if "twin" in case:
            write(folder / "twin.xlsx", log(twin, "2026-03-12"))
        if "file" in case:
            write(folder / case["file"][0], ("Sheet1", named(case["file"])[1]))
    found = grade(root, as_of="2026-11-25").verdicts
    number = found["File"].str.extract(r"case (\d+)/")[0].astype(int)
    return {case["name"]: found[number == n] for n, case in enumerate(CASES)}


def params():
    known = {c["name"]: pytest.mark.xfail(strict=True, reason=c["known"]) for c in CASES if "known" in c}
    return [pytest.param(c, id=c["name"], marks=known.get(c["name"], ())) for c in CASES]


@pytest.mark.parametrize("case", params())
def test_what_is_beside_a_log_is_heard_of_the_tests_that_it_names(case, verdicts):
    mine = verdicts[case["name"]]
    mine = mine[mine["Site"] != case.get("sheet", ("",))[0]]  # the rows of a sheet that holds readings are tests too
    assert len(mine) == 3 * (1 + ("second" in case) + ("twin" in case))
    passed = mine["Verdict"].isin(["pass", "near limit"])
    told = [(f"{o}", f"{o}@{str(d)[:10]}") for o, d in zip(mine["Outlet"], mine["Test date"])]
    twin = mine["Site"].str.startswith("Twin").tolist()
    meant = [not t and bool({*names} & {*case.get("against", ())}) for names, t in zip(told, twin)]
    assert (~passed).tolist() == meant


def test_cases_have_names_and_sites_of_their_own():
    assert len({c["name"] for c in CASES}) == len(CASES) <= len(SITES)


def test_a_sheet_that_names_sites_speaks_of_the_tests_there(tmp_path):
    name, rows = log("Alder Wharf", "2026-03-12")
    others = log("Birch Forge", "2026-03-12")[1].split("\n", 1)[1]
    told = {
        "Results": "Site | Outlet | Result\nAlder Wharf | P2 | fail",
        "Lab": "Site | Outlet | Oil (mg/m³)\nBirch Forge | P3 | 2.4",
    }
    write(tmp_path / "log.xlsx", (name, f"{rows}\n{others}"), *told.items())
    found = grade(tmp_path, as_of="2026-11-25").verdicts
    doubted = found[found["Verdict"] != "pass"]
    assert len(found) == 7  # the row of the laboratory is a test of its own, without most readings
    assert set(zip(doubted["Site"], doubted["Outlet"])) == {("Alder Wharf", "P2"), ("Birch Forge", "P3")}


def test_an_outlet_of_several_sites_is_asked_about_and_costs_nothing(tmp_path):
    for site in ("Alder Wharf", "Birch Forge"):
        write(tmp_path / f"{site.split()[0]} visit.xlsx", log(site, "2026-03-12"))
    write(tmp_path / "Defects.xlsx", ("Sheet1", "Outlet | State\nP2 | defective"))
    result = grade(tmp_path, as_of="2026-11-25")
    asked = result.problems[result.problems["Problem"].str.contains("several sites")]
    assert (result.verdicts["Verdict"] == "pass").all()
    assert (asked["File"] == "Defects.xlsx").all() and len(asked) == 1 and result.refused


@pytest.mark.parametrize(
    "sheet",
    [
        ("Dock", "Site: Dock\n\nOutlet | Date | CO (ppm)\nP1 | 2026-03-12 | 80"),
        ("Lab", "Laboratory report\nSite: Dock\n\nOutlet | Date | CO (ppm)\nP1 | 2026-03-12 | 80"),
        ("Lab", "Laboratory report\n\nOutlet | Date | CO (ppm)\nP1 | 2024-03-12 | 80"),
        ("Outdoor air", "Outlet | Date | CO (ppm)\nP1 | 2026-03-12 | 80"),
        ("Round", "Outlet | CO (ppm)\nP1 | 80"),
    ],
)
def test_readings_of_another_site_or_day_are_rows_of_their_own_and_cost_nothing(tmp_path, sheet):
    write(tmp_path / "log.xlsx", log("Alder Wharf", "2026-03-12"), sheet)
    found = grade(tmp_path, as_of="2026-11-25").verdicts
    assert sorted(found["Verdict"]) == ["fail", "pass", "pass", "pass"]
