"""The charts of the terminal's page. Rows of plain values in; may import `plot` and `theme`."""

from __future__ import annotations

import math
from typing import Any

import altair as alt

from repermit_reports.charts.plot import plot
from repermit_reports.theme import PALETTE

Rows = list[dict[str, Any]]
Chart = alt.LayerChart | alt.FacetChart
STRIP_PX = 84
FILLED = 0.7
"""How much of a strip's height its bars may take; the rest holds the lane's name."""


def by_lane(rows: Rows, order: list[str]) -> Chart:
    """How many times the usual a lane has, with limits and counts; a line at 1.

    Rows: lane, times, low, high (None: no upper limit), n, loads, stands_out. Limits beyond the axis are cut there.
    """
    reach = (min(row["high"] or math.inf, 3 * max(row["times"], 1.0)) for row in rows)
    top = _round_up(1.05 * max(4.0, *reach))
    drawn = [row | {"until": min(row["high"] or top, top)} for row in rows]
    base = plot(drawn).encode(y=alt.Y("lane:N", sort=order, title=None))
    title = "times what is usual for the same trailers"
    colour = alt.ColorValue(
        PALETTE["blue"], condition={"test": "datum.stands_out", "value": PALETTE["orange"]}
    )
    scale = alt.Scale(domain=[0, top], nice=False)
    usual = plot([{"usual": 1}]).mark_rule(style="reference").encode(x=alt.X("usual:Q"))
    limits = base.mark_rule(strokeWidth=2).encode(
        x=alt.X("low:Q", title=title, scale=scale), x2=alt.X2("until:Q"), color=colour
    )
    points = base.mark_point(filled=True, size=60, opacity=1).encode(
        x=alt.X("times:Q"),
        color=colour,
        tooltip=[
            alt.Tooltip("lane:N"),
            alt.Tooltip("loads:Q", title="loads", format=","),
            alt.Tooltip("times:Q", title="times the usual", format=".3"),
            alt.Tooltip("low:Q", title="from", format=".3"),
            alt.Tooltip("high:Q", title="to", format=".3"),
        ],
    )
    counts = base.mark_text(style="label").encode(x=alt.X("until:Q"), text=alt.Text("n:Q", format=","))
    return alt.layer(limits, points, counts, usual)


def strips(rows: Rows, order: list[str], usual: dict[str, float], since: dict[str, str]) -> Chart:
    """Refusals cleared without a repair per 1,000 loads, month by month, one strip a lane.

    Rows: lane, month (YYYY-MM-01), until (the next month), rate, n, loads; a month without a row has no bar and no
    baseline. `usual`: the other lanes' rate by lane, a dashed line. `since`: a month to mark, by lane.
    """
    top = _round_up(max([row["rate"] for row in rows] + list(usual.values())))
    floor = {lane: len(order) - 1 - i for i, lane in enumerate(order)}

    def height(lane: str, rate: float) -> float:
        return floor[lane] + FILLED * rate / top

    drawn = []
    for row in rows:
        lane = row["lane"]
        up = height(lane, row["rate"])
        drawn.append(row | {"floor": floor[lane], "height": up, "marked": lane in since})
    first, last = min(row["month"] for row in rows), max(row["until"] for row in rows)
    names = [
        {"lane": lane, "first": first, "last": last, "top": floor[lane] + FILLED}
        | ({"usual": height(lane, usual[lane])} if lane in usual else {})
        for lane in order
    ]
    marks = [
        {"month": month, "floor": floor[lane], "top": floor[lane] + FILLED}
        for lane, month in since.items()
        if lane in floor
    ]
    return alt.layer(*_strip_layers(drawn, names, marks, top)).properties(height=STRIP_PX * len(order))


def _strip_layers(drawn: Rows, names: Rows, marks: Rows, top: float) -> list[alt.Chart]:
    ticks = [floor + up for floor in range(len(names)) for up in (0, FILLED)]
    written = f"datum.value - floor(datum.value) < {FILLED / 2} ? '0' : '{top:g}'"
    count = len(ticks)  # else the theme's count thins the values out
    axis = alt.Axis(
        values=ticks, tickCount=count, labelExpr=written, labelOverlap=False, domain=False, ticks=False
    )
    scale = alt.Scale(domain=[0, len(names)], nice=False)

    def y(field: str) -> alt.Y:
        return alt.Y(f"{field}:Q", axis=axis, scale=scale, title="cleared per 1,000 loads")

    time = alt.Axis(format="%b %Y", grid=False)
    x = alt.X("month:T", title=None, scale=alt.Scale(type="utc", nice=False), axis=time)
    colour = alt.ColorValue(PALETTE["blue"], condition={"test": "datum.marked", "value": PALETTE["orange"]})
    tips = [
        alt.Tooltip("lane:N"),
        alt.Tooltip("name:N", title="month"),
        alt.Tooltip("n:Q", title="cleared, no repair", format=","),
        alt.Tooltip("loads:Q", title="loads", format=","),
        alt.Tooltip("rate:Q", title="per 1,000 loads", format=".3"),
    ]
    bars = plot(drawn).encode(x=x, x2=alt.X2("until:T"), color=colour)
    named = plot(names).encode(x=alt.X("first:T"))
    label = named.mark_text(align="left", baseline="bottom", dy=-4, fontWeight=600)
    layers = [
        bars.mark_rect(opacity=0.85).encode(y=y("floor"), y2=alt.Y2("height:Q"), tooltip=tips),
        bars.mark_rule(strokeWidth=1.5).encode(y=y("floor")),
        named.mark_rule(style="reference").encode(x2=alt.X2("last:T"), y=y("usual")),
        label.encode(y=y("top"), text=alt.Text("lane:N")),
    ]
    if marks:
        since = plot(marks).mark_rule(strokeWidth=1.5)
        layers.append(since.encode(x=alt.X("month:T"), y=y("floor"), y2=alt.Y2("top:Q")))
    return layers


def _round_up(value: float) -> float:
    """The next round number, to one figure or a half of it; 1 for nothing."""
    if value <= 0:
        return 1.0
    power = 10.0 ** math.floor(math.log10(value))
    return next(
        step * power for step in (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0) if step * power >= value
    )
