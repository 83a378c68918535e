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

import hashlib
import os
import re
import tomllib
from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import date, datetime, time
from pathlib import Path, PurePosixPath
from typing import Any, NamedTuple

from grader.columns import FIELDS, normal_heading
from grader.problems import GraderError, Problems
from grader.read.find import Finding
from grader.read.layout_keys import KINDS, Said, near
from grader.read.layout_spec import HARMLESS, FieldSpec, GroupSpec, LayoutSpec, TableSpec, fits
from grader.read.words.heading_words import key as folded
from grader.read.words.heading_words import reading_words
from grader.read.words.spelling import fold_word, spelled_words
from grader.read.words.units import accepted, belongs, canonical

SUFFIX = ".layout.toml"
ANY = "any" + SUFFIX
SAME = ("client", "site", "system", "outlet")
_TOP = ("files", "ignore_sheets", "date_order")
_TOP_OF_ANY = ("constants", "words", "same")
_SPAN = ("first_row", "last_row", "first_column", "last_column")
_TABLE = ("date_order", *(f for f in TableSpec._fields if f in KINDS))
_PLACES = ("column", "row", "cell", "heading")


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
        entries = tomllib.loads(data.decode("utf-8-sig"))
    except OSError as error:
        raise GraderError(f"{path}: the layout file cannot be read ({error.strerror}).") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise GraderError(f"{path.name}: this is no TOML ({error}).") from error
    said = Said(entries, "", [])
    usual: dict[str, Any] = {}
    found: dict[str, Any] = {}
    if path.name.casefold() == ANY:
        said.check_names(_TOP_OF_ANY)
        usual = _constants(said, "constants")
        for field in [f for f in usual if not FIELDS[f].any_log]:
            allowed = ", ".join(f.name for f in FIELDS.values() if f.any_log)
            said.add(f"{field}: cannot be the same for every log; only {allowed} can")
        said = said._replace(entries={k: v for k, v in entries.items() if k in ("words", "same")})
    else:
        found = said.values(_TOP, ("table", "words", "same"))
        if not found.get("files") and not (entries.get("same") and set(entries) == {"same"}):
            said.add('files: say which files it is for, as files = ["*.xlsx"]')
    order = found.get("date_order", "")
    tables = enumerate(said.tables("table", "table"), start=1)
    specs = tuple(_table(table, number, order, path.name) for number, table in tables)
    spec = LayoutSpec(specs, tuple(found.get("ignore_sheets", ())), _words(said), usual, path.name)
    same = _same(said)
    if said.wrong:
        raise GraderError("\n".join(f"{path.name}: {mistake}." for mistake in said.wrong))
    return LayoutFile(path.resolve(), hashlib.sha256(data).hexdigest(), tuple(found.get("files", ())), spec, same)


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


def _same(said: Said) -> dict[str, dict[str, str]]:
    """[same.site] and the like: names as written -> the names they mean."""
    how = 'same: write it as [same.site] with lines such as "Eastbnak Yard" = "Eastbank Yard"'
    listed = said.entries.get("same", {})
    if not isinstance(listed, dict) or not all(isinstance(names, dict) for names in listed.values()):
        said.add(how)
        return {}
    Said(listed, "same: ", said.wrong).check_names(SAME)
    for kind, names in listed.items():
        for written, means in names.items():
            if not isinstance(means, str) or not means.strip():
                said.add(f"same.{kind}: {written!r} must be the same as a name, not {means!r}")
    return {kind: dict(names) for kind, names in listed.items()}


def _words(said: Said) -> dict[str, dict[str, str]]:
    """[words.FIELD] of a layout file -> field -> folded word -> the word that it means."""
    made: dict[str, dict[str, str]] = {}
    listed = said.entries.get("words", {})
    for key, entries in listed.items() if isinstance(listed, dict) else [("words", listed)]:
        if not isinstance(entries, dict):
            said.add(f'{key}: write words under [words.FIELD], as "o.B." = "none"')
            continue
        field = _field(key, said._replace(where="words."))
        for spelling, meaning in entries.items() if field else ():
            if isinstance(meaning, str) and _is_word_of(field, meaning):
                made.setdefault(field, {})[fold_word(spelling)] = meaning
            else:
                known = ", ".join(FIELDS[field].words) or "the words for readings, such as ND, clear or stain"
                known = HARMLESS if field == "remarks" else known
                said.add(f"words.{key}: {meaning!r} is not one of {known}")
    return made


def _is_word_of(field: str, meaning: str) -> bool:
    if field == "remarks":
        return meaning == HARMLESS
    if FIELDS[field].kind == "number":
        return folded(meaning) in reading_words()
    return bool(FIELDS[field].words) and fold_word(meaning) in spelled_words(field)


def _constants(said: Said, heading: str, fields: Collection[str] = ()) -> dict[str, Any]:
    """field -> value for every test; fields: those that have a place of their own."""
    said = said.table("constants", f"under [{heading}]")
    fixed = {}
    for key, value in said.entries.items():
        field = _field(key, said)
        if not field:
            continue
        if FIELDS[field].reading or field == "outlet":
            said.add(f"{key}: cannot be the same for all tests; give it a column")
        elif not isinstance(value, str | int | float | date | datetime | time) or isinstance(value, bool):
            said.add(f"{key}: {value!r} is no text, number or date")
        elif field in fields:
            said.add(f"{key}: stands under fields and under constants")
        elif FIELDS[field].words and fold_word(str(value)) not in spelled_words(field):
            said.add(f"{key}: {value!r} is not one of {', '.join(FIELDS[field].words)}")
        else:
            fixed[field] = value
    return fixed


def _fields(said: Said) -> dict[str, FieldSpec]:
    said = said.table("fields", "under [table.fields]")
    made: dict[str, FieldSpec] = {}
    for key, value in said.entries.items():
        field = _field(key, said)
        if field in made:
            said.add(f"{key}: {field} is there twice")
        if field:
            entries = {"column": value} if isinstance(value, str) else value
            made[field] = _field_spec(field, Said(entries, f"{said.where}{key}: ", said.wrong))
    return made


def _field(key: str, said: Said) -> str:
    """The field that a key names, by its own name or that of its heading; "" and a mistake where there is none."""
    by_heading = {_letters_of(f.heading): f.name for f in FIELDS.values()}
    field = key if key in FIELDS else by_heading.get(_letters_of(key), "")
    if not field:
        names = [*FIELDS, *(f.heading for f in FIELDS.values())]
        said.add(f"{key}: there is no such field{near(key, names)}")
    return field


def _letters_of(heading: str) -> str:
    """A heading by its letters and digits alone: oil_sampling_time_min is "Oil sampling time (min)"."""
    return re.sub(r"[\W_]", "", normal_heading(heading))


def _field_spec(field: str, said: Said) -> FieldSpec:
    if not isinstance(said.entries, dict):
        said.add('write it as { column = "C", unit = "..." }')
        return FieldSpec()
    places = [key for key in _PLACES if key in said.entries]
    if len(places) > 1:
        said.add(f"only one of {', '.join(places)}")
    if not places and "unit" not in said.entries:
        said.add("a column, row, cell, heading or unit is wanted")
    found = said.values((*_PLACES, "unit"))
    if "cell" in found:
        found["row"], found["column"] = found.pop("cell")
    if stated := found.get("unit"):
        found["unit"] = known = canonical(stated)
        if known is None or not belongs(field, known):
            choices = ", ".join(u for u in accepted(field) if u)
            about = f"; {choices} are" if choices else ""
            said.add(f"unit: {stated!r} is no unit of {FIELDS[field].heading}{about}")
    return FieldSpec(**found)


def _check_span(said: Said, found: Mapping[str, Any]) -> None:
    """What a table or a group says of its first and last row and column, together."""
    for last, first, side in (("last_row", "first_row", "above"), ("last_column", "first_column", "left of")):
        if {first, last} <= found.keys() and found[last] < found[first]:
            said.add(f"{last}: lies {side} {first}")


def _group(said: Said) -> GroupSpec:
    found = said.values(_SPAN, ("fields", "constants"))
    _check_span(said, found)
    fields = _fields(said)
    if not found.keys() & set(said.entries):
        said.add("first_row, last_row, first_column or last_column is wanted")
    if fields and not found.keys() & {"first_column", "last_column"}:
        said.add("fields: only for a group of columns (first_column, last_column)")
    return GroupSpec(**found, fields=fields, constants=_constants(said, "table.constants", fields))


def _table(said: Said, number: int, order: str, source: str) -> TableSpec:
    found = said.values(_TABLE, ("fields", "constants", "group"))
    if "heading_rows" in found and "heading_row" not in said.entries:
        said.add("heading_rows: 1, 2 or 3, and only with heading_row")
    _check_span(said, found)
    fields = _fields(said)
    return TableSpec(
        fields=fields,
        constants=_constants(said, "table.constants", fields),
        groups=tuple(map(_group, said.tables("group", "table.group"))),
        order=found.pop("date_order", order),
        source=source,
        number=number,
        **found,
    )
