"""What sharing out adds to a table of rates: how far the counts could move, and what would change their order.

Takes the tables of `sharing` and `rate_units`, gives `SharedOut`. May import `statistics`, `warehouse` and its
neighbours.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from repermit.studies.frequency.rate_units import EXPOSURE_KEYS, FINDING_KEYS, match
from repermit.studies.location.sharing import ASSUMPTION, Sharing
from repermit.warehouse import Connection, one, rows
from repermit.wording import number, seen, tally

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

FARTHEST = 1e4  # times; beyond it no difference is worth telling


@dataclass(frozen=True)
class Change:
    """By what factor the odds of a missing finding at a position must be off for the first place to change."""

    position: int
    times: float


@dataclass(frozen=True)
class SharedOut:
    """What was shared out for the rows of a table.

    `missing`: faults whose keys the finding does not give; of them `shared` were shared out. `first`: the position
    with the highest rate; `changes`: the least differences that would take its place from it, its own first; None where
    positions are not what the rows are of. `sentence`: all of it in words.
    """

    missing: int
    shared: int
    first: int | None
    changes: tuple[Change, ...]
    assumption: str
    sentence: str

    def as_dict(self) -> dict[str, Any]:
        """For JSON."""
        return {
            "missing": self.missing,
            "shared": self.shared,
            "first": self.first,
            "changes": [{"position": c.position, "times": c.times} for c in self.changes],
            "assumption": self.assumption,
            "sentence": self.sentence,
        }


@dataclass(frozen=True)
class SharedCounts:
    """Which pairs of `sharing` make up which cell of the table, and how many faults each stands for."""

    sharing: Sharing
    cell: NDArray[np.int64]
    pair: NDArray[np.int64]
    n: NDArray[np.float64]
    size: int
    by_trailer: bool

    def between(
        self,
        events: NDArray[np.float64],
        exposure: NDArray[np.float64],
        cell: NDArray[np.int64],
        trailer: NDArray[np.int64],
    ) -> NDArray[np.float64] | None:
        """The variance of each cell's count over trailers: their scatter, and what estimating the shares adds.

        The second part is by resampling trailers: the variance of the count with shares estimated anew, less that with
        the shares as they are, which the scatter has already. None where nothing was shared out, or by trailer.
        """
        import numpy as np
        from scipy import sparse

        from repermit.statistics.rates import scatter

        if self.by_trailer or not self.n.any():
            return None
        y, e = (np.bincount(cell, weights=v, minlength=self.size) for v in (events, exposure))
        rate = np.divide(y, e, out=np.zeros(self.size), where=e > 0)
        shape = (self.size, self.sharing.trailers)
        residual = sparse.csr_matrix((events - rate[cell] * exposure, (cell, trailer)), shape=shape)
        shares = sparse.csr_matrix(
            (self.n, (self.cell, self.pair)), shape=(self.size, len(self.sharing.share))
        )
        moves = [(residual @ drawn, shares @ moved) for drawn, moved in self.sharing.again]
        as_they_are, moved = (np.array(part) for part in zip(*moves, strict=True))
        added = (as_they_are + moved).var(axis=0, ddof=1) - as_they_are.var(axis=0, ddof=1)
        units = np.bincount(cell[exposure > 0], minlength=self.size)
        added *= units / np.maximum(units - 1, 1)
        between = scatter(events, exposure, cell, self.size) + added
        return np.asarray(np.maximum(between, 0.0), dtype=np.float64)


def shared_counts(con: Connection, s: Sharing, by: tuple[str, ...], size: int) -> SharedCounts:
    """Join the pairs to the cells of `rate_cells`."""
    import numpy as np

    findings = [key for key in by if key in FINDING_KEYS]
    exposures = [key for key in by if key in EXPOSURE_KEYS]
    found = con.execute(
        f"""select c.cell, s.pair, sum(f.n)::bigint as n
        from rate_cells c join rate_counted f on {match(exposures, "c", "f")}
        join shared_cells s on s.pattern = f.pattern and {match(findings, "c", "s")}
        where s.pair is not null group by all order by all"""
    ).fetchnumpy()
    cell, pair, n = (np.asarray(found[k]).astype(np.int64) for k in ("cell", "pair", "n"))
    used = s.shared[s.pair_pattern[pair]]
    return SharedCounts(s, cell[used], pair[used], n[used].astype(np.float64), size, "trailer" in by)


def shared_out(con: Connection, counts: SharedCounts, by: tuple[str, ...], table: Sequence[Any]) -> SharedOut:
    """What was shared out, in numbers and in words; `table` are the rows."""
    import numpy as np

    missing = int(
        one(con, "select coalesce(sum(n), 0) from rate_counted join (select distinct pattern, recorded"
            " from rate_findings) using (pattern) where not recorded")
    )  # fmt: skip
    kinds = "select distinct pattern, recorded from rate_findings"
    shared = int(
        one(con, f"select coalesce(sum(n), 0) from rate_counted join ({kinds}) using (pattern)"
            " join shared_kinds using (pattern) where not recorded and shared")
    )  # fmt: skip
    first: int | None = None
    changes: tuple[Change, ...] = ()
    if by == ("position",) and shared:
        of_cell = dict(rows(con, "select cell, position from rate_cells where position is not null"))
        position = np.array([of_cell[c] for c in counts.cell.tolist()], dtype=np.int64)
        by_load = any(r.loads is not None for r in table)
        now = {r.keys["position"]: (r.faults, (r.loads if by_load else r.days) or 0) for r in table}
        first, changes = what_turns_the_order(counts, position, now)
    return SharedOut(missing, shared, first, changes, ASSUMPTION, _in_words(missing, shared, first, changes))


def what_turns_the_order(
    counts: SharedCounts, position: NDArray[np.int64], now: dict[int | None, tuple[float, float]]
) -> tuple[int | None, tuple[Change, ...]]:
    """The position with the highest rate, and the smallest factors that would put another in its place.

    `position` of each pair of `counts`; `now`: faults, shared out, and exposure by position.
    """
    import numpy as np

    top = max((p for p in now if p is not None), default=0)
    faults, e = np.array([now.get(p, (0.0, 0.0)) for p in range(top + 1)], dtype=float).T
    pattern, share = counts.sharing.pair_pattern[counts.pair], counts.sharing.share[counts.pair]
    at = np.zeros((len(counts.sharing.counts), top + 1))
    np.add.at(at, (pattern, position), share)
    n = np.zeros(len(at))
    n[pattern] = counts.n
    at, n = at[n > 0], n[n > 0]
    fixed = faults - n @ at
    chain = [p for p in range(1, top + 1) if e[p] > 0]
    if len(chain) < 2:
        return None, ()

    def rate(odds: float, moved: int) -> NDArray[np.float64]:
        weight = at.copy()
        weight[:, moved] *= odds
        total = weight.sum(axis=1, keepdims=True)
        new = fixed + n @ np.divide(weight, total, out=np.zeros_like(weight), where=total > 0)
        return np.asarray(np.divide(new, e, out=np.zeros_like(new), where=e > 0), dtype=np.float64)

    rates = rate(1.0, 0)
    first = max(chain, key=lambda p: rates[p])
    rest = [p for p in chain if p != first]

    def turned(odds: float, moved: int) -> bool:
        new = rate(odds, moved)
        return bool(max(new[p] for p in rest) > new[first])

    found = {p: x for p in (first, *rest) if (x := _least(turned, p, p == first)) is not None}
    nearest = min((p for p in rest if p in found), key=lambda p: found[p], default=first)
    return first, tuple(Change(p, found[p]) for p in dict.fromkeys((first, nearest)) if p in found)


def _least(turned: Any, moved: int, down: bool) -> float | None:
    """The least factor, up or down, at which the order turns; None where none does. By halving on its logarithm."""
    low, high = 1.0, FARTHEST
    if not turned(1 / high if down else high, moved):
        return None
    while high / low > 1.001:
        middle = (low * high) ** 0.5
        if turned(1 / middle if down else middle, moved):
            high = middle
        else:
            low = middle
    return high


def _in_words(missing: int, shared: int, first: int | None, changes: tuple[Change, ...]) -> str:
    if not missing:
        return "Every finding asked for is recorded; nothing was shared out."
    text = f"Of {seen(missing, 'fault')} whose finding is not recorded, {tally(shared)} were shared out"
    text += "; for the rest there is too little to go by." if shared < missing else "."
    if first is None:
        return text
    if not changes:
        return text + f" However those are really spread, position {first} has the highest rate."
    how = [
        f"at position {c.position} at odds {number(c.times, 2)} times {'lower' if c.position == first else 'higher'}"
        for c in changes
    ]
    return f"{text} Position {first} has the highest rate unless those really were {', or '.join(how)}, than the recorded ones suggest."
