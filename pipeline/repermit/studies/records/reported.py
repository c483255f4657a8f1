"""What changed since a report was made: its figures by month, asked again of what is known now.

Marts in, `Since` out. May import `reports_made`, `warehouse` and its neighbours. The old report's own window is
asked again, so that only what came, was corrected or withdrawn since makes a difference.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from repermit.reports_made import Months, Report, last_before
from repermit.studies.about import last_ingest
from repermit.studies.selection import Window
from repermit.warehouse import Connection, once, rows

SPELL = "join staging.trailers t on t.trailer_id = x.trailer_id and {at} >= t.service_from and (t.service_until is null or {at} < t.service_until)"
LOADS = """
select {whose}, strftime(day, '%Y-%m'), sum(loads)::double
from (select {whose}, {day} as day, sum(loads) as loads from {log} x {spell} where {day} < $end group by all)
group by all
"""
"""Of a fleet by day, as a trailer may be sold within a month; of others the sums by month, which reports are of."""
REFUSALS = "select strftime(refused_at, '%Y-%m'), 'refusals', count(*) from staging.refusals x"
FAULTS = """
select strftime(started_at, '%Y-%m') as month, count(*) as faults,
    sum(case when last_returned_at >= started_at then date_diff('microsecond', started_at, last_returned_at) end)::bigint as us
from marts.faults where counts_as = 'fault' and started_at < $end and (open_until is null or $end <= open_until) and {of}
group by 1
"""
VISITS = "select strftime(received_at, '%Y-%m'), 'visits', count(*) from core.visits where received_at < $end and {of} group by 1"


def _figures_sql(kind: str) -> str:
    """SQL of month, figure and value, of the reports of one kind. `$name` is what the report is about."""
    of = {"fleet": "fleet = $name", "shop": "shop = $name", "terminal": "terminal = $name"}.get(kind, "true")
    faults = f"({FAULTS.format(of=of)})"
    parts = [
        f"select month, 'faults', faults from {faults}",
        f"select month, 'hours stopped', round(us / 3.6e9, 1) from {faults} where us > 0",
    ]
    if kind == "shop":
        parts.insert(0, VISITS.format(of=of))
    else:
        spell = SPELL.format(at="x.refused_at") if kind == "fleet" else ""
        parts.insert(0, f"{REFUSALS} {spell} where x.refused_at < $end and {of} group by 1")
    return " union all ".join(parts)


@once
def _loads(con: Connection, kind: str, end: date) -> dict[str | None, list[tuple[str, float]]]:
    """Loads by month of everyone that a report of that kind can be about; of shops none."""
    if kind == "shop":
        return {}
    whose = kind if kind in ("fleet", "terminal") else "null"
    by_day = ("loaded_on", "core.load_days", SPELL.format(at="x.loaded_on"))
    day, log, spell = by_day if kind == "fleet" else ("month", "marts.loads_by_lane_month", "")
    found: dict[str | None, list[tuple[str, float]]] = {}
    for name, month, loads in rows(
        con, LOADS.format(whose=whose, day=day, log=log, spell=spell), {"end": end}
    ):
        found.setdefault(name, []).append((month, loads))
    return found


def figures(con: Connection, kind: str, name: str | None, end: date) -> Months:
    """The figures by month of a report of that kind about `name`, whose window ends before `end`."""
    sql = _figures_sql(kind)
    values = {"end": end} | ({"name": name} if "$name" in sql else {})
    found: dict[str, dict[str, float]] = {}
    for month, loads in _loads(con, kind, end).get(name, ()):
        found.setdefault(month, {})["loads"] = loads
    for month, figure, value in rows(con, f"select * from ({sql}) order by 1, 2", values):
        found.setdefault(month, {})[figure] = float(value)
    return found


@dataclass(frozen=True)
class Change:
    """One figure of one month: what the report said, and what it would say now."""

    month: str
    figure: str
    was: float
    now: float


@dataclass(frozen=True)
class Since:
    """What changed since an earlier report (None: there is none); `last_month` is its last."""

    report: Report | None
    changes: tuple[Change, ...]

    @property
    def last_month(self) -> str | None:
        """The last month of the earlier report."""
        if self.report is None:
            return None
        last = date.fromordinal(self.report.end.toordinal() - 1)
        return f"{last:%Y-%m}"


def since(con: Connection, kind: str, name: str | None, window: Window) -> Since:
    """The last report of the same kind and name that knew less than is known now, held against the same figures now."""
    ingest = last_ingest(con)
    before = last_before(con, kind, name, ingest or 0, window.end)
    if before is None:
        return Since(None, ())
    now = figures(con, kind, name, before.end)
    changes = []
    for month in sorted(before.months.keys() | now.keys()):
        was, are = before.months.get(month, {}), now.get(month, {})
        for figure in sorted(was.keys() | are.keys()):
            if was.get(figure, 0.0) != are.get(figure, 0.0):
                changes.append(Change(month, figure, was.get(figure, 0.0), are.get(figure, 0.0)))
    return Since(before, tuple(changes))


def report_of(con: Connection, kind: str, name: str | None, window: Window, headline: str) -> Report:
    """What is to be written down of a report."""
    ingest = last_ingest(con)
    return Report(
        ingest or 0,
        kind,
        name,
        window.first,
        window.end,
        headline,
        figures(con, kind, name, window.end),
    )
