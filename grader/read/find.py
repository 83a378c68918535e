"""Files and folders -> the files to read, in natural order, and what is passed over."""

from __future__ import annotations

import os
import re
import stat
from collections import Counter
from collections.abc import Iterable
from pathlib import Path
from typing import Any, NamedTuple

from grader.data import load_toml
from grader.natural import natural
from grader.problems import GraderError, Problems
from grader.read.log import PassedOver

LOCK, HIDDEN, OTHER_KIND = "lock file of an open workbook", "hidden", "not a spreadsheet"
OWN, AGAIN, SPECIAL = "made by this program", "same file again", "not an ordinary file"


class FoundFile(NamedTuple):
    """One file to read: name relative to the argument (with /), path, size in bytes (-1: unknown), LayoutSpec.

    at_top : it lies at the top of a folder given, or was given itself: where a register is looked for.
    """

    name: str
    path: str
    size: int
    layout: Any = None
    at_top: bool = False


class Finding(NamedTuple):
    """The files to read, in natural order, and what was passed over.

    beside : files that lie beside one given and may be a register; for nothing else.
    """

    files: list[FoundFile]
    passed_over: list[PassedOver]
    beside: list[FoundFile] = []


def find_workbooks(paths: str | os.PathLike[str] | Iterable[str | os.PathLike[str]], problems: Problems) -> Finding:
    """Find the workbooks in files and folders (with sub-folders).

    paths    : files or folders, read in the order given; within a folder in natural order (ward2 before
               ward10), whatever the order of the file system. A file reached twice is taken once.
    problems : gets a folder that cannot be read.
    Returns  : Finding. Names are unique: where two arguments hold the same name, their folders go before it.
    Raises   : GraderError where a path does not exist, or where there is no spreadsheet at all.
    """
    arguments = [paths] if isinstance(paths, (str, os.PathLike)) else list(paths)
    passed: list[PassedOver] = []
    taken: list[tuple[Path, str, int]] = []  # folder of the argument, relative name, size
    seen: set[tuple[int, int] | str] = set()
    for argument in arguments:
        root = Path(os.path.abspath(argument))
        if not os.path.lexists(root):
            # A Windows prompt takes \" for a quote: "C:\logs\" -o r.xlsx arrives as one path.
            said = " It holds a quote: leave out the backslash before the closing one."
            quoted = said if '"' in str(argument) else ""
            raise GraderError(f"There is no file or folder {argument}: check the name and where you are.{quoted}")
        if root.is_dir():
            found = _search(root, passed, problems)
        else:
            found = [(root.name, root.is_symlink())]
            if root.name.startswith("~$"):
                passed.append(PassedOver(root.name, LOCK))
                continue
            root = root.parent
        kept: list[tuple[str, int]] = []
        # Files before links, so that a file keeps its own name where a link leads to it too.
        for name, _ in sorted(found, key=lambda entry: (entry[1], natural(entry[0]))):
            identity, size, ordinary = _identify(os.path.join(root, name))
            if not ordinary:
                passed.append(PassedOver(name, SPECIAL))
            elif identity in seen:
                passed.append(PassedOver(name, AGAIN))
            else:
                seen.add(identity)
                kept.append((name, size))
        taken += [(root, name, size) for name, size in sorted(kept, key=lambda entry: natural(entry[0]))]
    if not taken:
        where = ", ".join(map(str, arguments))
        raise GraderError(f"Nothing to read: no spreadsheet was found in {where}{counted(passed)}.")
    names = [shown_name(name) for name in _unique_names(taken)]
    files = [
        FoundFile(shown, os.path.join(root, *name.split("/")), size, at_top="/" not in name)
        for shown, (root, name, size) in zip(names, taken)
    ]
    passed = [entry._replace(name=shown_name(entry.name)) for entry in passed]
    around = dict.fromkeys(Path(os.path.abspath(a)).parent for a in arguments if not os.path.isdir(a))
    return Finding(files, sorted(passed, key=lambda entry: natural(entry.name)), _beside(around, seen))


def _beside(folders: Iterable[Path], seen: set[tuple[int, int] | str]) -> list[FoundFile]:
    """The spreadsheets at the top of folders that are not among the files to read."""
    found: list[FoundFile] = []
    for folder in folders:
        for name in sorted((n for n in _names(folder) if _is_spreadsheet(n)), key=natural):
            identity, size, ordinary = _identify(folder / name)
            if ordinary and identity not in seen and not os.path.isdir(folder / name):
                seen.add(identity)
                found.append(FoundFile(shown_name(name), str(folder / name), size, at_top=True))
    return found


def _names(folder: Path) -> list[str]:
    try:
        return os.listdir(folder)
    except OSError:  # the file given is read, or its own problem says why not
        return []


def _is_spreadsheet(name: str) -> bool:
    suffixes = load_toml("limits_reading.toml")["suffixes"]
    text = set(suffixes["text"])
    return not name.startswith(("~$", ".")) and os.path.splitext(name)[1].lower() in set(suffixes["read"]) - text


# Control characters, ends of line, what turns the direction of the text about, bytes that are no letters at all.
_NOT_SHOWN = re.compile("[\x00-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")


def shown_name(name: str) -> str:
    """A file's name on one line, safe to print on a terminal and to put into a cell.

    >>> shown_name("line\\nbreak.xlsx"), shown_name("Prüfung 😀.xlsx")
    ('line\\\\x0abreak.xlsx', 'Prüfung 😀.xlsx')
    """
    return _NOT_SHOWN.sub(
        lambda match: (
            match[0].encode("unicode_escape").decode() if match[0] not in "\n\r\t" else f"\\x{ord(match[0]):02x}"
        ),
        name,
    )


def counted(passed: list[PassedOver]) -> str:
    """What was passed over, counted by reason, as the end of a message; "" for nothing."""
    counts = sorted(Counter(entry.reason for entry in passed).items())
    return f" (passed over: {', '.join(f'{count} {reason}' for reason, count in counts)})" if counts else ""


def _search(root: Path, passed: list[PassedOver], problems: Problems) -> list[tuple[str, bool]]:
    """Relative names of the spreadsheets below a folder, each with whether it is a link. No order."""
    suffixes = load_toml("limits_reading.toml")["suffixes"]
    wanted = {*suffixes["read"], *suffixes["refused"]}
    found: list[tuple[str, bool]] = []
    folders = [(root, "")]
    visited: set[tuple[int, int] | str] = set()
    while folders:
        folder, prefix = folders.pop()
        identity = _identify(folder)[0]
        if identity in visited:  # a link back to a folder above
            continue
        visited.add(identity)
        try:
            with os.scandir(folder) as listing:
                entries = list(listing)
        except OSError as error:
            what = error.strerror or type(error).__name__
            problems.add("folder_unreadable", value=prefix.rstrip("/") or folder.name, what=what)
            continue
        for entry in sorted(entries, key=lambda e: (e.is_symlink(), natural(e.name)), reverse=True):
            name = prefix + entry.name
            if entry.name.startswith("~$"):
                passed.append(PassedOver(name, LOCK))
            elif entry.name.startswith("."):
                passed.append(PassedOver(name, HIDDEN))
            elif entry.is_dir():
                folders.append((folder / entry.name, name + "/"))
            elif os.path.splitext(entry.name)[1].lower() not in wanted:
                passed.append(PassedOver(name, OTHER_KIND))
            else:
                found.append((name, entry.is_symlink()))
    return found


def _identify(path: str | Path) -> tuple[tuple[int, int] | str, int, bool]:
    """What makes a file the same file under another name; its size; whether it can be read as a file at all.

    A file that cannot be looked at counts as ordinary: reading it will say why not.
    """
    try:
        status = os.stat(path)
    except OSError:
        return os.path.realpath(path), -1, True
    identity = (status.st_dev, status.st_ino) if status.st_ino else os.path.realpath(path)
    return identity, status.st_size, stat.S_ISREG(status.st_mode)


def _unique_names(taken: list[tuple[Path, str, int]]) -> list[str]:
    """Names as shown: relative to the argument, with as many folders before as tell two arguments apart."""
    names = [name for _, name, _ in taken]
    depth = 1
    while len(set(names)) < len(names):
        twice = {name for name, count in Counter(names).items() if count > 1}
        changed = False
        for i, (root, name, _) in enumerate(taken):
            if names[i] in twice and depth < len(root.parts):
                names[i] = "/".join((*root.parts[-depth:], name))
                changed = True
        if not changed:
            break
        depth += 1
    return names
