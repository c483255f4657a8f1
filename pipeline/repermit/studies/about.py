"""What stands at the head of every result: which store, which window, which settings, how much data.

May import `settings`, `warehouse` and `selection`.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from repermit.contract import TABLES
from repermit.settings import Settings
from repermit.studies.selection import Selection, Window, of_own
from repermit.warehouse import Connection, fingerprint, once, one, records, settings_of

HAS = {
    "refusals": "hours stopped",
    "loads": "rates per load",
    "lanes": "the rack's side",
    "findings": "tables by cause and position",
    "births": "sensor life",
}


@dataclass(frozen=True)
class About:
    """The head of a result; counts are of the window and filters, `outside` of what they leave out."""

    store: str
    first: str
    end: str
    filters: dict[str, str]
    settings: dict[str, int | float | str]
    level: float
    time_unit: str
    currency: str | None
    fingerprint: str
    counts: dict[str, int]
    outside: dict[str, int]
    records_give: dict[str, bool]
    ingest: int | None
    """The last ingest that the result knows of."""
    as_of: str | None
    """The ingest or day that --as-of gave; None = all that has been read."""

    def as_dict(self) -> dict[str, Any]:
        """For JSON: the window as one object, the rest as it stands."""
        found = asdict(self)
        found["window"] = {"from": found.pop("first"), "to": found.pop("end")}
        return found


COUNTS = """
with f as (
    select * from marts.faults
    where ($fleet is null or fleet = $fleet) and ($system is null or system = $system)
        and ($terminal is null or terminal = $terminal) and ($shop is null or home_shop = $shop)
)
select {whose} as {kind},
    count(*) filter (inside and counts_as = 'fault' and counted) as faults,
    count(*) filter (inside and counts_as = 'near_miss') as near_misses,
    count(*) filter (inside and counts_as = 'rack') as rack_side,
    count(*) filter (inside and counts_as = 'fault' and outcome = 'open' and counted) as unresolved,
    count(*) filter (counts_as = 'fault' and started_at < $first) as faults_before,
    count(*) filter (counts_as = 'fault' and started_at >= $end) as faults_after
from (
    select *, started_at >= $first and started_at < $end as inside, open_until is null or $end <= open_until as counted
    from f
)
group by 1
"""
"""Of each fleet, say, as the pages ask for one after the other."""
FAULT_COUNTS = ("faults", "near_misses", "rack_side", "unresolved", "faults_before", "faults_after")
WHOSE = {"fleet": "fleet", "system": "system", "terminal": "terminal", "shop": "home_shop"}

STORE_COUNTS = """
select
    (select count(distinct trailer_id) from staging.trailers) as trailers,
    (select count(*) from staging.refusals where refused_at >= $first and refused_at < $end) as refusals,
    (select count(*) from staging.refusals where refused_at >= $first and refused_at < $end and not equipment)
        as refusals_not_equipment,
    (select count(*) from marts.episodes where started_at >= $first and started_at < $end) as episodes,
    (select count(*) from core.visits where received_at >= $first and received_at < $end) as visits,
    (select coalesce(sum(loads), 0)::bigint from core.load_days where loaded_on >= $first and loaded_on < $end) as loads
"""


@once
def about(con: Connection, store: str, selection: Selection) -> About:
    """The head of a result for a selection."""
    settings: Settings = settings_of(con)
    window = selection.window
    filters = {name: value for name in WHOSE if (value := getattr(selection, name)) is not None}
    kind = next(iter(filters), "fleet")
    sql = COUNTS.format(whose=WHOSE[kind] if filters else "null::varchar", kind=kind)
    chosen = next(iter(of_own(con, sql, selection, kind)), dict.fromkeys(FAULT_COUNTS, 0))
    outside = {name: chosen.pop(name) for name in ("faults_before", "faults_after")}
    counts = _store_counts(con, window) | chosen | {"quarantined": _quarantined(con)}
    return About(
        store,
        window.first.isoformat(),
        window.end.isoformat(),
        filters,
        settings.as_dict(),
        settings.level,
        "days",
        settings.currency or None,
        fingerprint(con),
        counts,
        outside,
        records_give(con),
        last_ingest(con),
        _as_of(con),
    )


@once
def last_ingest(con: Connection) -> int | None:
    """The last ingest that the store knows of."""
    found: int | None = one(con, "select max(ingest_id) from record.batches")
    return found


@once
def _as_of(con: Connection) -> str | None:
    found: str | None = one(con, "select value from record.meta where name = 'as_of'")
    return found


@once
def _store_counts(con: Connection, window: Window) -> dict[str, int]:
    return records(con, STORE_COUNTS, {"first": window.first, "end": window.end})[0]


@once
def _quarantined(con: Connection) -> int:
    return sum(int(one(con, f"select count(*) from waiting.{t.name} where left_by is null")) for t in TABLES)


@once
def records_give(con: Connection) -> dict[str, bool]:
    """Which kinds of record the store has, and so which questions it can answer."""
    return {
        "refusals": bool(one(con, "select count(*) from staging.refusals")),
        "loads": bool(one(con, "select count(*) from core.load_days")),
        "lanes": bool(one(con, "select count(*) from staging.refusals where lane is not null")),
        "findings": bool(one(con, "select count(*) from core.visits where cause is not null")),
        "births": bool(
            one(
                con,
                "select (select count(*) from staging.repairs where sensor_in is not null)"
                " + (select count(*) from staging.trailers where records_from <= service_from)",
            )
        ),
    }
