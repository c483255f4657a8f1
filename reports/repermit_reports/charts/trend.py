"""The chart of faults by age. Rows of plain values in; may import `plot` and `theme`."""

from __future__ import annotations

from typing import Any

import altair as alt

from repermit_reports.charts.plot import plot
from repermit_reports.theme import PALETTE

Rows = list[dict[str, Any]]
Chart = alt.LayerChart | alt.FacetChart


def _touch(rows: Rows, named: bool = False) -> alt.Chart:
    """Unseen points that tell their numbers: those that the table has."""
    touch: alt.Chart = (
        plot(rows)
        .mark_point(opacity=0, size=120)
        .encode(
            x=alt.X("age_years:Q"),
            y=alt.Y("faults:Q"),
            tooltip=[
                *([alt.Tooltip("name:N", title="fleet")] if named else []),
                alt.Tooltip("age:N", title="by an age of, years"),
                alt.Tooltip("faults:Q", title="faults a trailer", format=".3"),
                alt.Tooltip("low:Q", title="from", format=".3"),
                alt.Tooltip("high:Q", title="to", format=".3"),
                alt.Tooltip("at_risk:Q", title="trailers watched", format=","),
            ],
        )
    )
    return touch


def by_age(rows: Rows, touched: Rows) -> Chart:
    """Faults that a trailer has had by an age, with limits, beside the straight line of a rate that stays.

    Rows in order of age: age_years, faults, low, high, at_risk, age (as text); `touched` tell their numbers.
    """
    base = plot(rows).encode(
        x=alt.X(
            "age_years:Q",
            title="age of the trailer, years",
            scale=alt.Scale(zero=False, nice=False),
        )
    )
    y = alt.Y("faults:Q", title="faults a trailer, added up", scale=alt.Scale(zero=True))
    band = base.mark_area(style="band", interpolate="step-after").encode(
        y=alt.Y("low:Q", title="faults a trailer, added up"), y2=alt.Y2("high:Q")
    )
    line = base.mark_line(color=PALETTE["blue"], interpolate="step-after").encode(y=y)
    steady = (
        plot([rows[0] | {"faults": 0.0}, rows[-1]])
        .mark_line(style="reference")
        .encode(x=alt.X("age_years:Q"), y=y)
    )
    return alt.layer(band, steady, line, _touch(touched))


def by_group(rows: Rows, touched: Rows, names: list[str]) -> Chart:
    """Faults that a trailer of each group has had by an age, with limits, a step line a group with its name.

    Rows: name, age_years, faults, low, high, at_risk, age (as text); `touched` tell their numbers.
    """
    colour = alt.Color(
        "name:N",
        title=None,
        scale=alt.Scale(domain=names, range=list(PALETTE.values())[: len(names)]),
        legend=alt.Legend(symbolOpacity=1),
    )
    x = alt.X("age_years:Q", title="age of the trailer, years", scale=alt.Scale(zero=False, nice=False))
    title = "faults a trailer, added up"
    base = plot(rows).encode(x=x, color=colour)
    band = base.mark_area(interpolate="step-after", opacity=0.12).encode(
        y=alt.Y("low:Q", title=title), y2=alt.Y2("high:Q")
    )
    line = base.mark_line(interpolate="step-after").encode(
        y=alt.Y("faults:Q", title=title, scale=alt.Scale(zero=True))
    )
    return alt.layer(band, line, _touch(touched, named=True))
