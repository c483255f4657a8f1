"""What changed since the month before, and whether it is a signal."""

from __future__ import annotations

from repermit.studies.readers.month_before import SHOWN
from repermit.studies.readers.monthly import Monthly, MonthRow
from repermit.wording import whole, words
from repermit_reports.page import Column, Section, Table


def changed(m: Monthly) -> Section:
    """The ratio of both months in words, and each cause beside its usual number."""
    b = m.before
    last = b.before.month if b.before else "the month before"
    columns = (
        Column("what", "faults by cause"),
        Column("now", m.month, kind="integer"),
        Column("before", last, kind="integer"),
        Column("usual", "usual in a month", kind="number", help="from the months of the year before it, for so many loads"),
        Column("p", "p", kind="p", help="how often chance alone is as far from the usual, all causes looked at"),
        Column("signal", "signal"),
    )  # fmt: skip
    rows = tuple((words(c.cause), c.faults, c.before, c.usual, c.p, _signal(c.p)) for c in b.causes)
    return Section(
        "changed",
        f"What changed since {last}",
        f"{b.sentence()} {_counts(m)}",
        table=Table("changed-table", f"Faults by cause, {m.month} and before", columns, rows) if rows else None,
        notes=(
            "A cause that is not recorded is a row of its own: a rise of it is a matter of records first.",
            "The chart below judges the month against all months before it, with the season where it is known, and goes before this test.",
        ),
    )  # fmt: skip


def _signal(p: float | None) -> str:
    return "not judged" if p is None else "signal" if p <= SHOWN else "no signal"


def _counts(m: Monthly) -> str:
    """Loads and refusals of both months."""
    found = {row.month: row for row in m.months}
    this, last = found.get(m.month), found.get(m.before.before.month) if m.before.before else None
    if this is None or last is None:
        return ""
    told = [
        f"{label} {whole(_of(this, pick))} after {whole(_of(last, pick))}"
        for label, pick in (
            ("loads", "loads"), ("refusals for equipment", "refusals"), ("other refusals", "not_equipment")
        )
        if _of(this, pick) is not None
    ]  # fmt: skip
    text = ", ".join(told)
    return f"{text[0].upper()}{text[1:]}." if told else ""


def _of(row: MonthRow, pick: str) -> int | None:
    return row.rate.loads if pick == "loads" else getattr(row, pick)
