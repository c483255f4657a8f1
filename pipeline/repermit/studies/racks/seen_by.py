"""Who met a lane's refusals that cleared without a repair, what they held up, and what reason the rack gave.

Marts in, `SeenBy` by lane out. May import `warehouse` and its neighbour `terminal_counts`.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

from repermit.studies.racks.terminal_counts import Lane
from repermit.studies.selection import Selection, of_own
from repermit.warehouse import Connection


@dataclass(frozen=True)
class SeenBy:
    """Of a lane's episodes that cleared without a repair: how many, of how many trailers and fleets, and of one at most.

    `hours` that lanes stood over the `timed` ones among them; None where no delay is on record.
    """

    times: int
    trailers: int
    fleets: int
    most_of_one: int
    hours: float | None
    timed: int


SEEN = """
with cleared as (
    select e.terminal, e.lane, e.trailer_id, t.fleet, e.delay_min,
        count(*) over (partition by e.terminal, e.lane, e.trailer_id) as of_one
    from marts.episodes e
    left join staging.trailers t on t.trailer_id = e.trailer_id and e.started_at >= t.service_from
        and (t.service_until is null or e.started_at < t.service_until)
    where e.outcome like 'cleared%' and e.started_at >= $first and e.started_at < $end
)
select terminal, lane, count(*) as times, count(distinct trailer_id) as trailers, count(distinct fleet) as fleets,
    max(of_one) as most_of_one, sum(delay_min)::double / 60 as hours, count(delay_min) as timed
from cleared group by terminal, lane
"""

REASONS = """
select terminal, lane, reason, count(*) as n from staging.refusals
where equipment and refused_at >= $first and refused_at < $end
group by terminal, lane, reason order by terminal, lane, n desc, reason
"""


def seen_by(con: Connection, selection: Selection) -> dict[Lane, SeenBy]:
    """By lane of the selection's terminal; one without such episodes is not there."""
    return {row.pop("lane"): SeenBy(**row) for row in of_own(con, SEEN, selection, "terminal")}


def reasons(con: Connection, selection: Selection) -> dict[Lane, tuple[tuple[str, int], ...]]:
    """By lane of the selection's terminal, the reasons of its refusals for equipment, the most frequent first."""
    found: dict[Lane, list[tuple[str, int]]] = defaultdict(list)
    for row in of_own(con, REASONS, selection, "terminal"):
        found[row["lane"]].append((row["reason"], row["n"]))
    return {lane: tuple(told) for lane, told in found.items()}
