"""How good the records are: what was set aside and why, months that seem to be missing, clocks that seem wrong."""

from __future__ import annotations

from repermit.studies.readers.monthly import Monthly
from repermit.wording import share
from repermit_reports.page import Section
from repermit_reports.pages.words import reasons_table


def quality(m: Monthly) -> Section:
    """What waits in the quarantine by reason, what seems to be missing, and clocks that disagree."""
    n = m.about.counts["quarantined"]
    read = sum(f.rows for f in m.files)
    lede = (
        f"{share(n, read)} of the rows read, {'fails' if n == 1 else 'fail'} a rule of the input contract and {'waits' if n == 1 else 'wait'}; none of them is in any figure here. List them, each with its file and line: repermit quarantine"
        if n
        else "Nothing waits in the quarantine."
    )
    likely = next((r.likely for r in m.reasons if r.likely), "")
    return Section(
        "quarantine",
        "What was set aside and why",
        lede,
        table=reasons_table(m.reasons) if m.reasons else None,
        notes=(
            *([f"Trailers that are not in the list: {likely}."] if likely else []),
            *m.gaps.sentences(),
            *(error.sentence for error in m.clocks),
        ),
    )
