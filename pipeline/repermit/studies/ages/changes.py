"""Before and after: did a change made to trailers work, against trailers without it and with their past shrunken.

Marts in, `Changes` out. May import `statistics`, `warehouse`, `wording` and its neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from repermit.studies.about import About, about
from repermit.studies.frequency.like_for_like import Verdict, verdict
from repermit.studies.selection import Selection
from repermit.warehouse import Connection, records, settings_of
from repermit.wording import estimate, number, seen, whole

US_PER_DAY = 86_400_000_000
CLOCKS = {"days": "us", "loads": "loads"}


@dataclass(frozen=True)
class AfterChange:
    """Faults after a change over those expected without it, on one clock; None where that can't be told."""

    expected: float | None
    ratio: float | None
    low: float | None
    high: float | None
    verdict: Verdict


@dataclass(frozen=True)
class ChangeRow:
    """One change. `ratio_raw`: the plain rate after over before, days; it falls for the worst trailers by itself.

    `against`: whether the trailers without it are of the same fleets, or all there are.
    """

    change: str
    trailers: int
    others: int
    against: str
    first_on: str
    last_on: str
    faults_before: int
    days_before: float
    faults_after: int
    days_after: float
    ratio_raw: float | None
    by_days: AfterChange | None
    by_loads: AfterChange | None

    @property
    def told(self) -> AfterChange | None:
        """What pages speak of: per load where loads are on record, else per day."""
        return self.by_loads or self.by_days

    def as_dict(self) -> dict[str, Any]:
        """For JSON: plain fields in order."""
        names = [n for n in self.__dataclass_fields__ if not n.startswith("by_")]
        found = {n: getattr(self, n) for n in names}
        for per, told in (("days", self.by_days), ("loads", self.by_loads)):
            for field in ("expected", "ratio", "low", "high", "verdict"):
                found[f"{field}_{per}"] = getattr(told, field) if told else None
        return found | {"sentence": change_sentence(self)}


@dataclass(frozen=True)
class Changes:
    """Every change on record, by name."""

    about: About
    rows: tuple[ChangeRow, ...]

    def sentence(self) -> str:
        """A sentence a change."""
        found = " ".join(change_sentence(row) for row in self.rows)
        return found or "No change made within the window is on record."


CELLS = """
with changed as (
    select trailer_id, min(applied_on)::timestamp as changed_at from staging.changes
    where "change" = $change and applied_on < $end group by trailer_id
), months as (
    select month_from, month_from + interval 1 month as month_until from (select unnest(generate_series(
        date_trunc('month', $first::date)::timestamp, $end::timestamp - interval 1 day, interval 1 month)) as month_from)
), pieces as (
    select a.trailer_id, a.fleet, c.changed_at, m.month_from, greatest(a.at_risk_from, m.month_from, $first::timestamp) as since,
        least(a.at_risk_until, m.month_until, $end::timestamp) as until
    from marts.at_risk a join months m on a.at_risk_from < m.month_until and a.at_risk_until > m.month_from
    left join changed c using (trailer_id)
    where ($fleet is null or fleet = $fleet) and ($system is null or system = $system) and ($shop is null or home_shop = $shop)
), happened as (
    select trailer_id, fleet, month_from, false as after, 0 as n, 0 as loads,
        greatest(date_diff('microsecond', since, least(until, coalesce(changed_at, until))), 0) as us
    from pieces where since < until
    union all
    select trailer_id, fleet, month_from, true, 0, 0, greatest(date_diff('microsecond', greatest(since, changed_at), until), 0)
    from pieces where since < until and changed_at < until
    union all
    select l.trailer_id, t.fleet, date_trunc('month', l.loaded_on)::timestamp, coalesce(l.loaded_on >= c.changed_at, false), 0, l.loads, 0
    from LOG l join staging.trailers t on t.trailer_id = l.trailer_id and l.loaded_on >= t.service_from
        and (t.service_until is null or l.loaded_on < t.service_until)
    left join changed c on c.trailer_id = l.trailer_id
    where l.loaded_on >= $first and l.loaded_on < $end
        and ($fleet is null or t.fleet = $fleet) and ($system is null or t.system = $system) and ($shop is null or t.home_shop = $shop)
    union all
    select f.trailer_id, f.fleet, date_trunc('month', f.started_at)::timestamp, coalesce(f.started_at >= c.changed_at, false), 1, 0, 0
    from marts.faults f left join changed c using (trailer_id)
    where counts_as = 'fault' and started_at >= $first and started_at < $end and (open_until is null or $end <= open_until)
        and ($fleet is null or fleet = $fleet) and ($system is null or system = $system)
        and ($shop is null or home_shop = $shop) and ($terminal is null or terminal = $terminal)
), mixed as (
    select h.*, c.changed_at is not null as ours from happened h left join changed c using (trailer_id)
), fleets as (
    select distinct fleet, true as near from mixed where after
)
select dense_rank() over (order by trailer_id) - 1 as unit, dense_rank() over (order by month_from) - 1 as period, after,
    ours, coalesce(near, false) as near, sum(n)::bigint as n, sum(us)::bigint as us, sum(loads)::bigint as loads
from mixed m left join fleets f on f.fleet is not distinct from m.fleet
group by trailer_id, month_from, after, ours, coalesce(near, false)
order by trailer_id, month_from, after, near
"""

NAMES = """
select "change", count(distinct trailer_id) as trailers, min(applied_on) as first_on, max(applied_on) as last_on
from staging.changes where applied_on >= $first and applied_on < $end group by "change" order by "change"
"""


def changes(con: Connection, store: str, selection: Selection) -> Changes:
    """Every change applied within the window, its faults after against those expected without it."""
    days = {"first": selection.window.first, "end": selection.window.end}
    rows = [_row(con, selection, found) for found in records(con, NAMES, days)]
    return Changes(about(con, store, selection), tuple(row for row in rows if row))


def _row(con: Connection, selection: Selection, found: dict[str, Any]) -> ChangeRow | None:
    import numpy as np

    settings = settings_of(con)
    log = "(from staging.loads where terminal = $terminal)" if selection.terminal else "core.load_days"
    cells_sql = CELLS.replace("LOG", log)
    values = selection.parameters(CELLS) | {"change": found["change"]}
    cells = {name: np.asarray(of) for name, of in con.execute(cells_sql, values).fetchnumpy().items()}
    ours, after, unit = cells["ours"].astype(bool), cells["after"].astype(bool), cells["unit"]
    if not after.any():
        return None
    near = cells["near"].astype(bool)
    same = np.unique(unit[~ours & near]).size >= settings.min_trailers
    used = ours | near if same else np.ones(ours.size, dtype=bool)
    cells = {name: of[used] for name, of in cells.items()}
    ours, after, unit = ours[used], after[used], unit[used]
    before = ours & ~after
    n, us = cells["n"].astype(float), cells["us"].astype(float) / US_PER_DAY
    raw = _over(_over(n[after].sum(), us[after].sum()), _over(n[before].sum(), us[before].sum()))
    at_terminal = selection.terminal is not None  # days at one terminal are not known
    by_loads = _after(cells, after, "loads", settings.level) if cells["loads"].any() else None
    return ChangeRow(
        change=found["change"],
        trailers=int(np.unique(unit[after]).size),
        others=int(np.unique(unit[~ours]).size),
        against="same fleets" if same else "all",
        first_on=found["first_on"].isoformat(),
        last_on=found["last_on"].isoformat(),
        faults_before=int(n[before].sum()),
        days_before=float(us[before].sum()),
        faults_after=int(n[after].sum()),
        days_after=float(us[after].sum()),
        ratio_raw=None if at_terminal else raw,
        by_days=None if at_terminal else _after(cells, after, "us", settings.level),
        by_loads=by_loads,
    )


def _after(cells: dict[str, Any], after: Any, exposure: str, level: float) -> AfterChange:
    from repermit.statistics.before_after import change_ratio

    e = cells[exposure].astype(float)
    # A fault in a cell without exposure, such as on the day of the change itself, is nobody's rate but counts after.
    found = change_ratio(
        cells["n"], e / max(float(e.max()), 1.0), cells["unit"], cells["period"], after, level
    )
    if found.ratio != found.ratio:
        return AfterChange(None, None, None, None, "too_few")
    high = found.high if found.high < float("inf") else None
    return AfterChange(found.expected, found.ratio, found.low, high, verdict(found.low, found.high))


def _over(a: float | None, b: float | None) -> float | None:
    return float(a / b) if a is not None and b else None


# --- in words -----------------------------------------------------------------------------------------

VERDICT_WORDS = {
    "fewer": "fewer faults",
    "more": "more faults",
    "about_the_same": "about the same",
    "too_few": "too few to tell",
}


def change_sentence(row: ChangeRow) -> str:
    """Whether the change worked, made from its numbers."""
    told = row.told
    who = f"{row.change} on {seen(row.trailers, 'trailer')} since {row.first_on}"
    if told is None or told.ratio is None or told.expected is None:
        return f"{who}: can't be told, as there is nothing to hold it against."
    against = "of the same fleets" if row.against == "same fleets" else "of all fleets"
    had = (
        f"{whole(row.faults_after)} faults since, {number(told.expected)} expected without it from their own shrunken past"
        f" and {seen(row.others, 'trailer')} {against} without it: {estimate(told.ratio, told.low, told.high)} times"
    )
    return f"{who}: {VERDICT_WORDS[told.verdict]}. {had}."
