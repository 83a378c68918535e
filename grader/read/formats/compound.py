"""The container of old workbooks (.xls): streams of a compound file, and its custom document properties.

Sources: [MS-CFB] 2.2 to 2.6 (header, tables of sectors, directory) and [MS-OLEPS] 2.18 to 2.20 (property
sets), from memory; checked against files that LibreOffice writes.
"""

from __future__ import annotations

import struct
import uuid
from collections.abc import Iterator

from grader.read.formats.parts import OLE_MAGIC, Refused

_LAST_SECTOR = 0xFFFFFFFA  # numbers from here on mean "end", "free" and the like
_STREAM, _ROOT = 2, 5
_SUMMARY = "\x05DocumentSummaryInformation"
_CUSTOM = uuid.UUID("D5CDD505-2E9C-101B-9397-08002B2CF9AE").bytes_le
_CODE_PAGE, _NARROW, _WIDE, _UTF_16 = 1, 0x1E, 0x1F, 1200
_CUT = {"what": "its table of contents does not fit its size"}


class Compound:
    """The streams of a compound file, by name; those of files embedded in it are there too."""

    def __init__(self, data: bytes) -> None:
        """Read the table of contents. Raises Refused where it is broken."""
        if not data.startswith(OLE_MAGIC) or len(data) < 512:
            raise Refused("truncated")
        self.data = data
        shift, mini_shift = struct.unpack_from("<HH", data, 30)
        if shift not in (9, 12) or mini_shift != 6:
            raise Refused("damaged", **_CUT)
        self.size = 1 << shift
        n_fat, first_directory = struct.unpack_from("<II", data, 44)
        self.cutoff, first_mini, _, first_list, _ = struct.unpack_from("<IIIII", data, 56)
        self.sectors = max((len(data) - 1) // self.size, 0)
        self.fat = self._table(data, n_fat, first_list)
        self.mini_fat = _integers(self._chain(first_mini)) if first_mini < _LAST_SECTOR else ()
        self.mini = b""
        self.found: dict[str, list[tuple[int, int]]] = {}
        self._read_directory(self._chain(first_directory))

    def _table(self, data: bytes, n_fat: int, first_list: int) -> tuple[int, ...]:
        where = list(struct.unpack_from("<109I", data, 76))
        lists = 0
        while first_list < _LAST_SECTOR:
            numbers = _integers(self._sector(first_list))
            where += numbers[:-1]
            first_list = numbers[-1]
            lists += 1
            if lists > self.sectors:
                raise Refused("damaged", **_CUT)
        where = [number for number in where if number < _LAST_SECTOR][:n_fat]
        return _integers(b"".join(self._sector(number) for number in where))

    def _sector(self, number: int) -> bytes:
        start = (number + 1) * self.size
        if start >= len(self.data):
            raise Refused("truncated")
        return self.data[start : start + self.size].ljust(self.size, b"\x00")

    def _follow(self, number: int, table: tuple[int, ...]) -> Iterator[int]:
        steps = 0
        while number < _LAST_SECTOR:
            if number >= len(table) or steps > len(table):  # out of the file, or in a circle
                raise Refused("damaged", **_CUT)
            yield number
            number = table[number]
            steps += 1

    def _chain(self, first: int) -> bytes:
        return b"".join(self._sector(number) for number in self._follow(first, self.fat))

    def _read_directory(self, directory: bytes) -> None:
        for at in range(0, len(directory) - 127, 128):
            length, kind = struct.unpack_from("<HB", directory, at + 64)
            first, size = struct.unpack_from("<II", directory, at + 116)
            if kind == _ROOT:
                self.mini = self._chain(first) if first < _LAST_SECTOR else b""
            elif kind == _STREAM:
                name = directory[at : at + max(0, min(length, 64) - 2)].decode("utf-16-le", "replace")
                self.found.setdefault(name, []).append((first, size))

    def stream(self, name: str) -> bytes:
        """Content of a stream; b"" if there is none.

        Raises : Refused where two have the name (another workbook is embedded: which is meant cannot be
                 told), or the file ends before the stream does.
        """
        entries = self.found.get(name, [])
        if not entries:
            return b""
        if len(entries) > 1:
            raise Refused("damaged", what="another workbook is embedded in it")
        first, size = entries[0]
        if size >= self.cutoff:
            content = self._chain(first) if size else b""
        else:
            content = b"".join(self.mini[n * 64 : n * 64 + 64] for n in self._follow(first, self.mini_fat))
        if len(content) < size:
            raise Refused("truncated")
        return content[:size]


def _integers(content: bytes) -> tuple[int, ...]:
    return struct.unpack(f"<{len(content) // 4}I", content)


def ole_kind(book: Compound) -> str:
    """What product of this program an .xls was before it was saved so; "" if none.

    Raises : Refused where the property is there and cannot be read.
    """
    content = book.stream(_SUMMARY)
    if b"grader-kind" not in content and "grader-kind".encode("utf-16-le") not in content:
        return ""
    try:
        return _custom_properties(content).get("grader-kind", "")
    except (struct.error, ValueError, LookupError) as error:
        raise Refused("damaged", what="its document properties cannot be read") from error


def _custom_properties(content: bytes) -> dict[str, str]:
    """Name -> text of the custom properties; those that are no text are left out."""
    sets = struct.unpack_from("<I", content, 24)[0]
    for number in range(min(sets, 8)):
        if content[28 + 20 * number : 44 + 20 * number] == _CUSTOM:
            base = struct.unpack_from("<I", content, 44 + 20 * number)[0]
            break
    else:
        return {}
    count = struct.unpack_from("<I", content, base + 4)[0]
    places = dict(struct.unpack_from("<II", content, base + 8 + 8 * i) for i in range(min(count, 10_000)))
    page = 1252
    if _CODE_PAGE in places:
        page = struct.unpack_from("<H", content, base + places[_CODE_PAGE] + 4)[0]
    names = _dictionary(content, base + places[0], page)
    found = {}
    for key, offset in places.items():
        kind, length = struct.unpack_from("<II", content, base + offset)
        if key in names and kind in (_NARROW, _WIDE):
            wide = kind == _WIDE or page == _UTF_16
            start = base + offset + 8
            size = length * 2 if kind == _WIDE else length
            raw = content[start : start + size]
            if len(raw) < size:
                raise ValueError("a property ends in the middle")
            found[names[key]] = raw.decode("utf-16-le" if wide else _codec(page), "replace").rstrip("\x00")
    return found


def _dictionary(content: bytes, at: int, page: int) -> dict[int, str]:
    names = {}
    count = struct.unpack_from("<I", content, at)[0]
    at += 4
    for _ in range(min(count, 10_000)):
        key, length = struct.unpack_from("<II", content, at)
        size = length * 2 if page == _UTF_16 else length
        raw = content[at + 8 : at + 8 + size]
        names[key] = raw.decode("utf-16-le" if page == _UTF_16 else _codec(page), "replace").rstrip("\x00")
        at += 8 + size + (-size % 4 if page == _UTF_16 else 0)
    return names


def _codec(page: int) -> str:
    return {65001: "utf-8", 10000: "mac-roman"}.get(page, f"cp{page}")
