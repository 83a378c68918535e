"""What a page for people holds: blocks of figures, tables and sentences, with no look of their own.

The Summary is made by the review stage as blocks and laid out by the write stage.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any


@dataclass
class Block:
    """One part of a page.

    kind    : "figures" (headline counts: rows of (label, number, verdict word or "")), "table" (columns + rows),
              "text" (rows of one sentence each), "cautions" (as text, in a warning look), "chart".
    links   : for a table: row number -> (sheet, 0-based data row) that the row's first cell leads to.
    chart   : for a chart: {"kind": "column stacked", "categories": [...], "series": [(name, [values])], ...}.
    """

    kind: str
    heading: str = ""
    columns: list[str] = field(default_factory=list)
    rows: list[tuple[Any, ...]] = field(default_factory=list)
    links: dict[int, tuple[str, int]] = field(default_factory=dict)
    chart: dict[str, Any] = field(default_factory=dict)
    note: str = ""


@dataclass
class Page:
    """A title, a line under it, and blocks in reading order."""

    title: str
    subtitle: str = ""
    blocks: list[Block] = field(default_factory=list)
