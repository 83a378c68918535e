"""What product of this program a file is, by the property `grader-kind` that it keeps when it is saved in another format."""

from __future__ import annotations

import re

from grader.columns import REGISTER_KIND
from grader.read.formats.parts import Parts, inside, text_of, tree

KIND = "grader-kind"
RESULT = "result"
_PROPERTIES, _META = "docprops/custom.xml", "meta.xml"
# A text of an old property set without its null bytes: its length with or without the null at its end, its letters, of
# one byte or two ([MS-OLEPS] 2.5 CodePageString, 2.7 UnicodeString, 2.17 Dictionary).
_OLD_KIND = re.compile(rb"[\x0b\x0c\x16\x18]grader-kind")
_OLD_REGISTER = re.compile(rb"[\x08\x09\x10\x12]" + REGISTER_KIND.encode())


def is_closed(kind: str) -> bool:
    """Whether a product of this program is nothing to read; a register is."""
    return kind not in ("", REGISTER_KIND)


def kind_of_zip(parts: Parts) -> str:
    """The kind of an .xlsx, .xlsm, .xlsb or .ods; "" if it is no product of this program."""
    for part, element in ((_PROPERTIES, "property"), (_META, "user-defined")):
        content = parts.read(part) if part in parts.entries else b""
        if KIND.encode() in content:
            said = (e for e in inside(tree(content, part), element) if KIND in e.attrib.values())
            return "".join(map(text_of, said)).strip()
    return ""


def kind_of_old(properties: bytes) -> str:
    """The kind of an .xls from its document properties; "" if it is no product of this program, RESULT for all but a register."""
    letters = properties.replace(b"\x00", b"")
    if not _OLD_KIND.search(letters):
        return ""
    return REGISTER_KIND if _OLD_REGISTER.search(letters) else RESULT
