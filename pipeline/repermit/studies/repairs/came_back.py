"""Which repairs came back, one by one: for whoever wants to look at the trailer, not at a share.

Marts in, `CameBack` out. May import its neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

from repermit.studies.repairs.repaired import Repairs

if TYPE_CHECKING:
    from repermit.studies.repairs.repaired import IntArray


@dataclass(frozen=True)
class CameBack:
    """A repair and the next fault of its trailer, `days` after its return: at its place, or (`sure` is false) at a
    place that is not recorded and may be the same.

    `cause`: what was found then; None: not recorded, or not repaired yet.
    """

    trailer_id: str
    returned_on: date
    action: str | None
    position: int
    back_on: date
    days: int
    cause: str | None
    sure: bool


def came_back(repairs: Repairs, mine: IntArray, since: date, within: int = 90) -> tuple[CameBack, ...]:
    """Of the repairs `mine` those that came back on or after `since`, within so many days of their return, newest first."""
    import polars as pl

    back = mine[
        repairs.placed[mine] & (repairs.same[mine] | repairs.unknown[mine]) & (repairs.days[mine] <= within)
    ]
    found = repairs.frame[back].with_columns(sure=pl.Series(repairs.same[back], dtype=pl.Boolean))
    found = found.filter(pl.col("next_at") >= since).sort(["next_at", "trailer_id"], descending=[True, False])
    return tuple(
        CameBack(
            row["trailer_id"],
            row["returned_at"].date(),
            row["action"],
            row["position"],
            row["next_at"].date(),
            (row["next_at"] - row["returned_at"]) // timedelta(days=1),
            row["next_cause"],
            row["sure"],
        )
        for row in found.iter_rows(named=True)
    )
