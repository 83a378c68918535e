"""Same inputs, same day, same result: byte for byte under SOURCE_DATE_EPOCH, whatever the machine is set to.

The order of the files in a folder does not matter; that of several arguments orders the rows, and no more.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path
from random import Random

import pandas as pd
import pytest

from grader import batch, begin
from grader.read import process

ROOT = Path(__file__).parents[1]
AS_OF = "2026-11-25"
NAMES = sorted(p.name for p in (ROOT / "demo" / "inbox").glob("2*.xlsx"))[-3:]
EPOCH = {"SOURCE_DATE_EPOCH": "1700000000"}


def filled(folder: Path, order: int) -> Path:
    """A folder with the same files, made in one of many orders, with times of their own."""
    folder.mkdir(parents=True)
    names = list(NAMES)
    Random(order).shuffle(names)
    for number, name in enumerate(names):
        shutil.copyfile(ROOT / "demo" / "inbox" / name, folder / name)
        os.utime(folder / name, (1.6e9 + 1000 * order + number,) * 2)
    return folder


def by_command(folder: Path, output: Path, **environment: str) -> bytes:
    """The bytes of a result made by the command in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-m", "grader", "grade", str(folder), "-o", str(output), "--as-of", AS_OF],
        cwd=ROOT,
        capture_output=True,
        text=True,
        env={**os.environ, **EPOCH, **environment},
    )
    assert done.returncode == 0, done.stderr
    return output.read_bytes()


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    """Folder and result of a plain run."""
    tmp = tmp_path_factory.mktemp("plain")
    folder = filled(tmp / "in", 0)
    return folder, by_command(folder, tmp / "r.xlsx", PYTHONHASHSEED="0", TZ="UTC", LC_ALL="C.UTF-8")


def differing_parts(first: bytes, second: bytes, tmp: Path) -> list[str]:
    """Names of the parts in which two workbooks differ, for the message of a test that fails."""
    parts = []
    for number, data in enumerate((first, second)):
        path = tmp / f"compared {number}.xlsx"
        path.write_bytes(data)
        with zipfile.ZipFile(path) as archive:
            parts.append({n: archive.read(n) for n in archive.namelist()})
    return [n for n in parts[0].keys() | parts[1].keys() if parts[0].get(n) != parts[1].get(n)]


@pytest.mark.parametrize(
    "environment",
    [
        {"PYTHONHASHSEED": "12345", "TZ": "Pacific/Kiritimati", "LC_ALL": "tr_TR.UTF-8"},
        {"PYTHONHASHSEED": "2", "TZ": "America/St_Johns", "LC_ALL": "C", "PYTHONUTF8": "0", "LANG": "de_DE"},
    ],
    ids=["east", "west"],
)
def test_nothing_of_the_machine_is_in_it(plain, tmp_path, environment):
    """Hash seed, time zone, locale, place of the folder, order in which its files were made, their times."""
    folder = filled(tmp_path / "elsewhere" / "ä", 1)
    made = by_command(folder, tmp_path / "other name.xlsx", **environment)
    assert differing_parts(plain[1], made, tmp_path) == []
    assert made == plain[1]


@pytest.mark.parametrize("children", [1, 2])
def test_one_reading_process_or_two(plain, tmp_path, monkeypatch, children):
    for name, value in EPOCH.items():
        monkeypatch.setenv(name, value)
    whole = process.begin_reading
    monkeypatch.setattr(begin, "begin_reading", lambda *a, **k: whole(*a, **{**k, "children": children}))
    batch.run(plain[0], as_of=AS_OF).write(tmp_path / "r.xlsx")
    assert (tmp_path / "r.xlsx").read_bytes() == plain[1]


def test_only_the_time_of_creation_differs_without_the_variable(plain, tmp_path):
    made = by_command(plain[0], tmp_path / "r.xlsx", SOURCE_DATE_EPOCH="1800000000")
    assert differing_parts(plain[1], made, tmp_path) == ["docProps/core.xml"]


def test_the_order_of_arguments_orders_the_rows_and_changes_no_verdict(plain):
    paths = [plain[0] / name for name in NAMES]
    there, back = (batch.run(order, as_of=AS_OF) for order in (paths, paths[::-1]))
    assert list(there.sources["File"]) == NAMES == list(back.sources["File"])[::-1]
    for name in ("verdicts", "due", "actions", "trend", "years"):
        first, second = (sorted_rows(getattr(result, name)) for result in (there, back))
        pd.testing.assert_frame_equal(first, second)


def sorted_rows(frame: pd.DataFrame) -> pd.DataFrame:
    """The rows in an order that depends on what they say only."""
    rows = sorted(tuple(map(str, row)) for row in frame.itertuples(index=False, name=None))
    return pd.DataFrame(rows, columns=list(frame.columns))
