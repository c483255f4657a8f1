"""The counts that rates are made of: faults, days at risk and loads by cell and trailer, as temporary tables.

Marts in, tables of the connection out: `rate_cells` (a row a cell, its keys), `rate_units` (a row a cell and trailer)
and `rate_counted` (a row a group of exposure, trailer and pattern of finding). Trailers are numbered as `sharing` draws them. May import `warehouse` and its
neighbours. Faults are counted in billionths, as findings that are not recorded are shared out.
"""

from __future__ import annotations

from repermit.studies.location.sharing import WHOLE
from repermit.studies.selection import Selection, Window, of_fleet
from repermit.warehouse import Connection, kept_answers, once

FINDING_KEYS = ("position", "place", "cause")
EXPOSURE_KEYS = {
    "system": "system",
    "fleet": "fleet",
    "terminal": "terminal",
    "shop": "home_shop",
    "month": "month",
    "trailer": "trailer_id",
}
KEYS = (*FINDING_KEYS, *EXPOSURE_KEYS)

FAULTS = """
    from marts.faults f join (
        select trailer_id, row_number() over (order by trailer_id) - 1 as number
        from (select distinct trailer_id from staging.trailers)
    ) t on t.trailer_id = f.trailer_id SHARED
    where f.counts_as = 'fault' and f.started_at >= $first and f.started_at < $end
        and (f.open_until is null or $end <= f.open_until)
        and ($fleet is null or f.fleet = $fleet) and ($system is null or f.system = $system)
        and ($terminal is null or f.terminal = $terminal) and ($shop is null or f.home_shop = $shop)
"""

SPELL = (
    "($fleet is null or fleet = $fleet) and ($system is null or system = $system)"
    " and ($shop is null or home_shop = $shop)"
)


MONTHS = """
select trailer_id, null::varchar as terminal, month, sum(loads)::bigint as loads from marts.loads_by_lane_month group by trailer_id, month
"""


@once
def loads_by_month(con: Connection) -> str:
    """The name of a table of all loads by trailer and month, which several questions sum up."""
    con.execute(f"create or replace temp table trailer_months as {MONTHS}")
    return "trailer_months"


# Loads of whole months come from the sums by month; days are asked for only in months that the window or a spell cuts.
EXPOSURE = """
with months as (
    select month_from, month_from + interval 1 month as month_until
    from (select unnest(generate_series(date_trunc('month', $first::date)::timestamp, $end::timestamp - interval 1 day,
        interval 1 month)) as month_from)
), spells as (
    select *, row_number() over (order by trailer_id, service_from) as spell,
        dense_rank() over (order by trailer_id) - 1 as number
    from staging.trailers
), in_service as (
    select t.spell, t.trailer_id, m.month_from, m.month_until, greatest(t.service_from, $first::timestamp, m.month_from) as since,
        least(coalesce(t.service_until, m.month_until), $end::timestamp, m.month_until) as until
    from spells t join months m on t.service_from < m.month_until and (t.service_until is null or t.service_until > m.month_from)
), pieces as (
    select s.spell, l.terminal, s.month_from, 0::bigint as us, l.loads
    from in_service s join SUMS l on l.trailer_id = s.trailer_id and l.month = s.month_from::date
    where s.since = s.month_from and s.until = s.month_until
    union all
    select s.spell, TERMINAL, s.month_from, 0, l.loads
    from in_service s join LOG l on l.trailer_id = s.trailer_id and l.loaded_on >= s.since and l.loaded_on < s.until
    where s.since > s.month_from or s.until < s.month_until
    union all
    select t.spell, null, m.month_from, date_diff('microsecond', greatest(a.at_risk_from, $first::timestamp, m.month_from),
        least(a.at_risk_until, $end::timestamp, m.month_until)), 0
    from marts.at_risk a join spells t on t.trailer_id = a.trailer_id and t.service_from = a.service_from
    join months m on a.at_risk_from < m.month_until and a.at_risk_until > m.month_from
    where a.at_risk_from < $end and a.at_risk_until > $first and not BY_TERMINAL
), counted as (
    select spell, terminal, month_from, sum(us)::bigint as us, sum(loads)::bigint as loads from pieces group by all
)
select t.trailer_id, t.number, t.service_from, t.positions, t.fleet, t.system, t.home_shop, c.terminal, c.us, c.loads,
    strftime(c.month_from, '%Y-%m') as month
from counted c join spells t using (spell)
"""


def exposure_of(con: Connection, window: Window, by_terminal: bool = False) -> str:
    """A relation of days at risk (microseconds) and loads of the window by trailer, spell and month.

    By terminal too where asked: then without days, which no terminal has. Whole months are taken from what was made of
    a longer window.
    """
    if window.first.day == window.end.day == 1:
        for (longer, by), table in kept_answers(con, _exposure):
            if by == by_terminal and longer.first <= window.first and window.end <= longer.end:
                months = f"month >= '{window.first:%Y-%m}' and month < '{window.end:%Y-%m}'"
                return table if longer == window else f"(from {table} where {months})"
    return _exposure(con, window, by_terminal)


@once
def _exposure(con: Connection, window: Window, by_terminal: bool) -> str:
    name = f"exposure_{window.first:%Y%m%d}_{window.end:%Y%m%d}" + ("_by_terminal" if by_terminal else "")
    sql = EXPOSURE.replace("BY_TERMINAL", str(by_terminal).lower())
    sql = sql.replace("LOG", "staging.loads" if by_terminal else "core.load_days")
    sql = sql.replace("SUMS", "marts.loads_by_lane_month" if by_terminal else loads_by_month(con))
    sql = sql.replace("TERMINAL", "l.terminal" if by_terminal else "null")
    con.execute(f"create or replace temp table {name} as {sql}", {"first": window.first, "end": window.end})
    return name


def exposure_by_month(con: Connection, selection: Selection) -> dict[str, tuple[int, int]]:
    """Days at risk (microseconds) and loads of a selection without a terminal, by month (YYYY-MM)."""
    whose = "fleet" if selection.fleet else "null::varchar as fleet"
    sql = f"""select {whose}, month, sum(us)::bigint as us, sum(loads)::bigint as loads
    from {exposure_of(con, selection.window)} where {SPELL} group by all"""
    return {row["month"]: (row["us"], row["loads"]) for row in of_fleet(con, sql, selection)}


def _exposure_sql(con: Connection, by: tuple[str, ...], selection: Selection) -> str:
    """Days at risk (microseconds) and loads by exposure key and trailer; no days where a terminal is asked for."""
    whole = exposure_of(con, selection.window, selection.terminal is not None or "terminal" in by)
    return f"""select {_select(by, EXPOSURE_KEYS)} number, positions, sum(us)::bigint as us, sum(loads)::bigint as loads
from {whole} where {SPELL} and ($terminal is null or terminal = $terminal) group by all"""


def _select(by: tuple[str, ...], columns: dict[str, str]) -> str:
    """`column as key, ` for each key of `by` that `columns` knows."""
    return "".join(f'{columns[key]} as "{key}", ' for key in by if key in columns)


def make_units(con: Connection, selection: Selection, by: tuple[str, ...]) -> None:
    """Make the three tables for the keys `by`. With keys of the finding, `sharing.share` must have run before."""
    findings = [key for key in by if key in FINDING_KEYS]
    exposures = [key for key in by if key in EXPOSURE_KEYS]
    for name, sql in (
        ("rate_exposure", _exposure_sql(con, by, selection)),
        ("rate_counted", _counted_sql(exposures, bool(findings))),
        ("rate_findings", _findings_sql(findings)),
        ("rate_cells", _cells_sql(findings, exposures)),
        ("rate_units", _units_sql(by, findings, exposures)),
    ):
        con.execute(f"create or replace temp table {name} as {sql}", selection.parameters(sql))


def _counted_sql(exposures: list[str], by_finding: bool) -> str:
    """Whole faults by exposure key, trailer and pattern."""
    keys = "".join(
        f"""{"strftime(f.started_at, '%Y-%m')" if key == "month" else f"f.{EXPOSURE_KEYS[key]}"} as "{key}", """
        for key in exposures
    )
    pattern, join = ("s.pattern", "join shared_faults s using (episode_id)") if by_finding else ("0", "")
    return f"select {keys}t.number, {pattern} as pattern, count(*) as n {FAULTS.replace('SHARED', join)} group by all"


def _findings_sql(findings: list[str]) -> str:
    """By pattern and keys of the finding: billionths of a fault, and whether the keys are recorded."""
    if not findings:
        return f"select 0 as pattern, {WHOLE} as billionths, true as recorded"
    known = {
        "position": "(position is not null or cause is not distinct from 'none_found')",
        "place": "place is not null",
        "cause": "cause is not null",
    }
    recorded = " and ".join(known[key] for key in findings)
    keys = ", ".join(f"c.{key}" for key in findings)
    return f"""select c.pattern, {keys}, sum(c.billionths)::bigint as billionths, bool_and(k.recorded) as recorded
from shared_cells c join (select distinct pattern, {recorded} as recorded from shared_faults) k using (pattern)
group by all"""


def _cells_sql(findings: list[str], exposures: list[str]) -> str:
    """What was found, crossed with who; by position every position of the longest trailer."""
    there = (
        f"select distinct {', '.join(findings)} from rate_findings"
        " where billionths > 0 and pattern in (select pattern from rate_counted)"
        if findings
        else "select 1 as nothing"
    )
    if findings == ["position"]:
        longest = "(select coalesce(max(positions), 0) from rate_exposure)"
        there = f"select unnest(range(0, {longest} + 1))::integer as position union {there}"
    groups = ", ".join(f'"{key}"' for key in exposures) or "1 as one"
    return f"""select *, row_number() over () - 1 as cell from ({there}),
    (select {groups} from rate_exposure union select {groups} from rate_counted)"""


def _units_sql(by: tuple[str, ...], findings: list[str], exposures: list[str]) -> str:
    """Billionths of faults, those of them recorded, microseconds at risk and loads; `most` is of the whole cell."""
    at_position = (
        "(c.position is null or c.position = 0 or x.positions >= c.position)" if "position" in by else "true"
    )
    named = " and ".join(f"c.{key} is not null" for key in findings) or "true"
    counted = f"""rate_cells c join rate_counted f on {match(exposures, "c", "f")}
    join rate_findings s on s.pattern = f.pattern and {match(findings, "c", "s")}"""
    return f"""with units as (
    select c.cell, x.number, 0 as n, 0 as n_found, x.us, x.loads, 0 as most
    from rate_cells c join rate_exposure x on {match(exposures, "c", "x")} and {at_position}
    union all
    select c.cell, f.number, f.n * s.billionths, case when s.recorded then f.n * s.billionths else 0 end, 0, 0,
        case when {named} then f.n else 0 end
    from {counted}
)
select cell, number, sum(n)::bigint as n, sum(n_found)::bigint as n_found, sum(us)::bigint as us,
    sum(loads)::bigint as loads, sum(most)::bigint as most
from units group by all"""


def match(keys: list[str], a: str, b: str) -> str:
    """SQL that is true where two relations agree in every key; null agrees with null."""
    return " and ".join([f'{a}."{key}" is not distinct from {b}."{key}"' for key in keys]) or "true"
