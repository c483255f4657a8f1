"""When each trailer was at risk and when it had its faults, as arrays that statistics take.

Marts in, `Histories` out. May import `errors`, `warehouse` and its neighbours. A unit is one spell of a trailer's
service; its window is that spell from the start of the records (or its own `records_from`) to before the
window's end. Times are whole minutes, the resolution of the logs.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

from repermit.errors import CallError
from repermit.studies.frequency.rate_units import exposure_of
from repermit.studies.selection import Selection, Window, covered
from repermit.warehouse import Connection

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]
    IntArray = NDArray[np.int64]
    BoolArray = NDArray[np.bool_]

KEYS = {
    "system": "system",
    "fleet": "fleet",
    "shop": "home_shop",
    "positions": "positions",
    "trailer": "trailer_id",
}
MINUTES_PER_DAY = 1440

SPELL = (
    "($fleet is null or fleet = $fleet) and ($system is null or system = $system)"
    " and ($shop is null or home_shop = $shop)"
)


def _minutes(moment: str) -> str:
    return f"round(date_diff('microsecond', timestamp '1970-01-01', {moment}) / 6e7)::bigint"


STRETCHES = f"""
with born as (select trailer_id, min(service_from) as born_at from staging.trailers group by trailer_id),
pieces as (
    select a.trailer_id, a.service_from, a.fleet, a.system, a.home_shop, a.positions, b.born_at,
        {_minutes("greatest(a.at_risk_from, $first::timestamp, coalesce(t.records_from, a.at_risk_from))")} as since,
        {_minutes("least(a.at_risk_until, $end::timestamp)")} as until
    from marts.at_risk a
    join staging.trailers t on t.trailer_id = a.trailer_id and t.service_from = a.service_from
    join born b on b.trailer_id = a.trailer_id
    where a.at_risk_from < $end and a.at_risk_until > $first
)
select trailer_id, cast({{key}} as varchar) as key, dense_rank() over (order by trailer_id, service_from) - 1 as unit,
    {_minutes("service_from")} as spell, {_minutes("born_at")} as born, since, until
from pieces where since < until and {SPELL}
order by unit, since
"""

FAULTS = f"""
select trailer_id, {_minutes("service_from")} as spell, {_minutes("started_at")} as fell,
    {_minutes("last_returned_at")} as returned
from marts.faults
where counts_as = 'fault' and started_at >= $first and started_at < $end
    and (open_until is null or $end <= open_until) and service_from is not null and {SPELL}
order by trailer_id, fell, episode_id
"""


@dataclass(frozen=True, eq=False)
class Histories:
    """Units (arrays by unit), their stretches at risk and their faults; times in minutes since 1970.

    `names` are the values of the key in order, `key` the code of each unit's; `index` finds a unit by its trailer and
    the start of its spell. `left_out` counts faults before their trailer's records begin.
    """

    index: dict[tuple[str, int], int]
    names: tuple[str | None, ...]
    key: IntArray
    trailer: IntArray
    born: IntArray
    unit: IntArray
    since: IntArray
    until: IntArray
    fault_unit: IntArray
    fault_at: IntArray
    fault_in: IntArray
    fault_returned: IntArray
    left_out: int

    @property
    def units(self) -> int:
        """How many units."""
        return int(self.key.size)

    def trailers(self, chosen: BoolArray) -> int:
        """How many trailers the chosen units are of."""
        import numpy as np

        return int(np.unique(self.trailer[chosen]).size)

    @cached_property
    def first(self) -> IntArray:
        """Start of each unit's window."""
        import numpy as np

        return self.since[np.searchsorted(self.unit, np.arange(self.units))]

    @cached_property
    def last(self) -> IntArray:
        """End of each unit's window."""
        import numpy as np

        return self.until[np.searchsorted(self.unit, np.arange(self.units), side="right") - 1]

    @cached_property
    def days(self) -> FloatArray:
        """Days at risk by unit."""
        return self.days_since(None)

    def days_since(self, moment: int | None) -> FloatArray:
        """Days at risk by unit, from the moment on (None: all)."""
        import numpy as np

        start = self.since if moment is None else np.maximum(self.since, moment)
        length = np.maximum(self.until - start, 0) / MINUTES_PER_DAY
        return np.asarray(np.bincount(self.unit, weights=length, minlength=self.units), dtype=np.float64)

    @cached_property
    def down_until(self) -> IntArray:
        """Until when each fault kept its trailer from loading: the end of its stretch, or its return if that came first."""
        import numpy as np

        end = self.until[self.fault_in]
        back = np.where(self.fault_returned < 0, end, self.fault_returned)
        return np.clip(back, self.fault_at, end)

    @cached_property
    def fault_days(self) -> FloatArray:
        """Days at risk that the unit had behind it at each fault."""
        import numpy as np

        length = self.until - self.since
        done = np.cumsum(length) - length
        before = done - done[np.searchsorted(self.unit, self.unit)]
        return np.asarray(
            (before[self.fault_in] + self.fault_at - self.since[self.fault_in]) / MINUTES_PER_DAY
        )


# Days are asked for only in the month in which a trailer's records begin.
LOADS = f"""
with worked as (
    select x.trailer_id, x.service_from, t.service_until, x.loads, strptime(x.month, '%Y-%m') as month_from,
        greatest(t.records_from, x.service_from, month_from, $first::timestamp) as since,
        coalesce(t.records_from, x.service_from) <= greatest(x.service_from, month_from, $first::timestamp) as whole
    from EXPOSURE x join staging.trailers t on t.trailer_id = x.trailer_id and t.service_from = x.service_from
    where x.loads > 0
)
select trailer_id, {_minutes("service_from")} as spell,
    (year(month_from) * 12 + month(month_from) - 1)::bigint as month, sum(loads)::bigint as loads
from (
    select trailer_id, service_from, month_from, loads from worked where whole
    union all
    select w.trailer_id, w.service_from, w.month_from, l.loads
    from worked w join core.load_days l on l.trailer_id = w.trailer_id and l.loaded_on >= w.since
        and l.loaded_on < least(w.month_from + interval 1 month, w.service_until, $end::timestamp)
    where not w.whole and w.since < w.month_from + interval 1 month
)
group by all
order by all
"""


@dataclass(frozen=True)
class ByMonth:
    """By calendar month (rows; `month` counts them from the year 0) and unit: faults, days at risk, and what the
    comparison of clocks needs: `up_days`, days at risk less those from a fault to its shop, and `attempts`, loads
    completed or refused by a fault. A stopped trailer makes no loads, so with days that run on, and loads that are
    short of the refused one, faults would seem to avoid loads.
    """

    month: IntArray
    faults: FloatArray
    days: FloatArray
    up_days: FloatArray
    attempts: FloatArray


def by_month(con: Connection, h: Histories, window: Window) -> ByMonth:
    """The histories by month; without any loads on record `attempts` are 0."""
    import numpy as np

    first, last = (day.year * 12 + day.month - 1 for day in (window.first, window.end))
    months = np.arange(first, last + 1)
    edges = np.append(months, last + 1) - 1970 * 12
    edges = edges.astype("datetime64[M]").astype("datetime64[m]").astype(np.int64)
    faults, loads = np.zeros((months.size, h.units)), np.zeros((months.size, h.units))
    days = _in_months(h.unit, h.since, h.until, edges, h.units)
    down = _in_months(h.fault_unit, h.fault_at, h.down_until, edges, h.units)
    at = np.clip(np.searchsorted(edges, h.fault_at, side="left") - 1, 0, months.size - 1)
    np.add.at(faults, (at, h.fault_unit), 1)
    sql = LOADS.replace("EXPOSURE", exposure_of(con, window))
    found = con.execute(sql, {"first": window.first, "end": window.end}).fetchnumpy()
    ids, spells = _plain(found["trailer_id"]), np.asarray(found["spell"], dtype=np.int64)
    new = np.append(True, (ids[1:] != ids[:-1]) | (spells[1:] != spells[:-1]))[: ids.size].astype(bool)
    pairs = zip(ids[new].tolist(), spells[new].tolist(), strict=True)
    whose = np.array([h.index.get(pair, -1) for pair in pairs], dtype=np.int64)[np.cumsum(new) - 1]
    kept = whose >= 0
    month = np.asarray(found["month"], dtype=np.int64)[kept] - first
    np.add.at(loads, (month, whose[kept]), np.asarray(found["loads"], dtype=np.float64)[kept])
    attempts = loads + faults if loads.any() else loads
    return ByMonth(months, faults, days, np.maximum(days - down, 0.0), attempts)


def _in_months(unit: IntArray, since: IntArray, until: IntArray, edges: IntArray, units: int) -> FloatArray:
    """Days of the stretches by month and unit."""
    import numpy as np

    found = np.zeros((edges.size - 1, units))
    for k in range(edges.size - 1):
        length = np.minimum(until, edges[k + 1]) - np.maximum(since, edges[k])
        found[k] = np.bincount(unit, weights=np.maximum(length, 0), minlength=units) / MINUTES_PER_DAY
    return found


def on_all_records(con: Connection, selection: Selection) -> Selection:
    """The selection with the window from the first day on record: trends use all records before its end."""
    if selection.terminal is not None:
        raise CallError(
            "a trailer's trend cannot be told by terminal, where only its loads are known",
            hint="Leave --terminal out.",
        )
    whole, window = covered(con), selection.window
    first = min(whole.first, window.first) if whole is not None else window.first
    return replace(selection, window=Window(first, window.end))


def histories(con: Connection, selection: Selection, by: str | None) -> Histories:
    """The histories of the selection's trailers; `by` is a key of KEYS or None for all in one."""
    import numpy as np

    sql = STRETCHES.replace("{key}", KEYS[by] if by else "null")
    found = con.execute(sql, selection.parameters(sql)).fetchnumpy()
    unit, since, until = (np.asarray(found[name], dtype=np.int64) for name in ("unit", "since", "until"))
    start = np.searchsorted(unit, np.arange(unit[-1] + 1 if unit.size else 0))
    values = [None if _missing(value) else str(value) for value in _plain(found["key"])[start]]
    names = sorted(set(values), key=lambda v: (v is None, v.zfill(12) if v and v.isdigit() else v or ""))
    codes = {name: code for code, name in enumerate(names)}
    key = np.array([codes[value] for value in values], dtype=np.int64)
    ids, spells = _plain(found["trailer_id"])[start], np.asarray(found["spell"], dtype=np.int64)[start]
    trailers = {name: code for code, name in enumerate(dict.fromkeys(ids.tolist()))}
    trailer = np.array([trailers[name] for name in ids.tolist()], dtype=np.int64)
    index = {pair: code for code, pair in enumerate(zip(ids.tolist(), spells.tolist(), strict=True))}
    faults = con.execute(FAULTS, selection.parameters(FAULTS)).fetchnumpy()
    pairs = zip(_plain(faults["trailer_id"]).tolist(), np.asarray(faults["spell"]).tolist(), strict=True)
    whose = np.array([index.get(pair, -1) for pair in pairs], dtype=np.int64)
    at = np.asarray(faults["fell"], dtype=np.int64)
    returned = np.array([-1 if _missing(t) else int(t) for t in _plain(faults["returned"])], dtype=np.int64)
    held = _held(whose, at, unit, since, until)
    kept = held >= 0
    at = np.clip(at[kept], since[held[kept]] + 1, until[held[kept]])
    return Histories(
        index, tuple(names), key, trailer, np.asarray(found["born"], dtype=np.int64)[start], unit, since, until,
        whose[kept], at, held[kept], returned[kept], int((~kept).sum()),
    )  # fmt: skip


def _held(whose: IntArray, at: IntArray, unit: IntArray, since: IntArray, until: IntArray) -> IntArray:
    """The stretch in which each fault fell: the last that began before it, so that a fault that shows while the
    trailer is in a shop counts where the stretch before ended. -1 for one before the unit's first stretch."""
    import numpy as np

    if not unit.size:
        return np.full(whose.size, -1, dtype=np.int64)
    base = int(min(since.min(), at.min() if at.size else since.min()))
    wide = int(max(until.max(), at.max() if at.size else 0)) - base + 2
    starts, faults = unit * wide + since - base, whose * wide + at - base
    held = np.full(whose.size, -1, dtype=np.int64)
    for side in ("right", "left"):  # at the very start of a unit's window only where none began before
        found = np.searchsorted(starts, faults, side=side) - 1
        safe = np.maximum(found, 0)
        held = np.where((whose >= 0) & (found >= 0) & (unit[safe] == whose), found, held)
    return held


def _plain(values: Any) -> Any:
    """An object array without a mask; what is masked is None."""
    import numpy as np

    plain = np.asarray(values, dtype=object)
    mask = np.ma.getmaskarray(values)
    plain[mask] = None
    return plain


def _missing(value: object) -> bool:
    return value is None or value != value
