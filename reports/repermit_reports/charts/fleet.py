"""The charts of the fleet's page. Rows of plain values in; may import `theme`."""

from __future__ import annotations

from typing import Any

import altair as alt

from repermit_reports.theme import PALETTE

Rows = list[dict[str, Any]]
Chart = alt.LayerChart | alt.FacetChart


def where_it_goes(rows: Rows, order: list[str]) -> Chart:
    """Hours stopped by what was found, with the number of faults beside. Rows: cause, hours, faults, money, label."""
    base = alt.Chart(alt.InlineData(values=rows)).encode(y=alt.Y("cause:N", sort=order, title=None))
    x = alt.X("hours:Q", title="hours stopped")
    bars = base.mark_bar(color=PALETTE["blue"], height=14).encode(
        x=x,
        tooltip=[
            alt.Tooltip("cause:N", title="found"),
            alt.Tooltip("hours:Q", title="hours stopped", format=",.0f"),
            alt.Tooltip("faults:Q", format=","),
            alt.Tooltip("money:Q", format=",.0f"),
        ],
    )
    return alt.layer(bars, base.mark_text(style="label").encode(x=x, text="label:N"))
