"""Counts whose category is known only as one of several: shared out by maximum likelihood.

Touches numpy only. It knows patterns (what was observed, with its count), ways (how a pattern may have come about)
and the parameters whose product gives a way its probability.

References
----------
[1] Dempster A.P., Laird N.M., Rubin D.B. (1977) Maximum likelihood from incomplete data via the EM algorithm.
    Journal of the Royal Statistical Society B 39, 1-38.
[2] Miyakawa M. (1984) Analysis of incomplete data in competing risks model. IEEE Transactions on Reliability 33,
    293-296.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class Block:
    """A set of probabilities that add up to 1 within each group, as a way uses them.

    ``index`` (ways): which of the K probabilities the way takes, -1 for none. ``group`` (K): their group.
    ``parent`` and ``parent_index`` (K): the block that a group is shrunk to, by ``pseudo`` events shared out as
    the parent has them, evenly where there is no parent. With ``pseudo`` zero they are plain shares. The index of
    a parent is not used.
    """

    index: IntArray
    group: IntArray
    parent: "Block | None" = None
    parent_index: IntArray | None = None
    pseudo: float = 0.0


@dataclass(frozen=True)
class Ways:
    """Every way of every pattern, sorted by pattern.

    ``pattern`` (ways): codes 0 to P - 1, not falling. ``rate`` (ways): which of the R rates the way takes, -1 for
    none. ``chance`` (ways): what is known of its probability. ``group`` (P): the kind of unit a pattern comes from,
    and ``opportunity`` (groups, R): how many places a unit of that kind has for each rate.
    """

    pattern: IntArray
    rate: IntArray
    chance: FloatArray
    group: IntArray
    opportunity: FloatArray
    blocks: tuple[Block, ...] = ()

    @property
    def patterns(self) -> int:
        """How many patterns there are."""
        return len(self.group)

    def of(self, chosen: NDArray[np.bool_]) -> "Ways":
        """The ways of the chosen patterns (P), which are numbered anew in their order; parameters stay."""
        keep = chosen[self.pattern]
        number = np.cumsum(chosen) - 1
        blocks = tuple(replace(b, index=b.index[keep]) for b in self.blocks)
        return Ways(
            number[self.pattern[keep]], self.rate[keep], self.chance[keep], self.group[chosen],
            self.opportunity, blocks,
        )  # fmt: skip


@dataclass(frozen=True)
class Fitted:
    """Rates (R), adding up to 1, the probabilities of each block, and whether and how fast they settled."""

    rates: FloatArray
    shares: tuple[FloatArray, ...]
    settled: bool
    steps: int


def fit(
    ways: Ways, counts: FloatArray, *, start: Fitted | None = None, steps: int = 500, within: float = 1e-9
) -> Fitted:
    """Rates and shares that make the counts of the patterns most likely, by the EM algorithm [1] [2].

    A unit of group g brings events in way w in proportion to chance * rate * the shares of its blocks; how many
    events a group has in all is left free, so that exposures are not needed. ``counts`` (P) may be fractional. Each
    step shares every count out over its ways and takes rates and shares from the sums; it stops when no rate
    or share moves by more than ``within``, or after ``steps``. ``start`` saves steps where a like fit is known.

    Shrunken blocks: share = (sum + pseudo * parent's share) / (total + pseudo).
    Zero events: rates start equal and stay so; a pattern no way of which is possible is left out. Ties do not
    matter. Raises ValueError for negative or missing counts or a length that is not the number of patterns.
    """
    counts = np.asarray(counts, dtype=np.float64)
    if counts.shape != (ways.patterns,) or not (np.isfinite(counts) & (counts >= 0)).all():
        raise ValueError("counts must be finite, not negative, and one for each pattern")
    now = start or Fitted(
        _even(np.zeros(ways.opportunity.shape[1], dtype=np.int64)),
        tuple(_even(b.group) for b in ways.blocks),
        False,
        0,
    )
    for step in range(1, steps + 1):
        weight = posterior(ways, now) * counts[ways.pattern]
        new = Fitted(
            _rates(ways, weight, now.rates),
            tuple(_shares(b, _sums(b.index, weight, len(b.group))) for b in ways.blocks),
            False,
            step,
        )
        moved = max(
            float(np.abs(a - b).max(initial=0.0))
            for a, b in zip((new.rates, *new.shares), (now.rates, *now.shares), strict=True)
        )
        now = new
        if moved <= within:
            return replace(now, settled=True)
    return now


def posterior(ways: Ways, fitted: Fitted) -> FloatArray:
    """Probability of each way given its pattern (ways); 0 throughout a pattern that no way makes possible."""
    p = ways.chance * np.append(fitted.rates, 1.0)[ways.rate]
    for block, share in zip(ways.blocks, fitted.shares, strict=True):
        p *= np.append(share, 1.0)[block.index]
    total = np.bincount(ways.pattern, weights=p, minlength=ways.patterns).astype(np.float64)
    inverse = np.divide(1.0, total, out=np.zeros_like(total), where=total > 0)
    return np.asarray(p * inverse[ways.pattern], dtype=np.float64)


def _rates(ways: Ways, weight: FloatArray, rates: FloatArray) -> FloatArray:
    """Sums over opportunities; a group's opportunities count as much as its events, given the rates, say."""
    seen = _sums(ways.rate, weight, len(rates))
    if not seen.any():
        return rates
    of_group = _sums(ways.group[ways.pattern], np.where(ways.rate >= 0, weight, 0.0), len(ways.opportunity))
    expected = ways.opportunity @ rates
    intensity = np.divide(of_group, expected, out=np.zeros_like(of_group), where=expected > 0)
    exposure = intensity @ ways.opportunity
    new = np.divide(seen, exposure, out=np.zeros_like(seen), where=exposure > 0)
    return np.asarray(new / new.sum(), dtype=np.float64)


def _shares(block: Block, sums: FloatArray) -> FloatArray:
    """Shares within each group, shrunk to the parent's."""
    groups = int(block.group.max(initial=-1)) + 1
    if block.parent is not None and block.parent_index is not None:
        above = _shares(block.parent, _sums(block.parent_index, sums, len(block.parent.group)))
        sums = sums + block.pseudo * _within(above[block.parent_index], block.group, groups)
    elif block.pseudo:
        sums = sums + block.pseudo * _even(block.group)
    return _within(sums, block.group, groups)


def _within(values: FloatArray, group: IntArray, groups: int) -> FloatArray:
    """Values over their group's sum; even shares where that is zero."""
    total = np.bincount(group, weights=values, minlength=groups)[group]
    if total.all():
        return np.asarray(values / total, dtype=np.float64)
    return np.where(total > 0, values / np.where(total > 0, total, 1.0), _even(group))


def _even(group: IntArray) -> FloatArray:
    return np.asarray(1.0 / np.bincount(group)[group] if len(group) else np.zeros(0), dtype=np.float64)


def _sums(index: IntArray, weight: FloatArray, size: int) -> FloatArray:
    """Weights by index; -1 is nobody's."""
    return np.asarray(np.bincount(index + 1, weights=weight, minlength=size + 1)[1:], dtype=np.float64)
