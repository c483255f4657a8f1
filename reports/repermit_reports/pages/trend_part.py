"""The part of the monthly page on trend: are trailers getting better or worse. Takes `Trend`, gives a `Section`."""

from __future__ import annotations

from repermit.studies.trend import Point, Trend
from repermit.wording import number, whole
from repermit_reports.charts import trend as charts
from repermit_reports.page import Column, Figure, Section, Table

METHODS = (
    "Better or worse: a robust score test over trailers, each on its own window of service, with the month of the year taken out (Lawless and Nadeau 1995; Boos 1992); faults by age are the mean cumulative function with robust limits (Nelson 1995, 2003; Lawless and Nadeau 1995); the mean time between faults now is that of a power law over the last 90 days (Crow 1975).",
)
DAYS_A_YEAR = 365.25
MOST_POINTS = 400
"""More steps than that no screen shows."""


def by_age(t: Trend, min_trailers: int) -> Section:
    """Verdict in words, faults by age as a picture, and the table behind it."""
    points = [p for p in t.points if p.low is not None and p.high is not None]
    if len(points) < 2:
        return Section("trend", "Better or worse", t.says)
    shown = points[:: max(1, len(points) // MOST_POINTS)]
    shown = shown if shown[-1] is points[-1] else [*shown, points[-1]]
    rows = [
        {
            "age_years": p.age_days / DAYS_A_YEAR,
            "age": f"{number(p.age_days / DAYS_A_YEAR)} years",
            "faults": p.per_trailer,
            "low": p.low,
            "high": p.high,
            "at_risk": p.at_risk,
        }
        for p in shown
    ]
    first, last = points[0], points[-1]
    says = (
        f"Faults a trailer has had between an age of {number(first.age_days / DAYS_A_YEAR, 2)} and"
        f" {number(last.age_days / DAYS_A_YEAR, 2)} years, added up, with 95 % limits: {number(last.per_trailer)}"
        f" ({number(last.low)} to {number(last.high)}) at the end. The dashed line is a rate that stays the same."
    )
    return Section(
        "trend",
        "Better or worse",
        t.says,
        figure=Figure("trend-figure", charts.by_age(rows), says),
        table=_table(points),
        notes=(
            f"By age, not by date: each trailer counts while it is on record, over the ages at which {whole(min_trailers)} or more are."
            " A curve that bends upwards is trailers that fail more often as they age; the sentence above is about dates.",
            "No change shown is not the same as no change.",
        ),
    )


def _table(points: list[Point]) -> Table:
    """The last step of each year of age."""
    years = {int(p.age_days // DAYS_A_YEAR): p for p in points}
    return Table(
        "trend-table",
        "Faults a trailer by age",
        (
            Column("age", "by an age of", unit="years", kind="number"),
            Column("at_risk", "trailers watched then", kind="integer"),
            Column("faults", "faults a trailer", kind="interval"),
        ),
        tuple((p.age_days / DAYS_A_YEAR, p.at_risk, (p.per_trailer, p.low, p.high)) for p in years.values()),
    )
