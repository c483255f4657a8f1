"""Causes by count, hours and cost."""

from __future__ import annotations

from typing import Any

from repermit.studies.readers.monthly import Monthly
from repermit.wording import number, whole, words
from repermit_reports.charts import monthly as charts
from repermit_reports.page import Column, Figure, Section, Table


def causes(m: Monthly) -> Section:
    """How many, how many hours, how much money, by cause as recorded."""
    rows = _drawn(m)
    visits = sum(c.visits for c in m.causes)
    unpriced = visits - sum(c.visits_priced for c in m.causes)
    money = f"cost, {m.about.currency}" if m.about.currency else "cost"
    table = Table(
        "causes-table",
        f"Faults by cause, {m.year}",
        (
            Column("cause", "cause"),
            Column("faults", "faults", kind="integer"),
            Column("in_month", f"of them in {m.month}", kind="integer"),
            Column(
                "hours",
                "hours stopped",
                kind="money",
                help="from the first refusal to the return from the shop, where both are known",
            ),
            Column("known", "with hours known", kind="share"),
            Column("cost", money, kind="money"),
            Column("priced", "visits priced", kind="share"),
        ),
        tuple(
            (
                words(c.cause),
                c.faults,
                c.in_month,
                c.hours,
                (c.hours_known, c.faults),
                c.cost,
                (c.visits_priced, c.visits),
            )
            for c in m.causes
        ),
    )
    hours = sum(c.hours or 0 for c in m.causes)
    cost = sum(c.cost or 0 for c in m.causes)
    lede = (
        f"Over {m.year}, faults stopped trailers for {number(hours)} hours and cost {number(cost)}"
        f"{' ' + m.about.currency if m.about.currency else ' (currency not stated)'}; {whole(unpriced)} of {whole(visits)} visits carry no price, so the true sum is higher."
        if visits
        else "No shop visit is on record, so neither hours nor cost can be told."
    )
    return Section(
        "causes",
        "Causes by count, hours and cost",
        lede,
        figure=Figure(
            "causes-figure",
            charts.causes(
                rows, [words(c.cause) for c in m.causes], list(dict.fromkeys(r["what"] for r in rows))
            ),
            f"Each cause's share of all faults, of the hours stopped and of the money, as recorded, {m.year}.",
        )
        if rows
        else None,
        table=table,
    )


def _drawn(m: Monthly) -> list[dict[str, Any]]:
    """Shares of all in per cent, of what is on record."""
    rows = []
    for what, pick in (("faults", "faults"), ("hours stopped", "hours"), ("money", "cost")):
        values = {words(c.cause): getattr(c, pick) or 0.0 for c in m.causes}
        if total := sum(values.values()):
            rows += [
                {"cause": cause, "what": what, "share": 100 * value / total, "amount": whole(value)}
                for cause, value in values.items()
            ]
    return rows
