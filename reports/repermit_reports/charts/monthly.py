"""The charts of the monthly page. Rows of plain values in; may import `theme`."""

from __future__ import annotations

from typing import Any

import altair as alt

from repermit_reports.theme import PALETTE

Rows = list[dict[str, Any]]
Chart = alt.LayerChart | alt.FacetChart


def control(rows: Rows, per: str) -> Chart:
    """Faults by month against the range that chance brings; a month that is a signal is a diamond with its name.

    Rows: month (YYYY-MM-01), name, rate, faults, and low, high, centre (None where not judged), stands, label.
    """

    def months(some: Rows) -> alt.Chart:
        x = alt.X("month:T", title=None, scale=alt.Scale(type="utc"), axis=alt.Axis(format="%b %Y"))
        return alt.Chart(alt.InlineData(values=some)).encode(x=x)

    tips = [
        alt.Tooltip("name:N", title="month"),
        alt.Tooltip("faults:Q", format=","),
        alt.Tooltip("rate:Q", title=f"faults per 1,000 {per}", format=".3"),
        alt.Tooltip("low:Q", title="chance brings from", format=".3"),
        alt.Tooltip("high:Q", title="to", format=".3"),
        alt.Tooltip("stands:N", title="that is"),
    ]
    y = alt.Y("rate:Q", title=f"faults per 1,000 {per}", scale=alt.Scale(zero=True))
    line = months(rows).mark_line(color=PALETTE["blue"], strokeWidth=1, opacity=0.5).encode(y=y)
    layers: list[alt.Chart] = [line]
    if judged := [row for row in rows if row["high"] is not None]:
        range_ = months(judged)
        edge = range_.mark_line(style="reference", interpolate="step")
        centre = range_.mark_line(style="reference", strokeDash=[1, 0], interpolate="step")
        band = range_.mark_area(style="band", interpolate="step").encode(y="low:Q", y2="high:Q")
        layers = [band, edge.encode(y="low:Q"), edge.encode(y="high:Q"), centre.encode(y="centre:Q"), line]
    if ordinary := [row for row in rows if row["label"] is None]:
        layers.append(months(ordinary).mark_point(color=PALETTE["blue"]).encode(y=y, tooltip=tips))
    if signals := [row for row in rows if row["label"] is not None]:
        marks = months(signals).encode(y=y)
        layers.append(
            marks.mark_point(color=PALETTE["orange"], shape="diamond", size=170).encode(tooltip=tips)
        )
        layers.append(marks.mark_text(dy=-14).encode(text="label:N"))
    return alt.layer(*layers)


def position_by_cause(rows: Rows, positions: list[str], causes: list[str]) -> Chart:
    """Counts of faults by position and cause, as a table of shaded cells. Rows: position, cause, n, per_1000."""
    base = alt.Chart(alt.InlineData(values=rows)).encode(
        x=alt.X(
            "position:N",
            sort=positions,
            title="position in the chain (0 = trailer level)",
            axis=alt.Axis(orient="top", labelAngle=0),
        ),
        y=alt.Y("cause:N", sort=causes, title=None),
    )
    cells = base.mark_rect().encode(
        color=alt.Color("n:Q", scale=alt.Scale(type="sqrt"), legend=None),
        tooltip=[
            alt.Tooltip("position:N"),
            alt.Tooltip("cause:N"),
            alt.Tooltip("n:Q", title="faults", format=","),
            alt.Tooltip("per_1000:Q", title="per 1,000 loads", format=".3"),
            alt.Tooltip("limits:N", title="limits"),
        ],
    )
    return alt.layer(cells, base.mark_text(baseline="middle").encode(text=alt.Text("n:Q", format=",")))


def causes(rows: Rows, order: list[str]) -> Chart:
    """Faults by cause as bars with their counts. Rows: cause, faults, hours, cost."""
    base = alt.Chart(alt.InlineData(values=rows)).encode(y=alt.Y("cause:N", sort=order, title=None))
    x = alt.X("faults:Q", title="faults in twelve months", axis=alt.Axis(tickMinStep=1))
    bars = base.mark_bar(color=PALETTE["blue"], height=14).encode(
        x=x,
        tooltip=[
            alt.Tooltip("cause:N"),
            alt.Tooltip("faults:Q", format=","),
            alt.Tooltip("hours:Q", title="hours stopped", format=",.0f"),
            alt.Tooltip("cost:Q", title="cost", format=",.0f"),
        ],
    )
    return alt.layer(bars, base.mark_text(style="label").encode(x=x, text=alt.Text("faults:Q", format=",")))


def mean_time(rows: Rows, order: list[str]) -> Chart:
    """Faults per 1,000 loads by position with limits. Rows: position, rate, low, high, n, trailers."""
    base = alt.Chart(alt.InlineData(values=rows)).encode(
        y=alt.Y("position:N", sort=order, title="position in the chain")
    )
    x = alt.X(
        "rate:Q", title="faults per 1,000 loads of the trailers that have it", scale=alt.Scale(zero=True)
    )
    limits = base.mark_rule(style="limits").encode(x="low:Q", x2="high:Q")
    points = base.mark_point(color=PALETTE["blue"], opacity=1).encode(
        x=x,
        tooltip=[
            alt.Tooltip("position:N"),
            alt.Tooltip("n:Q", title="faults", format=","),
            alt.Tooltip("rate:Q", title="per 1,000 loads", format=".3"),
            alt.Tooltip("low:Q", title="from", format=".3"),
            alt.Tooltip("high:Q", title="to", format=".3"),
            alt.Tooltip("trailers:Q", format=","),
        ],
    )
    counts = base.mark_text(style="quiet").encode(x="high:Q", text="n:Q")
    return alt.layer(limits, points, counts)
