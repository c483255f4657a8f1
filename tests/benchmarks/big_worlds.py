"""Writes worlds of any size as contract CSVs, by the engine's own streams, so that no world is ever in memory.

    python tests/benchmarks/big_worlds.py FOLDER [LOAD_ROWS [next]]

With `next` it writes the month after such a world instead.

Everything is invented and follows from the row numbers: the same call writes the same bytes. The proportions are
6,000 trailers, 36 months, 14 million load rows, 100,000 refusals and 45,000 repairs. Knows nothing of the package.
"""

import sys
from datetime import date
from pathlib import Path

import duckdb

ROWS, TRAILERS, REFUSALS, MONTHS = 14_000_000, 6_000, 100_000, 36
BEGINS = date(2023, 1, 1)
SILENT = 0.125

LOADS = """
select printf('TR-%05d', (i + 7 * (i // {a_day})) % {trailers}) as trailer_id,
    printf('T%d', ((i + 7 * (i // {a_day})) % {trailers} + i % {a_day} // {trailers}) % 8) as terminal,
    printf('L%d', hash(i) % 4) as lane, date '{begins}' + (i // {a_day})::integer as loaded_on, 1 + hash(i + 1) % 3 as loads
from range({rows}) t(i)
"""
TRAILER_ROWS = """
select printf('TR-%05d', i) as trailer_id, printf('Fleet %d', i % 12) as fleet,
    case when i % 6 = 5 then 'two_wire' else 'five_wire' end as system, 'optic' as sensor_kind, 3 + i % 4 as positions,
    'rear' as supply_entry, 'front_first' as numbering, printf('Shop %d', i % 10) as home_shop,
    date '2014-01-01' + (hash(i) % 3200)::integer as in_service_on, date '2023-01-01' as records_from
from range({trailers}) t(i)
"""
# One refusal in so many has a repair; u: invented chances of a refusal, each on its own. Trailers are unequal.
CHANCES = ", ".join(f"hash(8 * i + {k}) / 18446744073709551616.0 as u{k}" for k in range(1, 8))
EVENTS = f"""
with chances as (
    select i, {CHANCES}
    from range({{refusals}}) t(i)
), events as (
    select *, floor({{trailers}} * u1 ** 1.5)::integer as trailer, u2 < 0.45 as repaired,
        timestamp '{{begins}}' + to_seconds({{days}} * 86400.0 * u3) as refused_at from chances
)
"""
REFUSAL_ROWS = (
    EVENTS
    + """
select printf('{mark}-%07d', i) as refusal_id, printf('TR-%05d', trailer) as trailer_id,
    strftime(refused_at, '%Y-%m-%dT%H:%M:%SZ') as refused_at, printf('T%d', trailer % 8) as terminal,
    printf('L%d', i % 4) as lane,
    case when repaired then if(i % 10 = 0, 'ground', 'overfill') when u4 < 0.1 then 'paperwork' when u4 < 0.15
        then 'rack_controller' else 'overfill' end as reason,
    case when repaired then 'shop' when u4 < 0.4 then 'retry' when u4 < 0.6 then 'other_lane' end as released_by,
    10 + i % 90 as delay_min
from events
"""
)
REPAIR_ROWS = (
    EVENTS
    + """
, found as (
    select *, 1 + floor((3 + trailer % 4) * u4)::integer as place_no, case when u5 < 0.35 then 'residual_liquid' when u5 < 0.5
        then 'sensor_failed' when u5 < 0.7 then 'bad_crimp' when u5 < 0.85 then 'corrosion' else 'none_found' end as cause,
        u6 < {silent} as silent, refused_at + to_seconds(7200 + 90000 * u7) as received_at
    from events where repaired
)
select printf('{mark}R-%07d', i) as repair_id, printf('TR-%05d', trailer) as trailer_id,
    case when i % 2 = 0 then printf('{mark}-%07d', i) end as refusal_id, printf('Shop %d', trailer % 10) as shop,
    strftime(received_at, '%Y-%m-%dT%H:%M:%SZ') as received_at,
    strftime(received_at + to_seconds(3600 + 80000 * u4), '%Y-%m-%dT%H:%M:%SZ') as returned_at,
    place_no as indicated_position, 'position' as indication,
    case when not silent and cause <> 'none_found' then place_no end as found_position,
    case when silent then null when cause in ('residual_liquid', 'sensor_failed') then 'sensor'
        when cause = 'none_found' then cause else 'housing_wiring' end as found_place,
    case when not silent then cause end as cause,
    case cause when 'residual_liquid' then 'sensor_cleaned' when 'sensor_failed' then 'sensor_replaced'
        when 'bad_crimp' then 'recrimped' when 'corrosion' then 'connection_cleaned' else 'none' end as action,
    30 + i % 100 as labour_min, 50 + i % 400 as invoice_total, 'true' as permit_restored,
    case when cause = 'sensor_failed' then printf('LOT-%d', i % 5) end as part_lot,
    case when cause = 'bad_crimp' then if(i % 3 = 0, 'hand_tool', 'press_tool') end as method
from found
"""
)
CHECK_ROWS = (
    EVENTS
    + """
select printf('{mark}R-%07d', i) as repair_id, step + 1 as step, case step when 0 then 'sensor_tip_clean' else 'connection_look' end
    as "check", 1 as position, case when step = 0 then 'fail' else 'pass' end as result, 5 + i % 20 as minutes
from events, range(2) s(step) where repaired and i % 5 = 0
"""
)
TABLES = {
    "trailers": TRAILER_ROWS,
    "loads": LOADS,
    "refusals": REFUSAL_ROWS,
    "repairs": REPAIR_ROWS,
    "checks": CHECK_ROWS,
}


def trailers_for(rows: int) -> int:
    """How many trailers a world of so many load rows has."""
    return max(20, round(TRAILERS * rows / ROWS))


def write(
    folder: Path,
    rows: int,
    *,
    months: int = MONTHS,
    begins: date = BEGINS,
    mark: str = "Q",
    silent: float = SILENT,
    trailers: int | None = None,
) -> None:
    """The world of `rows` load rows in 36 months, from `begins` for `months`; ids carry the `mark`.

    `silent`: the share of visits of which nobody wrote down the finding. `trailers`: so many, where they are to load
    less often than in proportion.
    """
    folder.mkdir(parents=True, exist_ok=True)
    end = date(begins.year + (begins.month - 1 + months) // 12, (begins.month - 1 + months) % 12 + 1, 1)
    days, share = (end - begins).days, months / MONTHS
    values = {
        "trailers": trailers or trailers_for(rows),
        "a_day": -(-round(rows * share) // days),
        "rows": round(rows * share),
        "refusals": round(REFUSALS * rows / ROWS * share),
        "begins": begins,
        "days": days,
        "mark": mark,
        "silent": silent,
    }
    with duckdb.connect() as con:
        con.execute("set TimeZone = 'UTC'")
        for table, sql in TABLES.items():
            if table != "trailers" or begins == BEGINS:
                query = sql.format(**values)
                con.execute(f"copy ({query}) to '{folder / table}.csv' (header)")


if __name__ == "__main__":
    rows = int(sys.argv[2]) if len(sys.argv) > 2 else ROWS
    if sys.argv[3:] == ["next"]:
        write(
            Path(sys.argv[1]),
            rows,
            months=1,
            begins=date(BEGINS.year + MONTHS // 12, BEGINS.month, 1),
            mark="R",
        )
    else:
        write(Path(sys.argv[1]), rows)
