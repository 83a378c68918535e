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
    ignore = ["F", "G"]                   # columns left out
    [table.fields]
    co_ppm = { column = "C", unit = "ppm" }        # or row = 7, cell = "B4", heading = "CO 2nd", unit alone
    [table.constants]
    site = "North yard"

Fields are named as in data/fields.toml or by their heading in the blank. Fields that a layout does not name are
understood by their headings as without it. A mistake is one line; several are told at once.
"""

from __future__ import annotations

import difflib
import hashlib
import re
import tomllib
from collections.abc import Iterable, Sequence
from datetime import date, datetime, time
from fnmatch import fnmatchcase
from pathlib import Path, PurePosixPath
from typing import Any, NamedTuple

from grader.columns import FIELDS, normal_heading
from grader.problems import GraderError, Place, Table, a1
from grader.read.extract import AS_FOUND, UNITS_BESIDE
from grader.read.layout_spec import FieldSpec, LayoutSpec, TableSpec
from grader.read.log import Log
from grader.read.words.spelling import fold_word
from grader.read.words.units import UNTOLD, accepted, belongs, canonical

SUFFIX = ".layout.toml"
_TOP = ("files", "ignore_sheets", "date_order", "table", "same")
SAME = ("client", "site", "system", "outlet")
_TABLE = (
    "sheet",
    "orientation",
    "heading_row",
    "heading_rows",
    "heading_column",
    "parameter_column",
    "value_column",
    "unit_column",
    "first_row",
    "last_row",
    "ignore",
    "date_order",
    "fields",
    "constants",
)
_FIELD = ("column", "row", "cell", "heading", "unit")
_ORDERS = ("day first", "month first")
_CELL = re.compile(r"([A-Za-z]{1,3})([1-9]\d{0,6})")


class LayoutFile(NamedTuple):
    """One layout file, checked: its path, the start of its SHA-256, patterns of files, what it says of them and of names."""

    path: Path
    sha256: str
    patterns: tuple[str, ...]
    spec: LayoutSpec
    same: dict[str, dict[str, str]] = {}  # client, site, system, outlet -> name as written -> the name it means

    def names(self, name: str, path: str) -> bool:
        """Whether it is about a file, by its name (relative, with /) or where it lies."""
        inside = PurePosixPath(name).name.casefold()
        try:
            below = Path(path).relative_to(self.path.parent).as_posix().casefold()
        except ValueError:
            below = name.casefold()
        return any(fnmatchcase(text, p.casefold()) for p in self.patterns for text in (inside, below, name.casefold()))


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
    patterns = _texts(said.get("files"), "files", wrong)
    same = _same(said.get("same", {}), wrong)
    if not patterns and not (same and set(said) == {"same"}):
        wrong.append('files: say which files it is for, as files = ["*.xlsx"]')
    _unknown(said, _TOP, "", wrong)
    order = _order(said.get("date_order"), "date_order", wrong)
    tables = said.get("table", [])
    if not isinstance(tables, list) or not all(isinstance(t, dict) for t in tables):
        wrong.append("table: write each table under its own line [[table]]")
        tables = []
    specs = tuple(_table(t, i, order, path.name, wrong) for i, t in enumerate(tables, start=1))
    if wrong:
        raise GraderError("\n".join(f"{path.name}: {line}." for line in wrong))
    spec = LayoutSpec(specs, tuple(_texts(said.get("ignore_sheets"), "ignore_sheets", wrong)))
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


def spec_for(layouts: Sequence[LayoutFile], stated: int, name: str, path: str) -> LayoutSpec | None:
    """What all layouts say of one file together; None where none names it.

    stated : how many of the layouts, at the front, were named by the user; the others hold for their own folder.
    """
    hits = [f for i, f in enumerate(layouts) if (i < stated or _below(path, f.path.parent)) and f.names(name, path)]
    if not hits:
        return None
    return LayoutSpec(
        tuple(t for f in hits for t in f.spec.tables), tuple(s for f in hits for s in f.spec.ignored_sheets)
    )


def _below(path: str, folder: Path) -> bool:
    return Path(path).resolve().is_relative_to(folder)


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
        number = 0
        for letter in value.upper():
            number = number * 26 + ord(letter) - 64
        return number - 1
    wrong.append(f"{where}: {value!r} is no column letter")
    return -1


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
    fields = said.get("fields", {})
    constants = said.get("constants", {})
    for name, part in (("fields", fields), ("constants", constants)):
        if not isinstance(part, dict):
            wrong.append(f"{where}{name}: write it under [table.{name}]")
    made = {}
    for key, value in (fields if isinstance(fields, dict) else {}).items():
        field = _field(key, where, wrong)
        if field in made:
            wrong.append(f"{where}{key}: {field} is there twice")
        if field:
            made[field] = _field_spec(field, value, f"{where}{key}: ", wrong)
    fixed = {}
    for key, value in (constants if isinstance(constants, dict) else {}).items():
        field = _field(key, where, wrong)
        if not field:
            continue
        if FIELDS[field].reading or field == "outlet":
            wrong.append(f"{where}{key}: cannot be the same for all tests; give it a column")
        elif not isinstance(value, str | int | float | date | datetime | time) or isinstance(value, bool):
            wrong.append(f"{where}{key}: {value!r} is no text, number or date")
        elif field in made:
            wrong.append(f"{where}{key}: stands under fields and under constants")
        elif FIELDS[field].words and fold_word(str(value)) not in _known_words(field):
            wrong.append(f"{where}{key}: {value!r} is not one of {', '.join(FIELDS[field].words)}")
        else:
            fixed[field] = value
    at = {
        name: _letters(said[name], f"{where}{name}", wrong) if name in said else -1
        for name in ("heading_column", "parameter_column", "value_column", "unit_column")
    }
    first, last = _whole(said, "first_row", where, wrong), _whole(said, "last_row", where, wrong)
    if 0 <= last < first:
        wrong.append(f"{where}last_row: lies above first_row")
    table_order = _order(said.get("date_order"), f"{where}date_order", wrong) or order
    return TableSpec(
        sheet,
        orientation,
        _whole(said, "heading_row", where, wrong),
        count,
        at["heading_column"],
        first,
        last,
        made,
        fixed,
        frozenset(ignore),
        table_order,
        source,
        number,
        at["parameter_column"],
        at["value_column"],
        at["unit_column"],
    )


def _field(key: str, where: str, wrong: list[str]) -> str:
    if key in FIELDS:
        return key
    by_heading = {normal_heading(f.heading): f.name for f in FIELDS.values()}
    if normal_heading(key) in by_heading:
        return by_heading[normal_heading(key)]
    near = difflib.get_close_matches(key, [*FIELDS, *(f.heading for f in FIELDS.values())], 1)
    wrong.append(f"{where}{key}: there is no such field" + (f" ({near[0]}?)" if near else ""))
    return ""


def _known_words(field: str) -> set[str]:
    words = FIELDS[field].words
    return {fold_word(spelling) for word, spellings in words.items() for spelling in (word, *spellings)}


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


# --------------------------------------------------------------------------------------------------- saving


def layout_text(log: Log, file: int, left_over: Sequence[tuple[str, str, str]] = ()) -> str:
    """The layout file that says what was understood of one file, to be corrected by a person.

    left_over : (sheet, cell, heading) of what nothing was read from; written as comments.
    Returns   : TOML, which read again with the file gives the same table of tests.
    """
    name = PurePosixPath(str(log.files["name"].iloc[file])).name
    lines = [
        "# How this workbook is read. Correct it, and give it with --layout, or leave it in the folder of the files.",
        f'files = [{_quoted(name)}]               # with * for a family of files: "*.xlsx"',
        "",
    ]
    tables = [t for t in log.tables if t.file == file and not t.parts_before]
    for table in tables:
        several = sum(t.sheet == table.sheet for t in tables) > 1
        lines += _table_lines(table, several)
        for sheet, cell, heading in left_over:
            if sheet == table.sheet:
                lines.append(f"# left over: {cell} {heading}".rstrip())
        lines.append("")
    return "\n".join(lines)


def _table_lines(table: Table, several: bool) -> list[str]:
    lines = ["[[table]]", f"sheet = {_quoted(table.sheet)}"]
    if table.orientation != "down":
        lines.append(f'orientation = "{table.orientation}"')
    if table.orientation == "across" and several and table.heads[0] >= 0:
        lines += [f"first_row = {table.heads[0] + 1}", f"last_row = {table.heads[1] + 1}"]
    elif table.heads[0] >= 0 and table.orientation in ("down", "long"):
        mark = "" if several and table.orientation == "down" else "# "
        lines.append(f"{mark}heading_row = {table.heads[0] + 1}")
        if table.heads[1] > table.heads[0]:
            lines.append(f"{mark}heading_rows = {table.heads[1] - table.heads[0] + 1}")
    lines.append(f'date_order = "{table.order}"' if table.order else '# date_order = "day first"')
    lines.append("[table.fields]")
    for field, place in table.places.items():
        said = table.how.get(field)
        doubtful = said is not None and said[2] == "unsure"
        unit = table.units.get(field, FIELDS[field].unit)
        if unit and not belongs(field, unit):
            unit = UNTOLD  # none that can be converted: a person must say which it is
        told = f", unit = {_quoted(unit)}" if unit and unit != UNTOLD else ', unit = "?"' if unit else ""
        if said is not None and UNITS_BESIDE in said[1] or doubtful:
            told = ""  # each figure has its own, or the heading's words decide once it is clear what they mean
        about = f"   # {said[1]}, {said[2]}: {said[0]}" if said else ""
        where = (
            f"heading = {_quoted(said[0])}"
            if said and table.orientation == "long" and place.row is not None
            else _where(place)
        )
        line = f"{field} = {{ {where}{told} }}{_one_line(about)}"
        as_found = said is not None and said[1] in AS_FOUND
        lines.append(f"# {line}" if doubtful or as_found or unit == UNTOLD else line)
    lines.append("[table.constants]")
    for field, (place, value) in table.constants.items():
        at = a1(place.row or 0, place.column or 0)
        lines.append(f"# {field} = {_quoted(_one_line(str(value)))}   # found in {place.sheet}, {at}")
    if "site" not in table.constants and "site" not in table.places:
        lines.append('# site = "..."')
    return lines


def _where(place: Place) -> str:
    if place.row is None:
        return f'column = "{a1(0, place.column or 0)[:-1]}"'
    if place.column is None:
        return f"row = {place.row + 1}"
    return f'cell = "{a1(place.row, place.column)}"'


def _quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in escaped) + '"'


def _one_line(text: str) -> str:
    return "".join(c if c.isprintable() else " " for c in text)
