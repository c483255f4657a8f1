"""What became of the month's episodes, and what is unresolved."""

from __future__ import annotations

from repermit.studies.readers.monthly import Monthly
from repermit.wording import named, seen, whole
from repermit_reports.page import Column, Section, Table

OUTCOME_WORDS = {
    "repaired": "repaired: a fault",
    "open": "no repair and no load since: an unresolved fault",
    "cleared_retry": "cleared on trying again, no repair",
    "cleared_other_lane": "cleared on another lane, no repair",
    "left": "left without a load, no repair on record",
    "near_miss": "correct trip on real liquid: a near miss, not a fault",
    "rack": "the rack's own fault",
}


def outcomes(m: Monthly) -> Section:
    """How many were repaired, cleared, left, or no fault of a trailer."""
    table = Table(
        "outcomes-table",
        f"What became of the episodes that began in {m.month}; they add up to {whole(sum(m.outcomes.values()))}",
        (Column("outcome", "outcome"), Column("n", "episodes", kind="integer")),
        tuple((OUTCOME_WORDS[name], n) for name, n in m.outcomes.items()),
    )
    listed = named([f"{u.trailer_id} since {u.started_at}" for u in m.unresolved], "; ")
    lede = (
        f"Unresolved at the month's end: {listed}."
        if m.unresolved
        else "Nothing was unresolved at the month's end."
    )
    return Section("outcomes", "What became of the episodes", f"{_from_refusals(m)}{lede}", table=table)


def _from_refusals(m: Monthly) -> str:
    """How refusals become episodes, and which of these are faults."""
    repaired, open_, all_ = m.outcomes.get("repaired", 0), m.outcomes.get("open", 0), sum(m.outcomes.values())
    if not all_:
        return ""
    row = next((row for row in m.months if row.month == m.month), None)
    refused = (
        f"Trailers were refused {seen(row.refusals, 'time')} for an equipment reason; refusals of one trailer that belong together are one episode. "
        if row and row.refusals
        else ""
    )
    rest = "; the others are no fault of a trailer" if repaired + open_ < all_ else ""
    return f"{refused}Of {seen(all_, 'episode')} that began in {m.month}, {whole(repaired)} repaired and {whole(open_)} unresolved make {seen(repaired + open_, 'fault')}{rest}.\n\n"
