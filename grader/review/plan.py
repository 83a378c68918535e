"""The Plan sheet's table: what falls due month by month, a row a site, with the detector tubes that it takes."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from grader.columns import PARAMETERS, Parameter
from grader.frames import text
from grader.review.due import STATES_NOW
from grader.review.history import as_day

MONTHS_AHEAD = 12
TUBED: tuple[Parameter, ...] = tuple(p for p in PARAMETERS.values() if p.tube)
COLUMNS = ("Month", "Site", "Client", "Outlets due", *(f"{p.name} tubes" for p in TUBED))


def plan_table(due: pd.DataFrame, demanded: Mapping[str, frozenset[str]], *, as_of: object) -> pd.DataFrame:
    """The Plan table: one row a month and site, months in order, sites in the order of their first outlet on Due.

    due      : the Due table, one row an outlet, with `Rule set` of its last test.
    demanded : id of a rule set -> names of the parameters that it demands; of another every parameter counts.
    as_of    : date of the run; the plan begins with its month and runs MONTHS_AHEAD months.
    Returns  : columns COLUMNS. `Outlets due` and the tubes are counts: one tube of each demanded kind an outlet. An
               outlet stands once: in the first month where it is overdue, out of use or not cleared, else in the
               month of its next due date. One that was removed stands nowhere.
    """
    first = as_day(as_of).astype("datetime64[M]")
    month = due["Next due"].to_numpy().astype("datetime64[M]")
    month = np.where(np.isin(text(due, "State"), STATES_NOW), first, np.maximum(month, first))
    planned = ~np.isnat(month) & (month < first + MONTHS_AHEAD) & (text(due, "State") != "removed")
    rule = text(due, "Rule set")
    frame = pd.DataFrame({"Month": month.astype(str), "Site": text(due, "Site"), "Client": text(due, "Client")})
    frame["Outlets due"] = 1
    for parameter in TUBED:
        without = [rule_id for rule_id, names in demanded.items() if parameter.name not in names]
        frame[f"{parameter.name} tubes"] = (~np.isin(rule, without)).astype(int)
    return frame[planned].groupby(["Month", "Client", "Site"], sort=False).sum().reset_index().sort_values(
        "Month", kind="stable", ignore_index=True
    )[list(COLUMNS)]  # fmt: skip
