"""The parts of a zip: inflated one at a time, never past what they declare, with no document type in them.

Also the exception by which every reader of a format says that a file cannot be read.
"""

from __future__ import annotations

import contextlib
import io
import re
import zipfile
import zlib
from collections.abc import Iterator, Mapping
from functools import lru_cache
from typing import Any
from xml.etree import ElementTree
from xml.parsers import expat

OLE_MAGIC = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
ZIP_MAGIC = b"PK\x03\x04"
# A document type can only stand before the first element, so this much of a part nobody reads is enough.
PROLOG_BYTES = 4096


class Refused(Exception):
    """This file cannot be read. `code` names the words, `params` fills them."""

    def __init__(self, code: str, *, sheet: str = "", cell: str = "", **params: Any) -> None:
        super().__init__(code)
        self.code, self.sheet, self.cell, self.params = code, sheet, cell, params


class Parts:
    """The parts of a zip, inflated one at a time, never past what they declare. Names are in lower case."""

    def __init__(self, data: bytes, limits: Mapping[str, float]) -> None:
        if not data:
            raise Refused("file_empty")
        if not data.startswith(b"PK"):
            raise Refused("not_a_workbook")
        try:
            entries = zipfile.ZipFile(io.BytesIO(data)).filelist
        except (zipfile.BadZipFile, ValueError, EOFError, NotImplementedError) as error:
            raise Refused("truncated") from error
        if len(entries) > limits["parts"]:
            raise Refused("bomb", part="zip", what=f"{len(entries)} parts")
        self.data, self.limits = data, limits
        self.entries: dict[str, zipfile.ZipInfo] = {}
        self.inflated: set[str] = set()
        total = 0
        for entry in entries:
            name = entry.filename.replace("\\", "/").lower()
            if name in self.entries:  # two readers could take two different ones
                raise Refused("damaged", what=f"the part {entry.filename} is there twice")
            if entry.flag_bits & 1:
                raise Refused("encrypted")
            self._bound(entry.filename, entry.file_size, entry.compress_size)
            total += entry.file_size
            self.entries[name] = entry
        if total > limits["part_bytes_hard"]:
            raise Refused("bomb", part="all parts together", what=megabytes(total))

    def _bound(self, name: str, size: int, packed: int) -> None:
        limits = self.limits
        tight = size > limits["part_bytes"] and size > limits["part_ratio"] * max(packed, 1)
        if tight or size > limits["part_bytes_hard"]:
            raise Refused("bomb", part=name, what=megabytes(size))

    def _packed(self, entry: zipfile.ZipInfo) -> memoryview:
        data, start = self.data, entry.header_offset
        if data[start : start + 4] != ZIP_MAGIC:
            raise Refused("truncated")
        names = int.from_bytes(data[start + 26 : start + 28], "little")
        extra = int.from_bytes(data[start + 28 : start + 30], "little")
        start += 30 + names + extra
        if start + entry.compress_size > len(data):
            raise Refused("truncated")
        return memoryview(data)[start : start + entry.compress_size]

    def read(self, name: str, *, text: bool = True) -> bytes:
        """One part, checked: size and checksum as declared; where it is text UTF-8 or like it, no DOCTYPE.

        text   : False for a part that is no XML, or is not parsed.
        Raises : Refused.
        """
        entry = self.entries[name]
        packed = self._packed(entry)
        if entry.compress_type == zipfile.ZIP_STORED:
            content = bytes(packed)
            complete = True
        elif entry.compress_type == zipfile.ZIP_DEFLATED:
            unpacker = zlib.decompressobj(-15)
            try:
                # One byte more than declared, to see a part that says less than it holds.
                content = unpacker.decompress(packed, entry.file_size + 1)
            except zlib.error as error:
                raise Refused("damaged", what=f"the part {entry.filename} cannot be unpacked") from error
            complete = unpacker.eof
        else:
            raise Refused("damaged", what=f"the part {entry.filename} is packed in an unusual way")
        if len(content) > entry.file_size:
            raise Refused("bomb", part=entry.filename, what="more than it declares")
        if not complete or len(content) != entry.file_size or zlib.crc32(content) != entry.CRC:
            raise Refused("damaged", what=f"the part {entry.filename} is not what the file declares")
        self.inflated.add(name)
        if not text:
            return content
        _refuse_entities(content, entry.filename)
        if b"\x00" in content[:64] or _declared(content) not in _UTF_8 and not content.isascii():
            raise Refused("damaged", what=f"the part {entry.filename} is not UTF-8 text")
        return content

    def check_prologs(self) -> None:
        """Look for a document type at the head of the XML parts that were not read."""
        for name, entry in self.entries.items():
            if name not in self.inflated and name.endswith((".xml", ".rels", ".vml")):
                packed = bytes(self._packed(entry)[:PROLOG_BYTES])
                _check_prolog(packed, entry.compress_type == zipfile.ZIP_DEFLATED, entry.filename)


@lru_cache(512)
def _check_prolog(packed: bytes, deflated: bool, part: str) -> None:
    """Refuse a part whose beginning holds a document type; programs pack the same themes and settings again and again."""
    try:
        head = zlib.decompressobj(-15).decompress(packed, PROLOG_BYTES) if deflated else packed
    except zlib.error as error:
        raise Refused("damaged", what=f"the part {part} cannot be unpacked") from error
    _refuse_entities(head, part)


_ENCODING = re.compile(rb"""^\s*(?:\xef\xbb\xbf)?<\?xml [^>]*?encoding\s*=\s*["']([^"']*)["']""")
_UTF_8 = ("", "utf-8", "utf8", "us-ascii", "ascii")


def _declared(content: bytes) -> str:
    """The encoding that an XML part declares, in lower case; "" for none."""
    found = _ENCODING.match(content[:200])
    return found[1].decode("latin-1").strip().lower() if found else ""


def megabytes(size: float) -> str:
    """A size in bytes as it is printed.

    >>> megabytes(300e6), megabytes(20_258)
    ('300 MB', '0.0203 MB')
    """
    return f"{size / 1e6:,.0f} MB" if size >= 10e6 else f"{size / 1e6:.3g} MB"


def _refuse_entities(content: bytes, part: str) -> None:
    # One character is looked for first: that is much quicker, and mostly enough.
    if b"!" in content and (b"<!DOCTYPE" in content or b"<!ENTITY" in content):
        raise Refused("doctype", part=part)


@contextlib.contextmanager
def well_formed(content: bytes, part: str) -> Iterator[None]:
    """Turns what a parser raises over a part that is not XML into Refused."""
    try:
        yield
    except (expat.ExpatError, ElementTree.ParseError) as error:
        line = error.lineno if isinstance(error, expat.ExpatError) else error.position[0]
        raise Refused("damaged", what=f"the part {part} is not well-formed XML (line {line})") from error
    except (LookupError, ValueError) as error:  # an encoding that is unknown, or that expat has no table for
        if _declared(content) in _UTF_8:
            raise
        raise Refused("damaged", what=f"the part {part} is not UTF-8 text") from error


def check_xml(content: bytes, part: str) -> None:
    """Refuse a part that is not XML."""
    with well_formed(content, part):
        expat.ParserCreate().Parse(content, True)


def tree(content: bytes, part: str) -> ElementTree.Element:
    """A small part as a whole. Raises Refused where it is not XML."""
    with well_formed(content, part):
        return ElementTree.fromstring(content)


def inside(element: ElementTree.Element, name: str) -> Iterator[ElementTree.Element]:
    """The elements of a name in an element, at any depth, in order, whatever their namespace."""
    return element.iterfind(f".//{{*}}{name}")


def text_of(element: ElementTree.Element) -> str:
    """All text in an element."""
    return "".join(element.itertext())
