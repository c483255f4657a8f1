"""Which trailers are truly worse, with the probability and the evidence."""

from __future__ import annotations

from repermit.studies.readers.monthly import Monthly
from repermit_reports.page import Column, Section, Table

METHOD = "Who is truly worse: gamma-Poisson shrinkage by marginal maximum likelihood (Gaver and O'Muircheartaigh 1987); the probability is that of a rate above nine tenths of such trailers'."
SHOWN = 12
"""Trailers in the table."""


def worse_section(m: Monthly) -> Section:
    """Which trailers are truly worse, with the probability and the evidence."""
    found = m.worse
    if found is None or not found.rows:
        return Section("worse", "Trailers truly worse", "Too few trailers with faults to tell.")
    per = "1,000 loads" if found.per == "1000_loads" else "year in service"
    table = Table(
        "worse-table",
        f"Trailers by the probability of being among the worst tenth, the first {SHOWN}, {m.year}",
        (
            Column("trailer", "trailer"),
            Column("faults", "faults", kind="number"),
            Column(
                "rate",
                f"per {per} to expect",
                kind="interval",
                help="faults: its own rate, drawn towards that of all",
            ),
            Column(
                "worst",
                "worst tenth",
                kind="percent",
                help="the probability that it is among the worst tenth",
            ),
        ),
        tuple((u.key, u.faults, (u.rate, u.low, u.high), u.worst_tenth) for u in found.rows[:SHOWN]),
    )
    return Section(
        "worse",
        "Trailers truly worse",
        found.sentence,
        table=table if found.p is not None and found.rows[0].worst_tenth is not None else None,
        notes=(
            "Someone always has the most faults. A longer trailer has more that can fail, which counts here.",
        ),
    )
