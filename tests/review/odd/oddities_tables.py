"""Small judged tables for the oddity tests: only the columns that the oddities read, everything invented."""

from __future__ import annotations

import numpy as np
import pandas as pd

from grader.columns import BLANK, EVIDENCE_FIELDS, FIELDS, OPEN_NONE, OPEN_UPPER, READ, SOURCE_TUBE, TEST_PASS

NUMBERS = (
    *(f for f in EVIDENCE_FIELDS if FIELDS[f].kind == "number"),
    "ambient_temperature_c",
    "oil_sampling_min",
    "oil_sampling_needed_min",
    "lowest_use_temperature_c",
)
KEYS = {
    "oxygen": "oxygen_pct",
    "co": "co_ppm",
    "co2": "co2_ppm",
    "oil": "oil_mg_m3",
    "water": "water_tube_mg_m3",
    "flow": "flow_l_min",
    "pressure": "line_pressure_bar",
}
TEXTS = (
    "client",
    "system",
    "odour",
    "liquid_water",
    "outlet_status",
    "supply",
    "dryer",
    "instrument",
    "tested_by",
    "co_tube_lot",
    "co2_tube_lot",
    "oil_tube_lot",
    "water_tube_lot",
    "visit_reason",
)
DEFAULTS = {
    "use_past_c": np.nan,
    **{f"u_{key}": 0.0 for key in KEYS},
    "verdict": TEST_PASS,
    "safe_down_to_c": np.nan,
    "warm_day": False,
    "water_source": SOURCE_TUBE,
    "visited": True,
    "dated": True,
    "replaced": False,
    "repeat_of": -1,
    "superseded": False,
    "conflict": False,
    "same_day": -1,
    "outlet_given": True,
    "file": 0,
}


def judged(rows) -> pd.DataFrame:
    """A judged table from dicts: site, outlet, day (ISO), and what else the test needs.

    A number field holds a float, or `<2` as text. A visit is a site and a day, unless `visit` says otherwise.
    """
    given = pd.DataFrame(list(rows))
    n = len(given)

    def column(name, default):
        return given[name].where(given[name].notna(), default) if name in given else pd.Series([default] * n)

    site = column("site", "Site A").astype(object)
    outlet = column("outlet", "1").astype(str).astype(object)
    day = pd.to_datetime(column("day", "2024-01-01")).to_numpy().astype("datetime64[s]")
    made = {
        "site": site,
        "outlet": outlet,
        "site_key": site,
        "outlet_key": outlet,
        "identity": pd.factorize(site + "\0" + outlet)[0],
        "test_day": day,
        "visit": column("visit", -1) if "visit" in given else pd.factorize(site + "\0" + pd.Series(day.astype(str)))[0],
        "row": np.arange(1, n + 1),
        "column": np.full(n, -1),
    }
    for name in NUMBERS:
        made |= _number(name, column(name, None))
    for key, field in KEYS.items():
        for end in ("lower", "upper", "open", "state"):
            made[f"{key}_{end}"] = made[f"{field}_{end}"]
    time = column("test_time", np.nan).to_numpy(dtype=float)
    made |= {"test_time": time, "test_time_state": np.where(np.isnan(time), BLANK, READ)}
    for name in TEXTS:
        made[name] = column(name, "").astype(object)
        made[f"{name}_state"] = np.where(made[name] == "", BLANK, READ)
    for name, default in DEFAULTS.items():
        made[name] = column(name, default).to_numpy(dtype=np.asarray(default).dtype)
    return pd.DataFrame(made, index=pd.RangeIndex(n))


def _number(name, values):
    """Columns of one number field."""
    lower, upper = np.full(len(values), np.nan), np.full(len(values), np.nan)
    open_ = np.full(len(values), OPEN_NONE)
    bound = np.array([isinstance(v, str) for v in values], dtype=bool)
    plain = pd.to_numeric(values.where(~bound), errors="raise").to_numpy(dtype=float)
    lower[:], upper[:] = plain, plain
    upper[bound] = [float(v.removeprefix("<")) for v in values[bound]]
    lower[bound] = -np.inf if FIELDS[name].floor is None else FIELDS[name].floor
    open_[bound] = OPEN_UPPER
    return {
        f"{name}_lower": lower,
        f"{name}_upper": upper,
        f"{name}_open": open_,
        f"{name}_state": np.where(np.isnan(upper), BLANK, READ),
    }


def visits_with_lots(
    rng, *, sites, outlets, visits, visits_a_lot=1, noise=20.0, day_to_day=0.0, drift=0.0, odd=None, decimals=0
):
    """A judged table of carbon dioxide readings, each visit of a site every quarter with one tube lot.

    noise, day_to_day : standard deviations, ppm, of one reading and of the air of a whole site's visit.
    drift : ppm a quarter. odd : lot number -> factor on its readings. Lots are L0, L1, ... in order of date.
    """
    every = np.meshgrid(np.arange(visits), np.arange(sites), np.arange(outlets), indexing="ij")
    quarter, site, outlet = (a.ravel() for a in every)
    visit = quarter * sites + site
    lot = visit // visits_a_lot
    factor = np.ones(lot.max() + 1)
    for which, value in (odd or {}).items():
        factor[which] = value
    air = 500.0 + 20.0 * site + 5.0 * outlet + drift * quarter
    air += rng.normal(0.0, day_to_day, visits * sites)[visit] + rng.normal(0.0, noise, len(visit))
    value = np.round(air * factor[lot], decimals)
    table = judged([{"site": "a", "outlet": "1"}])
    table = table.loc[np.zeros(len(visit), dtype=int)].reset_index(drop=True)
    names = np.array([f"Site {i}" for i in range(sites)], dtype=object)[site]
    lots = np.array([f"L{i}" for i in range(lot.max() + 1)], dtype=object)[lot]
    day = np.datetime64("2012-01-02") + (quarter * 91 + site).astype("timedelta64[D]")
    new = {
        "site": names,
        "site_key": names,
        "outlet": outlet.astype(str).astype(object),
        "outlet_key": outlet.astype(str).astype(object),
        "identity": site * outlets + outlet,
        "visit": visit,
        "test_day": day.astype("datetime64[s]"),
        "co2_tube_lot": lots,
        "row": np.arange(len(visit)),
        "co2_lower": value,
        "co2_upper": value,
        "co2_state": READ,
        "co2_ppm_lower": value,
        "co2_ppm_upper": value,
        "co2_ppm_state": READ,
        "supply": "airline",
        "dryer": "desiccant",
    }
    return table.assign(**new)
