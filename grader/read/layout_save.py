"""What was understood of a workbook, as the layout file that says so, ready to be corrected by a person."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from pathlib import PurePosixPath
from typing import Any, NamedTuple

from grader.columns import FIELDS
from grader.problems import Place, Table, Unclear, a1
from grader.read.extract import UNITS_BESIDE
from grader.read.layout_keys import quoted, setting
from grader.read.layout_spec import fits
from grader.read.log import Log
from grader.read.sayings import SAID
from grader.read.shapes.proposal import AS_FOUND
from grader.read.shapes.tables import whole
from grader.read.words.units import UNTOLD, belongs

# What a verdict or a history cannot do without, and a firm's log often leaves unsaid: with an example of each.
_NEEDED = {"site": '"..."', "test_date": "2026-03-14", "supply": '"airline"', "dryer": '"unknown"'}


class LeftOver(NamedTuple):
    """Filled cells that nothing was read from: sheet, address and text of the heading, how a layout file names them."""

    sheet: str
    cell: str
    heading: str
    where: str


def common_pattern(names: Sequence[str], others: Sequence[str]) -> list[str]:
    """One pattern that fits all names and none of the others, or the names themselves where there is none.

    >>> common_pattern(["log 2025.xlsx", "log 2026.xlsx"], ["form.xlsx"]), common_pattern(["a", "b"], ["c"])
    (['log 202*.xlsx'], ['a', 'b'])
    """
    different = list(dict.fromkeys(names))
    if len(different) == 1:
        return different
    before = os.path.commonprefix(different)
    behind = os.path.commonprefix([n[len(before) :][::-1] for n in different])[::-1]
    pattern = f"{before}*{behind}"
    fair = not any(fits(pattern, n) or fits(pattern, PurePosixPath(n).name) for n in others)
    return [pattern] if fair and not set("[?") & set(pattern) else different


def layout_text(
    log: Log,
    file: int,
    left_over: Sequence[LeftOver] = (),
    patterns: Sequence[str] = (),
    sheets: Mapping[str, str] | None = None,
) -> str:
    """The layout file that says what was understood of one file, to be corrected by a person.

    left_over : what nothing was read from; written as comments. patterns : files it is for; none: this one.
    sheets    : sheet -> pattern of the sheets that are built like it, for a kind of files; {} or None: by name.
    Returns   : TOML, which read again with the file gives the same table of tests.
    """
    names = patterns or [PurePosixPath(str(log.files["name"].iloc[file])).name]
    lines = [
        "# How this workbook is read. Correct it, and give it with --layout, or leave it in the folder of the files.",
        "# Lines behind # are ready to use: take the # away. grader layout --fields lists the names of all fields.",
        f'{setting("files", names)}               # with * for a family of files: "*.xlsx"',
        "",
    ]
    numbers = [i for i, t in enumerate(log.tables) if t.file == file and not t.parts_before]
    names = [log.tables[i].sheet for i in numbers]
    written: set[tuple[Any, ...]] = set()
    for number in numbers:
        table = log.tables[number]
        sheet = (sheets or {}).get(table.sheet, table.sheet)
        if sheet != table.sheet and (sheet, table.heads, table.sides) in written:
            continue  # another sheet that the pattern names too
        written.add((sheet, table.heads, table.sides))
        first = table.sheet not in names[: numbers.index(number)]
        left = [some for some in left_over if first and some.sheet == table.sheet]
        filled = {
            f for f in table.places if f in log.rows and log.rows.loc[log.rows["table"] == number, f].notna().any()
        }
        blank = set(table.places) - filled if table.orientation == "form" else set()
        lines += _table_lines(table, sheet, names.count(table.sheet) > 1, left, blank)
        lines += _group_lines(log, number)
        lines.append("")
    return "\n".join(lines)


def _table_lines(table: Table, sheet: str, several: bool, left_over: Sequence[LeftOver], blank: set[str]) -> list[str]:
    cut_out = several and table.orientation in ("across", "form") and table.heads[0] >= 0
    return [
        *_where_lines(table, sheet, several, cut_out),
        setting("date_order", table.order) if table.order else "# " + setting("date_order", "day first"),
        "[table.fields]",
        *_field_lines(table, blank),
        *map(_left_over_line, left_over),
        "[table.constants]",
        *_constant_lines(table, cut_out),
    ]


def _where_lines(table: Table, sheet: str, several: bool, cut_out: bool) -> list[str]:
    """Sheet and shape of a table, and where it lies on its sheet."""
    first, last = table.heads
    lines = ["[[table]]", setting("sheet", sheet)]
    if table.orientation != "down":
        lines.append(setting("orientation", table.orientation))
    if cut_out:
        lines += [setting("first_row", first), setting("last_row", last)]
        if table.sides[0] >= 0:
            lines += [setting("first_column", table.sides[0]), setting("last_column", table.sides[1])]
    elif first >= 0 and table.orientation in ("down", "long"):
        mark = "" if several and table.orientation == "down" else "# "
        lines.append(mark + setting("heading_row", first))
        if last > first:
            lines.append(mark + setting("heading_rows", last - first + 1))
    return lines


def _field_lines(table: Table, blank: set[str]) -> list[str]:
    # A line that would settle what an unclear column is: as found without it, ready for a person to settle it by.
    unclear_columns = [u for u in table.unclear if not u.aside]
    choices = [{field for field, _ in u.choices} for u in unclear_columns]
    aside = blank.union(*(fields for fields in choices if fields <= table.places.keys()))
    places = {f: p for f, p in table.places.items() if f != SAID}
    fields = [_field_line(table, field, place) for field, place in places.items()]
    fields = [f"# {line}" if f in aside and line[0] != "#" else line for f, line in zip(places, fields)]
    for unclear in unclear_columns:
        fields = _with_choices(fields, unclear)
    return fields


def _left_over_line(left: LeftOver) -> str:
    at = left.where or f'cell = "{left.cell}"'
    return _one_line(f"# ? = {{ {at} }}   # left over: {left.cell} {left.heading}").rstrip()


def _constant(field: str, value: Any) -> str:
    return f"{field} = {quoted(_one_line(str(whole(value))))}"


def _constant_lines(table: Table, cut_out: bool) -> list[str]:
    lines = []
    for field, (place, value) in table.constants.items():
        # What is said above a table that is cut out of its sheet is not found in it again.
        mark = "" if cut_out and (place.row or 0) < table.heads[0] else "# "
        if field != SAID:
            lines.append(f"{mark}{_constant(field, value)}   # found in {_one_line(place.sheet)}, {_address(place)}")
    for u in table.unclear:
        if u.aside and u.line:
            lines.append(_one_line(f"# {u.line}   # said in {u.place.sheet}, {_address(u.place)}: {u.heading}"))
    for field, example in _NEEDED.items():
        if field not in table.constants and field not in table.places:
            words = ", ".join(FIELDS[field].words)
            lines.append(f"# {field} = {example}   # not said" + (f"; one of {words}" if words else ""))
    return lines


def _address(place: Place) -> str:
    return a1(place.row or 0, place.column or 0)


def _field_line(table: Table, field: str, place: Place) -> str:
    """The line of one field; a comment where it cannot be said as it was found, or is for a person to decide."""
    said = table.how.get(field)
    doubtful = said is not None and said[2] == "unsure"
    unit = table.units.get(field, FIELDS[field].unit)
    if unit and not belongs(field, unit):
        unit = UNTOLD  # none that can be converted: a person must say which it is
    told = f", unit = {quoted(unit)}" if unit and unit != UNTOLD else ', unit = "?"' if unit else ""
    if said is not None and UNITS_BESIDE in said[1] or doubtful:
        told = ""  # each figure has its own, or the heading's words decide once it is clear what they mean
    about = f"   # {said[1]}, {said[2]}: {said[0]}" if said else ""
    by_name = said is not None and table.orientation == "long" and place.row is not None
    where = setting("heading", said[0]) if said and by_name else _where(place)
    mark = "# " if doubtful or unit == UNTOLD or said is not None and said[1] in AS_FOUND else ""
    return f"{mark}{field} = {{ {where}{told} }}{_one_line(about)}"


def _with_choices(lines: list[str], unclear: Unclear) -> list[str]:
    """The lines of fields with what an unclear column could be: behind the lines that name it, or on one of its own."""
    where = _where(unclear.place)
    others = ", ".join(field for field, _ in unclear.choices)
    said = f'; "{_one_line(unclear.heading)}" can be {others}'
    named = [i for i, line in enumerate(lines) if line.startswith("# ") and f"{{ {where} }}" in line]
    if named:
        return [line + said if i == named[0] else line for i, line in enumerate(lines)]
    return [*lines, _one_line(f"# {unclear.line.partition(', or ')[0]}   # left over{said}")]


def _group_lines(log: Log, number: int) -> list[str]:
    """Comments, ready to use, for each part of a table that is cut by banner rows or holds groups side by side."""
    parts = [number]
    while parts[-1] + 1 < len(log.tables) and log.tables[parts[-1] + 1].parts_before == len(parts):
        parts.append(parts[-1] + 1)
    first = log.tables[number]
    if len(parts) < 2 or first.orientation not in ("down", "across"):
        return []
    shared = set.intersection(*(set(log.tables[i].places.values()) for i in parts))
    of_table, rows = log.rows["table"].to_numpy(), log.rows["row"].to_numpy()
    lines = []
    for i in parts:
        table = log.tables[i]
        own = {f: p for f, p in table.places.items() if p not in shared and p.column is not None}
        mine = rows[of_table == i]
        if own:
            at = [p.column or 0 for p in own.values()]
            span = [setting("first_column", min(at)), setting("last_column", max(at))]
            span += ["[table.group.fields]", *(_field_line(table, f, p) for f, p in own.items())] if i != number else []
        elif len(mine):
            span = [setting("first_row", mine.min()), setting("last_row", mine.max())]
        else:
            continue
        constants = [_constant(f, v) for f, (_, v) in table.constants.items()
                     if first.constants.get(f) != table.constants[f] or i == number]  # fmt: skip
        lines += [f"# {line}" for line in ("[[table.group]]", *span, "[table.group.constants]", *constants)]
    return lines


def _where(place: Place) -> str:
    if place.row is None:
        return setting("column", place.column or 0)
    if place.column is None:
        return setting("row", place.row)
    return setting("cell", (place.row, place.column))


def _one_line(text: str) -> str:
    return "".join(c if c.isprintable() else " " for c in text)
