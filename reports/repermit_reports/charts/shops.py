"""The charts of shops against each other's record: the analyst's funnel, the foreman's line. May import `plot` and `theme`."""

from __future__ import annotations

from typing import Any

import altair as alt

from repermit_reports.charts.plot import plot
from repermit_reports.theme import PALETTE

Rows = list[dict[str, Any]]
Chart = alt.LayerChart | alt.FacetChart
MOST_NAMED = 6
"""Of more shops than that names lie on each other: those that stand apart are named, the table tells of the others."""


def funnel(rows: Rows, limits: Rows) -> Chart:
    """Ratio of comebacks to those expected, against those expected, with the limits of chance (Spiegelhalter 2005).

    Rows: shop, expected, ratio, back, fixes, low, high, apart. Limits: expected, low_95, high_95, low_998, high_998.
    """
    top = 1.1 * max([2.0, *(row["ratio"] for row in rows)])
    y_scale = alt.Scale(domain=[0, top])
    x = alt.X("expected:Q", title="comebacks expected of the others' record", scale=alt.Scale(zero=True))
    y_title = "came back over expected"

    def edge(name: str, dashes: list[int]) -> alt.Chart:
        y = alt.Y(f"{name}:Q", title=y_title, scale=y_scale)
        line = plot(limits).mark_line(style="reference", strokeDash=dashes, clip=True)
        encoded: alt.Chart = line.encode(x=x, y=y)
        return encoded

    edges = [edge(name, [1, 0]) for name in ("low_95", "high_95")]
    edges += [edge(name, [4, 3]) for name in ("low_998", "high_998")]
    one = plot([{"y": 1}]).mark_rule(style="reference").encode(y=alt.Y("y:Q"))
    points = (
        plot(rows)
        .mark_point(filled=True, size=80, opacity=1)
        .encode(
            x=x,
            y=alt.Y("ratio:Q", title=y_title, scale=y_scale),
            color=alt.ColorValue(
                PALETTE["blue"], condition={"test": "datum.apart", "value": PALETTE["orange"]}
            ),
            shape=alt.ShapeValue("circle", condition={"test": "datum.apart", "value": "diamond"}),
            tooltip=[
                alt.Tooltip("shop:N"),
                alt.Tooltip("fixes:Q", title="fixes with the like elsewhere", format=","),
                alt.Tooltip("back:Q", title="came back", format=".3"),
                alt.Tooltip("expected:Q", format=".3"),
                alt.Tooltip("ratio:Q", format=".3"),
                alt.Tooltip("low:Q", title="from", format=".3"),
                alt.Tooltip("high:Q", title="to", format=".3"),
            ],
        )
    )
    named = rows if len(rows) <= MOST_NAMED else [row for row in rows if row["apart"]]
    most = max(row["expected"] for row in limits)
    names = []  # towards the middle, where there is room for a long name
    for far in (False, True):
        if some := [row for row in named if (row["expected"] > most / 2) == far]:
            text = plot(some).encode(x=x, y=alt.Y("ratio:Q"), text=alt.Text("shop:N"))
            names.append(text.mark_text(dy=-12, dx=8 if far else -8, align="right" if far else "left"))
    return alt.layer(*edges, one, points, *names)


def times_as_often(rows: Rows) -> Chart:
    """How many times as often this shop's fixes come back as the others' record leads to expect; a line at once.

    Rows, in the order to show: what, times, low, high, label.
    """
    order = [row["what"] for row in rows]
    points_in = max([2.0, *(row["times"] for row in rows)])
    most = min(
        max(row["high"] for row in rows), 2 * points_in
    )  # a limit far out would press all else together
    scale = alt.Scale(domain=[0, max(most, points_in) * 1.05])
    title = ["times as often as", "the others' record leads to expect"]  # as wide as a phone shows
    x = alt.X("times:Q", title=title, scale=scale)
    two_lines = alt.Axis(labelExpr="split(datum.label, ', ')")
    base = plot(rows).encode(y=alt.Y("what:N", sort=order, title=None, axis=two_lines))
    # not a line through the whole, which would cross the labels
    once = base.mark_tick(style="reference", size=20, thickness=1.5).encode(x=alt.XDatum(1))
    limits = base.mark_rule(color=PALETTE["blue"], strokeWidth=2, clip=True).encode(
        x=alt.X("low:Q", scale=scale), x2=alt.X2("high:Q")
    )
    points = base.mark_point(filled=True, opacity=1, size=80, color=PALETTE["blue"]).encode(
        x=x,
        tooltip=[
            alt.Tooltip("what:N", title="held on"),
            alt.Tooltip("label:N", title="came back"),
            alt.Tooltip("times:Q", format=".2"),
            alt.Tooltip("low:Q", title="from", format=".2"),
            alt.Tooltip("high:Q", title="to", format=".2"),
        ],
    )
    # at the start of the axis, as a phone has no room behind the point
    labels = base.mark_text(style="quiet", dy=-17, x=0).encode(text=alt.Text("label:N"))
    return alt.layer(once, limits, points, labels).properties(height={"step": 44})
