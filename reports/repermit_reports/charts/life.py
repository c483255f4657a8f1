"""The chart of sensor lives. Rows of plain values in; may import `plot` and `theme`."""

from __future__ import annotations

from typing import Any

import altair as alt

from repermit_reports.charts.plot import plot
from repermit_reports.theme import PALETTE

Rows = list[dict[str, Any]]


def still_working(rows: Rows, touched: Rows, names: list[str]) -> alt.LayerChart | alt.FacetChart:
    """The share of sensors still working by age, a step line a group with its limits as a band.

    Rows: name, age (days), share, low, high (fractions, None where not defined), at_risk; `touched` tell their numbers.
    """
    x = alt.X("age:Q", title="age of the sensor, days")
    y = alt.Y(
        "share:Q", title="share still working", scale=alt.Scale(domain=[0, 1]), axis=alt.Axis(format="%")
    )
    colours = list(PALETTE.values())[: len(names)]
    colour = alt.Color(
        "name:N",
        title=None,
        scale=alt.Scale(domain=names, range=colours),
        legend=alt.Legend(symbolOpacity=1),
    )
    limited = [row for row in rows if row["low"] is not None and row["high"] is not None]
    band = (
        plot(limited)
        .mark_area(interpolate="step-after", opacity=0.15)
        .encode(x=x, y=alt.Y("low:Q"), y2=alt.Y2("high:Q"), color=colour)
    )
    line = (
        plot(rows)
        .mark_line(interpolate="step-after")
        .encode(
            x=x,
            y=y,
            color=colour,
        )
    )
    touch = (
        plot(touched)
        .mark_point(opacity=0, size=120)
        .encode(
            x=x,
            y=y,
            tooltip=[
                alt.Tooltip("name:N", title="sensors"),
                alt.Tooltip("age:Q", title="age, days", format=",.0f"),
                alt.Tooltip("share:Q", title="still working", format=".0%"),
                alt.Tooltip("low:Q", title="from", format=".0%"),
                alt.Tooltip("high:Q", title="to", format=".0%"),
                alt.Tooltip("at_risk:Q", title="watched at this age", format=","),
            ],
        )
    )
    return alt.layer(*([band] if limited else []), line, touch)
