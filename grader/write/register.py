"""The register of the firm as a workbook: a sheet for each kind of thing that is entered once, and one for the reader.

Sheets, columns and words to pick from come from data/register.toml, look and checks from data/blank.toml.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from datetime import datetime
from math import ceil
from typing import Any

from grader.columns import REGISTER, REGISTER_FIELDS, REGISTER_KIND
from grader.words import DEFAULT_LANGUAGE, words
from grader.write.blank import DEFAULT_CREATED, Form, new_book, new_file, put_file
from grader.write.sheets import PAGE_WIDTH_PT, width_pt

SMALLEST = 0.5  # a sheet that would be printed smaller takes two pages across
Lines = Mapping[str, Sequence[Mapping[str, Any]]]  # sheet -> one mapping of column -> value a line


class RegisterForm(Form):
    """The register being made."""

    section = "register"

    def sheets(self, lines: Lines, notes: Mapping[str, Sequence[Mapping[str, str]]]) -> None:
        """Every sheet of the register, and the one for the reader."""
        for sheet in REGISTER.values():
            page = self.book.add_worksheet(sheet.name)
            self.paper(page, sheet.name)
            fields = [REGISTER_FIELDS[name] for name in sheet.columns]
            ruled = self.look["register_rows"]
            ready = self.table(page, fields, lines.get(sheet.name, ()), notes.get(sheet.name, ()), ruled)
            across = sum(width_pt(self.widths.get(f.name, self.widths["default"])) for f in fields) / PAGE_WIDTH_PT
            page.fit_to_pages(ceil(across * SMALLEST), ceil(ready / (ruled + self.look["spare_rows"])))
            page.repeat_columns(0, sheet.columns.index("outlet") if "outlet" in sheet.columns else 0)
        texts = self.words["register_sheet"]
        choices = {f.heading: ", ".join(f.words) for f in REGISTER_FIELDS.values() if f.kind == "word"}
        guide = self.words["register_readme"]
        self.reader_sheet(
            [
                *((guide[n]["heading"], guide[n]["lines"], n == "cautions", ()) for n in self.look["register_readme"]),
                (self.text["sheets_heading"], [(name, texts[name]) for name in REGISTER], False, ()),
                (self.text["words_heading"], list(choices.items()), False, ()),
            ]
        )


def write_register(path: str | os.PathLike[str], **filled: Any) -> None:
    """Write the register, empty or with lines filled in.

    path    : where to write the .xlsx. An existing file is left alone.
    filled  : what it is filled in with, as for `register_bytes`.
    Raises  : GraderError where the file exists or cannot be written; else as `register_bytes`.
    """
    target = new_file(path, "the firm's register")
    put_file(target, register_bytes(**filled))


def register_bytes(
    *,
    lines: Lines | None = None,
    notes: Mapping[str, Sequence[Mapping[str, str]]] | None = None,
    language: str = DEFAULT_LANGUAGE,
    created: datetime | None = None,
) -> bytes:
    """The register as the bytes of an .xlsx file.

    lines    : sheet -> for each line column -> value. notes : the same, text of a note on that cell.
    language : of the texts; sheet names, headings and words to pick from stay English.
    created  : as for the blank, so that two writes are equal.
    Raises   : KeyError for an unknown sheet or column.
    """
    for name, given in (lines or {}).items():
        unknown = {column for line in given for column in line} - set(REGISTER[name].columns)
        if unknown:
            raise KeyError(f"{', '.join(sorted(unknown))}: no column of the sheet {name}")
    buffer, book = new_book()
    form = RegisterForm(book, words(language), [])
    form.properties(language, created or DEFAULT_CREATED)
    book.set_custom_property("grader-kind", REGISTER_KIND)
    form.sheets(lines or {}, notes or {})
    book.close()
    return buffer.getvalue()
