"""Faults whose finding is not recorded whole, shared out over the cells that may be behind them.

Marts in, `Sharing` out, and the temporary tables `shared_faults` (episode_id, trailer_id, pattern) and `shared_cells`
(a row a pattern and cell: billionths of a fault there, 0 where the rules allow it and no more) for other queries of the
connection. May import `statistics`, `warehouse` and its neighbours. Estimated on the whole window, whatever the
filters of the question. Visits in which nothing was found stay what they are, and nothing is shared out to them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

from repermit.studies.location.chain import Cell
from repermit.studies.location.masking import Masking, Pattern, masking
from repermit.studies.selection import Window
from repermit.warehouse import Connection, bring, once, one, rows

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from repermit.statistics.masked import Fitted, Ways

WHOLE = 1_000_000_000
"""Shares are whole billionths of a fault, so that sums are exact in any order and rows add up."""
REPLICATES = 100
STEPS_AGAIN = 5  # of the algorithm on a resampled count, from the point estimate
ASSUMPTION = (
    "A finding that is not recorded is taken to be like those recorded of faults of the same system, length, indication,"
    " shop and action, among what the chain rules allow; visits in which nothing was found are recorded as such."
)

PATTERN = (
    "t.system, t.supply_entry, t.positions, case when e.reason in ('overfill', 'ground') then e.reason end as reason,"
    " case when e.indication in ('position', 'not_recorded') then null else e.indication end as indication,"
    " e.indicated_position, case when f.action <> 'none' then f.action end as action, f.shop, f.position, f.place, f.cause"
)
COLUMNS = ", ".join(Pattern.__dataclass_fields__)
FAULTS = f"""
select episode_id, trailer_id, dense_rank() over (order by {COLUMNS}) - 1 as pattern, {COLUMNS}
from (
    select f.episode_id, f.trailer_id, {PATTERN}
    from marts.faults f join marts.episodes e using (episode_id)
    left join staging.trailers t on t.trailer_id = f.trailer_id and t.service_from = f.service_from
    where f.counts_as = 'fault' and f.started_at >= $first and f.started_at < $end
        and (f.open_until is null or $end <= f.open_until)
)
"""
BY_PATTERN = f"select {COLUMNS}, count(*) from {{faults}} group by pattern, {COLUMNS} order by pattern"


@dataclass(frozen=True)
class Sharing:
    """The estimate, and what resampling it needs.

    Pairs are patterns of missing findings with their cells: `pair_pattern`, `pair_cell` and `share` describe them. `shared`
    (patterns): whether they are shared out; `counts` (patterns): how many faults there are of each. `trailer`, `pattern`, `count`: how often each trailer shows each pattern; trailers are
    numbered in the order of their ids among `trailers`.
    """

    masking: Masking
    fitted: Fitted
    shared: NDArray[np.bool_]
    pairs: Pairs
    pair_pattern: NDArray[np.int64]
    pair_cell: NDArray[np.int64]
    share: NDArray[np.float64]
    counts: NDArray[np.float64]
    trailer: NDArray[np.int64]
    pattern: NDArray[np.int64]
    count: NDArray[np.float64]
    trailers: int

    @cached_property
    def again(self) -> tuple[tuple[NDArray[np.float64], NDArray[np.float64]], ...]:
        """For each resample of trailers: how often each is drawn, and by how much the shares of the pairs move."""
        import numpy as np
        from scipy import sparse

        from repermit.statistics.masked import fit

        draws = np.random.default_rng(20260101)
        resolved = self.masking.resolved
        known = self.masking.ways.of(resolved)
        shape = (len(resolved), self.trailers)
        seen = sparse.csr_matrix((self.count, (self.pattern, self.trailer)), shape=shape)[resolved]
        found = []
        for _ in range(REPLICATES):
            drawn = draws.poisson(1.0, self.trailers).astype(np.float64)
            fitted = fit(known, np.asarray(seen @ drawn), start=self.fitted, steps=STEPS_AGAIN)
            found.append((drawn, self.pairs.shares(fitted) - self.share))
        return tuple(found)


@dataclass(frozen=True)
class Pairs:
    """The ways of the patterns that are shared out, and the pair that each belongs to. `certain`: the only way."""

    ways: Ways
    pair: NDArray[np.int64]
    certain: NDArray[np.int64]
    size: int

    def shares(self, fitted: Fitted) -> NDArray[np.float64]:
        """The share of each pair; of patterns that are not shared out, 0."""
        import numpy as np

        from repermit.statistics.masked import posterior

        sums = np.bincount(self.pair, weights=posterior(self.ways, fitted), minlength=self.size).astype(float)
        sums[self.certain] = 1.0
        return np.asarray(sums, dtype=np.float64)


def share_out(
    patterns: list[Pattern],
    counts: NDArray[np.float64],
    trailer: NDArray[np.int64],
    pattern: NDArray[np.int64],
    count: NDArray[np.float64],
    trailers: int,
) -> Sharing:
    """The most likely shares. Rates and probabilities come from the faults whose finding is recorded whole."""
    import numpy as np

    from repermit.statistics.masked import fit, posterior

    m = masking(patterns, counts)
    fitted = fit(m.ways.of(m.resolved), counts[m.resolved], steps=300, within=1e-6)
    possible = np.bincount(m.ways.pattern, weights=posterior(m.ways, fitted), minlength=len(patterns)) > 0
    only_one = np.bincount(m.ways.pattern, minlength=len(patterns)) == 1
    shared = m.missing & (only_one | (possible & ~m.too_few))
    mine, chosen = m.missing[m.ways.pattern], shared[m.ways.pattern]
    keys, of = np.unique((m.ways.pattern * (len(m.cells) + 1) + m.cell)[mine], return_inverse=True)
    pair_of = np.full(len(mine), -1, dtype=np.int64)
    pair_of[mine] = of
    certain = pair_of[chosen & only_one[m.ways.pattern]]
    pairs = Pairs(m.ways.of(shared), pair_of[chosen], certain, len(keys))
    return Sharing(
        m, fitted, shared, pairs, keys // (len(m.cells) + 1), keys % (len(m.cells) + 1), pairs.shares(fitted),
        counts, trailer, pattern, count, trailers,
    )  # fmt: skip


def share(con: Connection, window: Window) -> Sharing:
    """Share out the faults of a window, and leave the two temporary tables behind."""
    import numpy as np

    days = {"first": window.first, "end": window.end}
    con.execute(f"create or replace temp table shared_faults as {FAULTS}", days)
    patterns, counts = _patterns(rows(con, BY_PATTERN.format(faults="shared_faults")))
    trailers = "(select trailer_id, row_number() over (order by trailer_id) - 1 as number from (select distinct trailer_id from staging.trailers))"
    seen = con.execute(
        f"select number, pattern, count(*) as n from shared_faults join {trailers} using (trailer_id) group by all order by all"
    ).fetchnumpy()
    number, pattern, count = (np.asarray(seen[k]) for k in ("number", "pattern", "n"))
    n_trailers = int(one(con, f"select count(*) from {trailers}"))
    s = share_out(patterns, counts, number, pattern, count.astype(np.float64), n_trailers)
    _tables(con, s)
    return s


@once
def likely_cells(
    con: Connection, window: Window, asked: tuple[Pattern, ...]
) -> list[list[tuple[Cell, float]] | None]:
    """The cells that may be behind faults of which only the pattern is known, with probabilities that add up to 1.

    None where the findings of the window are too few to say, or where the rules allow nothing.
    """
    import numpy as np

    patterns, counts = _seen(con, window)
    nobody = np.zeros(0, dtype=np.int64)
    every = np.append(counts, np.zeros(len(asked)))
    s = share_out([*patterns, *asked], every, nobody, nobody, nobody.astype(np.float64), 0)
    found: list[list[tuple[Cell, float]] | None] = []
    for pattern in range(len(patterns), len(patterns) + len(asked)):
        mine = np.flatnonzero(s.pair_pattern == pattern)
        cells = [(s.masking.cells[s.pair_cell[i]], float(s.share[i])) for i in mine]
        found.append(cells if s.shared[pattern] else None)
    return found


@once
def _seen(con: Connection, window: Window) -> tuple[list[Pattern], NDArray[np.float64]]:
    """The patterns of a window's faults, and how many faults show each."""
    days = {"first": window.first, "end": window.end}
    return _patterns(rows(con, BY_PATTERN.format(faults=f"({FAULTS})"), days))


def _patterns(found: list[tuple[Any, ...]]) -> tuple[list[Pattern], NDArray[np.float64]]:
    import numpy as np

    return [Pattern(*row[:-1]) for row in found], np.array([row[-1] for row in found], dtype=np.float64)


def billionths(pattern: NDArray[np.int64], share: NDArray[np.float64]) -> NDArray[np.int64]:
    """Shares as whole billionths that add up to a whole in each pattern (sorted) with any; the largest takes the rest."""
    import numpy as np

    parts = np.floor(share * WHOLE).astype(np.int64)
    order = np.lexsort((-share, pattern))
    first = order[np.unique(pattern[order], return_index=True)[1]]
    sums = np.bincount(pattern, weights=parts, minlength=int(pattern.max(initial=-1)) + 1)
    some = sums[pattern[first]] > 0
    parts[first[some]] += (WHOLE - sums[pattern[first[some]]]).astype(np.int64)
    return parts


def _tables(con: Connection, s: Sharing) -> None:
    """`shared_cells`: what is recorded as it stands, what is shared out by its cells, what can't be as it stands."""
    import numpy as np

    cells = s.masking.cells
    bring(
        con,
        "shared_pairs",
        {"pair": np.arange(len(s.share)), "pattern": s.pair_pattern, "cell": s.pair_cell}
        | {"billionths": billionths(s.pair_pattern, s.share)},
    )
    bring(con, "shared_kinds", {"pattern": np.arange(len(s.shared)), "shared": s.shared})
    bring(
        con,
        "shared_names",
        {"cell": np.arange(len(cells)), "position": np.array([c[0] for c in cells], dtype=np.int32)}
        | {"place": [c[1] for c in cells], "cause": [c[2] for c in cells]},
    )
    con.execute(
        """create or replace temp table shared_cells as
        select pair, pattern, position, place, cause, billionths from shared_pairs join shared_names using (cell)
        union all
        select distinct null, pattern, position, place, cause, 1000000000
        from shared_faults join shared_kinds using (pattern) where not shared"""
    )
