"""Shops and terminals whose clock seems wrong: repairs that systematically precede the refusal that they name.

Marts and the quarantine in, `ClockError` out. May import `statistics`, `warehouse`.
"""

from __future__ import annotations

from dataclasses import dataclass

from repermit.warehouse import Connection, once, rows
from repermit.wording import whole

PAIRS = """
with named as (
    select refusal_id, trailer_id, terminal, refused_at from current.refusals where refused_at_until = refused_at
), accepted as (
    select repair_id, refusal_id, trailer_id, shop, received_at from core.visits where received_latest = received_at
), set_aside as (
    select distinct repair_id, refusal_id, trailer_id, shop, timezone('UTC', try_cast(received_at as timestamptz)) as received_at
    from waiting.repairs where left_by is null and list_contains(reasons, 'received_after_refusal') and length(received_at) > 10
)
select v.shop, r.terminal, date_diff('second', r.refused_at, v.received_at) / 3600.0 as gap_h
from (from accepted union all from set_aside) v join named r on r.refusal_id = v.refusal_id and r.trailer_id = v.trailer_id
where v.received_at is not null
"""
EARLY = f"""
select count(*) filter (where gap_h < 0), count(*) from ({PAIRS}) group by grouping sets ((shop), (terminal))
"""


@dataclass(frozen=True)
class ClockError:
    """One shop (its times too early) or terminal (its times too late): by how many hours, and what a shift would mend.

    Of `pairs` repairs that name a refusal, both with their time of day, `early` came before it.
    """

    place: str
    name: str
    hours: int
    at_least: bool
    pairs: int
    early: int
    mended: int

    @property
    def sentence(self) -> str:
        """What is seen, and what to do, in words."""
        size = f"{'at least ' if self.at_least else 'about '}{self.hours} {'hour' if self.hours == 1 else 'hours'}"
        side = "behind" if self.place == "shop" else "ahead"
        whose = "its repairs" if self.place == "shop" else "the repairs of its refusals"
        return (
            f"The clock of {self.place} {self.name} seems {size} {side}: {whole(self.early)} of {whole(self.pairs)} of {whose}"
            f" were received before the refusal that they name, more than slips of the hand explain; a shift by"
            f" {self.hours} h would mend {whole(self.mended)} of them. Check the zone or offset of its times, and give it in"
            " the mapping file."
        )


@once
def clock_errors(con: Connection) -> tuple[ClockError, ...]:
    """The shops and terminals whose clocks seem wrong, the clearest first; each is left out before the next is sought."""
    from repermit.statistics.clock_shift import can_show, clock_shift

    if not any(can_show(early, pairs) for early, pairs in rows(con, EARLY)):
        return ()
    import numpy as np

    pairs = rows(con, f"{PAIRS} order by v.repair_id, v.shop")
    found: list[ClockError] = []
    while len(found) < 20:
        seen = []
        for index, place in enumerate(("shop", "terminal")):
            for name in sorted({p[index] for p in pairs if p[index] is not None}):
                mine = np.array([p[2] for p in pairs if p[index] == name], dtype=float)
                others = np.array([p[2] for p in pairs if p[index] != name], dtype=float)
                if (s := clock_shift(mine, others)) is not None:
                    error = ClockError(place, name, s.hours, s.at_least, s.pairs, s.early, s.mended)
                    seen.append((s.p_value, place, name, index, error))
        if not seen:
            break
        _, _, name, index, error = min(seen)
        found.append(error)
        pairs = [p for p in pairs if p[index] != name]
    return tuple(found)
