"""What changed since an earlier report, on any page. Takes a page and a `Since`, gives the page with it."""

from __future__ import annotations

from dataclasses import replace

from repermit.studies.records.reported import Change, Since
from repermit.wording import amount, seen, whole
from repermit_reports.page import Column, Page, Table


def with_changes(page: Page, since: Since) -> Page:
    """The page that tells beside its data what changed, and at its head where the last month reported did."""
    told = (_sentence(since), _table(since)) if since.changes else (_sentence(since),)
    note = _note(since)
    return replace(
        page,
        lede=f"{page.lede}\n\n{note}" if note else page.lede,
        data_used=(*page.data_used, *told),
    )


def _sentence(since: Since) -> str:
    if since.report is None:
        return "No earlier report of this kind is on record to hold this one against."
    report = f"the report of ingest {since.report.ingest} (its last month {since.last_month})"
    if not since.changes:
        return f"Since {report} no figure of an earlier month changed."
    months = len({c.month for c in since.changes})
    return f"Since {report} {seen(len(since.changes), 'figure')} of {seen(months, 'month')} changed, by records that came later, were corrected or withdrawn."


def _note(since: Since) -> str:
    """What changed in the last month of the earlier report; empty where nothing did."""
    mine = [c for c in since.changes if c.month == since.last_month]
    if not mine or since.report is None:
        return ""
    listed = ", ".join(f"{c.figure} {_value(c, c.was)}, now {_value(c, c.now)}" for c in mine)
    return f"The last report, of ingest {since.report.ingest}, gave other figures for {since.last_month}: {listed}. See Data used."


def _value(change: Change, value: float) -> str:
    return amount(value) if change.figure == "hours stopped" else whole(value)


def _table(since: Since) -> Table:
    assert since.report
    return Table(
        "changes-since",
        f"What changed since the report of ingest {since.report.ingest}",
        (
            Column("month", "month"),
            Column("figure", "figure"),
            Column("was", "was", kind="money"),
            Column("now", "is now", kind="money"),
            Column("change", "change", kind="money"),
        ),
        tuple((c.month, c.figure, c.was, c.now, round(c.now - c.was, 1)) for c in since.changes),
    )
