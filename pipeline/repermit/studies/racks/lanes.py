"""Rack or trailer: which lanes refuse on their own account, how much, since when.

Marts in, `Lanes` out. May import `statistics`, `warehouse` and its neighbours. Episodes belong to the lane of their
first refusal. It speaks of a lane over months; of one refusal it gives a probability, never a verdict.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from repermit.studies.about import About, about
from repermit.studies.racks.cleared import ELSEWHERE, cleared_within
from repermit.studies.racks.lane_row import Chance, LaneRow, Since
from repermit.studies.racks.terminal_counts import in_order
from repermit.studies.selection import Selection, Window, covered
from repermit.warehouse import Connection, once, one, rows, settings_of
from repermit.wording import NAMED, whole

if TYPE_CHECKING:
    from repermit.statistics.strata import Held
    from repermit.studies.racks.rack_side import Cells, Judged, Kind

END = 10**6
"""A month after every record."""


@dataclass(frozen=True)
class Lanes:
    """Every lane of the selection, flagged ones first. `not_placed`: cleared episodes whose lane is not recorded."""

    about: About
    window: Window
    record: Window
    rows: tuple[LaneRow, ...]
    not_placed: int

    def of(self, terminal: str | None, lane: str | None) -> LaneRow | None:
        """The row of a lane."""
        return next((row for row in self.rows if (row.terminal, row.lane) == (terminal, lane)), None)

    def sentences(self) -> list[str]:
        """What stands out, in one sentence a lane; of many lanes the first, and how many more there are."""
        out = [row.sentence() for row in self.rows if row.flagged]
        if out:
            more = len(out) - NAMED
            return [
                *out[:NAMED],
                *([f"{whole(more)} more of {whole(len(self.rows))} lanes stand out."] if more > 0 else []),
            ]
        few = sum(row.verdict == "too_few" for row in self.rows)
        rest = f"; of {whole(few)} there are too few to tell" if few else ""
        return [f"No lane of {whole(len(self.rows))} stands out{rest}."]

    def sentence(self) -> str:
        """The same as one text."""
        return " ".join(self.sentences())


CELLS = f"""
with events as (
    select trailer_id, date_trunc('month', started_at)::date as month, terminal, lane,
        (landed <> 'same_lane')::integer as planned, ({ELSEWHERE})::integer as elsewhere, 1 as cleared
    from {{cleared}}
    union all
    select trailer_id, date_trunc('month', started_at)::date, to_terminal, to_lane, -1, 0, 0 from {{cleared}} where {ELSEWHERE}
), strata as (
    select trailer_id, month, dense_rank() over (order by trailer_id, month) as stratum, dense_rank() over (order by trailer_id) as trailer,
        date_diff('month', date_trunc('month', $first::date), month) as since
    from (select distinct trailer_id, month from events)
), counted as (
    select * from events union all
    select trailer_id, month, terminal, lane, loads, 0, 0 from {{loads}} where month >= date_trunc('month', $first::date) and month < $end
), named as (
    select terminal, lane, row_number() over (order by terminal, lane) - 1 as code from {{loads}}
    where month >= date_trunc('month', $first::date) and month < $end and terminal is not null and lane is not null
    group by terminal, lane having sum(loads) > 0
)
select n.code, s.stratum, s.trailer, s.since, c.planned::bigint as planned, c.elsewhere, c.cleared
from counted c join strata s using (trailer_id, month) join named n using (terminal, lane)
"""
"""In any order, and several rows a lane and stratum: numpy sorts and adds up numbers in a quarter of the engine's time."""
LANES = """
select terminal, lane, coalesce(sum(loads) filter (month >= $since), 0)::bigint from {loads}
where month >= date_trunc('month', $first::date) and month < $end and terminal is not null and lane is not null
group by terminal, lane having sum(loads) > 0
order by terminal, lane
"""
LANDED = f"select started_at, {ELSEWHERE} as elsewhere from {{cleared}} where terminal = $terminal and episode_id = $id"
NOT_PLACED = """
select count(*) from {cleared} where started_at >= $first and started_at < $end and ($terminal is null or terminal = $terminal)
    and (terminal is null or lane is null)
"""
BY_MONTH = "marts.loads_by_lane_month"
BY_DAY = """(select trailer_id, terminal, lane, date_trunc('month', loaded_on)::date as month, loads
    from staging.loads where loaded_on >= $first and loaded_on < $end)"""


@once
def lanes(con: Connection, store: str, selection: Selection, record: Window | None = None) -> Lanes:
    """Every lane against others in the selection's window, or those of its terminal.

    Since when is told from `record`, of whole months, that the window ends; by default it is the window.
    """
    window = selection.window
    record = record or window
    every = _every_lane(con, window, record)
    found = tuple(row for row in every if selection.terminal in (None, row.terminal))
    not_placed = NOT_PLACED.format(cleared=cleared_within(con, record.first, record.end))
    days = {"first": window.first, "end": window.end}
    nowhere = int(one(con, not_placed, days | {"terminal": selection.terminal}))
    return Lanes(about(con, store, selection), window, record, found, nowhere)


@once
def _every_lane(con: Connection, window: Window, record: Window) -> tuple[LaneRow, ...]:
    """The row of every lane, flagged ones first."""
    from repermit.studies.racks.rack_side import judge

    cells, named = _cells(con, window, record)
    since = (window.first.year - record.first.year) * 12 + window.first.month - record.first.month
    level = settings_of(con).level
    found = [_row(cells, judged, named, record, since, level) for judged in judge(cells, since)]
    found.sort(
        key=lambda r: (not r.flagged, 1.0 if r.q_value is None else r.q_value, r.terminal, in_order(r.lane))
    )
    return tuple(found)


def chance_of(
    con: Connection, store: str, episode_id: str, terminal: str | None, lane: str | None
) -> Chance | None:
    """The probability that an episode was its lane's own doing, from all days on record.

    None where it did not clear without a repair, or began before its lane's excess did, or its lane is in no comparison.
    """
    whole = covered(con)
    if whole is None or terminal is None or lane is None:
        return None
    sql = LANDED.format(cleared=cleared_within(con, whole.first, whole.end))
    landed = rows(con, sql, {"terminal": terminal, "id": episode_id})
    row = lanes(con, store, Selection(whole, terminal=terminal)).of(terminal, lane) if landed else None
    if row is None or (row.since and f"{landed[0][0]:%Y-%m}" < row.since.earliest):
        return None
    return row.elsewhere if landed[0][1] else row.here


def _cells(con: Connection, window: Window, record: Window) -> tuple[Cells, list[tuple[str, str, int]]]:
    """The counts of the record by lane, trailer and month, and the lanes with their loads in the window."""
    import numpy as np

    from repermit.studies.racks.rack_side import Cells

    loads = BY_MONTH if record.first.day == record.end.day == 1 else BY_DAY
    days = {"first": record.first, "end": record.end}
    named = rows(con, LANES.format(loads=loads), days | {"since": window.first.replace(day=1)})
    sql = CELLS.format(loads=loads, cleared=cleared_within(con, record.first, record.end))
    counted = {name: values.astype(np.int64) for name, values in con.execute(sql, days).fetchnumpy().items()}
    key = counted["code"] << 32 | counted["stratum"]
    order = np.argsort(key)
    first = np.flatnonzero(np.append(True, np.diff(key[order]) != 0)[: key.size])
    lane, stratum, trailer, month = (
        counted[name][order[first]] for name in ("code", "stratum", "trailer", "since")
    )
    planned, elsewhere, cleared = (
        np.add.reduceat(counted[name][order], first).astype(float)
        for name in ("planned", "elsewhere", "cleared")
    )
    terminals = sorted({terminal for terminal, *_ in named})
    terminal = np.array([terminals.index(name) for name, *_ in named], dtype=np.int64)
    return Cells(
        lane, stratum, trailer, month, np.maximum(planned, cleared), elsewhere, cleared, terminal
    ), named


def _row(
    cells: Cells, found: Judged, named: list[tuple[str, str, int]], record: Window, since: int, level: float
) -> LaneRow:
    """One lane in words of the trade. Limits of each of the two tests at half of 1 - level."""
    from repermit.studies.racks.rack_side import held

    terminal, lane, loads = named[found.lane]
    both, months = (1 + level) / 2, (since, END)
    tests: dict[Kind, Held] = {
        kind: held(cells, found.lane, found.others, kind, both, months) for kind in ("elsewhere", "cleared")
    }
    cleared, elsewhere = (cells.events(found.lane, kind, since) for kind in ("cleared", "elsewhere"))
    told, all_ = tests[found.told_by], tests["cleared"]
    least = max(_beyond(cleared, all_.low), _beyond(elsewhere, tests["elsewhere"].low))
    point = None if math.isnan(all_.ratio) else min(max(cleared - all_.expected, least), cleared)
    began = _since(cells, found, record) if found.flagged else None
    raised = (_month_number(record, began.month) if began else since, END)
    return LaneRow(
        terminal, lane, loads, cleared, elsewhere,
        point, None if point is None else least, cleared,
        _known(told.ratio), _known(told.low), _known(told.high), found.q, found.flagged, found.one_trailer,
        "cleared_other_lane" if found.told_by == "elsewhere" else "cleared_without_repair",
        _known(told.expected),
        tuple(named[other][1] if named[other][0] == terminal else " ".join(named[other][:2]) for other in found.others),
        all(named[other][0] == terminal for other in found.others),
        began,
        *(_chance(cells, found, kind, level, raised) for kind in ("elsewhere", "here")),
    )  # fmt: skip


def _beyond(count: int, ratio: float) -> float:
    """How many of a count go beyond those expected at that ratio."""
    return 0.0 if math.isnan(ratio) or ratio <= 1 else count * (1 - 1 / ratio)


def _chance(cells: Cells, found: Judged, kind: Kind, level: float, months: tuple[int, int]) -> Chance:
    from repermit.studies.racks.rack_side import held

    told = held(cells, found.lane, found.others, kind, level, months)
    n = cells.events(found.lane, kind, months[0])
    if not n or math.isnan(told.ratio):
        return Chance(n, _known(told.expected), None, None, None)
    return Chance(
        n, _known(told.expected), *(_beyond(1, ratio) for ratio in (told.ratio, told.low, told.high))
    )


def _since(cells: Cells, found: Judged, record: Window) -> Since | None:
    """Since when, or None where the months that fit nearly as well are more than half of those with events."""
    from repermit.studies.racks.rack_side import start

    began = start(cells, found)
    if began is None:
        return None
    first, last = int(cells.month.min()), int(cells.month.max())
    if began.earliest > first and began.latest - began.earliest > (last - first) / 2:
        return None
    best, earliest, latest = (
        _month_name(record, month) for month in (began.best, began.earliest, began.latest)
    )
    return Since(best, earliest, latest, began.best == first)


def _month_name(record: Window, number_of: int) -> str:
    year, month = divmod(record.first.year * 12 + record.first.month - 1 + number_of, 12)
    return f"{year:04d}-{month + 1:02d}"


def _month_number(record: Window, name: str) -> int:
    year, month = map(int, name.split("-"))
    return (year - record.first.year) * 12 + month - record.first.month


def _known(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
