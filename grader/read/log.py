"""Log, what the reading stage hands on: the files, their tables, and one raw row a test.

Loads pandas and numpy only to build it, so that reading processes can be started before.
"""

from __future__ import annotations

from array import array
from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, NamedTuple

from grader.problems import Table

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd

PLACE_COLUMNS = ("file", "table", "row", "column")


class LogFile(NamedTuple):
    """One file as it was read; the columns of Log.files, which says what they hold."""

    name: str
    path: str = ""
    format: str = ""
    sha256: str = ""
    size: int = 0
    rows_found: int = 0
    rows_refused: int = 0
    rows_passed_over: int = 0
    state: str = "read"
    not_seen: str = ""


class PassedOver(NamedTuple):
    """Something in the folders that is no input: its name as the user sees it, and why."""

    name: str
    reason: str


@dataclass
class Log:
    """Everything read, before any cell is understood.

    files         : one row a file; its index is the file's number. name (relative to the argument, with /),
                    path, format ("xlsx", "xlsm", "xlsb", "xls", "ods", "csv", "tsv"), sha256 (of the bytes
                    that were read), size (bytes), rows_found, rows_refused, rows_passed_over, state
                    ("read", "register" or "refused"), not_seen (what cannot be seen in files of this format; "": all can).
    tables        : the recognised tables; `rows.table` is a position in this list.
    rows          : one row a test. Integer columns file, table, row, column (0-based; column -1 where a test
                    is a row), then an object column for each field that occurs: float, int, str, bool,
                    datetime, date, time, timedelta, Unreadable, or None for a blank cell.
    from_constant : field -> array of bool, one a row: the value is the table's (Visit), not the row's own.
    register      : the sheets of the registers among the files, whole, each with the number of its file.
    passed_over   : what was found and is no input (lock and hidden files, own results, other kinds of file).
    seconds       : time each file took in its reading process, by file number. Not for the result.
    """

    files: pd.DataFrame
    tables: list[Table]
    rows: pd.DataFrame
    from_constant: dict[str, np.ndarray]
    passed_over: list[PassedOver] = field(default_factory=list)
    seconds: list[float] = field(default_factory=list)
    register: list[Table] = field(default_factory=list)

    def passed_over_counts(self) -> dict[str, int]:
        """How many things were passed over for each reason, in alphabetical order of the reasons."""
        return dict(sorted(Counter(entry.reason for entry in self.passed_over).items()))


class LogBuilder:
    """Collects tables file by file, column by column, and makes the Log at the end."""

    def __init__(self) -> None:
        self.files: list[LogFile] = []
        self.tables: list[Table] = []
        self.seconds: list[float] = []
        self.register: list[Table] = []
        self._places = {name: array("q") for name in PLACE_COLUMNS}
        self._columns: dict[str, list[tuple[int, array[float] | list[Any]]]] = {}  # of each table: first test, values
        self._constant: dict[str, bytearray] = {}

    def __len__(self) -> int:
        return len(self._places["file"])

    def add_file(self, file: LogFile, seconds: float = 0.0) -> int:
        """Add one file; its number, which tables added now get."""
        self.files.append(file)
        self.seconds.append(seconds)
        return len(self.files) - 1

    def add_register(self, table: Table) -> None:
        """Add one sheet of a register, which the file added last holds."""
        self.register.append(table._replace(file=len(self.files) - 1))

    def add_table(self, table: Table) -> int:
        """Add one table of the file added last, its constants merged into its columns; the number of its tests."""
        before, count, columns = len(self), len(table.rows), dict(table.columns)
        for name, value in table.constants.items():
            constant = value[1]
            own = columns.get(name)
            flags = self._constant.setdefault(name, bytearray())
            flags.extend(bytes(before - len(flags)))
            if own is None:
                columns[name] = [constant] * count
                flags.extend(b"\x01" * count)
            else:
                columns[name] = [constant if v is None else v for v in own]
                flags.extend([v is None for v in own])
        for name, values in columns.items():
            parts, new = self._columns.setdefault(name, []), _compact(values)
            start, last = parts[-1] if parts else (0, None)
            if type(last) is type(new) and last is not None and start + len(last) == before:
                last.extend(new)
            else:
                parts.append((before, new))
        self._places["file"].extend([len(self.files) - 1] * count)
        self._places["table"].extend([len(self.tables)] * count)
        self._places["row"].extend(table.rows)
        self._places["column"].extend(table.across or [-1] * count)
        self.tables.append(table._replace(rows=[], across=[], columns={}, file=len(self.files) - 1))
        return count

    def build(self, passed_over: list[PassedOver]) -> Log:
        """The Log of all that was added."""
        import numpy as np
        import pandas as pd

        count = len(self)
        made: dict[str, Any] = {n: np.array(v, dtype=np.int64) for n, v in self._places.items()}
        for name in list(self._columns):
            made[name] = _series(self._columns.pop(name), count)
        flags = {
            n: np.frombuffer(bytes(v) + bytes(count - len(v)), dtype=np.uint8).astype(bool)
            for n, v in self._constant.items()
        }
        files = pd.DataFrame(self.files, columns=list(LogFile._fields))
        rows = pd.DataFrame(made, index=pd.RangeIndex(count))
        return Log(files, self.tables, rows, flags, passed_over, self.seconds, self.register)


def _compact(values: list[Any]) -> array[float] | list[Any]:
    """Decimal numbers and blanks in a quarter of the memory, a blank as NaN; all else as it is."""
    if not set(map(type, values)) <= {float, type(None)}:
        return values
    return array("d", [float("nan") if value is None else value for value in values])


def _series(parts: list[tuple[int, array[float] | list[Any]]], count: int) -> pd.Series:
    """One column of raw values from those of each table: float64 where all are decimal numbers, else objects."""
    import numpy as np
    import pandas as pd

    if all(isinstance(values, array) for _, values in parts):
        figures = np.full(count, np.nan)
        for start, values in parts:
            figures[start : start + len(values)] = values
        return pd.Series(figures)
    column = np.full(count, None, dtype=object)
    for start, values in parts:
        if isinstance(values, array):
            values = [None if value != value else value for value in values]
        # fromiter, because an array made from a list would unpack the Unreadable tuples.
        column[start : start + len(values)] = np.fromiter(values, dtype=object, count=len(values))
    return pd.Series(column, dtype=object)
