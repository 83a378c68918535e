"""Native charts of a page for people: from figures on the page, or from the rows of a data sheet."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from xlsxwriter import Workbook

from grader.write.styles import Styles

CHART_KINDS = ("column", "bar", "line", "area")
# How a series of readings and a limit are drawn: apart by dash and mark too, for grey print.
READING, BOUND, DOUBTFUL, LIMIT = "reading", "bound", "doubtful", "limit"


def new_chart(workbook: Workbook, kind: str) -> Any:
    """An empty chart of a kind, "column stacked" for example.

    Raises : ValueError for a kind that is not drawn.
    """
    name, _, subtype = kind.partition(" ")
    if name not in CHART_KINDS:
        raise ValueError(f"no chart of kind {kind!r}")
    return workbook.add_chart({"type": name, **({"subtype": subtype} if subtype else {})})


def series_look(styles: Styles, kind: str, label: str, number: int) -> dict[str, Any]:
    """Look of one series by its label (a verdict word keeps its colour) and its place among the series."""
    fill = {"color": styles.chart_colour(label, number)}
    if kind.startswith("line"):
        return {"line": {**fill, "width": 2}}
    return {"fill": fill, "border": {"color": "#FFFFFF", "width": 0.75}, "gap": 45}


def set_look(chart: Any, styles: Styles, given: Mapping[str, Any], width_px: float, height_px: float) -> None:
    """Size, title, axes and legend.

    given : x_axis, y_axis (names), title, dates (the categories are days), size (points of type).
    """
    page = styles.page
    font = {"name": page["font"], "size": given.get("size", 9), "color": page["ink"]}
    line = {"color": page["line"]}
    chart.set_size({"width": width_px, "height": height_px})
    if given.get("title"):
        chart.set_title(
            {"name": given["title"], "overlay": False, "name_font": {**font, "size": font["size"] + 1, "bold": True}}
        )
    else:
        chart.set_title({"none": True})
    chart.set_legend({"none": True} if given.get("no_legend") else {"position": "top", "font": font})
    axis = {"num_font": font, "name_font": {**font, "bold": False}, "line": line}
    days = (
        {"date_axis": True, "num_format": "yyyy-mm", "major_unit_type": "months", "major_unit": given["months"]}
        if given.get("dates")
        else {}
    )
    chart.set_x_axis(
        {**axis, **days, "major_tick_mark": "none", "label_position": "low", "name": given.get("x_axis", "")}
    )
    chart.set_y_axis(
        {
            **axis,
            "major_gridlines": {"visible": True, "line": {**line, "width": 0.5}},
            "name": given.get("y_axis", ""),
            **given.get("y", {}),
        }
    )
    chart.set_chartarea({"border": {"none": True}})
    chart.show_blanks_as("span" if given.get("dates") else "gap")


def chart_of_rows(
    workbook: Workbook,
    styles: Styles,
    given: Mapping[str, Any],
    cells: Callable[[str, str, int, int], str],
    width_px: float,
    height_px: float,
) -> Any:
    """A line chart over rows `first` to `last` (0-based) of the data sheet `sheet`.

    given : besides what set_look takes: sheet, first, last, categories (heading), series of
            (name, heading, "reading", "bound", "doubtful" or "limit").
    cells : (sheet, heading, first, last) -> formula of that range.
    """
    chart = new_chart(workbook, "line")
    rows = (given["first"], given["last"])
    limit, caution, quiet, reading = (styles.page[c] for c in ("limit_line", "caution_line", "quiet", "sparkline"))
    looks: dict[str, dict[str, Any]] = {
        LIMIT: {"line": {"color": limit, "width": 1.75, "dash_type": "dash"}, "marker": {"type": "none"}},
        BOUND: {"line": {"none": True}, "marker": _marker("triangle", 7, caution)},
        DOUBTFUL: {
            "line": {"none": True},
            "marker": {"type": "x", "size": 7, "fill": {"none": True}, "border": {"color": quiet, "width": 1.5}},
        },
        READING: {"line": {"color": reading, "width": 1.75}, "marker": _marker("circle", 5, reading)},
    }
    for name, heading, what in given["series"]:
        chart.add_series(
            {
                "name": name,
                "categories": cells(given["sheet"], given["categories"], *rows),
                "values": cells(given["sheet"], heading, *rows),
                **looks[what],
            }
        )
    set_look(chart, styles, given, width_px, height_px)
    return chart


def _marker(kind: str, size: int, colour: str) -> dict[str, Any]:
    return {"type": kind, "size": size, "fill": {"color": colour}, "border": {"color": colour}}
