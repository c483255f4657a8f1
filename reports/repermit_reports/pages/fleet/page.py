"""The owner's page, for two minutes on a phone. Takes `FleetRecord`, gives a `Page`. No statistics words.

The headline and the lines under it answer; the sections show why.
"""

from __future__ import annotations

from datetime import date, timedelta

from repermit.studies.frequency.outlook import ALL
from repermit.studies.readers.fleet import FleetRecord
from repermit.wording import amount, number, percent, seen, whole, words
from repermit_reports.page import Page, Section
from repermit_reports.pages.fleet.against import against
from repermit_reports.pages.fleet.causes import causes, other_visits
from repermit_reports.pages.fleet.to_do import METHOD as TO_DO_METHOD
from repermit_reports.pages.fleet.to_do import to_do_section
from repermit_reports.pages.fleet.trailers import trailers, unresolved
from repermit_reports.pages.fleet.words import PER, SURE, at_least, currency, money
from repermit_reports.pages.fleet.year_before import METHOD as YEAR_METHOD
from repermit_reports.pages.fleet.year_before import year_line, year_section
from repermit_reports.pages.outlook import METHOD as OUTLOOK_METHOD
from repermit_reports.pages.outlook import outlook_section
from repermit_reports.pages.words import CAUTIONS, ONLY_WHAT_STOPS, data_sentence, files_line, records_give

METHODS = (
    "A fault: refusals for a reason that lies in the equipment, joined where they are one event, that ended in a repair or that nobody has repaired while the trailer has not loaded since. It counts on the day it began. A correct stop on real liquid and a fault of the rack are not counted as faults of the trailer.",
    "Hours stopped run by the clock, nights and weekends included, from the first refusal to the last return from the shop. Money is all visits of a fault, as invoiced, else labour and parts.",
    "Clearly more than the others: so many faults would hardly ever fall on one trailer if every trailer of the fleet brought as many in as many days. As every trailer is looked at, the bar is raised: in a fleet of equal trailers at most about one page in twenty would name one by chance (Przyborowski and Wilenski 1940; Holm 1979). One fault alone is never called so.",
    "Against the other fleets: trailers of the same wiring and number of positions, in the proportions of this fleet. Between two numbers: where the figure would lie in the long run, allowing for chance and for trailers that differ (Garwood 1936; Fay and Feuer 1997; the two held against each other after Clopper and Pearson 1934). More and fewer are said only where chance can hardly explain the difference, about the same only where half as many again, either way, can be ruled out.",
)
ASSUMPTIONS = (
    "A fault, a load and a day belong to the fleet that had the trailer then.",
    "Fleets and shops differ in how fully they keep records; who records less seems to have fewer faults.",
    "A refusal that cleared on trying again or at another lane, without a repair, is not in the hours or the money.",
)


def fleet_page(f: FleetRecord) -> Page:
    """The page of one fleet; the other fleets are never named. Of a fleet without records it says so."""
    sections: list[Section | None] = []
    if f.total.faults or f.refusals or f.visits:
        sections.append(to_do_section(f))
    sections.append(unresolved(f))
    if f.total.faults:
        sections += [causes(f), year_section(f)]
    sections.append(against(f) if f.total.faults or f.visits else None)
    sections.append(trailers(f) if f.total.faults else None)
    sections += [outlook_section(f.outlook, plain=True, cost=_cost_to_come(f)), other_visits(f)]
    return Page(
        kind="fleet",
        title=f"Refused trailers of {f.fleet}",
        subtitle=f"For the owner; {f.window}",
        headline=_headline(f),
        lede="\n\n".join(part for part in _lede(f) if part),
        sections=tuple(section for section in sections if section) if f.has_data else (),
        cautions=CAUTIONS,
        data_used=(*_data(f), files_line(f.files)),
        methods=(*METHODS, TO_DO_METHOD, YEAR_METHOD, OUTLOOK_METHOD),
        assumptions=(*ASSUMPTIONS, ONLY_WHAT_STOPS),
        dated=f"Records before {f.window.end}",
    )


# --- the answer in a few lines ------------------------------------------------------------------------


def _headline(f: FleetRecord) -> str:
    t = f.total
    if not f.has_data:
        return f"No load, no refusal and no shop visit of {f.fleet}'s trailers is on record for {f.window}."
    if not t.faults and not (f.refusals or f.visits):
        return f"No refusal and no shop visit of {f.fleet}'s trailers is on record: none happened, or none was reported."
    if not t.faults:
        return f"No fault of {f.fleet}'s trailers is on record {_span(f)}."
    faults = f"{seen(t.faults, 'fault')} stopped {f.fleet}'s trailers"
    if t.hours is None:
        return f"{faults} {_span(f)}; no return from a shop is on record, so the hours can't be told."
    cost = (
        f" and cost {at_least(t)}{money(f, t.money)}{'' if f.about.currency else ' (currency not stated)'}"
        if t.money is not None
        else ""
    )
    return f"{faults} for {amount(t.hours)} hours{cost} {_span(f)}."


def _span(f: FleetRecord) -> str:
    first, end = f.window.first, f.window.end
    if first == end.replace(year=end.year - 1):
        return f"in the twelve months to {end - timedelta(days=1)}"
    return f"from {f.window}"


def _lede(f: FleetRecord) -> list[str]:
    if not f.has_data:
        return [
            "There is nothing to report, which is not the same as nothing having happened. Ingest the fleet's files, or choose another month."
        ]
    if not f.total.faults:
        loads = "loads not on record" if f.loads is None else f"{whole(f.loads)} loads"
        return [
            f"On record: {seen(len(f.trailers), 'trailer')} in service, {loads}, {whole(f.refusals)} refusals for an equipment reason, {whole(f.visits)} shop visits.",
            _against_line(f) if f.visits else "",
            ONLY_WHAT_STOPS,
        ]
    return [
        _sum_line(f),
        _where_line(f),
        year_line(f) if f.visits else "",
        _against_line(f),
        _quarter_line(f),
    ]


def _sum_line(f: FleetRecord) -> str:
    t = f.total
    having = sum(x.stops.faults > 0 for x in f.trailers)
    lines = [f"{whole(having)} of {whole(len(f.trailers))} trailers had a fault."]
    if not t.visits:
        return " ".join([*lines, "No shop visit is on record, so neither hours nor money can be told."])
    if not t.priced:
        lines.append(
            f"None of the {whole(t.visits)} shop visits carries a price, so the money can't be told."
        )
    elif t.priced < t.visits:
        lines.append(
            f"{whole(t.visits - t.priced)} of {whole(t.visits)} shop visits carry no price ({percent((t.visits - t.priced) / t.visits)}), so the true sum is higher."
        )
    else:
        lines.append(f"All {whole(t.visits)} shop visits carry a price.")
    if t.hours is not None:
        lines.append("Hours run by the clock, nights and weekends included.")
    if t.hours is not None and t.hours_known < t.faults:
        lines.append(
            f"They are of the {whole(t.hours_known)} faults with a return on record; the hours of the other {whole(t.faults - t.hours_known)} come on top."
        )
    return " ".join(lines)


def _where_line(f: FleetRecord) -> str:
    most = [c for c in f.causes if c.key is not None and c.hours][:2]
    told = " and ".join(
        f"{'visits in which no fault was found' if c.key == 'none_found' else words(c.key)} ({amount(c.hours)} hours)"
        for c in most
    )
    return f"Most of it, as far as the cause is on record: {told}." if most else ""


def _against_line(f: FleetRecord) -> str:
    if not f.other_fleets:
        return "Against other fleets: no other fleet is on record."
    if not f.visits:
        return "Against other fleets: can't be told, as no shop visit of this fleet is on record."
    told = {a.per: SURE[a.verdict] for a in f.against}
    if len(set(told.values())) == 1:
        return f"Faults against the other fleets, like for like: {next(iter(told.values()))}."
    each = ", ".join(f"{what} {PER[per]}" for per, what in told.items())
    return f"Faults against the other fleets, like for like: {each}."


def _ahead(f: FleetRecord) -> tuple[float, float] | None:
    """How many faults the next quarter may bring."""
    found = next((q for q in f.outlook.quarter if q.quantity == "faults" and q.key == ALL), None)
    return (found.low, found.high) if found else None


def _quarter_line(f: FleetRecord) -> str:
    ahead = _ahead(f)
    if ahead is None:
        return "Next quarter: can't be told, as too little is on record."
    return f"Next quarter: {whole(ahead[0])} to {whole(ahead[1])} faults, if nothing changes."


def _cost_to_come(f: FleetRecord) -> str:
    """What the faults of the next quarter stop and cost, by the averages of those on record."""
    ahead, price, t = _ahead(f), f.advice.cost_of_fault, f.total
    if ahead is None:
        return ""
    told = ""
    if t.hours and t.hours_known:
        each = t.hours / t.hours_known
        low, high = (number(n * each) for n in ahead)
        told += f"\n\nAt {amount(each)} hours a fault, the average of {seen(t.hours_known, 'fault')} that ended in these months, trailers stand {low} to {high} hours."
    if price is not None:
        low, high = (number(n * price) for n in ahead)
        told += f" At {amount(price)} a fault, the average of {seen(f.advice.priced, 'fault')} with a price, that costs {low} to {high} {currency(f)}."
    return told


def _data(f: FleetRecord) -> tuple[str, ...]:
    loads = "no loads on record" if not f.loads else f"{whole(f.loads)} loads"
    aside = (
        f"Set aside, and in no figure here: {seen(f.set_aside, 'row')} naming a trailer of this fleet"
        if f.set_aside
        else "No row that was set aside names a trailer of this fleet"
    )
    short = f.window.end > date.fromisoformat(f.as_of) + timedelta(days=1)
    return (
        *([f"The records end on {f.as_of}, before these months do."] if short else []),
        f"Of this fleet: {seen(len(f.trailers), 'trailer')} in service, {loads}, {whole(f.refusals)} refusals for an equipment reason, {whole(f.visits)} shop visits.",
        f"{aside}; rows whose trailer can't be read belong to no fleet.",
        data_sentence(f.about),
        records_give(f.about),
    )
