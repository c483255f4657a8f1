"""What a terminal's lanes show over twelve months: loads, refusals, what cleared without a repair and where.

Marts in, `Terminal` out. May import `statistics`, `warehouse` and its neighbours. An episode belongs to the lane
of its first refusal. Which lanes stand out, and since when, is told by `studies.lanes`; it is no verdict on any one
refusal.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import timedelta

from repermit.settings import Settings
from repermit.studies.about import About, about
from repermit.studies.frequency.like_for_like import Verdict as Against
from repermit.studies.frequency.like_for_like import verdict
from repermit.studies.racks.lane_row import LaneRow as Compared
from repermit.studies.racks.lane_row import Verdict
from repermit.studies.racks.lanes import lanes
from repermit.studies.racks.seen_by import SeenBy, reasons, seen_by
from repermit.studies.racks.terminal_counts import COUNTS, Lane, Route, Units, in_order, tallies
from repermit.studies.readers.monthly import FileRow, files_read
from repermit.studies.selection import Selection, Window, covered
from repermit.warehouse import Connection, records, settings_of

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
    `seen_by` tells of the cleared ones, None where there are none; `reasons` of its refusals, the most frequent first.
    `elsewhere` is other_lane + other_terminal; `held` how the lane compares, None where it has no loads.
    """

    lane: Lane
    loads: int | None
    counts: dict[str, int]
    delay_hours: float | None
    refusals: PerLoads | None
    cleared: PerLoads | None
    elsewhere: PerLoads | None
    faults: PerLoads | None
    held: Compared | None
    seen_by: SeenBy | None
    reasons: tuple[tuple[str, int], ...]

    @property
    def verdict(self) -> Verdict | None:
        """How it compares with the lanes it is held against; None where nothing can be compared."""
        return self.held.verdict if self.held else None


@dataclass(frozen=True)
class LaneMonth:
    """One lane and month (YYYY-MM). `loads` None = none on record."""

    lane: Lane
    month: str
    loads: int | None
    refusals: int
    cleared: int


@dataclass(frozen=True)
class LastMonth:
    """A lane's last month against the months before it, from `since` on: what cleared without a repair, and the verdict.

    `verdict`: more, fewer or about the same only where chance can hardly make the difference, else too_few.
    """

    month: str
    cleared: int
    loads: int
    since: str
    cleared_before: int
    loads_before: int
    verdict: Against


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

    def last_month(self, row: LaneRow) -> LastMonth | None:
        """The lane's last month against those before it since it stands out, else of the year; None without loads in both."""
        from repermit.statistics.comparison import rate_ratio

        since = row.held.since.month if row.held and row.held.since else f"{self.year.first:%Y-%m}"
        mine = [m for m in self.months if m.lane == row.lane and m.month >= since]
        last = f"{self.year.end - timedelta(days=1):%Y-%m}"
        now, before = ([m for m in mine if (m.month == last) == it] for it in (True, False))
        n, loads, n_before, loads_before = (
            sum(getattr(m, name) or 0 for m in months)
            for months in (now, before)
            for name in ("cleared", "loads")
        )
        if not loads or not loads_before:
            return None
        _, low, high = rate_ratio(n, loads, n_before, loads_before, self.about.level)
        return LastMonth(last, n, loads, since, n_before, loads_before, verdict(low, high))


MONTHS = """
with counted as (
    select lane, month::timestamp as seen_at, sum(loads) as loads, 0 as refusals, 0 as cleared
    from marts.loads_by_lane_month where terminal = $terminal group by lane, month
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
    units, counts, routes = tallies(con, days, record)
    settings = settings_of(con)
    held = lanes(con, store, Selection(year, terminal=selection.terminal), record)
    seen, why = seen_by(con, days), reasons(con, days)
    by_lane = tuple(
        _row(
            lane,
            units[lane].values(),
            counts[lane],
            settings,
            held.of(selection.terminal, lane),
            seen.get(lane),
            why.get(lane, ()),
        )
        for lane in sorted(units, key=in_order)
    )
    months = tuple(LaneMonth(**row) for row in records(con, MONTHS, days | {"first": record.first}))
    return Terminal(
        about=about(con, store, Selection(year, terminal=selection.terminal)),
        name=str(selection.terminal),
        year=year,
        record=record,
        lanes=by_lane,
        total=_row(None, _together(units), sum(counts.values(), Counter()), settings),
        routes=routes,
        months=tuple(sorted(months, key=lambda m: (m.month, in_order(m.lane)))),
        files=files_read(con),
        **records(con, LOGGED, days)[0],
    )


def _row(
    lane: Lane,
    trailers: Collection[Mapping[str, float]],
    counts: Counter[str],
    settings: Settings,
    held: Compared | None = None,
    seen: SeenBy | None = None,
    why: tuple[tuple[str, int], ...] = (),
) -> LaneRow:
    recorded = counts["delays_recorded"]
    per = {
        name: per_loads(trailers, what, settings)
        for name, what in (("refusals", "refusals"), ("cleared", "cleared"), ("elsewhere", "elsewhere"), ("faults", "fault"))
    }  # fmt: skip
    return LaneRow(
        lane=lane,
        loads=counts["loads"] or None,
        counts={name: int(counts[name]) for name in COUNTS},
        delay_hours=counts["delay_min"] / 60 if recorded else None,
        held=held,
        seen_by=seen,
        reasons=why,
        **per,
    )


def _together(units: Units) -> Collection[Mapping[str, float]]:
    """The counts of each trailer, of all lanes."""
    found: dict[str, dict[str, float]] = defaultdict(dict)
    for of_lane in units.values():
        for trailer, counts in of_lane.items():
            mine = found[trailer]
            for name, n in counts.items():
                mine[name] = mine.get(name, 0) + n
    return found.values()


def per_loads(trailers: Collection[Mapping[str, float]], what: str, settings: Settings) -> PerLoads | None:
    """Events of these trailers per 1,000 of their loads, by the counts of each; limits widened where trailers differ.

    None without loads. Zero events: 0 to 3,689 over the loads (at 95 %).
    """
    from repermit.statistics.rates import rate_intervals

    loads, events = ([int(counts.get(name, 0)) for counts in trailers] for name in ("loads", what))
    if not sum(loads):
        return None
    found = rate_intervals(
        events, loads, [0] * len(loads), 1, level=settings.level, min_units=settings.min_trailers
    )
    rate, low, high = (float(values[0]) * 1000 for values in (found.rate, found.low, found.high))
    return PerLoads(sum(events), sum(loads), rate, low, high)
