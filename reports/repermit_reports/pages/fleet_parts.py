"""The sections of the owner's page, and the words that they share with its headline.

May import `wording`, `page`, `words` and the page's charts.
"""

from __future__ import annotations

from collections import Counter
from datetime import date

from repermit.studies.frequency.like_for_like import Against
from repermit.studies.readers.fleet import FleetRecord, Trailer
from repermit.studies.readers.stops import Stops
from repermit.wording import amount, number, percent, seen, whole, words
from repermit_reports.charts import fleet as charts
from repermit_reports.page import Column, Figure, Section, Table
from repermit_reports.pages.to_do import TOO_FEW, names, pulled_in
from repermit_reports.pages.words import ONLY_WHAT_STOPS

CLEARLY = "clearly more than the others"
VERDICTS = {"more": "more", "fewer": "fewer", "about_the_same": "about the same", "too_few": TOO_FEW}
SURE = VERDICTS | {
    verdict: f"{VERDICTS[verdict]}, and chance can hardly make that difference"
    for verdict in ("more", "fewer")
}
PER = {"trailer_year": "for each trailer and year", "1000_loads": "for every 1,000 loads"}
OTHER_VISITS = {
    "planned": "planned work",
    "inspection": "inspection",
    "damage": "damage",
    "near_miss": "correct stop on real liquid",
    "rack": "the rack's fault, not the trailer's",
}


def money(f: FleetRecord, value: float | None) -> str:
    """An amount, with its currency where that is stated."""
    return f"{amount(value)} {f.about.currency or ''}".strip()


def priced_at(f: FleetRecord, value: float | None) -> str:
    """An amount in a sentence that says so where its currency is not stated."""
    return money(f, value) if f.about.currency else f"{amount(value)} (currency not stated)"


def at_least(s: Stops) -> str:
    """What stands before money that does not hold every visit, or that is still growing."""
    return "at least " if s.priced < s.visits or s.unresolved else ""


def _money_column(f: FleetRecord) -> Column:
    stated = f.about.currency or ""
    return Column("money", "money", stated, "money", help="" if stated else "the currency is not stated")


def unresolved(f: FleetRecord) -> Section | None:
    """Trailers refused with no repair and no load since; None where no refusals are on record."""
    if not f.about.records_give["refusals"]:
        return None
    table = Table(
        "unresolved-table",
        f"No repair and no load since, as the records end on {f.as_of}",
        (
            Column("trailer", "trailer"),
            Column("since", "refused on", kind="date"),
            Column("where", "at"),
            Column("days", "days ago", kind="integer"),
        ),
        tuple(
            (
                u.trailer_id,
                date.fromisoformat(u.since),
                ", ".join(part for part in (u.terminal, u.lane and f"lane {u.lane}") if part)
                or "not recorded",
                (date.fromisoformat(f.as_of) - date.fromisoformat(u.since)).days,
            )
            for u in f.unresolved
        ),
    )
    lede = (
        f"{seen(len({u.trailer_id for u in f.unresolved}), 'trailer')} refused, with no repair and no load on record since."
        if f.unresolved
        else f"No trailer of the fleet was waiting for a repair when the records end, on {f.as_of}."
    )
    return Section(
        "unresolved",
        "Unresolved now",
        lede,
        table=table if f.unresolved else None,
        notes=_unresolved_notes(f),
    )


def _unresolved_notes(f: FleetRecord) -> tuple[str, ...]:
    notes = []
    old = list(dict.fromkeys(u.trailer_id for u in f.unresolved if not u.counted))
    if old:
        notes.append(
            f"{', '.join(old)}: refused too long ago to count as a fault still. Parked, sold, or are records missing?"
        )
    if not f.loads:
        notes.append(
            "No loads of this fleet are on record, so a trailer that is long back at work may stand here."
        )
    return tuple(notes)


def trailers(f: FleetRecord) -> Section:
    """Which trailers stand clearly above the fleet's others; of the rest it is too few to tell."""
    counts = Counter((t.stops.faults, t.clearly_more) for t in f.trailers)
    rows = [
        {"faults": n, "trailers": k, "stands": charts.STANDS[worse]}
        for (n, worse), k in sorted(counts.items())
    ]
    worse = [t for t in f.trailers if t.clearly_more]
    rest = len(f.trailers) - len(worse)
    lines = [_worse_line(f, t) for t in worse]
    of_all = [name for name in pulled_in(f) if name not in {t.trailer_id for t in worse}]
    if of_all:
        lines.append(
            f"{names(of_all)}: against the trailers of all fleets probably among the worst tenth, so under What to do; against this fleet's others alone {TOO_FEW}."
        )
    lines.append(
        f"The other {whole(rest)}: {TOO_FEW}. So few faults differ that much by chance alone, so their order says nothing."
        if worse
        else f"No trailer stands clearly above the others. Of all {whole(rest)}: {TOO_FEW}; so few faults differ that much by chance alone, so their order says nothing."
    )
    shown = sorted(
        (t for t in f.trailers if t.stops.faults), key=lambda t: (not t.clearly_more, t.trailer_id)
    )
    none = len(f.trailers) - len(shown)
    return Section(
        "trailers",
        "Which trailers stand out",
        "\n\n".join(lines),
        figure=Figure(
            "trailers-figure",
            charts.trailers_by_faults(rows),
            f"How many of the {whole(len(f.trailers))} trailers had no fault, one, two and so on, {f.window}.",
        ),
        drawn=Table(
            "counted-table",
            "How many trailers had so many faults",
            (
                Column("faults", "faults", kind="integer"),
                Column("trailers", "trailers", kind="integer"),
                Column("stands", "that is"),
            ),
            tuple((row["faults"], row["trailers"], row["stands"]) for row in rows),
        ),
        table=_trailers_table(f, shown),
        notes=(
            f"{seen(none, 'trailer')} had no fault on record, which is {TOO_FEW} as well."
            if none
            else "Every trailer had a fault on record.",
            ONLY_WHAT_STOPS,
        ),
    )


def _worse_line(f: FleetRecord, t: Trailer) -> str:
    s = t.stops
    cost = f"{at_least(s)}{money(f, s.money)} in shop bills" if s.money is not None else "no price on record"
    hours = f"{amount(s.hours)} hours stopped" if s.hours is not None else "hours not known"
    now = " It is unresolved now." if any(u.trailer_id == t.trailer_id for u in f.unresolved) else ""
    what = "" if t.in_fleet else "No longer in the fleet: "
    worst = "" if t.worst_tenth is None else f" (among the worst tenth: chance {percent(t.worst_tenth)})"
    return (
        f"{what}{t.trailer_id}: {whole(s.faults)} faults, where the fleet's other trailers bring about {number(t.others_bring, 2)} in as many days{worst};"
        f" {hours}, {cost}; last fault {s.last_fault}.{now}"
    )


def _trailers_table(f: FleetRecord, shown: list[Trailer]) -> Table:
    return Table(
        "trailers-table",
        "Trailers with a fault, by name",
        (
            Column("trailer", "trailer"),
            Column("stands", "against the fleet's others"),
            Column("faults", "faults", kind="integer"),
            Column(
                "others",
                "others bring",
                kind="number",
                help="faults that the fleet's other trailers bring in as many days, on average",
            ),
            Column(
                "worst",
                "chance to be among the worst tenth",
                kind="percent",
                help="of the fleet's trailers; empty where they differ no more than chance brings, or are fewer than ten",
            ),
            Column("hours", "hours stopped", kind="money"),
            _money_column(f),
            Column("priced", "visits priced", kind="share"),
            Column("last", "last fault", kind="date"),
            Column("positions", "positions", kind="integer", help="a longer trailer has more that can fail"),
        ),
        tuple(
            (
                t.trailer_id if t.in_fleet else f"{t.trailer_id} (no longer in the fleet)",
                CLEARLY if t.clearly_more else TOO_FEW,
                t.stops.faults,
                t.others_bring,
                t.worst_tenth,
                t.stops.hours,
                t.stops.money,
                (t.stops.priced, t.stops.visits),
                date.fromisoformat(t.stops.last_fault) if t.stops.last_fault else None,
                t.positions,
            )
            for t in shown
        ),
    )


def _stops_columns(f: FleetRecord, name: str) -> tuple[Column, ...]:
    return (
        Column("name", name),
        Column("faults", "faults", kind="integer"),
        Column("hours", "hours stopped", kind="money"),
        Column("known", "with hours known", kind="share"),
        _money_column(f),
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


def against(f: FleetRecord) -> Section:
    """This fleet's faults against those of other fleets' trailers of the same kinds."""
    title = "Against the other fleets"
    if not f.other_fleets:
        return Section(
            "against", title, "No other fleet is on record, so there is nothing to hold it against."
        )
    if not f.visits:
        lede = (
            "No shop visit of this fleet is on record, so its faults can't be held against those of others."
        )
        return Section("against", title, lede)
    told = [a for a in f.against if a.others is not None]
    if not told:
        return Section("against", title, f"The other fleets have too few trailers of these kinds: {TOO_FEW}.")
    table = Table(
        "against-table",
        "Faults, like for like",
        (
            Column("per", "faults"),
            Column("verdict", "this fleet has"),
            Column("here", "this fleet", kind="interval"),
            Column("there", "other fleets", kind="interval"),
            Column("ratio", "times as many", kind="interval"),
        ),
        tuple(
            (
                PER[a.per],
                VERDICTS[a.verdict],
                (a.rate, a.low, a.high),
                (a.others, a.others_low, a.others_high),
                None if a.ratio is None else (a.ratio, a.ratio_low, a.ratio_high),
            )
            for a in told
        ),
    )
    notes = [_compared(f, told[0])]
    if f.loads is None or len(f.against) < len(PER):
        notes.append("No loads of this fleet are on record, so nothing can be told per load.")
    return Section(
        "against", title, " ".join(_against_sentence(a) for a in told), table=table, notes=tuple(notes)
    )


def _against_sentence(a: Against) -> str:
    return f"Faults {PER[a.per]}: {number(a.rate, 2)} here, {number(a.others, 2)} in the other fleets: {SURE[a.verdict]}."


def _compared(f: FleetRecord, a: Against) -> str:
    line = f"{seen(a.trailers, 'trailer')} of this fleet against {whole(a.others_trailers)} of {seen(f.other_fleets, 'other fleet')}, of the same wiring and number of positions as far as there are enough, in this fleet's proportions."
    if a.compared < 0.995:
        line += f" {percent(a.compared)} of this fleet's trailer days have their like elsewhere; the rest is left out here."
    return line


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
                _money_column(f),
                Column("priced", "visits priced", kind="share"),
            ),
            tuple(
                (OTHER_VISITS.get(v.kind, words(v.kind)), v.visits, v.money, (v.priced, v.visits))
                for v in f.other_visits
            ),
        ),
    )
