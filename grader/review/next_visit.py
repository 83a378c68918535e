"""The next visit's blank: a site's outlets with what does not change, readings empty, the past as notes."""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Collection, Sequence
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from grader.columns import BLANK, EVIDENCE_FIELDS, FIELDS, READ, TEST_FAIL, TEST_INCOMPLETE, TEST_WORDS, UNREADABLE
from grader.frames import text
from grader.page import Page
from grader.problems import GraderError
from grader.review.due import SOON_DAYS, STATES_NOW
from grader.review.history import as_day
from grader.review.last_time import AIR as ATMOSPHERIC
from grader.review.last_time import SiteKnown, last_time_page, oil_needed, site_known
from grader.review.verdict_sheet import as_read
from grader.words import DEFAULT_LANGUAGE, Local, words

REMOVED = "removed"
LAST_TIME = "last_time"  # the field that marks an outlet which failed
# What does not change from visit to visit; what is done or read on the day is left empty.
LASTING = (
    "location",
    "system",
    "supply",
    "dryer",
    "nominal_pressure_bar",
    "lowest_pressure_bar",
    "flow_needed_l_min",
    "oil_sampling_needed_min",
    "lowest_use_temperature_c",
    "highest_pressure_bar",
    "equipment",
)
# On Visit where all outlets have the same, else beside each outlet.
SHARED = ("rule_set", "interval_months")
PAST_FIELDS = (*EVIDENCE_FIELDS, "oil_sampling_min", "water_multiplier", "ambient_temperature_c")
PAST_VALUES = 3
LONGEST_REASONS = 160  # characters of reasons in a note (judgement)
# Notes on reading cells; with more, only the outlets have theirs, or the workbook opens slowly (judgement).
MOST_PAST_NOTES = 20_000
# Visits that test some outlets only, so their order is not that of the round.
PARTIAL_VISITS = ("retest", "after repair", "first use")

# Names that Windows keeps for devices, with or without an ending, and characters it allows in no file name:
# Microsoft, "Naming Files, Paths, and Namespaces" (from memory).
_DEVICES = {
    "CON",
    "PRN",
    "AUX",
    "NUL",
    "CONIN$",
    "CONOUT$",
    *(f"{port}{n}" for port in ("COM", "LPT") for n in "0123456789¹²³"),
}
_FORBIDDEN = re.compile(r'[<>:"/\\|?*]')
LONGEST_FILE_NAME_BYTES = 180  # of the 255 that file systems allow: room for a number
ENDING = ".xlsx"


class NextVisit(NamedTuple):
    """What the next blank holds, by field names of data/fields.toml: the arguments of the blank's writer.

    visit : label of Visit -> value.
    rows  : one mapping an outlet, field -> value.
    notes : for each row in turn, field -> text of a note on that cell.
    hints : field -> text to stand beside it.
    last_time : page of the sheet Last time.
    """

    visit: dict[str, Any]
    rows: list[dict[str, Any]]
    notes: list[dict[str, str]]
    hints: dict[str, str]
    last_time: Page


def next_visit(
    tests: pd.DataFrame,
    due: pd.DataFrame,
    actions: pd.DataFrame,
    plant: pd.DataFrame,
    files: Sequence[str],
    *,
    site: str,
    client: str | None = None,
    language: str = DEFAULT_LANGUAGE,
) -> NextVisit:
    """A site's outlets in the order of its last round, with all that does not change filled in.

    tests    : judged table, n rows.
    due      : the Due table, one row an outlet. actions, plant : the tables of those sheets.
    files    : names of the files that the tests are from, by number.
    site     : name of the site; case, spacing, dashes and zeros in front of a number do not matter.
    client   : name of its client, needed where two clients have a site of that name; "" is the one not given.
    language : of the notes.
    Returns  : NextVisit. Each value is the latest one of that outlet that could be read; removed outlets are
               left out; an outlet without a name is kept only if the last round had it.
    Raises   : GraderError where there is no such site (naming the nearest), where several fit, or where all
               its outlets have been removed.
    """
    every = words(language)
    say, local = every["next_visit"], Local.of(every)
    chosen = _site_key(tests, site, client, say)
    here = tests[(tests["site_key"].to_numpy(dtype=object) == chosen) & ~tests["replaced"].to_numpy()]
    here = here.iloc[_oldest_first(here)]
    outlets = _outlets(here)
    rows_of = _Outlets(here, outlets["identity"].to_numpy())
    status_state = _at(rows_of, "outlet_status_state")
    status = np.where(status_state == READ, _at(rows_of, "outlet_status"), "")
    stay = np.flatnonzero(status != REMOVED)
    if not len(stay):
        raise GraderError(say["nothing_left"].format(site=site))
    outlets, status, status_state = outlets.iloc[stay], status[stay], status_state[stay]
    rows_of = _Outlets(here, outlets["identity"].to_numpy())

    rows: list[dict[str, Any]] = [{} for _ in stay]
    notes: list[dict[str, str]] = [{} for _ in stay]
    named = _at(rows_of, "outlet_given").astype(bool)
    for row, name, given in zip(rows, _at(rows_of, "outlet"), named):
        row["outlet"] = name if given else None
    for field in LASTING:
        values, outdated = _latest(rows_of, field)
        for i in np.flatnonzero(values != ""):
            rows[i][field] = values[i]
        for i in np.flatnonzero(outdated != ""):
            notes[i][field] = say["older_value"].format(day=outdated[i] or say["undated"])
    visit = _visit(here, rows_of, rows)
    for i in np.flatnonzero(status == "locked off"):
        rows[i]["outlet_status"] = "locked off"
    for i in np.flatnonzero(status_state == UNREADABLE):
        notes[i]["outlet_status"] = say["status_unreadable"]
    _past(rows_of, notes, say, local)
    last = _last_tests(rows_of)
    found = _on_due(rows_of, due)
    state = np.where(found >= 0, text(due, "State")[found], "") if len(due) else np.full(len(found), "", dtype=object)
    when = _due_texts(due, found, say, local)
    outlet_notes = _outlet_notes(rows_of, last, when, outlets["missed"].to_numpy(), named, say, local)
    for mine, note in zip(notes, outlet_notes):
        mine["outlet"] = f"{note}\n{mine['outlet']}" if "outlet" in mine else note
    for row, failed in zip(rows, _failed_last_time(rows_of, last, state, local)):
        if failed:
            row[LAST_TIME] = failed
    known = site_known(here)
    hints, clear = _at_altitude(known, rows, notes, say, local)
    tested = here.iloc[last[last >= 0]]
    page = last_time_page(tested, here, known, clear, actions, plant, list(files), every)
    return NextVisit(visit, rows, notes, hints, page)


def sites_due(plan: pd.DataFrame, due: pd.DataFrame, as_of: object, months: int = 1) -> dict[tuple[str, str], int]:
    """Sites that the Plan has within its first months; in the first, also those with something due within 14 days.

    plan    : the Plan table, one row a month and site. due : the Due table. as_of : day of the run.
    months  : of the Plan, its first one that of the run.
    Returns : (site, client) -> how many of its outlets fall due by then, in the order of the Plan, client "" where none
              is given. A site without a client is the same as the one of that name with the only client.
    """
    first = as_day(as_of).astype("datetime64[M]")
    month = text(plan, "Month").astype("datetime64[M]") if len(plan) else np.empty(0, dtype="datetime64[M]")
    days = pd.to_numeric(due["Days left"]).to_numpy(dtype=float, na_value=np.nan)
    soon = (text(due, "State") != REMOVED) & (days <= SOON_DAYS)
    # Those of the Plan by then, then outlets due within days in a later month.
    soon &= due["Next due"].to_numpy().astype("datetime64[M]") >= first + months
    wanted = month < first + months
    counted = [
        *zip(text(plan, "Site")[wanted], text(plan, "Client")[wanted], plan["Outlets due"].to_numpy()[wanted].tolist()),
        *((s, c, 1) for s, c in zip(text(due, "Site")[soon], text(due, "Client")[soon])),
    ]
    # Search key of the site -> that of the client -> the client as written.
    clients: dict[str, dict[str, str]] = {}
    for s, c in dict.fromkeys(zip(text(due, "Site"), text(due, "Client"))):
        if c:
            clients.setdefault(_search_key(s), {}).setdefault(_search_key(c), c)
    named: dict[tuple[str, str], tuple[str, str]] = {}
    found: dict[tuple[str, str], int] = {}
    for s, c, outlets in counted:
        known = clients.get(_search_key(s), {})
        if not c and len(known) == 1:
            c = next(iter(known.values()))
        name = named.setdefault((_search_key(s), _search_key(c)), (s, c))
        found[name] = found.get(name, 0) + int(outlets)
    return found


def safe_file_name(site: str, client: str | None = None, taken: Collection[str] = ()) -> str:
    """A file name for a site's blank that every system accepts; letters of any script are kept.

    site, client : names; a client is put behind the site.
    taken        : names that are used already; case does not matter. A further one gets a number.
    Returns      : str ending in .xlsx, at most 180 bytes of UTF-8 and the number.

    >>> safe_file_name("Yard 3/4: north."), safe_file_name("con")
    ('Yard 3-4- north.xlsx', 'con_.xlsx')
    >>> safe_file_name("Bay", "Ash", ["bay (ash).xlsx"])
    'Bay (Ash) (2).xlsx'
    """
    name = unicodedata.normalize("NFC", f"{site} ({client})" if client else site)
    name = _FORBIDDEN.sub("-", name)
    # Control, format (such as right-to-left marks), private and unassigned characters go.
    name = "".join(
        " " if c.isspace() else c for c in name if c.isspace() or not unicodedata.category(c).startswith("C")
    )
    name = " ".join(name.split()).lstrip("-~.$= ")
    room = LONGEST_FILE_NAME_BYTES - len(ENDING)
    name = name.encode()[:room].decode(errors="ignore").rstrip(". ")
    if not name:
        name = "site"
    # "con.north" counts as the device too: what stands before the first point decides.
    first, point, rest = name.partition(".")
    if first.rstrip().upper() in _DEVICES:
        name = f"{first.rstrip()}_{point}{rest}"
    used = {unicodedata.normalize("NFC", t).casefold() for t in taken}
    file_name, number = name + ENDING, 1
    while file_name.casefold() in used:
        number += 1
        file_name = f"{name} ({number}){ENDING}"
    return file_name


# -- the site --------------------------------------------------------------------------------------------


def _search_key(name: str) -> str:
    """A name as it is searched for: its letters and digits only, without zeros in front.

    Coarser than the identity of sites (`tests.site_key`), which it is compared with in the same form; where
    two sites become one by it the exact name is asked for.
    """
    folded = unicodedata.normalize("NFKC", name).casefold()
    tokens = re.findall(r"[^\W\d_]+|\d+", folded)
    return " ".join(t.lstrip("0") or "0" if t.isdigit() else t for t in tokens) or folded.strip()


def _site_key(tests: pd.DataFrame, site: str, client: str | None, say: dict[str, str]) -> str:
    """The one site_key that the names mean."""
    sites = _sites(tests)
    if sites.empty:
        raise GraderError(say["no_tests"])
    fits = sites[sites["search"] == _search_key(site)]
    if fits.empty:
        raise GraderError(say["no_site"].format(site=site, nearest=_nearest(sites, site, say)))
    exact = fits[fits["site"] == site]
    spelled = fits["site_part"].nunique() > 1
    if spelled:
        if exact["site_part"].nunique() != 1:
            raise GraderError(say["which_site"].format(site=site, names=_names(fits["site"], say)))
        fits = fits[fits["site_part"] == exact["site_part"].iloc[0]]
    if client is None or fits["site_key"].nunique() == 1 and not client:
        if fits["site_key"].nunique() > 1:
            raise GraderError(say["which_client"].format(site=site, names=_clients(fits, say)))
        return fits["site_key"].iloc[0]
    mine = fits[fits["client_search"] == _search_key(client)]
    if mine["site_key"].nunique() > 1:
        mine = mine[mine["client"] == client]
    if mine["site_key"].nunique() != 1:
        raise GraderError(say["no_client"].format(site=site, client=client, names=_clients(fits, say)))
    return mine["site_key"].iloc[0]


def _sites(tests: pd.DataFrame) -> pd.DataFrame:
    """Distinct spellings: site_key, its site part, site and client as written, and their search keys."""
    counted = ~tests["replaced"].to_numpy()
    key, site, client = (text(tests, name)[counted] for name in ("site_key", "site", "client"))
    codes = [pd.factorize(column) for column in (key, site, client)]
    distinct = pd.DataFrame({i: c for i, (c, _) in enumerate(codes)}).drop_duplicates()
    sites = pd.DataFrame(
        {
            name: codes[i][1][distinct[i].to_numpy()] if len(distinct) else []
            for i, name in enumerate(("site_key", "site", "client"))
        },
        dtype=object,
    )
    sites["site_part"] = [k.split("\1")[-1] for k in sites["site_key"]]
    sites["search"] = [_search_key(s) for s in sites["site"]]
    # A blank client may have been given its site's only one: the key says which it counts under.
    given = {k: c for k, c in zip(sites["site_key"], sites["client"]) if c}
    sites["client"] = [c or given.get(k, "") for k, c in zip(sites["site_key"], sites["client"])]
    sites["client_search"] = [_search_key(c) for c in sites["client"]]
    return sites


def _nearest(sites: pd.DataFrame, site: str, say: dict[str, str]) -> str:
    by_search = dict(zip(sites["search"], sites["site"]))
    near = difflib.get_close_matches(_search_key(site), list(by_search), n=5, cutoff=0.5)
    part = [s for s in by_search if _search_key(site) in s and s not in near and _search_key(site)]
    if near or part:
        return say["nearest"].format(names=_names([by_search[s] for s in (*part, *near)], say))
    return say["sites"].format(names=_names(by_search.values(), say))


def _names(names, say: dict[str, str], most: int = 5) -> str:
    different = list(dict.fromkeys(names))
    shown = ", ".join(different[:most])
    more = len(different) - most
    return say["and_more"].format(names=shown, count=more) if more > 0 else shown


def _clients(fits: pd.DataFrame, say: dict[str, str]) -> str:
    return _names([c or say["client_not_given"] for c in fits.drop_duplicates("site_key")["client"]], say)


# -- its outlets -----------------------------------------------------------------------------------------


class _Outlets:
    """The tests of one site, oldest first, and which of the outlets (by place in the blank) each belongs to.

    tests  : DataFrame, m rows. outlet : int array of shape (m,), -1 where its outlet is not in the blank.
    n      : number of outlets. last   : int array of shape (n,), position of each one's latest row.
    """

    def __init__(self, tests: pd.DataFrame, identities: np.ndarray) -> None:
        self.tests, self.n = tests, len(identities)
        self.outlet = pd.Index(identities).get_indexer(tests["identity"].to_numpy())
        self.last = self.latest(np.ones(len(tests), dtype=bool))

    def latest(self, where: np.ndarray) -> np.ndarray:
        """Position of each outlet's latest row among those; -1 where it has none."""
        position = np.full(self.n, -1, dtype=np.int64)
        at = np.flatnonzero(where & (self.outlet >= 0))
        np.maximum.at(position, self.outlet[at], at)
        return position


def _at(rows_of: _Outlets, name: str) -> np.ndarray:
    """A column in each outlet's latest row, shape (n,)."""
    return rows_of.tests[name].to_numpy()[rows_of.last]


def _oldest_first(here: pd.DataFrame) -> np.ndarray:
    """Positions in order of time; undated tests first, a test before the later one that overrules it."""
    day = here["test_day"].to_numpy().astype("datetime64[D]").astype(np.int64)
    day = np.where(here["dated"].to_numpy(), day, np.iinfo(np.int64).min)
    minutes = np.nan_to_num(here["test_time"].to_numpy(dtype=float), nan=-1.0)
    place = [here[name].to_numpy() for name in ("column", "row", "table", "file")]
    return np.lexsort((*place, minutes, ~here["superseded"].to_numpy(), day))


def _outlets(here: pd.DataFrame) -> pd.DataFrame:
    """The outlets in order: those of the last round as they stand in its file, then those of other visits.

    Returns : identity, and missed (str: day of the last round where the outlet was left out of it, else "").
    """
    day = here["test_day"].to_numpy().astype("datetime64[D]")
    dated = here["dated"].to_numpy() & (here["visit"].to_numpy() >= 0)
    visit = np.where(dated, here["visit"].to_numpy(), -1)
    whole = dated & ~np.isin(text(here, "visit_reason"), PARTIAL_VISITS)
    frame = pd.DataFrame({"visit": visit, "day": day.astype(np.int64), "whole": whole})[dated]
    visits = frame.groupby("visit").agg(day=("day", "max"), whole=("whole", "any"))
    visits = visits.sort_values("day", ascending=False)
    last_round = visits.index[visits["whole"].to_numpy()][:1] if visits["whole"].any() else visits.index[:1]
    in_order = [*last_round, *(v for v in visits.index if v not in last_round)]
    rank = pd.Index(in_order, dtype=np.int64).get_indexer(visit)
    rank = np.where(rank < 0, len(in_order), rank)
    given = here["outlet_given"].to_numpy().astype(bool)
    place = ["file", "table", "row", "column"]
    table = here[["identity", *place]].assign(rank=rank, day=day.astype("datetime64[s]"))
    table = table[given | (rank == 0)]
    ordered = table.sort_values(["rank", *place]).drop_duplicates("identity")
    missed = np.full(len(ordered), "", dtype=object)
    if len(last_round):
        last_day = np.datetime64(int(visits.loc[last_round[0], "day"]), "D")
        first_seen = table.groupby("identity")["day"].min().reindex(ordered["identity"]).to_numpy()
        missed[(ordered["rank"].to_numpy() > 0) & (first_seen < last_day)] = str(last_day)
    return pd.DataFrame({"identity": ordered["identity"].to_numpy(), "missed": missed})


def _latest(rows_of: _Outlets, field: str) -> tuple[np.ndarray, np.ndarray]:
    """Each outlet's latest value of a field that could be read, and its day if something unreadable followed.

    Returns : two object arrays of shape (n,), "" where there is none. A bound is its text.
    """
    tests = rows_of.tests
    number = FIELDS[field].kind == "number"
    columns = tests[[field, f"{field}_text"] if number else [field]]
    state = tests[f"{field}_state"].to_numpy()
    has_value = text(columns, f"{field}_text" if number else field) != ""
    if number:
        has_value |= ~np.isnan(columns[field].to_numpy(dtype=float))
    known = rows_of.latest((state == READ) & has_value)
    written = rows_of.latest(state != BLANK)
    values = np.full(rows_of.n, "", dtype=object)
    found = np.flatnonzero(known >= 0)
    chosen = columns.iloc[known[found]]
    values[found] = _plain_figures(as_read(chosen, field)) if number else text(chosen, field)
    outdated = np.full(rows_of.n, "", dtype=object)
    older = np.flatnonzero((known >= 0) & (written > known))
    outdated[older] = _days(tests, known[older])
    return values, outdated


def _plain_figures(values: np.ndarray) -> np.ndarray:
    """Figures without the dust of a conversion of units: ten digits, as they are printed elsewhere."""
    figures = np.empty(len(values), dtype=object)
    figures[:] = [float(f"{v:.10g}") if isinstance(v, float) else v for v in values]
    return figures


def _days(tests: pd.DataFrame, at: np.ndarray) -> np.ndarray:
    day = tests["test_day"].to_numpy()[at].astype("datetime64[D]")
    return np.where(tests["dated"].to_numpy()[at], day.astype(str), "").astype(object)


def _visit(here: pd.DataFrame, rows_of: _Outlets, rows: list[dict[str, Any]]) -> dict[str, Any]:
    """Labels of Visit; a shared one that differs between outlets goes into their rows instead."""
    visit: dict[str, Any] = {}
    if here["site_given"].to_numpy()[-1]:
        visit["site"] = text(here, "site")[-1]
    for name in ("site_address", "client"):
        given = text(here, name)
        given = given[given != ""]
        if len(given):
            visit[name] = given[-1]
    for name in SHARED:
        values, _ = _latest(rows_of, name)
        different = pd.unique(values)
        if len(different) == 1:
            if different[0] != "":
                visit[name] = different[0]
            continue
        for i in np.flatnonzero(values != ""):
            rows[i][name] = values[i]
    return visit


# -- notes -----------------------------------------------------------------------------------------------


def _past(rows_of: _Outlets, notes: list[dict[str, str]], say: dict[str, str], local: Local) -> None:
    """The last values of each reading as notes on its empty cell, latest first."""
    tests = rows_of.tests
    counts = (rows_of.outlet >= 0) & _in_history(tests) & ~tests["superseded"].to_numpy()
    chosen = {}
    for field in PAST_FIELDS:
        at = np.flatnonzero(counts & (tests[f"{field}_state"].to_numpy() == READ))
        age = pd.Series(rows_of.outlet[at]).groupby(rows_of.outlet[at]).cumcount(ascending=False).to_numpy()
        chosen[field] = at[age < PAST_VALUES][::-1]
    if sum(len(np.unique(rows_of.outlet[at])) for at in chosen.values()) > MOST_PAST_NOTES:
        notes[0]["outlet"] = say["past_left_out"]
        return
    for field, at in chosen.items():
        number = FIELDS[field].kind == "number"
        columns = tests[[field, f"{field}_text"] if number else [field]].iloc[at]
        shown = as_read(columns, field) if number else text(columns, field)
        months = tests["test_day"].to_numpy()[at].astype("datetime64[M]").astype(str)
        lines: dict[int, list[str]] = {}
        for i, month, value in zip(rows_of.outlet[at], months, shown):
            lines.setdefault(i, []).append(f"{month}: {local.word(_with_unit(value, FIELDS[field].unit))}")
        sentence = say["usual_multiplier" if field == "water_multiplier" else "before"]
        for i, parts in lines.items():
            notes[i][field] = local.figures(sentence.format(values="; ".join(parts)))


def _with_unit(shown: Any, unit: str) -> str:
    figure = f"{shown:.10g}" if isinstance(shown, float) else str(shown)
    if not unit or figure[-1:].isalpha():  # a word of the trade, such as stain, has no unit
        return figure
    return f"{figure} {unit}"


def _in_history(tests: pd.DataFrame) -> np.ndarray:
    return tests["dated"].to_numpy() & tests["visited"].to_numpy() & (tests["repeat_of"].to_numpy() < 0)


def _last_tests(rows_of: _Outlets) -> np.ndarray:
    """Position of each outlet's last test that counts, -1 where there is none; of a day's that differ, the worst."""
    tests = rows_of.tests
    counts = _in_history(tests) & ~tests["superseded"].to_numpy()
    last = rows_of.latest(counts)
    day = tests["test_day"].to_numpy().astype("datetime64[D]")
    verdict = tests["verdict"].to_numpy()
    at = np.flatnonzero(counts & (rows_of.outlet >= 0))
    at = at[day[at] == day[last[rows_of.outlet[at]]]]
    at = at[np.argsort(verdict[at], kind="stable")]
    last[rows_of.outlet[at]] = at
    return last


def _outlet_notes(
    rows_of: _Outlets,
    last: np.ndarray,
    next_due: list[str],
    missed: np.ndarray,
    named: np.ndarray,
    say: dict[str, str],
    local: Local,
) -> list[str]:
    """The last result beside each outlet: day, verdict, reasons in short, when it is next due."""
    tests = rows_of.tests
    days, verdict, reasons = _days(tests, last), tests["verdict"].to_numpy(), text(tests, "reasons")
    notes = []
    for i, position in enumerate(last):
        lines = [] if named[i] else [say["no_name"]]
        if position < 0:
            lines.append(say["no_test"])
        else:
            word, why = local.word(TEST_WORDS[verdict[position]]), local.text(_shortened(reasons[position]))
            lines.append(say["last"].format(day=days[i], verdict=word, reasons=why).strip())
        if missed[i]:
            lines.append(say["left_out"].format(day=missed[i]))
        if next_due[i]:
            lines.append(next_due[i])
        notes.append("\n".join(lines))
    return notes


def _failed_last_time(rows_of: _Outlets, last: np.ndarray, state: np.ndarray, local: Local) -> list[str]:
    """The word that marks an outlet which is not to be used, with the day of its last test; "" for the others."""
    days, verdict = _days(rows_of.tests, last), rows_of.tests["verdict"].to_numpy()[last]
    open_verdict = (last >= 0) & np.isin(verdict, (TEST_FAIL, TEST_INCOMPLETE))
    marks = []
    for i, stands in enumerate(state):
        if open_verdict[i]:
            marks.append(f"{local.word(TEST_WORDS[verdict[i]])}, {days[i]}")
        else:
            marks.append(local.word(stands) if stands in STATES_NOW and stands != "overdue" else "")
    return marks


def _at_altitude(
    known: SiteKnown, rows: list[dict[str, Any]], notes: list[dict[str, str]], say: dict[str, str], local: Local
) -> tuple[dict[str, str], str]:
    """What stands beside the fields where tubes are read at altitude, and the minutes that `clear` needs there.

    Each outlet's minutes are put among the notes; where the outlets differ the shortest and the longest are printed.
    """
    if not known.low:
        return {}, ""
    needed = oil_needed(rows)
    hpa = f"{known.usual_hpa:.0f}"
    for note, need in zip(notes, needed):
        clear = say["clear_needs"].format(hpa=hpa, minutes=local.figures(known.clear_minutes(need)))
        note["oil_sampling_min"] = f"{clear}\n{note.get('oil_sampling_min', '')}".strip()
    ends = dict.fromkeys(known.clear_minutes(need) for need in (min(needed), max(needed)))
    minutes = local.figures(say["from_to"].join(ends))
    sentence = say["clear_needs"].format(hpa=hpa, minutes=minutes)
    return dict.fromkeys((ATMOSPHERIC, "oil_sampling_min"), sentence), minutes


def _shortened(reasons: str) -> str:
    """The first reasons that fit a note; the reasons stand worst first."""
    if not reasons:
        return ""
    kept = ""
    for reason in reasons.split("; "):
        longer = f"{kept}; {reason}" if kept else reason
        if kept and len(longer) > LONGEST_REASONS:
            return f"{kept} …"
        kept = longer
    return kept if len(kept) <= 2 * LONGEST_REASONS else f"{kept[: 2 * LONGEST_REASONS]} …"


def _on_due(rows_of: _Outlets, due: pd.DataFrame) -> np.ndarray:
    """Row of the Due table of each outlet, by its name and system; -1 where it is not there."""
    names = [text(rows_of.tests, name)[rows_of.last] for name in ("outlet", "system")]
    sites = {_search_key(s) for s in pd.unique(text(rows_of.tests, "site"))}
    clients = {_search_key(c) for c in pd.unique(text(rows_of.tests, "client"))} | {_search_key("")}
    by_site = np.isin(text(due, "Site"), [s for s in pd.unique(text(due, "Site")) if _search_key(s) in sites])
    by_client = np.isin(text(due, "Client"), [c for c in pd.unique(text(due, "Client")) if _search_key(c) in clients])
    mine = np.flatnonzero(by_site & by_client)
    # As written first, then as searched for, then by the name alone where only one outlet has it.
    exact: dict[tuple[str, str], int] = {}
    alike: dict[tuple[str, str], int] = {}
    named: dict[str, list[int]] = {}
    for j, outlet, system in zip(mine.tolist(), text(due, "Outlet")[mine], text(due, "System")[mine]):
        exact.setdefault((outlet, system), j)
        alike.setdefault((_search_key(outlet), _search_key(system)), j)
        named.setdefault(_search_key(outlet), []).append(j)
    found = np.full(len(names[0]), -1, dtype=np.int64)
    for i, (outlet, system) in enumerate(zip(*names)):
        same_name = named.get(_search_key(outlet), [])
        found[i] = exact.get((outlet, system), alike.get((_search_key(outlet), _search_key(system)), -1))
        if found[i] < 0 and len(same_name) == 1:
            found[i] = same_name[0]
    return found


def _due_texts(due: pd.DataFrame, found: np.ndarray, say: dict[str, str], local: Local) -> list[str]:
    """When each outlet is next due; "" where it is not on Due."""
    state, when = text(due, "State"), due["Next due"].to_numpy(dtype=object)
    texts = []
    for j in found:
        if j < 0:
            texts.append("")
        elif pd.isna(when[j]):
            texts.append(say["next_due_unknown"].format(state=local.word(state[j])))
        else:
            texts.append(say["next_due"].format(day=pd.Timestamp(when[j]).date(), state=local.word(state[j])))
    return texts
