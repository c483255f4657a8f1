"""Which lanes have refusals of their own: the tests of every lane against others, on counts by lane, trailer and month.

May import `statistics`. Numbers in, numbers out; `lanes` asks the store. A trailer's events of a month fall on
lanes in the share of its planned loads there, if lanes are alike: bad trailers and bad months cancel out.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from repermit.statistics.strata import Held, Start

    Whole = NDArray[np.int64]
    Numbers = NDArray[np.float64]

Kind = Literal["elsewhere", "cleared", "here"]
FALSE_SHARE = 0.05
"""Of the lanes flagged, a share of so much at most is expected to be ordinary (Benjamini-Hochberg)."""


@dataclass(frozen=True)
class Cells:
    """One entry a lane, trailer and month; codes from 0 up.

    `stratum`: the trailer and month together. `loads`: planned loads, those refused there among them. `elsewhere`, `cleared`:
    episodes that began at the lane and cleared on another lane; that cleared at all. `terminal` is by lane.
    """

    lane: Whole
    stratum: Whole
    trailer: Whole
    month: Whole
    loads: Numbers
    elsewhere: Numbers
    cleared: Numbers
    terminal: Whole

    @cached_property
    def by_lane(self) -> list[Whole]:
        """The entries of each lane."""
        import numpy as np

        order = np.argsort(self.lane, kind="stable")
        return np.split(order, np.searchsorted(self.lane[order], np.arange(1, self.terminal.size)))

    def without(self, trailer: int) -> Cells:
        """The same without one trailer."""
        from dataclasses import replace

        kept = self.trailer != trailer
        names = ("lane", "stratum", "trailer", "month", "loads", "elsewhere", "cleared")
        return replace(self, **{name: getattr(self, name)[kept] for name in names})

    def counts(self, kind: Kind) -> Numbers:
        """Events of a kind: here = cleared but not elsewhere."""
        return self.cleared - self.elsewhere if kind == "here" else getattr(self, kind)

    def events(self, lane: int, kind: Kind, since: int) -> int:
        """Events of a kind at a lane, of the months from `since` on."""
        at = self.by_lane[lane]
        return int(self.counts(kind)[at[self.month[at] >= since]].sum())


@dataclass(frozen=True)
class Judged:
    """One lane: p of both tests together, q among all lanes, and the lanes that it is held against.

    `told_by`: the test with the smaller p. `one_trailer`: q is small, but by the refusals of one trailer alone, so it is
    not flagged. p and q are None where nothing can be compared.
    """

    lane: int
    p: float | None
    q: float | None
    flagged: bool
    one_trailer: bool
    told_by: Kind
    others: tuple[int, ...]


def judge(cells: Cells, since_month: int = 0) -> list[Judged]:
    """Test every lane for what cleared elsewhere and for all that cleared, on months from `since_month` on.

    Others are the terminal's lanes that are not flagged; where none remain, those of the network. Lanes flagged are
    dropped from the others of all and the tests repeated until no more are. An excess that goes when one trailer is
    left out flags no lane. p = twice the smaller of the two, q is
    among all lanes that can be compared.
    """
    import numpy as np

    from repermit.statistics.multiple import benjamini_hochberg

    flagged: set[int] = set()
    alone: set[int] = set()
    while True:
        found = [
            _tested(cells, lane, others_of(cells, lane, flagged), since_month)
            for lane in range(cells.terminal.size)
        ]
        q = benjamini_hochberg([np.nan if p is None else p for p, *_ in found])
        small = set(np.flatnonzero(q <= FALSE_SHARE).tolist()) - flagged
        alone = {lane for lane in small if _one_trailer(cells, lane, found[lane][2], since_month)}
        if small == alone:
            return [
                Judged(
                    lane,
                    p,
                    None if np.isnan(q[lane]) else float(q[lane]),
                    lane in flagged,
                    lane in alone,
                    told_by,
                    others,
                )
                for lane, (p, told_by, others) in enumerate(found)
            ]
        flagged |= small - alone


def _one_trailer(cells: Cells, lane: int, others: tuple[int, ...], since: int) -> bool:
    """Whether a lane's excess goes when the trailer refused there most is left out."""
    import numpy as np

    mine = (cells.lane == lane) & (cells.month >= since)
    most = int(np.argmax(np.bincount(cells.trailer[mine], weights=cells.cleared[mine])))
    rest = cells.without(most)
    p, *_ = _tested(rest, lane, others, since)
    return p is None or p > FALSE_SHARE


def others_of(cells: Cells, lane: int, flagged: set[int]) -> tuple[int, ...]:
    """The lanes that one is held against."""
    ordinary = [other for other in range(cells.terminal.size) if other != lane and other not in flagged]
    near = [other for other in ordinary if cells.terminal[other] == cells.terminal[lane]]
    return tuple(near or ordinary)


def strata(
    cells: Cells, lane: int, others: tuple[int, ...], kind: Kind, months: tuple[int, int] | None = None
) -> tuple[Any, ...]:
    """By trailer and month of a lane: its events, all events, its share of the planned loads, the month."""
    import numpy as np

    by_lane = cells.by_lane
    mine, theirs = by_lane[lane], np.concatenate([by_lane[other] for other in others] or [by_lane[lane][:0]])
    mine = mine[cells.loads[mine] > 0]
    if months is not None:
        mine, theirs = (
            at[(cells.month[at] >= months[0]) & (cells.month[at] < months[1])] for at in (mine, theirs)
        )
    n = int(cells.stratum.max()) + 1 if cells.stratum.size else 0
    counts, at = cells.counts(kind), cells.stratum[mine]
    loads = np.bincount(cells.stratum[theirs], weights=cells.loads[theirs], minlength=n)[at].clip(0)
    events = np.bincount(
        cells.stratum[theirs], weights=np.where(cells.loads[theirs] > 0, counts[theirs], 0), minlength=n
    )[at]
    share = cells.loads[mine] / (cells.loads[mine] + loads)
    return counts[mine], counts[mine] + np.where(loads > 0, events, 0), share, cells.month[mine]


def held(
    cells: Cells,
    lane: int,
    others: tuple[int, ...],
    kind: Kind,
    level: float,
    months: tuple[int, int] | None = None,
) -> Held:
    """A lane's events of a kind against the others', with limits."""
    from repermit.statistics.strata import held_against

    x, y, share, _ = strata(cells, lane, others, kind, months)
    return held_against(float(x.sum()), y, share, level)


def start(cells: Cells, row: Judged) -> Start | None:
    """The month in which a lane's excess began, over all months of the cells."""
    from repermit.statistics.strata import likeliest_start

    return likeliest_start(*strata(cells, row.lane, row.others, row.told_by))


def _tested(
    cells: Cells, lane: int, others: tuple[int, ...], since: int
) -> tuple[float | None, Kind, tuple[int, ...]]:
    from repermit.statistics.strata import chance_of_more

    months = (since, int(cells.month.max()) + 1 if cells.month.size else 0)
    p: dict[Kind, float] = {}
    for kind in ("elsewhere", "cleared"):
        x, y, share, _ = strata(cells, lane, others, kind, months)
        chance = chance_of_more(float(x.sum()), y, share)
        if chance == chance:
            p[kind] = chance
    if not p:
        return None, "cleared", others
    told_by = min(p, key=lambda kind: p[kind])
    return min(1.0, 2 * p[told_by]), told_by, others
