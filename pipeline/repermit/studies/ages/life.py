"""Sensor lives: how long sensors last, whether they fail early, at random or worn out, and whether to replace before.

Marts in, `Lives` out. May import `errors`, `statistics`, `warehouse` and its neighbours.

Only a replacement with cause sensor_failed ends a life as a failure; other replacements, leaving service and the
window's end end it without one. Where the cause of a replacement after a refusal is not recorded it counts as a
failure with the share that failures have among the recorded ones; where the position is not recorded, as that share
among the trailer's positions, none of which is followed any further until its next replacement.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import Any

from repermit.errors import CallError
from repermit.studies.about import About, about
from repermit.studies.ages.life_costs import costs_of
from repermit.studies.ages.life_pool import Pool, verdict_of
from repermit.studies.ages.life_row import FITTED_BY, Life, Point
from repermit.studies.selection import Selection
from repermit.warehouse import Connection, once, one, records, settings_of

KEYS = {
    "system": "system",
    "position": "position",
    "lot": "part_lot",
    "fleet": "fleet",
    "kind": "sensor_kind",
    "method": "method",
}
US_PER_DAY = 86_400e6
SHORTEST_DAYS = 0.5
"""A sensor that failed on the day it came in counts as having lasted half a day, as many records give days only."""


@dataclass(frozen=True)
class Lives:
    """The rows by one key, the total over all, the curves of known births, and whether the curves differ.

    `lot_points`: curves of lots that stand out, whose sensors are in no row and no other curve but by lot and method.
    `differ_p`: how often alike groups would differ as much (log-rank test over the rows, known births); None where it
    can't be asked.
    """

    about: About
    by: str
    rows: tuple[Life, ...]
    total: Life
    points: tuple[Point, ...]
    lot_points: tuple[Point, ...]
    differ_p: float | None


PIECES = """
with pieces as (
    select KEY as key, part_lot, birth_known, one_of, ending, ended_at < $end and ended_at >= entered_at as ended,
        entered_at = observed_from as first,
        coalesce(ended_at >= $end, ending is null) as in_place, taken_out_by,
        date_diff('microsecond', fitted_at, observed_from) as gap,
        date_diff('microsecond', case when birth_known then fitted_at else observed_from end, entered_at) as entry,
        date_diff('microsecond', case when birth_known then fitted_at else observed_from end,
            least(coalesce(ended_at, $end::timestamp), $end::timestamp)) as until
    from marts.sensor_lives
    where entered_at < $end and ($fleet is null or fleet = $fleet) and ($system is null or system = $system)
        and ($shop is null or home_shop = $shop)
)
select key, part_lot as lot, birth_known, first, in_place, case when ended then ending end as ending,
    case when ended then coalesce(one_of, 1) else 1 end as one_of, round(gap / $tenth)::double / 10 as gap,
    round(entry / $tenth)::double / 10 as entry, count(*) as n,
    round(case when ended and ending in ('failed', 'cause_missing') then greatest(until, entry + $shortest) else until end
        / $tenth)::double / 10 as until
from pieces group by all having until > entry order by all
"""

MOST = """
select KEY as key, part_lot as lot,
    count(distinct case when one_of = 1 then taken_out_by || '/' || position else taken_out_by end) as n
from marts.sensor_lives
where entered_at < $end and ended_at < $end and ending in ('failed', 'cause_missing')
    and ($fleet is null or fleet = $fleet) and ($system is null or system = $system)
    and ($shop is null or home_shop = $shop)
group by 1, 2
"""

FAILED_SHARE = """
select sum((cause = 'sensor_failed')::integer)::double / nullif(count(*), 0) from staging.repairs
where visit_kind = 'non_permit' and action = 'sensor_replaced' and cause is not null and cause <> 'none_found'
    and received_at < $end
"""


def parse_by(text: str) -> str:
    """The key of `--by`. Raises CallError for another."""
    if text not in KEYS:
        raise CallError(f"lives cannot be told by {text!r}", hint=f"Choose one of {', '.join(KEYS)}.")
    return text


def lives(con: Connection, store: str, selection: Selection, by: str) -> Lives:
    """The lives of all sensors in the selection up to the window's end, by one key."""
    import numpy as np

    if selection.terminal is not None:
        raise CallError("a sensor belongs to no terminal", hint="Leave --terminal out.")
    pool = _pool(con, selection, by)
    level, costs = settings_of(con).level, costs_of(con, selection.window.end)
    fitted, bad = by in FITTED_BY, pool.bad_lots(1 - level)
    out = np.array([lot in bad and not fitted for lot in pool.lot.tolist()], dtype=bool)
    most: dict[Any, int] = defaultdict(int)
    for row in _ask_rows(con, MOST, selection, by):
        most[row["key"]] += row["n"] if fitted or row["lot"] not in bad else 0
    keys = pool.keys(known_only=fitted)
    standing, differ_p = pool.compare(pool.key, keys, 1 - level)
    named = standing if fitted else None
    rows = [pool.row(key, pool.of(key), out, most[key], level, costs, named) for key in keys]
    total = pool.row("all", pool.count > 0, out, sum(most.values()), level, costs, None)
    points = [point for key in keys for point in pool.curve(key, pool.of(key) & ~out, level)]
    apart = [point for lot in sorted(bad) if not fitted for point in pool.curve(lot, pool.lot == lot, level)]
    return Lives(about(con, store, selection), by, tuple(rows), total, tuple(points), tuple(apart), differ_p)


@once
def standing_lots(con: Connection, selection: Selection) -> tuple[Life, ...]:
    """The lots that stand out among all sensors before the window's end, as `lives` by lot tells them."""
    pool = _pool(con, selection, "lot")
    level, costs = settings_of(con).level, costs_of(con, selection.window.end)
    bad = pool.compare(pool.key, pool.keys(known_only=True), 1 - level)[0] if pool.count.size else set()
    most = {row["key"]: row["n"] for row in _ask_rows(con, MOST, selection, "lot")} if bad else {}
    none = pool.count < 0
    return tuple(
        pool.row(key, pool.of(key), none, most.get(key, 0), level, costs, bad) for key in sorted(bad)
    )


@once
def worth_replacing(con: Connection, store: str, selection: Selection) -> tuple[Life, ...]:
    """The systems whose sensors are shown to pay when replaced before they fail, as `lives` by system tells them.

    Sensors of known birth must show wear-out by themselves, so all of them are fitted only where these do.
    """
    import numpy as np

    pool, level = _pool(con, selection, "system"), settings_of(con).level
    bad = pool.bad_lots(1 - level)
    alone = pool.known & np.array([lot not in bad for lot in pool.lot.tolist()], dtype=bool)
    if not any(
        verdict_of(pool.fit(alone & pool.of(key), level)) == "wear_out" for key in pool.keys(known_only=True)
    ):
        return ()
    return tuple(
        row for row in lives(con, store, selection, "system").rows if row.replace_at_days is not None
    )


def in_service(con: Connection, selection: Selection, lot: str) -> int:
    """How many sensors of a lot are in service at the window's end, in the selection."""
    sql = f"select coalesce(sum(n), 0)::bigint from ({PIECES.replace('KEY', 'part_lot')}) where key = $lot and in_place"
    return int(one(con, sql, _parameters(sql, selection) | {"lot": lot}))


def _pool(con: Connection, selection: Selection, by: str) -> Pool:
    share = one(con, FAILED_SHARE, {"end": selection.window.end})
    return Pool(_ask(con, PIECES, selection, by), 1.0 if share is None else float(share))


def _parameters(sql: str, selection: Selection) -> dict[str, object]:
    return selection.parameters(sql) | (
        {"tenth": US_PER_DAY / 10, "shortest": SHORTEST_DAYS * US_PER_DAY} if "$tenth" in sql else {}
    )


def _ask_rows(con: Connection, sql: str, selection: Selection, by: str) -> list[dict[str, Any]]:
    sql = sql.replace("KEY", KEYS[by])
    return records(con, sql, _parameters(sql, selection))


def _ask(con: Connection, sql: str, selection: Selection, by: str) -> dict[str, Any]:
    sql = sql.replace("KEY", KEYS[by])
    columns: dict[str, Any] = con.execute(sql, _parameters(sql, selection)).fetchnumpy()
    return columns
