"""What one month shows: refusals, faults, where, why, what it cost, what was set aside.

Marts in, `Monthly` out. May import `warehouse` and its neighbours.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from repermit.studies.about import About, about
from repermit.studies.ages.changes import Changes, changes
from repermit.studies.ages.life import Lives, lives, standing_lots
from repermit.studies.ages.life_row import Life
from repermit.studies.ages.trend import Trends, trend
from repermit.studies.frequency.months import Months, months
from repermit.studies.frequency.outlook import Outlook, outlook
from repermit.studies.frequency.rates import Rate, Rates, rates
from repermit.studies.frequency.worse import Worse, worse
from repermit.studies.location.located import Located, located
from repermit.studies.location.sharing import share
from repermit.studies.racks.lanes import Lanes, lanes
from repermit.studies.readers.month_before import Counted, MonthBefore, month_before
from repermit.studies.records.clocks import ClockError, clock_errors
from repermit.studies.records.gaps import Gaps, gaps
from repermit.studies.records.quarantine import Reason, by_reason
from repermit.studies.repairs.fixes import Fixes, fixes
from repermit.studies.selection import Selection, Window, covered
from repermit.warehouse import Connection, once, records, settings_of


@dataclass(frozen=True)
class MonthRow:
    """One month: what the terminals refused (None: no refusal is on record at all), and the faults of trailers among it."""

    month: str
    refusals: int | None
    not_equipment: int | None
    episodes: int
    rate: Rate


@dataclass(frozen=True)
class CauseRow:
    """One cause over a year: faults, hours from the first refusal to the return, money where it was priced."""

    cause: str | None
    faults: int
    in_month: int
    hours: float | None
    hours_known: int
    cost: float | None
    visits: int
    visits_priced: int


@dataclass(frozen=True)
class Unresolved:
    """A fault with no repair and no load since."""

    trailer_id: str
    fleet: str | None
    started_at: str
    terminal: str | None


@dataclass(frozen=True)
class FaultRow:
    """One fault of the month, with what leads to its rows in the records."""

    episode_id: str
    started_at: datetime
    trailer_id: str
    terminal: str | None
    lane: str | None
    refusals: int
    repair_id: str | None
    shop: str | None
    position: int | None
    cause: str | None
    action: str | None


@dataclass(frozen=True)
class FileRow:
    """One file that the store has read."""

    file: str
    table: str
    rows: int
    accepted: int
    duplicate: int
    corrected: int
    quarantined: int


@dataclass(frozen=True)
class Monthly:
    """The month, those before it, and what they are made of. `year` ends with the month."""

    about: About
    month: str
    year: Window
    this_month: Rate
    months: tuple[MonthRow, ...]
    judged: Months
    before: MonthBefore
    changes: Changes
    outlook: Outlook
    trends: Trends
    located: Located
    lanes: Lanes
    fixes: Fixes
    worse: Worse | None
    lives: Lives
    lots: tuple[Life, ...]
    shops: Fixes
    positions: Rates
    cells: Rates
    causes: tuple[CauseRow, ...]
    cause_rates: Rates
    faults: tuple[FaultRow, ...]
    outcomes: dict[str, int]
    unresolved: tuple[Unresolved, ...]
    reasons: tuple[Reason, ...]
    files: tuple[FileRow, ...]
    gaps: Gaps
    clocks: tuple[ClockError, ...] = ()

    @property
    def has_data(self) -> bool:
        """Whether anything is on record for the month; of a store with visits only, for its year."""
        counts, give = self.about.counts, self.about.records_give
        visits_only = not (give["loads"] or give["refusals"])
        return bool(
            counts["loads"]
            or counts["refusals"]
            or counts["visits"]
            or (visits_only and self.positions.total.faults)
        )


MONTHS = """
with months as (
    select strftime(month_from, '%Y-%m') as month, month_from, month_from + interval 1 month as month_until
    from (select unnest(generate_series($first::timestamp, $end::timestamp - interval 1 day, interval 1 month)) as month_from)
), refused as (
    select strftime(refused_at, '%Y-%m') as month, count(*) filter (equipment) as refusals,
        count(*) filter (not equipment) as not_equipment
    from staging.refusals group by 1
), began as (
    select strftime(started_at, '%Y-%m') as month, count(*) as episodes from marts.episodes group by 1
)
select m.month, case when $any then coalesce(r.refusals, 0) end as refusals,
    case when $any then coalesce(r.not_equipment, 0) end as not_equipment,
    coalesce(b.episodes, 0) as episodes
from months m left join refused r using (month) left join began b using (month)
order by m.month
"""

CAUSES = """
select cause, count(*) as faults, count(*) filter (started_at >= $month) as in_month,
    sum(us)::bigint / 3.6e9 as hours, count(us) as hours_known,
    sum(cost)::double as cost, sum(visits)::bigint as visits, sum(visits_priced)::bigint as visits_priced
from (
    select *, case when last_returned_at >= started_at then date_diff('microsecond', started_at, last_returned_at) end as us
    from marts.faults
    where counts_as = 'fault' and started_at >= $first and started_at < $end and (open_until is null or $end <= open_until)
)
group by cause order by faults desc, cause nulls last
"""

CAUSES_BY_MONTH = """
select cause, strftime(started_at, '%Y-%m') as month, count(*) as faults
from marts.faults
where counts_as = 'fault' and started_at >= $first and started_at < $end and (open_until is null or $end <= open_until)
group by 1, 2 order by 1 nulls last, 2
"""

OUTCOMES = """
select case when f.counts_as = 'near_miss' then 'near_miss' when f.counts_as = 'rack' then 'rack'
    when e.outcome = 'open' and $end > f.open_until then 'left' else e.outcome end as outcome, count(*) as n
from marts.episodes e left join marts.faults f using (episode_id)
where e.started_at >= $first and e.started_at < $end
group by 1 order by n desc, 1
"""

FAULTS = """
select f.episode_id, f.started_at, f.trailer_id, f.terminal, f.lane, e.refusals, f.repair_id, f.shop, f.position, f.cause, f.action
from marts.faults f join marts.episodes e using (episode_id)
where f.counts_as = 'fault' and f.started_at >= $first and f.started_at < $end
    and (f.open_until is null or $end <= f.open_until)
order by f.started_at, f.episode_id
"""

UNRESOLVED = """
select trailer_id, fleet, strftime(started_at, '%Y-%m-%d') as started_at, terminal
from marts.faults
where counts_as = 'fault' and outcome = 'open' and started_at < $end and $end <= open_until
order by started_at, trailer_id
"""


def monthly(con: Connection, store: str, selection: Selection) -> Monthly:
    """What the month of the selection shows, with the year that ends with it and the months before."""
    window = selection.window
    record = _recorded(con, window)
    year = Window(max(_months_back(window.end, 12), record.first), window.end)
    of_year = Selection(year)
    by_month = {row.keys["month"]: row for row in rates(con, store, Selection(record), ("month",)).rows}
    head = about(con, store, selection)
    days = {"first": record.first, "end": record.end, "any": head.records_give["refusals"]}
    by_month_rows = [
        MonthRow(**row, rate=by_month[row["month"]])
        for row in records(con, MONTHS, days)
        if row["month"] in by_month
    ]
    year_days = {"first": year.first, "end": year.end}
    month_days = {"first": window.first, "end": window.end}
    sharing = share(con, year)
    positions = rates(con, store, of_year, ("position",), sharing)
    return Monthly(
        about=head,
        month=f"{window.first:%Y-%m}",
        year=year,
        this_month=rates(con, store, selection, ()).total,
        months=tuple(by_month_rows),
        judged=months(con, store, Selection(record)),
        before=_before(con, [by_month[row.month] for row in by_month_rows], positions.total, year),
        changes=changes(con, store, Selection(record)),
        outlook=outlook(con, store, Selection(record)),
        located=located(con, store, Selection(record)),
        lanes=lanes(con, store, of_year, record),
        fixes=fixes(con, store, Selection(record), "action"),
        worse=worse(con, store, of_year, rates(con, store, of_year, ("trailer",))),
        lives=lives(con, store, Selection(record), "system"),
        lots=standing_lots(con, Selection(record)),
        shops=fixes(con, store, Selection(record), "shop"),
        positions=positions,
        cells=rates(con, store, of_year, ("position", "cause"), sharing),
        causes=tuple(CauseRow(**row) for row in records(con, CAUSES, year_days | {"month": window.first})),
        cause_rates=rates(con, store, of_year, ("cause",), sharing),
        faults=tuple(FaultRow(**row) for row in records(con, FAULTS, month_days)),
        outcomes={row["outcome"]: row["n"] for row in records(con, OUTCOMES, month_days)},
        unresolved=tuple(Unresolved(**row) for row in records(con, UNRESOLVED, {"end": window.end})),
        reasons=tuple(by_reason(con)),
        files=files_read(con),
        gaps=gaps(con, record),
        clocks=clock_errors(con),
        trends=trend(con, *trends_asked(con, store, selection)),
    )


def trends_asked(con: Connection, store: str, selection: Selection) -> tuple[str, Selection, str]:
    """With what the trends of the month's page are asked for. They take longest and have next to nothing in common with
    what else is asked, so that another process may be made to work them out meanwhile."""
    return store, Selection(_recorded(con, selection.window)), "fleet"


def _recorded(con: Connection, window: Window) -> Window:
    """From the month in which the records begin (the window, where it begins before them) to the window's end."""
    whole = covered(con)
    return Window(min(whole.first.replace(day=1), window.first) if whole else window.first, window.end)


def _before(con: Connection, rows: list[Rate], of_year: Rate, year: Window) -> MonthBefore:
    """The last of the months of the year against those before it."""
    from repermit.statistics.comparison import dispersion

    use_loads = bool(of_year.loads)
    mine = [row for row in rows if row.keys["month"] >= f"{year.first:%Y-%m}"]
    counted = tuple(
        Counted(row.keys["month"], round(row.faults), float((row.loads if use_loads else row.days) or 0.0))
        for row in mine
    ) or (Counted(f"{year.end - timedelta(days=1):%Y-%m}", 0, 0.0),)
    causes: dict[str | None, dict[str, int]] = defaultdict(dict)
    for row in records(con, CAUSES_BY_MONTH, {"first": year.first, "end": year.end}):
        causes[row["cause"]][row["month"]] = row["faults"]
    level, wider = settings_of(con).level, 1.0
    if of_year.faults and of_year.loads and of_year.per_1000_loads_low is not None:
        low = of_year.per_1000_loads_low * of_year.loads / 1000
        wider = float(dispersion(of_year.faults, low, level))
    return month_before(counted, causes, wider, level)


@once
def files_read(con: Connection) -> tuple[FileRow, ...]:
    """Every file that the store has read, in the order of reading."""
    sql = (
        'select file, table_name as "table", rows, accepted, duplicate, corrected, quarantined'
        " from record.batches order by batch_id"
    )
    return tuple(FileRow(**row) for row in records(con, sql))


def _months_back(day: date, months: int) -> date:
    """The first of the month so many months before the month of `day` (a first of the month)."""
    index = day.year * 12 + day.month - 1 - months
    return date(index // 12, index % 12 + 1, 1)
