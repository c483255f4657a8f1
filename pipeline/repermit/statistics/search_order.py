"""In which order to look for one fault, so that the expected time is least.

Touches numpy only.

One fault is somewhere, each check finds its share of the possible faults without error, takes a fixed time, and may
have to follow another job (a housing must be open before what is in it can be looked at: an opening finds nothing).
The jobs then form an out-forest, and the order of least expected time is that of single-machine scheduling with
out-tree precedence: the job of the highest ratio of probability to time goes first, or right after what it must follow.

References
----------
[1] Kadane J.B., Simon H.A. (1977) Optimal strategies for a class of constrained sequential problems. Annals of
    Statistics 5, 237-255.
[2] Horn W.A. (1972) Single-machine job sequencing with treelike precedence ordering and linear delay penalties. SIAM
    Journal on Applied Mathematics 23, 189-202.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]


def least_expected_order(
    probability: ArrayLike, minutes: ArrayLike, after: Sequence[int | None] | None = None
) -> tuple[int, ...]:
    """The order of n jobs with the least expected minutes [1, 2], as indices.

    `probability` (n): that the job finds the fault; the sum may be below 1. `minutes` (n): what it takes. `after` (n):
    the job that must come before, or None. Ties: the lower index first. A job of no probability and no minutes counts
    as one of no probability. Raises ValueError for negative or missing values, unequal lengths, and an `after` that
    runs in a circle or names no job.
    """
    p, t = _checked(probability, minutes)
    before = [None] * p.size if after is None else list(after)
    _check_forest(before, p.size)
    block_of = list(range(p.size))
    """The block that a job is in, named by the job that begins it."""
    blocks = {i: [i] for i in range(p.size)}
    gain = dict(enumerate(p.tolist()))
    time = dict(enumerate(t.tolist()))
    order: list[int] = []
    while blocks:
        best = max(blocks, key=lambda i: (_ratio(gain[i], time[i]), -i))
        jobs = blocks.pop(best)
        parent = before[best]
        if parent is None or block_of[parent] not in blocks:  # nothing is left that must come before
            order += jobs
            continue
        home = block_of[parent]
        blocks[home] += jobs
        gain[home] += gain[best]
        time[home] += time[best]
        for job in jobs:
            block_of[job] = home
    return tuple(order)


def expected_minutes(probability: ArrayLike, minutes: ArrayLike, order: Sequence[int]) -> FloatArray:
    """Expected minutes spent by the end of each job of an order, given that one of the jobs finds the fault: shape (n,).

    The last value is the expected time of the whole search; the last job is paid for too, though by then nothing else is
    left. Raises ValueError where `order` is no order of the n jobs, and where no job can find anything.
    """
    p, t = _checked(probability, minutes)
    if sorted(order) != list(range(p.size)):
        raise ValueError("order must name every job once")
    if p.sum() <= 0:
        raise ValueError("no job can find the fault")
    index = np.asarray(order, dtype=np.int64)
    found = np.concatenate(([0.0], np.cumsum(p[index])[:-1])) / p.sum()
    spent: FloatArray = np.cumsum(t[index] * (1 - found))
    return spent


def _ratio(gain: float, time: float) -> float:
    if gain == 0:
        return 0.0
    return gain / time if time > 0 else float("inf")


def _checked(probability: ArrayLike, minutes: ArrayLike) -> tuple[FloatArray, FloatArray]:
    p = np.asarray(probability, dtype=np.float64)
    t = np.asarray(minutes, dtype=np.float64)
    if p.ndim != 1 or p.shape != t.shape:
        raise ValueError("probability and minutes must be of one length")
    if not (np.isfinite(p).all() and np.isfinite(t).all() and (p >= 0).all() and (t >= 0).all()):
        raise ValueError("probability and minutes must be known, finite and 0 or more")
    return p, t


def _check_forest(after: Sequence[int | None], size: int) -> None:
    if len(after) != size:
        raise ValueError("after must be as long as the jobs")
    for start in range(size):
        job, steps = after[start], 0
        while job is not None:
            if not 0 <= job < size:
                raise ValueError(f"after names the job {job}, which is not there")
            job, steps = after[job], steps + 1
            if steps > size:
                raise ValueError("after runs in a circle")
