"""Lives whose birth nobody saw: what a renewal process that began long before says of the time to the next failure.

Touches numpy and scipy.linalg only. It knows units that are renewed in one place at once when they fail, a place
whose first unit was new when the process began, and a watch that began later.

References
----------
[1] Cox D.R. (1962) Renewal Theory, Methuen, chapter 5 (backward and forward recurrence times).
[2] Xie M. (1989) On the solution of renewal-type integral equations. Communications in Statistics, Simulation and
    Computation 18, 281-293 (midpoint rule for the renewal equation; *from memory*).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import linalg

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


def remaining_survival(
    shape: float, scale: float, step: float, gaps: int, ahead: int, other_rate: float = 0.0
) -> FloatArray:
    """Share of units still without failure some time after a watch began, Weibull lives: (gaps + 1, ahead + 1).

    Row i is of a process that began `i * step` before the watch; column l is the share of the units found in place
    that have not failed `l * step` after it began. With life survival S and renewal density m of the process [1],

        G_a(x) = S(a + x) exp(-q a) + integral over age u in (0, a) of m(a - u) exp(-q u) S(u + x) du

    where q = `other_rate` at which units are replaced for other reasons before the watch (0: on failure only), so
    that the process renews on whichever comes first. The age at the watch is so the backward recurrence time, and
    G_a the forward one's survival. m comes from the renewal equation by the midpoint rule [2], the integral by the
    same; both err by the square of the step. Row 0 is S itself, column 0 is 1 but for that error.
    """
    half = (np.arange(gaps + ahead) + 0.5) * step
    whole = np.arange(gaps + ahead + 1) * step
    first = np.exp(-((whole / scale) ** shape))
    found = np.empty((gaps + 1, ahead + 1))
    found[0] = first[: ahead + 1]
    if not gaps:
        return found
    middle, fade = np.exp(-((half / scale) ** shape)), np.exp(-other_rate * half[:gaps])
    unmoved = np.exp(-other_rate * whole[1 : gaps + 1])
    # A life far shorter than a step can't be told on this grid; the floor keeps its likelihood finite and small.
    kept = fade * middle[:gaps]
    kept[0] = max(kept[0], 1e-6)
    by_age, none = fade[:, None] * _neighbours(middle, 0, gaps, ahead + 1), np.zeros(gaps - 1)
    of_births = _neighbours(np.concatenate([none, kept]), 0, gaps, gaps)[
        :, ::-1
    ]  # row i: kept[i], ..., kept[0], 0, ...
    births = linalg.solve_triangular(
        of_births, 1 - first[1 : gaps + 1] * unmoved, lower=True, check_finite=False
    )
    by_birth = np.ascontiguousarray(_neighbours(np.concatenate([none, births]), 0, gaps, gaps))
    found[1:] = by_birth @ by_age[::-1] + unmoved[:, None] * _neighbours(first, 1, gaps, ahead + 1)
    return found


def _neighbours(values: FloatArray, start: int, rows: int, columns: int) -> FloatArray:
    """A view of values as rows of neighbours, each beginning one further than the one before."""
    size = values.itemsize
    return np.ndarray((rows, columns), np.float64, values, start * size, (size, size))


@dataclass(frozen=True)
class UnknownBirths:
    """Lives of unknown birth as counts by pattern on a grid; made by `unknown_births`."""

    step: float
    gaps: int
    ahead: int
    other_rate: float
    failures: float
    lives: int
    failed: tuple[IntArray, IntArray, FloatArray]
    """Row (gap), column (start of the cell of the failure) and weight of failures."""
    lost: tuple[IntArray, IntArray, FloatArray]
    """Row, column and weight of lives lost from view."""
    entered: tuple[IntArray, IntArray, FloatArray]
    """Row, column and weight of all lives where they came into view."""

    def log_likelihood(self, shape: float, scale: float) -> float:
        """Of Weibull lives. A failure counts as lying in its cell of the grid, over the cell's width."""
        share = remaining_survival(shape, scale, self.step, self.gaps, self.ahead, self.other_rate)
        share = np.maximum(share, 1e-300)
        row, column, weight = self.failed
        cell = np.maximum(share[row, column] - share[row, column + 1], 1e-300)
        found = float(weight @ np.log(cell / self.step))
        for sign, (row, column, weight) in ((1.0, self.lost), (-1.0, self.entered)):
            found += sign * float(weight @ np.log(share[row, column]))
        return found


def unknown_births(
    gap: ArrayLike,
    time: ArrayLike,
    event: ArrayLike,
    *,
    entry: ArrayLike | None = None,
    weights: ArrayLike | None = None,
    other_rate: float = 0.0,
    steps: int = 160,
) -> UnknownBirths:
    """Lives of unknown birth, one entry for each of n, put on a grid of `steps` over the longest history.

    ``gap``: from the process's beginning to the watch's. ``time``: from the watch's beginning to the failure or the
    loss from view. ``event``: 1 for a failure, 0 for none, or the probability of one. ``entry``: this row is in view
    only from so long after the watch's beginning (a life told in pieces). ``weights``: how many such lives a row is.
    Ties: lives of one cell share it. Zero events are allowed. Raises ValueError for negative or infinite times,
    entries after the time, events outside 0 to 1, unequal lengths or no time at all.
    """
    a, x, d = (np.asarray(v, dtype=np.float64) for v in (gap, time, event))
    e = np.zeros(a.shape) if entry is None else np.asarray(entry, dtype=np.float64)
    w = np.ones(a.shape) if weights is None else np.asarray(weights, dtype=np.float64)
    if a.ndim != 1 or not a.shape == x.shape == d.shape == e.shape == w.shape:
        raise ValueError("every argument must have one entry for each life")
    if not (
        np.isfinite(a) & np.isfinite(x) & (a >= 0) & (e >= 0) & (e <= x) & (d >= 0) & (d <= 1) & (w > 0)
    ).all():
        raise ValueError("times must be finite and in order, events in 0 to 1, weights above 0")
    longest = float((a + x).max(initial=0.0))
    if longest <= 0:
        raise ValueError("lives of unknown birth need some time in view")
    step = longest / steps
    row = np.rint(a / step).astype(np.int64)
    starts = np.rint(e / step).astype(np.int64)
    cells = np.maximum(np.floor(x / step).astype(np.int64), starts)
    ends = np.maximum(np.rint(x / step).astype(np.int64), starts)
    return UnknownBirths(
        step,
        int(row.max()),
        int(max(cells.max() + 1, ends.max())),
        other_rate,
        float(w @ d),
        a.size,
        _counted(row, cells, w * d),
        _counted(row, ends, w * (1 - d)),
        _counted(row, starts, w),
    )


def _counted(row: IntArray, column: IntArray, weight: FloatArray) -> tuple[IntArray, IntArray, FloatArray]:
    """Weights summed by pattern, patterns in order."""
    wide = int(column.max(initial=0)) + 1
    patterns, where = np.unique(row * wide + column, return_inverse=True)
    order = np.lexsort((weight, where))
    sums: FloatArray = np.bincount(where[order], weights=weight[order], minlength=patterns.size).astype(
        np.float64
    )
    kept = sums > 0
    return patterns[kept] // wide, patterns[kept] % wide, sums[kept]
