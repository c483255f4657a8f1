"""An invented page with every kind of chart and cell, and names that attack it."""

from __future__ import annotations

from datetime import date
from typing import Any

import altair as alt
import polars as pl

from repermit_reports.page import Column, Figure, Page, Section, Table

HOSTILE = [
    "<script>window.pwned = 1; alert(1)</script>",
    "</script><script>window.pwned = 1</script>",
    '"><img src=x onerror="window.pwned = 1">',
    "'); window.pwned = 1; ('",
    "datum['x'] + (window.pwned = 1)",
    "__proto__",
    "constructor",
    "toString",
    "\u202egnp.exe\u202c",
    '=HYPERLINK("http://pwned.invalid")',
    "javascript:window.pwned=1",
    "{{ 7 * 7 }}",
    "a\x00b\ud800",
    "]]> <!-- --> & &lt;",
]


def bars(names: list[str]) -> alt.TopLevelMixin:
    """A rate a name with its interval."""
    rows = [
        {
            "name": name,
            "rate": 5 / (at + 1),
            "low": 3 / (at + 1),
            "high": 8 / (at + 1),
            "says": f"{name}: {at} faults",
        }
        for at, name in enumerate(names)
    ]
    base = alt.Chart(alt.InlineData(values=rows)).encode(
        y=alt.Y("name:N", sort=names, title=None), tooltip=[alt.Tooltip("says:N", title="")]
    )
    return alt.layer(
        base.mark_rule(style="limits").encode(
            x=alt.X("low:Q", title="faults per 1,000 loads", scale=alt.Scale(zero=True)), x2="high:Q"
        ),
        base.mark_point().encode(x="rate:Q"),
    )


def line() -> alt.TopLevelMixin:
    """A monthly rate with a band and a reference."""
    months = [date(2023 + month // 12, month % 12 + 1, 1) for month in range(18)]
    rate = [2 + (month * 7 % 5) / 4 for month in range(18)]
    frame = pl.DataFrame({"month": months, "rate": rate}).with_columns(
        low=pl.col("rate") - 0.7, high=pl.col("rate") + 1
    )
    base = alt.Chart(frame).encode(x=alt.X("month:T", title=None, axis=alt.Axis(format="%b %Y")))
    steady = alt.Chart(alt.InlineData(values=[{"rate": 2.5}])).mark_rule(style="reference").encode(y="rate:Q")
    return alt.layer(
        base.mark_area(style="band").encode(y=alt.Y("low:Q", title="faults per 1,000 loads"), y2="high:Q"),
        base.mark_line().encode(y="rate:Q"),
        steady,
    )


def matrix() -> alt.TopLevelMixin:
    """Counts of found against indicated position, written on a shaded cell."""
    rows = [
        {"named": str(k), "found": str(j), "faults": max(0, 40 - 13 * abs(j - k))}
        for k in range(6)
        for j in range(6)
    ]
    base = alt.Chart(alt.InlineData(values=rows)).encode(
        x=alt.X("named:O", title="position the tester named", axis=alt.Axis(labelAngle=0)),
        y=alt.Y("found:O", title="position where the fault was"),
    )
    return alt.layer(
        base.mark_rect().encode(color=alt.Color("faults:Q", title="faults")),
        base.mark_text().encode(text="faults:Q"),
    )


def steps(names: list[str]) -> Any:
    """Risk of coming back by days since the repair, a line a name."""
    rows = [
        {"name": n, "day": day, "risk": day / 900 * (k + 1)}
        for k, n in enumerate(names)
        for day in range(0, 181, 30)
    ]
    return (
        alt.Chart(alt.InlineData(values=rows))
        .mark_line(interpolate="step-after")
        .encode(
            x=alt.X("day:Q", title="days since the repair"),
            y=alt.Y("risk:Q", title="came back", axis=alt.Axis(format=".0%")),
            color=alt.Color("name:N", title=None, sort=names),
            strokeDash=alt.StrokeDash("name:N", title=None, sort=names, legend=None),
        )
    )


def small(names: list[str]) -> Any:
    """Several small plots."""
    rows = [
        {"name": n, "year": year, "visits": (year * 7 + k) % 9}
        for k, n in enumerate(names)
        for year in range(5)
    ]
    chart = alt.Chart(alt.InlineData(values=rows), width=150, height=110).mark_bar()
    return chart.encode(x=alt.X("year:O", title="year"), y=alt.Y("visits:Q", title="visits")).facet(
        facet=alt.Facet("name:N", title=None), columns=3
    )


def example(kind: str = "monthly", names: list[str] | None = None) -> Page:
    """A page with every kind of chart and cell. All of it is invented."""
    names = names or [
        "crimp on the last housing",
        "residual liquid",
        "corrosion",
        "sensor failed",
        "open ground circuit",
    ]
    columns = (
        Column("name", "Cause"),
        Column("faults", "Faults", kind="integer"),
        Column(
            "rate", "Rate", "per 1,000 loads", "interval", "Faults over completed loads, with 95 % limits."
        ),
        Column("back", "Came back", "within 90 days", "share"),
        Column("cost", "Cost", "EUR", "money"),
        Column("first", "First seen", "", "date"),
        Column("risk", "Risk", "%", "interval"),
        Column("z", "Mean", "days", "number"),
    )
    rows = tuple(
        (
            name,
            max(0, 12340 - 3000 * k) if k else 9,
            (2.1 / (k + 1), 1.2 / (k + 1), 3.4 / (k + 1)),
            (6 + k, 50),
            1240.4 * k,
            date(2024, 3, 1 + k % 28) if k != 1 else None,
            (0.12, 0.04, 0.21),
            None if k == 2 else 41.26 * (k + 1),
        )
        for k, name in enumerate(names)
    )
    sections = (
        Section(
            "causes",
            "Which causes stop loading",
            f"{names[0]} leads: 2.1 per 1,000 loads (1.2 to 3.4).\n\nThe others lie "
            "within each other's intervals.",
            Figure("causes-figure", bars(names), f"{names[0]} has the highest rate."),
            Table("causes-table", "Faults by cause", columns, rows),
            ("Missing findings are shared out.",),
        ),
        Section(
            "months",
            "Better or worse",
            "No change is shown.",
            Figure("months-figure", line(), "The rate stays within its interval for 18 months."),
            Table("months-table", "By month", columns[:2], rows_of(2, rows)),
        ),
        Section(
            "located",
            "Where the fault was",
            "Most were found where the tester pointed.",
            Figure("located-figure", matrix(), "Counts lie on the diagonal."),
        ),
        Section(
            "holds",
            "Do repairs hold",
            "Of 50 repairs 6 came back, 12 %.",
            Figure("holds-figure", steps(names[:5]), "Risk rises evenly over 180 days."),
        ),
        Section(
            "shops",
            "By shop",
            "Too few to tell apart.",
            Figure("shops-figure", small(names[:3]), "Visits a year."),
        ),
        Section(
            "plain",
            "A table of its own",
            "Without a picture.",
            None,
            Table("plain-table", "All causes", columns, rows),
        ),
    )
    return Page(
        kind,
        "Refused loads: what to change",
        f"Invented fleet {names[-1]}, June 2024",
        "Refusals cost 1,240 hours in June 2024 (980 to 1,510), no more than in the months before.",
        "This page is made from invented records.\n\nIt answers six questions.",
        sections,
        ("Local code, the site's permit and licensed, competent people decide.", "Bond and ground first."),
        (
            "Loads and refusals, 1 May to 30 June 2024.",
            Table("used", "Files read", columns[:2], rows_of(2, rows)),
        ),
        ("Exact Poisson limits: Garwood 1936.",),
        ("Missing findings occur like recorded ones of the same kind.", names[0]),
        "Records before 2024-07-01",
    )


def rows_of(width: int, rows: tuple[tuple[object, ...], ...]) -> tuple[tuple[object, ...], ...]:
    """The first columns of rows."""
    return tuple(row[:width] for row in rows)
