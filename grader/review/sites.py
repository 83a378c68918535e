"""Sites: the last 12 months beside the 12 before, what is open, then year by year; the whole firm above."""

from __future__ import annotations

import numpy as np
import pandas as pd

from grader.columns import FAIL, PARAMETERS, TEST_FAIL, TEST_INCOMPLETE, TEST_NEAR, TEST_PASS
from grader.frames import table_of, text
from grader.natural import natural
from grader.review.history import as_day, counting, days, months_after
from grader.review.years import ALL_SITES

MONTHS = 12


def sites_table(tests: pd.DataFrame, due: pd.DataFrame, *, as_of: object) -> pd.DataFrame:
    """The Sites table; see the design for its columns.

    tests   : judged table, n rows. due : the Due table of the same tests. as_of : date of the run.
    Returns : the firm (Site `all sites`), then one row a site: most outlets out of use first, then most overdue, then
              the lower pass rate of the last 12 months, then by name. Near limit passes; an incomplete test counts as
              a test and not as a pass. Worst parameter: the most fails in the last 12 months. Then per calendar year
              tests, pass rate (%), incomplete, fails, and fails by parameter.

    Unlike in Years, tests of outlets without a name count. A parameter that failed nowhere has no column.
    """
    at = np.flatnonzero(counting(tests, named=False))
    key = tests["site_key"].to_numpy(dtype=object)[at]
    if not len(at):
        return pd.DataFrame({name: pd.Series(dtype=object) for name in _FIRST})
    names = pd.unique(key)
    site = pd.factorize(np.array([natural(k) for k in names], dtype=object), sort=True)[0][pd.factorize(key)[0]]
    firm = len(names)
    # Every test counts for its site and for the firm.
    group_of, row = np.append(site, np.full(len(at), firm)), np.tile(np.arange(len(at)), 2)
    day = days(tests)[at]
    verdict = tests["verdict"].to_numpy()[at]
    failed = {
        p.name: tests[f"verdict_{p.key}"].to_numpy()[at] == FAIL for p in PARAMETERS.values() if p.verdict_heading
    }

    def count(where: np.ndarray) -> np.ndarray:
        return np.bincount(group_of[where[row]], minlength=firm + 1)

    passed = np.isin(verdict, (TEST_PASS, TEST_NEAR))
    today = as_day(as_of)
    begins = [months_after(np.array([today]), -MONTHS * n)[0] for n in (0, 1, 2)]
    recent, before = ((day > begins[n + 1]) & (day <= begins[n]) for n in (0, 1))
    rate = {name: _rate(count(passed & span), count(span)) for name, span in (("now", recent), ("before", before))}
    by_parameter = np.array([count(mask & recent) for mask in failed.values()])
    worst = np.where(
        by_parameter.max(axis=0) > 0, np.array(list(failed), dtype=object)[by_parameter.argmax(axis=0)], ""
    ).astype(object)
    # Names as the site's last test spells them.
    last = np.zeros(firm + 1, dtype=np.int64)
    order = np.lexsort((at, day))
    last[site[order]] = at[order]
    site_name, client = text(tests, "site")[last], text(tests, "client")[last]
    site_name[firm], client[firm] = ALL_SITES, ""
    out, overdue = _states(tests, due, at, site, firm)
    difference = np.round(rate["now"] - rate["before"], 1)
    of_site = (site_name, client, rate["now"], rate["before"], difference, worst, out, overdue)
    frame: dict[str, np.ndarray] = dict(zip(_FIRST, of_site, strict=True))
    year = day.astype("datetime64[Y]").astype(np.int64) + 1970
    for y in np.unique(year):
        here = year == y
        frame[f"{y} tests"] = count(here)
        frame[f"{y} pass rate (%)"] = _rate(count(passed & here), count(here))
        frame[f"{y} incomplete"] = count(here & (verdict == TEST_INCOMPLETE))
        frame[f"{y} fails"] = count(here & (verdict == TEST_FAIL))
        for name, mask in failed.items():
            if mask.any():
                frame[f"{y} fails: {name}"] = count(here & mask)
    worst_first = np.lexsort(
        (np.arange(firm), np.nan_to_num(rate["now"][:firm], nan=np.inf), -overdue[:firm], -out[:firm])
    )
    order = np.append(firm, worst_first)
    return table_of(frame, order)


_FIRST = (
    "Site",
    "Client",
    "Pass rate last 12 months (%)",
    "Pass rate 12 months before (%)",
    "Difference",
    "Worst parameter",
    "Out of use",
    "Overdue",
)


def _rate(part: np.ndarray, whole: np.ndarray) -> np.ndarray:
    """Percentage with one decimal, NaN of none."""
    with np.errstate(invalid="ignore"):
        return np.round(100 * part / whole, 1)


def _states(
    tests: pd.DataFrame, due: pd.DataFrame, at: np.ndarray, site: np.ndarray, firm: int
) -> tuple[np.ndarray, np.ndarray]:
    """Outlets out of use and overdue today, of each site and of the firm: int (sites + 1,)."""
    written = pd.MultiIndex.from_arrays([text(tests, "client")[at], text(tests, "site")[at]])
    known = pd.Series(site, index=written)
    known = known[~known.index.duplicated()]
    of = known.reindex(pd.MultiIndex.from_arrays([text(due, "Client"), text(due, "Site")])).to_numpy(dtype=float)
    state = text(due, "State")
    found = []
    for here in (np.char.startswith(state.astype(str), "out of use"), state == "overdue"):
        counted = np.bincount(of[here & ~np.isnan(of)].astype(np.int64), minlength=firm + 1)
        counted[firm] = int(here.sum())
        found.append(counted)
    return found[0], found[1]
