"""The sheet Last time of the next visit's blank: what stands open, what was read, and what the site is known for."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from grader.columns import (
    ATMOSPHERIC_LOW_HPA,
    ATMOSPHERIC_RANGE_HPA,
    READ,
    STANDARD_ATMOSPHERE_HPA,
    USUAL_OIL_SAMPLING_MIN,
)
from grader.figures import at_least_fixed, plain, running_usual
from grader.frames import plain_figures, text
from grader.page import Block, Page, left_table
from grader.review.record.outlets import outlets_block
from grader.words import Local

AIR, AMBIENT = "atmospheric_pressure_hpa", "ambient_temperature_c"
PARTS_DUE = ("overdue", "due within 14 days", "hours not known")


class SiteKnown(NamedTuple):
    """What a site's tests say of it. usual_hpa : NaN where not known. coldest_c : NaN; coldest : the test that met it."""

    usual_hpa: float
    coldest_c: float
    coldest: int

    @property
    def low(self) -> bool:
        """Whether tubes are read at altitude there."""
        return self.usual_hpa < ATMOSPHERIC_LOW_HPA

    def clear_minutes(self, needed: float) -> str:
        """Minutes after which `clear` means at most 0.5 mg/m³ there, of those needed at 1013.25 hPa; never rounded down."""
        return at_least_fixed(needed * STANDARD_ATMOSPHERE_HPA / self.usual_hpa, 1)


def site_known(here: pd.DataFrame) -> SiteKnown:
    """Usual atmospheric pressure after the last visit, and the coldest surroundings on record.

    here : judged tests of one site, oldest first, at least one row.
    """
    given = plain_figures(here, AIR)
    usable = (given >= ATMOSPHERIC_RANGE_HPA[0]) & (given <= ATMOSPHERIC_RANGE_HPA[1]) & (here["visit"].to_numpy() >= 0)
    visits = pd.Series(given[usable]).groupby(here["visit"].to_numpy()[usable], sort=False).median()
    ambient = here[f"{AMBIENT}_lower"].to_numpy(dtype=float)
    ambient = np.where((here[f"{AMBIENT}_state"].to_numpy() == READ) & np.isfinite(ambient), ambient, np.inf)
    coldest = int(ambient.argmin())
    met = float(ambient[coldest])
    return SiteKnown(running_usual(visits.tolist())[-1], met if np.isfinite(met) else np.nan, coldest)


def oil_needed(rows: list[dict[str, Any]]) -> list[float]:
    """Sampling time each outlet's oil tube needs at 1013.25 hPa, min; the usual one where none is stated in figures."""
    stated = [row.get("oil_sampling_needed_min") for row in rows]
    return [float(v) if isinstance(v, (int, float)) and v > 0 else USUAL_OIL_SAMPLING_MIN for v in stated]


def last_time_page(
    last: pd.DataFrame,
    here: pd.DataFrame,
    known: SiteKnown,
    clear: str,
    actions: pd.DataFrame,
    plant: pd.DataFrame,
    files: list[str],
    said: Mapping[str, Any],
) -> Page:
    """The page.

    last    : each outlet's last test that counts, in the order of the blank. here : judged tests of the site.
    clear   : minutes that `clear` needs there, "" below no altitude. files : names by file number.
    actions : the sheet Actions, of the whole run. plant : the sheet Plant. said : all words of the language.
    Returns : Page; every cell of it is a text, so that it can be told from a page somebody wrote on.
    """
    say, local = said["last_time"], Local.of(said)
    site = text(here, "site")[-1]
    facts = [say["usual"].format(hpa=f"{known.usual_hpa:.0f}")] if known.usual_hpa == known.usual_hpa else []
    if clear:
        facts.append(say["clear"].format(minutes=clear, hpa=f"{known.usual_hpa:.0f}"))
    if known.coldest_c == known.coldest_c:
        outlet, day = text(here, "outlet")[known.coldest], str(here["test_day"].to_numpy()[known.coldest])[:10]
        facts.append(say["coldest"].format(temperature=plain(known.coldest_c), outlet=outlet, day=day))
    blocks = [_open(actions, here, say, local), *_parts(plant, here, say, local)]
    if facts:
        blocks.append(Block("text", say["site"], rows=[(local.figures(fact),) for fact in facts]))
    if len(last):
        outlets = outlets_block(last, files, said)
        outlets.heading, outlets.note = say["outlets"], ""
        blocks.append(outlets)
    return Page(say["title"], say["subtitle"].format(site=site), blocks, landscape=True, repeat_tables=True)


def _of_site(frame: pd.DataFrame, here: pd.DataFrame) -> pd.DataFrame:
    """The lines of a sheet that are of this site, and of its client where the sheet names one."""
    mine = frame["Site"].isin(set(text(here, "site")))
    if "Client" in frame:
        mine &= frame["Client"].isin({*text(here, "client"), ""})
    return frame[mine]


def _open(actions: pd.DataFrame, here: pd.DataFrame, say: dict[str, str], local: Local) -> Block:
    together: dict[tuple[Any, str, str], dict[str, list[str]]] = {}
    for f in _of_site(actions, here).to_dict("records"):
        alike = together.setdefault((f["Test date"], f["Parameter"], f["Next step"]), {})
        alike.setdefault(f["Finding"], []).append(f["Outlet"])
    rows = [
        (
            "\n".join(f"{', '.join(names)}: {local.text(finding)}" for finding, names in alike.items()),
            _day(day),
            local.figures(step),
        )
        for (day, _, step), alike in together.items()
    ]
    if not rows:
        return Block("text", say["open"], rows=[(say["nothing_open"],)])
    columns = [say[f"c_{name}"] for name in ("finding", "day", "step")]
    return left_table(say["open"], columns, rows, [18, 4, 16], size_pt=8.0)


def _parts(plant: pd.DataFrame, here: pd.DataFrame, say: dict[str, str], local: Local) -> list[Block]:
    mine = _of_site(plant, here)
    mine = mine[mine["State"].isin(PARTS_DUE)]
    rows = [
        (p["System"], local.word(p["Part"]), _day(p["Changed on"]), _day(p["Due on"]), local.word(p["State"]))
        for p in mine.to_dict("records")
    ]
    if not rows:
        return []
    columns = [say[f"c_{name}"] for name in ("system", "part", "changed", "due", "state")]
    return [left_table(say["parts"], columns, rows, [10, 8, 6, 6, 8], size_pt=8.0)]


def _day(value: Any) -> str:
    return value.date().isoformat() if pd.notna(value) else ""
