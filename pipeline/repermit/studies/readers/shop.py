"""One shop: where to look first, which of its fixes hold, what comes back against chance and against the other shops,
and the visits in which nothing was found.

Marts in, `ShopRecord` out. May import `warehouse` and its neighbours. The other shops are one group, never named.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

from repermit.errors import CallError
from repermit.studies.about import About, about
from repermit.studies.location.where_first import Searches, where_first
from repermit.studies.repairs.came_back import CameBack, came_back
from repermit.studies.repairs.fixes import Fix, summarise
from repermit.studies.repairs.needless import NothingFound, Sensors, nothing_found, sensors
from repermit.studies.repairs.repaired import Repairs, load
from repermit.studies.selection import Selection, Window, covered, of_own
from repermit.warehouse import Connection, settings_of

if TYPE_CHECKING:
    from repermit.studies.repairs.repaired import IntArray

MOST_YEARS = 3


@dataclass(frozen=True)
class Compared:
    """One kind of fix at this shop, and the same at the other shops together (None: they have none).

    Risks by completed loads are not told, those of any fault `here` alone, and of no year.
    """

    name: str | None
    here: Fix
    elsewhere: Fix | None


@dataclass(frozen=True)
class ShopRecord:
    """One shop, on all records before the window's end.

    `methods` are of the kinds of fix of which some say how they were done. `came_back` are those of the last 12 months;
    `years` the fixes by the twelve months in which they went out, the newest first.
    `labour_min` and `cost` are sums over the visits that carry one (`with_labour`, `priced`).
    """

    about: About
    shop: str
    total: Fix
    actions: tuple[Compared, ...]
    methods: tuple[Compared, ...]
    came_back: tuple[CameBack, ...]
    years: tuple[Compared, ...]
    nothing_found: NothingFound
    sensors: Sensors
    look: Searches
    visits: int
    visits_without_finding: int
    with_labour: int
    labour_min: float | None
    priced: int
    cost: float | None
    first_return: str | None


VISITS = """
select shop, count(*) as visits, count(*) filter (cause is null or place is null) as visits_without_finding,
    count(labour_min) as with_labour, sum(labour_min)::double as labour_min, count(cost) as priced, sum(cost)::double as cost,
    strftime(min(received_at), '%Y-%m-%d') as first_return
from core.visits where received_at < $end group by shop
"""
NO_VISITS: dict[str, Any] = dict.fromkeys(("visits", "visits_without_finding", "with_labour", "priced"), 0)
NO_VISITS |= dict.fromkeys(("labour_min", "cost", "first_return"))


def shop_record(con: Connection, store: str, selection: Selection) -> ShopRecord:
    """What the record shows of the selection's shop. Raises CallError where it has no repair on record."""
    import polars as pl

    shop = selection.shop
    if shop is None:
        raise CallError("no shop was named", hint="Give --shop NAME.")
    level = settings_of(con).level
    whole = covered(con)
    first = min(whole.first, selection.window.first) if whole else selection.window.first
    every = Window(first, selection.window.end)
    repairs = load(con, selection.window)
    mine, others = repairs.of(Selection(selection.window, shop=shop)), repairs.not_of(shop)
    firsts = repairs.of(Selection(selection.window, shop=shop), "is_first")
    works = repairs.frame[mine].filter(pl.col("method").is_not_null())["action"].unique().to_list()
    told = repairs.where(pl.col("action").is_in(works))
    counts = next(iter(of_own(con, VISITS, Selection(selection.window, shop=shop), "shop")), NO_VISITS)
    return ShopRecord(
        about=about(con, store, Selection(every)),
        shop=shop,
        total=summarise(repairs, shop, mine, firsts, level, others, beside=()),
        actions=_compared(repairs, mine, others, "action", level),
        methods=_compared(repairs, _both(mine, told), _both(others, told), "method", level),
        came_back=came_back(repairs, mine, _back(selection.window.end, 1)),
        years=_years(repairs, mine, selection.window.end, level),
        nothing_found=nothing_found(repairs, mine),
        sensors=sensors(con, Selection(selection.window, shop=shop), level),
        look=where_first(con, store, Selection(selection.window, shop=shop)),
        **counts,
    )


def _compared(
    repairs: Repairs, mine: IntArray, others: IntArray, by: str, level: float
) -> tuple[Compared, ...]:
    """This shop's fixes by one key, most first, each with the other shops'. Only kinds of which some have a position."""
    there = dict(repairs.groups(others, by))
    nobody = mine[:0]
    found = []
    for key, here in repairs.groups(mine, by):
        if key == "none" or not repairs.placed[here].any():
            continue
        own = summarise(repairs, key, here, nobody, level, beside=("any_fault",))
        elsewhere = summarise(repairs, key, there[key], nobody, level, beside=()) if key in there else None
        found.append(Compared(key, own, elsewhere))
    return tuple(sorted(found, key=lambda c: (-c.here.fixes, str(c.name))))


def _both(some: IntArray, others: IntArray) -> IntArray:
    """The indices that are among both, each of which names none twice."""
    import numpy as np

    return np.intersect1d(some, others, assume_unique=True)


def _years(repairs: Repairs, mine: IntArray, end: date, level: float) -> tuple[Compared, ...]:
    """This shop's fixes by the twelve months, counted back from the end, in which they went out; years without one left out."""
    import polars as pl

    found = []
    for back in range(MOST_YEARS):
        first, until = _back(end, back + 1), _back(end, back)
        then = repairs.where(pl.col("returned_at").is_between(first, until, closed="left"))
        of_year = _both(mine, then)
        if repairs.placed[of_year].any():
            name = f"{first} to {until - timedelta(days=1)}"
            found.append(Compared(name, summarise(repairs, name, of_year, mine[:0], level, beside=()), None))
    return tuple(found)


def _back(day: date, years: int) -> date:
    """The same day so many years ago; of 29 February the 28th."""
    return day.replace(year=day.year - years, day=28 if (day.month, day.day) == (2, 29) else day.day)
