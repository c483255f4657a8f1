"""The chart of faults by age. Rows of plain values in; may import `theme`."""

from __future__ import annotations

from typing import Any

import altair as alt

from repermit_reports.theme import PALETTE

Rows = list[dict[str, Any]]
Chart = alt.LayerChart | alt.FacetChart


def by_age(rows: Rows) -> Chart:
    """Faults that a trailer has had by an age, with limits, beside the straight line of a rate that stays.

    Rows in order of age: age_years, faults, low, high, at_risk, age (as text).
    """
    base = alt.Chart(alt.InlineData(values=rows)).encode(
        x=alt.X(
            "age_years:Q",
            title="age of the trailer, years",
            scale=alt.Scale(zero=False, nice=False),
        )
    )
    y = alt.Y("faults:Q", title="faults a trailer, added up", scale=alt.Scale(zero=True))
    band = base.mark_area(style="band", interpolate="step-after").encode(
        y=alt.Y("low:Q", title="faults a trailer, added up"), y2="high:Q"
    )
    line = base.mark_line(color=PALETTE["blue"], interpolate="step-after").encode(y=y)
    steady = (
        alt.Chart(alt.InlineData(values=[rows[0] | {"faults": 0.0}, rows[-1]]))
        .mark_line(style="reference")
        .encode(x="age_years:Q", y=y)
    )
    touch = base.mark_point(opacity=0, size=90).encode(
        y=y,
        tooltip=[
            alt.Tooltip("age:N"),
            alt.Tooltip("faults:Q", title="faults a trailer", format=".3"),
            alt.Tooltip("low:Q", title="from", format=".3"),
            alt.Tooltip("high:Q", title="to", format=".3"),
            alt.Tooltip("at_risk:Q", title="trailers watched", format=","),
        ],
    )
    return alt.layer(band, steady, line, touch)


def by_group(rows: Rows, names: list[str]) -> Chart:
    """Faults that a trailer of each group has had by an age, with limits, a step line a group with its name.

    Rows: name, age_years, faults, low, high, at_risk, age (as text).
    """
    colour = alt.Color(
        "name:N",
        title=None,
        scale=alt.Scale(domain=names, range=list(PALETTE.values())[: len(names)]),
        legend=alt.Legend(symbolOpacity=1),
    )
    x = alt.X("age_years:Q", title="age of the trailer, years", scale=alt.Scale(zero=False, nice=False))
    title = "faults a trailer, added up"
    base = alt.Chart(alt.InlineData(values=rows)).encode(x=x, color=colour)
    band = base.mark_area(interpolate="step-after", opacity=0.12).encode(
        y=alt.Y("low:Q", title=title), y2="high:Q"
    )
    line = base.mark_line(interpolate="step-after").encode(
        y=alt.Y("faults:Q", title=title, scale=alt.Scale(zero=True)),
        tooltip=[
            alt.Tooltip("name:N", title="group"),
            alt.Tooltip("age:N"),
            alt.Tooltip("faults:Q", title="faults a trailer", format=".3"),
            alt.Tooltip("low:Q", title="from", format=".3"),
            alt.Tooltip("high:Q", title="to", format=".3"),
            alt.Tooltip("at_risk:Q", title="trailers watched", format=","),
        ],
    )
    return alt.layer(band, line)
