"""The charts of the monthly page. Rows of plain values in; may import `plot` and `theme`."""

from __future__ import annotations

from typing import Any

import altair as alt

from repermit_reports.charts.plot import plot, with_room
from repermit_reports.theme import PALETTE

Rows = list[dict[str, Any]]
Chart = alt.LayerChart | alt.FacetChart


def control(rows: Rows, per: str) -> Chart:
    """Faults by month against the range that chance brings; a month that is a signal is a diamond with its name.

    Rows: month (YYYY-MM-01), name, rate, faults, and low, high, centre (None where not judged), stands, label.
    """

    def months(some: Rows) -> alt.Chart:
        x = alt.X(
            "month:T",
            title=None,
            scale=alt.Scale(type="utc"),
            axis=alt.Axis(format="%b %Y", labelBound=True),
        )
        return plot(some).encode(x=x)

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
        band = range_.mark_area(style="band", interpolate="step").encode(
            y=alt.Y("low:Q"), y2=alt.Y2("high:Q")
        )
        layers = [
            band,
            edge.encode(y=alt.Y("low:Q")),
            edge.encode(y=alt.Y("high:Q")),
            centre.encode(y=alt.Y("centre:Q")),
            line,
        ]
    if ordinary := [row for row in rows if row["label"] is None]:
        layers.append(months(ordinary).mark_point(color=PALETTE["blue"]).encode(y=y, tooltip=tips))
    if signals := [row for row in rows if row["label"] is not None]:
        marks = months(signals).encode(y=y)
        layers.append(
            marks.mark_point(color=PALETTE["orange"], shape="diamond", size=170).encode(tooltip=tips)
        )
        layers.append(marks.mark_text(dy=-14).encode(text=alt.Text("label:N")))
    return alt.layer(*layers)


def position_by_cause(rows: Rows, positions: list[str], causes: list[str], per: str) -> Chart:
    """Rates by position and cause, as a table of shaded cells with the count under each rate.

    Rows: position, cause, rate, and as text: rate_text, n_text, and as the table has them n and says.
    """
    base = plot(rows).encode(
        x=alt.X(
            "position:N",
            sort=positions,
            title=["position in the chain;", f"faults {per}, and how many (small)"],
            axis=alt.Axis(orient="top", labelAngle=0),
        ),
        y=alt.Y("cause:N", sort=causes, title=None, axis=alt.Axis(labelExpr="split(datum.label, ', ')")),
    )
    cells = base.mark_rect().encode(
        color=alt.Color("rate:Q", scale=alt.Scale(type="sqrt"), legend=None),
        tooltip=[
            alt.Tooltip("position:N"),
            alt.Tooltip("cause:N"),
            alt.Tooltip("says:N", title=f"faults {per}"),
            alt.Tooltip("n:N", title="faults"),
        ],
    )
    rate = base.mark_text(baseline="middle", dy=-6).encode(text=alt.Text("rate_text:N"))
    count = base.mark_text(baseline="middle", dy=8, fontSize=10).encode(text=alt.Text("n_text:N"))
    return alt.layer(cells, rate, count).properties(height={"step": 34})


def causes(rows: Rows, order: list[str], what: list[str]) -> Chart:
    """Each cause's share of all faults, hours and money, with the amounts as labels.

    Rows: cause, what (one of `what`), share (in per cent), amount (text).
    """
    colours = [PALETTE["blue"], PALETTE["orange"], PALETTE["teal"]][: len(what)]
    base = plot(rows).encode(
        y=alt.Y("cause:N", sort=order, title=None, axis=alt.Axis(labelExpr="split(datum.label, ', ')")),
        yOffset=alt.YOffset("what:N", sort=what, scale=alt.Scale(paddingOuter=0.25)),
        x=alt.X("share:Q", title="share of all, %", scale=with_room(rows, "share")),
    )
    bars = base.mark_bar().encode(
        color=alt.Color("what:N", title=None, sort=what, scale=alt.Scale(domain=what, range=colours)),
        tooltip=[
            alt.Tooltip("cause:N"),
            alt.Tooltip("what:N", title="what"),
            alt.Tooltip("amount:N"),
        ],
    )
    labels = base.mark_text(style="label", fontSize=11).encode(text=alt.Text("amount:N"))
    return alt.layer(bars, labels).properties(height=alt.Step(15, **{"for": "offset"}))


def found_against_named(rows: Rows, named: list[str], found: list[str]) -> Chart:
    """Visits by position named and place found, as shaded cells; those where both are the same are framed.

    Rows: named, found, n, of (all of the position named), same.
    """
    base = plot(rows).encode(
        x=alt.X(
            "named:N",
            sort=named,
            title="position that the tester named",
            axis=alt.Axis(orient="top", labelAngle=0),
        ),
        y=alt.Y("found:N", sort=found, title="found at position"),
    )
    cells = base.mark_rect(strokeWidth=2).encode(
        color=alt.Color("n:Q", scale=alt.Scale(type="sqrt"), legend=None),
        stroke=alt.StrokeValue("transparent", condition={"test": "datum.same", "value": PALETTE["blue"]}),
        tooltip=[
            alt.Tooltip("named:N", title="tester named"),
            alt.Tooltip("found:N", title="found at"),
            alt.Tooltip("n:Q", title="visits", format=","),
            alt.Tooltip("of:Q", title="of those with that position named", format=","),
        ],
    )
    return alt.layer(cells, base.mark_text(baseline="middle").encode(text=alt.Text("n:Q", format=",")))


def lanes(rows: Rows, order: list[str]) -> Chart:
    """How many times the usual each lane has, with limits and counts; one that stands out is a diamond.

    Rows: lane, ratio, low, high, n, loads, flagged.
    """
    base = plot(rows).encode(
        y=alt.Y("lane:N", sort=order, title=None, axis=alt.Axis(labelExpr="split(datum.label, ', ')"))
    )
    colour = alt.ColorValue(PALETTE["blue"], condition={"test": "datum.flagged", "value": PALETTE["orange"]})
    limits = base.mark_rule(strokeWidth=2).encode(
        x=alt.X("low:Q", title="times the usual", scale=with_room(rows, "high")),
        x2=alt.X2("high:Q"),
        color=colour,
    )
    points = base.mark_point().encode(
        x=alt.X("ratio:Q"),
        size=alt.SizeValue(60, condition={"test": "datum.flagged", "value": 170}),
        color=colour,
        shape=alt.ShapeValue("circle", condition={"test": "datum.flagged", "value": "diamond"}),
        tooltip=[
            alt.Tooltip("lane:N"),
            alt.Tooltip("ratio:Q", title="times the usual", format=".3"),
            alt.Tooltip("low:Q", title="from", format=".3"),
            alt.Tooltip("high:Q", title="to", format=".3"),
            alt.Tooltip("n:Q", title="refusals cleared", format=","),
            alt.Tooltip("loads:Q", title="loads", format=","),
        ],
    )
    usual = plot([{"usual": 1}]).mark_rule(style="reference").encode(x=alt.X("usual:Q"))
    counts = base.mark_text(style="quiet").encode(x=alt.X("high:Q"), text=alt.Text("n:Q", format=","))
    return alt.layer(usual, limits, points, counts).properties(height={"step": 34})


def fixes(rows: Rows, order: list[str]) -> Chart:
    """Share of fixes that came back, by what was done, with limits. Rows: action, risk, low, high, n, says."""
    base = plot(rows).encode(y=alt.Y("action:N", sort=order, title=None))
    scale = with_room(rows, "risk", "high")
    title = ["back at the same place", "within 90 days"]  # as wide as a phone shows
    none_beyond = "datum.value > 1 ? '' : datum.label"  # there is room behind 100 %, and no share
    axis = alt.Axis(format="%", labelExpr=none_beyond)
    x = alt.X("risk:Q", title=title, scale=scale, axis=axis)
    limits = base.mark_rule(style="limits").encode(
        x=alt.X("low:Q", title=title, scale=scale, axis=axis), x2=alt.X2("high:Q")
    )
    points = base.mark_point(color=PALETTE["blue"]).encode(
        x=x,
        tooltip=[
            alt.Tooltip("action:N", title="what was done"),
            alt.Tooltip("says:N", title="came back"),
            alt.Tooltip("n:Q", title="fixes with a known place", format=","),
        ],
    )
    counts = base.mark_text(style="quiet").encode(x=alt.X("high:Q"), text=alt.Text("n:Q", format=","))
    return alt.layer(limits, points, counts)


def by_position(rows: Rows, order: list[str], per: str) -> Chart:
    """Faults by position, as rates with limits. Rows: position, rate, low, high, n, trailers."""
    base = plot(rows).encode(y=alt.Y("position:N", sort=order, title="position in the chain"))
    x = alt.X("rate:Q", title=f"faults {per}", scale=with_room(rows, "rate", "high"))
    limits = base.mark_rule(style="limits").encode(x=alt.X("low:Q"), x2=alt.X2("high:Q"))
    points = base.mark_point(color=PALETTE["blue"], opacity=1).encode(
        x=x,
        tooltip=[
            alt.Tooltip("position:N"),
            alt.Tooltip("n:N", title="faults"),
            alt.Tooltip("rate:Q", title=f"faults {per}", format=".3"),
            alt.Tooltip("low:Q", title="from", format=".3"),
            alt.Tooltip("high:Q", title="to", format=".3"),
            alt.Tooltip("trailers:Q", format=","),
        ],
    )
    counts = base.mark_text(style="quiet").encode(x=alt.X("high:Q"), text=alt.Text("n:N"))
    return alt.layer(limits, points, counts)
