"""Like for like: one trailer against the others of its fleet, one fleet against the trailers of others.

Counts and exposures in, what they allow to say out. May import `settings` and `statistics`.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from repermit.settings import Settings

Verdict = Literal["more", "fewer", "about_the_same", "too_few"]
Units = list[dict[str, Any]]
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
    found = [_against(units, "trailer_year", "us", US_PER_YEAR, settings)]
    if any(unit["loads"] for unit in units if unit["ours"]):
        found.append(_against(units, "1000_loads", "loads", 1000.0, settings))
    return tuple(found)


def _against(units: Units, per: str, of: str, scale: float, settings: Settings) -> Against:
    """This fleet against the others, kind by kind of trailer (system and positions).

    Kinds of which the others have fewer than `min_trailers` are put together; if these are still too few, they are
    left out. The others' rate is weighted to this fleet's mix. Both rates have gamma limits that allow for trailers
    that differ; the limits of their ratio are the exact ones of `rate_ratio`, for counts as informative as these.
    """
    from repermit.statistics.comparison import rate_ratio

    kinds = _kinds(units, of, settings.min_trailers)
    ours = [u for u in units if u["ours"] and _kind(u) in kinds]
    theirs = [u for u in units if not u["ours"] and _kind(u) in kinds]
    here, there = _exposure(ours, kinds, of, scale), _exposure(theirs, kinds, of, scale)
    theirs = [u for u in theirs if here.get(kinds[_kind(u)])]
    exposure, whole = sum(here.values()), sum(u[of] for u in units if u["ours"]) / scale
    counts = sum(u[of] > 0 for u in ours), sum(u[of] > 0 for u in theirs)
    if not exposure:
        return Against(per, "too_few", *counts, 0.0)
    weights = {kind: e / exposure / there[kind] for kind, e in here.items()}
    us = _weighed([(u["n"], u[of] / scale, 1 / exposure, 0) for u in ours], settings)
    them = _weighed(
        [(u["n"], u[of] / scale, weights[kinds[_kind(u)]], kinds[_kind(u)]) for u in theirs], settings
    )
    ratio, low, high = rate_ratio(us.events, us.exposure, them.events, them.exposure, settings.level)
    return Against(
        per, verdict(low, high), *counts, exposure / whole,
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


def _weighed(trailers: list[tuple[int, float, float, Any]], settings: Settings) -> _Weighed:
    """Sum of weight times faults, of rows (faults, exposure, weight, kind).

    The variance is that of chance, raised by what trailers of a kind differ beyond it, as in `rate_intervals`.
    Without faults the count is 0 over the exposure.
    """
    from repermit.statistics.rates import excess_variance, gamma_limits

    sums: dict[Any, tuple[int, float]] = defaultdict(lambda: (0, 0.0))
    for n, e, _, kind in trailers:
        sums[kind] = (sums[kind][0] + n, sums[kind][1] + e)
    rate = sum(n * w for n, _, w, _ in trailers)
    chance = between = sum(n * w**2 for n, _, w, _ in trailers)
    present = sum(e > 0 for _, e, _, _ in trailers)
    if present >= settings.min_trailers:
        between = 0.0
        for n, e, w, kind in trailers:
            rest = sums[kind][1] - e
            expected = e * (sums[kind][0] - n) / rest if rest > 0 else 0.0
            between += (w * (n - expected)) ** 2
    variance = chance + float(excess_variance(chance, between, present, settings.level))
    step = max(w for _, e, w, _ in trailers if e > 0)
    low, high = gamma_limits(rate, variance, settings.level, step=step)
    events = rate**2 / variance if rate else 0.0
    return _Weighed(rate, float(low), float(high), events, events / rate if rate else 1 / step)


Kind = tuple[Any, ...]


def _kind(unit: dict[str, Any]) -> Kind:
    return unit["system"], unit["positions"]


def _kinds(units: Units, of: str, least: int) -> dict[Kind, Kind]:
    """What each kind of trailer is compared as: itself, or () for those put together; without those left out."""
    theirs: dict[Kind, int] = defaultdict(int)
    for unit in units:
        theirs[_kind(unit)] += bool(not unit["ours"] and unit[of] > 0)
    rest = sum(n for n in theirs.values() if n < least)
    return {kind: kind if n >= least else () for kind, n in theirs.items() if n >= least or rest >= least}


def _exposure(units: Units, kinds: dict[Kind, Kind], of: str, scale: float) -> dict[Kind, float]:
    """Exposure of each kind."""
    found: dict[Kind, float] = defaultdict(float)
    for unit in units:
        found[kinds[_kind(unit)]] += unit[of] / scale
    return dict(found)


def verdict(low: float, high: float) -> Verdict:
    """What the limits of a ratio to the others allow to say."""
    if low > 1:
        return "more"
    if high < 1:
        return "fewer"
    return "about_the_same" if low >= 1 / SAME and high <= SAME else "too_few"


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
