"""Identity of sites, outlets and visits; stand-in names; repeats, conflicts, replaced files.

One table of tests in, the same table with these columns more:
site, client, outlet, system  text, with stand-ins where blank (site_given, outlet_given say which)
site_key, identity            str key of client and site; int code of client + site + outlet (+ system)
test_day                      datetime64[s] at midnight, NaT where not known; dated: it is not after `as_of`
aside                         its name is that of a gas, outside air or a rule, and of no outlet (outlet_given is false)
visited                       has an odour or any reading
visit                         int code of the visit, -1 without date
repeat_of                     test number that this one repeats, -1 where it repeats none
same_day                      int code of the tests of one outlet on one day, repeats apart; -1 where alone
superseded                    a later retest (or a later time) of that day rules instead
conflict                      same day, different readings, and nothing says which is the later
replaced                      a later file says that it replaces this one
Nothing is dropped.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import lru_cache
from pathlib import PurePosixPath

import numpy as np
import pandas as pd

from grader.columns import BLANK, EVIDENCE_FIELDS, FIELDS, NO_NAME, READ, SITE_NOT_GIVEN, UNREADABLE
from grader.data import load_toml
from grader.frames import by_unique, group_codes, once_each, text, with_columns
from grader.natural import name_key
from grader.problems import Problems

# What a verdict can rest on; names, remarks, lots and the date itself are left out.
_VERDICT_FIELDS = [
    f.name
    for f in FIELDS.values()
    if f.name in ("rule_set",) or (f.kind != "text" and f.name not in ("test_date", "interval_months"))
]
NIGHT_BEFORE_MIN, NIGHT_APART_MIN = 6 * 60, 12 * 60  # design: a night shift
VISIT_DAYS = 7  # design, History: all tests of one site in one file within 7 days


def normalise(
    tests: pd.DataFrame,
    file_names: list[str],
    problems: Problems,
    as_of: np.datetime64,
    same: Mapping[str, Mapping[str, str]] | None = None,
) -> pd.DataFrame:
    """The table with identity, visits and what counts; see the module's text.

    tests      : table of tests from read_cells, n rows.
    file_names : name of each file, by file number.
    as_of      : datetime64[D]. Tests after it count for nothing in history; asked about once they are judged.
    same       : client, site, system, outlet -> name as written -> the name that it means.
    Returns    : table of n rows, same index.
    """
    tests = _settled(tests, same or {}, problems)
    tests = _names(tests, file_names, problems, same or {})
    tests = _days(tests, problems, as_of)
    tests = _identity(tests, problems)
    tests = _visits(tests)
    tests = _same_name_twice(tests)
    tests = _replaced(tests, file_names, problems)
    return _same_day(tests, file_names, problems)


def _settled(tests: pd.DataFrame, same: Mapping[str, Mapping[str, str]], problems: Problems) -> pd.DataFrame:
    """The names that a firm has settled, noted; {kind}_as_written (text) keeps what stood there where it differs."""
    new = {}
    for kind in ("client", "site", "system", "outlet"):
        written = text(tests, kind)
        settled = as_settled(written, same.get(kind, {}))
        changed = settled != written
        number = tests.index.to_numpy()[changed]
        problems.add_tests("name_settled", number, kind, written[changed].tolist(), means=settled[changed])
        new[kind], new[f"{kind}_as_written"] = settled, np.where(changed, written, "").astype(object)
    return with_columns(tests, new)


_ASIDE_PARTS = re.compile(r"[^\W\d_]+|\d+")


@lru_cache(maxsize=20_000)
def is_aside(name: str) -> bool:
    """Whether an outlet's name holds the words for a gas, outside air or a rule set alone, and nothing of an outlet.

    >>> is_aside("Span gas"), is_aside("Check gas bottle no. 2"), is_aside("EN 12021"), is_aside("Gas store 2")
    (True, True, True, False)
    """
    rows = load_toml("limits_reading.toml")["rows"]
    parts = _ASIDE_PARTS.findall(name.casefold())
    rest = " ".join(p for p in parts if not p.isdigit() and p not in rows["aside_beside_words"])
    rules = parts[:1] and parts[0] in rows["rule_names"] and len(parts) > 1 and set(parts) <= set(rows["rule_words"])
    return rest in rows["aside_words"] or bool(rules)


def as_settled(written: np.ndarray, same: Mapping[str, str]) -> np.ndarray:
    """The names that these mean, where it is settled: object (n,). same : name as written -> the name that it means."""
    means = {name_key(name): meaning for name, meaning in same.items()}

    def settle(name: str) -> str:
        seen: set[str] = set()
        while name and (key := name_key(name)) in means and key not in seen:
            seen.add(key)
            name = means[key]
        return name

    return by_unique(written, settle) if means else written


def _names(
    tests: pd.DataFrame, file_names: list[str], problems: Problems, same: Mapping[str, Mapping[str, str]]
) -> pd.DataFrame:
    new = {f.name: text(tests, f.name) for f in FIELDS.values() if f.kind in ("text", "word")}
    file = tests["file"].to_numpy()
    row = tests["row"].to_numpy()
    column = tests["column"].to_numpy()
    number = tests.index.to_numpy()
    new["site_given"] = new["site"] != ""
    # A gas or outside air among the outlets is graded, and is no outlet until a layout file says that it is one.
    settled = {name_key(n) for pair in same.get("outlet", {}).items() for n in pair}
    new["aside"] = by_unique(new["outlet"], lambda n: is_aside(n) and name_key(n) not in settled).astype(bool)
    problems.add_tests("row_aside", number[new["aside"]], "outlet")
    new["outlet_given"] = (new["outlet"] != "") & ~new["aside"]
    missing = ~new["site_given"]
    stems = _stand_in_sites(file_names)
    problems.add_tests("no_site", number[missing], "site")
    new["site"][missing] = stems[file[missing]] + f" {SITE_NOT_GIVEN}"
    missing = new["outlet"] == ""
    where = [f"row {r + 1}" if c < 0 else f"column {c + 1}" for r, c in zip(row[missing], column[missing])]
    stand_in = [f"{NO_NAME}{file_names[f]} {w})" for f, w in zip(file[missing], where)]
    new["outlet"][missing] = stand_in
    problems.add_tests("no_outlet_name", number[missing], "outlet", stand_in=stand_in)
    evidence = np.zeros(len(tests), dtype=bool)
    for name in EVIDENCE_FIELDS:
        evidence |= tests[f"{name}_state"].to_numpy() != BLANK
    evidence |= tests["laboratory_reference_state"].to_numpy() != BLANK  # somebody was there and took a sample
    new["visited"] = evidence
    out_of_use = np.isin(new["outlet_status"], ["locked off", "removed"])
    problems.add_tests("not_visited", number[~evidence & ~out_of_use], "outlet")
    problems.add_tests(
        "not_visited_out_of_use",
        number[~evidence & out_of_use],
        "outlet_status",
        status=new["outlet_status"][~evidence & out_of_use],
    )
    return with_columns(tests, new)


def _stand_in_sites(file_names: list[str]) -> np.ndarray:
    """A name for the site of each file that gives none: the file's, with its folders where two share it."""
    short = [PurePosixPath(n).stem for n in file_names] or [""]
    whole = [str(PurePosixPath(n).with_suffix("")) for n in file_names]
    return np.array([whole[i] if short.count(name) > 1 else name for i, name in enumerate(short)], dtype=object)


def _days(tests: pd.DataFrame, problems: Problems, as_of: np.datetime64) -> pd.DataFrame:
    day = tests["test_date"].to_numpy().astype("datetime64[D]")
    known = ~np.isnat(day)
    number = tests.index.to_numpy()
    blank = tests["test_date_state"].to_numpy() == BLANK
    problems.add_tests("no_date", number[~known & blank], "test_date")
    # pandas keeps no day unit: seconds at midnight stand for the day.
    return with_columns(tests, {"test_day": day.astype("datetime64[s]"), "dated": known & (day <= as_of)})


def _identity(tests: pd.DataFrame, problems: Problems) -> pd.DataFrame:
    site_key = by_unique(text(tests, "site"), name_key)
    file = tests["file"].to_numpy()
    missing = ~tests["site_given"].to_numpy()
    site_key[missing] = [f"\0file {f}" for f in file[missing]]
    client_key = by_unique(text(tests, "client"), lambda name: name_key(name) if name else "")
    # A client left blank belongs to the site's only client; with two clients of one site name it stays apart.
    given = client_key != ""
    pairs = pd.DataFrame({"site": site_key[given], "client": client_key[given]}).drop_duplicates()
    clients = pairs.groupby("site")["client"].agg(["size", "first"])
    only = clients["first"][clients["size"] == 1].to_dict()
    several = clients["size"] > 1
    client_key[~given] = by_unique(site_key[~given], lambda s: only.get(s, ""))
    unsure = ~given & np.isin(
        pd.factorize(site_key)[0], np.flatnonzero([bool(several.get(s, False)) for s in pd.unique(site_key)])
    )
    problems.add_tests("client_missing", tests.index.to_numpy()[unsure], "client")
    outlet_key = by_unique(text(tests, "outlet"), name_key)
    nameless = ~tests["outlet_given"].to_numpy()
    outlet_key[nameless] = [f"\0test {i}" for i in tests.index.to_numpy()[nameless]]
    whole = client_key + "\1" + site_key
    return with_columns(
        tests,
        {
            "site_key": once_each(whole),
            "outlet_key": outlet_key,
            "system_key": by_unique(text(tests, "system"), name_key),
            "location_key": by_unique(text(tests, "location"), name_key),
            "identity": group_codes(whole, outlet_key),
        },
    )


def _visits(tests: pd.DataFrame) -> pd.DataFrame:
    """Visit codes: one site, one file, within 7 days; or several files on the same days."""
    visit = np.full(len(tests), -1, dtype=np.int64)
    day = tests["test_day"].to_numpy().astype("datetime64[D]")
    known = np.flatnonzero(~np.isnat(day))
    if not len(known):
        return with_columns(tests, {"visit": visit})
    site = group_codes(tests["site_key"].to_numpy(dtype=object))[known]
    days = day[known].astype(np.int64)
    keys = pd.DataFrame({"site": site, "file": tests["file"].to_numpy()[known], "day": days})
    unique = keys.drop_duplicates().sort_values(["site", "file", "day"], ignore_index=True)
    # One step a visit day, not a row: from the visit's first day on, then files that share a day are one.
    visits, start, last = [], 0, (None, None)
    current = -1
    for s, f, d in unique.itertuples(index=False):
        if (s, f) != last or d - start > VISIT_DAYS:
            current, start, last = current + 1, d, (s, f)
        visits.append(current)
    unique["visit"] = visits
    parent = list(range(current + 1))

    def root(v: int) -> int:
        while parent[v] != v:
            parent[v] = parent[parent[v]]
            v = parent[v]
        return v

    shared = unique.drop_duplicates(["site", "day", "visit"])
    first: dict[tuple[int, int], int] = {}
    for s, d, v in zip(shared["site"], shared["day"], shared["visit"]):
        other = first.setdefault((s, d), v)
        if root(other) != root(v):
            parent[max(root(other), root(v))] = min(root(other), root(v))
    unique["visit"] = [root(v) for v in unique["visit"]]
    joined = keys.merge(unique, on=["site", "file", "day"], how="left", validate="many_to_one")
    visit[known] = pd.factorize(joined["visit"].to_numpy())[0]
    return with_columns(tests, {"visit": visit})


def _same_name_twice(tests: pd.DataFrame) -> pd.DataFrame:
    """System (or location) is part of an identity that one visit holds twice with different ones."""
    visit = tests["visit"].to_numpy()
    identity = tests["identity"].to_numpy()
    system = tests["system_key"].to_numpy(dtype=object)
    location = tests["location_key"].to_numpy(dtype=object)
    usable = (visit >= 0) & tests["outlet_given"].to_numpy()
    by_system = _named_twice(identity, system, [visit], usable)
    # The same location written in two ways by two files would hide a conflict: one file must hold both.
    by_location = _named_twice(identity, location, [visit, tests["file"].to_numpy()], usable)
    by_location = np.setdiff1d(by_location, by_system)
    extra = np.full(len(tests), "", dtype=object)
    use_system = np.isin(identity, by_system)
    extra[use_system] = system[use_system]
    use_location = np.isin(identity, by_location)
    extra[use_location] = extra[use_location] + "\2" + location[use_location]
    if not (use_system.any() or use_location.any()):
        return tests
    return with_columns(tests, {"identity": group_codes(identity, extra)})


def _named_twice(identity: np.ndarray, detail: np.ndarray, within: list[np.ndarray], usable: np.ndarray) -> np.ndarray:
    """Identities that have two different details within one visit (and file). A blank tells none apart."""
    told = usable & (detail != "")
    pairs = pd.DataFrame(
        {
            "identity": identity[told],
            "group": group_codes(identity, *within)[told],
            "detail": pd.factorize(detail[told])[0],
        }
    ).drop_duplicates()
    return pairs["identity"][pairs.duplicated("group")].unique()


def _replaced(tests: pd.DataFrame, file_names: list[str], problems: Problems) -> pd.DataFrame:
    """Which tests a later file replaces, and by which test: of the same outlet, site and date, row by row.

    A test of the replaced visit whose outlet the new file does not hold goes on counting, queried; a file of another
    site or date replaces nothing, queried. Replaces site and Replaces date name those of the old file, to correct them.
    """
    n = len(tests)
    named, file, number = text(tests, "replaces_file"), tests["file"].to_numpy(), tests.index.to_numpy()
    by = np.full(n, -1, dtype=np.int64)
    goes: dict[int, set[int]] = {}
    target = np.full(n, -1, dtype=np.int64)
    pairs = pd.DataFrame({"file": file, "name": named})[named != ""].drop_duplicates()
    for f, name in pairs.itertuples(index=False):
        rows = np.flatnonzero((file == f) & (named == name))
        found = _files_named(str(name), file_names, beside=file_names[f])
        if len(found) == 1:
            goes.setdefault(int(f), set()).add(found[0])
            target[rows] = found[0]
        else:
            code = "replaces_unknown_file" if not found else "replaces_several_files"
            problems.add_tests(code, number[rows[:1]], "replaces_file", name=name)

    def leads_back(start: int) -> bool:
        seen, todo = set(), list(goes.get(start, ()))
        while todo:
            at = todo.pop()
            if at == start:
                return True
            if at not in seen:
                seen.add(at)
                todo.extend(goes.get(at, ()))
        return False

    for f in goes:
        if leads_back(f):
            problems.add("replaces_in_a_circle", file=f, value=file_names[f])
            target[file == f] = -1
    # A correction dated after the day of the run counts for nothing yet.
    future = ~tests["dated"].to_numpy() & ~np.isnat(tests["test_day"].to_numpy())
    unreadable = (tests[f"{name}_state"].to_numpy() == UNREADABLE for name in ("replaces_site", "replaces_date"))
    new = np.flatnonzero((target >= 0) & ~future & ~np.any(list(unreadable), axis=0))
    if not len(new):
        return with_columns(tests, {"replaced": by >= 0, "replaced_by": by})
    site, day, outlet = (
        tests["site_key"].to_numpy(dtype=object),
        tests["test_day"].to_numpy(),
        text(tests, "outlet_key"),
    )
    of_site, of_day = site.copy(), day.copy()
    wrong_site, wrong_day = text(tests, "replaces_site"), tests["replaces_date"].to_numpy()
    for i in new[wrong_site[new] != ""]:
        of_site[i] = site[i].split("\1")[0] + "\1" + name_key(wrong_site[i])
    of_day = np.where(np.isnat(wrong_day), of_day, wrong_day.astype(of_day.dtype))
    old = np.flatnonzero(np.isin(file, target[new]))
    visit = group_codes(np.append(target[new], file[old]), np.append(of_site[new], site[old]),
                        np.append(of_day[new], day[old]).astype(np.int64))  # fmt: skip
    each = group_codes(visit, np.append(outlet[new], outlet[old]))
    seen = tests["visited"].to_numpy()[new] & ~np.isnat(of_day[new])
    visit_new, visit_old = np.split(visit, [len(new)])
    each_new, each_old = np.split(each, [len(new)])
    first = pd.Series(number[new[seen]]).groupby(each_new[seen]).first()
    goes_on = np.isin(visit_old, visit_new[~np.isnat(of_day[new])])
    by[old] = np.where(goes_on, first.reindex(each_old).fillna(-1).to_numpy(dtype=np.int64), -1)
    by[by == number] = -1
    kept = old[goes_on & (by[old] < 0)]
    problems.add_tests("replaced_outlet_kept", number[kept], "outlet")
    other = new[~np.isin(visit_new, visit_old) | np.isnat(of_day[new])]
    for f in np.unique(file[other]):
        rows = other[file[other] == f]
        problems.add_tests("replaces_other_visit", number[rows[:1]], "replaces_file", name=named[rows[0]])
    return with_columns(tests, {"replaced": by >= 0, "replaced_by": by})


def _files_named(name: str, file_names: list[str], beside: str) -> list[int]:
    """Numbers of the files that a name means, with or without its ending, its folders only where given.

    beside : the file that names it; of several that fit the one in its folder is meant.
    """
    found = _fitting(name, file_names)
    folder = PurePosixPath(beside.casefold()).parent
    near = [i for i in found if PurePosixPath(file_names[i].casefold()).parent == folder]
    return near if len(near) == 1 else found


def _fitting(name: str, file_names: list[str]) -> list[int]:
    wanted = PurePosixPath(name.replace("\\", "/").casefold()).parts
    known = [PurePosixPath(n.casefold()) for n in file_names]
    for paths in (known, [p.with_suffix("") for p in known]):
        for length in range(len(wanted), 0, -1):
            found = [i for i, p in enumerate(paths) if p.parts[-length:] == wanted[-length:]]
            if found:
                return found
    return []


def _fingerprint(tests: pd.DataFrame) -> np.ndarray:
    """One uint64 a test over all that a verdict can rest on: equal means a repeat.

    So not only readings: of two copies of which one says that a tube had expired, neither repeats the other.
    """
    total = np.zeros(len(tests), dtype=np.uint64)
    for name in _VERDICT_FIELDS:
        if FIELDS[name].kind == "number":
            parts = [tests[f"{name}_{end}"].to_numpy() for end in ("lower", "upper", "open", "state")]
        else:
            parts = [tests[name].to_numpy(), tests[f"{name}_state"].to_numpy()]
        for part in parts:
            hashed = pd.util.hash_array(part)
            total = (total ^ hashed) * np.uint64(1099511628211) + np.uint64(1)
    return total


def _same_day(tests: pd.DataFrame, file_names: list[str], problems: Problems) -> pd.DataFrame:
    n = len(tests)
    number = tests.index.to_numpy()
    repeat_of = np.full(n, -1, dtype=np.int64)
    superseded = np.zeros(n, dtype=bool)
    conflict = np.zeros(n, dtype=bool)
    same_day = np.full(n, -1, dtype=np.int64)
    day = tests["test_day"].to_numpy()
    usable = ~np.isnat(day) & tests["visited"].to_numpy() & ~tests["replaced"].to_numpy()
    at = np.flatnonzero(usable)
    if len(at):
        group = group_codes(tests["identity"].to_numpy()[at], day[at].astype(np.int64))
        many = np.bincount(group)[group] > 1
        at, group = at[many], group[many]
    if len(at):
        minutes = tests["test_time"].to_numpy(dtype=float)[at]
        whole = group_codes(group, np.nan_to_num(minutes, nan=-1.0), _fingerprint(tests)[at])
        first = pd.Series(at).groupby(whole).transform("first").to_numpy()
        again = first != at
        repeat_of[at[again]] = number[first[again]]
        files = np.array(file_names or [""], dtype=object)
        problems.add_tests(
            "repeat", number[at[again]], "outlet", other=list(files[tests["file"].to_numpy()[first[again]]])
        )
        at, group, minutes = at[~again], group[~again], minutes[~again]
        many = np.bincount(group)[group] > 1
        at, group, minutes = at[many], group[many], minutes[many]
    if len(at):
        same_day[at] = group
        retest = text(tests, "visit_reason")[at] == "retest"
        timed = tests["test_time_state"].to_numpy()[at] == READ
        frame = pd.DataFrame({"group": group, "retest": retest, "timed": timed, "minutes": minutes})
        per = frame.groupby("group")
        size = per["group"].transform("size").to_numpy()
        retests = per["retest"].transform("sum").to_numpy()
        all_timed = per["timed"].transform("all").to_numpy()
        latest = per["minutes"].transform("max").to_numpy()
        at_latest = all_timed & (minutes == latest)
        one_latest = pd.Series(at_latest).groupby(group).transform("sum").to_numpy() == 1
        # Under one date, far apart and one of them before dawn: of a night shift the early hour may be the later test.
        earliest = per["minutes"].transform("min").to_numpy()
        night = all_timed & (earliest < NIGHT_BEFORE_MIN) & (latest - earliest > NIGHT_APART_MIN)
        by_time = all_timed & one_latest & ~night
        # A single retest rules over everything else of that day; times, where all are given, rule first.
        retest_at = pd.Series(np.where(retest & timed, minutes, np.nan)).groupby(group).transform("max").to_numpy()
        in_order = ~(latest > retest_at)  # no test is timed after the retest
        by_retest = ~by_time & (retests == 1) & (size > 1) & in_order
        superseded[at] = (by_time & ~at_latest) | (by_retest & ~retest)
        conflict[at] = ~(by_time | by_retest)
        problems.add_tests("later_test_rules", number[at[superseded[at]]], "outlet")
        problems.add_tests("conflict", number[at[conflict[at]]], "outlet")
    return with_columns(
        tests, {"repeat_of": repeat_of, "same_day": same_day, "superseded": superseded, "conflict": conflict}
    )
