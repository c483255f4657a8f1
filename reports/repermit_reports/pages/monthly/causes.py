"""Causes as rates with limits, and by count, hours and cost."""

from __future__ import annotations

from typing import Any

from repermit.studies.frequency.rates import Rate
from repermit.studies.readers.monthly import Monthly
from repermit.wording import estimate, number, seen, whole, words
from repermit_reports.charts import monthly as charts
from repermit_reports.page import Column, Figure, Section, Table
from repermit_reports.pages.monthly.positions import a_rate, per


def causes(m: Monthly) -> Section:
    """How many, how many hours, how much money, by cause as recorded; how often, with what is not recorded shared out."""
    rows = _drawn(m) if any(c.cause is not None for c in m.causes) else []
    visits = sum(c.visits for c in m.causes)
    unpriced = visits - sum(c.visits_priced for c in m.causes)
    money = f"cost, {m.about.currency}" if m.about.currency else "cost"
    shared = {r.keys["cause"]: r for r in m.cause_rates.rows}
    told = per(m.cause_rates.total)
    table = Table(
        "causes-table",
        f"Faults by cause, {m.year}",
        (
            Column("cause", "cause"),
            Column("faults", "faults recorded as it", kind="integer"),
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
            Column(
                "shared",
                "faults, all shared out",
                kind="number",
                help="those recorded as it, and of those whose cause is not recorded the part that the chain rules and the other records give it",
            ),
            Column("rate", f"faults {told}", kind="interval", help="of all shared out"),
            Column("mtbf", "mean time between faults", unit="trailer-days", kind="interval"),
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
                *_rates(shared.get(c.cause)),
            )
            for c in m.causes
        ),
    )
    hours = sum(c.hours or 0 for c in m.causes)
    cost = sum(c.cost or 0 for c in m.causes)
    lede = (
        f"{_highest(m, told)} {_sums(m, hours, cost, unpriced, visits)}"
        if visits
        else "No shop visit is on record, so neither hours nor cost can be told."
    )
    lost = next((c.faults for c in m.causes if c.cause is None), 0)
    return Section(
        "causes",
        "Causes by count, hours and cost",
        lede,
        figure=Figure(
            "causes-figure",
            charts.causes(
                rows, [words(c.cause) for c in m.causes], list(dict.fromkeys(r["what"] for r in rows))
            ),
            f"Each cause's share of all faults, of the hours stopped and of the cost, as recorded, {m.year}.",
        )
        if rows
        else None,
        table=table,
        notes=(
            f"Count, hours and cost are as recorded: {seen(lost, 'fault')} whose cause nobody wrote down {'is' if lost == 1 else 'are'} a row of {'its' if lost == 1 else 'their'} own, and the true sums of the other causes are higher. Only the last three columns, and the sections above, share them out.",
        )
        if lost
        else (),
    )


def _rates(r: Rate | None) -> tuple[object, object, object]:
    return (
        (None, None, None)
        if r is None
        else (r.faults, a_rate(r), (r.mtbf_days, r.mtbf_days_low, r.mtbf_days_high))
    )


def _highest(m: Monthly, told: str) -> str:
    """The cause with the highest rate, what is missing shared out, and whether its limits keep it apart."""
    named = [
        (rate, r)
        for r in m.cause_rates.rows
        if r.keys["cause"] not in (None, "none_found") and r.faults and (rate := a_rate(r))
    ]
    if not named:
        return "No fault has a cause on record."
    rate, first = max(named, key=lambda one: one[0][0])
    near = [
        words(r.keys["cause"])
        for other, r in named
        if r is not first and (other[2] or 0.0) >= (rate[1] or 0.0)
    ]
    every = "every other cause" if len(near) == len(named) - 1 > 2 else ", ".join(near)
    settled = (
        f"its limits overlap those of {every}, so the order is not settled"
        if near
        else "its limits keep it apart from all others"
    )
    line = f"{words(first.keys['cause']).capitalize()} has the highest rate, {estimate(*rate)} {told}"
    if told != "a trailer and year":
        line += (
            f", one in {estimate(first.mtbf_days, first.mtbf_days_low, first.mtbf_days_high)} trailer-days"
        )
    return f"{line}, from {seen(first.faults, 'fault')}; {settled}."


def _sums(m: Monthly, hours: float, cost: float, unpriced: int, visits: int) -> str:
    stopped = f"Over {m.year}, faults stopped trailers for {number(hours)} hours"
    if unpriced == visits:
        return f"{stopped}; no visit carries a price, so the cost can't be told."
    money = (
        f"{number(cost)} {m.about.currency}" if m.about.currency else f"{number(cost)} (currency not stated)"
    )
    higher = (
        f"; {whole(unpriced)} of {whole(visits)} visits carry no price, so the true sum is higher"
        if unpriced
        else ""
    )
    return f"{stopped} and cost {money}{higher}."


def _drawn(m: Monthly) -> list[dict[str, Any]]:
    """Shares of all in per cent, of what is on record; what is not known has no bar."""
    rows = []
    for what, pick in (("faults", "faults"), ("hours stopped", "hours"), ("cost", "cost")):
        values = {words(c.cause): value for c in m.causes if (value := getattr(c, pick)) is not None}
        if total := sum(values.values()):
            rows += [
                {"cause": cause, "what": what, "share": 100 * value / total, "amount": whole(value)}
                for cause, value in values.items()
            ]
    return rows
