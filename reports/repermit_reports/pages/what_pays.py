"""What pays, as a section of the owner's page. Takes `Advice`, gives a `Section`. No statistics words."""

from __future__ import annotations

from repermit.studies.readers.what_pays import Advice, Spared
from repermit.wording import amount, seen
from repermit_reports.page import Section

METHOD = "What pays: only what stands out beyond chance is advised. Spared is what the thing brought beyond the usual, carried into the next quarter by this fleet's loads, fixes or sensors of the last; between two numbers, as the records allow. Money is that times what a fault cost on record."


def what_pays_section(a: Advice, currency: str | None) -> Section:
    """At most five things to do, each with what it spares, why, and what would change the advice."""
    title = "What to do, and what it spares"
    if not a.actions:
        return Section("what-pays", title, a.sentence())
    told = [
        f"{x.sentence()}{_money(x.money, currency)} Why: {_ended(x.evidence)} What would change this: {_ended(x.unless)}"
        for x in a.actions
    ]
    if a.cost_of_fault is None:
        told.append("No fault of this fleet carries a price, so money can't be told.")
    else:
        beyond = (
            f", a refused trailer {amount(a.cost_of_refusal)} beyond that (settings)"
            if a.cost_of_refusal
            else ""
        )
        cost = f"A fault cost {amount(a.cost_of_fault)} {currency or ''}".strip()
        told.append(f"{cost} on average ({seen(a.priced, 'priced fault')}){beyond}.")
    return Section("what-pays", title, "\n\n".join(told))


def _money(s: Spared | None, currency: str | None) -> str:
    if s is None:
        return ""
    return f" In money: {amount(s.low)} to {amount(s.high)} {currency or '(currency not stated)'}."


def _ended(text: str) -> str:
    return text if text.endswith(".") else f"{text}."
