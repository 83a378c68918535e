"""Marked copies: a firm's own workbook once more, with the cells in question coloured and commented.

The original is only read. The copy carries the document property `grader-kind` = "marked copy", by which it
is passed over when its folder is graded. What openpyxl cannot keep is told from the parts of both files, and
said.
"""

from __future__ import annotations

import hashlib
import io
import os
import re
import warnings
import zipfile
from collections.abc import Iterable, Iterator, Mapping
from copy import copy
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from grader.data import load_toml
from grader.problems import GraderError
from grader.words import DEFAULT_LANGUAGE, words
from grader.write.safely import KIND_PROPERTY, check_target, made_folder, replacing
from grader.write.styles import palette, style_of

if TYPE_CHECKING:
    from openpyxl import Workbook

KIND, KINDS = "marked copy", "marked copies"
FORMATS = ("xlsx", "xlsm")
SEVERITIES = ("refused", "query")
_LONGEST_NAME_BYTES = 240  # of 255 that file systems allow; the rest is for temporary names
_LONGEST_COMMENT = 30_000  # of 32,767 signs that a cell's text may have
_CELL = re.compile(r"([A-Z]{1,3}[1-9][0-9]{0,6})(?::([A-Z]{1,3}[1-9][0-9]{0,6}))?")


def write_marked_copies(
    folder: str | os.PathLike[str],
    problems: pd.DataFrame,
    files: pd.DataFrame,
    *,
    inputs: Iterable[Path] = (),
    language: str = DEFAULT_LANGUAGE,
) -> tuple[list[Path], list[str]]:
    """Write a marked copy of each .xlsx and .xlsm file that has refused or queried cells.

    folder   : made if it is not there; a copy lies in the same sub-folders as its original's name has.
    problems : the table of sheet Problems (File, Sheet, Cell, Severity, Problem, What to do); notes are left
               out.
    files    : the log's files: name (as in column File), path, format, state; sha256 where it is to be
               checked that the file is still the one that was read.
    inputs   : files that were read; none of them is ever written over.
    Returns  : (paths of the copies, lines on what could not be copied or kept), in the order of `files`.
    Raises   : GraderError, one line, where the folder cannot be made. One file that cannot be copied costs
               only its own copy, and a line.
    """
    place = made_folder(folder, KINDS)
    sources = [*inputs, *map(Path, files["path"])]
    told = problems[problems["Severity"].isin(SEVERITIES)]
    by_file = {str(name): group for name, group in told.groupby("File", sort=False)}
    paths: list[Path] = []
    notes: list[str] = []
    taken: set[str] = set()
    for entry in files.to_dict("records"):
        group = by_file.get(str(entry["name"]))
        if group is not None:
            copies = _Copy(entry, group, language)
            path = copies.write(place, sources, taken)
            paths += [path] if path else []
            notes += copies.notes
    return paths, notes


class _NoCopy(Exception):
    """There is no copy of this file. `word` names the line that says why, `params` fill it."""

    def __init__(self, word: str, **params: Any) -> None:
        super().__init__(word)
        self.word, self.params = word, params


class _Copy:
    """One file's copy on its way: what is to be marked, and what is to be said."""

    def __init__(self, entry: Mapping[Any, Any], problems: pd.DataFrame, language: str) -> None:
        self.name, self.path = str(entry["name"]), Path(str(entry["path"]))
        self.format, self.state = str(entry["format"]), str(entry["state"])
        self.sha256 = str(entry.get("sha256", ""))
        self.texts = words(language)["marked"]
        self.limits = load_toml("marked.toml")["limits"]
        self.problems = problems
        self.notes: list[str] = []

    def _say(self, word: str, **params: Any) -> None:
        self.notes.append(self.texts[word].format(file=self.name, **params))

    def write(self, place: Path, sources: list[Path], taken: set[str]) -> Path | None:
        """Write the copy below `place`; None where there is none, and then a line says why."""
        try:
            data = self._data()
            target = self._target(place, taken)
            made_folder(target.parent, KINDS)
            path = check_target(target, sources, kinds=(KIND,), suffix=target.suffix)
            copy, lost = self._marked(data)
            with replacing(path) as part:
                part.write_bytes(copy)
        except _NoCopy as reason:
            self._say(reason.word, **reason.params)
        except GraderError as error:
            self._say("foreign", what=str(error))
        except MemoryError:
            self._say("failed", what="it takes too much memory")
        except Exception as error:  # openpyxl fails in many ways on odd files; the others go on
            self._say("failed", what=" ".join(str(error).split())[:200] or type(error).__name__)
        else:
            taken.add(str(target).casefold())
            if lost:
                self._say("left_out", what=", ".join(lost))
            return path
        return None

    def _data(self) -> bytes:
        """The original's bytes. Raises _NoCopy where they are none of a copy's business, or too many."""
        if self.format not in FORMATS:
            raise _NoCopy("not_of_this_format", format=self.format)
        # A file that was refused may mean harm; only what passed the reader's checks is loaded here.
        if self.state not in ("read", "register"):
            raise _NoCopy("not_read")
        if not (self.problems["Cell"].astype(str) != "").any():
            raise _NoCopy("no_cells")
        size, most = self.path.stat().st_size, self.limits["most_bytes"]
        if size > most:
            raise _NoCopy("too_many_bytes", count=f"{size / 1e6:,.1f}", limit=f"{most / 1e6:,.1f}")
        data = self.path.read_bytes()
        if self.sha256 and hashlib.sha256(data).hexdigest() != self.sha256:
            raise _NoCopy("changed")
        cells = sum(
            content.count(b"<c ") + content.count(b":c ")
            for name, content in _parts(data)
            if name.startswith("xl/worksheets/") and name.endswith(".xml")
        )
        if cells > self.limits["most_cells"]:
            raise _NoCopy("too_large", count=f"{cells:,}", limit=f"{self.limits['most_cells']:,}")
        return data

    def _target(self, place: Path, taken: set[str]) -> Path:
        # Parts that would lead out of the folder, and signs that Windows does not allow, are left out.
        pieces = [
            re.sub(r'[<>:"|?*\\\x00-\x1f]', "_", piece)
            for piece in self.name.split("/")
            if piece not in ("", ".", "..")
        ]
        stem = _shortened(self.texts["file_name"].format(stem=Path(pieces[-1]).stem))
        for number in range(1, 1000):
            name = f"{stem}.{self.format}" if number == 1 else f"{stem} ({number}).{self.format}"
            target = place.joinpath(*pieces[:-1], name)
            if str(target).casefold() not in taken:
                return target
        raise GraderError(f"{place / stem}: too many copies of that name.")

    def _marked(self, data: bytes) -> tuple[bytes, list[str]]:
        """The bytes of the copy, and what it lacks."""
        import openpyxl
        from openpyxl.packaging.custom import StringProperty

        # Its warnings say what it leaves out; that is told from the parts instead, in our own words.
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            book = openpyxl.load_workbook(io.BytesIO(data), keep_vba=self.format == "xlsm", rich_text=True)
            book.template = False
            self._mark(book)
            if KIND_PROPERTY in book.custom_doc_props.names:  # a register: its copy is none
                del book.custom_doc_props[KIND_PROPERTY]
            book.custom_doc_props.append(StringProperty(name=KIND_PROPERTY, value=KIND))
            stream = io.BytesIO()
            book.save(stream)
        copy = stream.getvalue()
        return copy, _lost(data, copy)

    def _mark(self, book: Workbook) -> None:
        missed = 0
        room = self.limits["most_marks"]
        cells: dict[tuple[str, str], list[tuple[str, str, str]]] = {}
        areas: dict[tuple[str, str], set[str]] = {}
        lines = self.problems[["Sheet", "Cell", "Severity", "Problem", "What to do"]].astype(str)
        for sheet, cell, severity, problem, todo in lines.itertuples(index=False):
            if not cell:
                continue
            match = _CELL.fullmatch(cell)
            if match is None or sheet not in book.sheetnames or not hasattr(book[sheet], "merged_cells"):
                missed += 1
                continue
            cells.setdefault((sheet, match.group(1)), []).append((severity, problem, todo))
            if match.group(2):
                areas.setdefault((sheet, match.group(1)), set()).add(cell)
        for (sheet, first), doubts in cells.items():
            if room <= 0:
                missed += len(doubts)
                continue
            marked = {a for area in areas.get((sheet, first), ()) for a in _addresses(area, room)} | {first}
            room -= len(marked)
            severity = "refused" if any(s == "refused" for s, _, _ in doubts) else "query"
            self._mark_cells(book[sheet], first, marked, severity, doubts)
        if missed:
            self._say("not_marked", count=missed)

    def _mark_cells(
        self, sheet: Any, first: str, marked: Iterable[str], severity: str, doubts: list[tuple[str, str, str]]
    ) -> None:
        from openpyxl.comments import Comment
        from openpyxl.styles import PatternFill

        look = palette()["style"][style_of(severity)]
        fill = PatternFill("solid", fgColor=look["fill"].lstrip("#"))
        anchors = {address: _anchor(sheet, address) for address in marked}
        for address in anchors.values():
            cell = sheet[address]
            cell.fill = fill
            font = copy(cell.font)
            font.color = look["text"].lstrip("#")
            cell.font = font
        cell = sheet[anchors[first]]
        text = self._comment(doubts)
        old = cell.comment
        if old is not None:
            text = f"{old.text}\n\n{text}"
        comment = Comment(text[:_LONGEST_COMMENT], old.author if old is not None else self.texts["author"])
        comment.width, comment.height = 320, min(60 + 18 * (len(text) // 45 + text.count("\n") + 1), 600)
        cell.comment = comment

    def _comment(self, doubts: list[tuple[str, str, str]]) -> str:
        texts, most = self.texts, self.limits["most_in_a_comment"]
        lines = [texts["first"]]
        for severity, problem, todo in doubts[:most]:
            lines += ["", texts[severity].format(problem=problem), texts["todo"].format(todo=todo)]
        if len(doubts) > most:
            lines += ["", texts["and_more"].format(count=len(doubts) - most)]
        return "\n".join(lines)


def _addresses(area: str, most: int) -> Iterator[str]:
    """The cells of a range such as R2:R40, so many at the utmost."""
    from openpyxl.utils import get_column_letter, range_boundaries

    first_column, first_row, last_column, last_row = range_boundaries(area)
    count = 0
    for row in range(first_row, last_row + 1):
        for column in range(first_column, last_column + 1):
            yield f"{get_column_letter(column)}{row}"
            count += 1
            if count == most:
                return


def _anchor(sheet: Any, address: str) -> str:
    """The cell that shows: of a merged area its first one."""
    for area in sheet.merged_cells.ranges:
        if address in area:
            return area.coord.split(":")[0]
    return address


def _parts(data: bytes) -> Iterator[tuple[str, bytes]]:
    """Name (in lower case) and content of each part of a workbook that has passed the reader's checks."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        for name in archive.namelist():
            yield name.lower(), archive.read(name)


def _lost(original: bytes, copy: bytes) -> list[str]:
    """What the copy lacks, in the words of data/marked.toml, each once."""
    known = load_toml("marked.toml")
    counts: dict[str, list[int]] = {prefix: [0, 0] for prefix in known["parts"]}
    lost: list[str] = []
    for which, data in enumerate((original, copy)):
        for name, content in _parts(data):
            for prefix in counts:
                counts[prefix][which] += name.startswith(prefix)
            if which == 0:
                lower = b""
                for prefix, pieces in known["pieces"].items():
                    if name.startswith(prefix) and name.endswith(".xml"):
                        lower = lower or content.lower()
                        lost += [
                            what
                            for piece, what in pieces.items()
                            if re.search(re.escape(piece).encode() + rb"[ />]", lower)
                        ]
    lost += [known["parts"][prefix] for prefix, (before, after) in counts.items() if after < before]
    return list(dict.fromkeys(lost))


def _shortened(stem: str) -> str:
    encoded = os.fsencode(stem)
    if len(encoded) <= _LONGEST_NAME_BYTES:
        return stem
    digest = hashlib.sha256(encoded).hexdigest()[:8]
    return os.fsdecode(encoded[: _LONGEST_NAME_BYTES - 9]).encode("utf-8", "ignore").decode() + "-" + digest
