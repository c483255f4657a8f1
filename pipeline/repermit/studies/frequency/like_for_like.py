"""Like for like: one trailer against the others of its fleet, one fleet against the trailers of others.

Counts and exposures in, what they allow to say out. May import `settings` and `statistics`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, TypeAlias

from repermit.settings import Settings

if TYPE_CHECKING:
    import numpy as np
    import polars as pl
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]
    IntArray = NDArray[np.int64]
    BoolArray = NDArray[np.bool_]

Verdict = Literal["more", "fewer", "about_the_same", "too_few"]
Units: TypeAlias = "pl.DataFrame"
"""Rows by trailer: trailer_id, fleet, ours, system, positions, and the sums us (at risk), loads, n (faults)."""

SAME = 1.5
"""About the same: limits that leave room for neither so many times as many faults nor so many times fewer."""
LEAST_FAULTS = 2
"""A single fault is never called clearly more, however short the trailer's time in the fleet."""
US_PER_YEAR = 365.25 * 86_400e6


@dataclass(frozen=True)
class Against:
    """This fleet's rate, the other fleets' for the same mix of trailers, and their ratio, each with limits.

    `compared`: the share of this fleet's exposure that is of a kind of which other fleets have enough trailers;
    `trailers` of this fleet and `others_trailers` of others stand behind it. Undefined is None.
    """

    per: str
    verdict: Verdict
    trailers: int
    others_trailers: int
    compared: float
    rate: float | None = None
    low: float | None = None
    high: float | None = None
    others: float | None = None
    others_low: float | None = None
    others_high: float | None = None
    ratio: float | None = None
    ratio_low: float | None = None
    ratio_high: float | None = None


def clearly_more(faults: Mapping[str, float], exposure: Mapping[str, float], alpha: float = 0.05) -> set[str]:
    """The units whose count stands clearly above what the others bring for the same exposure.

    Were all units alike, a unit's faults would be binomial given the faults of all, with its share of the exposure:
    the exact comparison of two Poisson counts, which allows for the chance in the others' count too (Przyborowski &
    Wilenski 1940). Of the tail probabilities those are taken that Holm's step-down procedure (1979) rejects, so
    that among alike units one is named with probability `alpha` at most. Fewer than two units with exposure, or no
    faults: none. Ties are taken or left together.
    """
    from scipy.special import betainc

    of = {name: e for name, e in exposure.items() if e > 0}
    total, whole = sum(faults.get(name, 0) for name in of), sum(of.values())
    if len(of) < 2 or not total:
        return set()
    tails = {
        name: float(betainc(faults[name], total - faults[name] + 1, e / whole)) if faults.get(name) else 1.0
        for name, e in of.items()
    }
    found: set[str] = set()
    for rank, name in enumerate(sorted(tails, key=lambda n: (tails[n], n))):
        if tails[name] * (len(tails) - rank) > alpha:
            break
        found.add(name)
    return {name for name in found if faults[name] >= LEAST_FAULTS}


def against_others(units: Units, settings: Settings) -> tuple[Against, ...]:
    """By trailer and year, and by 1,000 loads where the fleet's loads are on record."""
    import numpy as np
    import polars as pl

    kind = units.select(pl.struct("system", "positions").rank("dense").cast(pl.Int64)).to_series().to_numpy()
    ours, faults = units["ours"].to_numpy(), units["n"].to_numpy()
    us, loads = (units[of].to_numpy().astype(np.float64) for of in ("us", "loads"))
    found = [_against("trailer_year", kind, ours, faults, us / US_PER_YEAR, settings)]
    if loads[ours].any():
        found.append(_against("1000_loads", kind, ours, faults, loads / 1000.0, settings))
    return tuple(found)


def _against(
    per: str, kind: IntArray, ours: BoolArray, faults: IntArray, exposure: FloatArray, settings: Settings
) -> Against:
    """This fleet against the others, kind by kind of trailer (system and positions).

    Kinds of which the others have fewer than `min_trailers` are put together; if these are still too few, they are
    left out. The others' rate is weighted to this fleet's mix. Both rates have gamma limits that allow for trailers
    that differ; the limits of their ratio are the exact ones of `rate_ratio`, for counts as informative as these.
    """
    import numpy as np

    from repermit.statistics.comparison import rate_ratio

    kind = _compared_as(kind, ~ours & (exposure > 0), settings.min_trailers)
    of_fleet, of_others = ours & (kind >= 0), ~ours & (kind >= 0)
    here, there = (
        np.bincount(kind[mine], weights=exposure[mine], minlength=kind.max(initial=0) + 1)
        for mine in (of_fleet, of_others)
    )
    of_others &= here[kind] > 0
    counts = tuple(int((exposure[mine] > 0).sum()) for mine in (of_fleet, of_others))
    whole = float(here.sum())
    if not whole:
        return Against(per, "too_few", counts[0], counts[1], 0.0)
    alike = np.full(len(kind), 1 / whole)
    mix = np.divide(here / whole, there, out=np.zeros_like(here), where=here > 0)[kind]
    us, them = (
        _weighed(faults[mine], exposure[mine], weight[mine], group[mine], settings)
        for mine, weight, group in ((of_fleet, alike, np.zeros_like(kind)), (of_others, mix, kind))
    )
    ratio, low, high = rate_ratio(us.events, us.exposure, them.events, them.exposure, settings.level)
    return Against(
        per, verdict(low, high), counts[0], counts[1], whole / float(exposure[ours].sum()),
        us.rate, us.low, us.high, them.rate, them.low, them.high, _finite(ratio), low, _finite(high),
    )  # fmt: skip


@dataclass(frozen=True)
class _Weighed:
    """A rate with limits, and the Poisson count and exposure that would tell as much."""

    rate: float
    low: float
    high: float
    events: float
    exposure: float


def _weighed(
    faults: IntArray, exposure: FloatArray, weight: FloatArray, kind: IntArray, settings: Settings
) -> _Weighed:
    """Sum of weight times faults, of one entry a trailer.

    The variance is that of chance, raised by what trailers of a kind differ beyond it, as in `rate_intervals`.
    Without faults the count is 0 over the exposure.
    """
    import numpy as np

    from repermit.statistics.rates import excess_variance, gamma_limits

    rate = float((faults * weight).sum())
    chance = between = float((faults * weight**2).sum())
    present = int((exposure > 0).sum())
    if present >= settings.min_trailers:
        counts, sums = (np.bincount(kind, weights=x)[kind] for x in (faults, exposure))
        rest = sums - exposure
        expected = np.divide(exposure * (counts - faults), rest, out=np.zeros_like(exposure), where=rest > 0)
        between = float(((weight * (faults - expected)) ** 2).sum())
    variance = chance + float(excess_variance(chance, between, present, settings.level))
    step = float(weight[exposure > 0].max())
    low, high = gamma_limits(rate, variance, settings.level, step=step)
    events = rate**2 / variance if rate else 0.0
    return _Weighed(rate, float(low), float(high), events, events / rate if rate else 1 / step)


def _compared_as(kind: IntArray, theirs: BoolArray, least: int) -> IntArray:
    """What each trailer is compared as: its kind (from 1), or 0 with kinds put together; -1 where left out."""
    import numpy as np

    many = np.bincount(kind[theirs], minlength=kind.max(initial=0) + 1)
    rest = many[many < least].sum()
    return np.where(many[kind] >= least, kind, 0 if rest >= least else -1)


def verdict(low: float, high: float) -> Verdict:
    """What the limits of a ratio to the others allow to say."""
    if low > 1:
        return "more"
    if high < 1:
        return "fewer"
    return "about_the_same" if low >= 1 / SAME and high <= SAME else "too_few"


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
