"""The out-of-use notices: one page an outlet, to hang on it; one file a site."""

from __future__ import annotations

import hashlib
import unicodedata
from collections.abc import Mapping
from datetime import date
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from grader.frames import text
from grader.page import Block, Page, Record
from grader.review.actions.findings import Actions
from grader.review.next_visit import safe_file_name
from grader.review.systems import SystemOut, systems_out
from grader.words import DEFAULT_LANGUAGE, Local, words

STATE_PT, RULE_PT, SITE_PT, WHY_PT = 54, 22, 20, 16
NAME_PT = ((10, 80), (18, 54), (40, 36))  # names of up to so many letters: size in points
SMALLEST_NAME_PT = 22
MOST_REASONS = 4  # findings of an outlet that its notice spells out


class Out(NamedTuple):
    """An outlet out of use: "fail" or "incomplete", its name, where it is, since when, and why, in words."""

    state: str
    name: str
    where: str
    since: str
    why: tuple[str, ...]


def out_of_use_notices(
    tests: pd.DataFrame, actions: Actions, *, as_of: date, version: str, language: str = DEFAULT_LANGUAGE
) -> list[Record]:
    """The notices of each site of which outlets stand failed or not cleared: a page each, failed ones first.

    tests   : judged table, n rows.
    actions : the open findings, from actions_table(tests).
    Returns : list of Record, kind "notice", by site; none for a site without such outlets. Rows that were
              only not visited put no outlet out of use; a finding of its whole system does.
    """
    every = words(language)
    say: dict[str, Any] = every["notice"]
    at = tests.loc[actions.test]
    frame = actions.frame
    bad = at["visited"].to_numpy() & (frame["Verdict"].to_numpy(dtype=object) != "near limit")
    rows = np.flatnonzero(bad)
    site_key = text(at, "site_key")
    of_site = {str(key): rows[places] for key, places in pd.Series(rows).groupby(site_key[rows]).indices.items()}
    systems: dict[str, list[SystemOut]] = {}
    for system in systems_out(tests):
        systems.setdefault(system.site_key, []).append(system)
    notices: list[Record] = []
    taken: list[str] = []
    for key in sorted({*of_site, *systems}):
        mine, out = of_site.get(key, rows[:0]), systems.get(key, [])
        site = text(at, "site")[mine[0]] if len(mine) else out[0].site
        client = next((c for c in (*text(at, "client")[mine], *(s.client for s in out)) if c), "")
        with_system = _with_system(out, every)
        outlets = _outlets_out(frame.iloc[mine], at.iloc[mine], actions.identity[mine], with_system, every)
        named = say["site"].format(site=site, client=client) if client else site
        blocks = [block for outlet in outlets for block in _page_of(outlet, named, as_of, say)]
        name = safe_file_name(say["file_name"].format(site=site), client or None, taken)
        taken.append(name)
        about = "\1".join(unicodedata.normalize("NFC", part) for part in ("notice", client.casefold(), site.casefold()))
        identity, content = (
            hashlib.sha256(part.encode("utf-8", "replace")).hexdigest() for part in (about, repr((as_of, outlets)))
        )
        footer = say["footer"].format(version=version)
        notices.append(Record("notice", "", name, identity, content, Page("", "", blocks), footer))
    return notices


def _with_system(out: list[SystemOut], said: Mapping[str, Any]) -> dict[int, Out]:
    """Code of an outlet that its system keeps out of use -> the outlet, as if nothing else were known of it."""
    say, found = said["notice"], {}
    for s in out:
        parameter = said["parameter_within"][s.key]
        why = say["system"].format(system=s.system, parameter=parameter, outlet=s.failing, day=s.day)
        for code, name in zip(s.identity, s.outlets):
            found[code] = Out("fail", name, s.system, say["since"].format(day=s.day), (why,))
    return found


def _outlets_out(
    frame: pd.DataFrame, at: pd.DataFrame, identity: np.ndarray, with_system: Mapping[int, Out], said: Mapping[str, Any]
) -> list[Out]:
    """The outlets of one site, failed ones first. with_system : those that their system keeps out of use, by code."""
    say, local = said["notice"], Local.of(dict(said))
    own = dict.fromkeys(identity.tolist())
    others = [out for code, out in with_system.items() if code not in own]
    for code in own:
        mine = np.flatnonzero(identity == code)
        failed = (frame["Verdict"].iloc[mine] == "fail").any() or code in with_system
        first = at.iloc[mine[0]]
        since = frame["First seen on"].iloc[mine].min()
        reasons = list(dict.fromkeys(local.text(finding) for finding in frame["Finding"].iloc[mine]))
        if len(reasons) > MOST_REASONS:
            reasons[MOST_REASONS - 1 :] = [say["more"].format(count=len(reasons) - MOST_REASONS + 1)]
        if "cleared_on" in at and not pd.isna(first["cleared_on"]):
            day, by = first["cleared_on"].date().isoformat(), first["cleared_by"] or "-"
            reasons.append(say["cleared_since"].format(day=day, by=by))
        others.append(
            Out(
                "fail" if failed else "incomplete",
                str(first["outlet"]),
                ", ".join(t for t in (first.get("location", ""), first["system"]) if t),
                say["since_unknown"] if pd.isna(since) else say["since"].format(day=since.date().isoformat()),
                (*reasons, *(with_system[code].why if code in with_system else ())),
            )
        )
    return sorted(others, key=lambda out: out.state != "fail")


def _page_of(out: Out, site: str, as_of: date, say: Mapping[str, Any]) -> list[Block]:
    """The blocks of one outlet's page."""
    name_pt = next((size for most, size in NAME_PT if len(out.name) <= most), SMALLEST_NAME_PT)
    rows: list[tuple[Any, ...]] = [
        (say[out.state], STATE_PT, "dark"),
        (say["not_for_breathing"], RULE_PT, "plain"),
        (out.name, name_pt, "plain"),
        *([(out.where, SITE_PT, "plain")] if out.where else []),
        (site, SITE_PT, "plain"),
        (out.since, WHY_PT, "plain"),
        *((reason, WHY_PT, "left") for reason in out.why),
    ]
    return [
        Block("banner", rows=rows, new_page=True),
        Block("text", rows=[(say["state_of"].format(day=as_of.isoformat()),)]),
        Block("form", columns=list(say["sign_by"]), rows=[(line,) for line in say["sign_lines"]]),
    ]
