"""How long until an event that comes at most once: product-limit curve, restricted mean, expected events.

Touches numpy and scipy.special only. It knows subjects that are in view from an entry age until an event or until
they are lost from view. At age t those are at risk whose entry lies before t and whose end does not.

References
----------
[1] Kaplan E.L., Meier P. (1958) Nonparametric estimation from incomplete observations. J. Am. Stat. Assoc. 53, 457-481.
[2] Kalbfleisch J.D., Prentice R.L. (2002) The Statistical Analysis of Failure Time Data, 2nd ed., Wiley (Greenwood's
    variance, log(-log) limits).
[3] Klein J.P., Moeschberger M.L. (2003) Survival Analysis, 2nd ed., Springer, chapter 4 (late entry, restricted mean).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class ProductLimit:
    """A product-limit curve as steps: one entry for each of K ages at which events came, in order.

    ``at_risk``: subjects in view just before. ``events``: events then. ``survival``: the share still without the
    event just after, given that it was without it at ``start``, with limits ``low`` and ``high`` and Greenwood's
    ``standard_error``. ``until``: the greatest end of any subject; past it nothing is known.
    """

    start: float
    until: float
    time: FloatArray
    at_risk: FloatArray
    events: FloatArray
    survival: FloatArray
    standard_error: FloatArray
    low: FloatArray
    high: FloatArray

    def at(self, times: ArrayLike) -> tuple[FloatArray, FloatArray, FloatArray]:
        """(survival, low, high) at the ages; nan before the start and after ``until`` (unless nobody was left)."""
        asked = np.asarray(times, dtype=np.float64)
        step = np.searchsorted(self.time, asked, side="right")
        gone = self.survival.size > 0 and self.survival[-1] == 0.0
        seen = (asked >= self.start) & ((asked <= self.until) | gone)
        found = (np.concatenate(([1.0], values))[step] for values in (self.survival, self.low, self.high))
        survival, low, high = (np.where(seen, values, np.nan) for values in found)
        return survival, low, high

    def quantile(self, share: float) -> tuple[float, float, float]:
        """Age by which this share had the event: (age, low, high), nan where the curve or a limit never gets there.

        The limits are the ages at which the curve's own limits get there (Brookmeyer and Crowley 1982, in [3]).
        """
        ages = [float("nan")] * 3
        for i, values in enumerate((self.survival, self.low, self.high)):
            below = np.flatnonzero(values <= 1 - share + 1e-12)
            if below.size:
                ages[i] = float(self.time[below[0]])
        return ages[0], ages[1], ages[2]


def product_limit(
    time: ArrayLike,
    event: ArrayLike,
    *,
    entry: ArrayLike | None = None,
    start: float = 0.0,
    level: float = 0.95,
) -> ProductLimit:
    """Product-limit curve with late entry [1] [3].

    Parameters, one entry for each of n subjects, ages in one unit: ``time``, when its event came or it was lost from
    view; ``event``, 1 for the event, 0 for lost, or the probability that it was an event; ``entry``, in view only
    after this age, earlier than ``time`` (None: from 0). ``start``: the curve is conditional on being without the
    event at this age; what lies before is left out. With late entry the first ages may have so few at risk that one
    event sends the curve to zero for good; then choose a later ``start``.

    Ties: events at one age meet one risk set, which still holds those lost at that age and none that enter at it.
    Standard error: Greenwood. Limits: log(-log) of the survival [2], nan where it is 0. Zero events, or nobody in
    view: no steps. Order of subjects changes nothing. Raises ValueError for negative, missing or infinite ages,
    entries not before the time, events outside 0 to 1, unequal lengths or a level outside (0, 1).
    """
    t, d, e = subjects(time, event, entry)
    if not 0 < level < 1:
        raise ValueError(f"level must lie between 0 and 1; it is {level}")
    kept = t > start
    t, d, e = t[kept], d[kept], np.maximum(e[kept], start)
    ages, events, at_risk = risk_sets(t, d, e)
    hazard = np.where(events >= at_risk, 1.0, events / at_risk)
    survival = np.asarray(np.cumprod(1.0 - hazard), dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        greenwood = np.cumsum(np.where(hazard < 1, hazard / (at_risk - events), np.inf))
        reach = -special.ndtri((1 - level) / 2) * np.sqrt(greenwood) / np.abs(np.log(survival))
        low, high = survival ** np.exp(reach), survival ** np.exp(-reach)
        error = np.where(survival > 0, survival * np.sqrt(greenwood), np.nan)
    gone = survival <= 0
    return ProductLimit(
        start=float(start),
        until=float(t.max(initial=start)),
        time=ages,
        at_risk=at_risk,
        events=events,
        survival=survival,
        standard_error=error,
        low=np.where(gone, np.nan, low),
        high=np.where(gone, np.nan, high),
    )


def restricted_mean(curve: ProductLimit, until: float, level: float = 0.95) -> tuple[float, float, float]:
    """Mean time without the event between the curve's start and the age ``until``: (mean, low, high) [3].

    The area under the curve. Its variance is the sum over events of (area still to come)^2 d / (n (n - d)); limits
    are normal, kept within 0 and the whole time. No events before ``until``: the whole time, with limits nan, as
    nothing shows how it varies. nan where the curve does not reach so far. Raises ValueError for ``until`` not after
    the start.
    """
    if not until > curve.start:
        raise ValueError("until must come after the curve's start")
    gone = curve.survival.size > 0 and curve.survival[-1] == 0.0
    if until > curve.until and not gone:
        return float("nan"), float("nan"), float("nan")
    n = int(np.searchsorted(curve.time, until, side="left"))
    edges = np.concatenate(([curve.start], curve.time[:n], [until]))
    area = np.diff(edges) * np.concatenate(([1.0], curve.survival[:n]))
    mean = float(area.sum())
    if n == 0:
        return mean, float("nan"), float("nan")
    to_come = np.cumsum(area[:0:-1])[::-1]
    d, at_risk = curve.events[:n], curve.at_risk[:n]
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = np.where(to_come > 0, to_come**2 * d / (at_risk * (at_risk - d)), 0.0)
    reach = -float(special.ndtri((1 - level) / 2)) * float(np.sqrt(terms.sum()))
    return mean, max(0.0, mean - reach), min(until - curve.start, mean + reach)


def expected_events(time: ArrayLike, event: ArrayLike, *, entry: ArrayLike | None = None) -> FloatArray:
    """What each of n subjects was to bring while in view, at the hazard of all together: shape (n,), sum = events.

    The Nelson-Aalen cumulative hazard between its entry and its end. Ties and errors as in `product_limit`.
    """
    t, d, e = subjects(time, event, entry)
    ages, events, at_risk = risk_sets(t, d, e)
    hazard = np.concatenate(([0.0], np.cumsum(events / at_risk)))
    return np.asarray(
        hazard[np.searchsorted(ages, t, side="right")] - hazard[np.searchsorted(ages, e, side="right")]
    )


def subjects(
    time: ArrayLike, event: ArrayLike, entry: ArrayLike | None, *, else_from: float = 0.0
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Time, event and entry as numbers, n each, checked as `product_limit` says; without entries all ``else_from``."""
    t, d = np.asarray(time, dtype=np.float64), np.asarray(event, dtype=np.float64)
    e = np.full(t.shape, else_from) if entry is None else np.asarray(entry, dtype=np.float64)
    if t.ndim != 1 or not t.shape == d.shape == e.shape:
        raise ValueError(
            f"time, event and entry must be of one length; they are {t.shape}, {d.shape}, {e.shape}"
        )
    if not (np.isfinite(t) & (t >= 0)).all() or not (entry is None or (np.isfinite(e) & (e >= 0)).all()):
        raise ValueError("ages must be finite and not negative")
    if not (e < t).all():
        raise ValueError("entry must be earlier than time")
    if not ((d >= 0) & (d <= 1)).all():
        raise ValueError("events must lie between 0 and 1")
    return t, d, e


def risk_sets(t: FloatArray, d: FloatArray, e: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Ages at which events came, events then, subjects at risk then."""
    happened = d > 0
    ages, step = np.unique(t[happened], return_inverse=True)
    order = np.lexsort((d[happened], step))
    events = np.bincount(step[order], weights=d[happened][order], minlength=ages.size).astype(np.float64)
    return ages, events, number_at_risk(t, e, ages)


def number_at_risk(t: FloatArray, e: FloatArray, ages: FloatArray) -> FloatArray:
    entered = np.searchsorted(np.sort(e), ages, side="left")
    ended = np.searchsorted(np.sort(t), ages, side="left")
    return np.asarray(entered - ended, dtype=np.float64)
