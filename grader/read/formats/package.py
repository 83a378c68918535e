"""Which parts of a zip are what: the relations of parts, and the list of sheets of an .xlsx or .xlsm."""

from __future__ import annotations

import posixpath
import re
from typing import NamedTuple

from grader.read.formats.parts import Parts, Refused, inside, tree

WORKBOOK = "xl/workbook.xml"  # where the parts lie by custom; where they do lie, the lists of relations say
STRINGS, STYLES = "xl/sharedstrings.xml", "xl/styles.xml"
PACKAGE = ""  # in the place of a part: the relations of the whole
_BOOK_TAG = re.compile(rb"<(?:[\w.-]+:)?workbook[\s>]")
_LONGEST_HEAD = 5000  # bytes before the first tag of a part


class Related(NamedTuple):
    """A part that another names: its name, "" where the file has none such, and of which kind it is ("worksheet" ...)."""

    part: str
    kind: str

    def of_sheet(self, sheet: str) -> str:
        """The name of the part, where it is to be that of a sheet. Raises Refused where it is not there."""
        if not self.part:
            raise Refused("damaged", what=f"the sheet {sheet} is missing from the file")
        return self.part


NOT_RELATED = Related("", "")


def related(parts: Parts, part: str) -> dict[str, Related]:
    """The relations of a part, by the names that it gives them."""
    folder, name = posixpath.split(part)
    listing = posixpath.join(folder, "_rels", name + ".rels")
    if listing not in parts.entries:
        return {}
    return {
        said.get("Id", ""): Related(
            _found(parts, said.get("Target", ""), folder), said.get("Type", "").rpartition("/")[2]
        )
        for said in inside(tree(parts.read(listing), listing), "Relationship")
    }


def _found(parts: Parts, target: str, folder: str) -> str:
    """The part that a relation of a part in a folder leads to; "" where it is not there."""
    path = target[1:] if target.startswith("/") else posixpath.normpath(posixpath.join(folder, target))
    return next((name for name in (path.replace("\\", "/").lower(), target.lower()) if name in parts.entries), "")


def parts_of_kind(relations: dict[str, Related], kind: str) -> list[str]:
    """The parts of one kind among relations that are in the file."""
    return [entry.part for entry in relations.values() if entry.kind == kind and entry.part]


def main_part(parts: Parts) -> str:
    """The part that the package names as its document, else where a workbook lies by custom."""
    return next(iter(parts_of_kind(related(parts, PACKAGE), "officeDocument")), WORKBOOK)


def is_workbook(parts: Parts, part: str) -> bool:
    """Whether a part is the list of sheets of an .xlsx or .xlsm."""
    return part in parts.entries and part.endswith(".xml") and bool(_BOOK_TAG.search(parts.read(part)[:_LONGEST_HEAD]))


class Book(NamedTuple):
    """The parts of an .xlsx or .xlsm, and what its list of sheets says.

    part   : the list of sheets.
    sheets       : name of each worksheet -> its part. states : name -> "visible", "hidden" or "veryHidden".
    styles, strings : parts, "" where there is none.
    recalculated : the formulas still wait for a spreadsheet program to work them out.
    from_1904    : days are counted from 1904.
    """

    parts: Parts
    part: str
    sheets: dict[str, str]
    states: dict[str, str]
    styles: str
    strings: str
    recalculated: bool
    from_1904: bool

    def sheet(self, name: str) -> bytes:
        """The XML of a sheet."""
        return self.parts.read(self.sheets[name])

    @property
    def usual(self) -> bool:
        """Whether its parts lie where they do by custom, under names in small letters but for sharedStrings."""
        return self.part == WORKBOOK and self.styles in ("", STYLES) and self.strings in ("", STRINGS)


def book_of(parts: Parts) -> Book:
    """The list of sheets of an .xlsx or .xlsm. Raises Refused where it, or a sheet of it, is missing or broken."""
    part = main_part(parts)
    relations = related(parts, part)
    if not relations or part not in parts.entries:
        raise Refused("damaged", what="the list of its sheets is missing")
    stated = tree(parts.read(part), part)
    said = {key: value for name in ("calcPr", "workbookPr") for e in inside(stated, name) for key, value in e.items()}
    sheets: dict[str, str] = {}
    states: dict[str, str] = {}
    for sheet in inside(stated, "sheet"):
        name, key = sheet.get("name", ""), next((v for k, v in sheet.items() if k.endswith("}id")), "")
        entry = relations.get(key, NOT_RELATED)
        # One that names no part at all is a module of a program; there is nothing of it to read.
        if key and entry.kind in ("", "worksheet"):
            sheets[name], states[name] = entry.of_sheet(name), sheet.get("state", "visible")
    styles, strings = (next(iter(parts_of_kind(relations, kind)), "") for kind in ("styles", "sharedStrings"))
    waiting, from_1904 = (said.get(key) in ("1", "true") for key in ("fullCalcOnLoad", "date1904"))
    return Book(parts, part, sheets, states, styles, strings, waiting, from_1904)
