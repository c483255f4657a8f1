"""The charts of the owner's page. Rows of plain values in; may import `plot` and `theme`."""

from __future__ import annotations

import math
from collections import Counter
from typing import Any

import altair as alt

from repermit_reports.charts.plot import plot
from repermit_reports.theme import PALETTE

Rows = list[dict[str, Any]]
Chart = alt.LayerChart | alt.FacetChart
WHAT = ("hours stopped", "money")
STANDS = ("too few to tell", "clearly more")
MOST_BARS = 10
"""So many faults and more are one bar: bars of few trailers each, far out, would press the others together."""
ROOM_FOR_LABELS = 1.6
"""How much longer the axis is than the longest bar, so that a label fits behind it on a phone."""


def hours_and_money(rows: Rows, order: list[str]) -> Chart:
    """Each cause's share of all hours and of all money, in per cent, with the amounts as labels.

    Rows: cause, what (one of WHAT), share (0 to 100), amount (the label), faults.
    """
    there = [what for what in WHAT if any(row["what"] == what for row in rows)]
    most = max(row["share"] for row in rows)
    step = next(s for s in (5, 10, 20, 25) if most / s <= 5)
    ticks = [step * n for n in range(math.ceil(most / step) + 1)]
    base = plot(rows).encode(
        y=alt.Y("cause:N", sort=order, title=None, axis=alt.Axis(labelExpr="split(datum.label, ', ')")),
        yOffset=alt.YOffset("what:N", sort=there, scale=alt.Scale(paddingOuter=0.25)),
        x=alt.X(
            "share:Q",
            title="share of all, %",
            scale=alt.Scale(domain=[0, max(most * ROOM_FOR_LABELS, ticks[-1])], nice=False),
            axis=alt.Axis(values=ticks),
        ),
    )
    bars = base.mark_bar().encode(
        color=alt.Color(
            "what:N",
            title=None,
            sort=there,
            scale=alt.Scale(
                domain=there, range=[PALETTE["blue" if w == WHAT[0] else "orange"] for w in there]
            ),
        ),
        tooltip=[
            alt.Tooltip("cause:N"),
            alt.Tooltip("faults:Q", format=","),
            alt.Tooltip("what:N", title="what"),
            alt.Tooltip("amount:N"),
        ],
    )
    labels = base.mark_text(style="label").encode(text=alt.Text("amount:N"))
    return alt.layer(bars, labels).properties(height=alt.Step(17, **{"for": "offset"}))


def trailers_by_faults(rows: Rows) -> Chart:
    """How many trailers had no fault, one, two and so on. Rows: faults, trailers, stands (one of STANDS)."""
    most = min(max(row["faults"] for row in rows), MOST_BARS)
    bars = [str(n) for n in range(most)] + [str(most) if most < MOST_BARS else f"{MOST_BARS}+"]
    drawn = Counter[tuple[str, str]]()
    for row in rows:
        drawn[bars[min(row["faults"], most)], row["stands"]] += row["trailers"]
    here = [stands for stands in STANDS if any(row["stands"] == stands for row in rows)]
    base = plot([{"faults": n, "stands": stands, "trailers": k} for (n, stands), k in drawn.items()]).encode(
        x=alt.X(
            "faults:O",
            title="faults of the trailer",
            scale=alt.Scale(domain=bars),
            axis=alt.Axis(labelAngle=0),
        ),
        y=alt.Y(
            "trailers:Q",
            title="trailers",
            stack="zero",
            axis=alt.Axis(tickMinStep=1, format="d", tickCount=4),
        ),
    )
    columns = base.mark_bar().encode(
        color=alt.Color(
            "stands:N",
            title=None,
            sort=here,
            scale=alt.Scale(
                domain=here, range=[PALETTE["blue" if s == STANDS[0] else "orange"] for s in here]
            ),
        ),
        tooltip=[
            alt.Tooltip("faults:O"),
            alt.Tooltip("trailers:Q", format=","),
            alt.Tooltip("stands:N", title="that is"),
        ],
    )
    counts = (
        base.transform_aggregate(trailers="sum(trailers)", groupby=["faults"])
        .mark_text(dy=-8, fontSize=11)
        .encode(text=alt.Text("trailers:Q", format=","))
    )
    return alt.layer(columns, counts).properties(height=170)
