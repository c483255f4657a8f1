"""The next three months: refusals, faults by cause, parts and shop hours, with limits; and how earlier forecasts held.

Marts in, `Outlook` out. May import `errors`, `statistics`, `warehouse`, `wording` and its neighbours. A forecast knows
only whole months before it; earlier ones are made again in that way and held against what came.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from repermit.errors import CallError
from repermit.studies.about import About, about
from repermit.studies.frequency.rate_units import exposure_by_month
from repermit.studies.frequency.rates import US_PER_DAY
from repermit.studies.selection import Selection, Window, covered, of_fleet, parse_month
from repermit.warehouse import Connection, settings_of
from repermit.wording import interval, number, percent, seen, whole, words

if TYPE_CHECKING:
    from repermit.statistics.prediction import Ahead

AHEAD = 3
QUARTERS_BACK = 8
LEAST_BACK = 12
"""Months before an earlier forecast that is made again."""
ALL = "all"
QUANTITIES = ("refusals", "faults", "parts", "shop_hours")


@dataclass(frozen=True)
class Forecast:
    """One quantity and key in one month, or in all three together (`month` of the quarter's first to last)."""

    month: str
    quantity: str
    key: str
    expected: float
    low: float
    high: float


@dataclass(frozen=True)
class Held:
    """A forecast made again from the months before `made_for`, and what came."""

    made_for: str
    forecast: Forecast
    came: float

    @property
    def inside(self) -> bool:
        """Whether what came lies within the limits."""
        return self.forecast.low <= self.came <= self.forecast.high


@dataclass(frozen=True)
class Past:
    """What came in one month."""

    month: str
    quantity: str
    key: str
    came: float


@dataclass(frozen=True)
class Outlook:
    """The months ahead, the quarter they make, what was forecast before and came, and the months on record.

    `why_not` says why there is no forecast. `per`: the exposure that it goes by, loads or days.
    """

    about: About
    per: str
    rows: tuple[Forecast, ...]
    quarter: tuple[Forecast, ...]
    held: tuple[Held, ...]
    past: tuple[Past, ...]
    season_out: bool
    why_not: str | None = None

    def coverage(self, quantity: str | None = None) -> tuple[int, int]:
        """How many earlier forecasts of a quantity, or of all, held what came, and how many there were."""
        found = [h.inside for h in self.held if quantity in (None, h.forecast.quantity)]
        return sum(found), len(found)


SPELL = "($system is null or t.system = $system) and ($shop is null or t.home_shop = $shop)"
SERIES = f"""
select {{whose}} as fleet, strftime(r.refused_at, '%Y-%m') as month, 'refusals' as quantity, 'all' as key, count(*)::double as n, 0.0 as squares
from staging.refusals r join staging.trailers t on t.trailer_id = r.trailer_id and r.refused_at >= t.service_from
    and (t.service_until is null or r.refused_at < t.service_until)
where r.equipment and r.refused_at >= $first and r.refused_at < $end and {SPELL} group by 1, 2
union all
select {{whose}}, strftime(t.started_at, '%Y-%m'), 'faults', coalesce(t.cause, 'not_recorded'), count(*), 0.0 from marts.faults t
where t.counts_as = 'fault' and t.started_at >= $first and t.started_at < $end
    and (t.open_until is null or $end <= t.open_until) and {SPELL} group by 1, 2, 4
union all
select {{whose}}, strftime(p.received_at, '%Y-%m'), 'parts', replace(p.action, '_replaced', ''), count(*), 0.0
from staging.repairs p join staging.trailers t on t.trailer_id = p.trailer_id and p.received_at >= t.service_from
    and (t.service_until is null or p.received_at < t.service_until)
where p.action in ('sensor_replaced', 'cable_replaced', 'socket_replaced') and p.received_at >= $first
    and p.received_at < $end and {SPELL} group by 1, 2, 4
union all
select fleet, month, quantity, 'all', {{of}} from (
    select {{whose}} as fleet, strftime(p.received_at, '%Y-%m') as month, sum(p.labour_min) / 60 as hours from staging.repairs p
    join staging.trailers t on t.trailer_id = p.trailer_id and p.received_at >= t.service_from
        and (t.service_until is null or p.received_at < t.service_until)
    where p.labour_min is not null and p.received_at >= $first and p.received_at < $end and {SPELL}
    group by p.repair_id, 1, 2
), (select unnest(['shop_hours', 'visits']) as quantity) group by 1, 2, 3
order by 1, 2, 3, 4
"""
SERIES = SERIES.format(
    whose="WHOSE",
    of="case when quantity = 'visits' then count(*) else sum(hours order by hours) end::double, sum(hours * hours order by hours)::double",
)


def outlook(con: Connection, store: str, selection: Selection) -> Outlook:
    """Forecast the three months after the last whole month of the window. Raises CallError for a terminal."""
    if selection.terminal is not None:
        raise CallError("parts and shop hours belong to no terminal", hint="Leave --terminal out.")
    head = about(con, store, selection)
    recorded = covered(con)
    months = _months(recorded, selection.window.end) if recorded else []
    from repermit.statistics.prediction import LEAST

    if recorded is None or len(months) < LEAST:
        few = f"fewer than {LEAST} whole months are on record"
        return Outlook(head, "loads", (), (), (), (), False, few)
    window = Window(parse_month(months[0]).first, parse_month(months[-1]).end)
    history = Selection(window, selection.fleet, selection.system, None, selection.shop)
    by_month = exposure_by_month(con, history)
    per = "loads" if any(loads for _, loads in by_month.values()) else "days"
    exposure = [_exposure(*by_month.get(month, (0, 0)), per) for month in months]
    sql = SERIES.replace("WHOSE", "null::varchar" if history.fleet is None else "t.fleet")
    series = _series(of_fleet(con, sql, history), months)
    level = settings_of(con).level
    rows, quarter, season_out = _forecasts(series, exposure, months, level)
    held: list[Held] = []
    for back in range(1, QUARTERS_BACK + 1):
        at = len(months) - AHEAD * back
        if at < LEAST_BACK:
            break
        before = {name: {k: v[:at] for k, v in of.items()} for name, of in series.items()}
        made, _, _ = _forecasts(before, exposure[:at], months[:at], level)
        held += [Held(months[at], f, series[f.quantity][f.key][months.index(f.month)]) for f in made]
    past = tuple(
        Past(month, quantity, key, values[i])
        for quantity in QUANTITIES
        for key, values in series.get(quantity, {}).items()
        for i, month in enumerate(months)
    )
    return Outlook(head, per, tuple(rows), tuple(quarter), tuple(held), past, season_out)


def _exposure(us: int, loads: int, per: str) -> float:
    return float(loads) if per == "loads" else us / US_PER_DAY


Series = dict[str, dict[str, list[float]]]
"""By quantity and key, one value a month; `visits` with their hours, and `squares` of those, beside."""


def _months(recorded: Window, end: date) -> list[str]:
    """The whole months on record before `end`."""
    found = []
    month = parse_month(f"{recorded.first:%Y-%m}")
    while month.end <= min(recorded.end, end):
        if month.first >= recorded.first:
            found.append(f"{month.first:%Y-%m}")
        month = parse_month(f"{month.end:%Y-%m}")
    return found


def _series(found: list[dict[str, Any]], months: list[str]) -> Series:
    at = {month: i for i, month in enumerate(months)}
    series: Series = {
        name: {ALL: [0.0] * len(months)}
        for name in ("refusals", "faults", "parts", "shop_hours", "visits", "squares")
    }
    for row in found:
        if row["month"] not in at:
            continue
        of = series[row["quantity"]]
        of.setdefault(row["key"], [0.0] * len(months))[at[row["month"]]] += row["n"]
        if row["quantity"] in ("faults", "parts"):
            of[ALL][at[row["month"]]] += row["n"]
        if row["quantity"] == "visits":
            series["squares"][ALL][at[row["month"]]] += row["squares"]
    return series


def _forecasts(
    series: Series, exposure: list[float], months: list[str], level: float
) -> tuple[list[Forecast], list[Forecast], bool]:
    """Every quantity and key that came at least once, for the months after the last of `months`."""
    from repermit.statistics.prediction import counts_ahead, exposure_ahead

    ahead: list[Window] = []
    last = parse_month(months[-1])
    for _ in range(AHEAD):
        last = parse_month(f"{last.end:%Y-%m}")
        ahead.append(last)
    names = [f"{w.first:%Y-%m}" for w in ahead]
    to_come = exposure_ahead(exposure, [parse_month(m).days for m in months], [w.days for w in ahead])
    of, next_ = [int(m[5:]) - 1 for m in months], [w.first.month - 1 for w in ahead]
    rows, quarter, season_out = [], [], False
    for quantity in QUANTITIES:
        for key, values in series[quantity].items():
            if not sum(values):
                continue
            events, sizes = values, {}
            if quantity == "shop_hours":
                events, sizes = series["visits"][ALL], _sizes(series)
            found = counts_ahead(events, exposure, of, to_come, next_, level=level, **sizes)
            season_out |= found.season_out
            rows += _rows(found, names, quantity, key)
            quarter.append(Forecast(f"{names[0]} to {names[-1]}", quantity, key, *found.total))
    return rows, quarter, season_out


def _sizes(series: Series) -> dict[str, float]:
    """Mean and variance of the hours of one visit."""
    n, hours, squares = (sum(series[name][ALL]) for name in ("visits", "shop_hours", "squares"))
    mean = hours / n
    return {"size_mean": mean, "size_variance": max(squares / n - mean**2, 0.0)}


def _rows(found: Ahead, names: list[str], quantity: str, key: str) -> list[Forecast]:
    return [
        Forecast(name, quantity, key, float(e), float(lo), float(hi))
        for name, e, lo, hi in zip(names, found.expected, found.low, found.high, strict=True)
    ]


# --- in words -----------------------------------------------------------------------------------------

NAMES = {"refusals": "refusals", "faults": "faults", "parts": "parts", "shop_hours": "shop hours"}


def outlook_sentence(result: Outlook) -> str:
    """What the quarter will bring, made from the numbers."""
    if result.why_not:
        return f"The next three months can't be forecast: {result.why_not}."
    all_ = [f for f in result.quarter if f.key == ALL]
    if not all_:
        return "Nothing came in the months on record, so nothing can be forecast but that little will."
    told = ", ".join(f"{number(f.expected)} {NAMES[f.quantity]} ({interval(f.low, f.high)})" for f in all_)
    return f"Likely in {all_[0].month}: {told}; a range holds {percent(result.about.level)} of such quarters."


def held_sentence(result: Outlook) -> str:
    """How earlier forecasts held, made from the counts."""
    inside, n = result.coverage()
    if not n:
        return "No earlier forecast can be held against what came: that takes fifteen whole months on record."
    quarters = len({h.made_for for h in result.held})
    return (
        f"Held against what came, with the forecasts of the last {seen(quarters, 'quarter')} made again from the months"
        f" before each: the range held it {whole(inside)} of {seen(n, 'time')} ({percent(inside / n)})."
    )


def key_words(forecast: Forecast) -> str:
    """A key as people say it: causes and parts in words."""
    return words(forecast.key)
