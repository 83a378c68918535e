"""Turns what the program writes into pictures, so that anyone can look at every page of it.

    python demo/render.py OUT_FOLDER                the blank, the result, one record and one notice of the demo
    python demo/render.py OUT_FOLDER --charts SITE  the result with the charts of one site as well

Grades demo/inbox and leaves in OUT_FOLDER the workbooks, a PDF of each as LibreOffice prints it, and one PNG a page.
It also writes the two small pictures of the README, demo/summary.png and demo/verdicts.png. Needs LibreOffice
(soffice) and poppler (pdftoppm) on the path.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))  # so that it also runs from a checkout that is not installed

from grader import batch, grade  # noqa: E402
from grader.page import Page  # noqa: E402
from grader.write.blank import write_blank  # noqa: E402
from grader.write.result import write_result  # noqa: E402

TIMEOUT_S = 300
LARGEST_PICTURE_BYTES = 120_000
# The rows of Verdicts in the README: one visit in which much went wrong.
SHOWN_SITE, SHOWN_DAY = "Ostmere Paint Hall", "2026-11-10"


def tool(name: str) -> str:
    """Path of a program that is needed.

    Raises : SystemExit naming it where it is not there.
    """
    found = shutil.which(name)
    if found is None:
        raise SystemExit(f"{name} is not on the path: install LibreOffice and poppler to render.")
    return found


def pdf(workbook: Path, folder: Path) -> Path:
    """A PDF of the whole workbook in the folder, by LibreOffice with a profile of its own.

    Raises : SystemExit where LibreOffice makes none.
    """
    with tempfile.TemporaryDirectory(prefix="render-") as profile:
        done = subprocess.run(
            [
                tool("soffice"),
                f"-env:UserInstallation={Path(profile).as_uri()}",
                "--headless",
                "--norestore",
                "--convert-to",
                "pdf",
                "--outdir",
                str(folder),
                str(workbook),
            ],
            capture_output=True,
            text=True,
            timeout=TIMEOUT_S,
            check=False,
        )
    made = folder / f"{workbook.stem}.pdf"
    if done.returncode or not made.exists():
        raise SystemExit(f"{workbook.name}: LibreOffice made no PDF. {done.stdout} {done.stderr}")
    return made


def pages(printed: Path, dpi: int) -> list[Path]:
    """One PNG a page beside the PDF, NAME-01.png and so on; those of an earlier run go."""
    for old in printed.parent.glob(f"{printed.stem}-*.png"):
        old.unlink()
    subprocess.run(
        [tool("pdftoppm"), "-png", "-r", str(dpi), str(printed), str(printed.with_suffix(""))],
        check=True,
        timeout=TIMEOUT_S,
    )
    return sorted(printed.parent.glob(f"{printed.stem}-*.png"))


def picture(printed: Path, name: str, dpi: int, part: tuple[int, int, int, int]) -> Path:
    """A part (left, top, width, height in pixels) of a PDF's first page as demo/NAME.png.

    Raises : SystemExit where it is larger than a README should carry.
    """
    left, top, width, height = (str(p) for p in part)
    subprocess.run(
        [
            tool("pdftoppm"),
            "-png",
            "-singlefile",
            "-r",
            str(dpi),
            "-f",
            "1",
            "-l",
            "1",
            "-x",
            left,
            "-y",
            top,
            "-W",
            width,
            "-H",
            height,
            str(printed),
            str(HERE / name),
        ],
        check=True,
        timeout=TIMEOUT_S,
    )
    made = HERE / f"{name}.png"
    if made.stat().st_size > LARGEST_PICTURE_BYTES:
        raise SystemExit(f"{made.name} has {made.stat().st_size} bytes, more than {LARGEST_PICTURE_BYTES}.")
    return made


def pictures(result: batch.Result, printed: Path) -> list[Path]:
    """The README's pictures: the first page of the Summary, and one visit's rows of Verdicts.

    printed : PDF of the whole result.
    """
    verdicts = result.verdicts
    shown = verdicts[(verdicts["Site"] == SHOWN_SITE) & (verdicts["Test date"] == SHOWN_DAY)]
    with tempfile.TemporaryDirectory(prefix="render-") as scratch:
        few = Path(scratch) / "few.xlsx"
        write_result(few, {"Verdicts": shown.reset_index(drop=True)}, Page(""))
        two = pdf(few, Path(scratch))
        first = Path(scratch) / "first.pdf"
        subprocess.run([tool("pdfseparate"), "-f", "1", "-l", "1", str(two), str(first)], check=True)
        return [picture(printed, "summary", 68, (18, 22, 526, 652)), picture(first, "verdicts", 84, (20, 24, 900, 312))]


def main(arguments: list[str] | None = None) -> None:
    """Write workbooks, PDFs and pictures; say what was made."""
    parser = argparse.ArgumentParser(description="Render the demo's workbooks to PDF and PNG.")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--charts", metavar="SITE", help="with the charts of this site")
    parser.add_argument("--dpi", type=int, default=96, help="96 is 100 %% on screen (default)")
    options = parser.parse_args(arguments)
    options.folder.mkdir(parents=True, exist_ok=True)
    story = tomllib.loads((HERE / "story.toml").read_text(encoding="utf-8"))
    result = grade(HERE / "inbox", as_of=story["as_of"])
    if options.charts:
        result.draw(options.charts)
    graded = options.folder / "result.xlsx"
    result.write(graded)
    records = result.write_records(options.folder / "records")
    notices = [path for path in records if path.name.startswith("NOTICE")]
    record = max(path for path in records if path not in notices)
    with tempfile.TemporaryDirectory(prefix="render-") as scratch:
        blank = Path(scratch) / "blank.xlsx"  # not in the folder: a blank there may hold readings
        write_blank(blank)
        for workbook in (blank, graded, record, *notices[:1]):
            printed = pdf(workbook, options.folder)
            print(f"{printed}: {len(pages(printed, options.dpi))} pages")
    for made in pictures(result, options.folder / "result.pdf"):
        print(f"{made}: {made.stat().st_size} bytes")


if __name__ == "__main__":
    main()
