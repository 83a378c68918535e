"""The container of old workbooks (.xls): the streams of its root storage, and its custom document properties.

Sources, as published under learn.microsoft.com/openspecs: [MS-CFB] for the container, [MS-OLEPS] for the properties, the
section beside each figure (editions of April 2024). Files of LibreOffice and of other writers are
read in the tests and in bench_foreign.
"""

from __future__ import annotations

import struct
import uuid
from collections.abc import Iterator

from grader.read.formats.parts import OLE_MAGIC, Refused

_LAST_SECTOR = 0xFFFFFFFA  # MAXREGSECT: numbers from here on mean "end", "free" and the like ([MS-CFB] 2.1)
_END_OF_CHAIN, _FAT_SECTOR, _FREE = 0xFFFFFFFE, 0xFFFFFFFD, 0xFFFFFFFF
_NO_STREAM = 0xFFFFFFFF  # of a sibling or child ([MS-CFB] 2.6)
_ENTRY = 128  # bytes of a directory entry ([MS-CFB] 2.6.1)
_STREAM, _ROOT = 2, 5  # its object types (2.6.1)
_IN_HEADER = 109  # sectors of the FAT that the header lists ([MS-CFB] 2.2)
_CUTOFF = 4096  # bytes; a shorter stream lies in the mini stream (2.2)
_SUMMARY = "\x05DocumentSummaryInformation"  # both property sets of a document lie in it ([MS-OLEPS] 2.21)
_CUSTOM = uuid.UUID("D5CDD505-2E9C-101B-9397-08002B2CF9AE").bytes_le  # FMTID_UserDefinedProperties
_DICTIONARY, _CODE_PAGE = 0, 1  # property identifiers ([MS-OLEPS] 2.18.1 and 2.18.2)
_NARROW, _WIDE, _UTF_16 = 0x1E, 0x1F, 1200  # VT_LPSTR, VT_LPWSTR (as LibreOffice writes), CP_WINUNICODE (2.18.2)
_CUT = {"what": "its table of contents does not fit its size"}


class Compound:
    """The streams of a compound file's root storage, by name in capitals; those of files embedded in it are not among them.

    elsewhere : names, in capitals, of streams in other storages.
    """

    def __init__(self, data: bytes) -> None:
        """Read the table of contents. Raises Refused where it is broken."""
        if not data.startswith(OLE_MAGIC) or len(data) < 512:
            raise Refused("truncated")
        self.data = data
        shift, mini_shift = struct.unpack_from("<HH", data, 30)  # this and the next: the header, [MS-CFB] 2.2
        if shift not in (9, 12) or mini_shift != 6:
            raise Refused("damaged", **_CUT)
        self.size = 1 << shift
        n_fat, first_directory = struct.unpack_from("<II", data, 44)
        self.cutoff, first_mini, _, first_list, _ = struct.unpack_from("<IIIII", data, 56)
        self.sectors = max((len(data) - 1) // self.size, 0)
        self.fat = self._table(data, n_fat, first_list)
        self.mini_fat = _integers(self._chain(first_mini)) if first_mini < _LAST_SECTOR else ()
        self.mini = b""
        self.found: dict[str, tuple[int, int]] = {}
        self.elsewhere: set[str] = set()
        self._read_directory(self._chain(first_directory))

    def _table(self, data: bytes, n_fat: int, first_list: int) -> tuple[int, ...]:
        """The FAT, by way of the DIFAT: the header's part of it, and a chain of sectors ([MS-CFB] 2.3, 2.5)."""
        where = list(struct.unpack_from(f"<{_IN_HEADER}I", data, 76))
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
        """Fill found and elsewhere ([MS-CFB] 2.6): the streams that hang on the root's child are the document's own."""
        entries = [directory[at : at + _ENTRY] for at in range(0, len(directory) - _ENTRY + 1, _ENTRY)]
        if not entries or entries[0][66] != _ROOT:
            raise Refused("damaged", **_CUT)
        first = struct.unpack_from("<I", entries[0], 116)[0]
        self.mini = self._chain(first) if first < _LAST_SECTOR else b""
        own: set[int] = set()
        waiting = [struct.unpack_from("<I", entries[0], 76)[0]]
        while waiting:
            number = waiting.pop()
            if number == _NO_STREAM or number in own:
                continue
            if number >= len(entries):
                raise Refused("damaged", **_CUT)
            own.add(number)
            waiting += struct.unpack_from("<II", entries[number], 68)  # its siblings, left and right
        for number, entry in enumerate(entries):
            if entry[66] != _STREAM:
                continue
            length = struct.unpack_from("<H", entry, 64)[0]  # bytes, with the null at the end
            # Names that differ in capitals alone are one name ([MS-CFB] 2.6.4).
            name = entry[: max(0, min(length, 64) - 2)].decode("utf-16-le", "replace").upper()
            if number not in own:
                self.elsewhere.add(name)
            elif name in self.found:
                raise Refused("damaged", what=f"the stream {name} is there twice")
            else:
                self.found[name] = struct.unpack_from("<II", entry, 116)

    def stream(self, name: str) -> bytes:
        """Content of a stream of the root storage; b"" if there is none.

        Raises : Refused where the file ends before the stream does.
        """
        first, size = self.found.get(name.upper(), (_END_OF_CHAIN, 0))
        if size >= self.cutoff:
            content = self._chain(first)
        else:
            content = b"".join(self.mini[n * 64 : n * 64 + 64] for n in self._follow(first, self.mini_fat))
        if len(content) < size:
            raise Refused("truncated")
        return content[:size]


def alone(name: str, content: bytes) -> bytes:
    """A compound file that holds this stream and nothing else ([MS-CFB] 2.2 to 2.6; version 4: sectors of 4096 bytes).

    For a reader that would take the stream of a file embedded in the one it is of; the reading library wants a sector
    named for the mini stream, though it has no bytes. Up to 456 MB.
    """
    sector = 4096
    content = content.ljust(_CUTOFF, b"\x00")
    filled = -(-len(content) // sector)
    tables = next(n for n in range(1, _IN_HEADER + 1) if n * sector // 4 >= n + 1 + filled)
    chain = [*range(tables + 2, tables + 1 + filled), _END_OF_CHAIN]
    fat = [_FAT_SECTOR] * tables + [_END_OF_CHAIN, *chain]
    fat += [_FREE] * (tables * sector // 4 - len(fat))
    difat = [*range(tables), *[_FREE] * (_IN_HEADER - tables)]
    version = (0x3E, 4, 0xFFFE, 12, 6)  # minor, major, order of bytes, powers of 2 of both sectors
    counts = (1, tables, tables, 0, _CUTOFF)  # sectors of the directory and of the FAT, where the directory begins
    header = struct.pack("<8s16x5H6x9I", OLE_MAGIC, *version, *counts, _END_OF_CHAIN, 0, _END_OF_CHAIN, 0)
    root = _entry("Root Entry", _ROOT, 1, tables + 1, 0)
    own = _entry(name, _STREAM, _NO_STREAM, tables + 1, len(content))
    unused = bytes(66) + struct.pack("<BB3I", 0, 0, *[_NO_STREAM] * 3) + bytes(48)
    return b"".join(
        (
            (header + _packed(difat)).ljust(sector, b"\x00"),
            _packed(fat),
            root + own + unused * (sector // _ENTRY - 2),
            content.ljust(filled * sector, b"\x00"),
        )
    )


def _entry(name: str, kind: int, child: int, first: int, size: int) -> bytes:
    text = name.encode("utf-16-le")
    siblings = struct.pack("<HBB3I", len(text) + 2, kind, 1, _NO_STREAM, _NO_STREAM, child)
    return text.ljust(64, b"\x00") + siblings + bytes(36) + struct.pack("<IQ", first, size)


def _packed(numbers: list[int]) -> bytes:
    return struct.pack(f"<{len(numbers)}I", *numbers)


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
    """Name -> text of the custom properties ([MS-OLEPS] 2.20, 2.21); those that are no text are left out."""
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
    names = _dictionary(content, base + places[_DICTIONARY], page)
    found = {}
    for key, offset in places.items():
        kind, length = struct.unpack_from("<II", content, base + offset)
        if key in names and kind in (_NARROW, _WIDE):
            start = base + offset + 8
            size = length * 2 if kind == _WIDE else length
            raw = content[start : start + size]
            if len(raw) < size:
                raise ValueError("a property ends in the middle")
            found[names[key]] = raw.decode("utf-16-le" if kind == _WIDE else _codec(page), "replace").rstrip("\x00")
    return found


def _dictionary(content: bytes, at: int, page: int) -> dict[int, str]:
    """Property identifier -> its name ([MS-OLEPS] 2.17, Dictionary); only names of 16-bit letters are padded."""
    names = {}
    count = struct.unpack_from("<I", content, at)[0]
    at += 4
    for _ in range(min(count, 10_000)):
        key, length = struct.unpack_from("<II", content, at)
        size = length * 2 if page == _UTF_16 else length
        raw = content[at + 8 : at + 8 + size]
        names[key] = raw.decode(_codec(page), "replace").rstrip("\x00")
        at += 8 + size + (-size % 4 if page == _UTF_16 else 0)
    return names


def _codec(page: int) -> str:
    return {_UTF_16: "utf-16-le", 65001: "utf-8", 10000: "mac-roman"}.get(page, f"cp{page}")
