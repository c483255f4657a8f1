"""Where the hours and the money went: by cause, and for visits that answer no fault. Takes `FleetRecord`, gives sections."""

from __future__ import annotations

from repermit.studies.readers.fleet import FleetRecord
from repermit.studies.readers.stops import Stops
from repermit.wording import amount, percent, seen, whole, words
from repermit_reports.charts import fleet as charts
from repermit_reports.page import Column, Figure, Section, Table
from repermit_reports.pages.fleet.words import (
    money,
    money_column,
    priced_at,
)

OTHER_VISITS = {
    "planned": "planned work",
    "inspection": "inspection",
    "damage": "damage",
    "near_miss": "correct stop on real liquid",
    "rack": "the rack's fault, not the trailer's",
}


def _stops_columns(f: FleetRecord, name: str) -> tuple[Column, ...]:
    return (
        Column("name", name),
        Column("faults", "faults", kind="integer"),
        Column("hours", "hours stopped", kind="money"),
        Column("known", "with hours known", kind="share"),
        money_column(f),
        Column("priced", "visits priced", kind="share"),
    )


def _stops_row(name: str, s: Stops) -> tuple[object, ...]:
    return (name, s.faults, s.hours, (s.hours_known, s.faults), s.money, (s.priced, s.visits))


def causes(f: FleetRecord) -> Section:
    """Where the hours and the money went, by what the shop found."""
    t = f.total
    rows = [row for c in f.causes for row in _cause_rows(f, c)]
    return Section(
        "causes",
        "Where the hours and the money went",
        _causes_lede(f),
        figure=Figure(
            "causes-figure",
            charts.hours_and_money(rows, [words(c.key) for c in f.causes]),
            f"Each cause's share of the hours and of the money, with the amounts, {f.window}.",
        )
        if rows
        else None,
        table=Table(
            "causes-table",
            f"By cause; the rows add up to {whole(t.faults)} faults",
            _stops_columns(f, "cause"),
            (*(_stops_row(words(c.key), c) for c in f.causes), _stops_row("all", t)),
        ),
        notes=_hours_notes(f),
    )


def _cause_rows(f: FleetRecord, c: Stops) -> charts.Rows:
    """The bars of one cause: its share of all hours and of all money, where there are any."""
    hours = "not known" if c.hours is None else f"{amount(c.hours)} h"
    cost = "no price" if c.money is None else money(f, c.money)
    told = zip(charts.WHAT, (c.hours, c.money), (f.total.hours, f.total.money), (hours, cost), strict=True)
    return [
        {
            "cause": words(c.key),
            "what": what,
            "share": (part or 0) / whole * 100,
            "amount": label,
            "faults": c.faults,
        }
        for what, part, whole, label in told
        if whole
    ]


def _causes_lede(f: FleetRecord) -> str:
    t = f.total
    named = [c for c in f.causes if c.key not in (None, "none_found")]
    unclear = {c.key: c for c in f.causes if c.key in (None, "none_found")}
    parts = []
    if t.hours and named and named[0].hours:
        top = named[0]
        parts.append(
            f"Most hours of a known cause: {words(top.key)}, {amount(top.hours)} hours, {percent((top.hours or 0) / t.hours)} of all."
        )
    priced = [c for c in named if c.money]
    if t.money and priced:
        top = max(priced, key=lambda c: c.money or 0)
        parts.append(f"Most money: {words(top.key)}, {priced_at(f, top.money)}.")
    if (c := unclear.get("none_found")) and c.hours and t.hours:
        parts.append(
            f"Visits in which no fault was found took {amount(c.hours)} hours, {percent(c.hours / t.hours)}; ask the shop what was checked."
        )
    if c := unclear.get(None):
        parts.append(f"Of {seen(c.faults, 'fault')} the cause is not recorded.")
    told = " ".join(parts) or "The records don't say what was found."
    return "\n\n".join(part for part in (told, _cleared_line(f)) if part)


def _cleared_line(f: FleetRecord) -> str:
    """What refusals cost beyond the faults, where trailers loaded again without a repair."""
    c = f.cleared
    if not c.times:
        return ""
    times = "once" if c.times == 1 else f"{whole(c.times)} times"
    line = f"Beyond these, {times} a trailer was refused and then loaded without a repair, at another lane or on trying again"
    if c.hours is None:
        return f"{line}; how long it stood at the rack is not on record."
    return f"{line}: {amount(c.hours)} hours at the rack in the {whole(c.timed)} with a delay on record. They are not in the sums above."


def _hours_notes(f: FleetRecord) -> tuple[str, ...]:
    notes = []
    if any(c.key is None for c in f.causes):
        notes.append(
            "Causes are counted as the shops wrote them down. The monthly page shares faults without a recorded cause out among the causes, so its counts are higher."
        )
    if f.day_only:
        notes.append(
            f"{seen(f.day_only, 'fault')} give the day of the repair but no time; up to {amount(f.hours_too_many)} of the hours may not be real for that reason."
        )
    if f.total.without_refusal:
        notes.append(
            f"Of {seen(f.total.without_refusal, 'fault')} no refusal is on record; their hours run from the arrival at the shop, so the wait before is missing."
        )
    return tuple(notes)


def other_visits(f: FleetRecord) -> Section | None:
    """Shop visits that answer no fault; None where there are none."""
    if not f.other_visits:
        return None
    priced = [v.money for v in f.other_visits if v.money is not None]
    known = sum(v.priced for v in f.other_visits)
    cost = (
        f", {priced_at(f, sum(priced))} for the {whole(known)} with a price"
        if priced
        else ", none with a price"
    )
    return Section(
        "other-visits",
        "Other shop visits",
        f"{seen(sum(v.visits for v in f.other_visits), 'visit')}{cost}, for something other than a fault. They are not in the sums above.",
        table=Table(
            "other-visits-table",
            f"Visits that answer no fault, received {f.window}",
            (
                Column("kind", "kind"),
                Column("visits", "visits", kind="integer"),
                money_column(f),
                Column("priced", "visits priced", kind="share"),
            ),
            tuple(
                (OTHER_VISITS.get(v.kind, words(v.kind)), v.visits, v.money, (v.priced, v.visits))
                for v in f.other_visits
            ),
        ),
    )
