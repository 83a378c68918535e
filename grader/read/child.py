"""The reading process: paths in, one Reply a file out, so that a crash of the reading library costs one file.

Loads neither pandas nor numpy. What passes are pickles, over standard input and output.
"""

from __future__ import annotations

import contextlib
import gc
import hashlib
import os
import pickle
import signal
import sys
import time
from array import array
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from datetime import time as time_of_day
from typing import TYPE_CHECKING, Any, BinaryIO

from grader.columns import REGISTER_KIND
from grader.data import load_toml
from grader.problems import Table
from grader.read.formats.parts import Refused, megabytes

if TYPE_CHECKING:
    from grader.read.sayings import Said
    from grader.read.shapes.tables import Note

_GARBAGE_THRESHOLD = 200_000
_SHORT = 256  # values; a shorter column is not worth the packing
_COMPARED_WHOLE = (str, datetime, date, time_of_day, timedelta)  # equal values of one of these cannot be told apart
ONLY_REGISTER = "only a register"  # in the place of a layout: any other workbook is let be


def send(stream: BinaryIO, message: Any) -> None:
    """Write one message. Raises OSError where the other side is gone."""
    pickle.dump(message, stream, protocol=5)
    stream.flush()


def receive(stream: BinaryIO) -> Any:
    """Read one message; wait for it. Raises EOFError where the other side is gone or stopped in the middle."""
    try:
        return pickle.load(stream)
    except pickle.UnpicklingError as error:
        raise EOFError from error


def packed(values: list[Any]) -> list[Any] | tuple[Any, ...]:
    """A long column as what passes between processes quickly; `unpacked` gives an equal list back.

    Numbers as their bytes; texts, dates and times as the different ones and their places. Equal texts are one object
    afterwards, which is most of the memory of a large log. A column of several kinds stays as it is.
    """
    kinds = set(map(type, values))
    blanks = type(None) in kinds
    kinds.discard(type(None))
    if len(values) < _SHORT or len(kinds) != 1:
        return values
    kind = kinds.pop()
    if kind is float:
        gaps = [i for i, value in enumerate(values) if value is None] if blanks else []
        numbers = array("d", [0.0 if value is None else value for value in values] if blanks else values)
        return ("numbers", numbers.tobytes(), array("q", gaps).tobytes())
    if kind in _COMPARED_WHOLE:
        number = {value: i for i, value in enumerate(dict.fromkeys(values))}
        if len(number) <= len(values) // 2:
            return ("repeats", list(number), array("q", map(number.__getitem__, values)).tobytes())
    return values


def with_columns(table: Table, make: Callable[[Any], Any]) -> Table:
    """The table with `make` of each of its columns: `packed` on one side, `unpacked` on the other."""
    return table._replace(columns={name: make(column) for name, column in table.columns.items()})


def unpacked(column: list[Any] | tuple[Any, ...]) -> list[Any]:
    """The list that `packed` was given."""
    if isinstance(column, list):
        return column
    how, first, second = column
    places = array("q")
    places.frombytes(second)
    if how == "repeats":
        return list(map(first.__getitem__, places))
    numbers = array("d")
    numbers.frombytes(first)
    values: list[Any] = numbers.tolist()
    for place in places:
        values[place] = None
    return values


@dataclass
class Reply:
    """What became of one file.

    state  : "read", "refused", "register" (nothing but a register), "own" (a product of this program), or "other" (no
             register, and nothing else was asked for).
    code, sheet, cell, params : where refused, what the words are filled with.
    tables : their columns as `packed` makes them, to be `unpacked`. register : those of a register, as they are.
    beyond : what it says of tests of other files, also where it is refused. heads : texts that may name their site.
    """

    format: str
    size: int = 0
    state: str = "refused"
    sha256: str = ""
    seconds: float = 0.0
    code: str = ""
    sheet: str = ""
    cell: str = ""
    params: dict[str, Any] = field(default_factory=dict)
    tables: list[Table] = field(default_factory=list)
    register: list[Table] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    rows_found: int = 0
    rows_passed_over: int = 0
    beyond: Sequence[Said] = ()
    heads: Sequence[str] = ()


def suffix_of(path: str) -> str:
    """The ending of a file's name, in lower case and without the point."""
    return os.path.splitext(path)[1].lower().lstrip(".")


def read_file(path: str, limits: Mapping[str, float], layout: Any = None) -> Reply:
    """Read one workbook. The bytes hashed are the bytes read: the file is opened once, never written.

    path    : str. limits : the table [limits] of data/limits_reading.toml.
    layout  : LayoutSpec of the layout files that name it, or None; ONLY_REGISTER.
    """
    started = time.perf_counter()
    reply = Reply(suffix_of(path))
    try:
        _read_into(reply, path, limits, layout)
    except MemoryError:
        reply.code = "out_of_memory"
    except (KeyboardInterrupt, SystemExit, GeneratorExit):
        raise  # an order to stop
    except BaseException as error:  # a panic of the reading library is no Exception
        _refuse(reply, error)
    reply.seconds = time.perf_counter() - started
    return reply


def _said(error: BaseException) -> str:
    lines = str(error).strip().splitlines()
    return f"{type(error).__name__}: {lines[0][:200]}" if lines else type(error).__name__


def _refuse(reply: Reply, error: BaseException) -> None:
    if isinstance(error, Refused):
        others = load_toml("limits_reading.toml")["suffixes"]["refused"]
        honest = error.code == "not_a_workbook" and "." + reply.format in others
        reply.code = "format_not_read" if honest else error.code
        reply.sheet, reply.cell, reply.params = error.sheet, error.cell, error.params
    elif isinstance(error, FileNotFoundError):
        reply.code = "file_missing"
    elif isinstance(error, PermissionError):
        reply.code = "file_forbidden"
    elif isinstance(error, OSError):
        reply.code, reply.params = "file_unreadable", {"what": error.strerror or _said(error)}
    else:
        reply.code, reply.params = "reader_crashed", {"what": _said(error)}


def _read_into(reply: Reply, path: str, limits: Mapping[str, float], layout: Any) -> None:
    from grader.read.formats.product import is_closed  # here and below: the parent needs none of it
    from grader.read.formats.workbook import may_be_register, open_file
    from grader.read.shapes.own_guide import is_last_time, is_own_guide
    from grader.read.shapes.recognise import recognise
    from grader.read.shapes.register import RegisterSheets

    with open(path, "rb") as file:
        reply.size = os.fstat(file.fileno()).st_size
        if reply.size > limits["file_bytes"]:
            raise Refused("file_too_large", size=megabytes(reply.size), limit=megabytes(limits["file_bytes"]))
        data = file.read(reply.size)  # no more, or memory is set aside for the limit each time
    reply.sha256, reply.size = hashlib.sha256(data).hexdigest(), len(data)
    if layout == ONLY_REGISTER:
        layout = None
        if not may_be_register(data, limits):
            reply.state = "other"
            return
    opened = open_file(data, path, limits)
    reply.format = opened.format
    if is_closed(opened.kind):
        reply.state = "own"
        return
    register = RegisterSheets(opened.kind == REGISTER_KIND)
    printed: list[Note] = []  # notes on pages of the blank's own
    sheets = (s for s in register.others(opened.sheets) if not is_last_time(s, printed))
    sheets = sheets if layout is not None else (s for s in sheets if not is_own_guide(s))
    found = recognise(sheets, layout, os.path.splitext(os.path.basename(path))[0])
    reply.beyond, reply.heads = found.beyond, found.heads
    reply.register, reply.notes = register.tables, [*opened.notes, *register.notes]
    if register.tables and not found.tables:
        reply.state = "register"
        return
    if not found.tables:
        raise Refused("no_readings_sheet")
    reply.tables, reply.notes = [with_columns(t, packed) for t in found.tables], [*reply.notes, *found.notes, *printed]
    reply.rows_found, reply.rows_passed_over = found.rows_found, found.rows_passed_over
    reply.state = "read"


def bound_memory(size: int) -> None:
    """Bound this process's address space, bytes, where the system has such a bound (Windows has none)."""
    with contextlib.suppress(ImportError, ValueError, OSError):
        import resource

        hard = resource.getrlimit(resource.RLIMIT_AS)[1]
        resource.setrlimit(resource.RLIMIT_AS, (size if hard < 0 else min(size, hard), hard))


def main() -> int:
    """Serve files until standard input ends. Limits, which come first, are answered by "ready"."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the parent, which then stops this process
    source = sys.stdin.buffer
    target = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    silent = os.open(os.devnull, os.O_WRONLY)
    os.dup2(silent, sys.stdout.fileno())  # nothing a library prints may fall among the replies
    # Loaded before anything is asked: a process that was started early is ready when its parent is.
    try:
        from grader.read.formats import workbook
        from grader.read.shapes import recognise as layouts

        ready = f"ready {workbook.__name__} {layouts.__name__}"
    except (ImportError, OSError, KeyError, ValueError) as error:
        ready = _said(error)
    # Nothing that is read holds a circle, and looking for some at every 700th new list costs a tenth.
    gc.freeze()
    gc.set_threshold(_GARBAGE_THRESHOLD)
    limits: Mapping[str, float] = {}
    try:
        while True:
            asked = receive(source)
            if isinstance(asked, Mapping):  # of a further run, where the process is kept
                limits = asked
                bound_memory(int(limits["memory_bytes"]))
                send(target, ready)
            else:
                send(target, read_file(asked[0], limits, asked[1]))
    except (EOFError, OSError):  # the parent has all it wants, or is gone
        return 0
