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
select {whose}, strftime(day, '%Y-%m'), 'loads', sum(loads)::double
from (select {whose}, {day} as day, sum(loads) as loads from {log} x {spell} where {day} < $end group by all)
group by all
"""
"""Of a fleet by day, as a trailer may be sold within a month; of others the sums by month, which reports are of."""
REFUSALS = "select {whose}, strftime(refused_at, '%Y-%m'), 'refusals', count(*) from staging.refusals x {spell} where x.refused_at < $end group by all"
FAULTS = """
select {whose} as whose, strftime(started_at, '%Y-%m') as month, count(*) as faults,
    sum(case when last_returned_at >= started_at then date_diff('microsecond', started_at, last_returned_at) end)::bigint as us
from marts.faults where counts_as = 'fault' and started_at < $end and (open_until is null or $end <= open_until)
group by all
"""
VISITS = "select shop, strftime(received_at, '%Y-%m'), 'visits', count(*) from core.visits where received_at < $end group by all"


def _figures_sql(kind: str) -> str:
    """SQL of whose, month, figure and value, of everyone that a report of the kind can be about. Of shops no loads."""
    whose = kind if kind in ("fleet", "shop", "terminal") else "null::varchar"
    faults = f"({FAULTS.format(whose=whose)})"
    parts = [
        f"select whose, month, 'faults', faults from {faults}",
        f"select whose, month, 'hours stopped', round(us / 3.6e9, 1) from {faults} where us > 0",
    ]
    if kind == "shop":
        return " union all ".join([*parts, VISITS])
    spell = SPELL if kind == "fleet" else ""
    day, log = ("loaded_on", "core.load_days") if kind == "fleet" else ("month", "marts.loads_by_lane_month")
    parts += [
        LOADS.format(whose=whose, day=day, log=log, spell=spell.format(at=f"x.{day}")),
        REFUSALS.format(whose=whose, spell=spell.format(at="x.refused_at")),
    ]
    return " union all ".join(parts)


@once
def _figures(con: Connection, kind: str, end: date) -> dict[str | None, Months]:
    found: dict[str | None, dict[str, dict[str, float]]] = {}
    sql = f"select * from ({_figures_sql(kind)}) order by 1, 2, 3"
    for name, month, figure, value in rows(con, sql, {"end": end}):
        found.setdefault(name, {}).setdefault(month, {})[figure] = float(value)
    return dict(found)


def figures(con: Connection, kind: str, name: str | None, end: date) -> Months:
    """The figures by month of a report of that kind about `name`, whose window ends before `end`."""
    return _figures(con, kind, end).get(name, {})


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
