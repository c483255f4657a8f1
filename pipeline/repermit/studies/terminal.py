"""What a terminal's lanes show over twelve months: loads, refusals, what cleared without a repair and where.

Marts in, `Terminal` out. May import `statistics`, `warehouse` and its neighbours. An episode belongs to the lane
of its first refusal. It describes lanes and names those whose limits lie above the other lanes'; it is no verdict
on any one refusal.

References
----------
[1] Page E.S. (1954) Continuous inspection schemes. Biometrika 41, 100-115.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Literal

from repermit.settings import Settings
from repermit.studies.about import About, about
from repermit.studies.monthly import FileRow, files_read
from repermit.studies.selection import Selection, Window, covered
from repermit.studies.terminal_counts import COUNTS, Lane, Route, Units, in_order, tallies
from repermit.warehouse import Connection, records, settings_of

Verdict = Literal["stands_out", "fewer", "alike", "too_few"]
TWICE = 2.0
"""A lane whose upper limit is no more than so many times the other lanes' rate is told to be like them."""
NEARLY = 2.0
"""Months whose log-likelihood is within this of the best fit nearly as well as the start."""
YEARS_BACK = 3


@dataclass(frozen=True)
class PerLoads:
    """Events over completed loads, per 1,000 loads, with limits at the store's level."""

    events: int
    loads: int
    rate: float
    low: float
    high: float


@dataclass(frozen=True)
class LaneRow:
    """One lane; `lane` None = not recorded. `loads` None = none on record.

    `counts` has the names of COUNTS. Episodes are cleared + fault + near_miss + rack + left; cleared ones are
    other_lane + same_lane + other_terminal + not_known (where the trailer loaded next, seen from the lane where
    the episode began); `by_next_load`: how it was released is not recorded, so the next load tells.
    `elsewhere` is other_lane + other_terminal; `others` the same of the lanes it is held against.
    """

    lane: Lane
    loads: int | None
    counts: dict[str, int]
    delay_hours: float | None
    refusals: PerLoads | None
    cleared: PerLoads | None
    elsewhere: PerLoads | None
    faults: PerLoads | None
    others: PerLoads | None
    others_are: tuple[str, ...]

    @property
    def verdict(self) -> Verdict | None:
        """How refusals that clear elsewhere compare with the other lanes; None where nothing can be compared."""
        mine, others = self.elsewhere, self.others
        if mine is None or others is None:
            return None
        if mine.low > others.high:
            return "stands_out"
        if mine.high < others.low:
            return "fewer"
        return "alike" if mine.high <= TWICE * others.rate else "too_few"


@dataclass(frozen=True)
class LaneMonth:
    """One lane and month (YYYY-MM). `loads` None = none on record."""

    lane: Lane
    month: str
    loads: int | None
    refusals: int
    cleared: int


@dataclass(frozen=True)
class Since:
    """From which month a lane stayed above the other lanes' rate; `earliest` to `latest` fit nearly as well."""

    lane: str
    month: str
    earliest: str
    latest: str
    whole_record: bool


@dataclass(frozen=True)
class Terminal:
    """A terminal's `year` (up to twelve months) by lane, and its months on record, at most three years."""

    about: About
    name: str
    year: Window
    record: Window
    lanes: tuple[LaneRow, ...]
    total: LaneRow
    routes: tuple[Route, ...]
    months: tuple[LaneMonth, ...]
    since: tuple[Since, ...]
    first_refusal_on: str | None
    last_refusal_on: str | None
    refusals_nowhere: int
    files: tuple[FileRow, ...]

    @property
    def quiet_months(self) -> tuple[str, ...]:
        """Months of the year with loads on record and not one refusal."""
        loads, refusals = Counter[str](), Counter[str]()
        for m in self.months:
            loads[m.month] += m.loads or 0
            refusals[m.month] += m.refusals
        first = f"{self.year.first:%Y-%m}"
        return tuple(m for m in sorted(loads) if m >= first and loads[m] and not refusals[m])


MONTHS = """
with counted as (
    select lane, month::timestamp as seen_at, loads, 0 as refusals, 0 as cleared from marts.loads_by_lane_month
    where terminal = $terminal
    union all
    select lane, refused_at, null, equipment::integer, 0 from staging.refusals where terminal = $terminal
    union all
    select lane, started_at, null, 0, 1 from marts.episodes where terminal = $terminal and outcome like 'cleared%'
)
select lane, strftime(seen_at, '%Y-%m') as month, sum(loads)::bigint as loads, sum(refusals)::bigint as refusals,
    sum(cleared)::bigint as cleared
from counted where seen_at >= $first and seen_at < $end
group by all
"""

LOGGED = """
select strftime(min(refused_at) filter (terminal = $terminal), '%Y-%m-%d') as first_refusal_on,
    strftime(max(refused_at) filter (terminal = $terminal), '%Y-%m-%d') as last_refusal_on,
    count(*) filter (terminal is null and refused_at >= $first and refused_at < $end) as refusals_nowhere
from staging.refusals
"""


def terminal(con: Connection, store: str, selection: Selection) -> Terminal:
    """What the lanes of the selection's terminal show over twelve months that end with the selection's window."""
    month, whole = selection.window, covered(con)
    recorded = min(whole.first.replace(day=1) if whole else month.first, month.first)
    year, record = (
        Window(max(month.end.replace(year=month.end.year - years), recorded), month.end)
        for years in (1, YEARS_BACK)
    )
    days = {"first": year.first, "end": year.end, "terminal": selection.terminal}
    units, counts, routes = tallies(con, days)
    settings = settings_of(con)
    lanes = _lane_rows(units, counts, settings)
    months = tuple(LaneMonth(**row) for row in records(con, MONTHS, days | {"first": record.first}))
    return Terminal(
        about=about(con, store, Selection(year, terminal=selection.terminal)),
        name=str(selection.terminal),
        year=year,
        record=record,
        lanes=lanes,
        total=_row(None, set(units), units, sum(counts.values(), Counter()), settings),
        routes=routes,
        months=tuple(sorted(months, key=lambda m: (m.month, in_order(m.lane)))),
        since=tuple(found for row in lanes if row.verdict == "stands_out" if (found := _since(row, months))),
        files=files_read(con),
        **records(con, LOGGED, days)[0],
    )


def _lane_rows(units: Units, counts: dict[Lane, Counter[str]], settings: Settings) -> tuple[LaneRow, ...]:
    """A row for each lane, held against the others. One that stands out leaves the others, the highest first.

    A lane that alone remains is held against all the others. Lanes without loads on record are in no comparison.
    """
    named = {lane for lane in units if lane is not None and counts[lane]["loads"]}
    out: set[Lane] = set()
    while True:
        rows = [
            _row(lane, {lane}, units, counts[lane], settings, named - out - {lane} or named - {lane})
            for lane in sorted(units, key=in_order)
        ]
        more = [row for row in rows if row.verdict == "stands_out" and row.lane not in out]
        if not more:
            return tuple(rows)
        out.add(max(more, key=lambda row: row.elsewhere.rate if row.elsewhere else 0.0).lane)


def _row(
    lane: Lane,
    lanes: Collection[Lane],
    units: Units,
    counts: Counter[str],
    settings: Settings,
    others: Collection[Lane] = (),
) -> LaneRow:
    recorded = counts["delays_recorded"]
    per = {
        name: per_loads(units, lanes, what, settings)
        for name, what in (("refusals", "refusals"), ("cleared", "cleared"), ("elsewhere", "elsewhere"), ("faults", "fault"))
    }  # fmt: skip
    held = () if lane is None else tuple(sorted((str(o) for o in others), key=in_order))
    return LaneRow(
        lane=lane,
        loads=counts["loads"] or None,
        counts={name: int(counts[name]) for name in COUNTS},
        delay_hours=counts["delay_min"] / 60 if recorded else None,
        others=per_loads(units, held, "elsewhere", settings),
        others_are=held,
        **per,
    )


def per_loads(units: Units, lanes: Collection[Lane], what: str, settings: Settings) -> PerLoads | None:
    """Events of these lanes together per 1,000 of their loads, limits widened where trailers differ.

    None without loads. Zero events: 0 to 3,689 over the loads (at 95 %).
    """
    from repermit.statistics.rates import rate_intervals

    pooled: dict[str, Counter[str]] = defaultdict(Counter)
    for lane in lanes:
        for trailer, counts in units.get(lane, {}).items():
            pooled[trailer].update(counts)
    loads = [counts["loads"] for counts in pooled.values()]
    if not sum(loads):
        return None
    events = [counts[what] for counts in pooled.values()]
    found = rate_intervals(
        events, loads, [0] * len(loads), 1, level=settings.level, min_units=settings.min_trailers
    )
    rate, low, high = (float(values[0]) * 1000 for values in (found.rate, found.low, found.high))
    return PerLoads(sum(events), sum(loads), rate, low, high)


def _since(row: LaneRow, months: Sequence[LaneMonth]) -> Since | None:
    """From which month the lane stayed above the lanes it is held against, by what cleared without a repair."""
    names = sorted({m.month for m in months})
    mine = {m.month: (m.cleared, m.loads or 0) for m in months if m.lane == row.lane}
    others = [m for m in months if m.lane in row.others_are]
    loads = sum(m.loads or 0 for m in others)
    if not loads or row.cleared is None:
        return None
    usual = max(sum(m.cleared for m in others), 0.5) / loads
    best, near = start_of_excess([mine.get(m, (0, 0)) for m in names], usual, row.cleared.rate / 1000)
    if best is None:
        return None
    return Since(str(row.lane), names[best], names[near[0]], names[near[-1]], best == 0)


def start_of_excess(
    counts: Sequence[tuple[int, int]], usual: float, raised: float
) -> tuple[int | None, list[int]]:
    """Index of the month from which events came at the raised rather than the usual rate, and those near it.

    `counts`: events and loads by month in order; rates are per load. It is the month after the lowest point of
    the cumulative sum of events ln(raised/usual) - loads (raised - usual) [1], the most likely start of a rate
    known before and after; among equals the latest. Near: months whose log-likelihood is within 2 of it. A
    start in a month without loads is that of the next with some. None where the raised rate is not above the
    usual one, or where no start is likelier than none. Raises ValueError for a usual rate that is not positive.
    """
    if usual <= 0:
        raise ValueError(f"the usual rate must be positive; it is {usual}")
    if raised <= usual:
        return None, []
    gain = [events * math.log(raised / usual) - loads * (raised - usual) for events, loads in counts]
    after = [sum(gain[i:]) for i in range(len(gain))]
    started = [i for i, (_, loads) in enumerate(counts) if loads]
    best = max(started, key=lambda i: (after[i], i), default=None)
    if best is None or after[best] <= 0:
        return None, []
    return best, [i for i in started if after[i] >= after[best] - NEARLY]
