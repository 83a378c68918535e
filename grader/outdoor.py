"""Outdoor carbon dioxide by year: what air is made from before any compressor touches it."""

from __future__ import annotations

import csv
from functools import cache
from io import StringIO

import numpy as np

from grader.data import read_text


@cache
def outdoor_co2() -> tuple[np.ndarray, np.ndarray]:
    """Years and mean outdoor carbon dioxide (ppm) of each, from data/co2_outdoor.csv (source there)."""
    rows = list(csv.DictReader(line for line in StringIO(read_text("co2_outdoor.csv")) if not line.startswith("#")))
    return np.array([int(r["year"]) for r in rows]), np.array([float(r["ppm"]) for r in rows])


def outdoor_co2_on(day: np.ndarray) -> np.ndarray:
    """Outdoor carbon dioxide, ppm, in the years of datetime64 dates (n,); beyond the table its nearest year.

    NaT gives the newest year's, the highest: leaving the date out makes no reading more believable.

    >>> outdoor_co2_on(np.array(["2020-05-01", "2024-01-01"], dtype="datetime64[D]")).tolist()
    [412.44, 422.79]
    """
    years, ppm = outdoor_co2()
    known = ~np.isnat(day)
    year = np.full(len(day), float(years[-1]))
    year[known] = day[known].astype("datetime64[Y]").astype(int) + 1970
    return np.interp(year, years, ppm)
