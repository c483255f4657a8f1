"""Weibull lives by maximum likelihood, with late entry, lives lost from view and lives of unknown birth.

Touches numpy, scipy.optimize and scipy.special only, and `renewal`. S(t) = exp(-(t / scale)^shape). A shape below 1
means that the young fail most, above 1 that the old do, 1 that age makes no difference.

References
----------
[1] Meeker W.Q., Escobar L.A. (1998) Statistical Methods for Reliability Data, Wiley, chapters 8 (likelihood, profile
    likelihood-ratio limits) and 11 (truncated data).
[2] Nelson W. (1982) Applied Life Data Analysis, Wiley, chapter 8.
[3] Cox D.R. (1962) Renewal Theory, Methuen (lives of unknown birth; see `renewal`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special

from repermit.statistics.renewal import UnknownBirths

FloatArray = NDArray[np.float64]
Interval = tuple[float, float, float]
Best = Callable[[float, float | None], tuple[float, float]]

SHAPES = (0.02, 50.0)
"""Shapes that are tried; one at an end of this range means that the lives do not tell the shape."""
FAR = 14.0
"""Ages are followed up to exp(14), about a million, times beyond the longest life seen; then a limit is none."""
LEAST = -1e300
"""Stands for likelihoods too small to reckon with."""
TOLERANCE = 1e-6
"""How close a peak is sought, of its place."""
NONE: Interval = (float("nan"), float("nan"), float("nan"))


@dataclass(frozen=True)
class WeibullFit:
    """Shape and scale, each (value, low, high); nan where the lives do not tell it. Ages in the unit given.

    ``lives`` and ``failures`` are weighted counts, ``log_likelihood`` the greatest.
    """

    lives: float
    failures: float
    shape: Interval
    scale: Interval
    log_likelihood: float
    level: float
    _likelihood: _Likelihood = field(repr=False, compare=False)

    @property
    def known(self) -> bool:
        """Whether the lives tell shape and scale at all."""
        return self.shape[0] == self.shape[0]

    def quantile(self, share: float) -> Interval:
        """Age by which this share has failed, with profile likelihood-ratio limits; nan where a limit is none."""
        if not 0 < share < 1:
            raise ValueError(f"share must lie between 0 and 1; it is {share}")
        return self._likelihood.age(share, self.level) if self.known else NONE

    def function(self, of: Callable[[float, float], float], rays: int = 48) -> Interval:
        """Any smooth function of (shape, scale) that has no peak near the best fit: (value, low, high).

        The limits are its least and greatest value on the edge of the likelihood-ratio region of one degree of
        freedom, which are its profile limits, followed along so many rays from the best fit (so they may fall short
        by a few thousandths of their width).
        """
        if not self.known:
            return NONE
        values = [of(shape, scale) for shape, scale in self._likelihood.edge(self.level, rays)]
        best = self._likelihood.best
        return of(float(np.exp(best[0])), float(np.exp(best[1]))), min(values), max(values)


def fit_weibull(
    time: ArrayLike,
    event: ArrayLike,
    *,
    entry: ArrayLike | None = None,
    weights: ArrayLike | None = None,
    unknown: UnknownBirths | None = None,
    level: float = 0.95,
) -> WeibullFit:
    """The Weibull distribution most likely behind n lives [1] [2], and those of unknown birth where given [3].

    Parameters, one entry for each row: ``time``, the age at failure or loss from view, above 0; ``event``, 1 for a
    failure, 0 for none, or the probability of one; ``entry``, in view only from this age (left truncation), earlier
    than ``time``; ``weights``, how many such lives a row is. The log-likelihood is

        sum of event (log shape + (shape - 1) log t - shape log scale) - ((t^shape - entry^shape) / scale^shape)

    plus that of the unknown births. Limits are profile likelihood-ratio limits [1]: where twice the drop of the
    likelihood, all else at its best, is the quantile of chi-square on one degree of freedom.

    Ties need no rule: equal lives add up. Zero failures: nothing is known of the shape, and every value is nan; so
    it is where the likelihood has no peak within shapes of 0.02 to 50 (all failures at the greatest age, say). A
    limit that does not exist is nan: of one or two failures the upper limits of ages often don't. Order of rows
    changes nothing but rounding. Raises ValueError for ages not positive and finite, entries not before the time,
    events outside 0 to 1, weights not positive, unequal lengths, a level outside (0, 1).
    """
    if not 0 < level < 1:
        raise ValueError(f"level must lie between 0 and 1; it is {level}")
    likelihood = _Likelihood(*_checked(time, event, entry, weights), unknown)
    lives, failures = likelihood.lives, likelihood.failures
    if failures <= 0 or not likelihood.climb():
        return WeibullFit(lives, failures, NONE, NONE, float("nan"), level, likelihood)
    return WeibullFit(
        lives,
        failures,
        likelihood.shape(level),
        likelihood.age(1 - np.exp(-1.0), level),
        likelihood.peak,
        level,
        likelihood,
    )


def _checked(
    time: ArrayLike, event: ArrayLike, entry: ArrayLike | None, weights: ArrayLike | None
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    t, d = np.asarray(time, dtype=np.float64), np.asarray(event, dtype=np.float64)
    e = np.zeros(t.shape) if entry is None else np.asarray(entry, dtype=np.float64)
    w = np.ones(t.shape) if weights is None else np.asarray(weights, dtype=np.float64)
    if t.ndim != 1 or not t.shape == d.shape == e.shape == w.shape:
        raise ValueError("every argument must have one entry for each row")
    if not (
        np.isfinite(t) & (t > 0) & (e >= 0) & (e < t) & (d >= 0) & (d <= 1) & (w > 0) & np.isfinite(w)
    ).all():
        raise ValueError(
            "ages must be above 0 and finite, entries before them, events in 0 to 1, weights above 0"
        )
    return t, d, e, w


class _Likelihood:
    """The log-likelihood in (log shape, log scale), its peak, and where it falls off."""

    def __init__(
        self, t: FloatArray, d: FloatArray, e: FloatArray, w: FloatArray, unknown: UnknownBirths | None
    ) -> None:
        self.unknown = unknown
        self.lives = float(w.sum()) + (unknown.entered[2].sum() if unknown else 0.0)
        self.own_failures = float(w @ d)
        self.failures = self.own_failures + (unknown.failures if unknown else 0.0)
        longest = float(t.max(initial=0.0))
        if unknown:
            longest = max(longest, unknown.step * (unknown.gaps + unknown.ahead))
        self.longest = np.log(longest) if longest > 0 else 0.0
        self.log_sum = float((w * d) @ np.log(t))
        ages = np.concatenate([t, e[e > 0]])
        ages, where = np.unique(ages, return_inverse=True)
        self.weight = np.bincount(where, np.concatenate([w, -w[e > 0]]), ages.size)
        self.log_age = np.log(ages) - self.longest
        self.hazards: dict[float, float] = {}
        self.step = min(0.5 / np.sqrt(self.failures + 0.5), 0.2)
        self.scales = np.linspace(self.longest - 6, self.longest + 8, 15)
        self.best = (float("nan"), float("nan"))
        self.peak = float("nan")

    def hazard(self, x: float) -> float:
        """Sum of w (t^shape - entry^shape), ages over the longest, at log shape x."""
        if x not in self.hazards:
            self.hazards[x] = (
                float(self.weight @ np.exp(np.exp(x) * self.log_age)) if self.weight.size else 0.0
            )
        return self.hazards[x]

    def __call__(self, x: float, y: float) -> float:
        """At log shape x and log scale y."""
        shape, r = np.exp(x), self.own_failures
        found = r * (x - shape * y) + (shape - 1) * self.log_sum
        found -= self.hazard(x) * np.exp(min(shape * (self.longest - y), 700.0))
        if self.unknown:
            with np.errstate(over="ignore"):  # of a scale far off nothing survives, or all does
                found += self.unknown.log_likelihood(float(shape), float(np.exp(min(y, 700.0))))
        return float(found)

    def best_scale(self, x: float, near: float | None = None) -> tuple[float, float]:
        """(log scale, likelihood) at its best for log shape x; sought near a log scale, or everywhere, where there is no formula."""
        own = self.longest + (
            np.log(self.hazard(x) / self.own_failures) / np.exp(x) if self.own_failures else 0.0
        )
        if self.unknown is None:
            return own, self(x, own)
        return _highest(lambda y: self(x, y), near, self.step, self.scales)

    def climb(self) -> bool:
        """Find the peak; False where there is none within the range of shapes."""
        grid = np.linspace(np.log(SHAPES[0]), np.log(SHAPES[1]), 25 if self.unknown is None else 13)
        near: float | None = None
        ridge = []
        for x in grid:
            near, value = self.best_scale(float(x), near)
            ridge.append((value, near))
        top = int(np.argmax([value for value, _ in ridge]))
        if top in (0, grid.size - 1):
            return False
        start = ridge[top][1]
        x, _ = _highest(lambda x: self.best_scale(x, start)[1], float(grid[top]), self.step, grid)
        y, self.peak = self.best_scale(x, start)
        self.best = (x, y)
        return True

    def shape(self, level: float) -> Interval:
        """The shape with its profile limits."""
        x, y = self.best
        low, high = self._limits(self.best_scale, x, y, np.log(SHAPES[0]), np.log(SHAPES[1]), level)
        return float(np.exp(x)), float(np.exp(low)), float(np.exp(high))

    def age(self, share: float, level: float) -> Interval:
        """The age by which this share has failed, with its profile limits."""
        log_log = float(np.log(-np.log1p(-share)))
        x = self.best[0]
        z = self.best[1] + log_log * np.exp(-x)

        def best_shape(at: float, near: float | None) -> tuple[float, float]:
            def of(x: float) -> float:
                return self(x, at - log_log * np.exp(-x)) if abs(x) < 5 else LEAST

            return _highest(of, near, self.step, np.linspace(-2.0, 2.0, 9))

        low, high = self._limits(best_shape, z, x, self.longest - FAR - 10, self.longest + FAR, level)
        return float(np.exp(z)), float(np.exp(low)), float(np.exp(high))

    def edge(self, level: float, rays: int) -> list[tuple[float, float]]:
        """(shape, scale) at points on the edge of the likelihood-ratio region."""
        share = min(max(self.failures / max(self.lives, self.failures), 0.02), 0.9)
        log_log = float(np.log(-np.log1p(-share)))
        x0 = self.best[0]
        z0 = self.best[1] + log_log * np.exp(-x0)
        reach = 1.0 / np.sqrt(self.failures)
        points = []
        for angle in np.arange(rays) * 2 * np.pi / rays:
            dx, dz = reach * np.cos(angle), reach * np.sin(angle)

            def at(r: float, dx: float = dx, dz: float = dz) -> tuple[float, float]:
                x = min(max(x0 + r * dx, np.log(SHAPES[0])), np.log(SHAPES[1]))
                return x, z0 + r * dz - log_log * np.exp(-x)

            def room(r: float) -> float:
                return self._room(self(*at(r)), level)

            r = 1.0
            while room(r) > 0 and r < 60:
                r *= 1.6
            x, y = at(float(optimize.brentq(room, 0.0, r, xtol=1e-6)) if room(r) < 0 else r)
            points.append((float(np.exp(x)), float(np.exp(min(y, 600.0)))))
        return points

    def _limits(
        self, best: Best, at: float, free: float, least: float, most: float, level: float
    ) -> tuple[float, float]:
        """Where the profile has fallen so far on either side of its peak; nan where it does not.

        ``best``: what is left free, ``free`` at the peak, at its best. Unknown births may bring more than one peak, so
        it is sought everywhere before a place counts as outside, and once more at the limit that was found.
        """
        near, seen = free, {at: self._room(self.peak, level)}

        def room(x: float, everywhere: bool = False) -> float:
            nonlocal near
            if everywhere or x not in seen:
                near, value = best(x, near)
                if everywhere:
                    near, value = max((near, value), best(x, None), key=lambda found: found[1])
                seen[x] = self._room(value, level)
            return seen[x]

        found = []
        for end in (least, most):
            near, inside, most_room = free, at, seen[at]
            outside = at + np.sign(end - at) * 1.6 / np.sqrt(self.failures + 0.5)
            while abs(outside - at) < abs(end - at) and (room(outside) > 0 or room(outside, True) > 0):
                further = 1.1 / max(1 - seen[outside] / most_room, 0.4)  # as if it went on falling so
                inside, outside = outside, at + (outside - at) * further
            outside = min(max(outside, least), most)
            if room(outside) >= 0:
                found.append(float("nan"))
                continue
            limit = float(optimize.brentq(room, inside, outside, xtol=1e-7))
            if room(limit, True) > 1e-3:
                limit = float(optimize.brentq(room, limit, outside, args=(True,), xtol=1e-7))
            found.append(limit)
        return found[0], found[1]

    def _room(self, value: float, level: float) -> float:
        """How far a likelihood is from a limit, below 0 where beyond: by roots, whose fall is all but straight."""
        return float(np.sqrt(special.chdtri(1, 1 - level)) - np.sqrt(2 * max(self.peak - value, 0.0)))


def _highest(
    of: Callable[[float], float], near: float | None, step: float, everywhere: FloatArray
) -> tuple[float, float]:
    """(argument, value) of the highest point of a function of one variable, sought from `near`, or the best of a grid.

    Ever longer steps until a point is no lower than those beside it, then Brent's method between these.
    """

    def value(at: float) -> float:
        return max(of(at), LEAST)

    b = max(everywhere.tolist(), key=value) if near is None else near
    a, c = b - step, b + step
    low, top, high = value(a), value(b), value(c)
    for _ in range(60):
        step *= 1.5
        if low > top:
            a, b, c, low, top, high = a - step, a, b, value(a - step), low, top
        elif high > top:
            a, b, c, low, top, high = b, c, c + step, top, high, value(c + step)
        else:
            break
    if low == top:  # it may lie between
        a, low = a - step, value(a - step)
    if high == top:
        c, high = c + step, value(c + step)
    if not low < top > high:  # level all about
        return b, top
    at, least, *_ = optimize.brent(lambda v: -value(v), brack=(a, b, c), tol=TOLERANCE, full_output=True)
    return float(at), -float(least)
