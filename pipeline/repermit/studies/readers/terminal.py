"""What a terminal's lanes show over twelve months: loads, refusals, what cleared without a repair and where.

Marts in, `Terminal` out. May import `statistics`, `warehouse` and its neighbours. An episode belongs to the lane
of its first refusal. Which lanes stand out, and since when, is told by `studies.lanes`; it is no verdict on any one
refusal.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import TYPE_CHECKING

from repermit.settings import Settings
from repermit.studies.about import About, about
from repermit.studies.frequency.like_for_like import Verdict as Against
from repermit.studies.frequency.like_for_like import verdict
from repermit.studies.racks.lane_row import LaneRow as Compared
from repermit.studies.racks.lane_row import Verdict
from repermit.studies.racks.lanes import lanes
from repermit.studies.racks.seen_by import SeenBy, reasons, seen_by
from repermit.studies.racks.terminal_counts import COUNTS, UNIT_COUNTS, Lane, Route, Units, in_order, tallies
from repermit.studies.readers.monthly import FileRow, files_read
from repermit.studies.selection import Selection, Window, covered, of_own
from repermit.warehouse import Connection, settings_of

if TYPE_CHECKING:
    import polars as pl

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
    select terminal, lane, month::timestamp as seen_at, sum(loads) as loads, 0 as refusals, 0 as cleared
    from marts.loads_by_lane_month group by terminal, lane, month
    union all
    select terminal, lane, refused_at, null, equipment::integer, 0 from staging.refusals
    union all
    select terminal, lane, started_at, null, 0, 1 from marts.episodes where outcome like 'cleared%'
)
select terminal, lane, strftime(seen_at, '%Y-%m') as month, sum(loads)::bigint as loads, sum(refusals)::bigint as refusals,
    sum(cleared)::bigint as cleared
from counted where seen_at >= $first and seen_at < $end
group by all
"""

LOGGED = """
select terminal, strftime(min(refused_at), '%Y-%m-%d') as first_refusal_on, strftime(max(refused_at), '%Y-%m-%d') as last_refusal_on,
    count(*) filter (refused_at >= $first and refused_at < $end) as refusals
from staging.refusals group by terminal
"""


def terminal(con: Connection, store: str, selection: Selection) -> Terminal:
    """What the lanes of the selection's terminal show over twelve months that end with the selection's window."""
    month, whole = selection.window, covered(con)
    recorded = min(whole.first.replace(day=1) if whole else month.first, month.first)
    year, record = (
        Window(max(month.end.replace(year=month.end.year - years), recorded), month.end)
        for years in (1, YEARS_BACK)
    )
    name, settings = str(selection.terminal), settings_of(con)
    asked = Selection(year, terminal=selection.terminal)
    units, counts, routes = tallies(con, asked, record)
    held = lanes(con, store, asked, record)
    seen, why = seen_by(con, asked), reasons(con, asked)
    ordered = sorted(units, key=in_order)
    per = _per([units[lane] for lane in ordered], settings)
    by_lane = tuple(
        _row(lane, counts[lane], rates, held.of(name, lane), seen.get(lane), why.get(lane, ()))
        for lane, rates in zip(ordered, per, strict=True)
    )
    months = of_own(con, MONTHS, replace(asked, window=record), "terminal")
    logged = next(iter(of_own(con, LOGGED, asked, "terminal")), {})
    nowhere = next(iter(of_own(con, LOGGED, Selection(year), "terminal")), {})
    return Terminal(
        about=about(con, store, asked),
        name=name,
        year=year,
        record=record,
        lanes=by_lane,
        total=_row(None, sum(counts.values(), Counter()), _per([_together(units)], settings)[0]),
        routes=routes,
        months=tuple(sorted((LaneMonth(**m) for m in months), key=lambda m: (m.month, in_order(m.lane)))),
        first_refusal_on=logged.get("first_refusal_on"),
        last_refusal_on=logged.get("last_refusal_on"),
        refusals_nowhere=nowhere.get("refusals", 0),
        files=files_read(con),
    )


def _row(
    lane: Lane,
    counts: Counter[str],
    per: dict[str, PerLoads | None],
    held: Compared | None = None,
    seen: SeenBy | None = None,
    why: tuple[tuple[str, int], ...] = (),
) -> LaneRow:
    return LaneRow(
        lane=lane,
        loads=counts["loads"] or None,
        counts={name: int(counts[name]) for name in COUNTS},
        delay_hours=counts["delay_min"] / 60 if counts["delays_recorded"] else None,
        held=held,
        seen_by=seen,
        reasons=why,
        **per,
    )


def _together(units: Units) -> pl.DataFrame:
    """The counts of each trailer, of all lanes."""
    import polars as pl

    nobody = pl.DataFrame(schema={"trailer_id": pl.String} | dict.fromkeys(UNIT_COUNTS, pl.Int64))
    return pl.concat([nobody, *units.values()]).group_by("trailer_id").sum()


def _per(units: Sequence[pl.DataFrame], settings: Settings) -> list[dict[str, PerLoads | None]]:
    """Of each group of trailers: what a row tells per 1,000 loads, by the counts of each; limits widened where trailers differ.

    None without loads. Zero events: 0 to 3,689 over the loads (at 95 %).
    """
    import numpy as np

    from repermit.statistics.rates import rate_intervals

    group = np.repeat(np.arange(len(units)), [of.height for of in units])
    loads, *events = (
        np.concatenate([np.zeros(0), *(of[name].to_numpy() for of in units)]) for name in UNIT_COUNTS
    )
    found: list[dict[str, PerLoads | None]] = [{} for _ in units]
    for name, n in zip(("refusals", "cleared", "elsewhere", "faults"), events, strict=True):
        rates = rate_intervals(
            n, loads, group, len(units), level=settings.level, min_units=settings.min_trailers
        )
        for i, of in enumerate(found):
            rate, low, high = (float(values[i]) * 1000 for values in (rates.rate, rates.low, rates.high))
            n_loads = int(rates.exposure[i])
            of[name] = PerLoads(int(rates.events[i]), n_loads, rate, low, high) if n_loads else None
    return found
