"""Tells the page of instructions that comes with every blank and register, so that nobody looks for readings in it.

Taking its sentences for headings costs many times the reading of the visit itself.
"""

from __future__ import annotations

from functools import cache
from typing import Any

from grader.columns import FIELDS, REGISTER, REGISTER_FIELDS
from grader.data import load_toml, names, read_text
from grader.read.shapes.tables import Sheet, is_blank

_LONGEST_GUIDE = 300  # rows


def is_own_guide(sheet: Sheet) -> bool:
    """Whether a sheet is a blank's page of instructions, untouched: every cell is a text of that page.

    One cell with anything else, a reading above all, and it is a sheet like any other.
    """
    if len(sheet.rows) > _LONGEST_GUIDE:
        return False
    known = _guide_texts(sheet.name)
    return bool(known) and all(
        is_blank(cell) or type(cell) is str and cell in known for row in sheet.rows for cell in row
    )


@cache
def _guide_texts(sheet_name: str) -> frozenset[str]:
    """All texts of the pages of instructions under a name, in whichever language has it; empty for other names."""
    texts: set[str] = set()
    for name in names("words"):
        # Looked for before the file is parsed: parsing all languages takes longer than reading a visit.
        if f'readme_sheet = "{sheet_name}"' in read_text(f"words/{name}"):
            texts |= _texts_of(load_toml(f"words/{name}"))
    return frozenset(texts)


def _texts_of(words: dict[str, Any]) -> set[str]:
    blank = words["blank"]
    groups = load_toml("blank.toml")["group"]
    texts = {blank["title"], blank["words_heading"], blank["colours_heading"], *words["blank_group"].values()}
    for part in words["blank_readme"].values():
        texts |= {part["heading"], *(text for line in part["lines"] for text in line)}
    for field in FIELDS.values():
        if field.kind == "word":
            texts |= {field.heading, ", ".join(field.words)}
    for group in groups:
        texts.add(", ".join(FIELDS[n].heading for n in group["fields"] if FIELDS[n].sheet != "extra"))
    register = words["register"]
    texts |= {register["title"], register["sheets_heading"], *REGISTER, *words["register_sheet"].values()}
    for part in words["register_readme"].values():
        texts |= {part["heading"], *(text for line in part["lines"] for text in line)}
    for field in REGISTER_FIELDS.values():
        if field.kind == "word":
            texts |= {field.heading, ", ".join(field.words)}
    return texts
