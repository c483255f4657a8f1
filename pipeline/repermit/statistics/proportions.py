"""Shares of a whole with limits, and how often a silent failure is met on demand.

Touches numpy and scipy.special only.

References
----------
[1] Wilson E.B. (1927) Probable inference, the law of succession, and statistical inference. Journal of the
    American Statistical Association 22, 209-212.
[2] Newcombe R.G. (1998) Two-sided confidence intervals for the single proportion: comparison of seven methods.
    Statistics in Medicine 17, 857-872.
[3] IEC 61508-6:2010, annex B: average probability of failure on demand of one channel (from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

FloatArray = NDArray[np.float64]


def wilson_limits(part: ArrayLike, of: ArrayLike, level: float = 0.95) -> tuple[FloatArray, FloatArray]:
    """Limits (low, high) of a share from `part` of `of`, Wilson's score limits without correction [1] [2].

    Arguments broadcast. None of some: low is 0; all: high is 1. Of nothing: nan. Raises ValueError for numbers that
    are negative or missing, for more than there are, and for a level outside (0, 1).
    """
    x, n = np.broadcast_arrays(np.asarray(part, dtype=np.float64), np.asarray(of, dtype=np.float64))
    if not ((x >= 0) & (x <= n) & np.isfinite(n)).all():
        raise ValueError("part must lie between 0 and of")
    if not 0 < level < 1:
        raise ValueError(f"level must lie between 0 and 1; it is {level}")
    z2 = float(special.ndtri((1 - level) / 2)) ** 2
    whole = np.where(n > 0, n, np.nan)
    middle = (x + z2 / 2) / (whole + z2)
    reach = np.sqrt(z2 * (x * (whole - x) / whole + z2 / 4)) / (whole + z2)
    low = np.where((x == 0) & (n > 0), 0.0, middle - reach)
    high = np.where((x == n) & (n > 0), 1.0, middle + reach)
    return low, high


def failure_on_demand(rate: ArrayLike, interval: ArrayLike) -> FloatArray:
    """Average probability that a part has failed unseen, tested every `interval` and mended at once [3].

    1 - (1 - exp(-rate T)) / (rate T), for failures at a constant `rate` in the unit of time of the interval, found by the
    test only, by every test, and with no time to mend. Small rate T: rate T / 2, the usual short form. Rate or interval 0: 0.
    Arguments broadcast; nan stays nan, infinity gives 1. Raises ValueError for negative numbers.
    """
    product = np.asarray(rate, dtype=np.float64) * np.asarray(interval, dtype=np.float64)
    if (np.asarray(rate) < 0).any() or (np.asarray(interval) < 0).any():
        raise ValueError("rate and interval must not be negative")
    small = product < 1e-4  # the series; the form below loses figures there
    low, safe = np.where(small, product, 0.0), np.where(small, 1.0, product)
    found: FloatArray = np.where(small, low / 2 - low**2 / 6, 1 + np.expm1(-safe) / safe)
    return found
