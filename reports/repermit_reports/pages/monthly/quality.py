"""How good the records are: what was set aside and why, and clocks that seem wrong."""

from __future__ import annotations

from repermit.studies.readers.monthly import Monthly
from repermit.wording import whole
from repermit_reports.page import Section
from repermit_reports.pages.words import reasons_table


def quality(m: Monthly) -> Section:
    """What waits in the quarantine by reason, and clocks that disagree."""
    n = m.about.counts["quarantined"]
    lede = (
        f"{whole(n)} rows fail a rule of the input contract and wait; none of them is in any figure here. List them with: repermit quarantine"
        if n
        else "Nothing waits in the quarantine."
    )
    return Section(
        "quarantine",
        "What was set aside and why",
        lede,
        table=reasons_table(m.reasons) if m.reasons else None,
        notes=tuple(error.sentence for error in m.clocks),
    )
