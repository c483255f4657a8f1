"""The section on shops of the analyst's page: the funnel, and what was done in vain. Takes `Fixes`, gives a `Section`."""

from __future__ import annotations

from repermit.studies.repairs.against import LEAST_SHOPS, Funnel
from repermit.studies.repairs.fixes import Fix, Fixes, shops_sentence
from repermit.studies.repairs.holding import LEAST_FIXES
from repermit.wording import number
from repermit_reports.charts import shops as charts
from repermit_reports.page import Column, Figure, Section, Table

METHOD = "Shops: comebacks within 90 days against those expected of the other shops' cumulative hazard on the same mix of system, length, reason and indication (indirect standardisation), kinds with fewer than 10 others joined; limits exact conditional ones of counts divided by their scatter over trailers (Breslow and Day 1987; Lin and Wei 1989); shrunken ratios gamma-Poisson over shops (Gaver and O'Muircheartaigh 1987); funnel with interpolated exact Poisson limits, widened by the common scatter (Spiegelhalter 2005)."


def shops_section(f: Fixes) -> Section:
    """Which shops' fixes come back more or less often than the others' on the same mix of work."""
    known = [row for row in f.rows if row.key is not None and row.against]
    if not known:
        return Section("shops", "Shops against the others", "No repair on record names its shop.")
    notes = [
        "Expected: what the other shops' record brings on the same mix of work, followed for the same days; each shop is held against the rest together, never against one other.",
        f"A shop with fewer than {LEAST_FIXES} fixes that have the like elsewhere is not ranked.",
        "Good sensors: of those the bench tested, and beside it those after whose replacement something else was found at the same position within 90 days.",
    ]
    if all(row.shrunken is None or row.shrunken.value is None for row in known):
        notes.append(
            f"No ratio is drawn towards what shops are like: that takes {LEAST_SHOPS} shops that can be ranked."
        )
    return Section(
        "shops",
        "Shops against the others",
        shops_sentence(known),
        figure=_figure(known, f.around) if f.around else None,
        table=_table(known, f.about.currency),
        notes=tuple(notes),
    )


def _figure(known: list[Fix], around: Funnel) -> Figure:
    rows = [
        {"shop": row.key, "expected": a.expected, "ratio": a.ratio, "back": a.back, "fixes": a.compared,
         "low": a.low, "high": a.high, "apart": a.apart}
        for row in known
        for a in [row.against]
        if a and a.ranked
    ]  # fmt: skip
    names = ("expected", "low_95", "high_95", "low_998", "high_998")
    limits = [
        dict(zip(names, values, strict=True))
        for values in zip(*(getattr(around, n) for n in names), strict=True)
    ]
    return Figure(
        "shops-figure",
        charts.funnel(rows, limits),
        "Comebacks within 90 days over those expected, by those expected, one point a shop. Of shops like the others 95 of"
        " 100 lie within the full lines and 99.8 of 100 within the dashed ones"
        f" (widened {number(around.scatter, 2)}-fold in variance, as comebacks come in trailers);"
        " diamonds, the only ones named where shops are many, are told apart by the limits of their own ratio, which allow for the chance in the others' record too.",
    )


def _table(known: list[Fix], currency: str | None) -> Table:
    return Table(
        "shops-table",
        "Shops on the same mix of work as the others, and what was done in vain",
        (
            Column("shop", "shop"),
            Column("fixes", "fixes compared", kind="integer"),
            Column("back", "came back", unit="fixes", kind="number"),
            Column("expected", "expected", unit="fixes", kind="number"),
            Column("ratio", "ratio", kind="interval"),
            Column("shrunken", "shrunken ratio", kind="interval"),
            Column("same", "ratio, same action too", kind="interval"),
            Column("mix", "difference that the mix explains", kind="percent"),
            Column("nothing", "visits, nothing found", kind="share"),
            Column("hours", "their hours", kind="money"),
            Column("cost", "their cost", currency or "", kind="money"),
            Column("good", "good sensors of those tested", kind="share"),
            Column("else", "something else soon after, of those followed", kind="share"),
            Column("parts", "parts of good sensors", currency or "", kind="money"),
        ),
        tuple(_row(row) for row in known),
    )


def _row(row: Fix) -> tuple[object, ...]:
    a, same, n, s = row.against, row.against_same_action, row.nothing_found, row.sensors
    ranked = a is not None and a.ranked
    drawn = row.shrunken
    return (
        row.key,
        a.compared if a else None,
        a.back if a else None,
        a.expected if a else None,
        (a.ratio, a.low, a.high) if a and ranked else None,
        (drawn.value, drawn.low, drawn.high) if drawn and drawn.value is not None else None,
        (same.ratio, same.low, same.high) if same and same.ranked else None,
        row.mix_share if ranked else None,
        (n.visits, n.all_visits) if n else None,
        n.minutes / 60 if n and n.minutes is not None else None,
        n.cost if n else None,
        (s.good, s.tested) if s and s.tested else None,
        (s.something_else, s.followed) if s and s.followed else None,
        s.parts_cost if s else None,
    )
