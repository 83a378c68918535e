"""Layout files: TOML by which a person says how a firm's workbook is to be read.

    files = ["*.xlsx"]                    # which files; against the name, or the path below the layout's folder
    ignore_sheets = ["Lists"]
    date_order = "day first"              # or "month first"
    [[table]]
    sheet = "Log 20*"                     # left out: every sheet
    orientation = "down"                  # across: outlets run across; long: one reading a row; form: fields in cells
    heading_row = 5                       # left out: found by the headings; heading_rows = 2 where there are two
    first_row = 7                         # last_row likewise
    heading_column = "A"                  # across: where the names of what was measured stand
    parameter_column = "C"                # long: the same; its figures and units: value_column, unit_column
    ignore = ["F", "G"]                   # columns left out; ignore_rows = [12]: rows that are no tests
    [table.fields]
    co_ppm = { column = "C", unit = "ppm" }        # or row = 7, cell = "B4", heading = "CO 2nd", unit alone
    [table.constants]
    site = "North yard"
    [[table.group]]                       # a part of the table: first_row, last_row, or first_column, last_column of a
    first_column = "H"                    # group of columns beside others; its own fields (columns) and constants
    [words.odour]
    "o.B." = "none"                       # a firm's own word -> one of the field's
    [same.site]
    "Eastbnak Yard" = "Eastbank Yard"     # another spelling -> the name; for every file of the run

Fields are named as in data/fields.toml or by their heading in the blank. Fields that a layout does not name are
understood by their headings as without it. `any.layout.toml` holds `[constants]`, `[words.*]` and `[same.*]` for every
log of its folder that says nothing else. A mistake is one line; several are told at once.
"""

from __future__ import annotations

import difflib
import hashlib
import os
import re
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime, time
from pathlib import Path, PurePosixPath
from typing import Any, NamedTuple

from grader.columns import FIELDS, normal_heading
from grader.problems import GraderError, Problems
from grader.read.find import Finding
from grader.read.layout_spec import FieldSpec, GroupSpec, LayoutSpec, TableSpec, fits
from grader.read.shapes.tables import column_number
from grader.read.words.heading_words import key as folded
from grader.read.words.heading_words import reading_words
from grader.read.words.spelling import fold_word, spelled_words
from grader.read.words.units import accepted, belongs, canonical

SUFFIX = ".layout.toml"
ANY = "any" + SUFFIX
SAME = ("client", "site", "system", "outlet")
_TOP = ("files", "ignore_sheets", "date_order", "table", "words", "same")
_TOP_OF_ANY = ("constants", "words", "same")
_GROUP = GroupSpec._fields
_TABLE = (*(f for f in TableSpec._fields if f not in ("order", "source", "number", "groups")), "date_order", "group")
_FIELD = ("column", "row", "cell", "heading", "unit")
_ORDERS = ("day first", "month first")
_CELL = re.compile(r"([A-Za-z]{1,3})([1-9]\d{0,6})")


class LayoutFile(NamedTuple):
    """One layout file, checked: its path, the start of its SHA-256, patterns of files, what it says.

    same : client, site, system or outlet -> name as written -> the name it means.
    """

    path: Path
    sha256: str
    patterns: tuple[str, ...]
    spec: LayoutSpec
    same: Mapping[str, Mapping[str, str]] = {}

    @property
    def for_any(self) -> bool:
        """Whether it holds for every log of its folder."""
        return self.path.name.casefold() == ANY

    def names(self, name: str, path: str) -> int:
        """How closely it is about a file, by its name (relative, with /) or where it lies: 2 by name, 1 by pattern, 0."""
        if self.for_any:
            return 0
        try:
            below = Path(path).resolve().relative_to(self.path.parent).as_posix()
        except ValueError:
            below = name
        texts = {PurePosixPath(name).name, below, name}
        hits = [p for p in self.patterns if any(fits(p, text) for text in texts)]
        named = {text.casefold() for text in texts}
        return 2 if any(p.casefold() in named for p in hits) else 1 if hits else 0


def load_layout(path: str | Path) -> LayoutFile:
    """Read and check one layout file.

    Raises : GraderError with one line a mistake.
    """
    path = Path(path)
    try:
        data = path.read_bytes()
        said = tomllib.loads(data.decode("utf-8-sig"))
    except OSError as error:
        raise GraderError(f"{path}: the layout file cannot be read ({error.strerror}).") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise GraderError(f"{path.name}: this is no TOML ({error}).") from error
    wrong: list[str] = []
    usual: dict[str, Any] = {}
    patterns: list[str] = []
    if path.name.casefold() == ANY:
        _unknown(said, _TOP_OF_ANY, "", wrong)
        usual = _constants(said.get("constants", {}), "", wrong)
        for field in [f for f in usual if not FIELDS[f].any_log]:
            allowed = ", ".join(f.name for f in FIELDS.values() if f.any_log)
            wrong.append(f"{field}: cannot be the same for every log; only {allowed} can")
        said = {k: v for k, v in said.items() if k in ("words", "same")}
    else:
        patterns = _texts(said.get("files"), "files", wrong)
        if not patterns and not (said.get("same") and set(said) == {"same"}):
            wrong.append('files: say which files it is for, as files = ["*.xlsx"]')
        _unknown(said, _TOP, "", wrong)
    order = _order(said.get("date_order"), "date_order", wrong)
    tables = said.get("table", [])
    if not isinstance(tables, list) or not all(isinstance(t, dict) for t in tables):
        wrong.append("table: write each table under its own line [[table]]")
        tables = []
    specs = tuple(_table(t, i, order, path.name, wrong) for i, t in enumerate(tables, start=1))
    ignored = tuple(_texts(said.get("ignore_sheets"), "ignore_sheets", wrong))
    spec = LayoutSpec(specs, ignored, _words(said.get("words", {}), wrong), usual, path.name)
    same = _same(said.get("same", {}), wrong)
    if wrong:
        raise GraderError("\n".join(f"{path.name}: {line}." for line in wrong))
    return LayoutFile(path.resolve(), hashlib.sha256(data).hexdigest(), tuple(patterns), spec, same)


def _same(said: Any, wrong: list[str]) -> dict[str, dict[str, str]]:
    """[same.site] and the like: names as written -> the names they mean."""
    if not isinstance(said, dict) or not all(isinstance(names, dict) for names in said.values()):
        wrong.append('same: write it as [same.site] with lines such as "Eastbnak Yard" = "Eastbank Yard"')
        return {}
    _unknown(said, SAME, "same: ", wrong)
    for kind, names in said.items():
        for written, means in names.items():
            if not isinstance(means, str) or not means.strip():
                wrong.append(f"same.{kind}: {written!r} must be the same as a name, not {means!r}")
    return {kind: dict(names) for kind, names in said.items()}


def lying_in(paths: Iterable[str | Path]) -> list[Path]:
    """Layout files in the folders among the paths and their sub-folders, and beside the files among them."""
    found: dict[Path, None] = {}
    for path in map(Path, paths):
        listing = path.rglob(f"*{SUFFIX}") if path.is_dir() else path.parent.glob(f"*{SUFFIX}")
        for file in sorted(p.resolve() for p in listing if p.is_file() and not p.name.startswith((".", "~$"))):
            found[file] = None
    return list(found)


class Chosen(NamedTuple):
    """What holds for one file (None: nothing), the layout files it is from, and those that fit equally: none is used."""

    spec: LayoutSpec | None
    used: tuple[LayoutFile, ...]
    rivals: tuple[LayoutFile, ...]


def spec_for(layouts: Sequence[LayoutFile], stated: int, name: str, path: str) -> Chosen:
    """The layout file of one log, completed by any.layout.toml.

    One named for the log goes before one by pattern, then one that the user named before one that lies in a folder.
    stated : how many of the layouts, at the front, were named by the user; the others hold for their own folder.
    """
    file = Path(path).resolve()
    ranked: dict[tuple[int, bool], list[LayoutFile]] = {}
    usual: list[LayoutFile] = []
    for i, layout in enumerate(layouts):
        folder = layout.path.parent
        if layout.for_any and (i < stated or file.parent == folder):
            usual.append(layout)
        elif (i < stated or file.is_relative_to(folder)) and (rank := layout.names(name, path)):
            ranked.setdefault((rank, i < stated), []).append(layout)
    best = ranked[max(ranked)] if ranked else []
    own = best[0] if len(best) == 1 else None
    used = (*(best if own else ()), *usual[:1])
    if not used:
        return Chosen(None, (), tuple(best))
    words: dict[str, dict[str, str]] = {}
    for layout in reversed(used):
        for field, known in layout.spec.words.items():
            words[field] = {**words.get(field, {}), **known}
    any_spec = usual[0].spec if usual else LayoutSpec()
    spec = (own.spec if own else LayoutSpec())._replace(words=words, usual=any_spec.usual, source=any_spec.source)
    return Chosen(spec, used, () if own else tuple(best))


def with_layouts(
    found: Finding, paths: Iterable[Path], layouts: Iterable[str | os.PathLike[str]], problems: Problems
) -> tuple[Finding, tuple[LayoutFile, ...]]:
    """The files with the layout files that are about them, and all layout files of the run.

    Raises : GraderError, one line a mistake, where a layout file is wrong.
    """
    stated = [load_layout(path) for path in map(Path, layouts)]
    known = {f.path for f in stated}
    every = [*stated, *(load_layout(path) for path in lying_in(paths) if path not in known)]
    files, used = [], set()
    rivals: dict[tuple[LayoutFile, ...], list[str]] = {}
    for file in found.files if every else ():
        chosen = spec_for(every, len(stated), file.name, file.path)
        files.append(file._replace(layout=chosen.spec))
        used |= {f.path for f in chosen.used}
        if chosen.rivals:
            rivals.setdefault(chosen.rivals, []).append(file.name)
    for some, names in rivals.items():
        said = " and ".join(f.path.name for f in some)
        problems.add("layouts_rival", value=said, count=len(names), first=names[0])
        used |= {f.path for f in some}
    for layout in stated:
        if layout.path not in used and not layout.same:
            problems.add("layout_unused", value=layout.path.name)
    return (found._replace(files=files) if every else found), tuple(every)


# ------------------------------------------------------------------------------------------------- checking


def _unknown(said: dict[str, Any], known: Sequence[str], where: str, wrong: list[str]) -> None:
    for key in said:
        if key not in known:
            near = difflib.get_close_matches(key, known, 1)
            wrong.append(f"{where}{key}: not known here" + (f" ({near[0]}?)" if near else f", only {', '.join(known)}"))


def _texts(value: Any, where: str, wrong: list[str]) -> list[str]:
    if value is None:
        return []
    values = [value] if isinstance(value, str) else value
    if not isinstance(values, list) or not all(isinstance(v, str) for v in values):
        wrong.append(f"{where}: a text or a list of texts is wanted")
        return []
    return values


def _order(value: Any, where: str, wrong: list[str]) -> str:
    if value is None or value in _ORDERS:
        return value or ""
    wrong.append(f'{where}: "{value}" is neither "day first" nor "month first"')
    return ""


def _whole(said: dict[str, Any], key: str, where: str, wrong: list[str]) -> int:
    """A row, counted from 1 -> from 0; -1 where it is not said."""
    value = said.get(key)
    if value is None:
        return -1
    if type(value) is not int or not 1 <= value <= 1_048_576:
        wrong.append(f"{where}{key}: {value!r} is no row number")
        return -1
    return value - 1


def _letters(value: Any, where: str, wrong: list[str]) -> int:
    """Column letters -> number from 0; -1 where they are none."""
    if isinstance(value, str) and re.fullmatch(r"[A-Za-z]{1,3}", value):
        return column_number(value)
    wrong.append(f"{where}: {value!r} is no column letter")
    return -1


def _words(said: Any, wrong: list[str]) -> dict[str, dict[str, str]]:
    """[words.FIELD] of a layout file -> field -> folded word -> the word that it means."""
    made: dict[str, dict[str, str]] = {}
    for key, entries in said.items() if isinstance(said, dict) else [("words", said)]:
        if not isinstance(entries, dict):
            wrong.append(f'{key}: write words under [words.FIELD], as "o.B." = "none"')
            continue
        field = _field(key, "words.", wrong)
        for spelling, meaning in entries.items() if field else ():
            figures = FIELDS[field].kind == "number" and isinstance(meaning, str) and folded(meaning) in reading_words()
            if (
                figures
                or FIELDS[field].words
                and isinstance(meaning, str)
                and fold_word(meaning) in spelled_words(field)
            ):
                made.setdefault(field, {})[fold_word(spelling)] = meaning
            else:
                known = ", ".join(FIELDS[field].words) or "the words for readings, such as ND, clear or stain"
                wrong.append(f"words.{key}: {meaning!r} is not one of {known}")
    return made


def _constants(said: Any, where: str, wrong: list[str], fields: Mapping[str, FieldSpec] = {}) -> dict[str, Any]:
    """field -> value for every test; fields: those that have a place of their own."""
    if not isinstance(said, dict):
        wrong.append(f"{where}constants: write it under [{'table.' if where else ''}constants]")
        return {}
    fixed = {}
    for key, value in said.items():
        field = _field(key, where, wrong)
        if not field:
            continue
        if FIELDS[field].reading or field == "outlet":
            wrong.append(f"{where}{key}: cannot be the same for all tests; give it a column")
        elif not isinstance(value, str | int | float | date | datetime | time) or isinstance(value, bool):
            wrong.append(f"{where}{key}: {value!r} is no text, number or date")
        elif field in fields:
            wrong.append(f"{where}{key}: stands under fields and under constants")
        elif FIELDS[field].words and fold_word(str(value)) not in spelled_words(field):
            wrong.append(f"{where}{key}: {value!r} is not one of {', '.join(FIELDS[field].words)}")
        else:
            fixed[field] = value
    return fixed


def _fields(said: Any, where: str, wrong: list[str]) -> dict[str, FieldSpec]:
    if not isinstance(said, dict):
        wrong.append(f"{where}fields: write it under [table.fields]")
        return {}
    made: dict[str, FieldSpec] = {}
    for key, value in said.items():
        field = _field(key, where, wrong)
        if field in made:
            wrong.append(f"{where}{key}: {field} is there twice")
        if field:
            made[field] = _field_spec(field, value, f"{where}{key}: ", wrong)
    return made


def _columns(said: dict[str, Any], names: Sequence[str], where: str, wrong: list[str]) -> dict[str, int]:
    """Columns by their keys, -1 where not said."""
    return {name: _letters(said[name], f"{where}{name}", wrong) if name in said else -1 for name in names}


def _span(said: dict[str, Any], where: str, wrong: list[str]) -> dict[str, int]:
    """first and last row, first and last column of a table or a group; -1 where not said."""
    span = {name: _whole(said, name, where, wrong) for name in ("first_row", "last_row")}
    span |= _columns(said, ("first_column", "last_column"), where, wrong)
    if 0 <= span["last_row"] < span["first_row"]:
        wrong.append(f"{where}last_row: lies above first_row")
    if 0 <= span["last_column"] < span["first_column"]:
        wrong.append(f"{where}last_column: lies left of first_column")
    return span


def _group(said: dict[str, Any], where: str, wrong: list[str]) -> GroupSpec:
    _unknown(said, _GROUP, where, wrong)
    span = _span(said, where, wrong)
    fields = _fields(said.get("fields", {}), where, wrong)
    if max(span.values()) < 0:
        wrong.append(f"{where}first_row, last_row, first_column or last_column is wanted")
    if fields and max(span["first_column"], span["last_column"]) < 0:
        wrong.append(f"{where}fields: only for a group of columns (first_column, last_column)")
    constants = _constants(said.get("constants", {}), where, wrong, fields)
    return GroupSpec(**span, fields=fields, constants=constants)


def _table(said: dict[str, Any], number: int, order: str, source: str, wrong: list[str]) -> TableSpec:
    where = f"table {number}: "
    _unknown(said, _TABLE, where, wrong)
    sheet = said.get("sheet", "*")
    if not isinstance(sheet, str):
        wrong.append(f"{where}sheet: a text is wanted")
        sheet = "*"
    orientation = said.get("orientation", "")
    if orientation not in ("", "down", "across", "long", "form"):
        wrong.append(f'{where}orientation: "{orientation}" is none of down, across, long, form')
    count = said.get("heading_rows", 1)
    if count not in (1, 2, 3) or "heading_rows" in said and "heading_row" not in said:
        wrong.append(f"{where}heading_rows: 1, 2 or 3, and only with heading_row")
        count = 1
    ignore = {_letters(v, f"{where}ignore", wrong) for v in _texts(said.get("ignore"), f"{where}ignore", wrong)}
    fields = _fields(said.get("fields", {}), where, wrong)
    constants = _constants(said.get("constants", {}), where, wrong, fields)
    groups = said.get("group", [])
    if not isinstance(groups, list) or not all(isinstance(g, dict) for g in groups):
        wrong.append(f"{where}group: write each group under its own line [[table.group]]")
        groups = []
    numbers = said.get("ignore_rows", [])
    if not isinstance(numbers, list):
        wrong.append(f"{where}ignore_rows: a list of row numbers is wanted")
        numbers = []
    no_tests = frozenset(_whole({"ignore_rows": n}, "ignore_rows", where, wrong) for n in numbers)
    at = _columns(said, ("heading_column", "parameter_column", "value_column", "unit_column"), where, wrong)
    return TableSpec(
        sheet,
        orientation,
        heading_row=_whole(said, "heading_row", where, wrong),
        heading_rows=count,
        fields=fields,
        constants=constants,
        ignore=frozenset(ignore),
        order=_order(said.get("date_order"), f"{where}date_order", wrong) or order,
        source=source,
        number=number,
        groups=tuple(_group(g, f"{where}group {i}: ", wrong) for i, g in enumerate(groups, start=1)),
        ignore_rows=no_tests,
        **at,
        **_span(said, where, wrong),
    )


def _field(key: str, where: str, wrong: list[str]) -> str:
    if key in FIELDS:
        return key
    by_heading = {_letters_of(f.heading): f.name for f in FIELDS.values()}
    if _letters_of(key) in by_heading:
        return by_heading[_letters_of(key)]
    near = difflib.get_close_matches(key, [*FIELDS, *(f.heading for f in FIELDS.values())], 1)
    wrong.append(f"{where}{key}: there is no such field" + (f" ({near[0]}?)" if near else ""))
    return ""


def _letters_of(heading: str) -> str:
    """A heading by its letters and digits alone: oil_sampling_time_min is "Oil sampling time (min)"."""
    return re.sub(r"[\W_]", "", normal_heading(heading))


def _field_spec(field: str, said: Any, where: str, wrong: list[str]) -> FieldSpec:
    if isinstance(said, str):
        said = {"column": said}
    if not isinstance(said, dict):
        wrong.append(f'{where}write it as {{ column = "C", unit = "..." }}')
        return FieldSpec()
    _unknown(said, _FIELD, where, wrong)
    places = [k for k in ("column", "row", "cell", "heading") if k in said]
    if len(places) > 1:
        wrong.append(f"{where}only one of {', '.join(places)}")
    if not places and "unit" not in said:
        wrong.append(f"{where}a column, row, cell, heading or unit is wanted")
    row = column = -1
    if "column" in said:
        column = _letters(said["column"], f"{where}column", wrong)
    if "row" in said:
        row = _whole(said, "row", where, wrong)
    if "cell" in said:
        match = _CELL.fullmatch(said["cell"]) if isinstance(said["cell"], str) else None
        if match is None:
            wrong.append(f"{where}cell: {said['cell']!r} is no cell such as B4")
        else:
            row, column = int(match[2]) - 1, _letters(match[1], f"{where}cell", wrong)
    heading = said.get("heading", "")
    if not isinstance(heading, str):
        wrong.append(f"{where}heading: a text is wanted")
        heading = ""
    return FieldSpec(row, column, heading, _unit(field, said.get("unit", ""), where, wrong))


def _unit(field: str, unit: Any, where: str, wrong: list[str]) -> str:
    if unit == "":
        return ""
    known = canonical(unit) if isinstance(unit, str) else None
    if known is None or not belongs(field, known):
        choices = ", ".join(u for u in accepted(field) if u)
        wrong.append(
            f"{where}unit: {unit!r} is no unit of {FIELDS[field].heading}" + (f"; {choices} are" if choices else "")
        )
        return ""
    return known
