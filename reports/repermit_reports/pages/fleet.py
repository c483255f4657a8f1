"""The fleet's page, for its owner on a phone. Takes `FleetRecord`, gives a `Page`. No statistics words."""

from __future__ import annotations

from datetime import date

from repermit.studies.fleet import FleetRecord, Stops, Trailer
from repermit.studies.like_for_like import Against
from repermit_reports.charts import fleet as charts
from repermit_reports.numbers import amount, number, seen, whole
from repermit_reports.page import Column, Figure, Page, Section, Table
from repermit_reports.pages.words import (
    CAUTIONS,
    ONLY_WHAT_STOPS,
    data_sentence,
    files_table,
    position_words,
    records_give,
    words,
)

METHODS = (
    "A fault is a stop that was repaired, or that still stands with no repair and no load since. What cleared by trying again or on another lane, trips on real liquid and faults of the rack are not counted.",
    "Hours run from the first refusal (or the arrival at the shop, where no refusal is on record) to the last return. Money is what the shops charged, where it is on record.",
    "Against the other fleets: faults per trailer and year, and per 1,000 loads, held against trailers of the same wiring and length elsewhere (exact comparison of two counts, Clopper and Pearson 1934; limits after Fay and Feuer 1997).",
    "A trailer is named only when it has clearly more faults than the fleet's others bring in as many days, with allowance for how many trailers are looked at (exact comparison of two counts; Holm 1979).",
)
ASSUMPTIONS = (
    "Days in the shop do not count as days in which a trailer could fail. Idle days do.",
    "A trailer that was sold counts for each fleet while it was there.",
)
VERDICTS = {
    "more": "more than the other fleets",
    "fewer": "fewer than the other fleets",
    "about_the_same": "about the same as the other fleets",
    "too_few": "too few to tell from the other fleets",
}
PER = {"trailer_year": "trailer and year", "1000_loads": "1,000 loads"}


def fleet_page(f: FleetRecord) -> Page:
    """The page of one fleet; the other fleets are never named."""
    if f.has_data:
        sections: tuple[Section, ...] = (_trailers(f), _unresolved(f), _where(f), _against(f), _money(f))
        headline, lede = _headline(f), _lede(f)
    else:
        sections = ()
        headline = f"Nothing is on record for {f.fleet} in {f.window}."
        lede = "No load, refusal or visit: there is nothing to report, which is not the same as nothing having happened."
    return Page(
        kind="fleet",
        title=f"{f.fleet}: trailers refused and repaired",
        subtitle=f"For the owner; {f.window}",
        headline=headline,
        lede=lede,
        sections=sections,
        cautions=CAUTIONS,
        data_used=(
            data_sentence(f.about),
            f"{seen(f.set_aside, 'row')[0].upper()}{seen(f.set_aside, 'row')[1:]} of this fleet's trailers set aside; they are in no figure here.",
            records_give(f.about),
            files_table(f.files),
        ),
        methods=METHODS,
        assumptions=(*ASSUMPTIONS, ONLY_WHAT_STOPS),
        made_on=f.window.end,
    )


def _cash(f: FleetRecord) -> str:
    return f" {f.about.currency}" if f.about.currency else ""


def _headline(f: FleetRecord) -> str:
    t = f.total
    if not t.faults:
        return f"No fault of a trailer is on record in {f.window}."
    line = f"{seen(t.faults, 'fault')}"
    if t.hours is not None:
        line += f" stopped trailers for {amount(t.hours)} hours"
    if t.money is not None:
        line += f" and cost {amount(t.money)}{_cash(f) or ' (currency not stated)'}"
    return line[0].upper() + line[1:] + "."


def _lede(f: FleetRecord) -> str:
    t = f.total
    parts = []
    if t.visits:
        unpriced = t.visits - t.priced
        parts.append(
            f"{whole(unpriced)} of {whole(t.visits)} shop visits carry no price, so the true sum is higher."
            if unpriced
            else f"All {whole(t.visits)} shop visits carry a price."
        )
    else:
        parts.append("No shop visit is on record, so hours and money are not known.")
    pull = [x.trailer_id for x in f.trailers if x.clearly_more]
    parts.append(
        f"Look first at {', '.join(pull)}." if pull else "No trailer has clearly more faults than the others."
    )
    parts.append(
        f"Unresolved on {f.as_of}: {', '.join(u.trailer_id for u in f.unresolved[:6])}{' and more' if len(f.unresolved) > 6 else ''}."
        if f.unresolved
        else f"Nothing was unresolved on {f.as_of}."
    )
    return " ".join(parts)


def _trailers(f: FleetRecord) -> Section:
    pull = [x for x in f.trailers if x.clearly_more]
    with_faults = [x for x in f.trailers if x.stops.faults and not x.clearly_more]
    if pull:
        told = "; ".join(
            f"{x.trailer_id}: {seen(x.stops.faults, 'fault')} where the fleet's other trailers bring {number(x.others_bring, 2)} in as many days"
            for x in pull
        )
        lede = f"Clearly more than the others: {told}. Pull {'it' if len(pull) == 1 else 'them'} in for a search of the whole chain."
    else:
        lede = "No trailer stands clearly above the others."
    if with_faults:
        lede += f" The other {whole(len(with_faults))} trailers with a fault are too few to tell: their order in the table means little."
    ordered = sorted(f.trailers, key=lambda x: (not x.clearly_more, -x.stops.faults, x.trailer_id))
    table = Table(
        "trailers-table",
        f"Trailers; the faults add up to {whole(f.total.faults)}",
        (
            Column("trailer", "trailer"),
            Column("faults", "faults", kind="integer"),
            Column(
                "others",
                "the others bring",
                kind="number",
                help="faults that the fleet's other trailers bring in as many days",
            ),
            Column("hours", "hours stopped", kind="money"),
            Column("money", "money", kind="money"),
            Column("last", "last fault", kind="date"),
            Column("say", "what can be said"),
        ),
        tuple(_trailer_row(x) for x in ordered if x.stops.faults),
    )
    none = sum(not x.stops.faults for x in f.trailers)
    notes = (f"{whole(none)} of the fleet's {whole(len(f.trailers))} trailers had no fault in these months.",)
    return Section(
        "trailers", "Which trailers to pull in", lede, table=table if table.rows else None, notes=notes
    )


def _trailer_row(x: Trailer) -> tuple[object, ...]:
    say = "clearly more than the others" if x.clearly_more else "too few to tell"
    if not x.in_fleet:
        say += "; no longer in the fleet"
    last = date.fromisoformat(x.stops.last_fault) if x.stops.last_fault else None
    return x.trailer_id, x.stops.faults, x.others_bring, x.stops.hours, x.stops.money, last, say


def _unresolved(f: FleetRecord) -> Section:
    if not f.unresolved:
        return Section(
            "unresolved",
            "Unresolved now",
            f"On {f.as_of} every refused trailer had a repair or a load since.",
        )
    table = Table(
        "unresolved-table",
        f"Refused, with no repair and no load since, as of {f.as_of}",
        (Column("trailer", "trailer"), Column("since", "since", kind="date"), Column("where", "refused at")),
        tuple(
            (
                u.trailer_id,
                date.fromisoformat(u.since),
                ", ".join(filter(None, [u.terminal, u.lane and f"lane {u.lane}"])) or None,
            )
            for u in f.unresolved
        ),
    )
    lede = f"{seen(len(f.unresolved), 'trailer')[0].upper()}{seen(len(f.unresolved), 'trailer')[1:]} refused with no repair and no load on record since. Ask where {'it is' if len(f.unresolved) == 1 else 'they are'}."
    return Section("unresolved", "Unresolved now", lede, table=table)


def _where(f: FleetRecord) -> Section:
    if not f.total.faults:
        return Section("where", "Where it goes", "No fault, so nothing to share out.")
    rows = [
        {
            "cause": words(s.key),
            "hours": s.hours or 0,
            "faults": s.faults,
            "money": s.money,
            "label": seen(s.faults, "fault"),
        }
        for s in f.causes
    ]
    top = f.causes[0]
    lede = (
        f"Most hours went to: {words(top.key)} ({amount(top.hours)} hours, {seen(top.faults, 'fault')})."
        if top.hours
        else "Hours are not known."
    )
    places = sorted((s for s in f.positions if s.key is not None), key=lambda s: -s.faults)
    if places:
        lede += " By place: " + "; ".join(_place(s) for s in places[:4]) + "."
    if f.day_only:
        lede += f" {seen(f.day_only, 'fault')[0].upper()}{seen(f.day_only, 'fault')[1:]} give only the day of a repair, so up to {amount(f.hours_too_many)} of the hours may not be real."
    return Section(
        "where",
        "Where it goes",
        lede,
        figure=Figure(
            "where-figure",
            charts.where_it_goes(rows, [str(r["cause"]) for r in rows]),
            "Hours stopped by what the shop found, with the number of faults.",
        ),
        table=Table(
            "where-table",
            f"By what was found; the faults add up to {whole(f.total.faults)}",
            _STOPS,
            tuple(_stops_row(words(s.key), s) for s in f.causes),
        ),
    )


def _place(s: Stops) -> str:
    where = f"position {s.key}" if s.key else position_words(s.key)
    return f"{where}, {seen(s.faults, 'fault')}"


_STOPS = (
    Column("found", "found"),
    Column("faults", "faults", kind="integer"),
    Column("hours", "hours stopped", kind="money"),
    Column("money", "money", kind="money"),
    Column("priced", "visits with a price", kind="share"),
)


def _stops_row(name: str, s: Stops) -> tuple[object, ...]:
    return name, s.faults, s.hours, s.money, (s.priced, s.visits)


def _against(f: FleetRecord) -> Section:
    told = [a for a in f.against if a.rate is not None]
    if not f.other_fleets or not told:
        return Section(
            "against",
            "Against the other fleets",
            "There is no other fleet on record, or too little, to hold this one against.",
        )
    return Section("against", "Against the other fleets", " ".join(_against_line(a) for a in told))


def _against_line(a: Against) -> str:
    per = PER[a.per]
    line = f"Per {per}: {number(a.rate, 2)} faults (between {number(a.low, 2)} and {number(a.high, 2)})"
    if a.others is not None:
        line += f"; trailers of the same kind elsewhere {number(a.others, 2)}"
    line += f": {VERDICTS[a.verdict]}"
    if (
        a.ratio is not None
        and a.verdict in ("more", "fewer")
        and a.ratio_low is not None
        and a.ratio_high is not None
    ):
        line += f", {number(a.ratio, 2)} times as many (between {number(a.ratio_low, 2)} and {number(a.ratio_high, 2)})"
    return line + "."


VISIT_WORDS = {
    "near_miss": "trips on real liquid",
    "rack": "the rack's own faults",
    "inspection": "inspections",
    "damage": "damage",
    "planned": "planned work",
    "non_permit": "other visits for a refusal",
}


def _money(f: FleetRecord) -> Section:
    if not f.other_visits:
        return Section("other-visits", "Visits that were no fault", "None on record.")
    table = Table(
        "other-visits-table",
        "Shop visits that belong to no fault",
        (
            Column("kind", "why"),
            Column("visits", "visits", kind="integer"),
            Column("money", "money", kind="money"),
            Column("priced", "with a price", kind="share"),
        ),
        tuple(
            (VISIT_WORDS.get(v.kind, words(v.kind)), v.visits, v.money, (v.priced, v.visits))
            for v in f.other_visits
        ),
    )
    return Section(
        "other-visits",
        "Visits that were no fault",
        "Planned work, inspections and the like; their hours and money are not in the sums above.",
        table=table,
    )
