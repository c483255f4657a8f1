"""Months of which a terminal or a shop sent nothing.

Of a terminal: no loads though it loads before and after, no refusals though it loads. Of a shop: no visits though it
has many. Marts in, `Gaps` out. May import `warehouse`, `wording` and its neighbours. A month without refusals or visits
is told only where chance alone hardly leaves it empty.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from repermit.studies.selection import Window
from repermit.warehouse import Connection, one, records
from repermit.wording import interval, named, number

CHANCE = 1e-4
"""A month without refusals is told where so many episodes are usual that chance leaves it empty at most so often.

Episodes are counted, as refusals come several at once. So it is with the visits of a shop, by their number a month."""


@dataclass(frozen=True)
class Gap:
    """One terminal or shop and month. `usual`: episodes for so many loads, or visits a month; None: nothing at all is on
    record of the terminal's month."""

    place: str
    name: str
    month: str
    usual: float | None


@dataclass(frozen=True)
class Gaps:
    """What is missing, by place, name and month; `terminals` with loads and `shops` with visits were looked at."""

    terminals: int
    shops: int
    rows: tuple[Gap, ...]

    def sentences(self) -> tuple[str, ...]:
        """In words, one a place and kind; that nothing is missing where nothing is."""
        return (*self._of_terminals(), *self._of_shops())

    def _of_terminals(self) -> Iterator[str]:
        gaps = self._by_name("terminal")
        if self.terminals and not gaps:
            yield "Each terminal has loads in every month since its first, and refusals wherever many are usual."
        for terminal, mine in gaps.items():
            if empty := [row.month for row in mine if row.usual is None]:
                yield f"Nothing is on record of {terminal} in {named(empty)}: was a file left out?"
            if usual := {row.month: row.usual for row in mine if row.usual is not None}:
                each = [*usual.values()]
                many = (
                    f"{number(each[0])} episodes"
                    if len(each) == 1
                    else f"{interval(min(each), max(each))} episodes a month"
                )
                yield f"No refusal is on record of {terminal} in {named([*usual])}, where {many} are usual for so many loads: were they sent?"

    def _of_shops(self) -> Iterator[str]:
        gaps = self._by_name("shop")
        if self.shops and not gaps:
            yield "Each shop has visits in every month since its first wherever many are usual."
        for shop, mine in gaps.items():
            empty = named([row.month for row in mine])
            yield f"No visit is on record of {shop} in {empty}, where {number(mine[0].usual)} a month are usual: was a file left out?"

    def _by_name(self, place: str) -> dict[str, list[Gap]]:
        found: dict[str, list[Gap]] = {}
        for row in self.rows:
            if row.place == place:
                found.setdefault(row.name, []).append(row)
        return found


MONTHS = """
with months as (
    select cast(unnest(generate_series($first::timestamp, $end::timestamp - interval 1 day, interval 1 month)) as date) as month
)"""

OF_TERMINALS = f"""{MONTHS}, loaded as (
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
select 'terminal' as place, terminal as name, strftime(month, '%Y-%m') as month, case when loads > 0 then expected end as usual
from usual
where (loads = 0 and refusals = 0) or (loads > 0 and refusals = 0 and exp(-expected) <= $chance)
order by all
"""

OF_SHOPS = f"""{MONTHS}, visited as (
    select shop, cast(date_trunc('month', received_at) as date) as month, count(*) as visits
    from core.visits where shop is not null and received_at >= $first and received_at < $end group by all
), since as (
    select shop, min(month) as month_from from visited group by all
), by_month as (
    select shop, month, coalesce(visits, 0) as visits, avg(coalesce(visits, 0)) over (partition by shop) as usual
    from (select s.shop, m.month from since s join months m on m.month >= s.month_from) left join visited using (shop, month)
)
select 'shop' as place, shop as name, strftime(month, '%Y-%m') as month, usual
from by_month
where visits = 0 and exp(-usual) <= $chance
order by all
"""


def gaps(con: Connection, record: Window) -> Gaps:
    """Every gap of the months of the record, which begins and ends with a month."""
    days = {"first": record.first, "end": record.end}
    within = "from marts.loads_by_lane_month where month >= $first and month < $end"
    terminals = one(con, f"select count(distinct terminal) {within}", days)
    within = "from core.visits where received_at >= $first and received_at < $end"
    shops = one(con, f"select count(distinct shop) {within}", days)
    found = [row for sql in (OF_TERMINALS, OF_SHOPS) for row in records(con, sql, days | {"chance": CHANCE})]
    return Gaps(terminals, shops, tuple(Gap(**row) for row in found))
