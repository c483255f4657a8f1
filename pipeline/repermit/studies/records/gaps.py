"""Months of which a terminal sent nothing: no loads though it loads before and after, no refusals though it loads.

Marts in, `Gaps` out. May import `warehouse`, `wording` and its neighbours. A month without refusals is told only where
chance alone hardly leaves it empty.
"""

from __future__ import annotations

from dataclasses import dataclass

from repermit.studies.selection import Window
from repermit.warehouse import Connection, records
from repermit.wording import number

CHANCE = 1e-4
"""A month without refusals is told where so many episodes are usual that chance leaves it empty at most so often.

Episodes are counted, as refusals come several at once."""


@dataclass(frozen=True)
class Gap:
    """One terminal and month. `usual`: episodes for so many loads; None: nothing at all is on record of the month."""

    terminal: str
    month: str
    usual: float | None


@dataclass(frozen=True)
class Gaps:
    """What is missing, by terminal and month; `terminals` with loads were looked at."""

    terminals: int
    rows: tuple[Gap, ...]

    def sentences(self) -> tuple[str, ...]:
        """In words, one a terminal and kind; that nothing is missing where nothing is."""
        if not self.terminals:
            return ()
        if not self.rows:
            return (
                "Each terminal has loads in every month since its first, and refusals wherever many are usual.",
            )
        told = []
        for terminal in dict.fromkeys(row.terminal for row in self.rows):
            mine = [row for row in self.rows if row.terminal == terminal]
            if empty := [row.month for row in mine if row.usual is None]:
                told.append(f"Nothing is on record of {terminal} in {', '.join(empty)}: was a file left out?")
            told += [
                f"No refusal is on record of {terminal} in {row.month}, where {number(row.usual)} episodes are usual for so many loads: were they sent?"
                for row in mine
                if row.usual is not None
            ]
        return tuple(told)


GAPS = """
with months as (
    select cast(unnest(generate_series($first::timestamp, $end::timestamp - interval 1 day, interval 1 month)) as date) as month
), loaded as (
    select terminal, month, sum(loads) as loads from marts.loads_by_lane_month
    where terminal is not null and month >= $first and month < $end group by all
), refused as (
    select terminal, cast(date_trunc('month', refused_at) as date) as month, count(*) as refusals
    from staging.refusals where terminal is not null and refused_at >= $first and refused_at < $end group by all
), began as (
    select terminal, cast(date_trunc('month', started_at) as date) as month, count(*) as episodes
    from marts.episodes where origin = 'refusal' and started_at >= $first and started_at < $end group by all
), since as (
    select terminal, min(month) as month_from from loaded group by all
), by_month as (
    select s.terminal, m.month, coalesce(l.loads, 0) as loads, coalesce(r.refusals, 0) as refusals,
        coalesce(b.episodes, 0) as episodes
    from since s join months m on m.month >= s.month_from left join loaded l using (terminal, month)
    left join refused r using (terminal, month) left join began b using (terminal, month)
), usual as (
    select *, loads * sum(episodes) over (partition by terminal) / nullif(sum(loads) over (partition by terminal), 0) as expected
    from by_month
)
select terminal, strftime(month, '%Y-%m') as month, case when loads > 0 then expected end as usual
from usual
where (loads = 0 and refusals = 0) or (loads > 0 and refusals = 0 and exp(-expected) <= $chance)
order by all
"""


def gaps(con: Connection, record: Window) -> Gaps:
    """Every gap of the months of the record, which begins and ends with a month."""
    days = {"first": record.first, "end": record.end}
    terminals = records(
        con,
        "select count(distinct terminal) as n from marts.loads_by_lane_month where month >= $first and month < $end",
        days,
    )[0]["n"]
    return Gaps(terminals, tuple(Gap(**row) for row in records(con, GAPS, days | {"chance": CHANCE})))
