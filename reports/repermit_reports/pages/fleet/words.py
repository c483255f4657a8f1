"""Money and verdicts in the owner's words, for every section. May import `wording` and `page`."""

from __future__ import annotations

from repermit.studies.readers.fleet import FleetRecord
from repermit.studies.readers.stops import Stops
from repermit.wording import amount
from repermit_reports.page import Column

TOO_FEW = "too few to tell"
CLEARLY = "clearly more than the others"
VERDICTS = {"more": "more", "fewer": "fewer", "about_the_same": "about the same", "too_few": TOO_FEW}
SURE = VERDICTS | {
    verdict: f"{VERDICTS[verdict]}, and chance can hardly make that difference"
    for verdict in ("more", "fewer")
}
PER = {"trailer_year": "for each trailer and year", "1000_loads": "for every 1,000 loads"}


def money(f: FleetRecord, value: float | None) -> str:
    """An amount, with its currency where that is stated."""
    return f"{amount(value)} {f.about.currency or ''}".strip()


def priced_at(f: FleetRecord, value: float | None) -> str:
    """An amount in a sentence that says so where its currency is not stated."""
    return f"{amount(value)} {currency(f)}"


def currency(f: FleetRecord) -> str:
    """What stands after an amount."""
    return f.about.currency or "(currency not stated)"


def at_least(s: Stops) -> str:
    """What stands before money that does not hold every visit, or that is still growing."""
    return "at least " if s.priced < s.visits or s.unresolved else ""


def money_column(f: FleetRecord) -> Column:
    stated = f.about.currency or ""
    return Column("money", "money", stated, "money", help="" if stated else "the currency is not stated")
