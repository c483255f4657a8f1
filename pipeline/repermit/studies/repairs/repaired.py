"""The repairs of every shop with what followed each: the pool that the questions about fixes share.

Marts in, `Repairs` out. May import `warehouse` and its neighbours.

A *comeback* is the trailer's next fault when it is at the position of the repair (0 = trailer level). Faults
elsewhere compete; the window's end, leaving service and a planned replacement there censor. Where the next
fault's position is not recorded it counts with the probability of being there; visits in which nothing was
found count as elsewhere. Time 0 is the return from the shop.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from repermit.studies.frequency.rate_units import loads_by_month
from repermit.studies.selection import Selection, Window, covered
from repermit.warehouse import Connection, frame, once

if TYPE_CHECKING:
    import numpy as np
    import polars as pl
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]
    IntArray = NDArray[np.int64]
    BoolArray = NDArray[np.bool_]

US_PER_DAY = 86_400_000_000
PSEUDO = 3
"""Weight, in faults, of the wider pool when the probability of a narrower one is estimated."""
GAP_DAYS = 15
"""Width of the bins of time to the next fault in which that probability is estimated."""
ALIKE = ("system", "positions", "reason", "indication")
"""What makes repairs alike when a shop is held against the others."""

REPAIRS = """
with faults as (
    select * from marts.faults
    where counts_as = 'fault' and started_at < $end and (open_until is null or $end <= open_until)
), planned as (
    select v.repair_id, min(p.received_at) as replaced_at
    from marts.repairs v
    join marts.repairs p on p.trailer_id = v.trailer_id and p.visit_kind = 'planned' and p.received_at >= v.returned_at
        and p.action in ('sensor_replaced', 'cable_replaced', 'socket_replaced') and p.position = v.position
    group by v.repair_id
), visits as (
    select episode_id, count(*) as visits, arg_min(repair_id, (received_at, repair_id)) as first_id
    from marts.repairs where episode_id is not null group by episode_id
), followed as (
    select r.*, e.terminal, e.reason, v.visits, v.first_id = r.repair_id as is_first,
        least($end::timestamp, r.service_until, p.replaced_at) as followed_until,
        n.started_at as next_at, n.position as next_found, n.cause as next_found_cause, n.action as next_done,
        coalesce(n.started_at < r.service_until or r.service_until is null, false) as in_service,
        least(followed_until - interval 1 microsecond, case when in_service then next_at end) as seen_until
    from marts.repairs r
    join marts.faults f on f.episode_id = r.episode_id and f.counts_as = 'fault'
    join marts.episodes e on e.episode_id = r.episode_id
    join visits v on v.episode_id = r.episode_id
    left join planned p on p.repair_id = r.repair_id
    left join faults n on n.episode_id = r.next_episode_id
    where (r.gives_finding or v.first_id = r.repair_id) and r.returned_at is not null and r.returned_at < $end
), edges as (
    select distinct trailer_id, unnest([returned_at::date, seen_until::date + 1]) as day from followed
), load_months as (
    select trailer_id, month, sum(loads) over (partition by trailer_id order by month) as so_far
    from LOADS_BY_MONTH
), within_month as (
    select e.trailer_id, e.day, sum(l.loads) as loads
    from edges e
    join core.load_days l on l.trailer_id = e.trailer_id and l.loaded_on < e.day
        and date_trunc('month', l.loaded_on) = date_trunc('month', e.day)
    group by all
), loads_before as (
    select e.trailer_id, e.day, coalesce(m.so_far, 0) + coalesce(w.loads, 0) as loads
    from edges e
    asof left join load_months m on m.trailer_id = e.trailer_id and m.month < date_trunc('month', e.day)
    left join within_month w on w.trailer_id = e.trailer_id and w.day = e.day
)
select f.repair_id, f.trailer_id, f.shop, f.action, f.cause, f.method, f.part_lot as lot, f.position, f.system,
    f.positions, f.fleet, f.terminal, f.reason, f.indication, f.labour_min::double as labour_min,
    f.cost::double as cost, f.gives_finding, f.is_first, f.visits,
    date_diff('microsecond', f.returned_at, f.followed_until) as followed_us,
    date_diff('microsecond', f.returned_at, f.next_at) as next_us,
    f.next_found as next_position, f.next_found_cause as next_cause, f.next_done as next_action,
    f.next_indicated_position, f.in_service, f.returned_at, f.next_at,
    case when exists (select 1 from core.load_days) then b.loads - a.loads end::double as loads
from followed f
join loads_before a on a.trailer_id = f.trailer_id and a.day = f.returned_at::date
join loads_before b on b.trailer_id = f.trailer_id and b.day = f.seen_until::date + 1
order by f.repair_id
"""

BACKGROUND = """
with f as (
    select position, count(*) as n from marts.faults
    where counts_as = 'fault' and started_at >= $first and started_at < $end
        and (open_until is null or $end <= open_until) and cause is distinct from 'none_found' group by position
), days as (
    select p.position, sum(date_diff('microsecond', greatest(a.at_risk_from, $first::timestamp),
        least(a.at_risk_until, $end::timestamp)))::double / $day as days
    from marts.at_risk a join (select unnest(range(0, 13))::integer as position) p on p.position <= a.positions
    where a.at_risk_from < $end and a.at_risk_until > $first group by p.position
)
select d.position, coalesce(f.n, 0) * (select sum(n)::double / nullif(sum(n) filter (position is not null), 0) from f)
    / nullif(d.days, 0) as per_day
from days d left join f on f.position = d.position
"""


@dataclass(frozen=True)
class Repairs:
    """One row a repair, as a frame and as arrays of the same order.

    `days`: to the next fault, or the end of follow-up; `loads`: completed loads in that time (the day of return and
    that of the fault with it). `failed`: a fault came. `share`: the probability that it was at the repaired position.
    `same` and `unknown` bound it. `placed`: the repair has a position. `per_day`: the background rate there, nan where
    not known.
    """

    frame: pl.DataFrame
    days: FloatArray
    loads: FloatArray
    failed: BoolArray
    placed: BoolArray
    same: BoolArray
    unknown: BoolArray
    share: FloatArray
    per_day: FloatArray
    trailer: IntArray
    _strata: dict[tuple[str, ...], IntArray] = field(default_factory=dict, repr=False)

    def where(self, condition: pl.Expr) -> IntArray:
        """The indices of the repairs that meet a condition (null = no)."""
        import numpy as np

        return np.flatnonzero(self.frame.select(condition.fill_null(False)).to_series().to_numpy())

    def of(self, selection: Selection, only: str = "gives_finding") -> IntArray:
        """Those of a selection's filters that give their episode's finding, or are its first visit (`is_first`).

        Its shop is the one that repaired.
        """
        import polars as pl

        condition = pl.col(only)
        for name in ("fleet", "system", "terminal", "shop"):
            value = getattr(selection, name)
            if value is not None:
                condition &= pl.col(name) == value
        return self.where(condition)

    def not_of(self, shop: str) -> IntArray:
        """The repairs of all other shops, those of no known shop too."""
        import polars as pl

        return self.where(pl.col("gives_finding") & pl.col("shop").ne_missing(shop))

    def groups(self, index: IntArray, by: str) -> list[tuple[str | None, IntArray]]:
        """The indices of each value of a column among `index`; the value not known comes last."""
        import numpy as np
        import polars as pl

        keyed = pl.DataFrame({"key": self.frame[by].gather(index), "i": index})
        found = keyed.group_by("key").agg("i").sort("key", nulls_last=True)
        return [(key, np.array(i, dtype=np.int64)) for key, i in found.iter_rows()]

    def strata(self, alike: tuple[str, ...] = ALIKE) -> IntArray:
        """A number a kind of repair, alike in these columns."""
        import numpy as np
        import polars as pl

        if not alike:
            return np.zeros(self.frame.height, dtype=np.int64)
        if alike not in self._strata:
            kinds = self.frame.select(pl.struct(alike).rank("dense").cast(pl.Int64))
            self._strata[alike] = kinds.to_series().to_numpy()
        return self._strata[alike]


def load(con: Connection, window: Window) -> Repairs:
    """All repairs returned before the window's end, of every shop and fleet."""
    whole = covered(con)
    first = whole.first if whole and whole.first < window.end else window.first
    return _load(con, Window(first, window.end))


@once
def _load(con: Connection, record: Window) -> Repairs:
    import numpy as np
    import polars as pl

    rows = frame(con, REPAIRS.replace("LOADS_BY_MONTH", loads_by_month(con)), {"end": record.end})
    followed = rows["followed_us"].cast(pl.Float64).to_numpy() / US_PER_DAY
    following = rows["next_us"].cast(pl.Float64).fill_null(np.inf).to_numpy() / US_PER_DAY
    failed = (following <= followed) & rows["in_service"].to_numpy()
    days = np.maximum(np.where(failed, following, followed), 0.0)
    same = failed & (rows["next_position"] == rows["position"]).fill_null(False).to_numpy()
    unknown = (
        failed
        & rows.select(
            (pl.col("next_position").is_null() | pl.col("position").is_null())
            & (pl.col("next_cause").fill_null("") != "none_found")
        )
        .to_series()
        .to_numpy()
    )
    placed = rows["position"].is_not_null().to_numpy()
    return Repairs(
        frame=rows,
        days=days,
        loads=np.maximum(rows["loads"].fill_null(np.nan).to_numpy(), 0.0),
        failed=failed,
        placed=placed,
        same=same,
        unknown=unknown,
        share=_shares(rows, days, failed, same, unknown),
        per_day=_background(con, record, rows),
        trailer=rows.select(pl.col("trailer_id").rank("dense").cast(pl.Int64)).to_series().to_numpy(),
    )


def _background(con: Connection, record: Window, rows: pl.DataFrame) -> FloatArray:
    """Faults a day at the position of each repair, of the days on record: trailers are in service long before."""
    import polars as pl

    days = {"first": record.first, "end": record.end, "day": US_PER_DAY}
    rates = frame(con, BACKGROUND, days)
    joined = rows.select("position").join(rates, on="position", how="left", maintain_order="left")
    found: FloatArray = joined["per_day"].cast(pl.Float64).fill_null(float("nan")).to_numpy()
    return found


def _shares(
    rows: pl.DataFrame, days: FloatArray, failed: BoolArray, same: BoolArray, unknown: BoolArray
) -> FloatArray:
    """The probability that each next fault is a comeback: 1, 0, or estimated where either position is not recorded.

    Estimated from the repairs of all shops whose next fault's position is recorded: by gap in bins of 15 days,
    what the tester indicated less the repaired position, and whether the same action followed. A cell leans on
    the cell without the gap, that on all, each with the weight of three faults; all of them on the trailer's
    positions and its own level being alike.
    """
    import numpy as np
    import polars as pl

    seen = rows.with_columns(
        failed=failed,
        same=same.astype(np.float64),
        gap=(days // GAP_DAYS).astype(np.int64),
        offset=pl.col("next_indicated_position") - pl.col("position"),
        again=(pl.col("next_action") == pl.col("action")).fill_null(False),
    )
    known = seen.filter(
        pl.col("failed"),
        pl.col("gives_finding"),
        pl.col("position").is_not_null(),
        pl.col("next_position").is_not_null(),
    )
    p = 1 / (rows["positions"].fill_null(1).to_numpy() + 1)
    for cell in ([], ["offset", "again"], ["gap", "offset", "again"]):
        hits = (
            known.with_columns(all=pl.lit(1))
            .group_by("all", *cell)
            .agg(pl.col("same").sum().alias("hits"), pl.len().alias("of"))
        )
        at = seen.with_columns(all=pl.lit(1)).join(
            hits, on=["all", *cell], how="left", nulls_equal=True, maintain_order="left"
        )
        n, hit = (at[c].cast(pl.Float64).fill_null(0).to_numpy() for c in ("of", "hits"))
        p = (hit + PSEUDO * p) / (n + PSEUDO)
    return np.where(unknown, p, same.astype(np.float64))
