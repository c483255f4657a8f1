"""At which age to replace a part that wears out, before it fails: the age with the least cost per time.

Touches numpy, scipy.optimize and scipy.special only. Lives are Weibull, S(t) = exp(-(t / scale)^shape).

References
----------
[1] Barlow R.E., Proschan F. (1965) Mathematical Theory of Reliability, Wiley, chapter 4 (age replacement).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import optimize, special


@dataclass(frozen=True)
class AgeReplacement:
    """The best age, the cost per unit of time there and without replacement, and how flat the optimum is.

    ``age`` is infinite where no replacement before failure pays. ``flat_from`` to ``flat_to``: ages whose cost is at
    most `slack` above the least (infinite: so is never replacing).
    """

    age: float
    cost: float
    cost_at_failure: float
    flat_from: float
    flat_to: float


def cost_rate(age: float, shape: float, scale: float, planned: float, failed: float) -> float:
    """Cost per unit of time when a part is replaced at `age` or at failure, whichever comes first [1].

    (planned S(T) + failed F(T)) / integral of S from 0 to T. `planned` and `failed`: what a replacement costs, before
    and after the failure. An infinite age is run to failure: failed / mean life.
    """
    mean = scale * special.gamma(1 + 1 / shape)
    if not np.isfinite(age):
        return float(failed / mean)
    load = (age / scale) ** shape
    time = mean * special.gammainc(1 / shape, load)
    return float((planned * np.exp(-load) - failed * np.expm1(-load)) / time)


def best_age(
    shape: float, scale: float, planned: float, failed: float, *, slack: float = 0.05
) -> AgeReplacement:
    """The age with the least `cost_rate` [1], and the ages within `slack` (a share) of that cost.

    The least cost solves h(T) * integral of S to T - F(T) = planned / (failed - planned), h the hazard; it is unique
    for a shape above 1. A shape of 1 or less, or a failure that costs no more than a planned replacement: never
    replace before failure, and the age is infinite. Ages in the unit of `scale`, costs in one unit. Raises
    ValueError for shape, scale or costs not positive and finite.
    """
    if not all(np.isfinite(v) and v > 0 for v in (shape, scale, planned, failed)):
        raise ValueError("shape, scale and costs must be finite and above 0")
    never = cost_rate(np.inf, shape, scale, planned, failed)
    if shape <= 1 or failed <= planned:
        return AgeReplacement(np.inf, never, never, np.inf, np.inf)
    mean, wanted = special.gamma(1 + 1 / shape), planned / (failed - planned)

    def short(log_age: float) -> float:
        load = np.exp(shape * log_age)
        so_far = shape * np.exp((shape - 1) * log_age) * mean * special.gammainc(1 / shape, load)
        return float(so_far + np.expm1(-load) - wanted)

    top = 1.0
    while short(top) < 0 and np.exp(shape * top) < 700:
        top *= 1.5
    if short(top) < 0:  # so late that no unit in exp(700) lives to see it
        return AgeReplacement(np.inf, never, never, np.inf, np.inf)
    bottom = -1.0
    while short(bottom) > 0:
        bottom *= 1.5
    age = scale * float(np.exp(optimize.brentq(short, bottom, top, xtol=1e-13)))
    least = cost_rate(age, shape, scale, planned, failed)

    def above(candidate: float) -> float:
        return cost_rate(candidate, shape, scale, planned, failed) - (1 + slack) * least

    start = age
    while above(start) < 0:
        start /= 1.5
    flat_to = np.inf
    if never > (1 + slack) * least:
        end = age
        while above(end) < 0:
            end *= 1.5
        flat_to = float(optimize.brentq(above, age, end))
    return AgeReplacement(age, least, never, float(optimize.brentq(above, start, age)), flat_to)
