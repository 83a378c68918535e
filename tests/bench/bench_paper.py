"""How many pages a result prints at the size of a firm, and pictures of them: `python -m tests.bench.bench_paper OUT`.

40 sites of 10 outlets, four visits a year for five years, on A4 and on Letter. Needs LibreOffice (soffice) and pdftoppm;
OUT gets the result, a PDF and a picture a page. It asserts nothing.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import zipfile
from pathlib import Path

from tests.bench.bench_grade import SITES, make_visits

YEARS, VISITS_A_YEAR, OUTLETS = 5, 4, 10
AS_OF = "2024-10-31"
PAPER = {"A4": b'paperSize="9"', "Letter": b'paperSize="1"'}


def on_paper(result: Path, name: str) -> Path:
    """A copy of a workbook on the other paper, its other settings the same."""
    path = result.with_name(f"{result.stem} {name}.xlsx")
    with zipfile.ZipFile(result) as old, zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as new:
        for part in old.namelist():
            new.writestr(part, old.read(part).replace(PAPER["A4"], PAPER[name]))
    return path


def printed(path: Path) -> int:
    """Print a workbook to a PDF beside it and a picture a page; how many pages it takes."""
    with tempfile.TemporaryDirectory() as profile:
        subprocess.run(
            ["soffice", f"-env:UserInstallation=file://{profile}", "--headless", "--convert-to", "pdf", path.name],
            cwd=path.parent,
            check=True,
            capture_output=True,
        )
    pdf = path.with_suffix(".pdf")
    subprocess.run(["pdftoppm", "-r", "60", "-png", pdf.name, f"{path.stem} page"], cwd=path.parent, check=True)
    return len(list(path.parent.glob(f"{path.stem} page-*.png")))


def main(folder: Path) -> None:
    """Make, grade and print the firm."""
    from grader import grade

    with tempfile.TemporaryDirectory() as visits:
        make_visits(Path(visits), SITES * VISITS_A_YEAR * YEARS, OUTLETS)
        result = grade(visits, as_of=AS_OF)
    folder.mkdir(parents=True, exist_ok=True)
    result.write(folder / "firm.xlsx")
    for name in PAPER:
        print(f"{len(result.tests):,} tests on {name}: {printed(on_paper(folder / 'firm.xlsx', name))} pages")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
