"""Do fixes hold: what came back at the same place, by what was done."""

from __future__ import annotations

from repermit.studies.readers.monthly import Monthly
from repermit.studies.repairs.fixes import Fix
from repermit.wording import estimate, seen, words
from repermit_reports.charts import monthly as charts
from repermit_reports.page import Column, Figure, Section, Table

DAYS = 90


def fixes_section(m: Monthly) -> Section:
    """Risk of a comeback by action, beside what chance alone would bring."""
    found = m.fixes
    placed = [row for row in found.rows if row.placed]
    if not placed:
        return _any_fault(found.rows, found.total)
    rows = [
        {"action": words(row.key), "risk": at.risk, "low": at.risk_low, "high": at.risk_high, "n": row.placed,
         "says": estimate(at.risk, at.risk_low, at.risk_high, as_percent=True)}
        for row in placed
        for at in row.horizons
        if at.days == DAYS and at.risk is not None
    ]  # fmt: skip
    return Section(
        "fixes",
        "Do fixes hold",
        found.sentence(),
        figure=Figure(
            "fixes-figure",
            charts.fixes(rows, [str(row["action"]) for row in rows]),
            f"Share of fixes with a fault at the same place within {DAYS} days, by what was done, with 95 % limits and counts.",
        )
        if rows
        else None,
        table=_table((*found.rows, found.total)),
        notes=(
            f"All repairs returned before {m.about.end}. A fix that comes back was not always badly made: the cause may have been another, or a new fault came at the same place, which the column by chance counts.",
        ),
    )


def _by_chance(row: Fix) -> tuple[float, int] | None:
    return (
        None
        if row.expected_background_90d is None or not row.placed
        else (row.expected_background_90d, row.placed)
    )


def _any_fault(rows: tuple[Fix, ...], total: Fix) -> Section:
    """Where no repair has a place: any next fault of the trailer after it."""
    title, nowhere = "Do fixes hold", "No repair with a known place is on record"
    at = next(h for h in total.horizons if h.days == DAYS)
    if at.any_fault is None:
        return Section("fixes", title, f"{nowhere}.")
    risk = estimate(at.any_fault, at.any_fault_low, at.any_fault_high, as_percent=True)

    def any_fault(row: Fix, days: int) -> tuple[float, float | None, float | None] | None:
        h = next(h for h in row.horizons if h.days == days)
        return None if h.any_fault is None else (h.any_fault, h.any_fault_low, h.any_fault_high)

    table = Table(
        "fixes-table",
        "Fixes by what was done, and any fault of the trailer after them",
        (
            Column("action", "what was done"),
            Column("fixes", "fixes", kind="integer"),
            *(Column(f"any_{d}", f"any fault within {d} days", unit="%", kind="interval") for d in (30, 90, 180)),
        ),
        tuple((words(row.key), row.fixes, *(any_fault(row, d) for d in (30, 90, 180))) for row in (*rows, total)),
    )  # fmt: skip
    return Section(
        "fixes",
        title,
        f"{nowhere}, so whether a fix held can't be told from a new fault elsewhere. After {risk} of {seen(total.fixes, 'fix', 'fixes')} the trailer had another fault within {DAYS} days, at whatever place.",
        table=table,
    )


def _table(rows: tuple[Fix, ...]) -> Table:
    def risk(row: Fix, days: int) -> tuple[float, float | None, float | None] | None:
        at = next(h for h in row.horizons if h.days == days)
        return None if at.risk is None else (at.risk, at.risk_low, at.risk_high)

    first = "of first visits, those with no further visit and nothing back there within 30 days"
    return Table(
        "fixes-table",
        "Fixes by what was done, and what came back at the same place",
        (
            Column("action", "what was done"),
            Column("fixes", "fixes", kind="integer"),
            Column("placed", "with a known place", kind="integer"),
            *(Column(f"risk_{d}", f"back within {d} days", unit="%", kind="interval") for d in (30, 90, 180)),
            Column("chance", "back within 90 days by chance", unit="%", kind="share", help="expected from the background rate of faults at their positions"),
            Column("first", "ended the matter", unit="%", kind="interval", help=first),
        ),
        tuple(
            (
                words(row.key), row.fixes, row.placed, *(risk(row, d) for d in (30, 90, 180)), _by_chance(row),
                None if row.first_time_fix.value is None else (row.first_time_fix.value, row.first_time_fix.low, row.first_time_fix.high),
            )
            for row in rows
        ),
    )  # fmt: skip
