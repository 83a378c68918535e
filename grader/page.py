"""What a page for people holds: blocks of figures, tables and sentences, with no look of their own.

The Summary is made by the review stage as blocks and laid out by the write stage.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, NamedTuple


@dataclass
class Block:
    """One part of a page.

    kind    : "figures" (headline counts: rows of (label, number, verdict word or "")), "table"
              (columns + rows), "text" (rows of one sentence each), "cautions" (as text, in a warning look),
              "chart", "charts" (several side by side, each over rows of a data sheet),
              "form" (to be filled in by hand: columns side by side, each row a label over a ruled line),
              "banner" (to be read from afar: rows of (text, size in points, "dark", "plain" or "left")).
    links   : for a table: row number -> (sheet, 0-based data row) that the row's first cell leads to.
    chart   : for a chart: {"kind": "column stacked", "categories": [...], "series": [(name, [values])], ...};
              for charts: {"charts": [one dict each, see grader.write.charts.chart_of_rows]}.
    widths  : for a table: units of the page's grid each column takes (24 upright, 30 compact, 38 across); []
              by content.
    aligns  : for a table: "left", "center" or "right" a column; [] numbers right, else left.
    under   : for a table: row number -> text across the table, below that row and on its paper page.
    size_pt : for a table, text or cautions: size of its type; 0 the usual.
    plain   : for a table: words that get no colour, so that the others stand out.
    new_page: begins a paper page.
    """

    kind: str
    heading: str = ""
    columns: list[str] = field(default_factory=list)
    rows: list[tuple[Any, ...]] = field(default_factory=list)
    links: dict[int, tuple[str, int]] = field(default_factory=dict)
    chart: dict[str, Any] = field(default_factory=dict)
    note: str = ""
    widths: list[int] = field(default_factory=list)
    aligns: list[str] = field(default_factory=list)
    under: dict[int, str] = field(default_factory=dict)
    size_pt: float = 0.0
    plain: tuple[str, ...] = ()
    new_page: bool = False


def left_table(
    heading: str, columns: list[str], rows: list[tuple[Any, ...]], widths: list[int], note: str = "", **more: Any
) -> Block:
    """A table of which every column begins at the left."""
    return Block("table", heading, columns, rows, note=note, widths=widths, aligns=["left"] * len(columns), **more)


@dataclass
class Page:
    """A title, a line under it, and blocks in reading order.

    landscape     : A4 across. one_page: made smaller until it fits one paper page.
    compact       : more on a paper page: a wider grid (30 units), printed smaller.
    repeat_tables : the headings of a table are written again on each further paper page.
    """

    title: str
    subtitle: str = ""
    blocks: list[Block] = field(default_factory=list)
    landscape: bool = False
    one_page: bool = False
    compact: bool = False
    repeat_tables: bool = False


class Record(NamedTuple):
    """One workbook of a single page that is handed over: the record of a visit, or an out-of-use notice.

    kind      : "record", "notice" or "report". number: of the record, unlike that of any other visit; else "".
    file_name : as wished, ending included; it gets a number where another visit's stands there already.
    identity  : what the file is about, the same from run to run; only a file of the same one is written over.
    content   : digest of what the page says, the lines on file sums, version and options left out.
    footer    : stands at the foot of each paper page. supersedes: the record numbers that this one replaces.
    """

    kind: str
    number: str
    file_name: str
    identity: str
    content: str
    page: Page
    footer: str = ""
    supersedes: tuple[str, ...] = ()


def sum_of_texts(texts: Iterable[str]) -> str:
    """A sum of all texts of a page, whatever their order and line breaks: it tells whether somebody wrote on the page.

    >>> sum_of_texts(["b", "a\\nc"]) == sum_of_texts(["a c", "b"]) != sum_of_texts(["b"])
    True
    """
    told = sorted(" ".join(text.split()) for text in texts)
    return hashlib.sha256("\0".join(told).encode("utf-8", "replace")).hexdigest()[:16]
