"""The container of old workbooks (.xls): the streams of its root storage.

Source, as published under learn.microsoft.com/openspecs: [MS-CFB], the section beside each figure (edition of April
2024). Files of LibreOffice and of other writers are read in the tests and in bench_foreign.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator

from grader.read.formats.parts import OLE_MAGIC, Refused

PROPERTIES = "\x05DocumentSummaryInformation"  # the stream of a document's properties ([MS-OLEPS] 2.21)
_LAST_SECTOR = 0xFFFFFFFA  # MAXREGSECT: numbers from here on mean "end", "free" and the like ([MS-CFB] 2.1)
_NO_STREAM = 0xFFFFFFFF  # of a sibling or child ([MS-CFB] 2.6)
_ENTRY = 128  # bytes of a directory entry ([MS-CFB] 2.6.1)
_STREAM, _ROOT = 2, 5  # its object types (2.6.1)
_IN_HEADER = 109  # sectors of the FAT that the header lists ([MS-CFB] 2.2)
_CUT = {"what": "its table of contents does not fit its size"}


class Compound:
    """The streams of a compound file's root storage; those of files embedded in it are not among them.

    found  : name, in capitals -> number of its first sector, and its bytes.
    others : places in the file of the entries of further workbooks: embedded ones, and one of an older format beside it.
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
        self.others: list[int] = []
        self._read_directory(first_directory)

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

    def _read_directory(self, first_sector: int) -> None:
        """Fill found and others ([MS-CFB] 2.6): the streams that hang on the root's child are the document's own."""
        sectors = list(self._follow(first_sector, self.fat))
        directory = b"".join(map(self._sector, sectors))
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
            if number in own and name in self.found:
                raise Refused("damaged", what=f"the stream {name} is there twice")
            if number in own:
                self.found[name] = struct.unpack_from("<II", entry, 116)
            if name == "BOOK" or name == "WORKBOOK" and number not in own:
                sector, within = divmod(number * _ENTRY, self.size)
                self.others.append((sectors[sector] + 1) * self.size + within)

    def stream(self, name: str) -> bytes:
        """Content of a stream of the root storage; b"" if there is none.

        Raises : Refused where the file ends before the stream does.
        """
        first, size = self.found.get(name.upper(), (_LAST_SECTOR, 0))
        if size >= self.cutoff:
            content = self._chain(first)
        else:
            content = b"".join(self.mini[n * 64 : n * 64 + 64] for n in self._follow(first, self.mini_fat))
        if len(content) < size:
            raise Refused("truncated")
        return content[:size]

    def without_others(self) -> bytes:
        """The file with no other workbook in its table of contents, for a reader that might take one for that of the file."""
        data = bytearray(self.data)
        for at in self.others:
            data[at : at + 66] = bytes(66)  # the name and its length; what has none is not in use
        return bytes(data)


def _integers(content: bytes) -> tuple[int, ...]:
    return struct.unpack(f"<{len(content) // 4}I", content)
