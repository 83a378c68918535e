"""Grades breathing-air test logs kept in spreadsheets by a named standard.

>>> from grader import grade            # grade(paths, rules=..., as_of=...) -> result of dataframes
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from datetime import date
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

if TYPE_CHECKING:
    from grader.batch import Result


def grade(
    paths: str | os.PathLike[str] | Iterable[str | os.PathLike[str]],
    rules: str | None = None,
    as_of: date | str | None = None,
    **options: Any,
) -> Result:
    """Grade workbooks, or folders of them.

    paths   : one file or folder, or several.
    rules   : rule set where row and visit name none: an id that `grader limits` lists, or a path to a .toml file.
    as_of   : the day from which dates are counted; None: today. A date, or text such as "2026-03-14".
    options : see grader.batch.Options (month_first, interval_months, language, decision_rule, also,
              reading_limits).
    Returns : Result; its attributes verdicts, trend, years, due, actions, problems, sources, limits are DataFrames.
    Raises  : GraderError (one clear line) where there is nothing to read or an argument is wrong.
    """
    from grader.batch import run

    return run(paths, rules=rules, as_of=as_of, **options)
