"""How often, per load and per day: faults, exposure and mean time between faults by any set of keys.

Marts in, `Rates` out. May import `errors`, `statistics`, `warehouse` and its neighbours. Every row's counts are
of whole faults of `marts.faults`; rows add up to the total whatever the keys.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from repermit.errors import CallError
from repermit.studies.about import About, about
from repermit.studies.selection import Selection
from repermit.warehouse import Connection, one, records, settings_of

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

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
US_PER_DAY = 86_400_000_000


@dataclass(frozen=True)
class Rate:
    """One row: its keys, counts, exposure and rates. What is undefined is None.

    `faults` counts whole faults; `faults_found` those whose keys the finding gives; `faults_least` and
    `faults_most` bound the row: found, and found with every fault of unknown finding that may belong here.
    Rates carry limits at the store's level. `these_trailers_only`: too few trailers to speak of others.
    """

    keys: dict[str, Any]
    faults: int
    faults_found: int
    faults_least: int
    faults_most: int
    trailers: int
    loads: int | None
    days: float | None
    per_1000_loads: float | None
    per_1000_loads_low: float | None
    per_1000_loads_high: float | None
    mtbf_days: float | None
    mtbf_days_low: float | None
    mtbf_days_high: float | None
    mtbf_loads: float | None
    mtbf_loads_low: float | None
    mtbf_loads_high: float | None
    these_trailers_only: bool

    def as_dict(self) -> dict[str, Any]:
        """For JSON: the keys first."""
        return self.keys | {name: getattr(self, name) for name in self.__dataclass_fields__ if name != "keys"}


@dataclass(frozen=True)
class Rates:
    """The rows by their keys, the total over all of them, and what they are about."""

    about: About
    by: tuple[str, ...]
    rows: tuple[Rate, ...]
    total: Rate


def parse_by(text: str) -> tuple[str, ...]:
    """The keys of `--by`, separated by commas. Raises CallError for one that is unknown or stands twice."""
    keys = tuple(key.strip() for key in text.split(",") if key.strip())
    for key in keys:
        if key not in KEYS:
            raise CallError(f"rates cannot be told by {key!r}", hint=f"Choose from {', '.join(KEYS)}.")
    if len(set(keys)) != len(keys):
        raise CallError(f"--by {text} names a key twice", hint="Give each key once.")
    return keys


def rates(con: Connection, store: str, selection: Selection, by: tuple[str, ...]) -> Rates:
    """Rates by the keys `by` within the selection, and their total."""
    found = _rows(con, selection, by)
    total = _rows(con, selection, ())
    return Rates(about(con, store, selection), by, tuple(found), total[0])


# --- the query ----------------------------------------------------------------------------------------

FAULTS = """faults as (
    select trailer_id, position, place, cause, system, fleet, terminal, home_shop, positions,
        strftime(started_at, '%Y-%m') as month,
        position is null and cause is distinct from 'none_found' as position_missing,
        place is null as place_missing,
        cause is null as cause_missing
    from marts.faults
    where counts_as = 'fault' and started_at >= $first and started_at < $end
        and (open_until is null or $end <= open_until)
        and ($fleet is null or fleet = $fleet) and ($system is null or system = $system)
        and ($terminal is null or terminal = $terminal) and ($shop is null or home_shop = $shop)
)"""

SPELL = (
    "($fleet is null or fleet = $fleet) and ($system is null or system = $system)"
    " and ($shop is null or home_shop = $shop)"
)


def _exposure_sql(by: tuple[str, ...], selection: Selection) -> str:
    """Days at risk (microseconds) and loads by exposure key and trailer; days are null where a terminal is asked for."""
    by_month = "month" in by
    months = (
        "months as (select month_from, month_from + interval 1 month as month_until from"
        " (select unnest(generate_series(date_trunc('month', $first::date)::timestamp, $end::timestamp - interval 1 day,"
        " interval 1 month)) as month_from)),"
        if by_month
        else "months as (select timestamp '0001-01-01' as month_from, timestamp '9999-12-31' as month_until),"
    )
    month_of = "strftime(m.month_from, '%Y-%m')" if by_month else "null::varchar"
    load_month = "strftime(l.loaded_on, '%Y-%m')" if by_month else "null::varchar"
    use_days = selection.terminal is None and "terminal" not in by
    return f"""{months}
days as (
    select a.trailer_id, a.positions, a.fleet, a.system, a.home_shop, null::varchar as terminal, {month_of} as month,
        date_diff('microsecond', greatest(a.at_risk_from, $first::timestamp, m.month_from),
            least(a.at_risk_until, $end::timestamp, m.month_until)) as us, 0::bigint as loads
    from marts.at_risk a
    join months m on a.at_risk_from < m.month_until and a.at_risk_until > m.month_from
    where a.at_risk_from < $end and a.at_risk_until > $first and {SPELL} and {str(use_days).lower()}
),
worked as (
    select t.trailer_id, t.positions, t.fleet, t.system, t.home_shop, l.terminal, {load_month} as month,
        0::bigint as us, l.loads
    from core.load_days l
    join staging.trailers t on t.trailer_id = l.trailer_id and l.loaded_on >= t.service_from
        and (t.service_until is null or l.loaded_on < t.service_until)
    where l.loaded_on >= $first and l.loaded_on < $end and {SPELL}
        and ($terminal is null or l.terminal = $terminal)
),
exposure as (
    select {_select(by, EXPOSURE_KEYS)} trailer_id, positions, sum(us)::bigint as us, sum(loads)::bigint as loads
    from (from days union all from worked) group by all
)"""


def _select(by: tuple[str, ...], columns: dict[str, str]) -> str:
    """`column as key, ` for each key of `by` that `columns` knows."""
    return "".join(f'{columns[key]} as "{key}", ' for key in by if key in columns)


def _match(keys: list[str], a: str, b: str) -> str:
    return " and ".join([f'{a}."{key}" is not distinct from {b}."{key}"' for key in keys]) or "true"


def _units_sql(by: tuple[str, ...], selection: Selection) -> str:
    """One row a cell and trailer: faults, microseconds at risk, loads. The cells: what was found, crossed with who."""
    findings = [key for key in by if key in FINDING_KEYS]
    exposures = [key for key in by if key in EXPOSURE_KEYS]
    if findings == ["position"]:
        found = (
            "select unnest(range(0, (select coalesce(max(positions), 0) from exposure) + 1))::integer as position"
            " union select distinct position from faults"
        )
    elif findings:
        found = f"select distinct {', '.join(findings)} from faults"
    else:
        found = "select 1 as nothing"
    at_position = (
        "(c.position is null or c.position = 0 or x.positions >= c.position)" if "position" in by else "true"
    )
    missing = " and ".join([f"not {key}_missing" for key in findings]) or "true"
    may_be = " and ".join(
        [f'(f."{key}" is not distinct from c."{key}" or f.{key}_missing)' for key in findings] or ["true"]
    )
    named = " and ".join([f'c."{key}" is not null' for key in findings]) or "true"
    in_chain = "(c.position is null or c.position <= f.positions)" if "position" in by else "true"
    keys = ", ".join(f'c."{key}"' for key in by)
    groups = ", ".join(f'"{key}"' for key in exposures) or "1 as one"
    group_faults = _select(tuple(exposures), EXPOSURE_KEYS).rstrip(", ") or "1 as one"
    return f"""with {FAULTS},
{_exposure_sql(by, selection)},
counted as (
    select {_select(tuple(findings), {k: k for k in FINDING_KEYS})}{_select(tuple(exposures), EXPOSURE_KEYS)}
        trailer_id, positions, position_missing, place_missing, cause_missing, count(*) as n
    from faults group by all
),
found as ({found}),
groups as (select {groups} from exposure union select {group_faults} from faults),
cells as (select *, row_number() over () as cell from found, groups),
units as (
    select c.cell, x.trailer_id, 0 as n, 0 as n_found, x.us, x.loads
    from cells c join exposure x on {_match(exposures, "c", "x")} and {at_position}
    union all
    select c.cell, f.trailer_id, f.n, case when {missing} then f.n else 0 end, 0, 0
    from cells c join counted f on {_match(list(by), "c", "f")}
),
most as (
    select c.cell, sum(f.n) as n from cells c join counted f on {_match(exposures, "c", "f")} and {may_be}
        and {in_chain} and {named} group by c.cell
)
select c.cell - 1 as cell, {keys + "," if by else ""} u.trailer_id, sum(u.n)::bigint as n,
    sum(u.n_found)::bigint as n_found, sum(u.us)::bigint as us, sum(u.loads)::bigint as loads,
    max(coalesce(m.n, 0))::bigint as most
from cells c join units u on u.cell = c.cell left join most m on m.cell = c.cell
group by all
order by {keys + "," if by else ""} u.trailer_id"""


def _rows(con: Connection, selection: Selection, by: tuple[str, ...]) -> list[Rate]:
    import numpy as np

    from repermit.statistics.rates import rate_intervals

    settings = settings_of(con)
    sql = _units_sql(by, selection)
    con.execute(f"create or replace temp table rate_units as {sql}", selection.parameters(sql))
    keys = ", ".join(f'"{key}"' for key in by)
    columns = (
        ", sum(n)::bigint as n, sum(n_found)::bigint as n_found, sum(us)::bigint as us, sum(loads)::bigint as loads,"
        " max(most)::bigint as most, count(*) filter (us > 0 or loads > 0) as trailers"
    )
    cells = records(
        con,
        f"select cell{', ' + keys if by else ''}{columns} from rate_units group by all"
        f" having sum(n) > 0 or sum(us) > 0 or sum(loads) > 0"
        + (f" order by {', '.join(k + ' nulls last' for k in keys.split(', '))}" if by else ""),
    )
    if not cells and not by:
        cells = [{"cell": 0, "n": 0, "n_found": 0, "us": 0, "loads": 0, "most": 0, "trailers": 0}]
    units = con.execute("select cell, n, us, loads from rate_units").fetchnumpy()
    con.execute("drop table rate_units")
    cell = np.asarray(units["cell"], dtype=np.int64)
    size = int(max([c["cell"] for c in cells] + [int(cell.max()) if len(cell) else 0])) + 1
    events = np.asarray(units["n"], dtype=float)
    per: dict[str, Any] = {}
    for name, exposure in (
        ("days", np.asarray(units["us"]) / US_PER_DAY),
        ("loads", np.asarray(units["loads"])),
    ):
        per[name] = rate_intervals(
            events,
            np.asarray(exposure, dtype=float),
            cell,
            size,
            level=settings.level,
            min_units=settings.min_trailers,
        )
    has_days = selection.terminal is None and "terminal" not in by
    has_loads = bool(one(con, "select count(*) from core.load_days"))
    return [_rate(c, by, per, has_days, has_loads) for c in cells]


def _rate(
    cell: dict[str, Any], by: tuple[str, ...], per: dict[str, Any], has_days: bool, has_loads: bool
) -> Rate:
    i = cell["cell"]
    days, loads = per["days"], per["loads"]
    n, found = cell["n"], cell["n_found"]
    return Rate(
        keys={key: cell[key] for key in by},
        faults=n,
        faults_found=found,
        faults_least=found,
        faults_most=max(cell["most"], n),
        trailers=cell["trailers"],
        loads=cell["loads"] if has_loads else None,
        days=cell["us"] / US_PER_DAY if has_days else None,
        per_1000_loads=_number(loads.rate, i, 1000) if has_loads else None,
        per_1000_loads_low=_number(loads.low, i, 1000) if has_loads else None,
        per_1000_loads_high=_number(loads.high, i, 1000) if has_loads else None,
        mtbf_days=_inverse(days.rate, i) if has_days else None,
        mtbf_days_low=_inverse(days.high, i) if has_days else None,
        mtbf_days_high=_inverse(days.low, i) if has_days else None,
        mtbf_loads=_inverse(loads.rate, i) if has_loads else None,
        mtbf_loads_low=_inverse(loads.high, i) if has_loads else None,
        mtbf_loads_high=_inverse(loads.low, i) if has_loads else None,
        these_trailers_only=bool((days if has_days else loads).poisson_only[i]),
    )


def _number(values: NDArray[np.float64], i: int, times: float = 1.0) -> float | None:
    value = float(values[i]) * times
    return None if value != value else value


def _inverse(values: NDArray[np.float64], i: int) -> float | None:
    """Reciprocal of a rate; None where the rate is zero or unknown."""
    value = float(values[i])
    return 1 / value if value > 0 else None
