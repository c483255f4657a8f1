"""How far two ways of naming the same thing agree, beyond what chance would bring.

Touches numpy and scipy.special only.

References
----------
[1] Cohen J. (1960) A coefficient of agreement for nominal scales. Educational and Psychological Measurement 20,
    37-46.
[2] Fleiss J.L., Cohen J., Everitt B.S. (1969) Large sample standard errors of kappa and weighted kappa.
    Psychological Bulletin 72, 323-327.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special


@dataclass(frozen=True)
class Agreement:
    """`agreed` and `by_chance` are shares; `kappa` = (agreed - by_chance) / (1 - by_chance), its standard error, limits."""

    n: float
    agreed: float
    by_chance: float
    kappa: float
    se: float
    low: float
    high: float


def agreement(counts: ArrayLike, level: float = 0.95) -> Agreement:
    """Cohen's kappa [1] of a square table of counts (k, k), one way of naming in rows, the other in columns.

    The standard error is the large-sample one that does not assume kappa 0 [2]; limits are kappa plus and minus its
    normal quantile, cut at -1 and 1. An empty table, or one where all sits in one cell (chance agrees wholly):
    kappa, error and limits nan. The order of categories changes nothing. Raises ValueError for a table that is not
    square or holds negative numbers, and for a level outside (0, 1).
    """
    table = np.asarray(counts, dtype=np.float64)
    if table.ndim != 2 or table.shape[0] != table.shape[1] or not (table >= 0).all():
        raise ValueError("counts must be a square table of numbers that are not negative")
    if not 0 < level < 1:
        raise ValueError(f"level must lie between 0 and 1; it is {level}")
    n, nan = float(table.sum()), float("nan")
    if n == 0:
        return Agreement(0.0, *[nan] * 6)
    share = table / n
    rows, columns, same = share.sum(axis=1), share.sum(axis=0), np.diag(share)
    agreed, by_chance = float(same.sum()), float(rows @ columns)
    if 1 - by_chance < 1e-12:
        return Agreement(n, agreed, by_chance, *[nan] * 4)
    kappa = (agreed - by_chance) / (1 - by_chance)
    sums = rows[None, :] + columns[:, None]  # of cell i, j: column i and row j
    on = float(np.sum(same * (1 - (rows + columns) * (1 - kappa)) ** 2))
    off = float(np.sum(share * sums**2) - np.sum(same * (rows + columns) ** 2)) * (1 - kappa) ** 2
    rest = (kappa - by_chance * (1 - kappa)) ** 2
    se = float(np.sqrt(max(on + off - rest, 0.0) / n)) / (1 - by_chance)
    reach = -float(special.ndtri((1 - level) / 2)) * se
    return Agreement(n, agreed, by_chance, kappa, se, max(kappa - reach, -1.0), min(kappa + reach, 1.0))
