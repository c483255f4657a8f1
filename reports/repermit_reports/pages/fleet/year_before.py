"""The fleet against itself a year before. Takes `FleetRecord`, gives a `Section` and its short form. No statistics words."""

from __future__ import annotations

from repermit.studies.readers.fleet import FleetRecord
from repermit.studies.readers.year_before import Period, YearBefore
from repermit.wording import amount, number, seen, whole
from repermit_reports.page import Column, Section, Table
from repermit_reports.pages.fleet.words import PER, SURE, at_least, money_column, priced_at

TITLE = "Against the year before"
NOTHING = "can't be told, as too little of the year before is on record."
METHOD = "Against the year before: the same months of both years, each trailer held against itself by its days in service, and by its loads (exact for counts of one trailer in two periods, Breslow and Day 1987; wider where faults of a trailer come in bursts, McCullagh and Nelder 1989, from memory). Trailers that ran in one of the years only are in the sums, not in the comparison. More and fewer are said only where chance can hardly explain the difference, about the same only where half as many again, either way, can be ruled out."


def year_line(f: FleetRecord) -> str:
    """Better or worse, in one line."""
    if not f.years:
        return f"{TITLE}: {NOTHING}"
    y = f.years[0]
    return f"{TITLE}: {_faults(y.now)} now, {_faults(y.before)} {_then(y)}: {_together(y)}."


def year_section(f: FleetRecord) -> Section:
    """The year and its last quarter against those of the year before, with what they cost."""
    if not f.years:
        return Section("year-before", TITLE, f"Whether it is better or worse {NOTHING}")
    told = [_told(f, y) for y in f.years]
    rows = [_row(period) for y in f.years for period in (y.now, y.before)]
    table = Table(
        "year-before-table",
        "The same months of both years",
        (
            Column("months", "months"),
            Column("faults", "faults", kind="integer"),
            Column("trailer-years", "for each trailer and year", kind="number"),
            Column("loads", "for every 1,000 loads", kind="number"),
            Column("hours", "hours stopped", kind="money"),
            Column("known", "with hours known", kind="share"),
            money_column(f),
            Column("priced", "visits priced", kind="share"),
        ),
        tuple(rows),
    )
    notes = (
        "Only the counts of faults are held against each other. Hours and money go up and down with them, and with a few long stops.",
    )
    return Section("year-before", TITLE, "\n\n".join(told), table=table, notes=notes)


def _told(f: FleetRecord, y: YearBefore) -> str:
    """The two counts, per trailer and per load, the verdict, then hours and money."""
    a, b = y.now.total, y.before.total
    rates = "; ".join(
        f"{PER[c.per]} {number(a.faults / y.now.exposure[c.per], 2)}, then {number(b.faults / y.before.exposure[c.per], 2)}"
        for c in y.changes
    )
    trailers = max((c.trailers for c in y.changes), default=0)
    line = f"{_these(y)}: {_faults(y.now)}, {_then(y)} {_faults(y.before)}: {_together(y)}. That is {rates}. {seen(trailers, 'trailer')} ran in both."
    if a.hours is not None and b.hours is not None:
        line += f" Hours stopped: {amount(a.hours)}, then {amount(b.hours)}."
    if a.money is not None and b.money is not None:
        line += f" Money: {at_least(a)}{amount(a.money)}, then {at_least(b)}{priced_at(f, b.money)}."
    return line


def _faults(p: Period) -> str:
    n = p.total.faults
    return "no fault" if not n else seen(n, "fault")


def _these(y: YearBefore) -> str:
    return "These twelve months" if _months(y) == 12 else f"The last {_in_words(y)} months"


def _then(y: YearBefore) -> str:
    return (
        "in the twelve months before"
        if _months(y) == 12
        else f"in the same {_in_words(y)} months a year before"
    )


def _in_words(y: YearBefore) -> str:
    return "three" if _months(y) == 3 else whole(_months(y))


def _months(y: YearBefore) -> int:
    first, end = y.now.window.first, y.now.window.end
    return (end.year - first.year) * 12 + end.month - first.month


def _together(y: YearBefore) -> str:
    """One verdict where the measures agree."""
    told = {c.per: SURE[c.verdict] for c in y.changes}
    if len(set(told.values())) == 1:
        return next(iter(told.values()))
    return "; ".join(f"{PER[per]} {what}" for per, what in told.items())


def _row(p: Period) -> tuple[object, ...]:
    t = p.total
    rates = [t.faults / p.exposure[per] if per in p.exposure else None for per in PER]
    return (
        str(p.window),
        t.faults,
        *rates,
        t.hours,
        (t.hours_known, t.faults),
        t.money,
        (t.priced, t.visits),
    )
