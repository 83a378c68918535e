"""Mutators of a zip as a zip, and of the bytes of any file."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Callable
from random import Random

from tests.fuzz.parts import parts_of, zipped


def drop_member(data: bytes, chance: Random) -> bytes:
    parts = parts_of(data)
    parts.pop(chance.choice(sorted(parts)))
    return zipped(parts)


def rename_member(data: bytes, chance: Random) -> bytes:
    parts = parts_of(data)
    one = chance.choice(sorted(parts))
    new = chance.choice(
        (
            one.upper(),
            one.replace("/", "\\"),
            "/" + one,
            "../" + one,
            one + "x",
            "x" * 300,
            "x",
            chance.choice(sorted(parts)),
            "é" + one,
        )
    )
    return zipped({new if name == one else name: content for name, content in parts.items()})


def double_member(data: bytes, chance: Random) -> bytes:
    parts = parts_of(data)
    one = chance.choice(sorted(parts))
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        for name, content in [*parts.items(), (chance.choice((one, one.upper())), parts[chance.choice(sorted(parts))])]:
            info = zipfile.ZipInfo(name)
            info.compress_type = zipfile.ZIP_DEFLATED
            if name in archive.NameToInfo:
                archive.NameToInfo.pop(name)  # else the writer warns of what is done here on purpose
            archive.writestr(info, content)
    return stream.getvalue()


def reorder_members(data: bytes, chance: Random) -> bytes:
    parts = list(parts_of(data).items())
    chance.shuffle(parts)
    return zipped(dict(parts))


def pack_otherwise(data: bytes, chance: Random) -> bytes:
    way = chance.choice((zipfile.ZIP_STORED, zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA))
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", way) as archive:
        for name, content in parts_of(data).items():
            archive.writestr(name, content)
    return stream.getvalue()


def lie_in_directory(data: bytes, chance: Random) -> bytes:
    """Another size, checksum, flag, method or place in one entry of the directory, or of a local head."""
    made = bytearray(data)
    mark, fields = chance.choice(
        (
            (b"PK\x01\x02", (8, 10, 16, 20, 24, 28, 30, 42)),
            (b"PK\x03\x04", (6, 8, 14, 18, 22, 26, 28)),
            (b"PK\x05\x06", (4, 8, 10, 12, 16, 20)),
        )
    )
    starts = [m.start() for m in re.finditer(re.escape(mark), data)]
    if starts:
        at = chance.choice(starts) + chance.choice(fields)
        made[at : at + 2] = chance.choice((b"\x00\x00", b"\xff\xff", b"\x01\x00", b"\x08\x08", chance.randbytes(2)))
    return bytes(made)


def inflate_member(data: bytes, chance: Random) -> bytes:
    """A part that unpacks to a few megabytes of nothing."""
    parts = parts_of(data)
    one = chance.choice(sorted(parts))
    parts[one] = parts[one] + chance.choice((b" ", b"\x00", b"<!-- -->")) * 2_000_000
    return zipped(parts)


ZIP_MUTATORS: dict[str, Callable[[bytes, Random], bytes]] = {
    f.__name__.replace("_", " "): f
    for f in (
        drop_member,
        rename_member,
        double_member,
        reorder_members,
        pack_otherwise,
        lie_in_directory,
        inflate_member,
    )
}


def flip_bytes(data: bytes, chance: Random) -> bytes:
    made = bytearray(data)
    for _ in range(chance.choice((1, 2, 8, 64))):
        made[chance.randrange(len(made))] ^= chance.randrange(1, 256)
    return bytes(made)


def truncate(data: bytes, chance: Random) -> bytes:
    return data[: chance.choice((0, 1, 4, chance.randrange(len(data)), len(data) - 1, len(data) - 20))]


def insert_bytes(data: bytes, chance: Random) -> bytes:
    at = chance.choice((0, len(data), chance.randrange(len(data))))
    return data[:at] + chance.randbytes(chance.choice((1, 4, 512))) + data[at:]


def cut_out(data: bytes, chance: Random) -> bytes:
    at = chance.randrange(len(data))
    return data[:at] + data[at + chance.choice((1, 16, 512, 4096)) :]


def blank_out(data: bytes, chance: Random) -> bytes:
    at, size = chance.randrange(len(data)), chance.choice((1, 16, 512, 4096))
    return data[:at] + bytes(len(data[at : at + size])) + data[at + size :]


BYTE_MUTATORS: dict[str, Callable[[bytes, Random], bytes]] = {
    f.__name__.replace("_", " "): f for f in (flip_bytes, truncate, insert_bytes, cut_out, blank_out)
}
