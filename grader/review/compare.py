"""What changed since an earlier result was issued: verdicts that differ, tests gone, tests new, and why."""

from __future__ import annotations

import contextlib
import os
import zipfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from grader.columns import COMPUTED, FIELDS, PARAMETERS, SHEETS, TEST_WORDS, normal_heading
from grader.figures import plain, written
from grader.frames import RELATIVE_TOLERANCE
from grader.problems import GraderError
from grader.words import DEFAULT_LANGUAGE, words

RESULT_KIND, KIND_PROPERTY = "result", "grader-kind"
SHEET = "Verdicts"
RUN_PROPERTIES = ("options", "rule-sets", "grader-version")
# What an option could not change: a verdict.
_NO_MATTER = ("as-of", "language", "interval-months", "history")
# How a test stands in history as the days go by: no verdict, and no news, by itself.
_OF_DATES = ("yes", "date to come", "no date")
_USE = "Lowest use temperature (°C)"
# What of a test was written down; a water content shows the tube's reading.
_WRITTEN = frozenset(
    {*(f.heading for f in FIELDS.values()), *(p.heading for p in PARAMETERS.values())}
    - {_USE, "Rule set", *(PARAMETERS[key].heading for key in COMPUTED if key != "water")}
)
COLUMNS = ("Site", "Outlet", "Test date", "Old verdict", "New verdict", "Why", "File", "Row", "Because of")
# What must be there to tell tests and verdicts; the other columns serve to say why.
_NEEDED = ("Site", "Outlet", "System", "Test date", "Verdict", "File", "Sheet", "Row")
_WHO = ("Client", "Site", "Outlet", "System", "Test date")
_PLACE = ("File", "Sheet", "Row")
_VERDICTS = tuple((p.name, p.verdict_heading) for p in PARAMETERS.values() if p.verdict_heading)
_STANDS = "Counts in history"
_PLAIN = ("Rule set", "Test date", "Supply", _STANDS)
_READING, _RULE, _OPTION, _VERSION, _PAST = "reading", "rule", "option", "version", "past"


def read_old_result(path: str | os.PathLike[str]) -> pd.DataFrame:
    """The sheet Verdicts of an earlier result of this program, with those that go on from it.

    Returns : one row a test, columns as written; blank cells None, dates datetime. For a result of this
              program only: of any other file nothing but its properties is looked at.
    Raises  : GraderError, one line: no such file, no workbook, no result of this program, columns missing.
    """
    import openpyxl  # here, because it is slow to load and seldom needed

    say: dict[str, str] = words()["compare"]
    given = Path(path)
    if not given.is_file():
        raise GraderError(say["not_a_file"].format(path=given))
    try:
        with open(given, "rb") as stream, contextlib.closing(openpyxl.load_workbook(stream, read_only=True)) as book:
            kind = next((p.value for p in book.custom_doc_props.props if p.name == KIND_PROPERTY), None)
            if kind != RESULT_KIND:
                raise GraderError(say["not_a_result"].format(path=given))
            run = {p.name: str(p.value) for p in book.custom_doc_props.props if p.name in RUN_PROPERTIES}
            titles = [t for t in book.sheetnames if t == SHEET or t.startswith(f"{SHEET} ") and t[9:].isdigit()]
            parts = [_frame(book[title]) for title in titles]
    except (OSError, zipfile.BadZipFile, KeyError, ValueError, TypeError, SyntaxError, EOFError) as error:
        raise GraderError(say["not_a_workbook"].format(path=given)) from error
    found = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()
    missing = [name for name in _NEEDED if name not in found.columns]
    if missing:
        raise GraderError(say["no_verdicts"].format(path=given, missing=", ".join(missing)))
    found.attrs["run"] = run
    return found


def _frame(sheet: Any) -> pd.DataFrame:
    rows = sheet.iter_rows(values_only=True)
    headings = [str(h) for h in next(rows, ()) if h is not None]
    data = [row[: len(headings)] for row in rows]
    return pd.DataFrame({name: pd.Series([row[n] for row in data], dtype=object) for n, name in enumerate(headings)})


def compare_table(
    old: pd.DataFrame, new: pd.DataFrame, *, run: Mapping[str, str] | None = None, language: str = DEFAULT_LANGUAGE
) -> pd.DataFrame:
    """The tests whose verdict changed or that stand no more (replaced), that are gone, or that are new.

    old, new : the sheets Verdicts: from read_old_result, and of this run. Columns that only one of them has
               are not compared. run : RUN_PROPERTIES of this run, to say what changed in how it was judged.
    Returns  : columns COLUMNS; Because of is one or several of reading, rule, option, version, past (other files,
               earlier statements, the register). A test that only came to count by its date is not listed. Gone
               tests have no new verdict, new ones no old. In order of the new table, then the gone ones in order of
               the old. File and Row are the new ones where there are.
    A test is the same where file, sheet, row, site, outlet and date agree; else where client, site, outlet,
    system and date do, each as often as it stands in both (a file renamed, rows moved); else where site,
    outlet and date agree and nothing else is left with them (client or system corrected); else where file,
    sheet, row, site and outlet agree and one of the two had no date. A file written over with another visit
    is thus gone and new.
    """
    say: dict[str, str] = words(language)["compare"]
    pairs, gone, fresh = _match(old, new)
    before, after = _texts(old), _texts(new)
    cells = {c: (_numbers(old[c]), _numbers(new[c])) for c in new.columns if c in old.columns}
    made: dict[int, tuple[Any, ...]] = {}
    other_run = _run_changes(old.attrs.get("run", {}), run or {}, say)
    kinds = _run_kinds(old.attrs.get("run", {}), run or {})
    for o, n in pairs:
        # A test that a later file replaced keeps its verdict, but it stands no more.
        standing = {before[_STANDS][o], after[_STANDS][n]} if _STANDS in cells else set()
        stands = len(standing) <= 1 or standing <= {*_OF_DATES}
        was, now = before["Verdict"][o], after["Verdict"][n]
        if was != now or not stands:
            texts = {c: (column[o], after[c][n]) for c, column in before.items()}
            pair = _Pair({c: (a[o], b[n]) for c, (a, b) in cells.items()}, texts)
            why = "; ".join([*_why(pair, say), *other_run])
            made[n] = _line(after, new, n, was, now, why, _because(pair, kinds, stands, words(language)["past"]))
    for n in fresh:
        made[n] = _line(after, new, n, "", after["Verdict"][n], say["test_new"])
    lost = [_line(before, old, o, before["Verdict"][o], "", say["test_gone"]) for o in gone]
    rank = {word: place for place, word in enumerate(TEST_WORDS)}
    at_old, at_new = COLUMNS.index("Old verdict"), COLUMNS.index("New verdict")
    rows = [made[n] for n in sorted(made)]
    rows.sort(key=lambda row: (-rank.get(row[at_new], -1), rank.get(row[at_old], len(rank))))
    rows += lost
    frame = pd.DataFrame(rows, columns=list(COLUMNS), dtype=object)
    frame["Test date"] = pd.to_datetime(frame["Test date"].replace("", None)).astype("datetime64[s]")
    return frame


class _Pair(NamedTuple):
    """One test in both results: heading -> the old and the new, as cells that both have, and as texts."""

    cells: dict[str, tuple[Any, Any]]
    texts: dict[str, tuple[str, str]]


def _line(
    texts: dict[str, np.ndarray], frame: pd.DataFrame, at: int, was: str, now: str, why: str, because: str = ""
) -> tuple[Any, ...]:
    """A row of the table, of the test that stands at this place of its result."""
    who = (texts[name][at] for name in ("Site", "Outlet", "Test date"))
    return (*who, was, now, why, texts["File"][at], frame["Row"].iloc[at], because)


def _match(old: pd.DataFrame, new: pd.DataFrame) -> tuple[list[tuple[int, int]], list[int], list[int]]:
    """Pairs of positions (old, new), positions of old tests that are gone, of new tests that are new."""
    keys = (
        (*_PLACE, "Site", "Outlet", "Test date"),
        _WHO,
        ("Site", "Outlet", "Test date"),
        (*_PLACE, "Site", "Outlet"),
    )
    before, after = _texts(old), _texts(new)
    left, right = list(range(len(old))), list(range(len(new)))
    pairs: list[tuple[int, int]] = []
    for step, key in enumerate(keys):
        found = []
        a, b = _by_key(before, left, key), _by_key(after, right, key)
        for value, olds in a.items():
            news = b.get(value, [])
            if step >= 2 and (len(olds) > 1 or len(news) > 1):
                continue  # the loose keys: only where there is no choice
            found += list(zip(olds, news))
        if step == 3:
            found = [(o, n) for o, n in found if not (before["Test date"][o] and after["Test date"][n])]
        pairs += found
        left = sorted(set(left) - {o for o, _ in found})
        right = sorted(set(right) - {n for _, n in found})
    return pairs, left, right


def _by_key(
    texts: dict[str, np.ndarray], rows: Sequence[int], names: Sequence[str]
) -> dict[tuple[str, ...], list[int]]:
    found: dict[tuple[str, ...], list[int]] = {}
    columns = [texts[name] for name in names]
    for row in rows:
        found.setdefault(tuple(column[row] for column in columns), []).append(row)
    return found


def _texts(frame: pd.DataFrame) -> dict[str, np.ndarray]:
    """The columns of identity, place and words as text, "" where blank; dates as ISO days."""
    wanted = {*_WHO, *_PLACE, "Verdict", *_PLAIN, *(heading for _, heading in _VERDICTS)}
    texts = {}
    for name in wanted:
        if name not in frame.columns:
            texts[name] = np.full(len(frame), "", dtype=object)
            continue
        column = frame[name]
        if name == "Test date":
            days = pd.to_datetime(column, errors="coerce")
            shown = ["" if pd.isna(d) else d.date().isoformat() for d in days]
        else:
            shown = ["" if v is None or v != v else written(float(v)) if _is_number(v) else str(v) for v in column]
        texts[name] = np.array(shown, dtype=object)
    return texts


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float, np.integer, np.floating)) and not isinstance(value, bool)


def _numbers(column: pd.Series) -> np.ndarray:
    """The cells as they are compared: numbers as float, texts as they stand, None for blank."""
    return np.array(
        [None if v is None or v != v or v == "" else float(v) if _is_number(v) else str(v) for v in column.tolist()],
        dtype=object,
    )


def _why(pair: _Pair, say: dict[str, str]) -> list[str]:
    """Rule set, then verdicts of parameters, then readings and what else of the test changed."""
    reasons = []
    for name, heading, text in (*((n, n, "changed") for n in _PLAIN), *((n, h, "parameter") for n, h in _VERDICTS)):
        was, now = pair.texts[heading]
        if heading in pair.cells and was != now:
            reasons.append(say[text].format(name=name, old=was or say["blank"], new=now or say["blank"]))
    told = {*_WHO, *_PLACE, *_PLAIN, "Verdict", "Reasons", "Safe down to (°C)", *(heading for _, heading in _VERDICTS)}
    readings = {normal_heading(h) for h in SHEETS[SHEET]}
    for name, (was, now) in pair.cells.items():
        if name not in told and not _same(was, now):
            text = say["reading" if normal_heading(name) in readings else "changed"]
            shown = _pair(was, now) if isinstance(was, float) and isinstance(now, float) else None
            a, b = shown or (_cell(was, say), _cell(now, say))
            reasons.append(text.format(name=name, old=a, new=b))
    return reasons or [say["nothing_else"]]


def _pair(was: float, now: float) -> tuple[str, str]:
    """Two figures with as few digits as tell them apart, four at least: computed ones have no end of digits.

    >>> _pair(-41.31566736, -34.7446301), _pair(9.0, 1.0), _pair(12.000001, 12.000002)
    (('-41.32', '-34.74'), ('9', '1'), ('12.000001', '12.000002'))
    """
    for digits in range(4, 16):
        shown = f"{was + 0.0:.{digits}g}", f"{now + 0.0:.{digits}g}"
        if shown[0] != shown[1]:
            break
    return shown


def _run_changes(old: Mapping[str, str], new: Mapping[str, str], say: dict[str, str]) -> list[str]:
    """What of the two runs differs that can change a verdict: options, versions of rule sets and program."""
    was, now = _parts(old), _parts(new)
    return [
        say["run_changed"].format(name=name, old=was.get(name, say["blank"]), new=now.get(name, say["blank"]))
        for name in _differ(old, new)
    ]


def _differ(old: Mapping[str, str], new: Mapping[str, str]) -> list[str]:
    """Names of what two runs have otherwise; none where one of them says nothing of itself."""
    if not old or not new:
        return []
    was, now = _parts(old), _parts(new)
    return [n for n in sorted({*was, *now}) if n not in _NO_MATTER and was.get(n) != now.get(n)]


def _run_kinds(old: Mapping[str, str], new: Mapping[str, str]) -> set[str]:
    """Which kinds of change the two runs themselves can be a reason for."""
    differ = set(_differ(old, new))
    of_rules = {name for name in differ if name.startswith("version of ")}
    kinds = {_VERSION} if "grader-version" in differ else set()
    kinds |= {_RULE} if of_rules else set()
    return kinds | ({_OPTION} if differ - of_rules - {"grader-version"} else set())


def _because(pair: _Pair, kinds: set[str], stands: bool, past: dict[str, str]) -> str:
    """The kinds of reason for one change, joined: what of the test or the run differs; else its past does."""
    found = set(kinds)
    if any(name in _WRITTEN and not _same(*both) for name, both in pair.cells.items()):
        found.add(_READING)
    was, now = pair.texts["Rule set"]
    if was != now:
        found.add(_RULE)
    if not _same(*pair.cells.get(_USE, ("", ""))):
        given = [past[name].split("{")[0] for name in ("carried", "tried", "lower")]
        reasons = map(str, pair.cells.get("Reasons", ()))
        found.add(_PAST if any(start in text for text in reasons for start in given) else _READING)
    if not stands or not found:
        found.add(_PAST)
    return ", ".join(kind for kind in (_READING, _RULE, _OPTION, _VERSION, _PAST) if kind in found)


def _parts(run: Mapping[str, str]) -> dict[str, str]:
    """The recorded options by name, several of a name together; the version; versions of rule sets."""
    found: dict[str, str] = {"grader-version": run.get("grader-version", "")}
    for part in run.get("options", "").split("; "):
        name, _, value = part.partition("=")
        found[name] = f"{found[name]}, {value}" if name in found else value
    for rule in filter(None, run.get("rule-sets", "").split(", ")):
        name, _, version = rule.rpartition(" ")
        found[f"version of {name}"] = version
    return {name: value for name, value in found.items() if name and name != "also"}


def _same(was: Any, now: Any) -> bool:
    if isinstance(was, float) and isinstance(now, float):
        # A cell keeps about 15 digits of a figure.
        return abs(was - now) <= RELATIVE_TOLERANCE * max(abs(was), abs(now), 1.0)
    return was == now


def _cell(value: Any, say: dict[str, str]) -> str:
    return say["blank"] if value is None else plain(value) if isinstance(value, float) else str(value)
