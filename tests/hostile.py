"""Makes one of every kind of broken or hostile file in a folder: `python -m tests.hostile FOLDER`.

Each comes with what has to become of it: the tests read from it, or the code of the problem that refuses it. The
program's own words are printed when the folder has been graded: `grader grade FOLDER -o result.xlsx`.
"""

from __future__ import annotations

import io
import os
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import openpyxl
from openpyxl.utils.datetime import CALENDAR_MAC_1904

from tests.read.conftest import HEADINGS, READING, SHEET, changed, plain, saved, with_rows, workbook

FAR_CORNER = b'<row r="1048576"><c r="XFD1048576"><v>1</v></c></row>'
STRAY = b'<row r="1048576"><c r="X1048576"><v>7</v></c></row>'
OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
TEN = tuple(range(1, 11))


def with_cell(at: str, value: Any, **sheet: Any) -> bytes:
    """Two tests, one cell written over by openpyxl."""
    book = openpyxl.load_workbook(io.BytesIO(plain()))
    book["Readings"][at] = value
    for name, what in sheet.items():
        setattr(book, name, what)
    return saved(book)


def bomb() -> bytes:
    """A sheet that unpacks to 60 MB from a few hundred bytes a megabyte."""
    return changed(plain(), SHEET, lambda c: c.replace(b"<sheetData>", b"<sheetData>" + b" " * 60_000_000))


def laughs() -> bytes:
    """Entities that grow tenfold with each level."""
    levels = b"".join(b'<!ENTITY l%d "%s">' % (n, b"&l%d;" % (n - 1) * 10) for n in range(1, 9))
    return changed(
        plain(), SHEET, lambda c: b'<!DOCTYPE x [<!ENTITY l0 "ha">' + levels + b"]>" + c[c.index(b"<worksheet") :]
    )


def outside_entity() -> bytes:
    """An entity that would fetch a file of the machine."""
    return changed(
        plain(),
        SHEET,
        lambda c: b'<!DOCTYPE x [<!ENTITY f SYSTEM "file:///etc/hostname">]>' + c[c.index(b"<worksheet") :],
    )


def formatted_rows(count: int, columns: str = "ABC") -> bytes:
    """Ten tests, and rows of formatted cells with nothing in them."""
    cells = b"".join(b'<c r="%s%%(r)d" s="1"/>' % c.encode() for c in columns)
    rows = (b'<row r="%d">' % r + cells.replace(b"%(r)d", b"%d" % r) + b"</row>" for r in range(12, 12 + count))
    return with_rows(plain(TEN), b"".join(rows))


def same_name_by_case() -> bytes:
    """Two sheets whose names differ in case alone; a spreadsheet program would not allow it."""
    made = workbook({"Readings": [HEADINGS, (1, *READING)], "Other": [HEADINGS, (2, *READING)]})
    return changed(made, "xl/workbook.xml", lambda c: c.replace(b'"Other"', b'"READINGS"'))


def external_link() -> bytes:
    """A formula over another workbook, with its value stored, and the link to it."""
    data = changed(
        plain(),
        SHEET,
        lambda c: c.replace(b'<c r="F2" t="n"><v>20.9</v></c>', b"<c r=\"F2\"><f>'[1]Sheet'!A1</f><v>20.9</v></c>"),
    )
    assert b"[1]Sheet" in zipfile.ZipFile(io.BytesIO(data)).read(SHEET)
    return data


FILES: dict[str, tuple[Callable[[], bytes], int | str]] = {
    "empty.xlsx": (lambda: b"", "file_empty"),
    "truncated.xlsx": (lambda: plain()[: len(plain()) // 2], "truncated"),
    "still being written.xlsx": (lambda: plain()[:-9], "truncated"),
    "text in it.xlsx": (lambda: b"Outlet,Oxygen\n1,20.9\n", "not_a_workbook"),
    "a picture.xlsx": (lambda: b"\x89PNG\r\n\x1a\n" + bytes(100), "not_a_workbook"),
    "a zip.xlsx": (
        lambda: changed(plain(), SHEET, bytes).replace(b"xl/workbook.xml", b"xl/wurkbook.xml"),
        "not_a_workbook",
    ),
    "with a password.xlsx": (
        lambda: OLE + bytes(504) + "EncryptedPackage".encode("utf-16-le") + bytes(1000),
        "encrypted",
    ),
    "a workbook.xls": (plain, 2),
    "a workbook.ods": (plain, 2),
    "bomb.xlsx": (bomb, "bomb"),
    "laughs.xlsx": (laughs, "doctype"),
    "reads a file.xlsx": (outside_entity, "doctype"),
    "linked.xlsx": (external_link, 2),
    "broken xml.xlsx": (lambda: changed(plain(), SHEET, lambda c: c.replace(b"</row>", b"</rov>", 1)), "damaged"),
    "other encoding.xlsx": (
        lambda: changed(
            plain(),
            "xl/workbook.xml",
            lambda c: b'<?xml version="1.0" encoding="klingon"?>' + c[c.index(b"<workbook") :],
        ),
        "damaged",
    ),
    "corners.xlsx": (lambda: with_rows(plain(TEN), FAR_CORNER), 10),
    "stray cell.xlsx": (lambda: with_rows(plain(TEN), STRAY), 10),
    "formatted rows.xlsx": (lambda: formatted_rows(150_000), 10),
    "long cell.xlsx": (lambda: with_cell("K2", "x" * 10_000), 2),
    "control characters.xlsx": (
        lambda: changed(
            plain(),
            SHEET,
            lambda c: c.replace(
                b'<c r="A2" t="n"><v>1</v></c>',
                b'<c r="A2" t="inlineStr"><is><t>Bay_x0007__x000D_ 1&#x200F;</t></is></c>',
            ),
        ),
        2,
    ),
    "never worked out.xlsx": (lambda: with_cell("F2", "=1+1"), 2),
    "errors.xlsx": (lambda: with_cell("F2", "#N/A"), 2),
    "newer errors.xlsx": (lambda: changed(with_cell("F2", "#N/A"), SHEET, lambda c: c.replace(b"#N/A", b"#SPILL!")), 2),
    "1904.xlsx": (lambda: with_cell("K2", "seen", epoch=CALENDAR_MAC_1904), 2),
    "two names in one.xlsx": (same_name_by_case, 2),
    "sheet 😀 'quoted'.xlsx": (lambda: workbook({"Lüfte & 'Tür' 😀": [HEADINGS, (1, *READING)]}), 1),
    "\u202eright to left \u05e9\u05dc\u05d5\u05dd.xlsx": (plain, 2),
    "-o.xlsx": (plain, 2),
    "line\nbreak.xlsx": (plain, 2),
    "no readings.xlsx": (lambda: workbook({"Notes": [("a letter",), ("nothing else",)]}), "no_readings_sheet"),
}


def make(folder: Path) -> dict[str, int | str]:
    """Write all of them, a loop of links and a link to nowhere too. Returns what has to become of each file."""
    folder.mkdir(parents=True, exist_ok=True)
    wanted: dict[str, int | str] = {}
    for name, (content, becomes) in FILES.items():
        (folder / name).write_bytes(content())
        wanted[name] = becomes
    (folder / "deeper").mkdir()
    os.symlink(folder, folder / "deeper" / "round and round", target_is_directory=True)
    os.symlink(folder / "never there.xlsx", folder / "gone.xlsx")
    wanted["gone.xlsx"] = "file_missing"
    return wanted


if __name__ == "__main__":
    for made, becomes in make(Path(sys.argv[1])).items():
        print(f"{made!r}: {becomes}")
