"""One fleet: what its faults cost, where, against the year before and other fleets, and which trailers to pull in.

Marts in, `FleetRecord` out. May import `contract`, `errors`, `warehouse` and its neighbours. The other fleets are one
group, never named.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Any

from repermit.contract import TABLES
from repermit.errors import CallError
from repermit.studies.about import About, about
from repermit.studies.ages.life import worth_replacing
from repermit.studies.ages.life_row import Life
from repermit.studies.frequency.like_for_like import Against, against_others, clearly_more
from repermit.studies.frequency.outlook import Outlook, outlook
from repermit.studies.frequency.worse import worst_tenth
from repermit.studies.readers.monthly import FileRow, files_read
from repermit.studies.readers.stops import FAULTS, WHO, Stops, all_stops, no_stops, stops_by, units_of
from repermit.studies.readers.what_pays import Advice, what_pays
from repermit.studies.readers.year_before import YearBefore, year_before
from repermit.studies.selection import Selection, Window, covered, of_fleet
from repermit.warehouse import Connection, one, settings_of


@dataclass(frozen=True)
class Trailer:
    """One trailer of the fleet. `others_bring`: the faults that the fleet's other trailers bring in as many days.

    `worst_tenth`: the probability that it truly is among the fleet's worst tenth; None where no differences are shown.
    """

    trailer_id: str
    positions: int
    days: float
    stops: Stops
    others_bring: float | None
    clearly_more: bool
    in_fleet: bool
    worst_tenth: float | None = None


@dataclass(frozen=True)
class Unresolved:
    """A trailer refused with no repair and no load since. `counted`: recent enough to count as a fault."""

    trailer_id: str
    since: str
    terminal: str | None
    lane: str | None
    counted: bool


@dataclass(frozen=True)
class Cleared:
    """Times that a trailer was refused and loaded again without a repair. `hours` lanes stood, of the `timed` ones."""

    times: int
    refusals: int
    hours: float | None
    timed: int


@dataclass(frozen=True)
class OtherVisits:
    """Shop visits that belong to no fault of a trailer, by kind."""

    kind: str
    visits: int
    money: float | None
    priced: int


@dataclass(frozen=True)
class FleetRecord:
    """One fleet over the window. `loads` is None where the store has no loads of any fleet.

    `years`: its twelve months, and its last three, against the year before; empty where that can't be told.
    `replace_early`: systems whose sensors are shown to pay when replaced before they fail, by all fleets' records.
    `hours_too_many`: as `day_only` faults give the day of a repair without its time, so much of the hours, at most,
    is not real. `as_of`: the last day of the records, to which `unresolved` speaks.
    """

    about: About
    fleet: str
    window: Window
    as_of: str
    trailers: tuple[Trailer, ...]
    loads: int | None
    refusals: int
    visits: int
    total: Stops
    hours_too_many: float
    day_only: int
    causes: tuple[Stops, ...]
    against: tuple[Against, ...]
    other_fleets: int
    years: tuple[YearBefore, ...]
    unresolved: tuple[Unresolved, ...]
    cleared: Cleared
    other_visits: tuple[OtherVisits, ...]
    set_aside: int
    outlook: Outlook
    advice: Advice
    replace_early: tuple[Life, ...]
    files: tuple[FileRow, ...]

    @property
    def has_data(self) -> bool:
        """Whether anything is on record for the fleet in the window."""
        return bool(self.loads or self.refusals or self.visits or self.total.faults)


US_PER_DAY = 86_400e6
DAY_ONLY = f"""
select fleet, count(*) as n, sum(us)::bigint / 3.6e9 as hours from (
    select f.fleet, f.episode_id, least(
        date_diff('microsecond', f.started_at, f.last_returned_at),
        max(case when v.returned_at = f.last_returned_at then date_diff('microsecond', v.returned_earliest, v.returned_at) else 0 end)
        + max(case when f.origin = 'repair_only' and v.received_at = f.started_at
            then date_diff('microsecond', v.received_at, v.received_latest) else 0 end)) as us
    from marts.faults f
    join marts.episode_parts p on p.episode_id = f.episode_id and p.part = 'visit'
    join core.visits v on v.repair_id = p.part_id
    where f.last_returned_at >= f.started_at and {FAULTS}
    group by f.fleet, f.episode_id, f.started_at, f.last_returned_at
) where us > 0 group by fleet
"""

IN_FLEET = """
select distinct fleet, trailer_id from staging.trailers
where service_from < $end and (service_until is null or service_until >= $end)
"""

REFUSALS = f"""
select t.fleet, count(*) as n from staging.refusals r
join staging.trailers t on t.trailer_id = r.trailer_id and r.refused_at >= t.service_from
    and (t.service_until is null or r.refused_at < t.service_until)
where r.equipment and r.refused_at >= $first and r.refused_at < $end and {WHO}
group by t.fleet
"""

CLEARED = f"""
select t.fleet, count(*) as times, sum(e.refusals)::bigint as refusals, sum(e.delay_min)::double / 60 as hours,
    count(e.delay_min) as timed
from marts.episodes e
join staging.trailers t on t.trailer_id = e.trailer_id and e.started_at >= t.service_from
    and (t.service_until is null or e.started_at < t.service_until)
where e.outcome like 'cleared%' and e.started_at >= $first and e.started_at < $end and {WHO}
group by t.fleet
"""

OF_FLEET = f"trailer_id in (select trailer_id from staging.trailers where fleet = $fleet and {WHO})"

VISITS = f"""
select r.fleet, case when f.counts_as in ('near_miss', 'rack') then f.counts_as else r.visit_kind end as kind,
    coalesce(f.counts_as, '') = 'fault' as of_fault, count(*) as visits, sum(r.cost)::double as money, count(r.cost) as priced
from marts.repairs r left join marts.faults f on f.episode_id = r.episode_id
where r.received_at >= $first and r.received_at < $end
    and (r.trailer_id, r.fleet) in (select (trailer_id, fleet) from staging.trailers where {WHO})
group by 1, 2, 3 order by visits desc, kind
"""

UNRESOLVED = f"""
select fleet, trailer_id, strftime(started_at, '%Y-%m-%d') as since, terminal, lane, $end <= open_until as counted
from marts.faults f
where counts_as = 'fault' and outcome = 'open' and started_at < $end and {WHO}
    and ($end <= open_until or (WITH_LOADS and not exists (
        select 1 from marts.repairs r where r.trailer_id = f.trailer_id and r.received_at >= f.started_at)))
order by started_at, trailer_id
"""


def year_to(con: Connection, month: Window) -> Window:
    """The twelve months that end with `month`, or as many of them as the records cover."""
    back = month.end.replace(year=month.end.year - 1)
    whole = covered(con)
    return Window(max(back, min(whole.first, month.first)) if whole else back, month.end)


def fleet_record(con: Connection, store: str, selection: Selection) -> FleetRecord:
    """What the records show of the selection's fleet. Raises CallError without one, or with a terminal."""
    if selection.fleet is None:
        raise CallError("no fleet was named", hint="Give --fleet NAME.")
    if selection.terminal is not None:
        raise CallError("a fleet's page is of every terminal", hint="Leave --terminal out.")
    settings, whole, head = settings_of(con), covered(con), about(con, store, selection)
    now = replace(selection, window=Window(selection.window.first, (whole or selection.window).end))
    units = units_of(con, selection)
    ours = units.filter(units["ours"])
    loads = int(ours["loads"].sum())
    visited = of_fleet(con, VISITS, selection)
    day_only, refusals = (next(iter(of_fleet(con, sql, selection)), None) for sql in (DAY_ONLY, REFUSALS))
    here = {row["trailer_id"] for row in of_fleet(con, IN_FLEET, now)}
    total = all_stops(con, selection)
    return FleetRecord(
        about=head,
        fleet=selection.fleet,
        window=selection.window,
        as_of=(now.window.end - timedelta(days=1)).isoformat(),
        trailers=_trailers(stops_by(con, selection, "trailer_id"), ours.to_dicts(), here, 1 - settings.level),
        loads=loads if head.records_give["loads"] else None,
        refusals=refusals["n"] if refusals else 0,
        visits=sum(v["visits"] for v in visited),
        total=total,
        hours_too_many=day_only["hours"] if day_only else 0.0,
        day_only=day_only["n"] if day_only else 0,
        causes=tuple(stops_by(con, selection, "cause")),
        against=against_others(units, settings),
        other_fleets=units.filter(~units["ours"])["fleet"].n_unique(),
        years=year_before(con, selection, whole, settings),
        cleared=next((Cleared(**row) for row in of_fleet(con, CLEARED, selection)), Cleared(0, 0, None, 0)),
        unresolved=_unresolved(con, now, here, bool(loads)),
        other_visits=tuple(OtherVisits(**v) for v in visited if v.pop("of_fault") is False),
        set_aside=_set_aside(con, selection),
        outlook=outlook(con, store, selection),
        advice=what_pays(con, store, selection),
        replace_early=worth_replacing(con, store, Selection(selection.window)),
        files=files_read(con),
    )


def _unresolved(con: Connection, now: Selection, here: set[str], with_loads: bool) -> tuple[Unresolved, ...]:
    """Without loads nobody can tell an old refusal that was never repaired from a trailer long back at work."""
    found = of_fleet(con, UNRESOLVED.replace("WITH_LOADS", str(with_loads).lower()), now)
    return tuple(Unresolved(**row) for row in found if row["trailer_id"] in here)


def _set_aside(con: Connection, selection: Selection) -> int:
    """Waiting rows that name a trailer of the fleet (or, among trailers, the fleet itself)."""
    found = 0
    for table in TABLES:
        if any(c.name == "trailer_id" for c in table.columns):
            whose = f"({OF_FLEET} or fleet = $fleet)" if table.name == "trailers" else OF_FLEET
            sql = f"select count(*) from waiting.{table.name} where left_by is null and {whose}"
            found += int(one(con, sql, selection.parameters(sql)))
    return found


def _trailers(
    stops: list[Stops], ours: list[dict[str, Any]], here: set[str], alpha: float
) -> tuple[Trailer, ...]:
    """The fleet's trailers by name, each held against the fleet's others for as many days."""
    us: dict[str, float] = defaultdict(float)
    for unit in ours:
        us[unit["trailer_id"]] += unit["us"]
    positions = {u["trailer_id"]: u["positions"] for u in ours}
    by_name = {s.key: s for s in stops}
    faults = {name: by_name[name].faults if name in by_name else 0 for name in us}
    worse, chance = clearly_more(faults, us, alpha), worst_tenth(faults, us)
    all_faults, all_us = sum(faults.values()), sum(us.values())
    found = []
    for name in sorted(us):
        rest = all_us - us[name]
        others = (all_faults - faults[name]) / rest * us[name] if rest > 0 else None
        own = by_name.get(name) or no_stops(name)
        days = us[name] / US_PER_DAY
        found.append(
            Trailer(name, positions[name], days, own, others, name in worse, name in here, chance.get(name))
        )
    return tuple(found)
