"""Writes records of visits and out-of-use notices into a folder: one workbook of one sheet each."""

from __future__ import annotations

import os
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path, PurePath

from xlsxwriter import Workbook

from grader.page import Record
from grader.problems import GraderError
from grader.words import DEFAULT_LANGUAGE, words
from grader.write.page import write_page
from grader.write.result import set_properties
from grader.write.safely import KIND_PROPERTY, check_target, made_folder, properties_of, replacing
from grader.write.styles import Styles, book_options
from grader.write.values import clean_text

IDENTITY_PROPERTY, CONTENT_PROPERTY = "grader-about", "grader-content"
MOST_OF_A_NAME = 1000


def write_records(
    folder: str | os.PathLike[str],
    records: Iterable[Record],
    *,
    created: datetime | None = None,
    inputs: Iterable[Path] = (),
    language: str = DEFAULT_LANGUAGE,
) -> list[Path]:
    """Write each to its own file in the folder, which is made if it is not there.

    A file about the same visit (or site, for a notice) is written over, or left as it is where it says the
    same already: what was handed over then keeps its date. Any other file of that name stays, and the new one
    gets a number behind its name.

    created : time in the document properties; else SOURCE_DATE_EPOCH of the environment; else now.
    inputs  : files that were read; none of them is ever written over.
    Returns : the files, one a record, in order.
    Raises  : GraderError, one line, where the folder or a file cannot be written. Files before it are whole.
    """
    place = made_folder(folder, "records")
    sources = list(inputs)
    try:
        there = {entry.name.casefold(): Path(entry.path) for entry in os.scandir(place)}
    except OSError as error:
        raise GraderError(f"{place}: cannot be read ({error.strerror}). Choose another folder.") from error
    paths = []
    for record in records:
        path, same = _target(place, record, there)
        there[path.name.casefold()] = path
        paths.append(path)
        if not same:
            _write(check_target(path, sources, kinds=(record.kind,)), record, created, language)
    return paths


def _target(place: Path, record: Record, there: dict[str, Path]) -> tuple[Path, bool]:
    """Where the record goes, and whether the file there says the same already."""
    wished = PurePath(record.file_name)
    for number in range(1, MOST_OF_A_NAME):
        name = wished.name if number == 1 else f"{wished.stem} ({number}){wished.suffix}"
        old = there.get(name.casefold())
        if old is None:
            return place / name, False
        known = _known(old, record.kind)
        if known.get(IDENTITY_PROPERTY) == record.identity:
            return old, known.get(CONTENT_PROPERTY) == record.content
    raise GraderError(f"{place / wished}: {MOST_OF_A_NAME} files of that name are there. Choose another folder.")


def _known(path: Path, kind: str) -> dict[str, str]:
    """The custom properties of an earlier file of this kind; none for any other file."""
    try:
        known = properties_of(path) if path.is_file() else {}
    except OSError:
        return {}  # not told apart from another's file, so it is left alone
    return known if known.get(KIND_PROPERTY) == kind else {}


def _write(path: Path, record: Record, created: datetime | None, language: str) -> None:
    every = words(language)
    texts = every["result"]
    properties = {
        KIND_PROPERTY: record.kind,
        "language": language,
        "record-number": record.number,
        "supersedes": "; ".join(record.supersedes),
        IDENTITY_PROPERTY: record.identity,
        CONTENT_PROPERTY: record.content,
    }
    with replacing(path) as part, open(part, "r+b") as stream:
        workbook = Workbook(stream, book_options(in_memory=True))
        set_properties(workbook, properties, created, record.number or PurePath(record.file_name).stem)
        sheet = workbook.add_worksheet(every[record.kind]["file_sheet"])

        def clean(text: str) -> str:
            return clean_text(text, texts["cut_mark"])[0]

        def address(name: str, row: int) -> str:
            raise ValueError(f"a record has no sheet {name!r} for a link to row {row}")

        write_page(workbook, sheet, record.page, Styles(workbook), texts, address=address, clean=clean)
        pages = texts["page_of"].format(page="&P", pages="&N")
        footer = record.footer.replace("&", "&&")
        sheet.set_footer(f"&L&8{footer}&R&8{pages}" if not record.page.one_page else f"&L&8{footer}")
        workbook.close()
