"""Whether times that should follow others come too early by whole hours, as a wrong clock makes them.

May import numpy and scipy, within functions only: each ingest asks `can_show`, which mostly is all that is asked."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

MOST_HOURS = 14
"""The largest offset of a zone from UTC, in hours (common practice)."""
SLIPS = 0.03
"""Share of times that are written down wrong by hand (common practice, a guess on the safe side)."""
ALPHA = 0.001
LEAST_EARLY, LEAST_REFERENCE = 5, 20
_EDGES_H = (0, 0.5, 1, 1.5, 2, 3, 4, 5, 6, 8, 10, 12, 16, 20, 24, 36, 48, 72, 120, 336.0)
_SPAN_H = 1440.0


@dataclass(frozen=True)
class Shift:
    """`early` of `pairs` gaps are below zero; adding `hours` brings `mended` of them to zero or more.

    `p_value`: the chance of so many where SLIPS of all times are wrong by hand. `at_least`: there was no reference, so
    `hours` is the least that fits.
    """

    hours: int
    pairs: int
    early: int
    mended: int
    p_value: float
    at_least: bool


def can_show(early: int, pairs: int) -> bool:
    """Whether `early` gaps below zero of `pairs` can show a shift, whatever their sizes; most that can't are seen here.

    No more than SLIPS of all can't: so many or more come by hand in at least half of all cases, as the median of a
    binomial count is its mean, rounded down or up.
    """
    return early >= LEAST_EARLY and early > SLIPS * pairs


def clock_shift(gaps: NDArray[np.float64], reference: NDArray[np.float64]) -> Shift | None:
    """The shift that gaps (hours, shape (n,)) show against those of others (shape (m,)); None where none is shown.

    Shown: at least 5 gaps are below zero, more than slips of the hand explain (exact binomial, 0.001), and one shift
    of 1 to 14 whole hours mends four fifths of them. Its size is the one of greatest likelihood, the gap being one
    of the reference's (counts by bin, half a count added) or, at SLIPS, anything. With fewer than 20 in the
    reference it is the least that mends four fifths. A gap of zero is not below zero; no gaps give None.
    """
    import numpy as np
    from scipy import special

    early = gaps[gaps < 0]
    if not can_show(early.size, gaps.size):
        return None
    p_value = float(special.bdtrc(early.size - 1, gaps.size, SLIPS))
    if p_value >= ALPHA:
        return None
    shifts = np.arange(1, MOST_HOURS + 1)
    mended = (early[:, None] + shifts >= 0).sum(axis=0)
    fits = mended >= 0.8 * early.size
    if not fits.any():
        return None
    known = reference[reference >= 0]
    at_least = known.size < LEAST_REFERENCE
    if at_least:
        hours = int(shifts[fits][0])
    else:
        likely = _log_likelihood(gaps[:, None] + shifts, known)
        hours = int(shifts[fits][np.argmax(likely[fits])])
    return Shift(hours, int(gaps.size), int(early.size), int(mended[hours - 1]), p_value, at_least)


def _log_likelihood(gaps: NDArray[np.float64], known: NDArray[np.float64]) -> NDArray[np.float64]:
    """By column of `gaps`, against the density of `known` by bin."""
    import numpy as np

    counts = np.histogram(known, _EDGES_H)[0] + 0.5
    density = counts / counts.sum() / np.diff(_EDGES_H)
    place = np.searchsorted(_EDGES_H, gaps, side="right") - 1
    inside = (place >= 0) & (place < density.size)
    at = np.where(inside, density[np.clip(place, 0, density.size - 1)], 0.0)
    return np.asarray(np.log((1 - SLIPS) * at + SLIPS / _SPAN_H).sum(axis=0))
