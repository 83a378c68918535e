"""What is on a site's list at the end of a visit: outlets not visited, and what is still open from before."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd

from grader.columns import TEST_FAIL, TEST_INCOMPLETE
from grader.frames import text
from grader.review.history import counting, order_in_time


class OnList(NamedTuple):
    """An outlet of the site that was not tested at the visit: name, last verdict, its day and reasons ("" if none)."""

    outlet: str
    verdict: int
    day: str
    reasons: str

    @property
    def open(self) -> bool:
        """Whether it stands out of use or not cleared."""
        return self.verdict in (TEST_FAIL, TEST_INCOMPLETE)


class SiteLists:
    """The lists of all sites of a run, as they stood on any day."""

    def __init__(self, tests: pd.DataFrame) -> None:
        self.site, self.identity = tests["site_key"].to_numpy(dtype=object), tests["identity"].to_numpy()
        self.day = tests["test_day"].to_numpy().astype("datetime64[D]")
        self.status, self.outlet = text(tests, "outlet_status"), text(tests, "outlet")
        self.verdict, self.reasons = tests["verdict"].to_numpy(), text(tests, "reasons")
        counts = counting(tests)
        standing = tests["dated"].to_numpy() & ~tests["replaced"].to_numpy() & tests["outlet_given"].to_numpy()
        in_time = order_in_time(tests, np.flatnonzero(standing))
        self.of_site = {
            site: in_time[at] for site, at in pd.Series(in_time).groupby(self.site[in_time]).indices.items()
        }
        self.counts = counts

    def untested(self, site: str, day: np.datetime64, tested: set[int]) -> list[OnList]:
        """Outlets that the site had on a day and that are not among those tested (identities); removed ones are left out.

        Returns : by name as first met. Empty where the day is not known.
        """
        rows = self.of_site.get(site, np.empty(0, dtype=np.int64))
        rows = rows[self.day[rows] <= day]
        listed = []
        for mine in pd.Series(rows).groupby(self.identity[rows], sort=False).indices.values():
            mine = rows[mine]
            if int(self.identity[mine[0]]) in tested or self.status[mine[-1]] == "removed":
                continue
            last = mine[self.counts[mine]]
            name = str(self.outlet[mine[-1]])
            if not len(last):
                listed.append(OnList(name, -1, "", ""))
                continue
            at = last[-1]
            listed.append(OnList(name, int(self.verdict[at]), str(self.day[at]), str(self.reasons[at])))
        return listed
