"""Which trailers: those unresolved now, and those that stand out. Takes `FleetRecord`, gives sections."""

from __future__ import annotations

from collections import Counter
from datetime import date

from repermit.studies.readers.fleet import FleetRecord, Trailer
from repermit.wording import NAMED, amount, named, number, percent, seen, whole
from repermit_reports.charts import fleet as charts
from repermit_reports.page import Column, Figure, Section, Table
from repermit_reports.pages.fleet.to_do import pulled_in
from repermit_reports.pages.fleet.words import (
    CLEARLY,
    TOO_FEW,
    at_least,
    money,
    money_column,
)
from repermit_reports.pages.words import ONLY_WHAT_STOPS

FOLDED_FROM = 20
"""A table of more unresolved trailers is folded: on a phone it would be pages long."""
OF_ALL = "of all fleets among the worst"


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
        folded=len(f.unresolved) > FOLDED_FROM,
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
            f"{named(old)}: refused too long ago to count as a fault still. Parked, sold, or are records missing?"
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
    worst_first = sorted(worse, key=lambda t: (-t.stops.faults, t.trailer_id))
    lines = [_worse_line(f, t) for t in (worst_first[:NAMED] if len(worse) > NAMED else worse)]
    if len(worse) > NAMED:
        lines.append(f"{whole(len(worse) - NAMED)} more stand first in the table of trailers.")
    pulled = pulled_in(f)
    of_all = [name for name in pulled if name not in {t.trailer_id for t in worse}]
    if of_all:
        lines.append(
            f"{named(of_all)}: against the trailers of all fleets probably among the worst tenth, so under What to do; against this fleet's others alone {TOO_FEW}."
            + (" They stand first in the table of trailers." if len(of_all) > NAMED else "")
        )
    lines.append(
        f"The other {whole(rest)}: {TOO_FEW}. So few faults differ that much by chance alone, so their order says nothing."
        if worse
        else f"No trailer stands clearly above the others. Of all {whole(rest)}: {TOO_FEW}; so few faults differ that much by chance alone, so their order says nothing."
    )
    shown = sorted(
        (t for t in f.trailers if t.stops.faults),
        key=lambda t: (not t.clearly_more, t.trailer_id not in pulled, t.trailer_id),
    )
    none = len(f.trailers) - len(shown)
    most = max((t.stops.faults for t in f.trailers), default=0)
    together = f" ({charts.MOST_BARS} and more together)" if most > charts.MOST_BARS else ""
    return Section(
        "trailers",
        "Which trailers stand out",
        "\n\n".join(lines),
        figure=Figure(
            "trailers-figure",
            charts.trailers_by_faults(rows),
            f"How many of the {whole(len(f.trailers))} trailers had no fault, one, two and so on{together}, {f.window}.",
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
        table=_trailers_table(f, shown, pulled),
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


def _trailers_table(f: FleetRecord, shown: list[Trailer], pulled: list[str]) -> Table:
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
            money_column(f),
            Column("priced", "visits priced", kind="share"),
            Column("last", "last fault", kind="date"),
            Column("positions", "positions", kind="integer", help="a longer trailer has more that can fail"),
        ),
        tuple(
            (
                t.trailer_id if t.in_fleet else f"{t.trailer_id} (no longer in the fleet)",
                CLEARLY if t.clearly_more else f"{TOO_FEW}; {OF_ALL}" if t.trailer_id in pulled else TOO_FEW,
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
