"""The chart of the months ahead. Rows of plain values in; may import `plot` and `theme`."""

from __future__ import annotations

from typing import Any

import altair as alt

from repermit_reports.charts.plot import plot
from repermit_reports.theme import PALETTE

Rows = list[dict[str, Any]]


def ahead(past: Rows, to_come: Rows, what: str) -> alt.LayerChart | alt.FacetChart:
    """Counts of the months on record as bars, and of those to come as ranges with the likely count.

    Past: month (YYYY-MM-01), name, came. To come: month, name, expected, low, high.
    """

    def months(rows: Rows) -> alt.Chart:
        axis = alt.Axis(format="%b %Y", labelAngle=0)
        return plot(rows).encode(
            x=alt.X("month:T", title=None, scale=alt.Scale(type="utc", padding=14), axis=axis)
        )

    tips = [
        alt.Tooltip("name:N", title="month"),
        alt.Tooltip("expected:Q", title="likely", format=".3"),
        alt.Tooltip("low:Q", title="from", format=".3"),
        alt.Tooltip("high:Q", title="to", format=".3"),
    ]
    y = alt.Y(
        "came:Q",
        title=f"{what} in the month",
        scale=alt.Scale(zero=True),
        axis=alt.Axis(tickMinStep=1, format=",d"),
    )
    came = (
        months(past)
        .mark_bar(color=PALETTE["blue"], opacity=0.6, width=9)
        .encode(
            y=y,
            tooltip=[alt.Tooltip("name:N", title="month"), alt.Tooltip("came:Q", title=what, format=",.0f")],
        )
    )
    limits = (
        months(to_come)
        .mark_rule(color=PALETTE["orange"], strokeWidth=3)
        .encode(y=alt.Y("low:Q"), y2=alt.Y2("high:Q"))
    )
    point = (
        months(to_come)
        .mark_point(color=PALETTE["orange"], shape="diamond", size=90)
        .encode(y=alt.Y("expected:Q"), tooltip=tips)
    )
    label = (
        months(to_come[:1])
        .mark_text(dy=-8, align="right", dx=4)
        .encode(y=alt.Y("high:Q"), text=alt.TextValue("likely"))
    )
    return alt.layer(came, limits, point, label)
