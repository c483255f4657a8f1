"""What pays, as a section of the owner's page. Takes `Advice`, gives a `Section`. No statistics words."""

from __future__ import annotations

from repermit.studies.what_pays import Advice, Spared
from repermit.wording import amount, seen
from repermit_reports.page import Column, Section, Table

METHOD = "What pays: only what stands out beyond chance is advised. Spared is what the thing brought beyond the usual, carried into the next quarter by this fleet's loads, fixes or sensors of the last; between two numbers, as the records allow. Money is that times what a fault cost on record."


def what_pays_section(a: Advice, currency: str | None) -> Section:
    """At most five things to do, each with what it spares, why, and what would change the advice."""
    if not a.actions:
        return Section("what-pays", "What pays", a.sentence())
    columns = [
        Column("do", "do"),
        Column("spares", "spares in the next quarter", kind="interval", help="faults; of a lane, refusals"),
        *(
            [Column("money", "money", currency or "", kind="interval")]
            if any(x.money for x in a.actions)
            else []
        ),
        Column("because", "because"),
        Column("unless", "what would change this"),
    ]
    rows = []
    for x in a.actions:
        do = x.sentence().split(": spares", 1)[0]
        money = [_limits(x.money)] if any(y.money for y in a.actions) else []
        rows.append((do, _limits(x.spared), *money, x.evidence, x.unless))
    notes = []
    if a.cost_of_fault is not None:
        notes.append(
            f"A fault cost {amount(a.cost_of_fault)} {currency or ''}".strip()
            + f" on average ({seen(a.priced, 'priced fault')})"
            + (
                f", a refused trailer {amount(a.cost_of_refusal)} beyond that (settings)."
                if a.cost_of_refusal
                else "."
            )
        )
    else:
        notes.append("No fault of this fleet carries a price, so money can't be told.")
    return Section(
        "what-pays",
        "What pays",
        a.sentence(),
        table=Table("what-pays-table", "At most five things to do", tuple(columns), tuple(rows)),
        notes=tuple(notes),
    )


def _limits(s: Spared | None) -> tuple[float, float, float] | None:
    return None if s is None else (s.value, s.low, s.high)
