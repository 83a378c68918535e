"""Tells the pages for reading that come with blanks and registers, so that nobody looks for readings in them.

Taking its sentences for headings costs many times the reading of the visit itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Any

from grader.columns import FIELDS, REGISTER, REGISTER_FIELDS
from grader.data import load_toml, names
from grader.page import sum_of_texts
from grader.read.shapes.tables import Note, Sheet, is_blank, shown

_LONGEST_GUIDE = 300  # rows
_SUM_WITHIN = 3  # the sum of a page's texts stands among so many of its first cells


def is_own_guide(sheet: Sheet) -> bool:
    """Whether a sheet is a blank's page of instructions, untouched: every cell is a text of that page.

    One cell with anything else, a reading above all, and it is a sheet like any other.
    """
    if len(sheet.rows) > _LONGEST_GUIDE:
        return False
    known = guide_texts(sheet.name)
    return bool(known) and all(
        is_blank(cell) or type(cell) is str and cell in known for row in sheet.rows for cell in row
    )


def is_last_time(sheet: Sheet, notes: list[Note]) -> bool:
    """Whether a sheet is a blank's page of the last visit, by its title. Old readings stand on it: none is ever a test.

    notes : gets one where a cell of it is not as it was printed.
    """
    if not sheet.rows or not sheet.rows[0] or sheet.rows[0][0] not in _last_time_titles():
        return False
    cells = [shown(cell) for row in sheet.rows for cell in row if not is_blank(cell)]
    if not any(sum_of_texts([*cells[:i], *cells[i + 1 :]]) == cell for i, cell in enumerate(cells[:_SUM_WITHIN])):
        notes.append(Note("last_time_written_on", sheet.name, "", sheet.name, {}))
    return True


@cache
def _last_time_titles() -> frozenset[str]:
    files = (load_toml(f"words/{name}") for name in names("words"))
    return frozenset(words["last_time"]["title"] for words in files if "last_time" in words)


@cache
def guide_texts(sheet_name: str) -> frozenset[str]:
    """All texts of the pages of instructions under a name, in whichever language has it; empty for other names."""
    texts: set[str] = set()
    for name in names("words"):
        words = load_toml(f"words/{name}")
        if sheet_name in (words.get(of, {}).get("readme_sheet") for of in ("blank", "register")):
            texts |= _texts_of(words)
    return frozenset(texts)


def _texts_of(words: Mapping[str, Any]) -> set[str]:
    blank = words["blank"]
    groups = load_toml("blank.toml")["group"]
    texts = {blank["title"], blank["words_heading"], blank["colours_heading"], *words["blank_group"].values()}
    for group in groups:
        texts.add(", ".join(FIELDS[n].heading for n in group["fields"] if FIELDS[n].sheet != "extra"))
    register = words["register"]
    texts |= {register["title"], register["sheets_heading"], *REGISTER, *words["register_sheet"].values()}
    for part in (*words["blank_readme"].values(), *words["register_readme"].values()):
        texts |= {part["heading"], *(text for line in part["lines"] for text in line)}
    for field in (*FIELDS.values(), *REGISTER_FIELDS.values()):
        if field.kind == "word":
            texts |= {field.heading, ", ".join(field.words)}
    return texts
