"""How long sensors last."""

from __future__ import annotations

from repermit.studies.ages.life import Lives
from repermit.studies.ages.life_row import Life, Point
from repermit.studies.readers.monthly import Monthly
from repermit.wording import NAMED, whole, words
from repermit_reports.charts import life as charts
from repermit_reports.page import Column, Figure, Section, Table
from repermit_reports.theme import PALETTE

METHOD = "Sensor lives: product-limit curve of sensors of known birth (Kaplan and Meier 1958); Weibull by maximum likelihood with late entry and likelihood-ratio limits (Meeker and Escobar 1998), sensors of unknown birth by the renewal process of their position since the trailer's service began (Cox 1962). No verdict unless known births alone give the same."


def lives_section(m: Monthly) -> Section:
    """How long sensors last, by system, on all records up to the month's end."""
    found = m.lives
    named = [words(str(row.key)) if row.key else "not recorded" for row in found.rows]
    lines = [
        f"{name[:1].upper()}{name[1:]}: {row.sentence}" for name, row in zip(named, found.rows, strict=True)
    ]
    if m.lots:
        more = len(m.lots) - NAMED
        rest = (
            [f"{whole(more)} more {'lot stands' if more == 1 else 'lots stand'} out: repermit life --by lot"]
            if more > 0
            else []
        )
        lines = [f"Lot {lot.key}: {lot.sentence}" for lot in m.lots[:NAMED]] + rest + lines
    points = _points(found, dict(zip((row.key for row in found.rows), named, strict=True)))
    if not lines:
        lines = [
            "No sensor's life is on record: it takes replacements, and when each trailer's records begin."
        ]
    return Section(
        "lives",
        "How long sensors last",
        "\n\n".join(lines),
        figure=_figure(found, points),
        drawn=_curves(points) if points else None,
        table=_table(found.rows, named) if found.rows else None,
        notes=(
            "Only a sensor replaced for sensor failure counts as failed; one still in place, or replaced for another reason, lasted at least so long.",
            "Sensors of a lot that stands out are left out of the others; see repermit life --by lot.",
            "A sensor stuck dry never refuses, so its failure is seen only by a wet test.",
        ),
    )


MOST_POINTS = 300
"""More steps of one curve no screen shows."""
STEP_DAYS = 90
"""The table of the curves has the last point of so many days."""
Curves = dict[str, list[Point]]


def _points(found: Lives, names: dict[object, str]) -> Curves:
    """The curves to draw, by name; none where no sensor of known birth failed."""
    curves: Curves = {}
    if found.lot_points or any(row.known.failures for row in found.rows):
        for p in found.lot_points:
            curves.setdefault(f"lot {p.key}", []).append(p)
        for p in found.points:
            curves.setdefault(names[p.key], []).append(p)
    return dict(list(curves.items())[: len(PALETTE)])


def _stepped(points: list[Point]) -> list[Point]:
    return list({int(p.age_days // STEP_DAYS): p for p in points}.values())


def _figure(found: Lives, curves: Curves) -> Figure | None:
    if not curves:
        return None

    def rows(some: Curves) -> charts.Rows:
        return [
            {
                "name": name,
                "age": p.age_days,
                "share": p.surviving,
                "low": p.low,
                "high": p.high,
                "at_risk": p.at_risk,
            }
            for name, points in some.items()
            for p in points
        ]

    touched = {name: _stepped(points) for name, points in curves.items()}
    drawn = {
        name: [*points[:: 1 + len(points) // MOST_POINTS], points[-1]] for name, points in curves.items()
    }
    return Figure(
        "lives-figure",
        charts.still_working(rows(drawn), rows(touched), list(curves)),
        f"Share of sensors still working by age, those of known birth only: {', '.join(curves)}. The band is the 95 % range.",
    )


def _curves(curves: Curves) -> Table:
    return Table(
        "still-working-table",
        "Sensors of known birth still working by age",
        (
            Column("sensors", "sensors"),
            Column("age", "at an age of", unit="days", kind="integer"),
            Column("watched", "watched at this age", kind="integer"),
            Column("share", "still working", unit="%", kind="interval"),
        ),
        tuple(
            (name, p.age_days, p.at_risk, (p.surviving, p.low, p.high))
            for name, points in curves.items()
            for p in _stepped(points)
        ),
    )


def _table(rows: tuple[Life, ...], names: list[str]) -> Table:
    return Table(
        "lives-table",
        "Sensor lives by system",
        (
            Column("system", "system"),
            Column("lives", "sensors", kind="integer"),
            Column("failures", "failed", kind="number"),
            Column("shape", "shape", kind="interval", help="below 1 the young fail most, above 1 the old"),
            Column("median", "half have failed by", unit="days", kind="interval"),
            Column("known", "shape, known births alone", kind="interval"),
            Column("verdict", "verdict"),
        ),
        tuple(
            (
                name,
                row.all.lives,
                row.all.failures,
                row.all.shape,
                row.all.median_days,
                row.known.shape,
                words(row.verdict),
            )
            for name, row in zip(names, rows, strict=True)
        ),
    )
