"""Better or worse: faults by the age of trailers, of all together and by fleet."""

from __future__ import annotations

from typing import Any

from repermit.studies.ages.trend import Point, Trend
from repermit.studies.readers.monthly import Monthly
from repermit.wording import named, number, whole, words
from repermit_reports.charts import trend as charts
from repermit_reports.page import Column, Figure, Section, Table
from repermit_reports.theme import PALETTE

METHOD = "Better or worse: a robust score test over trailers, each on its own window of service, with the month of the year taken out (Lawless and Nadeau 1995; Boos 1992); faults by age are the mean cumulative function with robust limits (Nelson 1995, 2003; Lawless and Nadeau 1995); the mean time between faults now is that of a power law over the last 90 days (Crow 1975)."
DAYS_A_YEAR = 365.25
MOST_POINTS = 400
"""More steps than that no screen shows."""


def by_age(t: Trend, min_trailers: int) -> Section:
    """Verdict in words, faults by age as a picture, and the table behind it."""
    points = [p for p in t.points if p.low is not None and p.high is not None]
    if len(points) < 2:
        return Section("trend", "Better or worse", t.sentence)
    rows, yearly = _drawn(points, MOST_POINTS), _drawn(_yearly(points), MOST_POINTS)
    first, last = points[0], points[-1]
    says = (
        f"Faults a trailer has had between an age of {number(first.age_days / DAYS_A_YEAR, 2)} and"
        f" {number(last.age_days / DAYS_A_YEAR, 2)} years, added up, with 95 % limits: {number(last.per_trailer)}"
        f" ({number(last.low)} to {number(last.high)}) at the end. The dashed line is a rate that stays the same."
    )
    return Section(
        "trend",
        "Better or worse",
        t.sentence,
        figure=Figure("trend-figure", charts.by_age(rows, yearly), says),
        table=_table(points),
        notes=(
            f"By age, not by date: each trailer counts while it is on record, over the ages at which {whole(min_trailers)} or more are."
            " A curve that bends upwards is trailers that fail more often as they age; the sentence above is about dates.",
            "No change shown is not the same as no change.",
        ),
    )


def by_group(m: Monthly) -> Section | None:
    """Each fleet's curve and verdict; None where there is one fleet only. Those apart and the largest are drawn, all are in the table."""
    found = [t for t in m.trends.rows if t.trailers]
    if len(found) < 2:
        return None
    drawn = {
        words(t.key): [p for p in t.points if p.low is not None and p.high is not None]
        for t in sorted(found, key=lambda t: (not t.apart, -t.trailers))[: len(PALETTE)]
    }
    drawn = {name: points for name, points in drawn.items() if len(points) > 1}
    rows = [
        row | {"name": name}
        for name, points in drawn.items()
        for row in _drawn(points, MOST_POINTS // len(drawn))
    ]
    yearly = {name: _yearly(points) for name, points in drawn.items()}
    touched = [row | {"name": name} for name, points in yearly.items() for row in _drawn(points, MOST_POINTS)]
    apart = [f"{words(t.key)}: {t.compared}" for t in found if t.apart]
    left_out = (
        f", of {whole(len(found))} fleets those apart and the largest" if len(found) > len(drawn) else ""
    )
    none = "No fleet's trailers are shown to have more or fewer faults than the others at the same ages."
    return Section(
        "groups",
        "Faults a trailer by fleet",
        named(apart, " ") or none,
        figure=Figure(
            "groups-figure",
            charts.by_group(rows, touched, list(drawn)),
            f"Faults a trailer has had by age, added up, by fleet with 95 % limits: {', '.join(drawn)}{left_out}.",
        )
        if rows
        else None,
        drawn=_curves(yearly) if rows else None,
        table=_groups_table(found),
        notes=(
            "A curve starts at 0 at the first age at which enough trailers of the fleet are watched: compare how steep they are, not where they end. The table compares at the same ages.",
            "Below 0 is fewer. Fleets differ in lengths of trailers, work and shops as well as in care.",
        ),
    )


def _groups_table(found: list[Trend]) -> Table:
    return Table(
        "groups-table",
        "Fleets: better or worse with time, and against the other trailers of the same ages",
        (
            Column("fleet", "fleet"),
            Column("trailers", "trailers", kind="integer"),
            Column("faults", "faults", kind="integer"),
            Column("verdict", "with time"),
            Column("now", "one fault in, now", unit="trailer-days", kind="interval"),
            Column("more", "faults a trailer more than the others", kind="interval"),
        ),
        tuple(
            (
                words(t.key), t.trailers, t.faults, words(t.verdict),
                None if t.mtbf_now_days is None else (t.mtbf_now_days, t.mtbf_now_days_low, t.mtbf_now_days_high),
                None if t.more_than_rest is None else (t.more_than_rest, t.more_than_rest_low, t.more_than_rest_high),
            )
            for t in found
        ),
    )  # fmt: skip


def _drawn(points: list[Point], most: int) -> list[dict[str, Any]]:
    """So many of the points as rows of a chart, the last with them."""
    shown = points[:: max(1, len(points) // most)]
    shown = shown if shown[-1] is points[-1] else [*shown, points[-1]]
    return [
        {
            "age_years": p.age_days / DAYS_A_YEAR,
            "age": number(p.age_days / DAYS_A_YEAR),
            "faults": p.per_trailer,
            "low": p.low,
            "high": p.high,
            "at_risk": p.at_risk,
        }
        for p in shown
    ]


def _yearly(points: list[Point]) -> list[Point]:
    """The last step of each year of age."""
    return list({int(p.age_days // DAYS_A_YEAR): p for p in points}.values())


CURVE = (
    Column("age", "by an age of", unit="years", kind="number"),
    Column("at_risk", "trailers watched then", kind="integer"),
    Column("faults", "faults a trailer", kind="interval"),
)


def _cells(p: Point) -> tuple[object, ...]:
    return p.age_days / DAYS_A_YEAR, p.at_risk, (p.per_trailer, p.low, p.high)


def _table(points: list[Point]) -> Table:
    """The last step of each year of age."""
    return Table("trend-table", "Faults a trailer by age", CURVE, tuple(_cells(p) for p in _yearly(points)))


def _curves(yearly: dict[str, list[Point]]) -> Table:
    """The same by fleet."""
    rows = tuple((name, *_cells(p)) for name, points in yearly.items() for p in points)
    return Table(
        "curves-table", "Faults a trailer by age and fleet", (Column("fleet", "fleet"), *CURVE), rows
    )
