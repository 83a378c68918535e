"""Grades breathing-air test logs kept in spreadsheets by a named standard.

>>> from grader import grade            # grade(paths, rules=..., as_of=...) -> result of dataframes
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Mapping
from datetime import date
from typing import TYPE_CHECKING

__version__ = "0.1.0"

if TYPE_CHECKING:
    from grader.result import Result


def grade(
    paths: str | os.PathLike[str] | Iterable[str | os.PathLike[str]],
    rules: str | None = None,
    as_of: date | str | None = None,
    *,
    month_first: bool = False,
    interval_months: int | None = None,
    language: str = "en",
    layouts: Iterable[str | os.PathLike[str]] = (),
    decision_rule: str | None = None,
    also: Iterable[str] = (),
    reading_limits: Mapping[str, float] | None = None,
    history: str | os.PathLike[str] | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Result:
    """Grade workbooks, or folders of them.

    paths       : one file or folder, or several.
    rules       : rule set where row and visit name none: an id that `grader limits` lists, or a path to a .toml file.
    as_of       : the day from which dates are counted; None: today. A date, or text such as "2026-03-14".
    month_first : a column of slash dates that fits both orders is read month first.
    interval_months : months between tests where log and rule set state none, whole number above 0.
    language    : of reasons, problems and actions: "en", "de" or another of data/words. Names of columns stay English.
    layouts     : layout files besides those that lie in the folders (NAME.layout.toml).
    decision_rule : "simple" or "guarded"; tightens what the rule sets state, never loosens it.
    also        : rule sets whose verdicts stand in further columns of `verdicts`.
    reading_limits : limits of reading that are to be others, such as {"file_bytes": 600e6} (bytes, cells, seconds).
    history     : folder with the past of the sites in `paths`, judged with it: verdicts, actions, problems and sources
                  are of `paths`, all other tables of their sites.
    progress    : called with (files done, files in all) while files are read.
    Returns : Result. Its attributes are DataFrames with the columns of the sheets of the same name, each with a
              RangeIndex: verdicts (one row a test, in the order read), actions (a finding), wear (a system or outlet
              and parameter), trend, years, due (an outlet, or outlet and parameter), problems (a doubt), sources (a
              file), limits (a limit used); every other sheet likewise (`instruments_and_tubes`, `plant`). Units
              stand in the names of the columns; a bound is text as it was read (`<5`), a plain reading a number, a
              date a date, what is missing is blank (None or NaN). `result.write(path)` writes the workbook;
              `result.refused` tells whether some file or row could not be graded.
    Raises  : GraderError (grader.problems; one clear line) where there is nothing to read, a path or rule set is not
              there, or an option is wrong. What is wrong inside a file is a row of `problems`, never an error.

    >>> from pathlib import Path
    >>> result = grade(Path(__file__).parents[1] / "templates_xlsx" / "blank.xlsx")   # nothing to grade
    >>> len(result.verdicts), int(result.sources["Rows found"].sum())
    (0, 0)
    """
    from grader.batch import run

    return run(
        paths,
        rules=rules,
        as_of=as_of,
        month_first=month_first,
        interval_months=interval_months,
        language=language,
        layouts=layouts,
        decision_rule=decision_rule,
        also=also,
        reading_limits=reading_limits,
        history=history,
        progress=progress,
    )
