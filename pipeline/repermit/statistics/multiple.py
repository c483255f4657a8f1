"""Adjusts p-values where many questions are asked at once.

Touches numpy only.

References
----------
[1] Holm S. (1979) A simple sequentially rejective multiple test procedure. Scandinavian Journal of
    Statistics 6, 65-70.
[2] Benjamini Y., Hochberg Y. (1995) Controlling the false discovery rate: a practical and powerful approach
    to multiple testing. Journal of the Royal Statistical Society B 57, 289-300.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]


def holm(p: ArrayLike) -> FloatArray:
    """Adjusted p-values, shape (n,), in the order given: those at or below a keep the chance of even one
    false finding at or below a, whatever the dependence [1].

    Step-down: the k-th smallest p times (n - k + 1), never below the one before it, at most 1. Ties get one
    value. Missing ones (nan) stay nan and do not count towards n; none at all: an empty array. Raises
    ValueError for values outside 0 to 1.
    """
    values, known, order = _sorted(p)
    n = order.size
    stepped = np.maximum.accumulate(values[known][order] * (n - np.arange(n)))
    return _back(values, known, order, stepped)


def benjamini_hochberg(p: ArrayLike) -> FloatArray:
    """Adjusted p-values (q), shape (n,), in the order given: of those at or below a, a share of a at most is
    expected to be false, where the tests are independent or positively dependent [2].

    Step-up: the k-th smallest p times n / k, never above the one after it. Ties, nan, errors as in `holm`.
    """
    values, known, order = _sorted(p)
    n = order.size
    raised = values[known][order] * n / np.arange(1, n + 1)
    stepped = np.minimum.accumulate(raised[::-1])[::-1]
    return _back(values, known, order, stepped)


def _sorted(p: ArrayLike) -> tuple[FloatArray, NDArray[np.bool_], NDArray[np.intp]]:
    values = np.asarray(p, dtype=np.float64)
    if values.ndim != 1:
        raise ValueError(f"p must have one dimension; it has {values.ndim}")
    known = ~np.isnan(values)
    if ((values[known] < 0) | (values[known] > 1)).any():
        raise ValueError("p must lie between 0 and 1")
    return values, known, np.argsort(values[known], kind="stable")


def _back(
    values: FloatArray, known: NDArray[np.bool_], order: NDArray[np.intp], stepped: FloatArray
) -> FloatArray:
    adjusted = np.empty(order.size)
    adjusted[order] = np.minimum(stepped, 1.0)
    found = np.full(values.shape, np.nan)
    found[known] = adjusted
    return found
