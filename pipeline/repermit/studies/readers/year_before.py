"""A fleet against itself: its last twelve months, and its last three, each against the same months a year before.

Marts in, `YearBefore` out. May import `statistics`, `warehouse` and its neighbours. The same months stand on both sides,
so a season makes no difference; each trailer is held against itself, so neither do trailers that differ.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from repermit.settings import Settings
from repermit.studies.frequency.like_for_like import US_PER_YEAR, Verdict, verdict
from repermit.studies.readers.stops import Stops, all_stops, own_units
from repermit.studies.selection import Selection, Window, of_fleet
from repermit.warehouse import Connection

LEAST_DAYS = 80
"""Fewer days in common with the year before are not compared."""
QUARTER_MONTHS = 3
MEASURES = {"trailer_year": ("us", US_PER_YEAR), "1000_loads": ("loads", 1000.0)}
"""What faults are counted over, by name: the column of the rows by trailer, and how much of it is one."""


@dataclass(frozen=True)
class Period:
    """What the faults of a window stopped and cost; `exposure` by trailer_year, and by 1000_loads where there are any."""

    window: Window
    total: Stops
    exposure: dict[str, float]


@dataclass(frozen=True)
class Change:
    """How many times as many faults now as then, by a measure of Period.exposure; `trailers` ran in both periods.

    `verdict`: more, fewer or about the same only where chance can hardly make the difference.
    """

    per: str
    verdict: Verdict
    trailers: int
    ratio: float | None
    ratio_low: float
    ratio_high: float | None


@dataclass(frozen=True)
class YearBefore:
    """Months of `now` against the same a year `before`."""

    now: Period
    before: Period
    changes: tuple[Change, ...]


VISITS = "select fleet, count(*) as n from marts.repairs where received_at >= $first and received_at < $end group by fleet"


def year_before(
    con: Connection, selection: Selection, record: Window | None, settings: Settings
) -> tuple[YearBefore, ...]:
    """The selection's window against the year before, then its last three months against theirs.

    Of a window whose year before is on record in part, the months that both have. None at all where fewer than 80 days
    remain, or where no shop visit of the fleet is on record in either year: then it can't be told.
    """
    both = in_common(selection.window, record)
    if both is None or not all(_recorded(con, selection, window) for window in both):
        return ()
    end = selection.window.end
    quarter = Window(back(end, QUARTER_MONTHS), end)
    found = [_held(con, selection, both, settings)]
    if quarter.first > both[0].first:
        found.append(_held(con, selection, (quarter, _year_earlier(quarter)), settings))
    return tuple(found)


def in_common(window: Window, record: Window | None) -> tuple[Window, Window] | None:
    """The window and that a year before, both without the months whose year before is not on record."""
    if record is None:
        return None
    first = _year_earlier(window).first
    if record.first > first:
        first = record.first if record.first.day == 1 else back(record.first.replace(day=1), -1)
    now = Window(back(first, -12), window.end)
    return (now, Window(first, back(window.end, 12))) if now.days >= LEAST_DAYS else None


def back(day: date, months: int) -> date:
    """The same day so many months earlier (the 28th of February for a 29th)."""
    year, month = divmod(day.year * 12 + day.month - 1 - months, 12)
    return date(year, month + 1, min(day.day, 28) if month == 1 else day.day)


def _year_earlier(window: Window) -> Window:
    return Window(back(window.first, 12), back(window.end, 12))


def _recorded(con: Connection, selection: Selection, window: Window) -> bool:
    return bool(of_fleet(con, VISITS, replace(selection, window=window)))


def _held(
    con: Connection, selection: Selection, both: tuple[Window, Window], settings: Settings
) -> YearBefore:
    now, before = (_period(con, replace(selection, window=window)) for window in both)
    common = [per for per in now[0].exposure if per in before[0].exposure]
    changes = tuple(change(per, now[1], before[1], settings) for per in common)
    return YearBefore(now[0], before[0], changes)


def _period(con: Connection, selection: Selection) -> tuple[Period, list[dict[str, Any]]]:
    mine = own_units(con, selection)
    sums = {per: sum(unit[of] for unit in mine) / scale for per, (of, scale) in MEASURES.items()}
    exposure = {per: value for per, value in sums.items() if value}
    return Period(selection.window, all_stops(con, selection), exposure), mine


def change(per: str, now: list[dict[str, Any]], then: list[dict[str, Any]], settings: Settings) -> Change:
    """Each trailer of both periods against itself. Fewer trailers than the settings want: too few to tell."""
    from repermit.statistics.strata import paired_ratio

    of = MEASURES[per][0]
    (n, exposure), (n_then, exposure_then) = _by_trailer(now, of), _by_trailer(then, of)
    names = sorted(name for name in exposure if exposure[name] and exposure_then.get(name))
    a, b, e, f = ([counts[name] for name in names] for counts in (n, n_then, exposure, exposure_then))
    found = paired_ratio(a, b, e, f, settings.level)
    known = found.ratio if math.isfinite(found.ratio) else None
    enough = len(names) >= settings.min_trailers
    return Change(
        per, verdict(found.low, found.high) if enough else "too_few", len(names),
        known, found.low, found.high if math.isfinite(found.high) else None,
    )  # fmt: skip


def _by_trailer(units: list[dict[str, Any]], of: str) -> tuple[dict[str, int], dict[str, int]]:
    """Faults and exposure by trailer."""
    faults: dict[str, int] = {}
    exposure: dict[str, int] = {}
    for unit in units:
        name = unit["trailer_id"]
        faults[name] = faults.get(name, 0) + unit["n"]
        exposure[name] = exposure.get(name, 0) + unit[of]
    return faults, exposure
