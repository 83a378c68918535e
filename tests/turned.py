"""A data file of the package with one key turned, in this process: what reads it reads the other value."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from types import ModuleType
from typing import Any

from grader.columns import FIELDS, PARAMETERS, REGISTER_FIELDS
from grader.data import load_toml

ABSENT = object()  # the key is taken out
TURNED: list[str] = []  # the file that has a key turned just now
_RECORDS = {"parameters.toml": PARAMETERS, "fields.toml": FIELDS, "register.toml": REGISTER_FIELDS}


def _forget() -> None:
    """What functions of the package keep, the parsed files themselves left out."""
    for name, module in list(sys.modules.items()):
        if name.startswith("grader."):
            for value in list(vars(module).values()):
                if hasattr(value, "cache_clear") and value is not load_toml:
                    value.cache_clear()


@contextmanager
def turned(file: str, where: Sequence[Any], new: Any) -> Iterator[None]:
    """One key of a data file with another value; what was made of the file at import, in its records too.

    where : keys from the top; in a list of tables a number is a place, all else the first table in which it is a value.
    """
    *above, key = where
    found = load_toml(file)
    table: Any = found
    for step in above:
        entries = isinstance(table, list) and not isinstance(step, int)
        table = next(t for t in table if step in t.values()) if entries else table[step]
    entry = _RECORDS[file].get(table.get("key", table.get("name"))) if file in _RECORDS and len(where) == 3 else None
    record = entry if hasattr(entry, key) else None
    old, made = table.get(key, ABSENT), getattr(record, key, None)
    try:
        if new is ABSENT:
            del table[key]
        else:
            table[key] = new
        if record is not None:
            plain = type(record).__dataclass_fields__[key].default if new is ABSENT else new
            object.__setattr__(record, key, tuple(plain) if isinstance(plain, list) else plain)
        _forget()
        TURNED.append(file)
        yield
    finally:
        TURNED.clear()
        if old is ABSENT:
            table.pop(key, None)
        else:
            table[key] = old
        if record is not None:
            object.__setattr__(record, key, made)
        _forget()


def anew(*names: str) -> ModuleType:
    """The last of some modules, all made again from the data as it is now; the process keeps those that it had."""
    before = {name: sys.modules.get(name) for name in names}
    try:
        for name in names:
            spec = importlib.util.find_spec(name)
            assert spec is not None and spec.loader is not None
            module = importlib.util.module_from_spec(spec)
            sys.modules[name] = module
            spec.loader.exec_module(module)
        return module
    finally:
        for name, module_before in before.items():
            if module_before is not None:
                sys.modules[name] = module_before
            else:
                sys.modules.pop(name, None)
