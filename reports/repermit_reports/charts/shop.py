"""The charts of the shop's page. Rows of plain values in; may import `plot` and `theme`."""

from __future__ import annotations

from typing import Any

import altair as alt

from repermit_reports.charts.plot import plot
from repermit_reports.theme import PALETTE

Rows = list[dict[str, Any]]
Chart = alt.LayerChart | alt.FacetChart
WHO = ("this shop", "other shops")


def come_back(rows: Rows, order: list[str]) -> Chart:
    """Of 100 fixes, how many come back within 90 days, here and elsewhere, with limits.

    Rows: fix, who (one of WHO), of_100, low, high, fixes, back, label.
    """
    base = plot(rows).encode(
        y=alt.Y("fix:N", sort=order, title=None),
        yOffset=alt.YOffset("who:N", sort=list(WHO), scale=alt.Scale(paddingOuter=0.35)),
        color=alt.Color(
            "who:N",
            sort=list(WHO),
            title=None,
            scale=alt.Scale(domain=list(WHO), range=[PALETTE["blue"], PALETTE["orange"]]),
            legend=alt.Legend(orient="top"),
        ),
    )
    x = alt.X(
        "of_100:Q",
        title=["of 100 fixes, back", "at the same place within 90 days"],  # as wide as a phone shows
        scale=alt.Scale(domain=[0, 118]),
        axis=alt.Axis(values=[0, 20, 40, 60, 80, 100]),
    )
    limits = base.mark_rule(strokeWidth=2).encode(
        x=alt.X("low:Q", scale=alt.Scale(domain=[0, 118])), x2=alt.X2("high:Q")
    )
    points = base.mark_point(filled=True, opacity=1, size=70).encode(
        x=x,
        shape=alt.Shape(
            "who:N",
            sort=list(WHO),
            title=None,
            scale=alt.Scale(domain=list(WHO), range=["circle", "diamond"]),
        ),
        tooltip=[
            alt.Tooltip("fix:N"),
            alt.Tooltip("who:N", title="where"),
            alt.Tooltip("fixes:Q", title="fixes", format=","),
            alt.Tooltip("of_100:Q", title="of 100", format=".0f"),
            alt.Tooltip("low:Q", title="from", format=".0f"),
            alt.Tooltip("high:Q", title="to", format=".0f"),
        ],
    )
    counts = base.mark_text(style="quiet", fontSize=11).encode(x=alt.X("high:Q"), text=alt.Text("label:N"))
    return alt.layer(limits, points, counts).properties(height={"step": 22})
