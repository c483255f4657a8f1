"""The tables of the terminal's page, and how it names lanes and months. Takes `Terminal`, gives `Table`s and text."""

from __future__ import annotations

from collections import Counter
from datetime import date, timedelta
from typing import Any

from repermit.studies.racks.lane_row import LaneRow as Compared
from repermit.studies.racks.terminal_counts import Lane, Route, in_order
from repermit.studies.readers.terminal import LaneMonth, LaneRow, PerLoads, Terminal
from repermit.studies.selection import Window
from repermit_reports.page import Column, Table

MOST_OPEN = 8
"""The counts of more lanes than that are folded: on a phone they would be pages long."""
VERDICTS = {
    "stands_out": "stands out",
    "fewer": "fewer than the others",
    "alike": "like the others",
    "too_few": "too few to tell",
    None: "nothing to hold it against",
}


def lane_words(lane: Lane) -> str:
    """A lane's name after the word lane, unless it says so itself."""
    if lane is None:
        return "lane not recorded"
    return lane if lane.lower().startswith("lane") else f"lane {lane}"


def month_words(month: str) -> str:
    """The month "2024-08" as "August 2024"."""
    return f"{date.fromisoformat(month + '-01'):%B %Y}"


def period(window: Window) -> str:
    """The months of a window of whole months: "January 2025 to December 2025"."""
    first, last = (month_words(f"{day:%Y-%m}") for day in (window.first, window.end - timedelta(days=1)))
    return first if first == last else f"{first} to {last}"


def refused(row: LaneRow) -> int:
    """Refusals of every reason."""
    return row.counts["refusals"] + row.counts["not_equipment"]


def _count(name: str, label: str, help_: str = "") -> Column:
    return Column(name, label, kind="integer", help=help_)


def _named(t: Terminal) -> list[tuple[str, LaneRow]]:
    return [*((lane_words(row.lane), row) for row in t.lanes), ("all", t.total)]


def rates_table(t: Terminal) -> Table:
    """Rates by lane with limits, and how each compares."""

    def limits(r: PerLoads | None) -> tuple[float, float, float] | None:
        return (r.rate, r.low, r.high) if r else None

    rates = [
        ("refusals", "refusals", "for an equipment reason"),
        ("cleared", "cleared without a repair", ""),
        ("elsewhere", "of them elsewhere", "on another lane of this terminal or at another terminal"),
        ("faults", "faults of trailers", "episodes repaired, or with no repair and no load since"),
    ]
    return Table(
        "rates-table",
        f"Per 1,000 loads by lane, {period(t.year)}",
        (
            Column("lane", "lane"),
            Column("compared", "compared", help="see Methods"),
            _count("loads", "loads"),
            *(Column(name, label, kind="interval", help=help_) for name, label, help_ in rates),
            Column(
                "times",
                "times the usual",
                kind="interval",
                help="the usual: what the same trailers met on the other lanes in the same months",
            ),
            Column(
                "beyond",
                "beyond the usual",
                kind="interval",
                help="refusals cleared without a repair, with least and most",
            ),
        ),
        tuple(
            (
                name,
                compared,
                row.loads,
                *(limits(getattr(row, field)) for field, *_ in rates),
                *_against(row.held),
            )
            for name, row in _named(t)
            for compared in [None if row is t.total else VERDICTS[row.verdict]]
        ),
    )


def _against(held: Compared | None) -> tuple[tuple[float, float | None, float | None] | None, ...]:
    """Times the usual, and beyond it, each with limits; None where it can't be told."""
    if held is None or held.rate_ratio is None or held.excess is None or held.excess_least is None:
        return None, None
    return (
        (held.rate_ratio, held.rate_ratio_low, held.rate_ratio_high),
        (held.excess, held.excess_least, float(held.excess_most)),
    )


def months_table(t: Terminal) -> Table:
    """Loads, refusals and what cleared by month and lane."""

    def per_1000(m: LaneMonth) -> float | None:
        return m.cleared * 1000 / m.loads if m.loads else None

    return Table(
        "months-table",
        f"Month by month, {period(t.record)}",
        (
            Column("month", "month"),
            Column("lane", "lane"),
            _count("loads", "loads"),
            _count("refusals", "refusals", "for an equipment reason"),
            _count("cleared", "cleared without a repair", "episodes that began in the month"),
            Column("rate", "cleared per 1,000 loads", kind="number"),
        ),
        tuple((m.month, lane_words(m.lane), m.loads, m.refusals, m.cleared, per_1000(m)) for m in t.months),
    )


def counts_table(t: Terminal) -> Table:
    """What became of the refusals by lane."""
    return _by_lane(
        "lanes-table",
        "Loads, refusals and what became of them",
        t,
        _count("refusals", "refusals", "for an equipment reason, at this lane"),
        _count("not_equipment", "other refusals", "vehicle id, vapour interlock, paperwork"),
        _count("episodes", "episodes", "that began at this lane; the columns after it add up to it"),
        _count("cleared", "cleared, no repair"),
        _count("fault", "faults of trailers", "repaired, or no repair and no load since"),
        _count("near_miss", "real liquid", "a correct trip, not a fault"),
        _count("rack", "put down to the rack", "by the shop, or by the reason logged"),
        _count("left", "left", "without a load, no repair on record"),
    )


def where_table(t: Terminal) -> Table:
    """Where episodes cleared without a repair, by the lane where they began."""
    return _by_lane(
        "where-table",
        "Episodes that cleared without a repair, by lane where they began",
        t,
        _count("same_lane", "same lane", "on trying again where it began"),
        _count("other_lane", "another lane", "of this terminal"),
        _count("other_terminal", "another terminal"),
        _count("not_known", "where not known"),
        _count("cleared", "all"),
        _count("by_next_load", "release not logged", "of all; the next load on record tells where"),
    )


def _by_lane(id_: str, caption: str, t: Terminal, *columns: Column) -> Table:
    """Counts by lane and their total; a column that is zero throughout is left out."""
    kept = [column for column in columns if t.total.counts[column.name]]
    return Table(
        id_,
        f"{caption}, {period(t.year)}",
        (Column("lane", "lane"), _count("loads", "loads"), *kept),
        tuple((name, row.loads, *(row.counts[column.name] for column in kept)) for name, row in _named(t)),
        folded=len(t.lanes) > MOST_OPEN,
    )


def routes_table(t: Terminal) -> Table:
    """From lane to lane: one column a place, those of this terminal first."""

    def place(r: Route) -> tuple[int, Any, str]:
        if r.where == "other_terminal":
            return 1, r.to_terminal or "", f"at {r.to_terminal}" if r.to_terminal else "another terminal"
        if r.to_terminal == t.name and r.to_lane is not None:
            return 0, in_order(r.to_lane), lane_words(r.to_lane)
        return (2, "", "another lane, not known which") if r.where == "other_lane" else (3, "", "not known")

    found: Counter[tuple[Lane, Any]] = Counter()
    for r in t.routes:
        found[r.lane, place(r)] += r.episodes
    places = sorted({to for _, to in found})
    lanes = [row.lane for row in t.lanes if row.counts["cleared"]]
    return Table(
        "routes-table",
        f"Where they began (rows) and where the trailer loaded next (columns), {period(t.year)}",
        (Column("lane", "began at"), *(_count(f"to-{i}", name) for i, (*_, name) in enumerate(places))),
        (
            *((lane_words(lane), *(found[lane, to] for to in places)) for lane in lanes),
            ("all", *(sum(found[lane, to] for lane in lanes) for to in places)),
        ),
        folded=len(t.lanes) > MOST_OPEN,
    )


def hours_table(t: Terminal) -> Table:
    """Hours that lanes stood, and how many refusals say so."""
    return Table(
        "hours-table",
        f"Hours that lanes stood, {period(t.year)}, refusals of every reason",
        (
            Column("lane", "lane"),
            Column("hours", "hours stood", kind="money"),
            _count("recorded", "refusals with a delay"),
            _count("missing", "without"),
        ),
        tuple(
            (name, row.delay_hours, recorded, refused(row) - recorded)
            for name, row in _named(t)
            for recorded in [row.counts["delays_recorded"]]
        ),
    )


def loads_table(t: Terminal) -> Table:
    """Loads by lane and nothing else."""
    return Table(
        "lanes-table",
        f"Loads by lane, {period(t.year)}",
        (Column("lane", "lane"), _count("loads", "loads")),
        tuple((name, row.loads) for name, row in _named(t)),
    )
